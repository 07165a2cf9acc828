package features

// Anatomy is how the ribbons run: their middle lines traced and laid on the
// sphere, and the figures that follow.
type Anatomy struct {
	Lines []Line
}

// Line is the middle line of one ribbon, or of a part of it between two
// branches, from end to end.
type Line struct {
	// Colour is the ribbon's colour, an index into Parts.Colours.
	Colour int
	// At are places on the disc, in radii from the middle (x right, y down);
	// Dir the same as unit vectors on the sphere.
	At  [][2]float64
	Dir [][3]float64
	// Width is the ribbon's width at each place, in radii, along the sphere.
	Width []float64
	// Turns are indices into At where the line turns back on itself; Sharp the
	// indices of those that do so within less than a ribbon's width or two.
	Turns, Sharp []int
}

// Marks are single things on or in a marble.
type Marks struct {
	Bubble Bubble
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
