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
	DPI   int    `name:"dpi" default:"600" help:"Resolution of the PNG, dots per inch, 72 to 2400 (default 600)."`
}

func (cardCommand) Help() string {
	return `Writes sheets of cards as PDF, and one card as SVG and as PNG. Print the sheet at 100 % (actual size) on plain matt paper, cut a card out, and check its long line with a ruler: it should be 80.0 mm. If it is not, give the length you found to tawsight measure with --check-bar-mm.`
}

func (c cardCommand) Validate() error {
	if c.DPI < calib.MinCardDPI || c.DPI > calib.MaxCardDPI {
		return fmt.Errorf("--dpi is %d: choose %d to %d", c.DPI, calib.MinCardDPI, calib.MaxCardDPI)
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
		if c.Paper == p.Name || c.Paper == "both" {
			outputs = append(outputs, output{
				"tawsight-card-" + p.Name + ".pdf",
				func(w io.Writer) error { return calib.CardPDF(w, p) },
			})
		}
	}
	outputs = append(outputs,
		output{"tawsight-card.svg", calib.CardSVG},
		output{fmt.Sprintf("tawsight-card-%ddpi.png", c.DPI), func(w io.Writer) error { return calib.CardPNG(w, c.DPI) }},
	)
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
