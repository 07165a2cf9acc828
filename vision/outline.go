package vision

import (
	"math"

	"tawsight/calib"
)

// Outline is a marble's silhouette, refined on the full-size photo.
type Outline struct {
	Cone    calib.Cone
	Ellipse calib.Ellipse // the same as an ellipse in the photo
	// CovV is the covariance of Cone.V that the scatter of the edge points
	// gives.
	CovV [3][3]float64
	// RimShiftPX is what was added to every edge point for the rim's
	// reflection; see WithoutRim.
	RimShiftPX float64
	// BiasUPX is the standard uncertainty of the outline's radius, px, that the
	// scatter of points doesn't show: what the seen edge and the true outline
	// differ by, all round.
	BiasUPX float64
	// ResidualPX is the robust standard deviation of edge points about the
	// outline, px.
	ResidualPX float64
	// Coverage is the share of directions in which an edge was found on the
	// outline, among those not hidden by a neighbour.
	Coverage float64
	// Strength is the median step across the outline in units of the local
	// noise.
	Strength float64
	// SoftPX is the median width (from 10 to 90 % of the step) of the edges, px.
	SoftPX float64
	// Hidden is the share of directions in which a neighbour lies against it.
	Hidden float64
	// Touching says that a neighbour's outline meets this one.
	Touching bool
	// CutOff says that part of the outline lies outside the photo.
	CutOff bool
	// fainter is an edge around this outline that may be the glass's own; nil for
	// none.
	fainter *calib.Ellipse
	// Support is the share of directions near the outline, each counted by its
	// strength; it orders outlines that claim the same place.
	Support float64
}

// correlatedPoints is how many neighbouring edge points share their error:
// the tangential smoothing, ribbons and reflections reach over several.
const correlatedPoints = 6.0

// covariance of V from the scatter of the points, those that at numbers, taking
// neighbours to err together.
func (rf *refiner) covariance(seen *sight, at []int32, w []float64, v calib.Vec3, sigma float64) (cov [3][3]float64) {
	var a [3][3]float64
	for i, k := range at {
		if w[i] <= 0 {
			continue
		}
		p, ray := &seen.places[k], &seen.rays[k]
		// How much V.u changes for one px along the normal.
		u2 := rf.cam.Ray(p.x+1, p.y)
		u3 := rf.cam.Ray(p.x, p.y+1)
		gx, gy := v.Dot(u2)-v.Dot(*ray), v.Dot(u3)-v.Dot(*ray)
		c := math.Hypot(gx, gy)
		if c == 0 {
			continue
		}
		k := w[i] / (c * c * sigma * sigma * correlatedPoints)
		for r := 0; r < 3; r++ {
			for s := 0; s < 3; s++ {
				a[r][s] += k * ray[r] * ray[s]
			}
		}
	}
	for col := 0; col < 3; col++ {
		b := [3]float64{}
		b[col] = 1
		x, ok := calib.Solve3(a, b)
		if !ok {
			return cov
		}
		for r := 0; r < 3; r++ {
			cov[r][col] = x[r]
		}
	}
	return cov
}

// biasU is the standard uncertainty, px, of how far the seen outline lies from
// the true one all round, by the share of directions that show it and by how
// well it is supported. Measured on 174 marbles of two renderers: 95 % of radii
// were right within 0.3 px where more than 0.78 of the outline was seen, 0.65 px
// about 0.7, 1.5 px about 0.55; and the same photos with strong noise added
// erred most, by up to 2.4 px, where the support was under 0.1.
func biasU(coverage, support float64) float64 {
	return 0.14 + 2.2*math.Max(0, 0.78-coverage) + 6*math.Max(0, 0.13-support)
}

// brightRimU is the standard uncertainty of the radius, as a share of it, of clear
// glass that is much brighter than the paper just inside its outline: the border
// of the light it gathers is then taken for the outline, where the glass beyond
// it looks like the paper. Of 455 marbles of two renderers that are not opaque,
// the 12 of which more than 0.6 of the rim was bright came out 1.2 % small in the
// mean, with a scatter of 1.7 %; 58 with 0.2 to 0.6 of it scattered by 1.4 %; the
// others by 0.6 %.
const brightRimU = 0.012

// WithBrightRim is the outline in the doubt that a bright rim brings: bright is
// the share of the rim that is, and clear the chance, that it is clear glass.
func (o Outline) WithBrightRim(bright, clear float64) Outline {
	share := math.Max(0, math.Min(1, (bright-0.15)/0.25)) * clear
	o.BiasUPX = math.Hypot(o.BiasUPX, brightRimU*share*o.Ellipse.MeanRadiusPX())
	return o
}

// WithoutRim is the outline with a share (0..1) of the rim's shift taken back.
// Clear glass fades into the paper's reflection towards its outline; opaque
// glass, lit from within its skin, shows its edge where it is. Measured on
// renderings of two renderers: with the shift, opaque marbles came out 0.3 px
// too large in radius on both, clear ones right.
func (o Outline) WithoutRim(cam calib.Camera, share float64) Outline {
	d := share * o.RimShiftPX
	if d == 0 {
		return o
	}
	const around = 16
	rays := make([]calib.Vec3, around)
	w := make([]float64, around)
	for k := range rays {
		x, y, nx, ny := o.Ellipse.At(2 * math.Pi * float64(k) / around)
		rays[k], w[k] = cam.Ray(x-d*nx, y-d*ny), 1
	}
	c, ok := calib.FitCone(rays, w)
	if !ok {
		return o
	}
	e, ok := c.Outline(cam)
	if !ok {
		return o
	}
	o.Cone, o.Ellipse, o.RimShiftPX = c, e, o.RimShiftPX-d
	return o
}
