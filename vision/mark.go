package vision

import (
	"math"

	"tawsight/calib"
	"tawsight/calib/sortmat"
	"tawsight/features"
)

// OnMat is a marble on the sorting mat: how the mat lies, where the marble is,
// and which mark lies under it.
type OnMat struct {
	Pose     *calib.Pose
	Print    float64    // the print's lengths over those designed
	Centre   calib.Vec3 // of the marble, before the camera, mm
	RadiusMM float64
	// X, Y is the mark's middle on the mat as designed, mm.
	X, Y float64
	// Contrast is the mark's printed contrast.
	Contrast float64
}

// MarkUnder says how clear glass would show the mark at each pixel of marble
// i's face.
func MarkUnder(found Found, i int, f *features.Face, on OnMat) *features.Mark {
	n := f.Size * f.Size
	m := &features.Mark{Phase: make([]float64, n), Across: make([]float64, n), Reach: make([]float64, n), Contrast: on.Contrast}
	e := found.Marbles[i].Ellipse
	toPixel := discToPixel(e)
	// The mat's own frame, z up.
	toMat := func(v calib.Vec3) sortmat.Vec {
		var out sortmat.Vec
		for k := range out {
			for q := range v {
				out[k] += on.Pose.R[q][k] * v[q]
			}
		}
		out[2] = -out[2]
		return out
	}
	eye, centre := toMat(on.Pose.T), toMat(on.Centre)
	for k := range eye {
		eye[k] = -eye[k]
		centre[k] += eye[k]
	}
	for k := range n {
		m.Phase[k], m.Across[k] = math.NaN(), math.NaN()
		x, y := f.XY(k)
		if x*x+y*y >= 1 {
			continue
		}
		u, v := toPixel(x, y)
		px, py, _, ok := sortmat.Through(eye, toMat(on.Pose.Camera.Ray(u, v)), centre, on.RadiusMM, sortmat.GlassIndex)
		if !ok {
			continue
		}
		px, py = px/on.Print-on.X, py/on.Print-on.Y
		if _, m.Reach[k] = sortmat.MarkAt(px, py); m.Reach[k] > 0 {
			m.Phase[k], m.Across[k] = 2*math.Pi*py/sortmat.PeriodMM, 2*math.Pi*px/sortmat.PeriodMM
		}
	}
	m.PeriodPX = sortmat.PeriodMM * on.Print * sortmat.Magnification(sortmat.GlassIndex) / on.RadiusMM * f.Radius
	return m
}

// discToPixel takes a place on a marble's disc (in radii, axes along the
// picture's) to a pixel: the circle is stretched into the ellipse along the
// ellipse's own axes.
func discToPixel(e calib.Ellipse) func(x, y float64) (float64, float64) {
	sin, cos := math.Sincos(e.AngleDeg * math.Pi / 180)
	return func(x, y float64) (float64, float64) {
		u, v := cos*x+sin*y, -sin*x+cos*y
		u, v = u*e.SemiMajorPX, v*e.SemiMinorPX
		return e.CxPX + cos*u - sin*v, e.CyPX + sin*u + cos*v
	}
}
