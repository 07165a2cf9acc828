package bundle

import (
	"bytes"
	"errors"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"tawsight/internal/refset"
)

// tree is every file below a folder, with its content.
func tree(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, _ := filepath.Rel(dir, path)
		if d.IsDir() {
			if entries, _ := os.ReadDir(path); len(entries) == 0 {
				out[rel+"/"] = ""
			}
			return nil
		}
		data, err := os.ReadFile(path)
		out[filepath.ToSlash(rel)] = string(data)
		return err
	})
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
	return out
}

func plant(t *testing.T, dir string, files map[string]string) {
	t.Helper()
	for name, text := range files {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
}

// wholeBundle is the bundle of content with all of its photos packed.
func wholeBundle(t *testing.T) (*Bundle, map[string]string) {
	t.Helper()
	c := content(t)
	for i := range c.Notes {
		if c.Notes[i].Permission == refset.AskFirst {
			c.Notes[i].Permission = refset.MayShare
		}
	}
	c.Notes = append(c.Notes, refset.Row{Photo: "box/d.jpg", Note: refset.Note{Permission: refset.Own}})
	photos := map[string]string{}
	for _, p := range c.Photos {
		data, err := os.ReadFile(p.Source)
		if err != nil {
			t.Fatal(err)
		}
		photos[p.Path] = string(data)
	}
	var buf bytes.Buffer
	if withheld, err := Pack(&buf, c); err != nil || withheld != nil {
		t.Fatal(withheld, err)
	}
	return onDisk(t, "theirs.zip", buf.Bytes()), photos
}

func TestUnpackNew(t *testing.T) {
	b, photos := wholeBundle(t)
	for name, dir := range map[string]string{
		"not there": filepath.Join(t.TempDir(), "deep", "refs"),
		"empty":     t.TempDir(),
	} {
		done, err := Unpack(b, dir, 7)
		if err != nil {
			t.Fatal(err)
		}
		got := tree(t, dir)
		notes := got[refset.NotesName]
		delete(got, refset.NotesName)
		if !maps.Equal(got, photos) {
			t.Errorf("%s: holds %v", name, slices.Sorted(maps.Keys(got)))
		}
		n, err := refset.ReadNotes(strings.NewReader(notes), refset.NotesName)
		if err != nil {
			t.Fatal(err)
		}
		if q := n.Of("jar/a.jpg", "10"); q.Specimen != "twin" || q.Credit != "Aunt, elder" || q.Permission != refset.MayShare {
			t.Errorf("%s: %+v", name, q)
		}
		if q := n.Permission("box/d.jpg"); q != refset.MayShare {
			t.Errorf("%s: the giver's own photo is %q here", name, q)
		}
		if len(done.Photos) != 4 || done.Bundle != "" || done.OldNotes != "" || done.Renamed != nil {
			t.Errorf("%s: %+v", name, done)
		}
		left, _ := filepath.Glob(filepath.Join(filepath.Dir(dir), ".tawsight-*"))
		if left != nil {
			t.Errorf("%s: left behind %v", name, left)
		}
	}
}

// Marbles without their photos are compared by the bundle, which comes along.
func TestUnpackWithoutPhotos(t *testing.T) {
	b := onDisk(t, "part.zip", packed(t))
	dir := filepath.Join(t.TempDir(), "refs")
	done, err := Unpack(b, dir, 7)
	if err != nil {
		t.Fatal(err)
	}
	got := tree(t, dir)
	if want := []string{"jar/a.jpg", "jar/sub/b.png", "notes.csv", "part.zip"}; !slices.Equal(slices.Sorted(maps.Keys(got)), want) || done.Bundle != "part.zip" {
		t.Errorf("holds %v, want %v; %+v", slices.Sorted(maps.Keys(got)), want, done)
	}
	if strings.Contains(got["notes.csv"], "Uncle") {
		t.Error("notes on a photo that is not there")
	}
	if again, err := Open(filepath.Join(dir, "part.zip")); err != nil {
		t.Error(err)
	} else {
		again.Close()
	}
	// Once more changes nothing.
	done, err = Unpack(b, dir, 7)
	if err != nil || done.Photos != nil || done.Bundle != "" || done.OldNotes != "" || !maps.Equal(tree(t, dir), got) {
		t.Errorf("once more: %+v, %v", done, err)
	}
}

// A bundle of other features would stop the folder from being used at all: only
// its photos are taken, to be measured anew.
func TestUnpackOtherFeatures(t *testing.T) {
	b := onDisk(t, "part.zip", packed(t))
	dir := filepath.Join(t.TempDir(), "refs")
	done, err := Unpack(b, dir, 8)
	if err != nil {
		t.Fatal(err)
	}
	if got := slices.Sorted(maps.Keys(tree(t, dir))); !slices.Equal(got, []string{"jar/a.jpg", "jar/sub/b.png", "notes.csv"}) || done.Bundle != "" || done.LeftOut != 4 {
		t.Errorf("holds %v; %+v", got, done)
	}
}

func TestMerge(t *testing.T) {
	b, photos := wholeBundle(t)
	dir := t.TempDir()
	before := map[string]string{
		"jar/a.jpg":            "another picture of that name",
		"jar/my name.png":      photos["jar/sub/b.png"], // the same photo
		"box/own.jpg":          "mine",
		"shelf/s.jpg":          "mine too",
		"box/readme.txt":       "kept",
		"notes.csv":            "permission,photo,marble,specimen,paid\nown,box/own.jpg,,,5\nown,shelf/s.jpg,1,twin,\n",
		".hidden/x.jpg":        photos["box/c.jpg"],
		"notes-before.csv":     "from an earlier time",
		"theirs.zip/in-a-name": "",
	}
	plant(t, dir, before)
	done, err := Unpack(b, dir, 7)
	if err != nil {
		t.Fatal(err)
	}
	got := tree(t, dir)
	for name, text := range before {
		if name != "notes.csv" && got[name] != text {
			t.Errorf("%s was changed", name)
		}
	}
	want := map[string]string{
		"jar/a (2).jpg":        photos["jar/a.jpg"],
		"box/c.jpg":            photos["box/c.jpg"],
		"box/d.jpg":            photos["box/d.jpg"],
		"notes-before (2).csv": before["notes.csv"],
	}
	for name, text := range want {
		if got[name] != text {
			t.Errorf("%s does not hold what it should", name)
		}
	}
	if len(got) != len(before)+len(want) {
		t.Errorf("holds %v", slices.Sorted(maps.Keys(got)))
	}
	if !slices.Equal(done.Same, []string{"jar/sub/b.png"}) || !slices.Equal(done.Renamed, []string{"jar/a.jpg as jar/a (2).jpg"}) ||
		done.OldNotes != "notes-before (2).csv" || done.Bundle != "" || done.New {
		t.Errorf("%+v", done)
	}
	n, err := refset.ReadNotes(strings.NewReader(got["notes.csv"]), refset.NotesName)
	if err != nil {
		t.Fatal(err)
	}
	// Two collectors' "twin" are two marbles.
	for _, c := range []struct{ photo, marble, specimen string }{
		{"shelf/s.jpg", "1", "twin"}, {"jar/a (2).jpg", "10", "twin (2)"}, {"jar/my name.png", "1", "twin (2)"}, {"jar/a.jpg", "10", ""},
	} {
		if got := n.Of(c.photo, c.marble).Specimen; got != c.specimen {
			t.Errorf("%s #%s: specimen %q, want %q", c.photo, c.marble, got, c.specimen)
		}
	}
	if got := n.Of("jar/a (2).jpg", "10").Credit; got != "Aunt, elder" {
		t.Errorf("the credit is lost: %q", got)
	}
	if n.Of("box/own.jpg", "").Extra["paid"] != "5" || n.Permission("box/own.jpg") != refset.Own {
		t.Errorf("the collector's own notes: %+v", n.Rows)
	}

	done, err = Unpack(b, dir, 7)
	if err != nil || done.Photos != nil || done.OldNotes != "" || !maps.Equal(tree(t, dir), got) {
		t.Errorf("once more: %+v, %v", done, err)
	}
}

// The collector's own notes stand, and a specimen that both know is one.
func TestMergeOwnNotesStand(t *testing.T) {
	b, photos := wholeBundle(t)
	dir := t.TempDir()
	plant(t, dir, map[string]string{
		"jar/a.jpg": photos["jar/a.jpg"],
		"notes.csv": "photo,marble,specimen,credit,permission\njar/a.jpg,,,Aunt (the elder),ask first\njar/a.jpg,10,twin,,\n",
	})
	if _, err := Unpack(b, dir, 7); err != nil {
		t.Fatal(err)
	}
	n, err := refset.ReadNotes(strings.NewReader(tree(t, dir)["notes.csv"]), refset.NotesName)
	if err != nil {
		t.Fatal(err)
	}
	if q := n.Of("jar/a.jpg", "10"); q.Credit != "Aunt (the elder)" || q.Permission != refset.AskFirst || q.Specimen != "twin" {
		t.Errorf("%+v", q)
	}
	if q := n.Of("jar/sub/b.png", "1"); q.Specimen != "twin" {
		t.Errorf("%+v", q)
	}
}

func TestUnpackRefused(t *testing.T) {
	b, photos := wholeBundle(t)
	for name, c := range map[string]struct {
		files map[string]string
		says  string
		is    error
	}{
		"photo in another set":  {map[string]string{"shelf/x.jpg": photos["jar/a.jpg"]}, "shelf/x.jpg", ErrClash},
		"wrong notes there":     {map[string]string{"jar/x.jpg": "x", "notes.csv": "photo,permission\njar/x.jpg,perhaps\n"}, "line 2", refset.ErrNotes},
		"a file for a folder":   {map[string]string{"box": "a file"}, "box is a file", nil},
		"a file midway":         {map[string]string{"jar/sub": "a file"}, "sub is a file", nil},
		"notes.csv is a folder": {map[string]string{"notes.csv/x": ""}, "notes.csv", refset.ErrNotes},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			plant(t, dir, c.files)
			before := tree(t, dir)
			_, err := Unpack(b, dir, 7)
			if err == nil || !strings.Contains(err.Error(), c.says) || c.is != nil && !errors.Is(err, c.is) {
				t.Errorf("error %v, want one that says %q", err, c.says)
			}
			if after := tree(t, dir); !maps.Equal(before, after) {
				t.Errorf("the folder was changed: %v", slices.Sorted(maps.Keys(after)))
			}
		})
	}
}

// A bundle that changes between being checked and unpacked is not believed.
func TestChangedBehindItsBack(t *testing.T) {
	b, _ := wholeBundle(t)
	data, err := os.ReadFile(b.Path)
	if err != nil {
		t.Fatal(err)
	}
	f := b.members["photos/jar/a.jpg"]
	offset, err := f.DataOffset()
	if err != nil {
		t.Fatal(err)
	}
	data[offset+int64(f.CompressedSize64)/2] ^= 1
	if err := os.WriteFile(b.Path, data, 0o666); err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(t.TempDir(), "refs")
	if _, err := Unpack(b, dir, 7); err == nil {
		t.Error("unpacked")
	}
	if got := tree(t, filepath.Dir(dir)); len(got) > 1 { // the folder itself, empty
		t.Errorf("left behind %v", slices.Sorted(maps.Keys(got)))
	}
}
