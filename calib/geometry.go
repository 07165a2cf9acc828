package calib

import "math"

// Vec3 is a vector in camera coordinates: x right, y down, z forward.
type Vec3 [3]float64

// Dot is the scalar product.
func (a Vec3) Dot(b Vec3) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

// Norm is the length.
func (a Vec3) Norm() float64 { return math.Sqrt(a.Dot(a)) }

// Scale is s times a.
func (a Vec3) Scale(s float64) Vec3 { return Vec3{a[0] * s, a[1] * s, a[2] * s} }

// Unit is a at length 1.
func (a Vec3) Unit() Vec3 { return a.Scale(1 / a.Norm()) }

// Cross is the vector product.
func (a Vec3) Cross(b Vec3) Vec3 {
	return Vec3{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

// Camera is a pinhole with square pixels: focal length and principal point in
// pixels, behind a lens that may bend the picture.
type Camera struct {
	FocalPX, CxPX, CyPX float64
	Lens                *Lens // nil for a lens that bends nothing, or of which nothing is known
}

// Pinhole is the camera without its lens: that of undistorted pixels.
func (c Camera) Pinhole() Camera {
	c.Lens = nil
	return c
}

// Scaled is the camera of the same picture made s times as large.
func (c Camera) Scaled(s float64) Camera {
	return Camera{FocalPX: c.FocalPX * s, CxPX: (c.CxPX+0.5)*s - 0.5, CyPX: (c.CyPX+0.5)*s - 0.5, Lens: c.Lens.Scaled(s)}
}

// Ray is the unit ray of a pixel.
func (c Camera) Ray(x, y float64) Vec3 {
	if c.Lens != nil {
		x, y = c.Lens.Ideal(x, y)
	}
	return Vec3{(x - c.CxPX) / c.FocalPX, (y - c.CyPX) / c.FocalPX, 1}.Unit()
}

// Project is the pixel where a ray or point is seen; ok is false behind the
// camera.
func (c Camera) Project(p Vec3) (x, y float64, ok bool) {
	if p[2] <= 1e-12 {
		return 0, 0, false
	}
	x, y = c.CxPX+c.FocalPX*p[0]/p[2], c.CyPX+c.FocalPX*p[1]/p[2]
	if c.Lens != nil {
		x, y = c.Lens.Seen(x, y)
	}
	return x, y, true
}

// Ellipse is an ellipse in pixels; AngleDeg turns from image x towards image y
// and is in (-90, 90].
type Ellipse struct {
	CxPX, CyPX, SemiMajorPX, SemiMinorPX, AngleDeg float64
}

// MeanRadiusPX is the radius of the circle of the same area.
func (e Ellipse) MeanRadiusPX() float64 { return math.Sqrt(e.SemiMajorPX * e.SemiMinorPX) }

// At is the point of the outline at parameter t (radians), and the outward
// unit normal there.
func (e Ellipse) At(t float64) (x, y, nx, ny float64) {
	s, c := math.Sincos(e.AngleDeg * math.Pi / 180)
	st, ct := math.Sincos(t)
	u, v := e.SemiMajorPX*ct, e.SemiMinorPX*st
	nu, nv := ct/e.SemiMajorPX, st/e.SemiMinorPX
	n := math.Hypot(nu, nv)
	nu, nv = nu/n, nv/n
	return e.CxPX + c*u - s*v, e.CyPX + s*u + c*v, c*nu - s*nv, s*nu + c*nv
}

// Unit maps a pixel to the ellipse's own coordinates, where the outline is the
// unit circle.
func (e Ellipse) Unit(x, y float64) (u, v float64) {
	s, c := math.Sincos(e.AngleDeg * math.Pi / 180)
	dx, dy := x-e.CxPX, y-e.CyPX
	return (c*dx + s*dy) / e.SemiMajorPX, (-s*dx + c*dy) / e.SemiMinorPX
}

// Cone is the circular cone of rays that graze a sphere: every unit ray u of
// the outline satisfies V.u = 1, with V = axis / cos(half-angle).
type Cone struct{ V Vec3 }

// Axis is the unit axis, towards the sphere's centre.
func (c Cone) Axis() Vec3 { return c.V.Unit() }

// SinHalfAngle is the sine of the cone's half-angle; cos A = 1 / |V|.
func (c Cone) SinHalfAngle() float64 {
	n2 := c.V.Dot(c.V)
	if n2 <= 1 {
		return 0
	}
	return math.Sqrt(1 - 1/n2)
}

// ConeOf is the cone that touches a sphere of radius r with its centre at c
// (camera coordinates, the same unit).
func ConeOf(c Vec3, r float64) Cone {
	d2 := c.Dot(c)
	cosA := math.Sqrt(1 - r*r/d2)
	return Cone{V: c.Scale(1 / (math.Sqrt(d2) * cosA))}
}

// Outline is the ellipse in which a camera sees the cone, or, through a lens, the
// one nearest to what it sees. With p = (x, y, 1)
// the ray before normalising, (V.p)^2 = p.p is the conic V V' - I. ok is false
// when the outline is not an ellipse wholly in front of the camera.
func (c Cone) Outline(cam Camera) (e Ellipse, ok bool) {
	v := c.V
	// Conic Q = V V' - I over (x, y, 1): positive inside.
	a, b, cc := v[0]*v[0]-1, v[0]*v[1], v[1]*v[1]-1
	d, f, g := v[0]*v[2], v[1]*v[2], v[2]*v[2]-1
	det := a*cc - b*b
	if !(det > 0) || a >= 0 {
		return Ellipse{}, false
	}
	x0 := (b*f - cc*d) / det
	y0 := (b*d - a*f) / det
	if v[0]*x0+v[1]*y0+v[2] <= 0 {
		return Ellipse{}, false // the conic can't tell V from -V, behind the camera
	}
	k := a*x0*x0 + 2*b*x0*y0 + cc*y0*y0 + 2*d*x0 + 2*f*y0 + g // value at the centre, > 0 inside
	if !(k > 0) {
		return Ellipse{}, false
	}
	// -(a u^2 + 2 b u v + cc v^2) = k
	mean, diff := -(a+cc)/2, math.Hypot((a-cc)/2, b)
	big, small := mean-diff, mean+diff // smaller eigenvalue, longer axis
	if !(big > 0) {
		return Ellipse{}, false
	}
	angle := 0.5 * math.Atan2(-2*b, -(a-cc)) // direction of the larger eigenvalue of -Q
	angle += math.Pi / 2
	for angle > math.Pi/2 {
		angle -= math.Pi
	}
	for angle <= -math.Pi/2 {
		angle += math.Pi
	}
	e = Ellipse{
		CxPX: cam.CxPX + cam.FocalPX*x0, CyPX: cam.CyPX + cam.FocalPX*y0,
		SemiMajorPX: cam.FocalPX * math.Sqrt(k/big), SemiMinorPX: cam.FocalPX * math.Sqrt(k/small),
		AngleDeg: angle * 180 / math.Pi,
	}
	if cam.Lens != nil {
		e = cam.Lens.bent(e)
	}
	return e, true
}

// Plane is n.X + Height = 0 with the unit normal n toward the camera, which is
// Height above it.
type Plane struct {
	Normal   Vec3
	HeightMM float64
}

// Resting is the sphere that grazes the cone and rests on the plane:
//
//	d = H / (sin A - n.a),  r = d sin A
//
// with d the distance of its centre and r its radius, both in mm. ok is false
// when no such sphere is in front of the camera.
func (p Plane) Resting(c Cone) (distanceMM, radiusMM float64, ok bool) {
	s := c.SinHalfAngle()
	den := s - p.Normal.Dot(c.Axis())
	if s <= 0 || den <= 0 {
		return 0, 0, false
	}
	d := p.HeightMM / den
	return d, d * s, true
}
