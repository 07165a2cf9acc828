package pipeline

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"unicode/utf8"

	"tawsight/internal/record"
	"tawsight/internal/worker"
)

// Names with spaces, line ends, dashes, quotes and bytes that are no text; a link
// to itself, one to nothing, and a folder that may not be opened: each photo comes
// out once, by its own name, in records and tables that are UTF-8.
func TestOddNames(t *testing.T) {
	dir, plain := t.TempDir(), plainJPEG(t)
	names := []string{"a photo.jpg", "line\nend.jpg", "-v.jpg", "--out.jpg", `quo"te,comma.jpg`, "caf\xe9.jpg", "\xff\xfe.jpg", `back\slash.jpg`, "sub\xe9/x.jpg"}
	for _, n := range names {
		path := filepath.Join(dir, n)
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Skipf("this file system takes no such names: %v", err)
		}
		if err := os.WriteFile(path, plain, 0o666); err != nil {
			t.Skipf("this file system takes no such names: %v", err)
		}
	}
	for link, to := range map[string]string{"loop.jpg": "loop.jpg", "gone.jpg": "nowhere.jpg", "up": "."} {
		if err := os.Symlink(to, filepath.Join(dir, link)); err != nil {
			t.Fatal(err)
		}
	}
	withWorkers(t, worker.Limits{})
	out := filepath.Join(t.TempDir(), "out")
	sum, err := Run(context.Background(), Options{Photos: []string{dir}, OutDir: out, Workers: 2})
	if err != nil {
		t.Fatal(err)
	}
	if sum.Photos != len(names)+2 || sum.Failed != 2 {
		t.Errorf("%+v", sum)
	}
	var want []string
	for _, n := range append(slices.Clone(names), "loop.jpg", "gone.jpg") {
		want = append(want, record.TextPath(filepath.Join(dir, n)))
	}
	slices.Sort(want)
	lines, _ := os.ReadFile(filepath.Join(out, "photos.jsonl"))
	table, _ := os.ReadFile(filepath.Join(out, "photos.csv"))
	if !utf8.Valid(lines) || !utf8.Valid(table) {
		t.Error("the results are not UTF-8")
	}
	var got []string
	for line := range bytes.Lines(lines) {
		var p record.Photo
		if err := json.Unmarshal(line, &p); err != nil {
			t.Fatal(err)
		}
		got = append(got, p.Path)
	}
	slices.Sort(got)
	if !slices.Equal(got, want) {
		t.Errorf("records of %q\nwant %q", got, want)
	}
	rows, err := csv.NewReader(bytes.NewReader(table)).ReadAll()
	if err != nil || len(rows) != len(want)+1 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	got = nil
	for _, r := range rows[1:] {
		got = append(got, r[0])
	}
	slices.Sort(got)
	if !slices.Equal(got, want) {
		t.Errorf("rows of %q\nwant %q", got, want)
	}
}
