// Package features measures what a specialist looks at: the base glass, its
// ribbons and how they run. It takes one marble's face as plain Go data and
// gives numbers, each of them listed once in the registry (All), which the
// CSV header, the classifier and the docs all read.
//
// No image library is used here: package vision makes the face.
package features

import "math"

// Mask bits of a face's pixels.
const (
	Glass     uint8 = 1 << iota // inside the outline
	Rim                         // glass beyond RimFrom of the radius, where refraction misleads
	Highlight                   // a lamp or window mirrored in the surface
	Hidden                      // covered by a neighbour, or outside the photo
)

// RimFrom is where the rim begins, as a share of the radius: beyond it
// refraction and foreshortening mislead.
const RimFrom = 0.90

// Face is one marble seen from the camera, turned so that its outline is a
// circle: a square of Size x Size pixels whose middle is the marble's, with
// Radius pixels from the middle to the outline.
type Face struct {
	Size   int
	Radius float64
	// Linear is the balanced linear RGB (sRGB primaries, D65 white, 1 = a
	// perfect white in the light of the card) and Lab its CIELAB; row by row.
	Linear [][3]float64
	Lab    [][3]float64
	Mask   []uint8
	// RadiusMM is the marble's radius, 0 when sizes are not known.
	RadiusMM float64
	// BlurShare is the photo's blur (standard deviation) as a share of the
	// radius.
	BlurShare float64
	// PaperLab is open paper around the marble under the same balance.
	PaperLab [3]float64
	// Ring is the paper around the marble; see Ring.
	Ring Ring
	// Mark is the mark that lies under the marble; nil for none.
	Mark *Mark
}

// Ring is the light on the paper around a marble, by direction and distance,
// relative to open paper: what shadow and gathered light do. Value[i][j] is
// for direction 2 pi i / len(Value) (from image x towards image y) at
// distance RingFrom + j*RingStep radii; NaN where a neighbour, the card or the
// frame is in the way.
type Ring struct {
	Value [][]float64
}

// Geometry of the ring, in radii.
const (
	RingFrom  = 1.06
	RingStep  = 0.06
	RingSteps = 16
	RingDirs  = 48
)

// XY is the place of pixel i on the disc, in radii from the middle.
func (f *Face) XY(i int) (x, y float64) {
	c := float64(f.Size-1) / 2
	return (float64(i%f.Size) - c) / f.Radius, (float64(i/f.Size) - c) / f.Radius
}

// columns are the places, in radii from the middle, of the columns of pixels,
// and as well of the rows; the buffer is lent.
func (f *Face) columns() []float64 {
	c := float64(f.Size-1) / 2
	xs := floats.take(f.Size)
	for i := range xs {
		xs[i] = (float64(i) - c) / f.Radius
	}
	return xs
}

// walk gives column and row of pixels that come in order, without dividing.
type walk struct{ n, row, from int }

func (w *walk) to(i int) (column, row int) {
	for i >= w.from+w.n {
		w.from += w.n
		w.row++
	}
	return i - w.from, w.row
}

// Direction is the unit vector from the sphere's centre to where pixel i lies
// on its surface, z towards the camera; it is the orthographic one, which a
// camera many radii away sees to a few per cent. ok is false outside the disc.
func (f *Face) Direction(i int) (d [3]float64, ok bool) {
	x, y := f.XY(i)
	r2 := x*x + y*y
	if r2 >= 1 {
		return d, false
	}
	return [3]float64{x, y, math.Sqrt(1 - r2)}, true
}

// latticeRadius is the radius, px, from which every other pixel of every other row
// shows what changes slowly over a face.
const latticeRadius = 40.0

// lattice is the step, px, between the places at which what changes slowly, or is
// averaged over several pixels anyway, is looked at.
func (f *Face) lattice() int {
	if f.Radius < latticeRadius {
		return 1
	}
	return 2
}

// usable says that pixel i shows glass that may be judged.
func (f *Face) usable(i int) bool { return f.Mask[i]&(Glass|Rim|Highlight|Hidden) == Glass }
