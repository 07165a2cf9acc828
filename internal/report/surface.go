package report

import (
	"image"
	"image/color"
	"math"

	"github.com/golang/freetype/raster"
	"golang.org/x/image/math/fixed"

	"tawsight/vision"
)

// A surface is what an overlay is drawn on: w x h opaque pixels of step bytes, 8
// bits a channel, green in the middle of the three.
type surface struct {
	pix       []uint8
	w, h      int
	step      int
	red, blue int // where in a pixel they are

	lines *raster.Rasterizer
}

func onRGBA(img *image.RGBA) *surface {
	b := img.Bounds()
	return &surface{pix: img.Pix, w: b.Dx(), h: b.Dy(), step: 4, red: 0, blue: 2}
}

func onPicture(p *vision.Picture) *surface {
	return &surface{pix: p.Pix, w: p.W, h: p.H, step: 3, red: 2, blue: 0}
}

// full16 is all of 16 bits.
const full16 = 1<<16 - 1

// A paint is a colour as a surface takes it: red, green, blue, each times alpha, and
// alpha, 16 bits each.
type paint [4]uint32

func paintOf(c color.Color) (p paint) {
	p[0], p[1], p[2], p[3] = c.RGBA()
	return p
}

// lay paints pixels from the first to before the last, which lie in one row; cover
// is how much of them, 16 bits.
func (s *surface) lay(first, last int, p *paint, cover uint32) {
	// As image/draw does it.
	keep := (full16 - p[3]*cover/full16) * 0x101
	var more [3]uint32 // in the order of a pixel's bytes
	more[s.red], more[1], more[s.blue] = p[0]*cover, p[1]*cover, p[2]*cover
	for i := first * s.step; i < last*s.step; i += s.step {
		d := s.pix[i : i+3 : i+3]
		d[0] = uint8((uint32(d[0])*keep + more[0]) / full16 >> 8)
		d[1] = uint8((uint32(d[1])*keep + more[1]) / full16 >> 8)
		d[2] = uint8((uint32(d[2])*keep + more[2]) / full16 >> 8)
	}
}

// through paints through a mask, whose place is that on the surface.
func (s *surface) through(m *image.Alpha, c color.Color) {
	p := paintOf(c)
	r := m.Rect.Intersect(image.Rect(0, 0, s.w, s.h))
	for y := r.Min.Y; y < r.Max.Y; y++ {
		row := m.Pix[m.PixOffset(r.Min.X, y):][:r.Dx()]
		at := y*s.w + r.Min.X
		for x := 0; x < len(row); {
			// Pixels covered alike are painted together.
			v, from := row[x], x
			for x++; x < len(row) && row[x] == v; x++ {
			}
			if v != 0 {
				s.lay(at+from, at+x, &p, uint32(v)*0x101)
			}
		}
	}
}

// spans paints what the rasterizer finds covered.
type spans struct {
	s *surface
	p paint
}

func (a *spans) Paint(ss []raster.Span, _ bool) {
	for _, s := range ss {
		x0, x1 := max(0, s.X0), min(a.s.w, s.X1)
		if s.Y >= 0 && s.Y < a.s.h && x0 < x1 {
			a.s.lay(s.Y*a.s.w+x0, s.Y*a.s.w+x1, &a.p, s.Alpha)
		}
	}
}

// rasterizer is the surface's, empty.
func (s *surface) rasterizer() *raster.Rasterizer {
	if s.lines == nil {
		s.lines = raster.NewRasterizer(s.w, s.h)
		s.lines.UseNonZeroWinding = true
	}
	s.lines.Clear()
	return s.lines
}

func fixedPoint(p [2]float64) fixed.Point26_6 {
	return fixed.Point26_6{X: fixed.Int26_6(math.Round(p[0] * 64)), Y: fixed.Int26_6(math.Round(p[1] * 64))}
}

// line draws straight lines from point to point, round at their ends.
func (s *surface) line(points [][2]float64, closed bool, width float64, c color.Color) {
	if len(points) < 2 {
		return
	}
	var path raster.Path
	path.Start(fixedPoint(points[0]))
	for _, p := range points[1:] {
		path.Add1(fixedPoint(p))
	}
	if closed {
		path.Add1(fixedPoint(points[0]))
	}
	r := s.rasterizer()
	r.AddStroke(path, fixed.Int26_6(math.Round(width*64)), raster.RoundCapper, raster.RoundJoiner)
	r.Rasterize(&spans{s, paintOf(c)})
}

// ring draws an ellipse as a line, half of whose width lies outside it; angle is
// that of its half-axis a, radians from x towards y.
func (s *surface) ring(cx, cy, a, b, angle, width float64, c color.Color) {
	sin, cos := math.Sincos(angle)
	n := int(math.Max(24, math.Ceil(2*math.Pi*math.Max(a, b)/ringStepPX)))
	r := s.rasterizer()
	// around adds what lies off px outside the ellipse, one way round or the other.
	around := func(off float64, way int) {
		for k := 0; k <= n; k++ {
			st, ct := math.Sincos(2 * math.Pi * float64(way*(k%n)) / float64(n))
			nx, ny := b*ct, a*st // at right angles to the ellipse
			f := off / math.Hypot(nx, ny)
			u, v := a*ct+f*nx, b*st+f*ny
			p := fixedPoint([2]float64{cx + cos*u - sin*v, cy + sin*u + cos*v})
			if k == 0 {
				r.Start(p)
			} else {
				r.Add1(p)
			}
		}
	}
	around(width/2, 1)
	// Where the ellipse is bent more sharply than the line is wide, no hole is left.
	if least := math.Min(a, b) * math.Min(a, b) / math.Max(a, b); least > width/2 {
		around(-width/2, -1)
	}
	r.Rasterize(&spans{s, paintOf(c)})
}

// ringStepPX is about how long the straight pieces of a ring are: from an ellipse of
// 20 px radius such lie less than a twentieth of a pixel off.
const ringStepPX = 2.5
