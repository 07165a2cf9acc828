package classify

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
)

// The algebra under the model. NaN stands where a feature was not measured;
// nothing is put in its place: sums simply run over what is there, and counts
// say how much that was.

// shrunken moves a set's mean towards the overall mean by threshold standard
// errors, and no farther than the mean itself, as in R. Tibshirani, T. Hastie,
// B. Narasimhan and G. Chu, "Diagnosis of multiple cancer types by shrunken
// centroids of gene expression", PNAS 99(10), 6567-6572, 2002. spread is
// s_j + s_0 in their notation, and the standard error of a mean of n of all is
// sqrt(1/n - 1/all) times it; where that is 0 nothing is moved.
func shrunken(mean, overall, n, all, spread, threshold float64) float64 {
	se := math.Sqrt(math.Max(0, 1/n-1/all)) * spread
	if !(se > 0) {
		return mean
	}
	d := (mean - overall) / se
	return overall + se*math.Copysign(math.Max(0, math.Abs(d)-threshold), d)
}

// meanSquare is the mean of ((a - b) / spread)^2 over the features that both
// a and b have, and how many those are. A feature whose spread is NaN is
// left out; a nil spread is 1 throughout.
func meanSquare(a, b, spread []float64) (d2 float64, n int) {
	for j := range a {
		d := a[j] - b[j]
		if spread != nil {
			d /= spread[j]
		}
		if !math.IsNaN(d) {
			d2 += d * d
			n++
		}
	}
	if n == 0 {
		return math.Inf(1), 0
	}
	return d2 / float64(n), n
}

// minSpread is the least usual spread within sets, as a share of a feature's
// overall standard deviation.
const minSpread = 0.1

// median of v, 0 if it is empty; v is sorted in place.
func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	h := len(v) / 2
	if len(v)%2 == 1 {
		return v[h]
	}
	return (v[h-1] + v[h]) / 2
}

// softmax returns probabilities proportional to exp(-d2 / temperature).
// Infinite distances get 0; all infinite gives all 0.
func softmax(d2 []float64, temperature float64) []float64 {
	out := make([]float64, len(d2))
	least := floats.Min(d2)
	if math.IsInf(least, 1) {
		return out
	}
	for i, d := range d2 {
		out[i] = math.Exp((least - d) / temperature)
	}
	floats.Scale(1/floats.Sum(out), out)
	return out
}

// shareOf is softmax(d2, temperature)[c], without what it says of the others.
func shareOf(d2 []float64, temperature float64, c int) float64 {
	least := floats.Min(d2)
	if math.IsInf(d2[c], 1) {
		return 0
	}
	sum := 0.0
	for _, d := range d2 {
		if x := (least - d) / temperature; x > -45 { // beyond, too little to change a sum of 1 or more
			sum += math.Exp(x)
		}
	}
	return math.Exp((least-d2[c])/temperature) / sum
}

// Bounds of the temperature, in squared spreads.
const (
	minTemperature     = 1e-4
	maxTemperature     = 1e4
	defaultTemperature = 2 // the Gaussian one, where nothing can be calibrated
)

// fitTemperature finds the temperature at which [softmax] of the distances
// found by leaving out gives the own set its likeliest probability (least
// cross-entropy, one parameter, as in temperature scaling: C. Guo and others,
// "On calibration of modern neural networks", ICML 2017). d2 holds a row of
// distances a sample, own the index of its own set.
//
// Sets that fall apart completely would drive the temperature to 0 and every
// probability to 1, which n marbles can't show. So the target is not 1 but
// (n+1)/(n+2), as J. Platt, "Probabilistic outputs for support vector
// machines", 1999, sets it; the rest is shared by the other sets.
func fitTemperature(d2 [][]float64, own []int) float64 {
	var rows [][]float64 // finite distances, own set first
	for i, row := range d2 {
		if r, ok := ownFirst(row, own[i]); ok {
			rows = append(rows, r)
		}
	}
	if len(rows) == 0 {
		return defaultTemperature
	}
	n := float64(len(rows))
	hit, miss := (n+1)/(n+2), 1/(n+2)
	// The cross-entropy is convex in 1/temperature; this is its slope there.
	slope := func(temperature float64) (g float64) {
		for _, r := range rows {
			g += hit * r[0]
			for _, d := range r[1:] {
				g += miss / float64(len(r)-1) * d
			}
			g -= floats.Dot(softmax(r, temperature), r)
		}
		return g
	}
	return bisectTemperature(func(logT float64) bool { return slope(math.Exp(logT)) > 0 })
}

// bisectTemperature finds the temperature at and below which tooCold says so of
// its logarithm.
func bisectTemperature(tooCold func(logT float64) bool) float64 {
	lo, hi := math.Log(minTemperature), math.Log(maxTemperature)
	for range 40 {
		if mid := (lo + hi) / 2; tooCold(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return math.Exp((lo + hi) / 2)
}
