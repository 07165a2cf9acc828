package main

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"tawsight/internal/pipeline"
)

type compareCommand struct {
	Photo      string `arg:"" name:"photo" help:"Photo (JPEG, HEIC, PNG, TIFF or WebP) with the marble in question."`
	References string `required:"" placeholder:"DIR" help:"Your labelled photos, one sub-folder a set, and perhaps bundles beside them; or a bundle (FILE.zip) alone."`
	Marble     *int   `placeholder:"N" help:"Number of the marble, of several in the photo. Left out, every undecided one gets a plate."`
	Out        string `placeholder:"DIR" help:"Folder for the plates; made where missing. Left out, the answer is printed and nothing written."`
	printScale
	cameraProfiles
	Workers int  `placeholder:"N" help:"Photos measured at once. Default: one for each processor core."`
	Anew    bool `help:"Measure the labelled photos anew, whatever is known of them from an earlier run."`
}

func (compareCommand) Help() string {
	return `Sets a doubtful marble beside the nearest specimens of the sets it is most like, all to one scale and each under its own white: what tells the sets apart, where this marble lies, how sure that is, and what next photo would settle it. Each plate is written as PNG, PDF and HTML, named plate-PHOTO-NUMBER; a file of that name that is no plate is never overwritten. The names, credits and permissions of specimens come from notes.csv in the folder of labelled photos.

What was measured of labelled photos is kept in your cache folder and used again for the same files by the same program.

` + exitStatuses + ` A photo that is read but can't be compared (no marble, too poor) gets no plate; standard output says why.`
}

func (c compareCommand) Validate() error {
	if c.Photo == "" {
		return nil // a missing argument is reported by the parser, after this
	}
	if err := exists(c.Photo); err != nil {
		return err
	}
	if info, err := os.Stat(c.Photo); err == nil && info.IsDir() {
		return fmt.Errorf("%s is a folder: give one photo", c.Photo)
	}
	if c.References != "" {
		if err := isReferences("--references", c.References); err != nil {
			return err
		}
	}
	if c.Marble != nil && *c.Marble < 1 {
		return fmt.Errorf("--marble is %d: marbles are numbered from 1", *c.Marble)
	}
	if info, err := os.Stat(c.Out); c.Out != "" && err == nil && !info.IsDir() {
		return fmt.Errorf("--out %s is a file: give a folder", c.Out)
	}
	if err := c.printScale.inRange(); err != nil {
		return err
	}
	return workersInRange(c.Workers)
}

func (c compareCommand) Run(s *session) error {
	bar := newProgress(s.stderr)
	defer bar.done()
	o := pipeline.CompareOptions{
		Photo: c.Photo, ReferencesDir: c.References, OutDir: c.Out, CheckBarMM: c.CheckBarMM,
		Workers: c.Workers, NoKeep: c.Anew, Cameras: c.book(s), Progress: bar.photo, Log: s.log,
	}
	if c.Marble != nil {
		o.Marble = *c.Marble
	}
	sum, err := pipeline.Compare(s.ctx, o)
	bar.done()
	printFailures(s, sum.Failures)
	if err != nil {
		if errors.Is(err, pipeline.ErrNoMarble) {
			return usageError{err}
		}
		return err
	}
	for _, w := range sum.Warnings {
		fmt.Fprintf(s.stderr, "note: %s\n", w)
	}
	if sum.Why != "" {
		fmt.Fprintln(s.stdout, sum.Why)
	}
	for _, one := range sum.Comparisons {
		fmt.Fprintf(s.stdout, "Marble %s: %s.\n", one.Marble.ID, one.Verdict)
		for _, list := range []struct {
			title string
			lines []string
		}{{"why", one.Reasons}, {"how sure", one.HowSure}, {"what would settle it", one.Settle}} {
			for _, l := range list.lines {
				fmt.Fprintf(s.stdout, "  %s: %s\n", list.title, strings.TrimSuffix(l, "."))
			}
		}
		for _, f := range one.Files {
			fmt.Fprintf(s.stdout, "  %s\n", f)
		}
	}
	if len(sum.Failures) > 0 {
		return errUnreadable
	}
	return nil
}

// usageError is an error in what was asked for that shows only on the way.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }
