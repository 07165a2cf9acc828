package calib

import (
	"fmt"
	"image"
	"math"
	"os"
	"path/filepath"
	"testing"

	"gocv.io/x/gocv"

	"tawsight/internal/colour"
)

// degrade blurs a photo in linear light with OpenCV's filters: a Gaussian of
// standard deviation sigma, then a straight smear of length px at deg.
func degrade(t testing.TB, bgr gocv.Mat, sigma, length, deg float64) gocv.Mat {
	t.Helper()
	px := NewPixels(bgr)
	lin := gocv.NewMatWithSize(px.H, px.W, gocv.MatTypeCV32FC3)
	defer lin.Close()
	d, err := lin.DataPtrFloat32()
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i < px.W*px.H; i++ {
		c := px.Linear(i%px.W, i/px.W)
		d[3*i], d[3*i+1], d[3*i+2] = float32(c[2]), float32(c[1]), float32(c[0])
	}
	if sigma > 0 {
		gocv.GaussianBlur(lin, &lin, image.Pt(0, 0), sigma, sigma, gocv.BorderReplicate)
	}
	if length > 0 {
		n := int(length) + 5
		n |= 1
		k := gocv.NewMatWithSize(n, n, gocv.MatTypeCV32FC1)
		defer k.Close()
		kd, _ := k.DataPtrFloat32()
		s, c := math.Sincos(deg * math.Pi / 180)
		const m = 400
		for i := 0; i < m; i++ {
			q := length * ((float64(i)+0.5)/m - 0.5)
			x, y := q*c+float64(n/2), q*s+float64(n/2)
			x0, y0 := int(x), int(y)
			fx, fy := x-float64(x0), y-float64(y0)
			for _, p := range [4][3]float64{{0, 0, (1 - fx) * (1 - fy)}, {1, 0, fx * (1 - fy)}, {0, 1, (1 - fx) * fy}, {1, 1, fx * fy}} {
				kd[(y0+int(p[1]))*n+x0+int(p[0])] += float32(p[2] / m)
			}
		}
		gocv.Filter2D(lin, &lin, -1, k, image.Pt(-1, -1), 0, gocv.BorderReplicate)
	}
	out := gocv.NewMatWithSize(px.H, px.W, gocv.MatTypeCV8UC3)
	o, err := out.DataPtrUint8()
	if err != nil {
		t.Fatal(err)
	}
	d, _ = lin.DataPtrFloat32()
	for i := range o {
		o[i] = uint8(255*colour.LinearToSRGB(math.Max(0, math.Min(1, float64(d[i])))) + 0.5)
	}
	return out
}

// The blur of drawn cards, blurred again by OpenCV by known amounts; variances
// of blurs add.
func TestCardBlur(t *testing.T) {
	for _, v := range []struct {
		name                string
		height, tilt, a, ro float64
	}{{"straight", 300, 0, 0, 0}, {"turned", 300, 0, 0, 33}, {"tilted", 300, 20, 40, 70}} {
		sharp := plain(small(v.height, v.tilt, v.a, v.ro)).photo(t)
		det := Detect(sharp)
		if !det.Found {
			t.Fatal("no card in the sharp photo")
		}
		own, ok := CardBlur(sharp, det.Corners)
		if !ok {
			t.Fatal("no blur read")
		}
		for _, sigma := range []float64{1, 2, 4, 7} {
			t.Run(fmt.Sprintf("%s/gauss%g", v.name, sigma), func(t *testing.T) {
				m := degrade(t, sharp, sigma, 0, 0)
				defer m.Close()
				b, ok := CardBlur(m, det.Corners)
				if !ok {
					t.Fatal("no blur read")
				}
				want := math.Hypot(sigma, own.SigmaPX)
				if r := b.SigmaPX / want; r < 0.85 || r > 1.15 {
					t.Errorf("sigma %.2f px, want %.2f", b.SigmaPX, want)
				}
				if b.Directional(1.4) {
					t.Errorf("round blur read as %.2f by %.2f px", b.MajorPX, b.MinorPX)
				}
			})
		}
		for _, length := range []float64{5, 10, 18} {
			for _, deg := range []float64{0, 24, 45, 80, -30, -60} {
				t.Run(fmt.Sprintf("%s/motion%g at %g", v.name, length, deg), func(t *testing.T) {
					m := degrade(t, sharp, 0, length, deg)
					defer m.Close()
					b, ok := CardBlur(m, det.Corners)
					if !ok {
						t.Fatal("no blur read")
					}
					if !b.Directional(1.4) {
						t.Errorf("a smear read as %.2f by %.2f px", b.MajorPX, b.MinorPX)
					}
					if r := b.MotionPX() / length; r < 0.75 || r > 1.25 {
						t.Errorf("length %.1f px, want %g", b.MotionPX(), length)
					}
					if off := math.Abs(math.Remainder(b.AngleDeg-deg, 180)); off > 12 {
						t.Errorf("direction %.0f, want %g", b.AngleDeg, deg)
					}
				})
			}
		}
		sharp.Close()
	}
}

// Public photos (OpenCV's own, Debian's opencv-doc) blurred by OpenCV by known
// amounts.
func TestEdgeBlurOnPublicPhotos(t *testing.T) {
	for _, name := range []string{"left01.jpg", "fruits.jpg", "home.jpg", "building.jpg"} {
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
		own := EdgeBlur(m, nil)
		last := own
		for _, sigma := range []float64{2, 3, 4, 6} {
			d := degrade(t, m, sigma, 0, 0)
			got := EdgeBlur(d, nil)
			d.Close()
			want := math.Hypot(sigma, own)
			t.Logf("%s: own %.2f, applied %g: %.2f px, want %.2f", name, own, sigma, got, want)
			if r := got / want; r < 0.8 || r > 1.2 {
				t.Errorf("%s blurred by %g px: %.2f px, want %.2f", name, sigma, got, want)
			}
			if got <= last {
				t.Errorf("%s: %.2f px at sigma %g is no more than before", name, got, sigma)
			}
			last = got
		}
		m.Close()
	}
}
