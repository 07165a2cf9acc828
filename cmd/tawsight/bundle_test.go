package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// From one collector to another by the command line: pack, check, unpack,
// compare.
func TestBundleCommand(t *testing.T) {
	work := t.TempDir()
	refs, file := filepath.Join(work, "refs"), filepath.Join(work, "ours.zip")
	for _, set := range []string{"clear-wide-ribbon", "opaque-white-swirl"} {
		name := set + "-1.jpg"
		data, err := os.ReadFile(filepath.Join("../../samples/photos/references", set, name))
		if err != nil {
			t.Fatal(err)
		}
		os.MkdirAll(filepath.Join(refs, set), 0o777)
		if err := os.WriteFile(filepath.Join(refs, set, name), data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	// Of one nothing is said, so its pictures stay at home, and it is named.
	notes := "photo,credit,permission\nopaque-white-swirl/opaque-white-swirl-1.jpg,Niece,own\n"
	if err := os.WriteFile(filepath.Join(refs, "notes.csv"), []byte(notes), 0o666); err != nil {
		t.Fatal(err)
	}
	status, stdout, stderr := tawsight(t, "bundle", refs, "--out", file, "--photos")
	if status != 0 || !strings.Contains(stdout, "2 sets, 2 photos, ") || !strings.Contains(stdout, "Bundle: "+file) {
		t.Fatalf("exit status %d, %q, %q", status, stdout, stderr)
	}
	if !strings.Contains(stderr, "clear-wide-ribbon/clear-wide-ribbon-1.jpg: permission not said") || strings.Contains(stderr, "opaque-white") || !strings.Contains(stderr, "--mine") {
		t.Errorf("who is kept at home is not told: %q", stderr)
	}
	status, stdout, _ = tawsight(t, "bundle", "--check", file)
	if status != 0 || !strings.Contains(stdout, "ours.zip: whole and sound") || !strings.Contains(stdout, "Niece") || !strings.Contains(stdout, "withheld") || !strings.Contains(stdout, "1 of 2 photos") {
		t.Errorf("exit status %d:\n%s", status, stdout)
	}
	into := filepath.Join(work, "into")
	status, stdout, stderr = tawsight(t, "bundle", "--unpack", file, "--into", into)
	if status != 0 || !strings.Contains(stdout, "1 photo unpacked") || !strings.Contains(stdout, filepath.Join(into, "ours.zip")) {
		t.Errorf("exit status %d, %q, %q", status, stdout, stderr)
	}
	status, stdout, stderr = tawsight(t, "references", into)
	if status != 0 || !strings.Contains(stdout, "clear-wide-ribbon") || !strings.Contains(stdout, "opaque-white-swirl") {
		t.Errorf("exit status %d, %q, %q", status, stdout, stderr)
	}
	out := filepath.Join(work, "out")
	status, _, stderr = tawsight(t, "measure", filepath.Join(refs, "opaque-white-swirl"), "--out", out, "--references", file)
	page, _ := os.ReadFile(filepath.Join(out, "report.html"))
	if status != 0 || !bytes.Contains(page, []byte("Like opaque-white-swirl")) {
		t.Errorf("exit status %d, %q; compared by the bundle: %v", status, stderr, bytes.Contains(page, []byte("Like opaque-white-swirl")))
	}

	// Damaged, it is refused by each command with the same reason, and nothing
	// is written.
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	data[len(data)/2] ^= 1
	bad := filepath.Join(work, "bad.zip")
	if err := os.WriteFile(bad, data, 0o666); err != nil {
		t.Fatal(err)
	}
	fresh := filepath.Join(work, "fresh")
	for _, args := range [][]string{
		{"bundle", "--check", bad},
		{"bundle", "--unpack", bad, "--into", fresh},
		{"references", bad, "--model", fresh},
		{"measure", refs, "--out", fresh, "--references", bad},
	} {
		status, stdout, stderr := tawsight(t, args...)
		if status != 1 || stdout != "" || !strings.Contains(stderr, bad) || !strings.Contains(stderr, "refused") {
			t.Errorf("%v: exit status %d, %q, %q", args, status, stdout, stderr)
		}
		if _, err := os.Lstat(fresh); !os.IsNotExist(err) {
			t.Errorf("%v: something was written", args)
		}
	}
}

func TestBundleWrongUsage(t *testing.T) {
	here := t.TempDir()
	file, notes := filepath.Join(here, "file.zip"), filepath.Join(here, "sets", "notes.csv")
	out := filepath.Join(here, "out.zip")
	os.MkdirAll(filepath.Join(here, "sets", "a"), 0o777)
	os.MkdirAll(filepath.Join(here, "empty"), 0o777)
	for path, text := range map[string]string{file: "x", notes: "photo\na/none.jpg\n", filepath.Join(here, "sets", "a", "a.jpg"): ""} {
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	sets := filepath.Join(here, "sets")
	for name, c := range map[string]struct {
		args []string
		says string
	}{
		"nothing":              {nil, "give one of"},
		"two things":           {[]string{"--check", file, "--unpack", file, "--into", out}, "give one of"},
		"folder alone":         {[]string{sets}, "give one of"},
		"out alone":            {[]string{"--out", out}, "needs the folder"},
		"folder to check":      {[]string{sets, "--check", file}, "needs --out"},
		"unpack nowhere":       {[]string{"--unpack", file}, "belong together"},
		"into from nothing":    {[]string{sets, "--out", out, "--into", here}, "belong together"},
		"unpack into a file":   {[]string{"--unpack", file, "--into", file}, "is a file"},
		"check what is not":    {[]string{"--check", filepath.Join(here, "none.zip")}, "none.zip"},
		"photos in checking":   {[]string{"--check", file, "--photos"}, "--photos"},
		"folder not there":     {[]string{filepath.Join(here, "none"), "--out", out}, "none"},
		"folder a file":        {[]string{file, "--out", out}, "is a file"},
		"over a file":          {[]string{sets, "--out", file}, "is there already"},
		"no sets":              {[]string{filepath.Join(here, "empty"), "--out", out}, "sub-folder"},
		"notes with a slip":    {[]string{sets, "--out", out}, notes + ", line 2"},
		"check bar in inches":  {[]string{sets, "--out", out, "--check-bar-mm", "3.15"}, "3.15"},
		"references not a zip": {[]string{"--check", filepath.Join(here, "x", "y.zip")}, "y.zip"},
	} {
		t.Run(name, func(t *testing.T) {
			status, stdout, stderr := tawsight(t, append([]string{"bundle"}, c.args...)...)
			if status != 2 || stdout != "" || !strings.Contains(stderr, c.says) {
				t.Errorf("exit status %d, %q; want 2 and %q", status, stderr, c.says)
			}
			if _, err := os.Lstat(out); !os.IsNotExist(err) {
				t.Error("something was written")
			}
		})
	}
	if got, _ := os.ReadFile(file); string(got) != "x" {
		t.Error("a file was overwritten")
	}
	// Only unreadable photos: nothing to pack, and no file.
	os.Remove(notes)
	status, _, stderr := tawsight(t, "bundle", sets, "--out", out)
	if _, err := os.Lstat(out); status != 1 || !strings.Contains(stderr, "nothing to pack") || !os.IsNotExist(err) {
		t.Errorf("exit status %d, %q, %v", status, stderr, err)
	}
}
