package features

import "math"

// distanceTransform is each cell's exact squared Euclidean distance to the nearest
// site of an n x n grid, in cells, and that site's index (-1 and +Inf where
// there is no site at all): the lower envelope of parabolas along columns and
// then rows, P. F. Felzenszwalb and D. P. Huttenlocher, Distance transforms of
// sampled functions, Theory of Computing 8 (2012) 415-428. The buffers are lent.
func distanceTransform(n int, site []bool) (d2 []float64, nearest []int32) {
	d2 = floats.take(n * n)
	nearest = ints.take(n * n)
	// Along columns the sites are 0 or nothing, so two sweeps do.
	rowOf := ints.take(n * n) // row of the nearest site in this column, -1
	last := ints.take(n)
	for x := range last {
		last[x] = -1
	}
	for y := range n {
		row := rowOf[y*n : (y+1)*n]
		for x, is := range site[y*n : (y+1)*n] {
			if is {
				last[x] = int32(y)
			}
			row[x] = last[x]
		}
	}
	// The columns that hold any site: c0 up to c1.
	c0, c1 := 0, n
	for c0 < n && last[c0] < 0 {
		c0++
	}
	for c1 > c0 && last[c1-1] < 0 {
		c1--
	}
	for x := range last {
		last[x] = -1
	}
	for y := n - 1; y >= 0; y-- {
		row := rowOf[y*n+c0 : y*n+c1]
		last := last[c0:c1]
		for x, r := range row {
			if int(r) == y {
				last[x] = int32(y)
			} else if b := last[x]; b >= 0 && (r < 0 || int(b)-y < y-int(r)) {
				row[x] = b
			}
		}
	}
	v := ints.take(n)       // columns of the parabolas in the envelope
	z := floats.take(n + 1) // where each begins
	g := floats.take(n)     // squared distance along the column
	for y := range n {
		row := rowOf[y*n : (y+1)*n]
		k := -1
		for x := c0; x < c1; x++ {
			if row[x] < 0 {
				continue
			}
			// Of sites side by side only the outermost are nearest to others.
			if int(row[x]) == y && x > 0 && x < n-1 && int(row[x-1]) == y && int(row[x+1]) == y {
				continue
			}
			dy := float64(int(row[x]) - y)
			g[x] = dy * dy
			at := math.Inf(-1)
			for k >= 0 {
				if u := int(v[k]); g[x] == g[u] {
					at = float64(x+u) / 2
				} else {
					at = (g[x] + float64(x*x) - g[u] - float64(u*u)) / float64(2*(x-u))
				}
				if at > z[k] {
					break
				}
				k--
			}
			if k < 0 {
				at = math.Inf(-1)
			}
			k++
			v[k], z[k] = int32(x), at
		}
		to, from := d2[y*n:(y+1)*n], nearest[y*n:(y+1)*n]
		if k < 0 {
			for x := range n {
				to[x], from[x] = math.Inf(1), -1
			}
			continue
		}
		top, j := k, 0
		z[top+1] = math.Inf(1)
		u := int(v[0])
		site := row[u]*int32(n) + int32(u)
		for x := range n {
			if int(row[x]) == y {
				to[x], from[x] = 0, int32(y*n+x)
				continue
			}
			for z[j+1] < float64(x) {
				j++
				u = int(v[j])
				site = row[u]*int32(n) + int32(u)
			}
			from[x] = site
			dx := float64(x - u)
			to[x] = dx*dx + g[u]
		}
	}
	ints.give(rowOf, last, v)
	floats.give(z, g)
	return d2, nearest
}

// depth gives each cell's distance to the nearest cell of a mask that is unset;
// 0 for those themselves.
type depth struct {
	n      int
	across []int32 // the same along the row alone
}

// depthOf is for a mask n cells wide whose border is unset; the buffer in it is
// lent.
func depthOf(n int, mask []bool) depth {
	d := depth{n, ints.zeroed(len(mask))}
	for y := range len(mask) / n {
		row, out := mask[y*n:(y+1)*n], d.across[y*n:(y+1)*n]
		for x := 0; x < n; x++ {
			if !row[x] {
				continue
			}
			from := x
			for x++; x < n && row[x]; x++ {
			}
			// Up to the middle of the run and down again.
			for a, b := from, x-1; a <= b; a, b = a+1, b-1 {
				out[a], out[b] = int32(a-from+1), int32(a-from+1)
			}
		}
	}
	return d
}

// at is 0 beyond the mask as well.
func (d depth) at(i int) float64 {
	if i < 0 || i >= len(d.across) {
		return 0
	}
	best := int(d.across[i]) * int(d.across[i])
	for k := 1; k*k < best; k++ {
		for _, j := range [2]int{i - k*d.n, i + k*d.n} {
			a := int(d.across[j])
			best = min(best, a*a+k*k)
		}
	}
	return math.Sqrt(float64(best))
}
