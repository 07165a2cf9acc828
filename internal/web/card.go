package web

import (
	"bytes"
	"io"
	"net/http"
	"time"

	"tawsight/calib"
)

// cardFiles are the printed card's forms, as tawsight card writes them.
var cardFiles = map[string]struct {
	mime string
	draw func(io.Writer) error
}{
	"tawsight-card-a4.pdf":     {"application/pdf", func(w io.Writer) error { return calib.CardPDF(w, calib.A4) }},
	"tawsight-card-letter.pdf": {"application/pdf", func(w io.Writer) error { return calib.CardPDF(w, calib.USLetter) }},
	"tawsight-card.svg":        {"image/svg+xml", calib.CardSVG},
}

// card answers with the card to print. A PDF is a download: browsers' own
// viewers print at a scale of their choosing.
func (s *Server) card(w http.ResponseWriter, r *http.Request) error {
	name := r.PathValue("file")
	f, ok := cardFiles[name]
	if !ok {
		return notFound("There is no such card")
	}
	var buf bytes.Buffer
	if err := f.draw(&buf); err != nil {
		return err
	}
	w.Header().Set("Content-Type", f.mime)
	if f.mime == "application/pdf" {
		w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
	}
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(buf.Bytes()))
	return nil
}
