package collection

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tawsight/internal/record"
	"tawsight/internal/refset"
)

// made opens a new collection in a folder of the test's own.
func made(t testing.TB) *Collection {
	t.Helper()
	c, err := Create(context.Background(), filepath.Join(t.TempDir(), "marbles"+Ext))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// tray is a made photo with n marbles 100 px apart.
func tray(name string, n int) Measured {
	sum := sha256.Sum256([]byte(name))
	m := Measured{
		Name: name + ".jpg", Bytes: 1000,
		Way: Way{MadeBy: record.MadeBy{Tawsight: "1", OpenCV: "4", Features: 2}},
		Photo: record.Photo{
			Path: "/photos/" + name + ".jpg", SHA256: hex.EncodeToString(sum[:]), WidthPX: 1000, HeightPX: 800, Taken: "2026-05-02T10:11:12",
			Verdict: record.Verdicts{Size: record.Good, Colour: record.Good, Pattern: record.Good},
		},
		Picture: &Picture{JPEG: []byte("tray " + name), WidthPX: 1000, HeightPX: 800},
	}
	for i := range n {
		m.Photo.Marbles = append(m.Photo.Marbles, record.Marble{
			ID:         fmt.Sprint(i + 1),
			Outline:    record.Outline{CxPX: 100 + 100*float64(i), CyPX: 100, SemiMajorPX: 40, SemiMinorPX: 40},
			DiameterMM: record.F(15 + float64(i)), DiameterU95MM: record.F(0.1), SizeClass: "player",
			Base:     &record.Base{Lab: [3]float64{90, 0, float64(10 * i)}, Name: "white", Kind: "opaque", Look: "white", Translucency: 0.1},
			Ribbons:  []record.Ribbon{{Lab: [3]float64{40, 50, 30}, Name: "vivid red", AreaFraction: 0.3}},
			Features: map[string]float64{"translucency": 0.1}, FeaturesSure: map[string]float64{"translucency": 1},
			Busyness: record.F(0.2 * float64(i)),
		})
		m.Faces = append(m.Faces, Face{JPEG: []byte(fmt.Sprint("face ", name, i)), SidePX: 100, MMPerPX: 0.05, DiameterPX: 80})
	}
	return m
}

func added(t testing.TB, c *Collection, m Measured) []string {
	t.Helper()
	a, err := c.Add(context.Background(), m)
	if err != nil {
		t.Fatal(err)
	}
	return a.Specimens
}

func TestAddingTwiceChangesNothing(t *testing.T) {
	c, ctx := made(t), context.Background()
	first, err := c.Add(ctx, tray("a", 3))
	if err != nil {
		t.Fatal(err)
	}
	if !first.NewPhoto || !first.NewMeasurement || len(first.Specimens) != 3 {
		t.Fatalf("first: %+v", first)
	}
	before := dump(t, c)
	again, err := c.Add(ctx, tray("a", 3))
	if err != nil {
		t.Fatal(err)
	}
	if again.NewPhoto || again.NewMeasurement || strings.Join(again.Specimens, " ") != strings.Join(first.Specimens, " ") {
		t.Errorf("again: %+v", again)
	}
	if after := dump(t, c); after != before {
		t.Errorf("the collection changed:\n%s\nwas\n%s", after, before)
	}
}

// dump is every table that the user's data lie in, as text; when a place was
// last seen is left out.
func dump(t testing.TB, c *Collection) string {
	t.Helper()
	var b strings.Builder
	for _, q := range []string{
		"SELECT sha256, name, coalesce(contributor_id, ''), permission, provenance FROM photo ORDER BY 1",
		"SELECT photo, path, '', '', '' FROM photo_place ORDER BY 1, 2",
		"SELECT id, photo, tawsight, features, record FROM measurement ORDER BY 1",
		"SELECT id, name, coalesce(merged_into, ''), provenance, permission FROM specimen ORDER BY 1",
		"SELECT id, specimen_id, photo, '', '' FROM sighting ORDER BY 1",
		"SELECT id, sighting_id, number, marble, '' FROM figure ORDER BY 1",
		"SELECT id, name, note, retired, coalesce(merged_into, '') FROM label_set ORDER BY 1",
		"SELECT id, specimen_id, coalesce(set_id, ''), sure, evidence FROM label ORDER BY 1",
		"SELECT id, specimen_id, grade, text, who FROM condition_note ORDER BY 1",
		"SELECT id, specimen_id, text, who, '' FROM remark ORDER BY 1",
		"SELECT specimen_id, tag, '', '', '' FROM tag ORDER BY 1, 2",
		"SELECT id, name, permission, note, '' FROM contributor ORDER BY 1",
		"SELECT specimen_id, title, state, coalesce(set_id, ''), words FROM specimen_now ORDER BY 1",
		"SELECT specimen_id, part, place, l, b FROM specimen_colour ORDER BY 1, 2, 3",
	} {
		rows, err := collect(context.Background(), c.read, func(s scanner) (string, error) {
			var v [5]string
			err := s.Scan(&v[0], &v[1], &v[2], &v[3], &v[4])
			return strings.Join(v[:], "|"), err
		}, q)
		if err != nil {
			t.Fatalf("%s: %v", q, err)
		}
		fmt.Fprintf(&b, "%s\n%s\n", q, strings.Join(rows, "\n"))
	}
	return b.String()
}

// A later version finds the same marbles a pixel or two off, and one more:
// figures are added beside the earlier ones, and the marbles stay the same.
func TestMeasuringAgainAdds(t *testing.T) {
	c, ctx := made(t), context.Background()
	first := added(t, c, tray("a", 2))
	m := tray("a", 3)
	m.Way.MadeBy.Features = 3
	for i := range m.Photo.Marbles {
		m.Photo.Marbles[i].Outline.CxPX += 2
		m.Photo.Marbles[i].DiameterMM = record.F(20)
	}
	second := added(t, c, m)
	if second[0] != first[0] || second[1] != first[1] {
		t.Errorf("the marbles are %v, were %v", second, first)
	}
	s, err := c.Specimen(ctx, first[0])
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Sightings) != 1 || s.Sightings[0].Earlier != 1 || *s.Sightings[0].Marble.DiameterMM != 20 {
		t.Errorf("sightings: %+v", s.Sightings)
	}
	var figures int
	if err := c.read.QueryRow("SELECT count(*) FROM figure").Scan(&figures); err != nil || figures != 5 {
		t.Errorf("%d figures are kept (%v), want all 5", figures, err)
	}
	// The earlier figures are there still.
	var kept float64
	if err := c.read.QueryRow("SELECT min(json_extract(marble, '$.diameter_mm')) FROM figure").Scan(&kept); err != nil || kept != 15 {
		t.Errorf("the earlier diameter is %v (%v), want 15", kept, err)
	}
}

func TestLabelsAreDatedOpinions(t *testing.T) {
	c, ctx := made(t), context.Background()
	id := added(t, c, tray("a", 1))[0]
	if _, err := c.Decide(ctx, "Ada", Decision{SetName: "Attic  jar", Sure: Likely, Evidence: "the ribbon's width"}, id); err != nil {
		t.Fatal(err)
	}
	if _, err := c.Decide(ctx, "Bo", Decision{Sure: Guess, Evidence: "a second look"}, id); err != nil {
		t.Fatal(err)
	}
	s, err := c.Specimen(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Labels) != 2 || s.Labels[0].SetID != "" || s.Labels[1].Set != "Attic jar" || s.Labels[1].Who != "Ada" || s.Labels[1].Evidence != "the ribbon's width" {
		t.Errorf("labels: %+v", s.Labels)
	}
	if s.Row.State != LeftOpen {
		t.Errorf("state %q, want left open", s.Row.State)
	}
	for _, bad := range []Decision{{Sure: "very"}, {SetID: "nosuch", Sure: Certain}, {SetName: strings.Repeat("x", 200), Sure: Certain}, {SetName: "a\x00b", Sure: Certain}} {
		if _, err := c.Decide(ctx, "Ada", bad, id); !errors.Is(err, ErrInvalid) && !errors.Is(err, ErrNotFound) {
			t.Errorf("%+v: error %v", bad, err)
		}
	}
}

// Every kind of edit, undone one by one, leaves the collection as it was; and
// undoing the undoing brings it back.
func TestUndoOfEveryEdit(t *testing.T) {
	c, ctx := made(t), context.Background()
	a := added(t, c, tray("a", 3))
	b := added(t, c, tray("b", 3))
	if _, err := c.Decide(ctx, "Ada", Decision{SetName: "one", Sure: Certain}, a[0], a[1]); err != nil {
		t.Fatal(err)
	}
	one, err := c.SetNamed(ctx, "Ada", "one")
	if err != nil {
		t.Fatal(err)
	}
	two, err := c.SetNamed(ctx, "Ada", "two")
	if err != nil {
		t.Fatal(err)
	}
	photo := tray("a", 1).Photo.SHA256
	var joined string
	edits := []struct {
		name string
		make func() (Edit, error)
	}{
		{"label", func() (Edit, error) { return c.Decide(ctx, "Ada", Decision{SetID: two.ID, Sure: Likely}, a[0]) }},
		{"label with a new set", func() (Edit, error) {
			return c.Decide(ctx, "Ada", Decision{SetName: "three", Sure: Likely}, a[2], b[2])
		}},
		{"leave open", func() (Edit, error) { return c.Decide(ctx, "Ada", Decision{Sure: Guess}, b[1]) }},
		{"describe", func() (Edit, error) {
			return c.Describe(ctx, "Ada", a[0], Description{Name: "the big one", Provenance: "attic", Contributor: "Cy", Permission: refset.MayShare})
		}},
		{"describe photo", func() (Edit, error) {
			return c.DescribePhoto(ctx, "Ada", photo, Description{Contributor: "Di", Permission: refset.Own, Provenance: "a fair"})
		}},
		{"condition", func() (Edit, error) { return c.AddCondition(ctx, "Ada", a[1], "near mint", "one small moon") }},
		{"note", func() (Edit, error) { return c.AddRemark(ctx, "Ada", a[1], "look at it again") }},
		{"tags", func() (Edit, error) { return c.SetTags(ctx, "Ada", a[1], []string{"show", "swap"}) }},
		{"fewer tags", func() (Edit, error) { return c.SetTags(ctx, "Ada", a[1], []string{"swap"}) }},
		{"join", func() (Edit, error) { joined = b[0]; return c.Join(ctx, "Ada", a[0], b[0]) }},
		{"part", func() (Edit, error) {
			s, err := c.Specimen(ctx, a[0])
			if err != nil {
				return Edit{}, err
			}
			_, e, err := c.Part(ctx, "Ada", s.Sightings[1].ID)
			return e, err
		}},
		{"rename", func() (Edit, error) { return c.RenameSet(ctx, "Ada", one.ID, "one and only", "from the attic") }},
		{"split", func() (Edit, error) {
			_, e, err := c.SplitSet(ctx, "Ada", one.ID, "pale ones", []string{a[1]})
			return e, err
		}},
		{"merge", func() (Edit, error) { return c.MergeSets(ctx, "Ada", two.ID, one.ID) }},
		{"contributor", func() (Edit, error) {
			k, err := c.Contributors(ctx)
			if err != nil || len(k) == 0 {
				return Edit{}, fmt.Errorf("no contributors: %v", err)
			}
			return c.EditContributor(ctx, "Ada", k[0].ID, refset.AskFirst, "by letter")
		}},
	}
	states := []string{dump(t, c)}
	var done []Edit
	for _, e := range edits {
		edit, err := e.make()
		if err != nil {
			t.Fatalf("%s: %v", e.name, err)
		}
		if edit.Seq == 0 || edit.Text == "" {
			t.Fatalf("%s left no entry in the journal", e.name)
		}
		state := dump(t, c)
		if state == states[len(states)-1] {
			t.Fatalf("%s changed nothing", e.name)
		}
		states, done = append(states, state), append(done, edit)
	}
	// An edit that was overtaken is refused, and nothing is half undone.
	if _, err := c.Undo(ctx, "Ada", done[7].Seq); !errors.Is(err, ErrOvertaken) {
		t.Errorf("undoing the first tags gives %v, want ErrOvertaken", err)
	}
	if dump(t, c) != states[len(states)-1] {
		t.Error("a refused undo left something behind")
	}
	var undos []Edit
	for i := len(done) - 1; i >= 0; i-- {
		u, err := c.Undo(ctx, "Bo", done[i].Seq)
		if err != nil {
			t.Fatalf("undoing %s: %v", edits[i].name, err)
		}
		if got := dump(t, c); got != states[i] {
			t.Fatalf("after undoing %s:\n%s\nwant\n%s", edits[i].name, got, states[i])
		}
		if _, err := c.Undo(ctx, "Bo", done[i].Seq); !errors.Is(err, ErrInvalid) {
			t.Errorf("undoing %s twice gives %v", edits[i].name, err)
		}
		undos = append(undos, u)
	}
	for i := range done {
		if _, err := c.Undo(ctx, "Bo", undos[len(undos)-1-i].Seq); err != nil {
			t.Fatalf("redoing %s: %v", edits[i].name, err)
		}
		if got := dump(t, c); got != states[i+1] {
			t.Fatalf("after redoing %s:\n%s\nwant\n%s", edits[i].name, got, states[i+1])
		}
	}
	if s, err := c.Specimen(ctx, joined); err != nil || s.MergedInto != a[0] {
		t.Errorf("the joined marble: %+v, %v", s.MergedInto, err)
	}
	// The journal has it all, in words.
	all, err := c.Edits(ctx, 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	// The first label and the set two: asking for a set that is there is no edit.
	if want := 2 + len(edits)*3; len(all) != want {
		t.Errorf("%d entries in the journal, want %d", len(all), want)
	}
}

func TestOthersFilesAreLeftAlone(t *testing.T) {
	dir, ctx := t.TempDir(), context.Background()
	text := filepath.Join(dir, "letter"+Ext)
	if err := os.WriteFile(text, []byte("Dear Ada, the marbles have come."), 0o644); err != nil {
		t.Fatal(err)
	}
	other := filepath.Join(dir, "other.db")
	db, err := connect(other, "", 1)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec("CREATE TABLE recipes (name TEXT); PRAGMA application_id = 7"); err != nil {
		t.Fatal(err)
	}
	db.Close()
	for _, path := range []string{text, other, dir} {
		before, _ := os.ReadFile(path)
		if _, err := Open(ctx, path); !errors.Is(err, ErrNotACollection) {
			t.Errorf("%s: error %v", filepath.Base(path), err)
		}
		if after, _ := os.ReadFile(path); string(after) != string(before) {
			t.Errorf("%s was changed", filepath.Base(path))
		}
	}
	if _, err := Open(ctx, filepath.Join(dir, "nothing"+Ext)); !errors.Is(err, ErrNoCollection) {
		t.Errorf("a missing file: %v", err)
	}
	c, err := Create(ctx, filepath.Join(dir, "later"+Ext))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.write.Exec("INSERT INTO schema_version (version_id, is_applied) VALUES (9999, 1)"); err != nil {
		t.Fatal(err)
	}
	c.Close()
	if _, err := Open(ctx, c.Path()); !errors.Is(err, ErrNewer) {
		t.Errorf("a later version's collection: %v", err)
	}
}

func TestTitlesSortAsPeopleCount(t *testing.T) {
	c, ctx := made(t), context.Background()
	added(t, c, tray("Tray-10", 1))
	added(t, c, tray("tray-9", 12))
	rows, _, err := c.Find(ctx, Filter{Sort: ByTitle})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, r := range rows {
		got = append(got, r.Title)
	}
	for i := range 12 {
		if want := fmt.Sprintf("tray-9, no. %d", i+1); got[i] != want {
			t.Fatalf("in place %d stands %q, want %q", i, got[i], want)
		}
	}
	if got[12] != "Tray-10, no. 1" {
		t.Errorf("last stands %q", got[12])
	}
}

func TestFind(t *testing.T) {
	c, ctx := made(t), context.Background()
	ids := added(t, c, tray("cellar", 4)) // 15, 16, 17, 18 mm; busyness 0, 0.2, 0.4, 0.6
	if _, err := c.Decide(ctx, "Ada", Decision{SetName: "jar", Sure: Certain}, ids[1]); err != nil {
		t.Fatal(err)
	}
	jar, err := c.SetNamed(ctx, "Ada", "jar")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.SetTags(ctx, "Ada", ids[2], []string{"Für Elise"}); err != nil {
		t.Fatal(err)
	}
	if _, err := c.AddRemark(ctx, "Ada", ids[3], "bought at the 50%_fair"); err != nil {
		t.Fatal(err)
	}
	yes := true
	for _, k := range []struct {
		name string
		f    Filter
		want []int
	}{
		{"all by size", Filter{Sort: BySize}, []int{0, 1, 2, 3}},
		{"all by size, reversed", Filter{Sort: BySize, Reverse: true}, []int{3, 2, 1, 0}},
		{"a page", Filter{Sort: BySize, Limit: 2, Offset: 1}, []int{1, 2}},
		{"past the end", Filter{Sort: BySize, Limit: 2, Offset: 9}, nil},
		{"sizes", Filter{Sort: BySize, MinMM: 15.5, MaxMM: 17}, []int{1, 2}},
		{"words in any case", Filter{Sort: BySize, Words: "CELLAR für"}, []int{2}},
		{"words are not patterns", Filter{Sort: BySize, Words: "50%_"}, []int{3}},
		{"no such word", Filter{Words: "zebra"}, nil},
		{"a set", Filter{SetID: jar.ID}, []int{1}},
		{"a set's name", Filter{Words: "jar"}, []int{1}},
		{"states", Filter{Sort: BySize, States: []State{Unjudged, Doubtful}}, []int{0, 2, 3}},
		{"busy", Filter{Sort: BySize, Busy: &Range{0.3, 1}}, []int{2, 3}},
		{"a tag", Filter{Tag: "Für Elise"}, []int{2}},
		{"taken that day", Filter{Sort: BySize, TakenFrom: "2026-05-02", TakenTo: "2026-05-02"}, []int{0, 1, 2, 3}},
		{"taken later", Filter{TakenFrom: "2026-05-03"}, nil},
		{"base near yellowish white", Filter{Sort: ByColour, Colour: &ColourNear{Lab: [3]float64{90, 0, 30}, DE00: 6, Part: "base"}}, []int{3, 2}},
		{"red anywhere", Filter{Sort: BySize, Colour: &ColourNear{Lab: [3]float64{40, 50, 30}, DE00: 1}}, []int{0, 1, 2, 3}},
		{"red base", Filter{Colour: &ColourNear{Lab: [3]float64{40, 50, 30}, DE00: 1, Part: "base"}}, nil},
		{"bubbles", Filter{Bubble: &yes}, nil},
		{"glowing", Filter{Glows: &yes}, nil},
		{"injected", Filter{Words: "' OR 1=1 --", SizeClass: "x' OR '1'='1"}, nil},
	} {
		rows, total, err := c.Find(ctx, k.f)
		if err != nil {
			t.Errorf("%s: %v", k.name, err)
			continue
		}
		var got []int
		for _, r := range rows {
			for i, id := range ids {
				if r.ID == id {
					got = append(got, i)
				}
			}
		}
		if fmt.Sprint(got) != fmt.Sprint(k.want) {
			t.Errorf("%s: marbles %v, want %v", k.name, got, k.want)
		}
		if k.f.Limit == 0 && total != len(k.want) {
			t.Errorf("%s: %d in all, want %d", k.name, total, len(k.want))
		}
	}
	if s, err := c.Sets(ctx); err != nil || len(s) != 1 || s[0].Members != 1 || s[0].Certain != 1 {
		t.Errorf("sets: %+v, %v", s, err)
	}
}

func TestSomeOfThem(t *testing.T) {
	c, ctx := made(t), context.Background()
	ids := added(t, c, tray("a", 3))
	rows, total, err := c.Find(ctx, Filter{IDs: []string{ids[2], ids[0], "nobody"}})
	if err != nil || total != 2 || len(rows) != 2 {
		t.Fatalf("found %d of %d: %v", len(rows), total, err)
	}
	if none, _, err := c.Find(ctx, Filter{IDs: []string{}}); err != nil || len(none) != 0 {
		t.Errorf("of no ids %d were found: %v", len(none), err)
	}
	sizes, err := c.FaceSizes(ctx, []string{rows[0].FigureID, "nothing"})
	if err != nil || len(sizes) != 1 {
		t.Fatalf("sizes: %v, %v", sizes, err)
	}
	if f := sizes[rows[0].FigureID]; f.SidePX != 100 || f.MMPerPX != 0.05 || f.DiameterPX != 80 || f.JPEG != nil {
		t.Errorf("the face: %+v", f)
	}
	colours, err := c.Colours(ctx)
	if err != nil || len(colours) != 6 {
		t.Fatalf("colours: %v, %v", colours, err)
	}
	if f := colours[0]; f.Part != "base" || f.Lab[0] != 90 {
		t.Errorf("the first colour: %+v", f)
	}
}

// The version changes with every change, by whomever, and with nothing else.
func TestVersionTellsOfChanges(t *testing.T) {
	c, ctx := made(t), context.Background()
	id := added(t, c, tray("a", 1))[0]
	version := func() int64 {
		t.Helper()
		v, err := c.Version(ctx)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	before := version()
	if _, err := c.Specimen(ctx, id); err != nil {
		t.Fatal(err)
	}
	if v := version(); v != before {
		t.Error("reading counts as a change")
	}
	if _, err := c.AddRemark(ctx, "Ada", id, "look again"); err != nil {
		t.Fatal(err)
	}
	after := version()
	if after == before {
		t.Error("an edit is not told")
	}
	other, err := Open(ctx, c.Path())
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	if _, err := other.AddRemark(ctx, "Bo", id, "and again"); err != nil {
		t.Fatal(err)
	}
	if version() == after {
		t.Error("another process's edit is not told")
	}
}

// Whoever's turn it is may be forgotten where the power fails; all else is on the disk
// before it is answered for, also after such haste (SQLite, PRAGMA synchronous: 2 is
// FULL).
func TestHasteIsForTurnsAlone(t *testing.T) {
	c, ctx := made(t), context.Background()
	level := func(what string) {
		t.Helper()
		var v int
		if err := c.write.QueryRowContext(ctx, "PRAGMA synchronous").Scan(&v); err != nil || v != 2 {
			t.Errorf("after %s it is %d, %v; want 2", what, v, err)
		}
	}
	level("opening")
	i, err := c.NewIntake(ctx, Intake{Who: "Ada"}, IntakeFile{Path: "/a.jpg", Name: "a.jpg"})
	if err != nil {
		t.Fatal(err)
	}
	f, ok, err := c.NextFile(ctx)
	if err != nil || !ok {
		t.Fatal(ok, err)
	}
	level("taking a file")
	f.State = Failed
	if err := c.FinishFile(ctx, f); err != nil {
		t.Fatal(err)
	}
	level("finishing it")
	if err := c.inHastyTx(ctx, func(context.Context, *sql.Tx) error { return ErrInvalid }); !errors.Is(err, ErrInvalid) {
		t.Errorf("%v", err)
	}
	level("a change that was given up")
	stopped, stop := context.WithCancel(ctx)
	stop()
	if _, _, err := c.NextFile(stopped); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
	level("being stopped")
	if i, err = c.Intake(ctx, i.ID); err != nil || i.Files[Failed] != 1 || i.Total() != 1 {
		t.Errorf("%v, %v", i.Files, err)
	}
}
