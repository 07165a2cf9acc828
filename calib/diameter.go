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
	// Camera is what the cone was fitted with; needed for scans alone.
	Camera Camera
}

// Names of the contributions, as they stand in the budget. What comes from the
// ruler has the ruler's own names: see Ruler.
const (
	FromEdgePoints = "edge points"
	FromOutline    = "outline seen against true"
	FromCorners    = "card corners"
	FromFocal      = "focal length"
	FromPrint      = "print scale"
	FromThickness  = "card thickness"
	FromLens       = "lens distortion"
	FromRestWidth  = "width of the rest"
	FromRestHeight = "height of the rest"
)

// Diameter is a marble's diameter and where its uncertainty comes from.
type Diameter struct {
	MM     float64
	U95MM  float64 // half-width of the interval that holds it 19 times in 20
	Budget []Contribution
	// CentreMM is the sphere's centre in camera coordinates.
	CentreMM Vec3
}

// MeasureDiameter is Ruler.Diameter for the printed card. pose was fitted with
// the card's lengths already times scale.Factor.
func MeasureDiameter(pose *Pose, o SeenOutline, scale PrintScale) (Diameter, error) {
	return CardRuler(pose, scale).Diameter(o)
}

// Diameter solves the sphere that rests on the table and grazes the outline's
// cone (Plane.RestingOn), and propagates the uncertainty of edge points,
// outline, pose, focal length, and the ruler's size and thickness by the GUM
// (JCGM 100:2008, 5.2). An error means that no such sphere exists or that the
// uncertainty could not be had.
func (r *Ruler) Diameter(o SeenOutline) (d Diameter, err error) {
	if r.Source == SourceScan {
		return r.scanned(o)
	}
	pose := r.Pose
	// The outline as it stands in the picture: that, not the cone, is what
	// stays when another focal length is tried.
	const around = 16
	base := pose.Params()
	lensU := pose.lensU(o.Cone, func(p *Pose, c Cone) (float64, bool) {
		other := *r
		other.Pose = p
		_, radius, ok := other.Table().RestingOn(c, r.Rest)
		return 2 * radius, ok
	})
	throughLens := lensU != 0
	value := func(x []float64) float64 {
		p := pose.At(x[:PoseParams])
		v := Vec3{x[PoseParams], x[PoseParams+1], x[PoseParams+2]}
		bias, size, thick, lens := x[PoseParams+3], x[PoseParams+4], x[PoseParams+5], 0.0
		rest := r.Rest
		if rest.Kind != RestTable {
			rest.WidthMM, rest.HeightMM = x[PoseParams+6], x[PoseParams+7]
		}
		if throughLens {
			lens = x[len(x)-1]
		}
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
		plane.HeightMM = plane.HeightMM*size + thick
		_, radius, ok := plane.RestingOn(c, rest)
		if !ok {
			return math.NaN()
		}
		return 2*radius + lens
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
	own := []string{FromOutline, r.Size.Name, r.Thickness.Name}
	inputs = append(append(inputs, vin...),
		Input{Name: FromOutline, Value: 0, U: o.BiasUPX, DOF: inf},
		Input{Name: r.Size.Name, Value: r.Size.Value, U: r.Size.U, DOF: inf},
		Input{Name: r.Thickness.Name, Value: r.Thickness.Value, U: r.Thickness.U, DOF: inf},
	)
	if r.Rest.Kind != RestTable {
		own = append(own, FromRestWidth, FromRestHeight)
		inputs = append(inputs,
			Input{Name: FromRestWidth, Value: r.Rest.WidthMM, U: restU, DOF: inf},
			Input{Name: FromRestHeight, Value: r.Rest.HeightMM, U: restU, DOF: inf})
	}
	if throughLens {
		own = append(own, FromLens)
		inputs = append(inputs, Input{Name: FromLens, Value: 0, U: lensU, DOF: inf})
	}
	b, err := Propagate(value, inputs, BudgetOptions{Correlations: append(corr, vcorr...)})
	if err != nil {
		return Diameter{}, err
	}
	d = Diameter{MM: b.Value, U95MM: b.Expanded}
	dist, _, _ := r.Table().RestingOn(o.Cone, r.Rest)
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
	variance := b.U * b.U
	// What the choice between two poses leaves open, where there is one.
	if other := r.other(o, d.MM); other > 0 {
		variance += other * other
		d.U95MM *= math.Sqrt(variance) / b.U
		defer func() {
			d.Budget = append(d.Budget, Contribution{Input: Input{Name: FromTwoPoses}, U: other, Share: other * other / variance})
		}()
	}
	add := func(name string, v float64) {
		u := math.Sqrt(math.Max(0, v))
		d.Budget = append(d.Budget, Contribution{Input: Input{Name: name}, U: u, Share: u * u / variance})
	}
	add(FromEdgePoints, edge)
	add(r.PoseFrom, total-focal)
	add(FromFocal, focal)
	for _, n := range own {
		for _, l := range b.Lines {
			if l.Name == n {
				add(n, l.U*l.U)
			}
		}
	}
	return d, nil
}
