package kernels

import (
	"math"
	"math/bits"
	"math/rand/v2"
	"slices"
	"testing"
)

// patches is a face of a few patches of colour, with some pixels of none.
func patches(r *rand.Rand, n int) (of []int8, lab [][3]float32) {
	of, lab = make([]int8, n*n), make([][3]float32, n*n)
	for i := range of {
		of[i] = int8((i%n/5+i/n/7)%Colours) - int8(r.IntN(2))*int8(r.IntN(9)/8)
		if r.IntN(12) == 0 {
			of[i] = -1
		}
		lab[i] = [3]float32{9 * float32(of[i]), float32(r.NormFloat64()), float32(r.NormFloat64())}
	}
	return of, lab
}

func each(t *testing.T, test func(t *testing.T, r *rand.Rand, n int, of []int8, lab [][3]float32)) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(57, 58))
		for _, n := range []int{2, 7, 31, 66, 97} {
			of, lab := patches(r, n)
			test(t, r, n, of, lab)
		}
	})
}

func TestSteepnessIsTheLargestStep(t *testing.T) {
	each(t, func(t *testing.T, r *rand.Rand, n int, _ []int8, lab [][3]float32) {
		mask := make([]uint8, n*n)
		for i := range mask {
			if mask[i] = uint8(r.IntN(8)); mask[i]&2 == 0 {
				lab[i][1] = float32(math.NaN()) // which nobody may look at
			}
		}
		out := make([]float32, n*n)
		Steepness(out, lab, mask, n, 2, make([]float32, 2*n))
		for i, got := range out {
			want := float32(0)
			for _, d := range [4][2]int{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
				x, y := i%n+d[0], i/n+d[1]
				if x < 0 || y < 0 || x >= n || y >= n || mask[i]&mask[y*n+x]&2 == 0 {
					continue
				}
				a, b := lab[i], lab[y*n+x]
				d0, d1, d2 := a[0]-b[0], a[1]-b[1], a[2]-b[2]
				want = max(want, d0*d0+d1*d1+d2*d2)
			}
			if got != want {
				t.Fatalf("pixel %d of %d is %g, should be %g", i, n, got, want)
			}
		}
	})
}

func TestClosestIsTheFirstOfTheNearest(t *testing.T) {
	each(t, func(t *testing.T, r *rand.Rand, n int, of []int8, lab [][3]float32) {
		centres := make([][3]float64, 1+r.IntN(Colours))
		for k := range centres {
			centres[k] = [3]float64{9 * float64(k/2), 0, 0} // two and two alike
		}
		var at []int32
		for i := range lab {
			if r.IntN(3) > 0 {
				at = append(at, int32(i))
			}
		}
		want := slices.Clone(of)
		for _, i := range at {
			best := math.Inf(1)
			for k, c := range centres {
				a, b, d := c[0]-float64(lab[i][0]), c[1]-float64(lab[i][1]), c[2]-float64(lab[i][2])
				if s := a*a + b*b + d*d; s < best {
					best, want[i] = s, int8(k)
				}
			}
		}
		if Closest(of, lab, at, centres); !slices.Equal(of, want) {
			t.Fatalf("the nearest of %d centres is another", len(centres))
		}
	})
}

func TestCubes(t *testing.T) {
	each(t, func(t *testing.T, r *rand.Rand, n int, _ []int8, lab [][3]float32) {
		lab[0][2], lab[1][0] = 1e12, -500
		var at []int32
		for i := len(lab) - 1; i >= 0; i -= 1 + r.IntN(2) {
			at = append(at, int32(i))
		}
		at = append(at, 0, 1)
		out := make([]uint32, len(at))
		const per = 1.0 / 3
		Cubes(out, lab, at, per)
		for k, i := range at {
			want := uint32(Cube)
			for q, v := range lab[i] {
				c := int(v*float32(per) + 128)
				if c < 0 || c > 255 {
					want = 0
					break
				}
				want |= uint32(c) << (16 - 8*q)
			}
			if out[k] != want {
				t.Fatalf("pixel %d, %v, lies in %x, should be %x", i, lab[i], out[k], want)
			}
		}
	})
}

func TestInsideAndTally(t *testing.T) {
	each(t, func(t *testing.T, _ *rand.Rand, n int, of []int8, _ [][3]float32) {
		in := make([]bool, n*n)
		Inside(in, of, n)
		var all, those [Colours]int32
		for i, o := range of {
			want := i >= n && i < n*n-n
			for _, d := range [4]int{1, -1, n, -n} {
				want = want && (of[i+d] < 0 || of[i+d] == o)
			}
			if in[i] != want {
				t.Fatalf("pixel %d of %d: inside is %v", i, n, in[i])
			}
			if o >= 0 {
				all[o]++
				if want {
					those[o]++
				}
			}
		}
		if a, b := Tally(of, in); a != all || b != those {
			t.Fatalf("counted %v and %v, should be %v and %v", a, b, all, those)
		}
	})
}

func TestFlatAround(t *testing.T) {
	each(t, func(t *testing.T, r *rand.Rand, n int, of []int8, _ [][3]float32) {
		lead := make([]uint8, n*n)
		for i := range lead {
			lead[i] = uint8(-(r.IntN(8) / 7))
		}
		for reach := 1; reach < 5; reach++ {
			out, own := make([]uint8, n*n), make([]uint8, n*n)
			FlatAround(out, own, of, lead, n, reach, make([]uint8, FlatRoom(n, reach)))
			for i := range out {
				want := uint8(0)
				for y := max(0, i/n-reach); y <= min(n-1, i/n+reach); y++ {
					for x := max(0, i%n-reach); x <= min(n-1, i%n+reach); x++ {
						if o := of[y*n+x]; o >= 0 && lead[y*n+x] > 0 {
							want |= 1 << o
						}
					}
				}
				if out[i] != want {
					t.Fatalf("around pixel %d of %d lie %b, should be %b", i, n, out[i], want)
				}
				if is := of[i] >= 0 && lead[i] > 0; is != (own[i] != 0) || is && bits.TrailingZeros8(own[i]) != int(of[i]) {
					t.Fatalf("pixel %d is %b", i, own[i])
				}
			}
		}
	})
}

func TestLargestOfSquares(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(65, 66))
		for side := 1; side < 16; side++ {
			const h = 11
			wide := 30 + r.IntN(40)
			f := make([]uint8, LargestRoom(wide, h, side))
			for i := range f {
				f[i] = uint8(r.IntN(256))
			}
			was := slices.Clone(f)
			Largest(f, wide, h, side)
			for i := range wide * h {
				want := uint8(0)
				for y := range side {
					want = max(want, slices.Max(was[i+y*wide:][:side]))
				}
				if f[i] != want {
					t.Fatalf("byte %d of squares of %d is %d, should be %d", i, side, f[i], want)
				}
			}
		}
	})
}

func TestMeetings(t *testing.T) {
	each(t, func(t *testing.T, _ *rand.Rand, n int, of []int8, _ [][3]float32) {
		var want []int32
		meet := func(i, j, code int) {
			if of[i] != of[j] && of[i] >= 0 && of[j] >= 0 {
				want = append(want, int32(code))
			}
		}
		for y := range n {
			for x := 0; x+1 < n; x++ {
				meet(y*n+x, y*n+x+1, 2*(y*n+x))
			}
			for x := 0; x < n && y+1 < n; x++ {
				meet(y*n+x, (y+1)*n+x, 2*(y*n+x)+1)
			}
		}
		if got := Meetings(make([]int32, 0, 2*n*n), of, n); !slices.Equal(got, want) {
			t.Fatalf("%d places, should be %d", len(got), len(want))
		}
	})
}
