package guide

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"tawsight/internal/atomicfile"
	"tawsight/internal/report"
)

// Names of what a guide leaves in its folder, beside a page for each set.
const (
	IndexName   = "index.html"
	PDFName     = "guide.pdf"
	EditionName = "edition.json"
	PicturesDir = "pictures"
)

// Mark is what each file of a guide says that it is.
const Mark = "Tawsight, a guide to labelled sets"

// ErrNotAGuide is wrapped by the error for a file of the user's that stands
// where a guide's would go.
var ErrNotAGuide = errors.New("it is no part of a guide of an earlier run")

// A book is an edition on its way to the disk.
type book struct {
	e     *Edition
	stems map[string]string // by label
	faces map[string]figure // by label
	pdf   string            // the PDF's name, where there is one beside the pages
	views map[*Member]report.View
}

func newBook(e *Edition) *book {
	b := &book{e: e, stems: map[string]string{}, faces: map[string]figure{}, views: map[*Member]report.View{}}
	var paths []string
	for _, s := range e.Sets {
		// An ending, so that Stems takes none off the label.
		paths = append(paths, "sets/"+strings.NewReplacer("/", "_", `\`, "_").Replace(s.Label)+".html")
	}
	// The sets' folder is shared even where there is one set only.
	stems := report.Stems(append(paths, "sets/-"))
	for i, s := range e.Sets {
		b.stems[s.Label] = strings.ToLower(stems[i])
	}
	return b
}

func (b *book) pageOf(s *Set) string { return "set-" + b.stems[s.Label] + ".html" }

// picturePath is where a marble's picture lies below the guide's folder.
func (b *book) picturePath(s *Set, number int) string {
	return fmt.Sprintf("%s/%s-%03d.jpg", PicturesDir, b.stems[s.Label], number)
}

// pictureNumber is a picture of a set, fetched.
func (b *book) pictureNumber(s *Set, number int) (figure, error) {
	for _, m := range s.shown() {
		if m.Number != number {
			continue
		}
		if v, ok := b.views[m]; ok {
			return figure{m, v}, nil
		}
		if m.Picture == nil {
			break
		}
		v, err := m.Picture()
		if err != nil {
			return figure{}, fmt.Errorf("%s, %s: %w", s.Label, m.Name, err)
		}
		b.views[m] = v
		return figure{m, v}, nil
	}
	return figure{}, fmt.Errorf("%s: there is no picture of marble %d: an edition read from a file has none, and can be compared with but not drawn", s.Label, number)
}

// ReadFolder is the edition in a folder where a guide was written; nil where
// there is none.
func ReadFolder(dir string) (*Edition, error) { return ReadFile(filepath.Join(dir, EditionName)) }

// ReadFile reads a stored edition; nil where there is no such file.
func ReadFile(path string) (*Edition, error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("the earlier edition can't be read: %w", err)
	}
	defer f.Close()
	e, err := Read(f)
	if err != nil {
		return nil, fmt.Errorf("%s can't be compared with: %w", path, err)
	}
	return e, nil
}

// Earlier is the edition that the next one in dir follows: the one in the file
// since, or where that is empty the one in dir; nil where there is none.
func Earlier(dir, since string) (*Edition, error) {
	if since == "" {
		return ReadFolder(dir)
	}
	e, err := ReadFile(since)
	if err == nil && e == nil {
		err = fmt.Errorf("there is no earlier edition %s", since)
	}
	return e, err
}

// Write writes the guide to dir as a PDF and as pages; it gives their paths, the
// page to open first. See [WritePDF] and [WriteHTML].
func Write(dir string, e *Edition) ([]string, error) {
	if err := Free(dir, e); err != nil {
		return nil, err
	}
	pdf := filepath.Join(dir, PDFName)
	if err := WritePDF(pdf, e); err != nil {
		return nil, err
	}
	paths, err := WriteHTML(dir, e)
	if err != nil {
		return nil, err
	}
	index := filepath.Join(dir, IndexName)
	paths = slices.DeleteFunc(paths, func(p string) bool { return p == index })
	return append([]string{index, pdf}, paths...), nil
}

// marked is a JPEG file with a comment that says what it is and whose (ITU-T
// T.81, B.2.4.5), so that a later run knows it, and its credit goes with it.
func marked(data []byte, credit string) []byte {
	text := Mark
	if credit != "" {
		text += "; photo: " + credit
	}
	if len(text) > 60000 {
		text = text[:60000]
	}
	if len(data) < 2 {
		return data
	}
	at := 2 // after the start of the image, and what applications want first (APPn)
	for at+4 <= len(data) && data[at] == 0xff && data[at+1]&0xf0 == 0xe0 {
		at += 2 + int(binary.BigEndian.Uint16(data[at+2:]))
	}
	if at > len(data) {
		return data
	}
	out := append([]byte{}, data[:at]...)
	out = append(out, 0xff, 0xfe)
	out = binary.BigEndian.AppendUint16(out, uint16(len(text)+2))
	out = append(out, text...)
	return append(out, data[at:]...)
}

// editionMark is what the stored edition is known by.
const editionMark = `"format": "` + Format + `"`

// markOf is what a file of a guide bears.
func markOf(name string) string {
	if name == EditionName {
		return editionMark
	}
	return Mark
}

// files are the names of all that WriteHTML writes; pages first.
func (b *book) files() (names []string) {
	names = append(names, IndexName)
	for i := range b.e.Sets {
		names = append(names, b.pageOf(&b.e.Sets[i]))
	}
	for i := range b.e.Sets {
		for _, m := range b.e.Sets[i].shown() {
			names = append(names, b.picturePath(&b.e.Sets[i], m.Number))
		}
	}
	return append(names, EditionName)
}

// Free says, as an error, why a guide may not be written to a folder: a file
// that is no part of a guide is never overwritten. It wraps [ErrNotAGuide].
func Free(dir string, e *Edition) error {
	for _, name := range append(newBook(e).files(), PDFName) {
		if err := free(dir, name); err != nil {
			return err
		}
	}
	return nil
}

func free(dir, name string) error {
	return report.FreeFor(filepath.Join(dir, filepath.FromSlash(name)), markOf(name), ErrNotAGuide)
}

// WriteHTML writes the guide to dir as pages with pictures, which need nothing
// else, and edition.json, by which the next edition says what changed; it gives
// their paths. A file that is there already is replaced only where it is part
// of a guide; those of an earlier edition that are no longer needed are removed.
// Where dir is to hold the PDF too, write it first: the pages then lead to it.
func WriteHTML(dir string, e *Edition) (paths []string, err error) {
	b := newBook(e)
	names := b.files()
	for _, name := range names {
		if err := free(dir, name); err != nil {
			return nil, err
		}
	}
	if free(dir, PDFName) == nil {
		if _, err := os.Stat(filepath.Join(dir, PDFName)); err == nil {
			b.pdf = PDFName
		}
	}
	old, _ := ReadFolder(dir) // a damaged one names nothing to remove
	write := func(name string, fill func(w io.Writer) error) {
		if err != nil {
			return
		}
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err = atomicfile.Write(path, fill); err == nil {
			paths = append(paths, path)
		}
	}
	for i := range e.Sets {
		s := &e.Sets[i]
		figures, err := s.fetch()
		if err != nil {
			return paths, err
		}
		if s.Face >= 0 {
			b.faces[s.Label] = figures[s.Members[s.Face].Number]
		}
		for _, m := range s.shown() {
			f := figures[m.Number]
			write(b.picturePath(s, m.Number), func(w io.Writer) error {
				_, err := w.Write(marked(f.View.JPEG, m.Credit))
				return err
			})
		}
		write(b.pageOf(s), func(w io.Writer) error { return b.writeSet(w, i, figures) })
	}
	write(IndexName, b.writeIndex)
	e.Files = names
	write(EditionName, e.Encode)
	if err != nil {
		return paths, err
	}
	if old != nil {
		for _, name := range old.Files {
			if !slices.Contains(names, name) && filepath.IsLocal(filepath.FromSlash(name)) && free(dir, name) == nil {
				_ = os.Remove(filepath.Join(dir, filepath.FromSlash(name))) // a page that nothing leads to does no harm
			}
		}
	}
	return paths, nil
}
