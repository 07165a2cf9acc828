package pipeline

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"image"
	"image/png"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"tawsight/calib"
	"tawsight/internal/report"
)

// cacheIn gives the test a cache folder of its own (the XDG Base Directory
// specification; elsewhere the cache hangs on the home folder).
func cacheIn(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	t.Setenv("XDG_CACHE_HOME", dir)
	t.Setenv("HOME", dir)
	return dir
}

func keptFiles(t *testing.T, dir string) (out []string) {
	t.Helper()
	_ = filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err == nil && strings.HasSuffix(path, keepExt) {
			out = append(out, path)
		}
		return nil
	})
	return out
}

// A photo of one set's marbles, beside the labelled ones: the plates carry
// specimens, notes and reasons; a second run takes what was kept and comes to
// the same bytes.
func TestCompareEndToEnd(t *testing.T) {
	cache := cacheIn(t)
	refs := labelled(t)
	put(t, filepath.Join(refs, "notes.csv"), []byte("photo,marble,specimen,credit,permission\nclear-wide-ribbon/clear-wide-ribbon-1.jpg,1,first of the sill,A. Neighbour,ask first\n"))
	photo := filepath.Join(sampleDir, "references", "clear-wide-ribbon", "clear-wide-ribbon-3.jpg")
	var outs [2]string
	var sums [2]CompareSummary
	for i := range outs {
		outs[i] = filepath.Join(t.TempDir(), "out")
		var err error
		if sums[i], err = Compare(context.Background(), CompareOptions{Photo: photo, ReferencesDir: refs, Marble: 2, OutDir: outs[i]}); err != nil {
			t.Fatal(err)
		}
	}
	if n := len(keptFiles(t, cache)); n != 4 {
		t.Errorf("%d photos kept, want 4", n)
	}
	s := sums[0]
	if len(s.Comparisons) != 1 || s.Why != "" || len(s.Comparisons[0].Files) != 3 {
		t.Fatalf("%+v", s)
	}
	c := s.Comparisons[0]
	if c.Marble.ID != "2" || len(c.Sets) != 2 || c.Sets[0].Label != "clear-wide-ribbon" || len(c.Features) == 0 || len(c.Reasons) == 0 || len(c.HowSure) == 0 {
		t.Errorf("marble %s, sets %+v, %d features", c.Marble.ID, c.Sets, len(c.Features))
	}
	for _, set := range c.Sets {
		if len(set.Specimens) < 2 || set.Marbles < len(set.Specimens) {
			t.Errorf("%s: %d specimens of %d", set.Label, len(set.Specimens), set.Marbles)
		}
		for _, sp := range set.Specimens {
			if filepath.Base(filepath.Dir(sp.PhotoPath)) != set.Label || sp.View.MMPerPX <= 0 {
				t.Errorf("%s: %s at %g mm a pixel", set.Label, sp.PhotoPath, sp.View.MMPerPX)
			}
		}
	}
	for i, path := range c.Files {
		a, errA := os.ReadFile(path)
		b, errB := os.ReadFile(sums[1].Comparisons[0].Files[i])
		if errA != nil || errB != nil || !bytes.Equal(a, b) {
			t.Errorf("%s differs once the photos are known", filepath.Base(path))
		}
	}

	// A photo that is labelled itself does not find itself.
	own := filepath.Join(refs, "clear-wide-ribbon", "clear-wide-ribbon-1.jpg")
	s, err := Compare(context.Background(), CompareOptions{Photo: own, ReferencesDir: refs, Marble: 1})
	if err != nil || len(s.Comparisons) != 1 {
		t.Fatal(s.Why, err)
	}
	for _, set := range s.Comparisons[0].Sets {
		for _, sp := range set.Specimens {
			if sp.PhotoPath == own {
				t.Error("a labelled photo is compared with itself")
			}
		}
	}
	if !strings.Contains(strings.Join(s.Warnings, " "), "left out") {
		t.Errorf("warnings %q", s.Warnings)
	}

	// No such marble: nothing is measured beyond the photo, nothing written.
	out := filepath.Join(t.TempDir(), "none")
	_, err = Compare(context.Background(), CompareOptions{Photo: photo, ReferencesDir: refs, Marble: 99, OutDir: out,
		Progress: func(int, int, string) { t.Error("labelled photos were measured") }})
	if !errors.Is(err, ErrNoMarble) || !strings.Contains(err.Error(), "99") {
		t.Errorf("%v", err)
	}
	if _, err := os.Stat(out); !os.IsNotExist(err) {
		t.Error("something was written")
	}

	// The report on the same sets takes what was kept.
	out = filepath.Join(t.TempDir(), "report")
	before := time.Now()
	sum, err := References(context.Background(), ReferencesOptions{Dir: refs, OutDir: out})
	if err != nil || len(sum.Files) == 0 {
		t.Fatal(err)
	}
	t.Logf("the report took %v", time.Since(before))
	var h report.Health
	data, err := os.ReadFile(filepath.Join(out, report.HealthJSONName))
	if err == nil {
		err = json.Unmarshal(data, &h)
	}
	if err != nil || len(h.Sets) != 2 || h.Tested != sum.Tested || h.Right != sum.Right {
		t.Errorf("%v: %+v", err, h)
	}
	for _, s := range h.Sets {
		if s.Specimens < 8 || len(s.Base) == 0 || len(s.Ribbons) == 0 || len(s.SizesMM) < s.Specimens-1 || len(s.SizesMM) > s.Specimens { // the size of one is withheld
			t.Errorf("%s: %d specimens, %d base colours, %d ribbon colours, %d sizes", s.Label, s.Specimens, len(s.Base), len(s.Ribbons), len(s.SizesMM))
		}
	}
	page, err := os.ReadFile(filepath.Join(out, report.HealthHTMLName))
	if err != nil || !bytes.Contains(page, []byte("A. Neighbour")) || !bytes.Contains(page, []byte("first of the sill")) {
		t.Errorf("the report does not carry the notes: %v", err)
	}
}

// A marble whose size was withdrawn is not drawn to scale.
func TestViewsWithoutASize(t *testing.T) {
	res := safely(filepath.Join(sampleDir, "references", "clear-wide-ribbon", "clear-wide-ribbon-3.jpg"), calib.PrintScale{Factor: 1}, wanted{views: true})
	if len(res.views) < 2 || res.views[0].MMPerPX != viewMMPerPX {
		t.Fatalf("%d views: %+v", len(res.views), res.photo.Flags)
	}
	res.photo.Marbles[0].DiameterMM = nil
	if v := trueViews(&res); v[0].MMPerPX != 0 || v[1].MMPerPX != viewMMPerPX {
		t.Errorf("scales %g and %g mm a pixel", v[0].MMPerPX, v[1].MMPerPX)
	}
}

// Photos that can't be compared get no plate, and the reason is told.
func TestCompareSaysWhyNot(t *testing.T) {
	cacheIn(t)
	refs := labelled(t)
	entries, err := os.ReadDir(filepath.Join(sampleDir, "poor"))
	if err != nil {
		t.Fatal(err)
	}
	empty := filepath.Join(t.TempDir(), "empty.png")
	blankPhoto(t, empty)
	photos := []string{empty}
	for _, e := range entries {
		// Faults that rule comparing out, and one that does not; the others cost
		// time and show the same.
		if !slices.Contains([]string{"over-exposed.jpg", "under-exposed.jpg", "no-card.jpg"}, e.Name()) {
			continue
		}
		photos = append(photos, filepath.Join(sampleDir, "poor", e.Name()))
	}
	why := 0
	for _, photo := range photos {
		out := filepath.Join(t.TempDir(), "out")
		// Labelled photos of no use: a photo that can't be compared must not
		// get that far.
		s, err := Compare(context.Background(), CompareOptions{Photo: photo, ReferencesDir: refs})
		if err != nil {
			t.Errorf("%s: %v", photo, err)
			continue
		}
		if len(s.Comparisons) == 0 {
			why++
			if s.Why == "" {
				t.Errorf("%s: no plate and no reason", photo)
			}
			// Asked for plates, too; drawing those of the others would take long.
			if _, err := Compare(context.Background(), CompareOptions{Photo: photo, ReferencesDir: refs, OutDir: out}); err != nil {
				t.Errorf("%s: %v", photo, err)
			}
			if plates, _ := filepath.Glob(filepath.Join(out, "plate-*")); len(plates) > 0 {
				t.Errorf("%s: %v", photo, plates)
			}
		}
	}
	if why < 2 {
		t.Errorf("%d photos of %d were not compared; the poor ones should not be", why, len(photos))
	}
}

// What is damaged, of another photo or of another program is not taken.
func TestKeep(t *testing.T) {
	k := keep{dir: filepath.Join(t.TempDir(), "kept")}
	dir := t.TempDir()
	a, b := filepath.Join(dir, "a.png"), filepath.Join(dir, "b.png")
	blankPhoto(t, a)
	scale := calib.PrintScale{Factor: 1}
	m, err := measureKept(context.Background(), a, scale, k, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := k.load(a, calib.PrintScale{Factor: 1.01}); ok {
		t.Error("another print scale is taken for the same")
	}
	put(t, b, append(mustRead(t, a), 0))
	if _, ok := k.load(b, scale); ok {
		t.Error("another photo is taken for the same")
	}
	put(t, b, mustRead(t, a))
	got, ok := k.load(b, scale)
	if !ok || got.Photo.Path != b || got.Photo.SHA256 != m.Photo.SHA256 || len(got.Photo.Flags) != len(m.Photo.Flags) {
		t.Errorf("the same photo elsewhere: %v %+v", ok, got.Photo)
	}
	kept := keptFiles(t, k.dir)
	if len(kept) != 1 {
		t.Fatal(kept)
	}
	whole := mustRead(t, kept[0])
	for name, data := range map[string][]byte{
		"cut short": whole[:len(whole)-1], "a bit turned": append(append([]byte{}, whole[:len(whole)-2]...), whole[len(whole)-2]^1, whole[len(whole)-1]), "empty": nil,
	} {
		put(t, kept[0], data)
		if _, ok := k.load(a, scale); ok {
			t.Errorf("%s: taken all the same", name)
		}
	}
	put(t, kept[0], whole)
	k.tidy(time.Now())
	if len(keptFiles(t, k.dir)) != 1 {
		t.Error("what was just used is tidied away")
	}
	k.tidy(time.Now().Add(2 * keepDays * 24 * time.Hour))
	if len(keptFiles(t, k.dir)) != 0 {
		t.Error("what nothing asked for is kept for ever")
	}
	if _, ok := (keep{}).load(a, scale); ok {
		t.Error("something comes from nowhere")
	}
	if _, err := measureKept(context.Background(), a, scale, keep{dir: filepath.Join(a, "below a file")}, slog.New(slog.DiscardHandler)); err == nil {
		t.Log("a cache below a file does no harm")
	}
}

// blankPhoto is a PNG of an empty sheet.
func blankPhoto(t *testing.T, path string) {
	t.Helper()
	img := image.NewGray(image.Rect(0, 0, 600, 400))
	for i := range img.Pix {
		img.Pix[i] = uint8(200 + i*7919%13)
	}
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	put(t, path, b.Bytes())
}

func mustRead(t *testing.T, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}
