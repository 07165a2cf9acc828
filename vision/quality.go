package vision

import (
	"math"
	"sort"

	"tawsight/calib"
	"tawsight/internal/colour"
	"tawsight/internal/order"
)

// Survey is what a photo shows of its own quality: light, exposure, noise and
// background, measured on the open paper, and how each marble lies in it. It
// measures only; package quality judges.
type Survey struct {
	// OpenShare is the share of the picture that is neither card nor marble,
	// and OpenCells the number of places on it that could be read.
	OpenShare float64
	OpenCells int
	// PaperLinear is the median linear RGB of open paper, 0..1.
	PaperLinear [3]float64
	// PaperClipped and PaperBlack are the shares of open paper at full scale,
	// and at 0 or 1 of 255, by channel (R, G, B).
	PaperClipped, PaperBlack [3]float64
	// Clipped is the share of the whole picture at full scale, by channel.
	Clipped [3]float64
	// Noise is the standard deviation of a pixel's luma on open paper, of the
	// encoded value, 0..1.
	Noise float64
	// LightRatio is the brightest over the darkest light on open paper,
	// linear, by a smooth surface through it: 1 is even.
	LightRatio float64
	// CastRange is the largest difference of colour between two places of the
	// open paper by the same surface, in CIELAB a*b* units with the paper's
	// median taken for white at L* 75.
	CastRange float64
	// Texture is the contrast of what the background shows beyond that smooth
	// surface and noise, as a robust standard deviation relative to the
	// paper's level, at the scale of 1/500 of the picture's longer side.
	Texture float64
	// SheetShare is the share of open paper that lies within 15 % of the
	// smooth surface.
	SheetShare float64
	Marbles    []MarbleLook // in the order given
}

// MarbleLook is how one marble lies in the light.
type MarbleLook struct {
	// GlareShare is the share of the face (inside 0.9 of the radius) under
	// mirrored lamps and windows, or burnt out: at full scale in some channel.
	// Where the paper itself is burnt out, that alone is no glare.
	GlareShare float64
	// ClippedShare is the share of the face at full scale in some channel.
	ClippedShare float64
	// LightShare is the light on the paper around it (median over the ring
	// from 1.15 to 1.6 radii) relative to the open paper's median; negative
	// when no paper could be seen there.
	LightShare float64
	// EdgeShare is the share of directions in which glass just inside the
	// outline and paper just outside it differ by more than 3 dE (CIE 1976) and
	// four times the noise of their means; negative when it can't be told.
	EdgeShare float64
}

// black is 1 of 255, and a little.
var blackScale = colour.SRGBToLinear(1.5 / 255)

// Look surveys a photo. marbles are the outlines found, px, and off
// the areas that are no paper; both may be empty.
func Look(p *Photo, marbles []calib.Ellipse, off *Areas) Survey {
	var s Survey
	px := p.pixels()
	if px.W < 24 || px.H < 24 {
		return s
	}
	// The mask, one entry a block of the picture: 1 for card, 2 for marbles and
	// their near shadows.
	block := max(1, (max(px.W, px.H)+499)/500)
	mw, mh := (px.W+block-1)/block, (px.H+block-1)/block
	k := 1 / float64(block)
	toMask := func(x float64) float64 { return (x+0.5)*k - 0.5 }
	closed := off.mask(mw, mh, k, 4)
	if closed == nil {
		closed = make([]bool, mw*mh)
	}
	const grown = 1.5 // radii; contact shadows are darkest within
	for _, e := range marbles {
		big := e
		big.SemiMajorPX, big.SemiMinorPX = grown*e.SemiMajorPX, grown*e.SemiMinorPX
		r := int(math.Ceil(big.SemiMajorPX*k)) + 1
		cx, cy := int(toMask(e.CxPX)), int(toMask(e.CyPX))
		for y := max(0, cy-r); y <= min(mh-1, cy+r); y++ {
			for x := max(0, cx-r); x <= min(mw-1, cx+r); x++ {
				u, v := big.Unit((float64(x)+0.5)/k-0.5, (float64(y)+0.5)/k-0.5)
				if u*u+v*v < 1 {
					closed[y*mw+x] = true
				}
			}
		}
	}
	open := 0
	for _, c := range closed {
		if !c {
			open++
		}
	}
	s.OpenShare = float64(open) / float64(len(closed))

	s.exposure(px, closed, mw, block)
	s.noise(px, closed, mw, block)
	sheet := s.light(px, closed, mw, mh, block)
	s.texture(px, closed, mw, mh, block, sheet)
	s.glass(px, marbles, off)
	return s
}

// exposure samples open paper for its level and its clipping.
func (s *Survey) exposure(px calib.Pixels, closed []bool, mw, block int) {
	step := max(1, int(math.Sqrt(float64(px.W*px.H)/60000)))
	if px.B8 != nil && px.Table == nil {
		s.exposure8(px, closed, mw, block, step)
		return
	}
	var v [3][]float64
	var all float64
	var full, black [3]int
	for y := step / 2; y < px.H; y += step {
		for x := step / 2; x < px.W; x += step {
			c, over := px.Linear(x, y), px.Full(x, y)
			all++
			for k := range c {
				if over[k] {
					s.Clipped[k]++
				}
			}
			if closed[y/block*mw+x/block] {
				continue
			}
			for k := range v {
				v[k] = append(v[k], c[k])
				if over[k] {
					full[k]++
				}
				if c[k] <= blackScale {
					black[k]++
				}
			}
		}
	}
	for k := range s.Clipped {
		s.Clipped[k] /= math.Max(1, all)
	}
	n := len(v[0])
	if n == 0 {
		return
	}
	for k := range v {
		s.PaperClipped[k] = float64(full[k]) / float64(n)
		s.PaperBlack[k] = float64(black[k]) / float64(n)
		s.PaperLinear[k] = order.Nth(v[k], n/2)
	}
}

// exposure8 is exposure of the usual photo, 8 bits in sRGB, whose codes are counted.
func (s *Survey) exposure8(px calib.Pixels, closed []bool, mw, block, step int) {
	var all, open [3][256]int // by channel (r, g, b)
	n, total := 0, 0
	for y := step / 2; y < px.H; y += step {
		row, shut := px.B8[3*y*px.W:3*(y+1)*px.W], closed[y/block*mw:]
		for x := step / 2; x < px.W; x += step {
			c := row[3*x : 3*x+3 : 3*x+3]
			total++
			all[0][c[2]]++
			all[1][c[1]]++
			all[2][c[0]]++
			if shut[x/block] {
				continue
			}
			n++
			open[0][c[2]]++
			open[1][c[1]]++
			open[2][c[0]]++
		}
	}
	for k := range open {
		full, black, below, middle := 0, 0, 0, -1
		for code, count := range open[k] {
			if code >= 254 {
				full += count
				s.Clipped[k] += float64(all[k][code])
			}
			if colour.Linear8[code] <= blackScale {
				black += count
			}
			if below += count; middle < 0 && below > n/2 {
				middle = code
			}
		}
		s.Clipped[k] /= math.Max(1, float64(total))
		if n > 0 {
			s.PaperClipped[k], s.PaperBlack[k] = float64(full)/float64(n), float64(black)/float64(n)
			s.PaperLinear[k] = colour.Linear8[middle]
		}
	}
}

// luma8 is what a code of 8 bits adds to a pixel's luma, by channel (r, g, b).
var luma8 = func() (t [3][256]float64) {
	for i := range 256 {
		v := float64(float32(i) / 255)
		t[0][i], t[1][i], t[2][i] = 0.2126*v, 0.7152*v, 0.0722*v
	}
	return t
}()

// noise is J. Immerkaer's estimate (Fast noise variance estimation, Computer
// Vision and Image Understanding 64, 1996) on open paper: the response to the
// difference of two Laplacians, [1 -2 1; -2 4 -2; 1 -2 1], is blind to smooth
// light and to straight edges, and has 36 times the variance of white noise.
// The mean of its absolute value is taken over what lies within four times
// that mean, which leaves dust and edges out.
func (s *Survey) noise(px calib.Pixels, closed []bool, mw, block int) {
	// The luma of a place and of the eight around it, row by row.
	nine := func(x, y int) (l [9]float64) {
		for k := range l {
			c := px.Encoded(x+k%3-1, y+k/3-1)
			l[k] = 0.2126*float64(c[0]) + 0.7152*float64(c[1]) + 0.0722*float64(c[2])
		}
		return l
	}
	if px.B8 != nil {
		nine = func(x, y int) (l [9]float64) {
			i := 3 * ((y-1)*px.W + x - 1)
			for j := 0; j < 9; j += 3 {
				c := px.B8[i : i+9 : i+9]
				l[j] = luma8[0][c[2]] + luma8[1][c[1]] + luma8[2][c[0]]
				l[j+1] = luma8[0][c[5]] + luma8[1][c[4]] + luma8[2][c[3]]
				l[j+2] = luma8[0][c[8]] + luma8[1][c[7]] + luma8[2][c[6]]
				i += 3 * px.W
			}
			return l
		}
	}
	// An odd step, so that a JPEG's blocks of 8 are met at every phase.
	step := max(1, int(math.Sqrt(float64(px.W*px.H)/40000))) | 1
	r := make([]float64, 0, (px.H/step+1)*(px.W/step+1))
	for y := 1 + step/2; y < px.H-1; y += step {
		for x := 1 + step/2; x < px.W-1; x += step {
			if closed[y/block*mw+x/block] {
				continue
			}
			l := nine(x, y)
			if l[4] < 0.01 || l[4] > 0.985 {
				continue // clipped noise is no noise
			}
			v := l[0] - 2*l[1] + l[2] - 2*l[3] + 4*l[4] - 2*l[5] + l[6] - 2*l[7] + l[8]
			r = append(r, math.Abs(v))
		}
	}
	if len(r) < 200 {
		return
	}
	limit := math.Inf(1)
	for range 4 {
		sum, n := 0.0, 0
		for _, v := range r {
			if v <= limit {
				sum += v
				n++
			}
		}
		if n == 0 || sum == 0 {
			return
		}
		m := sum / float64(n)
		s.Noise = math.Sqrt(math.Pi/2) * m / 6
		limit = 4 * m
	}
}

// lightSheet is the logarithm of the light on open paper as a second-degree
// surface a channel.
type lightSheet struct {
	ok   bool
	w, h float64
	coef [3][6]float64
}

func (l *lightSheet) at(x, y float64) (lin [3]float64) {
	t := terms(2*x/l.w-1, 2*y/l.h-1)
	for k := range lin {
		v := 0.0
		for i := range t {
			v += l.coef[k][i] * t[i]
		}
		lin[k] = math.Exp(v)
	}
	return lin
}

// light fits the sheet to cells of open paper and says how uneven it is. A
// cell's value is the median of its lighter half, so that marbles' longer
// shadows don't count as uneven light unless they cover most of a cell.
func (s *Survey) light(px calib.Pixels, closed []bool, mw, mh, block int) *lightSheet {
	const across = 20
	size := max(1, (max(mw, mh)+across-1)/across) // blocks a cell
	type cell struct {
		x, y float64
		lin  [3]float64
		w    float64
	}
	var cells []cell
	step := max(1, size*block/14)
	var px3, half [][3]float64
	var lums, v []float64
	for j := 0; j < mh; j += size {
		for i := 0; i < mw; i += size {
			px3, lums = px3[:0], lums[:0]
			n := 0
			for y := j * block; y < min(px.H, (j+size)*block); y += step {
				for x := i * block; x < min(px.W, (i+size)*block); x += step {
					n++
					if !closed[y/block*mw+x/block] {
						c := px.Linear(x, y)
						px3, lums = append(px3, c), append(lums, lum(c))
					}
				}
			}
			if len(px3) < 12 || len(px3)*10 < 4*n {
				continue
			}
			half = lighterHalf(px3, lums, &v, half[:0])
			c := cell{x: float64(i*block) + float64(size*block)/2, y: float64(j*block) + float64(size*block)/2, w: 1}
			for k := 0; k < 3; k++ {
				v = v[:0]
				for q := range half {
					v = append(v, half[q][k])
				}
				c.lin[k] = math.Max(1e-5, order.Median(v))
			}
			cells = append(cells, c)
		}
	}
	s.OpenCells = len(cells)
	l := &lightSheet{w: float64(px.W), h: float64(px.H)}
	if len(cells) < 12 {
		return l
	}
	// Iterated reweighting (Tukey's biweight) on the logarithm of luminance.
	for iter := 0; iter < 5; iter++ {
		for k := 0; k < 3; k++ {
			x := make([][6]float64, len(cells))
			y := make([]float64, len(cells))
			w := make([]float64, len(cells))
			for i, c := range cells {
				x[i], y[i], w[i] = terms(2*c.x/l.w-1, 2*c.y/l.h-1), math.Log(c.lin[k]), c.w
			}
			coef, ok := weightedFit(x, y, w)
			if !ok {
				return l
			}
			l.coef[k] = coef
		}
		r := make([]float64, len(cells))
		for i, c := range cells {
			r[i] = math.Abs(math.Log(lum(c.lin) / lum(l.at(c.x, c.y))))
		}
		sorted := append([]float64(nil), r...)
		sort.Float64s(sorted)
		scale := math.Max(0.02, 1.4826*sorted[len(sorted)/2])
		for i := range cells {
			u := r[i] / (4.685 * scale)
			cells[i].w = math.Max(0.01, 1-u*u)
			if u < 1 {
				cells[i].w *= cells[i].w
			} else {
				cells[i].w = 0.001
			}
		}
	}
	l.ok = true
	var level []float64
	var labs [][2]float64
	for _, c := range cells {
		if c.w < 0.05 {
			continue
		}
		lin := l.at(c.x, c.y)
		level = append(level, lum(lin))
		// Against the median paper as white, at a lightness of paper.
		var rel [3]float64
		for k := range rel {
			rel[k] = lin[k] / math.Max(1e-5, s.PaperLinear[k])
		}
		y := lum(rel)
		if y <= 0 {
			continue
		}
		for k := range rel {
			rel[k] *= 0.483 / y // L* 75
		}
		lab := colour.LinearToLabFast(rel)
		labs = append(labs, [2]float64{lab[1], lab[2]})
	}
	if len(level) < 8 {
		return l
	}
	sort.Float64s(level)
	s.LightRatio = level[len(level)-1-len(level)/50] / math.Max(1e-6, level[len(level)/50])
	most := 0.0 // its square
	for i := range labs {
		for j := i + 1; j < len(labs); j++ {
			if d2 := sq(labs[i][0]-labs[j][0]) + sq(labs[i][1]-labs[j][1]); d2 > most {
				most, s.CastRange = d2, math.Hypot(labs[i][0]-labs[j][0], labs[i][1]-labs[j][1])
			}
		}
	}
	return l
}

// lighterHalf puts the lighter half of some colours into out, whose luminances are
// given; room is for working.
func lighterHalf(all [][3]float64, lums []float64, room *[]float64, out [][3]float64) [][3]float64 {
	*room = append((*room)[:0], lums...)
	least := order.Median(*room)
	same := 0 // how many as light as that belong to it
	for _, l := range *room {
		if l > least {
			same--
		}
	}
	same += len(all) - len(all)/2
	for i, l := range lums {
		if l == least {
			if same--; same < 0 {
				continue
			}
		} else if l < least {
			continue
		}
		out = append(out, all[i])
	}
	return out
}

// weightedFit is weighted least squares by the normal equations.
func weightedFit(x [][6]float64, y, w []float64) (c [6]float64, ok bool) {
	var a [6][7]float64
	for i := range x {
		for p := 0; p < 6; p++ {
			for q := 0; q < 6; q++ {
				a[p][q] += w[i] * x[i][p] * x[i][q]
			}
			a[p][6] += w[i] * x[i][p] * y[i]
		}
	}
	for p := 0; p < 6; p++ {
		a[p][p] += 1e-6 * (1 + a[0][0])
	}
	for p := 0; p < 6; p++ {
		best := p
		for q := p + 1; q < 6; q++ {
			if math.Abs(a[q][p]) > math.Abs(a[best][p]) {
				best = q
			}
		}
		a[p], a[best] = a[best], a[p]
		if math.Abs(a[p][p]) < 1e-12 {
			return c, false
		}
		for q := 0; q < 6; q++ {
			if q == p {
				continue
			}
			f := a[q][p] / a[p][p]
			for r := p; r < 7; r++ {
				a[q][r] -= f * a[p][r]
			}
		}
	}
	for p := range c {
		c[p] = a[p][6] / a[p][p]
	}
	return c, true
}

// texture says how far the open background is from one smooth sheet.
func (s *Survey) texture(px calib.Pixels, closed []bool, mw, mh, block int, l *lightSheet) {
	if !l.ok {
		return
	}
	var dev []float64
	var near, n int
	step := max(1, int(math.Sqrt(float64(mw*mh)/9000))) // so many tell the median to 2 %
	samples := 1
	for j := step / 2; j < mh; j += step {
		for i := step / 2; i < mw; i += step {
			if closed[j*mw+i] {
				continue
			}
			sum, m := 0.0, 0
			inner := max(1, block/3)
			for y := j * block; y < min(px.H, (j+1)*block); y += inner {
				for x := i * block; x < min(px.W, (i+1)*block); x += inner {
					sum += px.Luminance(x, y)
					m++
				}
			}
			samples = max(samples, m)
			d := math.Log(math.Max(1e-5, sum/float64(m)) / lum(l.at(float64(i*block)+float64(block-1)/2, float64(j*block)+float64(block-1)/2)))
			dev = append(dev, math.Abs(d))
			n++
			if math.Abs(d) < 0.14 { // 15 %
				near++
			}
		}
	}
	if n < 100 {
		return
	}
	s.SheetShare = float64(near) / float64(n)
	middle := order.Median(dev)
	// What noise leaves of it: the encoded value's noise as a share of the
	// linear level, with sRGB's slope taken as a power of 2.2, in the mean of
	// the samples.
	level := math.Max(0.02, lum(s.PaperLinear))
	noise := 2.2 * s.Noise / math.Pow(level, 1/2.2) / math.Sqrt(float64(samples))
	t := 1.4826 * middle
	s.Texture = math.Sqrt(math.Max(0, t*t-noise*noise))
}

// glass looks at each marble.
func (s *Survey) glass(px calib.Pixels, marbles []calib.Ellipse, off *Areas) {
	paper := lum(s.PaperLinear)
	burnt := math.Max(s.PaperClipped[0], math.Max(s.PaperClipped[1], s.PaperClipped[2])) > 0.2
	// A coarse ring around a place of the face's grid.
	const n = 20
	var ringOff [16][2]int
	for q := range ringOff {
		sq, cq := math.Sincos(2 * math.Pi * float64(q) / 16)
		ringOff[q] = [2]int{int(math.Round(n / 5 * sq)), int(math.Round(n / 5 * cq))}
	}
	room := make([]float64, 0, 400)
	for i, e := range marbles {
		look := MarbleLook{LightShare: -1, EdgeShare: -1}
		near := about(marbles, i, 1.6, 1.03)
		others := func(x, y float64) bool {
			return near.hold(x, y) || off.Has(x, y) || x < 1 || y < 1 || x > float64(px.W-2) || y > float64(px.H-2)
		}
		sin, cos := math.Sincos(e.AngleDeg * math.Pi / 180)
		at := func(x, y float64) (float64, float64) {
			u, v := (cos*x+sin*y)*e.SemiMajorPX, (-sin*x+cos*y)*e.SemiMinorPX
			return e.CxPX + cos*u - sin*v, e.CyPX + sin*u + cos*v
		}
		// The face on a grid of 41 x 41.
		var bright [2*n + 1][2*n + 1]float64
		var clipped [2*n + 1][2*n + 1]bool
		for a := -n; a <= n; a++ {
			for b := -n; b <= n; b++ {
				bright[a+n][b+n] = -1
				u, v := float64(b)/n, float64(a)/n
				if u*u+v*v > 0.98 {
					continue
				}
				x, y := at(u, v)
				ix, iy := int(x+0.5), int(y+0.5)
				if x < 0 || y < 0 || ix >= px.W || iy >= px.H {
					continue
				}
				bright[a+n][b+n] = px.Luminance(ix, iy)
				over := px.Full(ix, iy)
				clipped[a+n][b+n] = over[0] || over[1] || over[2]
			}
		}
		glare, face, full := 0, 0, 0
		for a := 0; a <= 2*n; a++ {
			for b := 0; b <= 2*n; b++ {
				u, v := float64(b-n)/n, float64(a-n)/n
				if bright[a][b] < 0 || u*u+v*v >= 0.81 {
					continue
				}
				face++
				if clipped[a][b] {
					full++
					if !burnt {
						glare++
						continue
					}
				}
				// As for a face's highlights: much brighter than what is round
				// about, by more than glass of any colour next to another, in
				// the light of the open paper. It is where more than seven eighths
				// of the ring lie below this.
				below := (bright[a][b] - 0.25*math.Max(0.05, paper)) / 1.5
				if below <= 0 {
					continue
				}
				seen, darker := 0, 0
				for _, d := range ringOff {
					aa, bb := a+d[0], b+d[1]
					if aa < 0 || bb < 0 || aa > 2*n || bb > 2*n || bright[aa][bb] < 0 {
						continue
					}
					seen++
					if bright[aa][bb] < below {
						darker++
					} else if seen-darker > 1 { // at most one may be as bright
						break
					}
				}
				if seen >= 8 && darker > seen*7/8 {
					glare++
				}
			}
		}
		if face > 0 {
			look.GlareShare = float64(glare) / float64(face)
			look.ClippedShare = float64(full) / float64(face)
		}
		// The paper around, and the step onto it.
		const dirs = 48
		ring := room[:0]
		seen, looked := 0, 0
		for d := 0; d < dirs; d++ {
			sd, cd := math.Sincos(2 * math.Pi * float64(d) / dirs)
			for q := 1.15; q <= 1.6; q += 0.09 {
				if x, y := at(q*cd, q*sd); !others(x, y) {
					ring = append(ring, px.Luminance(int(x+0.5), int(y+0.5)))
				}
			}
			var in, out [3]float64
			ni, no := 0, 0
			for t := 0.0; t < 1; t += 0.2 {
				if x, y := at((0.86+0.1*t)*cd, (0.86+0.1*t)*sd); !others(x, y) {
					c := px.Linear(int(x+0.5), int(y+0.5))
					for k := range in {
						in[k] += c[k]
					}
					ni++
				}
				if x, y := at((1.06+0.1*t)*cd, (1.06+0.1*t)*sd); !others(x, y) {
					c := px.Linear(int(x+0.5), int(y+0.5))
					for k := range out {
						out[k] += c[k]
					}
					no++
				}
			}
			if ni < 3 || no < 3 {
				continue
			}
			looked++
			for k := range in {
				// Relative to the open paper, so that exposure and cast don't
				// count.
				w := 0.483 / math.Max(1e-4, s.PaperLinear[k])
				in[k], out[k] = in[k]/float64(ni)*w, out[k]/float64(no)*w
			}
			a, b := colour.LinearToLabFast(in), colour.LinearToLabFast(out)
			de := math.Sqrt(sq(a[0]-b[0]) + sq(a[1]-b[1]) + sq(a[2]-b[2]))
			// A tenth of a radius holds several pixels; 100 L* span the
			// encoded scale.
			own := 4 * 100 * s.Noise / math.Sqrt(math.Max(1, float64(ni)))
			if de > math.Max(3, own) {
				seen++
			}
		}
		if len(ring) >= 40 && paper > 1e-5 {
			look.LightShare = order.Median(ring) / paper
		}
		if looked >= 12 {
			look.EdgeShare = float64(seen) / float64(looked)
		}
		s.Marbles = append(s.Marbles, look)
	}
}

func lum(c [3]float64) float64 { return 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2] }

func sq(v float64) float64 { return v * v }

// NearOutlines marks the pixels within a tenth of a radius, and six pixels, of
// marbles' outlines: where a photo without a card shows its blur.
func NearOutlines(p *Photo, marbles []calib.Ellipse) []bool {
	at := make([]bool, p.Width*p.Height)
	for _, e := range marbles {
		band := 0.1 + 6/math.Max(1, e.SemiMinorPX)
		r := int(e.SemiMajorPX*(1+band)) + 1
		for y := max(0, int(e.CyPX)-r); y <= min(p.Height-1, int(e.CyPX)+r); y++ {
			for x := max(0, int(e.CxPX)-r); x <= min(p.Width-1, int(e.CxPX)+r); x++ {
				u, v := e.Unit(float64(x), float64(y))
				if math.Abs(math.Hypot(u, v)-1) < band {
					at[y*p.Width+x] = true
				}
			}
		}
	}
	return at
}
