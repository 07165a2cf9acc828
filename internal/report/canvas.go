package report

import (
	"cmp"
	"fmt"
	"image/color"
	"io"
	"strings"
	"time"

	"tawsight/internal/record"
)

// Canvas is a drawing for other packages: laid out in points (1/72 inch) from
// its top left corner, y downwards. A text's y is its baseline's.
type Canvas struct{ d *drawing }

// Weight is a cut of the typeface.
type Weight = weight

// The typeface's cuts.
const (
	Regular = regular
	Bold    = bold
)

// Inks that all drawings share.
var (
	Ink       = sheetInk
	SoftInk   = sheetSoft
	LineInk   = sheetLine
	AccentInk = sheetAccent
	WarnInk   = sheetWarn
	White     = white
	Paper     = sheetPaper
)

// SetInk is the colour of the nth of the sets side by side, from 0.
func SetInk(n int) color.NRGBA { return setInks[n%len(setInks)] }

// NewCanvas is an empty canvas; its height may be given later.
func NewCanvas(w, h float64) *Canvas { return &Canvas{newDrawing(w, h)} }

// Width and Height are the canvas's, points.
func (c *Canvas) Width() float64  { return c.d.w }
func (c *Canvas) Height() float64 { return c.d.h }

// SetHeight says how high the canvas is, once everything is laid out.
func (c *Canvas) SetHeight(h float64) { c.d.h = h }

// Rect draws an upright rectangle; fill or line may be nil.
func (c *Canvas) Rect(x, y, w, h float64, fill, line *color.NRGBA, width float64) {
	c.d.rect(x, y, w, h, fill, line, width)
}

// Line draws a straight line, dashed where lengths of dashes and gaps are given.
func (c *Canvas) Line(x0, y0, x1, y1, width float64, ink color.NRGBA, dash ...float64) {
	c.d.line(x0, y0, x1, y1, width, ink, dash...)
}

// Circle draws a circle; fill or line may be nil.
func (c *Canvas) Circle(x, y, r float64, fill, line *color.NRGBA, width float64) {
	c.d.circle(x, y, r, fill, line, width)
}

// SetBar fills a bar in the manner of the nth of the sets side by side: whole,
// striped or dotted, so that they differ without colours too.
func (c *Canvas) SetBar(n int, x, y, w, h float64) { c.d.setBar(n%len(setInks), x, y, w, h) }

// Write puts one line; anchor 0 has x its left end, 0.5 its middle, 1 its right
// end.
func (c *Canvas) Write(text string, x, y, anchor float64, w Weight, size float64, ink color.NRGBA) {
	c.d.write(text, x, y, anchor, w, size, ink)
}

// Paragraph writes text over as many lines as it needs, at most so many (0 for
// any number), and gives the baseline below them.
func (c *Canvas) Paragraph(text string, x, y, width float64, most int, w Weight, size float64, ink color.NRGBA) float64 {
	return c.d.paragraph(text, x, y, width, most, w, size, ink)
}

// Centred is Paragraph with each line's middle at x.
func (c *Canvas) Centred(text string, x, y, width float64, most int, w Weight, size float64, ink color.NRGBA) float64 {
	return c.d.centred(text, x, y, width, most, w, size, ink)
}

// Picture puts a marble's view with its middle at (x, y), seen through a round
// window, so many points a millimetre; alt says what it shows.
func (c *Canvas) Picture(v View, x, y, scale float64, alt string) error {
	r, side := v.window(scale)
	if err := c.d.picture(v.JPEG, x-side/2, y-side/2, side, r, alt); err != nil {
		return err
	}
	c.d.circle(x, y, r+0.25, nil, &hatchInk, 0.5)
	return nil
}

// Put copies another canvas into this one, its corner at (x, y).
func (c *Canvas) Put(from *Canvas, x, y float64) { c.d.put(from.d, x, y) }

// Place lets links lead to a height of the page. With a title it is a bookmark
// too, level 0 the outermost.
func (c *Canvas) Place(y float64, name, title string, level int) {
	c.d.places = append(c.d.places, landmark{y, name, title, level})
}

// Link makes a part of the page lead to a place.
func (c *Canvas) Link(x, y, w, h float64, name string) {
	c.d.links = append(c.d.links, link{box{x, y, x + w, y + h}, name})
}

// SVG is the canvas for a page's own text. Its greys and its accent are the
// page's custom properties --ink, --soft, --line, --accent and --sheet, so that
// it suits a dark page as well.
func (c *Canvas) SVG(label string) string {
	hex := func(c color.NRGBA) string { return fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B) }
	return strings.NewReplacer(
		`"`+hex(sheetInk)+`"`, `"var(--ink)"`, `"`+hex(sheetSoft)+`"`, `"var(--soft)"`, `"`+hex(sheetLine)+`"`, `"var(--line)"`,
		`"`+hex(sheetAccent)+`"`, `"var(--accent)"`, `"`+hex(white)+`"`, `"var(--sheet)"`,
	).Replace(c.d.svg(label))
}

// TextWidth is how long a line is, points.
func TextWidth(text string, w Weight, size float64) float64 { return textWidth(legible(text), w, size) }

// LinesOf breaks text into lines no wider than width, at most so many; 0 for
// any number.
func LinesOf(text string, width float64, most int, w Weight, size float64) []string {
	return linesOf(text, width, most, w, size)
}

// SizeDots is a dot a specimen over a scale in 1/64 inch and millimetres; it
// needs one size at least.
func SizeDots(sizesMM []float64, width float64) *Canvas { return &Canvas{sizeDots(sizesMM, width)} }

// PaletteChart are swatches with their names.
func PaletteChart(title string, list []PaletteColour, width float64) *Canvas {
	return &Canvas{paletteChart(title, list, width)}
}

// Book is a PDF of several pages.
type Book struct {
	Title, Author, Subject string
	// Mark is what the file says that it is, by which a later run knows it.
	Mark  string
	Made  time.Time // zero for a fixed day
	Pages []*Canvas
}

// Write writes the PDF, its pages white: text as text, in the typeface that goes with it. The
// same pages give the same bytes.
func (b Book) Write(w io.Writer) error {
	facts := bookFacts{Title: b.Title, Author: b.Author, Subject: b.Subject, Creator: b.Mark, Made: b.Made, Bare: true}
	if facts.Made.IsZero() {
		facts.Made = madeAlike
	}
	pages := make([]*drawing, len(b.Pages))
	for i, p := range b.Pages {
		pages[i] = p.d
	}
	return writeBook(w, facts, pages)
}

// PlateView is the diameter of the round window that a marble is seen through,
// in marbles.
const PlateView = plateView

// NoScaleMM is the size that marbles of photos without a scale are drawn at:
// 5/8 inch, common practice for a player's marble.
const NoScaleMM = noScaleMM

// DiameterMM is the marble's diameter, 0 where the photo gave no scale.
func (v View) DiameterMM() float64 { return v.diameterMM() }

// InchFraction is a length to the nearest 1/64 inch, reduced: "5/8", "1 1/16".
func InchFraction(mm float64) string { return sixtyFourths(int(mm/mmPerInch*64 + 0.5)) }

// MadeByLine names the versions that figures were made with.
func MadeByLine(m record.MadeBy) string {
	line := "Tawsight " + cmp.Or(m.Tawsight, record.Version)
	if m.OpenCV != "" {
		line += ", OpenCV " + m.OpenCV
	}
	return line
}

// Plural is "1 marble", "2 marbles".
func Plural(n int, what string) string { return plural(n, what) }

// Sentence begins with a capital and ends with a full stop.
func Sentence(s string) string { return sentence(s) }

// WholePercent is a share in whole per cent; only none is 0 and only all is 100.
func WholePercent(share float64) string { return wholePercent(share) }

// Legible is text with what the typeface of drawings has no letter for replaced
// by a dot.
func Legible(text string) string { return legible(text) }

// FreeFor says, as an error, why the file at path may not be written: there is
// one that does not carry the mark. The error wraps not.
func FreeFor(path, mark string, not error) error { return freeFor(path, mark, not) }
