package main

import (
	"errors"
	"fmt"
	"os"
	"time"
	"unicode/utf8"

	"tawsight/internal/guide"
	"tawsight/internal/opinions"
	"tawsight/internal/pipeline"
	"tawsight/internal/publish"
)

type guideCommand struct {
	Out string `required:"" placeholder:"DIR" help:"Folder for the guide, made where missing: pages with pictures, and guide.pdf."`
	collectionFlag
	References string `placeholder:"DIR" help:"Make it from labelled folders (DIR/LABEL/*.jpg, perhaps with bundles) rather than from the collection."`
	Title      string `placeholder:"TEXT" help:"What the guide is called."`
	By         string `placeholder:"NAME" help:"Who made it, as it is to be shown."`
	About      string `placeholder:"FILE" help:"A text file with your own words for the first page; blank lines part paragraphs."`
	Terms      string `placeholder:"TEXT" help:"What readers may do with the guide, in your words."`
	Since      string `placeholder:"FILE" help:"The edition.json of an earlier edition to say what changed since. Default: the last guide of the collection, or the one in DIR."`
	Mine       bool   `help:"With --references: photos of which notes.csv says no permission are your own, and may be shared."`
	Credit     string `placeholder:"NAME" help:"With --references: who is to be named with your own photos, where notes.csv names nobody."`
	printScale
	cameraProfiles
	Workers int  `placeholder:"N" help:"Photos measured at once. Default: one for each processor core."`
	Anew    bool `help:"With --references: measure all photos anew, whatever is known of them from an earlier run."`
}

func (guideCommand) Help() string {
	return `Makes an illustrated guide to your own sets, to share: a folder of pages that open in any browser without a network, and the same as one PDF. For each set: plates of its marbles to one scale, colours, sizes, traits as counts, usual ranges, what it is taken for and what tells the two apart, and how sure that is. Only marbles labelled as certain are in it.

A marble is pictured only where its owner's permission allows sharing (your own, or may share); the others are counted, and the guide says how many. Photos of which nothing is said are not shown: say in notes.csv or in the collection whose they are, or give --mine.

Each edition says what changed since the one before: sets that are new, gone or renamed, marbles that moved, ranges that moved. Likeness to your sets is not proof of maker, date or worth, and the guide says so.

A file that is no part of an earlier guide is never overwritten.

` + exitStatuses
}

// mostAbout is the longest text taken for the first page, bytes.
const mostAbout = 20000

func (c guideCommand) Validate() error {
	switch {
	case c.Out == "":
		return nil // reported by the parser, after this
	case c.References != "" && c.Collection != "" && os.Getenv("TAWSIGHT_COLLECTION") != c.Collection:
		return errors.New("give --references or --collection, not both")
	case c.References == "" && (c.Mine || c.Credit != "" || c.CheckBarMM != 0 || c.Workers != 0 || c.Anew):
		return errors.New("--mine, --credit, --check-bar-mm, --workers and --anew are for --references: a collection knows whose its photos are, and has measured them")
	}
	if c.References != "" {
		if err := isReferences("--references", c.References); err != nil {
			return err
		}
	}
	for _, f := range []string{c.About, c.Since} {
		if f == "" {
			continue
		}
		if err := exists(f); err != nil {
			return err
		}
		if info, err := os.Stat(f); err == nil && info.IsDir() {
			return fmt.Errorf("%s is a folder: give a file", f)
		}
	}
	if info, err := os.Stat(c.Out); err == nil && !info.IsDir() {
		return fmt.Errorf("--out %s is a file: give a folder", c.Out)
	}
	if err := c.printScale.inRange(); err != nil {
		return err
	}
	return workersInRange(c.Workers)
}

// words are what the collector says in the guide.
func (c guideCommand) words() (guide.Source, error) {
	src := guide.Source{Title: c.Title, Collector: c.By, Terms: c.Terms, Date: time.Now()}
	if c.About == "" {
		return src, nil
	}
	data, err := os.ReadFile(c.About)
	switch {
	case err != nil:
		return src, fmt.Errorf("--about can't be read: %w", err)
	case len(data) > mostAbout:
		return src, usageError{fmt.Errorf("--about %s has %d bytes: the first page has room for %d, so write a shorter one", c.About, len(data), mostAbout)}
	case !utf8.Valid(data):
		return src, usageError{fmt.Errorf("--about %s is not plain text in UTF-8: save it as that", c.About)}
	}
	src.About = string(data)
	return src, nil
}

func (c guideCommand) Run(s *session) error {
	words, err := c.words()
	if err != nil {
		return err
	}
	if c.References == "" {
		return c.ofCollection(s, words)
	}
	bar := newProgress(s.stderr)
	defer bar.done()
	sum, err := pipeline.Guide(s.ctx, pipeline.GuideOptions{
		Dir: c.References, OutDir: c.Out, Words: words, Mine: c.Mine, Credit: c.Credit, Since: c.Since,
		NoKeep: c.Anew, Cameras: c.book(s), CheckBarMM: c.CheckBarMM, Workers: c.Workers, Progress: bar.photo, Log: s.log,
	})
	bar.done()
	printFailures(s, sum.Failures)
	if err != nil {
		return err
	}
	sayGuide(s, sum.Edition, sum.Files, "say in notes.csv whose the photos are (own, or may share), or give --mine")
	if len(sum.Failures) > 0 {
		return errUnreadable
	}
	return nil
}

func (c guideCommand) ofCollection(s *session, words guide.Source) error {
	col, err := c.open(s)
	if err != nil {
		return err
	}
	defer col.Close()
	var earlier *guide.Edition
	if c.Since != "" {
		if earlier, err = guide.Earlier(c.Out, c.Since); err != nil {
			return err
		}
	}
	e, err := publish.Make(s.ctx, col, opinions.New(col), words, earlier)
	if err != nil {
		return err
	}
	files, err := publish.Write(s.ctx, col, c.Out, e)
	if err != nil {
		return err
	}
	sayGuide(s, e, files, "say in the collection whose the photos or marbles are (own, or may share)")
	return nil
}

// sayGuide prints what was made; advice is what to do about marbles that could
// not be shown.
func sayGuide(s *session, e *guide.Edition, files []string, advice string) {
	shown, hidden := 0, 0
	for i := range e.Sets {
		shown += e.Sets[i].Pictured()
		for _, m := range e.Sets[i].Members {
			if m.NotShown == guide.NoPermission {
				hidden++
			}
		}
	}
	fmt.Fprintf(s.stdout, "Edition %d: %s, %s, %d shown.\n", e.Number, count(len(e.Sets), "set"), count(e.Specimens, "marble"), shown)
	if hidden > 0 {
		fmt.Fprintf(s.stderr, "note: %s counted but not shown, for want of a permission to share: %s.\n", count(hidden, "marble"), advice)
	}
	if e.Changes != nil {
		for _, l := range e.Changes.Lines() {
			fmt.Fprintf(s.stdout, "  %s\n", l)
		}
	}
	fmt.Fprintf(s.stdout, "Guide: %s\n", files[0])
}
