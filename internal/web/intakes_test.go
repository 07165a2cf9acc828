package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"mime/multipart"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tawsight/internal/collection"
	"tawsight/internal/desk"
	"tawsight/internal/intake"
)

// atDesk is a server with a desk of its own.
func atDesk(t *testing.T) (*Server, *desk.Desk) {
	t.Helper()
	d, err := desk.Open(t.Context(), filepath.Join(t.TempDir(), "marbles.tawsight"), desk.Options{Workers: 1})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	})
	return newServer(t, Config{Desk: d}), d
}

// post sends a body as one of our own pages does.
func post(s *Server, path, kind string, body io.Reader, script bool) *httptest.ResponseRecorder {
	r := httptest.NewRequest("POST", path, body)
	r.Host = "127.0.0.1:8420"
	r.Header.Set("Origin", "http://127.0.0.1:8420")
	if kind != "" {
		r.Header.Set("Content-Type", kind)
	}
	if script {
		r.Header.Set("Accept", "application/json")
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

func postForm(s *Server, path string, fields url.Values) *httptest.ResponseRecorder {
	return post(s, path, "application/x-www-form-urlencoded", strings.NewReader(fields.Encode()), false)
}

// upload is a form with a check bar and files by name.
func upload(t *testing.T, bar string, files ...[2]string) (kind string, body *bytes.Buffer) {
	t.Helper()
	body = &bytes.Buffer{}
	m := multipart.NewWriter(body)
	if err := m.WriteField("check_bar_mm", bar); err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		w, err := m.CreateFormFile("photos", f[0])
		if err != nil {
			t.Fatal(err)
		}
		io.WriteString(w, f[1])
	}
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	return m.FormDataContentType(), body
}

// Without a script the form does it all.
func TestPlainForm(t *testing.T) {
	s, d := atDesk(t)
	c := d.At().Collection
	for _, one := range []struct {
		about  string
		bar    string
		files  [][2]string
		status int
		says   string
		kept   int // files
	}{
		{"nothing chosen", "", [][2]string{{"", ""}}, 400, "No photo came", 0},
		{"no photo among them", "", [][2]string{{"notes.txt", "x"}}, 400, "None of that could be taken", 0},
		{"two photos", "79.4", [][2]string{{"a.jpg", "one"}, {"b.PNG", "two"}}, 303, "", 2},
		{"a photo and a note", "", [][2]string{{"a.jpg", "one"}, {"notes.txt", "x"}}, 303, "?refused=1", 1},
		{"a decimal comma", "79,4", [][2]string{{"a.jpg", "one"}}, 303, "", 1},
		{"a bar in inches", "3.15", [][2]string{{"a.jpg", "one"}}, 400, "length of the long line", 0},
		{"a bar that is no number", "long", [][2]string{{"a.jpg", "one"}}, 400, "length of the long line", 0},
		{"a bar that is not a number", "NaN", [][2]string{{"a.jpg", "one"}}, 400, "length of the long line", 0},
		{"an endless bar", strings.Repeat("8", 1000), [][2]string{{"a.jpg", "one"}}, 400, "length of the long line", 0},
	} {
		kind, body := upload(t, one.bar, one.files...)
		w := post(s, "/intakes", kind, body, false)
		to := w.Header().Get("Location")
		if w.Code != one.status || !strings.Contains(w.Body.String()+to, one.says) {
			t.Errorf("%s: status %d, leads to %q, says\n%s", one.about, w.Code, to, w.Body.String())
		}
		if w.Code != 303 {
			continue
		}
		id, _, _ := strings.Cut(strings.TrimPrefix(to, "/intakes/"), "?")
		files, err := c.IntakeFiles(t.Context(), id)
		if err != nil || len(files) != one.kept {
			t.Errorf("%s: %d files kept, want %d (%v)", one.about, len(files), one.kept, err)
		}
		if one.bar == "79.4" && files[0].CheckBarMM != 79.4 {
			t.Errorf("%s: the bar is kept as %v", one.about, files[0].CheckBarMM)
		}
		if page := answer(s, "GET", to, nil); page.Code != 200 || strings.Contains(to, "refused") != strings.Contains(page.Body.String(), "1 file of those sent was not taken") {
			t.Errorf("%s: its page, status %d:\n%s", one.about, page.Code, page.Body.String())
		}
	}
	for about, body := range map[string]string{"no form": "x", "half a form": "--b\r\nContent-Disposition: form-data; name=\"photos\"; filename=\"a.jpg\"\r\n\r\nhalf"} {
		if w := post(s, "/intakes", "multipart/form-data; boundary=b", strings.NewReader(body), false); w.Code != 400 {
			t.Errorf("%s: status %d", about, w.Code)
		}
	}
	if w := post(s, "/intakes", "text/plain", strings.NewReader("x"), false); w.Code != 400 {
		t.Errorf("another kind of body: status %d", w.Code)
	}
}

// The form names a ruler in plain words; what it names is kept with the intake, and
// the page says it.
func TestFormNamesARuler(t *testing.T) {
	s, d := atDesk(t)
	for _, one := range []struct {
		ruler, dpi string
		status     int
		says       string // of the page, or of the refusal
		kept       string // the ruler as it is kept
	}{
		{"", "", 303, "", ""},
		{"coin:2-euro", "", 303, "Ruler: 2 euro coins.", `{"coin":"2-euro"}`},
		{"sheet:letter", "", 303, "Ruler: a whole sheet of US letter paper.", `{"sheet":"letter"}`},
		{"scan", "", 303, "resolution its file gives", `{"scan":true}`},
		{"scan", "600", 303, "600 dots to the inch", `{"dpi":600}`},
		{"scan", "600,5", 303, "600.5 dots to the inch", `{"dpi":600.5}`},
		{"scan", "many", 400, "no number of dots", ""},
		{"scan", "0", 400, "no number of dots", ""},
		{"scan", "NaN", 400, "be used", ""},
		{"scan", "10", 400, "10 dots", ""},
		{"coin:2-euro", "600", 400, "no scan was chosen", ""},
		{"", "600", 400, "no scan was chosen", ""},
		{"coin:groat", "", 400, "be used", ""},
		{"sheet:", "", 303, "", ""},
		{"yardstick", "", 400, "isn’t known", ""},
		{"sheet:<b>", "", 400, "be used", ""},
	} {
		for _, script := range []bool{false, true} {
			var w *httptest.ResponseRecorder
			if script {
				q := url.Values{"check_bar_mm": {""}, "ruler": {one.ruler}, "dpi": {one.dpi}}
				w = post(s, "/intakes", "application/x-www-form-urlencoded", strings.NewReader(q.Encode()), true)
			} else {
				body := &bytes.Buffer{}
				m := multipart.NewWriter(body)
				m.WriteField("ruler", one.ruler)
				m.WriteField("dpi", one.dpi)
				f, err := m.CreateFormFile("photos", "a.jpg")
				if err != nil {
					t.Fatal(err)
				}
				io.WriteString(f, "one")
				m.Close()
				w = post(s, "/intakes", m.FormDataContentType(), body, false)
			}
			want := one.status
			if script && want == 303 {
				want = 201
			}
			if w.Code != want || want == 400 && (!strings.Contains(w.Body.String(), one.says) || strings.Contains(w.Body.String(), "<b>")) {
				t.Errorf("%+v, script %v: status %d, says\n%s", one, script, w.Code, w.Body)
			}
			if w.Code == 400 || w.Code != want {
				continue
			}
			to := w.Header().Get("Location")
			if script {
				var begun struct{ Page string }
				if err := json.Unmarshal(w.Body.Bytes(), &begun); err != nil {
					t.Fatal(err)
				}
				to = begun.Page
			}
			i, err := d.At().Collection.Intake(t.Context(), strings.TrimPrefix(to, "/intakes/"))
			if err != nil || i.Ruler.Text() != one.kept {
				t.Errorf("%+v, script %v: kept as %q, %v", one, script, i.Ruler.Text(), err)
			}
			page := answer(s, "GET", to, nil).Body.String()
			if !strings.Contains(page, one.says) {
				t.Errorf("%+v, script %v: its page does not say %q", one, script, one.says)
			}
			if v := chosenRuler(i.Ruler); v != "" && !strings.Contains(page, `value="`+v+`" selected`) {
				t.Errorf("%+v: the form does not come back with %s chosen", one, v)
			}
		}
	}
}

// A script sends photos one by one; no name gets a file out of its folder.
func TestReceiveFile(t *testing.T) {
	s, d := atDesk(t)
	w := post(s, "/intakes", "application/x-www-form-urlencoded", strings.NewReader(""), true)
	var begun struct{ ID, Page string }
	if err := json.Unmarshal(w.Body.Bytes(), &begun); err != nil || w.Code != 201 || begun.Page != "/intakes/"+begun.ID {
		t.Fatalf("beginning: status %d, %s", w.Code, w.Body)
	}
	dir := d.At().Collection.UploadsDir()
	for _, c := range []struct {
		name   string
		status int
	}{
		{"tray.jpg", 201},
		{"../../../escape.jpg", 201},
		{"/etc/passwd.jpg", 201},
		{`C:\photos\tray.jpg`, 201},
		{"a\x00b.jpg", 201},
		{"<script>alert(1)</script>.jpg", 201},
		{"\xff\xfe.jpg", 201},
		{strings.Repeat("long", 2000) + ".jpg", 201},
		{"notes.txt", 415},
		{"photo.jpg.exe", 415},
		{"", 415},
		{"..", 415},
	} {
		w := post(s, begun.Page+"/files?name="+url.QueryEscape(c.name), "", strings.NewReader("content of "+c.name), true)
		if w.Code != c.status {
			t.Errorf("%.40q: status %d, want %d: %s", c.name, w.Code, c.status, w.Body)
		}
		if w.Header().Get("Content-Type") != "application/json" {
			t.Errorf("%.40q: answered with %s", c.name, w.Header().Get("Content-Type"))
		}
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if name := e.Name(); len(name) != 64+len(".jpg") || strings.Trim(name[:64], "0123456789abcdef") != "" {
			t.Errorf("a file was kept as %q", name)
		}
	}
	if len(entries) != 8 {
		t.Errorf("%d files are kept, want 8", len(entries))
	}
	outside, err := filepath.Glob(filepath.Join(dir, "..", "*.jpg"))
	if err != nil || len(outside) > 0 {
		t.Errorf("outside the folder: %v", outside)
	}
	page := answer(s, "GET", begun.Page, nil).Body.String()
	if strings.Contains(page, "<script>alert") || !strings.Contains(page, "&lt;script&gt;alert") {
		t.Error("a name is not escaped in the page")
	}
	if w := post(s, "/intakes/none/files?name=a.jpg", "", strings.NewReader("x"), true); w.Code != 404 {
		t.Errorf("an intake that isn't there: status %d", w.Code)
	}
	if w := answer(s, "GET", begun.Page+"/files/none", nil); w.Code != 404 {
		t.Errorf("a file that isn't there: status %d", w.Code)
	}
}

// A photo that stops coming is cut off and leaves nothing; one that comes slowly
// but comes is taken, whatever the server's usual patience.
func TestSlowUpload(t *testing.T) {
	s, d := atDesk(t)
	s.host, s.port = "127.0.0.1", "0"
	s.times.header, s.times.read, s.times.write = time.Second, time.Second, time.Second
	base, _ := start(t, s)
	i, err := d.At().Intake.Begin(t.Context(), "", "test", intake.By{})
	if err != nil {
		t.Fatal(err)
	}
	host := strings.TrimPrefix(base, "http://")
	send := func(parts []string, length int) (answer string) {
		c, err := net.Dial("tcp", host)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		fmt.Fprintf(c, "POST /intakes/%s/files?name=a.jpg HTTP/1.1\r\nHost: %s\r\nOrigin: %s\r\nAccept: application/json\r\nContent-Length: %d\r\nConnection: close\r\n\r\n", i.ID, host, base, length)
		for n, p := range parts {
			if n > 0 {
				time.Sleep(700 * time.Millisecond)
			}
			io.WriteString(c, p)
		}
		if len(strings.Join(parts, "")) < length {
			return "" // gone
		}
		_ = c.SetReadDeadline(time.Now().Add(20 * time.Second))
		b, _ := io.ReadAll(c)
		return string(b)
	}
	if got := send([]string{"one ", "two ", "three ", "four"}, 18); !strings.HasPrefix(got, "HTTP/1.1 201") {
		t.Errorf("a slow photo: %q", got)
	}
	send([]string{"half"}, 1000)
	left := -1
	for begun := time.Now(); left != 1 && time.Since(begun) < 10*time.Second; time.Sleep(50 * time.Millisecond) {
		entries, err := os.ReadDir(d.At().Collection.UploadsDir())
		if err != nil {
			t.Fatal(err)
		}
		left = len(entries)
	}
	if left != 1 {
		t.Errorf("%d files are left after half a photo, want 1", left)
	}
}

// Addresses that lead to nothing, and forms that say nothing, change nothing.
func TestPagesOfNothing(t *testing.T) {
	s, d := atDesk(t)
	for _, path := range []string{
		"/photos/" + strings.Repeat("0", 64), "/photos/x", "/photos/x/picture", "/photos/x/picture?w=480", "/faces/x", "/faces/x?w=160", "/faces/x?w=99999",
		"/marbles/x", "/marbles/x/why", "/marbles/x/same", "/sheets/x", "/intakes/x", "/marbles/%00", "/marbles/..%2f..", "/photos/%ff",
	} {
		if w := answer(s, "GET", path, nil); w.Code != 404 {
			t.Errorf("%s: status %d", path, w.Code)
		}
	}
	for _, path := range []string{"label", "condition", "note", "tags", "describe", "join", "part"} {
		w := postForm(s, "/marbles/x/"+path, url.Values{"set": {"open"}, "sure": {"certain"}, "grade": {"mint"}, "text": {"a"}, "tags": {"a"}, "name": {"a"}, "other": {"y"}, "sighting": {"y"}})
		if w.Code != 404 {
			t.Errorf("%s of no marble: status %d", path, w.Code)
		}
	}
	for _, path := range []string{"/", "/photos", "/photos?page=-1", "/photos?page=99999999999999999999", "/photos?page=x", "/poor"} {
		if w := answer(s, "GET", path, nil); w.Code != 200 {
			t.Errorf("%s of an empty collection: status %d", path, w.Code)
		}
	}
	edits, err := d.At().Collection.Edits(t.Context(), 0, 10)
	if err != nil || len(edits) > 0 {
		t.Errorf("edits were made: %v, %v", edits, err)
	}
}

// Without a desk the first steps are shown, and nothing can be added.
func TestWithoutDesk(t *testing.T) {
	s := newServer(t, Config{})
	if w := answer(s, "GET", "/", nil); w.Code != 200 || strings.Contains(w.Body.String(), `type="file"`) {
		t.Errorf("the start page: status %d", w.Code)
	}
	for _, path := range []string{"/photos", "/poor", "/marbles/x", "/intakes/x"} {
		if w := answer(s, "GET", path, nil); w.Code != http.StatusServiceUnavailable {
			t.Errorf("%s: status %d", path, w.Code)
		}
	}
	if w := postForm(s, "/demo", nil); w.Code != http.StatusServiceUnavailable {
		t.Errorf("the demo: status %d", w.Code)
	}
}

// The demo lies in a file of its own, and leaving it brings the own one back.
func TestDemo(t *testing.T) {
	s, d := atDesk(t)
	own := d.At().Collection.Path()
	w := postForm(s, "/demo", nil)
	to := w.Header().Get("Location")
	if w.Code != 303 || !strings.HasPrefix(to, "/intakes/") {
		t.Fatalf("showing the demo: status %d, leads to %q", w.Code, to)
	}
	page := answer(s, "GET", to, nil).Body.String()
	if !strings.Contains(page, "This is the demo") || !strings.Contains(page, "photos") {
		t.Errorf("the demo's page:\n%s", page)
	}
	if at := d.At().Collection.Path(); at == own || !d.At().Demo {
		t.Errorf("the demo is at %s", at)
	}
	if w := postForm(s, "/demo/leave", nil); w.Code != 303 || w.Header().Get("Location") != "/" {
		t.Errorf("leaving: status %d", w.Code)
	}
	if d.At().Collection.Path() != own {
		t.Error("after leaving, the own collection is not back")
	}
	n, err := d.At().Collection.Counts(t.Context())
	if err != nil || n.Photos != 0 {
		t.Errorf("the own collection has %d photos of the demo (%v)", n.Photos, err)
	}
	if strings.Contains(answer(s, "GET", "/", nil).Body.String(), "This is the demo") {
		t.Error("the start page still speaks of the demo")
	}
}

func TestWords(t *testing.T) {
	for got, want := range map[string]string{
		sentence("the card is bent"): "The card is bent.",
		sentence("  écarté!"):        "Écarté!",
		sentence(""):                 "",
		bytesInWords(0):              "0 bytes",
		bytesInWords(1500):           "1 kB",
		bytesInWords(400 << 20):      "400 MB",
		date("2026-03-14T10:11:12"):  "14 March 2026",
		date("not a date"):           "not a date",
		minute("nonsense"):           "nonsense",
		sureWords(collection.Guess):  "a guess",
		stateChip(collection.Row{State: collection.Labelled, Set: "jar", Sure: collection.Likely}).Text: "jar, likely",
		stateChip(collection.Row{State: collection.Unjudged}).Text:                                      "not compared",
	} {
		if got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
