package calib

import (
	"bufio"
	"errors"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"gocv.io/x/gocv"
	"gonum.org/v1/gonum/mat"
)

// view is a camera over a card whose truth is known. The camera looks at the
// card's middle, heightMM above the card's plane, leaning tiltDeg off the
// vertical toward the card's azimuthDeg, then rolled by rollDeg about its axis.
type view struct {
	w, h                                   int
	focalPX                                float64
	heightMM, tiltDeg, azimuthDeg, rollDeg float64
	shiftX, shiftY                         float64 // principal point off the picture's middle, px
}

func (v view) camera() Camera {
	return Camera{FocalPX: v.focalPX, CxPX: float64(v.w-1)/2 + v.shiftX, CyPX: float64(v.h-1)/2 + v.shiftY}
}

// axes are the camera's own axes (right, down, forward) in card coordinates
// (x right, y down, z into the table), and where the camera is.
func (v view) axes() (right, down, forward, at Vec3) {
	sin := func(d float64) float64 { return math.Sin(d * math.Pi / 180) }
	cos := func(d float64) float64 { return math.Cos(d * math.Pi / 180) }
	t, a := v.tiltDeg, v.azimuthDeg
	forward = Vec3{sin(t) * cos(a), sin(t) * sin(a), cos(t)}
	// Start from the card's x axis as far as it is square to forward.
	r0 := Vec3{1 - forward[0]*forward[0], -forward[0] * forward[1], -forward[0] * forward[2]}
	r0 = r0.Scale(1 / math.Sqrt(r0.Dot(r0)))
	d0 := Vec3{forward[1]*r0[2] - forward[2]*r0[1], forward[2]*r0[0] - forward[0]*r0[2], forward[0]*r0[1] - forward[1]*r0[0]}
	for k := range 3 {
		right[k] = cos(v.rollDeg)*r0[k] + sin(v.rollDeg)*d0[k]
		down[k] = -sin(v.rollDeg)*r0[k] + cos(v.rollDeg)*d0[k]
	}
	far := v.heightMM / cos(t)
	at = Vec3{CardWidthMM/2 - far*forward[0], CardHeightMM/2 - far*forward[1], -v.heightMM}
	return right, down, forward, at
}

// seen takes card coordinates, mm, to camera coordinates.
func (v view) seen(c Vec3) Vec3 {
	r, d, f, at := v.axes()
	q := Vec3{c[0] - at[0], c[1] - at[1], c[2] - at[2]}
	return Vec3{r.Dot(q), d.Dot(q), f.Dot(q)}
}

// pixel is where a point of the card is seen.
func (v view) pixel(x, y float64) [2]float64 {
	p := v.seen(Vec3{x, y, 0})
	c := v.camera()
	return [2]float64{c.CxPX + c.FocalPX*p[0]/p[2], c.CyPX + c.FocalPX*p[1]/p[2]}
}

func (v view) pixels(card [][2]float64) [][2]float64 {
	out := make([][2]float64, len(card))
	for i, c := range card {
		out[i] = v.pixel(c[0], c[1])
	}
	return out
}

// phone is a 12 megapixel phone camera, about 26 mm equivalent.
func phone(heightMM, tiltDeg, azimuthDeg, rollDeg float64) view {
	return view{w: 4032, h: 3024, focalPX: 2960, heightMM: heightMM, tiltDeg: tiltDeg, azimuthDeg: azimuthDeg, rollDeg: rollDeg}
}

func noisy(p [][2]float64, sigma float64, rng *rand.Rand) [][2]float64 {
	out := make([][2]float64, len(p))
	for i := range p {
		out[i] = [2]float64{p[i][0] + sigma*rng.NormFloat64(), p[i][1] + sigma*rng.NormFloat64()}
	}
	return out
}

func TestExactCornersGiveTheExactPose(t *testing.T) {
	for _, f := range []float64{0.7, 1, 2.2} {
		for _, tilt := range []float64{0, 5, 20, 45, 60} {
			for _, roll := range []float64{0, 90, 180, 237} {
				v := phone(300*f, tilt, 40, roll)
				v.focalPX *= f
				t.Run(fmt.Sprintf("focal %.0f, tilt %g, roll %g", v.focalPX, tilt, roll), func(t *testing.T) {
					p, err := FitPose(InnerCorners(), v.pixels(InnerCorners()), v.w, v.h, FocalPrior{v.focalPX, focalSigmaEXIF, "exif"})
					if err != nil {
						t.Fatal(err)
					}
					nearly(t, "focal length", p.Camera.FocalPX, v.focalPX, 1e-4*v.focalPX)
					nearly(t, "height", p.Plane.HeightMM, v.heightMM, 1e-4*v.heightMM)
					nearly(t, "tilt", p.TiltDeg, tilt, 0.01)
					nearly(t, "reprojection", p.ReprojectionPX, 0, 1e-3)
					// Every point of the card lands where it must, its
					// corners too, which were not fitted.
					for _, c := range [][2]float64{{0, 0}, {CardWidthMM, 0}, {0, CardHeightMM}, {CardWidthMM, CardHeightMM}} {
						x, y, ok := p.Pixel(c[0], c[1])
						want := v.pixel(c[0], c[1])
						if !ok || math.Hypot(x-want[0], y-want[1]) > 0.01 {
							t.Errorf("card point %v at %g, %g, want %v", c, x, y, want)
						}
						at := p.CardPoint(c[0], c[1])
						nearly(t, "card point off the plane", p.Plane.Normal.Dot(at)+p.Plane.HeightMM, 0, 1e-6)
					}
					if p.Plane.Normal.Dot(p.CardPoint(CardWidthMM/2, CardHeightMM/2)) >= 0 {
						t.Error("the normal points away from the camera")
					}
				})
			}
		}
	}
}

// Straight down, a pixel at the middle spans H / f on the plane.
func TestMMPerPX(t *testing.T) {
	for _, v := range []view{phone(300, 0, 0, 0), phone(250, 30, 10, 0)} {
		p, err := FitPose(InnerCorners(), v.pixels(InnerCorners()), v.w, v.h, FocalPrior{v.focalPX, focalSigmaEXIF, "exif"})
		if err != nil {
			t.Fatal(err)
		}
		nearly(t, "mm per px", p.MMPerPX(), v.heightMM/math.Cos(v.tiltDeg*math.Pi/180)/v.focalPX, 1e-6)
	}
}

// Where the focal length is said to come from: the card when it tells much
// more than was known before, which takes tilt.
func TestFocalSource(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 1))
	for _, tt := range []struct {
		tilt, f35 float64
		want      string
	}{
		{0, 0, "assumed"},
		{2, 0, "assumed"},
		{35, 0, "solved"},
		{50, 0, "solved"},
		{0, 26, "exif"},
		{10, 26, "exif"},
		{50, 26, "solved"},
	} {
		t.Run(fmt.Sprintf("tilt %g, 35 mm %g", tt.tilt, tt.f35), func(t *testing.T) {
			v := phone(280, tt.tilt, 70, 15)
			p, err := FitPose(InnerCorners(), noisy(v.pixels(InnerCorners()), 0.15, rng), v.w, v.h, PriorFocal(tt.f35, v.w, v.h))
			if err != nil {
				t.Fatal(err)
			}
			if p.FocalSource != tt.want {
				t.Errorf("focal length %s (known to %.3f), want %s", p.FocalSource, p.FocalSigma, tt.want)
			}
			nearly(t, "log of focal over truth, in its own uncertainties", math.Log(p.Camera.FocalPX/v.focalPX)/p.FocalSigma, 0, 3)
		})
	}
}

// The 36 x 24 mm frame is 36 mm wide and 43.27 mm across (ISO 1007); the tag
// is defined by the diagonal (CIPA DC-008, FocalLengthIn35mmFilm, as most
// phones write it) and used by width in some cameras.
func TestPriorFocal(t *testing.T) {
	for _, tt := range []struct {
		name string
		f35  float64
		w, h int
		want float64
		from string
	}{
		// At 3:2 both readings of the tag are one.
		{"3:2", 50, 3600, 2400, 5000, "exif"},
		{"3:2 upright", 50, 2400, 3600, 5000, "exif"},
		// At 4:3 by width 4032/36 = 112 a mm, by diagonal 5040/43.267 = 116.487.
		{"4:3", 26, 4032, 3024, 26 * (112 + 116.487) / 2, "exif"},
		{"absent", 0, 3600, 2400, 2700, "assumed"},
		{"nonsense", -3, 3600, 2400, 2700, "assumed"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := PriorFocal(tt.f35, tt.w, tt.h)
			nearly(t, "focal", p.FocalPX, tt.want, 0.05)
			if p.Source != tt.from {
				t.Errorf("source %q, want %q", p.Source, tt.from)
			}
			if p.Source == "assumed" && p.Sigma < 0.1 || p.Source == "exif" && (p.Sigma < 0.01 || p.Sigma > 0.05) {
				t.Errorf("source %s, sigma %g", p.Source, p.Sigma)
			}
		})
	}
}

// Cameras are drawn as the priors say they are spread, corners get noise, and
// the pose is fitted; what is off must be as large as the covariance says.
func TestPoseWithinItsCovariance(t *testing.T) {
	const trials = 300
	for _, tt := range []struct {
		name       string
		sigmaPrior float64
		source     string
		noisePX    float64
		tilts      [2]float64
		// scatter bounds the standard deviation of errors over their stated
		// uncertainties: 1 within 3 standard errors, 3/sqrt(2 x 300) = 0.12,
		// and a little for a noise that is itself estimated from 72 figures
		// less 8.
		lo, hi float64
	}{
		{"straight down, exif", focalSigmaEXIF, "exif", 0.3, [2]float64{0, 5}, 0.87, 1.15},
		{"leaning, exif", focalSigmaEXIF, "exif", 0.3, [2]float64{15, 45}, 0.87, 1.15},
		{"leaning, quiet", focalSigmaEXIF, "exif", 0.1, [2]float64{15, 45}, 0.87, 1.15},
		{"leaning far, noisy", focalSigmaEXIF, "exif", 0.8, [2]float64{30, 55}, 0.87, 1.15},
		{"leaning, unknown focal length", focalSigmaAssumed, "assumed", 0.3, [2]float64{25, 45}, 0.87, 1.15},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			rng := rand.New(rand.NewPCG(17, 23))
			var z [4][]float64
			within := [4]int{}
			for range trials {
				tilt := tt.tilts[0] + (tt.tilts[1]-tt.tilts[0])*rng.Float64()
				v := phone(200+250*rng.Float64(), tilt, 360*rng.Float64(), 360*rng.Float64())
				v.focalPX = 2960 * math.Exp(tt.sigmaPrior*rng.NormFloat64())
				v.shiftX = principalSigma * float64(v.w) * rng.NormFloat64()
				v.shiftY = principalSigma * float64(v.w) * rng.NormFloat64()
				p, err := FitPose(InnerCorners(), noisy(v.pixels(InnerCorners()), tt.noisePX, rng), v.w, v.h, FocalPrior{2960, tt.sigmaPrior, tt.source})
				if err != nil {
					t.Fatal(err)
				}
				x := p.Params()
				// What the pose is used for, with uncertainties by
				// differences. Focal length and height are each known badly
				// and their ratio well; where a corner of the card is seen
				// rests on what is known well.
				quantity := func(q Pose) [4]float64 {
					px, _, _ := q.Pixel(0, 0)
					return [4]float64{q.Plane.HeightMM, math.Log(q.Camera.FocalPX), px, q.TiltDeg}
				}
				est, jac := quantity(*p), [4]*mat.VecDense{}
				for m := range jac {
					jac[m] = mat.NewVecDense(PoseParams, nil)
				}
				for k := range x {
					step := 0.01 * math.Sqrt(p.Cov.At(k, k))
					up, dn := append([]float64(nil), x...), append([]float64(nil), x...)
					up[k] += step
					dn[k] -= step
					a, b := quantity(p.At(up)), quantity(p.At(dn))
					for m := range jac {
						jac[m].SetVec(k, (a[m]-b[m])/(2*step))
					}
				}
				want := [4]float64{v.heightMM, math.Log(v.focalPX), v.pixel(0, 0)[0], v.tiltDeg}
				for m := range jac {
					if m == 3 && tt.tilts[0] < 5 {
						continue // the tilt can't fall below 0, so is not Gaussian there
					}
					s := (est[m] - want[m]) / math.Sqrt(mat.Inner(jac[m], p.Cov, jac[m]))
					z[m] = append(z[m], s)
					if math.Abs(s) <= 1.96 {
						within[m]++
					}
				}
			}
			for m, name := range []string{"height", "focal length", "card corner", "tilt"} {
				if len(z[m]) == 0 {
					continue
				}
				sum, sq := 0.0, 0.0
				for _, s := range z[m] {
					sum += s
					sq += s * s
				}
				n := float64(len(z[m]))
				sd := math.Sqrt(sq / n)
				t.Logf("%s: error over uncertainty: mean %.3f, rms %.3f, within 1.96: %.1f %%", name, sum/n, sd, 100*float64(within[m])/n)
				if sd < tt.lo || sd > tt.hi {
					t.Errorf("%s: errors are %.3f of the stated uncertainty, want %g to %g", name, sd, tt.lo, tt.hi)
				}
				nearly(t, name+": mean error over its uncertainty", sum/n, 0, 3.3/math.Sqrt(n))
				// 95 % +- 3 binomial standard errors (1.26 %).
				if c := float64(within[m]) / n; c < 0.912 || c > 0.988 {
					t.Errorf("%s: %.1f %% within the 95 %% interval", name, 100*c)
				}
			}
		})
	}
}

func TestHomographyAgainstKnownMaps(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 9))
	for trial := range 50 {
		v := phone(150+400*rng.Float64(), 60*rng.Float64(), 360*rng.Float64(), 360*rng.Float64())
		h, err := Homography(InnerCorners(), v.pixels(InnerCorners()))
		if err != nil {
			t.Fatal(err)
		}
		nearly(t, "h[2][2]", h[2][2], 1, 0)
		for range 20 {
			x, y := CardWidthMM*rng.Float64(), CardHeightMM*rng.Float64()
			a, b := Apply(h, x, y)
			want := v.pixel(x, y)
			nearly(t, fmt.Sprintf("trial %d: distance", trial), math.Hypot(a-want[0], b-want[1]), 0, 1e-6)
		}
	}
	// Four points: against OpenCV's getPerspectiveTransform.
	from := [][2]float64{{0, 0}, {105, 0}, {105, 74}, {0, 74}}
	to := [][2]float64{{310.5, 212.25}, {1900, 330}, {1750.75, 1480}, {150, 1211}}
	pv := func(p [][2]float64) gocv.Point2fVector {
		q := make([]gocv.Point2f, len(p))
		for i := range p {
			q[i] = gocv.Point2f{X: float32(p[i][0]), Y: float32(p[i][1])}
		}
		return gocv.NewPoint2fVectorFromPoints(q)
	}
	a, b := pv(from), pv(to)
	defer a.Close()
	defer b.Close()
	m := gocv.GetPerspectiveTransform2f(a, b)
	defer m.Close()
	h, err := Homography(from, to)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		for j := range 3 {
			nearly(t, fmt.Sprintf("h[%d][%d]", i, j), h[i][j], m.GetDoubleAt(i, j), 1e-9*(1+math.Abs(h[i][j])))
		}
	}
}

func TestDegenerateCornersGiveNoPose(t *testing.T) {
	card := InnerCorners()
	good := phone(300, 20, 30, 0).pixels(card)
	same := make([][2]float64, len(card))
	line := make([][2]float64, len(card))
	nan := append([][2]float64(nil), good...)
	inf := append([][2]float64(nil), good...)
	for i := range card {
		same[i] = [2]float64{500, 600}
		line[i] = [2]float64{100 + 10*float64(i), 50 + 20*float64(i)}

	}
	nan[7] = [2]float64{math.NaN(), 3}
	inf[7] = [2]float64{math.Inf(1), 3}
	for _, tt := range []struct {
		name        string
		card, image [][2]float64
	}{
		{"none", nil, nil},
		{"three", card[:3], good[:3]},
		{"unlike in number", card, good[:35]},
		{"all in one place", card, same},
		// Once gave a map that flattens the card, and a pose 0.1 mm high.
		{"on a line in the picture", card, line},
		{"on a line on the card", card[:InnerCols], good[:InnerCols]},
		{"one place on the card", same, good},
		{"not a number", card, nan},
		{"infinite", card, inf},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if h, err := Homography(tt.card, tt.image); !errors.Is(err, ErrPose) {
				t.Errorf("homography %v, error %v", h, err)
			}
			for _, prior := range []FocalPrior{PriorFocal(26, 4032, 3024), PriorFocal(0, 4032, 3024)} {
				if p, err := FitPose(tt.card, tt.image, 4032, 3024, prior); !errors.Is(err, ErrPose) {
					t.Errorf("pose %+v, error %v", p, err)
				}
			}
		})
	}
}

// Whatever the corners, a pose is refused or finite; no panic.
func TestWildCornersNeverPanic(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 15))
	card := InnerCorners()
	for trial := range 150 {
		img := make([][2]float64, len(card))
		v := phone(300, 70*rng.Float64(), 360*rng.Float64(), 360*rng.Float64()).pixels(card)
		for i := range img {
			switch trial % 3 {
			case 0: // anywhere
				img[i] = [2]float64{4032 * rng.Float64(), 3024 * rng.Float64()}
			case 1: // mirrored, with noise
				img[i] = [2]float64{4031 - v[i][0] + 5*rng.NormFloat64(), v[i][1] + 5*rng.NormFloat64()}
			case 2: // nearly one place
				img[i] = [2]float64{2000 + 1e-6*rng.NormFloat64(), 1500 + 1e-6*rng.NormFloat64()}
			}
		}
		p, err := FitPose(card, img, 4032, 3024, PriorFocal(0, 4032, 3024))
		if err != nil {
			if !errors.Is(err, ErrPose) {
				t.Fatalf("trial %d: %v", trial, err)
			}
			continue
		}
		for _, x := range append(p.Params(), p.Plane.HeightMM, p.TiltDeg, p.ReprojectionPX, p.FocalSigma) {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				t.Fatalf("trial %d: %+v", trial, p)
			}
		}
		for i := range PoseParams {
			if !(p.Cov.At(i, i) > 0) {
				t.Fatalf("trial %d: variance %g of parameter %d", trial, p.Cov.At(i, i), i)
			}
		}
	}
}

// publishedCalibration is OpenCV's own calibration of a camera from pictures
// left01.jpg to left14.jpg (samples/data of OpenCV 4.6; Debian package
// opencv-doc). Square 25 mm, board of 9 x 6 inner corners, 640 x 480 px.
type publishedCalibration struct {
	dir                  string
	focalPX, cx, cy      float64
	distortion           []float64
	extrinsics           [][]float64 // rotation vector, translation in m, a view each
	reprojectionPX       []float64   // per view
	squareMM             float64
	views                []string
	boardCols, boardRows int
}

func readPublishedCalibration(t *testing.T) publishedCalibration {
	t.Helper()
	c := publishedCalibration{dir: "/usr/share/doc/opencv-doc/examples/data"}
	f, err := os.Open(filepath.Join(c.dir, "left_intrinsics.yml"))
	if err != nil {
		t.Skip("OpenCV's calibration pictures are not on this machine; apt install opencv-doc brings them")
	}
	defer f.Close()
	// OpenCV's YAML: "name: value", and matrices as "data: [ ... ]" over
	// several lines.
	matrices := map[string][]float64{}
	scalars := map[string]float64{}
	name, open := "", false
	sc := bufio.NewScanner(f)
	for sc.Scan() {
		l := sc.Text()
		if !open && !strings.HasPrefix(l, " ") {
			k, v, _ := strings.Cut(l, ":")
			name = k
			if x, err := strconv.ParseFloat(strings.TrimSpace(v), 64); err == nil {
				scalars[k] = x
			}
		}
		if i := strings.Index(l, "data: ["); i >= 0 {
			l, open = l[i+len("data: ["):], true
		}
		if open {
			for _, s := range strings.Split(strings.TrimRight(strings.TrimSpace(l), "]"), ",") {
				if s = strings.TrimSpace(s); s == "" {
					continue
				}
				x, err := strconv.ParseFloat(s, 64)
				if err != nil {
					t.Fatal(err)
				}
				matrices[name] = append(matrices[name], x)
			}
			open = !strings.Contains(l, "]")
		}
	}
	if err := sc.Err(); err != nil {
		t.Fatal(err)
	}
	k, ext := matrices["camera_matrix"], matrices["extrinsic_parameters"]
	if len(k) != 9 || len(matrices["distortion_coefficients"]) != 5 || len(ext) != 13*6 || len(matrices["per_view_reprojection_errors"]) != 13 {
		t.Fatalf("left_intrinsics.yml is not as expected: %v", matrices)
	}
	c.focalPX, c.cx, c.cy = k[0], k[2], k[5]
	c.distortion = matrices["distortion_coefficients"]
	c.reprojectionPX = matrices["per_view_reprojection_errors"]
	for i := range 13 {
		c.extrinsics = append(c.extrinsics, ext[6*i:6*i+6])
	}
	c.squareMM = 1000 * scalars["square_size"]
	c.boardCols, c.boardRows = int(scalars["board_width"]), int(scalars["board_height"])
	for i := 1; i <= 14; i++ {
		if i != 10 { // there is no left10.jpg
			c.views = append(c.views, fmt.Sprintf("left%02d.jpg", i))
		}
	}
	return c
}

// corners finds the board in a view, and returns its corners with the lens's
// published distortion taken out, as a pinhole of the published focal length
// with its principal point at (cx, cy) would have seen them; and the places on
// the board, mm.
func (c publishedCalibration) corners(t *testing.T, view string, cx, cy float64) (board, seen [][2]float64) {
	t.Helper()
	img := gocv.IMRead(filepath.Join(c.dir, view), gocv.IMReadGrayScale)
	defer img.Close()
	if img.Empty() {
		t.Skipf("%s is missing or can't be read; apt install opencv-doc brings it", filepath.Join(c.dir, view))
	}
	found := gocv.NewMat()
	defer found.Close()
	if !gocv.FindChessboardCornersSB(img, image.Pt(c.boardCols, c.boardRows), &found, gocv.CalibCBAccuracy|gocv.CalibCBNormalizeImage) {
		t.Fatalf("%s: board not found", view)
	}
	double := func(rows, cols int, v []float64) gocv.Mat {
		m := gocv.NewMatWithSize(rows, cols, gocv.MatTypeCV64FC1)
		for i, x := range v {
			m.SetDoubleAt(i/cols, i%cols, x)
		}
		return m
	}
	k := double(3, 3, []float64{c.focalPX, 0, c.cx, 0, c.focalPX, c.cy, 0, 0, 1})
	defer k.Close()
	d := double(5, 1, c.distortion)
	defer d.Close()
	r := double(3, 3, []float64{1, 0, 0, 0, 1, 0, 0, 0, 1})
	defer r.Close()
	p := double(3, 3, []float64{c.focalPX, 0, cx, 0, c.focalPX, cy, 0, 0, 1})
	defer p.Close()
	flat := gocv.NewMat()
	defer flat.Close()
	gocv.UndistortPoints(found, &flat, k, d, r, p)
	data, err := flat.DataPtrFloat32()
	if err != nil {
		t.Fatal(err)
	}
	for i := range c.boardCols * c.boardRows {
		board = append(board, [2]float64{c.squareMM * float64(i%c.boardCols), c.squareMM * float64(i/c.boardCols)})
		seen = append(seen, [2]float64{float64(data[2*i]), float64(data[2*i+1])})
	}
	return board, seen
}

// A real camera. The lens's published distortion is taken out first, and its
// principal point, which lies 23 px (7 of the code's standard deviations for a
// phone) off the middle, is moved to the middle: neither is what is tested.
func TestPoseOnOpenCVsCalibrationPictures(t *testing.T) {
	c := readPublishedCalibration(t)
	const w, h = 640, 480
	board, seen := make([][][2]float64, len(c.views)), make([][][2]float64, len(c.views))
	for i, name := range c.views {
		board[i], seen[i] = c.corners(t, name, float64(w-1)/2, float64(h-1)/2)
	}
	t.Run("focal length from the tilt alone", func(t *testing.T) { focalLengthAsPublished(t, c, board, seen, w, h) })
	t.Run("pose with the focal length given", func(t *testing.T) { posesAsPublished(t, c, board, seen, w, h) })
}

func focalLengthAsPublished(t *testing.T, c publishedCalibration, board, seen [][][2]float64, w, h int) {
	var sumW, sumWF, sumZ2 float64
	for i, name := range c.views {
		p, err := FitPose(board[i], seen[i], w, h, PriorFocal(0, w, h))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		z := math.Log(p.Camera.FocalPX/c.focalPX) / p.FocalSigma
		t.Logf("%s: tilt %.0f deg, focal length %.1f +- %.1f px, published %.1f: %.2f of its uncertainty; reprojection %.2f px", name,
			p.TiltDeg, p.Camera.FocalPX, p.FocalSigma*p.Camera.FocalPX, c.focalPX, z, p.ReprojectionPX)
		if p.FocalSource != "solved" {
			t.Errorf("%s: focal length %s, want solved: the board leans by %.0f degrees", name, p.FocalSource, p.TiltDeg)
		}
		// The published figures have their own error, not stated; 3 standard
		// uncertainties in each of 13 views.
		nearly(t, name+": focal length off the published one, in its own uncertainties", z, 0, 3)
		// Published, per view: 0.16 to 0.38 px, but for one of 1.2.
		if !(p.ReprojectionPX < 0.4) {
			t.Errorf("%s: reprojection %.2f px", name, p.ReprojectionPX)
		}
		sumW += 1 / (p.FocalSigma * p.FocalSigma)
		sumWF += p.Camera.FocalPX / (p.FocalSigma * p.FocalSigma)
		sumZ2 += z * z
	}
	n := float64(len(c.views))
	t.Logf("weighted mean %.2f px, published %.2f; rms of errors over uncertainties %.2f", sumWF/sumW, c.focalPX, math.Sqrt(sumZ2/n))
	// All views have what is left of the distortion in common, so the mean is
	// not 13 times better known than one; 1.5 % is one good view's
	// uncertainty.
	nearly(t, "weighted mean focal length", sumWF/sumW, c.focalPX, 0.015*c.focalPX)
	// Chi-square of 13 degrees of freedom: 99 in 100 lie within these.
	if sumZ2 < 3.565 || sumZ2 > 29.82 {
		t.Errorf("sum of squares of the errors over their uncertainties is %.1f for 13 views", sumZ2)
	}
}

// The board must lie where the published extrinsics put it.
func posesAsPublished(t *testing.T, c publishedCalibration, board, seen [][][2]float64, w, h int) {
	for i, name := range c.views {
		if c.reprojectionPX[i] > 0.5 {
			// left02: 1.18 px, five times any other's. Its published pose was
			// fitted to corners wrongly found.
			t.Logf("%s: left out, its published reprojection error is %.2f px", name, c.reprojectionPX[i])
			continue
		}
		p, err := FitPose(board[i], seen[i], w, h, FocalPrior{c.focalPX, 0.001, "exif"})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		// The board's plane by Rodrigues' formula: its normal is the turned z
		// axis, k (k.z)(1 - cos a) + z cos a + (k x z) sin a.
		e := c.extrinsics[i]
		a := math.Sqrt(e[0]*e[0] + e[1]*e[1] + e[2]*e[2])
		k := Vec3{e[0] / a, e[1] / a, e[2] / a}
		s, co := math.Sincos(a)
		n := Vec3{k[0]*k[2]*(1-co) + k[1]*s, k[1]*k[2]*(1-co) - k[0]*s, k[2]*k[2]*(1-co) + co}
		height := 1000 * math.Abs(n[0]*e[3]+n[1]*e[4]+n[2]*e[5])
		angle := math.Acos(math.Min(1, math.Abs(n.Dot(p.Plane.Normal)))) * 180 / math.Pi
		t.Logf("%s: height %.1f mm, published %.1f; normals %.2f deg apart", name, p.Plane.HeightMM, height, angle)
		nearly(t, name+": height over published", p.Plane.HeightMM/height, 1, 0.01)
		// The principal point is known to 0.5 % of 640 px, which is 0.34
		// degrees of tilt one way and the other; three times that.
		nearly(t, name+": angle between the normals", angle, 0, 1)
	}
}
