package vision

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math"
	"testing"
)

// picture is a smooth picture, clear in its right half where asked.
func picture(w, h int, clearHalf bool) *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.NRGBA{uint8(40 + 160*x/w), uint8(220 - 180*y/h), 90, 255}
			if clearHalf && x >= w/2 {
				c.A = 0
			}
			img.SetNRGBA(x, y, c)
		}
	}
	return img
}

// rough is a picture without any order, its alpha between least and 255.
func rough(w, h int, least uint8) *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	seed := uint32(1)
	for i := range img.Pix {
		seed = seed*1664525 + 1013904223
		img.Pix[i] = uint8(seed >> 24)
		if i%4 == 3 {
			img.Pix[i] = max(least, img.Pix[i])
		}
	}
	return img
}

// What is written is read back by Go's own decoders, as it was.
func TestPNGComesBack(t *testing.T) {
	for name, img := range map[string]image.Image{
		"opaque":     picture(61, 40, false),
		"clear half": picture(61, 40, true),
		"RGBA": func() image.Image {
			p := image.NewRGBA(image.Rect(0, 0, 9, 7))
			p.Set(3, 3, color.RGBA{9, 8, 7, 255})
			return p
		}(),
		"rough":                 rough(301, 400, 255),
		"rough, thin":           rough(1, 40_000, 255),
		"rough, clear in parts": rough(301, 400, 0),
		"part of one":           picture(61, 40, true).SubImage(image.Rect(11, 5, 50, 33)),
		"one pixel":             picture(1, 1, false),
		"grey":                  image.NewGray(image.Rect(0, 0, 5, 3)),
	} {
		t.Run(name, func(t *testing.T) {
			data, err := PNG(img)
			if err != nil {
				t.Fatal(err)
			}
			back, err := png.Decode(bytes.NewReader(data))
			if err != nil {
				t.Fatal(err)
			}
			b := img.Bounds()
			if back.Bounds().Size() != b.Size() {
				t.Fatalf("%v comes back as %v", b, back.Bounds())
			}
			for y := range b.Dy() {
				for x := range b.Dx() {
					want := color.NRGBAModel.Convert(img.At(b.Min.X+x, b.Min.Y+y)).(color.NRGBA)
					got := color.NRGBAModel.Convert(back.At(x, y)).(color.NRGBA)
					if want.A == 0 && got.A == 0 {
						continue
					}
					if got != want {
						t.Fatalf("pixel %d, %d is %v, want %v", x, y, got, want)
					}
				}
			}
		})
	}
	for _, b := range []image.Rectangle{{}, image.Rect(0, 0, 0, 9)} {
		if _, err := PNG(image.NewNRGBA(b)); err == nil {
			t.Errorf("a picture of %v was written", b)
		}
		if _, err := JPEG(image.NewNRGBA(b), 90, color.White); err == nil {
			t.Errorf("a picture of %v was written", b)
		}
	}
}

func TestJPEGComesBack(t *testing.T) {
	blank := color.RGBA{230, 200, 10, 255}
	img := picture(160, 96, true)
	data, err := JPEG(img, 93, blank)
	if err != nil {
		t.Fatal(err)
	}
	full, err := PNG(img)
	if err != nil {
		t.Fatal(err)
	}
	both, err := ReducedJPEG(full, blank, Reduction{80, 93}, Reduction{160, 93})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		data []byte
		by   int
	}{{data, 1}, {both[0], 2}, {both[1], 1}} {
		back, err := jpeg.Decode(bytes.NewReader(c.data))
		if err != nil {
			t.Fatal(err)
		}
		if back.Bounds() != image.Rect(0, 0, 160/c.by, 96/c.by) {
			t.Fatalf("it comes back as %v", back.Bounds())
		}
		for _, at := range [][2]int{{10, 10}, {50, 60}, {120, 20}, {150, 90}} {
			want := img.NRGBAAt(at[0], at[1])
			if want.A == 0 {
				want = color.NRGBA(blank)
			}
			r, g, b, _ := back.At(at[0]/c.by, at[1]/c.by).RGBA()
			for k, v := range [3]uint32{r >> 8, g >> 8, b >> 8} {
				// JPEG at quality 93 keeps smooth patches to a few steps.
				if w := [3]uint8{want.R, want.G, want.B}[k]; math.Abs(float64(v)-float64(w)) > 6 {
					t.Errorf("reduced %d times, at %v: channel %d is %d, want %d", c.by, at, k, v, w)
				}
			}
		}
	}
	// One that is small enough is left alone; what is no picture is refused.
	if same, err := ReducedJPEG(data, blank, Reduction{160, 50}); err != nil || !bytes.Equal(same[0], data) {
		t.Errorf("a small JPEG was made anew (%v)", err)
	}
	for name, bad := range map[string][]byte{"nothing": nil, "text": []byte("not a picture"), "cut": full[:40]} {
		if _, err := ReducedJPEG(bad, blank, Reduction{80, 93}); err == nil {
			t.Errorf("%s was read", name)
		}
	}
}

// Reductions are halves where those come near enough to what is asked, and never
// larger than that.
func TestReductionsByHalves(t *testing.T) {
	for _, c := range []struct{ w, h, most, want int }{
		{216, 216, 112, 108}, {256, 256, 112, 112}, {600, 450, 112, 112}, {640, 480, 112, 80}, {201, 201, 112, 112},
		{2016, 1512, 1400, 1008}, {1632, 1224, 1400, 1400}, {1500, 1000, 1400, 1400}, {96, 96, 112, 96},
	} {
		files, err := JPEGs(picture(c.w, c.h, false), color.White, Reduction{c.most, 90})
		if err != nil {
			t.Fatal(err)
		}
		got, err := jpeg.DecodeConfig(bytes.NewReader(files[0]))
		if want := c.want * c.h / c.w; err != nil || got.Width != c.want || got.Height != want {
			t.Errorf("%d x %d, at most %d: %d x %d, want %d x %d (%v)", c.w, c.h, c.most, got.Width, got.Height, c.want, want, err)
		}
	}
}

// A photo is reduced by a whole number where its sides allow that.
func TestImageByWholeNumbers(t *testing.T) {
	for _, c := range []struct{ w, h, most, want int }{
		{400, 300, 210, 200}, {400, 300, 400, 400}, {400, 300, 390, 200}, {401, 300, 210, 210}, {400, 301, 210, 210},
	} {
		p := drawn(t, c.w, c.h, func(x, y float64) [3]float64 { return [3]float64{0.5, 0.3, 0.1} })
		img, scale := p.Image(c.most)
		if img.Bounds().Dx() != c.want || math.Abs(scale-float64(c.want)/float64(c.w)) > 1e-9 {
			t.Errorf("%d x %d to at most %d: %v by %g, want %d", c.w, c.h, c.most, img.Bounds(), scale, c.want)
		}
		// sRGB codes of that linear light by IEC 61966-2-1, within the noise drawn.
		got := img.RGBAAt(20, 20)
		for k, v := range [3]uint8{got.R, got.G, got.B} {
			closeTo(t, "code", float64(v), [3]float64{188, 149, 89}[k], 3)
		}
	}
}
