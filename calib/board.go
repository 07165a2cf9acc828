package calib

import (
	"math"
	"slices"

	"gocv.io/x/gocv"

	"tawsight/internal/kernels"
)

// A chessboard in a reduced picture, told by the places where four of its squares
// meet: in a sharp photo these stand out by themselves, and whether they lie as the
// card's do is soon seen. What isn't found so is left to OpenCV's search, which takes
// ten times as long and finds it in soft photos as well.

// leastSaddle is the response below which nothing is taken for a corner: the meeting of
// squares about five codes apart. topShare is the same as a share of the tenth strongest,
// since a card's own corners are much alike.
const (
	leastSaddle = 40
	topShare    = 0.3
	mostSaddles = 400
)

// boardCorners finds the inner corners of a chessboard in a grey picture (CV_8UC1), to a
// fraction of a pixel, row by row; false where there isn't exactly one grid of as many
// as the card has among its corners.
func boardCorners(grey gocv.Mat) ([][2]float64, bool) {
	w, h := grey.Cols(), grey.Rows()
	pix, err := grey.DataPtrUint8()
	if err != nil || grey.Type() != gocv.MatTypeCV8UC1 || len(pix) < w*h {
		return nil, false
	}
	at := saddles(pix, w, h)
	taken := make([]bool, len(at))
	for seed := range at {
		if taken[seed] {
			continue
		}
		if grid := growGrid(at, seed, taken); grid != nil {
			return grid, true
		}
	}
	return nil, false
}

// saddles are the places in a grey picture that look like corners of a chessboard,
// strongest first.
func saddles(pix []uint8, w, h int) [][2]float64 {
	const around, margin = 2, kernels.SaddleMargin
	r := make([]int16, w*h)
	for y := margin; y < h-margin; y++ {
		kernels.Saddles(r[y*w:(y+1)*w], pix, w, y)
	}
	type peak struct{ at, height int }
	var peaks []peak
	for y := margin + around; y < h-margin-around; y++ {
	next:
		for x := margin + around; x < w-margin-around; x++ {
			i := y*w + x
			v := r[i]
			if v < leastSaddle {
				continue
			}
			for dy := -around; dy <= around; dy++ {
				for dx := -around; dx <= around; dx++ {
					// Of several as high the first is the peak.
					if o := r[i+dy*w+dx]; o > v || o == v && (dy < 0 || dy == 0 && dx < 0) {
						continue next
					}
				}
			}
			peaks = append(peaks, peak{i, int(v)})
		}
	}
	slices.SortStableFunc(peaks, func(a, b peak) int { return b.height - a.height })
	if len(peaks) > 9 {
		least := int(topShare * float64(peaks[9].height))
		n, _ := slices.BinarySearchFunc(peaks, least, func(p peak, least int) int { return least - p.height })
		peaks = peaks[:min(n, mostSaddles)]
	}
	out := make([][2]float64, len(peaks))
	for k, p := range peaks {
		// The centre of mass of the response about the peak, as its authors have it.
		var sum, x, y float64
		for dy := -around; dy <= around; dy++ {
			for dx := -around; dx <= around; dx++ {
				m := math.Max(0, float64(r[p.at+dy*w+dx]))
				sum, x, y = sum+m, x+m*float64(dx), y+m*float64(dy)
			}
		}
		out[k] = [2]float64{float64(p.at%w) + x/sum, float64(p.at/w) + y/sum}
	}
	return out
}

// gridReach is how far a corner may lie from where its neighbour's steps lead, in
// lengths of the step: perspective changes the steps of a board a little at a time.
const gridReach = 0.25

// growGrid looks for a whole grid of the card's corners about one place, step by step
// from each to the four beside it, and gives it row by row; nil where they are more or
// fewer, or don't agree. All that it comes to is marked as taken.
func growGrid(at [][2]float64, seed int, taken []bool) [][2]float64 {
	taken[seed] = true
	u, v, ok := firstSteps(at, seed)
	if !ok {
		return nil
	}
	type node struct {
		of   int
		i, j int
		u, v [2]float64
	}
	const most = 2 * InnerCols // no step leads farther from the seed
	var grid [2*most + 1][2*most + 1]int32
	cells := [][2]int{{0, 0}}
	grid[most][most] = int32(seed + 1)
	cellOf := map[int][2]int{seed: {0, 0}}
	todo := []node{{of: seed, u: u, v: v}}
	for len(todo) > 0 {
		n := todo[0]
		todo = todo[1:]
		for _, d := range [4][2]int{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
			i, j := n.i+d[0], n.j+d[1]
			step := n.u
			if d[1] != 0 {
				step = n.v
			}
			sign := float64(d[0] + d[1])
			to := [2]float64{at[n.of][0] + sign*step[0], at[n.of][1] + sign*step[1]}
			k, off := nearestTo(at, to)
			if off > gridReach*math.Hypot(step[0], step[1]) {
				continue
			}
			if known, ok := cellOf[k]; ok {
				if known != [2]int{i, j} {
					return nil
				}
				continue
			}
			if max(i, -i, j, -j) > most || grid[most+j][most+i] != 0 {
				return nil
			}
			grid[most+j][most+i] = int32(k + 1)
			cells = append(cells, [2]int{i, j})
			cellOf[k] = [2]int{i, j}
			taken[k] = true
			next := node{k, i, j, n.u, n.v}
			moved := [2]float64{sign * (at[k][0] - at[n.of][0]), sign * (at[k][1] - at[n.of][1])}
			if d[0] != 0 {
				next.u = moved
			} else {
				next.v = moved
			}
			todo = append(todo, next)
		}
	}
	if len(cells) != InnerCols*InnerRows {
		return nil
	}
	i0, j0, i1, j1 := 0, 0, 0, 0
	for _, c := range cells {
		i0, i1, j0, j1 = min(i0, c[0]), max(i1, c[0]), min(j0, c[1]), max(j1, c[1])
	}
	across, down := i1-i0+1, j1-j0+1
	out := make([][2]float64, 0, len(cells))
	for row := range InnerRows {
		for col := range InnerCols {
			i, j := i0+col, j0+row
			if across == InnerRows && down == InnerCols {
				i, j = i0+row, j0+col
			} else if across != InnerCols || down != InnerRows {
				return nil
			}
			out = append(out, at[grid[most+j][most+i]-1])
		}
	}
	return out
}

// firstSteps are the ways from a corner to the nearest one and to the nearest that lies
// about square to that, which may be the other two ways of a board seen at a slant.
func firstSteps(at [][2]float64, seed int) (u, v [2]float64, ok bool) {
	away := func(k int) (d [2]float64, r float64) {
		d = [2]float64{at[k][0] - at[seed][0], at[k][1] - at[seed][1]}
		return d, math.Hypot(d[0], d[1])
	}
	nearest, second := math.Inf(1), math.Inf(1)
	for k := range at {
		if d, r := away(k); k != seed && r < nearest {
			u, nearest = d, r
		}
	}
	for k := range at {
		d, r := away(k)
		if k == seed || r >= second || r > 2.5*nearest {
			continue
		}
		if turn := math.Abs(u[0]*d[1] - u[1]*d[0]); turn > 0.7*nearest*r {
			v, second = d, r
		}
	}
	return u, v, !math.IsInf(second, 1)
}

// nearestTo is which of the places lies nearest to one, and how far off.
func nearestTo(at [][2]float64, to [2]float64) (k int, off float64) {
	best := math.Inf(1)
	for i, p := range at {
		if d := (p[0]-to[0])*(p[0]-to[0]) + (p[1]-to[1])*(p[1]-to[1]); d < best {
			k, best = i, d
		}
	}
	return k, math.Sqrt(best)
}
