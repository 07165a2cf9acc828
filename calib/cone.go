package calib

import (
	"math"
	"unsafe"

	"tawsight/internal/kernels"
)

// FitCone is the weighted least-squares solution of V.u = 1 over unit rays u
// that graze a sphere: three unknowns, linear, so at least three rays. Both
// slices have the same length. ok is false when the rays fix no cone.
func FitCone(rays []Vec3, weights []float64) (Cone, bool) {
	return FitConeAmong(rays, nil, weights)
}

// FitConeAmong is FitCone of those rays that at numbers; nil stands for all. Weights are
// in the order of at.
func FitConeAmong(rays []Vec3, at []int32, weights []float64) (Cone, bool) {
	if len(weights) < 3 {
		return Cone{}, false
	}
	// In coordinates about the mean ray z the normal equations are well
	// conditioned even for small marbles: V.u = 1 with V = z c + x p + y q, divided
	// by z.u, which is near cos A.
	axes, s, ok := kernels.ConeSums(numbers(rays), at, weights)
	if !ok {
		return Cone{}, false
	}
	w, wp, wq, wpp, wpq, wqq, wc, wpc, wqc := s[0], s[1], s[2], s[3], s[4], s[5], s[6], s[7], s[8]
	sol, ok := Solve3([3][3]float64{{w, wp, wq}, {wp, wpp, wpq}, {wq, wpq, wqq}}, [3]float64{wc, wpc, wqc})
	if !ok {
		return Cone{}, false
	}
	var v Vec3
	for k := range v {
		v[k] = axes[2][k]*sol[0] + axes[0][k]*sol[1] + axes[1][k]*sol[2]
	}
	return Cone{V: v}, v.Dot(v) > 1
}

// numbers are the rays themselves.
func numbers(rays []Vec3) [][3]float64 {
	return unsafe.Slice((*[3]float64)(unsafe.SliceData(rays)), len(rays))
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
