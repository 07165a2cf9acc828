package intake

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"tawsight/internal/collection"
	"tawsight/internal/pipeline"
	"tawsight/internal/record"
)

// filled is a folder of n files of their own content.
func filled(t *testing.T, n int) string {
	t.Helper()
	dir := t.TempDir()
	for i := range n {
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("IMG_%05d.jpg", i)), fmt.Append(nil, i), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// refusing measures nothing: every file is told as unreadable.
func refusing(_ context.Context, path string, _ float64, _ pipeline.RulerOptions) (pipeline.Single, error) {
	return pipeline.Single{Photo: record.Photo{Path: path, Error: "not a photo"}}, nil
}

// A folder of ten thousand files goes into an intake at once; a run that is stopped
// among them leaves each of them done or waiting, in order.
func TestTenThousandFiles(t *testing.T) {
	const n, stopAt = 10000, 50
	in, dir := made(t), filled(t, n)
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	in.o.Workers = 1
	turns := 0
	in.o.measure = func(ctx context.Context, path string, bar float64, by pipeline.RulerOptions) (pipeline.Single, error) {
		if turns++; turns > stopAt {
			stop()
		}
		return refusing(ctx, path, bar, by)
	}
	i, err := in.AddFolder(ctx, "Ada", []string{dir}, By{})
	if err != nil || i.Total() != n {
		t.Fatalf("%d in the intake, %v; want %d", i.Total(), err, n)
	}
	if err := in.Run(ctx); !errors.Is(err, context.Canceled) {
		t.Fatalf("the run ended with %v", err)
	}
	files, err := in.c.IntakeFiles(context.Background(), i.ID)
	if err != nil || len(files) != n {
		t.Fatalf("%d files, %v; want %d", len(files), err, n)
	}
	for k, f := range files {
		want := collection.Waiting
		if k < stopAt {
			want = collection.Failed
		}
		if f.Name != fmt.Sprintf("IMG_%05d.jpg", k) || f.State != want || (f.Reason != "") != (k < stopAt) {
			t.Fatalf("number %d is %s, %s %q; want %s", k, f.Name, f.State, f.Reason, want)
		}
	}
}

// Files that vanish between being listed and being read are named as gone, and can be
// added again; the others are not touched by it.
func TestFilesVanish(t *testing.T) {
	in, ctx, dir := made(t), context.Background(), filled(t, 6)
	in.o.Workers = 1
	turns := 0
	in.o.measure = func(ctx context.Context, path string, bar float64, by pipeline.RulerOptions) (pipeline.Single, error) {
		if turns++; turns == 1 {
			for _, k := range []int{3, 5} {
				if err := os.Remove(filepath.Join(dir, fmt.Sprintf("IMG_%05d.jpg", k))); err != nil {
					t.Error(err)
				}
			}
		}
		return refusing(ctx, path, bar, by)
	}
	i, err := in.AddFolder(ctx, "Ada", []string{dir}, By{})
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(dir, "IMG_00000.jpg")); err != nil { // before its turn comes
		t.Fatal(err)
	}
	if err := in.Run(ctx); err != nil {
		t.Fatal(err)
	}
	files, err := in.c.IntakeFiles(ctx, i.ID)
	if err != nil || len(files) != 6 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, f := range files {
		gone := f.Name == "IMG_00000.jpg" || f.Name == "IMG_00003.jpg" || f.Name == "IMG_00005.jpg"
		if f.State != collection.Failed || strings.Contains(f.Reason, "no longer there: add it again") != gone {
			t.Errorf("%s: %s %q", f.Name, f.State, f.Reason)
		}
	}
}

// Ten times as many files in one folder take ten times as long, not a hundred times:
// what a file costs must not grow with those around it. It is compared within one
// run, by processor time, which other work on the machine hardly changes.
func TestFilesCostTheSameInLargeFolders(t *testing.T) {
	cost := func(n int) time.Duration {
		in, dir := made(t), filled(t, n)
		in.o.Workers, in.o.measure = 1, refusing
		if _, err := in.AddFolder(context.Background(), "Ada", []string{dir}, By{}); err != nil {
			t.Fatal(err)
		}
		before := computing(t)
		ctx, stop := context.WithCancel(context.Background())
		defer stop()
		turns := 0
		const measured = 200 // of them, since the others would only make it last
		in.o.measure = func(c context.Context, path string, bar float64, by pipeline.RulerOptions) (pipeline.Single, error) {
			if turns++; turns > measured {
				stop()
			}
			return refusing(c, path, bar, by)
		}
		if err := in.Run(ctx); !errors.Is(err, context.Canceled) {
			t.Fatalf("the run ended with %v", err)
		}
		return (computing(t) - before) / measured
	}
	cost(500) // so that what is done once is done
	few, many := cost(500), cost(5000)
	t.Logf("a file of 500 takes %v of computing, of 5,000 %v", few, many)
	if many > 3*few {
		t.Errorf("a file of 5,000 takes %v of computing, one of 500 %v", many, few)
	}
}

// computing is the processor time that this process has used.
func computing(t *testing.T) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// Names with spaces, line ends, dashes and bytes that are no text; a link to itself,
// one to nothing and one up: each photo is in the intake once, by its own name, is
// found again at its path, and comes out of the collection and in again.
func TestOddNames(t *testing.T) {
	in, ctx, dir := made(t), context.Background(), t.TempDir()
	names := []string{"a photo.jpg", "line\nend.jpg", "-v.jpg", "--out.jpg", `quo"te,comma.jpg`, "caf\xe9.jpg", "\xff\xfe.jpg", `back\slash.jpg`, "sub\xe9/x.jpg", "<b>.jpg", "'; DROP TABLE photo.jpg"}
	for _, n := range names {
		path := filepath.Join(dir, n)
		err := os.MkdirAll(filepath.Dir(path), 0o777)
		if err == nil {
			err = os.WriteFile(path, []byte(n), 0o666)
		}
		if err != nil {
			t.Skipf("this file system takes no such names: %v", err)
		}
	}
	for link, to := range map[string]string{"loop.jpg": "loop.jpg", "gone.jpg": "nowhere.jpg", "up": "."} {
		if err := os.Symlink(to, filepath.Join(dir, link)); err != nil {
			t.Fatal(err)
		}
	}
	in.o.measure = madeUp
	i, err := in.AddFolder(ctx, "Ada", []string{dir}, By{})
	if err == nil {
		err = in.Run(ctx)
	}
	if err != nil {
		t.Fatal(err)
	}
	files, err := in.c.IntakeFiles(ctx, i.ID)
	if err != nil || len(files) != len(names)+2 {
		t.Fatalf("%d files, %v; want %d", len(files), err, len(names)+2)
	}
	seen := map[string]bool{}
	for _, f := range files {
		seen[f.Name] = true
		link := f.Name == "loop.jpg" || f.Name == "gone.jpg"
		if (f.State == collection.Failed) != link || (f.Reason != "") != link || f.Path != filepath.Join(dir, f.Name) {
			t.Errorf("%q at %q: %s, %q", f.Name, f.Path, f.State, f.Reason)
		}
	}
	for _, n := range names {
		if !seen[n] {
			t.Errorf("%q is not in the intake", n)
		}
	}
	var b bytes.Buffer
	if err := in.c.Export(ctx, &b, collection.ExportOptions{}); err != nil {
		t.Fatal(err)
	}
	other := made(t)
	if _, err := other.c.Import(ctx, &b); err != nil {
		t.Fatal(err)
	}
	if a, b := contents(t, in.c), contents(t, other.c); a != b {
		t.Errorf("out and in again it is\n%q\nwas\n%q", b, a)
	}
	// Added again from the same places, all are known.
	i, err = other.AddFolder(ctx, "Ada", []string{dir}, By{})
	if err == nil {
		err = other.Run(ctx)
	}
	if err == nil {
		i, err = other.c.Intake(ctx, i.ID)
	}
	if err != nil || i.Files[collection.Known] != len(names) {
		t.Errorf("added again: %v, %v", i.Files, err)
	}
}

// Two files of one content that are measured at the same moment are one photo: the
// second is known by then.
func TestDoublesMeasuredAtOnce(t *testing.T) {
	in, ctx, dir := made(t), context.Background(), t.TempDir()
	for _, n := range []string{"a.jpg", "b.jpg"} {
		if err := os.WriteFile(filepath.Join(dir, n), []byte("one photo"), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	in.o.Workers = 2
	var both sync.WaitGroup
	both.Add(2)
	in.o.measure = func(ctx context.Context, path string, bar float64, by pipeline.RulerOptions) (pipeline.Single, error) {
		both.Done()
		both.Wait()
		return madeUp(ctx, path, bar, by)
	}
	i, err := in.AddFolder(ctx, "Ada", []string{dir}, By{})
	if err == nil {
		err = in.Run(ctx)
	}
	if err == nil {
		i, err = in.c.Intake(ctx, i.ID)
	}
	if err != nil || i.Files[collection.FileDone] != 1 || i.Files[collection.Known] != 1 {
		t.Errorf("%v, %v; want one measured and one known", i.Files, err)
	}
}
