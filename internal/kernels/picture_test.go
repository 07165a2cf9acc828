package kernels

import (
	"math"
	"math/rand/v2"
	"testing"

	"tawsight/internal/colour"
)

func samples(r *rand.Rand, n int, most float32) []Sample {
	out := make([]Sample, n)
	for i := range out {
		out[i] = Sample{most * r.Float32(), most * r.Float32(), most * r.Float32()}
	}
	return out
}

func TestAcrossAddsUpItsTaps(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(15, 16))
		for count := 1; count <= 7; count++ {
			line := samples(r, 60, 1)
			taps := Taps{Count: count}
			for range 31 {
				taps.First = append(taps.First, int32(r.IntN(60-count)))
				for range count {
					taps.Weight = append(taps.Weight, r.Float32())
				}
			}
			out := make([]Sample, 31)
			Across(out, line, taps)
			for i := range out {
				for k := range 3 {
					want := 0.0
					for j := range count {
						want += float64(taps.Weight[count*i+j]) * float64(line[int(taps.First[i])+j][k])
					}
					if !near(float64(out[i][k]), want, 1e-6) {
						t.Fatalf("%v, should be %v", out[i][k], want)
					}
				}
			}
		}
	})
}

// Each code must be the one nearest to what the standard (IEC 61966-2-1, by
// colour.LinearToSRGB) gives, but where light lies within rounding of a border.
func TestEncodeBalancesAndRounds(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(17, 18))
		tone := new([ToneSteps]float32)
		for i := range tone {
			tone[i] = float32(math.Pow(ToneAt(i), -0.1))
		}
		for round := range 40 {
			n := 1 + r.IntN(70)
			rows := samples(r, 3*n, 0.7)
			rows[0], rows[n-1] = Sample{-0.5, 0, 1e-9}, Sample{40, 3, 1}
			f := Finish{Gain: make([][2]Sample, 8)}
			for i := range f.Gain {
				f.Gain[i] = [2]Sample{{1 + 0.1*r.Float32(), 1, 0.9}, {0.1, -0.1, 0.05}}
			}
			for range n {
				f.Cell, f.Into = append(f.Cell, int32(r.IntN(8))), append(f.Into, r.Float32())
			}
			if round%2 == 1 {
				f.Tone = tone
			}
			out := make([]uint8, 4*n)
			row, weight := []int32{0, int32(n), int32(2 * n)}, []float32{0.5, 0.3, 0.2}
			f.Encode(out, rows, row, weight)
			for i := range n {
				if out[4*i+3] != 255 {
					t.Fatal("a pixel is not opaque")
				}
				var c [3]float64
				for k := range c {
					for j, w := range weight {
						c[k] += float64(w) * float64(rows[int(row[j])+i][k])
					}
					c[k] *= float64(f.Gain[f.Cell[i]][0][k]) + float64(f.Into[i])*float64(f.Gain[f.Cell[i]][1][k])
				}
				if f.Tone != nil {
					y := 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2]
					if y <= 0 || y > 1.9 {
						continue
					}
					for k := range c {
						c[k] *= math.Pow(y, -0.1)
					}
				}
				for k := range c {
					code := 255 * math.Max(0, math.Min(1, colour.LinearToSRGB(c[k])))
					room := 0.505 // of rounding
					if f.Tone != nil {
						room = 0.6 // a tone step is a 256th of the luminance wide
					}
					if math.Abs(float64(out[4*i+k])-code) > room {
						t.Fatalf("pixel %d: code %d for %.3f", i, out[4*i+k], code)
					}
				}
			}
		}
	})
}

func TestLessAbove(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(61, 62))
		for n := 1; n < 40; n++ {
			here, above := make([]uint8, 4*n), make([]uint8, 4*n)
			for i := range here {
				here[i], above[i] = uint8(r.Uint32()), uint8(r.Uint32())
			}
			for _, channels := range []int{3, 4} {
				out := make([]uint8, channels*n+4)
				LessAbove(out, here, above, channels)
				for i := range channels * n {
					if at := i/channels*4 + i%channels; out[i] != here[at]-above[at] {
						t.Fatalf("%d of %d pixels of %d bytes: %d, should be %d", i, n, channels, out[i], here[at]-above[at])
					}
				}
			}
		}
	})
}

func TestFaces(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(19, 20))
		const w, h = 30, 20
		bgr := make([]uint8, 3*w*h)
		for i := range bgr {
			bgr[i] = uint8(r.IntN(256))
		}
		var table Linear
		for i, v := range colour.Linear8 {
			table[i] = float32(v)
		}
		row := make([]Sample, w)
		LightRow(row, bgr, &table)
		for i, got := range row {
			if want := (Sample{table[bgr[3*i+2]], table[bgr[3*i+1]], table[bgr[3*i]]}); got != want {
				t.Fatalf("pixel %d is %v, should be %v", i, got, want)
			}
		}
		var light Light
		for j := range light.Gain {
			for i := range light.Gain[j] {
				light.Gain[j][i] = [4]Sample{{1, 1.1, 0.9}, {0.1, 0, 0}, {0, 0.1, 0}, {0, 0, 0.1}}
			}
		}
		light.Curve, light.PerRoot = make([]float32, 514), 512/2
		for i := range light.Curve {
			light.Curve[i] = float32(1 + 0.001*float64(i))
		}
		for range 50 {
			n := 1 + r.IntN(12)
			at := Straight{X: 1 + 5*r.Float64(), Y: 1 + 6*r.Float64(), DX: 0.7 + r.Float64(), DY: 0.5 * r.Float64()}
			sum, full := make([]Sample, n), make([]bool, n)
			Between(sum, full, bgr, w, at, &table, 0.25, 0.9)
			Between(sum, full, bgr, w, at, &table, 0.75, 0.9)
			cells := Straight{X: 8 * r.Float64(), Y: 8 * r.Float64(), DX: 0.3, DY: -0.3}
			linear, lum, lab := make([][3]float64, n), make([]float64, n), make([][3]float64, n)
			seen := append([]Sample(nil), sum...)
			light.Balance(sum, cells, linear, lum)
			Lab(lab, sum)
			again := make([][3]float32, n)
			WeightedLab(again, linear, 1)
			for i := range n {
				x, y := at.Place(i)
				lightest := 0.0
				for k := range 3 {
					want := bilinear(x, y, func(x, y int) float64 { return colour.Linear8[bgr[3*(y*w+x)+2-k]] })
					if !near(float64(seen[i][k]), want, 1e-6) {
						t.Fatalf("read %v, should be %v", seen[i][k], want)
					}
					lightest = max(lightest, want)
				}
				if math.Abs(lightest-0.9) > 1e-5 && full[i] != (lightest > 0.9) {
					t.Fatalf("full is %v of light %v", full[i], lightest)
				}
				u, v := cells.Place(i)
				u, v = math.Max(0, math.Min(Cells-1e-9, u)), math.Max(0, math.Min(Cells-1e-9, v))
				u, v = u-math.Floor(u), v-math.Floor(v)
				c := [3]float64{float64(seen[i][0]) * (1 + 0.1*u), float64(seen[i][1]) * (1.1 + 0.1*v), float64(seen[i][2]) * (0.9 + 0.1*u*v)}
				y0 := 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2]
				factor := 1 + 0.001*math.Min(512, math.Sqrt(y0)*256)
				for k := range c {
					c[k] *= factor
					if !near(linear[i][k], c[k], 1e-5) {
						t.Fatalf("balanced %v, should be %v", linear[i], c)
					}
				}
				if !near(lum[i], y0*factor, 1e-5) {
					t.Fatalf("luminance %v, should be %v", lum[i], y0*factor)
				}
				want := colour.LinearToLab(linear[i])
				for k := range want {
					if math.Abs(lab[i][k]-want[k]) > 1e-3 || math.Abs(float64(again[i][k])-want[k]) > 1e-3 {
						t.Fatalf("CIELAB %v and %v, should be %v", lab[i], again[i], want)
					}
				}
			}
		}
	})
}

// From black to beyond white, and the dark end, where f is a straight line, closely.
func TestLabIsCIELAB(t *testing.T) {
	both(t, func(t *testing.T) {
		var in [][3]float64
		for v := 0.0; v < 0.02; v += 1e-5 {
			in = append(in, [3]float64{v, 0.5 * v, 2 * v}, [3]float64{v, v, v})
		}
		for v := 0.02; v < 4; v += 0.001 {
			in = append(in, [3]float64{v, v, v}, [3]float64{v, 0, 0}, [3]float64{0.1, v, 1}, [3]float64{-0.001, v, 0.3})
		}
		const weight = 0.6
		out := make([][3]float32, len(in))
		WeightedLab(out, in, weight)
		for i := range in {
			want := colour.LinearToLab(in[i])
			want[0] *= weight
			for k := range want {
				if math.Abs(float64(out[i][k])-want[k]) > 1e-3 {
					t.Fatalf("CIELAB %v of %v, should have %v", out[i], in[i], want)
				}
			}
		}
	})
}

func TestBinomialSmoothsAllOfOneKind(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(51, 52))
		const n, kind = 37, 5
		var rows [3]Row
		for k := range rows {
			rows[k] = Row{make([][3]float64, n), make([]uint8, n)}
			for x := range n {
				rows[k].Light[x] = [3]float64{r.Float64(), r.Float64(), r.Float64()}
				rows[k].Mask[x] = 1 | uint8(r.IntN(2))<<1 // a bit that isn't asked for
				if r.IntN(20) == 0 {
					rows[k].Mask[x] ^= kind
				}
			}
		}
		out, mixed, room := make([][3]float64, n), make([]bool, n), make([][3]float64, n)
		Binomial(out, mixed, rows[0], rows[1], rows[2], kind, room)
		for x := 1; x < n-1; x++ {
			var want [3]float64
			other := false
			for b, row := range rows {
				for a := -1; a <= 1; a++ {
					w := float64((2 - (b-1)*(b-1)) * (2 - a*a))
					for k, v := range row.Light[x+a] {
						want[k] += w * v / 16
					}
					other = other || (row.Mask[x+a]^rows[1].Mask[x])&kind != 0
				}
			}
			for k := range want {
				if !near(out[x][k], want[k], 1e-14) {
					t.Fatalf("pixel %d is %v, should be %v", x, out[x], want)
				}
			}
			if mixed[x] != other {
				t.Fatalf("pixel %d: mixed is %v", x, mixed[x])
			}
		}
		if out[0] != [3]float64{} || out[n-1] != [3]float64{} {
			t.Error("the first or the last pixel was changed")
		}
	})
}

func TestLuminanceReadsBetweenPixels(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(21, 22))
		const w, h = 25, 25
		bgr := make([]uint8, 3*w*h)
		for i := range bgr {
			bgr[i] = uint8(r.IntN(256))
		}
		var share [3][256]float64
		for k, y := range [3]float64{0.2126, 0.7152, 0.0722} {
			for i, v := range colour.Linear8 {
				share[k][i] = y * v
			}
		}
		at := Straight{X: 3.3, Y: 20.1, DX: 0.9, DY: -0.8}
		sum := make([]float64, 20)
		sum[4] = 7
		Luminance(sum, bgr, w, at, &share)
		for i, got := range sum {
			x, y := at.Place(i)
			want := bilinear(x, y, func(x, y int) (s float64) {
				for k := range 3 {
					s += share[k][bgr[3*(y*w+x)+2-k]]
				}
				return s
			})
			if i == 4 {
				want += 7
			}
			if !near(got, want, 1e-12) {
				t.Fatalf("%v, should be %v", got, want)
			}
		}
	})
}
