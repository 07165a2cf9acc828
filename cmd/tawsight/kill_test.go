package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"image"
	"image/jpeg"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tawsight/internal/bundle"
	"tawsight/internal/collection"
)

var kills = flag.Int("kills", 4, "how many times each of measure, import and bundle is killed")

// commandEnv makes the test binary the program itself, its arguments those of the
// variable, one a line.
const commandEnv = "TAWSIGHT_TEST_COMMAND"

// itself is the program with some arguments, as another process.
func itself(args ...string) *exec.Cmd {
	c := exec.Command(os.Args[0])
	c.Env = append(os.Environ(), commandEnv+"="+strings.Join(args, "\n"))
	return c
}

// smallPhotos is a folder of n photos that are measured in a moment.
func smallPhotos(t *testing.T, n int) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "photos", "a set")
	if err := os.MkdirAll(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	for i := range n {
		img := image.NewGray(image.Rect(0, 0, 160, 120))
		for k := range img.Pix {
			img.Pix[k] = byte(180 + 5*i + k%160/8)
		}
		f, err := os.Create(filepath.Join(dir, string(rune('a'+i))+".jpg"))
		if err == nil {
			err = jpeg.Encode(f, img, nil)
		}
		if err == nil {
			err = f.Close()
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Dir(dir)
}

// contentsOf are a folder's files by their paths below it, records without times;
// temporary files that a killed run left are counted apart.
func contentsOf(t *testing.T, dir string) (files map[string]string, left int) {
	t.Helper()
	files = map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(path)
		rel, _ := filepath.Rel(dir, path)
		switch {
		case strings.HasSuffix(path, ".tmp"):
			left++
			return err
		case filepath.Ext(path) == ".jsonl":
			var b strings.Builder
			for line := range strings.Lines(string(data)) {
				var m map[string]any
				if err := json.Unmarshal([]byte(line), &m); err != nil {
					t.Errorf("%s is not whole: %v", rel, err)
				}
				delete(m, "seconds")
				text, _ := json.Marshal(m)
				b.Write(append(text, '\n'))
			}
			files[rel] = b.String()
		case rel == "photos.csv": // has times in it
			files[rel] = string(rune('0' + strings.Count(string(data), "\n")))
		default:
			files[rel] = string(data)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files, left
}

// inCache gives a command a cache of its own.
func inCache(c *exec.Cmd, dir string) *exec.Cmd {
	c.Env = append(c.Env, "XDG_CACHE_HOME="+dir)
	return c
}

// killedAfter starts a command and kills it after a time; it says whether it was
// still at work.
func killedAfter(t *testing.T, c *exec.Cmd, after time.Duration) bool {
	t.Helper()
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	timer := time.AfterFunc(after, func() { _ = c.Process.Kill() })
	defer timer.Stop()
	return c.Wait() != nil
}

// timed is how long a command takes that must succeed.
func timed(t *testing.T, c *exec.Cmd) time.Duration {
	t.Helper()
	start := time.Now()
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("%v: %v: %s", c.Env[len(c.Env)-1], err, out)
	}
	return time.Since(start)
}

// killings kills as often as is asked for while there is something to kill, at
// moments spread over a run that takes about took: one does what another machine's
// load makes of that. one kills after the time it is given a share of, and says
// whether the command was still at work.
func killings(t *testing.T, took time.Duration, one func(k int, took time.Duration) (atWork bool)) {
	t.Helper()
	atWork, tries := 0, 0
	for ; atWork < *kills && tries < 4**kills; tries++ {
		if one(tries, took) {
			atWork++
			took = took * 21 / 20
		} else {
			took = took * 17 / 20
		}
	}
	t.Logf("%d of %d were killed at work", atWork, tries)
	if atWork < *kills {
		t.Errorf("only %d were killed at work: this proves less than it should", atWork)
	}
}

// A run that is killed at any moment leaves files that are whole or not there, and
// the next run ends as if nothing had been, out of what the killed one remembered.
func TestKilledWhileMeasuring(t *testing.T) {
	photos := smallPhotos(t, 8)
	if tray, err := os.ReadFile("../../samples/photos/tray/tray-1.jpg"); *kills > 100 && err == nil {
		if err := os.WriteFile(filepath.Join(photos, "a set", "tray.jpg"), tray, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	whole := filepath.Join(t.TempDir(), "whole")
	took := timed(t, inCache(itself("measure", photos, "--out", whole, "--workers", "2"), t.TempDir()))
	want, _ := contentsOf(t, whole)
	killings(t, took, func(_ int, took time.Duration) bool {
		cache, out := t.TempDir(), filepath.Join(t.TempDir(), "out")
		after := time.Duration(rand.Float64() * 1.05 * float64(took))
		atWork := killedAfter(t, inCache(itself("measure", photos, "--out", out, "--workers", "2"), cache), after)
		if _, err := os.Stat(out); err == nil {
			got, left := contentsOf(t, out)
			for name, data := range got {
				if want[name] != data && name != ".tawsight-probe" {
					t.Errorf("killed after %v: %s is not whole", after, name)
				}
			}
			if left > 2 {
				t.Errorf("killed after %v: %d temporary files are left", after, left)
			}
		}
		timed(t, inCache(itself("measure", photos, "--out", out, "--workers", "1"), cache))
		got, _ := contentsOf(t, out)
		delete(got, ".tawsight-probe")
		for name := range want {
			if got[name] != want[name] {
				t.Errorf("killed after %v: the next run's %s differs", after, name)
			}
		}
		if len(got) != len(want) {
			t.Errorf("killed after %v: %d files after the next run, want %d", after, len(got), len(want))
		}
		return atWork
	})
}

// A killed import leaves a collection that is whole, with all of the file in it or
// nothing; done again, it holds what the file says, byte for byte.
func TestKilledWhileImporting(t *testing.T) {
	if testing.Short() || *kills < 20 {
		t.Skip("a long one: go test -run TestKilledWhileImporting -kills 50 ./cmd/tawsight")
	}
	ctx, dir := context.Background(), t.TempDir()
	first, file := filepath.Join(dir, "first.tawsight"), filepath.Join(dir, "first.jsonl")
	timed(t, itself("add", "../../samples/photos/tray", "--collection", first, "--as", "Ada"))
	timed(t, itself("export", "--collection", first, "--out", file))
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	took := timed(t, itself("import", file, "--collection", filepath.Join(dir, "timed.tawsight")))
	held := 0
	killings(t, took, func(_ int, took time.Duration) bool {
		at := filepath.Join(t.TempDir(), "second.tawsight")
		after := time.Duration(rand.Float64() * 1.05 * float64(took))
		atWork := killedAfter(t, itself("import", file, "--collection", at), after)
		if _, err := os.Stat(at); err == nil {
			c, err := collection.Open(ctx, at)
			if err != nil {
				t.Fatalf("killed after %v: %v", after, err)
			}
			if faults, err := c.Check(ctx); err != nil || len(faults) > 0 {
				t.Errorf("killed after %v: the collection is not whole: %v, %v", after, faults, err)
			}
			n, err := c.Counts(ctx)
			if err != nil || n.Photos != 0 && n.Photos != 6 {
				t.Errorf("killed after %v: %d of 6 photos, %v", after, n.Photos, err)
			}
			if n.Photos > 0 {
				held++
			}
			c.Close()
		}
		timed(t, itself("import", file, "--collection", at))
		out := filepath.Join(filepath.Dir(at), "again.jsonl")
		timed(t, itself("export", "--collection", at, "--out", out))
		if got, err := os.ReadFile(out); err != nil || !bytes.Equal(got, want) {
			t.Errorf("killed after %v: done again, the collection says something else (%d bytes, want %d; %v)", after, len(got), len(want), err)
		}
		return atWork
	})
	t.Logf("%d held the whole file after the kill", held)
}

// A bundle is there whole or not at all, and packed again it is what it would have
// been.
func TestKilledWhilePacking(t *testing.T) {
	if testing.Short() || *kills < 20 {
		t.Skip("a long one: go test -run TestKilledWhilePacking -kills 50 ./cmd/tawsight")
	}
	photos := t.TempDir()
	sets, err := filepath.Glob("../../samples/photos/references/*/*.jpg")
	if err != nil || len(sets) == 0 {
		t.Fatal("no labelled samples", err)
	}
	packed := map[string]int{}
	for _, from := range sets {
		set := filepath.Base(filepath.Dir(from))
		if packed[set]++; packed[set] > 1 || len(packed) > 3 {
			continue // one of each of three: many kills are worth more than many photos
		}
		data, err := os.ReadFile(from)
		if err == nil {
			err = os.MkdirAll(filepath.Join(photos, set), 0o777)
		}
		if err == nil {
			err = os.WriteFile(filepath.Join(photos, set, filepath.Base(from)), data, 0o666)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	whole := filepath.Join(t.TempDir(), "whole.zip")
	took := timed(t, inCache(itself("bundle", photos, "--out", whole), t.TempDir()))
	want, err := os.ReadFile(whole)
	if err != nil {
		t.Fatal(err)
	}
	killings(t, took, func(k int, took time.Duration) bool {
		dir, cache := t.TempDir(), t.TempDir()
		out := filepath.Join(dir, "b.zip")
		// Half of them while it writes, which it does at its end.
		share := rand.Float64()
		if k%2 == 0 {
			share = 0.8 + 0.25*share
		}
		after := time.Duration(share * float64(took))
		atWork := killedAfter(t, inCache(itself("bundle", photos, "--out", out), cache), after)
		if got, err := os.ReadFile(out); err == nil {
			if !bytes.Equal(got, want) {
				t.Errorf("killed after %v: half a bundle was left", after)
			}
			return atWork
		}
		timed(t, inCache(itself("bundle", photos, "--out", out), cache))
		if got, err := os.ReadFile(out); err != nil || !bytes.Equal(got, want) {
			t.Errorf("killed after %v: packed again, it is another bundle (%v)", after, err)
		}
		if b, err := bundle.Open(out); err != nil {
			t.Errorf("killed after %v: packed again, it can't be opened: %v", after, err)
		} else {
			b.Close()
		}
		return atWork
	})
}

// asCommand is what the test binary does when it stands for the program.
func asCommand() {
	if args := os.Getenv(commandEnv); args != "" {
		os.Exit(run(context.Background(), strings.Split(args, "\n"), os.Stdout, os.Stderr))
	}
}
