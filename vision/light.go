package vision

import (
	"math"

	"tawsight/calib"
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

// evening is what evens the light out, channel by channel: paper where white
// was read over paper here.
func (l Light) evening(x, y float64) (k [3]float64) {
	k = [3]float64{1, 1, 1}
	if l.Paper == nil {
		return k
	}
	here, ref := l.Paper.LinearAt(x, y), l.Paper.LinearAt(l.RefX, l.RefY)
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
const fieldCells = 8

// A lightField is a Light over one square of the picture, ready for every pixel
// in it.
type lightField struct {
	x0, y0, perPX float64 // where it begins, px; cells a pixel
	gain          [fieldCells + 1][fieldCells + 1][3]float64
	tone          *toneCurve // nil where the camera is true to sRGB
}

// over is the light over the square of side px about a place.
func (l Light) over(cx, cy, side float64) *lightField {
	f := &lightField{x0: cx - side/2, y0: cy - side/2, perPX: fieldCells / math.Max(1, side)}
	for j := range f.gain {
		for i := range f.gain[j] {
			k := l.evening(f.x0+float64(i)/f.perPX, f.y0+float64(j)/f.perPX)
			for c := range k {
				f.gain[j][i][c] = k[c] * l.White.Gain[c]
			}
		}
	}
	if l.White.ToneExponent != 1 {
		f.tone = newToneCurve(l.White)
	}
	return f
}

// at balances a linear colour seen at a pixel; outside the square the light is
// taken to go on as at its border.
func (f *lightField) at(lin [3]float64, x, y float64) [3]float64 {
	u := max(0, min(fieldCells-1e-9, (x-f.x0)*f.perPX))
	v := max(0, min(fieldCells-1e-9, (y-f.y0)*f.perPX))
	i, j := int(u), int(v)
	u, v = u-float64(i), v-float64(j)
	a, b, c, d := &f.gain[j][i], &f.gain[j][i+1], &f.gain[j+1][i], &f.gain[j+1][i+1]
	for k := range lin {
		lin[k] *= (a[k]*(1-u)+b[k]*u)*(1-v) + (c[k]*(1-u)+d[k]*u)*v
	}
	if f.tone != nil {
		k := f.tone.at(float32(lum(lin)))
		lin[0], lin[1], lin[2] = lin[0]*float64(k), lin[1]*float64(k), lin[2]*float64(k)
	}
	return lin
}

// A lightRow is a lightField along one row of pixels, for pictures that are
// upright in the photo.
type lightRow struct {
	f    *lightField
	gain [fieldCells + 1][3]float32
}

func (f *lightField) row(y float64) *lightRow {
	r := &lightRow{f: f}
	v := max(0, min(fieldCells-1e-9, (y-f.y0)*f.perPX))
	j := int(v)
	v -= float64(j)
	for i := range r.gain {
		for k := range r.gain[i] {
			r.gain[i][k] = float32(f.gain[j][i][k]*(1-v) + f.gain[j+1][i][k]*v)
		}
	}
	return r
}

// at is lightField.at on the row.
func (r *lightRow) at(c *[3]float32, x float64) (red, green, blue float32) {
	u := float32(max(0, min(fieldCells-1e-6, (x-r.f.x0)*r.f.perPX)))
	i := int(u)
	u -= float32(i)
	a, b := &r.gain[i], &r.gain[i+1]
	red, green, blue = c[0]*(a[0]+u*(b[0]-a[0])), c[1]*(a[1]+u*(b[1]-a[1])), c[2]*(a[2]+u*(b[2]-a[2]))
	if r.f.tone != nil {
		k := r.f.tone.at(0.2126*red + 0.7152*green + 0.0722*blue)
		red, green, blue = red*k, green*k, blue*k
	}
	return red, green, blue
}

// toneSteps and toneMost are those of a toneCurve's table: it goes evenly along
// the square root of luminance, so that dark colours have as many entries as
// light ones.
const (
	toneSteps = 512
	toneMost  = 2.0
)

// A toneCurve is calib.White.Apply's correction of tone, by table: the factor for
// a luminance.
type toneCurve struct {
	white  calib.White // for what lies beyond the table; its gains are 1
	factor [toneSteps + 2]float32
}

func newToneCurve(w calib.White) *toneCurve {
	w.Gain = [3]float64{1, 1, 1}
	t := &toneCurve{white: w}
	for i := range t.factor {
		// From the second entry: at none the factor is not defined, and there
		// the curve is at its bound in any case.
		t.factor[i] = float32(t.exact(sq(math.Max(1, float64(i)) * toneMost / toneSteps)))
	}
	return t
}

func (t *toneCurve) exact(y float64) float64 { return t.white.Apply([3]float64{y, y, y})[1] / y }

// at is the factor for a luminance; 1 for none.
func (t *toneCurve) at(y float32) float32 {
	if !(y > 1e-6) {
		return 1
	}
	s := float32(math.Sqrt(float64(y))) * (toneSteps / toneMost)
	if s >= toneSteps {
		return float32(t.exact(float64(y)))
	}
	i := int(s)
	return t.factor[i] + (s-float32(i))*(t.factor[i+1]-t.factor[i])
}
