package kernels

// #cgo noescape tw_cone_sums
// #cgo nocallback tw_cone_sums
// #include "kernels.h"
import "C"

import "unsafe"

// ConeSums adds up the normal equations of V.u = 1 over rays u, by their weights: those
// rays that at numbers, in its order, or with nil all of them. Coordinates are about the
// third of three axes, which is the rays' weighted mean: with p and q what u has along
// the first two and c one, all over what it has along the third, the sums are of 1, p,
// q, pp, pq, qq, c, pc and qc. ok is false where there is no mean, or a ray points away
// from it.
func ConeSums(rays [][3]float64, at []int32, weights []float64) (axes [3][3]float64, sums [9]float64, ok bool) {
	n, first := len(rays), i32(unsafe.SliceData(at))
	if at != nil {
		n = len(at)
	}
	if n == 0 {
		return axes, sums, false
	}
	_ = weights[n-1]
	ok = C.tw_cone_sums(f64(&rays[0][0]), first, f64(&weights[0]), C.int(n), f64(&axes[0][0]), f64(&sums[0])) != 0
	return axes, sums, ok
}
