package features

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"testing"

	"tawsight/internal/colour"
)

// kinds are marbles as photos show them, at the radius given: glass of each
// kind, ribbons from few and broad to many and fine, a window mirrored in the
// surface, a photo's noise, and a shadow that fits.
func kinds(radius float64) []*Face {
	window := func(x, y float64) bool { return math.Abs(x+0.3) < 0.09 && math.Abs(y+0.35) < 0.11 }
	stripes := func(base, ribbon, second [3]float64, many, bend float64) func(x, y float64) [3]float64 {
		return func(x, y float64) [3]float64 {
			c := base
			switch s := math.Mod((x+bend*math.Sin(5*y))*many+8, 1); {
			case s < 0.22:
				c = ribbon
			case s < 0.5:
				c = second
			}
			c[0] += 6*x - 8*y
			if window(x, y) {
				c[0] = math.Min(100, c[0]+18)
			}
			return c
		}
	}
	var out []*Face
	for k, k2 := range []struct {
		paint func(x, y float64) [3]float64
		ring  Ring
	}{
		{stripes([3]float64{60, 0, -1}, [3]float64{86, 0, 2}, [3]float64{60, 0, -1}, 1.5, 0.1), clearRing()},
		{stripes([3]float64{58, 0, 0}, [3]float64{40, 40, 25}, [3]float64{84, 0, 3}, 3, 0.15), clearRing()},
		{stripes([3]float64{38, -30, 22}, [3]float64{80, -3, 4}, [3]float64{38, -30, 22}, 4, 0.2), clearRing()},
		{stripes([3]float64{88, 0, 3}, [3]float64{35, 15, -45}, [3]float64{70, 15, 60}, 2.5, 0.12), shadowTo(45, 0.35, 0)},
	} {
		f := draw(radius, k2.paint)
		rng := rand.New(rand.NewPCG(uint64(k), 7))
		for i := range f.Linear {
			for q := range f.Linear[i] {
				f.Linear[i][q] *= 1 + 0.02*rng.NormFloat64()
			}
			f.Lab[i] = colour.LinearToLab(f.Linear[i])
		}
		f.Ring, f.BlurShare = k2.ring, 1/radius
		out = append(out, f)
	}
	return out
}

// BenchmarkAnalyse is one marble of each kind in turn, at the radius of a face
// from a photo of 2 and of 12 megapixels.
func BenchmarkAnalyse(b *testing.B) {
	for _, radius := range []float64{45, 64} {
		faces := kinds(radius)
		b.Run(fmt.Sprintf("radius=%g", radius), func(b *testing.B) {
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				Analyse(faces[i%len(faces)])
			}
		})
	}
}

// What is found of a marble is the same to the last bit whoever else is
// measured at the same time and whatever was measured before: buffers are lent
// from one to the next.
func TestAnalysesDoNotMix(t *testing.T) {
	var faces []*Face
	for _, radius := range []float64{23, 64, 31} {
		faces = append(faces, kinds(radius)...)
	}
	say := func(f *Face) string {
		a := Analyse(f)
		out := fmt.Sprint(a.Parts.Of, a.Parts.Pure, a.Parts.Colours, a.Glass, a.Marks, a.Anatomy)
		for _, feature := range All() {
			out += fmt.Sprint(feature.Name, feature.Read(a))
		}
		return out
	}
	want := make([]string, len(faces))
	for i, f := range faces {
		want[i] = say(f)
	}
	var all sync.WaitGroup
	for worker := range 3 {
		all.Go(func() {
			for i := range faces {
				k := (i*5 + worker*4) % len(faces)
				if say(faces[k]) != want[k] {
					t.Errorf("worker %d, face %d: it comes out differently", worker, k)
				}
			}
		})
	}
	all.Wait()
}
