package pipeline

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"testing"

	"tawsight/internal/colour"
	"tawsight/internal/record"
	"tawsight/samples"
	"tawsight/samples/lamp"
)

const sampleTray = "../../samples/photos/tray/tray-1.jpg"

// ultravioletOf is the photo under a lamp; see lamp.Under.
func ultravioletOf(t *testing.T, photo string, truth *samples.Truth, glow map[int][3]float64, spill [3]float64) []byte {
	t.Helper()
	jpg, err := lamp.Under(photo, truth, glow, spill)
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
