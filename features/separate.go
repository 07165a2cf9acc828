package features

import (
	"math"
	"math/bits"
	"slices"
	"sort"

	"gonum.org/v1/gonum/mat"

	"tawsight/internal/kernels"
	"tawsight/internal/order"
)

// Colour is one colour of a face.
type Colour struct {
	Lab   [3]float64 // median CIELAB of its pure pixels
	Share float64    // of the usable face
}

// Parts is a face separated into colours.
type Parts struct {
	Colours []Colour // by share, largest first
	// Of is the colour of each pixel of the face, -1 where there is none (rim,
	// highlight, outside).
	Of []int8
	// Pure marks pixels away from borders between colours.
	Pure []bool
	// Base is the index of the base colour, -1 when the face has none that can
	// be told.
	Base int
	// Tinted says that the base is coloured glass.
	Tinted bool
	// Usable is the number of usable pixels.
	Usable int
	found  int // colours found by cluster
	// level is the face's smoothed, weighted CIELAB with the shading taken off
	// that all colours share, while the face is being looked at.
	level []lab32
	// Edge is the length of the borders between colours, in marble diameters.
	Edge float64
}

// lightnessWeight is what a lightness difference counts beside chroma when
// colours are told apart: shading changes lightness within one glass.
const lightnessWeight = 0.6

// Merging limits.
const (
	// sameColourMost and sameColourLeast bound the weighted CIELAB distance
	// below which two clusters are one colour under changing light. Between
	// them it is sameColourShare of the face's own span, since a pattern in
	// cloudy glass is pale throughout.
	sameColourMost  = 9
	sameColourLeast = 6
	sameColourShare = 0.28
	// leastShare is the least share of the face that counts as a colour.
	leastShare = 0.03
	// leastDistinct is the same for a colour at least standsOut from all others
	// (weighted CIELAB): a fine ribbon.
	leastDistinct = 0.012
	standsOut     = 22.0
	maxColours    = kernels.Colours
)

func weighted(lab [3]float64) [3]float64 {
	return [3]float64{lab[0] * lightnessWeight, lab[1], lab[2]}
}

// apart2 is dist2 of colours where they are: Go copies arrays that are handed
// over.
func apart2(a, b *[3]float64) float64 {
	d0, d1, d2 := a[0]-b[0], a[1]-b[1], a[2]-b[2]
	return d0*d0 + d1*d1 + d2*d2
}

func dist2(a, b [3]float64) float64 {
	return (a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2])
}

// lab32 is a weighted colour in half the room, so that more of a face is at hand
// to the processor.
type lab32 [3]float32

func (a *lab32) apart2(b *lab32) float32 {
	d0, d1, d2 := a[0]-b[0], a[1]-b[1], a[2]-b[2]
	return d0*d0 + d1*d1 + d2*d2
}

// wide is the colour in full.
func (a *lab32) wide() [3]float64 { return [3]float64{float64(a[0]), float64(a[1]), float64(a[2])} }

// separate clusters the usable pixels in CIELAB: k-means from far-apart seeds
// on pixels away from borders, near clusters merged, small ones given away.
func separate(f *Face) Parts {
	n := f.Size * f.Size
	p := Parts{Of: make([]int8, n), Pure: make([]bool, n), Base: -1}
	// The usable pixels, and those of them on the lattice.
	idx, some := ints.list(n), ints.list(n)
	step := f.lattice()
	for i := 0; i < n; i++ {
		p.Of[i] = -1
		if f.usable(i) {
			idx = append(idx, int32(i))
		}
	}
	for y := 0; y < f.Size; y += step {
		for i := y * f.Size; i < (y+1)*f.Size; i += step {
			if f.usable(i) {
				some = append(some, int32(i))
			}
		}
	}
	defer func() { ints.give(idx, some) }()
	p.Usable = len(idx)
	if len(idx) < 40 {
		return p
	}
	sm := smooth(f)
	// Pixels on a border mix two colours; the flatter half leads.
	grad := gradients(f, sm)
	gs := floats.list(len(some))
	for _, i := range some {
		gs = append(gs, float64(grad[i]))
	}
	limit := float32(math.Max(3*3, order.Nth(gs, len(gs)*55/100))) // squared
	floats.give(gs)
	// The flat ones lead; of the others those that stand out as much in colour
	// as a fine ribbon does come along, since it has no flat pixels at all.
	lead := bytes.zeroed(n) // 255 for those
	defer bytes.give(lead)
	for _, i := range idx {
		if grad[i] <= limit || ridge(sm, f, int(i)) {
			lead[i] = 255
		}
	}
	// Twice: the shading that the first separation shows within its colours is
	// taken off before the second, so that the lit and the shaded side of one
	// glass are one colour, and a white ribbon on pale glass is two.
	p.cluster(f, sm, idx, lead)
	flatten(f, sm, &p, idx)
	p.level = sm
	p.cluster(f, sm, idx, lead)
	if p.takeOffMirrored(f) > 0 {
		idx, some = p.still(idx), p.still(some)
		p.Usable = len(idx)
		p.cluster(f, sm, idx, lead)
	}
	most := 1.5 * 1.5 * limit
	kernels.Inside(p.Pure, p.Of, f.Size)
	for i, in := range p.Pure {
		p.Pure[i] = in && p.Of[i] >= 0 && grad[i] <= most
	}
	halves.give(grad)
	p.medians(f, idx, some)
	p.order()
	return p
}

// leastPure is the least number of pure pixels that a colour's median is taken
// from; where there are enoughPure of them on the lattice, those do.
const leastPure, enoughPure = 8, 100

// medians fills in the colours: the medians of their pure pixels, or of all where
// there are hardly any; some are the pixels on the lattice.
func (p *Parts) medians(f *Face, idx, some []int32) {
	p.Colours = make([]Colour, p.found)
	count, pure := kernels.Tally(p.Of, p.Pure)
	var few [maxColours]int32 // pure ones on the lattice
	for _, i := range some {
		if p.Pure[i] {
			few[p.Of[i]&(maxColours-1)]++
		}
	}
	var v [3][]float64
	for q := range v {
		v[q] = floats.list(len(idx))
	}
	defer func() { floats.give(v[:]...) }()
	for k := range p.Colours {
		c := &p.Colours[k]
		c.Share = float64(count[k]) / float64(len(idx))
		if count[k] == 0 {
			continue
		}
		from, all := some, false
		if few[k] < enoughPure {
			from, all = idx, pure[k] < leastPure
		}
		x, y, z := v[0][:0], v[1][:0], v[2][:0]
		for _, i := range from {
			if int(p.Of[i]) == k && (all || p.Pure[i]) {
				l := &f.Lab[i]
				x, y, z = append(x, l[0]), append(y, l[1]), append(z, l[2])
			}
		}
		c.Lab = [3]float64{order.Median(x), order.Median(y), order.Median(z)}
	}
}

// gradients are the largest squared distances of each pixel of glass from those
// beside it. The buffer is lent.
func gradients(f *Face, wt []lab32) []float32 {
	n := f.Size
	g, room := halves.take(n*n), halves.take(2*n)
	kernels.Steepness(g, wt, f.Mask, n, Glass, room)
	halves.give(room)
	return g
}

// still are those of the pixels that have a colour; the slice given is used up.
func (p *Parts) still(idx []int32) []int32 {
	out := idx[:0]
	for _, i := range idx {
		if p.Of[i] >= 0 {
			out = append(out, i)
		}
	}
	return out
}

// ridge says that a pixel is a crest or a trough of colour across one of the
// four lines through it: the middle of a fine ribbon, and never of a border.
func ridge(wt []lab32, f *Face, i int) bool {
	n := f.Size
	p := &wt[i]
	for _, d := range [4]int{1, n, n + 1, n - 1} {
		a, b := i-2*d, i+2*d
		if a < 0 || b >= n*n || f.Mask[a]&Glass == 0 || f.Mask[b]&Glass == 0 {
			continue
		}
		u, v := &wt[a], &wt[b]
		// Both sides differ from the middle, and the same way.
		lu, lv := p.apart2(u), p.apart2(v)
		if lu <= ridgeLeast*ridgeLeast || lv <= ridgeLeast*ridgeLeast {
			continue
		}
		dot := (u[0]-p[0])*(v[0]-p[0]) + (u[1]-p[1])*(v[1]-p[1]) + (u[2]-p[2])*(v[2]-p[2])
		if dot > 0 && dot*dot > 0.3*0.3*lu*lv {
			return true
		}
	}
	return false
}

// ridgeLeast is the least weighted CIELAB distance of a ridge from both sides.
const ridgeLeast = 5.0

// cluster gives each pixel a colour's number; found says how many there are. wt
// are the pixels' weighted colours; lead is above 0 for those that lead.
func (p *Parts) cluster(f *Face, wt []lab32, idx []int32, lead []uint8) {
	cells := sortColours(wt, idx, lead)
	defer cells.close()
	mean, weight := cells.leading()
	centres := kmeans(mean, weight, maxColours)
	centres = merge(centres, math.Max(sameColourLeast, math.Min(sameColourMost, sameColourShare*cells.span())))
	centres = giveAway(centres, mean, weight)
	triples.give(mean)
	floats.give(weight)
	kernels.Closest(p.Of, wt, idx, centres)
	// drop takes a centre away and gives its pixels to those that are left.
	drop := func(gone int) {
		centres = append(centres[:gone], centres[gone+1:]...)
		free := ints.list(len(idx))
		for _, i := range idx {
			switch o := int(p.Of[i]); {
			case o == gone:
				free = append(free, i)
			case o > gone:
				p.Of[i]--
			}
		}
		kernels.Closest(p.Of, wt, free, centres)
		ints.give(free)
	}
	// Borders between two colours make a third that is none: thin, and between
	// the two. Drop such, the thinnest first.
	for len(centres) > 2 {
		at := p.thinnest(f, centres)
		if at < 0 {
			break
		}
		drop(at)
	}
	p.found = len(centres)
	p.fromFlat(f, wt, centres, lead)
	p.joinSoft(f, wt)
}

// giveAway takes small clusters away, the smallest first: each goes to those
// nearest to its colours.
func giveAway(centres, mean [][3]float64, weight []float64) [][3]float64 {
	for len(centres) > 1 {
		near := newNearby(centres)
		var count [maxColours]float64
		total, at := 0.0, 0
		for j, w := range weight {
			at, _ = near.nearest(&mean[j], at)
			count[at] += w
			total += w
		}
		least, gone := 1.0, -1
		for k := range centres {
			// A colour that stands out may be small.
			need := leastShare
			if apart(centres, k) > standsOut {
				need = leastDistinct
			}
			if share := count[k] / total / need; share < least {
				least, gone = share, k
			}
		}
		if gone < 0 {
			break
		}
		centres = append(centres[:gone], centres[gone+1:]...)
	}
	return centres
}

// thinnest is the colour that is no more than the border between two others; -1
// where there is no such.
func (p *Parts) thinnest(f *Face, centres [][3]float64) int {
	var may [maxColours]bool
	any := false
	for k := range centres {
		may[k] = between(centres, k)
		any = any || may[k]
	}
	if !any {
		return -1
	}
	in := flags.take(len(p.Of))
	kernels.Inside(in, p.Of, f.Size)
	count, core := kernels.Tally(p.Of, in)
	flags.give(in)
	worst, at := transitionCore, -1
	for k := range centres {
		if !may[k] {
			continue
		}
		if count[k] == 0 {
			return k
		}
		if c := float64(core[k]) / float64(count[k]); c < worst {
			worst, at = c, k
		}
	}
	return at
}

// fromFlat gives each pixel on a border the nearest colour among those that lie
// flat beside it: half-way between blue and white is a grey that is nowhere
// else, and not a third colour.
func (p *Parts) fromFlat(f *Face, wt []lab32, centres [][3]float64, lead []uint8) {
	n, reach := f.Size, borderReach(f)
	// The colours that lie flat here and within reach, a bit each.
	is, near, room := bytes.take(n*n), bytes.take(n*n), bytes.take(kernels.FlatRoom(n, reach))
	defer bytes.give(is, near, room)
	kernels.FlatAround(near, is, p.Of, lead, n, reach, room)
	near, is = near[:len(p.Of)], is[:len(p.Of)]
	for i, o := range p.Of {
		set := near[i]
		if o < 0 || is[i] != 0 || set == 0 {
			continue
		}
		if set&(set-1) == 0 { // one colour
			p.Of[i] = int8(bits.TrailingZeros8(set))
			continue
		}
		v := wt[i].wide()
		best := math.Inf(1)
		for ; set != 0; set &= set - 1 {
			k := bits.TrailingZeros8(set)
			if d := apart2(&v, &centres[k]); d < best {
				best, p.Of[i] = d, int8(k)
			}
		}
	}
}

// flatten takes off the lightness that varies with the place within colours: a
// plane and a bowl, fitted to all colours together.
func flatten(f *Face, wt []lab32, p *Parts, idx []int32) {
	// What each colour's places add up to: x, y, r2, L and their products.
	var sums [maxColours]struct{ n, x, y, q, l, xx, xy, xq, yy, yq, qq, xl, yl, ql float64 }
	xs := f.columns()
	defer floats.give(xs)
	step := f.lattice()
	for row := 0; row < f.Size; row += step {
		for column := 0; column < f.Size; column += step {
			i := row*f.Size + column
			if p.Of[i] < 0 {
				continue
			}
			x, y, l := xs[column], xs[row], float64(wt[i][0])
			q := x*x + y*y
			m := &sums[p.Of[i]]
			m.n++
			m.x += x
			m.y += y
			m.q += q
			m.l += l
			m.xx += x * x
			m.xy += x * y
			m.xq += x * q
			m.yy += y * y
			m.yq += y * q
			m.qq += q * q
			m.xl += x * l
			m.yl += y * l
			m.ql += q * l
		}
	}
	var a [3][3]float64
	var b [3]float64
	total := 0.0
	for k := range sums {
		m := &sums[k]
		if m.n == 0 {
			continue
		}
		total += m.n
		a[0][0] += m.xx - m.x*m.x/m.n
		a[0][1] += m.xy - m.x*m.y/m.n
		a[0][2] += m.xq - m.x*m.q/m.n
		a[1][1] += m.yy - m.y*m.y/m.n
		a[1][2] += m.yq - m.y*m.q/m.n
		a[2][2] += m.qq - m.q*m.q/m.n
		b[0] += m.xl - m.x*m.l/m.n
		b[1] += m.yl - m.y*m.l/m.n
		b[2] += m.ql - m.q*m.l/m.n
	}
	sym := mat.NewSymDense(3, nil)
	for q := 0; q < 3; q++ {
		for r := q; r < 3; r++ {
			sym.SetSym(q, r, a[q][r])
		}
		sym.SetSym(q, q, a[q][q]+1e-3*total)
	}
	var chol mat.Cholesky
	var c mat.VecDense
	if !chol.Factorize(sym) || chol.SolveVecTo(&c, mat.NewVecDense(3, b[:])) != nil {
		return
	}
	c0, c1, c2 := c.AtVec(0), c.AtVec(1), c.AtVec(2)
	w := walk{n: f.Size}
	for _, i := range idx {
		c, r := w.to(int(i))
		x, y := xs[c], xs[r]
		wt[i][0] -= float32(c0*x + c1*y + c2*(x*x+y*y))
	}
}

// transitionCore is the share of a colour's pixels with only their own colour
// around them, below which it may be a border: a border is two or three pixels
// wide.
const transitionCore = 0.45

// between says that a cluster lies between two others, within a tenth of their
// distance and not near either.
func between(c [][3]float64, k int) bool {
	for i := range c {
		for j := i + 1; j < len(c); j++ {
			if i == k || j == k {
				continue
			}
			var d, e [3]float64
			dd, t := 0.0, 0.0
			for q := range d {
				d[q] = c[j][q] - c[i][q]
				e[q] = c[k][q] - c[i][q]
				dd += d[q] * d[q]
				t += d[q] * e[q]
			}
			if dd == 0 {
				continue
			}
			t /= dd
			if t < 0.12 || t > 0.88 {
				continue
			}
			off := 0.0
			for q := range d {
				r := e[q] - t*d[q]
				off += r * r
			}
			if off < math.Max(6*6, 0.15*0.15*dd) {
				return true
			}
		}
	}
	return false
}

// order sorts colours by share.
func (p *Parts) order() {
	perm := make([]int, len(p.Colours))
	for i := range perm {
		perm[i] = i
	}
	sort.SliceStable(perm, func(a, b int) bool { return p.Colours[perm[a]].Share > p.Colours[perm[b]].Share })
	inv := make([]int8, len(perm))
	out := make([]Colour, len(perm))
	for k, o := range perm {
		inv[o] = int8(k)
		out[k] = p.Colours[o]
	}
	p.Colours = out
	for i, c := range p.Of {
		if c >= 0 {
			p.Of[i] = inv[c]
		}
	}
}

// smooth is the face's weighted CIELAB after a 3 x 3 binomial filter over glass;
// elsewhere it says nothing. The buffer is lent.
func smooth(f *Face) []lab32 {
	n := f.Size
	out := lab32s.take(n * n)
	light, room := triples.take(n), triples.take(n)
	mixed := flags.take(n)
	defer func() {
		triples.give(light, room)
		flags.give(mixed)
	}()
	row := func(y int) kernels.Row { return kernels.Row{Light: f.Linear[y*n:][:n], Mask: f.Mask[y*n:][:n]} }
	isGlass := func(m uint8) bool { return m&Glass != 0 }
	for y := range n {
		mask := f.Mask[y*n:][:n]
		from := slices.IndexFunc(mask, isGlass)
		if from < 0 {
			continue
		}
		to := n
		for !isGlass(mask[to-1]) {
			to--
		}
		// Pixels of another kind have no part, nor has what lies beyond the face.
		if y > 0 && y < n-1 {
			kernels.Binomial(light, mixed, row(y-1), row(y), row(y+1), lightKinds, room)
			mixed[0], mixed[n-1] = true, true
		} else {
			for x := range mixed {
				mixed[x] = true
			}
		}
		for x := from; x < to; x++ {
			if mixed[x] && isGlass(mask[x]) {
				light[x] = f.smoothed(x, y)
			}
		}
		kernels.WeightedLab(out[y*n+from:y*n+to], light[from:to], lightnessWeight)
	}
	return out
}

// lightKinds are the bits of the mask that tell whose light a pixel shows.
const lightKinds = Glass | Highlight

// smoothed is the light at a pixel after the same filter where there are others
// than its own kind beside it, which have no part.
func (f *Face) smoothed(x, y int) [3]float64 {
	n := f.Size
	w := [3]float64{1, 2, 1}
	m := f.Mask[y*n+x] & lightKinds
	var s [3]float64
	sw := 0.0
	for b := -1; b <= 1; b++ {
		for a := -1; a <= 1; a++ {
			xx, yy := x+a, y+b
			if xx < 0 || yy < 0 || xx >= n || yy >= n {
				continue
			}
			j := yy*n + xx
			if f.Mask[j]&lightKinds != m {
				continue
			}
			k := w[a+1] * w[b+1]
			sw += k
			for q := range s {
				s[q] += k * f.Linear[j][q]
			}
		}
	}
	for q := range s {
		s[q] /= sw
	}
	return s
}

// apart is the distance of a cluster from the nearest other.
func apart(c [][3]float64, k int) float64 {
	best := math.Inf(1)
	for j := range c {
		if j != k {
			best = math.Min(best, dist2(c[j], c[k]))
		}
	}
	return math.Sqrt(best)
}

// merge joins the nearest two clusters until all are sameColour apart.
func merge(c [][3]float64, sameColour float64) [][3]float64 {
	w := make([]float64, len(c))
	for i := range w {
		w[i] = 1
	}
	for len(c) > 1 {
		best, a, b := math.Inf(1), 0, 0
		for i := range c {
			for j := i + 1; j < len(c); j++ {
				if d := dist2(c[i], c[j]); d < best {
					best, a, b = d, i, j
				}
			}
		}
		if best >= sameColour*sameColour {
			break
		}
		for q := range c[a] {
			c[a][q] = (c[a][q]*w[a] + c[b][q]*w[b]) / (w[a] + w[b])
		}
		w[a] += w[b]
		c = append(c[:b], c[b+1:]...)
		w = append(w[:b], w[b+1:]...)
	}
	return c
}

// edgeLength is the length of borders between colours over the usable face, in
// marble diameters. Borders run through a pixel grid, which lengthens slanted
// ones by 4/pi on average.
func edgeLength(f *Face, p *Parts) float64 {
	meet := p.meetings(f)
	cross := len(meet)
	ints.give(meet)
	if cross == 0 {
		return 0
	}
	return float64(cross) * math.Pi / 4 / (2 * f.Radius)
}
