package classify

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// scoreRows are made-up scores: the own set's is the least by about gap, give or
// take as much as noise; some sets can't be compared.
func scoreRows(r *rand.Rand, n, sets int, gap, noise float64) (rows [][]float64, own []int) {
	for range n {
		o := r.IntN(sets)
		row := make([]float64, sets)
		for c := range row {
			row[c] = 20 + gap + noise*r.NormFloat64()
			if c == o {
				row[c] -= gap
			} else if r.IntN(10) == 0 {
				row[c] = math.Inf(1)
			}
		}
		rows, own = append(rows, row), append(own, o)
	}
	return rows, own
}

// Leaving one out by the running sums comes to what fitting the others does.
func TestHeatIsFitTemperature(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 8))
	for _, c := range []struct {
		n, sets    int
		gap, noise float64
		quick      float64 // share that must be read off: next to all, but where there is next to nothing to tell sets apart by
	}{{60, 2, 2, 3, 0.9}, {163, 6, 10, 6, 0.99}, {200, 6, 1, 1, 0.99}, {120, 30, 40, 30, 0.99}, {40, 3, 300, 200, 0.9}, {90, 6, 0.3, 4, 0}} {
		t.Run(fmt.Sprint(c), func(t *testing.T) {
			rows, own := scoreRows(r, c.n, c.sets, c.gap, c.noise)
			h := heatOf(rows, own)
			quick := 0
			for i := range rows {
				but, butOwn := slices.Delete(slices.Clone(rows), i, i+1), slices.Delete(slices.Clone(own), i, i+1)
				for fold := -1; fold < calibrationFolds; fold++ {
					got, ok := h.without(i, fold)
					if !ok {
						continue
					}
					quick++
					if want := fitTemperature(butFold(but, fold), butFold(butOwn, fold)); math.Abs(got/want-1) > 1e-10 {
						t.Errorf("without %d, and fold %d: %.15g, fitted %.15g", i, fold, got, want)
					}
				}
			}
			if float64(quick) < c.quick*float64(6*c.n) {
				t.Errorf("%d of %d read off the sums", quick, 6*c.n)
			}
		})
	}
	// Where all are wrong, the temperature is at its bound, and has to be fitted.
	rows, own := scoreRows(r, 60, 3, -50, 1)
	if _, ok := heatOf(rows, own).without(3, -1); ok {
		t.Error("a temperature beyond the points is read off them")
	}
	if _, ok := heatOf(rows[:5], own[:5]).without(3, -1); ok {
		t.Error("a temperature is read off five rows")
	}
}

func TestShareOf(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 9))
	rows, _ := scoreRows(r, 50, 7, 30, 60)
	rows = append(rows, []float64{math.Inf(1), math.Inf(1)}, []float64{1, math.Inf(1)})
	for _, row := range rows {
		for _, temperature := range []float64{0.01, 2, 1000} {
			p := softmax(row, temperature)
			for c := range row {
				if got := shareOf(row, temperature, c); math.Abs(got-p[c]) > 1e-15 {
					t.Errorf("%v at %g: share %d is %g, of all %g", row, temperature, c, got, p[c])
				}
			}
		}
	}
}
