package guide

import (
	"bytes"
	"errors"
	"fmt"
	"image/jpeg"
	"math"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"tawsight/internal/refset"
)

// nodes are all elements of a page, in their order.
func nodes(n *html.Node, f func(*html.Node)) {
	if n.Type == html.ElementNode {
		f(n)
	}
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		nodes(c, f)
	}
}

func attr(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

func text(n *html.Node) string {
	if n.Type == html.TextNode {
		return n.Data
	}
	var b strings.Builder
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		b.WriteString(text(c))
	}
	return b.String()
}

func parse(t *testing.T, path string) *html.Node {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := html.Parse(bytes.NewReader(data))
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return doc
}

// odd are sets whose names a file system or a page could take amiss.
func odd() []made {
	list := twoSets()
	names := map[string]string{"jar": `a/b <i>"jar" & co`, "box": "Köfferchen?#%"}
	for i := range list {
		list[i].set = names[list[i].set]
	}
	for i, name := range []string{"JAR", "jar"} { // alike where case is not told apart
		list = append(list, made{set: name, name: fmt.Sprint("C-", i), mm: 15 + float64(i), kind: "opaque", lightness: 30 + 10*float64(i), ribbons: 1, permission: refset.Own},
			made{set: name, name: fmt.Sprint("D-", i), mm: 15.5 + float64(i), kind: "opaque", lightness: 31 + 10*float64(i), ribbons: 1, permission: refset.Own})
	}
	return list
}

// The pages are whole, need nothing but one another, and can be read by those
// who can't see them (WCAG 2.2: 1.1.1, 1.3.1, 2.4.1, 2.4.2, 3.1.1).
func TestPages(t *testing.T) {
	for name, list := range map[string][]made{"plain": twoSets(), "odd names": odd()} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			e := edition(t, list)
			files, err := Write(dir, e)
			if err != nil {
				t.Fatal(err)
			}
			if files[0] != filepath.Join(dir, IndexName) {
				t.Errorf("the page to open first is %s", files[0])
			}
			ids := map[string]map[string]bool{} // by page
			var pages []string
			for _, f := range files {
				if filepath.Ext(f) != ".html" {
					continue
				}
				pages = append(pages, f)
				ids[f] = map[string]bool{}
				nodes(parse(t, f), func(n *html.Node) {
					if id := attr(n, "id"); id != "" {
						if ids[f][id] {
							t.Errorf("%s: the id %s stands twice", f, id)
						}
						ids[f][id] = true
					}
				})
			}
			if len(pages) != 1+len(e.Sets) {
				t.Errorf("%d pages for %d sets", len(pages), len(e.Sets))
			}
			led := map[string]bool{}
			for _, page := range pages {
				doc := parse(t, page)
				pictures, h1, level := 0, 0, 0
				nodes(doc, func(n *html.Node) {
					for _, a := range n.Attr {
						v := strings.ToLower(a.Val)
						if strings.HasPrefix(a.Key, "on") || strings.Contains(v, "javascript:") {
							t.Errorf("%s: <%s %s=%q>", page, n.Data, a.Key, a.Val)
						}
						if a.Key == "xmlns" { // a name, not a request
							continue
						}
						if strings.Contains(v, "://") || strings.HasPrefix(v, "//") {
							t.Errorf("%s: <%s %s=%q> leads elsewhere", page, n.Data, a.Key, a.Val)
						}
						if (a.Key != "src" && a.Key != "href") || v == "data:," {
							continue
						}
						u, err := url.Parse(a.Val)
						if err != nil {
							t.Errorf("%s: %q: %v", page, a.Val, err)
							continue
						}
						to := page
						if u.Path != "" {
							to = filepath.Join(dir, filepath.FromSlash(u.Path))
						}
						if !slices.Contains(files, to) {
							t.Errorf("%s: %q leads to nothing that was written", page, a.Val)
						}
						led[to] = true
						if u.Fragment != "" && !ids[to][u.Fragment] {
							t.Errorf("%s: %q leads to no place of that page", page, a.Val)
						}
					}
					switch n.Data {
					case "script", "iframe", "object", "link":
						if n.Data != "link" || attr(n, "rel") != "icon" {
							t.Errorf("%s has a <%s>", page, n.Data)
						}
					case "html":
						if attr(n, "lang") != "en-GB" {
							t.Errorf("%s: lang %q", page, attr(n, "lang"))
						}
					case "title":
						if text(n) == "" || !strings.Contains(text(n), e.Title) {
							t.Errorf("%s: title %q", page, text(n))
						}
					case "style":
						if s := text(n); strings.Contains(s, "url(") || strings.Contains(s, "@import") {
							t.Errorf("%s: the style asks for files", page)
						}
					case "img":
						pictures++
						if attr(n, "alt") == "" || attr(n, "width") == "" {
							t.Errorf("%s: a picture without words or size: %s", page, attr(n, "src"))
						}
					case "svg":
						if attr(n, "role") != "img" || attr(n, "aria-label") == "" {
							t.Errorf("%s: a drawing without words", page)
						}
					case "h1", "h2", "h3", "h4":
						l := int(n.Data[1] - '0')
						if l == 1 {
							h1++
						}
						if l > level+1 {
							t.Errorf("%s: a heading of level %d after one of %d: %s", page, l, level, text(n))
						}
						level = l
					}
				})
				if h1 != 1 || pictures == 0 {
					t.Errorf("%s: %d first headings, %d pictures", page, h1, pictures)
				}
			}
			for _, f := range files {
				if name := filepath.Base(f); !led[f] && name != EditionName {
					t.Errorf("nothing leads to %s", f)
				}
			}
			for _, s := range e.Sets {
				if page := parse(t, filepath.Join(dir, newBook(e).pageOf(&s))); !strings.Contains(text(page), s.Label) {
					t.Errorf("the page of %q does not name it", s.Label)
				}
			}
		})
	}
}

// The pages' parts, in their order.
func TestHeadings(t *testing.T) {
	dir := t.TempDir()
	if _, err := Write(dir, edition(t, twoSets())); err != nil {
		t.Fatal(err)
	}
	for page, want := range map[string][]string{
		"index.html": {"1 A made guide", "2 How to use this guide", "2 The sets", "3 box", "3 jar", "2 How surely the sets are told apart", "2 What changed", "2 Credits and permissions", "2 With care"},
		"set-jar.html": {"1 jar", "2 Plates", "2 What its marbles have", "2 Sizes", "2 Colours", "3 Base", "3 Ribbons", "2 How sure",
			"2 What it is taken for", "3 box", "4 jar", "4 box", "2 Usual ranges"},
	} {
		var got []string
		nodes(parse(t, filepath.Join(dir, page)), func(n *html.Node) {
			if len(n.Data) == 2 && n.Data[0] == 'h' && n.Data[1] >= '1' && n.Data[1] <= '6' {
				got = append(got, n.Data[1:]+" "+strings.TrimSpace(text(n)))
			}
		})
		if !slices.Equal(got, want) {
			t.Errorf("%s: %q, want %q", page, got, want)
		}
	}
	index := text(parse(t, filepath.Join(dir, "index.html")))
	for _, says := range []string{
		notProof, "This is the first edition", "14 of 14 (100 %; 95 % interval 78 to 100 %)", // Wilson's lower end of 14 of 14: 0.785
		"2 marbles are counted but not shown, 2 of them because there is no permission to share",
		"10 pictures by the tester: the collector’s own.", "2 pictures by Aunt Ada: shown with permission to share.",
		"Never look into an ultraviolet lamp", "a chip’s edge cuts", "small children", "Tawsight 0.1.0, OpenCV 4.6.0, feature registry 2",
	} {
		if !strings.Contains(index, says) {
			t.Errorf("index.html does not say %q", says)
		}
	}
}

var custom = regexp.MustCompile(`--([ds]):([0-9.]+)`)

// In every plate a millimetre of marble is as long in one picture as in the
// next, whatever the scale of the file; the marbles of unknown size stand apart,
// without a bar.
func TestOneScale(t *testing.T) {
	dir := t.TempDir()
	list := twoSets()
	e := edition(t, list)
	if _, err := Write(dir, e); err != nil {
		t.Fatal(err)
	}
	truth := map[string]made{}
	for _, m := range list {
		truth[m.name] = m
	}
	plates, checked := 0, 0
	for i := range e.Sets {
		s := &e.Sets[i]
		names := map[string]string{}
		for j := range e.Sets {
			for _, m := range e.Sets[j].shown() {
				names[newBook(e).picturePath(&e.Sets[j], m.Number)] = m.Name
			}
		}
		nodes(parse(t, filepath.Join(dir, newBook(e).pageOf(s))), func(n *html.Node) {
			if attr(n, "class") != "plate" {
				return
			}
			plates++
			bar, unscaled := false, 0
			nodes(n, func(c *html.Node) {
				bar = bar || attr(c, "class") == "bar"
				if c.Data != "img" {
					return
				}
				side := number(t, attr(c, "style"), "s")
				window := number(t, attr(c.Parent, "style"), "d")
				m := truth[names[attr(c, "src")]]
				data, err := os.ReadFile(filepath.Join(dir, attr(c, "src")))
				if err != nil {
					t.Fatal(err)
				}
				conf, err := jpeg.DecodeConfig(bytes.NewReader(data))
				if err != nil {
					t.Fatal(err)
				}
				if m.mm == 0 {
					unscaled++
					return
				}
				checked++
				// The style's unit is a millimetre: the picture's side over its
				// pixels must be the scale that it was cut out at.
				scale := m.mmPerPX
				if scale == 0 {
					scale = 0.05
				}
				if got := side / float64(conf.Width); math.Abs(got-scale) > 1e-4*scale {
					t.Errorf("%s: drawn at %g mm a pixel, cut out at %g", m.name, got, scale)
				}
				if math.Abs(window-1.2*m.mm) > 0.01 {
					t.Errorf("%s: a window of %g mm for %g mm", m.name, window, m.mm)
				}
			})
			if unscaled > 0 && bar {
				t.Errorf("%s: a plate with marbles of unknown size has a bar", s.Label)
			}
		})
	}
	// A plate of the jar, two of the box, and two sides of each lookalike.
	if plates != 7 || checked != 6+5+2*(4+4) {
		t.Errorf("%d plates, %d pictures", plates, checked)
	}
}

func number(t *testing.T, style, name string) float64 {
	t.Helper()
	for _, m := range custom.FindAllStringSubmatch(style, -1) {
		if m[1] == name {
			v, err := strconv.ParseFloat(m[2], 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
	}
	t.Fatalf("no --%s in %q", name, style)
	return 0
}

// tool runs a program of poppler-utils, or skips.
func tool(t *testing.T, name string, args ...string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		t.Skipf("%s is not here: install poppler-utils to test the PDF with it", name)
	}
	out, err := exec.Command(path, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v: %s", name, err, out)
	}
	return string(out)
}

func TestPDF(t *testing.T) {
	path := filepath.Join(t.TempDir(), PDFName)
	list := twoSets()
	for i := range list {
		if list[i].set == "box" {
			list[i].set = "Köfferchen"
		}
	}
	e := edition(t, list)
	if err := WritePDF(path, e); err != nil {
		t.Fatal(err)
	}
	info := tool(t, "pdfinfo", path)
	for _, want := range []string{`Title: +A made guide`, `Author: +the tester`, `Subject: .*Edition 1, 25 November 2026`, `Page size: +595\.\d+ x 841\.\d+ pts \(A4\)`} {
		if !regexp.MustCompile(want).MatchString(info) {
			t.Errorf("pdfinfo has no %s:\n%s", want, info)
		}
	}
	pages, err := strconv.Atoi(regexp.MustCompile(`Pages: +(\d+)`).FindStringSubmatch(info)[1])
	if err != nil {
		t.Fatal(err)
	}
	words := tool(t, "pdftotext", "-layout", path, "-")
	for n := 2; n <= pages; n++ {
		if !strings.Contains(words, fmt.Sprintf("%d of %d", n, pages)) {
			t.Errorf("page %d has no number", n)
		}
	}
	for _, says := range []string{notProof, "Köfferchen", "2 more are counted but not shown: no permission to share.", "Contents", "Usual ranges", "Aunt Ada", "printed at 1.25 times life size"} {
		if !strings.Contains(strings.Join(strings.Fields(words), " "), says) {
			t.Errorf("the PDF does not say %q", says)
		}
	}
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(data, []byte("/Lang (en-GB)")) || !bytes.Contains(data, []byte("/Outlines")) {
		t.Error("no language, or no bookmarks")
	}
	for _, line := range strings.Split(tool(t, "pdffonts", path), "\n")[2:] {
		// The column emb says whether a font is embedded.
		if f := strings.Fields(line); len(f) > 4 && f[len(f)-5] != "yes" {
			t.Errorf("a font is not embedded: %s", line)
		}
	}
	// The contents lead to where they say.
	for _, m := range regexp.MustCompile(`(?m)^ *(jar|Köfferchen|What changed) +(\d+)$`).FindAllStringSubmatch(words, -1) {
		if page := tool(t, "pdftotext", "-layout", "-f", m[2], "-l", m[2], path, "-"); !regexp.MustCompile(`(?m)^ *` + m[1] + ` *$`).MatchString(page) {
			t.Errorf("page %s does not begin %s:\n%.300s", m[2], m[1], page)
		}
	}
	// One scale: of 0.05 mm a pixel, printed 1.25 times as large as life, there are
	// 25.4/(0.05*1.25) = 406 pixels an inch, of J-4's 0.1 half of that. The cover's
	// faces are larger, and B-4's of unknown size.
	seen := map[string]int{}
	for _, line := range strings.Split(tool(t, "pdfimages", "-list", "-f", "2", path), "\n")[2:] {
		if f := strings.Fields(line); len(f) > 13 {
			seen[f[12]]++
		}
	}
	unknown := 25.4 / (15.875 / 320 * 1.25) // drawn as 5/8 inch
	for ppi := range seen {
		v, err := strconv.ParseFloat(ppi, 64)
		if err != nil || math.Abs(v-406.4) > 1.5 && math.Abs(v-203.2) > 1.5 && math.Abs(v-unknown) > 1.5 {
			t.Errorf("pictures of %s pixels an inch", ppi)
		}
	}
	if len(seen) < 2 {
		t.Errorf("pictures %v", seen)
	}
}

// The same edition gives the same bytes.
func TestSameBytes(t *testing.T) {
	var first map[string][]byte
	for range 2 {
		dir := t.TempDir()
		files, err := Write(dir, edition(t, twoSets()))
		if err != nil {
			t.Fatal(err)
		}
		all := map[string][]byte{}
		for _, f := range files {
			data, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			rel, _ := filepath.Rel(dir, f)
			all[rel] = data
		}
		if first == nil {
			first = all
			continue
		}
		if len(all) != len(first) {
			t.Fatalf("%d files, then %d", len(first), len(all))
		}
		for name := range all {
			if !bytes.Equal(all[name], first[name]) {
				t.Errorf("%s differs", name)
			}
		}
	}
}

// Nothing of the user's is overwritten, and what an earlier edition left behind
// is removed, and no more.
func TestFilesInTheWay(t *testing.T) {
	one := edition(t, twoSets())
	b := newBook(one)
	for _, name := range append(b.files(), PDFName) {
		dir := t.TempDir()
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		const mine = "mine"
		if err := os.WriteFile(path, []byte(mine), 0o666); err != nil {
			t.Fatal(err)
		}
		if _, err := Write(dir, one); !errors.Is(err, ErrNotAGuide) || !strings.Contains(err.Error(), path) {
			t.Errorf("%s in the way: %v", name, err)
		}
		if data, _ := os.ReadFile(path); string(data) != mine {
			t.Errorf("%s was overwritten", name)
		}
		if name != IndexName {
			if _, err := os.Stat(filepath.Join(dir, IndexName)); err == nil {
				t.Errorf("half a guide was written with %s in the way", name)
			}
		}
	}
	dir := t.TempDir()
	if _, err := Write(dir, one); err != nil {
		t.Fatal(err)
	}
	// Files of the user's beside the guide, one under a name that a guide had.
	keep := filepath.Join(dir, "set-notes.html")
	gone := filepath.Join(dir, "pictures", "jar-002.jpg")
	for _, f := range []string{keep, gone} {
		if err := os.WriteFile(f, []byte("my own notes"), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	list := twoSets()
	for i := range list {
		if list[i].set == "jar" {
			list[i].set = "tin"
		}
	}
	two := edition(t, list)
	two.Follow(one)
	if _, err := Write(dir, two); err != nil {
		t.Fatal(err)
	}
	for path, there := range map[string]bool{keep: true, gone: true, filepath.Join(dir, "set-jar.html"): false, filepath.Join(dir, "pictures", "jar-001.jpg"): false, filepath.Join(dir, "set-tin.html"): true} {
		if _, err := os.Stat(path); (err == nil) != there {
			t.Errorf("%s: there %v, want %v", path, err == nil, there)
		}
	}
	stored, err := ReadFolder(dir)
	if err != nil || stored.Number != 2 || stored.Changes == nil {
		t.Fatalf("%v, %+v", err, stored)
	}
}

// contrast is the ratio of WCAG 2.2, "contrast ratio" and "relative luminance".
func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	lum := func(hex string) float64 {
		v, err := strconv.ParseUint(strings.TrimPrefix(hex, "#"), 16, 32)
		if err != nil || len(hex) != 7 {
			t.Fatalf("the colour %q", hex)
		}
		sum := 0.0
		for i, w := range []float64{0.2126, 0.7152, 0.0722} {
			c := float64(v>>(16-8*i)&0xff) / 255
			if c <= 0.04045 {
				c /= 12.92
			} else {
				c = math.Pow((c+0.055)/1.055, 2.4)
			}
			sum += w * c
		}
		return sum
	}
	x, y := lum(a), lum(b)
	return (math.Max(x, y) + 0.05) / (math.Min(x, y) + 0.05)
}

// Text stands out by 4.5 to 1 and marks by 3 to 1, light and dark (WCAG 2.2,
// 1.4.3 and 1.4.11).
func TestContrast(t *testing.T) {
	roots := regexp.MustCompile(`(?s):root\{(.*?)\}`).FindAllStringSubmatch(style, -1)
	if len(roots) < 3 {
		t.Fatalf("%d sets of colours", len(roots))
	}
	for k, name := range []string{"light", "dark"} {
		colours := map[string]string{}
		for _, m := range regexp.MustCompile(`--([a-z-]+):(#[0-9a-f]{6})`).FindAllStringSubmatch(roots[k][1], -1) {
			colours[m[1]] = m[2]
		}
		for _, c := range []struct {
			front, back string
			least       float64
		}{
			{"ink", "ground", 4.5}, {"ink", "sheet", 4.5}, {"ink", "tray", 4.5}, {"ink", "warn-bg", 4.5},
			{"soft", "ground", 4.5}, {"soft", "sheet", 4.5}, {"soft", "tray", 4.5},
			{"accent", "ground", 4.5}, {"accent", "sheet", 4.5}, {"accent", "tray", 3}, {"other", "ground", 3}, {"other", "tray", 3}, {"warn", "warn-bg", 3},
		} {
			if got := contrast(t, colours[c.front], colours[c.back]); got < c.least {
				t.Errorf("%s: %s on %s is %.2f to 1, below %g", name, c.front, c.back, got, c.least)
			}
		}
	}
}
