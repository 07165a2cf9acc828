package guide

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"tawsight/classify"
	"tawsight/internal/likeness"
	"tawsight/internal/record"
	"tawsight/internal/refset"
	"tawsight/internal/report"
)

// made is one made marble. Its picture is a grey disc.
type made struct {
	set, name  string
	mm         float64 // 0 for a photo without a scale
	kind       string
	tinted     bool
	lightness  float64
	ribbons    float64
	paired     float64
	bubble     float64
	sure       float64 // of all of it; 0 counts as 1
	glow       *record.Glow
	permission refset.Permission
	credit     string
	mmPerPX    float64 // of the picture; 0 for 0.05
	specimen   string
	noFeature  string // a feature that is absent
	why        string // and why
}

func (m made) view(t testing.TB) report.View {
	t.Helper()
	scale := m.mmPerPX
	if scale == 0 {
		scale = 0.05
	}
	px := m.mm / scale
	if m.mm == 0 {
		px, scale = 320, 0
	}
	side := int(px*1.24 + 0.5)
	img := image.NewRGBA(image.Rect(0, 0, side, side))
	for y := range side {
		for x := range side {
			v := uint8(235)
			if dx, dy := float64(x)-float64(side)/2, float64(y)-float64(side)/2; dx*dx+dy*dy < px*px/4 {
				v = uint8(2 * m.lightness)
			}
			img.SetRGBA(x, y, color.RGBA{v, v, v, 255})
		}
	}
	view, err := report.NewView(img, scale, px)
	if err != nil {
		t.Fatal(err)
	}
	return view
}

func source(t testing.TB, list []made) Source {
	t.Helper()
	var specimens []likeness.Specimen
	photos := map[string]*record.Photo{}
	for i, m := range list {
		path := fmt.Sprintf("refs/%s/%s-%d.jpg", m.set, m.set, i%2)
		if photos[path] == nil {
			photos[path] = &record.Photo{Path: path, SHA256: fmt.Sprintf("%064x", len(path)*1000+i%2)}
		}
		sure := m.sure
		if sure == 0 {
			sure = 1
		}
		q := record.Marble{
			ID:       fmt.Sprint(i + 1),
			Base:     &record.Base{Lab: [3]float64{m.lightness, 2, 5}, Name: "grayish yellow", Kind: m.kind, Tinted: m.tinted},
			Ribbons:  []record.Ribbon{{Lab: [3]float64{40, 50, 20}, Name: "strong red", Group: "red", AreaFraction: 0.2}, {Lab: [3]float64{45, 55, 20}, Name: "vivid red", Group: "red", AreaFraction: 0.1}},
			Glow:     m.glow,
			Features: map[string]float64{"translucency": 0.5, "base_lightness": m.lightness, "ribbon_colours": m.ribbons, "paired": m.paired, "bubble_present": m.bubble, "ribbon_width_mm": 1 + m.ribbons},
		}
		if m.mm > 0 {
			q.DiameterMM, q.SizeClass = record.F(m.mm), "player"
			q.Features["diameter_mm"] = m.mm
		}
		q.FeaturesSure = map[string]float64{}
		for name := range q.Features {
			q.FeaturesSure[name] = sure
		}
		if m.noFeature != "" {
			delete(q.Features, m.noFeature)
			q.FeaturesAbsent = map[string]string{m.noFeature: m.why}
		}
		specimens = append(specimens, likeness.Specimen{
			ID: fmt.Sprintf("%s#%s", path, q.ID), Photo: photos[path], Marble: &q, Label: m.set, Name: m.name, Specimen: m.specimen,
			Credit: m.credit, Permission: m.permission, View: func() (report.View, error) { return m.view(t), nil },
		})
	}
	learned, err := likeness.Learn(specimens)
	if err != nil {
		t.Fatal(err)
	}
	return Source{
		Title: "A made guide", Collector: "the tester", Date: time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC), Learned: learned,
		MadeBy: record.MadeBy{Tawsight: "0.1.0", OpenCV: "4.6.0", Features: 2},
	}
}

// twoSets are a jar of eight and a box of six, told apart by lightness.
func twoSets() []made {
	glow := &record.Glow{Share: 0.4, Lab: &[3]float64{80, -60, 50}, Name: "vivid yellow green"}
	own, may := refset.Own, refset.MayShare
	return []made{
		// Of the jar's eight, seven were sure enough; two are tinted, one cloudy.
		{set: "jar", name: "J-1", mm: 15.1, kind: "transparent", lightness: 61, ribbons: 2, paired: 0.9, bubble: 1, permission: own},
		{set: "jar", name: "J-2", mm: 15.5, kind: "transparent", lightness: 64, ribbons: 2, paired: 0.6, bubble: 0, permission: own, glow: glow},
		{set: "jar", name: "J-3", mm: 15.9, kind: "transparent", lightness: 58, ribbons: 1, paired: 0.2, bubble: 0, permission: may, credit: "Aunt Ada"},
		{set: "jar", name: "J-4", mm: 16.2, kind: "transparent", tinted: true, lightness: 62, ribbons: 2, paired: 0.5, bubble: 1, permission: may, credit: "Aunt Ada", mmPerPX: 0.1},
		{set: "jar", name: "J-5", mm: 16.6, kind: "transparent", tinted: true, lightness: 59, ribbons: 3, paired: 0.1, bubble: 0, permission: own, glow: &record.Glow{}},
		{set: "jar", name: "J-6", mm: 17.3, kind: "cloudy", lightness: 63, ribbons: 1, paired: 0.7, bubble: 0, permission: refset.MayShow, noFeature: "bubble_present", why: "cloudy glass hides what lies inside"},
		{set: "jar", name: "J-7", mm: 14.7, kind: "transparent", lightness: 60, ribbons: 2, paired: 0.8, bubble: 0, permission: refset.NotSaid, credit: "Secret Cellar"},
		{set: "jar", name: "J-8", mm: 15.3, kind: "opaque", lightness: 65, ribbons: 1, paired: 0.9, bubble: 1, permission: own, sure: 0.2},
		{set: "box", name: "B-1", mm: 15.0, kind: "opaque", lightness: 90, ribbons: 1, permission: own},
		{set: "box", name: "B-2", mm: 15.7, kind: "opaque", lightness: 92, ribbons: 1, permission: own},
		{set: "box", name: "B-3", mm: 16.4, kind: "opaque", lightness: 88, ribbons: 2, permission: own},
		{set: "box", name: "B-4", kind: "opaque", lightness: 91, ribbons: 1, permission: own},
		{set: "box", name: "B-5", mm: 17.0, kind: "opaque", lightness: 87, ribbons: 2, permission: own},
		{set: "box", name: "B-6", mm: 15.4, kind: "opaque", lightness: 93, ribbons: 1, permission: own},
	}
}

func edition(t testing.TB, list []made) *Edition {
	t.Helper()
	e, err := Make(source(t, list))
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// Counted by hand from twoSets.
func TestCounts(t *testing.T) {
	e := edition(t, twoSets())
	if e.Specimens != 14 || e.Photos != 4 || len(e.Sets) != 2 || e.Sets[0].Label != "box" || e.Number != 1 || e.Date != "2026-11-25" || e.Changes != nil {
		t.Fatalf("%d marbles, %d photos, sets %v, edition %d of %s", e.Specimens, e.Photos, e.Sets, e.Number, e.Date)
	}
	jar := e.set("jar")
	want := map[string]struct {
		of      int
		values  []Count
		missing []Count
	}{
		"base":           {7, []Count{{"clear", 4}, {"tinted", 2}, {"cloudy", 1}}, []Count{{unsure, 1}}},
		"ribbon-colours": {7, []Count{{"one", 2}, {"two", 4}, {"three or more", 1}}, []Count{{unsure, 1}}},
		"ribbon-groups":  {7, []Count{{"red", 7}}, []Count{{unsure, 1}}}, // both ribbons of each are red
		"paired":         {7, []Count{{"side by side", 5}, {"not", 2}}, []Count{{unsure, 1}}},
		"bubble":         {6, []Count{{"seen", 2}, {"none seen", 4}}, []Count{{"cloudy glass hides what lies inside", 1}, {unsure, 1}}},
		"size-class":     {8, []Count{{"player", 8}}, nil},
		"glow":           {2, []Count{{"no glow", 1}, {"vivid yellow green", 1}}, []Count{{"no photo under such light", 6}}},
	}
	for _, tr := range jar.Traits {
		w, ok := want[tr.Code]
		if !ok {
			t.Errorf("the trait %s was not counted by hand", tr.Code)
			continue
		}
		if tr.Of != w.of || !slices.Equal(tr.Values, w.values) || !slices.Equal(tr.Missing, w.missing) {
			t.Errorf("%s: of %d %v, missing %v; by hand of %d %v, missing %v", tr.Code, tr.Of, tr.Values, tr.Missing, w.of, w.values, w.missing)
		}
	}
	if len(jar.Traits) != len(want) {
		t.Errorf("%d traits, by hand %d", len(jar.Traits), len(want))
	}
	if !slices.Equal(jar.SizesMM, []float64{14.7, 15.1, 15.3, 15.5, 15.9, 16.2, 16.6, 17.3}) {
		t.Errorf("sizes %v", jar.SizesMM)
	}
	// 14.7 mm is 37.04/64 inch, 17.3 mm is 43.6/64; the fifth of eight is 15.9.
	if got := jar.sizes(); got != "14.7 to 17.3 mm, 37/64 to 11/16 inch; half of them are below 15.9 mm." {
		t.Error(got)
	}
	if got := e.set("box").sizes(); !strings.HasSuffix(got, "The size of 1 is not known.") {
		t.Error(got)
	}
	for _, r := range jar.Ranges {
		// Of fewer than twenty a usual range is all of them.
		if r.Feature == "base_lightness" && (r.N != 8 || r.Low != 58 || r.High != 65 || r.Text != "58 to 65" || r.AllLow != 58 || r.AllHigh != 93 || r.Off >= 0) {
			t.Errorf("base lightness %+v", r)
		}
	}
	if jar.Ranges[0].Feature != "base_lightness" {
		t.Errorf("the jar differs from the box most in %s, not in its lightness", jar.Ranges[0].Feature)
	}
	// The made marbles have a few features only.
	if k := len(e.Warnings) - 1; k != 0 || !strings.Contains(e.Warnings[0], "not compared by: translucency, ") || strings.Contains(e.Warnings[0], "by: diameter") {
		t.Errorf("warnings %q", e.Warnings)
	}
	// Two sets 27 apart in lightness, each within 7, are never confused.
	if e.Right != 14 || e.Tested != 14 || e.RightU95 == nil {
		t.Errorf("%d of %d", e.Right, e.Tested)
	}
	if len(jar.Lookalikes) != 1 || jar.Lookalikes[0].Label != "box" || jar.Lookalikes[0].TakenFor != 0 || jar.Lookalikes[0].Next != 8 {
		t.Fatalf("lookalikes %+v", jar.Lookalikes)
	}
	if d := jar.Lookalikes[0].Features[0]; d.Feature != "base_lightness" || d.Own != [2]float64{58, 65} || d.Theirs != [2]float64{87, 93} {
		t.Errorf("what tells them apart: %+v", d)
	}
}

// The lightest base first: by hand from twoSets, J-6 and J-7 not shown.
func TestOrder(t *testing.T) {
	jar := edition(t, twoSets()).set("jar")
	var names []string
	for i, m := range jar.shown() {
		names = append(names, m.Name)
		if m.Number != i+1 {
			t.Errorf("%s is number %d, not %d", m.Name, m.Number, i+1)
		}
	}
	if want := []string{"J-8", "J-2", "J-4", "J-1", "J-5", "J-3"}; !slices.Equal(names, want) {
		t.Errorf("%v, by hand %v", names, want)
	}
	if jar.Face < 0 || jar.Members[jar.Face].Number == 0 {
		t.Errorf("the face is %d", jar.Face)
	}
}

// What its owner does not let be shared is counted, and neither shown nor named
// anywhere.
func TestPermission(t *testing.T) {
	e := edition(t, twoSets())
	jar := e.set("jar")
	if len(jar.Members) != 8 || jar.Pictured() != 6 || jar.notShown(NoPermission) != 2 {
		t.Fatalf("%d marbles, %d shown, %d without permission", len(jar.Members), jar.Pictured(), jar.notShown(NoPermission))
	}
	const says = "2 more are counted but not shown: no permission to share."
	if !slices.Contains(jar.hidden(), says) {
		t.Errorf("%q", jar.hidden())
	}
	if want := []Credit{{"", refset.Own, 4}, {"Aunt Ada", refset.MayShare, 2}}; !slices.Equal(jar.Credits, want) {
		t.Errorf("credits %v", jar.Credits)
	}
	dir := t.TempDir()
	files, err := Write(dir, e)
	if err != nil {
		t.Fatal(err)
	}
	pictures := 0
	for _, f := range files {
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"J-6", "J-7", "Secret Cellar"} {
			if bytes.Contains(data, []byte(name)) {
				t.Errorf("%s holds %q", f, name)
			}
		}
		if strings.HasSuffix(f, ".jpg") {
			pictures++
			if ada := bytes.Contains(data, []byte("photo: Aunt Ada")); ada != (strings.HasSuffix(f, "jar-003.jpg") || strings.HasSuffix(f, "jar-006.jpg")) {
				t.Errorf("%s: Aunt Ada's credit %v", f, ada)
			}
		}
	}
	if pictures != 12 {
		t.Errorf("%d pictures, by hand 12", pictures)
	}
	page, err := os.ReadFile(filepath.Join(dir, "set-jar.html"))
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(page), says) {
		t.Errorf("the page does not say %q", says)
	}
	for _, p := range append(slices.Clone(refset.Permissions), refset.NotSaid) {
		list := twoSets()
		list[0].permission = p
		shown := false
		for _, m := range edition(t, list).set("jar").shown() {
			shown = shown || m.Name == "J-1"
		}
		if shown != p.AllowsSharing() {
			t.Errorf("%q: shown %v", p, shown)
		}
	}
}

// No file says where the photos lie.
func TestNoPaths(t *testing.T) {
	list := append(twoSets(), made{set: "tin", name: "T-1", mm: 15, kind: "opaque", lightness: 20, ribbons: 1, permission: refset.Own})
	list = append(list, list[0]) // so that both of the tin are in one photo
	list = append(list, made{set: "tin", name: "T-2", mm: 16, kind: "opaque", lightness: 22, ribbons: 1, permission: refset.Own})
	src := source(t, list)
	model := &classify.Model{Warnings: []string{"Set tin comes from a single photo (refs/tin/tin-0.jpg)", "Set jar is small"}}
	if got := warnings(model, src.Learned.Specimens()); !slices.Equal(got, []string{"Set jar is small"}) {
		t.Errorf("warnings %q", got)
	}
	e, err := Make(src)
	if err != nil {
		t.Fatal(err)
	}
	files, err := Write(t.TempDir(), e)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if data, err := os.ReadFile(f); err != nil || bytes.Contains(data, []byte("refs/")) {
			t.Errorf("%s names a photo's path, or %v", f, err)
		}
	}
	if w := e.set("tin").Warnings; len(w) != 2 || !strings.Contains(w[1], "one photo") {
		t.Errorf("warnings of a set of one photo: %q", w)
	}
}

// Two photos of one marble are one marble, shown by the one that may be shared.
func TestSeveralPhotos(t *testing.T) {
	list := twoSets()
	list[0].specimen, list[6].specimen = "S", "S" // J-1, own, and J-7, of which nothing is said
	list[6].bubble, list[6].sure = 0, 0.9         // less sure than J-1, which shows a bubble
	e := edition(t, list)
	jar := e.set("jar")
	if e.Specimens != 13 || len(jar.Members) != 7 || jar.Pictured() != 6 {
		t.Fatalf("%d in all, %d in the jar, %d shown", e.Specimens, len(jar.Members), jar.Pictured())
	}
	for _, m := range jar.Members {
		if m.Name == "J-1" && *m.DiameterMM != 14.9 { // of 15.1 and 14.7
			t.Errorf("its diameter is %g", *m.DiameterMM)
		}
	}
	for _, tr := range jar.Traits {
		if tr.Code == "bubble" && (tr.Values[0] != Count{"seen", 2} || tr.Of != 5) {
			t.Errorf("bubbles %v of %d", tr.Values, tr.Of)
		}
	}
}

func TestManyMarbles(t *testing.T) {
	var list []made
	for i := range 150 {
		list = append(list, made{set: "many", name: fmt.Sprint("M-", i), mm: 14 + float64(i%40)/10, kind: "opaque", lightness: 40 + float64(i)/4, ribbons: float64(1 + i%3), permission: refset.Own})
	}
	list = append(list, made{set: "few", name: "F-1", mm: 15, kind: "transparent", lightness: 95, ribbons: 1, permission: refset.Own},
		made{set: "few", name: "F-2", mm: 16, kind: "transparent", lightness: 97, ribbons: 1, permission: refset.Own})
	e := edition(t, list)
	many := e.set("many")
	suspects := many.notShown(Suspect)
	if many.Pictured() != mostPictured || many.notShown(EnoughOthers) != 150-mostPictured-suspects {
		t.Errorf("%d shown, %d left out, %d suspects", many.Pictured(), many.notShown(EnoughOthers), suspects)
	}
	// The lightest and the darkest are always among them.
	shown := many.shown()
	if first, last := shown[0], shown[len(shown)-1]; first.Name != "M-149" || last.Name != "M-0" {
		t.Errorf("from %s to %s", first.Name, last.Name)
	}
	figures, err := many.fetch()
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, p := range many.plates(figures) {
		if len(p.Figures) > onPlate || p.Unscaled {
			t.Errorf("a plate of %d, unscaled %v", len(p.Figures), p.Unscaled)
		}
		n += len(p.Figures)
	}
	if n != mostPictured {
		t.Errorf("%d on plates", n)
	}
	few := e.set("few")
	if len(few.Warnings) == 0 || !strings.Contains(few.Warnings[0], "only 2 marbles") {
		t.Errorf("warnings of a set of two: %q", few.Warnings)
	}
}

// An edition that is stored comes back the same, without pictures, and can't be
// drawn.
func TestStored(t *testing.T) {
	e := edition(t, twoSets())
	var buf, again bytes.Buffer
	if err := e.Encode(&buf); err != nil {
		t.Fatal(err)
	}
	text := buf.String()
	back, err := Read(&buf)
	if err != nil {
		t.Fatal(err)
	}
	if err := back.Encode(&again); err != nil {
		t.Fatal(err)
	}
	if again.String() != text {
		t.Error("it did not come back the same")
	}
	if c := Compare(back, e); !c.None() {
		t.Errorf("nothing changed, and yet: %q", c.Lines())
	}
	if _, err := WriteHTML(t.TempDir(), back); err == nil || !strings.Contains(err.Error(), "no picture") {
		t.Errorf("drawn without pictures: %v", err)
	}
	for _, wrong := range []string{"", "[]", "{}", `{"format": "something else"}`, text[:len(text)/2]} {
		if _, err := Read(strings.NewReader(wrong)); !errors.Is(err, ErrNoEdition) {
			t.Errorf("%.20q was read: %v", wrong, err)
		}
	}
	if _, err := Read(strings.NewReader(`{"format": "tawsight-guide", "version": 99}`)); err == nil || !strings.Contains(err.Error(), "newer") {
		t.Errorf("a newer form: %v", err)
	}
}
