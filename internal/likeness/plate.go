package likeness

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"tawsight/classify"
	"tawsight/features"
	"tawsight/internal/record"
	"tawsight/internal/report"
)

// A third set is shown where it is about as likely as the second.
const (
	thirdAtLeast  = 0.1
	thirdOfSecond = 0.5
)

// Plate sets a marble beside the specimens nearest to it: view is its own
// picture, pr what [Learned.Predict] said of it. An error is that of a picture
// that could not be had, or of [Learned.LeaveOneOut].
func (l *Learned) Plate(p *record.Photo, m *record.Marble, view report.View, pr classify.Prediction) (report.Plate, error) {
	loo, err := l.loo()
	if err != nil {
		return report.Plate{}, err
	}
	out := report.Plate{
		PhotoPath: p.Path, Marble: *m, View: view, Status: pr.Status, Verdict: verdictOf(pr), MadeBy: p.MadeBy,
	}
	for _, f := range append(slices.Clone(m.Flags), p.Flags...) {
		if slices.Contains(f.Affects, record.AboutColour) || slices.Contains(f.Affects, record.AboutPattern) || slices.Contains(f.Affects, record.AboutSize) {
			if !slices.Contains(out.Notes, f.Message) {
				out.Notes = append(out.Notes, f.Message)
			}
		}
	}
	leading := pr.Sets
	n := min(2, len(leading))
	if len(leading) > 2 && leading[2].Probability >= thirdAtLeast && leading[2].Probability >= thirdOfSecond*leading[1].Probability {
		n = 3
	}
	for _, like := range leading[:n] {
		set, err := l.plateSet(like, m, loo)
		if err != nil {
			return report.Plate{}, err
		}
		out.Sets = append(out.Sets, set)
	}
	for _, r := range l.deciding(pr, m) {
		f, ok := registered(r)
		if !ok {
			continue
		}
		pf := report.PlateFeature{Feature: f}
		if v, ok := m.Features[r]; ok {
			pf.Value = &v
		}
		for _, like := range leading[:n] {
			pf.Usual = append(pf.Usual, l.usual(like.Label, f))
		}
		out.Features = append(out.Features, pf)
	}
	for _, r := range pr.Reasons[:min(4, len(pr.Reasons))] {
		text := r.Text
		switch {
		case r.Toward == classify.UnlikeAny:
		case r.Toward != "":
			text += ": speaks for " + r.Toward
		}
		out.Reasons = append(out.Reasons, text)
	}
	out.HowSure = l.howSure(pr, loo)
	if len(leading) > 1 {
		if pr.Status == classify.Assigned {
			out.Settle = append(out.Settle, "It is not in doubt as it stands; what follows would make it surer")
		}
		for _, s := range l.model.Settle(reading(m), leading[0].Label, leading[1].Label, couldMeasure()) {
			out.Settle = append(out.Settle, s.Text)
			if len(out.Settle) == 3 {
				break
			}
		}
		if pr.Status == classify.Assigned && len(out.Settle) == 1 {
			out.Settle[0] = "It is not in doubt as it stands"
		}
	}
	return out, nil
}

func verdictOf(pr classify.Prediction) string {
	best := fmt.Sprintf("%s (%.2f)", pr.Label, pr.Probability)
	switch pr.Status {
	case classify.UnlikeAny:
		text := "unlike any of your sets; the nearest is " + pr.Label
		if pr.RunnerUp != "" {
			text += ", then " + pr.RunnerUp
		}
		return text
	case classify.Doubtful:
		return fmt.Sprintf("in doubt between %s and %s (%.2f)", best, pr.RunnerUp, pr.RunnerUpProbability)
	}
	if pr.RunnerUp == "" {
		return "like " + pr.Label + ", the only set there is to compare with"
	}
	return fmt.Sprintf("like %s; the next is %s (%.2f)", best, pr.RunnerUp, pr.RunnerUpProbability)
}

// plateSet is a leading set with its specimens nearest to the marble, each
// marble once, however many photos there are of it.
func (l *Learned) plateSet(like classify.Likeness, m *record.Marble, loo classify.LOO) (report.PlateSet, error) {
	out := report.PlateSet{Label: like.Label, Probability: like.Probability}
	byID := map[string]*Specimen{}
	var own []classify.Sample
	keys := map[string]bool{}
	for i := range l.specimens {
		s := &l.specimens[i]
		if s.Label == like.Label {
			byID[s.ID] = s
			own = append(own, l.samples[i])
			keys[s.key()] = true
		}
	}
	out.Marbles = len(keys)
	taken := map[string]bool{}
	for _, near := range l.model.Nearest(m.Features, own, len(own)) {
		s := byID[near.Sample.ID]
		if taken[s.key()] {
			continue
		}
		taken[s.key()] = true
		shown, err := s.onPlate()
		if err != nil {
			return out, err
		}
		out.Specimens = append(out.Specimens, shown)
		if len(out.Specimens) == 4 {
			break
		}
	}
	if k := slices.Index(loo.Labels, like.Label); k >= 0 {
		out.Tested, out.Right = loo.Recall[k].Tested, loo.Recall[k].Correct
		out.TakenFor = takenFor(loo, k)
	}
	return out, nil
}

// takenFor is what the specimens of set k were wrongly taken for, the most
// frequent first.
func takenFor(loo classify.LOO, k int) (out []report.TakenFor) {
	for j, n := range loo.Confusion[k] {
		if j != k && n > 0 {
			out = append(out, report.TakenFor{Label: loo.Labels[j], Count: n})
		}
	}
	sort.SliceStable(out, func(a, b int) bool { return out[a].Count > out[b].Count })
	return out
}

// deciding are the names of the features that decide, the weightiest first.
// Where there is one set only, they are those in which the marble differs most
// from it.
func (l *Learned) deciding(pr classify.Prediction, m *record.Marble) (names []string) {
	for _, r := range pr.Reasons {
		names = append(names, r.Feature)
	}
	if len(names) > 0 || len(pr.Sets) == 0 {
		return names
	}
	off := map[string]float64{}
	for _, s := range l.model.Sets {
		if s.Label != pr.Label {
			continue
		}
		for name, u := range s.Features {
			v, ok := m.Features[name]
			spread := l.model.Spread[name]
			f, known := registered(name)
			if !ok || !known || !(spread > 0) {
				continue
			}
			if f.LogFrom > 0 {
				v = math.Log(math.Max(0, v) + f.LogFrom)
			}
			off[name] = math.Abs(v-u.Centroid) / spread
			names = append(names, name)
		}
	}
	slices.SortFunc(names, func(a, b string) int { return cmp.Or(cmp.Compare(off[b], off[a]), strings.Compare(a, b)) })
	return names
}

// usual is a set's usual range of a feature in the feature's own unit; nil where
// it was never measured there.
func (l *Learned) usual(label string, f features.Feature) *[2]float64 {
	for _, s := range l.model.Sets {
		if s.Label != label {
			continue
		}
		if u, ok := s.Features[f.Name]; ok {
			// A set's ranges are on the scale that the feature is compared on.
			raw := func(v float64) float64 {
				if f.LogFrom > 0 {
					return math.Max(0, math.Exp(v)-f.LogFrom)
				}
				return v
			}
			return &[2]float64{raw(u.Low), raw(u.High)}
		}
	}
	return nil
}

// howSure says what the figures rest on.
func (l *Learned) howSure(pr classify.Prediction, loo classify.LOO) (out []string) {
	if loo.Tested == 0 {
		return []string{"No labelled marble could be tested with itself left out, so the probabilities are rough, and nothing can be called unlike any set."}
	}
	if len(pr.Sets) > 1 {
		text := fmt.Sprintf("Probabilities hold if it is of one of your sets; they are calibrated on %d labelled marbles, each judged with itself left out", loo.Tested)
		for _, b := range loo.Bins {
			if b.N > 0 && (pr.Probability >= b.Low && pr.Probability < b.High || pr.Probability == 1 && b.High >= 1) {
				text += fmt.Sprintf(": of the %d that were given %.1f to %.1f, %.0f were rightly placed", b.N, b.Low, b.High, math.Round(b.Right*float64(b.N)))
			}
		}
		out = append(out, text)
	}
	level := l.model.UnlikeAnyLevel()
	judged := "so it may well be of a set"
	if pr.Status == classify.UnlikeAny {
		judged = "so it is called unlike any set"
	}
	out = append(out, fmt.Sprintf("p-value %.3f: that share of the labelled marbles lies as far from their own set as this one from %s; at %.3f or less a marble is called unlike any, %s", pr.PValue, pr.Label, level, judged))
	return out
}

// couldMeasure is what could still be done to know more of a marble.
func couldMeasure() (out []classify.Measurement) {
	var side, closer, lit []string
	for _, f := range features.All() {
		if f.Name == diameterName {
			continue
		}
		side = append(side, f.Name)
		for _, g := range f.Rests {
			switch g.Name {
			case "sharpness", "pixels across the marble":
				if !slices.Contains(closer, f.Name) {
					closer = append(closer, f.Name)
				}
			case "a shadow to read", "a shadow to read, or the mat's mark under the marble":
				lit = append(lit, f.Name)
			}
		}
	}
	out = append(out,
		classify.Measurement{Code: "another-side", Words: "a photo of another side", Features: side, OtherSide: true},
		classify.Measurement{Code: "closer", Words: "a photo from nearer by", Features: closer, Sure: 0.95},
		classify.Measurement{Code: "backlit", Words: "a photo with light from behind or from the side", Features: lit, Sure: 0.95},
	)
	out = append(out, classify.Measurement{Code: "caliper", Words: "its diameter by caliper", Features: []string{diameterName}, Sure: 1})
	return out
}

const diameterName = "diameter_mm"
