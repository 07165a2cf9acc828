package calib

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"regexp"
	"strconv"

	"github.com/lucasb-eyer/go-colorful"
	xfont "golang.org/x/image/font"
	"golang.org/x/text/encoding/charmap"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/font/liberation"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgpdf"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Paper is a sheet to print cards on; its width is the shorter side.
type Paper struct {
	Name              string
	WidthMM, HeightMM float64
}

// The two papers in everyday use: ISO 216 A4, and the letter size of
// ANSI/ASME Y14.1 (8 1/2 x 11 inches).
var (
	A4       = Paper{Name: "a4", WidthMM: 210, HeightMM: 297}
	USLetter = Paper{Name: "letter", WidthMM: 215.9, HeightMM: 279.4}
)

const (
	// printerMarginMM is kept clear all round the sheet: home printers cannot
	// print the outermost 3 to 5 mm (common practice).
	printerMarginMM = 6.0
	// cardGapMM lies between cards, so that a cut gone astray spoils no
	// neighbour.
	cardGapMM = 6.0
	// sheetNoteMM is the strip above and below the cards that the note on the
	// sheet needs.
	sheetNoteMM = 10.0

	cutLineMM   = 0.15
	patchLineMM = 0.15
	checkLineMM = 0.25

	legendSize = 7 * vg.Length(1) // points
	noteSize   = 9 * vg.Length(1)
)

// MinCardDPI and MaxCardDPI bound the resolution of the card as a picture:
// below, a check-bar line is thinner than a pixel; above, the picture is larger
// than any printer resolves.
const (
	MinCardDPI = 72
	MaxCardDPI = 2400
)

// Legend is the text along the card's bottom edge.
func Legend() string {
	return fmt.Sprintf("Tawsight reference card v%d · print at 100 %%", CardVersion)
}

// Sheet is how cards lie on one side of paper.
type Sheet struct {
	WidthMM, HeightMM float64      // of the page as turned
	Cards             [][2]float64 // top-left corners of the cards, mm from the page's top left, y down
}

// SheetFor lays out as many cards as a grid holds on the paper, upright or
// turned, whichever holds more; where both hold as many, the page is turned to
// landscape like the card. Every card lies at least 5 mm from every edge of the
// page.
func SheetFor(p Paper) Sheet {
	upright := layout(p.WidthMM, p.HeightMM)
	turned := layout(p.HeightMM, p.WidthMM)
	if len(upright.Cards) > len(turned.Cards) {
		return upright
	}
	return turned
}

func layout(width, height float64) Sheet {
	fit := func(room, side float64) int {
		return max(0, int((room+cardGapMM)/(side+cardGapMM)))
	}
	columns := fit(width-2*printerMarginMM, CardWidthMM)
	rows := fit(height-2*printerMarginMM-2*sheetNoteMM, CardHeightMM)
	s := Sheet{WidthMM: width, HeightMM: height}
	left := (width - float64(columns)*(CardWidthMM+cardGapMM) + cardGapMM) / 2
	top := (height - float64(rows)*(CardHeightMM+cardGapMM) + cardGapMM) / 2
	for r := range rows {
		for c := range columns {
			s.Cards = append(s.Cards, [2]float64{
				left + float64(c)*(CardWidthMM+cardGapMM),
				top + float64(r)*(CardHeightMM+cardGapMM),
			})
		}
	}
	return s
}

// GreyForL is the 8-bit sRGB value of a neutral of CIELAB lightness l, 0..100,
// under D65: CIE 15 for the lightness, IEC 61966-2-1 for the encoding. Values
// outside the range are clamped.
func GreyForL(l float64) uint8 {
	_, y, _ := colorful.LabToXyz(l/100, 0, 0)
	grey, _, _ := colorful.LinearRgb(y, y, y).Clamped().RGB255()
	return grey
}

// CardSVG writes one card, 105 x 74 mm, as a vector drawing whose user unit is
// the point (1/72 inch).
func CardSVG(w io.Writer) error {
	c := vgsvg.New(CardWidthMM*vg.Millimeter, CardHeightMM*vg.Millimeter)
	drawCard(c, placed(0, 0, CardHeightMM))
	_, err := c.WriteTo(w)
	return err
}

// CardPDF writes a sheet of cards as a one-page vector PDF that asks the
// viewer not to scale it to the paper (ISO 32000-1, 12.2, PrintScaling).
func CardPDF(w io.Writer, p Paper) error {
	s := SheetFor(p)
	if len(s.Cards) == 0 {
		return fmt.Errorf("no card of %g x %g mm fits on paper of %g x %g mm", CardWidthMM, CardHeightMM, p.WidthMM, p.HeightMM)
	}
	c := vgpdf.New(vg.Length(s.WidthMM)*vg.Millimeter, vg.Length(s.HeightMM)*vg.Millimeter)
	for _, corner := range s.Cards {
		drawCard(westernText{c}, placed(corner[0], corner[1], s.HeightMM))
	}
	drawSheetNotes(westernText{c}, s)
	var buf bytes.Buffer
	if _, err := c.WriteTo(&buf); err != nil {
		return err
	}
	unscaled, err := withoutPrintScaling(buf.Bytes())
	if err != nil {
		return err
	}
	_, err = w.Write(unscaled)
	return err
}

// CardPNG writes one card as a grey picture with its resolution recorded in
// the file (a pHYs chunk), so that a program that honours it prints the card
// true to size. Edges that fall between pixels are smoothed by the share of the
// pixel they cover, which keeps every corner where it belongs to a small
// fraction of a pixel. The resolution must be MinCardDPI..MaxCardDPI.
func CardPNG(w io.Writer, dpi int) error {
	img, err := CardImage(dpi)
	if err != nil {
		return err
	}
	var buf bytes.Buffer
	enc := png.Encoder{CompressionLevel: png.BestCompression}
	if err := enc.Encode(&buf, img); err != nil {
		return err
	}
	_, err = w.Write(withPhysicalSize(buf.Bytes(), dpi))
	return err
}

// CardImage draws one card at a resolution of MinCardDPI..MaxCardDPI. The point
// (x, y) mm of the card lies at x*dpi/25.4 pixels from the left edge and
// y*dpi/25.4 from the top edge of the picture, so at half a pixel less than
// that where pixel centres count as whole numbers.
func CardImage(dpi int) (*image.Gray, error) {
	if dpi < MinCardDPI || dpi > MaxCardDPI {
		return nil, fmt.Errorf("cannot draw the card at %d dots an inch: choose %d to %d", dpi, MinCardDPI, MaxCardDPI)
	}
	c := vgimg.NewWith(
		vgimg.UseWH(CardWidthMM*vg.Millimeter, CardHeightMM*vg.Millimeter),
		vgimg.UseDPI(dpi),
		vgimg.UseBackgroundColor(color.White),
	)
	bounds := c.Image().Bounds()
	// The canvas counts from the bottom of a whole number of pixels, the card
	// from its top: measure the height in pixels, not in millimetres, or every
	// row would be off by the rounding.
	drawCard(c, placed(0, 0, float64(bounds.Dy())*25.4/float64(dpi)))
	grey := image.NewGray(bounds)
	for y := bounds.Min.Y; y < bounds.Max.Y; y++ {
		for x := bounds.Min.X; x < bounds.Max.X; x++ {
			grey.Set(x, y, c.Image().At(x, y))
		}
	}
	return grey, nil
}

// place takes a point in card millimetres, y down, to the canvas, y up.
type place func(xMM, yMM float64) vg.Point

// placed puts a card with its top-left corner at (leftMM, topMM) of a page
// heightMM high.
func placed(leftMM, topMM, heightMM float64) place {
	return func(x, y float64) vg.Point {
		return vg.Point{
			X: vg.Length(leftMM+x) * vg.Millimeter,
			Y: vg.Length(heightMM-topMM-y) * vg.Millimeter,
		}
	}
}

// drawCard draws one card; this is the only place that draws one. Whatever is
// paper-white on the card is left unprinted.
func drawCard(c vg.Canvas, at place) {
	c.SetLineDash(nil, 0)

	c.SetColor(color.Gray{Y: 150})
	c.SetLineWidth(cutLineMM * vg.Millimeter)
	c.Stroke(rectangle(at, 0, 0, CardWidthMM, CardHeightMM))
	drawCardParts(c, at, Legend())
}

// drawCardParts draws what is measured on the card, and its legend.
func drawCardParts(c vg.Canvas, at place, legend string) {
	c.SetColor(color.Black)
	for row := range BoardRows {
		for column := range BoardCols {
			if SquareIsBlack(column, row) {
				tl := SquareTopLeft(column, row)
				c.Fill(rectangle(at, tl[0], tl[1], SquareMM, SquareMM))
			}
		}
	}

	for _, p := range Patches() {
		outline := rectangle(at, p.LeftMM, p.TopMM, p.SideMM, p.SideMM)
		if p.Bare {
			c.SetColor(color.Gray{Y: 110})
			c.SetLineWidth(patchLineMM * vg.Millimeter)
			c.Stroke(outline)
			continue
		}
		c.SetColor(color.Gray{Y: GreyForL(p.L)})
		c.Fill(outline)
	}

	c.SetColor(color.Black)
	c.SetLineWidth(checkLineMM * vg.Millimeter)
	right := CheckBarLeftMM + CheckBarMM
	c.Stroke(line(at, CheckBarLeftMM, CheckBarYMM, right, CheckBarYMM))
	for _, x := range []float64{CheckBarLeftMM, right} {
		c.Stroke(line(at, x, CheckBarYMM-CheckTickMM/2, x, CheckBarYMM+CheckTickMM/2))
	}
	c.FillString(sans(legendSize), at(right+1.5, CheckBarYMM+0.9), fmt.Sprintf("%g mm", CheckBarMM))
	c.FillString(sans(legendSize), at(CheckBarLeftMM, LegendTopMM+3.2), legend)
}

func drawSheetNotes(c vg.Canvas, s Sheet) {
	c.SetColor(color.Gray{Y: 60})
	left, top := s.Cards[0][0], s.Cards[0][1]
	bottom := s.Cards[len(s.Cards)-1][1] + CardHeightMM
	at := placed(0, 0, s.HeightMM)
	c.FillString(sans(noteSize), at(left, top-5.5),
		"Print at 100 % (actual size, not “fit to page”) on plain matt paper. Cut along the thin lines and keep the card flat.")
	c.FillString(sans(noteSize), at(left, bottom+8.5),
		fmt.Sprintf("Check: the long line on each card should be %.1f mm from end to end. If your print differs, tell the program what you found.", CheckBarMM))
}

func rectangle(at place, x, y, width, height float64) vg.Path {
	var p vg.Path
	p.Move(at(x, y))
	p.Line(at(x+width, y))
	p.Line(at(x+width, y+height))
	p.Line(at(x, y+height))
	p.Close()
	return p
}

func line(at place, x0, y0, x1, y1 float64) vg.Path {
	var p vg.Path
	p.Move(at(x0, y0))
	p.Line(at(x1, y1))
	return p
}

// westernText recodes text for the PDF canvas, which takes bytes of code page
// 1252 where the other canvases take UTF-8.
type westernText struct{ vg.Canvas }

func (c westernText) FillString(f font.Face, pt vg.Point, text string) {
	encoded, err := charmap.Windows1252.NewEncoder().String(text)
	if err != nil { // a sign outside the code page: better garbled than absent
		encoded = text
	}
	c.Canvas.FillString(f, pt, encoded)
}

var fonts = font.NewCache(liberation.Collection())

func sans(size vg.Length) font.Face {
	return fonts.Lookup(font.Font{Typeface: "Liberation", Variant: "Sans", Weight: xfont.WeightNormal}, size)
}

// withPhysicalSize puts a pHYs chunk behind the header of a PNG file (W3C PNG
// specification, 11.3.5.3): pixels per metre both ways.
func withPhysicalSize(file []byte, dpi int) []byte {
	const afterHeader = 8 + 4 + 4 + 13 + 4 // signature, then IHDR: length, type, data, CRC
	perMetre := uint32(math.Round(float64(dpi) / 0.0254))
	body := []byte("pHYs")
	body = binary.BigEndian.AppendUint32(body, perMetre)
	body = binary.BigEndian.AppendUint32(body, perMetre)
	body = append(body, 1) // the unit is the metre

	out := append([]byte{}, file[:afterHeader]...)
	out = binary.BigEndian.AppendUint32(out, uint32(len(body)-4))
	out = append(out, body...)
	out = binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(body))
	return append(out, file[afterHeader:]...)
}

var (
	pdfSize  = regexp.MustCompile(`/Size (\d+)`)
	pdfRoot  = regexp.MustCompile(`/Root (\d+) 0 R`)
	pdfInfo  = regexp.MustCompile(`/Info \d+ 0 R`)
	pdfStart = regexp.MustCompile(`startxref\s+(\d+)`)
)

// withoutPrintScaling appends to a PDF file an update (ISO 32000-1, 7.5.6) of
// its catalogue that asks viewers to print at actual size: "fit to page" is
// what spoils most printed rulers, and the drawing library has no setting for
// it.
func withoutPrintScaling(file []byte) ([]byte, error) {
	trailer := bytes.LastIndex(file, []byte("trailer"))
	if trailer < 0 {
		return nil, fmt.Errorf("the PDF just drawn has no trailer")
	}
	find := func(re *regexp.Regexp) string {
		if m := re.FindSubmatch(file[trailer:]); m != nil {
			return string(m[len(m)-1])
		}
		return ""
	}
	size, root, info, start := find(pdfSize), find(pdfRoot), find(pdfInfo), find(pdfStart)
	head := []byte("\n" + root + " 0 obj\n<<")
	from := bytes.LastIndex(file, head)
	if size == "" || root == "" || start == "" || from < 0 {
		return nil, fmt.Errorf("the PDF just drawn has an unexpected form")
	}
	length := bytes.Index(file[from:], []byte(">>\nendobj"))
	if length < 0 {
		return nil, fmt.Errorf("the PDF just drawn has an unfinished catalogue")
	}
	var out bytes.Buffer
	out.Write(file)
	if file[len(file)-1] != '\n' {
		out.WriteByte('\n')
	}
	catalogue := out.Len()
	out.Write(file[from+1 : from+length])
	out.WriteString("/ViewerPreferences << /PrintScaling /None >>\n>>\nendobj\n")
	table := out.Len()
	fmt.Fprintf(&out, "xref\n%s 1\n%010d 00000 n \ntrailer\n<<\n/Size %s\n/Root %s 0 R\n%s\n/Prev %s\n>>\nstartxref\n%s\n%%%%EOF\n",
		root, catalogue, size, root, info, start, strconv.Itoa(table))
	return out.Bytes(), nil
}
