package kernels

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestNearestSiteIsTheNearest(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(69, 70))
		for _, few := range []int{2, 30, 300, 1 << 20} {
			const n = 37
			var sites []int
			site := make([]bool, n*n)
			for i := range site {
				x, y := i%n-15, i/n-20
				if site[i] = r.IntN(few) == 1 || few == 300 && x*x+y*y < 80; site[i] {
					sites = append(sites, i)
				}
			}
			d2, nearest := make([]float64, n*n), make([]int32, n*n)
			wide, narrow := NearestRoom(n)
			NearestSite(d2, nearest, n, site, make([]int64, wide), make([]int32, narrow))
			for i := range d2 {
				away := func(j int) float64 { return sq(float64(i%n-j%n)) + sq(float64(i/n-j/n)) }
				want := math.Inf(1)
				for _, j := range sites {
					want = min(want, away(j))
				}
				if d2[i] != want {
					t.Fatalf("cell %d: %g, should be %g", i, d2[i], want)
				}
				if j := int(nearest[i]); j < 0 != (len(sites) == 0) || j >= 0 && (!site[j] || away(j) != want) {
					t.Fatalf("cell %d: the nearest is not %d", i, j)
				}
			}
		}
	})
}

func TestMirroredCountsWhatIsAlike(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(71, 72))
		const wide = 70
		a, b := make([]uint8, wide*MostRings), make([]uint8, wide*MostRings)
		for i := range a {
			a[i], b[i] = uint8(r.IntN(Colours+1)), uint8(r.IntN(Colours+1))
		}
		for n := range MostMirrored + 1 {
			rings := 1 + r.IntN(MostRings)
			var got, want Seen
			got.Mirrored(a, b, rings, wide, n)
			for ring := range rings {
				for k := range n {
					o, p, w := a[ring*wide+k], b[ring*wide+k], int32(2*ring+1)
					if max(o, p) >= Colours {
						continue
					}
					want.Colours[o] += w
					want.Colours[p] += w
					if o == p {
						want.Same += 2 * w
					}
				}
			}
			if got != want {
				t.Fatalf("%v, should be %v", got, want)
			}
		}
	})
}

func TestBinomialSomeLeavesOutWhatIsNone(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(77, 78))
		for _, w := range []int{1, 2, 3, 20, 33} {
			const h = 12
			field := make([]float64, w*h)
			for i := range field {
				if field[i] = r.Float64(); r.IntN(15) == 0 {
					field[i] = math.NaN()
				}
			}
			out := make([]float64, w*h)
			BinomialSome(out, field, w)
			for i, got := range out {
				x, y, want := i%w, i/w, field[i]
				if x > 0 && x < w-1 && y > 0 && y < h-1 && want == want {
					sum, weights := 0.0, 0.0
					for b := -1; b <= 1; b++ {
						for a := -1; a <= 1; a++ {
							if v := field[i+b*w+a]; v == v {
								g := float64((2 - a*a) * (2 - b*b))
								sum, weights = sum+g*v, weights+g
							}
						}
					}
					want = sum / weights
				}
				if (got == got || want == want) && !(math.Abs(got-want) < 1e-14) {
					t.Fatalf("cell %d of %d: %g, should be %g", i, w, got, want)
				}
			}
		}
	})
}
