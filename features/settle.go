package features

import (
	"math"

	"tawsight/internal/colour"
	"tawsight/internal/kernels"
	"tawsight/internal/order"
)

// A cluster of colours is not yet a colour of the marble: one glass lit
// unevenly falls into several. What follows joins them again, by what the
// places between them look like.

// softBorder is the share of the step between two colours that lies within
// borderReach of their border, below which they are one glass in changing
// light. Ribbons in glass end within the blur of the photo, shading does not.
const softBorder = 0.5

// borderReach is how far to both sides of a border colours are compared, px
// of the face: past the blur.
func borderReach(f *Face) int { return 2 + int(math.Round(f.BlurShare*f.Radius)) }

// border is what lies between two colours.
type border struct {
	length int       // places where they meet
	steps  []float64 // share of their difference found within borderReach
}

// joinSoft joins colours whose border is soft, softest first.
func (p *Parts) joinSoft(f *Face, wt []lab32) {
	if p.found < 2 {
		return
	}
	sum := p.sums(f, wt)
	meet := p.meetings(f)
	defer func() { ints.give(meet) }()
	for p.found > 1 {
		at, room := p.borders(f, wt, &sum, meet)
		best, a, b := softBorder, -1, -1
		for k := 0; k < p.found; k++ {
			for l := k + 1; l < p.found; l++ {
				e := at[k*p.found+l]
				if len(e.steps) < 12 || 3*len(e.steps) < e.length {
					continue
				}
				if m := order.Median(e.steps); m < best {
					best, a, b = m, k, l
				}
			}
		}
		floats.give(room)
		if a < 0 {
			return
		}
		p.renumber(b, a)
		for q := range sum[a] {
			sum[a][q] += sum[b][q]
		}
		copy(sum[b:], sum[b+1:])
	}
}

// renumber gives the pixels of colour from to colour to, and closes the gap in
// the numbers.
func (p *Parts) renumber(from, to int) {
	if to > from {
		to--
	}
	for i, o := range p.Of {
		switch {
		case int(o) == from:
			p.Of[i] = int8(to)
		case int(o) > from:
			p.Of[i]--
		}
	}
	p.found--
}

// sums are what the weighted colours of each colour's pixels on the lattice add up
// to; the fourth counts them.
func (p *Parts) sums(f *Face, wt []lab32) (sum [maxColours][4]float64) {
	step := f.lattice()
	for y := 0; y < f.Size; y += step {
		for i := y * f.Size; i < (y+1)*f.Size; i += step {
			if o := p.Of[i]; o >= 0 {
				c, w := &sum[o&(maxColours-1)], &wt[i]
				c[0] += float64(w[0])
				c[1] += float64(w[1])
				c[2] += float64(w[2])
				c[3]++
			}
		}
	}
	return sum
}

// meetings are where two colours meet in the rows and columns of the face: the
// number of the first pixel twice, and one more where the second lies below
// it. The buffer is lent.
func (p *Parts) meetings(f *Face) []int32 {
	n := f.Size
	return kernels.Meetings(ints.list(2*n*n), p.Of, n)
}

// borders notes, wherever two colours meet, how much of their difference lies
// close to the border. Pairs are at index k*found+l with k < l; their steps lie in room,
// which is lent.
func (p *Parts) borders(f *Face, wt []lab32, sum *[maxColours][4]float64, meet []int32) (out []border, room []float64) {
	out = make([]border, p.found*p.found)
	steps, pairs := floats.list(len(meet)), bytes.list(len(meet)) // and whose each is
	defer func() {
		floats.give(steps)
		bytes.give(pairs)
	}()
	var count [maxColours * maxColours]int
	var centre [maxColours][3]float64
	for k := range centre {
		for q := range centre[k] {
			centre[k][q] = sum[k][q] / math.Max(1, sum[k][3])
		}
	}
	reach := borderReach(f)
	for _, m := range meet {
		i, d := int(m/2), 1
		if m%2 == 1 {
			d = f.Size
		}
		j := i + d
		a, b := p.Of[i], p.Of[j]
		if b == a { // joined since
			continue
		}
		k, l := int(a), int(b)
		if k > l {
			k, l = l, k
		}
		e := &out[k*p.found+l]
		e.length++
		u, v := i-(reach-1)*d, j+(reach-1)*d
		if u < 0 || v >= len(p.Of) || p.Of[u] != a || p.Of[v] != b {
			continue
		}
		su, sv, ca, cb := &wt[u], &wt[v], &centre[a], &centre[b]
		dot, dd := 0.0, 0.0
		for q := range su {
			c := cb[q] - ca[q]
			dot += c * float64(sv[q]-su[q])
			dd += c * c
		}
		if dd > 0 {
			pair := k*p.found + l
			steps, pairs = append(steps, dot/dd), append(pairs, uint8(pair))
			count[pair]++
		}
	}
	room = floats.take(len(steps))
	left := room
	for k := range out {
		out[k].steps, left = left[:0:count[k]], left[count[k]:]
	}
	for i, k := range pairs {
		out[k].steps = append(out[k].steps, steps[i])
	}
	return out, room
}

// Limits for ribbons that are one ribbon.
const (
	// sameHueDeg is how far hues of one ribbon in more or less light, or more
	// or less deep, may differ.
	sameHueDeg = 18.0
	// hueSlack is the same as a distance across that hue, CIELAB, which counts
	// for pale colours.
	hueSlack = 4.5
	// paleChroma is the chroma against the paper below which a colour has no
	// hue to speak of.
	paleChroma = 6.0
)

// settleRibbons joins ribbon colours that are one ribbon in different light or
// depth: of one hue, or one a mixture of others. On an opaque marble the base's
// own shaded side is no ribbon either.
func (p *Parts) settleRibbons(f *Face, s Shadow, opaque bool) {
	for {
		k := p.likeBase(f, s, opaque)
		if k < 0 {
			break
		}
		p.joinBase(f, k)
	}
	for len(p.Colours) > 2 {
		a, b := p.oneRibbon(f)
		if a < 0 {
			return
		}
		p.joinColours(f, a, b)
	}
}

// oneRibbon finds two colours, neither of them the base, that are one ribbon:
// b is to be joined to a; a is -1 where there are none.
func (p *Parts) oneRibbon(f *Face) (a, b int) {
	neutral := [2]float64{f.PaperLab[1], f.PaperLab[2]}
	off := func(c Colour) (da, db, chroma float64) {
		da, db = c.Lab[1]-neutral[0], c.Lab[2]-neutral[1]
		return da, db, math.Hypot(da, db)
	}
	best := math.Inf(1)
	a, b = -1, -1
	for k := range p.Colours {
		for l := k + 1; l < len(p.Colours); l++ {
			if k == p.Base || l == p.Base {
				continue
			}
			ka, kb, kc := off(p.Colours[k])
			la, lb, lc := off(p.Colours[l])
			if kc < paleChroma || lc < paleChroma {
				continue
			}
			cross := math.Abs(ka*lb-kb*la) / math.Max(kc, lc) // of the weaker, across the stronger's hue
			angle := math.Atan2(math.Abs(ka*lb-kb*la), ka*la+kb*lb) * 180 / math.Pi
			if ka*la+kb*lb <= 0 || angle > sameHueDeg && cross > hueSlack {
				continue
			}
			if cross < best {
				best, a, b = cross, k, l
			}
		}
	}
	if a >= 0 {
		return a, b
	}
	// A mixture: on the line between two others, and less than either.
	for k := range p.Colours {
		if k == p.Base {
			continue
		}
		for i := range p.Colours {
			for j := i + 1; j < len(p.Colours); j++ {
				if i == k || j == k {
					continue
				}
				t, gap := along(p.Colours[i].Lab, p.Colours[j].Lab, p.Colours[k].Lab)
				if t < 0.1 || t > 0.9 || gap > mixtureGap {
					continue
				}
				if p.Colours[k].Share > math.Max(p.Colours[i].Share, p.Colours[j].Share) {
					continue
				}
				to := j
				if i != p.Base && (t < 0.5 || j == p.Base) {
					to = i
				}
				if p.Colours[k].Share < best {
					best, a, b = p.Colours[k].Share, to, k
				}
			}
		}
	}
	return a, b
}

// Limits for colours that are the base in other light.
const (
	shadeGap = 8.0 // difference of an opaque base's own in a* and b*
	greyGap  = 4.0 // the same for clear glass
	// shadeLeast is how dark an opaque base's own may be against it anywhere,
	// in linear light; further out, or towards the shadow, it may be darker.
	shadeLeast = 0.4
	shadeAway  = 0.12 // radii
	// A paler ring of the base's hue all around is what the surface mirrors at
	// grazing angles: it lies beyond ringOut and its middle is the face's.
	ringOut = 0.72
	ringOff = 0.25
	// greyLeast is how near two greys of clear glass must be to be one: white
	// ribbon lies further above the glass it is seen in, or can't be told.
	greyLeast = 0.66
	// greySharp is the least share of the step between two greys of clear glass
	// that lies at their border if one of them is white ribbon.
	greySharp = 0.6
)

// likeBase finds a colour that is the base in other light, -1 for none. Opaque
// glass is matte: it falls off in light towards its rim and its shadow, and
// brightens where the surface mirrors a window.
func (p *Parts) likeBase(f *Face, s Shadow, opaque bool) int {
	if p.Base < 0 {
		return -1
	}
	n := len(p.Colours)
	out, count := make([]float64, n), make([]float64, n)
	mean := make([][2]float64, n)
	xs := f.columns()
	defer floats.give(xs)
	w := walk{n: f.Size}
	for i, o := range p.Of {
		if o >= 0 {
			c, r := w.to(i)
			x, y := xs[c], xs[r]
			out[o] += math.Sqrt(x*x + y*y)
			mean[o][0] += x
			mean[o][1] += y
			count[o]++
		}
	}
	toward := make([]float64, n)
	for k := range out {
		c := math.Max(1, count[k])
		out[k] /= c
		mean[k][0] /= c
		mean[k][1] /= c
		toward[k] = mean[k][0]*s.X + mean[k][1]*s.Y
	}
	b := p.Colours[p.Base]
	var at []border
	if !opaque && !p.Tinted && n > 1 {
		p.found = n
		sum := p.sums(f, p.level)
		meet := p.meetings(f)
		var room []float64
		at, room = p.borders(f, p.level, &sum, meet)
		ints.give(meet)
		defer floats.give(room)
	}
	for k, c := range p.Colours {
		if k == p.Base {
			continue
		}
		if at != nil && math.Hypot(c.Lab[1]-b.Lab[1], c.Lab[2]-b.Lab[2]) < greyGap {
			e := at[min(k, p.Base)*n+max(k, p.Base)]
			if e.length > 0 && (len(e.steps) < 12 || 4*len(e.steps) < e.length || order.Median(e.steps) < greySharp) {
				return k
			}
		}
		if (opaque || p.Tinted) && out[k] > ringOut && math.Hypot(mean[k][0], mean[k][1]) < ringOff &&
			dimmed(b.Lab, c.Lab) < shadeGap && chroma(c.Lab) < chroma(b.Lab) {
			return k
		}
		gap := math.Hypot(c.Lab[1]-b.Lab[1], c.Lab[2]-b.Lab[2])
		yk, yb := colour.LabToLinear([3]float64{c.Lab[0], 0, 0})[1], colour.LabToLinear([3]float64{b.Lab[0], 0, 0})[1]
		ratio := math.Min(yk, yb) / math.Max(1e-6, math.Max(yk, yb))
		if !opaque {
			if gap < greyGap && !p.Tinted && ratio > greyLeast {
				return k
			}
			continue
		}
		away := out[k] > out[p.Base]+shadeAway || s.Seen && toward[k] > toward[p.Base]+shadeAway
		if gap < shadeGap && ratio > shadeLeast {
			return k
		}
		if away && yk < yb && dimmed(b.Lab, c.Lab) < shadeGap {
			return k
		}
	}
	return -1
}

// bubbleRoom is how far around a bubble's seen outline it changes what is seen,
// in its own radii.
const bubbleRoom = 1.35

// dropBubble gives colours that are seen in and around a bubble, and hardly
// elsewhere, to the base: a bubble shows the base's surroundings in small.
func (p *Parts) dropBubble(f *Face, b Bubble) {
	if !b.Present || p.Base < 0 {
		return
	}
	for {
		n := len(p.Colours)
		in, all := make([]float64, n), make([]float64, n)
		for i, o := range p.Of {
			if o < 0 {
				continue
			}
			all[o]++
			if x, y := f.XY(i); math.Hypot(x-b.X, y-b.Y) < bubbleRoom*b.R {
				in[o]++
			}
		}
		drop := -1
		for k := range in {
			if k != p.Base && in[k] > 0.6*all[k] {
				drop = k
			}
		}
		if drop < 0 {
			return
		}
		p.joinBase(f, drop)
	}
}

// dimmed is how far, in a* and b*, a colour lies from another one dimmed:
// CIELAB's a* and b* shrink together as light does, and gloss takes off more.
func dimmed(of, c [3]float64) float64 {
	cc := of[1]*of[1] + of[2]*of[2]
	t := 1.0
	if cc > 0 {
		t = math.Max(0.4, math.Min(1, (of[1]*c[1]+of[2]*c[2])/cc))
	}
	return math.Hypot(c[1]-t*of[1], c[2]-t*of[2])
}

// joinBase makes colour k part of the base, whose colour stays as it is.
func (p *Parts) joinBase(f *Face, k int) {
	lab := p.Colours[p.Base].Lab
	a, b := min(k, p.Base), max(k, p.Base)
	p.join(f, []int{a, b})
	p.Base = a
	p.Colours[a].Lab = lab
}

// mixtureGap is how far a mixture of two colours may lie off the line between
// them, CIELAB.
const mixtureGap = 7.0

// along is where c lies on the way from a to b (0..1), and how far off it.
func along(a, b, c [3]float64) (t, off float64) {
	a, b, c = weighted(a), weighted(b), weighted(c)
	dd := dist2(a, b)
	if dd == 0 {
		return 0, math.Sqrt(dist2(a, c))
	}
	for q := range a {
		t += (b[q] - a[q]) * (c[q] - a[q]) / dd
	}
	var at [3]float64
	for q := range a {
		at[q] = a[q] + t*(b[q]-a[q])
	}
	return t, math.Sqrt(dist2(at, c))
}

// joinColours makes colour b part of colour a.
func (p *Parts) joinColours(f *Face, a, b int) {
	base := p.Base
	p.join(f, []int{a, b})
	p.Base = base
	if base > b {
		p.Base--
	}
}
