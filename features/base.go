package features

import "math"

// Base kinds.
const (
	Transparent = "transparent"
	Cloudy      = "cloudy"
	Opaque      = "opaque"
)

// Base is the glass between the ribbons.
type Base struct {
	Lab          [3]float64
	Kind         string
	Translucency float64
	Tinted       bool
}

func chroma(lab [3]float64) float64 { return math.Hypot(lab[1], lab[2]) }

// Base is the base glass; ok is false when the face shows none that can be
// told.
func (a *Analysis) Base() (b Base, ok bool) {
	if a.Parts.Base < 0 {
		return b, false
	}
	b.Lab = a.Parts.Colours[a.Parts.Base].Lab
	b.Translucency = a.Glass.Translucency
	switch {
	case a.Glass.NotOpaque < 0.5:
		b.Kind = Opaque
	case a.Glass.Clear < 0.5:
		b.Kind = Cloudy
	default:
		b.Kind = Transparent
	}
	t, _ := tintChroma(a)
	b.Tinted = t > 9
	return b, true
}

// tintChroma is the base's chroma against the paper's.
func tintChroma(a *Analysis) (float64, bool) {
	if a.Parts.Base < 0 {
		return 0, false
	}
	l := a.Parts.Colours[a.Parts.Base].Lab
	return math.Hypot(l[1]-a.Face.PaperLab[1], l[2]-a.Face.PaperLab[2]), true
}

// chooseBase decides which colour is the base.
func (p *Parts) chooseBase(f *Face, g GlassCues) {
	if len(p.Colours) == 0 {
		return
	}
	p.Base = 0
	if g.NotOpaque < 0.5 {
		// Opaque: the lightest colour that covers a good part.
		best := -1.0
		for k, c := range p.Colours {
			if c.Share < 0.12 {
				continue
			}
			if v := c.Lab[0] - 0.6*chroma(c.Lab); v > best {
				best, p.Base = v, k
			}
		}
		return
	}
	// Clear: what looks like the paper, dimmed.
	best := math.Inf(1)
	for k, c := range p.Colours {
		if c.Share < 0.04 {
			continue
		}
		dc := math.Hypot(c.Lab[1]-f.PaperLab[1], c.Lab[2]-f.PaperLab[2])
		if dc > 9 {
			continue
		}
		d := math.Abs(c.Lab[0]/math.Max(20, f.PaperLab[0]) - 0.72)
		if d < best {
			best, p.Base = d, k
		}
	}
	if !math.IsInf(best, 1) {
		return
	}
	// Tinted: every colour carries the tint; ribbons are lighter than the
	// glass between them.
	low := math.Inf(1)
	for k, c := range p.Colours {
		if c.Share >= 0.06 && c.Lab[0] < low {
			low, p.Base = c.Lab[0], k
		}
	}
}
