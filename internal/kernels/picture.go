package kernels

// #cgo noescape tw_across
// #cgo nocallback tw_across
// #cgo noescape tw_encode
// #cgo nocallback tw_encode
// #cgo noescape tw_less
// #cgo nocallback tw_less
// #include "kernels.h"
import "C"

import (
	"math"

	"tawsight/internal/colour"
)

// Taps say, along one axis, what the pixels of a picture are made of: each is the sum
// of Count pixels of the photo, from First on, by their weights.
type Taps struct {
	Count  int
	First  []int32
	Weight []float32 // Count for each pixel
}

// Across makes a row of a photo into one as long as out. What the taps name must lie
// in the line.
func Across(out, line []Sample, t Taps) {
	if len(out) == 0 {
		return
	}
	_, _ = t.First[len(out)-1], t.Weight[t.Count*len(out)-1]
	C.tw_across(f32(&line[0][0]), i32(&t.First[0]), f32(&t.Weight[0]), C.int(t.Count), C.int(len(out)), f32(&out[0][0]))
}

// ToneSteps is how many steps the table of a tone curve has. Step i is for the
// luminances of which [ToneAt] is the middle.
const ToneSteps = 15 << toneBits

const toneBits = 23 - C.TW_SHIFT // of what a float32 has beside sign and exponent

// ToneAt is the luminance in the middle of a step.
func ToneAt(step int) float64 {
	return float64(math.Float32frombits(math.Float32bits(C.TW_TONE_FROM) + uint32(step)<<C.TW_SHIFT + 1<<(C.TW_SHIFT-1)))
}

// A Finish says how rows become 8-bit codes.
type Finish struct {
	// Cell is which cell of the light each pixel of a row lies in, and Into how far,
	// 0 to 1.
	Cell []int32
	Into []float32
	// Gain is what each cell's colours are multiplied by (red, green, blue) at its
	// beginning, and how that changes to its end.
	Gain [][2]Sample
	// Tone is the factor for a luminance; nil for none.
	Tone *[ToneSteps]float32
}

// Encode adds up rows by their weights, balances what comes of it, and writes it as
// sRGB, red, green, blue and opaque. The rows are those that begin at the given
// samples of all, and as long as Cell.
func (f *Finish) Encode(out []uint8, all []Sample, row []int32, weight []float32) {
	n := len(f.Cell)
	if n == 0 || len(row) == 0 {
		return
	}
	_, _, _ = out[4*n-1], f.Into[n-1], weight[len(row)-1]
	for _, r := range row {
		_ = all[int(r)+n-1]
	}
	var tone *C.float
	if f.Tone != nil {
		tone = f32(&f.Tone[0])
	}
	codes, ends := colour.CodeSteps()
	C.tw_encode(f32(&all[0][0]), i32(&row[0]), f32(&weight[0]), C.int(len(row)), C.int(n), i32(&f.Cell[0]), f32(&f.Into[0]),
		f32(&f.Gain[0][0][0]), tone, (*C.uint8_t)(&codes[0]), f32(&ends[0]), (*C.uint8_t)(&out[0]))
}

// LessAbove writes what each byte of a row of pixels, four bytes each, is more than the
// one above, without the pixels' fourth bytes where channels is 3. out must have room
// for four bytes more.
func LessAbove(out, here, above []uint8, channels int) {
	n := len(here) / 4
	if n == 0 {
		return
	}
	_, _ = above[4*n-1], out[channels*n+3]
	C.tw_less((*C.uint8_t)(&here[0]), (*C.uint8_t)(&above[0]), C.int(n), C.int(channels), (*C.uint8_t)(&out[0]))
}

func i32(p *int32) *C.int32_t { return (*C.int32_t)(p) }
