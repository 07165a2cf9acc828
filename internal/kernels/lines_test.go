package kernels

import (
	"math/rand/v2"
	"testing"
)

func TestAverageWeighsPlaces(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(53, 54))
		for n := 1; n < 40; n++ {
			weights := make([]float64, 1+r.IntN(9))
			sum := 0.0
			for k := range weights {
				weights[k] = r.Float64()
				sum += weights[k]
			}
			at := make([][2]float64, n+len(weights)-1)
			for i := range at {
				at[i] = [2]float64{r.NormFloat64(), r.NormFloat64()}
			}
			out := make([][2]float64, n)
			Average(out, at, weights, sum)
			for i, got := range out {
				var want [2]float64
				for k, w := range weights {
					want[0] += w * at[i+k][0]
					want[1] += w * at[i+k][1]
				}
				if want[0] /= sum; got[0] != want[0] {
					t.Fatalf("place %d of %d is %v, should be %v", i, n, got, want)
				}
				if want[1] /= sum; got[1] != want[1] {
					t.Fatalf("place %d of %d is %v, should be %v", i, n, got, want)
				}
			}
		}
	})
}
