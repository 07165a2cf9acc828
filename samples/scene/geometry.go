// Package scene builds the rendered sample photos: where the camera, the reference card and the marbles are, how each
// marble is made, the POV-Ray text of it all and the exact truth that follows from the geometry.
//
// World: millimetres, right-handed, Z = 0 the ground and Z up. Camera: x right, y down, z forward. Pixel centres are
// at whole numbers.
package scene

import (
	"errors"
	"math"
	"math/rand/v2"

	"tawsight/samples"
)

// Vec is a point or direction in millimetres.
type Vec = [3]float64

func add(a, b Vec) Vec           { return Vec{a[0] + b[0], a[1] + b[1], a[2] + b[2]} }
func sub(a, b Vec) Vec           { return Vec{a[0] - b[0], a[1] - b[1], a[2] - b[2]} }
func scale(a Vec, s float64) Vec { return Vec{a[0] * s, a[1] * s, a[2] * s} }
func dot(a, b Vec) float64       { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }
func norm(a Vec) float64         { return math.Sqrt(dot(a, a)) }
func unit(a Vec) Vec             { return scale(a, 1/norm(a)) }
func cross(a, b Vec) Vec {
	return Vec{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}
func apply(m [3][3]float64, v Vec) Vec { return Vec{dot(m[0], v), dot(m[1], v), dot(m[2], v)} }
func rad(deg float64) float64          { return deg * math.Pi / 180 }

// NewCamera gives a pinhole that looks at the ground at the world's origin from heightMM above it. tiltDeg is the
// angle between its axis and straight down, azimuthDeg the direction it leans towards and rollDeg a turn about its
// own axis. The principal point is the middle of the picture.
func NewCamera(focalPx, heightMM, tiltDeg, azimuthDeg, rollDeg float64, width, height int) samples.Camera {
	st, ct := math.Sincos(rad(tiltDeg))
	sa, ca := math.Sincos(rad(azimuthDeg))
	fwd := Vec{st * ca, st * sa, -ct}
	up := Vec{ct * ca, ct * sa, st}
	right := cross(fwd, up)
	sr, cr := math.Sincos(rad(rollDeg))
	x := add(scale(right, cr), scale(up, sr))
	y := sub(scale(right, sr), scale(up, cr))
	pos := scale(fwd, -heightMM/ct)
	c := samples.Camera{FocalPx: focalPx, CX: float64(width-1) / 2, CY: float64(height-1) / 2,
		HeightMM: heightMM, TiltDeg: tiltDeg, R: [3][3]float64{x, y, fwd}}
	c.T = scale(apply(c.R, pos), -1)
	return c
}

// position is the camera's centre in the world.
func position(c samples.Camera) Vec {
	var p Vec
	for j := range p {
		for i := range 3 {
			p[j] -= c.R[i][j] * c.T[i]
		}
	}
	return p
}

// ray is the unit direction, in the world, of the pixel (u, v).
func ray(c samples.Camera, u, v float64) Vec {
	d := Vec{(u - c.CX) / c.FocalPx, (v - c.CY) / c.FocalPx, 1}
	var w Vec
	for j := range w {
		for i := range 3 {
			w[j] += c.R[i][j] * d[i]
		}
	}
	return unit(w)
}

// onPlane is where the ray of a pixel meets the plane Z = z.
func onPlane(c samples.Camera, u, v, z float64) Vec {
	p, d := position(c), ray(c, u, v)
	return add(p, scale(d, (z-p[2])/d[2]))
}

// ErrNoEllipse is returned when a sphere's silhouette is no ellipse: the camera is in the sphere or too near.
var ErrNoEllipse = errors.New("the sphere's silhouette is not an ellipse in this picture")

// Silhouette is the exact outline of a sphere in the picture.
//
// Rays d from the camera that touch a sphere at c (camera frame) of radius r fulfil (c.d)^2 = (c.c - r^2) (d.d), a
// cone with the matrix Q = c c' - (c.c - r^2) I. With d = K^-1 (u, v, 1) it is a conic in the picture, from which
// centre, semi-axes and angle are read.
func Silhouette(cam samples.Camera, centre Vec, radiusMM float64) (samples.Ellipse, error) {
	c := add(apply(cam.R, centre), cam.T)
	k := dot(c, c) - radiusMM*radiusMM
	if k <= 0 || c[2] <= radiusMM {
		return samples.Ellipse{}, ErrNoEllipse
	}
	// In normalised coordinates (x, y, 1) about the principal point: A x^2 + 2 B x y + C y^2 + 2 D x + 2 E y + F = 0.
	a, b, cc := c[0]*c[0]-k, c[0]*c[1], c[1]*c[1]-k
	d, e, f := c[0]*c[2], c[1]*c[2], c[2]*c[2]-k
	det := a*cc - b*b
	if det <= 0 {
		return samples.Ellipse{}, ErrNoEllipse
	}
	x0, y0 := (b*e-cc*d)/det, (b*d-a*e)/det
	g := d*x0 + e*y0 + f // the conic's value at its centre
	mid, half := (a+cc)/2, math.Hypot((a-cc)/2, b)
	// Both eigenvalues are negative (k outweighs), so the one nearer 0 belongs to the major axis.
	major, minor := math.Sqrt(-g/(mid+half)), math.Sqrt(-g/(mid-half))
	angle := math.Atan2(2*b, a-cc) / 2 // direction of the eigenvector of mid+half
	deg := math.Mod(angle*180/math.Pi+180, 180)
	return samples.Ellipse{CX: cam.CX + cam.FocalPx*x0, CY: cam.CY + cam.FocalPx*y0,
		SemiMajor: cam.FocalPx * major, SemiMinor: cam.FocalPx * minor, AngleDeg: deg}, nil
}

// ellipsePoint is the point of an ellipse at the parameter t (radians), its axes scaled by s.
func ellipsePoint(e samples.Ellipse, t, s float64) (u, v float64) {
	sa, ca := math.Sincos(rad(e.AngleDeg))
	x, y := s*e.SemiMajor*math.Cos(t), s*e.SemiMinor*math.Sin(t)
	return e.CX + x*ca - y*sa, e.CY + x*sa + y*ca
}

// Inside says whether the pixel (u, v) is inside the ellipse scaled by s about its centre.
func Inside(e samples.Ellipse, u, v, s float64) bool {
	sa, ca := math.Sincos(rad(e.AngleDeg))
	x, y := (u-e.CX)*ca+(v-e.CY)*sa, -(u-e.CX)*sa+(v-e.CY)*ca
	return sq(x/(s*e.SemiMajor))+sq(y/(s*e.SemiMinor)) <= 1
}

func sq(x float64) float64 { return x * x }

// hit is the distance along the unit direction d from p to the sphere, or +Inf.
func hit(p, d, centre Vec, r float64) float64 {
	m := sub(centre, p)
	b := dot(m, d)
	disc := b*b - dot(m, m) + r*r
	if disc < 0 {
		return math.Inf(1)
	}
	return b - math.Sqrt(disc)
}

// randomRotation is uniform over all rotations (Shoemake's quaternion of three uniform numbers).
func randomRotation(rng *rand.Rand) [3][3]float64 {
	u, v, w := rng.Float64(), 2*math.Pi*rng.Float64(), 2*math.Pi*rng.Float64()
	a, b := math.Sqrt(1-u), math.Sqrt(u)
	x, y, z, q := a*math.Sin(v), a*math.Cos(v), b*math.Sin(w), b*math.Cos(w)
	return [3][3]float64{
		{1 - 2*(y*y+z*z), 2 * (x*y - z*q), 2 * (x*z + y*q)},
		{2 * (x*y + z*q), 1 - 2*(x*x+z*z), 2 * (y*z - x*q)},
		{2 * (x*z - y*q), 2 * (y*z + x*q), 1 - 2*(x*x+y*y)}}
}

func between(rng *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
