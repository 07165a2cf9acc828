package scene

import (
	"math"
	"testing"
)

// A ball on a ring touches its inner edge: the edge lies a radius from the middle.
func TestMiddleOnARing(t *testing.T) {
	s := &Scene{Rest: &Rest{InnerMM: 8.4, OuterMM: 16, HeightMM: 1.6}}
	for _, r := range []float64{6.2, 8, 11} {
		z := s.middleHeight(r)
		if d := math.Hypot(4.2, z-1.6); z > r && math.Abs(d-r) > 1e-9 {
			t.Errorf("radius %g: the edge is %g from the middle", r, d)
		}
	}
	// A low wide ring lifts a small ball off nothing.
	if z := s.middleHeight(4.3); z != 4.3 {
		t.Errorf("a small ball floats at %g", z)
	}
	if z := (&Scene{}).middleHeight(7); z != 7 {
		t.Errorf("without a ring at %g", z)
	}
}
