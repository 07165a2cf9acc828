package report

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"slices"

	xdraw "golang.org/x/image/draw"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"

	"tawsight/features"
)

// newPlot is a plot in the sheet's hand: at 72 dots an inch a point is a pixel.
func newPlot(xLabel, yLabel string) *plot.Plot {
	p := plot.New()
	p.BackgroundColor = sheetPaper
	p.X.Label.Text, p.Y.Label.Text = xLabel, yLabel
	sans := func(size vg.Length) font.Font { return font.Font{Typeface: "Liberation", Variant: "Sans", Size: size} }
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.Label.TextStyle.Font, a.Label.TextStyle.Color = sans(11.5), sheetInk
		a.Tick.Label.Font, a.Tick.Label.Color = sans(11), sheetSoft
		a.LineStyle.Color, a.Tick.LineStyle.Color = hatchInk, hatchInk
		a.Padding = 0
	}
	return p
}

func drawPlot(p *plot.Plot, width, height int) image.Image {
	c := vgimg.NewWith(vgimg.UseImage(image.NewRGBA(image.Rect(0, 0, width, height))), vgimg.UseDPI(72))
	p.Draw(draw.New(c))
	return c.Image()
}

// paste copies a picture without transparency onto the sheet.
func (s *sheet) paste(img image.Image, x, y int) {
	b := img.Bounds()
	xdraw.Draw(s.img, image.Rect(x, y, x+b.Dx(), y+b.Dy()), img, b.Min, xdraw.Src)
}

// A stroke is how one line of a plot looks.
type stroke struct {
	ink   color.NRGBA
	width float64
	dash  []float64
}

func (k stroke) style() draw.LineStyle {
	out := draw.LineStyle{Color: k.ink, Width: vg.Length(k.width)}
	for _, d := range k.dash {
		out.Dashes = append(out.Dashes, vg.Length(d))
	}
	return out
}

// strokeOf is colour k's.
func (s *sheet) strokeOf(k int) stroke {
	if n := s.nth[k]; n >= 0 {
		return stroke{s.inks[k], 2.2, traceDashes[n%len(traceDashes)]}
	}
	return stroke{baseInk, 3.2, nil}
}

var (
	wholeStroke = stroke{color.NRGBA{0xa3, 0x9c, 0x90, 0xff}, 1.4, nil}
	paperStroke = stroke{color.NRGBA{0x22, 0x20, 0x1c, 0xff}, 1, []float64{2, 3}}
)

// addLine adds a line through points, in pieces where a point's y is NaN.
func addLine(p *plot.Plot, points plotter.XYs, k stroke) {
	var piece plotter.XYs
	end := func() {
		if len(piece) > 1 {
			// NewLine fails only for points that are not finite.
			if l, err := plotter.NewLine(piece); err == nil {
				l.LineStyle = k.style()
				p.Add(l)
			}
		} else if len(piece) == 1 {
			if d, err := plotter.NewScatter(piece); err == nil {
				d.GlyphStyle = draw.GlyphStyle{Color: k.ink, Radius: 2.5, Shape: draw.CircleGlyph{}}
				p.Add(d)
			}
		}
		piece = nil
	}
	for _, q := range points {
		if math.IsNaN(q.Y) || math.IsInf(q.Y, 0) {
			end()
			continue
		}
		piece = append(piece, q)
	}
	end()
}

// addBand shades the plot between two values of x.
func addBand(p *plot.Plot, from, to, low, high float64, c color.Color) {
	if b, err := plotter.NewPolygon(plotter.XYs{{X: from, Y: low}, {X: to, Y: low}, {X: to, Y: high}, {X: from, Y: high}}); err == nil {
		b.Color, b.LineStyle.Width = c, 0
		p.Add(b)
	}
}

// radialBins is how many rings a face is cut into.
const radialBins = 14

// radialProfile is the median L* in rings about the middle: of each colour
// away from its borders, and of all glass but glare and what is hidden. NaN
// stands where a ring shows too little.
func radialProfile(a *features.Analysis) (colours [][radialBins]float64, whole [radialBins]float64) {
	f, p := a.Face, &a.Parts
	seen := make([][radialBins][]float64, len(p.Colours))
	var all [radialBins][]float64
	for i, m := range f.Mask {
		if m&features.Glass == 0 || m&(features.Highlight|features.Hidden) != 0 {
			continue
		}
		x, y := f.XY(i)
		b := min(radialBins-1, int(math.Hypot(x, y)*radialBins))
		all[b] = append(all[b], f.Lab[i][0])
		if k := p.Of[i]; k >= 0 && int(k) < len(seen) && p.Pure[i] {
			seen[k][b] = append(seen[k][b], f.Lab[i][0])
		}
	}
	median := func(v []float64) float64 {
		if len(v) < 4 {
			return math.NaN()
		}
		slices.Sort(v)
		return v[len(v)/2]
	}
	colours = make([][radialBins]float64, len(p.Colours))
	for b := range radialBins {
		whole[b] = median(all[b])
		for k := range seen {
			colours[k][b] = median(seen[k][b])
		}
	}
	return colours, whole
}

// lightInside shows how light goes over the face, and what is made of it.
func (s *sheet) lightInside(x float64) {
	s.title("Lightness from the middle to the rim", x, lowerY)
	colours, whole := radialProfile(s.Analysis)
	p := newPlot("distance from the middle, radii", "lightness L*")
	p.X.Min, p.X.Max = 0, 1
	low, high := 100.0, 0.0
	for _, row := range append([][radialBins]float64{whole}, colours...) {
		for _, v := range row {
			if !math.IsNaN(v) {
				low, high = min(low, v), max(high, v)
			}
		}
	}
	paper := s.Analysis.Face.PaperLab[0]
	low, high = math.Floor(min(low, paper)/10)*10, math.Ceil((max(high, paper)+1)/10)*10
	p.Y.Min, p.Y.Max = low, high
	addBand(p, features.RimFrom, 1, low, high, hatchPaper)
	points := func(row [radialBins]float64) plotter.XYs {
		out := make(plotter.XYs, radialBins)
		for b := range out {
			out[b] = plotter.XY{X: (float64(b) + 0.5) / radialBins, Y: row[b]}
		}
		return out
	}
	addLine(p, plotter.XYs{{X: 0, Y: paper}, {X: 1, Y: paper}}, paperStroke)
	addLine(p, points(whole), wholeStroke)
	for k := range colours {
		addLine(p, points(colours[k]), s.strokeOf(k))
	}
	s.paste(drawPlot(p, panelPX, 206), int(x), int(lowerY)+10)
	y := lowerY + 234
	at := x
	for k := range colours {
		at = s.lineKey(s.keys[k], s.strokeOf(k), at, y)
	}
	s.lineKey("paper", paperStroke, s.lineKey("all", wholeStroke, at, y), y)

	y += 38
	s.title("Does light pass?", x, y)
	y += 24
	g, sh := s.Analysis.Glass, s.Analysis.Shadow
	if s.Analysis.Parts.Usable == 0 {
		s.paragraph("Not judged: too little of the face is seen.", x, y, panelPX, 2, regular, bodySize, sheetInk)
		return
	}
	for _, r := range []struct {
		what string
		v    float64
	}{{"light passes at all", g.NotOpaque}, {"it passes unscattered", g.Clear}, {"share that gets through", g.Translucency}} {
		s.text(r.what, x, y, 0, regular, bodySize, sheetInk)
		s.bar(x+170, y-9, 110, 9, r.v, sheetAccent)
		s.text(fmt.Sprintf("%.2f", r.v), x+panelPX, y, 1, bold, bodySize, sheetInk)
		y += 20
	}
	y += 4
	s.text("The signs it rests on:", x, y, 0, regular, smallSize, sheetSoft)
	y += 18
	caustic, toShadow := "no shadow to read", "no shadow to read"
	if sh.Seen {
		caustic, toShadow = fmt.Sprintf("%.2f of open paper", sh.Caustic), signed(g.ShadeSlope)+" L* a radius"
	}
	for _, r := range [][2]string{
		{"light gathered in the shadow", caustic},
		{"lightness toward the shadow", toShadow},
		{"lightness, middle to rim", signed(g.RadialSlope) + " L*"},
		{"rim against middle", fmt.Sprintf("%.2f times the light", g.RimRatio)},
		{"unrest inside a colour", fmt.Sprintf("%.1f L*", g.Unrest)},
	} {
		s.text(r[0], x, y, 0, regular, smallSize, sheetInk)
		s.text(r[1], x+panelPX, y, 1, regular, smallSize, sheetInk)
		y += 17
	}
}

// signed is a figure with its sign, a true minus where below 0.
func signed(v float64) string {
	if t := fmt.Sprintf("%.1f", math.Abs(v)); v < 0 && t != "0.0" {
		return "−" + t
	} else {
		return "+" + t
	}
}

// lineKey explains one line of a plot and gives where the next may begin.
func (s *sheet) lineKey(text string, k stroke, x, y float64) float64 {
	s.dc.SetDash(k.dash...)
	s.dc.SetColor(k.ink)
	s.dc.SetLineWidth(k.width)
	s.dc.DrawLine(x, y-4, x+21, y-4)
	s.dc.Stroke()
	s.dc.SetDash()
	s.text(text, x+25, y, 0, regular, smallSize, sheetInk)
	return x + 25 + s.width(text, regular, smallSize) + 11
}

// Where light is looked at beside the shadow's axis, degrees to both sides:
// where the caustic is set against it.
const besideDeg = 40.0

// lightAround shows the shadow and the light gathered in it.
func (s *sheet) lightAround(x float64) {
	s.title("The light on the paper around it", x, lowerY)
	ring, sh := s.Analysis.Face.Ring, s.Analysis.Shadow
	if len(ring.Value) == 0 || len(ring.Value[0]) == 0 {
		s.paragraph("Not seen.", x, lowerY+28, panelPX, 1, regular, bodySize, sheetInk)
		return
	}
	const side = 208
	reach := features.RingFrom + (features.RingSteps-0.5)*features.RingStep
	unit := side / 2 / reach
	top := lowerY + 16
	cx, cy := x+side/2, top+side/2
	dirs := len(ring.Value)
	for j := 0; j < side; j++ {
		for i := 0; i < side; i++ {
			px, py := int(x)+i, int(top)+j
			u, v := (float64(px)+0.5-cx)/unit, (float64(py)+0.5-cy)/unit
			r := math.Hypot(u, v)
			step := int(math.Floor((r-features.RingFrom)/features.RingStep + 0.5))
			if r < features.RingFrom-features.RingStep/2 || step < 0 || step >= features.RingSteps {
				continue
			}
			d := mod(int(math.Round(math.Atan2(v, u)/(2*math.Pi)*float64(dirs))), dirs)
			if step >= len(ring.Value[d]) {
				continue
			}
			val := ring.Value[d][step]
			c := lightInk(val)
			if math.IsNaN(val) {
				c = hatchPaper
				if slanted(px, py) {
					c = hatchInk
				}
			}
			s.img.SetRGBA(px, py, opaque(c))
		}
	}
	s.drawFace(cx, cy, unit, 0)
	if sh.Seen {
		s.arrow(cx, cy, sh.X, sh.Y, unit, reach*unit)
	}
	// What the picture shows, in words, to the right of it.
	tx := x + side + 16
	w := float64(panelPX - side - 16)
	y := top + 14
	for _, l := range []struct {
		v    float64
		text string
	}{{0.4, "darker"}, {1, "open paper"}, {1.35, "brighter"}} {
		s.swatch(tx, y-10, 22, 13, func(int, int) color.Color { return lightInk(l.v) })
		s.text(l.text, tx+29, y, 0, regular, smallSize, sheetInk)
		y += 19
	}
	s.swatch(tx, y-10, 22, 13, func(px, py int) color.Color {
		if slanted(px, py) {
			return hatchInk
		}
		return hatchPaper
	})
	s.text("not to be seen", tx+29, y, 0, regular, smallSize, sheetInk)
	y += 26
	if sh.Seen {
		y = s.paragraph(fmt.Sprintf("The arrow points along the shadow. At its darkest %.2f of the light is missing.", math.Max(0, sh.Depth)), tx, y, w, 5, regular, smallSize, sheetInk)
		s.paragraph(fmt.Sprintf("Light gathered in it: %.2f of open paper’s.", sh.Caustic), tx, y+4, w, 3, regular, smallSize, sheetInk)
	} else {
		s.paragraph("No shadow to one side: the light comes from above or from all around.", tx, y, w, 6, regular, smallSize, sheetInk)
	}

	plotTop := top + side + 12
	p := newPlot("distance from the marble’s middle, radii", "light, 1 = paper")
	along, beside, opposite := ringLines(ring, sh)
	p.X.Min, p.X.Max = 1, math.Ceil(reach*10)/10
	low, high := 0.8, 1.1
	for _, line := range []plotter.XYs{along, beside, opposite} {
		for _, q := range line {
			if !math.IsNaN(q.Y) {
				low, high = min(low, q.Y), max(high, q.Y)
			}
		}
	}
	p.Y.Min, p.Y.Max = math.Floor(low*10)/10, math.Ceil(high*10)/10
	addLine(p, plotter.XYs{{X: p.X.Min, Y: 1}, {X: p.X.Max, Y: 1}}, paperStroke)
	addLine(p, opposite, oppositeStroke)
	addLine(p, beside, besideStroke)
	addLine(p, along, alongStroke)
	s.paste(drawPlot(p, panelPX, 194), int(x), int(plotTop))
	y = plotTop + 194 + 16
	at := x
	if sh.Seen {
		at = s.lineKey("in the shadow", alongStroke, at, y)
		at = s.lineKey("beside it", besideStroke, at, y)
		s.lineKey("opposite", oppositeStroke, at, y)
	} else {
		s.lineKey("all around", alongStroke, at, y)
	}
}

var (
	alongStroke    = stroke{traceInks[1], 2.6, nil}
	besideStroke   = stroke{traceInks[0], 2.2, traceDashes[1]}
	oppositeStroke = stroke{baseInk, 1.8, traceDashes[2]}
)

// ringLines are the light by distance along the shadow's axis, the brightest
// near it; beside it, the brighter side; and opposite. Without a shadow the
// first is the mean all around, and the others are empty.
func ringLines(ring features.Ring, sh features.Shadow) (along, beside, opposite plotter.XYs) {
	dirs := len(ring.Value)
	mean := func(from, to, step int) float64 {
		sum, n := 0.0, 0.0
		for d := from; d <= to; d++ {
			if row := ring.Value[mod(d, dirs)]; step < len(row) && !math.IsNaN(row[step]) {
				sum += row[step]
				n++
			}
		}
		return sum / n // NaN where nothing was seen
	}
	axis := int(math.Round(math.Atan2(sh.Y, sh.X) / (2 * math.Pi) * float64(dirs)))
	off := int(math.Round(besideDeg / 360 * float64(dirs)))
	for step := range features.RingSteps {
		x := features.RingFrom + float64(step)*features.RingStep
		if !sh.Seen {
			along = append(along, plotter.XY{X: x, Y: mean(0, dirs-1, step)})
			continue
		}
		peak, peakAt := math.NaN(), 0
		for d := -off / 2; d <= off/2; d++ {
			if v := mean(axis+d-1, axis+d+1, step); !math.IsNaN(v) && !(v <= peak) {
				peak, peakAt = v, d
			}
		}
		along = append(along, plotter.XY{X: x, Y: peak})
		l, r := mean(axis+peakAt-off-1, axis+peakAt-off+1, step), mean(axis+peakAt+off-1, axis+peakAt+off+1, step)
		beside = append(beside, plotter.XY{X: x, Y: math.Max(l, r)})
		opposite = append(opposite, plotter.XY{X: x, Y: mean(axis+dirs/2-off/2, axis+dirs/2+off/2, step)})
	}
	return along, beside, opposite
}

// lightInk is light against open paper's as a colour: blue and darker below 1,
// orange above, which all kinds of colour vision tell apart.
func lightInk(v float64) color.NRGBA {
	open := [3]float64{0xe9, 0xe6, 0xdf}
	to, t := [3]float64{0x0c, 0x23, 0x40}, (1-v)/0.8
	if v > 1 {
		to, t = [3]float64{0xd9, 0x6a, 0x00}, (v-1)/0.5
	}
	t = math.Max(0, math.Min(1, t))
	var c [3]uint8
	for q := range c {
		c[q] = uint8(open[q] + (to[q]-open[q])*t + 0.5)
	}
	return color.NRGBA{c[0], c[1], c[2], 255}
}

// arrow points from the outline outwards.
func (s *sheet) arrow(cx, cy, ux, uy, from, to float64) {
	x0, y0 := cx+ux*(from+3), cy+uy*(from+3)
	x1, y1 := cx+ux*(to-3), cy+uy*(to-3)
	head := func() {
		s.dc.MoveTo(x1, y1)
		s.dc.LineTo(x1-9*ux+4.5*uy, y1-9*uy-4.5*ux)
		s.dc.LineTo(x1-9*ux-4.5*uy, y1-9*uy+4.5*ux)
		s.dc.ClosePath()
	}
	for _, l := range []struct {
		c color.Color
		w float64
	}{{color.White, 4}, {sheetInk, 1.5}} {
		s.dc.SetColor(l.c)
		s.dc.SetLineWidth(l.w)
		s.dc.DrawLine(x0, y0, x1-6*ux, y1-6*uy)
		s.dc.Stroke()
		head()
		if l.w > 2 {
			s.dc.Stroke()
			continue
		}
		s.dc.Fill()
	}
}
