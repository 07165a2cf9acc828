package web

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"
)

// start serves on a free port until the test ends.
func start(t *testing.T, s *Server) (base string, stop func()) {
	t.Helper()
	if err := s.Listen(); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx) }()
	stopped := false
	stop = func() {
		if stopped {
			return
		}
		stopped = true
		cancel()
		select {
		case err := <-ended:
			if err != nil {
				t.Errorf("Serve: %v", err)
			}
		case <-time.After(20 * time.Second):
			t.Error("Serve does not stop")
		}
	}
	t.Cleanup(stop)
	return strings.TrimSuffix(strings.Split(s.URLs()[0], "?")[0], "/"), stop
}

// lines reads a stream of events, one line at a time.
type lines struct {
	t    *testing.T
	body io.ReadCloser
	in   chan string
}

func watchEvents(t *testing.T, base, after string) *lines {
	t.Helper()
	r, err := http.NewRequest("GET", base+"/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	if after != "" {
		r.Header.Set("Last-Event-ID", after)
	}
	w, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	if w.StatusCode != 200 || w.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("status %d, %s", w.StatusCode, w.Header.Get("Content-Type"))
	}
	l := &lines{t: t, body: w.Body, in: make(chan string, 4096)}
	t.Cleanup(func() { w.Body.Close() })
	go func() {
		defer close(l.in)
		for in := bufio.NewScanner(w.Body); in.Scan(); {
			l.in <- in.Text()
		}
	}()
	return l
}

// next is the next line that begins with prefix, without it.
func (l *lines) next(prefix string) string {
	l.t.Helper()
	late := time.After(20 * time.Second)
	for {
		select {
		case s, open := <-l.in:
			if !open {
				l.t.Fatalf("the stream ended before %q", prefix)
			}
			if rest, ok := strings.CutPrefix(s, prefix); ok {
				return rest
			}
		case <-late:
			l.t.Fatalf("no line %q", prefix)
		}
	}
}

func newFree(t *testing.T) *Server { return newServer(t, Config{Addr: "127.0.0.1:0"}) }

func TestEventsReachEveryBrowser(t *testing.T) {
	s := newFree(t)
	base, _ := start(t, s)
	one, two := watchEvents(t, base, ""), watchEvents(t, base, "")
	one.next("retry: ")
	two.next("retry: ")
	if err := s.Events().Publish("photo", map[string]string{"name": "tray\n1 <b>"}); err != nil {
		t.Fatal(err)
	}
	for _, l := range []*lines{one, two} {
		if kind, data := l.next("event: "), l.next("data: "); kind != "photo" || data != `{"name":"tray\n1 \u003cb\u003e"}` {
			t.Errorf("event %q, data %q", kind, data)
		}
	}
	if err := s.Events().Publish("two\nlines", nil); err == nil {
		t.Error("a kind of two lines is taken")
	}
	if err := s.Events().Publish("photo", make(chan int)); err == nil {
		t.Error("what JSON can't hold is taken")
	}
}

func TestEventsResume(t *testing.T) {
	s := newFree(t)
	base, _ := start(t, s)
	publish := func(n int) {
		if err := s.Events().Publish("n", n); err != nil {
			t.Fatal(err)
		}
	}
	l := watchEvents(t, base, "")
	l.next("retry: ")
	publish(1)
	last := l.next("id: ")
	l.body.Close()
	publish(2)
	publish(3)
	back := watchEvents(t, base, last)
	for _, want := range []string{"2", "3"} {
		if got := back.next("data: "); got != want {
			t.Fatalf("resumed with %s, want %s", got, want)
		}
	}
	publish(4)
	if got := back.next("data: "); got != "4" {
		t.Fatalf("after resuming came %s", got)
	}
	// Who is up to date misses nothing and gets nothing twice.
	now := watchEvents(t, base, s.Events().Latest())
	now.next("retry: ")
	publish(5)
	if got := now.next("data: "); got != "5" {
		t.Fatalf("up to date, then came %s", got)
	}
	// What can't be resumed is said.
	for range hubKeeps {
		publish(6)
	}
	for about, id := range map[string]string{"too old": last, "of another start": "0000-1", "nonsense": "\"<x>", "of the future": strings.TrimSuffix(last, "1") + "99999999"} {
		l := watchEvents(t, base, id)
		if kind := l.next("event: "); kind != "again" {
			t.Errorf("an id %s: event %q", about, kind)
		}
	}
	if n := len(s.Events().kept); n != hubKeeps {
		t.Errorf("%d events are kept, want %d", n, hubKeeps)
	}
}

// A browser that does not read is let go, and holds up nobody.
func TestSlowBrowserIsLetGo(t *testing.T) {
	h := NewHub()
	_, slow, _ := h.watch("")
	for n := range hubWaiting + 10 {
		if err := h.Publish("n", n); err != nil {
			t.Fatal(err)
		}
	}
	got := 0
	for range slow { // ends: the hub closed it
		got++
	}
	if got != hubWaiting || len(h.watchers) != 0 {
		t.Errorf("%d events before it was let go, %d still watching", got, len(h.watchers))
	}
	h.leave(slow) // once more does no harm
}

// A stream lives longer than any request may take, and ends with the server.
func TestStreamOutlivesTimeouts(t *testing.T) {
	s := newFree(t)
	s.times = times{header: 200 * time.Millisecond, read: 200 * time.Millisecond, write: 200 * time.Millisecond, idle: time.Second, stop: 5 * time.Second}
	s.events.beat = 150 * time.Millisecond
	base, stop := start(t, s)
	l := watchEvents(t, base, "")
	for range 6 {
		l.next(": still here")
	}
	if err := s.Events().Publish("n", 1); err != nil {
		t.Fatal(err)
	}
	l.next("data: 1")
	begun := time.Now()
	stop()
	if took := time.Since(begun); took > 4*time.Second {
		t.Errorf("stopping with a browser watching took %v", took)
	}
	for range l.in { // ends
	}
}

// Who sends a request drop by drop does not keep a line.
func TestSlowRequestIsCutOff(t *testing.T) {
	s := newFree(t)
	s.times.header, s.times.read = 200*time.Millisecond, 400*time.Millisecond
	base, _ := start(t, s)
	for about, text := range map[string]string{
		"header": "GET / HTTP/1.1\r\nHost: ",
		"body":   "POST /none HTTP/1.1\r\nHost: " + strings.TrimPrefix(base, "http://") + "\r\nOrigin: " + base + "\r\nContent-Length: 100\r\n\r\nabc",
	} {
		c, err := net.Dial("tcp", strings.TrimPrefix(base, "http://"))
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprint(c, text)
		_ = c.SetReadDeadline(time.Now().Add(10 * time.Second))
		if _, err := io.Copy(io.Discard, c); err != nil {
			t.Errorf("an unfinished %s is waited for: %v", about, err)
		}
		c.Close()
	}
}

func TestListen(t *testing.T) {
	one := newFree(t)
	start(t, one)
	two := newServer(t, Config{Addr: "127.0.0.1:" + one.port})
	if err := two.Listen(); err == nil || !strings.Contains(err.Error(), "running there already") {
		t.Errorf("an address taken: %v", err)
	}
	if err := two.Serve(context.Background()); err == nil {
		t.Error("Serve without Listen works")
	}
	open := newServer(t, Config{Addr: "0.0.0.0:0", Token: testToken})
	start(t, open)
	if !open.OpenToNetwork() || one.OpenToNetwork() {
		t.Error("which server is open to the network is told wrongly")
	}
	for _, u := range open.URLs() {
		if !strings.HasSuffix(u, ":"+open.port+"/?token="+testToken) || strings.Contains(u, "0.0.0.0") {
			t.Errorf("address %s", u)
		}
	}
	if got, want := one.URLs(), "http://127.0.0.1:"+one.port+"/"; len(got) != 1 || got[0] != want {
		t.Errorf("addresses %v, want %s", got, want)
	}
}
