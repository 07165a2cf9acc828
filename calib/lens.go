package calib

import "math"

// Lens is how a lens bends the picture: it takes a pixel of the photo to the
// place where a pinhole would have seen it, and back. The coefficients are those
// of Brown (1971) in the order and sense that OpenCV has them; with x, y the
// pinhole's coordinates over its focal length and r2 = x^2 + y^2,
//
//	x' = x (1 + K1 r2 + K2 r2^2 + K3 r2^3) + 2 P1 x y + P2 (r2 + 2 x^2)
//	y' = y (1 + K1 r2 + K2 r2^2 + K3 r2^3) + P1 (r2 + 2 y^2) + 2 P2 x y
//
// are those of the photo.
type Lens struct {
	// FocalPX, CxPX and CyPX are the pinhole that the coefficients belong to.
	FocalPX, CxPX, CyPX float64
	K1, K2, K3, P1, P2  float64
	// MidX and MidY are where the principal point lies among the undistorted
	// pixels: the middle of the frame, so that what fits a pinhole need not know
	// of the lens.
	MidX, MidY float64
}

// distort takes pinhole coordinates over the focal length to those of the photo.
func (l *Lens) distort(x, y float64) (float64, float64) {
	r2 := x*x + y*y
	k := 1 + r2*(l.K1+r2*(l.K2+r2*l.K3))
	return x*k + 2*l.P1*x*y + l.P2*(r2+2*x*x), y*k + l.P1*(r2+2*y*y) + 2*l.P2*x*y
}

// slopes are the derivatives of distort: dx'/dx, dx'/dy, dy'/dx, dy'/dy.
func (l *Lens) slopes(x, y float64) (a, b, c, d float64) {
	r2 := x*x + y*y
	k := 1 + r2*(l.K1+r2*(l.K2+r2*l.K3))
	g := 2 * (l.K1 + r2*(2*l.K2+3*r2*l.K3)) // dk/dx = g x
	cross := g*x*y + 2*l.P1*x + 2*l.P2*y
	return k + g*x*x + 2*l.P1*y + 6*l.P2*x, cross, cross, k + g*y*y + 6*l.P1*y + 2*l.P2*x
}

// undistort is the inverse of distort, by Newton's method. Where the lens has
// none (far outside what it was measured on) the point comes back as it is.
func (l *Lens) undistort(xd, yd float64) (float64, float64) {
	x, y := xd, yd
	for range 30 {
		u, v := l.distort(x, y)
		ex, ey := u-xd, v-yd
		if math.Abs(ex) < 1e-13 && math.Abs(ey) < 1e-13 {
			return x, y
		}
		a, b, c, d := l.slopes(x, y)
		det := a*d - b*c
		if !(det > 1e-3) {
			return xd, yd
		}
		x, y = x-(d*ex-b*ey)/det, y-(a*ey-c*ex)/det
	}
	if u, v := l.distort(x, y); math.Abs(u-xd)+math.Abs(v-yd) < 1e-9 {
		return x, y
	}
	return xd, yd
}

// Ideal is where a pinhole would have seen what the photo has at a pixel.
func (l *Lens) Ideal(x, y float64) (float64, float64) {
	u, v := l.undistort((x-l.CxPX)/l.FocalPX, (y-l.CyPX)/l.FocalPX)
	return l.MidX + l.FocalPX*u, l.MidY + l.FocalPX*v
}

// Seen is the inverse of Ideal.
func (l *Lens) Seen(x, y float64) (float64, float64) {
	u, v := l.distort((x-l.MidX)/l.FocalPX, (y-l.MidY)/l.FocalPX)
	return l.CxPX + l.FocalPX*u, l.CyPX + l.FocalPX*v
}

// IdealPoints is Ideal of many points, in a new slice.
func (l *Lens) IdealPoints(p [][2]float64) [][2]float64 {
	out := make([][2]float64, len(p))
	for i, q := range p {
		out[i][0], out[i][1] = l.Ideal(q[0], q[1])
	}
	return out
}

// Scaled is the lens of the same picture made s times as large, pixel centres at
// whole numbers in both.
func (l *Lens) Scaled(s float64) *Lens {
	if l == nil {
		return nil
	}
	m := *l
	at := func(v float64) float64 { return (v+0.5)*s - 0.5 }
	m.FocalPX, m.CxPX, m.CyPX, m.MidX, m.MidY = l.FocalPX*s, at(l.CxPX), at(l.CyPX), at(l.MidX), at(l.MidY)
	return &m
}

// ShiftPX is how far the lens moves what a pinhole sees, at a pixel of the photo,
// px, outwards from the principal point positive.
func (l *Lens) ShiftPX(x, y float64) float64 {
	u, v := l.undistort((x-l.CxPX)/l.FocalPX, (y-l.CyPX)/l.FocalPX)
	return math.Hypot(x-l.CxPX, y-l.CyPX) - l.FocalPX*math.Hypot(u, v)
}

// Folds says that the lens would show one thing at two places, or turned inside
// out, somewhere in a frame of w x h px or a twentieth outside it: no lens does.
func (l *Lens) Folds(w, h int) bool {
	far := 0.0
	for _, c := range [4][2]float64{{0, 0}, {float64(w), 0}, {0, float64(h)}, {float64(w), float64(h)}} {
		far = math.Max(far, math.Hypot(c[0]-l.CxPX, c[1]-l.CyPX)/l.FocalPX)
	}
	far *= 1.05
	const around, along = 24, 40
	for i := range around {
		s, c := math.Sincos(2 * math.Pi * float64(i) / around)
		reached := 0.0
		for j := 1; reached < far; j++ {
			if j > 2*along {
				return true // the picture never gets as far out as the frame
			}
			r := far * float64(j) / along
			u, v := l.distort(r*c, r*s)
			next := math.Hypot(u, v)
			p, q, t, w := l.slopes(r*c, r*s)
			if next <= reached || p*w-q*t < 0.05 {
				return true
			}
			reached = next
		}
	}
	return false
}

// bent is an ellipse of undistorted pixels as the lens shows it: the ellipse whose
// middle and axes are the first harmonics of the curve. What is left beyond them
// is well under a tenth of a pixel for a marble through a telephone's lens.
func (l *Lens) bent(e Ellipse) Ellipse {
	const around = 16
	var c, a, b [2]float64
	for k := range around {
		t := 2 * math.Pi * float64(k) / around
		x, y, _, _ := e.At(t)
		x, y = l.Seen(x, y)
		st, ct := math.Sincos(t)
		for i, v := range [2]float64{x, y} {
			c[i] += v / around
			a[i] += 2 * v * ct / around
			b[i] += 2 * v * st / around
		}
	}
	// The axes of c + a cos t + b sin t: the eigenvectors of a a' + b b'.
	xx, xy, yy := a[0]*a[0]+b[0]*b[0], a[0]*a[1]+b[0]*b[1], a[1]*a[1]+b[1]*b[1]
	mean, diff := (xx+yy)/2, math.Hypot((xx-yy)/2, xy)
	angle := 0.5 * math.Atan2(2*xy, xx-yy)
	if angle <= -math.Pi/2 {
		angle += math.Pi
	}
	return Ellipse{
		CxPX: c[0], CyPX: c[1], SemiMajorPX: math.Sqrt(mean + diff), SemiMinorPX: math.Sqrt(math.Max(0, mean-diff)),
		AngleDeg: angle * 180 / math.Pi,
	}
}
