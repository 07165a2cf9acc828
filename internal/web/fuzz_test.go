package web

import (
	"encoding/json"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tawsight/internal/desk"
)

// FuzzUpload sends forms and files: whatever comes, the answer is never a fault of
// the server's own, and nothing is kept but by its content's name.
func FuzzUpload(f *testing.F) {
	dir := f.TempDir()
	d, err := desk.Open(f.Context(), filepath.Join(dir, "marbles.tawsight"), desk.Options{Workers: 1})
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { d.Close() })
	s, err := New(Config{Desk: d})
	if err != nil {
		f.Fatal(err)
	}
	w := post(s, "/intakes", "application/x-www-form-urlencoded", strings.NewReader(""), true)
	var begun struct{ Page string }
	if err := json.Unmarshal(w.Body.Bytes(), &begun); err != nil || w.Code != 201 {
		f.Fatalf("beginning: status %d, %s", w.Code, w.Body)
	}
	form := "--b\r\nContent-Disposition: form-data; name=\"check_bar_mm\"\r\n\r\n79.5\r\n--b\r\nContent-Disposition: form-data; name=\"photos\"; filename=\"a.jpg\"\r\n\r\nxyz\r\n--b--\r\n"
	f.Add("a.jpg", form)
	f.Add("../../escape.jpg", strings.Replace(form, "a.jpg", "../../../b.png", 1))
	f.Add("a\x00b\xff.heic", strings.Replace(form, "79.5", "1e309", 1))
	f.Add("x.jpg", strings.TrimSuffix(form, "--b--\r\n"))
	f.Fuzz(func(t *testing.T, name, body string) {
		for _, a := range []int{
			post(s, "/intakes", "multipart/form-data; boundary=b", strings.NewReader(body), false).Code,
			post(s, begun.Page+"/files?name="+url.QueryEscape(name), "", strings.NewReader(body), true).Code,
		} {
			if a >= 500 {
				t.Errorf("status %d", a)
			}
		}
		entries, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			if !strings.HasPrefix(e.Name(), "marbles") {
				t.Errorf("%q was written beside the collection", e.Name())
			}
		}
		kept, _ := os.ReadDir(d.At().Collection.UploadsDir())
		for _, e := range kept {
			base, _, _ := strings.Cut(e.Name(), ".")
			if len(base) != 64 && !strings.HasPrefix(e.Name(), ".receiving-") {
				t.Errorf("a file was kept as %q", e.Name())
			}
			_ = os.Remove(filepath.Join(d.At().Collection.UploadsDir(), e.Name())) // the disk is not the test's
		}
	})
}
