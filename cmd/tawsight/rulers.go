package main

import (
	"fmt"
	"strconv"
	"strings"

	"tawsight/calib"
	"tawsight/internal/pipeline"
)

// rulerFlags are shared by the commands that read photos: what may give the
// scale besides the printed card.
type rulerFlags struct {
	Sheet  string   `placeholder:"NAME" help:"The marbles lie on a whole sheet of paper, a4, a5 or letter, all of it in the picture, on a table that differs from it. A letter sheet is also known by its shape; A4 and A5 have the same shape and must be named."`
	Coin   string   `placeholder:"NAME" help:"Coins of one kind lie flat beside the marbles: us-cent, us-nickel, us-dime, us-quarter, us-half, us-dollar, 1-euro, 2-euro or 50-eurocent. Two or three lying apart are much better than one, which leaves the tilt open."`
	CoinMM float64  `name:"coin-mm" placeholder:"MM" help:"In place of --coin: the coin's diameter in millimetres."`
	CoinAt string   `name:"coin-at" placeholder:"X,Y" help:"A place on the coin, pixels from the top left of this one photo, where it isn't found by itself."`
	DPI    float64  `name:"dpi" placeholder:"N" help:"The photos are scans from a flatbed scanner set to N dots to the inch, the marbles on its glass."`
	Scan   bool     `help:"The photos are scans from a flatbed scanner, and their files say the resolution."`
	Known  []string `placeholder:"NO=MM" help:"A marble of this one photo that you measured with a caliper, by the number it has in the report: 3=16.02. Give it once for each such marble; three or more lying apart are best."`
	Rest   string   `placeholder:"KIND:WIDTH,HEIGHT" help:"What every marble rests on: ring:INNER_MM,HEIGHT_MM for rings or washers lying on the table, or well:WIDTH_MM,DEPTH_MM for round holes in a tray whose top the ruler lies on."`
}

// rulersHelp explains what may be a ruler.
const rulersHelp = `The scale comes from the printed card where it is in the photo, or else from any card of a bank card's size (ISO/IEC 7810 ID-1) lying flat beside the marbles. Other rulers must be named. When it isn't sure of a ruler, a photo gets no sizes rather than wrong ones.`

// options turns the flags into rulers for a number of photos; the error says
// which flag is wrong.
func (f rulerFlags) options() (o pipeline.RulerOptions, err error) {
	o.Sheet, o.DPI, o.Scan = strings.ToLower(strings.TrimSpace(f.Sheet)), f.DPI, f.Scan
	o.Coin, o.CoinMM = strings.ToLower(strings.TrimSpace(f.Coin)), f.CoinMM
	if f.CoinAt != "" {
		x, y, ok := strings.Cut(f.CoinAt, ",")
		px, errX := number(x)
		py, errY := number(y)
		if !ok || errX != nil || errY != nil {
			return o, fmt.Errorf("--coin-at is %q: give pixels across and down, as in 812,430", f.CoinAt)
		}
		o.CoinAt = &[2]float64{px, py}
	}
	for _, k := range f.Known {
		id, mm, ok := strings.Cut(k, "=")
		n, errN := strconv.Atoi(strings.TrimSpace(id))
		d, errD := number(mm)
		if !ok || errN != nil || errD != nil || n < 1 {
			return o, fmt.Errorf("--known is %q: give the marble's number and its diameter in millimetres, as in 3=16.02", k)
		}
		o.Known = append(o.Known, pipeline.KnownMarble{ID: strconv.Itoa(n), DiameterMM: d})
	}
	if f.Rest != "" {
		kind, sizes, ok := strings.Cut(f.Rest, ":")
		w, h, ok2 := strings.Cut(sizes, ",")
		width, errW := number(w)
		height, errH := number(h)
		if !ok || !ok2 || errW != nil || errH != nil {
			return o, fmt.Errorf("--rest is %q: give ring:INNER_MM,HEIGHT_MM or well:WIDTH_MM,DEPTH_MM, as in ring:8.4,1.6", f.Rest)
		}
		o.Rest = calib.Rest{Kind: strings.TrimSpace(kind), WidthMM: width, HeightMM: height}
		if o.Rest.Kind == calib.RestTable {
			return o, fmt.Errorf("--rest is %q: it is a ring or a well", f.Rest)
		}
	}
	return o, o.Check(1)
}

func number(s string) (float64, error) { return strconv.ParseFloat(strings.TrimSpace(s), 64) }
