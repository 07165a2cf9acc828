package colour

import (
	"bytes"
	_ "embed"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"strings"
	"sync"

	"github.com/lucasb-eyer/go-colorful"
)

// The everyday groups that [Group] sorts colours into.
const (
	GroupWhite  = "white"
	GroupBlack  = "black"
	GroupGrey   = "grey"
	GroupRed    = "red"
	GroupOrange = "orange"
	GroupYellow = "yellow"
	GroupGreen  = "green"
	GroupAqua   = "aqua"
	GroupBlue   = "blue"
	GroupPurple = "purple"
	GroupPink   = "pink"
	GroupBrown  = "brown"
	GroupOlive  = "olive"
)

// Centroid is one of the 267 colours of the ISCC-NBS system, the middle of
// the block of colours that bear its name.
type Centroid struct {
	Number int // 1 to 267
	Name   string
	Group  string
	Lab    [3]float64
}

//go:embed iscc-nbs.csv
var centroidCSV []byte

var centroids = sync.OnceValue(func() []Centroid {
	c, err := readCentroids(bytes.NewReader(centroidCSV))
	if err != nil { // the file is part of the program and read in the tests
		panic("colour: the embedded colour names: " + err.Error())
	}
	return c
})

func readCentroids(r io.Reader) ([]Centroid, error) {
	cr := csv.NewReader(r)
	cr.Comment = '#'
	cr.FieldsPerRecord = 3
	rows, err := cr.ReadAll()
	if err != nil {
		return nil, err
	}
	if len(rows) == 0 {
		return nil, io.ErrUnexpectedEOF
	}
	out := make([]Centroid, 0, len(rows)-1)
	for _, row := range rows[1:] {
		c := Centroid{Name: row[1]}
		if _, err := fmt.Sscanf(row[0], "%d", &c.Number); err != nil {
			return nil, fmt.Errorf("number %q: %w", row[0], err)
		}
		rgb, err := colorful.Hex(row[2])
		if err != nil {
			return nil, fmt.Errorf("colour %d: %w", c.Number, err)
		}
		r, g, b := rgb.LinearRgb()
		c.Lab = LinearToLab([3]float64{r, g, b})
		if c.Group = groupOf(c.Name); c.Group == "" {
			return nil, fmt.Errorf("colour %d, %s, belongs to no group", c.Number, c.Name)
		}
		out = append(out, c)
	}
	return out, nil
}

// groupOf finds the everyday group of an ISCC-NBS name, or "".
func groupOf(name string) string {
	// Two hues in one name are settled before the last word decides.
	for _, g := range []struct{ end, group string }{
		{"bluish green", GroupAqua},
		{"greenish blue", GroupAqua},
		{"orange yellow", GroupYellow},
		{"yellow green", GroupGreen},
		{"olive green", GroupGreen},
		{"olive brown", GroupBrown},
		{"olive gray", GroupGrey},
		{"white", GroupWhite},
		{"gray", GroupGrey},
		{"black", GroupBlack},
		{"pink", GroupPink},
		{"red", GroupRed},
		{"orange", GroupOrange},
		{"yellow", GroupYellow},
		{"green", GroupGreen},
		{"blue", GroupBlue},
		{"violet", GroupPurple},
		{"purple", GroupPurple},
		{"brown", GroupBrown},
		{"olive", GroupOlive},
	} {
		if strings.HasSuffix(name, g.end) {
			return g.group
		}
	}
	return ""
}

// Nearest returns the ISCC-NBS centroid nearest to a CIELAB colour by
// CIEDE2000; the lower number where two are equally near. The centroids are
// known as sRGB, which clips the vivid ones, so vivid names are approximate.
// A NaN gives the first.
func Nearest(lab [3]float64) Centroid {
	all := centroids()
	best, bestD := all[0], math.Inf(1)
	for _, c := range all {
		// The difference in lightness alone is never more than the whole but by rounding:
		// what chroma and hue add to its square is not negative, |R_T| being at most 2.
		if dl := math.Abs(c.Lab[0]-lab[0]) / lightnessWeight(c.Lab[0], lab[0]); dl > bestD+1e-6 {
			continue
		}
		if d := DeltaE00(lab, c.Lab); d < bestD {
			best, bestD = c, d
		}
	}
	return best
}

// Name is the ISCC-NBS name of a CIELAB colour, such as "moderate yellowish
// green", in the standard's own spelling; see [Nearest].
func Name(lab [3]float64) string { return Nearest(lab).Name }

// Group is the everyday name of a CIELAB colour: white, black, grey, red,
// orange, yellow, green, aqua, blue, purple, pink, brown or olive. It is the
// last word of the ISCC-NBS name with these departures: bluish green and
// greenish blue are aqua, orange yellow is yellow, yellow green and olive
// green are green, olive brown is brown, violet is purple.
func Group(lab [3]float64) string { return Nearest(lab).Group }
