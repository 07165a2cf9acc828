package main

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"tawsight/internal/pipeline"
	"tawsight/internal/quality"
	"tawsight/internal/record"
	"tawsight/internal/report"
)

// exitPoor is for tawsight check --strict alone: some photo is poor.
const exitPoor = 4

// errPoor is returned by check --strict where a photo is too poor for
// something; which and why has been printed.
var errPoor = errors.New("some photos are too poor to judge")

type checkCommand struct {
	Photos []string `arg:"" optional:"" name:"photos" help:"Photos (JPEG, HEIC, PNG, TIFF or WebP), or folders of them, which are searched right down."`
	Strict bool     `help:"Exit with status 4 where any photo is doubtful or unusable for anything."`
	JSON   bool     `name:"json" help:"Print a line of JSON a photo, for programs: the same record as in photos.jsonl, without what is not looked at."`
	Limits bool     `help:"Print every limit with its meaning and reason, and look at no photo."`
	rulerFlags
	cameraProfiles
	Workers int `placeholder:"N" help:"Photos looked at at once. Default: one for each processor core."`
}

func (checkCommand) Help() string {
	return `Says of each photo whether sizes, colours and patterns in it can be trusted (good, doubtful or unusable), what is wrong with it, and what to do. It is quick: outlines are not refined and nothing is measured, so a size verdict may still change when tawsight measure has worked out its uncertainty.

` + rulersHelp + `

Exit status: 0 however poor the photos are; 4 with --strict where any is less than good; 3 when some files could not be read; 2 for wrong usage; 1 for anything else.`
}

func (c checkCommand) Validate() error {
	if len(c.Photos) == 0 && !c.Limits {
		return errors.New("name the photos to check, or folders of them")
	}
	for _, p := range c.Photos {
		if err := exists(p); err != nil {
			return err
		}
	}
	if _, err := c.rulerFlags.options(); err != nil {
		return err
	}
	return workersInRange(c.Workers)
}

func (c checkCommand) Run(s *session) error {
	if c.Limits {
		return printLimits(s.stdout)
	}
	bar := newProgress(s.stderr)
	defer bar.done()
	rulers, err := c.rulerFlags.options()
	if err != nil {
		return err
	}
	rulers.Cameras = c.book(s)
	photos, err := pipeline.CheckBy(s.ctx, c.Photos, rulers, c.Workers, bar.photo)
	bar.done()
	if err != nil {
		return err
	}
	unread, poor := false, false
	if c.JSON {
		if err := report.EncodeJSONL(s.stdout, record.List(photos)); err != nil {
			return err
		}
	}
	for _, p := range photos {
		if p.Error != "" {
			unread = true
		} else if p.Verdict != (record.Verdicts{Size: record.Good, Colour: record.Good, Pattern: record.Good}) {
			poor = true
		}
		if c.JSON {
			continue
		}
		if p.Error != "" {
			fmt.Fprintf(s.stderr, "%s: %s\n", p.Path, p.Error)
			continue
		}
		if _, err := fmt.Fprintln(s.stdout, checkLine(p)); err != nil {
			return err
		}
	}
	switch {
	case unread:
		return errUnreadable
	case poor && c.Strict:
		return errPoor
	}
	return nil
}

// checkLine is what is said of a photo in one line.
func checkLine(p record.Photo) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: size %s, colour %s, pattern %s", p.Path, p.Verdict.Size, p.Verdict.Colour, p.Verdict.Pattern)
	if w, ok := quality.Worst(p.Flags); ok {
		fmt.Fprintf(&b, "; %s: %s; advice: %s", w.Code, w.Message, w.Advice)
		others := map[string]bool{w.Code: true}
		var also []string
		for _, f := range p.Flags {
			if !others[f.Code] {
				others[f.Code] = true
				also = append(also, f.Code)
			}
		}
		if len(also) > 0 {
			fmt.Fprintf(&b, "; also %s", strings.Join(also, ", "))
		}
	}
	poorMarbles := map[string]int{}
	var order []string
	for _, m := range p.Marbles {
		for _, f := range m.Flags {
			if poorMarbles[f.Code] == 0 {
				order = append(order, f.Code)
			}
			poorMarbles[f.Code]++
		}
	}
	for i, code := range order {
		lead := ", "
		if i == 0 {
			lead = "; marbles: "
		}
		fmt.Fprintf(&b, "%s%d %s", lead, poorMarbles[code], code)
	}
	return b.String()
}

func printLimits(w io.Writer) error {
	for _, l := range quality.Limits() {
		code, way := l.Code, "above"
		if code == "" {
			code = "(size verdict)"
		}
		if l.Below {
			way = "below"
		}
		if _, err := fmt.Fprintf(w, "%s, %s: %s %s\n  what: %s\n  why:  %s\n", code, l.Severity, way, strings.TrimSpace(fmt.Sprintf("%g %s", l.Value, l.Unit)), l.Meaning, l.Reason); err != nil {
			return err
		}
	}
	return nil
}
