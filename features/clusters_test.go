package features

import (
	"cmp"
	"encoding/json"
	"math"
	"os"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// Clusters against scikit-learn's KMeans on the same pixels
// (testdata/clusters_reference.py): the same four centres, and as many pixels
// nearest to each.
func TestClustersAgainstScikitLearn(t *testing.T) {
	b, err := os.ReadFile("testdata/clusters_reference.json")
	if err != nil {
		t.Fatal(err)
	}
	var ref struct {
		Points, Centres [][3]float64
		Shares          []float64
	}
	if err := json.Unmarshal(b, &ref); err != nil {
		t.Fatal(err)
	}
	idx := make([]int32, len(ref.Points))
	for i := range idx {
		idx[i] = int32(i)
	}
	lead := make([]uint8, len(idx))
	colours := make([]lab32, len(idx))
	for i, v := range ref.Points {
		lead[i], colours[i] = 1, lab32{float32(v[0]), float32(v[1]), float32(v[2])}
	}
	cells := sortColours(colours, idx, lead)
	mean, weight := cells.leading()
	got := kmeans(mean, weight, 4)
	if len(got) != 4 {
		t.Fatalf("%d clusters", len(got))
	}
	near := newNearby(got)
	count := make([]float64, 4)
	for _, p := range ref.Points {
		at, _ := near.nearest(&p, 0)
		count[at] += 1 / float64(len(ref.Points))
	}
	for k, want := range ref.Centres {
		at, _ := near.nearest(&want, 0)
		if d := math.Sqrt(dist2(got[at], want)); d > 0.1 {
			t.Errorf("centre %v is %.2f from %v", got[at], d, want)
		}
		if math.Abs(count[at]-ref.Shares[k]) > 0.002 {
			t.Errorf("share %.4f, %.4f", count[at], ref.Shares[k])
		}
	}
}

// What lies beyond a share of the weight, against sorting.
func TestFarther(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.SliceOfN(rapid.Float64Range(0, 9), 1, 40).Draw(t, "figures")
		weight := make([]float64, len(d))
		total := 0.0
		for i := range weight {
			weight[i] = float64(rapid.IntRange(1, 9).Draw(t, "weight"))
			total += weight[i]
		}
		rest := total * rapid.Float64Range(0.001, 0.9).Draw(t, "rest")
		order := make([]int, len(d))
		for i := range order {
			order[i] = i
		}
		slices.SortFunc(order, func(a, b int) int { return cmp.Compare(d[b], d[a]) })
		sum := 0.0
		for _, i := range order {
			if sum += weight[i]; sum >= rest {
				if got := farther(d, weight, rest); d[got] != d[i] {
					t.Errorf("%g, by sorting %g", d[got], d[i])
				}
				return
			}
		}
	})
}
