package features

import (
	"math"
	"math/rand/v2"
	"testing"

	"tawsight/internal/colour"
)

// busyFace is a marble as large as those from large photos are brought down to,
// clear, with a white and a blue ribbon folded eight times, a photo's noise and
// a shadow with a caustic.
func busyFace() *Face {
	rng := rand.New(rand.NewPCG(5, 7))
	f := draw(64, func(x, y float64) [3]float64 {
		u := x + 0.12*math.Sin(7*y)
		switch s := math.Mod(u*4+8+0.6*math.Sin(3*y), 1); {
		case s < 0.25:
			return [3]float64{86 - 8*y, 0, 2}
		case s < 0.55:
			return [3]float64{38 - 4*y, 14, -44}
		}
		return [3]float64{58 + 10*x*y, 0, -1}
	})
	for i := range f.Linear {
		for q := range f.Linear[i] {
			f.Linear[i][q] *= 1 + 0.02*rng.NormFloat64()
		}
		f.Lab[i] = colour.LinearToLab(f.Linear[i])
	}
	f.Ring = clearRing()
	f.BlurShare = 0.012
	return f
}

// BenchmarkAllFeatures is everything that is measured of one marble 400 px
// across, once its face is cut out. Asked: at most 5 ms on a core of its own.
func BenchmarkAllFeatures(b *testing.B) {
	f := busyFace()
	b.ReportAllocs()
	for b.Loop() {
		a := Analyse(f)
		for _, feature := range All() {
			feature.Read(a)
		}
	}
}
