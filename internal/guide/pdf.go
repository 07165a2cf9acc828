package guide

import (
	"cmp"
	"fmt"
	"image/color"
	"io"
	"math"
	"strings"
	"time"

	"tawsight/internal/atomicfile"
	"tawsight/internal/report"
)

// WritePDF writes the guide as one PDF, A4, with page numbers, bookmarks and
// text that can be searched. A file that is there already is replaced only where
// it is a guide.
func WritePDF(path string, e *Edition) error {
	if err := report.FreeFor(path, Mark, ErrNotAGuide); err != nil {
		return err
	}
	p := &press{book: newBook(e)}
	pages, err := p.pages()
	if err != nil {
		return err
	}
	made, err := time.Parse("2006-01-02", e.Date)
	if err != nil {
		made = time.Time{}
	}
	doc := report.Book{Title: e.Title, Author: e.Collector, Subject: "An identification guide to labelled sets of marbles. " + e.editionLine(), Mark: Mark, Made: made, Pages: pages}
	return atomicfile.Write(path, func(w io.Writer) error { return doc.Write(w) })
}

// A press lays an edition out on pages.
type press struct {
	*book
	flow
	contents []entry
}

// An entry is a line of the contents.
type entry struct {
	text, name string
	level      int
	page       int // in the body, from 0
}

func (p *press) pages() ([]*report.Canvas, error) {
	e := p.e
	figures := map[string]map[int]figure{}
	for i := range e.Sets {
		s := &e.Sets[i]
		got, err := s.fetch()
		if err != nil {
			return nil, err
		}
		figures[s.Label] = got
		if s.Face >= 0 {
			p.faces[s.Label] = got[s.Members[s.Face].Number]
		}
	}
	p.head = "The sets"
	p.part("The sets", "sets", 0)
	if err := p.cards(); err != nil {
		return nil, err
	}
	for i := range e.Sets {
		s := &e.Sets[i]
		p.head = s.Label
		p.part(s.Label, p.nameOf(s), 1)
		if err := p.set(s, figures); err != nil {
			return nil, err
		}
	}
	p.head = "How sure, what changed, credits"
	p.part("How surely the sets are told apart", "sure", 0)
	p.sure()
	p.section("What changed", "changes", 0, 60)
	p.changes()
	p.section("Credits and permissions", "credits", 0, 60)
	p.credits()

	front, err := p.front()
	if err != nil {
		return nil, err
	}
	all := append(front, p.flow.pages...)
	heads := append(make([]string, len(front)), p.heads...) // the front needs none
	for i, c := range all {
		if i == 0 {
			continue
		}
		line := report.LineInk
		for k, text := range []string{e.Title, heads[i]} {
			if lines := report.LinesOf(text, textWidth/2-12, 1, report.Regular, 7.6); len(lines) > 0 {
				c.Write(lines[0], margin+float64(k)*textWidth, 38, float64(k), report.Regular, 7.6, report.SoftInk)
			}
		}
		c.Line(margin, 44, pageWidth-margin, 44, 0.5, line)
		c.Write(fmt.Sprintf("%d of %d", i+1, len(all)), pageWidth/2, pageHeight-30, 0.5, report.Regular, 8, report.SoftInk)
	}
	return all, nil
}

func (p *press) nameOf(s *Set) string { return "set " + s.Label }

// part begins a part of the guide on a page of its own.
func (p *press) part(title, name string, level int) {
	p.fresh()
	p.section(title, name, level, 0)
}

func (p *press) section(title, name string, level int, keep float64) {
	size := 22.0
	p.heading(title, name, level, size, keep)
	p.contents = append(p.contents, entry{title, name, level, len(p.flow.pages) - 1})
}

// mostOnCover is how many lines of the collector's own words the cover has room
// for; more stand on a page of their own.
const mostOnCover = 16

// front is the cover and the contents.
func (p *press) front() ([]*report.Canvas, error) {
	e := p.e
	cover := report.NewCanvas(pageWidth, pageHeight)
	cover.Place(0, "cover", e.Title, 0)
	y := cover.Paragraph(e.editionLine(), margin, 92, textWidth, 2, report.Bold, 10.5, report.AccentInk) + 26
	size := 38.0
	for size > 20 && len(report.LinesOf(e.Title, textWidth, 0, report.Bold, size)) > 3 {
		size -= 2
	}
	y = cover.Paragraph(e.Title, margin, y+size*0.4, textWidth, 5, report.Bold, size, report.Ink) - size*0.35
	y = cover.Paragraph("An identification guide to "+e.rests()+".", margin, y+8, textWidth, 3, report.Regular, 13, report.SoftInk) + 8
	about := paragraphs(e.About)
	lines := 0
	for _, t := range about {
		lines += 1 + len(report.LinesOf(t, textWidth*0.86, 0, report.Regular, 10.5))
	}
	if lines <= mostOnCover {
		for _, t := range about {
			y = cover.Paragraph(t, margin, y, textWidth*0.86, 0, report.Regular, 10.5, report.Ink) + 6
		}
		about = nil
	}
	if err := p.tray(cover, y+14, pageHeight-130); err != nil {
		return nil, err
	}
	line := report.AccentInk
	cover.Rect(margin, pageHeight-100, 3, 26, &line, nil, 0)
	cover.Paragraph(notProof, margin+12, pageHeight-83, textWidth-12, 2, report.Bold, 11, report.Ink)
	cover.Paragraph(e.footer(), margin, pageHeight-46, textWidth, 3, report.Regular, 7.6, report.SoftInk)

	var f flow
	f.head = "Contents"
	// How many pages the contents take does not hang on the numbers in them.
	lay := func(offset int) {
		f.pages, f.heads = nil, nil
		f.fresh()
		f.heading("Contents", "contents", 0, 22, 0)
		f.y += 4
		for _, n := range p.contents {
			b := block()
			indent, weight := 0.0, report.Bold
			if n.level > 0 {
				indent, weight = 14, report.Regular
			}
			number := fmt.Sprint(n.page + offset + 1)
			end := b.Paragraph(n.text, indent, 10, textWidth-indent-40, 2, weight, pdfBody, report.Ink)
			b.Write(number, textWidth, 10, 1, weight, pdfBody, report.Ink)
			b.SetHeight(end - 10*0.32)
			from := indent + report.TextWidth(report.LinesOf(n.text, textWidth-indent-40, 2, weight, pdfBody)[0], weight, pdfBody) + 6
			b.Line(from, 8.6, textWidth-report.TextWidth(number, weight, pdfBody)-6, 8.6, 0.7, report.LineInk, 0.8, 2.6)
			b.Link(0, 0, textWidth, b.Height(), n.name)
			f.put(b, 3.5)
		}
	}
	after := func() {
		f.y += 10
		f.heading("How to use this guide", "use", 0, 22, 120)
		f.use()
		if len(about) > 0 {
			f.heading("In the collector’s words", "about", 0, 22, 60)
			for _, t := range about {
				f.text(t, pdfBody, report.Ink, 6)
			}
		}
	}
	lay(0)
	after()
	n := 1 + len(f.pages) // where the body begins
	lay(n)
	after()
	return append([]*report.Canvas{cover}, f.pages...), nil
}

// tray lays the sets' faces out as marbles lie in a tray, to one scale, as many
// as there is room for.
func (p *press) tray(c *report.Canvas, top, bottom float64) error {
	var faces []figure
	sum := 0.0
	for i := range p.e.Sets {
		if f, ok := p.faces[p.e.Sets[i].Label]; ok {
			faces = append(faces, f)
			sum = math.Max(sum, f.windowMM())
		}
	}
	if len(faces) == 0 || bottom-top < 80 {
		return nil
	}
	// The largest scale at which all fit, at most three times life size.
	const gap = 14.0
	perRow := func(scale float64) int { return max(1, int((textWidth+gap)/(sum*scale+gap))) }
	scale := 3 * 72 / 25.4
	for scale > 2 && float64((len(faces)+perRow(scale)-1)/perRow(scale))*(sum*scale+gap) > bottom-top {
		scale *= 0.97
	}
	n := perRow(scale)
	lines := (len(faces) + n - 1) / n
	n = (len(faces) + lines - 1) / lines
	cell := sum*scale + gap
	y := top + (bottom-top-float64(lines)*cell)/2
	for i, f := range faces {
		in := min(n, len(faces)-i/n*n)
		x := margin + textWidth/2 + (float64(i%n)-float64(in-1)/2)*cell
		if err := c.Picture(f.View, x, y+(float64(i/n)+0.5)*cell, scale, f.alt("")); err != nil {
			return err
		}
	}
	return nil
}

func (p *flow) use() {
	for i, t := range howTo {
		p.item(t, fmt.Sprintf("%d.", i+1), pdfBody)
	}
	p.y += 6
	p.warning(notProof)
	p.text(fmt.Sprintf("In this PDF every marble of every set is printed at %g times life size, when it is printed at 100 %% on A4 paper.", lifeSize), pdfBody, report.Ink, 8)
	p.text(counted, pdfBody, report.SoftInk, 10)
	p.heading("With care", "care", 1, 14, 40)
	for _, t := range care {
		p.item(t, "", pdfBody)
	}
}

// cards are the sets with a face each, three in a row.
func (p *press) cards() error {
	const perRow, gap = 3, 14.0
	w := (textWidth - (perRow-1)*gap) / perRow
	largest := 60.0
	for _, f := range p.faces {
		largest = math.Max(largest, f.windowMM()*pdfScale)
	}
	p.y += 6
	for i := 0; i < len(p.e.Sets); i += perRow {
		row := block()
		h := 0.0
		type cell struct{ c *report.Canvas }
		var cells []cell
		for k := i; k < min(i+perRow, len(p.e.Sets)); k++ {
			s := &p.e.Sets[k]
			c := report.NewCanvas(w, 0)
			if f, ok := p.faces[s.Label]; ok {
				if err := c.Picture(f.View, w/2, 12+largest/2, pdfScale, f.alt(s.Label)); err != nil {
					return err
				}
			} else {
				line := report.SoftInk
				c.Circle(w/2, 12+largest/2, 30, nil, &line, 0.6)
				c.Centred("none may be shown", w/2, 12+largest/2, 50, 2, report.Regular, 7, report.SoftInk)
			}
			y := c.Paragraph(s.Label, 12, largest+34, w-24, 3, report.Bold, 11, report.Ink) + 1
			for _, l := range s.cardLines() {
				y = c.Paragraph(l, 12, y, w-24, 2, report.Regular, 8.6, report.SoftInk)
			}
			c.SetHeight(y)
			h = math.Max(h, y)
			cells = append(cells, cell{c})
		}
		for k, c := range cells {
			x := float64(k) * (w + gap)
			line, fill := report.LineInk, report.White
			row.Rect(x, 0, w, h, &fill, &line, 0.8)
			row.Put(c.c, x, 0)
			row.Link(x, 0, w, h, p.nameOf(&p.e.Sets[i+k]))
		}
		row.SetHeight(h)
		p.put(row, gap)
	}
	return nil
}

// set is all of one set.
func (p *press) set(s *Set, figures map[string]map[int]figure) error {
	for _, t := range paragraphs(s.Note) {
		p.text(t, 11, report.Ink, 4)
	}
	p.text(s.short(), pdfBody, report.SoftInk, 8)
	for _, w := range s.Warnings {
		p.warning(w)
	}
	plates := s.plates(figures[s.Label])
	if len(plates) == 0 {
		p.text("No marble of this set is shown.", pdfBody, report.Ink, 6)
	}
	for _, pl := range plates {
		list, err := rows(s.Label, pl.Figures, textWidth)
		if err != nil {
			return err
		}
		b := block()
		title := cmp.Or(pl.Title, "Plate")
		b.Write(title, 0, 11, 0, report.Bold, 12, report.Ink)
		b.Write(pl.note(), report.TextWidth(title, report.Bold, 12)+10, 11, 0, report.Regular, pdfSmall, report.SoftInk)
		if !pl.Unscaled {
			scaleBar(b, textWidth-75, 5)
		}
		b.SetHeight(18)
		p.need(18 + list[0].Height())
		p.put(b, 0)
		for i, r := range list {
			above, below := 4.0, 4.0
			if i == 0 {
				above = 12
			}
			if i == len(list)-1 {
				below = 9
			}
			p.put(onTray(r, above, below), 0)
		}
		p.y += 12
	}
	for _, h := range s.hidden() {
		p.text(h, 9, report.SoftInk, 2)
	}
	p.key(s)
	if len(s.Credits) > 0 {
		p.text("Credits of pictures. "+strings.Join(p.e.creditLines(s.Credits), " "), pdfSmall, report.SoftInk, 4)
	}
	p.heading("What its marbles have", "", -1, 14, 60)
	p.traits(s)
	p.heading("Sizes", "", -1, 14, 120)
	p.text(s.sizes(), pdfBody, report.Ink, 4)
	if len(s.SizesMM) > 0 {
		p.put(report.SizeDots(s.SizesMM, textWidth), 4)
	}
	p.heading("Colours", "", -1, 14, 120)
	p.palette("Base", s.Base)
	p.palette("Ribbons", s.Ribbons)
	p.text("Under each photo’s own white; names of the ISCC-NBS system, figures CIELAB. A swatch’s stripes are all that were found. Of clear glass, the base is what is seen through it.", pdfSmall, report.SoftInk, 4)
	p.heading("How sure", "", -1, 14, 40)
	p.text(s.howSure()+" "+notProof, pdfBody, report.Ink, 4)
	p.heading("What it is taken for", "", -1, 14, 290)
	if len(s.Lookalikes) == 0 {
		p.text("There is no other set that it could be taken for.", pdfBody, report.Ink, 4)
	}
	for i := range s.Lookalikes {
		if err := p.lookalike(s, &s.Lookalikes[i], figures); err != nil {
			return err
		}
	}
	p.heading("Usual ranges", "", -1, 14, 80)
	p.text("What sets are compared by, that in which this set differs most from the others first; the small figure is of how many marbles. The bar is this set’s range on the span of all sets.", pdfSmall, report.SoftInk, 4)
	p.ranges(s)
	return nil
}

// key says what the numbers on the plates are, in two columns.
func (p *press) key(s *Set) {
	const size, columns, gap = 7.6, 3, 12.0
	w := (textWidth - (columns-1)*gap) / columns
	list := s.shown()
	p.y += 4
	for i := 0; i < len(list); i += columns {
		b := block()
		h := 0.0
		for k, m := range list[i:min(i+columns, len(list))] {
			x := float64(k) * (w + gap)
			b.Write(fmt.Sprint(m.Number), x+12, size, 1, report.Bold, size, report.Ink)
			h = math.Max(h, b.Paragraph(m.key(s), x+17, size, w-17, 2, report.Regular, size, report.SoftInk)-size*0.75)
		}
		b.SetHeight(h)
		p.put(b, 1.5)
	}
	p.y += 4
}

const traitColumn = 136.0

func (p *press) traits(s *Set) {
	const size, line = 9.2, 13.0
	for _, t := range s.Traits {
		b := block()
		rule := report.LineInk
		b.Line(0, 0, textWidth, 0, 0.5, rule)
		left := b.Paragraph(t.Label, 0, 13, traitColumn-12, 3, report.Bold, size, report.Ink)
		y := 13.0
		for _, v := range t.Values {
			b.Write(v.Label, traitColumn, y, 0, report.Regular, size, report.Ink)
			const x, w = traitColumn + 116, 130.0
			ground, fill := color.NRGBA{0xef, 0xe9, 0xdd, 0xff}, report.AccentInk
			b.Rect(x, y-6, w, 6, &ground, nil, 0)
			b.Rect(x, y-6, w*float64(v.N)/float64(t.Of), 6, &fill, nil, 0)
			b.Write(fmt.Sprintf("%d of %d", v.N, t.Of), x+w+10, y, 0, report.Regular, size, report.Ink)
			y += line
		}
		if t.Of == 0 {
			b.Write("could not be told of any", traitColumn, y, 0, report.Regular, size, report.Ink)
			y += line
		}
		if text := t.notTold(); text != "" {
			y = b.Paragraph("not told: "+text, traitColumn, y-1, textWidth-traitColumn, 4, report.Regular, 7.8, report.SoftInk) + 1
		}
		b.SetHeight(math.Max(left, y) - 6)
		p.put(b, 0)
	}
	p.y += 4
}

// palette puts swatches, a few rows at a time.
func (p *press) palette(title string, list []report.PaletteColour) {
	const atOnce = 15
	if len(list) == 0 {
		p.text(title+": none measured", 9, report.SoftInk, 4)
	}
	for i := 0; i < len(list); i += atOnce {
		name := title
		if i > 0 {
			name += ", continued"
		}
		p.put(report.PaletteChart(name, list[i:min(i+atOnce, len(list))], textWidth), 4)
	}
}

// tag is a set's mark in a comparison: whole or striped.
func tag(c *report.Canvas, nth int, x, y float64) { c.SetBar(nth, x, y-6.5, 8, 7) }

func (p *press) lookalike(s *Set, l *Lookalike, figures map[string]map[int]figure) error {
	const gap = 16.0
	half := (textWidth - gap) / 2
	scaled := true
	panel := func(nth int, set *Set, numbers []int) (*report.Canvas, error) {
		c := report.NewCanvas(half, 0)
		tag(c, nth, 0, 10)
		y := c.Paragraph(set.Label, 14, 10, half-14, 2, report.Bold, 9.6, report.SetInk(nth)) - 2
		var list []figure
		for _, n := range numbers {
			if f, ok := figures[set.Label][n]; ok {
				list = append(list, f)
				scaled = scaled && f.View.MMPerPX > 0
			}
		}
		lines, err := rows(set.Label, list, half)
		if err != nil {
			return nil, err
		}
		for _, r := range lines {
			c.Put(r, 0, y)
			y += r.Height() + 4
		}
		if len(list) == 0 {
			y = c.Paragraph("none may be shown", 14, y+8, half-14, 1, report.Regular, pdfSmall, report.SoftInk)
		}
		c.SetHeight(y)
		return c, nil
	}
	other := p.e.set(l.Label)
	if other == nil {
		return nil
	}
	a, err := panel(0, s, l.Own)
	if err != nil {
		return err
	}
	b, err := panel(1, other, l.Theirs)
	if err != nil {
		return err
	}
	told := report.LinesOf(l.told(s.Label), textWidth, 0, report.Regular, pdfBody)
	p.need(30 + float64(len(told))*pdfBody*pdfLeading + math.Max(a.Height(), b.Height()))
	head := block()
	head.SetHeight(head.Paragraph(l.Label, 0, 13, textWidth, 2, report.Bold, 11.5, report.Ink) - 9)
	head.Link(0, 2, textWidth, head.Height()-4, p.nameOf(other))
	p.put(head, 0)
	p.text(l.told(s.Label), pdfBody, report.Ink, 4)
	both := block()
	both.Put(a, 0, 0)
	both.Put(b, half+gap, 0)
	both.SetHeight(math.Max(a.Height(), b.Height()))
	p.put(both, 2)
	foot := block()
	text, w := "Those of each set that are most like the other’s; numbers as on the sets’ own plates.", 0.0
	if scaled {
		w = scaleBar(foot, 0, 3) + 12
	} else {
		text += " " + notToScale
	}
	foot.SetHeight(foot.Paragraph(text, w, 8, textWidth-w, 2, report.Regular, 7.6, report.SoftInk) - 4)
	p.put(foot, 4)
	if len(l.Features) == 0 {
		p.text("Nothing that was measured tells them apart: their middles differ by less than 0.8 of the spread within a set.", pdfBody, report.Ink, 6)
	}
	var lines []*report.Canvas
	high := 0.0
	for _, d := range l.Features {
		c := d.line()
		lines = append(lines, c)
		high += c.Height()
	}
	p.need(high)
	for _, c := range lines {
		p.put(c, 0)
	}
	p.y += 10
	return nil
}

// line draws a difference: both ranges in words and on one scale.
func (d *Difference) line() *report.Canvas {
	c := block()
	c.Line(0, 0, textWidth, 0, 0.5, report.LineInk)
	const size = 9.0
	y := c.Paragraph(d.Label, 0, 12, traitColumn-8, 2, report.Bold, size, report.Ink)
	if g := glosses[d.Feature]; g != "" {
		y = c.Paragraph(g, 0, y-1, traitColumn-8, 3, report.Regular, 7.4, report.SoftInk)
	}
	from, to := d.span()
	const x, w = traitColumn + 190, textWidth - traitColumn - 190
	at := func(v float64) float64 { return x + w*(v-from)/(to-from) }
	for nth, r := range [][2]float64{d.Own, d.Theirs} {
		line := 12 + float64(nth)*13
		tag(c, nth, traitColumn, line)
		c.Paragraph([]string{d.OwnText, d.TheirsText}[nth], traitColumn+14, line, 170, 1, report.Regular, size, report.Ink)
		c.Line(x, line-3, x+w, line-3, 0.5, report.LineInk)
		if to > from {
			c.SetBar(nth, at(r[0]), line-6.5, math.Max(1.5, at(r[1])-at(r[0])), 7)
		}
	}
	c.SetHeight(math.Max(y-6, 31))
	return c
}

// ranges are the usual ranges, a line each.
func (p *press) ranges(s *Set) {
	const size, small = 8.6, 7.2
	const label, text, beside, n, bar = 0.0, 238.0, 336.0, 396.0, 404.0
	head := block()
	head.Write("measured", label, 8, 0, report.Regular, small, report.SoftInk)
	head.Write("usual range", text, 8, 0, report.Regular, small, report.SoftInk)
	head.Write("among all sets", beside, 8, 0, report.Regular, small, report.SoftInk)
	head.SetHeight(11)
	p.put(head, 0)
	for _, r := range s.Ranges {
		c := block()
		c.Line(0, 0, textWidth, 0, 0.5, report.LineInk)
		y := c.Paragraph(r.Label, label, 10.5, text-10, 1, report.Bold, size, report.Ink) - size*1.3
		if r.Gloss != "" {
			x := report.TextWidth(r.Label, report.Bold, size) + 7
			if report.TextWidth(r.Gloss, report.Regular, small) <= text-10-x {
				c.Write(r.Gloss, x, 10.5, 0, report.Regular, small, report.SoftInk)
			} else {
				y = c.Paragraph(r.Gloss, label, 19.5, text-10, 2, report.Regular, small, report.SoftInk) - small*1.3
			}
		}
		y = math.Max(y, c.Paragraph(r.Text, text, 10.5, beside-text-6, 2, report.Regular, size, report.Ink)-size*1.3)
		c.Write(r.place(), beside, 10.5, 0, report.Regular, small, report.SoftInk)
		c.Write(fmt.Sprint(r.N), n, 10.5, 1, report.Regular, small, report.SoftInk)
		const w = textWidth - bar
		c.Line(bar, 7.5, bar+w, 7.5, 0.8, report.LineInk)
		fill := report.AccentInk
		if r.AllHigh > r.AllLow {
			a, b := (r.Low-r.AllLow)/(r.AllHigh-r.AllLow), (r.High-r.AllLow)/(r.AllHigh-r.AllLow)
			c.Rect(bar+w*a, 4.2, math.Max(1.5, w*(b-a)), 6.6, &fill, nil, 0)
		}
		c.SetHeight(y + 4.5)
		p.put(c, 0)
	}
	p.y += 4
}

// sure is how surely the sets are told apart.
func (p *press) sure() {
	e := p.e
	p.text(e.howSure(), pdfBody, report.Ink, 8)
	for _, w := range e.Warnings {
		p.warning(w)
	}
	m := e.matrix()
	if m == nil {
		return
	}
	p.text("A row is the set that marbles are of, a column the set they were taken for, under its number; framed: rightly placed.", pdfSmall, report.SoftInk, 6)
	const labels = 170.0
	cell := math.Min(30, (textWidth-labels)/float64(len(m)))
	head := block()
	for j := range m {
		head.Write(fmt.Sprint(j+1), labels+(float64(j)+0.5)*cell, 9, 0.5, report.Bold, 8, report.SoftInk)
	}
	head.SetHeight(13)
	p.put(head, 0)
	for i, r := range m {
		b := block()
		lines := report.LinesOf(fmt.Sprintf("%d  %s", r.Number, r.Label), labels-10, 2, report.Regular, 9)
		h := math.Max(cell, float64(len(lines))*11+4)
		for k, l := range lines {
			b.Write(l, 0, h/2+3+(float64(k)-float64(len(lines)-1)/2)*11, 0, report.Regular, 9, report.Ink)
		}
		sum := 0
		for _, n := range e.Confusion[i] {
			sum += n
		}
		for j, c := range r.Cells {
			x := labels + float64(j)*cell
			fill := report.White
			if c.Text != "" {
				to := report.SetInk(1)
				if c.Own {
					to = report.AccentInk
				}
				k := 0.08 + 0.3*math.Sqrt(float64(e.Confusion[i][j])/float64(sum))
				mix := func(v uint8) uint8 { return uint8(255 + (float64(v)-255)*k) }
				fill = color.NRGBA{mix(to.R), mix(to.G), mix(to.B), 0xff}
			}
			line, frame := report.LineInk, report.Ink
			b.Rect(x, 0, cell, h, &fill, &line, 0.6)
			if c.Own {
				b.Rect(x+1, 1, cell-2, h-2, nil, &frame, 0.9)
			}
			if c.Text != "" {
				b.Write(c.Text, x+cell/2, h/2+3.2, 0.5, report.Regular, math.Min(9, cell/2.2), report.Ink)
			}
		}
		b.SetHeight(h)
		p.put(b, 0)
	}
	p.y += 10
}

func (p *press) changes() {
	p.text(p.e.changesLead(), pdfBody, report.Ink, 6)
	if p.e.Changes == nil {
		return
	}
	for _, g := range p.e.Changes.Groups() {
		p.heading(g.Title, "", -1, 12, 30)
		for _, l := range g.Lines {
			p.item(l, "", pdfBody)
		}
	}
}

func (p *press) credits() {
	e := p.e
	for _, l := range e.creditLines(e.Credits) {
		p.item(l, "", pdfBody)
	}
	if len(e.Credits) == 0 {
		p.text("No picture is shown in this guide.", pdfBody, report.Ink, 4)
	}
	if h := e.hiddenInAll(); h != "" {
		p.text(h, pdfBody, report.Ink, 6)
	}
	p.text(e.terms(), pdfBody, report.Ink, 6)
	p.text(e.footer(), pdfSmall, report.SoftInk, 0)
}
