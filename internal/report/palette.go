package report

import (
	"cmp"
	"fmt"
	"image/color"
	"math"
	"slices"

	"tawsight/internal/colour"
)

// PaletteColour is one colour of a set's palette: all of the colours found that
// have the same ISCC-NBS name.
type PaletteColour struct {
	Name      string       `json:"name"` // ISCC-NBS
	Group     string       `json:"group"`
	Lab       [3]float64   `json:"lab"` // mean, CIELAB
	Hex       string       `json:"hex"` // the same as sRGB
	Specimens int          `json:"specimens"`
	Labs      [][3]float64 `json:"labs"` // each found, the darkest first
}

// FoundColour is one colour as found on one specimen.
type FoundColour struct {
	Specimen string
	Lab      [3]float64
}

// paletteGrey is the chroma below which a colour counts as neutral: hue says
// nothing there.
const paletteGrey = 8

// Palette gathers colours by their ISCC-NBS names, ordered by hue and then by
// lightness; neutrals stand first.
func Palette(found []FoundColour) []PaletteColour {
	byName := map[string]*PaletteColour{}
	whose := map[string]map[string]bool{}
	for _, f := range found {
		name := colour.Name(f.Lab)
		c := byName[name]
		if c == nil {
			c = &PaletteColour{Name: name, Group: colour.Group(f.Lab)}
			byName[name], whose[name] = c, map[string]bool{}
		}
		c.Labs = append(c.Labs, f.Lab)
		whose[name][f.Specimen] = true
	}
	var out []PaletteColour
	for name, c := range byName {
		slices.SortFunc(c.Labs, func(a, b [3]float64) int {
			return cmp.Or(cmp.Compare(a[0], b[0]), cmp.Compare(a[1], b[1]), cmp.Compare(a[2], b[2]))
		})
		for k := range 3 {
			for _, l := range c.Labs {
				c.Lab[k] += l[k] / float64(len(c.Labs))
			}
			c.Lab[k] = math.Round(c.Lab[k]*10) / 10
		}
		c.Specimens, c.Hex = len(whose[name]), colour.Hex(c.Lab)
		out = append(out, *c)
	}
	// Hue in steps of 15 degrees, so that lightness shows within each.
	step := func(c PaletteColour) float64 {
		if colour.Chroma(c.Lab) < paletteGrey {
			return -1
		}
		return math.Floor(colour.HueDeg(c.Lab) / 15)
	}
	slices.SortFunc(out, func(a, b PaletteColour) int {
		return cmp.Or(cmp.Compare(step(a), step(b)), cmp.Compare(a.Lab[0], b.Lab[0]), cmp.Compare(a.Name, b.Name))
	})
	return out
}

// labInk is a colour as a screen shows it.
func labInk(lab [3]float64) color.NRGBA {
	rgb := colour.LabToSRGB8(lab)
	return color.NRGBA{rgb[0], rgb[1], rgb[2], 255}
}

// paletteChart draws swatches with their names, each swatch in stripes: every
// colour that was found.
func paletteChart(title string, list []PaletteColour, width float64) *drawing {
	d := newDrawing(width, 0)
	d.write(title, 0, 10, 0, bold, 10, sheetInk)
	y := 18.0
	if len(list) == 0 {
		d.h = d.paragraph("none", 0, y+8, width, 1, regular, captionSize, sheetSoft)
		return d
	}
	const cellW, swatchH, gap = 78.0, 34.0, 8.0
	perRow := max(1, int((width+gap)/(cellW+gap)))
	for i := 0; i < len(list); i += perRow {
		bottom := y
		for k, c := range list[i:min(i+perRow, len(list))] {
			x := float64(k) * (cellW + gap)
			stripe := cellW / float64(len(c.Labs))
			for n, l := range c.Labs {
				ink := labInk(l)
				// Overlapping a little, so that no seam shows.
				w := math.Min(stripe+0.4, cellW-float64(n)*stripe)
				d.rect(x+float64(n)*stripe, y, w, swatchH, &ink, nil, 0)
			}
			d.rect(x, y, cellW, swatchH, nil, &sheetSoft, 0.6)
			d.looks = append(d.looks, box{x, y, x + cellW, y + swatchH})
			at := d.paragraph(c.Name, x, y+swatchH+9, cellW, 3, bold, smallestSize, sheetInk)
			at = d.paragraph(fmt.Sprintf("L* %.0f  a* %s  b* %s", c.Lab[0], whole(c.Lab[1]), whole(c.Lab[2])), x, at, cellW, 2, regular, 6.5, sheetSoft)
			at = d.paragraph(plural(c.Specimens, "specimen"), x, at, cellW, 2, regular, 6.5, sheetSoft)
			bottom = math.Max(bottom, at)
		}
		y = bottom + 4
	}
	d.h = y
	return d
}

// whole is a number without places, with a proper minus.
func whole(v float64) string {
	if r := math.Round(v); r < 0 {
		return fmt.Sprintf("−%.0f", -r)
	}
	return fmt.Sprintf("%.0f", math.Abs(math.Round(v)))
}

const mmPerInch = 25.4

// sizeStrip is sizeDots with a title and a summary.
func sizeStrip(sizesMM []float64, width float64) *drawing {
	d := newDrawing(width, 0)
	d.write("Sizes", 0, 10, 0, bold, 10, sheetInk)
	if len(sizesMM) == 0 {
		d.h = d.paragraph("no photo of this set gave a scale", 0, 26, width, 2, regular, captionSize, sheetSoft)
		return d
	}
	sorted := slices.Sorted(slices.Values(sizesMM))
	d.write(fmt.Sprintf("%.1f to %.1f mm, half of them below %.1f mm", sorted[0], sorted[len(sorted)-1], sorted[len(sorted)/2]), 40, 10, 0, regular, captionSize, sheetSoft)
	const title = 12
	dots := sizeDots(sizesMM, width)
	d.put(dots, 0, title)
	d.h = title + dots.h
	return d
}

// sizeDots is a dot a specimen over a scale with 1/64 inch marks above and
// millimetres below: each dot stands over the 1/64 inch nearest to its diameter.
func sizeDots(sizesMM []float64, width float64) *drawing {
	d := newDrawing(width, 0)
	lo, hi := math.Inf(1), math.Inf(-1)
	stack := map[int]int{}
	tallest := 0
	nth := func(mm float64) int { return int(math.Round(mm / mmPerInch * 64)) }
	for _, v := range sizesMM {
		lo, hi = math.Min(lo, v), math.Max(hi, v)
		stack[nth(v)]++
		tallest = max(tallest, stack[nth(v)])
	}
	from, to := nth(lo)-4, nth(hi)+4
	const inset = 14.0
	at := func(n float64) float64 { return inset + (width-2*inset)*(n-float64(from))/float64(to-from) }
	step := (width - 2*inset) / float64(to-from)
	r := math.Min(4.5, step*0.42)
	dotStep := math.Min(2*r+1, 90/float64(tallest))
	axis := 10 + float64(tallest)*dotStep + 24
	for n := from; n <= to; n++ {
		for k := range stack[n] {
			d.circle(at(float64(n)), axis-4-r-float64(k)*dotStep, r, &sheetAccent, &white, 0.5)
		}
	}
	d.line(inset, axis, width-inset, axis, 0.9, sheetInk)
	last := textWidth("inch", regular, smallestSize)
	for n := from; n <= to; n++ {
		tick := 4.0
		switch {
		case n%8 == 0:
			tick = 9
		case n%4 == 0:
			tick = 6.5
		}
		x := at(float64(n))
		d.line(x, axis, x, axis+tick, 0.7, sheetInk)
		label := sixtyFourths(n)
		w := textWidth(label, regular, smallestSize)
		if n%4 == 0 && x-w/2 > last+6 && x+w/2 <= width {
			d.write(label, x, axis+18, 0.5, regular, smallestSize, sheetInk)
			last = x + w/2
		}
	}
	d.write("inch", 0, axis+18, 0, regular, smallestSize, sheetSoft)
	below := axis + 26
	d.line(inset, below, width-inset, below, 0.9, sheetInk)
	last = textWidth("mm", regular, smallestSize)
	for mm := math.Ceil(float64(from) / 64 * mmPerInch); mm <= float64(to)/64*mmPerInch; mm++ {
		x := at(mm / mmPerInch * 64)
		d.line(x, below, x, below+5, 0.7, sheetInk)
		label := fmt.Sprintf("%.0f", mm)
		w := textWidth(label, regular, smallestSize)
		if x-w/2 > last+6 && x+w/2 <= width {
			d.write(label, x, below+14, 0.5, regular, smallestSize, sheetInk)
			last = x + w/2
		}
	}
	d.write("mm", 0, below+14, 0, regular, smallestSize, sheetSoft)
	d.h = below + 22
	return d
}

// sixtyFourths is n/64 reduced, with whole inches before it.
func sixtyFourths(n int) string {
	inches, n := n/64, n%64
	den := 64
	for n > 0 && n%2 == 0 {
		n, den = n/2, den/2
	}
	switch {
	case n == 0:
		return fmt.Sprint(inches)
	case inches > 0:
		return fmt.Sprintf("%d %d/%d", inches, n, den)
	}
	return fmt.Sprintf("%d/%d", n, den)
}

// gallery are a set's specimens, all to one scale, with their credits.
func gallery(list []PlateSpecimen, width float64) (*drawing, error) {
	d := newDrawing(width, 0)
	d.write("Specimens", 0, 10, 0, bold, 10, sheetInk)
	y := 20.0
	const cellW, gap, most = 104.0, 9.0, 92.0
	largest := 0.0
	for _, s := range list {
		largest = math.Max(largest, s.View.diameterMM())
	}
	if largest == 0 {
		largest = noScaleMM
	}
	scale := most / (largest * plateView)
	perRow := max(1, int((width+gap)/(cellW+gap)))
	for i := 0; i < len(list); i += perRow {
		bottom := y
		for k, s := range list[i:min(i+perRow, len(list))] {
			cx := float64(k)*(cellW+gap) + cellW/2
			r, side := s.View.window(scale)
			if err := d.picture(s.View.JPEG, cx-side/2, y+most/2-side/2, side, r, s.Name); err != nil {
				return nil, err
			}
			d.circle(cx, y+most/2, r+0.3, nil, &hatchInk, 0.6)
			at := d.centred(s.Name, cx, y+most+11, cellW, 3, bold, 7.5, sheetInk)
			for n, l := range s.lines() {
				ink := sheetInk
				if n > 0 {
					ink = sheetSoft
				}
				at = d.centred(l, cx, at, cellW, 4, regular, smallestSize, ink)
			}
			bottom = math.Max(bottom, at)
		}
		y = bottom + 6
	}
	d.h = y
	return d, nil
}

// page is one set on one page.
func (s *HealthSet) page() (*drawing, error) {
	d := newDrawing(healthWidth, 0)
	w := healthWidth - 2*plateMargin
	y := d.paragraph(s.Label, plateMargin, plateMargin+18, w, 3, bold, 20, sheetInk)
	y = d.paragraph(s.facts(), plateMargin, y-4, w, 3, regular, 10, sheetSoft) + 2
	g, err := gallery(s.Gallery, w)
	if err != nil {
		return nil, err
	}
	for _, part := range []*drawing{
		paletteChart("Base colours", s.Base, w), paletteChart("Ribbon colours", s.Ribbons, w), sizeStrip(s.SizesMM, w), g,
	} {
		d.put(part, plateMargin, y)
		y += part.h + 10
	}
	d.h = y + plateMargin/2
	return d, nil
}

func (s *HealthSet) facts() string {
	text := plural(s.Specimens, "specimen") + " from " + plural(s.Photos, "photo")
	if s.Tested > 0 {
		text += fmt.Sprintf("; %d of %d given their own label back", s.Right, s.Tested)
		if s.RecallU95 != nil {
			text += fmt.Sprintf(" (95 %% interval %s to %s)", wholePercent(s.RecallU95[0]), wholePercent(s.RecallU95[1]))
		}
	}
	return text + "."
}
