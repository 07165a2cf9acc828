package vision

import (
	"math"

	"gocv.io/x/gocv"

	"tawsight/internal/order"
)

// edge is an edge pixel with its unit gradient.
type edge struct {
	x, y   float64
	gx, gy float64
	mag    float64
}

// slopePair is how the three colours of a reduced picture, blue, green and red,
// change to the right and downward at each pixel: in codes of eight bits over two
// pixels, 16 times, after a 3 x 3 binomial filter.
type slopePair struct {
	w, h         int
	right, below []int16
	mats         [2]gocv.Mat
}

// slopesOf takes an 8-bit BGR picture; Close gives the memory back.
func slopesOf(img gocv.Mat) (s slopePair, err error) {
	s.w, s.h = img.Cols(), img.Rows()
	// The filter [1 2 1] and the difference of the neighbours in one.
	differ, smooth := rowKernel(-1, -2, 0, 2, 1), rowKernel(1, 2, 1)
	defer differ.Close()
	defer smooth.Close()
	s.mats = [2]gocv.Mat{gocv.NewMat(), gocv.NewMat()}
	gocv.SepFilter2D(img, &s.mats[0], gocv.MatTypeCV16S, differ, smooth, imagePt(-1, -1), 0, gocv.BorderReplicate)
	gocv.SepFilter2D(img, &s.mats[1], gocv.MatTypeCV16S, smooth, differ, imagePt(-1, -1), 0, gocv.BorderReplicate)
	if s.right, err = s.mats[0].DataPtrInt16(); err == nil {
		s.below, err = s.mats[1].DataPtrInt16()
	}
	if err != nil {
		s.Close()
	}
	return s, err
}

func (s *slopePair) Close() {
	s.mats[0].Close()
	s.mats[1].Close()
	s.right, s.below = nil, nil
}

// rowKernel is a row of weights.
func rowKernel(v ...float32) gocv.Mat {
	m := gocv.NewMatWithSize(1, len(v), gocv.MatTypeCV32F)
	for i, x := range v {
		m.SetFloatAt(0, i, x)
	}
	return m
}

// opponentSlope is a change of blue, green and red as that of opponent's
// lightness and colour differences.
func opponentSlope(v []int16) [3]float32 {
	const per = 1.0 / (16 * 255)
	b, g, r := float32(v[0])*per, float32(v[1])*per, float32(v[2])*per
	return [3]float32{(r + g + b) / 3, r - g, (r+g)/2 - b}
}

// edges lists pixels where a reduced picture changes faster than its noise: local
// maxima of the gradient along itself, of whichever channel changes most, in
// units of the median gradient of open paper. Masked pixels (the card) give
// none.
func edges(img gocv.Mat, masked []bool) []edge {
	s, err := slopesOf(img)
	if err != nil {
		return nil
	}
	defer s.Close()
	w, h := s.w, s.h
	wt := gradientUnits(&s, masked)
	var rows [3][]slope
	for i := range rows {
		rows[i] = make([]slope, w)
	}
	var out []edge
	for y := 1; y < h-1; y++ {
		// The rows above, at and below the one that is looked at.
		rows[0], rows[1], rows[2] = rows[1], rows[2], rows[0]
		s.row(rows[2], y, &wt)
		if y < 3 {
			continue
		}
		for x, at := range rows[1] {
			if x < 2 || x >= w-2 || at.mag2 < edgeFloor*edgeFloor || masked != nil && masked[(y-1)*w+x] {
				continue
			}
			m := math.Sqrt(float64(at.mag2))
			ux, uy := float64(at.x)/m, float64(at.y)/m
			// Non-maximum suppression on the nearest neighbours.
			dx, dy := int(math.Round(ux)), int(math.Round(uy))
			if rows[1+dy][x+dx].mag2 > at.mag2 || rows[1-dy][x-dx].mag2 >= at.mag2 {
				continue
			}
			out = append(out, edge{float64(x), float64(y - 1), ux, uy, m})
		}
	}
	return out
}

// slope is how a picture changes at a pixel, in units of the paper's noise.
type slope struct{ x, y, mag2 float32 }

// row fills in one row's slopes, of whichever channel changes most; those below
// edgeFloor, which are nearly all, are left at nothing.
func (s *slopePair) row(out []slope, y int, wt *[3]float32) {
	right, below := s.right[3*y*s.w:3*(y+1)*s.w], s.below[3*y*s.w:3*(y+1)*s.w]
	// The floor's square for opponent's channels in whole numbers (three times the
	// lightness, twice the second difference), and a little less, since rounding
	// decides further down.
	var least [3]int32
	for k, times := range [3]float32{3, 1, 2} {
		f := times * edgeFloor * 16 * 255 / wt[k]
		least[k] = int32(min(0.999*f*f, math.MaxInt32/2))
	}
	for x := range out {
		r, b := right[3*x:3*x+3:3*x+3], below[3*x:3*x+3:3*x+3]
		r0, r1, r2 := int32(r[0]), int32(r[1]), int32(r[2])
		b0, b1, b2 := int32(b[0]), int32(b[1]), int32(b[2])
		rl, bl := r0+r1+r2, b0+b1+b2
		ra, ba := r2-r1, b2-b1
		rb, bb := r2+r1-2*r0, b2+b1-2*b0
		if rl*rl+bl*bl < least[0] && ra*ra+ba*ba < least[1] && rb*rb+bb*bb < least[2] {
			out[x] = slope{}
			continue
		}
		dx, dy := opponentSlope(r), opponentSlope(b)
		best := slope{mag2: -1}
		for k, u := range wt {
			p, q := dx[k]*u, dy[k]*u
			if m := p*p + q*q; m > best.mag2 {
				best = slope{p, q, m}
			}
		}
		out[x] = best
	}
}

// edgeFloor is the least gradient that counts as an edge, in units of the
// paper's median gradient. Gradients of noise follow a Rayleigh law, whose
// share beyond k medians is 2^(-k^2): 4e-6 at 4.2.
const edgeFloor = 4.2

// gradientUnits is one over the median gradient of each channel over open
// picture. Most of a photo is paper, so the median is the paper's noise,
// whatever made it.
func gradientUnits(s *slopePair, masked []bool) (wt [3]float32) {
	step := max(1, int(math.Sqrt(float64(s.w*s.h)/20000)))
	var g [3][]float64
	for y := 1; y < s.h-1; y += step {
		for x := 1; x < s.w-1; x += step {
			i := y*s.w + x
			if masked != nil && masked[i] {
				continue
			}
			dx, dy := opponentSlope(s.right[3*i:3*i+3]), opponentSlope(s.below[3*i:3*i+3])
			for k := range g {
				g[k] = append(g[k], math.Hypot(float64(dx[k]), float64(dy[k])))
			}
		}
	}
	for k := range g {
		m := 0.0
		if len(g[k]) > 0 {
			// The lower half only: a crowded photo has more edges than paper.
			m = 1.394 * order.Nth(g[k], len(g[k])*3/10) // Rayleigh's median over its 30 % point
		}
		// Eight-bit pictures can't show less than this.
		wt[k] = float32(1 / math.Max(m, 0.0025))
	}
	return wt
}
