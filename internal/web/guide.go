package web

import (
	"archive/zip"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"

	"tawsight/internal/collection"
	"tawsight/internal/desk"
	"tawsight/internal/guide"
	"tawsight/internal/opinions"
	"tawsight/internal/publish"
)

// guidePolicy is for the guide's own pages, which are meant to be opened from a
// folder and size their pictures within the page. Nothing of them runs.
const guidePolicy = "default-src 'none'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; form-action 'none'; frame-ancestors 'none'; base-uri 'none'"

// mostGuideWords is how long the collector's own words on the first page may be.
const mostGuideWords = 4000

// guideTypes are the kinds of file that a guide is made of.
var guideTypes = map[string]string{
	".html": "text/html; charset=utf-8", ".css": "text/css; charset=utf-8", ".jpg": "image/jpeg", ".png": "image/png", ".pdf": "application/pdf",
}

// guideDir is the folder beside the collection where its guide lies.
func guideDir(p *desk.Place) string {
	return strings.TrimSuffix(p.Collection.Path(), collection.Ext) + "-guide"
}

type guideData struct {
	Made      bool
	Title     string
	Date      string
	Number    int
	Sets      int
	Specimens int
	Shown     int
	Hidden    int // for want of a permission
	Changes   []string
	Folder    string
	Running   bool
	Why       string
	HasPDF    bool
}

// guidePage offers the guide that was made, and to make the next.
func (s *Server) guidePage(w http.ResponseWriter, r *http.Request) error {
	p, err := s.place()
	if err != nil {
		return err
	}
	d := guideData{Folder: guideDir(p)}
	key := d.Folder
	s.guideWork.wait(r.Context(), key, moment)
	_, ready, _, err := s.guideWork.get(key)
	switch {
	case ready && errors.Is(err, opinions.ErrNothingToLearn), ready && errors.Is(err, guide.ErrNotAGuide):
		d.Why = sentence(err.Error())
	case ready && err != nil:
		s.guideWork.forget()
		return err
	case !ready:
		d.Running = s.guideWork.begun(key)
	}
	e, err := guide.ReadFolder(d.Folder)
	if err != nil {
		return err
	}
	if e != nil {
		d.Made, d.Title, d.Number, d.Sets, d.Specimens, d.Date = true, e.Title, e.Number, len(e.Sets), e.Specimens, date(e.Date)
		for i := range e.Sets {
			d.Shown += e.Sets[i].Pictured()
			for _, m := range e.Sets[i].Members {
				if m.NotShown == guide.NoPermission {
					d.Hidden++
				}
			}
		}
		if e.Changes != nil {
			d.Changes = e.Changes.Lines()
		}
		_, err := os.Stat(filepath.Join(d.Folder, guide.PDFName))
		d.HasPDF = err == nil
	}
	return s.page(w, r, "guide.html", d)
}

// makeGuide begins to make the guide.
func (s *Server) makeGuide(w http.ResponseWriter, r *http.Request) error {
	p, err := s.place()
	if err != nil {
		return err
	}
	words := guide.Source{Title: oneLine(r.PostFormValue("title")), Collector: oneLine(r.PostFormValue("by")), Terms: oneLine(r.PostFormValue("terms")),
		About: strings.TrimSpace(strings.ReplaceAll(r.PostFormValue("about"), "\r\n", "\n")), Date: time.Now()}
	if n := len(words.About) + len(words.Title) + len(words.Collector) + len(words.Terms); n > mostGuideWords {
		return badRequest("That is more than the first page has room for", fmt.Sprintf("Go back and write at most %d letters in all.", mostGuideWords))
	}
	dir := guideDir(p)
	if _, ready, _, _ := s.guideWork.get(dir); ready {
		s.guideWork.forget()
	}
	s.guideWork.start(s.life, dir, func(ctx context.Context, _ func(float64)) (int, error) {
		e, err := publish.Make(ctx, p.Collection, p.Opinions, words, nil)
		if err != nil {
			return 0, err
		}
		files, err := publish.Write(ctx, p.Collection, dir, e)
		return len(files), err
	})
	http.Redirect(w, r, "/guide", http.StatusSeeOther)
	return nil
}

// oneLine is a text on one line.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// guideRoot opens the guide's folder, so that nothing outside it can be reached
// by whatever name.
func (s *Server) guideRoot() (*os.Root, error) {
	p, err := s.place()
	if err != nil {
		return nil, err
	}
	root, err := os.OpenRoot(guideDir(p))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, notFound("No guide was made yet")
	}
	return root, err
}

// guideFile answers with a file of the guide.
func (s *Server) guideFile(w http.ResponseWriter, r *http.Request) error {
	root, err := s.guideRoot()
	if err != nil {
		return err
	}
	defer root.Close()
	name := r.PathValue("file")
	if name == "" {
		name = guide.IndexName
	}
	mime := guideTypes[path.Ext(name)]
	f, err := root.Open(filepath.FromSlash(name))
	if err != nil || mime == "" {
		if err == nil {
			f.Close()
		}
		return notFound("The guide has no such page")
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil || !info.Mode().IsRegular() {
		return notFound("The guide has no such page")
	}
	w.Header().Set("Content-Type", mime)
	w.Header().Set("Content-Security-Policy", guidePolicy)
	if r.URL.Query().Has("save") {
		w.Header().Set("Content-Disposition", `attachment; filename="`+path.Base(name)+`"`)
	}
	http.ServeContent(w, r, "", info.ModTime(), f)
	return nil
}

// guideZip answers with all of the guide in one file.
func (s *Server) guideZip(w http.ResponseWriter, r *http.Request) error {
	root, err := s.guideRoot()
	if err != nil {
		return err
	}
	defer root.Close()
	w.Header().Set("Content-Type", "application/zip")
	w.Header().Set("Content-Disposition", `attachment; filename="guide.zip"`)
	z := zip.NewWriter(w)
	err = fs.WalkDir(root.FS(), ".", func(name string, e fs.DirEntry, err error) error {
		if err != nil || !e.Type().IsRegular() || guideTypes[path.Ext(name)] == "" {
			return err
		}
		in, err := root.Open(filepath.FromSlash(name))
		if err != nil {
			return err
		}
		defer in.Close()
		method := zip.Store // pictures are compressed already
		if path.Ext(name) == ".html" || path.Ext(name) == ".css" {
			method = zip.Deflate
		}
		out, err := z.CreateHeader(&zip.FileHeader{Name: "guide/" + name, Method: method, Modified: time.Now()})
		if err != nil {
			return err
		}
		moveDeadline(w)
		_, err = io.Copy(out, in)
		return err
	})
	if err == nil {
		err = z.Close()
	}
	return s.cutShort(r, err)
}

// moveDeadline gives an answer that is long another while.
func moveDeadline(w http.ResponseWriter) {
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(time.Minute))
}

// cutShort ends an answer that has begun and can't be finished, so that half a
// file does not look whole.
func (s *Server) cutShort(r *http.Request, err error) error {
	if err == nil {
		return nil
	}
	if r.Context().Err() == nil {
		s.log.Error("a download was cut short", "path", r.URL.Path, "error", err)
	}
	panic(http.ErrAbortHandler)
}
