package quality

import (
	"math"
	"sort"

	"tawsight/internal/colour"
)

// bradford is the cone response matrix of the Bradford adaptation and its
// inverse (as in ICC.1, annex E).
var (
	bradford        = [3][3]float64{{0.8951, 0.2664, -0.1614}, {-0.7502, 1.7135, 0.0367}, {0.0389, -0.0685, 1.0296}}
	bradfordInverse = [3][3]float64{{0.9869929, -0.1470543, 0.1599627}, {0.4323053, 0.5183603, 0.0492912}, {-0.0085287, 0.0400428, 0.9684867}}
)

func times(m [3][3]float64, v [3]float64) (o [3]float64) {
	for i := range o {
		for j := range v {
			o[i] += m[i][j] * v[j]
		}
	}
	return o
}

// castError is what a white balance leaves of a cast: the median CIEDE2000
// over an even lattice of 125 colours in the sRGB cube, each seen in the light
// of a white recorded as white (linear RGB, any level; Bradford adaptation),
// clipped to what a file can hold, and balanced by scaling the channels. 0 for
// a neutral white; it grows with the cast, since scaling three overlapping
// channels isn't how a change of light acts. +Inf when a channel is empty.
func castError(white [3]float64) float64 {
	top := math.Max(white[0], math.Max(white[1], white[2]))
	if top <= 0 {
		return math.Inf(1)
	}
	for k := range white {
		white[k] /= top
		if white[k] <= 1e-4 {
			return math.Inf(1)
		}
	}
	w := times(bradford, colour.LinearToXYZ(white))
	n := times(bradford, colour.LinearToXYZ([3]float64{1, 1, 1}))
	var de []float64
	for i := range 125 {
		lin := [3]float64{}
		for k, d := range [3]int{i / 25, i / 5 % 5, i % 5} {
			lin[k] = colour.SRGBToLinear(0.1 + 0.2*float64(d))
		}
		cone := times(bradford, colour.LinearToXYZ(lin))
		for k := range cone {
			cone[k] *= w[k] / n[k]
		}
		seen := colour.XYZToLinear(times(bradfordInverse, cone))
		for k := range seen {
			seen[k] = math.Max(0, math.Min(1, seen[k])) / white[k]
		}
		de = append(de, colour.DeltaE00(colour.LinearToLab(seen), colour.LinearToLab(lin)))
	}
	sort.Float64s(de)
	return de[len(de)/2]
}
