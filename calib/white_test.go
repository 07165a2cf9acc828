package calib

import (
	"fmt"
	"math"
	"testing"

	"gocv.io/x/gocv"

	"tawsight/internal/colour"
)

// cardPhoto is a scene whose bare paper is paper of full light in every
// channel before the gains. The corners are the true ones: it is the reading
// of greys that is tested, not the finding of corners.
func cardPhoto(t *testing.T, gain [3]float64, exponent float64, edit func(*scene)) (gocv.Mat, [][2]float64) {
	t.Helper()
	s := plain(small(230, 10, 40, 15))
	// Light grows as the exponent about the paper (White.ToneExponent), which
	// is at L* 95 before the gains.
	s.paper, s.gamma, s.gain = yOfL(95), exponent, gain
	if edit != nil {
		edit(&s)
	}
	return s.photo(t), s.pixels(InnerCorners())
}

// linearOfL is CIE 15: Y of a lightness L*, by hand.
func linearOfL(l float64) float64 {
	if f := (l + 16) / 116; f > 6.0/29 {
		return f * f * f
	}
	return l * 27 / 24389
}

func TestReadWhite(t *testing.T) {
	nearly(t, "Y of L* 95, CIE 15", yOfL(95), linearOfL(95), 1e-6)
	for _, tt := range []struct {
		name     string
		gain     [3]float64 // of the light, R G B
		exponent float64
		edit     func(*scene)
		// tolGain is relative. 8 bits are 256 steps: at a tenth of full light
		// one is 2.3 %, half of which may be off, in each channel.
		tolGain float64
	}{
		{"neutral", [3]float64{0.7, 0.7, 0.7}, 1, nil, 0.01},
		{"16 bit", [3]float64{0.8, 0.7, 0.6}, 1, func(s *scene) { s.sixteen = true }, 0.005},
		{"tungsten", [3]float64{1.05, 0.66, 0.25}, 1, nil, 0.01},
		{"open shade", [3]float64{0.5, 0.62, 0.9}, 1, nil, 0.01},
		{"under-exposed", [3]float64{0.12, 0.11, 0.10}, 1, nil, 0.015},
		{"steep tone", [3]float64{0.9, 0.8, 0.7}, 1.2, nil, 0.01},
		{"flat tone", [3]float64{0.6, 0.7, 0.8}, 0.85, nil, 0.01},
		{"noise", [3]float64{0.8, 0.7, 0.6}, 1.1, func(s *scene) { s.noise = 0.02 }, 0.02},
		{"blur of 2 px", [3]float64{0.8, 0.7, 0.6}, 1, func(s *scene) { s.blurPX = 2 }, 0.01},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			m, corners := cardPhoto(t, tt.gain, tt.exponent, tt.edit)
			defer m.Close()
			w, ok := ReadWhite(m, corners)
			if !ok || w.Source != "card" {
				t.Fatalf("not read: source %q", w.Source)
			}
			for k := range 3 {
				nearly(t, fmt.Sprintf("gain %d times the light's", k), w.Gain[k]*tt.gain[k], 1, tt.tolGain)
			}
			nearly(t, "tone exponent", w.ToneExponent, tt.exponent, 0.02)
			if w.Clipped {
				t.Error("said to be clipped")
			}
			// Paper and patches as balanced, against the card as designed.
			for _, p := range Patches() {
				var lin [3]float64
				for k := range lin {
					lin[k] = linearOfL(95) * math.Pow(linearOfL(p.L)/linearOfL(95), tt.exponent) * tt.gain[k]
				}
				lab := colour.LinearToLab(w.Apply(lin))
				tol := 1.0
				if p.L == 95 {
					tol = 0.5
				}
				nearly(t, fmt.Sprintf("L* of the patch of L* %g", p.L), lab[0], p.L, tol)
				// 1 % of a channel is about one unit of chroma.
				nearly(t, fmt.Sprintf("chroma of the patch of L* %g", p.L), colour.Chroma(lab), 0, 100*tt.tolGain)
			}
			if !(w.ResidualDE00 >= 0 && w.ResidualDE00 < max(1, 100*tt.tolGain)) {
				t.Errorf("residual of the patches %.2f", w.ResidualDE00)
			}
			// The light's chromaticity: linear sRGB by IEC 61966-2-1's matrix.
			x := 0.4124*tt.gain[0] + 0.3576*tt.gain[1] + 0.1805*tt.gain[2]
			y := 0.2126*tt.gain[0] + 0.7152*tt.gain[1] + 0.0722*tt.gain[2]
			z := 0.0193*tt.gain[0] + 0.1192*tt.gain[1] + 0.9505*tt.gain[2]
			nearly(t, "illuminant x", w.IlluminantXY[0], x/(x+y+z), 0.004)
			nearly(t, "illuminant y", w.IlluminantXY[1], y/(x+y+z), 0.004)
		})
	}
}

// A neutral photo shows D65, whose correlated colour temperature is 6504 K
// (CIE 15).
func TestReadWhiteOfDaylight(t *testing.T) {
	m, corners := cardPhoto(t, [3]float64{0.8, 0.8, 0.8}, 1, nil)
	defer m.Close()
	w, ok := ReadWhite(m, corners)
	if !ok {
		t.Fatal("not read")
	}
	nearly(t, "colour temperature", w.CCTK, 6504, 100)
}

// A marble on the card, a shadow over half of it: the balance holds.
func TestReadWhiteWithThingsInTheWay(t *testing.T) {
	gain := [3]float64{0.9, 0.75, 0.6}
	for _, tt := range []struct {
		name string
		edit func(*scene)
		tol  float64
		// tone is how far off the exponent may be. It is a mean over four
		// patches; with one of them read as a grey 15 L* darker it moves by
		// 0.07 (measured).
		tone float64
	}{
		{"a dark thing on some squares", func(s *scene) { s.card = blank(20, 10, 45, 30, 40) }, 0.01, 0.02},
		{"a patch covered", func(s *scene) { s.card = blank(40, 51, 51, 63, 120) }, 0.01, 0.1},
		// The balance is of the median light; the colour, by ratio, holds
		// exactly.
		{"light falling off by a fifth", func(s *scene) { s.light = func(x, y int) float64 { return 1 - 0.2*float64(x)/800 } }, 0.15, 0.02},
	} {
		t.Run(tt.name, func(t *testing.T) {
			m, corners := cardPhoto(t, gain, 1, tt.edit)
			defer m.Close()
			w, ok := ReadWhite(m, corners)
			if !ok {
				t.Fatal("not read")
			}
			for k := range 3 {
				nearly(t, fmt.Sprintf("gain %d times the light's", k), w.Gain[k]*gain[k], 1, tt.tol)
				nearly(t, fmt.Sprintf("gain %d over gain 1", k), w.Gain[k]/w.Gain[1], gain[1]/gain[k], 0.01*gain[1]/gain[k])
			}
			nearly(t, "tone exponent", w.ToneExponent, 1, tt.tone)
		})
	}
}

func TestReadWhiteClippedAndStarved(t *testing.T) {
	t.Run("over-exposed paper", func(t *testing.T) {
		gain := [3]float64{1.5, 1.4, 1.3}
		m, corners := cardPhoto(t, gain, 1, nil)
		defer m.Close()
		w, ok := ReadWhite(m, corners)
		if !ok {
			t.Fatal("not read, though the patches can be")
		}
		if !w.Clipped {
			t.Error("paper at full white is not said to be clipped")
		}
		for k := range 3 {
			nearly(t, fmt.Sprintf("gain %d times the light's", k), w.Gain[k]*gain[k], 1, 0.03)
		}
	})
	for _, tt := range []struct {
		name string
		gain [3]float64
		edit func(*scene)
	}{
		{"all at full white", [3]float64{60, 60, 60}, nil},
		{"no blue at all", [3]float64{0.8, 0.5, 0}, nil},
		{"black", [3]float64{1, 1, 1}, func(s *scene) { s.light = func(int, int) float64 { return 0 } }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			m, corners := cardPhoto(t, tt.gain, 1, tt.edit)
			defer m.Close()
			w, ok := ReadWhite(m, corners)
			if ok {
				t.Errorf("read: %+v", w)
			}
			for _, g := range w.Gain {
				if math.IsNaN(g) || math.IsInf(g, 0) {
					t.Errorf("gain %v", w.Gain)
				}
			}
		})
	}
	t.Run("no corners, no picture", func(t *testing.T) {
		m, corners := cardPhoto(t, [3]float64{0.8, 0.8, 0.8}, 1, nil)
		defer m.Close()
		empty := gocv.NewMat()
		defer empty.Close()
		one := gocv.NewMatWithSize(1, 1, gocv.MatTypeCV8UC3)
		defer one.Close()
		grey := gocv.NewMatWithSize(900, 1200, gocv.MatTypeCV8UC1)
		defer grey.Close()
		far := make([][2]float64, len(corners))
		for i := range far {
			far[i] = [2]float64{corners[i][0] + 5000, corners[i][1]}
		}
		for _, c := range []struct {
			m       gocv.Mat
			corners [][2]float64
		}{{m, nil}, {m, corners[:3]}, {m, far}, {empty, corners}, {one, corners}, {grey, corners}} {
			if w, ok := ReadWhite(c.m, c.corners); ok {
				t.Errorf("read: %+v", w)
			}
			if s := EdgeSigmaPX(c.m, c.corners); s != 0 {
				t.Errorf("blur of %g px", s)
			}
		}
	})
}

func TestWhiteFromBackground(t *testing.T) {
	w := WhiteFromBackground([3]float64{0.6, 0.5, 0.3})
	if w.Source != "background" {
		t.Errorf("source %q", w.Source)
	}
	// Neutral, and as light as it was: the exposure stands.
	lin := w.Apply([3]float64{0.6, 0.5, 0.3})
	y := 0.2126*0.6 + 0.7152*0.5 + 0.0722*0.3
	for k := range 3 {
		nearly(t, "background as balanced", lin[k], y, 1e-9)
	}
	for _, dark := range [][3]float64{{0.6, 0.5, 0}, {0, 0, 0}, {-1, 0.5, 0.5}} {
		if w := WhiteFromBackground(dark); w.Source != "none" || w.Gain != [3]float64{1, 1, 1} {
			t.Errorf("%v: %+v", dark, w)
		}
	}
	same := [3]float64{0.2, 0.3, 0.4}
	if got := Neutral().Apply(same); got != same {
		t.Errorf("the neutral balance turned %v into %v", same, got)
	}
}

// Blur known by construction: the card through a Gaussian of sigma px, then
// through square pixels, which add 1/12 px^2 to its variance. The bilinear
// reading of profiles adds up to 1/6 px^2 more across the pixels; both matter
// below 1 px only.
func TestEdgeSigma(t *testing.T) {
	for _, sigma := range []float64{0.8, 1, 1.5, 2, 3, 4, 6} {
		for _, noise := range []float64{0, 0.01} {
			t.Run(fmt.Sprintf("sigma %g, noise %g", sigma, noise), func(t *testing.T) {
				t.Parallel()
				m, corners := cardPhoto(t, [3]float64{0.8, 0.8, 0.8}, 1, func(s *scene) { s.blurPX, s.noise = sigma, noise })
				defer m.Close()
				want := math.Sqrt(sigma*sigma + 1.0/12)
				got := EdgeSigmaPX(m, corners)
				t.Logf("sigma %g: %.3f, with pixels %.3f (%+.1f %%)", sigma, got, want, 100*(got/want-1))
				nearly(t, "blur over truth", got/want, 1, 0.15)
			})
		}
	}
	blankPaper := blank(0, 0, CardWidthMM, CardHeightMM, 255)
	m, corners := cardPhoto(t, [3]float64{0.8, 0.8, 0.8}, 1, func(s *scene) { s.card = blankPaper })
	defer m.Close()
	if got := EdgeSigmaPX(m, corners); got != 0 {
		t.Errorf("blank paper has a blur of %g px", got)
	}
}
