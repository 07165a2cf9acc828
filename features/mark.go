package features

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"

	"tawsight/internal/colour"
)

// Mark is the mark on the sheet under a marble, stripes of two tones, as a ball
// of clear glass of the marble's size and place would show it at each pixel of
// the face. Clear glass shows it, glass that scatters shows less of it, opaque
// glass and ribbons nothing.
type Mark struct {
	// Phase is that of the stripes, radians, 0 where a light stripe begins;
	// Across that of stripes the other way, which are not there: what is found
	// of them is chance. Both are NaN where no mark would be seen.
	Phase, Across []float64
	// Reach is the contrast there over the printed one, 0..1.
	Reach []float64
	// PeriodPX is the length of a period in the middle of the face, px.
	PeriodPX float64
	// Contrast is the printed one, light less dark over light plus dark.
	Contrast float64
}

// MarkSeen is what is seen of a mark.
type MarkSeen struct {
	// Looked says that the mark would be seen if the glass were clear.
	Looked bool
	// Depth is the mark's contrast where it is seen best over the printed one:
	// towards 1 in glass without haze, 0 where nothing shows. DepthU is what
	// chance shows there, by stripes that are not there.
	Depth, DepthU float64
	// Light is the mark's swing of light there in each channel over that of the
	// bare mark: what the glass's colour leaves of it.
	Light [3]float64
	// Share is the share of the face where the mark was looked for, and Reach how
	// much of the printed contrast lies there, 0..1.
	Share, Reach float64

	best   []int     // the nodes of the colour that shows it best; none where none does
	values []weighed // contrast at each node
	nodes  []markNode
	at     []int // node of each grid place, -1 for none
	step   int   // of the grid, px
	wide   int   // places in a row of the grid
}

// markNode is the mark about one place of the face.
type markNode struct {
	level [3]float64    // light without the mark
	swing [3]complex128 // first harmonic: real along the phase expected
	ghost complex128    // the same across, of the luminance
	back  complex128    // turns a swing to where it should be
	pixel int           // of the face
	print float64       // the phase's place in the print
	reach float64
	rest  float64 // root mean square of the luminance that neither level nor stripes explain
	full  float64 // what the swing over the ground would be for clear glass
	third float64 // third harmonic over the first
}

// Limits of looking for the mark.
const (
	markRim     = 0.86 // share of the radius beyond which the picture is too pressed together
	markWindow  = 0.45 // standard deviation of the window, in periods
	leastPeriod = 4.0  // px a period
	sameHue     = 0.04 // standard deviation of the chromaticity within a window
)

// luminanceShare is each channel's share of the luminance (IEC 61966-2-1).
var luminanceShare = [3]float64{0.2126, 0.7152, 0.0722}

// squareWave is the first harmonic of a square wave of height 1: Fourier's
// series.
const squareWave = 4 / math.Pi

// lookForMark fits the mark about many places of the face, by least squares in
// a Gaussian window: a level and its slope, and the stripes with whatever phase
// they have.
func lookForMark(f *Face) *MarkSeen {
	m := f.Mark
	s := &MarkSeen{}
	if m == nil || !(m.Contrast > 0) || m.PeriodPX < leastPeriod {
		return s
	}
	sigma := markWindow * m.PeriodPX
	skip := max(1, int(sigma/4))
	s.step = max(2, int(sigma/3))
	s.wide = (f.Size + s.step - 1) / s.step
	s.at = make([]int, s.wide*s.wide)
	blur := f.BlurShare * f.Radius
	reach := int(2*sigma/float64(skip)) * skip
	hue := chromaticities(f)
	for gy := range s.wide {
		for gx := range s.wide {
			s.at[gy*s.wide+gx] = -1
			x, y := gx*s.step, gy*s.step
			i := y*f.Size + x
			px, py := f.XY(i)
			if math.Hypot(px, py) > markRim || !(m.Reach[i] > 0) {
				continue
			}
			var main, across normal
			var reachSum, wSum float64
			for dy := -reach; dy <= reach; dy += skip {
				for dx := -reach; dx <= reach; dx += skip {
					u, v := x+dx, y+dy
					if u < 0 || v < 0 || u >= f.Size || v >= f.Size {
						continue
					}
					j := v*f.Size + u
					if f.Mask[j]&(Glass|Highlight|Hidden) != Glass || !(m.Reach[j] > 0) {
						continue
					}
					// Stripes seen through one glass are of one chromaticity.
					a0, b0 := (hue[j][0]-hue[i][0])/sameHue, (hue[j][1]-hue[i][1])/sameHue
					w := math.Exp(-float64(dx*dx+dy*dy)/(2*sigma*sigma) - (a0*a0+b0*b0)/2)
					a, b := float64(dx)/sigma, float64(dy)/sigma
					l := f.Linear[j]
					sin, cos := math.Sincos(m.Phase[j])
					main.add(w, [5]float64{1, a, b, m.Reach[j] * sin, m.Reach[j] * cos}, l)
					sin, cos = math.Sincos(m.Across[j])
					across.add(w, [5]float64{1, a, b, m.Reach[j] * sin, m.Reach[j] * cos}, l)
					reachSum += w * m.Reach[j]
					wSum += w
				}
			}
			// A quarter of a window at least, or the stripes can't be told from a
			// slope.
			if wSum < 0.5*math.Pi*sigma*sigma/float64(skip*skip) {
				continue
			}
			p, ok1 := main.solve()
			q, ok2 := across.solve()
			if !ok1 || !ok2 {
				continue
			}
			freq := m.frequency(f, i)
			mtf := math.Exp(-2 * math.Pi * math.Pi * blur * blur * freq * freq)
			n := markNode{pixel: i, print: m.Phase[i], reach: reachSum / wSum,
				full:  squareWave * m.Contrast * mtf,
				third: math.Pow(mtf, 8) / 3, // the blur falls with the frequency's square
				ghost: complex(q[3][3], q[4][3])}
			rest := main.y
			for k := range p {
				rest -= main.b[k][3] * p[k][3]
			}
			n.rest = math.Sqrt(math.Max(0, rest) / wSum)
			for k := range n.level {
				n.level[k] = p[0][k]
				n.swing[k] = complex(p[3][k], p[4][k])
			}
			s.at[gy*s.wide+gx] = len(s.nodes)
			s.nodes = append(s.nodes, n)
		}
	}
	s.Looked = len(s.nodes) >= 12
	return s
}

// chromaticities are the shares of red and green in each pixel's light, averaged
// over the pixels beside it.
func chromaticities(f *Face) [][2]float64 {
	out := make([][2]float64, len(f.Linear))
	for i := range out {
		var c [3]float64
		for _, d := range [5]int{0, 1, -1, f.Size, -f.Size} {
			if j := i + d; j >= 0 && j < len(out) && f.Mask[j]&Glass != 0 {
				for k := range c {
					c[k] += f.Linear[j][k]
				}
			}
		}
		sum := math.Max(0.05, c[0]+c[1]+c[2])
		out[i] = [2]float64{c[0] / sum, c[1] / sum}
	}
	return out
}

// frequency is how many periods a pixel spans about pixel i.
func (m *Mark) frequency(f *Face, i int) float64 {
	d := func(a, b int) float64 {
		if a < 0 || b >= len(m.Phase) || math.IsNaN(m.Phase[a]) || math.IsNaN(m.Phase[b]) {
			return 0
		}
		return (m.Phase[b] - m.Phase[a]) / (4 * math.Pi)
	}
	return math.Hypot(d(i-1, i+1), d(i-f.Size, i+f.Size))
}

// normal are the normal equations of a fit with five unknowns for three
// channels and the luminance.
type normal struct {
	a [5][5]float64
	b [5][4]float64
	y float64 // sum of squares of the luminance
}

func (n *normal) add(w float64, t [5]float64, c [3]float64) {
	v := [4]float64{c[0], c[1], c[2]}
	for k, s := range luminanceShare {
		v[3] += s * c[k]
	}
	n.y += w * v[3] * v[3]
	for i := range t {
		wt := w * t[i]
		for j := i; j < 5; j++ {
			n.a[i][j] += wt * t[j]
		}
		for k := range v {
			n.b[i][k] += wt * v[k]
		}
	}
}

// solve is by Cholesky's factors; ok is false where a column nearly follows
// from those before it.
func (n *normal) solve() (x [5][4]float64, ok bool) {
	var l [5][5]float64
	for i := range 5 {
		for j := 0; j <= i; j++ {
			s := n.a[j][i]
			for k := range j {
				s -= l[i][k] * l[j][k]
			}
			if i == j {
				if s <= 0.08*n.a[i][i] || s <= 0 {
					return x, false
				}
				l[i][i] = math.Sqrt(s)
			} else {
				l[i][j] = s / l[j][j]
			}
		}
	}
	for c := range 4 {
		var y [5]float64
		for i := range 5 {
			s := n.b[i][c]
			for k := range i {
				s -= l[i][k] * y[k]
			}
			y[i] = s / l[i][i]
		}
		for i := 4; i >= 0; i-- {
			s := y[i]
			for k := i + 1; k < 5; k++ {
				s -= l[k][i] * x[k][c]
			}
			x[i][c] = s / l[i][i]
		}
	}
	return x, true
}

// light is the swing of a node's luminance.
func (n *markNode) light() (c complex128) {
	for k, w := range luminanceShare {
		c += complex(w, 0) * n.swing[k]
	}
	return c
}

func (n *markNode) brightness() (v float64) {
	for k, w := range luminanceShare {
		v += w * n.level[k]
	}
	return v
}

// chance is the root mean square of what is found of stripes that aren't there.
func (s *MarkSeen) chance() float64 {
	sum := 0.0
	for i := range s.nodes {
		g := cmplx.Abs(s.nodes[i].ghost)
		sum += g * g
	}
	return math.Sqrt(sum / float64(max(1, len(s.nodes))))
}

// without gives the face as it would look on plain ground: the stripes found
// about each pixel taken off, as far as they stand out of what chance makes.
// The face given stays as it is.
func (s *MarkSeen) without(f *Face) *Face {
	out := *f
	out.Linear = append([][3]float64(nil), f.Linear...)
	out.Lab = append([][3]float64(nil), f.Lab...)
	chance := s.chance()
	for i := range f.Linear {
		if f.Mask[i]&Glass == 0 || !(f.Mark.Reach[i] > 0) {
			continue
		}
		gx, gy := i%f.Size/s.step, i/f.Size/s.step
		fx, fy := float64(i%f.Size)/float64(s.step)-float64(gx), float64(i/f.Size)/float64(s.step)-float64(gy)
		var swing [3]complex128
		var third, w float64
		for k := range 4 {
			x, y := gx+k%2, gy+k/2
			if x >= s.wide || y >= s.wide || s.at[y*s.wide+x] < 0 {
				continue
			}
			n := &s.nodes[s.at[y*s.wide+x]]
			share := math.Abs(1-float64(k%2)-fx) * math.Abs(1-float64(k/2)-fy)
			l := cmplx.Abs(n.light())
			trust := share * l * l / (l*l + chance*chance)
			for q := range swing {
				swing[q] += complex(trust, 0) * n.swing[q]
			}
			third += share * n.third
			w += share
		}
		if w == 0 {
			continue
		}
		for q := range swing {
			r, turn := cmplx.Polar(swing[q] / complex(w, 0))
			at := f.Mark.Phase[i] + turn
			v := out.Linear[i][q] - f.Mark.Reach[i]*r*(math.Sin(at)+third/w*math.Sin(3*at))
			out.Linear[i][q] = math.Max(0, v)
		}
		out.Lab[i] = colour.LinearToLabFast(out.Linear[i])
	}
	return &out
}

// Limits of what is asked of the mark.
const (
	// mostTurn and mostBend bound how far the stripes may lie from where glass
	// of the usual index and a round marble show them, radians and share.
	mostTurn = 1.3
	mostBend = 0.06
	// quiet is the unrest beyond which a place counts less, in contrasts.
	quiet = 0.1
	// leastLevel keeps what is nearly black from counting as contrast.
	leastLevel = 0.004
)

// read says what is seen of the mark. Where the picture is unquiet, little is
// learnt from it.
func (s *MarkSeen) read(f *Face) {
	whole := func(n *markNode) float64 { return n.full * math.Max(leastLevel, n.brightness()) }
	weight := func(n *markNode) float64 {
		r := n.rest / whole(n)
		return 1 / (r*r + quiet*quiet)
	}
	mean, sum := 0.0, 0.0
	for i := range s.nodes {
		w := weight(&s.nodes[i])
		mean += w * s.nodes[i].print
		sum += w
		s.Reach += s.nodes[i].reach / float64(len(s.nodes))
	}
	mean /= sum
	s.Share = math.Min(1, float64(len(s.nodes)*s.step*s.step)/(math.Pi*f.Radius*f.Radius))
	// Old marbles are a little out of round, and glass differs: the stripes may
	// lie somewhat aside and be somewhat wider or narrower than expected, the
	// same all over the face.
	var best complex128
	bend := 0.0
	for k := -6; k <= 6; k++ {
		b := mostBend * float64(k) / 6
		var total complex128
		for i := range s.nodes {
			n := &s.nodes[i]
			total += n.light() * cmplx.Rect(weight(n)/whole(n), -b*(n.print-mean))
		}
		if cmplx.Abs(total) > cmplx.Abs(best) {
			best, bend = total, b
		}
	}
	turn := math.Max(-mostTurn, math.Min(mostTurn, cmplx.Phase(best)))
	s.values = make([]weighed, len(s.nodes))
	chance := make([]weighed, 0, 2*len(s.nodes))
	for i := range s.nodes {
		n := &s.nodes[i]
		w := weight(n)
		n.back = cmplx.Rect(1, -turn-bend*(n.print-mean))
		s.values[i] = weighed{real(n.light()*n.back) / whole(n), w}
		chance = append(chance, weighed{math.Abs(real(n.ghost)) / whole(n), w / 2}, weighed{math.Abs(imag(n.ghost)) / whole(n), w / 2})
	}
	s.clearest(chance)
	s.best = nil
	s.tint(f, func(i int) bool { return s.values[i].v >= s.Depth })
}

// Limits of reading the mark colour by colour.
const (
	// leastOfColour is the least share of the places that a colour must have.
	leastOfColour = 0.04
	// alikePlaces is how many places are as good as one, their windows lying over
	// each other: those within a standard deviation of a window.
	alikePlaces = 28
)

// byColour reads the mark anew where the face is of one colour, the one that shows
// it best: about the borders of ribbons, and over ribbons that let some light
// through, more or less of it may be found than the glass shows.
func (s *MarkSeen) byColour(f *Face, p *Parts) {
	values := make([][]weighed, len(p.Colours))
	chance := make([][]weighed, len(p.Colours))
	for i := range s.nodes {
		n := &s.nodes[i]
		o := p.Of[n.pixel]
		if o < 0 {
			continue
		}
		whole := n.full * math.Max(leastLevel, n.brightness())
		values[o] = append(values[o], weighed{s.values[i].v, 1})
		chance[o] = append(chance[o], weighed{math.Abs(real(n.ghost)) / whole, 1}, weighed{math.Abs(imag(n.ghost)) / whole, 1})
	}
	depth, best := 0.0, -1
	for o, v := range values {
		if len(v) < 12 || float64(len(v)) < leastOfColour*float64(len(s.nodes)) {
			continue
		}
		for _, w := range [][]weighed{v, chance[o]} {
			slices.SortStableFunc(w, func(a, b weighed) int { return cmp.Compare(a.v, b.v) })
		}
		// The median size of what is as often below 0 as above is 0.67 standard
		// deviations.
		u := level(chance[o], 0.5) / 0.67 / math.Sqrt(math.Max(1, float64(len(v))/alikePlaces))
		if d := level(v, 0.5) - u; best < 0 || d > depth {
			depth, s.DepthU, best = d, u, o
		}
	}
	if best < 0 {
		return
	}
	if s.Depth = depth; depth < s.DepthU {
		s.Depth = 0 // it can't be told from chance
	}
	for i := range s.nodes {
		if int(p.Of[s.nodes[i].pixel]) == best {
			s.best = append(s.best, i)
		}
	}
	s.tint(f, func(i int) bool { return int(p.Of[s.nodes[i].pixel]) == best })
}

// Limits of what the mark says of a marble, in contrasts, chance taken off.
// They were set on the rendered photos of samples/photos/mat.
const (
	// shows is the least that is taken for the mark.
	shows = 0.02
	// hidden is the most of opaque glass.
	hidden = 0.012
	// clearFrom is the least of clear glass, cloudyTo the most of cloudy glass;
	// between them shadow and light decide.
	clearFrom, cloudyTo = 0.3, 0.2
	// lookedAt is the share of the face that must have been looked at before
	// nothing found means that nothing passes.
	lookedAt = 0.35
	// plainlyOpaque and perhapsOpaque are the chances that light passes at all, by
	// shadow and light alone, under which a faint mark is taken for a pattern of
	// the glass, and nothing seen of the mark for opaque glass.
	plainlyOpaque, perhapsOpaque = 0.2, 0.6
	// unsure is the chance beyond which a small contrast says nothing.
	unsure = 0.12
)

// settle lets the mark correct what light and shadow said of the glass.
func (s *MarkSeen) settle(g *GlassCues) {
	if g.NotOpaque < plainlyOpaque && s.Depth < clearFrom {
		s.Depth = 0 // a swirl can be as regular as the mark
	}
	switch {
	case s.Depth > shows:
		g.NotOpaque = math.Max(g.NotOpaque, 0.9)
	case s.Depth < hidden && g.NotOpaque < perhapsOpaque && s.Share > lookedAt && s.DepthU < unsure/4:
		g.NotOpaque = math.Min(g.NotOpaque, 0.1)
	}
	switch {
	case s.Depth > clearFrom:
		g.Clear = math.Max(g.Clear, 0.9)
	case s.Depth < cloudyTo && s.DepthU < unsure && s.Share > lookedAt:
		g.Clear = math.Min(g.Clear, 0.1)
	}
}

// base makes the colour in which the mark is seen best the base, where the glass
// is clear: ribbons hide what lies under them.
func (s *MarkSeen) base(f *Face, p *Parts) {
	if s.Depth < clearFrom || p.Base < 0 || len(s.best) == 0 {
		return
	}
	// Colours may have been put together since.
	count := make([]int, len(p.Colours))
	most := p.Base
	for _, i := range s.best {
		if o := int(p.Of[s.nodes[i].pixel]); o >= 0 {
			if count[o]++; count[o] > count[most] {
				most = o
			}
		}
	}
	if most == p.Base {
		return
	}
	p.Base = most
	c := p.Colours[most].Lab
	off := math.Hypot(c[1]-f.PaperLab[1], c[2]-f.PaperLab[2])
	p.Tinted = off > neutralChroma && off/math.Max(10, c[0]) > tintLeast
}

// How the mark tells what passes. Set on 24 marbles of three rendered photos.
const (
	// usualLight is the light under a clear marble over that on open ground, in
	// the mark's swing; it differs by a factor of three either way, with what
	// ribbons above and the sides let through.
	usualLight = 0.14
	// lightShare is how much that light says, as a power, and tintPower how the
	// luminance that passes goes with that of the colour alone: the channel that
	// is absorbed least is absorbed too.
	lightShare = 0.25
	tintPower  = 1.5
)

// passes is the share of light that passes one diameter, by the mark alone. Where
// glass scatters, the mark is seen by light that has passed it twice, down and
// up, over light that it scatters: so what passes once is the contrast's root.
// Clear glass only absorbs; what it leaves of each channel, passed twice too, is
// told by the colour of the mark's light, and a little by how much there is of
// it.
func (s *MarkSeen) passes() float64 {
	haze := math.Sqrt(s.Depth)
	clear := ramp(s.Depth, cloudyTo, clearFrom)
	if clear == 0 {
		return haze
	}
	most, y := 0.0, 0.0
	for q, w := range luminanceShare {
		t := math.Max(0, s.Light[q])
		most, y = math.Max(most, t), y+w*t
	}
	if most <= 0 {
		return haze
	}
	once := 0.0
	for q, w := range luminanceShare {
		once += w * math.Sqrt(math.Max(0, s.Light[q])/most)
	}
	through := math.Pow(once, tintPower) * math.Pow(math.Min(1, y/usualLight), lightShare)
	return math.Min(1, haze+clear*(through-haze))
}

// sure is how much the mark says against shadow and light, 0..1.
func (s *MarkSeen) sure() float64 {
	if !s.Looked {
		return 0
	}
	return ramp(s.Share, 0.12, 0.35) * ramp(s.Reach, 0.25, 0.55) * ramp(s.DepthU, 0.5*s.Depth+0.12, 0.3*s.Depth+0.04)
}

// weighed is a figure with its weight.
type weighed struct{ v, w float64 }

// level is the value that the share q of the weight lies below; the values are
// sorted.
func level(v []weighed, q float64) float64 {
	total := 0.0
	for _, x := range v {
		total += x.w
	}
	sum := 0.0
	for _, x := range v {
		if sum += x.w; sum >= q*total {
			return x.v
		}
	}
	return 0
}

// clearest finds the mark's contrast where the glass shows it best: ribbons and
// what they mirror hide it elsewhere. It looks at the best tenth of the places,
// the best fifth and so on, takes off what chance would show there, and keeps
// the best. chance are sizes, of values that are as often below 0 as above.
func (s *MarkSeen) clearest(chance []weighed) {
	values := slices.Clone(s.values)
	for _, v := range [][]weighed{values, chance} {
		slices.SortStableFunc(v, func(a, b weighed) int { return cmp.Compare(a.v, b.v) })
	}
	best := math.Inf(-1)
	for _, q := range [4]float64{0.7, 0.8, 0.9, 0.95} {
		u := level(chance, 2*q-1)
		if d := level(values, q) - 1.5*u; d > best {
			best, s.DepthU = d, u
		}
	}
	s.Depth = math.Max(0, best)
}

// tint is the colour of the mark's swing of light in some places. What the surface
// mirrors and what the glass scatters adds light, but no swing.
func (s *MarkSeen) tint(f *Face, counts func(i int) bool) {
	ground := colour.LabToLinear(f.PaperLab)
	s.Light = [3]float64{}
	sum := 0.0
	for i := range s.nodes {
		n := &s.nodes[i]
		if !counts(i) {
			continue
		}
		for q := range s.Light {
			s.Light[q] += s.values[i].w * real(n.swing[q]*n.back) / math.Max(0.02, ground[q])
		}
		sum += s.values[i].w * n.full
	}
	for q := range s.Light {
		s.Light[q] /= math.Max(1e-9, sum)
	}
}
