package features

import (
	"math"

	"tawsight/internal/colour"
	"tawsight/internal/order"
)

// GlassCues are the signs of light passing through a marble.
type GlassCues struct {
	// ShadeSlope is how lightness goes along the shadow's direction over the
	// face, L* per radius, within each colour: matte glass is darker toward
	// its shadow (negative), clear glass gathers light there (positive).
	ShadeSlope float64
	// RimRatio is the luminance just inside the outline over that of the
	// middle.
	RimRatio float64
	// BrightRim is the share of the glass just inside the outline that is much
	// brighter than open paper, 0..1.
	BrightRim float64
	// RadialSlope is how lightness goes with the squared distance from the
	// middle, within each colour, L* from middle to outline: matte glass falls
	// off toward its outline, clear glass does not.
	RadialSlope float64
	// Unrest is what is left of lightness within each colour once both slopes
	// are taken out, L* (standard deviation): clear glass shows broken pictures
	// of its surroundings, cloudy and opaque glass are even.
	Unrest float64
	// Range is the span of lightness over the face, L*, from the 5 to the 95 %
	// point.
	Range float64
	// Lightness is the face's median lightness less the paper's, L*; Chroma how
	// colourful its most colourful twentieth is at least.
	Lightness, Chroma float64
	// NotOpaque and Clear are the chances, 0..1, that light passes at all and
	// that it passes unscattered.
	NotOpaque, Clear float64
	// Translucency is the share of light that passes one diameter unscattered,
	// 0..1; see (*Analysis).translucency.
	Translucency float64
}

// glassWeights are the weights of the cues in NotOpaque and Clear (logistic
// regression). They were found on rendered photos of two independent
// renderers, 174 marbles in 29 photos; with each photo left out in turn the
// kind came out right for nine marbles in ten. `go run ./cmd/accuracy -glass`
// finds them anew. Cues are scaled and
// bounded by ScaledCues, so that none can run away on a photo unlike those.
var (
	notOpaqueWeights = [9]float64{10.37, 1.84, 3.51, 1.18, 3.04, 0.17, -1.82, 2.69, -1.13}
	clearWeights     = [9]float64{-2.26, 5.50, 2.69, 1.73, 2.34, 2.01, 1.01, 0.31, 1.58}
)

// ScaledCues are what the weights apply to: a constant 1, then caustic, shading
// along the shadow, rim, shading from the middle out, unrest, range, lightness
// and chroma.
func (g *GlassCues) ScaledCues(s Shadow) [9]float64 {
	bound := func(v, lo, hi float64) float64 { return math.Max(lo, math.Min(hi, v)) }
	caustic, slope := s.Caustic, g.ShadeSlope
	if !s.Seen {
		caustic, slope = 0.1, -3 // between clear and opaque: no shadow says nothing
	}
	return [9]float64{
		1,
		bound(caustic, 0, 0.4),
		bound(slope, -15, 6) / 10,
		bound(math.Log(math.Max(0.1, g.RimRatio)), -0.6, 0.4),
		bound(g.RadialSlope, -25, 6) / 10,
		bound(g.Unrest, 1, 8) / 4,
		bound(g.Range, 10, 70) / 30,
		bound(g.Lightness, -60, 30) / 30,
		bound(g.Chroma, 0, 80) / 40,
	}
}

func (g *GlassCues) weigh(s Shadow) {
	c := g.ScaledCues(s)
	var a, b float64
	for i := range c {
		a += notOpaqueWeights[i] * c[i]
		b += clearWeights[i] * c[i]
	}
	g.NotOpaque, g.Clear = 1/(1+math.Exp(-a)), 1/(1+math.Exp(-b))
}

// cloudyLevel is the translucency of cloudy glass: what passes one diameter
// unscattered. Glass that lets less through looks opaque, glass that lets more
// through looks clear.
const cloudyLevel = 0.3

// bestChannelShare is that quarter: an assumption, for glass whose absorption
// is broad.
const bestChannelShare = 0.25

// sureOf makes a chance into an answer: what is clearly so is wholly so.
func sureOf(p float64) float64 { return ramp(p, 0.2, 0.8) }

// translucency is the share of light that passes one diameter of the base
// unscattered, 0..1. For clear glass it follows from the colour: light that
// passes tinted glass loses much of some colours and little of others (Bouguer
// and Lambert's law by channel). So the base's luminance over that of its
// strongest channel, both against the paper's, tells most of what is asked,
// however much light falls through the marble; the strongest channel is taken
// to have lost a quarter, in logarithm, of what the weakest has lost to it.
// Glass that takes all colours alike is not told from a shadow.
//
// Where a mark lies under the marble, what is seen of it counts instead, as far
// as it is sure.
func (a *Analysis) translucency() float64 {
	g := &a.Glass
	through := a.through()
	t := sureOf(g.NotOpaque) * (cloudyLevel + sureOf(g.Clear)*(math.Max(cloudyLevel/2, through)-cloudyLevel))
	if w := a.Mark.sure(); w > 0 {
		t += w * (a.Mark.passes() - t)
	}
	return t
}

// through is the share of light that passes one diameter of the base, by its
// colour alone.
func (a *Analysis) through() float64 {
	through := 1.0
	if a.Parts.Base >= 0 && a.Parts.Tinted {
		base := colour.LabToLinear(a.Parts.Colours[a.Parts.Base].Lab)
		paper := colour.LabToLinear(a.Face.PaperLab)
		y, least, most := 0.0, math.Inf(1), 0.0
		for q, w := range [3]float64{0.2126, 0.7152, 0.0722} {
			t := math.Max(0, base[q]) / math.Max(0.02, paper[q])
			y += w * t
			least, most = math.Min(least, t), math.Max(most, t)
		}
		if most > 0 {
			through = math.Min(1, y/most) * math.Pow(math.Max(0, math.Min(1, least/most)), bestChannelShare)
		}
	}
	return through
}

func glassCues(f *Face, s Shadow, p *Parts) (g GlassCues) {
	var rim, mid, nr, nm float64
	xs := f.columns()
	defer floats.give(xs)
	step := f.lattice()
	for row := 0; row < f.Size; row += step {
		y2 := xs[row] * xs[row]
		for c := 0; c < f.Size; c += step {
			rho2 := xs[c]*xs[c] + y2
			inner := rho2 < 0.6*0.6
			if !inner && (rho2 <= 0.88*0.88 || rho2 >= 0.97*0.97) {
				continue
			}
			i := row*f.Size + c
			if f.Mask[i]&(Glass|Highlight|Hidden) != Glass {
				continue
			}
			l := &f.Linear[i]
			lum := 0.2126*l[0] + 0.7152*l[1] + 0.0722*l[2]
			if inner {
				mid += lum
				nm++
			} else {
				rim += lum
				nr++
			}
		}
	}
	g.BrightRim = brightRim(f)
	if nr == 0 || nm == 0 {
		return g
	}
	light, strong := floats.list(len(p.Of)), floats.list(len(p.Of))
	for y := 0; y < f.Size; y += step {
		for i := y * f.Size; i < (y+1)*f.Size; i += step {
			if p.Of[i] >= 0 {
				l := &f.Lab[i]
				light = append(light, l[0])
				strong = append(strong, l[1]*l[1]+l[2]*l[2])
			}
		}
	}
	if len(light) > 0 {
		g.Lightness = order.Median(light) - f.PaperLab[0]
		g.Chroma = math.Sqrt(order.Nth(strong, len(strong)*95/100))
	}
	floats.give(light, strong)
	g.RimRatio = (rim / nr) / math.Max(1e-4, mid/nm)
	g.fitShading(f, s, p)
	g.weigh(s)
	return g
}

// brighter is how much brighter than open paper, as a ratio of luminances, counts
// for BrightRim.
const brighter = 1.4

func brightRim(f *Face) float64 {
	paper := colour.LabToLinear(f.PaperLab)
	least := brighter * (0.2126*paper[0] + 0.7152*paper[1] + 0.0722*paper[2])
	bright, all := 0, 0
	xs := f.columns()
	defer floats.give(xs)
	w := walk{n: f.Size}
	for i, m := range f.Mask {
		if m&(Glass|Hidden) != Glass {
			continue
		}
		c, r := w.to(i)
		if rho2 := xs[c]*xs[c] + xs[r]*xs[r]; rho2 < 0.86*0.86 || rho2 > 0.94*0.94 {
			continue
		}
		all++
		if l := &f.Linear[i]; 0.2126*l[0]+0.7152*l[1]+0.0722*l[2] > least {
			bright++
		}
	}
	return float64(bright) / float64(max(1, all))
}

// fitShading regresses lightness on the place along the shadow's direction and
// on the squared distance from the middle, within each colour, pooled.
func (g *GlassCues) fitShading(f *Face, s Shadow, p *Parts) {
	var a [2][2]float64
	var b [2]float64
	var syy, count float64
	xs := f.columns()
	all := floats.list(len(p.Of))
	defer func() { floats.give(xs, all) }()
	// What each colour's places add up to first: along the shadow, from the middle,
	// lightness, and their products.
	var sums [maxColours]struct{ n, u, v, l, uu, uv, vv, ul, vl, ll float64 }
	step := f.lattice()
	for y := 0; y < f.Size; y += step {
		for x := 0; x < f.Size; x += step {
			i := y*f.Size + x
			o := p.Of[i]
			if o < 0 || !p.Pure[i] {
				continue
			}
			l := f.Lab[i][0]
			all = append(all, l)
			px, py := xs[x], xs[y]
			u, v := px*s.X+py*s.Y, px*px+py*py
			m := &sums[o]
			m.n++
			m.u += u
			m.v += v
			m.l += l
			m.uu += u * u
			m.uv += u * v
			m.vv += v * v
			m.ul += u * l
			m.vl += v * l
			m.ll += l * l
		}
	}
	for k := range sums {
		m := &sums[k]
		if m.n*float64(step*step) < 20 {
			continue
		}
		count += m.n
		a[0][0] += m.uu - m.u*m.u/m.n
		a[0][1] += m.uv - m.u*m.v/m.n
		a[1][1] += m.vv - m.v*m.v/m.n
		b[0] += m.ul - m.u*m.l/m.n
		b[1] += m.vl - m.v*m.l/m.n
		syy += m.ll - m.l*m.l/m.n
	}
	a[1][0] = a[0][1]
	if len(all)*step*step > 20 {
		g.Range = order.Nth(all, len(all)*95/100) - order.Nth(all, len(all)*5/100)
	}
	if count*float64(step*step) < 40 {
		return
	}
	if !s.Seen {
		if a[1][1] > 0 {
			g.RadialSlope = b[1] / a[1][1]
		}
		g.Unrest = math.Sqrt(math.Max(0, syy-g.RadialSlope*b[1]) / count)
		return
	}
	det := a[0][0]*a[1][1] - a[0][1]*a[1][0]
	if det <= 1e-9 {
		return
	}
	g.ShadeSlope = (b[0]*a[1][1] - b[1]*a[0][1]) / det
	g.RadialSlope = (a[0][0]*b[1] - a[1][0]*b[0]) / det
	g.Unrest = math.Sqrt(math.Max(0, syy-g.ShadeSlope*b[0]-g.RadialSlope*b[1]) / count)
}
