package kernels

// #cgo noescape tw_mean_ray
// #cgo nocallback tw_mean_ray
// #cgo noescape tw_cone_sums
// #cgo nocallback tw_cone_sums
// #include "kernels.h"
import "C"

// MeanRay adds up rays by their weights, of which there are as many.
func MeanRay(rays [][3]float64, weights []float64) (m [3]float64) {
	if len(rays) > 0 {
		_ = weights[len(rays)-1]
		C.tw_mean_ray(f64(&rays[0][0]), f64(&weights[0]), C.int(len(rays)), f64(&m[0]))
	}
	return m
}

// ConeSums adds up the normal equations of V.u = 1 over rays u, by their weights, in
// coordinates about the third of three axes: with p and q what u has along the first
// two and c one, all over what it has along the third, the sums of 1, p, q, pp, pq, qq,
// c, pc and qc. ok is false where a ray points away from the third axis.
func ConeSums(rays [][3]float64, weights []float64, axes *[3][3]float64) (s [9]float64, ok bool) {
	if len(rays) == 0 {
		return s, true
	}
	_ = weights[len(rays)-1]
	ok = C.tw_cone_sums(f64(&rays[0][0]), f64(&weights[0]), C.int(len(rays)), f64(&axes[0][0]), f64(&s[0])) != 0
	return s, ok
}
