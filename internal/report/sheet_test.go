package report

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"tawsight/features"
	"tawsight/internal/colour"
	"tawsight/internal/record"
)

// The colours of the drawn marble, CIELAB: a grey glass with a red band through
// the middle and a blue one above it.
var (
	drawnBase = [3]float64{70, 0, 0}
	drawnRed  = [3]float64{45, 60, 40}
	drawnBlue = [3]float64{35, 10, -50}
)

// drawnAccount is a marble drawn with plain bands, so that what its sheet must
// show is known: its red band is half a radius wide and runs from left to
// right through the middle. A lamp is mirrored at the lower right, a neighbour
// covers the left edge, and the shadow falls to the right.
func drawnAccount() Account {
	const radius = 60.0
	size := 2*int(radius) + 3
	f := &features.Face{
		Size: size, Radius: radius, RadiusMM: 8, BlurShare: 0.01, PaperLab: [3]float64{88, 0, 0},
		Linear: make([][3]float64, size*size), Lab: make([][3]float64, size*size), Mask: make([]uint8, size*size),
	}
	for i := range f.Mask {
		x, y := f.XY(i)
		rho := math.Hypot(x, y)
		if rho > 1.05 {
			continue
		}
		lab := drawnBase
		switch {
		case math.Abs(y) < 0.25:
			lab = drawnRed
		case y > -0.7 && y < -0.4:
			lab = drawnBlue
		}
		f.Lab[i], f.Linear[i] = lab, colour.LabToLinear(lab)
		if rho < 1 {
			f.Mask[i] |= features.Glass
			if rho > features.RimFrom {
				f.Mask[i] |= features.Rim
			}
			if math.Hypot(x-0.4, y-0.55) < 0.1 {
				f.Mask[i] |= features.Highlight
			}
			if x < -0.75 {
				f.Mask[i] |= features.Hidden
			}
		}
	}
	for d := range features.RingDirs {
		row := make([]float64, features.RingSteps)
		for j := range row {
			row[j] = 1
			if a := math.Abs(math.Remainder(360*float64(d)/features.RingDirs, 360)); a < 50 && j < 8 {
				row[j] = 0.5
				if a < 12 && j > 2 {
					row[j] = 1.2
				}
			}
			if d > 20 && d < 28 {
				row[j] = math.NaN() // the neighbour
			}
		}
		f.Ring.Value = append(f.Ring.Value, row)
	}
	a := features.Analyse(f)
	// What the sheet shows of lines and marks is set here, so that the test
	// does not hang on how they are found.
	a.Anatomy.Lines = []features.Line{{Colour: 1 - min(1, a.Parts.Base)}, {Colour: 1 - min(1, a.Parts.Base)}, {}}
	for i := range 29 {
		x := -0.7 + 0.05*float64(i)
		l := &a.Anatomy.Lines[0]
		l.At, l.Width = append(l.At, [2]float64{x, 0}), append(l.Width, 0.5)
	}
	a.Anatomy.Lines[0].Turns, a.Anatomy.Lines[0].Sharp = []int{4, 20, 99}, []int{20, -1}
	a.Anatomy.Lines[1].At = [][2]float64{{0.1, -0.55}}
	a.Marks.Bubble = features.Bubble{Looked: true, Present: true, Sure: 0.8, X: 0.05, Y: 0.35, R: 0.15, DiameterR: 0.2}
	m := record.Marble{
		ID: "7", DiameterMM: record.F(16), DiameterU95MM: record.F(0.1), DiameterIn: "5/8", SizeClass: "player",
		Base:     &record.Base{Lab: drawnBase, Name: "medium gray", Kind: "transparent", Translucency: 0.8},
		Bubble:   &record.Bubble{Present: true, DiameterMM: record.F(1.6)},
		Features: map[string]float64{}, FeaturesSure: map[string]float64{}, FeaturesAbsent: map[string]string{},
		Flags: []record.Flag{{Code: "glare", Severity: record.Warn, Message: "a bright reflection lies on it"}},
	}
	for i, f := range features.All() {
		if i%4 == 3 {
			m.FeaturesAbsent[f.Name] = fmt.Sprintf("made-up reason %d, told at such length that it has to be broken into several lines", i)
			continue
		}
		m.Features[f.Name] = (f.Low + f.High) / 2
		m.FeaturesSure[f.Name] = float64(i%3) / 2
	}
	return Account{PhotoPath: "attic/tray 1.jpg", Marble: m, Analysis: a}
}

func drawn(t *testing.T, in Account) *sheet {
	t.Helper()
	s := newSheet(in, features.All())
	s.draw()
	return s
}

// hasText says whether a sheet says something, wherever its lines break.
func (s *sheet) hasText(want string) bool {
	var all []string
	for _, w := range s.words {
		all = append(all, w.text)
	}
	return strings.Contains(strings.Join(all, " "), want)
}

func TestSheetSaysWhyFiguresAreAbsent(t *testing.T) {
	in := drawnAccount()
	s := drawn(t, in)
	for _, f := range features.All() {
		if why, absent := in.Marble.FeaturesAbsent[f.Name]; absent && !s.hasText("absent: "+why) {
			t.Errorf("the sheet does not say why %s is absent", f.Name)
		}
		if v, there := in.Marble.Features[f.Name]; there && !s.hasText(figure(f, v)) {
			t.Errorf("the sheet does not show %s, %s", f.Name, figure(f, v))
		}
		if !s.hasText(f.Label) {
			t.Errorf("the sheet does not name %q", f.Label)
		}
	}
	for _, want := range []string{
		"Marble 7", "16.00 ± 0.10 mm", "tray 1.jpg", "a bright reflection lies on it", "1.6 mm across", "Sure 0.80",
		"hidden by a neighbour", "glare,", "rim, where", "1 turn", "1 sharp turn", "unsure",
	} {
		if !s.hasText(want) {
			t.Errorf("the sheet does not say %q", want)
		}
	}
}

// The sheet says how well everything that figures rest on is given.
func TestSheetSaysWhatFiguresRestOn(t *testing.T) {
	ground := func(name string, v float64) features.Ground {
		return features.Ground{Name: name, Holds: func(*features.Analysis) float64 { return v }}
	}
	still, light, room := ground("a hand held still", 0.35), ground("enough light", 0.5), ground("room around it", 0.9)
	list := []features.Feature{
		{Name: "one", Label: "the first", High: 1, Rests: []features.Ground{light, still}},
		{Name: "two", Label: "the second, with a label of its own length", High: 1000, Unit: "degrees/diameter", Rests: []features.Ground{room, light}},
	}
	in := drawnAccount()
	in.Marble.Features = map[string]float64{"one": 0.25, "two": 750.25}
	in.Marble.FeaturesSure = map[string]float64{"one": 0.175, "two": 0.45}
	s := newSheet(in, list)
	s.draw()
	for _, g := range []features.Ground{still, light, room} {
		if !s.hasText(fmt.Sprintf("%.2f %s", g.Holds(nil), g.Name)) {
			t.Errorf("the sheet does not say how well %s is given", g.Name)
		}
	}
	for i, w := range s.words {
		for _, v := range s.words[:i] {
			if w.box.overlap(v.box) > 0 {
				t.Errorf("%q stands on %q", w.text, v.text)
			}
		}
	}
}

// However many features there come to be, the sheet has room for them.
func TestSheetGrowsWithTheRegistry(t *testing.T) {
	list := slices.Repeat(features.All(), 4)
	s := newSheet(drawnAccount(), list)
	s.draw()
	height := float64(s.img.Bounds().Dy())
	if height <= SheetHeightPX {
		t.Errorf("%d features on a sheet %g high", len(list), height)
	}
	for i, w := range s.words {
		if w.box.y1 > height {
			t.Errorf("%q lies below the sheet", w.text)
		}
		for _, v := range s.words[:i] {
			if w.box.overlap(v.box) > 0 {
				t.Errorf("%q stands on %q", w.text, v.text)
			}
		}
	}
}

// Colours of the marble itself stand where the drawing has them.
func TestSheetShowsTheColoursWhereTheyAre(t *testing.T) {
	in := drawnAccount()
	s := drawn(t, in)
	if len(s.keys) != 3 {
		t.Fatalf("the drawn face was taken apart into %d colours, not 3", len(s.keys))
	}
	for _, panel := range []struct {
		name   string
		column float64
		within float64 // of the drawn colour, DeltaE00; patterns take the rest
	}{{"marble", 0, 4}, {"parts", 1, 4}} {
		x := sheetMargin + panel.column*(panelPX+panelGap)
		cx, cy := disc(x)
		for _, place := range []struct {
			name string
			u, v float64
			lab  [3]float64
		}{{"red", 0.3, 0.12, drawnRed}, {"base", 0.1, 0.68, drawnBase}, {"blue", 0.35, -0.55, drawnBlue}} {
			// The commonest colour about the place, since patterns and tags lie
			// over it.
			count := map[color.RGBA]int{}
			for dy := -5; dy <= 5; dy++ {
				for dx := -5; dx <= 5; dx++ {
					count[s.img.RGBAAt(int(cx+place.u*SheetDiscPX)+dx, int(cy+place.v*SheetDiscPX)+dy)]++
				}
			}
			var most color.RGBA
			for c, n := range count {
				if n > count[most] {
					most = c
				}
			}
			if d := colour.DeltaE00(colour.SRGB8ToLab([3]uint8{most.R, most.G, most.B}), place.lab); d > panel.within {
				t.Errorf("%s panel: %s is %v, %.1f from the drawn colour", panel.name, place.name, most, d)
			}
		}
	}
	// Left out: hatching, and nothing of the glass's colour.
	cx, cy := disc(sheetMargin + panelPX + panelGap)
	inks := map[color.RGBA]int{}
	for dy := -7; dy <= 7; dy++ {
		for dx := -7; dx <= 7; dx++ {
			inks[s.img.RGBAAt(int(cx-0.83*SheetDiscPX)+dx, int(cy+0.3*SheetDiscPX)+dy)]++
		}
	}
	if inks[opaque(hatchInk)] == 0 || inks[opaque(hatchPaper)] == 0 || len(inks) != 2 {
		t.Errorf("what a neighbour hides is not hatched: %v", inks)
	}
	// The bubble's circle, on the first picture.
	cx, cy = disc(sheetMargin)
	ring := 0
	for k := range 360 {
		sin, cos := math.Sincos(float64(k) * math.Pi / 180)
		c := s.img.RGBAAt(int(cx+(0.05+0.15*cos)*SheetDiscPX), int(cy+(0.35+0.15*sin)*SheetDiscPX))
		if d := colour.DeltaE00(colour.SRGB8ToLab([3]uint8{c.R, c.G, c.B}), colour.SRGB8ToLab([3]uint8{bubbleInk.R, bubbleInk.G, bubbleInk.B})); d < 10 {
			ring++
		}
	}
	if ring < 120 {
		t.Errorf("only %d of 360 degrees of the bubble's circle are drawn", ring)
	}
	// The traced line, in its colour's ink, on the third.
	cx, cy = disc(sheetMargin + 2*(panelPX+panelGap))
	ink := s.inks[in.Analysis.Anatomy.Lines[0].Colour]
	along := 0
	for px := int(cx - 0.5*SheetDiscPX); px < int(cx+0.5*SheetDiscPX); px++ {
		if s.img.RGBAAt(px, int(cy)) == opaque(ink) {
			along++
		}
	}
	if along < 80 {
		t.Errorf("the traced line shows in %d pixels of 160", along)
	}
}

func TestSheetTextStandsFree(t *testing.T) {
	plain := drawnAccount()
	long := drawnAccount()
	long.PhotoPath = "attic/" + strings.Repeat("a very long name indeed ", 30) + ".jpg"
	long.Marble.ID = strings.Repeat("9", 60)
	long.Marble.Flags = slices.Repeat([]record.Flag{{Code: "a", Message: strings.Repeat("something is wrong ", 12)}}, 1)
	long.PhotoFlags = []record.Flag{{Code: "b", Message: strings.Repeat("noword", 80)}}
	long.Analysis.Marks.Bubble = features.Bubble{Why: strings.Repeat("it is hard to say ", 20)}
	for name := range long.Marble.FeaturesAbsent {
		long.Marble.FeaturesAbsent[name] = strings.Repeat("a reason without end, ", 40)
	}
	bare := drawnAccount()
	bare.Marble = record.Marble{ID: "1"}
	bare.Analysis.Anatomy, bare.Analysis.Marks = features.Anatomy{}, features.Marks{}
	dark := drawnAccount()
	for i := range dark.Analysis.Face.Mask {
		dark.Analysis.Face.Mask[i] |= features.Hidden
	}
	dark.Analysis = features.Analyse(dark.Analysis.Face)
	dark.Analysis.Face.Ring.Value = nil
	many := drawnAccount()
	for len(many.Analysis.Parts.Colours) < 9 {
		many.Analysis.Parts.Colours = append(many.Analysis.Parts.Colours, features.Colour{Lab: drawnRed, Share: 0.01})
	}
	for name, in := range map[string]Account{"plain": plain, "long": long, "bare": bare, "all hidden": dark, "many colours": many} {
		t.Run(name, func(t *testing.T) {
			s := drawn(t, in)
			b := s.img.Bounds()
			if b.Dx() != SheetWidthPX || b.Dy() < SheetHeightPX {
				t.Errorf("the sheet is %d x %d", b.Dx(), b.Dy())
			}
			page := box{0, 0, float64(b.Dx()), float64(b.Dy())}
			for i, w := range s.words {
				if w.text == "" {
					t.Error("an empty piece of text")
				}
				if w.box.overlap(page) < w.box.area()-1e-6 {
					t.Errorf("%q leaves the sheet: %+v", w.text, w.box)
				}
				for _, v := range s.words[:i] {
					if w.box.overlap(v.box) > 0 {
						t.Errorf("%q stands on %q", w.text, v.text)
					}
				}
			}
		})
	}
}

func TestSheetIsTheSameTwice(t *testing.T) {
	dir := t.TempDir()
	in := drawnAccount()
	in.Close, in.CloseRadiusPX = image.NewGray(image.Rect(0, 0, 200, 200)), 90
	a, b := filepath.Join(dir, "sheets", "a.png"), filepath.Join(dir, "b.png")
	for _, path := range []string{a, b, a} { // a sheet replaces a sheet
		if err := WriteSheet(path, in); err != nil {
			t.Fatal(err)
		}
	}
	first, err := os.ReadFile(a)
	if err != nil {
		t.Fatal(err)
	}
	second, err := os.ReadFile(b)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(first, second) {
		t.Error("two sheets of one marble differ")
	}
	// What marks it as a sheet leaves it a sound PNG.
	img, err := png.Decode(bytes.NewReader(first))
	if err != nil {
		t.Fatal(err)
	}
	if img.Bounds().Dx() != SheetWidthPX {
		t.Errorf("%d pixels wide", img.Bounds().Dx())
	}
	if !IsSheet(a) {
		t.Error("a sheet is not known for one")
	}
}

func TestNoFileOfTheUsersIsReplaced(t *testing.T) {
	dir := t.TempDir()
	var picture bytes.Buffer
	if err := png.Encode(&picture, image.NewGray(image.Rect(0, 0, 300, 300))); err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{"picture.png": picture.Bytes(), "empty.png": nil, "short.png": picture.Bytes()[:20]} {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, data, 0o666); err != nil {
			t.Fatal(err)
		}
		if IsSheet(path) {
			t.Errorf("%s is taken for a sheet", name)
		}
		err := WriteSheet(path, drawnAccount())
		if !errors.Is(err, ErrNotASheet) || !strings.Contains(err.Error(), path) || !strings.Contains(err.Error(), "--explain") {
			t.Errorf("%s: %v", name, err)
		}
		if after, _ := os.ReadFile(path); !bytes.Equal(after, data) {
			t.Errorf("%s was overwritten", name)
		}
	}
	if err := os.Mkdir(filepath.Join(dir, "folder.png"), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := WriteSheet(filepath.Join(dir, "folder.png"), drawnAccount()); !errors.Is(err, ErrNotASheet) {
		t.Errorf("a folder: %v", err)
	}
}

func TestRadialProfile(t *testing.T) {
	in := drawnAccount()
	colours, whole := radialProfile(in.Analysis)
	// The drawn face has one L* a colour and no shading.
	for k, row := range colours {
		want := in.Analysis.Parts.Colours[k].Lab[0]
		seen := 0
		for b, v := range row {
			if math.IsNaN(v) {
				continue
			}
			seen++
			if math.Abs(v-want) > 1e-6 {
				t.Errorf("colour %d, ring %d: L* %.2f, drawn with %.2f", k, b, v, want)
			}
			if from := float64(b) / radialBins; from > features.RimFrom {
				t.Errorf("colour %d has a figure in the rim, from %.2f", k, from)
			}
		}
		if seen < 4 {
			t.Errorf("colour %d is seen in %d rings", k, seen)
		}
	}
	// The middle is the red band's, ring 0 lying within 0.25 radii of it.
	if math.Abs(whole[0]-drawnRed[0]) > 1e-6 {
		t.Errorf("the middle's L* is %.2f", whole[0])
	}
	if math.IsNaN(whole[radialBins-1]) {
		t.Error("the rim has no figure of its own")
	}
}

func TestRingLines(t *testing.T) {
	in := drawnAccount()
	sh := in.Analysis.Shadow
	if !sh.Seen || math.Abs(math.Atan2(sh.Y, sh.X)) > 0.1 {
		t.Fatalf("the drawn shadow is not seen where it is: %+v", sh)
	}
	along, beside, opposite := ringLines(in.Analysis.Face.Ring, sh)
	if len(along) != features.RingSteps || len(beside) != len(along) || len(opposite) != len(along) {
		t.Fatalf("%d, %d and %d steps", len(along), len(beside), len(opposite))
	}
	at := func(r float64) int { return int(math.Round((r - features.RingFrom) / features.RingStep)) }
	for _, c := range []struct {
		what string
		got  float64
		want float64
	}{
		{"near the outline, in the shadow", along[at(1.06)].Y, 0.5},
		{"gathered light", along[at(1.36)].Y, 1.2},
		{"beside it", beside[at(1.36)].Y, 0.5},
		{"past the shadow", along[at(1.8)].Y, 1},
	} {
		if math.Abs(c.got-c.want) > 1e-9 {
			t.Errorf("%s: %.3f, drawn with %.3f", c.what, c.got, c.want)
		}
	}
	flat := features.Ring{Value: [][]float64{{0.9, 0.9}, {1.1, 1.1}}}
	if all, b, o := ringLines(flat, features.Shadow{}); len(b)+len(o) != 0 || math.Abs(all[0].Y-1) > 1e-9 || !math.IsNaN(all[5].Y) {
		t.Errorf("without a shadow: %v, %v, %v", all, b, o)
	}
}

func TestFigure(t *testing.T) {
	for _, c := range []struct {
		f    features.Feature
		v    float64
		want string
	}{
		{features.Feature{High: 1}, 0.256, "0.26"},
		{features.Feature{High: 60, Unit: "mm"}, 15.916, "15.92 mm"},
		{features.Feature{High: 5, Unit: "1/mm"}, 0.234, "0.23 per mm"},
		{features.Feature{High: 9, Unit: "1/diameter"}, 1.25, "1.2 per diameter"},
		{features.Feature{Low: -100, High: 100, Unit: "b*"}, -5.31, "−5.3 b*"},
		{features.Feature{High: 60}, 3, "3"},
	} {
		if got := figure(c.f, c.v); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

func TestInWords(t *testing.T) {
	white := record.Ribbon{Lab: [3]float64{92, 0, 2}, Group: "white", AreaFraction: 0.2, WidthMM: record.F(1.44)}
	red := record.Ribbon{Lab: drawnRed, Group: "red", AreaFraction: 0.31}
	for name, c := range map[string]struct {
		m    record.Marble
		want string
	}{
		"nothing known": {record.Marble{}, ""},
		"clear": {record.Marble{Base: &record.Base{Kind: "transparent", Group: "grey"}, Ribbons: []record.Ribbon{white, red}, Features: map[string]float64{"busyness": 0.7}},
			"A clear base. 2 ribbon colours: red over 31 % of the face; white over 20 % of the face, 1.4 mm wide. Busyness 0.70, a busy swirl."},
		"tinted":  {record.Marble{Base: &record.Base{Kind: "transparent", Group: "aqua", Tinted: true}}, "An aqua-tinted transparent base without ribbons."},
		"cloudy":  {record.Marble{Base: &record.Base{Kind: "cloudy", Group: "white"}, Ribbons: []record.Ribbon{red}}, "A cloudy base that looks white. One ribbon colour: red over 31 % of the face."},
		"unsure":  {record.Marble{Base: &record.Base{Kind: "opaque", Group: "white"}, Features: map[string]float64{"busyness": 0}, FeaturesSure: map[string]float64{"busyness": 0.1}}, "An opaque white base without ribbons. Busyness 0.00, no swirl to speak of, but not to be relied on here."},
		"between": {record.Marble{Base: &record.Base{Kind: "opaque", Group: "white"}, Ribbons: []record.Ribbon{red}, Features: map[string]float64{"busyness": 0.5}}, "An opaque white base. One ribbon colour: red over 31 % of the face. Busyness 0.50, neither plain nor busy."},
	} {
		s := &sheet{Account: Account{Marble: c.m}}
		if got := s.inWords(); got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}

// Sheets are drawn for several photos at once.
func TestSheetsSideBySide(t *testing.T) {
	want := Sheet(drawnAccount()).Pix
	var wg sync.WaitGroup
	for range 3 {
		wg.Go(func() {
			if !bytes.Equal(Sheet(drawnAccount()).Pix, want) {
				t.Error("a sheet drawn beside others differs")
			}
		})
	}
	wg.Wait()
}

func BenchmarkSheet(b *testing.B) {
	in := drawnAccount()
	for b.Loop() {
		Sheet(in)
	}
}

func BenchmarkWriteSheet(b *testing.B) {
	in := drawnAccount()
	path := filepath.Join(b.TempDir(), "a.png")
	for b.Loop() {
		if err := WriteSheet(path, in); err != nil {
			b.Fatal(err)
		}
	}
}
