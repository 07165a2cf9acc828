package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tawsight/calib"
	"tawsight/samples/cardshots"
)

func TestCameraRefuses(t *testing.T) {
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	broken := filepath.Join(t.TempDir(), "broken.jpg")
	if err := os.WriteFile(broken, []byte("\xff\xd8\xff"), 0o666); err != nil {
		t.Fatal(err)
	}
	const tray, noCard = "../../samples/photos/tray/tray-1.jpg", "../../samples/photos/poor/no-card.jpg"
	for _, c := range []struct {
		name     string
		args     []string
		status   int
		out, err string
	}{
		{"nothing named", nil, 2, "", "name the photos"},
		{"photos and --list", []string{"--list", tray}, 2, "", "--list"},
		{"not there", []string{"nosuch.jpg"}, 2, "", "nosuch.jpg"},
		{"a folder without photos", []string{t.TempDir()}, 2, "", "no photos"},
		{"no card in any", []string{noCard}, 1, "What would help", "the card was found in none"},
		{"one photo", []string{tray}, 1, "What would help: more photos", "1 usable photos"},
		{"one photo and a broken one", []string{tray, broken}, 1, "1 photo of the card count", "broken.jpg"},
		{"none to list", []string{"--list"}, 0, "No camera profiles", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			status, stdout, stderr := tawsight(t, append([]string{"camera"}, c.args...)...)
			if status != c.status || !strings.Contains(stdout, c.out) || !strings.Contains(stderr, c.err) {
				t.Errorf("exit status %d, want %d\n%s\n%s", status, c.status, stdout, stderr)
			}
		})
	}
}

// From a set of photos to a profile that is listed, used, named in the results,
// switched off, and replaced without being lost.
func TestCamera(t *testing.T) {
	if testing.Short() {
		t.Skip("makes and reads a set of photos")
	}
	config := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", config)
	const w, h = 640, 480
	photos := t.TempDir()
	set := cardshots.Set{W: w, H: h, N: 9, Tilts: []float64{0, 30, 35}, Corners: 1, Tags: cardshots.Tags("C2", 27), Seed: 5,
		Lens: calib.Lens{FocalPX: 480, CxPX: 321, CyPX: 238, K1: -0.03, MidX: (w - 1) / 2.0, MidY: (h - 1) / 2.0}}
	if _, err := set.Write(photos); err != nil {
		t.Fatal(err)
	}
	broken := filepath.Join(photos, "torn.jpg")
	if err := os.WriteFile(broken, []byte("\xff\xd8\xff"), 0o666); err != nil {
		t.Fatal(err)
	}
	status, stdout, stderr := tawsight(t, "camera", photos, "--name", "the old compact")
	if status != 3 || !strings.Contains(stderr, "torn.jpg") || !strings.Contains(stdout, "Profile of the old compact [") || !strings.Contains(stdout, "| . ") {
		t.Fatalf("exit status %d\n%s\n%s", status, stdout, stderr)
	}
	t.Log(stdout)
	files, _ := filepath.Glob(filepath.Join(config, "tawsight", "cameras", "*"))
	if len(files) != 1 {
		t.Fatalf("files: %v", files)
	}
	status, stdout, _ = tawsight(t, "camera", "--list")
	if status != 0 || !strings.Contains(stdout, "the old compact") || !strings.Contains(stdout, files[0]) || !strings.Contains(stdout, "4:3") {
		t.Errorf("exit status %d\n%s", status, stdout)
	}
	photo := filepath.Join(photos, "card-02.jpg")
	measured := func(args ...string) string {
		out := t.TempDir()
		if status, _, stderr := tawsight(t, append([]string{"measure", photo, "--out", out}, args...)...); status != 0 {
			t.Fatalf("exit status %d\n%s", status, stderr)
		}
		line, err := os.ReadFile(filepath.Join(out, "photos.jsonl"))
		if err != nil {
			t.Fatal(err)
		}
		return string(line)
	}
	if l := measured(); !strings.Contains(l, `"camera_profile":"the old compact [`) {
		t.Error(l)
	}
	if l := measured("--no-camera-profile"); strings.Contains(l, "camera_profile") {
		t.Error(l)
	}
	if _, stdout, _ := tawsight(t, "check", "--json", photo); !strings.Contains(stdout, `"camera_profile":"the old compact [`) {
		t.Error(stdout)
	}

	// Again: the earlier one is kept and named.
	if status, stdout, _ = tawsight(t, "camera", photos); status != 3 || !strings.Contains(stdout, "was there before is now "+files[0]) {
		t.Errorf("exit status %d\n%s", status, stdout)
	}
	// To a file of the user's: left alone.
	mine := filepath.Join(t.TempDir(), "mine.json")
	if err := os.WriteFile(mine, []byte("{}"), 0o666); err != nil {
		t.Fatal(err)
	}
	if status, _, stderr := tawsight(t, "camera", photos, "--out", mine); status != 2 || !strings.Contains(stderr, "left as it is") {
		t.Errorf("exit status %d\n%s", status, stderr)
	}
	// A damaged profile is passed over, and said.
	if err := os.WriteFile(files[0], []byte("{"), 0o666); err != nil {
		t.Fatal(err)
	}
	if status, _, stderr := tawsight(t, "check", photo); status != 0 || !strings.Contains(stderr, "passed over") {
		t.Errorf("exit status %d\n%s", status, stderr)
	}
	if status, _, stderr := tawsight(t, "camera", "--list"); status != 3 || !strings.Contains(stderr, files[0]) {
		t.Errorf("exit status %d\n%s", status, stderr)
	}
}
