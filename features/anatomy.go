package features

import (
	"math"
	"sort"
)

// Anatomy is how the ribbons run: their middle lines traced and laid on the
// sphere, and the figures that follow. Lengths are in radii of the marble,
// along the sphere unless said otherwise.
type Anatomy struct {
	// Known is false where there was no base to tell ribbons from.
	Known bool
	// Ribbons says that there is any ribbon colour, Coverage the share of the
	// face, 0..1, that ribbons cover.
	Ribbons  bool
	Coverage float64
	Lines    []Line
	// Widths are all widths measured at steady places, sorted; Colours the same
	// summed up for each of Parts.Colours.
	Widths  []float64
	Colours []ColourWidth
	// LengthR is the length of all lines and AreaR2 the area of the sphere that
	// is seen, radii squared.
	LengthR, AreaR2 float64
	// BorderR is the length of the borders between ribbons and base on the
	// disc, radii.
	BorderR float64
	// Pieces is the number of separate pieces of ribbon.
	Pieces int
	// Turns and Sharp are the number of turns and of sharp ones, TurningRad the
	// turning on the sphere summed up without its sign.
	Turns, Sharp int
	TurningRad   float64
	Stack        Stack
	Gaps         Gaps
	// AxialVariance is the circular variance of the borders' headings, 0..1;
	// NaN without any.
	AxialVariance float64
	// Straight is how straight the borders run, 0..1, where StraightKnown.
	Straight      float64
	StraightKnown bool
	// AxisLine is how much of an axis is seen as a slit between ribbons, 0..1.
	AxisLine float64
	// Mirror is the two-sided symmetry, 0..1, where MirrorKnown.
	Mirror      float64
	MirrorKnown bool
	Rough       Roughness
	RoughKnown  bool
	Grain       Grain
	Pairs       Pairs
}

// Line is the middle line of one ribbon, or of a part of it between two
// branches, from end to end.
type Line struct {
	// Colour is the ribbon's colour, an index into Parts.Colours.
	Colour int
	// At are places on the disc, in radii from the middle (x right, y down);
	// Dir the same as unit vectors on the sphere.
	At  [][2]float64
	Dir [][3]float64
	// Width is the ribbon's width at each place, in radii, along the sphere.
	Width []float64
	// s and t are what reach and headings found, once asked.
	s []float64
	t [][3]float64
	// Turns are indices into At where the line turns back on itself; Sharp the
	// indices of those that do so within less than a ribbon's width or two.
	Turns, Sharp []int
}

// TraceRibbons measures how the ribbons of a separated face run. white says
// which colours (of Parts.Colours) are white ribbon and may be nil.
func TraceRibbons(f *Face, p *Parts, white func(colour int8) bool) Anatomy {
	var a Anatomy
	if p.Base < 0 || p.Usable == 0 {
		return a
	}
	a.Known, a.Ribbons = true, len(p.Colours) > 1
	m := carry(f, p)
	defer m.close()
	m.refine(f, p)
	a.Lines = traceLines(m, p)
	cuts, room := measureWidths(f, m, p, a.Lines)
	defer cutPool.give(room)
	a.Colours = make([]ColourWidth, len(p.Colours))
	for k := range a.Colours {
		w := widthsOf(a.Lines, cuts, k)
		a.Widths = append(a.Widths, w...)
		if len(w) >= leastWidths {
			a.Colours[k].MedianR = quantile(w, 0.5)
			a.Colours[k].SpreadR = quantile(w, 0.75) - quantile(w, 0.25)
		}
	}
	sort.Float64s(a.Widths)
	for i := range a.Lines {
		l := &a.Lines[i]
		l.findTurns()
		a.Turns += len(l.Turns)
		a.Sharp += len(l.Sharp)
		s := l.reach()
		a.LengthR += s[len(s)-1]
		a.Colours[l.Colour].LengthR += s[len(s)-1]
		for _, k := range l.geodesicTurning() {
			a.TurningRad += math.Abs(k)
		}
	}
	xs := f.columns()
	w := walk{n: f.Size}
	for i, o := range p.Of {
		if o >= 0 {
			if int(o) != p.Base {
				a.Coverage += 1 / float64(p.Usable)
			}
			c, r := w.to(i)
			x, y := xs[c], xs[r]
			if r2 := x*x + y*y; r2 < 1 {
				a.AreaR2 += 1 / (math.Sqrt(1-r2) * f.Radius * f.Radius)
			}
		}
	}
	floats.give(xs)
	a.Pieces = m.pieces
	borders, places := m.borders(p)
	even, smoothed := make([]borderLine, len(borders)), pairsPool.take(len(places))
	defer pairsPool.give(places, smoothed)
	left := smoothed
	for i, b := range borders {
		even[i] = b.smooth(left, smoothBy)
		left = left[len(b.at):]
		a.BorderR += even[i].length()
	}
	a.Stack = findStack(f, m, p, a.Lines)
	a.Gaps = findGaps(p, cuts)
	angle, weight := orientations(even)
	a.AxialVariance = axialVariance(angle, weight)
	floats.give(angle, weight)
	a.Straight, a.StraightKnown = straightness(even)
	a.AxisLine = axisLine(even)
	a.Mirror, a.MirrorKnown = mirrorSymmetry(f, m)
	a.Rough, a.RoughKnown = borderRoughness(borders)
	a.Grain = findGrain(f, a.Lines, cuts)
	if white != nil {
		a.Pairs = findPairs(a.Lines, cuts, white, func(c int8) bool { return int(c) != p.Base && !white(c) })
	}
	return a
}

// leastWidths is the least number of places that a width is read from.
const leastWidths = 5
