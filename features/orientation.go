package features

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// localFrame carries the picture's x and y directions from the middle of the
// face to direction d along the great circle between them (parallel
// transport), so that directions at different places can be compared.
func localFrame(d [3]float64) (ex, ey [3]float64) {
	// The least rotation that takes (0, 0, 1) to d (Rodrigues).
	k := 1 / (1 + d[2])
	ex = [3]float64{1 - k*d[0]*d[0], -k * d[0] * d[1], -d[0]}
	ey = [3]float64{-k * d[0] * d[1], 1 - k*d[1]*d[1], -d[1]}
	return ex, ey
}

// axialVariance is the circular variance of axial directions (a direction and
// its opposite are one), 0..1: 1 - |sum w exp(2 i angle)| / sum w; K. V. Mardia
// and P. E. Jupp, Directional Statistics (2000), section 2.3 and 9.1. Angles
// in radians; NaN without weight.
func axialVariance(angle, weight []float64) float64 {
	var c, s, w float64
	for i, a := range angle {
		c += weight[i] * math.Cos(2*a)
		s += weight[i] * math.Sin(2*a)
		w += weight[i]
	}
	if w == 0 {
		return math.NaN()
	}
	return 1 - math.Hypot(c, s)/w
}

// orientations are the lines' headings in the local frame, radians, and the
// length (radii) that each stands for.
func orientations(lines []Line) (angle, weight []float64) {
	for k := range lines {
		l := &lines[k]
		s := l.reach()
		t := l.headings(s)
		for i := range t {
			ex, ey := localFrame(l.Dir[i])
			angle = append(angle, math.Atan2(dot3(t[i], ey), dot3(t[i], ex)))
			lo, hi := max(0, i-1), min(len(s)-1, i+1)
			weight = append(weight, (s[hi]-s[lo])/2)
		}
	}
	return angle, weight
}

// straightR is the length of line over which straightness is judged, radii.
const straightR = 0.6

// straightness is how straight the lines run on the sphere, 0..1: the
// length-weighted mean of chord over length for pieces of straightR, both
// along the sphere, so that great circles give 1, taken from 2/pi (a half
// circle) to 1. ok is false where no line is so long.
func straightness(lines []Line) (v float64, ok bool) {
	sum, n := 0.0, 0
	for k := range lines {
		l := &lines[k]
		s := l.reach()
		j := 0
		for i := range s {
			for j < len(s) && s[j]-s[i] < straightR {
				j++
			}
			if j == len(s) {
				break
			}
			sum += arc(l.Dir[i], l.Dir[j]) / (s[j] - s[i])
			n++
		}
	}
	if n == 0 {
		return 0, false
	}
	const half = 2 / math.Pi
	return math.Max(0, (sum/float64(n)-half)/(1-half)), true
}

// convergence is how well the lines, carried on as great circles, meet in one
// axis, 0..1: with n the normal of the great circle that each piece of line
// lies on, 1 - 3 times the smallest eigenvalue of the weighted mean of n n';
// 1 when all pass through one point of the sphere, 0 when they lie anyhow.
func convergence(lines []Line) float64 {
	m := mat.NewSymDense(3, nil)
	total := 0.0
	for k := range lines {
		l := &lines[k]
		s := l.reach()
		t := l.headings(s)
		for i := range t {
			n := unit3(cross3(l.Dir[i], t[i]))
			lo, hi := max(0, i-1), min(len(s)-1, i+1)
			w := (s[hi] - s[lo]) / 2
			total += w
			for a := range 3 {
				for b := a; b < 3; b++ {
					m.SetSym(a, b, m.At(a, b)+w*n[a]*n[b])
				}
			}
		}
	}
	var eig mat.EigenSym
	if total == 0 || !eig.Factorize(m, false) {
		return 0
	}
	return math.Max(0, math.Min(1, 1-3*eig.Values(nil)[0]/total))
}
