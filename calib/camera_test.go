package calib

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gocv.io/x/gocv"
)

// OpenCV's undistortPoints is the outside check of the lens's formula and of its
// inverse.
func TestLensIsOpenCVs(t *testing.T) {
	l := Lens{FocalPX: 1200, CxPX: 801, CyPX: 595, K1: -0.12, K2: 0.05, K3: -0.01, P1: 0.001, P2: -0.002, MidX: 799.5, MidY: 599.5}
	mat := func(rows, cols int, v ...float64) gocv.Mat {
		m := gocv.NewMatWithSize(rows, cols, gocv.MatTypeCV64FC1)
		for i, x := range v {
			m.SetDoubleAt(i/cols, i%cols, x)
		}
		return m
	}
	k := mat(3, 3, l.FocalPX, 0, l.CxPX, 0, l.FocalPX, l.CyPX, 0, 0, 1)
	defer k.Close()
	d := mat(5, 1, l.K1, l.K2, l.P1, l.P2, l.K3)
	defer d.Close()
	r := mat(3, 3, 1, 0, 0, 0, 1, 0, 0, 0, 1)
	defer r.Close()
	p := mat(3, 3, l.FocalPX, 0, l.MidX, 0, l.FocalPX, l.MidY, 0, 0, 1)
	defer p.Close()
	var pts [][2]float64
	for y := 0.0; y < 1200; y += 133 {
		for x := 0.0; x < 1600; x += 177 {
			pts = append(pts, [2]float64{x, y})
		}
	}
	src := gocv.NewMatWithSize(len(pts), 1, gocv.MatTypeCV64FC2)
	defer src.Close()
	in, err := src.DataPtrFloat64()
	if err != nil {
		t.Fatal(err)
	}
	for i, q := range pts {
		in[2*i], in[2*i+1] = q[0], q[1]
	}
	dst := gocv.NewMat()
	defer dst.Close()
	gocv.UndistortPoints(src, &dst, k, d, r, p)
	out, err := dst.DataPtrFloat64()
	if err != nil {
		t.Fatal(err)
	}
	for i, q := range pts {
		x, y := l.Ideal(q[0], q[1])
		// OpenCV's inverse takes five steps of a fixed point, which leaves 0.05 px
		// at this lens's corners.
		if math.Hypot(x-out[2*i], y-out[2*i+1]) > 0.06 {
			t.Errorf("%v becomes %.3f, %.3f; OpenCV has %.3f, %.3f", q, x, y, out[2*i], out[2*i+1])
		}
		u, v := l.Seen(x, y)
		nearly(t, fmt.Sprintf("there and back from %v", q), math.Hypot(u-q[0], v-q[1]), 0, 1e-7)
	}
}

func TestLensFolds(t *testing.T) {
	for _, tt := range []struct {
		k1, k2 float64
		folds  bool
	}{{0, 0, false}, {-0.15, 0, false}, {0.3, 0, false}, {-0.9, 0, true}, {0, -1.2, true}} {
		l := someLens(1600, 1200, tt.k1, tt.k2, 0)
		if got := l.Folds(1600, 1200); got != tt.folds {
			t.Errorf("k1 %g, k2 %g: %v", tt.k1, tt.k2, got)
		}
	}
}

// model is a known camera of a frame of w x h with a lens.
func model(l *Lens, w, h int) CameraModel {
	m := CameraModel{WidthPX: w, HeightPX: h, FocalPX: l.FocalPX, CxPX: l.CxPX, CyPX: l.CyPX, K1: l.K1, K2: l.K2, K3: l.K3, P1: l.P1, P2: l.P2,
		Fitted: []string{fitFocal, fitCx, fitCy, "k1", "k2", "p1", "p2"}}
	for i, u := range []float64{0.001, 0.8, 0.8, 0.003, 0.01, 2e-4, 2e-4} {
		row := make([]float64, 7)
		row[i] = u * u
		m.Covariance = append(m.Covariance, row)
	}
	return m
}

// Turned and reduced, the camera sees the same ray at the same place.
func TestCameraModelForAnyOrientationAndSize(t *testing.T) {
	const w, h = 1600, 1200
	l := someLens(w, h, -0.1, 0.03, 0.002)
	l.P2 = -0.001
	m := model(l, w, h)
	if err := m.Check(); err != nil {
		t.Fatal(err)
	}
	stored := Camera{FocalPX: l.FocalPX, CxPX: l.MidX, CyPX: l.MidY, Lens: l}
	for o := 1; o <= 8; o++ {
		for _, s := range []float64{1, 0.5, 2.52} {
			sw, sh := int(w*s), int(h*s)
			// Where the stored pixel (x, y) of sw x sh stands upright (EXIF 2.32,
			// 4.6.4: the 0th row and column of each value).
			up := map[int]func(x, y float64) (float64, float64){
				1: func(x, y float64) (float64, float64) { return x, y },
				2: func(x, y float64) (float64, float64) { return float64(sw-1) - x, y },
				3: func(x, y float64) (float64, float64) { return float64(sw-1) - x, float64(sh-1) - y },
				4: func(x, y float64) (float64, float64) { return x, float64(sh-1) - y },
				5: func(x, y float64) (float64, float64) { return y, x },
				6: func(x, y float64) (float64, float64) { return float64(sh-1) - y, x },
				7: func(x, y float64) (float64, float64) { return float64(sh-1) - y, float64(sw-1) - x },
				8: func(x, y float64) (float64, float64) { return y, float64(sw-1) - x },
			}[o]
			uw, uh := sw, sh
			if o >= 5 {
				uw, uh = sh, sw
			}
			k, ok := m.For(uw, uh, o)
			if !ok || len(k.Spread) != 4 {
				t.Fatalf("orientation %d: %v, %d lenses", o, ok, len(k.Spread))
			}
			a, b := [2]float64{311, 207}, [2]float64{1433, 905}
			ray := func(p [2]float64) Vec3 {
				x, y := up((p[0]+0.5)*s-0.5, (p[1]+0.5)*s-0.5)
				return k.Camera().Ray(x, y)
			}
			nearly(t, fmt.Sprintf("orientation %d, scale %g: angle between two rays", o, s),
				ray(a).Dot(ray(b)), stored.Ray(a[0], a[1]).Dot(stored.Ray(b[0], b[1])), 1e-9)
			nearly(t, "angle to the axis", ray(a)[2], stored.Ray(a[0], a[1])[2], 1e-9)
		}
	}
	if _, ok := m.For(1600, 900, 1); ok {
		t.Error("a frame of another shape is taken")
	}
	if _, ok := m.For(1200, 1600, 1); ok {
		t.Error("an upright frame stored as such is taken for a turned one")
	}
}

func TestCameraModelCheck(t *testing.T) {
	good := func() CameraModel { return model(someLens(1600, 1200, -0.1, 0.03, 0), 1600, 1200) }
	for _, tt := range []struct {
		name string
		edit func(*CameraModel)
		says string
	}{
		{"no frame", func(m *CameraModel) { m.WidthPX = 0 }, "frame"},
		{"no focal length", func(m *CameraModel) { m.FocalPX = math.NaN() }, "focal"},
		{"principal point elsewhere", func(m *CameraModel) { m.CyPX = 5000 }, "principal"},
		{"unknown coefficient", func(m *CameraModel) { m.Fitted[3] = "k9" }, "k9"},
		{"covariance too small", func(m *CameraModel) { m.Covariance = m.Covariance[:4] }, "covariance"},
		{"covariance not square", func(m *CameraModel) { m.Covariance[2] = nil }, "covariance"},
		{"negative variance", func(m *CameraModel) { m.Covariance[3][3] = -1 }, "covariance"},
		{"a lens that folds", func(m *CameraModel) { m.K1 = -2 }, "inside out"},
	} {
		m := good()
		tt.edit(&m)
		if err := m.Check(); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: %v", tt.name, err)
		}
	}
	m := good()
	if err := m.Check(); err != nil {
		t.Error(err)
	}
}

// A marble in the corner of a frame bent by 2 %: with the lens known it comes out
// true; taken for a pinhole, wrong; and the lens's own uncertainty is in the
// budget.
func TestDiameterThroughALens(t *testing.T) {
	v := phone(300, 12, 40, 20)
	l := &Lens{FocalPX: v.focalPX, CxPX: float64(v.w-1)/2 + 12, CyPX: float64(v.h-1)/2 - 9, K1: -0.0277, MidX: float64(v.w-1) / 2, MidY: float64(v.h-1) / 2}
	corner := l.ShiftPX(0, 0) / math.Hypot(l.CxPX, l.CyPX)
	if corner > -0.017 || corner < -0.023 {
		t.Fatalf("distortion of %.3f at the corner", corner)
	}
	m := CameraModel{WidthPX: v.w, HeightPX: v.h, FocalPX: l.FocalPX, CxPX: l.CxPX, CyPX: l.CyPX, K1: l.K1,
		Fitted: []string{fitFocal, fitCx, fitCy, "k1"}, Covariance: [][]float64{{1e-6, 0, 0, 0}, {0, 4, 0, 0}, {0, 0, 4, 0}, {0, 0, 0, 1e-6}}}
	known, ok := m.For(v.w, v.h, 1)
	if !ok {
		t.Fatal("not for its own frame")
	}
	cam := Camera{FocalPX: v.focalPX, CxPX: l.MidX, CyPX: l.MidY, Lens: l}
	seen := make([][2]float64, 0, 36)
	for _, c := range InnerCorners() {
		x, y, _ := cam.Project(v.seen(Vec3{c[0], c[1], 0}))
		seen = append(seen, [2]float64{x, y})
	}
	pose, err := FitPoseKnown(InnerCorners(), noisy(seen, 0.02, rand.New(rand.NewPCG(1, 1))), v.w, v.h, &known)
	if err != nil {
		t.Fatal(err)
	}
	if pose.FocalSource != "profile" || pose.Camera.Lens == nil || len(pose.Lenses) != 1 {
		t.Errorf("pose by %s, lens %v, %d more", pose.FocalSource, pose.Camera.Lens, len(pose.Lenses))
	}
	nearly(t, "height", pose.Plane.HeightMM, v.heightMM, 0.3)
	blind, err := FitPose(InnerCorners(), seen, v.w, v.h, FocalPrior{v.focalPX, focalSigmaEXIF, "exif"})
	if err != nil {
		t.Fatal(err)
	}
	const mm = 16.0
	for _, at := range [][2]float64{{52, 37}, {-70, -40}, {170, 110}, {-60, 120}} {
		// Resting on the table, which is under the card's thickness.
		centre := v.seen(Vec3{at[0], at[1], cardThicknessMM - mm/2})
		cone := ConeOf(centre, mm/2)
		// What is seen: rays of the true cone through the lens.
		e, _ := cone.Outline(cam.Pinhole())
		var rays, flat []Vec3
		var ones []float64
		for k := range 48 {
			x, y, _, _ := e.At(2 * math.Pi * float64(k) / 48)
			x, y = l.Seen(x, y)
			rays, flat, ones = append(rays, pose.Camera.Ray(x, y)), append(flat, blind.Camera.Ray(x, y)), append(ones, 1)
		}
		measure := func(p *Pose, rays []Vec3) Diameter {
			c, ok := FitCone(rays, ones)
			if !ok {
				t.Fatal("no cone")
			}
			d, err := MeasureDiameter(p, SeenOutline{Cone: c, BiasUPX: 0.1}, PrintScale{Factor: 1, U: 0.001})
			if err != nil {
				t.Fatal(err)
			}
			return d
		}
		d, b := measure(pose, rays), measure(blind, flat)
		lens := -1.0
		for _, c := range d.Budget {
			if c.Name == FromLens {
				lens = c.U
			}
		}
		t.Logf("at %v: %.3f +- %.3f mm (lens %.4f); as a pinhole %.3f", at, d.MM, d.U95MM, lens, b.MM)
		nearly(t, "diameter", d.MM, mm, 0.02)
		if !(lens > 0 && lens < 0.05) {
			t.Errorf("the lens's part in the uncertainty is %g mm", lens)
		}
	}
}

// The ellipse drawn through a lens is where the lens shows the outline.
func TestOutlineThroughALens(t *testing.T) {
	l := &Lens{FocalPX: 2960, CxPX: 2020, CyPX: 1500, K1: -0.03, P1: 0.0005, MidX: 2015.5, MidY: 1511.5}
	cam := Camera{FocalPX: 2960, CxPX: 2015.5, CyPX: 1511.5, Lens: l}
	for _, c := range []Vec3{{0, 0, 300}, {-180, 120, 300}, {190, -140, 310}} {
		cone := ConeOf(c, 8)
		e, ok := cone.Outline(cam)
		if !ok {
			t.Fatal("no outline")
		}
		ideal, _ := cone.Outline(cam.Pinhole())
		for k := range 24 {
			x, y, _, _ := ideal.At(2 * math.Pi * float64(k) / 24)
			x, y = l.Seen(x, y)
			u, v := e.Unit(x, y)
			nearly(t, fmt.Sprintf("%v, point %d off the ellipse, px", c, k), (math.Hypot(u, v)-1)*e.MeanRadiusPX(), 0, 0.1)
		}
	}
}
