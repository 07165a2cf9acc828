package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

func tawsight(t *testing.T, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	status = run(context.Background(), args, &out, &err)
	return status, out.String(), err.String()
}

// Exit status 2 is for wrong usage, with nothing written, by the output
// contract.
func TestWrongUsage(t *testing.T) {
	here := t.TempDir()
	file := filepath.Join(here, "file.jpg")
	if err := os.WriteFile(file, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(here, "out")
	for name, c := range map[string]struct {
		args []string
		says string
	}{
		"unknown command":     {[]string{"frobnicate"}, "frobnicate"},
		"unknown flag":        {[]string{"measure", here, "--out", out, "--colour", "red"}, "--colour"},
		"no photos":           {[]string{"measure", "--out", out}, "photos"},
		"no output folder":    {[]string{"measure", here}, "--out"},
		"missing photo":       {[]string{"measure", filepath.Join(here, "nosuch.jpg"), "--out", out}, "nosuch.jpg"},
		"one photo missing":   {[]string{"measure", here, filepath.Join(here, "nosuch.jpg"), "--out", out}, "nosuch.jpg"},
		"missing references":  {[]string{"measure", here, "--out", out, "--references", filepath.Join(here, "sets")}, "sets"},
		"references a file":   {[]string{"measure", here, "--out", out, "--references", file}, "is a file"},
		"missing model":       {[]string{"measure", here, "--out", out, "--model", filepath.Join(here, "m.json")}, "m.json"},
		"model and sets":      {[]string{"measure", here, "--out", out, "--model", file, "--references", here}, "--model"},
		"check bar in inches": {[]string{"measure", here, "--out", out, "--check-bar-mm", "3.15"}, "3.15"},
		"check bar no number": {[]string{"measure", here, "--out", out, "--check-bar-mm", "long"}, "long"},
		"check bar NaN":       {[]string{"measure", here, "--out", out, "--check-bar-mm", "NaN"}, "NaN"},
		"workers below none":  {[]string{"measure", here, "--out", out, "--workers", "-1"}, "--workers"},
		"explain a file":      {[]string{"measure", here, "--out", out, "--explain", file}, "is a file"},
		"explain as crops":    {[]string{"measure", here, "--out", out, "--explain", filepath.Join(out, "crops")}, "crops"},
		"too fine a card":     {[]string{"card", "--out", out, "--dpi", "99999"}, "99999"},
		"too fine a mat":      {[]string{"card", "--mat", "--out", out, "--dpi", "2400"}, "1200"},
		"paper unknown":       {[]string{"card", "--out", out, "--paper", "foolscap"}, "foolscap"},
		"references no dir":   {[]string{"references"}, "dir"},
		"references check":    {[]string{"references", here, "--check-bar-mm", "8"}, "8"},
	} {
		t.Run(name, func(t *testing.T) {
			status, _, stderr := tawsight(t, c.args...)
			if status != 2 {
				t.Errorf("exit status %d, want 2", status)
			}
			if !strings.Contains(stderr, c.says) {
				t.Errorf("message %q does not mention %q", stderr, c.says)
			}
			if _, err := os.Stat(out); !os.IsNotExist(err) {
				t.Error("something was written")
			}
		})
	}
}

func TestHelpNamesTheExitStatuses(t *testing.T) {
	for _, args := range [][]string{nil, {"--help"}, {"measure", "--help"}, {"references", "--help"}} {
		status, stdout, _ := tawsight(t, args...)
		if status != 0 {
			t.Errorf("%v: exit status %d", args, status)
		}
		flat := strings.Join(strings.Fields(stdout), " ")
		for _, want := range []string{"0 when every photo was read", "3 when some files could not be read", "2 for wrong usage", "1 for anything else"} {
			if !strings.Contains(flat, want) {
				t.Errorf("%v: the help does not say %q", args, want)
			}
		}
	}
}

func TestCardFiles(t *testing.T) {
	for _, c := range []struct {
		args []string
		want []string
	}{
		{nil, []string{"tawsight-card-600dpi.png", "tawsight-card-a4.pdf", "tawsight-card-letter.pdf", "tawsight-card.svg"}},
		{[]string{"--mat", "--paper", "letter", "--dpi", "100"}, []string{"tawsight-mat-letter-100dpi.png", "tawsight-mat-letter.pdf", "tawsight-mat-letter.svg"}},
		{[]string{"--paper", "a4", "--dpi", "150"}, []string{"tawsight-card-150dpi.png", "tawsight-card-a4.pdf", "tawsight-card.svg"}},
	} {
		out := filepath.Join(t.TempDir(), "new", "folder")
		status, stdout, stderr := tawsight(t, append([]string{"card", "--out", out}, c.args...)...)
		if status != 0 {
			t.Fatalf("exit status %d: %s", status, stderr)
		}
		entries, err := os.ReadDir(out)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, e := range entries {
			got = append(got, e.Name())
			if !strings.Contains(stdout, filepath.Join(out, e.Name())) {
				t.Errorf("%s was written but not named", e.Name())
			}
		}
		if strings.Join(got, " ") != strings.Join(c.want, " ") {
			t.Errorf("wrote %v, want %v", got, c.want)
		}
	}
}

func TestCardIntoAFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, []byte("kept"), 0o666); err != nil {
		t.Fatal(err)
	}
	status, _, stderr := tawsight(t, "card", "--out", file)
	if status != 1 || !strings.Contains(stderr, file) || !strings.Contains(stderr, "--out") {
		t.Errorf("exit status %d, message %q", status, stderr)
	}
	if got, _ := os.ReadFile(file); string(got) != "kept" {
		t.Error("the file was overwritten")
	}
}

// References prints how many marbles of each set get their own label back when
// it is not known, and what it saves can be measured with.
func TestReferences(t *testing.T) {
	dir, work := t.TempDir(), t.TempDir()
	sets := []string{"clear-wide-ribbon", "opaque-white-swirl"}
	for _, set := range sets {
		for n := 1; n <= 2; n++ {
			name := fmt.Sprintf("%s-%d.jpg", set, n)
			data, err := os.ReadFile(filepath.Join("../../samples/photos/references", set, name))
			if err != nil {
				t.Fatal(err)
			}
			os.MkdirAll(filepath.Join(dir, set), 0o777)
			if err := os.WriteFile(filepath.Join(dir, set, name), data, 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
	model := filepath.Join(work, "my model.json")
	status, stdout, stderr := tawsight(t, "references", dir, "--model", model)
	if status != 0 {
		t.Fatalf("exit status %d: %s", status, stderr)
	}
	var right, tested int
	for _, set := range sets {
		m := regexp.MustCompile(`(?m)^` + set + ` +2 +(\d+) +(\d+) of (\d+) \(`).FindStringSubmatch(stdout)
		if m == nil {
			t.Fatalf("no row for %s in\n%s", set, stdout)
		}
		r, _ := strconv.Atoi(m[2])
		n, _ := strconv.Atoi(m[3])
		right, tested = right+r, tested+n
		if m[1] != m[3] || n < 8 {
			t.Errorf("%s: %s marbles, %d tried", set, m[1], n)
		}
	}
	if want := fmt.Sprintf("Leave-one-out: %d of %d (%.0f %%)", right, tested, 100*float64(right)/float64(tested)); !strings.Contains(stdout, want) {
		t.Errorf("no %q in\n%s", want, stdout)
	}
	if !strings.Contains(stdout, "Model: "+model) {
		t.Errorf("the model's place is not told:\n%s", stdout)
	}

	out := filepath.Join(work, "out")
	photo := filepath.Join(dir, sets[1], sets[1]+"-1.jpg")
	status, stdout, stderr = tawsight(t, "measure", photo, "--out", out, "--model", model)
	if status != 0 || !strings.HasPrefix(stdout, "1 photo, ") || strings.Contains(stdout, " 0 marbles") {
		t.Errorf("exit status %d, %q, %q", status, stdout, stderr)
	}
	page, err := os.ReadFile(filepath.Join(out, "report.html"))
	if err != nil || !bytes.Contains(page, []byte("Like "+sets[1])) {
		t.Errorf("the report does not tell of likeness to %s (%v)", sets[1], err)
	}
}

// A fault in the program must reach its user as a sentence, not as a stack.
func TestFaultsAreToldPlainly(t *testing.T) {
	var stderr bytes.Buffer
	status := run(context.Background(), []string{"version"}, panickyWriter{}, &stderr)
	if status != 1 || !strings.Contains(stderr.String(), "a fault in the program itself") {
		t.Errorf("exit status %d, message %q", status, stderr.String())
	}
	if strings.Contains(stderr.String(), "goroutine") {
		t.Error("a stack trace reached the user")
	}
}

type panickyWriter struct{}

func (panickyWriter) Write([]byte) (int, error) { panic("on purpose") }
