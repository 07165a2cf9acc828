package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"tawsight/internal/collection"
	"tawsight/internal/intake"
	"tawsight/internal/opinions"
	"tawsight/internal/refset"
)

type addCommand struct {
	Photos []string `arg:"" optional:"" name:"photos" help:"Photos (JPEG, HEIC, PNG, TIFF or WebP), or folders of them, which are searched right down. Left out, what an earlier run left undone is gone on with."`
	collectionFlag
	Labelled bool `help:"The one folder given holds labelled photos, one sub-folder a set: each marble is filed under its sub-folder's name, with what the folder's notes.csv says."`
	printScale
	cameraProfiles
	rulerFlags
	NoRuler    bool   `help:"Measure photos that are known already by the printed card or a bank card alone, whatever ruler was named for them before."`
	Credit     string `placeholder:"NAME" help:"Whose photos they are. Photos that are known already keep what is said of them."`
	Permission string `placeholder:"WORDS" help:"What their owner allows: own; may share; may show, not share; or ask first."`
	As         string `placeholder:"NAME" help:"Who adds them, for the history. Default: your name on this machine."`
	Workers    int    `placeholder:"N" help:"Photos measured at once. Default: one for each processor core."`
}

func (addCommand) Help() string {
	return `Measures photos into your collection, which is made where it is missing. The photos stay where they are and as they are; each is known by its content, so adding one twice changes nothing. A run that is cut short, by whatever it may be, loses nothing that it finished: run it again, and it goes on, by the rulers it was given.

` + rulersHelp + ` A ruler is kept with what was measured by it, and a photo that is known already is measured again by another one: the earlier figures stay in its history, and those that were asked for last count. Where you name none, a known photo keeps the ruler it was last measured by.

` + exitStatuses
}

func (c addCommand) Validate() error {
	for _, p := range c.Photos {
		if err := exists(p); err != nil {
			return err
		}
	}
	if c.Labelled {
		if len(c.Photos) != 1 {
			return errors.New("--labelled needs the one folder whose sub-folders are your labelled sets")
		}
		if err := isFolder("--labelled", c.Photos[0]); err != nil {
			return err
		}
	}
	rulers, err := c.rulerFlags.options()
	if err != nil {
		return err
	}
	named := rulers.Named().Named()
	if c.NoRuler && named {
		return errors.New("--no-ruler leaves all rulers but the cards: don't name one beside it")
	}
	if len(c.Photos) == 0 && (c.CheckBarMM != 0 || c.Credit != "" || c.Permission != "" || c.NoRuler || named) {
		return errors.New("name the photos that --check-bar-mm, --credit, --permission and rulers are about; what waits keeps what was said of it")
	}
	if _, err := refset.ParsePermission(c.Permission); err != nil {
		return fmt.Errorf("--permission: %w", err)
	}
	if err := c.printScale.inRange(); err != nil {
		return err
	}
	return workersInRange(c.Workers)
}

func (c addCommand) Run(s *session) error {
	path, err := c.path()
	if err != nil {
		return err
	}
	permission, err := refset.ParsePermission(c.Permission)
	if err != nil {
		return err
	}
	rulers, err := c.rulerFlags.options()
	if err != nil {
		return err
	}
	by := intake.By{CheckBarMM: c.CheckBarMM, Ruler: rulers.Named(), NoProfiles: c.NoCameraProfile}
	by.Ruler.None = c.NoRuler
	open := collection.Create
	if len(c.Photos) == 0 {
		open = collection.Open
	} else if _, err := os.Stat(path); err != nil {
		// A collection is not made for a folder that holds no photos.
		if err := intake.Look(c.Photos, c.Labelled, by); err != nil {
			return err
		}
	}
	col, err := open(s.ctx, path)
	if err != nil {
		return err
	}
	defer col.Close()
	in := intake.New(col, intake.Options{
		Workers: c.Workers, Opine: opinions.New(col).Update, Cameras: c.book(s), Contributor: c.Credit, Permission: permission, Log: s.log,
	})
	who := c.As
	if who == "" {
		who = collection.UserName()
	}
	var lots []collection.Intake
	switch {
	case len(c.Photos) == 0:
		if lots, err = col.Unfinished(s.ctx); err == nil && len(lots) == 0 {
			return usageError{errors.New("nothing waits to be measured: name photos or folders to add")}
		}
	case c.Labelled:
		lots = make([]collection.Intake, 1)
		lots[0], err = in.AddLabelled(s.ctx, who, c.Photos[0], by)
	default:
		lots = make([]collection.Intake, 1)
		lots[0], err = in.AddFolder(s.ctx, who, c.Photos, by)
	}
	if errors.Is(err, collection.ErrInvalid) {
		return usageError{err}
	}
	if err != nil {
		return err
	}
	seen, err := c.measure(s, col, in, lots)
	if err != nil {
		if s.ctx.Err() != nil {
			fmt.Fprintln(s.stderr, "The rest waits in the collection: tawsight add, without more, goes on with it.")
		}
		return err
	}
	return c.report(s, col, lots, seen)
}

// seenSoFar is what the events of an intake told.
type seenSoFar struct {
	marbles int
	said    []string
	poor    []string
}

// pollBusy is how often another process's work is looked at.
const pollBusy = 500 * time.Millisecond

// measure measures the lots here, or waits for the process that does so already.
func (c addCommand) measure(s *session, col *collection.Collection, in *intake.Intake, lots []collection.Intake) (seenSoFar, error) {
	bar := newProgress(s.stderr)
	defer bar.done()
	ours := map[string]bool{}
	for _, l := range lots {
		ours[l.ID] = true
	}
	var seen seenSoFar
	events, leave := in.Watch()
	stop, stopped := make(chan struct{}), sync.WaitGroup{}
	take := func(e intake.Event) {
		if !ours[e.Intake] {
			return
		}
		bar.photo(e.Done, e.Total, e.Name)
		switch {
		case e.Finished && e.Said != "":
			seen.said = append(seen.said, e.Said)
		case e.State == collection.FileDone:
			seen.marbles += e.Marbles
			if e.Poor != "" {
				seen.poor = append(seen.poor, e.Name+": "+e.Poor)
			}
		}
	}
	stopped.Go(func() {
		for {
			select {
			case e := <-events:
				take(e)
			case <-stop:
				for {
					select {
					case e := <-events:
						take(e)
					default:
						return
					}
				}
			}
		}
	})
	defer func() { leave() }()
	told := false
	var err error
	for {
		if err = in.Run(s.ctx); !errors.Is(err, intake.ErrBusy) {
			break
		}
		if !told {
			told = true
			bar.done()
			fmt.Fprintln(s.stderr, "Another Tawsight is adding photos to this collection, and measures yours too. You can wait here, or press Ctrl-C and leave it to it.")
		}
		var done int
		if done, err = c.progressElsewhere(s.ctx, col, lots, bar); err != nil || done == len(lots) {
			break
		}
		select {
		case <-s.ctx.Done():
		case <-time.After(pollBusy):
		}
		if err = s.ctx.Err(); err != nil {
			break
		}
	}
	close(stop)
	stopped.Wait()
	return seen, err
}

// progressElsewhere shows how far another process has come, and says how many of
// the lots are done.
func (c addCommand) progressElsewhere(ctx context.Context, col *collection.Collection, lots []collection.Intake, bar *progress) (done int, err error) {
	files, total := 0, 0
	for _, l := range lots {
		i, err := col.Intake(ctx, l.ID)
		if err != nil {
			return done, err
		}
		if i.Finished != "" {
			done++
		}
		total += i.Total()
		files += i.Total() - i.Files[collection.Waiting] - i.Files[collection.Measuring]
	}
	bar.photo(files, total, "")
	return done, nil
}

func (c addCommand) report(s *session, col *collection.Collection, lots []collection.Intake, seen seenSoFar) error {
	files := map[collection.FileState]int{}
	for _, l := range lots {
		i, err := col.Intake(s.ctx, l.ID)
		if err != nil {
			return err
		}
		for state, n := range i.Files {
			files[state] += n
		}
		all, err := col.IntakeFiles(s.ctx, l.ID)
		if err != nil {
			return err
		}
		for _, f := range all {
			if f.State == collection.Failed {
				fmt.Fprintf(s.stderr, "%s: %s\n", f.Path, f.Reason)
			}
		}
	}
	for _, p := range seen.poor {
		fmt.Fprintf(s.stderr, "poor: %s\n", p)
	}
	fresh, known, failed := files[collection.FileDone], files[collection.Known], files[collection.Failed]
	switch {
	case fresh == 0 && failed == 0 && known == 1:
		fmt.Fprintln(s.stdout, "This photo is in the collection already: nothing was added.")
	case fresh == 0 && failed == 0 && known > 1:
		fmt.Fprintf(s.stdout, "All %d photos are in the collection already: nothing was added.\n", known)
	default:
		fmt.Fprintf(s.stdout, "%s added", count(fresh, "photo"))
		if seen.marbles > 0 {
			fmt.Fprintf(s.stdout, " with %s", count(seen.marbles, "marble"))
		}
		if known > 0 {
			fmt.Fprintf(s.stdout, ", %d known already", known)
		}
		if failed > 0 {
			fmt.Fprintf(s.stdout, ", %s could not be read", count(failed, "file"))
		}
		fmt.Fprintln(s.stdout)
	}
	for _, said := range seen.said {
		fmt.Fprintln(s.stdout, said)
	}
	fmt.Fprintf(s.stdout, "Collection: %s\n", col.Path())
	if failed > 0 {
		return errUnreadable
	}
	return nil
}
