// Package sortmat is the sorting mat: a printed sheet with the reference card's
// chessboard at one edge, a grey ground with numbered places for marbles, and
// under each place a fine mark that shows through clear glass. It says where
// everything lies, once for drawing, reading and rendering, and how a mark is
// seen through a ball of glass.
//
// All lengths are millimetres. The origin is the top-left corner of the card
// that is part of the mat, x to the right, y down, so that whatever is true of
// the card's chessboard, ladder and check bar is true here.
package sortmat

import "math"

// Version is printed on the mat and written in its code; a mat whose places or
// marks lie elsewhere gets another number and another code.
const Version = 1

// The mat: the card at its top left, the ground right of it and below. It fits
// both ISO 216 A4 and US Letter with 6 mm to spare all round, so that one
// geometry serves both papers.
const (
	WidthMM  = 198.0
	HeightMM = 259.0

	CardWidthMM  = 105.0 // as the reference card
	CardHeightMM = 74.0

	// GroundLeftMM is where the ground beside the card begins; what lies left of
	// it is the card's own white.
	GroundLeftMM = 109.0
	GroundTopMM  = 75.0 // and below the card
)

// Places: rows of five below the card, two rows of two beside it.
const (
	PitchMM   = 37.0
	LargestMM = 25.0 // a marble that has room on every place
	// OnPlaceMM is how far from a place's middle a marble may touch the mat and
	// still be the one that lies on it.
	OnPlaceMM = 10.0

	firstX, firstY = 25.0, 18.5
	columns        = 5
	firstBeside    = 3 // columns 3 and 4 go on beside the card
	rowsBeside     = 2
	rowsBelow      = 5
)

// Place is one place for a marble.
type Place struct {
	Number int     // from 1, as printed
	X, Y   float64 // its middle
}

// Places are all places, by number: row by row from the top, left to right.
func Places() []Place {
	var out []Place
	for r := range rowsBeside + rowsBelow {
		for c := range columns {
			if r < rowsBeside && c < firstBeside {
				continue
			}
			out = append(out, Place{len(out) + 1, firstX + PitchMM*float64(c), firstY + PitchMM*float64(r)})
		}
	}
	return out
}

// The place's number stands at the upper left of it, its baseline's left end
// NumberDX, NumberDY from the middle, clear of a marble of LargestMM.
const (
	NumberDX, NumberDY = -16.5, -11.5
	NumberSizeMM       = 4.2 // height of the type, ascender to descender
)

// Rest-ring outlines: short dashes where the outer edge of a flat washer for
// 10 mm bolts comes to lie (ISO 7089: 10.5 mm hole, 20 mm across, 2 mm thick).
// Whole circles would look like marbles to whoever looks for round things.
const (
	RingInnerMM     = 10.5
	RingOuterMM     = 20.0
	RingThicknessMM = 2.0
	ringDashes      = 8
	ringDashDeg     = 9.0
	ringLineMM      = 0.2
)

// Lightnesses (CIELAB L*). The mark's two tones are ones that the card's ladder
// has too, so that what a printer makes of them can be read off the ladder in
// the same photo; the ground is as bright as both together, dark enough for
// white marbles to stand out from it.
const (
	PaperL = 95.0
	LightL = 80.0
	DarkL  = 50.0
	BlackL = 20.0
	inkL   = 38.0 // numbers
	ringL  = 50.0 // dashes
)

// The mark: parallel stripes along x, light and dark by turns about the ground,
// PeriodMM from light to light. Within CoreMM of the place's middle they have
// full contrast, out to MarkMM outerShare of it, so that they are faint where a
// small marble leaves them uncovered.
//
// A ball shows only what lies within a sixth of its radius about one point of
// the mat: where it touches, seen from above, and R tan(tilt) farther off, seen
// from the side. It shows it 3.17 times as large as it is (Magnification). So
// for marbles of 12 to 25 mm, seen up to some 20 degrees from above, CoreMM
// suffices, and all of it is under the marble. PeriodMM puts two and a half
// periods into the smallest marble and five into the largest, each 9 px wide
// where a marble of 16 mm is 60 px across, 30 px where it is 200; and uncovered
// it is 3 px or less in the small ones, of which the blur of a usual photo (1
// px, one standard deviation) leaves an eighth.
const (
	PeriodMM   = 0.8
	CoreMM     = 4.6
	MarkMM     = 7.0
	outerShare = 0.3
)

// Reflectance is CIE 15's Y (0..1) for a lightness above 8.
func Reflectance(l float64) float64 { return math.Pow((l+16)/116, 3) }

// Lightness is the inverse of Reflectance.
func Lightness(y float64) float64 { return 116*math.Cbrt(y) - 16 }

// GroundY is the ground's reflectance: the mean of the mark's two tones.
func GroundY() float64 { return (Reflectance(LightL) + Reflectance(DarkL)) / 2 }

// GroundL is the ground's lightness.
func GroundL() float64 { return Lightness(GroundY()) }

// Contrast is the mark's nominal modulation: light less dark over light plus
// dark.
func Contrast() float64 {
	light, dark := Reflectance(LightL), Reflectance(DarkL)
	return (light - dark) / (light + dark)
}

// Stripe is one stripe of a mark, from its place's middle: y from Top to
// Top + PeriodMM/2, x within Half of the middle.
type Stripe struct {
	Top, Half float64
	// Sign is +1 for a light stripe, -1 for a dark one; Share its contrast over
	// the full one.
	Sign, Share float64
}

// Stripes are the stripes of a mark; those of the core come last and lie over
// the others.
func Stripes() []Stripe {
	var out []Stripe
	for _, ring := range [2]struct{ radius, share float64 }{{MarkMM, outerShare}, {CoreMM, 1}} {
		n := int(2*ring.radius/PeriodMM) + 1
		for k := -n; k < n; k++ {
			if top := PeriodMM / 2 * float64(k); half(top, ring.radius) > 0 {
				out = append(out, Stripe{top, half(top, ring.radius), sign(k), ring.share})
			}
		}
	}
	return out
}

// half is half the length of the stripe that begins at top within a circle.
func half(top, radius float64) float64 {
	middle := top + PeriodMM/4
	return math.Sqrt(math.Max(0, radius*radius-middle*middle))
}

func sign(k int) float64 {
	if k&1 == 0 {
		return 1
	}
	return -1
}

// MarkAt is the mark's share of full contrast at (x, y) from its place's
// middle: +1 on a light stripe, -1 on a dark one, 0 off the mark. reach is 1
// within the core, less beyond, 0 off the mark.
func MarkAt(x, y float64) (v, reach float64) {
	k := int(math.Floor(y / (PeriodMM / 2)))
	top := PeriodMM / 2 * float64(k)
	switch {
	case math.Abs(x) <= half(top, CoreMM):
		return sign(k), 1
	case math.Abs(x) <= half(top, MarkMM):
		return sign(k) * outerShare, outerShare
	}
	return 0, 0
}

// StripeL is the lightness a stripe is printed in.
func StripeL(s Stripe) float64 {
	return Lightness(GroundY() * (1 + s.Sign*s.Share*Contrast()))
}
