package intake

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"tawsight/internal/collection"
)

// A large lot may be measured in shards, each into a collection of its own, on as
// many machines as there are, and the collections be brought together with import:
// that comes to the same as one intake, whatever the order and however often.
func TestShardsComeTogether(t *testing.T) {
	ctx, root := context.Background(), t.TempDir()
	const shards, each = 4, 5
	folder := func(k int) string { return filepath.Join(root, fmt.Sprint("shard ", k)) }
	for k := range shards {
		for i := range each {
			// Each set is in two shards, and one photo in all of them.
			set := filepath.Join(folder(k), fmt.Sprint("set ", (k+i)%3))
			text := fmt.Sprint("photo ", k, " ", i)
			if i == 0 {
				text = "the photo that is everywhere"
				set = filepath.Join(folder(k), "set 0")
			}
			if err := os.MkdirAll(set, 0o777); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(set, fmt.Sprintf("%d-%d.jpg", k, i)), []byte(text), 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
	fill := func(name string, which ...int) *collection.Collection {
		t.Helper()
		path := filepath.Join(t.TempDir(), name+collection.Ext)
		for _, k := range which {
			if err := addAll(path, folder(k), false, io.Discard); err != nil {
				t.Fatal(err)
			}
		}
		c, err := collection.Open(ctx, path)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		return c
	}
	one := fill("one", 0, 1, 2, 3)
	var files [][]byte
	for k := range shards {
		var b bytes.Buffer
		if err := fill(fmt.Sprint(k), k).Export(ctx, &b, collection.ExportOptions{}); err != nil {
			t.Fatal(err)
		}
		files = append(files, b.Bytes())
	}
	want := marblesOf(t, one)
	if n := strings.Count(want, "\n"); n != 3*(shards*(each-1)+1)+3 {
		t.Fatalf("%d lines of marbles and sets:\n%s", n, want)
	}
	for _, order := range [][]int{{0, 1, 2, 3}, {3, 1, 0, 2}, {2, 2, 0, 3, 1, 0}} {
		c, err := collection.Create(ctx, filepath.Join(t.TempDir(), "all"+collection.Ext))
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		for _, k := range order {
			if _, err := c.Import(ctx, bytes.NewReader(files[k])); err != nil {
				t.Fatalf("%v: %v", order, err)
			}
		}
		if got := marblesOf(t, c); got != want {
			t.Errorf("brought together in the order %v it is\n%s\nwant\n%s", order, got, want)
		}
		if faults, err := c.Check(ctx); err != nil || len(faults) > 0 {
			t.Errorf("%v: %v, %v", order, faults, err)
		}
	}
}

// marblesOf are a collection's marbles and sets: ids, places, figures, sets and
// credits, without what each shard says by itself of a photo that is in all, such as
// its name there.
func marblesOf(t *testing.T, c *collection.Collection) string {
	t.Helper()
	ctx := context.Background()
	rows, _, err := c.Find(ctx, collection.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for _, r := range rows {
		s, err := c.Specimen(ctx, r.ID)
		if err != nil {
			t.Fatal(err)
		}
		line := fmt.Sprintf("%s %s %s %s %v", s.ID, r.FigureID, r.Set, s.Contributor, s.Permission)
		for _, g := range s.Sightings {
			line += fmt.Sprintf(" | %s %s %d %v", g.ID, g.FigureID, g.Number, *g.Marble.DiameterMM)
		}
		lines = append(lines, line)
	}
	slices.Sort(lines)
	sets, err := c.Sets(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range sets {
		lines = append(lines, fmt.Sprint(s.ID, s.Name, s.Members))
	}
	return strings.Join(lines, "\n") + "\n"
}
