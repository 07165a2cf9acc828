package vision

import (
	"image"
	"math"

	"tawsight/calib"
	"tawsight/internal/colour"
	"tawsight/internal/kernels"
)

// Crop cuts a square around a marble out of the photo, balanced, at scale
// crop pixels a photo pixel, side crop pixels across, the outline's middle in
// the middle. Places outside the photo are transparent.
func Crop(p *Photo, o Outline, light Light, scale float64, side int) *image.NRGBA {
	px := p.pixels()
	cx, cy := o.Ellipse.CxPX, o.Ellipse.CyPX
	across, down := tapsOf(cx, scale, side, px.W), tapsOf(cy, scale, side, px.H)
	out := newCrop(side, across.all() && down.all())
	if side == 0 || across.to <= across.from || down.to <= down.from {
		return out
	}
	n := across.to - across.from
	room := cropRooms.take()
	defer func() { cropRooms.put(room) }()
	// Rows that are made of as many of the photo's as a row of the crop is, one after
	// the other; and the photo's row, with room for what the weights past its end, all
	// 0, are for.
	rows := room.lend(&room.rows, n*down.count)
	line := room.lend(&room.line, across.high-across.low+across.count)
	clear(line)
	finish := light.over(cx, cy, float64(side)/scale).finish(across.at[across.from:across.to])
	row := make([]int32, 0, down.count)
	next := down.low // the first of the photo's rows that was not read
	for j := down.from; j < down.to; j++ {
		row = row[:0]
		weights := down.weights(j)
		for k, w := range weights {
			y := down.first(j) + k
			if k > 0 && w == 0 {
				continue // such a row may lie past the last
			}
			for ; next <= y; next++ {
				linearSamples(line[:across.high-across.low], px, across.low, next, &room.codes)
				kernels.Across(rows[next%down.count*n:][:n], line, across.taps())
			}
			weights[len(row)] = w
			row = append(row, int32(y%down.count*n))
		}
		finish.at(down.at[j])
		finish.Encode(out.Pix[out.PixOffset(across.from, j):], rows, row, weights)
	}
	return out
}

// cropPixels are those of pictures that nobody looks at any more.
var cropPixels shelf[[]uint8]

// newCrop is for a crop that will be all filled in, or is transparent yet.
func newCrop(side int, filled bool) *image.NRGBA {
	n := 4 * side * side
	pix := cropPixels.take()
	if cap(pix) < n {
		pix = make([]uint8, n+n/4)
	}
	if pix = pix[:n]; !filled {
		clear(pix)
	}
	return &image.NRGBA{Pix: pix, Stride: 4 * side, Rect: image.Rect(0, 0, side, side)}
}

// ReuseCrop takes the room of what Crop gave back, once nobody looks at it any more.
func ReuseCrop(img *image.NRGBA) { cropPixels.put(img.Pix) }

// linearSamples reads part of a photo's row in linear light: red, green and blue.
func linearSamples(out []kernels.Sample, px calib.Pixels, x, y int, codes *[]float32) {
	if px.B8 != nil && px.Table == nil {
		kernels.LightRow(out, px.B8[3*(y*px.W+x):], &linear8)
		return
	}
	if cap(*codes) < 3*len(out) {
		*codes = make([]float32, 3*len(out))
	}
	line := (*codes)[:3*len(out)]
	px.LinearRow(x, y, line)
	for i := range out {
		out[i] = kernels.Sample{line[3*i], line[3*i+1], line[3*i+2]}
	}
}

// linear8 is what codes of eight bits in sRGB stand for.
var linear8 = func() (t kernels.Linear) {
	for i, v := range colour.Linear8 {
		t[i] = float32(v)
	}
	return t
}()

// cropRoom is for the photo's rows that crops are made of.
type cropRoom struct {
	rows, line []kernels.Sample
	codes      []float32
}

func (r *cropRoom) lend(s *[]kernels.Sample, n int) []kernels.Sample {
	if cap(*s) < n {
		*s = make([]kernels.Sample, n)
	}
	return (*s)[:n]
}

var cropRooms shelf[cropRoom]

// taps say, along one axis, which of the photo's pixels a crop's pixels are made
// of. A crop's pixel is the mean of places spread evenly over it, one for each
// photo pixel that it covers but no more than six, and each place lies on the
// straight line between its two neighbours.
type taps struct {
	from, to  int       // the crop's pixels inside the photo
	low, high int       // the photo's pixels that these are made of
	at        []float64 // of each crop pixel: its middle in the photo, px
	begin     []int32   // of each crop pixel: the first photo pixel, from low on
	count     int       // weights a crop pixel
	weight    []float32 // count of them for each crop pixel
}

func tapsOf(middle, scale float64, side, size int) taps {
	over := int(math.Max(1, math.Min(6, math.Ceil(1/scale))))
	t := taps{
		at: make([]float64, side), begin: make([]int32, side),
		// From the first place to the last, and the neighbours of both.
		count: int(math.Ceil((1-1/float64(over))/scale)) + 2,
	}
	t.weight = make([]float32, side*t.count)
	t.low, t.high = size, 0
	inside := false
	for i := range side {
		t.at[i] = middle + (float64(i)-float64(side-1)/2)/scale
		if t.at[i] < -0.5 || t.at[i] > float64(size)-0.5 {
			continue
		}
		if !inside {
			t.from, inside = i, true
		}
		t.to = i + 1
		w := t.weights(i)
		for a := range over {
			x := t.at[i] + ((float64(a)+0.5)/float64(over)-0.5)/scale
			x = math.Max(0, math.Min(float64(size-1), x))
			x0 := int(x)
			if a == 0 {
				t.begin[i] = int32(x0)
			}
			k, f := x0-int(t.begin[i]), x-float64(x0)
			w[k] += float32((1 - f) / float64(over))
			if f > 0 {
				w[k+1] += float32(f / float64(over))
			}
		}
		// Beyond the photo's last pixel the weights are all 0.
		t.low, t.high = min(t.low, int(t.begin[i])), max(t.high, min(size, int(t.begin[i])+t.count))
	}
	for i := t.from; i < t.to; i++ {
		t.begin[i] -= int32(t.low)
	}
	return t
}

// all says that all of the crop's pixels lie inside the photo.
func (t *taps) all() bool { return t.to-t.from == len(t.at) }

// first is the first photo pixel that a crop pixel is made of.
func (t *taps) first(i int) int { return t.low + int(t.begin[i]) }

// taps are those of the crop's pixels inside the photo, from low on.
func (t *taps) taps() kernels.Taps {
	return kernels.Taps{Count: t.count, First: t.begin[t.from:t.to], Weight: t.weight[t.from*t.count : t.to*t.count]}
}

// weights are those of a crop pixel.
func (t *taps) weights(i int) []float32 { return t.weight[i*t.count : (i+1)*t.count] }
