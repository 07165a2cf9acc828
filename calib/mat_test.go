package calib

import (
	"bytes"
	"fmt"
	"image"
	"image/draw"
	"math"
	"regexp"
	"strings"
	"testing"

	"gocv.io/x/gocv"

	"tawsight/calib/sortmat"
)

// matRects is what the mat prints in solid tones, written out from its
// description: the card's own rectangles, the ground in two parts, five dots of
// 3.2 mm, and stripes of 0.4 mm on 29 places 37 mm apart.
func matRects() []rect {
	grey := func(l float64) int { return int(math.Round(255 * srgbFromL(l))) }
	light, dark := math.Pow((80.0+16)/116, 3), math.Pow((50.0+16)/116, 3)
	lOf := func(y float64) float64 { return 116*math.Cbrt(y) - 16 }
	ground, swing := (light+dark)/2, (light-dark)/2
	rs := []rect{{109, 0, 89, 77, grey(lOf(ground))}, {0, 75, 198, 184, grey(lOf(ground))}}
	for j, x := range []float64{96.4, 101.2, 101.2, 96.4, 101.2} {
		rs = append(rs, rect{x - 1.6, 12 + 8*float64(j) - 1.6, 3.2, 3.2, grey(20)})
	}
	for r := range 7 {
		for c := range 5 {
			if r < 2 && c < 3 {
				continue
			}
			x, y := 25+37*float64(c), 18.5+37*float64(r)
			for _, part := range []struct{ radius, share float64 }{{7, 0.3}, {4.6, 1}} {
				for k := -20; k < 20; k++ {
					middle := 0.4*float64(k) + 0.2
					if math.Abs(middle) >= part.radius {
						continue
					}
					half := math.Sqrt(part.radius*part.radius - middle*middle)
					tone := grey(lOf(ground + swing*part.share))
					if k%2 != 0 {
						tone = grey(lOf(ground - swing*part.share))
					}
					rs = append(rs, rect{x - half, y + 0.4*float64(k), 2 * half, 0.4, tone})
				}
			}
		}
	}
	return append(rs, wantRects()...)
}

func TestMatPDF(t *testing.T) {
	for _, p := range []Paper{A4, USLetter} {
		t.Run(p.Name, func(t *testing.T) {
			var buf bytes.Buffer
			if err := MatPDF(&buf, p); err != nil {
				t.Fatal(err)
			}
			file := buf.Bytes()
			const mm = 25.4 / 72
			box := regexp.MustCompile(`/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]`).FindSubmatch(file)
			if box == nil {
				t.Fatal("no MediaBox")
			}
			width, height := number(t, string(box[1]))*mm, number(t, string(box[2]))*mm
			if math.Abs(width-p.WidthMM) > 0.01 || math.Abs(height-p.HeightMM) > 0.01 {
				t.Errorf("page of %.2f x %.2f mm, want %g x %g", width, height, p.WidthMM, p.HeightMM)
			}
			if !bytes.Contains(file, []byte("/PrintScaling /None")) {
				t.Error("the file does not ask for printing at actual size")
			}
			checkCrossReferences(t, file)
			left, top, ok := MatSheet(p)
			if !ok {
				t.Fatal("no room")
			}
			var want, got []rect
			for _, r := range matRects() {
				r.x, r.y = r.x+left, r.y+top
				want = append(want, r)
				// 5 mm is what home printers can't print on (common practice).
				if r.x < 5 || r.y < 5 || r.x+r.w > p.WidthMM-5 || r.y+r.h > p.HeightMM-5 {
					t.Errorf("%+v is too near the page's edge", r)
				}
			}
			for _, r := range pdfFills(t, file) {
				r.x, r.w, r.h = r.x*mm, r.w*mm, r.h*mm
				r.y = height - r.y*mm - r.h
				got = append(got, r)
			}
			sameRects(t, got, want, 0.008) // hundredths of a point, twice
		})
	}
}

func TestMatFitsOnlyWhereItFits(t *testing.T) {
	for _, p := range []Paper{{Name: "a5", WidthMM: 148, HeightMM: 210}, {Name: "short", WidthMM: 215.9, HeightMM: 270}, {Name: "narrow", WidthMM: 205, HeightMM: 297}, {}} {
		var buf bytes.Buffer
		for name, err := range map[string]error{"PDF": MatPDF(&buf, p), "SVG": MatSVG(&buf, p), "PNG": MatPNG(&buf, p, 300)} {
			if err == nil || !strings.Contains(err.Error(), "198") {
				t.Errorf("%s on %q: %v", name, p.Name, err)
			}
		}
		if buf.Len() > 0 {
			t.Errorf("%q: something was written", p.Name)
		}
	}
	for _, dpi := range []int{0, -1, 71, MaxMatDPI + 1} {
		if _, err := MatImage(A4, dpi); err == nil {
			t.Errorf("drawn at %d dpi", dpi)
		}
	}
}

func TestMatSVGNamesItsPlaces(t *testing.T) {
	var buf bytes.Buffer
	if err := MatSVG(&buf, USLetter); err != nil {
		t.Fatal(err)
	}
	texts := regexp.MustCompile(`>([^<>]+)</text>`).FindAllStringSubmatch(buf.String(), -1)
	seen := map[string]int{}
	for _, m := range texts {
		seen[strings.TrimSpace(m[1])]++
	}
	for n := 1; n <= 29; n++ {
		if seen[fmt.Sprint(n)] != 1 {
			t.Errorf("number %d stands %d times on the mat", n, seen[fmt.Sprint(n)])
		}
	}
	if seen[MatLegend()] != 1 || seen["80 mm"] != 1 {
		t.Errorf("legend or check bar's length is missing: %v", seen)
	}
}

// The picture has every mark where the description puts it.
func TestMatImage(t *testing.T) {
	const dpi = 600
	img, err := MatImage(A4, dpi)
	if err != nil {
		t.Fatal(err)
	}
	left, top, _ := MatSheet(A4)
	at := func(x, y float64) int {
		return int(img.GrayAt(int((left+x)*dpi/25.4), int((top+y)*dpi/25.4)).Y)
	}
	ground := int(GreyForL(sortmat.GroundL()))
	for _, c := range []struct {
		what string
		x, y float64
		want int
	}{
		{"ground between places", 43.5, 111, ground},
		{"light stripe of place 5", 25, 92.5 + 0.2, int(GreyForL(80))},
		{"dark stripe of place 5", 25, 92.5 - 0.2, int(GreyForL(50))},
		{"light stripe of place 29, off its middle", 173 + 3.5, 240.5 + 0.2, int(GreyForL(80))},
		{"a dot of the code", 96.4, 12, int(GreyForL(20))},
		{"the other place of that row", 101.2, 12, 255},
		{"margin of the card's part", 4, 4, 255},
		{"beside the sheet's ground", -2, 100, 255},
	} {
		if got := at(c.x, c.y); got != c.want {
			t.Errorf("%s is printed %d, want %d", c.what, got, c.want)
		}
	}
}

// onMat puts the dots of the mat's code on the drawn card.
func onMat(g *image.Gray, dpi int) {
	for _, c := range sortmat.CodeDots() {
		k := float64(dpi) / 25.4
		h := sortmat.CodeDotMM / 2
		r := image.Rect(int((c[0]-h)*k+0.5), int((c[1]-h)*k+0.5), int((c[0]+h)*k+0.5), int((c[1]+h)*k+0.5))
		draw.Draw(g, r, &image.Uniform{C: image.NewGray(image.Rect(0, 0, 1, 1)).At(0, 0)}, image.Point{}, draw.Src)
	}
}

// A mat is told from a card whichever way it is turned, in good light and bad;
// a card is never taken for a mat, nor is a mat whose code is covered.
func TestMatIsToldFromTheCard(t *testing.T) {
	shade := func(x, y int) float64 {
		if x > 430 {
			return 0.45
		}
		return 1
	}
	for _, light := range []struct {
		turn, tilt float64
		shade      func(x, y int) float64
		within     float64 // the edge of the shadow may lie across a patch
	}{{0, 24, nil, 0.04}, {90, 0, shade, 0.12}, {180, 12, nil, 0.04}, {270, 20, nil, 0.04}, {37, 5, shade, 0.12}} {
		v := plain(small(230, light.tilt, 50, light.turn))
		v.light, v.noise, v.seed = light.shade, 0.01, uint64(light.turn)
		for _, c := range []struct {
			what string
			card func(*image.Gray, int)
			want int
		}{
			{"mat", onMat, 1},
			{"card", nil, 0},
			{"mat with a row covered", func(g *image.Gray, dpi int) { onMat(g, dpi); blank(94, 24, 104.5, 32, 255)(g, dpi) }, 0},
			{"card with something dark on its edge", blank(94, 9, 104.5, 46, 20), 0},
		} {
			v.card = c.card
			p := v.photo(t)
			d := Detect(p)
			if !d.Found {
				t.Errorf("turned %g, tilted %g: the %s is not found: %s", light.turn, light.tilt, c.what, d.Message)
			} else if got := ReadMat(p, d.Corners); got != c.want {
				t.Errorf("turned %g, tilted %g: the %s reads as version %d", light.turn, light.tilt, c.what, got)
			}
			if c.want == 1 && d.Found {
				k, ok := MatContrast(p, d.Corners)
				if !ok || math.Abs(k-sortmat.Contrast()) > light.within {
					t.Errorf("turned %g, tilted %g: contrast %.3f (%v), printed %.3f", light.turn, light.tilt, k, ok, sortmat.Contrast())
				}
			}
			p.Close()
		}
	}
}

func TestReadMatOnOddInput(t *testing.T) {
	empty := gocv.NewMat()
	defer empty.Close()
	tiny := gocv.NewMatWithSize(4, 4, gocv.MatTypeCV8UC3)
	defer tiny.Close()
	for _, m := range []gocv.Mat{empty, tiny} {
		for _, corners := range [][][2]float64{nil, {}, make([][2]float64, 36), InnerCorners()} {
			if v := ReadMat(m, corners); v != 0 {
				t.Errorf("a mat of version %d in nothing", v)
			}
			if _, ok := MatContrast(m, corners); ok {
				t.Error("a contrast in nothing")
			}
		}
	}
}
