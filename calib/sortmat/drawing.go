package sortmat

import (
	"fmt"
	"math"
)

// Rect is a filled rectangle, (X, Y) its top-left corner.
type Rect struct {
	X, Y, Width, Height float64
	L                   float64 // lightness
}

// Line is a straight line.
type Line struct {
	X0, Y0, X1, Y1, WidthMM, L float64
}

// Text is one line of type, (X, Y) the left end of its baseline.
type Text struct {
	X, Y, SizeMM, L float64
	Words           string
}

// Drawing is all that the mat has beside the card: drawn in this order, each
// kind over those before.
type Drawing struct {
	Rects []Rect
	Lines []Line
	Texts []Text
}

// Draw lists what the mat has beside the card.
func Draw() Drawing {
	var d Drawing
	ground := GroundL()
	d.Rects = append(d.Rects, // overlapping, or a seam would show between them
		Rect{GroundLeftMM, 0, WidthMM - GroundLeftMM, GroundTopMM + 2, ground},
		Rect{0, GroundTopMM, WidthMM, HeightMM - GroundTopMM, ground})
	for _, c := range CodeDots() {
		d.Rects = append(d.Rects, Rect{c[0] - CodeDotMM/2, c[1] - CodeDotMM/2, CodeDotMM, CodeDotMM, BlackL})
	}
	for _, p := range Places() {
		for _, s := range Stripes() {
			d.Rects = append(d.Rects, Rect{p.X - s.Half, p.Y + s.Top, 2 * s.Half, PeriodMM / 2, StripeL(s)})
		}
		for k := range ringDashes {
			a := 2 * math.Pi * (float64(k) + 0.5) / ringDashes
			h := ringDashDeg / 2 * math.Pi / 180
			at := func(a float64) (x, y float64) {
				return p.X + RingOuterMM/2*math.Cos(a), p.Y + RingOuterMM/2*math.Sin(a)
			}
			x0, y0 := at(a - h)
			x1, y1 := at(a + h)
			d.Lines = append(d.Lines, Line{x0, y0, x1, y1, ringLineMM, ringL})
		}
		d.Texts = append(d.Texts, Text{p.X + NumberDX, p.Y + NumberDY, NumberSizeMM, inkL, fmt.Sprint(p.Number)})
	}
	return d
}
