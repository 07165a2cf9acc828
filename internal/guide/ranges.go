package guide

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"tawsight/classify"
	"tawsight/features"
	"tawsight/internal/report"
)

// glosses say what a figure means, where its name and unit don't.
var glosses = map[string]string{
	"translucency":        "0 lets no light through, 1 is clear",
	"base_lightness":      "0 black, 100 white",
	"base_red_green":      "above 0 towards red, below 0 towards green",
	"base_yellow_blue":    "above 0 towards yellow, below 0 towards blue",
	"base_tint":           "0 colourless, the higher the stronger",
	"lightest_ribbon":     "0 black, 100 white",
	"strongest_ribbon":    "0 colourless, the higher the stronger",
	"ribbon_red_green":    "above 0 towards red, below 0 towards green",
	"ribbon_yellow_blue":  "above 0 towards yellow, below 0 towards blue",
	"white_beside_colour": "0 only white or only colour, 1 as much of each",
	"edge_density":        "in diameters of the marble",
	"busyness":            "0 plain, towards 1 as borders fill the face",
	"straightness":        "0 half circles, 1 as straight as a sphere allows",
	"vanes":               "0 folded ribbons, 1 straight vanes about an axis",
	"symmetry":            "0 no more than chance, 1 a mirror image",
	"two_tone":            "difference of lightness; 0 one tone",
	"ribbon_area":         "of the face",
	"white_area":          "of the face",
	"coloured_area":       "of the face",
	"paired":              "of the length of the rarer of the two",
	"thin_gaps":           "of the ribbons’ borders",
	"crystallised":        "of the strongly coloured glass",
	"ribbon_length":       "length on each square millimetre",
}

// shares are features that read best as per cent.
var shares = []string{"ribbon_area", "white_area", "coloured_area", "paired", "thin_gaps", "crystallised"}

// registered is a feature of the registry.
func registered(name string) (features.Feature, bool) {
	all := features.All()
	if k := slices.IndexFunc(all, func(f features.Feature) bool { return f.Name == name }); k >= 0 {
		return all[k], true
	}
	return features.Feature{}, false
}

// rangeText is a range with its unit, as many places as people need.
func rangeText(f features.Feature, low, high float64) string {
	var a, b, unit string
	switch {
	case f.Name == "diameter_mm":
		a, b = fmt.Sprintf("%.1f", low), fmt.Sprintf("%.1f", high)
		unit = " mm"
	case slices.Contains(shares, f.Name):
		a, b = fmt.Sprintf("%.0f", 100*low), fmt.Sprintf("%.0f", 100*high)
		unit = " %"
	case f.Name == "pieces" || f.Name == "ribbon_colours":
		a, b = fmt.Sprintf("%.0f", low), fmt.Sprintf("%.0f", high)
	case f.High-f.Low <= 3 || strings.Contains(f.Unit, "mm"):
		a, b = fmt.Sprintf("%.2f", low), fmt.Sprintf("%.2f", high)
	case f.High-f.Low <= 40:
		a, b = fmt.Sprintf("%.1f", low), fmt.Sprintf("%.1f", high)
	default:
		a, b = fmt.Sprintf("%.0f", low), fmt.Sprintf("%.0f", high)
	}
	if of, per := strings.CutPrefix(f.Unit, "1/"); per {
		unit = " per " + of
	} else if unit == "" && f.Unit != "" && !strings.Contains(f.Unit, "*") {
		unit = " " + f.Unit // those of CIELAB say nothing to most; the gloss does
	}
	a, b = minus(a), minus(b)
	text := a
	if a != b {
		text = a + " to " + b
	}
	text += unit
	if f.Name == "diameter_mm" {
		text += " (" + inches(low, high) + ")"
	}
	return text
}

// inches is a range in fractions of an inch.
func inches(low, high float64) string {
	a, b := report.InchFraction(low), report.InchFraction(high)
	if a == b {
		return a + " inch"
	}
	return a + " to " + b + " inch"
}

// minus writes a negative number with a minus rather than a hyphen, and no
// minus before a nought.
func minus(s string) string {
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "−", 1)
}

// raw is a usual range in the feature's own unit; a model has it on the scale on
// which sets are compared.
func raw(f features.Feature, u classify.Usual) (low, high float64) {
	of := func(v float64) float64 {
		if f.LogFrom > 0 {
			v = math.Exp(v) - f.LogFrom
		}
		return math.Max(f.Low, math.Min(f.High, v))
	}
	return of(u.Low), of(u.High)
}

// ranges are what a set's marbles usually have, that in which it differs most
// from the other sets first.
func ranges(model *classify.Model, label string) (out []Range) {
	for _, info := range model.Features {
		f, ok := registered(info.Name)
		if !ok {
			continue
		}
		r := Range{Feature: f.Name, Label: f.Label, Gloss: glosses[f.Name], AllLow: math.Inf(1), AllHigh: math.Inf(-1)}
		for _, s := range model.Sets {
			u, ok := s.Features[f.Name]
			if !ok {
				continue
			}
			low, high := raw(f, u)
			r.AllLow, r.AllHigh = math.Min(r.AllLow, low), math.Max(r.AllHigh, high)
			if s.Label == label {
				r.N, r.Low, r.High = u.N, round(low, 4), round(high, 4)
				if spread := model.Spread[f.Name]; spread > 0 && len(model.Sets) > 1 {
					r.Off = round((u.Centroid-model.Mean[f.Name])/spread, 2)
				}
			}
		}
		if r.N == 0 {
			continue
		}
		r.AllLow, r.AllHigh = round(r.AllLow, 4), round(r.AllHigh, 4)
		r.Text = rangeText(f, r.Low, r.High)
		out = append(out, r)
	}
	slices.SortStableFunc(out, func(a, b Range) int { return cmp.Compare(math.Abs(b.Off), math.Abs(a.Off)) })
	return out
}
