package vision_test

import (
	"testing"

	"tawsight/calib"
	"tawsight/samples"
	"tawsight/vision"
)

// BenchmarkFind finds the twenty marbles of a photo of 12 megapixels, decoding
// and the search for the card left out.
func BenchmarkFind(b *testing.B) {
	truth, err := samples.LoadTruth("../samples/truth/phone/phone-1.json")
	if err != nil {
		b.Fatal(err)
	}
	p, err := vision.Open("../samples/photos/phone/phone-1.jpg")
	if err != nil {
		b.Fatal(err)
	}
	defer p.Close()
	scene := vision.Scene{
		Camera:  calib.Camera{FocalPX: truth.Camera.FocalPx, CxPX: truth.Camera.CX, CyPX: truth.Camera.CY},
		MMPerPX: truth.Camera.HeightMM / truth.Camera.FocalPx, BlurPX: 0.9,
		Areas: &vision.Areas{Taken: [][][2]float64{truth.Card.CornersPx}},
	}
	for b.Loop() {
		if f := vision.Find(p, scene); len(f.Marbles) != len(truth.Marbles) {
			b.Fatalf("%d marbles", len(f.Marbles))
		}
	}
}
