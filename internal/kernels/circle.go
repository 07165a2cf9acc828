package kernels

// #cgo noescape tw_around
// #cgo nocallback tw_around
// #cgo noescape tw_nearest
// #cgo nocallback tw_nearest
// #cgo noescape tw_round_votes
// #cgo nocallback tw_round_votes
// #cgo noescape tw_rings
// #cgo nocallback tw_rings
// #cgo noescape tw_round_vote
// #cgo nocallback tw_round_vote
// #cgo noescape tw_tensor_row
// #cgo nocallback tw_tensor_row
// #include "kernels.h"
import "C"

import (
	"math"
	"slices"
	"unsafe"
)

// Directions is how many directions about a circle edges are sorted into.
const Directions = 8 * C.TW_EIGHTH

// Edges are edge pixels with their unit gradients, one number each in all four.
type Edges struct{ X, Y, GX, GY []float32 }

// MakeEdges has room for n.
func MakeEdges(n int) Edges {
	all := make([]float32, 4*n+8)[:4*n] // C reads by eights
	return Edges{all[:n:n], all[n : 2*n : 2*n], all[2*n : 3*n : 3*n], all[3*n:]}
}

// A Grid has edges sorted into square cells, so that those near a place are quickly found.
type Grid struct {
	Edges
	First []int32 // where each cell's edges begin among all, row by row; one more than there are cells
	Side  int     // of a cell, px
	W, H  int     // cells in a row, and in a column
}

// Near are the edges about one place, relative to it, and their numbers among all.
type Near struct {
	Edges
	Index []int32
}

// Annulus is what lies between two radii of a middle, px.
type Annulus struct{ X, Y, Least, Most float64 }

func (a Annulus) c() C.tw_annulus {
	return C.tw_annulus{C.float(a.X), C.float(a.Y), C.float(max(0, a.Least)), C.float(a.Most)}
}

// Around makes these those of the grid's edges that lie in two annuli, relative to the
// middle of the first; the second is the smaller.
func (a *Near) Around(g *Grid, in, about Annulus) {
	n := len(g.X)
	if m := eight(n) + 8; cap(a.X) < m { // C writes by eights
		a.Edges, a.Index = MakeEdges(m), make([]int32, m)
	}
	if n > 0 {
		_ = g.First[g.W*g.H]
		first, second := in.c(), about.c()
		n = int(C.tw_around(f32(&g.X[0]), f32(&g.Y[0]), f32(&g.GX[0]), f32(&g.GY[0]), i32(&g.First[0]), C.int(g.Side), C.int(g.W), C.int(g.H),
			&first, C.float(about.X-in.X), C.float(about.Y-in.Y), &second, (*C.uint8_t)(&fronts[0][0]),
			f32(&a.X[:1][0]), f32(&a.Y[:1][0]), f32(&a.GX[:1][0]), f32(&a.GY[:1][0]), i32(&a.Index[:1][0])))
	}
	a.X, a.Y, a.GX, a.GY, a.Index = a.X[:n], a.Y[:n], a.GX[:n], a.GY[:n], a.Index[:n]
}

// fronts are for each set of eight bits the places of those that are set, first to last.
var fronts = func() (t [256][8]uint8) {
	for bits := range t {
		n := 0
		for i := range uint8(8) {
			if bits>>i&1 != 0 {
				t[bits][n] = i
				n++
			}
		}
	}
	return t
}()

// Ring is an ellipse that edges are to lie on, in the places of a Near.
type Ring struct {
	CX, CY, Cos, Sin     float64 // its middle, px, and the direction of its longer axis
	SemiMajor, SemiMinor float64 // px
	Radius, Tolerance    float64 // its mean radius, and how far off an edge may lie, px
	LeastCos             float64 // of the angle between an edge's gradient and the normal
}

// tangents are those at which the directions of an eighth of a turn begin.
var tangents = func() (t [C.TW_EIGHTH]float32) {
	for i := range t {
		t[i] = float32(math.Tan(2 * math.Pi * float64(i) / Directions))
	}
	return t
}()

// Chosen are edges by their numbers among all, and what each counts.
type Chosen struct {
	Edge   []int32
	Weight []float64
	Sum    float64 // of the weights
}

// Nearest chooses in each direction about the ring the edge nearest to it among those
// whose gradient points along its normal, the first of several as near. counts is what
// each of all edges counts. Those chosen come direction by direction.
func (a *Near) Nearest(r Ring, counts []float64, c *Chosen) {
	if cap(c.Edge) < Directions {
		c.Edge, c.Weight = make([]int32, Directions), make([]float64, Directions)
	}
	c.Edge, c.Weight, c.Sum = c.Edge[:Directions], c.Weight[:Directions], 0
	n := 0
	if len(a.X) > 0 {
		lo, hi := max(0, 1-r.Tolerance/r.Radius), 1+r.Tolerance/r.Radius
		e := C.tw_ring{
			cx: C.float(r.CX), cy: C.float(r.CY), cos: C.float(r.Cos), sin: C.float(r.Sin),
			pa: C.float(1 / r.SemiMajor), pb: C.float(1 / r.SemiMinor), r: C.float(r.Radius),
			lo2: C.float(lo * lo), hi2: C.float(hi * hi), along2: C.float(r.LeastCos * r.LeastCos), tol: C.float(r.Tolerance),
		}
		n = int(C.tw_nearest(f32(&a.X[0]), f32(&a.Y[0]), f32(&a.GX[0]), f32(&a.GY[0]), i32(&a.Index[0]), C.int(len(a.X)), &e,
			f32(&tangents[0]), f64(&counts[0]), i32(&c.Edge[0]), f64(&c.Weight[0]), f64(&c.Sum)))
	}
	c.Edge, c.Weight = c.Edge[:n], c.Weight[:n]
}

func f32(p *float32) *C.float { return (*C.float)(p) }

// RoundDirs and RoundAt are the directions about a round thing, and the places looked at
// in each.
const (
	RoundDirs = C.TW_ROUND
	RoundAt   = C.TW_ROUND_AT
)

// A Tensor is the structure tensor of a picture: Jxx - Jyy, Jxy and Jxx + Jyy of each
// pixel, row by row.
type Tensor struct{ Dif, Mix, All []float32 }

// TensorRoom is how many numbers one of n pixels takes.
func TensorRoom(n int) int { return 3 * (n + 8) }

// MakeTensor cuts one of n pixels out of room for it.
func MakeTensor(room []float32, n int) Tensor {
	m := n + 8
	return Tensor{room[:n:m], room[m : m+n : 2*m], room[2*m : 2*m+n : 3*m]}
}

// A Span is some pixels of a row: the number of the first, how many they are, and where
// what is said of the first goes.
type Span struct{ First, N, At int32 }

// RoundVotes says, of the pixels of several rows, how far edges run round a circle about
// each rather than across it, -1 to 1: the mean over directions of how much more
// gradients lie along the direction than across it, over all there are and the noise; 0
// where every third direction speaks against it. steps are the places looked at, as
// pixels from the middle, and turned the shares of Jxx - Jyy and Jxy in it. C writes by
// eights: row after row, with eight numbers of 0 after each, for which out must have room.
func (t *Tensor) RoundVotes(out []float32, rows []Span, steps *[RoundDirs][RoundAt]int32, turned *[RoundDirs][2]float32, noise float32) {
	if len(rows) == 0 {
		return
	}
	low, high := int32(0), int32(0)
	for k := range steps {
		for _, s := range steps[k] {
			low, high = min(low, s), max(high, s)
		}
	}
	for _, r := range rows {
		_, _ = t.Dif[r.First+low], t.Dif[r.First+r.N-1+high]
		_ = out[r.At : int(r.At)+eight(int(r.N))+8]
	}
	C.tw_round_votes(f32(&t.Dif[0]), f32(&t.Mix[0]), f32(&t.All[0]), (*C.tw_span)(unsafe.Pointer(&rows[0])), C.int(len(rows)),
		i32(&steps[0][0]), f32(&turned[0][0]), C.float(noise), f32(&out[0]))
}

// Turn are the cosines of the directions about a round thing, and their sines.
type Turn [2][RoundDirs]float64

// RoundVote is what edges say of a circle about one place between the pixels of a
// picture w wide, summed over all directions: as [Tensor.RoundVotes], by the pixels at
// some radii, each of which must lie in the picture and before its last. lies is half a
// pixel right and down of the place.
func RoundVote(tensor [][3]float32, w int, lies [2]float64, radii []float64, turn *Turn, turned *[RoundDirs][2]float32, noise float32) float32 {
	if len(radii) == 0 {
		return 0
	}
	most := slices.Max(radii)
	first := int(lies[1]-most)*w + int(lies[0]-most)
	_, _ = tensor[first], tensor[int(lies[1]+most)*w+int(lies[0]+most)+1]
	return float32(C.tw_round_vote(f32(&tensor[0][0]), C.int(w), C.double(lies[0]), C.double(lies[1]), f64(&radii[0]), C.int(len(radii)),
		f64(&turn[0][0]), f32(&turned[0][0]), C.float(noise)))
}

// Rings are the colours on circles about a place, in each direction about one after the
// other, between the pixels of a square picture w wide, times share. Beyond the picture
// its border goes on.
func Rings(out, lab [][3]float64, w int, at [2]float64, radii []float64, turn *Turn, share *[3]float64) {
	if len(radii) == 0 {
		return
	}
	_, _ = out[len(radii)*RoundDirs-1], lab[w*w-1]
	C.tw_rings(f64(&lab[0][0]), C.int(w), C.double(at[0]), C.double(at[1]), f64(&radii[0]), C.int(len(radii)), f64(&turn[0][0]),
		f64(&share[0]), f64(&out[0][0]))
}

// TensorRow is the structure tensor of as many pixels from the first on as all has room
// for, in a picture w wide, by Scharr's weights: Jxx - Jyy, Jxy and Jxx + Jyy; and the
// last again in full. The second and the third number of each pixel count for half. It
// has others all around, and one more before those.
func TensorRow(out [][3]float32, all []float64, lab [][3]float64, w, first int) {
	n := len(all)
	if n == 0 {
		return
	}
	_, _, _ = out[n-1], lab[first-w-2], lab[first+n+w]
	C.tw_tensor_row(f64(&lab[first][0]), C.int(w), C.int(n), f32(&out[0][0]), f64(&all[0]))
}
