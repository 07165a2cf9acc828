package calib

import (
	"errors"
	"fmt"
	"math"
)

// What a photo may have its scale from, as it stands in the record.
const (
	SourceCard  = "card"  // the printed reference card
	SourceID1   = "id1"   // a card of the size ISO/IEC 7810 ID-1
	SourceSheet = "sheet" // the whole sheet of paper that the marbles lie on
	SourceCoin  = "coin"  // a coin that the user named
	SourceScan  = "scan"  // a flatbed scanner's resolution
	SourceKnown = "known" // marbles that the user measured
)

// Quantity is one property of a ruler with its standard uncertainty and its
// name in the budget.
type Quantity struct {
	Name     string
	Value, U float64
}

// Ruler is what gives a photo its scale: what it is, how it lies, and how well
// it is known. Every length measured by it is Size.Value times the pose's, with
// the table Thickness.Value (mm) below the plane of the pose.
type Ruler struct {
	Source string // one of the Source constants
	Name   string // in words, for people: "a bank card", "an A5 sheet"
	// Pose is how the ruler's face lies before the camera; nil for a scan.
	// PoseFrom is the name in the budget of what its covariance comes from,
	// the focal length left out.
	Pose     *Pose
	PoseFrom string
	// Other is a second pose that what is seen fits as well, or nearly; nil for
	// none. Doubt is the chance (0 to 0.5) that it is the true one.
	Other *Pose
	Doubt float64
	// Size is relative: the ruler's true lengths over those the pose was fitted
	// with. Thickness is in mm.
	Size, Thickness Quantity
	// Rest is what the marbles lie on.
	Rest Rest
	// Taken are the polygons (px) in which no marble is looked for, and Sheet
	// the one outside which none is; nil for none.
	Taken [][][2]float64
	Sheet [][2]float64
	// MMPerPX is the scale at the picture's middle, on the ruler's plane.
	MMPerPX float64
}

// Table is the plane the marbles lie on.
func (r *Ruler) Table() Plane {
	p := r.Pose.Plane
	p.HeightMM = p.HeightMM*r.Size.Value + r.Thickness.Value
	return p
}

// FromTwoPoses is the name in the budget of the choice between two poses.
const FromTwoPoses = "which way the ruler tilts"

// other is the standard uncertainty, mm, that the second pose brings to a
// diameter of mm: that of a quantity which has one of two values, mm with the
// chance 1-Doubt and the second pose's with Doubt.
func (r *Ruler) other(o SeenOutline, mm float64) float64 {
	if r.Other == nil || r.Doubt <= 0 {
		return 0
	}
	two := *r
	two.Pose, two.Other = r.Other, nil
	_, radius, ok := two.Table().RestingOn(o.Cone, r.Rest)
	if !ok {
		return 0
	}
	return math.Abs(2*radius-mm) * math.Sqrt(r.Doubt)
}

// CardRuler is the printed card as a ruler. pose was fitted with the card's
// lengths already times scale.Factor.
func CardRuler(pose *Pose, scale PrintScale) *Ruler {
	r := &Ruler{
		Source: SourceCard, Name: "the printed card", Pose: pose, PoseFrom: FromCorners,
		Size:      Quantity{FromPrint, 1, scale.U / scale.Factor},
		Thickness: Quantity{FromThickness, cardThicknessMM, UniformU(cardThicknessHalfMM)},
		MMPerPX:   pose.MMPerPX(),
	}
	var card [][2]float64
	for _, c := range [][2]float64{{0, 0}, {CardWidthMM, 0}, {CardWidthMM, CardHeightMM}, {0, CardHeightMM}} {
		x, y, _ := pose.Pixel(c[0]*scale.Factor, c[1]*scale.Factor)
		card = append(card, [2]float64{x, y})
	}
	r.Taken = [][][2]float64{card}
	return r
}

// What a marble may rest on.
const (
	RestTable = ""     // the table itself
	RestRing  = "ring" // a ring or washer that lies on the table
	RestWell  = "well" // a round hole in a tray whose top the ruler lies on
)

// Rest is what the marbles lie on. Of a ring, WidthMM is the inner diameter and
// HeightMM how high its inner edge is above the table; of a well, the diameter
// and the depth.
type Rest struct {
	Kind              string
	WidthMM, HeightMM float64
}

// restU is the standard uncertainty of a rest's width and height: read with a
// caliper on an edge that is a little rounded (chosen).
const restU = 0.05

// Limits of a rest, mm: what could hold a marble.
const (
	leastRestMM, mostRestMM       = 3, 60
	mostRingHeightMM, mostDepthMM = 20, 40
)

// ErrRest is wrapped by every error of Rest.Check.
var ErrRest = errors.New("no rest for a marble")

// Check says what is wrong with a rest.
func (r Rest) Check() error {
	if r.Kind == RestTable {
		return nil
	}
	if r.Kind != RestRing && r.Kind != RestWell {
		return fmt.Errorf("%w: %q is neither ring nor well", ErrRest, r.Kind)
	}
	if !(r.WidthMM >= leastRestMM && r.WidthMM <= mostRestMM) {
		return fmt.Errorf("%w: a %s %g mm wide; give the inner diameter in millimetres, %d to %d", ErrRest, r.Kind, r.WidthMM, leastRestMM, mostRestMM)
	}
	most := float64(mostRingHeightMM)
	if r.Kind == RestWell {
		most = mostDepthMM
	}
	if !(r.HeightMM > 0 && r.HeightMM <= most) {
		return fmt.Errorf("%w: a %s %g mm high or deep; give millimetres, more than 0 and up to %g", ErrRest, r.Kind, r.HeightMM, most)
	}
	return nil
}

// CentreMM is how high above the ruler's table the centre of a sphere of radius
// r lies. On an edge of inner radius q at height t it is t + sqrt(r^2 - q^2);
// a sphere that would then dip below what lies under the edge, or that falls
// through, lies on that instead.
func (r Rest) CentreMM(radiusMM float64) float64 {
	if r.Kind == RestTable {
		return radiusMM
	}
	h := radiusMM
	if q := r.WidthMM / 2; radiusMM > q {
		h = math.Max(h, r.HeightMM+math.Sqrt(radiusMM*radiusMM-q*q))
	}
	if r.Kind == RestWell {
		h -= r.HeightMM
	}
	return h
}

// RestingOn is Resting for a sphere on a rest: its centre at the distance d
// along the cone's axis a, with radius r = d sin A, is as high above the plane
// as the rest holds it: H + d n.a = Rest.CentreMM(r).
func (p Plane) RestingOn(c Cone, rest Rest) (distanceMM, radiusMM float64, ok bool) {
	if rest.Kind == RestTable {
		return p.Resting(c)
	}
	s, na := c.SinHalfAngle(), p.Normal.Dot(c.Axis())
	if s <= 0 || na >= 0 || p.HeightMM <= 0 {
		return 0, 0, false
	}
	// The left side falls with d and the right side grows, so there is one
	// crossing; a jump (a sphere that just fits a high ring) counts as one.
	over := func(d float64) float64 { return p.HeightMM + d*na - rest.CentreMM(d*s) }
	lo, hi := 0.0, (p.HeightMM+mostDepthMM)/-na
	if over(lo) <= 0 {
		return 0, 0, false
	}
	for range 80 {
		mid := (lo + hi) / 2
		if over(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi, hi * s, true
}
