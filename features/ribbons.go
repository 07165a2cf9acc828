package features

import (
	"math"
	"sort"
)

// Ribbon is one ribbon colour.
type Ribbon struct {
	Lab          [3]float64
	AreaFraction float64 // of the usable face
	WidthMM      float64 // 0 when not known
	// Opaque says that the ribbon is known to hide what lies behind it: the
	// swirl on an opaque marble does. In clear glass it can't be told yet.
	Opaque bool
}

// Ribbons are the colours besides the base, the one that covers most first.
func (a *Analysis) Ribbons() []Ribbon {
	var out []Ribbon
	for k, c := range a.Parts.Colours {
		if k == a.Parts.Base {
			continue
		}
		r := Ribbon{Lab: withinWhite(c.Lab), AreaFraction: c.Share, Opaque: a.Glass.NotOpaque < 0.5}
		if w := widthShare(a.Face, &a.Parts, func(o int8) bool { return int(o) == k }); w > 0 && a.Face.RadiusMM > 0 {
			r.WidthMM = w * a.Face.RadiusMM
		}
		out = append(out, r)
	}
	return out
}

// whitish says that a ribbon's colour is white or nearly so, for the light and
// the glass it lies in.
func (a *Analysis) whitish(lab [3]float64) bool {
	if chroma(lab) > 16 {
		return false
	}
	if a.Parts.Base >= 0 && lab[0] < a.Parts.Colours[a.Parts.Base].Lab[0] {
		return false
	}
	return lab[0] > 45
}

// WidthShare is the median width of all ribbons in radii, 0 when there are
// none.
func (a *Analysis) WidthShare() float64 {
	return widthShare(a.Face, &a.Parts, func(o int8) bool { return o >= 0 && int(o) != a.Parts.Base })
}

// widthShare measures, near the middle of the face, how wide the marked parts
// are: twice the distance to the nearest unmarked place, along their middle
// lines (local maxima of that distance), in radii.
func widthShare(f *Face, p *Parts, in func(o int8) bool) float64 {
	n := f.Size
	d := distances(n, func(i int) (marked, known bool) { return in(p.Of[i]), p.Of[i] >= 0 })
	var w []float64
	for y := 1; y < n-1; y++ {
		for x := 1; x < n-1; x++ {
			i := y*n + x
			if d[i] <= 0 || !in(p.Of[i]) {
				continue
			}
			if px, py := f.XY(i); px*px+py*py > 0.75*0.75 {
				continue
			}
			// A middle line: no neighbour clearly deeper in.
			ridge := true
			for _, o := range [8]int{1, -1, n, -n, n + 1, n - 1, -n + 1, -n - 1} {
				if d[i+o] > d[i]+0.4 {
					ridge = false
					break
				}
			}
			if ridge {
				w = append(w, (2*d[i]-1)/f.Radius)
			}
		}
	}
	if len(w) < 3 {
		return 0
	}
	sort.Float64s(w)
	return math.Max(0, w[len(w)/2])
}

// distances is each marked pixel's distance to the nearest known unmarked one,
// px, by two chamfer passes (weights 1 and 1.4142; within 4 % of the true
// distance). What is not known (rim, highlight) ends nothing.
func distances(n int, at func(i int) (marked, known bool)) []float64 {
	const far = 1e6
	d := make([]float64, n*n)
	for i := range d {
		marked, known := at(i)
		if known && !marked {
			d[i] = 0
		} else {
			d[i] = far
		}
	}
	pass := func(i, j int, w float64) {
		if d[j]+w < d[i] {
			d[i] = d[j] + w
		}
	}
	for y := 1; y < n-1; y++ {
		for x := 1; x < n-1; x++ {
			i := y*n + x
			pass(i, i-1, 1)
			pass(i, i-n, 1)
			pass(i, i-n-1, math.Sqrt2)
			pass(i, i-n+1, math.Sqrt2)
		}
	}
	for y := n - 2; y > 0; y-- {
		for x := n - 2; x > 0; x-- {
			i := y*n + x
			pass(i, i+1, 1)
			pass(i, i+n, 1)
			pass(i, i+n+1, math.Sqrt2)
			pass(i, i+n-1, math.Sqrt2)
		}
	}
	for i := range d {
		if d[i] >= far/2 {
			d[i] = 0
		}
	}
	return d
}

// Pieces is the number of connected ribbon pieces larger than one part in 200
// of the face.
func (a *Analysis) Pieces() int {
	n := a.Face.Size
	seen := make([]bool, n*n)
	count := 0
	var stack []int
	for i, o := range a.Parts.Of {
		if o < 0 || int(o) == a.Parts.Base || seen[i] {
			continue
		}
		size := 0
		stack = append(stack[:0], i)
		seen[i] = true
		for len(stack) > 0 {
			j := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			size++
			for _, d := range [4]int{1, -1, n, -n} {
				if k := j + d; k >= 0 && k < n*n && !seen[k] && a.Parts.Of[k] == o {
					seen[k] = true
					stack = append(stack, k)
				}
			}
		}
		if size*200 > a.Parts.Usable {
			count++
		}
	}
	return count
}
