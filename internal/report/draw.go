package report

import (
	"sync"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
)

// What overlays and sheets are both drawn with.

// A box is an upright rectangle of the drawing.
type box struct{ x0, y0, x1, y1 float64 }

// overlap is the area two boxes share.
func (b box) overlap(c box) float64 {
	return max(0, min(b.x1, c.x1)-max(b.x0, c.x0)) * max(0, min(b.y1, c.y1)-max(b.y0, c.y0))
}

func (b box) area() float64 { return (b.x1 - b.x0) * (b.y1 - b.y0) }

// A weight is a cut of the typeface.
type weight int

const (
	regular weight = iota
	bold
)

var parsedFonts = sync.OnceValues(func() (fonts [2]*opentype.Font, err error) {
	for w, ttf := range [][]byte{regular: liberationsansregular.TTF, bold: liberationsansbold.TTF} {
		if fonts[w], err = opentype.Parse(ttf); err != nil {
			return fonts, err
		}
	}
	return fonts, nil
})

// faceOf opens the typeface at a size in pixels; release closes it.
func faceOf(w weight, size float64) (face font.Face, release func() error) {
	fonts, err := parsedFonts()
	if err != nil {
		panic(err) // the font is part of the program
	}
	face, err = opentype.NewFace(fonts[w], &opentype.FaceOptions{Size: size, DPI: 72})
	if err != nil {
		panic(err)
	}
	return face, face.Close
}
