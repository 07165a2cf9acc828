// Package colour converts between sRGB, linear light, CIE XYZ and CIELAB,
// measures colour differences by CIEDE2000, and gives colours their names.
//
// Conventions, the same in every function:
//
//   - linear is linear-light RGB with the sRGB primaries, 0 to 1 for what a
//     screen can show. Values outside that range are kept, not clipped, so
//     that over-exposed and out-of-gamut light survives arithmetic.
//   - xyz is CIE 1931 XYZ, 2-degree observer, with Y = 1 for the white.
//   - lab is CIELAB under D65, 2-degree observer: L* 0 to 100, a* and b*
//     about -130 to 130.
//
// The white is the sRGB white of IEC 61966-2-1 (D65 as x = 0.3127,
// y = 0.3290), the same in both directions, so a neutral RGB has a* = b* = 0
// to within rounding, and a round trip changes nothing.
//
// The exact conversions are go-colorful's. Two things are done here instead:
// what is called once a pixel (tables), and CIEDE2000, which go-colorful
// computes from a colour held as sRGB; see [DeltaE00].
package colour

import (
	"fmt"
	"math"
	"sync"

	"github.com/lucasb-eyer/go-colorful"
)

// white is the XYZ of linear RGB (1, 1, 1).
var white = func() [3]float64 {
	x, y, z := colorful.LinearRgbToXyz(1, 1, 1)
	return [3]float64{x, y, z}
}()

// White returns the XYZ of the reference white, with Y = 1.
func White() [3]float64 { return white }

// Linear8 is linear light for each 8-bit sRGB code, 0 to 1.
// It is for reading; nothing may change it.
var Linear8 = func() (t [256]float64) {
	for i := range t {
		t[i] = SRGBToLinear(float64(i) / 255)
	}
	return t
}()

// Linear16 returns the table of linear light for each 16-bit sRGB code,
// 0 to 1. It is made at the first call; nobody may change it.
var Linear16 = sync.OnceValue(func() *[65536]float64 {
	t := new([65536]float64)
	for i := range t {
		t[i] = SRGBToLinear(float64(i) / 65535)
	}
	return t
})

// SRGBToLinear undoes the transfer curve of IEC 61966-2-1 for one channel,
// both in 0 to 1. It is continued beyond both ends (odd below 0).
func SRGBToLinear(v float64) float64 {
	if v < 0 {
		return -SRGBToLinear(-v)
	}
	if v <= 0.04045 {
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}

// LinearToSRGB applies the transfer curve of IEC 61966-2-1 to one channel,
// both in 0 to 1. It is continued beyond both ends (odd below 0).
func LinearToSRGB(v float64) float64 {
	if v < 0 {
		return -LinearToSRGB(-v)
	}
	if v <= 0.0031308 {
		return 12.92 * v
	}
	return 1.055*math.Pow(v, 1/2.4) - 0.055
}

// decodeSteps is how many steps the table below has: the straight line between two
// entries is within 1e-7 in linear light (the test measures it).
const decodeSteps = 4096

var decodeTable = func() (t [decodeSteps + 2]float64) {
	for i := range t {
		t[i] = SRGBToLinear(float64(i) / decodeSteps)
	}
	return t
}()

// The table of [LinearToSRGB8] is by a number's own bits: its exponent, and so many
// bits of what follows. Its steps are a 256th of the number, so that no step holds
// more than one of the places where the next code begins.
const (
	codeBits  = 8
	codeShift = 23 - codeBits // of what a float32 has beside sign and exponent
	codeFrom  = 0x39000000    // 2^-13 as a float32, of which the code is 0 still
	codeTo    = 0x3f800000    // 1
	codeCount = (codeTo - codeFrom) >> codeShift
)

// codeEnds are where in linear light each code ends and the next begins.
var codeEnds = func() (t [256]float32) {
	for i := range t {
		t[i] = float32(SRGBToLinear((float64(i) + 0.5) / 255))
	}
	return t
}()

// codes are the codes that the steps begin with. Each ends in the step or past it.
var codes = func() (t [codeCount]uint8) {
	code := 0
	for i := range t {
		for v := math.Float32frombits(codeFrom + uint32(i)<<codeShift); v >= codeEnds[code]; {
			code++
		}
		t[i] = uint8(code)
	}
	return t
}()

// LinearToSRGB8 is the 8-bit sRGB code nearest to one channel of linear light, by
// table, for every pixel of a picture. What lies outside 0 to 1 is clipped.
func LinearToSRGB8(v float32) uint8 {
	// A negative number, or one that is none, is beyond all others by its bits.
	if i := (math.Float32bits(v) - codeFrom) >> codeShift; i < codeCount {
		code := codes[i]
		if v >= codeEnds[code] {
			code++
		}
		return code
	}
	if v >= 1 {
		return 255
	}
	return 0
}

// CodeSteps are the tables of [LinearToSRGB8], for loops that don't call it: the code
// that each step begins with, the steps a 256th of a number apart from 2^-13 to 1, and
// where in linear light each code ends. Nothing may change them.
func CodeSteps() (steps []uint8, ends []float32) { return codes[:], codeEnds[:] }

// SRGBToLinearFast is [SRGBToLinear] by table within 0 to 1, clipped to that.
func SRGBToLinearFast(v float64) float64 {
	if !(v > 0) {
		return 0
	}
	if v >= 1 {
		return 1
	}
	s := v * decodeSteps
	i := int(s)
	return decodeTable[i] + (s-float64(i))*(decodeTable[i+1]-decodeTable[i])
}

// LinearToXYZ converts linear RGB to XYZ.
func LinearToXYZ(linear [3]float64) [3]float64 {
	x, y, z := colorful.LinearRgbToXyz(linear[0], linear[1], linear[2])
	return [3]float64{x, y, z}
}

// XYZToLinear converts XYZ to linear RGB, unclipped.
func XYZToLinear(xyz [3]float64) [3]float64 {
	r, g, b := colorful.XyzToLinearRgb(xyz[0], xyz[1], xyz[2])
	return [3]float64{r, g, b}
}

// XYZToLab converts XYZ to CIELAB (CIE 15, ISO/CIE 11664-4).
func XYZToLab(xyz [3]float64) [3]float64 {
	l, a, b := colorful.XyzToLabWhiteRef(xyz[0], xyz[1], xyz[2], white)
	return [3]float64{100 * l, 100 * a, 100 * b}
}

// LabToXYZ converts CIELAB to XYZ, the inverse of [XYZToLab].
func LabToXYZ(lab [3]float64) [3]float64 {
	x, y, z := colorful.LabToXyzWhiteRef(lab[0]/100, lab[1]/100, lab[2]/100, white)
	return [3]float64{x, y, z}
}

// LinearToLab converts linear RGB to CIELAB. For whole photos see
// [LinearToLabFast].
func LinearToLab(linear [3]float64) [3]float64 { return XYZToLab(LinearToXYZ(linear)) }

// LabToLinear converts CIELAB to linear RGB, unclipped.
func LabToLinear(lab [3]float64) [3]float64 { return XYZToLinear(LabToXYZ(lab)) }

// SRGB8ToLab converts 8-bit sRGB codes to CIELAB.
func SRGB8ToLab(rgb [3]uint8) [3]float64 {
	return LinearToLab([3]float64{Linear8[rgb[0]], Linear8[rgb[1]], Linear8[rgb[2]]})
}

// LabToSRGB8 converts CIELAB to the nearest 8-bit sRGB codes. A colour that
// sRGB cannot show is clipped channel by channel, which may shift its hue.
func LabToSRGB8(lab [3]float64) [3]uint8 {
	var out [3]uint8
	for i, v := range LabToLinear(lab) {
		// NaN compares false with everything, so it ends as 0.
		if s := LinearToSRGB(v); s >= 1 {
			out[i] = 255
		} else if s > 0 {
			out[i] = uint8(math.Round(255 * s))
		}
	}
	return out
}

// Hex is the colour as "#rrggbb" sRGB, for swatches; see [LabToSRGB8].
func Hex(lab [3]float64) string {
	c := LabToSRGB8(lab)
	return fmt.Sprintf("#%02x%02x%02x", c[0], c[1], c[2])
}

// Chroma is C*ab, the distance from the neutral axis, 0 or more.
func Chroma(lab [3]float64) float64 { return math.Hypot(lab[1], lab[2]) }

// HueDeg is the hue angle h_ab in degrees, 0 up to but not including 360,
// from +a* (red) towards +b* (yellow). It is 0 for an exact neutral, and
// means little when [Chroma] is below about 2.
func HueDeg(lab [3]float64) float64 {
	h := math.Atan2(lab[2], lab[1]) * 180 / math.Pi
	if h < 0 {
		h += 360
	}
	if h >= 360 { // -tiny + 360 rounds to 360
		h = 0
	}
	return h
}

// Steps of the table below: fine enough that the straight line between two
// entries is within 0.001 of L*, a* and b* (the test measures it).
const (
	cieSteps = 16384
	cieMax   = 1.25 // light a little above paper white still comes from the table
)

var cieTable = func() (t [cieSteps + 2]float64) {
	for i := range t {
		t[i] = cieF(float64(i) * cieMax / cieSteps)
	}
	return t
}()

// cieF is f(t) of CIE 15 (ISO/CIE 11664-4): the cube root, and a straight
// line below (6/29)^3.
func cieF(t float64) float64 {
	if t > 216.0/24389 {
		return math.Cbrt(t)
	}
	return t*(841.0/108) + 4.0/29
}

func cieFFast(t float64) float64 {
	if !(t >= 0 && t < cieMax) {
		return cieF(t)
	}
	s := t * (cieSteps / cieMax)
	i := int(s)
	return cieTable[i] + (s-float64(i))*(cieTable[i+1]-cieTable[i])
}

// The rows of linear RGB to XYZ, each divided by the white's X, Y or Z.
var toRelXYZ = func() (m [3][3]float64) {
	for j := range 3 {
		var e [3]float64
		e[j] = 1
		for i, v := range LinearToXYZ(e) {
			m[i][j] = v / white[i]
		}
	}
	return m
}()

// RelativeXYZ is what red, green and blue of linear light (the columns) add to X, Y and
// Z (the rows), as shares of the white's.
func RelativeXYZ() [3][3]float64 { return toRelXYZ }

// LinearToLabFast is [LinearToLab] by table, for every pixel of a photo; it
// is within 0.001 in each of L*, a* and b*.
func LinearToLabFast(linear [3]float64) [3]float64 {
	r, g, b := linear[0], linear[1], linear[2]
	x := toRelXYZ[0][0]*r + toRelXYZ[0][1]*g + toRelXYZ[0][2]*b
	y := toRelXYZ[1][0]*r + toRelXYZ[1][1]*g + toRelXYZ[1][2]*b
	z := toRelXYZ[2][0]*r + toRelXYZ[2][1]*g + toRelXYZ[2][2]*b
	if !(min(x, y, z) >= 0 && max(x, y, z) < cieMax) { // NaN is neither
		fx, fy, fz := cieFFast(x), cieFFast(y), cieFFast(z)
		return [3]float64{116*fy - 16, 500 * (fx - fy), 200 * (fy - fz)}
	}
	// The same as cieFFast, where it isn't called.
	const scale = cieSteps / cieMax
	x, y, z = x*scale, y*scale, z*scale
	i, j, k := int(x), int(y), int(z)
	tx, ty, tz := (*[2]float64)(cieTable[i:]), (*[2]float64)(cieTable[j:]), (*[2]float64)(cieTable[k:])
	fx, fy, fz := tx[0]+(x-float64(i))*(tx[1]-tx[0]), ty[0]+(y-float64(j))*(ty[1]-ty[0]), tz[0]+(z-float64(k))*(tz[1]-tz[0])
	return [3]float64{116*fy - 16, 500 * (fx - fy), 200 * (fy - fz)}
}

// ChromaticityXY returns the CIE 1931 x, y of a colour; ok is false when
// X+Y+Z is not above 0, as for black.
func ChromaticityXY(xyz [3]float64) (xy [2]float64, ok bool) {
	s := xyz[0] + xyz[1] + xyz[2]
	if !(s > 0) {
		return xy, false
	}
	return [2]float64{xyz[0] / s, xyz[1] / s}, true
}

// maxDuv is how far from the Planckian locus, in CIE 1960 u, v, a correlated
// colour temperature is still defined: CIE 15 sets 5e-2.
const maxDuv = 5e-2

// CCT returns the correlated colour temperature in kelvin of a chromaticity
// by the cubic of C. S. McCamy, Color Research and Application 17(2),
// 142-144, 1992. It was fitted to 2856 to 6504 K and is good to some tens of
// kelvin from about 2500 to 10 000 K near the Planckian locus.
//
// ok is false, and the figure not to be used, outside 2000 to 12 500 K, or
// farther than 0.05 from the locus in CIE 1960 u, v (the limit of CIE 15;
// locus by M. Krystek, Color Research and Application 10(1), 38-40, 1985).
func CCT(xy [2]float64) (kelvin float64, ok bool) {
	x, y := xy[0], xy[1]
	n := (x - 0.3320) / (0.1858 - y)
	t := ((449*n+3525)*n+6823.3)*n + 5520.33
	if !(t >= 2000 && t <= 12500) {
		return t, false
	}
	d := -2*x + 12*y + 3
	u, v := 4*x/d, 6*y/d
	pu := (0.860117757 + 1.54118254e-4*t + 1.28641212e-7*t*t) / (1 + 8.42420235e-4*t + 7.08145163e-7*t*t)
	pv := (0.317398726 + 4.22806245e-5*t + 4.20481691e-8*t*t) / (1 - 2.89741816e-5*t + 1.61456053e-7*t*t)
	return t, math.Hypot(u-pu, v-pv) <= maxDuv
}
