package features

import "math"

const (
	// turnDeg is the change of heading, degrees, that makes a turn back.
	turnDeg = 115.0
	// turnWithinR is the length, in radii along the sphere, within which the
	// heading must change so much; sharpWithinWidths the same for a sharp turn,
	// in widths of the ribbon, but never less than sharpLeastR.
	turnWithinR, sharpWithinWidths, sharpLeastR = 0.9, 2.0, 0.2
	// headingR is the length over which a heading is taken.
	headingR = 0.12
)

// arc is the angle between two unit vectors, radians.
func arc(a, b [3]float64) float64 {
	if c2 := dist2(a, b); c2 < 0.01 {
		// Twice the arcsine of half the chord, by its series; what is left out is less
		// than a hundred-millionth of the angle.
		return math.Sqrt(c2) * (1 + c2/24*(1+c2*9/80))
	}
	c := cross3(a, b)
	return math.Atan2(norm3(c), dot3(a, b))
}

func dot3(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

func norm3(a [3]float64) float64 { return math.Sqrt(dot3(a, a)) }

func cross3(a, b [3]float64) [3]float64 {
	return [3]float64{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

func unit3(a [3]float64) [3]float64 {
	n := norm3(a)
	if n == 0 {
		return a
	}
	return [3]float64{a[0] / n, a[1] / n, a[2] / n}
}

// reach is the length along the sphere from the line's start to each place, in
// radii (radians of arc). It is worked out once.
func (l *Line) reach() []float64 {
	if len(l.s) == len(l.Dir) {
		return l.s
	}
	l.s = reach(make([]float64, len(l.Dir)), l.Dir)
	return l.s
}

// reach fills s with the length from the first of as many directions to each.
func reach(s []float64, dir [][3]float64) []float64 {
	s[0] = 0
	for i := 1; i < len(s); i++ {
		s[i] = s[i-1] + arc(dir[i-1], dir[i])
	}
	return s
}

// headings are unit tangents along a line, each the chord of headingR around
// the place. They are worked out once.
func (l *Line) headings() [][3]float64 {
	if len(l.t) == len(l.Dir) {
		return l.t
	}
	s := l.reach()
	t := make([][3]float64, len(s))
	l.t = t
	lo, hi := 0, 0
	for i := range t {
		for s[i]-s[lo] > headingR/2 {
			lo++
		}
		for hi < len(s)-1 && (hi <= i || s[hi]-s[i] < headingR/2) {
			hi++
		}
		a := max(0, min(lo, i-1))
		t[i] = unit3([3]float64{l.Dir[hi][0] - l.Dir[a][0], l.Dir[hi][1] - l.Dir[a][1], l.Dir[hi][2] - l.Dir[a][2]})
	}
	return t
}

// geodesicTurning is the signed turning of a line on the sphere from each
// place to the next, radians: the angle between the great-circle arc that
// arrives and the one that leaves, in the tangent plane. A great circle has
// none. First and last are 0.
func (l *Line) geodesicTurning() []float64 {
	k := make([]float64, len(l.Dir))
	for i := 1; i < len(k)-1; i++ {
		in := cross3(l.Dir[i-1], l.Dir[i]) // normals of the two arcs' planes
		out := cross3(l.Dir[i], l.Dir[i+1])
		k[i] = math.Atan2(dot3(cross3(in, out), l.Dir[i]), dot3(in, out))
	}
	return k
}

// findTurns marks where a line turns back on itself: where its heading in
// space changes by more than turnDeg within turnWithinR, the quickest first,
// none within another's reach. The heading is that in space, so that a fold
// counts as much wherever on the face it lies.
func (l *Line) findTurns() {
	s := l.reach()
	t := l.headings()
	limit := math.Cos(turnDeg * math.Pi / 180)
	type turn struct {
		a, b int
		len  float64
	}
	var found []turn
	for a := range t {
		for b := a + 1; b < len(t) && s[b]-s[a] <= turnWithinR; b++ {
			if dot3(t[a], t[b]) < limit {
				found = append(found, turn{a, b, s[b] - s[a]})
				break
			}
		}
	}
	l.Turns, l.Sharp = nil, nil
	taken := make([]bool, len(t))
	for {
		best := -1
		for k, f := range found {
			if !taken[f.a] && !taken[f.b] && (best < 0 || f.len < found[best].len) {
				best = k
			}
		}
		if best < 0 {
			return
		}
		f := found[best]
		mid := f.a
		for s[mid] < (s[f.a]+s[f.b])/2 {
			mid++
		}
		l.Turns = append(l.Turns, mid)
		if f.len <= math.Max(sharpLeastR, sharpWithinWidths*l.Width[mid]) {
			l.Sharp = append(l.Sharp, mid)
		}
		for i := f.a; i <= f.b; i++ {
			taken[i] = true
		}
		kept := found[:0]
		for _, o := range found {
			if o.b < f.a || o.a > f.b {
				kept = append(kept, o)
			}
		}
		found = kept
	}
}
