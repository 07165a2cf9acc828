package report

import (
	"bytes"
	"crypto/sha256"
	"encoding/xml"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
	"io"
	"math"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"
	"git.sr.ht/~sbinet/gg"
	"golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// A drawing is laid out once, in points (1/72 inch) from its top left corner, y
// downwards, and then painted as PNG, PDF or SVG. (The PDF canvas of
// gonum/plot, vgpdf, knows the letters of code page 1252 only; names of sets
// are the collector's own, in any alphabet the typeface has.)
type drawing struct {
	w, h  float64
	items []item
	// words are all pieces of text and where they stand.
	words []placedText
	// looks are all pictures and marks that text must keep clear of.
	looks []box
	// places can be jumped to in a PDF, and links jump to them.
	places []landmark
	links  []link
}

// A landmark is a height of a page that links can lead to.
type landmark struct {
	y    float64
	name string // what links call it; may be empty
	// title and level are its bookmark's, the outermost level 0; no bookmark
	// where the title is empty.
	title string
	level int
}

// A link leads from a part of a page to a landmark.
type link struct {
	box  box
	name string
}

// An item is one thing to paint; exactly one kind is set.
type item struct {
	shape *shape
	text  *textItem
	photo *photoItem
}

type shape struct {
	points []([2]float64) // a path of straight pieces
	circle *[3]float64    // or middle and radius
	close  bool
	fill   *color.NRGBA
	line   *color.NRGBA
	width  float64
	dash   []float64
}

type textItem struct {
	text   string
	x, y   float64 // left end of the baseline
	weight weight
	size   float64
	ink    color.NRGBA
}

// photoItem is a picture in a round window.
type photoItem struct {
	img    image.Image
	jpeg   []byte
	x, y   float64 // the picture's left and top
	side   float64 // of the picture, which is square
	radius float64 // of the window about the picture's middle; 0 for all of it
	alt    string
}

func newDrawing(w, h float64) *drawing { return &drawing{w: w, h: h} }

func (d *drawing) add(s shape) { d.items = append(d.items, item{shape: &s}) }

func (d *drawing) rect(x, y, w, h float64, fill, line *color.NRGBA, width float64) {
	d.add(shape{points: [][2]float64{{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}}, close: true, fill: fill, line: line, width: width})
}

func (d *drawing) line(x0, y0, x1, y1, width float64, ink color.NRGBA, dash ...float64) {
	d.add(shape{points: [][2]float64{{x0, y0}, {x1, y1}}, line: &ink, width: width, dash: dash})
}

func (d *drawing) circle(x, y, r float64, fill, line *color.NRGBA, width float64) {
	d.add(shape{circle: &[3]float64{x, y, r}, fill: fill, line: line, width: width})
}

func (d *drawing) polygon(fill, line *color.NRGBA, width float64, points ...[2]float64) {
	d.add(shape{points: points, close: true, fill: fill, line: line, width: width})
}

// picture puts a square picture, a JPEG file, into the square at (x, y), seen through a round
// window of the given radius about its middle.
func (d *drawing) picture(data []byte, x, y, side, radius float64, alt string) error {
	img, err := jpeg.Decode(bytes.NewReader(data))
	if err != nil {
		return fmt.Errorf("the picture of %s can't be drawn: %w", alt, err)
	}
	d.items = append(d.items, item{photo: &photoItem{img, data, x, y, side, radius, alt}})
	if radius == 0 {
		radius = side / 2
	}
	d.looks = append(d.looks, box{x + side/2 - radius, y + side/2 - radius, x + side/2 + radius, y + side/2 + radius})
	return nil
}

// measuringFonts are the typeface's cuts, as measured at any size; each is
// guarded since sfnt's buffer is not shared.
type measuringFont struct {
	sync.Mutex
	font     *sfnt.Font
	buf      sfnt.Buffer
	advances map[rune]float64 // at a size of 1
}

var measuring = sync.OnceValue(func() (fonts [2]*measuringFont) {
	parsed, err := parsedFonts()
	if err != nil {
		panic(err) // the font is part of the program
	}
	for w := range fonts {
		fonts[w] = &measuringFont{font: parsed[w], advances: map[rune]float64{}}
	}
	return fonts
})

// textWidth is how long a line is, points, without kerning: the painters differ
// in that, and none makes it longer.
func textWidth(text string, w weight, size float64) float64 {
	f := measuring()[w]
	f.Lock()
	defer f.Unlock()
	sum := 0.0
	for _, r := range text {
		a, ok := f.advances[r]
		if !ok {
			g, err := f.font.GlyphIndex(&f.buf, r)
			if err == nil {
				var v fixed.Int26_6
				if v, err = f.font.GlyphAdvance(&f.buf, g, fixed.I(1000), font.HintingNone); err == nil {
					a = float64(v) / 64 / 1000
				}
			}
			f.advances[r] = a
		}
		sum += a
	}
	return sum * size
}

// legible is text with what the typeface has no letter for, and what no
// typeface shows, replaced by a dot.
func legible(text string) string {
	f := measuring()[regular]
	f.Lock()
	defer f.Unlock()
	return strings.Map(func(r rune) rune {
		if g, err := f.font.GlyphIndex(&f.buf, r); err != nil || g == 0 || !unicode.IsPrint(r) || r > 0xffff {
			return '·'
		}
		return r
	}, text)
}

// write puts one line with its baseline at y and, for anchor 0, its left end at
// x; 0.5 its middle, 1 its right end.
func (d *drawing) write(text string, x, y, anchor float64, w weight, size float64, ink color.NRGBA) {
	text = legible(text)
	width := textWidth(text, w, size)
	x -= anchor * width
	d.items = append(d.items, item{text: &textItem{text, x, y, w, size, ink}})
	d.words = append(d.words, placedText{box{x, y - 0.74*size, x + width, y + 0.21*size}, text})
}

// linesOf breaks text into lines no wider than width; a word too long for a
// line is broken where the line ends. What would not fit into most lines is cut
// short with dots; 0 for no limit.
func linesOf(text string, width float64, most int, w weight, size float64) []string {
	text = legible(strings.Join(strings.Fields(text), " "))
	fits := func(s string) bool { return textWidth(s, w, size) <= width }
	var lines []string
	line := ""
	flush := func() {
		if line != "" {
			lines = append(lines, line)
		}
		line = ""
	}
	for _, word := range strings.Fields(text) {
		joined := word
		if line != "" {
			joined = line + " " + word
		}
		if fits(joined) {
			line = joined
			continue
		}
		flush()
		for !fits(word) {
			n, hyphen := 0, 0
			for i, r := range word {
				if end := i + utf8.RuneLen(r); i > 0 && !fits(word[:end]) {
					break
				} else {
					n = end
				}
				if strings.ContainsRune("-_/·,", r) {
					hyphen = n
				}
			}
			if hyphen > 0 && hyphen < len(word) {
				n = hyphen
			}
			if n >= len(word) {
				break // a single letter wider than the line
			}
			lines = append(lines, word[:n])
			word = word[n:]
		}
		line = word
	}
	flush()
	if most > 0 && len(lines) > most {
		last := lines[most-1] + "…"
		for !fits(last) && len(last) > len("…") {
			cut := strings.TrimSuffix(last, "…")
			_, n := utf8.DecodeLastRuneInString(cut)
			last = strings.TrimRight(cut[:len(cut)-n], " ") + "…"
		}
		lines = append(lines[:most-1], last)
	}
	return lines
}

// paragraph writes text over several lines from baseline y and gives the
// baseline below them.
func (d *drawing) paragraph(text string, x, y, width float64, most int, w weight, size float64, ink color.NRGBA) float64 {
	for _, l := range linesOf(text, width, most, w, size) {
		d.write(l, x, y, 0, w, size, ink)
		y += size * leading
	}
	return y
}

// centred is paragraph with each line's middle at x.
func (d *drawing) centred(text string, x, y, width float64, most int, w weight, size float64, ink color.NRGBA) float64 {
	for _, l := range linesOf(text, width, most, w, size) {
		d.write(l, x, y, 0.5, w, size, ink)
		y += size * leading
	}
	return y
}

// paint draws on a picture, scale pixels a point.
func (d *drawing) paint(scale float64) *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, int(math.Ceil(d.w*scale)), int(math.Ceil(d.h*scale))))
	draw.Draw(img, img.Bounds(), image.NewUniform(sheetPaper), image.Point{}, draw.Src)
	dc := gg.NewContextForRGBA(img)
	faces := map[typeface]openFace{}
	defer func() {
		for _, f := range faces {
			f.release()
		}
	}()
	for _, it := range d.items {
		switch {
		case it.shape != nil:
			s := it.shape
			if s.circle != nil {
				dc.DrawCircle(s.circle[0]*scale, s.circle[1]*scale, s.circle[2]*scale)
			}
			for i, p := range s.points {
				if i == 0 {
					dc.MoveTo(p[0]*scale, p[1]*scale)
				} else {
					dc.LineTo(p[0]*scale, p[1]*scale)
				}
			}
			if s.close {
				dc.ClosePath()
			}
			if s.fill != nil {
				dc.SetColor(*s.fill)
				dc.FillPreserve()
			}
			if s.line != nil {
				dash := make([]float64, len(s.dash))
				for i, v := range s.dash {
					dash[i] = v * scale
				}
				dc.SetDash(dash...)
				dc.SetLineCapButt()
				dc.SetColor(*s.line)
				dc.SetLineWidth(s.width * scale)
				dc.StrokePreserve()
				dc.SetDash()
			}
			dc.ClearPath()
		case it.text != nil:
			t := it.text
			key := typeface{t.weight, t.size}
			f, ok := faces[key]
			if !ok {
				fonts, err := parsedFonts()
				if err != nil {
					panic(err)
				}
				face, err := opentype.NewFace(fonts[t.weight], &opentype.FaceOptions{Size: t.size * scale, DPI: 72})
				if err != nil {
					panic(err)
				}
				f = openFace{face, face.Close}
				faces[key] = f
			}
			dc.SetFontFace(f.face)
			dc.SetColor(t.ink)
			dc.DrawString(t.text, t.x*scale, t.y*scale)
		case it.photo != nil:
			p := it.photo
			b := p.img.Bounds()
			k := p.side * scale / float64(b.Dx())
			cx, cy := (p.x+p.side/2)*scale, (p.y+p.side/2)*scale
			layer := image.NewRGBA(img.Bounds().Intersect(image.Rect(int(p.x*scale)-1, int(p.y*scale)-1, int((p.x+p.side)*scale)+2, int((p.y+p.side)*scale)+2)))
			place(layer, p.img, k, float64(b.Min.X)+float64(b.Dx())/2, float64(b.Min.Y)+float64(b.Dy())/2, cx, cy)
			if p.radius == 0 {
				draw.Draw(img, layer.Bounds(), layer, layer.Bounds().Min, draw.Over)
				break
			}
			r := p.radius * scale
			mask := image.NewAlpha(layer.Bounds())
			for y := mask.Rect.Min.Y; y < mask.Rect.Max.Y; y++ {
				for x := mask.Rect.Min.X; x < mask.Rect.Max.X; x++ {
					in := r + 0.5 - math.Hypot(float64(x)+0.5-cx, float64(y)+0.5-cy)
					mask.SetAlpha(x, y, color.Alpha{uint8(255*math.Max(0, math.Min(1, in)) + 0.5)})
				}
			}
			draw.DrawMask(img, layer.Bounds(), layer, layer.Bounds().Min, mask, mask.Rect.Min, draw.Over)
		}
	}
	return img
}

// writePNG writes the drawing as a PNG of the given resolution, marked as made
// by this program and with its size (W3C PNG, third edition, 11.3.3.2 and
// 11.3.4.3).
func (d *drawing) writePNG(w io.Writer, dpi float64, mark string) error {
	var buf bytes.Buffer
	if err := (&png.Encoder{CompressionLevel: png.DefaultCompression}).Encode(&buf, d.paint(dpi/72)); err != nil {
		return err
	}
	data := buf.Bytes()
	var phys [9]byte
	perMetre := uint32(dpi/0.0254 + 0.5)
	for i := range 4 {
		phys[i], phys[4+i] = byte(perMetre>>(24-8*i)), byte(perMetre>>(24-8*i))
	}
	phys[8] = 1
	for _, part := range [][]byte{data[:pngHeaderLen], pngChunk("tEXt", "Software\x00"+mark), pngChunk("pHYs", string(phys[:])), data[pngHeaderLen:]} {
		if _, err := w.Write(part); err != nil {
			return err
		}
	}
	return nil
}

// madeAlike is the date that files carry whose own date says nothing of what
// they show, and would make every run differ.
var madeAlike = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// writePDF writes drawings as the pages of a PDF, text as text. The same
// drawings give the same bytes.
func writePDF(w io.Writer, title, creator string, pages ...*drawing) error {
	return writeBook(w, bookFacts{Title: title, Creator: creator, Made: madeAlike}, pages)
}

// bookFacts are what a PDF says of itself.
type bookFacts struct {
	Title, Author, Subject, Creator string
	Made                            time.Time
	Bare                            bool // no ground is drawn: the paper's own
}

// writeBook writes a PDF with bookmarks and links. A picture that stands in it
// several times is stored once.
func writeBook(w io.Writer, facts bookFacts, pages []*drawing) error {
	doc := fpdf.NewCustom(&fpdf.InitType{UnitStr: "pt", Size: fpdf.SizeType{Wd: pages[0].w, Ht: pages[0].h}})
	doc.SetCatalogSort(true)
	doc.SetCreationDate(facts.Made)
	doc.SetModificationDate(facts.Made)
	doc.SetTitle(facts.Title, true)
	doc.SetCreator(facts.Creator, true)
	if facts.Author != "" {
		doc.SetAuthor(facts.Author, true)
	}
	if facts.Subject != "" {
		doc.SetSubject(facts.Subject, true)
	}
	doc.SetLang("en-GB")
	doc.SetMargins(0, 0, 0)
	doc.SetAutoPageBreak(false, 0)
	doc.AddUTF8FontFromBytes("sans", "", liberationsansregular.TTF)
	doc.AddUTF8FontFromBytes("sans", "B", liberationsansbold.TTF)
	targets := map[string]int{}
	for i, d := range pages {
		for _, p := range d.places {
			if _, taken := targets[p.name]; p.name != "" && !taken {
				targets[p.name] = doc.AddLink()
				doc.SetLink(targets[p.name], p.y, i+1)
			}
		}
	}
	for _, d := range pages {
		doc.AddPageFormat("P", fpdf.SizeType{Wd: d.w, Ht: d.h})
		doc.SetFont("sans", "", 10) // a bookmark takes its encoding from the font in use
		for _, p := range d.places {
			if p.title != "" {
				doc.Bookmark(legible(p.title), p.level, p.y)
			}
		}
		for _, l := range d.links {
			if to, ok := targets[l.name]; ok {
				doc.Link(l.box.x0, l.box.y0, l.box.x1-l.box.x0, l.box.y1-l.box.y0, to)
			}
		}
		if !facts.Bare {
			doc.SetFillColor(int(sheetPaper.R), int(sheetPaper.G), int(sheetPaper.B))
			doc.Rect(0, 0, d.w, d.h, "F")
		}
		for _, it := range d.items {
			switch {
			case it.shape != nil:
				s := it.shape
				style := ""
				alpha := uint8(255)
				if s.fill != nil {
					doc.SetFillColor(int(s.fill.R), int(s.fill.G), int(s.fill.B))
					style, alpha = "F", s.fill.A
				}
				if s.line != nil {
					doc.SetDrawColor(int(s.line.R), int(s.line.G), int(s.line.B))
					doc.SetLineWidth(s.width)
					doc.SetDashPattern(s.dash, 0)
					style += "D"
				}
				if alpha != 255 {
					doc.SetAlpha(float64(alpha)/255, "Normal")
				}
				switch {
				case s.circle != nil:
					doc.Circle(s.circle[0], s.circle[1], s.circle[2], style)
				default:
					for i, p := range s.points {
						if i == 0 {
							doc.MoveTo(p[0], p[1])
						} else {
							doc.LineTo(p[0], p[1])
						}
					}
					if s.close {
						doc.ClosePath()
					}
					doc.DrawPath(style)
				}
				if alpha != 255 {
					doc.SetAlpha(1, "Normal")
				}
			case it.text != nil:
				t := it.text
				style := ""
				if t.weight == bold {
					style = "B"
				}
				doc.SetFont("sans", style, t.size)
				doc.SetTextColor(int(t.ink.R), int(t.ink.G), int(t.ink.B))
				doc.Text(t.x, t.y, t.text)
			case it.photo != nil:
				p := it.photo
				name := fmt.Sprintf("%x", sha256.Sum256(p.jpeg))
				opts := fpdf.ImageOptions{ImageType: "jpeg"}
				doc.RegisterImageOptionsReader(name, opts, bytes.NewReader(p.jpeg))
				if p.radius > 0 {
					doc.ClipCircle(p.x+p.side/2, p.y+p.side/2, p.radius, false)
				}
				doc.ImageOptions(name, p.x, p.y, p.side, p.side, false, opts, 0, "")
				if p.radius > 0 {
					doc.ClipEnd()
				}
			}
		}
	}
	return doc.Output(w)
}

// svg is the drawing as SVG for a page's own text, its words as words; it takes
// the typeface of the page where that is sans-serif.
func (d *drawing) svg(label string) string {
	var b strings.Builder
	esc := func(s string) string {
		var e strings.Builder
		_ = xml.EscapeText(&e, []byte(s)) // a strings.Builder never fails
		return e.String()
	}
	n := func(v float64) string {
		s := fmt.Sprintf("%.2f", v)
		return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
	}
	hex := func(c *color.NRGBA) string {
		if c == nil {
			return "none"
		}
		return fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B)
	}
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" width="%s" height="%s" role="img" aria-label="%s" font-family="Liberation Sans,Arimo,Arial,Helvetica,sans-serif">`,
		n(d.w), n(d.h), n(d.w), n(d.h), esc(label))
	for _, it := range d.items {
		switch {
		case it.shape != nil:
			s := it.shape
			style := fmt.Sprintf(`fill="%s"`, hex(s.fill))
			if s.fill != nil && s.fill.A != 255 {
				style += fmt.Sprintf(` fill-opacity="%s"`, n(float64(s.fill.A)/255))
			}
			if s.line != nil {
				style += fmt.Sprintf(` stroke="%s" stroke-width="%s"`, hex(s.line), n(s.width))
			}
			if len(s.dash) > 0 {
				var parts []string
				for _, v := range s.dash {
					parts = append(parts, n(v))
				}
				style += ` stroke-dasharray="` + strings.Join(parts, " ") + `"`
			}
			if s.circle != nil {
				fmt.Fprintf(&b, `<circle cx="%s" cy="%s" r="%s" %s/>`, n(s.circle[0]), n(s.circle[1]), n(s.circle[2]), style)
				continue
			}
			b.WriteString(`<path d="`)
			for i, p := range s.points {
				c := "L"
				if i == 0 {
					c = "M"
				}
				b.WriteString(c + n(p[0]) + " " + n(p[1]))
			}
			if s.close {
				b.WriteString("Z")
			}
			b.WriteString(`" ` + style + `/>`)
		case it.text != nil:
			t := it.text
			strong := ""
			if t.weight == bold {
				strong = ` font-weight="700"`
			}
			// The length holds the place where another typeface is wider.
			fmt.Fprintf(&b, `<text x="%s" y="%s" font-size="%s"%s fill="%s" textLength="%s" lengthAdjust="spacingAndGlyphs" xml:space="preserve">%s</text>`,
				n(t.x), n(t.y), n(t.size), strong, hex(&t.ink), n(textWidth(t.text, t.weight, t.size)), esc(t.text))
		case it.photo != nil:
			p := it.photo
			clip := ""
			if p.radius > 0 {
				clip = fmt.Sprintf(` clip-path="circle(%spx at %spx %spx)"`, n(p.radius), n(p.x+p.side/2), n(p.y+p.side/2))
			}
			fmt.Fprintf(&b, `<image x="%s" y="%s" width="%s" height="%s"%s href="%s"><title>%s</title></image>`,
				n(p.x), n(p.y), n(p.side), n(p.side), clip, jpegURI(p.jpeg), esc(p.alt))
		}
	}
	b.WriteString("</svg>")
	return b.String()
}
