package calib

import (
	"math"
	"sort"
)

// Flatness is what the corners' residuals say of the card: paper that is bowed
// or curled moves them smoothly, something on the card moves a few at random.
type Flatness struct {
	// BowPX is the rms of the smooth part of the residuals, px: a surface of
	// second and third degree in the card's coordinates (what is of lower
	// degree, the pose has taken up).
	BowPX float64
	// StrayPX is the largest residual beyond the smooth part, px, and Strays
	// how many corners lie beyond five robust standard deviations and a
	// quarter of a pixel of it.
	StrayPX float64
	Strays  int
	// ScatterPX is the robust standard deviation beyond the smooth part.
	ScatterPX float64
}

// FlatnessOf splits the residuals (px) of corners at places on the card (mm,
// the same order and length, at least 16).
func FlatnessOf(card, residual [][2]float64) (f Flatness) {
	n := len(card)
	if n < 16 || len(residual) != n {
		return f
	}
	basis := func(p [2]float64) [9]float64 {
		x, y := (p[0]-CardWidthMM/2)/40, (p[1]-CardHeightMM/2)/40
		return [9]float64{1, x, y, x * x, x * y, y * y, x * x * x, x * x * y, x * y * y}
	}
	w := make([]float64, n)
	for i := range w {
		w[i] = 1
	}
	var smooth [][2]float64
	var off []float64
	for range 6 {
		smooth = make([][2]float64, n)
		for k := 0; k < 2; k++ {
			c, ok := solve9(n, func(i int) ([9]float64, float64, float64) { return basis(card[i]), residual[i][k], w[i] })
			if !ok {
				return f
			}
			for i := range smooth {
				b := basis(card[i])
				for j := range b {
					smooth[i][k] += c[j] * b[j]
				}
			}
		}
		off = off[:0]
		for i := range smooth {
			off = append(off, math.Hypot(residual[i][0]-smooth[i][0], residual[i][1]-smooth[i][1]))
		}
		s := append([]float64(nil), off...)
		sort.Float64s(s)
		// The median length of a two-dimensional normal error is 1.177 sigma.
		f.ScatterPX = s[len(s)/2] / 1.177
		for i := range w {
			u := off[i] / math.Max(0.02, 5*f.ScatterPX)
			w[i] = 1 / (1 + u*u*u*u)
		}
	}
	sum := 0.0
	for i := range smooth {
		sum += smooth[i][0]*smooth[i][0] + smooth[i][1]*smooth[i][1]
		f.StrayPX = math.Max(f.StrayPX, off[i])
		if off[i] > math.Max(0.25, 5*f.ScatterPX) {
			f.Strays++
		}
	}
	f.BowPX = math.Sqrt(sum / float64(n))
	return f
}

func solve9(n int, row func(i int) (x [9]float64, y, w float64)) (c [9]float64, ok bool) {
	var a [9][10]float64
	for i := 0; i < n; i++ {
		x, y, w := row(i)
		for p := range x {
			for q := range x {
				a[p][q] += w * x[p] * x[q]
			}
			a[p][9] += w * x[p] * y
		}
	}
	for p := range a {
		best := p
		for q := p + 1; q < 9; q++ {
			if math.Abs(a[q][p]) > math.Abs(a[best][p]) {
				best = q
			}
		}
		a[p], a[best] = a[best], a[p]
		if math.Abs(a[p][p]) < 1e-12 {
			return c, false
		}
		for q := range a {
			if q == p {
				continue
			}
			k := a[q][p] / a[p][p]
			for r := p; r < 10; r++ {
				a[q][r] -= k * a[p][r]
			}
		}
	}
	for p := range c {
		c[p] = a[p][9] / a[p][p]
	}
	return c, true
}
