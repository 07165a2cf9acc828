package scene

import (
	"math"
	"math/rand/v2"
)

// AnatomyTrays is the number of trays of Anatomy, AnatomySize the number of marbles on each.
const AnatomyTrays, AnatomySize = 5, 8

// ways in which the ribbons of the glass marbles of Anatomy lie and are made up, with how many there are of each.
var ways = []struct {
	name string
	n    int
}{{"paired", 5}, {"independent", 4}, {"single", 2}, {"two-tone", 4}, {"striated", 4}, {"ribs", 4}, {"vaned", 4}, {"three-colours", 3}}

// Bodies of glass.
const (
	clear = iota
	tinted
	cloudy
)

var bodyNames = []string{"clear", "tinted", "cloudy"}

// Anatomy makes marbles whose parts vary more, and more independently of one another, than those of the sets: on each
// tray two of clear, two of tinted, two of cloudy glass and two opaque ones. Ribbons of every kind lie in glass of every
// kind, transmissions are spread evenly over their ranges, and half the marbles hold a bubble of 1.5 to 3 mm near the
// middle.
func Anatomy(rng *rand.Rand) [AnatomyTrays][]Marble {
	var plan [3][]string
	for _, w := range ways {
		for range w.n {
			least := clear
			for b := range plan {
				if len(plan[b]) < len(plan[least]) {
					least = b
				}
			}
			plan[least] = append(plan[least], w.name)
		}
	}
	var trays [AnatomyTrays][]Marble
	for b, names := range plan {
		rng.Shuffle(len(names), func(i, j int) { names[i], names[j] = names[j], names[i] })
		pass := spread(rng, len(names), [][2]float64{{1, 1}, {0.15, 0.9}, {0.05, 0.6}}[b])
		bubbles := make([]bool, len(names))
		switch b {
		case cloudy: // a bubble in dense cloud can't be seen by anyone
			for i := range bubbles {
				bubbles[i] = pass[i] > 0.32
			}
		default:
			for i := range bubbles {
				bubbles[i] = i < []int{8, 7}[b]
			}
			rng.Shuffle(len(bubbles), func(i, j int) { bubbles[i], bubbles[j] = bubbles[j], bubbles[i] })
		}
		for i, way := range names {
			trays[i/2] = append(trays[i/2], glassMarble(rng, b, way, pass[i], bubbles[i], i%4 == 3))
		}
	}
	for i, m := range opaqueMarbles(rng) {
		trays[i/2] = append(trays[i/2], m)
	}
	return trays
}

// spread gives n numbers, one at random from each of n equal parts of the range, in random order.
func spread(rng *rand.Rand, n int, over [2]float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = over[0] + (over[1]-over[0])*(float64(i)+rng.Float64())/float64(n)
	}
	rng.Shuffle(n, func(i, j int) { out[i], out[j] = out[j], out[i] })
	return out
}

// hues of ribbons beyond the sets' palette.
var hues = append([][3]float64{
	{30, 38, 22},   // oxblood
	{80, 4, 74},    // yellow
	{60, 44, 56},   // orange
	{66, 34, 2},    // pink
	{66, -10, -26}, // light blue
	{70, -34, 46},  // lime
	{40, 18, 28},   // brown
	{22, 2, -4},    // near black
}, palette...)

// pick gives n hues that are well apart.
func pick(rng *rand.Rand, n int) [][3]float64 {
	var out [][3]float64
	for len(out) < n {
		h := hues[rng.IntN(len(hues))]
		near := false
		for _, o := range out {
			near = near || norm(sub(h, o)) < 38
		}
		if !near {
			out = append(out, jitter(rng, h, 3.5))
		}
	}
	return out
}

// tints are what a diameter of tinted glass lets through; their powers make deeper and fainter ones of the same glass.
var tints = []RGB{{0.50, 0.80, 0.86}, {0.93, 0.66, 0.20}, {0.36, 0.74, 0.40}, {0.36, 0.48, 0.92}, {0.66, 0.42, 0.80}, {0.88, 0.36, 0.28}}

// tint draws tinted glass of which a diameter passes the luminance given: Beer and Lambert's law, so a power of the tint.
func tint(rng *rand.Rand, transmission float64) RGB {
	for {
		t := tints[rng.IntN(len(tints))]
		at := func(p float64) RGB { return RGB{math.Pow(t[0], p), math.Pow(t[1], p), math.Pow(t[2], p)} }
		lo, hi := 0.0, 20.0
		for range 60 {
			if mid := (lo + hi) / 2; luminance(at(mid)) > transmission {
				lo = mid
			} else {
				hi = mid
			}
		}
		c := at(lo)
		if lab := ToLab(c); math.Hypot(lab[1], lab[2]) > 9 {
			return c
		}
	}
}

func glassMarble(rng *rand.Rand, body int, way string, pass float64, bubble, colouredCloud bool) Marble {
	m := glass(rng, bodyNames[body]+"-"+way, "")
	m.Radius = math.Max(m.Radius, 6.8)
	switch body {
	case tinted:
		m.Through = tint(rng, pass)
	case cloudy:
		g := between(rng, 0.90, 0.95)
		m.Through = RGB{g + between(rng, -0.008, 0.008), g, g + between(rng, -0.008, 0.012)}
		m.CloudColour = RGB{between(rng, 0.86, 0.93), between(rng, 0.88, 0.93), between(rng, 0.88, 0.95)}
		if colouredCloud {
			m.Through = tint(rng, 0.8)
			for i := range m.CloudColour {
				m.CloudColour[i] = 0.9 * math.Pow(m.Through[i], 0.8)
			}
		}
		m.Cloud = math.Log(luminance(m.Through) / pass)
	}
	if bubble {
		m.BubbleR = between(rng, 1.5, 3) / 2
		for i := range m.BubbleAt {
			m.BubbleAt[i] = between(rng, -0.1, 0.1) * m.Radius
		}
	}
	m.dress(rng, way)
	return m
}

// dress puts the ribbons in.
func (m *Marble) dress(rng *rand.Rand, way string) {
	k := m.Radius / 8
	path := func(turns int, depth float64) Serpentine {
		return Serpentine{Turns: turns, Reach: between(rng, 50, 64), Round: between(rng, 240, 340), Depth: depth,
			LeanDeg: between(rng, -30, 30), Irregular: between(rng, 0.5, 1)}
	}
	lay := func(s Serpentine, strips ...Strip) []Sheet {
		s.Strips = strips
		return s.Sheets(rng, m.Radius)
	}
	strip := func(class byte, c RGB, lo, hi float64) Strip {
		return Strip{Class: class, Colour: c, Width: k * between(rng, lo, hi), Gap: 0.1}
	}
	filter := func() float64 { return []float64{0, 0.25}[rng.IntN(2)] }
	switch way {
	case "paired":
		c := strip('G', FromLab(pick(rng, 1)[0]), 0.9, 2.2)
		c.Filter, c.Gap = filter(), between(rng, 0.05, 0.25)
		m.Paired = true
		m.Sheets = lay(path(3+rng.IntN(5), 0.84), strip('R', white(rng), 0.8, 1.9), c)
	case "independent":
		c := strip('G', FromLab(pick(rng, 1)[0]), 0.9, 2.2)
		c.Filter = filter()
		m.Sheets = append(lay(path(3+rng.IntN(3), 0.88), strip('R', white(rng), 0.8, 1.9)),
			across(rng, lay(path(3+rng.IntN(3), 0.72), c))...)
	case "single":
		m.Sheets = lay(path(3+rng.IntN(4), 0.84), strip('R', FromLab(pick(rng, 1)[0]), 1.0, 3.6))
	case "two-tone":
		m.Sheets = lay(path(3+rng.IntN(2), 0.84), twoTone(rng, k*between(rng, 2.6, 4.2))...)
	case "striated":
		m.Sheets = lay(path(3+rng.IntN(2), 0.85), striated(rng, k*between(rng, 2.6, 4.2))...)
	case "ribs":
		s := Serpentine{Turns: 13 + rng.IntN(6), Reach: between(rng, 26, 38), Round: between(rng, 140, 215), Depth: 0.89,
			LeanDeg: between(rng, -35, 35), Irregular: between(rng, 0.25, 0.5)}
		if rng.Float64() < 0.4 {
			m.Paired = true
			m.Sheets = lay(s, strip('R', white(rng), 0.35, 0.5), strip('G', FromLab(pick(rng, 1)[0]), 0.4, 0.6))
		} else {
			m.Sheets = lay(s, strip('R', FromLab(pick(rng, 1)[0]), 0.55, 0.95))
		}
	case "vaned":
		v := vanes{n: 3 + rng.IntN(4), inner: 0.06, colours: []RGB{FromLab(pick(rng, 1)[0])}}
		if m.BubbleR > 0 { // the vanes meet the bubble's skin
			v.inner = 0.05 + m.BubbleR/m.Radius
			for i := range m.BubbleAt {
				m.BubbleAt[i] *= 0.3
			}
		}
		if v.n%2 == 0 && rng.Float64() < 0.6 {
			v.colours = append([]RGB{white(rng)}, v.colours...)
		}
		m.Sheets = v.sheets(rng, m.Radius)
	case "three-colours":
		h := pick(rng, 2)
		w := strip('R', white(rng), 0.7, 1.4)
		a, b := strip('G', FromLab(h[0]), 0.8, 1.5), strip('B', FromLab(h[1]), 0.8, 1.5)
		switch rng.IntN(3) {
		case 0:
			m.Paired = true
			m.Sheets = lay(path(3+rng.IntN(3), 0.84), a, w, b)
		case 1:
			m.Paired = true
			m.Sheets = append(lay(path(3+rng.IntN(3), 0.88), w, a), across(rng, lay(path(3, 0.7), b))...)
		default:
			m.Sheets = append(lay(path(3+rng.IntN(2), 0.9), w), across(rng, lay(path(3, 0.76), a))...)
			m.Sheets = append(m.Sheets, across(rng, lay(path(3, 0.6), b))...)
		}
	default:
		panic("no such way: " + way)
	}
}

// across turns ribbons to another axis, 55 to 125 degrees away, so that their paths have nothing in common.
func across(rng *rand.Rand, sheets []Sheet) []Sheet {
	st, ct := math.Sincos(rad(between(rng, 55, 125)))
	sp, cp := math.Sincos(between(rng, 0, 2*math.Pi))
	turn := [3][3]float64{{cp, -sp * ct, sp * st}, {sp, cp * ct, -cp * st}, {0, st, ct}}
	for _, sh := range sheets {
		for _, row := range sh.Points {
			for j := range row {
				row[j] = apply(turn, row[j])
			}
		}
	}
	return sheets
}

// twoTone gives the strips of a ribbon that runs from dark to light of one hue.
func twoTone(rng *rand.Rand, width float64) []Strip {
	h := jitter(rng, [][3]float64{{36, 16, -46}, {40, 48, 30}, {42, -36, 22}, {56, 30, 60}, {50, -26, -14}, {36, 32, -32}}[rng.IntN(6)], 3)
	lo, hi := h[0]-between(rng, 10, 16), h[0]+between(rng, 26, 36)
	var out []Strip
	const n = 7
	for i := range n {
		f := float64(i) / (n - 1)
		c := 0.85 - 0.45*f // the colour pales as it grows light
		out = append(out, Strip{Class: 'R', Ribbon: 1, Make: TwoTone, Width: width / n,
			Colour: FromLab([3]float64{math.Max(12, lo) + (hi-math.Max(12, lo))*f, c * h[1], c * h[2]})})
	}
	return out
}

// striated gives the fine strips, of two near colours by turns, of a ribbon.
func striated(rng *rand.Rand, width float64) []Strip {
	a := pick(rng, 1)[0]
	d := between(rng, 14, 20)
	if a[0] > 55 {
		d = -d
	}
	b := [3]float64{a[0] + d, 0.85*a[1] + between(rng, -4, 4), 0.85*a[2] + between(rng, -4, 4)}
	n := 7 + 2*rng.IntN(2)
	var parts []float64
	sum := 0.0
	for range n {
		parts = append(parts, between(rng, 0.7, 1.3))
		sum += parts[len(parts)-1]
	}
	var out []Strip
	for i, p := range parts {
		c := a
		if i%2 == 1 {
			c = b
		}
		out = append(out, Strip{Class: 'R', Ribbon: 1, Make: Striated, Width: width * p / sum, Colour: FromLab(jitter(rng, c, 1))})
	}
	return out
}

// opaqueMarbles gives two plain ones, three with crystallised colours and five swirls, in random order.
func opaqueMarbles(rng *rand.Rand) []Marble {
	offWhites := [][3]float64{{89, 1, 5}, {85, 2, 15}, {88, -2, -4}, {80, 1, 5}, {84, -5, 4}}
	coloured := [][3]float64{{38, 10, -40}, {40, 46, 28}, {46, -32, 20}, {70, 8, 58}, {56, -24, -16}, {18, 2, -6}, {36, 26, -26}, {64, -14, -18}}
	var out []Marble
	for i := range 2 * AnatomyTrays {
		m := glass(rng, "opaque-plain", "")
		m.Radius = math.Max(m.Radius, 6.8)
		from := offWhites
		if i%2 == 1 {
			from = coloured
		}
		lab := jitter(rng, from[rng.IntN(len(from))], 2)
		body := FromLab(lab)
		m.Body = &body
		if i >= 2 {
			m.Kind = "opaque-swirl"
			colours := 1 + i%3
			if i < 5 {
				m.Kind, m.Crystallised = "opaque-crystallised", between(rng, 0.35, 0.6)
				colours = 1 + i%2
			}
			m.Swirl = &Swirl{PeriodMM: m.Radius / 8 * (between(rng, 2.2, 3.2) + 1.6*float64(colours)), Warp: between(rng, 0.35, 0.6),
				Shift: Vec{between(rng, 0, 9), between(rng, 0, 9), between(rng, 0, 9)}}
			for len(m.Swirl.Colours) < colours {
				for _, h := range pick(rng, colours) {
					far := norm(sub(h, lab)) > 30
					for _, c := range m.Swirl.Colours {
						far = far && norm(sub(h, ToLab(c))) > 30
					}
					if m.Crystallised > 0 { // it comes on saturated colours
						far = far && math.Hypot(h[1], h[2]) > 38
					}
					if far && len(m.Swirl.Colours) < colours {
						m.Swirl.Colours = append(m.Swirl.Colours, FromLab(h))
						m.Swirl.Shares = append(m.Swirl.Shares, between(rng, 0.42, 0.62)/float64(colours))
					}
				}
			}
		}
		out = append(out, m)
	}
	rng.Shuffle(len(out), func(i, j int) { out[i], out[j] = out[j], out[i] })
	return out
}
