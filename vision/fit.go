package vision

import (
	"math"

	"tawsight/calib"
	"tawsight/internal/kernels"
	"tawsight/internal/order"
)

// probeOf is an ellipse as places measured from x, y know it.
func probeOf(e calib.Ellipse, x, y float64) kernels.Probe {
	s, c := math.Sincos(e.AngleDeg * math.Pi / 180)
	return kernels.Probe{CX: e.CxPX - x, CY: e.CyPX - y, Cos: c, Sin: s, SemiMajor: e.SemiMajorPX, SemiMinor: e.SemiMinorPX}
}

// A band is what lies near an outline in each direction that something does in.
type band struct {
	kernels.Places
	seen *sight
}

func (b *band) probe(e calib.Ellipse) kernels.Probe { return probeOf(e, b.seen.x, b.seen.y) }

func (b *band) place(i int) *place { return &b.seen.places[b.Seen(i)] }

func (b *band) ray(i int) calib.Vec3 { return b.seen.rays[b.Seen(i)] }

// band is what lies within reach of an outline, px: nothing farther out or in counts
// for or against it. It is valid until the next one is asked for.
func (rf *refiner) band(s *sight, e calib.Ellipse, reach float64) *band {
	b := &rf.near
	b.seen = s
	b.Within(&s.at, probeOf(e, s.x, s.y), reach)
	return b
}

// finalTries is the number of draws of the last consensus: with half of the
// places on the outline, one draw in eight is of three such. chooseTries is the
// same while it is being chosen which outline to look at more closely.
const (
	finalTries  = 300
	chooseTries = 100
)

// leastPicked is the least number of places that a fit is made through.
const leastPicked = 12

// innerEdgeShare is what an edge counts for an outline when a step was seen
// outside it in the same direction.
const innerEdgeShare = 0.35

// Where the glass's own edge is faint, the ring inside it is found instead, a
// pixel or so further in: points inside the outline are the doubtful ones.
const (
	insideDoubtPX = 1.0
	insideShare   = 0.5
)

// fitHalf is the strength of a place that counts half in a fit.
const fitHalf = 30.0

// softShare is what the edge of a shadow counts in a fit.
const softShare = 0.1

// fitting solves for cones through places, reusing its memory.
type fitting struct {
	rf      *refiner
	seen    *sight
	startPX float64 // radius that it began with
	cone    calib.Cone
	e       calib.Ellipse
	pts     kernels.Picks
	fitRoom
}

// fitRoom is what a fit takes, kept for the next one.
type fitRoom struct {
	w   []float64 // what the places picked count
	abs []float64
}

// solve fits the cone to the places picked, weighed as w says; false where none
// of a likely size comes out.
func (f *fitting) solve() bool {
	c, ok := calib.FitConeAmong(f.seen.rays, f.pts.Seen, f.w)
	if !ok {
		return false
	}
	next, ok := c.Outline(f.rf.cam)
	if !ok || next.MeanRadiusPX() < 0.6*f.startPX || next.MeanRadiusPX() > 1.7*f.startPX || next.SemiMajorPX > 1.6*next.SemiMinorPX {
		return false
	}
	f.cone, f.e = c, next
	return true
}

// weigh sets the weights by Tukey's biweight with the given limit.
func (f *fitting) weigh(limit, softLimit float64) {
	f.w = f.w[:0]
	for i, at := range f.pts.Seen {
		w := 0.0
		if u := float64(f.pts.Off[i]) / limit; u > -1 && u < 1 {
			w = f.seen.counts[at]
			if f.seen.places[at].width > softLimit {
				w *= softShare
			}
			w = w * (1 - u*u) * (1 - u*u)
		}
		f.w = append(f.w, w)
	}
}

// fit is the robust cone through what was seen: in each direction the place
// nearest to the outline, a weighted least-squares cone, again with a
// narrowing tolerance; with tries, at the end the outermost steps near what that
// many draws agree on; with Tukey's biweight.
func (rf *refiner) fit(seen *sight, start calib.Ellipse, reach, softLimit float64, tries int) (o Outline, ok bool) {
	f := fitting{rf: rf, seen: seen, startPX: start.MeanRadiusPX(), e: start, fitRoom: rf.fits}
	defer func() { rf.fits = f.fitRoom }()
	dirs := rf.band(seen, start, reach)
	least := 0.6 + 0.5*rf.sigmaPX
	for tol := reach; ; tol *= 0.75 {
		if f.pts = dirs.Pick(dirs.probe(f.e), tol, softLimit, false); f.pts.Len() < leastPicked {
			return o, false
		}
		if f.weigh(1.2*tol, softLimit); !f.solve() {
			return o, false
		}
		if tol < least {
			break
		}
	}
	if tries > 0 {
		// Tight: only the directions that show the outline itself.
		tight := 0.4 + 0.1*rf.sigmaPX
		if c, ok := rf.consensus(dirs, f.e, tight, 0.08, rf.against(outsideFinal), tries); ok {
			f.e = c
			for range 3 {
				if f.pts = dirs.Pick(dirs.probe(f.e), 1.5*tight, softLimit, true); f.pts.Len() < leastPicked {
					break
				}
				if f.weigh(1.5*tight, softLimit); !f.solve() {
					break
				}
			}
			least = 1.5 * tight
		}
	}
	scale := least / 2
	for range 8 {
		// The outermost step may lie a little outside an edge that was nearer.
		near := math.Max(least*1.3, 3.5*scale)
		if tries > 0 {
			near = least
		}
		if f.pts = dirs.Pick(dirs.probe(f.e), near, softLimit, true); f.pts.Len() < leastPicked {
			return o, false
		}
		f.weigh(4*scale, softLimit)
		for i, off := range f.pts.Off {
			if off < -insideDoubtPX {
				f.w[i] *= insideShare
			}
		}
		if !f.solve() {
			return o, false
		}
		f.abs = f.abs[:0]
		off := dirs.Offs(dirs.probe(f.e))
		for _, at := range f.pts.Place {
			f.abs = append(f.abs, math.Abs(float64(off[at])))
		}
		scale = math.Max(0.12, math.Min(least, 1.4826*order.Median(f.abs)))
	}
	o = Outline{Cone: f.cone, Ellipse: f.e, ResidualPX: scale, RimShiftPX: rf.rim.shift(f.e.MeanRadiusPX())}
	off := dirs.Offs(dirs.probe(f.e))
	strengths, widths := f.abs[:0], make([]float64, 0, f.pts.Len())
	for i, at := range f.pts.Place {
		p := dirs.place(int(at))
		// Support counts directions near the outline, by strength.
		if d := math.Abs(float64(off[at])); d < least {
			o.Coverage++
			share := p.strength / (p.strength + 25) * (1 - d*d/(least*least))
			if f.pts.Inner[i] {
				share *= innerEdgeShare
			}
			o.Support += share
		}
		if f.w[i] > 0 {
			strengths = append(strengths, p.strength)
			if p.width > 0 {
				widths = append(widths, p.width)
			}
		}
	}
	if len(strengths) == 0 {
		return o, false
	}
	o.Strength = order.Median(strengths)
	if len(widths) > 0 {
		o.SoftPX = order.Median(widths)
	}
	if !rf.coarse && tries >= finalTries {
		o.CovV = rf.covariance(seen, f.pts.Seen, f.w, f.cone.V, scale) // asked of the last fit only
	}
	n := float64(seen.looked + seen.hidden + seen.outside)
	o.Coverage /= float64(seen.looked)
	o.Support /= float64(seen.looked)
	o.Hidden = float64(seen.hidden) / n
	o.CutOff = float64(seen.outside) > n/40
	return o, true
}

// judge weighs an outline by a wide look around it: directions whose outermost
// step lies on it speak for it, those with one outside it against, by
// strength. Glass left outside a too small circle shows there, and so do paper
// and shadow inside a too large one, by having nothing on it.
func (rf *refiner) judge(seen *sight, e calib.Ellipse, softLimit float64) float64 {
	b := rf.band(seen, e, rf.judgeReach(e))
	terms := kernels.Terms{Tol: judgeTolPX + 0.2*rf.sigmaPX, Outside: rf.against(outsideShare), Soft: softLimit, Inner: innerEdgeShare}
	return b.Agreement(0, b.Directions(), b.probe(e), terms) / float64(max(1, seen.looked))
}

// judgeReach is how far around an outline judge looks, px.
func (rf *refiner) judgeReach(e calib.Ellipse) float64 { return 0.16*e.MeanRadiusPX() + 1 + rf.sigmaPX }

// judgeTolPX is how near a place must lie to speak for an outline, beside a
// share of the blur.
const judgeTolPX = 0.5

// judgeHalf is the strength that counts half in judge.
const judgeHalf = 50.0

// outsideFinal is the same on the last, near look, where a step outside is
// nearly always glass.
const outsideFinal = 1.5

// outsideShare is what a step outside the outline counts against it. Less than
// one for it, since shadows and gathered light have edges too.
const outsideShare = 1.0

// against is what a step outside an outline counts against it where marbles lie on
// the sheet itself: nothing where it may be the edge of the ring under one.
func (rf *refiner) against(outside float64) float64 {
	if rf.ringed {
		return 0
	}
	return outside
}

// sequence is a fixed sequence of numbers to draw by (Numerical Recipes' quick
// generator), so that a photo always gives the same answer.
type sequence uint32

// below is the next number from 0 to k-1.
func (s *sequence) below(k int) int {
	*s = *s*1664525 + 1013904223
	return int(uint64(*s) * uint64(k) >> 32)
}

// three are directions of n about a third of the way round from each other.
func (s *sequence) three(n int) (a, b, c int) {
	a = s.below(n)
	b = (a + n/5 + s.below(n/4)) % n
	c = (b + n/5 + s.below(n/4)) % n
	return a, b, c
}

// consensus is the outline that what was seen agrees on best: cones through
// three places, spread around, judged by all directions (random sample
// consensus, Fischler and Bolles 1981; the draws are a fixed sequence, so that
// a photo always gives the same answer). tol is how near a place must lie, px;
// stray how far the outline may differ from start, as a share of its radius.
//
// Over part of a clear marble's rim the glass mirrors and refracts the very
// paper beside it, and the first visible edge lies a pixel or three inside; a
// mean of all edges would be drawn in by it. The outline is the circle that
// touches the outer ones: places on it speak for it by their strength, steps
// outside it against it, and places inside it count nothing.
func (rf *refiner) consensus(near *band, start calib.Ellipse, tol, stray, outside float64, tries int) (calib.Ellipse, bool) {
	n := near.Directions()
	if n < 24 {
		return start, false
	}
	seq := sequence(1)
	next := seq.below
	draw := func(d int) calib.Vec3 {
		from, to := near.Direction(d)
		if near.Step(from) && next(4) != 0 {
			return near.ray(from)
		}
		return near.ray(from + next(to-from))
	}
	r := start.MeanRadiusPX()
	// Which outline is best shows in every other direction too, where they lie
	// closely.
	every := 1
	if n > 128 {
		every = 2
	}
	// A quarter of the directions come first: most draws are hopeless, and it shows
	// there.
	dirs := rf.dirs[:0]
	few := 0
	for _, first := range [2]bool{true, false} {
		for i := 0; i < n; i += every {
			if (i/every%4 == 0) == first {
				dirs = append(dirs, int32(i))
			}
		}
		if first {
			few = len(dirs)
		}
	}
	rf.dirs = dirs
	rf.asked.Take(&near.Places, dirs)
	probes, drawn := rf.probes[:0], rf.drawn[:0]
	for range tries {
		a, b, c := seq.three(n)
		cone, ok := calib.ConeThrough(draw(a), draw(b), draw(c))
		if !ok {
			continue
		}
		e, ok := cone.Outline(rf.cam)
		if !ok || math.Hypot(e.CxPX-start.CxPX, e.CyPX-start.CyPX) > stray*r || math.Abs(math.Log(e.MeanRadiusPX()/r)) > stray {
			continue
		}
		probes, drawn = append(probes, near.probe(e)), append(drawn, e)
	}
	rf.probes, rf.drawn = probes, drawn
	best := rf.asked.Best(probes, few, hopelessDraw, kernels.Terms{Tol: tol, Outside: outside, Soft: math.Inf(1), Inner: innerEdgeShare})
	if best < 0 {
		return start, false
	}
	return drawn[best], true
}

// hopelessDraw is how well a draw must agree with the directions asked first, as a
// share of what the best one did, for the others to be asked too.
const hopelessDraw = 0.6

// sureWeight is what a step outside an outline counts against it: nothing while
// it may be grain or the turn of a shadow.
func sureWeight(strength float64) float64 {
	return math.Max(0, strength-sureLeast) / (strength + judgeHalf - sureLeast)
}

// sureLeast is the strength up to which a step may be grain.
const sureLeast = 15.0
