package vision

import (
	"image"
	"math"

	"gocv.io/x/gocv"
	"gonum.org/v1/gonum/mat"

	"tawsight/internal/colour"
	"tawsight/internal/kernels"
	"tawsight/internal/order"
)

// opponent is a pixel as lightness and two colour differences of the encoded
// sRGB values, each of about the same visual weight, 0..1 in lightness. It is
// for finding edges; colours that are reported are CIELAB.
func opponent(c [3]float32) [3]float32 {
	r, g, b := c[0], c[1], c[2]
	return [3]float32{(r + g + b) / 3, r - g, (r+g)/2 - b}
}

// smallPicture is a reduced photo, 8-bit BGR; Close gives the memory back.
type smallPicture struct {
	mat  gocv.Mat
	w, h int
	bgr  []uint8
}

// newSmallPicture has no pixels where m isn't one.
func newSmallPicture(m gocv.Mat) smallPicture {
	s := smallPicture{mat: m, w: m.Cols(), h: m.Rows()}
	if data, err := m.DataPtrUint8(); err == nil && len(data) >= 3*s.w*s.h {
		s.bgr = data
	}
	return s
}

// at is a pixel as opponent has it.
func (s *smallPicture) at(x, y int) [3]float32 {
	i := 3 * (y*s.w + x)
	return opponent([3]float32{float32(s.bgr[i+2]) / 255, float32(s.bgr[i+1]) / 255, float32(s.bgr[i]) / 255})
}

func (s *smallPicture) Close() { s.mat.Close() }

// paperModel is the neutral background as it would look without marbles: one
// second-degree surface a channel, which is as much as a light beside a table
// makes, and the noise about it.
type paperModel struct {
	w, h  int
	coef  [3][6]float64
	noise [3]float64 // robust standard deviation about the surface
	share float64    // of the picture that fits the model
}

func terms(x, y float64) [6]float64 { return [6]float64{1, x, y, x * x, x * y, y * y} }

// at is the paper's colour at a pixel of the reduced image it was fitted on.
func (m *paperModel) at(x, y float64) (c [3]float64) {
	t := terms(2*x/float64(m.w)-1, 2*y/float64(m.h)-1)
	for k := range c {
		for i := range t {
			c[k] += m.coef[k][i] * t[i]
		}
	}
	return c
}

// fitPaper fits the background of a reduced image by iterated reweighting
// (Tukey's biweight), starting from the commonest lightness. Masked pixels
// (the card) don't take part.
func fitPaper(img *smallPicture, masked []bool) *paperModel {
	m := &paperModel{w: img.w, h: img.h}
	step := max(1, int(math.Sqrt(float64(img.w*img.h)/5000)))
	all := kernels.MakeSpots((img.w/step + 1) * (img.h/step + 1))
	for y := step / 2; y < img.h; y += step {
		for x := step / 2; x < img.w; x += step {
			if masked != nil && masked[y*img.w+x] {
				continue
			}
			c := img.at(x, y)
			all.Add(2*float64(x)/float64(img.w)-1, 2*float64(y)/float64(img.h)-1, [3]float64{float64(c[0]), float64(c[1]), float64(c[2])})
		}
	}
	if all.Len() < 50 {
		return m
	}
	// Start: the median colour, with a scale wide enough for a light that
	// falls off by half.
	for k := range m.coef {
		m.coef[k][0] = order.Median(all.Values(k))
	}
	scale := [3]float64{0.12, 0.04, 0.04}
	for range 12 {
		coef, was := m.coef, scale
		ata, rhs := all.Weigh(&m.coef, &scale)
		sw := ata[0][0]
		if sw < 30 {
			break
		}
		a := mat.NewSymDense(6, nil)
		for p := range ata {
			for q := p; q < len(ata); q++ {
				a.SetSym(p, q, ata[p][q])
			}
			a.SetSym(p, p, ata[p][p]+1e-6*sw)
		}
		var chol mat.Cholesky
		if !chol.Factorize(a) {
			break
		}
		for k := range rhs {
			var x mat.VecDense
			if chol.SolveVecTo(&x, mat.NewVecDense(6, rhs[k][:])) == nil {
				for j := range m.coef[k] {
					m.coef[k][j] = x.AtVec(j)
				}
			}
		}
		// Scale from the residuals of what is taken for paper.
		for k := range scale {
			r := all.Offs(k, &m.coef[k])
			if len(r) == 0 {
				continue
			}
			s := 1.4826 * order.Median(r)
			floor := 0.004
			// Shrink slowly, so that the first rough surface can follow.
			scale[k] = math.Max(floor, math.Max(s, scale[k]*0.5))
		}
		if settled(coef, m.coef, was, scale) {
			break
		}
	}
	m.noise = scale
	m.share = float64(all.Counting()) / float64(all.Len())
	return m
}

// settled says that a round changed the surface by less than a fiftieth of an 8-bit
// code anywhere, and the scale by less than a fiftieth of itself.
func settled(a, b [3][6]float64, s, t [3]float64) bool {
	for k := range a {
		moved := 0.0
		for i := range a[k] {
			moved += math.Abs(a[k][i] - b[k][i]) // terms are at most 1
		}
		if moved > 0.02/255 || math.Abs(s[k]-t[k]) > 0.02*t[k] {
			return false
		}
	}
	return true
}

// markPolygon marks the pixels of a polygon (px) grown by grow px about its middle, or
// those around it.
func markPolygon(mask []bool, w, h int, poly [][2]float64, grow float64, inside bool) {
	if len(poly) < 3 {
		return
	}
	var cx, cy float64
	for _, p := range poly {
		cx += p[0] / float64(len(poly))
		cy += p[1] / float64(len(poly))
	}
	pts := make([]image.Point, len(poly))
	for i, p := range poly {
		dx, dy := p[0]-cx, p[1]-cy
		l := math.Hypot(dx, dy)
		if l == 0 {
			l = 1
		}
		pts[i] = image.Pt(int(cx+dx*(1+grow/l)+0.5), int(cy+dy*(1+grow/l)+0.5))
	}
	m := gocv.NewMatWithSize(h, w, gocv.MatTypeCV8UC1) // all 0
	defer m.Close()
	pv := gocv.NewPointsVectorFromPoints([][]image.Point{pts})
	defer pv.Close()
	gocv.FillPoly(&m, pv, white255)
	data, err := m.DataPtrUint8()
	if err != nil {
		return
	}
	data = data[:len(mask)]
	// Inside it lies in as many rows as its corners.
	first, last := 0, h
	if inside {
		first, last = h, 0
		for _, p := range pts {
			first, last = min(first, max(0, p.Y)), max(last, min(h, p.Y+1))
		}
	}
	for i := first * w; i < last*w; i++ {
		if (data[i] != 0) == inside {
			mask[i] = true
		}
	}
}

// Paper is the smooth background of a photo, in full-size pixels.
type Paper struct {
	model *paperModel
	scale float64
}

// opponentAt is the paper's colour at a place in opponent().
func (p *Paper) opponentAt(x, y float64) [3]float64 {
	return p.model.at((x+0.5)*p.scale-0.5, (y+0.5)*p.scale-0.5)
}

// LinearAt is the linear RGB that open paper has, or would have, at a place.
func (p *Paper) LinearAt(x, y float64) (lin [3]float64) {
	c := p.opponentAt(x, y)
	// Invert opponent(): L = (r+g+b)/3, a = r-g, b = (r+g)/2 - b.
	l, a, b := c[0], c[1], c[2]
	blue := l - 2*b/3
	rg := blue + b // (r+g)/2
	rgb := [3]float64{rg + a/2, rg - a/2, blue}
	for k := range lin {
		lin[k] = colour.SRGBToLinearFast(rgb[k])
	}
	return lin
}
