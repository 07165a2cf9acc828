package web

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"tawsight/features"
	"tawsight/internal/collection"
	"tawsight/internal/desk"
	"tawsight/internal/opinions"
	"tawsight/internal/report"
)

// queues are what can be gone through, by their name in the address.
var queues = []struct {
	name, words string
	states      []collection.State
}{
	{"doubtful", "between two sets", []collection.State{collection.Doubtful}},
	{"unlike-any", "unlike any set", []collection.State{collection.UnlikeAny}},
	{"suggested", "suggested, not confirmed", []collection.State{collection.Suggested}},
	{"left-open", "left open", []collection.State{collection.LeftOpen}},
	{"undecided", "all undecided", []collection.State{collection.Doubtful, collection.UnlikeAny, collection.Suggested, collection.LeftOpen, collection.Unjudged}},
}

// queueTab is one queue with how many marbles it holds.
type queueTab struct {
	Path, Words string
	N           int
	Current     bool
}

// leadingSet is a set that a marble may be of, beside which it is shown.
type leadingSet struct {
	Key         string // the key that takes it: "1"
	ID, Name    string // as it is called today; an empty ID where it is no more
	Probability string
	Tested      string
	Marks       string // the class of its bars
	Specimens   []neighbour
}

// neighbour is a labelled marble near to the one in question.
type neighbour struct {
	Face   face
	Name   string
	Credit string
}

// featureBar is where the marble lies among the usual ranges of the leading
// sets in one feature.
type featureBar struct {
	Name, Meaning string
	Text          string // the marble's value
	At            string // per cent of the scale; empty where it was not measured
	Ranges        []featureRange
}

type featureRange struct {
	Name, Text, Marks string
	From, Width       string
}

type doubtfulData struct {
	Queues   []queueTab
	Queue    string
	Words    string
	Marble   *marbleItem
	Nth, Of  int
	Previous string
	Next     string
	Sets     []leadingSet
	Bars     []featureBar
	Verdict  string
	Reasons  []string
	HowSure  []string
	Settle   []string
	Notes    []string
	Scale    string // classes
	Why      string // why it is not set beside any
	Names    []string
	Last     *flash // the latest edit, to undo
	Stale    bool
}

// queueOf is the queue that an address names; the first where it names none.
func queueOf(name string) (at int) {
	for i, q := range queues {
		if q.name == name {
			return i
		}
	}
	return 0
}

func queueAddress(queue, field, value string) string {
	v := url.Values{"in": {queue}}
	if value != "" {
		v.Set(field, value)
	}
	return "/doubtful?" + v.Encode()
}

// doubtful goes through marbles that nobody has decided on, one at a time.
func (s *Server) doubtful(w http.ResponseWriter, r *http.Request) error {
	p, err := s.place()
	if err != nil {
		return err
	}
	c, ctx, q := p.Collection, r.Context(), r.URL.Query()
	counts, err := c.Counts(ctx)
	if err != nil {
		return err
	}
	n := func(i int) (sum int) {
		for _, st := range queues[i].states {
			sum += counts.States[st]
		}
		return sum
	}
	at := queueOf(q.Get("in"))
	if !q.Has("in") { // the first that has something in it
		for i := range queues {
			if n(i) > 0 {
				at = i
				break
			}
		}
	}
	d := doubtfulData{Queue: queues[at].name, Words: queues[at].words}
	for i, v := range queues {
		d.Queues = append(d.Queues, queueTab{queueAddress(v.name, "", ""), v.words, n(i), i == at})
	}
	rows, _, err := c.Find(ctx, collection.Filter{States: queues[at].states, Sort: collection.ByDoubt})
	if err != nil {
		return err
	}
	if err := d.fillLast(ctx, c); err != nil {
		return err
	}
	d.Of = len(rows)
	if len(rows) == 0 {
		return s.page(w, r, "doubtful.html", d)
	}
	i, _ := strconv.Atoi(q.Get("n"))
	i = min(max(0, i-1), len(rows)-1)
	if id := q.Get("m"); id != "" {
		if k := slices.IndexFunc(rows, func(v collection.Row) bool { return v.ID == id }); k >= 0 {
			i = k
		}
	}
	d.Nth = i + 1
	if i > 0 {
		d.Previous = queueAddress(d.Queue, "m", rows[i-1].ID)
	}
	if i+1 < len(rows) {
		d.Next = queueAddress(d.Queue, "m", rows[i+1].ID)
	}
	items, err := itemsOf(ctx, c, rows[i:i+1])
	if err != nil {
		return err
	}
	d.Marble = &items[0]
	sets, err := c.Sets(ctx)
	if err != nil {
		return err
	}
	for _, v := range sets {
		d.Names = append(d.Names, v.Name)
	}
	if d.Stale, err = p.Opinions.Stale(ctx); err != nil {
		return err
	}
	if err := d.fillPlate(ctx, p); err != nil {
		return err
	}
	return s.page(w, r, "doubtful.html", d)
}

// undoneHere are the kinds of edit made on this page. What else was done, such as
// comparing anew, is undone where it can be seen what that means.
var undoneHere = []string{"label", "note"}

// fillLast is the latest edit that stands, where it is of this page's kinds.
func (d *doubtfulData) fillLast(ctx context.Context, c *collection.Collection) error {
	edits, err := c.Edits(ctx, 0, 40)
	if err != nil {
		return err
	}
	for _, e := range edits {
		if e.UndoneBy != 0 || e.What == "undo" || e.What == "redo" {
			continue
		}
		if slices.Contains(undoneHere, e.What) {
			d.Last = &flash{Text: e.Text, Seq: e.Seq}
		}
		break
	}
	return nil
}

// fillPlate sets the marble beside what it is most like.
func (d *doubtfulData) fillPlate(ctx context.Context, p *desk.Place) error {
	plate, err := p.Opinions.Plate(ctx, d.Marble.ID)
	switch {
	case errors.Is(err, opinions.ErrNotCompared), errors.Is(err, opinions.ErrNoEdition), errors.Is(err, collection.ErrNotFound):
		d.Why, d.Scale = sentence(err.Error()), scaleFor([]face{d.Marble.Face}, 190, 150, 95)
		return nil
	case err != nil:
		return err
	}
	d.Verdict, d.HowSure, d.Notes = sentence(plate.Verdict), plate.HowSure, plate.Notes
	for _, t := range plate.Reasons {
		d.Reasons = append(d.Reasons, sentence(t))
	}
	for _, t := range plate.Settle {
		d.Settle = append(d.Settle, sentence(t))
	}
	ids, err := setsOfEdition(ctx, p)
	if err != nil {
		return err
	}
	shown := 2 // so that two sets stand beside the marble in one row, large
	if len(plate.Sets) == 1 {
		shown = 4
	}
	for i, ps := range plate.Sets {
		set := ids[ps.Label]
		l := leadingSet{
			Key: strconv.Itoa(i + 1), ID: set.ID, Name: set.Name, Probability: fmt.Sprintf("%.2f", ps.Probability),
			Marks: "set-" + string(rune('a'+i)),
		}
		if l.Name == "" {
			l.Name = ps.Label
		}
		if ps.Tested > 0 {
			l.Tested = fmt.Sprintf("%d of its %d given back to it", ps.Right, ps.Tested)
			if len(ps.TakenFor) > 0 {
				l.Tested += fmt.Sprintf("; %d taken for %s", ps.TakenFor[0].Count, ps.TakenFor[0].Label)
			}
		}
		for _, sp := range ps.Specimens[:min(len(ps.Specimens), shown)] {
			credit := sp.Credit
			if credit != "" {
				credit = "photo: " + credit
			}
			l.Specimens = append(l.Specimens, neighbour{newFace(sp.ID, "Photo of "+sp.Name+", of the set "+l.Name, collection.Face{
				SidePX: sp.View.SidePX, MMPerPX: sp.View.MMPerPX, DiameterPX: sp.View.DiameterPX}), sp.Name, credit})
		}
		d.Sets = append(d.Sets, l)
	}
	faces := []face{d.Marble.Face}
	for _, l := range d.Sets {
		for _, n := range l.Specimens {
			faces = append(faces, n.Face)
		}
	}
	d.Scale = scaleFor(faces, 190, 150, 95)
	for _, f := range plate.Features[:min(len(plate.Features), mostBars)] {
		d.Bars = append(d.Bars, newFeatureBar(f, d.Sets))
	}
	return nil
}

// mostBars are the deciding features shown.
const mostBars = 5

// setsOfEdition are the sets as they stand today by the names that the edition
// in force knows them by; a set merged since stands for by what it was merged
// into.
func setsOfEdition(ctx context.Context, p *desk.Place) (map[string]collection.Set, error) {
	e, ok, err := p.Collection.EditionInForce(ctx)
	if err != nil || !ok {
		return nil, err
	}
	out := map[string]collection.Set{}
	for _, known := range e.Summary.Sets {
		set, err := p.Collection.Set(ctx, known.ID)
		for i := 0; err == nil && set.Retired && i < 20; i++ { // merged, and that again
			set, err = p.Collection.Set(ctx, set.MergedInto)
		}
		if err == nil && !set.Retired {
			out[known.Name] = set
		}
	}
	return out, nil
}

// newFeatureBar places the marble and the sets' usual ranges on one scale.
func newFeatureBar(f report.PlateFeature, sets []leadingSet) featureBar {
	b := featureBar{Name: f.Feature.Label, Meaning: f.Feature.Meaning, Text: "not measured on this marble"}
	lo, hi := math.Inf(1), math.Inf(-1)
	take := func(v float64) { lo, hi = math.Min(lo, v), math.Max(hi, v) }
	for _, u := range f.Usual {
		if u != nil {
			take(u[0])
			take(u[1])
		}
	}
	if f.Value != nil {
		take(*f.Value)
		b.Text = withUnit(f.Feature, *f.Value)
	}
	spread := hi - lo
	if !(spread > 0) {
		spread = 1
	}
	from, to := lo-0.08*spread, hi+0.08*spread
	at := func(v float64) float64 { return 100 * (v - from) / (to - from) }
	if f.Value != nil {
		b.At = percentOf(at(*f.Value))
	}
	for i, u := range f.Usual {
		if i >= len(sets) {
			break
		}
		r := featureRange{Name: sets[i].Name, Marks: sets[i].Marks, Text: "never measured there"}
		if u != nil {
			r.Text = fmt.Sprintf("%s to %s", figure(u[0]), withUnit(f.Feature, u[1]))
			r.From, r.Width = percentOf(at(u[0])), percentOf(math.Max(1, at(u[1])-at(u[0])))
		}
		b.Ranges = append(b.Ranges, r)
	}
	return b
}

func withUnit(f features.Feature, v float64) string {
	return strings.TrimSpace(figure(v) + " " + f.Unit)
}

// Height and the bars' places are in pixels.
func (b featureBar) Height() int       { return 14*len(b.Ranges) + 6 }
func (b featureBar) Place(i int) int   { return 3 + 14*i }
func (b featureBar) ForEars() string   { return b.Name + ": " + b.words() }
func (b featureBar) words() (s string) { return b.Text + b.ranges() }
func (b featureBar) ranges() (s string) {
	for _, r := range b.Ranges {
		s += "; usual in " + r.Name + " " + r.Text
	}
	return s
}

// decide records a decision, with what it rests on, and goes to the next.
func (s *Server) decide(w http.ResponseWriter, r *http.Request) error {
	p, err := s.place()
	if err != nil {
		return err
	}
	c, ctx := p.Collection, r.Context()
	id, queue := r.PostFormValue("m"), queues[queueOf(r.PostFormValue("in"))]
	d, err := decisionOf(r)
	if err != nil {
		return err
	}
	act := r.PostFormValue("act")
	set, takes := strings.CutPrefix(act, "set:")
	switch {
	case takes && set != "":
		d.SetID, d.SetName = set, ""
	case act == "named":
		if d.SetID = ""; d.SetName == "" {
			return badRequest("No set was named", "Go back and write the name of the set, an old one or a new one.")
		}
	case act == "undecided":
		d.SetID, d.SetName = "", ""
	default:
		return badRequest("No decision was made", "Go back and use one of the buttons.")
	}
	if d.Evidence, err = evidenceFor(ctx, p, id, d.Evidence); err != nil {
		return s.told(err)
	}
	e, err := c.Decide(ctx, "", d, id)
	if err != nil {
		return s.told(err)
	}
	// The marble has left the queue, so that the next stands in its place; or it
	// is still there.
	nth, _ := strconv.Atoi(r.PostFormValue("n"))
	rows, _, err := c.Find(ctx, collection.Filter{IDs: []string{id}, States: queue.states})
	if err != nil {
		return err
	}
	if len(rows) > 0 {
		nth++
	}
	return s.edited(w, r, queueAddress(queue.name, "n", strconv.Itoa(max(1, nth))), e, nil)
}

// evidenceFor is what is kept with a decision: the collector's own words, then
// what the comparison said.
func evidenceFor(ctx context.Context, p *desk.Place, id, own string) (string, error) {
	sp, err := p.Collection.Specimen(ctx, id)
	if err != nil {
		return "", err
	}
	var parts []string
	if own = strings.TrimSpace(own); own != "" {
		parts = append(parts, sentence(own))
	}
	edition, ok, err := p.Collection.EditionInForce(ctx)
	if err != nil {
		return "", err
	}
	for _, o := range sp.Opinions {
		if !ok || o.EditionID != edition.ID {
			continue
		}
		said := "The comparison said: " + opinionInWords(o)
		if a := o.Attribution; a != nil {
			for _, reason := range a.Reasons[:min(3, len(a.Reasons))] {
				if reason.Text == "" {
					continue
				}
				said += "; " + strings.TrimSuffix(reason.Text, ".")
				if reason.Toward != "" && reason.Toward != "unlike-any" {
					said += ", speaks for " + reason.Toward
				}
			}
		}
		parts = append(parts, said+".")
		break
	}
	return strings.Join(parts, "\n"), nil
}

// noteDoubtful adds a note to the marble that is looked at.
func (s *Server) noteDoubtful(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	id := r.PostFormValue("m")
	e, err := c.AddRemark(r.Context(), "", id, r.PostFormValue("text"))
	return s.edited(w, r, queueAddress(queues[queueOf(r.PostFormValue("in"))].name, "m", id), e, err)
}

// undoDoubtful undoes an edit and shows its marble again.
func (s *Server) undoDoubtful(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	seq, err := strconv.ParseInt(r.PostFormValue("seq"), 10, 64)
	if err != nil {
		return badRequest("No edit was named", "Go to the history and undo it there.")
	}
	e, err := c.Undo(r.Context(), "", seq)
	queue := queues[queueOf(r.PostFormValue("in"))].name
	to := queueAddress(queue, "n", r.PostFormValue("n"))
	if len(e.Specimens) == 1 {
		to = queueAddress(queue, "m", e.Specimens[0])
	}
	return s.edited(w, r, to, e, err)
}
