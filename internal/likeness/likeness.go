// Package likeness compares marbles with a collector's own labelled sets: what
// is learnt from labelled specimens, the answer for one marble in the record's
// form and as a plate, and how far the sets can be trusted. It reads no file
// and measures nothing: labelled folders and a collection hand it specimens
// alike, and get the same answers.
package likeness

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"sync"

	"tawsight/classify"
	"tawsight/features"
	"tawsight/internal/record"
	"tawsight/internal/refset"
	"tawsight/internal/report"
)

// Specimen is one labelled marble as one photo shows it. Which may be learnt
// from says [Learnable].
type Specimen struct {
	// ID is what no other specimen has, as in [classify.Sample]. Texts on the
	// sets name specimens by it, and get Name in its place wherever it stands:
	// take what no sentence holds, such as a path and a number.
	ID     string
	Photo  *record.Photo  // its path, which no other photo has, and its SHA-256; specimens may share one
	Marble *record.Marble // its features
	Label  string         // the set
	// Name is what it is called on plates and in texts; where empty, it is made
	// of the photo's name and the marble's number.
	Name string
	// Specimen is shared by several photos of one marble, which count as one;
	// empty for a marble of its own.
	Specimen   string
	Credit     string // whose photo it is; may be empty
	Permission refset.Permission
	// View fetches its picture, each time a plate shows it: pictures of
	// thousands need not be in memory. It may be called from several goroutines
	// at once. Where nil, the specimen can be learnt from but not shown.
	View func() (report.View, error)
}

// ErrNoView is wrapped by the error for a specimen that is to be shown and has
// no View.
var ErrNoView = errors.New("there is no picture of it")

// key tells marbles apart: photos of one marble share it.
func (s *Specimen) key() string { return cmp.Or(s.Specimen, s.ID) }

func (s *Specimen) name() string {
	if s.Name != "" {
		return s.Name
	}
	return fmt.Sprintf("%s, no. %s", strings.TrimSuffix(filepath.Base(s.Photo.Path), filepath.Ext(s.Photo.Path)), s.Marble.ID)
}

func (s *Specimen) sample() classify.Sample {
	return classify.Sample{
		ID: s.ID, Group: s.Photo.Path, Specimen: s.Specimen, Label: s.Label,
		Values: s.Marble.Features, Sure: s.Marble.FeaturesSure,
	}
}

func (s *Specimen) onPlate() (report.PlateSpecimen, error) {
	out := report.PlateSpecimen{ID: s.ID, Name: s.name(), PhotoPath: s.Photo.Path, Credit: s.Credit, Values: s.Marble.Features}
	if s.Permission != refset.NotSaid || s.Credit != "" {
		out.Permission = "permission: " + s.Permission.String()
	}
	err := ErrNoView
	if s.View != nil {
		out.View, err = s.View()
	}
	if err != nil {
		return out, fmt.Errorf("%s, marble %s: %w", s.Photo.Path, s.Marble.ID, err)
	}
	return out, nil
}

// Learned is what was learnt from specimens. It may be used by several
// goroutines at once; the specimens must not be changed while it is.
type Learned struct {
	model     *classify.Model
	specimens []Specimen
	samples   []classify.Sample // of the specimens, in their order
	loo       func() (classify.LOO, error)
}

// Learn learns from the specimens. Errors are those of [classify.Train], such
// as [classify.ErrNoSamples].
func Learn(specimens []Specimen) (*Learned, error) {
	l := hold(nil, specimens)
	var err error
	l.model, err = classify.Train(FeatureInfos(), l.samples, TrainOptions())
	if err != nil {
		return nil, err
	}
	l.testOnNeed()
	return l, nil
}

// Restore gives back what was learnt, and perhaps tested, before: a model that
// was saved, and what leaving out had shown. Where loo is nil it is worked out
// from the specimens when first needed. Without specimens the model still
// attributes, and plates show sets without them.
func Restore(model *classify.Model, loo *classify.LOO, specimens []Specimen) *Learned {
	l := hold(model, specimens)
	if loo == nil {
		l.testOnNeed()
		return l
	}
	known := *loo
	l.loo = func() (classify.LOO, error) { return known, nil }
	return l
}

func hold(model *classify.Model, specimens []Specimen) *Learned {
	l := &Learned{model: model, specimens: specimens, samples: make([]classify.Sample, len(specimens))}
	for i := range specimens {
		l.samples[i] = specimens[i].sample()
	}
	return l
}

func (l *Learned) testOnNeed() {
	l.loo = sync.OnceValues(func() (classify.LOO, error) {
		return classify.LeaveOneOut(FeatureInfos(), l.samples, TrainOptions())
	})
}

// Model is what classify made of the specimens.
func (l *Learned) Model() *classify.Model { return l.model }

// Specimens are those it was learnt from; they must not be changed.
func (l *Learned) Specimens() []Specimen { return l.specimens }

// LeaveOneOut is how well the specimens are told apart when each is left out in
// turn. It is worked out at the first call, which can take long with thousands
// of specimens; later ones, and [Learned.Plate] and [Learned.Health], which
// need it, have it at once.
func (l *Learned) LeaveOneOut() (classify.LOO, error) { return l.loo() }

// Predict compares a marble with the sets; the error wraps
// [classify.ErrTooFewFeatures] where too little was measured of it.
func (l *Learned) Predict(m *record.Marble) (classify.Prediction, error) {
	return l.model.PredictReading(reading(m))
}

func reading(m *record.Marble) classify.Reading {
	return classify.Reading{Values: m.Features, Sure: m.FeaturesSure}
}

// mostReasons is how many reasons a record holds.
const mostReasons = 5

// Attribute compares a marble with the sets, and gives the answer as a record
// holds it. Ask [WhyNotCompared] first: what is said of poor photos does harm.
// Errors as [Learned.Predict].
func (l *Learned) Attribute(m *record.Marble) (*record.Attribution, error) {
	pr, err := l.Predict(m)
	if err != nil {
		return nil, err
	}
	return l.AttributeAs(m, pr)
}

// AttributeAs gives a prediction for a marble as a record holds it: one of
// [Learned.Predict], or what leaving the marble out has shown.
func (l *Learned) AttributeAs(m *record.Marble, pr classify.Prediction) (*record.Attribution, error) {
	a := &record.Attribution{
		Label: pr.Label, Status: pr.Status, Probability: round(pr.Probability, 3),
		RunnerUp: pr.RunnerUp, RunnerUpProbability: round(pr.RunnerUpProbability, 3),
		PValue: record.F(round(pr.PValue, 3)),
	}
	if pr.Status == classify.Doubtful && pr.RunnerUp != "" {
		if s := l.model.Settle(reading(m), pr.Label, pr.RunnerUp, couldMeasure()); len(s) > 0 {
			a.Next = s[0].Text
		}
	}
	for _, r := range pr.Reasons[:min(mostReasons, len(pr.Reasons))] {
		a.Reasons = append(a.Reasons, record.Reason{Feature: r.Feature, Toward: r.Toward, Weight: round(r.Weight, 3), Text: r.Text})
	}
	return a, nil
}

// FeatureInfos is the registry as the classifier wants it: the features that
// sets are compared by.
func FeatureInfos() []classify.FeatureInfo {
	var out []classify.FeatureInfo
	for _, f := range features.All() {
		if f.NotCompared != "" {
			continue
		}
		out = append(out, classify.FeatureInfo{Name: f.Name, Label: f.Label, Unit: f.Unit, LogFrom: f.LogFrom})
	}
	return out
}

// TrainOptions are those that sets are learnt with everywhere.
func TrainOptions() classify.Options {
	return classify.Options{RegistryVersion: features.Version}
}

func registered(name string) (features.Feature, bool) {
	for _, f := range features.All() {
		if f.Name == name {
			return f, true
		}
	}
	return features.Feature{}, false
}

func round(v float64, places int) float64 {
	p := math.Pow(10, float64(places))
	return math.Round(v*p) / p
}
