package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"

	"tawsight/internal/collection"
	"tawsight/internal/desk"
	"tawsight/internal/opinions"
)

// mostChanges are shown of what comparing anew would change.
const mostChanges = 250

// changeItem is one marble whose opinion would change.
type changeItem struct {
	opinions.Change
	What, Was, Becomes string
}

// kindCount is how many marbles would change in one way.
type kindCount struct {
	Words string
	N     int
}

// editionItem is an edition in the list of them.
type editionItem struct {
	collection.Edition
	When  when
	Apart string
}

type opinionsData struct {
	Editions  []editionItem
	InForce   *editionItem
	Stale     bool
	Running   bool
	Share     float64
	Why       string // why comparing is not possible, in words
	Preview   *opinions.Preview
	Apart     string // how well sets are told apart by the preview
	Changes   []changeItem
	NotShown  int
	Kinds     []kindCount
	Unchanged bool
}

// previewKey is the place a preview is of: the demo's is not the collector's
// own.
func previewKey(p *desk.Place) string { return p.Collection.Path() }

func (s *Server) opinions(w http.ResponseWriter, r *http.Request) error {
	p, err := s.place()
	if err != nil {
		return err
	}
	ctx := r.Context()
	var d opinionsData
	editions, err := p.Collection.Editions(ctx)
	if err != nil {
		return err
	}
	for _, e := range editions {
		d.Editions = append(d.Editions, editionItem{e, whenOf(e.Made), apart(e.Summary)})
	}
	for i := range d.Editions {
		if d.Editions[i].InForce {
			d.InForce = &d.Editions[i]
		}
	}
	if d.Stale, err = p.Opinions.Stale(ctx); err != nil {
		return err
	}
	key := previewKey(p)
	s.preview.wait(ctx, key, moment)
	preview, ready, share, err := s.preview.get(key)
	switch {
	case ready && errors.Is(err, opinions.ErrNothingToLearn):
		d.Why = sentence(err.Error())
	case ready && err != nil:
		s.preview.forget()
		return err
	case ready:
		d.show(preview)
	default:
		d.Running, d.Share = s.preview.begun(key), share
	}
	return s.page(w, r, "opinions.html", d)
}

// show fills in what a preview says.
func (d *opinionsData) show(p *opinions.Preview) {
	d.Preview, d.Apart = p, apart(p.Edition.Summary)
	n := map[opinions.Kind]int{}
	var order []opinions.Kind
	for _, c := range p.Changes {
		if n[c.Kind] == 0 {
			order = append(order, c.Kind)
		}
		n[c.Kind]++
	}
	for _, k := range order {
		d.Kinds = append(d.Kinds, kindCount{k.Words(), n[k]})
	}
	shown := p.Changes[:min(len(p.Changes), mostChanges)]
	d.NotShown = len(p.Changes) - len(shown)
	for _, c := range shown {
		d.Changes = append(d.Changes, changeItem{c, c.Kind.Words(), opinionInWords(c.Before), opinionInWords(c.After)})
	}
	d.Unchanged = len(p.Changes) == 0
}

// apart says how well sets are told apart.
func apart(e collection.EditionSummary) string {
	if e.Tested == 0 {
		return "too few marbles to test"
	}
	return fmt.Sprintf("%d of %d rightly placed, each with itself left out", e.Right, e.Tested)
}

// opinionInWords is an opinion in a few words.
func opinionInWords(o collection.Opinion) string {
	switch o.Status {
	case "assigned":
		return fmt.Sprintf("like %s (%.2f)", o.Set, o.P)
	case "doubtful":
		return fmt.Sprintf("between %s (%.2f) and %s (%.2f)", o.Set, o.P, o.Next, o.NextP)
	case "unlike-any":
		return fmt.Sprintf("unlike any set; the nearest is %s", o.Set)
	}
	return "not compared"
}

// previewOpinions begins to work out what comparing anew would change.
func (s *Server) previewOpinions(w http.ResponseWriter, r *http.Request) error {
	p, err := s.place()
	if err != nil {
		return err
	}
	s.preview.forget()
	s.preview.start(s.life, previewKey(p), func(ctx context.Context, progress func(float64)) (*opinions.Preview, error) {
		return p.Opinions.Preview(ctx, progress)
	})
	http.Redirect(w, r, "/opinions", http.StatusSeeOther)
	return nil
}

// takeOpinions writes what was previewed.
func (s *Server) takeOpinions(w http.ResponseWriter, r *http.Request) error {
	p, err := s.place()
	if err != nil {
		return err
	}
	preview, ready, _, err := s.preview.get(previewKey(p))
	if err != nil || !ready || preview == nil || r.PostFormValue("labels") != preview.Edition.Summary.Labels {
		return problem{status: http.StatusConflict, what: "What would change is no longer at hand", advice: "Nothing was written. Look at what would change again, and then take it over."}
	}
	e, err := p.Opinions.TakeOver(r.Context(), "", preview)
	if errors.Is(err, opinions.ErrOutdated) {
		s.preview.forget()
		return problem{status: http.StatusConflict, what: "The collection has changed since", advice: "Nothing was written. Look at what would change again, and then take it over.", cause: err}
	}
	if err == nil {
		s.preview.forget()
	}
	return s.edited(w, r, "/opinions", e, err)
}

// dropOpinions throws a preview away.
func (s *Server) dropOpinions(w http.ResponseWriter, r *http.Request) error {
	s.preview.forget()
	http.Redirect(w, r, "/opinions", http.StatusSeeOther)
	return nil
}
