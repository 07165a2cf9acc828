package vision

import (
	"math"
	"sort"

	"tawsight/calib"
)

// Ultraviolet is what speaks for a photo having been taken under an
// ultraviolet lamp: nothing gives light but the lamp's violet and blue spill,
// paper's brighteners, and what glows.
type Ultraviolet struct {
	// Is says that the photo was taken under ultraviolet light.
	Is bool
	// FieldY is the luminance of the open background, linear, 0..1; BlueShare
	// blue's share of its linear R + G + B.
	FieldY, BlueShare float64
	Glows             []Glow // of each marble, in the order given
}

// Glow is the light a marble gives of its own.
type Glow struct {
	// Share of the face (inside 0.95 of the radius) that glows, 0..1.
	Share float64
	// Linear is the median linear RGB of what glows, as recorded, without any
	// balance: there is no white under such a lamp. Zero where nothing glows.
	Linear [3]float64
}

// Limits for recognising ultraviolet light.
const (
	// uvFieldY: a lamp's visible spill is weak against any daylight or room
	// exposure, so the background stays below a fifth of full scale.
	uvFieldY = 0.20
	// uvBlueShare: the spill lies below 450 nm, and paper's brighteners shine
	// from 420 to 470 nm (common practice). Paper under a clear blue sky (15,000
	// K) recorded without balance has a blue share of 0.45.
	uvBlueShare = 0.55
	// uvDeepBlue is a share that no lit paper has: with it a dark field speaks
	// for itself, whether or not anything glows.
	uvDeepBlue = 0.72
	// glowTimes is how many times brighter than the background a glow is, and
	// glowTurn how many times its red or green over blue exceeds the
	// background's: glowing glass turns the lamp's violet into another colour.
	glowTimes = 2.0
	glowTurn  = 3.0
)

// LookForUltraviolet examines a photo whose survey is at hand.
func LookForUltraviolet(p *Photo, s Survey, marbles []calib.Ellipse) (u Ultraviolet) {
	field := s.PaperLinear
	sum := field[0] + field[1] + field[2]
	u.FieldY = lum(field)
	if sum > 1e-5 {
		u.BlueShare = field[2] / sum
	}
	u.Glows = make([]Glow, len(marbles))
	if s.OpenShare == 0 || u.FieldY > uvFieldY {
		return u
	}
	px := p.pixels()
	for i, e := range marbles {
		u.Glows[i] = glowOf(px, e, field)
	}
	glowing := 0
	for _, g := range u.Glows {
		if g.Share > 0.1 {
			glowing++
		}
	}
	u.Is = u.BlueShare > uvDeepBlue || u.BlueShare > uvBlueShare && glowing > 0
	return u
}

// GlowAt measures the glow of glass at an outline of a photo known to be under
// ultraviolet light, against the background as surveyed.
func GlowAt(p *Photo, s Survey, e calib.Ellipse) Glow {
	return glowOf(p.pixels(), e, s.PaperLinear)
}

func glowOf(px calib.Pixels, e calib.Ellipse, field [3]float64) (g Glow) {
	if px.W == 0 || e.SemiMinorPX <= 0 {
		return g
	}
	y := math.Max(0.002, lum(field))
	turn := func(c [3]float64) float64 { return math.Max(c[0], c[1]) / math.Max(0.001, c[2]) }
	base := math.Max(0.05, turn(field))
	var v [3][]float64
	n := 0
	step := math.Max(1, e.SemiMajorPX/40)
	r := math.Ceil(e.SemiMajorPX)
	for dy := -r; dy <= r; dy += step {
		for dx := -r; dx <= r; dx += step {
			x, y2 := e.CxPX+dx, e.CyPX+dy
			a, b := e.Unit(x, y2)
			ix, iy := int(math.Round(x)), int(math.Round(y2))
			if a*a+b*b > 0.95*0.95 || ix < 0 || iy < 0 || ix >= px.W || iy >= px.H {
				continue
			}
			n++
			c := px.Linear(ix, iy)
			if lum(c) > glowTimes*y && turn(c) > glowTurn*base {
				for k := range v {
					v[k] = append(v[k], c[k])
				}
			}
		}
	}
	if n == 0 || len(v[0]) == 0 {
		return g
	}
	g.Share = float64(len(v[0])) / float64(n)
	for k := range v {
		sort.Float64s(v[k])
		g.Linear[k] = v[k][len(v[k])/2]
	}
	return g
}

// SameTray maps the outlines of one photo into another of the same tray by the
// card seen in both: corners are the card's inner corners in either, px, and
// long the pictures' longer sides, px. ok is false when the camera was moved so
// far that marbles, which stand above the card's plane, would land beside
// themselves: by more than a tenth of the picture's longer side at any corner.
func SameTray(fromLong, toLong int, fromCorners, toCorners [][2]float64, marbles []calib.Ellipse) (mapped []calib.Ellipse, ok bool) {
	if len(fromCorners) == 0 || len(fromCorners) != len(toCorners) {
		return nil, false
	}
	for i := range fromCorners {
		dx := fromCorners[i][0]/float64(fromLong) - toCorners[i][0]/float64(toLong)
		dy := fromCorners[i][1]/float64(fromLong) - toCorners[i][1]/float64(toLong)
		if math.Hypot(dx, dy) > 0.1 {
			return nil, false
		}
	}
	h, err := calib.Homography(fromCorners, toCorners)
	if err != nil {
		return nil, false
	}
	for _, e := range marbles {
		m := e
		m.CxPX, m.CyPX = calib.Apply(h, e.CxPX, e.CyPX)
		x, y := calib.Apply(h, e.CxPX+e.SemiMajorPX, e.CyPX)
		k := math.Hypot(x-m.CxPX, y-m.CyPX) / e.SemiMajorPX
		m.SemiMajorPX, m.SemiMinorPX = k*e.SemiMajorPX, k*e.SemiMinorPX
		// A small turn between the two, for what an ellipse's axis matters.
		m.AngleDeg += math.Atan2(y-m.CyPX, x-m.CxPX) * 180 / math.Pi
		mapped = append(mapped, m)
	}
	return mapped, true
}
