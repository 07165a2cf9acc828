package calib

import (
	"image"
	"math"
	"slices"
	"sort"

	"gocv.io/x/gocv"
	"gonum.org/v1/gonum/mat"

	"tawsight/internal/order"
)

// quadSide is the longer side, px, of the reduced picture in which things with
// four straight sides are looked for.
const quadSide = 900

// findQuads lists what has about the outline of a convex quadrilateral in a
// picture, largest first, corners in full-size px in order round it (clockwise
// as seen). Outlines are taken from edges, and from what differs from, or is
// like, the commonest colour; they are good to a few pixels.
func findQuads(bgr gocv.Mat, leastShare, mostShare float64) [][4][2]float64 {
	type cand struct {
		q    [4][2]float64
		area float64
	}
	var all []cand
	for _, c := range contoursOf(bgr) {
		if c.quad && c.area >= leastShare && c.area <= mostShare {
			all = append(all, cand{c.q, c.area})
		}
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].area > all[j].area })
	var out [][4][2]float64
	for _, c := range all {
		fresh := true
		for _, o := range out {
			if nearQuad(o, c.q) {
				fresh = false
				break
			}
		}
		if fresh {
			if out = append(out, c.q); len(out) >= 40 {
				break
			}
		}
	}
	return out
}

// contour is one closed outline: its hull, and the quadrilateral that comes down
// to with its share of the picture, in full-size px.
type contour struct {
	hull [][2]float64
	quad bool
	q    [4][2]float64
	area float64
}

// contoursOf lists the outlines seen in a reduction of a picture.
func contoursOf(bgr gocv.Mat) (all []contour) {
	if bgr.Empty() {
		return nil
	}
	s := math.Min(1, quadSide/float64(max(bgr.Cols(), bgr.Rows())))
	small := gocv.NewMat()
	defer small.Close()
	gocv.Resize(bgr, &small, image.Pt(max(1, int(float64(bgr.Cols())*s+0.5)), max(1, int(float64(bgr.Rows())*s+0.5))), 0, 0, gocv.InterpolationArea)
	if small.Type() == gocv.MatTypeCV16UC3 {
		e := gocv.NewMat()
		small.ConvertToWithParams(&e, gocv.MatTypeCV8UC3, 1.0/257, 0)
		small.Close()
		small = e
	}
	if small.Type() != gocv.MatTypeCV8UC3 || min(small.Cols(), small.Rows()) < 48 {
		return nil
	}
	sx, sy := float64(bgr.Cols())/float64(small.Cols()), float64(bgr.Rows())/float64(small.Rows())
	gocv.GaussianBlur(small, &small, image.Pt(3, 3), 0.8, 0.8, gocv.BorderReplicate)
	area := float64(small.Cols() * small.Rows())
	full := func(x, y float64) [2]float64 { return [2]float64{(x+0.5)*sx - 0.5, (y+0.5)*sy - 0.5} }
	take := func(mask gocv.Mat) {
		cs := gocv.FindContours(mask, gocv.RetrievalList, gocv.ChainApproxSimple)
		defer cs.Close()
		for i := 0; i < cs.Size(); i++ {
			c := cs.At(i)
			if c.Size() < 4 {
				continue
			}
			hull, q, a, ok := quadOf(c)
			if hull == nil {
				continue
			}
			one := contour{quad: ok, area: a / area}
			for _, p := range hull {
				one.hull = append(one.hull, full(float64(p.X), float64(p.Y)))
			}
			for k := range q {
				one.q[k] = full(q[k][0], q[k][1])
			}
			all = append(all, one)
		}
	}
	kernel := gocv.GetStructuringElement(gocv.MorphRect, image.Pt(3, 3))
	defer kernel.Close()
	// Edges, in every channel, at two strengths.
	chans := gocv.Split(small)
	for _, t := range [2]float32{18, 45} {
		sum := gocv.NewMatWithSize(small.Rows(), small.Cols(), gocv.MatTypeCV8UC1)
		sum.SetTo(gocv.NewScalar(0, 0, 0, 0))
		e := gocv.NewMat()
		for _, c := range chans {
			gocv.Canny(c, &e, t, 2*t)
			gocv.BitwiseOr(sum, e, &sum)
		}
		gocv.Dilate(sum, &sum, kernel)
		take(sum)
		e.Close()
		sum.Close()
	}
	for _, c := range chans {
		c.Close()
	}
	// What differs from the commonest colour.
	data, err := small.DataPtrUint8()
	if err == nil {
		ref := commonest(data)
		wide := gocv.GetStructuringElement(gocv.MorphRect, image.Pt(5, 5))
		for _, t := range [4]int{10, 18, 30, 50} {
			m := gocv.NewMatWithSize(small.Rows(), small.Cols(), gocv.MatTypeCV8UC1)
			if d, err := m.DataPtrUint8(); err == nil {
				for i := range d {
					d[i] = 0
					for k := range 3 {
						if v := int(data[3*i+k]) - ref[k]; v > t || v < -t {
							d[i] = 255
						}
					}
				}
				gocv.MorphologyEx(m, &m, gocv.MorphClose, wide)
				take(m)
			}
			m.Close()
		}
		wide.Close()
	}
	return all
}

// commonest is the median colour (b, g, r) of an 8-bit picture.
func commonest(bgr []uint8) (c [3]int) {
	for k := range c {
		var h [256]int
		n := 0
		for i := k; i < len(bgr); i += 3 {
			h[bgr[i]]++
			n++
		}
		for v, sum := 0, 0; v < 256; v++ {
			if sum += h[v]; 2*sum >= n {
				c[k] = v
				break
			}
		}
	}
	return c
}

// nearQuad says whether two quadrilaterals are the same to a few per cent,
// whichever corner they begin with.
func nearQuad(a, b [4][2]float64) bool {
	side := math.Hypot(a[1][0]-a[0][0], a[1][1]-a[0][1]) + math.Hypot(a[2][0]-a[1][0], a[2][1]-a[1][1])
	for s := range 4 {
		worst := 0.0
		for k := range 4 {
			worst = math.Max(worst, math.Hypot(a[k][0]-b[(k+s)%4][0], a[k][1]-b[(k+s)%4][1]))
		}
		if worst < 0.012*side {
			return true
		}
	}
	return false
}

// quadOf is a contour's hull, nil for one too small, and the quadrilateral that
// it comes down to, clockwise as seen, with its area; ok is false where it comes
// down to none.
func quadOf(c gocv.PointVector) (points []image.Point, q [4][2]float64, area float64, ok bool) {
	hullIdx := gocv.NewMat()
	defer hullIdx.Close()
	gocv.ConvexHull(c, &hullIdx, true, true)
	if hullIdx.Empty() || hullIdx.Type() != gocv.MatTypeCV32SC2 {
		return nil, q, 0, false
	}
	hull := gocv.NewPointVectorFromMat(hullIdx)
	defer hull.Close()
	hullArea := gocv.ContourArea(hull)
	if hullArea < 200 {
		return nil, q, 0, false
	}
	points = hull.ToPoints()
	per := gocv.ArcLength(hull, true)
	for _, eps := range [6]float64{0.012, 0.02, 0.03, 0.04, 0.05, 0.06} {
		a := gocv.ApproxPolyDP(hull, eps*per, true)
		n := a.Size()
		if n == 4 {
			pts := a.ToPoints()
			area = gocv.ContourArea(a)
			a.Close()
			if area < 0.85*hullArea {
				return points, q, 0, false
			}
			for i, p := range pts {
				q[i] = [2]float64{float64(p.X), float64(p.Y)}
			}
			if signedArea(q) < 0 { // y runs down: positive is clockwise as seen
				q[1], q[3] = q[3], q[1]
			}
			return points, q, area, true
		}
		a.Close()
		if n < 4 {
			return points, q, 0, false
		}
	}
	return points, q, 0, false
}

func signedArea(q [4][2]float64) (a float64) {
	for i := range q {
		j := (i + 1) % 4
		a += q[i][0]*q[j][1] - q[j][0]*q[i][1]
	}
	return a / 2
}

// sideLine is one straight side as fitted: the points p with N.p = C, N the
// unit normal pointing out of the quadrilateral.
type sideLine struct {
	N [2]float64
	C float64
	// Support is the share of the places along the side where its edge is
	// seen, RMSPX the scatter of those about the line, BowPX how far a parabola
	// through them leaves the line in the middle.
	Support, RMSPX, BowPX float64
}

// dist is how far outside the line a point lies.
func (l sideLine) dist(x, y float64) float64 { return l.N[0]*x + l.N[1]*y - l.C }

func meet(a, b sideLine) (p [2]float64, ok bool) {
	det := a.N[0]*b.N[1] - a.N[1]*b.N[0]
	if math.Abs(det) < 1e-6 {
		return p, false
	}
	return [2]float64{(a.C*b.N[1] - b.C*a.N[1]) / det, (a.N[0]*b.C - b.N[0]*a.C) / det}, true
}

// Shares of a side's length left out at each end, where corners are rounded.
const sideEnds = 0.12

// edgePeak is a place across a side where the picture changes fastest.
type edgePeak struct {
	at, strength float64 // px outward of the coarse side; change per px
}

// fitSides finds the four sides of a quadrilateral to a fraction of a pixel;
// side k runs from corner k to the next. shadowPX is how far outside a side the
// thing's own shadow may end (0 where it throws none). ok is false where a side
// isn't a straight edge.
func fitSides(px Pixels, q [4][2]float64, shadowPX float64) (sides [4]sideLine, ok bool) {
	short := math.Inf(1)
	for k := range 4 {
		a, b := q[k], q[(k+1)%4]
		short = math.Min(short, math.Hypot(b[0]-a[0], b[1]-a[1]))
	}
	if short < 24 {
		return sides, false
	}
	for k := range 4 {
		a, b := q[k], q[(k+1)%4]
		if sides[k], ok = fitSide(px, a, b, math.Max(5, 0.035*short), shadowPX); !ok {
			return sides, false
		}
	}
	return sides, true
}

// fitSide fits one side between its coarse corners, clockwise as seen.
func fitSide(px Pixels, a, b [2]float64, reach, shadowPX float64) (line sideLine, ok bool) {
	l := math.Hypot(b[0]-a[0], b[1]-a[1])
	dir := [2]float64{(b[0] - a[0]) / l, (b[1] - a[1]) / l}
	out := [2]float64{dir[1], -dir[0]} // clockwise as seen, y down: outward is to the left
	n := max(30, min(160, int(l/2.5)))
	type place struct {
		t     float64
		peaks []edgePeak
	}
	places := make([]place, 0, n)
	for i := range n {
		t := (sideEnds + (1-2*sideEnds)*float64(i)/float64(n-1)) * l
		x, y := a[0]+dir[0]*t, a[1]+dir[1]*t
		places = append(places, place{t, peaksAcross(px, x, y, out, dir, reach, 5, false)})
	}
	// The line that most places agree on: every pair of peaks from two places
	// far apart makes one.
	type hyp struct{ c0, c1, score, support float64 }
	scoreOf := func(c0, c1, tol float64) (score, support float64) {
		for _, p := range places {
			best := 0.0
			for _, k := range p.peaks {
				if math.Abs(k.at-(c0+c1*p.t)) < tol {
					best = math.Max(best, k.strength)
				}
			}
			if best > 0 {
				support++
				score += math.Min(1, best/0.03)
			}
		}
		return score / float64(n), support / float64(n)
	}
	var hyps []hyp
	for i := 0; i < n/3; i += 3 {
		for j := 2 * n / 3; j < n; j += 3 {
			for _, p := range places[i].peaks {
				for _, r := range places[j].peaks {
					c1 := (r.at - p.at) / (places[j].t - places[i].t)
					c0 := p.at - c1*places[i].t
					if s, sup := scoreOf(c0, c1, 0.9); sup >= 0.5 {
						hyps = append(hyps, hyp{c0, c1, s, sup})
					}
				}
			}
		}
	}
	if len(hyps) == 0 {
		return line, false
	}
	sort.SliceStable(hyps, func(i, j int) bool { return hyps[i].score > hyps[j].score })
	mid := func(h hyp) float64 { return h.c0 + h.c1*l/2 }
	// The outermost line that is well seen bounds the thing, be there stronger
	// ones printed on it.
	best := hyps[0]
	for _, h := range hyps {
		if h.score > 0.55*hyps[0].score && h.support > 0.75*hyps[0].support && mid(h) > mid(best)+1.2 {
			best = h
		}
	}
	// A thing that lies on paper throws a narrow shadow: a band outside it, darker
	// than the paper and of the paper's hue.
	if shadowPX > 0 {
		inner := best
		for _, h := range hyps {
			d := mid(best) - mid(h)
			if d > 1.6 && d < shadowPX+1 && h.support > 0.6*best.support && h.score > 0.4*best.score && (mid(inner) == mid(best) || h.score > inner.score) {
				inner = h
			}
		}
		if mid(inner) != mid(best) && shadowBetween(px, a, dir, out, l, best.c0, best.c1, inner.c0, inner.c1) {
			best = inner
		}
	}
	// Sub-pixel: the peak nearest to the line at each place, weighted robustly.
	c0, c1 := best.c0, best.c1
	var f sideFit
	for range 8 {
		f.clear()
		for _, p := range places {
			near := math.Inf(1)
			for _, k := range p.peaks {
				if d := k.at - (c0 + c1*p.t); math.Abs(d) < math.Abs(near) {
					near = d
				}
			}
			f.add(p.t, near+c0+c1*p.t, near)
		}
		if c0, c1, ok = f.line(l, n/3); !ok {
			return line, false
		}
	}
	if shadowPX > 0 {
		// Where the thing is of another hue than the paper, its edge is where that
		// hue begins, whatever shadow lies beside it.
		var t, v []float64
		for _, p := range places {
			o := c0 + c1*p.t
			if at, ok := hueEdge(px, a[0]+dir[0]*p.t+out[0]*o, a[1]+dir[1]*p.t+out[1]*o, out, dir, shadowPX); ok {
				t, v = append(t, p.t), append(v, o+at)
			}
		}
		if k0, k1, g, ok := throughHues(t, v, l, n); ok {
			c0, c1, f = k0, k1, g
		}
	}
	ts, vs, ws := f.t, f.v, f.w
	line.Support = float64(len(ts)) / float64(n)
	sum, sw := 0.0, 0.0
	for i := range ts {
		d := vs[i] - c0 - c1*ts[i]
		sum, sw = sum+ws[i]*d*d, sw+ws[i]
	}
	line.RMSPX = math.Sqrt(sum / math.Max(1e-9, sw))
	line.BowPX = bow(ts, vs, ws, l)
	p0 := [2]float64{a[0] + out[0]*c0, a[1] + out[1]*c0}
	p1 := [2]float64{a[0] + dir[0]*l + out[0]*(c0+c1*l), a[1] + dir[1]*l + out[1]*(c0+c1*l)}
	d := math.Hypot(p1[0]-p0[0], p1[1]-p0[1])
	line.N = [2]float64{(p1[1] - p0[1]) / d, -(p1[0] - p0[0]) / d}
	line.C = line.N[0]*p0[0] + line.N[1]*p0[1]
	return line, true
}

// sideFit is a straight line through places along a side: t px along it, v px
// outward, weighted by w.
type sideFit struct{ t, v, w []float64 }

func (f *sideFit) clear() { f.t, f.v, f.w = f.t[:0], f.v[:0], f.w[:0] }

// add takes a place that is off px from the line so far, by Tukey's biweight.
func (f *sideFit) add(t, v, off float64) {
	if u := off / 1.2; u > -1 && u < 1 {
		f.t, f.v, f.w = append(f.t, t), append(f.v, v), append(f.w, (1-u*u)*(1-u*u))
	}
}

// line is v = c0 + c1 t by weighted least squares, along a side of l px; ok is false
// with less than so many places.
func (f *sideFit) line(l float64, least int) (c0, c1 float64, ok bool) {
	if len(f.t) < least {
		return 0, 0, false
	}
	var s0, s1, s2, y0, y1 float64
	for i, w := range f.w {
		t := f.t[i] - l/2
		s0, s1, s2 = s0+w, s1+w*t, s2+w*t*t
		y0, y1 = y0+w*f.v[i], y1+w*t*f.v[i]
	}
	det := s0*s2 - s1*s1
	if det <= 0 {
		return 0, 0, false
	}
	m, k := (y0*s2-y1*s1)/det, (s0*y1-s1*y0)/det
	return m - k*l/2, k, true
}

// Limits of an edge of hue.
const (
	// leastHue is the least share of a thing's light that is not of the paper's
	// hue.
	leastHue = 0.08
	// hueSeen is the least share of places along a side with such an edge.
	hueSeen = 0.6
)

// hueEdge is where, px outward of a place on a side, light of another hue than the
// paper's begins, to half its height. In linear light what is not of the paper's
// hue, its part at right angles to the paper's light, is nothing on the paper and
// in every shadow on it, so a shadow beside the edge doesn't move it. ok is
// false where the thing's hue is the paper's.
func hueEdge(px Pixels, x, y float64, out, dir [2]float64, shadowPX float64) (at float64, ok bool) {
	const step = 0.5
	inner, outer := -3.5-shadowPX, shadowPX+5
	n := int((outer - inner) / step)
	v := make([]Vec3, n+1)
	for i := range v {
		d := outer - float64(i)*step
		for _, along := range [3]float64{-1, 0, 1} {
			c := px.LinearAt(x+out[0]*d+dir[0]*along, y+out[1]*d+dir[1]*along)
			for k := range c {
				v[i][k] += c[k] / 3
			}
		}
	}
	var paper Vec3
	for _, c := range v[:5] {
		for k := range paper {
			paper[k] += c[k] / 5
		}
	}
	if paper.Norm() < 0.02 {
		return 0, false
	}
	w := paper.Unit()
	for i := range v {
		o := v[i].Dot(w)
		for k := range w {
			v[i][k] -= o * w[k]
		}
	}
	// From outside inwards, the first place that is clearly of another hue; its
	// full height is taken just behind it.
	for i := 2; i+8 <= n; i++ {
		var full Vec3
		for _, c := range v[i+4 : i+8] {
			for k := range full {
				full[k] += c[k] / 4
			}
		}
		height := full.Norm()
		if height < leastHue*paper.Norm() {
			continue
		}
		u := full.Unit()
		if v[i].Dot(u) < height/2 {
			continue
		}
		a, b := v[i-1].Dot(u), v[i].Dot(u)
		if a >= height/2 {
			return 0, false // a slope from outside, no edge
		}
		return outer - (float64(i)-(b-height/2)/(b-a))*step, true
	}
	return 0, false
}

// throughHues is the line through edges of hue v px outward at t along a side of l
// px, which were looked for at n places.
func throughHues(t, v []float64, l float64, n int) (c0, c1 float64, f sideFit, ok bool) {
	least := int(hueSeen * float64(n))
	if len(t) < max(2, least) {
		return 0, 0, f, false
	}
	c0 = order.Median(slices.Clone(v))
	for try := range 8 {
		f.clear()
		for i := range t {
			off := v[i] - c0 - c1*t[i]
			if try == 0 {
				off /= 3 // the median line may lie askew
			}
			f.add(t[i], v[i], off)
		}
		if c0, c1, ok = f.line(l, least); !ok {
			return 0, 0, f, false
		}
	}
	return c0, c1, f, true
}

// bow is how far a parabola through the points leaves their chord's line in the
// middle.
func bow(t, v, w []float64, l float64) float64 {
	a := mat.NewSymDense(3, nil)
	b := mat.NewVecDense(3, nil)
	for i := range t {
		u := 2*t[i]/l - 1
		row := [3]float64{1, u, u * u}
		for p := range row {
			for q := p; q < 3; q++ {
				a.SetSym(p, q, a.At(p, q)+w[i]*row[p]*row[q])
			}
			b.SetVec(p, b.AtVec(p)+w[i]*row[p]*v[i])
		}
	}
	var chol mat.Cholesky
	var x mat.VecDense
	if !chol.Factorize(a) || chol.SolveVecTo(&x, b) != nil {
		return math.Inf(1)
	}
	return math.Abs(x.AtVec(2))
}

// peaksAcross are the places across a side where the picture changes fastest,
// at most so many, the strongest first. The change is that of all channels, averaged
// over a few pixels along the side. near keeps edges apart that lie within two
// pixels of each other.
func peaksAcross(px Pixels, x, y float64, out, dir [2]float64, reach float64, most int, near bool) []edgePeak {
	const step = 0.5
	m := int(reach/step) + 4
	v, light := make([][3]float64, 2*m+1), make([][3]float64, 2*m+1)
	for i := range v {
		d := float64(i-m) * step
		for _, along := range [3]float64{-1, 0, 1} {
			at := [2]float64{x + out[0]*d + dir[0]*along, y + out[1]*d + dir[1]*along}
			c, lin := px.EncodedAt(at[0], at[1]), px.LinearAt(at[0], at[1])
			for k := range c {
				v[i][k] += float64(c[k]) / 3
				light[i][k] += lin[k] / 3
			}
		}
	}
	// A derivative smoothed over a pixel each way.
	change := func(v [][3]float64) []float64 {
		g := make([]float64, len(v))
		for i := 2; i < len(v)-2; i++ {
			for k := range 3 {
				d := (v[i+1][k] - v[i-1][k] + 2*(v[i+2][k]-v[i-2][k])) / (10 * step)
				g[i] += d * d
			}
			g[i] = math.Sqrt(g[i])
		}
		return g
	}
	// Edges are found in encoded values, where noise is even, and placed in
	// linear light, where a blurred edge is symmetric: encoded, it leans to its
	// dark side by up to half a pixel.
	g, gl := change(v), change(light)
	var peaks []edgePeak
	for i := 3; i < len(g)-3; i++ {
		if g[i] < 0.006 || g[i] < g[i-1] || g[i] <= g[i+1] {
			continue
		}
		j := i
		if near {
			// Uphill from there, so as not to take a stronger edge beside it for this one.
			for range 3 {
				switch {
				case j+1 <= len(g)-4 && gl[j+1] > gl[j] && gl[j+1] >= gl[j-1]:
					j++
				case j-1 >= 3 && gl[j-1] > gl[j]:
					j--
				}
			}
		} else {
			for k := max(3, i-3); k <= min(len(g)-4, i+3); k++ {
				if gl[k] > gl[j] {
					j = k
				}
			}
		}
		den := gl[j-1] - 2*gl[j] + gl[j+1]
		o := 0.0
		if den < 0 {
			o = math.Max(-0.5, math.Min(0.5, 0.5*(gl[j-1]-gl[j+1])/den))
		}
		peaks = append(peaks, edgePeak{(float64(j-m) + o) * step, g[i]})
	}
	sort.Slice(peaks, func(i, j int) bool { return peaks[i].strength > peaks[j].strength })
	return peaks[:min(most, len(peaks))]
}

// shadowBetween says whether the band between an outer and an inner line (px
// outward at t along the side) is a shadow on what lies outside: darker in every
// channel by about as much.
func shadowBetween(px Pixels, a, dir, out [2]float64, l, o0, o1, i0, i1 float64) bool {
	var band, paper [3][]float64
	for i := range 24 {
		t := (sideEnds + (1-2*sideEnds)*float64(i)/23) * l
		at := func(d float64) [3]float64 {
			return px.LinearAt(a[0]+dir[0]*t+out[0]*d, a[1]+dir[1]*t+out[1]*d)
		}
		o, in := o0+o1*t, i0+i1*t
		b, p := at((o+in)/2), at(o+3)
		for k := range 3 {
			band[k], paper[k] = append(band[k], b[k]), append(paper[k], p[k])
		}
	}
	var ratio [3]float64
	for k := range ratio {
		sort.Float64s(band[k])
		sort.Float64s(paper[k])
		ratio[k] = band[k][12] / math.Max(1e-3, paper[k][12])
	}
	lo, hi := math.Min(ratio[0], math.Min(ratio[1], ratio[2])), math.Max(ratio[0], math.Max(ratio[1], ratio[2]))
	return hi < 0.93 && lo > 0.2 && hi-lo < 0.22
}
