package features

// The eight neighbours of a cell, from east counter-clockwise with y down.
var (
	ringDX = [8]int{1, 1, 0, -1, -1, -1, 0, 1}
	ringDY = [8]int{0, -1, -1, -1, 0, 1, 1, 1}
)

// thin wears a mask n cells wide down to lines one cell wide, in place, and gives
// the cells that are left, in order, in a lent buffer. Cells on the border of the
// grid must be unset.
func thin(n int, mask []bool) []int32 {
	cells := ints.list(len(mask))
	for i, m := range mask {
		if m {
			cells = append(cells, int32(i))
		}
	}
	return thinCells(n, mask, cells)
}

var wordPool buffers[uint64]

// thinCells is thin for a mask of which these cells are set, in order. It is
// algorithm A1 of Z. Guo and R. W. Hall, Parallel thinning with two-subiteration
// algorithms, Communications of the ACM 32(3) (1989) 359-373, on 64 cells at a
// time, a bit each.
func thinCells(n int, mask []bool, cells []int32) []int32 {
	if len(cells) == 0 {
		return cells
	}
	// A word of nothing to both sides of each row, a row of nothing above and below.
	wide := (n+63)/64 + 2
	from := int(cells[0]) / n
	rows := int(cells[len(cells)-1])/n - from + 1
	grid := wordPool.zeroed((rows + 2) * wide)
	old := wordPool.zeroed(2 * wide) // two rows as they were before this half of a round
	changed := ints.zeroed(rows + 2) // the half of a round in which each row changed last
	defer func() {
		wordPool.give(grid, old)
		ints.give(changed)
	}()
	row, end := 0, from*n
	for _, i := range cells {
		for int(i) >= end {
			row, end = row+1, end+n
		}
		x := int(i) - end + n
		grid[row*wide+1+x/64] |= 1 << (x % 64)
	}
	gone := make([]uint64, wide)
	for half, still := 1, 0; still < 2; half++ {
		still++
		above := grid[:wide] // as it was before this half
		for y := 1; y <= rows; y++ {
			here := grid[y*wide:][:wide]
			// What has been looked at since it last changed stays as it is.
			if int(max(changed[y-1], changed[y], changed[y+1])) < half-2 {
				above = here
				continue
			}
			below := grid[(y+1)*wide:][:wide]
			any := uint64(0)
			for k := 1; k < wide-1; k++ {
				gone[k] = 0
				if c := here[k]; c != 0 {
					gone[k] = c & thinnable(half%2 == 1, (*[3]uint64)(above[k-1:]), (*[3]uint64)(here[k-1:]), (*[3]uint64)(below[k-1:]))
					any |= gone[k]
				}
			}
			if any == 0 {
				above = here
				continue
			}
			changed[y], still = int32(half), 0
			above = old[y%2*wide:][:wide]
			copy(above, here)
			for k := 1; k < wide-1; k++ {
				here[k] &^= gone[k]
			}
		}
	}
	left := cells[:0]
	row, end = 0, from*n
	for _, i := range cells {
		for int(i) >= end {
			row, end = row+1, end+n
		}
		x := int(i) - end + n
		if grid[row*wide+1+x/64]>>(x%64)&1 == 1 {
			left = append(left, i)
		} else {
			mask[i] = false
		}
	}
	return left
}

// thinnable are those of 64 cells, the middle word of the middle row, that go in
// the first half of a round or in the second, by the rows above, here and below.
func thinnable(first bool, above, here, below *[3]uint64) uint64 {
	// Bit k is the cell to the east of bit k-1.
	east := func(r *[3]uint64) uint64 { return r[1]>>1 | r[2]<<63 }
	west := func(r *[3]uint64) uint64 { return r[1]<<1 | r[0]>>63 }
	e, ne, n, nw := east(here), east(above), above[1], west(above)
	w, sw, s, se := west(here), west(below), below[1], east(below)
	two := func(a, b, c, d uint64) uint64 { return a&b | c&d | (a|b)&(c|d) } // two or more of the four
	// One run of neighbours only, so that nothing is cut in two.
	r1, r2, r3, r4 := ^e&(ne|n), ^n&(nw|w), ^w&(sw|s), ^s&(se|e)
	go1 := (r1 | r2 | r3 | r4) &^ two(r1, r2, r3, r4)
	// Neither an end nor inside.
	a1, a2, a3, a4 := e|ne, n|nw, w|sw, s|se
	b1, b2, b3, b4 := ne|n, nw|w, sw|s, se|e
	go2 := two(a1, a2, a3, a4) & two(b1, b2, b3, b4) &^ (a1 & a2 & a3 & a4 & b1 & b2 & b3 & b4)
	if first {
		return go1 & go2 &^ ((ne | n | ^se) & e)
	}
	return go1 & go2 &^ ((sw | s | ^nw) & w)
}

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
