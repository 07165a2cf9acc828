package kernels

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestConeSumsAreTheNormalEquations(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(23, 24))
		dot := func(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }
		for n := 1; n < 40; n++ {
			// Twice as many rays, of which only some are asked for.
			rays, at, w := make([][3]float64, 2*n), make([]int32, n), make([]float64, n)
			// Some of them nearly along the second axis.
			tall := []float64{-0.1, 3}[n%2]
			for i := range rays {
				x, y := 0.3+0.05*r.NormFloat64(), tall+0.05*r.NormFloat64()
				l := math.Sqrt(x*x + y*y + 1)
				rays[i] = [3]float64{x / l, y / l, 1 / l}
			}
			var mean [3]float64
			for i := range at {
				at[i], w[i] = int32(r.IntN(len(rays))), r.Float64()
				for k := range mean {
					mean[k] += w[i] * rays[at[i]][k]
				}
			}
			axes, sums, ok := ConeSums(rays, at, w)
			for i, a := range axes {
				for j, b := range axes {
					want := 0.0
					if i == j {
						want = 1
					}
					if !near(dot(a, b), want, 1e-13) {
						t.Fatalf("%d rays: axes %v aren't square to each other", n, axes)
					}
				}
			}
			for k, m := range mean {
				if want := m / math.Sqrt(dot(mean, mean)); !near(axes[2][k], want, 1e-13) {
					t.Fatalf("%d rays: the third of %v should lie along %v", n, axes, mean)
				}
			}
			var want [9]float64
			for i, j := range at {
				u := rays[j]
				c := 1 / dot(u, axes[2])
				p, q := dot(u, axes[0])*c, dot(u, axes[1])*c
				for k, v := range [9]float64{1, p, q, p * p, p * q, q * q, c, p * c, q * c} {
					want[k] += w[i] * v
				}
			}
			for k := range want {
				if !ok || !near(sums[k], want[k], 1e-12) {
					t.Fatalf("%d rays: sums %v, should be %v", n, sums, want)
				}
			}
			some := make([][3]float64, n)
			for i, j := range at {
				some[i] = rays[j]
			}
			if a, s, ok := ConeSums(some, nil, w); !ok || a != axes || s != sums {
				t.Fatalf("%d rays one after the other: %v %v, should be %v %v", n, a, s, axes, sums)
			}
			if n > 1 {
				for k := range some[n/2] {
					some[n/2][k] = -some[n/2][k]
				}
				w[n/2] /= 100
				if _, _, ok := ConeSums(some, nil, w); ok {
					t.Fatal("a ray that points away was taken")
				}
			}
		}
		if _, _, ok := ConeSums([][3]float64{{0, 0, 1}, {0, 0, -1}}, nil, []float64{1, 1}); ok {
			t.Error("two rays to and fro have a mean")
		}
	})
}
