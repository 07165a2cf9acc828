package vision

import (
	"math"

	"tawsight/calib"
	"tawsight/internal/kernels"
)

// Light is how colours of a photo are balanced.
type Light struct {
	White calib.White
	// Paper is the background, for the light's unevenness; nil for none.
	Paper *Paper
	// RefX, RefY is where White was read, px: the light there is the
	// reference.
	RefX, RefY float64
}

// At balances a linear colour seen at a pixel. For many pixels see over.
func (l Light) At(lin [3]float64, x, y float64) [3]float64 {
	k := l.evening(x, y)
	return l.White.Apply([3]float64{lin[0] * k[0], lin[1] * k[1], lin[2] * k[2]})
}

// flatLimit bounds the correction for uneven light: past it the background is
// not one paper under one light.
const flatLimit = 1.6

// reference is the paper where white was read.
func (l Light) reference() (ref [3]float64) {
	if l.Paper != nil {
		ref = l.Paper.LinearAt(l.RefX, l.RefY)
	}
	return ref
}

// evening is what evens the light out, channel by channel: paper where white
// was read over paper here.
func (l Light) evening(x, y float64) [3]float64 { return l.eveningTo(l.reference(), x, y) }

// eveningTo is evening by a reference that was read before.
func (l Light) eveningTo(ref [3]float64, x, y float64) (k [3]float64) {
	k = [3]float64{1, 1, 1}
	if l.Paper == nil {
		return k
	}
	here := l.Paper.LinearAt(x, y)
	for i := range k {
		if here[i] > 1e-4 && ref[i] > 1e-4 {
			k[i] = math.Max(1/flatLimit, math.Min(flatLimit, ref[i]/here[i]))
		}
	}
	return k
}

// fieldCells is how many cells a lightField has along each side. The paper is a
// surface of the second degree over the whole picture, and a marble a small part
// of it: between the corners of such cells the light is a straight line to within
// a ten-thousandth.
const fieldCells = kernels.Cells

// A lightField is a Light over one square of the picture, ready for every pixel
// in it.
type lightField struct {
	x0, y0, perPX float64 // where it begins, px; cells a pixel
	gain          [fieldCells + 1][fieldCells + 1][3]float64
	tone          *toneCurve // nil where the camera is true to sRGB
	cells         kernels.Light
}

// over is the light over the square of side px about a place.
func (l Light) over(cx, cy, side float64) *lightField {
	f := &lightField{x0: cx - side/2, y0: cy - side/2, perPX: fieldCells / math.Max(1, side)}
	ref := l.reference()
	for j := range f.gain {
		for i := range f.gain[j] {
			k := l.eveningTo(ref, f.x0+float64(i)/f.perPX, f.y0+float64(j)/f.perPX)
			for c := range k {
				f.gain[j][i][c] = k[c] * l.White.Gain[c]
			}
		}
	}
	for j := range f.cells.Gain {
		for i := range f.cells.Gain[j] {
			for k := range 3 {
				a, b, c, d := f.gain[j][i][k], f.gain[j][i+1][k], f.gain[j+1][i][k], f.gain[j+1][i+1][k]
				g := &f.cells.Gain[j][i]
				g[0][k], g[1][k], g[2][k], g[3][k] = float32(a), float32(b-a), float32(c-a), float32(a-b-c+d)
			}
		}
	}
	if l.White.ToneExponent != 1 {
		f.tone = toneCurveOf(l.White)
		f.cells.Curve, f.cells.PerRoot = f.tone.factor[:], toneSteps/toneMost
	}
	return f
}

// balance balances colours along a line of places in the photo, and gives what they come
// to, and their luminance.
func (f *lightField) balance(line []kernels.Sample, where kernels.Straight, linear [][3]float64, luminance []float64) {
	f.cells.Balance(line, kernels.Straight{
		X: (where.X - f.x0) * f.perPX, Y: (where.Y - f.y0) * f.perPX, DX: where.DX * f.perPX, DY: where.DY * f.perPX,
	}, linear, luminance)
}

// A finish encodes the rows of a picture that is upright in the photo, in the light of
// a lightField.
type finish struct {
	kernels.Finish
	field *lightField
}

// finish is for rows of pixels in the photo's columns x.
func (f *lightField) finish(x []float64) *finish {
	q := &finish{field: f}
	q.Cell, q.Into, q.Gain = make([]int32, len(x)), make([]float32, len(x)), make([][2]kernels.Sample, fieldCells)
	for i := range x {
		u := max(0, min(fieldCells-1e-6, (x[i]-f.x0)*f.perPX))
		q.Cell[i], q.Into[i] = int32(u), float32(u-float64(int(u)))
	}
	if f.tone != nil {
		q.Tone = &f.tone.steps
	}
	return q
}

// at says in which row of the photo the next row lies.
func (q *finish) at(y float64) {
	f := q.field
	v := max(0, min(fieldCells-1e-9, (y-f.y0)*f.perPX))
	j := int(v)
	v -= float64(j)
	for i := range q.Gain {
		for k := range 3 {
			a := f.gain[j][i][k]*(1-v) + f.gain[j+1][i][k]*v
			b := f.gain[j][i+1][k]*(1-v) + f.gain[j+1][i+1][k]*v
			q.Gain[i][0][k], q.Gain[i][1][k] = float32(a), float32(b-a)
		}
	}
}

// toneSteps and toneMost are those of a toneCurve's table: it goes evenly along
// the square root of luminance, so that dark colours have as many entries as
// light ones, and ends at 36 times full white, past what any photo has.
const (
	toneSteps = 1536
	toneMost  = 6.0
)

// A toneCurve is calib.White.Apply's correction of tone, by table: the factor for
// a luminance.
type toneCurve struct {
	white  calib.White // its gains are 1
	factor [toneSteps + 2]float32
	// steps is the factor by a luminance's own bits, for pictures of 8 bits: to within a
	// thousandth.
	steps [kernels.ToneSteps]float32
}

// toneCurves keeps the curve made last: all of a photo's marbles have one.
var toneCurves shelf[*toneCurve]

// toneCurveOf is a balance's curve. Nothing may change it.
func toneCurveOf(w calib.White) *toneCurve {
	w.Gain = [3]float64{1, 1, 1}
	t := toneCurves.take()
	if t == nil || t.white.ToneExponent != w.ToneExponent || t.white.PaperY != w.PaperY {
		t = newToneCurve(w)
	}
	toneCurves.put(t)
	return t
}

func newToneCurve(w calib.White) *toneCurve {
	w.Gain = [3]float64{1, 1, 1}
	t := &toneCurve{white: w}
	for i := range t.steps {
		t.steps[i] = float32(t.exact(kernels.ToneAt(i)))
	}
	for i := range t.factor {
		// From the second entry: at none the factor is not defined, and there
		// the curve is at its bound in any case.
		t.factor[i] = float32(t.exact(sq(math.Max(1, float64(i)) * toneMost / toneSteps)))
	}
	return t
}

func (t *toneCurve) exact(y float64) float64 { return t.white.Apply([3]float64{y, y, y})[1] / y }
