package features

import (
	"math"
	"slices"
)

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
		// Only what lies within reach of the colour has a part in this.
		x0, y0, x1, y1 := p.extent(n, int8(k))
		if x1 <= x0 {
			continue
		}
		b := box{max(0, x0-half-1), max(0, y0-half-1), min(n, x1+half+1), min(n, y1+half+1)}
		t := floats.take(b.cells())
		for y := b.y0; y < b.y1; y++ {
			row := t[(y-b.y0)*b.w():][:b.w()]
			for x := range row {
				i := y*n + b.x0 + x
				row[x] = math.NaN()
				if o := p.Of[i]; o >= 0 && (int(o) == k || int(o) == p.Base) {
					l := &f.Lab[i]
					row[x] = ((l[0]*lightnessWeight-base[0])*ax[0] + (l[1]-base[1])*ax[1] + (l[2]-base[2])*ax[2]) / len2
				}
			}
		}
		s := binomial(b.w(), b.h(), t)
		lo, hi := windowRange(b.w(), b.h(), s, half)
		for y := y0; y < y1; y++ {
			for x := x0; x < x1; x++ {
				if int(p.Of[y*n+x]) != k {
					continue
				}
				i := (y-b.y0)*b.w() + x - b.x0
				v, low, high := s[i], fromKey(lo[i]), fromKey(hi[i])
				if high-low >= localContrast && v < (high+low)/2 {
					m.of[(y+m.pad)*m.n+x+m.pad] = int8(p.Base)
				}
			}
		}
		floats.give(t, s)
		keys.give(lo, hi)
	}
}

// box is a part of a picture: columns x0 up to x1 and rows y0 up to y1.
type box struct{ x0, y0, x1, y1 int }

func (b box) w() int     { return b.x1 - b.x0 }
func (b box) h() int     { return b.y1 - b.y0 }
func (b box) cells() int { return b.w() * b.h() }

// extent is the box that holds all pixels of a colour, in a face n wide; empty
// where there are none.
func (p *Parts) extent(n int, k int8) (x0, y0, x1, y1 int) {
	x0, y0 = n, n
	for y := range n {
		row := p.Of[y*n : (y+1)*n]
		from := slices.Index(row, k)
		if from < 0 {
			continue
		}
		to := n - 1
		for row[to] != k {
			to--
		}
		x0, x1, y0, y1 = min(x0, from), max(x1, to+1), min(y0, y), y+1
	}
	return x0, y0, x1, y1
}

// binomial smooths a field w wide and h high with the 3 x 3 binomial filter; NaN
// has no part. The buffer is lent.
func binomial(w, h int, t []float64) []float64 {
	out := floats.take(w * h)
	copy(out, t)
	for y := 1; y < h-1; y++ {
		for x := 1; x < w-1; x++ {
			i := y*w + x
			v := t[i]
			if v != v {
				continue
			}
			up, mid, down := t[i-w-1:i-w+2], t[i-1:i+2], t[i+w-1:i+w+2]
			s, g := 4*v, 4.0
			// In the order of the ring of neighbours.
			for k, u := range [8]float64{mid[2], up[2], up[1], up[0], mid[0], down[0], down[1], down[2]} {
				if u == u {
					c := float64(2 - k%2)
					s += c * u
					g += c
				}
			}
			out[i] = s / g
		}
	}
	return out
}

// keyOf is a whole number that goes up with v, and fromKey takes it back: the
// larger of two is found without a jump.
func keyOf(v float64) int64 {
	b := int64(math.Float64bits(v))
	return b ^ (b >> 63 & math.MaxInt64)
}

func fromKey(k int64) float64 { return math.Float64frombits(uint64(k ^ (k >> 63 & math.MaxInt64))) }

var keys buffers[int64]

// windowRange is the least and the largest value, as keys, of a field w wide and
// h high in the square of half side half around each cell; NaN has no part.
// Along rows and then along columns, each by running extremes within blocks of
// the window's length (M. van Herk, Pattern Recognition Letters 13 (1992)
// 517-521). The buffers are lent.
func windowRange(w, h int, t []float64, half int) (lo, hi []int64) {
	lo, hi = keys.take(w*h), keys.take(w*h)
	// The largest of what is taken off gives the least.
	for i, v := range t[:w*h] {
		if v != v {
			lo[i], hi[i] = math.MinInt64, math.MinInt64
			continue
		}
		hi[i] = keyOf(v)
		lo[i] = -hi[i]
	}
	for _, f := range [2][]int64{lo, hi} {
		largestAlongRows(w, h, f, half)
		largestAlongColumns(w, h, f, half)
	}
	for i, k := range lo {
		lo[i] = -k
		if k == math.MinInt64 {
			lo[i] = math.MaxInt64
		}
	}
	return lo, hi
}

// largestAlongRows puts the largest within half to both sides along rows in
// each place.
func largestAlongRows(w, h int, f []int64, half int) {
	side := 2*half + 1
	size := (w + 2*half + side - 1) / side * side
	line, fore, back := keys.take(size), keys.take(size), keys.take(size)
	for i := range line {
		line[i] = math.MinInt64
	}
	for y := range h {
		row := f[y*w : (y+1)*w]
		copy(line[half:], row)
		for from := 0; from < size; from += side {
			m := int64(math.MinInt64)
			for i := from; i < from+side; i++ {
				m = max(m, line[i])
				fore[i] = m
			}
			m = math.MinInt64
			for i := from + side - 1; i >= from; i-- {
				m = max(m, line[i])
				back[i] = m
			}
		}
		for x := range row {
			row[x] = max(back[x], fore[x+side-1])
		}
	}
	keys.give(line, fore, back)
}

// largestAlongColumns is the same along columns, row by row.
func largestAlongColumns(w, h int, f []int64, half int) {
	side := 2*half + 1
	blocks := (h + 2*half + side - 1) / side
	// Row y of the picture is row y+half here; back[r] and fore[r] are the
	// largest from r to the end of its block and from its beginning to r.
	fore, back := keys.take(blocks*side*w), keys.take(blocks*side*w)
	row := func(r int) []int64 {
		if y := r - half; y >= 0 && y < h {
			return f[y*w : (y+1)*w]
		}
		return nil
	}
	put := func(out, last, in []int64) {
		switch {
		case in == nil && last == nil:
			for x := range out {
				out[x] = math.MinInt64
			}
		case in == nil:
			copy(out, last)
		case last == nil:
			copy(out, in)
		default:
			for x := range out {
				out[x] = max(last[x], in[x])
			}
		}
	}
	for from := 0; from < blocks*side; from += side {
		var last []int64
		for r := from; r < from+side; r++ {
			out := fore[r*w : (r+1)*w]
			put(out, last, row(r))
			last = out
		}
		last = nil
		for r := from + side - 1; r >= from; r-- {
			out := back[r*w : (r+1)*w]
			put(out, last, row(r))
			last = out
		}
	}
	for y := range h {
		put(f[y*w:(y+1)*w], back[y*w:(y+1)*w], fore[(y+side-1)*w:(y+side)*w])
	}
	keys.give(fore, back)
}
