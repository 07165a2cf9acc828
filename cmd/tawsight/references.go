package main

import (
	"fmt"
	"os"
	"text/tabwriter"

	"tawsight/internal/pipeline"
)

type referencesCommand struct {
	Dir   string `arg:"" name:"dir" help:"Folder whose sub-folders are your labelled sets (DIR/LABEL/*.jpg), perhaps with bundles beside them; or a bundle (FILE.zip) alone."`
	Model string `placeholder:"FILE" help:"Save what was learnt, for tawsight measure --model."`
	Out   string `placeholder:"DIR" help:"Also write a report on the sets to this folder, made where missing: health.html, health.pdf, PNGs and health.json."`
	printScale
	cameraProfiles
	Workers int  `placeholder:"N" help:"Photos measured at once. Default: one for each processor core."`
	Anew    bool `help:"Measure all photos anew, whatever is known of them from an earlier run."`
}

func (referencesCommand) Help() string {
	return `Each marble is compared with all the others as though its own label were not known, and the share given its own label back is printed: how far the comparison can be trusted on your own sets. What looks mislabelled, what may be one marble twice and which sets are too small is told as well.

With --out, a report is written too: which sets are taken for which, whether probabilities come true, what tells each two sets apart, and for each set its palette, its sizes and its specimens with their credits. A file of the same name that is no such report is never overwritten. What was measured is kept in your cache folder and used again for the same files by the same program.

` + exitStatuses
}

func (c referencesCommand) Validate() error {
	if c.Dir == "" {
		return nil // a missing argument is reported by the parser, after this
	}
	if err := isReferences("the folder", c.Dir); err != nil {
		return err
	}
	if info, err := os.Stat(c.Out); c.Out != "" && err == nil && !info.IsDir() {
		return fmt.Errorf("--out %s is a file: give a folder", c.Out)
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
		OutDir:     c.Out,
		NoKeep:     c.Anew,
		Cameras:    c.book(s),
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
	fmt.Fprintln(w, "set\tphotos\tmarbles\town label back\t95 % interval\twrong ones mostly taken for")
	for i, set := range sum.Sets {
		interval := "-"
		if r := sum.Health.Sets[i].RecallU95; r != nil {
			interval = fmt.Sprintf("%.0f to %.0f %%", 100*r[0], 100*r[1])
		}
		fmt.Fprintf(w, "%s\t%d\t%d\t%s\t%s\t%s\n", set.Label, set.Photos, set.Marbles, share(set.Right, set.Tested), interval, set.MostlyTakenFor)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(s.stdout, "Leave-one-out: %s\n", share(sum.Right, sum.Tested))
	h := sum.Health
	if h.Brier != nil && h.CalibrationError != nil {
		fmt.Fprintf(s.stdout, "Brier score: %.3f (0 best, 2 worst)\nCalibration error: %.3f\nCalled unlike any set: %s\n", *h.Brier, *h.CalibrationError, share(h.Rejected, h.Tested))
	}
	for i, label := range h.Labels {
		for j, n := range h.Confusion[i] {
			if i != j && n > 0 {
				fmt.Fprintf(s.stdout, "Confused: %d of %s taken for %s\n", n, label, h.Labels[j])
			}
		}
	}
	for _, m := range h.Mislabelled {
		fmt.Fprintf(s.stdout, "Perhaps in the wrong set: %s\n", m.Text)
	}
	for _, d := range h.Duplicates {
		fmt.Fprintf(s.stdout, "Perhaps the same marble twice: %s\n", d.Text)
	}
	for _, m := range h.Small {
		fmt.Fprintf(s.stdout, "Too small to trust: %s\n", m.Text)
	}
	for _, warning := range sum.Warnings {
		fmt.Fprintf(s.stderr, "note: %s\n", warning)
	}
	if len(sum.Files) > 0 {
		fmt.Fprintf(s.stdout, "Report: %s\n", sum.Files[0])
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
