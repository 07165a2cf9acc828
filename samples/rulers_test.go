package samples_test

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tawsight/samples"
)

// The photos whose scale comes from something else than the reference card: small, and each truth says what it is.
func TestRulerPhotos(t *testing.T) {
	bySource, total := map[string]int{}, 0
	for _, rel := range everyPhoto(t) {
		if !strings.HasPrefix(rel, "rulers/") {
			continue
		}
		info, err := os.Stat(filepath.Join("photos", filepath.FromSlash(rel)))
		if err != nil {
			t.Fatal(err)
		}
		total += int(info.Size())
		tr := load(t, rel)
		if tr.Card.Present || tr.Ruler == nil {
			t.Fatalf("%s: the reference card, or no ruler, in the truth", rel)
		}
		r := tr.Ruler
		source := r.Source
		if r.Rest != nil {
			source = onRings
		}
		bySource[source]++
		if n := len(tr.Marbles); n < 6 || n > 8 {
			t.Errorf("%s: %d marbles", rel, n)
		}
		switch r.Source {
		case samples.RulerID1, samples.RulerSheet:
			if len(r.CornersPx) != 4 {
				t.Fatalf("%s: corners %v", rel, r.CornersPx)
			}
			// Opposite sides of the rectangle, in millimetres on the plane that the pose says.
			for k, want := range []float64{r.WidthMM, r.HeightMM} {
				a, b := onTable(tr.Camera, r.CornersPx[k]), onTable(tr.Camera, r.CornersPx[k+1])
				if d := math.Hypot(a[0]-b[0], a[1]-b[1]); math.Abs(d/want-1) > 0.006 { // the card lies 0.76 mm up
					t.Errorf("%s: side %d is %.2f mm, want %.2f", rel, k, d, want)
				}
			}
		case samples.RulerCoin:
			if len(r.Coins) == 0 {
				t.Errorf("%s: no coin", rel)
			}
		case samples.RulerScan:
			for _, m := range tr.Marbles {
				if d := 2 * m.Ellipse.SemiMajor / r.DPI * 25.4; math.Abs(d-m.DiameterMM) > 0.001 {
					t.Errorf("%s: marble %d of %.3f mm has an outline of %.3f mm", rel, m.ID, m.DiameterMM, d)
				}
			}
		case samples.RulerKnown:
			for _, k := range r.Known {
				if math.Abs(tr.Marbles[k.ID-1].DiameterMM-k.MM) > 0.15 {
					t.Errorf("%s: marble %d of %.2f mm was read as %.2f", rel, k.ID, tr.Marbles[k.ID-1].DiameterMM, k.MM)
				}
			}
		}
	}
	for source, want := range map[string]int{samples.RulerID1: 3, samples.RulerSheet: 3, samples.RulerCoin: 3, samples.RulerScan: 3, samples.RulerKnown: 3, onRings: 2} {
		if bySource[source] != want {
			t.Errorf("%d photos with %s, want %d", bySource[source], source, want)
		}
	}
	if total > 2_000_000 {
		t.Errorf("%d bytes in all, more than 2 MB", total)
	}
}

// onRings stands for photos of marbles on rings, whatever their ruler.
const onRings = "rings"

// onTable is where the ray of a pixel meets the ground, by the truth's pose.
func onTable(c samples.Camera, px [2]float64) [2]float64 {
	d := [3]float64{(px[0] - c.CX) / c.FocalPx, (px[1] - c.CY) / c.FocalPx, 1}
	var w, at [3]float64
	for j := range w {
		for i := range d {
			w[j] += c.R[i][j] * d[i]
			at[j] -= c.R[i][j] * c.T[i]
		}
	}
	s := -at[2] / w[2]
	return [2]float64{at[0] + s*w[0], at[1] + s*w[1]}
}
