package order

import (
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// Nth against sorting, with many equal values.
func TestNth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Map(rapid.IntRange(0, 9), func(i int) float64 { return float64(i) / 3 }), 1, 3*nine).Draw(t, "v")
		k := rapid.IntRange(0, len(v)-1).Draw(t, "k")
		sorted := slices.Sorted(slices.Values(v))
		if got := Nth(v, k); got != sorted[k] {
			t.Errorf("place %d is %g, sorted %g", k, got, sorted[k])
		}
	})
}

// Nth against sorting for long slices, some of them with most values close together.
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
		if got := Nth(v, k); got != sorted[k] {
			t.Errorf("place %d is %g, sorted %g", k, got, sorted[k])
		}
	})
}
