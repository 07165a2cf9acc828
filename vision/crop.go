package vision

import (
	"image"
	"math"

	"tawsight/calib"
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
	room := cropRooms.take()
	rows := across.along(px, down.low, down.high, &room)
	defer func() { cropRooms.put(room) }()
	field := light.over(cx, cy, float64(side)/scale)
	columns := field.columns(across.at[across.from:across.to])
	width := 3 * (across.to - across.from)
	line := make([]float32, width)
	for j := down.from; j < down.to; j++ {
		down.column(line, rows, j)
		field.encode(out.Pix[out.PixOffset(across.from, j):], line, columns, down.at[j])
	}
	return out
}

// column adds up the rows that row j of the crop is made of, as along gives them.
func (t *taps) column(line, rows []float32, j int) {
	row := func(k int) []float32 {
		return rows[(t.first[j]+k-t.low)*len(line):][:len(line)]
	}
	weights := t.weights(j)
	for len(weights) > 1 && weights[len(weights)-1] == 0 {
		weights = weights[:len(weights)-1] // such a row may lie past the last
	}
	switch len(weights) {
	case 2:
		a, b, u, v := row(0), row(1), weights[0], weights[1]
		for i := range line {
			line[i] = u*a[i] + v*b[i]
		}
	case 3:
		a, b, c, u, v, w := row(0), row(1), row(2), weights[0], weights[1], weights[2]
		for i := range line {
			line[i] = u*a[i] + v*b[i] + w*c[i]
		}
	default:
		clear(line)
		for k, w := range weights {
			from := row(k)[:len(line)]
			for i := range line {
				line[i] += w * from[i]
			}
		}
	}
}

// cropRooms are for the photo's rows that crops are made of.
var cropRooms shelf[[]float32]

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
// into the crop's pixels from to to along it, red, green and blue, one row after the
// other. They lie in room, which is made larger where it must be.
func (t *taps) along(px calib.Pixels, low, high int, room *[]float32) []float32 {
	width := 3 * (t.to - t.from)
	if cap(*room) < (high-low)*width {
		*room = make([]float32, (high-low)*width)
	}
	out := (*room)[:(high-low)*width]
	// What the weights past the photo's end, all 0, are for.
	line := make([]float32, 3*(t.high-t.low+t.count))
	seen := line[:3*(t.high-t.low)]
	for y := low; y < high; y++ {
		px.LinearRow(t.low, y, seen)
		t.row(out[(y-low)*width:][:width], line)
	}
	return out
}

// row makes one row of the photo into the crop's pixels.
func (t *taps) row(out, line []float32) {
	first, weight := t.first[t.from:t.to], t.weight[t.from*t.count:t.to*t.count]
	switch t.count {
	case 2:
		for i, x := range first {
			c := (*[6]float32)(line[3*(x-t.low):])
			w := (*[2]float32)(weight[2*i:])
			q := (*[3]float32)(out[3*i:])
			q[0] = w[0]*c[0] + w[1]*c[3]
			q[1] = w[0]*c[1] + w[1]*c[4]
			q[2] = w[0]*c[2] + w[1]*c[5]
		}
	case 3:
		for i, x := range first {
			c := (*[9]float32)(line[3*(x-t.low):])
			w := (*[3]float32)(weight[3*i:])
			q := (*[3]float32)(out[3*i:])
			q[0] = w[0]*c[0] + w[1]*c[3] + w[2]*c[6]
			q[1] = w[0]*c[1] + w[1]*c[4] + w[2]*c[7]
			q[2] = w[0]*c[2] + w[1]*c[5] + w[2]*c[8]
		}
	default:
		for i, x := range first {
			c := line[3*(x-t.low):]
			var r, g, b float32
			for k, w := range weight[t.count*i:][:t.count] {
				p := (*[3]float32)(c[3*k:])
				r, g, b = r+w*p[0], g+w*p[1], b+w*p[2]
			}
			q := (*[3]float32)(out[3*i:])
			q[0], q[1], q[2] = r, g, b
		}
	}
}
