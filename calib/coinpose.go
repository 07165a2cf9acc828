package calib

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/mat"
)

// A coin is a short cylinder. Its outline in a photo is the rim of its upper
// face where its wall is turned away, and its foot where the wall faces the
// camera; inside that half the upper rim is an edge too. Neither half is the
// other's continuation: an ellipse through both is some per cent too large and
// leans the wrong way. So edges are sorted by what a pose says they are, and the
// pose is fitted to them as such.

// coinPose is a pose of the plane of the coins' upper faces that their edges fit.
type coinPose struct {
	pose *Pose
	mids [][2]float64 // the coins' middles on it, mm
	cost float64      // sum of squares, what is not seen among it
	seen float64      // share of the outline's directions in which it is seen
}

// doubt is the chance that b is the true pose and not a. What speaks against each
// counts half: a shadow taken for an edge misleads in more than one direction.
func (a coinPose) doubt(b coinPose) float64 {
	return 1 / (1 + math.Exp(math.Max(-50, math.Min(50, (b.cost-a.cost)/4))))
}

const (
	// leastOutlineSeen is the least share of the coins' outlines that must be seen.
	leastOutlineSeen = 0.7
	// rimReadings is how many independent readings a rim is worth: what moves its
	// edges (light, shadow, relief) does so over a sixth of it or so (chosen).
	rimReadings = 6
	// How well each of them is had, one sigma: what shadow and relief beside a rim
	// move its edge by, and pixels (chosen).
	rimMM, rimPX = 0.06, 0.3
	// mostRimSigma is where an edge counts as not seen.
	mostRimSigma = 3
	// bandCost is what it costs, in squares, to take the far end of a dark band for
	// the upper rim where no wall should be seen: likely the shadow's end (chosen).
	bandCost = 5
)

// coinPoses are the poses of the plane of the coins' upper faces that their edges
// fit, the likeliest first, at most two. A circle seen once fits two planes,
// mirrored about the line of sight to it; which is the likelier, the coin's wall,
// the usual tilt and the other coins say.
func coinPoses(things []roundThing, coin Coin, w, h int, prior FocalPrior) []coinPose {
	var fits []coinPose
	try := func(s coinStart) {
		if f, ok := fitCoins(s, things, coin, w, h, prior); ok {
			fits = append(fits, f)
		}
	}
	for _, start := range coinStarts(things, coin, w, h, prior) {
		try(start)
	}
	return likeliest(fits, coin)
}

// likeliest are the likeliest pose and, where there is one as likely or nearly,
// another.
func likeliest(fits []coinPose, coin Coin) []coinPose {
	if len(fits) == 0 {
		return nil
	}
	sort.SliceStable(fits, func(i, j int) bool { return fits[i].cost < fits[j].cost })
	// Rings lie within a rim, and fit as well: the outer one is the coin's.
	best := fits[0]
	for _, f := range fits[1:] {
		if f.seen > 0.9*fits[0].seen && f.about(best, coin) {
			best = f
		}
	}
	out := []coinPose{best}
	for _, f := range fits {
		if math.Acos(math.Min(1, f.pose.Plane.Normal.Dot(best.pose.Plane.Normal))) > 0.02 && math.Abs(f.pose.Plane.HeightMM/best.pose.Plane.HeightMM-1) < 0.05 && f.cost < best.cost+30 {
			out = append(out, f)
			break
		}
	}
	return out
}

// about says whether the coins' rims by one pose lie outside those by another, all
// round.
func (a coinPose) about(b coinPose, coin Coin) bool {
	for i := range a.mids {
		for k := range 24 {
			s, c := math.Sincos(2 * math.Pi * float64(k) / 24)
			x, y, _ := a.pose.Pixel(a.mids[i][0]+coin.DiameterMM/2*c, a.mids[i][1]+coin.DiameterMM/2*s)
			// Where on b's plane that is seen.
			at, ok := onPlane(b.pose, x, y, 0)
			if !ok || math.Hypot(at[0]-b.mids[i][0], at[1]-b.mids[i][1]) < coin.DiameterMM/2+0.3 {
				return false
			}
		}
	}
	return true
}

// onPlane is the point of a pose's plane, or of one below mm under it, that is
// seen at a pixel.
func onPlane(p *Pose, x, y, below float64) (at [2]float64, ok bool) {
	ray := p.Camera.Ray(x, y)
	d := p.Plane.Normal.Dot(ray)
	if d >= -1e-6 {
		return at, false
	}
	s := -(p.Plane.HeightMM + below) / d
	for k := range at {
		for i := range ray {
			at[k] += p.R[i][k] * (ray[i]*s - p.T[i])
		}
	}
	return at, true
}

// wallSeen says whether the wall of something that stands on the plane faces the
// camera, which is at eye (plane coordinates), at the point at with the outward
// direction out.
func wallSeen(eye, at, out [2]float64) bool {
	return (eye[0]-at[0])*out[0]+(eye[1]-at[1])*out[1] > 0
}

// eyeOn is the point of the plane right under the camera.
func eyeOn(p *Pose) (eye [2]float64) {
	for k := range eye {
		for i := range p.T {
			eye[k] -= p.R[i][k] * p.T[i]
		}
	}
	return eye
}

// coinOutline is the outline of a coin as seen, moved outwards by px.
func coinOutline(p *Pose, mid [2]float64, coin Coin, px float64) (poly [][2]float64) {
	eye := eyeOn(p)
	mx, my, _ := p.Pixel(mid[0], mid[1])
	for k := range 48 {
		s, c := math.Sincos(2 * math.Pi * float64(k) / 48)
		x, y := mid[0]+coin.DiameterMM/2*c, mid[1]+coin.DiameterMM/2*s
		at := p.CardPoint(x, y)
		if wallSeen(eye, [2]float64{x, y}, [2]float64{c, s}) {
			for i := range at {
				at[i] += p.R[i][2] * coin.ThicknessMM
			}
		}
		u, v, _ := p.Camera.Project(at)
		l := math.Max(1e-9, math.Hypot(u-mx, v-my))
		poly = append(poly, [2]float64{u + px*(u-mx)/l, v + px*(v-my)/l})
	}
	return poly
}

// coinStart is a pose to begin with.
type coinStart struct {
	x    [PoseParams]float64
	mids [][2]float64
	// score is the share of directions in which edges lie as it says.
	score float64
}

// coinStarts looks at all tilts and heights that could be, then closer about the
// best, and gives the best few that differ.
func coinStarts(things []roundThing, coin Coin, w, h int, prior FocalPrior) []coinStart {
	cx0, cy0 := float64(w-1)/2, float64(h-1)/2
	radius, mean := coin.DiameterMM/2, 0.0
	for _, t := range things {
		mean += t.e.MeanRadiusPX() / float64(len(things))
	}
	var all []coinStart
	for _, tilt := range tiltsToTry() {
		x := [PoseParams]float64{math.Log(prior.FocalPX), cx0, cy0, tilt[0], tilt[1], 0, 0, 0, prior.FocalPX * radius / mean}
		all = append(all, atHeights(x, things, coin, 6, 0.015, math.Max(0.3, 1.5*radius/mean))...)
	}
	var closer []coinStart
	for _, s := range differing(all, 8, 0.06, 0.03) {
		for i := -2; i <= 2; i++ {
			for j := -2; j <= 2; j++ {
				x := s.x
				x[3] += 0.02 * float64(i)
				x[4] += 0.02 * float64(j)
				closer = append(closer, atHeights(x, things, coin, 3, 0.005, math.Max(0.15, 1.2*radius/mean))...)
			}
		}
	}
	return differing(closer, 12, 0.025, 0.01)
}

// differing are the best few starts that differ by so much in tilt, rad, or height,
// relative.
func differing(all []coinStart, most int, tilt, height float64) (out []coinStart) {
	sort.SliceStable(all, func(i, j int) bool { return all[i].score > all[j].score })
	for _, c := range all {
		if len(out) == most || c.score < 0.8*all[0].score {
			break
		}
		fresh := true
		for _, o := range out {
			fresh = fresh && (math.Hypot(c.x[3]-o.x[3], c.x[4]-o.x[4]) > tilt || math.Abs(c.x[8]/o.x[8]-1) > height)
		}
		if fresh {
			out = append(out, c)
		}
	}
	return out
}

// atHeights looks, for one tilt, at 2 n + 1 heights about the one given, a share of
// step apart, and puts each coin where its edges lie best; tol (mm) is how far from
// where it should be an edge still counts, by how near it is.
func atHeights(x [PoseParams]float64, things []roundThing, coin Coin, n int, step, tol float64) (out []coinStart) {
	type edge struct{ rho, c, s, counts float64 }
	type ray struct {
		upper, foot []edge
		facing      bool // and the wall wide enough for two edges
	}
	radius := coin.DiameterMM / 2
	p := poseOf(x)
	eye := eyeOn(&p)
	coins, mids := make([][]ray, len(things)), make([][2]float64, len(things))
	for i, t := range things {
		var ok bool
		if mids[i], ok = onPlane(&p, t.e.CxPX, t.e.CyPX, 0); !ok {
			return nil
		}
		for k := 0; k < len(t.rays); k += 2 { // half of them tell enough here
			var r ray
			for _, q := range t.rays[k] {
				for k, below := range [2]float64{0, coin.ThicknessMM} {
					at, ok := onPlane(&p, q.at[0], q.at[1], below)
					if !ok {
						continue
					}
					dx, dy := at[0]-mids[i][0], at[1]-mids[i][1]
					l := math.Max(1e-9, math.Hypot(dx, dy))
					if math.Abs(l-radius) > 0.15*radius+4*tol {
						continue
					}
					e := edge{l, dx / l, dy / l, 1}
					if q.band && k == 0 {
						e.counts = 1 - bandCost/(mostRimSigma*mostRimSigma)
					}
					if k == 0 {
						r.upper = append(r.upper, e)
						r.facing = coin.ThicknessMM > 0 && wallSeen(eye, at, [2]float64{e.c, e.s})
					} else {
						r.foot = append(r.foot, e)
					}
				}
			}
			if r.facing && len(r.foot) > 0 && len(r.upper) == len(r.foot) && math.Abs(r.foot[0].rho-r.upper[0].rho) < leastWallMM {
				r.facing, r.upper = false, r.foot
			}
			coins[i] = append(coins[i], r)
		}
	}
	for k := -n; k <= n; k++ {
		s := 1 + step*float64(k)
		near := func(es []edge, dx, dy float64) float64 {
			best := 0.0
			for _, e := range es {
				d := (s*e.rho - dx*e.c - dy*e.s - radius) / tol
				if v := (1 - d*d) * e.counts; v > best {
					best = v
				}
			}
			return best
		}
		start := coinStart{x: x, mids: make([][2]float64, len(things))}
		start.x[8] *= s
		for i, rays := range coins {
			most := 0.0
			for gx := -4; gx <= 4; gx++ {
				for gy := -4; gy <= 4; gy++ {
					dx, dy, sum := tol*float64(gx), tol*float64(gy), 0.0
					for _, r := range rays {
						if r.facing {
							sum += 0.5*near(r.foot, dx, dy) + 0.5*near(r.upper, dx, dy)
						} else {
							sum += near(r.upper, dx, dy)
						}
					}
					if sum > most {
						most, start.mids[i] = sum, [2]float64{s*mids[i][0] + dx, s*mids[i][1] + dy}
					}
				}
			}
			start.score += most / float64(len(rays)) / float64(len(coins))
		}
		out = append(out, start)
	}
	return out
}

// tiltsToTry are tilts about the picture's axes, rad, as far as 32 degrees.
func tiltsToTry() (out [][2]float64) {
	out = append(out, [2]float64{1e-3, 1e-3})
	const step = 0.08
	for ring := 1; ring <= 7; ring++ {
		t := step * float64(ring)
		n := max(8, int(2*math.Pi*float64(ring)*0.8))
		for k := range n {
			s, c := math.Sincos(2 * math.Pi * (float64(k) + 0.5*float64(ring%2)) / float64(n))
			out = append(out, [2]float64{t * c, t * s})
		}
	}
	return out
}

// rimEdge is an edge point taken for a coin's.
type rimEdge struct {
	coin   int
	at     [2]float64
	foot   bool
	within bool // the upper rim inside the outline
	share  float64
	band   bool // it looks like where the shadow ends
}

// fitCoins fits a pose from a start: edges are sorted by what they are, the pose
// is fitted to them, and so on.
func fitCoins(start coinStart, things []roundThing, coin Coin, w, h int, prior FocalPrior) (coinPose, bool) {
	cx0, cy0 := float64(w-1)/2, float64(h-1)/2
	sigmaPP := principalSigma * float64(max(w, h))
	radius := coin.DiameterMM / 2
	x, mids := start.x, start.mids
	pxMM := 0.0
	for _, t := range things {
		pxMM += t.e.MeanRadiusPX() / radius / float64(len(things))
	}
	sigma := math.Hypot(rimPX/pxMM, rimMM)
	var p Pose
	var jtj *mat.SymDense
	var edges []rimEdge
	var unseen []float64
	for pass := range 6 {
		p = poseOf(x)
		tol := math.Max(2, 5-float64(pass)) * sigma
		edges, unseen = sortEdges(&p, things, mids, coin, tol)
		if len(edges) < 24*len(things) {
			return coinPose{}, false
		}
		count := make([]float64, len(things))
		for _, e := range edges {
			count[e.coin]++
		}
		n := len(edges) + 8
		weighted := func(x [PoseParams]float64) []float64 {
			p := poseOf(x)
			off, _ := rimOffsets(&p, edges, len(things), radius, coin.ThicknessMM)
			r := make([]float64, 0, n)
			for i, e := range edges {
				r = append(r, off[i]/sigma*math.Sqrt(rimReadings/count[e.coin]))
			}
			return append(r, (math.Log(prior.FocalPX)-x[0])/prior.Sigma, (cx0-x[1])/sigmaPP, (cy0-x[2])/sigmaPP,
				x[3]/tiltSigma, x[4]/tiltSigma, x[5]/1e-3, x[6]/1e-3, x[7]/1e-3)
		}
		var ok bool
		if x, _, jtj, ok = leastSquares(x, n, weighted); !ok {
			return coinPose{}, false
		}
		p = poseOf(x)
		if p.T[2] <= 0 || p.Plane.HeightMM <= 0 {
			return coinPose{}, false
		}
		_, mids = rimOffsets(&p, edges, len(things), radius, coin.ThicknessMM)
	}
	p.params = x
	var chol mat.Cholesky
	if !chol.Factorize(jtj) {
		return coinPose{}, false
	}
	p.Cov = mat.NewSymDense(PoseParams, nil)
	if chol.InverseTo(p.Cov) != nil {
		return coinPose{}, false
	}
	p.FocalSigma, p.FocalSource = math.Sqrt(p.Cov.At(0, 0)), prior.Source
	if p.FocalSigma < prior.Sigma/2 {
		p.FocalSource = "solved"
	}
	// What speaks against the pose: each direction's outline where it is off or
	// not seen, in one measure for all starts, and what is usual.
	f := coinPose{pose: &p, mids: mids}
	off, _ := rimOffsets(&p, edges, len(things), radius, coin.ThicknessMM)
	sum, near := make([]float64, len(things)), make([]float64, len(things))
	for i, e := range edges {
		near[e.coin] += e.share
		d := off[i] * off[i] / (sigma * sigma)
		if e.band {
			d += bandCost
		}
		sum[e.coin] += e.share * math.Min(mostRimSigma*mostRimSigma, d)
	}
	for i := range things {
		n := near[i] + unseen[i]
		f.cost += rimReadings / n * (sum[i] + mostRimSigma*mostRimSigma*unseen[i])
		f.seen += near[i] / n / float64(len(things))
	}
	sq := func(v float64) float64 { return v * v }
	f.cost += sq((math.Log(prior.FocalPX)-x[0])/prior.Sigma) + sq((cx0-x[1])/sigmaPP) + sq((cy0-x[2])/sigmaPP) + sq(x[3]/tiltSigma) + sq(x[4]/tiltSigma)
	return f, true
}

// sortEdges takes from each ray the edge next to where the outline should be, and,
// where that is the foot, the one next to the upper rim, as far as tol mm off.
// Each edge has its share of its ray; unseen is how many rays' worth is missing, a
// coin.
func sortEdges(p *Pose, things []roundThing, mids [][2]float64, coin Coin, tol float64) (out []rimEdge, unseen []float64) {
	eye, radius := eyeOn(p), coin.DiameterMM/2
	unseen = make([]float64, len(things))
	for i, t := range things {
		for _, ray := range t.rays {
			upper, foot := rimEdge{coin: i}, rimEdge{coin: i, foot: true}
			bestUpper, bestFoot, facing, apart := tol, tol, false, 0.0
			for _, q := range ray {
				at, ok := onPlane(p, q.at[0], q.at[1], 0)
				if !ok {
					continue
				}
				dx, dy := at[0]-mids[i][0], at[1]-mids[i][1]
				l := math.Max(1e-9, math.Hypot(dx, dy))
				facing = coin.ThicknessMM > 0 && wallSeen(eye, at, [2]float64{dx / l, dy / l})
				if d := math.Abs(l - radius); d < bestUpper {
					bestUpper, upper.at, upper.band = d, q.at, q.band && !facing
				}
				if low, ok := onPlane(p, q.at[0], q.at[1], coin.ThicknessMM); ok && facing {
					m := math.Hypot(low[0]-mids[i][0], low[1]-mids[i][1])
					if d := math.Abs(m - radius); d < bestFoot {
						bestFoot, foot.at = d, q.at
					}
					apart = math.Max(apart, math.Abs(m-l))
				}
			}
			// Where the wall is a line, its two edges are one.
			upper.within, upper.share = facing, 1
			if facing {
				foot.share, upper.share = 0.5, 0.5
				if apart < leastWallMM {
					foot.share, upper.share = 1, 0
				}
			}
			if bestFoot < tol {
				out = append(out, foot)
			} else {
				unseen[i] += foot.share
			}
			// One edge is not both.
			if bestUpper < tol && !(bestFoot < tol && upper.at == foot.at) {
				if upper.share > 0 {
					out = append(out, upper)
				}
			} else {
				unseen[i] += upper.share
			}
		}
	}
	return out, unseen
}

// leastWallMM is how wide a wall must be seen for its two edges to be apart.
const leastWallMM = 0.3

// rimOffsets is how far outside the circle of the radius given, about each coin's
// own middle, its edges lie on their planes, mm, and the middles.
func rimOffsets(p *Pose, edges []rimEdge, coins int, radius, thick float64) (off []float64, mids [][2]float64) {
	pts, off := make([][2]float64, len(edges)), make([]float64, len(edges))
	mids = make([][2]float64, coins)
	count := make([]float64, coins)
	for i, e := range edges {
		below := 0.0
		if e.foot {
			below = thick
		}
		at, ok := onPlane(p, e.at[0], e.at[1], below)
		if !ok {
			at = [2]float64{1e4, 1e4}
		}
		pts[i] = at
		count[e.coin]++
		mids[e.coin][0] += at[0]
		mids[e.coin][1] += at[1]
	}
	for c := range mids {
		mids[c][0] /= math.Max(1, count[c])
		mids[c][1] /= math.Max(1, count[c])
		// A few steps of least squares from the mean.
		for range 6 {
			var a11, a12, a22, b1, b2 float64
			for i, q := range pts {
				if edges[i].coin != c {
					continue
				}
				dx, dy := q[0]-mids[c][0], q[1]-mids[c][1]
				l := math.Max(1e-9, math.Hypot(dx, dy))
				s0, s1, e := dx/l, dy/l, l-radius
				a11, a12, a22 = a11+s0*s0, a12+s0*s1, a22+s1*s1
				b1, b2 = b1+s0*e, b2+s1*e
			}
			det := a11*a22 - a12*a12
			if det < 1e-9 {
				break
			}
			mids[c][0] += (b1*a22 - b2*a12) / det
			mids[c][1] += (a11*b2 - a12*b1) / det
		}
	}
	for i, q := range pts {
		m := mids[edges[i].coin]
		off[i] = math.Hypot(q[0]-m[0], q[1]-m[1]) - radius
	}
	return off, mids
}
