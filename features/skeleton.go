package features

import "tawsight/internal/kernels"

// The eight neighbours of a cell, from east counter-clockwise with y down.
var (
	ringDX = [8]int{1, 1, 0, -1, -1, -1, 0, 1}
	ringDY = [8]int{0, -1, -1, -1, 0, 1, 1, 1}
)

// thin wears a mask n cells wide down to lines one cell wide, in place, and gives
// the cells that are left, in order, in a lent buffer. Cells on the border of the
// grid must be unset.
func thin(n int, mask []bool) []int32 {
	room := wordPool.take(kernels.ThinRoom(n, len(mask)/n))
	defer wordPool.give(room)
	return kernels.Thin(mask, n, room, ints.list(len(mask)))
}

var wordPool buffers[uint64]

func one(b bool) uint8 {
	if b {
		return 1
	}
	return 0
}

// steps are the neighbours on the line of cell i of a thinned mask: a diagonal
// neighbour counts only where no straight one leads to it, so that a corner
// isn't a branch. They are written to by.
func steps(n int, mask []bool, i int, by *[8]int) []int {
	out := by[:0]
	for k := 0; k < 8; k += 2 {
		if j := i + ringDY[k]*n + ringDX[k]; mask[j] {
			out = append(out, j)
		}
	}
	for k := 1; k < 8; k += 2 {
		j := i + ringDY[k]*n + ringDX[k]
		if mask[j] && !mask[i+ringDX[k]] && !mask[i+ringDY[k]*n] {
			out = append(out, j)
		}
	}
	return out
}

// degree is the number of neighbours on the line.
func degree(n int, mask []bool, i int) int {
	var by [8]int
	return len(steps(n, mask, i, &by))
}
