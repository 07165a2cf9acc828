// Package lens is the camera model of the rendered sample photos: it turns noise-free linear light into an 8-bit JPEG
// as a telephone would, with exposure, white balance, blur, noise and compression, and writes the EXIF tags.
package lens

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
)

// Picture is linear light, three channels with the primaries of sRGB, rows from the top.
type Picture struct {
	W, H int
	Pix  []float32 // 3*W*H
}

// At is the colour of the pixel (x, y).
func (p *Picture) At(x, y int) [3]float64 {
	i := 3 * (y*p.W + x)
	return [3]float64{float64(p.Pix[i]), float64(p.Pix[i+1]), float64(p.Pix[i+2])}
}

// ReadPNG reads a PNG whose values are linear light; full scale is 1.
func ReadPNG(path string) (*Picture, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("rendering: %w", err)
	}
	defer f.Close()
	img, err := png.Decode(f)
	if err != nil {
		return nil, fmt.Errorf("rendering %s: %w", path, err)
	}
	b := img.Bounds()
	p := &Picture{W: b.Dx(), H: b.Dy(), Pix: make([]float32, 3*b.Dx()*b.Dy())}
	i := 0
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			c := color.NRGBA64Model.Convert(img.At(x, y)).(color.NRGBA64)
			p.Pix[i], p.Pix[i+1], p.Pix[i+2] = float32(c.R)/65535, float32(c.G)/65535, float32(c.B)/65535
			i += 3
		}
	}
	return p, nil
}

// Settings are what the camera does with the light.
type Settings struct {
	// Gain multiplies each channel: exposure and white balance.
	Gain [3]float64
	// BlurPx is the standard deviation of the Gaussian blur of lens and focus.
	BlurPx float64
	// ShakePx is the length of a straight smear in the direction ShakeDeg (from x towards y); 0 for a still hand.
	ShakePx, ShakeDeg float64
	// Noise scales the noise; 1 is a telephone by daylight: a standard deviation of about 0.5 % at white and, from
	// read-out, 0.12 % at black, of linear full scale.
	Noise float64
	// Quality is JPEG's, 1 to 100; MaxBytes lowers it further until the photo fits (0: never).
	Quality, MaxBytes int
	Orientation       int // EXIF, 1, 3, 6 or 8
	Tags              Tags
}

// Shoot gives the JPEG with its EXIF. The picture is upright; the stored pixels are turned as the orientation says.
// The same seed gives the same bytes.
func Shoot(p *Picture, s Settings, seed uint64) ([]byte, error) {
	q := &Picture{W: p.W, H: p.H, Pix: make([]float32, len(p.Pix))}
	for i, v := range p.Pix {
		q.Pix[i] = v * float32(s.Gain[i%3])
	}
	if s.BlurPx > 0 {
		q = gaussian(q, s.BlurPx)
	}
	if s.ShakePx > 0 {
		q = smear(q, s.ShakePx, s.ShakeDeg)
	}
	rng := rand.New(rand.NewPCG(seed, 0x7a77))
	img := image.NewRGBA(image.Rect(0, 0, q.W, q.H))
	for y := range q.H {
		for x := range q.W {
			var c [3]uint8
			for k := range c {
				v := float64(q.Pix[3*(y*q.W+x)+k])
				sd := s.Noise * math.Sqrt(sqr(0.0012)+sqr(0.005)*math.Max(0, v))
				c[k] = encode(v + sd*rng.NormFloat64())
			}
			img.SetRGBA(x, y, color.RGBA{c[0], c[1], c[2], 255})
		}
	}
	stored, err := turn(img, s.Orientation)
	if err != nil {
		return nil, err
	}
	for quality := s.Quality; ; quality -= 3 {
		var buf bytes.Buffer
		if err := jpeg.Encode(&buf, stored, &jpeg.Options{Quality: quality}); err != nil {
			return nil, fmt.Errorf("jpeg: %w", err)
		}
		if s.MaxBytes > 0 && buf.Len() > s.MaxBytes && quality > 40 {
			continue
		}
		return withEXIF(buf.Bytes(), s.Tags.bytes(s.Orientation))
	}
}

func sqr(x float64) float64 { return x * x }

// encode is sRGB's transfer curve (IEC 61966-2-1) to 8 bits.
func encode(v float64) uint8 {
	switch {
	case v <= 0:
		return 0
	case v >= 1:
		return 255
	case v <= 0.0031308:
		v *= 12.92
	default:
		v = 1.055*math.Pow(v, 1/2.4) - 0.055
	}
	return uint8(math.Round(255 * v))
}

func gaussian(p *Picture, sigma float64) *Picture {
	r := int(math.Ceil(3 * sigma))
	k := make([]float32, 2*r+1)
	sum := float32(0)
	for i := range k {
		k[i] = float32(math.Exp(-sqr(float64(i-r)/sigma) / 2))
		sum += k[i]
	}
	for i := range k {
		k[i] /= sum
	}
	pass := func(src *Picture, dx, dy int) *Picture {
		dst := &Picture{W: p.W, H: p.H, Pix: make([]float32, len(p.Pix))}
		for y := range p.H {
			for x := range p.W {
				var a [3]float32
				for i, w := range k {
					xx := min(max(x+dx*(i-r), 0), p.W-1)
					yy := min(max(y+dy*(i-r), 0), p.H-1)
					j := 3 * (yy*p.W + xx)
					a[0] += w * src.Pix[j]
					a[1] += w * src.Pix[j+1]
					a[2] += w * src.Pix[j+2]
				}
				copy(dst.Pix[3*(y*p.W+x):], a[:])
			}
		}
		return dst
	}
	return pass(pass(p, 1, 0), 0, 1)
}

func smear(p *Picture, length, deg float64) *Picture {
	s, c := math.Sincos(deg * math.Pi / 180)
	n := int(2*length) + 1
	dst := &Picture{W: p.W, H: p.H, Pix: make([]float32, len(p.Pix))}
	at := func(x, y float64, k int) float32 {
		x, y = math.Min(math.Max(x, 0), float64(p.W-1)), math.Min(math.Max(y, 0), float64(p.H-1))
		x0, y0 := int(x), int(y)
		x1, y1 := min(x0+1, p.W-1), min(y0+1, p.H-1)
		fx, fy := float32(x-float64(x0)), float32(y-float64(y0))
		g := func(x, y int) float32 { return p.Pix[3*(y*p.W+x)+k] }
		return (g(x0, y0)*(1-fx)+g(x1, y0)*fx)*(1-fy) + (g(x0, y1)*(1-fx)+g(x1, y1)*fx)*fy
	}
	for y := range p.H {
		for x := range p.W {
			for k := range 3 {
				var a float32
				for i := range n {
					t := length * (float64(i)/float64(n-1) - 0.5)
					a += at(float64(x)+t*c, float64(y)+t*s, k)
				}
				dst.Pix[3*(y*p.W+x)+k] = a / float32(n)
			}
		}
	}
	return dst
}

// ErrOrientation is returned for an EXIF orientation other than 1, 3, 6 and 8 (the ones without mirroring).
var ErrOrientation = errors.New("orientation must be 1, 3, 6 or 8")

// turn gives the stored pixels of an upright picture: for 6 the viewer turns them clockwise by 90 degrees, for 8
// anticlockwise, for 3 by 180.
func turn(img *image.RGBA, orientation int) (*image.RGBA, error) {
	w, h := img.Rect.Dx(), img.Rect.Dy()
	var out *image.RGBA
	var to func(x, y int) (int, int)
	switch orientation {
	case 1:
		return img, nil
	case 3:
		out = image.NewRGBA(image.Rect(0, 0, w, h))
		to = func(x, y int) (int, int) { return w - 1 - x, h - 1 - y }
	case 6:
		out = image.NewRGBA(image.Rect(0, 0, h, w))
		to = func(x, y int) (int, int) { return y, w - 1 - x }
	case 8:
		out = image.NewRGBA(image.Rect(0, 0, h, w))
		to = func(x, y int) (int, int) { return h - 1 - y, x }
	default:
		return nil, fmt.Errorf("%w, not %d", ErrOrientation, orientation)
	}
	for y := range h {
		for x := range w {
			u, v := to(x, y)
			out.SetRGBA(u, v, img.RGBAAt(x, y))
		}
	}
	return out, nil
}
