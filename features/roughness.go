package features

import "math"

// contours are the lines at level 0.5 of a field on an n x n grid, by marching
// squares with linear interpolation (W. E. Lorensen and H. E. Cline, Computer
// Graphics 21(4) (1987) 163-169, in two dimensions); at a saddle the high
// corners are kept apart. Places in cells, x right and y down. A closed line
// repeats its first place at the end.
func contours(n int, field []float64) [][][2]float64 {
	const level = 0.5
	// An edge between cell i and its right (2i) or lower (2i+1) neighbour.
	place := func(e int) [2]float64 {
		i := e / 2
		j := i + 1
		if e%2 == 1 {
			j = i + n
		}
		t := (level - field[i]) / (field[j] - field[i])
		x, y := float64(i%n), float64(i/n)
		if e%2 == 1 {
			return [2]float64{x, y + t}
		}
		return [2]float64{x + t, y}
	}
	// Edges' numbers plus one, 0 for none.
	next := make([]int32, 2*n*n) // from edge to edge, the high side towards (-dy, dx)
	prev := make([]bool, 2*n*n)
	var starts []int
	for y := 0; y+1 < n; y++ {
		for x := 0; x+1 < n; x++ {
			i := y*n + x
			s := 0
			for k, j := range [4]int{i, i + 1, i + n + 1, i + n} {
				if field[j] > level {
					s |= 1 << k
				}
			}
			if s == 0 || s == 15 {
				continue
			}
			top, right, bottom, left := 2*i, 2*(i+1)+1, 2*(i+n), 2*i+1
			link := func(a, b int) {
				next[a], prev[b] = int32(b+1), true
				starts = append(starts, a)
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
	var out [][][2]float64
	done := make([]bool, 2*n*n)
	walk := func(e int) {
		line := [][2]float64{place(e)}
		done[e] = true
		for next[e] > 0 {
			e = int(next[e]) - 1
			line = append(line, place(e))
			if done[e] {
				break
			}
			done[e] = true
		}
		out = append(out, line)
	}
	for _, e := range starts { // open lines from their first end
		if !prev[e] && !done[e] {
			walk(e)
		}
	}
	for _, e := range starts {
		if !done[e] {
			walk(e)
		}
	}
	return out
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

// borders are the borders between ribbons and base that are seen, as lines of
// places on the disc in radii, stepR apart.
func (m *colourMap) borders(p *Parts) [][][2]float64 {
	mask := m.mask(func(o int8) bool { return o >= 0 && int(o) != p.Base })
	field := make([]float64, len(mask))
	for i, v := range mask {
		if v {
			field[i] = 1
		}
	}
	var out [][][2]float64
	mid := float64(m.n-1) / 2
	for _, l := range contours(m.n, field) {
		var run [][2]float64
		flush := func() {
			if even := resample(run, stepR); len(even) > 2 {
				out = append(out, even)
			}
			run = nil
		}
		for _, q := range l {
			x, y := (q[0]-mid)/m.radius, (q[1]-mid)/m.radius
			if x*x+y*y > borderWithin*borderWithin || m.far[m.cell(x, y)] > 1.5 {
				flush()
				continue
			}
			run = append(run, [2]float64{x, y})
		}
		flush()
	}
	return out
}

// borderWithin is how much of the face, in radii, borders are followed over.
const borderWithin = 0.87

// borderRoughness compares the length of borders at three scales of smoothing
// along them; ok is false where there is less than a radius of border.
func borderRoughness(borders [][][2]float64) (r Roughness, ok bool) {
	var a, b, c float64
	for _, l := range borders {
		if float64(len(l))*stepR > 2*coarseR {
			a += lineLength(smoothAlong(l, stepR, fineR))
			b += lineLength(smoothAlong(l, stepR, mediumR))
			c += lineLength(smoothAlong(l, stepR, coarseR))
		}
	}
	if c < 1 {
		return r, false
	}
	return Roughness{Fine: math.Max(0, a/b-1), Coarse: math.Max(0, b/c-1)}, true
}
