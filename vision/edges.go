package vision

import (
	"math"

	"tawsight/internal/kernels"
	"tawsight/internal/order"
)

// edge is an edge pixel with its unit gradient.
type edge struct {
	x, y   float64
	gx, gy float64
	mag    float64
}

// edges lists pixels where a reduced picture changes faster than its noise: local
// maxima of the gradient along itself, of whichever channel changes most, in
// units of the median gradient of open paper. Masked pixels (the card) give
// none.
func edges(img *smallPicture, masked []bool) []edge {
	out := make([]edge, 0, img.w*img.h/48)
	r := kernels.MakeRelief(img.bgr, img.w, img.h)
	r.Edges(gradientNoise(r, masked), edgeFloor, masked, func(x, y int, right, below float64) {
		m := math.Sqrt(right*right + below*below)
		out = append(out, edge{float64(x), float64(y), right / m, below / m, m})
	})
	return out
}

// edgeFloor is the least gradient that counts as an edge, in units of the
// paper's median gradient. Gradients of noise follow a Rayleigh law, whose
// share beyond k medians is 2^(-k^2): 4e-6 at 4.2.
const edgeFloor = 4.2

// gradientNoise is the median gradient of each channel over open picture. Most of a
// photo is paper, so the median is the paper's noise, whatever made it.
func gradientNoise(r *kernels.Relief, masked []bool) (noise [3]float64) {
	step := max(1, int(math.Sqrt(float64(r.W*r.H)/20000)))
	var g [3][]float64 // squares
	for k := range g {
		g[k] = make([]float64, 0, (r.W/step+1)*(r.H/step+1))
	}
	for y := 1; y < r.H-1; y += step {
		r.Row(y, 1+step, step, func(x int, right, below [3]float64) {
			if masked != nil && masked[y*r.W+x] {
				return
			}
			for k := range g {
				g[k] = append(g[k], right[k]*right[k]+below[k]*below[k])
			}
		})
	}
	for k := range g {
		m := 0.0
		if len(g[k]) > 0 {
			// The lower half only: a crowded photo has more edges than paper.
			m = 1.394 * math.Sqrt(order.Nth(g[k], len(g[k])*3/10)) // Rayleigh's median over its 30 % point
		}
		// Eight-bit pictures can't show less than this.
		noise[k] = math.Max(m, 0.0025)
	}
	return noise
}
