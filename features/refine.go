package features

import (
	"math"
	"slices"

	"tawsight/internal/kernels"
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
			of, lab := p.Of[y*n+b.x0:][:len(row)], f.Lab[y*n+b.x0:][:len(row)]
			for x, o := range of {
				row[x] = math.NaN()
				if o >= 0 && (int(o) == k || int(o) == p.Base) {
					l := &lab[x]
					row[x] = ((l[0]*lightnessWeight-base[0])*ax[0] + (l[1]-base[1])*ax[1] + (l[2]-base[2])*ax[2]) / len2
				}
			}
		}
		s := floats.take(b.cells())
		kernels.BinomialSome(s, t, b.w())
		win := newWindow(b.w(), b.h(), half)
		for y := range b.h() {
			win.put(y, s[y*b.w():][:b.w()])
		}
		win.spread()
		for y := y0; y < y1; y++ {
			lo, hi := win.row(y - b.y0)
			for x := x0; x < x1; x++ {
				if int(p.Of[y*n+x]) != k {
					continue
				}
				high, low := int(hi[x-b.x0]), int(levelsMost+1-lo[x-b.x0])
				if high-low < contrastLevels {
					continue
				}
				if v := int(levelOf(s[(y-b.y0)*b.w()+x-b.x0])); 2*v < high+low {
					m.of[(y+m.pad)*m.n+x+m.pad] = int8(p.Base)
				}
			}
		}
		win.close()
		floats.give(t, s)
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

// Ribbon-ness is compared in whole levels, so that many of them are compared at
// once.
const (
	levelsMost = 127 // 0 is for no ribbon-ness
	levelSteps = 60  // levels from base to ribbon
	levelZero  = 34  // that of the base
	// contrastLevels is localContrast in levels.
	contrastLevels = int(localContrast * levelSteps)
)

// levelOf is the level of a ribbon-ness, 0 for NaN.
func levelOf(v float64) uint8 {
	if v != v {
		return 0
	}
	return uint8(max(1, min(levelsMost, int(v*levelSteps+levelZero+0.5))))
}

// window finds the largest and the least in the square of half side half around
// each cell of a field w wide and h high.
type window struct {
	w, h, half int
	stride     int // bytes in a row, with half to both sides
	// hi are levels, lo the same counted down from levelsMost+1, so that the
	// largest of them is the least; half rows more above and below.
	hi, lo []uint8
}

// newWindow lends its buffers.
func newWindow(w, h, half int) window {
	stride := w + 2*half
	size := kernels.LargestRoom(stride, h, 2*half+1)
	return window{w, h, half, stride, bytes.zeroed(size), bytes.zeroed(size)}
}

func (w *window) close() { bytes.give(w.hi, w.lo) }

// put fills in row y.
func (w *window) put(y int, v []float64) {
	at := (y+w.half)*w.stride + w.half
	hi, lo := w.hi[at:at+len(v)], w.lo[at:at+len(v)]
	for x, u := range v {
		if l := levelOf(u); l > 0 {
			hi[x], lo[x] = l, levelsMost+1-l
		}
	}
}

// spread gives each place what is largest in the square that begins there.
func (w *window) spread() {
	kernels.Largest(w.hi, w.stride, w.h, 2*w.half+1)
	kernels.Largest(w.lo, w.stride, w.h, 2*w.half+1)
}

// row are the largest and the least around each place of row y, the least counted
// down.
func (w *window) row(y int) (lo, hi []uint8) {
	at := y * w.stride
	return w.lo[at : at+w.w], w.hi[at : at+w.w]
}
