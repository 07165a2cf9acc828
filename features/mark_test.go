package features

import (
	"math"
	"math/rand/v2"
	"testing"

	"tawsight/calib/sortmat"
	"tawsight/internal/colour"
)

// ballOnMat is the face of a plain ball of glass on the mat's mark, seen
// straight down, traced with Snell's law (sortmat.Through): the mark's light
// times through, and a veil of light that the glass scatters. A ribbon covers
// the band |x| < ribbon.
func ballOnMat(radiusPX, radiusMM, offY, through, veil, ribbon float64) *Face {
	size := 2*int(radiusPX) + 3
	f := &Face{Size: size, Radius: radiusPX, RadiusMM: radiusMM, BlurShare: 0.4 / radiusPX,
		Linear: make([][3]float64, size*size), Lab: make([][3]float64, size*size), Mask: make([]uint8, size*size)}
	m := &Mark{Phase: make([]float64, size*size), Across: make([]float64, size*size), Reach: make([]float64, size*size),
		Contrast: sortmat.Contrast(), PeriodPX: sortmat.PeriodMM * sortmat.Magnification(sortmat.GlassIndex) / radiusMM * radiusPX}
	f.Mark = m
	ground := sortmat.GroundY()
	f.PaperLab = colour.LinearToLab([3]float64{ground, ground, ground})
	rng := rand.New(rand.NewPCG(7, 7))
	for i := range f.Linear {
		x, y := f.XY(i)
		m.Phase[i], m.Across[i] = math.NaN(), math.NaN()
		v := ground
		if rho := math.Hypot(x, y); rho < 1 {
			f.Mask[i] = Glass
			if rho > RimFrom {
				f.Mask[i] |= Rim
			}
			px, py, _, ok := sortmat.Through(sortmat.Vec{x * radiusMM, y * radiusMM, 500}, sortmat.Vec{0, 0, -1}, sortmat.Vec{0, 0, radiusMM}, radiusMM, sortmat.GlassIndex)
			py += offY
			seen, reach := sortmat.MarkAt(px, py)
			if ok && reach > 0 {
				m.Phase[i], m.Across[i], m.Reach[i] = 2*math.Pi*py/sortmat.PeriodMM, 2*math.Pi*px/sortmat.PeriodMM, reach
			}
			v = 0.5*through*ground*(1+seen*sortmat.Contrast()) + veil*ground
			if math.Abs(x) < ribbon {
				v = 0.7
			}
		}
		v += 0.004 * rng.NormFloat64()
		f.Linear[i] = [3]float64{math.Max(0, v), math.Max(0, v), math.Max(0, v)}
		f.Lab[i] = colour.LinearToLab(f.Linear[i])
	}
	return f
}

func lookAtMark(f *Face) *MarkSeen {
	s := lookForMark(f)
	if s.Looked {
		s.read(f)
	}
	return s
}

// Marbles of the usual sizes at the usual numbers of pixels: in clear glass the
// mark keeps nearly all of its contrast, scattered light takes of it what light
// over light says, and nothing is seen in opaque glass.
func TestMarkThroughGlass(t *testing.T) {
	for _, c := range []struct {
		px, mm, offY, through, veil, ribbon, want, within float64
	}{
		{30, 6, 0, 1, 0, 0, 1, 0.15},
		{50, 8, 0.3, 1, 0, 0, 1, 0.15},
		{80, 12.5, 1, 1, 0, 0, 1, 0.15},
		{50, 8, 0, 1, 0, 0.25, 1, 0.2},
		{50, 8, 0, 0.5, 0.25, 0, 0.5, 0.1},  // half the light is the mark's
		{50, 8, 0, 0.25, 0.5, 0, 0.2, 0.06}, // a fifth is
		{50, 8, 0, 0, 0.8, 0, 0, 0.01},
		{30, 6, 0, 0, 0.8, 0, 0, 0.01},
		{50, 8, 0, 0, 0.5, 0.3, 0, 0.02},
	} {
		s := lookAtMark(ballOnMat(c.px, c.mm, c.offY, c.through, c.veil, c.ribbon))
		if !s.Looked || math.Abs(s.Depth-c.want) > c.within {
			t.Errorf("%+v: looked %v, contrast %.3f (chance %.3f)", c, s.Looked, s.Depth, s.DepthU)
		}
	}
}

// The face is left nearly as on plain ground: two thirds at least of what the
// stripes add to its unrest are taken off, most of what is left lying at their
// sharp edges.
func TestMarkIsTakenOff(t *testing.T) {
	unrest := func(f *Face) float64 {
		var sum, square, n float64
		for i := range f.Linear {
			if x, y := f.XY(i); math.Hypot(x, y) < 0.75 {
				sum += f.Linear[i][1]
				square += f.Linear[i][1] * f.Linear[i][1]
				n++
			}
		}
		return math.Sqrt(square/n - sum/n*sum/n)
	}
	f := ballOnMat(50, 8, 0.2, 1, 0, 0)
	s := lookAtMark(f)
	before, after := unrest(f), unrest(s.without(f))
	if after > before/3 {
		t.Errorf("unrest %.4f before, %.4f after", before, after)
	}
	// Of an opaque ball nothing is taken.
	g := ballOnMat(50, 8, 0.2, 0, 0.8, 0)
	s = lookAtMark(g)
	clean := s.without(g)
	for i := range g.Linear {
		if math.Abs(clean.Linear[i][1]-g.Linear[i][1]) > 0.02 {
			t.Fatalf("pixel %d of an opaque ball went from %.3f to %.3f", i, g.Linear[i][1], clean.Linear[i][1])
		}
	}
}

// More haze, less translucency, over all of the range.
func TestPassesFallsWithHaze(t *testing.T) {
	last := 2.0
	for _, through := range []float64{1, 0.6, 0.4, 0.25, 0.15, 0.08, 0} {
		s := lookAtMark(ballOnMat(50, 8, 0, through, 0.5*(1-through), 0))
		if p := s.passes(); p > last+1e-9 || p < 0 || p > 1 {
			t.Errorf("at %.2f it is %.3f, after %.3f", through, p, last)
		} else {
			last = p
		}
	}
}

// A marble without a mark, or whose mark can't be seen, is measured without.
func TestNoMark(t *testing.T) {
	f := ballOnMat(50, 8, 0, 1, 0, 0)
	for name, change := range map[string]func(*Face){
		"none":          func(f *Face) { f.Mark = nil },
		"no contrast":   func(f *Face) { f.Mark.Contrast = 0 },
		"not a number":  func(f *Face) { f.Mark.Contrast = math.NaN() },
		"too fine":      func(f *Face) { f.Mark.PeriodPX = 2 },
		"out of sight":  func(f *Face) { f.Mark.Reach = make([]float64, len(f.Linear)) },
		"all in glare":  func(f *Face) { each(f, Glass|Highlight) },
		"nothing there": func(f *Face) { each(f, 0) },
	} {
		g := *f
		mark := *f.Mark
		g.Mark, g.Mask = &mark, append([]uint8(nil), f.Mask...)
		change(&g)
		if s := lookAtMark(&g); s.Looked || s.sure() != 0 {
			t.Errorf("%s: looked, sure %.2f", name, s.sure())
		}
		Analyse(&g) // must not panic
	}
}

func each(f *Face, mask uint8) {
	for i := range f.Mask {
		f.Mask[i] = mask
	}
}

// The mark is read off the glass alone, though half of the marble is a ribbon of
// another colour, and the glass that shows it becomes the base.
func TestMarkByColour(t *testing.T) {
	f := ballOnMat(50, 8, 0, 1, 0, 0)
	for i := range f.Linear {
		if x, _ := f.XY(i); x > -0.2 && f.Mask[i]&Glass != 0 {
			f.Linear[i] = [3]float64{0.5, 0.08, 0.05}
			f.Lab[i] = colour.LinearToLab(f.Linear[i])
		}
	}
	a := Analyse(f)
	if a.Mark.Depth < 0.7 {
		t.Errorf("contrast %.3f (chance %.3f)", a.Mark.Depth, a.Mark.DepthU)
	}
	if c := a.Parts.Colours[a.Parts.Base].Lab; math.Abs(c[1]) > 5 {
		t.Errorf("the base is %.0f", c)
	}
	if got := a.Mark.passes(); got < 0.95 {
		t.Errorf("%.3f of the light passes, of all", got)
	}
}
