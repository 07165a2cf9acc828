package quality

import (
	"math"
	"testing"
)

// Balancing by channels is exact for a neutral white, whatever its level, and
// errs the more the stronger the cast, towards any colour.
func TestCastError(t *testing.T) {
	for _, y := range []float64{1, 0.3, 0.02} {
		if e := castError([3]float64{y, y, y}); e > 0.05 {
			t.Errorf("neutral at %g: %.3f", y, e)
		}
	}
	for name, toward := range map[string][3]float64{"orange": {1, 0.6, 0.2}, "blue": {0.3, 0.6, 1}, "green": {0.4, 1, 0.4}, "magenta": {1, 0.4, 1}} {
		last := -1.0
		for share := 0.0; share <= 1.001; share += 0.2 {
			var w [3]float64
			for k := range w {
				w[k] = math.Pow(toward[k], share)
			}
			e := castError(w)
			if e <= last {
				t.Errorf("%s at %.1f: %.3f is no more than %.3f before", name, share, e, last)
			}
			last = e
		}
	}
	if e := castError([3]float64{1, 0.5, 0}); !math.IsInf(e, 1) {
		t.Errorf("an empty channel: %.2f", e)
	}
}
