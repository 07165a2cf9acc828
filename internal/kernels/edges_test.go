package kernels

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// blots is a picture of soft coloured spots on paper, with noise.
func blots(r *rand.Rand, w, h int) []uint8 {
	bgr := make([]uint8, 3*w*h)
	for i := range bgr {
		x, y := float64(i/3%w), float64(i/3/w)
		v := 200.0 + 3*r.NormFloat64()
		for s := range 4 {
			cx, cy, rad := float64(w)*(0.2+0.2*float64(s)), float64(h)*(0.3+0.15*float64(s)), 4+2*float64(s)
			v -= (60 + 30*float64((s+i%3)%3)) / (1 + math.Exp(math.Hypot(x-cx, y-cy)-rad))
		}
		bgr[i] = uint8(math.Max(0, math.Min(255, v)))
	}
	return bgr
}

// opponents is a pixel as three times its lightness, red against green, and twice yellow
// against blue; beyond the picture its border goes on.
func opponents(bgr []uint8, w, h, x, y int) [3]int {
	x, y = max(0, min(w-1, x)), max(0, min(h-1, y))
	p := bgr[3*(y*w+x):]
	b, g, r := int(p[0]), int(p[1]), int(p[2])
	return [3]int{b + g + r, r - g, r + g - 2*b}
}

// change is a pixel's, by the two filters as they are defined.
func change(bgr []uint8, w, h, x, y int) (right, below [3]float64) {
	smooth, differ := [5]int{0, 1, 2, 1, 0}, [5]int{-1, -2, 0, 2, 1}
	for j := -2; j <= 2; j++ {
		for i := -2; i <= 2; i++ {
			for k, v := range opponents(bgr, w, h, x+i, y+j) {
				right[k] += float64(v*differ[i+2]*smooth[j+2]) * perCode[k]
				below[k] += float64(v*smooth[i+2]*differ[j+2]) * perCode[k]
			}
		}
	}
	return right, below
}

func TestRowChangesAsTheFiltersSay(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(25, 26))
		const w, h = 61, 40
		bgr := blots(r, w, h)
		relief := MakeRelief(bgr, w, h)
		for y := range h {
			from, step := y%6, 1+y%3
			next := max(2, from)
			relief.Row(y, from, step, func(x int, right, below [3]float64) {
				if x != next {
					t.Fatalf("row %d: pixel %d, should be %d", y, x, next)
				}
				next += step
				wr, wb := change(bgr, w, h, x, y)
				for k := range 3 {
					if !near(right[k], wr[k], 1e-12) || !near(below[k], wb[k], 1e-12) {
						t.Fatalf("at %d, %d: %v %v, should be %v %v", x, y, right, below, wr, wb)
					}
				}
			})
			if next < w-2 {
				t.Errorf("row %d: nothing from pixel %d on", y, next)
			}
		}
	})
}

func TestEdgesAreTheFastestChanges(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(27, 28))
		const w, h = 93, 71
		bgr := blots(r, w, h)
		masked := make([]bool, w*h)
		for i := range masked {
			masked[i] = i%w > 80
		}
		noise, floor := [3]float64{0.02, 0.025, 0.03}, 4.2
		type slope struct{ x, y, m2 float64 }
		at := func(x, y int) (best slope) {
			if x < 2 || x >= w-2 {
				return
			}
			right, below := change(bgr, w, h, x, y)
			for k := range 3 {
				p, q := right[k]/noise[k], below[k]/noise[k]
				if m := p*p + q*q; m > best.m2 && m >= floor*floor {
					best = slope{p, q, m}
				}
			}
			return best
		}
		want := map[[2]int]slope{}
		for y := 2; y < h-2; y++ {
			for x := 2; x < w-2; x++ {
				s := at(x, y)
				if s.m2 == 0 || masked[y*w+x] {
					continue
				}
				m := math.Sqrt(s.m2)
				dx, dy := int(math.Round(s.x/m)), int(math.Round(s.y/m))
				if at(x+dx, y+dy).m2 > s.m2 || at(x-dx, y-dy).m2 >= s.m2 {
					continue
				}
				want[[2]int{x, y}] = s
			}
		}
		got := 0
		MakeRelief(bgr, w, h).Edges(noise, floor, masked, func(x, y int, right, below float64) {
			got++
			s, ok := want[[2]int{x, y}]
			if !ok {
				t.Fatalf("an edge at %d, %d, where there is none", x, y)
			}
			if !near(right, s.x, 1e-5) || !near(below, s.y, 1e-5) {
				t.Fatalf("at %d, %d: %v %v, should be %v %v", x, y, right, below, s.x, s.y)
			}
		})
		// Rounding decides about a few that are as high as their neighbours.
		if got < len(want)*98/100 || len(want) < 50 {
			t.Errorf("%d edges, should be %d", got, len(want))
		}
	})
}

func TestVotesAndTheirPeaks(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(29, 30))
		const w, h, per = 40, 30, 0.5
		e := MakeEdges(500)
		for i := range e.X {
			s, c := math.Sincos(2 * math.Pi * r.Float64())
			// Half of them lie on a circle of 12 px about 40, 30.
			if e.X[i], e.Y[i] = float32(80*r.Float64()), float32(60*r.Float64()); i%2 == 0 {
				e.X[i], e.Y[i] = float32(40+12*c), float32(30+12*s)
			}
			e.GX[i], e.GY[i] = float32(c), float32(s)
		}
		cells := make([]float32, w*h)
		e.Vote(cells, w, 12, per)
		want := make([]float32, w*h)
		for i := range e.X {
			for _, s := range [2]float32{-12, 12} {
				x, y := e.X[i]+s*e.GX[i]+0.5, e.Y[i]+s*e.GY[i]+0.5
				if x >= 0 && y >= 0 && int(x*per) < w && int(y*per) < h {
					want[int(y*per)*w+int(x*per)]++
				}
			}
		}
		for i := range cells {
			if cells[i] != want[i] {
				t.Fatalf("cell %d: %v votes, should be %v", i, cells[i], want[i])
			}
		}
		var highest []int32
		for y := 1; y < h-1; y++ {
			for x := 1; x < w-1; x++ {
				i := y*w + x
				if v := cells[i]; v >= 3 && v >= cells[i-1] && v >= cells[i+1] && v >= cells[i-w] && v >= cells[i+w] {
					highest = append(highest, int32(i))
				}
			}
		}
		for _, rows := range []int{1, 2, h} {
			var got []int32
			room := make([]int32, rows*w)
			for y := 1; y < h-1; {
				var some []int32
				was := y
				if some, y = Peaks(cells, w, y, 3, room); y <= was {
					t.Fatal("peaks of no row")
				}
				got = append(got, some...)
			}
			if !slices.Equal(got, highest) {
				t.Fatalf("peaks %v, should be %v", got, highest)
			}
		}
		if len(highest) == 0 {
			t.Error("no peaks")
		}
	})
}

func TestBlurIsASumOfWeightedNeighbours(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(83, 84))
		for w := 1; w < 40; w++ {
			h := 1 + r.IntN(12)
			weights := []float32{0.4, 0.2, 0.1, 0.05}[:2+w%BlurReach]
			cells := make([]float32, w*h)
			for i := range cells {
				cells[i] = float32(r.IntN(9))
			}
			was := slices.Clone(cells)
			Blur(cells, w, weights, make([]float32, BlurRoom(w)))
			for y := range h {
				for x := range w {
					want := 0.0
					for v := range h {
						for u := range w {
							if dx, dy := abs(u-x), abs(v-y); dx < len(weights) && dy < len(weights) {
								want += float64(weights[dx]) * float64(weights[dy]) * float64(was[v*w+u])
							}
						}
					}
					if !near(float64(cells[y*w+x]), want, 1e-5) {
						t.Fatalf("%d, %d of %d x %d: %v, should be %v", x, y, w, h, cells[y*w+x], want)
					}
				}
			}
		}
	})
}

func TestSaddles(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(71, 72))
		circle := [16][2]int{{0, -3}, {1, -3}, {2, -2}, {3, -1}, {3, 0}, {3, 1}, {2, 2}, {1, 3}, {0, 3}, {-1, 3}, {-2, 2}, {-3, 1}, {-3, 0}, {-3, -1}, {-2, -2}, {-1, -3}}
		for w := 5; w < 60; w++ {
			const h = 8
			grey := make([]uint8, w*h)
			for i := range grey {
				// Black and white alone as well, where the sums are largest.
				if grey[i] = uint8(r.Uint32()); w%2 == 0 {
					grey[i] = 255 * (grey[i] & 1)
				}
			}
			out := make([]int16, w)
			for y := SaddleMargin; y < h-SaddleMargin; y++ {
				Saddles(out, grey, w, y)
				for x := SaddleMargin; x < w-SaddleMargin; x++ {
					at := func(k int) int { d := circle[k%16]; return int(grey[(y+d[1])*w+x+d[0]]) }
					apart, same, sum := 0, 0, 0
					for k := range 4 {
						apart += abs(at(k) + at(k+8) - at(k+4) - at(k+12))
					}
					for k := range 8 {
						same += abs(at(k) - at(k+8))
						sum += at(k) + at(k+8)
					}
					cross := int(grey[y*w+x]) + int(grey[y*w+x-1]) + int(grey[y*w+x+1]) + int(grey[(y-1)*w+x]) + int(grey[(y+1)*w+x])
					if want := apart - same - abs(5*sum-16*cross)/5; int(out[x]) != want {
						t.Fatalf("%d, %d of %d columns: %d, should be %d", x, y, w, out[x], want)
					}
				}
			}
		}
	})
}

func abs(x int) int { return max(x, -x) }
