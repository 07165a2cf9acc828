package kernels

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// seen are places about a circle of radius r: in each direction a few, outermost first.
type seen struct {
	x, y, speaks, against, width float64
	step                         bool
}

func look(r *rand.Rand, radius float64) (dirs [][]seen, p *Places) {
	p = new(Places)
	n := 60 + r.IntN(60)
	p.Reset(5*n, n)
	for d := range n {
		s, c := math.Sincos(2 * math.Pi * float64(d) / float64(n))
		var places []seen
		at := radius + 6*r.Float64()
		for range 1 + r.IntN(4) {
			q := seen{at * c, at * s, r.Float64(), r.Float64(), 1 + 6*r.Float64(), r.IntN(2) == 0}
			places = append(places, q)
			p.Add(float32(q.x), float32(q.y), float32(q.speaks), float32(q.against), float32(q.width), q.step)
			at -= 0.5 + 4*r.Float64()
		}
		p.End()
		dirs = append(dirs, places)
	}
	return dirs, p
}

func probeNear(r *rand.Rand, radius float64) Probe {
	s, c := math.Sincos(math.Pi * r.Float64())
	return Probe{CX: r.NormFloat64(), CY: r.NormFloat64(), Cos: c, Sin: s, SemiMajor: radius * (1 + 0.05*r.Float64()), SemiMinor: radius * (1 - 0.05*r.Float64())}
}

// off is how far outside an ellipse a place lies, to first order.
func (e Probe) off(x, y float64) float64 {
	dx, dy := x-e.CX, y-e.CY
	u, v := (e.Cos*dx+e.Sin*dy)/e.SemiMajor, (-e.Sin*dx+e.Cos*dy)/e.SemiMinor
	d := math.Hypot(u, v)
	if d == 0 {
		return -e.SemiMinor
	}
	return (d - 1) * d / math.Hypot(u/e.SemiMajor, v/e.SemiMinor)
}

func TestPlacesAgreeAsTheirTwinsDo(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(11, 12))
		for range 300 {
			radius := 20 + 300*r.Float64()
			dirs, p := look(r, radius)
			e := probeNear(r, radius)
			terms := Terms{Tol: 0.5 + 2*r.Float64(), Outside: 1.5 * r.Float64(), Soft: 2 + 6*r.Float64(), Inner: 0.35}

			i := 0
			offs := append([]float32(nil), p.Offs(e)...)
			for _, d := range dirs {
				for _, q := range d {
					if want := e.off(q.x, q.y); math.Abs(float64(offs[i])-want) > 2e-3 {
						t.Fatalf("%v px off, should be %v", offs[i], want)
					}
					i++
				}
			}

			from, to := r.IntN(len(dirs)/2), len(dirs)-r.IntN(5)
			want := 0.0
			border := false // a place so near to a limit that rounding decides
			for k, d := range dirs[from:to] {
				best, covered := 0.0, false
				first, _ := p.Direction(from + k)
				for j, q := range d {
					o := float64(offs[first+j])
					border = border || math.Abs(math.Abs(o)-terms.Tol) < 1e-3
					if o <= -terms.Tol {
						break
					}
					wide := q.width > terms.Soft
					switch {
					case o < terms.Tol:
						w := q.speaks * (1 - o*o/(terms.Tol*terms.Tol))
						if wide {
							w *= 0.1
						}
						if !q.step || covered {
							w *= terms.Inner
						}
						best = max(best, w)
					case q.step && !covered && !wide:
						want -= terms.Outside * q.against
					}
					covered = covered || q.step && !wide
				}
				want += best
			}
			if got := p.Agreement(from, to, e, terms); !border && math.Abs(got-want) > 1e-4*math.Max(1, math.Abs(want)) {
				t.Fatalf("agreement %v, should be %v", got, want)
			}

			for _, settled := range [2]bool{false, true} {
				got := p.Pick(e, terms.Tol, terms.Soft, settled)
				var all Picks
				for k, d := range dirs {
					first, _ := p.Direction(k)
					best, covered, inner := -1, false, false
					for j, q := range d {
						o := float64(offs[first+j])
						if o >= terms.Tol {
							covered = covered || q.step && q.width <= terms.Soft
							continue
						}
						if o <= -terms.Tol {
							continue
						}
						if settled && q.step {
							best, inner = j, covered
							break
						}
						if best < 0 || math.Abs(o) < math.Abs(float64(offs[first+best])) {
							best, inner = j, covered || !q.step
						}
					}
					if best >= 0 {
						all.Place, all.Seen = append(all.Place, int32(first+best)), append(all.Seen, int32(first+best))
						all.Inner, all.Off = append(all.Inner, inner), append(all.Off, offs[first+best])
					}
				}
				if border {
					continue
				}
				if !slices.Equal(got.Place, all.Place) || !slices.Equal(got.Seen, all.Seen) || !slices.Equal(got.Inner, all.Inner) || !slices.Equal(got.Off, all.Off) {
					t.Fatalf("picked %v, should be %v", got, all)
				}
			}
		}
	})
}

func TestTakeTakesDirections(t *testing.T) {
	both(t, func(t *testing.T) {
		_, p := look(rand.New(rand.NewPCG(13, 14)), 50)
		var some []int32
		for d := range p.Directions() {
			if d%3 != 1 {
				some = append(some, int32(p.Directions()-1-d))
			}
		}
		var part Places
		part.Take(p, some)
		if part.Directions() != len(some) {
			t.Fatalf("%d directions, should be %d", part.Directions(), len(some))
		}
		e := Probe{Cos: 1, SemiMajor: 50, SemiMinor: 50}
		terms := Terms{Tol: 3, Outside: 1, Soft: 4, Inner: 0.3}
		for i, d := range some {
			from, to := part.Direction(i)
			first, last := p.Direction(int(d))
			if to-from != last-first {
				t.Fatalf("direction %d: %d places, should be %d", i, to-from, last-first)
			}
			for j := range to - from {
				if part.Seen(from+j) != first+j || part.Step(from+j) != p.Step(first+j) {
					t.Fatalf("direction %d: place %d is another", i, j)
				}
			}
			if got, want := part.Agreement(i, i+1, e, terms), p.Agreement(int(d), int(d)+1, e, terms); got != want {
				t.Fatalf("direction %d: %v, in the whole %v", i, got, want)
			}
		}
	})
}

func TestWithinTakesWhatLiesNear(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(15, 16))
		for range 100 {
			radius := 20 + 300*r.Float64()
			dirs, p := look(r, radius)
			e, reach := probeNear(r, radius), 4*r.Float64()
			off := append([]float32(nil), p.Offs(e)...)
			var near Places
			near.Within(p, e, reach)
			at := 0
			for d := range dirs {
				var want []int
				from, to := p.Direction(d)
				for i := from; i < to; i++ {
					o := float64(off[i])
					if o <= reach && o > -reach {
						want = append(want, i)
					} else if len(want) > 0 || o <= -reach {
						break
					}
				}
				if len(want) == 0 {
					continue
				}
				if at >= near.Directions() {
					t.Fatalf("%d directions are too few", at)
				}
				first, last := near.Direction(at)
				if last-first != len(want) {
					t.Fatalf("direction %d: %d places, should be %v", d, last-first, want)
				}
				for i, w := range want {
					if near.Seen(first+i) != w || near.x[first+i] != p.x[w] || near.speaks[first+i] != p.speaks[w] || near.against[first+i] != p.against[w] || near.width[first+i] != p.width[w] {
						t.Fatalf("direction %d: place %d is not %d", d, i, w)
					}
				}
				at++
			}
			if at != near.Directions() {
				t.Fatalf("%d directions, should be %d", near.Directions(), at)
			}
		}
	})
}

func TestBestIsTheFirstThatAgreesMost(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(17, 18))
		passed := 0
		for range 100 {
			radius := 20 + 300*r.Float64()
			dirs, p := look(r, radius)
			few := len(dirs) / 4
			terms := Terms{Tol: 0.5 + 2*r.Float64(), Outside: 1.5 * r.Float64(), Soft: math.Inf(1), Inner: 0.35}
			probes := make([]Probe, 50)
			for i := range probes {
				if probes[i] = probeNear(r, radius+5*r.Float64()); i > 0 && r.IntN(4) == 0 {
					probes[i] = probes[i-1]
				}
			}
			const hopeless = 0.6
			want, most, mostFirst := -1, 0.0, 0.0
			for i, e := range probes {
				first := p.Agreement(0, few, e, terms)
				if first < hopeless*mostFirst {
					passed++
					continue
				}
				if s := first + p.Agreement(few, len(dirs), e, terms); s > most {
					want, most, mostFirst = i, s, first
				}
			}
			if got := p.Best(probes, few, hopeless, terms); got != want {
				t.Fatalf("number %d is best, should be %d", got, want)
			}
		}
		if passed == 0 {
			t.Error("no ellipse was hopeless")
		}
	})
}
