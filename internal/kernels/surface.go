package kernels

// #cgo noescape tw_surface_sums
// #cgo nocallback tw_surface_sums
// #cgo noescape tw_surface_offs
// #cgo nocallback tw_surface_offs
// #include "kernels.h"
import "C"

// Spots are places of a picture with three values each, that surfaces of second degree
// are fitted to: coefficients are of 1, x, y, xx, xy and yy.
type Spots struct {
	n    int
	x, y []float64 // with those below rows of one room
	v    [3][]float64
	w    []float64 // what each counts
	off  []float64
}

// MakeSpots has room for n.
func MakeSpots(n int) *Spots {
	m := n + 8 // C reads and writes by fours
	all := make([]float64, 7*m)
	cut := func(i int) []float64 { return all[i*m : (i+1)*m] }
	return &Spots{x: cut(0), y: cut(1), v: [3][]float64{cut(2), cut(3), cut(4)}, w: cut(5), off: cut(6)}
}

// Add adds a place. There must be room for it.
func (s *Spots) Add(x, y float64, v [3]float64) {
	s.x[s.n], s.y[s.n], s.v[0][s.n], s.v[1][s.n], s.v[2][s.n] = x, y, v[0], v[1], v[2]
	s.n++
}

// Len is how many there are.
func (s *Spots) Len() int { return s.n }

// Values are a copy of one of the three values of all, valid until Offs is called.
func (s *Spots) Values(k int) []float64 {
	copy(s.off, s.v[k][:s.n])
	return s.off[:s.n]
}

// Weigh says what each place counts, by Tukey's biweight of how far the value that lies
// farthest off its surface does, in units of four times its scale, and adds up the normal
// equations by that. Their right sides are those of each value.
func (s *Spots) Weigh(coef *[3][6]float64, scale *[3]float64) (normal [6][6]float64, sides [3][6]float64) {
	if s.n == 0 {
		return normal, sides
	}
	var m [15]float64
	C.tw_surface_sums(f64(&s.x[0]), f64(&s.y[0]), f64(&s.v[0][0]), C.long(len(s.x)), C.int(s.n), f64(&coef[0][0]), f64(&scale[0]),
		f64(&s.w[0]), f64(&m[0]), f64(&sides[0][0]))
	// A product of two terms is one whose powers add up; those of a degree d begin at
	// d (d + 1) / 2, and go on by the power of y.
	powers := [6][2]int{{0, 0}, {1, 0}, {0, 1}, {2, 0}, {1, 1}, {0, 2}}
	for i, p := range powers {
		for j, q := range powers {
			d := p[0] + p[1] + q[0] + q[1]
			normal[i][j] = m[d*(d+1)/2+p[1]+q[1]]
		}
	}
	return normal, sides
}

// Counting is how many places count for anything.
func (s *Spots) Counting() (n int) {
	for _, w := range s.w[:s.n] {
		if w > 0 {
			n++
		}
	}
	return n
}

// Offs is how far, without sign, value k lies off a surface at each place that counts.
// It is valid until it is called again.
func (s *Spots) Offs(k int, coef *[6]float64) []float64 {
	if s.n == 0 {
		return nil
	}
	n := C.tw_surface_offs(f64(&s.x[0]), f64(&s.y[0]), f64(&s.v[k][0]), f64(&s.w[0]), C.int(s.n), f64(&coef[0]), f64(&s.off[0]))
	return s.off[:n]
}
