package main

import (
	"fmt"
	"io"
	"math"
	"sort"
	"strings"
	"text/tabwriter"

	"tawsight/features"
	"tawsight/internal/colour"
	"tawsight/internal/record"
	"tawsight/samples"
)

// sameColour is the CIEDE2000 difference below which two materials are one
// colour to whoever counts a marble's colours.
const sameColour = 8.0

// leastBubbleMM is the least bubble that must be found. Smaller ones count
// neither for nor against.
const leastBubbleMM = 1.5

// anatomy sums up how well the swirl was read over a body of photos.
type anatomy struct {
	coloursRight, coloured int
	coloursOff             map[string]int // "2 for 1": how often
	ribbonDE               []float64
	widthRight, widths     int // ribbons in glass
	surfaceRight, surfaces int // swirls in the surface
	widthRatio             []float64
	busy, turns            []float64 // of marbles with ribbons in glass: busyness, true turns a mm of ribbon
	perMM, perMMTrue       []float64 // turns a mm as estimated, and the true ones
	size, allTurns         []float64 // 1 over the true diameter, turns of all ribbons together
	edgeBusy, edge         []float64
	pairRight, pairs       int
	bubbles, found, called int // true ones, of those found, all that were said to be there
	visible, foundVisible  int
	bubbleErr              []float64
}

// seenClasses are a marble's classes of ribbon in order, with what is seen of
// each.
func seenClasses(m samples.Marble) map[string]*samples.SeenClass {
	return map[string]*samples.SeenClass{"R": m.Seen.R, "G": m.Seen.G, "B": m.Seen.B}
}

// leastCover is the least share of the disc that a colour must cover to count.
const leastCover = 0.02

// trueColours is how many ribbon colours a marble shows: what the file says, or
// the distinct materials among the classes that cover enough.
func trueColours(m samples.Marble) int {
	if m.RibbonColours != nil {
		return *m.RibbonColours
	}
	seen := seenClasses(m)
	var labs [][3]float64
	for _, r := range m.Ribbons {
		c := seen[r.Channel]
		if c == nil || c.Coverage < leastCover {
			continue
		}
		known := false
		for _, l := range labs {
			known = known || colour.DeltaE00(l, r.Lab) < sameColour
		}
		if !known {
			labs = append(labs, r.Lab)
		}
	}
	return len(labs)
}

// truePaired says whether white and coloured ribbon run side by side; ok is
// false where that isn't known or means nothing.
func truePaired(m samples.Marble) (paired, ok bool) {
	if m.Paired != nil {
		return *m.Paired, true
	}
	switch m.Kind { // renderings whose files don't say
	case "clear-paired":
		return true, true
	case "clear-single", "tinted-white", "sparse-vane":
		return false, true
	}
	return false, false
}

// turnsPerMM is the number of turns of a marble's ribbons over their length;
// ok is false for surface swirls and where it isn't known.
func turnsPerMM(m samples.Marble) (float64, bool) {
	turns, length := 0.0, 0.0
	for _, r := range m.Ribbons {
		if r.Turns == nil || r.LengthMM == nil {
			return 0, false
		}
		turns += float64(*r.Turns)
		length += *r.LengthMM
	}
	return turns / length, length > 0
}

func (t *anatomy) add(s scored) {
	if s.truth == nil || !s.truth.Good() {
		return
	}
	if t.coloursOff == nil {
		t.coloursOff = map[string]int{}
	}
	used := map[int]bool{}
	for _, m := range s.truth.Marbles {
		if m.CutOff {
			continue
		}
		at := match(s.in.Photo.Marbles, m, used)
		if at < 0 {
			continue
		}
		used[at] = true
		t.marble(s.in.Photo.Marbles[at], m)
	}
}

func (t *anatomy) marble(f record.Marble, m samples.Marble) {
	// Colours.
	want := trueColours(m)
	t.coloured++
	if len(f.Ribbons) == want {
		t.coloursRight++
	} else {
		t.coloursOff[fmt.Sprintf("%d for %d", len(f.Ribbons), want)]++
	}
	for channel, c := range seenClasses(m) {
		if c == nil || c.Lab == nil || c.Coverage < leastCover {
			continue
		}
		best, at := math.Inf(1), -1
		for i, r := range f.Ribbons {
			if d := colour.DeltaE00(r.Lab, *c.Lab); d < best {
				best, at = d, i
			}
		}
		if at < 0 {
			t.ribbonDE = append(t.ribbonDE, 100)
			continue
		}
		t.ribbonDE = append(t.ribbonDE, best)
		t.width(f.Ribbons[at], m, channel)
	}
	// Busyness.
	if f.Busyness != nil {
		if v, ok := turnsPerMM(m); ok {
			t.busy, t.turns = append(t.busy, *f.Busyness), append(t.turns, v)
			t.size = append(t.size, 1/m.DiameterMM)
			n := 0.0
			for _, r := range m.Ribbons {
				n += float64(*r.Turns)
			}
			t.allTurns = append(t.allTurns, n)
			if e, measured := f.Features["turns_per_mm"]; measured {
				t.perMM, t.perMMTrue = append(t.perMM, e), append(t.perMMTrue, v)
			}
		}
		if e, ok := trueEdge(m); ok {
			t.edgeBusy, t.edge = append(t.edgeBusy, *f.Busyness), append(t.edge, e)
		}
	}
	// Pairs.
	if paired, ok := truePaired(m); ok {
		if v, measured := f.Features["paired"]; measured {
			t.pairs++
			if (v >= 0.5) == paired {
				t.pairRight++
			}
		}
	}
	t.bubble(f, m)
}

// width compares a ribbon's width with the true one of its class; where strips
// of several widths share a class, with the nearest of them.
func (t *anatomy) width(r record.Ribbon, m samples.Marble, channel string) {
	if r.WidthMM == nil {
		return
	}
	best := math.Inf(1)
	for _, q := range m.Ribbons {
		if q.Channel == channel && q.WidthMM > 0 {
			if v := math.Log(*r.WidthMM / q.WidthMM); math.Abs(v) < math.Abs(best) {
				best = v
			}
		}
	}
	if math.IsInf(best, 1) {
		return
	}
	right := 0
	if math.Abs(math.Exp(best)-1) <= 0.2 {
		right = 1
	}
	if m.Base.Transparency == samples.Opaque {
		t.surfaces++
		t.surfaceRight += right
		return
	}
	t.widths++
	t.widthRight += right
	t.widthRatio = append(t.widthRatio, math.Exp(best))
}

func (t *anatomy) bubble(f record.Marble, m samples.Marble) {
	said := f.Bubble != nil && f.Bubble.Present
	is := m.Bubble.Present && m.Bubble.DiameterMM != nil && *m.Bubble.DiameterMM >= leastBubbleMM
	small := m.Bubble.Present && !is
	if is {
		t.bubbles++
		clear := m.Bubble.Visible == nil || *m.Bubble.Visible > 0.5
		if clear {
			t.visible++
		}
		if said {
			t.found++
			if clear {
				t.foundVisible++
			}
			if f.Bubble.DiameterMM != nil {
				t.bubbleErr = append(t.bubbleErr, math.Abs(*f.Bubble.DiameterMM-*m.Bubble.DiameterMM))
			}
		}
	}
	if said && !small {
		t.called++
	}
}

func percent(a, b int) string {
	if b == 0 {
		return "-"
	}
	return fmt.Sprintf("%d of %d = %.1f %%", a, b, 100*float64(a)/float64(b))
}

func (t *anatomy) print(w io.Writer, name string) {
	row := func(what, v string) { fmt.Fprintf(w, "%s\t%s\t%s\n", name, what, v) }
	var off []string
	for k, n := range t.coloursOff {
		off = append(off, fmt.Sprintf("%s x %d", k, n))
	}
	sort.Strings(off)
	row("ribbon colours counted right", percent(t.coloursRight, t.coloured)+"; said for true: "+strings.Join(off, ", "))
	row("ribbon colours, dE00", fmt.Sprintf("median %.1f over %d", quantile(t.ribbonDE, 0.5), len(t.ribbonDE)))
	row("width within 20 %, ribbons in glass", percent(t.widthRight, t.widths)+fmt.Sprintf("; measured over true: median %.2f", quantile(t.widthRatio, 0.5)))
	row("width within 20 %, surface swirls (their true width is a rough guide)", percent(t.surfaceRight, t.surfaces))
	row("busyness, Spearman", fmt.Sprintf("against length of borders seen %.2f over %d, turns of all ribbons %.2f over %d, turns a mm of ribbon %.2f",
		spearman(t.edgeBusy, t.edge), len(t.edge), spearman(t.busy, t.allTurns), len(t.busy), spearman(t.busy, t.turns)))
	row("turns a mm of ribbon, Spearman", fmt.Sprintf("as estimated %.2f over %d; the marble's smallness alone %.2f", spearman(t.perMM, t.perMMTrue), len(t.perMM), spearman(t.size, t.turns)))
	row("paired or not", percent(t.pairRight, t.pairs))
	row(fmt.Sprintf("bubbles of %.1f mm or more", leastBubbleMM), fmt.Sprintf("recall %s (of those not hidden by ribbons %s), precision %s, median error %.2f mm",
		percent(t.found, t.bubbles), percent(t.foundVisible, t.visible), percent(t.found, t.called), quantile(t.bubbleErr, 0.5)))
}

// anatomySection prints how well the swirl was read, by group of photos and
// over all.
func anatomySection(out io.Writer, groups []group, seen []scored) {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "\nswirl\t\t")
	var all anatomy
	for _, g := range groups {
		var t anatomy
		for _, s := range seen {
			for _, p := range g.paths {
				if p == s.path {
					t.add(s)
					all.add(s)
				}
			}
		}
		t.print(w, g.name)
	}
	if len(groups) > 1 {
		all.print(w, "all")
	}
	w.Flush()
	repeatability(out, seen)
}

// repeatability prints, for every feature, how far readings of one marble in
// several photos (other light, distance and tilt) lie apart, over how far the
// means of the sets do; features whose sets are compared by logarithm are
// compared so here too.
func repeatability(out io.Writer, seen []scored) {
	type reading struct {
		m        record.Marble
		specimen string
		label    string
		photo    string
	}
	var all []reading
	for _, s := range seen {
		if s.truth == nil || !s.truth.Good() {
			continue
		}
		used := map[int]bool{}
		for _, m := range s.truth.Marbles {
			if m.CutOff {
				continue
			}
			if at := match(s.in.Photo.Marbles, m, used); at >= 0 {
				used[at] = true
				all = append(all, reading{s.in.Photo.Marbles[at], m.Specimen, m.Label, s.path})
			}
		}
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	printed := false
	for _, f := range features.All() {
		value := func(r reading) (float64, bool) {
			v, ok := r.m.Features[f.Name]
			if ok && f.LogFrom > 0 {
				v = math.Log(v + f.LogFrom)
			}
			return v, ok
		}
		bySpecimen, bySet := map[string][]float64{}, map[string][]float64{}
		absent := 0
		for _, r := range all {
			v, ok := value(r)
			if r.specimen != "" {
				if !ok {
					absent++
				} else {
					bySpecimen[r.specimen] = append(bySpecimen[r.specimen], v)
				}
			}
			if ok && r.label != "" {
				bySet[r.label] = append(bySet[r.label], v)
			}
		}
		within, n, specimens := 0.0, 0.0, 0
		for _, v := range bySpecimen {
			if len(v) < 2 {
				continue
			}
			specimens++
			within += squares(v)
			n += float64(len(v) - 1)
		}
		if n == 0 {
			continue
		}
		var means, pooled []float64
		for _, v := range bySet {
			if len(v) >= 5 {
				means = append(means, mean(v))
				pooled = append(pooled, v...)
			}
		}
		if len(means) < 2 {
			continue
		}
		if !printed {
			fmt.Fprintln(w, "\nfeature\twithin one marble\tbetween sets' means\tratio\tover all marbles of sets\tratio\tmarbles\tabsent\t")
			printed = true
		}
		sd := math.Sqrt(within / n)
		between := math.Sqrt(squares(means) / float64(len(means)-1))
		spread := math.Sqrt(squares(pooled) / float64(len(pooled)-1))
		fmt.Fprintf(w, "%s\t%.3f\t%.3f\t%.2f\t%.3f\t%.2f\t%d\t%d\t\n", f.Name, sd, between, sd/between, spread, sd/spread, specimens, absent)
	}
	w.Flush()
}

func mean(v []float64) (m float64) {
	for _, x := range v {
		m += x / float64(len(v))
	}
	return m
}

// squares is the sum of squared differences from the mean.
func squares(v []float64) (s float64) {
	m := mean(v)
	for _, x := range v {
		s += (x - m) * (x - m)
	}
	return s
}
