package features

import (
	"encoding/binary"
	"math"
	mathbits "math/bits"
	"sort"

	"gonum.org/v1/gonum/mat"

	"tawsight/internal/colour"
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
	level [][3]float64
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
	maxColours    = 8
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

// separate clusters the usable pixels in CIELAB: k-means from far-apart seeds
// on pixels away from borders, near clusters merged, small ones given away.
func separate(f *Face) Parts {
	n := f.Size * f.Size
	p := Parts{Of: make([]int8, n), Pure: make([]bool, n), Base: -1}
	idx := ints.list(n)
	for i := 0; i < n; i++ {
		p.Of[i] = -1
		if f.usable(i) {
			idx = append(idx, int32(i))
		}
	}
	defer func() { ints.give(idx) }()
	p.Usable = len(idx)
	if len(idx) < 40 {
		return p
	}
	sm := smooth(f)
	// The lightness is kept beside: shading is taken off it.
	light := floats.take(n)
	for i, m := range f.Mask {
		if m&Glass != 0 {
			light[i] = sm[i][0]
			sm[i][0] *= lightnessWeight
		}
	}
	defer floats.give(light)
	// Pixels on a border mix two colours; the flatter half leads.
	grad := gradients(f, sm)
	gs := floats.take(len(idx))
	for j, i := range idx {
		gs[j] = grad[i]
	}
	limit := math.Max(3*3, nth(gs, len(gs)*55/100)) // squared
	floats.give(gs)
	// The flat ones lead; of the others those that stand out as much in colour
	// as a fine ribbon does come along, since it has no flat pixels at all.
	lead := flags.zeroed(n)
	defer flags.give(lead)
	for _, i := range idx {
		lead[i] = grad[i] <= limit || ridge(sm, f, int(i))
	}
	// Twice: the shading that the first separation shows within its colours is
	// taken off before the second, so that the lit and the shaded side of one
	// glass are one colour, and a white ribbon on pale glass is two.
	p.cluster(f, sm, idx, lead)
	flatten(f, sm, light, &p, idx)
	p.level = sm
	p.cluster(f, sm, idx, lead)
	if p.takeOffMirrored(f) > 0 {
		idx = p.still(idx)
		p.Usable = len(idx)
		p.cluster(f, sm, idx, lead)
	}
	// Medians of pure pixels.
	most := 1.5 * 1.5 * limit
	for _, i := range idx {
		p.Pure[i] = p.Of[i] >= 0 && grad[i] <= most && inside(&p, f, int(i))
	}
	floats.give(grad)
	p.Colours = make([]Colour, p.found)
	var v [3][]float64
	for q := range v {
		v[q] = floats.take(len(idx) + 8)
	}
	for k := range p.Colours {
		total, m := 0, 0
		for _, i := range idx {
			if int(p.Of[i]) != k {
				continue
			}
			total++
			if p.Pure[i] {
				for q := range v {
					v[q][m] = f.Lab[i][q]
				}
				m++
			}
		}
		if m < 8 {
			for _, i := range idx {
				if int(p.Of[i]) == k {
					for q := range v {
						v[q][m] = f.Lab[i][q]
					}
					m++
				}
			}
		}
		c := Colour{Share: float64(total) / float64(len(idx))}
		for q := range v {
			if m > 0 {
				c.Lab[q] = middle(v[q][:m])
			}
		}
		p.Colours[k] = c
	}
	floats.give(v[:]...)
	p.order()
	p.Edge = edgeLength(f, &p)
	return p
}

// gradients are the largest squared weighted distances of each pixel of glass
// from those beside it.
func gradients(f *Face, wt [][3]float64) []float64 {
	n := f.Size
	g := floats.zeroed(n * n)
	for i, m := range f.Mask {
		if m&Glass == 0 {
			continue
		}
		own := g[i]
		for _, d := range [2]int{1, n} {
			if j := i + d; j < n*n && f.Mask[j]&Glass != 0 {
				v := apart2(&wt[i], &wt[j])
				own = max(own, v)
				g[j] = max(g[j], v)
			}
		}
		g[i] = own
	}
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
func ridge(wt [][3]float64, f *Face, i int) bool {
	n := f.Size
	p := &wt[i]
	for _, d := range [4]int{1, n, n + 1, n - 1} {
		a, b := i-2*d, i+2*d
		if a < 0 || b >= n*n || f.Mask[a]&Glass == 0 || f.Mask[b]&Glass == 0 {
			continue
		}
		u, v := &wt[a], &wt[b]
		// Both sides differ from the middle, and the same way.
		var dot, lu, lv float64
		for q := range p {
			du, dv := u[q]-p[q], v[q]-p[q]
			dot += du * dv
			lu += du * du
			lv += dv * dv
		}
		if lu > ridgeLeast*ridgeLeast && lv > ridgeLeast*ridgeLeast && dot > 0.3*math.Sqrt(lu*lv) {
			return true
		}
	}
	return false
}

// ridgeLeast is the least weighted CIELAB distance of a ridge from both sides.
const ridgeLeast = 5.0

// cluster gives each pixel a colour's number; found says how many there are. wt
// are the pixels' weighted colours; lead says which of the face's pixels lead.
func (p *Parts) cluster(f *Face, wt [][3]float64, idx []int32, lead []bool) {
	cells := sortColours(wt, idx, lead)
	defer cells.close()
	mean, weight := cells.leading()
	centres := kmeans(mean, weight, maxColours)
	centres = merge(centres, math.Max(sameColourLeast, math.Min(sameColourMost, sameColourShare*cells.span())))
	centres = giveAway(centres, mean, weight)
	triples.give(mean)
	floats.give(weight)
	near := newNearby(centres)
	guesses := cells.guess(centres)
	for j, i := range idx {
		g := guesses[cells.of[j]]
		at := int(g.at)
		if !g.sure {
			at, _ = near.nearest(&wt[i], at)
		}
		p.Of[i] = int8(at)
	}
	guessPool.give(guesses)
	// drop takes a centre away and gives its pixels to those that are left.
	drop := func(gone int) {
		centres = append(centres[:gone], centres[gone+1:]...)
		near = newNearby(centres)
		at := 0
		for _, i := range idx {
			switch o := int(p.Of[i]); {
			case o == gone:
				at, _ = near.nearest(&wt[i], at)
				p.Of[i] = int8(at)
			case o > gone:
				p.Of[i]--
			}
		}
	}
	// Borders between two colours make a third that is none: thin, and between
	// the two. Drop such, the thinnest first.
	for len(centres) > 2 {
		at := p.thinnest(f, centres, idx)
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

// thinnest is the colour that is no more than the border between two others,
// or none at all; -1 where there is no such.
func (p *Parts) thinnest(f *Face, centres [][3]float64, idx []int32) int {
	var count, core [maxColours]float64
	for _, i := range idx {
		count[p.Of[i]]++
	}
	var may [maxColours]bool
	any := false
	for k := range centres {
		if count[k] == 0 {
			return k
		}
		may[k] = between(centres, k)
		any = any || may[k]
	}
	if !any {
		return -1
	}
	for _, i := range idx {
		if o := p.Of[i]; may[o] && inside(p, f, int(i)) {
			core[o]++
		}
	}
	worst, at := transitionCore, -1
	for k := range centres {
		if c := core[k] / count[k]; may[k] && c < worst {
			worst, at = c, k
		}
	}
	return at
}

// fromFlat gives each pixel on a border the nearest colour among those that lie
// flat beside it: half-way between blue and white is a grey that is nowhere
// else, and not a third colour.
func (p *Parts) fromFlat(f *Face, wt [][3]float64, centres [][3]float64, lead []bool) {
	n := f.Size
	reach := borderReach(f)
	// The colours that lie flat within reach, a bit each: along rows here, along
	// columns below.
	is, row := bytes.zeroed(n*n), bytes.take(n*n)
	defer bytes.give(is, row)
	for i, o := range p.Of {
		if o >= 0 && lead[i] {
			is[i] = 1 << o
		}
	}
	// Eight pixels at a time, with room for reach and for eight beyond the row.
	line := bytes.zeroed(n + 2*reach + 16)
	defer bytes.give(line)
	for y := range n {
		copy(line[reach:], is[y*n:(y+1)*n])
		out := row[y*n : (y+1)*n]
		for x := 0; x < n; x += 8 {
			var set uint64
			for d := 0; d <= 2*reach; d++ {
				set |= binary.LittleEndian.Uint64(line[x+d:])
			}
			if x+8 <= n {
				binary.LittleEndian.PutUint64(out[x:], set)
				continue
			}
			for ; x < n; x++ {
				out[x] = uint8(set)
				set >>= 8
			}
		}
	}
	for i, o := range p.Of {
		if o < 0 || is[i] != 0 {
			continue
		}
		set := row[i]
		for d := n; d <= reach*n; d += n {
			if i >= d {
				set |= row[i-d]
			}
			if i+d < len(row) {
				set |= row[i+d]
			}
		}
		if set&(set-1) == 0 { // one colour or none
			if set != 0 {
				p.Of[i] = int8(mathbits.TrailingZeros8(set))
			}
			continue
		}
		best := math.Inf(1)
		for k := range centres {
			if set&(1<<k) == 0 {
				continue
			}
			if d := apart2(&wt[i], &centres[k]); d < best {
				best, p.Of[i] = d, int8(k)
			}
		}
	}
}

// flatten takes off the lightness that varies with the place within colours: a
// plane and a bowl, fitted to all colours together. wt is weighted, light the
// lightness as it is.
func flatten(f *Face, wt [][3]float64, light []float64, p *Parts, idx []int32) {
	var mean [maxColours][4]float64 // x, y, r2, L
	var count [maxColours]float64
	xs := f.columns()
	defer floats.give(xs)
	w := walk{n: f.Size}
	for _, i := range idx {
		k := p.Of[i]
		c, r := w.to(int(i))
		x, y := xs[c], xs[r]
		m := &mean[k]
		count[k]++
		m[0] += x
		m[1] += y
		m[2] += x*x + y*y
		m[3] += light[i]
	}
	for k := range mean {
		for q := range mean[k] {
			mean[k][q] /= math.Max(1, count[k])
		}
	}
	var a [3][3]float64
	var b [3]float64
	w = walk{n: f.Size}
	for _, i := range idx {
		m := &mean[p.Of[i]]
		c, r := w.to(int(i))
		x, y := xs[c], xs[r]
		u, v, q, l := x-m[0], y-m[1], x*x+y*y-m[2], light[i]-m[3]
		a[0][0] += u * u
		a[0][1] += u * v
		a[0][2] += u * q
		a[1][1] += v * v
		a[1][2] += v * q
		a[2][2] += q * q
		b[0] += u * l
		b[1] += v * l
		b[2] += q * l
	}
	sym := mat.NewSymDense(3, nil)
	for q := 0; q < 3; q++ {
		for r := q; r < 3; r++ {
			sym.SetSym(q, r, a[q][r])
		}
		sym.SetSym(q, q, a[q][q]+1e-3*float64(len(idx)))
	}
	var chol mat.Cholesky
	var c mat.VecDense
	if !chol.Factorize(sym) || chol.SolveVecTo(&c, mat.NewVecDense(3, b[:])) != nil {
		return
	}
	c0, c1, c2 := c.AtVec(0), c.AtVec(1), c.AtVec(2)
	w = walk{n: f.Size}
	for _, i := range idx {
		c, r := w.to(int(i))
		x, y := xs[c], xs[r]
		l := light[i] - c0*x
		l -= c1 * y
		l -= c2 * (x*x + y*y)
		wt[i][0] = l * lightnessWeight
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

// inside says that a pixel's four neighbours are of its colour.
func inside(p *Parts, f *Face, i int) bool {
	n, o := f.Size, p.Of[i]
	if i < n || i >= len(p.Of)-n {
		return false
	}
	other := func(v int8) bool { return v >= 0 && v != o }
	return !other(p.Of[i+1]) && !other(p.Of[i-1]) && !other(p.Of[i+n]) && !other(p.Of[i-n])
}

// smooth is the face's CIELAB after a 3 x 3 binomial filter over glass; elsewhere
// it says nothing. The buffer is lent.
func smooth(f *Face) [][3]float64 {
	n := f.Size
	out := triples.take(n * n)
	const kind = Glass | Highlight
	// Of three pixels above each other: their weighted light, and which kinds are
	// among them and are all of them.
	type column struct {
		sum      [3]float64
		any, all uint8
	}
	columns := make([]column, n)
	for y := range n {
		if y > 0 && y < n-1 {
			up, mid, down := f.Linear[(y-1)*n:][:n], f.Linear[y*n:][:n], f.Linear[(y+1)*n:][:n]
			mu, mm, md := f.Mask[(y-1)*n:][:n], f.Mask[y*n:][:n], f.Mask[(y+1)*n:][:n]
			for x := range columns {
				c := &columns[x]
				c.any, c.all = (mu[x]|mm[x]|md[x])&kind, mu[x]&mm[x]&md[x]&kind
				if c.any&Glass == 0 {
					continue
				}
				u, m, d := &up[x], &mid[x], &down[x]
				c.sum = [3]float64{u[0] + 2*m[0] + d[0], u[1] + 2*m[1] + d[1], u[2] + 2*m[2] + d[2]}
			}
		}
		for x, m := range f.Mask[y*n : (y+1)*n] {
			if m&Glass == 0 {
				continue
			}
			if x > 0 && y > 0 && x < n-1 && y < n-1 {
				c := (*[3]column)(columns[x-1:])
				m &= kind
				if c[0].any|c[1].any|c[2].any == m && c[0].all&c[1].all&c[2].all == m {
					out[y*n+x] = colour.LinearToLabFast([3]float64{
						(c[0].sum[0] + 2*c[1].sum[0] + c[2].sum[0]) * (1.0 / 16),
						(c[0].sum[1] + 2*c[1].sum[1] + c[2].sum[1]) * (1.0 / 16),
						(c[0].sum[2] + 2*c[1].sum[2] + c[2].sum[2]) * (1.0 / 16),
					})
					continue
				}
			}
			out[y*n+x] = f.smoothed(x, y)
		}
	}
	return out
}

// smoothed is smooth at a pixel beside which there are others than its own kind,
// which have no part.
func (f *Face) smoothed(x, y int) [3]float64 {
	n := f.Size
	w := [3]float64{1, 2, 1}
	const kind = Glass | Highlight
	m := f.Mask[y*n+x] & kind
	var s [3]float64
	sw := 0.0
	for b := -1; b <= 1; b++ {
		for a := -1; a <= 1; a++ {
			xx, yy := x+a, y+b
			if xx < 0 || yy < 0 || xx >= n || yy >= n {
				continue
			}
			j := yy*n + xx
			if f.Mask[j]&kind != m {
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
	return colour.LinearToLabFast(s)
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
	cross := 0
	for i, c := range p.Of {
		if c < 0 {
			continue
		}
		for _, d := range [2]int{1, f.Size} {
			if j := i + d; j < len(p.Of) && p.Of[j] >= 0 && p.Of[j] != c {
				cross++
			}
		}
	}
	return float64(cross) * math.Pi / 4 / (2 * f.Radius)
}
