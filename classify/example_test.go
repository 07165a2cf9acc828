package classify_test

import (
	"fmt"

	"tawsight/classify"
)

func Example() {
	features := []classify.FeatureInfo{
		{Name: "ribbon_width_mm", Label: "ribbon width", Unit: "mm"},
		{Name: "base_l", Label: "base lightness"},
	}
	var samples []classify.Sample
	for i, width := range []float64{0.8, 1.0, 1.1, 1.3, 0.9, 2.0, 2.4, 2.6, 3.1, 2.2} {
		s := classify.Sample{ID: fmt.Sprint(i), Label: "A", Values: map[string]float64{
			"ribbon_width_mm": width, "base_l": float64(68 + 3*i%7)}}
		if i >= 5 {
			s.Label = "B"
		}
		samples = append(samples, s)
	}
	model, err := classify.Train(features, samples, classify.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	p, err := model.Predict(map[string]float64{"ribbon_width_mm": 1.1, "base_l": 70})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(p.Status, p.Label)
	fmt.Println(p.Reasons[0].Text)
	// Output:
	// assigned A
	// ribbon width 1.1 mm; set A 0.8 to 1.3, set B 2.0 to 3.1
}
