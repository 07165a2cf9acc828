package vision_test

import (
	"math"
	"testing"

	"tawsight/calib"
	"tawsight/samples"
	"tawsight/vision"
)

// Where no card tells the blur, the marbles' own edges do: on photos with a card
// what it says is the measure.
func TestBlurWithoutTheCard(t *testing.T) {
	for _, name := range []string{"phone/phone-1", "phone/phone-2", "tray/tray-1", "tray/tray-5", "mat/mat-2"} {
		t.Run(name, func(t *testing.T) {
			truth, err := samples.LoadTruth("../samples/truth/" + name + ".json")
			if err != nil {
				t.Fatal(err)
			}
			p, err := vision.Open("../samples/photos/" + name + ".jpg")
			if err != nil {
				t.Fatal(err)
			}
			defer p.Close()
			want := calib.EdgeSigmaPX(p.Mat(), truth.Card.InnerCornersPx)
			f := vision.Find(p, vision.Scene{
				Camera:  calib.Camera{FocalPX: truth.Camera.FocalPx, CxPX: truth.Camera.CX, CyPX: truth.Camera.CY},
				MMPerPX: truth.Camera.HeightMM / truth.Camera.FocalPx,
				Areas:   &vision.Areas{Taken: [][][2]float64{truth.Card.CornersPx}},
			})
			if want <= 0 || math.Abs(f.BlurPX-want) > 0.2*want {
				t.Errorf("blur %.2f px, by the card %.2f", f.BlurPX, want)
			}
		})
	}
}
