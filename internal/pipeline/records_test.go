package pipeline

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"sync"
	"testing"

	"tawsight/internal/record"
	"tawsight/internal/report"
)

// recordOf is a record with something in every kind of field that could be lost on
// the way to a file and back.
func recordOf(path string) record.Photo {
	return record.Photo{
		Path: path, WidthPX: 4032, Scale: record.Scale{Source: "card", MMPerPX: record.F(0.0613)},
		White: record.White{Source: "card", IlluminantXY: &[2]float64{0.331, 0.345}},
		Flags: []record.Flag{{Code: "noisy", Severity: record.Warn, Affects: []string{"size"}, Measured: record.F(0), Message: "a < b & c"}},
		Marbles: []record.Marble{{
			ID: "1", DiameterMM: record.F(1.0 / 3), Ribbons: []record.Ribbon{{Name: "white", Opaque: record.B(false)}},
			Features: map[string]float64{"turns": 0, "busyness": math.Nextafter(0.5, 1)}, Flags: []record.Flag{},
			FeaturesAbsent: map[string]string{"bubble_mm": "it is too dark"},
			Bubble:         &record.Bubble{}, Attribution: &record.Attribution{Label: "moon", Reasons: []record.Reason{}},
		}},
	}
}

func TestRecordsComeBack(t *testing.T) {
	dir := t.TempDir()
	paths := []string{"a.jpg", "b\xff.jpg", "c.jpg", "d.jpg"}
	r, err := newRecords(dir, len(paths))
	if err != nil {
		t.Fatal(err)
	}
	defer r.close()
	var wg sync.WaitGroup
	for i, p := range paths {
		wg.Go(func() { // in any order
			if err := r.put(i, recordOf(p)); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	again, err := r.At(2)
	if err != nil {
		t.Fatal(err)
	}
	again.PairedWith = "e.jpg"
	if err := r.put(2, again); err != nil {
		t.Fatal(err)
	}
	var want record.List
	for _, p := range paths {
		want = append(want, recordOf(record.TextPath(p)))
	}
	want[2].PairedWith = "e.jpg"
	for i := range want {
		if got, err := r.At(i); err != nil || !reflect.DeepEqual(got, want[i]) {
			t.Errorf("photo %d: %v\n%+v, want\n%+v", i, err, got, want[i])
		}
	}
	// Lines as they are, and as encoded, are the same file.
	var files [2][]byte
	for i, list := range []record.Photos{r, want} {
		path := filepath.Join(t.TempDir(), report.JSONLName)
		if err := report.WriteJSONL(path, list); err != nil {
			t.Fatal(err)
		}
		if files[i], err = os.ReadFile(path); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(files[0], files[1]) || bytes.Count(files[0], []byte("\n")) != len(paths) {
		t.Errorf("lines kept:\n%s\nlines encoded:\n%s", files[0], files[1])
	}
}

// Nothing is left where the results go, however a run ends.
func TestRecordsHaveNoName(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("other systems may keep the name until the file is closed")
	}
	dir := t.TempDir()
	r, err := newRecords(filepath.Join(dir, "results"), 1)
	if err != nil {
		t.Fatal(err)
	}
	defer r.close()
	if err := r.put(0, recordOf("a.jpg")); err != nil {
		t.Fatal(err)
	}
	if left, err := os.ReadDir(filepath.Join(dir, "results")); err != nil || len(left) > 0 {
		t.Errorf("%v, %v beside the results", left, err)
	}
}

func TestRecordsSayWhatIsWrong(t *testing.T) {
	r, err := newRecords(t.TempDir(), 1)
	if err != nil {
		t.Fatal(err)
	}
	odd := recordOf("odd.jpg")
	odd.Marbles[0].Features["turns"] = math.NaN()
	if err := r.put(0, odd); err == nil || !strings.Contains(err.Error(), "odd.jpg") {
		t.Errorf("a record with NaN: %v", err)
	}
	if err := r.put(0, recordOf("a.jpg")); err != nil {
		t.Fatal(err)
	}
	r.close()
	if _, err := r.At(0); err == nil || !strings.Contains(err.Error(), "photo 1") {
		t.Errorf("a file that is closed: %v", err)
	}
	if err := r.put(0, recordOf("a.jpg")); err == nil || !strings.Contains(err.Error(), report.JSONLName) {
		t.Errorf("a file that can't be written: %v", err)
	}
	if _, err := newRecords(filepath.Join("/dev/null", "results"), 1); err == nil || !strings.Contains(err.Error(), "--out") {
		t.Errorf("a folder that can't be made: %v", err)
	}
}
