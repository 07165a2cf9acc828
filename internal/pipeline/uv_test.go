package pipeline

import (
	"bytes"
	"context"
	"encoding/json"
	"image"
	_ "image/jpeg"
	"math"
	"os"
	"path/filepath"
	"testing"

	"tawsight/internal/colour"
	"tawsight/internal/record"
	"tawsight/samples"
	"tawsight/samples/lens"
)

const sampleTray = "../../samples/photos/tray/tray-1.jpg"

// ultravioletOf makes of a daylight photo what a lamp would: a dark field with
// violet spill, a card whose paper shines blue by its brighteners, and marbles
// glow[id] of which give light of their own.
func ultravioletOf(t *testing.T, photo string, truth *samples.Truth, glow map[int][3]float64, spill [3]float64) []byte {
	t.Helper()
	data, err := os.ReadFile(photo)
	if err != nil {
		t.Fatal(err)
	}
	img, _, err := image.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	b := img.Bounds()
	if b.Dx() != truth.Image.Width || b.Dy() != truth.Image.Height {
		t.Fatal("choose a sample that is stored upright")
	}
	p := &lens.Picture{W: b.Dx(), H: b.Dy(), Pix: make([]float32, 3*b.Dx()*b.Dy())}
	inCard := func(x, y float64) bool {
		c := truth.Card.CornersPx
		sign := 0.0
		for i := range c {
			a, d := c[i], c[(i+1)%len(c)]
			s := (d[0]-a[0])*(y-a[1]) - (d[1]-a[1])*(x-a[0])
			if s*sign < 0 {
				return false
			}
			sign = s
		}
		return true
	}
	for y := range p.H {
		for x := range p.W {
			r, g, bl, _ := img.At(x, y).RGBA()
			lin := [3]float64{}
			for k, v := range [3]uint32{r, g, bl} {
				lin[k] = colour.SRGBToLinear(float64(v) / 65535)
			}
			light := (lin[0] + lin[1] + lin[2]) / 3
			f := spill
			if inCard(float64(x), float64(y)) {
				f = [3]float64{0.05, 0.07, 0.30}
			}
			out := [3]float64{light * f[0], light * f[1], light * f[2]}
			for _, m := range truth.Marbles {
				s, c := math.Sincos(m.Ellipse.AngleDeg * math.Pi / 180)
				dx, dy := float64(x)-m.Ellipse.CX, float64(y)-m.Ellipse.CY
				u, v := (c*dx+s*dy)/m.Ellipse.SemiMajor, (-s*dx+c*dy)/m.Ellipse.SemiMinor
				if e, ok := glow[m.ID]; ok && u*u+v*v < 1 {
					for k := range out {
						out[k] += e[k] * (0.6 + 0.4*math.Sqrt(1-u*u-v*v))
					}
				}
			}
			for k := range out {
				p.Pix[3*(y*p.W+x)+k] = float32(out[k])
			}
		}
	}
	jpg, err := lens.Shoot(p, lens.Settings{Gain: [3]float64{1, 1, 1}, Noise: 1, Quality: 92, Orientation: 1}, 3)
	if err != nil {
		t.Fatal(err)
	}
	return jpg
}

func readRecords(t *testing.T, path string) map[string]record.Photo {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]record.Photo{}
	for _, line := range bytes.Split(bytes.TrimSpace(data), []byte("\n")) {
		var p record.Photo
		if err := json.Unmarshal(line, &p); err != nil {
			t.Fatal(err)
		}
		out[filepath.Base(p.Path)] = p
	}
	return out
}

// A daylight and an ultraviolet photo of one tray are told apart and joined,
// marble by marble, and the glow is as painted.
func TestUltravioletPair(t *testing.T) {
	truthPath, err := samples.TruthPath(sampleTray)
	if err != nil {
		t.Fatal(err)
	}
	truth, err := samples.LoadTruth(truthPath)
	if err != nil {
		t.Fatal(err)
	}
	glow := map[int][3]float64{}
	green := [3]float64{0.06, 0.50, 0.08}
	for i, m := range truth.Marbles {
		if i%2 == 0 && !m.CutOff {
			glow[m.ID] = green
		}
	}
	dir, out := t.TempDir(), t.TempDir()
	day, err := os.ReadFile(sampleTray)
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{
		"day.jpg": day,
		"uv.jpg":  ultravioletOf(t, sampleTray, truth, glow, [3]float64{0.03, 0.01, 0.10}),
	} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := Run(context.Background(), Options{Photos: []string{dir}, OutDir: out}); err != nil {
		t.Fatal(err)
	}
	got := readRecords(t, filepath.Join(out, "photos.jsonl"))
	d, u := got["day.jpg"], got["uv.jpg"]
	has := func(p record.Photo, code string) bool {
		for _, f := range p.Flags {
			if f.Code == code {
				return true
			}
		}
		return false
	}
	if has(d, "ultraviolet") || !has(u, "ultraviolet") {
		t.Fatalf("ultraviolet: day %v, lamp %v", has(d, "ultraviolet"), has(u, "ultraviolet"))
	}
	if u.Verdict.Colour != record.Unusable {
		t.Errorf("colours under the lamp are called %s", u.Verdict.Colour)
	}
	if has(u, "colour-cast") || has(u, "under-exposed") {
		t.Error("the lamp's light is judged as bad daylight")
	}
	if d.PairedWith != u.Path || u.PairedWith != d.Path {
		t.Errorf("pairs: %q and %q", d.PairedWith, u.PairedWith)
	}
	want := colour.LinearToLab(green)
	joined := 0
	for _, m := range u.Marbles {
		if m.Base != nil || len(m.Ribbons) > 0 || len(m.Features) > 0 || m.Attribution != nil {
			t.Errorf("marble %s under the lamp has daylight colours", m.ID)
		}
		if m.PairedID != "" {
			joined++
		}
	}
	if joined < len(glow) {
		t.Errorf("%d marbles joined, %d glow", joined, len(glow))
	}
	for _, m := range truth.Marbles {
		if m.CutOff {
			continue
		}
		found := false
		for _, f := range d.Marbles {
			if math.Hypot(f.Outline.CxPX-m.Ellipse.CX, f.Outline.CyPX-m.Ellipse.CY) > 0.3*m.Ellipse.SemiMajor {
				continue
			}
			found = true
			if f.Glow == nil {
				t.Errorf("marble %d has no glow recorded", m.ID)
				continue
			}
			if _, glows := glow[m.ID]; glows {
				if f.Glow.Share < 0.9 || f.Glow.Lab == nil {
					t.Errorf("marble %d glows over %.2f of its face", m.ID, f.Glow.Share)
				} else if de := colour.DeltaE00(*f.Glow.Lab, want); de > 6 {
					t.Errorf("marble %d glows %v (%s), want %.0f: dE00 %.1f", m.ID, *f.Glow.Lab, f.Glow.Name, want, de)
				}
			} else if f.Glow.Share > 0.05 {
				t.Errorf("marble %d glows over %.2f of its face, and should not", m.ID, f.Glow.Share)
			}
		}
		if !found {
			t.Errorf("marble %d was not found by daylight", m.ID)
		}
	}
}

// No daylight sample, good or poor, is taken for an ultraviolet photo, however
// dark or cast; nor is one under a deep blue cast with nothing glowing.
func TestDaylightIsNotUltraviolet(t *testing.T) {
	photos, err := Check(context.Background(), []string{"../../samples/photos/tray", "../../samples/photos/poor"}, 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range photos {
		for _, f := range p.Flags {
			if f.Code == "ultraviolet" {
				t.Errorf("%s is taken for an ultraviolet photo", p.Path)
			}
		}
	}
	truthPath, err := samples.TruthPath(sampleTray)
	if err != nil {
		t.Fatal(err)
	}
	truth, err := samples.LoadTruth(truthPath)
	if err != nil {
		t.Fatal(err)
	}
	for name, spill := range map[string][3]float64{"dusk": {0.05, 0.07, 0.12}, "dim": {0.1, 0.1, 0.1}, "orange and dim": {0.2, 0.1, 0.03}} {
		_, q, err := CheckData(name, ultravioletOf(t, sampleTray, truth, nil, spill))
		if err != nil {
			t.Fatal(err)
		}
		if q.Ultraviolet.Is {
			t.Errorf("%s is taken for an ultraviolet photo: %+v", name, q.Ultraviolet)
		}
	}
}
