package vision

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"testing"

	"gocv.io/x/gocv"

	"tawsight/calib"
	"tawsight/internal/colour"
)

// plainPhoto makes a photo of w x h from a function that gives linear RGB at a
// pixel.
func plainPhoto(t testing.TB, w, h int, at func(x, y float64) [3]float64) *Photo {
	t.Helper()
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := at(float64(x), float64(y))
			var v [3]uint8
			for k := range v {
				v[k] = uint8(255*colour.LinearToSRGB(math.Max(0, math.Min(1, c[k]))) + 0.5)
			}
			img.SetRGBA(x, y, color.RGBA{v[0], v[1], v[2], 255})
		}
	}
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	p, err := Decode("drawn.png", b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close)
	return p
}

// Public photos (OpenCV's own, Debian's opencv-doc) with OpenCV's normal noise
// added: variances of independent noise add.
func TestNoiseOnPublicPhotos(t *testing.T) {
	for _, name := range []string{"fruits.jpg", "left01.jpg", "orange.jpg", "aero1.jpg"} {
		path := filepath.Join("/usr/share/doc/opencv-doc/examples/data", name)
		if _, err := os.Stat(path); err != nil {
			t.Skipf("install Debian's opencv-doc for this check: %v", err)
		}
		m := gocv.IMRead(path, gocv.IMReadColor)
		if m.Empty() {
			m.Close()
			t.Errorf("%s can't be decoded", path)
			continue
		}
		look := func(sd float64) float64 {
			noisy := gocv.NewMat()
			defer noisy.Close()
			m.ConvertTo(&noisy, gocv.MatTypeCV16SC3)
			grain := gocv.NewMatWithSize(m.Rows(), m.Cols(), gocv.MatTypeCV16SC3)
			defer grain.Close()
			if sd > 0 {
				// The same grain in all three channels is luma noise of sd.
				one := gocv.NewMatWithSize(m.Rows(), m.Cols(), gocv.MatTypeCV16SC1)
				defer one.Close()
				gocv.RandN(&one, gocv.NewScalar(0, 0, 0, 0), gocv.NewScalar(sd, sd, sd, sd))
				gocv.Merge([]gocv.Mat{one, one, one}, &grain)
				gocv.Add(noisy, grain, &noisy)
			}
			eight := gocv.NewMat()
			noisy.ConvertTo(&eight, gocv.MatTypeCV8UC3)
			p := &Photo{Width: m.Cols(), Height: m.Rows(), bgr: eight}
			defer p.Close()
			return 255 * Look(p, nil, nil).Noise
		}
		own := look(0)
		for _, sd := range []float64{4, 8, 16, 24} {
			got, want := look(sd), math.Hypot(sd, own)
			t.Logf("%s: own %.2f, added %g codes: %.2f, want %.2f", name, own, sd, got, want)
			if r := got / want; r < 0.85 || r > 1.15 {
				t.Errorf("%s with %g codes of noise: %.2f, want %.2f", name, sd, got, want)
			}
		}
		m.Close()
	}
}

// Light made uneven, of two colours, and clipped by known amounts.
func TestLookAtLight(t *testing.T) {
	const w, h = 640, 480
	for _, ratio := range []float64{1, 2, 4, 8} {
		p := plainPhoto(t, w, h, func(x, _ float64) [3]float64 {
			v := 0.7 * math.Pow(ratio, -x/(w-1))
			return [3]float64{v, v, v}
		})
		s := Look(p, nil, nil)
		if r := s.LightRatio / ratio; r < 0.85 || r > 1.1 {
			t.Errorf("light from 1 to %g: read %.2f", ratio, s.LightRatio)
		}
		if s.CastRange > 3 {
			t.Errorf("grey light from 1 to %g: cast %.1f", ratio, s.CastRange)
		}
	}
	// Blue falling to two thirds across the picture, at the paper's lightness:
	// the range is the distance between the ends' a*b*.
	p := plainPhoto(t, w, h, func(x, _ float64) [3]float64 { return [3]float64{0.45, 0.45, 0.45 * math.Pow(1.5, 0.5-x/(w-1))} })
	at := func(blue float64) [3]float64 {
		rel := [3]float64{1, 1, blue}
		y := lum(rel)
		for k := range rel {
			rel[k] *= 0.483 / y
		}
		return colour.LinearToLab(rel)
	}
	a, b := at(math.Sqrt(1.5)), at(1/math.Sqrt(1.5))
	want := math.Hypot(a[1]-b[1], a[2]-b[2])
	if s := Look(p, nil, nil); math.Abs(s.CastRange/want-0.95) > 0.1 {
		t.Errorf("mixed light: %.1f, want about %.1f", s.CastRange, want)
	}
	// A fifth of the picture red at full scale.
	p = plainPhoto(t, w, h, func(x, _ float64) [3]float64 {
		if x < w/5 {
			return [3]float64{1, 0.3, 0.2}
		}
		return [3]float64{0.5, 0.5, 0.5}
	})
	if s := Look(p, nil, nil); math.Abs(s.PaperClipped[0]-0.2) > 0.02 || s.PaperClipped[1] != 0 || math.Abs(s.Clipped[0]-0.2) > 0.02 {
		t.Errorf("clipped: %v of the paper, %v of all, want 0.2 of red", s.PaperClipped, s.Clipped)
	}
	// A chequered cloth is no sheet, and plain paper is.
	for name, c := range map[string]struct {
		contrast float64
		plain    bool
	}{"paper": {0, true}, "cloth": {0.4, false}} {
		p := plainPhoto(t, w, h, func(x, y float64) [3]float64 {
			v := 0.5
			if (int(x)/24+int(y)/24)%2 == 0 {
				v *= 1 - c.contrast
			}
			return [3]float64{v, v, v}
		})
		if s := Look(p, nil, nil); (s.Texture < 0.05) != c.plain {
			t.Errorf("%s has texture %.3f", name, s.Texture)
		}
	}
}

// A marble in the open, in shadow, under a window's reflection, and of glass
// just like the paper.
func TestLookAtMarbles(t *testing.T) {
	const w, h = 640, 480
	e := calib.Ellipse{CxPX: 320, CyPX: 240, SemiMajorPX: 50, SemiMinorPX: 50}
	for _, c := range []struct {
		name         string
		shade, glass float64
		reflection   float64 // half side of a square reflection, radii
		check        func(m MarbleLook) bool
	}{
		{"open", 1, 0.15, 0, func(m MarbleLook) bool {
			return m.GlareShare < 0.02 && m.LightShare > 0.95 && m.LightShare < 1.05 && m.EdgeShare > 0.95
		}},
		{"shadow", 0.3, 0.15, 0, func(m MarbleLook) bool { return math.Abs(m.LightShare-0.3) < 0.04 }},
		{"reflection", 1, 0.15, 0.4, func(m MarbleLook) bool { return math.Abs(m.GlareShare-0.64/(math.Pi*0.81)) < 0.06 }},
		{"small highlight", 1, 0.15, 0.1, func(m MarbleLook) bool { return m.GlareShare > 0.008 && m.GlareShare < 0.05 }},
		{"like paper", 1, 0.5, 0, func(m MarbleLook) bool { return m.EdgeShare < 0.05 }},
	} {
		p := plainPhoto(t, w, h, func(x, y float64) [3]float64 {
			u, v := (x-e.CxPX)/50, (y-e.CyPX)/50
			d := math.Hypot(u, v)
			k := 0.5
			if d < 1.8 {
				k *= c.shade
			}
			if d < 1 {
				k = c.glass * c.shade
				if math.Abs(u) < c.reflection && math.Abs(v) < c.reflection {
					k = 1
				}
			}
			return [3]float64{k, k, k}
		})
		s := Look(p, []calib.Ellipse{e}, nil)
		if len(s.Marbles) != 1 || !c.check(s.Marbles[0]) {
			t.Errorf("%s: %+v", c.name, s.Marbles)
		}
	}
}

// Pictures too small or without open paper must not stop anything.
func TestLookAtNothingMuch(t *testing.T) {
	for _, size := range [][2]int{{1, 1}, {3, 200}, {24, 24}, {30, 25}} {
		p := plainPhoto(t, size[0], size[1], func(x, _ float64) [3]float64 { return [3]float64{0.2, 0.3, 0.4} })
		all := []calib.Ellipse{{CxPX: 10, CyPX: 10, SemiMajorPX: 100, SemiMinorPX: 100}}
		s := Look(p, all, nil)
		LookForUltraviolet(p, s, all)
		FindQuick(p, Scene{Camera: calib.Camera{FocalPX: 100}})
	}
}

// The quick finder sees the marbles of the sample trays.
func TestFindQuick(t *testing.T) {
	photos, err := filepath.Glob("../samples/photos/tray/*.jpg")
	if err != nil || len(photos) == 0 {
		t.Fatal("no sample trays")
	}
	for _, path := range photos[:3] {
		p, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		prior := calib.PriorFocal(p.Meta.Focal35MM, p.Width, p.Height)
		f := FindQuick(p, Scene{Camera: calib.Camera{FocalPX: prior.FocalPX, CxPX: float64(p.Width-1) / 2, CyPX: float64(p.Height-1) / 2}})
		p.Close()
		if len(f.Marbles) < 5 {
			t.Errorf("%s: %d marbles", path, len(f.Marbles))
		}
	}
}

// What a check does to a photo of 3 megapixels once it is decoded, the card's
// search aside.
func BenchmarkLook(b *testing.B) {
	p, err := Open("../samples/photos/tray/tray-1.jpg")
	if err != nil {
		b.Fatal(err)
	}
	defer p.Close()
	for b.Loop() {
		f := FindQuick(p, Scene{Camera: calib.Camera{FocalPX: 1500, CxPX: 800, CyPX: 600}})
		var e []calib.Ellipse
		for _, o := range f.Marbles {
			e = append(e, o.Ellipse)
		}
		Look(p, e, nil)
	}
}
