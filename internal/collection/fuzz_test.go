package collection

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// hasty makes a collection that need not outlive a power cut, as a fuzzed one need
// not: most of the time is the disk's otherwise.
func hasty(t testing.TB, c *Collection) *Collection {
	t.Helper()
	if _, err := c.write.Exec("PRAGMA synchronous = OFF"); err != nil {
		t.Fatal(err)
	}
	return c
}

// FuzzImport brings files in: one that is refused changes nothing, and what is
// taken leaves a collection that is whole. One line of a real export is another in
// each; where there is no line of that number, what is given is the whole file.
func FuzzImport(f *testing.F) {
	ctx := context.Background()
	var b bytes.Buffer
	if err := full(f).Export(ctx, &b, ExportOptions{}); err != nil {
		f.Fatal(err)
	}
	whole := b.Bytes()
	lines := bytes.Split(bytes.TrimSuffix(whole, []byte("\n")), []byte("\n"))
	seen := map[string]bool{}
	for i, l := range lines {
		table, _, _ := strings.Cut(string(l), `,"row"`)
		if !seen[table] {
			seen[table] = true
			f.Add(uint16(i), l)
			f.Add(uint16(i), append(append(bytes.Clone(l), '\n'), l...))
		}
	}
	const all = 1<<16 - 1
	f.Add(uint16(all), whole)
	f.Add(uint16(all), whole[:len(whole)/2])
	first, _, _ := bytes.Cut(whole, []byte("\n"))
	f.Add(uint16(all), append(bytes.Clone(first), "\n{\"end\":{\"rows\":0}}\n"...))
	f.Add(uint16(all), bytes.Replace(whole, []byte(`"name":"`), []byte(`"name":"x`), 1))
	dir, n := f.TempDir(), 0
	blank := filepath.Join(dir, "blank"+Ext)
	if c, err := Create(ctx, blank); err != nil {
		f.Fatal(err)
	} else if err := c.Close(); err != nil {
		f.Fatal(err)
	}
	none, err := os.ReadFile(blank)
	if err != nil {
		f.Fatal(err)
	}
	var empty *Collection
	f.Cleanup(func() {
		if empty != nil {
			empty.Close()
		}
	})
	f.Fuzz(func(t *testing.T, at uint16, data []byte) {
		if empty == nil {
			n++
			path := filepath.Join(dir, fmt.Sprint(n, Ext))
			if err := os.WriteFile(path, none, 0o666); err != nil {
				t.Fatal(err)
			}
			c, err := Open(ctx, path)
			if err != nil {
				t.Fatal(err)
			}
			empty = hasty(t, c)
		}
		if int(at) < len(lines) {
			given := slices.Clone(lines)
			given[at] = data
			data = append(bytes.Join(given, []byte("\n")), '\n')
		}
		_, err := empty.Import(ctx, bytes.NewReader(data))
		if err != nil && !errors.Is(err, ErrRefused) {
			t.Fatalf("the file's fault is told as another: %v", err)
		}
		photos, e := empty.Photos(ctx, -1, 0)
		if e != nil {
			t.Fatal(e)
		}
		if err != nil {
			if len(photos) > 0 {
				t.Error("refused, and photos are there")
			}
			return
		}
		c := empty
		empty = nil
		defer os.Remove(c.Path())
		defer c.Close()
		if faults, err := c.Check(ctx); err != nil || len(faults) > 0 {
			t.Errorf("what was taken is not whole: %v, %v", faults, err)
		}
		// What was taken can be looked at, and goes out and in again.
		for _, p := range photos {
			if _, err := c.Measurements(ctx, p.SHA256); err != nil {
				t.Errorf("the measurements of a photo that was taken: %v", err)
			}
			if _, err := c.Photo(ctx, p.SHA256); err != nil {
				t.Errorf("a photo that was taken: %v", err)
			}
		}
		rows, _, err := c.Find(ctx, Filter{})
		if err != nil {
			t.Errorf("the marbles that were taken: %v", err)
		}
		for _, r := range rows {
			if _, err := c.Specimen(ctx, r.ID); err != nil {
				t.Errorf("a marble that was taken: %v", err)
			}
		}
		var out bytes.Buffer
		if err := c.Export(ctx, &out, ExportOptions{}); err != nil {
			t.Fatalf("what was taken can't be written: %v", err)
		}
		if again, err := c.Import(ctx, bytes.NewReader(out.Bytes())); err != nil || again.Total() > 0 || len(again.Differences) > 0 {
			t.Errorf("what was taken does not come back the same: %+v, %v", again, err)
		}
	})
}

// FuzzTable reads tables as spreadsheets may leave them.
func FuzzTable(f *testing.F) {
	ctx := context.Background()
	c := hasty(f, full(f))
	var b bytes.Buffer
	err := c.ExportCSV(ctx, Filter{}, func(name string) (io.Writer, error) {
		if name == "marbles.csv" {
			return &b, nil
		}
		return io.Discard, nil
	})
	if err != nil || b.Len() == 0 {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	f.Add(bytes.ReplaceAll(b.Bytes(), []byte(","), []byte(";")))
	f.Add([]byte("specimen,name\n,\"\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		out, err := c.ImportCSV(ctx, "Ada", "marbles.csv", bytes.NewReader(data))
		if err != nil {
			if !errors.Is(err, ErrRefused) {
				t.Errorf("the table's fault is told as another: %v", err)
			}
			return
		}
		if out.Changed > 0 {
			if _, err := c.Undo(ctx, "Ada", out.Edit.Seq); err != nil {
				t.Errorf("what was changed can't be taken back: %v", err)
			}
		}
	})
}
