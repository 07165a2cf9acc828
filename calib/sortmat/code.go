package sortmat

// The code beside the chessboard tells the mat from the plain card, which is
// bare paper there: one dot a row of squares, to the left or to the right of
// two places. A row says something only where one place is dark and the other
// paper, so that neither bare paper, nor a shadow, nor something lying there is
// a code.
const (
	CodeLeftX  = 96.4 // middles of the two places
	CodeRightX = 101.2
	codeFirstY = 12.0
	codeStepMM = 8.0
	CodeDotMM  = 3.2 // side of a dot, a square
	CodeRows   = 5
)

// codes are the words of all versions; any two are to differ in two rows at
// least.
var codes = map[int][CodeRows]bool{ // true: the dot is on the right
	1: {false, true, true, false, true},
}

// CodeDots are the middles of the dots of this version.
func CodeDots() [][2]float64 {
	var out [][2]float64
	for row, right := range codes[Version] {
		x := CodeLeftX
		if right {
			x = CodeRightX
		}
		out = append(out, [2]float64{x, CodeY(row)})
	}
	return out
}

// CodeY is the middle of a row of the code.
func CodeY(row int) float64 { return codeFirstY + codeStepMM*float64(row) }

// ReadCode finds the version from how dark the two places of each row are:
// left and right between 0 (the board's black) and 1 (its white). 0 means that
// there is no code.
func ReadCode(left, right [CodeRows]float64) int {
	const apart = 0.45
	for version, word := range codes {
		fits := true
		for row, dotRight := range word {
			dark, light := left[row], right[row]
			if dotRight {
				dark, light = light, dark
			}
			fits = fits && light-dark > apart
		}
		if fits {
			return version
		}
	}
	return 0
}
