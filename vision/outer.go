package vision

import (
	"math"

	"tawsight/calib"
	"tawsight/internal/order"
)

// What makes a fainter edge outside an outline worth a doubt. Of 699 marbles of two
// renderers, 25 had one. Their outlines' radii were off by 0.58 px (root mean
// square; one that was a wrong circle altogether left out), those of the fainter
// edges by 0.73, halfway between by 0.48.
const (
	// outerOpen is the least share of directions in which the two lie apart.
	outerOpen = 0.25
	// outerEvidence is the least product of the share of those directions that
	// show the fainter edge and its median height in noise units.
	outerEvidence = 9.0
	// outerSteps is the least share of places on it that are steps: the edge of
	// a soft shadow has next to none.
	outerSteps = 0.1
	// outerMost is how much larger it may be, as a share of the radius: farther
	// out lie shadows.
	outerMost = 0.04
	// outerLeast is the least height, in noise units, of a place that counts.
	outerLeast = 10.0
	// outerTries is the number of draws; a third of the places on the edge in
	// question are enough for one draw in thirty.
	outerTries = 200
)

// outside looks for a fainter edge around an outline. Toward its rim clear glass
// mirrors and bends the very paper beside it, in a shadow it even goes on
// darkening as the shadow did, and the strongest edge all round can be the inner
// border of that dark ring. The glass then ends farther out, at a weak edge that
// shows in some directions only, and meets the strong one in others.
func (rf *refiner) outside(seen *sight, e calib.Ellipse) *calib.Ellipse {
	r := e.MeanRadiusPX()
	tol := judgeTolPX + 0.1*rf.sigmaPX
	near := rf.band(seen, e, 2*outerMost*r+2)
	n := near.Directions()
	if n < 24 {
		return nil
	}
	off := append([]float32(nil), near.Offs(near.probe(e))...)
	// In most photos next to nothing lies outside.
	out := make([]int, n) // how many of a direction's places may be on it
	any := 0
	for d := range n {
		from, to := near.Direction(d)
		for from+out[d] < to && off[from+out[d]] > -0.8 {
			out[d]++
		}
		if out[d] > 0 && near.place(from).strength > outerLeast && float64(off[from]) > 2*tol {
			any++
		}
	}
	if float64(any) < 0.3*outerOpen*float64(n) {
		return nil
	}
	seq := sequence(7)
	next := seq.below
	draw := func(d int) calib.Vec3 {
		from, _ := near.Direction(d)
		return near.ray(from + next(max(1, out[d])))
	}
	var best *calib.Ellipse
	bestScore := 0.0
	var heights []float64
	for range outerTries {
		a, b, c := seq.three(n)
		cone, is := calib.ConeThrough(draw(a), draw(b), draw(c))
		if !is {
			continue
		}
		q, is := cone.Outline(rf.cam)
		if !is {
			continue
		}
		gap := q.MeanRadiusPX() - r
		if gap < 0.4 || gap > outerMost*r || math.Hypot(q.CxPX-e.CxPX, q.CyPX-e.CyPX) > gap+2*tol {
			continue
		}
		there := near.Offs(near.probe(q))
		open, covered, steps, score := 0, 0, 0, 0.0
		heights = heights[:0]
		for d := range n {
			from, to := near.Direction(d)
			if float64(off[from]-there[from]) < 2*tol {
				continue // the two meet here
			}
			open++
			for i := from; i < to; i++ {
				if o := float64(there[i]) / tol; o > -1 && o < 1 && near.place(i).strength > outerLeast {
					covered++
					score += 1 - o*o
					heights = append(heights, near.place(i).strength)
					if near.Step(i) {
						steps++
					}
					break
				}
			}
		}
		if score -= 0.2 * float64(open); score <= bestScore || float64(open) < outerOpen*float64(n) {
			continue
		}
		bestScore, best = score, nil
		if float64(covered)/float64(open)*order.Median(heights) > outerEvidence && float64(steps) >= outerSteps*float64(covered) {
			e := q // or each that is drawn would be kept
			best = &e
		}
	}
	return best
}

// between is the outline halfway to a fainter one around it, with the doubt which
// of the two it is: anywhere between them (GUM 4.3.7).
func (o Outline) between(f calib.Ellipse, cam calib.Camera) Outline {
	gap := f.MeanRadiusPX() - o.Ellipse.MeanRadiusPX()
	if gap <= 0 {
		return o
	}
	const around = 32
	rays := make([]calib.Vec3, 0, 2*around)
	w := make([]float64, 0, 2*around)
	for _, e := range [2]calib.Ellipse{o.Ellipse, f} {
		for k := range around {
			x, y, _, _ := e.At(2 * math.Pi * float64(k) / around)
			rays, w = append(rays, cam.Ray(x, y)), append(w, 1)
		}
	}
	c, ok := calib.FitCone(rays, w)
	if !ok {
		return o
	}
	e, ok := c.Outline(cam)
	if !ok {
		return o
	}
	o.Cone, o.Ellipse = c, e
	o.BiasUPX = math.Hypot(o.BiasUPX, gap/math.Sqrt(12))
	return o
}
