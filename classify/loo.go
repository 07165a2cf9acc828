package classify

import (
	"maps"
	"slices"
)

// LOO is how well the labelled marbles are told apart when each is left out
// of the training in turn. Only the nearest set counts here, whatever the
// status: a marble found doubtful but rightly is right.
type LOO struct {
	Labels    []string // sorted
	Confusion [][]int  // [true][predicted], in the order of Labels
	Correct   int
	Tested    int
	Recall    []Recall  // by label
	Marbles   []LeftOut // by label, group and ID
	Warnings  []string  // as [Model.Warnings]

	// Rejected of the Tested were called unlike any set.
	Rejected int
	// Brier is the mean over the tested of the summed squared differences
	// between the probabilities of all sets and the truth (G. Brier, 1950; 0
	// best, 2 worst).
	Brier float64
	// CalibrationError is the expected calibration error: the mean over the
	// tested of |said - right| of their Bins, ten of equal width.
	CalibrationError float64
	Bins             []Bin
	Pairs            []Pair // of every two sets, those most often confused first
	Mislabelled      []Suspect
	Duplicates       []Duplicate
	Small            []SmallSet
	Candidates       []Candidate // the forms of the model that were tried on all the samples
}

// Recall is the share of one set's marbles that were found to be of it.
type Recall struct {
	Label   string
	Correct int
	Tested  int // 0 for a set with a single marble: it can't be tested
	// Low and High are Wilson's 95 % interval of the share (E. B. Wilson,
	// "Probable inference, the law of succession, and statistical inference",
	// JASA 22, 1927); 0 and 1 when nothing was tested.
	Low, High float64
}

// Strangers is how many of one set's specimens were called unlike any set by a
// model that had never seen that set.
type Strangers struct {
	Label  string
	Found  int
	Tested int
}

// Share is Correct / Tested; ok is false if nothing could be tested.
func (r Recall) Share() (share float64, ok bool) { return ratio(r.Correct, r.Tested) }

// Accuracy is Correct / Tested; ok is false if nothing could be tested.
func (l LOO) Accuracy() (share float64, ok bool) { return ratio(l.Correct, l.Tested) }

func ratio(a, b int) (float64, bool) {
	if b == 0 {
		return 0, false
	}
	return float64(a) / float64(b), true
}

// LeaveSetsOut leaves out each whole set in turn, and lets the model of the
// others judge it. It needs two sets or more; errors as [Train].
func LeaveSetsOut(features []FeatureInfo, samples []Sample, opts Options) ([]Strangers, error) {
	var out []Strangers
	labels := map[string]bool{}
	for _, s := range samples {
		labels[s.Label] = true
	}
	for _, label := range slices.Sorted(maps.Keys(labels)) {
		var known, strangers []Sample
		for _, s := range samples {
			if s.Label == label {
				strangers = append(strangers, s)
			} else {
				known = append(known, s)
			}
		}
		m, err := Train(features, known, opts)
		if err != nil {
			return nil, err
		}
		one := Strangers{Label: label}
		for _, s := range strangers {
			p, err := m.PredictReading(Reading{s.Values, s.Sure})
			if err != nil {
				continue // too little was measured
			}
			one.Tested++
			if p.Status == UnlikeAny {
				one.Found++
			}
		}
		out = append(out, one)
	}
	return out, nil
}

// LeftOut is one labelled marble as seen by a model that was trained without
// it (without its whole group, with Options.LeaveOutGroups).
//
// A specimen of several photos appears once: ID is its Specimen, Samples names
// its photos' samples and Group is the first one's.
type LeftOut struct {
	ID, Group, Label string
	Samples          []string // the IDs of the samples combined
	Tested           bool
	WhyNot           string // why it could not be tested
	Prediction       Prediction
}

// LeaveOneOut tests the method on the labelled marbles: for each, means,
// spreads, shrinking, temperature and the rule for unlike-any are found
// without it. With Options.LeaveOutGroups the means and spreads are found
// without its whole group; the other marbles of its group still count for
// the temperature and the rule, which are single figures for all sets.
//
// A set that comes from one group only is tested a marble at a time, and a
// set of one marble not at all; Warnings name them. Errors as [Train].
func LeaveOneOut(features []FeatureInfo, samples []Sample, opts Options) (LOO, error) {
	t, err := arrange(features, samples)
	if err != nil {
		return LOO{}, err
	}
	full, folds, err := t.train(opts)
	if err != nil {
		return LOO{}, err
	}
	out := LOO{Labels: t.labels, Warnings: full.Warnings}
	for _, l := range t.labels {
		out.Recall = append(out.Recall, Recall{Label: l})
		out.Confusion = append(out.Confusion, make([]int, len(t.labels)))
	}
	for i, f := range folds {
		s := t.samples[i]
		left := LeftOut{ID: s.ID, Group: s.Group, Label: s.Label, Samples: []string{s.ID}, WhyNot: f.why}
		if f.tested {
			m := *f.model // shared by its group
			m.Sets = slices.Clone(m.Sets)
			t.calibrate(&m, folds, i)
			if left.Prediction, err = m.predict(t.x.RawRowView(i)); err != nil {
				return LOO{}, err
			}
			left.Tested = true
			c, _ := slices.BinarySearch(t.labels, left.Prediction.Label)
			out.Confusion[f.own][c]++
			out.Recall[f.own].Tested++
			out.Tested++
			if c == f.own {
				out.Recall[f.own].Correct++
				out.Correct++
			}
		}
		out.Marbles = append(out.Marbles, left)
	}
	return out, nil
}
