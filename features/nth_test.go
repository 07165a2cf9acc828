package features

import (
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// nth against sorting for long slices (short ones are internal/order's), some of
// them with most values close together.
func TestNthOfMany(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		far := rapid.SampledFrom([]float64{0, 1, 1e9}).Draw(t, "far")
		v := make([]float64, rapid.IntRange(500, 3000).Draw(t, "length"))
		for i := range v {
			v[i] = rng.NormFloat64()
			if i%97 == 0 {
				v[i] += far
			}
		}
		sorted := slices.Sorted(slices.Values(v))
		k := rapid.IntRange(0, len(v)-1).Draw(t, "k")
		if got := nth(v, k); got != sorted[k] {
			t.Errorf("place %d is %g, sorted %g", k, got, sorted[k])
		}
	})
}
