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
	of   []int32 // which of all places each is
}

func (b *band) probe(e calib.Ellipse) kernels.Probe { return probeOf(e, b.seen.x, b.seen.y) }

func (b *band) place(i int) *place { return &b.seen.places[b.of[i]] }

func (b *band) reset(s *sight) {
	n := len(s.places)
	b.seen = s
	b.Reset(n, s.at.Directions())
	if b.of = b.of[:0]; cap(b.of) < n {
		b.of = make([]int32, 0, n)
	}
}

// add adds places from to before to of those that the direction was cut out of.
func (b *band) add(from *kernels.Places, of []int32, first, last int) {
	b.Copy(from, first, last)
	for i := first; i < last; i++ {
		if of == nil {
			b.of = append(b.of, int32(i))
		} else {
			b.of = append(b.of, of[i])
		}
	}
	b.End()
}

// band is what lies within reach of an outline, px: nothing farther out or in counts
// for or against it. It is valid until the next one is asked for.
func (rf *refiner) band(s *sight, e calib.Ellipse, reach float64) *band {
	b := &rf.near
	b.reset(s)
	off := s.at.Offs(probeOf(e, s.x, s.y))
	for d := range s.at.Directions() {
		from, last := s.at.Direction(d)
		for from < last && float64(off[from]) > reach {
			from++
		}
		to := from
		for to < last && float64(off[to]) > -reach {
			to++
		}
		if from < to {
			b.add(&s.at, nil, from, to)
		}
	}
	return b
}

// picked is the place chosen in one direction.
type picked struct {
	*place
	at  int     // which it is in its band
	off float64 // from the outline, px
	// inner says that a step was seen outside it: it may be a ring inside.
	inner bool
}

// pick chooses in each direction the place that serves an outline best: within
// tol of it, the nearest while the outline is still being found, the outermost
// step once it is (settled).
func (b *band) pick(out []picked, e calib.Ellipse, tol, softLimit float64, settled bool) []picked {
	out = out[:0]
	for _, p := range b.Pick(b.probe(e), tol, softLimit, settled) {
		out = append(out, picked{b.place(int(p.Place)), int(p.Place), float64(p.Off), p.Inner != 0})
	}
	return out
}

// finalTries is the number of draws of the last consensus: with half of the
// places on the outline, one draw in eight is of three such. chooseTries is the
// same while it is being chosen which outline to look at more closely.
const (
	finalTries  = 300
	chooseTries = 100
)

// innerEdgeShare is what an edge counts for an outline when a step was seen
// outside it in the same direction.
const innerEdgeShare = 0.35

// Where the glass's own edge is faint, the ring inside it is found instead, a
// pixel or so further in: points inside the outline are the doubtful ones.
const (
	insideDoubtPX = 1.0
	insideShare   = 0.5
)

// weightOf is what a place counts in a fit.
func weightOf(p *place, softLimit float64) float64 {
	w := p.strength / (p.strength + 30)
	if p.width > softLimit {
		w *= 0.1 // a shadow's edge
	}
	return w
}

// fitting solves for cones through places, reusing its memory.
type fitting struct {
	rf      *refiner
	startPX float64 // radius that it began with
	cone    calib.Cone
	e       calib.Ellipse
	fitRoom
}

// fitRoom is what a fit takes, kept for the next one.
type fitRoom struct {
	rays []calib.Vec3
	w    []float64
	pts  []picked
}

// solve fits the cone to the places picked, weighed as w says; false where none
// of a likely size comes out.
func (f *fitting) solve() bool {
	f.rays = f.rays[:0]
	for i := range f.pts {
		f.rays = append(f.rays, f.pts[i].ray)
	}
	c, ok := calib.FitCone(f.rays, f.w)
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
	for i := range f.pts {
		w := 0.0
		if u := f.pts[i].off / limit; u > -1 && u < 1 {
			w = weightOf(f.pts[i].place, softLimit) * (1 - u*u) * (1 - u*u)
		}
		f.w = append(f.w, w)
	}
}

// fit is the robust cone through what was seen: in each direction the place
// nearest to the outline, a weighted least-squares cone, again with a
// narrowing tolerance; with tries, at the end the outermost steps near what that
// many draws agree on; with Tukey's biweight.
func (rf *refiner) fit(seen *sight, start calib.Ellipse, reach, softLimit float64, tries int) (o Outline, ok bool) {
	f := fitting{rf: rf, startPX: start.MeanRadiusPX(), e: start, fitRoom: rf.fits}
	defer func() { rf.fits = f.fitRoom }()
	dirs := rf.band(seen, start, reach)
	least := 0.6 + 0.5*rf.sigmaPX
	for tol := reach; ; tol *= 0.75 {
		if f.pts = dirs.pick(f.pts, f.e, tol, softLimit, false); len(f.pts) < 12 {
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
				if f.pts = dirs.pick(f.pts, f.e, 1.5*tight, softLimit, true); len(f.pts) < 12 {
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
	abs := make([]float64, 0, dirs.Directions())
	for range 8 {
		// The outermost step may lie a little outside an edge that was nearer.
		near := math.Max(least*1.3, 3.5*scale)
		if tries > 0 {
			near = least
		}
		if f.pts = dirs.pick(f.pts, f.e, near, softLimit, true); len(f.pts) < 12 {
			return o, false
		}
		f.weigh(4*scale, softLimit)
		for i := range f.pts {
			if f.pts[i].off < -insideDoubtPX {
				f.w[i] *= insideShare
			}
		}
		if !f.solve() {
			return o, false
		}
		abs = abs[:0]
		off := dirs.Offs(dirs.probe(f.e))
		for i := range f.pts {
			abs = append(abs, math.Abs(float64(off[f.pts[i].at])))
		}
		scale = math.Max(0.12, math.Min(least, 1.4826*order.Median(abs)))
	}
	o = Outline{Cone: f.cone, Ellipse: f.e, ResidualPX: scale, RimShiftPX: rf.rim.shift(f.e.MeanRadiusPX())}
	off := dirs.Offs(dirs.probe(f.e))
	var st, wd []float64
	for i, p := range f.pts {
		// Support counts directions near the outline, by strength.
		if d := math.Abs(float64(off[p.at])); d < least {
			o.Coverage++
			share := p.strength / (p.strength + 25) * (1 - d*d/(least*least))
			if p.inner {
				share *= innerEdgeShare
			}
			o.Support += share
		}
		if f.w[i] > 0 {
			st = append(st, p.strength)
			if p.width > 0 {
				wd = append(wd, p.width)
			}
		}
	}
	if len(st) == 0 {
		return o, false
	}
	o.Strength = order.Median(st)
	if len(wd) > 0 {
		o.SoftPX = order.Median(wd)
	}
	if !rf.coarse && tries >= finalTries {
		o.CovV = rf.covariance(f.pts, f.w, f.cone.V, scale) // asked of the last fit only
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
	var best calib.Ellipse
	bestScore := 0.0
	seq := sequence(1)
	next := seq.below
	draw := func(d int) calib.Vec3 {
		from, to := near.Direction(d)
		if near.Step(from) && next(4) != 0 {
			return near.place(from).ray
		}
		return near.place(from + next(to-from)).ray
	}
	r := start.MeanRadiusPX()
	// Which outline is best shows in every other direction too, where they lie
	// closely.
	every := 1
	if n > 128 {
		every = 2
	}
	// A quarter of the directions come first.
	asked := &rf.asked
	asked.reset(near.seen)
	few := 0
	for _, first := range [2]bool{true, false} {
		for i := 0; i < n; i += every {
			if (i/every%4 == 0) == first {
				from, to := near.Direction(i)
				asked.add(&near.Places, near.of, from, to)
			}
		}
		if first {
			few = asked.Directions()
		}
	}
	all := asked.Directions()
	terms := kernels.Terms{Tol: tol, Outside: outside, Soft: math.Inf(1), Inner: innerEdgeShare}
	bestFirst := 0.0
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
		// Most draws are hopeless, and a quarter of the directions shows it.
		probe := asked.probe(e)
		if first := asked.Agreement(0, few, probe, terms); first < hopelessDraw*bestFirst {
			continue
		} else if score := first + asked.Agreement(few, all, probe, terms); score > bestScore {
			best, bestScore, bestFirst = e, score, first
		}
	}
	return best, bestScore > 0
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
