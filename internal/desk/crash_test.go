package desk_test

import (
	"bytes"
	"encoding/json"
	"image"
	"image/jpeg"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"tawsight/internal/collection"
	"tawsight/internal/desk"
	"tawsight/internal/intake"
	"tawsight/internal/pipeline"
	"tawsight/internal/web"
	"tawsight/internal/worker"
)

// What follows a picture makes the worker fail that is to measure it: files that
// come by the page are named by their content.
const crashes, hangs, flaky = "this one crashes", "this one hangs", "this one crashes once"

func TestMain(m *testing.M) {
	pipeline.Sabotage = func(path string) {
		data, err := os.ReadFile(path)
		switch {
		case err != nil:
		case bytes.HasSuffix(data, []byte(crashes)):
			_ = syscall.Kill(os.Getpid(), syscall.SIGSEGV)
			select {}
		case bytes.HasSuffix(data, []byte(hangs)):
			for i := 0; ; i++ {
				if i < 0 {
					return
				}
			}
		case bytes.HasSuffix(data, []byte(flaky)):
			if _, err := os.Stat(path + ".tried"); err != nil {
				_ = os.WriteFile(path+".tried", nil, 0o666)
				os.Exit(7)
			}
		}
	}
	pipeline.IsolateWithin(worker.Limits{CPU: 2 * time.Second, Wall: 2 * time.Minute})
	status := m.Run()
	pipeline.Dismiss()
	os.Exit(status)
}

// plain is a picture without marbles, measured in no time, with more after its end.
func plain(t *testing.T, grey uint8, more string) []byte {
	t.Helper()
	img := image.NewGray(image.Rect(0, 0, 160, 120))
	for i := range img.Pix {
		img.Pix[i] = grey + byte(i%160/8)
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, nil); err != nil {
		t.Fatal(err)
	}
	return append(b.Bytes(), more...)
}

type bad struct {
	name, more string
	state      collection.FileState
	says       string
}

// lot are photos of which some make their workers fail, with what is said of each.
var lot = []bad{
	{"a-good.jpg", "", collection.FileDone, ""},
	{"b-crashes.jpg", crashes, collection.Failed, "broke down on this photo, twice"},
	{"c-good.jpg", "", collection.FileDone, ""},
	{"d-hangs.jpg", hangs, collection.Failed, "took too long"},
	{"e-flaky.jpg", flaky, collection.FileDone, ""},
	{"f-good.jpg", "", collection.FileDone, ""},
}

// finished waits until an intake is, and checks how its files ended.
func finished(t *testing.T, c *collection.Collection, id string, lot []bad) {
	t.Helper()
	for start := time.Now(); ; time.Sleep(50 * time.Millisecond) {
		i, err := c.Intake(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		if i.Finished != "" && i.Total() == len(lot) {
			break
		}
		if time.Since(start) > 4*time.Minute {
			t.Fatalf("it does not end: %v", i.Files)
		}
	}
	files, err := c.IntakeFiles(t.Context(), id)
	if err != nil || len(files) != len(lot) {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for k, f := range files { // in the order of their names
		if want := lot[k]; f.Name != want.name || f.State != want.state || !strings.Contains(f.Reason, want.says) || f.Reason != "" != (want.says != "") {
			t.Errorf("%s: %s, %q; want %s, %q", f.Name, f.State, f.Reason, want.state, want.says)
		}
	}
}

// A photo that crashes the worker it is given to, or hangs it, costs that photo: the
// server answers all the while, names it with its reason, and measures the rest.
func TestServerOutlivesItsWorkers(t *testing.T) {
	d, err := desk.Open(t.Context(), filepath.Join(t.TempDir(), "marbles.tawsight"), desk.Options{Workers: 2})
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	s, err := web.New(web.Config{Desk: d})
	if err != nil {
		t.Fatal(err)
	}
	ask := func(method, path string, body []byte) *httptest.ResponseRecorder {
		t.Helper()
		r := httptest.NewRequest(method, path, bytes.NewReader(body))
		r.Host = "127.0.0.1:8420"
		if method == "POST" {
			r.Header.Set("Origin", "http://127.0.0.1:8420")
			r.Header.Set("Accept", "application/json")
		}
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		return w
	}
	w := ask("POST", "/intakes", nil)
	var begun struct{ ID, Page string }
	if err := json.Unmarshal(w.Body.Bytes(), &begun); err != nil || w.Code != http.StatusCreated {
		t.Fatalf("status %d, %s", w.Code, w.Body)
	}
	for k, p := range lot {
		if w := ask("POST", begun.Page+"/files?name="+url.QueryEscape(p.name), plain(t, uint8(150+10*k), p.more)); w.Code != http.StatusCreated {
			t.Fatalf("%s: status %d, %s", p.name, w.Code, w.Body)
		}
		if w := ask("GET", "/", nil); w.Code != http.StatusOK {
			t.Errorf("after %s the first page is status %d", p.name, w.Code)
		}
	}
	finished(t, d.At().Collection, begun.ID, lot)
	page := ask("GET", begun.Page, nil)
	if page.Code != http.StatusOK {
		t.Fatalf("status %d", page.Code)
	}
	for _, p := range lot {
		if text := page.Body.String(); !strings.Contains(text, p.name) || !strings.Contains(text, p.says) {
			t.Errorf("the page does not say of %s: %q", p.name, p.says)
		}
	}
}

// The same of a folder that is added without a page.
func TestIntakeOutlivesItsWorkers(t *testing.T) {
	dir := t.TempDir()
	// One that hangs takes long, and is no different here.
	lot := slices.DeleteFunc(slices.Clone(lot), func(p bad) bool { return p.more == hangs })
	for k, p := range lot {
		if err := os.WriteFile(filepath.Join(dir, p.name), plain(t, uint8(150+10*k), p.more), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	c, err := collection.Create(t.Context(), filepath.Join(t.TempDir(), "marbles.tawsight"))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	in := intake.New(c, intake.Options{Workers: 2})
	i, err := in.AddFolder(t.Context(), "Ada", []string{dir}, intake.By{})
	if err != nil {
		t.Fatal(err)
	}
	if err := in.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	finished(t, c, i.ID, lot)
	if faults, err := c.Check(t.Context()); err != nil || len(faults) > 0 {
		t.Errorf("%v, %v", faults, err)
	}
}
