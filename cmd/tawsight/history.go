package main

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"tawsight/internal/collection"
)

type historyCommand struct {
	Marble string `arg:"" optional:"" name:"marble" help:"One marble's history alone: its name, or its id as tables give it."`
	collectionFlag
	All bool `help:"Print all of it. Left out, the latest 30 edits."`
}

func (historyCommand) Help() string {
	return `Prints what people changed in the collection, the latest first: the edit's number, when, who, and what. tawsight undo takes an edit back. Of one marble it also prints when its photos were measured, and by what ruler.`
}

// editsShown is how many edits are printed without --all.
const editsShown = 30

func (c historyCommand) Run(s *session) error {
	col, err := c.open(s)
	if err != nil {
		return err
	}
	defer col.Close()
	shown := 0
	print := func(edits []collection.Edit) bool {
		for _, e := range edits {
			if shown == editsShown && !c.All {
				fmt.Fprintln(s.stdout, "… and earlier ones (--all prints them)")
				return false
			}
			shown++
			undone := ""
			if e.UndoneBy != 0 {
				undone = fmt.Sprintf("  [undone by %d]", e.UndoneBy)
			}
			fmt.Fprintf(s.stdout, "%6d  %s  %s: %s%s\n", e.Seq, collection.ParseTime(e.Made).Local().Format("2006-01-02 15:04"), e.Who, e.Text, undone)
		}
		return true
	}
	if c.Marble != "" {
		id, err := findMarble(s, col, c.Marble)
		if err != nil {
			return err
		}
		m, err := col.Specimen(s.ctx, id)
		if err != nil {
			return err
		}
		fmt.Fprintln(s.stdout, m.Title)
		for _, g := range m.Sightings {
			past, err := col.Measurements(s.ctx, g.Photo)
			if err != nil {
				return err
			}
			for _, p := range past {
				counts := ""
				if p.InForce && len(past) > 1 {
					counts = "  [counts now]"
				}
				fmt.Fprintf(s.stdout, "photo   %s  %s: measured %s%s\n", collection.ParseTime(p.Made).Local().Format("2006-01-02 15:04"), g.PhotoName, p.Words(), counts)
			}
		}
		for _, l := range m.Labels {
			set := "left undecided"
			if l.Set != "" {
				set = l.Set
			}
			fmt.Fprintf(s.stdout, "label   %s  %s: %s, %s", collection.ParseTime(l.Made).Local().Format("2006-01-02 15:04"), l.Who, set, l.Sure)
			if l.Evidence != "" {
				fmt.Fprintf(s.stdout, " (%s)", strings.ReplaceAll(l.Evidence, "\n", " "))
			}
			fmt.Fprintln(s.stdout)
		}
		for _, o := range m.Opinions {
			fmt.Fprintf(s.stdout, "opinion %s  %s\n", collection.ParseTime(o.Made).Local().Format("2006-01-02 15:04"), opinionInWords(o))
		}
		print(m.Edits)
		return nil
	}
	for before := int64(0); ; {
		edits, err := col.Edits(s.ctx, before, 200)
		if err != nil {
			return err
		}
		if !print(edits) || len(edits) == 0 {
			break
		}
		before = edits[len(edits)-1].Seq
	}
	if shown == 0 {
		fmt.Fprintln(s.stdout, "Nothing was edited yet.")
	}
	return nil
}

// findMarble finds a marble by its id, or by what it is called.
func findMarble(s *session, col *collection.Collection, marble string) (string, error) {
	_, err := col.Specimen(s.ctx, marble)
	if err == nil || !errors.Is(err, collection.ErrNotFound) {
		return marble, err
	}
	rows, _, err := col.Find(s.ctx, collection.Filter{Words: marble, Sort: collection.ByTitle})
	if err != nil {
		return "", err
	}
	var exact, near []string
	for _, r := range rows {
		if strings.EqualFold(r.Title, strings.TrimSpace(marble)) {
			exact = append(exact, r.ID)
		}
		near = append(near, fmt.Sprintf("%s (%s)", r.Title, r.ID))
	}
	switch {
	case len(exact) == 1:
		return exact[0], nil
	case len(exact) == 0 && len(rows) == 1:
		return rows[0].ID, nil
	case len(near) == 0:
		return "", usageError{fmt.Errorf("no marble of the collection is called %q", marble)}
	case len(near) > 5:
		near = append(near[:5], fmt.Sprintf("and %d more", len(near)-5))
	}
	return "", usageError{fmt.Errorf("%q may be %s: give the id", marble, strings.Join(near, "; "))}
}

type undoCommand struct {
	Number int64 `arg:"" optional:"" name:"number" help:"The edit's number, as tawsight history prints it. Left out, the latest edit that still holds."`
	collectionFlag
	As string `placeholder:"NAME" help:"Who takes it back, for the history. Default: your name on this machine."`
}

func (undoCommand) Help() string {
	return `Takes one edit back, the latest or an older one, as an edit of its own: undoing that one, by its number, brings the first back. An edit of which something was changed again since can't be taken back by itself; the message says so, and nothing is changed.`
}

func (c undoCommand) Validate() error {
	if c.Number < 0 {
		return fmt.Errorf("%d is no edit: edits are numbered from 1", c.Number)
	}
	return nil
}

func (c undoCommand) Run(s *session) error {
	col, err := c.open(s)
	if err != nil {
		return err
	}
	defer col.Close()
	seq := c.Number
	for before := int64(0); seq == 0; {
		edits, err := col.Edits(s.ctx, before, 200)
		if err != nil {
			return err
		}
		if len(edits) == 0 {
			return usageError{errors.New("there is no edit to undo")}
		}
		for _, e := range edits {
			// What was undone and brought back holds again itself.
			if e.Undoes == 0 && e.UndoneBy == 0 {
				seq = e.Seq
				break
			}
		}
		before = edits[len(edits)-1].Seq
	}
	e, err := col.Undo(s.ctx, c.As, seq)
	switch {
	case errors.Is(err, collection.ErrNotFound):
		return usageError{fmt.Errorf("there is no edit %d: tawsight history lists them", seq)}
	case errors.Is(err, collection.ErrInvalid):
		return usageError{err}
	case err != nil:
		return err
	}
	fmt.Fprintf(s.stdout, "%s\nThis is edit %d; tawsight undo %d brings it back.\n", upperFirst(e.Text), e.Seq, e.Seq)
	return nil
}

func upperFirst(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}
