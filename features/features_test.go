package features

import (
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tawsight/internal/colour"
)

var (
	clearSeen = [3]float64{66, 0, 1} // clear glass over paper: grey, dimmed
	blue      = [3]float64{38, 12, -42}
	red       = [3]float64{42, 55, 32}
	white     = [3]float64{92, 0, 3}
	green     = [3]float64{46, -38, 22}
)

func closeTo(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s is %.4g, want %.4g within %g", what, got, want, tol)
	}
}

func sameColour(t *testing.T, what string, got, want [3]float64) {
	t.Helper()
	// One just noticeable difference: a patch of one colour without noise has
	// to come out as it went in, but for the fast cube root.
	if d := colour.DeltaE00(got, want); !(d <= 1) {
		t.Errorf("%s is %.1f, want %.1f: %.2f CIEDE2000 apart", what, got, want, d)
	}
}

// A stripe on a ground has shares, width and border length that elementary
// geometry gives.
func TestStripeOnGlass(t *testing.T) {
	const half = 12.5 / drawnRadius // between two rows of pixels
	for _, deg := range []float64{0, 30, 45, 75, 90} {
		t.Run(fmt.Sprintf("%g degrees", deg), func(t *testing.T) {
			f := draw(drawnRadius, band(blue, clearSeen, half, deg))
			f.Ring = clearRing()
			a := Analyse(f)
			if len(a.Parts.Colours) != 2 {
				t.Fatalf("%d colours, want 2: %+v", len(a.Parts.Colours), a.Parts.Colours)
			}
			base, ok := a.Base()
			if !ok {
				t.Fatal("no base")
			}
			sameColour(t, "base", base.Lab, clearSeen)
			if base.Tinted {
				t.Error("grey paper seen through clear glass is called a tint")
			}
			r := a.Ribbons()
			if len(r) != 1 {
				t.Fatalf("%d ribbons, want 1", len(r))
			}
			sameColour(t, "ribbon", r[0].Lab, blue)
			closeTo(t, "ribbon's share", r[0].AreaFraction, bandShare(half, RimFrom), 0.01)
			// The width to a pixel on either side, and 4 % for chamfer
			// distances on slanted stripes.
			closeTo(t, "ribbon's width in mm", r[0].WidthMM, 2*half*f.RadiusMM, (1/drawnRadius+0.04*2*half)*f.RadiusMM)
			// Two straight borders, each a chord at half from the middle of
			// the disc that counts. Pixel steps are longer or shorter than a
			// slanted line by up to 27 % (4/pi - 1), depending on the slant.
			chord := 2 * 2 * math.Sqrt(RimFrom*RimFrom-half*half) / 2
			closeTo(t, "borders in diameters", a.Parts.Edge, chord, 0.28*chord)
			if got := a.Pieces(); got != 1 {
				t.Errorf("%d pieces, want 1", got)
			}
		})
	}
}

// On average over slants border lengths are right.
func TestBorderLengthOverSlants(t *testing.T) {
	const half = 0.2
	sum, n := 0.0, 0.0
	for deg := 0.0; deg < 90; deg += 5 {
		a := Analyse(draw(drawnRadius, band(blue, clearSeen, half, deg)))
		sum += a.Parts.Edge
		n++
	}
	want := 2 * math.Sqrt(RimFrom*RimFrom-half*half)
	closeTo(t, "mean border length in diameters", sum/n, want, 0.03*want)
}

func TestThreeColours(t *testing.T) {
	// A white and a coloured ribbon side by side in clear glass. The row in
	// the middle is red throughout, so white has half a row less.
	const whiteHalf, redHalf = 15 / drawnRadius, 20.5 / drawnRadius
	f := draw(drawnRadius, func(x, y float64) [3]float64 {
		switch {
		case y > -whiteHalf && y < 0:
			return white
		case y >= 0 && y < redHalf:
			return red
		}
		return clearSeen
	})
	f.Ring = clearRing()
	a := Analyse(f)
	base, ok := a.Base()
	if !ok || len(a.Ribbons()) != 2 {
		t.Fatalf("base %v, ribbons %+v", base, a.Ribbons())
	}
	sameColour(t, "base", base.Lab, clearSeen)
	sameColour(t, "first ribbon", a.Ribbons()[0].Lab, red)
	sameColour(t, "second ribbon", a.Ribbons()[1].Lab, white)
	got := measured(a)
	whiteShare := bandShare(14.5/drawnRadius, RimFrom)/2 - bandShare(0.5/drawnRadius, RimFrom)/2
	redShare := bandShare(redHalf, RimFrom)/2 + bandShare(0.5/drawnRadius, RimFrom)/2
	closeTo(t, "white_area", got["white_area"], whiteShare, 0.015)
	closeTo(t, "coloured_area", got["coloured_area"], redShare, 0.015)
	closeTo(t, "white_beside_colour", got["white_beside_colour"], 2*whiteShare/(whiteShare+redShare), 0.05)
	closeTo(t, "ribbon_area", got["ribbon_area"], whiteShare+redShare, 0.02)
	closeTo(t, "ribbon_colours", got["ribbon_colours"], 2, 0)
}

// What is the base depends on whether light passes: on an opaque marble the
// white body, in a clear one the colour of the paper behind.
func TestChoiceOfBase(t *testing.T) {
	for _, c := range []struct {
		name           string
		stripe, ground [3]float64
		half           float64
		ring           Ring
		lit            bool // shaded as a matte ball is
		base           [3]float64
		tinted         bool
	}{
		{"clear, a broad ribbon", blue, clearSeen, 0.5, clearRing(), false, clearSeen, false},
		{"clear, white ribbon", white, clearSeen, 0.25, clearRing(), false, clearSeen, false},
		{"tinted, white ribbon as seen through it", [3]float64{80, -12, 8}, [3]float64{52, -34, 20}, 0.25, clearRing(), false, [3]float64{52, -34, 20}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := draw(drawnRadius, band(c.stripe, c.ground, c.half, 30))
			f.Ring = c.ring
			a := Analyse(f)
			b, ok := a.Base()
			if !ok {
				t.Fatal("no base")
			}
			sameColour(t, "base", b.Lab, c.base)
			if b.Tinted != c.tinted {
				t.Errorf("tinted %v, want %v (kind %s, cues %+v)", b.Tinted, c.tinted, b.Kind, a.Glass)
			}
			if b.Kind == Opaque {
				t.Errorf("called opaque over a shadow full of gathered light: %+v", a.Glass)
			}
		})
	}
	t.Run("opaque, white body with a broad swirl", func(t *testing.T) {
		// The swirl covers more than the body and is still the swirl.
		body, swirl := lambert(white, -0.5, -0.5, math.Sqrt2/2), lambert(red, -0.5, -0.5, math.Sqrt2/2)
		f := draw(drawnRadius, func(x, y float64) [3]float64 {
			if math.Abs(x+y) < 0.75 {
				return swirl(x, y)
			}
			return body(x, y)
		})
		f.Ring = opaqueRing()
		a := Analyse(f)
		b, ok := a.Base()
		if !ok || b.Kind != Opaque || b.Tinted {
			t.Fatalf("%+v %v, cues %+v", b, ok, a.Glass)
		}
		if colour.Chroma(b.Lab) > 10 {
			t.Errorf("base %.1f, want the white body", b.Lab)
		}
	})
}

// Shadows: the direction away from the light, how much is missing and how much
// is gathered, drawn and read back.
func TestShadow(t *testing.T) {
	for _, dir := range []float64{0, 33, 90, 187, 271, 355} {
		for _, c := range []struct{ depth, caustic float64 }{{0.6, 0}, {0.3, 0}, {0.35, 0.4}, {0.15, 0.15}} {
			s := findShadow(shadowTo(dir, c.depth, c.caustic))
			if !s.Seen {
				t.Errorf("shadow of %.2f to %g degrees not seen", c.depth, dir)
				continue
			}
			// Half a step between directions.
			if d := degreesApart(math.Atan2(s.Y, s.X)*180/math.Pi, dir); d > 360.0/RingDirs/2 {
				t.Errorf("shadow to %g degrees seen %.1f degrees off", dir, d)
			}
			closeTo(t, "length of the direction", math.Hypot(s.X, s.Y), 1, 1e-9)
			if c.caustic == 0 {
				closeTo(t, fmt.Sprintf("depth to %g degrees", dir), s.Depth, c.depth, 0.05*c.depth)
				if s.Caustic > 0.02 {
					t.Errorf("a shadow of %.2f without gathered light shows %.3f of it", c.depth, s.Caustic)
				}
			} else if s.Caustic < 0.7*c.caustic || s.Caustic > c.caustic {
				// Read as a mean over three directions, 7.5 degrees apart, and
				// three distances: 0.8 of the peak, where the two agree.
				t.Errorf("gathered light of %.2f (in a shadow of %.2f) read as %.3f", c.caustic, c.depth, s.Caustic)
			}
		}
	}
}

func TestNoShadow(t *testing.T) {
	nan := drawRing(func(_, _ float64) float64 { return math.NaN() })
	for name, r := range map[string]Ring{"open paper": openRing(), "nothing to see": nan, "no ring": {},
		"brighter all round": drawRing(func(_, _ float64) float64 { return 1.2 }),
		"darker all round":   drawRing(func(_, _ float64) float64 { return 0.7 })} {
		if s := findShadow(r); s.Seen || math.IsNaN(s.X+s.Y+s.Depth+s.Caustic+s.Peak) {
			t.Errorf("%s: %+v", name, s)
		}
	}
}

// A neighbour in the way of part of the ring doesn't turn the shadow round.
func TestShadowPartlyHidden(t *testing.T) {
	r := shadowTo(120, 0.5, 0)
	for d := range r.Value {
		if a := 360 * float64(d) / RingDirs; a > 200 && a < 260 {
			for j := range r.Value[d] {
				r.Value[d][j] = math.NaN()
			}
		}
	}
	s := findShadow(r)
	if d := degreesApart(math.Atan2(s.Y, s.X)*180/math.Pi, 120); !s.Seen || d > 10 {
		t.Errorf("seen %v, %.1f degrees off", s.Seen, d)
	}
}

// A matte ball is darker toward its shadow and toward its outline, by
// Lambert's law; glass that light passes is lighter toward its shadow.
func TestShadingTellsGlass(t *testing.T) {
	matte := draw(drawnRadius, lambert([3]float64{80, 5, 10}, -0.5, -0.5, math.Sqrt2/2))
	matte.Ring = opaqueRing()
	m := Analyse(matte)
	if m.Glass.ShadeSlope >= -2 {
		t.Errorf("matte ball: slope along the shadow %.2f, want well below 0", m.Glass.ShadeSlope)
	}
	if m.Glass.RadialSlope >= 0 {
		t.Errorf("matte ball: slope from the middle out %.2f, want below 0", m.Glass.RadialSlope)
	}
	if b, ok := m.Base(); !ok || b.Kind != Opaque {
		t.Errorf("matte ball: %+v (%v), cues %+v", b, ok, m.Glass)
	}

	lit := draw(drawnRadius, func(x, y float64) [3]float64 {
		l := 62 + 8*(x+y)/math.Sqrt2 // lighter to the right and down, where the shadow falls
		l += 4 * math.Sin(9*x+4*y)   // broken pictures of the surroundings
		if math.Hypot(x, y) > 0.87 {
			l -= 14 // the dark ring just inside a clear sphere's outline
		}
		return [3]float64{l, 0, 1}
	})
	lit.Ring = clearRing()
	c := Analyse(lit)
	if c.Glass.ShadeSlope <= 2 {
		t.Errorf("clear glass: slope along the shadow %.2f, want well above 0", c.Glass.ShadeSlope)
	}
	closeTo(t, "clear glass: slope as drawn", c.Glass.ShadeSlope, 8, 1.5)
	if c.Glass.RimRatio >= 1 {
		t.Errorf("clear glass: rim to middle %.2f, want below 1", c.Glass.RimRatio)
	}
	if b, ok := c.Base(); !ok || b.Kind != Transparent {
		t.Errorf("clear glass: %+v (%v), cues %+v", b, ok, c.Glass)
	}
	if !(c.Glass.Translucency > m.Glass.Translucency) {
		t.Errorf("clear glass lets through %.2f, a matte ball %.2f", c.Glass.Translucency, m.Glass.Translucency)
	}
}

// More gathered light never makes glass less translucent, everything else the
// same.
func TestTranslucencyGrowsWithGatheredLight(t *testing.T) {
	last := -1.0
	for _, caustic := range []float64{0, 0.05, 0.1, 0.2, 0.3, 0.4} {
		f := draw(drawnRadius, band(blue, clearSeen, 0.2, 20))
		f.Ring = shadowTo(45, 0.35, caustic)
		got := Analyse(f).Glass.Translucency
		if got < last {
			t.Errorf("gathered light %.2f: translucency %.3f after %.3f", caustic, got, last)
		}
		last = got
	}
}

// measured are all features of an analysis that can be had.
func measured(a *Analysis) map[string]float64 {
	out := map[string]float64{}
	for _, f := range All() {
		if v, absent := f.Measure(a); absent == "" {
			out[f.Name] = v
		}
	}
	return out
}

// wellFormed checks every figure an analysis gives: finite, and in the range
// that the registry states.
func wellFormed(t interface{ Errorf(string, ...any) }, what string, a *Analysis) {
	for _, f := range All() {
		if v, absent := f.Measure(a); absent == "" && !(v >= f.Low && v <= f.High) {
			t.Errorf("%s: %s is %g, its range is %g to %g", what, f.Name, v, f.Low, f.High)
		}
	}
	for _, v := range []float64{a.Glass.Translucency, a.Glass.NotOpaque, a.Glass.Clear, a.Glass.ShadeSlope, a.Glass.RadialSlope,
		a.Glass.RimRatio, a.Glass.Unrest, a.Glass.Range, a.Shadow.Depth, a.Shadow.Caustic, a.Parts.Edge} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Errorf("%s: a cue is not finite: %+v %+v", what, a.Glass, a.Shadow)
			break
		}
	}
	total := 0.0
	for _, c := range a.Parts.Colours {
		total += c.Share
		for _, v := range c.Lab {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%s: colour %v", what, c.Lab)
			}
		}
	}
	if len(a.Parts.Colours) > 0 && math.Abs(total-1) > 1e-9 {
		t.Errorf("%s: shares sum to %g", what, total)
	}
	if b, ok := a.Base(); ok && b.Kind != Transparent && b.Kind != Cloudy && b.Kind != Opaque {
		t.Errorf("%s: base kind %q", what, b.Kind)
	}
}

// Faces of nothing much give no figure rather than a wrong one, and never a
// fault.
func TestFacesOfNothing(t *testing.T) {
	plain := func(l float64) func(x, y float64) [3]float64 {
		return func(x, y float64) [3]float64 { return [3]float64{l, 0, 0} }
	}
	all := func(f *Face, bit uint8) *Face {
		for i := range f.Mask {
			if f.Mask[i]&Glass != 0 {
				f.Mask[i] |= bit
			}
		}
		return f
	}
	with := func(f *Face, change func(*Face)) *Face { change(f); return f }
	unseen := map[string]bool{} // faces that must give no colours
	faces := map[string]*Face{
		"black":                draw(30, plain(0)),
		"white":                draw(30, plain(100)),
		"brighter still":       draw(30, plain(130)),
		"all highlight":        all(draw(30, plain(90)), Highlight),
		"all hidden":           all(draw(30, plain(50)), Hidden),
		"tiny":                 draw(1, plain(50)),
		"small":                draw(4, plain(50)),
		"one pixel":            {Size: 1, Radius: 0.4, Linear: make([][3]float64, 1), Lab: make([][3]float64, 1), Mask: []uint8{Glass}},
		"empty":                {},
		"no glass":             with(draw(30, plain(50)), func(f *Face) { clear(f.Mask) }),
		"no ring":              with(draw(30, plain(50)), func(f *Face) { f.Ring = Ring{} }),
		"ring of NaN":          with(draw(30, plain(50)), func(f *Face) { f.Ring = drawRing(func(_, _ float64) float64 { return math.NaN() }) }),
		"black paper":          with(draw(30, plain(50)), func(f *Face) { f.PaperLab = [3]float64{} }),
		"no size":              with(draw(30, band(blue, clearSeen, 0.3, 10)), func(f *Face) { f.RadiusMM = 0 }),
		"a shadow round black": with(draw(30, plain(0)), func(f *Face) { f.Ring = opaqueRing() }),
	}
	for _, name := range []string{"all highlight", "all hidden", "tiny", "small", "one pixel", "empty", "no glass"} {
		unseen[name] = true
	}
	for name, f := range faces {
		t.Run(name, func(t *testing.T) {
			a := Analyse(f)
			wellFormed(t, name, a)
			if unseen[name] {
				if b, ok := a.Base(); ok {
					t.Errorf("a base %v of what cannot be seen", b)
				}
				if len(a.Ribbons()) > 0 {
					t.Errorf("ribbons %v", a.Ribbons())
				}
				for n, v := range measured(a) {
					if n != "diameter_mm" {
						t.Errorf("%s is given as %g", n, v)
					}
				}
			} else if _, ok := a.Base(); !ok {
				t.Error("no base")
			}
			if name == "no size" {
				for n := range measured(a) {
					if regexp.MustCompile(`_mm$`).MatchString(n) {
						t.Errorf("%s without a known size", n)
					}
				}
			}
		})
	}
}

func TestRegistry(t *testing.T) {
	if Version < 1 {
		t.Errorf("version %d", Version)
	}
	names, labels := map[string]bool{}, map[string]bool{}
	for _, f := range All() {
		if !regexp.MustCompile(`^[a-z][a-z0-9_]*[a-z0-9]$`).MatchString(f.Name) {
			t.Errorf("name %q", f.Name)
		}
		if names[f.Name] || labels[f.Label] {
			t.Errorf("%s (%s) is there twice", f.Name, f.Label)
		}
		names[f.Name], labels[f.Label] = true, true
		if f.Label == "" || f.Meaning == "" || f.Disturbed == "" || f.Measure == nil {
			t.Errorf("%s lacks a label, a meaning, what disturbs it or its function", f.Name)
		}
		if f.Meaning != "" && f.Meaning[len(f.Meaning)-1] != '.' {
			t.Errorf("%s: the meaning is no sentence: %q", f.Name, f.Meaning)
		}
		if !(f.Low < f.High) || math.IsInf(f.Low, 0) || math.IsInf(f.High, 0) {
			t.Errorf("%s: range %g to %g", f.Name, f.Low, f.High)
		}
		// Every name that stands for millimetres carries the unit, and only
		// such names do.
		if mm := regexp.MustCompile(`_mm$`).MatchString(f.Name) && !strings.HasSuffix(f.Name, "_per_mm"); mm != (f.Unit == "mm") {
			t.Errorf("%s has unit %q", f.Name, f.Unit)
		}
	}
}

// randomFace is a marble of a few stripes of random colours, slanted, shaded,
// with a highlight and a shadow.
func randomFace(t *rapid.T, colours *rapid.Generator[[3]float64]) *Face {
	palette := rapid.SliceOfNDistinct(colours, 2, 3, func(c [3]float64) [3]float64 { return c }).Draw(t, "colours")
	n := rapid.IntRange(0, 4).Draw(t, "stripes")
	slant := rapid.Float64Range(0, math.Pi).Draw(t, "slant")
	shade := rapid.Float64Range(-4, 4).Draw(t, "shade")
	s, c := math.Sincos(slant)
	// Noise as photos have it, which also keeps pixels from being exactly as
	// far from one colour as from another.
	noise := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "noise"), 1))
	f := draw(rapid.Float64Range(25, 40).Draw(t, "radius"), func(x, y float64) [3]float64 {
		k := int(math.Floor((c*x + s*y + 1.037) / 2.1 * float64(2*n+1)))
		v := palette[((k%len(palette))+len(palette))%len(palette)]
		v[0] = math.Max(0, math.Min(100, v[0]+shade*(x+y)+noise.NormFloat64()))
		v[1] += noise.NormFloat64()
		v[2] += noise.NormFloat64()
		return v
	})
	f.Ring = shadowTo(rapid.Float64Range(0, 360).Draw(t, "shadow"), rapid.Float64Range(0.1, 0.7).Draw(t, "depth"), rapid.Float64Range(0, 0.5).Draw(t, "caustic"))
	for i := range f.Mask {
		if x, y := f.XY(i); f.Mask[i]&Glass != 0 && math.Hypot(x+0.3, y+0.3) < 0.1 {
			f.Mask[i] |= Highlight
		}
	}
	return f
}

var anyColour = rapid.Custom(func(t *rapid.T) [3]float64 {
	return [3]float64{rapid.Float64Range(0, 100).Draw(t, "L"), rapid.Float64Range(-60, 60).Draw(t, "a"), rapid.Float64Range(-60, 60).Draw(t, "b")}
})

func TestAnyFaceIsWellFormed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) { wellFormed(t, "random face", Analyse(randomFace(t, anyColour))) })
}

// A marble turned a quarter round, its light turned with it, is the same
// marble. Colours are told apart in the order of the pixels, so a few pixels on
// borders may go the other way: the colours here are far apart, and figures
// that count single specks (pieces) or follow middle lines, which are thinned on
// the grid and differ by a pixel or a spur when it is turned, are left out. For
// those see TestGeometryTurnsAndScales.
func TestQuarterTurnsChangeNothing(t *testing.T) {
	colours := rapid.SampledFrom([][3]float64{clearSeen, blue, red, white, green})
	lines := map[string]bool{"pieces": true, "ribbon_width_mm": true, "busyness": true}
	for _, q := range geometryFeatures {
		lines[q.Name] = true
	}
	rapid.Check(t, func(t *rapid.T) {
		f := randomFace(t, colours)
		first, second := Analyse(f), Analyse(rotated(f))
		a, b := measured(first), measured(second)
		for _, q := range All() {
			v, ok := a[q.Name]
			w, there := b[q.Name]
			if !lines[q.Name] && (ok != there || math.Abs(v-w) > turnTolerance*(q.High-q.Low)) {
				t.Errorf("%s: %g (%v), turned %g (%v)", q.Name, v, ok, w, there)
			}
		}
		one, _ := first.Base()
		other, _ := second.Base()
		if one.Kind != other.Kind || one.Tinted != other.Tinted {
			t.Errorf("%+v, turned %+v", one, other)
		}
	})
}

// turnTolerance is a share of a feature's range: up to two pixels in five of a
// small striped face lie on a border.
const turnTolerance = 0.05

// The share of a face's rim that is brighter than paper: nothing of grey glass,
// half of a face with one bright half.
func TestBrightRim(t *testing.T) {
	f := ballOnMat(50, 8, 0, 0, 0.8, 0)
	if b := brightRim(f); b > 0.02 {
		t.Errorf("of a dull ball %.2f", b)
	}
	for i := range f.Linear {
		if x, _ := f.XY(i); x > 0 {
			f.Linear[i] = [3]float64{0.9, 0.9, 0.9}
		}
	}
	if b := brightRim(f); math.Abs(b-0.5) > 0.05 {
		t.Errorf("half of it bright: %.2f", b)
	}
}
