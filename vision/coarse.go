package vision

import (
	"cmp"
	"math"
	"slices"

	"tawsight/calib"
	"tawsight/internal/kernels"
)

// bins is the number of directions in which a candidate is looked at.
const bins = kernels.Directions

// coarse is a candidate after its cone was fitted to the edges around it.
type coarse struct {
	cone calib.Cone
	e    calib.Ellipse
	// coverage is the share of directions with an edge on the outline.
	coverage float64
	// score is the same with each edge counted by its strength, so that the
	// many faint contours of a shadow don't outvote glass.
	score float64
}

func (c coarse) r() float64 { return c.e.MeanRadiusPX() }

// edgeGrid finds the edges near a place quickly.
type edgeGrid struct {
	kernels.Grid
	// counts is what each counts for an outline, by its strength, and ray the
	// direction that it is seen in.
	counts []float64
	ray    []calib.Vec3

	near   kernels.Near   // scratch
	chosen kernels.Chosen // scratch: the edges nearest to a candidate
}

func newEdgeGrid(es []edge, w, h, cell int, cam calib.Camera) *edgeGrid {
	n := len(es)
	g := &edgeGrid{counts: make([]float64, n), ray: make([]calib.Vec3, n)}
	g.Grid = kernels.Grid{Edges: kernels.MakeEdges(n), Side: cell, W: (w + cell - 1) / cell, H: (h + cell - 1) / cell}
	g.First = make([]int32, g.W*g.H+1)
	at := func(e edge) int { return int(e.y)/cell*g.W + int(e.x)/cell }
	for _, e := range es {
		g.First[at(e)+1]++
	}
	for i := 1; i < len(g.First); i++ {
		g.First[i] += g.First[i-1]
	}
	next := append([]int32(nil), g.First...)
	for _, e := range es {
		c := at(e)
		i := next[c]
		g.X[i], g.Y[i], g.GX[i], g.GY[i] = float32(e.x), float32(e.y), float32(e.gx), float32(e.gy)
		g.counts[i], g.ray[i] = e.mag/(e.mag+halfStrength), cam.Ray(e.x, e.y)
		next[c]++
	}
	return g
}

// halfStrength is the edge strength (in units of the paper's median gradient)
// that counts half. Contours of soft shadows lie at 4 to 7, outlines of glass
// at 10 and up.
const halfStrength = 8.0

// hopeless is the score below which a candidate is given up before the last
// pass; it is well below what any use of it asks for.
const hopeless = 0.2

// The edges that a candidate may come to lie on, in its first radii: it may
// wander by the bands of its passes.
const (
	nearestEdge  = 0.55
	farthestEdge = 1.7
)

// fitCoarse draws a candidate onto the edges around it: in each direction the
// edge nearest to the outline whose gradient points along its normal, a cone
// through them by least squares, with a narrowing band.
func (g *edgeGrid) fitCoarse(c circle, cam calib.Camera) coarse {
	out := coarse{e: calib.Ellipse{CxPX: c.x, CyPX: c.y, SemiMajorPX: c.r, SemiMinorPX: c.r}}
	reach := kernels.Annulus{X: c.x, Y: c.y, Least: nearestEdge * c.r, Most: farthestEdge * c.r}
	for pass, band := range [5]float64{0.16, 0.10, 0.06, 0.04, 0.025} {
		e := out.e
		r := out.r()
		tol := band*r + 0.9
		switch pass {
		case 0: // and a pixel to spare
			g.near.Around(&g.Grid, reach, kernels.Annulus{X: c.x, Y: c.y, Least: r - tol - 1, Most: r + tol + 1})
		case 1:
			// What lies as far off as this the narrower bands won't come to.
			g.near.Around(&g.Grid, reach, kernels.Annulus{X: e.CxPX, Y: e.CyPX, Least: 0.7*e.SemiMinorPX - 1, Most: 1.3*e.SemiMajorPX + 1})
		}
		sin, cos := math.Sincos(e.AngleDeg * math.Pi / 180)
		g.near.Nearest(kernels.Ring{
			CX: e.CxPX - c.x, CY: e.CyPX - c.y, Cos: cos, Sin: sin, SemiMajor: e.SemiMajorPX, SemiMinor: e.SemiMinorPX,
			Radius: r, Tolerance: tol, LeastCos: 0.85,
		}, g.counts, &g.chosen)
		n := len(g.chosen.Edge)
		out.coverage, out.score = float64(n)/bins, g.chosen.Sum/bins
		// Not even the widest band about it shows a circle: it won't get better.
		if n < 12 || out.score < hopeless {
			out.coverage, out.score = 0, 0
			return out
		}
		if pass == 4 {
			break
		}
		cone, ok := calib.FitConeAmong(g.ray, g.chosen.Edge, g.chosen.Weight)
		var next calib.Ellipse
		if ok {
			next, ok = cone.Outline(cam)
		}
		nr := next.MeanRadiusPX()
		if !ok || math.Hypot(next.CxPX-c.x, next.CyPX-c.y) > 0.6*c.r || nr < 0.6*c.r || nr > 1.6*c.r || next.SemiMajorPX > 1.5*next.SemiMinorPX {
			out.coverage, out.score = 0, 0
			return out
		}
		out.cone, out.e = cone, next
	}
	return out
}

// choose keeps one candidate a marble. Circles inside a marble (the dark ring
// of refraction, a window's reflection, a ribbon) have edges too; the outline
// is the largest circle about as well covered as the best of its family.
func choose(cs []coarse, minScore float64) []coarse {
	ok := make([]*coarse, 0, len(cs))
	for i := range cs {
		if cs[i].score >= minScore {
			ok = append(ok, &cs[i])
		}
	}
	slices.SortFunc(ok, func(a, b *coarse) int {
		if a.score != b.score {
			return cmp.Compare(b.score, a.score)
		}
		return cmp.Or(cmp.Compare(b.r(), a.r()), cmp.Compare(a.e.CyPX, b.e.CyPX), cmp.Compare(a.e.CxPX, b.e.CxPX))
	})
	// Radii and distances are asked for often.
	r := make([]float64, len(ok))
	for i := range ok {
		r[i] = ok[i].r()
	}
	within := func(i, j int, d float64) bool {
		a, b := &ok[i].e, &ok[j].e
		dx, dy := a.CxPX-b.CxPX, a.CyPX-b.CyPX
		return d > 0 && dx*dx+dy*dy < d*d
	}
	used := make([]bool, len(ok))
	var won []int
	for i := range ok {
		if used[i] {
			continue
		}
		// The largest of the family that holds this one.
		win := i
		for changed := true; changed; {
			changed = false
			for j := range ok {
				if used[j] || j == win || r[j] <= r[win]*1.02 {
					continue
				}
				if ok[j].score >= 0.8*ok[i].score && within(j, win, 1.12*r[j]-r[win]) {
					win, changed = j, true
				}
			}
		}
		if !slices.ContainsFunc(won, func(o int) bool { return within(win, o, overlap*(r[win]+r[o])) }) {
			won = append(won, win)
		}
		for j := range ok {
			if within(j, win, overlap*(r[win]+r[j])) {
				used[j] = true
			}
		}
	}
	out := make([]coarse, len(won))
	for i, o := range won {
		out[i] = *ok[o]
	}
	return out
}

// overlap is how near two outlines may come, as a share of the sum of their
// radii. Touching marbles of different size hide a little of each other in a
// tilted view.
const overlap = 0.85
