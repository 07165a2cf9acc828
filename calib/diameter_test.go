package calib

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"sync"
	"testing"
)

// marbleOn puts a sphere on the table below the card, whose face lies thickMM
// above it, with its foot at a place given in card coordinates (mm); it is
// returned in camera coordinates.
func (v view) marbleOn(x, y, radiusMM, thickMM float64) sphere {
	return sphere{v.seen(Vec3{x, y, thickMM - radiusMM}), radiusMM}
}

// outlinePixels are n edge points of a sphere's outline, found by bisection
// (sphere.grazing), each moved outward along the line from the middle by
// move(i) px.
func (v view) outlinePixels(s sphere, n int, move func(i int) float64) [][2]float64 {
	cam := v.camera()
	out := make([][2]float64, n)
	for i, u := range s.grazing(n, 0, 1) {
		x, y := cam.CxPX+cam.FocalPX*u[0]/u[2], cam.CyPX+cam.FocalPX*u[1]/u[2]
		if m := move(i); m != 0 {
			// Marbles' outlines are within 2 % of circles, so outward is
			// from the middle.
			mx, my := cam.CxPX+cam.FocalPX*s.centre[0]/s.centre[2], cam.CyPX+cam.FocalPX*s.centre[1]/s.centre[2]
			d := math.Hypot(x-mx, y-my)
			x, y = x+m*(x-mx)/d, y+m*(y-my)/d
		}
		out[i] = [2]float64{x, y}
	}
	return out
}

func coneThrough(t *testing.T, cam Camera, px [][2]float64) Cone {
	t.Helper()
	rays := make([]Vec3, len(px))
	for i, p := range px {
		rays[i] = cam.Ray(p[0], p[1])
	}
	c, ok := FitCone(rays, ones(len(rays)))
	if !ok {
		t.Fatal("no cone")
	}
	return c
}

func still(int) float64 { return 0 }

func TestDiameterIsExactOnExactData(t *testing.T) {
	for _, d := range []float64{10, 15.875, 25.4, 35} {
		for _, v := range []view{
			phone(250, 0, 0, 0), phone(420, 0, 0, 90), phone(300, 15, 200, 30), phone(260, 35, 80, 180), phone(350, 50, -30, 271),
			{w: 640, h: 480, focalPX: 536, heightMM: 300, tiltDeg: 25, azimuthDeg: 10},
		} {
			for _, foot := range [][2]float64{{120, 37}, {52, 100}, {-40, -30}} {
				t.Run(fmt.Sprintf("%g mm, %g up, tilt %g, foot %v", d, v.heightMM, v.tiltDeg, foot), func(t *testing.T) {
					p, err := FitPose(InnerCorners(), v.pixels(InnerCorners()), v.w, v.h, FocalPrior{v.focalPX, focalSigmaEXIF, "exif"})
					if err != nil {
						t.Fatal(err)
					}
					s := v.marbleOn(foot[0], foot[1], d/2, cardThicknessMM)
					cone := coneThrough(t, p.Camera, v.outlinePixels(s, 48, still))
					scale, err := ScaleFromCheckBar(0)
					if err != nil {
						t.Fatal(err)
					}
					got, err := MeasureDiameter(p, SeenOutline{Cone: cone}, scale)
					if err != nil {
						t.Fatal(err)
					}
					nearly(t, "diameter", got.MM, d, 1e-3)
					for k := range 3 {
						nearly(t, "centre", got.CentreMM[k], s.centre[k], 5e-3)
					}
					if !(got.U95MM > 0) {
						t.Errorf("uncertainty %g", got.U95MM)
					}
				})
			}
		}
	}
}

// A print too small by 1 % makes everything seem larger by 1 %, unless the
// check bar was measured and the card's lengths taken times what was found.
func TestDiameterFollowsTheCheckBar(t *testing.T) {
	const d, found = 16.0, 79.2
	v := phone(280, 20, 40, 10)
	// The card as printed: its own lengths times 0.99.
	printed := InnerCorners()
	for i := range printed {
		printed[i] = [2]float64{printed[i][0] * found / CheckBarMM, printed[i][1] * found / CheckBarMM}
	}
	seen := v.pixels(printed)
	cone := func(p *Pose) Cone {
		return coneThrough(t, p.Camera, v.outlinePixels(v.marbleOn(110, 37, d/2, cardThicknessMM), 48, still))
	}
	prior := FocalPrior{v.focalPX, focalSigmaEXIF, "exif"}
	for _, tt := range []struct {
		bar, want float64
	}{
		{found, d},
		{0, d * CheckBarMM / found},
	} {
		scale, err := ScaleFromCheckBar(tt.bar)
		if err != nil {
			t.Fatal(err)
		}
		card := InnerCorners()
		for i := range card {
			card[i] = [2]float64{card[i][0] * scale.Factor, card[i][1] * scale.Factor}
		}
		p, err := FitPose(card, seen, v.w, v.h, prior)
		if err != nil {
			t.Fatal(err)
		}
		got, err := MeasureDiameter(p, SeenOutline{Cone: cone(p)}, scale)
		if err != nil {
			t.Fatal(err)
		}
		// The thickness of the paper doesn't go with the print: 0.2 mm of
		// 280, of 1 %, is 0.01 %.
		nearly(t, fmt.Sprintf("diameter with a check bar of %g", tt.bar), got.MM, tt.want, 2e-4*d)
	}
}

func TestScaleFromCheckBar(t *testing.T) {
	for _, tt := range []struct {
		found, factor float64
		ok            bool
	}{
		{0, 1, true},
		{80, 1, true},
		{79.4, 0.9925, true},
		{60, 0.75, true},
		{100, 1.25, true},
		{59.9, 0, false},
		{100.1, 0, false},
		{3.15, 0, false}, // inches
		{794, 0, false},  // tenths of a millimetre
		{-80, 0, false},
		{math.NaN(), 0, false},
		{math.Inf(1), 0, false},
	} {
		t.Run(fmt.Sprint(tt.found), func(t *testing.T) {
			s, err := ScaleFromCheckBar(tt.found)
			if (err == nil) != tt.ok {
				t.Fatalf("error %v", err)
			}
			nearly(t, "factor", s.Factor, tt.factor, 1e-12)
			if tt.ok && !(s.U > 0 && s.U < 0.01) {
				t.Errorf("uncertainty %g", s.U)
			}
		})
	}
	unknown, _ := ScaleFromCheckBar(0)
	measured, _ := ScaleFromCheckBar(79.9)
	if measured.U >= unknown.U {
		t.Errorf("a bar that was measured is known to %g, one that wasn't to %g", measured.U, unknown.U)
	}
}

func TestDiameterRefuses(t *testing.T) {
	v := phone(280, 20, 40, 10)
	p, err := FitPose(InnerCorners(), v.pixels(InnerCorners()), v.w, v.h, FocalPrior{v.focalPX, focalSigmaEXIF, "exif"})
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name string
		o    SeenOutline
	}{
		{"no cone", SeenOutline{}},
		{"not a number", SeenOutline{Cone: Cone{V: Vec3{math.NaN(), 0, 1.001}}}},
		{"no covariance to speak of", SeenOutline{Cone: ConeOf(Vec3{0, 0, 270}, 8), CovV: [3][3]float64{{math.NaN()}}}},
		{"negative variance", SeenOutline{Cone: ConeOf(Vec3{0, 0, 270}, 8), CovV: [3][3]float64{{-1}}}},
		{"behind the camera", SeenOutline{Cone: ConeOf(Vec3{0, 0, -270}, 8)}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if d, err := MeasureDiameter(p, tt.o, PrintScale{1, 0.002}); err == nil {
				t.Errorf("got %+v", d)
			}
		})
	}
}

// covarianceOfV is how the cone's V scatters when each edge point moves across
// the outline by sigma px, one at a time: the fit is linear in such small
// moves.
func covarianceOfV(t *testing.T, v view, cam Camera, s sphere, n int, sigma float64) (cov [3][3]float64) {
	t.Helper()
	const h = 0.05
	for i := range n {
		by := func(d float64) Vec3 {
			return coneThrough(t, cam, v.outlinePixels(s, n, func(k int) float64 {
				if k == i {
					return d
				}
				return 0
			})).V
		}
		a, b := by(h), by(-h)
		for r := range 3 {
			for c := range 3 {
				cov[r][c] += sigma * sigma * (a[r] - b[r]) * (a[c] - b[c]) / (4 * h * h)
			}
		}
	}
	return cov
}

// The budget against a Monte Carlo of the whole measurement (JCGM 101:2008):
// a camera drawn as the priors say, corners and edge points with noise, a
// print and a paper as they come, an outline seen too large or small; pose and
// cone fitted anew each time.
func TestDiameterBudgetAgainstMonteCarlo(t *testing.T) {
	const (
		edgePoints = 64
		edgePX     = 0.25
		biasPX     = 0.15
		diameter   = 16.0
	)
	for _, tt := range []struct {
		name       string
		v          view
		foot       [2]float64
		sigmaFocal float64
		source     string
		draws      int
	}{
		{"straight down, EXIF", phone(260, 0, 0, 0), [2]float64{125, 40}, focalSigmaEXIF, "exif", 2000},
		{"leaning, EXIF", phone(300, 30, 130, 20), [2]float64{60, 110}, focalSigmaEXIF, "exif", 2000},
		{"leaning, focal length unknown", phone(300, 35, 60, 0), [2]float64{-10, 20}, focalSigmaAssumed, "assumed", 1000},
	} {
		t.Run(tt.name, func(t *testing.T) {
			prior := FocalPrior{tt.v.focalPX, tt.sigmaFocal, tt.source}
			scale := PrintScale{Factor: 1, U: printScaleU}
			// Corners known to the code's own floor, so that the exact pose
			// below states the scatter of the noisy ones.
			const cornerPX = cornerFloorPX

			p, err := FitPose(InnerCorners(), tt.v.pixels(InnerCorners()), tt.v.w, tt.v.h, prior)
			if err != nil {
				t.Fatal(err)
			}
			s := tt.v.marbleOn(tt.foot[0], tt.foot[1], diameter/2, cardThicknessMM)
			cone := coneThrough(t, p.Camera, tt.v.outlinePixels(s, edgePoints, still))
			got, err := MeasureDiameter(p, SeenOutline{
				Cone: cone, CovV: covarianceOfV(t, tt.v, p.Camera, s, edgePoints, edgePX), BiasUPX: biasPX,
			}, scale)
			if err != nil {
				t.Fatal(err)
			}

			results := make([]float64, tt.draws)
			draw := func(i int) (float64, error) {
				rng := rand.New(rand.NewPCG(31, uint64(i)))
				v := tt.v
				v.focalPX *= math.Exp(tt.sigmaFocal * rng.NormFloat64())
				v.shiftX = principalSigma * float64(v.w) * rng.NormFloat64()
				v.shiftY = principalSigma * float64(v.w) * rng.NormFloat64()
				// Print and paper as they are, unknown to the measurement.
				print := 1 + printScaleU*rng.NormFloat64()
				thick := cardThicknessMM + cardThicknessHalfMM*(2*rng.Float64()-1)
				card := InnerCorners()
				for k := range card {
					card[k] = [2]float64{card[k][0] * print, card[k][1] * print}
				}
				// The camera stays over the card whatever its focal length.
				pose, err := FitPose(InnerCorners(), noisy(v.pixels(card), cornerPX, rng), v.w, v.h, prior)
				if err != nil {
					return 0, err
				}
				bias := biasPX * rng.NormFloat64()
				ball := v.marbleOn(tt.foot[0], tt.foot[1], diameter/2, thick)
				edge := v.outlinePixels(ball, edgePoints, func(int) float64 { return bias + edgePX*rng.NormFloat64() })
				rays := make([]Vec3, len(edge))
				for k, e := range edge {
					rays[k] = pose.Camera.Ray(e[0], e[1])
				}
				c, ok := FitCone(rays, ones(len(rays)))
				if !ok {
					return 0, fmt.Errorf("draw %d: no cone", i)
				}
				table := pose.Plane
				table.HeightMM += cardThicknessMM
				_, r, ok := table.Resting(c)
				if !ok {
					return 0, fmt.Errorf("draw %d: no sphere", i)
				}
				return 2 * r, nil
			}
			var wg sync.WaitGroup
			var mu sync.Mutex
			for part := range runtime.GOMAXPROCS(0) {
				wg.Go(func() {
					for i := part; i < tt.draws; i += runtime.GOMAXPROCS(0) {
						d, err := draw(i)
						if err != nil {
							mu.Lock()
							t.Error(err)
							mu.Unlock()
							return
						}
						results[i] = d
					}
				})
			}
			wg.Wait()
			if t.Failed() {
				return
			}
			var mean, sq float64
			inside := 0
			for _, d := range results {
				mean += d / float64(tt.draws)
				if math.Abs(d-diameter) <= got.U95MM {
					inside++
				}
			}
			for _, d := range results {
				sq += (d - mean) * (d - mean)
			}
			sd := math.Sqrt(sq / float64(tt.draws-1))
			total, share := 0.0, 0.0
			for _, c := range got.Budget {
				total += c.U * c.U
				share += c.Share
				t.Logf("%-28s %.4f mm, %2.0f %%", c.Name, c.U, 100*c.Share)
			}
			u := got.U95MM / CoverageFactor(0.95, math.Inf(1))
			t.Logf("stated u %.4f mm, Monte Carlo %.4f mm over %d draws, mean %.4f mm, in the 95 %% interval %.1f %%",
				u, sd, tt.draws, mean, 100*float64(inside)/float64(tt.draws))
			// A standard deviation of n draws is known to 1/sqrt(2n): 1.6 % of
			// 2000; three times that and what curvature leaves.
			nearly(t, "Monte Carlo over stated uncertainty", sd/u, 1, 0.10)
			nearly(t, "mean of the draws", mean, diameter, 4*sd/math.Sqrt(float64(tt.draws))+0.1*sd)
			nearly(t, "share of draws in the 95 % interval", float64(inside)/float64(tt.draws), 0.95, 0.025)
			// The budget's lines are the whole.
			nearly(t, "root of the sum of the budget's squares", math.Sqrt(total), u, 1e-3*u)
			nearly(t, "sum of shares", share, 1, 2e-3)
		})
	}
}

// Each line of the budget answers to its own cause and to no other.
func TestDiameterBudgetLines(t *testing.T) {
	v := phone(300, 20, 60, 0)
	s := v.marbleOn(120, 30, 8, cardThicknessMM)
	base := func(prior FocalPrior, edge, bias, print float64) map[string]float64 {
		p, err := FitPose(InnerCorners(), v.pixels(InnerCorners()), v.w, v.h, prior)
		if err != nil {
			t.Fatal(err)
		}
		cone := coneThrough(t, p.Camera, v.outlinePixels(s, 32, still))
		d, err := MeasureDiameter(p, SeenOutline{Cone: cone, CovV: covarianceOfV(t, v, p.Camera, s, 32, edge), BiasUPX: bias}, PrintScale{1, print})
		if err != nil {
			t.Fatal(err)
		}
		out := map[string]float64{}
		for _, c := range d.Budget {
			out[c.Name] = c.U
		}
		return out
	}
	exif := FocalPrior{v.focalPX, focalSigmaEXIF, "exif"}
	a := base(exif, 0.2, 0.1, 0.002)
	pxOnMarble := a[FromOutline] / 0.1 // mm of diameter a px outward
	for _, tt := range []struct {
		line, what string
		with       map[string]float64
		times      float64
	}{
		{FromEdgePoints, "edge noise doubled", base(exif, 0.4, 0.1, 0.002), 2},
		{FromOutline, "outline doubt tripled", base(exif, 0.2, 0.3, 0.002), 3},
		{FromPrint, "print known half as well", base(exif, 0.2, 0.1, 0.004), 2},
	} {
		for _, name := range []string{FromEdgePoints, FromOutline, FromCorners, FromFocal, FromPrint, FromThickness} {
			want := a[name]
			if name == tt.line {
				want *= tt.times
			}
			nearly(t, tt.what+": "+name, tt.with[name], want, 1e-3*want+1e-7)
		}
	}
	// By hand: print 0.2 % of 16 mm; a px outward is 2 px across, at about
	// f / (distance to the centre) px a mm.
	nearly(t, "print", a[FromPrint], 0.002*16, 0.002*16*0.05)
	nearly(t, "a px outward", pxOnMarble, 2*s.centre.Norm()/v.focalPX, 0.12*2*s.centre.Norm()/v.focalPX)
	// Height enters as r / H: half a rectangle of 0.15 mm over about 300 mm.
	nearly(t, "thickness", a[FromThickness], 16*UniformU(cardThicknessHalfMM)/v.heightMM, 0.05*16*UniformU(cardThicknessHalfMM)/v.heightMM)
	if worse := base(FocalPrior{v.focalPX, 0.05, "exif"}, 0.2, 0.1, 0.002); worse[FromFocal] <= a[FromFocal] {
		t.Errorf("a focal length known to 5 %% leaves %g mm, one known to 2.7 %% %g mm", worse[FromFocal], a[FromFocal])
	}
}
