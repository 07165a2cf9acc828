package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"tawsight/internal/pipeline"
	"tawsight/internal/refset"
)

type measureCommand struct {
	Photos     []string `arg:"" name:"photos" help:"Photos (JPEG, HEIC, PNG, TIFF or WebP), or folders of them, which are searched right down."`
	Out        string   `required:"" placeholder:"DIR" help:"Folder for the results; made where missing."`
	References string   `placeholder:"DIR" xor:"likeness" help:"Your labelled photos, one sub-folder a set, and perhaps bundles beside them; or a bundle (FILE.zip) alone. Marbles are compared with them."`
	Model      string   `placeholder:"FILE" xor:"likeness" help:"A model saved by tawsight references, in place of --references."`
	Explain    string   `placeholder:"DIR" help:"Also draw a sheet for every marble, into this folder, that shows how its figures came about."`
	printScale
	cameraProfiles
	rulerFlags
	NoCache bool `name:"no-cache" help:"Measure every photo anew. Otherwise what was measured before, by this very program with the same options, is taken from your cache, and the results are the same."`
	Workers int  `placeholder:"N" help:"Photos measured at once. Default: one for each processor core."`
}

func (measureCommand) Help() string {
	return `Writes report.html (open it in a browser), photos.jsonl, photos.csv, marbles.csv, crops/ and overlays/ to the folder given with --out.

With --explain, each marble gets a sheet (PNG) as well, and the report links to it: the marble, what it was taken apart into, its ribbons as traced, the light in it and around it, and every figure with how sure it is, or why it is absent. Sheets carry a photo's name and a marble's number; a file of that name that is no sheet is never overwritten. Where the folder is that of --out, they go to its sub-folder explain. Sheets among your photos are not taken for photos.

` + rulersHelp + `

` + exitStatuses
}

func (c measureCommand) Validate() error {
	for _, p := range c.Photos {
		if err := exists(p); err != nil {
			return err
		}
	}
	if c.References != "" {
		if err := isReferences("--references", c.References); err != nil {
			return err
		}
	}
	if c.Model != "" {
		if err := exists(c.Model); err != nil {
			return err
		}
	}
	if _, err := pipeline.SheetsDir(c.Out, c.Explain); err != nil {
		return err
	}
	if err := c.printScale.inRange(); err != nil {
		return err
	}
	if _, err := c.rulerFlags.options(); err != nil {
		return err
	}
	return workersInRange(c.Workers)
}

func (c measureCommand) Run(s *session) error {
	rulers, err := c.rulerFlags.options()
	if err != nil {
		return err
	}
	rulers.Cameras = c.book(s)
	bar := newProgress(s.stderr)
	defer bar.done()
	sum, err := pipeline.Run(s.ctx, pipeline.Options{
		Photos:        c.Photos,
		OutDir:        c.Out,
		ExplainDir:    c.Explain,
		ReferencesDir: c.References,
		ModelPath:     c.Model,
		CheckBarMM:    c.CheckBarMM,
		Ruler:         rulers,
		NoCache:       c.NoCache,
		Workers:       c.Workers,
		Progress:      bar.photo,
		Log:           s.log,
	})
	bar.done()
	printFailures(s, sum.Failures)
	if err != nil {
		return err
	}
	fmt.Fprintf(s.stdout, "%s, %s", count(sum.Photos, "photo"), count(sum.Marbles, "marble"))
	if sum.Failed > 0 {
		fmt.Fprintf(s.stdout, ", %s could not be read", count(sum.Failed, "file"))
	}
	fmt.Fprintf(s.stdout, "\nReport: %s\n", sum.ReportPath)
	if sum.SheetsDir != "" {
		fmt.Fprintf(s.stdout, "Sheets: %s\n", sum.SheetsDir)
	}
	if sum.Failed > 0 {
		return errUnreadable
	}
	return nil
}

// printScale is the flag shared by the commands that read cards.
type printScale struct {
	CheckBarMM float64 `name:"check-bar-mm" placeholder:"80" help:"Length of the printed card's long line as your ruler has it, millimetres. Left out, 80 is assumed and the sizes are a little less certain."`
}

func (p printScale) inRange() error {
	// Beyond this a "print at 100 %" went wrong altogether, or the figure is a
	// slip of the finger.
	if p.CheckBarMM != 0 && !(p.CheckBarMM >= 60 && p.CheckBarMM <= 100) {
		return fmt.Errorf("--check-bar-mm is %g: the line is 80 mm on the design, and a length from 60 to 100 mm is expected", p.CheckBarMM)
	}
	return nil
}

func workersInRange(n int) error {
	if n < 0 || n > 1024 {
		return fmt.Errorf("--workers is %d: choose 1 to 1024, or leave it out for one a core", n)
	}
	return nil
}

func exists(path string) error {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("there is no file or folder %s", path)
	}
	return nil // any other trouble is met, and explained, on reading
}

func isFolder(flag, path string) error {
	if err := exists(path); err != nil {
		return err
	}
	if info, err := os.Stat(path); err == nil && !info.IsDir() {
		return fmt.Errorf("%s %s is a file: give the folder whose sub-folders are your labelled sets", flag, path)
	}
	return nil
}

// isReferences takes a folder of labelled sets, or a bundle in its place.
func isReferences(flag, path string) error {
	if err := exists(path); err != nil || strings.EqualFold(filepath.Ext(path), refset.BundleExt) {
		return err
	}
	return isFolder(flag, path)
}

func printFailures(s *session, failures []pipeline.Failure) {
	for _, f := range failures {
		fmt.Fprintf(s.stderr, "%s: %s\n", f.Path, f.Reason)
	}
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
