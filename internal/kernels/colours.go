package kernels

// #cgo noescape tw_closest
// #cgo nocallback tw_closest
// #cgo noescape tw_cubes
// #cgo nocallback tw_cubes
// #cgo noescape tw_flat_around
// #cgo nocallback tw_flat_around
// #cgo noescape tw_inside
// #cgo nocallback tw_inside
// #cgo noescape tw_largest
// #cgo nocallback tw_largest
// #cgo noescape tw_meetings
// #cgo nocallback tw_meetings
// #cgo noescape tw_steepness
// #cgo nocallback tw_steepness
// #cgo noescape tw_tally
// #cgo nocallback tw_tally
// #include "kernels.h"
import "C"

// Colours is how many colours a face has at most; the number of each pixel's is below
// 0 for none.
const Colours = C.TW_COLOURS

// A Lab32 is a colour of three numbers.
type Lab32 interface{ ~[3]float32 }

// Steepness is the largest squared distance of each pixel of a face n wide and high
// from those beside it, between pixels that have the bit in the mask. room is for two
// rows.
func Steepness[T Lab32](out []float32, lab []T, mask []uint8, n int, bit uint8, room []float32) {
	if n == 0 {
		return
	}
	_, _, _, _ = out[n*n-1], lab[n*n-1], mask[n*n-1], room[2*n-1]
	C.tw_steepness(f32(&lab[0][0]), (*C.uint8_t)(&mask[0]), C.int(n), C.uint8_t(bit), f32(&out[0]), f32(&room[0]))
}

// Closest gives each of the pixels at the number of the nearest centre, the first of
// those equally near. They are pixels of the face.
func Closest[T Lab32](of []int8, lab []T, at []int32, centres [][3]float64) {
	if len(at) == 0 || len(centres) == 0 {
		return
	}
	_ = lab[len(of)-1]
	C.tw_closest(f32(&lab[0][0]), i32(&at[0]), C.int(len(at)), f64(&centres[0][0]), C.int(len(centres)), (*C.int8_t)(&of[0]))
}

// Cube is set in the number of each cube of colour.
const Cube = C.TW_CUBE

// Cubes is in which cube of colour each of the pixels at lies, per of them to 1: a byte
// for each number, from the middle of 256, and [Cube]; 0 beyond. They are pixels of the
// face.
func Cubes[T Lab32](out []uint32, lab []T, at []int32, per float32) {
	if len(at) == 0 {
		return
	}
	_ = out[len(at)-1]
	C.tw_cubes(f32(&lab[0][0]), i32(&at[0]), C.int(len(at)), C.float(per), (*C.uint32_t)(&out[0]))
}

// Inside says of which pixels of a face n wide and high, its first and its last row
// aside, the four beside them are of the same colour or of none.
func Inside(in []bool, of []int8, n int) {
	if n < 2 {
		return
	}
	_ = of[n*n-1]
	C.tw_inside((*C.int8_t)(&of[0]), C.int(n), u8(in[:n*n]))
}

// Tally counts the pixels of each colour, and those of them that are in.
func Tally(of []int8, in []bool) (all, those [Colours]int32) {
	if len(of) == 0 {
		return all, those
	}
	C.tw_tally((*C.int8_t)(&of[0]), u8(in[:len(of)]), C.int(len(of)), i32(&all[0]), i32(&those[0]))
	return all, those
}

// FlatRoom is how many numbers [FlatAround] takes for a face.
func FlatRoom(n, reach int) int { return (n+2*reach)*(n+2*reach) + 2*reach + 64 }

// FlatAround is which colours, a bit each, pixels that lead have within reach to all
// sides of each pixel of a face n wide and high; and in own that of the pixel itself.
// lead is 0 or 255.
func FlatAround(out, own []uint8, of []int8, lead []uint8, n, reach int, room []uint8) {
	if n == 0 {
		return
	}
	_, _, _, _, _ = out[n*n-1], own[n*n-1], of[n*n-1], lead[n*n-1], room[FlatRoom(n, reach)-1]
	C.tw_flat_around((*C.int8_t)(&of[0]), (*C.uint8_t)(&lead[0]), C.int(n), C.int(reach), (*C.uint8_t)(&own[0]), (*C.uint8_t)(&out[0]),
		(*C.uint8_t)(&room[0]))
}

// LargestRoom is how many bytes [Largest] reads for h rows wide bytes apart.
func LargestRoom(wide, h, side int) int { return (h+side-1)*wide + side + 64 }

// Largest gives each byte of h rows, which are wide bytes apart, the largest of the side
// by side bytes that begin there. What lies up to 64 bytes past them may change.
func Largest(f []uint8, wide, h, side int) {
	if h == 0 {
		return
	}
	_ = f[LargestRoom(wide, h, side)-1]
	C.tw_largest((*C.uint8_t)(&f[0]), C.int(h*wide), C.int(side), C.int(wide))
}

// Meetings is where two colours meet along the rows and down the columns of a face n
// wide and high: twice the number of the first pixel, and one more where the second
// lies below it. They are appended to out, which must have room for two a pixel.
func Meetings(out []int32, of []int8, n int) []int32 {
	if n == 0 {
		return out
	}
	k := len(out)
	_, out = of[n*n-1], out[:k+2*n*n]
	return out[:k+int(C.tw_meetings((*C.int8_t)(&of[0]), C.int(n), i32(&out[k])))]
}
