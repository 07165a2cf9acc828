package calib

import (
	"fmt"
	"math"
)

// A flatbed scanner looks up through its glass with a line of sensors that a
// carriage moves along. Along the carriage every line is seen from straight
// below, so the view is orthographic there; a contact sensor (CIS) sees across
// the carriage through a row of rod lenses of unit magnification, which is
// orthographic to within their narrow acceptance. So a marble on the glass,
// whatever its height, shows its true diameter times the resolution. This is
// supposed of every scan. A scanner with a lens (CCD) sees across the carriage
// in perspective: 8 mm above the glass, with a folded path of 300 to 400 mm, it
// shows a marble 2 to 3 % smaller across. That can't be told from the outline,
// which is fitted as a sphere's, and isn't in the uncertainty.
const (
	// scanHalf is how far a scanner's resolution may be from what it says,
	// relative: the stretch of the carriage's belt (common practice, 0.2 to
	// 0.4 %).
	scanHalf          = 0.004
	leastDPI, mostDPI = 72, 4800
)

// FromResolution is the resolution's name in the budget.
const FromResolution = "scanner's resolution"

// ScanRuler is a scan of dpi dots to the inch in both directions; w and h are
// the picture's size, px.
func ScanRuler(dpi float64, w, h int) (*Ruler, error) {
	if !(dpi >= leastDPI && dpi <= mostDPI) {
		return nil, fmt.Errorf("a scan of %g dots to the inch can't be right: scanners give %d to %d", dpi, leastDPI, mostDPI)
	}
	return &Ruler{
		Source: SourceScan, Name: fmt.Sprintf("a scan at %g dpi", dpi),
		Size: Quantity{FromResolution, 1, UniformU(scanHalf)}, MMPerPX: 25.4 / dpi,
	}, nil
}

// ScanCamera is a pinhole so far off that its view is orthographic to a
// thousandth of a pixel over a marble: for finding outlines in a scan.
func ScanCamera(w, h int) Camera {
	return Camera{FocalPX: 2e5 * math.Max(1, float64(max(w, h))/2000), CxPX: float64(w-1) / 2, CyPX: float64(h-1) / 2}
}

// scanned is the diameter in an orthographic view.
func (r *Ruler) scanned(o SeenOutline) (Diameter, error) {
	e, ok := o.Cone.Outline(o.Camera)
	if !ok {
		return Diameter{}, fmt.Errorf("%w: no outline", ErrUncertainty)
	}
	inf := math.Inf(1)
	// In a view from so far, a change of V by du across the line of sight moves
	// the outline, and the radius R (px) follows from |V|^2 = 1 + (R/f)^2.
	radius := func(v Vec3) float64 {
		e, ok := Cone{V: v}.Outline(o.Camera)
		if !ok {
			return math.NaN()
		}
		return e.MeanRadiusPX()
	}
	edge := 0.0
	var g Vec3
	for i := range g {
		hi, lo := o.Cone.V, o.Cone.V
		// Of the order of the radius' own angle squared, far below 1.
		step := 1e-3 * (e.MeanRadiusPX() / o.Camera.FocalPX) * (e.MeanRadiusPX() / o.Camera.FocalPX)
		hi[i] += step
		lo[i] -= step
		g[i] = (radius(hi) - radius(lo)) / (2 * step)
	}
	for i := range g {
		for j := range g {
			edge += g[i] * g[j] * (o.CovV[i][j] + o.CovV[j][i]) / 2
		}
	}
	value := func(x []float64) float64 { return 2 * (e.MeanRadiusPX() + x[0] + x[1]) * r.MMPerPX * x[2] }
	b, err := Propagate(value, []Input{
		{FromEdgePoints, 0, math.Sqrt(math.Max(0, edge)), inf},
		{FromOutline, 0, o.BiasUPX, inf},
		{r.Size.Name, r.Size.Value, r.Size.U, inf},
	}, BudgetOptions{})
	if err != nil {
		return Diameter{}, err
	}
	return Diameter{MM: b.Value, U95MM: b.Expanded, Budget: b.Lines,
		CentreMM: Vec3{e.CxPX * r.MMPerPX, e.CyPX * r.MMPerPX, -b.Value / 2}}, nil
}
