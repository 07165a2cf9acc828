package kernels

// #cgo noescape tw_annulus
// #cgo nocallback tw_annulus
// #cgo noescape tw_narrow
// #cgo nocallback tw_narrow
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

// Near are the edges about one place, relative to it, and their numbers among all.
type Near struct {
	Edges
	Index []int32
}

// Reset forgets all, and makes room for at least n.
func (a *Near) Reset(n int) {
	if n = eight(n); cap(a.X) < n {
		a.Edges, a.Index = MakeEdges(n), make([]int32, n)
	}
	a.X, a.Y, a.GX, a.GY, a.Index = a.X[:0], a.Y[:0], a.GX[:0], a.GY[:0], a.Index[:0]
}

// Append takes those of edges from to before to that lie between two radii of a
// place, px. There must be room for all of them; see Reset.
func (a *Near) Append(e Edges, from, to int, cx, cy, least, most float32) {
	n := to - from
	if n <= 0 {
		return
	}
	k := len(a.X)
	_, _ = e.Y[from:to], e.GX[from:to]
	_, _ = e.X[from:to], e.GY[from:to]
	m := k + n
	x, y, gx, gy, at := a.X[:m], a.Y[:m], a.GX[:m], a.GY[:m], a.Index[:m]
	k += int(C.tw_annulus(f32(&e.X[from]), f32(&e.Y[from]), f32(&e.GX[from]), f32(&e.GY[from]), C.int(n),
		C.float(cx), C.float(cy), C.float(least*least), C.float(most*most),
		f32(&x[k]), f32(&y[k]), f32(&gx[k]), f32(&gy[k]), (*C.int32_t)(&at[k]), C.int32_t(from)))
	a.X, a.Y, a.GX, a.GY, a.Index = x[:k], y[:k], gx[:k], gy[:k], at[:k]
}

// Narrow keeps those that lie between two radii of another place, itself relative to
// the first.
func (a *Near) Narrow(cx, cy, least, most float32) {
	if len(a.X) == 0 {
		return
	}
	k := C.tw_narrow(f32(&a.X[0]), f32(&a.Y[0]), f32(&a.GX[0]), f32(&a.GY[0]), i32(&a.Index[0]), C.int(len(a.X)),
		C.float(cx), C.float(cy), C.float(least*least), C.float(most*most))
	a.X, a.Y, a.GX, a.GY, a.Index = a.X[:k], a.Y[:k], a.GX[:k], a.GY[:k], a.Index[:k]
}

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
