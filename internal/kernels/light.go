package kernels

// #cgo noescape tw_luminance
// #cgo nocallback tw_luminance
// #include "kernels.h"
import "C"

// Luminance adds, to each of sum, the luminance at one place of a straight line, read
// between a photo's pixels, of eight bits and width columns. share is what each code
// adds to it, by channel (red, green, blue). All places must have photo on all sides.
func Luminance(sum []float64, bgr []uint8, width int, at Straight, share *[3][256]float64) {
	if len(sum) == 0 {
		return
	}
	within(bgr, width, at, len(sum))
	C.tw_luminance((*C.uint8_t)(&bgr[0]), C.long(3*width), C.double(at.X), C.double(at.Y), C.double(at.DX), C.double(at.DY), C.int(len(sum)),
		f64(&share[0][0]), f64(&sum[0]))
}

// within panics where the first or the last of n places along a line lacks photo on
// some side.
func within(bgr []uint8, width int, at Straight, n int) {
	for _, k := range [2]int{0, n - 1} {
		x, y := at.Place(k)
		_ = bgr[3*(int(y)*width+int(x))]
		_ = bgr[3*((int(y)+1)*width+int(x)+2)-1]
	}
}
