package pipeline

import (
	"fmt"
	"math"
	"sort"

	"tawsight/calib"
	"tawsight/calib/sortmat"
	"tawsight/features"
	"tawsight/vision"
)

// matSeen is the sorting mat of a photo; nil where the marbles don't lie on one.
type matSeen struct {
	version  int
	ruler    *calib.Ruler
	pose     *calib.Pose
	print    float64 // the print's lengths over those designed
	contrast float64 // of the marks as printed
	places   []int   // by marble: the place it lies on, 0 for none
}

// seeMat reads the code beside the card's squares, and lets what was sighted
// know that the marbles lie on the mat. A photo whose card has no code is
// measured as it always was.
func seeMat(p *vision.Photo, look *sighted, scale calib.PrintScale) *matSeen {
	if !look.det.Found || look.ruler == nil || look.ruler.Pose == nil {
		return nil
	}
	version := calib.ReadMat(p.Mat(), look.det.Corners)
	if version == 0 {
		return nil
	}
	m := &matSeen{version: version, ruler: look.ruler, pose: look.ruler.Pose, print: scale.Factor}
	if c, ok := calib.MatContrast(p.Mat(), look.det.Corners); ok {
		m.contrast = c
	} else {
		m.contrast = sortmat.Contrast()
	}
	rest := look.ruler.Rest
	look.ruler.OnMat()
	corners := func(right, bottom float64) (out [][2]float64) {
		for _, c := range [][2]float64{{0, 0}, {right, 0}, {right, bottom}, {0, bottom}} {
			x, y, ok := m.pose.Pixel(c[0]*m.print, c[1]*m.print)
			if !ok {
				return nil
			}
			out = append(out, [2]float64{x, y})
		}
		return out
	}
	if sheet := corners(sortmat.WidthMM, sortmat.HeightMM); sheet != nil {
		look.ruler.Sheet = sheet
	}
	if card := corners(sortmat.GroundLeftMM, sortmat.GroundTopMM); card != nil {
		look.ruler.Taken = [][][2]float64{card}
	}
	look.use(look.ruler, RulerOptions{Rest: rest})
	return m
}

// resting is the centre and radius of the sphere that a marble's outline shows.
func (m *matSeen) resting(o vision.Outline) (centre calib.Vec3, radiusMM float64, ok bool) {
	d, r, ok := m.ruler.Table().RestingOn(o.Cone, m.ruler.Rest)
	return o.Cone.Axis().Scale(d), r, ok
}

// under is the place on the mat, as designed, that lies right under a point
// before the camera.
func (m *matSeen) under(c calib.Vec3) (x, y float64) {
	var at [2]float64
	for k := range at {
		for q := range c {
			at[k] += m.pose.R[q][k] * (c[q] - m.pose.T[q])
		}
	}
	return at[0] / m.print, at[1] / m.print
}

// number gives marbles their ids: that of the place for one that lies on it,
// and for those beside the places the numbers after the last place's, row by
// row as the mat lies; and puts them in that order. Where two lie on one place,
// it is the nearer one's.
func (m *matSeen) number(found *vision.Found) (ids []string) {
	if m == nil {
		for i := range found.Marbles {
			ids = append(ids, fmt.Sprint(i+1))
		}
		return ids
	}
	type lying struct {
		outline vision.Outline
		x, y    float64
		known   bool
		place   int
	}
	all := make([]lying, len(found.Marbles))
	for i, o := range found.Marbles {
		all[i].outline = o
		if c, _, ok := m.resting(o); ok {
			all[i].x, all[i].y = m.under(c)
			all[i].known = true
		}
	}
	places := sortmat.Places()
	for _, p := range places {
		best, at := sortmat.OnPlaceMM, -1
		for i, l := range all {
			if d := math.Hypot(l.x-p.X, l.y-p.Y); l.known && l.place == 0 && d < best {
				best, at = d, i
			}
		}
		if at >= 0 {
			all[at].place = p.Number
		}
	}
	// Rows for those beside the places: a row of places and the gap below it, the
	// bounds away from where marbles are likely to lie.
	row := func(y float64) int { return int(math.Floor((y - places[0].Y + sortmat.PitchMM/4) / sortmat.PitchMM)) }
	sort.SliceStable(all, func(i, j int) bool {
		a, b := all[i], all[j]
		switch {
		case (a.place > 0) != (b.place > 0):
			return a.place > 0
		case a.place > 0:
			return a.place < b.place
		case a.known != b.known:
			return a.known
		case row(a.y) != row(b.y):
			return row(a.y) < row(b.y)
		}
		return a.x < b.x
	})
	next := len(places)
	m.places = nil
	for i, l := range all {
		found.Marbles[i] = l.outline
		id := l.place
		if id == 0 {
			next++
			id = next
		}
		ids = append(ids, fmt.Sprint(id))
		m.places = append(m.places, l.place)
	}
	return ids
}

// place is the number of the place that marble i lies on; 0 for none.
func (m *matSeen) place(i int) int {
	if m == nil {
		return 0
	}
	return m.places[i]
}

// mark is how clear glass would show the mark under marble i; nil where it lies
// on no place.
func (m *matSeen) mark(found vision.Found, i int, f *features.Face) *features.Mark {
	if m == nil || m.places[i] == 0 || found.Marbles[i].CutOff {
		return nil
	}
	centre, r, ok := m.resting(found.Marbles[i])
	if !ok {
		return nil
	}
	p := sortmat.Places()[m.places[i]-1]
	return vision.MarkUnder(found, i, f, vision.OnMat{Pose: m.pose, Print: m.print, Centre: centre, RadiusMM: r, X: p.X, Y: p.Y, Contrast: m.contrast})
}
