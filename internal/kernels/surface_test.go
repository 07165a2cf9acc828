package kernels

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestSpotsAreWeighedAsTheirTwins(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(31, 32))
		terms := func(x, y float64) [6]float64 { return [6]float64{1, x, y, x * x, x * y, y * y} }
		for n := 1; n < 80; n++ {
			var coef [3][6]float64
			for k := range coef {
				for i := range coef[k] {
					coef[k][i] = r.NormFloat64()
				}
			}
			scale := [3]float64{0.1, 0.2, 0.3}
			off := func(k int, x, y, v float64) float64 {
				for i, t := range terms(x, y) {
					v -= coef[k][i] * t
				}
				return v
			}
			s := MakeSpots(n)
			var normal [6][6]float64
			var sides [3][6]float64
			var offs [3][]float64
			for range n {
				x, y := 2*r.Float64()-1, 2*r.Float64()-1
				var v [3]float64
				farthest := 0.0
				for k := range v {
					v[k] = -off(k, x, y, 0) + 2*scale[k]*r.NormFloat64()
					farthest = max(farthest, sq(off(k, x, y, v[k])/(4*scale[k])))
				}
				s.Add(x, y, v)
				if farthest >= 1 {
					continue
				}
				w, t := sq(1-farthest), terms(x, y)
				for i := range t {
					for j := range t {
						normal[i][j] += w * t[i] * t[j]
					}
					for k := range v {
						sides[k][i] += w * t[i] * v[k]
					}
				}
				for k := range v {
					offs[k] = append(offs[k], math.Abs(off(k, x, y, v[k])))
				}
			}
			gotNormal, gotSides := s.Weigh(&coef, &scale)
			for i := range normal {
				for j := range normal {
					if !near(gotNormal[i][j], normal[i][j], 1e-12) {
						t.Fatalf("%d places: normal equations %v, should be %v", n, gotNormal, normal)
					}
				}
				for k := range sides {
					if !near(gotSides[k][i], sides[k][i], 1e-12) {
						t.Fatalf("%d places: right sides %v, should be %v", n, gotSides, sides)
					}
				}
			}
			if s.Counting() != len(offs[0]) || s.Len() != n {
				t.Fatalf("%d of %d places count, should be %d of %d", s.Counting(), s.Len(), len(offs[0]), n)
			}
			for k, want := range offs {
				got := s.Offs(k, &coef[k])
				if len(got) != len(want) {
					t.Fatalf("%d places: %d lie off, should be %d", n, len(got), len(want))
				}
				for i := range want {
					if !near(got[i], want[i], 1e-12) {
						t.Fatalf("%d places: off by %v, should be %v", n, got, want)
					}
				}
			}
		}
	})
}
