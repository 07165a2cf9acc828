package features

import "math"

// contours are the lines at level 0.5 of a field on an n x n grid, by marching
// squares with linear interpolation (W. E. Lorensen and H. E. Cline, Computer
// Graphics 21(4) (1987) 163-169, in two dimensions); at a saddle the high
// corners are kept apart. Places in cells, x right and y down. A closed line
// repeats its first place at the end.
func contours(n int, field []float64) [][][2]float64 {
	const level = 0.5
	high := flags.take(n * n)
	defer flags.give(high)
	for i, v := range field[:n*n] {
		high[i] = v > level
	}
	lines, _ := outlines(n, high, func(i, j int) float64 { return (level - field[i]) / (field[j] - field[i]) })
	return lines
}

// edge is what lies on the way between two neighbouring cells: the number plus one
// of the edge that the line goes on to, the high side towards (-dy, dx), 0 for
// none; whether it comes from another; and whether it was followed.
type edge struct {
	next       int32
	prev, done bool
}

// edgePool lends slices that hold nothing, and gets them back so.
var edgePool buffers[edge]

// outlines are contours around the cells that are high; between gives how far
// from cell i to its neighbour j a line passes. The lines lie in room, which is lent.
func outlines(n int, high []bool, between func(i, j int) float64) (lines [][][2]float64, room [][2]float64) {
	// An edge between cell i and its right (2i) or lower (2i+1) neighbour.
	place := func(e int) [2]float64 {
		i := e / 2
		row := int(uint32(i) / uint32(n))
		x, y := float64(i-row*n), float64(row)
		if e%2 == 1 {
			return [2]float64{x, y + between(i, i+n)}
		}
		return [2]float64{x + between(i, i+1), y}
	}
	edges := edgePool.take(2 * n * n)
	starts := ints.list(2048)
	defer func() {
		for _, e := range starts {
			last := &edges[edges[e].next-1]
			last.prev, last.done = false, false
		}
		for _, e := range starts {
			edges[e] = edge{}
		}
		edgePool.give(edges)
		ints.give(starts)
	}()
	for y := 0; y+1 < n; y++ {
		up, down := high[y*n:(y+1)*n], high[(y+1)*n:(y+2)*n]
		for x := 0; x+1 < n; x++ {
			i := y*n + x
			s := one(up[x]) | one(up[x+1])<<1 | one(down[x+1])<<2 | one(down[x])<<3
			if s == 0 || s == 15 {
				continue
			}
			top, right, bottom, left := 2*i, 2*(i+1)+1, 2*(i+n), 2*i+1
			link := func(a, b int) {
				edges[a].next, edges[b].prev = int32(b+1), true
				starts = append(starts, int32(a))
			}
			switch s {
			case 1:
				link(top, left)
			case 2:
				link(right, top)
			case 3:
				link(right, left)
			case 4:
				link(bottom, right)
			case 5:
				link(top, left)
				link(bottom, right)
			case 6:
				link(bottom, top)
			case 7:
				link(bottom, left)
			case 8:
				link(left, bottom)
			case 9:
				link(top, bottom)
			case 10:
				link(right, top)
				link(left, bottom)
			case 11:
				link(right, bottom)
			case 12:
				link(left, right)
			case 13:
				link(top, right)
			case 14:
				link(left, top)
			}
		}
	}
	room = pairsPool.list(2 * len(starts))
	walk := func(e int32) {
		from := len(room)
		room = append(room, place(int(e)))
		edges[e].done = true
		for edges[e].next > 0 {
			e = edges[e].next - 1
			room = append(room, place(int(e)))
			if edges[e].done {
				break
			}
			edges[e].done = true
		}
		lines = append(lines, room[from:])
	}
	for _, e := range starts { // open lines from their first end
		if !edges[e].prev && !edges[e].done {
			walk(e)
		}
	}
	for _, e := range starts {
		if !edges[e].done {
			walk(e)
		}
	}
	return lines, room
}

func lineLength(l [][2]float64) float64 {
	s := 0.0
	for i := 1; i < len(l); i++ {
		s += math.Hypot(l[i][0]-l[i-1][0], l[i][1]-l[i-1][1])
	}
	return s
}

// Roughness of borders: flames and scallops.
type Roughness struct {
	// Fine and Coarse are how much longer the ribbons' borders are than the
	// same borders smoothed, as shares: Fine is what goes between smoothing by
	// fineR and mediumR, Coarse between mediumR and coarseR.
	Fine, Coarse float64
}

// Scales of smoothing along a border (standard deviation of a Gaussian),
// radii: the first takes off the pixel grid.
const fineR, mediumR, coarseR = 0.03, 0.10, 0.25

// borderLine is a part of the border between ribbons and base: places on the disc
// in radii, stepR apart; a closed one goes on at its beginning.
type borderLine struct {
	at     [][2]float64
	closed bool
}

// smooth is the line smoothed along it; out has room for its places.
func (b borderLine) smooth(out [][2]float64, by *gaussian) borderLine {
	return borderLine{by.along(out, b.at, b.closed), b.closed}
}

// length is that on the disc, radii.
func (b borderLine) length() float64 {
	s := lineLength(b.at)
	if n := len(b.at); b.closed && n > 1 {
		s += math.Hypot(b.at[0][0]-b.at[n-1][0], b.at[0][1]-b.at[n-1][1])
	}
	return s
}

// unrolled are the places on the sphere; of a closed line once round and extra
// places more. The buffer is lent.
func (b borderLine) unrolled(extra int) [][3]float64 {
	n := len(b.at)
	if b.closed {
		n += min(extra, n)
	}
	out := triples.list(n)
	for at := b.at; len(out) < n; at = b.at[:n-len(out)] {
		for _, q := range at {
			out = append(out, [3]float64{q[0], q[1], math.Sqrt(math.Max(0, 1-q[0]*q[0]-q[1]*q[1]))})
		}
	}
	return out
}

// borders are the borders between ribbons and base that are seen; they lie in room,
// which is lent.
func (m *colourMap) borders(p *Parts) (borders []borderLine, room [][2]float64) {
	mask := m.mask(func(o int8) bool { return o >= 0 && int(o) != p.Base })
	lines, places := outlines(m.n, mask, func(i, j int) float64 { return 0.5 })
	visible := flags.take(len(places))
	run := pairsPool.list(len(places))
	defer func() {
		flags.give(mask, visible)
		pairsPool.give(places, run)
	}()
	room = pairsPool.list(2048)
	keep := func(line [][2]float64, closed bool) {
		from := len(room)
		if room = resample(room, line, stepR); len(room)-from > 2 {
			borders = append(borders, borderLine{room[from:], closed})
		} else {
			room = room[:from]
		}
	}
	mid := float64(m.n-1) / 2
	for _, l := range lines {
		seen := visible[:len(l)]
		broken := -1
		for i, q := range l {
			x, y := (q[0]-mid)/m.radius, (q[1]-mid)/m.radius
			l[i] = [2]float64{x, y}
			seen[i] = x*x+y*y <= borderWithin*borderWithin && m.far2[m.cell(x, y)] <= sq(1.5)
			if !seen[i] {
				broken = i
			}
		}
		first := 0
		if closed := l[0] == l[len(l)-1]; closed {
			if broken < 0 {
				keep(l, true)
				continue
			}
			// Begin where it breaks off, not in the middle of a part.
			l, first = l[:len(l)-1], broken
		}
		run = run[:0]
		for k := range l {
			i := first + k
			if i >= len(l) {
				i -= len(l)
			}
			if seen[i] {
				run = append(run, l[i])
				continue
			}
			keep(run, false)
			run = run[:0]
		}
		keep(run, false)
	}
	return borders, room
}

// borderWithin is how much of the face, in radii, borders are followed over.
const borderWithin = 0.87

// borderRoughness compares the length of borders at three scales of smoothing
// along them; ok is false where there is less than a radius of border.
func borderRoughness(borders []borderLine) (r Roughness, ok bool) {
	var lengths [3]float64
	for _, l := range borders {
		if float64(len(l.at))*stepR > 2*coarseR {
			out := pairsPool.take(len(l.at))
			for k, by := range [3]*gaussian{fineBy, mediumBy, coarseBy} {
				lengths[k] += l.smooth(out, by).length()
			}
			pairsPool.give(out)
		}
	}
	a, b, c := lengths[0], lengths[1], lengths[2]
	if c < 1 {
		return r, false
	}
	return Roughness{Fine: math.Max(0, a/b-1), Coarse: math.Max(0, b/c-1)}, true
}
