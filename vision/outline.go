package vision

import (
	"math"
	"sort"

	"tawsight/calib"
)

// Outline is a marble's silhouette, refined on the full-size photo.
type Outline struct {
	Cone    calib.Cone
	Ellipse calib.Ellipse // the same as an ellipse in the photo
	// CovV is the covariance of Cone.V that the scatter of the edge points
	// gives.
	CovV [3][3]float64
	// RimShiftPX is what was added to every edge point for the rim's
	// reflection; see WithoutRim.
	RimShiftPX float64
	// BiasUPX is the standard uncertainty of the outline's radius, px, that the
	// scatter of points doesn't show: what the seen edge and the true outline
	// differ by, all round.
	BiasUPX float64
	// ResidualPX is the robust standard deviation of edge points about the
	// outline, px.
	ResidualPX float64
	// Coverage is the share of directions in which an edge was found on the
	// outline, among those not hidden by a neighbour.
	Coverage float64
	// Strength is the median step across the outline in units of the local
	// noise.
	Strength float64
	// SoftPX is the median width (from 10 to 90 % of the step) of the edges, px.
	SoftPX float64
	// Hidden is the share of directions in which a neighbour lies against it.
	Hidden float64
	// Touching says that a neighbour's outline meets this one.
	Touching bool
	// CutOff says that part of the outline lies outside the photo.
	CutOff bool
	// Support is the share of directions near the outline, each counted by its
	// strength; it orders outlines that claim the same place.
	Support float64
}

// edgePoint is one place where the outline may have been seen.
type edgePoint struct {
	x, y     float64
	strength float64
	width    float64 // 10 to 90 %, px; 0 when not measured
	step     bool    // the outermost step of its direction, with its half height
	ray      calib.Vec3
}

// direction is what was seen along one normal: a few places, outermost first.
type direction []edgePoint

// refiner holds what the search along normals needs.
type refiner struct {
	px      calib.Pixels
	cam     calib.Camera
	sigmaPX float64 // the photo's blur
	rim     rimTable
}

// scan looks along the normals of an ellipse for the outermost sharp change
// against what lies outside it, and for other edges further in or out. reach is how far in and out to look, px.
// skip says where the outside belongs to something else.
func (rf *refiner) scan(e calib.Ellipse, reach float64, skip func(x, y float64) bool) (dirs []direction, looked, hidden, outside int) {
	r := e.MeanRadiusPX()
	n := int(math.Max(96, math.Min(360, 2*math.Pi*r/1.6)))
	// Outside window: long enough to follow a soft shadow, short enough to
	// stay near.
	window := math.Max(5, math.Min(16, 0.14*r)) + 1.5*rf.sigmaPX
	gap := 0.75 + 0.9*rf.sigmaPX
	inward := 1.0 + 2.2*rf.sigmaPX // how far inside the step's full height is looked for
	const step = 0.25
	start := reach + window + gap
	m := int((start + reach + inward + 2) / step)
	type ray struct {
		seen           bool
		first          int // first sample inside the picture
		x0, y0, nx, ny float64
	}
	rays := make([]ray, n)
	raw := make([][3]float64, n*m)
	for k := range rays {
		q := &rays[k]
		q.x0, q.y0, q.nx, q.ny = e.At(2 * math.Pi * float64(k) / float64(n))
		if xo, yo := q.x0+q.nx*1.5, q.y0+q.ny*1.5; xo < 0 || yo < 0 || xo > float64(rf.px.W-1) || yo > float64(rf.px.H-1) {
			outside++
			continue
		}
		// Only as far out as the frame goes.
		for ; q.first < m; q.first++ {
			s := start - float64(q.first)*step
			x, y := q.x0+q.nx*s, q.y0+q.ny*s
			if x >= 0 && y >= 0 && x <= float64(rf.px.W-1) && y <= float64(rf.px.H-1) {
				break
			}
		}
		if skip != nil && (skip(q.x0+q.nx*(1.5+0.03*r), q.y0+q.ny*(1.5+0.03*r)) || skip(q.x0+q.nx*(gap+1+0.5*window), q.y0+q.ny*(gap+1+0.5*window))) {
			hidden++
			continue
		}
		looked++
		q.seen = true
		for i := q.first; i < m; i++ {
			s := start - float64(i)*step
			c := rf.px.LinearAt(q.x0+q.nx*s, q.y0+q.ny*s)
			raw[k*m+i] = [3]float64{(c[0] + c[1] + c[2]) / 3, c[0] - c[1], (c[0]+c[1])/2 - c[2]}
		}
	}
	prof := make([][3]float64, m)
	for k, q := range rays {
		if !q.seen {
			continue
		}
		x0, y0, nx, ny, first := q.x0, q.y0, q.nx, q.ny, q.first
		// Neighbouring directions are averaged along the outline, which
		// quietens the noise by 2 and blurs nothing across it.
		sw := 0.0
		clear(prof)
		for j, w := range [5]float64{1, 2, 3, 2, 1} {
			kk := (k + j - 2 + n) % n
			if !rays[kk].seen || rays[kk].first > first {
				continue
			}
			sw += w
			for i := first; i < m; i++ {
				for c := range prof[i] {
					prof[i][c] += w * raw[kk*m+i][c]
				}
			}
		}
		// Blur and reflection mix light, not code values, so the half height
		// is taken in linear light, relative to the paper outside.
		paper := 0.0
		for i := first; i < m && i < first+8; i++ {
			paper += prof[i][0] / 8
		}
		paper = math.Max(paper, 0.01*sw)
		for i := first; i < m; i++ {
			for c := range prof[i] {
				prof[i][c] /= paper
			}
		}
		var d direction
		add := func(s, strength, width float64, isStep bool) {
			at := start - float64(first)*step - s
			if math.Abs(at) > reach {
				return
			}
			at += rf.rim.shift(r)
			x, y := x0+nx*at, y0+ny*at
			d = append(d, edgePoint{x: x, y: y, strength: strength, width: width, step: isStep, ray: rf.cam.Ray(x, y)})
		}
		if s, strength, width, ok := stepFrom(prof[first:], window, gap, inward, step); ok {
			add(s, strength, width, true)
		}
		for _, g := range slopes(prof[first:], rf.sigmaPX, step) {
			add(g[0], g[1], 0, false)
		}
		if len(d) > 0 {
			dirs = append(dirs, d)
		}
	}
	return dirs, looked, hidden, outside
}

// Limits of the step search, in linear light relative to the paper outside.
const (
	// stepNoiseFloor is the least noise assumed along a profile: rounding to 8
	// bits and JPEG.
	stepNoiseFloor = 0.008
	// stepOnset is the departure from the outside, in noise units, that starts
	// a step.
	stepOnset = 5.0
	// stepOverPeak is how far a step must rise above the largest departure
	// found outside.
	stepOverPeak = 2.6
	// stepShadow is how much of the shadow's fall over the outside window is
	// taken off a step that goes on darkening.
	stepShadow = 1.0
	// stepLevels is how steep a step may still be, as a share of its steepest,
	// where it should have levelled off. A Gaussian edge is down to a quarter
	// there.
	stepLevels = 0.65
	// stepLeast is the least height of a step: glass that differs
	// less from paper can't be told from paper's own texture.
	stepLeast = 0.045
)

// stepFrom finds, in a profile sampled from outside inwards, the first sharp
// departure from a straight line through what lies further out, and the place
// where it reaches half its local height. It returns the distance from the
// profile's start, the height in noise units and the 10 to 90 % width.
//
// The outermost change is wanted, not the strongest: inside the outline lie
// the dark ring of refraction, ribbons and reflections, all stronger.
func stepFrom(p [][3]float64, window, gap, inward, step float64) (at, strength, width float64, ok bool) {
	wn := int(window / step)
	gn := int(gap / step)
	in := int(inward/step + 0.5)
	if wn < 8 || len(p) < wn+gn+in+2 {
		return 0, 0, 0, false
	}
	run := 0
	sums := prefix(p)
	for i := wn + gn; i+in < len(p); i++ {
		line, noise := sums.fit(i-gn-wn, i-gn)
		// A soft slope outside counts as noise: inside a shadow's edge the
		// straight line is only nearly right.
		d := 0.0
		for k := 0; k < 3; k++ {
			e := (p[i][k] - line.at(k, float64(wn+gn))) / noise[k]
			d += e * e
		}
		if d < stepOnset*stepOnset {
			run = 0
			continue
		}
		// A shadow that deepens ever faster leaves a straight line too; it
		// follows a parabola.
		bend := sums.bend(i-gn-wn, i-gn, float64(wn+gn))
		d = 0
		for k := 0; k < 3; k++ {
			e := math.Abs(p[i][k]-line.at(k, float64(wn+gn))) / noise[k]
			eq := math.Abs(p[i][k]-line.at(k, float64(wn+gn))-bend[k]) / noise[k]
			if (p[i][k]-line.at(k, float64(wn+gn)))*bend[k] > 0 {
				e = math.Min(e, eq)
			}
			d += e * e
		}
		if d < stepOnset*stepOnset {
			run = 0
			continue
		}
		// Grain in a shadow is blotchy: what happens outside by itself must be
		// left well behind.
		peak := 0.0
		for j := 0; j < wn; j += 2 {
			e2 := 0.0
			for k := 0; k < 3; k++ {
				e := (p[i-gn-wn+j][k] - line.at(k, float64(j))) / noise[k]
				e2 += e * e
			}
			peak = math.Max(peak, e2)
		}
		if d < stepOverPeak*stepOverPeak*peak {
			run = 0
			continue
		}
		run++
		if run < 2 {
			continue
		}
		// Height: the largest departure in the direction it first takes,
		// within the blur's reach.
		o := i - run + 1
		base, noise := sums.fit(o-gn-wn, o-gn)
		dev := func(j int) (v [3]float64) {
			for k := range v {
				v[k] = p[j][k] - base.at(k, float64(j-(o-gn-wn)))
			}
			return v
		}
		var dir [3]float64
		lim := min(o+in, len(p)-1)
		for j := o; j <= lim; j++ {
			v := dev(j)
			for k := range dir {
				dir[k] += v[k]
			}
		}
		l := math.Sqrt(dir[0]*dir[0] + dir[1]*dir[1] + dir[2]*dir[2])
		if l == 0 {
			run = 0
			continue
		}
		for k := range dir {
			dir[k] /= l
		}
		q := func(j int) float64 {
			v := dev(j)
			return v[0]*dir[0] + v[1]*dir[1] + v[2]*dir[2]
		}
		top, topAt := 0.0, o
		for j := o; j <= lim; j++ {
			if v := q(j); v > top {
				top, topAt = v, j
			}
		}
		// Where the paper darkens toward the marble already, a step that darkens
		// further must be more than the shadow going on.
		sure := top
		if b := base.b[0]; b < 0 && dir[0] < 0 {
			sure -= stepShadow * -b * float64(wn) * -dir[0]
		}
		if sure < stepLeast {
			run = 0
			continue
		}
		// A step levels off within the blur; the slope of a shadow goes on.
		const span = 3 // samples, 0.75 px
		steep := 0.0
		for j := max(span, o-gn); j <= lim; j++ {
			steep = math.Max(steep, q(j)-q(j-span))
		}
		if q(lim)-q(lim-span) > stepLevels*steep {
			run = 0
			continue
		}
		cross := func(level float64) float64 {
			prev := q(max(0, o-gn))
			for j := max(1, o-gn+1); j <= topAt; j++ {
				v := q(j)
				if v >= level {
					if v == prev {
						return float64(j)
					}
					f := (level - prev) / (v - prev)
					return float64(j-1) + math.Max(0, math.Min(1, f))
				}
				prev = v
			}
			return float64(topAt)
		}
		sigma := math.Sqrt(dir[0]*dir[0]*noise[0]*noise[0] + dir[1]*dir[1]*noise[1]*noise[1] + dir[2]*dir[2]*noise[2]*noise[2])
		half := cross(0.5 * top)
		return half * step, sure / sigma, (cross(0.9*top) - cross(0.1*top)) * step, true
	}
	return 0, 0, 0, false
}

type line3 struct{ a, b [3]float64 }

func (l line3) at(k int, x float64) float64 { return l.a[k] + l.b[k]*x }

// prefixSums hold running sums of a profile, so that a line can be fitted to
// any stretch of it at once.
type prefixSums [][3][4]float64 // y, i*y, y*y, i*i*y of each channel

func prefix(p [][3]float64) prefixSums {
	s := make(prefixSums, len(p)+1)
	for i := range p {
		for k := 0; k < 3; k++ {
			v := p[i][k]
			f := float64(i)
			s[i+1][k] = [4]float64{s[i][k][0] + v, s[i][k][1] + f*v, s[i][k][2] + v*v, s[i][k][3] + f*f*v}
		}
	}
	return s
}

// fit is the least-squares line of each channel over samples from..to-1, with
// positions counted from from, and the scatter about it, never less than
// stepNoiseFloor.
func (s prefixSums) fit(from, to int) (l line3, noise [3]float64) {
	n := float64(to - from)
	mx := (n - 1) / 2
	sxx := n * (n*n - 1) / 12
	for k := 0; k < 3; k++ {
		sy := s[to][k][0] - s[from][k][0]
		sxy := s[to][k][1] - s[from][k][1] - (float64(from)+mx)*sy
		syy := s[to][k][2] - s[from][k][2]
		b := sxy / sxx
		l.b[k] = b
		l.a[k] = sy/n - b*mx
		res := (syy - sy*sy/n - b*sxy) / math.Max(1, n-2)
		noise[k] = math.Max(stepNoiseFloor, math.Sqrt(math.Max(0, res)))
	}
	return l, noise
}

// bend is what a parabola through samples from..to-1 adds to the straight line
// at position x, counted from from (the second orthogonal polynomial on an
// even grid).
func (s prefixSums) bend(from, to int, x float64) (b [3]float64) {
	n := float64(to - from)
	m := float64(from) + (n-1)/2
	q := (n*n - 1) / 12
	norm := n * (n*n - 1) * (n*n - 4) / 180
	t := x - (n-1)/2
	for k := range b {
		sy := s[to][k][0] - s[from][k][0]
		siy := s[to][k][1] - s[from][k][1]
		siiy := s[to][k][3] - s[from][k][3]
		// sum of ((i-m)^2 - q) y
		c := (siiy - 2*m*siy + (m*m-q)*sy) / norm
		b[k] = c * (t*t - q)
	}
	return b
}

// slopes lists the places of steepest change along a profile, each with its
// height in units of stepNoiseFloor: candidates for directions in which the
// outermost step is a blot in the shadow and not the glass.
func slopes(p [][3]float64, sigmaPX, step float64) (out [][2]float64) {
	h := max(2, int(1.2*sigmaPX/step))
	if len(p) < 2*h+3 {
		return nil
	}
	g := make([]float64, len(p))
	for i := h; i < len(p)-h; i++ {
		s := 0.0
		for k := 0; k < 3; k++ {
			d := p[i+h][k] - p[i-h][k]
			s += d * d
		}
		g[i] = math.Sqrt(s)
	}
	for i := h; i < len(p)-h; i++ {
		if g[i] < slopeLeast {
			continue
		}
		top := true
		for j := max(h, i-h); j <= min(len(p)-h-1, i+h); j++ {
			if g[j] > g[i] || (g[j] == g[i] && j < i) {
				top = false
				break
			}
		}
		if top {
			out = append(out, [2]float64{float64(i) * step, g[i] / stepNoiseFloor})
		}
	}
	return out
}

// slopeLeast is the least change across two blurs that is listed.
const slopeLeast = 0.06

// pick chooses in each direction the place that serves an outline best: within
// tol of it, the nearest while the outline is still being found, the outermost
// once it is (settled).
func pick(dirs []direction, e calib.Ellipse, tol float64, settled bool) (pts []edgePoint, off []float64) {
	for _, d := range dirs {
		best, bestOff := -1, tol
		for i, p := range d {
			o := offPX(e, p.x, p.y)
			if math.Abs(o) >= tol {
				continue
			}
			if settled && p.step {
				best, bestOff = i, o
				break
			}
			if best < 0 || math.Abs(o) < math.Abs(bestOff) {
				best, bestOff = i, o
			}
		}
		if best >= 0 {
			pts = append(pts, d[best])
			off = append(off, bestOff)
		}
	}
	return pts, off
}

// finalTries is the number of draws of the last consensus: with half of the
// places on the outline, one draw in eight is of three such.
const finalTries = 300

// innerEdgeShare is what an edge counts for an outline when a step was seen
// outside it in the same direction.
const innerEdgeShare = 0.35

// Where the glass's own edge is faint, the ring inside it is found instead, a
// pixel or so further in: points inside the outline are the doubtful ones.
const (
	insideDoubtPX = 1.0
	insideShare   = 0.5
)

// fit is the robust cone through what was seen: in each direction the place
// nearest to the outline, a weighted least-squares cone, again with a
// narrowing tolerance; at the end the outermost steps near the outline, with
// Tukey's biweight.
func (rf *refiner) fit(dirs []direction, start calib.Ellipse, reach, softLimit float64, final bool) (o Outline, ok bool) {
	e := start
	var cone calib.Cone
	weight := func(p edgePoint) float64 {
		w := p.strength / (p.strength + 30)
		if p.width > softLimit {
			w *= 0.1 // a shadow's edge
		}
		return w
	}
	solve := func(pts []edgePoint, w []float64) bool {
		rays := make([]calib.Vec3, len(pts))
		for i := range pts {
			rays[i] = pts[i].ray
		}
		c, good := calib.FitCone(rays, w)
		if !good {
			return false
		}
		next, good := c.Outline(rf.cam)
		if !good || next.MeanRadiusPX() < 0.6*start.MeanRadiusPX() || next.MeanRadiusPX() > 1.7*start.MeanRadiusPX() || next.SemiMajorPX > 1.6*next.SemiMinorPX {
			return false
		}
		cone, e = c, next
		return true
	}
	least := 0.6 + 0.5*rf.sigmaPX
	for tol := reach; ; tol *= 0.75 {
		pts, off := pick(dirs, e, tol, false)
		if len(pts) < 12 {
			return o, false
		}
		w := make([]float64, len(pts))
		for i := range pts {
			u := off[i] / (tol * 1.2)
			w[i] = weight(pts[i]) * (1 - u*u) * (1 - u*u)
		}
		if !solve(pts, w) {
			return o, false
		}
		if tol < least {
			break
		}
	}
	if final {
		// Tight: only the directions that show the outline itself.
		tight := 0.4 + 0.1*rf.sigmaPX
		if c, ok := rf.consensus(dirs, e, tight, 0.08, outsideFinal, finalTries); ok {
			e = c
			for range 3 {
				pts, off := pick(dirs, e, 1.5*tight, true)
				if len(pts) < 12 {
					break
				}
				w := make([]float64, len(pts))
				for i := range pts {
					u := off[i] / (1.5 * tight)
					w[i] = weight(pts[i]) * (1 - u*u) * (1 - u*u)
				}
				if !solve(pts, w) {
					break
				}
			}
			if cone.V == (calib.Vec3{}) {
				return o, false
			}
			least = 1.5 * tight
		}
	}
	scale := least / 2
	var pts []edgePoint
	var w, off []float64
	for iter := 0; iter < 8; iter++ {
		// The outermost step may lie a little outside an edge that was nearer.
		reach := math.Max(least*1.3, 3.5*scale)
		if final {
			reach = least
		}
		pts, off = pick(dirs, e, reach, true)
		if len(pts) < 12 {
			return o, false
		}
		w = make([]float64, len(pts))
		for i := range pts {
			if u := off[i] / (4 * scale); u > -1 && u < 1 {
				w[i] = weight(pts[i]) * (1 - u*u) * (1 - u*u)
				if off[i] < -insideDoubtPX {
					w[i] *= insideShare
				}
			}
		}
		if !solve(pts, w) {
			return o, false
		}
		var abs []float64
		for _, p := range pts {
			abs = append(abs, math.Abs(offPX(e, p.x, p.y)))
		}
		sort.Float64s(abs)
		scale = math.Max(0.12, math.Min(least, 1.4826*abs[len(abs)/2]))
	}
	o = Outline{Cone: cone, Ellipse: e, ResidualPX: scale, RimShiftPX: rf.rim.shift(e.MeanRadiusPX())}
	var st, wd []float64
	for i, p := range pts {
		// Support counts directions near the outline, by strength.
		d := math.Abs(offPX(e, p.x, p.y))
		if d < least {
			o.Coverage++
			share := p.strength / (p.strength + 25) * (1 - d*d/(least*least))
			if !p.step {
				// Something else was seen further out: this may be a ring inside.
				share *= innerEdgeShare
			}
			o.Support += share
		}
		if w[i] > 0 {
			st = append(st, p.strength)
			if p.width > 0 {
				wd = append(wd, p.width)
			}
		}
	}
	if len(st) == 0 {
		return o, false
	}
	sort.Float64s(st)
	o.Strength = st[len(st)/2]
	if len(wd) > 0 {
		sort.Float64s(wd)
		o.SoftPX = wd[len(wd)/2]
	}
	o.CovV = rf.covariance(pts, w, cone.V, scale)
	return o, true
}

// judge weighs an outline by a wide look around it: directions whose outermost
// step lies on it speak for it, those with one outside it against, by
// strength. Glass left outside a too small circle shows there, and so do paper
// and shadow inside a too large one, by having nothing on it.
func (rf *refiner) judge(e calib.Ellipse, skip func(x, y float64) bool, softLimit float64) float64 {
	r := e.MeanRadiusPX()
	reach := 0.16*r + 1 + rf.sigmaPX
	dirs, looked, _, _ := rf.scan(e, reach, skip)
	if looked == 0 {
		return 0
	}
	return agreement(dirs, e, judgeTolPX+0.2*rf.sigmaPX, outsideShare, softLimit) / float64(looked)
}

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
func (rf *refiner) consensus(dirs []direction, start calib.Ellipse, tol, stray, outside float64, tries int) (calib.Ellipse, bool) {
	n := len(dirs)
	if n < 24 {
		return start, false
	}
	var best calib.Ellipse
	bestScore := 0.0
	seed := uint32(1)
	next := func(k int) int {
		seed = seed*1664525 + 1013904223 // Numerical Recipes' quick generator
		return int(uint64(seed) * uint64(k) >> 32)
	}
	place := func(d direction) calib.Vec3 {
		if d[0].step && next(4) != 0 {
			return d[0].ray
		}
		return d[next(len(d))].ray
	}
	one := []float64{1, 1, 1}
	r := start.MeanRadiusPX()
	for try := 0; try < tries; try++ {
		// Three places about a third of the way round from each other.
		a := next(n)
		b := (a + n/5 + next(n/4)) % n
		c := (b + n/5 + next(n/4)) % n
		cone, ok := calib.FitCone([]calib.Vec3{place(dirs[a]), place(dirs[b]), place(dirs[c])}, one)
		if !ok {
			continue
		}
		e, ok := cone.Outline(rf.cam)
		if !ok || math.Hypot(e.CxPX-start.CxPX, e.CyPX-start.CyPX) > stray*r || math.Abs(math.Log(e.MeanRadiusPX()/r)) > stray {
			continue
		}
		if score := agreement(dirs, e, tol, outside, math.Inf(1)); score > bestScore {
			best, bestScore = e, score
		}
	}
	return best, bestScore > 0
}

// sureWeight is what a step outside an outline counts against it: nothing while
// it may be grain or the turn of a shadow.
func sureWeight(strength float64) float64 {
	return math.Max(0, strength-sureLeast) / (strength + judgeHalf - sureLeast)
}

// sureLeast is the strength up to which a step may be grain.
const sureLeast = 15.0

// agreement is how well directions agree with an outline, summed over them: in
// each the strongest place within tol px of it, less what a step outside it
// says against it (times outside); see consensus. Steps wider than softLimit px
// may be a shadow's, and count a tenth for it and nothing against.
func agreement(dirs []direction, e calib.Ellipse, tol, outside, softLimit float64) float64 {
	score := 0.0
	for _, d := range dirs {
		best := 0.0
		for _, p := range d {
			o := offPX(e, p.x, p.y)
			soft := p.width > softLimit
			switch {
			case math.Abs(o) < tol:
				w := p.strength / (p.strength + judgeHalf) * (1 - o*o/(tol*tol))
				if soft {
					w *= 0.1
				}
				if !p.step {
					w *= innerEdgeShare
				}
				best = math.Max(best, w)
			case p.step && o > 0 && !soft:
				score -= outside * sureWeight(p.strength)
			}
		}
		score += best
	}
	return score
}

// offPX is how far a point lies outside an ellipse, px, along the normal to
// first order.
func offPX(e calib.Ellipse, x, y float64) float64 {
	u, v := e.Unit(x, y)
	d := math.Hypot(u, v)
	if d == 0 {
		return -e.SemiMinorPX
	}
	g := math.Hypot(u/e.SemiMajorPX, v/e.SemiMinorPX) / d
	return (d - 1) / g
}

// correlatedPoints is how many neighbouring edge points share their error:
// the tangential smoothing, ribbons and reflections reach over several.
const correlatedPoints = 6.0

// covariance of V from the scatter of the points, taking neighbours to err
// together.
func (rf *refiner) covariance(pts []edgePoint, w []float64, v calib.Vec3, sigma float64) (cov [3][3]float64) {
	var a [3][3]float64
	for i, p := range pts {
		if w[i] <= 0 {
			continue
		}
		// How much V.u changes for one px along the normal.
		u2 := rf.cam.Ray(p.x+1, p.y)
		u3 := rf.cam.Ray(p.x, p.y+1)
		gx, gy := v.Dot(u2)-v.Dot(p.ray), v.Dot(u3)-v.Dot(p.ray)
		c := math.Hypot(gx, gy)
		if c == 0 {
			continue
		}
		k := w[i] / (c * c * sigma * sigma * correlatedPoints)
		for r := 0; r < 3; r++ {
			for s := 0; s < 3; s++ {
				a[r][s] += k * p.ray[r] * p.ray[s]
			}
		}
	}
	for col := 0; col < 3; col++ {
		b := [3]float64{}
		b[col] = 1
		x, ok := calib.Solve3(a, b)
		if !ok {
			return cov
		}
		for r := 0; r < 3; r++ {
			cov[r][col] = x[r]
		}
	}
	return cov
}

// biasU is the standard uncertainty, px, of how far the seen outline lies from
// the true one all round, by the share of directions that show it and by how
// well it is supported. Measured on 174 marbles of two renderers: 95 % of radii
// were right within 0.3 px where more than 0.78 of the outline was seen, 0.65 px
// about 0.7, 1.5 px about 0.55; and the same photos with strong noise added
// erred most, by up to 2.4 px, where the support was under 0.1.
func biasU(coverage, support float64) float64 {
	return 0.14 + 2.2*math.Max(0, 0.78-coverage) + 6*math.Max(0, 0.13-support)
}

// WithoutRim is the outline with a share (0..1) of the rim's shift taken back.
// Clear glass fades into the paper's reflection towards its outline; opaque
// glass, lit from within its skin, shows its edge where it is. Measured on
// renderings of two renderers: with the shift, opaque marbles came out 0.3 px
// too large in radius on both, clear ones right.
func (o Outline) WithoutRim(cam calib.Camera, share float64) Outline {
	d := share * o.RimShiftPX
	if d == 0 {
		return o
	}
	const around = 16
	rays := make([]calib.Vec3, around)
	w := make([]float64, around)
	for k := range rays {
		x, y, nx, ny := o.Ellipse.At(2 * math.Pi * float64(k) / around)
		rays[k], w[k] = cam.Ray(x-d*nx, y-d*ny), 1
	}
	c, ok := calib.FitCone(rays, w)
	if !ok {
		return o
	}
	e, ok := c.Outline(cam)
	if !ok {
		return o
	}
	o.Cone, o.Ellipse, o.RimShiftPX = c, e, o.RimShiftPX-d
	return o
}
