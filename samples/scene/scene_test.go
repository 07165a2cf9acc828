package scene

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"tawsight/samples"
	"tawsight/samples/lens"
)

// CIE 15: L* = 116 (Y/Yn)^(1/3) - 16, so L* 50 is Y 18.4 % and L* 100 is Y 100 %.
func TestReflectance(t *testing.T) {
	for _, tc := range []struct{ l, y float64 }{{100, 1}, {50, 0.18419}, {20, 0.02989}} {
		if got := reflectance(tc.l); math.Abs(got-tc.y) > 1e-5 {
			t.Errorf("L* %v gives %v, want %v", tc.l, got, tc.y)
		}
	}
}

func TestLabRoundTrip(t *testing.T) {
	for _, lab := range [][3]float64{{50, 10, -20}, {90, 0, 3}, {30, 20, 20}} {
		got := ToLab(FromLab(lab))
		for k := range lab {
			if math.Abs(got[k]-lab[k]) > 0.02 {
				t.Errorf("%v comes back as %v", lab, got)
			}
		}
	}
}

func TestSheetsStayInTheGlass(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 60 {
		for i, set := range append([]string{"", "", "", "", ""}, Sets...) {
			m := Stranger(rng, i)
			if set != "" {
				m = OfSet(rng, set)
			}
			for _, sh := range m.Sheets {
				for _, row := range sh.Points {
					for _, p := range row {
						if !(norm(p) < m.Radius*0.97) {
							t.Fatalf("%s: a ribbon's point is %.3f radii from the centre", m.Kind, norm(p)/m.Radius)
						}
					}
				}
			}
			if m.Label != set {
				t.Errorf("set %q gave %q", set, m.Label)
			}
		}
	}
}

// A made-up rendering: paper light of 0.1 per unit reflectance, tinted; the left half of the disc a ribbon.
func TestAddSeenReadsKnownColours(t *testing.T) {
	cam := NewCamera(1500, 300, 0, 90, 0, 400, 300)
	m := Marble{Radius: 8, Centre: Vec{0, 0, 8}, Through: RGB{1, 1, 1}, Partner: -1, Sheets: []Sheet{{Class: 'R', Colour: RGB{1, 0, 0}}}}
	s := &Scene{Name: "t", Width: 400, Height: 300, Camera: cam, GroundL: 70, Marbles: []Marble{m}}
	tr, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	tint := RGB{0.11, 0.1, 0.07}
	ground, base, ribbon := reflectance(70), RGB{0.5, 0.6, 0.4}, RGB{0.4, 0.1, 0.1}
	pic := &lens.Picture{W: 400, H: 300, Pix: make([]float32, 3*400*300)}
	lab := &lens.Picture{W: 400, H: 300, Pix: make([]float32, 3*400*300)}
	for y := range 300 {
		for x := range 400 {
			c := RGB{ground, ground, ground}
			i := 3 * (y*400 + x)
			if Inside(tr.Marbles[0].Ellipse, float64(x), float64(y), 1) {
				if c = base; float64(x) < cam.CX {
					c = ribbon
					lab.Pix[i] = 1
				}
			}
			for k := range c {
				pic.Pix[i+k] = float32(c[k] * tint[k])
			}
		}
	}
	s.AddSeen(tr, pic, lab)
	got := tr.Marbles[0].Seen
	if got.R == nil || got.R.Lab == nil || got.Base == nil {
		t.Fatalf("%+v", got)
	}
	for k, want := range ToLab(ribbon) {
		if math.Abs(got.R.Lab[k]-want) > 0.1 {
			t.Errorf("ribbon %v, want %v", *got.R.Lab, ToLab(ribbon))
		}
	}
	for k, want := range ToLab(base) {
		if math.Abs(got.Base[k]-want) > 0.1 {
			t.Errorf("base %v, want %v", *got.Base, ToLab(base))
		}
	}
	if math.Abs(got.R.Coverage-0.5) > 0.01 || got.R.Pieces != 1 || got.G != nil {
		t.Errorf("%+v", got.R)
	}
}

func TestEdgeOfADisc(t *testing.T) {
	const n, r = 201, 80.0
	m := make([]bool, n*n)
	for y := range n {
		for x := range n {
			m[y*n+x] = math.Hypot(float64(x-100), float64(y-100)) < r
		}
	}
	if got := edge(m, n); math.Abs(got-2*math.Pi*r) > 0.01*2*math.Pi*r {
		t.Errorf("edge %.1f, want %.1f", got, 2*math.Pi*r)
	}
	if pieces(m, n) != 1 {
		t.Error("pieces")
	}
}

// Well-known chromaticities of black bodies (CIE 1931), from memory: 6500 K (0.3135, 0.3237), 3000 K (0.4369, 0.4041).
func TestBlackbody(t *testing.T) {
	for _, tc := range []struct{ k, x, y float64 }{{6500, 0.3135, 0.3237}, {3000, 0.4369, 0.4041}} {
		c := Blackbody(tc.k)
		// IEC 61966-2-1's matrix from linear sRGB to XYZ.
		x := 0.4124*c[0] + 0.3576*c[1] + 0.1805*c[2]
		y := 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2]
		z := 0.0193*c[0] + 0.1192*c[1] + 0.9505*c[2]
		if s := x + y + z; math.Abs(x/s-tc.x) > 0.002 || math.Abs(y/s-tc.y) > 0.002 {
			t.Errorf("%v K: (%.4f, %.4f)", tc.k, x/s, y/s)
		}
	}
}

// Twins of one seed are the same but for their property; another seed gives others.
func TestTwinsAreAlikeButForTheProperty(t *testing.T) {
	for _, p := range samples.Pairs {
		a, b := Twins(rand.New(rand.NewPCG(3, 4)), p.Property)
		if (a.Radius == b.Radius) == (p.Property == samples.PropertySize) {
			t.Errorf("%s: radii %v and %v", p.Property, a.Radius, b.Radius)
		}
		if a.Rot == b.Rot {
			t.Errorf("%s: twins lie the same side up", p.Property)
		}
		if other, _ := Twins(rand.New(rand.NewPCG(5, 6)), p.Property); other.Radius == a.Radius {
			t.Errorf("%s: all marbles are alike", p.Property)
		}
		// Sheets of clear glass, tinted and cloudy are the very same where the property isn't the ribbon's.
		switch p.Property {
		case samples.PropertyBaseTint, samples.PropertyBaseClarity, samples.PropertyRibbonColour:
			if !reflect.DeepEqual(a.Sheets[0].Points, b.Sheets[0].Points) {
				t.Errorf("%s: the ribbons' ways differ", p.Property)
			}
		}
		for _, m := range []Marble{a, b} {
			for _, sh := range m.Sheets {
				for _, row := range sh.Points {
					for _, q := range row {
						if !(norm(q) < m.Radius*0.97) {
							t.Fatalf("%s: a ribbon's point is %.3f radii from the centre", p.Property, norm(q)/m.Radius)
						}
					}
				}
			}
		}
	}
}
