package scene

import (
	"math/rand/v2"

	"tawsight/samples"
)

// Twins makes two marbles that differ in one property (one of samples.Pairs) and in which side lies up, and are alike
// in all else: the same colours, sizes and path of the ribbon as far as the property leaves them. It panics for
// another property.
func Twins(rng *rand.Rand, property string) (a, b Marble) {
	seed := rng.Uint64()
	// Both draw the same numbers, in the same order.
	a = twin(rand.New(rand.NewPCG(seed, 0)), property, false)
	b = twin(rand.New(rand.NewPCG(seed, 0)), property, true)
	b.Rot = randomRotation(rng)
	return a, b
}

// twin draws one marble: one ribbon in clear glass, or a swirl on an opaque body, unless the property says otherwise.
func twin(rng *rand.Rand, property string, second bool) Marble {
	m := glass(rng, "twin-ribbon", "")
	m.Radius = between(rng, 15.2, 17.6) / 2
	turns, width, c := 4, between(rng, 1.8, 2.4), colour(rng, 0, 1, 2, 5)
	share := between(rng, 0, 1) // where in the range of the property the marble lies
	within := func(lo, hi float64) float64 { return lo + share*(hi-lo) }
	if property == samples.PropertySize {
		if m.Radius = within(14.2, 15.4) / 2; second {
			m.Radius = within(18.2, 19.6) / 2
		}
	}
	k := m.Radius / 8
	s := Serpentine{Reach: between(rng, 52, 62), Round: between(rng, 270, 330), Depth: 0.84, LeanDeg: between(rng, -25, 25),
		Irregular: between(rng, 0.5, 0.9)}
	warm, whiteStrip := colour(rng, 3), Strip{Class: 'G', Colour: white(rng), Width: k * between(rng, 1.2, 1.8), Gap: 0.1}
	switch property {
	case samples.PropertySize:
	case samples.PropertyRibbonWidth:
		if width = within(1.2, 1.7); second {
			width = within(3.0, 4.0)
		}
	case samples.PropertyRibbonColour:
		if c = colour(rng, 0); second {
			c = warm
		}
	case samples.PropertyBaseTint:
		c = white(rng)
		if second {
			m.Through = RGB{0.93, within(0.74, 0.66), within(0.34, 0.22)}
		}
	case samples.PropertyBaseClarity:
		fog := m
		fog.mist(rng, 0.7, 1.3)
		fog.Through = RGB{0.92, 0.93, 0.93}
		if second {
			m = fog
		}
	case samples.PropertyFolds:
		width = within(1.0, 1.4)
		if turns = 3; second {
			turns = 7 + int(2*share)
		}
	case samples.PropertyPairing:
		width = within(1.3, 1.9)
	case samples.PropertyBaseCream:
		lab := jitter(rng, [3]float64{89, 1, 4}, 1.5)
		if second {
			lab[2] += 11
		}
		body := FromLab(lab)
		m.Kind, m.Body = "twin-swirl", &body
		m.Swirl = &Swirl{PeriodMM: k * between(rng, 3.2, 4.6), Warp: between(rng, 0.35, 0.6), Colours: []RGB{c}, Shares: []float64{between(rng, 0.3, 0.45)},
			Shift: Vec{between(rng, 0, 9), between(rng, 0, 9), between(rng, 0, 9)}}
		return m
	default:
		panic("no such property: " + property)
	}
	s.Turns = turns
	s.Strips = []Strip{{Class: 'R', Colour: c, Width: k * width}}
	if property == samples.PropertyPairing && !second {
		s.Strips, m.Paired = append(s.Strips, whiteStrip), true
	}
	m.Sheets = s.Sheets(rng, m.Radius)
	return m
}
