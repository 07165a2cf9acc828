package kernels

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// thinned is Guo and Hall's algorithm A1 cell by cell.
func thinned(mask []bool, w int) []bool {
	out := slices.Clone(mask)
	ring := [8]int{1, 1 - w, -w, -w - 1, -1, w - 1, w, w + 1} // from east counter-clockwise
	for half, still := 1, 0; still < 2; half++ {
		was := slices.Clone(out)
		still++
		for i, set := range was {
			if !set {
				continue
			}
			var p [8]bool
			for k, d := range ring {
				p[k] = was[i+d]
			}
			runs, straight, slanted := 0, 0, 0
			for k := 0; k < 8; k += 2 {
				next, after := p[k+1], p[(k+2)%8]
				if !p[k] && (next || after) {
					runs++
				}
				if p[k] || next {
					straight++
				}
				if next || after {
					slanted++
				}
			}
			around := min(straight, slanted)
			e, ne, n, nw, w, sw, s, se := p[0], p[1], p[2], p[3], p[4], p[5], p[6], p[7]
			stays := (ne || n || !se) && e
			if half%2 == 0 {
				stays = (sw || s || !nw) && w
			}
			if runs == 1 && (around == 2 || around == 3) && !stays {
				out[i], still = false, 0
			}
		}
	}
	return out
}

func TestThinIsGuoAndHalls(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(55, 56))
		for _, w := range []int{3, 17, 64, 66, 121, 128, 150} {
			h := 5 + r.IntN(90)
			mask := make([]bool, w*h)
			for range 12 { // discs
				cx, cy, rad := r.IntN(w), r.IntN(h), 1+r.IntN(12)
				for y := 1; y < h-1; y++ {
					for x := 1; x < w-1; x++ {
						if (x-cx)*(x-cx)+(y-cy)*(y-cy) <= rad*rad {
							mask[y*w+x] = r.IntN(50) > 0
						}
					}
				}
			}
			want := thinned(mask, w)
			cells := Thin(mask, w, make([]uint64, ThinRoom(w, h)), make([]int32, 0, len(mask)))
			if !slices.Equal(mask, want) {
				t.Fatalf("%d by %d comes out differently", w, h)
			}
			k := 0
			for i, set := range mask {
				if set && (k == len(cells) || cells[k] != int32(i)) {
					t.Fatalf("%d by %d: cell %d is missing among those left", w, h, i)
				}
				if set {
					k++
				}
			}
			if k != len(cells) {
				t.Fatalf("%d by %d: %d cells for %d", w, h, len(cells), k)
			}
		}
	})
}
