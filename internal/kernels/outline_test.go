package kernels

import (
	"math"
	"math/rand/v2"
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
				var all []Picked
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
						is := int32(0)
						if inner {
							is = 1
						}
						all = append(all, Picked{int32(first + best), is, offs[first+best]})
					}
				}
				if border {
					continue
				}
				if len(got) != len(all) {
					t.Fatalf("%d picked, should be %d", len(got), len(all))
				}
				for k := range all {
					if got[k] != all[k] {
						t.Fatalf("picked %v, should be %v", got[k], all[k])
					}
				}
			}
		}
	})
}

func TestCopyTakesDirections(t *testing.T) {
	_, p := look(rand.New(rand.NewPCG(13, 14)), 50)
	var half Places
	half.Reset(len(p.x), p.Directions())
	for d := 0; d < p.Directions(); d += 2 {
		from, to := p.Direction(d)
		half.Copy(p, from, to)
		half.End()
	}
	e := Probe{Cos: 1, SemiMajor: 50, SemiMinor: 50}
	terms := Terms{Tol: 3, Outside: 1, Soft: math.Inf(1), Inner: 0.3}
	for d := range half.Directions() {
		if got, want := half.Agreement(d, d+1, e, terms), p.Agreement(2*d, 2*d+1, e, terms); got != want {
			t.Fatalf("direction %d: %v, in the whole %v", d, got, want)
		}
	}
}
