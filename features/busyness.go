package features

import "math"

// busyHalf is the length of borders, in marble diameters, at which a marble is
// half busy: a single broad ribbon across the face has two borders of about a
// diameter each, a tightly folded one ten and more.
const busyHalf = 4.0

// What TurnsPerMM takes to be so before it looks.
const (
	// priorTurns is the number of turns that a ribbon makes in a diameter of its
	// own length when it is laid to and fro between two poles near the surface:
	// from 55 degrees on one side of the equator to 55 on the other, 0.85 of the
	// radius out, is 0.82 diameters, and the way from one pass to the next makes
	// up the rest of one.
	priorTurns = 1.0
	// priorDiameters is the length of ribbon, in diameters, whose turns would
	// weigh as much as that. One view shows about two diameters of ribbon and
	// one turn, which is known to no better than its own size (Poisson), while
	// marbles differ by about a quarter: (1/0.25)^2 = 16.
	priorDiameters = 16.0
	// vaneFrom and vaneTo are where VaneLikeness begins to say, and says for
	// certain, that ribbons are vanes, which don't turn. Set on rendered marbles
	// of both renderers, seven of them with vanes.
	vaneFrom, vaneTo = 0.30, 0.45
	// ordinaryMM is the diameter taken where the size isn't known, mm (5/8
	// inch, the commonest; common practice).
	ordinaryMM = 15.9
)

// TurnsPerMM estimates the number of times the ribbons turn back in a mm of
// their own length: the turns that are seen over the length that is seen, each
// with what is so of any marble added (the mean of a gamma distribution after
// Poisson counts), less the chance that they are vanes; 0 without ribbons.
// radiusMM may be 0 where the size isn't known.
func (n *Anatomy) TurnsPerMM(radiusMM float64) float64 {
	if !n.Ribbons {
		return 0
	}
	diameter := 2 * radiusMM
	if diameter == 0 {
		diameter = ordinaryMM
	}
	turns := (float64(n.Turns) + priorTurns*priorDiameters) / (n.LengthR/2 + priorDiameters)
	return turns * (1 - ramp(n.VaneLikeness(), vaneFrom, vaneTo)) / diameter
}

// VaneLikeness is one number in 0..1 for few straight vanes around an axis (1)
// against busy folding (0): the square root of the product of how
// much of an axis is seen as a slit (AxisLine), how much of the face ribbons
// cover, since vanes standing about an axis fill the glass, and how much of all
// borders are that slit's.
func (n *Anatomy) VaneLikeness() float64 {
	if n.BorderR == 0 {
		return 0
	}
	slit := 2 * n.AxisLine * 2 * borderWithin
	return math.Sqrt(n.AxisLine * n.Coverage * math.Min(1, slit/n.BorderR))
}

// Busyness is one number in 0..1 for how busy the swirl looks: 1 - 2^(-e/4),
// with e the length of borders between colours on the face in marble diameters.
// It grows with every ribbon, turn and fold that shows, levels off, and is the
// same for a small and a large marble with the same pattern.
func (a *Analysis) Busyness() (float64, bool) {
	if a.Parts.Usable == 0 {
		return 0, false
	}
	return 1 - math.Exp2(-a.Parts.Edge/busyHalf), true
}
