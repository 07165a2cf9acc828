package scene

import (
	"math/rand/v2"
)

// The sets of the invented find, by the plain nicknames their collector gave them. They are meant to be taken for one
// another: the same few colours run through all of them, and sizes overlap.
const (
	TwinRibbon  = "clear-twin-ribbon"   // clear, white and colour side by side
	WideRibbon  = "clear-wide-ribbon"   // clear, one broad ribbon
	TintedWhite = "tinted-white-ribbon" // tinted transparent glass, white ribbons
	MistyFine   = "misty-fine-ribbon"   // cloudy glass, fine busy ribbons
	WhiteSwirl  = "opaque-white-swirl"  // opaque white body, coloured swirls
	CreamSwirl  = "opaque-cream-swirl"  // its lookalike: a warmer body, somewhat finer swirls
)

// Sets lists them in order. TraySets are those that were told apart when the trays were laid out; the lookalike was
// parted from its set later, and no marble of it is on a tray.
var (
	Sets     = []string{TwinRibbon, WideRibbon, TintedWhite, MistyFine, WhiteSwirl, CreamSwirl}
	TraySets = Sets[:5]
)

var palette = [][3]float64{
	{34, 18, -52},  // blue
	{42, 52, 34},   // red
	{44, -40, 26},  // green
	{72, 20, 68},   // amber
	{58, -28, -14}, // turquoise
	{30, 34, -34},  // violet
}

func jitter(rng *rand.Rand, lab [3]float64, by float64) [3]float64 {
	return [3]float64{lab[0] + by*between(rng, -1, 1), lab[1] + by*between(rng, -1.2, 1.2), lab[2] + by*between(rng, -1.2, 1.2)}
}

func colour(rng *rand.Rand, of ...int) RGB {
	return FromLab(jitter(rng, palette[of[rng.IntN(len(of))]], 3.5))
}

func white(rng *rand.Rand) RGB { return FromLab(jitter(rng, [3]float64{92, 0, 3}, 1.5)) }

// size draws a diameter, mm: mostly players, now and then a peewee or a shooter.
func size(rng *rand.Rand) float64 {
	switch p := rng.Float64(); {
	case p < 0.06:
		return between(rng, 11.8, 12.7)
	case p > 0.93:
		return between(rng, 19.2, 22.5)
	}
	return between(rng, 14.2, 18.4)
}

func glass(rng *rand.Rand, kind, label string) Marble {
	m := Marble{Kind: kind, Label: label, Radius: size(rng) / 2, Rot: randomRotation(rng), Through: RGB{1, 1, 1}, Partner: -1}
	return m
}

func (m *Marble) bubble(rng *rand.Rand, chance float64) {
	if rng.Float64() >= chance {
		return
	}
	m.BubbleR = m.Radius * between(rng, 0.06, 0.13)
	for i := range m.BubbleAt {
		m.BubbleAt[i] = between(rng, -0.12, 0.12) * m.Radius
	}
}

// OfSet makes a marble of the set named. It panics for a name that is not one of Sets.
func OfSet(rng *rand.Rand, set string) Marble {
	switch set {
	case TwinRibbon:
		m := glass(rng, "clear-paired", set)
		m.Paired = true
		k := m.Radius / 8
		s := Serpentine{Turns: 4 + rng.IntN(3), Reach: between(rng, 52, 64), Round: between(rng, 250, 340), Depth: 0.84,
			LeanDeg: between(rng, -30, 30), Irregular: between(rng, 0.5, 1)}
		s.Strips = []Strip{{Class: 'R', Colour: white(rng), Width: k * between(rng, 1.1, 1.8)},
			{Class: 'G', Colour: colour(rng, 0, 1, 2, 3), Filter: 0.25, Width: k * between(rng, 1.2, 2.0), Gap: 0.1}}
		m.Sheets = s.Sheets(rng, m.Radius)
		m.bubble(rng, 0.3)
		return m
	case WideRibbon:
		m := glass(rng, "clear-single", set)
		k := m.Radius / 8
		s := Serpentine{Turns: 3 + rng.IntN(2), Reach: between(rng, 50, 62), Round: between(rng, 240, 330), Depth: 0.82,
			LeanDeg: between(rng, -35, 35), Irregular: between(rng, 0.5, 1)}
		s.Strips = []Strip{{Class: 'R', Colour: colour(rng, 0, 1, 2, 3, 5), Width: k * between(rng, 3.0, 4.4)}}
		m.Sheets = s.Sheets(rng, m.Radius)
		m.bubble(rng, 0.3)
		return m
	case TintedWhite:
		m := glass(rng, "tinted-white", set)
		k := m.Radius / 8
		tints := []RGB{{0.50, 0.80, 0.86}, {0.93, 0.70, 0.26}, {0.55, 0.82, 0.52}, {0.45, 0.55, 0.88}}
		m.Through = tints[rng.IntN(len(tints))]
		for i := range m.Through {
			m.Through[i] = clip(m.Through[i] * between(rng, 0.94, 1.05))
		}
		s := Serpentine{Turns: 3 + rng.IntN(3), Reach: between(rng, 52, 64), Round: between(rng, 240, 340), Depth: 0.84,
			LeanDeg: between(rng, -30, 30), Irregular: between(rng, 0.5, 1)}
		s.Strips = []Strip{{Class: 'R', Colour: white(rng), Width: k * between(rng, 1.8, 3.0)}}
		if rng.Float64() < 0.4 {
			s.Strips = append(s.Strips, Strip{Class: 'R', Colour: white(rng), Width: k * between(rng, 0.6, 1), Gap: k * between(rng, 0.6, 1)})
		}
		m.Sheets = s.Sheets(rng, m.Radius)
		m.bubble(rng, 0.25)
		return m
	case MistyFine:
		m := glass(rng, "cloudy-fine", set)
		k := m.Radius / 8
		m.mist(rng, 0.7, 1.3)
		s := Serpentine{Turns: 6 + rng.IntN(3), Reach: between(rng, 54, 66), Round: between(rng, 270, 345), Depth: 0.89,
			LeanDeg: between(rng, -15, 15), Irregular: between(rng, 0.4, 0.8)}
		c := colour(rng, 0, 1, 2, 4)
		for range 2 + rng.IntN(2) {
			s.Strips = append(s.Strips, Strip{Class: 'R', Colour: c, Width: k * between(rng, 0.45, 0.85), Gap: k * between(rng, 0.5, 0.9)})
		}
		m.Sheets = s.Sheets(rng, m.Radius)
		return m
	case WhiteSwirl, CreamSwirl:
		m := glass(rng, "opaque-swirl", set)
		base, fine, coarse := [3]float64{89, 1, 6}, 3.2, 5.0
		if set == CreamSwirl {
			base, fine, coarse = [3]float64{88, 1.5, 11.5}, 2.6, 4.1
		}
		body := FromLab(jitter(rng, base, 2))
		m.Body = &body
		m.Swirl = &Swirl{PeriodMM: m.Radius / 8 * between(rng, fine, coarse), Warp: between(rng, 0.35, 0.6), Shift: Vec{between(rng, 0, 9), between(rng, 0, 9), between(rng, 0, 9)}}
		m.Swirl.Colours, m.Swirl.Shares = []RGB{colour(rng, 0, 1, 2, 3, 5)}, []float64{between(rng, 0.3, 0.48)}
		if rng.Float64() < 0.3 {
			m.Swirl.PeriodMM *= 1.7
			m.Swirl.Shares[0] *= 0.65
			m.Swirl.Colours = append(m.Swirl.Colours, colour(rng, 0, 1, 2, 3, 5))
			m.Swirl.Shares = append(m.Swirl.Shares, between(rng, 0.15, 0.26))
		}
		return m
	}
	panic("no such set: " + set)
}

func (m *Marble) mist(rng *rand.Rand, lo, hi float64) {
	m.Cloud = between(rng, lo, hi)
	m.CloudColour = RGB{between(rng, 0.84, 0.93), between(rng, 0.88, 0.93), between(rng, 0.88, 0.95)}
	m.Through = RGB{between(rng, 0.86, 0.95), between(rng, 0.90, 0.96), between(rng, 0.88, 0.97)}
}

// Stranger makes a marble of no set; kind, taken modulo 5, chooses vanes, deep tint, a dark body, cloudy glass with a
// broad ribbon or plain clear glass.
func Stranger(rng *rand.Rand, kind int) Marble {
	switch kind % 5 {
	case 0:
		m := glass(rng, "vaned", "")
		m.Sheets = Vanes(rng, m.Radius, 3+rng.IntN(2), colour(rng, 0, 1, 2, 3))
		m.bubble(rng, 0.5)
		return m
	case 1:
		m := glass(rng, "plain-deep-tint", "")
		m.Through = []RGB{{0.10, 0.22, 0.62}, {0.48, 0.16, 0.05}, {0.10, 0.38, 0.20}}[rng.IntN(3)]
		m.bubble(rng, 0.7)
		return m
	case 2:
		m := glass(rng, "opaque-dark", "")
		body := FromLab(jitter(rng, [3]float64{14, 2, -6}, 2))
		m.Body = &body
		m.Swirl = &Swirl{PeriodMM: between(rng, 4, 6), Warp: between(rng, 0.4, 0.6), Colours: []RGB{white(rng)}, Shares: []float64{between(rng, 0.15, 0.3)},
			Shift: Vec{between(rng, 0, 9), between(rng, 0, 9), between(rng, 0, 9)}}
		return m
	case 3:
		m := glass(rng, "cloudy-broad", "")
		m.mist(rng, 0.7, 1.3)
		s := Serpentine{Turns: 3, Reach: 58, Round: 300, Depth: 0.86, LeanDeg: 10, Irregular: 0.8,
			Strips: []Strip{{Class: 'R', Colour: colour(rng, 1, 3, 5), Width: between(rng, 2.6, 3.6)}}}
		m.Sheets = s.Sheets(rng, m.Radius)
		return m
	}
	m := glass(rng, "plain-clear", "")
	m.bubble(rng, 1)
	return m
}
