package pipeline

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"tawsight/features"
	"tawsight/internal/record"
	"tawsight/internal/report"
)

func TestSheetsDir(t *testing.T) {
	dir := t.TempDir()
	out, file := filepath.Join(dir, "out"), filepath.Join(dir, "file")
	put(t, file, nil)
	if err := os.MkdirAll(filepath.Join(out, "crops"), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(out, filepath.Join(dir, "link")); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct{ explain, want string }{
		"none":                     {"", ""},
		"its own":                  {filepath.Join(dir, "sheets"), filepath.Join(dir, "sheets")},
		"below the results":        {filepath.Join(out, "why"), filepath.Join(out, "why")},
		"that of the results":      {out, filepath.Join(out, "explain")},
		"the same, written else":   {filepath.Join(dir, ".", "x", "..", "out") + "/", filepath.Join(out, "explain")},
		"the same by a link":       {filepath.Join(dir, "link"), filepath.Join(out, "explain")},
		"a file":                   {file, "error"},
		"the crops'":               {filepath.Join(out, "crops"), "error"},
		"the overlays', not there": {filepath.Join(out, "overlays"), "error"},
	} {
		got, err := SheetsDir(out, c.explain)
		if c.want == "error" {
			if !errors.Is(err, ErrSheetsDir) || !strings.Contains(err.Error(), c.explain) {
				t.Errorf("%s: %q, %v", name, got, err)
			}
			continue
		}
		if err != nil || got != c.want {
			t.Errorf("%s: %q, %v; want %q", name, got, err, c.want)
		}
	}
}

// One run with sheets, into a folder among the photos: every marble has its
// sheet, the record and the report lead to it, and the next run takes no sheet
// for a photo.
func TestSheets(t *testing.T) {
	dir := t.TempDir()
	data, err := os.ReadFile(filepath.Join(sampleDir, "tray/tray-1.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	put(t, filepath.Join(dir, "photos", "tray 1.jpg"), data)
	out, explain := filepath.Join(dir, "out"), filepath.Join(dir, "photos", "why: 100 %")
	var first map[string][]byte
	for round := range 2 {
		sum, err := Run(context.Background(), Options{Photos: []string{filepath.Join(dir, "photos")}, OutDir: out, ExplainDir: explain})
		if err != nil {
			t.Fatal(err)
		}
		if sum.Photos != 1 || sum.SheetsDir != explain {
			t.Fatalf("round %d: %+v", round+1, sum)
		}
		line, err := os.ReadFile(filepath.Join(out, report.JSONLName))
		if err != nil {
			t.Fatal(err)
		}
		var p record.Photo
		if err := json.Unmarshal(line, &p); err != nil {
			t.Fatal(err)
		}
		page, err := os.ReadFile(filepath.Join(out, report.HTMLName))
		if err != nil {
			t.Fatal(err)
		}
		sheets := map[string][]byte{}
		for _, m := range p.Marbles {
			path := filepath.Join(out, filepath.FromSlash(m.Sheet))
			if sheets[m.ID], err = os.ReadFile(path); err != nil {
				t.Fatal(err)
			}
			if c, err := png.DecodeConfig(bytes.NewReader(sheets[m.ID])); err != nil || c.Width != report.SheetWidthPX || !report.IsSheet(path) {
				t.Errorf("marble %s: %+v, %v", m.ID, c, err)
			}
			// The address of RFC 3986: a space and a per cent sign are escaped.
			if link := `href="../photos/why:%20100%20%25/tray_1-` + m.ID + `.png"`; !bytes.Contains(page, []byte(link)) {
				t.Errorf("the report lacks %s", link)
			}
		}
		entries, err := os.ReadDir(explain)
		if err != nil {
			t.Fatal(err)
		}
		if len(p.Marbles) == 0 || len(entries) != len(p.Marbles) {
			t.Errorf("%d files for %d marbles", len(entries), len(p.Marbles))
		}
		if round == 0 {
			first = sheets
			continue
		}
		for id, data := range sheets {
			if !bytes.Equal(data, first[id]) {
				t.Errorf("the sheet of marble %s differs from run to run", id)
			}
		}
	}
}

// What stands in the way is told before anything is measured, and left as it is.
func TestSheetsThatCannotBe(t *testing.T) {
	dir := t.TempDir()
	photo := filepath.Join(dir, "in", "a.jpg")
	data, err := os.ReadFile(filepath.Join(sampleDir, "tray/tray-1.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	put(t, photo, data)
	var picture bytes.Buffer
	if err := png.Encode(&picture, image.NewGray(image.Rect(0, 0, 50, 50))); err != nil {
		t.Fatal(err)
	}
	own := filepath.Join(dir, "own", "a-3.PNG")
	put(t, own, picture.Bytes())
	put(t, filepath.Join(dir, "own", "a-note.png"), picture.Bytes()) // no marble's number
	put(t, filepath.Join(dir, "file"), []byte("x"))
	for name, c := range map[string]struct{ explain, says string }{
		"a picture of the user's": {filepath.Dir(own), "a-3.PNG"},
		"below a file":            {filepath.Join(dir, "file", "why"), "file"},
		"a file":                  {filepath.Join(dir, "file"), "is a file"},
		"read-only":               {filepath.Join(dir, "locked", "why"), "permissions"},
	} {
		t.Run(name, func(t *testing.T) {
			if name == "read-only" {
				if os.Geteuid() == 0 {
					t.Skip("the superuser may write anywhere")
				}
				if err := os.Mkdir(filepath.Join(dir, "locked"), 0o555); err != nil {
					t.Fatal(err)
				}
			}
			measured := 0
			out := filepath.Join(dir, "out "+name)
			_, err := Run(context.Background(), Options{Photos: []string{photo}, OutDir: out, ExplainDir: c.explain,
				Progress: func(int, int, string) { measured++ }})
			if err == nil || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), "--explain") {
				t.Errorf("%v does not say %q and what to do", err, c.says)
			}
			if measured > 0 {
				t.Error("the photo was measured first")
			}
		})
	}
	if after, _ := os.ReadFile(own); !bytes.Equal(after, picture.Bytes()) {
		t.Error("the user's picture was changed")
	}
	// Files that no sheet would be called do no harm.
	if err := os.Remove(own); err != nil {
		t.Fatal(err)
	}
	if err := readyForSheets(filepath.Dir(own), []string{"a"}); err != nil {
		t.Error(err)
	}
}

// Every feature has a value and how sure it is, or a reason why not; never
// both and never neither.
func TestEveryFeatureIsAccountedFor(t *testing.T) {
	absent := 0
	for name, p := range runs(t).photos {
		for _, m := range p.Marbles {
			for _, f := range features.All() {
				_, value := m.Features[f.Name]
				sure, known := m.FeaturesSure[f.Name]
				why := m.FeaturesAbsent[f.Name]
				if value != known || value == (why != "") || sure < 0 || sure > 1 {
					t.Errorf("%s marble %s: %s has a value %v, sure %v (%v), absent because %q", name, m.ID, f.Name, value, sure, known, why)
				}
				if why != "" {
					absent++
				}
			}
			if n := len(m.FeaturesSure) + len(m.FeaturesAbsent); n != len(features.All()) {
				t.Errorf("%s marble %s: %d accounts of %d features", name, m.ID, n, len(features.All()))
			}
			if m.Base != nil && m.Base.Group == "" || slices.ContainsFunc(m.Ribbons, func(r record.Ribbon) bool { return r.Group == "" }) {
				t.Errorf("%s marble %s: a colour has no everyday name", name, m.ID)
			}
		}
	}
	if absent == 0 {
		t.Error("not one feature is absent, though one photo has no card")
	}
}

func TestTakenBack(t *testing.T) {
	m := record.Marble{
		Features:       map[string]float64{"busyness": 0.5},
		FeaturesSure:   map[string]float64{"busyness": 1, "diameter_mm": 0.9},
		FeaturesAbsent: map[string]string{"pieces": "unseen"},
	}
	sayWhyTakenBack(&m, "because")
	if len(m.FeaturesSure) != 1 || m.FeaturesAbsent["diameter_mm"] != "because" || m.FeaturesAbsent["pieces"] != "unseen" || len(m.FeaturesAbsent) != 2 {
		t.Errorf("%+v", m)
	}
}

func TestBubbleInTheRecord(t *testing.T) {
	face := &features.Face{RadiusMM: 8}
	for name, c := range map[string]struct {
		seen features.Bubble
		face *features.Face
		want *record.Bubble
	}{
		"not looked for":  {features.Bubble{Present: true, DiameterR: 0.2}, face, nil},
		"none":            {features.Bubble{Looked: true}, face, &record.Bubble{}},
		"one":             {features.Bubble{Looked: true, Present: true, DiameterR: 0.2}, face, &record.Bubble{Present: true, DiameterMM: record.F(1.6)}},
		"without a scale": {features.Bubble{Looked: true, Present: true, DiameterR: 0.2}, &features.Face{}, &record.Bubble{Present: true}},
	} {
		got := bubbleRecord(c.seen, c.face.RadiusMM)
		a, _ := json.Marshal(got)
		b, _ := json.Marshal(c.want)
		if !bytes.Equal(a, b) {
			t.Errorf("%s: %s, want %s", name, a, b)
		}
	}
}

// Under ultraviolet light nothing is measured that a sheet could explain.
func TestNoSheetUnderUltraviolet(t *testing.T) {
	dir := t.TempDir()
	res := result{photo: record.Photo{Marbles: []record.Marble{{ID: "1"}}}}
	res.measures.Ultraviolet.Is = true
	out := handOn("a.jpg", &res, wanted{sheets: true})
	if err := writeSheets(filepath.Join(dir, "why"), dir, "a", &out); err != nil {
		t.Fatal(err)
	}
	if entries, _ := os.ReadDir(dir); len(entries) > 0 || out.Photo.Marbles[0].Sheet != "" {
		t.Errorf("%v, %q", entries, out.Photo.Marbles[0].Sheet)
	}
}
