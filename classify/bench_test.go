package classify

import (
	"fmt"
	"math/rand/v2"
	"testing"
)

// large is 5,000 specimens of 50 sets with 60 features, some features missing
// and some values unsure where full is false.
func large(full bool) ([]FeatureInfo, []Sample) {
	r := rand.New(rand.NewPCG(1, 9))
	var features []FeatureInfo
	for j := range 60 {
		features = append(features, FeatureInfo{Name: fmt.Sprintf("f%02d", j)})
	}
	var samples []Sample
	for c := range 50 {
		var mean [60]float64
		for j := range mean {
			mean[j] = 1.5 * r.NormFloat64()
		}
		for i := range 100 {
			s := Sample{ID: fmt.Sprint(i), Label: fmt.Sprintf("set %02d", c), Values: map[string]float64{}, Sure: map[string]float64{}}
			for j, f := range features {
				if !full && r.Float64() < 0.1 {
					continue
				}
				s.Values[f.Name] = mean[j] + r.NormFloat64()
				if !full {
					s.Sure[f.Name] = 0.3 + 0.7*r.Float64()
				}
			}
			samples = append(samples, s)
		}
	}
	return features, samples
}

func BenchmarkTrain5000x60(b *testing.B) {
	for _, full := range []bool{true, false} {
		b.Run(fmt.Sprintf("all-measured=%v", full), func(b *testing.B) {
			features, samples := large(full)
			for b.Loop() {
				if _, err := Train(features, samples, Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkPredict60(b *testing.B) {
	for _, full := range []bool{true, false} {
		for _, sets := range []int{6, 50} {
			b.Run(fmt.Sprintf("all-measured=%v/sets=%d", full, sets), func(b *testing.B) {
				features, samples := large(full)
				m, err := Train(features, samples[:100*sets], Options{Form: "Ledoit-Wolf"})
				if err != nil {
					b.Fatal(err)
				}
				i := 0
				for b.Loop() {
					s := samples[i%(100*sets)]
					if _, err := m.PredictReading(Reading{s.Values, s.Sure}); err != nil {
						b.Fatal(err)
					}
					i++
				}
			})
		}
	}
}

func BenchmarkLeaveOneOut60(b *testing.B) {
	for _, sets := range []int{6, 50} {
		b.Run(fmt.Sprintf("sets=%d", sets), func(b *testing.B) {
			features, all := large(false)
			var samples []Sample
			for i, s := range all[:100*sets] {
				if i%100 < 1000/sets {
					samples = append(samples, s)
				}
			}
			for b.Loop() {
				if _, err := LeaveOneOut(features, samples, Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
