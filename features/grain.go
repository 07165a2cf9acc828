package features

import "math"

// Grain is what a ribbon's colour does across its width.
type Grain struct {
	// Known is false where no ribbon is wide enough in pixels, or none runs
	// straight for long enough, to tell.
	Known bool
	// Striation is the lightness (L*, standard deviation) that varies across
	// the ribbon and stays the same along it, even shading and noise aside.
	Striation float64
	// TwoTone is the difference of lightness (L*) from one edge of the ribbon
	// to the other.
	TwoTone float64
}

const (
	// grainLeastPx is the least width, pixels, that shows stripes.
	grainLeastPx = 10.0
	// grainColumns is the number of places across the ribbon, over its middle
	// grainWithin, clear of the blurred edges.
	grainColumns = 15
	grainWithin  = 0.7
	// grainRows is the least number of places along it.
	grainRows = 8
)

// mostTwoTone is the largest difference of lightness across a ribbon that is told:
// white to near black. A line through few columns that rise steeply can leave the
// lightnesses there are.
const mostTwoTone = 80

// findGrain reads the lightness on a grid along and across each straight run
// of each ribbon. For one run, with rows along it and columns across: each
// column's mean over the rows stands for what stays the same along the ribbon.
// A straight line fitted to those means gives TwoTone; what is left beyond a
// parabola (a rounded ribbon's shading) gives Striation, less what the noise
// of a mean of so many rows explains (residual variance over rows). Over runs,
// the means by length.
func findGrain(f *Face, lines []Line, cuts [][]cut) Grain {
	var striation, slope, total float64
	for k := range lines {
		l := &lines[k]
		ok := steady(l, cuts[k])
		t := l.headings()
		for i := 0; i < len(ok); {
			if !ok[i] {
				i++
				continue
			}
			j := i
			for j < len(ok) && ok[j] {
				j++
			}
			if s, d, n := grainOf(f, l, t, cuts[k], i, j); n > 0 {
				striation += n * s
				slope += n * math.Abs(d)
				total += n
			}
			i = j
		}
	}
	if total == 0 {
		return Grain{}
	}
	return Grain{true, math.Sqrt(striation / total), math.Min(mostTwoTone, slope/total)}
}

// grainOf is findGrain for places from to of one line: the variance of
// striation, the signed edge-to-edge difference and the number of rows, 0
// where the run is too short or too narrow.
func grainOf(f *Face, l *Line, t [][3]float64, cuts []cut, from, to int) (variance, slope, rows float64) {
	var grid [][grainColumns]float64
	for i := from; i < to; i++ {
		c := cuts[i]
		if c.width()*f.Radius < grainLeastPx {
			continue
		}
		s := unit3(cross3(l.Dir[i], t[i]))
		var row [grainColumns]float64
		good := true
		for q := range row {
			u := grainWithin * (2*float64(q)/(grainColumns-1) - 1) // -1 right edge, 1 left edge
			at := u * c[0].at
			if u < 0 {
				at = u * c[1].at
			}
			x, y, ok := onArc(l.Dir[i], s, at)
			if ok {
				var v [3]float64
				if v, ok = f.labAt(x, y); ok {
					row[q] = v[0] / lightnessWeight
				}
			}
			if !ok {
				good = false
				break
			}
		}
		if good {
			grid = append(grid, row)
		}
	}
	if len(grid) < grainRows {
		return 0, 0, 0
	}
	// Light falling off along the ribbon is each row's own mean.
	var mean [grainColumns]float64
	for r := range grid {
		m := 0.0
		for _, v := range grid[r] {
			m += v / grainColumns
		}
		for q := range grid[r] {
			grid[r][q] -= m
			mean[q] += grid[r][q] / float64(len(grid))
		}
	}
	noise := 0.0
	for r := range grid {
		for q, v := range grid[r] {
			noise += (v - mean[q]) * (v - mean[q])
		}
	}
	noise /= float64(len(grid)-1) * grainColumns
	// Orthogonal polynomials on -1..1: u and u^2 - mean(u^2).
	var su, sp, uu, pp, m2 float64
	for q := range mean {
		u := 2*float64(q)/(grainColumns-1) - 1
		m2 += u * u / grainColumns
	}
	for q, v := range mean {
		u := 2*float64(q)/(grainColumns-1) - 1
		p := u*u - m2
		su += u * v
		uu += u * u
		sp += p * v
		pp += p * p
	}
	b, c := su/uu, sp/pp
	for q, v := range mean {
		u := 2*float64(q)/(grainColumns-1) - 1
		e := v - b*u - c*(u*u-m2)
		variance += e * e / (grainColumns - 3)
	}
	// Places along the line are closer than the blur, so that only some of the
	// rows are independent.
	independent := math.Max(1, float64(len(grid))*stepR/math.Max(2*f.BlurShare, 2/f.Radius))
	variance = math.Max(0, variance-noise/independent)
	return variance, 2 * b / grainWithin, float64(len(grid))
}

// ColourWidth is one ribbon colour's width.
type ColourWidth struct {
	// MedianR and SpreadR (from the lower to the upper quartile) are radii
	// along the sphere; 0 where it isn't seen.
	MedianR, SpreadR float64
	// LengthR is the length of its middle lines, radii.
	LengthR float64
}
