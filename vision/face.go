package vision

import (
	"math"
	"sort"

	"tawsight/calib"
	"tawsight/features"
	"tawsight/internal/colour"
)

// faceRadius bounds the radius a face is resampled to, px: enough for fine
// ribbons, small enough that a large marble costs no more than a small one.
const (
	faceRadiusMost  = 80.0
	faceRadiusLeast = 16.0
)

// Light is how colours of a photo are balanced.
type Light struct {
	White calib.White
	// Paper is the background, for the light's unevenness; nil for none.
	Paper *Paper
	// RefX, RefY is where White was read, px: the light there is the
	// reference.
	RefX, RefY float64
}

// At balances a linear colour seen at a pixel.
func (l Light) At(lin [3]float64, x, y float64) [3]float64 {
	return l.White.Apply(l.flat(lin, x, y))
}

// flatLimit bounds the correction for uneven light: past it the background is
// not one paper under one light.
const flatLimit = 1.6

// flat evens the light out: paper here against paper where white was read.
func (l Light) flat(lin [3]float64, x, y float64) [3]float64 {
	if l.Paper == nil {
		return lin
	}
	here, ref := l.Paper.LinearAt(x, y), l.Paper.LinearAt(l.RefX, l.RefY)
	for k := range lin {
		if here[k] > 1e-4 && ref[k] > 1e-4 {
			lin[k] *= math.Max(1/flatLimit, math.Min(flatLimit, ref[k]/here[k]))
		}
	}
	return lin
}

// Face cuts marble i out of the photo for package features. radiusMM is 0 when
// the size is not known; off the areas where there is no paper.
func Face(p *Photo, found Found, i int, light Light, radiusMM float64, off *Areas) *features.Face {
	o := found.Marbles[i]
	e := o.Ellipse
	px := p.pixels()
	r := math.Max(faceRadiusLeast, math.Min(faceRadiusMost, e.MeanRadiusPX()))
	size := 2*int(math.Ceil(r)) + 3
	f := &features.Face{
		Size: size, Radius: r, RadiusMM: radiusMM,
		Linear: make([][3]float64, size*size), Lab: make([][3]float64, size*size), Mask: make([]uint8, size*size),
		BlurShare: found.BlurPX / e.MeanRadiusPX(),
	}
	toPixel := discToPixel(e)
	// When the marble is larger than the face, several pixels are averaged.
	over := int(math.Max(1, math.Min(4, math.Round(e.MeanRadiusPX()/r))))
	c := float64(size-1) / 2
	bright := make([]float64, size*size)
	for j := 0; j < size; j++ {
		for k := 0; k < size; k++ {
			n := j*size + k
			x, y := (float64(k)-c)/r, (float64(j)-c)/r
			rho := math.Hypot(x, y)
			if rho > 1.05 {
				continue
			}
			var sum [3]float64
			clipped := false
			for a := 0; a < over; a++ {
				for b := 0; b < over; b++ {
					ox := (float64(a)+0.5)/float64(over) - 0.5
					oy := (float64(b)+0.5)/float64(over) - 0.5
					ux, uy := toPixel(x+ox/r, y+oy/r)
					l := px.LinearAt(ux, uy)
					for q := range sum {
						sum[q] += l[q] / float64(over*over)
						clipped = clipped || l[q] > 0.96
					}
				}
			}
			ux, uy := toPixel(x, y)
			lin := light.At(sum, ux, uy)
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
				if outside || inOther(found.Marbles, i, ux, uy) {
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
			if x < 1 || y < 1 || x > float64(px.W-2) || y > float64(px.H-2) || inOther(found.Marbles, i, x, y) || off.Has(x, y) {
				continue
			}
			// Average over the cell.
			h := 0.3 * features.RingStep * e.MeanRadiusPX()
			got, want := 0.0, 0.0
			for _, dd := range [5][2]float64{{0, 0}, {h, 0}, {-h, 0}, {0, h}, {0, -h}} {
				l := px.LinearAt(x+dd[0], y+dd[1])
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
	var vals []float64
	marks := make([]bool, n*n)
	for y := 0; y < n; y++ {
		for x := 0; x < n; x++ {
			i := y*n + x
			if f.Mask[i]&features.Glass == 0 {
				continue
			}
			// The median of a coarse ring around, which a small bright spot
			// does not reach.
			vals = vals[:0]
			for k := 0; k < 16; k++ {
				s, c := math.Sincos(2 * math.Pi * float64(k) / 16)
				xx, yy := x+int(math.Round(float64(w)*c)), y+int(math.Round(float64(w)*s))
				if xx < 0 || yy < 0 || xx >= n || yy >= n || f.Mask[yy*n+xx]&features.Glass == 0 {
					continue
				}
				vals = append(vals, bright[yy*n+xx])
			}
			if len(vals) < 8 {
				continue
			}
			sort.Float64s(vals)
			hi := vals[len(vals)*7/8]
			if bright[i] > 1.5*hi+0.12 {
				marks[i] = true
			}
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
