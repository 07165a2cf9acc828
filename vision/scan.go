package vision

import (
	"math"

	"tawsight/calib"
)

// place is where, in one direction, the outline may have been seen.
type place struct {
	x, y float64
	// off is how far outside the scanned ellipse it lies along the normal, px.
	off      float64
	strength float64 // height of the change, in units of the local noise
	width    float64 // 10 to 90 %, px; 0 when not measured
	step     bool    // a step, with its half height; otherwise a place of steep change
	speaks   float64 // what it counts for an outline on it
	against  float64 // what it counts against an outline inside it
	ray      calib.Vec3
}

// sight is what was seen around one marble.
type sight struct {
	dirs [][]place // in each direction some places, outermost first
	// looked, hidden and outside count the directions looked along, hidden by a
	// neighbour, and outside the picture.
	looked, hidden, outside int
}

// refiner holds what the search along normals needs, for one photo at one size.
type refiner struct {
	px      calib.Pixels
	cam     calib.Camera
	sigmaPX float64 // the photo's blur
	ringed  bool    // what lies outside an outline may be a ring's edge
	coarse  bool    // for choosing only, not for the outline's exact place
	rim     rimTable
	patch   patch     // scratch: the picture around the marble
	raw     []float64 // scratch: profiles as sampled
	prof    []float64 // scratch: one profile, smoothed
	grad    []float64 // scratch: its steepness
}

// scanApart is the distance of normals along the outline, px; in a picture that
// only serves to choose, twice as much.
const scanApart = 1.6

// scanStep is the distance of samples along a normal, px, for an outline of radius
// r: what the blur leaves of an edge is smooth over twice its standard deviation.
// About a small marble there is little paper to tell its noise from, and every
// sample helps.
func scanStep(r, sigmaPX float64) float64 {
	if sigmaPX < 0.8 || r < 40 {
		return 0.25
	}
	return 0.5
}

// Directions a marble is scanned in: fewer leave gaps, more cost time and say
// nothing new.
const (
	leastDirections = 96
	mostDirections  = 160
)

// steps are the distances of samples along a normal and of normals, px.
func (rf *refiner) steps(r float64) (along, apart float64) {
	if rf.coarse {
		return 0.5, 2 * scanApart
	}
	return scanStep(r, rf.sigmaPX), scanApart
}

// window is over what length outside an edge the paper is followed, px: long
// enough for a soft shadow, short enough to stay near.
func (rf *refiner) window(r float64) float64 {
	return math.Max(5, math.Min(16, 0.14*r)) + 1.5*rf.sigmaPX
}

// scan looks along the normals of an ellipse for sharp changes against what
// lies outside them, and for other edges. reach is how far in and out to look,
// px; skip says where the outside belongs to something else.
func (rf *refiner) scan(e calib.Ellipse, reach float64, skip func(x, y float64) bool) sight {
	r := e.MeanRadiusPX()
	step, apart := rf.steps(r)
	n := int(math.Max(leastDirections, math.Min(mostDirections, 2*math.Pi*r/apart)))
	window := rf.window(r)
	gap := 0.75 + 0.9*rf.sigmaPX
	inward := 1.0 + 2.2*rf.sigmaPX // how far inside the step's full height is looked for
	start := reach + window + gap
	m := int((start + reach + inward + 2) / step)
	type ray struct {
		seen           bool
		first          int // first sample inside the picture
		x0, y0, nx, ny float64
	}
	var out sight
	rays := make([]ray, n)
	rf.raw = grown(rf.raw, 3*n*m)
	raw := rf.raw
	room := e.SemiMajorPX + start + 2
	rf.patch.fill(rf.px, e.CxPX, e.CyPX, e.SemiMinorPX-(float64(m)*step-start)-3, room)
	w, h := float64(rf.px.W-1), float64(rf.px.H-1)
	for k := range rays {
		q := &rays[k]
		q.x0, q.y0, q.nx, q.ny = e.At(2 * math.Pi * float64(k) / float64(n))
		if xo, yo := q.x0+q.nx*1.5, q.y0+q.ny*1.5; xo < 0 || yo < 0 || xo > w || yo > h {
			out.outside++
			continue
		}
		// Only as far out as the frame goes.
		for ; q.first < m; q.first++ {
			s := start - float64(q.first)*step
			x, y := q.x0+q.nx*s, q.y0+q.ny*s
			if x >= 0 && y >= 0 && x <= w && y <= h {
				break
			}
		}
		if skip != nil && (skip(q.x0+q.nx*(1.5+0.03*r), q.y0+q.ny*(1.5+0.03*r)) || skip(q.x0+q.nx*(gap+1+0.5*window), q.y0+q.ny*(gap+1+0.5*window))) {
			out.hidden++
			continue
		}
		out.looked++
		q.seen = true
		s := start - float64(q.first)*step
		rf.patch.along(raw[3*(k*m+q.first):3*(k+1)*m], q.x0+q.nx*s, q.y0+q.ny*s, -q.nx*step, -q.ny*step)
	}
	rf.prof = grown(rf.prof, 3*m)
	rim := rf.rim.shift(r)
	look := stepSearchAt(step, window, gap, inward)
	all := make([]place, 0, 4*n)
	var steps []stepAt
	var steep [][2]float64
	for k, q := range rays {
		if !q.seen {
			continue
		}
		first := q.first
		prof := rf.prof[3*first : 3*m]
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
			src := raw[3*(kk*m+first) : 3*(kk+1)*m]
			for i, v := range src[:len(prof)] {
				prof[i] += w * v
			}
		}
		// Blur and reflection mix light, not code values, so the half height
		// is taken in linear light, relative to the paper outside.
		paper := 0.0
		for i := 0; i < 8 && 3*i < len(prof); i++ {
			paper += prof[3*i] / 8
		}
		per := 1 / math.Max(paper, 0.01*sw)
		for i := range prof {
			prof[i] *= per
		}
		steps = look.steps(prof, steps[:0])
		steep = rf.slopes(prof, max(2, int(1.2*rf.sigmaPX/step)), steep[:0])
		from := len(all)
		add := func(s, strength, width float64, isStep bool) {
			off := start - float64(first)*step - s
			if math.Abs(off) > reach {
				return
			}
			off += rim
			p := place{x: q.x0 + q.nx*off, y: q.y0 + q.ny*off, off: off, strength: strength, width: width, step: isStep}
			p.speaks, p.against = strength/(strength+judgeHalf), sureWeight(strength)
			p.ray = rf.cam.Ray(p.x, p.y)
			all = append(all, p)
		}
		for _, s := range steps {
			add(s.at*step, s.strength, s.width*step, true)
		}
		for _, g := range steep {
			add(g[0]*step, g[1], 0, false)
		}
		if len(all) == from {
			continue
		}
		// Outermost first; a few each, so by insertion, which keeps a step
		// before the steep change that it is as well.
		d := all[from:len(all):len(all)]
		for i := 1; i < len(d); i++ {
			for j := i; j > 0 && d[j].off > d[j-1].off; j-- {
				d[j], d[j-1] = d[j-1], d[j]
			}
		}
		out.dirs = append(out.dirs, d)
	}
	return out
}

// patch is part of a picture in linear light, as lightness and two colour
// differences.
type patch struct {
	x, y, w, h int // where it begins in the picture, and its size
	v          []float32
}

// fill takes what of the picture lies from inner to outer px of a place: the square
// around, but for what is nearer than inner along its rows.
func (p *patch) fill(px calib.Pixels, cx, cy, inner, outer float64) {
	p.x, p.y = max(0, min(px.W-1, int(cx-outer))), max(0, min(px.H-1, int(cy-outer)))
	p.w, p.h = max(0, min(px.W-1, int(cx+outer)+1))-p.x+1, max(0, min(px.H-1, int(cy+outer)+1))-p.y+1
	if n := 3 * p.w * p.h; cap(p.v) < n {
		p.v = make([]float32, n)
	} else {
		p.v = p.v[:n]
	}
	for y := range p.h {
		// Where the middle begins and ends in this row of the patch.
		from, to := p.w, p.w
		if dy := float64(p.y+y) - cy; inner > math.Abs(dy) {
			half := math.Sqrt(inner*inner - dy*dy)
			from = max(0, min(p.w, int(cx-half)+1-p.x))
			to = max(from, min(p.w, int(cx+half)-p.x))
		}
		p.row(px, y, 0, from)
		p.row(px, y, to, p.w)
	}
}

// row fills part of a row.
func (p *patch) row(px calib.Pixels, y, from, to int) {
	if from >= to {
		return
	}
	v := p.v[3*(y*p.w+from) : 3*(y*p.w+to)]
	px.LinearRow(p.x+from, p.y+y, v)
	for i := 0; i+2 < len(v); i += 3 {
		r, g, b := v[i], v[i+1], v[i+2]
		v[i], v[i+1], v[i+2] = (r+g+b)/3, r-g, (r+g)/2-b
	}
}

// along samples a straight line from x, y (px of the picture) in steps of dx, dy,
// bilinearly, three numbers a sample; beyond the patch its border goes on.
func (p *patch) along(out []float64, x, y, dx, dy float64) {
	x, y = x-float64(p.x), y-float64(p.y)
	right, bottom := float64(p.w-1), float64(p.h-1)
	for i := 0; i+2 < len(out); i += 3 {
		u, v := x, y
		if u < 0 {
			u = 0
		} else if u > right {
			u = right
		}
		if v < 0 {
			v = 0
		} else if v > bottom {
			v = bottom
		}
		ix, iy := int(u), int(v)
		fx, fy := float32(u-float64(ix)), float32(v-float64(iy))
		a := 3 * (iy*p.w + ix)
		b, c := a, a
		if ix < p.w-1 {
			b += 3
		}
		if iy < p.h-1 {
			c += 3 * p.w
		}
		d := c + b - a
		wa, wb, wc, wd := (1-fx)*(1-fy), fx*(1-fy), (1-fx)*fy, fx*fy
		pa, pb, pc, pd := p.v[a:a+3:a+3], p.v[b:b+3:b+3], p.v[c:c+3:c+3], p.v[d:d+3:d+3]
		out[i] = float64(wa*pa[0] + wb*pb[0] + wc*pc[0] + wd*pd[0])
		out[i+1] = float64(wa*pa[1] + wb*pb[1] + wc*pc[1] + wd*pd[1])
		out[i+2] = float64(wa*pa[2] + wb*pb[2] + wc*pc[2] + wd*pd[2])
		x, y = x+dx, y+dy
	}
}

// grown is a slice of n numbers that may reuse s.
func grown(s []float64, n int) []float64 {
	if cap(s) < n {
		return make([]float64, n)
	}
	return s[:n]
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

// mostSteps is how many steps of one direction are listed: what lies behind a
// third is inside the glass.
const mostSteps = 3

// stepSearch looks for steps in a profile sampled from outside inwards, three
// channels a sample. Lengths are in samples; level is over what length a step
// must have levelled off.
type stepSearch struct{ window, gap, inward, level int }

// stepSearchAt takes lengths in px, for samples step px apart.
func stepSearchAt(step, window, gap, inward float64) stepSearch {
	return stepSearch{int(window / step), int(gap / step), int(inward/step + 0.5), int(0.75/step + 0.5)}
}

// stepAt is a step: where it reaches half its height, samples from the
// profile's start, how high it is in noise units, and its 10 to 90 % width in
// samples.
type stepAt struct{ at, strength, width float64 }

// steps finds the sharp departures from a straight line through what lies just
// further out, outermost first.
//
// The outermost changes are wanted, not the strongest: inside the outline lie
// the dark ring of refraction, ribbons and reflections, all stronger.
func (ss stepSearch) steps(p []float64, out []stepAt) []stepAt {
	m, wn, gn, in := len(p)/3, ss.window, ss.gap, ss.inward
	if wn < 8 || m < wn+gn+in+2 {
		return out
	}
	// Running sums over the window, and the least-squares line from them.
	var s0, s1, s2 [3]float64
	for j := 0; j < wn; j++ {
		for k := range s0 {
			v := p[3*j+k]
			s0[k] += v
			s1[k] += float64(j) * v
			s2[k] += v * v
		}
	}
	nw := float64(wn)
	mx, sxx := (nw-1)/2, nw*(nw*nw-1)/12
	run := 0
	for i := wn + gn; i+in < m && len(out) < mostSteps; i++ {
		from := i - gn - wn
		var line line3
		var off, sxy [3]float64
		far := 0.0
		for k := range s0 {
			sxy[k] = s1[k] - mx*s0[k]
			line.b[k] = sxy[k] / sxx
			line.a[k] = s0[k]/nw - line.b[k]*mx
			off[k] = p[3*i+k] - line.at(k, float64(wn+gn))
			far += off[k] * off[k]
		}
		// What departs by less than the least noise there is needs no more asking.
		quiet := far < stepOnset*stepOnset*stepNoiseFloor*stepNoiseFloor
		var noise2 [3]float64
		d := 0.0
		for k := range s0 {
			if !quiet {
				noise2[k] = (s2[k] - s0[k]*s0[k]/nw - line.b[k]*sxy[k]) / (nw - 2)
				if noise2[k] < stepNoiseFloor*stepNoiseFloor {
					noise2[k] = stepNoiseFloor * stepNoiseFloor
				}
				d += off[k] * off[k] / noise2[k]
			}
			// The window moves on.
			old, next := p[3*from+k], p[3*(from+wn)+k]
			s1[k] += (nw-1)*next - (s0[k] - old)
			s0[k] += next - old
			s2[k] += next*next - old*old
		}
		if d < stepOnset*stepOnset {
			run = 0
			continue
		}
		// A soft slope outside counts as noise: inside a shadow's edge the
		// straight line is only nearly right. A shadow that deepens ever faster
		// leaves it too, and follows a parabola.
		bend := bendOf(p[3*from:3*(from+wn)], float64(wn+gn))
		d = 0
		for k := range noise2 {
			e := off[k]
			if e*bend[k] > 0 && math.Abs(e-bend[k]) < math.Abs(e) {
				e -= bend[k]
			}
			d += e * e / noise2[k]
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
			for k := range noise2 {
				e := p[3*(from+j)+k] - line.at(k, float64(j))
				e2 += e * e / noise2[k]
			}
			if e2 > peak {
				peak = e2
			}
		}
		if d < stepOverPeak*stepOverPeak*peak {
			run = 0
			continue
		}
		if run++; run < 2 {
			continue
		}
		run = 0
		if s, to, ok := ss.measure(p, i-1); ok {
			out = append(out, s)
			// The next one needs paper outside it, or something as even.
			for ; i < to+gn && i+1+in < m; i++ {
				from := i + 1 - gn - wn
				for k := range s0 {
					old, next := p[3*from+k], p[3*(from+wn)+k]
					s1[k] += (nw-1)*next - (s0[k] - old)
					s0[k] += next - old
					s2[k] += next*next - old*old
				}
			}
		}
	}
	return out
}

// measure is the step whose first sample clear of the outside is o; to is where
// it is at its full height. ok is false for what is no step of glass.
func (ss stepSearch) measure(p []float64, o int) (s stepAt, to int, ok bool) {
	m, wn, gn := len(p)/3, ss.window, ss.gap
	from := o - gn - wn
	base, noise := fitLine(p[3*from : 3*(o-gn)])
	dev := func(j int) (v [3]float64) {
		for k := range v {
			v[k] = p[3*j+k] - base.at(k, float64(j-from))
		}
		return v
	}
	// Height: the largest departure in the direction it first takes, within the
	// blur's reach.
	var dir [3]float64
	lim := min(o+ss.inward, m-1)
	for j := o; j <= lim; j++ {
		v := dev(j)
		for k := range dir {
			dir[k] += v[k]
		}
	}
	l := math.Sqrt(dir[0]*dir[0] + dir[1]*dir[1] + dir[2]*dir[2])
	if l == 0 {
		return s, 0, false
	}
	for k := range dir {
		dir[k] /= l
	}
	// How far each sample departs that way, worked out once.
	first := max(0, o-gn-ss.level)
	var room [128]float64
	away := room[:0]
	for j := first; j <= lim; j++ {
		v := dev(j)
		away = append(away, v[0]*dir[0]+v[1]*dir[1]+v[2]*dir[2])
	}
	q := func(j int) float64 { return away[j-first] }
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
		return s, 0, false
	}
	// A step levels off within the blur; the slope of a shadow goes on.
	span, steep := ss.level, 0.0
	for j := max(span, o-gn); j <= lim; j++ {
		steep = math.Max(steep, q(j)-q(j-span))
	}
	if q(lim)-q(lim-span) > stepLevels*steep {
		return s, 0, false
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
	return stepAt{at: cross(0.5 * top), strength: sure / sigma, width: cross(0.9*top) - cross(0.1*top)}, topAt, true
}

type line3 struct{ a, b [3]float64 }

func (l *line3) at(k int, x float64) float64 { return l.a[k] + l.b[k]*x }

// fitLine is the least-squares line of each channel, and the scatter about it,
// never less than stepNoiseFloor.
func fitLine(p []float64) (l line3, noise [3]float64) {
	n := float64(len(p) / 3)
	mx := (n - 1) / 2
	sxx := n * (n*n - 1) / 12
	for k := range noise {
		var sy, sxy, syy float64
		for j := 0; 3*j < len(p); j++ {
			v := p[3*j+k]
			sy += v
			sxy += (float64(j) - mx) * v
			syy += v * v
		}
		l.b[k] = sxy / sxx
		l.a[k] = sy/n - l.b[k]*mx
		noise[k] = math.Max(stepNoiseFloor, math.Sqrt(math.Max(0, (syy-sy*sy/n-l.b[k]*sxy)/math.Max(1, n-2))))
	}
	return l, noise
}

// bendOf is what a parabola through the samples adds to the straight line at
// position x (the second orthogonal polynomial on an even grid).
func bendOf(p []float64, x float64) (b [3]float64) {
	n := float64(len(p) / 3)
	m := (n - 1) / 2
	q := (n*n - 1) / 12
	norm := n * (n*n - 1) * (n*n - 4) / 180
	for j := 0; 3*j < len(p); j++ {
		t := float64(j) - m
		f := t*t - q
		for k := range b {
			b[k] += f * p[3*j+k]
		}
	}
	t := x - m
	for k := range b {
		b[k] *= (t*t - q) / norm
	}
	return b
}

// slopes lists the places of steepest change along a profile, in samples from
// its start, each with its height in units of stepNoiseFloor: candidates for
// directions in which the outermost step is a blot in the shadow and not the
// glass. h is how many samples away change is measured over.
func (rf *refiner) slopes(p []float64, h int, out [][2]float64) [][2]float64 {
	m := len(p) / 3
	if m < 2*h+3 {
		return out
	}
	rf.grad = grown(rf.grad, m)
	g := rf.grad
	for i := h; i < m-h; i++ {
		a, b := p[3*(i-h):3*(i-h)+3], p[3*(i+h):3*(i+h)+3]
		d0, d1, d2 := b[0]-a[0], b[1]-a[1], b[2]-a[2]
		g[i] = d0*d0 + d1*d1 + d2*d2
	}
	for i := h; i < m-h; i++ {
		if g[i] < slopeLeast*slopeLeast {
			continue
		}
		top := true
		for j := max(h, i-h); j <= min(m-h-1, i+h); j++ {
			if g[j] > g[i] || (g[j] == g[i] && j < i) {
				top = false
				break
			}
		}
		if top {
			out = append(out, [2]float64{float64(i), math.Sqrt(g[i]) / stepNoiseFloor})
		}
	}
	return out
}

// slopeLeast is the least change across two blurs that is listed.
const slopeLeast = 0.06
