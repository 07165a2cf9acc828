package vision

import (
	"math"
	"slices"

	"tawsight/calib"
	"tawsight/internal/colour"
	"tawsight/internal/kernels"
)

// place is where, in one direction, the outline may have been seen.
type place struct {
	x, y float64
	// off is how far outside the scanned ellipse it lies along the normal, px.
	off      float64
	strength float64 // height of the change, in units of the local noise
	width    float64 // 10 to 90 %, px; 0 when not measured
	step     bool    // a step, with its half height; otherwise a place of steep change
}

// sight is what was seen around one marble.
type sight struct {
	places []place      // direction by direction, outermost first in each
	rays   []calib.Vec3 // the direction that each is seen in
	counts []float64    // what each counts in a fit
	at     kernels.Places
	x, y   float64 // what at measures from, px
	// looked, hidden and outside count the directions looked along, hidden by a
	// neighbour, and outside the picture.
	looked, hidden, outside int
}

// line is where a scan looks along a normal.
type line struct {
	seen           bool
	first          int // first sample inside the picture
	x0, y0, nx, ny float64
}

// refiner holds what the search along normals needs, for one photo at one size.
type refiner struct {
	px      calib.Pixels
	cam     calib.Camera
	sigmaPX float64 // the photo's blur
	ringed  bool    // what lies outside an outline may be a ring's edge
	coarse  bool    // for choosing only, not for the outline's exact place
	rim     rimTable
	patch   patch            // scratch: the picture around the marble
	raw     []kernels.Sample // scratch: profiles as sampled
	lines   []line           // scratch
	reader  kernels.Reader   // scratch
	sights  [2]sight         // scratch: those of the last two scans
	ends    []int            // scratch
	fits    fitRoom          // scratch
	near    band             // scratch
	asked   kernels.Places   // scratch
	dirs    []int32          // scratch
	probes  []kernels.Probe  // scratch: outlines drawn
	drawn   []calib.Ellipse  // scratch: the same
}

// close gives back what the refiner took that others can use.
func (rf *refiner) close() {
	if rf.patch.v != nil {
		patchRooms.put(rf.patch.v)
		rf.patch.v = nil
	}
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
// px; skip says where the outside belongs to something else. What it gives is valid
// until the scan after the next.
func (rf *refiner) scan(e calib.Ellipse, reach float64, skip func(x, y float64) bool) *sight {
	r := e.MeanRadiusPX()
	step, apart := rf.steps(r)
	n := int(math.Max(leastDirections, math.Min(mostDirections, 2*math.Pi*r/apart)))
	window := rf.window(r)
	gap := 0.75 + 0.9*rf.sigmaPX
	inward := 1.0 + 2.2*rf.sigmaPX // how far inside the step's full height is looked for
	start := reach + window + gap
	m := int((start + reach + inward + 2) / step)
	rf.sights[0], rf.sights[1] = rf.sights[1], rf.sights[0]
	out := &rf.sights[0]
	out.x, out.y, out.looked, out.hidden, out.outside = e.CxPX, e.CyPX, 0, 0, 0
	rf.lines = slices.Grow(rf.lines[:0], n)[:n]
	lines := rf.lines
	if cap(rf.raw) < n*m {
		rf.raw = make([]kernels.Sample, n*m)
	}
	raw := rf.raw[:n*m]
	room := e.SemiMajorPX + start + 2
	rf.patch.fill(rf.px, e.CxPX, e.CyPX, e.SemiMinorPX-(float64(m)*step-start)-3, room)
	w, h := float64(rf.px.W-1), float64(rf.px.H-1)
	for k := range lines {
		q := &lines[k]
		*q = line{}
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
		rf.patch.along(raw[k*m+q.first:(k+1)*m], q.x0+q.nx*s, q.y0+q.ny*s, -q.nx*step, -q.ny*step)
	}
	rim := rf.rim.shift(r)
	rf.reader.Look(searchAt(step, window, gap, inward, rf.sigmaPX), m)
	all, ends := out.places[:0], rf.ends[:0]
	for k, q := range lines {
		if !q.seen {
			continue
		}
		first := q.first
		// Neighbouring directions are averaged along the outline, which
		// quietens the noise by 2 and blurs nothing across it.
		var near [5]int
		for j := range near {
			kk := (k + j - 2 + n) % n
			if near[j] = -1; lines[kk].seen && lines[kk].first <= first {
				near[j] = kk*m + first
			}
		}
		steps, steep := rf.reader.Profile(raw, &near, m-first)
		from := len(all)
		add := func(s, strength, width float64, isStep bool) {
			off := start - float64(first)*step - s
			if math.Abs(off) > reach {
				return
			}
			off += rim
			p := place{x: q.x0 + q.nx*off, y: q.y0 + q.ny*off, off: off, strength: strength, width: width, step: isStep}
			all = append(all, p)
		}
		for _, s := range steps {
			add(s.At*step, s.Strength, s.Width*step, true)
		}
		for _, g := range steep {
			add(g.At*step, g.Height/stepNoiseFloor, 0, false)
		}
		if len(all) == from {
			continue
		}
		// Outermost first; a few each, so by insertion, which keeps a step
		// before the steep change that it is as well.
		d := all[from:]
		for i := 1; i < len(d); i++ {
			for j := i; j > 0 && d[j].off > d[j-1].off; j-- {
				d[j], d[j-1] = d[j-1], d[j]
			}
		}
		ends = append(ends, len(all))
	}
	rf.ends = ends
	out.hold(all, ends, rf.cam)
	return out
}

// hold takes what was seen: places direction by direction, and where those of each
// end.
func (s *sight) hold(places []place, ends []int, cam calib.Camera) {
	s.places, s.rays, s.counts = places, s.rays[:0], s.counts[:0]
	s.at.Reset(len(places), len(ends))
	from := 0
	for _, to := range ends {
		for i := from; i < to; i++ {
			p := &places[i]
			s.rays, s.counts = append(s.rays, cam.Ray(p.x, p.y)), append(s.counts, p.strength/(p.strength+fitHalf))
			speaks := p.strength / (p.strength + judgeHalf)
			s.at.Add(float32(p.x-s.x), float32(p.y-s.y), float32(speaks), float32(sureWeight(p.strength)), float32(p.width), p.step)
		}
		s.at.End()
		from = to
	}
}

// patch is part of a picture in linear light, as lightness and two colour
// differences.
type patch struct {
	x, y, w, h int // where it begins in the picture, and its size
	v          []kernels.Sample
	line       []float32 // scratch
}

// patchRooms are what patches took that nobody needs any more.
var patchRooms shelf[[]kernels.Sample]

// fill takes what of the picture lies from inner to outer px of a place, and a little
// more. The rest of the square around is left as it was.
func (p *patch) fill(px calib.Pixels, cx, cy, inner, outer float64) {
	p.x, p.y = max(0, min(px.W-1, int(cx-outer))), max(0, min(px.H-1, int(cy-outer)))
	p.w, p.h = max(0, min(px.W-1, int(cx+outer)+1))-p.x+1, max(0, min(px.H-1, int(cy+outer)+1))-p.y+1
	if p.v == nil {
		p.v = patchRooms.take()
	}
	if n := p.w * p.h; cap(p.v) < n {
		p.v = make([]kernels.Sample, n, n+n/2)
	} else {
		p.v = p.v[:n]
	}
	for y := range p.h {
		dy := float64(p.y+y) - cy
		half := func(r float64) float64 { return math.Sqrt(math.Max(0, r*r-dy*dy)) }
		far, near := half(outer), half(math.Max(0, inner))
		begin, end := max(0, int(cx-far)-1-p.x), min(p.w, int(cx+far)+3-p.x)
		if near == 0 {
			p.row(px, y, begin, end)
			continue
		}
		// Where the middle begins and ends in this row of the patch.
		from := max(begin, min(end, int(cx-near)+1-p.x))
		p.row(px, y, begin, from)
		p.row(px, y, max(from, min(end, int(cx+near)-p.x)), end)
	}
}

// row fills part of a row.
func (p *patch) row(px calib.Pixels, y, from, to int) {
	if from >= to {
		return
	}
	v := p.v[y*p.w+from : y*p.w+to]
	if px.B8 != nil && px.Table == nil {
		kernels.PatchRow(v, px.B8[3*((p.y+y)*px.W+p.x+from):], 3*px.W, &opponent8)
		return
	}
	if cap(p.line) < 3*len(v) {
		p.line = make([]float32, 3*p.w)
	}
	line := p.line[:3*len(v)]
	px.LinearRow(p.x+from, p.y+y, line)
	for i := range v {
		r, g, b := line[3*i], line[3*i+1], line[3*i+2]
		v[i] = kernels.Sample{(r + g + b) / 3, r - g, (r+g)/2 - b}
	}
}

// opponent8 is what codes of eight bits in sRGB add to a sample of a patch.
var opponent8 = func() (t kernels.CodeTable) {
	for i, v := range colour.Linear8 {
		l := float32(v)
		t[0][i], t[1][i], t[2][i] = kernels.Sample{l / 3, l, l / 2}, kernels.Sample{l / 3, -l, l / 2}, kernels.Sample{l / 3, 0, -l}
	}
	return t
}()

// along samples a straight line from x, y (px of the picture) in steps of dx, dy,
// bilinearly; beyond the patch its border goes on.
func (p *patch) along(out []kernels.Sample, x, y, dx, dy float64) {
	kernels.Along(out, p.v, p.w, x-float64(p.x), y-float64(p.y), dx, dy)
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

// slopeLeast is the least change across two blurs that is listed.
const slopeLeast = 0.06

// searchAt is the search for steps, the sharp departures from a straight line through
// what lies just further out. Lengths are in px, samples step px apart.
//
// The outermost changes are wanted, not the strongest: inside the outline lie the
// dark ring of refraction, ribbons and reflections, all stronger. What lies behind a
// third step is inside the glass. The places of steepest change besides are for
// directions in which the outermost step is a blot in the shadow and not the glass.
func searchAt(step, window, gap, inward, sigmaPX float64) kernels.Search {
	return kernels.Search{
		Window: int(window / step), Gap: int(gap / step), Inward: int(inward/step + 0.5), Level: int(0.75/step + 0.5),
		Apart:      max(2, int(1.2*sigmaPX/step)),
		NoiseFloor: stepNoiseFloor, Onset: stepOnset, OverPeak: stepOverPeak, Shadow: stepShadow, Levels: stepLevels, Least: stepLeast, SlopeLeast: slopeLeast,
	}
}
