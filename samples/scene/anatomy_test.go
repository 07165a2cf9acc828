package scene

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"tawsight/samples"
	"tawsight/samples/lens"
)

// A ribbon that never leaves the equator is an arc of a circle: its length is radius times angle, and its direction
// turns by the angle.
func TestLengthAndTurningOfAnArc(t *testing.T) {
	s := Serpentine{Turns: 1, Reach: 0, Round: 270, Depth: 0.8, Strips: []Strip{{Class: 'R', Width: 2}}}
	sheets := s.Sheets(rand.New(rand.NewPCG(3, 4)), 10)
	r := ribbonTruth(sheets)
	// The edges waver by up to a tenth of the width, and the middle with them by a tenth of that again.
	if want := 8 * 1.5 * math.Pi; math.Abs(*r.LengthMM-want) > 0.02*want {
		t.Errorf("length %.2f mm, want %.2f", *r.LengthMM, want)
	}
	if *r.TotalTurningDeg < 260 || *r.TotalTurningDeg > 320 {
		t.Errorf("turns by %.0f degrees, want about 270", *r.TotalTurningDeg)
	}
	if want := 8 * 1.5 * math.Pi; math.Abs(*r.FoldSpacingMM-want) > 0.01 {
		t.Errorf("one pass, %.2f mm from the next; want %.2f", *r.FoldSpacingMM, want)
	}
}

// Strips of one ribbon share their edges, and the truth has them as one ribbon.
func TestStripsOfOneRibbonMeet(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for _, tc := range []struct {
		name   string
		strips []Strip
		make   Make
	}{{"two-tone", twoTone(rng, 3.5), TwoTone}, {"striated", striated(rng, 3.5), Striated}} {
		t.Run(tc.name, func(t *testing.T) {
			s := Serpentine{Turns: 4, Reach: 55, Round: 300, Depth: 0.84, LeanDeg: 20, Irregular: 1, Strips: tc.strips}
			sheets := s.Sheets(rng, 8)
			for i := range sheets[1:] {
				for k, row := range sheets[i].Points {
					if d := norm(sub(row[len(row)-1], sheets[i+1].Points[k][0])); d > 1e-9 {
						t.Fatalf("strips %d and %d are %.4f mm apart", i, i+1, d)
					}
				}
			}
			m := Marble{Through: RGB{1, 1, 1}, Sheets: sheets}
			_, ribbons := m.truth()
			if len(ribbons) != 1 {
				t.Fatalf("%d ribbons", len(ribbons))
			}
			r := ribbons[0]
			if math.Abs(r.WidthMM-3.5) > 0.011 || r.TwoTone != (tc.make == TwoTone) || r.Striated != (tc.make == Striated) ||
				len(r.StripLabs) != len(tc.strips) {
				t.Errorf("%+v", r)
			}
			for i := range r.StripLabs[1:] {
				if up := r.StripLabs[i+1][0] - r.StripLabs[i][0]; tc.make == TwoTone && up < 2 {
					t.Errorf("strip %d is %.1f lighter than the one before", i+1, up)
				}
			}
		})
	}
}

// Beer and Lambert: what passes one diameter is the luminance asked for, whatever the tint.
func TestTintPassesWhatIsAsked(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for _, want := range []float64{0.15, 0.4, 0.9} {
		for range 20 {
			c := tint(rng, want)
			if lab := ToLab(c); math.Abs(luminance(c)-want) > 1e-6 || math.Hypot(lab[1], lab[2]) < 9 {
				t.Errorf("%v passes %.4f, want %.2f", c, luminance(c), want)
			}
		}
	}
}

func TestAnatomyIsWhatItSays(t *testing.T) {
	for seed := range uint64(12) {
		bubbles, total := 0, 0
		kinds := map[string]int{}
		least, most := map[string]float64{}, map[string]float64{}
		for _, tray := range Anatomy(rand.New(rand.NewPCG(seed, 9))) {
			if len(tray) != AnatomySize {
				t.Fatalf("%d marbles on a tray", len(tray))
			}
			for i := range tray {
				m := &tray[i]
				total++
				kinds[m.Kind[strings.Index(m.Kind, "-")+1:]]++
				base, ribbons := m.truth()
				if m.BubbleR > 0 {
					bubbles++
					if m.BubbleR < 0.75 || m.BubbleR > 1.5 || norm(m.BubbleAt) > 0.18*m.Radius {
						t.Errorf("seed %d, %s: a bubble of radius %.2f mm at %v", seed, m.Kind, m.BubbleR, m.BubbleAt)
					}
				}
				for _, sh := range m.Sheets {
					for _, row := range sh.Points {
						for _, p := range row {
							if !(norm(p) < m.Radius*0.97) || norm(sub(p, m.BubbleAt)) < m.BubbleR {
								t.Fatalf("seed %d, %s: a ribbon leaves the glass at %v", seed, m.Kind, p)
							}
						}
					}
				}
				k := base.Transparency
				if base.Tint && k == samples.Transparent {
					k = "tinted"
				}
				if _, ok := least[k]; !ok || *base.Transmission < least[k] {
					least[k] = *base.Transmission
				}
				most[k] = math.Max(most[k], *base.Transmission)
				if strings.HasPrefix(m.Kind, "tinted") != (k == "tinted") {
					t.Errorf("seed %d: %s is %s", seed, m.Kind, k)
				}
				if strings.HasSuffix(m.Kind, "vaned") && (len(ribbons) < 3 || len(ribbons) > 6) {
					t.Errorf("seed %d: %d vanes", seed, len(ribbons))
				}
			}
		}
		if bubbles < 18 || bubbles > 22 || total != 40 {
			t.Errorf("seed %d: %d of %d marbles have a bubble", seed, bubbles, total)
		}
		if kinds["plain"] != 2 || kinds["crystallised"] != 3 || kinds["two-tone"] != 4 || kinds["ribs"] != 4 || kinds["paired"] != 5 {
			t.Errorf("seed %d: %v", seed, kinds)
		}
		if least["tinted"] > 0.23 || most["tinted"] < 0.8 || least[samples.Cloudy] > 0.11 || most[samples.Cloudy] < 0.54 {
			t.Errorf("seed %d: least passes %v, most %v", seed, least, most)
		}
	}
}

func TestRibbonColours(t *testing.T) {
	class := func(cover float64) *samples.SeenClass { return &samples.SeenClass{Coverage: cover} }
	red, brick, blue := [3]float64{42, 52, 34}, [3]float64{44, 50, 36}, [3]float64{34, 18, -52}
	ribbons := func(labs ...[3]float64) (out []samples.Ribbon) {
		for i, l := range labs {
			out = append(out, samples.Ribbon{Lab: l, Channel: "RGB"[i : i+1]})
		}
		return out
	}
	for _, tc := range []struct {
		name string
		m    samples.Marble
		want int
	}{
		{"none", samples.Marble{}, 0},
		{"two", samples.Marble{Ribbons: ribbons(red, blue), Seen: samples.AsSeen{R: class(0.2), G: class(0.1)}}, 2},
		{"one is hardly seen", samples.Marble{Ribbons: ribbons(red, blue), Seen: samples.AsSeen{R: class(0.2), G: class(0.01)}}, 1},
		{"two reds are one", samples.Marble{Ribbons: ribbons(red, brick, blue), Seen: samples.AsSeen{R: class(0.2), G: class(0.1), B: class(0.1)}}, 2},
		{"two ribbons of a class", samples.Marble{Ribbons: append(ribbons(red), ribbons(red)...), Seen: samples.AsSeen{R: class(0.2)}}, 1},
	} {
		if got := ribbonColours(&tc.m); *got != tc.want {
			t.Errorf("%s: %d colours, want %d", tc.name, *got, tc.want)
		}
	}
}

// Refraction makes what is in the middle of the ball look one refractive index wider, what touches its front as wide as
// it is, and what touches its back n / (2 - n) times (textbook optics of a ball lens: its focus is nR / (2(n-1)) off).
func TestMagnificationInABall(t *testing.T) {
	for _, tc := range []struct{ d, want float64 }{{0, 1.52}, {-1, 1}, {1, 1.52 / 0.48}} {
		if got := magnification(tc.d); math.Abs(got-tc.want) > 1e-9 {
			t.Errorf("%v radii behind the middle: %v, want %v", tc.d, got, tc.want)
		}
	}
}

func TestAddBubblesTakesTheWholeImageForWhole(t *testing.T) {
	cam := NewCamera(1500, 300, 0, 90, 0, 400, 300)
	m := Marble{Radius: 8, Centre: Vec{0, 0, 8}, Through: RGB{1, 1, 1}, Partner: -1, BubbleR: 1.5}
	s := &Scene{Name: "t", Width: 400, Height: 300, Camera: cam, GroundL: 70, Marbles: []Marble{m}}
	tr, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	e := tr.Marbles[0].Ellipse
	pic := &lens.Picture{W: 400, H: 300, Pix: make([]float32, 3*400*300)}
	for y := range 300 {
		for x := range 400 { // the right half of the image of the bubble is hidden
			if Inside(e, float64(x), float64(y), 1.52*1.5/8) && float64(x) < e.CX {
				pic.Pix[3*(y*400+x)] = 1
			}
		}
	}
	s.AddBubbles(tr, pic)
	if v := tr.Marbles[0].Bubble.Visible; v == nil || math.Abs(*v-0.5) > 0.02 {
		t.Errorf("%v of the bubble is seen, want half", v)
	}
}
