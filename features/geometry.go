package features

import "math"

// Reasons for absence of the ribbons' geometry.
const (
	noLine     = "no ribbon is long enough to follow"
	noStack    = "no folds lie side by side"
	noGrain    = "no ribbon is wide enough in pixels where it runs straight"
	noStraight = "too little of a ribbon is seen to measure its width"
	noBorder   = "too little border between ribbons and base is seen"
)

// grounds of the geometry.
var shapeGrounds = []Ground{seen, sharp, large, distinct}

// traced gives the reason for absence of what is read off the ribbons' lines.
func traced(a *Analysis) string {
	switch {
	case a.Parts.Usable == 0:
		return tooLittleSeen
	case !a.Anatomy.Known:
		return noBase
	case !a.Anatomy.Ribbons:
		return noRibbon
	case len(a.Anatomy.Lines) == 0:
		return noLine
	}
	return ""
}

// perDiameter is a number of something over the length of the ribbons' lines
// in marble diameters.
func perDiameter(a *Analysis, n float64) float64 {
	return n / math.Max(a.Anatomy.LengthR/2, 1e-9)
}

// geometryFeatures are how the ribbons run.
var geometryFeatures = []Feature{
	{
		Name: "ribbon_width_spread", Label: "unevenness of ribbon width", Low: 0, High: 3,
		NotCompared: doesNotRepeat,
		Meaning:     "From the lower to the upper quartile of the ribbons' widths, over the median: 0 for ribbons of one width.",
		Disturbed:   "refraction, which magnifies what lies deep; ribbons that lean",
		Rests:       shapeGrounds,
		Measure: func(a *Analysis) (float64, string) {
			w := a.Anatomy.Widths
			if r := traced(a); r != "" || len(w) < leastWidths {
				return 0, orElse(r, noStraight)
			}
			return (quantile(w, 0.75) - quantile(w, 0.25)) / quantile(w, 0.5), ""
		},
	},
	{
		Name: "ribbon_length", Label: "length of ribbon on an area", Unit: "1/mm", Low: 0, High: 3,
		LogFrom:   0.05,
		Meaning:   "Length of the ribbons' middle lines over the area of the surface that is seen, both along the sphere.",
		Disturbed: "ribbons run together by blur, ribbons seen through the glass from behind",
		Rests:     shapeGrounds,
		Measure: func(a *Analysis) (float64, string) {
			if a.Face.RadiusMM == 0 {
				return 0, noScale
			}
			if r := traced(a); r != "" {
				return 0, r
			}
			return a.Anatomy.LengthR / (a.Anatomy.AreaR2 * a.Face.RadiusMM), ""
		},
	},
	{
		Name: "turns", Label: "turns of the ribbons", Unit: "1/diameter", Low: 0, High: 10,
		NotCompared: doesNotRepeat,
		LogFrom:     0.3,
		Meaning:     "How often the ribbons turn back (by 115 degrees or more within 0.9 of the radius) in one marble diameter of their length.",
		Disturbed:   "the side of the marble that lies up: one view shows about one turn; crossings taken for turns",
		Rests:       shapeGrounds,
		Measure: func(a *Analysis) (float64, string) {
			return perDiameter(a, float64(a.Anatomy.Turns)), traced(a)
		},
	},
	{
		Name: "sharp_turns", Label: "sharp turns of the ribbons", Unit: "1/diameter", Low: 0, High: 10,
		NotCompared: doesNotRepeat,
		LogFrom:     0.3,
		Meaning:     "The same for turns within two widths of the ribbon.",
		Disturbed:   "the side of the marble that lies up; crossings taken for turns",
		Rests:       shapeGrounds,
		Measure: func(a *Analysis) (float64, string) {
			return perDiameter(a, float64(a.Anatomy.Sharp)), traced(a)
		},
	},
	{
		Name: "turns_per_mm", Label: "turns in a mm of ribbon", Unit: "1/mm", Low: 0, High: 0.5,
		NotCompared: saidAlready,
		LogFrom:     0.01,
		Meaning:     "Estimate of how often the ribbons turn back in a mm of their whole length, hidden parts too: what is seen, drawn towards one turn a diameter, as ribbons laid to and fro have; 0 for vanes.",
		Disturbed:   "one view shows about one turn, so it follows the marble's size above all",
		Rests:       shapeGrounds,
		Measure: func(a *Analysis) (float64, string) {
			if a.Face.RadiusMM == 0 {
				return 0, noScale
			}
			return a.Anatomy.TurnsPerMM(a.Face.RadiusMM), traced(a)
		},
	},
	{
		Name: "turning", Label: "turning of the ribbons", Unit: "degrees/diameter", Low: 0, High: 2000,
		NotCompared: doesNotRepeat,
		LogFrom:     50,
		Meaning:     "Angle through which the ribbons' middle lines turn on the sphere, summed up, in one marble diameter of their length: 0 for great circles.",
		Disturbed:   "blur, ragged borders, crossings",
		Rests:       shapeGrounds,
		Measure: func(a *Analysis) (float64, string) {
			return perDiameter(a, a.Anatomy.TurningRad*180/math.Pi), traced(a)
		},
	},
	{
		Name: "fold_period_mm", Label: "spacing of folds", Unit: "mm", Low: 0, High: 15,
		NotCompared: doesNotRepeat,
		LogFrom:     0.3,
		Meaning:     "Tightest distance from one fold to the next where three or more lie side by side.",
		Disturbed:   "blur that runs folds together, ribbons behind",
		Rests:       shapeGrounds,
		Measure: func(a *Analysis) (float64, string) {
			switch r := traced(a); {
			case r != "":
				return 0, r
			case a.Face.RadiusMM == 0:
				return 0, noScale
			case a.Anatomy.Stack.PeriodR == 0:
				return 0, noStack
			}
			return a.Anatomy.Stack.PeriodR * a.Face.RadiusMM, ""
		},
	},
	{
		Name: "fold_regularity", Label: "regularity of folds", Low: 0, High: 1,
		NotCompared: doesNotRepeat,
		Meaning:     "How alike the spaces between such folds are: 1 like ribs.",
		Disturbed:   "blur that runs folds together, ribbons behind",
		Rests:       shapeGrounds,
		Measure: func(a *Analysis) (float64, string) {
			if r := traced(a); r != "" || a.Anatomy.Stack.PeriodR == 0 {
				return 0, orElse(r, noStack)
			}
			return a.Anatomy.Stack.Regularity, ""
		},
	},
	{
		Name: "thin_gaps", Label: "thin base between folds", Low: 0, High: 1,
		Meaning:   "Share of the ribbons' borders on the base beyond which, within 0.6 of the ribbon's width, another ribbon or fold comes.",
		Disturbed: "blur that closes gaps",
		Rests:     shapeGrounds,
		Measure:   func(a *Analysis) (float64, string) { return a.Anatomy.Gaps.Share, traced(a) },
	},
	{
		Name: "orientation_spread", Label: "spread of directions", Low: 0, High: 1,
		NotCompared: doesNotRepeat,
		Meaning:     "Circular variance of the directions in which the ribbons' borders run, opposite ones being one: 0 all alike, 1 every way.",
		Disturbed:   "the side of the marble that lies up",
		Rests:       shapeGrounds,
		Measure: func(a *Analysis) (float64, string) {
			if r := traced(a); r != "" || math.IsNaN(a.Anatomy.AxialVariance) {
				return 0, orElse(r, noBorder)
			}
			return a.Anatomy.AxialVariance, ""
		},
	},
	{
		Name: "straightness", Label: "straightness of borders", Low: 0, High: 1,
		Meaning:   "How straight the ribbons' borders run on the sphere over 0.6 of the radius: 1 great circles, 0 half circles.",
		Disturbed: "blur, ragged borders",
		Rests:     shapeGrounds,
		Measure: func(a *Analysis) (float64, string) {
			if r := traced(a); r != "" || !a.Anatomy.StraightKnown {
				return 0, orElse(r, noBorder)
			}
			return a.Anatomy.Straight, ""
		},
	},
	{
		Name: "vanes", Label: "likeness to vanes", Low: 0, High: 1,
		Meaning:   "Few straight vanes about an axis (towards 1) against folded ribbons (towards 0): how much of an axis is seen as a straight slit, ribbons fill the glass, and there are few other borders.",
		Disturbed: "a base and a ribbon mistaken for each other, a straight gap that happens to pass the middle",
		Rests:     shapeGrounds,
		Measure:   func(a *Analysis) (float64, string) { return a.Anatomy.VaneLikeness(), traced(a) },
	},
	{
		Name: "symmetry", Label: "two-sided symmetry", Low: 0, High: 1,
		Meaning:   "How alike the pattern is on both sides of the best mirror line through the middle, against chance (Cohen's kappa).",
		Disturbed: "the side of the marble that lies up, glare",
		Rests:     shapeGrounds,
		Measure: func(a *Analysis) (float64, string) {
			if r := traced(a); r != "" || !a.Anatomy.MirrorKnown {
				return 0, orElse(r, noRibbon)
			}
			return a.Anatomy.Mirror, ""
		},
	},
	{
		Name: "edge_flames", Label: "raggedness of borders", Low: 0, High: 2,
		NotCompared: doesNotRepeat,
		LogFrom:     0.02,
		Meaning:     "How much longer the ribbons' borders are than when smoothed by a quarter of the radius: flames and scallops.",
		Disturbed:   "blur, folds closer than that",
		Rests:       shapeGrounds,
		Measure: func(a *Analysis) (float64, string) {
			if r := traced(a); r != "" || !a.Anatomy.RoughKnown {
				return 0, orElse(r, noBorder)
			}
			return a.Anatomy.Rough.Coarse, ""
		},
	},
	{
		Name: "edge_fringe", Label: "fine raggedness of borders", Low: 0, High: 2,
		NotCompared: doesNotRepeat,
		LogFrom:     0.02,
		Meaning:     "How much longer the borders are than when smoothed by a tenth of the radius.",
		Disturbed:   "blur, noise",
		Rests:       shapeGrounds,
		Measure: func(a *Analysis) (float64, string) {
			if r := traced(a); r != "" || !a.Anatomy.RoughKnown {
				return 0, orElse(r, noBorder)
			}
			return a.Anatomy.Rough.Fine, ""
		},
	},
	{
		Name: "striation", Label: "stripes within a ribbon", Unit: "L*", Low: 0, High: 40,
		NotCompared: doesNotRepeat,
		LogFrom:     0.5,
		Meaning:     "Lightness that varies across a ribbon and stays the same along it (standard deviation), shading aside: 0 for solid ribbons.",
		Disturbed:   "blur finer than the stripes, one ribbon seen through another",
		Rests:       shapeGrounds,
		Measure: func(a *Analysis) (float64, string) {
			if r := traced(a); r != "" || !a.Anatomy.Grain.Known {
				return 0, orElse(r, noGrain)
			}
			return a.Anatomy.Grain.Striation, ""
		},
	},
	{
		Name: "two_tone", Label: "dark to light across a ribbon", Unit: "L*", Low: 0, High: mostTwoTone,
		LogFrom:   2,
		Meaning:   "Difference of lightness from one edge of a ribbon to the other: 0 for ribbons of one tone.",
		Disturbed: "light from one side, a ribbon that leans into the glass",
		Rests:     shapeGrounds,
		Measure: func(a *Analysis) (float64, string) {
			if r := traced(a); r != "" || !a.Anatomy.Grain.Known {
				return 0, orElse(r, noGrain)
			}
			return a.Anatomy.Grain.TwoTone, ""
		},
	},
	{
		Name: "paired", Label: "white and colour side by side", Low: 0, High: 1,
		Meaning:   "Share of the length of the white or the coloured ribbon, whichever is the shorter, along which the other runs beside it: towards 1 for pairs, 0 where there is only one of the two.",
		Disturbed: "white ribbon lost against bright clear glass, ribbons that cross",
		Rests:     shapeGrounds,
		Measure: func(a *Analysis) (float64, string) {
			r := traced(a)
			if r == noRibbon {
				r = ""
			}
			if r == "" && a.Glass.NotOpaque < 0.5 {
				r = "the colours of an opaque marble's surface always lie side by side"
			}
			return a.Anatomy.Pairs.Share, r
		},
	},
	{
		Name: "pair_gap_mm", Label: "gap within pairs", Unit: "mm", Low: 0, High: 3,
		NotCompared: doesNotRepeat,
		LogFrom:     0.1,
		Meaning:     "Median width of the base between the two ribbons of a pair.",
		Disturbed:   "blur that closes gaps",
		Rests:       shapeGrounds,
		Measure: func(a *Analysis) (float64, string) {
			switch r := traced(a); {
			case r != "":
				return 0, r
			case a.Face.RadiusMM == 0:
				return 0, noScale
			case a.Glass.NotOpaque < 0.5 || a.Anatomy.Pairs.Share < 0.3:
				return 0, "there is no pair of ribbons"
			}
			return a.Anatomy.Pairs.GapR * a.Face.RadiusMM, ""
		},
	},
}

// orElse is the first reason, or the second where there is no first.
func orElse(a, b string) string {
	if a != "" {
		return a
	}
	return b
}
