package report

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"

	"tawsight/internal/colour"
)

//go:embed health.html.tmpl
var healthPage string

var healthTemplate = template.Must(template.New("health").Parse(healthPage))

// galleryPX is the diameter, CSS pixels, of the largest window in a gallery.
const galleryPX = 132.0

type healthSetView struct {
	Anchor, Label, Facts string
	Row                  []string
	Palettes             []paletteView
	Sizes                template.HTML
	Gallery              []plateFigure
}

type paletteView struct {
	Title   string
	Colours []colourView
}

type colourView struct {
	Name, Lab, Count string
	Stripes          []template.CSS
}

func paletteViewOf(title string, list []PaletteColour) paletteView {
	out := paletteView{Title: title}
	for _, c := range list {
		v := colourView{Name: c.Name, Count: plural(c.Specimens, "specimen")}
		v.Lab = fmt.Sprintf("L* %.0f, a* %s, b* %s", c.Lab[0], whole(c.Lab[1]), whole(c.Lab[2]))
		for _, l := range c.Labs {
			v.Stripes = append(v.Stripes, template.CSS("background:"+colour.Hex(l)))
		}
		out.Colours = append(out.Colours, v)
	}
	return out
}

// writeHTML writes the report as one page that needs nothing else.
func (h *Health) writeHTML(w io.Writer) error {
	var sets []healthSetView
	for i := range h.Sets {
		s := &h.Sets[i]
		v := healthSetView{
			Anchor: fmt.Sprintf("set-%d", i+1), Label: s.Label, Facts: s.facts(), Row: s.row(),
			Palettes: []paletteView{paletteViewOf("Base colours", s.Base), paletteViewOf("Ribbon colours", s.Ribbons)},
			Sizes:    template.HTML(sizeStrip(s.SizesMM, 760).svg("sizes of " + s.Label)),
		}
		largest := 0.0
		for _, sp := range s.Gallery {
			largest = math.Max(largest, sp.View.diameterMM())
		}
		if largest == 0 {
			largest = noScaleMM
		}
		for _, sp := range s.Gallery {
			r, side := sp.View.window(galleryPX / (largest * plateView))
			v.Gallery = append(v.Gallery, plateFigure{
				Name: sp.Name, Alt: sp.Name, Lines: sp.lines(), Picture: template.URL(jpegURI(sp.View.JPEG)),
				Window: template.CSS(fmt.Sprintf("width:%.0fpx;height:%.0fpx", 2*r, 2*r)),
				Inside: template.CSS(fmt.Sprintf("width:%.1fpx;margin:%.1fpx 0 0 %.1fpx", side, r-side/2, r-side/2)),
			})
		}
		sets = append(sets, v)
	}
	type part struct {
		Title string
		Texts []string
	}
	var parts []part
	for _, c := range h.concerns() {
		parts = append(parts, part{c.title, c.texts})
	}
	pairs := make([]HealthPair, len(h.Pairs))
	for i, p := range h.Pairs {
		p.Features = p.Features[:min(len(p.Features), pairTexts)]
		pairs[i] = p
	}
	return healthTemplate.Execute(w, map[string]any{
		"Mark": healthMark, "Lead": h.headline(), "Tiles": h.tiles(), "Sets": sets,
		"Confusion":   template.HTML(h.confusionPlot(480).svg("which set is taken for which")),
		"Reliability": template.HTML(h.reliabilityPlot(300).svg("what was said against what was right")),
		"Concerns":    parts, "Pairs": pairs,
		"Footer": fmt.Sprintf("Each specimen is judged with itself left out; photos of one marble count as one where notes.csv names it. The Brier score is the mean squared error of the probabilities of all sets: 0 best, 2 worst. Colours: CIELAB under each photo’s own white, names of the ISCC-NBS system; a swatch’s stripes are all that were found. Tawsight %s, feature registry %d.", h.MadeBy.Tawsight, h.MadeBy.Features),
	})
}
