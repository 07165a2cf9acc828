package guide

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"tawsight/internal/report"
)

// Changes is what differs between two editions of a guide.
type Changes struct {
	Since   string   `json:"since"`         // the earlier edition's date
	Number  int      `json:"since_edition"` // and its number
	New     []string `json:"new_sets"`
	Gone    []string `json:"gone_sets"`
	Renamed []Rename `json:"renamed_sets"`
	// Moves are marbles that came, went, or went from one set to another, counted
	// by the way they took.
	Moves []Move `json:"moves"`
	// Ranges are usual ranges of which an end moved by more than a quarter of the
	// earlier range; none are compared where Remeasured.
	Ranges     []RangeChange `json:"ranges"`
	Counts     []CountChange `json:"counts"`     // marbles in sets that are in both
	Remeasured bool          `json:"remeasured"` // features are measured by other definitions since
	// Unfollowed says that the editions know no marble in common, as where one is
	// of labelled folders and one of a collection: moves are not told then.
	Unfollowed bool   `json:"unfollowed"`
	Specimens  [2]int `json:"specimens"` // before and now
	Tested     [2]int `json:"tested"`
	Right      [2]int `json:"right"`
}

// Rename is a set under its earlier and its present name.
type Rename struct {
	From string `json:"from"`
	To   string `json:"to"`
}

// Move is how many marbles took one way. From is empty for those that are new in
// the guide, To for those that are gone from it. Names are those of them that
// may be named, in either edition.
type Move struct {
	From  string   `json:"from,omitempty"`
	To    string   `json:"to,omitempty"`
	N     int      `json:"n"`
	Names []string `json:"names"`
}

// RangeChange is a usual range that moved.
type RangeChange struct {
	Set    string `json:"set"`
	Label  string `json:"label"`
	Before string `json:"before"`
	Now    string `json:"now"`
}

// CountChange is how many marbles a set has.
type CountChange struct {
	Set    string `json:"set"`
	Before int    `json:"before"`
	Now    int    `json:"now"`
}

const (
	// rangeMoved is the share of the earlier range by which an end must have moved
	// to be told of: this project's choice, so that one marble more in a set does
	// not fill a page.
	rangeMoved = 0.25
	// renamedShare is the share of a gone set's marbles that must be in a new one,
	// and of that one's, for it to count as the same set under another name.
	renamedShare = 0.5
)

// Compare says what is different in a newer edition.
func Compare(old, now *Edition) Changes {
	c := Changes{
		Since: old.Date, Number: old.Number,
		Specimens: [2]int{old.Specimens, now.Specimens}, Tested: [2]int{old.Tested, now.Tested}, Right: [2]int{old.Right, now.Right},
		Remeasured: old.MadeBy.Features != now.MadeBy.Features,
	}
	before := pairSets(old, now)
	var kept []*Set // of the old edition
	for i := range now.Sets {
		s := &now.Sets[i]
		was := before[s.Label]
		if was == nil {
			c.New = append(c.New, s.Label)
			continue
		}
		kept = append(kept, was)
		if was.Label != s.Label {
			c.Renamed = append(c.Renamed, Rename{was.Label, s.Label})
		}
		if len(was.Members) != len(s.Members) {
			c.Counts = append(c.Counts, CountChange{s.Label, len(was.Members), len(s.Members)})
		}
		if !c.Remeasured {
			c.Ranges = append(c.Ranges, movedRanges(was, s)...)
		}
	}
	for i := range old.Sets {
		if !slices.Contains(kept, &old.Sets[i]) {
			c.Gone = append(c.Gone, old.Sets[i].Label)
		}
	}
	c.Unfollowed = !shareMarbles(old, now)
	if !c.Unfollowed {
		c.Moves = moves(old, now, before)
	}
	return c
}

// pairSets is the old edition's set for each label of the new one: the one with
// the same identity, else the same label, else the one that it has most marbles
// of where that one is gone.
func pairSets(old, now *Edition) map[string]*Set {
	out := map[string]*Set{}
	taken := map[*Set]bool{}
	pair := func(same func(a, b *Set) bool) {
		for i := range now.Sets {
			s := &now.Sets[i]
			for j := range old.Sets {
				if was := &old.Sets[j]; out[s.Label] == nil && !taken[was] && same(was, s) {
					out[s.Label], taken[was] = was, true
				}
			}
		}
	}
	pair(func(a, b *Set) bool { return a.ID != "" && a.ID == b.ID })
	pair(func(a, b *Set) bool { return a.Label == b.Label && (a.ID == "" || b.ID == "") })
	pair(func(a, b *Set) bool {
		if a.ID != "" && b.ID != "" {
			return false
		}
		ids := map[string]bool{}
		for _, m := range a.Members {
			ids[m.ID] = true
		}
		both := 0
		for _, m := range b.Members {
			if ids[m.ID] {
				both++
			}
		}
		return float64(both) > renamedShare*float64(len(a.Members)) && float64(both) > renamedShare*float64(len(b.Members))
	})
	return out
}

func movedRanges(was, now *Set) (out []RangeChange) {
	earlier := map[string]Range{}
	for _, r := range was.Ranges {
		earlier[r.Feature] = r
	}
	for _, r := range now.Ranges {
		b, ok := earlier[r.Feature]
		if !ok || b.Text == r.Text {
			continue
		}
		limit := rangeMoved * (b.High - b.Low)
		if math.Abs(r.Low-b.Low) > limit || math.Abs(r.High-b.High) > limit {
			out = append(out, RangeChange{now.Label, r.Label, b.Text, r.Text})
		}
	}
	return out
}

// shareMarbles says whether any marble is in both editions, or one has none.
func shareMarbles(old, now *Edition) bool {
	if old.Specimens == 0 || now.Specimens == 0 {
		return true
	}
	ids := map[string]bool{}
	for _, s := range old.Sets {
		for _, m := range s.Members {
			ids[m.ID] = true
		}
	}
	for _, s := range now.Sets {
		for _, m := range s.Members {
			if ids[m.ID] {
				return true
			}
		}
	}
	return false
}

// moves follows each marble from the old edition into the new one.
func moves(old, now *Edition, before map[string]*Set) []Move {
	type home struct{ label, name string }
	nowOf := map[string]string{} // what an old set is called now
	for label, was := range before {
		nowOf[was.Label] = label
	}
	was, is := map[string]home{}, map[string]home{}
	for _, s := range old.Sets {
		for _, m := range s.Members {
			was[m.ID] = home{cmp.Or(nowOf[s.Label], s.Label), m.Name}
		}
	}
	for _, s := range now.Sets {
		for _, m := range s.Members {
			is[m.ID] = home{s.Label, m.Name}
		}
	}
	by := map[[2]string]*Move{}
	count := func(from, to home) {
		key := [2]string{from.label, to.label}
		if by[key] == nil {
			by[key] = &Move{From: from.label, To: to.label}
		}
		by[key].N++
		// Who may not be named now is not named for having been named before.
		name := to.name
		if to.label == "" {
			name = from.name
		}
		if name != "" {
			by[key].Names = append(by[key].Names, name)
		}
	}
	for id, from := range was {
		if to := is[id]; to.label != from.label {
			count(from, to)
		}
	}
	for id, to := range is {
		if _, there := was[id]; !there {
			count(home{}, to)
		}
	}
	out := []Move{}
	for _, m := range by {
		slices.Sort(m.Names)
		out = append(out, *m)
	}
	// Those from one set to another first, then those that are new, then those
	// that are gone.
	rank := func(m Move) int {
		switch {
		case m.From != "" && m.To != "":
			return 0
		case m.From == "":
			return 1
		}
		return 2
	}
	slices.SortFunc(out, func(a, b Move) int {
		return cmp.Or(cmp.Compare(rank(a), rank(b)), strings.Compare(a.From, b.From), strings.Compare(a.To, b.To))
	})
	return out
}

// None says whether nothing of what a guide shows is different.
func (c *Changes) None() bool {
	return len(c.New)+len(c.Gone)+len(c.Renamed)+len(c.Moves)+len(c.Ranges)+len(c.Counts) == 0 &&
		!c.Remeasured && !c.Unfollowed && c.Tested[0] == c.Tested[1] && c.Right[0] == c.Right[1]
}

// Follow makes this the edition after an earlier one. Where nothing is different
// it is that edition again, and keeps its number and what it told of changes.
func (e *Edition) Follow(old *Edition) {
	c := Compare(old, e)
	if c.None() {
		e.Number, e.Changes = old.Number, old.Changes
		return
	}
	e.Number, e.Changes = old.Number+1, &c
}

// mostNamed is how many marbles of one move are named.
const mostNamed = 6

// ChangeGroup are changes of one kind, in plain words.
type ChangeGroup struct {
	Title string
	Lines []string
}

// Groups are the changes in plain words, by their kind; none empty.
func (c *Changes) Groups() (out []ChangeGroup) {
	group := func(title string, lines ...string) {
		if len(lines) > 0 {
			out = append(out, ChangeGroup{title, lines})
		}
	}
	var sets []string
	for _, l := range c.New {
		sets = append(sets, "New: "+l+".")
	}
	for _, l := range c.Gone {
		sets = append(sets, "No longer a set: "+l+".")
	}
	for _, r := range c.Renamed {
		sets = append(sets, fmt.Sprintf("Renamed: %s is now called %s.", r.From, r.To))
	}
	group("Sets", sets...)
	var marbles []string
	for _, m := range c.Moves {
		marbles = append(marbles, m.line())
	}
	if c.Unfollowed {
		marbles = append(marbles, "The earlier edition knows none of these marbles by what they are known by now, so it can’t be said which are new.")
	}
	if len(c.Counts) > 0 {
		var parts []string
		for _, n := range c.Counts {
			parts = append(parts, fmt.Sprintf("%s %d (before %d)", n.Set, n.Now, n.Before))
		}
		marbles = append(marbles, "How many there are now: "+strings.Join(parts, ", ")+".")
	}
	group("Marbles", marbles...)
	var ranges []string
	bySet := map[string][]string{}
	for _, r := range c.Ranges {
		bySet[r.Set] = append(bySet[r.Set], fmt.Sprintf("%s %s (before %s)", r.Label, r.Now, r.Before))
	}
	for _, set := range slices.Sorted(maps.Keys(bySet)) {
		ranges = append(ranges, fmt.Sprintf("In %s: %s.", set, strings.Join(bySet[set], "; ")))
	}
	if c.Remeasured {
		ranges = append(ranges, "The features are measured by other definitions since, so ranges are not compared with the earlier ones.")
	}
	group("Usual ranges that moved", ranges...)
	if c.Tested[0] != c.Tested[1] || c.Right[0] != c.Right[1] {
		group("How sure", fmt.Sprintf("Given their own set back: %d of %d (before %d of %d).", c.Right[1], c.Tested[1], c.Right[0], c.Tested[0]))
	}
	return out
}

func (m *Move) line() string {
	var text string
	switch {
	case m.From == "":
		text = fmt.Sprintf("%s new in %s", report.Plural(m.N, "marble"), m.To)
	case m.To == "":
		text = fmt.Sprintf("%s gone from %s", report.Plural(m.N, "marble"), m.From)
	default:
		text = fmt.Sprintf("%s moved from %s to %s", report.Plural(m.N, "marble"), m.From, m.To)
	}
	if len(m.Names) > 0 {
		names := m.Names[:min(len(m.Names), mostNamed)]
		text += ": " + strings.Join(names, "; ")
		if more := m.N - len(names); more > 0 {
			text += fmt.Sprintf("; and %d more", more)
		}
	}
	return text + "."
}

// Lines are the same in one list.
func (c *Changes) Lines() (out []string) {
	for _, g := range c.Groups() {
		out = append(out, g.Lines...)
	}
	return out
}
