package web

import (
	"cmp"
	"context"
	"encoding/hex"
	"fmt"
	"hash/fnv"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"tawsight/internal/collection"
	"tawsight/internal/colour"
	"tawsight/internal/report"
)

const (
	pageSize   = 60 // marbles a page
	mostFaces  = 24 // faces that can be compared side by side
	mostTicked = 2000
)

// query is the address's part after "?", as the filter form fills it.
type query struct{ url.Values }

// Is tells whether a field has a value, for the form's choices.
func (q query) Is(field, value string) bool { return slices.Contains(q.Values[field], value) }

// With is the address of the same list with one field changed; an empty value
// takes it out. The page begins again at the first.
func (q query) With(field, value string) string {
	v := url.Values{}
	for k, list := range q.Values {
		v[k] = list
	}
	v.Del("page")
	v.Del(doneParam)
	v.Del(field)
	if value != "" {
		v.Set(field, value)
	}
	return "/marbles?" + v.Encode()
}

// colourParams pick a colour; byColour is whether they count.
const (
	byColour      = "by" // = colour
	defaultDE00   = 12   // a colour and its neighbours by name, not one shade alone
	defaultPicked = "#2d6a6a"
)

// filter reads the fields; the error says which can't be read.
func (q query) filter() (f collection.Filter, err error) {
	number := func(name string) (v float64, given bool) {
		text := strings.TrimSpace(strings.Replace(q.Get(name), ",", ".", 1))
		if text == "" || err != nil {
			return 0, false
		}
		v, e := strconv.ParseFloat(text, 64)
		if e != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			err = badRequest(fmt.Sprintf("“%s” is not a number", text), "Write sizes in millimetres and shares in per cent, such as 15.9 or 40.")
		}
		return v, true
	}
	share := func(low, high string) *collection.Range {
		a, hasLow := number(low)
		b, hasHigh := number(high)
		if !hasLow && !hasHigh {
			return nil
		}
		if !hasHigh {
			b = 100
		}
		return &collection.Range{Low: a / 100, High: b / 100}
	}
	yesNo := func(name string) *bool {
		switch q.Get(name) {
		case "yes":
			v := true
			return &v
		case "no":
			v := false
			return &v
		}
		return nil
	}
	f.Words, f.SizeClass, f.BaseKind, f.SetID = q.Get("q"), q.Get("class"), q.Get("kind"), q.Get("set")
	f.Contributor, f.Tag, f.Photo = q.Get("who"), q.Get("tag"), q.Get("photo")
	f.TakenFrom, f.TakenTo, f.AddedFrom, f.AddedTo = q.Get("taken-from"), q.Get("taken-to"), q.Get("added-from"), q.Get("added-to")
	f.MinMM, _ = number("min")
	f.MaxMM, _ = number("max")
	f.Translucent, f.Busy = share("clear-from", "clear-to"), share("busy-from", "busy-to")
	f.Bubble, f.Glows, f.Poor = yesNo("bubble"), yesNo("glow"), yesNo("poor")
	for _, s := range q.Values["state"] {
		if slices.Contains(collection.States, collection.State(s)) {
			f.States = append(f.States, collection.State(s))
		}
	}
	if q.Is(byColour, "colour") {
		lab, e := labOfHex(cmp.Or(q.Get("colour"), defaultPicked))
		if e != nil && err == nil {
			err = e
		}
		de, given := number("near")
		if !given {
			de = defaultDE00
		}
		f.Colour = &collection.ColourNear{Lab: lab, DE00: de, Part: q.Get("part")}
	}
	f.Sort, f.Reverse = collection.Sort(q.Get("sort")), q.Get("order") == "back"
	if f.Sort == "" && f.Colour != nil {
		f.Sort = collection.ByColour
	}
	return f, err
}

// labOfHex reads "#2d6a6a".
func labOfHex(s string) ([3]float64, error) {
	b, err := hex.DecodeString(strings.TrimPrefix(s, "#"))
	if err != nil || len(b) != 3 {
		return [3]float64{}, badRequest(fmt.Sprintf("“%s” is not a colour", s), "Pick one with the colour field, or write it as six digits after a #.")
	}
	return colour.SRGB8ToLab([3]uint8{b[0], b[1], b[2]}), nil
}

// choice is one entry of a select.
type choice struct {
	Value, Text string
	Chosen      bool
}

// marbleItem is one marble in a list.
type marbleItem struct {
	collection.Row
	Face     face
	HasFace  bool
	Size     string
	Chip     chip
	HowNear  string
	Selected bool
}

func itemsOf(ctx context.Context, c *collection.Collection, rows []collection.Row) ([]marbleItem, error) {
	faces, err := facesOf(ctx, c, rows)
	if err != nil {
		return nil, err
	}
	out := make([]marbleItem, 0, len(rows))
	for _, r := range rows {
		v := marbleItem{Row: r, Size: "no scale"}
		v.Face, v.HasFace = faces[r.ID], faces[r.ID].URL != ""
		if r.DiameterMM != nil {
			v.Size = fmt.Sprintf("%.1f mm", *r.DiameterMM)
		}
		v.Chip = stateChip(r)
		if r.DE00 > 0 {
			v.HowNear = fmt.Sprintf("ΔE %.1f", r.DE00)
		}
		out = append(out, v)
	}
	return out, nil
}

// swatch is one colour to pick.
type swatch struct {
	Hex, Name string
	Count     int
	Link      string
	Chosen    bool
}

// marblesData fills marbles.html.
type marblesData struct {
	Query                        query
	Filtered                     bool
	InUse                        int // filters that are set
	Items                        []marbleItem
	Total, All                   int
	NoScale                      int // of Items
	From, To                     int
	Earlier, Later               string // addresses of other pages
	Classes, Kinds, SetsOf, Tags []choice
	People, Sorts                []choice
	States                       []choice
	SetNames                     []string
	Swatches                     []swatch
	Picked                       string // hex
	Near                         string
	Here, Export                 string
	Scale                        string // classes
	Printed                      string
}

// sizeClasses in the words of the collection's own figures.
var baseKinds = []string{"transparent", "cloudy", "opaque"}

var sortNames = map[collection.Sort]string{
	collection.ByAdded: "latest added", collection.ByTitle: "name", collection.BySize: "size", collection.ByTranslucency: "translucency",
	collection.ByBusyness: "busyness", collection.BySet: "set", collection.ByDoubt: "most doubtful", collection.ByTaken: "latest taken",
	collection.ByColour: "colour",
}

func (s *Server) marbles(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	ctx := r.Context()
	q := query{r.URL.Query()}
	f, err := q.filter()
	if err != nil {
		return err
	}
	nth, _ := strconv.Atoi(q.Get("page"))
	nth = max(1, nth)
	f.Limit, f.Offset = pageSize, (nth-1)*pageSize
	rows, total, err := c.Find(ctx, f)
	if err != nil {
		return s.told(err)
	}
	if len(rows) == 0 && total > 0 { // a page past the end
		http.Redirect(w, r, q.With("page", strconv.Itoa((total+pageSize-1)/pageSize)), http.StatusSeeOther)
		return nil
	}
	d := marblesData{Query: q, Total: total, Here: withDone(localPath(r.URL), 0), Export: exportAddress(q), Picked: cmp.Or(q.Get("colour"), defaultPicked),
		Near: cmp.Or(q.Get("near"), strconv.Itoa(defaultDE00)), Printed: time.Now().Format("2 January 2006")}
	if d.Items, err = itemsOf(ctx, c, rows); err != nil {
		return err
	}
	d.Scale = listScale(d.Items)
	for _, i := range d.Items {
		if i.Face.NoScale {
			d.NoScale++
		}
	}
	if d.All, err = c.Size(ctx); err != nil {
		return err
	}
	d.Filtered = total != d.All
	for k := range q.Values {
		// The colour field always has a value, which counts where "by" says so.
		if q.Get(k) != "" && !slices.Contains([]string{"sort", "order", "page", doneParam, "colour", "near", "part", "q"}, k) {
			d.InUse++
		}
	}
	d.Filtered = d.Filtered || d.InUse > 0 || q.Get("q") != ""
	d.From, d.To = f.Offset+1, f.Offset+len(rows)
	if nth > 1 {
		d.Earlier = q.With("page", strconv.Itoa(nth-1))
	}
	if d.To < total {
		d.Later = q.With("page", strconv.Itoa(nth+1))
	}
	if err := s.fillChoices(ctx, c, &d); err != nil {
		return err
	}
	return s.page(w, r, "marbles.html", d)
}

func (s *Server) fillChoices(ctx context.Context, c *collection.Collection, d *marblesData) error {
	q := d.Query
	add := func(to *[]choice, field, value, text string) {
		*to = append(*to, choice{value, text, q.Is(field, value)})
	}
	classes, err := c.SizeClasses(ctx)
	if err != nil {
		return err
	}
	for _, v := range classes {
		add(&d.Classes, "class", v, v)
	}
	for _, v := range baseKinds {
		add(&d.Kinds, "kind", v, v)
	}
	sets, err := c.Sets(ctx)
	if err != nil {
		return err
	}
	for _, v := range sets {
		add(&d.SetsOf, "set", v.ID, fmt.Sprintf("%s (%d)", v.Name, v.Members))
		d.SetNames = append(d.SetNames, v.Name)
	}
	tags, err := c.Tags(ctx)
	if err != nil {
		return err
	}
	for t, n := range tags {
		add(&d.Tags, "tag", t, fmt.Sprintf("%s (%d)", t, n))
	}
	slices.SortFunc(d.Tags, func(a, b choice) int { return strings.Compare(a.Value, b.Value) })
	people, err := c.Contributors(ctx)
	if err != nil {
		return err
	}
	for _, v := range people {
		add(&d.People, "who", v.ID, v.Name)
	}
	for _, v := range collection.States {
		add(&d.States, "state", string(v), v.Words())
	}
	for _, v := range collection.Sorts {
		add(&d.Sorts, "sort", string(v), sortNames[v])
	}
	palette, err := s.palette(ctx, c)
	if err != nil {
		return err
	}
	for _, p := range palette {
		v := url.Values{}
		for k, list := range q.Values {
			v[k] = list
		}
		v.Set(byColour, "colour")
		chosen := q.Is(byColour, "colour") && strings.EqualFold(q.Get("colour"), p.Hex)
		link := query{v}.With("colour", p.Hex)
		if chosen {
			v.Del(byColour)
			link = query{v}.With("colour", "")
		}
		d.Swatches = append(d.Swatches, swatch{p.Hex, p.Name, p.Specimens, link, chosen})
	}
	return nil
}

// mostSwatches are offered to pick from.
const mostSwatches = 24

// palettes keeps the collection's palette until its colours change: naming
// thousands of colours takes a moment.
type palettes struct {
	mu      sync.Mutex
	of      *collection.Collection
	version int64 // of the collection, when the colours were last read
	key     uint64
	list    []report.PaletteColour
}

// palette are the collection's most frequent colours, by hue.
func (s *Server) palette(ctx context.Context, c *collection.Collection) ([]report.PaletteColour, error) {
	version, err := c.Version(ctx)
	if err != nil {
		return nil, err
	}
	s.palettes.mu.Lock()
	defer s.palettes.mu.Unlock()
	if s.palettes.of == c && s.palettes.version == version {
		return s.palettes.list, nil
	}
	found, err := c.Colours(ctx)
	if err != nil {
		return nil, err
	}
	h := fnv.New64a()
	all := make([]report.FoundColour, len(found))
	for i, f := range found {
		all[i] = report.FoundColour{Specimen: f.SpecimenID, Lab: f.Lab}
		fmt.Fprintln(h, f.SpecimenID, f.Lab)
	}
	if key := h.Sum64(); key != s.palettes.key || s.palettes.list == nil {
		list := report.Palette(all)
		if len(list) > mostSwatches {
			frequent := slices.Clone(list)
			slices.SortStableFunc(frequent, func(a, b report.PaletteColour) int { return cmp.Compare(b.Specimens, a.Specimens) })
			least := frequent[mostSwatches-1].Specimens
			n := 0
			list = slices.DeleteFunc(list, func(p report.PaletteColour) bool {
				if p.Specimens < least || n == mostSwatches {
					return true
				}
				n++
				return false
			})
		}
		s.palettes.key, s.palettes.list = key, list
	}
	s.palettes.of, s.palettes.version = c, version
	return s.palettes.list, nil
}

// ticked are the marbles a form names.
func ticked(r *http.Request) ([]string, error) {
	if err := r.ParseForm(); err != nil {
		return nil, badRequest("The form can't be read", "Go back and try again.")
	}
	ids := slices.Compact(slices.Sorted(slices.Values(r.PostForm["m"])))
	switch {
	case len(ids) == 0:
		return nil, badRequest("No marble is ticked", "Go back and tick the marbles it is about.")
	case len(ids) > mostTicked:
		return nil, badRequest("Too many marbles are ticked", fmt.Sprintf("At most %d can be changed at once.", mostTicked))
	}
	return ids, nil
}

// decisionOf is the label that a form asks for.
func decisionOf(r *http.Request) (collection.Decision, error) {
	d := collection.Decision{
		SetID: r.PostFormValue("set"), SetName: strings.TrimSpace(r.PostFormValue("name")),
		Sure: collection.Sure(cmp.Or(r.PostFormValue("sure"), string(collection.Likely))), Evidence: r.PostFormValue("evidence"),
	}
	if !slices.Contains(collection.Sures, d.Sure) {
		return d, badRequest("How sure that is can't be read", "Choose certain, likely or a guess.")
	}
	return d, nil
}

// labelTicked labels the marbles ticked with a set.
func (s *Server) labelTicked(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	ids, err := ticked(r)
	if err != nil {
		return err
	}
	d, err := decisionOf(r)
	if err != nil {
		return err
	}
	if d.SetID == "" && d.SetName == "" {
		return badRequest("No set was named", "Go back and write the name of the set, an old one or a new one.")
	}
	e, err := c.Decide(r.Context(), "", d, ids...)
	return s.edited(w, r, back(r, "/marbles"), e, err)
}

// compareTicked leads to the marbles ticked, side by side.
func (s *Server) compareTicked(w http.ResponseWriter, r *http.Request) error {
	ids, err := ticked(r)
	if err != nil {
		return err
	}
	if len(ids) > mostFaces {
		return badRequest(fmt.Sprintf("%s are too many to compare side by side", marblesInWords(len(ids))), fmt.Sprintf("Tick at most %d.", mostFaces))
	}
	http.Redirect(w, r, "/compare?"+url.Values{"m": ids}.Encode(), http.StatusSeeOther)
	return nil
}
