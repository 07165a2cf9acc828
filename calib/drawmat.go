package calib

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgpdf"
	"gonum.org/v1/plot/vg/vgsvg"

	"tawsight/calib/sortmat"
)

// MatLegend is the text along the foot of the card's part of the mat.
func MatLegend() string {
	return fmt.Sprintf("Tawsight sorting mat v%d · print at 100 %%", sortmat.Version)
}

// matMarginMM is what a printer must leave free about the mat: it is kept clear
// on either side and above; below there is room for notes.
const matMarginMM = printerMarginMM

// MatSheet is where the mat lies on one side of paper: its top-left corner, mm
// from the page's. ok is false where it doesn't fit.
func MatSheet(p Paper) (left, top float64, ok bool) {
	left, top = (p.WidthMM-sortmat.WidthMM)/2, matMarginMM
	return left, top, left >= matMarginMM && p.HeightMM-top-sortmat.HeightMM >= matMarginMM
}

// MatPDF writes the mat on one sheet, as a vector PDF that asks the viewer not
// to scale it.
func MatPDF(w io.Writer, p Paper) error {
	if err := matFits(p); err != nil {
		return err
	}
	c := vgpdf.New(vg.Length(p.WidthMM)*vg.Millimeter, vg.Length(p.HeightMM)*vg.Millimeter)
	drawMatSheet(westernText{c}, p, p.HeightMM)
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

// MatSVG writes the mat on one sheet as a vector drawing whose user unit is the
// point.
func MatSVG(w io.Writer, p Paper) error {
	if err := matFits(p); err != nil {
		return err
	}
	c := vgsvg.New(vg.Length(p.WidthMM)*vg.Millimeter, vg.Length(p.HeightMM)*vg.Millimeter)
	drawMatSheet(c, p, p.HeightMM)
	_, err := c.WriteTo(w)
	return err
}

// MatPNG writes the mat on one sheet as a grey picture with its resolution in
// the file; dpi as in CardPNG.
func MatPNG(w io.Writer, p Paper, dpi int) error {
	img, err := MatImage(p, dpi)
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

// MatImage draws the mat on one sheet; places as in CardImage, from the sheet's
// corner.
func MatImage(p Paper, dpi int) (*image.Gray, error) {
	if err := matFits(p); err != nil {
		return nil, err
	}
	if dpi < MinCardDPI || dpi > MaxMatDPI {
		return nil, fmt.Errorf("cannot draw the mat at %d dots an inch: choose %d to %d", dpi, MinCardDPI, MaxMatDPI)
	}
	c := vgimg.NewWith(
		vgimg.UseWH(vg.Length(p.WidthMM)*vg.Millimeter, vg.Length(p.HeightMM)*vg.Millimeter),
		vgimg.UseDPI(dpi),
		vgimg.UseBackgroundColor(color.White),
	)
	bounds := c.Image().Bounds()
	drawMatSheet(c, p, float64(bounds.Dy())*25.4/float64(dpi))
	grey := image.NewGray(bounds)
	for y := bounds.Min.Y; y < bounds.Max.Y; y++ {
		for x := bounds.Min.X; x < bounds.Max.X; x++ {
			grey.Set(x, y, c.Image().At(x, y))
		}
	}
	return grey, nil
}

// MaxMatDPI bounds the mat as a picture: a whole sheet takes nine times as many
// pixels as a card.
const MaxMatDPI = 1200

func matFits(p Paper) error {
	if _, _, ok := MatSheet(p); !ok {
		return fmt.Errorf("the mat of %g x %g mm doesn't fit on paper of %g x %g mm with %g mm to spare all round",
			sortmat.WidthMM, sortmat.HeightMM, p.WidthMM, p.HeightMM, matMarginMM)
	}
	return nil
}

// drawMatSheet draws a whole sheet; heightMM is the page's height as the canvas
// counts it.
func drawMatSheet(c vg.Canvas, p Paper, heightMM float64) {
	left, top, _ := MatSheet(p)
	at := placed(left, top, heightMM)
	c.SetLineDash(nil, 0)
	d := sortmat.Draw()
	for _, r := range d.Rects {
		c.SetColor(color.Gray{Y: GreyForL(r.L)})
		c.Fill(rectangle(at, r.X, r.Y, r.Width, r.Height))
	}
	for _, l := range d.Lines {
		c.SetColor(color.Gray{Y: GreyForL(l.L)})
		c.SetLineWidth(vg.Length(l.WidthMM) * vg.Millimeter)
		c.Stroke(line(at, l.X0, l.Y0, l.X1, l.Y1))
	}
	for _, t := range d.Texts {
		c.SetColor(color.Gray{Y: GreyForL(t.L)})
		c.FillString(sans(vg.Length(t.SizeMM)*vg.Millimeter), at(t.X, t.Y), t.Words)
	}
	drawCardParts(c, at, MatLegend())

	c.SetColor(color.Gray{Y: 60})
	for i, words := range []string{
		fmt.Sprintf("One marble a place. The long line must be %.1f mm. Dashes: edge of a washer for 10 mm bolts", CheckBarMM) +
			fmt.Sprintf(" (%g mm hole), if marbles roll.", sortmat.RingInnerMM),
	} {
		c.FillString(sans(legendSize), at(0, sortmat.HeightMM+3.6+3*float64(i)), words)
	}
}
