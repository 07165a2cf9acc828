package main

import (
	"bytes"
	"strings"
	"testing"

	"tawsight/samples"
)

func TestEveryPhotoCanBeLaidOut(t *testing.T) {
	seen := map[string]string{}
	paths := map[string]bool{}
	for _, p := range catalogue(0) {
		if paths[p.path] {
			t.Errorf("%s comes twice", p.path)
		}
		paths[p.path] = true
		s, err := p.build()
		if err != nil {
			t.Fatal(err)
		}
		again, err := p.build()
		if err != nil {
			t.Fatal(err)
		}
		text := s.POV(false)
		if text != again.POV(false) || s.POV(true) != again.POV(true) {
			t.Errorf("%s: the same seed gives two scenes", p.path)
		}
		if strings.Contains(text, "NaN") || strings.Contains(text, "Inf") {
			t.Errorf("%s: a number of the scene is none", p.path)
		}
		// Photos that share a scene name share one rendering, so their scenes must be the same.
		if old, ok := seen[s.Name]; ok && old != text {
			t.Errorf("%s: another scene is called %s", p.path, s.Name)
		}
		seen[s.Name] = text
		tr, err := s.Truth()
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range tr.Marbles {
			e := m.Ellipse
			if px := (e.SemiMajor + e.SemiMinor) * 1600 / float64(max(s.Width, s.Height, 1600)); px < 45 || px > 165 {
				t.Errorf("%s: marble %d is %.0f px across", p.path, m.ID, px)
			}
			if m.Visible < 0.2 || (m.Visible < 0.8 && !m.CutOff) {
				t.Errorf("%s: %.2f of marble %d is visible", p.path, m.Visible, m.ID)
			}
		}
		hidden := p.fault == samples.FaultCardHidden
		if tr.Card.Present == (p.fault == samples.FaultNoCard) || tr.Card.Present && tr.Card.WhollyInTheFrame == hidden {
			t.Errorf("%s: card %+v", p.path, tr.Card)
		}
	}
}

func TestShortenKeepsTheMeaning(t *testing.T) {
	in := []byte("{\n \"a\": [\n  1.5,\n  -2e-7\n ],\n \"b\": [\n  \"x\"\n ]\n}")
	want := []byte("{\n \"a\": [1.5, -2e-7],\n \"b\": [\n  \"x\"\n ]\n}")
	if got := shorten(in); !bytes.Equal(got, want) {
		t.Errorf("%s", got)
	}
}
