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
	// The edge of a rim is rounded: what is seen of it lies up to this far within
	// the coin's diameter (common practice, and struck rims are no sharper).
	coinRoundHalfMM = 0.1
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

// roundThing is something round and flat in a photo, with its rim's points, and
// all places where the picture changes fast on the rays from about its middle.
type roundThing struct {
	e       Ellipse
	rim     [][2]float64
	rays    [][]rayEdge
	support float64 // share of directions in which the rim is seen
	shadow  float64 // light beside it over open paper's, in the darkest direction
}

// rayEdge is a place on a ray where the picture changes fast: where, px from the
// rough rim, by how much the light rises outwards across it, and whether a narrow
// dark band ends there: a coin's wall, or its shadow on the table.
type rayEdge struct {
	at        [2]float64
	rho, rise float64
	band      bool
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
	poses := coinPoses(flat, coin, px.W, px.H, prior)
	if len(poses) == 0 {
		return nil, "its rim fits no coin lying flat"
	}
	p := poses[0].pose
	if poses[0].seen < leastOutlineSeen {
		return nil, "the round things seen don't lie as coins of one size on one table"
	}
	r = &Ruler{
		Source: SourceCoin, Name: coin.Words, Pose: p, PoseFrom: FromCoinRims,
		Size:      Quantity{FromCoinSize, 1, math.Hypot(UniformU(coinWearHalfMM), UniformU(coinRoundHalfMM)) / coin.DiameterMM},
		Thickness: Quantity{FromCoinThickness, coin.ThicknessMM, UniformU(coin.thickHalf)}, MMPerPX: p.MMPerPX(),
	}
	if len(flat) > 1 {
		r.Name = fmt.Sprintf("%d coins, each %s", len(flat), coin.Words)
	}
	if len(poses) > 1 {
		r.Other, r.Doubt = poses[1].pose, poses[0].doubt(poses[1])
	}
	for i := range flat {
		r.Taken = append(r.Taken, coinOutline(p, poses[0].mids[i], coin, 2))
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
		rays[k] = peaksAcross(px, p[0], p[1], [2]float64{c, s}, [2]float64{-s, c}, reach, 5, false)
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
		// More of them than for the ellipse: the foot is often the weakest.
		at0 := pos(k, 0)
		sn, cs := math.Sincos(2 * math.Pi * float64(k) / dirs)
		var edges []rayEdge
		for _, p := range peaksAcross(px, at0[0], at0[1], [2]float64{cs, sn}, [2]float64{-sn, cs}, reach, 12, true) {
			edges = append(edges, rayEdge{at: pos(k, p.at), rho: p.at, rise: lightAt(px, pos(k, p.at+1.5)) - lightAt(px, pos(k, p.at-1.5))})
		}
		sort.Slice(edges, func(i, j int) bool { return edges[i].rho < edges[j].rho })
		for i := 1; i < len(edges); i++ {
			a, b := edges[i-1], &edges[i]
			b.band = a.rise < 0 && b.rise > 0 && b.rho-a.rho < 0.12*r
		}
		t.rays = append(t.rays, edges)
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
