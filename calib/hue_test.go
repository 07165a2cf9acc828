package calib

import (
	"math"
	"testing"

	"gocv.io/x/gocv"
)

// A coloured card's edge is found where the card begins, beside a shadow three
// pixels wide of half the paper's light as well as on open paper; a grey card has
// no edge of hue.
func TestHueEdgeBesideAShadow(t *testing.T) {
	const w, h, edge = 200, 60, 100.3 // paper on the left, the card from edge on
	draw := func(card [3]float64, shadow float64) gocv.Mat {
		m := gocv.NewMatWithSize(h, w, gocv.MatTypeCV8UC3)
		for y := range h {
			for x := range w {
				// A blur of about a pixel, by the mean of the light over a window.
				var c [3]float64
				sum := 0.0
				for d := -3.0; d <= 3; d += 0.05 {
					at, g := float64(x)+d, math.Exp(-d*d/(2*0.9*0.9))
					v := [3]float64{0.42, 0.45, 0.5}
					switch {
					case at >= edge:
						v = card
					case at >= edge-shadow:
						v = [3]float64{0.21, 0.225, 0.25}
					}
					for k := range c {
						c[k] += g * v[k]
					}
					sum += g
				}
				for k := range c {
					m.SetUCharAt(y, 3*x+2-k, uint8(math.Round(255*encode(c[k]/sum))))
				}
			}
		}
		return m
	}
	for _, c := range []struct {
		name   string
		card   [3]float64
		shadow float64
		found  bool
	}{
		{"yellow", [3]float64{0.45, 0.42, 0.1}, 0, true},
		{"yellow in shadow", [3]float64{0.45, 0.42, 0.1}, 3, true},
		{"dark blue in shadow", [3]float64{0.02, 0.05, 0.2}, 3, true},
		{"as grey as the paper", [3]float64{0.21, 0.225, 0.25}, 0, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := draw(c.card, c.shadow)
			defer m.Close()
			// Seen from the shadow's edge, outward being to the left.
			at, ok := hueEdge(NewPixels(m), edge-c.shadow, 30, [2]float64{-1, 0}, [2]float64{0, 1}, 6)
			if ok != c.found {
				t.Fatalf("found: %v", ok)
			}
			if got := edge - c.shadow - at; ok && math.Abs(got-edge) > 0.15 {
				t.Errorf("the edge at %.2f is found at %.2f", edge, got)
			}
		})
	}
}

// encode is sRGB's curve (IEC 61966-2-1).
func encode(v float64) float64 {
	if v <= 0.0031308 {
		return 12.92 * v
	}
	return 1.055*math.Pow(v, 1/2.4) - 0.055
}
