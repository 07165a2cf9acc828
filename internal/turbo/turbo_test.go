package turbo_test

import (
	"bytes"
	"image"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"gocv.io/x/gocv"

	"tawsight/internal/turbo"
)

// openCV is what OpenCV makes of a file.
func openCV(t *testing.T, data []byte) (w, h int, bgr []uint8) {
	t.Helper()
	m, err := gocv.IMDecode(data, gocv.IMReadColor|gocv.IMReadIgnoreOrientation)
	if err != nil || m.Empty() {
		t.Fatal("OpenCV can't decode it")
	}
	defer m.Close()
	return m.Cols(), m.Rows(), m.ToBytes()
}

// The samples as they are, and one small one encoded in every way that OpenCV can.
func TestDecodesAsOpenCVDoes(t *testing.T) {
	files, err := filepath.Glob("../../samples/photos/*/*.jpg")
	if err != nil || len(files) == 0 {
		t.Fatal("there are no samples")
	}
	photos := map[string][]byte{}
	for _, f := range files[:min(len(files), 12)] {
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		photos[f] = data
	}
	m := gocv.IMRead(files[0], gocv.IMReadColor)
	part := m.Region(image.Rect(100, 100, 401, 303))
	for name, params := range map[string][]int{
		"progressive":       {gocv.IMWriteJpegProgressive, 1, gocv.IMWriteJpegQuality, 70},
		"optimised":         {gocv.IMWriteJpegOptimize, 1},
		"restart intervals": {gocv.IMWriteJpegRstInterval, 4},
	} {
		buf, err := gocv.IMEncodeWithParams(gocv.JPEGFileExt, part, params)
		if err != nil {
			t.Fatal(err)
		}
		photos[name] = bytes.Clone(buf.GetBytes())
		buf.Close()
	}
	part.Close()
	m.Close()
	for name, data := range photos {
		w, h, want := openCV(t, data)
		got := make([]uint8, 3*w*h)
		if !turbo.BGR(data, w, h, got) {
			if runtime.GOOS == "linux" {
				t.Errorf("%s: was left to OpenCV", name)
			}
			continue
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s: not what OpenCV makes of it", name)
		}
	}
}

func TestLeavesWhatIsUnusualToOpenCV(t *testing.T) {
	grey := gocv.NewMatWithSizeFromScalar(gocv.NewScalar(90, 0, 0, 0), 40, 50, gocv.MatTypeCV8UC1)
	defer grey.Close()
	buf, err := gocv.IMEncode(gocv.JPEGFileExt, grey)
	if err != nil {
		t.Fatal(err)
	}
	defer buf.Close()
	data, err := os.ReadFile("../../samples/photos/tray/tray-1.jpg")
	if err != nil {
		t.Fatal(err)
	}
	w, h, _ := openCV(t, data)
	out := make([]uint8, 3*w*h)
	if runtime.GOOS == "linux" && !turbo.BGR(data, w, h, out) {
		t.Fatal("the whole file was not decoded")
	}
	damaged := bytes.Clone(data)
	for i := len(damaged) / 2; i < len(damaged)/2+40; i++ {
		damaged[i] = 0xff
	}
	for name, c := range map[string]struct {
		data []byte
		w, h int
		out  []uint8
	}{
		"grey":                  {buf.GetBytes(), 50, 40, make([]uint8, 3*50*40)},
		"cut short":             {data[:len(data)/2], w, h, out},
		"a header alone":        {data[:200], w, h, out},
		"damaged":               {damaged, w, h, out},
		"another size":          {data, h, w, out},
		"no room":               {data, w, h, out[:10]},
		"no JPEG":               {[]byte("this is not a picture"), w, h, out},
		"nothing":               {nil, w, h, out},
		"a size that is absurd": {data, -1, -3, out},
	} {
		if turbo.BGR(c.data, c.w, c.h, c.out) {
			t.Errorf("%s: was taken for a sound JPEG", name)
		}
	}
}

// To the byte, so that pictures are the same wherever they are encoded.
func TestEncodesAsOpenCVDoes(t *testing.T) {
	m := gocv.IMRead("../../samples/photos/tray/tray-1.jpg", gocv.IMReadColor)
	defer m.Close()
	for _, size := range []image.Point{{1, 1}, {7, 3}, {112, 112}, {301, 203}} {
		part := m.Region(image.Rectangle{Max: size})
		whole := part.Clone()
		part.Close()
		for _, quality := range []int{1, 75, 80, 85, 100} {
			buf, err := gocv.IMEncodeWithParams(gocv.JPEGFileExt, whole, []int{gocv.IMWriteJpegQuality, quality})
			if err != nil {
				t.Fatal(err)
			}
			got, ok := turbo.Encode(whole.ToBytes(), size.X, size.Y, quality)
			if ok != (runtime.GOOS == "linux") {
				t.Errorf("%v at %d: encoded: %v", size, quality, ok)
			}
			if ok && !bytes.Equal(got, buf.GetBytes()) {
				t.Errorf("%v at %d: not what OpenCV makes of it", size, quality)
			}
			buf.Close()
		}
		whole.Close()
	}
	for _, c := range []struct{ n, w, h, quality int }{{0, 0, 0, 80}, {11, 2, 2, 80}, {12, 2, 2, 0}, {12, 2, 2, 101}, {12, -2, -2, 80}} {
		if _, ok := turbo.Encode(make([]uint8, c.n), c.w, c.h, c.quality); ok {
			t.Errorf("%+v was encoded", c)
		}
	}
	if _, ok := turbo.Encode(make([]uint8, 3*70000), 70000, 1, 80); ok {
		t.Error("a picture wider than JPEG allows was encoded")
	}
}
