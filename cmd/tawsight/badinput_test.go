package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/csv"
	"encoding/json"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"tawsight/features"
)

// paper is a picture of an empty sheet with a little grain, drawn into any kind
// of image.
func paper[I interface {
	image.Image
	Set(x, y int, c color.Color)
}](img I) I {
	b := img.Bounds()
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			img.Set(x, y, color.Gray16{Y: uint16(42000 + (x*7919+y*104729)%1021)})
		}
	}
	return img
}

func asPNG(t *testing.T, img image.Image) []byte {
	t.Helper()
	var buf bytes.Buffer
	if err := png.Encode(&buf, img); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

func asJPEG(t *testing.T, img image.Image) []byte {
	t.Helper()
	var buf bytes.Buffer
	if err := jpeg.Encode(&buf, img, nil); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

// headerOnly turns a PNG into one whose header claims another size, its check
// sum right (W3C PNG specification, 11.2.2), its data as they were.
func headerOnly(file []byte, width, height uint32) []byte {
	file = bytes.Clone(file)
	binary.BigEndian.PutUint32(file[16:], width)
	binary.BigEndian.PutUint32(file[20:], height)
	binary.BigEndian.PutUint32(file[29:], crc32.ChecksumIEEE(file[12:29]))
	return file
}

func TestBadFilesDoNotStopTheRest(t *testing.T) {
	size := image.Rect(0, 0, 900, 600)
	plain := asJPEG(t, paper(image.NewRGBA(size)))
	small := asPNG(t, paper(image.NewGray(image.Rect(0, 0, 40, 30))))
	good := map[string][]byte{
		"plain.jpg":       plain,
		"grey.jpg":        asJPEG(t, paper(image.NewGray(size))),
		"grey.png":        asPNG(t, paper(image.NewGray(size))),
		"grey16.png":      asPNG(t, paper(image.NewGray16(size))),
		"rgb16.png":       asPNG(t, paper(image.NewRGBA64(size))),
		"alpha.png":       asPNG(t, paper(image.NewNRGBA(size))),
		"alpha16.png":     asPNG(t, paper(image.NewNRGBA64(size))),
		"one-pixel.png":   asPNG(t, paper(image.NewGray(image.Rect(0, 0, 1, 1)))),
		"a-row.png":       asPNG(t, paper(image.NewGray(image.Rect(0, 0, 500, 1)))),
		"png-called.jpg":  asPNG(t, paper(image.NewRGBA(size))),
		"CAPITALS.JPG":    plain,
		"sub/é & <b>.jpg": plain,
	}
	bad := map[string][]byte{
		"cut-short.jpg":     plain[:len(plain)/2],
		"header-only.jpg":   plain[:30],
		"cut-short.png":     small[:len(small)-20],
		"empty.jpg":         {},
		"text-called.jpg":   []byte("Dear diary, today I found a marble.\n"),
		"huge-header.png":   headerOnly(small, 20000, 20000),
		"bigger-header.png": headerOnly(small, 4000, 3000),
		"no-width.png":      headerOnly(small, 0, 3000),
		"noise.jpg":         append([]byte{0xff, 0xd8, 0xff, 0xe0}, bytes.Repeat([]byte{0x5a, 0xff, 0x00}, 400)...),
	}
	in, out := t.TempDir(), filepath.Join(t.TempDir(), "out")
	write := func(name string, data []byte) {
		path := filepath.Join(in, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	for name, data := range good {
		write(name, data)
	}
	for name, data := range bad {
		write(name, data)
	}
	write("notes.txt", []byte("not a photo, and not called one"))
	if os.Geteuid() != 0 { // the superuser may read anything
		write("forbidden.jpg", plain)
		if err := os.Chmod(filepath.Join(in, "forbidden.jpg"), 0); err != nil {
			t.Fatal(err)
		}
		bad["forbidden.jpg"] = plain
	}

	status, stdout, stderr := tawsight(t, "measure", in, "--out", out)
	if status != 3 {
		t.Errorf("exit status %d, want 3 by the output contract\n%s", status, stderr)
	}
	if !strings.Contains(stdout, filepath.Join(out, "report.html")) {
		t.Errorf("%q does not say where the report lies", stdout)
	}
	if strings.Contains(stderr, "goroutine") || strings.Contains(stderr, "\r") {
		t.Errorf("a stack trace or a progress bar on a pipe:\n%s", stderr)
	}

	data, err := os.ReadFile(filepath.Join(out, "photos.csv"))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	reasons := map[string]string{} // by the path's end
	previous := ""
	for _, row := range rows[1:] {
		path := row[0]
		if path <= previous {
			t.Errorf("%s comes after %s: photos are to be sorted by path", path, previous)
		}
		previous = path
		name := filepath.ToSlash(path)
		for known := range merged(good, bad) {
			if strings.HasSuffix(name, "/"+known) {
				reasons[known] = row[len(row)-1]
			}
		}
	}
	if len(rows)-1 != len(good)+len(bad) {
		t.Errorf("%d rows, want one for each of %d photos", len(rows)-1, len(good)+len(bad))
	}
	for name := range good {
		if reason, there := reasons[name]; !there || reason != "" {
			t.Errorf("%s: in the table %v, error %q; want it read", name, there, reason)
		}
	}
	for name := range bad {
		if reasons[name] == "" {
			t.Errorf("%s: no reason in the table", name)
		}
		if !strings.Contains(stderr, name) {
			t.Errorf("%s is not named on standard error", name)
		}
	}

	lines, err := os.ReadFile(filepath.Join(out, "photos.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	if got := bytes.Count(lines, []byte("\n")); got != len(good)+len(bad) {
		t.Errorf("%d records for %d photos", got, len(good)+len(bad))
	}
	for line := range bytes.Lines(lines) {
		if !json.Valid(line) {
			t.Errorf("no JSON: %.200s", line)
		}
	}
	for _, name := range []string{"marbles.csv", "report.html"} {
		if info, err := os.Stat(filepath.Join(out, name)); err != nil || info.Size() == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
	noTemporaryFiles(t, out)
	noTemporaryFiles(t, in)
	for name, data := range merged(good, bad) {
		if name == "forbidden.jpg" {
			continue
		}
		if now, err := os.ReadFile(filepath.Join(in, name)); err != nil || !bytes.Equal(now, data) {
			t.Errorf("%s was changed", name)
		}
	}
}

func TestNothingToMeasure(t *testing.T) {
	for name, fill := range map[string]func(string){
		"empty folder": func(string) {},
		"no photos": func(in string) {
			os.WriteFile(filepath.Join(in, "notes.txt"), []byte("notes"), 0o666)
			os.Mkdir(filepath.Join(in, "folder.jpg"), 0o777)
		},
	} {
		t.Run(name, func(t *testing.T) {
			in, out := t.TempDir(), filepath.Join(t.TempDir(), "out")
			fill(in)
			status, _, stderr := tawsight(t, "measure", in, "--out", out)
			if status != 2 {
				t.Errorf("exit status %d, want 2", status)
			}
			if !strings.Contains(stderr, in) || !strings.Contains(stderr, "JPEG") {
				t.Errorf("%q does not name the folder and say what was looked for", stderr)
			}
			if _, err := os.Stat(out); !os.IsNotExist(err) {
				t.Error("something was written")
			}
		})
	}
}

// Wrong notes beside labelled photos are wrong usage, told with file and line.
func TestWrongNotes(t *testing.T) {
	refs, out := t.TempDir(), filepath.Join(t.TempDir(), "out")
	photo := filepath.Join(refs, "set", "a.jpg")
	notes := filepath.Join(refs, "notes.csv")
	if err := os.Mkdir(filepath.Dir(photo), 0o777); err != nil {
		t.Fatal(err)
	}
	for path, data := range map[string][]byte{
		photo: asJPEG(t, paper(image.NewRGBA(image.Rect(0, 0, 300, 200)))),
		notes: []byte("photo,permission\nset/a.jpg,perhaps\n"),
	} {
		if err := os.WriteFile(path, data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	for _, args := range [][]string{
		{"measure", photo, "--out", out, "--references", refs},
		{"references", refs, "--model", filepath.Join(out, "m.json")},
	} {
		status, _, stderr := tawsight(t, args...)
		if status != 2 || !strings.Contains(stderr, notes+", line 2") || !strings.Contains(stderr, "may share") {
			t.Errorf("%v: exit status %d, %q", args, status, stderr)
		}
		if _, err := os.Stat(out); !os.IsNotExist(err) {
			t.Error("something was written")
		}
	}
}

func TestNoMarblesIsNoFailure(t *testing.T) {
	in, out := t.TempDir(), filepath.Join(t.TempDir(), "out")
	photo := filepath.Join(in, "empty sheet.jpg")
	if err := os.WriteFile(photo, asJPEG(t, paper(image.NewRGBA(image.Rect(0, 0, 900, 600)))), 0o666); err != nil {
		t.Fatal(err)
	}
	status, _, stderr := tawsight(t, "measure", photo, "--out", out)
	if status != 0 {
		t.Errorf("exit status %d, want 0: a poor photo is flagged, not failed\n%s", status, stderr)
	}
	data, err := os.ReadFile(filepath.Join(out, "photos.csv"))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(data, []byte("no-marbles")) || !bytes.Contains(data, []byte("no-card")) {
		t.Errorf("the flags no-marbles and no-card are missing:\n%s", data)
	}
}

func TestOutputFolderNotWritable(t *testing.T) {
	in := t.TempDir()
	photo := filepath.Join(in, "photo.jpg")
	if err := os.WriteFile(photo, asJPEG(t, paper(image.NewRGBA(image.Rect(0, 0, 300, 200)))), 0o666); err != nil {
		t.Fatal(err)
	}
	for name, out := range map[string]string{
		"a file stands there": photo,
		"below a file":        filepath.Join(photo, "out"),
		"read-only":           filepath.Join(in, "locked", "out"),
	} {
		t.Run(name, func(t *testing.T) {
			if name == "read-only" {
				if os.Geteuid() == 0 {
					t.Skip("the superuser may write anywhere")
				}
				if err := os.Mkdir(filepath.Dir(out), 0o555); err != nil {
					t.Fatal(err)
				}
			}
			before, _ := os.ReadFile(photo)
			status, _, stderr := tawsight(t, "measure", photo, "--out", out)
			if status != 1 {
				t.Errorf("exit status %d, want 1", status)
			}
			if !strings.Contains(stderr, out) || !strings.Contains(stderr, "--out") {
				t.Errorf("%q does not name the folder and say what to do", stderr)
			}
			if after, _ := os.ReadFile(photo); !bytes.Equal(before, after) {
				t.Error("the photo was overwritten")
			}
		})
	}
}

// A run into a folder inside the photos' own must not take its own pictures for
// photos the next time.
func TestResultsAmongThePhotos(t *testing.T) {
	in := t.TempDir()
	if err := os.WriteFile(filepath.Join(in, "a.jpg"), asJPEG(t, paper(image.NewRGBA(image.Rect(0, 0, 900, 600)))), 0o666); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(in, "results")
	for round := range 2 {
		status, stdout, stderr := tawsight(t, "measure", in, "--out", out)
		if status != 0 || !strings.HasPrefix(stdout, "1 photo,") {
			t.Errorf("round %d: exit status %d, %q, %q", round+1, status, stdout, stderr)
		}
	}
	// Nor are those of an earlier run to another folder among the photos.
	if status, stdout, stderr := tawsight(t, "measure", in, "--out", filepath.Join(in, "again")); status != 0 || !strings.HasPrefix(stdout, "1 photo,") {
		t.Errorf("to another folder: exit status %d, %q, %q", status, stdout, stderr)
	}
}

// Ctrl-C must end a run soon, plainly and with nothing half-written.
func TestInterrupted(t *testing.T) {
	in, out := t.TempDir(), filepath.Join(t.TempDir(), "out")
	for i := range 6 {
		photo := asJPEG(t, paper(image.NewRGBA(image.Rect(0, 0, 900+i, 600))))
		if err := os.WriteFile(filepath.Join(in, string(rune('a'+i))+".jpg"), photo, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	var stdout, stderr bytes.Buffer
	status := run(ctx, []string{"measure", in, "--out", out}, &stdout, &stderr)
	if status != 1 || !strings.Contains(stderr.String(), "stopped") {
		t.Errorf("exit status %d, message %q", status, stderr.String())
	}
	noTemporaryFiles(t, filepath.Dir(out))
}

// Sheets asked for in the results' own folder go below it, and are named on
// standard output; a folder for them that can't be is told of as one for
// results is.
func TestExplainFolder(t *testing.T) {
	in, out := t.TempDir(), filepath.Join(t.TempDir(), "out")
	photo := filepath.Join(in, "a.jpg")
	if err := os.WriteFile(photo, asJPEG(t, paper(image.NewRGBA(image.Rect(0, 0, 900, 600)))), 0o666); err != nil {
		t.Fatal(err)
	}
	status, stdout, stderr := tawsight(t, "measure", photo, "--out", out, "--explain", out)
	if want := filepath.Join(out, "explain"); status != 0 || !strings.Contains(stdout, want) {
		t.Errorf("exit status %d, %q, %q", status, stdout, stderr)
	} else if info, err := os.Stat(want); err != nil || !info.IsDir() {
		t.Errorf("%s: %v", want, err)
	}
	status, _, stderr = tawsight(t, "measure", photo, "--out", out, "--explain", filepath.Join(photo, "why"))
	if status != 1 || !strings.Contains(stderr, "--explain") {
		t.Errorf("below a file: exit status %d, %q", status, stderr)
	}
}

func TestFeaturesAreListed(t *testing.T) {
	status, stdout, stderr := tawsight(t, "features")
	if status != 0 {
		t.Errorf("exit status %d:\n%s", status, stderr)
	}
	for line := range strings.Lines(stdout) {
		if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > 100 {
			t.Errorf("a line of %d columns: %s", n, line)
		}
	}
	status, asJSON, stderr := tawsight(t, "features", "--json")
	if status != 0 {
		t.Errorf("exit status %d:\n%s", status, stderr)
	}
	var list struct {
		Version  int `json:"features_version"`
		Features []struct {
			Name, Label, Unit, Meaning string
			Low, High                  *float64
			RestsOn                    []string `json:"rests_on"`
			Disturbed                  string   `json:"disturbed_by"`
		}
	}
	if err := json.Unmarshal([]byte(asJSON), &list); err != nil {
		t.Fatal(err)
	}
	if list.Version != features.Version || len(list.Features) != len(features.All()) {
		t.Errorf("version %d with %d features", list.Version, len(list.Features))
	}
	flat := strings.Join(strings.Fields(stdout), " ")
	for i, f := range features.All() {
		got := list.Features[i]
		if got.Name != f.Name || got.Label != f.Label || got.Unit != f.Unit || got.Meaning != f.Meaning || got.Disturbed != f.Disturbed ||
			got.Low == nil || *got.Low != f.Low || got.High == nil || *got.High != f.High || got.RestsOn == nil || len(got.RestsOn) != len(f.Rests) {
			t.Errorf("%s comes out as %+v", f.Name, got)
		}
		// The same facts for people.
		for _, want := range append([]string{f.Name, f.Label, f.Unit, f.Meaning, f.Disturbed}, got.RestsOn...) {
			if !strings.Contains(flat, strings.Join(strings.Fields(want), " ")) {
				t.Errorf("%s: the list does not say %q", f.Name, want)
			}
		}
	}
}

func noTemporaryFiles(t *testing.T, folder string) {
	t.Helper()
	filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		if err == nil && strings.HasSuffix(path, ".tmp") {
			t.Errorf("a half-written file is left: %s", path)
		}
		return err
	})
}

func merged(a, b map[string][]byte) map[string][]byte {
	m := map[string][]byte{}
	for k, v := range a {
		m[k] = v
	}
	for k, v := range b {
		m[k] = v
	}
	return m
}
