package kernels

// #include "kernels.h"
import "C"

// Average smooths places by weights that add up to sum: each is the mean of as many of
// at as there are weights, from that of the same number on.
func Average(out, at [][2]float64, weights []float64, sum float64) {
	if len(out) == 0 || len(weights) == 0 {
		return
	}
	_ = at[len(out)+len(weights)-2]
	C.tw_average(f64(&at[0][0]), C.int(len(out)), f64(&weights[0]), C.int(len(weights)), C.double(sum), f64(&out[0][0]))
}
