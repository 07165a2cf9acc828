package kernels

// #cgo noescape tw_within
// #cgo nocallback tw_within
// #cgo noescape tw_take
// #cgo nocallback tw_take
// #cgo noescape tw_offs
// #cgo nocallback tw_offs
// #cgo noescape tw_agreement
// #cgo nocallback tw_agreement
// #cgo noescape tw_best
// #cgo nocallback tw_best
// #cgo noescape tw_pick
// #cgo nocallback tw_pick
// #include "kernels.h"
import "C"

import (
	"slices"
	"unsafe"
)

// Places are those seen around a marble, direction by direction and outermost first in
// each. The zero value has none.
type Places struct {
	x, y            []float32 // with those below, and off, rows of one room
	speaks, against []float32
	width           []float32
	off             []float32
	step            []uint8
	seen            []int32 // which each is among those that they were taken from
	ends            []int32 // where each direction's begin; one more than there are
	picks           Picks
	room            []float32
	eights          []int32
}

// eight is how far C reads and writes from a number on: by eights.
func eight(n int) int { return (n + 7) &^ 7 }

// Reset forgets all, and makes room for n places in so many directions.
func (p *Places) Reset(n, directions int) {
	if m := eight(n) + 8; cap(p.x) < m {
		all := make([]float32, 6*m)
		cut := func(i int) []float32 { return all[i*m : (i+1)*m : (i+1)*m] }
		p.x, p.y, p.speaks, p.against, p.width, p.off = cut(0), cut(1), cut(2), cut(3), cut(4), cut(5)
		p.step, p.seen = make([]uint8, m), make([]int32, m)
	}
	if cap(p.ends) <= directions {
		p.ends, p.picks = make([]int32, directions+1), makePicks(directions)
	}
	p.sized(0)
	p.ends = append(p.ends[:0], 0)
}

// sized says how many places there are.
func (p *Places) sized(n int) {
	p.x, p.y, p.speaks, p.against, p.width, p.step, p.seen = p.x[:n], p.y[:n], p.speaks[:n], p.against[:n], p.width[:n], p.step[:n], p.seen[:n]
}

// Add adds a place to the last direction: where it lies (px, from any one place), what
// it says for an outline on it and against one inside it, how wide the change is that
// was seen there (px), and whether it is a step. There must be room for it; see Reset.
func (p *Places) Add(x, y, speaks, against, width float32, step bool) {
	n := len(p.x)
	p.sized(n + 1)
	p.x[n], p.y[n], p.speaks[n], p.against[n], p.width[n], p.step[n], p.seen[n] = x, y, speaks, against, width, 0, int32(n)
	if step {
		p.step[n] = 1
	}
}

// End ends the last direction: what is added next belongs to another.
func (p *Places) End() { p.ends = append(p.ends, int32(len(p.x))) }

// Directions is how many were ended.
func (p *Places) Directions() int { return max(0, len(p.ends)-1) }

// Direction is which places belong to a direction: from the first to before the last.
func (p *Places) Direction(d int) (from, to int) { return int(p.ends[d]), int(p.ends[d+1]) }

// Step says whether a place is a step.
func (p *Places) Step(i int) bool { return p.step[i] != 0 }

// Seen is which a place was among those that it was first taken from, by Within.
func (p *Places) Seen(i int) int { return int(p.seen[i]) }

// c is all that C needs to know of them.
func (p *Places) c() (x *C.float, stride C.long, step *C.uint8_t, seen, ends *C.int32_t) {
	return f32(unsafe.SliceData(p.x)), C.long(cap(p.x)), (*C.uint8_t)(unsafe.SliceData(p.step)), i32(unsafe.SliceData(p.seen)), i32(unsafe.SliceData(p.ends))
}

// Within makes these places those of others that lie within reach of an ellipse, px:
// in each direction those after the ones farther out, up to the first farther in.
// Directions without any are left out.
func (p *Places) Within(o *Places, e Probe, reach float64) {
	n := o.Directions()
	p.Reset(len(o.x), n)
	if len(o.x) == 0 {
		return
	}
	probe := e.c()
	x, stride, step, seen, ends := o.c()
	ox, ostride, ostep, oseen, oends := p.c()
	n = int(C.tw_within(x, stride, step, seen, ends, C.int(n), &probe, C.double(reach), ox, ostride, ostep, oseen, oends))
	p.ends = p.ends[:n+1]
	p.sized(int(p.ends[n]))
}

// Take makes these places those of others in the given directions.
func (p *Places) Take(o *Places, directions []int32) {
	n := len(directions)
	p.Reset(len(o.x), n)
	if n == 0 {
		return
	}
	x, stride, step, seen, ends := o.c()
	ox, ostride, ostep, oseen, oends := p.c()
	C.tw_take(x, stride, step, seen, ends, i32(&directions[0]), C.int(n), ox, ostride, ostep, oseen, oends)
	p.ends = p.ends[:n+1]
	p.sized(int(p.ends[n]))
}

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
	C.tw_offs(f32(&p.x[0]), f32(&p.y[0]), C.int(n), &c, f32(&p.off[0]))
	return p.off[:n]
}

// Terms say how places speak for an ellipse and against it.
type Terms struct {
	Tol     float64 // how near a place must lie to speak for it, px
	Outside float64 // what a step outside counts against it
	Soft    float64 // steps wider than this count a tenth for it, and nothing against it
	Inner   float64 // what a place counts for it that is no step, or has one outside it
}

func (t Terms) c() C.tw_terms {
	return C.tw_terms{C.float(t.Tol), C.float(t.Outside), C.float(t.Soft), C.float(t.Inner)}
}

// Agreement is how well directions from to before to agree with an ellipse: the sum
// of what the strongest place near it says for it in each, less what a step outside
// it says against it.
func (p *Places) Agreement(from, to int, e Probe, t Terms) float64 {
	if from >= to || p.ends[from] == p.ends[to] {
		return 0
	}
	probe, terms := e.c(), t.c()
	x, stride, step, _, ends := p.c()
	return float64(C.tw_agreement(x, stride, step, ends, C.int(from), C.int(to), &probe, &terms))
}

// Best is which of several ellipses all directions agree with best, the first of those
// that are as good; -1 where none is better than nothing. Those that the first few
// directions agree with less than a share of what they say for the best one so far are
// hopeless: the others aren't asked.
func (p *Places) Best(of []Probe, few int, hopeless float64, t Terms) int {
	if len(of) == 0 || len(p.x) == 0 {
		return -1
	}
	all := p.Directions()
	slots := p.slots(0, few) + p.slots(few, all)
	p.room = slices.Grow(p.room[:0], slots*C.TW_SLOT+8) // C begins at a multiple of 32 bytes
	p.eights = slices.Grow(p.eights[:0], all/8+2)
	terms := t.c()
	x, stride, step, _, ends := p.c()
	return int(C.tw_best(x, stride, step, ends, C.int(few), C.int(all), (*C.double)(&of[0].CX), C.int(len(of)), C.double(hopeless), &terms,
		f32(unsafe.SliceData(p.room)), i32(unsafe.SliceData(p.eights))))
}

// slots is how many slots of eight directions each those from to before to fill.
func (p *Places) slots(from, to int) (n int) {
	for d := from; d < to; d += 8 {
		most := 0
		for k := d; k < min(d+8, to); k++ {
			most = max(most, int(p.ends[k+1]-p.ends[k]))
		}
		n += most
	}
	return n
}

// Picks are the places chosen, one in each direction that has any to choose.
type Picks struct {
	Place []int32   // which each is
	Seen  []int32   // which it is among those first taken from; see Within
	Inner []bool    // whether a step was seen outside it, so that it may be a ring inside
	Off   []float32 // how far it lies outside the ellipse, px
}

func makePicks(n int) Picks {
	return Picks{make([]int32, n), make([]int32, n), make([]bool, n), make([]float32, n)}
}

// Len is how many there are.
func (p *Picks) Len() int { return len(p.Place) }

// Pick chooses in each direction the place that serves an ellipse best: within tol of
// it, the nearest while the outline is still being found, the outermost step once it is
// (settled). What it gives is valid until it is called again.
func (p *Places) Pick(e Probe, tol, soft float64, settled bool) Picks {
	n := p.Directions()
	if len(p.x) == 0 {
		return Picks{}
	}
	s := C.int(0)
	if settled {
		s = 1
	}
	probe := e.c()
	x, stride, step, seen, ends := p.c()
	o := &p.picks
	n = int(C.tw_pick(x, stride, step, seen, ends, C.int(n), &probe, C.float(tol), C.float(soft), s,
		i32(&o.Place[0]), i32(&o.Seen[0]), u8(o.Inner), f32(&o.Off[0])))
	return Picks{o.Place[:n], o.Seen[:n], o.Inner[:n], o.Off[:n]}
}
