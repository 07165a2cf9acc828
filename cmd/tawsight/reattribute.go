package main

import (
	"fmt"
	"strings"

	"tawsight/internal/collection"
	"tawsight/internal/opinions"
)

// collectionFlag is the flag shared by the commands on a collection.
type collectionFlag struct {
	Collection string `placeholder:"FILE" env:"TAWSIGHT_COLLECTION" help:"The collection. Default: collection.tawsight in the folder Tawsight in your own."`
}

// path is the collection's place.
func (c collectionFlag) path() (string, error) {
	if c.Collection != "" {
		return c.Collection, nil
	}
	return collection.DefaultPath()
}

// open opens the collection; it must be there.
func (c collectionFlag) open(s *session) (*collection.Collection, error) {
	path, err := c.path()
	if err != nil {
		return nil, err
	}
	return collection.Open(s.ctx, path)
}

type reattributeCommand struct {
	collectionFlag
	Write bool   `help:"Take the new opinions over. Left out, what would change is printed and nothing is written."`
	As    string `placeholder:"NAME" help:"Who takes them over, for the history. Default: your name on this machine."`
	All   bool   `help:"Print every change. Left out, the first 40."`
}

func (reattributeCommand) Help() string {
	return `Compares all marbles of the collection anew with your sets as they are labelled now, and says of each marble whose opinion would change what it was, what it would be, and why. Nothing is written without --write; the earlier opinions stay in every marble's history, and tawsight undo puts them back in force.

Labels given as certain teach the comparison, and no others. A marble that teaches is judged by what all the others taught.`
}

// changesShown is how many changes are printed without --all.
const changesShown = 40

func (c reattributeCommand) Run(s *session) error {
	col, err := c.open(s)
	if err != nil {
		return err
	}
	defer col.Close()
	k := opinions.New(col)
	p, err := k.Preview(s.ctx, nil)
	if err != nil {
		return err
	}
	sum := p.Edition.Summary
	fmt.Fprintf(s.stdout, "Learnt from %s: %s.\n", count(len(sum.Sets), "set"), setsInWords(sum.Sets))
	if sum.Tested > 0 {
		fmt.Fprintf(s.stdout, "Of %d labelled marbles, each judged as though its label were not known, %d are given it back.\n", sum.Tested, sum.Right)
	}
	if p.Previous != nil && p.Previous.Summary.Tested > 0 {
		fmt.Fprintf(s.stdout, "Before (%s): %d of %d.\n", day(p.Previous.Made), p.Previous.Summary.Right, p.Previous.Summary.Tested)
	}
	for _, w := range sum.Warnings {
		fmt.Fprintf(s.stderr, "note: %s\n", w)
	}
	fmt.Fprintf(s.stdout, "%s would change, %d stay as they are, %d can't be compared.\n", count(len(p.Changes), "opinion"), p.Same, p.NotCompared)
	for i, ch := range p.Changes {
		if i == changesShown && !c.All {
			fmt.Fprintf(s.stdout, "… and %d more (--all prints them)\n", len(p.Changes)-i)
			break
		}
		fmt.Fprintf(s.stdout, "%s: %s; was %s, would be %s", ch.Title, ch.Kind.Words(), opinionInWords(ch.Before), opinionInWords(ch.After))
		if ch.Label != "" {
			fmt.Fprintf(s.stdout, "; labelled %s", ch.Label)
		}
		fmt.Fprintln(s.stdout)
		for _, w := range ch.Why {
			fmt.Fprintf(s.stdout, "  because: %s\n", w)
		}
	}
	if !c.Write {
		fmt.Fprintln(s.stdout, "Nothing was written. Run it again with --write to take this over.")
		return nil
	}
	e, err := k.TakeOver(s.ctx, c.As, p)
	if err != nil {
		return err
	}
	fmt.Fprintf(s.stdout, "Taken over, as edit %d of the history; tawsight undo %d puts the earlier opinions back in force.\n", e.Seq, e.Seq)
	return nil
}

func setsInWords(sets []collection.EditionSet) string {
	var parts []string
	for _, s := range sets {
		parts = append(parts, fmt.Sprintf("%s (%s)", s.Name, count(s.Specimens, "marble")))
	}
	return strings.Join(parts, ", ")
}

func opinionInWords(o collection.Opinion) string {
	switch o.Status {
	case "":
		if o.WhyNot != "" {
			return "not compared (" + o.WhyNot + ")"
		}
		return "not compared"
	case "unlike-any":
		return "unlike any, nearest " + o.Set
	case "doubtful":
		return fmt.Sprintf("between %s (%.2f) and %s (%.2f)", o.Set, o.P, o.Next, o.NextP)
	}
	return fmt.Sprintf("%s (%.2f)", o.Set, o.P)
}

func day(t string) string { return collection.ParseTime(t).Local().Format("2 January 2006") }
