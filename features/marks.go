package features

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
