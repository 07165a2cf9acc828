package web

import (
	"net/http"

	"tawsight/vision"
)

// handler answers a request, or says why not; see Server.fail.
type handler func(w http.ResponseWriter, r *http.Request) error

// route is one line of the table below.
type route struct {
	pattern string // as http.ServeMux takes it
	handle  handler
	nav     string // what the navigation calls it; empty for no place there
	body    int64  // most bytes a request may bring; 0 for bodyMost
}

// routes is every address of the page. Those with a name in nav stand in the
// navigation in this order.
func (s *Server) routes() []route {
	return []route{
		{pattern: "GET /{$}", handle: s.home, nav: "Start"},
		{pattern: "GET /photos", handle: s.photos, nav: "Photos"},
		{pattern: "GET /poor", handle: s.poor, nav: "Poor photos"},
		{pattern: "GET /marbles", handle: s.marbles, nav: "Marbles"},

		{pattern: "GET /photos/{sha}", handle: s.photo},
		{pattern: "GET /photos/{sha}/picture", handle: s.photoPicture},

		{pattern: "POST /intakes", handle: s.beginIntake, body: formUploadMost},
		{pattern: "GET /intakes/{id}", handle: s.showIntake},
		{pattern: "POST /intakes/{id}/files", handle: s.receiveFile, body: vision.MaxFileBytes + 1},
		{pattern: "GET /intakes/{id}/files/{file}", handle: s.showFile},

		{pattern: "GET /marbles/{id}", handle: s.marble},
		{pattern: "GET /marbles/{id}/why", handle: s.why},
		{pattern: "GET /marbles/{id}/same", handle: s.sameMarble},
		{pattern: "POST /marbles/{id}/label", handle: s.labelMarble},
		{pattern: "POST /marbles/{id}/condition", handle: s.conditionMarble},
		{pattern: "POST /marbles/{id}/note", handle: s.remarkMarble},
		{pattern: "POST /marbles/{id}/tags", handle: s.tagMarble},
		{pattern: "POST /marbles/{id}/describe", handle: s.describeMarble},
		{pattern: "POST /marbles/{id}/join", handle: s.joinMarble},
		{pattern: "POST /marbles/{id}/part", handle: s.partMarble},
		{pattern: "GET /sheets/{figure}", handle: s.sheet},

		{pattern: "POST /demo", handle: s.enterDemo},
		{pattern: "POST /demo/leave", handle: s.leaveDemo},

		{pattern: "POST /marbles/label", handle: s.labelTicked},
		{pattern: "POST /marbles/compare", handle: s.compareTicked},
		{pattern: "GET /doubtful", handle: s.doubtful, nav: "Undecided"},
		{pattern: "POST /doubtful/decide", handle: s.decide},
		{pattern: "POST /doubtful/note", handle: s.noteDoubtful},
		{pattern: "POST /doubtful/undo", handle: s.undoDoubtful},
		{pattern: "GET /sets", handle: s.sets, nav: "Sets"},
		{pattern: "POST /sets", handle: s.newSet},
		{pattern: "GET /sets/{id}", handle: s.set},
		{pattern: "POST /sets/{id}/rename", handle: s.renameSet},
		{pattern: "POST /sets/{id}/merge", handle: s.mergeSet},
		{pattern: "POST /sets/{id}/members", handle: s.members},
		{pattern: "GET /compare", handle: s.compare, nav: "Side by side"},
		{pattern: "GET /opinions", handle: s.opinions, nav: "Compare anew"},
		{pattern: "POST /opinions/preview", handle: s.previewOpinions},
		{pattern: "POST /opinions/take", handle: s.takeOpinions},
		{pattern: "POST /opinions/drop", handle: s.dropOpinions},
		{pattern: "GET /guide", handle: s.guidePage, nav: "Guide"},
		{pattern: "POST /guide", handle: s.makeGuide},
		{pattern: "GET /guide/guide.zip", handle: s.guideZip},
		{pattern: "GET /guide/files/{file...}", handle: s.guideFile},
		{pattern: "GET /export/marbles.zip", handle: s.exportMarbles},
		{pattern: "POST /marbles/export", handle: s.exportTicked},
		{pattern: "GET /export/collection.jsonl", handle: s.exportAll},
		{pattern: "GET /people", handle: s.people, nav: "People"},
		{pattern: "POST /people/{id}", handle: s.editPerson},
		{pattern: "GET /history", handle: s.history, nav: "History"},
		{pattern: "GET /card/{file}", handle: s.card},
		{pattern: "GET /faces/{figure}", handle: s.face},
		{pattern: "POST /undo", handle: s.undo},
		{pattern: "GET /events", handle: s.stream},
		{pattern: "GET /static/{file}", handle: s.static},
		{pattern: "GET /favicon.ico", handle: s.icon},
	}
}

// pageAt is the path if there is a page of that pattern, else empty: for links
// to pages that may not be there.
func (s *Server) pageAt(path string) string {
	for _, t := range s.table {
		if t.pattern == "GET "+path {
			return path
		}
	}
	return ""
}

func (s *Server) newMux() *http.ServeMux {
	mux := http.NewServeMux()
	for _, t := range s.table {
		limit := t.body
		if limit == 0 {
			limit = bodyMost
		}
		mux.HandleFunc(t.pattern, func(w http.ResponseWriter, r *http.Request) {
			r.Body = http.MaxBytesReader(w, r.Body, limit)
			if err := t.handle(w, r); err != nil {
				s.fail(w, r, err)
			}
		})
	}
	return mux
}

// dispatch is the mux with our own pages for addresses that lead nowhere.
func (s *Server) dispatch(w http.ResponseWriter, r *http.Request) {
	h, pattern := s.mux.Handler(r)
	if pattern != "" {
		s.mux.ServeHTTP(w, r)
		return
	}
	asked := &statusOnly{header: http.Header{}}
	h.ServeHTTP(asked, r)
	switch asked.status {
	case http.StatusMethodNotAllowed:
		w.Header().Set("Allow", asked.header.Get("Allow"))
		s.fail(w, r, problem{status: asked.status, what: "That can't be done here", advice: "Go back and use the buttons of the page."})
	case http.StatusNotFound:
		s.fail(w, r, notFound("There is no such page"))
	default: // a path that is not in its plain form
		s.mux.ServeHTTP(w, r)
	}
}

// statusOnly keeps what the mux would have answered.
type statusOnly struct {
	header http.Header
	status int
}

func (w *statusOnly) Header() http.Header         { return w.header }
func (w *statusOnly) Write(b []byte) (int, error) { return len(b), nil }
func (w *statusOnly) WriteHeader(status int)      { w.status = status }

// navItem is one entry of the navigation.
type navItem struct {
	Name, Path string
	Current    bool // this very page
	Within     bool // a page below it
}

// nav is the navigation as seen from the page at path.
func (s *Server) nav(path string) []navItem {
	var out []navItem
	for _, t := range s.table {
		if t.nav == "" {
			continue
		}
		at := patternPath(t.pattern)
		out = append(out, navItem{Name: t.nav, Path: at, Current: at == path, Within: at != "/" && hasPathPrefix(path, at)})
	}
	return out
}
