package pipeline

import (
	"bytes"
	"context"
	"encoding/json"
	"image"
	"image/jpeg"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"gocv.io/x/gocv"

	"tawsight/calib"
	"tawsight/internal/record"
	"tawsight/internal/report"
	"tawsight/internal/worker"
)

// sabotage makes a worker fail by the photo's name, in the ways that hostile
// files and faults in OpenCV do.
func sabotage(path string) {
	name := filepath.Base(path)
	switch {
	case strings.Contains(name, "throws"):
		// An OpenCV exception, which nothing can catch: a picture without pixels
		// has no colours to convert.
		none, dst := gocv.NewMat(), gocv.NewMat()
		gocv.CvtColor(none, &dst, gocv.ColorBGRToGray)
	case strings.Contains(name, "hangs"):
		for i := 0; ; i++ {
			if i < 0 {
				return
			}
		}
	case strings.Contains(name, "eats"):
		var all [][]byte
		for len(all) < 1000 {
			all = append(all, bytes.Repeat([]byte{1}, 4<<20))
			time.Sleep(time.Millisecond)
		}
		time.Sleep(time.Hour)
	case strings.Contains(name, "flaky"):
		if _, err := os.Stat(path + ".tried"); err != nil {
			_ = os.WriteFile(path+".tried", nil, 0o666)
			os.Exit(7)
		}
	case strings.Contains(name, "panics"):
		panic("a fault made for this test")
	}
}

// withWorkers has photos measured in processes of their own until the test ends.
func withWorkers(t *testing.T, l worker.Limits) {
	t.Helper()
	IsolateWithin(l)
	t.Cleanup(func() {
		crew.Close()
		crew = nil
	})
}

// plainJPEG is a picture without marbles, read in no time.
func plainJPEG(t *testing.T) []byte {
	t.Helper()
	img := image.NewGray(image.Rect(0, 0, 160, 120))
	for i := range img.Pix {
		img.Pix[i] = byte(200 + i%160/8)
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// One photo throws in OpenCV, one hangs, one eats memory, one panics, one fails at
// first: each is named with its reason, and the rest comes out as it does without
// them and without workers.
func TestOnePhotoCostsOnePhoto(t *testing.T) {
	dir, plain := t.TempDir(), plainJPEG(t)
	tray, err := os.ReadFile(filepath.Join(sampleDir, "tray", "tray-1.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	put(t, filepath.Join(dir, "a-tray.jpg"), tray)
	for _, name := range []string{"b-throws.jpg", "c-hangs.jpg", "d-eats.jpg", "e-flaky.jpg", "f-panics.jpg", "g-good.jpg"} {
		put(t, filepath.Join(dir, name), plain)
	}
	here := Options{Photos: []string{filepath.Join(dir, "a-tray.jpg"), filepath.Join(dir, "g-good.jpg")}, OutDir: filepath.Join(t.TempDir(), "here"), ExplainDir: filepath.Join(t.TempDir(), "explain"), Workers: 1, NoCache: true}
	if _, err := Run(context.Background(), here); err != nil {
		t.Fatal(err)
	}
	withWorkers(t, worker.Limits{CPU: 60 * time.Second, MemoryBytes: 700 << 20})
	// Only the one that hangs may take long, so it gets a limit of its own below.
	there := here
	there.OutDir, there.ExplainDir, there.Workers = filepath.Join(t.TempDir(), "there"), filepath.Join(t.TempDir(), "explain"), 2
	there.Photos = nil
	for _, name := range []string{"a-tray.jpg", "b-throws.jpg", "d-eats.jpg", "e-flaky.jpg", "f-panics.jpg", "g-good.jpg"} {
		there.Photos = append(there.Photos, filepath.Join(dir, name))
	}
	sum, err := Run(context.Background(), there)
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{"b-throws.jpg": "broke down on this photo", "d-eats.jpg": "too much memory", "f-panics.jpg": "a fault made for this test"}
	if sum.Photos != 6 || len(sum.Failures) != len(want) {
		t.Errorf("%+v", sum)
	}
	for _, f := range sum.Failures {
		if says := want[filepath.Base(f.Path)]; says == "" || !strings.Contains(f.Reason, says) {
			t.Errorf("%s: %s", f.Path, f.Reason)
		}
	}
	// The same bytes, pictures and sheets included.
	same := 0
	for a, b := range map[string]string{here.OutDir: there.OutDir, here.ExplainDir: there.ExplainDir} {
		err := filepath.WalkDir(a, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || filepath.Ext(path) != ".png" && filepath.Ext(path) != ".jpg" {
				return err
			}
			rel, _ := filepath.Rel(a, path)
			one, err1 := os.ReadFile(path)
			two, err2 := os.ReadFile(filepath.Join(b, rel))
			if err1 != nil || err2 != nil || !bytes.Equal(one, two) {
				t.Errorf("%s differs (%v)", rel, err2)
			}
			same++
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	one, two := recordsIn(t, here.OutDir), recordsIn(t, there.OutDir)
	for _, name := range []string{"a-tray.jpg", "g-good.jpg"} {
		if !reflect.DeepEqual(one[name], two[name]) || one[name].Path == "" {
			t.Errorf("%s differs:\n%+v\n%+v", name, one[name], two[name])
		}
	}
	if same < 10 {
		t.Errorf("only %d pictures were compared", same)
	}
	if two["e-flaky.jpg"].Error != "" {
		t.Errorf("the photo that failed once: %s", two["e-flaky.jpg"].Error)
	}
}

// recordsIn are a run's records by the photos' names, without times and places.
func recordsIn(t *testing.T, dir string) map[string]record.Photo {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(dir, "photos.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]record.Photo{}
	for line := range bytes.Lines(data) {
		var p record.Photo
		if err := json.Unmarshal(line, &p); err != nil {
			t.Fatal(err)
		}
		name := filepath.Base(p.Path)
		p.Path, p.Seconds = name, 0
		for i := range p.Marbles {
			p.Marbles[i].Sheet = filepath.Base(p.Marbles[i].Sheet)
		}
		out[name] = p
	}
	return out
}

func TestCheckGoesOnAfterAHang(t *testing.T) {
	dir, plain := t.TempDir(), plainJPEG(t)
	for _, name := range []string{"a.jpg", "b-hangs.jpg", "c-throws.jpg", "d.jpg"} {
		put(t, filepath.Join(dir, name), plain)
	}
	withWorkers(t, worker.Limits{CPU: 2 * time.Second, Wall: 2 * time.Minute})
	photos, err := Check(context.Background(), []string{dir}, 2, nil)
	if err != nil || len(photos) != 4 {
		t.Fatalf("%d photos, %v", len(photos), err)
	}
	for i, says := range []string{"", "took too long", "broke down", ""} {
		if got := photos[i].Error; says == "" && got != "" || !strings.Contains(got, says) {
			t.Errorf("%s: %q, want %q", photos[i].Path, got, says)
		}
	}
}

func TestMeasuringStops(t *testing.T) {
	path := filepath.Join(t.TempDir(), "hangs.jpg")
	put(t, path, plainJPEG(t))
	withWorkers(t, worker.Limits{})
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	start := time.Now()
	if _, err := MeasureSingle(ctx, path, 0, RulerOptions{}); err == nil || ctx.Err() == nil {
		t.Errorf("error %v", err)
	}
	if took := time.Since(start); took > 20*time.Second {
		t.Errorf("stopped after %v", took)
	}
}

// What travels to a worker and back is what was sent: a 0 that was measured is no
// 0 that was not.
func TestJobsTravelWhole(t *testing.T) {
	ruler := RulerOptions{Coin: "x", CoinAt: &[2]float64{0, 0}, Known: []KnownMarble{{"2", 16.05}}, Rest: calib.Rest{Kind: "ring", WidthMM: 10}}
	b, err := encode(job{Do: doMeasure, Path: "caf\xe9/-photo\n.jpg", Want: pictures{Views: true, Tray: true}, Scale: calib.PrintScale{Factor: 0.99, U: 1e-3}, Ruler: ruler})
	if err != nil {
		t.Fatal(err)
	}
	j, err := decodeJob(b)
	if err != nil || j.Path != "caf\xe9/-photo\n.jpg" || j.wanted().pictures() != (pictures{Views: true, Tray: true}) || j.Scale.Factor != 0.99 || !reflect.DeepEqual(j.Ruler, ruler) {
		t.Errorf("%+v, %v", j, err)
	}
	p := record.Photo{Scale: record.Scale{MMPerPX: record.F(0)}, Marbles: []record.Marble{{ID: "1", Busyness: record.F(0), Ribbons: []record.Ribbon{{Opaque: record.B(false)}}, Features: map[string]float64{"a": 0}}}}
	a := answer{Taken: taken{}}
	if a.Record, err = json.Marshal(p); err != nil {
		t.Fatal(err)
	}
	p.Path = "caf\xe9.jpg"
	if got := a.photo(p.Path); !reflect.DeepEqual(got, p) {
		t.Errorf("%+v", got)
	}
	a.Taken = taken{
		Drawn: drawn{Of: "o", File: []byte("overlay")}, Crops: [][]byte{[]byte("one"), nil, []byte("three")}, Sheets: [][]byte{nil},
		Page: report.PagePictures{"b": []byte("B"), "a": []byte("A"), "": nil}, Corners: [][2]float64{{0, 1}},
	}
	parts, err := a.encode()
	if err != nil {
		t.Fatal(err)
	}
	whole := bytes.Join(parts, nil)
	if got, err := decodeAnswer(whole); err != nil || !reflect.DeepEqual(got, a) {
		t.Errorf("%+v, %v", got, err)
	}
	// What was cut short or belongs to another is refused, wherever that is.
	for n := range whole {
		if _, err := decodeAnswer(whole[:n]); err == nil {
			t.Fatalf("the first %d bytes of %d were taken for all", n, len(whole))
		}
	}
	for i := range parts[0] {
		bad := bytes.Clone(whole)
		for _, v := range []byte{0, 1, 0x7f, 0xff} {
			bad[i] = v
			_, _ = decodeAnswer(bad) // an error or other figures, no panic
		}
	}
	if _, err := decodeAnswer(append(bytes.Clone(whole), 0)); err == nil {
		t.Error("a byte too many is passed over")
	}
}
