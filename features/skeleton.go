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

// thin wears a mask of n x n cells down to lines one cell wide, in place, by
// Guo and Hall's algorithm (see thinTables). Cells on the border of the grid
// must be unset.
func thin(n int, mask []bool) {
	var offset [8]int
	for k := range offset {
		offset[k] = ringDY[k]*n + ringDX[k]
	}
	var set []int
	for i, m := range mask {
		if m {
			set = append(set, i)
		}
	}
	var gone []int
	for {
		changed := false
		for _, table := range [2]*[256]bool{&thinFirst, &thinSecond} {
			gone = gone[:0]
			for _, i := range set {
				s := 0
				for k, o := range offset {
					if mask[i+o] {
						s |= 1 << k
					}
				}
				if table[s] {
					gone = append(gone, i)
				}
			}
			if len(gone) == 0 {
				continue
			}
			changed = true
			for _, i := range gone {
				mask[i] = false
			}
			kept := set[:0]
			for _, i := range set {
				if mask[i] {
					kept = append(kept, i)
				}
			}
			set = kept
		}
		if !changed {
			return
		}
	}
}

// steps calls f for the neighbours on the line of cell i of a thinned mask: a
// diagonal neighbour counts only where no straight one leads to it, so that a
// corner isn't a branch.
func steps(n int, mask []bool, i int, f func(j int)) {
	for k := 0; k < 8; k += 2 {
		if j := i + ringDY[k]*n + ringDX[k]; mask[j] {
			f(j)
		}
	}
	for k := 1; k < 8; k += 2 {
		j := i + ringDY[k]*n + ringDX[k]
		if mask[j] && !mask[i+ringDX[k]] && !mask[i+ringDY[k]*n] {
			f(j)
		}
	}
}

// degree is the number of neighbours on the line.
func degree(n int, mask []bool, i int) int {
	c := 0
	steps(n, mask, i, func(int) { c++ })
	return c
}
