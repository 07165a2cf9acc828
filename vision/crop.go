package vision

import (
	"image"
	"math"
	"sync"

	"tawsight/calib"
	"tawsight/internal/colour"
)

// Crop cuts a square around a marble out of the photo, balanced, at scale
// crop pixels a photo pixel, side crop pixels across, the outline's middle in
// the middle. Places outside the photo are transparent.
func Crop(p *Photo, o Outline, light Light, scale float64, side int) *image.NRGBA {
	out := image.NewNRGBA(image.Rect(0, 0, side, side))
	px := p.pixels()
	cx, cy := o.Ellipse.CxPX, o.Ellipse.CyPX
	across, down := tapsOf(cx, scale, side, px.W), tapsOf(cy, scale, side, px.H)
	if side == 0 || across.to <= across.from || down.to <= down.from {
		return out
	}
	kept, _ := cropRooms.Get().(*[][3]float32)
	if kept == nil {
		kept = new([][3]float32)
	}
	defer cropRooms.Put(kept)
	rows := across.along(px, down.low, down.high, kept)
	field := light.over(cx, cy, float64(side)/scale)
	width := across.to - across.from
	line := make([][3]float32, width)
	for j := down.from; j < down.to; j++ {
		clear(line)
		for k, w := range down.weights(j) {
			if w == 0 {
				continue
			}
			row := rows[(down.first[j]+k-down.low)*width:][:width]
			for i := range line {
				line[i][0] += w * row[i][0]
				line[i][1] += w * row[i][1]
				line[i][2] += w * row[i][2]
			}
		}
		lit := field.row(down.at[j])
		pix := out.Pix[out.PixOffset(across.from, j):]
		at := across.at[across.from:across.to]
		for i := range line {
			r, g, b := lit.at(&line[i], at[i])
			q := pix[4*i : 4*i+4 : 4*i+4]
			q[0], q[1], q[2], q[3] = colour.LinearToSRGB8(r), colour.LinearToSRGB8(g), colour.LinearToSRGB8(b), 255
		}
	}
	return out
}

// cropRooms are for the photo's rows that crops are made of.
var cropRooms sync.Pool

// taps say, along one axis, which of the photo's pixels a crop's pixels are made
// of. A crop's pixel is the mean of places spread evenly over it, one for each
// photo pixel that it covers but no more than six, and each place lies on the
// straight line between its two neighbours.
type taps struct {
	from, to  int       // the crop's pixels inside the photo
	low, high int       // the photo's pixels that these are made of
	at        []float64 // of each crop pixel: its middle in the photo, px
	first     []int     // of each crop pixel: the first photo pixel
	count     int       // weights a crop pixel
	weight    []float32 // count of them for each crop pixel
}

func tapsOf(middle, scale float64, side, size int) taps {
	over := int(math.Max(1, math.Min(6, math.Ceil(1/scale))))
	t := taps{
		at: make([]float64, side), first: make([]int, side),
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
				t.first[i] = x0
			}
			k, f := x0-t.first[i], x-float64(x0)
			w[k] += float32((1 - f) / float64(over))
			if f > 0 {
				w[k+1] += float32(f / float64(over))
			}
		}
		// Beyond the photo's last pixel the weights are all 0.
		t.low, t.high = min(t.low, t.first[i]), max(t.high, min(size, t.first[i]+t.count))
	}
	return t
}

// weights are those of a crop pixel.
func (t *taps) weights(i int) []float32 { return t.weight[i*t.count : (i+1)*t.count] }

// along reads rows low to high of the photo in linear light, and gives them made
// into the crop's pixels from to to along it, one row after the other. They lie in
// room, which is made larger where it must be.
func (t *taps) along(px calib.Pixels, low, high int, room *[][3]float32) [][3]float32 {
	width := t.to - t.from
	if cap(*room) < (high-low)*width {
		*room = make([][3]float32, (high-low)*width)
	}
	out := (*room)[:(high-low)*width]
	line := make([][3]float32, t.high-t.low)
	for y := low; y < high; y++ {
		if px.B8 != nil && px.Table == nil {
			row := px.B8[3*(y*px.W+t.low):][:3*len(line)]
			for x := range line {
				c := row[3*x : 3*x+3 : 3*x+3]
				line[x] = [3]float32{linear8[c[2]], linear8[c[1]], linear8[c[0]]}
			}
		} else {
			for x := range line {
				c := px.Linear(t.low+x, y)
				line[x] = [3]float32{float32(c[0]), float32(c[1]), float32(c[2])}
			}
		}
		row := out[(y-low)*width:][:width]
		for i := range row {
			from := line[t.first[t.from+i]-t.low:]
			var r, g, b float32
			for k, w := range t.weights(t.from + i) {
				if w == 0 {
					continue
				}
				c := &from[k]
				r, g, b = r+w*c[0], g+w*c[1], b+w*c[2]
			}
			row[i] = [3]float32{r, g, b}
		}
	}
	return out
}

// linear8 is colour.Linear8 in single precision.
var linear8 = func() (t [256]float32) {
	for i, v := range colour.Linear8 {
		t[i] = float32(v)
	}
	return t
}()
