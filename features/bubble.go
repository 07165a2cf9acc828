package features

import (
	"cmp"
	"math"
	"slices"

	"tawsight/internal/kernels"
	"tawsight/internal/order"
)

// How a gas bubble in glass looks. At its wall light goes from glass (index
// 1.52) to gas. A line of sight that meets it farther than 1/1.52 = 0.66 of its
// radius from its middle is reflected wholly, the others are bent outwards:
// the middle shows all that lies behind, made small; towards 0.66 both look
// sideways out of the marble, and at the bubble's edge the picture comes back
// to what lies behind. So a bubble is a ring, darker or brighter than what is
// around, with a middle of its own, and its edges run round it everywhere.
//
// It is seen through the marble's surface: a line of sight that meets the
// marble at y from its middle passes the middle at y/1.52, so that a bubble
// there looks 1.52 times as large and as far off.

// glassIndex is the refractive index of ordinary soda-lime glass (1.51 to
// 1.52, from memory of handbooks).
const glassIndex = 1.52

// Where and how large bubbles are looked for, radii of the marble as seen.
const (
	bubbleWithin = 0.45
	bubbleLeast  = 0.07
	bubbleMost   = 0.30
	// bubbleLeastPX is the least radius as seen, px, that shows a ring.
	bubbleLeastPX = 2.6
	// bubbleScale is the face's radius, px, at which the first search is done.
	bubbleScale = 40.0
	bubbleDirs  = kernels.RoundDirs
)

// bubbleCues are what the decision rests on.
const bubbleCueCount = 14

// bubbleCandidate is a circle that may be a bubble: middle and radius in px of
// the plane it was found on.
type bubbleCandidate struct {
	x, y, r float64
	vote    float64
	cues    [bubbleCueCount]float64
	score   float64
}

// edgePlane is a square picture of lightness with the structure tensor J of its
// gradients summed over CIELAB's planes: Jxx - Jyy, Jxy and Jxx + Jyy. radii is room for
// those that are asked for.
type edgePlane struct {
	n      int
	radius float64 // of the marble, px
	lab    [][3]float64
	j      [][3]float32
	noise  float64 // gradient energy of noise
	radii  [len(ringsAt)]float64
}

// close gives the buffers back.
func (e *edgePlane) close() {
	triples.give(e.lab)
	tensors.give(e.j)
}

var tensors buffers[[3]float32]

// planes are the gradients, number by number; the room they take is lent.
func (e *edgePlane) planes() (kernels.Tensor, []float32) {
	room := halves.take(kernels.TensorRoom(len(e.j)))
	t := kernels.MakeTensor(room, len(e.j))
	for i, j := range e.j {
		t.Dif[i], t.Mix[i], t.All[i] = j[0], j[1], j[2]
	}
	return t, room
}

// tensor fills in the gradients (Scharr's weights, which turn best) within
// reach of the middle, beyond which they aren't looked at.
func (e *edgePlane) tensor(reach float64) {
	n := e.n
	e.j = tensors.take(n * n)
	c := float64(n-1) / 2
	all, row := floats.list(n*n), floats.take(n)
	defer func() { floats.give(all, row) }()
	for y := 1; y < n-1; y++ {
		dy := float64(y) - c
		across := math.Sqrt(math.Max(0, reach*reach-dy*dy))
		from, to := max(1, int(math.Ceil(c-across))), min(n-2, int(c+across))
		if from > to {
			continue
		}
		// The chroma counts for half.
		row := row[:to-from+1]
		kernels.TensorRow(e.j[y*n+from:][:len(row)], row, e.lab, n, y*n+from)
		for x := 0; x < len(row) && y%2 == 0; x += 2 {
			all = append(all, row[x])
		}
	}
	if len(all) > 0 {
		// The quieter third of the face has no edges.
		e.noise = math.Max(0.3, 2*order.Nth(all, len(all)/5))
	}
}

// plane averages the face's colours onto a plane whose marble has the radius
// given, which is at most the face's own.
func plane(f *Face, radius float64) *edgePlane {
	n := 2*int(math.Ceil(radius)) + 3
	e := &edgePlane{n: n, radius: radius, lab: triples.take(n * n)}
	k := f.Radius / radius
	cf, c := float64(f.Size-1)/2, float64(n-1)/2
	const most = 104.0 // lamps mirrored may be far brighter than white
	if n == f.Size && k == 1 {
		copy(e.lab, f.Lab)
		for i := range e.lab {
			e.lab[i][0] = min(e.lab[i][0], most)
		}
		return e
	}
	// shares are the first pixel that has a part in each place, and the parts
	// of that and the pixels after it.
	type share struct {
		first int
		part  []float64
	}
	shares := make([]share, n)
	for x := range shares {
		x0, x1 := cf+(float64(x)-0.5-c)*k, cf+(float64(x)+0.5-c)*k
		s := &shares[x]
		for xx := max(0, int(math.Round(x0))); xx <= min(f.Size-1, int(math.Round(x1))); xx++ {
			w := math.Min(x1, float64(xx)+0.5) - math.Max(x0, float64(xx)-0.5)
			if w <= 0 {
				continue
			}
			if len(s.part) == 0 {
				s.first = xx
			}
			s.part = append(s.part, w)
		}
	}
	for y := 0; y < n; y++ {
		for x := 0; x < n; x++ {
			var s0, s1, s2, w float64
			for b, wy := range shares[y].part {
				from := (shares[y].first+b)*f.Size + shares[x].first
				for a, wx := range shares[x].part {
					l := &f.Lab[from+a]
					g := wx * wy
					s0 += g * min(l[0], most)
					s1 += g * l[1]
					s2 += g * l[2]
					w += g
				}
			}
			e.lab[y*n+x] = [3]float64{}
			if w > 0 {
				e.lab[y*n+x] = [3]float64{s0 / w, s1 / w, s2 / w}
			}
		}
	}
	return e
}

// cosSin are the directions of the votes.
var cosSin = func() (t kernels.Turn) {
	for k := range bubbleDirs {
		t[1][k], t[0][k] = math.Sincos(2 * math.Pi * float64(k) / bubbleDirs)
	}
	return
}()

// turned are the shares of Jxx - Jyy and of Jxy in how much more a gradient
// lies along each direction than across it.
var turned = func() (t [bubbleDirs][2]float32) {
	for k, c := range cosSin[0] {
		s := cosSin[1][k]
		t[k] = [2]float32{float32(c*c - s*s), float32(4 * c * s)}
	}
	return
}()

// ringAt are the places of the votes, shares of the circle's radius: the
// bubble's edge and the two flanks of its ring.
var ringAt = [kernels.RoundAt]float64{0.5, 0.94, 1.06}

// edgeAt and coreAt are places at the edge alone and around the middle.
var edgeAt, coreAt = [2]float64{0.94, 1.06}, [2]float64{0.4, 0.55}

// vote says how far edges run round a circle rather than across it, -1..1, on
// average over its directions: gradients along the radius against those
// across, noise counting for neither.
func (e *edgePlane) vote(x, y, r float64) float64 {
	return e.voteAt(x, y, r, ringAt[:])
}

// bubbleCandidates are the circles that stand out most, best first.
func bubbleCandidates(f *Face, most int) (*edgePlane, []bubbleCandidate) {
	fine := plane(f, f.Radius)
	fine.tensor(f.Radius * math.Min(0.95, bubbleWithin+1.6*bubbleMost))
	e := fine
	if f.Radius > bubbleScale*1.2 {
		e = plane(f, bubbleScale)
		e.tensor(bubbleScale * math.Min(0.95, bubbleWithin+1.1*bubbleMost))
	}
	c := float64(e.n-1) / 2
	reach := int(bubbleWithin * e.radius)
	side := 2*reach + 1
	tensor, room := e.planes()
	defer halves.give(room)
	var rows []kernels.Span
	for j := -reach; j <= reach; j++ {
		w := int(math.Sqrt(float64(reach*reach - j*j)))
		rows = append(rows, kernels.Span{First: int32((int(c)+j)*e.n + int(c) - w), N: int32(2*w + 1), At: int32((j+reach)*side + reach - w)})
	}
	var votes [][]float32
	var radii []float64
	for r := math.Max(bubbleLeast*e.radius, bubbleLeastPX); r <= bubbleMost*e.radius; r *= 1.16 {
		radii = append(radii, r)
		v := halves.zeroed(side*side + 16)
		// Middles are whole pixels here, so that the places of the votes are the
		// same steps from each.
		var steps [bubbleDirs][len(ringAt)]int32
		for k, cos := range cosSin[0] {
			for l, s := range ringAt {
				steps[k][l] = int32(math.Round(s*r*cosSin[1][k]))*int32(e.n) + int32(math.Round(s*r*cos))
			}
		}
		noise := float32(len(ringAt)) * 2 * float32(e.noise)
		tensor.RoundVotes(v, rows, &steps, &turned, noise)
		votes = append(votes, v[:side*side])
	}
	all := roundest(votes, side, most*3/2)
	for i := range all {
		q := &all[i]
		q.x, q.y, q.r = c+q.x-float64(reach), c+q.y-float64(reach), radii[int(q.r)]
	}
	halves.give(votes...)
	if e != fine {
		e.close()
	}
	// Refined on the face itself.
	k := fine.radius / e.radius
	cf := float64(fine.n-1) / 2
	for i := range all {
		q := &all[i]
		q.x, q.y, q.r = cf+(q.x-c)*k, cf+(q.y-c)*k, q.r*k
		q.refine(fine)
	}
	// Those that stand out most then are looked at.
	slices.SortStableFunc(all, func(a, b bubbleCandidate) int { return cmp.Compare(b.vote, a.vote) })
	all = all[:min(len(all), most)]
	for i := range all {
		all[i].look(fine)
	}
	return fine, all
}

// roundest are the maxima over place and size of votes, of squares side wide by size,
// that stand out most, best first; x, y and r are numbers of columns, rows and sizes.
func roundest(votes [][]float32, side, most int) []bubbleCandidate {
	all := make([]bubbleCandidate, 0, most+1)
	for l, v := range votes {
		for at, s := range v {
			if s <= 0.1 || len(all) == most && float64(s) <= all[most-1].vote || !peak(votes, side, l, at) {
				continue
			}
			k := len(all)
			for k > 0 && all[k-1].vote < float64(s) {
				k--
			}
			q := bubbleCandidate{x: float64(at % side), y: float64(at / side), r: float64(l), vote: float64(s)}
			all = slices.Insert(all, k, q)
			all = all[:min(len(all), most)]
		}
	}
	return all
}

// peak says that no vote beside one, in place or size, is larger.
func peak(votes [][]float32, side, l, at int) bool {
	s := votes[l][at]
	j, k := at/side, at%side
	a0, a1 := max(0, k-1), min(side-1, k+1)
	for o := max(0, l-1); o <= min(len(votes)-1, l+1); o++ {
		for b := max(0, j-1); b <= min(side-1, j+1); b++ {
			for _, v := range votes[o][b*side+a0 : b*side+a1+1] {
				if v > s {
					return false
				}
			}
		}
	}
	return true
}

// refine moves a candidate to where its vote is best.
func (q *bubbleCandidate) refine(e *edgePlane) {
	q.vote = e.vote(q.x, q.y, q.r)
	for step := math.Max(0.5, 0.12*q.r); step > 0.2; step /= 2 {
		for moved, rounds := true, 0; moved && rounds < 3; rounds++ {
			moved = false
			for _, d := range [6][3]float64{{1, 0, 0}, {-1, 0, 0}, {0, 1, 0}, {0, -1, 0}, {0, 0, 1}, {0, 0, -1}} {
				x, y, r := q.x+step*d[0], q.y+step*d[1], q.r+step*d[2]
				if r < bubbleLeast*e.radius || r < bubbleLeastPX || r > bubbleMost*e.radius ||
					math.Hypot(x-float64(e.n-1)/2, y-float64(e.n-1)/2) > bubbleWithin*e.radius {
					continue
				}
				if v := e.vote(x, y, r); v > q.vote {
					q.x, q.y, q.r, q.vote, moved = x, y, r, v, true
				}
			}
		}
	}
}

// ringsAt is how far from a candidate's middle colours are looked at, in its radii: in
// its middle, on its ring, past its edge and around it; then through its edge.
var ringsAt = func() (t [edgeRings + throughEdge]float64) {
	copy(t[:], []float64{0.12, 0.36, 0.62, 0.82, 1.18, 1.2, 1.4})
	for j := range throughEdge {
		t[edgeRings+j] = 0.7 + 0.1*float64(j)
	}
	return
}()

// edgeRings is the number of the first ring through the edge, throughEdge how many there are.
const edgeRings, throughEdge = 7, 8

// chromaLess is what lightness and chroma count: photos keep chroma blurred.
var chromaLess = [3]float64{1, 0.7, 0.7}

// look reads the cues off a candidate.
func (q *bubbleCandidate) look(e *edgePlane) {
	const n = bubbleDirs
	for k, s := range ringsAt {
		e.radii[k] = s * q.r
	}
	seen := triples.take(len(ringsAt) * n)
	defer triples.give(seen)
	kernels.Rings(seen, e.lab, e.n, [2]float64{q.x, q.y}, e.radii[:], &cosSin, &chromaLess)
	var core [n][3]float64
	var edge [n]float64
	var mr, mo, mc [3]float64 // means of ring, surroundings and middle
	for k := 0; k < n; k++ {
		c0, c1, r0, r1 := &seen[k], &seen[n+k], &seen[2*n+k], &seen[3*n+k]
		past, o0, o1 := &seen[4*n+k], &seen[5*n+k], &seen[6*n+k]
		edge[k] = math.Sqrt(apart2(r1, past))
		for i := range mr {
			core[k][i] = (c0[i] + c1[i]) / 2
			mr[i] += (r0[i] + r1[i]) / 2 / n
			mo[i] += (o0[i] + o1[i]) / 2 / n
			mc[i] += core[k][i] / n
		}
	}
	devCore := 0.0
	for k := 0; k < n; k++ {
		devCore += math.Sqrt(dist2(core[k], mc)) / n
	}
	spread, square := roundness(seen[edgeRings*n:])
	s := edge
	quarter := order.Nth(s[:], n/4)
	v1, v2 := e.voteAt(q.x, q.y, q.r, edgeAt[:]), e.voteAt(q.x, q.y, q.r, coreAt[:])
	g1, g3 := e.energy(q.x, q.y, q.r, 0.9, 1.05), e.energy(q.x, q.y, q.r, 0.25, 0.5)
	cf := float64(e.n-1) / 2
	q.cues = [bubbleCueCount]float64{
		q.vote,                                   // how far edges run round, all three
		v1,                                       // the same at the edge
		v2,                                       // and around the middle
		math.Log(1 + quarter/3),                  // contrast of the edge all round
		math.Log(1 + math.Sqrt(dist2(mc, mr))/3), // of the middle against the ring
		math.Log(1 + devCore/3),                  // life in the middle
		math.Log(1 + math.Sqrt(dist2(mo, mr))/3), // of the ring against what is around
		math.Log((0.5 + g3) / (0.5 + g1)),        // edges in the middle against those at the edge
		(mc[0] - mo[0]) / 30,                     // how much lighter the middle is
		(mr[0] - mo[0]) / 30,                     // and the ring
		math.Log(q.r / e.radius),                 // size
		math.Hypot(q.x-cf, q.y-cf) / e.radius,    // and place
	}
	q.cues[12], q.cues[13] = spread, square
	q.weigh()
}

// roundness looks where the edge lies in each direction, by what is seen through it,
// from 0.7 to 1.4 of the radius: its spread, and how much of it goes round four times, as a
// window's picture has it (a square's edge runs from 1 to 1.41 of its least
// radius, four times).
func roundness(seen [][3]float64) (spread, square float64) {
	const n = bubbleDirs
	var where [n]float64
	mean := 0.0
	for k := 0; k < n; k++ {
		sw, sr := 1.0, 1.0 // a weak belief in the circle
		for j := 1; j < throughEdge; j++ {
			d := apart2(&seen[j*n+k], &seen[(j-1)*n+k])
			sw += d
			sr += d * (0.65 + 0.1*float64(j))
		}
		where[k] = sr / sw
		mean += where[k] / n
	}
	var c, s float64
	for k := 0; k < n; k++ {
		spread += math.Abs(where[k]-mean) / n
		c += (where[k] - mean) * cosSin[0][4*k%n] / n
		s += (where[k] - mean) * cosSin[1][4*k%n] / n
	}
	return 10 * spread, 20 * math.Hypot(c, s)
}

// voteAt is vote at other shares of the radius.
func (e *edgePlane) voteAt(x, y, r float64, shares []float64) float64 {
	radii := e.radii[:len(shares)]
	for k, s := range shares {
		radii[k] = s * r
	}
	noise := float32(len(shares)) * 2 * float32(e.noise)
	return float64(kernels.RoundVote(e.j, e.n, [2]float64{x + 0.5, y + 0.5}, radii, &cosSin, &turned, noise)) / bubbleDirs
}

// energy is the median gradient along the circle.
func (e *edgePlane) energy(x, y, r, s0, s1 float64) float64 {
	var g [bubbleDirs]float64
	for k, cos := range cosSin[0] {
		for _, s := range [2]float64{s0, s1} {
			px, py := x+s*r*cos, y+s*r*cosSin[1][k]
			i := int(py+0.5)*e.n + int(px+0.5)
			g[k] = max(g[k], float64(e.j[i][2]))
		}
	}
	return math.Sqrt(order.Nth(g[:], bubbleDirs/2))
}

// score is the chance that a candidate is a bubble: logistic regression on the
// cues, their squares and their products.
func (q *bubbleCandidate) weigh() {
	var z [bubbleCueCount + 1]float64
	z[0] = 1
	for i, c := range q.cues {
		z[i+1] = math.Max(-3.5, math.Min(3.5, (c-bubbleCueMean[i])/bubbleCueSpread[i]))
	}
	s := 0.0
	for i := range z {
		for j := i; j < len(z); j++ {
			s += bubbleWeights[i][j] * z[i] * z[j]
		}
	}
	q.score = 1 / (1 + math.Exp(-s))
}

// Limits of the decision about bubbles.
const (
	// bubbleCandidatesMost is how many circles are looked at closely: of 77 bubbles
	// in rendered photos none came later than fifteenth, and three in four among the
	// first three.
	bubbleCandidatesMost = 15
	// bubbleLimit is the score from which a circle is a bubble: where about nine
	// in ten found are, on the photos that the weights were found on.
	bubbleLimit = 0.45
	// bubbleRadiusLeast is the least radius of a marble, px, that shows one, and
	// bubbleBlurMost the greatest blur, as a share of the radius.
	bubbleRadiusLeast = 22.0
	bubbleBlurMost    = 0.06
	// bubbleClearLeast is the chance that the glass is clear below which none is
	// looked for: where it is doubtful, a ring that is seen plainly speaks for
	// clear glass.
	bubbleClearLeast = 0.35
)

// settle takes the radius as the mean of those nearby, by their scores: one
// circle's vote may stop at an inner edge of the ring.
func (q *bubbleCandidate) settle(e *edgePlane) {
	var sw, sr float64
	for _, k := range [7]float64{0.76, 0.83, 0.91, 1, 1.1, 1.2, 1.32} {
		o := *q
		o.r *= k
		o.vote = e.vote(o.x, o.y, o.r)
		o.look(e)
		sw += o.score
		sr += o.score * o.r
	}
	q.r = sr / sw
}

// findBubble looks for a large bubble near the middle of clear or tinted
// glass.
func findBubble(a *Analysis) (b Bubble) {
	f := a.Face
	switch {
	case a.Parts.Usable == 0:
		b.Why = tooLittleSeen
	case a.Glass.NotOpaque < 0.5:
		b.Why = "opaque glass hides what lies inside"
	case a.Glass.Clear < bubbleClearLeast:
		b.Why = "cloudy glass hides what lies inside"
	case f.Radius < bubbleRadiusLeast:
		b.Why = "the marble has too few pixels to show a bubble"
	case f.BlurShare > bubbleBlurMost:
		b.Why = "the photo is too blurred to show a bubble"
	}
	if b.Why != "" {
		return b
	}
	b.Looked = true
	e, all := bubbleCandidates(f, bubbleCandidatesMost)
	defer e.close()
	var best bubbleCandidate
	for _, q := range all {
		if q.score > best.score {
			best = q
		}
	}
	if best.score < bubbleLimit {
		b.Sure = 1 - best.score
		return b
	}
	best.settle(e)
	c := float64(e.n-1) / 2
	b.Present, b.Sure = true, best.score
	b.X, b.Y, b.R = (best.x-c)/e.radius, (best.y-c)/e.radius, best.r/e.radius
	b.DiameterR, b.FromMiddleR = 2*b.R/throughSurface, math.Hypot(b.X, b.Y)/throughSurface
	return b
}
