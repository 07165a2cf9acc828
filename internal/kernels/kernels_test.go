package kernels

import (
	"math"
	"testing"
)

// both runs a test with what this processor has, and with what every processor has.
func both(t *testing.T, test func(t *testing.T)) {
	t.Helper()
	t.Run("this processor", test)
	t.Run("any processor", func(t *testing.T) {
		plain(true)
		defer plain(false)
		test(t)
	})
}

// near says that two numbers differ by no more than a share of the second, or by as
// much where that is small.
func near(got, want, share float64) bool {
	return math.Abs(got-want) <= share*math.Max(1, math.Abs(want))
}
