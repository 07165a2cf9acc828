package main

import (
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
	"syscall"
	"testing"
	"time"

	"tawsight/internal/bundle"
)

var kills = flag.Int("kills", 4, "how many times each of measure and bundle is killed")

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

// A run that is killed at any moment leaves files that are whole or not there, and
// the next run ends as if nothing had been.
func TestKilledWhileMeasuring(t *testing.T) {
	photos := smallPhotos(t, 8)
	if tray, err := os.ReadFile("../../samples/photos/tray/tray-1.jpg"); *kills > 20 && err == nil {
		if err := os.WriteFile(filepath.Join(photos, "a set", "tray.jpg"), tray, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	whole := filepath.Join(t.TempDir(), "whole")
	start := time.Now()
	if out, err := itself("measure", photos, "--out", whole, "--workers", "2").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	took := time.Since(start)
	want, _ := contentsOf(t, whole)
	atWork := 0
	for range *kills {
		out := filepath.Join(t.TempDir(), "out")
		c := itself("measure", photos, "--out", out, "--workers", "2")
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		after := time.Duration(rand.Float64() * 1.1 * float64(took))
		timer := time.AfterFunc(after, func() { _ = c.Process.Signal(syscall.SIGKILL) })
		if c.Wait() != nil {
			atWork++
		}
		timer.Stop()
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
		if msg, err := itself("measure", photos, "--out", out, "--workers", "1").CombinedOutput(); err != nil {
			t.Fatalf("the run after it: %v: %s", err, msg)
		}
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
	}
	t.Logf("%d of %d were killed at work", atWork, *kills)
}

// A bundle is there whole or not at all.
func TestKilledWhilePacking(t *testing.T) {
	if testing.Short() || *kills < 20 {
		t.Skip("a long one: go test -run TestKilledWhilePacking -kills 50 ./cmd/tawsight")
	}
	photos := "../../samples/photos/references"
	start := time.Now()
	if out, err := itself("bundle", photos, "--out", filepath.Join(t.TempDir(), "whole.zip")).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	took := time.Since(start)
	for range *kills {
		out := filepath.Join(t.TempDir(), "b.zip")
		c := itself("bundle", photos, "--out", out)
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		timer := time.AfterFunc(time.Duration((0.8+0.25*rand.Float64())*float64(took)), func() { _ = c.Process.Kill() })
		_ = c.Wait()
		timer.Stop()
		if _, err := os.Stat(out); err != nil {
			continue
		}
		b, err := bundle.Open(out)
		if err != nil {
			t.Errorf("half a bundle was left: %v", err)
			continue
		}
		b.Close()
	}
}

// asCommand is what the test binary does when it stands for the program.
func asCommand() {
	if args := os.Getenv(commandEnv); args != "" {
		os.Exit(run(context.Background(), strings.Split(args, "\n"), os.Stdout, os.Stderr))
	}
}
