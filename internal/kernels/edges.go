package kernels

// #cgo noescape tw_change
// #cgo nocallback tw_change
// #cgo noescape tw_slope_row
// #cgo nocallback tw_slope_row
// #cgo noescape tw_thin
// #cgo nocallback tw_thin
// #cgo noescape tw_vote
// #cgo nocallback tw_vote
// #cgo noescape tw_blur
// #cgo nocallback tw_blur
// #cgo noescape tw_peaks
// #cgo nocallback tw_peaks
// #cgo noescape tw_saddles
// #cgo nocallback tw_saddles
// #include "kernels.h"
import "C"

import "math"

// A Relief finds where a picture of eight bits, blue, green and red, changes fastest: in
// lightness, red against green, or yellow against blue.
type Relief struct {
	W, H int
	bgr  []uint8
	room []int16
	rows [3]slopeRow // the one above, the one looked at, and the one below
	at   []int32
}

// slopeRow has a row's slopes in units of the noise: to the right, down, and the square
// of both.
type slopeRow struct{ x, y, m2 []float32 }

// MakeRelief takes a picture w pixels wide, at least 5, and h high. It must stay as it
// is.
func MakeRelief(bgr []uint8, w, h int) *Relief {
	r := &Relief{W: w, H: h, bgr: bgr[:3*w*h], room: make([]int16, 18*w+16), at: make([]int32, w)}
	m := eight(w) + 8 // C writes by eights
	all := make([]float32, 9*m)
	for i := range r.rows {
		cut := func(k int) []float32 { return all[(3*i+k)*m : (3*i+k)*m+w] }
		r.rows[i] = slopeRow{cut(0), cut(1), cut(2)}
	}
	return r
}

// perCode is what slopes are multiplied by to become changes of a colour that goes from
// 0 to 1, over two pixels: the filters' weights, the channels' own factors, and a code.
var perCode = [3]float64{1.0 / (3 * 16 * 255), 1.0 / (16 * 255), 1.0 / (2 * 16 * 255)}

// Row is how row y changes at every step-th pixel from the given one on: in each channel
// over two pixels to the right and down, of colours from 0 to 1. The two pixels at both
// ends are left out.
func (r *Relief) Row(y, from, step int, f func(x int, right, below [3]float64)) {
	w := r.W
	C.tw_change((*C.uint8_t)(&r.bgr[0]), C.int(w), C.int(r.H), C.int(y), i16(&r.room[0]), i16(&r.room[6*w]))
	for x := max(2, from); x < w-2; x += step {
		var right, below [3]float64
		for k := range 3 {
			right[k], below[k] = float64(r.room[2*k*w+x])*perCode[k], float64(r.room[(2*k+1)*w+x])*perCode[k]
		}
		f(x, right, below)
	}
}

// Edges calls back, row by row, for each pixel at which the picture changes faster than
// floor times the noise, and fastest along that change: with the pixel and the change,
// in units of the noise, to the right and down, of whichever channel changes most. noise
// is that of each, as a change of Row's; masked pixels (nil for none) are left out.
func (r *Relief) Edges(noise [3]float64, floor float64, masked []bool, f func(x, y int, right, below float64)) {
	var least [3]int32
	var unit [3]float32
	for k := range unit {
		u := perCode[k] / noise[k]
		unit[k] = float32(u)
		// A little less, since rounding decides further down.
		least[k] = int32(min(0.999*floor*floor/(u*u), math.MaxInt32/2))
	}
	w := r.W
	for y := 1; y < r.H-1; y++ {
		r.rows[0], r.rows[1], r.rows[2] = r.rows[1], r.rows[2], r.rows[0]
		next := &r.rows[2]
		C.tw_slope_row((*C.uint8_t)(&r.bgr[0]), C.int(w), C.int(r.H), C.int(y), i32(&least[0]), f32(&unit[0]),
			f32(&next.x[0]), f32(&next.y[0]), f32(&next.m2[0]), i16(&r.room[0]))
		if y < 3 {
			continue
		}
		var mask *C.uint8_t
		if masked != nil {
			mask = u8(masked[(y-1)*w : y*w])
		}
		here := &r.rows[1]
		n := C.tw_thin(f32(&r.rows[0].m2[0]), f32(&here.m2[0]), f32(&next.m2[0]), f32(&here.x[0]), f32(&here.y[0]), C.int(w),
			C.float(floor*floor), mask, i32(&r.at[0]))
		for _, x := range r.at[:n] {
			f(int(x), y-1, float64(here.x[x]), float64(here.y[x]))
		}
	}
}

// Vote adds one, for each edge, to the two cells that lie r px from it along its
// gradient, both ways. Cells are w in a row, 1/per px wide.
func (e Edges) Vote(cells []float32, w int, r, per float64) {
	if len(e.X) == 0 || w < 1 {
		return
	}
	C.tw_vote(f32(&e.X[0]), f32(&e.Y[0]), f32(&e.GX[0]), f32(&e.GY[0]), C.int(len(e.X)), C.float(r), C.float(per), C.int(w), C.int(len(cells)/w), f32(&cells[0]))
}

// BlurReach is how far Blur's filter reaches, in cells, at most.
const BlurReach = C.TW_BLUR_REACH

// Blur smooths cells, w in a row, across and down by a symmetric filter: what the middle
// weighs, and then what the cells do that lie one off it on each side, two, and at most
// BlurReach. Beyond the cells there is nothing. room is for BlurRoom numbers.
func Blur(cells []float32, w int, weights []float32, room []float32) {
	reach := len(weights) - 1
	if reach < 1 || reach > BlurReach || w < 1 || len(cells) < w {
		return
	}
	_ = room[BlurRoom(w)-1]
	C.tw_blur(f32(&cells[0]), C.int(w), C.int(len(cells)/w), f32(&weights[0]), C.int(reach), f32(&room[0]))
}

// BlurRoom is how much room Blur needs for rows of w cells.
func BlurRoom(w int) int { return (2*BlurReach+2)*w + 2*BlurReach }

// Peaks gives the cells, numbered row by row, that hold no less than least and than the
// four beside them, from row y on; those at the border of all are none. It stops where
// room, which is for as many as a row has or more, may not hold the next row's, and
// gives that row: one less than there are when it is done.
func Peaks(cells []float32, w, y int, least float32, room []int32) (peaks []int32, next int) {
	h := len(cells) / w
	_ = cells[(y-1)*w]
	_ = room[w-1]
	at := C.int(y)
	n := C.tw_peaks(f32(&cells[0]), C.int(w), C.int(h), &at, C.float(least), i32(&room[0]), C.int(len(room)))
	return room[:n], int(at)
}

func i16(p *int16) *C.int16_t { return (*C.int16_t)(p) }

// SaddleMargin is how far from a picture's edge Saddles begins, px.
const SaddleMargin = 3

// Saddles writes, for each pixel of row y of a grey picture of w columns, how much it
// looks like the place where four squares of a chessboard meet: about eight times the
// squares' difference in codes there, below 0 on edges and lines. It is the response of
// Bennett and Lasenby, ChESS - quick and robust detection of chess-board features
// (2014), on a circle of radius 3. SaddleMargin pixels on all sides are left out.
func Saddles(out []int16, grey []uint8, w, y int) {
	if w <= 2*SaddleMargin {
		return
	}
	_, _, _ = out[w-1], grey[(y-SaddleMargin)*w], grey[(y+SaddleMargin+1)*w-1]
	C.tw_saddles((*C.uint8_t)(&grey[y*w]), C.int(w), i16(&out[0]))
}
