package web

import (
	"context"
	"net/http"
	"strconv"
	"time"

	"tawsight/internal/collection"
)

const (
	historySize  = 40 // entries a page
	historyNamed = 4  // marbles named in an entry
)

// link is an address with its words.
type link struct{ Path, Text string }

// historyEntry is one edit as the history tells it.
type historyEntry struct {
	collection.Edit
	When    when
	Marbles []link
	More    int    // marbles that are not named
	Verb    string // Undo or Redo; empty where it is undone
}

// when is a time for people and for programs.
type when struct{ Text, ISO string }

// whenOf reads a time of the collection.
func whenOf(made string) when {
	t := collection.ParseTime(made).Local()
	if t.IsZero() {
		return when{made, made}
	}
	layout := "2 January 2006, 15:04"
	if now := time.Now(); t.Year() == now.Year() && t.YearDay() == now.YearDay() {
		layout = "today, 15:04:05"
	}
	return when{t.Format(layout), t.Format(time.RFC3339)}
}

type historyData struct {
	Entries []historyEntry
	Older   string
	Newest  bool
	Here    string
}

func (s *Server) history(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	before, _ := strconv.ParseInt(r.URL.Query().Get("before"), 10, 64)
	edits, err := c.Edits(r.Context(), max(0, before), historySize+1)
	if err != nil {
		return err
	}
	d := historyData{Newest: before <= 0, Here: withDone(localPath(r.URL), 0)}
	if len(edits) > historySize {
		edits = edits[:historySize]
		d.Older = "/history?before=" + strconv.FormatInt(edits[historySize-1].Seq, 10)
	}
	if d.Entries, err = entriesOf(r.Context(), c, edits); err != nil {
		return err
	}
	return s.page(w, r, "history.html", d)
}

func entriesOf(ctx context.Context, c *collection.Collection, edits []collection.Edit) ([]historyEntry, error) {
	var out []historyEntry
	all := []string{}
	for _, e := range edits {
		whole, err := c.Edit(ctx, e.Seq)
		if err != nil {
			return nil, err
		}
		v := historyEntry{Edit: whole, When: whenOf(e.Made)}
		switch {
		case e.UndoneBy != 0:
		case e.What == "undo":
			v.Verb = "Redo"
		default:
			v.Verb = "Undo"
		}
		if n := len(v.Specimens); n > historyNamed {
			v.Specimens, v.More = v.Specimens[:historyNamed], n-historyNamed
		}
		all = append(all, v.Specimens...)
		out = append(out, v)
	}
	rows, _, err := c.Find(ctx, collection.Filter{IDs: all})
	if err != nil {
		return nil, err
	}
	titles := map[string]string{}
	for _, r := range rows {
		titles[r.ID] = r.Title
	}
	for i := range out {
		for _, id := range out[i].Specimens {
			if t := titles[id]; t != "" { // not of those joined to others since
				out[i].Marbles = append(out[i].Marbles, link{"/marbles/" + id, t})
			}
		}
	}
	return out, nil
}
