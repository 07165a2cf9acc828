package refset

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// jpegs lists the files that end in .jpg, as a stand-in for the pipeline's own
// listing.
func jpegs(folder string) ([]string, error) {
	var out []string
	err := filepath.WalkDir(folder, func(path string, d os.DirEntry, err error) error {
		if err == nil && strings.HasSuffix(path, ".jpg") {
			out = append(out, path)
		}
		return err
	})
	return out, err
}

func folder(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range files {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestRead(t *testing.T) {
	dir := folder(t, map[string]string{
		"jar/b.jpg": "", "jar/a.jpg": "", "jar/more/c.jpg": "", "box/d.jpg": "",
		"empty/readme.txt": "", ".hidden/e.jpg": "", "loose.jpg": "",
		"theirs.zip": "", "Another.ZIP": "", ".part.zip": "",
		"notes.csv": "photo,credit\njar/more/c.jpg,Aunt\n",
	})
	f, err := Read(dir, jpegs)
	if err != nil {
		t.Fatal(err)
	}
	in := func(names ...string) (out []string) {
		for _, n := range names {
			out = append(out, filepath.Join(dir, filepath.FromSlash(n)))
		}
		return out
	}
	want := []Set{{"box", in("box/d.jpg")}, {"jar", in("jar/a.jpg", "jar/b.jpg", "jar/more/c.jpg")}}
	if !reflect.DeepEqual(f.Sets, want) {
		t.Errorf("sets %v, want %v", f.Sets, want)
	}
	if !slices.Equal(f.Bundles, in("Another.ZIP", "theirs.zip")) {
		t.Errorf("bundles %v", f.Bundles)
	}
	if got := f.Note(f.Sets[1].Photos[2], "4").Credit; got != "Aunt" {
		t.Errorf("credit %q", got)
	}
	if got := f.Note(f.Sets[1].Photos[0], "4"); !reflect.DeepEqual(got, Note{}) {
		t.Errorf("a note on an unnoted photo: %+v", got)
	}

	if _, err := Read(folder(t, map[string]string{"a.jpg": ""}), jpegs); !errors.Is(err, ErrNoSets) {
		t.Errorf("no sets: %v", err)
	}
	if _, err := Read(filepath.Join(dir, "none"), jpegs); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no folder: %v", err)
	}
	if f, err := Read(folder(t, map[string]string{"x.zip": ""}), jpegs); err != nil || len(f.Bundles) != 1 {
		t.Errorf("a bundle alone: %v", err)
	}
	if _, err := Read(folder(t, map[string]string{"a/a.jpg": "", "notes.csv/x": ""}), jpegs); !errors.Is(err, ErrNotes) {
		t.Errorf("notes.csv a folder: %v", err)
	}
}

func TestNotes(t *testing.T) {
	// A byte-order mark, CRLF, a cell with commas, quotes and a line break
	// (RFC 4180, section 2, rules 5 to 7), an unknown column, a row that a
	// spreadsheet left behind.
	const text = "\ufeffMarble, Photo ,specimen,credit,permission,note,shelf\r\n" +
		",jar/a.jpg,,\"Aunt, elder\",may share,\"said \"\"yes\"\"\r\non the phone\",\r\n" +
		"2,jar/a.jpg,S-1,,Ask  First,,B4\r\n" +
		",,,,,,\r\n" +
		"03,jar/sub/b.jpg,S-1,,,,\r\n" +
		",box/cafe\u0301.jpg,,,\"may show, not share\",,\r\n"
	n, err := ReadNotes(strings.NewReader(text), "n.csv")
	if err != nil {
		t.Fatal(err)
	}
	whole := Note{Credit: "Aunt, elder", Permission: MayShare, Text: "said \"yes\"\non the phone"}
	second := whole
	second.Specimen, second.Permission, second.Extra = "S-1", AskFirst, map[string]string{"shelf": "B4"}
	for _, c := range []struct {
		photo, marble string
		want          Note
	}{
		{"jar/a.jpg", "", whole},
		{"jar/a.jpg", "1", whole},
		{"jar/a.jpg", "2", second},
		{"jar/sub/b.jpg", "3", Note{Specimen: "S-1"}},
		{"jar/sub/b.jpg", "1", Note{}},
		{"jar/c.jpg", "1", Note{}},
		{"box/caf\u00e9.jpg", "1", Note{Permission: MayShow}}, // some file systems take accents apart
		{"box/cafe\u0301.jpg", "1", Note{Permission: MayShow}},
	} {
		if got := n.Of(c.photo, c.marble); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s #%s: %+v, want %+v", c.photo, c.marble, got, c.want)
		}
	}
	for photo, want := range map[string]Permission{"jar/a.jpg": AskFirst, "jar/sub/b.jpg": NotSaid, "box/caf\u00e9.jpg": MayShow} {
		if got := n.Permission(photo); got != want {
			t.Errorf("%s: permission %s, want %s", photo, got, want)
		}
	}
	if !slices.Equal(n.Extra, []string{"shelf"}) || n.Rows[1].Line != 4 {
		t.Errorf("columns %v, second row in line %d", n.Extra, n.Rows[1].Line)
	}

	var buf bytes.Buffer
	if err := WriteNotes(&buf, n.Rows, n.Extra); err != nil {
		t.Fatal(err)
	}
	again, err := ReadNotes(&buf, "n.csv")
	if err != nil {
		t.Fatal(err)
	}
	for i := range n.Rows {
		n.Rows[i].Line = again.Rows[i].Line // the bare row is gone
	}
	if !reflect.DeepEqual(again.Rows, n.Rows) {
		t.Errorf("written and read again: %+v, want %+v", again.Rows, n.Rows)
	}
}

func TestPermissions(t *testing.T) {
	shares := map[Permission]bool{Own: true, MayShare: true}
	for _, p := range append(slices.Clone(Permissions), NotSaid) {
		got, err := ParsePermission(strings.ToUpper(p.String()))
		if err != nil || got != p {
			t.Errorf("%s read as %s, %v", p, got, err)
		}
		if p.AllowsSharing() != shares[p] {
			t.Errorf("%s: sharing %v", p, p.AllowsSharing())
		}
	}
	n, err := ReadNotes(strings.NewReader("photo,marble,permission\na/x.jpg,1,own\na/y.jpg,,own\na/y.jpg,2,may show\n"), "n.csv")
	if err == nil {
		t.Errorf("half a permission was taken: %+v", n)
	}
	n, err = ReadNotes(strings.NewReader("photo,marble,permission\na/x.jpg,1,own\na/y.jpg,,ask first\na/y.jpg,2,own\n"), "n.csv")
	if err != nil || n.Permission("a/x.jpg") != Own || n.Permission("a/y.jpg") != AskFirst {
		t.Errorf("%v: %s, %s", err, n.Permission("a/x.jpg"), n.Permission("a/y.jpg"))
	}
}

func TestWrongNotes(t *testing.T) {
	for name, c := range map[string]struct{ text, says string }{
		"empty":           {"", "is empty"},
		"only a mark":     {"\ufeff", "is empty"},
		"no photo column": {"picture,credit\na/a.jpg,x\n", "line 1: there is no column \"photo\""},
		"semicolons":      {"photo;credit\na/a.jpg;x\n", "commas"},
		"column twice":    {"photo,credit,Credit\n", "twice"},
		"UTF-16":          {"\xff\xfep\x00h\x00", "UTF-8"},
		"Latin 1":         {"photo,credit\na/a.jpg,Ren\xe9\n", "line 2: it is not UTF-8"},
		"quote":           {"photo,note\na/a.jpg,\"said \"no\"\"\n", "line 2: a double quote"},
		"never closed":    {"photo,note\na/a.jpg,x\na/b.jpg,\"said\n", "line 3: a double quote"},
		"too many cells":  {"photo,credit\na/a.jpg,Aunt, elder\n", "line 2: 3 cells under 2 columns"},
		"no photo":        {"photo,credit\n,Aunt\n", "line 2: the column photo is empty"},
		"backslash":       {"photo\na\\a.jpg\n", "line 2"},
		"absolute":        {"photo\n/a/a.jpg\n", "line 2"},
		"climbs out":      {"photo\na/../../a.jpg\n", "line 2"},
		"no set":          {"photo\na.jpg\n", "set/a.jpg"},
		"marble a word":   {"photo,marble\na/a.jpg,left\n", "line 2: the marble is \"left\""},
		"marble nought":   {"photo,marble\na/a.jpg,0\n", "line 2"},
		"permission":      {"photo,permission\na/a.jpg,yes\n", "line 2: the permission \"yes\""},
		"noted twice":     {"photo,marble\na/a.jpg,1\na/b.jpg,1\na/a.jpg,01\n", "line 4: marble 1 of a/a.jpg was noted in line 2"},
		"whole twice":     {"photo\na/a.jpg\na/a.jpg\n", "line 3: the photo a/a.jpg was noted in line 2"},
		"two sets":        {"photo,specimen\na/a.jpg,S\n\nb/b.jpg,S\n", "line 4: the specimen \"S\" is in the set b here and in the set a in line 2"},
		"break in credit": {"photo,credit\na/a.jpg,\"x\ny\"\n", "line 2: the credit"},
		"too large":       {"photo,note\n" + strings.Repeat("a/a.jpg,xxxxxxxxxxxxxxxx\n", 1<<20), "larger than 16 MB"},
		"not there":       {"photo\na/a.jpg\na/c.jpg\n", "line 3: there is no photo a/c.jpg"},
		"in another set":  {"photo\nb/A.jpg\n", "line 2: there is no photo b/A.jpg in the sets: is a/a.jpg meant?"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := folder(t, map[string]string{"a/a.jpg": "", "a/b.jpg": "", "b/b.jpg": "", "notes.csv": c.text})
			_, err := Read(dir, jpegs)
			if !errors.Is(err, ErrNotes) || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), filepath.Join(dir, "notes.csv")) {
				t.Errorf("error %v, want the file's name and %q", err, c.says)
			}
		})
	}
}

// Whatever notes are taken can be written and say the same when read again.
func FuzzReadNotes(f *testing.F) {
	f.Add([]byte("photo,marble,specimen,credit,permission,note,shelf\r\na/a.jpg,1,S,\"Aunt, elder\",own,\"x\ny\",B\r\n"))
	f.Add([]byte("\ufeffPhoto\na/e\u0301.jpg\n\n,\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		n, err := ReadNotes(bytes.NewReader(data), "n.csv")
		if err != nil {
			if !errors.Is(err, ErrNotes) {
				t.Errorf("error %v", err)
			}
			return
		}
		var buf bytes.Buffer
		if err := WriteNotes(&buf, n.Rows, nil); err != nil {
			t.Fatal(err)
		}
		again, err := ReadNotes(&buf, "n.csv")
		if err != nil || len(again.Rows) != len(n.Rows) {
			t.Fatalf("%d rows, %v", len(again.Rows), err)
		}
		for i, r := range n.Rows {
			// A bare carriage return is no line break to keep.
			r.Text, again.Rows[i].Text = strings.ReplaceAll(r.Text, "\r", ""), strings.ReplaceAll(again.Rows[i].Text, "\r", "")
			r.Line, r.Extra, again.Rows[i].Line, again.Rows[i].Extra = 0, nil, 0, nil
			if !reflect.DeepEqual(r, again.Rows[i]) {
				t.Errorf("%+v came back as %+v", r, again.Rows[i])
			}
		}
	})
}
