package order

import (
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
