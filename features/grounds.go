package features

import "math"

// Ground is something that figures rest on and that a photo may give well or
// badly.
type Ground struct {
	Name string // in plain words, for docs: "sharpness"
	// Holds says how well it is given, 0..1.
	Holds func(a *Analysis) float64
}

// ramp goes from 0 at lo to 1 at hi (or from 1 to 0 where hi is below lo).
func ramp(v, lo, hi float64) float64 { return math.Max(0, math.Min(1, (v-lo)/(hi-lo))) }

// The grounds.
var (
	// seen is the share of the face that is neither glare, rim nor hidden,
	// against the share that a marble without glare shows.
	seen = Ground{"how much of the face is seen", func(a *Analysis) float64 {
		whole := math.Pi * a.Face.Radius * a.Face.Radius * RimFrom * RimFrom
		return ramp(float64(a.Parts.Usable)/whole, 0.2, 0.85)
	}}
	// sharp is how fine the blur is against the marble: a pattern of twenty
	// lines across needs a blur below a hundredth of the radius.
	sharp = Ground{"sharpness", func(a *Analysis) float64 { return ramp(a.Face.BlurShare, 0.12, 0.015) }}
	// large is how many pixels the marble has: fine ribbons need a hundred
	// across.
	large = Ground{"pixels across the marble", func(a *Analysis) float64 { return ramp(2*a.Face.Radius, 24, 100) }}
	// distinct is how far base and ribbons differ, weighted CIELAB.
	distinct = Ground{"how far base and ribbons differ", func(a *Analysis) float64 { return ramp(a.Parts.contrast(), 4, 20) }}
	// lit is whether the light comes from a side, so that there is a shadow to
	// read.
	lit = Ground{"a shadow to read", func(a *Analysis) float64 { return 0.5 + 0.5*ramp(a.Shadow.Depth, 0.05, 0.25) }}
	// litOrMarked is the same where there may be a mark under the marble, which
	// needs no shadow.
	litOrMarked = Ground{"a shadow to read, or the mat's mark under the marble", func(a *Analysis) float64 {
		return math.Max(lit.Holds(a), a.Mark.sure())
	}}
)

// contrast is the weighted CIELAB distance of the base from the nearest
// ribbon colour that covers a twentieth of the face; without bound where there
// is none to confuse it with, 0 where the base itself can't be told.
func (p *Parts) contrast() float64 {
	if p.Base < 0 {
		return 0
	}
	best := math.Inf(1)
	for k, c := range p.Colours {
		if k != p.Base && c.Share >= 0.05 {
			best = math.Min(best, math.Sqrt(dist2(weighted(c.Lab), weighted(p.Colours[p.Base].Lab))))
		}
	}
	return best
}
