package classify

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// The algebra under the model. A matrix x has a row a sample and a column a
// feature, and NaN where a feature was not measured; class gives each row's
// set as 0..k-1. Nothing is put in a missing value's place: sums simply run
// over what is there, and counts say how much that was.

// centroids returns the mean of each set (k by features; NaN where no member
// has the feature) and how many values each mean rests on.
func centroids(x *mat.Dense, class []int, k int) (mean, count *mat.Dense) {
	_, p := x.Dims()
	mean, count = mat.NewDense(k, p, nil), mat.NewDense(k, p, nil)
	for i, c := range class {
		for j, v := range x.RawRowView(i) {
			if !math.IsNaN(v) {
				mean.Set(c, j, mean.At(c, j)+v)
				count.Set(c, j, count.At(c, j)+1)
			}
		}
	}
	mean.DivElem(mean, count) // 0/0 is NaN, which is what is meant
	return mean, count
}

// column returns the values of one feature that are there.
func column(x *mat.Dense, j int) []float64 {
	col := mat.Col(nil, j, x)
	return slices.DeleteFunc(col, math.IsNaN)
}

// overall returns each feature's mean, standard deviation and number of
// values over all sets together; NaN where there are too few values.
func overall(x *mat.Dense) (mean, sd, count []float64) {
	_, p := x.Dims()
	mean, sd, count = make([]float64, p), make([]float64, p), make([]float64, p)
	for j := range p {
		col := column(x, j)
		count[j] = float64(len(col))
		mean[j], sd[j] = math.NaN(), math.NaN()
		if len(col) > 0 {
			mean[j] = stat.Mean(col, nil)
		}
		if len(col) > 1 {
			sd[j] = stat.StdDev(col, nil)
		}
	}
	return mean, sd, count
}

// withinSpread returns, for each feature, the standard deviation about the
// sets' own means, pooled over the sets: sqrt(SS / (n - k)), where n and k
// count the values and the sets that have the feature. NaN where n = k.
func withinSpread(x *mat.Dense, class []int, mean, count *mat.Dense) []float64 {
	k, p := mean.Dims()
	ss, df := make([]float64, p), make([]float64, p)
	for i, c := range class {
		for j, v := range x.RawRowView(i) {
			if !math.IsNaN(v) {
				d := v - mean.At(c, j)
				ss[j] += d * d
				df[j]++
			}
		}
	}
	for j := range p {
		for c := range k {
			if count.At(c, j) > 0 {
				df[j]--
			}
		}
		ss[j] = math.Sqrt(ss[j] / df[j]) // 0/0 is NaN: nothing known
		if df[j] <= 0 {
			ss[j] = math.NaN()
		}
	}
	return ss
}

// shrink moves the sets' centroids towards the overall mean, each feature by
// threshold standard errors and no farther than the mean itself, as in
// R. Tibshirani, T. Hastie, B. Narasimhan and G. Chu, "Diagnosis of multiple
// cancer types by shrunken centroids of gene expression", PNAS 99(10),
// 6567-6572, 2002. spread is s_j + s_0 in their notation, and the standard
// error of set k is sqrt(1/n_k - 1/n) times it. A threshold of 0 changes
// nothing.
func shrink(mean, count *mat.Dense, overallMean, overallCount, spread []float64, threshold float64) *mat.Dense {
	out := mat.DenseCopyOf(mean)
	if threshold <= 0 {
		return out
	}
	out.Apply(func(c, j int, v float64) float64 {
		m := math.Sqrt(1/count.At(c, j) - 1/overallCount[j])
		se := m * spread[j]
		if !(se > 0) { // not measured in this set, or in no other
			return v
		}
		d := (v - overallMean[j]) / se
		return overallMean[j] + se*math.Copysign(max(0, math.Abs(d)-threshold), d)
	}, out)
	return out
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

// minSpread is the least that the spread added to every feature may be, as a
// share of the feature's overall standard deviation.
const minSpread = 0.1

// scales returns what each feature's differences are divided by: its pooled
// within-set spread plus a floor. NaN where the feature never varies, or was
// measured fewer than twice, so that it says nothing.
//
// The floor is there because a feature that happens to be constant within
// small sets has a spread of nearly 0, and would outweigh all the others put
// together. It is s_0 of Tibshirani and others, the median of the spreads;
// but theirs are all of one unit, and ours are not, so the spreads are first
// taken as shares of each feature's overall standard deviation, and the
// median share serves for all. With few sets or marbles even the median can
// be nearly 0, so it is not let below minSpread. Where no set has two values
// the share is taken as 1: the sets are supposed to overlap.
func scales(within, overallSD []float64) []float64 {
	var shares []float64
	for j, w := range within {
		if overallSD[j] > 0 && !math.IsNaN(w) {
			shares = append(shares, w/overallSD[j])
		}
	}
	floor := max(minSpread, median(shares))
	out := make([]float64, len(within))
	for j, w := range within {
		switch sd := overallSD[j]; {
		case !(sd > 0):
			out[j] = math.NaN()
		case math.IsNaN(w):
			out[j] = sd * (1 + floor)
		default:
			out[j] = w + sd*floor
		}
	}
	return out
}

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
		if math.IsInf(row[own[i]], 1) {
			continue
		}
		r := []float64{row[own[i]]}
		for c, d := range row {
			if c != own[i] && !math.IsInf(d, 1) {
				r = append(r, d)
			}
		}
		if len(r) > 1 {
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
	lo, hi := math.Log(minTemperature), math.Log(maxTemperature)
	for range 60 {
		if mid := (lo + hi) / 2; slope(math.Exp(mid)) > 0 {
			lo = mid // too cold
		} else {
			hi = mid
		}
	}
	return math.Exp((lo + hi) / 2)
}
