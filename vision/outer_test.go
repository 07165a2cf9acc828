package vision

import (
	"math"
	"testing"

	"tawsight/calib"
)

// ringSeen is what a look round shows where a strong edge lies on one circle and
// a fainter one, in some directions, on a larger that it touches from inside.
func ringSeen(cam calib.Camera, inner, outer calib.Ellipse, faint float64, shows func(i int) bool) *sight {
	const n = 120
	s := &sight{looked: n, x: inner.CxPX, y: inner.CyPX}
	var all []place
	var ends []int
	for i := range n {
		add := func(e calib.Ellipse, strength float64) {
			x, y, _, _ := e.At(2 * math.Pi * float64(i) / n)
			all = append(all, place{x: x, y: y, strength: strength, step: true})
		}
		if shows(i) {
			add(outer, faint)
		}
		add(inner, 90)
		ends = append(ends, len(all))
	}
	s.hold(all, ends, cam)
	return s
}

func TestOutsideFindsTheFainterOutline(t *testing.T) {
	cam := calib.Camera{FocalPX: 2000, CxPX: 800, CyPX: 600}
	circle := func(cx, r float64) calib.Ellipse {
		return calib.Ellipse{CxPX: cx, CyPX: 600, SemiMajorPX: r, SemiMinorPX: r}
	}
	inner, outer := circle(800, 100), circle(797, 103) // they meet on the right
	far := circle(792, 108)
	for _, c := range []struct {
		name  string
		outer calib.Ellipse
		faint float64
		shows func(i int) bool
		want  bool
	}{
		{"over half of the left", outer, 32, func(i int) bool { return i > 30 && i < 90 && i%2 == 0 }, true},
		{"nowhere", outer, 25, func(int) bool { return false }, false},
		{"in a few places, as grain is", outer, 25, func(i int) bool { return i%17 == 0 }, false},
		{"as faint as grain", outer, 9, func(i int) bool { return i > 30 && i < 90 }, false},
		{"as far out as a shadow", far, 25, func(i int) bool { return i > 30 && i < 90 }, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			rf := &refiner{cam: cam, sigmaPX: 1}
			got := rf.outside(ringSeen(cam, inner, c.outer, c.faint, c.shows), inner)
			if (got != nil) != c.want {
				t.Fatalf("found %v", got)
			}
			if got != nil && math.Abs(got.MeanRadiusPX()-c.outer.MeanRadiusPX()) > 0.5 {
				t.Errorf("radius %.2f, drawn %.2f", got.MeanRadiusPX(), c.outer.MeanRadiusPX())
			}
		})
	}
}

// Halfway, and with the standard uncertainty of anything between (GUM 4.3.7).
func TestBetweenIsHalfway(t *testing.T) {
	cam := calib.Camera{FocalPX: 2000, CxPX: 800, CyPX: 600}
	o := Outline{Ellipse: calib.Ellipse{CxPX: 800, CyPX: 600, SemiMajorPX: 100, SemiMinorPX: 100}, BiasUPX: 0.3}
	f := calib.Ellipse{CxPX: 797, CyPX: 600, SemiMajorPX: 103, SemiMinorPX: 103}
	b := o.between(f, cam)
	if r := b.Ellipse.MeanRadiusPX(); math.Abs(r-101.5) > 0.1 {
		t.Errorf("radius %.2f", r)
	}
	if want := math.Hypot(0.3, 3/math.Sqrt(12)); math.Abs(b.BiasUPX-want) > 1e-9 {
		t.Errorf("uncertainty %.3f, should be %.3f", b.BiasUPX, want)
	}
	if same := o.between(o.Ellipse, cam); same.BiasUPX != o.BiasUPX {
		t.Error("an outline is in doubt against itself")
	}
}
