package guide

import (
	"fmt"
	"image/color"
	"math"

	"tawsight/internal/report"
)

// A4 in points (ISO 216), and the text's place on it.
const (
	pageWidth  = 210 / 25.4 * 72
	pageHeight = 297 / 25.4 * 72
	margin     = 50.0
	textWidth  = pageWidth - 2*margin
	pageTop    = 66.0
	pageBottom = pageHeight - 58
	pdfBody    = 10.0
	pdfSmall   = 8.2
	pdfLeading = 1.32
)

// lifeSize is how many times as large as life marbles are printed, and pdfScale
// the same in points a millimetre: one scale for the whole PDF.
const (
	lifeSize = 1.25
	pdfScale = lifeSize * 72 / 25.4
)

// A flow fills pages from top to bottom with blocks that are not broken.
type flow struct {
	pages []*report.Canvas
	heads []string // the running head of each page
	head  string
	y     float64
}

// fresh begins a page.
func (f *flow) fresh() {
	f.pages = append(f.pages, report.NewCanvas(pageWidth, pageHeight))
	f.heads = append(f.heads, f.head)
	f.y = pageTop
}

func (f *flow) page() *report.Canvas { return f.pages[len(f.pages)-1] }

// need begins a page where less than h is left of this one.
func (f *flow) need(h float64) {
	if len(f.pages) == 0 || f.y+h > pageBottom && f.y > pageTop {
		f.fresh()
	}
}

// put places a block, and leaves a gap below it.
func (f *flow) put(block *report.Canvas, gap float64) {
	f.need(block.Height())
	f.page().Put(block, margin, f.y)
	f.y += block.Height() + gap
}

func block() *report.Canvas { return report.NewCanvas(textWidth, 0) }

// heading begins a part of a page that keeps at least h of what follows with
// it; a level below 0 makes no bookmark.
func (f *flow) heading(text, name string, level int, size, h float64) {
	f.need(size*1.6 + h)
	if f.y > pageTop {
		f.y += size * 0.55
	}
	title := text
	if level < 0 {
		title, level = "", 0
	}
	f.page().Place(f.y, name, title, level)
	b := block()
	b.SetHeight(b.Paragraph(text, 0, size, textWidth, 4, report.Bold, size, report.Ink) - size*0.75)
	f.put(b, size*0.15)
}

// text puts a paragraph; where it is longer than a page it is broken between
// lines.
func (f *flow) text(text string, size float64, ink color.NRGBA, gap float64) {
	f.indented(text, 0, size, ink, gap)
}

func (f *flow) indented(text string, indent, size float64, ink color.NRGBA, gap float64) {
	lines := report.LinesOf(text, textWidth-indent, 0, report.Regular, size)
	if len(lines) <= 8 { // no line of a short one stands alone
		f.need(float64(len(lines)) * size * pdfLeading)
	}
	for _, l := range lines {
		b := block()
		b.Write(l, indent, size, 0, report.Regular, size, ink)
		b.SetHeight(size * pdfLeading)
		f.put(b, 0)
	}
	f.y += gap
}

// item puts one entry of a list.
func (f *flow) item(text string, mark string, size float64) {
	f.need(size * pdfLeading * math.Min(8, float64(len(report.LinesOf(text, textWidth-16, 0, report.Regular, size)))))
	if mark == "" {
		ink := report.AccentInk
		f.page().Circle(margin+4, f.y+size*0.66, 1.5, &ink, nil, 0)
	} else {
		f.page().Write(mark, margin, f.y+size, 0, report.Bold, size, report.AccentInk)
	}
	f.indented(text, 16, size, report.Ink, size*0.35)
}

// warning puts a sentence to bear in mind.
func (f *flow) warning(text string) {
	b := block()
	const size = 9.2
	end := b.Paragraph(text, 12, size+6, textWidth-22, 0, report.Regular, size, report.Ink)
	h := end - size*0.75 + 2
	back := report.NewCanvas(textWidth, h)
	ground, edge := color.NRGBA{0xf8, 0xec, 0xd0, 0xff}, report.WarnInk
	back.Rect(0, 0, textWidth, h, &ground, nil, 0)
	back.Rect(0, 0, 3, h, &edge, nil, 0)
	back.Put(b, 0, 0)
	f.put(back, 8)
}

// scaleBar draws ten millimetres of marble and gives how wide it is with its
// words.
func scaleBar(c *report.Canvas, x, y float64) float64 {
	const n = 10
	dark, light := report.Ink, report.White
	step := 10 * pdfScale / n
	for i := range n {
		fill := &dark
		if i%2 == 1 {
			fill = &light
		}
		c.Rect(x+float64(i)*step, y, step, 3.6, fill, &dark, 0.5)
	}
	c.Write("10 mm", x+n*step+5, y+5, 0, report.Regular, pdfSmall, report.Ink)
	return n*step + 5 + report.TextWidth("10 mm", report.Regular, pdfSmall)
}

// trayInk is the ground that marbles lie on.
var trayInk = color.NRGBA{0xf3, 0xee, 0xe4, 0xff}

// onTray is a row of marbles with its ground below it.
func onTray(row *report.Canvas, above, below float64) *report.Canvas {
	c := report.NewCanvas(row.Width(), row.Height()+above+below)
	c.Rect(0, 0, c.Width(), c.Height(), &trayInk, nil, 0)
	c.Put(row, 0, above)
	return c
}

// rows lays figures out in rows no wider than width, each a block as wide.
func rows(set string, figures []figure, width float64) ([]*report.Canvas, error) {
	const inset = 10.0
	const gap, least = 9.0, 46.0
	cell := func(f figure) float64 { return math.Max(least, f.windowMM()*pdfScale) }
	var out []*report.Canvas
	for i := 0; i < len(figures); {
		j, w, high := i, 0.0, 0.0
		for j < len(figures) && (j == i || w+gap+cell(figures[j]) <= width-2*inset) {
			if j > i {
				w += gap
			}
			w += cell(figures[j])
			high = math.Max(high, figures[j].windowMM()*pdfScale)
			j++
		}
		c := report.NewCanvas(width, high+27)
		x := (width - w) / 2
		for _, f := range figures[i:j] {
			cx, r := x+cell(f)/2, f.windowMM()*pdfScale/2
			if err := c.Picture(f.View, cx, high-r, pdfScale, f.alt(set)); err != nil {
				return nil, err
			}
			c.Write(fmt.Sprint(f.Number), cx, high+11, 0.5, report.Bold, pdfSmall, report.Ink)
			c.Centred(f.caption(), cx, high+20.5, cell(f)+gap-2, 1, report.Regular, 7.4, report.SoftInk)
			x += cell(f) + gap
		}
		out = append(out, c)
		i = j
	}
	return out, nil
}
