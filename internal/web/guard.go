package web

import (
	"errors"
	"fmt"
	"html"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"runtime/debug"
	"strings"
)

// A local server is reached by every page the browser shows, not only by its
// own. So each request must name this machine (requireHost: a hostile page may
// point its own name here), come from one of our pages (requireOrigin), and, on
// a network, bring the token (requireToken).

// policy lets a page load our own files and nothing else, and forbids scripts
// and styles inside it (W3C Content Security Policy level 3).
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"

// secure sets the headers every answer carries.
func secure(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		// Under no-referrer, forms of our own pages would come with the origin
		// "null" (WHATWG Fetch, 3.2), like any sandboxed page's. Nothing is asked of
		// other sites anyway.
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), display-capture=(), geolocation=(), microphone=(), payment=(), usb=()")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Cache-Control", "private, no-cache") // pages change; static files say otherwise
		next.ServeHTTP(w, r)
	})
}

// requireHost refuses requests whose Host header names another machine or port.
func (s *Server) requireHost(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !s.ownHost(r.Host) {
			plainPage(w, http.StatusMisdirectedRequest, "This is another machine's address",
				"Open the address that tawsight serve printed when it started.")
			return
		}
		next.ServeHTTP(w, r)
	})
}

// ownHost tells whether a Host header means this server.
func (s *Server) ownHost(hostPort string) bool {
	host, port, err := net.SplitHostPort(hostPort)
	if err != nil {
		// Without a port it is HTTP's own.
		host, port = strings.TrimSuffix(strings.TrimPrefix(hostPort, "["), "]"), "80"
		if strings.HasPrefix(hostPort, "[") != strings.HasSuffix(hostPort, "]") {
			return false
		}
	}
	if host == "" || port != s.port {
		return false
	}
	if isLoopback(host) {
		return true
	}
	own, err := netip.ParseAddr(s.host)
	if everywhere := s.host == "" || err == nil && own.IsUnspecified(); !everywhere {
		return strings.EqualFold(host, s.host)
	}
	// Listening on every address, any of them may have been typed. A number
	// can't be pointed elsewhere, as a name can.
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.Zone() == "" && !ip.IsUnspecified()
}

// isSafe tells whether a method only reads.
func isSafe(method string) bool { return method == http.MethodGet || method == http.MethodHead }

// requireOrigin refuses what comes from another site's page: everything that
// changes something must say that it comes from here, and reading must not say
// that it comes from elsewhere, except by following a link.
func (s *Server) requireOrigin(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if err := cross.Check(r); err != nil || !fromHere(r) {
			plainPage(w, http.StatusForbidden, "That came from another page",
				"Only Tawsight's own pages may do this. Open the collection and do it there.")
			return
		}
		next.ServeHTTP(w, r)
	})
}

func fromHere(r *http.Request) bool {
	site := r.Header.Get("Sec-Fetch-Site")
	origins := r.Header.Values("Origin")
	if isSafe(r.Method) {
		switch site {
		case "", "none", "same-origin": // "" is a browser over plain HTTP, or a program
			return true
		}
		return r.Header.Get("Sec-Fetch-Mode") == "navigate" && r.Header.Get("Sec-Fetch-Dest") == "document"
	}
	if site != "" && site != "same-origin" && site != "none" || len(origins) > 1 {
		return false
	}
	if len(origins) == 1 {
		u, err := url.Parse(origins[0])
		return err == nil && u.Scheme == "http" && strings.EqualFold(u.Host, r.Host) && strings.EqualFold(origins[0], "http://"+r.Host)
	}
	// Every browser of today sends one or the other.
	return site == "same-origin"
}

// bodyMost is how many bytes a request may bring where its route (routes.go)
// says nothing else: a form.
const bodyMost = 256 << 10

// refuseBody turns down reading requests that bring something.
func refuseBody(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if isSafe(r.Method) && (r.ContentLength != 0 || len(r.TransferEncoding) > 0) {
			plainPage(w, http.StatusBadRequest, "That request can't be read", "A page is asked for without a body.")
			return
		}
		next.ServeHTTP(w, r)
	})
}

// answerPanics turns a fault of our own into a plain page and a line in the log.
func (s *Server) answerPanics(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		seen := &watched{ResponseWriter: w}
		defer func() {
			fault := recover()
			if fault == nil {
				return
			}
			if err, ok := fault.(error); ok && errors.Is(err, http.ErrAbortHandler) {
				panic(fault)
			}
			s.log.Error("a fault in the program itself", "method", r.Method, "path", r.URL.Path, "fault", fmt.Sprint(fault))
			s.log.Debug("where it happened", "stack", string(debug.Stack()))
			if seen.begun {
				panic(http.ErrAbortHandler) // half a page must not look whole
			}
			plainPage(w, http.StatusInternalServerError, "A fault in the program itself",
				"It is not in what you did, and your collection is as it was. The terminal where tawsight serve runs says more.")
		}()
		next.ServeHTTP(seen, r)
	})
}

// watched knows whether an answer has begun.
type watched struct {
	http.ResponseWriter
	begun bool
}

func (w *watched) WriteHeader(status int) {
	w.begun = true
	w.ResponseWriter.WriteHeader(status)
}

func (w *watched) Write(b []byte) (int, error) {
	w.begun = true
	return w.ResponseWriter.Write(b)
}

// Unwrap is for http.ResponseController.
func (w *watched) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// plainPage answers without anything of the collection, for who may not see it
// or where the templates themselves may be at fault.
func plainPage(w http.ResponseWriter, status int, title, advice string) {
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	h.Set("Referrer-Policy", "no-referrer") // its address may hold the token
	h.Del("Content-Length")
	w.WriteHeader(status)
	writeAll(w, "<!doctype html>\n<html lang=\"en-GB\">\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<meta name=\"color-scheme\" content=\"light dark\">\n<title>Tawsight · "+
		html.EscapeString(title)+"</title>\n<main><h1>"+html.EscapeString(title)+"</h1>\n<p>"+html.EscapeString(advice)+"</p></main>\n</html>\n")
}

// localPath is the part of an address after the host, safe to lead a browser
// to: //elsewhere would be another machine's.
func localPath(u *url.URL) string {
	path := "/" + strings.TrimLeft(strings.ReplaceAll(u.EscapedPath(), `\`, "%5C"), "/")
	if u.RawQuery != "" {
		path += "?" + u.RawQuery
	}
	return path
}
