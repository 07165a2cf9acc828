// Package webtest looks at a served page with a real browser, for tests:
// Debian's Chromium, driven over its debugging protocol, and axe-core, which
// checks a page against WCAG. scripts/browser.sh installs both. A test that
// finds neither skips and says so; with TAWSIGHT_CI=1 it fails.
//
// Every page opened is watched: a message of error on its console, an exception
// in a script, an answer of status 400 or more and a request to any other server
// fail the test. With TAWSIGHT_SCREENS set, Shot leaves pictures in out/screens.
package webtest

import (
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	cdpruntime "github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// Widths that every page is looked at in, CSS pixels.
const (
	Phone = 390
	Desk  = 1280
)

// patience is how long one step may take; machines that test are slow.
const patience = 60 * time.Second

// Browser is one Chromium with a fresh profile.
type Browser struct {
	t    testing.TB
	ctx  context.Context
	root string // of the project
	axe  string // its source
}

// Page is one tab, looking at one server.
type Page struct {
	// Ctx is for chromedp's own actions.
	Ctx context.Context

	t      testing.TB
	b      *Browser
	origin string // scheme://host:port of the server

	mu      sync.Mutex
	faults  []string
	allowed []string
}

// NewBrowser starts a browser that ends with the test.
func NewBrowser(t testing.TB) *Browser {
	t.Helper()
	root := projectRoot(t)
	program, err := chromium()
	var axe []byte
	if err == nil {
		axe, err = os.ReadFile(filepath.Join(root, "out", "npm", "node_modules", "axe-core", "axe.min.js"))
	}
	if err != nil {
		why := fmt.Sprintf("no browser to look at pages with (run scripts/browser.sh): %v", err)
		if os.Getenv("TAWSIGHT_CI") == "1" {
			t.Fatal(why)
		}
		t.Skip(why)
	}
	options := []chromedp.ExecAllocatorOption{
		chromedp.ExecPath(program),
		chromedp.UserDataDir(t.TempDir()),
		chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck, chromedp.Headless, chromedp.DisableGPU,
		chromedp.WSURLReadTimeout(patience),
		chromedp.Env("LC_ALL=C.UTF-8"), // or it can't read files whose names are not ASCII
	}
	for _, f := range []string{"disable-background-networking", "disable-component-update", "disable-default-apps",
		"disable-dev-shm-usage", "disable-extensions", "disable-quic", "disable-sync", "hide-scrollbars", "mute-audio"} {
		options = append(options, chromedp.Flag(f, true))
	}
	if os.Geteuid() == 0 { // Chromium's sandbox refuses the superuser
		options = append(options, chromedp.NoSandbox)
	}
	alloc, endAlloc := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, end := chromedp.NewContext(alloc, chromedp.WithErrorf(func(string, ...any) {}))
	t.Cleanup(func() {
		_ = chromedp.Cancel(ctx)
		end()
		endAlloc()
	})
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("the browser does not start: %v", err)
	}
	return &Browser{t: t, ctx: ctx, root: root, axe: string(axe)}
}

func chromium() (string, error) {
	if p := os.Getenv("TAWSIGHT_CHROMIUM"); p != "" {
		return p, nil
	}
	for _, n := range []string{"chromium", "chromium-browser"} {
		if p, err := exec.LookPath(n); err == nil {
			return p, nil
		}
	}
	return "", fmt.Errorf("chromium is not installed")
}

// projectRoot is the folder that holds go.mod.
func projectRoot(t testing.TB) string {
	_, here, _, _ := runtime.Caller(0)
	root := filepath.Join(filepath.Dir(here), "..", "..", "..")
	if _, err := os.Stat(filepath.Join(root, "go.mod")); err != nil {
		t.Fatalf("the project's folder is not where it should be: %v", err)
	}
	return root
}

// Look says how a page is looked at.
type Look struct {
	Width  int // CSS pixels
	Height int // 0 for one that fits the width
	Dark   bool
	// NoScript switches JavaScript off.
	NoScript bool
}

// Open opens a tab for the server at base ("http://127.0.0.1:1234"). When the
// test t ends, all that was wrong fails it.
func (b *Browser) Open(t testing.TB, base string, look Look) *Page {
	t.Helper()
	u, err := url.Parse(base)
	if err != nil {
		t.Fatal(err)
	}
	p := &Page{t: t, b: b, origin: u.Scheme + "://" + u.Host}
	ctx, end := chromedp.NewContext(b.ctx, chromedp.WithListener(p.watch))
	p.Ctx = ctx
	t.Cleanup(func() {
		end()
		p.mu.Lock()
		defer p.mu.Unlock()
		for _, f := range p.faults {
			t.Errorf("in the browser: %s", f)
		}
	})
	height := look.Height
	if height == 0 {
		height = 800
		if look.Width <= 480 {
			height = 844
		}
	}
	theme := "light"
	if look.Dark {
		theme = "dark"
	}
	// A tab lives as long as the first context it is used with, so that one has
	// no deadline.
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(int64(look.Width), int64(height))); err != nil {
		t.Fatalf("the tab does not open: %v", err)
	}
	call(p, network.Enable, network.EnableParams{})
	call(p, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: theme}}})
	call(p, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: look.NoScript})
	return p
}

// call runs a command of the debugging protocol.
func call[P, R any](p *Page, cmd cdp.Command[P, R], params P) R {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.Ctx, patience)
	defer cancel()
	r, err := chromedp.Call(ctx, cmd, params)
	if err != nil {
		p.t.Fatalf("in the browser: %v", err)
	}
	return r
}

func (p *Page) watch(ev any) {
	switch e := ev.(type) {
	case *cdpruntime.EventExceptionThrown:
		text := e.ExceptionDetails.Text
		if x := e.ExceptionDetails.Exception; x != nil {
			text += " " + x.Description
		}
		p.fault("exception: " + text)
	case *cdpruntime.EventConsoleAPICalled:
		if e.Type == cdpruntime.ConsoleAPICalledTypeError || e.Type == cdpruntime.ConsoleAPICalledTypeAssert {
			var parts []string
			for _, a := range e.Args {
				parts = append(parts, string(a.Value)+a.Description)
			}
			p.fault("console: " + strings.Join(parts, " "))
		}
	case *log.EventEntryAdded: // security policy, failed requests
		if e.Entry.Level == log.EntryLevelError {
			p.fault("log: " + e.Entry.Text + " " + e.Entry.URL)
		}
	case *network.EventRequestWillBeSent:
		// Data is nobody's server; the browser draws its own controls with it, and
		// the page's policy forbids it to pages.
		if u := e.Request.URL; !strings.HasPrefix(u, "data:") && !strings.HasPrefix(u, p.origin+"/") && !strings.HasPrefix(u, "blob:"+p.origin+"/") && u != "about:blank" {
			p.fault("request to another server: " + u)
		}
	case *page.EventJavascriptDialogOpening:
		p.fault("a dialog: " + e.Message)
	}
}

func (p *Page) fault(text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, a := range p.allowed {
		if strings.Contains(text, a) {
			return
		}
	}
	p.faults = append(p.faults, text)
}

// Faults are what went wrong so far; it forgets them, so that a test which
// provoked one can check it.
func (p *Page) Faults() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := p.faults
	p.faults = nil
	return out
}

// Allow lets faults pass that hold the text: those a test provokes.
func (p *Page) Allow(text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.allowed = append(p.allowed, text)
}

// Do runs actions of chromedp; an error ends the test.
func (p *Page) Do(steps ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	run(p, chromedp.Steps(steps...))
}

func run[T any](p *Page, action chromedp.Action[T]) T {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.Ctx, patience)
	defer cancel()
	v, err := chromedp.Run(ctx, action)
	if err != nil {
		p.Shot("failed-" + strings.ReplaceAll(p.t.Name(), "/", "-"))
		p.t.Fatalf("in the browser: %v", err)
	}
	return v
}

// Visit goes to a path of the server and waits until it is loaded.
func (p *Page) Visit(path string) {
	p.t.Helper()
	p.Do(chromedp.Navigate(p.origin + path))
}

// Eval is the value of an expression in the page, or of the promise it gives.
func Eval[T any](p *Page, expression string) T {
	p.t.Helper()
	return run(p, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
}

// Text is what a reader sees of the first element that fits the selector.
func (p *Page) Text(selector string) string {
	p.t.Helper()
	return Eval[string](p, fmt.Sprintf("document.querySelector(%q)?.innerText ?? %q", selector, "nothing fits "+selector))
}

// Await waits until an expression is true of a page that has come whole, over a
// change of page too: a new page's address is there before its content.
func (p *Page) Await(expression string) {
	p.t.Helper()
	late := time.Now().Add(patience)
	for {
		ctx, cancel := context.WithTimeout(p.Ctx, patience)
		is, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`document.readyState == "complete" && Boolean(`+expression+")"))
		cancel()
		if is {
			return
		}
		if time.Now().After(late) {
			p.Shot("failed-" + strings.ReplaceAll(p.t.Name(), "/", "-"))
			p.t.Fatalf("in the browser: never true: %s (%v)", expression, err)
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// violation is what axe-core says of one rule.
type violation struct {
	ID, Impact, Help string
	Nodes            []struct {
		HTML           string `json:"html"`
		FailureSummary string `json:"failureSummary"`
	}
}

// Axe checks the page against WCAG 2.2 A and AA and axe-core's best practices;
// a serious or critical violation fails the test, the others are logged.
func (p *Page) Axe() {
	p.t.Helper()
	run(p, chromedp.Evaluate[chromedp.Void](p.b.axe))
	out := Eval[string](p, `axe.run(document, {resultTypes: ["violations"]}).then(r => JSON.stringify({violations: r.violations, passes: r.passes.length}))`)
	var result struct {
		Violations []violation
		Passes     int
	}
	if err := json.Unmarshal([]byte(out), &result); err != nil {
		p.t.Fatalf("axe-core's answer can't be read: %v", err)
	}
	if result.Passes == 0 {
		p.t.Error("axe-core checked nothing")
	}
	for _, v := range result.Violations {
		say := p.t.Logf
		if v.Impact == "serious" || v.Impact == "critical" {
			say = p.t.Errorf
		}
		for _, n := range v.Nodes {
			say("axe-core, %s: %s (%s)\n%s\n%s", v.Impact, v.Help, v.ID, n.HTML, n.FailureSummary)
		}
	}
}

// Fits fails the test if the page is wider than the window.
func (p *Page) Fits() {
	p.t.Helper()
	wide := Eval[[]string](p, `(() => { const w = document.documentElement.clientWidth;
		if (document.documentElement.scrollWidth <= w) return [];
		return [...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > w + 1).map(e => e.outerHTML.slice(0, 120)); })()`)
	if len(wide) > 0 {
		p.t.Errorf("wider than the window: %s", strings.Join(wide[:min(len(wide), 5)], "\n"))
	}
}

// Shot leaves a picture of the whole page in out/screens/NAME.png, if
// TAWSIGHT_SCREENS is set.
func (p *Page) Shot(name string) {
	p.t.Helper()
	if os.Getenv("TAWSIGHT_SCREENS") == "" {
		return
	}
	ctx, cancel := context.WithTimeout(p.Ctx, patience)
	defer cancel()
	png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		p.t.Fatalf("no picture of the page: %v", err)
	}
	to := filepath.Join(p.b.root, "out", "screens", name+".png")
	if err := os.MkdirAll(filepath.Dir(to), 0o777); err != nil {
		p.t.Fatal(err)
	}
	if err := os.WriteFile(to, png, 0o666); err != nil {
		p.t.Fatal(err)
	}
}

// Tab presses the tabulator so many times and returns what then has the focus,
// as its text or name.
func (p *Page) Tab(times int) string {
	p.t.Helper()
	for range times {
		p.Do(chromedp.KeyEvent("\t"))
	}
	return Eval[string](p, `(document.activeElement.innerText || document.activeElement.getAttribute("aria-label") || document.activeElement.name || "").trim()`)
}

// SetFiles chooses files in a file input.
func (p *Page) SetFiles(selector string, files ...string) {
	p.t.Helper()
	p.Do(chromedp.SetUploadFiles(chromedp.CSS(selector), files))
}

// Looks are the four ways every page is looked at.
func Looks() []Look {
	return []Look{{Width: Desk}, {Width: Desk, Dark: true}, {Width: Phone}, {Width: Phone, Dark: true}}
}

// Name is a look in a file's name: "390-dark".
func (l Look) Name() string {
	n := fmt.Sprint(l.Width)
	if l.Dark {
		n += "-dark"
	}
	return n
}

// Press types keys; "\r" is Enter, "\t" the tabulator.
func (p *Page) Press(keys string) {
	p.t.Helper()
	p.Do(chromedp.KeyEvent(keys))
}

// Click clicks the first element that fits the selector.
func (p *Page) Click(selector string) {
	p.t.Helper()
	p.Do(chromedp.Click(chromedp.CSS(selector)))
}

// Drag is one step of dragging files and folders from outside over the page, at
// a place in CSS pixels: dragEnter, dragOver and at last drop.
func (p *Page) Drag(step input.DispatchDragEventType, x, y float64, files ...string) {
	p.t.Helper()
	call(p, input.DispatchDragEvent, input.DispatchDragEventParams{Type: step, X: x, Y: y,
		Data: &input.DragData{Items: []*input.DragDataItem{}, Files: files, DragOperationsMask: 1}})
}
