// Package intake brings photos into a collection: it lists or receives the
// files, measures them, several at once, and keeps what was found, one photo a
// transaction. What is still to do is kept in the collection too, so that a run
// that was cut short, by whatever it may be, goes on where it stopped.
package intake

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"time"

	"tawsight/internal/bundle"
	"tawsight/internal/cameras"
	"tawsight/internal/collection"
	"tawsight/internal/pipeline"
	"tawsight/internal/quality"
	"tawsight/internal/record"
	"tawsight/internal/refset"
	"tawsight/vision"
)

// Options say how to measure.
type Options struct {
	// Workers is how many photos are measured at once; 0 means one a core.
	Workers int
	// Opine, where not nil, is called once an intake is finished, to compare what
	// is new with the sets; what it says goes into the intake's last event.
	Opine func(ctx context.Context, who string) (string, error)
	// Contributor is whose photos [Intake.AddFolder] and [Intake.AddLabelled] add,
	// and Permission what they allow, where that is known.
	Contributor string
	Permission  refset.Permission
	Cameras     *cameras.Book // the cameras that are known; nil for none
	Log         *slog.Logger  // nil for silence

	// measure stands in for the measuring, in tests.
	measure func(ctx context.Context, path string, checkBarMM float64, ruler pipeline.RulerOptions) (pipeline.Single, error)
}

// By is what photos are to have their scale from.
type By struct {
	CheckBarMM float64 // of the printed card; 0 for the nominal length
	// Ruler is what else was named. Where nothing is, a photo that is known already
	// keeps the ruler that it was last measured by.
	Ruler      record.Ruler
	NoProfiles bool // camera profiles are left alone
}

// check says what is wrong with a ruler that is named for so many photos; the
// error wraps pipeline.ErrRuler.
func (b By) check(photos int) error { return pipeline.RulersOf(b.Ruler, nil).Check(photos) }

// Intake measures photos into one collection.
type Intake struct {
	c    *collection.Collection
	o    Options
	wake chan struct{}

	mu       sync.Mutex
	watchers map[chan Event]bool
}

// Event is what happened to one file, or to an intake as a whole (File empty).
type Event struct {
	Intake string               `json:"intake"`
	File   string               `json:"file,omitempty"`
	Name   string               `json:"name,omitempty"`
	State  collection.FileState `json:"state,omitempty"`
	Photo  string               `json:"photo,omitempty"` // SHA-256
	// Marbles is how many were found, Poor the photo's worst fault with what to
	// do, Reason why the file failed.
	Marbles int    `json:"marbles,omitempty"`
	Poor    string `json:"poor,omitempty"`
	Reason  string `json:"reason,omitempty"`
	Done    int    `json:"done"` // files of the intake that need no more work
	Total   int    `json:"total"`
	// Finished is set in the last event of an intake, and Said is then what
	// comparing came to.
	Finished bool   `json:"finished,omitempty"`
	Said     string `json:"said,omitempty"`
}

// New is an intake into a collection.
func New(c *collection.Collection, o Options) *Intake {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Workers <= 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	if o.measure == nil {
		o.measure = pipeline.MeasureSingle
	}
	return &Intake{c: c, o: o, wake: make(chan struct{}, 1), watchers: map[chan Event]bool{}}
}

// Watch returns a channel of events, and a function that ends it. A watcher that
// does not keep up misses events; the collection has the state of every file.
func (in *Intake) Watch() (<-chan Event, func()) {
	ch := make(chan Event, 256)
	in.mu.Lock()
	defer in.mu.Unlock()
	in.watchers[ch] = true
	return ch, func() {
		in.mu.Lock()
		defer in.mu.Unlock()
		delete(in.watchers, ch)
	}
}

func (in *Intake) tell(e Event) {
	in.mu.Lock()
	defer in.mu.Unlock()
	for ch := range in.watchers {
		select {
		case ch <- e:
		default:
		}
	}
}

// AddFolder puts files and folders (searched right down) into an intake of
// their own. The error wraps pipeline.ErrNoPhotos where there is nothing, and
// pipeline.ErrRuler where they can't be measured by that ruler.
func (in *Intake) AddFolder(ctx context.Context, who string, paths []string, by By) (collection.Intake, error) {
	found, err := pipeline.ListPhotos(paths, in.c.UploadsDir())
	if err == nil {
		err = by.check(len(found))
	}
	if err != nil {
		return collection.Intake{}, err
	}
	var files []collection.IntakeFile
	for _, p := range found {
		abs, err := filepath.Abs(p)
		if err != nil {
			return collection.Intake{}, err
		}
		files = append(files, collection.IntakeFile{Path: abs, Name: nameIn(paths, p)})
	}
	return in.add(ctx, by, collection.Intake{Who: who, Source: strings.Join(paths, ", ")}, files)
}

// nameIn is how the user knows a file: its path below the folder that was named.
func nameIn(roots []string, path string) string {
	for _, r := range roots {
		if rel, err := filepath.Rel(r, path); err == nil && rel != "." && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator)) {
			return filepath.ToSlash(rel)
		}
	}
	return filepath.Base(path)
}

// AddLabelled puts a folder of labelled photos, one sub-folder a set, into an
// intake: what is measured is filed under its sub-folder's name, with what the
// folder's notes.csv says. The error wraps pipeline.ErrNoPhotos, pipeline.ErrNotes
// or pipeline.ErrRuler; nothing was added then.
func (in *Intake) AddLabelled(ctx context.Context, who, dir string, by By) (collection.Intake, error) {
	folder, err := readLabelled(dir)
	if err != nil {
		return collection.Intake{}, err
	}
	var files []collection.IntakeFile
	for _, s := range folder.Sets {
		for _, p := range s.Photos {
			abs, err := filepath.Abs(p)
			if err != nil {
				return collection.Intake{}, err
			}
			files = append(files, collection.IntakeFile{Path: abs, Name: folder.Rel(p), SetName: s.Label})
		}
	}
	abs, err := filepath.Abs(dir)
	if err == nil {
		err = by.check(len(files))
	}
	if err != nil {
		return collection.Intake{}, err
	}
	return in.add(ctx, by, collection.Intake{Who: who, Source: abs, Labelled: true}, files)
}

func readLabelled(dir string) (*refset.Folder, error) {
	folder, err := readFolder(dir)
	if errors.Is(err, refset.ErrNoSets) {
		return nil, fmt.Errorf("%w below %s: make one sub-folder a set, named as you call the set, with its photos (JPEG, HEIC, PNG, TIFF or WebP) inside", pipeline.ErrNoPhotos, dir)
	}
	return folder, err
}

func readFolder(dir string) (*refset.Folder, error) {
	return refset.Read(dir, func(set string) ([]string, error) { return pipeline.ListPhotos([]string{set}, "") })
}

// Look says whether there is anything for [Intake.AddFolder] to add, or for
// [Intake.AddLabelled] with labelled; its error is theirs.
func Look(paths []string, labelled bool, by By) error {
	n := 0
	if labelled {
		folder, err := readLabelled(paths[0])
		if err != nil {
			return err
		}
		for _, s := range folder.Sets {
			n += len(s.Photos)
		}
	} else {
		found, err := pipeline.ListPhotos(paths, "")
		if err != nil {
			return err
		}
		n = len(found)
	}
	return by.check(n)
}

func (in *Intake) add(ctx context.Context, by By, i collection.Intake, files []collection.IntakeFile) (collection.Intake, error) {
	i.CheckBarMM, i.Ruler, i.NoProfiles = by.CheckBarMM, by.Ruler, by.NoProfiles
	i.Contributor, i.Permission = in.o.Contributor, in.o.Permission
	i, err := in.c.NewIntake(ctx, i, files...)
	if err != nil {
		return i, err
	}
	in.nudge()
	return in.c.Intake(ctx, i.ID)
}

// Begin begins an intake that files will be received into one by one. The error
// wraps pipeline.ErrRuler where the ruler is for one photo alone, or for none.
func (in *Intake) Begin(ctx context.Context, who, source string, by By) (collection.Intake, error) {
	const several = 2 // nobody knows yet how many
	if err := by.check(several); err != nil {
		return collection.Intake{}, err
	}
	return in.c.NewIntake(ctx, collection.Intake{Who: who, Source: source, CheckBarMM: by.CheckBarMM, Ruler: by.Ruler, NoProfiles: by.NoProfiles})
}

// Errors of Receive that callers can tell apart.
var (
	// ErrNotAPhoto: the name is not that of a kind of photo that is read.
	ErrNotAPhoto = errors.New("not a kind of photo that can be read")
	// ErrTooLarge: the file is past the limit.
	ErrTooLarge = errors.New("too large")
)

// Receive stores a file that comes without a place of its own, such as one
// dropped onto the page, beside the collection, and puts it into the intake. Its
// place is named by its content, never by name. The error wraps [ErrNotAPhoto] or
// [ErrTooLarge]; nothing was kept then.
func (in *Intake) Receive(ctx context.Context, intake, name string, r io.Reader) (collection.IntakeFile, error) {
	var none collection.IntakeFile
	shown := strings.TrimPrefix(filepath.ToSlash(strings.ToValidUTF8(name, "?")), "/")
	if !vision.IsPhotoName(shown) {
		return none, fmt.Errorf("%s is %w: save it as JPEG, HEIC, PNG, TIFF or WebP", shown, ErrNotAPhoto)
	}
	dir := in.c.UploadsDir()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return none, fmt.Errorf("the folder for photos beside the collection can't be made: %w", err)
	}
	tmp, err := os.CreateTemp(dir, ".receiving-*")
	if err != nil {
		return none, fmt.Errorf("%s can't be kept: %w", shown, err)
	}
	defer os.Remove(tmp.Name()) // gone already where all went well
	sum := sha256.New()
	n, err := io.Copy(io.MultiWriter(tmp, sum), io.LimitReader(r, vision.MaxFileBytes+1))
	if err == nil && n > vision.MaxFileBytes {
		err = fmt.Errorf("%s is %w: the limit is %d MB", shown, ErrTooLarge, int64(vision.MaxFileBytes)>>20)
	}
	if err == nil {
		err = tmp.Sync()
	}
	if e := tmp.Close(); err == nil {
		err = e
	}
	if err != nil {
		return none, err
	}
	sha := hex.EncodeToString(sum.Sum(nil))
	path := filepath.Join(dir, sha+strings.ToLower(filepath.Ext(shown)))
	if err := os.Chmod(tmp.Name(), 0o644); err != nil {
		return none, err
	}
	if err := os.Rename(tmp.Name(), path); err != nil {
		return none, fmt.Errorf("%s can't be kept: %w", shown, err)
	}
	files, err := in.c.AddFiles(ctx, intake, []collection.IntakeFile{{Path: path, Name: shown}})
	if err != nil {
		return none, err
	}
	in.nudge()
	return files[0], nil
}

func (in *Intake) nudge() {
	select {
	case in.wake <- struct{}{}:
	default:
	}
}

// ErrBusy: another process measures into the collection just now; it takes up
// what was added here, too.
var ErrBusy = errors.New("another Tawsight is adding photos to this collection")

// lookAgain is how often a server looks for what another process has added, or
// whether that process has come to its end.
const lookAgain = 3 * time.Second

// Serve measures whatever is put into the collection until the context ends.
func (in *Intake) Serve(ctx context.Context) error {
	tick := time.NewTicker(lookAgain)
	defer tick.Stop()
	for {
		if err := in.Run(ctx); err != nil && ctx.Err() == nil && !errors.Is(err, ErrBusy) {
			in.o.Log.Error("adding photos stopped; it is tried again", "why", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-in.wake:
		case <-tick.C:
		}
	}
}

// Run measures all that waits, what an earlier run left undone included. The
// error is [ErrBusy] where another process does so already.
func (in *Intake) Run(ctx context.Context) error {
	open, err := in.c.Unfinished(ctx)
	if err != nil || len(open) == 0 {
		return err
	}
	release, err := lock(in.c.Path() + ".adding")
	if err != nil {
		return err
	}
	defer release()
	if err := in.c.TakeUp(ctx); err != nil {
		return err
	}
	return in.work(ctx)
}

// work measures until nothing waits, then finishes the intakes that are done.
func (in *Intake) work(ctx context.Context) error {
	inner, cancel := context.WithCancel(ctx)
	defer cancel()
	var wg sync.WaitGroup
	errs := make(chan error, in.o.Workers)
	for range in.o.Workers {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for inner.Err() == nil {
				f, ok, err := in.c.NextFile(inner)
				if err == nil && ok {
					err = in.one(inner, f)
				}
				if err != nil {
					errs <- err
					cancel()
					return
				}
				if !ok {
					return
				}
			}
		}()
	}
	wg.Wait()
	close(errs)
	if err := <-errs; err != nil {
		return err
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	open, err := in.c.Unfinished(ctx)
	if err != nil {
		return err
	}
	for _, i := range open {
		if i.Files[collection.Waiting]+i.Files[collection.Measuring] > 0 || i.Total() == 0 {
			continue
		}
		if err := in.finish(ctx, i); err != nil {
			return err
		}
	}
	return nil
}

// one measures one file and keeps what was found. An error means that nothing
// can be kept at all.
func (in *Intake) one(ctx context.Context, f collection.IntakeFile) error {
	in.report(ctx, f, nil)
	p, err := in.measure(ctx, &f)
	if ctx.Err() != nil {
		// Stopped by the user: it is nobody's fault, and waits for the next run.
		f.State, f.Reason = collection.Waiting, ""
		return in.c.FinishFile(context.WithoutCancel(ctx), f)
	}
	if err != nil {
		return err
	}
	if f.State != collection.Failed && f.SetName != "" {
		if err := in.file(ctx, f); err != nil {
			return err
		}
	}
	if err := in.c.FinishFile(ctx, f); err != nil {
		return err
	}
	in.report(ctx, f, p)
	return nil
}

// measure brings a file to one of its ends; the error is the collection's.
func (in *Intake) measure(ctx context.Context, f *collection.IntakeFile) (*record.Photo, error) {
	fail := func(reason string) { f.State, f.Reason = collection.Failed, reason }
	info, err := os.Stat(f.Path)
	if err != nil {
		fail(unreadable(err))
		return nil, nil
	}
	if f.Photo, err = bundle.FileSHA256(f.Path); err != nil {
		fail(unreadable(err))
		return nil, nil
	}
	ruler, kept, err := in.rulerOf(ctx, f)
	if err != nil {
		return nil, err
	}
	rulers := pipeline.RulersOf(ruler, in.cameras(f.NoProfiles))
	if err := rulers.Check(1); err != nil {
		fail(err.Error())
		return nil, nil
	}
	way := collection.Way{MadeBy: pipeline.MadeBy(), CheckBarMM: f.CheckBarMM, Ruler: ruler, Cameras: rulers.CamerasFor(f.Path)}
	known, err := in.c.Has(ctx, f.Photo, f.Path, way)
	if err != nil {
		return nil, err
	}
	// Another version may number marbles otherwise, so that what was said of a
	// number then is not said again for the collector.
	if known || kept && len(ruler.Known) > 0 {
		f.State = collection.Known
		return nil, nil
	}
	s, err := in.o.measure(ctx, f.Path, f.CheckBarMM, rulers)
	if err != nil {
		return nil, err
	}
	if s.Photo.Error != "" {
		fail(s.Photo.Error)
		return nil, nil
	}
	if s.Photo.SHA256 != f.Photo {
		fail("the file changed while it was read: add it again")
		return nil, nil
	}
	m := collection.Measured{
		Photo: s.Photo, Bytes: info.Size(), Name: f.Name, Way: way, Contributor: f.Contributor, Permission: f.Permission,
		Picture: &collection.Picture{JPEG: s.Tray, WidthPX: s.TrayWPX, HeightPX: s.TrayHPX},
	}
	for _, v := range s.Views {
		m.Faces = append(m.Faces, collection.Face{JPEG: v.JPEG, SidePX: v.SidePX, MMPerPX: v.MMPerPX, DiameterPX: v.DiameterPX})
	}
	added, err := in.c.Add(ctx, m)
	if err != nil {
		return nil, err
	}
	f.State = collection.FileDone
	if !added.NewMeasurement {
		f.State = collection.Known // its like, measured beside it, came first
	}
	return &s.Photo, nil
}

// rulerOf is the ruler that a file is measured by; kept says that it was named for
// this photo earlier on.
func (in *Intake) rulerOf(ctx context.Context, f *collection.IntakeFile) (r record.Ruler, kept bool, err error) {
	switch {
	case f.Ruler.None:
		return record.Ruler{}, false, nil
	case f.Ruler.Named():
		return f.Ruler, false, nil
	}
	r, err = in.c.LastRuler(ctx, f.Photo)
	return r, r.Named(), err
}

func (in *Intake) cameras(none bool) *cameras.Book {
	if none {
		return nil
	}
	return in.o.Cameras
}

func unreadable(err error) string {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "the file is no longer there: add it again from where it is now"
	case errors.Is(err, fs.ErrPermission):
		return "the file may not be read: change its permissions, then add it again"
	}
	return "the file can't be read: " + err.Error()
}

// file labels a photo with the set whose folder it lies in.
func (in *Intake) file(ctx context.Context, f collection.IntakeFile) error {
	i, err := in.c.Intake(ctx, f.IntakeID)
	if err != nil {
		return err
	}
	note := func(int) refset.Note { return refset.Note{} }
	// The notes were read when the folder was added; one that has gone or gone
	// wrong since must not undo what was measured.
	if folder, err := readFolder(i.Source); err == nil {
		note = func(number int) refset.Note { return folder.Note(f.Path, fmt.Sprint(number)) }
	} else {
		in.o.Log.Warn("the notes beside labelled photos can't be used any more", "folder", i.Source, "why", err)
	}
	_, err = in.c.FileUnder(ctx, f.Who, f.Photo, f.SetName, fmt.Sprintf("filed by its folder, %s", f.Name), note)
	if errors.Is(err, collection.ErrInvalid) {
		in.o.Log.Warn("a photo could not be filed under its folder's name", "photo", f.Path, "why", err)
		return nil
	}
	return err
}

// finish joins what belongs together, has the new compared, and closes the
// intake.
func (in *Intake) finish(ctx context.Context, i collection.Intake) error {
	if err := in.pair(ctx, i); err != nil {
		return err
	}
	said := ""
	if in.o.Opine != nil {
		var err error
		if said, err = in.o.Opine(ctx, i.Who); err != nil {
			if ctx.Err() != nil {
				return err
			}
			in.o.Log.Warn("what was added could not be compared with the sets", "why", err)
			said = "What was added could not be compared with your sets: " + err.Error()
		}
	}
	first, err := in.c.FinishIntake(ctx, i.ID)
	if err != nil || !first {
		return err
	}
	in.tell(Event{Intake: i.ID, Done: i.Total(), Total: i.Total(), Finished: true, Said: said})
	return nil
}

func (in *Intake) pair(ctx context.Context, i collection.Intake) error {
	ultraviolet, daylight, err := in.c.Unpaired(ctx, i.ID)
	if err != nil || len(ultraviolet) == 0 || len(daylight) == 0 {
		return err
	}
	rulers := map[string]pipeline.RulerOptions{}
	for _, p := range ultraviolet {
		kept, err := in.c.LastRuler(ctx, p.SHA256)
		if err != nil {
			return err
		}
		rulers[p.SHA256] = pipeline.RulersOf(kept, in.cameras(i.NoProfiles))
	}
	joined, err := pipeline.PairUltraviolet(ctx, ultraviolet, daylight, i.CheckBarMM, func(p record.Photo) pipeline.RulerOptions { return rulers[p.SHA256] })
	if err != nil || len(joined) == 0 {
		return err
	}
	// In the collection a photo goes by its content.
	sha := map[string]string{}
	for _, p := range joined {
		sha[p.Path] = p.SHA256
	}
	for k := range joined {
		joined[k].PairedWith = sha[joined[k].PairedWith]
	}
	return in.c.Pair(ctx, joined...)
}

// report tells the watchers how a file stands.
func (in *Intake) report(ctx context.Context, f collection.IntakeFile, p *record.Photo) {
	e := Event{Intake: f.IntakeID, File: f.ID, Name: f.Name, State: f.State, Photo: f.Photo, Reason: f.Reason}
	if i, err := in.c.Intake(ctx, f.IntakeID); err == nil {
		e.Total = i.Total()
		e.Done = e.Total - i.Files[collection.Waiting] - i.Files[collection.Measuring]
	}
	if f.State == collection.Known {
		if known, err := in.c.Photo(ctx, f.Photo); err == nil {
			p = &known.Record
		}
	}
	if p != nil {
		e.Marbles = len(p.Marbles)
		e.Poor = worst(p)
	}
	in.tell(e)
}

// worst is a poor photo's worst fault and what to do; empty for a good one.
func worst(p *record.Photo) string {
	v := p.Verdict
	if v.Size == record.Good && v.Colour == record.Good && v.Pattern == record.Good {
		return ""
	}
	f, ok := quality.Worst(p.Flags)
	if !ok {
		return ""
	}
	return f.Message + ": " + f.Advice
}
