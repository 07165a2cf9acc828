package web

import (
	"io/fs"
	"math"
	"net/http"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// The security policy forbids styles and scripts inside a page; what holds one
// would look right in no browser.
func TestNothingInline(t *testing.T) {
	forbidden := regexp.MustCompile(`(?i)<style|\sstyle\s*=|\son[a-z]+\s*=|javascript:|<script(?:[^>]*)>[^<]|<base|https?://`)
	for _, folder := range []struct {
		files fs.FS
		glob  string
	}{{pageFiles, "pages/*.html"}, {staticFiles, "static/*.svg"}} {
		names, err := fs.Glob(folder.files, folder.glob)
		if err != nil || len(names) == 0 {
			t.Fatalf("%s: %v, %v", folder.glob, names, err)
		}
		for _, n := range names {
			b, err := fs.ReadFile(folder.files, n)
			if err != nil {
				t.Fatal(err)
			}
			text := strings.ReplaceAll(string(b), "http://www.w3.org/2000/svg", "")
			if m := forbidden.FindString(text); m != "" {
				t.Errorf("%s holds %q", n, m)
			}
		}
	}
	css := assets["style.css"].content
	if m := regexp.MustCompile(`url\(|@import|https?:`).Find(css); m != nil {
		t.Errorf("style.css holds %q", m)
	}
}

func TestStaticFiles(t *testing.T) {
	s := newServer(t, Config{})
	for name, a := range assets {
		w := answer(s, "GET", a.url, nil)
		if w.Code != 200 || w.Header().Get("Content-Type") != a.mime || w.Body.String() != string(a.content) {
			t.Errorf("%s at %s: status %d, %s", name, a.url, w.Code, w.Header().Get("Content-Type"))
		}
		if c := w.Header().Get("Cache-Control"); c != "public, max-age=31536000, immutable" {
			t.Errorf("%s: Cache-Control %q", name, c)
		}
		if disk, err := os.ReadFile("static/" + name); err != nil || string(disk) != string(a.content) {
			t.Errorf("%s differs from the file: %v", name, err)
		}
	}
	if _, err := assetURL("none.css"); err == nil {
		t.Error("a file that is not there has an address")
	}
}

func TestNavigation(t *testing.T) {
	s := newServer(t, Config{})
	s.table = append(s.table, route{pattern: "GET /trays", nav: "Trays", handle: func(http.ResponseWriter, *http.Request) error { return nil }})
	for path, want := range map[string]string{"/": "Start!", "/trays": "Trays!", "/trays/1": "Trays~", "/traysome": "", "/none": ""} {
		got := ""
		for _, n := range s.nav(path) {
			if n.Current {
				got += n.Name + "!"
			} else if n.Within {
				got += n.Name + "~"
			}
		}
		if got != want {
			t.Errorf("at %s current is %q, want %q", path, got, want)
		}
	}
	if body := answer(s, "GET", "/", nil).Body.String(); strings.Count(body, `aria-current="page"`) != 1 {
		t.Error("the start page does not say that it is the current one")
	}
}

func TestCard(t *testing.T) {
	s := newServer(t, Config{})
	for name, begins := range map[string]string{"tawsight-card-a4.pdf": "%PDF-", "tawsight-card-letter.pdf": "%PDF-", "tawsight-card.svg": "<?xml"} {
		w := answer(s, "GET", "/card/"+name, nil)
		if w.Code != 200 || !strings.HasPrefix(w.Body.String(), begins) {
			t.Errorf("%s: status %d, begins with %.20q", name, w.Code, w.Body.String())
		}
	}
}

// colours reads the variables of a block of the style sheet.
func colours(t *testing.T, css, after string) map[string]string {
	t.Helper()
	at := strings.Index(css, after)
	if at < 0 {
		t.Fatalf("style.css has no %q", after)
	}
	block := css[at:]
	block = block[strings.Index(block, ":root")+5:]
	block = block[:strings.Index(block, "}")]
	out := map[string]string{}
	for _, m := range regexp.MustCompile(`--([a-z-]+): (#[0-9a-f]{3,6});`).FindAllStringSubmatch(block, -1) {
		out[m[1]] = m[2]
	}
	return out
}

// luminance is WCAG 2.2's relative luminance of #rrggbb or #rgb.
func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	h := hex[1:]
	if len(h) == 3 {
		h = string([]byte{h[0], h[0], h[1], h[1], h[2], h[2]})
	}
	var sum float64
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		n, err := strconv.ParseUint(h[2*i:2*i+2], 16, 8)
		if err != nil {
			t.Fatal(err)
		}
		v := float64(n) / 255
		if v <= 0.04045 {
			v /= 12.92
		} else {
			v = math.Pow((v+0.055)/1.055, 2.4)
		}
		sum += weight * v
	}
	return sum
}

func contrast(t *testing.T, a, b string) float64 {
	x, y := luminance(t, a), luminance(t, b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// WCAG 2.2: text has a contrast of 4.5 (1.4.3), edges of controls, focus and
// what a bar shows one of 3 (1.4.11).
func TestContrast(t *testing.T) {
	// Black on white is 21 by the standard's own definition, and #777 on white
	// 4.48, as its working group's understanding document has it.
	if c := contrast(t, "#000", "#ffffff"); math.Abs(c-21) > 1e-9 {
		t.Fatalf("black on white: %v", c)
	}
	if c := contrast(t, "#777777", "#fff"); math.Abs(c-4.48) > 0.005 {
		t.Fatalf("#777 on white: %v", c)
	}
	css := string(assets["style.css"].content)
	const text, edge = 4.5, 3
	pairs := []struct {
		on, of string
		least  float64
	}{}
	for _, ground := range []string{"ground", "sheet", "track"} {
		for _, ink := range []string{"ink", "soft", "accent"} {
			pairs = append(pairs, struct {
				on, of string
				least  float64
			}{ground, ink, text})
		}
	}
	for _, kind := range []string{"good", "warn", "fail", "odd"} {
		for _, p := range [][2]string{{kind + "-bg", kind}, {kind + "-bg", "ink"}, {"sheet", kind}, {"ground", kind}} {
			pairs = append(pairs, struct {
				on, of string
				least  float64
			}{p[0], p[1], text})
		}
	}
	for _, p := range [][2]string{{"warn-bg", "soft"}, {"fail-bg", "soft"}, {"good-bg", "soft"}, {"accent", "on-accent"}, {"warn-bg", "accent"}, {"good-bg", "accent"}, {"fail-bg", "accent"}} {
		pairs = append(pairs, struct {
			on, of string
			least  float64
		}{p[0], p[1], text})
	}
	for _, p := range [][2]string{{"sheet", "edge"}, {"ground", "edge"}, {"track", "accent"}} {
		pairs = append(pairs, struct {
			on, of string
			least  float64
		}{p[0], p[1], edge})
	}
	for _, theme := range []string{"/* The page's", "prefers-color-scheme: dark", "@media print"} {
		vars := colours(t, css, theme)
		if len(vars) < 17 {
			t.Fatalf("%s: only %d colours read", theme, len(vars))
		}
		for _, p := range pairs {
			if c := contrast(t, vars[p.on], vars[p.of]); c < p.least {
				t.Errorf("%s: --%s on --%s has a contrast of %.2f, below %v", theme, p.of, p.on, c, p.least)
			}
		}
	}
}
