package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestCheck(t *testing.T) {
	const goodPhoto, blurred, noCard = "../../samples/photos/tray/tray-1.jpg", "../../samples/photos/poor/out-of-focus.jpg", "../../samples/photos/poor/no-card.jpg"
	broken := filepath.Join(t.TempDir(), "broken.jpg")
	if err := os.WriteFile(broken, []byte("\xff\xd8\xff"), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		args   []string
		status int
		out    []string // each on a line of its own, in this order
		err    string
	}{
		{"good", []string{goodPhoto}, 0, []string{"size good, colour good, pattern good"}, ""},
		{"poor, yet 0", []string{blurred}, 0, []string{"pattern unusable; out-of-focus"}, ""},
		{"strict and good", []string{"--strict", goodPhoto}, 0, []string{"pattern good"}, ""},
		{"strict and poor", []string{"--strict", blurred, noCard}, 4, []string{"size unusable", "out-of-focus"}, ""},
		{"unreadable", []string{"--strict", broken, blurred}, 3, []string{"out-of-focus"}, "broken.jpg"},
		{"nothing named", nil, 2, nil, "photos"},
		{"not there", []string{"nosuch.jpg"}, 2, nil, "nosuch.jpg"},
	} {
		t.Run(c.name, func(t *testing.T) {
			status, stdout, stderr := tawsight(t, append([]string{"check"}, c.args...)...)
			if status != c.status {
				t.Errorf("exit status %d, want %d: %s", status, c.status, stderr)
			}
			lines := strings.Split(strings.TrimSpace(stdout), "\n")
			if stdout == "" {
				lines = nil
			}
			if len(lines) != len(c.out) {
				t.Fatalf("%d lines, want %d:\n%s", len(lines), len(c.out), stdout)
			}
			for i, want := range c.out {
				if !strings.Contains(lines[i], want) {
					t.Errorf("line %q does not say %q", lines[i], want)
				}
			}
			if !strings.Contains(stderr, c.err) {
				t.Errorf("standard error %q does not say %q", stderr, c.err)
			}
		})
	}
}

func TestCheckForPrograms(t *testing.T) {
	status, stdout, _ := tawsight(t, "check", "--json", "../../samples/photos/poor/camera-shake.jpg", "../../samples/photos/poor/no-card.jpg")
	if status != 0 {
		t.Fatalf("exit status %d", status)
	}
	lines := strings.Split(strings.TrimSpace(stdout), "\n")
	if len(lines) != 2 {
		t.Fatalf("%d lines", len(lines))
	}
	for i, want := range []string{"camera-shake", "no-card"} {
		var p struct {
			Path    string
			Verdict map[string]string
			Flags   []struct{ Code, Message, Advice string }
		}
		if err := json.Unmarshal([]byte(lines[i]), &p); err != nil {
			t.Fatal(err)
		}
		if len(p.Verdict) != 3 || len(p.Flags) == 0 || p.Flags[0].Code != want || p.Flags[0].Advice == "" {
			t.Errorf("%s: %+v", p.Path, p)
		}
	}
}

func TestCheckLimits(t *testing.T) {
	status, stdout, _ := tawsight(t, "check", "--limits")
	if status != 0 || strings.Count(stdout, "why:") < 30 || !strings.Contains(stdout, "heavy-compression") {
		t.Errorf("exit status %d:\n%s", status, stdout)
	}
}
