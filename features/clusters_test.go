package features

import (
	"encoding/json"
	"math"
	"os"
	"testing"
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
	got := kmeans(ref.Points, idx, 4)
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
