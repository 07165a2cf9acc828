package vision

import (
	"cmp"
	"errors"
	"image/color"
	"math"
	"slices"

	"gocv.io/x/gocv"

	"tawsight/internal/kernels"
)

var white255 = color.RGBA{255, 255, 255, 255}

// circle is a candidate in the reduced image, px.
type circle struct {
	x, y, r float64
	votes   float64 // share of a whole circle's edge that voted for it
}

// layerRatio is the step between the radii that votes are collected for.
const layerRatio = 1.12

// propose collects gradient votes for circles of radius rMin..rMax (px in the
// reduced image): each edge pixel votes along its gradient, both ways, since
// glass may be lighter or darker than paper. Votes are spread over the
// tolerance that ellipses and radius steps need, and divided by a whole
// circle's worth. Best first.
func propose(es kernels.Edges, w, h int, rMin, rMax float64) []circle {
	var radii []float64
	for r := rMin; ; r *= layerRatio {
		radii = append(radii, r)
		if r >= rMax {
			break
		}
	}
	room, err := newBallot(w, h)
	if err != nil {
		return nil
	}
	defer room.Close()
	out := make([]circle, 0, 4096)
	for _, r := range radii {
		// Spread: half a radius step, the ellipse of a tilted view (5 % of r)
		// and a pixel of rounding. Where that is wide, votes are collected on a
		// coarser grid.
		sigma := math.Max(0.8, 0.08*r)
		out = room.vote(out, es, w, h, r, sigma, max(1, int(sigma/0.65)))
	}
	slices.SortFunc(out, func(a, b circle) int {
		if a.votes != b.votes {
			return cmp.Compare(b.votes, a.votes)
		}
		return cmp.Or(cmp.Compare(b.r, a.r), cmp.Compare(a.y, b.y), cmp.Compare(a.x, b.x))
	})
	// Circles so near to one with more votes come to the same edges. They are looked
	// for in cells about as wide as the largest may lie apart.
	cell := math.Max(1, alikeShare*radii[len(radii)-1])
	across := int(float64(w)/cell) + 3
	last := make([]int32, across*(int(float64(h)/cell)+3)) // of those kept, one more than its number; 0 for none
	before := make([]int32, 0, len(out))                   // the one before each in its cell
	kept := out[:0]
	for _, c := range out {
		at := (int(c.y/cell)+1)*across + int(c.x/cell) + 1
		known := false
		for _, row := range [3]int{at - across, at, at + across} {
			for _, i := range last[row-1 : row+2] {
				for ; i > 0 && !known; i = before[i-1] {
					known = c.alike(kept[i-1])
				}
			}
		}
		if !known {
			kept, before = append(kept, c), append(before, last[at])
			last[at] = int32(len(kept))
		}
	}
	return kept
}

// alike says that two circles come to the same edges, the other one having more votes.
func (c circle) alike(k circle) bool {
	return math.Abs(k.x-c.x) < alikeShare*k.r && math.Abs(k.y-c.y) < alikeShare*k.r && k.r < 1.05*layerRatio*c.r && c.r < 1.05*layerRatio*k.r
}

// alikeShare is how near the middles of circles lie that come to the same edges,
// in radii.
const alikeShare = 0.05

// ballot is the room for one radius' votes: made once, since the system takes longer to
// hand out memory than the votes take.
type ballot struct {
	mat   gocv.Mat
	votes []float32
	blur  []float32
	peaks []int32
}

// newBallot is room for a picture of w x h pixels.
func newBallot(w, h int) (b ballot, err error) {
	b = ballot{mat: gocv.NewMatWithSize(h, w, gocv.MatTypeCV32FC1), blur: make([]float32, kernels.BlurRoom(w)), peaks: make([]int32, 8*w)}
	if b.votes, err = b.mat.DataPtrFloat32(); err != nil || b.mat.Empty() {
		b.Close()
		err = errors.New("there is not enough memory to look for circles")
	}
	return b, err
}

func (b *ballot) Close() { b.mat.Close() }

// vote collects the votes for circles of radius r, in cells of cell x cell px,
// and adds where they gather to a list.
func (b *ballot) vote(out []circle, es kernels.Edges, w, h int, r, sigma float64, cell int) []circle {
	per := 1 / float64(cell)
	w, h = (w+cell-1)/cell, (h+cell-1)/cell
	if w < 3 || h < 3 {
		return out
	}
	votes := b.votes[:w*h]
	clear(votes) // and brings the cells near: taking votes back costs more
	es.Vote(votes, w, r, per)
	blur := sigma * per
	kernels.Blur(votes, w, gaussian(blur), b.blur)
	// A whole circle has 2 pi r edge pixels (thinned edges have about 0.9
	// of that); all in one cell, the blur's peak is 1/(2 pi blur^2).
	norm := float32(2 * math.Pi * blur * blur / (2 * math.Pi * r * 0.9))
	least := float32(minVotes) / norm
	win := max(1, int(0.3*r*per))
	mid := (float64(cell) - 1) / 2
	for next := 1; next < h-1; {
		var peaks []int32
		peaks, next = kernels.Peaks(votes, w, next, least, b.peaks)
		for _, at := range peaks {
			x, y, v := int(at)%w, int(at)/w, votes[at]
			peak := true
			for j := max(0, y-win); j <= min(h-1, y+win) && peak; j++ {
				for _, near := range votes[j*w+max(0, x-win) : j*w+min(w-1, x+win)+1] {
					if near > v {
						peak = false
						break
					}
				}
			}
			if peak {
				out = append(out, circle{float64(x*cell) + mid, float64(y*cell) + mid, r, float64(v * norm)})
			}
		}
	}
	return out
}

// gaussian is one half of a Gaussian filter as far as three standard deviations, from the
// middle on: 1 to kernels.BlurReach cells, since that is 0.65 to 1.3 cells here.
func gaussian(sigma float64) []float32 {
	var v [kernels.BlurReach + 1]float64
	reach := min(int(3*sigma), kernels.BlurReach)
	sum := -1.0 // the middle counts once
	for k := range reach + 1 {
		v[k] = math.Exp(-float64(k*k) / (2 * sigma * sigma))
		sum += 2 * v[k]
	}
	out := make([]float32, reach+1)
	for k := range out {
		out[k] = float32(v[k] / sum)
	}
	return out
}

// minVotes is the least share of a circle that makes a candidate. Clear glass
// on paper may show half its rim; the spread of votes halves that again.
const minVotes = 0.12
