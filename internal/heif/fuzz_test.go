package heif

import (
	"os"
	"path/filepath"
	"testing"
)

// FuzzInspect reads boxes: nothing may panic or promise a picture without pixels.
func FuzzInspect(f *testing.F) {
	files, err := filepath.Glob("../../vision/testdata/formats/*.heic")
	if err != nil || len(files) == 0 {
		f.Fatalf("no samples: %v", err)
	}
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		info, err := Inspect(data)
		if err != nil {
			return
		}
		if info.Width < 1 || info.Height < 1 || info.Coded != "hvc1" || info.Depth < 1 {
			t.Errorf("%+v", info)
		}
	})
}

// A few hundred bytes that claim millions of pieces, none of which takes a byte:
// refused at once.
func TestPiecesWithoutBytes(t *testing.T) {
	box := func(kind string, body ...byte) []byte {
		n := len(body) + 8
		return append([]byte{byte(n >> 24), byte(n >> 16), byte(n >> 8), byte(n), kind[0], kind[1], kind[2], kind[3]}, body...)
	}
	places := []byte{0, 0, 0, 0, 0, 0, 0xff, 0xff} // no sizes, 65535 items
	for i := range 1000 {
		places = append(places, byte(i>>8), byte(i), 0, 0, 0xff, 0xff) // 65535 extents of no bytes each
	}
	body := append([]byte{0, 0, 0, 0}, box("pitm", 0, 0, 0, 0, 0, 1)...)
	data := append(box("ftyp", []byte("heic\x00\x00\x00\x00heic")...), box("meta", append(body, box("iloc", places...)...)...)...)
	allocated := testing.AllocsPerRun(1, func() {
		if info, err := Inspect(data); err == nil {
			t.Errorf("taken: %+v", info)
		}
	})
	if allocated > 100 {
		t.Errorf("%v allocations for a file that is refused", allocated)
	}
}
