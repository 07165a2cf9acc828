package features

import "math"

const (
	// localR is the half side of the window for the local threshold, radii: it
	// must reach across a fine ribbon and the gap beside it.
	localR = 0.14
	// localContrast is the least range of ribbon-ness within the window that
	// says that there is a border in it.
	localContrast = 0.45
)

// refine parts what the colour map runs together: fine ribbons close to each
// other, and a ribbon before the haze of another that lies deep. Ribbon-ness is
// where a pixel's colour lies on the way from the base (0) to the ribbon's
// colour (1), in weighted CIELAB. Where it varies within the window by
// localContrast or more, a ribbon's pixel below the middle of the window's
// largest and least becomes base: the local threshold of J. Bernsen, Dynamic
// thresholding of grey-level images, Proc. 8th International Conference on
// Pattern Recognition (1986) 1251-1255.
func (m *colourMap) refine(f *Face, p *Parts) {
	n := f.Size
	base := weighted(p.Colours[p.Base].Lab)
	half := max(1, int(math.Round(localR*f.Radius)))
	t := make([]float64, n*n)
	for k := range p.Colours {
		if k == p.Base {
			continue
		}
		w := weighted(p.Colours[k].Lab)
		ax := [3]float64{w[0] - base[0], w[1] - base[1], w[2] - base[2]}
		len2 := dot3(ax, ax)
		if len2 == 0 {
			continue
		}
		for i := range t {
			t[i] = math.NaN()
			if o := p.Of[i]; o >= 0 && (int(o) == k || int(o) == p.Base) {
				v := weighted(f.Lab[i])
				t[i] = ((v[0]-base[0])*ax[0] + (v[1]-base[1])*ax[1] + (v[2]-base[2])*ax[2]) / len2
			}
		}
		s := binomial(n, t)
		lo, hi := windowRange(n, s, half)
		for i, v := range s {
			if int(p.Of[i]) != k || math.IsNaN(v) || hi[i]-lo[i] < localContrast {
				continue
			}
			if v < (hi[i]+lo[i])/2 {
				m.of[(i/n+m.pad)*m.n+i%n+m.pad] = int8(p.Base)
			}
		}
	}
}

// binomial smooths a field with the 3 x 3 binomial filter; NaN has no part.
func binomial(n int, t []float64) []float64 {
	out := make([]float64, len(t))
	for i, v := range t {
		out[i] = v
		x, y := i%n, i/n
		if math.IsNaN(v) || x == 0 || y == 0 || x == n-1 || y == n-1 {
			continue
		}
		s, w := 4*v, 4.0
		for k := range 8 {
			if u := t[i+ringDY[k]*n+ringDX[k]]; !math.IsNaN(u) {
				g := float64(2 - k%2)
				s += g * u
				w += g
			}
		}
		out[i] = s / w
	}
	return out
}

// windowRange is the least and the largest value of a field in the square of
// half side half around each cell; NaN has no part. Along rows and then along
// columns, each by running extremes within blocks of the window's length
// (M. van Herk, Pattern Recognition Letters 13 (1992) 517-521).
func windowRange(n int, t []float64, half int) (lo, hi []float64) {
	lo, hi = make([]float64, n*n), make([]float64, n*n)
	for i, v := range t {
		lo[i], hi[i] = v, v
		if math.IsNaN(v) {
			lo[i], hi[i] = math.Inf(1), math.Inf(-1)
		}
	}
	w := 2*half + 1
	size := (n + 2*half + w - 1) / w * w
	line, fore, back := make([]float64, size), make([]float64, size), make([]float64, size)
	// run takes the window's largest along one line of sign*f.
	run := func(f []float64, from, step int, sign float64) {
		for i := range line {
			line[i] = math.Inf(-1)
		}
		for i := range n {
			line[i+half] = sign * f[from+i*step]
		}
		for i := range size {
			fore[i] = line[i]
			if i%w > 0 && fore[i-1] > fore[i] {
				fore[i] = fore[i-1]
			}
		}
		for i := size - 1; i >= 0; i-- {
			back[i] = line[i]
			if i%w < w-1 && back[i+1] > back[i] {
				back[i] = back[i+1]
			}
		}
		for i := range n {
			f[from+i*step] = sign * math.Max(back[i], fore[i+w-1])
		}
	}
	for k := range n {
		run(hi, k*n, 1, 1)
		run(lo, k*n, 1, -1)
	}
	for k := range n {
		run(hi, k, n, 1)
		run(lo, k, n, -1)
	}
	return lo, hi
}
