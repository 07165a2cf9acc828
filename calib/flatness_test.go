package calib

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Corners of a made camera over a card bowed as a cylinder of known rise, and
// over a flat one with some corners misread.
func TestFlatness(t *testing.T) {
	const focal, height = 1500.0, 300.0
	rng := rand.New(rand.NewPCG(5, 6))
	project := func(x, y, z float64) [2]float64 {
		return [2]float64{800 + focal*(x-52)/(height-z), 600 + focal*(y-37)/(height-z)}
	}
	for _, c := range []struct {
		name          string
		riseMM, noise float64
		stray         int
	}{{"flat", 0, 0.05, 0}, {"bowed 2 mm", 2, 0.05, 0}, {"bowed 4 mm", 4, 0.05, 0}, {"three corners covered", 0, 0.05, 3}} {
		t.Run(c.name, func(t *testing.T) {
			card := InnerCorners()
			img := make([][2]float64, len(card))
			for i, p := range card {
				z := c.riseMM * (1 - math.Pow((p[0]-52)/40, 2))
				q := project(p[0], p[1], z)
				img[i] = [2]float64{q[0] + c.noise*rng.NormFloat64(), q[1] + c.noise*rng.NormFloat64()}
				if i%11 == 5 && i/11 < c.stray {
					img[i][0] += 1.5
				}
			}
			pose, err := FitPose(card, img, 1600, 1200, FocalPrior{FocalPX: focal, Sigma: 0.02, Source: "exif"})
			if err != nil {
				t.Fatal(err)
			}
			f := FlatnessOf(card, pose.Residual)
			if f.Strays != c.stray {
				t.Errorf("%d strays, want %d", f.Strays, c.stray)
			}
			if c.stray > 0 {
				return // strays bend the fit as well
			}
			if bowed := f.BowPX > 3*f.ScatterPX; bowed != (c.riseMM > 0) {
				t.Errorf("bow %.3f px against a scatter of %.3f", f.BowPX, f.ScatterPX)
			}
		})
	}
}
