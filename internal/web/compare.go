package web

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"tawsight/internal/collection"
	"tawsight/internal/colour"
	"tawsight/internal/record"
)

// facesOfSet is how many typical marbles a set brings to a comparison.
const facesOfSet = 4

// From these differences on a figure is marked. A ΔE of 3 is plain to the eye
// when two colours lie side by side, but photos of one marble by other light
// differ by about as much; the shares are what busyness and translucency are
// repeated to, with room to spare.
const (
	markDE00  = 3.0
	markShare = 0.15
)

// comparedMarble is one marble of a comparison.
type comparedMarble struct {
	marbleItem
	Of      string // the set that brought it; empty for one that was chosen itself
	White   string
	Doubt   string // what makes its colours doubtful
	Without string // the address of the comparison without it
}

// cell is one figure of one marble.
type cell struct {
	Text   string
	Hex    string // a colour to show
	Marked bool   // it differs from the first marble's
	Note   string
}

// figureLine is one figure of all marbles.
type figureLine struct {
	Name  string
	Cells []cell
}

type compareData struct {
	Marbles []comparedMarble
	Lines   []figureLine
	A, B    int // places of the two under the slider
	Pair    []face
	Hidden  []choice // what the forms carry on
	Sets    []choice
	Scale   string    // classes
	Over    string    // the same for the two under the slider
	Rounds  [2]string // the radius of each of the two
	TooMany int
	Unknown int
	NoScale bool
}

// compare shows marbles and sets side by side.
func (s *Server) compare(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	ctx, q := r.Context(), r.URL.Query()
	d := compareData{B: 1}
	order := []string{}
	of := map[string]string{}
	add := func(id, set string) {
		if _, there := of[id]; !there && id != "" {
			of[id], order = set, append(order, id)
		}
	}
	for _, id := range q["m"] {
		add(id, "")
	}
	for _, id := range q["s"] {
		if id == "" {
			continue
		}
		set, err := c.Set(ctx, id)
		if err != nil {
			d.Unknown++
			continue
		}
		ids, err := typicalOf(ctx, c, id, facesOfSet)
		if err != nil {
			return err
		}
		for _, m := range ids {
			add(m, set.Name)
		}
	}
	rows, _, err := c.Find(ctx, collection.Filter{IDs: order})
	if err != nil {
		return err
	}
	d.Unknown += len(order) - len(rows)
	slices.SortFunc(rows, func(a, b collection.Row) int { return slices.Index(order, a.ID) - slices.Index(order, b.ID) })
	if len(rows) > mostFaces {
		d.TooMany = len(rows) - mostFaces
		rows = rows[:mostFaces]
	}
	items, err := itemsOf(ctx, c, rows)
	if err != nil {
		return err
	}
	for _, i := range items {
		m := comparedMarble{marbleItem: i, Of: of[i.ID]}
		sp, err := c.Specimen(ctx, i.ID)
		if err != nil {
			return s.told(err)
		}
		if len(sp.Sightings) > 0 {
			m.White, m.Doubt = whiteInWords(sp.Sightings[0])
		}
		if m.Of == "" {
			m.Without = compareAddress(without(q, "m", i.ID))
		}
		d.NoScale = d.NoScale || i.Face.NoScale
		d.Marbles = append(d.Marbles, m)
	}
	d.Lines = figureLines(d.Marbles)
	d.pair(q)
	var faces []face
	for _, m := range d.Marbles {
		faces = append(faces, m.Face)
	}
	wide, narrow, class := columnsFor(len(faces))
	d.Scale = scaleFor(faces, wide, narrow, 170) + " " + class
	for _, field := range []string{"m", "s"} {
		for _, v := range q[field] {
			d.Hidden = append(d.Hidden, choice{Value: v, Text: field})
		}
	}
	sets, err := c.Sets(ctx)
	if err != nil {
		return err
	}
	for _, v := range sets {
		if v.Members > 0 && !slices.Contains(q["s"], v.ID) {
			d.Sets = append(d.Sets, choice{Value: v.ID, Text: v.Name})
		}
	}
	return s.page(w, r, "compare.html", d)
}

// typicalOf are the most typical marbles of a set, those labelled for certain
// before the others.
func typicalOf(ctx context.Context, c *collection.Collection, set string, n int) ([]string, error) {
	rows, _, err := c.Find(ctx, collection.Filter{SetID: set, Sort: collection.ByTitle})
	if err != nil {
		return nil, err
	}
	certain, all := []string{}, []string{}
	for _, r := range rows {
		all = append(all, r.ID)
		if r.Sure == collection.Certain {
			certain = append(certain, r.ID)
		}
	}
	ids := all
	if len(certain) >= n {
		ids = certain
	}
	list, err := measuredOf(ctx, c, ids)
	if err != nil {
		return nil, err
	}
	return typical(list, n), nil
}

// without is a query with one value of a field taken out.
func without(q url.Values, field, value string) url.Values {
	v := url.Values{}
	for k, list := range q {
		if k == "m" || k == "s" {
			v[k] = slices.Clone(list)
		}
	}
	v[field] = slices.DeleteFunc(v[field], func(x string) bool { return x == value })
	return v
}

func compareAddress(q url.Values) string { return "/compare?" + q.Encode() }

// whiteInWords says where the white comes from that a face is balanced by, and
// what makes its colours doubtful.
func whiteInWords(s collection.Sighting) (source, doubt string) {
	switch s.Record.White.Source {
	case "card":
		source = "white from the card"
	case "background":
		source = "white from the paper"
	default:
		source = "no white: colours as the camera gave them"
	}
	if k := s.Record.White.CCTK; k != nil {
		source += fmt.Sprintf(", light of %.0f\u00a0K", *k)
	}
	v := s.Record.Verdict
	if s.Marble.Verdict != nil {
		v = *s.Marble.Verdict
	}
	if v.Colour == record.Good {
		return source, ""
	}
	for _, f := range append(slices.Clone(s.Marble.Flags), s.Record.Flags...) {
		if slices.Contains(f.Affects, record.AboutColour) {
			return source, f.Message
		}
	}
	return source, "its colours are " + string(v.Colour)
}

// columnsFor are the widths of a column of faces on wide and narrow screens, CSS
// pixels, and the style sheet's class for them, where so many stand side by side.
func columnsFor(n int) (wide, narrow float64, class string) {
	switch {
	case n <= 2:
		return 360, listColumn, "of-2"
	case n <= 4:
		return 230, listColumn, "of-4"
	}
	return 150, listColumn, "of-more"
}

// pair chooses the two under the slider.
func (d *compareData) pair(q url.Values) {
	for i, m := range d.Marbles {
		if m.ID == q.Get("a") {
			d.A = i
		}
		if m.ID == q.Get("b") {
			d.B = i
		}
	}
	if d.A == d.B || d.B >= len(d.Marbles) {
		d.B = 0
		if d.A == 0 {
			d.B = 1
		}
	}
	if len(d.Marbles) < 2 {
		return
	}
	d.Pair = []face{d.Marbles[d.A].Face, d.Marbles[d.B].Face}
	d.Over = scaleFor(d.Pair, 460, 330, 170)
	d.Rounds = [2]string{d.Pair[0].Half(), d.Pair[1].Half()}
	wide := math.Max(d.Pair[0].WindowMM, d.Pair[1].WindowMM)
	for i := range d.Pair {
		d.Pair[i].WindowMM = wide
	}
}

// figureLines are the figures of all marbles, with what differs from the first
// one's marked.
func figureLines(list []comparedMarble) (out []figureLine) {
	if len(list) == 0 {
		return nil
	}
	first := list[0].Row
	line := func(name string, of func(r collection.Row) cell) {
		l := figureLine{Name: name}
		for _, m := range list {
			l.Cells = append(l.Cells, of(m.Row))
		}
		out = append(out, l)
	}
	line("Diameter", func(r collection.Row) cell {
		if r.DiameterMM == nil {
			return cell{Text: "–"}
		}
		v := cell{Text: fmt.Sprintf("%.1f mm", *r.DiameterMM)}
		if r.DiameterU95MM != nil {
			v.Text = fmt.Sprintf("%.1f ± %.1f mm", *r.DiameterMM, *r.DiameterU95MM)
		}
		v.Note = inches(*r.DiameterMM)
		if r.ID != first.ID && first.DiameterMM != nil && r.DiameterU95MM != nil && first.DiameterU95MM != nil {
			v.Marked = math.Abs(*r.DiameterMM-*first.DiameterMM) > math.Hypot(*r.DiameterU95MM, *first.DiameterU95MM)
		}
		return v
	})
	line("Size class", func(r collection.Row) cell { return plainCell(r.SizeClass, first.SizeClass) })
	line("Base", func(r collection.Row) cell {
		return plainCell(strings.TrimSpace(r.BaseLook+" "+r.BaseKind), strings.TrimSpace(first.BaseLook+" "+first.BaseKind))
	})
	line("Base colour", func(r collection.Row) cell { return colourCell(r, first, r.BaseName, r.BaseLab, first.BaseLab) })
	line("Widest ribbon", func(r collection.Row) cell {
		return colourCell(r, first, r.RibbonName, r.RibbonLab, first.RibbonLab)
	})
	line("Ribbon colours", func(r collection.Row) cell { return plainCell(fmt.Sprint(r.Ribbons), fmt.Sprint(first.Ribbons)) })
	share := func(v, f *float64) cell {
		if v == nil {
			return cell{Text: "–"}
		}
		return cell{Text: fmt.Sprintf("%.0f %%", 100**v), Marked: f != nil && math.Abs(*v-*f) > markShare}
	}
	line("Translucency", func(r collection.Row) cell { return share(r.Translucency, first.Translucency) })
	line("Busyness", func(r collection.Row) cell { return share(r.Busyness, first.Busyness) })
	line("Large bubble", func(r collection.Row) cell {
		say := func(b *bool) string {
			switch {
			case b == nil:
				return "–"
			case *b:
				return "yes"
			}
			return "no"
		}
		return plainCell(say(r.Bubble), say(first.Bubble))
	})
	line("Stands as", func(r collection.Row) cell { return cell{Text: stateChip(r).Text} })
	return out
}

func plainCell(text, first string) cell {
	if text == "" || text == "–" {
		return cell{Text: "–"}
	}
	return cell{Text: text, Marked: first != "" && first != "–" && text != first}
}

func colourCell(r, first collection.Row, name string, lab, firstLab *[3]float64) cell {
	if lab == nil {
		return cell{Text: "–"}
	}
	v := cell{Text: name, Hex: colour.Hex(*lab)}
	if firstLab != nil && r.ID != first.ID {
		de := colour.DeltaE00(*lab, *firstLab)
		v.Note, v.Marked = fmt.Sprintf("ΔE %.1f from the first", de), de >= markDE00
	}
	return v
}
