package classify

import (
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// huberK is the clipping point of the centroids' estimator, in spreads: 1.5,
// the usual one, keeps 96 % of the mean's efficiency on Gaussian data.
const huberK = 1.5

// clippedVariance is E[min(Z^2, k^2)] of a standard normal Z, which makes the
// spread of Gaussian data come out right.
func clippedVariance(k float64) float64 {
	if math.IsInf(k, 1) {
		return 1
	}
	phi := math.Exp(-k*k/2) / math.Sqrt(2*math.Pi)
	tail := math.Erfc(k / math.Sqrt2)
	return 1 - tail - 2*k*phi + k*k*tail
}

// huber returns the centroids of one feature and the spread within the classes:
// Huber's "Proposal 2" (P. J. Huber, "Robust estimation of a location
// parameter", Annals of Mathematical Statistics 35, 1964), with one scale for
// all classes. One scale, because the own scale of a set of five can't be told,
// and because a wrongly labelled marble then stands out against the marbles of
// all sets; Huber's estimator, because a median wastes a third of a small set,
// and a trimmed mean has nothing to trim in a set of five.
//
// x holds the values, NaN where there is none, class which of len(centre)
// classes each is of, weight how much each counts. Each class's weight is
// returned as count. What lies more than clip spreads out counts as if it lay
// there; with an infinite clip it is the mean and the pooled standard deviation.
// spread is NaN where no class has two values.
func huber(x []float64, class []int, weight []float64, clip float64, centre, count []float64) (spread float64) {
	k := len(centre)
	beta := clippedVariance(clip)
	for c := range k {
		centre[c], count[c] = 0, 0
	}
	n := 0.0
	for i, v := range x {
		if !math.IsNaN(v) {
			centre[class[i]] += weight[i] * v
			count[class[i]] += weight[i]
			n++
		}
	}
	df := n
	for c := range k {
		if count[c] > 0 {
			df--
		}
		centre[c] /= count[c] // NaN where there is none
	}
	if df <= 0 {
		return math.NaN()
	}
	ss := 0.0
	for i, v := range x {
		if !math.IsNaN(v) {
			d := v - centre[class[i]]
			ss += weight[i] * d * d
		}
	}
	plain := math.Sqrt(ss / df)
	if plain == 0 {
		return 0
	}
	s := plain
	sum, sumW := make([]float64, k), make([]float64, k)
	for range 12 {
		for c := range k {
			sum[c], sumW[c] = 0, 0
		}
		for i, v := range x {
			if math.IsNaN(v) {
				continue
			}
			w := weight[i]
			if r := math.Abs(v-centre[class[i]]) * math.Sqrt(w); r > clip*s {
				w *= clip * s / r
			}
			sum[class[i]] += w * v
			sumW[class[i]] += w
		}
		for c := range k {
			if sumW[c] > 0 {
				centre[c] = sum[c] / sumW[c]
			}
		}
		ss = 0
		for i, v := range x {
			if !math.IsNaN(v) {
				d := v - centre[class[i]]
				ss += math.Min(weight[i]*d*d, clip*clip*s*s)
			}
		}
		// A feature that is nearly always the same, and now and then another,
		// would be driven to no spread at all.
		next := math.Max(plain/2, math.Sqrt(ss/(df*beta)))
		if math.Abs(next-s) < 1e-9*s {
			break
		}
		s = next
	}
	return s
}

// ledoitWolf shrinks the covariance of the rows of z (about 0) towards the mean
// of its diagonal times the unit matrix by the share that O. Ledoit and M. Wolf,
// "A well-conditioned estimator for large-dimensional covariance matrices",
// Journal of Multivariate Analysis 88, 2004, find best. A NaN is a value that is
// not there: every product is averaged over the rows that have both, and its
// sampling variance taken from as many; without any NaN it is their estimator.
func ledoitWolf(z *mat.Dense) (cov *mat.SymDense, share float64) {
	n, p := z.Dims()
	z0, z2, there := mat.NewDense(n, p, nil), mat.NewDense(n, p, nil), mat.NewDense(n, p, nil)
	missing := false
	for i := range n {
		from, a, b, c := z.RawRowView(i), z0.RawRowView(i), z2.RawRowView(i), there.RawRowView(i)
		for j, v := range from {
			if math.IsNaN(v) {
				missing = true
				continue
			}
			a[j], b[j], c[j] = v, v*v, 1
		}
	}
	var s, q, m mat.SymDense
	s.SymOuterK(1, z0.T())
	q.SymOuterK(1, z2.T())
	if missing {
		m.SymOuterK(1, there.T())
	}
	count := func(i, j int) float64 {
		if missing {
			return m.At(i, j)
		}
		return float64(n)
	}
	cov = mat.NewSymDense(p, nil)
	mean := 0.0
	for i := range p {
		for j := i; j < p; j++ {
			if c := count(i, j); c > 0 {
				cov.SetSym(i, j, s.At(i, j)/c)
			}
		}
		mean += cov.At(i, i) / float64(p)
	}
	var beta, delta float64
	for i := range p {
		for j := i; j < p; j++ {
			times := 2.0
			v := cov.At(i, j)
			if i == j {
				times = 1
			}
			if c := count(i, j); c > 0 {
				beta += times * math.Max(0, q.At(i, j)/c-v*v) / c
			}
			if i == j {
				v -= mean
			}
			delta += times * v * v
		}
	}
	if delta > 0 {
		share = math.Min(1, beta/delta)
	} else {
		share = 1
	}
	for i := range p {
		for j := i; j < p; j++ {
			v := (1 - share) * cov.At(i, j)
			if i == j {
				v += share * mean
			}
			cov.SetSym(i, j, v)
		}
	}
	return cov, share
}

// correlation makes a correlation matrix of a covariance, drawn so far towards
// the unit matrix that it can be inverted with ease: averages over different
// rows need not make a covariance at all.
func correlation(cov *mat.SymDense) *mat.SymDense {
	p := cov.SymmetricDim()
	r := mat.NewSymDense(p, nil)
	for i := range p {
		r.SetSym(i, i, 1)
		for j := i + 1; j < p; j++ {
			if d := math.Sqrt(cov.At(i, i) * cov.At(j, j)); d > 0 {
				r.SetSym(i, j, math.Max(-1, math.Min(1, cov.At(i, j)/d)))
			}
		}
	}
	for keep := 1.0; ; keep *= 0.8 {
		t := mat.NewSymDense(p, nil)
		for i := range p {
			t.SetSym(i, i, 1)
			for j := i + 1; j < p; j++ {
				t.SetSym(i, j, keep*r.At(i, j))
			}
		}
		var c mat.Cholesky
		if c.Factorize(t) && c.Cond() < maxCondition {
			return t
		}
	}
}

// maxCondition of the correlations within the sets: beyond it differences in
// what never differs would decide.
const maxCondition = 1e3

// logSumExp of weights times exp(l).
func logSumExp(l []float64) float64 { return floats.LogSumExp(l) }
