package features

import (
	"math"

	"tawsight/internal/kernels"
)

// distanceTransform is each cell's exact squared Euclidean distance to the nearest
// site of an n x n grid, in cells, and that site's index (-1 and +Inf where
// there is no site at all). The buffers are lent.
func distanceTransform(n int, site []bool) (d2 []float64, nearest []int32) {
	d2, nearest = floats.take(n*n), ints.take(n*n)
	w, m := kernels.NearestRoom(n)
	wide, narrow := longs.take(w), ints.take(m)
	kernels.NearestSite(d2, nearest, n, site, wide, narrow)
	longs.give(wide)
	ints.give(narrow)
	return d2, nearest
}

var longs buffers[int64]

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
