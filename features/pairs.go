package features

import (
	"math"
	"sort"
)

// Pairs is whether white ribbon runs side by side with coloured one.
type Pairs struct {
	// Known is false where there is no white or no coloured ribbon.
	Known bool
	// Share is the share, 0..1, of the length of the rarer of the two (white or
	// coloured) along which the other runs beside it.
	Share float64
	// GapR is the median width of the base between them, radii.
	GapR float64
}

const (
	// pairGapR is the widest base between the two of a pair, radii.
	pairGapR = 0.12
	// besideSlope is how fast the border may draw away from the middle line
	// (per length of it) and run beside it: a crossing ribbon cuts across.
	besideSlope = 0.6
)

// findPairs follows the white and the coloured lines and asks at each place
// whether, to either side, the other kind lies beyond the border or a narrow
// gap, and the border runs along the line.
func findPairs(lines []Line, cuts [][]cut, white, coloured func(colour int8) bool) Pairs {
	var length, beside [2]float64 // of white, of coloured
	var gaps []float64
	for k := range lines {
		l := &lines[k]
		kind, other := 0, coloured
		switch {
		case white(int8(l.Colour)):
		case coloured(int8(l.Colour)):
			kind, other = 1, white
		default:
			continue
		}
		s := l.reach()
		for i, c := range cuts[k] {
			// Places where neither border is seen say nothing.
			if c[0].beyond < 0 && c[1].beyond < 0 {
				continue
			}
			lo, hi := max(0, i-1), min(len(s)-1, i+1)
			w := (s[hi] - s[lo]) / 2
			length[kind] += w
			for e := range 2 {
				gap, is := 0.0, c[e].beyond >= 0 && other(c[e].beyond)
				if !is && !math.IsNaN(c[e].gap) && c[e].gap <= pairGapR && other(c[e].next) {
					gap, is = c[e].gap, true
				}
				if !is {
					continue
				}
				a, b := cuts[k][lo][e].at, cuts[k][hi][e].at
				if math.IsNaN(a) || math.IsNaN(b) || math.Abs(b-a) > besideSlope*(s[hi]-s[lo]) {
					continue
				}
				beside[kind] += w
				gaps = append(gaps, gap)
				break
			}
		}
	}
	if length[0] == 0 || length[1] == 0 {
		return Pairs{}
	}
	sort.Float64s(gaps)
	p := Pairs{Known: true}
	if length[0] <= length[1] {
		p.Share = beside[0] / length[0]
	} else {
		p.Share = beside[1] / length[1]
	}
	if len(gaps) > 0 {
		p.GapR = quantile(gaps, 0.5)
	}
	return p
}
