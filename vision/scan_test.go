package vision

import (
	"math"
	"math/rand/v2"
	"testing"

	"tawsight/calib"
	"tawsight/internal/kernels"
)

// What lies between the two radii is taken, whatever stood there before; where the inner
// one is none, all within the outer.
func TestPatchHoldsWhatIsSampled(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	const w, h = 90, 70
	px := calib.Pixels{W: w, H: h, B8: make([]uint8, 3*w*h)}
	for i := range px.B8 {
		px.B8[i] = uint8(r.IntN(256))
	}
	var whole, p patch
	whole.fill(px, w/2, h/2, 0, w+h)
	for range 200 {
		cx, cy, outer := w*r.Float64(), h*r.Float64(), 4+40*r.Float64()
		inner := outer * (1.2*r.Float64() - 0.4)
		for i := range p.v {
			p.v[i] = kernels.Sample{-1, -1, -1}
		}
		p.fill(px, cx, cy, inner, outer)
		for range 100 {
			// Two pixels are left for reading between them.
			d, a := math.Max(0, inner+2)+r.Float64()*(outer-2-math.Max(0, inner+2)), 2*math.Pi*r.Float64()
			x, y := cx+d*math.Cos(a), cy+d*math.Sin(a)
			if d > outer-2 || x < 0 || y < 0 || x > w-1 || y > h-1 {
				continue
			}
			var got, want [1]kernels.Sample
			p.along(got[:], x, y, 0, 0)
			whole.along(want[:], x, y, 0, 0)
			for k := range 3 {
				closeTo(t, "sample", float64(got[0][k]), float64(want[0][k]), 1e-5)
			}
			if t.Failed() {
				t.Fatalf("at %.2f, %.2f, from %.1f to %.1f px of %.2f, %.2f", x, y, inner, outer, cx, cy)
			}
		}
	}
}
