package calib

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
)

// sphere is a ball in camera coordinates, mm.
type sphere struct {
	centre Vec3
	radius float64
}

// missBy is how far a ray from the camera passes the sphere's surface by, mm:
// the distance of the centre from the ray less the radius. A ray that grazes
// the sphere misses by 0; that is what a tangent is, and nothing of the code's
// cone enters it.
func (s sphere) missBy(u Vec3) float64 {
	along := s.centre[0]*u[0] + s.centre[1]*u[1] + s.centre[2]*u[2]
	var d2 float64
	for k := range u {
		d := s.centre[k] - along*u[k]
		d2 += d * d
	}
	return math.Sqrt(d2) - s.radius
}

// grazing finds n rays that graze the sphere by bisection: each swings from the
// ray through the centre to one square to it, in n directions about it, until
// it just misses. from and to bound the directions, in turns.
func (s sphere) grazing(n int, from, to float64) []Vec3 {
	dist := math.Sqrt(s.centre[0]*s.centre[0] + s.centre[1]*s.centre[1] + s.centre[2]*s.centre[2])
	var w, e1, e2 Vec3
	for k := range w {
		w[k] = s.centre[k] / dist
	}
	// Two directions square to w, by Gram and Schmidt.
	smallest := 0
	for k := range w {
		if math.Abs(w[k]) < math.Abs(w[smallest]) {
			smallest = k
		}
	}
	for k := range e1 {
		e1[k] = -w[smallest] * w[k]
	}
	e1[smallest]++
	l := math.Sqrt(e1[0]*e1[0] + e1[1]*e1[1] + e1[2]*e1[2])
	for k := range e1 {
		e1[k] /= l
	}
	e2 = Vec3{w[1]*e1[2] - w[2]*e1[1], w[2]*e1[0] - w[0]*e1[2], w[0]*e1[1] - w[1]*e1[0]}
	rays := make([]Vec3, n)
	for i := range rays {
		sn, cs := math.Sincos(2 * math.Pi * (from + (to-from)*float64(i)/float64(n)))
		at := func(angle float64) (u Vec3) {
			sa, ca := math.Sincos(angle)
			for k := range u {
				u[k] = ca*w[k] + sa*(cs*e1[k]+sn*e2[k])
			}
			return u
		}
		lo, hi := 0.0, math.Pi/2
		for range 100 {
			if mid := (lo + hi) / 2; s.missBy(at(mid)) < 0 {
				lo = mid
			} else {
				hi = mid
			}
		}
		rays[i] = at((lo + hi) / 2)
	}
	return rays
}

// spheres are marbles as they lie before a camera: near and far, in the middle
// and at the frame's corner, and two that no one would photograph.
var spheres = []struct {
	name string
	s    sphere
}{
	{"in the middle", sphere{Vec3{0, 0, 300}, 8}},
	{"off the middle", sphere{Vec3{40, -25, 320}, 8}},
	{"at the corner", sphere{Vec3{-160, 120, 250}, 12.5}},
	{"small and far", sphere{Vec3{20, 90, 900}, 5}},
	{"large and near", sphere{Vec3{30, 20, 90}, 17.5}},
	{"filling the view", sphere{Vec3{2, -1, 30}, 20}},
	{"far off the axis", sphere{Vec3{300, 40, 160}, 9}},
}

func TestConeOfTouchesTheSphere(t *testing.T) {
	for _, tt := range spheres {
		t.Run(tt.name, func(t *testing.T) {
			c := ConeOf(tt.s.centre, tt.s.radius)
			for i, u := range tt.s.grazing(24, 0, 1) {
				nearly(t, fmt.Sprintf("V.u of grazing ray %d", i), c.V.Dot(u), 1, 1e-12)
			}
			nearly(t, "sin A", c.SinHalfAngle(), tt.s.radius/tt.s.centre.Norm(), 1e-12)
			for k := range 3 {
				nearly(t, "axis", c.Axis()[k], tt.s.centre[k]/tt.s.centre.Norm(), 1e-12)
			}
		})
	}
}

func TestOutlineIsWhereRaysGraze(t *testing.T) {
	cam := Camera{FocalPX: 3000, CxPX: 2015.5, CyPX: 1511.5}
	for _, tt := range spheres {
		t.Run(tt.name, func(t *testing.T) {
			e, ok := ConeOf(tt.s.centre, tt.s.radius).Outline(cam)
			if !ok {
				t.Fatal("no outline")
			}
			if !(e.SemiMajorPX >= e.SemiMinorPX && e.SemiMinorPX > 0) {
				t.Errorf("semi-axes %g and %g px", e.SemiMajorPX, e.SemiMinorPX)
			}
			if !(e.AngleDeg > -90 && e.AngleDeg <= 90) {
				t.Errorf("angle %g, want within (-90, 90]", e.AngleDeg)
			}
			// Every point of the ellipse is seen along a ray that grazes, to
			// a billionth of the radius.
			for i := range 36 {
				p := 2 * math.Pi * float64(i) / 36
				x, y, nx, ny := e.At(p)
				u := Vec3{(x - cam.CxPX) / cam.FocalPX, (y - cam.CyPX) / cam.FocalPX, 1}
				u = u.Scale(1 / math.Sqrt(u[0]*u[0]+u[1]*u[1]+1))
				nearly(t, fmt.Sprintf("miss at %d", i), tt.s.missBy(u)/tt.s.radius, 0, 1e-9)
				// The normal points outward and lies square to the outline.
				out := Vec3{(x + nx - cam.CxPX) / cam.FocalPX, (y + ny - cam.CyPX) / cam.FocalPX, 1}
				out = out.Scale(1 / math.Sqrt(out[0]*out[0]+out[1]*out[1]+1))
				if tt.s.missBy(out) <= 0 {
					t.Errorf("the normal at %d points inward", i)
				}
				x1, y1, _, _ := e.At(p - 1e-5)
				x2, y2, _, _ := e.At(p + 1e-5)
				nearly(t, "normal along the outline", ((x2-x1)*nx+(y2-y1)*ny)/math.Hypot(x2-x1, y2-y1), 0, 1e-5)
				nearly(t, "length of the normal", math.Hypot(nx, ny), 1, 1e-12)
			}
			// And the other way round: every grazing ray lands on the ellipse.
			for i, u := range tt.s.grazing(36, 0, 1) {
				a, b := e.Unit(cam.CxPX+cam.FocalPX*u[0]/u[2], cam.CyPX+cam.FocalPX*u[1]/u[2])
				nearly(t, fmt.Sprintf("grazing ray %d in the ellipse's own coordinates", i), math.Hypot(a, b), 1, 1e-9)
			}
		})
	}
}

// The outline of a sphere whose cone leans by sigma in the xz plane, half-angle
// psi, meets the x axis at tan(sigma - psi) and tan(sigma + psi). Its middle
// lies outside tan(sigma), where the sphere's centre is seen: an ellipse's
// centre is not the sphere's projected centre (Matsuoka 2016,
// doi 10.5194/isprs-annals-III-5-19-2016).
func TestOutlineAxesInClosedForm(t *testing.T) {
	const f = 2800.0
	for _, sigma := range []float64{0, 5, 15, 30, 50} {
		for _, psi := range []float64{0.5, 2, 6} {
			t.Run(fmt.Sprintf("%g, %g", sigma, psi), func(t *testing.T) {
				s, p := sigma*math.Pi/180, psi*math.Pi/180
				s0 := sphere{Vec3{300 * math.Sin(s), 0, 300 * math.Cos(s)}, 300 * math.Sin(p)}
				e, ok := ConeOf(s0.centre, s0.radius).Outline(Camera{FocalPX: f})
				if !ok {
					t.Fatal("no outline")
				}
				lo, hi := f*math.Tan(s-p), f*math.Tan(s+p)
				nearly(t, "centre", e.CxPX, (lo+hi)/2, 1e-7)
				nearly(t, "long semi-axis", e.SemiMajorPX, (hi-lo)/2, 1e-7)
				if sigma == 0 {
					nearly(t, "short semi-axis", e.SemiMinorPX, e.SemiMajorPX, 1e-7)
				} else {
					nearly(t, "angle", e.AngleDeg, 0, 1e-6)
					if e.CxPX <= f*math.Tan(s) {
						t.Errorf("the ellipse's centre %g lies inside the sphere's own, %g", e.CxPX, f*math.Tan(s))
					}
				}
				nearly(t, "mean radius", e.MeanRadiusPX(), math.Sqrt(e.SemiMajorPX*e.SemiMinorPX), 1e-9)
			})
		}
	}
}

func TestOutlineRefuses(t *testing.T) {
	cam := Camera{FocalPX: 3000, CxPX: 2000, CyPX: 1500}
	deg := math.Pi / 180
	for _, tt := range []struct {
		name string
		c    Cone
	}{
		{"no cone", Cone{}},
		{"no sphere", Cone{V: Vec3{0, 0, 1}}},
		{"a cone wider than its axis allows", Cone{V: Vec3{0, 0, 0.5}}},
		{"behind the camera", ConeOf(Vec3{10, 5, -270}, 8)},
		{"beside the camera", ConeOf(Vec3{100, 0, 0}, 8)},
		{"across the horizon: a hyperbola", ConeOf(Vec3{100 * math.Sin(87*deg), 0, 100 * math.Cos(87*deg)}, 100*math.Sin(5*deg))},
		{"not a number", Cone{V: Vec3{math.NaN(), 0, 1.01}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if e, ok := tt.c.Outline(cam); ok {
				t.Errorf("got %+v", e)
			}
		})
	}
}

// restingSphere puts a ball on a plane n.X + h = 0: its foot is where the ray
// of (dx, dy, 1) meets the plane, its centre one radius above it.
func restingSphere(n Vec3, h, dx, dy, r float64) sphere {
	k := -h / (n[0]*dx + n[1]*dy + n[2])
	return sphere{Vec3{k*dx + r*n[0], k*dy + r*n[1], k + r*n[2]}, r}
}

func TestRestingSpheres(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 7))
	for _, tilt := range []float64{0, 10, 25, 45, 60} {
		for _, r := range []float64{5, 8, 12.5, 17.5} {
			t.Run(fmt.Sprintf("tilt %g, radius %g", tilt, r), func(t *testing.T) {
				for range 20 {
					turn := rng.Float64() * 2 * math.Pi
					s, c := math.Sincos(tilt * math.Pi / 180)
					n := Vec3{s * math.Cos(turn), s * math.Sin(turn), -c}
					h := 150 + 400*rng.Float64()
					ball := restingSphere(n, h, 0.4*(2*rng.Float64()-1), 0.4*(2*rng.Float64()-1), r)
					rays := ball.grazing(12, rng.Float64(), 2)
					w := make([]float64, len(rays))
					for i := range w {
						w[i] = 1
					}
					cone, ok := FitCone(rays, w)
					if !ok {
						t.Fatal("no cone")
					}
					d, got, ok := Plane{n, h}.Resting(cone)
					if !ok {
						t.Fatal("no sphere")
					}
					nearly(t, "radius", got, r, 1e-7)
					nearly(t, "distance", d, ball.centre.Norm(), 1e-6)
					for k := range 3 {
						nearly(t, "centre", d*cone.Axis()[k], ball.centre[k], 1e-6)
					}
				}
			})
		}
	}
}

func TestRestingLimits(t *testing.T) {
	down := Plane{Vec3{0, 0, -1}, 250}
	for _, deg := range []float64{0.5, 2, 5, 20, 45, 80} {
		sinA, cosA := math.Sincos(deg * math.Pi / 180)
		_, r, ok := down.Resting(Cone{V: Vec3{0, 0, 1 / cosA}})
		if !ok {
			t.Fatalf("half-angle %g: no sphere", deg)
		}
		// Straight down the sphere fills the cone between apex and plane:
		// H = d + r and r = d sin A.
		nearly(t, fmt.Sprintf("straight down, half-angle %g", deg), r, 250*sinA/(1+sinA), 1e-9)
	}
	// A point has no size, and a thin cone gives what the flat rule gives:
	// r = H tan A to first order.
	_, r, ok := down.Resting(ConeOf(Vec3{0, 0, 250 - 0.01}, 0.01))
	if !ok {
		t.Fatal("thin cone: no sphere")
	}
	nearly(t, "thin cone over flat rule", r/(250*math.Tan(math.Asin(0.01/249.99))), 1, 1e-4)

	deg := math.Pi / 180
	for _, tt := range []struct {
		name string
		p    Plane
		c    Cone
	}{
		{"no cone", down, Cone{V: Vec3{0, 0, 1}}},
		{"looking away from the plane", down, ConeOf(Vec3{0, 0, -300}, 8)},
		{"above the horizon", Plane{Vec3{0, -1, 0}, 250}, ConeOf(Vec3{0, -100, 300}, 8)},
		{"along the horizon, too thin to reach down", Plane{Vec3{0, -1, 0}, 250}, ConeOf(Vec3{0, -math.Sin(3 * deg), math.Cos(3 * deg)}, math.Sin(2*deg))},
	} {
		if d, r, ok := tt.p.Resting(tt.c); ok {
			t.Errorf("%s: distance %g, radius %g", tt.name, d, r)
		}
	}
}

// testdata/sphere-on-plane.csv says where it comes from.
func TestSphereOnPlaneTable(t *testing.T) {
	f, err := os.Open("testdata/sphere-on-plane.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rd := csv.NewReader(f)
	rd.Comment = '#'
	rows, err := rd.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) < 20 {
		t.Fatalf("only %d rows", len(rows))
	}
	const focal = 3000.0
	sawMarble := false
	for _, row := range rows[1:] {
		v := make([]float64, len(row))
		for i := range row {
			if v[i], err = strconv.ParseFloat(row[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		h, a, x, sigma, psi, naive := v[0], v[1], v[2], v[3]*math.Pi/180, v[4]*math.Pi/180, v[6]
		name := fmt.Sprintf("H %g, A %g, x %g: ", h, a, x)
		cone := Cone{V: Vec3{math.Sin(sigma) / math.Cos(psi), 0, math.Cos(sigma) / math.Cos(psi)}}
		_, r, ok := Plane{Vec3{0, 0, -1}, h}.Resting(cone)
		if !ok {
			t.Errorf("%sno sphere", name)
			continue
		}
		// The angles are printed to 1e-6 degrees: half of that on about one
		// degree is 5e-7 of the radius; sigma adds as much again.
		nearly(t, name+"radius", r, a, 2e-6*a)
		// The flat rule: across the outline, times mm per px on the plane.
		e, ok := ConeOf(Vec3{x, 0, h - a}, a).Outline(Camera{FocalPX: focal})
		if !ok {
			t.Errorf("%sno outline", name)
			continue
		}
		nearly(t, name+"by the flat rule", 2*e.SemiMinorPX*h/focal, naive, 6e-5)
		if h == 250 && a == 8 && x == 0 {
			sawMarble = true
			nearly(t, name+"16 mm ball by the flat rule", 2*e.SemiMinorPX*h/focal, 16.54, 0.005)
		}
	}
	if !sawMarble {
		t.Error("the row of a 16 mm ball under a camera 250 mm up is missing")
	}
}

func TestCameraRoundTrip(t *testing.T) {
	cam := Camera{FocalPX: 2900, CxPX: 2015.5, CyPX: 1511.5}
	for _, p := range [][2]float64{{0, 0}, {2015.5, 1511.5}, {4031, 3023}, {-500, 3500.25}} {
		u := cam.Ray(p[0], p[1])
		nearly(t, "length of a ray", u.Norm(), 1, 1e-12)
		x, y, ok := cam.Project(u.Scale(123))
		if !ok {
			t.Fatalf("pixel %v is behind the camera", p)
		}
		nearly(t, "x", x, p[0], 1e-8)
		nearly(t, "y", y, p[1], 1e-8)
	}
	for _, p := range []Vec3{{0, 0, -1}, {1, 1, 0}} {
		if _, _, ok := cam.Project(p); ok {
			t.Errorf("%v was seen", p)
		}
	}
}
