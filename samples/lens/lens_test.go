package lens

import (
	"bytes"
	"errors"
	"image/color"
	"image/jpeg"
	"math"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"os"
)

func flat(w, h int, v float32) *Picture {
	p := &Picture{W: w, H: h, Pix: make([]float32, 3*w*h)}
	for i := range p.Pix {
		p.Pix[i] = v
	}
	return p
}

var plain = Settings{Gain: [3]float64{1, 1, 1}, Quality: 95, Orientation: 1,
	Tags: Tags{Make: "A", Model: "Bc", Taken: time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC), Focal35MM: 28, Exposure: [2]uint32{1, 60}, ISO: 100}}

// IEC 61966-2-1: linear 0.2140 is sRGB 0.5 (8 bits: 127.5), 0.0031308 joins the two pieces at 0.04045.
func TestEncodeIsSRGB(t *testing.T) {
	for _, tc := range []struct {
		v    float64
		want uint8
	}{{-1, 0}, {0, 0}, {0.0031308, 10}, {0.21404, 127}, {0.21406, 128}, {1, 255}, {3, 255}} {
		if got := encode(tc.v); got != tc.want {
			t.Errorf("encode(%v) = %d, want %d", tc.v, got, tc.want)
		}
	}
}

func TestGaussianKeepsLightAndHasItsWidth(t *testing.T) {
	p := flat(61, 61, 0)
	p.Pix[3*(30*61+30)] = 1
	for _, sigma := range []float64{0.8, 5} {
		q := gaussian(p, sigma)
		var sum, second float64
		for y := range 61 {
			for x := range 61 {
				v := q.At(x, y)[0]
				sum += v
				second += v * sqr(float64(x-30))
			}
		}
		if math.Abs(sum-1) > 1e-4 || math.Abs(math.Sqrt(second/sum)-sigma) > 0.03*sigma {
			t.Errorf("sigma %v: sum %.5f, width %.4f", sigma, sum, math.Sqrt(second/sum))
		}
	}
}

func TestSmearRunsAlongItsDirection(t *testing.T) {
	p := flat(61, 61, 0)
	p.Pix[3*(30*61+30)] = 1
	q := smear(p, 20, 0)
	var sum, x2, y2 float64
	for y := range 61 {
		for x := range 61 {
			v := q.At(x, y)[0]
			sum, x2, y2 = sum+v, x2+v*sqr(float64(x-30)), y2+v*sqr(float64(y-30))
		}
	}
	// A uniform line of length L has the variance L^2 / 12.
	if math.Abs(sum-1) > 0.03 || math.Abs(math.Sqrt(x2)-20/math.Sqrt(12)) > 0.3 || y2 > 1e-6 {
		t.Errorf("sum %.3f, widths %.3f and %.3f", sum, math.Sqrt(x2), math.Sqrt(y2))
	}
}

func TestTheSameSeedGivesTheSamePhoto(t *testing.T) {
	s := plain
	s.Noise = 1
	a, err := Shoot(flat(64, 48, 0.4), s, 5)
	if err != nil {
		t.Fatal(err)
	}
	b, _ := Shoot(flat(64, 48, 0.4), s, 5)
	c, _ := Shoot(flat(64, 48, 0.4), s, 6)
	if !bytes.Equal(a, b) || bytes.Equal(a, c) {
		t.Error("seed doesn't decide the noise")
	}
}

func TestMaxBytesIsKept(t *testing.T) {
	s := plain
	s.Noise, s.MaxBytes = 12, 20000
	b, err := Shoot(flat(256, 192, 0.4), s, 5)
	if err != nil || len(b) > 20000+400 {
		t.Errorf("%d bytes, %v", len(b), err)
	}
}

// The stored pixels, turned by an independent program as their tag says, must give the upright picture back: here
// ImageMagick's -auto-orient, where it is installed.
func TestOrientationAgainstImageMagick(t *testing.T) {
	magick, err := exec.LookPath("convert")
	if err != nil {
		t.Skip("ImageMagick's convert is not installed")
	}
	p := flat(64, 48, 0.05)
	for y := range 24 { // the upper left quarter is light
		for x := range 32 {
			for k := range 3 {
				p.Pix[3*(y*64+x)+k] = 0.8
			}
		}
	}
	for _, o := range []int{1, 3, 6, 8} {
		s := plain
		s.Orientation = o
		b, err := Shoot(p, s, 1)
		if err != nil {
			t.Fatal(err)
		}
		dir := t.TempDir()
		in, out := filepath.Join(dir, "a.jpg"), filepath.Join(dir, "b.jpg")
		if err := os.WriteFile(in, b, 0o600); err != nil {
			t.Fatal(err)
		}
		if msg, err := exec.Command(magick, in, "-auto-orient", out).CombinedOutput(); err != nil {
			if strings.Contains(string(msg), "policy") {
				t.Skip("ImageMagick's policy forbids it")
			}
			t.Fatalf("%v: %s", err, msg)
		}
		f, err := os.Open(out)
		if err != nil {
			t.Fatal(err)
		}
		img, err := jpeg.Decode(f)
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		if d := img.Bounds(); d.Dx() != 64 || d.Dy() != 48 {
			t.Fatalf("orientation %d: %v", o, d)
		}
		for _, q := range []struct {
			x, y  int
			light bool
		}{{10, 10, true}, {54, 10, false}, {10, 38, false}, {54, 38, false}} {
			g := color.GrayModel.Convert(img.At(q.x, q.y)).(color.Gray)
			if (g.Y > 128) != q.light {
				t.Errorf("orientation %d: pixel (%d, %d) is %d", o, q.x, q.y, g.Y)
			}
		}
	}
}

func TestOtherOrientationsAreRefused(t *testing.T) {
	s := plain
	s.Orientation = 2
	if _, err := Shoot(flat(8, 8, 0.5), s, 1); !errors.Is(err, ErrOrientation) {
		t.Errorf("error %v", err)
	}
}
