package kernels

// #cgo noescape tw_grow
// #cgo nocallback tw_grow
// #include "kernels.h"
import "C"

import "math"

// A Brush is a round one that masks are made wider by.
type Brush struct {
	r, wide int
	left    []uint16 // of 256, row by row, each filled up to whole sixteens
}

// MakeBrush is a brush so many pixels large, soft at its edge.
func MakeBrush(radius float64) Brush {
	r := int(math.Ceil(radius))
	b := Brush{r: r, wide: (2*r + 16) / 16 * 16}
	b.left = make([]uint16, (2*r+1)*b.wide)
	for dy := -r; dy <= r; dy++ {
		for dx := -r; dx <= r; dx++ {
			in := max(0, min(1, radius+0.5-math.Hypot(float64(dx), float64(dy))))
			b.left[(dy+r)*b.wide+dx+r] = uint16(256 * in)
		}
	}
	return b
}

// Grow makes a mask of width columns wider: each pixel becomes the most that the brush on
// any of the mask's leaves of it there. The mask's first pixel is at from in what comes
// back, whose rows are stride apart.
func (b *Brush) Grow(mask []uint8, width int) (out []uint8, from, stride int) {
	if width == 0 || len(mask) == 0 {
		return nil, 0, 0
	}
	h := len(mask) / width
	stride = width + b.wide
	out = make([]uint8, (h+2*b.r)*stride)
	C.tw_grow((*C.uint8_t)(&mask[0]), C.int(width), C.int(h), (*C.uint16_t)(&b.left[0]), C.int(b.r), (*C.uint8_t)(&out[0]), C.int(stride))
	return out, b.r*stride + b.r, stride
}
