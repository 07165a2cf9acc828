package calib

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// caliperU is the standard uncertainty of a marble's diameter measured with a
// caliper, mm: a good one reads to 0.02 mm, and a marble is out of round by
// about as much (common practice).
const caliperU = 0.03

// Diameters a known marble may have, mm.
const leastKnownMM, mostKnownMM = 5, 80

// tiltSigma is how far from straight down a photo of marbles on a table is
// taken where nothing says it, about either axis, rad, one sigma: people hold a
// phone within 20 degrees (chosen).
const tiltSigma = 9 * math.Pi / 180

// knownOutlinePX is added to what a known marble's outline is uncertain by, px:
// one outline in twenty is off by more than it says, and with few known marbles
// there is none to outvote it (chosen).
const knownOutlinePX = 0.4

// Names in the budget of what known marbles bring.
const (
	FromKnown       = "known marbles"
	FromKnownSize   = "size of the known marbles"
	FromNoThickness = "the table itself"
)

// KnownMarble is a marble that was measured, as seen.
type KnownMarble struct {
	Outline    SeenOutline
	DiameterMM float64
}

// CheckKnownMM says what is wrong with a caliper's reading.
func CheckKnownMM(mm float64) error {
	if !(mm >= leastKnownMM && mm <= mostKnownMM) {
		return fmt.Errorf("a known marble of %g mm can't be right: give its diameter in millimetres, %d to %d", mm, leastKnownMM, mostKnownMM)
	}
	return nil
}

// KnownRuler takes the scale from marbles of known diameter. on is another ruler
// in the photo, whose plane is then used with the marbles' scale; nil for none.
// Without one, the marbles' own distances give the plane as far as they can: the
// sphere of radius r that grazes a cone of half-angle A is at r / sin A, so
// three that are apart fix the table, and one its distance only, with the tilt
// left to what is usual, which the uncertainty says. w and h are the picture's
// size, px.
func KnownRuler(known []KnownMarble, on *Ruler, rest Rest, w, h int, prior FocalPrior) (*Ruler, error) {
	if len(known) == 0 {
		return nil, fmt.Errorf("%w: no known marble", ErrPose)
	}
	for _, k := range known {
		if err := CheckKnownMM(k.DiameterMM); err != nil {
			return nil, err
		}
	}
	if on != nil && on.Source == SourceScan {
		return nil, fmt.Errorf("%w: a scan has its scale already", ErrPose)
	}
	if on != nil {
		return scaledByKnown(known, on, rest)
	}
	cam := Camera{FocalPX: prior.FocalPX, CxPX: float64(w-1) / 2, CyPX: float64(h-1) / 2}
	long := float64(max(w, h))
	type seen struct {
		e     Ellipse
		sigma float64 // mm
	}
	var all []seen
	start := 0.0
	for _, k := range known {
		e, ok := k.Outline.Cone.Outline(cam)
		if !ok {
			return nil, ErrPose
		}
		all = append(all, seen{e, math.Hypot(caliperU, k.Outline.relativeU(cam)*k.DiameterMM)})
		start += k.DiameterMM / 2 / k.Outline.Cone.SinHalfAngle() / float64(len(known))
	}
	n := len(known) + 8
	weighted := func(x [PoseParams]float64) []float64 {
		p := poseOf(x)
		r := make([]float64, 0, n)
		for i, k := range known {
			d := math.NaN()
			if c, ok := coneOfEllipse(all[i].e, p.Camera, 0); ok {
				if _, radius, ok := p.Plane.RestingOn(c, rest); ok {
					d = 2 * radius
				}
			}
			v := (d - k.DiameterMM) / all[i].sigma
			if math.IsNaN(v) {
				v = 1e6
			}
			r = append(r, v)
		}
		return append(r, (math.Log(prior.FocalPX)-x[0])/prior.Sigma, (cam.CxPX-x[1])/(principalSigma*long), (cam.CyPX-x[2])/(principalSigma*long),
			x[3]/tiltSigma, x[4]/tiltSigma, x[5]/1e-3, x[6]/1e-3, x[7]/1e-3)
	}
	x := [PoseParams]float64{math.Log(cam.FocalPX), cam.CxPX, cam.CyPX, 1e-4, 1e-4, 0, 0, 0, start + known[0].DiameterMM/2}
	x, _, jtj, ok := leastSquares(x, n, weighted)
	if !ok {
		return nil, ErrPose
	}
	p := poseOf(x)
	p.params = x
	var chol mat.Cholesky
	if !chol.Factorize(jtj) {
		return nil, ErrPose
	}
	p.Cov = mat.NewSymDense(PoseParams, nil)
	if chol.InverseTo(p.Cov) != nil || p.Plane.HeightMM <= 0 {
		return nil, ErrPose
	}
	p.FocalSigma, p.FocalSource = math.Sqrt(p.Cov.At(0, 0)), prior.Source
	return &Ruler{
		Source: SourceKnown, Name: knownWords(len(known)), Pose: &p, PoseFrom: FromKnown,
		Size: Quantity{FromKnownSize, 1, 0}, Thickness: Quantity{FromNoThickness, 0, 0}, Rest: rest, MMPerPX: p.MMPerPX(),
	}, nil
}

func knownWords(n int) string {
	if n == 1 {
		return "a marble measured with a caliper"
	}
	return fmt.Sprintf("%d marbles measured with a caliper", n)
}

// scaledByKnown is a ruler whose plane stays and whose lengths are scaled so
// that the known marbles come out as measured.
func scaledByKnown(known []KnownMarble, on *Ruler, rest Rest) (*Ruler, error) {
	out := *on
	out.Source, out.Name = SourceKnown, knownWords(len(known))+" on the plane of "+on.Name
	out.Rest = rest
	// The weighted mean of the factors; each is found by a few steps, as the
	// thickness and a rest do not scale.
	sum, sw := 0.0, 0.0
	for _, k := range known {
		one := out
		for range 20 {
			_, radius, ok := one.Table().RestingOn(k.Outline.Cone, rest)
			if !ok {
				return nil, ErrPose
			}
			one.Size.Value *= k.DiameterMM / (2 * radius)
		}
		u := math.Hypot(caliperU/k.DiameterMM, k.Outline.relativeU(on.Pose.Camera))
		sum, sw = sum+one.Size.Value/(u*u), sw+1/(u*u)
	}
	out.Size = Quantity{FromKnownSize, sum / sw, math.Sqrt(1 / sw)}
	out.MMPerPX = on.MMPerPX * out.Size.Value
	return &out, nil
}

// relativeU is the relative standard uncertainty of an outline's radius.
func (o SeenOutline) relativeU(cam Camera) float64 {
	e, ok := o.Cone.Outline(cam)
	if !ok {
		return 1
	}
	// |V|^2 = 1 / cos^2 A: dA = dV.v / (|v| tan A) with v the unit axis.
	a, tan := o.Cone.Axis(), 0.0
	if s := o.Cone.SinHalfAngle(); s > 0 {
		tan = s / math.Sqrt(1-s*s)
	}
	edge := 0.0
	for i := range a {
		for j := range a {
			edge += a[i] * a[j] * (o.CovV[i][j] + o.CovV[j][i]) / 2
		}
	}
	norm := o.Cone.V.Norm()
	return math.Hypot(math.Sqrt(math.Max(0, edge))/(norm*tan*tan), math.Hypot(o.BiasUPX, knownOutlinePX)/e.MeanRadiusPX())
}

// coneOfEllipse is the cone of the rays through an outline, moved outward by
// bias px.
func coneOfEllipse(e Ellipse, cam Camera, bias float64) (Cone, bool) {
	const around = 16
	rays, w := make([]Vec3, around), make([]float64, around)
	for k := range rays {
		px, py, nx, ny := e.At(2 * math.Pi * float64(k) / around)
		rays[k], w[k] = cam.Ray(px+bias*nx, py+bias*ny), 1
	}
	return FitCone(rays, w)
}
