package collection

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"testing"
)

// FuzzImport brings files in: one that is refused changes nothing, and what is
// taken leaves a collection that is whole.
func FuzzImport(f *testing.F) {
	ctx := context.Background()
	var b bytes.Buffer
	if err := full(f).Export(ctx, &b, ExportOptions{}); err != nil {
		f.Fatal(err)
	}
	whole := b.Bytes()
	f.Add(whole)
	f.Add(whole[:len(whole)/2])
	first, _, _ := bytes.Cut(whole, []byte("\n"))
	f.Add(append(bytes.Clone(first), "\n{\"end\":{\"rows\":0}}\n"...))
	f.Add(bytes.Replace(whole, []byte(`"name":"`), []byte(`"name":"x`), 1))
	dir, n := f.TempDir(), 0
	var empty *Collection
	f.Cleanup(func() {
		if empty != nil {
			empty.Close()
		}
	})
	f.Fuzz(func(t *testing.T, data []byte) {
		if empty == nil {
			n++
			var err error
			if empty, err = Create(ctx, filepath.Join(dir, fmt.Sprint(n, Ext))); err != nil {
				t.Fatal(err)
			}
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
		if faults, err := c.Check(ctx); err != nil || len(faults) > 0 {
			t.Errorf("what was taken is not whole: %v, %v", faults, err)
		}
		c.Close()
	})
}

// FuzzTable reads tables as spreadsheets may leave them.
func FuzzTable(f *testing.F) {
	ctx := context.Background()
	c := full(f)
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
