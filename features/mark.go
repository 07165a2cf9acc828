package features

import (
	"math"
	"math/cmplx"

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
	// Depth is the mark's contrast over the printed one, in the colour that shows
	// it best: about 1 in glass without haze, 0 where nothing shows. DepthU is
	// its standard uncertainty, by how it differs from place to place and by what
	// is found of stripes that are not there.
	Depth, DepthU float64
	// Share is the share of the face where the mark was looked for.
	Share float64

	of    []depth // by colour of the face
	best  int     // the colour that shows the mark best, -1 for none
	nodes []markNode
	at    []int // node of each grid place, -1 for none
	step  int   // of the grid, px
	wide  int   // places in a row of the grid
}

// markNode is the mark about one place of the face.
type markNode struct {
	x, y  float64
	level [3]float64    // light without the mark
	swing [3]complex128 // first harmonic: real along the phase expected
	ghost complex128    // the same across, of the luminance
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
					w := math.Exp(-float64(dx*dx+dy*dy) / (2 * sigma * sigma))
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
			// Half a window at least, or the stripes can't be told from a slope.
			if wSum < math.Pi*sigma*sigma/float64(skip*skip) {
				continue
			}
			p, ok1 := main.solve()
			q, ok2 := across.solve()
			if !ok1 || !ok2 {
				continue
			}
			freq := m.frequency(f, i)
			mtf := math.Exp(-2 * math.Pi * math.Pi * blur * blur * freq * freq)
			n := markNode{x: px, y: py, print: m.Phase[i], reach: reachSum / wSum,
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
	// ownWindow is the least share of a colour in a window that speaks for it.
	ownWindow = 0.6
	// mostTurn and mostBend bound how far the stripes may lie from where glass
	// of the usual index and a round marble show them, radians and share.
	mostTurn = 1.3
	mostBend = 0.06
	// leastNodes is the least number of places that speak for a colour.
	leastNodes = 5
)

// depth is a weighted mean of the mark's contrast and its standard uncertainty.
type depth struct {
	value, u, share float64
	nodes           int
}

// read says what is seen of the mark in each colour of the face. Where the
// picture is unquiet, little is learnt from it.
func (s *MarkSeen) read(f *Face, p *Parts) {
	s.of, s.best, s.Share = make([]depth, len(p.Colours)), -1, 0
	if !s.Looked || len(p.Colours) == 0 {
		return
	}
	half := int(markWindow * f.Mark.PeriodPX)
	c := float64(f.Size-1) / 2
	weight := func(n *markNode) float64 {
		one := n.full * math.Max(0.004, n.brightness())
		r := n.rest / one
		return 1 / (r*r + 0.01)
	}
	owner := make([]int, len(s.nodes))
	mean, sum := 0.0, 0.0
	for i := range s.nodes {
		n := &s.nodes[i]
		owner[i] = -1
		x, y := int(math.Round(n.x*f.Radius+c)), int(math.Round(n.y*f.Radius+c))
		own, all := make([]int, len(p.Colours)), 0
		for dy := -half; dy <= half; dy += max(1, half/4) {
			for dx := -half; dx <= half; dx += max(1, half/4) {
				u, v := x+dx, y+dy
				if u < 0 || v < 0 || u >= f.Size || v >= f.Size || p.Of[v*f.Size+u] < 0 {
					continue
				}
				all++
				own[p.Of[v*f.Size+u]]++
			}
		}
		for k, o := range own {
			if all > 0 && float64(o) >= ownWindow*float64(all) {
				owner[i] = k
			}
		}
		w := weight(n)
		mean += w * n.print
		sum += w
	}
	mean /= sum
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
			total += n.light() * cmplx.Rect(weight(n)/(n.full*math.Max(0.004, n.brightness())), -b*(n.print-mean))
		}
		if cmplx.Abs(total) > cmplx.Abs(best) {
			best, bend = total, b
		}
	}
	turn := math.Max(-mostTurn, math.Min(mostTurn, cmplx.Phase(best)))
	window := 2 * math.Pi * markWindow * markWindow * f.Mark.PeriodPX * f.Mark.PeriodPX
	for k := range s.of {
		d := &s.of[k]
		var w, ghost, square float64
		for i := range s.nodes {
			if owner[i] != k {
				continue
			}
			n := &s.nodes[i]
			back := cmplx.Rect(1, -turn-bend*(n.print-mean))
			v := weight(n)
			one := n.full * math.Max(0.004, n.brightness())
			here := real(n.light()*back) / one
			d.value += v * here
			square += v * here * here
			g := cmplx.Abs(n.ghost) / one
			ghost += v * g * g
			w += v
			d.nodes++
		}
		if d.nodes < leastNodes {
			*d = depth{}
			continue
		}
		d.value /= w
		d.share = float64(d.nodes*s.step*s.step) / (math.Pi * f.Radius * f.Radius)
		// Places within one window are not independent of each other.
		free := math.Max(1, float64(d.nodes*s.step*s.step)/window)
		d.u = math.Sqrt((ghost/w/2 + math.Max(0, square/w-d.value*d.value)) / free)
		s.Share += d.share
		if s.best < 0 || d.value-d.u > s.of[s.best].value-s.of[s.best].u {
			s.best = k
		}
	}
	if s.best >= 0 {
		s.Depth, s.DepthU = s.of[s.best].value, s.of[s.best].u
	}
}

// Limits of what the mark says of a marble.
const (
	// shows is the least contrast, its uncertainty taken off twice, that nothing
	// but the mark makes.
	shows = 0.04
	// nothing is the contrast below which, its uncertainty added twice, glass
	// passes no picture.
	nothing = 0.03
	// clearDepth parts clear glass from cloudy.
	clearDepth = 0.28
	// leastShare is the share of the face that must have been looked at before
	// nothing found means opaque.
	leastMarkShare = 0.35
)

// settle lets the mark correct what light and shadow said of the glass.
func (s *MarkSeen) settle(g *GlassCues) {
	if s.best < 0 {
		return
	}
	switch {
	case s.Depth-2*s.DepthU > shows:
		g.NotOpaque = math.Max(g.NotOpaque, 0.9)
	case s.Depth+2*s.DepthU < nothing && s.Share > leastMarkShare:
		g.NotOpaque = math.Min(g.NotOpaque, 0.1)
	}
	switch {
	case s.Depth-s.DepthU > clearDepth:
		g.Clear = math.Max(g.Clear, 0.9)
	case s.Depth+2*s.DepthU < clearDepth:
		g.Clear = math.Min(g.Clear, 0.1)
	}
}

// base makes the colour that the mark is seen in the base, where the mark shows
// there and not in the colour taken for it: ribbons hide what lies under them.
func (s *MarkSeen) base(f *Face, p *Parts) {
	if s.best < 0 || p.Base < 0 || s.best == p.Base || s.Depth-2*s.DepthU < 2*shows {
		return
	}
	if b := s.of[p.Base]; b.nodes > 0 && b.value+2*b.u > s.Depth-2*s.DepthU {
		return
	}
	p.Base = s.best
	c := p.Colours[p.Base].Lab
	off := math.Hypot(c[1]-f.PaperLab[1], c[2]-f.PaperLab[2])
	p.Tinted = off > neutralChroma && off/math.Max(10, c[0]) > tintLeast
}
