package report

import (
	"bytes"
	"encoding/json"
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
	"testing"

	"golang.org/x/net/html"
	"pgregory.net/rapid"

	"tawsight/features"
	"tawsight/internal/colour"
	"tawsight/internal/record"
)

// dot is a view of a plain disc of one colour on grey paper, mm across at 20
// pixels a millimetre; 0 for a photo without a scale.
func dot(t testing.TB, mm float64, c color.NRGBA) View {
	t.Helper()
	px, scale := mm*20, 0.05
	if mm == 0 {
		px, scale = 320, 0
	}
	side := int(px * 1.24)
	img := image.NewNRGBA(image.Rect(0, 0, side, side))
	for y := range side {
		for x := range side {
			img.SetNRGBA(x, y, color.NRGBA{0xc8, 0xc8, 0xc8, 0xff})
			if math.Hypot(float64(x)+0.5-float64(side)/2, float64(y)+0.5-float64(side)/2) < px/2 {
				img.SetNRGBA(x, y, c)
			}
		}
	}
	v, err := NewView(img, scale, px)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

const (
	longName  = "The-very-long-name-of-a-box-that-someone-found-behind-the-boiler and then labelled with a whole sentence about it"
	longWords = "ribbon width 1.1 mm; set A 0.8 to 1.3, set B 2.0 to 3.1: speaks for the one rather than the other, as far as anyone can tell from here"
)

// madeUpPlate has so many sets of so many specimens.
func madeUpPlate(t testing.TB, specimens []int, name string) Plate {
	registry := features.All()
	p := Plate{
		PhotoPath: "attic/" + name + ".jpg", Status: "doubtful", Verdict: "in doubt between " + name + " (0.52) and another (0.41)",
		Marble: record.Marble{
			ID: "3", DiameterMM: record.F(15.91), DiameterU95MM: record.F(0.12), DiameterIn: "5/8", SizeClass: "player",
			Base:    &record.Base{Name: "light bluish gray", Kind: "cloudy", Tinted: true},
			Ribbons: []record.Ribbon{{Name: "moderate purplish blue", AreaFraction: 0.3}, {Name: "light grayish yellowish brown", AreaFraction: 0.1}},
		},
		View:    dot(t, 15.91, color.NRGBA{0x20, 0x40, 0xc0, 0xff}),
		Reasons: []string{longWords, "haze 0.5"}, HowSure: []string{longWords, longWords}, Settle: []string{longWords},
		Notes: []string{"the photo is a little dark"}, MadeBy: record.MadeBy{Tawsight: "0.0.1", Features: 7},
	}
	for s, n := range specimens {
		set := PlateSet{Label: fmt.Sprintf("%s %d", name, s+1), Probability: 0.5 / float64(s+1), Marbles: n, Tested: 9, Right: 9 - s}
		if s > 0 {
			set.TakenFor = []TakenFor{{name, s}}
		}
		for k := range n {
			set.Specimens = append(set.Specimens, PlateSpecimen{
				Name: fmt.Sprintf("%s, no. %d", name, k+1), Credit: "A. Neighbour of " + name, Permission: "permission: may be shown on plates and reports, not passed on",
				View:   dot(t, []float64{14, 25, 0, 17}[k%4], color.NRGBA{0xc0, 0x30, uint8(40 * k), 0xff}),
				Values: map[string]float64{registry[0].Name: 14 + float64(k)},
			})
		}
		p.Sets = append(p.Sets, set)
	}
	for k, f := range registry[:6] {
		pf := PlateFeature{Feature: f}
		if k != 1 {
			v := f.Low + 0.4*(f.High-f.Low)
			pf.Value = &v
		}
		for s := range specimens {
			if s == 1 && k == 2 {
				pf.Usual = append(pf.Usual, nil)
				continue
			}
			lo := f.Low + 0.1*float64(s+1)*(f.High-f.Low)
			pf.Usual = append(pf.Usual, &[2]float64{lo, lo + 0.2*(f.High-f.Low)*float64(k%2)})
		}
		p.Features = append(p.Features, pf)
	}
	return p
}

// stands checks that all text of a drawing lies within it, that no piece lies on
// another, and none on a picture.
func stands(t *testing.T, d *drawing) {
	t.Helper()
	if len(d.words) == 0 {
		t.Error("there is no text at all")
	}
	for i, w := range d.words {
		if w.box.x0 < -0.01 || w.box.y0 < -0.01 || w.box.x1 > d.w+0.01 || w.box.y1 > d.h+0.01 {
			t.Errorf("%q at %v leaves the page of %g by %g", w.text, w.box, d.w, d.h)
		}
		for _, o := range d.words[:i] {
			if w.box.overlap(o.box) > 0.02*math.Min(w.box.area(), o.box.area()) {
				t.Errorf("%q lies on %q", w.text, o.text)
			}
		}
		for _, l := range d.looks {
			if w.box.overlap(l) > 0.01*w.box.area() {
				t.Errorf("%q lies on a picture", w.text)
			}
		}
	}
}

func TestPlateTextStandsFree(t *testing.T) {
	for _, name := range []string{"jar", longName, "Schüßel № 7 – Łąka", "龍", strings.Repeat("x", 300)} {
		for _, specimens := range [][]int{{4}, {1}, {2, 2}, {2, 0}, {0, 1}, {2, 1, 2}, {5, 5, 5}} {
			t.Run(fmt.Sprint(len(name), specimens), func(t *testing.T) {
				p := madeUpPlate(t, specimens, name)
				d, err := p.drawing()
				if err != nil {
					t.Fatal(err)
				}
				stands(t, d)
			})
		}
	}
}

// A plate of next to nothing is drawn all the same.
func TestPlateOfLittle(t *testing.T) {
	p := Plate{PhotoPath: "a.jpg", Marble: record.Marble{ID: "1"}, View: dot(t, 0, color.NRGBA{9, 9, 9, 255}), Sets: []PlateSet{{Label: "only"}}}
	d, err := p.drawing()
	if err != nil {
		t.Fatal(err)
	}
	stands(t, d)
	var b bytes.Buffer
	if err := p.writeHTML(&b); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"size not known", "5/8 inch"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// All marbles are drawn at one scale: 25 mm against 14 mm.
func TestPlateScale(t *testing.T) {
	p := madeUpPlate(t, []int{2, 2}, "jar")
	d, err := p.drawing()
	if err != nil {
		t.Fatal(err)
	}
	const k = 2
	img := d.paint(k)
	var found []float64
	for _, l := range d.looks {
		// Along the middle line: what is strongly coloured is the marble.
		y := int((l.y0 + l.y1) / 2 * k)
		n := 0
		for x := int(l.x0 * k); x < int(l.x1*k); x++ {
			c := img.RGBAAt(x, y)
			if max(c.R, c.G, c.B)-min(c.R, c.G, c.B) > 90 {
				n++
			}
		}
		found = append(found, float64(n))
	}
	slices.Sort(found)
	if len(found) != 5 {
		t.Fatalf("%d pictures, want 5", len(found))
	}
	perMM := found[0] / 14
	for i, mm := range []float64{14, 14, 15.91, 25, 25} {
		if got := found[i] / perMM; math.Abs(got-mm) > 0.03*mm {
			t.Errorf("picture %d: %.2f mm by the scale of the smallest, want %.2f", i, got, mm)
		}
	}
}

func TestPlateIsTheSameTwice(t *testing.T) {
	var files [2]map[string][]byte
	for i := range files {
		dir := t.TempDir()
		paths, err := WritePlate(dir, "jar", madeUpPlate(t, []int{2, 1, 2}, "jar & <b>lid</b>"))
		if err != nil || len(paths) != 3 {
			t.Fatal(paths, err)
		}
		files[i] = map[string][]byte{}
		for _, p := range paths {
			if files[i][filepath.Base(p)], err = os.ReadFile(p); err != nil {
				t.Fatal(err)
			}
		}
		// Again into the same folder: its own files may be replaced.
		if _, err := WritePlate(dir, "jar", madeUpPlate(t, []int{2}, "jar")); err != nil {
			t.Error(err)
		}
	}
	for name, data := range files[0] {
		if !bytes.Equal(data, files[1][name]) {
			t.Errorf("%s differs from one run to the next", name)
		}
	}
	if _, err := png.Decode(bytes.NewReader(files[0]["plate-jar-3.png"])); err != nil {
		t.Error(err)
	}
	if pdf := files[0]["plate-jar-3.pdf"]; !bytes.HasPrefix(pdf, []byte("%PDF-")) || !bytes.Contains(pdf, []byte("/FontFile2")) {
		t.Error("the PDF has no text in an embedded typeface")
	}
	page := string(files[0]["plate-jar-3.html"])
	if strings.Contains(page, "<b>lid</b>") || !strings.Contains(page, "jar &amp; &lt;b&gt;lid&lt;/b&gt;") {
		t.Error("a name is taken for markup")
	}
	if _, err := html.Parse(strings.NewReader(page)); err != nil {
		t.Error(err)
	}
	for _, outside := range []string{"http://", "https://", "src=\"/", "url("} {
		if strings.Contains(strings.ReplaceAll(page, "http://www.w3.org/2000/svg", ""), outside) {
			t.Errorf("the page needs something from elsewhere: %s", outside)
		}
	}
	for _, want := range []string{"A. Neighbour of", "not passed on", "±", "speaks for the one"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// A file of the user's is never replaced, and then nothing at all is written.
func TestPlateInTheWay(t *testing.T) {
	for _, ext := range []string{".png", ".pdf", ".html"} {
		dir := t.TempDir()
		mine := filepath.Join(dir, "plate-jar-3"+ext)
		if err := os.WriteFile(mine, []byte("mine"), 0o666); err != nil {
			t.Fatal(err)
		}
		_, err := WritePlate(dir, "jar", madeUpPlate(t, []int{1, 1}, "jar"))
		if !errors.Is(err, ErrNotAPlate) || !strings.Contains(err.Error(), mine) {
			t.Errorf("%s: %v", ext, err)
		}
		if data, _ := os.ReadFile(mine); string(data) != "mine" {
			t.Errorf("%s was overwritten", mine)
		}
		if entries, _ := os.ReadDir(dir); len(entries) != 1 {
			t.Errorf("%s: %d files", ext, len(entries))
		}
	}
}

// Lines are never wider than asked for, and lose no letter.
func TestLinesOf(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		text := rapid.StringOfN(rapid.RuneFrom([]rune("abc WMÄ-_/1 –")), 0, 120, -1).Draw(rt, "text")
		width := rapid.Float64Range(12, 200).Draw(rt, "width")
		lines := linesOf(text, width, 0, regular, 8)
		for _, l := range lines {
			if textWidth(l, regular, 8) > width {
				rt.Fatalf("%q is wider than %g", l, width)
			}
		}
		squeeze := func(s string) string { return strings.Join(strings.Fields(s), "") }
		if got := squeeze(strings.Join(lines, "")); got != squeeze(text) {
			rt.Fatalf("%q became %q", text, got)
		}
		for _, l := range linesOf(text, width, 2, regular, 8) {
			if textWidth(l, regular, 8) > width {
				rt.Fatalf("shortened, %q is wider than %g", l, width)
			}
		}
	})
}

func TestWilson(t *testing.T) {
	// R. G. Newcombe, "Two-sided confidence intervals for the single
	// proportion", Statistics in Medicine 17, 1998, table I, method 3; the figures
	// are from memory.
	for _, c := range []struct {
		right, n int
		lo, hi   float64
	}{{81, 263, 0.2553, 0.3662}, {15, 148, 0.0624, 0.1605}, {0, 20, 0, 0.1611}, {1, 29, 0.0061, 0.1718}} {
		lo, hi := wilson(float64(c.right)/float64(c.n), c.n)
		if math.Abs(lo-c.lo) > 5e-5 || math.Abs(hi-c.hi) > 5e-5 {
			t.Errorf("%d of %d: %.4f to %.4f, want %.4f to %.4f", c.right, c.n, lo, hi, c.lo, c.hi)
		}
	}
}

func TestPaletteOrder(t *testing.T) {
	var found []FoundColour
	// Red, yellow, green and blue of two lightnesses, white and black.
	for i, lab := range [][3]float64{{60, -50, 40}, {95, 0, 1}, {35, 50, 30}, {10, 0, 0}, {80, 5, 75}, {40, 10, -45}, {65, 50, 30}, {35, 50.5, 30}} {
		found = append(found, FoundColour{fmt.Sprint(i % 7), lab})
	}
	got := Palette(found)
	last := -1.0
	n := 0
	for i, c := range got {
		n += len(c.Labs)
		if c.Name != colour.Name(c.Labs[0]) {
			t.Errorf("%s: named %s", c.Hex, c.Name)
		}
		hue := -1.0
		if colour.Chroma(c.Lab) >= paletteGrey {
			hue = math.Floor(colour.HueDeg(c.Lab) / 15)
		}
		if hue < last || i > 0 && hue == last && c.Lab[0] < got[i-1].Lab[0] {
			t.Errorf("%s stands after %s", c.Name, got[i-1].Name)
		}
		last = hue
	}
	if n != len(found) || got[0].Lab[0] > 20 || got[0].Specimens != 1 {
		t.Errorf("%d colours of %d: %+v", n, len(found), got)
	}
}

func TestSixtyFourths(t *testing.T) {
	for n, want := range map[int]string{40: "5/8", 37: "37/64", 64: "1", 80: "1 1/4", 0: "0"} {
		if got := sixtyFourths(n); got != want {
			t.Errorf("%d: %s, want %s", n, got, want)
		}
	}
}

func madeUpHealth(t testing.TB, name string, sets int) Health {
	h := Health{Tested: 10 * sets, Right: 9 * sets, Warnings: []string{longWords}, MadeBy: record.MadeBy{Tawsight: "0.0.1", Features: 7}}
	for s := range sets {
		one := HealthSet{Label: fmt.Sprintf("%s %d", name, s), Photos: 3, Specimens: 10, Tested: 10, Right: 9, Recall: record.F(0.9), RecallU95: &[2]float64{0.6, 0.98}}
		one.TakenFor = []TakenFor{{name, 1}}
		var found []FoundColour
		for k := range 10 {
			one.SizesMM = append(one.SizesMM, 14+float64(k*k)/9)
			found = append(found, FoundColour{fmt.Sprint(k), [3]float64{float64(10 * k), float64(20 * (k%5 - 2)), float64(25 * (k%3 - 1))}})
			if s > 1 {
				continue // two sets' pictures are enough
			}
			one.Gallery = append(one.Gallery, PlateSpecimen{Name: fmt.Sprintf("%s no. %d", name, k), Credit: "A. Neighbour", Permission: "permission: ask first", View: dot(t, 14+float64(k), color.NRGBA{200, 30, uint8(20 * k), 255})})
		}
		one.Base, one.Ribbons = Palette(found[:3]), Palette(found)
		h.Sets, h.Labels = append(h.Sets, one), append(h.Labels, one.Label)
		row := make([]int, sets)
		row[s], row[(s+1)%sets] = row[s]+9, row[(s+1)%sets]+1
		h.Confusion = append(h.Confusion, row)
	}
	if sets > 0 {
		h.Brier, h.CalibrationError = record.F(0.123), record.F(0.045)
		for k := range 10 {
			h.Bins = append(h.Bins, HealthBin{Low: float64(k) / 10, High: float64(k+1) / 10, N: k * 3, Probability: float64(k)/10 + 0.05, Right: float64(k) / 9})
		}
		h.Pairs = []HealthPair{{A: h.Labels[0], B: h.Labels[sets-1], Confused: 2, Features: []HealthSeparation{{"haze", "haze", 2.5, longWords}, {"turns", "turns", 0.7, ""}}}, {A: "a", B: "b"}}
		h.Mislabelled = []HealthSuspect{{Text: longWords}}
		h.Duplicates = []HealthDuplicate{{Text: longWords}}
		h.Small = []HealthSmall{{Text: longWords}}
		h.Candidates = []HealthCandidate{{"diagonal", 1, 10, true}}
	}
	return h
}

func TestHealthTextStandsFree(t *testing.T) {
	for _, name := range []string{"jar", longName, "龍"} {
		for _, sets := range []int{0, 1, 2, 6, 14} {
			t.Run(fmt.Sprint(len(name), " ", sets), func(t *testing.T) {
				h := madeUpHealth(t, name, sets)
				stands(t, h.overview())
				stands(t, h.pairsPage())
				for i := range min(len(h.Sets), 2) {
					d, err := h.Sets[i].page()
					if err != nil {
						t.Fatal(err)
					}
					stands(t, d)
				}
			})
		}
	}
	one := HealthSet{Label: "sizes", SizesMM: []float64{16}}
	stands(t, sizeStrip(one.SizesMM, 700))
	stands(t, sizeStrip(append(slices.Repeat([]float64{15.9}, 60), 12, 40), 700))
}

func TestHealthFiles(t *testing.T) {
	var files [2]map[string][]byte
	for i := range files {
		dir := t.TempDir()
		h := madeUpHealth(t, "a/b <jar>", 2)
		h.Sets[1].Label = strings.ToUpper(h.Sets[0].Label) // alike but for case
		paths, err := WriteHealth(dir, h)
		if err != nil {
			t.Fatal(err)
		}
		if len(paths) != 7 {
			t.Errorf("%d files: %v", len(paths), paths)
		}
		if _, err := WriteHealth(dir, h); err != nil {
			t.Errorf("again: %v", err)
		}
		files[i] = map[string][]byte{}
		for _, p := range paths {
			if files[i][filepath.Base(p)], err = os.ReadFile(p); err != nil {
				t.Fatal(err)
			}
		}
		for _, name := range []string{"health.json", "health.html", "health.pdf"} {
			mine := filepath.Join(t.TempDir(), name)
			if err := os.WriteFile(mine, []byte("mine"), 0o666); err != nil {
				t.Fatal(err)
			}
			if _, err := WriteHealth(filepath.Dir(mine), h); !errors.Is(err, ErrNotHealth) {
				t.Errorf("%s in the way: %v", name, err)
			}
			if data, _ := os.ReadFile(mine); string(data) != "mine" {
				t.Errorf("%s was overwritten", name)
			}
		}
	}
	for name, data := range files[0] {
		if !bytes.Equal(data, files[1][name]) {
			t.Errorf("%s differs from one run to the next", name)
		}
	}
	var back Health
	if err := json.Unmarshal(files[0]["health.json"], &back); err != nil {
		t.Fatal(err)
	}
	if back.Right != 18 || back.Sets[0].RecallU95[1] != 0.98 || back.Pairs[0].Features[0].D != 2.5 || len(back.Sets[0].Ribbons) == 0 {
		t.Errorf("health.json says %+v", back)
	}
	if bytes.Contains(files[0]["health.json"], []byte("null")) {
		t.Error("health.json has nulls")
	}
	page := string(files[0]["health.html"])
	if strings.Contains(page, "<jar>") {
		t.Error("a name is taken for markup")
	}
}

func BenchmarkPlate(b *testing.B) {
	p := madeUpPlate(b, []int{2, 2}, "jar")
	for b.Loop() {
		if _, err := WritePlate(b.TempDir(), "jar", p); err != nil {
			b.Fatal(err)
		}
	}
}
