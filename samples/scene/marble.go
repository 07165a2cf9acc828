package scene

import (
	"math"
	"math/rand/v2"

	"github.com/lucasb-eyer/go-colorful"
)

// RGB is linear light with the primaries of sRGB, white (1, 1, 1) being D65: a reflectance, a transmittance or a
// radiance.
type RGB = [3]float64

// FromLab gives the linear RGB of a CIELAB colour (D65), clipped to 0 to 1.
func FromLab(lab [3]float64) RGB {
	r, g, b := colorful.Lab(lab[0]/100, lab[1]/100, lab[2]/100).LinearRgb()
	return RGB{clip(r), clip(g), clip(b)}
}

// ToLab gives the CIELAB colour (D65) of linear RGB.
func ToLab(c RGB) [3]float64 {
	l, a, b := colorful.LinearRgb(c[0], c[1], c[2]).Lab()
	return [3]float64{round(l*100, 2), round(a*100, 2), round(b*100, 2)}
}

func clip(x float64) float64 { return math.Min(1, math.Max(0, x)) }

func round(x float64, digits int) float64 {
	p := math.Pow(10, float64(digits))
	return math.Round(x*p) / p
}

func luminance(c RGB) float64 { return 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2] }

// Marble is one marble as it is made; Centre is set when it is laid out.
type Marble struct {
	Kind, Label string
	Radius      float64
	Centre      Vec
	Rot         [3][3]float64
	// Through is what a diameter of the base glass lets pass, per channel (1, 1, 1 for clear glass); for an opaque
	// body it is unused.
	Through RGB
	// Cloud is the optical depth of scattering along a diameter (0: clear), CloudColour the colour it scatters.
	Cloud       float64
	CloudColour RGB
	// Body is the reflectance of an opaque body; nil for glass.
	Body   *RGB
	Swirl  *Swirl
	Sheets []Sheet
	// Specimen names the marble where several photos show it.
	Specimen string
	// Paired says that a white strip and a coloured one run side by side.
	Paired bool
	// Crystallised is the share of the swirl's colours that is matt and grainy, 0 to 1.
	Crystallised float64
	// BubbleR is the bubble's radius, 0 for none, BubbleAt its offset from the centre.
	BubbleR  float64
	BubbleAt Vec
	// Partner is the index of the marble this one is to touch, -1 for none.
	Partner int
	// Cut asks for a place at the edge of the picture, where part of the marble is outside it.
	Cut bool
}

// Sheet is one ribbon: a thin surface in the marble's own frame (centre at the origin, before Rot).
type Sheet struct {
	Class  byte // 'R', 'G' or 'B'
	Colour RGB
	// Ribbon is the number of the ribbon the sheet is a strip of, 0 for a sheet that is a ribbon of its own. The strips
	// of one ribbon follow one another.
	Ribbon  int
	Make    Make    // of the ribbon
	Filter  float64 // 0 opaque; else the share of light that is filtered through instead of scattered
	WidthMM float64
	Turns   int
	// SpacingMM is the mean distance between the passes of a folded ribbon; 0 for a vane.
	SpacingMM float64
	Points    [][]Vec // [along][across]
}

// Make is how a ribbon is made up of strips.
type Make int

const (
	Solid    Make = iota
	TwoTone       // dark to light of one hue
	Striated      // many fine strips of two near colours
)

// Swirl is the surface pattern of an opaque body: warped stripes in one or two colours.
type Swirl struct {
	Colours  []RGB
	Shares   []float64 // of one period, each
	PeriodMM float64
	Warp     float64
	Shift    Vec
}

// wave is a smooth random function of period much longer than its argument's unit: a sum of three sines, within -1..1.
type wave struct{ f, p [3]float64 }

func newWave(rng *rand.Rand, freq float64) wave {
	var w wave
	for i := range w.f {
		w.f[i] = freq * between(rng, 0.5, 1.5) * 2 * math.Pi
		w.p[i] = between(rng, 0, 2*math.Pi)
	}
	return w
}

func (w wave) at(t float64) float64 {
	return (math.Sin(w.f[0]*t+w.p[0]) + math.Sin(w.f[1]*t+w.p[1]) + math.Sin(w.f[2]*t+w.p[2])) / 3
}

// Strip is one of the ribbons that run side by side along a serpentine.
type Strip struct {
	Class      byte
	Colour     RGB
	Filter     float64
	Width, Gap float64 // mm; Gap before the strip, taken for 0 within a ribbon
	Ribbon     int     // strips of the same number, unless it is 0, are one ribbon; their edges meet
	Make       Make
}

// Serpentine is the way a gathered ribbon lies in a machine-made marble: to and fro between two poles while it goes
// round, somewhat under the surface.
type Serpentine struct {
	Turns     int
	Reach     float64 // degrees from the equator at which it turns
	Round     float64 // degrees it goes round in all
	Depth     float64 // mean distance from the centre over the radius
	LeanDeg   float64 // tilt of the ribbon's plane out of the surface
	Irregular float64 // 0 to 1
	Strips    []Strip
}

// Sheets gives the ribbons of a serpentine in a marble of the radius given, mm.
func (s Serpentine) Sheets(rng *rand.Rand, radius float64) []Sheet {
	total := 0.0
	for i, st := range s.Strips {
		total += st.Width
		if i > 0 && !s.joined(i) {
			total += st.Gap
		}
	}
	warpT, depth, lean, reach := newWave(rng, 1.2), newWave(rng, 2.5), newWave(rng, 2), newWave(rng, float64(s.Turns)/2)
	phase, start := between(rng, 0, math.Pi), between(rng, 0, 2*math.Pi)
	centreline := func(t float64) Vec {
		tt := t + 0.06*s.Irregular*warpT.at(t)
		lat := rad(s.Reach) * (1 + 0.3*s.Irregular*reach.at(t)) * math.Cos(math.Pi*float64(s.Turns)*tt+phase)
		lon := start + rad(s.Round)*tt
		rho := radius * (s.Depth + 0.1*s.Irregular*depth.at(t))
		return Vec{rho * math.Cos(lat) * math.Cos(lon), rho * math.Cos(lat) * math.Sin(lon), rho * math.Sin(lat)}
	}
	n := 60 + 45*s.Turns
	var out []Sheet
	u := -total / 2
	var last func(t float64) float64 // the right edge of the strip before, from u
	for i, st := range s.Strips {
		if i > 0 && !s.joined(i) {
			u += st.Gap
		}
		left, right := newWave(rng, float64(s.Turns)), newWave(rng, float64(s.Turns))
		sh := Sheet{Class: st.Class, Colour: st.Colour, Filter: st.Filter, Ribbon: st.Ribbon, Make: st.Make, WidthMM: st.Width, Turns: s.Turns,
			SpacingMM: rad(s.Round) * s.Depth * radius / float64(s.Turns)}
		across := 3
		if st.Width > 1.5 {
			across = 6
		}
		for k := range n + 1 {
			t := float64(k) / float64(n)
			p := centreline(t)
			tan := unit(sub(centreline(t+1e-4), centreline(t-1e-4)))
			out3 := unit(p)
			side := unit(cross(out3, tan))
			l := rad(s.LeanDeg + 30*s.Irregular*lean.at(t))
			w := add(scale(side, math.Cos(l)), scale(out3, math.Sin(l)))
			taper := math.Min(1, 0.25+6*math.Min(t, 1-t))
			var row []Vec
			for j := range across + 1 {
				a := float64(j) / float64(across)
				lo := u + 0.1*st.Width*left.at(t)
				if s.joined(i) {
					lo = u + last(t)
				}
				hi := u + st.Width + 0.1*st.Width*right.at(t)
				q := add(p, scale(w, taper*(lo+(hi-lo)*a)))
				if d := norm(q); d > 0.965*radius {
					q = scale(q, 0.965*radius/d)
				}
				row = append(row, q)
			}
			sh.Points = append(sh.Points, row)
		}
		out = append(out, sh)
		u += st.Width
		last = func(t float64) float64 { return 0.1 * st.Width * right.at(t) }
	}
	return out
}

// joined says whether the strip is of one ribbon with the one before.
func (s Serpentine) joined(i int) bool {
	return i > 0 && s.Strips[i].Ribbon > 0 && s.Strips[i].Ribbon == s.Strips[i-1].Ribbon
}

// Vanes gives n flat vanes that meet near an axis, slightly twisted.
func Vanes(rng *rand.Rand, radius float64, n int, colour RGB) []Sheet {
	return vanes{n: n, inner: 0.08, colours: []RGB{colour}}.sheets(rng, radius)
}

// vanes about an axis: n of them, from inner radii of the marble on, the colours by turns.
type vanes struct {
	n       int
	inner   float64
	colours []RGB
}

func (v vanes) sheets(rng *rand.Rand, radius float64) []Sheet {
	var out []Sheet
	twist, bend := between(rng, -60, 60), newWave(rng, 0.7)
	for i := range v.n {
		at := 360*float64(i)/float64(v.n) + between(rng, -12, 12)
		c := i % len(v.colours)
		sh := Sheet{Class: "RGB"[c], Colour: v.colours[c], WidthMM: round((0.70-v.inner)*radius, 2)}
		for k := range 41 {
			t := float64(k)/40*2 - 1
			w := math.Max(0.75*radius*math.Sqrt(1-0.96*t*t), (v.inner+0.02)*radius)
			var row []Vec
			for j := range 7 {
				u := v.inner*radius + (w-v.inner*radius)*float64(j)/6
				s, c := math.Sincos(rad(at + twist*t + 14*bend.at(t+u/radius)))
				row = append(row, Vec{u * c, u * s, 0.86 * radius * t})
			}
			sh.Points = append(sh.Points, row)
		}
		out = append(out, sh)
	}
	return out
}
