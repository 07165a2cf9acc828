package samples

// Properties in which the two groups of marbles of a pair differ, as written in Truth.Property.
const (
	PropertyRibbonWidth  = "ribbon-width"
	PropertyRibbonColour = "ribbon-colour"
	PropertyBaseTint     = "base-tint"
	PropertyBaseClarity  = "base-clarity"
	PropertyFolds        = "folds"
	PropertySize         = "size"
	PropertyPairing      = "pairing"
	PropertyBaseCream    = "base-cream"
)

// Groups of a pair, as written in Truth.Group.
const (
	GroupA = "a"
	GroupB = "b"
)

// Pair is two groups of marbles that are known to differ in one property and are alike in all else.
type Pair struct {
	Property string // one of the Property constants; the folder below photos/pairs
	A, B     string // what the marbles of either group are like, in plain words
	// FirstReasons names the features that are a right first reason for telling the groups apart: those that measure
	// the property itself, and those whose plain words would have a collector look at the right thing. What merely
	// changes along with it is left out: that a ribbon in more folds covers more of the face is true, but a broader
	// ribbon does so too; that a white ribbon in tinted glass looks tinted is no reason to look at the ribbon.
	FirstReasons []string
}

// Pairs lists them in the order in which they were taken.
var Pairs = []Pair{
	{PropertyRibbonWidth, "ribbon 1.2 to 1.7 mm wide", "ribbon 3 to 4 mm wide",
		[]string{"ribbon_width_mm", "ribbon_area", "coloured_area"}},
	{PropertyRibbonColour, "blue ribbon", "amber ribbon",
		// Blue and amber differ in lightness and chroma as well.
		[]string{"ribbon_yellow_blue", "ribbon_red_green", "lightest_ribbon", "strongest_ribbon"}},
	{PropertyBaseTint, "clear glass", "honey-coloured glass",
		[]string{"base_tint", "base_yellow_blue", "base_red_green"}},
	{PropertyBaseClarity, "clear glass", "cloudy glass",
		[]string{"translucency", "haze"}},
	{PropertyFolds, "ribbon in three folds", "ribbon in seven or eight folds",
		[]string{"busyness", "edge_density", "ribbon_length", "fold_period_mm", "turns", "sharp_turns", "turns_per_mm", "turning", "thin_gaps", "pieces"}},
	{PropertySize, "14.2 to 15.4 mm", "18.2 to 19.6 mm",
		[]string{"diameter_mm"}},
	{PropertyPairing, "white beside the coloured ribbon", "the coloured ribbon alone",
		[]string{"paired", "white_beside_colour", "white_area", "ribbon_colours", "lightest_ribbon"}},
	{PropertyBaseCream, "opaque white body", "opaque cream body",
		[]string{"base_yellow_blue", "base_tint"}},
}
