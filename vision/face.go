package vision

import (
	"math"
	"sync"

	"tawsight/calib"
	"tawsight/features"
	"tawsight/internal/colour"
	"tawsight/internal/kernels"
)

// Radii that faces are resampled to, px: enough for fine ribbons, small enough
// that a large marble costs no more than a small one.
const (
	faceRadiusLeast = 16.0
	// faceRadiusKept is how large a marble is left as the photo has it: taking
	// less than a seventh off would blur it more than it saves. Larger ones are
	// brought down to faceRadiusMost, so that a marble is looked at alike in a
	// large photo and in a small one. Of 40 marbles of 63 to 111 px and 162 of 27
	// to 72 px, none of the figures checked against the truth came out worse than
	// at 64 px.
	faceRadiusKept = 56.0
	faceRadiusMost = 48.0
)

// faceRadius is the radius of the face of a marble whose radius in the photo is
// given, px, and how many samples along each side of a pixel of the face are
// averaged.
func faceRadius(seen float64) (r float64, over int) {
	if seen <= faceRadiusKept {
		return math.Max(faceRadiusLeast, seen), 1
	}
	return faceRadiusMost, int(math.Max(2, math.Min(4, math.Round(seen/faceRadiusMost))))
}

// faceRoom is what a face takes, kept for the next one.
type faceRoom struct {
	linear, lab [][3]float64
	mask        []uint8
}

// A shelf keeps what was used for the next who wants such, a few at most. Unlike a
// sync.Pool it is not emptied when Go collects what nobody uses: rooms of a megabyte
// would be asked of the system anew for each marble.
type shelf[T any] struct {
	mu   sync.Mutex
	kept []T
}

// shelfMost is how many a shelf keeps.
const shelfMost = 2

func (s *shelf[T]) take() (v T) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if n := len(s.kept); n > 0 {
		v, s.kept = s.kept[n-1], s.kept[:n-1]
	}
	return v
}

func (s *shelf[T]) put(v T) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.kept) < shelfMost {
		s.kept = append(s.kept, v)
	}
}

var (
	faceRooms   shelf[faceRoom]
	brightRooms shelf[[]float64]
)

// faceMost is the most pixels a face has: all rooms are as large, so that any
// serves any marble.
const faceMost = (2*faceRadiusKept + 3) * (2*faceRadiusKept + 3)

// Reuse takes a face's room back once nobody looks at it, or at an analysis of it,
// any more.
func Reuse(f *features.Face) {
	n := min(cap(f.Linear), cap(f.Lab), cap(f.Mask))
	faceRooms.put(faceRoom{f.Linear[:n], f.Lab[:n], f.Mask[:n]})
}

// faceReach is how far a face shows what lies around the marble, in radii.
const faceReach = 1.05

// fullLight is past what a channel of linear light shows undisturbed.
const fullLight = 0.96

// Face cuts marble i out of the photo for package features. radiusMM is 0 when
// the size is not known; off the areas where there is no paper.
func Face(p *Photo, found Found, i int, light Light, radiusMM float64, off *Areas) *features.Face {
	o := found.Marbles[i]
	e := o.Ellipse
	px := p.pixels()
	r, over := faceRadius(e.MeanRadiusPX())
	size := 2*int(math.Ceil(r)) + 3
	f := &features.Face{
		Size: size, Radius: r, RadiusMM: radiusMM,
		BlurShare: found.BlurPX / e.MeanRadiusPX(),
	}
	room := faceRooms.take()
	if cap(room.mask) < size*size {
		n := max(size*size, faceMost)
		room = faceRoom{make([][3]float64, n), make([][3]float64, n), make([]uint8, n)}
	}
	f.Linear, f.Lab, f.Mask = room.linear[:size*size], room.lab[:size*size], room.mask[:size*size]
	bright := brightRooms.take()
	if cap(bright) < size*size {
		bright = make([]float64, max(size*size, faceMost))
	}
	defer brightRooms.put(bright)
	bright = bright[:size*size]

	toPixel := discOnPhoto(e)
	field := light.over(e.CxPX, e.CyPX, 2.1*e.SemiMajorPX)
	see := newSampler(px)
	line := make([]kernels.Sample, size)
	near := neighbours(found.Marbles, i, features.RingFrom+features.RingSteps*features.RingStep)
	covering := neighbours(found.Marbles, i, 1)
	full := make([]bool, size)
	c := float64(size-1) / 2
	for j := 0; j < size; j++ {
		y := (float64(j) - c) / r
		from, to := span(y, c, r, size)
		first, last := j*size+from, j*size+to
		for _, b := range [2][2]int{{j * size, first}, {last, (j + 1) * size}} {
			clear(f.Linear[b[0]:b[1]])
			clear(f.Lab[b[0]:b[1]])
			clear(bright[b[0]:b[1]])
		}
		clear(f.Mask[j*size : (j+1)*size])
		if to <= from {
			continue
		}
		lin, seen, mask := line[:to-from], bright[first:last], f.Mask[first:last]
		full := full[:to-from]
		clear(lin)
		clear(full)
		x := (float64(from) - c) / r
		// When the marble is larger than the face, several places are averaged.
		for a := range over {
			for b := range over {
				ox := ((float64(a)+0.5)/float64(over) - 0.5) / r
				oy := ((float64(b)+0.5)/float64(over) - 0.5) / r
				see.add(lin, full, toPixel.line(x+ox, y+oy, 1/r), 1/float64(over*over))
			}
		}
		at := toPixel.line(x, y, 1/r)
		field.balance(lin, at, f.Linear[first:last], seen)
		kernels.Lab(f.Lab[first:last], lin)
		for k := range mask {
			x := (float64(from+k) - c) / r
			rho2 := x*x + y*y
			if rho2 >= 1 {
				continue
			}
			m := features.Glass
			if rho2 > features.RimFrom*features.RimFrom {
				m |= features.Rim
			}
			if l := &f.Linear[first+k]; full[k] && min(l[0], l[1], l[2]) > 0.6*seen[k] {
				m |= features.Highlight
			}
			mask[k] = m
		}
		if ex, ey := at.Place(to - from); len(covering) > 0 || !see.holds(at.X, at.Y) || !see.holds(ex, ey) {
			for k := range mask {
				if mask[k] == 0 {
					continue
				}
				ux, uy := at.Place(k)
				outside := ux < 0 || uy < 0 || ux > see.w || uy > see.h
				if outside || covering.hold(ux, uy) {
					mask[k] |= features.Hidden
				}
			}
		}
	}
	markHighlights(f, bright)

	// Paper around, and the ring of light on it.
	paperAt := func(x, y float64) [3]float64 { return found.Paper.LinearAt(x, y) }
	f.PaperLab = colour.LinearToLab(light.At(paperAt(e.CxPX, e.CyPX), e.CxPX, e.CyPX))
	f.Ring.Value = make([][]float64, features.RingDirs)
	// Each is the mean of five places.
	h := 0.3 * features.RingStep * e.MeanRadiusPX()
	five := [5][2]float64{{0, 0}, {h, 0}, {-h, 0}, {0, h}, {0, -h}}
	for d := range f.Ring.Value {
		row := make([]float64, features.RingSteps)
		st, ct := math.Sincos(2 * math.Pi * float64(d) / features.RingDirs)
		out := toPixel.ray(ct, st, features.RingFrom, features.RingStep)
		var got [features.RingSteps]float64
		whole := true // all of it lies in the photo
		for _, by := range five {
			at := out
			at.X, at.Y = at.X+by[0], at.Y+by[1]
			whole = whole && px.AddLuminance(got[:], at)
		}
		for s := range row {
			row[s] = math.NaN()
			x, y := out.Place(s)
			if x < 1 || y < 1 || x > float64(px.W-2) || y > float64(px.H-2) || near.hold(x, y) || off.Has(x, y) {
				continue
			}
			if !whole {
				got[s] = 0
				for _, by := range five {
					got[s] += px.LuminanceAt(x+by[0], y+by[1])
				}
			}
			l := paperAt(x, y)
			if want := 5 * (0.2126*l[0] + 0.7152*l[1] + 0.0722*l[2]); want > 1e-3 {
				row[s] = got[s] / want
			}
		}
		f.Ring.Value[d] = row
	}
	return f
}

// around are the other marbles about one of them, as far as its paper is looked
// at, with their angles worked out once.
type around []neighbour

type neighbour struct{ cx, cy, c, s, major, minor float64 }

// aroundOf is an outline grown k times.
func aroundOf(e calib.Ellipse, k float64) neighbour {
	s, c := math.Sincos(e.AngleDeg * math.Pi / 180)
	return neighbour{e.CxPX, e.CyPX, c, s, k * e.SemiMajorPX, k * e.SemiMinorPX}
}

// neighbours are the marbles that come within reach radii of one of them.
func neighbours(all []Outline, self int, reach float64) around {
	e := make([]calib.Ellipse, len(all))
	for i := range all {
		e[i] = all[i].Ellipse
	}
	return about(e, self, reach, 1)
}

// about are the outlines that lie within reach radii of one of them, grown so that
// what they hold has grown times the area.
func about(all []calib.Ellipse, self int, reach, grown float64) (out around) {
	e, k := all[self], math.Sqrt(grown)
	for j, o := range all {
		if j == self || math.Hypot(o.CxPX-e.CxPX, o.CyPX-e.CyPX) > reach*e.SemiMajorPX+k*o.SemiMajorPX {
			continue
		}
		out = append(out, aroundOf(o, k))
	}
	return out
}

// hold says that a pixel lies in one of their outlines.
func (a around) hold(x, y float64) bool {
	for i := range a {
		o := &a[i]
		dx, dy := x-o.cx, y-o.cy
		if dx > o.major || -dx > o.major || dy > o.major || -dy > o.major {
			continue
		}
		u, v := (o.c*dx+o.s*dy)/o.major, (-o.s*dx+o.c*dy)/o.minor
		if u*u+v*v < 1 {
			return true
		}
	}
	return false
}

// span are the pixels of a face's row at y, in radii, that are filled in: from the
// first to before the last. c is the middle one, r the radius, both in pixels.
func span(y, c, r float64, size int) (from, to int) {
	most := faceReach*faceReach - y*y
	if most < 0 {
		return 0, 0
	}
	half := math.Sqrt(most) * r
	in := func(k int) bool {
		x := (float64(k) - c) / r
		return x*x <= most
	}
	from, to = max(0, int(c-half)), min(size, int(c+half)+2)
	for from < to && !in(from) {
		from++
	}
	for to > from && !in(to-1) {
		to--
	}
	return from, to
}

// onPhoto takes a place on a marble's disc (in radii, axes along the picture's) to
// a pixel: the circle is stretched into the ellipse along the ellipse's own axes.
type onPhoto struct{ cx, cy, xx, xy, yy float64 }

func discOnPhoto(e calib.Ellipse) onPhoto {
	s, c := math.Sincos(e.AngleDeg * math.Pi / 180)
	a, b := e.SemiMajorPX, e.SemiMinorPX
	return onPhoto{e.CxPX, e.CyPX, a*c*c + b*s*s, (a - b) * s * c, a*s*s + b*c*c}
}

func (d *onPhoto) at(x, y float64) (float64, float64) {
	return d.cx + d.xx*x + d.xy*y, d.cy + d.xy*x + d.yy*y
}

// line is a row of places on the disc, step radii apart, as it lies in the photo.
func (d *onPhoto) line(x, y, step float64) kernels.Straight {
	ux, uy := d.at(x, y)
	return kernels.Straight{X: ux, Y: uy, DX: d.xx * step, DY: d.xy * step}
}

// ray is a row of places outward from the disc's middle, in the direction whose cosine
// and sine are given: the first from radii out, and each step farther.
func (d *onPhoto) ray(ct, st, from, step float64) kernels.Straight {
	x, y := d.at(from*ct, from*st)
	return kernels.Straight{X: x, Y: y, DX: (d.xx*ct + d.xy*st) * step, DY: (d.xy*ct + d.yy*st) * step}
}

// A sampler reads a photo in linear light between its pixels, as
// [calib.Pixels.LinearAt] does, and quicker where the photo is the usual one of 8
// bits in sRGB.
type sampler struct {
	px   calib.Pixels
	w, h float64 // the last column and row
}

func newSampler(px calib.Pixels) *sampler {
	return &sampler{px, float64(px.W - 1), float64(px.H - 1)}
}

// holds says that a place has photo on all sides.
func (s *sampler) holds(x, y float64) bool { return x >= 0 && y >= 0 && x < s.w && y < s.h }

// usual says that the photo is one of 8 bits in sRGB.
func (s *sampler) usual() bool { return s.px.B8 != nil && s.px.Table == nil }

// add adds share times the colours at places to a line, and says where a channel
// is as light as it can be.
func (s *sampler) add(line []kernels.Sample, full []bool, at kernels.Straight, share float64) {
	ex, ey := at.Place(len(line) - 1)
	if s.usual() && s.holds(at.X, at.Y) && s.holds(ex, ey) {
		kernels.Between(line, full, s.px.B8, s.px.W, at, &linear8, share, fullLight)
		return
	}
	for k := range line {
		l := s.px.LinearAt(at.Place(k))
		for q := range l {
			line[k][q] += float32(l[q] * share)
			full[k] = full[k] || l[q] > fullLight
		}
	}
}

// inOther says that a pixel lies in another marble's outline.
func inOther(all []Outline, self int, x, y float64) bool {
	for j := range all {
		if j == self {
			continue
		}
		if u, v := all[j].Ellipse.Unit(x, y); u*u+v*v < 1.0 {
			return true
		}
	}
	return false
}

// inPolygon says that a point lies inside a convex polygon given in order.
func inPolygon(poly [][2]float64, x, y float64) bool {
	if len(poly) < 3 {
		return false
	}
	pos, neg := false, false
	for i := range poly {
		a, b := poly[i], poly[(i+1)%len(poly)]
		c := (b[0]-a[0])*(y-a[1]) - (b[1]-a[1])*(x-a[0])
		pos, neg = pos || c > 0, neg || c < 0
	}
	return !(pos && neg)
}

// markHighlights marks mirrored lamps and windows: places much brighter than
// what lies around them at the scale of a window's image (an eighth of the
// radius), and less coloured. Glass mirrors 4 % at normal incidence, and a
// lamp is many times brighter than paper, so that a highlight adds white
// light of its own.
func markHighlights(f *features.Face, bright []float64) {
	n := f.Size
	w := max(2, int(f.Radius/5))
	// A coarse ring around, of which a small bright spot reaches a part only.
	var ring [16][2]int
	var step [16]int // the same in the rows as they follow each other
	for k := range ring {
		s, c := math.Sincos(2 * math.Pi * float64(k) / 16)
		ring[k] = [2]int{int(math.Round(float64(w) * c)), int(math.Round(float64(w) * s))}
		step[k] = ring[k][1]*n + ring[k][0]
	}
	mask := f.Mask[:len(bright)]
	// Grown by the blur that surrounds a highlight.
	g := max(1, int(math.Round(1.5*f.BlurShare*f.Radius)))
	grow := func(x, y int) {
		for j := max(0, y-g); j <= min(n-1, y+g); j++ {
			row := mask[j*n+max(0, x-g) : j*n+min(n-1, x+g)+1]
			for i := range row {
				if row[i]&features.Glass != 0 {
					row[i] |= features.Highlight
				}
			}
		}
	}
	for y := 0; y < n; y++ {
		for x := 0; x < n; x++ {
			i := y*n + x
			if mask[i]&features.Glass == 0 {
				continue
			}
			// Marked where it is more than 1.5 times the ring's seventh eighth, and
			// 0.12 above: where more than seven eighths lie below this.
			below := (bright[i] - 0.12) / 1.5
			if below <= 0 {
				continue
			}
			within := y >= w && y < n-w && x >= w && x < n-w
			seen, darker := 0, 0
			for k := range step {
				if !within {
					xx, yy := x+ring[k][0], y+ring[k][1]
					if xx < 0 || yy < 0 || xx >= n || yy >= n {
						continue
					}
				}
				j := i + step[k]
				if mask[j]&features.Glass == 0 {
					continue
				}
				seen++
				if bright[j] < below {
					darker++
				} else if seen-darker > 1 { // at most one may be as bright
					break
				}
			}
			if seen >= 8 && darker > seen*7/8 {
				grow(x, y)
			}
		}
	}
}
