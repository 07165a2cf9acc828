package kernels

// #cgo noescape tw_light_row
// #cgo nocallback tw_light_row
// #cgo noescape tw_between
// #cgo nocallback tw_between
// #cgo noescape tw_balance
// #cgo nocallback tw_balance
// #cgo noescape tw_lab
// #cgo nocallback tw_lab
// #cgo noescape tw_binomial
// #cgo nocallback tw_binomial
// #cgo noescape tw_weighted_lab
// #cgo nocallback tw_weighted_lab
// #include "kernels.h"
import "C"

import "tawsight/internal/colour"

// Straight are places along a straight line: the first, and the way to the next.
type Straight struct{ X, Y, DX, DY float64 }

// Place is place k.
func (l *Straight) Place(k int) (x, y float64) { return l.X + float64(k)*l.DX, l.Y + float64(k)*l.DY }

// Linear is the linear light that each code of a channel stands for.
type Linear [256]float32

// LightRow takes as many pixels of eight bits, blue, green and red, as there is room for
// to red, green and blue in linear light.
func LightRow(out []Sample, bgr []uint8, t *Linear) {
	if len(out) == 0 {
		return
	}
	_ = bgr[3*len(out)-1]
	C.tw_light_row((*C.uint8_t)(&bgr[0]), C.int(len(out)), f32(&t[0]), f32(&out[0][0]))
}

// Between adds share times the colours at places along a line to sum, read between a
// photo's pixels, of eight bits and width columns; and marks in full where a channel
// comes to more than limit. All of them must have photo on all sides.
func Between(sum []Sample, full []bool, bgr []uint8, width int, at Straight, t *Linear, share, limit float64) {
	if len(sum) == 0 {
		return
	}
	within(bgr, width, at, len(sum))
	C.tw_between((*C.uint8_t)(&bgr[0]), C.long(3*width), C.double(at.X), C.double(at.Y), C.double(at.DX), C.double(at.DY), C.int(len(sum)),
		f32(&t[0]), C.float(share), C.float(limit), f32(&sum[0][0]), u8(full[:len(sum)]))
}

// Cells is how many cells the light over a face has along each side.
const Cells = C.TW_CELLS

// A Light is what colours over a square are multiplied by.
type Light struct {
	// Gain is, cell by cell and row by row, what it is at the cell's first corner, and
	// how that changes per cell to the right, per cell down, and per both.
	Gain [Cells][Cells][4]Sample
	// Curve is the factor for a luminance besides, nil for none: at even steps of its
	// square root, PerRoot of them to 1.
	Curve   []float32
	PerRoot float64
}

// Balance multiplies colours along a line of places, in cells of the light, and gives
// what they come to, and their luminance.
func (l *Light) Balance(line []Sample, at Straight, linear [][3]float64, luminance []float64) {
	n := len(line)
	if n == 0 {
		return
	}
	_, _ = linear[n-1], luminance[n-1]
	var curve *C.float
	var c C.tw_curve
	if l.Curve != nil {
		c = C.tw_curve{C.float(l.PerRoot), C.float(len(l.Curve) - 2)}
		curve = f32(&l.Curve[0])
	}
	C.tw_balance(f32(&line[0][0]), C.int(n), C.double(at.X), C.double(at.Y), C.double(at.DX), C.double(at.DY), f32(&l.Gain[0][0][0][0]), &c, curve,
		f64(&linear[0][0]), f64(&luminance[0]))
}

// toXYZ is what red, green and blue add to X, Y and Z as shares of the white's.
var toXYZ = func() (m [3]Sample) {
	for k, row := range colour.RelativeXYZ() {
		for j := range row {
			m[j][k] = float32(row[j])
		}
	}
	return m
}()

// Lab is [colour.LinearToLab] of many colours, to within 0.001 in each of L*, a* and b*.
func Lab(out [][3]float64, linear []Sample) {
	if len(linear) == 0 {
		return
	}
	_ = out[len(linear)-1]
	C.tw_lab(f32(&linear[0][0]), C.int(len(linear)), f32(&toXYZ[0][0]), f64(&out[0][0]))
}

// WeightedLab is [Lab] of colours of three numbers in half the room, its lightness
// times weight.
func WeightedLab[T ~[3]float32](out []T, linear [][3]float64, weight float64) {
	if len(linear) == 0 {
		return
	}
	_ = out[len(linear)-1]
	C.tw_weighted_lab(f64(&linear[0][0]), C.int(len(linear)), f32(&toXYZ[0][0]), C.double(weight), f32(&out[0][0]))
}

// A Row is the light of a row of pixels, and what they are.
type Row struct {
	Light [][3]float64
	Mask  []uint8
}

// Binomial smooths the light of a row of pixels with the 3 x 3 binomial filter, from
// those above and below; and says around which of them the bits kind of the mask are
// not all alike. The first and the last pixel are left alone; room is as long as a row.
func Binomial(out [][3]float64, mixed []bool, above, here, below Row, kind uint8, room [][3]float64) {
	n := len(out)
	if n == 0 {
		return
	}
	for _, r := range [3]Row{above, here, below} {
		_, _ = r.Light[n-1], r.Mask[n-1]
	}
	_ = room[n-1]
	C.tw_binomial(f64(&above.Light[0][0]), f64(&here.Light[0][0]), f64(&below.Light[0][0]),
		(*C.uint8_t)(&above.Mask[0]), (*C.uint8_t)(&here.Mask[0]), (*C.uint8_t)(&below.Mask[0]),
		C.int(n), C.uint8_t(kind), f64(&out[0][0]), u8(mixed[:n]), f64(&room[0][0]))
}

func f64(p *float64) *C.double { return (*C.double)(p) }
