package features

import (
	"math"
	"sort"

	"tawsight/internal/kernels"
)

const (
	// acrossStepPx is the step of a cut across a ribbon, in pixels of the face,
	// which are blurred by more than that: three to what is clear of a border.
	acrossStepPx = 2.0 / 3
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
	// beyond is the colour next to it, -1 where no border is seen; the ribbon's
	// own where it lies before another pass of itself.
	beyond int8
	// gap is how wide the base beyond the border is until another ribbon (or
	// another pass of this one) comes, radii; NaN where none comes within
	// gapR. next is that ribbon's colour.
	gap  float64
	next int8
	// contrast is the weighted CIELAB distance across the border.
	contrast float64
}

// cut is what is seen across a ribbon at one place of its middle line: its
// left and its right side.
type cut [2]side

func (c cut) width() float64 { return c[0].at + c[1].at }

// contrast is that of the fainter of the two borders.
func (c cut) contrast() float64 { return math.Min(c[0].contrast, c[1].contrast) }

// onArc is the place on the disc at an angle s along the great circle from
// direction d towards the unit tangent t; ok is false past the rim.
func onArc(d, t [3]float64, s float64) (x, y float64, ok bool) {
	sin, cos := math.Sincos(s)
	x, y = d[0]*cos+t[0]*sin, d[1]*cos+t[1]*sin
	return x, y, d[2]*cos+t[2]*sin > 0 && x*x+y*y < RimFrom*RimFrom
}

// arcs are the cosines and sines of whole numbers of steps along a great
// circle, for onArc.
type arcs [][2]float64

// newArcs are those of 0 to n-1 steps; the buffer is lent.
func newArcs(step float64, n int) arcs {
	a := arcs(pairsPool.take(n))
	for j := range a {
		a[j][1], a[j][0] = math.Sincos(float64(j) * step)
	}
	return a
}

// cutter cuts across ribbons; it holds what all cuts share.
type cutter struct {
	f *Face
	m *colourMap
	p *Parts
	// step is the step of a cut and clear the distance from a border at which
	// its blur is over, radii; k is clear in steps.
	step, clear float64
	k           int
	// disc is what is cut across, and cut one side's profile from the middle line
	// outwards.
	disc kernels.Disc
	cut  kernels.Cut
	arcs arcs
}

func newCutter(f *Face, m *colourMap, p *Parts) *cutter {
	c := &cutter{f: f, m: m, p: p, step: acrossStepPx / f.Radius, clear: math.Max(2/f.Radius, 2*f.BlurShare)}
	c.k = int(math.Ceil(c.clear/c.step - 1e-9)) // which rounding alone takes no further
	c.arcs = newArcs(c.step, int(widestR/c.step)+2)
	steps := len(c.arcs)
	for float64(steps-1)*c.step >= widestR {
		steps--
	}
	c.disc = kernels.Disc{
		Of: m.of, Far2: m.far2, Lab: f.Lab, Mask: f.Mask, Wide: m.n, Size: f.Size, Radius: f.Radius, Rim: RimFrom, Known: guessed,
		Weight: lightnessWeight, Kinds: Glass | Highlight | Hidden, Plain: Glass, Clear: c.k, Arcs: c.arcs[:steps],
	}
	return c
}

// guessed is how far, px, from what is seen a border counts: those below a reflection
// are guesses.
const guessed = 1.5

// across measures the ribbon at place i of a line: along the great circle
// square to the line, out to the border on each side; there, to a fraction of
// a pixel, where the colour is half way between inside and outside. Going
// along the sphere takes the foreshortening off.
func (c *cutter) across(l *Line, tangent [3]float64, i int) cut {
	d := l.Dir[i]
	s := unit3(cross3(d, tangent))
	return cut{
		c.side(d, s, l.Colour),
		c.side(d, [3]float64{-s[0], -s[1], -s[2]}, l.Colour),
	}
}

// side looks from direction d towards the unit tangent t. A border is where
// the colour map ends a colour, or within one colour a step of innerShare of
// the ribbon's own contrast: the edge of a pass that lies before another of
// the same colour.
func (c *cutter) side(d, t [3]float64, own int) side {
	r := side{at: math.NaN(), beyond: -1, gap: math.NaN(), next: -1}
	c.cut.From, c.cut.Towards = d, t
	c.disc.Cut(&c.cut, int8(own))
	edge := int(c.cut.Edge)
	if inner := c.inner(own, edge); inner >= 0 {
		r.at, r.contrast = c.refine(inner)
		r.beyond = int8(own)
		return r
	}
	if edge < 1 || edge >= len(c.cut.Of) {
		return r
	}
	r.beyond = c.cut.Of[edge]
	r.at, r.contrast = c.refine(edge)
	if int(r.beyond) == c.p.Base {
		// Angles are added step by step.
		cos, sin := c.arcs[1][0], c.arcs[1][1]
		sin0, cos0 := math.Sincos(r.at + c.step)
		for s := r.at + c.step; s < r.at+gapR; s += c.step {
			x, y := d[0]*cos0+t[0]*sin0, d[1]*cos0+t[1]*sin0
			if d[2]*cos0+t[2]*sin0 <= 0 || x*x+y*y >= RimFrom*RimFrom {
				break
			}
			sin0, cos0 = sin0*cos+cos0*sin, cos0*cos-sin0*sin
			q := c.m.cell(x, y)
			if int(c.m.of[q]) != c.p.Base && c.m.far2[q] <= sq(guessed) {
				r.gap, r.next = s-c.step/2-r.at, c.m.of[q]
				break
			}
		}
	}
	return r
}

// inner is the first step past an edge within the ribbon's own colour before
// the border at edge (-1: none seen), -1 where there is none: a local maximum
// of the colour's change over clear to both sides that reaches innerShare of
// the ribbon's distance from the base.
func (c *cutter) inner(own, edge int) int {
	lab := c.cut.Lab
	end := len(lab) - 1
	if edge >= 0 {
		end = min(end, edge-c.k)
	}
	if end < c.k {
		return -1
	}
	contrast := math.Sqrt(dist2(weighted(c.p.Colours[own].Lab), weighted(c.p.Colours[c.p.Base].Lab)))
	least := math.Max(innerLeast, innerShare*contrast)
	half := max(1, c.k/2)
	change := func(j int) float64 { return apart2(&lab[max(0, j-half)], &lab[min(len(lab)-1, j+half)]) }
	before, v := change(c.k-1), change(c.k)
	for j := c.k; j <= end; j++ {
		after := change(j + 1)
		if v >= least*least && v >= before && v >= after {
			return j
		}
		before, v = v, after
	}
	return -1
}

// refine moves a border to where the colour is half way between what it is
// clear of it inside and outside, but not past the middle line nor past what
// lies beyond, and gives the distance of the two.
func (c *cutter) refine(edge int) (at, contrast float64) {
	of, lab := c.cut.Of, c.cut.Lab
	at = (float64(edge) - 0.5) * c.step
	in, out := max(0, edge-c.k), edge
	for out+1 < len(of) && out < edge+c.k && of[out+1] == of[edge] {
		out++
	}
	a, b := lab[in], lab[out]
	ab := [3]float64{b[0] - a[0], b[1] - a[1], b[2] - a[2]}
	len2 := dot3(ab, ab)
	if len2 == 0 {
		return at, 0
	}
	best, mid, prev := math.Inf(1), at, 0.0
	for j := in + 1; j <= out; j++ {
		v := lab[j]
		u := ((v[0]-a[0])*ab[0] + (v[1]-a[1])*ab[1] + (v[2]-a[2])*ab[2]) / len2
		if (prev < 0.5) != (u < 0.5) {
			x := (float64(j-1) + (0.5-prev)/(u-prev)) * c.step
			if math.Abs(x-mid) < best {
				best, at = math.Abs(x-mid), x
			}
		}
		prev = u
	}
	return at, math.Sqrt(len2)
}

const (
	// innerShare and innerLeast (weighted CIELAB) are the least step within one
	// colour that is the edge of a pass before another.
	innerShare, innerLeast = 0.3, 4.0
)

// labAt is the weighted CIELAB at a place on the disc, between pixels; ok is
// false where a mirrored lamp or a neighbour has a part in it.
func (f *Face) labAt(x, y float64) (v [3]float64, ok bool) {
	c := float64(f.Size-1) / 2
	u, w := x*f.Radius+c, y*f.Radius+c
	if u < 0 || w < 0 {
		return v, false
	}
	i, j := int(u), int(w)
	if i+1 >= f.Size || j+1 >= f.Size {
		return v, false
	}
	fu, fw := u-float64(i), w-float64(j)
	k := j*f.Size + i
	const all = Glass | Highlight | Hidden
	if m := f.Mask; m[k]&all != Glass || m[k+1]&all != Glass || m[k+f.Size]&all != Glass || m[k+f.Size+1]&all != Glass {
		return v, false
	}
	a, b := (*[2][3]float64)(f.Lab[k:]), (*[2][3]float64)(f.Lab[k+f.Size:])
	g0, g1, g2, g3 := (1-fu)*(1-fw), fu*(1-fw), (1-fu)*fw, fu*fw
	return [3]float64{
		(g0*a[0][0] + g1*a[1][0] + g2*b[0][0] + g3*b[1][0]) * lightnessWeight,
		g0*a[0][1] + g1*a[1][1] + g2*b[0][1] + g3*b[1][1],
		g0*a[0][2] + g1*a[1][2] + g2*b[0][2] + g3*b[1][2],
	}, true
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
// the lines' own widths become those measured, where they are. The cuts lie in
// room, which is lent.
func measureWidths(f *Face, m *colourMap, p *Parts, lines []Line) (out [][]cut, room []cut) {
	cutter := newCutter(f, m, p)
	defer pairsPool.give(cutter.arcs)
	places := 0
	for k := range lines {
		places += len(lines[k].At)
	}
	room = cutPool.take(places)
	out = make([][]cut, len(lines))
	left := room
	for k := range lines {
		l := &lines[k]
		t := l.headings()
		out[k], left = left[:len(l.At)], left[len(l.At):]
		for i := range l.At {
			c := cutter.across(l, t[i], i)
			out[k][i] = c
			if w := c.width(); !math.IsNaN(w) {
				l.Width[i] = w
			}
		}
	}
	return out, room
}

var cutPool buffers[cut]

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
	t := l.headings()
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

// frontShare is the least contrast of a cut, as a share of the contrast that
// a tenth of the colour's cuts pass: what is fainter lies behind other glass,
// and the ball magnifies what lies at its back: by n / (n - (n-1) d/R), with
// n = 1.52, at a depth d below the surface seen head on, so 2 times at d = 1.5 R
// and 3 times at the far side.
const frontShare = 0.6

// widthsOf are the sorted widths of the lines of one colour, radii, at steady
// places in front.
func widthsOf(lines []Line, cuts [][]cut, colour int) []float64 {
	type seen struct{ w, contrast float64 }
	var all []seen
	var contrast []float64
	for k := range lines {
		if lines[k].Colour != colour {
			continue
		}
		ok := steady(&lines[k], cuts[k])
		for i, c := range cuts[k] {
			if ok[i] {
				all = append(all, seen{c.width(), c.contrast()})
				contrast = append(contrast, c.contrast())
			}
		}
	}
	sort.Float64s(contrast)
	limit := frontShare * quantile(contrast, 0.9)
	var w []float64
	for _, s := range all {
		if s.contrast >= limit {
			w = append(w, s.w)
		}
	}
	sort.Float64s(w)
	return w
}
