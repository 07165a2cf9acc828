package features

// Ribbon is one ribbon colour.
type Ribbon struct {
	Lab          [3]float64
	AreaFraction float64 // of the usable face
	WidthMM      float64 // 0 when not known
	// Opaque says that the ribbon is known to hide what lies behind it: the
	// swirl on an opaque marble does. In clear glass it can't be told yet.
	Opaque bool
}

// Ribbons are the colours besides the base, the one that covers most first.
func (a *Analysis) Ribbons() []Ribbon {
	var out []Ribbon
	for k, c := range a.Parts.Colours {
		if k == a.Parts.Base {
			continue
		}
		r := Ribbon{Lab: withinWhite(c.Lab), AreaFraction: c.Share, Opaque: a.Glass.NotOpaque < 0.5}
		if k < len(a.Anatomy.Colours) {
			r.WidthMM = a.Anatomy.Colours[k].MedianR / a.magnified() * a.Face.RadiusMM
		}
		out = append(out, r)
	}
	return out
}

// whitish says that a ribbon's colour is white or nearly so, for the light and
// the glass it lies in.
func (a *Analysis) whitish(lab [3]float64) bool {
	if chroma(lab) > 16 {
		return false
	}
	if a.Parts.Base >= 0 && lab[0] < a.Parts.Colours[a.Parts.Base].Lab[0] {
		return false
	}
	return lab[0] > 45
}

// frontDepthR is how deep ribbons in front lie, radii: within the outer fifth
// of the glass (common practice), so the middle of that is taken.
const frontDepthR = 0.1

// magnified is how many times wider front ribbons look than they are: those of
// an opaque marble lie in its surface.
func (a *Analysis) magnified() float64 {
	if a.Glass.NotOpaque < 0.5 {
		return 1
	}
	return magnification(frontDepthR)
}

// WidthShare is the median width of all ribbons in radii, 0 when there is none
// that can be measured.
func (a *Analysis) WidthShare() float64 {
	if len(a.Anatomy.Widths) < leastWidths {
		return 0
	}
	return quantile(a.Anatomy.Widths, 0.5) / a.magnified()
}

// Pieces is the number of separate pieces of ribbon, each colour's own, larger
// than a speck.
func (a *Analysis) Pieces() int { return a.Anatomy.Pieces }
