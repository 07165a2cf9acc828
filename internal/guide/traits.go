package guide

import (
	"cmp"
	"slices"

	"tawsight/features"
	"tawsight/internal/record"
)

// unsure is why a figure that was measured is not counted.
const unsure = "not seen well enough"

// A tally counts one trait over a set.
type tally struct {
	Trait
}

// told counts a marble of which the trait could be told.
func (t *tally) told(value string) {
	t.Of++
	t.Values = add(t.Values, value)
}

// missing counts one of which it could not be told.
func (t *tally) missing(why string) { t.Missing = add(t.Missing, cmp.Or(why, "not measured")) }

func add(list []Count, label string) []Count {
	k := slices.IndexFunc(list, func(c Count) bool { return c.Label == label })
	if k < 0 {
		return append(list, Count{label, 1})
	}
	list[k].N++
	return list
}

// done puts values in their order, those not named last by their count.
func (t *tally) done(order ...string) Trait {
	rank := func(c Count) int {
		if k := slices.Index(order, c.Label); k >= 0 {
			return k
		}
		return len(order)
	}
	byCount := func(a, b Count) int { return cmp.Or(cmp.Compare(b.N, a.N), cmp.Compare(a.Label, b.Label)) }
	slices.SortFunc(t.Values, func(a, b Count) int { return cmp.Or(cmp.Compare(rank(a), rank(b)), byCount(a, b)) })
	slices.SortFunc(t.Missing, byCount)
	return t.Trait
}

// count reads one feature of a marble into a tally, where it is sure enough.
func (t *tally) count(m *marble, feature string, say func(v float64) string) {
	_, v, sure, ok := m.best(feature)
	switch {
	case !ok:
		t.missing(m.absent(feature))
	case sure < record.UnsureBelow:
		t.missing(unsure)
	default:
		t.told(say(v))
	}
}

// ribbons counts a marble under the everyday name of each colour of its ribbons,
// so that the counts may come to more than there are marbles.
func (t *tally) ribbons(m *marble) {
	look, v, sure, ok := m.best("ribbon_colours")
	switch {
	case !ok:
		t.missing(m.absent("ribbon_colours"))
		return
	case sure < record.UnsureBelow:
		t.missing(unsure)
		return
	}
	t.Of++
	seen := map[string]bool{}
	for _, r := range look.Marble.Ribbons {
		if name := cmp.Or(r.Group, r.Name); name != "" && !seen[name] {
			seen[name] = true
			t.Values = add(t.Values, name)
		}
	}
	if len(seen) == 0 && v < 0.5 {
		t.Values = add(t.Values, "no ribbon")
	}
}

// absent is why a marble lacks a feature, "" where its photos don't say.
func (m *marble) absent(feature string) string {
	for _, l := range m.looks {
		if why := l.Marble.FeaturesAbsent[feature]; why != "" {
			return why
		}
	}
	return ""
}

// pairedFrom is the share of the ribbon's length along which the other runs
// beside it from which the two count as side by side.
const pairedFrom = 0.5

const sideBySideWords = "side by side"

// traits counts what can be said of each marble as yes or no. Only what was
// seen surely enough counts.
func traits(list []*marble) []Trait {
	base := tally{Trait{Code: "base", Label: "Base glass"}}
	colours := tally{Trait{Code: "ribbon-colours", Label: "Ribbon colours"}}
	groups := tally{Trait{Code: "ribbon-groups", Label: "Colours among its ribbons"}}
	pairs := tally{Trait{Code: "paired", Label: "White beside colour"}}
	bubble := tally{Trait{Code: "bubble", Label: "Large bubble near the middle"}}
	class := tally{Trait{Code: "size-class", Label: "Size class"}}
	glow := tally{Trait{Code: "glow", Label: "Under ultraviolet light"}}
	for _, m := range list {
		b, sure := m.base()
		switch {
		case b == nil:
			base.missing("the base glass can't be told from the ribbons")
		case sure < record.UnsureBelow:
			base.missing(unsure)
		case b.Kind == features.Transparent && b.Tinted:
			base.told("tinted")
		case b.Kind == features.Transparent:
			base.told("clear")
		default:
			base.told(b.Kind)
		}
		colours.count(m, "ribbon_colours", func(v float64) string {
			switch {
			case v < 0.5:
				return "none"
			case v < 1.5:
				return "one"
			case v < 2.5:
				return "two"
			}
			return "three or more"
		})
		groups.ribbons(m)
		pairs.count(m, "paired", yesNo(sideBySideWords, "not", pairedFrom))
		bubble.count(m, "bubble_present", yesNo("seen", "none seen", 0.5))
		if name := m.sizeClass(); name != "" {
			class.told(name)
		} else {
			class.missing("the size is not known")
		}
		switch g := m.glow(); {
		case g == nil:
			glow.missing("no photo under such light")
		case g.Lab == nil:
			glow.told("no glow")
		default:
			glow.told(cmp.Or(g.Name, "glows"))
		}
	}
	return []Trait{
		base.done("clear", "tinted", features.Cloudy, features.Opaque), colours.done("none", "one", "two", "three or more"), groups.done(),
		pairs.done(sideBySideWords, "not"), bubble.done("seen", "none seen"), class.done("peewee", "player", "shooter"), glow.done(),
	}
}

func yesNo(yes, no string, from float64) func(v float64) string {
	return func(v float64) string {
		if v >= from {
			return yes
		}
		return no
	}
}

// sizeClass is the trade's name for its size, "" where that is not known.
func (m *marble) sizeClass() string {
	for _, l := range m.looks {
		if l.Marble.DiameterMM != nil && l.Marble.SizeClass != "" && (l.Marble.Verdict == nil || l.Marble.Verdict.Size != record.Unusable) {
			return l.Marble.SizeClass
		}
	}
	return ""
}

// glow is the strongest glow that its photos show; nil where none is under such
// light.
func (m *marble) glow() (out *record.Glow) {
	for _, l := range m.looks {
		if g := l.Marble.Glow; g != nil && (out == nil || g.Share > out.Share) {
			out = g
		}
	}
	return out
}
