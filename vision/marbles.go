package vision

import (
	"math"
	"sort"

	"tawsight/calib"
	"tawsight/internal/order"
)

// Scene is what is known of a photo before marbles are looked for.
type Scene struct {
	// Camera is the pinhole in full-size pixels: from the card's pose, or with
	// an assumed focal length.
	Camera calib.Camera
	// Areas are where no marble is looked for; nil without a ruler.
	Areas *Areas
	// MMPerPX is the scale at the picture's middle, 0 when not known. With it
	// only circles of marbles' sizes are looked for.
	MMPerPX float64
	// BlurPX is the standard deviation of the photo's blur, 0 when not known.
	BlurPX float64
	// Ringed says that each marble lies on a ring, which may show around it.
	Ringed bool
}

// Sizes of what may be a marble, mm: the smallest peewees are a little over
// 9 mm, the largest machine-made ones about 50 mm (common practice). With room
// on both sides.
const (
	smallestMM = 8.0
	largestMM  = 55.0
)

// Without a card a marble's radius is between these shares of the picture's
// longer side: a tray photographed whole, and a single marble filling half the
// frame's height.
const (
	smallestShare = 0.011
	largestShare  = 0.19
)

// Limits of acceptance, on the refined outline.
const (
	// leastCoarse is the score a coarse candidate needs; false ones (shadows,
	// caustics, reflections) reach 0.4, marbles seldom less than 0.55.
	leastCoarse = 0.28
	// leastCoverage is the share of directions that must show the outline.
	leastCoverage = 0.50
	// leastFinal is the same on the last, tight outline.
	leastFinal = 0.30
)

// Found is what Find saw in a photo.
type Found struct {
	Marbles []Outline
	// PaperLinear is the median linear RGB of open paper, and PaperShare the
	// share of the picture outside the card that fits a smooth neutral
	// background.
	PaperLinear [3]float64
	PaperShare  float64
	Paper       *Paper
	BlurPX      float64 // the blur used
}

// Find finds the marbles in a photo and refines their outlines. Marbles come
// out by row, then column.
func Find(p *Photo, sc Scene) Found {
	long := max(p.Width, p.Height)
	side := 1008
	if sc.MMPerPX > 0 {
		// The smallest marble should be at least 7 px in radius when looked for.
		need := 7 * sc.MMPerPX / (smallestMM / 2) * float64(long)
		side = int(math.Max(1008, math.Min(1800, need)))
	}
	l, ok := lookAt(p, sc, side)
	defer l.img.Close()
	f := l.found(p, sc)
	if !ok {
		return f
	}
	s := l.scale
	chosen, all := coarseOutlines(l, sc, 1.25, leastCoarse)
	if f.BlurPX <= 0 {
		f.BlurPX = 1
	}
	// Which of the circles about a place is the glass shows where marbles are some
	// eighty pixels across; its exact place at full size.
	full := &refiner{px: p.pixels(), cam: sc.Camera, sigmaPX: f.BlurPX, rim: newRimTable(f.BlurPX), ringed: sc.Ringed}
	rf, k := full, 1.0
	if times := int(radiusOf(chosen, s)/chooseRadiusPX + 0.5); times > 1 {
		// Blocks of whole pixels are averaged much faster.
		small, scale := p.reduced((long + times - 1) / times)
		defer small.Close()
		// A box filter as wide as a pixel has a variance of 1/12 px.
		sigma := math.Sqrt(f.BlurPX*f.BlurPX*scale*scale + 1.0/12)
		rf, k = &refiner{px: calib.NewPixels(small), cam: sc.Camera.Scaled(scale), sigmaPX: sigma, rim: newRimTable(sigma), coarse: true, ringed: sc.Ringed}, scale
	}
	ellipses := make([]calib.Ellipse, len(chosen))
	solid := make([]bool, len(chosen))
	for i, c := range chosen {
		ellipses[i] = resized(c.e, s/k)
		solid[i] = c.score >= credible
	}
	defer full.close()
	var families [][]Outline
	for i, c := range chosen {
		skip := behind(ellipses, i, func(j int) bool { return solid[j] })
		near := rf.outlinesNear(c, all, s/k, skip)
		for i := range near {
			near[i].Ellipse = resized(near[i].Ellipse, k)
			if f := near[i].fainter; f != nil {
				*f = resized(*f, k)
			}
		}
		if near = ofMarbleSize(near, sc.MMPerPX); len(near) > 0 {
			families = append(families, near)
		}
	}
	if rf != full {
		rf.close()
	}
	families = settle(families)
	last := full.last(families, k)
	if sc.BlurPX <= 0 {
		// Nothing told the blur but the marbles themselves.
		for range blurRounds {
			sigma := blurOf(last)
			if sigma <= 0 || math.Abs(sigma-full.sigmaPX) < 0.08*full.sigmaPX {
				break
			}
			full.sigmaPX, full.rim, f.BlurPX = sigma, newRimTable(sigma), sigma
			last = full.last(families, k)
		}
	}
	outs := ofMarbleSize(last, sc.MMPerPX)
	outs = besidePaper(outs, full.px, f.Paper, sc.Areas)
	f.Marbles = rowsThenColumns(outs)
	return f
}

// blurRounds is how often the blur is read again from the outlines that it gave: a
// step wider than it was taken for is first read too narrow.
const blurRounds = 3

// widthPerBlur is the 10 to 90 % width of the sharper edges of glass in units of
// the photo's blur: 2.56 for a step of Gaussian blur, and a little for the rim's
// slow start. The median over 92 photos with a card is 2.7, nine in ten between
// 2.4 and 3.0.
const widthPerBlur = 2.7

// blurOf is the photo's blur (a standard deviation, px) by the edges of the
// marbles in it, 0 where there is none: the lower quartile, since shadows and the
// colours along a rim only make edges wider.
func blurOf(outs []Outline) float64 {
	var w []float64
	for _, o := range outs {
		if o.SoftPX > 0 {
			w = append(w, o.SoftPX)
		}
	}
	if len(w) == 0 {
		return 0
	}
	return math.Max(leastBlurPX, order.Nth(w, len(w)/4)/widthPerBlur)
}

// leastBlurPX is the blur of pixels as wide as they lie apart, read between.
const leastBlurPX = 0.45

// look is a photo reduced for finding things in, with its paper.
type look struct {
	img    smallPicture
	masked []bool // the card's pixels; nil without one
	scale  float64
	paper  *Paper
}

// lookAt reduces a photo to side px along its longer side and fits its paper;
// ok is false for a picture too small to hold a marble. The picture is to be closed
// either way.
func lookAt(p *Photo, sc Scene, side int) (l look, ok bool) {
	small, s := p.reduced(side)
	l.scale = s
	if l.img = newSmallPicture(small); l.img.bgr == nil || l.img.w < 24 || l.img.h < 24 {
		return l, false
	}
	l.masked = sc.Areas.mask(l.img.w, l.img.h, s, 0.012*float64(max(l.img.w, l.img.h)))
	l.paper = &Paper{model: fitPaper(&l.img, l.masked), scale: s}
	return l, true
}

// found is what is known before any marble is.
func (l look) found(p *Photo, sc Scene) Found {
	f := Found{BlurPX: sc.BlurPX, Paper: l.paper}
	if l.paper != nil {
		f.PaperShare = l.paper.model.share
		f.PaperLinear = l.paper.LinearAt(float64(p.Width)/2, float64(p.Height)/2)
	}
	return f
}

// ofMarbleSize keeps what is as large as a marble by the flat scale, which reads
// 2 to 5 % large on the table and never small; all where there is no scale.
func ofMarbleSize(outs []Outline, mmPerPX float64) []Outline {
	if mmPerPX <= 0 {
		return outs
	}
	kept := outs[:0]
	for _, o := range outs {
		if d := 2 * o.Ellipse.MeanRadiusPX() * mmPerPX; d >= smallestMM && d <= 1.2*largestMM {
			kept = append(kept, o)
		}
	}
	return kept
}

// Limits of what counts as paper beside a marble.
const (
	// paperChroma is how far each colour difference (opponent, encoded) may be
	// from the paper's: light coloured by the glass falls on a part only.
	paperChroma = 0.07
	// paperDark and paperBright bound the lightness over the paper's: deep
	// shadow and gathered light.
	paperDark   = 0.45
	paperBright = 1.35
	// paperAround is the least share of directions with paper beside the
	// outline.
	paperAround = 0.6
	// evenAround is the least share of directions in which that paper is, within
	// paperEven, as light as the rest of the sheet: shadow and gathered light
	// leave the side toward the light alone.
	evenAround = 0.3
	paperEven  = 0.15
)

// besidePaper keeps outlines with paper beside them: marbles lie on it. A circle in
// a pattern, a picture or a face has more of the same beside it.
func besidePaper(outs []Outline, px calib.Pixels, paper *Paper, off *Areas) []Outline {
	var kept []Outline
	for i, o := range outs {
		seen, like, even := 0, 0, 0
		const around = 48
		for k := range around {
			x, y, nx, ny := o.Ellipse.At(2 * math.Pi * float64(k) / around)
			d := 0.16*o.Ellipse.MeanRadiusPX() + 1
			x, y = x+d*nx, y+d*ny
			if x < 0 || y < 0 || x > float64(px.W-1) || y > float64(px.H-1) || inOther(outs, i, x, y) || off.Has(x, y) {
				continue
			}
			seen++
			v, p := opponent(px.EncodedAt(x, y)), paper.opponentAt(x, y)
			q := float64(v[0]) / math.Max(0.02, p[0])
			if math.Abs(float64(v[1])-p[1]) < paperChroma && math.Abs(float64(v[2])-p[2]) < paperChroma && q > paperDark && q < paperBright {
				like++
				if q > 1-paperEven && q < 1+paperEven {
					even++
				}
			}
		}
		if seen < around/4 || float64(like) >= paperAround*float64(seen) && float64(even) >= evenAround*float64(seen) {
			kept = append(kept, o)
		}
	}
	return kept
}

// coarseOutlines finds candidates in the reduced picture: the chosen ones, one
// a marble, with at least the score asked for, and all that were fitted. room
// is how much larger than the largest marble a circle may be.
func coarseOutlines(l look, sc Scene, room, leastScore float64) (chosen, all []coarse) {
	img, s := &l.img, l.scale
	cam := sc.Camera.Scaled(s)
	rMin, rMax := smallestShare*float64(max(img.w, img.h)), largestShare*float64(max(img.w, img.h))
	if sc.MMPerPX > 0 {
		k := s / sc.MMPerPX
		rMin, rMax = smallestMM/2*k*0.8, largestMM/2*k*room
	}
	rMin = math.Max(5, rMin)
	rMax = math.Max(rMin*1.2, math.Min(rMax, 0.45*float64(min(img.w, img.h))))
	es := edges(img, l.masked)
	grid := newEdgeGrid(es, img.w, img.h, 16, cam)
	circles := propose(grid.Edges, img.w, img.h, rMin, rMax)
	all = make([]coarse, len(circles))
	for i, c := range circles {
		all[i] = grid.fitCoarse(c, cam)
	}
	return choose(all, leastScore), all
}

// behind says of a pixel whether it lies in or against one of the outlines,
// number self and those not counted left out.
func behind(ellipses []calib.Ellipse, self int, counts func(j int) bool) func(x, y float64) bool {
	var others around
	for j, e := range ellipses {
		if j != self && counts(j) {
			others = append(others, aroundOf(e, math.Sqrt(1.03)))
		}
	}
	return others.hold
}

// chooseRadiusPX is the radius at which it is told glass from shadows and inner
// rings.
const chooseRadiusPX = 42.0

// radiusOf is the median radius of what was found in a picture reduced by s, in
// full-size pixels.
func radiusOf(found []coarse, s float64) float64 {
	if len(found) == 0 {
		return 0
	}
	r := make([]float64, len(found))
	for i, c := range found {
		r[i] = c.r() / s
	}
	sort.Float64s(r)
	return r[len(r)/2]
}

// outlinesNear finds what may be the outline of one marble, best supported first;
// s is the size of the coarse picture by the one looked at. Which of the coarse
// outlines about the place is the glass, and which a shadow or an inner ring,
// shows only there: each is fitted, so is what the outermost steps agree on, and
// the places they come to are weighed by all that is seen around.
func (rf *refiner) outlinesNear(c coarse, all []coarse, s float64, skip func(x, y float64) bool) []Outline {
	softLimit := rf.softLimit()
	from := starts(c, all)
	base := resized(c.e, s)
	reach := 0.0
	for i := range from {
		from[i].e = resized(from[i].e, s)
		e := from[i].e
		reach = math.Max(reach, math.Hypot(e.CxPX-base.CxPX, e.CyPX-base.CyPX)+math.Abs(e.MeanRadiusPX()-base.MeanRadiusPX()))
	}
	reach = math.Min(reach, 0.3*base.MeanRadiusPX()) + rf.judgeReach(base)
	seen := rf.scan(base, reach, skip)
	if n := seen.looked + seen.hidden + seen.outside; seen.looked < n/4 || seen.looked == 0 {
		return nil
	}
	reachOf := func(pass int, e calib.Ellipse) float64 { return reaches[pass]*e.MeanRadiusPX() + 1 + rf.sigmaPX }
	var tries []Outline
	try := func(e calib.Ellipse) {
		if o, ok := rf.fit(seen, e, reachOf(1, e), softLimit, 0); ok && o.Coverage >= leastCoverage {
			tries = append(tries, o)
		}
	}
	// Starts that come to one place on the first pass are one.
	var places []Outline
	for _, start := range from {
		o, ok := rf.fit(seen, start.e, reachOf(0, start.e), softLimit, 0)
		if !ok {
			continue
		}
		if places = append(places, o); len(distinct(places)) < len(places) {
			places = places[:len(places)-1]
			continue
		}
		try(o.Ellipse)
	}
	mid := base
	for i := range tries {
		tries[i].Support = rf.judge(seen, tries[i].Ellipse, softLimit)
	}
	if o, ok := bestOf(tries); ok {
		mid = o.Ellipse
	}
	if e, ok := rf.consensus(rf.band(seen, mid, 0.12*mid.MeanRadiusPX()+1+rf.sigmaPX), mid, 0.6+0.5*rf.sigmaPX, 0.2, rf.against(outsideShare), chooseTries); ok {
		try(e)
	}
	var last []Outline
	settle := func(seen *sight, o Outline) {
		if n, ok := rf.fit(seen, o.Ellipse, reachOf(2, o.Ellipse), softLimit, chooseTries); ok && n.Coverage >= leastFinal {
			n.Support = rf.judge(seen, n.Ellipse, softLimit)
			last = append(last, n)
		}
	}
	for _, o := range distinct(tries) {
		settle(seen, o)
	}
	bySupport(last)
	if len(last) > 0 && last[0].Support < wellSupported {
		// Clear glass on an even ground shows only where a ribbon meets its rim:
		// the circles proposed may all be of ribbons. What the places agree on
		// farther around is tried as well.
		wide := rf.scan(base, 0.5*base.MeanRadiusPX(), skip)
		if wide.looked > 0 {
			if e, ok := rf.consensus(rf.band(wide, base, math.Inf(1)), base, 0.6+0.5*rf.sigmaPX, 0.45, rf.against(outsideShare), finalTries); ok {
				settle(wide, Outline{Ellipse: e})
				bySupport(last)
			}
		}
	}
	last = distinct(last)
	for i := range last {
		if !rf.ringed {
			last[i].fainter = rf.outside(seen, last[i].Ellipse)
		}
	}
	return last
}

// wellSupported is the support under which an outline is looked for once more,
// farther around.
const wellSupported = 0.2

func bySupport(o []Outline) {
	sort.SliceStable(o, func(i, j int) bool { return o[i].Support > o[j].Support })
}

// credible is the score of a coarse candidate that may hide another marble.
const credible = 0.45

// last refines the best outline of each family once more, tightly, now that it
// is known which neighbours there are, and says which touch. Where the closer
// look doesn't bear the outline out, the family's next is tried. They were
// found in a picture of k times this one's size.
func (rf *refiner) last(families [][]Outline, k float64) []Outline {
	ellipses := make([]calib.Ellipse, len(families))
	for i := range families {
		ellipses[i] = families[i][0].Ellipse
	}
	var kept []Outline
	for i, family := range families {
		skip := behind(ellipses, i, func(int) bool { return true })
		for _, o := range family {
			n, ok := rf.closer(o, k, skip)
			if !ok {
				continue
			}
			for j, e := range ellipses {
				if j != i && math.Hypot(e.CxPX-n.Ellipse.CxPX, e.CyPX-n.Ellipse.CyPX) < touchWithin*(e.MeanRadiusPX()+n.Ellipse.MeanRadiusPX()) {
					n.Touching = true
				}
			}
			kept = append(kept, n)
			break
		}
	}
	return kept
}

// closer is an outline refined at full size.
func (rf *refiner) closer(o Outline, k float64, skip func(x, y float64) bool) (Outline, bool) {
	// A pixel of the picture it was found in, and a share of its size.
	reach := reaches[2]*o.Ellipse.MeanRadiusPX() + 1 + rf.sigmaPX
	if k < 1 {
		reach = 0.02*o.Ellipse.MeanRadiusPX() + 1/k + rf.sigmaPX
	}
	seen := rf.scan(o.Ellipse, reach, skip)
	if 4*seen.looked < seen.looked+seen.hidden+seen.outside || seen.looked == 0 {
		return o, false
	}
	n, ok := rf.fit(seen, o.Ellipse, reach, rf.softLimit(), finalTries)
	if !ok || n.Coverage < leastFinal {
		return o, false
	}
	n.Support = o.Support
	n.BiasUPX = biasU(n.Coverage, o.Support)
	if o.fainter != nil {
		n = n.between(*o.fainter, rf.cam)
	}
	return n, true
}

// touchWithin is how near two outlines' middles lie when marbles touch, in sums
// of radii: foreshortening brings them nearer, never farther.
const touchWithin = 1.03

// resized turns an ellipse of a picture into one of a picture 1/s times its
// size. Pixel centres are at whole numbers.
func resized(e calib.Ellipse, s float64) calib.Ellipse {
	return calib.Ellipse{CxPX: (e.CxPX+0.5)/s - 0.5, CyPX: (e.CyPX+0.5)/s - 0.5, SemiMajorPX: e.SemiMajorPX / s, SemiMinorPX: e.SemiMinorPX / s, AngleDeg: e.AngleDeg}
}

// starts are the coarse outlines worth refining for one marble: the chosen one
// and others of its family that differ from those before, at most five. Which
// of them is the glass and which a shadow or an inner ring shows only at full
// size.
func starts(c coarse, all []coarse) []coarse {
	out := []coarse{c}
	for _, o := range all {
		if len(out) >= 5 {
			break
		}
		if o.score < 0.6*c.score || o.score < leastCoarse {
			continue
		}
		if d := math.Hypot(o.e.CxPX-c.e.CxPX, o.e.CyPX-c.e.CyPX); d > 0.45*c.r() || o.r() < 0.75*c.r() || o.r() > 1.35*c.r() {
			continue
		}
		fresh := true
		for _, p := range out {
			if math.Hypot(o.e.CxPX-p.e.CxPX, o.e.CyPX-p.e.CyPX)+math.Abs(o.r()-p.r()) < 0.05*p.r()+0.7 {
				fresh = false
				break
			}
		}
		if fresh {
			out = append(out, o)
		}
	}
	return out
}

// distinct drops outlines that are the same as one before.
func distinct(o []Outline) []Outline {
	var out []Outline
	for _, a := range o {
		fresh := true
		for _, b := range out {
			if math.Hypot(a.Ellipse.CxPX-b.Ellipse.CxPX, a.Ellipse.CyPX-b.Ellipse.CyPX)+math.Abs(a.Ellipse.MeanRadiusPX()-b.Ellipse.MeanRadiusPX()) < 0.8 {
				fresh = false
				break
			}
		}
		if fresh {
			out = append(out, a)
		}
	}
	return out
}

// bestOf is the outline best supported.
func bestOf(o []Outline) (Outline, bool) {
	if len(o) == 0 {
		return Outline{}, false
	}
	best := 0
	for i := range o {
		if o[i].Support > o[best].Support {
			best = i
		}
	}
	return o[best], true
}

// reaches are how far from the last outline each pass looks, as shares of the
// radius.
var reaches = [3]float64{0.06, 0.04, 0.05}

// softLimit is the width past which an edge is a shadow's and not the glass's,
// px: a Gaussian step is 2.56 sigma wide from 10 to 90 %, and the rim's slow
// start adds to that.
func (rf *refiner) softLimit() float64 { return 3.2*rf.sigmaPX + 2.5 }

// leastSupport is the support below which what is seen around an outline beside a
// plain one speaks against it nearly as much as for it. Of 580 marbles in good
// photos of two renderers the least had 0.08; circles in shadows have less than 0.02.
const leastSupport = 0.03

// settle gives each family its best outline that overlaps none of a better
// supported one's, first in its list; a family without any is dropped.
func settle(families [][]Outline) [][]Outline {
	sort.SliceStable(families, func(i, j int) bool {
		return families[i][0].Support > families[j][0].Support
	})
	var kept [][]Outline
	for _, family := range families {
		var free []Outline
		for _, o := range family {
			if !clashes(o, kept) {
				free = append(free, o)
			}
		}
		if len(free) > 0 {
			kept = append(kept, free)
		}
	}
	return kept
}

// clashes says whether an outline can't be a marble beside those kept.
func clashes(o Outline, kept [][]Outline) bool {
	r := o.Ellipse.MeanRadiusPX()
	for _, family := range kept {
		k := family[0]
		rk := k.Ellipse.MeanRadiusPX()
		d := math.Hypot(o.Ellipse.CxPX-k.Ellipse.CxPX, o.Ellipse.CyPX-k.Ellipse.CyPX)
		// A small faint round thing beside a marble is the light it gathered or
		// its shadow.
		if d < overlap*(r+rk) || r < 0.65*rk && o.Support < 0.6*k.Support && d < 1.25*(r+rk) {
			return true
		}
		// So is a larger one that hardly anything speaks for, and one that would have
		// to stand within the marble, even as foreshortened as marbles seen at 25
		// degrees.
		if o.Support < leastSupport && k.Support > 4*leastSupport && d < 0.95*(r+rk) || o.Support < 0.2*k.Support && d < 0.9*(r+rk) {
			return true
		}
	}
	return false
}

func rowBefore(a, b calib.Ellipse) bool {
	if a.CyPX != b.CyPX {
		return a.CyPX < b.CyPX
	}
	return a.CxPX < b.CxPX
}

// rowsThenColumns orders outlines as a person reads: those whose middles lie
// within a radius of the row's first belong to one row.
func rowsThenColumns(in []Outline) []Outline {
	sort.SliceStable(in, func(i, j int) bool { return rowBefore(in[i].Ellipse, in[j].Ellipse) })
	var out []Outline
	for len(in) > 0 {
		limit := in[0].Ellipse.CyPX + in[0].Ellipse.MeanRadiusPX()
		n := 0
		for n < len(in) && in[n].Ellipse.CyPX <= limit {
			n++
		}
		row := append([]Outline(nil), in[:n]...)
		sort.SliceStable(row, func(i, j int) bool { return row[i].Ellipse.CxPX < row[j].Ellipse.CxPX })
		out = append(out, row...)
		in = in[n:]
	}
	return out
}
