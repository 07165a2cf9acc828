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

const (
	// straightR is the length over which straightness is judged, radii.
	straightR = 0.6
	// straightLeast is the least chord over length of a straight piece: an arc
	// of 40 degrees has 0.98.
	straightLeast = 0.98
	// throughR is how near the middle, in radii, a line that runs along an axis
	// passes: every axis through a ball's middle is seen as such a line.
	throughR = 0.2
)

// straightness is how straight borders run across the disc, 0..1: the mean of
// chord over length for pieces of straightR, taken from 2/pi (a half circle)
// to 1. vaned is the share of such pieces that are straight (straightLeast)
// and, carried on, pass the middle within throughR, as those of vanes about an
// axis do: the axis is seen as a straight line through the middle, and vanes
// end on it. ok is false where no border is so long.
func straightness(borders [][][2]float64) (straight, vaned float64, ok bool) {
	k := int(math.Round(straightR / stepR))
	sum, n, through := 0.0, 0, 0
	for _, l := range borders {
		l = smoothAlong(l, stepR, smoothR)
		for i := 0; i+k < len(l); i++ {
			along := 0.0
			for j := i; j < i+k; j++ {
				along += math.Hypot(l[j+1][0]-l[j][0], l[j+1][1]-l[j][1])
			}
			dx, dy := l[i+k][0]-l[i][0], l[i+k][1]-l[i][1]
			chord := math.Hypot(dx, dy)
			sum += chord / along
			n++
			if chord >= straightLeast*along && math.Abs(dx*l[i][1]-dy*l[i][0]) < throughR*chord {
				through++
			}
		}
	}
	if n == 0 {
		return 0, 0, false
	}
	const half = 2 / math.Pi
	return math.Max(0, (sum/float64(n)-half)/(1-half)), float64(through) / float64(n), true
}

// convergence is how well lines, carried on as great circles, meet in one
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
