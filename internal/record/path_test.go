package record

import "testing"

func TestTextPath(t *testing.T) {
	for path, want := range map[string]string{
		"tray 1.jpg":            "tray 1.jpg",
		"-a\nb\\x.jpg":          "-a\nb\\x.jpg",
		"café/\ufffd.jpg":       "café/\ufffd.jpg",
		"caf\xe9.jpg":           `caf\xE9.jpg`,
		"a\\b\xff\xfe é.jpg":    `a\\b\xFF\xFE é.jpg`,
		"cut \xe2\x82 euro.jpg": `cut \xE2\x82 euro.jpg`,
	} {
		if got := TextPath(path); got != want {
			t.Errorf("%q: %q, want %q", path, got, want)
		}
	}
}
