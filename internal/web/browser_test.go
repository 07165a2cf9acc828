package web_test

import (
	"context"
	"strings"
	"testing"

	"tawsight/internal/web"
	"tawsight/internal/web/webtest"
)

// serve serves with the configuration, on a free port until the test ends.
func serve(t *testing.T, c web.Config) (s *web.Server, base string) {
	t.Helper()
	c.Addr = "127.0.0.1:0"
	s, err := web.New(c)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Listen(); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("Serve: %v", err)
		}
	})
	return s, strings.TrimSuffix(strings.Split(s.URLs()[0], "?")[0], "/")
}

func TestFramePages(t *testing.T) {
	b := webtest.NewBrowser(t)
	_, base := serve(t, web.Config{})
	for _, look := range webtest.Looks() {
		t.Run(look.Name(), func(t *testing.T) {
			p := b.Open(t, base, look)
			p.Visit("/")
			p.Fits()
			p.Axe()
			p.Shot("start-" + look.Name())
			p.Allow("404")
			p.Visit("/none")
			p.Fits()
			p.Axe()
			p.Shot("problem-" + look.Name())
		})
	}
}

// The keyboard reaches the content first, then the navigation.
func TestKeyboardInFrame(t *testing.T) {
	b := webtest.NewBrowser(t)
	_, base := serve(t, web.Config{})
	p := b.Open(t, base, webtest.Look{Width: webtest.Desk})
	p.Visit("/")
	if got := p.Tab(1); got != "Skip to the content" {
		t.Errorf("the first stop is %q", got)
	}
	p.Press("\r")
	p.Await(`location.hash == "#main" && document.activeElement.id == "main"`)
	if got := p.Tab(1); got != "Card for A4" {
		t.Errorf("after skipping, the first stop is %q", got)
	}
}

// The token becomes a cookie and leaves the address.
func TestTokenInBrowser(t *testing.T) {
	token := web.NewToken()
	b := webtest.NewBrowser(t)
	_, base := serve(t, web.Config{Token: token})
	p := b.Open(t, base, webtest.Look{Width: webtest.Phone})
	p.Allow("401")
	p.Visit("/")
	if got := p.Text("h1"); got != "This page is private" {
		t.Errorf("without the token: %q", got)
	}
	p.Visit("/?token=" + token)
	if at := webtest.Eval[string](p, "location.href"); at != base+"/" {
		t.Errorf("after showing the token the address is %s", at)
	}
	p.Visit("/")
	if got := p.Text("h1"); got != "Your marbles, measured" {
		t.Errorf("with the cookie: %q", got)
	}
	if got := webtest.Eval[string](p, "document.cookie"); got != "" {
		t.Errorf("scripts see the cookie %q", got)
	}
}

// The harness itself sees what it is there for.
func TestFaultsAreSeen(t *testing.T) {
	b := webtest.NewBrowser(t)
	_, base := serve(t, web.Config{})
	p := b.Open(t, base, webtest.Look{Width: webtest.Desk})
	p.Visit("/")
	for script, want := range map[string]string{
		`console.error("oh"), 0`:                                                                               "oh",
		`setTimeout(() => { throw new Error("thrown") }, 0), 0`:                                                "thrown",
		`fetch("http://127.0.0.1:9/").catch(() => 0)`:                                                          "Content Security Policy",
		`document.body.setAttribute("style", "color: red"), 0`:                                                 "Content Security Policy",
		`new Promise(f => { const i = new Image(); i.onload = i.onerror = () => f(0); i.src = "/none.png"; })`: "404",
		`document.body.append(Object.assign(document.createElement("script"), {textContent: "1"})), 0`:         "Content Security Policy",
	} {
		webtest.Eval[int](p, script)
		webtest.Eval[int](p, `new Promise(f => setTimeout(() => f(0), 200))`)
		if got := strings.Join(p.Faults(), "\n"); !strings.Contains(got, want) {
			t.Errorf("%s: seen %q", script, got)
		}
	}
}
