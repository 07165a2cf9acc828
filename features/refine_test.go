package features

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// The largest and the least in windows, in levels, against a look at every cell.
func TestWindow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w, h, half := rapid.IntRange(1, 40).Draw(t, "wide"), rapid.IntRange(1, 40).Draw(t, "high"), rapid.IntRange(1, 12).Draw(t, "half")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 3))
		v := make([]float64, w*h)
		for i := range v {
			if v[i] = 0.5 + 0.6*rng.NormFloat64(); rng.IntN(9) == 0 {
				v[i] = math.NaN()
			}
		}
		win := newWindow(w, h, half)
		defer win.close()
		for y := range h {
			win.put(y, v[y*w:(y+1)*w])
		}
		win.spread()
		for y := range h {
			lo, hi := win.row(y)
			for x := range w {
				most, least := uint8(0), uint8(levelsMost+1)
				for b := max(0, y-half); b <= min(h-1, y+half); b++ {
					for a := max(0, x-half); a <= min(w-1, x+half); a++ {
						if l := levelOf(v[b*w+a]); l > 0 {
							most, least = max(most, l), min(least, l)
						}
					}
				}
				if hi[x] != most || levelsMost+1-lo[x] != least {
					t.Fatalf("%d, %d: %d to %d, cell by cell %d to %d", x, y, levelsMost+1-lo[x], hi[x], least, most)
				}
			}
		}
	})
}
