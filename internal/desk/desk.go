// Package desk is what a collector works at: a collection, with what measures
// photos into it and what compares its marbles. The demo collection can be laid
// in its place, and be taken away again.
package desk

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"time"

	"tawsight/internal/atomicfile"
	"tawsight/internal/cameras"
	"tawsight/internal/collection"
	"tawsight/internal/intake"
	"tawsight/internal/opinions"
	"tawsight/samples"
)

// Options say how to work.
type Options struct {
	Workers int           // photos measured at once; 0 for one a core
	Cameras *cameras.Book // the cameras that are known; nil for none
	Log     *slog.Logger  // nil for silence
}

// Cameras are the cameras that photos are measured by; nil for none.
func (d *Desk) Cameras() *cameras.Book { return d.o.Cameras }

// Place is a collection with all that works on it.
type Place struct {
	Collection *collection.Collection
	Intake     *intake.Intake
	Opinions   *opinions.Keeper
	Demo       bool // the demo collection, not the collector's own
}

// Desk holds the collector's own place, and the demo where it was asked for.
// It may be used by several goroutines at once.
type Desk struct {
	o    Options
	ctx  context.Context // ends the work in all places
	stop context.CancelFunc
	work sync.WaitGroup

	mu   sync.Mutex
	own  *Place
	demo *Place // nil until it was opened
	at   *Place
}

// Open opens the collection at path, makes it where it is missing, and goes on
// with what an earlier run left undone. Close the desk after use.
func Open(ctx context.Context, path string, o Options) (*Desk, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	d := &Desk{o: o}
	d.ctx, d.stop = context.WithCancel(context.WithoutCancel(ctx))
	own, err := d.open(ctx, path)
	if err != nil {
		d.stop()
		return nil, err
	}
	d.own, d.at = own, own
	return d, nil
}

func (d *Desk) open(ctx context.Context, path string) (*Place, error) {
	c, err := collection.Create(ctx, path)
	if err != nil {
		return nil, err
	}
	p := &Place{Collection: c, Opinions: opinions.New(c)}
	p.Intake = intake.New(c, intake.Options{Workers: d.o.Workers, Opine: p.Opinions.Update, Cameras: d.o.Cameras, Log: d.o.Log})
	d.work.Go(func() {
		if err := p.Intake.Serve(d.ctx); err != nil {
			d.o.Log.Error("photos are no longer measured", "why", err)
		}
	})
	d.work.Go(func() { d.keepCompared(p) })
	return p, nil
}

// afterEdits is how long to wait after a change before marbles whose photos were
// joined or parted are compared again: edits come in groups.
const afterEdits = time.Second

// keepCompared has marbles compared again whose photos were joined or parted.
func (d *Desk) keepCompared(p *Place) {
	changed, leave := p.Collection.Watch()
	defer leave()
	for {
		select {
		case <-d.ctx.Done():
			return
		case <-changed:
		}
		select {
		case <-d.ctx.Done():
			return
		case <-time.After(afterEdits):
		}
		// While photos come in, that is the intake's to do, at its end.
		if open, err := p.Collection.Unfinished(d.ctx); err != nil || len(open) > 0 {
			continue
		}
		if _, ok, err := p.Collection.EditionInForce(d.ctx); err != nil || !ok {
			continue
		}
		if _, err := p.Opinions.Update(d.ctx, ""); err != nil && d.ctx.Err() == nil {
			d.o.Log.Warn("marbles that changed could not be compared again", "why", err)
		}
	}
}

// At is the place that is worked at now.
func (d *Desk) At() *Place {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.at
}

// DemoExt is put before the ending of a collection's name for the demo's.
const DemoExt = "-demo"

// ShowDemo lays the demo collection in the place of the collector's own, which
// stays as it is. The first time its photos are written beside it and measured.
func (d *Desk) ShowDemo(ctx context.Context) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.demo == nil {
		path := d.own.Collection.Path()
		path = path[:len(path)-len(filepath.Ext(path))] + DemoExt + collection.Ext
		p, err := d.open(ctx, path)
		if err != nil {
			return fmt.Errorf("the demo collection can't be opened: %w", err)
		}
		p.Demo = true
		if err := fill(ctx, p); err != nil {
			return fmt.Errorf("the demo collection can't be filled: %w", err)
		}
		d.demo = p
	}
	d.at = d.demo
	return nil
}

// fill writes the demo's photos beside its collection and adds them, unless that
// was done before.
func fill(ctx context.Context, p *Place) error {
	n, err := p.Collection.Intakes(ctx, 1)
	if err != nil || len(n) > 0 {
		return err
	}
	dir := p.Collection.UploadsDir()
	err = fs.WalkDir(samples.Demo, "photos", func(name string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		data, err := samples.Demo.ReadFile(name)
		if err != nil {
			return err
		}
		to := filepath.Join(dir, filepath.FromSlash(name))
		if _, err := os.Stat(to); err == nil {
			return nil
		}
		return atomicfile.WriteBytes(to, data)
	})
	if err != nil {
		return err
	}
	const who = "the demo"
	if _, err := p.Intake.AddLabelled(ctx, who, filepath.Join(dir, "photos", "references"), intake.By{}); err != nil {
		return err
	}
	_, err = p.Intake.AddFolder(ctx, who, []string{filepath.Join(dir, "photos", "tray"), filepath.Join(dir, "photos", "poor")}, intake.By{})
	return err
}

// ShowOwn puts the collector's own collection back in its place.
func (d *Desk) ShowOwn() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.at = d.own
}

// Close ends all work, at the next photo's end, and closes the collections.
// What waits is gone on with at the next opening.
func (d *Desk) Close() error {
	d.stop()
	d.work.Wait()
	d.mu.Lock()
	defer d.mu.Unlock()
	var errs []error
	for _, p := range []*Place{d.own, d.demo} {
		if p != nil {
			errs = append(errs, p.Collection.Close())
		}
	}
	return errors.Join(errs...)
}
