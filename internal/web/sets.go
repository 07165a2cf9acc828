package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"tawsight/internal/collection"
	"tawsight/internal/desk"
	"tawsight/internal/opinions"
	"tawsight/internal/report"
)

// facesOfList is how many members a set shows in the list of sets.
const facesOfList = 5

// setItem is a set in the list of sets.
type setItem struct {
	collection.Set
	Faces  []face
	Sizes  string
	Colour []swatch
}

type setsData struct {
	Sets    []setItem
	Retired int
}

// sets lists the collector's sets.
func (s *Server) sets(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	ctx := r.Context()
	all, err := c.Sets(ctx)
	if err != nil {
		return err
	}
	var d setsData
	for _, v := range all {
		rows, _, err := c.Find(ctx, collection.Filter{SetID: v.ID, Sort: collection.ByTitle})
		if err != nil {
			return err
		}
		item := setItem{Set: v, Sizes: sizesInWords(rows)}
		// Those that teach stand for their set.
		slices.SortStableFunc(rows, func(a, b collection.Row) int {
			return slices.Index(collection.Sures, a.Sure) - slices.Index(collection.Sures, b.Sure)
		})
		shown := rows[:min(facesOfList, len(rows))]
		faces, err := facesOf(ctx, c, shown)
		if err != nil {
			return err
		}
		for _, r := range shown {
			if f, ok := faces[r.ID]; ok {
				item.Faces = append(item.Faces, f)
			}
		}
		d.Sets = append(d.Sets, item)
	}
	return s.page(w, r, "sets.html", d)
}

// sizesInWords is the smallest to the largest diameter.
func sizesInWords(rows []collection.Row) string {
	lo, hi := math.Inf(1), 0.0
	for _, r := range rows {
		if r.DiameterMM != nil {
			lo, hi = math.Min(lo, *r.DiameterMM), math.Max(hi, *r.DiameterMM)
		}
	}
	switch {
	case hi == 0:
		return "no sizes yet"
	case hi-lo < 0.05:
		return fmt.Sprintf("%.1f mm", lo)
	}
	return fmt.Sprintf("%.1f to %.1f mm", lo, hi)
}

// rangeLine is a set's usual range of a feature, drawn on the range of all
// labelled marbles.
type rangeLine struct {
	Name, Meaning, Text string
	N                   int
	Bar, Width          string // per cent of the scale
	Middle              string
}

// lookalike is a set that this one may be taken for.
type lookalike struct {
	Set      link
	Confused string
	Apart    []string
}

// concern is something that wants looking after, with the marbles it is about.
type concern struct {
	Text    string
	Marbles []link
	Compare string
}

// setHealth is how far one set can be trusted.
type setHealth struct {
	Working    bool
	Why        string // why nothing can be said
	Recall     string
	TakenFor   []string
	Lookalikes []lookalike
	Suspects   []concern
	Duplicates []concern
	Small      string
	Stale      bool
}

type setData struct {
	Set      collection.Set
	Into     *collection.Set // what it was merged into
	Members  []marbleItem
	NoScale  int
	Base     []report.PaletteColour
	Ribbons  []report.PaletteColour
	Sizes    *sizeChart
	Ranges   []rangeLine
	Health   setHealth
	Others   []choice
	Names    []string
	Here     string
	Compares string
	Scale    string // classes

	labelled []collection.Row // of all sets
}

// healthOf is what is known of all sets' health: ready tells whether it was
// worked out; else that is under way.
func (s *Server) healthOf(ctx context.Context, p *desk.Place) (h report.Health, ready bool, err error) {
	labels, err := p.Collection.Fingerprint(ctx)
	if err != nil {
		return h, false, err
	}
	key := p.Collection.Path() + "\n" + labels
	s.health.start(s.life, key, func(ctx context.Context, _ func(float64)) (report.Health, error) { return p.Opinions.Health(ctx) })
	s.health.wait(ctx, key, moment)
	h, ready, _, err = s.health.get(key)
	return h, ready, err
}

// set shows one set.
func (s *Server) set(w http.ResponseWriter, r *http.Request) error {
	p, err := s.place()
	if err != nil {
		return err
	}
	c, ctx := p.Collection, r.Context()
	set, err := c.Set(ctx, r.PathValue("id"))
	if seq, e := strconv.ParseInt(r.URL.Query().Get(doneParam), 10, 64); e == nil && errors.Is(err, collection.ErrNotFound) {
		// Undoing how it was made has undone the set that was shown.
		http.Redirect(w, r, withDone("/sets", seq), http.StatusSeeOther)
		return nil
	}
	if err != nil {
		return s.told(err)
	}
	d := setData{Set: set, Here: withDone(localPath(r.URL), 0), Compares: "/compare?s=" + set.ID}
	if set.Retired {
		if into, err := c.Set(ctx, set.MergedInto); err == nil {
			d.Into = &into
		}
		return s.page(w, r, "set.html", d)
	}
	rows, _, err := c.Find(ctx, collection.Filter{SetID: set.ID, Sort: collection.ByTitle})
	if err != nil {
		return err
	}
	if d.Members, err = itemsOf(ctx, c, rows); err != nil {
		return err
	}
	var sizes []float64
	for _, m := range d.Members {
		if m.Face.NoScale {
			d.NoScale++
		}
		if m.DiameterMM != nil {
			sizes = append(sizes, *m.DiameterMM)
		}
	}
	d.Sizes, d.Scale = newSizeChart(sizes), listScale(d.Members)
	all, err := c.Sets(ctx)
	if err != nil {
		return err
	}
	for _, v := range all {
		if v.ID != set.ID {
			d.Others = append(d.Others, choice{Value: v.ID, Text: fmt.Sprintf("%s (%d)", v.Name, v.Members)})
			d.Names = append(d.Names, v.Name)
		}
	}
	if err := d.fillColours(ctx, c); err != nil {
		return err
	}
	if err := s.fillRanges(ctx, c, &d); err != nil {
		return err
	}
	h, ready, err := s.healthOf(ctx, p)
	switch {
	case errors.Is(err, opinions.ErrNothingToLearn):
		d.Health.Why = sentence(err.Error())
	case err != nil:
		return err
	case !ready:
		d.Health.Working = true
	default:
		d.fillHealth(h, all)
	}
	return s.page(w, r, "set.html", d)
}

func (d *setData) fillColours(ctx context.Context, c *collection.Collection) error {
	found, err := c.Colours(ctx)
	if err != nil {
		return err
	}
	member := map[string]bool{}
	for _, m := range d.Members {
		member[m.ID] = true
	}
	var base, ribbons []report.FoundColour
	for _, f := range found {
		switch v := (report.FoundColour{Specimen: f.SpecimenID, Lab: f.Lab}); {
		case !member[f.SpecimenID]:
		case f.Part == "base":
			base = append(base, v)
		default:
			ribbons = append(ribbons, v)
		}
	}
	d.Base, d.Ribbons = report.Palette(base), report.Palette(ribbons)
	return nil
}

// fillRanges counts what the members usually have of each feature.
func (s *Server) fillRanges(ctx context.Context, c *collection.Collection, d *setData) (err error) {
	if d.labelled, _, err = c.Find(ctx, collection.Filter{States: []collection.State{collection.Labelled}}); err != nil {
		return err
	}
	ids := make([]string, 0, len(d.labelled))
	figures := fnv.New64a()
	setOf := map[string]string{}
	for _, r := range d.labelled {
		ids = append(ids, r.ID)
		setOf[r.ID] = r.SetID
		fmt.Fprintln(figures, r.ID, r.FigureID)
	}
	all, err := s.labelled.get(fmt.Sprint(c.Path(), figures.Sum64()), func() ([]measuredMarble, error) { return measuredOf(ctx, c, ids) })
	if err != nil {
		return err
	}
	var own []measuredMarble
	for _, m := range all {
		if setOf[m.ID] == d.Set.ID {
			own = append(own, m)
		}
	}
	for _, f := range compared() {
		v, whole := valuesOf(own, f.Name), valuesOf(all, f.Name)
		if len(v) < 2 {
			continue
		}
		low, high := quantile(v, 0.05), quantile(v, 0.95)
		from, to := whole[0], whole[len(whole)-1]
		line := rangeLine{Name: f.Label, Meaning: f.Meaning, N: len(v), Text: strings.TrimSpace(fmt.Sprintf("%s to %s %s", figure(low), figure(high), f.Unit))}
		if to > from {
			at := func(x float64) float64 { return 100 * (x - from) / (to - from) }
			line.Bar, line.Width = percentOf(at(low)), percentOf(math.Max(1.5, at(high)-at(low)))
			line.Middle = percentOf(at(quantile(v, 0.5)))
		}
		d.Ranges = append(d.Ranges, line)
	}
	return nil
}

func percentOf(v float64) string { return fmt.Sprintf("%.1f%%", v) }

// figure is a number to three figures, for people.
func figure(v float64) string {
	if v < 0 {
		return "−" + figure(-v)
	}
	switch a := math.Abs(v); {
	case a >= 100 || a == 0:
		return fmt.Sprintf("%.0f", v)
	case a >= 10:
		return fmt.Sprintf("%.1f", v)
	case a >= 0.995:
		return fmt.Sprintf("%.2f", v)
	}
	return fmt.Sprintf("%.2g", v)
}

// mostLookalikes are told of.
const mostLookalikes = 4

func (d *setData) fillHealth(h report.Health, sets []collection.Set) {
	ids := map[string]string{}
	for _, v := range sets {
		ids[v.Name] = v.ID
	}
	own := d.Set.Name
	for _, v := range h.Sets {
		if v.Label != own {
			continue
		}
		if v.Tested > 0 {
			d.Health.Recall = fmt.Sprintf("%d of %d of its marbles are given back to it, each judged as though its label were not known", v.Right, v.Tested)
			if v.RecallU95 != nil {
				d.Health.Recall += fmt.Sprintf("; of others like them it would be %.0f to %.0f %% (95 %% interval)", 100*v.RecallU95[0], 100*v.RecallU95[1])
			}
		}
		for _, t := range v.TakenFor {
			d.Health.TakenFor = append(d.Health.TakenFor, fmt.Sprintf("%s: %d", t.Label, t.Count))
		}
	}
	for _, v := range h.Small {
		if v.Label == own {
			d.Health.Small = sentence(v.Text)
		}
	}
	var pairs []report.HealthPair
	for _, v := range h.Pairs {
		if v.A == own || v.B == own {
			pairs = append(pairs, v)
		}
	}
	clearest := func(p report.HealthPair) float64 {
		if len(p.Features) == 0 {
			return 0
		}
		return p.Features[0].D
	}
	slices.SortStableFunc(pairs, func(a, b report.HealthPair) int {
		return cmp.Or(cmp.Compare(b.Confused, a.Confused), cmp.Compare(clearest(a), clearest(b)))
	})
	for _, v := range pairs[:min(len(pairs), mostLookalikes)] {
		other := v.A
		if other == own {
			other = v.B
		}
		l := lookalike{Set: link{"/sets/" + ids[other], other}, Confused: "never taken for one another"}
		if v.Confused > 0 {
			l.Confused = fmt.Sprintf("%d taken for one another", v.Confused)
		}
		for _, f := range v.Features[:min(len(v.Features), 3)] {
			l.Apart = append(l.Apart, sentence(cmp.Or(f.Text, f.Label)))
		}
		d.Health.Lookalikes = append(d.Health.Lookalikes, l)
	}
	// The report knows marbles by their pictures or as specimens.
	titles := map[string]collection.Row{}
	for _, r := range d.labelled {
		titles[r.ID], titles[r.FigureID] = r, r
	}
	add := func(to *[]concern, text string, of ...string) {
		v, mine := concern{Text: sentence(text), Compare: "/compare?"}, false
		for _, id := range of {
			if r, ok := titles[id]; ok {
				v.Marbles = append(v.Marbles, link{"/marbles/" + r.ID, r.Title})
				v.Compare += "m=" + r.ID + "&"
				mine = mine || r.SetID == d.Set.ID
			}
		}
		v.Compare = strings.TrimRight(v.Compare, "?&")
		if mine && len(v.Marbles) == len(of) {
			*to = append(*to, v)
		}
	}
	for _, v := range h.Mislabelled {
		if v.Label != own {
			continue
		}
		add(&d.Health.Suspects, v.Text, v.Specimen)
		if n := len(d.Health.Suspects); n > 0 && ids[v.Like] != "" {
			d.Health.Suspects[n-1].Compare += "&s=" + d.Set.ID + "&s=" + ids[v.Like]
		}
	}
	for _, v := range h.Duplicates {
		add(&d.Health.Duplicates, v.Text, v.A, v.B)
	}
}

func (s *Server) newSet(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	set, err := c.SetNamed(r.Context(), "", r.PostFormValue("name"))
	if err != nil {
		return s.told(err)
	}
	http.Redirect(w, r, "/sets/"+set.ID, http.StatusSeeOther)
	return nil
}

func (s *Server) renameSet(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	id := r.PathValue("id")
	e, err := c.RenameSet(r.Context(), "", id, r.PostFormValue("name"), r.PostFormValue("note"))
	return s.edited(w, r, "/sets/"+id, e, err)
}

func (s *Server) mergeSet(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	into := r.PostFormValue("into")
	if into == "" {
		return badRequest("No other set was chosen", "Go back and choose the set to merge it into.")
	}
	e, err := c.MergeSets(r.Context(), "", r.PathValue("id"), into)
	return s.edited(w, r, "/sets/"+into, e, err)
}

// members does what its button says with the members ticked: splits them off,
// moves them to another set, or takes them out.
func (s *Server) members(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	ids, err := ticked(r)
	if err != nil {
		return err
	}
	id, ctx := r.PathValue("id"), r.Context()
	name := strings.TrimSpace(r.PostFormValue("name"))
	switch r.PostFormValue("do") {
	case "split":
		if name == "" {
			return badRequest("The new set has no name", "Go back and give it one.")
		}
		set, e, err := c.SplitSet(ctx, "", id, name, ids)
		return s.edited(w, r, "/sets/"+set.ID, e, err)
	case "move":
		d, err := decisionOf(r)
		if err != nil {
			return err
		}
		if d.SetID = r.PostFormValue("to"); d.SetID == "" {
			return badRequest("No other set was chosen", "Go back and choose the set to move them to.")
		}
		d.SetName = ""
		e, err := c.Decide(ctx, "", d, ids...)
		return s.edited(w, r, "/sets/"+id, e, err)
	case "out":
		e, err := c.Decide(ctx, "", collection.Decision{Sure: collection.Likely, Evidence: "taken out of its set"}, ids...)
		return s.edited(w, r, "/sets/"+id, e, err)
	}
	return badRequest("The form can't be read", "Go back and use its buttons.")
}
