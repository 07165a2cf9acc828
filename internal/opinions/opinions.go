// Package opinions compares the marbles of a collection with the collector's own
// sets in it, and keeps what that says as dated opinions.
//
// What was learnt from the labels at one time is an edition. Its opinions stand
// until somebody looks at what a new edition would change ([Keeper.Preview]) and
// takes it over; earlier ones stay readable. Labels given for certain teach, and
// no others; a marble that teaches is judged by what all the others taught.
package opinions

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"

	"tawsight/classify"
	"tawsight/features"
	"tawsight/internal/collection"
	"tawsight/internal/likeness"
	"tawsight/internal/pipeline"
	"tawsight/internal/record"
	"tawsight/internal/report"
)

// Errors that callers can tell apart with errors.Is.
var (
	// ErrNothingToLearn: no two sets have a marble each whose label is certain and
	// whose photo is good enough.
	ErrNothingToLearn = errors.New("there is nothing to compare with yet")
	// ErrNoEdition: marbles were never compared yet.
	ErrNoEdition = errors.New("the marbles were not compared with your sets yet")
	// ErrOutdated: labels or photos have changed since the preview was made.
	ErrOutdated = errors.New("the collection has changed since")
	// ErrNotCompared is wrapped by the error for a marble that can't be compared;
	// the text says why, and what to do.
	ErrNotCompared = errors.New("it can't be compared")
)

// Keeper keeps the opinions of one collection. It may be used by several
// goroutines at once.
type Keeper struct {
	c *collection.Collection

	mu    sync.Mutex
	stand *Stand // the edition in force, held ready
	fresh *fresh // learnt from the labels as they are

	learning sync.Mutex // one at a time: it takes both cores
	renewing sync.Mutex
}

// New is the keeper of a collection's opinions.
func New(c *collection.Collection) *Keeper { return &Keeper{c: c} }

// Stand is the edition in force with what is needed to explain its opinions.
type Stand struct {
	Edition collection.Edition
	Learned *likeness.Learned // with the specimens that teach today

	specimens []likeness.Specimen
	test      classify.LOO
	labels    string // the collection's fingerprint
}

type fresh struct {
	labels    string
	learned   *likeness.Learned
	specimens []likeness.Specimen
	sets      map[string]string // ids by name
}

// gather reads the sightings: those that teach, and all.
type gathered struct {
	teach []likeness.Specimen
	sets  map[string]string   // ids by name, of those that teach
	all   map[string]*subject // by specimen
	order []string
}

// subject is one specimen to compare: its sightings that can be.
type subject struct {
	id, title string
	setID     string
	teaches   bool
	photo     *record.Photo
	marble    record.Marble // of several sightings, combined
	figure    string
	readings  []classify.Reading
	whyNot    string
}

func (k *Keeper) gather(ctx context.Context, only []string) (*gathered, error) {
	g := &gathered{sets: map[string]string{}, all: map[string]*subject{}}
	owner := map[string]string{} // photos by name, to keep their paths apart
	photos := map[string]*record.Photo{}
	err := k.c.EachSighting(ctx, only, func(t collection.Taught) error {
		s := t.Sighting
		p, ok := photos[s.Photo]
		if !ok {
			p = &s.Record
			p.SHA256 = s.Photo
			if sha, taken := owner[p.Path]; taken && sha != s.Photo {
				p.Path = s.Photo[:8] + "/" + p.Path
			} else {
				owner[p.Path] = s.Photo
			}
			photos[s.Photo] = p
		}
		m := s.Marble
		m.ID = fmt.Sprint(s.Number)
		sub := g.all[t.SpecimenID]
		if sub == nil {
			sub = &subject{id: t.SpecimenID, title: t.Title, setID: t.SetID, photo: p, marble: m, figure: s.FigureID}
			g.all[t.SpecimenID] = sub
			g.order = append(g.order, t.SpecimenID)
		}
		if why := likeness.WhyNotCompared(p, &m); why != "" {
			sub.whyNot = why
		} else {
			if len(sub.readings) == 0 {
				sub.photo, sub.marble, sub.figure = p, m, s.FigureID
			}
			sub.readings = append(sub.readings, classify.Reading{Values: m.Features, Sure: m.FeaturesSure})
		}
		if t.SetID != "" && t.Sure == collection.Certain && likeness.Learnable(p, &m) {
			sub.teaches = true
			g.sets[t.Set] = t.SetID
			figure := s.FigureID
			g.teach = append(g.teach, likeness.Specimen{
				ID: figure, Photo: p, Marble: &m, Label: t.Set, Name: t.Title, Specimen: t.SpecimenID,
				Credit: s.Contributor, Permission: s.Permission,
				View: func() (report.View, error) { return k.view(context.Background(), figure) },
			})
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	for _, sub := range g.all {
		if len(sub.readings) > 1 {
			r, err := classify.Combine(likeness.FeatureInfos(), sub.readings...)
			if err != nil {
				return nil, err
			}
			// What sets are not compared by stays the best photo's.
			values, sure := maps.Clone(sub.marble.Features), maps.Clone(sub.marble.FeaturesSure)
			if sure == nil {
				sure = map[string]float64{}
			}
			maps.Copy(values, r.Values)
			maps.Copy(sure, r.Sure)
			sub.marble.Features, sub.marble.FeaturesSure = values, sure
		}
	}
	return g, nil
}

func (k *Keeper) view(ctx context.Context, figure string) (report.View, error) {
	f, err := k.c.Face(ctx, figure)
	return report.View{JPEG: f.JPEG, SidePX: f.SidePX, MMPerPX: f.MMPerPX, DiameterPX: f.DiameterPX}, err
}

// Fresh is what the labels teach as they stand now. It is learnt anew when they
// have changed since the last call, which takes seconds with many marbles. The
// error wraps [ErrNothingToLearn].
func (k *Keeper) Fresh(ctx context.Context) (*likeness.Learned, error) {
	f, err := k.freshen(ctx)
	if err != nil {
		return nil, err
	}
	return f.learned, nil
}

func (k *Keeper) freshen(ctx context.Context) (*fresh, error) {
	labels, err := k.c.Fingerprint(ctx)
	if err != nil {
		return nil, err
	}
	have := func() *fresh {
		k.mu.Lock()
		defer k.mu.Unlock()
		if k.fresh != nil && k.fresh.labels == labels {
			return k.fresh
		}
		return nil
	}
	if f := have(); f != nil {
		return f, nil
	}
	k.learning.Lock()
	defer k.learning.Unlock()
	if f := have(); f != nil {
		return f, nil
	}
	g, err := k.gather(ctx, nil)
	if err != nil {
		return nil, err
	}
	return k.learn(labels, g)
}

func (k *Keeper) learn(labels string, g *gathered) (*fresh, error) {
	if len(g.sets) < 2 {
		return nil, fmt.Errorf("%w: label marbles you are sure of, in two sets at least", ErrNothingToLearn)
	}
	l, err := likeness.Learn(g.teach)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNothingToLearn, err)
	}
	f := &fresh{labels: labels, learned: l, specimens: g.teach, sets: g.sets}
	k.mu.Lock()
	k.fresh = f
	k.mu.Unlock()
	return f, nil
}

// Health is how far the sets can be trusted as they stand; the error wraps
// [ErrNothingToLearn].
func (k *Keeper) Health(ctx context.Context) (report.Health, error) {
	l, err := k.Fresh(ctx)
	if err != nil {
		return report.Health{}, err
	}
	return l.Health(likeness.HealthOptions{MadeBy: pipeline.MadeBy()})
}

// Stale says whether there is something new to learn: labels or figures have
// changed since the edition in force was made.
func (k *Keeper) Stale(ctx context.Context) (bool, error) {
	e, ok, err := k.c.EditionInForce(ctx)
	if err != nil {
		return false, err
	}
	labels, err := k.c.Fingerprint(ctx)
	return ok && e.Summary.Labels != labels || !ok, err
}

// Current is the edition in force; the error wraps [ErrNoEdition] where there
// is none.
func (k *Keeper) Current(ctx context.Context) (*Stand, error) {
	e, ok, err := k.c.EditionInForce(ctx)
	if err != nil {
		return nil, err
	}
	if !ok {
		return nil, ErrNoEdition
	}
	labels, err := k.c.Fingerprint(ctx)
	if err != nil {
		return nil, err
	}
	k.mu.Lock()
	s := k.stand
	k.mu.Unlock()
	if s != nil && s.Edition.ID == e.ID {
		if s.labels != labels {
			// A label more or less changes which specimens stand beside a marble,
			// and nothing of what is said: what is at hand will do for the moment
			// that reading thousands of them takes, and decisions come fast.
			k.renew(e, labels)
		}
		return s, nil
	}
	if s, err = k.read(ctx, e, labels); err != nil {
		return nil, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.stand = s
	return s, nil
}

// renew reads the specimens that teach anew in the background, unless that is
// under way.
func (k *Keeper) renew(e collection.Edition, labels string) {
	if !k.renewing.TryLock() {
		return
	}
	go func() {
		defer k.renewing.Unlock()
		s, err := k.read(context.Background(), e, labels)
		if err != nil {
			return // the next call tries again
		}
		k.mu.Lock()
		defer k.mu.Unlock()
		if k.stand != nil && k.stand.Edition.ID == e.ID { // else another came into force
			k.stand = s
		}
	}()
}

// read reads what was learnt from the labels, and the specimens that teach today.
func (k *Keeper) read(ctx context.Context, e collection.Edition, labels string) (*Stand, error) {
	if e.MadeBy.Features != features.Version {
		return nil, fmt.Errorf("%w by this version of the program: compare them anew", ErrNoEdition)
	}
	model, err := classify.Decode(bytes.NewReader(e.Model))
	if err != nil {
		return nil, fmt.Errorf("what was learnt from the labels can't be read: compare the marbles anew (%w)", err)
	}
	g, err := k.gather(ctx, nil)
	if err != nil {
		return nil, err
	}
	s := &Stand{Edition: e, labels: labels}
	// The model speaks of sets by the names of its day.
	named := map[string]string{}
	for _, set := range e.Summary.Sets {
		named[set.ID] = set.Name
	}
	for _, sp := range g.teach {
		if name, ok := named[g.sets[sp.Label]]; ok {
			sp.Label = name
			s.specimens = append(s.specimens, sp)
		}
	}
	if len(e.Summary.Test) > 0 {
		if err := json.Unmarshal(e.Summary.Test, &s.test); err != nil {
			return nil, fmt.Errorf("what was learnt from the labels can't be read: compare the marbles anew (%w)", err)
		}
	}
	s.Learned = likeness.Restore(model, &s.test, s.specimens)
	return s, nil
}

// Plate is a marble beside the specimens that it is most like, by the edition in
// force: what a doubt is decided by. A marble that teaches is shown as though it
// did not. Errors wrap [ErrNoEdition], [ErrNotCompared] and
// [collection.ErrNotFound].
func (k *Keeper) Plate(ctx context.Context, specimen string) (report.Plate, error) {
	s, err := k.Current(ctx)
	if err != nil {
		return report.Plate{}, err
	}
	g, err := k.gather(ctx, []string{specimen})
	if err != nil {
		return report.Plate{}, err
	}
	sub := g.all[specimen]
	switch {
	case sub == nil:
		return report.Plate{}, fmt.Errorf("%w: nothing was measured of it by daylight", ErrNotCompared)
	case len(sub.readings) == 0:
		return report.Plate{}, fmt.Errorf("%w: %s", ErrNotCompared, sub.whyNot)
	}
	l := s.Learned
	if others := slices.DeleteFunc(slices.Clone(s.specimens), func(o likeness.Specimen) bool { return o.Specimen == specimen }); len(others) < len(s.specimens) {
		without, err := likeness.Learn(others)
		if err != nil {
			return report.Plate{}, fmt.Errorf("%w: without it there is nothing to compare with", ErrNotCompared)
		}
		l = likeness.Restore(without.Model(), &s.test, others)
	}
	pr, err := l.Predict(&sub.marble)
	if err != nil {
		return report.Plate{}, fmt.Errorf("%w: %w", ErrNotCompared, err)
	}
	view, err := k.view(ctx, sub.figure)
	if err != nil {
		return report.Plate{}, err
	}
	return l.Plate(sub.photo, &sub.marble, view, pr)
}

// opinionOn is what is learnt's opinion on one specimen.
func opinionOn(l *likeness.Learned, left map[string]classify.LeftOut, sets map[string]string, sub *subject) collection.Opinion {
	o := collection.Opinion{SpecimenID: sub.id}
	if len(sub.readings) == 0 {
		o.WhyNot = sub.whyNot
		if o.WhyNot == "" {
			o.WhyNot = "nothing was measured of it by daylight"
		}
		return o
	}
	var a *record.Attribution
	var err error
	if out, ok := left[sub.id]; ok && sub.teaches {
		if !out.Tested {
			o.WhyNot = "it teaches its own set, and can't be judged without itself: " + out.WhyNot
			return o
		}
		a, err = l.AttributeAs(&sub.marble, out.Prediction)
	} else {
		a, err = l.Attribute(&sub.marble)
	}
	if err != nil {
		o.WhyNot = err.Error()
		return o
	}
	o.Status, o.P, o.NextP, o.Attribution = a.Status, a.Probability, a.RunnerUpProbability, a
	o.SetID, o.NextID = sets[a.Label], sets[a.RunnerUp]
	o.Set, o.Next = a.Label, a.RunnerUp
	if a.PValue != nil {
		o.PValue = *a.PValue
	}
	return o
}

// leftOut are the specimens that teach, as seen by what the others teach.
func leftOut(l *likeness.Learned) (map[string]classify.LeftOut, classify.LOO, error) {
	loo, err := l.LeaveOneOut()
	if err != nil {
		return nil, loo, err
	}
	out := map[string]classify.LeftOut{}
	for _, m := range loo.Marbles {
		out[m.ID] = m
	}
	return out, loo, nil
}
