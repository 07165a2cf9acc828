// Package lamp makes photos under an ultraviolet lamp from sample photos, for
// tests.
package lamp

import (
	"bytes"
	"fmt"
	"image"
	_ "image/jpeg" // the samples
	"math"
	"os"

	"tawsight/internal/colour"
	"tawsight/samples"
	"tawsight/samples/lens"
)

// Under makes of a daylight photo, of which the truth is known, what an
// ultraviolet lamp would: a dark field with violet spill, a card whose paper
// shines blue by its brighteners, and marbles glow[id] of which give light of
// their own (linear sRGB, 0..1). The photo must be stored upright; what comes
// back is a JPEG.
func Under(photo string, truth *samples.Truth, glow map[int][3]float64, spill [3]float64) ([]byte, error) {
	data, err := os.ReadFile(photo)
	if err != nil {
		return nil, err
	}
	img, _, err := image.Decode(bytes.NewReader(data))
	if err != nil {
		return nil, err
	}
	b := img.Bounds()
	if b.Dx() != truth.Image.Width || b.Dy() != truth.Image.Height {
		return nil, fmt.Errorf("%s is not stored upright", photo)
	}
	p := &lens.Picture{W: b.Dx(), H: b.Dy(), Pix: make([]float32, 3*b.Dx()*b.Dy())}
	inCard := func(x, y float64) bool {
		c := truth.Card.CornersPx
		sign := 0.0
		for i := range c {
			a, d := c[i], c[(i+1)%len(c)]
			s := (d[0]-a[0])*(y-a[1]) - (d[1]-a[1])*(x-a[0])
			if s*sign < 0 {
				return false
			}
			sign = s
		}
		return true
	}
	for y := range p.H {
		for x := range p.W {
			r, g, bl, _ := img.At(x, y).RGBA()
			lin := [3]float64{}
			for k, v := range [3]uint32{r, g, bl} {
				lin[k] = colour.SRGBToLinear(float64(v) / 65535)
			}
			light := (lin[0] + lin[1] + lin[2]) / 3
			f := spill
			if inCard(float64(x), float64(y)) {
				f = [3]float64{0.05, 0.07, 0.30}
			}
			out := [3]float64{light * f[0], light * f[1], light * f[2]}
			for _, m := range truth.Marbles {
				s, c := math.Sincos(m.Ellipse.AngleDeg * math.Pi / 180)
				dx, dy := float64(x)-m.Ellipse.CX, float64(y)-m.Ellipse.CY
				u, v := (c*dx+s*dy)/m.Ellipse.SemiMajor, (-s*dx+c*dy)/m.Ellipse.SemiMinor
				if e, ok := glow[m.ID]; ok && u*u+v*v < 1 {
					for k := range out {
						out[k] += e[k] * (0.6 + 0.4*math.Sqrt(1-u*u-v*v))
					}
				}
			}
			for k := range out {
				p.Pix[3*(y*p.W+x)+k] = float32(out[k])
			}
		}
	}
	return lens.Shoot(p, lens.Settings{Gain: [3]float64{1, 1, 1}, Noise: 1, Quality: 92, Orientation: 1}, 3)
}
