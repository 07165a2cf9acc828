package calib

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// Sheets are found by name; a letter sheet by its shape; A4 and A5 have one shape
// and are asked for. Sizes: ISO 216; a letter sheet is 11 x 8.5 inches.
func TestSheetsAreFound(t *testing.T) {
	const w, h = 720, 540
	prior := FocalPrior{640, focalSigmaEXIF, "exif"}
	wood := func(in func(x, y float64) bool) func(x, y float64) [3]float64 {
		return func(x, y float64) [3]float64 {
			if in(x, y) {
				if math.Hypot(x-20, y-10) < 8 || math.Hypot(x+50, y+30) < 9 {
					return [3]float64{0.1, 0.2, 0.5} // marbles
				}
				return flat(0.7)
			}
			g := 0.08 + 0.02*math.Sin(x/6+y/17)
			return [3]float64{1.3 * g, g, 0.7 * g}
		}
	}
	for name, c := range map[string]struct {
		width, height, up, tilt, round float64
		named                          string
		found                          bool
	}{
		"a4, named":                   {297, 210, 330, 10, 0.1, "a4", true},
		"a5, named":                   {210, 148, 240, 14, 0.1, "a5", true},
		"letter, named":               {279.4, 215.9, 330, 5, 0.1, "letter", true},
		"letter, by its shape":        {279.4, 215.9, 330, 12, 0.1, "", true},
		"a4, not named":               {297, 210, 330, 10, 0.1, "", false},
		"a5, named letter":            {210, 148, 240, 10, 0.1, "letter", false},
		"a tray of 4 to 3":            {240, 180, 300, 10, 0.1, "", false},
		"a tray of 4 to 3, as letter": {240, 180, 300, 10, 0.1, "letter", false},
		"a square":                    {200, 200, 300, 10, 0.1, "a4", false},
		"a4 with rounded corners":     {297, 210, 330, 10, 14, "a4", false},
		"a4, out of the picture":      {297, 210, 200, 10, 0.1, "a4", false},
	} {
		p := tableView(w, h, 640, c.up, c.tilt, 4)
		m := drawTable(t, w, h, p, wood(func(x, y float64) bool { return rounded(x, y, c.width, c.height, c.round) }))
		r, why := FindSheet(m, c.named, prior)
		m.Close()
		if (r != nil) != c.found {
			t.Errorf("%s: found %v (%s)", name, r != nil, why)
			continue
		}
		if r != nil && (math.Abs(r.Pose.Plane.HeightMM/c.up-1) > 0.01 || math.Abs(r.Pose.TiltDeg-c.tilt) > 2) {
			t.Errorf("%s: %.1f mm up at %.1f degrees, want %g at %g", name, r.Pose.Plane.HeightMM, r.Pose.TiltDeg, c.up, c.tilt)
		}
	}
}

func TestCoinsAreFound(t *testing.T) {
	const w, h = 720, 540
	prior := FocalPrior{640, focalSigmaEXIF, "exif"}
	quarter, err := CoinOf("us-quarter", 0)
	if err != nil {
		t.Fatal(err)
	}
	quarter.ThicknessMM = 0 // a drawing has none
	for _, tilt := range []float64{2, 13} {
		p := tableView(w, h, 640, 150, tilt, 10)
		mids := [][2]float64{{-45, -25}, {40, 20}, {-30, 35}}
		m := drawTable(t, w, h, p, func(x, y float64) [3]float64 {
			for _, c := range mids {
				if math.Hypot(x-c[0], y-c[1]) < 24.26/2 {
					return flat(0.22 + 0.03*math.Sin(x)*math.Sin(y))
				}
			}
			return flat(0.55)
		})
		defer m.Close()
		r, why := FindCoins(m, quarter, nil, prior)
		if r == nil {
			t.Fatalf("tilt %g: not found: %s", tilt, why)
		}
		if len(r.Taken) != 3 || math.Abs(r.Pose.Plane.HeightMM/150-1) > 0.02 || math.Abs(r.Pose.TiltDeg-tilt) > 3.5 {
			t.Errorf("tilt %g: %d coins, %.1f mm up at %.1f degrees", tilt, len(r.Taken), r.Pose.Plane.HeightMM, r.Pose.TiltDeg)
		}
		// One coin, pointed at.
		u, v, _ := p.Pixel(-45, -25)
		if one, why := FindCoins(m, quarter, &[2]float64{u, v}, prior); one == nil || len(one.Taken) != 1 {
			t.Errorf("tilt %g: pointed at: %s", tilt, why)
		}
		if none, _ := FindCoins(m, quarter, &[2]float64{3, 3}, prior); none != nil {
			t.Errorf("tilt %g: a coin where there is none", tilt)
		}
	}
	// Round things of two sizes are not coins of one kind; squares are none.
	p := tableView(w, h, 640, 150, 5, 0)
	two := drawTable(t, w, h, p, func(x, y float64) [3]float64 {
		if math.Hypot(x+30, y) < 8 || math.Hypot(x-30, y) < 14 {
			return flat(0.2)
		}
		return flat(0.55)
	})
	defer two.Close()
	if r, _ := FindCoins(two, quarter, nil, prior); r != nil {
		t.Error("round things of two sizes are taken for coins of one kind")
	}
	square := drawTable(t, w, h, p, func(x, y float64) [3]float64 {
		if math.Abs(x) < 12 && math.Abs(y) < 12 {
			return flat(0.2)
		}
		return flat(0.55)
	})
	defer square.Close()
	if r, _ := FindCoins(square, quarter, nil, prior); r != nil {
		t.Error("a square is taken for a coin")
	}
}

// seenCoin is a coin as its edges are seen: the upper rim all round, the foot where
// the wall faces the camera, a ring within the rim, now and then one of them not,
// each with an error that goes round with the rim as rimReadings independent
// readings have it, and a little of its own.
func seenCoin(p *Pose, mid [2]float64, coin Coin, rng *rand.Rand) (t roundThing) {
	const dirs = 96
	eye, pxMM := eyeOn(p), p.Camera.FocalPX/p.T[2]
	sd := math.Hypot(rimMM*pxMM, rimPX) / math.Sqrt(rimReadings)
	var wave [5]float64
	for i := range wave {
		wave[i] = rng.NormFloat64()
	}
	t.e.SemiMajorPX, t.e.SemiMinorPX = coin.DiameterMM/2*pxMM, coin.DiameterMM/2*pxMM
	for k := range dirs {
		s, c := math.Sincos(2 * math.Pi * float64(k) / dirs)
		off := sd*(wave[0]+math.Sqrt2*(wave[1]*c+wave[2]*s+wave[3]*(c*c-s*s)+wave[4]*2*s*c)) + 0.1*rng.NormFloat64()
		var ray []rayEdge
		edge := func(r, below float64) {
			at := p.CardPoint(mid[0]+r*c, mid[1]+r*s)
			for i := range at {
				at[i] += p.R[i][2] * below
			}
			u, v, _ := p.Camera.Project(at)
			ray = append(ray, rayEdge{at: [2]float64{u + off*c, v + off*s}})
		}
		r := coin.DiameterMM / 2
		facing := wallSeen(eye, [2]float64{mid[0] + r*c, mid[1] + r*s}, [2]float64{c, s})
		if !facing || rng.Float64() < 0.7 {
			edge(r, 0)
		}
		if facing {
			edge(r, coin.ThicknessMM)
		}
		if rng.Float64() < 0.8 {
			edge(r-1, 0)
		}
		t.rays = append(t.rays, ray)
		u, v, _ := p.Pixel(mid[0]+r*c, mid[1]+r*s)
		t.e.CxPX, t.e.CyPX = t.e.CxPX+u/dirs, t.e.CyPX+v/dirs
	}
	return t
}

// Coins' edges, each read with its own error: the scale's own interval holds the
// truth, with one coin, which leaves the tilt open, and with three, and three say
// more. Poses are fitted from about the true one and from its mirror, as
// TestCoinsAreFound sees that starts are found.
func TestCoinsCoverTheTruth(t *testing.T) {
	const w, h, draws = 3200, 2400, 100
	coin, _ := CoinOf("1-euro", 0)
	rng := rand.New(rand.NewPCG(8, 15))
	var widths []float64
	for _, count := range []int{1, 3} {
		inside, n, width := 0, 0, 0.0
		for range draws {
			p := poseOf([PoseParams]float64{math.Log(2800), float64(w-1) / 2, float64(h-1) / 2, tiltSigma * rng.NormFloat64(), tiltSigma * rng.NormFloat64(), 0, 0, 0, 270})
			var things []roundThing
			start, mirror := coinStart{}, coinStart{}
			prior := FocalPrior{2800 * math.Exp(focalSigmaEXIF*rng.NormFloat64()), focalSigmaEXIF, "exif"}
			tilt := rotationVector(mat.NewDense(3, 3, []float64{p.R[0][0], p.R[0][1], p.R[0][2], p.R[1][0], p.R[1][1], p.R[1][2], p.R[2][0], p.R[2][1], p.R[2][2]}))
			for i := range count {
				things = append(things, seenCoin(&p, [][2]float64{{-70, -45}, {75, 10}, {-20, 60}}[i], coin, rng))
			}
			var poses []coinPose
			for k, s := range []*coinStart{&start, &mirror} {
				sign := 1 - 2*float64(k)
				s.x = [PoseParams]float64{math.Log(prior.FocalPX), float64(w-1) / 2, float64(h-1) / 2, sign * tilt[0], sign * tilt[1], 0, 0, 0, 270 * prior.FocalPX / 2800}
				q := poseOf(s.x)
				for _, th := range things {
					at, _ := onPlane(&q, th.e.CxPX, th.e.CyPX, 0)
					s.mids = append(s.mids, at)
				}
				if f, ok := fitCoins(*s, things, coin, w, h, prior); ok {
					poses = append(poses, f)
				}
			}
			poses = likeliest(poses, coin)
			if len(poses) == 0 {
				t.Fatal("no pose")
			}
			r := &Ruler{Source: SourceCoin, Pose: poses[0].pose, PoseFrom: FromCoinRims, Size: Quantity{FromCoinSize, 1, 1e-9}, Thickness: Quantity{FromCoinThickness, coin.ThicknessMM, 1e-9}}
			if len(poses) > 1 {
				r.Other, r.Doubt = poses[1].pose, poses[0].doubt(poses[1])
			}
			for range 2 {
				rad := 6 + 4*rng.Float64()
				// On the table, which lies under the coins' faces.
				o := seenSphere(&p, 120*rng.Float64()-60, 90*rng.Float64()-45, rad-coin.ThicknessMM, rad, 1e-6, rng)
				e, _ := o.Cone.Outline(p.Camera)
				o.Cone, _ = coneOfEllipse(e, poses[0].pose.Camera, 0)
				if r.Other != nil {
					// The other pose has its own camera; the outline's cone is the first's.
					r.Other.Camera = poses[0].pose.Camera
				}
				d, err := r.Diameter(o)
				if err != nil {
					t.Fatal(err)
				}
				n++
				width += d.U95MM / (2 * draws)
				if math.Abs(d.MM-2*rad) <= d.U95MM {
					inside++
				}
			}
		}
		widths = append(widths, width)
		share := float64(inside) / float64(n)
		t.Logf("%d coins: mean U95 %.3f mm, %.1f %% of %d intervals hold the truth", count, width, 100*share, n)
		if share < 0.90 || share > 0.99 {
			t.Errorf("%d coins: %.1f %% of %d intervals hold the truth", count, 100*share, n)
		}
	}
	if widths[1] >= widths[0] {
		t.Errorf("three coins say no more than one: mean U95 %.3f", widths)
	}
}

func TestBadCoins(t *testing.T) {
	for _, c := range []struct {
		name string
		mm   float64
	}{{"groat", 0}, {"", 0}, {"", -20}, {"", 5}, {"", 90}, {"", math.NaN()}, {"", math.Inf(1)}} {
		if _, err := CoinOf(c.name, c.mm); err == nil {
			t.Errorf("%q, %g mm passes", c.name, c.mm)
		}
	}
	// As the mints publish them: US Mint; Council Regulation (EC) 975/98.
	for name, mm := range map[string]float64{"us-cent": 19.05, "us-nickel": 21.21, "us-dime": 17.91, "us-quarter": 24.26, "us-half": 30.61, "us-dollar": 26.49, "1-euro": 23.25, "2-euro": 25.75, "50-eurocent": 24.25} {
		if c, err := CoinOf(name, 0); err != nil || c.DiameterMM != mm {
			t.Errorf("%s: %v, %v", name, c, err)
		}
	}
}

// An orthographic view shows a sphere's own diameter, at every height and place.
func TestScansAreOrthographic(t *testing.T) {
	const w, h = 2400, 1800
	r, err := ScanRuler(200, w, h)
	if err != nil {
		t.Fatal(err)
	}
	cam := ScanCamera(w, h)
	for _, d := range []float64{10, 16, 35} {
		for _, at := range [][2]float64{{300, 300}, {1200, 900}, {2200, 1500}} {
			px := d / 25.4 * 200 / 2
			c, ok := coneOfEllipse(Ellipse{CxPX: at[0], CyPX: at[1], SemiMajorPX: px, SemiMinorPX: px}, cam, 0)
			if !ok {
				t.Fatal("no cone")
			}
			got, err := r.Diameter(SeenOutline{Cone: c, BiasUPX: 0.2, Camera: cam})
			if err != nil {
				t.Fatal(err)
			}
			// Two parts: the resolution's 0.23 % and the outline's 0.4 px of diameter.
			want := 1.96 * math.Hypot(d*scanHalf/math.Sqrt(3), 0.4*25.4/200)
			if math.Abs(got.MM-d) > 0.001 || math.Abs(got.U95MM/want-1) > 0.02 {
				t.Errorf("%g mm at %v: %.4f +- %.4f, want +- %.4f", d, at, got.MM, got.U95MM, want)
			}
		}
	}
	for _, dpi := range []float64{0, -300, 10, 1e6, math.NaN()} {
		if _, err := ScanRuler(dpi, w, h); err == nil {
			t.Errorf("%g dpi passes", dpi)
		}
	}
}
