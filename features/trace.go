package features

import (
	"math"
	"slices"
	"sort"

	"tawsight/internal/kernels"
)

// Limits of tracing, in radii unless said otherwise.
const (
	// padShare is how far the colours are carried on past the outline, so that
	// a ribbon cut by the rim has its middle line running off the face instead
	// of forking to the corners of the cut.
	padShare = 0.25
	// bridged is how far from a colour that is seen a middle line may run: a
	// reflection up to twice as wide is bridged.
	bridged = 0.12
	// speckR is the radius of the disc below whose area a piece or a hole is
	// noise.
	speckR = 0.06
	// straightOn is how far, degrees, a line may bend where branches meet and
	// still be one line.
	straightOn = 60.0
	// stepR is the distance between the places of a traced line, before
	// foreshortening; smoothR the standard deviation of the smoothing along it,
	// which takes off the pixel grid's stairs.
	stepR, smoothR = 0.025, 0.04
	// leastLineR is the shortest line that is kept.
	leastLineR = 0.12
)

// colourMap is which colour lies where, every gap filled by the nearest colour
// that is seen, on a grid that reaches padShare past the face's square.
type colourMap struct {
	n, pad int
	radius float64 // px
	of     []int8
	far2   []float64 // squared distance, px, of the nearest pixel that is seen; 0 there
	pieces int       // of ribbon, counted by traceLines
	runs   []run     // see stretches
}

// carry fills a face's colour map.
func carry(f *Face, p *Parts) *colourMap {
	pad := int(math.Ceil(padShare * f.Radius))
	m := &colourMap{pad: pad, n: f.Size + 2*pad, radius: f.Radius}
	m.of = colourPool.take(m.n * m.n)
	for i := range m.of {
		m.of[i] = -1
	}
	site := flags.zeroed(m.n * m.n)
	for y := range f.Size {
		at := (y+pad)*m.n + pad
		for x, o := range p.Of[y*f.Size : (y+1)*f.Size] {
			m.of[at+x], site[at+x] = o, o >= 0
		}
	}
	var nearest []int32
	m.far2, nearest = distanceTransform(m.n, site)
	// Cells that are seen are their own nearest.
	for i, o := range nearest {
		if o >= 0 {
			m.of[i] = m.of[o]
		}
	}
	flags.give(site)
	ints.give(nearest)
	return m
}

// close gives the buffers back.
func (m *colourMap) close() {
	colourPool.give(m.of)
	runPool.give(m.runs)
	floats.give(m.far2)
}

func sq(v float64) float64 { return v * v }

// xy is the place of cell i in radii from the marble's middle.
func (m *colourMap) xy(i int) [2]float64 {
	c := float64(m.n-1) / 2
	return [2]float64{(float64(i%m.n) - c) / m.radius, (float64(i/m.n) - c) / m.radius}
}

// cell is the cell at a place, -1 off the grid.
func (m *colourMap) cell(x, y float64) int {
	c := float64(m.n-1) / 2
	u, v := x*m.radius+c+0.5, y*m.radius+c+0.5
	if !(u >= 0 && v >= 0 && u < float64(m.n) && v < float64(m.n)) {
		return -1
	}
	return int(v)*m.n + int(u)
}

// mask is one colour's cells without specks and with pinholes filled; the
// border of the grid is unset. The buffer is lent.
func (m *colourMap) mask(in func(o int8) bool) []bool {
	n := m.n
	var is [256]bool
	for o := -1; o < maxColours; o++ {
		is[uint8(int8(o))] = in(int8(o))
	}
	runs := runPool.list(2048)
	for _, r := range m.stretches() {
		if !is[uint8(m.of[int(r.y)*n+int(r.x0)])] {
			continue
		}
		if k := len(runs) - 1; k >= 0 && runs[k].y == r.y && runs[k].x1 == r.x0 {
			runs[k].x1 = r.x1
			continue
		}
		runs = append(runs, r)
	}
	least := int32(math.Pi * speckR * speckR * m.radius * m.radius)
	sizeUp(n, runs, true)
	mask := flags.zeroed(n * n)
	kept := runPool.list(len(runs))
	put := func(r run) {
		row := mask[int(r.y)*n+int(r.x0) : int(r.y)*n+int(r.x1)]
		for x := range row {
			row[x] = true
		}
	}
	for _, r := range runs {
		if runs[r.to].size >= least {
			kept = append(kept, r)
			put(r)
		}
	}
	holes := gaps(n, kept)
	sizeUp(n, holes, false)
	for _, r := range holes {
		if holes[r.to].size < least {
			put(r)
		}
	}
	runPool.give(runs, kept, holes)
	return mask
}

// stretches are the runs of cells of one colour, the grid's border left out. They
// are found once.
func (m *colourMap) stretches() []run {
	if m.runs == nil {
		n := m.n
		m.runs = runPool.list(2048)
		for y := 1; y < n-1; y++ {
			row := m.of[y*n : (y+1)*n-1]
			for x := 1; x < len(row); {
				from, o := x, row[x]
				for x++; x < len(row) && row[x] == o; x++ {
				}
				m.runs = append(m.runs, run{y: int32(y), x0: int32(from), x1: int32(x)})
			}
		}
	}
	return m.runs
}

// piecesOf is the number of separate pieces of a mask that are seen inside the
// rim and larger than a speck.
func (m *colourMap) piecesOf(mask []bool) int {
	n := m.n
	least := int32(math.Pi * speckR * speckR * m.radius * m.radius)
	runs := runPool.list(1024)
	// Within the rim, to both sides of the middle of each row.
	c := float64(n-1) / 2
	for y := 1; y < n-1; y++ {
		up := (float64(y) - c) / m.radius
		inside := func(x int) bool {
			v := (float64(x) - c) / m.radius
			return v*v+up*up < RimFrom*RimFrom
		}
		half := math.Sqrt(math.Max(0, RimFrom*RimFrom-up*up)) * m.radius
		from, to := max(1, int(c-half)-1), min(n-1, int(c+half)+3)
		for from < to && !inside(from) {
			from++
		}
		for from < to && !inside(to-1) {
			to--
		}
		row := mask[y*n : y*n+to]
		for x := from; x < to; x++ {
			if !row[x] {
				continue
			}
			r := run{y: int32(y), x0: int32(x)}
			for x++; x < to && row[x]; x++ {
			}
			r.x1 = int32(x)
			runs = append(runs, r)
		}
	}
	join(runs, true)
	count := 0
	for i := range runs {
		r := &runs[i]
		for _, d := range m.far2[int(r.y)*n+int(r.x0) : int(r.y)*n+int(r.x1)] {
			if d == 0 {
				runs[r.to].size++
			}
		}
	}
	for i := range runs {
		if int(runs[i].to) == i && runs[i].size >= least {
			count++
		}
	}
	runPool.give(runs)
	return count
}

// branch is a run of a skeleton's cells between two nodes (indices into a
// graph's nodes, -1 for a free end), nodes' own cells left out.
type branch struct {
	cells []int
	ends  [2]int
}

// graph is a skeleton's branches and the places where three or more meet.
type graph struct {
	nodes    [][]int // cells of each
	branches []branch
}

// skeletonGraph takes a thinned mask apart, whose cells set are set. node and done
// are as long as the mask and hold nothing, before and afterwards.
func skeletonGraph(n int, mask []bool, set, node []int32, done []bool) graph {
	var g graph
	// Nodes' numbers plus one, 0 for none, are in node.
	defer func() {
		for _, i := range set {
			node[i], done[i] = 0, false
		}
	}()
	var stack []int
	for _, i := range set {
		i := int(i)
		if node[i] > 0 || degree(n, mask, i) < 3 {
			continue
		}
		id := int32(len(g.nodes) + 1)
		stack = append(stack[:0], i)
		node[i] = id
		var cells []int
		for len(stack) > 0 {
			j := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			cells = append(cells, j)
			for k := range 8 {
				o := j + ringDY[k]*n + ringDX[k]
				if mask[o] && node[o] == 0 && degree(n, mask, o) >= 3 {
					node[o] = id
					stack = append(stack, o)
				}
			}
		}
		g.nodes = append(g.nodes, cells)
	}
	// No cell is in two branches.
	room := make([]int, 0, len(set))
	// follow runs on from cell i, coming from cell prev, to an end or a node.
	follow := func(prev, i int) (cells []int, end int) {
		var by [8]int
		from := len(room)
		for {
			room = append(room, i)
			done[i] = true
			next := -1
			end = -1
			for _, j := range steps(n, mask, i, &by) {
				if j == prev {
					continue
				}
				if id := node[j]; id > 0 {
					// A node next to the start is where the branch came from.
					if len(room)-from > 1 || prev < 0 || node[prev] != id {
						end = int(id) - 1
					}
				} else if !done[j] {
					next = j
				}
			}
			if end >= 0 || next < 0 {
				return room[from:len(room):len(room)], end
			}
			prev, i = i, next
		}
	}
	var by [8]int
	for id, cells := range g.nodes {
		for _, c := range cells {
			for _, j := range steps(n, mask, c, &by) {
				if node[j] > 0 || done[j] {
					continue
				}
				run, end := follow(c, j)
				g.branches = append(g.branches, branch{run, [2]int{id, end}})
			}
		}
	}
	for _, ring := range [2]bool{false, true} { // lines with two free ends, then rings
		for _, i := range set {
			i := int(i)
			if !done[i] && node[i] == 0 && (ring || degree(n, mask, i) <= 1) {
				run, end := follow(-1, i)
				g.branches = append(g.branches, branch{run, [2]int{-1, end}})
			}
		}
	}
	return g
}

// prune thins a mask and takes off spurs: branches with a free end that a bump
// or a corner of the outline makes, not a ribbon. d is the distance to the
// outline. A spur is no longer than the ribbon's half width where it
// leaves, or runs into a corner: its distance to the outline falls towards
// nothing along it and it is no longer than the corner of a fold of
// 2 asin(1/3) = 39 degrees would be. Or it is where the two legs of a fold run
// together before they turn: no longer than two widths, with both legs on the
// other side, less than foldDeg apart. The graph that is left is given.
func prune(n int, mask []bool, d depth) graph {
	set := thin(n, mask)
	var g graph
	node, done := ints.zeroed(len(mask)), flags.zeroed(len(mask))
	defer func() {
		ints.give(set, node)
		flags.give(done)
	}()
	for round := 0; ; round++ {
		g = skeletonGraph(n, mask, set, node, done)
		if round == pruneRounds {
			return g
		}
		// The shortest of each node, so that a fork never loses both its arms.
		drop := make([]int, len(g.nodes)) // branches' numbers plus one
		any := false
		for k, b := range g.branches {
			at := b.ends[0]
			if at < 0 {
				at = b.ends[1]
			}
			if at < 0 || b.ends[0] >= 0 && b.ends[1] >= 0 {
				continue
			}
			half, sum := 0.0, 0.0
			for _, i := range g.nodes[at] {
				half = math.Max(half, d.at(i))
			}
			for _, i := range b.cells {
				sum += d.at(i)
			}
			free := b.cells[len(b.cells)-1]
			if b.ends[0] < 0 {
				free = b.cells[0]
			}
			length := float64(len(b.cells))
			corner := d.at(free) < math.Max(2, 0.35*half) && sum/length < 0.65*half && length < 3*half
			if length > 1.1*half && !corner && !(length < 4*half && g.foldTip(n, k, at, half)) {
				continue
			}
			if o := drop[at]; o == 0 || len(b.cells) < len(g.branches[o-1].cells) {
				drop[at], any = k+1, true
			}
		}
		if !any {
			return g
		}
		for _, k := range drop {
			if k > 0 {
				for _, i := range g.branches[k-1].cells {
					mask[i] = false
				}
			}
		}
		ints.give(set)
		set = thin(n, mask)
	}
}

// pruneRounds is how many times spurs are looked for.
const pruneRounds = 6

// foldDeg is how far apart, degrees, the legs of a fold are at most that run
// together at its tip.
const foldDeg = 75.0

// heading is the direction, radians, in which branch k leaves its end e, seen
// from the middle (cx, cy) of the node there; half is the ribbon's half width.
func (g *graph) heading(n, k, e int, cx, cy, half float64) float64 {
	c := g.branches[k].cells
	j := min(len(c)-1, int(math.Max(4, 1.5*half)))
	if e == 1 {
		j = len(c) - 1 - j
	}
	return math.Atan2(float64(c[j]/n)-cy, float64(c[j]%n)-cx)
}

// centre is the middle of a node.
func (g *graph) centre(n, id int) (cx, cy float64) {
	for _, i := range g.nodes[id] {
		cx += float64(i%n) / float64(len(g.nodes[id]))
		cy += float64(i/n) / float64(len(g.nodes[id]))
	}
	return cx, cy
}

// foldTip says that branch k, which ends free, is the tip of a fold: just two
// others leave its node, side by side and away from it.
func (g *graph) foldTip(n, k, id int, half float64) bool {
	cx, cy := g.centre(n, id)
	var legs []float64
	tip := 0.0
	for j, b := range g.branches {
		for e := range 2 {
			if b.ends[e] != id {
				continue
			}
			if a := g.heading(n, j, e, cx, cy, half); j == k {
				tip = a
			} else {
				legs = append(legs, a)
			}
		}
	}
	apart := func(a, b float64) float64 { return math.Abs(math.Remainder(a-b, 2*math.Pi)) * 180 / math.Pi }
	return len(legs) == 2 && apart(legs[0], legs[1]) < foldDeg && apart(legs[0], tip) > 90 && apart(legs[1], tip) > 90
}

// chains joins a skeleton's branches through its nodes, the straightest pair
// first, and gives each line's cells from end to end.
func (g *graph) chains(n int, d depth) [][]int {
	type tip struct{ branch, end int }
	tips := make([][]tip, len(g.nodes))
	for k, b := range g.branches {
		for e, id := range b.ends {
			if id >= 0 {
				tips[id] = append(tips[id], tip{k, e})
			}
		}
	}
	// What each end of each branch goes on to; branch -1 for nothing.
	mates := make([][2]tip, len(g.branches))
	for k := range mates {
		mates[k] = [2]tip{{-1, 0}, {-1, 0}}
	}
	mated := func(t tip) (tip, bool) { m := mates[t.branch][t.end]; return m, m.branch >= 0 }
	middle := make([]int, len(g.nodes))
	for id, cells := range g.nodes {
		half := 0.0
		for _, i := range cells {
			half = math.Max(half, d.at(i))
		}
		cx, cy := g.centre(n, id)
		middle[id] = int(math.Round(cy))*n + int(math.Round(cx))
		heading := func(t tip) float64 { return g.heading(n, t.branch, t.end, cx, cy, half) }
		type pair struct {
			a, b tip
			bend float64
		}
		var pairs []pair
		for i, a := range tips[id] {
			for _, b := range tips[id][i+1:] {
				bend := math.Abs(math.Remainder(heading(a)-heading(b)+math.Pi, 2*math.Pi))
				if bend < straightOn*math.Pi/180 {
					pairs = append(pairs, pair{a, b, bend})
				}
			}
		}
		sort.SliceStable(pairs, func(i, j int) bool { return pairs[i].bend < pairs[j].bend })
		for _, p := range pairs {
			if _, ok := mated(p.a); ok {
				continue
			}
			if _, ok := mated(p.b); ok {
				continue
			}
			mates[p.a.branch][p.a.end], mates[p.b.branch][p.b.end] = p.b, p.a
		}
	}
	used := make([]bool, len(g.branches))
	// run goes from the branch of t away from its end t.end.
	run := func(t tip) []int {
		var out []int
		for {
			b := g.branches[t.branch]
			used[t.branch] = true
			from := len(out)
			out = append(out, b.cells...)
			if t.end == 1 {
				slices.Reverse(out[from:])
			}
			far := tip{t.branch, 1 - t.end}
			id := b.ends[far.end]
			if id < 0 {
				return out
			}
			out = append(out, middle[id])
			next, ok := mated(far)
			if !ok || used[next.branch] {
				return out
			}
			t = next
		}
	}
	var out [][]int
	start := func(k, e int) {
		line := run(tip{k, e})
		if id := g.branches[k].ends[e]; id >= 0 {
			line = append([]int{middle[id]}, line...)
		}
		out = append(out, line)
	}
	for k := range g.branches {
		for e := range 2 {
			if _, ok := mated(tip{k, e}); !ok && !used[k] {
				start(k, e)
			}
		}
	}
	for k := range g.branches { // rings
		if !used[k] {
			start(k, 0)
		}
	}
	return out
}

// resample appends a line's places at even steps to out.
func resample(out, at [][2]float64, step float64) [][2]float64 {
	if len(at) < 2 {
		return out
	}
	out = append(out, at[0])
	left := step
	for i := 1; i < len(at); i++ {
		a, b := &at[i-1], &at[i]
		dx, dy := b[0]-a[0], b[1]-a[1]
		l := math.Hypot(dx, dy)
		t := left
		for ; t <= l; t += step {
			out = append(out, [2]float64{a[0] + dx*t/l, a[1] + dy*t/l})
		}
		left = t - l
	}
	return out
}

// gaussian are the weights of a Gaussian at places stepR apart along a line, out to
// three standard deviations to both sides, and their sum.
type gaussian struct {
	weights []float64
	sum     float64
}

func newGaussian(sigma float64) *gaussian {
	reach := int(math.Ceil(3 * sigma / stepR))
	g := &gaussian{weights: make([]float64, 2*reach+1)}
	for k := range g.weights {
		u := math.Abs(float64(k-reach)) * stepR / sigma
		g.weights[k] = math.Exp(-u * u / 2)
		g.sum += g.weights[k]
	}
	return g
}

// By the scales that lines are smoothed at.
var smoothBy, fineBy, mediumBy, coarseBy = newGaussian(smoothR), newGaussian(fineR), newGaussian(mediumR), newGaussian(coarseR)

// along smooths a line of places stepR apart along it, its ends held by point
// reflection; a closed line goes on at its beginning. out has room for the places.
func (g *gaussian) along(out, even [][2]float64, closed bool) [][2]float64 {
	n := len(even)
	if n < 3 {
		return even
	}
	reach := len(g.weights) / 2
	// The line with what goes on past its ends.
	long := pairsPool.take(n + 2*reach)
	defer pairsPool.give(long)
	copy(long[reach:], even)
	for k := 1; k <= reach; k++ {
		before, after := &long[reach-k], &long[reach+n-1+k]
		if closed {
			*before, *after = even[((-k%n)+n)%n], even[(n-1+k)%n]
			continue
		}
		a, b := even[min(n-1, k)], even[max(0, n-1-k)]
		*before = [2]float64{2*even[0][0] - a[0], 2*even[0][1] - a[1]}
		*after = [2]float64{2*even[n-1][0] - b[0], 2*even[n-1][1] - b[1]}
	}
	out = out[:n]
	kernels.Average(out, long, g.weights, g.sum)
	return out
}

var pairsPool buffers[[2]float64]

// trimEnds shortens a line at both ends to where its distance to the outline
// first reaches endShare of the median: how far into a round or a cut end a
// thinned line runs depends on the grid.
func trimEnds(cells []int, d depth) []int {
	v := make([]float64, len(cells))
	for j, i := range cells {
		v[j] = d.at(i)
	}
	sort.Float64s(v)
	least := endShare * quantile(v, 0.5)
	for len(cells) > 2 && d.at(cells[0]) < least {
		cells = cells[1:]
	}
	for len(cells) > 2 && d.at(cells[len(cells)-1]) < least {
		cells = cells[:len(cells)-1]
	}
	return cells
}

// endShare: see trimEnds.
const endShare = 0.8

// traceLines are the middle lines of every ribbon colour.
func traceLines(m *colourMap, p *Parts) []Line {
	var out []Line
	for k := range p.Colours {
		if k == p.Base {
			continue
		}
		mask := m.mask(func(o int8) bool { return int(o) == k })
		m.pieces += m.piecesOf(mask)
		// The rows that it covers, and an unset one on both sides.
		from, to := rowsOf(m.n, mask)
		if from == to {
			flags.give(mask)
			continue
		}
		part, above := mask[(from-1)*m.n:(to+1)*m.n], (from-1)*m.n
		d := depthOf(m.n, part)
		g := prune(m.n, part, d)
		for _, cells := range g.chains(m.n, d) {
			cells = trimEnds(cells, d)
			at := pairsPool.list(len(cells))
			for _, i := range cells {
				at = append(at, m.xy(above+i))
			}
			even := resample(pairsPool.list(2*len(cells)), at, stepR)
			room := pairsPool.take(len(even))
			// What runs over the rim or far into a reflection isn't known.
			from, known := 0, smoothBy.along(room, even, false)
			for j := range len(known) + 1 {
				if j < len(known) && m.knows(known[j]) {
					continue
				}
				if part := known[from:j]; float64(len(part)-1)*stepR >= leastLineR {
					out = append(out, m.line(k, part, d, above))
				}
				from = j + 1
			}
			pairsPool.give(at, even, room)
		}
		ints.give(d.across)
		flags.give(mask)
	}
	return out
}

// knows says that a place is neither over the rim nor far into a reflection.
func (m *colourMap) knows(q [2]float64) bool {
	if q[0]*q[0]+q[1]*q[1] > RimFrom*RimFrom {
		return false
	}
	c := m.cell(q[0], q[1])
	return c >= 0 && m.far2[c] <= sq(bridged*m.radius)
}

// line is the middle line of a ribbon of colour k through places on the disc; d is
// the distance to the ribbon's outline from the grid's cell above on.
func (m *colourMap) line(k int, at [][2]float64, d depth, above int) Line {
	l := Line{Colour: k, At: slices.Clone(at), Dir: make([][3]float64, len(at)), Width: make([]float64, len(at))}
	for i, q := range at {
		l.Dir[i] = [3]float64{q[0], q[1], math.Sqrt(1 - (q[0]*q[0] + q[1]*q[1]))}
		l.Width[i] = 2 * d.at(m.cell(q[0], q[1])-above) / m.radius
	}
	return l
}

// rowsOf are the rows of a mask n cells wide that hold set cells, from the first
// up to the one after the last; both 0 where there are none.
func rowsOf(n int, mask []bool) (from, to int) {
	first := slices.Index(mask, true)
	if first < 0 {
		return 0, 0
	}
	last := len(mask) - 1
	for !mask[last] {
		last--
	}
	return first / n, last/n + 1
}
