package features

// Anatomy is how the ribbons run: their middle lines traced and laid on the
// sphere, and the figures that follow.
type Anatomy struct {
	Lines []Line
	// Widths are all widths measured, radii, sorted.
	Widths []float64
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
