// Package classify says which of a collector's own labelled sets a marble is
// most like, how sure that is, and which features decide.
//
// The method is nearest centroid, the likeliest by the Gaussian likelihood of
// what was measured and of nothing else: a feature that was not measured is left
// out of it, for a set as for a marble, and no value is invented for it.
//   - A centroid is Huber's estimate with one scale for all sets ([huber]).
//   - The spread within the sets is pooled; correlations are Ledoit and Wolf's
//     ([ledoitWolf]). Which of several forms of this fits best, from features
//     taken by themselves to each set with its own spreads, is found by leaving
//     out ([Forms]).
//   - A centroid known from n marbles widens the spread by 1 + 1/n, so a small
//     set does not look surer than it is.
//   - A value of sureness s counts with the variance divided by s.
//   - No single figure counts as more than three spreads away.
//
// What the tool says is likeness, so it can also say that it doesn't know:
//
//   - unlike-any, when the marble is stranger to the likeliest set than all but
//     one in twelve of the sets' own marbles are to theirs, each with itself
//     left out;
//   - doubtful, when two sets are about as near;
//   - an error wrapping [ErrTooFewFeatures], when too little was measured.
//
// Order never matters: the same samples in another order give the same model
// to the last bit.
package classify

import (
	"cmp"
	"errors"
	"maps"
	"math"
	"slices"

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

// Compared is a value on the scale on which it is compared.
func (f FeatureInfo) Compared(v float64) float64 {
	if f.LogFrom > 0 {
		return math.Log(math.Max(0, v) + f.LogFrom)
	}
	return v
}

// raw undoes Compared.
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

// Options of training. The zero value chooses the form of the model by itself.
type Options struct {
	// Form, unless empty, is the form of the model to take whatever the others
	// do: one of the names in [Forms].
	Form string
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
	// unlike-any may turn away: 2 in 25. With fewer than 12 labelled marbles that
	// can't be told, and the rule is: stranger than all of them, a level of
	// 1/(n+1); see Model.UnlikeAnyLevel.
	UnlikeAnyLevel = 0.08
	// DoubtfulRatio is the least ratio of the two best probabilities at
	// which a marble is assigned. Below 3 to 1 the calibrated chance that it
	// is the other one is over 1 in 4, too much to write a label on a box.
	DoubtfulRatio = 3
	// MinShare is the least share of the usable features that must have been
	// measured of a marble, and that a set must share with it.
	MinShare = 0.5
	// typicalPrior is the weight, in marbles, of all sets together in a
	// set's typical strangeness, so that a set of two does not stand alone.
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
	// Distance to the nearest set: the root mean square difference, in spreads
	// and over all features compared, correlations allowed for; about 1 for a
	// typical member.
	Distance float64
	// PValue is the share of the labelled marbles that look at least as strange
	// to their own set (counting this one) as this one does to Label: near 1
	// typical, near 0 a stranger. It is 1 when leaving-out was not possible.
	PValue float64
	// Sets are all sets that could be compared, the likeliest first.
	Sets []Likeness
	// Used is how many features were compared with the nearest set.
	Used int
	// Reasons, the weightiest first; the first eight have ranges and words. Between two sets: the share of each
	// feature in the difference of the squared distances. For UnlikeAny: in
	// the distance to the nearest set.
	Reasons []Reason
}

// Likeness is how like one set a marble is.
type Likeness struct {
	Label       string
	Probability float64 // if the marble is of one of the sets; 0..1
	Distance    float64 // as [Prediction].Distance
	PValue      float64 // as [Prediction].PValue, for this set; worked out for the two likeliest, 0 for others
}

// Reason is one feature's part in a prediction.
type Reason struct {
	Feature string
	// Toward is the set that the feature speaks for, the nearest or the
	// runner-up; UnlikeAny when the answer is that.
	Toward   string
	Weight   float64 // share of all features' parts without sign, less what few marbles can't vouch for; the weights sum to 1
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
	Count int    `json:"count"` // specimens
	// Typical is how strange the set's own specimens look to it, each left out in
	// turn, drawn towards that of all sets when the set is small; nats.
	Typical  float64          `json:"typical_strangeness"`
	Features map[string]Usual `json:"features"` // by name; only those measured
	// Centroids are one, or more where the set falls into clear sub-groups.
	Centroids []Centroid `json:"centroids"`
	// Members are the same by the form with the set's own spreads, by which it
	// is judged whether a marble is like any set at all.
	Members []Centroid `json:"members"`
}

// Centroid is the middle of a set or of a sub-group of it.
type Centroid struct {
	Share float64 `json:"share"` // of the set's specimens
	// Mean is on the scale on which features are compared. Of a feature never
	// measured in the set it is the mean of all sets, with as much Widening as
	// sets differ.
	Mean map[string]float64 `json:"mean"`
	// Widening is what the spread's square is multiplied by: more than 1 as the
	// mean itself is only known from a few specimens, and more or less as the
	// set's own spread is.
	Widening map[string]float64 `json:"widening"`
}

// Model is what was learnt. It is made by [Train] or [Load] and not to be
// changed; it may be used by several goroutines at once.
type Model struct {
	RegistryVersion int
	Features        []FeatureInfo
	// Form is the name of the form of the model that was chosen; see
	// [Candidate].
	Form string
	// Spread is the robust spread of a feature within the sets, on the scale on
	// which it is compared; a feature that never varied is absent, and not used.
	Spread map[string]float64
	// Between is the variance between the sets' centroids, in squared spreads.
	Between map[string]float64
	// Mean is the mean of all sets' centroids.
	Mean map[string]float64
	// Farthest is how far a labelled marble lies from its own set at most, in
	// spreads.
	Farthest map[string]float64
	// Correlation within the sets of the features used, in the order of
	// Features; nil where the form takes features as independent.
	Correlation [][]float64
	// MemberCorrelation is the same with each set's own spreads, for Members.
	MemberCorrelation [][]float64
	Temperature       float64 // of the probabilities; 2 is the Gaussian one
	// Steps, where there are any, give the probability of the nearest set from
	// the one found with Temperature: isotonic regression, where that did better.
	Steps []Step
	Sets  []Set // by label
	// LeftOut is how strange the labelled specimens look to their own sets, each
	// left out, less the set's typical strangeness; nats, ascending.
	LeftOut []float64
	// Warnings for the collector, in plain words: sets too small to judge by,
	// features that say nothing.
	Warnings []string

	p, q *prepared // by the form chosen; by the form for strangers
}

// Step is one step of an isotonic regression: probabilities up to To become P.
// Those of the first step, whose P is 0, stay as they are: no labelled marble was
// so unsure.
type Step struct {
	To float64 `json:"to"`
	P  float64 `json:"p"`
}

// UnlikeAnyLevel is the level at which this model calls a marble unlike any
// set: [UnlikeAnyLevel], or 1/(n+1) if that is more; 0 if it never can.
func (m *Model) UnlikeAnyLevel() float64 {
	if len(m.LeftOut) == 0 {
		return 0
	}
	return max(UnlikeAnyLevel, 1/float64(len(m.LeftOut)+1))
}

// quantile of sorted values by the empirical distribution, so that of fewer
// than 20 marbles 5 % and 95 % are the least and the greatest.
func quantile(p float64, sorted []float64) float64 {
	return stat.Quantile(p, stat.Empirical, sorted, nil)
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
	spread := m.spreads()
	_, have := meanSquare(x, x, spread)
	var out []Neighbour
	for _, s := range samples {
		d2, used := meanSquare(x, finite(s.Values), spread)
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
