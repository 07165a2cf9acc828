package pipeline

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"sync"

	"tawsight/internal/atomicfile"
	"tawsight/internal/record"
	"tawsight/internal/report"
)

// records are a run's records, kept in a file until the tables and the page are
// written of them: a photo of 20 marbles has some 60 kB of figures and reasons, and
// there may be thousands. They are [record.Photos] once each photo was put, each
// kept as its line of photos.jsonl.
type records struct {
	path string // whose place is wanted, for errors
	file *atomicfile.Scratch

	mu   sync.Mutex
	at   []extent
	end  int64 // of the file
	held map[int]record.Photo
	room int // for how many more of them
}

type extent struct {
	from int64
	n    int
}

// newRecords is room for n records, in a nameless file where the results go, since
// the system's folder for such things may itself lie in memory. close it.
func newRecords(dir string, n int) (*records, error) {
	path := filepath.Join(dir, report.JSONLName)
	f, err := atomicfile.NewScratch(path)
	if err != nil {
		return nil, err
	}
	return &records{path: path, file: f, at: make([]extent, n)}, nil
}

func (r *records) close() { r.file.Discard() }

// settle says that no photo will be put any more. From then on the first n that are
// asked for stay at hand.
func (r *records) settle(n int) { r.held, r.room = map[int]record.Photo{}, n }

// put keeps the record of photo i, in place of what it had; its paths are text
// from then on.
func (r *records) put(i int, p record.Photo) error {
	p.Path, p.PairedWith = record.TextPath(p.Path), record.TextPath(p.PairedWith)
	var line bytes.Buffer
	if err := report.EncodeJSONL(&line, record.List{p}); err != nil {
		return err
	}
	b := line.Bytes()
	r.mu.Lock()
	at := extent{r.end, len(b)}
	r.end += int64(len(b))
	r.at[i] = at
	r.mu.Unlock()
	if _, err := r.file.WriteAt(b, at.from); err != nil {
		return atomicfile.Explain(r.path, err)
	}
	return nil
}

// Len is how many photos there are.
func (r *records) Len() int { return len(r.at) }

// At is the record of photo i; before settle it is the caller's own.
func (r *records) At(i int) (p record.Photo, err error) {
	r.mu.Lock()
	p, ok := r.held[i]
	r.mu.Unlock()
	if ok {
		return p, nil
	}
	b, err := r.Line(i)
	if err == nil {
		err = json.Unmarshal(b, &p)
	}
	if err != nil {
		return p, err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if _, ok := r.held[i]; !ok && r.room > 0 {
		r.held[i] = p
		r.room--
	}
	return p, nil
}

// Line is the line of photo i; see [report.WriteJSONL].
func (r *records) Line(i int) ([]byte, error) {
	b := make([]byte, r.at[i].n)
	if _, err := r.file.ReadAt(b, r.at[i].from); err != nil {
		return nil, fmt.Errorf("what was measured of photo %d can't be read back: %w", i+1, err)
	}
	return b, nil
}

// join joins two photos of a tray; seen is the one under ultraviolet light.
func (r *records) join(ctx context.Context, pair pairing, seen pairable) error {
	day, err := r.At(pair.day)
	if err != nil {
		return err
	}
	uv, err := r.At(pair.ultraviolet)
	if err != nil {
		return err
	}
	join(ctx, &day, &uv, seen, pair.mapped)
	if err := r.put(pair.day, day); err != nil {
		return err
	}
	return r.put(pair.ultraviolet, uv)
}
