package classify

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/mat"
)

func readIris(t testing.TB) (features []FeatureInfo, samples []Sample) {
	t.Helper()
	f, err := os.Open("testdata/iris.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range rows[0][:4] {
		features = append(features, FeatureInfo{Name: h, Unit: "cm"})
	}
	for i, row := range rows[1:] {
		s := Sample{ID: strconv.Itoa(i + 1), Label: row[4], Values: map[string]float64{}}
		for j, f := range features {
			v, err := strconv.ParseFloat(row[j], 64)
			if err != nil {
				t.Fatal(err)
			}
			s.Values[f.Name] = v
		}
		samples = append(samples, s)
	}
	if len(samples) != 150 {
		t.Fatalf("%d flowers, want Fisher's 150", len(samples))
	}
	return features, samples
}

// authorsSpread is s_j + s_0 as the paper has it, for features of one unit.
func authorsSpread(x *mat.Dense, class []int, mean, count *mat.Dense) []float64 {
	s := withinSpread(x, class, mean, count)
	s0 := median(append([]float64(nil), s...))
	for j := range s {
		s[j] += s0
	}
	return s
}

func TestIrisAgainstScikitLearn(t *testing.T) {
	features, samples := readIris(t)
	for _, c := range []struct {
		name      string
		features  int
		threshold float64
		right     int // of 150, on the training data
	}{
		// scikit-learn's example "Nearest Centroid Classification" prints
		// 0.8133 and 0.82 for the first two features.
		{"two features", 2, 0, 122},
		{"two features, threshold 0.2", 2, 0.2, 123},
		// 0.9267: computed, not published.
		{"four features", 4, 0, 139},
	} {
		t.Run(c.name, func(t *testing.T) {
			tab, err := arrange(features[:c.features], samples)
			if err != nil {
				t.Fatal(err)
			}
			mean, count := centroids(tab.x, tab.class, 3)
			omean, _, ocount := overall(tab.x)
			mean = shrink(mean, count, omean, ocount, authorsSpread(tab.x, tab.class, mean, count), c.threshold)
			right := 0
			for i, own := range tab.class {
				best, least := -1, math.Inf(1)
				for k := range 3 {
					// Plain Euclidean distance, as theirs.
					if d2, _ := meanSquare(tab.x.RawRowView(i), mean.RawRowView(k), nil); d2 < least {
						best, least = k, d2
					}
				}
				if best == own {
					right++
				}
			}
			if right != c.right {
				t.Errorf("%d of 150 right (%.4f), want %d (%.4f)", right, float64(right)/150, c.right, float64(c.right)/150)
			}
		})
	}
}

func TestShrunkenCentroidsAgainstTheAuthorsCode(t *testing.T) {
	// scikit-learn's test_shrinkage_correct, whose expected values come from
	// the authors' own R code (pamr), threshold 0.1.
	x := mat.NewDense(5, 2, []float64{0, 1, 1, 0, 1, 1, 2, 0, 6, 8})
	class := []int{0, 0, 1, 1, 1}
	mean, count := centroids(x, class, 2)
	omean, _, ocount := overall(x)
	got := shrink(mean, count, omean, ocount, authorsSpread(x, class, mean, count), 0.1)
	want := mat.NewDense(2, 2, []float64{0.7787310, 0.8545292, 2.814179, 2.763647})
	if !mat.EqualApprox(got, want, 1e-6) {
		t.Errorf("got %v, want %v", mat.Formatted(got), mat.Formatted(want))
	}
	// A threshold beyond every deviation leaves nothing but the overall mean.
	got = shrink(mean, count, omean, ocount, authorsSpread(x, class, mean, count), 1e6)
	for k := range 2 {
		for j := range 2 {
			if got.At(k, j) != omean[j] {
				t.Errorf("set %d, feature %d: %g, want %g", k, j, got.At(k, j), omean[j])
			}
		}
	}
}

func TestMissingValuesAreLeftOut(t *testing.T) {
	nan := math.NaN()
	x := mat.NewDense(4, 3, []float64{
		1, nan, 5,
		3, nan, 5,
		10, 7, 5,
		nan, 9, 5,
	})
	class := []int{0, 0, 1, 1}
	mean, count := centroids(x, class, 2)
	if mean.At(0, 0) != 2 || !math.IsNaN(mean.At(0, 1)) || mean.At(1, 0) != 10 || mean.At(1, 1) != 8 {
		t.Errorf("means %v", mat.Formatted(mean))
	}
	if count.At(0, 1) != 0 || count.At(1, 0) != 1 {
		t.Errorf("counts %v", mat.Formatted(count))
	}
	// Within: feature 0 has SS 2 on 3 values in 2 sets; feature 1 has SS 2
	// on 2 values in 1 set; feature 2 is constant.
	for j, want := range []float64{math.Sqrt2, math.Sqrt2, 0} {
		if got := withinSpread(x, class, mean, count)[j]; math.Abs(got-want) > 1e-15 {
			t.Errorf("spread %d is %g, want %g", j, got, want)
		}
	}
	if d2, n := meanSquare([]float64{4, nan, 6}, []float64{2, 1, nan}, []float64{2, 1, 1}); d2 != 1 || n != 1 {
		t.Errorf("distance %g over %d features, want 1 over 1", d2, n)
	}
	if d2, n := meanSquare([]float64{nan}, []float64{2}, nil); !math.IsInf(d2, 1) || n != 0 {
		t.Errorf("distance %g over %d features where there is none in common", d2, n)
	}
}

func TestScalesFloor(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name                 string
		within, overall, out []float64
	}{
		{"a constant within sets does not dominate", []float64{0, 0.5, 0.8}, []float64{1, 1, 1}, []float64{0.5, 1, 1.3}},
		{"units do not matter", []float64{0, 50, 0.8}, []float64{1, 100, 1}, []float64{0.5, 100, 1.3}},
		{"not below a tenth", []float64{0, 0}, []float64{1, 2}, []float64{0.1, 0.2}},
		{"never varies", []float64{0, 1}, []float64{0, 2}, []float64{nan, 2}},
		{"single marbles", []float64{nan, nan}, []float64{1, 2}, []float64{1.1, 2.2}},
	} {
		got := scales(c.within, c.overall)
		for j := range got {
			if math.Abs(got[j]-c.out[j]) > 1e-12 || math.IsNaN(got[j]) != math.IsNaN(c.out[j]) {
				t.Errorf("%s: %v, want %v", c.name, got, c.out)
				break
			}
		}
	}
}

func TestFitTemperature(t *testing.T) {
	// Two sets, 8 of 10 marbles nearer their own by 1: the cross-entropy is
	// least where the logistic function of 1/T equals the share of right
	// ones, drawn in by the target of 11/12: 0.8*11/12 + 0.2*1/12 = 0.75,
	// so T = 1/ln 3.
	var d2 [][]float64
	var own []int
	for i := range 10 {
		row := []float64{1, 2}
		if i >= 8 {
			row = []float64{2, 1}
		}
		d2, own = append(d2, row), append(own, 0)
	}
	if got, want := fitTemperature(d2, own), 1/math.Log(3); math.Abs(got-want) > 1e-6 {
		t.Errorf("temperature %g, want %g", got, want)
	}
	// Perfect separation: every probability is the target, 11/12.
	for i := range d2 {
		d2[i] = []float64{1, 2}
	}
	if got, want := fitTemperature(d2, own), 1/math.Log(11); math.Abs(got-want) > 1e-6 {
		t.Errorf("temperature %g, want %g", got, want)
	}
	if got := fitTemperature(nil, nil); got != defaultTemperature {
		t.Errorf("temperature of nothing: %g", got)
	}
	if p := softmax([]float64{math.Inf(1), 5, math.Inf(1)}, 1); p[0] != 0 || p[1] != 1 {
		t.Errorf("probabilities %v", p)
	}
}
