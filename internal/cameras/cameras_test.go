package cameras

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tawsight/calib"
	"tawsight/vision"
)

func profile(model string) *Profile {
	return &Profile{
		Name: "kitchen camera", Camera: Key{Make: "Lumora", Model: model, FocalMM: 4.25, Focal35MM: 26}, Made: "2026-05-02", MadeBy: "test", Photos: 12,
		Found: calib.CameraModel{WidthPX: 4000, HeightPX: 3000, FocalPX: 2900, CxPX: 2010, CyPX: 1490, K1: -0.03,
			Fitted: []string{"focal", "cx", "cy", "k1"}, Covariance: [][]float64{{1e-6, 0, 0, 0}, {0, 4, 0, 0}, {0, 0, 4, 0}, {0, 0, 0, 1e-6}}},
	}
}

func meta(model string) vision.Meta {
	return vision.Meta{Orientation: 1, CameraMake: "Lumora", CameraModel: model, FocalMM: 4.25, Focal35MM: 26, DigitalZoom: 1}
}

func TestSaveAndFind(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "tawsight", "cameras")
	if b := Open(dir); len(b.Profiles()) != 0 || len(b.Problems) != 0 {
		t.Fatalf("a folder that isn't there: %+v", b)
	}
	p := profile("P4")
	path := filepath.Join(dir, p.FileName())
	now := time.Date(2026, 5, 2, 0, 0, 0, 0, time.UTC)
	if kept, err := p.Save(path, now); err != nil || kept != "" {
		t.Fatal(kept, err)
	}
	b := Open(dir)
	if len(b.Profiles()) != 1 || b.Profiles()[0].Hash() != p.Hash() {
		t.Fatalf("%+v", b)
	}
	for _, tt := range []struct {
		name string
		edit func(*vision.Meta)
		w, h int
		want bool
	}{
		{"its own", func(*vision.Meta) {}, 4000, 3000, true},
		{"reduced", func(*vision.Meta) {}, 1600, 1200, true},
		{"held upright", func(m *vision.Meta) { m.Orientation = 6 }, 3000, 4000, true},
		{"stored upright", func(*vision.Meta) {}, 3000, 4000, false},
		{"another shape", func(*vision.Meta) {}, 4000, 2250, false},
		{"another lens", func(m *vision.Meta) { m.FocalMM, m.Focal35MM = 1.5, 13 }, 4000, 3000, false},
		{"zoomed", func(m *vision.Meta) { m.DigitalZoom = 2 }, 4000, 3000, false},
		{"another model", func(m *vision.Meta) { m.CameraModel = "P5" }, 4000, 3000, false},
		{"no camera named", func(m *vision.Meta) { m.CameraMake, m.CameraModel = "", "" }, 4000, 3000, false},
	} {
		m := meta("P4")
		tt.edit(&m)
		got, known := b.For(m, tt.w, tt.h)
		if (got != nil) != tt.want || (known != nil) != tt.want {
			t.Errorf("%s: %v", tt.name, got)
		}
	}
	if p, _ := (*Book)(nil).For(meta("P4"), 4000, 3000); p != nil {
		t.Error("no book has a profile")
	}

	// Saved again, the earlier one is kept, twice over.
	p.Found.K1 = -0.04
	kept := map[string]bool{}
	for range 2 {
		k, err := p.Save(path, now)
		if err != nil || k == "" || kept[k] {
			t.Fatal(k, err)
		}
		kept[k] = true
		if _, err := os.Stat(k); err != nil {
			t.Error(err)
		}
	}
	if b := Open(dir); len(b.Profiles()) != 1 || b.Profiles()[0].Found.K1 != -0.04 {
		t.Errorf("%+v", b.Profiles())
	}
}

func TestHash(t *testing.T) {
	a, b := profile("P4"), profile("P4")
	b.Name, b.Made, b.Photos = "another name", "2027-01-01", 20
	if a.Hash() != b.Hash() || len(a.Hash()) != 12 {
		t.Errorf("%s and %s", a.Hash(), b.Hash())
	}
	b.Found.K1 += 1e-9
	if a.Hash() == b.Hash() {
		t.Error("another lens has the same hash")
	}
}

func TestFilesThatAreNone(t *testing.T) {
	dir := t.TempDir()
	good := profile("P4")
	if _, err := good.Save(filepath.Join(dir, "good.json"), time.Now()); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(filepath.Join(dir, "good.json"))
	if err != nil {
		t.Fatal(err)
	}
	bad := map[string]string{
		"torn.json":     string(data[:len(data)/2]),
		"other.json":    `{"hello": 1}`,
		"later.json":    strings.Replace(string(data), `"tawsight_camera_profile": 1`, `"tawsight_camera_profile": 9`, 1),
		"nameless.json": strings.Replace(string(data), `"model": "P4"`, `"model": ""`, 1),
		"folds.json":    strings.Replace(string(data), `"k1": -0.03`, `"k1": -3`, 1),
		"empty.json":    "",
	}
	for name, text := range bad {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		if _, err := Read(filepath.Join(dir, name)); !errors.Is(err, ErrProfile) || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if b := Open(dir); len(b.Profiles()) != 1 || len(b.Problems) != len(bad) {
		t.Errorf("%d profiles, problems %v", len(b.Profiles()), b.Problems)
	}
	// A file of the user's is never written over.
	theirs := filepath.Join(dir, "other.json")
	if _, err := good.Save(theirs, time.Now()); !errors.Is(err, ErrProfile) {
		t.Errorf("%v", err)
	}
	if text, _ := os.ReadFile(theirs); string(text) != bad["other.json"] {
		t.Errorf("it is now %s", text)
	}
}

func TestFileName(t *testing.T) {
	a, b := profile("P4"), profile("P4")
	a.Camera.Model, b.Camera.Model = "Ä/..\\4", "Ö/..\\4"
	if a.FileName() == b.FileName() || strings.ContainsAny(a.FileName(), "/\\ ") || filepath.Base(a.FileName()) != a.FileName() {
		t.Errorf("%s, %s", a.FileName(), b.FileName())
	}
	if n := profile("P4").FileName(); !strings.HasPrefix(n, "lumora-p4-4.25mm-26mm-equivalent-4-3-") || !strings.HasSuffix(n, ".json") {
		t.Error(n)
	}
}
