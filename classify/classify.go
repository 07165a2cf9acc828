// Package classify says which of a collector's own labelled sets a marble is
// most like, how sure that is, and which features decide.
//
// The method is nearest centroid: each set is the mean of its marbles'
// features, and a marble's distance to a set is the root mean square of the
// differences, each divided by the feature's spread within the sets (see
// scales in core.go for the floor on it). Centroids may be shrunken
// (Tibshirani and others, 2002). A feature that was not measured is left out
// of the mean, for a set as for a marble; no value is invented for it.
//
// What the tool says is likeness, so it can also say that it doesn't know:
//
//   - unlike-any, when the marble is farther from its nearest set than the
//     sets' own marbles are from theirs, each measured with itself left out;
//   - doubtful, when two sets are about as near;
//   - an error wrapping [ErrTooFewFeatures], when too little was measured.
//
// Order never matters: the same samples in another order give the same model
// to the last bit.
package classify

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// Errors that callers can tell apart with errors.Is.
var (
	// ErrNoSamples: there is nothing to learn from.
	ErrNoSamples = errors.New("no labelled marbles to learn from")
	// ErrBadSample: a sample without a label, or a value that is no number.
	ErrBadSample = errors.New("unusable labelled marble")
	// ErrTooFewFeatures: too little was measured of a marble to compare it.
	ErrTooFewFeatures = errors.New("too few features measured to compare this marble")
	// ErrFeatureMismatch: a saved model was trained on other features.
	ErrFeatureMismatch = errors.New("the model was trained on other features")
	// ErrCorruptModel: a model file that is no model, or is damaged.
	ErrCorruptModel = errors.New("not a usable model file")
)

// FeatureInfo names a feature. Name is its key in the values; Label and Unit
// are for the plain-words reasons ("ribbon width", "mm"; the unit may be
// empty).
type FeatureInfo struct {
	Name  string `json:"name"`
	Label string `json:"label,omitempty"`
	Unit  string `json:"unit,omitempty"`
	// LogFrom, when above 0, has the feature compared by the logarithm of
	// value + LogFrom: widths and counts differ by ratios, and LogFrom is the
	// size below which differences no longer matter. Values below 0 count as 0.
	LogFrom float64 `json:"log_from,omitempty"`
}

// compared is a value on the scale on which it is compared.
func (f FeatureInfo) compared(v float64) float64 {
	if f.LogFrom > 0 {
		return math.Log(math.Max(0, v) + f.LogFrom)
	}
	return v
}

// raw undoes compared.
func (f FeatureInfo) raw(v float64) float64 {
	if f.LogFrom > 0 {
		return math.Exp(v) - f.LogFrom
	}
	return v
}

// Sample is one labelled marble as one photo shows it.
type Sample struct {
	ID    string // what the marble is called in its photo; for reports
	Group string // the photo it comes from; see Options.LeaveOutGroups
	// Specimen is the very marble. Samples of one specimen are combined into
	// one (values weighted by how sure they are) and never counted as
	// independent, in training or in validation. Empty: a marble of its own.
	Specimen string
	Label    string             // the collector's set
	Values   map[string]float64 // by feature name; one not measured is absent
	// Sure is how well each value was measured, 0..1, by feature name: 1 as
	// good as the method gets, and what is absent counts as 1. A value of
	// sureness s counts with the variance of the feature within the sets
	// divided by s; one of sureness 0 counts as not measured.
	Sure map[string]float64
}

// Reading is what was measured of a marble, without a label. Values and Sure
// are as in [Sample].
type Reading struct {
	Values map[string]float64
	Sure   map[string]float64
}

// Options of training. The zero value is the plain nearest centroid.
type Options struct {
	// ShrinkThreshold pulls each set's means towards the overall means by
	// this many standard errors (0: not at all). A feature in which no set
	// stands out so far then decides nothing. It pays where most features
	// tell the sets nothing: with 24 such of 30, 5 to 40 marbles a set
	// (drawn as in TestManyFeaturesFewMarbles), 0.5 to 1 took the share
	// found rightly from 0.76 to 0.82, and 2 or more lost it again.
	ShrinkThreshold float64
	// LeaveOutGroups leaves out a whole Group at a time instead of a single
	// marble: marbles of one photo share its light and its focus, so leaving
	// out one marble alone flatters.
	LeaveOutGroups bool
	// RegistryVersion is the version of the feature definitions, saved with
	// the model and compared at loading.
	RegistryVersion int
}

// Limits of the rules. All are stated with every answer they decide.
const (
	// UnlikeAnyLevel is the share of a set's true members that the rule for
	// unlike-any may turn away: 1 in 50. With fewer than 49 labelled marbles
	// that can't be told, and the rule is: farther than all of them, a level
	// of 1/(n+1); see Model.UnlikeAnyLevel.
	UnlikeAnyLevel = 0.02
	// DoubtfulRatio is the least ratio of the two best probabilities at
	// which a marble is assigned. Below 3 to 1 the calibrated chance that it
	// is the other one is over 1 in 4, too much to write a label on a box.
	DoubtfulRatio = 3
	// MinShare is the least share of the usable features that must have been
	// measured of a marble, and that a set must share with it.
	MinShare = 0.5
	// typicalPrior is the weight, in marbles, of all sets together in a
	// set's typical distance, so that a set of two does not stand alone.
	typicalPrior = 5
)

// Status of a prediction.
const (
	Assigned  = "assigned"
	Doubtful  = "doubtful"
	UnlikeAny = "unlike-any"
)

// Prediction is the likeness of a marble to the sets.
type Prediction struct {
	Label               string  // the nearest set
	Status              string  // Assigned, Doubtful or UnlikeAny
	Probability         float64 // of Label, if the marble is of one of the sets; 0..1
	RunnerUp            string  // the next set, "" if there is only one that can be compared
	RunnerUpProbability float64 // 0..1
	// Distance to the nearest set: the root mean square difference, in
	// spreads; about 1 for a typical member.
	Distance float64
	// PValue is the share of the labelled marbles that lie at least as far from
	// their own set (counting this one): near 1 typical, near 0 a stranger.
	// It is 1 when leaving-out was not possible.
	PValue float64
	// Sets are all sets that could be compared, the likeliest first.
	Sets []Likeness
	// Used is how many features were compared with the nearest set.
	Used int
	// Reasons, the weightiest first. Between two sets: the share of each
	// feature in the difference of the squared distances. For UnlikeAny: in
	// the distance to the nearest set.
	Reasons []Reason
}

// Likeness is how like one set a marble is.
type Likeness struct {
	Label       string
	Probability float64 // if the marble is of one of the sets; 0..1
	Distance    float64 // as [Prediction].Distance
	PValue      float64 // as [Prediction].PValue, for this set
}

// Reason is one feature's part in a prediction.
type Reason struct {
	Feature string
	// Toward is the set that the feature speaks for, the nearest or the
	// runner-up; UnlikeAny when the answer is that.
	Toward   string
	Weight   float64 // share of all features' parts without sign; the weights sum to 1
	Part     float64 // signed part in d2(runner-up) - d2(nearest), or in d2(nearest)
	Value    float64 // the marble's own
	Best     *Usual  // of the nearest set; nil if it was never measured there
	RunnerUp *Usual  // of the runner-up
	Text     string  // plain words: "ribbon width 1.1 mm; set A 0.8 to 1.3, set B 2.0 to 3.1"
}

// Usual is what a set's marbles usually have of a feature: in the feature's own
// unit in a Reason, on the scale on which it is compared in a Set.
type Usual struct {
	N        int     `json:"n"` // marbles of the set with the feature
	Mean     float64 `json:"mean"`
	Centroid float64 `json:"centroid"` // the mean after shrinking
	Low      float64 `json:"low"`      // 5 % of the marbles are below ..
	High     float64 `json:"high"`     // .. and 5 % above; of a small set, all of it
}

// Set is what a model knows of one label.
type Set struct {
	Label string `json:"label"`
	Count int    `json:"count"`
	// TypicalDistance is the root mean square distance of the set's marbles
	// from it, each left out in turn, drawn towards that of all sets when
	// the set is small.
	TypicalDistance float64          `json:"typical_distance"`
	Features        map[string]Usual `json:"features"` // by name; only those measured
}

// Model is what was learnt. It is made by [Train] or [Load] and not to be
// changed; it may be used by several goroutines at once.
type Model struct {
	RegistryVersion int
	Features        []FeatureInfo
	// Spread is what a feature's differences are divided by, in its unit; a
	// feature that never varied is absent, and not used.
	Spread          map[string]float64
	ShrinkThreshold float64
	Temperature     float64 // of the probabilities, in squared spreads
	Sets            []Set   // by label
	// LeftOut are the distances of the labelled marbles from their own sets,
	// each left out, as multiples of the set's typical distance; ascending.
	LeftOut []float64
	// Warnings for the collector, in plain words: sets too small to judge by,
	// features that say nothing.
	Warnings []string

	spread []float64   // in the order of Features; NaN: not used
	means  [][]float64 // [set][feature]; NaN: not measured
}

// UnlikeAnyLevel is the level at which this model calls a marble unlike any
// set: [UnlikeAnyLevel], or 1/(n+1) if that is more; 0 if it never can.
func (m *Model) UnlikeAnyLevel() float64 {
	if len(m.LeftOut) == 0 {
		return 0
	}
	return max(UnlikeAnyLevel, 1/float64(len(m.LeftOut)+1))
}

// table is the samples in their canonical order as numbers.
type table struct {
	features []FeatureInfo
	samples  []Sample
	labels   []string // sorted, distinct
	class    []int
	x        *mat.Dense
}

func arrange(features []FeatureInfo, samples []Sample) (*table, error) {
	if len(features) == 0 {
		return nil, errors.New("classify: no features to compare by")
	}
	seen := map[string]bool{}
	for _, f := range features {
		if f.Name == "" || seen[f.Name] {
			return nil, fmt.Errorf("classify: feature %q is named twice, or not at all", f.Name)
		}
		seen[f.Name] = true
	}
	if len(samples) == 0 {
		return nil, ErrNoSamples
	}
	t := &table{features: slices.Clone(features), samples: slices.Clone(samples)}
	for _, s := range samples {
		if s.Label == "" {
			return nil, fmt.Errorf("%w: %s has no label", ErrBadSample, s.ID)
		}
		if _, err := row(features, s.Values); err != nil {
			return nil, fmt.Errorf("%w: %s: %w", ErrBadSample, s.ID, err)
		}
	}
	slices.SortStableFunc(t.samples, func(a, b Sample) int {
		c := cmp.Or(cmp.Compare(a.Label, b.Label), cmp.Compare(a.Group, b.Group), cmp.Compare(a.ID, b.ID))
		if c != 0 {
			return c
		}
		// Two marbles of one name: their values settle it, so that the order
		// given can't show even in the last bits.
		ra, _ := row(features, a.Values)
		rb, _ := row(features, b.Values)
		return slices.Compare(ra, rb)
	})
	t.x = mat.NewDense(len(samples), len(features), nil)
	for i, s := range t.samples {
		if n := len(t.labels); n == 0 || t.labels[n-1] != s.Label {
			t.labels = append(t.labels, s.Label)
		}
		t.class = append(t.class, len(t.labels)-1)
		r, _ := row(features, s.Values)
		t.x.SetRow(i, r)
	}
	return t, nil
}

// row puts values in the order of features, NaN where there is none.
func row(features []FeatureInfo, values map[string]float64) ([]float64, error) {
	out := make([]float64, len(features))
	for j, f := range features {
		v, ok := values[f.Name]
		switch {
		case !ok:
			v = math.NaN()
		case math.IsNaN(v) || math.IsInf(v, 0):
			return nil, fmt.Errorf("feature %s is %v; leave out what could not be measured", f.Name, v)
		}
		out[j] = f.compared(v)
	}
	return out, nil
}

// without is the table without the rows for which skip is true.
func (t *table) without(skip func(i int) bool) (x *mat.Dense, class []int) {
	var data []float64
	for i := range t.samples {
		if !skip(i) {
			data = append(data, t.x.RawRowView(i)...)
			class = append(class, t.class[i])
		}
	}
	if len(class) == 0 {
		return nil, nil
	}
	return mat.NewDense(len(class), len(t.features), data), class
}

// fit makes the part of a model that does not need leaving out: means,
// ranges and spreads. Sets without any row are left out of it.
func (t *table) fit(x *mat.Dense, class []int, opts Options) *Model {
	k := len(t.labels)
	mean, count := centroids(x, class, k)
	omean, osd, ocount := overall(x)
	spread := scales(withinSpread(x, class, mean, count), osd)
	shrunk := shrink(mean, count, omean, ocount, spread, opts.ShrinkThreshold)

	m := &Model{
		RegistryVersion: opts.RegistryVersion,
		Features:        t.features,
		Spread:          map[string]float64{},
		ShrinkThreshold: opts.ShrinkThreshold,
		Temperature:     defaultTemperature,
	}
	for j, f := range t.features {
		if !math.IsNaN(spread[j]) {
			m.Spread[f.Name] = spread[j]
		}
	}
	for c, label := range t.labels {
		s := Set{Label: label, TypicalDistance: 1, Features: map[string]Usual{}}
		for _, d := range class {
			if d == c {
				s.Count++
			}
		}
		if s.Count == 0 {
			continue
		}
		for j, f := range t.features {
			if count.At(c, j) == 0 {
				continue
			}
			var v []float64
			for i, d := range class {
				if d == c && !math.IsNaN(x.At(i, j)) {
					v = append(v, x.At(i, j))
				}
			}
			slices.Sort(v)
			s.Features[f.Name] = Usual{
				N: len(v), Mean: mean.At(c, j), Centroid: shrunk.At(c, j),
				Low: quantile(0.05, v), High: quantile(0.95, v),
			}
		}
		m.Sets = append(m.Sets, s)
	}
	m.prepare()
	return m
}

// quantile of sorted values by the empirical distribution, so that of fewer
// than 20 marbles 5 % and 95 % are the least and the greatest.
func quantile(p float64, sorted []float64) float64 {
	return stat.Quantile(p, stat.Empirical, sorted, nil)
}

// prepare lays the maps out as rows.
func (m *Model) prepare() {
	m.spread = make([]float64, len(m.Features))
	m.means = make([][]float64, len(m.Sets))
	for j, f := range m.Features {
		m.spread[j] = math.NaN()
		if s, ok := m.Spread[f.Name]; ok {
			m.spread[j] = s
		}
	}
	for c, s := range m.Sets {
		m.means[c] = make([]float64, len(m.Features))
		for j, f := range m.Features {
			m.means[c][j] = math.NaN()
			if u, ok := s.Features[f.Name]; ok {
				m.means[c][j] = u.Centroid
			}
		}
	}
}

// distances returns the mean squared distance of a marble to each set, +Inf
// to one that shares too few features with it, and how many each shares; an
// error if that is all of them.
func (m *Model) distances(x []float64) (d2 []float64, used []int, err error) {
	usable, have := 0, 0
	for j, s := range m.spread {
		if !math.IsNaN(s) {
			usable++
			if !math.IsNaN(x[j]) {
				have++
			}
		}
	}
	if have == 0 || float64(have) < MinShare*float64(usable) {
		return nil, nil, fmt.Errorf("%w: %d of %d", ErrTooFewFeatures, have, usable)
	}
	d2, used = make([]float64, len(m.Sets)), make([]int, len(m.Sets))
	found := false
	for c := range m.Sets {
		d2[c], used[c] = meanSquare(x, m.means[c], m.spread)
		if float64(used[c]) < MinShare*float64(have) {
			d2[c] = math.Inf(1)
		}
		found = found || !math.IsInf(d2[c], 1)
	}
	if !found {
		return nil, nil, fmt.Errorf("%w: no set has enough of the %d that were", ErrTooFewFeatures, have)
	}
	return d2, used, nil
}

// Train learns a model from labelled marbles. Features gives the features to
// compare by; other values are ignored. It fails on no samples, on a sample
// without a label or with a value that is not finite, and when no feature
// varies. Whatever makes the model weak without making it useless is in its
// Warnings.
func Train(features []FeatureInfo, samples []Sample, opts Options) (*Model, error) {
	t, err := arrange(features, samples)
	if err != nil {
		return nil, err
	}
	m, _, err := t.train(opts)
	return m, err
}

func (t *table) train(opts Options) (*Model, []fold, error) {
	if !(opts.ShrinkThreshold >= 0) || math.IsInf(opts.ShrinkThreshold, 1) {
		return nil, nil, fmt.Errorf("classify: shrink threshold %v; it must be 0 or more", opts.ShrinkThreshold)
	}
	m := t.fit(t.x, t.class, opts)
	if len(m.Spread) == 0 {
		return nil, nil, fmt.Errorf("%w: no feature differs between any two of the %d marbles", ErrNoSamples, len(t.samples))
	}
	folds := t.folds(opts)
	t.calibrate(m, folds, -1)
	m.Warnings = t.warnings(m, folds)
	return m, folds, nil
}

// fold is one labelled marble seen with itself left out.
type fold struct {
	model  *Model    // trained on the rest; nil if it can't be tested
	why    string    // why not
	single bool      // its group was not left out, being all there is of its set
	own    int       // index of its own set among t.labels
	d2     []float64 // to each of t.labels; +Inf where there is no such set
	tested bool
}

func (t *table) folds(opts Options) []fold {
	size := make([]int, len(t.labels))
	elsewhere := make([]map[string]bool, len(t.labels)) // groups of each label
	for i, c := range t.class {
		size[c]++
		if elsewhere[c] == nil {
			elsewhere[c] = map[string]bool{}
		}
		elsewhere[c][t.samples[i].Group] = true
	}
	byGroup := map[string]*Model{} // a photo left out whole serves all its marbles
	out := make([]fold, len(t.samples))
	for i, s := range t.samples {
		f := fold{own: t.class[i]}
		if size[f.own] < 2 {
			f.why = "the only marble of its set"
			out[i] = f
			continue
		}
		whole := opts.LeaveOutGroups && s.Group != "" && len(elsewhere[f.own]) > 1
		f.single = opts.LeaveOutGroups && !whole
		if whole {
			if f.model = byGroup[s.Group]; f.model == nil {
				f.model = t.fit2(opts, func(k int) bool { return t.samples[k].Group == s.Group })
				byGroup[s.Group] = f.model
			}
		} else {
			f.model = t.fit2(opts, func(k int) bool { return k == i })
		}
		d2, _, err := f.model.distances(t.x.RawRowView(i))
		if err != nil {
			f.why, f.model = err.Error(), nil
			out[i] = f
			continue
		}
		f.d2 = make([]float64, len(t.labels))
		for c := range f.d2 {
			f.d2[c] = math.Inf(1)
		}
		for c, set := range f.model.Sets {
			k, _ := slices.BinarySearch(t.labels, set.Label)
			f.d2[k] = d2[c]
		}
		f.tested = true
		out[i] = f
	}
	return out
}

func (t *table) fit2(opts Options, skip func(int) bool) *Model {
	x, class := t.without(skip)
	return t.fit(x, class, opts)
}

// calibrate sets the temperature, the typical distances and the distances of
// left-out marbles in a model from all folds but one (-1: from all).
func (t *table) calibrate(m *Model, folds []fold, but int) {
	var d2 [][]float64
	var own []int
	sum, n := make([]float64, len(t.labels)), make([]float64, len(t.labels))
	for i, f := range folds {
		if i == but || !f.tested {
			continue
		}
		d2, own = append(d2, f.d2), append(own, f.own)
		if d := f.d2[f.own]; !math.IsInf(d, 1) {
			sum[f.own] += d
			n[f.own]++
		}
	}
	m.Temperature = fitTemperature(d2, own)
	all := floats.Sum(n)
	if all == 0 {
		return
	}
	pooled := floats.Sum(sum) / all
	typical := make([]float64, len(t.labels))
	for c := range typical {
		typical[c] = math.Sqrt((sum[c] + typicalPrior*pooled) / (n[c] + typicalPrior))
		if !(typical[c] > 0) { // all marbles of all sets alike to the last bit
			typical[c] = minSpread
		}
	}
	for c := range m.Sets {
		k, _ := slices.BinarySearch(t.labels, m.Sets[c].Label)
		m.Sets[c].TypicalDistance = typical[k]
	}
	m.LeftOut = nil
	for i, f := range folds {
		if i == but || !f.tested || math.IsInf(f.d2[f.own], 1) {
			continue
		}
		m.LeftOut = append(m.LeftOut, math.Sqrt(f.d2[f.own])/typical[f.own])
	}
	slices.Sort(m.LeftOut)
}

func (t *table) warnings(m *Model, folds []fold) (out []string) {
	if len(m.Sets) == 1 {
		out = append(out, fmt.Sprintf("There is only one set, %s: marbles can be found unlike it, but not told apart.", m.Sets[0].Label))
	}
	for c, s := range m.Sets {
		switch {
		case s.Count == 1:
			out = append(out, fmt.Sprintf("Set %s has a single marble: its spread is taken from the other sets, and it can't be tested. Photograph more of it.", s.Label))
		case s.Count < 5:
			out = append(out, fmt.Sprintf("Set %s has only %d marbles: its means are rough. Five or more are better.", s.Label, s.Count))
		}
		for i, f := range folds {
			if f.own == c && f.single && f.tested {
				out = append(out, fmt.Sprintf("Set %s comes from a single photo (%s): it was tested one marble at a time, which flatters. Photograph some of it again.", s.Label, t.samples[i].Group))
				break
			}
		}
	}
	for _, f := range m.Features {
		if _, ok := m.Spread[f.Name]; !ok {
			out = append(out, fmt.Sprintf("Feature %s is the same in all labelled marbles, or hardly measured in any; it is not used.", f.Name))
		}
	}
	switch n := len(m.LeftOut); {
	case n == 0:
		out = append(out, "No marble could be tested with itself left out: probabilities are uncalibrated, and no marble will be called unlike any set.")
	case m.UnlikeAnyLevel() > UnlikeAnyLevel:
		out = append(out, fmt.Sprintf("Only %d marbles could be tested: about 1 marble in %d that does belong will be called unlike any set.", n, n+1))
	}
	return out
}

// Predict compares a marble with the sets. Values that are absent are left
// out of the comparison. The error wraps [ErrTooFewFeatures] when less than
// [MinShare] of the usable features are there, and is plain when a value is
// not finite.
func (m *Model) Predict(values map[string]float64) (Prediction, error) {
	x, err := row(m.Features, values)
	if err != nil {
		return Prediction{}, fmt.Errorf("classify: %w", err)
	}
	return m.predict(x)
}

func (m *Model) predict(x []float64) (Prediction, error) {
	d2, used, err := m.distances(x)
	if err != nil {
		return Prediction{}, err
	}
	order := make([]int, len(d2))
	for c := range order {
		order[c] = c
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(d2[a], d2[b]) })
	prob := softmax(d2, m.Temperature)
	best, next := order[0], -1
	if len(order) > 1 && !math.IsInf(d2[order[1]], 1) {
		next = order[1]
	}

	p := Prediction{
		Label:       m.Sets[best].Label,
		Status:      Assigned,
		Probability: prob[best],
		Distance:    math.Sqrt(d2[best]),
		PValue:      1,
		Used:        used[best],
	}
	if next >= 0 {
		p.RunnerUp, p.RunnerUpProbability = m.Sets[next].Label, prob[next]
		if prob[best] < DoubtfulRatio*prob[next] {
			p.Status = Doubtful
		}
	}
	if n := len(m.LeftOut); n > 0 {
		// Conformal p-value (V. Vovk, A. Gammerman and G. Shafer,
		// "Algorithmic Learning in a Random World", 2005), of distances
		// divided by each set's typical one, so that broad and narrow sets
		// can be counted together.
		p.PValue = m.pValue(best, p.Distance)
		// The level is one of the values that Fit takes: allow for rounding.
		if p.PValue <= m.UnlikeAnyLevel()*(1+1e-12) {
			p.Status = UnlikeAny
		}
	}
	for _, c := range order {
		if d := math.Sqrt(d2[c]); !math.IsInf(d, 1) {
			p.Sets = append(p.Sets, Likeness{m.Sets[c].Label, prob[c], d, m.pValue(c, d)})
		}
	}
	p.Reasons = m.reasons(x, best, next, used, p.Status)
	return p, nil
}

// pValue of a marble at a distance from a set.
func (m *Model) pValue(c int, distance float64) float64 {
	n := len(m.LeftOut)
	if n == 0 {
		return 1
	}
	at, _ := slices.BinarySearch(m.LeftOut, distance/m.Sets[c].TypicalDistance)
	return float64(1+n-at) / float64(n+1)
}

// PredictReading is [Model.Predict] of values that are known to be more or less
// sure.
func (m *Model) PredictReading(r Reading) (Prediction, error) { return m.Predict(r.Values) }

func (m *Model) reasons(x []float64, best, next int, used []int, status string) []Reason {
	part := func(c, j int) float64 {
		d := (x[j] - m.means[c][j]) / m.spread[j]
		if math.IsNaN(d) {
			return 0
		}
		return d * d / float64(used[c])
	}
	if next < 0 && status != UnlikeAny {
		return nil // one set only: there is no other to decide against
	}
	var out []Reason
	sum := 0.0
	for j, f := range m.Features {
		if math.IsNaN(x[j]) || math.IsNaN(m.spread[j]) {
			continue
		}
		r := Reason{Feature: f.Name, Value: f.raw(x[j]), Best: m.usual(best, f)}
		if next >= 0 {
			r.RunnerUp = m.usual(next, f)
		}
		if status == UnlikeAny {
			r.Part, r.Toward = part(best, j), UnlikeAny
		} else {
			r.Part, r.Toward = part(next, j)-part(best, j), m.Sets[best].Label
			if r.Part < 0 {
				r.Toward = m.Sets[next].Label
			}
		}
		if r.Part == 0 {
			continue
		}
		sum += math.Abs(r.Part)
		r.Text = m.text(j, r, best, next)
		out = append(out, r)
	}
	for i := range out {
		out[i].Weight = math.Abs(out[i].Part) / sum
	}
	slices.SortStableFunc(out, func(a, b Reason) int {
		return cmp.Or(cmp.Compare(b.Weight, a.Weight), cmp.Compare(a.Feature, b.Feature))
	})
	return out
}

// usual is a set's usual values in the feature's own unit.
func (m *Model) usual(c int, f FeatureInfo) *Usual {
	u, ok := m.Sets[c].Features[f.Name]
	if !ok {
		return nil
	}
	u.Mean, u.Centroid, u.Low, u.High = f.raw(u.Mean), f.raw(u.Centroid), f.raw(u.Low), f.raw(u.High)
	return &u
}

// text says a reason in plain words, to about half of the feature's spread.
func (m *Model) text(j int, r Reason, best, next int) string {
	spread := m.spread[j]
	if f := m.Features[j]; f.LogFrom > 0 {
		spread *= math.Max(0, r.Value) + f.LogFrom // the same at the marble's own value
	}
	digits := int(min(4, max(0, math.Ceil(-math.Log10(spread/2)))))
	num := func(v float64) string {
		s := fmt.Sprintf("%.*f", digits, v)
		if zero := fmt.Sprintf("%.*f", digits, math.Copysign(0, -1)); s == zero {
			s = s[1:] // no "-0.0"
		}
		return s
	}
	set := func(c int, u *Usual) string {
		label := "set " + m.Sets[c].Label
		if u == nil {
			return label + " not measured"
		}
		if lo, hi := num(u.Low), num(u.High); lo != hi {
			return label + " " + lo + " to " + hi
		}
		return label + " " + num(u.Low)
	}
	f := m.Features[j]
	s := cmp.Or(f.Label, f.Name) + " " + num(r.Value)
	if f.Unit != "" {
		s += " " + f.Unit
	}
	s += "; " + set(best, r.Best)
	if next >= 0 {
		s += ", " + set(next, r.RunnerUp)
	}
	return s
}

// Neighbour is a labelled marble and how far from another it is.
type Neighbour struct {
	Sample   Sample
	Distance float64 // root mean square difference, in spreads
}

// Nearest returns up to n of the samples that are most like a marble, the
// nearest first, by the distance that the model measures with. Samples that
// share less than [MinShare] of the marble's features are passed over. A
// value that is not finite counts as absent.
func (m *Model) Nearest(values map[string]float64, samples []Sample, n int) []Neighbour {
	finite := func(v map[string]float64) []float64 {
		v = maps.Clone(v)
		maps.DeleteFunc(v, func(_ string, f float64) bool { return math.IsNaN(f) || math.IsInf(f, 0) })
		r, _ := row(m.Features, v) // nothing is left that it could refuse
		return r
	}
	x := finite(values)
	_, have := meanSquare(x, x, m.spread)
	var out []Neighbour
	for _, s := range samples {
		d2, used := meanSquare(x, finite(s.Values), m.spread)
		if used > 0 && float64(used) >= MinShare*float64(have) {
			out = append(out, Neighbour{s, math.Sqrt(d2)})
		}
	}
	slices.SortStableFunc(out, func(a, b Neighbour) int {
		return cmp.Or(cmp.Compare(a.Distance, b.Distance),
			cmp.Compare(a.Sample.Group, b.Sample.Group), cmp.Compare(a.Sample.ID, b.Sample.ID))
	})
	return out[:min(max(n, 0), len(out))]
}
