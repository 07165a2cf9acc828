package features

import (
	"math"
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
	// level is the face's smoothed CIELAB with the shading taken off that all
	// colours share.
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

func dist2(a, b [3]float64) float64 {
	return (a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2])
}

// separate clusters the usable pixels in CIELAB: k-means from far-apart seeds
// on pixels away from borders, near clusters merged, small ones given away.
func separate(f *Face) Parts {
	n := f.Size * f.Size
	p := Parts{Of: make([]int8, n), Pure: make([]bool, n), Base: -1}
	var idx []int
	sm := smooth(f)
	for i := 0; i < n; i++ {
		p.Of[i] = -1
		if f.usable(i) {
			idx = append(idx, i)
		}
	}
	p.Usable = len(idx)
	if len(idx) < 40 {
		return p
	}
	// Pixels on a border mix two colours; the flatter half leads.
	grad := make([]float64, n)
	var gs []float64
	for _, i := range idx {
		g := 0.0
		for _, d := range [4]int{1, -1, f.Size, -f.Size} {
			if j := i + d; j >= 0 && j < n && f.Mask[j]&Glass != 0 {
				g = math.Max(g, dist2(weighted(sm[i]), weighted(sm[j])))
			}
		}
		grad[i] = math.Sqrt(g)
		gs = append(gs, grad[i])
	}
	limit := math.Max(3, nth(gs, len(gs)*55/100))
	// The flat ones lead; of the others those that stand out as much in colour
	// as a fine ribbon does come along, since it has no flat pixels at all.
	var flat []int
	for _, i := range idx {
		if grad[i] <= limit || ridge(sm, f, i) {
			flat = append(flat, i)
		}
	}
	// Twice: the shading that the first separation shows within its colours is
	// taken off before the second, so that the lit and the shaded side of one
	// glass are one colour, and a white ribbon on pale glass is two.
	p.cluster(f, sm, grad, idx, flat)
	flatten(f, sm, &p, idx)
	p.level = sm
	p.cluster(f, sm, grad, idx, flat)
	if p.takeOffMirrored(f) > 0 {
		idx, flat = p.still(idx), p.still(flat)
		p.Usable = len(idx)
		p.cluster(f, sm, grad, idx, flat)
	}
	centres := make([][3]float64, p.found)
	// Medians of pure pixels.
	for i := range grad {
		p.Pure[i] = p.Of[i] >= 0 && grad[i] <= 1.5*limit && inside(&p, f, i)
	}
	p.Colours = make([]Colour, len(centres))
	for k := range centres {
		var v [3][]float64
		total := 0
		for _, i := range idx {
			if int(p.Of[i]) != k {
				continue
			}
			total++
			if p.Pure[i] {
				for q := range v {
					v[q] = append(v[q], f.Lab[i][q])
				}
			}
		}
		if len(v[0]) < 8 {
			for _, i := range idx {
				if int(p.Of[i]) == k {
					for q := range v {
						v[q] = append(v[q], f.Lab[i][q])
					}
				}
			}
		}
		c := Colour{Share: float64(total) / float64(len(idx))}
		for q := range v {
			if len(v[q]) > 0 {
				c.Lab[q] = middle(v[q])
			}
		}
		p.Colours[k] = c
	}
	p.order()
	p.Edge = edgeLength(f, &p)
	return p
}

// still are those of the pixels that have a colour.
func (p *Parts) still(idx []int) []int {
	var out []int
	for _, i := range idx {
		if p.Of[i] >= 0 {
			out = append(out, i)
		}
	}
	return out
}

// ridge says that a pixel is a crest or a trough of colour across one of the
// four lines through it: the middle of a fine ribbon, and never of a border.
func ridge(sm [][3]float64, f *Face, i int) bool {
	n := f.Size
	for _, d := range [4]int{1, n, n + 1, n - 1} {
		a, b := i-2*d, i+2*d
		if a < 0 || b >= n*n || f.Mask[a]&Glass == 0 || f.Mask[b]&Glass == 0 {
			continue
		}
		p, u, v := weighted(sm[i]), weighted(sm[a]), weighted(sm[b])
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

// cluster gives each pixel a colour's number; found says how many there are.
func (p *Parts) cluster(f *Face, sm [][3]float64, grad []float64, idx, flat []int) {
	wt := make([][3]float64, len(sm))
	for _, i := range idx {
		wt[i] = weighted(sm[i])
	}
	centres := kmeans(wt, flat, maxColours)
	centres = merge(centres, math.Max(sameColourLeast, math.Min(sameColourMost, sameColourShare*span(sm, idx))))
	assign := func() {
		for _, i := range idx {
			p.Of[i] = int8(nearest(centres, wt[i]))
		}
	}
	// Small ones are given away.
	for {
		count := make([]int, len(centres))
		assign()
		for _, i := range flat {
			count[p.Of[i]]++
		}
		least, at := 1.0, -1
		for k, c := range count {
			// A colour that stands out may be small.
			need := leastShare
			if apart(centres, k) > standsOut {
				need = leastDistinct
			}
			if share := float64(c) / float64(len(flat)) / need; share < least {
				least, at = share, k
			}
		}
		if at < 0 || len(centres) == 1 {
			break
		}
		centres = append(centres[:at], centres[at+1:]...)
	}
	// Borders between two colours make a third that is none: thin, and between
	// the two. Drop such, the thinnest first.
	for len(centres) > 2 {
		assign()
		count := make([]float64, len(centres))
		core := make([]float64, len(centres))
		for _, i := range idx {
			count[p.Of[i]]++
			if inside(p, f, i) {
				core[p.Of[i]]++
			}
		}
		worst, at := transitionCore, -1
		for k := range centres {
			if count[k] == 0 {
				worst, at = 0, k
				break
			}
			if c := core[k] / count[k]; c < worst && between(centres, k) {
				worst, at = c, k
			}
		}
		if at < 0 {
			break
		}
		centres = append(centres[:at], centres[at+1:]...)
	}
	assign()
	p.found = len(centres)
	p.fromFlat(f, sm, centres, flat)
	p.joinSoft(f, sm)
}

// fromFlat gives each pixel on a border the nearest colour among those that lie
// flat beside it: half-way between blue and white is a grey that is nowhere
// else, and not a third colour.
func (p *Parts) fromFlat(f *Face, sm [][3]float64, centres [][3]float64, flat []int) {
	n := f.Size
	is := make([]bool, n*n)
	for _, i := range flat {
		is[i] = true
	}
	was := append([]int8(nil), p.Of...)
	reach := borderReach(f)
	for i, o := range was {
		if o < 0 || is[i] {
			continue
		}
		v := weighted(sm[i])
		best := math.Inf(1)
		x, y := i%n, i/n
		for b := max(0, y-reach); b <= min(n-1, y+reach); b++ {
			for a := max(0, x-reach); a <= min(n-1, x+reach); a++ {
				j := b*n + a
				if !is[j] || was[j] < 0 {
					continue
				}
				if d := dist2(v, centres[was[j]]); d < best {
					best, p.Of[i] = d, was[j]
				}
			}
		}
	}
}

// flatten takes off the lightness that varies with the place within colours: a
// plane and a bowl, fitted to all colours together.
func flatten(f *Face, sm [][3]float64, p *Parts, idx []int) {
	var mean [maxColours][4]float64 // x, y, r2, L
	var count [maxColours]float64
	at := func(i int) [3]float64 {
		x, y := f.XY(i)
		return [3]float64{x, y, x*x + y*y}
	}
	for _, i := range idx {
		k := p.Of[i]
		u := at(i)
		count[k]++
		for q := range u {
			mean[k][q] += u[q]
		}
		mean[k][3] += sm[i][0]
	}
	for k := range mean {
		for q := range mean[k] {
			mean[k][q] /= math.Max(1, count[k])
		}
	}
	a := mat.NewSymDense(3, nil)
	b := mat.NewVecDense(3, nil)
	for _, i := range idx {
		k := p.Of[i]
		u := at(i)
		for q := 0; q < 3; q++ {
			for r := q; r < 3; r++ {
				a.SetSym(q, r, a.At(q, r)+(u[q]-mean[k][q])*(u[r]-mean[k][r]))
			}
			b.SetVec(q, b.AtVec(q)+(u[q]-mean[k][q])*(sm[i][0]-mean[k][3]))
		}
	}
	for q := 0; q < 3; q++ {
		a.SetSym(q, q, a.At(q, q)+1e-3*float64(len(idx)))
	}
	var chol mat.Cholesky
	var c mat.VecDense
	if !chol.Factorize(a) || chol.SolveVecTo(&c, b) != nil {
		return
	}
	for _, i := range idx {
		u := at(i)
		for q := 0; q < 3; q++ {
			sm[i][0] -= c.AtVec(q) * u[q]
		}
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
	for _, d := range [4]int{1, -1, f.Size, -f.Size} {
		j := i + d
		if j < 0 || j >= len(p.Of) {
			return false
		}
		if p.Of[j] >= 0 && p.Of[j] != p.Of[i] {
			return false
		}
	}
	return true
}

// smooth is the face's CIELAB after a 3 x 3 binomial filter over glass.
func smooth(f *Face) [][3]float64 {
	n := f.Size
	lin := make([][3]float64, n*n)
	w := [3]float64{1, 2, 1}
	for y := 0; y < n; y++ {
		for x := 0; x < n; x++ {
			i := y*n + x
			if f.Mask[i]&Glass == 0 {
				continue
			}
			var s [3]float64
			sw := 0.0
			for b := -1; b <= 1; b++ {
				for a := -1; a <= 1; a++ {
					xx, yy := x+a, y+b
					if xx < 0 || yy < 0 || xx >= n || yy >= n {
						continue
					}
					j := yy*n + xx
					if f.Mask[j]&Glass == 0 || (f.Mask[j]&Highlight) != (f.Mask[i]&Highlight) {
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
			lin[i] = colour.LinearToLabFast(s)
		}
	}
	return lin
}

func nearest(centres [][3]float64, v [3]float64) int {
	best, at := math.Inf(1), 0
	for k := range centres {
		c := &centres[k]
		d0, d1, d2 := c[0]-v[0], c[1]-v[1], c[2]-v[2]
		if d := d0*d0 + d1*d1 + d2*d2; d < best {
			best, at = d, k
		}
	}
	return at
}

// kmeans clusters the places idx of a picture from seeds chosen each as far as possible
// from those before (Gonzalez 1985), outliers aside.
func kmeans(wt [][3]float64, idx []int, k int) [][3]float64 {
	// Every so many of a large face: two thousand places show what colours there
	// are.
	step := 1 + len(idx)/clusterMost
	var v [][3]float64
	for j := 0; j < len(idx); j += step {
		v = append(v, wt[idx[j]])
	}
	var mid [3]float64
	for q := range mid {
		s := make([]float64, len(v))
		for j := range v {
			s[j] = v[j][q]
		}
		mid[q] = middle(s)
	}
	centres := [][3]float64{v[nearestOf(v, mid)]}
	d, rest := make([]float64, len(v)), make([]float64, len(v))
	for len(centres) < k {
		for j := range v {
			d[j] = dist2(v[j], centres[nearest(centres, v[j])])
		}
		// The far end, but not the last outlier: the 99 % point.
		copy(rest, d)
		cut := nth(rest, len(rest)*99/100)
		if cut < 4*4 {
			break
		}
		at := -1
		for j := range d {
			if d[j] >= cut && (at < 0 || d[j] < d[at]) {
				at = j
			}
		}
		centres = append(centres, v[at])
		for iter := 0; iter < 6; iter++ {
			var sum = make([][3]float64, len(centres))
			cnt := make([]float64, len(centres))
			for j := range v {
				c := nearest(centres, v[j])
				cnt[c]++
				for q := range sum[c] {
					sum[c][q] += v[j][q]
				}
			}
			for c := range centres {
				if cnt[c] > 0 {
					for q := range centres[c] {
						centres[c][q] = sum[c][q] / cnt[c]
					}
				}
			}
		}
	}
	return centres
}

// clusterMost is about how many places are clustered.
const clusterMost = 2000

func nearestOf(v [][3]float64, m [3]float64) int {
	best, at := math.Inf(1), 0
	for j := range v {
		if d := dist2(v[j], m); d < best {
			best, at = d, j
		}
	}
	return at
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

// span is the largest spread of a face's colours, weighted, from the 3 to the
// 97 % point of the channel that spreads most.
func span(lab [][3]float64, idx []int) float64 {
	most := 0.0
	step := 1 + len(idx)/clusterMost
	v := make([]float64, (len(idx)+step-1)/step)
	for q := 0; q < 3; q++ {
		for j := range v {
			v[j] = weighted(lab[idx[j*step]])[q]
		}
		most = math.Max(most, nth(v, len(v)*97/100)-nth(v, len(v)*3/100))
	}
	return most
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
