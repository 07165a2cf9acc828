package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tawsight/internal/collection"
)

func TestGuideWrongUsage(t *testing.T) {
	t.Setenv("TAWSIGHT_COLLECTION", "")
	dir := t.TempDir()
	refs, file, out := filepath.Join(dir, "sets"), filepath.Join(dir, "file.txt"), filepath.Join(dir, "out")
	latin, long := filepath.Join(dir, "latin.txt"), filepath.Join(dir, "long.txt")
	if err := os.MkdirAll(filepath.Join(refs, "jar"), 0o777); err != nil {
		t.Fatal(err)
	}
	for path, text := range map[string]string{file: "words", latin: "Ren\xe9", long: strings.Repeat("word ", 5000)} {
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	none := filepath.Join(dir, "none"+collection.Ext)
	for name, c := range map[string]struct {
		args   []string
		status int
		says   string
	}{
		"no out":               {[]string{"--references", refs}, 2, "--out"},
		"out a file":           {[]string{"--references", refs, "--out", file}, 2, "is a file"},
		"references a file":    {[]string{"--references", file, "--out", out}, 2, "is a file"},
		"empty references":     {[]string{"--references", refs, "--out", out}, 2, "sub-folder"},
		"both":                 {[]string{"--references", refs, "--collection", none, "--out", out}, 2, "not both"},
		"mine of a collection": {[]string{"--collection", none, "--mine", "--out", out}, 2, "--references"},
		"no collection":        {[]string{"--collection", none, "--out", out}, 2, "none" + collection.Ext},
		"not a collection":     {[]string{"--collection", file, "--out", out}, 1, "file.txt"},
		"missing about":        {[]string{"--references", refs, "--about", filepath.Join(dir, "nosuch.txt"), "--out", out}, 2, "nosuch.txt"},
		"about not in UTF-8":   {[]string{"--references", refs, "--about", latin, "--out", out}, 2, "UTF-8"},
		"about too long":       {[]string{"--references", refs, "--about", long, "--out", out}, 2, "shorter"},
		"since no edition":     {[]string{"--references", refs, "--since", file, "--out", out}, 1, "no edition"},
	} {
		t.Run(name, func(t *testing.T) {
			status, _, stderr := tawsight(t, append([]string{"guide"}, c.args...)...)
			if status != c.status || !strings.Contains(stderr, c.says) {
				t.Errorf("exit status %d, %q does not say %q", status, stderr, c.says)
			}
			if _, err := os.Stat(out); !os.IsNotExist(err) {
				t.Error("something was written")
			}
		})
	}
}

// A guide from labelled photos: nothing is shown until somebody says whose they
// are; one broken photo does not stop it (exit status 3).
func TestGuideOfFolders(t *testing.T) {
	dir := t.TempDir()
	refs, out := filepath.Join(dir, "sets"), filepath.Join(dir, "out")
	for _, set := range []string{"clear-wide-ribbon", "opaque-white-swirl"} {
		name := filepath.Join(set, set+"-1.jpg")
		data, err := os.ReadFile(filepath.Join("../../samples/photos/references", name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.MkdirAll(filepath.Join(refs, set), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(refs, name), data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	status, stdout, stderr := tawsight(t, "guide", "--references", refs, "--out", out)
	if status != 0 || !strings.Contains(stdout, "Edition 1: 2 sets") || !strings.Contains(stdout, " 0 shown") || !strings.Contains(stderr, "--mine") {
		t.Fatalf("exit status %d, %q %q", status, stdout, stderr)
	}
	if pictures, err := os.ReadDir(filepath.Join(out, "pictures")); err == nil && len(pictures) > 0 {
		t.Errorf("%d pictures without permission", len(pictures))
	}
	// A marble less, by a photo that can't be read.
	if err := os.WriteFile(filepath.Join(refs, "clear-wide-ribbon", "broken.jpg"), []byte{0xff, 0xd8, 0xff}, 0o666); err != nil {
		t.Fatal(err)
	}
	status, stdout, stderr = tawsight(t, "guide", "--references", refs, "--out", out, "--mine", "--credit", "Ada", "--by", "Ada", "--title", "My two")
	if status != 3 || !strings.Contains(stderr, "broken.jpg") || !strings.Contains(stdout, "Edition 1: 2 sets") || strings.Contains(stdout, " 0 shown") {
		t.Fatalf("exit status %d, %q %q", status, stdout, stderr)
	}
	for _, name := range []string{"index.html", "guide.pdf", "edition.json", "set-clear-wide-ribbon.html", "pictures/opaque-white-swirl-001.jpg"} {
		if _, err := os.Stat(filepath.Join(out, name)); err != nil {
			t.Error(err)
		}
	}
	// A folder is renamed: the same set under another name, in a second edition.
	if err := os.Rename(filepath.Join(refs, "clear-wide-ribbon"), filepath.Join(refs, "window-jar")); err != nil {
		t.Fatal(err)
	}
	status, stdout, _ = tawsight(t, "guide", "--references", refs, "--out", out, "--mine")
	if status != 3 || !strings.Contains(stdout, "Edition 2") || !strings.Contains(stdout, "Renamed: clear-wide-ribbon is now called window-jar.") || strings.Contains(stdout, "gone from") {
		t.Errorf("exit status %d, %q", status, stdout)
	}
	if _, err := os.Stat(filepath.Join(out, "set-clear-wide-ribbon.html")); err == nil {
		t.Error("the page under the earlier name is still there")
	}
}
