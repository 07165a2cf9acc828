package features

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// reference is testdata/geometry_reference.json, made with scikit-image and
// SciPy by the script beside it, which says what each figure is.
type reference struct {
	Masks []struct {
		N             int       `json:"n"`
		Mask          []string  `json:"mask"`
		Thin          []string  `json:"thin"`
		SkeletonCells int       `json:"skeleton_cells"`
		SkeletonEnds  int       `json:"skeleton_ends"`
		Components    int       `json:"skeleton_components"`
		DistanceSum   float64   `json:"distance_sum"`
		DistanceMax   float64   `json:"distance_max"`
		Distance37    []float64 `json:"distance_every_37th"`
		PieceAreas    []int     `json:"piece_areas"`
		Contours      int       `json:"contours"`
		ContourLength float64   `json:"contour_length"`
	} `json:"masks"`
	Circular []struct {
		Angles  []float64 `json:"angles"`
		CircVar float64   `json:"circvar"`
	} `json:"circular"`
}

func readReference(t *testing.T) reference {
	t.Helper()
	b, err := os.ReadFile("testdata/geometry_reference.json")
	if err != nil {
		t.Fatal(err)
	}
	var r reference
	if err := json.Unmarshal(b, &r); err != nil {
		t.Fatal(err)
	}
	if len(r.Masks) == 0 || len(r.Circular) == 0 {
		t.Fatal("the reference file is empty")
	}
	return r
}

func cells(rows []string) []bool {
	var out []bool
	for _, r := range rows {
		for _, c := range r {
			out = append(out, c == '#')
		}
	}
	return out
}

// unset are the cells that a mask leaves out.
func unset(mask []bool) []bool {
	out := make([]bool, len(mask))
	for i, m := range mask {
		out[i] = !m
	}
	return out
}

// scipy.ndimage.distance_transform_edt.
func TestDistanceTransform(t *testing.T) {
	for k, r := range readReference(t).Masks {
		mask := cells(r.Mask)
		d, nearest := distanceTransform(r.N, unset(mask))
		for i, v := range d {
			d[i] = math.Sqrt(v)
		}
		sum, most := 0.0, 0.0
		for i, v := range d {
			sum += v
			most = math.Max(most, v)
			j := int(nearest[i])
			if mask[j] {
				t.Fatalf("mask %d: the nearest site of cell %d is none", k, i)
			}
			closeTo(t, "distance to the site named", math.Hypot(float64(i%r.N-j%r.N), float64(i/r.N-j/r.N)), v, 1e-9)
		}
		closeTo(t, "sum of distances", sum, r.DistanceSum, 1e-6)
		closeTo(t, "largest distance", most, r.DistanceMax, 1e-9)
		for q, want := range r.Distance37 {
			closeTo(t, fmt.Sprintf("distance of cell %d", 37*q), d[37*q], want, 1e-9)
		}
	}
	for k, r := range readReference(t).Masks {
		mask := cells(r.Mask)
		for i := range mask {
			if x, y := i%r.N, i/r.N; x == 0 || y == 0 || x == r.N-1 || y == r.N-1 {
				mask[i] = false
			}
		}
		d := depthOf(r.N, mask)
		want, _ := distanceTransform(r.N, unset(mask))
		for i := range mask {
			closeTo(t, fmt.Sprintf("mask %d: depth of cell %d", k, i), d.at(i), math.Sqrt(want[i]), 1e-12)
		}
	}
	d, nearest := distanceTransform(4, make([]bool, 16))
	if !math.IsInf(d[5], 1) || nearest[5] != -1 {
		t.Errorf("without sites: %g, %d", d[5], nearest[5])
	}
}

// skimage.morphology.thin cell by cell, and skeletonize (another algorithm) by
// what they must agree on: pieces, and roughly the length.
func TestThin(t *testing.T) {
	for k, r := range readReference(t).Masks {
		mask := cells(r.Mask)
		thin(r.N, mask)
		want := cells(r.Thin)
		apart, n := 0, 0
		for i := range mask {
			if mask[i] != want[i] {
				apart++
			}
			if mask[i] {
				n++
			}
		}
		if apart > 0 {
			t.Errorf("mask %d: %d of %d cells differ from scikit-image's", k, apart, n)
		}
		closeTo(t, fmt.Sprintf("mask %d: cells against skeletonize's", k), float64(n), float64(r.SkeletonCells), 0.15*float64(r.SkeletonCells))
		pieces := 0
		seen := slices.Clone(mask)
		for i := range seen {
			if seen[i] {
				pieces++
				fill(r.N, seen, i)
			}
		}
		if pieces != r.Components {
			t.Errorf("mask %d: %d components, skeletonize leaves %d", k, pieces, r.Components)
		}
	}
}

// fill unsets a piece and gives its size.
func fill(n int, mask []bool, i int) int {
	stack, size := []int{i}, 0
	mask[i] = false
	for len(stack) > 0 {
		j := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		size++
		for q := range 8 {
			if o := j + ringDY[q]*n + ringDX[q]; mask[o] {
				mask[o] = false
				stack = append(stack, o)
			}
		}
	}
	return size
}

// skimage.measure.label: what the speck filter keeps and what it drops.
func TestPiecesAgainstLabel(t *testing.T) {
	for k, r := range readReference(t).Masks {
		mask := cells(r.Mask)
		m := &colourMap{n: r.N, radius: 25, of: make([]int8, len(mask)), far2: make([]float64, len(mask))}
		least := int(math.Pi * speckR * speckR * m.radius * m.radius)
		for i, v := range mask {
			if v {
				m.of[i] = 1
			}
		}
		kept := m.mask(func(o int8) bool { return o == 1 })
		var got, want []int
		for i := range kept {
			if kept[i] && mask[i] {
				// Sizes as in the mask: filled pinholes don't count.
				one := slices.Clone(mask)
				for j := range kept {
					if !kept[j] {
						one[j] = one[j] && mask[j]
					}
				}
				got = append(got, fill(r.N, one, i))
				fill(r.N, kept, i)
			}
		}
		for _, a := range r.PieceAreas {
			if a >= least {
				want = append(want, a)
			}
		}
		slices.Sort(got)
		if !slices.Equal(got, want) {
			t.Errorf("mask %d: pieces of %v cells, scikit-image has %v", k, got, want)
		}
	}
}

// skimage.measure.find_contours.
func TestContours(t *testing.T) {
	for k, r := range readReference(t).Masks {
		field := make([]float64, r.N*r.N)
		for i, v := range cells(r.Mask) {
			if v {
				field[i] = 1
			}
		}
		length := 0.0
		found := contours(r.N, field)
		for _, l := range found {
			length += lineLength(l)
			// The high side lies towards (-dy, dx).
			for i := 1; i < len(l); i++ {
				dx, dy := l[i][0]-l[i-1][0], l[i][1]-l[i-1][1]
				x, y := (l[i][0]+l[i-1][0])/2, (l[i][1]+l[i-1][1])/2
				in := field[int(math.Round(y+0.7*dx))*r.N+int(math.Round(x-0.7*dy))]
				out := field[int(math.Round(y-0.7*dx))*r.N+int(math.Round(x+0.7*dy))]
				if in < out {
					t.Fatalf("mask %d: a border runs the wrong way round", k)
				}
			}
		}
		if len(found) != r.Contours {
			t.Errorf("mask %d: %d contours, scikit-image finds %d", k, len(found), r.Contours)
		}
		closeTo(t, fmt.Sprintf("mask %d: length of contours", k), length, r.ContourLength, 1e-6)
	}
}

// scipy.stats.circvar with high = pi.
func TestAxialVariance(t *testing.T) {
	for _, r := range readReference(t).Circular {
		w := make([]float64, len(r.Angles))
		for i := range w {
			w[i] = 2.5
		}
		closeTo(t, "circular variance", axialVariance(r.Angles, w), r.CircVar, 1e-9)
	}
	// Weights stand for repeats.
	closeTo(t, "weighted", axialVariance([]float64{0.2, 1.1}, []float64{3, 1}), axialVariance([]float64{0.2, 0.2, 0.2, 1.1}, []float64{1, 1, 1, 1}), 1e-12)
	if !math.IsNaN(axialVariance(nil, nil)) {
		t.Error("the variance of nothing is a number")
	}
}

// localFrame is orthonormal and square to the direction, and at the middle is
// the picture's own.
func TestLocalFrame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, a := rapid.Float64Range(0, 0.95).Draw(t, "r"), rapid.Float64Range(0, 2*math.Pi).Draw(t, "a")
		s, c := math.Sincos(a)
		d := [3]float64{r * c, r * s, math.Sqrt(1 - r*r)}
		ex, ey := localFrame(d)
		for _, v := range [...][2]float64{{dot3(ex, ex), 1}, {dot3(ey, ey), 1}, {dot3(ex, ey), 0}, {dot3(ex, d), 0}, {dot3(ey, d), 0}} {
			if math.Abs(v[0]-v[1]) > 1e-12 {
				t.Fatalf("frame at %v: %v, %v", d, ex, ey)
			}
		}
		if n := cross3(ex, ey); dot3(n, d) < 1-1e-9 {
			t.Fatal("the frame is turned over")
		}
	})
}

// glassFace is a clear marble with a drawn pattern; opaqueFace the same opaque.
func glassFace(radius float64, lab func(x, y float64) [3]float64) *Face {
	f := draw(radius, lab)
	f.Ring = clearRing()
	f.BlurShare = 0.01
	return f
}

// near is blue within half of the polyline, in radii, and clear glass elsewhere.
func near(half float64, path ...[2]float64) func(x, y float64) [3]float64 {
	return func(x, y float64) [3]float64 {
		for i := 1; i < len(path); i++ {
			a, b := path[i-1], path[i]
			dx, dy := b[0]-a[0], b[1]-a[1]
			t := math.Max(0, math.Min(1, ((x-a[0])*dx+(y-a[1])*dy)/(dx*dx+dy*dy)))
			if math.Hypot(x-a[0]-t*dx, y-a[1]-t*dy) < half {
				return blue
			}
		}
		return clearSeen
	}
}

// zigzag has n corners, with legs from top to bottom.
func zigzag(n int) [][2]float64 {
	var p [][2]float64
	for i := range n + 2 {
		y := 0.55
		if i%2 == 1 {
			y = -0.55
		}
		p = append(p, [2]float64{1.1 * (float64(i)/float64(n+1) - 0.5), y})
	}
	return p
}

// A stripe of half width h on the disc is 2 asin(h) wide along the sphere, less
// the magnification of the glass it lies in.
func TestRibbonWidth(t *testing.T) {
	last := 0.0
	for _, half := range []float64{3.5 / drawnRadius, 6.5 / drawnRadius, 12.5 / drawnRadius, 20.5 / drawnRadius} { // between pixels
		for _, deg := range []float64{0, 25, 45} {
			a := Analyse(glassFace(drawnRadius, band(blue, clearSeen, half, deg)))
			want := 2 * math.Asin(half) / magnification(frontDepthR)
			got := a.WidthShare()
			closeTo(t, fmt.Sprintf("stripe of half width %g at %g degrees", half, deg), got, want, 0.7/drawnRadius+0.02*want)
			if deg == 0 && got <= last {
				t.Errorf("a stripe of half width %g is no wider than the one before", half)
			}
			if deg == 0 {
				last = got
			}
			if w := a.Anatomy.Widths; len(w) > 0 && (quantile(w, 0.75)-quantile(w, 0.25))/want > 0.1 {
				t.Errorf("the widths of an even stripe spread over %.3f of %.3f", quantile(w, 0.75)-quantile(w, 0.25), want)
			}
		}
	}
	a := Analyse(draw(drawnRadius, func(x, y float64) [3]float64 { return clearSeen }))
	if got := a.WidthShare(); got != 0 {
		t.Errorf("a plain marble's ribbons are %g wide", got)
	}
}

// Stripes are pieces, each its own.
func TestPieces(t *testing.T) {
	for n := range 9 {
		f := draw(drawnRadius, stripes(n, blue, clearSeen))
		if n == 0 {
			f = draw(drawnRadius, func(x, y float64) [3]float64 { return clearSeen })
		}
		if p := Analyse(f).Pieces(); p != n {
			t.Errorf("%d stripes: %d pieces", n, p)
		}
	}
}

// Corners are counted where they are.
func TestTurnsOfZigzag(t *testing.T) {
	for n := range 5 {
		path := zigzag(n)
		a := Analyse(glassFace(drawnRadius, near(0.05, path...)))
		if got := a.Anatomy.Turns; got != n {
			t.Errorf("%d corners: %d turns", n, got)
		}
		if got := a.Anatomy.Sharp; got != n {
			t.Errorf("%d corners: %d sharp turns", n, got)
		}
		for _, l := range a.Anatomy.Lines {
			for _, i := range l.Turns {
				best := math.Inf(1)
				for _, q := range path[1 : len(path)-1] {
					best = math.Min(best, math.Hypot(l.At[i][0]-q[0], l.At[i][1]-q[1]))
				}
				// The line turns where the legs part: half/sin(half the angle)
				// inside the corner.
				if part := 0.05*math.Hypot(1, float64(n+1)) + 0.03; best > part {
					t.Errorf("%d corners: a turn is marked %.2f radii from the nearest, want %.2f at most", n, best, part)
				}
			}
		}
	}
}

// The more a ribbon turns, the busier; a plain marble is not at all, and a
// smaller marble with the same pattern is as busy.
func TestBusyness(t *testing.T) {
	plain := Analyse(glassFace(drawnRadius, func(x, y float64) [3]float64 { return clearSeen }))
	last, ok := plain.Busyness()
	if last != 0 || !ok {
		t.Errorf("a plain marble's busyness is %g (%v)", last, ok)
	}
	for n := range 5 {
		f := glassFace(drawnRadius, near(0.05, zigzag(n)...))
		a := Analyse(f)
		got, ok := a.Busyness()
		if !ok || got <= last || got >= 1 {
			t.Errorf("%d corners: busyness %.3f (%v) after %.3f", n, got, ok, last)
		}
		last = got
		f.RadiusMM /= 2
		if small, _ := a.Busyness(); small != got {
			t.Errorf("%d corners: %.3f on a marble half the size, %.3f before", n, small, got)
		}
	}
	// The definition: 1 - 2^(-1) at borders four diameters long.
	half := Analysis{Parts: Parts{Usable: 1, Edge: 4}}
	if got, _ := half.Busyness(); got != 0.5 {
		t.Errorf("borders of four diameters are busy by %g", got)
	}
	// One turn a diameter seen is what is expected anyway.
	one := Anatomy{Ribbons: true, Turns: 2, LengthR: 4}
	if got := one.TurnsPerMM(8); math.Abs(got-1.0/16) > 1e-12 {
		t.Errorf("two turns in two diameters of 16 mm are %g a mm", got)
	}
}

// A circle of angular radius rho on the sphere turns by 2 pi cos(rho) in all
// (Gauss and Bonnet).
func TestGeodesicTurning(t *testing.T) {
	for _, rho := range []float64{0.2, 0.6, 1.0, math.Pi / 2} {
		var l Line
		const n = 720
		for i := range n + 2 {
			s, c := math.Sincos(2 * math.Pi * float64(i) / n)
			l.Dir = append(l.Dir, [3]float64{math.Sin(rho) * c, math.Sin(rho) * s, math.Cos(rho)})
		}
		sum := 0.0
		for _, k := range l.geodesicTurning() {
			sum += k
		}
		closeTo(t, fmt.Sprintf("turning of a circle of %g", rho), math.Abs(sum), 2*math.Pi*math.Cos(rho), 1e-3)
		s := l.reach()
		closeTo(t, "its length", s[n], 2*math.Pi*math.Sin(rho), 1e-3)
	}
}

// Stripes are a stack with their own period; one stripe is none.
func TestStack(t *testing.T) {
	for _, n := range []int{4, 6, 8} {
		a := Analyse(glassFace(drawnRadius, stripes(n, blue, clearSeen)))
		// Equal on the disc; on the sphere those near the middle, which are the
		// closest, are as wide as on the disc.
		want := 2 * 2 / float64(2*n+1)
		closeTo(t, fmt.Sprintf("period of %d stripes", n), a.Anatomy.Stack.PeriodR, want, 0.12*want)
		if r := a.Anatomy.Stack.Regularity; r < 0.5 || r > 1 {
			t.Errorf("%d even stripes: regularity %.2f", n, r)
		}
		// Parallel on the disc are circles side by side on the sphere, whose
		// headings differ a little towards the rim.
		if v := a.Anatomy.AxialVariance; v > 0.12 {
			t.Errorf("%d parallel stripes: spread of directions %.3f", n, v)
		}
	}
	if s := Analyse(glassFace(drawnRadius, band(blue, clearSeen, 0.2, 10))).Anatomy.Stack; s.PeriodR != 0 {
		t.Errorf("one stripe is a stack: %+v", s)
	}
}

// Stripes parted by lines of base a quarter as wide have thin gaps; stripes and
// gaps as wide as each other have none.
func TestThinGaps(t *testing.T) {
	comb := func(gap float64) func(x, y float64) [3]float64 {
		return func(x, y float64) [3]float64 {
			if u := math.Mod(x+2, 0.4); math.Abs(x) < 0.6 && u > gap {
				return blue
			}
			return clearSeen
		}
	}
	thin := Analyse(glassFace(drawnRadius, comb(0.08))).Anatomy.Gaps
	if thin.Share < 0.4 {
		t.Errorf("thin gaps: share %.2f", thin.Share)
	}
	closeTo(t, "width of thin gaps", thin.WidthR, 0.08, 0.02)
	if wide := Analyse(glassFace(drawnRadius, comb(0.2))).Anatomy.Gaps; wide.Share > 0.1 {
		t.Errorf("wide gaps: share %.2f", wide.Share)
	}
}

// White beside colour along its whole length is a pair; white and colour that
// cross, or lie apart, are none.
func TestPairs(t *testing.T) {
	lay := func(white_, colour func(x, y float64) bool) func(x, y float64) [3]float64 {
		return func(x, y float64) [3]float64 {
			switch {
			case white_(x, y):
				return white
			case colour(x, y):
				return blue
			}
			return [3]float64{60, 0, 1}
		}
	}
	for _, c := range []struct {
		name         string
		white, blue  func(x, y float64) bool
		least, most  float64
		gapR, within float64
	}{
		{"side by side", func(x, y float64) bool { return x > -0.25 && x < 0 }, func(x, y float64) bool { return x >= 0 && x < 0.25 }, 0.9, 1, 0, 0.01},
		{"a small gap", func(x, y float64) bool { return x > -0.28 && x < -0.04 }, func(x, y float64) bool { return x >= 0.04 && x < 0.28 }, 0.9, 1, 0.08, 0.02},
		{"apart", func(x, y float64) bool { return x > -0.6 && x < -0.35 }, func(x, y float64) bool { return x >= 0.2 && x < 0.5 }, 0, 0.05, 0, 0},
		{"crossing", func(x, y float64) bool { return math.Abs(x) < 0.12 }, func(x, y float64) bool { return math.Abs(y) < 0.12 }, 0, 0.3, 0, 0},
	} {
		p := Analyse(glassFace(drawnRadius, lay(c.white, c.blue))).Anatomy.Pairs
		if !p.Known {
			t.Errorf("%s: white and colour aren't both found", c.name)
			continue
		}
		if p.Share < c.least || p.Share > c.most {
			t.Errorf("%s: share %.2f, want %.2f to %.2f", c.name, p.Share, c.least, c.most)
		}
		if c.within > 0 {
			closeTo(t, c.name+": gap", p.GapR, c.gapR, c.within)
		}
	}
}

// Stripes and tones across a ribbon are told from noise and from shading.
func TestGrain(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	ribbon := func(tone func(x, y float64) float64) *Analysis {
		return Analyse(glassFace(drawnRadius, func(x, y float64) [3]float64 {
			if math.Abs(x) < 0.35 {
				return [3]float64{45 + tone(x, y), 10, -40}
			}
			return [3]float64{70, 0, 1}
		}))
	}
	noise := func(x, y float64) float64 { return 1.5 * rng.NormFloat64() }
	solid := ribbon(noise).Anatomy.Grain
	striped := ribbon(func(x, y float64) float64 { return 4*math.Sin(x*2*math.Pi/0.18) + noise(x, y) }).Anatomy.Grain
	toned := ribbon(func(x, y float64) float64 { return 12*x/0.35 + noise(x, y) }).Anatomy.Grain
	rounded := ribbon(func(x, y float64) float64 { return -6*x*x/0.35/0.35 + noise(x, y) }).Anatomy.Grain
	along := ribbon(func(x, y float64) float64 { return 4*math.Sin(y*2*math.Pi/0.18) + noise(x, y) }).Anatomy.Grain
	if !solid.Known || !striped.Known || !toned.Known || !rounded.Known || !along.Known {
		t.Fatalf("not told: %+v %+v %+v %+v %+v", solid, striped, toned, rounded, along)
	}
	// A sine of amplitude 4 has a standard deviation of 2.8.
	closeTo(t, "stripes", striped.Striation, 4/math.Sqrt2, 0.8)
	for name, g := range map[string]Grain{"solid": solid, "two tones": toned, "rounded": rounded, "stripes across": along} {
		if g.Striation > 0.8 {
			t.Errorf("%s: striation %.2f", name, g.Striation)
		}
	}
	closeTo(t, "dark to light", toned.TwoTone, 24, 2)
	for name, g := range map[string]Grain{"solid": solid, "rounded": rounded, "stripes across": along} {
		if g.TwoTone > 2 {
			t.Errorf("%s: two tones %.2f", name, g.TwoTone)
		}
	}
	if g := Analyse(glassFace(drawnRadius, band(blue, clearSeen, 0.05, 0))).Anatomy.Grain; g.Known {
		t.Error("a ribbon of six pixels shows grain")
	}
}

// A mirrored pattern is symmetrical; one strewn at random is hardly.
func TestSymmetry(t *testing.T) {
	a := Analyse(glassFace(drawnRadius, near(0.08, [2]float64{-0.6, 0.5}, [2]float64{0, -0.5}, [2]float64{0.6, 0.5})))
	if v := a.Anatomy.Mirror; v < 0.9 {
		t.Errorf("a wedge's symmetry is %.2f", v)
	}
	rng := rand.New(rand.NewPCG(5, 6))
	var on [12][12]bool
	for i := range on {
		for j := range on[i] {
			on[i][j] = rng.IntN(2) == 1
		}
	}
	b := Analyse(glassFace(drawnRadius, func(x, y float64) [3]float64 {
		if on[int((x+1.2)*5)%12][int((y+1.2)*5)%12] {
			return blue
		}
		return clearSeen
	}))
	if v := b.Anatomy.Mirror; v > 0.4 {
		t.Errorf("squares strewn at random: symmetry %.2f", v)
	}
}

// Scalloped borders are rougher than straight ones, at the scale of the
// scallops.
func TestRoughness(t *testing.T) {
	wavy := func(amp, period float64) Roughness {
		a := Analyse(glassFace(drawnRadius, func(x, y float64) [3]float64 {
			if math.Abs(x) < 0.3+amp*math.Sin(2*math.Pi*y/period) {
				return blue
			}
			return clearSeen
		}))
		if !a.Anatomy.RoughKnown {
			t.Fatal("no border")
		}
		return a.Anatomy.Rough
	}
	straight, scallops, flames := wavy(0, 1), wavy(0.06, 0.25), wavy(0.12, 0.8)
	if straight.Fine > 0.01 || straight.Coarse > 0.01 {
		t.Errorf("straight borders: %+v", straight)
	}
	// A Gaussian of standard deviation s leaves exp(-(2 pi s/p)^2/2) of a wave
	// of period p: 0.04 of the scallops at 0.1, so nearly all of them is fine;
	// 0.73 of the flames at 0.1 and 0.15 at 0.25, so more of them is coarse.
	if scallops.Fine < 0.1 || scallops.Fine < 3*scallops.Coarse {
		t.Errorf("scallops: %+v", scallops)
	}
	if flames.Coarse < 0.05 || flames.Coarse < 1.5*flames.Fine {
		t.Errorf("flames: %+v", flames)
	}
}

// Vanes leave a slit along their axis; a wide fold doesn't.
func TestVaneLikeness(t *testing.T) {
	vaned := Analyse(glassFace(drawnRadius, func(x, y float64) [3]float64 {
		if math.Abs(x+0.03) < 0.07 {
			return clearSeen
		}
		return blue
	}))
	folded := Analyse(glassFace(drawnRadius, near(0.2, zigzag(2)...)))
	edge := Analyse(glassFace(drawnRadius, func(x, y float64) [3]float64 {
		if x < 0.02 {
			return clearSeen
		}
		return blue
	}))
	// Which of the two colours is glass can't be told from the drawing alone.
	if vaned.Parts.Colours[vaned.Parts.Base].Lab[0] > 50 {
		if v := vaned.Anatomy.VaneLikeness(); v < 0.7 {
			t.Errorf("two vanes: %.2f", v)
		}
	} else {
		t.Errorf("the slit isn't taken for the base")
	}
	if v := folded.Anatomy.VaneLikeness(); v > 0.2 {
		t.Errorf("a folded ribbon: %.2f", v)
	}
	if v := edge.Anatomy.VaneLikeness(); v > 0.2 {
		t.Errorf("one border through the middle: %.2f", v)
	}
}

// tracedFace traces a drawn face whose blue parts are the ribbon.
func tracedFace(f *Face) Anatomy {
	p := Parts{Of: make([]int8, len(f.Mask)), Base: 0, Colours: []Colour{{Lab: clearSeen}, {Lab: blue}}}
	for i := range p.Of {
		p.Of[i] = -1
		if f.usable(i) {
			p.Of[i] = 0
			p.Usable++
			if f.Lab[i][0] < (clearSeen[0]+blue[0])/2 {
				p.Of[i] = 1
			}
		}
	}
	return TraceRibbons(f, &p, nil)
}

// A quarter turn changes nothing, nor does the number of pixels to speak of.
// Thinning goes by the grid, so that lines move by up to a pixel and their ends
// by more.
func TestGeometryTurnsAndScales(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// Folds whose legs stay apart: where they run together it hangs on a
		// pixel whether their tip is a line of its own.
		n := rapid.IntRange(0, 2).Draw(t, "corners")
		half := rapid.Float64Range(0.05, 0.08).Draw(t, "half width")
		dx, dy := rapid.Float64Range(-0.1, 0.1).Draw(t, "dx"), rapid.Float64Range(-0.1, 0.1).Draw(t, "dy")
		path := zigzag(n)
		for i := range path {
			// Well inside the rim, where lengths along the sphere are steep.
			path[i][0] = 0.8*path[i][0] + dx
			path[i][1] = 0.8*path[i][1] + dy
		}
		f := glassFace(50, near(half, path...))
		a, b, c := tracedFace(f), tracedFace(rotated(f)), tracedFace(glassFace(70, near(half, path...)))
		mid := func(w []float64) float64 { return quantile(w, 0.5) }
		for name, v := range map[string][4]float64{
			// Either end may lie up to half a width off.
			"length": {a.LengthR, b.LengthR, c.LengthR, 0.05 + 2*half/a.LengthR},
			// To a pixel of each face, since drawn borders aren't blurred.
			"width":          {mid(a.Widths), mid(b.Widths), mid(c.Widths), (1.0/50 + 1.0/70) / mid(a.Widths)},
			"border":         {a.BorderR, b.BorderR, c.BorderR, 0.03},
			"straightness":   {a.Straight, b.Straight, c.Straight, 0.1},
			"1 + directions": {1 + a.AxialVariance, 1 + b.AxialVariance, 1 + c.AxialVariance, 0.1},
			// A mask against its mirror image: half a pixel of each face at a border
			// is that share of the ribbon's width.
			"1 + symmetry": {1 + a.Mirror, 1 + b.Mirror, 1 + c.Mirror, (0.5/50 + 0.5/70) / (2 * half)},
		} {
			if math.Abs(v[1]-v[0]) > v[3]*v[0] || math.Abs(v[2]-v[0]) > v[3]*v[0] {
				t.Fatalf("%s: %.4f, turned %.4f, with more pixels %.4f", name, v[0], v[1], v[2])
			}
		}
		if d := a.Turns - b.Turns; d < -1 || d > 1 || a.Pieces != b.Pieces || a.Pieces != c.Pieces {
			t.Fatalf("%d turns and %d pieces, turned %d and %d, with more pixels %d and %d", a.Turns, a.Pieces, b.Turns, b.Pieces, c.Turns, c.Pieces)
		}
	})
}

// A glare patch across a ribbon doesn't cut it in two.
func TestGlareIsBridged(t *testing.T) {
	f := glassFace(drawnRadius, band(blue, clearSeen, 0.12, 0))
	for i := range f.Mask {
		if x, y := f.XY(i); math.Abs(x) < 0.1 && math.Abs(y) < 0.18 {
			f.Mask[i] |= Highlight
		}
	}
	a := Analyse(f)
	if n := len(a.Anatomy.Lines); n != 1 {
		t.Fatalf("%d lines, want 1", n)
	}
	closeTo(t, "length of the line", a.Anatomy.LengthR, 2*math.Asin(RimFrom), 0.1)
	if a.Anatomy.Pieces != 1 {
		t.Errorf("%d pieces, want 1", a.Anatomy.Pieces)
	}
}

// Every figure is absent with a reason or within its range, whatever is drawn.
func TestGeometryFeaturesInRange(t *testing.T) {
	plain := func(x, y float64) [3]float64 { return clearSeen }
	for name, lab := range map[string]func(x, y float64) [3]float64{
		"plain": plain, "stripe": band(blue, clearSeen, 0.2, 20), "stripes": stripes(7, blue, clearSeen), "zigzag": near(0.07, zigzag(3)...),
	} {
		for _, f := range []*Face{glassFace(drawnRadius, lab), draw(20, lab), draw(8, lab)} {
			a := Analyse(f)
			for _, q := range geometryFeatures {
				v, absent := q.Measure(a)
				if absent == "" && !(v >= q.Low && v <= q.High) {
					t.Errorf("%s, radius %g: %s is %g, outside %g to %g", name, f.Radius, q.Name, v, q.Low, q.High)
				}
			}
		}
	}
	names := map[string]bool{}
	for _, q := range geometryFeatures {
		if names[q.Name] || q.Label == "" || q.Meaning == "" || q.Disturbed == "" || q.Low >= q.High || q.Measure == nil {
			t.Errorf("%s is twice in the list or lacks something", q.Name)
		}
		names[q.Name] = true
	}
}

// The ribbons' geometry of a marble 400 px across, whose face has a radius of
// 80 px, is to take 20 ms at most of the 60 for all features.
func BenchmarkTraceRibbons(b *testing.B) {
	f := glassFace(80, func(x, y float64) [3]float64 {
		u := x + 0.12*math.Sin(9*y)
		switch k := int(math.Floor((u + 2) / 0.13)); k % 4 {
		case 0:
			return blue
		case 2:
			return white
		}
		return clearSeen
	})
	a := Analyse(f)
	if len(a.Anatomy.Lines) < 5 {
		b.Fatalf("only %d lines", len(a.Anatomy.Lines))
	}
	for b.Loop() {
		TraceRibbons(f, &a.Parts, func(c int8) bool { return int(c) != a.Parts.Base && a.whitish(a.Parts.Colours[c].Lab) })
	}
}
