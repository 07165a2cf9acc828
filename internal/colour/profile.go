package colour

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"math"
	"strings"
	"sync"
	"unicode/utf16"
)

// Profile says what a photo's numbers mean: how R, G, B codes (0 to 1) become
// linear RGB with the sRGB primaries, adapted to D65, unclipped.
//
// Profiles of the usual kind, a tone curve a channel and then a matrix, add up
// channel by channel, and are held as what each channel's code contributes.
// Others, of tables of three dimensions, are for printers and scanners, and are
// not converted: the one library in Go that does allocates what a damaged
// profile asks for, and a photo is nothing to trust.
type Profile struct {
	Name string // as the profile calls itself, "" where it doesn't
	// SRGB says that it is sRGB, or so near that no code differs by more than
	// nearSRGB: there is nothing to convert.
	SRGB bool
	Grey bool // it is for pictures of one channel

	transform func(r, g, b float64) [3]float64
	eight     func() *Contributions
	sixteen   func() *Contributions
}

// Contributions are a profile's tables: the linear RGB of a pixel is the sum of
// the entries of its three codes, in the order R, G, B.
type Contributions [3][][3]float32

// nearSRGB is CIEDE2000, so that the many hardly different profiles called sRGB
// leave the codes alone.
const nearSRGB = 0.25

// Errors of ReadProfile. Whatever it returns, the picture can be read, and its
// colours are in doubt.
var (
	ErrNotRGB         = errors.New("the colour profile is for printing inks or something else than RGB or grey")
	ErrDamagedProfile = errors.New("the colour profile is damaged")
	ErrTables         = errors.New("the colour profile describes its colours by tables of three dimensions")
)

// Linear converts R, G, B codes, 0 to 1 each.
func (p *Profile) Linear(r, g, b float64) [3]float64 { return p.transform(r, g, b) }

// Table returns the contributions of 8-bit codes (256 a channel), or of 16-bit
// ones (65536). Nobody may change them.
func (p *Profile) Table(sixteen bool) *Contributions {
	if sixteen {
		return p.sixteen()
	}
	return p.eight()
}

// The PCS of the ICC is relative to D50, given in ICC.1:2022, 7.2.16, to four
// places.
var pcsWhite = [3]float64{0.9642, 1, 0.8249}

// fromPCS turns PCS XYZ into linear RGB: adapted from D50 to this package's
// white by the linear Bradford transform (ICC.1:2022, annex E).
var fromPCS = func() [3][3]float64 { return times(linearOfXYZ, bradford(pcsWhite, white)) }()

var linearOfXYZ = func() (m [3][3]float64) {
	for j := range 3 {
		var e [3]float64
		e[j] = 1
		for i, v := range XYZToLinear(e) {
			m[i][j] = v
		}
	}
	return m
}()

func times(a, b [3][3]float64) (m [3][3]float64) {
	for i := range 3 {
		for j := range 3 {
			for k := range 3 {
				m[i][j] += a[i][k] * b[k][j]
			}
		}
	}
	return m
}

func apply(m [3][3]float64, v [3]float64) (out [3]float64) {
	for i := range 3 {
		out[i] = m[i][0]*v[0] + m[i][1]*v[1] + m[i][2]*v[2]
	}
	return out
}

func inverse(m [3][3]float64) (out [3][3]float64, ok bool) {
	minor := func(i, j int) float64 {
		a, b, c, d := (i+1)%3, (i+2)%3, (j+1)%3, (j+2)%3
		return m[a][c]*m[b][d] - m[a][d]*m[b][c]
	}
	det := m[0][0]*minor(0, 0) + m[0][1]*minor(0, 1) + m[0][2]*minor(0, 2)
	if math.Abs(det) < 1e-9 || math.IsNaN(det) {
		return out, false
	}
	for i := range 3 {
		for j := range 3 {
			out[j][i] = minor(i, j) / det
		}
	}
	return out, true
}

// bradford adapts XYZ under one white to XYZ under another.
func bradford(from, to [3]float64) [3][3]float64 {
	cone := [3][3]float64{{0.8951, 0.2664, -0.1614}, {-0.7502, 1.7135, 0.0367}, {0.0389, -0.0685, 1.0296}}
	back, _ := inverse(cone)
	a, b := apply(cone, from), apply(cone, to)
	var scale [3][3]float64
	for i := range scale {
		scale[i][i] = b[i] / a[i]
	}
	return times(back, times(scale, cone))
}

// Known profiles are kept: photos of one camera carry one profile.
var profiles struct {
	sync.Mutex
	by map[[32]byte]*Profile
}

// ReadProfile reads an ICC profile (ICC.1, versions 2 and 4; RGB or grey).
func ReadProfile(data []byte) (*Profile, error) {
	key := sha256.Sum256(data)
	profiles.Lock()
	p := profiles.by[key]
	profiles.Unlock()
	if p != nil {
		return p, nil
	}
	p, err := readProfile(data)
	if err != nil {
		return nil, err
	}
	profiles.Lock()
	defer profiles.Unlock()
	if profiles.by == nil || len(profiles.by) > 16 {
		profiles.by = map[[32]byte]*Profile{}
	}
	profiles.by[key] = p
	return p, nil
}

// checkProfile bounds what the reader is asked to allocate: the header and the
// tag table (ICC.1:2022, 7.2 and 7.3).
func checkProfile(data []byte) ([]byte, error) {
	if len(data) < 132 || len(data) > 16<<20 || string(data[36:40]) != "acsp" {
		return nil, ErrDamagedProfile
	}
	size := int64(binary.BigEndian.Uint32(data))
	if size < 132 || size > int64(len(data)) {
		return nil, ErrDamagedProfile
	}
	n := int64(binary.BigEndian.Uint32(data[128:]))
	if n < 1 || n > 200 || 132+12*n > size {
		return nil, ErrDamagedProfile
	}
	for i := range n {
		at, length := int64(binary.BigEndian.Uint32(data[136+12*i:])), int64(binary.BigEndian.Uint32(data[140+12*i:]))
		if at < 132+12*n || at+length > size {
			return nil, ErrDamagedProfile
		}
	}
	return data[:size], nil
}

func readProfile(data []byte) (*Profile, error) {
	data, err := checkProfile(data)
	if err != nil {
		return nil, err
	}
	tags := map[string][]byte{}
	for i := range binary.BigEndian.Uint32(data[128:]) {
		e := data[132+12*i:]
		at := binary.BigEndian.Uint32(e[4:])
		tags[string(e[:4])] = data[at : at+binary.BigEndian.Uint32(e[8:])]
	}
	name := clean(description(tags["desc"]))
	switch string(data[16:20]) {
	case "GRAY":
		k, ok := readCurve(tags["kTRC"])
		if !ok {
			return nil, without(tags, "kTRC")
		}
		if p := newProfile(name, true, func(_, g, _ float64) [3]float64 {
			v := k(g)
			return [3]float64{v, v, v}
		}); p != nil {
			return p, nil
		}
		return nil, ErrDamagedProfile
	case "RGB ":
	default:
		return nil, ErrNotRGB
	}
	if len(tags["rXYZ"]) == 0 || string(data[20:24]) != "XYZ " {
		return nil, without(tags, "rXYZ")
	}
	// Relative colorimetric (F.3): a curve each, then the colorants, which are
	// adapted to D50 already, whatever the screen's own white ('chad') was.
	var curves [3]func(float64) float64
	var m [3][3]float64
	for j, c := range []string{"r", "g", "b"} {
		var ok bool
		if curves[j], ok = readCurve(tags[c+"TRC"]); !ok {
			return nil, without(tags, c+"TRC")
		}
		t := tags[c+"XYZ"]
		if len(t) < 20 || string(t[:4]) != "XYZ " {
			return nil, ErrDamagedProfile
		}
		for i := range 3 {
			m[i][j] = fixed(t[8+4*i:])
		}
	}
	m = times(fromPCS, m)
	p := newProfile(name, false, func(r, g, b float64) [3]float64 {
		return apply(m, [3]float64{curves[0](r), curves[1](g), curves[2](b)})
	})
	if p == nil {
		return nil, ErrDamagedProfile
	}
	return p, nil
}

// without is why a profile that lacks a tag can't be used.
func without(tags map[string][]byte, tag string) error {
	if len(tags[tag]) == 0 && len(tags["A2B0"])+len(tags["A2B1"]) > 0 {
		return ErrTables
	}
	return ErrDamagedProfile
}

func fixed(b []byte) float64 { return float64(int32(binary.BigEndian.Uint32(b))) / 65536 }

// description is the name in a textDescriptionType (version 2) or the first of
// a multiLocalizedUnicodeType (version 4).
func description(t []byte) string {
	if len(t) < 12 {
		return ""
	}
	n := int64(binary.BigEndian.Uint32(t[8:]))
	switch string(t[:4]) {
	case "desc":
		if n <= int64(len(t)-12) {
			s, _, _ := strings.Cut(string(t[12:12+n]), "\x00")
			return strings.ToValidUTF8(s, "")
		}
	case "mluc":
		if n < 1 || len(t) < 28 {
			return ""
		}
		n, at := int64(binary.BigEndian.Uint32(t[20:])), int64(binary.BigEndian.Uint32(t[24:]))
		if n < 0 || at < 0 || at+n > int64(len(t)) {
			return ""
		}
		var u []uint16
		for i := at; i+1 < at+n; i += 2 {
			u = append(u, binary.BigEndian.Uint16(t[i:]))
		}
		return string(utf16.Decode(u))
	}
	return ""
}

// readCurve reads a curveType or parametricCurveType (10.6, 10.18).
func readCurve(t []byte) (f func(float64) float64, ok bool) {
	if len(t) < 12 {
		return nil, false
	}
	switch string(t[:4]) {
	case "curv":
		n := int64(binary.BigEndian.Uint32(t[8:]))
		if n > int64(len(t)-12)/2 {
			return nil, false
		}
		switch n {
		case 0:
			return func(x float64) float64 { return x }, true
		case 1:
			g := float64(binary.BigEndian.Uint16(t[12:])) / 256
			return func(x float64) float64 { return math.Pow(x, g) }, g > 0
		}
		v := make([]float64, n)
		for i := range v {
			v[i] = float64(binary.BigEndian.Uint16(t[12+2*i:])) / 65535
		}
		return func(x float64) float64 {
			s := math.Max(0, math.Min(1, x)) * float64(n-1)
			i := min(int(s), int(n-2))
			return v[i] + (s-float64(i))*(v[i+1]-v[i])
		}, true
	case "para":
		kind := int(binary.BigEndian.Uint16(t[8:]))
		if kind > 4 {
			return nil, false
		}
		need := [...]int{1, 3, 4, 5, 7}[kind]
		if len(t) < 12+4*need {
			return nil, false
		}
		var p [7]float64 // g a b c d e f
		p[1] = 1
		for i := range need {
			p[i] = fixed(t[12+4*i:])
		}
		g, a, b, c, d, e, f := p[0], p[1], p[2], p[3], p[4], p[5], p[6]
		upper := func(x float64) float64 { return math.Pow(math.Max(0, a*x+b), g) }
		if (kind == 1 || kind == 2) && a == 0 {
			return nil, false
		}
		return func(x float64) float64 {
			switch kind {
			case 1:
				if x < -b/a {
					return 0
				}
			case 2:
				if x < -b/a {
					return c
				}
				return upper(x) + c
			case 3, 4:
				if x < d {
					return c*x + f
				}
				return upper(x) + e
			}
			return upper(x)
		}, true
	}
	return nil, false
}

func clean(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return -1
		}
		return r
	}, s)
	if r := []rune(s); len(r) > 60 {
		s = string(r[:60])
	}
	return strings.TrimSpace(s)
}

// newProfile looks at a transform: is it finite, is it sRGB?
// nil where it makes no sense.
func newProfile(name string, grey bool, f func(r, g, b float64) [3]float64) *Profile {
	p := &Profile{Name: name, Grey: grey, SRGB: true, transform: f}
	zero := f(0, 0, 0)
	alone := func(k int, v float64) [3]float64 {
		var c [3]float64
		c[k] = v
		out := f(c[0], c[1], c[2])
		for i := range out {
			out[i] -= zero[i]
		}
		return out
	}
	const n = 6
	for r := range n {
		for g := range n {
			for b := range n {
				c := [3]float64{float64(r) / (n - 1), float64(g) / (n - 1), float64(b) / (n - 1)}
				if grey {
					c[0], c[2] = c[1], c[1]
				}
				got := f(c[0], c[1], c[2])
				var want [3]float64
				for k := range c {
					want[k] = SRGBToLinear(c[k])
				}
				for i := range got {
					if math.IsNaN(got[i]) || math.Abs(got[i]) > 20 {
						return nil
					}
				}
				if DeltaE00(LinearToLab(got), LinearToLab(want)) > nearSRGB {
					p.SRGB = false
				}
			}
		}
	}
	if w := f(1, 1, 1); w[0]+w[1]+w[2] < 0.3 {
		return nil // white is black: no profile of a photo
	}
	table := func(codes int) *Contributions {
		t := new(Contributions)
		for k := range t {
			t[k] = make([][3]float32, codes)
			if grey && k != 1 {
				continue
			}
			for i := range t[k] {
				c := alone(k, float64(i)/float64(codes-1))
				for j := range c {
					if k == 1 {
						c[j] += zero[j]
					}
					t[k][i][j] = float32(c[j])
				}
			}
		}
		return t
	}
	p.eight = sync.OnceValue(func() *Contributions { return table(256) })
	p.sixteen = sync.OnceValue(func() *Contributions { return table(65536) })
	return p
}

// PrimariesProfile is the profile of RGB with the given chromaticities (CIE
// 1931 x, y) of red, green, blue and white, and a tone curve from code to
// linear light, 0 to 1 both. The white is adapted to this package's. ok is
// false where they make no colours.
func PrimariesProfile(name string, xy [4][2]float64, curve func(float64) float64) (*Profile, bool) {
	m, ok := ToLinearSRGB(xy)
	if !ok {
		return nil, false
	}
	p := newProfile(name, false, func(r, g, b float64) [3]float64 {
		return apply(m, [3]float64{curve(r), curve(g), curve(b)})
	})
	return p, p != nil
}

// ToLinearSRGB is the matrix from linear RGB with the given chromaticities of
// red, green, blue and white to linear sRGB.
func ToLinearSRGB(xy [4][2]float64) (m [3][3]float64, ok bool) {
	var xyz [4][3]float64
	for i, c := range xy {
		if !(c[1] > 1e-6 && c[0] >= 0 && c[0]+c[1] <= 1+1e-6) {
			return m, false
		}
		xyz[i] = [3]float64{c[0] / c[1], 1, (1 - c[0] - c[1]) / c[1]}
	}
	for i := range 3 {
		for j := range 3 {
			m[i][j] = xyz[j][i]
		}
	}
	inv, ok := inverse(m)
	if !ok {
		return m, false
	}
	s := apply(inv, xyz[3])
	for i := range 3 {
		for j := range 3 {
			m[i][j] *= s[j]
		}
	}
	return times(linearOfXYZ, times(bradford(xyz[3], white), m)), true
}

// Chromaticities of red, green, blue and white.
var (
	// SRGBPrimaries are those of ITU-R BT.709 and IEC 61966-2-1.
	SRGBPrimaries = [4][2]float64{{0.64, 0.33}, {0.30, 0.60}, {0.15, 0.06}, {0.3127, 0.3290}}
	// P3Primaries are those of SMPTE EG 432-1 with the white of D65.
	P3Primaries = [4][2]float64{{0.680, 0.320}, {0.265, 0.690}, {0.150, 0.060}, {0.3127, 0.3290}}
	// AdobeRGBPrimaries are those of Adobe RGB (1998) Color Image Encoding,
	// version 2005-05, 4.3.1.1.
	AdobeRGBPrimaries = [4][2]float64{{0.64, 0.33}, {0.21, 0.71}, {0.15, 0.06}, {0.3127, 0.3290}}
	// BT2020Primaries are those of ITU-R BT.2020, table 3.
	BT2020Primaries = [4][2]float64{{0.708, 0.292}, {0.170, 0.797}, {0.131, 0.046}, {0.3127, 0.3290}}
)

// DisplayP3 is P3 with sRGB's tone curve.
var DisplayP3 = sync.OnceValue(func() *Profile {
	p, _ := PrimariesProfile("Display P3", P3Primaries, SRGBToLinear)
	return p
})

// AdobeRGB is Adobe RGB (1998): a gamma of 2.19921875 (563/256; its encoding's
// 4.3.1.2), which is what an EXIF file of DCF's optional colour space holds.
var AdobeRGB = sync.OnceValue(func() *Profile {
	p, _ := PrimariesProfile("Adobe RGB (1998)", AdobeRGBPrimaries, func(v float64) float64 { return math.Pow(v, 563.0/256) })
	return p
})

// CodePoints is the profile of the code points of ITU-T H.273 for primaries and
// transfer. ok is false where they are for what can't be told in a photo: high
// dynamic range (transfers 16 and 18), or a code not known.
func CodePoints(primaries, transfer int) (*Profile, bool) {
	var xy [4][2]float64
	name := ""
	switch primaries {
	case 1, 2:
		xy = SRGBPrimaries
	case 4: // ITU-R BT.470 System M
		xy = [4][2]float64{{0.67, 0.33}, {0.21, 0.71}, {0.14, 0.08}, {0.310, 0.316}}
	case 5: // ITU-R BT.470 System B, G
		xy = [4][2]float64{{0.64, 0.33}, {0.29, 0.60}, {0.15, 0.06}, {0.3127, 0.3290}}
	case 6, 7: // SMPTE ST 170
		xy = [4][2]float64{{0.630, 0.340}, {0.310, 0.595}, {0.155, 0.070}, {0.3127, 0.3290}}
	case 9:
		xy, name = BT2020Primaries, "BT.2020"
	case 11: // SMPTE RP 431
		xy, name = [4][2]float64{{0.680, 0.320}, {0.265, 0.690}, {0.150, 0.060}, {0.314, 0.351}}, "DCI P3"
	case 12:
		xy, name = P3Primaries, "Display P3"
	default:
		return nil, false
	}
	curve := SRGBToLinear
	switch transfer {
	case 1, 2, 6, 13, 14, 15:
		// Those of television are for a camera's light, not a screen's; writers
		// of stills give them and mean sRGB's.
	case 4:
		curve = func(v float64) float64 { return math.Pow(v, 2.2) }
	case 5:
		curve = func(v float64) float64 { return math.Pow(v, 2.8) }
	case 8:
		curve = func(v float64) float64 { return v }
	default:
		return nil, false
	}
	return PrimariesProfile(name, xy, curve)
}

// Sum is the linear RGB of three codes.
func (t *Contributions) Sum(r, g, b int) (v [3]float32) {
	x, y, z := &t[0][r], &t[1][g], &t[2][b]
	return [3]float32{x[0] + y[0] + z[0], x[1] + y[1] + z[1], x[2] + y[2] + z[2]}
}
