package calib

import (
	"fmt"
	"math"
	"sort"

	"gocv.io/x/gocv"
	"gonum.org/v1/gonum/mat"
)

// ID-1 cards (bank cards, licences, many members' cards) by ISO/IEC 7810: mm.
const (
	ID1WidthMM, ID1HeightMM = 85.60, 53.98
	// The standard lets the corner's radius be 2.88 to 3.48 mm.
	id1RadiusMM = 3.18
	// Cards in use may differ from the nominal by +-0.13 mm in width and
	// +-0.06 mm in height (the standard's limits for a card's size, from
	// memory): the wider of the two, relative.
	id1SizeHalf      = 0.0015
	id1ThicknessMM   = 0.76
	id1ThicknessHalf = 0.08 // the standard's tolerance, from memory
)

// How well a side of a card is read, mm, one sigma, besides its
// pixels: rounded and worn edges, and the shadow along them (chosen, and
// checked on rendered cards).
const (
	id1SideMM = 0.07
	sidePX    = 0.12 // never better than this
)

// Names in the budget of what comes from other rulers.
const (
	FromCardSides     = "sides of the card"
	FromCardSize      = "size of the card"
	FromCardThickness = "thickness of the card"
)

// Limits for taking a shape for an ID-1 card. A false ruler is worse than none.
const (
	// leastID1Share and mostID1Share bound the card's share of the picture.
	leastID1Share, mostID1Share = 0.012, 0.55
	// leastSideSeen is the share of a side that must be seen as one straight
	// edge, and mostBow how far it may be bent, relative to its length.
	leastSideSeen = 0.62
	mostBow       = 0.006
	// The corner's rounding as read must be near the standard's: sharp corners
	// (paper, tiles, boxes) read 0, telephones 8 mm and more on this scale.
	leastRadiusMM, mostRadiusMM = 1.9, 4.6
	// Height as fitted freely against the standard's: most, and the least
	// certainty with which it must be known, mm.
	mostHeightOff, mostHeightU = 0.75, 0.45
	mostID1TiltDeg             = 50
)

// CardLikeness says why something with four sides is or is not an ID-1 card:
// for tests and for tuning.
type CardLikeness struct {
	Corners           [4][2]float64 // px
	HeightMM, HeightU float64       // as fitted freely, the width being the standard's
	RadiusMM          float64
	Support, Bow      float64 // of the worst side
	Reason            string  // empty for a card
	chi2              float64
	sides             [4]sideLine
	pose              *Pose
	areaPX            float64
}

// FindID1 looks for one ID-1 card in an upright photo of w x h px. The ruler is
// nil where none is seen for sure; why then says in plain words what was nearest
// to one, or is empty.
func FindID1(bgr gocv.Mat, prior FocalPrior) (r *Ruler, why string) {
	all := id1Candidates(bgr, prior)
	var cards []CardLikeness
	for _, c := range all {
		if c.Reason == "" {
			cards = append(cards, c)
		}
	}
	if len(cards) == 0 {
		for _, c := range all {
			if c.RadiusMM > leastRadiusMM && c.RadiusMM < mostRadiusMM && math.Abs(c.HeightMM-ID1HeightMM) < 5 {
				return nil, c.Reason
			}
		}
		return nil, ""
	}
	// Two outlines of one card: the outer, whose sides are straight to the
	// edge, and perhaps a frame printed on it.
	sort.SliceStable(cards, func(i, j int) bool { return cards[i].areaPX > cards[j].areaPX })
	c := cards[0]
	for _, o := range cards[1:] {
		if !insideQuad(c.Corners, o.Corners) && math.Abs(o.pose.Plane.HeightMM/c.pose.Plane.HeightMM-1) > 0.02 {
			return nil, "two things of a bank card's shape were seen, and they differ in size"
		}
	}
	r = &Ruler{
		Source: SourceID1, Name: "a bank-card-sized card (ISO/IEC 7810 ID-1)", Pose: c.pose, PoseFrom: FromCardSides,
		Size:      Quantity{FromCardSize, 1, UniformU(id1SizeHalf)},
		Thickness: Quantity{FromCardThickness, id1ThicknessMM, UniformU(id1ThicknessHalf)},
		Taken:     [][][2]float64{c.Corners[:]}, MMPerPX: c.pose.MMPerPX(),
	}
	return r, ""
}

func insideQuad(outer, inner [4][2]float64) bool {
	var m [2]float64
	for _, p := range inner {
		m[0], m[1] = m[0]+p[0]/4, m[1]+p[1]/4
	}
	for k := range 4 {
		a, b := outer[k], outer[(k+1)%4]
		if (b[0]-a[0])*(m[1]-a[1])-(b[1]-a[1])*(m[0]-a[0]) < 0 {
			return false
		}
	}
	return true
}

// id1Candidates are all shapes with four sides, each with what speaks against
// its being a card.
func id1Candidates(bgr gocv.Mat, prior FocalPrior) []CardLikeness {
	px := NewPixels(bgr)
	if px.W == 0 {
		return nil
	}
	var out []CardLikeness
	for _, q := range findQuads(bgr, leastID1Share, mostID1Share) {
		// Quickly away with what is nothing like it, whatever the tilt.
		if r := ratioOf(q); r < 1.05 || r > 2.6 {
			continue
		}
		c := CardLikeness{Corners: q}
		c.judge(px, prior)
		out = append(out, c)
	}
	return out
}

// ratioOf is the ratio of the longer pair of sides to the shorter.
func ratioOf(q [4][2]float64) float64 {
	side := func(k int) float64 {
		return math.Hypot(q[(k+1)%4][0]-q[k][0], q[(k+1)%4][1]-q[k][1])
	}
	a, b := side(0)+side(2), side(1)+side(3)
	return math.Max(a, b) / math.Max(1e-9, math.Min(a, b))
}

func (c *CardLikeness) judge(px Pixels, prior FocalPrior) {
	// The longer sides first.
	q := c.Corners
	length := func(k int) float64 {
		return math.Hypot(q[(k+1)%4][0]-q[k][0], q[(k+1)%4][1]-q[k][1])
	}
	if length(0)+length(2) < length(1)+length(3) {
		q[0], q[1], q[2], q[3] = q[1], q[2], q[3], q[0]
	}
	pxPerMM := (length(0) + length(2)) / 2 / ID1WidthMM
	sides, ok := fitSides(px, q, 1.7*pxPerMM)
	if !ok {
		c.Reason = "its sides are not straight edges"
		return
	}
	// Once more from where the sides meet.
	if q, ok = cornersOf4(sides); ok {
		sides, ok = fitSides(px, q, 1.7*pxPerMM)
	}
	if ok {
		q, ok = cornersOf4(sides)
	}
	if !ok {
		c.Reason = "its sides are not straight edges"
		return
	}
	c.Corners, c.sides = q, sides
	c.areaPX = math.Abs(signedArea(q))
	c.Support = 1
	for k, s := range sides {
		c.Support = math.Min(c.Support, s.Support)
		l := math.Hypot(q[(k+1)%4][0]-q[k][0], q[(k+1)%4][1]-q[k][1])
		c.Bow = math.Max(c.Bow, s.BowPX/l)
	}
	for _, p := range q {
		if p[0] < 2 || p[1] < 2 || p[0] > float64(px.W-3) || p[1] > float64(px.H-3) {
			c.Reason = "it runs out of the picture"
			return
		}
	}
	rect := flatRect{ID1WidthMM, ID1HeightMM, id1ThicknessMM, id1SideMM, sidePX}
	pose, h, hu, chi2, ok := fitRectangle(q, sides, rect, px.W, px.H, prior)
	if !ok {
		c.Reason = "its corners fit no flat rectangle"
		return
	}
	c.HeightMM, c.HeightU, c.chi2, c.pose = h, hu, chi2, pose
	c.RadiusMM = cornerRadius(px, pose, rect, 6)
	switch {
	case c.Support < leastSideSeen:
		c.Reason = fmt.Sprintf("only %.0f %% of one of its sides is seen as an edge", 100*c.Support)
	case c.Bow > mostBow:
		c.Reason = "one of its sides is bent"
	case math.Abs(h-ID1HeightMM) > mostHeightOff || math.Abs(h-ID1HeightMM) > 3*hu+0.3:
		c.Reason = fmt.Sprintf("it is as 85.6 to %.1f, not to 53.98, in its sides' lengths", h)
	case hu > mostHeightU:
		c.Reason = "seen so obliquely, and with the focal length not known, its shape can't be told for sure"
	case !(c.RadiusMM > leastRadiusMM && c.RadiusMM < mostRadiusMM):
		c.Reason = fmt.Sprintf("its corners are rounded with a radius of %.1f mm, not about 3.2", c.RadiusMM)
	case chi2 > 24:
		c.Reason = "its sides don't lie as those of a flat card"
	case pose.TiltDeg > mostID1TiltDeg:
		c.Reason = "it is seen too obliquely"
	}
}

func cornersOf4(s [4]sideLine) (q [4][2]float64, ok bool) {
	for k := range 4 {
		if q[k], ok = meet(s[(k+3)%4], s[k]); !ok {
			return q, false
		}
	}
	return q, signedArea(q) > 100
}

// flatRect is a flat thing of known size, mm: how thick, and how well its
// sides are read (one sigma, mm and px).
type flatRect struct {
	widthMM, heightMM, thickMM, sideMM, sidePX float64
}

// fitRectangle finds the pose of a rectangle from its four sides as seen, the
// first the upper long one, and, with the height left free, what height the
// picture itself gives it, with its standard uncertainty. chi2 is the sum of
// squares of the residuals of the fit with the height as given, priors among
// them.
func fitRectangle(q [4][2]float64, sides [4]sideLine, rect flatRect, w, h int, prior FocalPrior) (pose *Pose, heightMM, heightU, chi2 float64, ok bool) {
	corners := func(hh float64) [4][2]float64 {
		return [4][2]float64{{0, 0}, {rect.widthMM, 0}, {rect.widthMM, hh}, {0, hh}}
	}
	given := corners(rect.heightMM)
	hom, err := Homography(given[:], q[:])
	if err != nil {
		return nil, 0, 0, 0, false
	}
	cx0, cy0 := float64(w-1)/2, float64(h-1)/2
	long := float64(max(w, h))
	sigmaPP := principalSigma * long
	// Two places of each side, a fifth of its length from either end, as they
	// would be seen, against the line as fitted.
	residual := func(x [PoseParams]float64, hh, scale float64) []float64 {
		p := poseOf(x)
		c := corners(hh)
		r := make([]float64, 0, 8)
		for k := range 4 {
			a, b := c[k], c[(k+1)%4]
			out := [2]float64{(b[1] - a[1]), -(b[0] - a[0])}
			l := math.Hypot(out[0], out[1])
			s := sides[k]
			for _, t := range [2]float64{0.2, 0.8} {
				m := [2]float64{a[0] + t*(b[0]-a[0]), a[1] + t*(b[1]-a[1])}
				at := p.CardPoint(m[0], m[1])
				// Where the wall of the side is seen, the edge is somewhere
				// between the face and the table.
				wall := p.R[0][0]*out[0] + p.R[0][1]*out[1]
				n := Vec3{wall, p.R[1][0]*out[0] + p.R[1][1]*out[1], p.R[2][0]*out[0] + p.R[2][1]*out[1]}.Scale(1 / l)
				sigma := math.Hypot(rect.sidePX, rect.sideMM*scale)
				if n.Dot(at) < 0 && rect.thickMM > 0 {
					for i := range at {
						at[i] += p.R[i][2] * rect.thickMM / 2
					}
				}
				u, v, ok := p.Camera.Project(at)
				if !ok {
					u, v = 1e6, 1e6
				}
				r = append(r, s.dist(u, v)/sigma)
			}
		}
		return r
	}
	// Pixels a millimetre, on the rectangle.
	scale := math.Sqrt(math.Abs(signedArea(q)) / (rect.widthMM * rect.heightMM))
	weighted := func(hh float64) func(x [PoseParams]float64) []float64 {
		return func(x [PoseParams]float64) []float64 {
			return append(residual(x, hh, scale), (math.Log(prior.FocalPX)-x[0])/prior.Sigma, (cx0-x[1])/sigmaPP, (cy0-x[2])/sigmaPP)
		}
	}
	starts := []float64{prior.FocalPX}
	if prior.Source == "assumed" {
		if f, good := focalFromHomography(hom, cx0, cy0); good && f > 0.2*long && f < 8*long {
			starts = append(starts, f)
		}
	}
	best := math.Inf(1)
	var x [PoseParams]float64
	var jtj *mat.SymDense
	for _, f := range starts {
		r0, t0, good := decompose(hom, Camera{FocalPX: f, CxPX: cx0, CyPX: cy0})
		if !good {
			continue
		}
		y := [PoseParams]float64{math.Log(f), cx0, cy0, r0[0], r0[1], r0[2], t0[0], t0[1], t0[2]}
		y, cost, j, good := leastSquares(y, 11, weighted(rect.heightMM))
		if good && cost < best {
			best, x, jtj = cost, y, j
		}
	}
	if jtj == nil {
		return nil, 0, 0, 0, false
	}
	p := poseOf(x)
	p.params = x
	var chol mat.Cholesky
	if !chol.Factorize(jtj) {
		return nil, 0, 0, 0, false
	}
	p.Cov = mat.NewSymDense(PoseParams, nil)
	if chol.InverseTo(p.Cov) != nil || p.T[2] <= 0 || p.Plane.HeightMM <= 0 {
		return nil, 0, 0, 0, false
	}
	p.FocalSigma = math.Sqrt(p.Cov.At(0, 0))
	p.FocalSource = prior.Source
	if p.FocalSigma < prior.Sigma/2 {
		p.FocalSource = "solved"
	}
	sum := 0.0
	for _, v := range residual(x, rect.heightMM, scale) {
		v *= math.Hypot(rect.sidePX, rect.sideMM*scale)
		sum += v * v
	}
	p.ReprojectionPX = math.Sqrt(sum / 8)

	// One Gauss-Newton step with the height free: d = the change of height that
	// lessens the residuals most, all else following.
	const dh = 0.01
	r0, rh, rl := weighted(rect.heightMM)(x), weighted(rect.heightMM+dh)(x), weighted(rect.heightMM-dh)(x)
	n := len(r0)
	jac := mat.NewDense(n, PoseParams+1, nil)
	steps := [PoseParams]float64{1e-6, 1e-3, 1e-3, 1e-7, 1e-7, 1e-7, 1e-5, 1e-5, 1e-5}
	for k := range PoseParams {
		hi, lo := x, x
		hi[k] += steps[k]
		lo[k] -= steps[k]
		a, b := weighted(rect.heightMM)(hi), weighted(rect.heightMM)(lo)
		for i := range a {
			jac.Set(i, k, (a[i]-b[i])/(2*steps[k]))
		}
	}
	for i := range r0 {
		jac.Set(i, PoseParams, (rh[i]-rl[i])/(2*dh))
	}
	var full mat.Dense
	full.Mul(jac.T(), jac)
	sym := mat.NewSymDense(PoseParams+1, nil)
	for i := range PoseParams + 1 {
		for j := i; j < PoseParams+1; j++ {
			sym.SetSym(i, j, full.At(i, j))
		}
	}
	g := mat.NewVecDense(PoseParams+1, nil)
	g.MulVec(jac.T(), mat.NewVecDense(n, r0))
	var c2 mat.Cholesky
	var step mat.VecDense
	if !c2.Factorize(sym) || c2.SolveVecTo(&step, g) != nil {
		return nil, 0, 0, 0, false
	}
	var inv mat.SymDense
	if c2.InverseTo(&inv) != nil {
		return nil, 0, 0, 0, false
	}
	return &p, rect.heightMM - step.AtVec(PoseParams), math.Sqrt(inv.At(PoseParams, PoseParams)), best, true
}

// cornerRadius is the radius of a rectangle's corners as seen, mm, the median of
// the four: how far from where its sides meet the edge lies along the diagonal,
// over sqrt 2 - 1, looked for as far as to mm inside. NaN where there is no edge.
func cornerRadius(px Pixels, p *Pose, rect flatRect, to float64) float64 {
	var all []float64
	for _, c := range [4][4]float64{{0, 0, 1, 1}, {rect.widthMM, 0, -1, 1}, {rect.widthMM, rect.heightMM, -1, -1}, {0, rect.heightMM, 1, -1}} {
		// The change between inside and outside, along the diagonal and two
		// lines beside it; lengths from the corner inward, mm.
		const step, from = 0.1, -1.5
		n := int((to - from) / step)
		v := make([][3]float64, n)
		for i := range v {
			d := from + step*float64(i)
			x, y := c[0]+c[2]*d/math.Sqrt2, c[1]+c[3]*d/math.Sqrt2
			u, w, ok := p.Pixel(x, y)
			if !ok {
				return 0
			}
			e := px.EncodedAt(u, w)
			for k := range e {
				v[i][k] = float64(e[k])
			}
		}
		// The outermost step that stands out: a frame printed inside may be the
		// stronger.
		const half = 5
		g := make([]float64, n)
		best := 0.0
		for i := half; i < n-half; i++ {
			for k := range 3 {
				d := 0.0
				for j := 1; j <= half; j++ {
					d += v[i+j][k] - v[i-j][k]
				}
				g[i] += d * d
			}
			best = math.Max(best, g[i])
		}
		for i := half + 1; i < n-half-1; i++ {
			if best > 0 && g[i] > 0.05*best && g[i] >= g[i-1] && g[i] > g[i+1] {
				all = append(all, (from+step*float64(i))/(math.Sqrt2-1))
				break
			}
		}
	}
	if len(all) < 3 {
		return math.NaN()
	}
	sort.Float64s(all)
	return (all[(len(all)-1)/2] + all[len(all)/2]) / 2
}
