package mangle

import (
	"bytes"
	"image"
	"image/png"
	"math/rand/v2"
	"testing"
)

// Every way is taken, nearly every file comes out damaged, the original stays, and
// the same seed gives the same damage.
func TestOne(t *testing.T) {
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 30, 20))); err != nil {
		t.Fatal(err)
	}
	tiff := []byte("II*\x00\x08\x00\x00\x00\x01\x00\x00\x01\x03\x00\x01\x00\x00\x00\x60\x00\x00\x00\x00\x00\x00\x00")
	for _, data := range [][]byte{b.Bytes(), tiff, append([]byte{0xff, 0xd8, 0xff, 0xe1, 0, 40}, append([]byte("Exif\x00\x00"), tiff...)...)} {
		before := bytes.Clone(data)
		a, c := rand.New(rand.NewPCG(1, 2)), rand.New(rand.NewPCG(1, 2))
		ways, damaged, again := map[string]int{}, 0, 0
		for range 2000 {
			d, way := One(a, data, tiff)
			e, _ := One(c, data, tiff)
			ways[way]++
			if !bytes.Equal(d, data) {
				damaged++
			}
			if bytes.Equal(d, e) {
				again++
			}
		}
		if len(ways) != len(Ways) || damaged < 1700 || again != 2000 || !bytes.Equal(data, before) {
			t.Errorf("%d ways, %d damaged, %d the same again: %v", len(ways), damaged, again, ways)
		}
	}
}

func TestChecksumsAreMended(t *testing.T) {
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 30, 20))); err != nil {
		t.Fatal(err)
	}
	d := b.Bytes()
	d[19] = 31 // the width
	if _, err := png.DecodeConfig(bytes.NewReader(d)); err == nil {
		t.Fatal("the checksum is not looked at: this proves nothing")
	}
	mendPNG(d)
	if cfg, err := png.DecodeConfig(bytes.NewReader(d)); err != nil || cfg.Width != 31 {
		t.Errorf("%+v, %v", cfg, err)
	}
}
