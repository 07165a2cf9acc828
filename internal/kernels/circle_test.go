package kernels

import (
	"math"
	"math/rand/v2"
	"testing"
)

// about are edges scattered about an ellipse, their gradients more or less along its
// normals.
func about(r *rand.Rand, n int, e Ring, cx, cy float64) Edges {
	out := MakeEdges(n)
	for i := range n {
		a, d, turn := 2*math.Pi*r.Float64(), 1+0.25*r.NormFloat64(), 0.4*r.NormFloat64()
		u, v := e.SemiMajor*math.Cos(a)*d, e.SemiMinor*math.Sin(a)*d
		nu, nv := math.Cos(a)/e.SemiMajor, math.Sin(a)/e.SemiMinor
		l := math.Hypot(nu, nv)
		nx, ny := (e.Cos*nu-e.Sin*nv)/l, (e.Sin*nu+e.Cos*nv)/l
		if r.IntN(2) == 0 {
			nx, ny = -nx, -ny
		}
		s, c := math.Sincos(turn)
		out.X[i], out.Y[i] = float32(cx+e.CX+e.Cos*u-e.Sin*v), float32(cy+e.CY+e.Sin*u+e.Cos*v)
		out.GX[i], out.GY[i] = float32(c*nx-s*ny), float32(s*nx+c*ny)
	}
	return out
}

// gridOf is edges sorted into cells.
func gridOf(e Edges, side, w, h int) *Grid {
	g := &Grid{Edges: MakeEdges(len(e.X)), First: make([]int32, 1, w*h+1), Side: side, W: w, H: h}
	n := 0
	for c := range w * h {
		for i := range e.X {
			if int(e.Y[i])/side*w+int(e.X[i])/side == c {
				g.X[n], g.Y[n], g.GX[n], g.GY[n] = e.X[i], e.Y[i], e.GX[i], e.GY[i]
				n++
			}
		}
		g.First = append(g.First, int32(n))
	}
	return g
}

func TestEdgesAroundAreThoseInTwoAnnuli(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(81, 82))
		const side, w, h = 16, 12, 9
		e := MakeEdges(2000)
		for i := range e.X {
			// Whole pixels, as edges are.
			e.X[i], e.Y[i] = float32(r.IntN(side*w)), float32(r.IntN(side*h))
			e.GX[i], e.GY[i] = r.Float32(), r.Float32()
		}
		g := gridOf(e, side, w, h)
		for range 300 {
			x, y := side*w*r.Float64(), side*h*r.Float64()
			in := Annulus{X: x, Y: y, Least: 20 * r.Float64(), Most: 100 * r.Float64()}
			about := Annulus{X: x + 9*r.NormFloat64(), Y: y + 9*r.NormFloat64(), Least: 100*r.Float64() - 10}
			about.Most = max(0, about.Least) + 60*r.Float64()
			var a Near
			a.Around(g, in, about)
			n := 0
			holds := func(a Annulus, x, y float32) bool {
				lo, hi, d2 := float32(max(0, a.Least)), float32(a.Most), float32(x*x)+float32(y*y)
				return d2 > lo*lo && d2 < hi*hi
			}
			for i := range g.X {
				dx, dy := g.X[i]-float32(x), g.Y[i]-float32(y)
				if !holds(in, dx, dy) || !holds(about, dx-float32(about.X-x), dy-float32(about.Y-y)) {
					continue
				}
				if n == len(a.X) || a.Index[n] != int32(i) || a.X[n] != dx || a.Y[n] != dy || a.GX[n] != g.GX[i] || a.GY[n] != g.GY[i] {
					t.Fatalf("edge %d is not among those in %v and %v", i, in, about)
				}
				n++
			}
			if n != len(a.X) {
				t.Fatalf("%d edges, should be %d", len(a.X), n)
			}
		}
	})
}

func TestNearestIsTheNearestInEachDirection(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(7, 8))
		seen := 0
		for range 200 {
			angle := math.Pi * r.Float64()
			e := Ring{CX: r.NormFloat64(), CY: r.NormFloat64(), Cos: math.Cos(angle), Sin: math.Sin(angle), SemiMajor: 20 + 10*r.Float64(), LeastCos: 0.85}
			e.SemiMinor = e.SemiMajor * (0.8 + 0.2*r.Float64())
			e.Radius = math.Sqrt(e.SemiMajor * e.SemiMinor)
			e.Tolerance = 0.1*e.Radius + 0.9
			const cx, cy = 400.0, 300.0
			edges := about(r, 300+r.IntN(9), e, cx, cy)
			const side, cells = 25, 40
			g := gridOf(edges, side, cells, cells)
			edges = g.Edges
			var a Near
			least, most := 0.55*e.Radius, 1.7*e.Radius
			wide := Annulus{X: cx, Y: cy, Least: least, Most: most}
			a.Around(g, wide, wide)
			counts := make([]float64, len(edges.X))
			for i := range counts {
				counts[i] = r.Float64()
			}
			var c, again Chosen
			a.Nearest(e, counts, &again)

			// Those far from the ring never were the nearest.
			a.Around(g, wide, Annulus{X: cx + e.CX, Y: cy + e.CY, Least: 0.8*e.SemiMinor - e.Tolerance, Most: 1.2*e.SemiMajor + e.Tolerance})
			if len(a.X) == len(edges.X) {
				t.Error("none was left out")
			}
			a.Nearest(e, counts, &c)
			if len(c.Edge) != len(again.Edge) {
				t.Fatal("an edge near the ring was left out")
			}
			sum := 0.0
			for k, i := range c.Edge {
				if c.Weight[k] != counts[i] {
					t.Fatalf("edge %d counts %v, should be %v", i, c.Weight[k], counts[i])
				}
				sum += counts[i]
			}
			if !near(c.Sum, sum, 1e-12) {
				t.Fatalf("all count %v, should be %v", c.Sum, sum)
			}

			// off is how far an edge lies off the ring; false where it doesn't count.
			off := func(i int) (float64, bool) {
				dx, dy := float64(edges.X[i])-cx, float64(edges.Y[i])-cy
				if d := math.Hypot(dx, dy); d <= least || d >= most {
					return 0, false
				}
				dx, dy = dx-e.CX, dy-e.CY
				u, v := (e.Cos*dx+e.Sin*dy)/e.SemiMajor, (-e.Sin*dx+e.Cos*dy)/e.SemiMinor
				nu, nv := u/e.SemiMajor, v/e.SemiMinor
				nx, ny := e.Cos*nu-e.Sin*nv, e.Sin*nu+e.Cos*nv
				g := math.Abs(nx*float64(edges.GX[i])+ny*float64(edges.GY[i])) / math.Hypot(nx, ny)
				o := math.Abs(math.Hypot(u, v)-1) * e.Radius
				return o, g > e.LeastCos && o < e.Tolerance
			}
			var want [Directions]float64
			for i := range want {
				want[i] = math.Inf(1)
			}
			direction := func(i int) int {
				turn := math.Atan2(float64(edges.Y[i])-cy-e.CY, float64(edges.X[i])-cx-e.CX) / (2 * math.Pi) * Directions
				if turn < 0 {
					turn += Directions
				}
				return int(turn) % Directions
			}
			for i := range edges.X {
				if o, ok := off(i); ok {
					want[direction(i)] = min(want[direction(i)], o)
				}
			}
			wrong, last := 0, -1
			for _, i := range c.Edge {
				got, _ := off(int(i))
				b := direction(int(i))
				if b <= last || math.Abs(got-want[b]) > 1e-4 {
					wrong++ // an edge on the border of two directions, or of what counts
				}
				last = b
				want[b] = math.Inf(1)
				seen++
			}
			for _, o := range want {
				if !math.IsInf(o, 1) {
					wrong++
				}
			}
			if wrong > 2 {
				t.Fatalf("%d of %d directions have another edge", wrong, Directions)
			}
		}
		if seen < 200*Directions/3 {
			t.Errorf("only %d edges to compare", seen)
		}
	})
}

func TestNearestOfNoneIsNone(t *testing.T) {
	var a Near
	a.Around(&Grid{First: make([]int32, 2), Side: 8, W: 1, H: 1}, Annulus{Most: 9}, Annulus{Most: 9})
	c := Chosen{Edge: []int32{5}, Weight: []float64{1}, Sum: 1}
	a.Nearest(Ring{SemiMajor: 1, SemiMinor: 1, Radius: 1, Tolerance: 1}, nil, &c)
	if len(c.Edge) != 0 || len(c.Weight) != 0 || c.Sum != 0 {
		t.Fatal("there is an edge where there is none")
	}
}

func TestRoundVotesAreThoseOfEachPixel(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(9, 10))
		const w, h = 40, 30
		tensor := MakeTensor(make([]float32, TensorRoom(w*h)), w*h)
		for i := range tensor.All {
			// A ring of edges about the middle, in noise.
			x, y := float64(i%w)-20, float64(i/w)-15
			d := math.Hypot(x, y) + 1e-9
			g := 30 * math.Exp(-sq(d-6)) * (1 + 0.3*r.NormFloat64())
			gx, gy := g*x/d+r.NormFloat64(), g*y/d+r.NormFloat64()
			tensor.Dif[i], tensor.Mix[i], tensor.All[i] = float32(gx*gx-gy*gy), float32(gx*gy), float32(gx*gx+gy*gy)
		}
		var steps [RoundDirs][RoundAt]int32
		var turned [RoundDirs][2]float32
		for k := range steps {
			s, c := math.Sincos(2 * math.Pi * float64(k) / RoundDirs)
			turned[k] = [2]float32{float32(c*c - s*s), float32(4 * c * s)}
			for l, q := range [RoundAt]float64{3, 6, 6.5} {
				steps[k][l] = int32(math.Round(q*s))*w + int32(math.Round(q*c))
			}
		}
		const wide, high = 19, 10
		votes := make([]float32, wide*high+32)
		var rows []Span
		for y := range high {
			rows = append(rows, Span{First: int32((y+10)*w + 10), N: wide, At: int32(y * wide)})
		}
		tensor.RoundVotes(votes, rows, &steps, &turned, 12)
		some := 0
		for y, row := range rows {
			first := int(row.First)
			for i, got := range votes[y*wide:][:wide] {
				total, third := 0.0, 0.0
				for pass := range 3 {
					for k := pass; k < RoundDirs; k += 3 {
						var d, m, a float64
						for _, s := range steps[k] {
							j := first + i + int(s)
							d, m, a = d+float64(tensor.Dif[j]), m+float64(tensor.Mix[j]), a+float64(tensor.All[j])
						}
						total += (float64(turned[k][0])*d + float64(turned[k][1])*m) / (a + 12)
					}
					if pass == 0 {
						third = total
					}
				}
				want := total / RoundDirs
				if third <= 0 {
					want = 0
				}
				if math.Abs(third) > 1e-4 && !near(float64(got), want, 1e-5) {
					t.Fatalf("pixel %d: %v, should be %v", first+i, got, want)
				}
				if want > 0.3 {
					some++
				}
			}
		}
		if some == 0 {
			t.Error("nothing round was seen")
		}
		for _, v := range votes[wide*high:] {
			if v != 0 {
				t.Fatal("what follows the last row is not 0")
			}
		}
	})
}

// turns are the directions.
func turns() (t Turn, turned [RoundDirs][2]float32) {
	for k := range RoundDirs {
		s, c := math.Sincos(2 * math.Pi * float64(k) / RoundDirs)
		t[0][k], t[1][k] = c, s
		turned[k] = [2]float32{float32(c*c - s*s), float32(4 * c * s)}
	}
	return t, turned
}

func TestRoundVoteIsOfItsPixels(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(61, 62))
		const w = 40
		tensor := make([][3]float32, w*w)
		for i := range tensor {
			a, b, c := r.NormFloat64(), r.NormFloat64(), r.Float64()
			tensor[i] = [3]float32{float32(a), float32(b), float32(1 + c)}
		}
		turn, turned := turns()
		for range 100 {
			x, y := 15+9*r.Float64(), 15+9*r.Float64()
			radii := []float64{14 * r.Float64(), 14 * r.Float64(), 3}[:1+r.IntN(3)]
			want := float32(0)
			for k := range RoundDirs {
				var s [3]float32
				for _, q := range radii {
					for n, v := range tensor[int(y+q*turn[1][k])*w+int(x+q*turn[0][k])] {
						s[n] += v
					}
				}
				want += (turned[k][0]*s[0] + turned[k][1]*s[1]) / (s[2] + 2)
			}
			if got := RoundVote(tensor, w, [2]float64{x, y}, radii, &turn, &turned, 2); got != want {
				t.Fatalf("%g, should be %g", got, want)
			}
		}
	})
}

func TestRingsReadBetweenPixels(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(63, 64))
		const w = 23
		lab := make([][3]float64, w*w)
		for i := range lab {
			lab[i] = [3]float64{100 * r.Float64(), r.NormFloat64(), r.NormFloat64()}
		}
		turn, _ := turns()
		share := [3]float64{1, 0.7, 0.5}
		for range 50 {
			at := [2]float64{w * r.Float64(), w * r.Float64()}
			radii := []float64{1, 4 * r.Float64(), 12 * r.Float64()}
			out := make([][3]float64, len(radii)*RoundDirs)
			Rings(out, lab, w, at, radii, &turn, &share)
			for l := range radii {
				for k, got := range out[l*RoundDirs:][:RoundDirs] {
					x := max(0, min(w-1.001, at[0]+radii[l]*turn[0][k]))
					y := max(0, min(w-1.001, at[1]+radii[l]*turn[1][k]))
					for q := range got {
						want := share[q] * bilinear(x, y, func(x, y int) float64 { return lab[y*w+x][q] })
						if !near(got[q], want, 1e-12) {
							t.Fatalf("at %g, %g: %v, should have %g", x, y, got, want)
						}
					}
				}
			}
		}
	})
}

func TestTensorRowIsOfScharrsGradients(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(75, 76))
		const w, h = 19, 7
		lab := make([][3]float64, w*h)
		for i := range lab {
			lab[i] = [3]float64{100 * r.Float64(), 30 * r.NormFloat64(), 30 * r.NormFloat64()}
		}
		for y := 1; y < h-1; y++ {
			const from, n = 2, w - 3
			out, all := make([][3]float32, n), make([]float64, n)
			TensorRow(out, all, lab, w, y*w+from)
			for x := range n {
				var xx, xy, yy float64
				for q, share := range [3]float64{1, 0.25, 0.25} {
					var gx, gy float64
					for k := -1; k <= 1; k++ {
						smooth := float64(10-7*k*k) / 32
						at := func(a, b int) float64 { return lab[(y+b)*w+from+x+a][q] }
						gx += smooth * (at(1, k) - at(-1, k))
						gy += smooth * (at(k, 1) - at(k, -1))
					}
					xx, xy, yy = xx+share*gx*gx, xy+share*gx*gy, yy+share*gy*gy
				}
				for q, want := range [3]float64{xx - yy, xy, xx + yy} {
					if math.Abs(float64(out[x][q])-want) > 1e-6*(xx+yy) || math.Abs(all[x]-xx-yy) > 1e-12*(xx+yy) {
						t.Fatalf("pixel %d, %d: %v and %g, should have %g", from+x, y, out[x], all[x], want)
					}
				}
			}
		}
	})
}
