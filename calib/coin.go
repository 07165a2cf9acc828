package calib

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"strings"

	"gocv.io/x/gocv"
	"gonum.org/v1/gonum/mat"
)

// Coin is a coin by its name, mm.
type Coin struct {
	Name, Words string
	DiameterMM  float64
	// ThicknessMM is from memory, and taken as good to coinThickHalfMM.
	ThicknessMM float64
	thickHalf   float64
}

// coins: diameters as the mints publish them (United States Mint, coin
// specifications; euro coins by Council Regulation (EC) 975/98).
var coins = []Coin{
	{"us-cent", "a US cent", 19.05, 1.52, coinThickHalfMM},
	{"us-nickel", "a US five cents", 21.21, 1.95, coinThickHalfMM},
	{"us-dime", "a US dime", 17.91, 1.35, coinThickHalfMM},
	{"us-quarter", "a US quarter", 24.26, 1.75, coinThickHalfMM},
	{"us-half", "a US half dollar", 30.61, 2.15, coinThickHalfMM},
	{"us-dollar", "a US dollar coin", 26.49, 2.00, coinThickHalfMM},
	{"1-euro", "a 1 euro coin", 23.25, 2.33, coinThickHalfMM},
	{"2-euro", "a 2 euro coin", 25.75, 2.20, coinThickHalfMM},
	{"50-eurocent", "a 50 euro cent coin", 24.25, 2.38, coinThickHalfMM},
}

const (
	coinThickHalfMM = 0.15
	// A coin of which only the diameter is known is 1.2 to 3 mm thick.
	coinThickMM, coinThickAnyHalfMM = 2.0, 0.8
	leastCoinMM, mostCoinMM         = 14, 45
	// A coin in use has lost up to a tenth of a millimetre (common practice).
	coinWearHalfMM = 0.1
	// How well a coin's rim is read, one sigma: its rounded edge and the shadow
	// along it, mm, besides pixels (chosen on the samples).
	coinRimMM, coinRimPX = 0.12, 0.2
)

// Names in the budget of what coins bring.
const (
	FromCoinRims      = "rim of the coin"
	FromCoinSize      = "size of the coin"
	FromCoinThickness = "thickness of the coin"
)

// CoinNames are the coins that can be named.
func CoinNames() []string {
	var out []string
	for _, c := range coins {
		out = append(out, c.Name)
	}
	return out
}

// CoinOf is a coin by its name, or, where the name is empty, by its diameter.
func CoinOf(name string, mm float64) (Coin, error) {
	if name == "" {
		if !(mm >= leastCoinMM && mm <= mostCoinMM) {
			return Coin{}, fmt.Errorf("a coin of %g mm can't be right: give its diameter in millimetres, %d to %d", mm, leastCoinMM, mostCoinMM)
		}
		return Coin{Words: fmt.Sprintf("a coin of %g mm", mm), DiameterMM: mm, ThicknessMM: coinThickMM, thickHalf: coinThickAnyHalfMM}, nil
	}
	for _, c := range coins {
		if c.Name == name {
			return c, nil
		}
	}
	return Coin{}, fmt.Errorf("no coin is called %q; those known are %s; or give the diameter", name, strings.Join(CoinNames(), ", "))
}

// roundThing is something round and flat in a photo, with its rim's points.
type roundThing struct {
	e       Ellipse
	rim     [][2]float64
	support float64 // share of directions in which the rim is seen
	shadow  float64 // light beside it over open paper's, in the darkest direction
}

// FindCoins looks for coins of one kind in an upright photo. at, where not nil,
// is a place on one of them, px; otherwise what is round, throws no shadow to
// speak of beside it, as a flat thing does and a ball does not, and is of the
// one size is taken. r is nil where that is not sure, and why says what was
// wrong.
func FindCoins(bgr gocv.Mat, coin Coin, at *[2]float64, prior FocalPrior) (r *Ruler, why string) {
	px := NewPixels(bgr)
	if px.W == 0 {
		return nil, "the picture is empty"
	}
	var flat []roundThing
	for _, t := range roundThings(bgr, px) {
		if at != nil {
			if u, v := t.e.Unit(at[0], at[1]); u*u+v*v < 1 {
				flat = append(flat, t)
			}
		} else if t.shadow > leastCoinLight && t.support > leastRimSeen {
			flat = append(flat, t)
		}
	}
	if len(flat) == 0 {
		if at != nil {
			return nil, "nothing round was seen at the place given"
		}
		return nil, "nothing round and flat was seen"
	}
	if at != nil {
		// The largest round thing about the place: a coin has rings within.
		sort.SliceStable(flat, func(i, j int) bool { return flat[i].e.MeanRadiusPX() > flat[j].e.MeanRadiusPX() })
		flat = flat[:1]
	}
	sort.SliceStable(flat, func(i, j int) bool { return flat[i].support > flat[j].support })
	flat = flat[:min(len(flat), mostCoins)]
	big, small := 0.0, math.Inf(1)
	for _, t := range flat {
		big, small = math.Max(big, t.e.MeanRadiusPX()), math.Min(small, t.e.MeanRadiusPX())
	}
	// Coins of one kind differ in the picture by their distance alone.
	if big > 1.35*small {
		return nil, "several round flat things of different sizes were seen: point at the coin"
	}
	poses, costs := coinPoses(flat, coin, px.W, px.H, prior)
	if len(poses) == 0 {
		return nil, "its rim fits no coin lying flat"
	}
	if costs[0]/float64(len(flat)) > 90 {
		return nil, "the round things seen don't lie as coins of one size on one table"
	}
	p := poses[0]
	r = &Ruler{
		Source: SourceCoin, Name: coin.Words, Pose: p, PoseFrom: FromCoinRims,
		Size:      Quantity{FromCoinSize, 1, UniformU(coinWearHalfMM) / coin.DiameterMM},
		Thickness: Quantity{FromCoinThickness, coin.ThicknessMM, UniformU(coin.thickHalf)}, MMPerPX: p.MMPerPX(),
	}
	if len(flat) > 1 {
		r.Name = fmt.Sprintf("%d coins, each %s", len(flat), coin.Words)
	}
	if len(poses) > 1 {
		r.Other, r.Doubt = poses[1], 1/(1+math.Exp(math.Min(50, (costs[1]-costs[0])/2)))
	}
	for _, t := range flat {
		var poly [][2]float64
		for k := range 32 {
			x, y, nx, ny := t.e.At(2 * math.Pi * float64(k) / 32)
			poly = append(poly, [2]float64{x + 2*nx, y + 2*ny})
		}
		r.Taken = append(r.Taken, poly)
	}
	return r, ""
}

// leastCoinLight is the least light, over open paper's, in the darkest direction
// beside a coin: a ball's shadow takes a fifth and more away there.
const leastCoinLight = 0.95

// mostCoins is how many coins of a photo are used, the best seen.
const mostCoins = 4

// leastRimSeen is the least share of directions in which a coin's rim is seen.
const leastRimSeen = 0.7

// roundThings are what is round in a photo, each once.
func roundThings(bgr gocv.Mat, px Pixels) []roundThing {
	var out []roundThing
	for _, e := range roundContours(bgr) {
		t, ok := refineRound(px, e)
		if !ok {
			continue
		}
		known := false
		for i, o := range out {
			if d := math.Hypot(o.e.CxPX-t.e.CxPX, o.e.CyPX-t.e.CyPX); d < 0.5*(o.e.MeanRadiusPX()+t.e.MeanRadiusPX()) {
				known = true
				if t.e.MeanRadiusPX() > o.e.MeanRadiusPX() && t.support > 0.9*o.support {
					out[i] = t
				}
			}
		}
		if !known {
			out = append(out, t)
		}
	}
	for i := range out {
		out[i].shadow = lightBeside(px, out[i].e)
	}
	return out
}

// roundContours are circles about round contours of a reduced picture, px of the
// full one.
func roundContours(bgr gocv.Mat) []Ellipse {
	var out []Ellipse
	for _, c := range contoursOf(bgr) {
		hull := c.hull
		if len(hull) < 8 {
			continue
		}
		area, per, cx, cy := 0.0, 0.0, 0.0, 0.0
		for i, p := range hull {
			q := hull[(i+1)%len(hull)]
			k := p[0]*q[1] - q[0]*p[1]
			area += k / 2
			cx, cy = cx+(p[0]+q[0])*k/6, cy+(p[1]+q[1])*k/6
			per += math.Hypot(q[0]-p[0], q[1]-p[1])
		}
		if area == 0 {
			continue
		}
		cx, cy = cx/area, cy/area
		area = math.Abs(area)
		// A circle has 1; an ellipse of 0.7 still has 0.97.
		if r := math.Sqrt(area / math.Pi); r >= 12 && 4*math.Pi*area/(per*per) > 0.93 {
			out = append(out, Ellipse{CxPX: cx, CyPX: cy, SemiMajorPX: r, SemiMinorPX: r})
		}
	}
	return out
}

// refineRound finds the rim about a rough circle: the ellipse that edges in most
// directions lie on, the largest where several rings do.
func refineRound(px Pixels, e Ellipse) (t roundThing, ok bool) {
	const dirs = 96
	var rays [dirs][]edgePeak
	r := e.MeanRadiusPX()
	reach := math.Max(5, 0.22*r)
	pos := func(k int, d float64) [2]float64 {
		s, c := math.Sincos(2 * math.Pi * float64(k) / dirs)
		return [2]float64{e.CxPX + (r+d)*c, e.CyPX + (r+d)*s}
	}
	for k := range dirs {
		s, c := math.Sincos(2 * math.Pi * float64(k) / dirs)
		p := pos(k, 0)
		if p[0] < reach+2 || p[1] < reach+2 || p[0] > float64(px.W)-reach-3 || p[1] > float64(px.H)-reach-3 {
			return t, false
		}
		rays[k] = peaksAcross(px, p[0], p[1], [2]float64{c, s}, [2]float64{-s, c}, reach)
	}
	// About the rough centre an ellipse that is nearly round is
	// d(a) = c0 + c1 cos a + s1 sin a + c2 cos 2a + s2 sin 2a.
	basis := func(k int) [5]float64 {
		s, c := math.Sincos(2 * math.Pi * float64(k) / dirs)
		return [5]float64{1, c, s, c*c - s*s, 2 * s * c}
	}
	at := func(x [5]float64, k int) (v float64) {
		for i, b := range basis(k) {
			v += b * x[i]
		}
		return v
	}
	solve := func(ks []int, d []float64) (x [5]float64, ok bool) {
		a := mat.NewDense(len(ks), 5, nil)
		for i, k := range ks {
			b := basis(k)
			a.SetRow(i, b[:])
		}
		var v mat.VecDense
		if v.SolveVec(a, mat.NewVecDense(len(d), d)) != nil {
			return x, false
		}
		for i := range x {
			x[i] = v.AtVec(i)
		}
		return x, math.Hypot(x[3], x[4]) < 0.2*r
	}
	nearest := func(x [5]float64, k int) (best float64) {
		best = math.Inf(1)
		v := at(x, k)
		for _, p := range rays[k] {
			if math.Abs(p.at-v) < math.Abs(best) {
				best = p.at - v
			}
		}
		return best
	}
	count := func(x [5]float64, tol float64) (n int) {
		for k := range dirs {
			if math.Abs(nearest(x, k)) < tol {
				n++
			}
		}
		return n
	}
	rng := rand.New(rand.NewPCG(uint64(e.CxPX), uint64(e.CyPX)))
	type hyp struct {
		x [5]float64
		n int
	}
	var hyps []hyp
	for range 4000 {
		var ks []int
		var d []float64
		first := rng.IntN(dirs)
		for i := range 5 {
			k := (first + i*dirs/5 + rng.IntN(dirs/8)) % dirs
			if len(rays[k]) == 0 {
				break
			}
			ks, d = append(ks, k), append(d, rays[k][rng.IntN(min(4, len(rays[k])))].at)
		}
		if len(ks) < 5 {
			continue
		}
		if x, ok := solve(ks, d); ok {
			if n := count(x, 0.9); n > dirs/2 {
				hyps = append(hyps, hyp{x, n})
			}
		}
	}
	if len(hyps) == 0 {
		return t, false
	}
	most := 0
	for _, h := range hyps {
		most = max(most, h.n)
	}
	best := hyp{n: -1}
	for _, h := range hyps {
		switch {
		case float64(h.n) < 0.85*float64(most):
		case best.n < 0 || h.x[0] > best.x[0]+1.5 || h.x[0] > best.x[0]-1.5 && h.n > best.n:
			best = h
		}
	}
	// A coin throws a narrow shadow on one side. Its edge there and the rim on the
	// other side make an ellipse too: one that touches the rim's on the lit side,
	// with a dark band between them on the other.
	rim := best
	for _, h := range hyps {
		if float64(h.n) < 0.75*float64(best.n) || rim.n != best.n && h.n <= rim.n {
			continue
		}
		near, far, side := math.Inf(1), 0.0, 0
		for k := range dirs {
			gap := at(best.x, k) - at(h.x, k)
			near = math.Min(near, gap)
			if gap > far {
				far, side = gap, k
			}
		}
		if near < -1.2 || near > 1.5 || far < 2 || far > 0.2*r {
			continue
		}
		mid, out := pos(side, at(best.x, side)-far/2), pos(side, at(best.x, side)+3)
		if b, p := lightAt(px, mid), lightAt(px, out); b < 0.93*p {
			rim = h
		}
	}
	x := rim.x
	for range 4 {
		var ks []int
		var d []float64
		for k := range dirs {
			if off := nearest(x, k); math.Abs(off) < 1 {
				ks, d = append(ks, k), append(d, at(x, k)+off)
			}
		}
		if len(ks) < dirs/2 {
			return t, false
		}
		if x, ok = solve(ks, d); !ok {
			return t, false
		}
	}
	for k := range dirs {
		if off := nearest(x, k); math.Abs(off) < 1 {
			t.rim = append(t.rim, pos(k, at(x, k)+off))
		}
	}
	t.support = float64(len(t.rim)) / dirs
	rad := r + x[0]
	ell := math.Hypot(x[3], x[4])
	t.e = Ellipse{CxPX: e.CxPX + x[1], CyPX: e.CyPX + x[2], SemiMajorPX: rad + ell, SemiMinorPX: rad - ell, AngleDeg: math.Atan2(x[4], x[3]) / 2 * 180 / math.Pi}
	return t, t.support >= 0.6
}

func lightAt(px Pixels, p [2]float64) float64 {
	c := px.LinearAt(p[0], p[1])
	return 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2]
}

// lightBeside is the light beside a round thing in the darkest of 12 directions,
// over the median of all.
func lightBeside(px Pixels, e Ellipse) float64 {
	var all []float64
	const sectors = 12
	for k := range sectors {
		var v []float64
		for i := range 5 {
			a := 2 * math.Pi * (float64(k) + float64(i)/5) / sectors
			for _, q := range [3]float64{1.28, 1.36, 1.44} {
				x, y, _, _ := e.At(a)
				x, y = e.CxPX+q*(x-e.CxPX), e.CyPX+q*(y-e.CyPX)
				if x < 1 || y < 1 || x > float64(px.W-2) || y > float64(px.H-2) {
					continue
				}
				v = append(v, lightAt(px, [2]float64{x, y}))
			}
		}
		if len(v) > 0 {
			sort.Float64s(v)
			all = append(all, v[len(v)/2])
		}
	}
	if len(all) < sectors/2 {
		return 0
	}
	sort.Float64s(all)
	return all[0] / math.Max(1e-6, all[len(all)/2])
}

// coinPoses are the poses of the plane of the coins' upper faces that their rims
// fit, the best first, at most two, with the sum of squares of each. A circle
// seen once fits two planes, mirrored about the line of sight to it; which is
// the likelier, the usual tilt and the other coins say.
func coinPoses(things []roundThing, coin Coin, w, h int, prior FocalPrior) (poses []*Pose, costs []float64) {
	cx0, cy0 := float64(w-1)/2, float64(h-1)/2
	sigmaPP := principalSigma * float64(max(w, h))
	radius := coin.DiameterMM / 2
	mean, points := 0.0, 0
	for _, t := range things {
		mean += t.e.MeanRadiusPX() / float64(len(things))
		points += len(t.rim)
	}
	// About six independent readings round a rim.
	sigma := math.Hypot(coinRimMM, coinRimPX*radius/mean)
	n := points + 8
	// Where a coin's wall faces the camera, what is seen may be its foot or the
	// edge of its face: each coin is tried both ways.
	foot := 0
	weighted := func(x [PoseParams]float64) []float64 {
		p := poseOf(x)
		r := make([]float64, 0, n)
		for i, t := range things {
			thick := 0.0
			if foot>>i&1 == 1 {
				thick = coin.ThicknessMM
			}
			each := sigma * math.Sqrt(float64(len(t.rim))/6)
			for _, d := range rimOffsets(&p, t, radius, thick) {
				r = append(r, d/each)
			}
		}
		return append(r, (math.Log(prior.FocalPX)-x[0])/prior.Sigma, (cx0-x[1])/sigmaPP, (cy0-x[2])/sigmaPP,
			x[3]/tiltSigma, x[4]/tiltSigma, x[5]/1e-3, x[6]/1e-3, x[7]/1e-3)
	}
	type fit struct {
		p    *Pose
		cost float64
	}
	var fits []fit
	const starts = 5
	for try := range starts << min(len(things), mostCoins) {
		k := try % starts
		foot = try / starts
		a, s := 2*math.Pi*float64(k)/(starts-1), 0.2
		if k == starts-1 {
			s = 0.01
		}
		x := [PoseParams]float64{math.Log(prior.FocalPX), cx0, cy0, s * math.Cos(a), s * math.Sin(a), 0, 0, 0, prior.FocalPX * radius / mean}
		x, cost, jtj, ok := leastSquares(x, n, weighted)
		if !ok {
			continue
		}
		p := poseOf(x)
		p.params = x
		var chol mat.Cholesky
		if p.T[2] <= 0 || p.Plane.HeightMM <= 0 || !chol.Factorize(jtj) {
			continue
		}
		p.Cov = mat.NewSymDense(PoseParams, nil)
		if chol.InverseTo(p.Cov) != nil {
			continue
		}
		p.FocalSigma, p.FocalSource = math.Sqrt(p.Cov.At(0, 0)), prior.Source
		if p.FocalSigma < prior.Sigma/2 {
			p.FocalSource = "solved"
		}
		fits = append(fits, fit{&p, cost})
	}
	sort.SliceStable(fits, func(i, j int) bool { return fits[i].cost < fits[j].cost })
	for _, f := range fits {
		// The same minimum again, or one far worse.
		if len(poses) > 0 && (math.Acos(math.Min(1, f.p.Plane.Normal.Dot(poses[0].Plane.Normal))) < 0.02 || f.cost > costs[0]+30) {
			continue
		}
		poses, costs = append(poses, f.p), append(costs, f.cost)
		if len(poses) == 2 {
			break
		}
	}
	return poses, costs
}

// rimOffsets is how far outside the circle of the radius given, about their own
// middle, the points of a rim lie on the plane, mm. Where the wall of the coin
// faces the camera its foot is the outermost that is seen, thick mm below.
func rimOffsets(p *Pose, t roundThing, radius, thick float64) []float64 {
	meet := func(ray Vec3, h float64) (Vec3, bool) {
		d := p.Plane.Normal.Dot(ray)
		if d >= -1e-6 {
			return Vec3{}, false
		}
		return ray.Scale(-h / d), true
	}
	out := make([]float64, len(t.rim))
	mid, ok := meet(p.Camera.Ray(t.e.CxPX, t.e.CyPX), p.Plane.HeightMM)
	if !ok {
		for i := range out {
			out[i] = 1e3
		}
		return out
	}
	// Axes in the plane.
	ux := Vec3{p.R[0][0], p.R[1][0], p.R[2][0]}
	uy := Vec3{p.R[0][1], p.R[1][1], p.R[2][1]}
	pts := make([][2]float64, len(t.rim))
	for i, q := range t.rim {
		ray := p.Camera.Ray(q[0], q[1])
		at, ok := meet(ray, p.Plane.HeightMM)
		if !ok {
			at = mid
		}
		d := Vec3{at[0] - mid[0], at[1] - mid[1], at[2] - mid[2]}
		if d.Dot(ray) < 0 { // the wall's outward side faces the camera
			if foot, ok := meet(ray, p.Plane.HeightMM+thick); ok {
				at = foot
				d = Vec3{at[0] - mid[0], at[1] - mid[1], at[2] - mid[2]}
			}
		}
		pts[i] = [2]float64{d.Dot(ux), d.Dot(uy)}
	}
	// The circle's middle, a few steps of least squares from the mean.
	var c [2]float64
	for range 6 {
		var s [2]float64
		var a11, a12, a22, b1, b2, rs float64
		for _, q := range pts {
			dx, dy := q[0]-c[0], q[1]-c[1]
			l := math.Max(1e-9, math.Hypot(dx, dy))
			rs += l / float64(len(pts))
			s[0], s[1] = dx/l, dy/l
			e := l - radius
			a11, a12, a22 = a11+s[0]*s[0], a12+s[0]*s[1], a22+s[1]*s[1]
			b1, b2 = b1+s[0]*e, b2+s[1]*e
		}
		det := a11*a22 - a12*a12
		if det < 1e-9 {
			break
		}
		c[0] += (b1*a22 - b2*a12) / det
		c[1] += (a11*b2 - a12*b1) / det
	}
	for i, q := range pts {
		out[i] = math.Hypot(q[0]-c[0], q[1]-c[1]) - radius
	}
	return out
}
