package main

import (
	"fmt"
	"io"
	"path/filepath"

	"tawsight/calib"
	"tawsight/internal/atomicfile"
)

type cardCommand struct {
	Out   string `default:"." placeholder:"DIR" help:"Folder to write to; made where missing. Default: the current one."`
	Paper string `default:"both" enum:"a4,letter,both" help:"Sheets to write: a4, letter or both (the default)."`
	Mat   bool   `help:"Write the sorting mat instead: a whole sheet with the card at its top and numbered places to lay marbles on."`
	DPI   int    `name:"dpi" default:"600" help:"Resolution of the PNG, dots per inch, 72 to 2400 (default 600)."`
}

func (cardCommand) Help() string {
	return `Writes sheets of cards as PDF, and one card as SVG and as PNG. Print the sheet at 100 % (actual size) on plain matt paper, cut a card out, and check its long line with a ruler: it should be 80.0 mm. If it is not, give the length you found to tawsight measure with --check-bar-mm.

With --mat it writes the sorting mat: the card's squares and greys at the top of a sheet, and below them numbered places, one marble each. In a photo of the mat, marbles are numbered by their places, and a fine mark under each shows through clear glass, which tells how much light the glass lets through. Don't cut the card out of a mat.`
}

func (c cardCommand) Validate() error {
	if c.DPI < calib.MinCardDPI || c.DPI > calib.MaxCardDPI {
		return fmt.Errorf("--dpi is %d: choose %d to %d", c.DPI, calib.MinCardDPI, calib.MaxCardDPI)
	}
	if c.Mat && c.DPI > calib.MaxMatDPI {
		return fmt.Errorf("--dpi is %d: choose %d to %d for the mat", c.DPI, calib.MinCardDPI, calib.MaxMatDPI)
	}
	return nil
}

func (c cardCommand) Run(s *session) error {
	type output struct {
		name string
		draw func(io.Writer) error
	}
	var outputs []output
	for _, p := range []calib.Paper{calib.A4, calib.USLetter} {
		if c.Paper != p.Name && c.Paper != "both" {
			continue
		}
		if c.Mat {
			outputs = append(outputs,
				output{"tawsight-mat-" + p.Name + ".pdf", func(w io.Writer) error { return calib.MatPDF(w, p) }},
				output{"tawsight-mat-" + p.Name + ".svg", func(w io.Writer) error { return calib.MatSVG(w, p) }},
				output{fmt.Sprintf("tawsight-mat-%s-%ddpi.png", p.Name, c.DPI), func(w io.Writer) error { return calib.MatPNG(w, p, c.DPI) }},
			)
		} else {
			outputs = append(outputs, output{
				"tawsight-card-" + p.Name + ".pdf",
				func(w io.Writer) error { return calib.CardPDF(w, p) },
			})
		}
	}
	if !c.Mat {
		outputs = append(outputs,
			output{"tawsight-card.svg", calib.CardSVG},
			output{fmt.Sprintf("tawsight-card-%ddpi.png", c.DPI), func(w io.Writer) error { return calib.CardPNG(w, c.DPI) }},
		)
	}
	for _, o := range outputs {
		path := filepath.Join(c.Out, o.name)
		if err := atomicfile.Write(path, o.draw); err != nil {
			return err
		}
		fmt.Fprintln(s.stdout, path)
	}
	fmt.Fprintf(s.stdout, "Print a sheet at 100 %% and check that the long line is %.1f mm.\n", calib.CheckBarMM)
	return nil
}
