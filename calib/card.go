package calib

// The reference card, one geometry both drawn by the tool and read by it in
// every photo. All lengths are millimetres on the card as designed; the origin
// is the card's top-left corner, x to the right, y down, the card face up.
// A print that is not true to scale is allowed for elsewhere, by multiplying
// every length here by (check bar as measured) / CheckBarMM.
const (
	// CardVersion is printed in the legend; a card whose geometry differs
	// gets another number.
	CardVersion = 1

	CardWidthMM  = 105.0 // ISO 216 A7, landscape
	CardHeightMM = 74.0

	SquareMM    = 8.0 // side of one chessboard square
	BoardCols   = 10  // squares across
	BoardRows   = 5   // squares down
	BoardLeftMM = 12.5
	BoardTopMM  = 8.0
	InnerCols   = BoardCols - 1 // inner corners across
	InnerRows   = BoardRows - 1 // inner corners down

	PatchMM = 10.0 // side of one grey patch

	CheckBarMM     = 80.0 // nominal length of the check bar
	CheckBarLeftMM = 12.5
	CheckBarYMM    = 66.0
	CheckTickMM    = 3.0 // height of its end ticks, centred on the bar

	// LegendTopMM is the line below which the legend is printed; nothing
	// below it is ever measured.
	LegendTopMM = 68.0
)

// Patch is one square of the grey ladder.
type Patch struct {
	LeftMM, TopMM float64 // its top-left corner
	SideMM        float64
	// L is the nominal CIELAB lightness, 0..100, with a* = b* = 0. What a
	// printer makes of it is another matter.
	L float64
	// Bare marks the patch that is paper left unprinted, only outlined.
	Bare bool
}

// CentreMM is the middle of the patch.
func (p Patch) CentreMM() [2]float64 {
	return [2]float64{p.LeftMM + p.SideMM/2, p.TopMM + p.SideMM/2}
}

// Patches returns the six patches of the grey ladder, lightest first, which is
// from left to right on the card.
func Patches() []Patch {
	lightness := []float64{95, 80, 65, 50, 35, 20}
	patches := make([]Patch, len(lightness))
	for i, l := range lightness {
		patches[i] = Patch{
			LeftMM: 12.5 + 14*float64(i),
			TopMM:  52,
			SideMM: PatchMM,
			L:      l,
			Bare:   i == 0,
		}
	}
	return patches
}

// InnerCorners returns the 9 x 4 points where four chessboard squares meet, in
// card millimetres, row by row from the top and left to right in each row:
// corner (column c, row r) is element r*InnerCols + c.
func InnerCorners() [][2]float64 {
	corners := make([][2]float64, 0, InnerCols*InnerRows)
	for r := 1; r <= InnerRows; r++ {
		for c := 1; c <= InnerCols; c++ {
			corners = append(corners, [2]float64{
				BoardLeftMM + SquareMM*float64(c),
				BoardTopMM + SquareMM*float64(r),
			})
		}
	}
	return corners
}

// SquareIsBlack says whether the chessboard square in the given column and row,
// both counted from 0 at the top left, is printed black. The top-left square is
// black and the bottom-right one white, and that difference is what tells the
// card from itself turned by half a turn.
func SquareIsBlack(column, row int) bool { return (column+row)%2 == 0 }

// SquareTopLeft returns the top-left corner of a chessboard square in card
// millimetres; column and row count from 0.
func SquareTopLeft(column, row int) [2]float64 {
	return [2]float64{
		BoardLeftMM + SquareMM*float64(column),
		BoardTopMM + SquareMM*float64(row),
	}
}
