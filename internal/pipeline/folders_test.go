package pipeline

import (
	"context"
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tawsight/vision"
)

// many is a folder of n files that are called photos and are none.
func many(t *testing.T, n int) string {
	t.Helper()
	dir := t.TempDir()
	for i := range n {
		// Each has content of its own: nothing may be remembered of another.
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("IMG_%05d.jpg", i)), fmt.Appendf(nil, "no photo %d", i), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// reasonsIn are the reasons in a run's photos.csv by the files' names.
func reasonsIn(t *testing.T, out string) map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join(out, "photos.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) == 0 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	column := map[string]int{}
	for i, name := range rows[0] {
		column[name] = i
	}
	at, ok := column["error"]
	if !ok {
		t.Fatalf("no column of errors in %v", rows[0])
	}
	reasons := map[string]string{}
	for _, r := range rows[1:] {
		name := filepath.Base(r[0])
		if _, twice := reasons[name]; twice {
			t.Errorf("%s comes twice", name)
		}
		reasons[name] = r[at]
	}
	return reasons
}

// Ten thousand files in one folder: each is listed once, in order, and the results
// name each with its reason.
func TestTenThousandFiles(t *testing.T) {
	n := 10000
	if testing.Short() {
		n = 1000
	}
	dir := many(t, n)
	paths, err := ListPhotos([]string{dir, dir}, "")
	if err != nil || len(paths) != n {
		t.Fatalf("%d listed, %v; want %d", len(paths), err, n)
	}
	for i, p := range paths {
		if want := filepath.Join(dir, fmt.Sprintf("IMG_%05d.jpg", i)); p != want {
			t.Fatalf("number %d is %s, want %s", i, p, want)
		}
	}
	out := filepath.Join(t.TempDir(), "out")
	sum, err := Run(context.Background(), Options{Photos: []string{dir}, OutDir: out})
	if err != nil {
		t.Fatal(err)
	}
	if sum.Photos != n || sum.Failed != n || len(sum.Failures) != n {
		t.Errorf("%d photos, %d failed, %d of them named; want %d of each", sum.Photos, sum.Failed, len(sum.Failures), n)
	}
	reasons := reasonsIn(t, out)
	if len(reasons) != n {
		t.Errorf("%d rows, want %d", len(reasons), n)
	}
	for name, r := range reasons {
		if r == "" {
			t.Fatalf("%s has no reason", name)
		}
	}
}

// Photos that vanish between the listing and their turn are named as gone; those
// that are still there are measured.
func TestPhotosVanish(t *testing.T) {
	dir, plain := t.TempDir(), plainJPEG(t)
	names := []string{"a.jpg", "b.jpg", "c.jpg", "d.jpg", "sub/e.jpg", "sub/f.jpg"}
	for _, name := range names {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, plain, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	out := filepath.Join(t.TempDir(), "out")
	sum, err := Run(context.Background(), Options{Photos: []string{dir}, OutDir: out, Workers: 1, Progress: func(done, total int, path string) {
		if done == 1 {
			if err := os.RemoveAll(filepath.Join(dir, "sub")); err != nil {
				t.Error(err)
			}
			if err := os.Remove(filepath.Join(dir, "d.jpg")); err != nil {
				t.Error(err)
			}
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	if sum.Photos != len(names) || sum.Failed != 3 {
		t.Errorf("%d photos, %d failed; want %d and 3: %+v", sum.Photos, sum.Failed, len(names), sum.Failures)
	}
	for name, r := range reasonsIn(t, out) {
		vanished := name > "c.jpg"
		if said := strings.Contains(r, "there is no such file"); said != vanished {
			t.Errorf("%s: %q", name, r)
		}
	}
	// The same when only looking.
	if err := os.Remove(filepath.Join(dir, "c.jpg")); err != nil {
		t.Fatal(err)
	}
	seen, err := Check(context.Background(), []string{dir}, 1, func(done, _ int, _ string) {
		if done == 1 {
			_ = os.Remove(filepath.Join(dir, "b.jpg"))
		}
	})
	if err != nil || len(seen) != 2 || seen[0].Error != "" || !strings.Contains(seen[1].Error, "there is no such file") {
		t.Errorf("%d looked at, %v: %+v", len(seen), err, seen)
	}
}

// A folder that can't be opened is named with what to do; one that can be, given
// as a photo, is told as that.
func TestReasonOfFolder(t *testing.T) {
	dir := t.TempDir()
	_, err := vision.Open(dir)
	if r := reasonOf(err); !strings.Contains(r, "is a folder") {
		t.Errorf("%q", r)
	}
	for name, want := range map[string]bool{".Trashes": true, "lost+found": true, "System Volume Information": true, "lost": false, "jar": false} {
		if isSystems(name) != want {
			t.Errorf("%s: %v", name, !want)
		}
	}
}
