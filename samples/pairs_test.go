package samples_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"tawsight/features"
	"tawsight/samples"
)

// A first reason must be a feature there is, and each pair needs one by which sets are compared.
func TestFirstReasonsAreFeatures(t *testing.T) {
	known := map[string]features.Feature{}
	for _, f := range features.All() {
		known[f.Name] = f
	}
	for _, p := range samples.Pairs {
		compared := 0
		for _, name := range p.FirstReasons {
			f, ok := known[name]
			if !ok {
				t.Errorf("%s: there is no feature %q", p.Property, name)
			}
			if ok && f.NotCompared == "" {
				compared++
			}
		}
		if compared == 0 {
			t.Errorf("%s: sets are compared by none of %v", p.Property, p.FirstReasons)
		}
	}
}

// The groups of a pair differ in their property, by more than it varies within either, and are alike in the properties
// of the other pairs.
func TestPairsDifferInOneProperty(t *testing.T) {
	groups := map[string][]samples.Marble{}
	for _, rel := range committed(t) {
		if !strings.HasPrefix(rel, "pairs/") {
			continue
		}
		tr := load(t, rel)
		if part := strings.Split(rel, "/"); part[1] != tr.Property || part[2][:1] != tr.Group || len(tr.Marbles) != 5 {
			t.Errorf("%s: property %q, group %q, %d marbles", rel, tr.Property, tr.Group, len(tr.Marbles))
		}
		for _, m := range tr.Marbles {
			if e := m.Ellipse; e.SemiMajor+e.SemiMinor < 55 || e.SemiMajor+e.SemiMinor > 130 {
				t.Errorf("%s: marble %d is %.0f px across", rel, m.ID, e.SemiMajor+e.SemiMinor)
			}
		}
		groups[tr.Property+" "+tr.Group] = append(groups[tr.Property+" "+tr.Group], tr.Marbles...)
	}
	is := func(yes bool) float64 {
		if yes {
			return 1
		}
		return 0
	}
	traits := map[string]func(m samples.Marble) float64{
		samples.PropertyRibbonWidth:  func(m samples.Marble) float64 { return m.Ribbons[0].WidthMM / m.DiameterMM },
		samples.PropertyRibbonColour: func(m samples.Marble) float64 { return m.Ribbons[0].Lab[2] },
		samples.PropertyBaseTint: func(m samples.Marble) float64 {
			return is(m.Base.Tint && m.Base.Transparency == samples.Transparent) * math.Hypot(m.Base.Lab[1], m.Base.Lab[2])
		},
		samples.PropertyBaseClarity: func(m samples.Marble) float64 { return is(m.Base.Transparency == samples.Cloudy) },
		samples.PropertyFolds: func(m samples.Marble) float64 {
			if m.Ribbons[0].Turns == nil { // a swirl on an opaque body
				return 0
			}
			return float64(*m.Ribbons[0].Turns)
		},
		samples.PropertySize:      func(m samples.Marble) float64 { return m.DiameterMM },
		samples.PropertyPairing:   func(m samples.Marble) float64 { return float64(len(m.Ribbons)) },
		samples.PropertyBaseCream: func(m samples.Marble) float64 { return is(m.Base.Transparency == samples.Opaque) * m.Base.Lab[2] },
	}
	for _, p := range samples.Pairs {
		a, b := groups[p.Property+" "+samples.GroupA], groups[p.Property+" "+samples.GroupB]
		if len(a) != 10 || len(b) != 10 {
			t.Errorf("%s: groups of %d and %d marbles", p.Property, len(a), len(b))
			continue
		}
		for trait, of := range traits {
			values := func(group []samples.Marble) (out []float64) {
				for _, m := range group {
					out = append(out, of(m))
				}
				slices.Sort(out)
				return out
			}
			va, vb := values(a), values(b)
			if trait == p.Property {
				if va[9] >= vb[0] && vb[9] >= va[0] {
					t.Errorf("%s: the groups overlap: %.2f and %.2f", p.Property, va, vb)
				}
				continue
			}
			for i := range va { // widths are rounded to 0.01 mm
				if math.Abs(va[i]-vb[i]) > 0.001 {
					t.Errorf("%s: the groups differ in %s too: %.3f and %.3f", p.Property, trait, va, vb)
					break
				}
			}
		}
	}
}
