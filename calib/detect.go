package calib

import (
	"fmt"
	"image"
	"math"
	"sort"

	"gocv.io/x/gocv"
)

// How far the search for the card got. The words are for people; Stage is for
// programs and tests.
const (
	StageFound     = "found"
	StageNoPattern = "no-pattern" // nothing like a chessboard
	StageTooSmall  = "too-small"  // squares seen, too few pixels each
	StageBlurred   = "blurred"    // squares seen, edges too soft
	StageCut       = "cut"        // squares seen, running out of the frame
	StageGlare     = "glare"      // squares seen, bright reflections among them
	StageHidden    = "hidden"     // squares seen, some covered
	StageOther     = "other"      // a chessboard, but not the reference card
)

// Detection is what was seen of the card in one photo.
type Detection struct {
	Found bool
	Stage string
	// Message and Advice say in plain words why no card was found.
	Message, Advice string
	// Corners are the 36 inner corners in the order of InnerCorners, px; nil
	// when no card was found.
	Corners [][2]float64
	// Seen are the corners of square-like dark patches, px, for the overlay:
	// what there was of a pattern when the card was not found.
	Seen [][2]float64
	// SquarePX is the mean side of a chessboard square, or of the dark
	// square-like patches seen, px; 0 when unknown.
	SquarePX float64
}

// boardSides are the longer sides, px, of the reduced pictures in which the card's
// corners are looked for by themselves. See boardCorners.
var boardSides = []int{500, 1000}

// Sizes for OpenCV's search: the longer side of the reduced image, px. The first finds
// the card in nearly every photo at half the cost of the second; corners refined at
// full size come out the same to 0.001 px. The second serves photos out of focus,
// the next two cards that are small in the frame. The last looks without equalising
// the histogram, which spoils the pattern where the edge of a shadow lies across it.
var searches = []struct {
	side  int
	flags gocv.CalibCBFlag
}{
	{400, gocv.CalibCBNormalizeImage},
	{640, gocv.CalibCBNormalizeImage},
	{1200, gocv.CalibCBNormalizeImage},
	{2000, gocv.CalibCBNormalizeImage},
	{1200, gocv.CalibCBExhaustive},
}

// Detect looks for the reference card in an upright photo (CV_8UC3 or
// CV_16UC3, BGR). It never fails: a card that isn't found is described.
func Detect(bgr gocv.Mat) Detection { return DetectWith(bgr, gocv.Mat{}) }

// DetectWith is Detect with the same photo at half its size, which may be empty:
// with it the photo is made grey only where the card lies.
func DetectWith(bgr, half gocv.Mat) Detection {
	if bgr.Ptr() == nil || bgr.Empty() || (bgr.Type() != gocv.MatTypeCV8UC3 && bgr.Type() != gocv.MatTypeCV16UC3) {
		return Detection{Stage: StageNoPattern, Message: "the picture is empty", Advice: "take the photo again"}
	}
	long := max(bgr.Cols(), bgr.Rows())
	if min(bgr.Cols(), bgr.Rows()) < 64 {
		return Detection{Stage: StageTooSmall, Message: "the picture is too small to hold a readable card", Advice: "send the photo in its full size"}
	}
	var full gocv.Mat // made when it is first needed
	defer func() {
		if full.Ptr() != nil {
			full.Close()
		}
	}()
	whole := func() gocv.Mat {
		if full.Ptr() == nil {
			full = grey8(bgr)
		}
		return full
	}
	if half.Ptr() != nil && (half.Empty() || half.Type() != bgr.Type() || 2*half.Cols() != bgr.Cols() || 2*half.Rows() != bgr.Rows()) {
		half = gocv.Mat{}
	}
	// at looks in the photo reduced by s.
	at := func(s float64, find finder) ([][2]float64, bool) {
		if half.Ptr() == nil || s > 0.5 || full.Ptr() != nil {
			return searchAt(whole(), s, find)
		}
		grey := grey8(half)
		defer grey.Close()
		corners, ok := searchAt(grey, 2*s, find)
		for k, c := range corners {
			corners[k] = [2]float64{2*c[0] + 0.5, 2*c[1] + 0.5}
		}
		return corners, ok
	}
	for _, side := range boardSides {
		corners, ok := at(math.Min(1, float64(side)/float64(long)), boardCorners)
		if !ok {
			continue
		}
		found, misfit, isCard := readCard(bgr, full, corners)
		if isCard && misfit < sharpPX {
			return found
		}
		break // a larger picture shows the same corners
	}
	other := false
	var soft *Detection // found, but not sharply
	softPX := 0.0
	for i, search := range searches {
		s := math.Min(1, float64(search.side)/float64(long))
		if i > 0 && s == 1 && long <= searches[i-1].side && search.flags == searches[i-1].flags {
			continue // the same picture as before
		}
		corners, ok := at(s, chessboard(search.flags))
		if !ok {
			continue
		}
		found, misfit, isCard := readCard(bgr, full, corners)
		if !isCard {
			other = true
			continue
		}
		if misfit < sharpPX {
			return found
		}
		// In a soft picture the finder's own corners are the best there are, and
		// a larger picture has better ones.
		if soft == nil || misfit < softPX {
			soft, softPX = &found, misfit
		} else {
			return *soft
		}
	}
	if soft != nil {
		return *soft
	}
	d := describeMissing(whole())
	// A reflection across the squares or the grey patches leaves the pattern
	// found and its greys wrong: then the light is to blame, not the card.
	if other && d.Stage != StageGlare {
		d.Stage = StageOther
		d.Message = "a chessboard was found, but it is not the reference card: its squares or the grey patches below them don't match"
		d.Advice = "use the card printed by `tawsight card`, face up, with nothing lying on its squares or its grey patches"
	}
	return d
}

// readCard refines the corners of a chessboard at full size and sees whether it is
// the card's; misfitPX is refineBest's. grey is the whole photo in grey or nothing:
// then only what lies about the board is made grey.
func readCard(bgr, grey gocv.Mat, corners [][2]float64) (d Detection, misfitPX float64, isCard bool) {
	var x, y float64
	if grey.Ptr() == nil {
		at := aboutCard(corners, bgr.Cols(), bgr.Rows())
		if at.Empty() {
			return d, 0, false
		}
		part := bgr.Region(at)
		grey = grey8(part)
		part.Close()
		defer grey.Close()
		x, y = float64(at.Min.X), float64(at.Min.Y)
	}
	moved := func(c [][2]float64, dx, dy float64) [][2]float64 {
		out := make([][2]float64, len(c))
		for i := range c {
			out[i] = [2]float64{c[i][0] + dx, c[i][1] + dy}
		}
		return out
	}
	refined, misfitPX := refineBest(grey, moved(corners, -x, -y))
	ordered, square, isCard := orient(grey, refined)
	if !isCard {
		return d, misfitPX, false
	}
	return Detection{Found: true, Stage: StageFound, Corners: moved(ordered, x, y), SquarePX: square}, misfitPX, true
}

// aboutCard is the part of a picture of w x h px that holds the card, whichever way
// its board is turned, with room to spare.
func aboutCard(corners [][2]float64, w, h int) image.Rectangle {
	first, along, down := corners[0], corners[InnerCols-1], corners[len(corners)-InnerCols]
	last := corners[len(corners)-1]
	x0, y0, x1, y1 := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, c := range [4][2]float64{first, along, down, last} {
		for _, u := range [2]float64{-cardAlong, cardAlong} {
			for _, v := range [2]float64{-cardAcross, cardAcross} {
				x := c[0] + u*(along[0]-first[0]) + v*(down[0]-first[0])
				y := c[1] + u*(along[1]-first[1]) + v*(down[1]-first[1])
				x0, y0, x1, y1 = math.Min(x0, x), math.Min(y0, y), math.Max(x1, x), math.Max(y1, y)
			}
		}
	}
	const room = 32 // px, for the windows that corners are refined in
	return image.Rect(int(x0-room), int(y0-room), int(x1+room), int(y1+room)).Intersect(image.Rect(0, 0, w, h))
}

// How far the card goes on past its inner corners, in lengths of their rows and of
// their columns: 20.5 mm of 64, and at most 34 of 24, with half as much again for
// the nearer side of a tilted card.
const (
	cardAlong  = 0.45
	cardAcross = 2.1
)

// sharpPX is the misfit up to which corners are as good as they come: refined at
// full size, those of a sharp card lie 0.015 to 0.04 px from a plane.
const sharpPX = 0.05

func grey8(bgr gocv.Mat) gocv.Mat {
	g := gocv.NewMat()
	gocv.CvtColor(bgr, &g, gocv.ColorBGRToGray)
	if g.Type() == gocv.MatTypeCV16UC1 {
		e := gocv.NewMat()
		g.ConvertToWithParams(&e, gocv.MatTypeCV8UC1, 1.0/257, 0)
		g.Close()
		return e
	}
	return g
}

// A finder finds the inner corners of a chessboard such as the card's in a grey
// picture, row by row; px.
type finder func(grey gocv.Mat) ([][2]float64, bool)

// chessboard is the sector-based finder (Duda and Frese 2018, as OpenCV implements
// it).
func chessboard(flags gocv.CalibCBFlag) finder {
	return func(grey gocv.Mat) ([][2]float64, bool) {
		found := gocv.NewMat()
		defer found.Close()
		ok := gocv.FindChessboardCornersSB(grey, image.Pt(InnerCols, InnerRows), &found, flags)
		if !ok || found.Empty() || found.Rows()*found.Cols() != InnerCols*InnerRows || found.Type() != gocv.MatTypeCV32FC2 {
			return nil, false
		}
		data, err := found.DataPtrFloat32()
		if err != nil || len(data) != 2*InnerCols*InnerRows {
			return nil, false
		}
		out := make([][2]float64, InnerCols*InnerRows)
		for i := range out {
			out[i] = [2]float64{float64(data[2*i]), float64(data[2*i+1])}
		}
		return out, true
	}
}

// searchAt looks for a chessboard in a picture reduced by s, and returns corners in
// px of the picture.
func searchAt(full gocv.Mat, s float64, find finder) ([][2]float64, bool) {
	small := smaller(full, s)
	defer small.Close()
	corners, ok := find(small)
	sx := float64(full.Cols()) / float64(small.Cols())
	sy := float64(full.Rows()) / float64(small.Rows())
	for i, c := range corners {
		corners[i] = [2]float64{(c[0]+0.5)*sx - 0.5, (c[1]+0.5)*sy - 0.5}
	}
	return corners, ok
}

// smaller is a picture reduced by s: halved while it can be, which is quick, and
// then the rest of the way.
func smaller(full gocv.Mat, s float64) gocv.Mat {
	w, h := int(float64(full.Cols())*s+0.5), int(float64(full.Rows())*s+0.5)
	if s >= 1 {
		return full.Clone()
	}
	out := full
	to := func(w, h int) {
		next := gocv.NewMat()
		gocv.Resize(out, &next, image.Pt(max(1, w), max(1, h)), 0, 0, gocv.InterpolationArea)
		if out.Ptr() != full.Ptr() {
			out.Close()
		}
		out = next
	}
	for out.Cols()%2 == 0 && out.Rows()%2 == 0 && out.Cols() >= 2*w && out.Rows() >= 2*h {
		to(out.Cols()/2, out.Rows()/2)
	}
	if out.Cols() != w || out.Rows() != h || out.Ptr() == full.Ptr() {
		to(w, h)
	}
	return out
}

// refineBest refines at full size and, where the picture is soft, on smaller
// and so sharper copies, and keeps the set that a plane explains best: on a
// blurred photo the full-size refinement runs off to noise (5 px seen on a
// blur of 6 px), while the finder's own corners are good to 0.2 px. misfitPX is how
// far they lie from that plane, root mean square.
func refineBest(full gocv.Mat, corners [][2]float64) (_ [][2]float64, misfitPX float64) {
	misfit := func(c [][2]float64) float64 {
		card := InnerCorners()
		h, err := Homography(card, c)
		if err != nil {
			// A mirrored order still fits a plane; only collapse fails.
			return math.Inf(1)
		}
		sum := 0.0
		for i := range card {
			u, v := Apply(h, card[i][0], card[i][1])
			sum += (u-c[i][0])*(u-c[i][0]) + (v-c[i][1])*(v-c[i][1])
		}
		return math.Sqrt(sum / float64(len(card)))
	}
	best, bestErr := corners, misfit(corners)
	scale := 1.0
	for level := 0; level < 4 && (level == 0 || bestErr > 0.1); level++ {
		c := refineAt(full, corners, scale)
		if e := misfit(c); e < bestErr {
			best, bestErr = c, e
		}
		scale /= 2
	}
	return best, bestErr
}

// refineAt is refine on a reduction by scale.
func refineAt(full gocv.Mat, corners [][2]float64, scale float64) [][2]float64 {
	if scale >= 1 {
		return refine(full, corners)
	}
	small := gocv.NewMat()
	defer small.Close()
	gocv.Resize(full, &small, image.Pt(max(1, int(float64(full.Cols())*scale)), max(1, int(float64(full.Rows())*scale))), 0, 0, gocv.InterpolationArea)
	sx := float64(full.Cols()) / float64(small.Cols())
	sy := float64(full.Rows()) / float64(small.Rows())
	c := make([][2]float64, len(corners))
	for i, p := range corners {
		c[i] = [2]float64{(p[0]+0.5)/sx - 0.5, (p[1]+0.5)/sy - 0.5}
	}
	c = refine(small, c)
	for i, p := range c {
		c[i] = [2]float64{(p[0]+0.5)*sx - 0.5, (p[1]+0.5)*sy - 0.5}
	}
	return c
}

// refine moves corners to sub-pixel at full size (Foerstner's gradient
// criterion, OpenCV's cornerSubPix). A corner that runs away, or whose window
// leaves the frame, stays where the finder put it.
func refine(full gocv.Mat, corners [][2]float64) [][2]float64 {
	step := math.Hypot(corners[1][0]-corners[0][0], corners[1][1]-corners[0][1])
	for i := range corners {
		if (i+1)%InnerCols != 0 {
			step = math.Min(step, math.Hypot(corners[i+1][0]-corners[i][0], corners[i+1][1]-corners[i][1]))
		}
		if i+InnerCols < len(corners) {
			step = math.Min(step, math.Hypot(corners[i+InnerCols][0]-corners[i][0], corners[i+InnerCols][1]-corners[i][1]))
		}
	}
	half := int(math.Max(3, math.Min(15, step*0.3)))
	var inside []int
	for i, c := range corners {
		m := float64(half + 4)
		if c[0] > m && c[1] > m && c[0] < float64(full.Cols())-m && c[1] < float64(full.Rows())-m {
			inside = append(inside, i)
		}
	}
	if len(inside) == 0 {
		return corners
	}
	m := gocv.NewMatWithSize(len(inside), 1, gocv.MatTypeCV32FC2)
	defer m.Close()
	data, err := m.DataPtrFloat32()
	if err != nil || len(data) < 2*len(inside) {
		return corners
	}
	for k, i := range inside {
		data[2*k], data[2*k+1] = float32(corners[i][0]), float32(corners[i][1])
	}
	gocv.CornerSubPix(full, &m, image.Pt(half, half), image.Pt(-1, -1), gocv.NewTermCriteria(gocv.Count+gocv.EPS, 40, 0.005))
	data, err = m.DataPtrFloat32()
	if err != nil {
		return corners
	}
	out := append([][2]float64(nil), corners...)
	for k, i := range inside {
		x, y := float64(data[2*k]), float64(data[2*k+1])
		if math.Hypot(x-corners[i][0], y-corners[i][1]) < 0.25*step {
			out[i] = [2]float64{x, y}
		}
	}
	return out
}

// orient puts the corners in the order of InnerCorners by the colours of the
// squares, and checks that this is the reference card: the squares alternate
// as they must, and the grey ladder below them darkens from left to right.
func orient(full gocv.Mat, c [][2]float64) (ordered [][2]float64, squarePX float64, ok bool) {
	card := InnerCorners()
	// The finder may also return a mirrored order; a card seen from the front
	// keeps its handedness.
	flipRows := func(c [][2]float64) [][2]float64 {
		out := make([][2]float64, len(c))
		for i := range c {
			out[i] = c[(i/InnerCols)*InnerCols+InnerCols-1-i%InnerCols]
		}
		return out
	}
	turn := func(c [][2]float64) [][2]float64 {
		out := make([][2]float64, len(c))
		for i := range c {
			out[i] = c[len(c)-1-i]
		}
		return out
	}
	a, b, d := c[0], c[InnerCols-1], c[len(c)-InnerCols]
	if (b[0]-a[0])*(d[1]-a[1])-(b[1]-a[1])*(d[0]-a[0]) < 0 {
		c = flipRows(c)
	}
	sample := newSampler(full)
	for _, cand := range [][][2]float64{c, turn(c)} {
		h, err := Homography(card, cand)
		if err != nil {
			return nil, 0, false
		}
		if !boardMatches(sample, h) || !ladderMatches(sample, h) {
			continue
		}
		x0, y0 := Apply(h, BoardLeftMM, BoardTopMM)
		x1, y1 := Apply(h, BoardLeftMM+BoardCols*SquareMM, BoardTopMM)
		x2, y2 := Apply(h, BoardLeftMM, BoardTopMM+BoardRows*SquareMM)
		side := math.Sqrt(math.Hypot(x1-x0, y1-y0) / BoardCols * math.Hypot(x2-x0, y2-y0) / BoardRows)
		return cand, side, true
	}
	return nil, 0, false
}

// sampler reads grey values between pixels.
type sampler struct {
	w, h int
	pix  []uint8
}

func newSampler(m gocv.Mat) sampler {
	p, err := m.DataPtrUint8()
	if err != nil {
		return sampler{}
	}
	return sampler{m.Cols(), m.Rows(), p}
}

// mean averages a small patch on the card, given by its middle and half side
// in mm; ok is false when it leaves the frame.
func (s sampler) mean(h [3][3]float64, xMM, yMM, halfMM float64) (v float64, ok bool) {
	n, sum := 0, 0.0
	for i := -2; i <= 2; i++ {
		for j := -2; j <= 2; j++ {
			x, y := Apply(h, xMM+halfMM*float64(i)/2, yMM+halfMM*float64(j)/2)
			ix, iy := int(x+0.5), int(y+0.5)
			if !(x >= 0 && y >= 0) || ix >= s.w || iy >= s.h {
				return 0, false
			}
			sum += float64(s.pix[iy*s.w+ix])
			n++
		}
	}
	return sum / float64(n), true
}

// boardMatches compares each square with the four beside it: at least nine in
// ten must be darker or lighter as the card says. Neighbours are compared, so
// that a shadow across the card doesn't matter.
func boardMatches(s sampler, h [3][3]float64) bool {
	var v [BoardRows][BoardCols]float64
	var in [BoardRows][BoardCols]bool
	for j := 0; j < BoardRows; j++ {
		for i := 0; i < BoardCols; i++ {
			tl := SquareTopLeft(i, j)
			v[j][i], in[j][i] = s.mean(h, tl[0]+SquareMM/2, tl[1]+SquareMM/2, 0.2*SquareMM)
		}
	}
	pairs, right := 0, 0
	count := func(j, i, j2, i2 int) {
		if !in[j][i] || !in[j2][i2] {
			return
		}
		pairs++
		lighter, darker := v[j2][i2], v[j][i]
		if !SquareIsBlack(i, j) {
			lighter, darker = darker, lighter
		}
		if lighter > darker+6 {
			right++
		}
	}
	for j := 0; j < BoardRows; j++ {
		for i := 0; i < BoardCols; i++ {
			if i+1 < BoardCols {
				count(j, i, j, i+1)
			}
			if j+1 < BoardRows {
				count(j, i, j+1, i)
			}
		}
	}
	return pairs >= 50 && float64(right) >= 0.9*float64(pairs)
}

// ladderMatches checks that the grey patches darken along the card, as they
// are seen or each against the bare paper beside it, which an edge of a shadow
// across them does not upset; one of the six may be covered or out of the
// frame, or lit oddly.
func ladderMatches(s sampler, h [3][3]float64) bool {
	var seen, against []float64
	for _, p := range Patches() {
		c := p.CentreMM()
		g, ok := s.mean(h, c[0], c[1], 0.25*p.SideMM)
		if !ok {
			continue
		}
		seen = append(seen, g)
		// The gaps between patches are 4 mm wide, as are the margins.
		left, ok1 := s.mean(h, c[0]-p.SideMM/2-2, c[1], 1)
		right, ok2 := s.mean(h, c[0]+p.SideMM/2+2, c[1], 1)
		if ok1 && ok2 && left+right > 0 {
			against = append(against, 255*g/((left+right)/2))
		}
	}
	darkens := func(v []float64) bool {
		if len(v) < 4 {
			return false
		}
		down := 0
		for i := 1; i < len(v); i++ {
			if v[i] < v[i-1]-2 {
				down++
			}
		}
		return down >= len(v)-2 && v[len(v)-1] < 0.75*v[0]
	}
	return darkens(seen) || darkens(against)
}

// describeMissing looks for dark square-like patches beside each other and
// says why they did not make a card.
func describeMissing(full gocv.Mat) Detection {
	s := math.Min(1, 1200/float64(max(full.Cols(), full.Rows())))
	small := gocv.NewMat()
	defer small.Close()
	gocv.Resize(full, &small, image.Pt(max(1, int(float64(full.Cols())*s)), max(1, int(float64(full.Rows())*s))), 0, 0, gocv.InterpolationArea)
	quads := darkSquares(small)
	quads = biggestFamily(quads)
	d := Detection{Stage: StageNoPattern,
		Message: "no reference card was seen: nothing in the photo looks like its chessboard",
		Advice:  "lay the printed card, or any bank-card-sized card, flat beside the marbles, wholly in the picture, and take the photo again; a coin, a whole sheet of paper, a scanner or a marble measured with a caliper serve too when you name them"}
	if len(quads) < 5 {
		return d
	}
	area := 0.0
	var xs, ys []float64
	for _, q := range quads {
		area += q.side * q.side
		for _, c := range q.corners {
			d.Seen = append(d.Seen, [2]float64{(c[0]+0.5)/s - 0.5, (c[1]+0.5)/s - 0.5})
		}
		xs, ys = append(xs, q.cx), append(ys, q.cy)
	}
	side := math.Sqrt(area / float64(len(quads)))
	d.SquarePX = side / s
	sort.Float64s(xs)
	sort.Float64s(ys)
	margin := 2.2 * side
	nearFrame := xs[0] < margin || ys[0] < margin || xs[len(xs)-1] > float64(small.Cols())-margin || ys[len(ys)-1] > float64(small.Rows())-margin
	soft := edgeWidthPX(small, quads)
	glare := brightShare(small, quads)
	seen := fmt.Sprintf("part of a chessboard was seen (%d dark squares), but not the whole card", len(quads))
	switch {
	case d.SquarePX < 9:
		d.Stage = StageTooSmall
		d.Message = fmt.Sprintf("%s: its squares are only about %.0f pixels wide", seen, d.SquarePX)
		d.Advice = "go nearer, so that the card fills at least a quarter of the picture's width, or send the photo in its full size"
	case nearFrame && len(quads) < 25:
		d.Stage = StageCut
		d.Message = seen + ": it runs out of the picture"
		d.Advice = "take the photo again with the whole card in the picture, with a little room around it"
	case soft/s > 0.28*d.SquarePX:
		d.Stage = StageBlurred
		d.Message = fmt.Sprintf("%s: its edges are blurred over about %.0f pixels", seen, soft/s)
		d.Advice = "hold the phone still or rest it on something, tap on the marbles to focus, and add light"
	case glare > 0.15:
		d.Stage = StageGlare
		d.Message = seen + ": a bright reflection covers some of it"
		d.Advice = "move the lamp or the card so that no light is mirrored from the paper into the camera"
	default:
		d.Stage = StageHidden
		d.Message = seen + ": something lies on it, or the paper is bent"
		d.Advice = "lay the card flat with nothing on its squares, and take the photo again"
	}
	return d
}

type quad struct {
	corners      [4][2]float64
	cx, cy, side float64
}

// darkSquares finds four-cornered dark patches by an adaptive threshold.
func darkSquares(grey gocv.Mat) []quad {
	bin := gocv.NewMat()
	defer bin.Close()
	block := max(31, (min(grey.Cols(), grey.Rows())/8)|1)
	gocv.AdaptiveThreshold(grey, &bin, 255, gocv.AdaptiveThresholdMean, gocv.ThresholdBinaryInv, block, 12)
	// Squares touch at their corners; a step of erosion parts them.
	kernel := gocv.GetStructuringElement(gocv.MorphRect, image.Pt(3, 3))
	defer kernel.Close()
	gocv.Erode(bin, &bin, kernel)
	contours := gocv.FindContours(bin, gocv.RetrievalList, gocv.ChainApproxSimple)
	defer contours.Close()
	var out []quad
	for i := 0; i < contours.Size() && i < 20000; i++ {
		c := contours.At(i)
		area := gocv.ContourArea(c)
		if area < 12 || area > float64(grey.Cols()*grey.Rows())/40 {
			continue
		}
		approx := gocv.ApproxPolyDP(c, 0.1*gocv.ArcLength(c, true), true)
		pts := approx.ToPoints()
		approx.Close()
		if len(pts) != 4 {
			continue
		}
		var q quad
		poly := 0.0
		for k := range pts {
			n := pts[(k+1)%4]
			poly += float64(pts[k].X*n.Y - n.X*pts[k].Y)
			q.corners[k] = [2]float64{float64(pts[k].X), float64(pts[k].Y)}
			q.cx += float64(pts[k].X) / 4
			q.cy += float64(pts[k].Y) / 4
		}
		poly = math.Abs(poly) / 2
		var lo, hi float64 = math.Inf(1), 0
		for k := range pts {
			n := pts[(k+1)%4]
			l := math.Hypot(float64(pts[k].X-n.X), float64(pts[k].Y-n.Y))
			lo, hi = math.Min(lo, l), math.Max(hi, l)
		}
		if poly < 12 || area < 0.75*poly || lo < 0.5*hi {
			continue
		}
		q.side = math.Sqrt(poly) + 2 // the erosion took a pixel from each side
		out = append(out, q)
	}
	return out
}

// biggestFamily keeps the largest group of squares alike in size that lie
// corner to corner, as a chessboard's do.
func biggestFamily(q []quad) []quad {
	parent := make([]int, len(q))
	for i := range parent {
		parent[i] = i
	}
	var root func(int) int
	root = func(i int) int {
		if parent[i] != i {
			parent[i] = root(parent[i])
		}
		return parent[i]
	}
	for i := range q {
		for j := i + 1; j < len(q); j++ {
			r := q[i].side / q[j].side
			d := math.Hypot(q[i].cx-q[j].cx, q[i].cy-q[j].cy)
			m := (q[i].side + q[j].side) / 2
			// Diagonal neighbours lie 1.41 sides apart; perspective stretches.
			if r > 0.7 && r < 1.43 && d > 1.0*m && d < 1.9*m {
				parent[root(i)] = root(j)
			}
		}
	}
	count := map[int]int{}
	best := -1
	for i := range q {
		r := root(i)
		count[r]++
		if best < 0 || count[r] > count[best] {
			best = r
		}
	}
	var out []quad
	for i := range q {
		if best >= 0 && root(i) == best {
			out = append(out, q[i])
		}
	}
	return out
}

// edgeWidthPX estimates how wide the squares' edges are: contrast over the
// steepest slope across each side, the median over all sides.
func edgeWidthPX(grey gocv.Mat, quads []quad) float64 {
	s := newSampler(grey)
	at := func(x, y float64) (float64, bool) {
		x0, y0 := int(math.Floor(x)), int(math.Floor(y))
		if x0 < 0 || y0 < 0 || x0+1 >= s.w || y0+1 >= s.h {
			return 0, false
		}
		fx, fy := x-float64(x0), y-float64(y0)
		p := func(i, j int) float64 { return float64(s.pix[j*s.w+i]) }
		return (p(x0, y0)*(1-fx)+p(x0+1, y0)*fx)*(1-fy) + (p(x0, y0+1)*(1-fx)+p(x0+1, y0+1)*fx)*fy, true
	}
	var widths []float64
	for _, q := range quads {
		for k := range q.corners {
			a, b := q.corners[k], q.corners[(k+1)%4]
			mx, my := (a[0]+b[0])/2, (a[1]+b[1])/2
			nx, ny := mx-q.cx, my-q.cy
			l := math.Hypot(nx, ny)
			if l == 0 {
				continue
			}
			nx, ny = nx/l, ny/l
			half := 0.45 * q.side
			lo, hi, slope, prev := math.Inf(1), math.Inf(-1), 0.0, math.NaN()
			for t := -half; t <= half; t += 0.5 {
				v, ok := at(mx+nx*t, my+ny*t)
				if !ok {
					prev = math.NaN()
					continue
				}
				lo, hi = math.Min(lo, v), math.Max(hi, v)
				if !math.IsNaN(prev) {
					slope = math.Max(slope, (v-prev)/0.5)
				}
				prev = v
			}
			if slope > 0 && hi-lo > 15 {
				widths = append(widths, (hi-lo)/slope)
			}
		}
	}
	if len(widths) == 0 {
		return 0
	}
	sort.Float64s(widths)
	return widths[len(widths)/2]
}

// brightShare is the share of pixels at full white around the squares.
func brightShare(grey gocv.Mat, quads []quad) float64 {
	x0, y0, x1, y1 := math.Inf(1), math.Inf(1), 0.0, 0.0
	for _, q := range quads {
		x0, y0 = math.Min(x0, q.cx-q.side), math.Min(y0, q.cy-q.side)
		x1, y1 = math.Max(x1, q.cx+q.side), math.Max(y1, q.cy+q.side)
	}
	s := newSampler(grey)
	n, bright := 0, 0
	for y := max(0, int(y0)); y < min(s.h, int(y1)); y++ {
		for x := max(0, int(x0)); x < min(s.w, int(x1)); x++ {
			n++
			if s.pix[y*s.w+x] >= 252 {
				bright++
			}
		}
	}
	if n == 0 {
		return 0
	}
	return float64(bright) / float64(n)
}
