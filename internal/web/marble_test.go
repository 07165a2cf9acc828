package web

import (
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tawsight/internal/collection"
	"tawsight/internal/desk"
	"tawsight/internal/intake"
)

// addSamples has sample photos measured, by their paths below samples/photos,
// and waits for it.
func addSamples(t *testing.T, d *desk.Desk, names ...string) {
	t.Helper()
	var paths []string
	for _, n := range names {
		paths = append(paths, filepath.Join("..", "..", "samples", "photos", filepath.FromSlash(n)))
	}
	i, err := d.At().Intake.AddFolder(t.Context(), "", paths, intake.By{})
	if err != nil {
		t.Fatal(err)
	}
	for begun := time.Now(); ; time.Sleep(100 * time.Millisecond) {
		now, err := d.At().Collection.Intake(t.Context(), i.ID)
		if err != nil {
			t.Fatal(err)
		}
		if now.Finished != "" {
			if now.Files[collection.FileDone] != len(names) {
				t.Fatalf("of %d photos %v", len(names), now.Files)
			}
			return
		}
		if time.Since(begun) > 3*time.Minute {
			t.Fatalf("measuring does not end: %v", now.Files)
		}
	}
}

// Every form of a marble's page does what it says, and undoing brings back what
// was.
func TestMarbleForms(t *testing.T) {
	s, d := atDesk(t)
	addSamples(t, d, "tray/tray-1.jpg", "tray/tray-2.jpg")
	c, ctx := d.At().Collection, t.Context()
	photos, err := c.Photos(ctx, 10, 0)
	if err != nil || len(photos) != 2 {
		t.Fatalf("%d photos: %v", len(photos), err)
	}
	first, err := c.Photo(ctx, photos[0].SHA256)
	if err != nil {
		t.Fatal(err)
	}
	second, err := c.Photo(ctx, photos[1].SHA256)
	if err != nil {
		t.Fatal(err)
	}
	a, b := first.Specimens[0], second.Specimens[0]
	at := "/marbles/" + a
	page := func() string { return answer(s, "GET", at, nil).Body.String() }

	// edit posts a form, follows where it leads, and gives the page and the edit.
	edit := func(path string, fields url.Values) (body, seq string) {
		t.Helper()
		w := postForm(s, at+path, fields)
		to, err := url.Parse(w.Header().Get("Location"))
		if w.Code != 303 || err != nil || to.Path != at {
			t.Fatalf("%s: status %d, leads to %q: %s", path, w.Code, to, w.Body)
		}
		return answer(s, "GET", to.String(), nil).Body.String(), to.Query().Get("done")
	}
	undo := func(seq string) {
		t.Helper()
		if w := postForm(s, "/undo", url.Values{"seq": {seq}, "back": {at}}); w.Code != 303 || !strings.HasPrefix(w.Header().Get("Location"), at+"?done=") {
			t.Fatalf("undoing: status %d, leads to %q: %s", w.Code, w.Header().Get("Location"), w.Body)
		}
	}
	const hostile = `<img src=x onerror=alert(1)> "quoted" & more`
	shown := "&lt;img src=x onerror=alert(1)&gt;"
	for _, one := range []struct {
		path   string
		fields url.Values
		shows  string
	}{
		{"/label", url.Values{"new_set": {"window-jar"}, "sure": {"likely"}, "evidence": {hostile}}, "window-jar, likely"},
		{"/label", url.Values{"set": {"open"}, "sure": {"guess"}}, "left undecided"},
		{"/condition", url.Values{"grade": {"near mint"}, "text": {"one chip at the cut-off " + hostile}}, "one chip at the cut-off " + shown},
		{"/note", url.Values{"text": {"bought in spring " + hostile}}, "bought in spring " + shown},
		{"/tags", url.Values{"tags": {"attic, to sell ,, attic"}}, `value="attic, to sell"`},
		{"/describe", url.Values{"name": {"The blue one"}, "provenance": {"the biscuit tin"}, "contributor": {"An uncle"}, "permission": {"ask first"}}, "The blue one"},
	} {
		before := page()
		body, seq := edit(one.path, one.fields)
		if !strings.Contains(body, one.shows) || !strings.Contains(body, ">Undo</button>") || strings.Contains(body, "<img src=x") {
			t.Errorf("%s %v: the page does not show %q, or a way to undo it, or shows what was written unescaped", one.path, one.fields, one.shows)
		}
		if strings.Contains(before, one.shows) {
			t.Errorf("%s: the page showed %q before", one.path, one.shows)
		}
		undo(seq)
		v, err := c.Specimen(ctx, a)
		if err != nil {
			t.Fatal(err)
		}
		if len(v.Labels)+len(v.Conditions)+len(v.Remarks)+len(v.Tags) > 0 || v.Name != "" || v.OwnPermission != "" {
			t.Errorf("%s: undoing leaves %+v", one.path, v)
		}
	}
	// A label says who gave it.
	edit("/label", url.Values{"new_set": {"window-jar"}, "sure": {"certain"}})
	if v, err := c.Specimen(ctx, a); err != nil || len(v.Labels) != 1 || v.Labels[0].Who != collection.UserName() {
		t.Errorf("who labelled: %+v, %v", v.Labels, err)
	}
	// What can't be is turned down, and changes nothing.
	edits, err := c.Edits(ctx, 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	for _, one := range []struct {
		about, path string
		fields      url.Values
		status      int
	}{
		{"no set", "/label", url.Values{"sure": {"certain"}}, 400},
		{"a set that isn't there", "/label", url.Values{"set": {"nonsense"}, "sure": {"certain"}}, 404},
		{"no certainty", "/label", url.Values{"new_set": {"jar"}}, 422},
		{"a set without letters", "/label", url.Values{"new_set": {"a\x00b"}, "sure": {"certain"}}, 422},
		{"too long a set", "/label", url.Values{"new_set": {strings.Repeat("a", 500)}, "sure": {"certain"}}, 422},
		{"an empty condition", "/condition", nil, 422},
		{"a grade of no list", "/condition", url.Values{"grade": {"perfect"}}, 422},
		{"an empty note", "/note", url.Values{"text": {"  "}}, 422},
		{"an unknown permission", "/describe", url.Values{"permission": {"whatever"}}, 422},
		{"joined to nothing", "/join", nil, 400},
		{"joined to itself", "/join", url.Values{"other": {a}}, 422},
		{"joined to its neighbour", "/join", url.Values{"other": {first.Specimens[1]}}, 422},
		{"parted from its only photo", "/part", url.Values{"sighting": {mustSpecimen(t, c, a).Sightings[0].ID}}, 422},
	} {
		if w := postForm(s, at+one.path, one.fields); w.Code != one.status {
			t.Errorf("%s: status %d, want %d", one.about, w.Code, one.status)
		}
	}
	if now, err := c.Edits(ctx, 0, 100); err != nil || len(now) != len(edits) {
		t.Errorf("what can't be done left %d edits (%v)", len(now)-len(edits), err)
	}
	// Two marbles made one, and one of them parted again.
	if body := answer(s, "GET", at+"/same?words="+url.QueryEscape(second.Name[:6]), nil).Body.String(); !strings.Contains(body, b) || strings.Contains(body, first.Specimens[1]) {
		t.Error("the choice of marbles lacks the other photo's, or offers a neighbour")
	}
	body, _ := edit("/join", url.Values{"other": {b}})
	if strings.Count(body, "This shows another marble") != 2 {
		t.Error("the joined marble does not have the photos of both")
	}
	if w := answer(s, "GET", "/marbles/"+b, nil); w.Code != 303 || w.Header().Get("Location") != at {
		t.Errorf("the other's page: status %d, leads to %q", w.Code, w.Header().Get("Location"))
	}
	for _, g := range mustSpecimen(t, c, a).Sightings {
		if g.Photo == second.SHA256 {
			edit("/part", url.Values{"sighting": {g.ID}})
		}
	}
	if n := len(mustSpecimen(t, c, a).Sightings); n != 1 {
		t.Errorf("parted, it has %d photos", n)
	}
	// The sheet is drawn once.
	if strings.Contains(page(), `src="/sheets/`) {
		t.Error("there is a sheet before anybody asked")
	}
	if w := answer(s, "GET", at+"/why", nil); w.Code != 200 {
		t.Errorf("why: status %d: %s", w.Code, w.Body)
	}
	figure := mustSpecimen(t, c, a).Sightings[0].FigureID
	if w := answer(s, "GET", "/sheets/"+figure, nil); w.Code != 200 || !strings.HasPrefix(w.Body.String(), "\x89PNG") {
		t.Errorf("the sheet: status %d", w.Code)
	}
	if !strings.Contains(page(), `src="/sheets/`+figure) {
		t.Error("the sheet is not on the page")
	}
	// Its photo gone, what can be shown is shown, and what can't is explained.
	if w := answer(s, "GET", "/photos/"+first.SHA256, nil); w.Code != 200 || strings.Count(w.Body.String(), "<ellipse") != 2*len(first.Specimens) {
		t.Errorf("the photo's page: status %d", w.Code)
	}
	for _, path := range []string{"/photos/" + first.SHA256 + "/picture", "/photos/" + first.SHA256 + "/picture?w=480", "/faces/" + figure, "/faces/" + figure + "?w=160"} {
		if w := answer(s, "GET", path, nil); w.Code != 200 || !strings.HasPrefix(w.Body.String(), "\xff\xd8") || !strings.Contains(w.Header().Get("Cache-Control"), "immutable") {
			t.Errorf("%s: status %d, %s", path, w.Code, w.Header().Get("Cache-Control"))
		}
	}
}

func mustSpecimen(t *testing.T, c *collection.Collection, id string) collection.Specimen {
	t.Helper()
	v, err := c.Specimen(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
