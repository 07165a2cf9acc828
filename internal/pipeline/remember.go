package pipeline

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"log/slog"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"sync"
	"syscall"
	"time"

	"tawsight/calib"
	"tawsight/internal/atomicfile"
	"tawsight/internal/bundle"
	"tawsight/internal/record"
	"tawsight/internal/report"
	"tawsight/vision"
)

// A memory holds what measuring came to from one run to the next, so that photos
// that were measured before, by this very program and with the same options, need
// not be measured again: the record, the crops and sheets, the overlay as drawn,
// and the page's pictures. Everything that comes of an entry is the same to the
// byte as if the photo had been measured.
//
// An entry is known by the photo's content (SHA-256). So that a run over unchanged
// photos need not read them, a note says which content a file of that path, size,
// time of change and inode had. Entries are whole or not there (written aside and
// renamed, with a checksum), so several runs may use one memory, and be killed.
// What was not asked for longest goes once there is too much.
//
// Where nothing may be remembered, the page's pictures still have their place, in
// a folder of this run alone, so that workers make them rather than the page.
type memory struct {
	dir     string // of entries; "" to remember nothing
	pages   string // of the page's pictures
	options string // what an entry is known by, beside the photo
	ruler   RulerOptions
	sheets  bool

	mu      sync.Mutex
	written int64
}

const (
	memoryExt = ".measured"
	pageExt   = ".page"
	noteExt   = ".note"
	// memoryMost bounds what is remembered, bytes: about 3,000 photos of 20 marbles.
	memoryMost = 4 << 30
	// settled is how long a file must not have changed before a note is made of
	// it: within a clock's step two contents could have one time of change.
	settled = 2 * time.Second
)

// openMemory is the user's memory for a run; NoCache gives one that remembers
// nothing. close it.
func openMemory(o Options, scale calib.PrintScale, sheets bool) *memory {
	m := &memory{ruler: o.Ruler, sheets: sheets}
	program, err := programSum()
	if dir, derr := os.UserCacheDir(); err == nil && derr == nil && !o.NoCache {
		ruler := o.Ruler
		ruler.Cameras = nil // its profile is part of each photo's key
		options, err := json.Marshal(struct {
			Program string
			Scale   calib.PrintScale
			Ruler   RulerOptions
			Sheets  bool
		}{program, scale, ruler, sheets})
		if err == nil {
			m.options = string(options)
			m.dir = filepath.Join(dir, "tawsight", "photos")
			m.pages = m.dir
			m.tidy(time.Now(), memoryMost)
			return m
		}
	}
	if dir, err := os.MkdirTemp("", "tawsight-page-"); err == nil {
		m.pages = dir
	}
	return m
}

func (m *memory) close() {
	if m.dir == "" && m.pages != "" {
		_ = os.RemoveAll(m.pages) // the system's folder for such things
	}
}

// remembered is an entry as it is kept.
type remembered struct {
	Record []byte // JSON
	Taken  taken  // without the record and the page's pictures
}

// work is a photo on its way through a run.
type work struct {
	taken
	key    string // of its entry; "" where it has none
	stored bool   // the entry is there
	page   string // where the page's pictures are; "" for nowhere
}

// measure is a photo measured, or recalled.
func (m *memory) measure(ctx context.Context, path string, scale calib.PrintScale, want wanted, log *slog.Logger) *work {
	w := &work{}
	before, known := m.note(path)
	sum := before.sum
	if sum == "" && m.dir != "" {
		sum, _ = bundle.FileSHA256(path) // one that can't be read is said so below
	}
	if sum != "" {
		w.key = m.key(path, sum)
		if m.recall(path, w) {
			if !known {
				m.makeNote(path, before, sum)
			}
			return w
		}
	}
	w.taken = measure(ctx, path, scale, want, log)
	if w.Photo.Error != "" || ctx.Err() != nil || w.Photo.SHA256 != sum {
		w.key = "" // it may be mended, or was changed while it was read
	} else if !known {
		m.makeNote(path, before, sum)
	}
	return w
}

// key is what a photo's entry is known by.
func (m *memory) key(path, sum string) string {
	parts := []string{m.options, sum, strings.ToLower(filepath.Ext(path)), profileOf(m.ruler.Cameras, path)}
	if m.sheets {
		parts = append(parts, path) // which sheets show
	}
	return hashOf(parts...)
}

func hashOf(parts ...string) string {
	b, _ := json.Marshal(parts) // so that no two lists run together alike
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:16])
}

// recall fills in a work from its entry, if there is a whole one.
func (m *memory) recall(path string, w *work) bool {
	name := filepath.Join(m.dir, w.key+memoryExt)
	body, ok := readWhole(name)
	if !ok {
		return false
	}
	var r remembered
	if pictures, err := unpack(body, &r); err != nil || r.Taken.putBack(pictures) != nil {
		return false
	}
	var p record.Photo
	if err := json.Unmarshal(r.Record, &p); err != nil || len(r.Taken.Crops) != len(p.Marbles) {
		return false
	}
	w.taken = r.Taken
	w.Photo = p
	w.Photo.Path = path
	w.stored = true
	touch(name)
	return true
}

// shown is what an overlay shows, in a few characters.
func shown(p record.Photo, s report.Sight) string {
	b, err := json.Marshal(struct {
		Photo record.Photo
		Sight report.Sight
	}{report.Drawn(p), s})
	if err != nil {
		return ""
	}
	return hashOf(string(b))
}

// draw sees to the overlay, and remembers the photo with it. To be called once
// the record is complete but for the crops' places.
func (m *memory) draw(ctx context.Context, w *work, recorded []byte, log *slog.Logger) error {
	of := shown(w.Photo, w.Sight)
	fits := w.Drawn.File != nil && w.Drawn.Of == of && of != ""
	// What the page shows of the overlay is made with it, and not of its file: a
	// JPEG is not what was drawn.
	if !fits || w.Drawn.Page == nil && m.pageOf(w) == "" {
		again, err := drawIn(ctx, &w.taken, log)
		if err != nil {
			return err
		}
		w.stored = w.stored && fits
		w.Drawn = again
	}
	w.base.Close()
	w.base = nil
	if w.key != "" && !w.stored {
		r := remembered{Record: recorded, Taken: w.taken}
		r.Taken.Photo, r.Taken.Page, r.Taken.Drawn.Page = record.Photo{}, nil, nil
		var pictures [][]byte
		r.Taken, pictures = r.Taken.without()
		if parts, err := pack(r, pictures); err == nil {
			m.write(filepath.Join(m.dir, w.key+memoryExt), parts...)
		}
	}
	return nil
}

// page sees to the page's pictures, once the overlay is drawn.
func (m *memory) page(w *work) {
	if m.pages == "" || w.Drawn.File == nil {
		return
	}
	if w.page = m.pageOf(w); w.page != "" {
		touch(w.page)
		return
	}
	w.page = m.pageName(w)
	if w.Page == nil {
		w.Page = report.PagePictures{}
		for i := range w.Photo.Marbles {
			w.Page.CropFile(w.Photo.Marbles[i].ID, w.Crops[i])
		}
	}
	w.Page.Overlay(w.Drawn.Page)
	if parts, err := pack(withoutPage(w.Page)); err == nil {
		m.write(w.page, parts...)
	}
	w.Page = nil
}

// pageName is where the page's pictures belong, once the overlay is drawn.
func (m *memory) pageName(w *work) string {
	key := w.key
	if key == "" {
		key = hashOf(w.Photo.Path)
	}
	return filepath.Join(m.pages, key+"-"+w.Drawn.Of+pageExt)
}

// pageOf is where they are already; "" where they have to be made.
func (m *memory) pageOf(w *work) string {
	if m.pages == "" || w.key == "" {
		return ""
	}
	name := m.pageName(w)
	if _, err := os.Stat(name); err != nil {
		return ""
	}
	return name
}

// pagePictures are the page's pictures as kept; nil where they are not, or no
// longer.
func pagePictures(name string) report.PagePictures {
	body, ok := readWhole(name)
	if !ok {
		return nil
	}
	var p report.PagePictures
	if pictures, err := unpack(body, &p); err != nil || putBackPage(p, pictures) != nil {
		return nil
	}
	return p
}

// fileNote is what a file looked like.
type fileNote struct {
	name    string // the note's
	sum     string // its content's SHA-256; "" where there is no note of it
	changed time.Time
	size    int64
}

// note says what is known of a file as it lies there.
func (m *memory) note(path string) (n fileNote, known bool) {
	if m.dir == "" {
		return n, false
	}
	info, err := os.Stat(path)
	abs, err2 := filepath.Abs(path)
	if err != nil || err2 != nil || !info.Mode().IsRegular() {
		return n, false
	}
	inode := ""
	if s, ok := info.Sys().(*syscall.Stat_t); ok {
		inode = fmt.Sprint(s.Dev, s.Ino, s.Ctim)
	}
	n.changed, n.size = info.ModTime(), info.Size()
	n.name = filepath.Join(m.dir, hashOf(abs, fmt.Sprint(n.size, n.changed.UnixNano()), inode)+noteExt)
	if body, ok := readWhole(n.name); ok && len(body) == 2*sha256.Size {
		n.sum = string(body)
	}
	return n, n.sum != ""
}

// makeNote notes a file's content, unless it was changed since or only just.
func (m *memory) makeNote(path string, before fileNote, sum string) {
	if before.name == "" || time.Since(before.changed) < settled {
		return
	}
	if now, _ := m.note(path); now.name == before.name {
		m.write(before.name, []byte(sum))
	}
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// write keeps a file, one part after the other, with its checksum. Where that fails
// the photo is measured again next time; where the disk is full, all that is
// remembered makes room.
func (m *memory) write(name string, parts ...[]byte) {
	sum, size := uint32(0), int64(0)
	for _, part := range parts {
		sum, size = crc32.Update(sum, castagnoli, part), size+int64(len(part))
	}
	err := atomicfile.WriteBytes(name, append([][]byte{fmt.Appendf(nil, "%08x", sum)}, parts...)...)
	if errors.Is(err, syscall.ENOSPC) && m.dir != "" {
		m.tidy(time.Now(), 0)
		return
	}
	if err != nil || m.dir == "" {
		return
	}
	m.mu.Lock()
	m.written += size
	due := m.written > memoryMost/8
	if due {
		m.written = 0
	}
	m.mu.Unlock()
	if due {
		m.tidy(time.Now(), memoryMost)
	}
}

// readWhole reads a kept file; ok is false where it is damaged or not there.
func readWhole(name string) (body []byte, ok bool) {
	data, err := os.ReadFile(name)
	if err != nil || len(data) < 8 {
		return nil, false
	}
	body = data[8:]
	return body, fmt.Sprintf("%08x", crc32.Checksum(body, castagnoli)) == string(data[:8])
}

// touch says that a kept file was asked for. Where that fails it goes sooner.
func touch(name string) {
	if info, err := os.Stat(name); err == nil && time.Since(info.ModTime()) > time.Hour {
		now := time.Now()
		_ = os.Chtimes(name, now, now)
	}
}

// tidy brings the memory down to most bytes, the longest unasked-for first, and
// removes what killed runs left half-written.
func (m *memory) tidy(now time.Time, most int64) {
	entries, err := os.ReadDir(m.dir)
	if err != nil {
		return
	}
	type kept struct {
		name string
		size int64
		used time.Time
	}
	var all []kept
	total := int64(0)
	for _, e := range entries {
		info, err := e.Info()
		if err != nil || !info.Mode().IsRegular() {
			continue
		}
		name := filepath.Join(m.dir, e.Name())
		switch filepath.Ext(name) {
		case memoryExt, pageExt, noteExt, runExt:
			all = append(all, kept{name, info.Size(), info.ModTime()})
			total += info.Size()
		case ".tmp":
			if now.Sub(info.ModTime()) > time.Hour {
				_ = os.Remove(name) // the next run tries again
			}
		}
	}
	sort.Slice(all, func(i, j int) bool { return all[i].used.Before(all[j].used) })
	room := most / 10 * 9 // so that not every photo makes it tidy up
	if total <= most {
		return
	}
	for _, k := range all {
		if total <= room {
			break
		}
		if os.Remove(k.name) == nil {
			total -= k.size
		}
	}
}

// drawHere draws the overlay of a photo on base, which is used up; where that is
// nil, the file is read.
func drawHere(base *vision.Picture, p record.Photo, s report.Sight) (d drawn, err error) {
	if base == nil {
		photo, err := vision.Open(p.Path)
		if err != nil {
			return d, fmt.Errorf("%s can't be read any more: it was there when the run began; put it back and run again", p.Path)
		}
		if base, err = photo.LastPicture(report.OverlaySidePX); err != nil {
			return d, fmt.Errorf("%s: %w", p.Path, err)
		}
	}
	defer base.Close()
	d.Of = shown(p, s)
	if d.File, d.Page, err = report.OverlayPictures(base, p, s); err != nil {
		err = fmt.Errorf("%s: %w", p.Path, err)
	}
	return d, err
}

// drawIn is drawHere in a worker, where there are workers: where the photo was
// measured just now, most often in the one that has its picture still.
func drawIn(ctx context.Context, t *taken, log *slog.Logger) (drawn, error) {
	if base := t.base; base != nil {
		t.base = nil // it is used up
		return drawHere(base, t.Photo, t.Sight)
	}
	recorded, err := json.Marshal(t.Photo)
	if err != nil {
		return drawn{}, fmt.Errorf("%s: %w", t.Photo.Path, err)
	}
	a, done, err := hand(ctx, job{Do: doDraw, Path: t.Photo.Path, Record: recorded, Sight: t.Sight}, log)
	switch {
	case err != nil:
		return drawn{}, err
	case !done:
		return drawHere(nil, t.Photo, t.Sight)
	case a.Why != "":
		return drawn{}, errors.New(a.Why)
	case a.Taken.Drawn.File == nil:
		return drawn{}, fmt.Errorf("%s: its overlay could not be drawn", t.Photo.Path)
	}
	return a.Taken.Drawn, nil
}
