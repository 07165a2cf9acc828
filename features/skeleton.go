package features

// The eight neighbours of a cell, from east counter-clockwise with y down.
var (
	ringDX = [8]int{1, 1, 0, -1, -1, -1, 0, 1}
	ringDY = [8]int{0, -1, -1, -1, 0, 1, 1, 1}
)

// thinFirst and thinSecond say for each state of the eight neighbours (bit i
// for neighbour i of the ring) whether the cell goes in the first or the
// second half of a round.
var thinFirst, thinSecond = thinTables()

// thinTables are the conditions of Z. Guo and R. W. Hall, Parallel thinning
// with two-subiteration algorithms, Communications of the ACM 32(3) (1989)
// 359-373, algorithm A1.
func thinTables() (first, second [256]bool) {
	for s := range 256 {
		x := func(i int) bool { return s>>((i-1)%8)&1 == 1 } // x(1)..x(8), x(9) = x(1)
		// G1: one run of neighbours only, so that nothing is cut in two.
		runs, n1, n2 := 0, 0, 0
		for i := 1; i <= 7; i += 2 {
			if !x(i) && (x(i+1) || x(i+2)) {
				runs++
			}
			if x(i) || x(i+1) {
				n1++
			}
			if x(i+1) || x(i+2) {
				n2++
			}
		}
		// G2: neither an end nor inside.
		if m := min(n1, n2); runs != 1 || m < 2 || m > 3 {
			continue
		}
		first[s] = !((x(2) || x(3) || !x(8)) && x(1))
		second[s] = !((x(6) || x(7) || !x(4)) && x(5))
	}
	return first, second
}

// thin wears a mask n cells wide down to lines one cell wide, in place, by
// Guo and Hall's algorithm (see thinTables). Cells on the border of the grid
// must be unset. A cell is looked at again only when one beside it has gone.
func thin(n int, mask []bool) {
	var offset [8]int
	for k := range offset {
		offset[k] = ringDY[k]*n + ringDX[k]
	}
	around := bytes.take(len(mask))  // which of the eight neighbours are set
	waits := bytes.zeroed(len(mask)) // for which half of a round it waits, a bit each
	var queue [2][]int32
	queue[0], queue[1] = ints.list(len(mask)), ints.list(len(mask))
	now, gone := ints.list(len(mask)), ints.list(len(mask))
	for i, m := range mask {
		if !m {
			continue
		}
		s := one(mask[i+offset[0]]) | one(mask[i+offset[1]])<<1 | one(mask[i+offset[2]])<<2 | one(mask[i+offset[3]])<<3 |
			one(mask[i+offset[4]])<<4 | one(mask[i+offset[5]])<<5 | one(mask[i+offset[6]])<<6 | one(mask[i+offset[7]])<<7
		around[i] = s
		if s != 255 { // no cell inside goes
			waits[i] = 3
			queue[0] = append(queue[0], int32(i))
			queue[1] = append(queue[1], int32(i))
		}
	}
	for len(queue[0])+len(queue[1]) > 0 {
		for half, table := range [2]*[256]bool{&thinFirst, &thinSecond} {
			now, queue[half] = queue[half], now[:0]
			gone = gone[:0]
			for _, i := range now {
				waits[i] &^= 1 << half
				if mask[i] && table[around[i]] {
					gone = append(gone, i)
				}
			}
			for _, i := range gone {
				mask[i] = false
			}
			for _, i := range gone {
				for k, o := range offset {
					j := int(i) + o
					if !mask[j] {
						continue
					}
					around[j] &^= 1 << ((k + 4) % 8)
					for h := range queue {
						if waits[j]&(1<<h) == 0 {
							waits[j] |= 1 << h
							queue[h] = append(queue[h], int32(j))
						}
					}
				}
			}
		}
	}
	ints.give(queue[0], queue[1], now, gone)
	bytes.give(around, waits)
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
