package calib

import (
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gocv.io/x/gocv"
	"gonum.org/v1/gonum/mat"
)

// tableView is a camera over a table in these tests: the plane's point (0, 0)
// is seen in the picture's middle, off by (atX, atY) px, turned by turnDeg.
func tableView(w, h int, focalPX, heightMM, tiltDeg, turnDeg float64) Pose {
	s, c := math.Sincos(tiltDeg * math.Pi / 180)
	t := turnDeg * math.Pi / 180
	tilt := mat.NewDense(3, 3, []float64{1, 0, 0, 0, c, -s, 0, s, c})
	turn := mat.NewDense(3, 3, []float64{math.Cos(t), -math.Sin(t), 0, math.Sin(t), math.Cos(t), 0, 0, 0, 1})
	var r mat.Dense
	r.Mul(tilt, turn)
	v := rotationVector(&r)
	return poseOf([PoseParams]float64{math.Log(focalPX), float64(w-1) / 2, float64(h-1) / 2, v[0], v[1], v[2], 0, 0, heightMM / c})
}

// drawTable is what the camera sees of a plane coloured by shade (mm to linear
// light, r, g, b), each pixel the mean of 2 x 2 places, with a little blur and
// noise, as an 8-bit picture.
func drawTable(t *testing.T, w, h int, p Pose, shade func(x, y float64) [3]float64) gocv.Mat {
	t.Helper()
	lin := gocv.NewMatWithSize(h, w, gocv.MatTypeCV32FC3)
	defer lin.Close()
	d, err := lin.DataPtrFloat32()
	if err != nil {
		t.Fatal(err)
	}
	hom := planeHomography(&p)
	var inv mat.Dense
	if inv.Inverse(hom) != nil {
		t.Fatal("no view")
	}
	for y := range h {
		for x := range w {
			var sum [3]float64
			for i := range 4 {
				u, v := float64(x)+float64(i%2)/2-0.25, float64(y)+float64(i/2)/2-0.25
				k := inv.At(2, 0)*u + inv.At(2, 1)*v + inv.At(2, 2)
				c := shade((inv.At(0, 0)*u+inv.At(0, 1)*v+inv.At(0, 2))/k, (inv.At(1, 0)*u+inv.At(1, 1)*v+inv.At(1, 2))/k)
				for j := range c {
					sum[j] += c[j] / 4
				}
			}
			for j := range sum {
				d[3*(y*w+x)+2-j] = float32(sum[j])
			}
		}
	}
	gocv.GaussianBlur(lin, &lin, image.Pt(7, 7), 0.8, 0.8, gocv.BorderReplicate)
	if d, err = lin.DataPtrFloat32(); err != nil {
		t.Fatal(err)
	}
	out := gocv.NewMatWithSize(h, w, gocv.MatTypeCV8UC3)
	o, err := out.DataPtrUint8()
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(4, 2))
	for i, v := range d {
		o[i] = uint8(math.Max(0, math.Min(255, 255*math.Pow(math.Max(0, float64(v)), 1/2.2)+1.2*rng.NormFloat64())))
	}
	return out
}

func planeHomography(p *Pose) *mat.Dense {
	k := mat.NewDense(3, 3, []float64{p.Camera.FocalPX, 0, p.Camera.CxPX, 0, p.Camera.FocalPX, p.Camera.CyPX, 0, 0, 1})
	m := mat.NewDense(3, 3, []float64{p.R[0][0], p.R[0][1], p.T[0], p.R[1][0], p.R[1][1], p.T[1], p.R[2][0], p.R[2][1], p.T[2]})
	var h mat.Dense
	h.Mul(k, m)
	return &h
}

// rounded says whether a point is in a rectangle about the origin with corners
// rounded by r.
func rounded(x, y, w, h, r float64) bool {
	dx, dy := math.Abs(x)-w/2+r, math.Abs(y)-h/2+r
	if dx > 0 && dy > 0 {
		return dx*dx+dy*dy < r*r
	}
	return dx < r && dy < r
}

func flat(g float64) [3]float64 { return [3]float64{g, g, g} }

// Faces of cards: light, dark, patterned, with a shiny patch.
var cardFaces = map[string]func(x, y float64) [3]float64{
	"black": func(x, y float64) [3]float64 { return flat(0.02) },
	"white": func(x, y float64) [3]float64 {
		if math.Abs(y+8) < 6 {
			return flat(0.03) // a magnetic stripe
		}
		return flat(0.86)
	},
	"patterned": func(x, y float64) [3]float64 {
		return [3]float64{0.2 + 0.18*math.Sin(x/3+y/5), 0.1 + 0.08*math.Sin(y/2), 0.3 + 0.25*math.Cos(x/7-y/4)}
	},
	"glossy blue": func(x, y float64) [3]float64 {
		g := 0.5 * math.Exp(-((x-15)*(x-15)+(y-5)*(y-5))/200)
		return [3]float64{0.03 + g, 0.08 + g, 0.3 + g}
	},
	"framed": func(x, y float64) [3]float64 {
		if rounded(x, y, 79.6, 47.98, 2) {
			return [3]float64{0.5, 0.1, 0.08}
		}
		return flat(0.8)
	},
}

func onTable(in func(x, y float64) bool, face func(x, y float64) [3]float64) func(x, y float64) [3]float64 {
	return func(x, y float64) [3]float64 {
		if in(x, y) {
			return face(x, y)
		}
		return flat(0.5 + 0.0006*x)
	}
}

func TestID1CardsAreFound(t *testing.T) {
	const w, h = 720, 540
	for name, face := range cardFaces {
		for _, v := range []struct{ tilt, turn float64 }{{0, 0}, {9, 33}, {22, 100}} {
			t.Run(fmt.Sprintf("%s, tilt %g, turned %g", name, v.tilt, v.turn), func(t *testing.T) {
				p := tableView(w, h, 640, 190, v.tilt, v.turn)
				m := drawTable(t, w, h, p, onTable(func(x, y float64) bool { return rounded(x, y, ID1WidthMM, ID1HeightMM, id1RadiusMM) }, face))
				defer m.Close()
				r, why := FindID1(m, FocalPrior{640, focalSigmaEXIF, "exif"})
				if r == nil {
					for _, c := range id1Candidates(m, FocalPrior{640, focalSigmaEXIF, "exif"}) {
						t.Logf("%+v", c.Reason)
					}
					t.Fatalf("not found: %q", why)
				}
				// The drawing has no thickness, so the pose may take sides of up to
				// half of it for seen walls: 0.4 mm in 190.
				if e := r.Pose.Plane.HeightMM/p.Plane.HeightMM - 1; math.Abs(e) > 0.012 {
					t.Errorf("height %.2f, want %.2f", r.Pose.Plane.HeightMM, p.Plane.HeightMM)
				}
				if math.Abs(r.Pose.TiltDeg-v.tilt) > 2.5 {
					t.Errorf("tilt %.2f, want %.2f", r.Pose.TiltDeg, v.tilt)
				}
			})
		}
	}
}

// Things that are not ID-1 cards; sizes of the usual ones: A6 and A5 (ISO 216),
// others common practice.
func TestOtherThingsAreNoID1Cards(t *testing.T) {
	const w, h = 720, 540
	dark := func(x, y float64) [3]float64 { return flat(0.08) }
	box := func(bw, bh, r float64) func(x, y float64) bool {
		return func(x, y float64) bool { return rounded(x, y, bw, bh, r) }
	}
	for name, c := range map[string]struct {
		in   func(x, y float64) bool
		face func(x, y float64) [3]float64
	}{
		"a sharp-cornered card of the same size": {box(ID1WidthMM, ID1HeightMM, 0.1), dark},
		"a visiting card, 85 x 55":               {box(85, 55, 0.1), dark},
		"a visiting card with round corners":     {box(85, 55, 3), dark},
		"a playing card, 63 x 88":                {box(88, 63, 3.5), dark},
		"a telephone, 147 x 71":                  {box(147*0.7, 71*0.7, 9*0.7), dark},
		"a book, A6":                             {box(148*0.7, 105*0.7, 0.1), cardFaces["patterned"]},
		"a square tile":                          {box(70, 70, 1), cardFaces["white"]},
		"a photograph, 3 to 2":                   {box(90, 60, 0.1), cardFaces["patterned"]},
		"a picture frame": {box(90, 60, 0.1), func(x, y float64) [3]float64 {
			if rounded(x, y, 76, 46, 0.1) {
				return cardFaces["patterned"](x, y)
			}
			return flat(0.1)
		}},
		"an eraser with very round corners": {box(ID1WidthMM, ID1HeightMM, 9), dark},
		"bulging sides": {func(x, y float64) bool {
			return rounded(x/(1+0.03*(1-math.Pow(y/27, 2))), y/(1+0.04*(1-math.Pow(x/43, 2))), ID1WidthMM*0.97, ID1HeightMM*0.97, 3)
		}, dark},
		"marbles in rows": {func(x, y float64) bool {
			gx, gy := math.Mod(x+800, 18)-9, math.Mod(y+800, 18)-9
			return math.Abs(x) < 45 && math.Abs(y) < 27 && math.Hypot(gx, gy) < 8
		}, cardFaces["glossy blue"]},
		"nothing": {func(x, y float64) bool { return false }, dark},
	} {
		for _, tilt := range []float64{3, 19} {
			m := drawTable(t, w, h, tableView(w, h, 640, 200, tilt, 20), onTable(c.in, c.face))
			for _, focal := range []FocalPrior{{640, focalSigmaEXIF, "exif"}, {720, focalSigmaAssumed, "assumed"}} {
				if r, _ := FindID1(m, focal); r != nil {
					t.Errorf("%s, tilt %g, focal length %s: taken for a card, %.1f mm up at %.1f degrees", name, tilt, focal.Source, r.Pose.Plane.HeightMM, r.Pose.TiltDeg)
				}
			}
			m.Close()
		}
	}
}

// A sphere's centre rests as geometry has it, whatever it rests on.
func TestRestingOnRingsAndWells(t *testing.T) {
	for _, c := range []struct {
		rest   Rest
		radius float64
		centre float64 // above the ruler's table, by Pythagoras
	}{
		{Rest{}, 8, 8},
		{Rest{RestRing, 9.6, 2}, 8, 2 + 6.4},
		{Rest{RestRing, 12, 3}, 10, 3 + 8},
		{Rest{RestRing, 24, 2}, 8, 8},             // falls through
		{Rest{RestRing, 12, 0.2}, 7, 7},           // sits on the table inside the ring
		{Rest{RestWell, 12, 20}, 10, 8},           // on the rim
		{Rest{RestWell, 12, 2}, 6.5, 6.5 - 2},     // on the bottom
		{Rest{RestWell, 24, 5}, 8, 3},             // in the hole
		{Rest{RestWell, 9.6, 1.7}, 8, -1.7 + 8.1}, // just on the rim: 6.4 + 1.7 > 8
	} {
		if got := c.rest.CentreMM(c.radius); math.Abs(got-c.centre) > 1e-9 {
			t.Errorf("%+v, radius %g: centre at %g, want %g", c.rest, c.radius, got, c.centre)
		}
		p := tableView(1600, 1200, 1400, 300, 14, 0)
		x, y := 40.0, -25.0
		up := p.Plane.Normal
		foot := p.CardPoint(x, y)
		var centre Vec3
		for i := range centre {
			centre[i] = foot[i] + up[i]*c.centre
		}
		if _, r, ok := p.Plane.RestingOn(ConeOf(centre, c.radius), c.rest); !ok || math.Abs(r-c.radius) > 1e-6 {
			t.Errorf("%+v: radius %.8f, want %g", c.rest, r, c.radius)
		}
	}
}

func TestRestsAreChecked(t *testing.T) {
	for _, bad := range []Rest{{"shelf", 8, 1}, {RestRing, 0, 1}, {RestRing, 8, 0}, {RestRing, 8, -1}, {RestRing, math.NaN(), 1}, {RestRing, 8, math.Inf(1)}, {RestWell, 100, 3}, {RestWell, 10, 90}} {
		if bad.Check() == nil {
			t.Errorf("%+v passes", bad)
		}
	}
	for _, good := range []Rest{{}, {RestRing, 8.4, 1.6}, {RestWell, 12, 6}} {
		if err := good.Check(); err != nil {
			t.Errorf("%+v: %v", good, err)
		}
	}
}

// seenSphere is the outline of a sphere of radius r that rests over the plane's
// point (x, y) at the height given, with edge noise; sigma is one outline's
// common shift, px.
func seenSphere(p *Pose, x, y, centre, r, sigma float64, rng *rand.Rand) SeenOutline {
	foot := p.CardPoint(x, y)
	var c Vec3
	for i := range c {
		c[i] = foot[i] + p.Plane.Normal[i]*centre
	}
	o := SeenOutline{Cone: ConeOf(c, r), BiasUPX: sigma}
	if sigma > 0 {
		e, _ := o.Cone.Outline(p.Camera)
		o.Cone, _ = coneOfEllipse(e, p.Camera, sigma*rng.NormFloat64())
	}
	return o
}

// The stated interval holds the truth, by a card and by a sheet: sides read with
// their own error, the focal length off by its own, and the thing's true size and
// thickness too, drawn anew each time.
func TestCardsAndSheetsCoverTheTruth(t *testing.T) {
	for _, c := range []struct {
		name            string
		rect            flatRect
		from, size      string
		sizeHalf        float64 // relative
		thick, halfMM   float64
		heightMM, spanX float64
	}{
		{"ID-1", flatRect{ID1WidthMM, ID1HeightMM, 0, id1SideMM, sidePX}, FromCardSides, FromCardSize, id1SizeHalf, id1ThicknessMM, id1ThicknessHalf, 240, 60},
		{"A5", flatRect{210, 148, 0, sheetEdgeMM, sidePX}, FromSheetEdges, FromSheetSize, sheetCutHalfMM / 210, 0, sheetFlatHalfMM, 300, 90},
	} {
		const w, h, draws = 3200, 2400, 160
		rng := rand.New(rand.NewPCG(11, 7))
		inside, n, width := 0, 0, 0.0
		for range draws {
			focal := 2800.0
			p := tableView(w, h, focal, c.heightMM+80*rng.Float64(), 20*rng.Float64(), 360*rng.Float64())
			// The thing as it is: what is taken for it differs by its own error.
			size := 1 + c.sizeHalf*(2*rng.Float64()-1)
			thick := c.thick + c.halfMM*(2*rng.Float64()-1)
			var q [4][2]float64
			off := [2]float64{-c.rect.widthMM * (0.3 + 0.4*rng.Float64()), -c.rect.heightMM * (0.3 + 0.4*rng.Float64())}
			scale := focal / p.Plane.HeightMM
			for k, m := range [4][2]float64{{0, 0}, {c.rect.widthMM, 0}, {c.rect.widthMM, c.rect.heightMM}, {0, c.rect.heightMM}} {
				u, v, _ := p.Pixel(off[0]+m[0]*size, off[1]+m[1]*size)
				q[k] = [2]float64{u, v}
			}
			var sides [4]sideLine
			for k := range 4 {
				a, b := q[k], q[(k+1)%4]
				s := math.Hypot(sidePX, c.rect.sideMM*scale)
				// Two places a fifth from either end, each off by its own, as the fit
				// supposes.
				e0, e1 := s*rng.NormFloat64(), s*rng.NormFloat64()
				l := math.Hypot(b[0]-a[0], b[1]-a[1])
				nn := [2]float64{(b[1] - a[1]) / l, -(b[0] - a[0]) / l}
				m0 := [2]float64{a[0] + 0.2*(b[0]-a[0]) + nn[0]*e0, a[1] + 0.2*(b[1]-a[1]) + nn[1]*e0}
				m1 := [2]float64{a[0] + 0.8*(b[0]-a[0]) + nn[0]*e1, a[1] + 0.8*(b[1]-a[1]) + nn[1]*e1}
				d := math.Hypot(m1[0]-m0[0], m1[1]-m0[1])
				sides[k].N = [2]float64{(m1[1] - m0[1]) / d, -(m1[0] - m0[0]) / d}
				sides[k].C = sides[k].N[0]*m0[0] + sides[k].N[1]*m0[1]
			}
			qq, ok := cornersOf4(sides)
			if !ok {
				t.Fatal("sides don't meet")
			}
			prior := FocalPrior{focal * math.Exp(focalSigmaEXIF*rng.NormFloat64()), focalSigmaEXIF, "exif"}
			pose, _, _, _, ok := fitRectangle(qq, sides, c.rect, w, h, prior)
			if !ok {
				t.Fatal("no pose")
			}
			r := &Ruler{Source: SourceID1, Pose: pose, PoseFrom: c.from, Size: Quantity{c.size, 1, UniformU(c.sizeHalf)}, Thickness: Quantity{FromCardThickness, c.thick, UniformU(c.halfMM)}}
			for range 2 {
				rad := 6 + 4*rng.Float64()
				o := seenSphere(&p, c.spanX*(2*rng.Float64()-1), 45*(2*rng.Float64()-1), rad-thick, rad, 0.2, rng)
				e, _ := o.Cone.Outline(p.Camera) // the pixels stay, the camera is the fitted one
				o.Cone, _ = coneOfEllipse(e, pose.Camera, 0)
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
		share := float64(inside) / float64(n)
		t.Logf("%s: mean U95 %.3f mm, %.1f %% of %d intervals hold the truth", c.name, width, 100*share, n)
		if share < 0.90 || share > 0.99 {
			t.Errorf("%s: %.1f %% of %d intervals hold the truth", c.name, 100*share, n)
		}
	}
}

// Marbles on rings and wells that were measured with a caliper, each dimension off
// by its own error: the intervals hold the truth, and where the rest lifts or
// lowers a marble much, one that is measured as if it lay on the table is often off by
// more than they allow.
func TestRestsCoverTheTruth(t *testing.T) {
	const w, h = 3200, 2400
	rng := rand.New(rand.NewPCG(6, 2))
	for _, rest := range []Rest{{RestRing, 9.6, 2}, {RestRing, 8.4, 6}, {RestWell, 11, 8}} {
		inside, wrong := 0, 0
		const draws = 200
		for range draws {
			p := tableView(w, h, 2800, 300, 20*rng.Float64(), 360*rng.Float64())
			p.params = [PoseParams]float64{math.Log(2800), float64(w-1) / 2, float64(h-1) / 2}
			rv := rotationVector(mat.NewDense(3, 3, []float64{p.R[0][0], p.R[0][1], p.R[0][2], p.R[1][0], p.R[1][1], p.R[1][2], p.R[2][0], p.R[2][1], p.R[2][2]}))
			for i := range 3 {
				p.params[3+i], p.params[6+i] = rv[i], p.T[i]
			}
			p.Cov = mat.NewSymDense(PoseParams, nil)
			for i := range PoseParams {
				p.Cov.SetSym(i, i, 1e-18)
			}
			rad := 7 + 4*rng.Float64()
			o := seenSphere(&p, 160*rng.Float64()-80, 120*rng.Float64()-60, rest.CentreMM(rad), rad, 0.2, rng)
			read := rest
			read.WidthMM += restU * rng.NormFloat64()
			read.HeightMM += restU * rng.NormFloat64()
			r := &Ruler{Source: SourceID1, Pose: &p, PoseFrom: FromCardSides, Size: Quantity{FromCardSize, 1, 1e-9}, Thickness: Quantity{FromCardThickness, 0, 1e-9}, Rest: read}
			d, err := r.Diameter(o)
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(d.MM-2*rad) <= d.U95MM {
				inside++
			}
			r.Rest = Rest{}
			if d, err := r.Diameter(o); err == nil && math.Abs(d.MM-2*rad) > d.U95MM {
				wrong++
			}
		}
		t.Logf("%s %g, %g: %d of %d intervals hold the truth; taken to lie on the table, %d do not", rest.Kind, rest.WidthMM, rest.HeightMM, inside, draws, wrong)
		if inside < 90*draws/100 || inside > 99*draws/100 {
			t.Errorf("%+v: %d of %d intervals hold the truth", rest, inside, draws)
		}
		// Where it lifts or lowers a marble of 18 mm by more than 1 mm.
		if math.Abs(rest.CentreMM(9)-9) > 1 && wrong < draws/3 {
			t.Errorf("%+v makes no difference: %d of %d", rest, wrong, draws)
		}
	}
}

// One, two, three and five known marbles: sizes of others are covered, and more
// known marbles say more.
func TestKnownMarblesCoverTheTruth(t *testing.T) {
	const w, h = 1600, 1200
	rng := rand.New(rand.NewPCG(3, 19))
	var widths []float64
	for _, count := range []int{1, 2, 3, 5} {
		inside, n, width := 0, 0, 0.0
		for range 90 {
			tx, ty := tiltSigma*rng.NormFloat64(), tiltSigma*rng.NormFloat64()
			p := poseOf([PoseParams]float64{math.Log(1400), float64(w-1) / 2, float64(h-1) / 2, tx, ty, 0, 0, 0, 280})
			var known []KnownMarble
			for range count {
				r := 6 + 4*rng.Float64()
				o := seenSphere(&p, 140*rng.Float64()-70, 100*rng.Float64()-50, r, r, 0.2, rng)
				// The fit knows of knownOutlinePX too.
				e, _ := o.Cone.Outline(p.Camera)
				o.Cone, _ = coneOfEllipse(e, p.Camera, knownOutlinePX*rng.NormFloat64())
				known = append(known, KnownMarble{o, 2*r + caliperU*rng.NormFloat64()})
			}
			prior := FocalPrior{1400 * math.Exp(focalSigmaEXIF*rng.NormFloat64()), focalSigmaEXIF, "exif"}
			cam := Camera{FocalPX: prior.FocalPX, CxPX: float64(w-1) / 2, CyPX: float64(h-1) / 2}
			see := func(o SeenOutline) SeenOutline { // as fitted with the camera supposed
				e, _ := o.Cone.Outline(p.Camera)
				o.Cone, _ = coneOfEllipse(e, cam, 0)
				return o
			}
			for i := range known {
				known[i].Outline = see(known[i].Outline)
			}
			ruler, err := KnownRuler(known, nil, Rest{}, w, h, prior)
			if err != nil {
				t.Fatal(err)
			}
			// Outlines of others as the pose's camera has them.
			rad := 6 + 4*rng.Float64()
			o := seenSphere(&p, 140*rng.Float64()-70, 100*rng.Float64()-50, rad, rad, 0.2, rng)
			e, _ := o.Cone.Outline(p.Camera)
			o.Cone, _ = coneOfEllipse(e, ruler.Pose.Camera, 0)
			d, err := ruler.Diameter(o)
			if err != nil {
				t.Fatal(err)
			}
			n++
			width += d.U95MM / 90
			if math.Abs(d.MM-2*rad) <= d.U95MM {
				inside++
			}
		}
		widths = append(widths, width)
		if share := float64(inside) / float64(n); share < 0.88 {
			t.Errorf("%d known: %.1f %% of %d intervals hold the truth", count, 100*share, n)
		}
	}
	for i := 1; i < len(widths); i++ {
		if widths[i] > widths[i-1] {
			t.Errorf("mean U95 %.3f", widths)
		}
	}
	t.Logf("mean U95 with 1, 2, 3, 5 known: %.3f mm", widths)
}

// A known marble on the plane of a card whose print is not true sets the scale
// right.
func TestKnownMarbleOnTheCardsPlane(t *testing.T) {
	v := phone(300, 12, 30, 20)
	card := InnerCorners()
	pose, err := FitPose(card, v.pixels(card), v.w, v.h, FocalPrior{v.focalPX, focalSigmaEXIF, "exif"})
	if err != nil {
		t.Fatal(err)
	}
	// Seen as with a true card, but the card was printed 3 % small, and so is
	// all else: a marble that reads 16 mm is 15.52.
	o := SeenOutline{Cone: coneThrough(t, pose.Camera, v.outlinePixels(v.marbleOn(120, 37, 8, cardThicknessMM), 48, still))}
	r, err := KnownRuler([]KnownMarble{{o, 15.52}}, CardRuler(pose, PrintScale{1, printScaleU}), Rest{}, v.w, v.h, FocalPrior{})
	if err != nil {
		t.Fatal(err)
	}
	other := SeenOutline{Cone: coneThrough(t, pose.Camera, v.outlinePixels(v.marbleOn(-20, 60, 10, cardThicknessMM), 48, still))}
	d, err := r.Diameter(other)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(d.MM-19.4) > 0.005 || r.Source != SourceKnown {
		t.Errorf("%s: %.4f mm, want 19.40", r.Source, d.MM)
	}
	var names []string
	for _, l := range d.Budget {
		names = append(names, l.Name)
	}
	if !strings.Contains(strings.Join(names, ","), FromKnownSize) {
		t.Errorf("budget %v", names)
	}
}

func TestBadKnownMarbles(t *testing.T) {
	for _, mm := range []float64{0, -16, 4, 300, math.NaN(), math.Inf(1)} {
		if CheckKnownMM(mm) == nil {
			t.Errorf("%g mm passes", mm)
		}
	}
	if _, err := KnownRuler(nil, nil, Rest{}, 100, 100, FocalPrior{100, 0.1, "exif"}); err == nil {
		t.Error("no marble gives a ruler")
	}
}

// What marbles rest on is in the budget under its name.
func TestRestIsInTheBudget(t *testing.T) {
	v := phone(300, 10, 0, 0)
	card := InnerCorners()
	pose, err := FitPose(card, v.pixels(card), v.w, v.h, FocalPrior{v.focalPX, focalSigmaEXIF, "exif"})
	if err != nil {
		t.Fatal(err)
	}
	rest := Rest{RestRing, 9.6, 2}
	r := CardRuler(pose, PrintScale{1, printScaleU})
	r.Rest = rest
	// 8 mm in radius on the ring: its centre 0.4 mm higher than on the table.
	s := v.marbleOn(120, 37, 8, cardThicknessMM)
	for i := range s.centre {
		s.centre[i] += pose.Plane.Normal[i] * 0.4
	}
	d, err := r.Diameter(SeenOutline{Cone: coneThrough(t, pose.Camera, v.outlinePixels(s, 48, still))})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(d.MM-16) > 0.002 {
		t.Errorf("%.4f mm, want 16", d.MM)
	}
	found := 0
	for _, l := range d.Budget {
		if l.Name == FromRestHeight && l.U > 0.0005 || l.Name == FromRestWidth && l.U > 0 {
			found++
		}
	}
	if found != 2 {
		t.Errorf("budget %+v", d.Budget)
	}
}
