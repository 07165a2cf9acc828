package web

import (
	"bytes"
	"context"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"strings"

	"tawsight/internal/colour"
	"tawsight/internal/record"
	"tawsight/internal/report"
	"tawsight/vision"
)

//go:embed pages/*.html
var pageFiles embed.FS

// pages are the templates by file name: each has the layout and the parts
// (files that begin with "part-") to hand, and defines "title" and "main".
var pages = parsePages()

func parsePages() map[string]*template.Template {
	shared := template.Must(template.New("").Funcs(pageFuncs).ParseFS(pageFiles, "pages/layout.html", "pages/part-*.html"))
	out := map[string]*template.Template{}
	names, err := fs.Glob(pageFiles, "pages/*.html")
	if err != nil {
		panic(err)
	}
	for _, n := range names {
		base := path.Base(n)
		if base == "layout.html" || strings.HasPrefix(base, "part-") {
			continue
		}
		out[base] = template.Must(template.Must(shared.Clone()).ParseFS(pageFiles, n))
	}
	return out
}

var pageFuncs = template.FuncMap{
	"asset":    assetURL,
	"sentence": sentence,
	"count":    count,
	"inches":   inches,
	"percent":  report.PercentText,
	"hex":      report.Hex,
	"when":     minute,
	"date":     date,
	"two":      func(v float64) string { return fmt.Sprintf("%.2f", v) },
	"lines":    func(s string) []string { return strings.Split(s, "\n") },
	"add":      func(a, b int) int { return a + b },
	"dict":     dict,
	"readable": func() string { return vision.Readable },
	"hexes":    hexes,
	"named":    func(name string, list []report.PaletteColour) namedPalette { return namedPalette{name, list} },
}

// namedPalette fills the template "palette".
type namedPalette struct {
	Name    string
	Colours []report.PaletteColour
}

func hexes(labs [][3]float64) (out []string) {
	for _, l := range labs {
		out = append(out, colour.Hex(l))
	}
	return out
}

// frame is what the layout is filled with around a page's own data.
type frame struct {
	Nav     []navItem
	Flash   *flash // what was done just before
	Version string
	Demo    bool // the demo collection is shown, not the collector's own
	Data    any
}

// page answers with a template of pages/ filled with data.
func (s *Server) page(w http.ResponseWriter, r *http.Request, name string, data any) error {
	return s.pageStatus(w, r, http.StatusOK, name, data)
}

// pageStatus is page with a status other than 200.
func (s *Server) pageStatus(w http.ResponseWriter, r *http.Request, status int, name string, data any) error {
	t, ok := pages[name]
	if !ok {
		return fmt.Errorf("there is no template %s", name)
	}
	var buf bytes.Buffer
	if err := t.ExecuteTemplate(&buf, "layout", frame{Nav: s.nav(r.URL.Path), Flash: s.flashFor(r.Context(), r.URL), Version: record.Version, Demo: s.isDemo(), Data: data}); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(buf.Bytes())
	return nil
}

// problem is an answer other than the one asked for, in words for its reader.
// An error that wraps none becomes "a fault in the program": its own text goes
// to the log only, since it may name folders.
type problem struct {
	status int    // HTTP
	what   string // what is the matter: a heading
	advice string // what to do: a sentence or two
	cause  error  // for the log; may be nil
}

func (p problem) Error() string {
	if p.cause != nil {
		return p.what + ": " + p.cause.Error()
	}
	return p.what
}

func (p problem) Unwrap() error { return p.cause }

// notFound is the problem of an address, a photo or a marble that is not there.
func notFound(what string) problem {
	return problem{status: http.StatusNotFound, what: what, advice: "The address may be mistyped, or what it led to is no longer in the collection."}
}

// badRequest is the problem of a form that can't be taken as it is.
func badRequest(what, advice string) problem {
	return problem{status: http.StatusBadRequest, what: what, advice: advice}
}

// fail answers with what went wrong: a page, or JSON for who asks for that.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	if r.Context().Err() != nil && errors.Is(err, context.Canceled) {
		return // the browser has gone
	}
	var p problem
	err = s.told(err)
	told := errors.As(err, &p)
	if large := (*http.MaxBytesError)(nil); !told && errors.As(err, &large) {
		p, told = problem{status: http.StatusRequestEntityTooLarge, what: "That is too large",
			advice: fmt.Sprintf("At most %s can be taken at once.", bytesInWords(large.Limit))}, true
	}
	if !told {
		p = problem{status: http.StatusInternalServerError, what: "That did not work",
			advice: "The fault is on this side, and your collection is as it was. The terminal where tawsight serve runs says more."}
	}
	if p.status >= 500 {
		s.log.Error("a request failed", "method", r.Method, "path", r.URL.Path, "error", err)
	} else {
		s.log.Debug("a request was turned down", "method", r.Method, "path", r.URL.Path, "error", err)
	}
	if strings.Contains(r.Header.Get("Accept"), "application/json") {
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(p.status)
		_ = json.NewEncoder(w).Encode(map[string]string{"what": p.what, "advice": p.advice})
		return
	}
	if err := s.pageStatus(w, r, p.status, "problem.html", map[string]string{"What": p.what, "Advice": p.advice}); err != nil {
		s.log.Error("the error page itself failed", "error", err)
		plainPage(w, p.status, p.what, p.advice)
	}
}

// answerJSON answers a script.
func answerJSON(w http.ResponseWriter, status int, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_, _ = w.Write(b)
	return nil
}

// patternPath is the path of a pattern such as "GET /photos" or "GET /{$}".
func patternPath(pattern string) string {
	return strings.TrimSuffix(pattern[strings.Index(pattern, "/"):], "{$}")
}

// hasPathPrefix tells whether a path is prefix or lies below it.
func hasPathPrefix(p, prefix string) bool {
	return p == prefix || strings.HasPrefix(p, strings.TrimSuffix(prefix, "/")+"/")
}

// fragment answers a script with one template of a page's file, without the
// layout.
func (s *Server) fragment(w http.ResponseWriter, page, name string, data any) error {
	var buf bytes.Buffer
	if err := pages[page].ExecuteTemplate(&buf, name, data); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	_, _ = w.Write(buf.Bytes())
	return nil
}
