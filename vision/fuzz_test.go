package vision

import (
	"os"
	"path/filepath"
	"testing"
	"unicode/utf8"
)

// FuzzHeader reads what files say of themselves, without their pixels: nothing may
// panic, and what is let through to the decoders keeps the limits.
func FuzzHeader(f *testing.F) {
	entries, err := os.ReadDir(filepath.Join("testdata", "formats"))
	if err != nil {
		f.Fatal(err)
	}
	for _, e := range entries {
		f.Add(sample(f, e.Name()))
	}
	f.Add(withExif(jpegOf(f, texture(16, 16), 80), tiffOf([]tiffEntry{{0x112, 6}, {0x8769, []tiffEntry{{0xa405, 26}}}})))
	f.Add(withProfile(jpegOf(f, texture(16, 16), 80), p3Profile(), 2))
	f.Fuzz(func(t *testing.T, data []byte) {
		k := sniff(data)
		if k == nil {
			return
		}
		h, err := readHead(k, data)
		if err != nil {
			return
		}
		m := readMeta(k, data, h)
		if m.Orientation < 1 || m.Orientation > 8 || m.Focal35MM < 0 || m.Focal35MM > 2000 {
			t.Errorf("%+v", m)
		}
		for _, s := range []string{m.CameraMake, m.CameraModel, m.LensModel, m.TakenISO} {
			if !utf8.ValidString(s) {
				t.Errorf("%q is not UTF-8", s)
			}
		}
		p, notes := profileOf(k, h, m)
		for _, n := range notes {
			if n.Message == "" || n.Advice == "" {
				t.Errorf("%+v", n)
			}
		}
		if p != nil {
			p.Linear(0.2, 0.5, 0.9)
		}
		readCompression(data)
	})
}

// FuzzStrip takes metadata out: what comes back has none of it, is the same when
// stripped again, and is still the same kind of file.
func FuzzStrip(f *testing.F) {
	f.Add(withExif(jpegOf(f, texture(16, 16), 80), tiffOf([]tiffEntry{{0x112, 6}, {0x10f, "Attic"}})))
	f.Add(sample(f, "progressive.jpg"))
	f.Add(sample(f, "chart.png"))
	f.Fuzz(func(t *testing.T, data []byte) {
		once, err := Strip(data)
		if err != nil {
			return
		}
		if sniff(once) != sniff(data) {
			t.Fatal("another kind of file")
		}
		again, err := Strip(once)
		if err != nil || string(again) != string(once) {
			t.Errorf("stripped again: %v, %d and %d bytes", err, len(once), len(again))
		}
	})
}
