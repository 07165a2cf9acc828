package classify

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
)

// calibrated turns scores into probabilities: softmax at a temperature, and
// where there are steps the nearest set's probability read off them, the rest
// being shared as before.
func calibrated(score []float64, temperature float64, steps []Step) []float64 {
	return stepped(softmax(score, temperature), steps)
}

// stepped reads the nearest set's probability off the steps, in place.
func stepped(p []float64, steps []Step) []float64 {
	if len(steps) == 0 {
		return p
	}
	best := floats.MaxIdx(p)
	was := p[best]
	if was >= 1 || was == 0 {
		return p // there is no other set to share with
	}
	at := slices.IndexFunc(steps, func(s Step) bool { return was <= s.To })
	if at < 0 {
		at = len(steps) - 1
	}
	if at == 0 {
		return p // less sure than any marble that was left out: nothing to go by
	}
	next := 0.0
	for c, v := range p {
		if c != best {
			next = math.Max(next, v)
		}
	}
	// The nearest set stays the likeliest.
	now := math.Max(steps[at].P, next/(next+1-was))
	for c := range p {
		if c == best {
			p[c] = now
		} else {
			p[c] *= (1 - now) / (1 - was)
		}
	}
	return p
}

// calibration fits a temperature, and isotonic steps on top of it where they do
// better (least Brier score of the nearest set's probability) on folds they were
// not fitted to. Temperature is the rule; isotonic regression needs many marbles
// to beat it.
//
// fit gives the temperature of the rows but those of a fold (-1: of all), which
// are every fifth row from that on.
func calibration(rows [][]float64, own []int, fit func(fold int) float64) (temperature float64, steps []Step) {
	temperature = fit(-1)
	if len(rows) < 50 {
		return temperature, nil
	}
	var plain, step float64
	for fold := range calibrationFolds {
		in, inOwn := butFold(rows, fold), butFold(own, fold)
		temp := fit(fold)
		st := isotonic(in, inOwn, temp)
		for i, r := range rows {
			if i%calibrationFolds != fold {
				continue
			}
			best := floats.MinIdx(r)
			right := 0.0
			if best == own[i] {
				right = 1
			}
			p := softmax(r, temp)
			a := p[best]
			b := stepped(p, st)[best]
			plain += (a - right) * (a - right)
			step += (b - right) * (b - right)
		}
	}
	if step < plain {
		steps = isotonic(rows, own, temperature)
	}
	return temperature, steps
}

const calibrationFolds = 5

// butFold is what is not of a fold; with -1, all.
func butFold[T any](of []T, fold int) []T {
	if fold < 0 {
		return of
	}
	out := make([]T, 0, len(of))
	for i, v := range of {
		if i%calibrationFolds != fold {
			out = append(out, v)
		}
	}
	return out
}

// isotonic regresses whether the nearest set is the right one on its
// probability, by pooling adjacent violators (M. Ayer and others, "An empirical
// distribution function for sampling with incomplete information", Annals of
// Mathematical Statistics 26, 1955). Each step counts one right and one wrong
// marble more than it has in ten, so that none says 0 or 1.
func isotonic(rows [][]float64, own []int, temperature float64) []Step {
	type point struct{ p, right float64 }
	var pts []point
	for i, r := range rows {
		best := floats.MinIdx(r)
		q := point{p: shareOf(r, temperature, best)}
		if best == own[i] {
			q.right = 1
		}
		pts = append(pts, q)
	}
	slices.SortFunc(pts, func(a, b point) int {
		switch {
		case a.p != b.p:
			if a.p < b.p {
				return -1
			}
			return 1
		case a.right != b.right:
			if a.right < b.right {
				return -1
			}
			return 1
		}
		return 0
	})
	type block struct{ to, right, n float64 }
	var st []block
	for _, q := range pts {
		if k := len(st); k > 0 && st[k-1].to == q.p {
			st[k-1].right += q.right
			st[k-1].n++
		} else {
			st = append(st, block{q.p, q.right, 1})
		}
		for k := len(st); k > 1 && st[k-2].right*st[k-1].n >= st[k-1].right*st[k-2].n; k = len(st) {
			st[k-2] = block{st[k-1].to, st[k-2].right + st[k-1].right, st[k-2].n + st[k-1].n}
			st = st[:k-1]
		}
	}
	n := float64(len(rows))
	hit := 0.0
	for _, q := range pts {
		hit += q.right
	}
	prior := (hit + 1) / (n + 2)
	// Below the least sure of them the steps know nothing.
	out := []Step{{To: math.Nextafter(pts[0].p, 0)}}
	for _, b := range st {
		out = append(out, Step{b.to, (b.right + prior) / (b.n + 1)})
	}
	return out
}
