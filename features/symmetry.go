package features

import "math"

// mirrorSteps is the number of mirror lines tried, mirrorWithin how much of the
// face, in radii, is compared.
const (
	mirrorSteps  = 36
	mirrorWithin = 0.85
)

// mirrorSymmetry is how alike the pattern is on both sides of the best mirror
// line through the middle of the face, against chance, 0..1: Cohen's kappa
// (J. Cohen, Educational and Psychological Measurement 20 (1960) 37-46) of
// the colours (base or which ribbon) at mirrored places, the largest over
// mirrorSteps lines; 0 is no more alike than colours strewn at random in the
// same shares. ok is false where all is one colour.
func mirrorSymmetry(f *Face, m *colourMap) (v float64, ok bool) {
	const grid = 0.045
	type place struct {
		x, y float64
		of   int8
	}
	var at []place
	// Colours as far as they are known.
	of := colourPool.take(len(m.of))
	defer colourPool.give(of)
	for i, o := range m.of {
		if m.far[i] > bridged*m.radius {
			o = -1
		}
		of[i] = o
	}
	// The middle of a cell is half a cell on.
	mid := float64(m.n-1)/2 + 0.5
	look := func(x, y float64) int8 { return of[int(y*m.radius+mid)*m.n+int(x*m.radius+mid)] }
	for y := -RimFrom; y <= RimFrom; y += grid {
		for x := -RimFrom; x <= RimFrom; x += grid {
			if x*x+y*y >= mirrorWithin*mirrorWithin {
				continue
			}
			if o := look(x, y); o >= 0 {
				at = append(at, place{x, y, o})
			}
		}
	}
	best := math.Inf(-1)
	for k := range mirrorSteps {
		s, c := math.Sincos(2 * math.Pi * float64(k) / mirrorSteps)
		var table [maxColours][2]float64
		same, n := 0.0, 0.0
		for _, q := range at {
			o := look(c*q.x+s*q.y, s*q.x-c*q.y)
			if o < 0 {
				continue
			}
			n++
			if o == q.of {
				same++
			}
			table[q.of][0]++
			table[o][1]++
		}
		if n == 0 {
			continue
		}
		chance := 0.0
		for _, t := range table {
			chance += t[0] * t[1] / (n * n)
		}
		if chance < 1-1e-9 {
			best = math.Max(best, (same/n-chance)/(1-chance))
		}
	}
	if math.IsInf(best, -1) {
		return 0, false
	}
	return math.Max(0, best), true
}

var colourPool buffers[int8]
