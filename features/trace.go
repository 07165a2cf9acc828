package features

import (
	"math"
	"slices"
	"sort"
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
	far    []float64 // px to the nearest pixel that is seen; 0 there
	pieces int       // of ribbon, counted by traceLines
}

// carry fills a face's colour map.
func carry(f *Face, p *Parts) *colourMap {
	pad := int(math.Ceil(padShare * f.Radius))
	m := &colourMap{pad: pad, n: f.Size + 2*pad, radius: f.Radius}
	at := func(i int) int8 {
		x, y := i%m.n-pad, i/m.n-pad
		if x < 0 || y < 0 || x >= f.Size || y >= f.Size {
			return -1
		}
		return p.Of[y*f.Size+x]
	}
	var nearest []int32
	m.far, nearest = distanceTransform(m.n, func(i int) bool { return at(i) >= 0 })
	m.of = make([]int8, m.n*m.n)
	for i := range m.of {
		m.of[i] = -1
		if nearest[i] >= 0 {
			m.of[i] = at(int(nearest[i]))
		}
	}
	return m
}

// xy is the place of cell i in radii from the marble's middle.
func (m *colourMap) xy(i int) [2]float64 {
	c := float64(m.n-1) / 2
	return [2]float64{(float64(i%m.n) - c) / m.radius, (float64(i/m.n) - c) / m.radius}
}

// cell is the cell at a place, -1 off the grid.
func (m *colourMap) cell(x, y float64) int {
	c := float64(m.n-1) / 2
	u, v := int(math.Round(x*m.radius+c)), int(math.Round(y*m.radius+c))
	if u < 0 || v < 0 || u >= m.n || v >= m.n {
		return -1
	}
	return v*m.n + u
}

// mask is one colour's cells without specks and with pinholes filled; the
// border of the grid is unset.
func (m *colourMap) mask(in func(o int8) bool) []bool {
	n := m.n
	mask := make([]bool, n*n)
	for y := 1; y < n-1; y++ {
		for x := 1; x < n-1; x++ {
			mask[y*n+x] = in(m.of[y*n+x])
		}
	}
	least := int(math.Pi * speckR * speckR * m.radius * m.radius)
	seen := make([]bool, n*n)
	for _, set := range [2]bool{true, false} {
		clear(seen)
		var piece []int
		for i := range mask {
			if mask[i] != set || seen[i] {
				continue
			}
			piece = append(piece[:0], i)
			seen[i] = true
			for k := 0; k < len(piece); k++ {
				j := piece[k]
				x, y := j%n, j/n
				if x == 0 || y == 0 || x == n-1 || y == n-1 {
					continue
				}
				for q := 0; q < 8; q++ {
					if !set && q%2 == 1 { // a gap needs more than a corner
						continue
					}
					if o := j + ringDY[q]*n + ringDX[q]; mask[o] == set && !seen[o] {
						seen[o] = true
						piece = append(piece, o)
					}
				}
			}
			if len(piece) < least {
				for _, j := range piece {
					if x, y := j%n, j/n; x > 0 && y > 0 && x < n-1 && y < n-1 {
						mask[j] = !set
					}
				}
			}
		}
	}
	return mask
}

// piecesOf is the number of separate pieces of a mask that are seen inside the
// rim and larger than a speck; the mask is used up.
func (m *colourMap) piecesOf(mask []bool) int {
	n := m.n
	count := 0
	least := int(math.Pi * speckR * speckR * m.radius * m.radius)
	var stack []int
	for i := range mask {
		if mask[i] {
			q := m.xy(i)
			mask[i] = q[0]*q[0]+q[1]*q[1] < RimFrom*RimFrom
		}
	}
	for i := range mask {
		if !mask[i] {
			continue
		}
		seen := 0
		stack = append(stack[:0], i)
		mask[i] = false
		for len(stack) > 0 {
			j := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			if m.far[j] == 0 {
				seen++
			}
			for q := range 8 {
				if o := j + ringDY[q]*n + ringDX[q]; mask[o] {
					mask[o] = false
					stack = append(stack, o)
				}
			}
		}
		if seen >= least {
			count++
		}
	}
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

// skeletonGraph takes a thinned mask apart.
func skeletonGraph(n int, mask []bool) graph {
	var g graph
	node := make(map[int]int)
	for i, m := range mask {
		if !m || degree(n, mask, i) < 3 {
			continue
		}
		if _, ok := node[i]; ok {
			continue
		}
		id := len(g.nodes)
		stack := []int{i}
		node[i] = id
		var cells []int
		for len(stack) > 0 {
			j := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			cells = append(cells, j)
			for k := range 8 {
				o := j + ringDY[k]*n + ringDX[k]
				if _, ok := node[o]; !ok && mask[o] && degree(n, mask, o) >= 3 {
					node[o] = id
					stack = append(stack, o)
				}
			}
		}
		g.nodes = append(g.nodes, cells)
	}
	done := make(map[int]bool)
	// follow runs on from cell i, coming from cell prev, to an end or a node.
	follow := func(prev, i int) (cells []int, end int) {
		for {
			cells = append(cells, i)
			done[i] = true
			next := -1
			end = -1
			steps(n, mask, i, func(j int) {
				if j == prev {
					return
				}
				if id, ok := node[j]; ok {
					// A node next to the start is where the branch came from.
					if len(cells) > 1 || prev < 0 || node[prev] != id {
						end = id
					}
				} else if !done[j] {
					next = j
				}
			})
			if end >= 0 || next < 0 {
				return cells, end
			}
			prev, i = i, next
		}
	}
	for id, cells := range g.nodes {
		for _, c := range cells {
			steps(n, mask, c, func(j int) {
				if _, ok := node[j]; ok || done[j] {
					return
				}
				run, end := follow(c, j)
				g.branches = append(g.branches, branch{run, [2]int{id, end}})
			})
		}
	}
	for i, m := range mask {
		if m && !done[i] {
			if _, ok := node[i]; !ok && degree(n, mask, i) <= 1 {
				run, end := follow(-1, i)
				g.branches = append(g.branches, branch{run, [2]int{-1, end}})
			}
		}
	}
	for i, m := range mask { // rings
		if m && !done[i] {
			if _, ok := node[i]; !ok {
				run, end := follow(-1, i)
				g.branches = append(g.branches, branch{run, [2]int{-1, end}})
			}
		}
	}
	return g
}

// prune takes off spurs of a thinned mask: branches with a free end that a
// bump or a corner of the outline makes, not a ribbon. d is the distance to
// the outline. A spur is no longer than the ribbon's half width where it
// leaves, or runs into a corner: its distance to the outline falls towards
// nothing along it and it is no longer than the corner of a fold of
// 2 asin(1/3) = 39 degrees would be. Or it is where the two legs of a fold run
// together before they turn: no longer than two widths, with both legs on the
// other side, less than foldDeg apart.
func prune(n int, mask []bool, d []float64) {
	for range 6 {
		g := skeletonGraph(n, mask)
		// The shortest of each node, so that a fork never loses both its arms.
		drop := make(map[int]branch)
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
				half = math.Max(half, d[i])
			}
			for _, i := range b.cells {
				sum += d[i]
			}
			free := b.cells[len(b.cells)-1]
			if b.ends[0] < 0 {
				free = b.cells[0]
			}
			length := float64(len(b.cells))
			corner := d[free] < math.Max(2, 0.35*half) && sum/length < 0.65*half && length < 3*half
			if length > 1.1*half && !corner && !(length < 4*half && g.foldTip(n, k, at, half)) {
				continue
			}
			if o, ok := drop[at]; !ok || len(b.cells) < len(o.cells) {
				drop[at] = b
			}
		}
		if len(drop) == 0 {
			return
		}
		for _, b := range drop {
			for _, i := range b.cells {
				mask[i] = false
			}
		}
		thin(n, mask)
	}
}

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
func (g *graph) chains(n int, d []float64) [][]int {
	type tip struct{ branch, end int }
	tips := make([][]tip, len(g.nodes))
	for k, b := range g.branches {
		for e, id := range b.ends {
			if id >= 0 {
				tips[id] = append(tips[id], tip{k, e})
			}
		}
	}
	mate := make(map[tip]tip)
	middle := make([]int, len(g.nodes))
	for id, cells := range g.nodes {
		half := 0.0
		for _, i := range cells {
			half = math.Max(half, d[i])
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
			if _, ok := mate[p.a]; ok {
				continue
			}
			if _, ok := mate[p.b]; ok {
				continue
			}
			mate[p.a], mate[p.b] = p.b, p.a
		}
	}
	used := make([]bool, len(g.branches))
	// run goes from the branch of t away from its end t.end.
	run := func(t tip) []int {
		var out []int
		for {
			b := g.branches[t.branch]
			used[t.branch] = true
			c := slices.Clone(b.cells)
			if t.end == 1 {
				slices.Reverse(c)
			}
			out = append(out, c...)
			far := tip{t.branch, 1 - t.end}
			id := b.ends[far.end]
			if id < 0 {
				return out
			}
			out = append(out, middle[id])
			next, ok := mate[far]
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
			if _, ok := mate[tip{k, e}]; !ok && !used[k] {
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

// resample gives a line places at even steps.
func resample(at [][2]float64, step float64) [][2]float64 {
	if len(at) < 2 {
		return nil
	}
	even := [][2]float64{at[0]}
	left := step
	for i := 1; i < len(at); i++ {
		a, b := at[i-1], at[i]
		l := math.Hypot(b[0]-a[0], b[1]-a[1])
		t := left
		for ; t <= l; t += step {
			even = append(even, [2]float64{a[0] + (b[0]-a[0])*t/l, a[1] + (b[1]-a[1])*t/l})
		}
		left = t - l
	}
	return even
}

// smoothAlong smooths a line of evenly spaced places with a Gaussian of
// standard deviation sigma along it, its ends held by point reflection; a
// closed line goes on at its beginning.
func smoothAlong(even [][2]float64, closed bool, step, sigma float64) [][2]float64 {
	n := len(even)
	if n < 3 {
		return even
	}
	reach := int(math.Ceil(3 * sigma / step))
	kernel := make([]float64, reach+1)
	for k := range kernel {
		u := float64(k) * step / sigma
		kernel[k] = math.Exp(-u * u / 2)
	}
	get := func(i int) [2]float64 {
		switch {
		case closed:
			return even[((i%n)+n)%n]
		case i < 0:
			o := even[min(n-1, -i)]
			return [2]float64{2*even[0][0] - o[0], 2*even[0][1] - o[1]}
		case i >= n:
			o := even[max(0, 2*(n-1)-i)]
			return [2]float64{2*even[n-1][0] - o[0], 2*even[n-1][1] - o[1]}
		}
		return even[i]
	}
	out := make([][2]float64, n)
	for i := range out {
		var s [2]float64
		w := 0.0
		for k := -reach; k <= reach; k++ {
			v := get(i + k)
			g := kernel[max(k, -k)]
			w += g
			s[0] += g * v[0]
			s[1] += g * v[1]
		}
		out[i] = [2]float64{s[0] / w, s[1] / w}
	}
	return out
}

// trimEnds shortens a line at both ends to where its distance to the outline
// first reaches endShare of the median: how far into a round or a cut end a
// thinned line runs depends on the grid.
func trimEnds(cells []int, d []float64) []int {
	v := make([]float64, len(cells))
	for j, i := range cells {
		v[j] = d[i]
	}
	sort.Float64s(v)
	least := endShare * quantile(v, 0.5)
	for len(cells) > 2 && d[cells[0]] < least {
		cells = cells[1:]
	}
	for len(cells) > 2 && d[cells[len(cells)-1]] < least {
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
		m.pieces += m.piecesOf(slices.Clone(mask))
		d, _ := distanceTransform(m.n, func(i int) bool { return !mask[i] })
		thin(m.n, mask)
		prune(m.n, mask, d)
		g := skeletonGraph(m.n, mask)
		for _, cells := range g.chains(m.n, d) {
			cells = trimEnds(cells, d)
			at := make([][2]float64, len(cells))
			for j, i := range cells {
				at[j] = m.xy(i)
			}
			at = smoothAlong(resample(at, stepR), false, stepR, smoothR)
			// What runs over the rim or far into a reflection isn't known.
			var part Line
			flush := func() {
				if float64(len(part.At)-1)*stepR >= leastLineR {
					part.Colour = k
					out = append(out, part)
				}
				part = Line{}
			}
			for _, q := range at {
				r2 := q[0]*q[0] + q[1]*q[1]
				c := m.cell(q[0], q[1])
				if r2 > RimFrom*RimFrom || c < 0 || m.far[c] > bridged*m.radius {
					flush()
					continue
				}
				part.At = append(part.At, q)
				part.Dir = append(part.Dir, [3]float64{q[0], q[1], math.Sqrt(1 - r2)})
				part.Width = append(part.Width, 2*d[c]/m.radius)
			}
			flush()
		}
	}
	return out
}
