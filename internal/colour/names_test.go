package colour

import (
	"math/rand/v2"
	"strings"
	"testing"
)

func TestCentroids(t *testing.T) {
	all := centroids()
	if len(all) != 267 { // Kelly 1958 has 267 blocks
		t.Fatalf("%d colours, want 267", len(all))
	}
	for i, c := range all {
		if c.Number != i+1 {
			t.Errorf("row %d is colour %d", i+1, c.Number)
		}
		if got := Nearest(c.Lab); got != c {
			t.Errorf("the middle of %d %s is nearest to %d %s", c.Number, c.Name, got.Number, got.Name)
		}
	}
}

func TestNearestIsTheNearestOfAll(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 3000 {
		lab := [3]float64{100 * r.Float64(), 120*r.Float64() - 60, 120*r.Float64() - 60}
		got := Nearest(lab)
		for _, c := range centroids() {
			if d, least := DeltaE00(lab, c.Lab), DeltaE00(lab, got.Lab); d < least || d == least && c.Number < got.Number {
				t.Fatalf("%v is said to be %d, but %d is nearer: %v and %v", lab, got.Number, c.Number, least, d)
			}
		}
	}
}

func TestCentroidFileFaults(t *testing.T) {
	for name, file := range map[string]string{
		"empty":      "",
		"columns":    "number,name,hex\n1,vivid pink\n",
		"number":     "number,name,hex\none,vivid pink,#ffb5ba\n",
		"hex":        "number,name,hex\n1,vivid pink,ffb5\n",
		"unknown":    "number,name,hex\n1,vivid plaid,#ffb5ba\n",
		"open quote": "number,name,hex\n1,\"vivid pink,#ffb5ba\n",
	} {
		if _, err := readCentroids(strings.NewReader(file)); err == nil {
			t.Errorf("%s: read without complaint", name)
		}
	}
}

func TestNameAndGroup(t *testing.T) {
	// Names: Kelly 1958, each at or near its own centroid. Groups: everyday
	// usage, common practice.
	for _, c := range []struct {
		rgb         [3]uint8
		name, group string
	}{
		{[3]uint8{242, 243, 244}, "white", "white"},
		{[3]uint8{255, 255, 255}, "white", "white"},
		{[3]uint8{20, 20, 20}, "black", "black"},
		{[3]uint8{128, 128, 128}, "medium gray", "grey"},
		{[3]uint8{190, 0, 50}, "vivid red", "red"},
		{[3]uint8{243, 132, 0}, "vivid orange", "orange"},
		{[3]uint8{243, 195, 0}, "vivid yellow", "yellow"},
		{[3]uint8{0, 136, 86}, "vivid green", "green"},
		{[3]uint8{0, 133, 161}, "vivid greenish blue", "aqua"},
		{[3]uint8{0, 161, 194}, "vivid blue", "blue"},
		{[3]uint8{154, 78, 174}, "vivid purple", "purple"},
		{[3]uint8{255, 181, 186}, "vivid pink", "pink"},
		{[3]uint8{128, 70, 27}, "strong brown", "brown"},
		{[3]uint8{102, 93, 30}, "moderate olive", "olive"},
	} {
		lab := SRGB8ToLab(c.rgb)
		if got := Name(lab); got != c.name {
			t.Errorf("%v is %q, want %q", c.rgb, got, c.name)
		}
		if got := Group(lab); got != c.group {
			t.Errorf("%v is in group %q, want %q", c.rgb, got, c.group)
		}
	}
}
