package report

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strings"
)

//go:embed plate.html.tmpl
var platePage string

var plateTemplate = template.Must(template.New("plate").Parse(platePage))

// platePagePX is the diameter, CSS pixels, of the largest window in a page.
const platePagePX = 176.0

type plateGroup struct {
	Alone              bool // the marble in question
	Set                int
	Key, Label, Chance string
	Width              template.CSS
	Figures            []plateFigure
}

type plateFigure struct {
	Set            int
	Name, Alt      string
	Lines          []string
	Picture        template.URL
	Window, Inside template.CSS
	Strips         []template.HTML
}

// writeHTML writes the plate as one page that needs nothing else: text as text,
// strips as SVG, pictures embedded.
func (p *Plate) writeHTML(w io.Writer) error {
	scale := platePagePX / plateColumn * p.scale()
	figureOf := func(c plateColumnOf, name string, v View, lines []string) plateFigure {
		r, side := v.window(scale)
		f := plateFigure{Set: max(c.set, 0), Name: name, Alt: name, Lines: lines, Picture: template.URL(jpegURI(v.JPEG))}
		f.Window = template.CSS(fmt.Sprintf("width:%.0fpx;height:%.0fpx", 2*r, 2*r))
		f.Inside = template.CSS(fmt.Sprintf("width:%.1fpx;margin:%.1fpx 0 0 %.1fpx", side, r-side/2, r-side/2))
		for _, pf := range p.Features[:min(len(p.Features), plateMost)] {
			c := c
			c.x, c.w = 0, plateColumn
			d := newDrawing(plateColumn, 0)
			lo, hi := p.span(pf)
			d.h = p.strip(d, pf, lo, hi, c, len(p.stripLabel(pf, c)), 5) + 1
			f.Strips = append(f.Strips, template.HTML(d.svg(pf.Feature.Label+" of "+name+": "+said(pf, p.value(pf, c)))))
		}
		return f
	}
	var groups []plateGroup
	for s, set := range p.Sets {
		g := plateGroup{Set: s, Key: setKeys[s], Label: set.Label, Chance: fmt.Sprintf("%.2f", set.Probability)}
		g.Width = template.CSS("width:" + width(set.Probability))
		for n, sp := range set.Specimens[:min(len(set.Specimens), p.slots())] {
			g.Figures = append(g.Figures, figureOf(plateColumnOf{set: s, nth: n}, sp.Name, sp.View, sp.lines()))
		}
		groups = append(groups, g)
	}
	bars := groups
	facts := p.facts()
	own := plateGroup{Alone: true, Figures: []plateFigure{figureOf(plateColumnOf{set: -1}, facts[0], p.View, facts[1:])}}
	own.Figures[0].Alt = "the marble in question"
	at := min(1, len(groups))
	if len(groups) == 1 {
		at = 0
	}
	groups = append(groups[:at:at], append([]plateGroup{own}, groups[at:]...)...)
	key := newDrawing(800, 0)
	key.h = p.key(key, 10, 800) - 4
	notes := ""
	if len(p.Notes) > 0 {
		notes = "To take with care: " + strings.Join(p.Notes, "; ") + "."
	}
	return plateTemplate.Execute(w, map[string]any{
		"Mark": plateMark, "Title": p.title(), "Verdict": sentence(p.Verdict), "Notes": notes,
		"Groups": groups, "Bars": bars, "KeyLine": template.HTML(key.svg("what the strips’ marks mean")),
		"Reasons": p.reasons(), "HowSure": eachOf(p.HowSure, sentence), "Settle": p.settle(),
		"Confusions": p.confusions(), "Footer": p.footer(),
	})
}

// lines are what stands below a specimen's name.
func (sp PlateSpecimen) lines() (out []string) {
	size := "size not known, drawn as 5/8 inch"
	if mm := sp.View.diameterMM(); mm > 0 {
		size = fmt.Sprintf("%.1f mm", mm)
	}
	out = append(out, size)
	if sp.Credit != "" {
		out = append(out, "Photo: "+sp.Credit)
	}
	if sp.Permission != "" {
		out = append(out, sentence(sp.Permission))
	}
	return out
}
