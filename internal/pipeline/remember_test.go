package pipeline

import (
	"bytes"
	"context"
	"encoding/json"
	"image/jpeg"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"tawsight/calib"
	"tawsight/internal/record"
	"tawsight/internal/report"
	"tawsight/vision"
)

// filesBelow are a folder's files, by their paths in it.
func filesBelow(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(dir, path)
		if err != nil {
			return err
		}
		out[filepath.ToSlash(rel)], err = os.ReadFile(path)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func sameFiles(t *testing.T, what string, a, b map[string][]byte) {
	t.Helper()
	if len(a) != len(b) || len(a) < 6 {
		t.Errorf("%s: %d files and %d", what, len(a), len(b))
	}
	for name := range a {
		if !bytes.Equal(a[name], b[name]) {
			t.Errorf("%s: %s differs", what, name)
		}
	}
}

// own gives a test a cache of its own, and says where photos are remembered.
func ownCache(t *testing.T) string {
	cache := t.TempDir()
	t.Setenv("XDG_CACHE_HOME", cache)
	return filepath.Join(cache, "tawsight", "photos")
}

// kept are the names in a memory with an extension.
func kept(t *testing.T, dir, ext string) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "*"+ext))
	if err != nil {
		t.Fatal(err)
	}
	return names
}

// A second run over unchanged photos is answered from the cache: the same to the
// byte, the seconds that measuring took included, which no second measuring would
// give.
func TestUnchangedPhotosAreRemembered(t *testing.T) {
	cache := ownCache(t)
	dir := t.TempDir()
	data, err := os.ReadFile(filepath.Join(sampleDir, "tray", "tray-1.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	photo := filepath.Join(dir, "tray.jpg")
	data = append(data, 'A') // after the JPEG's end, where nobody looks
	put(t, photo, data)
	old := time.Now().Add(-time.Hour)
	if err := os.Chtimes(photo, old, old); err != nil {
		t.Fatal(err)
	}
	measured := func(change func(o *Options)) map[string][]byte {
		t.Helper()
		o := Options{Photos: []string{dir}, OutDir: filepath.Join(t.TempDir(), "out")}
		if change != nil {
			change(&o)
		}
		if _, err := Run(context.Background(), o); err != nil {
			t.Fatal(err)
		}
		return filesBelow(t, o.OutDir)
	}
	first := measured(nil)
	if n := [3]int{len(kept(t, cache, memoryExt)), len(kept(t, cache, pageExt)), len(kept(t, cache, noteExt))}; n != [3]int{1, 1, 1} {
		t.Fatalf("%v entries, pages and notes", n)
	}
	sameFiles(t, "recalled", first, measured(nil))
	// Two runs at once.
	var both [2]map[string][]byte
	var wg sync.WaitGroup
	for i := range both {
		wg.Go(func() { both[i] = measured(nil) })
	}
	wg.Wait()
	sameFiles(t, "two at once", both[0], both[1])
	sameFiles(t, "two at once and before", first, both[0])

	seconds := func(files map[string][]byte) float64 {
		var p record.Photo
		if err := json.Unmarshal(files["photos.jsonl"], &p); err != nil {
			t.Fatal(err)
		}
		return p.Seconds
	}
	// Where the cache is not to be used, it is neither read nor written.
	before := filesBelow(t, cache)
	// Two measurements may take the same time to the millisecond; three hardly.
	anew := false
	for range 3 {
		anew = anew || seconds(measured(func(o *Options) { o.NoCache = true })) != seconds(first)
	}
	if !anew {
		t.Error("the photo was not measured anew")
	}
	after := filesBelow(t, cache)
	for name := range after {
		if !bytes.Equal(before[name], after[name]) {
			t.Errorf("%s was written", name)
		}
	}
	// A damaged entry is none, nor is one cut short; the page's pictures are made
	// again.
	for name, spoil := range map[string]func([]byte) []byte{
		"written over": func(b []byte) []byte { return append(slices.Clone(b[:len(b)/2]), []byte(" not what was written")...) },
		"cut short":    func(b []byte) []byte { return b[:len(b)/3] },
		"empty":        func([]byte) []byte { return nil },
	} {
		for _, ext := range []string{memoryExt, pageExt} {
			for _, entry := range kept(t, cache, ext) {
				b, err := os.ReadFile(entry)
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(entry, spoil(b), 0o666); err != nil {
					t.Fatal(err)
				}
			}
		}
		again := measured(nil)
		for _, entry := range kept(t, cache, memoryExt) {
			if _, ok := readWhole(entry); !ok {
				t.Errorf("%s: %s was believed, or at least left", name, entry)
			}
		}
		if len(again) != len(first) || bytes.Count(again["report.html"], []byte("data:image/jpeg")) != bytes.Count(first["report.html"], []byte("data:image/jpeg")) {
			t.Errorf("%s: pictures are missing", name)
		}
		first = again
	}
	// Another content at the same path, of the same size and time, is another photo.
	put(t, photo, append(slices.Clone(data[:len(data)-1]), 'B'))
	if err := os.Chtimes(photo, old, old); err != nil {
		t.Fatal(err)
	}
	var p, q record.Photo
	if json.Unmarshal(first["photos.jsonl"], &p) != nil || json.Unmarshal(measured(nil)["photos.jsonl"], &q) != nil || p.SHA256 == q.SHA256 {
		t.Error("the changed photo was taken for the old one")
	}
}

// Where another opinion is to be shown, the overlay is drawn anew on the same
// picture.
func TestOverlayOfARememberedPhotoFollowsItsLikeness(t *testing.T) {
	ownCache(t)
	scale, err := calib.ScaleFromCheckBar(0)
	if err != nil {
		t.Fatal(err)
	}
	m := openMemory(Options{}, scale, false)
	path := filepath.Join(sampleDir, "tray", "tray-1.jpg")
	drawn := func(label string) (*work, []byte) {
		w := m.measure(context.Background(), path, scale, wanted{crops: true, draw: true}, nil)
		recorded, err := json.Marshal(w.Photo)
		if err != nil || w.Photo.Error != "" || len(w.Photo.Marbles) == 0 {
			t.Fatal(err, w.Photo.Error)
		}
		if label != "" {
			w.Photo.Marbles[0].Attribution = &record.Attribution{Status: "assigned", Label: label}
		}
		if err := m.draw(context.Background(), w, recorded, nil); err != nil {
			t.Fatal(err)
		}
		return w, w.Drawn.File
	}
	fresh, plain := drawn("")
	if fresh.stored {
		t.Fatal("the first was not measured")
	}
	photo, err := vision.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer photo.Close()
	base, _ := photo.Image(report.OverlaySidePX)
	for _, label := range []string{"some-set", ""} {
		w, got := drawn(label)
		want, err := report.OverlayJPEG(base, w.Photo, w.Sight)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%q: the overlay is not what it would be without the cache", label)
		}
		if (label == "") != bytes.Equal(got, plain) {
			t.Errorf("%q: the overlay does not follow the likeness", label)
		}
	}
}

// What is remembered is bounded; the longest unasked-for goes first, and what a
// killed run left half-written goes once it is old.
func TestMemoryIsBounded(t *testing.T) {
	dir := t.TempDir()
	m := &memory{dir: dir}
	now := time.Now()
	for i, name := range []string{"a" + memoryExt, "b" + pageExt, "c" + memoryExt, "d" + noteExt, ".tawsight-1-0.tmp", ".tawsight-1-1.tmp", "mine.txt"} {
		path := filepath.Join(dir, name)
		put(t, path, make([]byte, 1000))
		at := now.Add(time.Duration(i-10) * time.Hour)
		if name == ".tawsight-1-1.tmp" {
			at = now
		}
		if err := os.Chtimes(path, at, at); err != nil {
			t.Fatal(err)
		}
	}
	m.tidy(now, 2500)
	var left []string
	for name := range filesBelow(t, dir) {
		left = append(left, name)
	}
	slices.Sort(left)
	if want := ".tawsight-1-1.tmp c.measured d.note mine.txt"; strings.Join(left, " ") != want {
		t.Errorf("left: %v, want %s", left, want)
	}
}

// Four shards, each a run of its own, come to what one run comes to.
func TestShardsComeToTheSame(t *testing.T) {
	root := t.TempDir()
	names := []string{"references/clear-wide-ribbon/clear-wide-ribbon-1.jpg", "tray/tray-1.jpg", "references/opaque-white-swirl/opaque-white-swirl-2.jpg", "again/again-1a.jpg"}
	shards := []string{"box-1", "box-2", "box-3", "box-4"}
	for i, shard := range shards {
		data, err := os.ReadFile(filepath.Join(sampleDir, filepath.FromSlash(names[i])))
		if err != nil {
			t.Fatal(err)
		}
		put(t, filepath.Join(root, shard, shard+".jpg"), data)
	}
	put(t, filepath.Join(root, "box-2", "cut.jpg"), []byte("\xff\xd8\xff no photo"))
	one := filepath.Join(t.TempDir(), "one")
	whole, err := Run(context.Background(), Options{Photos: []string{root}, OutDir: one, NoCache: true})
	if err != nil {
		t.Fatal(err)
	}
	var lines, marbles, photos []string
	pictures := map[string][]byte{}
	var sum Summary
	for _, shard := range shards {
		out := filepath.Join(t.TempDir(), shard)
		s, err := Run(context.Background(), Options{Photos: []string{filepath.Join(root, shard)}, OutDir: out, NoCache: true})
		if err != nil {
			t.Fatal(err)
		}
		sum.Photos, sum.Failed, sum.Marbles = sum.Photos+s.Photos, sum.Failed+s.Failed, sum.Marbles+s.Marbles
		for name, data := range filesBelow(t, out) {
			text := strings.Split(strings.TrimSuffix(string(data), "\n"), "\n")
			switch {
			case name == report.JSONLName:
				lines = append(lines, text...)
			case name == report.MarblesName && len(marbles) > 0:
				marbles = append(marbles, text[1:]...)
			case name == report.MarblesName:
				marbles = text
			case name == report.PhotosName && len(photos) > 0:
				photos = append(photos, text[1:]...)
			case name == report.PhotosName:
				photos = text
			case name != report.HTMLName:
				if pictures[name] != nil {
					t.Errorf("two shards have a %s", name)
				}
				pictures[name] = data
			}
		}
	}
	if sum.Photos != whole.Photos || sum.Failed != whole.Failed || sum.Marbles != whole.Marbles || whole.Photos != 5 || whole.Failed != 1 {
		t.Errorf("shards %+v, one run %+v", sum, whole)
	}
	// One run over several folders puts the folder before a picture's name; a shard
	// sees its own folder alone.
	files := map[string][]byte{}
	for name, data := range filesBelow(t, one) {
		for _, shard := range shards {
			name = strings.Replace(name, "/"+shard+"_", "/", 1)
			if strings.HasSuffix(name, ".csv") || strings.HasSuffix(name, ".jsonl") {
				data = bytes.ReplaceAll(data, []byte("crops/"+shard+"_"), []byte("crops/"))
			}
		}
		files[name] = data
	}
	untimed := func(lines []string) (out []map[string]any) {
		for _, l := range lines {
			var m map[string]any
			if err := json.Unmarshal([]byte(l), &m); err != nil {
				t.Fatal(err)
			}
			delete(m, "seconds") // measuring twice takes other times
			out = append(out, m)
		}
		return out
	}
	split := func(name string) []string { return strings.Split(strings.TrimSuffix(string(files[name]), "\n"), "\n") }
	a, _ := json.Marshal(untimed(lines))
	b, _ := json.Marshal(untimed(split(report.JSONLName)))
	if !bytes.Equal(a, b) {
		t.Error("photos.jsonl differs")
	}
	if !slices.Equal(marbles, split(report.MarblesName)) {
		t.Error("marbles.csv differs")
	}
	if got := split(report.PhotosName); len(got) != len(photos) || got[0] != photos[0] {
		t.Errorf("photos.csv has %d lines, the shards' %d", len(got), len(photos))
	}
	n := 0
	for name, data := range files {
		if !strings.Contains(name, "/") {
			continue
		}
		n++
		if !bytes.Equal(pictures[name], data) {
			t.Errorf("%s differs", name)
		}
	}
	if n != len(pictures) || n < 8 {
		t.Errorf("%d pictures, the shards' %d", n, len(pictures))
	}
}

// The overlay of a photo that is not there any more can't be drawn, which is said;
// that of a small picture is as large as it.
func TestOverlayDrawnAnew(t *testing.T) {
	gone := filepath.Join(t.TempDir(), "gone.jpg")
	if _, err := drawHere(nil, record.Photo{Path: gone}, report.Sight{}); err == nil || !strings.Contains(err.Error(), gone) {
		t.Errorf("error %v", err)
	}
	path := filepath.Join(t.TempDir(), "small.jpg")
	put(t, path, plainJPEG(t))
	d, err := drawHere(nil, record.Photo{Path: path, WidthPX: 160, HeightPX: 120}, report.Sight{})
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{"file": d.File, "page": d.Page} {
		if c, err := jpeg.DecodeConfig(bytes.NewReader(data)); err != nil || c.Width != 160 || c.Height != 120 {
			t.Errorf("%s: %+v, %v", name, c, err)
		}
	}
}

// The page's pictures are the same whether they are made when a photo is measured
// or later, since they were removed, and so is the overlay of one measured by a
// worker and drawn by another, or by none.
func TestPagePicturesMadeLaterAreTheSame(t *testing.T) {
	ownCache(t)
	scale, err := calib.ScaleFromCheckBar(0)
	if err != nil {
		t.Fatal(err)
	}
	m := openMemory(Options{}, scale, false)
	path := filepath.Join(sampleDir, "tray", "tray-1.jpg")
	var first []byte
	for _, c := range []struct {
		name string
		want wanted
	}{
		{"drawn when measured", wanted{crops: true, draw: true}},
		{"recalled", wanted{crops: true, draw: true}},
		{"drawn on what was kept", wanted{crops: true, base: true}},
	} {
		if c.want.base {
			m.dir, m.pages = t.TempDir(), t.TempDir()
		}
		w := m.measure(context.Background(), path, scale, c.want, nil)
		if w.Photo.Error != "" || len(w.Photo.Marbles) == 0 {
			t.Fatal(c.name, w.Photo.Error)
		}
		if of := shown(w.Photo, w.Sight); c.want.draw && w.Drawn.Of != of {
			t.Errorf("%s: the overlay is drawn twice", c.name)
		}
		recorded, err := json.Marshal(w.Photo)
		if err != nil {
			t.Fatal(err)
		}
		if err := m.draw(context.Background(), w, recorded, nil); err != nil {
			t.Fatal(c.name, err)
		}
		m.page(w)
		body, ok := readWhole(w.page)
		p := pagePictures(w.page)
		if !ok || len(p) != 1+2*len(w.Photo.Marbles) {
			t.Fatalf("%s: %d pictures for the page", c.name, len(p))
		}
		for key, data := range p {
			if _, err := jpeg.Decode(bytes.NewReader(data)); err != nil {
				t.Errorf("%s: %s: %v", c.name, key, err)
			}
		}
		var all []byte
		for _, key := range slices.Sorted(maps.Keys(p)) {
			all = append(append(all, key...), p[key]...)
		}
		if first == nil {
			first = all
		} else if !bytes.Equal(first, all) {
			t.Errorf("%s: other pictures", c.name)
		}
		if len(body) == 0 || os.Remove(w.page) != nil {
			t.Fatal("the page's pictures are not kept")
		}
	}
}

// A third run finds everything as the second left it and touches nothing; what is
// missing or changed among the results is made again.
func TestResultsAsLeftAreLeft(t *testing.T) {
	ownCache(t)
	dir, out := t.TempDir(), t.TempDir()
	data, err := os.ReadFile(filepath.Join(sampleDir, "tray", "tray-6.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	photo := filepath.Join(dir, "tray.jpg")
	if err := os.WriteFile(photo, data, 0o666); err != nil {
		t.Fatal(err)
	}
	old := time.Now().Add(-time.Minute)
	if err := os.Chtimes(photo, old, old); err != nil {
		t.Fatal(err)
	}
	measure := func() Summary {
		t.Helper()
		told := 0
		sum, err := Run(context.Background(), Options{Photos: []string{dir}, OutDir: out, Progress: func(done, total int, path string) { told++ }})
		if err != nil {
			t.Fatal(err)
		}
		if sum.Photos != 1 || sum.Marbles != 8 || told != 1 || sum.ReportPath != filepath.Join(out, report.HTMLName) {
			t.Errorf("%+v, told of %d photos", sum, told)
		}
		return sum
	}
	changed := func() time.Time {
		t.Helper()
		info, err := os.Stat(filepath.Join(out, report.HTMLName))
		if err != nil {
			t.Fatal(err)
		}
		return info.ModTime()
	}
	measure()
	first, at := filesBelow(t, out), changed()
	measure()
	if !changed().Equal(at) {
		t.Error("a run with nothing to do wrote the report anew")
	}
	for _, spoil := range []func(name string) error{
		os.Remove,
		func(name string) error { return os.WriteFile(name, []byte("mine"), 0o666) },
	} {
		names, err := filepath.Glob(filepath.Join(out, "crops", "*.png"))
		if err != nil || len(names) != 8 {
			t.Fatal(names, err)
		}
		if err := spoil(names[3]); err != nil {
			t.Fatal(err)
		}
		measure()
		sameFiles(t, "after a crop was spoilt", first, filesBelow(t, out))
	}
	// Other options are another run.
	sum, err := Run(context.Background(), Options{Photos: []string{dir}, OutDir: out, CheckBarMM: 80.4})
	if err != nil || sum.Marbles != 8 {
		t.Fatal(sum, err)
	}
	if now := filesBelow(t, out); bytes.Equal(now[report.MarblesName], first[report.MarblesName]) {
		t.Error("another length of the card's line came to the same sizes")
	}
}
