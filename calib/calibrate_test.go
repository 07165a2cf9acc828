package calib

import (
	"errors"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gocv.io/x/gocv"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// lensView is a view through a lens.
func lensView(v view, l *Lens, board [][2]float64) BoardView {
	out := BoardView{Board: board}
	for _, p := range v.pixels(board) {
		x, y := l.Seen(p[0], p[1])
		out.Seen = append(out.Seen, [2]float64{x, y})
	}
	return out
}

// shooting is a set of photos as the README asks for them: the card in the middle
// and in all corners, from straight above and leaning to all sides.
func shooting(n int, mostTilt float64, w, h int, l *Lens, rng *rand.Rand) []BoardView {
	var out []BoardView
	for i := range n {
		v := view{w: w, h: h, focalPX: l.FocalPX, shiftX: 0, shiftY: 0,
			heightMM: (0.9 + 0.3*rng.Float64()) * 190 * l.FocalPX / float64(w), tiltDeg: mostTilt * float64(i%4) / 3, azimuthDeg: 360 * rng.Float64(), rollDeg: 360 * rng.Float64()}
		bv := lensView(v, l, InnerCorners())
		// Moved about the frame by shifting what is seen of the pinhole: a turn of
		// the camera, which a homography of the ideal picture is.
		ax, ay := 0.28*(2*rng.Float64()-1), 0.2*(2*rng.Float64()-1)
		turn := rodrigues(Vec3{-ay, ax, 0})
		for k, p := range v.pixels(bv.Board) {
			r := Camera{FocalPX: l.FocalPX, CxPX: l.MidX, CyPX: l.MidY}.Ray(p[0], p[1])
			q := Vec3{Vec3(turn[0]).Dot(r), Vec3(turn[1]).Dot(r), Vec3(turn[2]).Dot(r)}
			x, y, _ := Camera{FocalPX: l.FocalPX, CxPX: l.MidX, CyPX: l.MidY, Lens: l}.Project(q)
			bv.Seen[k] = [2]float64{x, y}
		}
		bv.Seen = noisy(bv.Seen, 0.08, rng)
		out = append(out, bv)
	}
	return out
}

func someLens(w, h int, k1, k2, p1 float64) *Lens {
	return &Lens{FocalPX: 0.74 * float64(w), CxPX: float64(w-1)/2 + 0.004*float64(w), CyPX: float64(h-1)/2 - 0.003*float64(w),
		K1: k1, K2: k2, P1: p1, MidX: float64(w-1) / 2, MidY: float64(h-1) / 2}
}

// What Calibrate says it knows it must know: drawn 40 times with corners off by
// 0.08 px, the truth lies within the ellipsoid of the covariance as often as the
// chi-square distribution has it, and every parameter by itself within 95 %.
func TestCalibrationKnowsHowWellItKnows(t *testing.T) {
	const w, h, trialsN = 1600, 1200, 40
	l := someLens(w, h, -0.09, 0.04, 0)
	truth := map[string]float64{fitFocal: math.Log(l.FocalPX), fitCx: l.CxPX, fitCy: l.CyPX, "k1": l.K1, "k2": l.K2}
	inside, n := map[string]int{}, 0
	var d2 []float64
	for trial := range trialsN {
		rng := rand.New(rand.NewPCG(uint64(trial), 9))
		c, err := Calibrate(shooting(14, 35, w, h, l, rng), w, h, CalibrateOptions{Coefficients: []string{"k1", "k2"}})
		if err != nil {
			t.Fatal(err)
		}
		m := c.Model
		found := map[string]float64{fitFocal: math.Log(m.FocalPX), fitCx: m.CxPX, fitCy: m.CyPX, "k1": m.K1, "k2": m.K2}
		off := mat.NewVecDense(5, nil)
		cov := mat.NewSymDense(5, nil)
		for i, name := range m.Fitted {
			e := found[name] - truth[name]
			off.SetVec(i, e)
			if math.Abs(e) < 1.96*m.U(name) {
				inside[name]++
			}
			for j := range 5 {
				cov.SetSym(i, j, m.Covariance[i][j])
			}
		}
		n++
		var chol mat.Cholesky
		if !chol.Factorize(cov) {
			t.Fatal("no covariance")
		}
		var x mat.VecDense
		if err := chol.SolveVecTo(&x, off); err != nil {
			t.Fatal(err)
		}
		d2 = append(d2, mat.Dot(off, &x))
		nearly(t, "reprojection", c.ReprojectionPX, 0.08, 0.012)
		if len(c.Stray) > 0 {
			t.Errorf("trial %d: views %v left out", trial, c.Stray)
		}
	}
	// 95 % of 40 are 38; fewer than 33 happen once in 300 sets by chance.
	for name, k := range inside {
		t.Logf("%s within its 95 %% interval: %d of %d", name, k, n)
		if k < 33 {
			t.Errorf("%s within its 95 %% interval: %d of %d", name, k, n)
		}
	}
	// The mean of chi-square with 5 degrees of freedom is 5, its standard error
	// over 40 is 0.5.
	sum := 0.0
	limit := distuv.ChiSquared{K: 5}.Quantile(0.95)
	over := 0
	for _, d := range d2 {
		sum += d / float64(len(d2))
		if d > limit {
			over++
		}
	}
	t.Logf("mean squared distance %.2f (5 expected), %d of %d beyond the 95 %% ellipsoid", sum, over, n)
	if sum < 2.5 || sum > 6.7 || over > 7 {
		t.Errorf("mean squared distance %.2f, %d of %d beyond the 95 %% ellipsoid", sum, over, n)
	}
}

// Photos left out decide which coefficients there are: all that the lens has, and
// none where it has none.
func TestCalibrationChoosesTheLens(t *testing.T) {
	const w, h = 1600, 1200
	for _, tt := range []struct {
		name    string
		lens    *Lens
		must    []string
		mustNot []string
	}{
		{"none", someLens(w, h, 0, 0, 0), nil, []string{"k1", "k2", "k3", "p1", "p2"}},
		{"barrel", someLens(w, h, -0.03, 0, 0), []string{"k1"}, []string{"k3", "p1", "p2"}},
		{"strong", someLens(w, h, -0.2, 0.12, 0), []string{"k1", "k2"}, []string{"p1", "p2"}},
		{"decentred", someLens(w, h, -0.1, 0, 0.004), []string{"k1", "p1", "p2"}, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c, err := Calibrate(shooting(15, 35, w, h, tt.lens, rand.New(rand.NewPCG(5, 5))), w, h, CalibrateOptions{})
			if err != nil {
				t.Fatal(err)
			}
			for _, tr := range c.Tried {
				t.Logf("%s: %.4f px on photos left out", tr.Name(), tr.HeldOutPX)
			}
			t.Logf("chosen: %s; focal %.2f +- %.2f, true %.2f; inflation %.2f", c.Tried[c.Chosen].Name(), c.Model.FocalPX, c.Model.FocalPX*c.Model.U(fitFocal), tt.lens.FocalPX, c.Inflation)
			for _, n := range tt.must {
				if !slices.Contains(c.Model.Fitted, n) {
					t.Errorf("%s is not among %v", n, c.Model.Fitted)
				}
			}
			for _, n := range tt.mustNot {
				if slices.Contains(c.Model.Fitted, n) {
					t.Errorf("%s is among %v", n, c.Model.Fitted)
				}
			}
			nearly(t, "focal length", c.Model.FocalPX, tt.lens.FocalPX, 4*c.Model.U(fitFocal)*tt.lens.FocalPX)
			// What counts is where things are put: the photo's corner goes to the
			// same ray.
			found := c.Model.lens()
			for _, p := range [][2]float64{{80, 60}, {w - 80, h - 60}, {400, 900}} {
				a := Camera{FocalPX: found.FocalPX, CxPX: found.MidX, CyPX: found.MidY, Lens: found}.Ray(p[0], p[1])
				b := Camera{FocalPX: tt.lens.FocalPX, CxPX: tt.lens.MidX, CyPX: tt.lens.MidY, Lens: tt.lens}.Ray(p[0], p[1])
				// A turn of both is pose: angles between two pixels' rays count.
				a0 := Camera{FocalPX: found.FocalPX, CxPX: found.MidX, CyPX: found.MidY, Lens: found}.Ray(w/2, h/2)
				b0 := Camera{FocalPX: tt.lens.FocalPX, CxPX: tt.lens.MidX, CyPX: tt.lens.MidY, Lens: tt.lens}.Ray(w/2, h/2)
				nearly(t, fmt.Sprintf("angle from the middle to %v, px", p), (math.Acos(a.Dot(a0))-math.Acos(b.Dot(b0)))*tt.lens.FocalPX, 0,
					0.5+3*c.Model.U(fitFocal)*math.Hypot(p[0]-w/2, p[1]-h/2))
			}
		})
	}
}

func TestCalibrationRefuses(t *testing.T) {
	const w, h = 1600, 1200
	l := someLens(w, h, -0.05, 0, 0)
	rng := func() *rand.Rand { return rand.New(rand.NewPCG(3, 3)) }
	line := shooting(8, 35, w, h, l, rng())
	for i := range line[2].Seen {
		line[2].Seen[i][1] = 100 + line[2].Seen[i][0]
	}
	for _, tt := range []struct {
		name  string
		views []BoardView
		says  string
	}{
		{"no photo", nil, "0 usable photos"},
		{"one photo", shooting(1, 30, w, h, l, rng()), "1 usable photos"},
		{"too few", shooting(LeastViews-1, 30, w, h, l, rng()), "are the least"},
		{"all from straight above", shooting(14, 0, w, h, l, rng()), "same angle"},
		{"all nearly from straight above", shooting(14, 10, w, h, l, rng()), "same angle"},
		{"corners on one line", line, "flat sheet"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c, err := Calibrate(tt.views, w, h, CalibrateOptions{})
			if !errors.Is(err, ErrCalibration) || !strings.Contains(err.Error(), tt.says) {
				t.Fatalf("%v, %v; want an error with %q", c, err, tt.says)
			}
			t.Log(err)
		})
	}
}

// A photo of a bowed card, and one whose corners are muddled, do no harm.
func TestCalibrationLeavesBadPhotosOut(t *testing.T) {
	const w, h = 1600, 1200
	l := someLens(w, h, -0.05, 0, 0)
	views := shooting(14, 35, w, h, l, rand.New(rand.NewPCG(8, 8)))
	for i := range views[4].Seen {
		u := float64(i%InnerCols)/(InnerCols-1) - 0.5
		views[4].Seen[i][1] += 6 * (4*u*u - 1)
	}
	for i := range 9 {
		views[9].Seen[i], views[9].Seen[i+9] = views[9].Seen[i+9], views[9].Seen[i]
	}
	c, err := Calibrate(views, w, h, CalibrateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(c.Stray, []int{4, 9}) || len(c.Used) != 12 {
		t.Errorf("left out: %v, used: %v", c.Stray, c.Used)
	}
	if c.ViewPX[4] < 1 || c.ViewPX[9] < 1 {
		t.Errorf("their residuals: %g and %g px", c.ViewPX[4], c.ViewPX[9])
	}
	nearly(t, "focal length", c.Model.FocalPX, l.FocalPX, 4*c.Model.U(fitFocal)*l.FocalPX)
	nearly(t, "k1", c.Model.K1, l.K1, 4*c.Model.U("k1"))
}

// openCVViews are the published pictures' corners as find finds them.
func openCVViews(t *testing.T, pub publishedCalibration, find func(grey gocv.Mat, corners *gocv.Mat) bool) []BoardView {
	t.Helper()
	var views []BoardView
	for _, name := range pub.views {
		img := gocv.IMRead(filepath.Join(pub.dir, name), gocv.IMReadGrayScale)
		if img.Empty() {
			img.Close()
			t.Skipf("%s is missing or can't be read; apt install opencv-doc brings it", name)
		}
		found := gocv.NewMat()
		ok := find(img, &found)
		data, err := found.DataPtrFloat32()
		if !ok || err != nil {
			t.Fatalf("%s: board not found, %v", name, err)
		}
		var v BoardView
		for i := range pub.boardCols * pub.boardRows {
			v.Board = append(v.Board, [2]float64{pub.squareMM * float64(i%pub.boardCols), pub.squareMM * float64(i/pub.boardCols)})
			v.Seen = append(v.Seen, [2]float64{float64(data[2*i]), float64(data[2*i+1])})
		}
		views = append(views, v)
		found.Close()
		img.Close()
	}
	return views
}

var allCoefficients = []string{"k1", "k2", "k3", "p1", "p2"}

// values are a model's parameters by name.
func (m *CameraModel) values() map[string]float64 {
	return map[string]float64{fitFocal: math.Log(m.FocalPX), fitCx: m.CxPX, fitCy: m.CyPX, "k1": m.K1, "k2": m.K2, "k3": m.K3, "p1": m.P1, "p2": m.P2}
}

// Against OpenCV's own calibration of the same pictures (left_intrinsics.yml). Fed
// with the corners that OpenCV's calibration sample finds, no view left out, every
// parameter and every view's residual comes out as published. One view's corners
// are wrongly found by it (1.18 px, five times any other's): Calibrate leaves that
// one out by itself, and then agrees with what it makes of the finder that the
// card is found with.
func TestCalibrationOfOpenCVsPictures(t *testing.T) {
	pub := readPublishedCalibration(t)
	const w, h = 640, 480
	size := image.Pt(pub.boardCols, pub.boardRows)
	// As OpenCV's sample calibration.cpp calls them.
	theirs := openCVViews(t, pub, func(grey gocv.Mat, corners *gocv.Mat) bool {
		ok := gocv.FindChessboardCorners(grey, size, corners, gocv.CalibCBAdaptiveThresh|gocv.CalibCBNormalizeImage|gocv.CalibCBFastCheck)
		if ok {
			gocv.CornerSubPix(grey, corners, image.Pt(11, 11), image.Pt(-1, -1), gocv.NewTermCriteria(gocv.Count+gocv.EPS, 30, 0.1))
		}
		return ok
	})
	b := newBundle(theirs, w, h)
	if err := b.start(); err != nil {
		t.Fatal(err)
	}
	all := make([]int, len(theirs))
	for i := range all {
		all[i] = i
	}
	s := b.solve(b.first, allCoefficients, all)
	if !s.ok {
		t.Fatal("no solution")
	}
	for _, q := range []struct {
		name            string
		got, want, near float64
	}{
		{"focal length", math.Exp(s.cam[0]), pub.focalPX, 0.01}, {"cx", s.cam[1], pub.cx, 0.01}, {"cy", s.cam[2], pub.cy, 0.01},
		{"k1", s.cam[3], pub.distortion[0], 1e-4}, {"k2", s.cam[4], pub.distortion[1], 1e-3}, {"k3", s.cam[5], pub.distortion[4], 2e-3},
		{"p1", s.cam[6], pub.distortion[2], 1e-5}, {"p2", s.cam[7], pub.distortion[3], 1e-5},
	} {
		t.Logf("%s %.7g, published %.7g", q.name, q.got, q.want)
		nearly(t, q.name, q.got, q.want, q.near)
	}
	for i := range all {
		// Published is the rms of the distances, not of x and y.
		nearly(t, pub.views[i], math.Sqrt2*b.viewRMS(s, i), pub.reprojectionPX[i], 0.001)
	}

	c1, err := Calibrate(theirs, w, h, CalibrateOptions{Coefficients: allCoefficients})
	if err != nil {
		t.Fatal(err)
	}
	if len(c1.Stray) != 1 || pub.views[c1.Stray[0]] != "left02.jpg" {
		t.Errorf("left out: %v, want left02.jpg, whose corners are wrong", c1.Stray)
	}
	ours := openCVViews(t, pub, func(grey gocv.Mat, corners *gocv.Mat) bool {
		return gocv.FindChessboardCornersSB(grey, size, corners, gocv.CalibCBAccuracy|gocv.CalibCBNormalizeImage)
	})
	c2, err := Calibrate(ours, w, h, CalibrateOptions{Coefficients: allCoefficients})
	if err != nil {
		t.Fatal(err)
	}
	if len(c2.Stray) != 0 {
		t.Errorf("left out: %v", c2.Stray)
	}
	t.Logf("inflation %.1f and %.1f; reprojection %.3f and %.3f px", c1.Inflation, c2.Inflation, c1.ReprojectionPX, c2.ReprojectionPX)
	published := map[string]float64{fitFocal: math.Log(pub.focalPX), fitCx: pub.cx, fitCy: pub.cy,
		"k1": pub.distortion[0], "k2": pub.distortion[1], "p1": pub.distortion[2], "p2": pub.distortion[3], "k3": pub.distortion[4]}
	for _, name := range c2.Model.Fitted {
		u1, u2 := c1.Model.U(name), c2.Model.U(name)
		v1, v2 := c1.Model.values()[name], c2.Model.values()[name]
		t.Logf("%s: %.5g +- %.2g by OpenCV's corners without left02, %.5g +- %.2g by this finder's; published %.5g, %.1f and %.1f standard uncertainties off", name,
			v1, u1, v2, u2, published[name], (v1-published[name])/u1, (v2-published[name])/u2)
		// Eight at once: each 95 in 100 times within 2.73 (Bonferroni). What the
		// published ones are uncertain by is not stated and not counted.
		nearly(t, name+" off the published one, in standard uncertainties", (v1-published[name])/u1, 0, 2.73)
		nearly(t, name+", difference over its standard uncertainty", (v1-v2)/math.Hypot(u1, u2), 0, 2)
	}
	free, err := Calibrate(ours, w, h, CalibrateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for _, tr := range free.Tried {
		t.Logf("%s: %.4f px on photos left out", tr.Name(), tr.HeldOutPX)
	}
	t.Logf("chosen: %s", free.Tried[free.Chosen].Name())
	if !slices.Contains(free.Model.Fitted, "k1") || !slices.Contains(free.Model.Fitted, "k2") {
		t.Errorf("chosen: %v", free.Model.Fitted)
	}
}
