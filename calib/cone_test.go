package calib

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

func ones(n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = 1
	}
	return w
}

func TestFitConeOnGrazingRays(t *testing.T) {
	for _, arc := range []struct {
		name     string
		n        int
		from, to float64
		tol      float64 // of V, relative; a short arc tells less
	}{
		{"three rays", 3, 0, 1, 1e-11},
		{"all round", 100, 0, 1, 1e-11},
		{"half", 40, 0.2, 0.7, 1e-10},
		{"a tenth", 40, 0.6, 0.7, 1e-8},
	} {
		for _, tt := range spheres {
			t.Run(arc.name+", "+tt.name, func(t *testing.T) {
				rays := tt.s.grazing(arc.n, arc.from, arc.to)
				c, ok := FitCone(rays, ones(len(rays)))
				if !ok {
					t.Fatal("no cone")
				}
				// Distance and half-angle straight from the sphere:
				// sin A = r / d.
				d := math.Sqrt(tt.s.centre.Dot(tt.s.centre))
				length := 1 / math.Sqrt(1-tt.s.radius*tt.s.radius/(d*d))
				for k := range 3 {
					nearly(t, fmt.Sprintf("V[%d]", k), c.V[k], tt.s.centre[k]/d*length, arc.tol*length)
				}
			})
		}
	}
}

func TestFitConeWeights(t *testing.T) {
	s := sphere{Vec3{30, -20, 280}, 8}
	rays := s.grazing(30, 0, 1)
	w := ones(len(rays))
	for i := range w {
		w[i] = 0.2 + float64(i%7)
	}
	// A ray of weight 0 isn't there, however wrong; the scale of the weights
	// is nothing.
	for _, scale := range []float64{1, 1e-6, 1e6} {
		ww := []float64{0}
		for _, v := range w {
			ww = append(ww, v*scale)
		}
		c, ok := FitCone(append([]Vec3{{0.5, 0.5, math.Sqrt(0.5)}}, rays...), ww)
		if !ok {
			t.Fatalf("scale %g: no cone", scale)
		}
		want := ConeOf(s.centre, s.radius)
		for k := range 3 {
			nearly(t, fmt.Sprintf("V[%d]", k), c.V[k], want.V[k], 1e-9)
		}
	}
	// With rays that disagree, a weight of 3 is the ray three times over.
	rng := rand.New(rand.NewPCG(5, 5))
	for i := range rays {
		for k := range 3 {
			rays[i][k] += 3e-4 * rng.NormFloat64()
		}
		rays[i] = rays[i].Unit()
	}
	thrice := append(append([]Vec3(nil), rays...), rays[4], rays[4])
	w = ones(len(rays))
	w[4] = 3
	a, ok1 := FitCone(rays, w)
	b, ok2 := FitCone(thrice, ones(len(thrice)))
	if !ok1 || !ok2 {
		t.Fatal("no cone")
	}
	for k := range 3 {
		nearly(t, fmt.Sprintf("V[%d]", k), a.V[k], b.V[k], 1e-10)
	}
}

func TestFitConeRefuses(t *testing.T) {
	s := sphere{Vec3{30, -20, 280}, 8}
	rays := s.grazing(8, 0, 1)
	for _, tt := range []struct {
		name string
		rays []Vec3
	}{
		{"no rays", nil},
		{"one", rays[:1]},
		{"two", rays[:2]},
		{"one ray thrice", []Vec3{rays[0], rays[0], rays[0]}},
		{"two rays only, repeated", []Vec3{rays[0], rays[1], rays[0], rays[1]}},
		{"rays in one plane", []Vec3{Vec3{-0.1, 0, 1}.Unit(), Vec3{0, 0, 1}, Vec3{0.1, 0, 1}.Unit(), Vec3{0.2, 0, 1}.Unit()}},
		{"rays to and fro", []Vec3{{0, 0, 1}, {0, 0, -1}, {1, 0, 0}, {-1, 0, 0}}},
		{"not numbers", []Vec3{{math.NaN(), 0, 1}, {0, 0, 1}, {0, 1, 0}, {1, 0, 0}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if c, ok := FitCone(tt.rays, ones(len(tt.rays))); ok {
				t.Errorf("got a cone of %v", c.V)
			}
		})
	}
}

// Solve3 against gonum's general solver.
func TestSolve3(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	for range 200 {
		var a [3][3]float64
		var b [3]float64
		for i := range 3 {
			for j := range 3 {
				a[i][j] = rng.NormFloat64()
			}
			b[i] = rng.NormFloat64()
		}
		a[rng.IntN(3)][0] = 0 // so that rows must be swapped
		var want mat.VecDense
		m := mat.NewDense(3, 3, append(append(append([]float64(nil), a[0][:]...), a[1][:]...), a[2][:]...))
		if err := want.SolveVec(m, mat.NewVecDense(3, b[:])); err != nil {
			continue // badly conditioned by chance
		}
		x, ok := Solve3(a, b)
		if !ok {
			t.Fatalf("%v called singular", a)
		}
		for k := range 3 {
			nearly(t, "x", x[k], want.AtVec(k), 1e-9*(1+math.Abs(want.AtVec(k)))*mat.Cond(m, 2))
		}
	}
	if _, ok := Solve3([3][3]float64{{1, 2, 3}, {2, 4, 6}, {0, 1, 1}}, [3]float64{1, 2, 3}); ok {
		t.Error("a singular system was solved")
	}
}
