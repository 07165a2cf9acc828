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

// bilinear is what lies at x, y between the four pixels around, in double precision.
func bilinear(x, y float64, at func(x, y int) float64) float64 {
	ix, iy := int(x), int(y)
	fx, fy := x-float64(ix), y-float64(iy)
	return (at(ix, iy)*(1-fx)+at(ix+1, iy)*fx)*(1-fy) + (at(ix, iy+1)*(1-fx)+at(ix+1, iy+1)*fx)*fy
}
