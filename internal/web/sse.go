package web

import (
	"bytes"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"
)

const (
	hubKeeps   = 512              // events kept for browsers that come back
	hubWaiting = 256              // events a slow browser may lag behind
	heartbeat  = 15 * time.Second // between comments that keep a line open
	eventWait  = 10 * time.Second // for one event to be taken
	reconnect  = 2 * time.Second  // before a browser tries again
)

// Hub tells browsers what happens, as server-sent events (WHATWG HTML, 9.2).
// Each event has an id; a browser that lost its line names the last it got and
// is told what it missed, or, where that is no longer known, gets an event
// "again", upon which it should load the page's state anew.
type Hub struct {
	run  string // makes ids of an earlier start of the program recognisable
	beat time.Duration

	mu       sync.Mutex
	last     uint64 // number of the latest event
	kept     []event
	watchers map[chan event]struct{}
	closed   bool
}

// event is one message: its number, counted from 1, and its lines ready to send.
type event struct {
	number uint64
	text   []byte
}

// NewHub is a hub nobody listens to yet.
func NewHub() *Hub {
	var b [4]byte
	rand.Read(b[:])
	return &Hub{run: hex.EncodeToString(b[:]), beat: heartbeat, watchers: map[chan event]struct{}{}}
}

// Publish tells all browsers that something of a kind (a word) happened; data is
// sent as JSON. It never waits for a browser.
func (h *Hub) Publish(kind string, data any) error {
	if kind == "" || strings.ContainsAny(kind, "\r\n") {
		return fmt.Errorf("%q is no kind of event", kind)
	}
	b, err := json.Marshal(data) // has no line breaks
	if err != nil {
		return err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return nil
	}
	h.last++
	e := event{number: h.last}
	e.text = fmt.Appendf(nil, "id: %s\nevent: %s\ndata: %s\n\n", h.id(e.number), kind, b)
	h.kept = append(h.kept, e)
	if len(h.kept) > hubKeeps {
		h.kept = append(h.kept[:0:0], h.kept[len(h.kept)-hubKeeps:]...)
	}
	for c := range h.watchers {
		select {
		case c <- e:
		default: // too slow: it comes back and asks for what it missed
			delete(h.watchers, c)
			close(c)
		}
	}
	return nil
}

func (h *Hub) id(number uint64) string { return h.run + "-" + strconv.FormatUint(number, 10) }

// Latest is the id of the latest event: a page that holds everything up to now
// asks for those after it.
func (h *Hub) Latest() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.id(h.last)
}

// watch returns the events after the one of the given id that are still known,
// and a channel of those to come, closed when the watcher is too slow or the
// hub ends. whole is false if some in between are lost. An empty id asks for
// those to come alone.
func (h *Hub) watch(after string) (missed []event, coming chan event, whole bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	coming = make(chan event, hubWaiting)
	if h.closed {
		close(coming)
		return nil, coming, true
	}
	h.watchers[coming] = struct{}{}
	if after == "" {
		return nil, coming, true
	}
	text, ours := strings.CutPrefix(after, h.run+"-")
	number, err := strconv.ParseUint(text, 10, 64)
	if !ours || err != nil || number > h.last {
		return nil, coming, false
	}
	if h.last-number > uint64(len(h.kept)) {
		return nil, coming, false
	}
	return append(missed, h.kept[len(h.kept)-int(h.last-number):]...), coming, true
}

func (h *Hub) leave(c chan event) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if _, there := h.watchers[c]; there {
		delete(h.watchers, c)
		close(c)
	}
}

// Close ends all streams. Events published later are told to nobody.
func (h *Hub) Close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = true
	for c := range h.watchers {
		delete(h.watchers, c)
		close(c)
	}
}

// ServeHTTP streams events to one browser until it or the hub goes. The last
// event it has is named by the header Last-Event-ID or, since a script can't set
// that on a first connection, by the parameter after.
func (h *Hub) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	after := r.Header.Get("Last-Event-ID")
	if after == "" {
		after = r.URL.Query().Get("after")
	}
	missed, coming, whole := h.watch(after)
	defer h.leave(coming)

	line := http.NewResponseController(w)
	// The server's own deadlines are for answers that end.
	_ = line.SetReadDeadline(time.Time{})
	send := func(b []byte) bool {
		_ = line.SetWriteDeadline(time.Now().Add(eventWait))
		if _, err := w.Write(b); err != nil {
			return false
		}
		return line.Flush() == nil
	}
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	var first bytes.Buffer
	fmt.Fprintf(&first, "retry: %d\n\n", reconnect.Milliseconds())
	if !whole {
		fmt.Fprintf(&first, "id: %s\nevent: again\ndata: {}\n\n", h.Latest())
	}
	for _, e := range missed {
		first.Write(e.text)
	}
	if !send(first.Bytes()) {
		return
	}
	beat := time.NewTicker(h.beat)
	defer beat.Stop()
	for {
		select {
		case <-r.Context().Done():
			return
		case e, open := <-coming:
			if !open || !send(e.text) {
				return
			}
		case <-beat.C:
			if !send([]byte(": still here\n\n")) {
				return
			}
		}
	}
}

func (s *Server) stream(w http.ResponseWriter, r *http.Request) error {
	s.events.ServeHTTP(w, r)
	return nil
}
