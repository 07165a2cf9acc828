package report

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"git.sr.ht/~sbinet/gg"
	xdraw "golang.org/x/image/draw"
	"golang.org/x/image/font"
	"golang.org/x/image/math/f64"

	"tawsight/features"
	"tawsight/internal/colour"
	"tawsight/internal/record"
)

// Account is what a sheet is drawn from: one marble, and how its figures came
// about.
type Account struct {
	PhotoPath string
	// PhotoFlags are the photo's; the marble's own are in Marble.
	PhotoFlags []record.Flag
	Marble     record.Marble
	Analysis   *features.Analysis
	// Close is the marble cut from the photo, white-balanced, its outline's
	// middle in the picture's middle and CloseRadiusPX from there to the
	// outline. Where Close is nil the face itself is shown.
	Close         image.Image
	CloseRadiusPX float64
}

// Sizes of a sheet, pixels. It is as high as its table of figures needs, and
// SheetHeightPX at least.
const (
	SheetWidthPX  = 1600
	SheetHeightPX = 1100

	sheetMargin = 28.0
	panelPX     = 340 // side of a picture
	panelGap    = 24.0
	tableX      = sheetMargin + 3*panelPX + 2*panelGap + 34
	tableWidth  = SheetWidthPX - sheetMargin - tableX
	picturesY   = 134.0 // top of the pictures
	lowerY      = 586.0 // top of what stands below them
	// SheetDiscPX is the radius a marble is shown at.
	SheetDiscPX = 160.0

	titleSize = 15.0
	bodySize  = 13.0
	smallSize = 12.0
	leading   = 1.3
)

// A sheet's own colours. Text has at least 4.5 to 1 against the paper (WCAG
// 2.2, 1.4.3).
var (
	sheetPaper  = color.NRGBA{0xfb, 0xfa, 0xf7, 0xff}
	sheetInk    = color.NRGBA{0x22, 0x20, 0x1c, 0xff}
	sheetSoft   = color.NRGBA{0x63, 0x5d, 0x53, 0xff}
	sheetLine   = color.NRGBA{0xd9, 0xd3, 0xc7, 0xff}
	sheetAccent = color.NRGBA{0x0b, 0x6e, 0x75, 0xff}
	sheetWarn   = color.NRGBA{0x9a, 0x5b, 0x00, 0xff}
	hatchInk    = color.NRGBA{0x8d, 0x86, 0x7a, 0xff}
	hatchPaper  = color.NRGBA{0xee, 0xea, 0xe2, 0xff}
	bubbleInk   = color.NRGBA{0xd5, 0x5e, 0x00, 0xff}
)

// traceInks tell the colours of a marble apart in what is drawn of them: those
// of Okabe and Ito's palette for all kinds of colour vision (Color Universal
// Design, 2008) that stand out on a light ground. Dashes and marks differ as
// well.
var traceInks = []color.NRGBA{
	{0x00, 0x72, 0xb2, 0xff}, {0xd5, 0x5e, 0x00, 0xff}, {0x00, 0x7d, 0x5a, 0xff}, {0xb4, 0x4c, 0x8c, 0xff},
	{0x2a, 0x2a, 0x2a, 0xff}, {0x8a, 0x6d, 0x00, 0xff}, {0x3a, 0x93, 0xc9, 0xff},
}

var traceDashes = [][]float64{nil, {12, 5}, {3, 5}, {14, 4, 3, 4}, {7, 3}, {20, 6}, {2, 3}}

// baseInk is the base's in plots.
var baseInk = color.NRGBA{0x55, 0x52, 0x4c, 0xff}

// Sheet draws a marble's sheet: its face, the colours it was taken apart into,
// the ribbons as traced, how light goes over it and around it, and every
// figure with how sure it is or why it is absent.
func Sheet(in Account) *image.RGBA {
	s := newSheet(in, features.All())
	s.draw()
	return s.img
}

type sheet struct {
	Account
	registry []features.Feature
	grounds  []groundHere
	img      *image.RGBA
	dc       *gg.Context
	rows     []tableRow
	// words are all pieces of text and where they stand.
	words []placedText
	faces map[typeface]openFace
	keys  []string // what each of the face's colours is called on this sheet: B, 1, 2 ...
	inks  []color.NRGBA
	fills []color.RGBA // each colour itself
	nth   []int        // number of each colour among the ribbons, -1 for the base
}

type typeface struct {
	weight weight
	size   float64
}

type openFace struct {
	face    font.Face
	release func() error
}

type placedText struct {
	box  box
	text string
}

// groundHere is something that figures rest on and how well this marble's photo
// gives it, 0..1.
type groundHere struct {
	name  string
	holds float64
}

func newSheet(in Account, registry []features.Feature) *sheet {
	s := &sheet{Account: in, registry: registry, faces: map[typeface]openFace{}}
	for _, f := range registry {
		for _, g := range f.Rests {
			if !slices.ContainsFunc(s.grounds, func(h groundHere) bool { return h.name == g.Name }) {
				s.grounds = append(s.grounds, groundHere{g.Name, g.Holds(in.Analysis)})
			}
		}
	}
	n := 0
	for k, c := range in.Analysis.Parts.Colours {
		s.fills = append(s.fills, shown(colour.LabToLinear(c.Lab), 0))
		if k == in.Analysis.Parts.Base {
			s.keys, s.inks, s.nth = append(s.keys, "B"), append(s.inks, baseInk), append(s.nth, -1)
			continue
		}
		s.keys = append(s.keys, fmt.Sprint(n+1))
		s.inks = append(s.inks, traceInks[n%len(traceInks)])
		s.nth = append(s.nth, n)
		n++
	}
	s.dc = gg.NewContext(1, 1) // to measure text with
	s.rows = s.tableRows()
	height := int(picturesY) - 22 + s.tableHeight() + int(sheetMargin)
	s.img = image.NewRGBA(image.Rect(0, 0, SheetWidthPX, max(SheetHeightPX, height, s.listHeight())))
	xdraw.Draw(s.img, s.img.Bounds(), image.NewUniform(sheetPaper), image.Point{}, xdraw.Src)
	s.dc = gg.NewContextForRGBA(s.img)
	return s
}

func (s *sheet) draw() {
	defer func() {
		for _, f := range s.faces {
			f.release()
		}
	}()
	s.header()
	column := func(i int) float64 { return sheetMargin + float64(i)*(panelPX+panelGap) }
	s.facePanel(column(0))
	s.partsPanel(column(1))
	s.tracePanel(column(2))
	s.colourList(column(0))
	s.lightInside(column(1))
	s.lightAround(column(2))
	s.table()
}

// use makes a typeface the current one.
func (s *sheet) use(w weight, size float64) {
	f, ok := s.faces[typeface{w, size}]
	if !ok {
		f.face, f.release = faceOf(w, size)
		s.faces[typeface{w, size}] = f
	}
	s.dc.SetFontFace(f.face)
}

func (s *sheet) width(text string, w weight, size float64) float64 {
	s.use(w, size)
	width, _ := s.dc.MeasureString(text)
	return width
}

// text writes a line with its baseline at y and, for anchor 0, its left end at
// x; 0.5 its middle, 1 its right end.
func (s *sheet) text(text string, x, y, anchor float64, w weight, size float64, c color.Color) {
	width := s.width(text, w, size)
	x -= anchor * width
	s.words = append(s.words, placedText{box{x, y - 0.74*size, x + width, y + 0.21*size}, text})
	s.dc.SetColor(c)
	s.dc.DrawString(text, x, y)
}

// wrap breaks text into lines no wider than width, at most most of them; a word
// too long for a line, and what would not fit, is cut short.
func (s *sheet) wrap(text string, width float64, most int, w weight, size float64) []string {
	s.use(w, size)
	var lines []string
	for _, l := range s.dc.WordWrap(text, width) {
		if l = strings.TrimSpace(l); l != "" {
			lines = append(lines, l)
		}
	}
	if len(lines) > most {
		rest := strings.Join(lines[most-1:], " ")
		lines = append(lines[:most-1], rest)
	}
	for i := range lines {
		lines[i] = s.shorten(lines[i], width, w, size)
	}
	return lines
}

// shorten cuts text to a width, with dots for what is gone.
func (s *sheet) shorten(text string, width float64, w weight, size float64) string {
	if s.width(text, w, size) <= width {
		return text
	}
	runes := []rune(text)
	n := len(runes)
	for n > 0 && s.width(string(runes[:n])+"…", w, size) > width {
		n--
	}
	return strings.TrimRightFunc(string(runes[:n]), unicode.IsSpace) + "…"
}

// paragraph writes text over several lines from baseline y and gives the
// baseline below them.
func (s *sheet) paragraph(text string, x, y, width float64, most int, w weight, size float64, c color.Color) float64 {
	for _, l := range s.wrap(text, width, most, w, size) {
		s.text(l, x, y, 0, w, size, c)
		y += size * leading
	}
	return y
}

func (s *sheet) title(text string, x, y float64) {
	s.text(text, x, y, 0, bold, titleSize, sheetInk)
}

// printable is a name with what no font shows taken out.
func printable(name string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '·'
		}
		return r
	}, name)
}

func (s *sheet) header() {
	m := s.Marble
	y := sheetMargin + 26
	left := "Marble " + printable(m.ID)
	left = s.shorten(left, 420, bold, 30)
	s.text(left, sheetMargin, y, 0, bold, 30, sheetInk)
	x := sheetMargin + s.width(left, bold, 30) + 18
	var facts []string
	if m.DiameterMM != nil {
		size := fmt.Sprintf("%.2f mm", *m.DiameterMM)
		if m.DiameterU95MM != nil {
			size = fmt.Sprintf("%.2f ± %.2f mm", *m.DiameterMM, *m.DiameterU95MM)
		}
		facts = append(facts, size)
	} else {
		facts = append(facts, "size not known")
	}
	for _, f := range []string{m.DiameterIn, m.SizeClass} {
		if f == "" {
			continue
		}
		if f == m.DiameterIn {
			f += " in"
		}
		facts = append(facts, f)
	}
	if b := m.Base; b != nil {
		kind := b.Kind
		if b.Tinted {
			kind = "tinted " + kind
		}
		facts = append(facts, kind+" base")
	}
	facts = append(facts, "photo "+printable(filepath.Base(s.PhotoPath)))
	s.text(s.shorten(strings.Join(facts, "  ·  "), SheetWidthPX-sheetMargin-x, regular, 17), x, y, 0, regular, 17, sheetSoft)
	// What makes the figures doubtful.
	var doubts []string
	for _, f := range eachCodeOnce(append(slices.Clone(m.Flags), s.PhotoFlags...)) {
		doubts = append(doubts, f.Message)
	}
	y += 30
	note, ink := "Nothing about this photo or this marble puts the figures in doubt.", sheetSoft
	if len(doubts) > 0 {
		note, ink = "To take with care: "+strings.Join(doubts, "; ")+".", sheetWarn
	}
	s.text(s.shorten(note, SheetWidthPX-2*sheetMargin, regular, 14), sheetMargin, y, 0, regular, 14, ink)
	s.dc.SetColor(sheetLine)
	s.dc.SetLineWidth(1)
	s.dc.DrawLine(sheetMargin, y+13.5, SheetWidthPX-sheetMargin, y+13.5)
	s.dc.Stroke()
}

// disc is the middle of a panel that starts at x.
func disc(x float64) (cx, cy float64) { return x + panelPX/2, picturesY + panelPX/2 }

// facePanel shows the marble as it was photographed, and the bubble.
func (s *sheet) facePanel(x float64) {
	s.title("The marble", x, picturesY-10)
	cx, cy := disc(x)
	frame := image.Rect(int(x), int(picturesY), int(x)+panelPX, int(picturesY)+panelPX)
	if s.Close != nil && s.CloseRadiusPX > 0 {
		b := s.Close.Bounds()
		k := SheetDiscPX / s.CloseRadiusPX
		xdraw.Draw(s.img, frame, image.NewUniform(sheetLine), image.Point{}, xdraw.Src)
		place(s.img.SubImage(frame).(*image.RGBA), s.Close, k, float64(b.Min.X)+float64(b.Dx())/2, float64(b.Min.Y)+float64(b.Dy())/2, cx, cy)
	} else {
		s.drawFace(cx, cy, SheetDiscPX, 0)
	}
	s.dc.SetDash(1, 5)
	s.dc.SetLineCapRound()
	s.dc.SetColor(color.NRGBA{255, 255, 255, 200})
	s.dc.SetLineWidth(3)
	s.dc.DrawCircle(cx, cy, SheetDiscPX)
	s.dc.StrokePreserve()
	s.dc.SetColor(sheetInk)
	s.dc.SetLineWidth(1.5)
	s.dc.Stroke()
	s.dc.SetDash()
	s.dc.SetLineCapButt()
	y := picturesY + panelPX + 20
	y = s.paragraph("Under the photo’s own white; the dots are the outline.", x, y, panelPX, 1, regular, smallSize, sheetSoft)
	b := s.Analysis.Marks.Bubble
	switch {
	case b.Looked && b.Present:
		s.dc.SetDash(7, 4)
		for _, l := range []struct {
			c color.Color
			w float64
		}{{color.White, 4.5}, {bubbleInk, 2}} {
			s.dc.SetColor(l.c)
			s.dc.SetLineWidth(l.w)
			s.dc.DrawCircle(cx+b.X*SheetDiscPX, cy+b.Y*SheetDiscPX, math.Max(3, b.R*SheetDiscPX))
			s.dc.Stroke()
		}
		s.dc.SetDash()
		size := "a large one, in the dashed circle"
		if s.Marble.Bubble != nil && s.Marble.Bubble.DiameterMM != nil {
			size = fmt.Sprintf("%.1f mm across (it looks larger through the glass), in the dashed circle", *s.Marble.Bubble.DiameterMM)
		}
		s.paragraph(fmt.Sprintf("Bubble: %s. Sure %.2f.", size, b.Sure), x, y, panelPX, 2, regular, smallSize, sheetInk)
	case b.Looked:
		s.paragraph(fmt.Sprintf("Bubble: no large one near the middle. Sure %.2f.", b.Sure), x, y, panelPX, 2, regular, smallSize, sheetInk)
	case b.Why != "":
		s.paragraph("Bubble: not looked for, because "+b.Why+".", x, y, panelPX, 2, regular, smallSize, sheetInk)
	default:
		s.paragraph("Bubble: not looked for.", x, y, panelPX, 2, regular, smallSize, sheetInk)
	}
}

// place draws src onto dst, k times as large, the point (fx, fy) of it, counted
// from its edges, coming to lie at (tx, ty).
func place(dst *image.RGBA, src image.Image, k, fx, fy, tx, ty float64) {
	xdraw.CatmullRom.Transform(dst, f64.Aff3{k, 0, tx - k*fx, 0, k, ty - k*fy}, src, src.Bounds(), xdraw.Over, nil)
}

// drawFace draws the face about (cx, cy), dimmed by a share 0..1 toward the
// paper.
func (s *sheet) drawFace(cx, cy, radius, dimmed float64) {
	f := s.Analysis.Face
	face := image.NewRGBA(image.Rect(0, 0, f.Size, f.Size))
	for i, l := range f.Linear {
		face.SetRGBA(i%f.Size, i/f.Size, shown(l, dimmed))
	}
	side := int(math.Ceil(2*radius)) + 4
	x0, y0 := int(cx)-side/2, int(cy)-side/2
	layer := image.NewRGBA(image.Rect(0, 0, side, side))
	place(layer, face, radius/f.Radius, float64(f.Size)/2, float64(f.Size)/2, cx-float64(x0), cy-float64(y0))
	for j := range side {
		for i := range side {
			// How much of the pixel lies in the disc.
			in := radius + 0.5 - math.Hypot(float64(x0+i)+0.5-cx, float64(y0+j)+0.5-cy)
			if in <= 0 {
				continue
			}
			c, under := layer.RGBAAt(i, j), s.img.RGBAAt(x0+i, y0+j)
			in = math.Min(1, in)
			mix := func(a, b uint8) uint8 { return uint8(float64(a) + (float64(b)-float64(a))*in + 0.5) }
			s.img.SetRGBA(x0+i, y0+j, color.RGBA{mix(under.R, c.R), mix(under.G, c.G), mix(under.B, c.B), 255})
		}
	}
}

// shown is a linear colour as a screen shows it, dimmed toward the paper.
func shown(linear [3]float64, dimmed float64) color.RGBA {
	var v [3]uint8
	for q, p := range [3]uint8{sheetPaper.R, sheetPaper.G, sheetPaper.B} {
		l := 255 * colour.LinearToSRGB(math.Max(0, math.Min(1, linear[q])))
		v[q] = uint8(math.Max(0, math.Min(255, l+(float64(p)-l)*dimmed)) + 0.5)
	}
	return color.RGBA{v[0], v[1], v[2], 255}
}

// What is left out of a face, by the bits that say so, in the order they are
// told in.
var leftOut = []struct {
	bit  uint8
	what string
	hash hatch
}{
	{features.Hidden, "hidden by a neighbour", upright},
	{features.Highlight, "glare", crossed},
	{features.Rim, "rim, where glass bends the view most", slanted},
	{features.Glass, "neither base nor ribbon for certain", stippled},
}

// opaque is a colour without transparency as the sheet's picture holds it.
func opaque(c color.NRGBA) color.RGBA { return color.RGBA{c.R, c.G, c.B, 255} }

// A hatch says whether a place is on one of its lines.
type hatch func(x, y int) bool

func slanted(x, y int) bool  { return mod(x+y, 8) < 2 }
func upright(x, y int) bool  { return mod(x, 6) < 2 }
func stippled(x, y int) bool { return mod(x, 6) < 2 && mod(y+3*(x/6), 6) < 2 }
func crossed(x, y int) bool  { return mod(x+y, 7) == 0 || mod(x-y, 7) == 0 }

func mod(a, n int) int { return ((a % n) + n) % n }

// patterns tell ribbons apart where their colours do not, the first ribbon's
// first.
var patterns = []hatch{
	func(x, y int) bool { return mod(x, 10) < 2 && mod(y, 10) < 2 },
	func(x, y int) bool { return mod(x-y, 11) < 1 },
	func(x, y int) bool { return mod(y, 9) < 1 },
	func(x, y int) bool { return mod(x, 9) < 1 },
	func(x, y int) bool { return mod(x+y, 11) < 1 },
	func(x, y int) bool { return mod(x+y, 12) < 1 || mod(x-y, 12) < 1 },
	func(x, y int) bool { return mod(x, 10) < 1 || mod(y, 10) < 1 },
}

// partInk is the colour that colour k is drawn in at a place, its pattern on it.
func (s *sheet) partInk(k, x, y int) color.RGBA {
	c := s.fills[k]
	if n := s.nth[k]; n >= 0 && patterns[n%len(patterns)](x, y) {
		to := 255.0
		if s.Analysis.Parts.Colours[k].Lab[0] > 55 {
			to = 0
		}
		mix := func(v uint8) uint8 { return uint8(float64(v) + 0.45*(to-float64(v)) + 0.5) }
		return color.RGBA{mix(c.R), mix(c.G), mix(c.B), 255}
	}
	return c
}

// partsPanel shows what the face was taken apart into and what was left out.
func (s *sheet) partsPanel(x float64) {
	s.title("Base and ribbons told apart", x, picturesY-10)
	cx, cy := disc(x)
	f, p := s.Analysis.Face, &s.Analysis.Parts
	at := func(u, v float64) int {
		c := float64(f.Size-1) / 2
		px, py := int(math.Round(u*f.Radius+c)), int(math.Round(v*f.Radius+c))
		if px < 0 || py < 0 || px >= f.Size || py >= f.Size {
			return -1
		}
		return py*f.Size + px
	}
	of := func(i int) int8 {
		if i < 0 || i >= len(p.Of) {
			return -1
		}
		return p.Of[i]
	}
	for j := 0; j < panelPX; j++ {
		for k := 0; k < panelPX; k++ {
			px, py := int(x)+k, int(picturesY)+j
			u, v := (float64(px)+0.5-cx)/SheetDiscPX, (float64(py)+0.5-cy)/SheetDiscPX
			if u*u+v*v >= 1 {
				continue
			}
			i := at(u, v)
			if i < 0 {
				continue
			}
			o := of(i)
			if o < 0 {
				s.img.SetRGBA(px, py, opaque(hatchPaper))
				for _, l := range leftOut {
					if f.Mask[i]&l.bit != 0 {
						if l.hash(px, py) {
							s.img.SetRGBA(px, py, opaque(hatchInk))
						}
						break
					}
				}
				continue
			}
			c := s.partInk(int(o), px, py)
			if right, below := of(at(u+1/SheetDiscPX, v)), of(at(u, v+1/SheetDiscPX)); right >= 0 && right != o || below >= 0 && below != o {
				c = color.RGBA{0x2a, 0x28, 0x24, 255}
			}
			s.img.SetRGBA(px, py, c)
		}
	}
	s.dc.SetColor(hatchInk)
	s.dc.SetLineWidth(1)
	s.dc.DrawCircle(cx, cy, SheetDiscPX)
	s.dc.Stroke()
	var taken []box
	for k := range p.Colours {
		i := deepest(f.Size, p.Of, int8(k))
		if i < 0 {
			continue
		}
		u, v := f.XY(i)
		s.tag(s.keys[k], cx+u*SheetDiscPX, cy+v*SheetDiscPX, &taken)
	}
	// What was left out, and how much of the disc it is.
	y := picturesY + panelPX + 20
	glass, none := 0, 0
	count := make([]int, len(leftOut))
	for i, m := range f.Mask {
		if m&features.Glass == 0 {
			continue
		}
		glass++
		if of(i) >= 0 {
			continue
		}
		none++
		for n, l := range leftOut {
			if m&l.bit != 0 {
				count[n]++
				break
			}
		}
	}
	if glass == 0 {
		return
	}
	s.text(fmt.Sprintf("Left out of the figures: %.0f %% of the disc.", 100*float64(none)/float64(glass)), x, y, 0, regular, smallSize, sheetSoft)
	y += 19
	for n, l := range leftOut {
		if count[n] == 0 {
			continue
		}
		s.swatch(x, y-10, 26, 13, func(px, py int) color.Color {
			if l.hash(px, py) {
				return hatchInk
			}
			return hatchPaper
		})
		s.text(fmt.Sprintf("%s, %s", l.what, percent(float64(count[n])/float64(glass))), x+34, y, 0, regular, smallSize, sheetInk)
		y += 18
	}
}

// swatch fills a small framed field.
func (s *sheet) swatch(x, y float64, w, h int, ink func(px, py int) color.Color) {
	x0, y0 := int(x), int(y)
	for j := range h {
		for i := range w {
			s.img.Set(x0+i, y0+j, ink(x0+i, y0+j))
		}
	}
	s.dc.SetColor(sheetSoft)
	s.dc.SetLineWidth(1)
	s.dc.DrawRectangle(float64(x0)+0.5, float64(y0)+0.5, float64(w)-1, float64(h)-1)
	s.dc.Stroke()
}

// tag writes a colour's key in a white field, unless another is there.
func (s *sheet) tag(key string, x, y float64, taken *[]box) {
	const size = 13.0
	w := s.width(key, bold, size) + 8
	b := box{x - w/2, y - 9, x + w/2, y + 9}
	for _, t := range *taken {
		if b.overlap(t) > 0 {
			return
		}
	}
	*taken = append(*taken, b)
	s.dc.DrawRoundedRectangle(b.x0, b.y0, w, 18, 5)
	s.dc.SetColor(color.NRGBA{255, 255, 255, 235})
	s.dc.FillPreserve()
	s.dc.SetColor(sheetInk)
	s.dc.SetLineWidth(1)
	s.dc.Stroke()
	s.text(key, x, y+4.7, 0.5, bold, size, sheetInk)
}

// deepest is the pixel of colour k farthest from any other, by city blocks; -1
// where there is none.
func deepest(n int, of []int8, k int8) int {
	d := make([]int, len(of))
	best, at, offBest := 0, -1, 0
	for i := range of {
		if of[i] != k {
			continue
		}
		d[i] = 1
		if i%n > 0 && i >= n {
			d[i] = 1 + min(d[i-1], d[i-n])
		}
	}
	for i := len(of) - 1; i >= 0; i-- {
		if of[i] != k {
			continue
		}
		if i%n < n-1 && i+n < len(of) {
			d[i] = min(d[i], 1+min(d[i+1], d[i+n]))
		} else {
			d[i] = 1
		}
		// Of places as deep, the nearest to the middle.
		x, y := i%n-n/2, i/n-n/2
		if off := x*x + y*y; d[i] > best || d[i] == best && off < offBest {
			best, at, offBest = d[i], i, off
		}
	}
	return at
}

// tracePanel shows the ribbons' middle lines with their turns.
func (s *sheet) tracePanel(x float64) {
	s.title("Ribbons traced", x, picturesY-10)
	cx, cy := disc(x)
	s.drawFace(cx, cy, SheetDiscPX, 0.62)
	s.dc.SetColor(hatchInk)
	s.dc.SetLineWidth(1)
	s.dc.DrawCircle(cx, cy, SheetDiscPX)
	s.dc.Stroke()
	pt := func(p [2]float64) (float64, float64) { return cx + p[0]*SheetDiscPX, cy + p[1]*SheetDiscPX }
	lines := s.Analysis.Anatomy.Lines
	s.dc.DrawCircle(cx, cy, SheetDiscPX)
	s.dc.Clip()
	turns, sharp := 0, 0
	lines = slices.DeleteFunc(slices.Clone(lines), func(l features.Line) bool { return len(l.At) < 2 })
	for _, pass := range []bool{true, false} { // white edges first, so that no line hides another
		for _, l := range lines {
			ink, dash := sheetInk, []float64(nil)
			if l.Colour >= 0 && l.Colour < len(s.inks) {
				ink = s.inks[l.Colour]
				if n := s.nth[l.Colour]; n >= 0 {
					dash = traceDashes[n%len(traceDashes)]
				}
			}
			for i, p := range l.At {
				px, py := pt(p)
				if i == 0 {
					s.dc.MoveTo(px, py)
				} else {
					s.dc.LineTo(px, py)
				}
			}
			s.dc.SetLineCapButt()
			if pass {
				s.dc.SetDash()
				s.dc.SetColor(color.NRGBA{255, 255, 255, 200})
				s.dc.SetLineWidth(5.5)
			} else {
				s.dc.SetDash(dash...)
				s.dc.SetColor(ink)
				s.dc.SetLineWidth(2.5)
			}
			s.dc.Stroke()
			s.dc.SetDash()
			if pass {
				s.widthTicks(l, pt)
			}
		}
	}
	s.dc.ResetClip()
	for _, l := range lines {
		for _, i := range l.Turns {
			if i < 0 || i >= len(l.At) || slices.Contains(l.Sharp, i) {
				continue
			}
			turns++
			px, py := pt(l.At[i])
			s.turnMark(px, py)
		}
		for _, i := range l.Sharp {
			if i < 0 || i >= len(l.At) {
				continue
			}
			sharp++
			px, py := pt(l.At[i])
			s.sharpMark(px, py)
		}
	}
	y := picturesY + panelPX + 20
	if len(lines) == 0 {
		why := "No ribbon was traced."
		if len(s.nth) > 0 && len(s.Analysis.Parts.Colours) < 2 {
			why = "No ribbon was traced: the face shows one colour only."
		}
		s.paragraph(why, x, y, panelPX, 2, regular, smallSize, sheetInk)
		return
	}
	s.text(fmt.Sprintf("%s, each from end to end or fork to fork.", plural(len(lines), "middle line")), x, y, 0, regular, smallSize, sheetSoft)
	y += 19
	s.turnMark(x+10, y-4)
	s.text(plural(turns, "turn"), x+24, y, 0, regular, smallSize, sheetInk)
	s.sharpMark(x+130, y-4)
	s.text(plural(sharp, "sharp turn"), x+144, y, 0, regular, smallSize, sheetInk)
	y += 18
	s.dc.SetColor(sheetInk)
	s.dc.SetLineWidth(1.2)
	s.dc.DrawLine(x+4, y-4, x+17, y-4)
	s.dc.Stroke()
	s.text("thin strokes across: the width as measured there", x+24, y, 0, regular, smallSize, sheetInk)
}

func (s *sheet) turnMark(x, y float64) {
	s.dc.DrawCircle(x, y, 5)
	s.dc.SetColor(color.White)
	s.dc.FillPreserve()
	s.dc.SetColor(sheetInk)
	s.dc.SetLineWidth(1.6)
	s.dc.Stroke()
}

func (s *sheet) sharpMark(x, y float64) {
	s.dc.DrawRegularPolygon(3, x, y+1, 7, 0)
	s.dc.SetColor(sheetInk)
	s.dc.FillPreserve()
	s.dc.SetColor(color.White)
	s.dc.SetLineWidth(1.2)
	s.dc.Stroke()
}

// widthTicks draws a ribbon's width across its middle line in a few places near
// the middle of the face, foreshortened as the sphere is.
func (s *sheet) widthTicks(l features.Line, pt func([2]float64) (float64, float64)) {
	const apart = 0.28 // radii along the line
	way := apart / 2
	for i := 1; i+1 < len(l.At) && i < len(l.Width); i++ {
		p := l.At[i]
		tx, ty := l.At[i+1][0]-l.At[i-1][0], l.At[i+1][1]-l.At[i-1][1]
		way += math.Hypot(p[0]-l.At[i-1][0], p[1]-l.At[i-1][1])
		length := math.Hypot(tx, ty)
		r2 := p[0]*p[0] + p[1]*p[1]
		if way < apart || length == 0 || r2 > 0.75*0.75 || !(l.Width[i] > 0) {
			continue
		}
		way = 0
		nx, ny := -ty/length, tx/length
		along := nx*p[0] + ny*p[1]
		half := l.Width[i] / 2 / math.Sqrt(1+along*along/(1-r2))
		ax, ay := pt([2]float64{p[0] - nx*half, p[1] - ny*half})
		bx, by := pt([2]float64{p[0] + nx*half, p[1] + ny*half})
		s.dc.SetColor(color.NRGBA{sheetInk.R, sheetInk.G, sheetInk.B, 170})
		s.dc.SetLineWidth(1.1)
		s.dc.DrawLine(ax, ay, bx, by)
		s.dc.Stroke()
	}
}

// colourList names the colours.
func (s *sheet) colourList(x float64) {
	s.title("Its colours", x, lowerY)
	p := &s.Analysis.Parts
	y := lowerY + 28
	if len(p.Colours) == 0 {
		y = s.paragraph("None: too little of the face is seen to tell colours.", x, y, panelPX, 3, regular, bodySize, sheetInk)
		s.groundList(x, y+20)
		return
	}
	ribbons := s.Marble.Ribbons
	for k, c := range p.Colours {
		s.swatch(x, y-14, 44, 32, func(px, py int) color.Color { return s.partInk(k, px, py) })
		taken := []box{}
		s.tag(s.keys[k], x+22, y+2, &taken)
		lab := c.Lab
		lab[0] = math.Max(0, math.Min(100, lab[0]))
		s.text(s.shorten(colour.Name(lab), panelPX-56, bold, bodySize), x+56, y, 0, bold, bodySize, sheetInk)
		role := "ribbon"
		if k == p.Base {
			role = "base glass"
		}
		detail := []string{colour.Group(lab), role, percent(c.Share)}
		if n := s.nth[k]; n >= 0 && len(ribbons) == len(p.Colours)-len(p.Colours[:1])*bool01(p.Base >= 0) && ribbons[n].WidthMM != nil {
			detail = append(detail, fmt.Sprintf("%.1f mm wide", *ribbons[n].WidthMM))
		}
		s.text(s.shorten(strings.Join(detail, " · "), panelPX-56, regular, smallSize), x+56, y+16, 0, regular, smallSize, sheetSoft)
		y += 44
	}
	y += 2
	y = s.paragraph("Bold: the name in the ISCC-NBS system. Then the everyday name, and the share of the face that was judged.", x, y, panelPX, 3, regular, smallSize, sheetSoft)
	if text := s.inWords(); text != "" {
		y += 20
		s.title("In words", x, y)
		y = s.paragraph(text, x, y+21, panelPX, wordLines, regular, bodySize, sheetInk)
	}
	s.groundList(x, y+20)
}

// wordLines is at most how many lines the marble is told in.
const wordLines = 6

// listHeight is how far down the list of colours, and what stands below it, may
// reach.
func (s *sheet) listHeight() int {
	h := lowerY + 28 + 44*float64(max(1, len(s.Analysis.Parts.Colours))) + 2 + 2*smallSize*leading
	h += 20 + 21 + wordLines*bodySize*leading
	if len(s.grounds) > 0 {
		h += 20 + 22 + 2*smallSize*leading
		for _, g := range s.grounds {
			h += smallSize*leading*float64(len(s.wrap(g.name, groundWidth, 2, regular, smallSize))) + groundGap
		}
	}
	return int(math.Ceil(h + sheetMargin))
}

// inWords is what a collector would say of the marble by its figures; empty
// where nothing of it was measured.
func (s *sheet) inWords() string {
	m := s.Marble
	if m.Base == nil {
		return ""
	}
	tint := ""
	if m.Base.Tinted {
		tint = "tinted "
	}
	base := m.Base.Kind + " " + m.Base.Group + " base"
	switch {
	case m.Base.Kind == features.Transparent && !m.Base.Tinted:
		base = "clear base" // what colour it shows is the paper's below it
	case m.Base.Kind == features.Transparent:
		base = m.Base.Group + "-tinted transparent base"
	case m.Base.Kind == features.Cloudy:
		base = tint + "cloudy base that looks " + m.Base.Group
	}
	article := "A "
	if strings.ContainsAny(base[:1], "aeiou") {
		article = "An "
	}
	parts := []string{article + base}
	var ribbons []string
	for _, r := range byArea(m.Ribbons) {
		text := r.Group + " over " + percent(r.AreaFraction) + " of the face"
		if r.WidthMM != nil {
			text += fmt.Sprintf(", %.1f mm wide", *r.WidthMM)
		}
		ribbons = append(ribbons, text)
	}
	switch len(ribbons) {
	case 0:
		parts[0] += " without ribbons"
	case 1:
		parts = append(parts, "One ribbon colour: "+ribbons[0])
	default:
		parts = append(parts, fmt.Sprintf("%d ribbon colours: %s", len(ribbons), strings.Join(ribbons, "; ")))
	}
	if v, ok := m.Features["busyness"]; ok {
		how := "a plain swirl"
		switch {
		case v >= 0.65:
			how = "a busy swirl"
		case v >= 0.35:
			how = "neither plain nor busy"
		}
		if len(ribbons) == 0 {
			how = "no swirl to speak of"
		}
		text := fmt.Sprintf("Busyness %.2f, %s", v, how)
		if sure, ok := m.FeaturesSure["busyness"]; ok && sure < record.UnsureBelow {
			text += ", but not to be relied on here"
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, ". ") + "."
}

func bool01(b bool) int {
	if b {
		return 1
	}
	return 0
}

// bar draws a share of 0..1.
func (s *sheet) bar(x, y, w, h, v float64, c color.Color) {
	s.dc.SetColor(sheetLine)
	s.dc.DrawRectangle(x, y, w, h)
	s.dc.Fill()
	s.dc.SetColor(c)
	s.dc.DrawRectangle(x, y, w*math.Max(0, math.Min(1, v)), h)
	s.dc.Fill()
}

// A tableRow is one feature, broken into lines.
type tableRow struct {
	label  []string
	value  string // empty where absent
	sure   float64
	unsure bool
	absent []string
}

const (
	labelWidth = 192.0
	valueWidth = 104.0 // to the right end of values
	sureWidth  = 66.0
	rowGap     = 7.0
	groundGap  = 2.0
	// groundWidth is the room for the name of what figures rest on.
	groundWidth = panelPX - sureWidth - 44
)

func (r tableRow) height() float64 {
	label := bodySize * 1.2 * float64(len(r.label))
	return math.Max(label, smallSize*leading*float64(max(1, len(r.absent)))) + rowGap
}

func (s *sheet) tableRows() []tableRow {
	var rows []tableRow
	for _, f := range s.registry {
		r := tableRow{label: s.wrap(f.Label, labelWidth-10, 3, regular, bodySize)}
		if v, ok := s.Marble.Features[f.Name]; ok {
			r.value, r.sure = figure(f, v), s.Marble.FeaturesSure[f.Name]
			r.unsure = r.sure < record.UnsureBelow
			// A long unit leaves the label less room.
			room := labelWidth + valueWidth - s.width(r.value, bold, bodySize) - 8
			r.label = s.wrap(f.Label, math.Min(labelWidth-10, room), 3, regular, bodySize)
		} else {
			why := s.Marble.FeaturesAbsent[f.Name]
			if why == "" {
				why = "not measured"
			}
			r.absent = s.wrap("absent: "+why, tableWidth-labelWidth, 4, regular, smallSize)
		}
		rows = append(rows, r)
	}
	return rows
}

func (s *sheet) tableHeight() int {
	h := 44.0 + 30
	for _, r := range s.rows {
		h += r.height()
	}
	return int(math.Ceil(h))
}

// table lists every figure.
func (s *sheet) table() {
	y := picturesY - 10
	s.title("The figures", tableX, y)
	s.text("value", tableX+labelWidth+valueWidth, y, 1, regular, smallSize, sheetSoft)
	s.text("how sure, 0 to 1", tableX+tableWidth, y, 1, regular, smallSize, sheetSoft)
	y += 10
	for _, r := range s.rows {
		s.dc.SetColor(sheetLine)
		s.dc.SetLineWidth(1)
		s.dc.DrawLine(tableX, math.Floor(y)+0.5, tableX+tableWidth, math.Floor(y)+0.5)
		s.dc.Stroke()
		base := y + 15.5
		ink := sheetInk
		if r.unsure || r.value == "" {
			ink = sheetSoft
		}
		for i, l := range r.label {
			s.text(l, tableX, base+float64(i)*bodySize*1.2, 0, regular, bodySize, ink)
		}
		if r.value == "" {
			for i, l := range r.absent {
				s.text(l, tableX+labelWidth, base+float64(i)*smallSize*leading, 0, regular, smallSize, sheetSoft)
			}
		} else {
			cut := bold
			if r.unsure {
				cut = regular
			}
			s.text(r.value, tableX+labelWidth+valueWidth, base, 1, cut, bodySize, ink)
			barX := tableX + tableWidth - sureWidth - 34
			c := color.Color(sheetAccent)
			if r.unsure {
				c = sheetWarn
				s.text("unsure", barX-6, base, 1, regular, 11, sheetWarn)
			}
			s.bar(barX, base-8.5, sureWidth, 8, r.sure, c)
			s.text(fmt.Sprintf("%.2f", r.sure), tableX+tableWidth, base, 1, regular, smallSize, ink)
		}
		y += r.height()
	}
	y += 18
	s.text("What each means, and what misleads it: tawsight features", tableX, y, 0, regular, smallSize, sheetSoft)
}

// groundList says how well this photo gives what figures rest on, from baseline
// y.
func (s *sheet) groundList(x, y float64) {
	if len(s.grounds) == 0 {
		return
	}
	s.title("What figures rest on, as this photo gives it", x, y)
	y += 22
	for _, g := range s.grounds {
		c := sheetAccent
		if g.holds < record.UnsureBelow {
			c = sheetWarn
		}
		s.bar(x+panelPX-sureWidth-34, y-8, sureWidth, 8, g.holds, c)
		s.text(fmt.Sprintf("%.2f", g.holds), x+panelPX, y, 1, regular, smallSize, sheetInk)
		y = s.paragraph(g.name, x, y, groundWidth, 2, regular, smallSize, sheetInk) + groundGap
	}
	s.paragraph("A figure is as sure as the product of those it rests on. Which they are: tawsight features", x, y+2, panelPX, 2, regular, smallSize, sheetSoft)
}

// figure is a feature's value with its unit, as many places as people need.
func figure(f features.Feature, v float64) string {
	places := 1
	switch {
	case f.High-f.Low <= 2, strings.Contains(f.Unit, "mm"):
		places = 2
	case f.Unit == "" && v == math.Trunc(v):
		places = 0
	}
	out := strconv.FormatFloat(v, 'f', places, 64)
	if of, per := strings.CutPrefix(f.Unit, "1/"); per {
		out += " per " + of
	} else if f.Unit != "" {
		out += " " + f.Unit
	}
	return strings.Replace(out, "-", "−", 1)
}
