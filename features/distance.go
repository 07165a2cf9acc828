package features

import "math"

// distanceTransform is each cell's exact Euclidean distance to the nearest
// site of an n x n grid, in cells, and that site's index (-1 and +Inf where
// there is no site at all): the lower envelope of parabolas along columns and
// then rows, P. F. Felzenszwalb and D. P. Huttenlocher, Distance transforms of
// sampled functions, Theory of Computing 8 (2012) 415-428.
func distanceTransform(n int, site func(i int) bool) (d []float64, nearest []int32) {
	d = make([]float64, n*n)
	nearest = make([]int32, n*n)
	// Along columns the sites are 0 or nothing, so two sweeps do.
	rowOf := make([]int32, n*n) // row of the nearest site in this column, -1
	for x := range n {
		last := int32(-1)
		for y := range n {
			i := y*n + x
			if site(i) {
				last = int32(y)
			}
			rowOf[i] = last
		}
		last = -1
		for y := n - 1; y >= 0; y-- {
			i := y*n + x
			if rowOf[i] == int32(y) {
				last = int32(y)
			}
			if last >= 0 && (rowOf[i] < 0 || int(last)-y < y-int(rowOf[i])) {
				rowOf[i] = last
			}
		}
	}
	v := make([]int, n)       // columns of the parabolas in the envelope
	z := make([]float64, n+1) // where each begins
	g := make([]float64, n)   // squared distance along the column
	for y := range n {
		row := rowOf[y*n : (y+1)*n]
		k := -1
		for x := range n {
			if row[x] < 0 {
				continue
			}
			dy := float64(int(row[x]) - y)
			g[x] = dy * dy
			at := math.Inf(-1)
			for k >= 0 {
				at = (g[x] + float64(x*x) - g[v[k]] - float64(v[k]*v[k])) / float64(2*(x-v[k]))
				if at > z[k] {
					break
				}
				k--
			}
			if k < 0 {
				at = math.Inf(-1)
			}
			k++
			v[k], z[k] = x, at
		}
		if k < 0 {
			for x := range n {
				d[y*n+x], nearest[y*n+x] = math.Inf(1), -1
			}
			continue
		}
		top, j := k, 0
		for x := range n {
			for j < top && z[j+1] < float64(x) {
				j++
			}
			dx := float64(x - v[j])
			d[y*n+x] = math.Sqrt(dx*dx + g[v[j]])
			nearest[y*n+x] = row[v[j]]*int32(n) + int32(v[j])
		}
	}
	return d, nearest
}
