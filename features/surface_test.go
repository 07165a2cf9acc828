package features

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"tawsight/internal/colour"
)

func TestHazeIsTheVeil(t *testing.T) {
	// A veil adds a share v of the paper's light and takes as much of the rest,
	// so that the darkest colour's weakest channel, d of the paper, becomes
	// v + (1-v) d.
	dark, paper := colour.LabToLinear([3]float64{20, 0, 0}), colour.LabToLinear(paperLab)
	d := dark[0] / paper[0]
	for _, v := range []float64{0, 0.15, 0.4, 0.8} {
		f := draw(drawnRadius, func(x, y float64) [3]float64 {
			lin := colour.LabToLinear(band([3]float64{20, 0, 0}, [3]float64{70, 0, 0}, 0.2, 20)(x, y))
			for q := range lin {
				lin[q] = v*paper[q] + (1-v)*lin[q]
			}
			return colour.LinearToLab(lin)
		})
		got, ok := haze(f)
		if want := v + (1-v)*d; !ok || math.Abs(got-want) > 0.01 {
			t.Errorf("veil %.2f: %.3f, want %.3f", v, got, want)
		}
	}
}

func TestUnevenness(t *testing.T) {
	one := func(lab func(x, y float64) [3]float64) float64 {
		f := draw(drawnRadius, lab)
		p := Parts{Of: make([]int8, len(f.Mask)), Pure: make([]bool, len(f.Mask))}
		for i := range f.Mask {
			p.Of[i] = -1
			if f.usable(i) {
				p.Of[i], p.Pure[i] = 0, true
			}
		}
		v, ok := unevenness(f, &p)
		if !ok {
			t.Fatal("not measured")
		}
		return v
	}
	// Second order in x and y is shading, and none of it is unevenness.
	if v := one(func(x, y float64) [3]float64 { return [3]float64{60 + 10*x, 5 + 4*y - 3*x*y, 8 + 3*x*x} }); v > 0.05 {
		t.Errorf("smooth shading: %.3f", v)
	}
	// Blotches of 8 more and 8 less in a*, much larger than nine pixels, leave
	// about 8 of it.
	v := one(func(x, y float64) [3]float64 {
		return [3]float64{60, 8 * math.Copysign(1, math.Sin(12*x)*math.Sin(12*y)), 5}
	})
	if v < 6.5 || v > 8.5 {
		t.Errorf("blotches of 8: %.2f", v)
	}
}

// grainy is a marble, red on its left and white on its right, with noise in
// lightness everywhere and grain above a line: grain is noise over two pixels.
func grainy(noise, grain, above float64) *Face {
	rng := rand.New(rand.NewPCG(1, 2))
	f := draw(drawnRadius, band([3]float64{42, 52, 34}, [3]float64{85, 0, 3}, 0.7, 90))
	n := f.Size
	for y := 0; y < n; y++ {
		for x := 0; x < n; x++ {
			f.Lab[y*n+x][0] += noise * rng.NormFloat64()
		}
	}
	for y := 0; y < n-1; y += 2 {
		for x := 0; x < n-1; x += 2 {
			g := grain * rng.NormFloat64()
			for _, i := range [4]int{y*n + x, y*n + x + 1, (y+1)*n + x, (y+1)*n + x + 1} {
				if _, v := f.XY(i); v < above && f.Lab[i][1] > 20 {
					f.Lab[i][0] += g
				}
			}
		}
	}
	f.BlurShare = 0.015
	return f
}

func TestMattShare(t *testing.T) {
	// The share of a band of half-width 0.7 over the seen disc above a line,
	// by counting.
	share := func(f *Face, above float64) float64 {
		in, all := 0.0, 0.0
		for i := range f.Mask {
			if x, y := f.XY(i); f.usable(i) && math.Abs(x) < 0.65 && math.Hypot(x, y) < 0.85 {
				all++
				if y < above {
					in++
				}
			}
		}
		return in / all
	}
	for _, c := range []struct{ noise, grain, above float64 }{{0.4, 0, 2}, {1, 0, 2}, {2, 0, 2}, {0.4, 4, -0.4}, {0.4, 4, 0.1}, {0.8, 6, 0.3}} {
		f := grainy(c.noise, c.grain, c.above)
		want := 0.0
		if c.grain > 0 {
			want = share(f, c.above)
		}
		got := mattShare(clearGlass(f))
		if got.Absent != "" || math.Abs(got.Value-want) > 0.1 {
			t.Errorf("noise %v, grain %v above %v: %.2f (%s), want %.2f", c.noise, c.grain, c.above, got.Value, got.Absent, want)
		}
	}
}

func TestMattShareAbsent(t *testing.T) {
	blurred := grainy(0.4, 4, 0)
	blurred.BlurShare = 0.1
	small := draw(20, band([3]float64{42, 52, 34}, [3]float64{85, 0, 3}, 0.7, 90))
	pale := draw(drawnRadius, func(x, y float64) [3]float64 { return [3]float64{80, 3, 5} })
	for name, c := range map[string]struct {
		f    *Face
		want string
	}{"blurred": {blurred, "blurred"}, "small": {small, "few pixels"}, "pale": {pale, "too little strong colour"}} {
		if got := mattShare(clearGlass(c.f)); !strings.Contains(got.Absent, c.want) {
			t.Errorf("%s: %.2f, absent %q", name, got.Value, got.Absent)
		}
	}
}

func TestMarkFeatures(t *testing.T) {
	seenName := map[string]bool{}
	for _, f := range markFeatures {
		if seenName[f.Name] || f.Name == "" || f.Label == "" || f.Meaning == "" || f.Disturbed == "" || f.High <= f.Low || f.Measure == nil {
			t.Errorf("%q is not fully described", f.Name)
		}
		seenName[f.Name] = true
	}
	for _, n := range NotMeasured {
		if n.Name == "" || n.Why == "" {
			t.Errorf("%+v: no reason", n)
		}
	}
}
