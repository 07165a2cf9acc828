package classify

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
)

// heat finds the temperatures of rows of which one is left out, for each in
// turn: what [fitTemperature] finds, and all but the last bits the same, without
// running over all rows at every step. The slope that is sought to be 0 is a sum
// over rows, and a smooth one: near the temperature of all rows it is read off
// its values at a few (Chebyshev's points: L. N. Trefethen, "Approximation
// Theory and Approximation Practice", SIAM 2013, chapters 5 and 8), which are
// kept as running sums, so that a row or a fold is taken out by subtraction.
type heat struct {
	n  int       // rows
	at []float64 // logarithms of temperatures, ascending; none where the sums can't be relied on
	// sums[f][i] are the sums over those of the first i rows that are of fold f:
	// of rows that count, of own scores, of the others' means, and of the scores'
	// mean at each of at.
	sums [calibrationFolds][][]float64
}

const (
	heatPoints = 40
	// heatReach is how far the points reach on both sides, in the logarithm of
	// the temperature. One row of hundreds moves it by thousandths; with a fifth
	// left out, hundredths.
	heatReach = 0.4
	// leastHeat is the least number of rows for which that holds.
	leastHeat = 30
)

// heatOf lays out rows of scores; own is the index of each row's own set.
func heatOf(rows [][]float64, own []int) *heat {
	h := &heat{n: len(rows)}
	if len(rows) < leastHeat {
		return h
	}
	middle := math.Log(fitTemperature(rows, own))
	for m := range heatPoints {
		h.at = append(h.at, middle-heatReach*math.Cos(math.Pi*float64(m)/(heatPoints-1)))
	}
	// Two places between points tell whether they are enough.
	check := []float64{(h.at[heatPoints/2-1] + h.at[heatPoints/2]) / 2, (h.at[1] + h.at[2]) / 2}
	exact := make([]float64, len(check))
	for f := range h.sums {
		h.sums[f] = make([][]float64, len(rows)+1)
		h.sums[f][0] = make([]float64, 3+heatPoints)
	}
	for i, row := range rows {
		for f := range h.sums {
			h.sums[f][i+1] = h.sums[f][i]
		}
		d, ok := ownFirst(row, own[i])
		if !ok {
			continue
		}
		s := slices.Clone(h.sums[i%calibrationFolds][i])
		s[0]++
		s[1] += d[0]
		s[2] += floats.Sum(d[1:]) / float64(len(d)-1)
		for m, at := range h.at {
			s[3+m] += meanAt(d, math.Exp(at))
		}
		h.sums[i%calibrationFolds][i+1] = s
		for k, at := range check {
			exact[k] += meanAt(d, math.Exp(at))
		}
	}
	all := make([]float64, 3+heatPoints)
	for f := range h.sums {
		floats.Add(all, h.sums[f][len(rows)])
	}
	for k, at := range check {
		if v := h.between(all[3:], at); !(math.Abs(v-exact[k]) <= 1e-11*math.Abs(exact[k])) {
			h.at = nil
		}
	}
	return h
}

// ownFirst is a row's finite scores, its own set's first; ok is false where there
// is nothing to compare.
func ownFirst(row []float64, own int) (d []float64, ok bool) {
	if math.IsInf(row[own], 1) {
		return nil, false
	}
	d = append(d, row[own])
	for c, v := range row {
		if c != own && !math.IsInf(v, 1) {
			d = append(d, v)
		}
	}
	return d, len(d) > 1
}

// meanAt is the mean of the scores weighted by their probabilities.
func meanAt(d []float64, temperature float64) float64 {
	least := floats.Min(d)
	var sum, of float64
	for _, v := range d {
		if x := (least - v) / temperature; x > -45 {
			p := math.Exp(x)
			sum += p
			of += p * v
		}
	}
	return of / sum
}

// between reads values at the points off in between, by the barycentric
// formula.
func (h *heat) between(values []float64, at float64) float64 {
	var top, bottom float64
	for m, x := range h.at {
		if at == x {
			return values[m]
		}
		w := 1.0
		if m == 0 || m == heatPoints-1 {
			w = 0.5
		}
		if m%2 == 1 {
			w = -w
		}
		w /= at - x
		top += w * values[m]
		bottom += w
	}
	return top / bottom
}

// without is the temperature of the rows but one, and but those of a fold (-1:
// of none) as [calibration] counts them in what is left. ok is false where it
// lies beyond the points, or they can't be relied on: then it has to be fitted.
func (h *heat) without(one, fold int) (temperature float64, ok bool) {
	if len(h.at) == 0 {
		return 0, false
	}
	s := make([]float64, 3+heatPoints)
	for f := range h.sums {
		// Those before one keep their place, those after it move up by one.
		before, after := f, (f+calibrationFolds-1)%calibrationFolds
		if before != fold {
			floats.Add(s, h.sums[f][one])
		}
		if after != fold {
			floats.Add(s, h.sums[f][h.n])
			floats.Sub(s, h.sums[f][one+1])
		}
	}
	if s[0] < leastHeat/2 {
		return 0, false
	}
	// As fitTemperature has them.
	hit, miss := (s[0]+1)/(s[0]+2), 1/(s[0]+2)
	target := hit*s[1] + miss*s[2]
	first, last := h.at[0], h.at[heatPoints-1]
	if !(target > s[3]) || !(target < s[3+heatPoints-1]) {
		return 0, false
	}
	return bisectTemperature(func(logT float64) bool {
		return logT <= first || logT < last && target > h.between(s[3:], logT)
	}), true
}
