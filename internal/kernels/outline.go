package kernels

// #cgo noescape tw_offs
// #cgo nocallback tw_offs
// #cgo noescape tw_agreement
// #cgo nocallback tw_agreement
// #cgo noescape tw_pick
// #cgo nocallback tw_pick
// #include "kernels.h"
import "C"

import "unsafe"

// Places are those seen around a marble, direction by direction and outermost first in
// each. The zero value has none.
type Places struct {
	x, y            []float32
	speaks, against []float32
	width           []float32
	step            []uint8
	ends            []int32 // where each direction's begin; one more than there are
	off             []float32
	picked          []Picked
}

// eight is how far C reads and writes from a number on: by eights.
func eight(n int) int { return (n + 7) &^ 7 }

// Reset forgets all, and makes room for n places in so many directions.
func (p *Places) Reset(n, directions int) {
	if m := eight(n) + 8; cap(p.x) < m {
		all := make([]float32, 6*m)
		cut := func(i int) []float32 { return all[i*m : (i+1)*m : (i+1)*m] }
		p.x, p.y, p.speaks, p.against, p.width, p.off, p.step = cut(0), cut(1), cut(2), cut(3), cut(4), cut(5), make([]uint8, m)
	}
	p.x, p.y, p.speaks, p.against, p.width, p.step = p.x[:0], p.y[:0], p.speaks[:0], p.against[:0], p.width[:0], p.step[:0]
	if cap(p.ends) <= directions {
		p.ends, p.picked = make([]int32, 0, directions+1), make([]Picked, directions)
	}
	p.ends = append(p.ends[:0], 0)
}

// Add adds a place to the last direction: where it lies (px, from any one place), what
// it says for an outline on it and against one inside it, how wide the change is that
// was seen there (px), and whether it is a step. There must be room for it; see Reset.
func (p *Places) Add(x, y, speaks, against, width float32, step bool) {
	n := len(p.x)
	p.x, p.y, p.speaks, p.against, p.width, p.step = p.x[:n+1], p.y[:n+1], p.speaks[:n+1], p.against[:n+1], p.width[:n+1], p.step[:n+1]
	p.x[n], p.y[n], p.speaks[n], p.against[n], p.width[n], p.step[n] = x, y, speaks, against, width, 0
	if step {
		p.step[n] = 1
	}
}

// Copy adds places from to before to of others to the last direction.
func (p *Places) Copy(o *Places, from, to int) {
	p.x, p.y = append(p.x, o.x[from:to]...), append(p.y, o.y[from:to]...)
	p.speaks, p.against = append(p.speaks, o.speaks[from:to]...), append(p.against, o.against[from:to]...)
	p.width, p.step = append(p.width, o.width[from:to]...), append(p.step, o.step[from:to]...)
}

// End ends the last direction: what is added next belongs to another.
func (p *Places) End() { p.ends = append(p.ends, int32(len(p.x))) }

// Directions is how many were ended.
func (p *Places) Directions() int { return max(0, len(p.ends)-1) }

// Direction is which places belong to a direction: from the first to before the last.
func (p *Places) Direction(d int) (from, to int) { return int(p.ends[d]), int(p.ends[d+1]) }

// Step says whether a place is a step.
func (p *Places) Step(i int) bool { return p.step[i] != 0 }

// Probe is an ellipse, in the places' coordinates: its middle, the direction of its
// longer axis, and its semi-axes, px.
type Probe struct{ CX, CY, Cos, Sin, SemiMajor, SemiMinor float64 }

func (e Probe) c() C.tw_probe {
	return C.tw_probe{C.float(e.CX), C.float(e.CY), C.float(e.Cos), C.float(e.Sin), C.float(1 / e.SemiMajor), C.float(1 / e.SemiMinor)}
}

// Offs is how far outside an ellipse each place lies, px, along its normal to first
// order. It is valid until the places are next asked something.
func (p *Places) Offs(e Probe) []float32 {
	n := len(p.x)
	if n == 0 {
		return nil
	}
	c := e.c()
	C.tw_offs(f32(&p.x[0]), f32(&p.y[0]), C.int(n), &c, f32(&p.off[:n][0]))
	return p.off[:n]
}

// Terms say how places speak for an ellipse and against it.
type Terms struct {
	Tol     float64 // how near a place must lie to speak for it, px
	Outside float64 // what a step outside counts against it
	Soft    float64 // steps wider than this count a tenth for it, and nothing against it
	Inner   float64 // what a place counts for it that is no step, or has one outside it
}

// Agreement is how well directions from to before to agree with an ellipse: the sum
// of what the strongest place near it says for it in each, less what a step outside
// it says against it.
func (p *Places) Agreement(from, to int, e Probe, t Terms) float64 {
	if from >= to || p.ends[from] == p.ends[to] {
		return 0
	}
	c := e.c()
	terms := C.tw_terms{C.float(t.Tol), C.float(t.Outside), C.float(t.Soft), C.float(t.Inner)}
	off := p.off[:eight(len(p.x))]
	return float64(C.tw_agreement(f32(&p.x[0]), f32(&p.y[0]), f32(&p.speaks[0]), f32(&p.against[0]), f32(&p.width[0]), (*C.uint8_t)(&p.step[0]),
		(*C.int32_t)(&p.ends[0]), C.int(from), C.int(to), &c, &terms, f32(&off[0])))
}

// Picked is the place chosen in one direction: which it is, whether a step was seen
// outside it (1) so that it may be a ring inside, and how far it lies outside the
// ellipse, px.
type Picked struct {
	Place, Inner int32
	Off          float32
}

// Pick chooses in each direction the place that serves an ellipse best: within tol of
// it, the nearest while the outline is still being found, the outermost step once it is
// (settled). What it gives is valid until it is called again.
func (p *Places) Pick(e Probe, tol, soft float64, settled bool) []Picked {
	dirs := p.Directions()
	if len(p.x) == 0 {
		return nil
	}
	c := e.c()
	s := C.int(0)
	if settled {
		s = 1
	}
	out, off := p.picked[:dirs], p.off[:eight(len(p.x))]
	n := C.tw_pick(f32(&p.x[0]), f32(&p.y[0]), f32(&p.width[0]), (*C.uint8_t)(&p.step[0]), (*C.int32_t)(&p.ends[0]), C.int(dirs), &c,
		C.float(tol), C.float(soft), s, f32(&off[0]), (*C.tw_picked)(unsafe.Pointer(&out[0])))
	return out[:n]
}
