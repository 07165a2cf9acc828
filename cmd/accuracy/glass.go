package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"gonum.org/v1/gonum/mat"

	"tawsight/samples"
)

// seenGlass is one marble's cues with its true kind.
type seenGlass struct {
	photo string
	cues  []float64
	kind  string
}

// ridge is the weight of the penalty on the squared weights (not on the
// constant), which keeps few marbles from giving great weights.
const ridge = 1.0 / 3

// fitGlass finds the weights of features.GlassCues by penalised logistic
// regression, both kinds of answer counted alike, and prints them with the
// share of kinds told right when each photo is left out in turn.
func fitGlass(w io.Writer) error {
	var all []seenGlass
	for _, dir := range []string{"samples/photos", also} {
		paths, err := list(dir, "")
		if err != nil {
			continue // the other renderer's photos need not be there
		}
		for _, s := range inspect(paths) {
			if s.truth == nil || !s.truth.Good() {
				continue
			}
			used := map[int]bool{}
			for _, m := range s.truth.Marbles {
				if at := match(s.in.Photo.Marbles, m, used); at >= 0 && !m.CutOff {
					used[at] = true
					a := s.in.Analyses[at]
					c := a.Glass.ScaledCues(a.Shadow)
					all = append(all, seenGlass{marblesOf(s.path), c[:], m.Base.Transparency})
				}
			}
		}
	}
	if len(all) < 20 {
		return errors.New("too few marbles with truth to fit weights on")
	}
	notOpaque := func(g seenGlass) bool { return g.kind != samples.Opaque }
	clear := func(g seenGlass) bool { return g.kind == samples.Transparent }
	a, okA := logistic(all, notOpaque)
	b, okB := logistic(all, clear)
	if !okA || !okB {
		return errors.New("the weights could not be fitted")
	}
	fmt.Fprintf(w, "%d marbles\nnotOpaqueWeights %.2f\nclearWeights     %.2f\n", len(all), a, b)
	photos := map[string]bool{}
	for _, g := range all {
		photos[g.photo] = true
	}
	right := 0
	for photo := range photos {
		var rest []seenGlass
		for _, g := range all {
			if g.photo != photo {
				rest = append(rest, g)
			}
		}
		a, _ := logistic(rest, notOpaque)
		b, _ := logistic(rest, clear)
		for _, g := range all {
			if g.photo != photo {
				continue
			}
			kind := samples.Opaque
			if dot(a, g.cues) > 0 {
				kind = samples.Cloudy
				if dot(b, g.cues) > 0 {
					kind = samples.Transparent
				}
			}
			if kind == g.kind {
				right++
			}
		}
	}
	fmt.Fprintf(w, "each photo left out in turn: kind right for %d of %d (%.1f %%)\n", right, len(all), 100*float64(right)/float64(len(all)))
	return nil
}

// marblesOf names the marbles that a photo shows: photos that differ only in a
// last letter show the same, and are left out together.
func marblesOf(path string) string {
	bare := strings.TrimSuffix(path, ".jpg")
	if n := len(bare); n > 1 && bare[n-1] >= 'a' && bare[n-1] <= 'z' && bare[n-2] >= '0' && bare[n-2] <= '9' {
		return bare[:n-1]
	}
	return bare
}

func dot(a, b []float64) (s float64) {
	for i := range a {
		s += a[i] * b[i]
	}
	return s
}

// logistic fits weights by Newton's method; the first cue is the constant.
func logistic(all []seenGlass, yes func(seenGlass) bool) ([]float64, bool) {
	k := len(all[0].cues)
	n := 0.0
	for _, g := range all {
		if yes(g) {
			n++
		}
	}
	if n == 0 || n == float64(len(all)) {
		return make([]float64, k), false
	}
	wYes, wNo := float64(len(all))/(2*n), float64(len(all))/(2*(float64(len(all))-n))
	w := make([]float64, k)
	for range 60 {
		h := mat.NewSymDense(k, nil)
		grad := mat.NewVecDense(k, nil)
		for i := 1; i < k; i++ {
			h.SetSym(i, i, ridge)
			grad.SetVec(i, -ridge*w[i])
		}
		h.SetSym(0, 0, 1e-9)
		for _, g := range all {
			y, c := 0.0, wNo
			if yes(g) {
				y, c = 1, wYes
			}
			p := 1 / (1 + math.Exp(-dot(w, g.cues)))
			for i := range k {
				grad.SetVec(i, grad.AtVec(i)+c*(y-p)*g.cues[i])
				for j := i; j < k; j++ {
					h.SetSym(i, j, h.At(i, j)+c*p*(1-p)*g.cues[i]*g.cues[j])
				}
			}
		}
		var chol mat.Cholesky
		var step mat.VecDense
		if !chol.Factorize(h) || chol.SolveVecTo(&step, grad) != nil {
			return w, false
		}
		size := 0.0
		for i := range w {
			w[i] += step.AtVec(i)
			size = math.Max(size, math.Abs(step.AtVec(i)))
		}
		if size < 1e-8 {
			return w, true
		}
	}
	return w, true
}
