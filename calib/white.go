package calib

import (
	"math"
	"sort"

	"gocv.io/x/gocv"

	"tawsight/internal/colour"
	"tawsight/internal/kernels"
	"tawsight/internal/order"
)

// White turns a photo's linear sRGB into the light of a neutral illuminant, the
// card's bare paper (or the background) being neutral.
type White struct {
	Source string // card, background or none
	// Gain multiplies linear RGB, channel by channel. With a card the bare
	// paper comes out at its nominal L* 95.
	Gain [3]float64
	// ToneExponent is the exponent by which the photo's linear light grows
	// faster than the card's (1 when the camera is true to sRGB); applied
	// about PaperY, so that the paper stays where it is.
	ToneExponent float64
	PaperY       float64
	// IlluminantXY is the CIE 1931 chromaticity of the paper as recorded: what
	// the camera's own white balance left of the light's colour.
	IlluminantXY [2]float64
	CCTK         float64 // correlated colour temperature of that, K; 0 when it has none
	// ResidualDE00 is the median CIEDE2000 between the grey patches as
	// balanced and their nominal colours; negative when not known.
	ResidualDE00 float64
	// Clipped says that the paper was at full white in a channel, so that the
	// balance rests on the grey patches.
	Clipped bool
}

// Neutral is the balance of a photo of which nothing is known.
func Neutral() White {
	return White{Source: "none", Gain: [3]float64{1, 1, 1}, ToneExponent: 1, PaperY: 1, ResidualDE00: -1}
}

// Apply balances one linear RGB colour.
func (w White) Apply(lin [3]float64) [3]float64 {
	out := [3]float64{lin[0] * w.Gain[0], lin[1] * w.Gain[1], lin[2] * w.Gain[2]}
	if w.ToneExponent != 1 {
		y := 0.2126*out[0] + 0.7152*out[1] + 0.0722*out[2]
		if y > 1e-6 {
			k := math.Pow(y/w.PaperY, 1/w.ToneExponent-1)
			// Near black the curve is not known; don't let it run away.
			k = math.Max(0.5, math.Min(2, k))
			out[0], out[1], out[2] = out[0]*k, out[1]*k, out[2]*k
		}
	}
	return out
}

// toneLimits bound the exponent that is believed. Past them the patches say
// more about the printer, or a reflection, than about the camera.
const toneLo, toneHi = 0.75, 1.35

// ReadWhite reads the balance from the card in an upright photo (CV_8UC3 or
// CV_16UC3, BGR) whose corners were found. ok is false when too little of the
// card's paper can be read.
func ReadWhite(bgr gocv.Mat, corners [][2]float64) (White, bool) {
	w := Neutral()
	h, err := Homography(InnerCorners(), corners)
	if err != nil {
		return w, false
	}
	px := NewPixels(bgr)
	if px.W == 0 {
		return w, false
	}
	// Bare paper: the white squares, and the strips above and below the
	// patches. Medians of medians, so that dust, print and a marble lying on
	// the card don't count.
	var paper [][3]float64
	clipped := 0
	add := func(x, y float64) {
		if c, clip, ok := px.patch(h, x, y, 1.6); ok {
			paper = append(paper, c)
			if clip > 0.2 {
				clipped++
			}
		}
	}
	for j := 0; j < BoardRows; j++ {
		for i := 0; i < BoardCols; i++ {
			if !SquareIsBlack(i, j) {
				tl := SquareTopLeft(i, j)
				add(tl[0]+SquareMM/2, tl[1]+SquareMM/2)
			}
		}
	}
	type pair struct {
		patch, paper [3]float64
		l            float64
	}
	var pairs []pair
	for k, p := range Patches() {
		c := p.CentreMM()
		if p.Bare {
			add(c[0], c[1])
			continue
		}
		if k > 0 {
			add(c[0]-PatchMM/2-2, c[1])
		}
		patch, clip, ok := px.patch(h, c[0], c[1], 2)
		left, clip2, ok2 := px.patch(h, c[0]-PatchMM/2-2, c[1], 1.2)
		right, clip3, ok3 := px.patch(h, c[0]+PatchMM/2+2, c[1], 1.2)
		if !ok || !ok2 || !ok3 || clip > 0.05 || clip2 > 0.2 || clip3 > 0.2 {
			continue
		}
		var near [3]float64
		for i := range near {
			near[i] = (left[i] + right[i]) / 2
		}
		pairs = append(pairs, pair{patch, near, p.L})
	}
	if len(paper) < 6 {
		return w, false
	}
	white := medianRGB(paper)
	w.Clipped = clipped > len(paper)/4
	if w.Clipped && len(pairs) == 0 {
		// Full white paper and no patch to stand in for it: the balance would
		// be a guess.
		for k, p := range Patches() {
			if k == 0 {
				continue
			}
			c := p.CentreMM()
			if patch, clip, ok := px.patch(h, c[0], c[1], 2); ok && clip < 0.05 {
				y := yOfL(p.L)
				pairs = append(pairs, pair{patch, [3]float64{patch[0] / y * yOfL(95), patch[1] / y * yOfL(95), patch[2] / y * yOfL(95)}, p.L})
				break
			}
		}
		if len(pairs) == 0 {
			return w, false
		}
		white = pairs[0].paper
		pairs = nil
	}
	y95 := yOfL(95)
	for i := range w.Gain {
		if white[i] <= 1e-4 {
			return w, false // a starved channel can't be balanced
		}
		w.Gain[i] = y95 / white[i]
	}
	w.Source = "card"
	w.PaperY = y95
	xyz := colour.LinearToXYZ(white)
	if xy, ok := colour.ChromaticityXY(xyz); ok {
		w.IlluminantXY = xy
		if k, ok := colour.CCT(xy); ok {
			w.CCTK = k
		}
	}
	// Tone: how the patches' light, each against the paper beside it, goes
	// with the printed lightness. The darkest patch is left out: stray light
	// in the lens lifts it.
	var sxx, sxy float64
	n := 0
	for _, p := range pairs {
		if p.l < 30 {
			continue
		}
		x := math.Log(yOfL(p.l) / y95)
		y := math.Log(luminance(p.patch) / luminance(p.paper))
		if math.IsNaN(y) || math.IsInf(y, 0) {
			continue
		}
		sxx += x * x
		sxy += x * y
		n++
	}
	if n >= 3 && sxx > 0 {
		if g := sxy / sxx; g > toneLo && g < toneHi {
			w.ToneExponent = g
		}
	}
	var de []float64
	for _, p := range pairs {
		var lin [3]float64
		for i := range lin {
			lin[i] = p.patch[i] / p.paper[i] * white[i]
		}
		de = append(de, colour.DeltaE00(colour.LinearToLab(w.Apply(lin)), [3]float64{p.l, 0, 0}))
	}
	if len(de) > 0 {
		sort.Float64s(de)
		w.ResidualDE00 = de[len(de)/2]
	}
	return w, true
}

// WhiteFromBackground balances on the paper around the marbles, taken to be
// neutral. Its lightness is not known, so the photo's own exposure stands.
func WhiteFromBackground(paperLinear [3]float64) White {
	w := Neutral()
	y := luminance(paperLinear)
	for _, v := range paperLinear {
		if v <= 1e-4 {
			return w
		}
	}
	w.Source = "background"
	for i, v := range paperLinear {
		w.Gain[i] = y / v
	}
	w.PaperY = y
	if xy, ok := colour.ChromaticityXY(colour.LinearToXYZ(paperLinear)); ok {
		w.IlluminantXY = xy
		if k, ok := colour.CCT(xy); ok {
			w.CCTK = k
		}
	}
	return w
}

func luminance(lin [3]float64) float64 { return 0.2126*lin[0] + 0.7152*lin[1] + 0.0722*lin[2] }

func yOfL(l float64) float64 { return luminance(colour.LabToLinear([3]float64{l, 0, 0})) }

func medianRGB(c [][3]float64) (m [3]float64) {
	v := make([]float64, len(c))
	for k := range m {
		for i := range c {
			v[i] = c[i][k]
		}
		sort.Float64s(v)
		m[k] = v[len(v)/2]
	}
	return m
}

// Pixels reads a BGR picture (CV_8UC3 or CV_16UC3) without copying it. It is
// valid as long as the matrix is.
type Pixels struct {
	W, H int
	B8   []uint8
	B16  []uint16
	// Own8 or Own16 are the codes as the file has them, where they are not sRGB,
	// and Table what they mean: Linear reads these, so that colours beyond sRGB
	// are not lost. Nil for most photos.
	Own8  []uint8
	Own16 []uint16
	Table *colour.Contributions
}

// NewPixels lends a view of m; W is 0 when m is of another type.
func NewPixels(m gocv.Mat) Pixels {
	if m.Empty() {
		return Pixels{}
	}
	switch m.Type() {
	case gocv.MatTypeCV8UC3:
		if d, err := m.DataPtrUint8(); err == nil {
			return Pixels{W: m.Cols(), H: m.Rows(), B8: d}
		}
	case gocv.MatTypeCV16UC3:
		if d, err := m.DataPtrUint16(); err == nil {
			return Pixels{W: m.Cols(), H: m.Rows(), B16: d}
		}
	}
	return Pixels{}
}

// Encoded is the sRGB-encoded colour (r, g, b in 0..1) of a pixel inside the
// picture.
func (p *Pixels) Encoded(x, y int) [3]float32 {
	i := 3 * (y*p.W + x)
	if p.B8 != nil {
		return [3]float32{float32(p.B8[i+2]) / 255, float32(p.B8[i+1]) / 255, float32(p.B8[i]) / 255}
	}
	return [3]float32{float32(p.B16[i+2]) / 65535, float32(p.B16[i+1]) / 65535, float32(p.B16[i]) / 65535}
}

// EncodedAt interpolates Encoded between pixels; positions outside are moved
// to the border.
func (p *Pixels) EncodedAt(x, y float64) (c [3]float32) {
	x = math.Max(0, math.Min(float64(p.W-1), x))
	y = math.Max(0, math.Min(float64(p.H-1), y))
	x0, y0 := int(x), int(y)
	x1, y1 := min(x0+1, p.W-1), min(y0+1, p.H-1)
	fx, fy := float32(x-float64(x0)), float32(y-float64(y0))
	a, b, d, e := p.Encoded(x0, y0), p.Encoded(x1, y0), p.Encoded(x0, y1), p.Encoded(x1, y1)
	for k := range c {
		c[k] = (a[k]*(1-fx)+b[k]*fx)*(1-fy) + (d[k]*(1-fx)+e[k]*fx)*fy
	}
	return c
}

// LinearAt is EncodedAt in linear light: each neighbour is linearised before
// it is weighed.
func (p *Pixels) LinearAt(x, y float64) (c [3]float64) {
	x = math.Max(0, math.Min(float64(p.W-1), x))
	y = math.Max(0, math.Min(float64(p.H-1), y))
	x0, y0 := int(x), int(y)
	x1, y1 := min(x0+1, p.W-1), min(y0+1, p.H-1)
	fx, fy := x-float64(x0), y-float64(y0)
	a, b, d, e := p.Linear(x0, y0), p.Linear(x1, y0), p.Linear(x0, y1), p.Linear(x1, y1)
	for k := range c {
		c[k] = (a[k]*(1-fx)+b[k]*fx)*(1-fy) + (d[k]*(1-fx)+e[k]*fx)*fy
	}
	return c
}

// LuminanceAt is the luminance of LinearAt; quicker for the usual photo of 8 bits in
// sRGB.
func (p *Pixels) LuminanceAt(x, y float64) float64 {
	if p.B8 == nil || p.Table != nil || !(x >= 0 && y >= 0 && x < float64(p.W-1) && y < float64(p.H-1)) {
		return luminance(p.LinearAt(x, y))
	}
	x0, y0 := int(x), int(y)
	fx, fy := x-float64(x0), y-float64(y0)
	i := 3 * (y0*p.W + x0)
	j := i + 3*p.W
	a, c := p.luminance8(i), p.luminance8(j)
	a += fx * (p.luminance8(i+3) - a)
	c += fx * (p.luminance8(j+3) - c)
	return a + fy*(c-a)
}

// across is the luminance across an edge from a to b, px: 2 n + 1 samples dx, dy apart,
// the middle one on it, each the mean over so many lines, of which the first crosses the
// edge at a share of its length and each other a further share on. nil where part of it
// lies outside the picture.
func (p *Pixels) across(n, lines int, first, further float64, a, b [2]float64, dx, dy float64) []float64 {
	s := make([]float64, 2*n+1)
	for k := range lines {
		t := first + further*float64(k)
		if !p.addLuminance(s, a[0]+(b[0]-a[0])*t, a[1]+(b[1]-a[1])*t, dx, dy) {
			return nil
		}
	}
	for i := range s {
		s[i] /= float64(lines)
	}
	return s
}

// addLuminance adds, to each of an odd number of sums, the luminance of LinearAt at one
// place of a straight line, dx, dy apart, the middle one at x, y. It says whether all of
// them lie a pixel and more inside the picture; otherwise it adds nothing.
func (p *Pixels) addLuminance(sum []float64, x, y, dx, dy float64) bool {
	m := float64(len(sum) / 2)
	return p.AddLuminance(sum, kernels.Straight{X: x - m*dx, Y: y - m*dy, DX: dx, DY: dy})
}

// AddLuminance adds, to each of sum, LuminanceAt at one place of a straight line. It
// says whether all of them lie a pixel and more inside the picture; otherwise it adds
// nothing.
func (p *Pixels) AddLuminance(sum []float64, at kernels.Straight) bool {
	for _, k := range [2]int{0, len(sum) - 1} {
		if u, v := at.Place(k); !(u >= 1 && v >= 1 && u <= float64(p.W-2) && v <= float64(p.H-2)) {
			return false
		}
	}
	if p.B8 != nil && p.Table == nil {
		// At the last pixel but one the one after it counts nothing, but is read.
		kernels.Luminance(sum, p.B8, p.W, at, &share8)
		return true
	}
	for i := range sum {
		sum[i] += luminance(p.LinearAt(at.Place(i)))
	}
	return true
}

// Luminance is that of Linear.
func (p *Pixels) Luminance(x, y int) float64 {
	if p.B8 == nil || p.Table != nil {
		return luminance(p.Linear(x, y))
	}
	return p.luminance8(3 * (y*p.W + x))
}

// luminance8 is the luminance of the pixel whose codes begin at i.
func (p *Pixels) luminance8(i int) float64 {
	c := p.B8[i : i+3 : i+3]
	return share8[0][c[2]] + share8[1][c[1]] + share8[2][c[0]]
}

// share8 is what a code adds to the luminance, by channel (r, g, b).
var share8 = func() (t [3][256]float64) {
	for i, v := range linear8 {
		t[0][i], t[1][i], t[2][i] = luminance([3]float64{v, 0, 0}), luminance([3]float64{0, v, 0}), luminance([3]float64{0, 0, v})
	}
	return t
}()

// Linear is the linear RGB of a pixel inside the picture. It may lie outside 0..1
// where the file's colours reach beyond sRGB.
func (p *Pixels) Linear(x, y int) [3]float64 {
	i := 3 * (y*p.W + x)
	if p.Table != nil {
		var v [3]float32
		if p.Own8 != nil {
			v = p.Table.Sum(int(p.Own8[i+2]), int(p.Own8[i+1]), int(p.Own8[i]))
		} else {
			v = p.Table.Sum(int(p.Own16[i+2]), int(p.Own16[i+1]), int(p.Own16[i]))
		}
		return [3]float64{float64(v[0]), float64(v[1]), float64(v[2])}
	}
	if p.B8 != nil {
		return [3]float64{linear8[p.B8[i+2]], linear8[p.B8[i+1]], linear8[p.B8[i]]}
	}
	t := colour.Linear16()
	return [3]float64{t[p.B16[i+2]], t[p.B16[i+1]], t[p.B16[i]]}
}

// LinearRow is Linear for the pixels from x, y on along a row, three numbers each,
// as many as out has room for.
func (p *Pixels) LinearRow(x, y int, out []float32) {
	i := 3 * (y*p.W + x)
	switch {
	case p.Table != nil && p.Own8 != nil:
		for o := 0; o+2 < len(out); o, i = o+3, i+3 {
			v := p.Table.Sum(int(p.Own8[i+2]), int(p.Own8[i+1]), int(p.Own8[i]))
			out[o], out[o+1], out[o+2] = v[0], v[1], v[2]
		}
	case p.Table != nil:
		for o := 0; o+2 < len(out); o, i = o+3, i+3 {
			v := p.Table.Sum(int(p.Own16[i+2]), int(p.Own16[i+1]), int(p.Own16[i]))
			out[o], out[o+1], out[o+2] = v[0], v[1], v[2]
		}
	case p.B8 != nil:
		row := p.B8[i : i+len(out)]
		for o := 0; o+2 < len(row); o += 3 {
			out[o], out[o+1], out[o+2] = single8[row[o+2]], single8[row[o+1]], single8[row[o]]
		}
	default:
		t := colour.Linear16()
		row := p.B16[i : i+len(out)]
		for o := 0; o+2 < len(row); o += 3 {
			out[o], out[o+1], out[o+2] = float32(t[row[o+2]]), float32(t[row[o+1]]), float32(t[row[o]])
		}
	}
}

// Full says which of a pixel's codes (r, g, b) are at full scale as the file
// has them: 254 of 255 and up, for a JPEG's rounding moves 255 by a code.
func (p *Pixels) Full(x, y int) (full [3]bool) {
	b8, b16 := p.B8, p.B16
	if p.Table != nil {
		b8, b16 = p.Own8, p.Own16
	}
	i := 3 * (y*p.W + x)
	for k := range full {
		if b8 != nil {
			full[k] = b8[i+2-k] >= 254
		} else {
			full[k] = b16[i+2-k] >= 65150 // 253.5 of 255
		}
	}
	return full
}

var linear8 = func() (t [256]float64) {
	for i := range t {
		t[i] = colour.SRGBToLinear(float64(i) / 255)
	}
	return t
}()

var single8 = func() (t [256]float32) {
	for i, v := range linear8 {
		t[i] = float32(v)
	}
	return t
}()

// patch is the median linear colour of a small square on the card, and the
// share of its pixels at full white in some channel.
func (p *Pixels) patch(h [3][3]float64, xMM, yMM, halfMM float64) (c [3]float64, clipped float64, ok bool) {
	const n = 9
	var v [3][n * n]float64
	clip := 0
	for i := 0; i < n; i++ {
		for j := 0; j < n; j++ {
			x, y := Apply(h, xMM+halfMM*(2*float64(i)/(n-1)-1), yMM+halfMM*(2*float64(j)/(n-1)-1))
			ix, iy := int(math.Floor(x+0.5)), int(math.Floor(y+0.5))
			if ix < 0 || iy < 0 || ix >= p.W || iy >= p.H {
				return c, 0, false
			}
			l := p.Linear(ix, iy)
			full := false
			for k := range v {
				v[k][i*n+j] = l[k]
				full = full || l[k] > 0.975
			}
			if full {
				clip++
			}
		}
	}
	for k := range v {
		c[k] = order.Nth(v[k][:], n*n/2)
	}
	return c, float64(clip) / (n * n), true
}

// EdgeSigmaPX is the blur that profiles across edges show, as the outline search
// takes them: the lens's own with that of the pixels and of reading between
// them, as the standard deviation, px, of a Gaussian that a black-to-white step
// of the chessboard looks blurred by, the median over the sides of the squares.
// It is what tells the search how wide a step is; CardBlur takes pixels and
// reading off again and tells how sharp the photo is. 0 when no side could be
// read.
func EdgeSigmaPX(bgr gocv.Mat, corners [][2]float64) float64 {
	h, err := Homography(InnerCorners(), corners)
	px := NewPixels(bgr)
	if err != nil || px.W == 0 {
		return 0
	}
	var sig []float64
	side := func(x0, y0, x1, y1 float64) { // card mm; the edge's two ends
		ax, ay := Apply(h, x0, y0)
		bx, by := Apply(h, x1, y1)
		l := math.Hypot(bx-ax, by-ay)
		if l < 5 {
			return
		}
		nx, ny := -(by-ay)/l, (bx-ax)/l
		half := math.Min(0.45*l, 25)
		step := 0.25
		m := int(half / step)
		s := px.across(m, 9, 0.3, 0.05, [2]float64{ax, ay}, [2]float64{bx, by}, nx*step, ny*step)
		if s == nil {
			return
		}
		q := max(1, len(s)/8)
		lo, hi := mean(s[:q]), mean(s[len(s)-q:])
		if math.Abs(hi-lo) < 0.05 {
			return
		}
		// Where the step passes 16 % and 84 % of its height.
		first, last := -1, -1
		for i, v := range s {
			t := (v - lo) / (hi - lo)
			if first < 0 && t > 0.16 {
				first = i
			}
			if last < 0 && t > 0.84 {
				last = i
			}
		}
		if first <= 0 || last <= first {
			return
		}
		at := func(level float64, i int) float64 {
			a, b := (s[i-1]-lo)/(hi-lo), (s[i]-lo)/(hi-lo)
			if b == a {
				return float64(i)
			}
			return float64(i-1) + (level-a)/(b-a)
		}
		// 16 % and 84 % of a Gaussian step lie 1.989 sigma apart.
		sig = append(sig, (at(0.84, last)-at(0.16, first))*step/1.989)
	}
	for r := 1; r <= InnerRows; r++ {
		for c := 0; c < BoardCols; c++ {
			p := SquareTopLeft(c, r)
			side(p[0], p[1], p[0]+SquareMM, p[1])
		}
	}
	for c := 1; c <= InnerCols; c++ {
		for r := 0; r < BoardRows; r++ {
			p := SquareTopLeft(c, r)
			side(p[0], p[1], p[0], p[1]+SquareMM)
		}
	}
	if len(sig) < 4 {
		return 0
	}
	sort.Float64s(sig)
	return sig[len(sig)/2]
}

func mean(v []float64) float64 {
	s := 0.0
	for _, x := range v {
		s += x
	}
	return s / float64(len(v))
}
