package web

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"math"
	"net/http"
	"os"
	"slices"
	"strings"
	"time"

	"tawsight/features"
	"tawsight/internal/bundle"
	"tawsight/internal/collection"
	"tawsight/internal/pipeline"
	"tawsight/internal/record"
	"tawsight/internal/refset"
	"tawsight/internal/report"
)

// colourLine is one of a marble's colours.
type colourLine struct {
	Hex, Name, Part, More string
}

// marbleFigure is one feature of a marble.
type marbleFigure struct {
	Label, Meaning, Disturbed string
	Value                     string // with its unit; empty where absent
	Sure                      float64
	SureKnown, Unsure         bool
	Why                       string // absent because
}

// likely is a set and how likely it is.
type likely struct {
	Name string
	P    float64
}

// opinionView is what the comparison says of a marble.
type opinionView struct {
	collection.Opinion
	Chip    chip
	Sets    []likely
	Reasons []string
	Next    string // what would settle it
}

// happening is one line of a marble's history.
type happening struct {
	Made, Who, Text string
	Kind            string // opinion or edit
	Undo            int64  // the edit that can be undone; 0 for none
	Redo            bool   // it undid another, so that undoing it brings that back
	Undone          bool
}

// marbleData fills marble.html.
type marbleData struct {
	collection.Specimen
	Best      collection.Sighting
	Chip      chip
	Number    int
	Size      string // empty where there is none
	PlusMinus string
	Range     string
	Inch      string
	SizeClass string
	WhyNoSize string
	Swatches  []colourLine
	Bubble    string
	Glow      string
	Figures   []marbleFigure
	Key       []marbleFigure // of these, the shares that say most at a glance
	Budget    []record.BudgetLine
	Opinion   *opinionView
	Flags     []record.Flag
	HasSheet  bool
	CanSheet  bool // may be drawn
	History   []happening
	Sets      []collection.Set
	Sures     []collection.Sure
	Grades    []string
	Permitted []refset.Permission
	People    []collection.Contributor
	TagsText  string
	OwnCredit string // the marble's own, not its photo's
}

func (s *Server) marble(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	c, err := s.collection()
	if err != nil {
		return err
	}
	v, err := c.Specimen(ctx, r.PathValue("id"))
	if err != nil {
		return err
	}
	if v.MergedInto != "" {
		to := "/marbles/" + v.MergedInto
		if r.URL.RawQuery != "" {
			to += "?" + r.URL.RawQuery
		}
		http.Redirect(w, r, to, http.StatusSeeOther)
		return nil
	}
	if len(v.Sightings) == 0 {
		return notFound("Nothing was measured of that marble")
	}
	data := marbleData{Specimen: v, Best: v.Sightings[0], Chip: stateChip(v.Row), Grades: collection.Grades, Permitted: refset.Permissions,
		Sures: collection.Sures, TagsText: strings.Join(v.Tags, ", ")}
	data.measured(data.Best)
	if len(v.Opinions) > 0 {
		data.Opinion = newOpinionView(v.Opinions[0])
	}
	if _, err := c.Sheet(ctx, data.Best.FigureID); err == nil {
		data.HasSheet = true
	} else if !errors.Is(err, collection.ErrNotFound) {
		return err
	}
	data.CanSheet = len(data.Best.Marble.Features) > 0
	data.History = historyOf(v)
	if data.Sets, err = c.Sets(ctx); err != nil {
		return err
	}
	if data.People, err = c.Contributors(ctx); err != nil {
		return err
	}
	if v.ContributorID != "" {
		data.OwnCredit = v.Contributor
	}
	return s.page(w, r, "marble.html", data)
}

// measured fills in what the best sighting says.
func (d *marbleData) measured(g collection.Sighting) {
	m := g.Marble
	if m.DiameterMM != nil {
		d.Size = fmt.Sprintf("%.2f", *m.DiameterMM)
		if u := m.DiameterU95MM; u != nil {
			d.PlusMinus = fmt.Sprintf("%.2f", *u)
			d.Range = fmt.Sprintf("%.2f to %.2f mm", *m.DiameterMM-*u, *m.DiameterMM+*u)
		}
	} else {
		d.WhyNoSize = whyNoSize(g)
	}
	d.Inch, d.SizeClass = m.DiameterIn, m.SizeClass
	left := 1.0
	ribbons := slices.Clone(m.Ribbons)
	slices.SortStableFunc(ribbons, func(a, b record.Ribbon) int { return cmp.Compare(b.AreaFraction, a.AreaFraction) })
	for _, rb := range ribbons {
		left -= rb.AreaFraction
	}
	if b := m.Base; b != nil {
		more := b.Kind
		if b.Tinted {
			more = "tinted, " + more
		}
		d.Swatches = append(d.Swatches, colourLine{report.Hex(b.Lab), b.Name, "base", more + ", " + report.PercentText(max(0, left)) + " of the face"})
	}
	for _, rb := range ribbons {
		more := report.PercentText(rb.AreaFraction) + " of the face"
		if rb.WidthMM != nil {
			more += fmt.Sprintf(", %.1f mm wide", *rb.WidthMM)
		}
		d.Swatches = append(d.Swatches, colourLine{report.Hex(rb.Lab), rb.Name, "ribbon", more})
	}
	if b := m.Bubble; b != nil && b.Present {
		d.Bubble = "A large bubble near the middle"
		if b.DiameterMM != nil {
			d.Bubble += fmt.Sprintf(", about %.1f mm", *b.DiameterMM)
		}
		d.Bubble += "."
	}
	for _, s := range d.Sightings {
		if k := s.Marble.Glow; k != nil {
			d.Glow = "Under ultraviolet light: no glow."
			if k.Share >= 0.02 && k.Lab != nil { // as in the report
				d.Glow = fmt.Sprintf("Under ultraviolet light: glows %s over %.0f %% of its face.", k.Name, 100*k.Share)
			}
			break
		}
	}
	if len(m.Features)+len(m.FeaturesAbsent) > 0 {
		for _, f := range features.All() {
			line := marbleFigure{Label: f.Label, Meaning: f.Meaning, Disturbed: f.Disturbed}
			if value, ok := m.Features[f.Name]; ok {
				line.Value = report.FigureText(f, value)
				line.Sure, line.SureKnown = m.FeaturesSure[f.Name]
				line.Unsure = line.SureKnown && line.Sure < record.UnsureBelow
			} else if line.Why = m.FeaturesAbsent[f.Name]; line.Why == "" {
				line.Why = "not measured"
			}
			d.Figures = append(d.Figures, line)
			if (f.Name == "translucency" || f.Name == "busyness") && line.Value != "" {
				d.Key = append(d.Key, line)
			}
		}
	}
	d.Budget = slices.Clone(m.Budget)
	slices.SortStableFunc(d.Budget, func(a, b record.BudgetLine) int { return cmp.Compare(b.UMM, a.UMM) })
	d.Flags = append(slices.Clone(m.Flags), g.Record.Flags...)
}

// whyNoSize is why there is no diameter, in a few words.
func whyNoSize(g collection.Sighting) string {
	for _, flags := range [][]record.Flag{g.Marble.Flags, g.Record.Flags} {
		for _, f := range flags {
			if f.Severity == record.Fail && slices.Contains(f.Affects, record.AboutSize) {
				return f.Message
			}
		}
	}
	if g.Record.Scale.Source == "" || g.Record.Scale.Source == "none" {
		return "the photo has no scale"
	}
	return "the outline could not be seen well enough"
}

func newOpinionView(o collection.Opinion) *opinionView {
	v := &opinionView{Opinion: o}
	switch o.Status {
	case "assigned":
		v.Chip = chip{"like " + o.Set, "assigned"}
	case "doubtful":
		v.Chip = chip{"between two sets", "doubtful"}
	case "unlike-any":
		v.Chip = chip{"unlike any of your sets", "unlike-any"}
	default:
		v.Chip = chip{"could not be compared", ""}
	}
	if o.Set != "" && o.Status != "unlike-any" {
		v.Sets = append(v.Sets, likely{o.Set, o.P})
		if o.Next != "" {
			v.Sets = append(v.Sets, likely{o.Next, o.NextP})
		}
	}
	if o.Status == "unlike-any" && o.Set != "" {
		v.Reasons = append(v.Reasons, "The nearest is "+o.Set+", but not near enough.")
	}
	if a := o.Attribution; a != nil {
		for _, why := range a.Reasons {
			v.Reasons = append(v.Reasons, sentence(report.ReasonText(why)))
		}
		v.Next = sentence(a.Next)
	}
	return v
}

// opinionText is an opinion in one line.
func opinionText(o collection.Opinion) string {
	switch o.Status {
	case "assigned":
		return fmt.Sprintf("compared: like %s (%s)", o.Set, report.PercentText(o.P))
	case "doubtful":
		return fmt.Sprintf("compared: between %s (%s) and %s (%s)", o.Set, report.PercentText(o.P), o.Next, report.PercentText(o.NextP))
	case "unlike-any":
		return "compared: unlike any set"
	}
	return "could not be compared: " + o.WhyNot
}

// historyOf is all that happened to a marble, the latest first.
func historyOf(v collection.Specimen) []happening {
	var out []happening
	for _, e := range v.Edits {
		m := happening{Made: e.Made, Who: e.Who, Text: e.Text, Kind: "edit", Undone: e.UndoneBy != 0}
		if e.UndoneBy == 0 {
			m.Undo, m.Redo = e.Seq, e.What == "undo"
		}
		out = append(out, m)
	}
	for _, o := range v.Opinions {
		out = append(out, happening{Made: o.Made, Who: "the comparison", Text: opinionText(o), Kind: "opinion"})
	}
	for _, g := range v.Sightings {
		out = append(out, happening{Made: g.Measured, Who: "Tawsight " + g.Record.MadeBy.Tawsight, Text: fmt.Sprintf("measured in %s, marble %d", g.PhotoName, g.Number), Kind: "measured"})
	}
	slices.SortStableFunc(out, func(a, b happening) int { return cmp.Compare(b.Made, a.Made) })
	return out
}

// drawSheets draws the explanation sheets of a photo's marbles and keeps them.
func (s *Server) drawSheets(r *http.Request, c *collection.Collection, sha, figure string) error {
	s.drawing.Lock()
	defer s.drawing.Unlock()
	ctx := r.Context()
	if _, err := c.Sheet(ctx, figure); !errors.Is(err, collection.ErrNotFound) {
		return err // drawn meanwhile, or a fault
	}
	p, err := c.Photo(ctx, sha)
	if err != nil {
		return err
	}
	cannot := func(why, advice string) error {
		return problem{status: http.StatusConflict, what: why, advice: advice}
	}
	if !slices.Contains(p.Figures, figure) {
		return cannot("These numbers are of an earlier measurement", "The sheet can be drawn of the latest one only.")
	}
	path := ""
	for _, at := range p.Places {
		if _, err := os.Stat(at); err == nil {
			if sum, err := bundle.FileSHA256(at); err == nil && sum == sha {
				path = at
				break
			}
		}
	}
	if path == "" {
		return cannot("The photo is no longer where it was", "The sheet is drawn from the photo itself. Put the photo back, or add it again from where it is now; then try again.")
	}
	if p.Record.MadeBy != pipeline.MadeBy() {
		return cannot("An earlier version measured this marble", "The sheet can be drawn by the version that measured it only. Add the photo again to measure it with this version.")
	}
	rec, sheets, err := pipeline.Sheets(ctx, path, p.CheckBarMM, pipeline.RulersOf(p.Ruler, s.desk.Cameras()))
	if err != nil {
		return err
	}
	if rec.Scale.CameraProfile != p.Record.Scale.CameraProfile {
		return cannot("What is known of the camera has changed since", "The sheet would show other numbers than these: the photo was measured with another camera profile, or without one.")
	}
	if rec.Error != "" || len(sheets) == 0 || len(sheets) != len(p.Figures) {
		return cannot("No sheet can be drawn of this marble", "Its photo gives no figures to explain.")
	}
	for i, png := range sheets {
		if err := c.KeepSheet(ctx, p.Figures[i], png); err != nil {
			return err
		}
	}
	return nil
}

// why shows how a marble's numbers came about; the sheet is drawn the first time
// somebody asks.
func (s *Server) why(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	c, err := s.collection()
	if err != nil {
		return err
	}
	v, err := c.Specimen(ctx, r.PathValue("id"))
	if err != nil {
		return err
	}
	if len(v.Sightings) == 0 {
		return notFound("Nothing was measured of that marble")
	}
	best := v.Sightings[0]
	if err := s.drawSheets(r, c, best.Photo, best.FigureID); err != nil {
		return err
	}
	return s.page(w, r, "why.html", map[string]any{"ID": v.ID, "Title": v.Title, "Figure": best.FigureID, "Photo": best.PhotoName, "Number": best.Number})
}

func (s *Server) sheet(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	png, err := c.Sheet(r.Context(), r.PathValue("figure"))
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "image/png")
	w.Header().Set("Cache-Control", keepFor)
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(png))
	return nil
}

// candidate is a marble that another may be the same as.
type candidate struct {
	collection.Row
	Chip  chip
	Apart string // how far its size is from the marble's
}

// sameMarble lists marbles for the reader to pick the one that is the same.
func (s *Server) sameMarble(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	c, err := s.collection()
	if err != nil {
		return err
	}
	v, err := c.Specimen(ctx, r.PathValue("id"))
	if err != nil {
		return err
	}
	words := r.URL.Query().Get("words")
	f := collection.Filter{Words: words, Sort: collection.BySize}
	if base := v.Row.BaseLab; words == "" && base != nil {
		// Without a word, those whose size and base are much the same.
		f.Colour = &collection.ColourNear{Lab: *base, DE00: 8, Part: "base"}
		if mm := v.Row.DiameterMM; mm != nil {
			f.MinMM, f.MaxMM = *mm-0.6, *mm+0.6
		}
		f.Sort = collection.ByColour
	}
	f.Limit = 200
	rows, _, err := c.Find(ctx, f)
	if err != nil {
		return err
	}
	beside := map[string]bool{}
	for _, g := range v.Sightings {
		beside[g.Photo] = true
	}
	var list []candidate
	for _, row := range rows {
		// What lies beside it in a photo is another marble.
		if row.ID == v.ID || beside[row.Photo] {
			continue
		}
		k := candidate{Row: row, Chip: stateChip(row)}
		if row.DiameterMM != nil && v.Row.DiameterMM != nil {
			k.Apart = fmt.Sprintf("%.2f mm apart in size", math.Abs(*row.DiameterMM-*v.Row.DiameterMM))
		}
		list = append(list, k)
		if len(list) == 40 {
			break
		}
	}
	return s.page(w, r, "same.html", map[string]any{"ID": v.ID, "Title": v.Title, "Row": v.Row, "Words": words, "List": list})
}
