package vision

import (
	"math"
	"testing"

	"tawsight/calib"
)

func TestBrightRimWidensTheInterval(t *testing.T) {
	o := Outline{Ellipse: calib.Ellipse{SemiMajorPX: 50, SemiMinorPX: 50}, BiasUPX: 0.2}
	for _, c := range []struct{ bright, clear, want float64 }{
		{0, 1, 0.2}, {0.1, 1, 0.2}, {1, 0, 0.2},
		{0.8, 1, math.Hypot(0.2, 0.6)}, // 1.2 % of the radius
		{0.8, 0.5, math.Hypot(0.2, 0.3)},
	} {
		if got := o.WithBrightRim(c.bright, c.clear); math.Abs(got.BiasUPX-c.want) > 1e-9 || got.Ellipse != o.Ellipse {
			t.Errorf("%+v: %.3f", c, got.BiasUPX)
		}
	}
}
