package classify

import (
	"maps"
	"slices"
	"sync"
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
		t, err := arrange(features, strangers)
		if err != nil {
			return nil, err
		}
		for _, s := range t.spec {
			p, err := m.predict(s.x, s.sure)
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

// models gives a model of a basis in a form, to be calibrated. What several
// specimens were left out of is worked out once.
func (l *learnt) models(t *table, opts Options) func(basis, form int) *Model {
	uses := make([]int, len(l.bases))
	for _, f := range l.folds {
		if f.basis >= 0 {
			uses[f.basis]++
		}
	}
	work := func(basis, form int) *Model {
		b := l.bases[basis]
		m := t.model(b, b.as(l.forms[form]), l.forms[form], opts)
		t.addStrange(m, b)
		return m
	}
	type key struct{ basis, form int }
	var mu sync.Mutex
	made := map[key]func() *Model{}
	return func(basis, form int) *Model {
		if uses[basis] == 1 {
			return work(basis, form) // hundreds need not be in memory together
		}
		mu.Lock()
		get := made[key{basis, form}]
		if get == nil {
			get = sync.OnceValue(func() *Model { return work(basis, form) })
			made[key{basis, form}] = get
		}
		mu.Unlock()
		m := *get()
		m.Sets = slices.Clone(m.Sets) // calibrate writes to them
		return &m
	}
}

// LeaveOneOut tests the method on the labelled marbles. For each specimen,
// spreads, centroids and correlations are found without it, and the form of the
// model, the temperature and the rule for unlike-any from what leaving out has
// shown of all the others. (Their models did see it, as one among all; finding
// everything anew without it takes as many times as long as there are specimens,
// and comes to the same: see TestNestedToTheEnd.) With Options.LeaveOutGroups
// everything that shares a photo with the specimen is left out.
//
// A set that comes from one group only is tested a marble at a time, and a
// set of one marble not at all; Warnings name them. Errors as [Train].
func LeaveOneOut(features []FeatureInfo, samples []Sample, opts Options) (LOO, error) {
	t, err := arrange(features, samples)
	if err != nil {
		return LOO{}, err
	}
	l, err := t.learn(opts)
	if err != nil {
		return LOO{}, err
	}
	out := LOO{Labels: t.labels, Warnings: l.model.Warnings}
	_, out.Candidates = l.choose(t, -1)
	for _, label := range t.labels {
		out.Recall = append(out.Recall, Recall{Label: label})
		out.Confusion = append(out.Confusion, make([]int, len(t.labels)))
	}
	out.Marbles = make([]LeftOut, len(t.spec))
	brier := make([]float64, len(t.spec))
	l.arrangeHeat()
	modelOf := l.models(t, opts)
	parallel(len(t.spec), func(i int) {
		s, f := &t.spec[i], &l.folds[i]
		left := &out.Marbles[i]
		*left = LeftOut{ID: s.id, Group: s.group, Label: s.label, Samples: s.samples, WhyNot: f.why}
		if f.basis < 0 {
			return
		}
		form, _ := l.choose(t, i)
		m := modelOf(f.basis, form)
		l.calibrate(t, m, form, i)
		p, err := m.predict(s.x, s.sure)
		if err != nil {
			left.WhyNot = err.Error() // it could be tested, or its fold would say why not
			return
		}
		left.Prediction, left.Tested = p, true
		brier[i] = 1
		for _, like := range p.Sets {
			if like.Label == s.label {
				brier[i] += -2*like.Probability + like.Probability*like.Probability
			} else {
				brier[i] += like.Probability * like.Probability
			}
		}
	})
	for i, left := range out.Marbles {
		if !left.Tested {
			continue
		}
		own := t.spec[i].class
		c, _ := slices.BinarySearch(t.labels, left.Prediction.Label)
		out.Confusion[own][c]++
		out.Recall[own].Tested++
		out.Tested++
		out.Brier += brier[i]
		if c == own {
			out.Recall[own].Correct++
			out.Correct++
		}
		if left.Prediction.Status == UnlikeAny {
			out.Rejected++
		}
	}
	if out.Tested > 0 {
		out.Brier /= float64(out.Tested)
	}
	for c := range out.Recall {
		out.Recall[c].Low, out.Recall[c].High = Wilson(out.Recall[c].Correct, out.Recall[c].Tested)
	}
	out.Bins, out.CalibrationError = reliability(out.Marbles)
	t.health(l, &out)
	return out, nil
}
