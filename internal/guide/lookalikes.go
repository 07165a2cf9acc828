package guide

import (
	"cmp"
	"math"
	"slices"

	"tawsight/classify"
)

const (
	mostLookalikes  = 3
	sideBySide      = 4 // marbles of each set
	mostDifferences = 5
	// leastToTell is how many marbles of a set a feature must have been measured
	// of to be told as a difference.
	leastToTell = 3
)

// lookalikes are the sets that the ith may be taken for: those that leaving out
// confused it with, and the one that is most often the next likely.
func (e *Edition) lookalikes(i int, model *classify.Model, loo classify.LOO, byLabel map[string][]*marble) (out []Lookalike) {
	s := &e.Sets[i]
	next := map[string]int{}
	for _, l := range loo.Marbles {
		if l.Label != s.Label || !l.Tested {
			continue
		}
		for _, like := range l.Prediction.Sets { // the likeliest first
			if like.Label != s.Label {
				next[like.Label]++
				break
			}
		}
	}
	for j := range e.Sets {
		if j == i {
			continue
		}
		l := Lookalike{Label: e.Sets[j].Label, TakenFor: loo.Confusion[i][j], TakenFrom: loo.Confusion[j][i], Next: next[e.Sets[j].Label]}
		if l.TakenFor+l.TakenFrom+l.Next > 0 {
			out = append(out, l)
		}
	}
	slices.SortStableFunc(out, func(a, b Lookalike) int {
		return cmp.Or(cmp.Compare(b.TakenFor+b.TakenFrom, a.TakenFor+a.TakenFrom), cmp.Compare(b.Next, a.Next))
	})
	// One that nothing was taken for is only told where it is the nearest.
	keep := 0
	for keep < len(out) && keep < mostLookalikes && (keep == 0 || out[keep].TakenFor+out[keep].TakenFrom > 0) {
		keep++
	}
	out = out[:keep]
	for k := range out {
		l := &out[k]
		other := e.set(l.Label)
		if p, ok := model.Separate(s.Label, l.Label); ok {
			for _, f := range p.Features {
				if len(l.Features) == mostDifferences {
					break
				}
				own, theirs := f.A, f.B
				if p.A != s.Label {
					own, theirs = theirs, own
				}
				feature, ok := registered(f.Feature)
				if !ok || own.N < min(leastToTell, len(s.Members)) || theirs.N < min(leastToTell, len(other.Members)) {
					continue
				}
				d := Difference{
					Feature: f.Feature, Label: feature.Label, D: round(f.D, 2),
					Own: [2]float64{round(own.Low, 4), round(own.High, 4)}, Theirs: [2]float64{round(theirs.Low, 4), round(theirs.High, 4)},
				}
				d.OwnText, d.TheirsText = rangeText(feature, own.Low, own.High), rangeText(feature, theirs.Low, theirs.High)
				l.Features = append(l.Features, d)
			}
		}
		l.Own = nearest(model, s, byLabel[s.Label], byLabel[l.Label])
		l.Theirs = nearest(model, other, byLabel[l.Label], byLabel[s.Label])
	}
	return out
}

// nearest are the numbers of a set's pictured marbles that are most like any of
// another set's, the nearest first.
func nearest(model *classify.Model, s *Set, own, others []*marble) (out []int) {
	samples := make([]classify.Sample, len(others))
	for i, m := range others {
		samples[i] = classify.Sample{ID: m.key, Values: m.values()}
	}
	byID := map[string]*marble{}
	for _, m := range own {
		byID[m.id()] = m
	}
	type near struct {
		number   int
		distance float64
	}
	// They are drawn to one scale beside each other, so those of unknown size are
	// left out where there are others.
	list := s.shown()
	if sized := slices.DeleteFunc(slices.Clone(list), func(m *Member) bool { return m.DiameterMM == nil }); len(sized) > 0 {
		list = sized
	}
	var all []near
	for _, m := range list {
		found := model.Nearest(byID[m.ID].values(), samples, 1)
		d := math.Inf(1)
		if len(found) > 0 {
			d = found[0].Distance
		}
		all = append(all, near{m.Number, d})
	}
	slices.SortStableFunc(all, func(a, b near) int { return cmp.Compare(a.distance, b.distance) })
	for _, n := range all[:min(len(all), sideBySide)] {
		out = append(out, n.number)
	}
	return out
}
