package features

import (
	"math"

	"tawsight/internal/colour"
	"tawsight/internal/order"
)

// Base kinds.
const (
	Transparent = "transparent"
	Cloudy      = "cloudy"
	Opaque      = "opaque"
)

// Looks of a base, in the words the trade sorts by (common practice).
const (
	LookClear    = "clear"     // light passes, and keeps its colour
	LookTinted   = "tinted"    // light passes, and takes the glass's colour
	LookWhite    = "white"     // cloudy or opaque
	LookOffWhite = "off-white" // cloudy or opaque, nearly white
	LookColoured = "coloured"
	LookDark     = "dark"
)

// Base is the glass between the ribbons.
type Base struct {
	Lab          [3]float64
	Kind         string
	Look         string // one of the Look constants
	Translucency float64
	Tinted       bool
}

// Where white ends, CIELAB: this project's choice of where white stops being
// the word.
const (
	whiteLightness    = 84.0
	whiteChroma       = 4.0
	offWhiteLightness = 62.0
	offWhiteChroma    = 14.0
	darkLightness     = 26.0
)

// look says which of the Look constants a base is.
func look(kind string, tinted bool, lab, paper [3]float64) string {
	c := math.Hypot(lab[1]-paper[1], lab[2]-paper[2])
	switch {
	case kind == Transparent && !tinted:
		return LookClear
	case kind != Opaque && tinted:
		return LookTinted
	case lab[0] < darkLightness:
		return LookDark
	case lab[0] >= whiteLightness && c <= whiteChroma:
		return LookWhite
	case lab[0] >= offWhiteLightness && c <= offWhiteChroma:
		return LookOffWhite
	}
	return LookColoured
}

func chroma(lab [3]float64) float64 { return math.Hypot(lab[1], lab[2]) }

// withinWhite bounds lightness to the range of CIELAB's L*, 0 to 100: glass
// that gathers light can be brighter than white paper, and counts as white.
func withinWhite(lab [3]float64) [3]float64 {
	lab[0] = math.Max(0, math.Min(100, lab[0]))
	return lab
}

// Base is the base glass; ok is false when the face shows none that can be
// told.
func (a *Analysis) Base() (b Base, ok bool) {
	if a.Parts.Base < 0 {
		return b, false
	}
	b.Lab = withinWhite(a.Parts.Colours[a.Parts.Base].Lab)
	b.Translucency = a.Glass.Translucency
	switch {
	case a.Glass.NotOpaque < 0.5:
		b.Kind = Opaque
	case a.Glass.Clear < 0.5:
		b.Kind = Cloudy
	default:
		b.Kind = Transparent
	}
	b.Tinted = b.Kind != Opaque && a.Parts.Tinted
	b.Look = look(b.Kind, b.Tinted, b.Lab, a.Face.PaperLab)
	return b, true
}

// OwnColour is the base glass's own colour, CIELAB, as far as one photo tells
// it; ok is false when the face shows no base that can be told. Opaque glass has
// the colour it is seen in where light falls on it: the median of the lighter
// half. Clear and cloudy glass are seen as bright as the light that happens to
// fall through them, so there it is the colour of that light, its strongest
// channel taken for whole: white for glass without a tint.
func (a *Analysis) OwnColour() (lab [3]float64, ok bool) {
	if a.own != nil {
		return a.own.lab, a.own.ok
	}
	return a.findOwnColour()
}

// glassColour is what OwnColour found.
type glassColour struct {
	lab [3]float64
	ok  bool
}

func (a *Analysis) findOwnColour() (lab [3]float64, ok bool) {
	b, ok := a.Base()
	if !ok {
		return b.Lab, false
	}
	if b.Kind == Opaque {
		return a.lighterHalf(b.Lab), true
	}
	if !b.Tinted {
		return [3]float64{100, 0, 0}, true
	}
	lin := colour.LabToLinear(a.Parts.Colours[a.Parts.Base].Lab)
	paper := colour.LabToLinear(a.Face.PaperLab)
	most := 0.0
	for q := range lin {
		lin[q] = math.Max(0, lin[q]) / math.Max(0.02, paper[q])
		most = math.Max(most, lin[q])
	}
	if most <= 0 {
		return b.Lab, true
	}
	for q := range lin {
		lin[q] /= most
	}
	lab = withinWhite(colour.LinearToLab(lin))
	for q := 1; q < 3; q++ {
		lab[q] = math.Max(-128, math.Min(127, lab[q])) // as CIELAB is commonly encoded
	}
	return lab, true
}

// lighterHalf is the median colour of the lighter half of the base out of reach
// of the blur of other colours, or the colour given where too little is seen.
func (a *Analysis) lighterHalf(lab [3]float64) [3]float64 {
	p := &a.Parts
	f := a.Face
	light := floats.list(p.Usable)
	at := ints.list(p.Usable)
	var v [3][]float64
	for q := range v {
		v[q] = floats.list(p.Usable)
	}
	defer func() {
		floats.give(light, v[0], v[1], v[2])
		ints.give(at)
	}()
	for i, o := range p.Of {
		if int(o) == p.Base && p.Pure[i] {
			light = append(light, f.Lab[i][0])
			at = append(at, int32(i))
		}
	}
	if len(light) < 16 {
		return lab
	}
	from := order.Median(light)
	for reach := borderReach(f) + 1; reach >= 0; reach-- {
		for q := range v {
			v[q] = v[q][:0]
		}
		for _, i := range at {
			if f.Lab[i][0] >= from && p.alone(f, int(i), reach) {
				for q := range v {
					v[q] = append(v[q], f.Lab[i][q])
				}
			}
		}
		if len(v[0]) < 30 && reach > 0 {
			continue
		}
		for q := range v {
			lab[q] = order.Median(v[q])
		}
		break
	}
	return withinWhite(lab)
}

// alone says that there is no other colour within reach of a pixel in eight
// directions.
func (p *Parts) alone(f *Face, i, reach int) bool {
	n := f.Size
	for _, d := range [8]int{1, -1, n, -n, n + 1, n - 1, -n + 1, -n - 1} {
		for k := 1; k <= reach; k++ {
			if j := i + k*d; j < 0 || j >= len(p.Of) || p.Of[j] >= 0 && p.Of[j] != p.Of[i] {
				return false
			}
		}
	}
	return true
}

// Limits of the choice of a base.
const (
	// neutralChroma is the chroma against the paper below which a colour is
	// clear glass or white ribbon in clear glass. White ribbon in even faintly
	// tinted glass has more.
	neutralChroma = 4.8
	// Strong ribbons lend clear glass beside them a little of their colour: up
	// to bleedMost, and less than bleedShare of theirs.
	bleedMost  = 7.5
	bleedShare = 0.16
	// Glass that ribbons lend their colour to has less than bleedPale of their
	// saturation, and is no lighter than they are by more than bleedLight L*.
	bleedPale  = 0.65
	bleedLight = 4.0
	// fills is the share of the face that ribbons then cover at least.
	fills = 0.6
	// tintLeast is the chroma over lightness that makes a tint.
	tintLeast = 0.10
	// hueApart is how far hues may differ, degrees, and be one glass's.
	hueApart = 55.0
	// whiteBaseShare is the least share of the face that makes the lightest
	// colour of an opaque marble its base rather than its swirl.
	whiteBaseShare = 0.25
	// usualClear is clear glass's lightness over the paper's, as it usually is.
	usualClear = 0.75
)

// chooseBase decides which colour is the base, and whether it is tinted.
// Colours that are one tinted glass in different light are joined.
func (p *Parts) chooseBase(f *Face, g GlassCues) {
	if len(p.Colours) == 0 {
		return
	}
	p.Base = 0
	if g.NotOpaque < 0.5 {
		// Opaque: the commonest white, where there is one to speak of.
		best := -1.0
		for k, c := range p.Colours {
			if c.Share < whiteBaseShare && k > 0 {
				continue
			}
			if v := c.Lab[0] - 0.6*chroma(c.Lab); v > best {
				best, p.Base = v, k
			}
		}
		return
	}
	off := func(c Colour) (da, db, dc float64) {
		da, db = c.Lab[1]-f.PaperLab[1], c.Lab[2]-f.PaperLab[2]
		return da, db, math.Hypot(da, db)
	}
	saturation := func(c Colour) float64 {
		_, _, dc := off(c)
		return dc / math.Max(10, c.Lab[0])
	}
	most := 0.0
	for _, c := range p.Colours {
		if _, _, dc := off(c); c.Share >= 0.06 {
			most = math.Max(most, dc)
		}
	}
	var sa, sb float64
	neutral := -1
	nearest := math.Inf(1)
	for k, c := range p.Colours {
		da, db, dc := off(c)
		sa += c.Share * da
		sb += c.Share * db
		if (dc < neutralChroma || dc < bleedMost && dc < bleedShare*most) && c.Share >= 0.04 {
			// Clear glass looks like the paper, dimmed; white ribbon lighter,
			// black darker.
			if d := math.Abs(c.Lab[0]/math.Max(20, f.PaperLab[0])-usualClear) - 0.2*c.Share; d < nearest {
				nearest, neutral = d, k
			}
		}
	}
	if neutral >= 0 {
		p.Base = neutral
		return
	}
	hue := math.Atan2(sb, sa)
	same := func(c Colour) bool {
		da, db, _ := off(c)
		d := math.Abs(math.Remainder(math.Atan2(db, da)-hue, 2*math.Pi))
		return d < hueApart*math.Pi/180
	}
	deepest, at := 0.0, -1
	one := true
	for k, c := range p.Colours {
		if c.Share < 0.06 {
			continue
		}
		if !same(c) {
			one = false
		}
		if s := saturation(c); s > deepest {
			deepest, at = s, k
		}
	}
	if !one || at < 0 {
		// Several hues and no neutral: the least coloured is the base.
		least := math.Inf(1)
		for k, c := range p.Colours {
			if _, _, dc := off(c); c.Share >= 0.06 && dc < least {
				least, p.Base = dc, k
			}
		}
		p.Tinted = saturation(p.Colours[p.Base]) > tintLeast
		return
	}
	// Ribbons in tinted glass are paler than it and lighter. What is paler and
	// not lighter is clear glass, with some of the colour of the ribbons that
	// fill the rest.
	palest := -1
	for k, c := range p.Colours {
		if k != at && c.Share >= 0.06 && saturation(c) < bleedPale*deepest && (palest < 0 || saturation(c) < saturation(p.Colours[palest])) {
			palest = k
		}
	}
	if palest >= 0 && g.Clear >= 0.5 && p.Colours[at].Share > fills &&
		p.Colours[palest].Lab[0] < p.Colours[at].Lab[0]+bleedLight && p.across(f, palest) {
		p.Base = palest
		return
	}
	p.Tinted = deepest > tintLeast
	if g.Clear < 0.5 {
		return // cloudy: the largest colour, which is the first
	}
	// Tinted and clear: ribbons are lighter and paler than the glass between
	// them, which is the deeper coloured.
	var parts []int
	for k, c := range p.Colours {
		if same(c) && saturation(c) > 0.72*deepest {
			parts = append(parts, k)
		}
	}
	p.join(f, parts)
}

// across says that a colour goes through the middle of the face rather than
// along its rim.
func (p *Parts) across(f *Face, k int) bool {
	out, n := 0.0, 0.0
	xs := f.columns()
	defer floats.give(xs)
	w := walk{n: f.Size}
	for i, o := range p.Of {
		if int(o) == k {
			c, r := w.to(i)
			out += math.Sqrt(xs[c]*xs[c] + xs[r]*xs[r])
			n++
		}
	}
	return n > 0 && out/n < ringOut-shadeAway
}

// join makes one colour of several and the base of it.
func (p *Parts) join(f *Face, parts []int) {
	if len(parts) == 0 {
		return
	}
	to := parts[0]
	var in [maxColours]bool
	for _, k := range parts {
		in[k] = true
	}
	var v [3][]float64
	for q := range v {
		v[q] = floats.list(p.Usable)
	}
	defer func() { floats.give(v[:]...) }()
	n := 0
	for i, o := range p.Of {
		if o < 0 || !in[o] {
			continue
		}
		p.Of[i] = int8(to)
		n++
		if p.Pure[i] {
			for q := range v {
				v[q] = append(v[q], f.Lab[i][q])
			}
		}
	}
	c := Colour{Lab: p.Colours[to].Lab, Share: float64(n) / float64(max(1, p.Usable))}
	if len(v[0]) >= 8 {
		for q := range v {
			c.Lab[q] = order.Median(v[q])
		}
	}
	// Drop the others, keeping numbers in step.
	renumber := make([]int8, len(p.Colours))
	var out []Colour
	for k := range p.Colours {
		switch {
		case k == to:
			renumber[k] = int8(len(out))
			p.Base = len(out)
			out = append(out, c)
		case in[k]:
			renumber[k] = -1
		default:
			renumber[k] = int8(len(out))
			out = append(out, p.Colours[k])
		}
	}
	for i, o := range p.Of {
		if o >= 0 {
			p.Of[i] = renumber[o]
		}
	}
	p.Colours = out
}
