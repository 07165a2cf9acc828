package opinions

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"

	"tawsight/features"
	"tawsight/internal/collection"
	"tawsight/internal/record"
)

// Kind is how an opinion would change.
type Kind string

const (
	NewOpinion  Kind = "new"        // there was none
	OtherSet    Kind = "other-set"  // another set is the likeliest
	OtherStatus Kind = "other-kind" // surer or less sure: assigned, doubtful, unlike any
	NoLonger    Kind = "no-longer"  // it can no longer be compared
	Moved       Kind = "moved"      // the same, with a probability that moved by more than movedBy
)

// Words is the kind of change in plain words.
func (k Kind) Words() string {
	return map[Kind]string{
		NewOpinion: "compared for the first time", OtherSet: "another set is the likeliest", OtherStatus: "the same set, otherwise sure",
		NoLonger: "can no longer be compared", Moved: "the same, with another probability",
	}[k]
}

const (
	movedBy     = 0.15 // less is told as the same: the second digit of a probability means little
	reasonsTold = 3
)

// Change is what a new edition would say otherwise of one specimen.
type Change struct {
	SpecimenID, Title string
	Kind              Kind
	Before, After     collection.Opinion // Before is empty for NewOpinion
	// Label is the set that the specimen is labelled with now; empty for none.
	Label string
	// Why says in plain words what decides now, the weightiest first.
	Why []string
}

// Preview is a new edition before anything is written.
type Preview struct {
	Edition  collection.Edition // without ID
	Previous *collection.Edition
	Opinions []collection.Opinion
	Changes  []Change // those that matter most first
	Same     int      // specimens of which nothing changes
	// NotCompared is how many can't be compared, each opinion saying why.
	NotCompared int
	// SetsNew and SetsGone are sets that the edition in force did not know, or
	// that are no longer taught.
	SetsNew, SetsGone []string
}

// Preview works out what comparing anew would change, and why. Nothing is
// written. progress, where not nil, is told how far it has come, 0..1. The error
// wraps [ErrNothingToLearn].
func (k *Keeper) Preview(ctx context.Context, progress func(share float64)) (*Preview, error) {
	if progress == nil {
		progress = func(float64) {}
	}
	labels, err := k.c.Fingerprint(ctx)
	if err != nil {
		return nil, err
	}
	k.learning.Lock()
	defer k.learning.Unlock()
	g, err := k.gather(ctx, nil)
	if err != nil {
		return nil, err
	}
	progress(0.1)
	f, err := k.learn(labels, g)
	if err != nil {
		return nil, err
	}
	progress(0.3)
	left, loo, err := leftOut(f.learned)
	if err != nil {
		return nil, err
	}
	progress(0.6)
	p := &Preview{Edition: collection.Edition{MadeBy: record.MadeBy{Tawsight: record.Version, Features: features.Version}}}
	p.Edition.Summary = collection.EditionSummary{Tested: loo.Tested, Right: loo.Correct, Labels: labels, Warnings: loo.Warnings}
	known := map[string]bool{}
	for _, s := range f.learned.Model().Sets {
		p.Edition.Summary.Sets = append(p.Edition.Summary.Sets, collection.EditionSet{ID: f.sets[s.Label], Name: s.Label, Specimens: s.Count})
		known[f.sets[s.Label]] = true
	}
	// All but what it says of each single marble, which the opinions hold.
	test := loo
	test.Marbles = nil
	if p.Edition.Summary.Test, err = json.Marshal(test); err != nil {
		return nil, err
	}
	var model bytes.Buffer
	if err := f.learned.Model().Encode(&model); err != nil {
		return nil, err
	}
	p.Edition.Model = model.Bytes()

	var before map[string]collection.Opinion
	if e, ok, err := k.c.EditionInForce(ctx); err != nil {
		return nil, err
	} else if ok {
		p.Previous = &e
		if before, err = k.c.Opinions(ctx, e.ID); err != nil {
			return nil, err
		}
		was := map[string]bool{}
		for _, s := range e.Summary.Sets {
			was[s.ID] = true
			if !known[s.ID] {
				p.SetsGone = append(p.SetsGone, s.Name)
			}
		}
		for _, s := range p.Edition.Summary.Sets {
			if !was[s.ID] {
				p.SetsNew = append(p.SetsNew, s.Name)
			}
		}
	}
	names := map[string]string{}
	for name, id := range f.sets {
		names[id] = name
	}
	for i, id := range g.order {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		sub := g.all[id]
		o := opinionOn(f.learned, left, f.sets, sub)
		p.Opinions = append(p.Opinions, o)
		if o.Status == "" {
			p.NotCompared++
		}
		was, had := before[id]
		c := Change{SpecimenID: id, Title: sub.title, Before: was, After: o, Label: names[sub.setID]}
		switch {
		case !had && o.Status == "":
			p.Same++
			continue
		case !had || was.Status == "" && o.Status != "":
			c.Kind = NewOpinion
		case was.Status != "" && o.Status == "":
			c.Kind = NoLonger
			c.Why = []string{o.WhyNot}
		case was.SetID != o.SetID:
			c.Kind = OtherSet
		case was.Status != o.Status:
			c.Kind = OtherStatus
		case math.Abs(was.P-o.P) > movedBy:
			c.Kind = Moved
		default:
			p.Same++
			continue
		}
		if o.Attribution != nil {
			for _, r := range o.Attribution.Reasons[:min(reasonsTold, len(o.Attribution.Reasons))] {
				text := r.Text
				if r.Toward != "" && r.Toward != "unlike-any" {
					text += ": speaks for " + r.Toward
				}
				c.Why = append(c.Why, text)
			}
		}
		p.Changes = append(p.Changes, c)
		if i%64 == 0 {
			progress(0.6 + 0.4*float64(i)/float64(len(g.order)))
		}
	}
	rank := []Kind{OtherSet, OtherStatus, NoLonger, Moved, NewOpinion}
	slices.SortStableFunc(p.Changes, func(a, b Change) int {
		return cmp.Or(cmp.Compare(slices.Index(rank, a.Kind), slices.Index(rank, b.Kind)), cmp.Compare(b.After.P, a.After.P), cmp.Compare(a.Title, b.Title))
	})
	progress(1)
	return p, nil
}

// TakeOver writes what was previewed, as one edit that can be undone. The error
// wraps [ErrOutdated] where labels or photos have changed since; nothing was
// written then.
func (k *Keeper) TakeOver(ctx context.Context, who string, p *Preview) (collection.Edit, error) {
	labels, err := k.c.Fingerprint(ctx)
	if err != nil {
		return collection.Edit{}, err
	}
	if labels != p.Edition.Summary.Labels {
		return collection.Edit{}, fmt.Errorf("%w: look at what would change anew", ErrOutdated)
	}
	_, edit, err := k.c.TakeOver(ctx, who, p.Edition, p.Opinions)
	return edit, err
}

// Update has marbles that are new compared by the edition in force. Where there
// is none yet and the labels suffice, it makes the first: there are no opinions
// then that it could change. It says in words what it did, or nothing.
func (k *Keeper) Update(ctx context.Context, who string) (string, error) {
	s, err := k.Current(ctx)
	if errors.Is(err, ErrNoEdition) {
		if _, ok, e := k.c.EditionInForce(ctx); e != nil || ok {
			return "Your marbles were compared by another version of the program: look at what comparing them anew would change.", e
		}
		p, err := k.Preview(ctx, nil)
		if errors.Is(err, ErrNothingToLearn) {
			return "", nil
		}
		if err != nil {
			return "", err
		}
		if _, err := k.TakeOver(ctx, who, p); err != nil {
			return "", err
		}
		return fmt.Sprintf("Compared with your %d sets for the first time.", len(p.Edition.Summary.Sets)), nil
	}
	if err != nil {
		return "", err
	}
	ids, err := k.c.Unspoken(ctx, s.Edition.ID)
	if err != nil || len(ids) == 0 {
		return "", err
	}
	g, err := k.gather(ctx, ids)
	if err != nil {
		return "", err
	}
	sets := map[string]string{}
	for _, set := range s.Edition.Summary.Sets {
		sets[set.Name] = set.ID
	}
	var out []collection.Opinion
	for _, id := range g.order {
		sub := g.all[id]
		if sub.teaches {
			continue // judged when what it teaches is learnt
		}
		out = append(out, opinionOn(s.Learned, nil, sets, sub))
	}
	if len(out) == 0 {
		return "", nil
	}
	if err := k.c.AddOpinions(ctx, s.Edition.ID, out); err != nil {
		return "", err
	}
	if len(out) == 1 {
		return "1 marble was compared with your sets.", nil
	}
	return fmt.Sprintf("%d marbles were compared with your sets.", len(out)), nil
}
