package intake

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"tawsight/internal/collection"
	"tawsight/internal/pipeline"
	"tawsight/internal/record"
	"tawsight/internal/refset"
	"tawsight/internal/report"
)

// childEnv tells the test binary that it is the child that will be killed: the
// collection, the folder, and whether the real measuring is asked for.
const childEnv = "TAWSIGHT_TEST_ADDING"

func TestMain(m *testing.M) {
	if args := os.Getenv(childEnv); args != "" {
		parts := strings.Split(args, "\n")
		if err := addAll(parts[0], parts[1], parts[2] == "real", os.Stdout); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// addAll adds a folder of labelled photos to a collection, and says of each
// photo that it is kept once that is so.
func addAll(path, dir string, real bool, out io.Writer) error {
	ctx := context.Background()
	c, err := collection.Create(ctx, path)
	if err != nil {
		return err
	}
	defer c.Close()
	workers := 2
	if _, err := os.Stat(filepath.Join(dir, "notes.csv")); err == nil {
		workers = 1 // which of two marbles of one name comes first shows in the end
	}
	o := Options{Workers: workers, Contributor: "Aunt Vera", Permission: refset.MayShow}
	if !real {
		o.measure = madeUp
	}
	in := New(c, o)
	events, leave := in.Watch()
	defer leave()
	told := make(chan struct{})
	go func() {
		defer close(told)
		for e := range events {
			if e.State == collection.FileDone || e.State == collection.Known {
				fmt.Fprintln(out, e.Photo)
			}
			if e.Finished {
				return
			}
		}
	}()
	if _, err := in.AddLabelled(ctx, "Ada", dir, By{}); err != nil {
		return err
	}
	if err := in.Run(ctx); err != nil {
		return err
	}
	return nil
}

// madeUp stands in for the measuring: three marbles a photo, by its content.
func madeUp(_ context.Context, path string, _ float64, _ pipeline.RulerOptions) (pipeline.Single, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return pipeline.Single{}, err
	}
	sum := sha256.Sum256(data)
	s := pipeline.Single{
		Photo: record.Photo{Path: path, SHA256: hex.EncodeToString(sum[:]), WidthPX: 1000, HeightPX: 800,
			Verdict: record.Verdicts{Size: record.Good, Colour: record.Good, Pattern: record.Good}},
		Tray: bytes.Repeat(data, 100), TrayWPX: 1000, TrayHPX: 800,
	}
	for i := range 3 {
		s.Photo.Marbles = append(s.Photo.Marbles, record.Marble{
			ID: fmt.Sprint(i + 1), Outline: record.Outline{CxPX: 100 + 150*float64(i), CyPX: 100 + float64(sum[0]), SemiMajorPX: 40, SemiMinorPX: 40},
			DiameterMM: record.F(14 + float64(sum[i])/100), Features: map[string]float64{"busyness": 0.5}, Ribbons: []record.Ribbon{},
		})
		s.Views = append(s.Views, report.View{JPEG: bytes.Repeat(sum[:], 300), SidePX: 100, MMPerPX: 0.1, DiameterPX: 80})
	}
	return s, nil
}

// contents is what a collection holds, without times, and without what two runs
// number or time each for itself.
func contents(t *testing.T, c *collection.Collection) string {
	t.Helper()
	ctx := context.Background()
	var b strings.Builder
	rows, _, err := c.Find(ctx, collection.Filter{Sort: collection.ByTitle})
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		s, err := c.Specimen(ctx, r.ID)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "%s %s %s %s %s %s %v", s.ID, s.Name, s.Title, r.FigureID, r.Photo, s.Contributor, s.Permission)
		for _, l := range s.Labels {
			fmt.Fprintf(&b, " | %s %s %s %s", l.Set, l.Who, l.Sure, l.Evidence)
		}
		for _, m := range s.Remarks {
			fmt.Fprintf(&b, " | %s", m.Text)
		}
		for _, g := range s.Sightings {
			f, err := c.Face(ctx, g.FigureID)
			fmt.Fprintf(&b, " | %s %s %d %v %d %d %v", g.ID, g.FigureID, g.Number, *g.Marble.DiameterMM, g.Earlier, len(f.JPEG), err)
		}
		b.WriteByte('\n')
	}
	photos, err := c.Photos(ctx, -1, 0)
	if err != nil {
		t.Fatal(err)
	}
	slices.SortFunc(photos, func(a, b collection.Photo) int { return strings.Compare(a.SHA256, b.SHA256) })
	for _, p := range photos {
		whole, err := c.Photo(ctx, p.SHA256)
		if err != nil {
			t.Fatal(err)
		}
		slices.Sort(whole.Places)
		tray, err := c.PhotoPicture(ctx, p.SHA256)
		fmt.Fprintf(&b, "%s %s %s %v %s %v %v %d %v\n", p.SHA256, p.Name, p.Contributor, p.Permission, p.MeasurementID, whole.Places, whole.Specimens, len(tray.JPEG), err)
	}
	sets, err := c.Sets(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range sets {
		fmt.Fprintf(&b, "%s %s %d %d\n", s.ID, s.Name, s.Members, s.Certain)
	}
	edits, err := c.Edits(ctx, 0, 10000)
	if err != nil {
		t.Fatal(err)
	}
	texts := []string{}
	for _, e := range edits {
		texts = append(texts, e.Text)
	}
	slices.Sort(texts)
	return b.String() + strings.Join(texts, "\n")
}

// killed adds dir to a new collection in a child that is killed after the time
// given, and checks what is left, and that another run finishes it. It says
// whether the child was still at work.
func killed(t *testing.T, dir, want string, real bool, after time.Duration) (atWork bool) {
	t.Helper()
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "marbles"+collection.Ext)
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), childEnv+"="+strings.Join([]string{path, dir, map[bool]string{true: "real", false: "made up"}[real]}, "\n"))
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	timer := time.AfterFunc(after, func() { child.Process.Kill() })
	var told []string
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if len(lines.Text()) == 64 { // a line that was cut was not told
			told = append(told, lines.Text())
		}
	}
	err = child.Wait()
	timer.Stop()
	var exit *exec.ExitError
	if err != nil && (!errors.As(err, &exit) || exit.ExitCode() != -1) {
		t.Fatalf("the child ended by itself: %v", err)
	}
	atWork = err != nil

	if _, err := os.Stat(path); err == nil {
		c, err := collection.Create(ctx, path)
		if err != nil {
			t.Fatalf("after %v the collection does not open: %v", after, err)
		}
		if wrong, err := c.Check(ctx); err != nil || len(wrong) > 0 {
			t.Fatalf("after %v: %v, %v", after, wrong, err)
		}
		for _, sha := range told {
			p, err := c.Photo(ctx, sha)
			if err != nil || len(p.Record.Marbles) == 0 {
				t.Errorf("after %v: %s was said to be kept, and is %d marbles, %v", after, sha, len(p.Record.Marbles), err)
			}
		}
		c.Close()
	} else if len(told) > 0 {
		t.Errorf("after %v nothing is there, though %d photos were said to be kept", after, len(told))
	}
	if err := addAll(path, dir, real, io.Discard); err != nil {
		t.Fatalf("after %v the next run: %v", after, err)
	}
	c, err := collection.Open(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if got := contents(t, c); got != want {
		t.Errorf("after %v and another run, the collection is\n%s\nwant\n%s", after, got, want)
	}
	if open, err := c.Unfinished(ctx); err != nil || len(open) > 0 {
		t.Errorf("after %v and another run, %d intakes are unfinished (%v)", after, len(open), err)
	}
	return atWork
}

// uninterrupted is what a collection holds after one run over dir, and how long
// that takes in a process of its own.
func uninterrupted(t *testing.T, dir string, real bool) (string, time.Duration) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "marbles"+collection.Ext)
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), childEnv+"="+strings.Join([]string{path, dir, map[bool]string{true: "real", false: "made up"}[real]}, "\n"))
	start := time.Now()
	if out, err := child.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	took := time.Since(start)
	c, err := collection.Open(context.Background(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	return contents(t, c), took
}

// Whenever the program is killed while it adds photos, what it said is kept is
// kept, and the next run ends as though nothing had been.
func TestKilledWhileAdding(t *testing.T) {
	t.Run("two at once", func(t *testing.T) { killedAtManyPoints(t, false) })
	t.Run("with notes and doubles", func(t *testing.T) { killedAtManyPoints(t, true) })
}

func killedAtManyPoints(t *testing.T, notes bool) {
	dir := t.TempDir()
	for i := range 12 {
		set := filepath.Join(dir, []string{"pale", "red"}[i%2])
		if err := os.MkdirAll(set, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(set, fmt.Sprintf("tray-%02d.jpg", i)), []byte(fmt.Sprint("photo ", i)), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	// One photo is there twice, under two names.
	if !notes {
		// nothing that depends on which comes first
	} else if err := os.WriteFile(filepath.Join(dir, "red", "tray-05 copy.jpg"), []byte("photo 5"), 0o644); err != nil {
		t.Fatal(err)
	}
	if !notes {
		// as above
	} else if err := os.WriteFile(filepath.Join(dir, "notes.csv"), []byte("photo,marble,specimen,note\npale/tray-02.jpg,1,The big one,from the attic\npale/tray-04.jpg,2,The big one,\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	want, took := uninterrupted(t, dir, false)
	points := 8
	if testing.Short() {
		points = 5
	}
	r := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 0))
	atWork, pace := 0, 1.05
	for i := range points {
		// Spread over the run, and a little after it.
		share := (float64(i) + r.Float64()) / float64(points)
		if killed(t, dir, want, false, time.Duration(pace*share*float64(took))) {
			atWork++
		} else {
			pace *= 0.8 // the run that was timed had more to wait for
		}
	}
	t.Logf("%d of %d children were killed at work; a whole run takes %v", atWork, points, took)
	if atWork < points/2 {
		t.Errorf("only %d of %d children were still at work when they were killed", atWork, points)
	}
}

func TestKilledWhileMeasuring(t *testing.T) {
	if testing.Short() {
		t.Skip("measures photos")
	}
	dir := t.TempDir()
	for _, name := range []string{"references/clear-twin-ribbon/clear-twin-ribbon-1.jpg", "references/opaque-white-swirl/opaque-white-swirl-1.jpg", "references/tinted-white-ribbon/tinted-white-ribbon-1.jpg"} {
		data, err := os.ReadFile(filepath.Join("../../samples/photos", filepath.FromSlash(name)))
		if err != nil {
			t.Fatal(err)
		}
		to := filepath.Join(dir, filepath.Base(filepath.Dir(name)), filepath.Base(name))
		if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, took := uninterrupted(t, dir, true)
	for _, share := range []float64{0.3, 0.6, 0.85} {
		killed(t, dir, want, true, time.Duration(share*float64(took)))
	}
}
