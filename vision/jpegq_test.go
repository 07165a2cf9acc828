package vision

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"testing"

	"gocv.io/x/gocv"
)

// Files written by libjpeg itself (through OpenCV) and by Go's encoder, which
// scales the same tables, at known settings.
func TestJPEGQuality(t *testing.T) {
	img := image.NewRGBA(image.Rect(0, 0, 64, 48))
	for i := range img.Pix {
		img.Pix[i] = uint8(i * 7)
	}
	m := gocv.NewMatWithSize(48, 64, gocv.MatTypeCV8UC3)
	defer m.Close()
	m.SetTo(gocv.NewScalar(40, 90, 160, 0))
	for q := 1; q <= 100; q++ {
		var b bytes.Buffer
		if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: q}); err != nil {
			t.Fatal(err)
		}
		if c := readCompression(b.Bytes()); c.Quality != q || !c.Standard {
			t.Errorf("Go's encoder at %d: read %+v", q, c)
		}
		buf, err := gocv.IMEncodeWithParams(gocv.JPEGFileExt, m, []int{gocv.IMWriteJpegQuality, q})
		if err != nil {
			t.Fatal(err)
		}
		c := readCompression(buf.GetBytes())
		if c.Quality != q || !c.Standard {
			t.Errorf("libjpeg at %d: read %+v", q, c)
		}
		p, derr := Decode("x.jpg", buf.GetBytes())
		if derr != nil {
			t.Fatal(derr)
		}
		if p.Compression != c {
			t.Errorf("the photo at %d says %+v, the file %+v", q, p.Compression, c)
		}
		p.Close()
		buf.Close()
	}
	// Grey, and progressive.
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 16, 16)), &jpeg.Options{Quality: 33}); err != nil {
		t.Fatal(err)
	}
	if c := readCompression(b.Bytes()); c.Quality != 33 || c.ChromaDCStep != 0 {
		t.Errorf("grey at 33: read %+v", c)
	}
	buf, err := gocv.IMEncodeWithParams(gocv.JPEGFileExt, m, []int{gocv.IMWriteJpegQuality, 61, gocv.IMWriteJpegProgressive, 1})
	if err != nil {
		t.Fatal(err)
	}
	defer buf.Close()
	if c := readCompression(buf.GetBytes()); c.Quality != 61 || !c.Standard {
		t.Errorf("progressive at 61: read %+v", c)
	}
	// At quality 50 the tables are the annex's own, whose first entries are 16
	// and 17.
	b.Reset()
	rgba := image.NewRGBA(image.Rect(0, 0, 8, 8))
	rgba.Set(1, 1, color.White)
	if err := jpeg.Encode(&b, rgba, &jpeg.Options{Quality: 50}); err != nil {
		t.Fatal(err)
	}
	if c := readCompression(b.Bytes()); c.LumaDCStep != 2 || c.ChromaDCStep != 17.0/8 {
		t.Errorf("steps at 50: %+v", c)
	}
}

func TestCompressionOfNonsense(t *testing.T) {
	for name, data := range map[string][]byte{
		"nothing": nil, "png": []byte("\x89PNG\r\n\x1a\n"), "header only": {0xff, 0xd8, 0xff}, "short table": {0xff, 0xd8, 0xff, 0xdb, 0, 5, 0, 1, 2},
		"length past the end": {0xff, 0xd8, 0xff, 0xdb, 0xff, 0xff, 0}, "frame without tables": {0xff, 0xd8, 0xff, 0xc0, 0, 11, 8, 0, 8, 0, 8, 1, 1, 0x11, 0},
		"table out of range": {0xff, 0xd8, 0xff, 0xc0, 0, 11, 8, 0, 8, 0, 8, 1, 1, 0x11, 9},
	} {
		if c := readCompression(data); c != (Compression{}) {
			t.Errorf("%s: read %+v", name, c)
		}
	}
}
