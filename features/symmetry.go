package features

import (
	"math"

	"tawsight/internal/kernels"
)

// mirrorLines is the number of mirror lines tried, mirrorWithin how much of the
// face, in radii, is compared, on mirrorRings rings about its middle.
const (
	mirrorLines  = 36
	mirrorWithin = 0.85
	mirrorRings  = 12
	// mirrorTurn is the number of places on a ring: a line is at half a place's
	// angle, or a whole one, so that each place lies on the mirror picture of one.
	mirrorTurn = 3 * mirrorLines
)

// mirrorCosSin are the directions of a ring's places.
var mirrorCosSin = func() (t [mirrorTurn][2]float64) {
	for k := range t {
		t[k][1], t[k][0] = math.Sincos(2 * math.Pi * float64(k) / mirrorTurn)
	}
	return
}()

// mirrorSymmetry is how alike the pattern is on both sides of the best mirror
// line through the middle of the face, against chance, 0..1: Cohen's kappa
// (J. Cohen, Educational and Psychological Measurement 20 (1960) 37-46) of
// the colours (base or which ribbon) at mirrored places, the largest over
// mirrorLines lines; 0 is no more alike than colours strewn at random in the
// same shares. Places count by the area that they stand for. ok is false where
// all is one colour.
func mirrorSymmetry(f *Face, m *colourMap) (v float64, ok bool) {
	// Colours as far as they are known, those that aren't as maxColours; each ring
	// twice round, and twice round the other way.
	const wide = 2 * mirrorTurn
	of, back := bytes.take(mirrorRings*wide), bytes.take(mirrorRings*wide+kernels.MostMirrored)
	defer bytes.give(of, back)
	for r := range mirrorRings {
		radius := mirrorWithin * (float64(r) + 0.5) / mirrorRings
		for k := range mirrorTurn {
			cell := m.cell(radius*mirrorCosSin[k][0], radius*mirrorCosSin[k][1])
			o := uint8(maxColours)
			if m.of[cell] >= 0 && m.far2[cell] <= sq(bridged*m.radius) {
				o = uint8(m.of[cell])
			}
			at, end := r*wide+k, (r+1)*wide-1-k
			of[at], of[at+mirrorTurn], back[end], back[end-mirrorTurn] = o, o, o, o
		}
	}
	best := math.Inf(-1)
	var seen kernels.Seen
	for line := range mirrorLines {
		// How often each colour is seen whose mirror picture is known, and how often
		// that is the same. Places on the line itself say nothing.
		// A line at place l mirrors place k at 2 l - k.
		sum := mirrorTurn + mirrorTurn/mirrorLines*line
		from := sum/2 + 1
		seen.Mirrored(of[from:], back[wide-1-(sum-from):], mirrorRings, wide, mirrorTurn/2-1+sum%2)
		n, chance := 0, 0.0
		for _, s := range seen.Colours {
			n += int(s)
			chance += float64(s) * float64(s)
		}
		if n == 0 {
			continue
		}
		chance /= float64(n) * float64(n)
		if chance < 1-1e-9 {
			best = math.Max(best, (float64(seen.Same)/float64(n)-chance)/(1-chance))
		}
	}
	if math.IsInf(best, -1) {
		return 0, false
	}
	return math.Max(0, best), true
}

var colourPool buffers[int8]
