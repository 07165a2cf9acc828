package vision

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"math/rand/v2"
	"testing"

	"tawsight/calib"
	"tawsight/internal/colour"
)

// drawn is a picture made of linear light, with a little noise, as a camera
// would have it: blurred edges, sRGB, 8 bits.
func drawn(t *testing.T, w, h int, at func(x, y float64) [3]float64) *Photo {
	t.Helper()
	r := rand.New(rand.NewPCG(7, 11))
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			v := at(float64(x), float64(y))
			var c [3]uint8
			for k := range c {
				c[k] = uint8(math.Round(math.Max(0, math.Min(255, 255*colour.LinearToSRGB(math.Max(0, math.Min(1, v[k])))+1.2*r.NormFloat64()))))
			}
			img.SetNRGBA(x, y, color.NRGBA{c[0], c[1], c[2], 255})
		}
	}
	var buf bytes.Buffer
	if err := png.Encode(&buf, img); err != nil {
		t.Fatal(err)
	}
	p, err := Decode("drawn.png", buf.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close)
	return p
}

var (
	paperGrey = colour.LabToLinear([3]float64{80, 0, 1})
	discBlue  = colour.LabToLinear([3]float64{35, 10, -45})
	discRed   = colour.LabToLinear([3]float64{45, 55, 30})
	discWhite = colour.LabToLinear([3]float64{96, 0, 3})
)

// disc is a flat disc with an edge blurred by about a pixel.
type disc struct {
	x, y, r float64
	lin     [3]float64
}

func onPaper(discs ...disc) func(x, y float64) [3]float64 {
	return func(x, y float64) [3]float64 {
		v := paperGrey
		for _, d := range discs {
			// The integral of a Gaussian across a straight edge.
			k := 0.5 * math.Erfc((math.Hypot(x-d.x, y-d.y)-d.r)/math.Sqrt2)
			for q := range v {
				v[q] += k * (d.lin[q] - v[q])
			}
		}
		return v
	}
}

func straightDown(w, h int) Scene {
	return Scene{Camera: calib.Camera{FocalPX: 3000, CxPX: float64(w-1) / 2, CyPX: float64(h-1) / 2}}
}

// Pictures with nothing round in them have no marbles, and none of them is too
// odd to be looked at.
func TestFindsNothingWhereNothingIs(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 5))
	for _, c := range []struct {
		name string
		w, h int
		at   func(x, y float64) [3]float64
	}{
		{"blank paper", 900, 600, onPaper()},
		{"black", 600, 400, func(x, y float64) [3]float64 { return [3]float64{} }},
		{"white", 600, 400, func(x, y float64) [3]float64 { return [3]float64{1, 1, 1} }},
		{"noise", 500, 400, func(x, y float64) [3]float64 { return [3]float64{r.Float64(), r.Float64(), r.Float64()} }},
		{"light fading across", 900, 600, func(x, y float64) [3]float64 {
			v := paperGrey
			for k := range v {
				v[k] *= 0.25 + 0.75*x/900
			}
			return v
		}},
		{"a lamp's pool of light", 900, 600, func(x, y float64) [3]float64 {
			v := paperGrey
			for k := range v {
				v[k] *= 0.5 + 0.5*math.Exp(-((x-500)*(x-500)+(y-250)*(y-250))/(2*300*300))
			}
			return v
		}},
		{"a straight edge of the table", 900, 600, func(x, y float64) [3]float64 {
			if x+0.2*y < 300 {
				return discRed
			}
			return paperGrey
		}},
		{"one pixel", 1, 1, onPaper()},
		{"two by two", 2, 2, onPaper()},
		{"one row", 3000, 1, onPaper()},
		{"one column", 1, 3000, onPaper()},
		{"a very long strip", 6000, 30, onPaper()},
		{"a very tall strip", 24, 5000, onPaper()},
		{"at the limit of looking", 24, 24, onPaper()},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := drawn(t, c.w, c.h, c.at)
			sc := straightDown(c.w, c.h)
			if f := Find(p, sc); len(f.Marbles) != 0 {
				t.Errorf("%d marbles: %+v", len(f.Marbles), f.Marbles[0].Ellipse)
			}
			// Also with a card's scale, whatever it is.
			for _, mm := range []float64{0.02, 0.2, 5} {
				sc.MMPerPX = mm
				if f := Find(p, sc); len(f.Marbles) != 0 {
					t.Errorf("at %g mm a pixel %d marbles: %+v", mm, len(f.Marbles), f.Marbles[0].Ellipse)
				}
			}
		})
	}
}

// Discs of known place and radius are found where they are, rows from the top,
// each from the left.
func TestFindsDiscs(t *testing.T) {
	discs := []disc{ // in the order wanted
		{150, 140.3, 41, discBlue}, {420.5, 160, 55.5, discWhite}, {760, 130, 33, discRed},
		{200, 430, 60.2, discWhite}, {520, 455.7, 45, discRed}, {800, 420, 38, discBlue},
	}
	p := drawn(t, 960, 640, onPaper(discs...))
	f := Find(p, straightDown(960, 640))
	if len(f.Marbles) != len(discs) {
		t.Fatalf("%d marbles, want %d", len(f.Marbles), len(discs))
	}
	for i, m := range f.Marbles {
		d, e := discs[i], m.Ellipse
		// Edge points scatter by some tenths of a pixel and there are hundreds
		// of them. What is found is the rim's place, moved out by RimShiftPX
		// for the reflection that glass has there and a disc has not.
		closeTo(t, fmt.Sprintf("disc %d: x", i+1), e.CxPX, d.x, 0.2)
		closeTo(t, fmt.Sprintf("disc %d: y", i+1), e.CyPX, d.y, 0.2)
		closeTo(t, fmt.Sprintf("disc %d: radius", i+1), e.MeanRadiusPX()-m.RimShiftPX, d.r, 0.35)
		if m.Touching || m.CutOff || m.Coverage < 0.9 || m.Hidden > 0 {
			t.Errorf("disc %d: touching %v, cut off %v, coverage %.2f, hidden %.2f", i+1, m.Touching, m.CutOff, m.Coverage, m.Hidden)
		}
	}
	// The paper was painted in one colour.
	for k, v := range colour.LinearToLab(f.PaperLinear) {
		closeTo(t, fmt.Sprintf("paper's Lab %d", k), v, [3]float64{80, 0, 1}[k], 1.5)
	}
	if f.PaperShare < 0.85 {
		t.Errorf("paper is %.2f of the picture, painted on %.2f", f.PaperShare, 0.93)
	}
}

// Touching ones come apart, and are said to touch; one that leaves the picture
// is said to be cut off, if it is told of at all.
func TestTouchingAndCutOff(t *testing.T) {
	discs := []disc{{300, 250, 50, discBlue}, {400.5, 250, 50, discRed}, {600, 425, 50, discRed}, {700, 130, 45, discBlue}}
	p := drawn(t, 800, 450, onPaper(discs...))
	f := Find(p, straightDown(800, 450))
	match := func(d disc) *Outline {
		for i := range f.Marbles {
			e := f.Marbles[i].Ellipse
			if math.Hypot(e.CxPX-d.x, e.CyPX-d.y) < 0.3*d.r {
				return &f.Marbles[i]
			}
		}
		return nil
	}
	for i, d := range discs {
		m := match(d)
		cut := d.y+d.r > 450
		if m == nil {
			if !cut {
				t.Errorf("disc %d not found", i+1)
			}
			continue
		}
		if m.CutOff != cut {
			t.Errorf("disc %d: cut off %v", i+1, m.CutOff)
		}
		if want := i < 2; m.Touching != want {
			t.Errorf("disc %d: touching %v, want %v", i+1, m.Touching, want)
		}
		if !cut {
			closeTo(t, fmt.Sprintf("disc %d: radius", i+1), m.Ellipse.MeanRadiusPX()-m.RimShiftPX, d.r, 0.7)
		}
	}
	if len(f.Marbles) > len(discs) {
		t.Errorf("%d marbles of %d", len(f.Marbles), len(discs))
	}
}

// With a scale, discs too small or too large for marbles are none.
func TestScaleBoundsWhatIsAMarble(t *testing.T) {
	discs := []disc{{200, 200, 20, discBlue}, {450, 200, 80, discRed}}
	p := drawn(t, 700, 400, onPaper(discs...))
	for _, c := range []struct {
		mmPerPX float64
		want    int // of discs 40 and 160 px across
	}{
		{0.1, 1},  // 4 and 16 mm
		{0.25, 2}, // 10 and 40 mm
		{0.45, 1}, // 18 and 72 mm
		{0.01, 0}, // 0.4 and 1.6 mm
	} {
		sc := straightDown(700, 400)
		sc.MMPerPX = c.mmPerPX
		if f := Find(p, sc); len(f.Marbles) != c.want {
			t.Errorf("%g mm a pixel: %d marbles, want %d", c.mmPerPX, len(f.Marbles), c.want)
		}
	}
}

// Finding is a function of the picture: twice the same answer, to the bit.
func TestFindIsDeterministic(t *testing.T) {
	p := drawn(t, 640, 480, onPaper(disc{200, 200, 45, discBlue}, disc{420, 250, 60, discWhite}))
	a, b := Find(p, straightDown(640, 480)), Find(p, straightDown(640, 480))
	if len(a.Marbles) != 2 || len(b.Marbles) != 2 {
		t.Fatalf("%d and %d marbles", len(a.Marbles), len(b.Marbles))
	}
	for i := range a.Marbles {
		if a.Marbles[i] != b.Marbles[i] {
			t.Errorf("marble %d: %+v, again %+v", i+1, a.Marbles[i], b.Marbles[i])
		}
	}
}

func TestRowsThenColumns(t *testing.T) {
	at := func(x, y, r float64) Outline {
		return Outline{Ellipse: calib.Ellipse{CxPX: x, CyPX: y, SemiMajorPX: r, SemiMinorPX: r}}
	}
	// Sorted from the top, as Find does: the first row's members lie within a
	// radius of its first.
	in := []Outline{at(500, 100, 50), at(100, 120, 50), at(300, 140, 50), at(400, 300, 50), at(200, 345, 50), at(50, 500, 50)}
	want := []float64{100, 300, 500, 200, 400, 50}
	for i, o := range rowsThenColumns(in) {
		if o.Ellipse.CxPX != want[i] {
			t.Errorf("place %d: x %g, want %g", i+1, o.Ellipse.CxPX, want[i])
		}
	}
	if got := rowsThenColumns(nil); len(got) != 0 {
		t.Errorf("%v of nothing", got)
	}
}
