package vision

import (
	"math"
	"sync"

	"tawsight/calib"
	"tawsight/features"
	"tawsight/internal/colour"
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

var faceRooms, brightRooms sync.Pool

// Reuse takes a face's room back once nobody looks at it, or at an analysis of it,
// any more.
func Reuse(f *features.Face) {
	n := min(cap(f.Linear), cap(f.Lab), cap(f.Mask))
	faceRooms.Put(&faceRoom{f.Linear[:n], f.Lab[:n], f.Mask[:n]})
}

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
	room, _ := faceRooms.Get().(*faceRoom)
	if room == nil || cap(room.mask) < size*size {
		room = &faceRoom{make([][3]float64, size*size), make([][3]float64, size*size), make([]uint8, size*size)}
	}
	f.Linear, f.Lab, f.Mask = room.linear[:size*size], room.lab[:size*size], room.mask[:size*size]
	clear(f.Linear)
	clear(f.Lab)
	clear(f.Mask)
	toPixel := discToPixel(e)
	field := light.over(e.CxPX, e.CyPX, 2.1*e.SemiMajorPX)
	see := linearSampler(px)
	near := neighbours(found.Marbles, i)
	// When the marble is larger than the face, several places are averaged.
	share := 1 / float64(over*over)
	c := float64(size-1) / 2
	kept, _ := brightRooms.Get().(*[]float64)
	if kept == nil || cap(*kept) < size*size {
		kept = new(make([]float64, size*size))
	}
	defer brightRooms.Put(kept)
	bright := (*kept)[:size*size]
	clear(bright)
	for j := 0; j < size; j++ {
		for k := 0; k < size; k++ {
			n := j*size + k
			x, y := (float64(k)-c)/r, (float64(j)-c)/r
			rho := math.Sqrt(x*x + y*y)
			if rho > 1.05 {
				continue
			}
			ux, uy := toPixel(x, y)
			var sum [3]float64
			clipped := false
			if over == 1 {
				sum = see(ux, uy)
				clipped = sum[0] > 0.96 || sum[1] > 0.96 || sum[2] > 0.96
			}
			for a := 0; over > 1 && a < over; a++ {
				for b := 0; b < over; b++ {
					ox := (float64(a)+0.5)/float64(over) - 0.5
					oy := (float64(b)+0.5)/float64(over) - 0.5
					ux, uy := toPixel(x+ox/r, y+oy/r)
					l := see(ux, uy)
					for q := range sum {
						sum[q] += l[q] * share
						clipped = clipped || l[q] > 0.96
					}
				}
			}
			lin := field.at(sum, ux, uy)
			f.Linear[n] = lin
			f.Lab[n] = colour.LinearToLabFast(lin)
			bright[n] = lin[0]*0.2126 + lin[1]*0.7152 + lin[2]*0.0722
			if rho < 1 {
				f.Mask[n] |= features.Glass
				if rho > features.RimFrom {
					f.Mask[n] |= features.Rim
				}
				if clipped && math.Min(lin[0], math.Min(lin[1], lin[2])) > 0.6*bright[n] {
					f.Mask[n] |= features.Highlight
				}
				outside := ux < 0 || uy < 0 || ux > float64(px.W-1) || uy > float64(px.H-1)
				if outside || near.hold(ux, uy) {
					f.Mask[n] |= features.Hidden
				}
			}
		}
	}
	markHighlights(f, bright)

	// Paper around, and the ring of light on it.
	paperAt := func(x, y float64) [3]float64 { return found.Paper.LinearAt(x, y) }
	f.PaperLab = colour.LinearToLab(light.At(paperAt(e.CxPX, e.CyPX), e.CxPX, e.CyPX))
	f.Ring.Value = make([][]float64, features.RingDirs)
	for d := range f.Ring.Value {
		row := make([]float64, features.RingSteps)
		st, ct := math.Sincos(2 * math.Pi * float64(d) / features.RingDirs)
		for s := range row {
			row[s] = math.NaN()
			q := features.RingFrom + float64(s)*features.RingStep
			x, y := toPixel(q*ct, q*st)
			if x < 1 || y < 1 || x > float64(px.W-2) || y > float64(px.H-2) || near.hold(x, y) || off.Has(x, y) {
				continue
			}
			// Average over the cell.
			h := 0.3 * features.RingStep * e.MeanRadiusPX()
			got, want := 0.0, 0.0
			for _, dd := range [5][2]float64{{0, 0}, {h, 0}, {-h, 0}, {0, h}, {0, -h}} {
				l := see(x+dd[0], y+dd[1])
				got += 0.2126*l[0] + 0.7152*l[1] + 0.0722*l[2]
			}
			l := paperAt(x, y)
			want = 5 * (0.2126*l[0] + 0.7152*l[1] + 0.0722*l[2])
			if want > 1e-3 {
				row[s] = got / want
			}
		}
		f.Ring.Value[d] = row
	}
	return f
}

// around are the other marbles about one of them, as far as its paper is looked
// at, with their angles worked out once.
type around []struct{ cx, cy, c, s, major, minor float64 }

// neighbours are the marbles that a face, or the paper around it, may meet.
func neighbours(all []Outline, self int) around {
	e := make([]calib.Ellipse, len(all))
	for i := range all {
		e[i] = all[i].Ellipse
	}
	return about(e, self, features.RingFrom+features.RingSteps*features.RingStep, 1)
}

// about are the outlines that lie within reach radii of one of them, grown so that
// what they hold has grown times the area.
func about(all []calib.Ellipse, self int, reach, grown float64) (out around) {
	e, k := all[self], math.Sqrt(grown)
	for j, o := range all {
		if j == self || math.Hypot(o.CxPX-e.CxPX, o.CyPX-e.CyPX) > reach*e.SemiMajorPX+k*o.SemiMajorPX {
			continue
		}
		s, c := math.Sincos(o.AngleDeg * math.Pi / 180)
		out = append(out, struct{ cx, cy, c, s, major, minor float64 }{o.CxPX, o.CyPX, c, s, k * o.SemiMajorPX, k * o.SemiMinorPX})
	}
	return out
}

// hold says that a pixel lies in one of their outlines.
func (a around) hold(x, y float64) bool {
	for i := range a {
		o := &a[i]
		dx, dy := x-o.cx, y-o.cy
		u, v := (o.c*dx+o.s*dy)/o.major, (-o.s*dx+o.c*dy)/o.minor
		if u*u+v*v < 1 {
			return true
		}
	}
	return false
}

// linearSampler is px.LinearAt, quicker for the usual photo of 8 bits in sRGB.
func linearSampler(px calib.Pixels) func(x, y float64) [3]float64 {
	if px.B8 == nil || px.Table != nil {
		return px.LinearAt
	}
	w, h := float64(px.W-1), float64(px.H-1)
	data, t := px.B8, &colour.Linear8
	return func(x, y float64) [3]float64 {
		x, y = max(0, min(w, x)), max(0, min(h, y))
		x0, y0 := int(x), int(y)
		fx, fy := x-float64(x0), y-float64(y0)
		i := 3 * (y0*px.W + x0)
		right, below := 3, 3*px.W
		if x0 == px.W-1 {
			right = 0
		}
		if y0 == px.H-1 {
			below = 0
		}
		a, b := data[i:i+3:i+3], data[i+right:i+right+3:i+right+3]
		i += below
		c, d := data[i:i+3:i+3], data[i+right:i+right+3:i+right+3]
		wa, wb, wc, wd := (1-fx)*(1-fy), fx*(1-fy), (1-fx)*fy, fx*fy
		return [3]float64{
			t[a[2]]*wa + t[b[2]]*wb + t[c[2]]*wc + t[d[2]]*wd,
			t[a[1]]*wa + t[b[1]]*wb + t[c[1]]*wc + t[d[1]]*wd,
			t[a[0]]*wa + t[b[0]]*wb + t[c[0]]*wc + t[d[0]]*wd,
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
	marks := make([]bool, n*n)
	// A coarse ring around, of which a small bright spot reaches a part only.
	var ring [16][2]int
	for k := range ring {
		s, c := math.Sincos(2 * math.Pi * float64(k) / 16)
		ring[k] = [2]int{int(math.Round(float64(w) * c)), int(math.Round(float64(w) * s))}
	}
	for y := 0; y < n; y++ {
		for x := 0; x < n; x++ {
			i := y*n + x
			// Marked where it is more than 1.5 times the ring's seventh eighth, and
			// 0.12 above: where more than seven eighths lie below this.
			below := (bright[i] - 0.12) / 1.5
			if below <= 0 || f.Mask[i]&features.Glass == 0 {
				continue
			}
			seen, darker := 0, 0
			for _, d := range ring {
				xx, yy := x+d[0], y+d[1]
				if xx < 0 || yy < 0 || xx >= n || yy >= n || f.Mask[yy*n+xx]&features.Glass == 0 {
					continue
				}
				seen++
				if bright[yy*n+xx] < below {
					darker++
				} else if seen-darker > 1 { // at most one may be as bright
					break
				}
			}
			marks[i] = seen >= 8 && darker > seen*7/8
		}
	}
	// Grown by the blur that surrounds a highlight.
	g := max(1, int(math.Round(1.5*f.BlurShare*f.Radius)))
	for y := 0; y < n; y++ {
		for x := 0; x < n; x++ {
			if !marks[y*n+x] && f.Mask[y*n+x]&features.Highlight == 0 {
				continue
			}
			if !marks[y*n+x] {
				continue
			}
			for j := max(0, y-g); j <= min(n-1, y+g); j++ {
				for i := max(0, x-g); i <= min(n-1, x+g); i++ {
					if f.Mask[j*n+i]&features.Glass != 0 {
						f.Mask[j*n+i] |= features.Highlight
					}
				}
			}
		}
	}
}
