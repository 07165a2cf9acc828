package calib

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"encoding/xml"
	"image"
	"image/png"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// rect is a printed rectangle in millimetres, y down, with its 8-bit grey.
type rect struct {
	x, y, w, h float64
	grey       int
}

// wantRects is the table of the reference card, version 1, written out again
// by hand from its description rather than from the constants under test:
// squares of 8.00 from (12.5, 8.0), black where column + row is even; patches of
// 10 with tops at 52.0.
func wantRects() []rect {
	var rs []rect
	for j := range 5 {
		for i := range 10 {
			if (i+j)%2 == 0 {
				rs = append(rs, rect{12.5 + 8*float64(i), 8 + 8*float64(j), 8, 8, 0})
			}
		}
	}
	for _, p := range []struct{ left, l float64 }{
		{26.5, 80}, {40.5, 65}, {54.5, 50}, {68.5, 35}, {82.5, 20},
	} {
		rs = append(rs, rect{p.left, 52, 10, 10, int(math.Round(255 * srgbFromL(p.l)))})
	}
	return rs
}

// srgbFromL follows the published formulas: the lightness of CIE 15:2018,
// eq. 8.3, solved for Y, then the encoding of IEC 61966-2-1:1999, 5.2.
func srgbFromL(l float64) float64 {
	y := l / 903.2963
	if l > 8 {
		y = math.Pow((l+16)/116, 3)
	}
	if y <= 0.0031308 {
		return 12.92 * y
	}
	return 1.055*math.Pow(y, 1/2.4) - 0.055
}

func TestCardIsISO216A7(t *testing.T) {
	// ISO 216: A0 is 841 x 1189 mm, and each size is the one before halved
	// across its longer side, rounded down to the millimetre.
	w, h := 841, 1189
	sizes := [][2]int{{w, h}}
	for range 7 {
		w, h = h/2, w
		sizes = append(sizes, [2]int{w, h})
	}
	if got, want := [2]float64{A4.WidthMM, A4.HeightMM}, sizes[4]; got != [2]float64{float64(want[0]), float64(want[1])} {
		t.Errorf("A4 is %v mm, ISO 216 gives %v", got, want)
	}
	if got, want := [2]float64{CardHeightMM, CardWidthMM}, sizes[7]; got != [2]float64{float64(want[0]), float64(want[1])} {
		t.Errorf("the card is %v mm, ISO 216 gives %v for A7", got, want)
	}
	// ANSI/ASME Y14.1: letter is 8 1/2 x 11 inches.
	if math.Abs(USLetter.WidthMM-8.5*25.4) > 1e-9 || math.Abs(USLetter.HeightMM-11*25.4) > 1e-9 {
		t.Errorf("US Letter is %v", USLetter)
	}
}

func TestInnerCorners(t *testing.T) {
	c := InnerCorners()
	if len(c) != 36 {
		t.Fatalf("%d corners, want 9 x 4", len(c))
	}
	for i, want := range map[int][2]float64{
		0: {20.5, 16}, 1: {28.5, 16}, 8: {84.5, 16}, 9: {20.5, 24}, 27: {20.5, 40}, 35: {84.5, 40},
	} {
		if c[i] != want {
			t.Errorf("corner %d at %v, want %v", i, c[i], want)
		}
	}
	if !SquareIsBlack(0, 0) || SquareIsBlack(BoardCols-1, BoardRows-1) {
		t.Error("the two far corners of the board must differ in colour")
	}
}

func TestSheetsKeepThePrintersMargin(t *testing.T) {
	for _, p := range []Paper{A4, USLetter} {
		s := SheetFor(p)
		if len(s.Cards) < 4 {
			t.Errorf("%s: only %d cards a sheet", p.Name, len(s.Cards))
		}
		for i, c := range s.Cards {
			if c[0] < 5 || c[1] < 5 || c[0]+CardWidthMM > s.WidthMM-5 || c[1]+CardHeightMM > s.HeightMM-5 {
				t.Errorf("%s: card %d at %v comes within 5 mm of the page's edge", p.Name, i, c)
			}
			for j, d := range s.Cards[:i] {
				if math.Abs(c[0]-d[0]) < CardWidthMM && math.Abs(c[1]-d[1]) < CardHeightMM {
					t.Errorf("%s: cards %d and %d overlap", p.Name, i, j)
				}
			}
		}
	}
}

func TestCardSVG(t *testing.T) {
	var buf bytes.Buffer
	if err := CardSVG(&buf); err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Width  string `xml:"width,attr"`
		Height string `xml:"height,attr"`
		G      struct {
			Transform string `xml:"transform,attr"`
			Paths     []struct {
				D     string `xml:"d,attr"`
				Style string `xml:"style,attr"`
			} `xml:"path"`
			Texts []string `xml:"text"`
		} `xml:"g"`
	}
	if err := xml.Unmarshal(buf.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	// One point is 1/72 inch (CSS Values and Units, absolute lengths).
	const mm = 25.4 / 72
	width := number(t, strings.TrimSuffix(doc.Width, "pt")) * mm
	height := number(t, strings.TrimSuffix(doc.Height, "pt")) * mm
	if math.Abs(width-105) > 0.01 || math.Abs(height-74) > 0.01 {
		t.Errorf("drawing of %.3f x %.3f mm, want 105 x 74", width, height)
	}
	if !strings.HasPrefix(doc.G.Transform, "scale(1, -1) translate(0, -") {
		t.Fatalf("unexpected transform %q", doc.G.Transform)
	}
	var got []rect
	grey := regexp.MustCompile(`fill:#([0-9A-Fa-f]{2})`)
	for _, p := range doc.G.Paths {
		if strings.Contains(p.Style, "fill:none") {
			continue
		}
		r := rect{}
		if m := grey.FindStringSubmatch(p.Style); m != nil {
			v, _ := strconv.ParseInt(m[1], 16, 32)
			r.grey = int(v)
		}
		lo, hi := bounds(t, p.D)
		r.x, r.w = lo[0]*mm, (hi[0]-lo[0])*mm
		r.y, r.h = height-hi[1]*mm, (hi[1]-lo[1])*mm
		got = append(got, r)
	}
	// Five digits of a point leave 0.005 pt at the right-hand end.
	sameRects(t, got, wantRects(), 0.004)
	text := strings.Join(doc.G.Texts, "|")
	for _, want := range []string{"80 mm", "Tawsight reference card v1", "print at 100 %"} {
		if !strings.Contains(text, want) {
			t.Errorf("text %q lacks %q", text, want)
		}
	}
}

func TestCardPDF(t *testing.T) {
	for _, p := range []Paper{A4, USLetter} {
		t.Run(p.Name, func(t *testing.T) {
			var buf bytes.Buffer
			if err := CardPDF(&buf, p); err != nil {
				t.Fatal(err)
			}
			file := buf.Bytes()
			const mm = 25.4 / 72 // default user space, ISO 32000-1, 8.3.2.3
			box := regexp.MustCompile(`/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]`).FindSubmatch(file)
			if box == nil {
				t.Fatal("no MediaBox")
			}
			s := SheetFor(p)
			width, height := number(t, string(box[1]))*mm, number(t, string(box[2]))*mm
			if math.Abs(width-s.WidthMM) > 0.01 || math.Abs(height-s.HeightMM) > 0.01 {
				t.Errorf("page of %.2f x %.2f mm, want %g x %g", width, height, s.WidthMM, s.HeightMM)
			}
			if !bytes.Contains(file, []byte("/PrintScaling /None")) {
				t.Error("the file does not ask for printing at actual size")
			}
			checkCrossReferences(t, file)

			var want []rect
			for _, c := range s.Cards {
				for _, r := range wantRects() {
					r.x += c[0]
					r.y += c[1]
					want = append(want, r)
				}
			}
			var got []rect
			for _, r := range pdfFills(t, file) {
				r.x, r.w, r.h = r.x*mm, r.w*mm, r.h*mm
				r.y = height - r.y*mm - r.h
				got = append(got, r)
			}
			// The file holds hundredths of a point.
			sameRects(t, got, want, 0.005)
		})
	}
}

// checkCrossReferences follows every cross-reference table of the file and
// checks that each entry points at the object it names.
func checkCrossReferences(t *testing.T, file []byte) {
	t.Helper()
	m := regexp.MustCompile(`startxref\s+(\d+)\s+%%EOF\s*$`).FindSubmatch(file)
	if m == nil {
		t.Fatal("no startxref at the end")
	}
	at, tables := int(number(t, string(m[1]))), 0
	prev := regexp.MustCompile(`/Prev (\d+)`)
	for {
		tables++
		lines := strings.Split(string(file[at:]), "\n")
		if lines[0] != "xref" {
			t.Fatalf("no table at %d", at)
		}
		f := strings.Fields(lines[1])
		first, n := int(number(t, f[0])), int(number(t, f[1]))
		for i := range n {
			entry := lines[2+i]
			if strings.HasSuffix(strings.TrimSpace(entry), "f") {
				continue
			}
			offset := int(number(t, entry[:10]))
			if want := strconv.Itoa(first+i) + " 0 obj"; !bytes.HasPrefix(file[offset:], []byte(want)) {
				t.Errorf("the table says %q is at %d, there is %q", want, offset, file[offset:offset+12])
			}
		}
		rest := strings.Join(lines[2+n:min(len(lines), 12+n)], "\n")
		p := prev.FindStringSubmatch(rest)
		if p == nil {
			break
		}
		at = int(number(t, p[1]))
	}
	if tables != 2 {
		t.Errorf("%d cross-reference tables, want the drawing's and the update's", tables)
	}
}

// pdfFills reads the page's content stream and returns what it fills, in
// points from the bottom left of the page, y of the rectangle's lower side.
func pdfFills(t *testing.T, file []byte) []rect {
	t.Helper()
	start := bytes.Index(file, []byte("stream\n")) + len("stream\n")
	z, err := zlib.NewReader(bytes.NewReader(file[start:]))
	if err != nil {
		t.Fatal(err)
	}
	content, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	type matrix [6]float64
	now := matrix{1, 0, 0, 1, 0, 0}
	var stack []matrix
	var fills []rect
	var points [][2]float64
	grey := 0.0
	var operands []float64
	for _, word := range strings.Fields(string(content)) {
		if v, err := strconv.ParseFloat(word, 64); err == nil {
			operands = append(operands, v)
			continue
		}
		o := operands
		operands = nil
		switch word {
		case "q":
			stack = append(stack, now)
		case "Q":
			now, stack = stack[len(stack)-1], stack[:len(stack)-1]
		case "cm": // ISO 32000-1, 8.3.4: the new matrix is applied first
			n := now
			now = matrix{
				o[0]*n[0] + o[1]*n[2], o[0]*n[1] + o[1]*n[3],
				o[2]*n[0] + o[3]*n[2], o[2]*n[1] + o[3]*n[3],
				o[4]*n[0] + o[5]*n[2] + n[4], o[4]*n[1] + o[5]*n[3] + n[5],
			}
		case "g":
			grey = o[0]
		case "m":
			points = nil
			fallthrough
		case "l":
			points = append(points, [2]float64{o[0]*now[0] + o[1]*now[2] + now[4], o[0]*now[1] + o[1]*now[3] + now[5]})
		case "S":
			points = nil
		case "f":
			lo, hi := extent(points)
			fills = append(fills, rect{lo[0], lo[1], hi[0] - lo[0], hi[1] - lo[1], int(math.Round(255 * grey))})
			points = nil
		}
	}
	return fills
}

func TestCardPNG(t *testing.T) {
	for _, dpi := range []int{150, 300, 600} {
		t.Run(strconv.Itoa(dpi), func(t *testing.T) {
			var buf bytes.Buffer
			if err := CardPNG(&buf, dpi); err != nil {
				t.Fatal(err)
			}
			// W3C PNG specification, 11.3.5.3: pHYs is two pixel counts per
			// unit and the unit, 1 for the metre; it stands before IDAT.
			at := bytes.Index(buf.Bytes(), []byte("pHYs"))
			if at < 0 || at > bytes.Index(buf.Bytes(), []byte("IDAT")) {
				t.Fatal("no pHYs chunk before the picture")
			}
			for _, o := range []int{4, 8} {
				perMetre := binary.BigEndian.Uint32(buf.Bytes()[at+o:])
				if math.Abs(float64(perMetre)*0.0254-float64(dpi)) > 0.02 {
					t.Errorf("%d pixels a metre is not %d dpi", perMetre, dpi)
				}
			}
			img, err := png.Decode(&buf) // checks every chunk's CRC
			if err != nil {
				t.Fatal(err)
			}
			px := float64(dpi) / 25.4
			b := img.Bounds()
			if b.Dx() != int(math.Round(105*px)) || b.Dy() != int(math.Round(74*px)) {
				t.Errorf("%d x %d pixels", b.Dx(), b.Dy())
			}
			g := img.(*image.Gray)
			for _, r := range wantRects() {
				cx, cy := int((r.x+r.w/2)*px), int((r.y+r.h/2)*px)
				if got := int(g.GrayAt(cx, cy).Y); got != r.grey {
					t.Errorf("the rectangle at (%g, %g) is %d, want %d", r.x, r.y, got, r.grey)
				}
				// The ink along a line across an edge, summed pixel by pixel,
				// gives the edge's place to a fraction of a pixel.
				ink := func(x0, y0, dx, dy, n int) float64 {
					var sum float64
					for i := range n {
						sum += (255 - float64(g.GrayAt(x0+i*dx, y0+i*dy).Y)) / (255 - float64(r.grey))
					}
					return sum
				}
				n := int(3 * px)
				left := int(math.Round(r.x * px))
				top := int(math.Round(r.y * px))
				right := int(math.Round((r.x + r.w) * px))
				bottom := int(math.Round((r.y + r.h) * px))
				q := int((r.y + r.h/4) * px) // a quarter down, clear of the corners
				p := int((r.x + r.w/4) * px)
				n = min(n, int(1.5*px)) // patches lie 4 mm from the board
				for name, edge := range map[string][2]float64{
					"left":   {float64(left+n) - ink(left-n, q, 1, 0, 2*n), r.x * px},
					"right":  {float64(right-n) + ink(right-n, q, 1, 0, 2*n), (r.x + r.w) * px},
					"top":    {float64(top+n) - ink(p, top-n, 0, 1, 2*n), r.y * px},
					"bottom": {float64(bottom-n) + ink(p, bottom-n, 0, 1, 2*n), (r.y + r.h) * px},
				} {
					if math.Abs(edge[0]-edge[1]) > 0.05 {
						t.Errorf("%s edge of the rectangle at (%g, %g): %.3f px, want %.3f", name, r.x, r.y, edge[0], edge[1])
					}
				}
			}
			// The bare patch, the ground and the white squares carry no ink.
			for _, p := range [][2]float64{{17.5, 57}, {5, 5}, {24.5, 12}, {88.5, 44}} {
				if got := g.GrayAt(int(p[0]*px), int(p[1]*px)).Y; got != 255 {
					t.Errorf("paper at %v is %d, want 255", p, got)
				}
			}
		})
	}
	for _, dpi := range []int{0, -5, 71, 2401} {
		if err := CardPNG(io.Discard, dpi); err == nil {
			t.Errorf("%d dpi was accepted", dpi)
		}
	}
}

func TestCheckBar(t *testing.T) {
	const dpi = 600
	img, err := CardImage(dpi)
	if err != nil {
		t.Fatal(err)
	}
	px := dpi / 25.4
	// A row through the feet of the end ticks, below the label, meets just the two of
	// them; their middles must be 80.00 mm apart.
	y := int(67.2 * px)
	var sum, moment [2]float64
	for x := range img.Bounds().Dx() {
		v := 255 - float64(img.GrayAt(x, y).Y)
		if x < 2 || x > img.Bounds().Dx()-3 {
			continue // the cut line
		}
		half := 0
		if x > img.Bounds().Dx()/2 {
			half = 1
		}
		sum[half] += v
		moment[half] += v * (float64(x) + 0.5)
	}
	left, right := moment[0]/sum[0]/px, moment[1]/sum[1]/px
	if math.Abs(left-12.5) > 0.01 || math.Abs(right-92.5) > 0.01 {
		t.Errorf("ticks at %.3f and %.3f mm, want 12.5 and 92.5", left, right)
	}
}

// sameRects wants each rectangle once and nothing else, to a tolerance in mm.
func sameRects(t *testing.T, got, want []rect, tolerance float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Errorf("%d filled rectangles, want %d", len(got), len(want))
	}
	for _, w := range want {
		found := false
		for _, g := range got {
			if math.Abs(g.x-w.x) < tolerance && math.Abs(g.y-w.y) < tolerance &&
				math.Abs(g.w-w.w) < 2*tolerance && math.Abs(g.h-w.h) < 2*tolerance && g.grey == w.grey {
				found = true
			}
		}
		if !found {
			t.Errorf("no rectangle %+v", w)
		}
	}
}

func bounds(t *testing.T, path string) (lo, hi [2]float64) {
	t.Helper()
	var pts [][2]float64
	for _, m := range regexp.MustCompile(`[ML]([-\d.]+),([-\d.]+)`).FindAllStringSubmatch(path, -1) {
		pts = append(pts, [2]float64{number(t, m[1]), number(t, m[2])})
	}
	return extent(pts)
}

func extent(pts [][2]float64) (lo, hi [2]float64) {
	lo = [2]float64{math.Inf(1), math.Inf(1)}
	hi = [2]float64{math.Inf(-1), math.Inf(-1)}
	for _, p := range pts {
		for k := range 2 {
			lo[k], hi[k] = min(lo[k], p[k]), max(hi[k], p[k])
		}
	}
	return lo, hi
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
