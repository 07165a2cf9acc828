package main

import (
	"image"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tawsight/internal/pipeline"
	"tawsight/internal/worker"
)

func TestCompareWrongUsage(t *testing.T) {
	dir := t.TempDir()
	photo := filepath.Join(dir, "photo.png")
	refs := filepath.Join(dir, "sets")
	out := filepath.Join(dir, "out")
	if err := os.WriteFile(photo, asPNG(t, paper(image.NewGray(image.Rect(0, 0, 300, 200)))), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(refs, "jar"), 0o777); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		args []string
		says string
	}{
		"no photo":          {[]string{"--references", refs}, "photo"},
		"no references":     {[]string{photo}, "--references"},
		"missing photo":     {[]string{filepath.Join(dir, "nosuch.jpg"), "--references", refs}, "nosuch.jpg"},
		"a folder":          {[]string{dir, "--references", refs}, "is a folder"},
		"references a file": {[]string{photo, "--references", photo}, "is a file"},
		"empty references":  {[]string{photo, "--references", refs, "--out", out}, "sub-folder"},
		"marble zero":       {[]string{photo, "--references", refs, "--marble", "0"}, "--marble"},
		"marble no number":  {[]string{photo, "--references", refs, "--marble", "two"}, "two"},
		"out a file":        {[]string{photo, "--references", refs, "--out", photo}, "is a file"},
	} {
		t.Run(name, func(t *testing.T) {
			status, _, stderr := tawsight(t, append([]string{"compare"}, c.args...)...)
			if status != 2 || !strings.Contains(stderr, c.says) {
				t.Errorf("exit status %d, %q does not say %q", status, stderr, c.says)
			}
			if _, err := os.Stat(out); !os.IsNotExist(err) {
				t.Error("something was written")
			}
		})
	}
}

// A photo without marbles is no failure (exit status 0): no plate, and why. One
// that can't be read is (3). A number that the photo lacks is wrong usage (2).
func TestCompareWithoutAPlate(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("XDG_CACHE_HOME", dir)
	const samplePhotos = "../../samples/photos"
	refs := filepath.Join(samplePhotos, "references")
	empty, broken := filepath.Join(dir, "empty.png"), filepath.Join(dir, "broken.jpg")
	if err := os.WriteFile(empty, asPNG(t, paper(image.NewRGBA(image.Rect(0, 0, 900, 600)))), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(broken, []byte{0xff, 0xd8, 0xff}, 0o666); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(dir, "out")
	for _, c := range []struct {
		args   []string
		status int
		says   string
	}{
		{[]string{empty}, 0, "No marble was found"},
		{[]string{broken}, 3, "could not be read"},
		{[]string{filepath.Join(samplePhotos, "tray", "tray-1.jpg"), "--marble", "99"}, 2, "--marble is 99"},
	} {
		status, stdout, stderr := tawsight(t, append([]string{"compare", "--references", refs, "--out", out}, c.args...)...)
		if status != c.status || !strings.Contains(stdout+stderr, c.says) {
			t.Errorf("%v: exit status %d, %q %q", c.args, status, stdout, stderr)
		}
		if _, err := os.Stat(out); !os.IsNotExist(err) {
			t.Errorf("%v: something was written", c.args)
		}
	}
}

// TestMain keeps the tests out of the user's own cache.
func TestMain(m *testing.M) {
	if worker.Is() || os.Getenv(commandEnv) != "" {
		pipeline.Isolate()
		asCommand()
	}
	dir, err := os.MkdirTemp("", "tawsight-cache")
	if err == nil {
		err = os.Setenv("XDG_CACHE_HOME", dir)
	}
	if err != nil {
		panic(err)
	}
	status := m.Run()
	os.RemoveAll(dir)
	os.Exit(status)
}
