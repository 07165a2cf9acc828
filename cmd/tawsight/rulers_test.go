package main

import (
	"strings"
	"testing"
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
		for _, command := range []string{"measure", "check"} {
			args := append([]string{command, photo}, c.args...)
			if command == "measure" {
				args = append(args, "--out", t.TempDir())
			}
			if status, _, stderr := tawsight(t, args...); status != 2 || !strings.Contains(stderr, c.says) {
				t.Errorf("%s, %s: status %d, want 2; stderr %q, want %q in it", command, name, status, stderr, c.says)
			}
		}
	}
}
