package web_test

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"maps"
	"math"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"tawsight/internal/collection"
	"tawsight/internal/guide"
	"tawsight/internal/web/webtest"
)

// Every page, wide and light and narrow and dark: nothing sticks out, nothing
// grave by WCAG, no fault on the console, no request elsewhere.
func TestCollectionPages(t *testing.T) {
	c, base := serveMade(t)
	b := webtest.NewBrowser(t)
	rows := find(t, c, collection.Filter{Sort: collection.BySize, Reverse: true, Limit: 5})
	compare := "/compare?s=" + setNamed(t, c, milk).ID
	for _, r := range rows {
		compare += "&m=" + r.ID
	}
	pages := []struct{ name, path, await string }{
		{"marbles", "/marbles", ""},
		{"marbles-colour", "/marbles?by=colour&colour=%23a83529&near=14", ""},
		{"undecided", "/doubtful", ""},
		{"undecided-none", "/doubtful?in=left-open", ""},
		{"compare-empty", "/compare", ""},
		{"compare", compare, ""},
		{"sets", "/sets", ""},
		{"set", "/sets/" + setNamed(t, c, amber).ID, `!document.querySelector("[data-wait]")`},
		{"history", "/history", ""},
		{"opinions", "/opinions", ""},
		{"people", "/people", ""},
		{"guide", "/guide", ""},
	}
	for _, look := range []webtest.Look{{Width: webtest.Desk}, {Width: webtest.Phone, Dark: true}} {
		p := b.Open(t, base, look)
		for _, at := range pages {
			t.Run(at.name+"-"+look.Name(), func(t *testing.T) {
				p.Visit(at.path)
				if at.await != "" {
					p.Await(at.await)
				}
				// What can be opened is checked opened.
				webtest.Eval[int](p, `(document.querySelectorAll("details").forEach(d => d.open = true), 0)`)
				p.Fits()
				p.Axe()
				p.Shot(at.name + "-" + look.Name())
			})
		}
	}
}

// Faces of a page are drawn to one scale, on the screen and printed; printed, to
// life size.
func TestOneScale(t *testing.T) {
	_, base := serveMade(t)
	b := webtest.NewBrowser(t)
	p := b.Open(t, base, webtest.Look{Width: webtest.Phone})
	p.Visit("/marbles")
	// A face's viewBox is in millimetres.
	const scales = `[...document.querySelectorAll("svg.face")].map(f => f.getBoundingClientRect().width / f.viewBox.baseVal.width)`
	check := func(what string, want float64) {
		all := webtest.Eval[[]float64](p, scales)
		if len(all) < 40 {
			t.Fatalf("%s: only %d faces", what, len(all))
		}
		for _, s := range all {
			if math.Abs(s-want) > 0.01*want {
				t.Errorf("%s: a face has %.4f px a mm, not %.4f", what, s, want)
				return
			}
		}
	}
	check("on the screen", 4)
	if _, err := chromedp.Call(p.Ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}); err != nil {
		t.Fatal(err)
	}
	check("printed", 96/25.4) // CSS px in a mm (W3C, CSS Values and Units 4, 6.2)
	if got := webtest.Eval[string](p, `getComputedStyle(document.querySelector(".find")).display`); got != "none" {
		t.Errorf("the search is printed too: display %s", got)
	}
}

// A doubtful marble is decided, undone, named otherwise, left open and noted on
// by keys alone.
func TestDecideByKeyboard(t *testing.T) {
	c, base := serveMade(t)
	b := webtest.NewBrowser(t)
	p := b.Open(t, base, webtest.Look{Width: webtest.Desk})
	queue := find(t, c, collection.Filter{States: []collection.State{collection.Doubtful}, Sort: collection.ByDoubt})
	n := len(queue)
	p.Visit("/doubtful?in=doubtful")
	first := queue[0]
	title := func(i int) string {
		return fmt.Sprintf(`document.getElementById("one-heading").innerText.includes(%q)`, queue[i].Title)
	}
	p.Await(title(0))
	if got := p.Text("#position"); got != fmt.Sprintf("1 of %d", n) {
		t.Errorf("the position is %q", got)
	}

	p.Press("n")
	p.Await(title(1))
	p.Press("p")
	p.Await(title(0))
	p.Press("g")
	p.Press("2") // the second set, as a guess
	p.Await(title(1))
	s := one(t, c, first.ID)
	if len(s.Labels) != 1 || s.Labels[0].SetID != first.NextSetID || s.Labels[0].Sure != collection.Guess {
		t.Fatalf("the labels are %+v", s.Labels)
	}
	if l := s.Labels[0]; l.Opinion == nil || !strings.Contains(l.Evidence, "The comparison said: between "+first.OpinionSet) || !strings.Contains(l.Evidence, "speaks for") {
		t.Errorf("it rests on %q; opinion %v", l.Evidence, l.Opinion)
	}
	if got := p.Text("#position"); got != fmt.Sprintf("1 of %d", n-1) {
		t.Errorf("after deciding the position is %q", got)
	}
	if got := webtest.Eval[string](p, `document.activeElement.id`); got != "one-heading" {
		t.Errorf("after deciding the focus is on %q", got)
	}
	if got := webtest.Eval[string](p, `document.getElementById("said").textContent`); !strings.Contains(got, "labelled "+first.NextSet) || !strings.Contains(got, queue[1].Title) {
		t.Errorf("who listens hears %q", got)
	}

	p.Press("z")
	p.Await(title(0))
	if s := one(t, c, first.ID); len(s.Labels) != 0 {
		t.Errorf("undone, it still has the labels %+v", s.Labels)
	}

	press(t, p, "s")
	p.Await(`document.activeElement.id == "other"`)
	p.Press("nut brown\r") // keys write here
	p.Await(title(1))
	if s := one(t, c, first.ID); len(s.Labels) != 1 || s.Labels[0].Set != "nut brown" || s.Labels[0].Sure != collection.Likely {
		t.Errorf("named otherwise, its labels are %+v", s.Labels)
	}

	press(t, p, "m")
	p.Await(`document.activeElement.id == "note"`)
	p.Press("seen by lamplight")
	p.Press("\x1b")
	p.Await(`document.activeElement.id == "one-heading"`)
	webtest.Eval[int](p, `(document.querySelector('form[aria-label="Note"] button').click(), 0)`)
	p.Await(`document.querySelector(".notice.done")?.innerText.includes("note") && document.getElementById("note").value == ""`)
	if s := one(t, c, queue[1].ID); len(s.Remarks) != 1 || s.Remarks[0].Text != "seen by lamplight" {
		t.Errorf("its notes are %+v", s.Remarks)
	}

	p.Press("u")
	p.Await(`!document.getElementById("one-heading").innerText.includes(` + fmt.Sprintf("%q", queue[1].Title) + `)`)
	if s := one(t, c, queue[1].ID); s.Row.State != collection.LeftOpen {
		t.Errorf("left undecided, it stands as %s", s.Row.State)
	}

	p.Press("?")
	p.Await(`document.getElementById("keys").open`)
	p.Press("\x1b")
	p.Await(`!document.getElementById("keys").open`)
	before := p.Text("#position")
	webtest.Eval[int](p, `(document.getElementById("keys-on").click(), document.getElementById("one-heading")?.focus(), 0)`)
	p.Press("1")
	p.Visit("/doubtful?in=undecided")
	if on := webtest.Eval[bool](p, `document.getElementById("keys-on").checked`); on {
		t.Error("that keys are off is not remembered")
	}
	p.Press("1")
	p.Visit("/doubtful?in=doubtful")
	if got := p.Text("#position"); got != before {
		t.Errorf("with keys off the position went from %q to %q", before, got)
	}
	if got := find(t, c, collection.Filter{States: []collection.State{collection.Labelled}}); len(got) != 3*perSet+1 {
		t.Errorf("%d are labelled", len(got))
	}
}

// press is one key as a keyboard sends it: what the page does with the key going
// down can keep it from writing. Page.Press sends the writing by itself.
func press(t *testing.T, p *webtest.Page, key string) {
	t.Helper()
	for _, kind := range []input.DispatchKeyEventType{input.DispatchKeyEventTypeKeyDown, input.DispatchKeyEventTypeKeyUp} {
		e := input.DispatchKeyEventParams{Type: kind, Key: key}
		if kind == input.DispatchKeyEventTypeKeyDown {
			e.Text = key
		}
		if _, err := chromedp.Call(p.Ctx, input.DispatchKeyEvent, e); err != nil {
			t.Fatal(err)
		}
	}
}

// Without a script everything is a link or a button all the same.
func TestWithoutScript(t *testing.T) {
	c, base := serveMade(t)
	b := webtest.NewBrowser(t)
	p := b.Open(t, base, webtest.Look{Width: webtest.Phone, NoScript: true})
	queue := find(t, c, collection.Filter{States: []collection.State{collection.Doubtful}, Sort: collection.ByDoubt})
	p.Visit("/doubtful?in=doubtful")
	p.Click(`#decide button[name=act]`)
	p.Await(`document.querySelector(".notice.done")?.innerText.includes("labelled")`)
	if s := one(t, c, queue[0].ID); len(s.Labels) != 1 || s.Labels[0].SetID != queue[0].OpinionSetID {
		t.Errorf("its labels are %+v", s.Labels)
	}
	p.Click(`.notice.done button`)
	p.Await(`document.querySelector(".notice.done")?.innerText.startsWith("Undone")`)
	if s := one(t, c, queue[0].ID); len(s.Labels) != 0 {
		t.Errorf("undone, its labels are %+v", s.Labels)
	}
	p.Visit("/opinions")
	p.Click(`form[action="/opinions/preview"] button`)
	p.Await(`document.querySelector("#preview progress, #preview h2")`)
}

// A click on one of the collection's colours lists what has it.
func TestFilterByColour(t *testing.T) {
	c, base := serveMade(t)
	b := webtest.NewBrowser(t)
	p := b.Open(t, base, webtest.Look{Width: webtest.Desk})
	p.Visit("/marbles")
	p.Click(`.swatch-row a[title*="blue"]`)
	p.Await(`location.search.includes("colour=")`)
	want := find(t, c, collection.Filter{Colour: &collection.ColourNear{Lab: labOfHex("#1f4e9a"), DE00: 12}})
	if len(want) != 1 {
		t.Fatalf("%d marbles are blue", len(want))
	}
	if got := webtest.Eval[[]string](p, `[...document.querySelectorAll("input[name=m]")].map(i => i.value)`); len(got) != 1 || got[0] != want[0].ID {
		t.Errorf("listed are %v, not %s alone", got, want[0].ID)
	}
	if got := p.Text("#results"); !strings.HasPrefix(got, fmt.Sprintf("1 of %d marbles", 3*perSet+7)) {
		t.Errorf("the count is %q", got)
	}
	// Picked by hand, with words beside: ticking is the colour field's own doing.
	p.Visit("/marbles")
	webtest.Eval[int](p, `(() => { document.querySelector(".find details").open = true; const f = document.querySelector("input[type=color]"); f.value = "#a83529";
		f.dispatchEvent(new Event("input", {bubbles: true})); document.querySelector(".find-line button").click(); return 0; })()`)
	p.Await(`location.search.includes("by=colour")`)
	want = find(t, c, collection.Filter{Colour: &collection.ColourNear{Lab: labOfHex("#a83529"), DE00: 12}})
	if got := webtest.Eval[int](p, `document.querySelectorAll("input[name=m]").length`); got != len(want) || got < perSet {
		t.Errorf("%d are red by the page, %d by the collection", got, len(want))
	}
}

// Two marbles are ticked, compared, laid over one another and looked at nearer.
func TestCompareTwo(t *testing.T) {
	_, base := serveMade(t)
	b := webtest.NewBrowser(t)
	p := b.Open(t, base, webtest.Look{Width: webtest.Desk})
	p.Visit("/marbles?sort=size&order=back")
	webtest.Eval[int](p, `(() => { const all = document.querySelectorAll("input[name=m]"); all[0].click(); all[1].click(); document.querySelector(".bulk").open = true; return 0; })()`)
	if got := p.Text("#how-many"); got != "(2)" {
		t.Errorf("the page counts %q", got)
	}
	p.Click(`button[formaction="/marbles/compare"]`)
	p.Await(`location.pathname == "/compare" && document.querySelectorAll("#faces .face").length == 2`)

	p.Do(chromedp.Focus(chromedp.CSS("#wipe-at")))
	const share = `document.getElementById("wipe-rect").x.baseVal.value / document.querySelector(".wiped").viewBox.baseVal.width`
	if got := webtest.Eval[float64](p, share); math.Abs(got-0.5) > 0.001 {
		t.Errorf("the slider begins at %g", got)
	}
	for range 3 {
		p.Press(kb.ArrowRight)
	}
	if got := webtest.Eval[float64](p, share); math.Abs(got-0.53) > 0.001 {
		t.Errorf("three steps to the right it is at %g", got)
	}
	webtest.Eval[int](p, `(() => { const f = document.querySelector(".wiped"), r = f.getBoundingClientRect();
		f.setPointerCapture = () => 0; f.dispatchEvent(new PointerEvent("pointerdown", {clientX: r.left + r.width * 0.2, clientY: r.top + 5, bubbles: true})); return 0; })()`)
	if got := webtest.Eval[float64](p, share); math.Abs(got-0.2) > 0.02 {
		t.Errorf("pointed at a fifth it is at %g", got)
	}

	const shown = `[...document.querySelectorAll("#faces .face")].map(f => f.getBoundingClientRect().width / f.viewBox.baseVal.width)`
	before := webtest.Eval[[]float64](p, shown)
	p.Do(chromedp.Focus(chromedp.CSS(`[data-zoom="in"]`)))
	p.Press("\r")
	p.Press("\r")
	after := webtest.Eval[[]float64](p, shown)
	for i := range after {
		if r := after[i] / before[i]; math.Abs(r-1.5625) > 0.01 { // 1.25 twice
			t.Errorf("face %d was brought %g times nearer", i, r)
		}
	}
	if math.Abs(after[0]-after[1]) > 0.01*after[0] {
		t.Errorf("zoomed, the scales are %v", after)
	}
}

// A set is split, undone, and merged with another, undone too.
func TestSplitAndMerge(t *testing.T) {
	c, base := serveMade(t)
	b := webtest.NewBrowser(t)
	p := b.Open(t, base, webtest.Look{Width: webtest.Phone})
	set := setNamed(t, c, amber)
	p.Visit("/sets/" + set.ID)
	webtest.Eval[int](p, `(() => { const all = document.querySelectorAll("input[name=m]"); for (const i of [0, 1, 2]) all[i].click();
		document.querySelector(".bulk").open = true; document.getElementById("split-name").value = "dark twist"; document.querySelector("button[value=split]").click(); return 0; })()`)
	p.Await(`document.querySelector("h1")?.innerText == "dark twist"`)
	if got := setNamed(t, c, "dark twist"); got.Members != 3 {
		t.Errorf("the new set has %d marbles", got.Members)
	}
	if got := setNamed(t, c, amber); got.Members != perSet-3 {
		t.Errorf("the old set keeps %d", got.Members)
	}
	p.Click(".notice.done button")
	// The set that was shown is gone with the undo.
	p.Await(`location.pathname == "/sets" && document.querySelector(".notice.done")?.innerText.startsWith("Undone")`)
	if got := setNamed(t, c, amber); got.Members != perSet {
		t.Errorf("undone, the old set has %d", got.Members)
	}

	p.Visit("/sets/" + set.ID)
	other := setNamed(t, c, honey)
	p.Do(chromedp.SetValue(chromedp.CSS("#into"), other.ID))
	p.Click(`form[action$="/merge"] button`)
	p.Await(`document.querySelector("h1")?.innerText == "` + honey + `"`)
	if got := setNamed(t, c, honey); got.Members != 2*perSet {
		t.Errorf("merged, it has %d", got.Members)
	}
	p.Visit("/history")
	p.Click("#journal button")
	p.Await(`document.querySelector(".notice.done")?.innerText.startsWith("Undone")`)
	if got := setNamed(t, c, amber); got.ID != set.ID || got.Members != perSet {
		t.Errorf("undone, it has %d", got.Members)
	}
}

// What comparing anew would change is shown first, and written when asked.
func TestCompareAnew(t *testing.T) {
	c, base := serveMade(t)
	ctx := context.Background()
	b := webtest.NewBrowser(t)
	p := b.Open(t, base, webtest.Look{Width: webtest.Desk})
	queue := find(t, c, collection.Filter{States: []collection.State{collection.Doubtful}})
	var ids []string
	for _, r := range queue {
		ids = append(ids, r.ID)
	}
	if _, err := c.Decide(ctx, "Robin", collection.Decision{SetName: "between twist", Sure: collection.Certain}, ids...); err != nil {
		t.Fatal(err)
	}
	old, _, err := c.EditionInForce(ctx)
	if err != nil {
		t.Fatal(err)
	}
	p.Visit("/opinions")
	if got := p.Text("#preview"); !strings.Contains(got, "something new to learn") {
		t.Errorf("the page says %q", got)
	}
	p.Click(`form[action="/opinions/preview"] button`)
	p.Await(`document.querySelector('form[action="/opinions/take"]') != null`)
	p.Axe()
	p.Shot("opinions-preview")
	if got := p.Text("#preview"); !strings.Contains(got, "between twist") {
		t.Errorf("the preview does not tell of the new set: %q", got)
	}
	if e, _, _ := c.EditionInForce(ctx); e.ID != old.ID {
		t.Error("something was written before it was asked for")
	}
	p.Click(`form[action="/opinions/take"] button`)
	p.Await(`document.querySelector(".notice.done")?.innerText.includes("Compared anew with 4 sets")`)
	now, _, err := c.EditionInForce(ctx)
	if err != nil || now.ID == old.ID {
		t.Fatalf("the edition in force is %s, %v", now.ID, err)
	}
	p.Click(".notice.done button")
	p.Await(`document.querySelector(".notice.done")?.innerText.startsWith("Undone")`)
	if e, _, _ := c.EditionInForce(ctx); e.ID != old.ID {
		t.Errorf("undone, %s is in force, not %s", e.ID, old.ID)
	}
}

// fetched is what an address answers with, by the browser's own fetch.
func fetched(t *testing.T, base, path string) (body []byte, h http.Header) {
	t.Helper()
	r, err := http.Get(base + path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	if body, err = io.ReadAll(r.Body); err != nil {
		t.Fatal(err)
	}
	if r.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s\n%s", path, r.Status, body)
	}
	return body, r.Header
}

// unzipped are the files of an archive by name.
func unzipped(t *testing.T, b []byte) map[string][]byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]byte{}
	for _, f := range z.File {
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		if out[f.Name], err = io.ReadAll(in); err != nil {
			t.Fatal(err)
		}
		in.Close()
	}
	return out
}

// What a list shows is exported, and nothing else; and the whole collection.
func TestExport(t *testing.T) {
	c, base := serveMade(t)
	rows := func(b []byte) [][]string {
		all, err := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(b, []byte("\ufeff")))).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		return all[1:]
	}
	body, h := fetched(t, base, "/export/marbles.zip?set="+setNamed(t, c, amber).ID)
	if got := h.Get("Content-Disposition"); !strings.HasPrefix(got, "attachment") {
		t.Errorf("it is no download: %q", got)
	}
	if got := rows(unzipped(t, body)[collection.MarblesCSV]); len(got) != perSet {
		t.Errorf("of %d marbles of the set %d are exported", perSet, len(got))
	}
	blue := find(t, c, collection.Filter{Colour: &collection.ColourNear{Lab: labOfHex("#1f4e9a"), DE00: 12}})
	form := url.Values{"m": {blue[0].ID}}
	r, err := http.NewRequest("POST", base+"/marbles/export", strings.NewReader(form.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", base)
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	if body, err = io.ReadAll(answer.Body); err != nil {
		t.Fatal(err)
	}
	if got := rows(unzipped(t, body)[collection.MarblesCSV]); len(got) != 1 || !slices.Contains(got[0], blue[0].ID) {
		t.Errorf("ticked alone, %v is exported", got)
	}
	body, _ = fetched(t, base, "/export/collection.jsonl?pictures=no")
	if n := bytes.Count(body, []byte("\n")); n < 3*perSet || !bytes.Contains(body, []byte(blue[0].ID)) {
		t.Errorf("the whole collection has %d lines", n)
	}
}

// The guide is made beside the collection, looked at and taken along; nothing
// else of that folder's surroundings can be had.
func TestGuidePage(t *testing.T) {
	c, base := serveMade(t)
	b := webtest.NewBrowser(t)
	p := b.Open(t, base, webtest.Look{Width: webtest.Desk})
	p.Visit("/guide")
	p.Do(chromedp.SetValue(chromedp.CSS("#title"), "Robin's three sets"))
	p.Click(`form[action="/guide"] button`)
	p.Await(`document.getElementById("made")?.innerText.includes("Robin")`)
	p.Axe()
	p.Shot("guide-made")
	p.Visit("/guide/files/")
	p.Fits()
	p.Shot("guide-opened")
	if got := p.Text("h1"); !strings.Contains(got, "Robin's three sets") {
		t.Errorf("the guide is headed %q", got)
	}
	if loaded := webtest.Eval[bool](p, `(() => { const all = [...document.images]; all.forEach(i => i.loading = "eager"); return Promise.all(all.map(i => i.decode().then(() => 1, () => 0))).then(a => a.length > 0 && a.every(x => x)); })()`); !loaded {
		t.Error("the guide shows no pictures")
	}
	body, _ := fetched(t, base, "/guide/guide.zip")
	files := unzipped(t, body)
	if len(files["guide/"+guide.IndexName]) == 0 || !bytes.HasPrefix(files["guide/"+guide.PDFName], []byte("%PDF")) {
		t.Errorf("the archive holds %v", slices.Sorted(maps.Keys(files)))
	}
	name := filepath.Base(c.Path())
	for _, path := range []string{"/guide/files/..%2f" + name, "/guide/files/%2e%2e/" + name, "/guide/files/" + guide.EditionName, "/guide/files/none.html"} {
		r, err := http.Get(base + path)
		if err != nil {
			t.Fatal(err)
		}
		r.Body.Close()
		if r.StatusCode != http.StatusNotFound {
			t.Errorf("%s: %s", path, r.Status)
		}
	}
}
