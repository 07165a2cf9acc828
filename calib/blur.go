package calib

import (
	"image"
	"math"
	"sort"

	"gocv.io/x/gocv"
	"gonum.org/v1/gonum/optimize"
)

// Blur is a photo's blur as an ellipse: the covariance of the spot into which
// a point is spread. Out of focus it is round; a moving camera stretches it.
type Blur struct {
	// SigmaPX is the standard deviation of the Gaussian of the same area,
	// px: the geometric mean of the two below.
	SigmaPX float64
	// MajorPX and MinorPX are the standard deviations along and across the
	// direction of most blur, px.
	MajorPX, MinorPX float64
	// AngleDeg is the direction of most blur, from image x towards image y,
	// (-90, 90].
	AngleDeg float64
	// Edges is how many edges were read.
	Edges int
}

// MotionPX is the length, px, of the straight uniform motion that would
// stretch a round blur of MinorPX to what is seen: a uniform segment of length
// l has the variance l^2/12.
func (b Blur) MotionPX() float64 {
	return math.Sqrt(12 * math.Max(0, b.MajorPX*b.MajorPX-b.MinorPX*b.MinorPX))
}

// Directional says that the spot is stretched by more than ratio (major over
// minor).
func (b Blur) Directional(ratio float64) bool { return b.MajorPX > ratio*b.MinorPX }

// Blur models below see the board as a square wave in each of its two
// directions; blackShare is the light that black print gives back, as a share
// of the paper's (common practice for toner and ink: 2 to 6 %), and
// contrastU the relative standard uncertainty of the contrast that follows
// from not knowing it, nor stray light.
const (
	blackShare = 0.04
	contrastU  = 0.03
)

// CardBlur measures the blur of an upright photo (CV_8UC3 or CV_16UC3, BGR)
// from the card's chessboard, whose true edges are known. ok is false when too
// few edges could be read.
//
// A blurred board is the product of two blurred square waves while the blur is
// aligned with it, so the mean profiles across both families of edges give the
// standard deviations along both. For narrow blur the profile's own steepness
// tells; for wide blur (beyond a fifth of a square) its shape no longer does,
// but its contrast against the card's bare paper still. What is left is the
// covariance between the two directions, which edges along them can't show:
// where four squares meet, a Gaussian blur of correlation rho leaves the
// middle at (2/pi) asin(rho) of the contrast, black or white by the corner's
// parity, which is Sheppard's formula for the quadrant probabilities of the
// bivariate normal (W. F. Sheppard, Phil. Trans. R. Soc. A 192, 1899).
func CardBlur(bgr gocv.Mat, corners [][2]float64) (Blur, bool) {
	px := NewPixels(bgr)
	h, err := Homography(InnerCorners(), corners)
	if err != nil || px.W == 0 {
		return Blur{}, false
	}
	// Bare paper left and right of the board fixes white, black follows.
	var paper []float64
	for _, x := range [4]float64{3, 5, 100, 102} {
		for y := 12.0; y <= 44; y += 4 {
			if c, _, ok := px.patch(h, x, y, 0.8); ok {
				paper = append(paper, luminance(c))
			}
		}
	}
	if len(paper) < 8 {
		return Blur{}, false
	}
	sort.Float64s(paper)
	white := paper[len(paper)/2]
	if white < 0.003 {
		return Blur{}, false
	}
	half := white * (1 - blackShare) / 2
	mid := white - half

	var fam [2]profile
	for r := 1; r <= InnerRows; r++ {
		for c := 0; c < BoardCols; c++ {
			p := SquareTopLeft(c, r)
			fam[1].add(px, h, p[0], p[1], p[0]+SquareMM, p[1])
		}
	}
	for c := 1; c <= InnerCols; c++ {
		for r := 0; r < BoardRows; r++ {
			p := SquareTopLeft(c, r)
			fam[0].add(px, h, p[0], p[1], p[0], p[1]+SquareMM)
		}
	}
	for k := range fam {
		if !fam[k].finish(mid, half) {
			return Blur{}, false
		}
	}
	// Three unknowns: ln sigma in both directions, and the contrast. The
	// profile's own errors are a few per cent of the contrast; neighbouring
	// samples share them.
	cost := func(x []float64) float64 {
		sx, sy, k := math.Exp(x[0]), math.Exp(x[1]), x[2]
		s := (k - 1) * (k - 1) / (contrastU * contrastU)
		for i, o := range [2][2]float64{{sx, sy}, {sy, sx}} {
			f := &fam[i]
			c := 0.0
			for _, u := range [5]float64{-0.16, -0.08, 0, 0.08, 0.16} {
				c += waveAt((0.5+u)*fam[1-i].sidePX, o[1], fam[1-i].sidePX) / 5
			}
			e := 0.0
			for j, v := range f.mean {
				d := v - k*c*waveAt(float64(j-f.n)*profileStep, o[0], f.sidePX)
				e += d * d
			}
			s += e / (0.02 * 0.02) / 4
		}
		return s
	}
	start := []float64{math.Log(fam[0].quick), math.Log(fam[1].quick), 1}
	if res, err := optimize.Minimize(optimize.Problem{Func: cost}, start, &optimize.Settings{FuncEvaluations: 260}, &optimize.NelderMead{SimplexSize: 0.15}); res != nil && (err == nil || len(res.X) == 3) {
		start = res.X
	}
	sx, sy := math.Exp(start[0]), math.Exp(start[1])

	// Correlation from the corners' middles.
	var mids []float64
	for i, c := range corners {
		col, row := i%InnerCols, i/InnerCols
		v := (luminance(px.LinearAt(c[0], c[1])) - mid) / half
		// The square down and right of inner corner (col, row) is (col+1,
		// row+1), black where the sum is even.
		if SquareIsBlack(col+1, row+1) {
			v = -v
		}
		mids = append(mids, v)
	}
	m := 0.0
	for _, v := range mids {
		m += v / float64(len(mids))
	}
	// The light lost to the squares beyond the four.
	m /= math.Max(0.2, waveAt(0.5*fam[0].sidePX, sx, fam[0].sidePX)*waveAt(0.5*fam[1].sidePX, sy, fam[1].sidePX))
	rho := math.Sin(math.Pi / 2 * math.Max(-1, math.Min(1, m)))
	rho = math.Max(-0.995, math.Min(0.995, rho))

	// Variances along the two normals, and the covariance between them, to
	// image axes. Normals point along the card's x and y.
	nx, ny := fam[0].normal, fam[1].normal
	det := nx[0]*ny[1] - nx[1]*ny[0]
	if math.Abs(det) < 0.2 {
		return Blur{}, false
	}
	inv := [2][2]float64{{ny[1] / det, -nx[1] / det}, {-ny[0] / det, nx[0] / det}}
	mm := [2][2]float64{{sx * sx, rho * sx * sy}, {rho * sx * sy, sy * sy}}
	var t, c [2][2]float64
	for i := range t {
		for j := range t {
			t[i][j] = inv[i][0]*mm[0][j] + inv[i][1]*mm[1][j]
		}
	}
	for i := range c {
		for j := range c {
			c[i][j] = t[i][0]*inv[j][0] + t[i][1]*inv[j][1]
		}
	}
	b := blurOf(c[0][0], c[0][1], c[1][1])
	if b.Directional(directionalFrom) {
		if s, l, ok := fitMotion(&fam, b, cost(start)); ok {
			// Lengths along the two normals, to an image vector.
			if rho < 0 {
				l[1] = -l[1]
			}
			v := [2]float64{inv[0][0]*l[0] + inv[0][1]*l[1], inv[1][0]*l[0] + inv[1][1]*l[1]}
			b = blurOf(s*s+v[0]*v[0]/12, v[0]*v[1]/12, s*s+v[1]*v[1]/12)
		}
	}
	b.Edges = fam[0].edges + fam[1].edges
	return b, true
}

// directionalFrom is the ratio of major to minor blur from which a straight
// motion is tried as an explanation: an astigmatic or tilted lens stays below,
// and 1.4 is where the motion's variance equals the rest's.
const directionalFrom = 1.4

// fitMotion fits the profiles again as a round Gaussian of standard deviation s
// and a straight motion of lengths l along the two normals (both positive). ok
// is false where that explains them no better than the cost given.
func fitMotion(fam *[2]profile, b Blur, before float64) (s float64, l [2]float64, ok bool) {
	cost := func(x []float64) float64 {
		s, k := math.Exp(x[0]), x[3]
		e := (k - 1) * (k - 1) / (contrastU * contrastU)
		for i := range fam {
			f := &fam[i]
			own, other := math.Abs(x[1+i]), math.Abs(x[2-i])
			c := 0.0
			for _, u := range [5]float64{-0.16, -0.08, 0, 0.08, 0.16} {
				c += movedWaveAt((0.5+u)*fam[1-i].sidePX, s, other, fam[1-i].sidePX) / 5
			}
			for j, v := range f.mean {
				d := v - k*c*movedWaveAt(float64(j-f.n)*profileStep, s, own, f.sidePX)
				e += d * d / (0.02 * 0.02) / 4
			}
		}
		return e
	}
	total := b.MotionPX()
	sin, cos := math.Sincos(b.AngleDeg * math.Pi / 180)
	x := []float64{math.Log(math.Max(0.4, b.MinorPX)), 0, 0, 1}
	for i := range fam {
		x[1+i] = math.Abs(fam[i].normal[0]*cos+fam[i].normal[1]*sin) * total
	}
	res, err := optimize.Minimize(optimize.Problem{Func: cost}, x, &optimize.Settings{FuncEvaluations: 400}, &optimize.NelderMead{SimplexSize: 0.3})
	if res == nil || (err != nil && len(res.X) != 4) || res.F >= before {
		return 0, l, false
	}
	return math.Exp(res.X[0]), [2]float64{math.Abs(res.X[1]), math.Abs(res.X[2])}, true
}

// movedWaveAt is waveAt averaged over a segment of the given length.
func movedWaveAt(x, sigma, length, side float64) float64 {
	if length < 0.05*sigma+1e-3 {
		return waveAt(x, sigma, side)
	}
	k := 1 / (math.Sqrt2 * sigma)
	// The integral of erf(k x).
	f := func(x float64) float64 { return x*math.Erf(k*x) + math.Exp(-k*k*x*x)/(k*math.SqrtPi) }
	reach := min(12, int(math.Ceil((math.Abs(x)+length/2+4*sigma)/side))+1)
	s := 0.0
	for j := -reach; j <= reach; j++ {
		d := x - float64(j)*side
		e := (f(d+length/2) - f(d-length/2)) / length
		if j%2 == 0 {
			s += e
		} else {
			s -= e
		}
	}
	return s
}

// blurOf turns a covariance into a Blur.
func blurOf(xx, xy, yy float64) Blur {
	d := math.Hypot((xx-yy)/2, xy)
	mean := (xx + yy) / 2
	b := Blur{MajorPX: math.Sqrt(math.Max(0, mean+d)), MinorPX: math.Sqrt(math.Max(0, mean-d)), AngleDeg: math.Atan2(2*xy, xx-yy) / 2 * 180 / math.Pi}
	b.SigmaPX = math.Sqrt(b.MajorPX * b.MinorPX)
	if b.AngleDeg <= -90 {
		b.AngleDeg += 180
	}
	return b
}

// profileStep is the distance between samples of an edge profile, px.
const profileStep = 0.25

// profile is the mean of many edges' profiles, each turned so that it rises
// and laid on the others at the middle of its step.
type profile struct {
	raw    [][]float64
	sides  []float64
	normal [2]float64
	edges  int
	sidePX float64
	n      int // samples each side of the middle
	mean   []float64
	quick  float64 // first estimate of sigma, px
}

// add reads the profile across one edge, from (x0, y0) to (x1, y1) mm.
func (f *profile) add(px Pixels, h [3][3]float64, x0, y0, x1, y1 float64) {
	ax, ay := Apply(h, x0, y0)
	bx, by := Apply(h, x1, y1)
	l := math.Hypot(bx-ax, by-ay)
	if l < 5 || l > 2000 {
		return
	}
	// Across the edge, towards the card's x (or y).
	nx, ny := (by-ay)/l, -(bx-ax)/l
	if x0 != x1 {
		nx, ny = -nx, -ny
	}
	n := int(0.5 * l / profileStep)
	s := px.across(n, 5, 0.34, 0.08, [2]float64{ax, ay}, [2]float64{bx, by}, nx*profileStep, ny*profileStep)
	if s == nil {
		return
	}
	f.raw = append(f.raw, s)
	f.sides = append(f.sides, l)
	f.normal[0] += nx
	f.normal[1] += ny
}

// finish averages the profiles, in units of the contrast.
func (f *profile) finish(mid, half float64) bool {
	if len(f.raw) < 6 {
		return false
	}
	l := math.Hypot(f.normal[0], f.normal[1])
	f.normal[0], f.normal[1] = f.normal[0]/l, f.normal[1]/l
	s := append([]float64(nil), f.sides...)
	sort.Float64s(s)
	f.sidePX = s[len(s)/2]
	f.n = int(0.42 * f.sidePX / profileStep)
	var cols [][]float64
	var widths []float64
	for _, r := range f.raw {
		m := len(r) / 2
		q := max(1, len(r)/8)
		lo, hi := mean(r[:q]), mean(r[len(r)-q:])
		if math.Abs(hi-lo) < 0.15*half {
			continue // something lies on it
		}
		sign, centre := 1.0, (lo+hi)/2
		if hi < lo {
			sign = -1
		}
		// The middle of the step: the crossing nearest to where the edge
		// should be.
		at := math.NaN()
		for i := 1; i < len(r); i++ {
			a, b := sign*(r[i-1]-centre), sign*(r[i]-centre)
			if a < 0 && b >= 0 {
				x := float64(i-1) + a/(a-b)
				if math.IsNaN(at) || math.Abs(x-float64(m)) < math.Abs(at-float64(m)) {
					at = x
				}
			}
		}
		if math.IsNaN(at) || math.Abs(at-float64(m))*profileStep > 0.15*f.sidePX+1 {
			continue
		}
		row := make([]float64, 2*f.n+1)
		ok := true
		for j := range row {
			x := at + float64(j-f.n)
			i := int(math.Floor(x))
			if i < 0 || i+1 >= len(r) {
				// Past the profile's end: held, within reason.
				if i < -8 || i > len(r)+8 {
					ok = false
					break
				}
				i = max(0, min(len(r)-2, i))
				x = math.Max(float64(i), math.Min(float64(i+1), x))
			}
			v := r[i] + (r[i+1]-r[i])*(x-float64(i))
			row[j] = sign * (v - centre) / half
		}
		if !ok {
			continue
		}
		cols = append(cols, row)
		// 16 % and 84 % of a Gaussian step lie 1.989 sigma apart.
		first, last := -1, -1
		for i, v := range r {
			t := (v - lo) / (hi - lo)
			if first < 0 && t > 0.16 {
				first = i
			}
			if last < 0 && t > 0.84 {
				last = i
			}
		}
		if last > first && first >= 0 {
			widths = append(widths, float64(last-first)*profileStep/1.989)
		}
	}
	if len(cols) < 6 || len(widths) == 0 {
		return false
	}
	f.edges = len(cols)
	f.mean = make([]float64, 2*f.n+1)
	v := make([]float64, len(cols))
	for j := range f.mean {
		for i := range cols {
			v[i] = cols[i][j]
		}
		sort.Float64s(v)
		// The mean of the middle half: robust, and kinder to noise than the
		// median.
		a, b := len(v)/4, len(v)-len(v)/4
		f.mean[j] = mean(v[a:b])
	}
	sort.Float64s(widths)
	f.quick = math.Max(0.2, widths[len(widths)/2])
	return true
}

// waveAt is a square wave of half period side (-1 below 0, +1 above) blurred
// by a Gaussian of standard deviation sigma, at x within a side of the step.
func waveAt(x, sigma, side float64) float64 {
	k := 1 / (math.Sqrt2 * sigma)
	// From six on the error function is 1 to the last digit.
	if off, reach := math.Abs(x), 6*math.Sqrt2*sigma; side-off >= reach {
		if off >= reach {
			return math.Copysign(1, x) // as if there were no blur
		}
		return math.Erf(x * k) // of one step
	}
	s := 0.0
	reach := int(math.Ceil((math.Abs(x)+4*sigma)/side)) + 1
	reach = min(reach, 12)
	// Steps at j sides, rising at even ones, taken in pairs about 0 so that
	// the far ones cancel.
	for j := -reach; j <= reach; j++ {
		e := 1.0
		if d := (x - float64(j)*side) * k; d <= -6 {
			e = -1 // to the last digit
		} else if d < 6 {
			e = math.Erf(d)
		}
		if j%2 == 0 {
			s += e
		} else {
			s -= e
		}
	}
	return s
}

// EdgeBlur estimates the blur of any photo (CV_8UC3 or CV_16UC3, BGR) from its
// own edges, where no card is: the standard deviation, px, of the Gaussian by
// which its stronger edges are blurred. At a step edge, blurring the picture
// again by sigma0 lowers the gradient by sqrt(1 + sigma0^2/sigma^2) (S. Zhuo
// and T. Sim, Defocus map estimation from a single image, Pattern Recognition
// 44, 2011), which is solved for sigma. Edges that are soft in themselves
// (shadows, and outlines of round things) read wide, lines read narrow; what is
// given lies a little above the median, since glass shows more lines than
// steps. at, where not nil, says which pixels may be looked
// at (w*h, row by row), such as those near marbles' outlines. 0 when there are
// fewer than 50 edges to read.
func EdgeBlur(bgr gocv.Mat, at []bool) float64 {
	px := NewPixels(bgr)
	if px.W < 16 || px.H < 16 || (at != nil && len(at) != px.W*px.H) {
		return 0
	}
	y := gocv.NewMatWithSize(px.H, px.W, gocv.MatTypeCV32FC1)
	defer y.Close()
	d, err := y.DataPtrFloat32()
	if err != nil {
		return 0
	}
	for i := range d {
		d[i] = float32(luminance(px.Linear(i%px.W, i/px.W)))
	}
	// The second blur should be about as wide as the first: much narrower and
	// the ratio is all noise, much wider and neighbouring edges run together.
	// A first blur of one pixel quiets noise and a JPEG's blocks, and is taken
	// off again in the end.
	const before = 1.0
	gocv.GaussianBlur(y, &y, image.Pt(0, 0), before, before, gocv.BorderReplicate)
	sigma := 0.0
	for _, s0 := range [2]float64{1.5, 5} {
		if s0 > 2 && sigma < 0.6*s0 {
			break
		}
		s := edgeRatio(y, at, s0)
		if s == 0 {
			break
		}
		sigma = s
	}
	if sigma == 0 {
		return 0
	}
	// A pixel's own extent is 0.29; less can't be.
	return math.Max(0.29, math.Sqrt(math.Max(0, sigma*sigma-before*before)))
}

// edgeQuantile is which of the strong edges' readings is taken.
const edgeQuantile = 0.6

func edgeRatio(y gocv.Mat, at []bool, sigma0 float64) float64 {
	again := gocv.NewMat()
	defer again.Close()
	gocv.GaussianBlur(y, &again, image.Pt(0, 0), sigma0, sigma0, gocv.BorderReplicate)
	w, h := y.Cols(), y.Rows()
	a, err1 := y.DataPtrFloat32()
	b, err2 := again.DataPtrFloat32()
	if err1 != nil || err2 != nil {
		return 0
	}
	// Gradients by differences over the pixels beside, of the rows summed in
	// threes against noise.
	grad := func(v []float32, i int) (gx, gy float64) {
		gx = float64(v[i+1-w]+2*v[i+1]+v[i+1+w]-v[i-1-w]-2*v[i-1]-v[i-1+w]) / 8
		gy = float64(v[i+w-1]+2*v[i+w]+v[i+w+1]-v[i-w-1]-2*v[i-w]-v[i-w+1]) / 8
		return
	}
	mag := make([]float32, w*h)
	var sample []float64
	for j := 1; j < h-1; j++ {
		for i := 1; i < w-1; i++ {
			if k := j*w + i; at == nil || at[k] {
				gx, gy := grad(a, k)
				mag[k] = float32(math.Hypot(gx, gy))
				if k%7 == 0 {
					sample = append(sample, float64(mag[k]))
				}
			}
		}
	}
	if len(sample) < 50 {
		return 0
	}
	sort.Float64s(sample)
	// Strong edges only: of weak ones many are noise, or a JPEG's blocks.
	floor := math.Max(4*sample[len(sample)/4], 0.3*sample[len(sample)-1-len(sample)/500])
	var out []float64
	m := 2 + int(sigma0)
	for j := m; j < h-m; j++ {
		for i := m; i < w-m; i++ {
			k := j*w + i
			g := float64(mag[k])
			if g < floor {
				continue
			}
			gx, gy := grad(a, k)
			dx, dy := int(math.Round(gx/g)), int(math.Round(gy/g))
			if mag[k+dy*w+dx] > mag[k] || mag[k-dy*w-dx] >= mag[k] {
				continue
			}
			bx, by := grad(b, k)
			r := g / math.Max(1e-9, math.Hypot(bx, by))
			if r <= 1.01 {
				continue
			}
			out = append(out, sigma0/math.Sqrt(r*r-1))
		}
	}
	if len(out) < 50 {
		return 0
	}
	sort.Float64s(out)
	return out[int(edgeQuantile*float64(len(out)))]
}
