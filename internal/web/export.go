package web

import (
	"archive/zip"
	"bytes"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"tawsight/internal/collection"
)

// exportMarbles answers with the marbles of a list as tables for a spreadsheet:
// those that its filter lets through.
func (s *Server) exportMarbles(w http.ResponseWriter, r *http.Request) error {
	f, err := query{r.URL.Query()}.filter()
	if err != nil {
		return err
	}
	return s.exportCSV(w, r, f)
}

// exportTicked is exportMarbles for the marbles ticked.
func (s *Server) exportTicked(w http.ResponseWriter, r *http.Request) error {
	ids, err := ticked(r)
	if err != nil {
		return err
	}
	return s.exportCSV(w, r, collection.Filter{IDs: ids, Sort: collection.ByTitle})
}

func (s *Server) exportCSV(w http.ResponseWriter, r *http.Request, f collection.Filter) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	// Whole before it is sent, so that a fault can still be told of.
	var buf bytes.Buffer
	z := zip.NewWriter(&buf)
	if err := c.ExportCSV(r.Context(), f, z.Create); err != nil {
		return err
	}
	if err := z.Close(); err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Type", "application/zip")
	h.Set("Content-Disposition", `attachment; filename="marbles-`+time.Now().Format("2006-01-02")+`.zip"`)
	h.Set("Content-Length", strconv.Itoa(buf.Len()))
	_, _ = w.Write(buf.Bytes())
	return nil
}

// exportAll answers with the whole collection as JSON Lines.
func (s *Server) exportAll(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/jsonl")
	w.Header().Set("Content-Disposition", `attachment; filename="collection-`+time.Now().Format("2006-01-02")+`.jsonl"`)
	return s.cutShort(r, c.Export(r.Context(), &enduring{w: w}, collection.ExportOptions{NoPictures: r.URL.Query().Get("pictures") == "no"}))
}

// enduring writes an answer that may be long.
type enduring struct{ w http.ResponseWriter }

func (p *enduring) Write(b []byte) (int, error) {
	moveDeadline(p.w)
	return p.w.Write(b)
}

var _ io.Writer = (*enduring)(nil)

// exportAddress is where a list's marbles are to be had as tables.
func exportAddress(q query) string {
	v := url.Values{}
	for k, list := range q.Values {
		if k != "page" && k != doneParam {
			v[k] = list
		}
	}
	return "/export/marbles.zip?" + v.Encode()
}
