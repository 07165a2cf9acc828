package classify

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// Pairs are passed over after a few features; those found are the ones that
// looking at every pair whole finds.
func TestDuplicatesAreThoseOfEveryPair(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 12))
	var features []FeatureInfo
	for j := range 12 {
		features = append(features, FeatureInfo{Name: fmt.Sprint("f", j)})
	}
	var samples []Sample
	for i := range 150 {
		s := Sample{ID: fmt.Sprintf("%03d", i), Label: fmt.Sprint("set ", i%4), Values: map[string]float64{}}
		for j, f := range features {
			switch {
			case r.IntN(5) == 0: // not measured
			case i >= 120: // much like an earlier one, of this set or another
				if v, ok := samples[i-119].Values[f.Name]; ok {
					s.Values[f.Name] = v + 0.2*r.NormFloat64()
				}
			default:
				s.Values[f.Name] = float64(i%4*j%3) + r.NormFloat64()
			}
		}
		samples = append(samples, s)
	}
	table, err := arrange(features, samples)
	if err != nil {
		t.Fatal(err)
	}
	m, err := Train(features, samples, Options{})
	if err != nil {
		t.Fatal(err)
	}
	spread := m.spreads()
	distance := func(a, b *specimen) float64 {
		_, have := meanSquare(a.x, a.x, spread)
		d2, used := meanSquare(a.x, b.x, spread)
		if used == 0 || float64(used) < MinShare*float64(have) {
			return math.Inf(1)
		}
		return math.Sqrt(d2)
	}
	var nearest []float64
	for i := range table.spec {
		least := math.Inf(1)
		for j := range table.spec {
			if i != j && table.spec[i].class == table.spec[j].class {
				least = math.Min(least, distance(&table.spec[i], &table.spec[j]))
			}
		}
		if !math.IsInf(least, 1) {
			nearest = append(nearest, least)
		}
	}
	typical := median(nearest)
	var want []string
	for i := range table.spec {
		for j := range i {
			a, b := &table.spec[i], &table.spec[j]
			if math.Min(distance(a, b), distance(b, a)) < nearDuplicate*typical {
				want = append(want, min(a.id, b.id)+" "+max(a.id, b.id))
			}
		}
	}
	var got []string
	for _, d := range table.duplicates(m) {
		got = append(got, d.A+" "+d.B)
		if math.Abs(d.Typical-typical) > 1e-12 {
			t.Errorf("typical %g, want %g", d.Typical, typical)
		}
	}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) || len(want) < 10 {
		t.Errorf("found %d: %v\nof every pair %d: %v", len(got), got, len(want), want)
	}
}
