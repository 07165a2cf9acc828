package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"tawsight/internal/collection"
	"tawsight/internal/desk"
)

// place is what is worked at at this moment.
func (s *Server) place() (*desk.Place, error) {
	if s.desk == nil {
		return nil, problem{status: http.StatusServiceUnavailable, what: "There is no collection here", advice: "Start tawsight serve with one."}
	}
	return s.desk.At(), nil
}

// collection is the one that is worked at at this moment.
func (s *Server) collection() (*collection.Collection, error) {
	p, err := s.place()
	if err != nil {
		return nil, err
	}
	return p.Collection, nil
}

// told puts the collection's errors into words for a reader; others stay as
// they are.
func (s *Server) told(err error) error {
	var p problem
	switch {
	case err == nil || errors.As(err, &p):
		return err
	case errors.Is(err, collection.ErrNotFound):
		p = notFound("That is not in the collection")
		p.cause = err
		return p
	case errors.Is(err, collection.ErrOvertaken):
		return problem{status: http.StatusConflict, what: "That can't be undone by itself",
			advice: sentence(err.Error()) + " They are in the history, the newest first.", cause: err}
	case errors.Is(err, collection.ErrInvalid):
		text := strings.TrimPrefix(err.Error(), collection.ErrInvalid.Error()+": ")
		return problem{status: http.StatusUnprocessableEntity, what: "That can't be done", advice: sentence(text) + " Nothing was changed: go back and try again.", cause: err}
	}
	return err
}

// doneParam names, in a page's address, the edit that was made just before it
// was opened: the layout tells of it and offers to undo it.
const doneParam = "done"

// edited leads the browser to a page after an edit, to tell of it there.
func (s *Server) edited(w http.ResponseWriter, r *http.Request, to string, e collection.Edit, err error) error {
	if err != nil {
		return s.told(err)
	}
	http.Redirect(w, r, withDone(to, e.Seq), http.StatusSeeOther)
	return nil
}

// withDone adds the edit to an address; 0 takes out what stands there.
func withDone(to string, seq int64) string {
	u, err := url.Parse(to)
	if err != nil {
		return "/"
	}
	q := u.Query()
	q.Del(doneParam)
	if seq > 0 {
		q.Set(doneParam, strconv.FormatInt(seq, 10))
	}
	u.RawQuery = q.Encode()
	return u.String()
}

// back is the page of ours that a form names in its field "back", else
// otherwise.
func back(r *http.Request, otherwise string) string {
	u, err := url.Parse(r.PostFormValue("back"))
	if err != nil || u.Host != "" || u.Scheme != "" || !strings.HasPrefix(u.Path, "/") {
		return otherwise
	}
	return localPath(u)
}

// flash is what the layout tells of the edit that was made last.
type flash struct {
	Text string
	Seq  int64
	Verb string // Undo, or Redo
	Gone bool   // it is undone already: nothing to offer
	Back string
}

// flashFor is nil where the address names no edit.
func (s *Server) flashFor(ctx context.Context, u *url.URL) *flash {
	seq, err := strconv.ParseInt(u.Query().Get(doneParam), 10, 64)
	if err != nil || s.desk == nil {
		return nil
	}
	e, err := s.desk.At().Collection.Edit(ctx, seq)
	if err != nil {
		return nil
	}
	f := &flash{Text: sentence(e.Text), Seq: e.Seq, Verb: "Undo", Gone: e.UndoneBy != 0, Back: withDone(localPath(u), 0)}
	if e.What == "undo" {
		f.Verb = "Redo"
	}
	return f
}

// undo takes back the edit that a form names.
func (s *Server) undo(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	seq, err := strconv.ParseInt(r.PostFormValue("seq"), 10, 64)
	if err != nil {
		return badRequest("No edit was named", "Go to the history and undo it there.")
	}
	e, err := c.Undo(r.Context(), "", seq)
	return s.edited(w, r, back(r, "/history"), e, err)
}

// marblesInWords is "1 marble", "7 marbles".
func marblesInWords(n int) string { return count(n, "marble") }

// count is a number with its noun, "s" added where it is not one.
func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
