package kernels

// #cgo noescape tw_thin_mask
// #cgo nocallback tw_thin_mask
// #include "kernels.h"
import "C"

// ThinRoom is how many words [Thin] takes for a mask.
func ThinRoom(width, height int) int { return 2 * (height + 2) * (width/64 + 3) }

// Thin wears a mask, whose border is unset, down to lines one cell wide, in place, and
// appends the cells that are left to cells, in order, which must have room for them.
func Thin(mask []bool, width int, room []uint64, cells []int32) []int32 {
	if len(mask) == 0 {
		return cells
	}
	height := len(mask) / width
	_, _, _ = mask[width*height-1], room[ThinRoom(width, height)-1], cells[len(cells):len(cells)+len(mask)]
	at := cells[len(cells) : len(cells)+1]
	n := int(C.tw_thin_mask(u8(mask), C.int(width), C.int(height), (*C.uint64_t)(&room[0]), i32(&at[0])))
	return cells[:len(cells)+n]
}
