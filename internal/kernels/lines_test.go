package kernels

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

func TestAverageWeighsPlaces(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(53, 54))
		for n := 1; n < 40; n++ {
			weights := make([]float64, 1+r.IntN(9))
			sum := 0.0
			for k := range weights {
				weights[k] = r.Float64()
				sum += weights[k]
			}
			at := make([][2]float64, n+len(weights)-1)
			for i := range at {
				at[i] = [2]float64{r.NormFloat64(), r.NormFloat64()}
			}
			out := make([][2]float64, n)
			Average(out, at, weights, sum)
			for i, got := range out {
				var want [2]float64
				for k, w := range weights {
					want[0] += w * at[i+k][0]
					want[1] += w * at[i+k][1]
				}
				if want[0] /= sum; got[0] != want[0] {
					t.Fatalf("place %d of %d is %v, should be %v", i, n, got, want)
				}
				if want[1] /= sum; got[1] != want[1] {
					t.Fatalf("place %d of %d is %v, should be %v", i, n, got, want)
				}
			}
		}
	})
}

// followed is Cut, step by step.
func followed(d *Disc, c Cut, own int8) (of []int8, lab [][3]float64, edge int32) {
	edge = -1
	middle, centre := float64(d.Wide-1)/2, float64(d.Size-1)/2
	for j, a := range d.Arcs {
		var p [3]float64
		for q := range p {
			p[q] = c.From[q]*a[0] + c.Towards[q]*a[1]
		}
		if p[2] <= 0 || p[0]*p[0]+p[1]*p[1] >= d.Rim*d.Rim {
			break
		}
		cell := int(p[1]*d.Radius+middle+0.5)*d.Wide + int(p[0]*d.Radius+middle+0.5)
		if edge < 0 && d.Of[cell] != own {
			if d.Far2[cell] > d.Known*d.Known {
				break
			}
			edge = int32(j)
		}
		if edge >= 0 && j > int(edge)+d.Clear {
			break
		}
		x, y := p[0]*d.Radius+centre, p[1]*d.Radius+centre
		hidden := x < 0 || y < 0 || x >= float64(d.Size-1) || y >= float64(d.Size-1)
		for k := 0; k < 4 && !hidden; k++ {
			hidden = d.Mask[(int(y)+k/2)*d.Size+int(x)+k%2]&d.Kinds != d.Plain
		}
		if hidden {
			break
		}
		of = append(of, d.Of[cell])
		var v [3]float64
		for q := range v {
			v[q] = bilinear(x, y, func(x, y int) float64 { return d.Lab[y*d.Size+x][q] })
		}
		v[0] *= d.Weight
		lab = append(lab, v)
	}
	return of, lab, edge
}

func TestCutFollowsTheSphere(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(67, 68))
		d := Disc{Wide: 61, Size: 45, Radius: 21, Rim: 0.9, Known: 1.5, Weight: 0.6, Kinds: 5, Plain: 1, Clear: 3}
		for k := range 60 {
			s, c := math.Sincos(float64(k) * 0.03)
			d.Arcs = append(d.Arcs, [2]float64{c, s})
		}
		for i := range d.Wide * d.Wide {
			d.Of = append(d.Of, int8(i/9%5/3)-int8(r.IntN(60)/59))
			d.Far2 = append(d.Far2, float64(r.IntN(8)/3))
		}
		for range d.Size * d.Size {
			d.Lab = append(d.Lab, [3]float64{100 * r.Float64(), r.NormFloat64(), r.NormFloat64()})
			d.Mask = append(d.Mask, 1|2*uint8(r.IntN(2))|4*uint8(r.IntN(90)/89))
		}
		var c Cut
		edges, steps := 0, 0
		for range 500 {
			x, y := 1.2*r.Float64()-0.6, 1.2*r.Float64()-0.6
			s, cos := math.Sincos(7 * r.Float64())
			z := math.Sqrt(1 - x*x - y*y)
			// A tangent: across the place, turned about it.
			l := math.Hypot(x, y)
			u, v := [3]float64{-y / l, x / l, 0}, [3]float64{x * z / l, y * z / l, -l}
			c.From, c.Towards = [3]float64{x, y, z}, [3]float64{cos*u[0] + s*v[0], cos*u[1] + s*v[1], cos*u[2] + s*v[2]}
			d.Cut(&c, 0)
			of, lab, edge := followed(&d, c, 0)
			if !slices.Equal(c.Of, of) || c.Edge != edge || len(c.Lab) != len(lab) {
				t.Fatalf("%v to %d, should be %v to %d", c.Of, c.Edge, of, edge)
			}
			for j, v := range lab {
				for q := range v {
					if !near(c.Lab[j][q], v[q], 1e-12) {
						t.Fatalf("step %d is %v, should be %v", j, c.Lab[j], v)
					}
				}
			}
			steps += len(of)
			if edge >= 0 {
				edges++
			}
		}
		if edges < 50 || steps < 1000 {
			t.Errorf("only %d edges in %d steps", edges, steps)
		}
	})
}

func TestRibsAreSeenOnBothSides(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(73, 74))
		const base = 1
		d := Disc{Wide: 61, Radius: 21, Rim: 0.9}
		for k := range 40 {
			s, c := math.Sincos(float64(k) * 0.05)
			d.Arcs = append(d.Arcs, [2]float64{c, s})
		}
		for range d.Wide * d.Wide {
			d.Of = append(d.Of, int8(r.IntN(4)-1))
		}
		for range 200 {
			a, b := 7*r.Float64(), 0.8*r.Float64()
			s, cos := math.Sincos(b)
			c := Cut{From: [3]float64{s * math.Cos(a), s * math.Sin(a), cos}, Towards: [3]float64{cos * math.Cos(a), cos * math.Sin(a), -s}}
			got := d.Ribs(make([]uint8, 0, 2*len(d.Arcs)), &c, base)
			var want []uint8
			for j := 1 - len(d.Arcs); j < len(d.Arcs); j++ {
				s, cos := math.Sincos(float64(j) * 0.05)
				var p [3]float64
				for q := range p {
					p[q] = c.From[q]*cos + c.Towards[q]*s
				}
				if p[2] <= 0 || math.Hypot(p[0], p[1]) >= d.Rim {
					if j >= 0 {
						break
					}
					want = nil
					continue
				}
				o := d.Of[int(p[1]*d.Radius+30.5)*d.Wide+int(p[0]*d.Radius+30.5)]
				v := uint8(0)
				if o >= 0 && o != base {
					v = 1
				}
				want = append(want, v)
			}
			if !slices.Equal(got, want) {
				t.Fatalf("%v, should be %v", got, want)
			}
		}
	})
}
