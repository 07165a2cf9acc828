package sortmat

import "math"

// GlassIndex is the refractive index that marks are looked at through:
// soda-lime glass (common practice), at the sodium line.
const GlassIndex = 1.52

// Vec is a point or direction, mm. For rays here z is up, away from the mat.
type Vec [3]float64

func (a Vec) plus(b Vec, k float64) Vec {
	return Vec{a[0] + k*b[0], a[1] + k*b[1], a[2] + k*b[2]}
}
func (a Vec) dot(b Vec) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }
func (a Vec) unit() Vec {
	return Vec{}.plus(a, 1/math.Sqrt(a.dot(a)))
}

// refract bends the unit direction d at a surface whose unit normal faces the
// ray, by Snell's law in vector form (Born and Wolf, Principles of Optics,
// 3.2.2); eta is the index before over the one behind. ok is false on total
// reflection.
func refract(d, normal Vec, eta float64) (out Vec, ok bool) {
	c := -d.dot(normal)
	k := 1 - eta*eta*(1-c*c)
	if k < 0 {
		return out, false
	}
	out = Vec{}.plus(d, eta)
	return out.plus(normal, eta*c-math.Sqrt(k)), true
}

// Through follows a ray from a point outside a ball, along the unit direction
// d, through the ball and on to the plane z = 0. lengthR is the way through the
// glass in radii; ok is false where the ray misses the ball or doesn't come
// down.
func Through(from, d, centre Vec, radius, index float64) (x, y, lengthR float64, ok bool) {
	m := centre.plus(from, -1)
	b := m.dot(d)
	disc := b*b - m.dot(m) + radius*radius
	if disc <= 0 || b <= 0 {
		return 0, 0, 0, false
	}
	in := from.plus(d, b-math.Sqrt(disc))
	normal := in.plus(centre, -1).unit()
	t, ok := refract(d, normal, 1/index)
	if !ok {
		return 0, 0, 0, false
	}
	chord := -2 * radius * normal.dot(t)
	out := in.plus(t, chord)
	e, ok := refract(t, centre.plus(out, -1).unit(), index)
	if !ok || e[2] >= 0 || out[2] < 0 {
		return 0, 0, 0, false
	}
	s := -out[2] / e[2]
	return out[0] + s*e[0], out[1] + s*e[1], chord / radius, true
}

// FocalR is the focal length of a ball of glass over its radius, from its
// middle: n / (2 (n - 1)) (Hecht, Optics, 6.1: two refracting surfaces and the
// glass between them, to first order).
func FocalR(index float64) float64 { return index / (2 * (index - 1)) }

// Magnification is how much larger than it is a thing that a ball lies on is
// seen through its middle from afar: a parallel ray heads for the focus,
// FocalR radii behind the middle, and has come 1 radius of that way where the
// ball touches. It is 3.17 for glass and upright, since the thing lies within
// the focal length.
func Magnification(index float64) float64 { return 1 / (1 - 1/FocalR(index)) }
