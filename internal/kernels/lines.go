package kernels

// #cgo noescape tw_average
// #cgo nocallback tw_average
// #cgo noescape tw_cut
// #cgo nocallback tw_cut
// #cgo noescape tw_ribs
// #cgo nocallback tw_ribs
// #include "kernels.h"
import "C"

// Average smooths places by weights that add up to sum: each is the mean of as many of
// at as there are weights, from that of the same number on.
func Average(out, at [][2]float64, weights []float64, sum float64) {
	if len(out) == 0 || len(weights) == 0 {
		return
	}
	_ = at[len(out)+len(weights)-2]
	C.tw_average(f64(&at[0][0]), C.int(len(out)), f64(&weights[0]), C.int(len(weights)), C.double(sum), f64(&out[0][0]))
}

// A Disc is what is cut across: a marble's face, and a map of its colours that reaches
// past the face. Both are square, with the marble in the middle.
type Disc struct {
	Of         []int8    // colours of the map
	Far2       []float64 // squared distance, px, of the nearest pixel whose colour is known
	Lab        [][3]float64
	Mask       []uint8
	Wide, Size int     // of the map and of the face, px
	Radius     float64 // of the marble, px
	Rim        float64 // where the rim begins, radii
	Known      float64 // how far off, px, the map still knows a colour
	Weight     float64 // of lightness
	Kinds      uint8   // bits of the mask
	Plain      uint8   // what they are where colours are read
	Clear      int     // how many steps a cut goes on past an edge
	// Arcs are the cosines and sines of whole numbers of steps along a great circle.
	Arcs [][2]float64
	c    C.tw_disc // here, so that handing it over allocates nothing
}

// A Cut is what is seen along a great circle from a place on the sphere: step by step
// the colour that the map has there, and the face's CIELAB, its lightness weighted.
type Cut struct {
	From, Towards [3]float64 // unit vectors: the place, and the tangent that it goes along
	Of            []int8
	Lab           [][3]float64
	Edge          int32 // the first step at which the map has another colour than own, -1 for none
}

// Cut follows one, as far as colours are seen within the rim, and some steps past where
// the map's colour is no longer own.
func (d *Disc) Cut(c *Cut, own int8) {
	steps := len(d.Arcs)
	if cap(c.Of) < steps || cap(c.Lab) < steps {
		c.Of, c.Lab = make([]int8, steps), make([][3]float64, steps)
	}
	c.Of, c.Lab, c.Edge = c.Of[:steps], c.Lab[:steps], -1
	if steps == 0 {
		return
	}
	_, _, _, _ = d.Of[d.Wide*d.Wide-1], d.Far2[d.Wide*d.Wide-1], d.Lab[d.Size*d.Size-1], d.Mask[d.Size*d.Size-1]
	d.within()
	d.c = C.tw_disc{
		wide: C.int(d.Wide), size: C.int(d.Size), radius: C.double(d.Radius), rim2: C.double(d.Rim * d.Rim), known2: C.double(d.Known * d.Known),
		weight: C.double(d.Weight), steps: C.int(steps), clear: C.int(d.Clear), kinds: C.uint8_t(d.Kinds), plain: C.uint8_t(d.Plain),
	}
	n := C.tw_cut(&d.c, (*C.int8_t)(&d.Of[0]), f64(&d.Far2[0]), f64(&d.Lab[0][0]), (*C.uint8_t)(&d.Mask[0]), f64(&d.Arcs[0][0]), f64(&c.From[0]),
		f64(&c.Towards[0]), C.int(own), (*C.int8_t)(&c.Of[0]), f64(&c.Lab[0][0]), i32(&c.Edge))
	c.Of, c.Lab = c.Of[:n], c.Lab[:n]
}

// Ribs goes along the great circle of a cut, from as many steps before its place as
// there are arcs beyond the first to as many after it, and appends to out where the map
// has a colour other than base, 0 or 1; within the rim, from the last place before the
// middle that lies beyond it. out must have room for all steps.
func (d *Disc) Ribs(out []uint8, c *Cut, base int8) []uint8 {
	steps, k := len(d.Arcs)-1, len(out)
	if steps < 0 {
		return out
	}
	out = out[:k+2*steps+1]
	_ = d.Of[d.Wide*d.Wide-1]
	d.within()
	return out[:k+int(C.tw_ribs((*C.int8_t)(&d.Of[0]), C.int(d.Wide), C.double(d.Radius), C.double(d.Rim*d.Rim), f64(&d.Arcs[0][0]), C.int(steps),
		f64(&c.From[0]), f64(&c.Towards[0]), C.int(base), (*C.uint8_t)(&out[k])))]
}

// within panics where the map ends within the rim.
func (d *Disc) within() {
	if d.Rim*d.Radius > float64(d.Wide-1)/2 {
		panic("a map that ends within the rim")
	}
}
