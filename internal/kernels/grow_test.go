package kernels

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestGrowTakesTheMostAround(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(61, 62))
		for round := range 60 {
			w, h, reach := 1+r.IntN(60), 1+r.IntN(30), 1+round%20
			mask := make([]uint8, w*h)
			for range r.IntN(6) { // strokes, with soft edges
				x, y, n := r.IntN(w), r.IntN(h), 1+r.IntN(5)
				for j := y; j < min(h, y+n); j++ {
					for i := x; i < min(w, x+4*n); i++ {
						mask[j*w+i] = 255
						if r.IntN(4) == 0 {
							mask[j*w+i] = uint8(r.IntN(256))
						}
					}
				}
			}
			radius := float64(reach) - r.Float64()
			left := func(dx, dy int) uint32 {
				return uint32(256 * max(0, min(1, radius+0.5-math.Hypot(float64(dx), float64(dy)))))
			}
			b := MakeBrush(radius)
			out, from, stride := b.Grow(mask, w)
			for y := range h {
				for x := range w {
					var want uint8
					for j := max(0, y-reach); j <= min(h-1, y+reach); j++ {
						for i := max(0, x-reach); i <= min(w-1, x+reach); i++ {
							want = max(want, uint8(uint32(mask[j*w+i])*left(x-i, y-j)>>8))
						}
					}
					if inside(mask, w, x, y) {
						want = 255 // within a stroke it stays whole
					}
					if got := out[from+y*stride+x]; got != want {
						t.Fatalf("%d at %d, %d, should be %d", got, x, y, want)
					}
				}
			}
		}
	})
}

// inside says that a place and the four around it are covered entirely.
func inside(mask []uint8, w, x, y int) bool {
	if x == 0 || y == 0 || x == w-1 || y == len(mask)/w-1 {
		return false
	}
	for _, i := range [5]int{0, -1, 1, -w, w} {
		if mask[y*w+x+i] != 255 {
			return false
		}
	}
	return true
}
