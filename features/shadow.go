package features

import "math"

// Shadow is what a marble does to the light on the paper around it.
type Shadow struct {
	// Seen says that there is a shadow to speak of.
	Seen bool
	// X, Y is the unit vector in the picture from the marble to its shadow,
	// away from the light.
	X, Y float64
	// Depth is the light missing where the shadow is darkest, as a share of
	// open paper.
	Depth float64
	// Caustic is the light gathered inside the shadow: the brightest place
	// near the shadow's axis less what lies to both sides of it at the same
	// distance, as a share of open paper. A clear sphere focuses light there;
	// an opaque one can't.
	Caustic float64
	// Peak is the brightest light near the axis, 1 for open paper.
	Peak float64
}

func findShadow(r Ring) (s Shadow) {
	n := len(r.Value)
	if n == 0 {
		return s
	}
	// Direction: the centroid of missing light near the marble.
	var sx, sy, lack, cells float64
	for d, row := range r.Value {
		sin, cos := math.Sincos(2 * math.Pi * float64(d) / float64(n))
		for j := 0; j < len(row) && j < 8; j++ {
			v := row[j]
			if math.IsNaN(v) {
				continue
			}
			m := math.Max(0, 1-v)
			sx += m * cos
			sy += m * sin
			lack += m
			cells++
		}
	}
	if cells < 40 || lack == 0 {
		return s
	}
	l := math.Hypot(sx, sy)
	s.X, s.Y = sx/l, sy/l
	s.Seen = l/cells > 0.006
	at := math.Atan2(s.Y, s.X) / (2 * math.Pi) * float64(n)
	// mean over a few directions and distances about a place
	local := func(dir float64, j int) (float64, bool) {
		sum, k := 0.0, 0.0
		for dd := -1; dd <= 1; dd++ {
			i := ((int(math.Round(dir))+dd)%n + n) % n
			for jj := max(0, j-1); jj <= min(len(r.Value[i])-1, j+1); jj++ {
				if v := r.Value[i][jj]; !math.IsNaN(v) {
					sum += v
					k++
				}
			}
		}
		return sum / math.Max(k, 1), k >= 4
	}
	steps := len(r.Value[0])
	darkest := 1.0
	for j := 0; j < steps; j++ {
		for dd := -10; dd <= 10; dd++ {
			if v, ok := local(at+float64(dd), j); ok {
				darkest = math.Min(darkest, v)
			}
		}
		peak, got := 0.0, false
		peakAt := 0
		for dd := -5; dd <= 5; dd++ {
			if v, ok := local(at+float64(dd), j); ok && v > peak {
				peak, got, peakAt = v, true, dd
			}
		}
		// Beside it: a fifth of the way round to both sides.
		left, ok1 := local(at+float64(peakAt)-float64(n)/9, j)
		right, ok2 := local(at+float64(peakAt)+float64(n)/9, j)
		if !got || !ok1 || !ok2 {
			continue
		}
		s.Peak = math.Max(s.Peak, peak)
		s.Caustic = math.Max(s.Caustic, peak-math.Max(left, right))
	}
	s.Depth = 1 - darkest
	return s
}
