package main

import (
	"fmt"
	"text/tabwriter"

	"tawsight/internal/pipeline"
)

type featuresCommand struct{}

func (featuresCommand) Help() string {
	return `These are the columns feature_NAME of marbles.csv, and what marbles are compared by.`
}

func (featuresCommand) Run(s *session) error {
	features, err := pipeline.Features()
	if err != nil {
		return err
	}
	w := tabwriter.NewWriter(s.stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "name\tunit\trange\tmeaning")
	for _, f := range features {
		unit := f.Unit
		if unit == "" {
			unit = "-"
		}
		fmt.Fprintf(w, "%s\t%s\t%g to %g\t%s\n", f.Name, unit, f.Low, f.High, f.Meaning)
	}
	return w.Flush()
}
