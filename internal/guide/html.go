package guide

import (
	"cmp"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"

	"tawsight/internal/colour"
	"tawsight/internal/report"
)

//go:embed style.css
var style string

//go:embed index.html.tmpl
var indexTemplate string

//go:embed set.html.tmpl
var setTemplate string

var pages = template.Must(template.Must(template.New("guide").Parse(indexTemplate)).Parse(setTemplate))

// pictureView is a marble's picture as a page shows it.
type pictureView struct {
	Src, Alt     string
	Px           int
	Window, Side template.CSS
	Number       int
	Caption      string
}

// pictureOf sizes a picture by its millimetres: the style sheet says how long one
// is, so that all of a guide are drawn to one scale on any screen.
func (b *book) pictureOf(s *Set, f figure) pictureView {
	side, _ := f.sideMM()
	return pictureView{
		Src: b.picturePath(s, f.Number), Alt: f.alt(s.Label), Px: f.View.SidePX, Number: f.Number, Caption: f.caption(),
		Window: template.CSS(fmt.Sprintf("--d:%.3f", f.windowMM())), Side: template.CSS(fmt.Sprintf("--s:%.3f", side)),
	}
}

type plateView struct {
	Title, Note string
	Unscaled    bool
	Figures     []pictureView
}

type keyView struct {
	Number int
	Text   string
}

type linkView struct{ Href, Label string }

type countView struct {
	Label string
	N, Of int
	Width template.CSS
}

type traitView struct {
	Label   string
	Of      int
	Values  []countView
	NotTold string
}

type rangeView struct {
	Range
	Beside string
	Bar    template.CSS
}

type differenceView struct {
	Difference
	Gloss             string
	OwnBar, TheirsBar template.CSS
}

type lookalikeView struct {
	Href, Label, Told string
	Own, Theirs       []pictureView
	Scaled            bool // all pictures are to one scale
	Features          []differenceView
}

type paletteView struct {
	Title   string
	Colours []colourView
}

type colourView struct {
	Name, Lab, Count string
	Stripes          []template.CSS
}

func paletteOf(title string, list []report.PaletteColour) paletteView {
	out := paletteView{Title: title}
	for _, c := range list {
		v := colourView{Name: c.Name, Count: report.Plural(c.Specimens, "marble")}
		v.Lab = fmt.Sprintf("L* %.0f, a* %s, b* %s", c.Lab[0], minus(fmt.Sprintf("%.0f", c.Lab[1])), minus(fmt.Sprintf("%.0f", c.Lab[2])))
		for _, l := range c.Labs {
			v.Stripes = append(v.Stripes, template.CSS("background:"+colour.Hex(l)))
		}
		out.Colours = append(out.Colours, v)
	}
	return out
}

// bar places a range on a scale, as a share of its length.
func bar(low, high, from, to float64) template.CSS {
	if !(to > from) {
		return "left:0;width:100%"
	}
	at := func(v float64) float64 { return 100 * math.Max(0, math.Min(1, (v-from)/(to-from))) }
	return template.CSS(fmt.Sprintf("left:%.1f%%;width:%.1f%%", at(low), at(high)-at(low)))
}

// fewMarbles is how many marbles a range must rest on for it to be said how it
// lies among the others'.
const fewMarbles = 5

// place says how a set's range lies among the others', from a spread on.
func (r *Range) place() string {
	switch {
	case r.N < fewMarbles:
		return "of few marbles"
	case r.Off >= 2:
		return "far above most"
	case r.Off >= 1:
		return "above most"
	case r.Off <= -2:
		return "far below most"
	case r.Off <= -1:
		return "below most"
	}
	return ""
}

// span is the scale that two ranges are drawn on.
func (d *Difference) span() (from, to float64) {
	from, to = math.Min(d.Own[0], d.Theirs[0]), math.Max(d.Own[1], d.Theirs[1])
	room := 0.05 * (to - from)
	return from - room, to + room
}

// short is a set in a few words: what most of its marbles are.
func (s *Set) short() string {
	parts := []string{report.Sentence(s.restsOn())}
	for _, t := range s.Traits {
		// What could be told of few says little of the set.
		if 2*t.Of < len(s.Members) || t.Code != "base" && t.Code != "ribbon-colours" && t.Code != "paired" {
			continue
		}
		most := slices.MaxFunc(t.Values, func(a, b Count) int { return cmp.Compare(a.N, b.N) })
		if t.Code == "paired" {
			n := 0
			for _, v := range t.Values {
				if v.Label == sideBySideWords {
					n = v.N
				}
			}
			parts = append(parts, fmt.Sprintf("%s: %d of %d.", t.Label, n, t.Of))
			continue
		}
		parts = append(parts, fmt.Sprintf("%s: %s, %d of %d.", t.Label, most.Label, most.N, t.Of))
	}
	if len(s.SizesMM) > 0 {
		low, high := s.SizesMM[0], s.SizesMM[len(s.SizesMM)-1]
		parts = append(parts, fmt.Sprintf("%.1f to %.1f mm across.", low, high))
	}
	return strings.Join(parts, " ")
}

// cardLines are what stands below a set's face.
func (s *Set) cardLines() (out []string) {
	for _, t := range s.Traits {
		if t.Code == "base" && t.Of > 0 {
			most := slices.MaxFunc(t.Values, func(a, b Count) int { return cmp.Compare(a.N, b.N) })
			out = append(out, "base mostly "+most.Label)
		}
	}
	if n := len(s.SizesMM); n > 0 {
		out = append(out, fmt.Sprintf("%.1f to %.1f mm", s.SizesMM[0], s.SizesMM[n-1]))
	}
	text := report.Plural(len(s.Members), "marble")
	if n := s.Pictured(); n != len(s.Members) {
		text += fmt.Sprintf(", %d shown", n)
	}
	return append(out, text)
}

type cellView struct {
	Text  string
	Own   bool
	Style template.CSS
}

type rowView struct {
	Number int
	Label  string
	Cells  []cellView
}

// matrix is which set was taken for which.
func (e *Edition) matrix() (rows []rowView) {
	if e.Tested == 0 || len(e.Confusion) != len(e.Sets) {
		return nil
	}
	for i := range e.Sets {
		row := rowView{Number: i + 1, Label: e.Sets[i].Label}
		sum := 0
		for _, n := range e.Confusion[i] {
			sum += n
		}
		for j, n := range e.Confusion[i] {
			c := cellView{Own: i == j}
			if n > 0 {
				c.Text = fmt.Sprint(n)
				ink := "--wrong"
				if c.Own {
					ink = "--cell"
				}
				c.Style = template.CSS(fmt.Sprintf("--c:var(%s);--o:%.2f", ink, 0.08+0.3*math.Sqrt(float64(n)/float64(sum))))
			}
			row.Cells = append(row.Cells, c)
		}
		rows = append(rows, row)
	}
	return rows
}

// changesLead says what the list of changes is.
func (e *Edition) changesLead() string {
	switch {
	case e.Changes == nil:
		return "This is the first edition: there is nothing to compare it with."
	case len(e.Changes.Lines()) == 0:
		return fmt.Sprintf("Nothing since edition %d of %s.", e.Changes.Number, day(e.Changes.Since))
	}
	return fmt.Sprintf("Since edition %d of %s (it rested on %s, this one on %d). A range is told of where one of its ends moved by more than a quarter of it.",
		e.Changes.Number, day(e.Changes.Since), report.Plural(e.Changes.Specimens[0], "marble"), e.Changes.Specimens[1])
}

// hiddenInAll says how many marbles of the whole guide are not pictured.
func (e *Edition) hiddenInAll() string {
	all, permission := 0, 0
	for i := range e.Sets {
		all += len(e.Sets[i].Members) - e.Sets[i].Pictured()
		permission += e.Sets[i].notShown(NoPermission)
	}
	switch {
	case all == 0:
		return ""
	case permission == 0:
		return fmt.Sprintf("%s %s counted but not shown; each set’s page says why.", report.Plural(all, "marble"), areOrIs(all))
	}
	return fmt.Sprintf("%s %s counted but not shown, %d of them because there is no permission to share; each set’s page says why.", report.Plural(all, "marble"), areOrIs(all), permission)
}

// terms are what a reader may do with the guide.
func (e *Edition) terms() string {
	return cmp.Or(e.Terms, "Every picture is shown with its owner’s permission to pass it on. Ask the maker of the guide before using one for anything else.")
}

func (e *Edition) creditLines(list []Credit) (out []string) {
	for _, c := range list {
		out = append(out, c.line(e))
	}
	return out
}

func (e *Edition) footer() string {
	return fmt.Sprintf("%s. Made with %s, feature registry %d.", e.editionLine(), report.MadeByLine(e.MadeBy), e.MadeBy.Features)
}

func paragraphs(text string) (out []string) {
	for _, p := range strings.Split(strings.ReplaceAll(text, "\r\n", "\n"), "\n\n") {
		if p = strings.Join(strings.Fields(p), " "); p != "" {
			out = append(out, p)
		}
	}
	return out
}

// indexView is what the first page is made from.
func (b *book) writeIndex(w io.Writer) error {
	e := b.e
	type card struct {
		Href, Label string
		Face        *pictureView
		Lines       []string
	}
	var cards []card
	scaled := true
	for i := range e.Sets {
		s := &e.Sets[i]
		c := card{Href: b.pageOf(s), Label: s.Label, Lines: s.cardLines()}
		if s.Face >= 0 {
			v := b.pictureOf(s, b.faces[s.Label])
			v.Alt = "A typical marble of " + s.Label + ": " + s.Members[s.Face].caption()
			c.Face = &v
			scaled = scaled && b.faces[s.Label].View.MMPerPX > 0
		}
		cards = append(cards, c)
	}
	lead := fmt.Sprintf("An identification guide to %s, from %s in %s.", report.Plural(len(e.Sets), "set"), report.Plural(e.Specimens, "marble"), report.Plural(e.Photos, "photo"))
	var changes []ChangeGroup
	if e.Changes != nil {
		changes = e.Changes.Groups()
	}
	return pages.ExecuteTemplate(w, "index", map[string]any{
		"Mark": Mark, "Head": e.Title, "Style": template.CSS(style), "E": map[string]string{"Title": e.Title, "EditionLine": e.editionLine()},
		"Lead": lead, "About": paragraphs(e.About), "HowTo": howTo, "NotProof": notProof, "NotToScale": notToScale, "Counted": counted, "Cards": cards,
		"HowSure": e.howSure(), "Warnings": e.Warnings, "Matrix": e.matrix(), "ChangesLead": e.changesLead(), "Changes": changes, "Scaled": scaled,
		"Credits": e.creditLines(e.Credits), "Hidden": e.hiddenInAll(), "Terms": e.terms(), "Care": care, "Footer": e.footer(), "PDF": b.pdf,
	})
}

// writeSet writes the page of the ith set; figures are its own pictures.
func (b *book) writeSet(w io.Writer, i int, figures map[int]figure) error {
	e, s := b.e, &b.e.Sets[i]
	link := func(k int) *linkView {
		if k < 0 || k >= len(e.Sets) {
			return nil
		}
		return &linkView{b.pageOf(&e.Sets[k]), e.Sets[k].Label}
	}
	var plates []plateView
	for _, p := range s.plates(figures) {
		v := plateView{Title: p.Title, Note: p.note(), Unscaled: p.Unscaled}
		for _, f := range p.Figures {
			v.Figures = append(v.Figures, b.pictureOf(s, f))
		}
		plates = append(plates, v)
	}
	var key []keyView
	for _, m := range s.shown() {
		key = append(key, keyView{m.Number, m.key(s)})
	}
	var traits []traitView
	for _, t := range s.Traits {
		v := traitView{Label: t.Label, Of: t.Of, NotTold: t.notTold()}
		for _, c := range t.Values {
			v.Values = append(v.Values, countView{c.Label, c.N, t.Of, template.CSS(fmt.Sprintf("width:%.1f%%", 100*float64(c.N)/float64(t.Of)))})
		}
		traits = append(traits, v)
	}
	var ranges []rangeView
	for _, r := range s.Ranges {
		ranges = append(ranges, rangeView{r, r.place(), bar(r.Low, r.High, r.AllLow, r.AllHigh)})
	}
	var lookalikes []lookalikeView
	for _, l := range s.Lookalikes {
		v := lookalikeView{Label: l.Label, Told: l.told(s.Label), Scaled: true}
		if other := e.set(l.Label); other != nil {
			v.Href = b.pageOf(other)
			for _, n := range l.Theirs {
				f, err := b.pictureNumber(other, n)
				if err != nil {
					return err
				}
				v.Theirs = append(v.Theirs, b.pictureOf(other, f))
				v.Scaled = v.Scaled && f.View.MMPerPX > 0
			}
		}
		for _, n := range l.Own {
			v.Own = append(v.Own, b.pictureOf(s, figures[n]))
			v.Scaled = v.Scaled && figures[n].View.MMPerPX > 0
		}
		for _, d := range l.Features {
			from, to := d.span()
			v.Features = append(v.Features, differenceView{d, glosses[d.Feature], bar(d.Own[0], d.Own[1], from, to), bar(d.Theirs[0], d.Theirs[1], from, to)})
		}
		lookalikes = append(lookalikes, v)
	}
	data := map[string]any{
		"Mark": Mark, "Head": s.Label + " · " + e.Title, "Style": template.CSS(style), "E": map[string]string{"Title": e.Title}, "S": s,
		"Previous": link(i - 1), "Next": link(i + 1), "Note": paragraphs(s.Note), "Short": s.short(), "Plates": plates, "Hidden": s.hidden(), "Key": key,
		"Traits": traits, "SizesText": s.sizes(), "Palettes": []paletteView{paletteOf("Base", s.Base), paletteOf("Ribbons", s.Ribbons)},
		"Lookalikes": lookalikes, "Ranges": ranges, "HowSure": s.howSure(), "NotProof": notProof, "NotToScale": notToScale, "Credits": e.creditLines(s.Credits), "Footer": e.footer(),
	}
	if len(s.SizesMM) > 0 {
		data["Sizes"] = template.HTML(report.SizeDots(s.SizesMM, 330).SVG("sizes of " + s.Label + ": " + s.sizes()))
	}
	return pages.ExecuteTemplate(w, "set", data)
}
