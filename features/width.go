package features

import (
	"math"
	"sort"
)

const (
	// acrossStepPx is the step of a cut across a ribbon, in pixels of the face.
	acrossStepPx = 0.5
	// widestR is the widest ribbon that is measured, in radii along the sphere.
	widestR = 1.4
	// gapR is the widest base between two ribbons that counts as a gap.
	gapR = 0.5
)

// side is what is seen on one side of a ribbon at one place of its middle line.
type side struct {
	// at is how far its border lies, radii along the sphere; NaN where no
	// border is seen.
	at float64
	// beyond is the colour next to it, -1 where no border is seen.
	beyond int8
	// gap is how wide the base beyond the border is until another ribbon (or
	// another pass of this one) comes, radii; NaN where none comes within
	// gapR. next is that ribbon's colour.
	gap  float64
	next int8
	// blur is the border's own blur (standard deviation), radii; NaN where it
	// can't be told.
	blur float64
}

// cut is what is seen across a ribbon at one place of its middle line: its
// left and its right side.
type cut [2]side

func (c cut) width() float64 { return c[0].at + c[1].at }

// cutAcross measures the ribbon at place i of a line: along the great circle
// square to the line, out to the first place of another colour on each side;
// there, to a fraction of a pixel, where the light is half way between what it
// is inside and outside. Going along the sphere takes the foreshortening off.
func cutAcross(f *Face, m *colourMap, p *Parts, l *Line, tangent [3]float64, i int) cut {
	d := l.Dir[i]
	s := unit3(cross3(d, tangent))
	return cut{
		lookAside(f, m, p, d, s, l.Colour),
		lookAside(f, m, p, d, [3]float64{-s[0], -s[1], -s[2]}, l.Colour),
	}
}

// onArc is the place on the disc at an angle s along the great circle from
// direction d towards the unit tangent t; ok is false past the rim.
func onArc(d, t [3]float64, s float64) (x, y float64, ok bool) {
	sin, cos := math.Sincos(s)
	x, y = d[0]*cos+t[0]*sin, d[1]*cos+t[1]*sin
	return x, y, d[2]*cos+t[2]*sin > 0 && x*x+y*y < RimFrom*RimFrom
}

// lookAside looks from direction d towards the unit tangent t for where the
// colour own ends.
func lookAside(f *Face, m *colourMap, p *Parts, d, t [3]float64, own int) side {
	r := side{at: math.NaN(), beyond: -1, gap: math.NaN(), next: -1, blur: math.NaN()}
	step := acrossStepPx / f.Radius
	edge := math.NaN()
	for s := step; s < widestR; s += step {
		x, y, ok := onArc(d, t, s)
		if !ok {
			return r
		}
		c := m.cell(x, y)
		if int(m.of[c]) != own {
			if m.far[c] > 1.5 { // a border guessed below a reflection
				return r
			}
			edge, r.beyond = s-step/2, m.of[c]
			break
		}
	}
	if r.beyond < 0 {
		return r
	}
	if int(r.beyond) == p.Base {
		for s := edge + step; s < edge+gapR; s += step {
			x, y, ok := onArc(d, t, s)
			if !ok {
				break
			}
			c := m.cell(x, y)
			if int(m.of[c]) != p.Base && m.far[c] <= 1.5 {
				r.gap, r.next = s-step/2-edge, m.of[c]
				break
			}
		}
	}
	r.at, r.blur = halfWay(f, m, d, t, edge, own)
	return r
}

// halfWay refines a border found at the angle edge to where the light is half
// way between inside and outside; blur is the standard deviation of the blur
// that would make the border as soft, NaN where it can't be told: from a
// quarter to three quarters of a blurred step is 1.349 standard deviations
// (normal distribution).
func halfWay(f *Face, m *colourMap, d, t [3]float64, edge float64, own int) (at, blur float64) {
	step := acrossStepPx / f.Radius
	// What is inside and outside, clear of the blur but not past the middle of
	// the ribbon nor of what lies beyond.
	clear := math.Max(2/f.Radius, 2*f.BlurShare)
	in := math.Max(0, edge-clear)
	out := edge + step
	for s := out; s <= edge+clear; s += step {
		x, y, ok := onArc(d, t, s)
		if !ok || int(m.of[m.cell(x, y)]) == own {
			break
		}
		out = s
	}
	light := func(s float64) ([3]float64, bool) {
		x, y, ok := onArc(d, t, s)
		if !ok {
			return [3]float64{}, false
		}
		return f.lightAt(x, y)
	}
	a, okA := light(in)
	b, okB := light(out)
	if !okA || !okB {
		return edge, math.NaN()
	}
	ab := [3]float64{b[0] - a[0], b[1] - a[1], b[2] - a[2]}
	len2 := dot3(ab, ab)
	if len2 == 0 {
		return edge, math.NaN()
	}
	// The crossing of the half nearest to the edge of the colour map.
	best := math.Inf(1)
	at = edge
	quarter, threeQuarters := math.NaN(), math.NaN()
	prevS, prevV := in, 0.0
	for s := in + step; s <= out+step/4; s += step {
		v, ok := light(s)
		if !ok {
			return edge, math.NaN()
		}
		u := ((v[0]-a[0])*ab[0] + (v[1]-a[1])*ab[1] + (v[2]-a[2])*ab[2]) / len2
		cross := func(level float64) float64 { return prevS + (s-prevS)*(level-prevV)/(u-prevV) }
		if (prevV < 0.5) != (u < 0.5) {
			if x := cross(0.5); math.Abs(x-edge) < best {
				best, at = math.Abs(x-edge), x
			}
		}
		if prevV < 0.25 && u >= 0.25 {
			quarter = cross(0.25)
		}
		if math.IsNaN(threeQuarters) && prevV < 0.75 && u >= 0.75 {
			threeQuarters = cross(0.75)
		}
		prevS, prevV = s, u
	}
	return at, (threeQuarters - quarter) / 1.349
}

// lightAt is the linear light at a place on the disc, between pixels; ok is
// false where a mirrored lamp or a neighbour has a part in it.
func (f *Face) lightAt(x, y float64) (v [3]float64, ok bool) {
	c := float64(f.Size-1) / 2
	u, w := x*f.Radius+c, y*f.Radius+c
	i, j := int(math.Floor(u)), int(math.Floor(w))
	if i < 0 || j < 0 || i+1 >= f.Size || j+1 >= f.Size {
		return v, false
	}
	fu, fw := u-float64(i), w-float64(j)
	for b := range 2 {
		for a := range 2 {
			k := (j+b)*f.Size + i + a
			if f.Mask[k]&(Glass|Highlight|Hidden) != Glass {
				return v, false
			}
			g := (fu*float64(a) + (1-fu)*float64(1-a)) * (fw*float64(b) + (1-fw)*float64(1-b))
			for q := range v {
				v[q] += g * f.Linear[k][q]
			}
		}
	}
	return v, true
}

// quantile is the q-quantile of sorted values by linear interpolation.
func quantile(sorted []float64, q float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	at := q * float64(len(sorted)-1)
	i := int(at)
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + (at-float64(i))*(sorted[i+1]-sorted[i])
}

// measureWidths cuts across every line and gives the cuts, by line and place;
// the lines' own widths become those measured, where they are.
func measureWidths(f *Face, m *colourMap, p *Parts, lines []Line) [][]cut {
	out := make([][]cut, len(lines))
	for k := range lines {
		l := &lines[k]
		t := l.headings(l.reach())
		out[k] = make([]cut, len(l.At))
		for i := range l.At {
			c := cutAcross(f, m, p, l, t[i], i)
			out[k][i] = c
			if w := c.width(); !math.IsNaN(w) {
				l.Width[i] = w
			}
		}
	}
	return out
}

// Limits of where a ribbon's width is its width: it runs straight and its two
// borders run side by side. At folds, forks and crossings a cut is longer.
const (
	// bendDeg is how far the heading may change within a width.
	bendDeg = 25.0
	// taperShare is how far the width may change within a width, as a share.
	taperShare = 0.25
)

// steady marks the cuts of a line at which the ribbon runs straight and keeps
// its width over its own width.
func steady(l *Line, cuts []cut) []bool {
	s := l.reach()
	t := l.headings(s)
	ok := make([]bool, len(cuts))
	limit := math.Cos(bendDeg * math.Pi / 180)
	for i, c := range cuts {
		w := c.width()
		if math.IsNaN(w) {
			continue
		}
		ok[i] = true
		half := math.Max(w/2, headingR)
		for _, dir := range [2]int{1, -1} {
			for j := i + dir; j >= 0 && j < len(cuts) && math.Abs(s[j]-s[i]) <= half; j += dir {
				v := cuts[j].width()
				if math.IsNaN(v) {
					continue
				}
				if math.Abs(v-w) > taperShare*w || dot3(t[i], t[j]) < limit {
					ok[i] = false
				}
			}
		}
	}
	return ok
}

// widthsOf are the sorted widths of lines for which keep holds, radii, at
// steady places.
func widthsOf(lines []Line, cuts [][]cut, keep func(l *Line) bool) []float64 {
	var w []float64
	for k := range lines {
		if !keep(&lines[k]) {
			continue
		}
		ok := steady(&lines[k], cuts[k])
		for i, c := range cuts[k] {
			if ok[i] {
				w = append(w, c.width())
			}
		}
	}
	sort.Float64s(w)
	return w
}
