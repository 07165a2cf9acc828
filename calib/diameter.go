package calib

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// PrintScale is how far the print is from true: every length on the card is
// taken times Factor.
type PrintScale struct {
	Factor float64 // found / 80
	U      float64 // standard uncertainty of Factor
}

// Uncertainties of the print scale.
const (
	// A home printer told to print at 100 % is true to about 0.2 % (one sigma;
	// common practice, and the reason for the check bar).
	printScaleU = 0.002
	// A bar of 80 mm read against a ruler is known to +-0.1 mm at best.
	checkBarHalfMM = 0.1
)

// ScaleFromCheckBar is the print scale for a check bar of found mm; 0 stands
// for a bar that nobody measured. Outside 60 to 100 mm the entry is taken for
// a mistake.
func ScaleFromCheckBar(foundMM float64) (PrintScale, error) {
	if foundMM == 0 {
		return PrintScale{Factor: 1, U: printScaleU}, nil
	}
	if !(foundMM >= 60 && foundMM <= 100) {
		return PrintScale{}, fmt.Errorf("a check bar of %g mm can't be right: it is 80 mm on a true print; measure the long line at the foot of the card in millimetres", foundMM)
	}
	return PrintScale{Factor: foundMM / CheckBarMM, U: UniformU(checkBarHalfMM) / CheckBarMM}, nil
}

// The card's face lies above the table by the thickness of its paper: 0.1 mm
// for office paper (80 g/m2), 0.3 mm for card stock (common practice).
const (
	cardThicknessMM     = 0.2
	cardThicknessHalfMM = 0.15
)

// SeenOutline is a marble's outline as vision gives it.
type SeenOutline struct {
	Cone    Cone
	CovV    [3][3]float64 // covariance of Cone.V by the scatter of the edge points
	BiasUPX float64       // standard uncertainty common to all edge points, px outward
}

// Names of the contributions, as they stand in the budget.
const (
	FromEdgePoints = "edge points"
	FromOutline    = "outline seen against true"
	FromCorners    = "card corners"
	FromFocal      = "focal length"
	FromPrint      = "print scale"
	FromThickness  = "card thickness"
	FromLens       = "lens distortion"
)

// Diameter is a marble's diameter and where its uncertainty comes from.
type Diameter struct {
	MM     float64
	U95MM  float64 // half-width of the interval that holds it 19 times in 20
	Budget []Contribution
	// CentreMM is the sphere's centre in camera coordinates.
	CentreMM Vec3
}

// MeasureDiameter solves the sphere that rests on the table under the card and
// grazes the outline's cone (Plane.Resting), and propagates the uncertainty of
// edge points, outline, corners, focal length, print scale and card thickness
// by the GUM (JCGM 100:2008, 5.2). pose was fitted with the card's lengths
// already times scale.Factor. An error means that no such sphere exists or
// that the uncertainty could not be had.
func MeasureDiameter(pose *Pose, o SeenOutline, scale PrintScale) (Diameter, error) {
	// The outline as it stands in the picture: that, not the cone, is what
	// stays when another focal length is tried.
	const around = 16
	base := pose.Params()
	value := func(x []float64) float64 {
		p := pose.At(x[:PoseParams])
		v := Vec3{x[PoseParams], x[PoseParams+1], x[PoseParams+2]}
		bias, print, thick := x[PoseParams+3], x[PoseParams+4], x[PoseParams+5]
		e, ok := Cone{V: v}.Outline(pose.Camera.Pinhole())
		if !ok {
			return math.NaN()
		}
		rays := make([]Vec3, around)
		w := make([]float64, around)
		for k := range rays {
			px, py, nx, ny := e.At(2 * math.Pi * float64(k) / around)
			rays[k], w[k] = p.Camera.Pinhole().Ray(px+bias*nx, py+bias*ny), 1
		}
		c, ok := FitCone(rays, w)
		if !ok {
			return math.NaN()
		}
		plane := p.Plane
		plane.HeightMM = plane.HeightMM*print + thick
		_, r, ok := plane.Resting(c)
		if !ok {
			return math.NaN()
		}
		if len(x) > PoseParams+6 {
			r += x[PoseParams+6] / 2
		}
		return 2 * r
	}
	var names []string
	for i := range PoseParams {
		names = append(names, fmt.Sprintf("pose %d", i))
	}
	inf := math.Inf(1)
	inputs, corr, err := InputsFromCovariance(names, base, pose.Cov, inf)
	if err != nil {
		return Diameter{}, err
	}
	covV := mat.NewSymDense(3, nil)
	for i := range 3 {
		for j := i; j < 3; j++ {
			covV.SetSym(i, j, (o.CovV[i][j]+o.CovV[j][i])/2)
		}
	}
	vin, vcorr, err := InputsFromCovariance([]string{"v x", "v y", "v z"}, o.Cone.V[:], covV, inf)
	if err != nil {
		return Diameter{}, err
	}
	inputs = append(append(inputs, vin...),
		Input{Name: FromOutline, Value: 0, U: o.BiasUPX, DOF: inf},
		Input{Name: FromPrint, Value: 1, U: scale.U / scale.Factor, DOF: inf},
		Input{Name: FromThickness, Value: cardThicknessMM, U: UniformU(cardThicknessHalfMM), DOF: inf},
	)
	lens := pose.lensU(o.Cone, func(p *Pose, c Cone) (float64, bool) {
		plane := p.Plane
		plane.HeightMM += cardThicknessMM
		_, r, ok := plane.Resting(c)
		return 2 * r, ok
	})
	sources := []string{FromOutline, FromPrint, FromThickness}
	if lens != 0 {
		inputs = append(inputs, Input{Name: FromLens, Value: 0, U: lens, DOF: inf})
		sources = append(sources, FromLens)
	}
	b, err := Propagate(value, inputs, BudgetOptions{Correlations: append(corr, vcorr...)})
	if err != nil {
		return Diameter{}, err
	}
	d := Diameter{MM: b.Value, U95MM: b.Expanded}
	plane := pose.Plane
	plane.HeightMM += cardThicknessMM
	dist, _, _ := plane.Resting(o.Cone)
	d.CentreMM = o.Cone.Axis().Scale(dist)

	// Inputs of one cause are shown as one line.
	sens := map[string]float64{}
	for _, l := range b.Lines {
		sens[l.Name] = l.Sensitivity
	}
	c := make([]float64, PoseParams)
	for i, n := range names {
		c[i] = sens[n]
	}
	// Focal length and pose go together: another focal length brings another
	// pose with it. What is left when the focal length is known is the
	// corners' own.
	total, withFocal := 0.0, 0.0
	for i := range c {
		for j := range c {
			total += c[i] * c[j] * pose.Cov.At(i, j)
		}
		withFocal += c[i] * pose.Cov.At(i, 0)
	}
	focal := 0.0
	if s := pose.Cov.At(0, 0); s > 0 {
		focal = withFocal * withFocal / s
	}
	edge := 0.0
	for i, a := range []string{"v x", "v y", "v z"} {
		for j, bb := range []string{"v x", "v y", "v z"} {
			edge += sens[a] * sens[bb] * covV.At(i, j)
		}
	}
	add := func(name string, variance float64) {
		u := math.Sqrt(math.Max(0, variance))
		d.Budget = append(d.Budget, Contribution{Input: Input{Name: name}, U: u, Share: u * u / (b.U * b.U)})
	}
	add(FromEdgePoints, edge)
	add(FromCorners, total-focal)
	add(FromFocal, focal)
	for _, n := range sources {
		for _, l := range b.Lines {
			if l.Name == n {
				add(n, l.U*l.U)
			}
		}
	}
	return d, nil
}
