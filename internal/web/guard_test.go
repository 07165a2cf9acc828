package web

import (
	"bytes"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

const testToken = "a-token-for-tests_0123456789"

// newServer is a server on a fixed port that nothing listens on.
func newServer(t *testing.T, c Config) *Server {
	t.Helper()
	s, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// answer is what a server says to one request.
func answer(s *Server, method, target string, change func(*http.Request)) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, target, nil)
	r.Host = "127.0.0.1:8420"
	if change != nil {
		change(r)
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

func TestNewRefusesAddresses(t *testing.T) {
	for _, c := range []struct {
		addr, token string
		fault       string // part of the error; empty for none
	}{
		{"", "", ""},
		{"127.0.0.1:8420", "", ""},
		{"127.9.9.9:0", "", ""},
		{"localhost:8420", "", ""},
		{"LOCALHOST:8420", "", ""},
		{"[::1]:8420", "", ""},
		{"[::ffff:127.0.0.1]:8420", "", ""},
		{"127.0.0.1:8420", testToken, ""},
		{"0.0.0.0:8420", testToken, ""},
		{"0.0.0.0:8420", "", "can be reached from other machines"},
		{":8420", "", "can be reached from other machines"},
		{"[::]:8420", "", "can be reached from other machines"},
		{"192.168.1.5:8420", "", "can be reached from other machines"},
		{"[::ffff:192.168.1.5]:8420", "", "can be reached from other machines"},
		{"attic-machine:8420", "", "can be reached from other machines"},
		{"localhost.example:8420", "", "can be reached from other machines"},
		{"127.0.0.1.example:8420", "", "can be reached from other machines"},
		{"0.0.0.0:8420", "short", "at least 24"},
		{"127.0.0.1:8420", strings.Repeat("a", 23), "at least 24"},
		{"127.0.0.1:8420", strings.Repeat("a", 23) + "&", "letters, digits"},
		{"127.0.0.1:8420", strings.Repeat("a", 23) + "\n", "letters, digits"},
		{"127.0.0.1", "", "not HOST:PORT"},
		{"127.0.0.1:http", "", "not a number"},
		{"127.0.0.1:70000", "", "not a number"},
		{"127.0.0.1:-1", "", "not a number"},
	} {
		_, err := New(Config{Addr: c.addr, Token: c.token})
		switch {
		case c.fault == "" && err != nil:
			t.Errorf("New(%q, %q): %v", c.addr, c.token, err)
		case c.fault != "" && (err == nil || !strings.Contains(err.Error(), c.fault)):
			t.Errorf("New(%q, %q): error %v, want one about %q", c.addr, c.token, err, c.fault)
		}
	}
}

func TestNewToken(t *testing.T) {
	seen := map[string]bool{}
	for range 100 {
		token := NewToken()
		if err := checkToken(token); err != nil || len(token) != 32 || seen[token] {
			t.Fatalf("token %q: %v", token, err)
		}
		seen[token] = true
	}
}

func TestRequireHost(t *testing.T) {
	local := newServer(t, Config{})
	named := newServer(t, Config{Addr: "attic-machine:8420", Token: testToken})
	everywhere := newServer(t, Config{Addr: "0.0.0.0:8420", Token: testToken})
	standard := newServer(t, Config{Addr: "127.0.0.1:80"})
	for _, c := range []struct {
		server *Server
		host   string
		ours   bool
	}{
		{local, "127.0.0.1:8420", true},
		{local, "localhost:8420", true},
		{local, "LocalHost:8420", true},
		{local, "[::1]:8420", true},
		{local, "127.0.0.2:8420", true},
		{local, "", false},
		{local, "127.0.0.1", false},
		{local, "localhost", false},
		{local, "127.0.0.1:80", false},
		{local, "127.0.0.1:8421", false},
		{local, "127.0.0.1:08420", false},
		{local, "evil.example:8420", false},
		{local, "localhost.evil.example:8420", false},
		{local, "evil.localhost:8420", false},
		{local, "127.0.0.1.evil.example:8420", false},
		{local, "localhost.:8420", false},
		{local, "192.168.1.5:8420", false},
		{local, "0.0.0.0:8420", false},
		{local, "[::]:8420", false},
		{local, "[::1", false},
		{local, "::1:8420", false},
		{local, "127.0.0.1:8420:8420", false},
		{local, "user@127.0.0.1:8420", false},
		{local, "2130706433:8420", false}, // 127.0.0.1 as one number
		{local, "0x7f.1:8420", false},
		{named, "attic-machine:8420", true},
		{named, "Attic-Machine:8420", true},
		{named, "127.0.0.1:8420", true},
		{named, "192.168.1.5:8420", false},
		{named, "attic-machine.evil.example:8420", false},
		{everywhere, "192.168.1.5:8420", true},
		{everywhere, "[fd00::5]:8420", true},
		{everywhere, "evil.example:8420", false},
		{everywhere, "attic-machine:8420", false},
		{everywhere, "0.0.0.0:8420", false},
		{everywhere, "192.168.1.5:80", false},
		{standard, "127.0.0.1", true},
		{standard, "127.0.0.1:80", true},
		{standard, "[::1]", true},
		{standard, "127.0.0.1:8420", false},
	} {
		w := answer(c.server, "GET", "/", func(r *http.Request) {
			r.Host = c.host
			r.AddCookie(&http.Cookie{Name: c.server.cookieName(), Value: c.server.cookieValue()})
		})
		if ours := w.Code == http.StatusOK; ours != c.ours || !ours && w.Code != http.StatusMisdirectedRequest {
			t.Errorf("%s asked as %q: status %d", c.server.host, c.host, w.Code)
		}
	}
}

func TestRequireToken(t *testing.T) {
	s := newServer(t, Config{Token: testToken})
	cookie := func(name, value string) func(*http.Request) {
		return func(r *http.Request) { r.AddCookie(&http.Cookie{Name: name, Value: value}) }
	}
	for _, c := range []struct {
		about  string
		method string
		target string
		change func(*http.Request)
		status int
		to     string // where it leads
	}{
		{"nothing", "GET", "/", nil, 401, ""},
		{"nothing, for a script", "GET", "/static/" + strings.TrimPrefix(assets["style.css"].url, "/static/"), nil, 401, ""},
		{"nothing, for a page that isn't there", "GET", "/none", nil, 401, ""},
		{"nothing, to change something", "POST", "/", func(r *http.Request) { r.Header.Set("Origin", "http://127.0.0.1:8420") }, 401, ""},
		{"an empty token", "GET", "/?token=", nil, 401, ""},
		{"a wrong token", "GET", "/?token=" + testToken + "x", nil, 401, ""},
		{"its beginning", "GET", "/?token=" + testToken[:24], nil, 401, ""},
		{"a right token after a wrong one", "GET", "/?token=x&token=" + testToken, nil, 401, ""},
		{"a right token, to change something", "POST", "/?token=" + testToken, func(r *http.Request) { r.Header.Set("Origin", "http://127.0.0.1:8420") }, 401, ""},
		{"the token as a cookie", "GET", "/", cookie(s.cookieName(), testToken), 401, ""},
		{"another port's cookie", "GET", "/", cookie("tawsight-1", s.cookieValue()), 401, ""},
		{"the cookie", "GET", "/", cookie(s.cookieName(), s.cookieValue()), 200, ""},
		{"the cookie with a wrong token", "GET", "/?token=wrong", cookie(s.cookieName(), s.cookieValue()), 401, ""},
		{"the token, from a typed address", "GET", "/?token=" + testToken, func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "none") }, 303, "/"},
		{"the token with more", "GET", "/none?a=1&token=" + testToken + "&b=%26", func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "none") }, 303, "/none?a=1&b=%26"},
		{"the token, on the way to another machine", "GET", "//evil.example/?token=" + testToken, func(r *http.Request) {
			r.URL.Path, r.URL.Host = "//evil.example/", ""
			r.Header.Set("Sec-Fetch-Site", "none")
		}, 303, "/evil.example/"},
		{"the token, by a link from elsewhere", "GET", "/?token=" + testToken, func(r *http.Request) {
			r.Header.Set("Sec-Fetch-Site", "cross-site")
			r.Header.Set("Sec-Fetch-Mode", "navigate")
			r.Header.Set("Sec-Fetch-Dest", "document")
		}, 200, "0; url=/"},
	} {
		w := answer(s, c.method, c.target, c.change)
		to := w.Header().Get("Location") + w.Header().Get("Refresh")
		if w.Code != c.status || to != c.to {
			t.Errorf("%s: status %d, leads to %q, want %d and %q", c.about, w.Code, to, c.status, c.to)
		}
		set := w.Result().Cookies()
		if got, want := len(set) == 1, c.to != ""; got != want {
			t.Errorf("%s: cookies %v", c.about, set)
		}
		for _, k := range set {
			if !k.HttpOnly || k.SameSite != http.SameSiteStrictMode || k.Value != s.cookieValue() || k.Domain != "" || k.Path != "/" {
				t.Errorf("%s: cookie %v", c.about, k)
			}
		}
		if body := w.Body.String(); strings.Contains(body, testToken) {
			t.Errorf("%s: the page shows the token", c.about)
		}
	}
	// Without a token configured, none is asked for.
	if w := answer(newServer(t, Config{}), "GET", "/", nil); w.Code != 200 || len(w.Result().Cookies()) > 0 {
		t.Errorf("without a token: status %d", w.Code)
	}
	if s.cookieValue() == newServer(t, Config{Token: testToken + "x"}).cookieValue() {
		t.Error("the cookie does not depend on the token")
	}
}

func TestRequireOrigin(t *testing.T) {
	s := newServer(t, Config{})
	s.table = append(s.table, route{pattern: "/tried", handle: func(w http.ResponseWriter, r *http.Request) error {
		w.WriteHeader(http.StatusNoContent)
		return nil
	}})
	s.mux = s.newMux()
	const own = "http://127.0.0.1:8420"
	for _, c := range []struct {
		method, origin, site, mode, dest string
		ok                               bool
	}{
		{"GET", "", "", "", "", true},
		{"GET", "", "none", "navigate", "document", true},
		{"GET", "", "same-origin", "cors", "empty", true},
		{"GET", "", "cross-site", "navigate", "document", true}, // a link
		{"HEAD", "", "same-origin", "cors", "empty", true},
		{"GET", "", "cross-site", "no-cors", "image", false},
		{"GET", "", "cross-site", "no-cors", "script", false},
		{"GET", "", "cross-site", "navigate", "iframe", false},
		{"GET", "http://evil.example", "cross-site", "cors", "empty", false},
		{"GET", "", "same-site", "cors", "empty", false}, // another port of this machine
		{"HEAD", "", "cross-site", "no-cors", "image", false},
		{"POST", own, "same-origin", "navigate", "document", true},
		{"POST", own, "", "", "", true}, // over plain HTTP in a network
		{"POST", "HTTP://127.0.0.1:8420", "", "", "", true},
		{"POST", "", "same-origin", "", "", true},
		{"POST", "", "", "", "", false},
		{"POST", "", "none", "navigate", "document", false},
		{"POST", "null", "", "", "", false},
		{"POST", "null", "same-origin", "", "", false}, // a sandboxed frame
		{"POST", "http://evil.example", "", "", "", false},
		{"POST", "http://evil.example", "cross-site", "navigate", "document", false},
		{"POST", own, "cross-site", "navigate", "document", false},
		{"POST", own, "same-site", "navigate", "document", false},
		{"POST", "http://127.0.0.1:8421", "", "", "", false},
		{"POST", "http://127.0.0.1", "", "", "", false},
		{"POST", "http://localhost:8420", "", "", "", false}, // another name is another origin
		{"POST", "https://127.0.0.1:8420", "", "", "", false},
		{"POST", own + ".evil.example", "", "", "", false},
		{"POST", own + "/", "", "", "", false},
		{"POST", "http://a@127.0.0.1:8420", "", "", "", false},
		{"POST", own + " http://evil.example", "", "", "", false},
		{"PUT", "http://evil.example", "", "", "", false},
		{"DELETE", "", "cross-site", "", "", false},
		{"PATCH", "", "", "", "", false},
		{"OPTIONS", "http://evil.example", "cross-site", "cors", "empty", false},
		{"TRACE", "", "", "", "", false},
		{"get", "http://evil.example", "", "", "", false},
	} {
		w := answer(s, c.method, "/tried", func(r *http.Request) {
			for name, v := range map[string]string{"Origin": c.origin, "Sec-Fetch-Site": c.site, "Sec-Fetch-Mode": c.mode, "Sec-Fetch-Dest": c.dest} {
				if v != "" {
					r.Header.Set(name, v)
				}
			}
		})
		if ok := w.Code == http.StatusNoContent; ok != c.ok || !ok && w.Code != http.StatusForbidden {
			t.Errorf("%+v: status %d", c, w.Code)
		}
		if w.Header().Get("Access-Control-Allow-Origin") != "" {
			t.Errorf("%+v: other sites are let in", c)
		}
	}
	// Two origins are one too many.
	w := answer(s, "POST", "/tried", func(r *http.Request) { r.Header["Origin"] = []string{own, "http://evil.example"} })
	if w.Code != http.StatusForbidden {
		t.Errorf("two origins: status %d", w.Code)
	}
}

// Every answer carries the headers, whatever it is.
func TestHeadersOfEveryAnswer(t *testing.T) {
	s := newServer(t, Config{})
	private := newServer(t, Config{Token: testToken})
	for about, w := range map[string]*httptest.ResponseRecorder{
		"a page":         answer(s, "GET", "/", nil),
		"a script":       answer(s, "GET", assets["style.css"].url, nil),
		"the card":       answer(s, "GET", "/card/tawsight-card-a4.pdf", nil),
		"a wrong page":   answer(s, "GET", "/none", nil),
		"a wrong method": answer(s, "POST", "/", func(r *http.Request) { r.Header.Set("Origin", "http://127.0.0.1:8420") }),
		"a wrong host":   answer(s, "GET", "/", func(r *http.Request) { r.Host = "evil.example" }),
		"a wrong origin": answer(s, "POST", "/", nil),
		"no token":       answer(private, "GET", "/", nil),
		"the token":      answer(private, "GET", "/?token="+testToken, nil),
	} {
		h := w.Header()
		for name, want := range map[string]string{
			"X-Content-Type-Options":       "nosniff",
			"Cross-Origin-Resource-Policy": "same-origin",
			"Cross-Origin-Opener-Policy":   "same-origin",
			"X-Frame-Options":              "DENY",
		} {
			if h.Get(name) != want {
				t.Errorf("%s: %s is %q", about, name, h.Get(name))
			}
		}
		if rp := h.Get("Referrer-Policy"); rp != "same-origin" && rp != "no-referrer" || about == "the token" && rp != "no-referrer" {
			t.Errorf("%s: Referrer-Policy is %q", about, rp)
		}
		csp := h.Get("Content-Security-Policy")
		for _, rule := range []string{"default-src 'none'", "script-src 'self'", "style-src 'self'", "connect-src 'self'", "form-action 'self'", "frame-ancestors 'none'", "base-uri 'none'"} {
			if !strings.Contains(csp, rule) {
				t.Errorf("%s: the policy %q lacks %s", about, csp, rule)
			}
		}
		if strings.Contains(csp, "unsafe") || strings.Contains(csp, "*") {
			t.Errorf("%s: the policy %q is too wide", about, csp)
		}
		if !strings.Contains(h.Get("Permissions-Policy"), "geolocation=()") {
			t.Errorf("%s: no permissions policy", about)
		}
		if h.Get("Cache-Control") == "" || h.Get("Content-Type") == "" && w.Code != 303 {
			t.Errorf("%s: Cache-Control %q, Content-Type %q", about, h.Get("Cache-Control"), h.Get("Content-Type"))
		}
	}
}

func TestBodies(t *testing.T) {
	s := newServer(t, Config{})
	read := func(w http.ResponseWriter, r *http.Request) error {
		n, err := io.Copy(io.Discard, r.Body)
		if err == nil {
			fmt.Fprint(w, n)
		}
		return err
	}
	s.table = append(s.table, route{pattern: "POST /form", handle: read}, route{pattern: "POST /upload", handle: read, body: bodyMost * 2})
	s.mux = s.newMux()
	server := httptest.NewServer(s.Handler())
	defer server.Close()
	host := strings.TrimPrefix(server.URL, "http://")
	s.port = host[strings.LastIndex(host, ":")+1:]
	for _, c := range []struct {
		method, path string
		size         int
		chunked      bool
		status       int
	}{
		{"POST", "/form", 0, false, 200},
		{"POST", "/form", bodyMost, false, 200},
		{"POST", "/form", bodyMost + 1, false, 413},
		{"POST", "/form", bodyMost + 1, true, 413},
		{"POST", "/upload", bodyMost * 2, false, 200},
		{"POST", "/upload", bodyMost*2 + 1, true, 413},
		{"GET", "/", 10, false, 400},
		{"GET", "/", 10, true, 400},
	} {
		var body io.Reader = bytes.NewReader(make([]byte, c.size))
		if c.chunked {
			body = io.MultiReader(body) // whose size nobody knows
		}
		r, err := http.NewRequest(c.method, server.URL+c.path, body)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Origin", server.URL)
		w, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		text, _ := io.ReadAll(w.Body)
		w.Body.Close()
		if w.StatusCode != c.status {
			t.Errorf("%s %s with %d bytes: status %d", c.method, c.path, c.size, w.StatusCode)
		}
		if c.status == 413 && !strings.Contains(string(text), "At most") {
			t.Errorf("%s %s with %d bytes: the page does not say how much is too much", c.method, c.path, c.size)
		}
	}
}

// A fault tells its reader nothing of the machine, and the log everything.
func TestFaults(t *testing.T) {
	var logged bytes.Buffer
	s := newServer(t, Config{Log: slog.New(slog.NewTextHandler(&logged, nil))})
	const secret = "/home/somebody/marbles/collection.db"
	s.table = append(s.table,
		route{pattern: "GET /panics", handle: func(w http.ResponseWriter, r *http.Request) error { panic("no " + secret) }},
		route{pattern: "GET /fails", handle: func(w http.ResponseWriter, r *http.Request) error {
			return fmt.Errorf("open %s: no such file", secret)
		}},
		route{pattern: "GET /told", handle: func(w http.ResponseWriter, r *http.Request) error {
			return fmt.Errorf("wrapped: %w", problem{status: 409, what: "<b>Taken</b>", advice: "Choose another.", cause: fmt.Errorf("in %s", secret)})
		}},
	)
	s.mux = s.newMux()
	for _, c := range []struct {
		path   string
		status int
		says   string
		logs   bool
	}{
		{"/panics", 500, "A fault in the program itself", true},
		{"/fails", 500, "That did not work", true},
		{"/told", 409, "&lt;b&gt;Taken&lt;/b&gt;", false},
		{"/none", 404, "There is no such page", false},
		{"/static/style.css", 404, "There is no such file", false},
		{"/static/..%2fguard.go", 404, "There is no such file", false},
		{"/card/..%2f..%2fetc%2fpasswd", 404, "There is no such card", false},
	} {
		for _, json := range []bool{false, true} {
			logged.Reset()
			w := answer(s, "GET", c.path, func(r *http.Request) {
				if json {
					r.Header.Set("Accept", "application/json")
				}
			})
			body := w.Body.String()
			if w.Code != c.status {
				t.Errorf("%s: status %d, want %d", c.path, w.Code, c.status)
			}
			if !json && !strings.Contains(body, c.says) {
				t.Errorf("%s: the page does not say %q:\n%s", c.path, c.says, body)
			}
			if json && c.path != "/panics" && w.Header().Get("Content-Type") != "application/json" {
				t.Errorf("%s: a script is answered with %s", c.path, w.Header().Get("Content-Type"))
			}
			if strings.Contains(body, "somebody") || strings.Contains(body, "collection.db") || strings.Contains(body, "goroutine") {
				t.Errorf("%s: the page tells of the machine:\n%s", c.path, body)
			}
			if strings.Contains(logged.String(), secret) != c.logs {
				t.Errorf("%s: the log says %q", c.path, logged.String())
			}
		}
	}
	if w := answer(s, "POST", "/", func(r *http.Request) { r.Header.Set("Origin", "http://127.0.0.1:8420") }); w.Code != 405 || w.Header().Get("Allow") != "GET, HEAD" {
		t.Errorf("a wrong method: status %d, Allow %q", w.Code, w.Header().Get("Allow"))
	}
}
