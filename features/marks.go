package features

// Marks are single things on or in a marble, and how its glass looks beside
// its pattern.
type Marks struct {
	Bubble Bubble
	// Matt is the share of strongly coloured glass whose surface is matt and
	// grainy, 0..1.
	Matt Figure
	// Haze is the light that veils even the darkest parts, against the paper's,
	// 0..1, and Unevenness how far the base's colour strays, CIELAB a* and b*.
	Haze, Unevenness Figure
}

// Figure is a number that may be missing.
type Figure struct {
	Value float64
	// Absent is why there is none, "" where there is.
	Absent string
}

// Bubble is a large bubble near the middle of the glass.
type Bubble struct {
	// Looked says that the glass is clear enough to see one; Why says why not.
	Looked bool
	Why    string
	// Present says that there is one, Sure how sure that answer is, 0..1.
	Present bool
	Sure    float64
	// X, Y and R are where its outline is seen on the disc, in radii of the
	// marble (x right, y down).
	X, Y, R float64
	// DiameterR is its true diameter and FromMiddleR its true distance from the
	// marble's middle across the line of sight, in radii of the marble, once
	// the glass's magnification is taken off.
	DiameterR, FromMiddleR float64
}

// findMarks looks for them, once colours and glass are known.
func findMarks(a *Analysis) (m Marks) {
	m.Bubble = findBubble(a)
	m.Matt = mattShare(a)
	if a.Parts.Usable == 0 {
		m.Haze.Absent, m.Unevenness.Absent = tooLittleSeen, tooLittleSeen
		return m
	}
	if a.Glass.NotOpaque < 0.5 {
		m.Haze.Absent = "opaque glass lets no light through that haze could veil"
	} else if v, ok := haze(a.Face); ok {
		m.Haze.Value = v
	} else {
		m.Haze.Absent = tooLittleSeen
	}
	if v, ok := unevenness(a.Face, &a.Parts); ok {
		m.Unevenness.Value = v
	} else {
		m.Unevenness.Absent = "too little of the base is seen between the ribbons"
	}
	return m
}

// Unmeasured is something that people look for and that no feature gives.
type Unmeasured struct {
	Name string `json:"name"`
	Why  string `json:"why"`
}

// NotMeasured lists them, with the reasons.
var NotMeasured = []Unmeasured{{
	Name: "chips and moons",
	Why: "A bruise from a knock is a curved crack or a shell-shaped hollow, which shows as a bright or dark crescent where it " +
		"mirrors a lamp. So does every whole surface: in one photo a moon and the glare of a lamp or a window's edge look the " +
		"same. They part when the marble is turned or the light moved (glare stays with the light, a moon with the glass), " +
		"which takes two photos of one marble in known positions.",
}}

// noBubble is why a bubble's figures are absent where there is none.
const noBubble = "no bubble is seen"

// bubbleFigure gives a figure of a bubble where there is one.
func bubbleFigure(a *Analysis, v func(b Bubble) float64) (float64, string) {
	b := a.Marks.Bubble
	switch {
	case !b.Looked:
		return 0, b.Why
	case !b.Present:
		return 0, noBubble
	}
	return v(b), ""
}

// bubbleSure is how sure the answer about a bubble is.
var bubbleSure = Ground{"how plainly a bubble is seen, or that there is none", func(a *Analysis) float64 { return a.Marks.Bubble.Sure }}

// markFeatures are the figures of marks and of the glass's look.
var markFeatures = []Feature{
	{
		Name: "bubble_present", Label: "large bubble", Low: 0, High: 1,
		NotCompared: doesNotRepeat,
		Meaning:     "Whether a large bubble is seen near the middle of clear or tinted glass: 1 there is, 0 none is seen.",
		Disturbed:   "ribbons in front of it, which hide it; lamps mirrored there; round ends of ribbons",
		Rests:       []Ground{bubbleSure},
		Measure: func(a *Analysis) (float64, string) {
			b := a.Marks.Bubble
			if b.Present {
				return 1, ""
			}
			return 0, b.Why
		},
	},
	{
		Name: "bubble_diameter_mm", Label: "bubble's diameter", Unit: "mm", Low: 0, High: 8,
		LogFrom:   0.5,
		Meaning:   "True diameter of the bubble: the marble's surface shows it about one and a half times as large, which is taken off.",
		Disturbed: "blur, ribbons that cross it, a bubble nearer or farther than the marble's middle (5 % for a tenth of the radius)",
		Rests:     []Ground{bubbleSure, sharp},
		Measure: func(a *Analysis) (float64, string) {
			v, absent := bubbleFigure(a, func(b Bubble) float64 { return b.DiameterR * a.Face.RadiusMM })
			if absent == "" && a.Face.RadiusMM == 0 {
				return 0, noScale
			}
			return v, absent
		},
	},
	{
		Name: "bubble_offset", Label: "bubble's distance from the middle", Unit: "radii", Low: 0, High: 1,
		NotCompared: doesNotRepeat,
		LogFrom:     0.05,
		Meaning:     "Distance of the bubble from the marble's middle across the line of sight, in radii of the marble, magnification taken off.",
		Disturbed:   "which side the marble lies on; depth can't be seen",
		Rests:       []Ground{bubbleSure},
		Measure: func(a *Analysis) (float64, string) {
			return bubbleFigure(a, func(b Bubble) float64 { return b.FromMiddleR })
		},
	},
	{
		Name: "crystallised", Label: "matt, grainy surface", Low: 0, High: 1,
		LogFrom:   0.05,
		Meaning:   "Share of the strongly coloured glass that is matt and grainy, as where its surface crystallised: 0 none.",
		Disturbed: "noise, strong compression, ribbons of many fine strips, wear",
		Rests:     []Ground{sharp, large},
		Measure:   func(a *Analysis) (float64, string) { return a.Marks.Matt.Value, a.Marks.Matt.Absent },
	},
	{
		Name: "haze", Label: "haze", Low: 0, High: 1,
		NotCompared: saidAlready,
		LogFrom:     0.05,
		Meaning:     "Light that veils even the darkest parts of glass that lets light through, against the paper's: 0 clear, higher milky; at most this.",
		Disturbed:   "a clear marble with nothing dark or strongly coloured in it, which reads too high; exposure",
		Rests:       []Ground{seen},
		Measure:     func(a *Analysis) (float64, string) { return a.Marks.Haze.Value, a.Marks.Haze.Absent },
	},
	{
		Name: "base_unevenness", Label: "unevenness of the base", Unit: "a*b*", Low: 0, High: 40,
		NotCompared: doesNotRepeat,
		LogFrom:     1,
		Meaning:     "How far the base's colour strays over the face once its shading is taken off (median distance in CIELAB a*b*): 0 quite even.",
		Disturbed:   "coloured reflections, coloured light gathered in clear glass, thin ribbons taken for base",
		Rests:       []Ground{seen, distinct},
		Measure: func(a *Analysis) (float64, string) {
			return a.Marks.Unevenness.Value, a.Marks.Unevenness.Absent
		},
	},
}

// magnification is how much larger something near the middle of the glass
// looks, at a depth below the surface of d radii: paraxial refraction at one
// spherical surface.
func magnification(d float64) float64 { return glassIndex / (glassIndex - (glassIndex-1)*d) }

// throughSurface is magnification at the middle: exactly the index, for any
// angle, since a line of sight that meets the surface at y passes the middle
// at y over the index.
var throughSurface = magnification(1)
