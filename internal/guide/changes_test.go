package guide

import (
	"bytes"
	"slices"
	"strings"
	"tawsight/internal/refset"
	"testing"
)

// restored is an edition as the next run finds it.
func restored(t *testing.T, e *Edition) *Edition {
	t.Helper()
	var buf bytes.Buffer
	if err := e.Encode(&buf); err != nil {
		t.Fatal(err)
	}
	back, err := Read(&buf)
	if err != nil {
		t.Fatal(err)
	}
	return back
}

// What changed, by hand.
func TestCompare(t *testing.T) {
	drop := func(list []made, name string) []made {
		return slices.DeleteFunc(list, func(m made) bool { return m.name == name })
	}
	// Marbles are known by their photo and number, which must stay when others
	// come and go: each gets a name of its own.
	base := func() []made {
		list := twoSets()
		for i := range list {
			list[i].specimen = "s-" + list[i].name
		}
		return list
	}
	newMarble := made{set: "jar", name: "J-9", specimen: "s-J-9", mm: 16, kind: "transparent", lightness: 60, ribbons: 2, paired: 0.7, permission: refset.Own}
	for name, c := range map[string]struct {
		change func([]made) []made
		lines  []string
	}{
		"nothing": {func(l []made) []made { return l }, nil},
		"one new": {func(l []made) []made { return append(l, newMarble) },
			[]string{"1 marble new in jar: J-9.", "How many there are now: jar 9 (before 8).", "Given their own set back: 15 of 15 (before 14 of 14)."}},
		"one gone": {func(l []made) []made { return drop(l, "J-1") },
			[]string{"1 marble gone from jar: J-1.", "How many there are now: jar 7 (before 8).", "Given their own set back: 13 of 13 (before 14 of 14)."}},
		"one without permission gone": {func(l []made) []made { return drop(l, "J-7") },
			[]string{"1 marble gone from jar.", "How many there are now: jar 7 (before 8).", "Given their own set back: 13 of 13 (before 14 of 14)."}},
		"renamed": {func(l []made) []made {
			for i := range l {
				if l[i].set == "jar" {
					l[i].set = "window jar"
				}
			}
			return l
		}, []string{"Renamed: jar is now called window jar."}},
		"new set": {func(l []made) []made {
			return append(l, made{set: "tin", name: "T-1", specimen: "s-T-1", mm: 15, kind: "opaque", lightness: 20, ribbons: 1, permission: refset.Own})
		}, []string{"New: tin.", "1 marble new in tin: T-1."}},
		"set gone": {func(l []made) []made {
			l = append(l, made{set: "tin", name: "T-1", specimen: "s-T-1", mm: 15, kind: "opaque", lightness: 20, ribbons: 1, permission: refset.Own})
			return slices.DeleteFunc(l, func(m made) bool { return m.set == "box" })
		}, []string{"New: tin.", "No longer a set: box.", "1 marble new in tin: T-1.", "6 marbles gone from box: B-1; B-2; B-3; B-4; B-5; B-6.", "Given their own set back: 8 of 8 (before 14 of 14)."}},
	} {
		t.Run(name, func(t *testing.T) {
			old := restored(t, edition(t, base()))
			now := edition(t, c.change(base()))
			got := Compare(old, now)
			var lines []string
			for _, g := range got.Groups() {
				if g.Title != "Usual ranges that moved" {
					lines = append(lines, g.Lines...)
				}
			}
			if !slices.Equal(lines, c.lines) {
				t.Errorf("%q\nby hand %q", lines, c.lines)
			}
			if got.None() != (name == "nothing") {
				t.Errorf("none %v", got.None())
			}
		})
	}

	// A marble goes from one set to the other; ranges that follow it are told.
	list := base()
	list[8].set = "jar" // B-1, lightness 90: the jar's range was 58 to 65
	c := Compare(restored(t, edition(t, base())), edition(t, list))
	if len(c.Moves) != 1 || c.Moves[0].From != "box" || c.Moves[0].To != "jar" || c.Moves[0].N != 1 || len(c.New)+len(c.Gone)+len(c.Renamed) != 0 {
		t.Errorf("%+v", c)
	}
	if k := slices.IndexFunc(c.Ranges, func(r RangeChange) bool { return r.Set == "jar" && r.Label == "base lightness" }); k < 0 || c.Ranges[k].Before != "58 to 65" || c.Ranges[k].Now != "58 to 90" {
		t.Errorf("ranges %+v", c.Ranges)
	}
	if slices.ContainsFunc(c.Ranges, func(r RangeChange) bool { return r.Set == "box" && r.Label == "base lightness" }) {
		t.Error("the box's lightness, 87 to 93 before and now, is said to have moved")
	}
}

// A set with an identity of its own is the same under another name, and another
// one that takes its name is not.
func TestIdentity(t *testing.T) {
	identified := func(list []made, ids map[string]string) *Edition {
		src := source(t, list)
		for label, id := range ids {
			src.Sets = append(src.Sets, SetInfo{Label: label, ID: id})
		}
		e, err := Make(src)
		if err != nil {
			t.Fatal(err)
		}
		return e
	}
	old := identified(twoSets(), map[string]string{"jar": "id-1", "box": "id-2"})
	swapped := twoSets()
	for i := range swapped {
		swapped[i].set = map[string]string{"jar": "box", "box": "jar"}[swapped[i].set]
	}
	now := identified(swapped, map[string]string{"box": "id-1", "jar": "id-2"})
	// The two sets' photos are named by their sets, so the marbles are new ones;
	// the sets are not.
	c := Compare(old, now)
	if want := []Rename{{"jar", "box"}, {"box", "jar"}}; !slices.Equal(c.Renamed, want) || len(c.New)+len(c.Gone) != 0 {
		t.Errorf("%+v", c)
	}
	other := Compare(old, identified(twoSets(), map[string]string{"jar": "id-1", "box": "id-9"}))
	if !slices.Equal(other.New, []string{"box"}) || !slices.Equal(other.Gone, []string{"box"}) {
		t.Errorf("%+v", other)
	}
}

func TestFollow(t *testing.T) {
	first := edition(t, twoSets())
	second := edition(t, append(twoSets(), made{set: "box", name: "B-7", mm: 16, kind: "opaque", lightness: 89, ribbons: 1, permission: refset.Own}))
	second.Follow(restored(t, first))
	if second.Number != 2 || second.Changes == nil || second.Changes.Since != "2026-11-25" {
		t.Fatalf("edition %d, %+v", second.Number, second.Changes)
	}
	// Made again of the same marbles it is the same edition, and tells the same.
	again := edition(t, append(twoSets(), made{set: "box", name: "B-7", mm: 16, kind: "opaque", lightness: 89, ribbons: 1, permission: refset.Own}))
	again.Title = "Under another title"
	again.Follow(restored(t, second))
	if again.Number != 2 || !slices.Equal(again.Changes.Lines(), second.Changes.Lines()) {
		t.Errorf("edition %d, %q", again.Number, again.Changes.Lines())
	}
	// Figures by other definitions are not compared, marbles that can't be followed
	// not told as new.
	other := edition(t, odd())
	other.MadeBy.Features++
	c := Compare(restored(t, first), other)
	if !c.Remeasured || len(c.Ranges) != 0 || !strings.Contains(strings.Join(c.Lines(), " "), "other definitions") {
		t.Errorf("%+v", c)
	}
	strange := twoSets()
	for i := range strange {
		strange[i].specimen = "strange-" + strange[i].name
	}
	if c := Compare(restored(t, first), edition(t, strange)); !c.Unfollowed || len(c.Moves) != 0 || c.None() {
		t.Errorf("%+v", c)
	}
}

// Who lets a marble no longer be shown is not named for it by what changed.
func TestNotNamedAgain(t *testing.T) {
	list := twoSets()
	first := restored(t, edition(t, list))
	list[0].set, list[0].permission = "box", refset.AskFirst // J-1
	e := edition(t, list)
	for i := range e.Sets {
		for j := range e.Sets[i].Members { // the made photos are named by their sets
			m := &e.Sets[i].Members[j]
			if m.NotShown == NoPermission && e.Sets[i].Label == "box" {
				m.ID = memberNamed(first, "J-1").ID
			}
		}
	}
	c := Compare(first, e)
	if k := slices.IndexFunc(c.Moves, func(m Move) bool { return m.From == "jar" && m.To == "box" }); k < 0 || c.Moves[k].N != 1 || len(c.Moves[k].Names) != 0 {
		t.Errorf("%+v", c.Moves)
	}
}

func memberNamed(e *Edition, name string) *Member {
	for i := range e.Sets {
		for j := range e.Sets[i].Members {
			if e.Sets[i].Members[j].Name == name {
				return &e.Sets[i].Members[j]
			}
		}
	}
	return nil
}
