package main

import (
	"fmt"
	"text/tabwriter"

	"tawsight/internal/pipeline"
)

type referencesCommand struct {
	Dir   string `arg:"" name:"dir" help:"Folder whose sub-folders are your labelled sets (DIR/LABEL/*.jpg), perhaps with bundles beside them; or a bundle (FILE.zip) alone."`
	Model string `placeholder:"FILE" help:"Save what was learnt, for tawsight measure --model."`
	printScale
	Workers int `placeholder:"N" help:"Photos measured at once. Default: one for each processor core."`
}

func (referencesCommand) Help() string {
	return `Each marble is compared with all the others as though its own label were not known, and the share given its own label back is printed: how far the comparison can be trusted on your own sets.

` + exitStatuses
}

func (c referencesCommand) Validate() error {
	if c.Dir == "" {
		return nil // a missing argument is reported by the parser, after this
	}
	if err := isReferences("the folder", c.Dir); err != nil {
		return err
	}
	if err := c.printScale.inRange(); err != nil {
		return err
	}
	return workersInRange(c.Workers)
}

func (c referencesCommand) Run(s *session) error {
	bar := newProgress(s.stderr)
	defer bar.done()
	sum, err := pipeline.References(s.ctx, pipeline.ReferencesOptions{
		Dir:        c.Dir,
		ModelPath:  c.Model,
		CheckBarMM: c.CheckBarMM,
		Workers:    c.Workers,
		Progress:   bar.photo,
		Log:        s.log,
	})
	bar.done()
	printFailures(s, sum.Failures)
	if err != nil {
		return err
	}
	w := tabwriter.NewWriter(s.stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "set\tphotos\tmarbles\town label back\twrong ones mostly taken for")
	for _, set := range sum.Sets {
		fmt.Fprintf(w, "%s\t%d\t%d\t%s\t%s\n", set.Label, set.Photos, set.Marbles, share(set.Right, set.Tested), set.MostlyTakenFor)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(s.stdout, "Leave-one-out: %s\n", share(sum.Right, sum.Tested))
	for _, warning := range sum.Warnings {
		fmt.Fprintf(s.stderr, "note: %s\n", warning)
	}
	if c.Model != "" {
		fmt.Fprintf(s.stdout, "Model: %s\n", c.Model)
	}
	if len(sum.Failures) > 0 {
		return errUnreadable
	}
	return nil
}

func share(right, of int) string {
	if of == 0 {
		return "none tried"
	}
	return fmt.Sprintf("%d of %d (%.0f %%)", right, of, 100*float64(right)/float64(of))
}
