package vision

import (
	"image"
	"image/color"
	"math"

	"tawsight/internal/colour"
)

// Crop cuts a square around a marble out of the photo, balanced, at scale
// crop pixels a photo pixel, side crop pixels across, the outline's middle in
// the middle. Places outside the photo are transparent.
func Crop(p *Photo, o Outline, light Light, scale float64, side int) *image.NRGBA {
	px := p.pixels()
	out := image.NewNRGBA(image.Rect(0, 0, side, side))
	c := float64(side-1) / 2
	over := int(math.Max(1, math.Min(6, math.Ceil(1/scale))))
	for j := 0; j < side; j++ {
		for i := 0; i < side; i++ {
			x, y := o.Ellipse.CxPX+(float64(i)-c)/scale, o.Ellipse.CyPX+(float64(j)-c)/scale
			if x < -0.5 || y < -0.5 || x > float64(px.W)-0.5 || y > float64(px.H)-0.5 {
				continue
			}
			var lin [3]float64
			for a := 0; a < over; a++ {
				for b := 0; b < over; b++ {
					l := px.LinearAt(x+((float64(a)+0.5)/float64(over)-0.5)/scale, y+((float64(b)+0.5)/float64(over)-0.5)/scale)
					for k := range lin {
						lin[k] += l[k] / float64(over*over)
					}
				}
			}
			lin = light.At(lin, x, y)
			var v [3]uint8
			for k := range v {
				v[k] = uint8(255*math.Max(0, math.Min(1, colour.LinearToSRGB(math.Max(0, math.Min(1, lin[k]))))) + 0.5)
			}
			out.SetNRGBA(i, j, color.NRGBA{v[0], v[1], v[2], 255})
		}
	}
	return out
}
