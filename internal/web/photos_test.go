package web_test

import (
	"encoding/base64"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/input"

	"tawsight/internal/desk"
	"tawsight/internal/web"
	"tawsight/internal/web/webtest"
)

// newDesk is a desk with a new collection, until the test ends.
func newDesk(t *testing.T) *desk.Desk {
	t.Helper()
	d, err := desk.Open(t.Context(), filepath.Join(t.TempDir(), "marbles.tawsight"), desk.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	})
	return d
}

// sample is the path of a committed sample photo.
func sample(t *testing.T, name string) string {
	t.Helper()
	path, err := filepath.Abs(filepath.Join("..", "..", "samples", "photos", filepath.FromSlash(name)))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(path); err != nil {
		t.Fatal(err)
	}
	return path
}

// copyTo copies files into a folder, under new names.
func copyTo(t *testing.T, from, to string) {
	t.Helper()
	b, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Dir(to), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, b, 0o666); err != nil {
		t.Fatal(err)
	}
}

// state counts the files of the intake's page that stand so.
func state(p *webtest.Page, class string) int {
	return webtest.Eval[int](p, fmt.Sprintf("document.querySelectorAll('[data-files] .file.%s').length", class))
}

// One visit as a collector makes it: photos chosen on a phone, watched, looked
// at, a marble labelled, the label taken back.
func TestFirstVisit(t *testing.T) {
	b := webtest.NewBrowser(t)
	_, base := serve(t, web.Config{Desk: newDesk(t)})
	p := b.Open(t, base, webtest.Look{Width: webtest.Phone})
	p.Visit("/")
	p.Fits()
	p.Axe()
	p.Shot("first-visit-390")

	folder := t.TempDir()
	broken := filepath.Join(folder, "broken.jpg")
	if err := os.WriteFile(broken, []byte("this is no photo"), 0o666); err != nil {
		t.Fatal(err)
	}
	text := filepath.Join(folder, "notes.txt")
	if err := os.WriteFile(text, []byte("bought in spring"), 0o666); err != nil {
		t.Fatal(err)
	}
	p.SetFiles("#files", sample(t, "tray/tray-1.jpg"), sample(t, "poor/out-of-focus.jpg"), broken, text)
	p.Await(`location.pathname.startsWith("/intakes/")`)
	p.Await(`document.querySelectorAll("[data-passed-list] li").length == 1`)
	if got := p.Text("[data-passed-list]"); !strings.Contains(got, "notes.txt") {
		t.Errorf("what was not taken: %q", got)
	}
	p.Await(`document.querySelectorAll("[data-files] .file.measured").length == 2 && document.querySelectorAll("[data-files] .file.failed").length == 1`)
	p.Await(`document.querySelector("[data-said]").textContent.startsWith("3 photos done")`)
	if got := p.Text("[data-files] .file.failed"); !strings.Contains(got, "broken.jpg") || !strings.Contains(got, "Not read") {
		t.Errorf("the broken file's entry: %q", got)
	}
	p.Fits()
	p.Axe()
	p.Shot("intake-390")

	// A reload shows the same.
	p.Visit(webtest.Eval[string](p, "location.pathname"))
	if m, f := state(p, "measured"), state(p, "failed"); m != 2 || f != 1 {
		t.Errorf("after a reload %d measured and %d failed", m, f)
	}
	if got := p.Text("[data-said]"); got != "3 photos done, 1 of them could not be read." {
		t.Errorf("after a reload: %q", got)
	}
	// The same photo again is said to be known.
	p.SetFiles("#files", sample(t, "tray/tray-1.jpg"))
	p.Await(`document.querySelector("[data-passed-list]").innerText.includes("in your collection already")`)

	for _, path := range []string{"/", "/photos", "/poor"} {
		p.Visit(path)
		p.Fits()
		p.Axe()
		p.Shot("with-photos" + strings.ReplaceAll(path, "/", "-") + "-390")
	}
	if got := p.Text("main"); !strings.Contains(got, "out-of-focus.jpg") {
		t.Errorf("the list of poor photos: %q", got)
	}

	// From the photo to a marble, by the keyboard.
	p.Visit("/photos")
	p.Visit(webtest.Eval[string](p, `[...document.querySelectorAll(".rows a")].find(a => a.textContent == "tray-1.jpg").pathname`))
	p.Fits()
	p.Axe()
	p.Shot("photo-390")
	n := webtest.Eval[int](p, `document.querySelectorAll(".outlines a").length`)
	if list := webtest.Eval[int](p, `document.querySelectorAll(".list li").length`); n < 5 || list != n {
		t.Errorf("%d outlines and %d marbles in the list", n, list)
	}
	webtest.Eval[any](p, `document.querySelector(".outlines a").focus(), null`)
	if got := webtest.Eval[string](p, `document.activeElement.getAttribute("aria-label")`); !strings.HasPrefix(got, "Marble 1: ") || !strings.Contains(got, "mm") {
		t.Errorf("the outline is called %q", got)
	}
	p.Press("\r")
	p.Await(`location.pathname.startsWith("/marbles/")`)
	marble := webtest.Eval[string](p, "location.pathname")
	p.Fits()
	p.Axe()
	p.Shot("marble-390")

	// A label, and taking it back.
	webtest.Eval[any](p, `document.querySelector("#new-set").value = "window-jar", document.querySelector("#evidence").value = "from the jar on the sill", document.querySelector("[name=sure][value=certain]").checked = true, null`)
	p.Click("form[action$='/label'] button")
	p.Await(`document.querySelector(".notice.done")`)
	if got := p.Text(".notice.done"); !strings.Contains(got, "labelled window-jar, certain") {
		t.Errorf("after labelling: %q", got)
	}
	if got := p.Text(".labels"); !strings.Contains(got, "window-jar, certain") || !strings.Contains(got, "from the jar on the sill") {
		t.Errorf("the label: %q", got)
	}
	p.Axe()
	p.Shot("marble-labelled-390")
	p.Click(".notice.done button")
	p.Await(`document.querySelector(".notice.done")?.innerText.startsWith("Undone")`)
	if got := webtest.Eval[int](p, `document.querySelectorAll(".labels li").length`); got != 0 {
		t.Errorf("after undoing there are %d labels", got)
	}
	if at := webtest.Eval[string](p, "location.pathname"); at != marble {
		t.Errorf("undoing leads to %s", at)
	}

	// Why these numbers.
	p.Visit(marble + "/why")
	p.Await(`document.querySelector("main img").naturalWidth > 500`)
	p.Fits()
	p.Axe()
	p.Shot("why-390")
	p.Visit(marble + "/same")
	p.Fits()
	p.Axe()
	p.Shot("same-390")
}

// What a phone shows must be right on a desk too, light and dark.
func TestPagesWithPhotos(t *testing.T) {
	b := webtest.NewBrowser(t)
	_, base := serve(t, web.Config{Desk: newDesk(t)})
	p := b.Open(t, base, webtest.Look{Width: webtest.Desk})
	p.Visit("/")

	// A folder with a folder in it, dropped as a file manager does.
	folder := filepath.Join(t.TempDir(), "attic")
	copyTo(t, sample(t, "tray/tray-2.jpg"), filepath.Join(folder, "first", "tray.jpg"))
	copyTo(t, sample(t, "poor/no-card.jpg"), filepath.Join(folder, "second", "ünder the roof.JPG"))
	for _, kind := range []input.DispatchDragEventType{"dragEnter", "dragOver", "drop"} {
		p.Drag(kind, 640, 300, folder)
	}
	p.Await(`document.querySelectorAll("[data-files] .file.measured").length == 2`)
	if got := p.Text("[data-files]"); !strings.Contains(got, "attic/first/tray.jpg") || !strings.Contains(got, "attic/second/ünder the roof.JPG") {
		t.Errorf("dropped: %q", got)
	}
	// One more, dropped by a script onto the same page.
	photo, err := os.ReadFile(sample(t, "poor/colour-cast.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	content, _ := json.Marshal(base64.StdEncoding.EncodeToString(photo))
	webtest.Eval[any](p, `(() => {
		const bytes = Uint8Array.from(atob(`+string(content)+`), c => c.charCodeAt(0));
		const data = new DataTransfer();
		data.items.add(new File([bytes], "lamp.jpg", {type: "image/jpeg"}));
		document.body.dispatchEvent(new DragEvent("drop", {dataTransfer: data, bubbles: true, cancelable: true}));
		return null; })()`)
	p.Await(`document.querySelectorAll("[data-files] .file.measured").length == 3`)
	p.Await(`document.querySelector("[data-said]").textContent.startsWith("3 photos done")`)
	intake := webtest.Eval[string](p, "location.pathname")

	// What the browser can't read of a folder is named, and does not keep the rest.
	lost := `(async () => {
		const no = (ok, no) => no(new DOMException("it may not be read"));
		const folder = { fullPath: "/cellar", some: [
			{ fullPath: "/cellar/shut.jpg", file: no },
			{ fullPath: "/cellar/locked", isDirectory: true, createReader: () => ({ readEntries: no }) },
			{ fullPath: "/cellar/list.txt", file: (ok) => ok(new File(["x"], "list.txt")) },
		] };
		folder.createReader = () => ({ readEntries: (ok) => ok(folder.some.splice(0)) });
		const found = [];
		await walk(folder, found);
		await add(document.querySelector("form[data-add]"), found);
		return document.querySelector("[data-passed-list], [data-complaint]").textContent;
	})()`
	for _, want := range []string{"cellar/shut.jpg", "cellar/locked", "could not read", "cellar/list.txt"} {
		if got := webtest.Eval[string](p, lost); !strings.Contains(got, want) {
			t.Errorf("of a folder that can't be read in parts it is said: %q", got)
		}
	}
	p.Visit("/")
	if got := webtest.Eval[string](p, lost); !strings.Contains(got, "could not read cellar/shut.jpg and 1 more") {
		t.Errorf("where no photo was left it is said: %q", got)
	}

	p.Visit("/photos")
	tray := webtest.Eval[string](p, `[...document.querySelectorAll(".rows a")].find(a => a.textContent.endsWith("tray.jpg")).pathname`)
	p.Visit(tray)
	marble := webtest.Eval[string](p, `new URL(document.querySelector(".list a").href).pathname`)
	for _, look := range []webtest.Look{{Width: webtest.Desk}, {Width: webtest.Desk, Dark: true}, {Width: webtest.Phone, Dark: true}} {
		t.Run(look.Name(), func(t *testing.T) {
			p := b.Open(t, base, look)
			for name, path := range map[string]string{"start": "/", "intake": intake, "photos": "/photos", "photo": tray, "poor": "/poor", "marble": marble, "same": marble + "/same"} {
				p.Visit(path)
				p.Fits()
				p.Axe()
				p.Shot("desk-" + name + "-" + look.Name())
			}
		})
	}
}
