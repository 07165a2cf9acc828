package scene

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The silhouette is compared with tangent rays found by bisection on the ray-sphere test alone: from the pixel of the
// sphere's centre outwards in 64 directions, where does a ray stop meeting the sphere? This uses no conic.
func TestSilhouetteAgainstTangentRays(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 5))
	for range 60 {
		cam := NewCamera(between(rng, 900, 2500), between(rng, 240, 420), between(rng, 0, 35), between(rng, 0, 360),
			between(rng, -20, 20), 1600, 1200)
		r := between(rng, 5, 13)
		c := onPlane(cam, between(rng, 50, 1550), between(rng, 50, 1150), r)
		e, err := Silhouette(cam, c, r)
		if err != nil {
			t.Fatal(err)
		}
		p := position(cam)
		u0, v0 := cam.Project(c)
		maxR, minR := 0.0, math.Inf(1)
		for i := range 64 {
			s, co := math.Sincos(2 * math.Pi * float64(i) / 64)
			lo, hi := 0.0, 800.0
			for range 60 {
				m := (lo + hi) / 2
				if math.IsInf(hit(p, ray(cam, u0+m*co, v0+m*s), c, r), 1) {
					hi = m
				} else {
					lo = m
				}
			}
			u, v := u0+lo*co, v0+lo*s
			if !Inside(e, u, v, 1+1e-6) || Inside(e, u, v, 1-1e-6) {
				t.Fatalf("tangent ray at (%.4f, %.4f) is not on the ellipse %+v", u, v, e)
			}
			d := math.Hypot(u-e.CX, v-e.CY)
			maxR, minR = math.Max(maxR, d), math.Min(minR, d)
		}
		if maxR > e.SemiMajor+1e-4 || minR < e.SemiMinor-1e-4 || e.SemiMinor > e.SemiMajor {
			t.Errorf("radii %.4f to %.4f, axes %.4f and %.4f", minR, maxR, e.SemiMajor, e.SemiMinor)
		}
	}
}

// Straight above a ball the outline is a circle of radius f tan(asin(r / distance)).
func TestSilhouetteFromStraightAbove(t *testing.T) {
	cam := NewCamera(1500, 300, 0, 90, 0, 1600, 1200)
	e, err := Silhouette(cam, Vec{0, 0, 8}, 8)
	want := 1500 * math.Tan(math.Asin(8.0/292))
	if err != nil || math.Abs(e.SemiMajor-want) > 1e-9 || math.Abs(e.SemiMinor-want) > 1e-9 ||
		math.Abs(e.CX-799.5) > 1e-9 || math.Abs(e.CY-599.5) > 1e-9 {
		t.Errorf("%+v, %v; want radius %.6f about the middle", e, err, want)
	}
}

func TestSilhouetteRefusesACameraInTheSphere(t *testing.T) {
	cam := NewCamera(1500, 10, 0, 90, 0, 1600, 1200)
	if _, err := Silhouette(cam, Vec{0, 0, 8}, 8); err == nil {
		t.Error("no error")
	}
}

func TestCameraFrame(t *testing.T) {
	cam := NewCamera(1500, 300, 20, 37, 5, 1600, 1200)
	for i := range 3 {
		for j := range 3 {
			want := 0.0
			if i == j {
				want = 1
			}
			if math.Abs(dot(cam.R[i], cam.R[j])-want) > 1e-12 {
				t.Errorf("rows %d and %d", i, j)
			}
		}
	}
	if d := sub(cross(cam.R[0], cam.R[1]), cam.R[2]); norm(d) > 1e-12 {
		t.Error("not right-handed")
	}
	if p := position(cam); math.Abs(p[2]-300) > 1e-9 {
		t.Errorf("height %v", p[2])
	}
	u, v := cam.Project(Vec{})
	if math.Abs(u-cam.CX) > 1e-9 || math.Abs(v-cam.CY) > 1e-9 {
		t.Errorf("the origin is at %v %v", u, v)
	}
	p := onPlane(cam, 300, 900, 4)
	if u, v := cam.Project(p); math.Abs(u-300) > 1e-9 || math.Abs(v-900) > 1e-9 || math.Abs(p[2]-4) > 1e-12 {
		t.Errorf("round trip gives %v %v", u, v)
	}
}
