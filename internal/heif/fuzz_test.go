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
