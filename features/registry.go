package features

import (
	"math"
	"slices"
)

// Version of the registry: it goes up whenever a feature is added, removed or
// measured differently, so that figures of two versions are never mixed.
const Version = 5

// Feature is one number that is measured of a marble.
type Feature struct {
	Name    string // key in records, CSV header and models
	Label   string // in plain words, for reasons: "ribbon width"
	Unit    string // "" for a pure number
	Meaning string // one sentence for people
	// Low and High are the range that values lie in.
	Low, High float64
	// Disturbed says what misleads it.
	Disturbed string
	// LogFrom, when above 0, has sets compared by the logarithm of value +
	// LogFrom: for what differs by ratios, such as widths. It is the size below
	// which differences no longer matter.
	LogFrom float64
	// NotCompared is why sets are not compared by it, "" where they are: the
	// figure is shown, but photos of one marble differ in it as much as marbles
	// do, or it says again what another feature says.
	NotCompared string
	// Rests are what the figure rests on: each lowers how sure it is.
	Rests []Ground
	// Measure reads it off an analysis. absent is why it can't be had from this
	// marble, in plain words; "" when it can.
	Measure func(a *Analysis) (v float64, absent string)
}

// Reading is one feature of one marble.
type Reading struct {
	Value float64
	// Sure is how sure the value is on this marble, 0..1: 1 as good as the
	// method gets, below about 0.3 not to be relied on.
	Sure float64
	// Absent is why there is no value, "" when there is.
	Absent string
}

// Read measures a feature and says how sure it is.
func (f Feature) Read(a *Analysis) Reading {
	v, absent := f.Measure(a)
	if absent != "" {
		return Reading{Absent: absent}
	}
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return Reading{Absent: "it could not be worked out from what is seen"}
	}
	r := Reading{Value: math.Max(f.Low, math.Min(f.High, v)), Sure: 1}
	for _, g := range f.Rests {
		r.Sure *= g.Holds(a)
	}
	return r
}

// Reasons for not comparing sets by a feature.
const (
	// doesNotRepeat: over marbles photographed four times in other light, from
	// another distance and at another tilt, it differed from photo to photo
	// about as much as from marble to marble (`go run ./cmd/accuracy`).
	doesNotRepeat = "it differs from photo to photo of one marble about as much as from marble to marble"
	// saidAlready: it follows from others.
	saidAlready = "other figures say it already"
)

// Reasons for absence that several features share.
const (
	tooLittleSeen = "too little of the face is seen"
	noBase        = "the base glass can't be told from the ribbons"
	noRibbon      = "there is no ribbon"
	noScale       = "the size is not known"
)

// All is the registry: every feature, in the order of the CSV's columns. The
// CSV header, the classifier and the docs read it and nothing else.
func All() []Feature { return all }

var all = slices.Concat(registry, geometryFeatures, markFeatures)

// mainColour reads one coordinate of the coloured ribbon that covers most.
func mainColour(axis int) func(a *Analysis) (float64, string) {
	return func(a *Analysis) (float64, string) {
		if a.Parts.Usable == 0 {
			return 0, tooLittleSeen
		}
		for _, r := range a.Ribbons() { // those that cover most first
			if !a.whitish(r.Lab) {
				return r.Lab[axis], ""
			}
		}
		return 0, "there is no coloured ribbon"
	}
}

// ownColour reads one coordinate of the base's own colour.
func ownColour(of func(lab [3]float64) float64) func(a *Analysis) (float64, string) {
	return func(a *Analysis) (float64, string) {
		lab, ok := a.OwnColour()
		return of(lab), unless(ok, noBase)
	}
}

// unless gives the reason for absence where ok does not hold.
func unless(ok bool, reason string) string {
	if ok {
		return ""
	}
	return reason
}

var registry = []Feature{
	{
		Name: "diameter_mm", Label: "diameter", Unit: "mm", Low: 5, High: 60,
		Meaning:   "The marble's true diameter.",
		Disturbed: "a card not flat, a wrong print scale, a blurred outline",
		Rests:     []Ground{sharp, large},
		Measure:   func(a *Analysis) (float64, string) { return 2 * a.Face.RadiusMM, unless(a.Face.RadiusMM > 0, noScale) },
	},
	{
		Name: "translucency", Label: "translucency", Low: 0, High: 1,
		Meaning:   "How much light the base glass lets through: 0 none, 1 clear. On the sorting mat it is read off the mark under the marble.",
		Disturbed: "light from straight above or from all sides, neighbours in the shadow; on the sorting mat, ribbons that hide the mark, and a marble seen from far aside",
		Rests:     []Ground{seen, litOrMarked},
		Measure: func(a *Analysis) (float64, string) {
			return a.Glass.Translucency, unless(a.Parts.Usable > 0, tooLittleSeen)
		},
	},
	{
		Name: "base_lightness", Label: "base lightness", Unit: "L*", Low: 0, High: 100,
		Meaning:   "Lightness of the base glass's own colour (CIELAB L*): what opaque glass gives back, or other glass lets through.",
		Disturbed: "exposure, clear glass taken for cloudy",
		Rests:     []Ground{seen, lit},
		Measure:   ownColour(func(lab [3]float64) float64 { return lab[0] }),
	},
	{
		Name: "base_red_green", Label: "base red against green", Unit: "a*", Low: -128, High: 127,
		Meaning:   "CIELAB a* of the base glass's own colour: positive reddish, negative greenish.",
		Disturbed: "coloured light, ribbons seen through the base",
		Rests:     []Ground{seen, distinct},
		Measure:   ownColour(func(lab [3]float64) float64 { return lab[1] }),
	},
	{
		Name: "base_yellow_blue", Label: "base yellow against blue", Unit: "b*", Low: -128, High: 127,
		Meaning:   "CIELAB b* of the base glass's own colour: positive yellowish, negative bluish.",
		Disturbed: "coloured light, ribbons seen through the base",
		Rests:     []Ground{seen, distinct},
		Measure:   ownColour(func(lab [3]float64) float64 { return lab[2] }),
	},
	{
		Name: "base_tint", Label: "tint of the base", Unit: "C*", Low: 0, High: 182,
		LogFrom:   3,
		Meaning:   "Chroma of the base glass's own colour: 0 for clear or pure white glass.",
		Disturbed: "coloured light, ribbons that fill the glass with their colour",
		Rests:     []Ground{seen, distinct},
		Measure:   ownColour(chroma),
	},
	{
		Name: "ribbon_colours", Label: "number of ribbon colours", Low: 0, High: 6,
		Meaning:   "How many colours there are besides the base.",
		Disturbed: "reflections of coloured things, two-tone ribbons",
		Rests:     []Ground{seen, sharp, large},
		Measure: func(a *Analysis) (float64, string) {
			return float64(len(a.Ribbons())), unless(a.Parts.Usable > 0, tooLittleSeen)
		},
	},
	{
		Name: "ribbon_area", Label: "share of ribbons", Low: 0, High: 1,
		Meaning:   "Share of the face that ribbons cover.",
		Disturbed: "refraction, which can fill a clear marble with one ribbon's colour",
		Rests:     []Ground{seen, distinct},
		Measure: func(a *Analysis) (float64, string) {
			s := 0.0
			for _, r := range a.Ribbons() {
				s += r.AreaFraction
			}
			return s, unless(a.Parts.Usable > 0, tooLittleSeen)
		},
	},
	{
		Name: "lightest_ribbon", Label: "lightest ribbon", Unit: "L*", Low: 0, High: 100,
		Meaning:   "Lightness of the lightest ribbon colour.",
		Disturbed: "exposure, depth below tinted glass",
		Rests:     []Ground{seen, sharp},
		Measure: func(a *Analysis) (float64, string) {
			v, ok := 0.0, false
			for _, r := range a.Ribbons() {
				v, ok = math.Max(v, r.Lab[0]), true
			}
			return v, unless(ok, noRibbon)
		},
	},
	{
		Name: "strongest_ribbon", Label: "most colourful ribbon", Unit: "C*", Low: 0, High: 130,
		Meaning:   "Chroma of the most colourful ribbon: 0 for white, grey and black.",
		Disturbed: "coloured light, tinted glass",
		Rests:     []Ground{seen, sharp},
		Measure: func(a *Analysis) (float64, string) {
			v, ok := 0.0, false
			for _, r := range a.Ribbons() {
				v, ok = math.Max(v, chroma(r.Lab)), true
			}
			return v, unless(ok, noRibbon)
		},
	},
	{
		Name: "ribbon_red_green", Label: "ribbon red against green", Unit: "a*", Low: -128, High: 127,
		Meaning:   "CIELAB a* of the coloured ribbon that covers most: positive reddish, negative greenish.",
		Disturbed: "coloured light, tinted glass",
		Rests:     []Ground{seen, sharp},
		Measure:   mainColour(1),
	},
	{
		Name: "ribbon_yellow_blue", Label: "ribbon yellow against blue", Unit: "b*", Low: -128, High: 127,
		Meaning:   "CIELAB b* of the coloured ribbon that covers most: positive yellowish, negative bluish.",
		Disturbed: "coloured light, tinted glass",
		Rests:     []Ground{seen, sharp},
		Measure:   mainColour(2),
	},
	{
		Name: "white_area", Label: "share of white ribbon", Low: 0, High: 1,
		Meaning:   "Share of the face covered by ribbons that are white or nearly so.",
		Disturbed: "glare, a white base taken for ribbon",
		Rests:     []Ground{seen, distinct},
		Measure: func(a *Analysis) (float64, string) {
			s := 0.0
			for _, r := range a.Ribbons() {
				if a.whitish(r.Lab) {
					s += r.AreaFraction
				}
			}
			return s, unless(a.Parts.Usable > 0, tooLittleSeen)
		},
	},
	{
		Name: "coloured_area", Label: "share of coloured ribbon", Low: 0, High: 1,
		Meaning:   "Share of the face covered by ribbons that are not white.",
		Disturbed: "reflections of coloured things",
		Rests:     []Ground{seen, distinct},
		Measure: func(a *Analysis) (float64, string) {
			s := 0.0
			for _, r := range a.Ribbons() {
				if !a.whitish(r.Lab) {
					s += r.AreaFraction
				}
			}
			return s, unless(a.Parts.Usable > 0, tooLittleSeen)
		},
	},
	{
		Name: "white_beside_colour", Label: "white and colour together", Low: 0, High: 1,
		Meaning:   "How evenly white and coloured ribbon share the face: 0 only one of them, 1 as much of each.",
		Disturbed: "white ribbon lost against bright clear glass, glare",
		Rests:     []Ground{seen, distinct},
		Measure: func(a *Analysis) (float64, string) {
			w, c := 0.0, 0.0
			for _, r := range a.Ribbons() {
				if a.whitish(r.Lab) {
					w += r.AreaFraction
				} else {
					c += r.AreaFraction
				}
			}
			if w+c == 0 {
				return 0, unless(a.Parts.Usable > 0, tooLittleSeen)
			}
			return 2 * math.Min(w, c) / (w + c), ""
		},
	},
	{
		Name: "ribbon_width_mm", Label: "ribbon width", Unit: "mm", Low: 0, High: 20,
		LogFrom:   0.3,
		Meaning:   "Median width of the ribbons, near the middle of the face.",
		Disturbed: "refraction, which magnifies what lies deep; blur",
		Rests:     []Ground{sharp, large, distinct},
		Measure: func(a *Analysis) (float64, string) {
			w := a.WidthShare()
			switch {
			case a.Face.RadiusMM == 0:
				return 0, noScale
			case w == 0:
				return 0, noRibbon
			}
			return w * a.Face.RadiusMM, ""
		},
	},
	{
		Name: "edge_density", Label: "length of borders", Low: 0, High: 30,
		LogFrom:   1,
		Meaning:   "Length of the borders between colours on the face, in marble diameters.",
		Disturbed: "blur, noise, reflections",
		Rests:     []Ground{seen, sharp, large},
		Measure:   func(a *Analysis) (float64, string) { return a.Parts.Edge, unless(a.Parts.Usable > 0, tooLittleSeen) },
	},
	{
		Name: "pieces", Label: "number of pieces", Low: 0, High: 60,
		LogFrom:   1,
		Meaning:   "How many separate pieces the ribbons show.",
		Disturbed: "glare that cuts a ribbon, noise",
		Rests:     []Ground{seen, sharp, large},
		Measure: func(a *Analysis) (float64, string) {
			return float64(a.Pieces()), unless(a.Parts.Usable > 0, tooLittleSeen)
		},
	},
	{
		Name: "busyness", Label: "busyness", Low: 0, High: 1,
		Meaning:   "How busy the swirl is: 0 a plain marble, towards 1 as borders fill the face.",
		Disturbed: "blur, noise, reflections",
		Rests:     []Ground{seen, sharp, large},
		Measure: func(a *Analysis) (float64, string) {
			v, ok := a.Busyness()
			return v, unless(ok, tooLittleSeen)
		},
	},
}
