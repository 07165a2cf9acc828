package calib

import "math"

// FitCone is the weighted least-squares solution of V.u = 1 over unit rays u
// that graze a sphere: three unknowns, linear, so at least three rays. Both
// slices have the same length. ok is false when the rays fix no cone.
func FitCone(rays []Vec3, weights []float64) (Cone, bool) {
	// In coordinates about the mean ray the normal equations are well
	// conditioned even for small marbles: V = m k + t with t across m.
	var m Vec3
	for i, u := range rays {
		for k := range m {
			m[k] += u[k] * weights[i]
		}
	}
	if len(rays) < 3 || m.Norm() == 0 {
		return Cone{}, false
	}
	z := m.Unit()
	x := Vec3{0, 1, 0}
	if math.Abs(z[1]) > 0.9 {
		x = Vec3{1, 0, 0}
	}
	x = x.Cross(z).Unit()
	y := z.Cross(x)
	// V.u = 1 with V = z c + x p + y q: divide by z.u, which is near cos A. The
	// sums of the normal equations one by one, since this is called often.
	var w, wp, wq, wpp, wpq, wqq, wc, wpc, wqc float64
	for i := range rays {
		u, t := &rays[i], weights[i]
		c := u[0]*z[0] + u[1]*z[1] + u[2]*z[2]
		if c <= 0 {
			return Cone{}, false
		}
		c = 1 / c
		p, q := (u[0]*x[0]+u[1]*x[1]+u[2]*x[2])*c, (u[0]*y[0]+u[1]*y[1]+u[2]*y[2])*c
		tp, tq := t*p, t*q
		w += t
		wp += tp
		wq += tq
		wpp += tp * p
		wpq += tp * q
		wqq += tq * q
		wc += t * c
		wpc += tp * c
		wqc += tq * c
	}
	sol, ok := Solve3([3][3]float64{{w, wp, wq}, {wp, wpp, wpq}, {wq, wpq, wqq}}, [3]float64{wc, wpc, wqc})
	if !ok {
		return Cone{}, false
	}
	var v Vec3
	for k := range v {
		v[k] = z[k]*sol[0] + x[k]*sol[1] + y[k]*sol[2]
	}
	return Cone{V: v}, v.Dot(v) > 1
}

// ConeThrough is the cone that three unit rays lie on: V.u = 1 solved by Cramer's
// rule. ok is false when they fix none.
func ConeThrough(a, b, c Vec3) (Cone, bool) {
	bc, ca, ab := b.Cross(c), c.Cross(a), a.Cross(b)
	det := a.Dot(bc)
	if math.Abs(det) < 1e-14 {
		return Cone{}, false
	}
	var v Vec3
	for k := range v {
		v[k] = (bc[k] + ca[k] + ab[k]) / det
	}
	return Cone{V: v}, v.Dot(v) > 1
}

// Solve3 solves a 3 x 3 linear system by elimination with partial pivoting; ok
// is false when it is singular.
func Solve3(a [3][3]float64, b [3]float64) (x [3]float64, ok bool) {
	for i := 0; i < 3; i++ {
		p := i
		for j := i + 1; j < 3; j++ {
			if math.Abs(a[j][i]) > math.Abs(a[p][i]) {
				p = j
			}
		}
		if math.Abs(a[p][i]) < 1e-14 {
			return x, false
		}
		a[i], a[p], b[i], b[p] = a[p], a[i], b[p], b[i]
		for j := i + 1; j < 3; j++ {
			f := a[j][i] / a[i][i]
			for k := i; k < 3; k++ {
				a[j][k] -= f * a[i][k]
			}
			b[j] -= f * b[i]
		}
	}
	for i := 2; i >= 0; i-- {
		s := b[i]
		for k := i + 1; k < 3; k++ {
			s -= a[i][k] * x[k]
		}
		x[i] = s / a[i][i]
	}
	return x, true
}
