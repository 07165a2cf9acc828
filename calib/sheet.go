package calib

import (
	"fmt"
	"math"
	"sort"

	"gocv.io/x/gocv"
)

// sheetSize is a size of paper, mm, the longer side first.
type sheetSize struct {
	name, words       string
	widthMM, heightMM float64
	aSeries           bool // has the shape of others
}

// sheets are ISO 216's A4 and A5, and ANSI/ASME Y14.1's A, the American letter:
// 11 x 8.5 inches.
var sheets = []sheetSize{
	{name: "a4", words: "an A4 sheet", widthMM: 297, heightMM: 210, aSeries: true},
	{name: "a5", words: "an A5 sheet", widthMM: 210, heightMM: 148, aSeries: true},
	{name: "letter", words: "a US letter sheet", widthMM: 279.4, heightMM: 215.9},
}

// SheetNames are the sheets that can be named.
func SheetNames() []string {
	var out []string
	for _, s := range sheets {
		out = append(out, s.name)
	}
	return out
}

func sheetOf(name string) (sheetSize, bool) {
	for _, s := range sheets {
		if s.name == name {
			return s, true
		}
	}
	return sheetSize{}, false
}

// Names in the budget of what a sheet brings.
const (
	FromSheetEdges     = "edges of the sheet"
	FromSheetSize      = "size of the sheet"
	FromSheetThickness = "flatness of the sheet"
)

const (
	// ISO 216 lets a side of 150 to 600 mm be off by 2 mm (from memory); office
	// paper is cut true to 1 mm (common practice).
	sheetCutHalfMM = 1.0
	// How well an edge of a sheet is read, mm, one sigma, besides its pixels:
	// the sheet is not quite flat or straight (chosen).
	sheetEdgeMM = 0.25
	// Marbles lie on the sheet itself, which may stand off the table by a
	// little between them and its edges.
	sheetFlatHalfMM = 0.3

	leastSheetShare, mostSheetShare = 0.15, 0.97
	// The height as fitted freely must be the named sheet's to within this share
	// of it; it tells A4's ratio (1.414) from a letter's (1.294), 9 % apart, and
	// both from 4 to 3 (1.333), 3 % from a letter's.
	mostSheetOff, mostSheetU = 0.016, 0.006
	// Corners of a sheet are sharp, mm.
	mostSheetRadiusMM = 4
)

// FindSheet looks for the whole sheet of paper that the marbles lie on. name is
// one of SheetNames, or empty for a sheet whose shape alone says which it is. r
// is nil where none is seen for sure; why then says in plain words what was
// wrong with what looked most like one, and may be empty.
func FindSheet(bgr gocv.Mat, name string, prior FocalPrior) (r *Ruler, why string) {
	px := NewPixels(bgr)
	if px.W == 0 {
		return nil, ""
	}
	quads := findQuads(bgr, leastSheetShare, mostSheetShare)
	var kinds []sheetSize
	if s, ok := sheetOf(name); ok {
		kinds = []sheetSize{s}
	} else if name == "" {
		kinds = sheets
	}
	type hit struct {
		sheet sheetSize
		c     CardLikeness
	}
	var hits []hit
	for _, q := range quads {
		for _, k := range kinds {
			c := CardLikeness{Corners: q}
			c.judgeSheet(px, k, prior)
			if c.Reason == "" {
				hits = append(hits, hit{k, c})
			} else if why == "" && name != "" {
				why = c.Reason
			}
		}
	}
	if len(hits) == 0 {
		if why == "" && name != "" {
			why = "no four straight edges of a sheet were seen"
		}
		return nil, why
	}
	sort.SliceStable(hits, func(i, j int) bool { return hits[i].c.areaPX > hits[j].c.areaPX })
	if name == "" && hits[0].sheet.aSeries {
		return nil, "a sheet of the A series was seen, but A4 and A5 have the same shape: name the one it is with --sheet a4 or --sheet a5"
	}
	h := hits[0]
	return &Ruler{
		Source: SourceSheet, Name: h.sheet.words, Pose: h.c.pose, PoseFrom: FromSheetEdges,
		Size:      Quantity{FromSheetSize, 1, UniformU(sheetCutHalfMM) / h.sheet.widthMM},
		Thickness: Quantity{FromSheetThickness, 0, UniformU(sheetFlatHalfMM)},
		Sheet:     h.c.Corners[:], MMPerPX: h.c.pose.MMPerPX(),
	}, ""
}

func (c *CardLikeness) judgeSheet(px Pixels, s sheetSize, prior FocalPrior) {
	q := c.Corners
	length := func(k int) float64 {
		return math.Hypot(q[(k+1)%4][0]-q[k][0], q[(k+1)%4][1]-q[k][1])
	}
	if length(0)+length(2) < length(1)+length(3) {
		q[0], q[1], q[2], q[3] = q[1], q[2], q[3], q[0]
	}
	sides, ok := fitSides(px, q, 0)
	if ok {
		q, ok = cornersOf4(sides)
	}
	if ok {
		sides, ok = fitSides(px, q, 0)
	}
	if ok {
		q, ok = cornersOf4(sides)
	}
	if !ok {
		c.Reason = "its edges are not straight, or not to be told from the table"
		return
	}
	c.Corners, c.sides, c.areaPX = q, sides, math.Abs(signedArea(q))
	c.Support = 1
	for k, l := range sides {
		c.Support = math.Min(c.Support, l.Support)
		c.Bow = math.Max(c.Bow, l.BowPX/math.Max(1, length(k)))
	}
	for _, p := range q {
		if p[0] < 2 || p[1] < 2 || p[0] > float64(px.W-3) || p[1] > float64(px.H-3) {
			c.Reason = "it runs out of the picture: all four corners must be in it"
			return
		}
	}
	rect := flatRect{s.widthMM, s.heightMM, 0, sheetEdgeMM, sidePX}
	pose, h, hu, chi2, ok := fitRectangle(q, sides, rect, px.W, px.H, prior)
	if !ok {
		c.Reason = "its corners fit no flat rectangle"
		return
	}
	c.HeightMM, c.HeightU, c.chi2, c.pose = h, hu, chi2, pose
	off := math.Abs(h/s.heightMM - 1)
	switch {
	case c.Support < leastSideSeen:
		c.Reason = fmt.Sprintf("only %.0f %% of one of its edges is seen", 100*c.Support)
	case c.Bow > mostBow:
		c.Reason = "one of its edges is bent: lay it flat"
	case off > mostSheetOff || off > 3*hu/s.heightMM+0.006:
		c.Reason = fmt.Sprintf("its sides are as %.0f to %.0f, not to %.0f as those of %s", s.widthMM, h, s.heightMM, s.words)
	case hu/s.heightMM > mostSheetU:
		c.Reason = "its shape can't be told for sure in this view"
	case chi2 > 24:
		c.Reason = "its edges don't lie as those of a flat sheet"
	case pose.TiltDeg > mostID1TiltDeg:
		c.Reason = "it is seen too obliquely"
	case !(cornerRadius(px, pose, rect, 12) < mostSheetRadiusMM):
		c.Reason = "its corners are rounded"
	case !paperLike(px, q):
		c.Reason = "it is not light and plain as paper is"
	}
}

// paperLike says whether a quadrilateral is plain inside, and lighter than what
// lies round it.
func paperLike(px Pixels, q [4][2]float64) bool {
	lum := func(x, y float64) float64 {
		c := px.LinearAt(x, y)
		return 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2]
	}
	at := func(u, v float64) (x, y float64) {
		for k, w := range [4]float64{(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v} {
			x, y = x+w*q[k][0], y+w*q[k][1]
		}
		return x, y
	}
	var in, out []float64
	for i := range 20 {
		t := (float64(i) + 0.5) / 20
		for j := range 20 {
			in = append(in, lum(at(t, (float64(j)+0.5)/20)))
		}
		for _, p := range [4][2]float64{{t, -0.03}, {t, 1.03}, {-0.03, t}, {1.03, t}} {
			if x, y := at(p[0], p[1]); x > 0 && y > 0 && x < float64(px.W-1) && y < float64(px.H-1) {
				out = append(out, lum(x, y))
			}
		}
	}
	if len(out) < 20 {
		return false
	}
	sort.Float64s(in)
	sort.Float64s(out)
	m := in[len(in)/2]
	like := 0
	for _, v := range in {
		if v > 0.6*m && v < 1.5*m {
			like++
		}
	}
	return m > 1.25*out[len(out)/2] && float64(like) > 0.7*float64(len(in))
}
