package calib

import (
	"gocv.io/x/gocv"

	"tawsight/calib/sortmat"
)

// ReadMat says which version of the sorting mat the chessboard belongs to whose
// corners were found in an upright photo; 0 for the plain card.
func ReadMat(bgr gocv.Mat, corners [][2]float64) int {
	h, err := Homography(InnerCorners(), corners)
	if err != nil || bgr.Empty() {
		return 0
	}
	px := NewPixels(bgr)
	luminance := func(x, y, halfMM float64) (float64, bool) {
		c, _, ok := px.patch(h, x, y, halfMM)
		return 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2], ok
	}
	var left, right [sortmat.CodeRows]float64
	for row := range left {
		// Against the two last squares of the row, one black and one white: a
		// shadow falls on both alike.
		y := sortmat.CodeY(row)
		var edge [2]float64 // black, white
		for column := BoardCols - 2; column < BoardCols; column++ {
			v, ok := luminance(SquareTopLeft(column, row)[0]+SquareMM/2, y, 1.6)
			if !ok {
				return 0
			}
			k := 1
			if SquareIsBlack(column, row) {
				k = 0
			}
			edge[k] = v
		}
		l, ok1 := luminance(sortmat.CodeLeftX, y, 0.8)
		r, ok2 := luminance(sortmat.CodeRightX, y, 0.8)
		if !ok1 || !ok2 || edge[1] <= edge[0] {
			return 0
		}
		left[row], right[row] = (l-edge[0])/(edge[1]-edge[0]), (r-edge[0])/(edge[1]-edge[0])
	}
	return sortmat.ReadCode(left, right)
}

// MatContrast is what the printer made of the marks' contrast, light less dark
// over light plus dark: read off the two patches of the ladder that are printed
// in the marks' tones, each against the paper beside it. ok is false where they
// can't be read or make no sense.
func MatContrast(bgr gocv.Mat, corners [][2]float64) (contrast float64, ok bool) {
	h, err := Homography(InnerCorners(), corners)
	if err != nil || bgr.Empty() {
		return 0, false
	}
	px := NewPixels(bgr)
	tone := map[float64]float64{}
	for _, p := range Patches() {
		if p.L != sortmat.LightL && p.L != sortmat.DarkL {
			continue
		}
		c := p.CentreMM()
		var y [3]float64 // patch, paper to the left and to the right
		for i, at := range [3]struct{ dx, half float64 }{{0, 2}, {-PatchMM/2 - 2, 1.2}, {PatchMM/2 + 2, 1.2}} {
			v, clip, seen := px.patch(h, c[0]+at.dx, c[1], at.half)
			if !seen || clip > 0.2 {
				return 0, false
			}
			y[i] = 0.2126*v[0] + 0.7152*v[1] + 0.0722*v[2]
		}
		if y[1]+y[2] <= 0 {
			return 0, false
		}
		tone[p.L] = 2 * y[0] / (y[1] + y[2])
	}
	light, dark := tone[sortmat.LightL], tone[sortmat.DarkL]
	if !(light > dark && dark > 0) {
		return 0, false
	}
	contrast = (light - dark) / (light + dark)
	nominal := sortmat.Contrast()
	return contrast, contrast > nominal/3 && contrast < 2.5*nominal
}

// sheetFlatMM is how far a printed sheet on a table may stand off it (chosen).
const sheetFlatMM = 0.1

// OnMat turns the card's ruler into the mat's: marbles lie on the sheet that
// the squares are printed on, and no thickness of paper comes between.
func (r *Ruler) OnMat() {
	r.Name = "the sorting mat"
	r.Thickness = Quantity{FromThickness, 0, UniformU(sheetFlatMM)}
}
