package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tawsight/internal/collection"
)

// Every flag that names a ruler, given wrongly, is wrong usage: nothing is
// measured, and the message says which flag or what is the matter.
func TestWrongRulers(t *testing.T) {
	const photo = "../../samples/photos/rulers/known/known-1.jpg"
	for name, c := range map[string]struct {
		args []string
		says string
	}{
		"a known marble without a size":     {[]string{"--known", "3"}, "--known"},
		"a known marble that is no number":  {[]string{"--known", "three=16"}, "--known"},
		"a known marble of nothing":         {[]string{"--known", "0=16"}, "--known"},
		"a known marble in inches":          {[]string{"--known", "3=0.63"}, "0.63 mm"},
		"a known marble twice":              {[]string{"--known", "3=16", "--known", "3=17"}, "twice"},
		"a known marble in several photos":  {[]string{"../../samples/photos/rulers/known", "--known", "3=16"}, "one photo"},
		"a rest of another kind":            {[]string{"--rest", "shelf:3,4"}, "shelf"},
		"a rest without a height":           {[]string{"--rest", "ring:8"}, "--rest"},
		"a rest without a kind":             {[]string{"--rest", ":8,2"}, "--rest"},
		"a rest below the table":            {[]string{"--rest", "ring:8,-1"}, "-1 mm"},
		"a rest too wide":                   {[]string{"--rest", "well:400,5"}, "400 mm"},
		"an unknown sheet":                  {[]string{"--sheet", "b7"}, "a4, a5, letter"},
		"an unknown coin":                   {[]string{"--coin", "groat"}, "us-cent"},
		"a coin too small":                  {[]string{"--coin-mm", "2"}, "2 mm"},
		"a coin's name and size":            {[]string{"--coin", "us-cent", "--coin-mm", "19"}, "not both"},
		"a place without a coin":            {[]string{"--coin-at", "10,10"}, "without the coin"},
		"a place that is none":              {[]string{"--coin", "us-cent", "--coin-at", "here"}, "--coin-at"},
		"a place in no picture":             {[]string{"--coin", "us-cent", "--coin-at=-3,5"}, "no picture"},
		"a scan too coarse":                 {[]string{"--dpi", "10"}, "10 dots"},
		"a scan of less than nothing":       {[]string{"--dpi=-300"}, "-300 dots"},
		"a scan's resolution twice":         {[]string{"--dpi", "300", "--scan"}, "not both"},
		"a scan and a coin":                 {[]string{"--dpi", "300", "--coin", "us-cent"}, "one of"},
		"a scan and a sheet":                {[]string{"--scan", "--sheet", "a4"}, "one of"},
		"a scan and a rest":                 {[]string{"--dpi", "300", "--rest", "ring:8,2"}, "glass"},
		"a scan and a known marble's scale": {[]string{"--dpi", "300", "--known", "1=16"}, "scanner"},
	} {
		for _, command := range []string{"measure", "check", "add"} {
			args := append([]string{command, photo}, c.args...)
			place := filepath.Join(t.TempDir(), "marbles.tawsight")
			switch command {
			case "measure":
				args = append(args, "--out", t.TempDir())
			case "add":
				args = append(args, "--collection", place)
			}
			if status, _, stderr := tawsight(t, args...); status != 2 || !strings.Contains(stderr, c.says) {
				t.Errorf("%s, %s: status %d, want 2; stderr %q, want %q in it", command, name, status, stderr, c.says)
			}
			if _, err := os.Stat(place); err == nil {
				t.Errorf("%s: a collection was made all the same", name)
			}
		}
	}
}

// The collection keeps by what ruler a photo was measured: the same photo is measured
// again when another is named, its history says so, and out and in again nothing of
// it is lost.
func TestCollectionCarriesRulers(t *testing.T) {
	dir := t.TempDir()
	place, photo := filepath.Join(dir, "marbles.tawsight"), filepath.Join(oneSample(t), "attic jar", "a.jpg")
	do := func(want int, args ...string) (stdout, stderr string) {
		t.Helper()
		status, stdout, stderr := tawsight(t, args...)
		if status != want {
			t.Fatalf("%v: exit status %d, want %d\n%s%s", args, status, want, stdout, stderr)
		}
		return stdout, stderr
	}
	history := func(place string) string {
		t.Helper()
		out, _ := do(0, "history", "a, no. 1", "--collection", place)
		return out
	}
	says := func(text string, wants ...string) {
		t.Helper()
		for _, w := range wants {
			if !strings.Contains(text, w) {
				t.Errorf("no %q in\n%s", w, text)
			}
		}
	}
	out, _ := do(0, "add", photo, "--collection", place)
	says(out, "1 photo added")
	if h := history(place); !strings.Contains(h, "scale from the card: 4 marbles\n") || strings.Contains(h, "counts now") {
		t.Errorf("measured once, its history is\n%s", h)
	}
	// The card is the better ruler and gives the scale, whatever else is named.
	out, _ = do(0, "add", photo, "--coin", "2-euro", "--collection", place)
	says(out, "1 photo added")
	says(history(place), "scale from the card (named: 2 euro coins): 4 marbles  [counts now]\n", "scale from the card: 4 marbles\n")
	out, _ = do(0, "add", photo, "--collection", place)
	says(out, "already: nothing was added")
	says(history(place), "(named: 2 euro coins): 4 marbles  [counts now]\n")
	out, _ = do(0, "add", photo, "--no-ruler", "--collection", place)
	says(out, "already: nothing was added")
	says(history(place), "scale from the card: 4 marbles  [counts now]\n")
	_, errs := do(2, "add", photo, "--dpi", "300", "--no-ruler", "--collection", place)
	says(errs, "--no-ruler")
	_, errs = do(2, "add", "--coin", "2-euro", "--collection", place)
	says(errs, "name the photos")

	// Without a card the scale is that of what was named.
	do(0, "add", "../../samples/photos/rulers/scan/scan-1.jpg", "--dpi", "300", "--collection", place)
	c, err := collection.Open(t.Context(), place)
	if err != nil {
		t.Fatal(err)
	}
	photos, err := c.Photos(t.Context(), 1, 0)
	if err != nil || photos[0].Record.Scale.Source != "scan" || photos[0].Ruler.DPI != 300 {
		t.Errorf("%+v, %v", photos[0], err)
	}
	c.Close()

	file, second := filepath.Join(dir, "mine.jsonl"), filepath.Join(dir, "second.tawsight")
	do(0, "export", "--out", file, "--collection", place)
	do(0, "import", file, "--collection", second)
	if a, b := history(place), history(second); a != b {
		t.Errorf("out and in again, its history is\n%s\nwas\n%s", b, a)
	}
	out, _ = do(0, "add", photo, "--collection", second)
	says(out, "already: nothing was added")
}
