package features

import "math"

// busyHalf is the length of borders, in marble diameters, at which a marble is
// half busy: a single broad ribbon across the face has two borders of about a
// diameter each, a tightly folded one ten and more.
const busyHalf = 4.0

// Busyness is one number in 0..1 for how busy the swirl is: 1 - 2^(-e/4), with
// e the length of borders between colours in diameters. It grows with every
// ribbon, turn and fold that shows, and levels off.
func (a *Analysis) Busyness() (float64, bool) {
	if a.Parts.Usable == 0 {
		return 0, false
	}
	return 1 - math.Exp2(-a.Parts.Edge/busyHalf), true
}
