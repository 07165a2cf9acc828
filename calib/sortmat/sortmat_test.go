package sortmat

import (
	"math"
	"testing"
)

func TestPlaces(t *testing.T) {
	places := Places()
	if len(places) != 29 {
		t.Fatalf("%d places", len(places))
	}
	for i, p := range places {
		if p.Number != i+1 {
			t.Errorf("place %d is numbered %d", i+1, p.Number)
		}
		const r = LargestMM / 2
		if p.X-r < 0 || p.Y-r < 0 || p.X+r > WidthMM || p.Y+r > HeightMM {
			t.Errorf("a marble on place %d hangs over the mat's edge", p.Number)
		}
		if p.X-r < GroundLeftMM && p.Y-r < GroundTopMM {
			t.Errorf("a marble on place %d lies on the card", p.Number)
		}
		for _, q := range places[:i] {
			if d := math.Hypot(p.X-q.X, p.Y-q.Y); d < LargestMM+8 {
				t.Errorf("places %d and %d are %.1f mm apart", p.Number, q.Number, d)
			}
		}
	}
}

// Nothing but the place's own mark, dashes and the ground may lie under a
// marble of the largest size, and its number must stay readable.
func TestNumbersLieBesideMarbles(t *testing.T) {
	d := Draw()
	for i, text := range d.Texts {
		for _, p := range Places() {
			// The letters reach from the baseline up, two digits to the right.
			for _, at := range [][2]float64{{0, 0}, {0, -NumberSizeMM}, {1.2 * NumberSizeMM, 0}, {1.2 * NumberSizeMM, -NumberSizeMM}} {
				if r := math.Hypot(text.X+at[0]-p.X, text.Y+at[1]-p.Y); r < LargestMM/2 {
					t.Errorf("number %d is covered on place %d", i+1, p.Number)
				}
			}
		}
		if text.X < 0 || text.Y-NumberSizeMM < 0 || text.X+1.2*NumberSizeMM > WidthMM || text.Y > HeightMM {
			t.Errorf("number %d is not on the mat", i+1)
		}
	}
}

func TestDrawingLiesOnTheMat(t *testing.T) {
	d := Draw()
	for _, r := range d.Rects {
		if r.X < 0 || r.Y < 0 || r.X+r.Width > WidthMM+1e-9 || r.Y+r.Height > HeightMM+1e-9 || r.Width <= 0 || r.Height <= 0 {
			t.Errorf("%+v leaves the mat", r)
		}
		if r.X < CardWidthMM && r.Y < CardHeightMM && r.L != BlackL {
			t.Errorf("%+v lies on the card", r)
		}
	}
	for _, c := range CodeDots() {
		if c[0]-CodeDotMM/2 < 92.5+1.5 || c[0]+CodeDotMM/2 > CardWidthMM-1.5 {
			t.Errorf("the code's dot at %v is too near the board or the card's edge", c)
		}
	}
	for _, l := range d.Lines {
		for _, v := range []float64{l.X0, l.X1} {
			if v < 0 || v > WidthMM {
				t.Errorf("%+v leaves the mat", l)
			}
		}
	}
}

// The drawn stripes and MarkAt are one thing, and both balance to the ground.
func TestMarkIsWhatIsDrawn(t *testing.T) {
	sum, n := 0.0, 0.0
	for y := -8.01; y < 8; y += 0.037 {
		for x := -8.03; x < 8; x += 0.037 {
			want := 0.0
			for _, s := range Stripes() {
				if y >= s.Top && y < s.Top+PeriodMM/2 && math.Abs(x) <= s.Half {
					want = s.Sign * s.Share
				}
			}
			got, reach := MarkAt(x, y)
			if got != want || reach != math.Abs(want) {
				t.Fatalf("at %.3f, %.3f: %g, drawn %g", x, y, got, want)
			}
			sum += got
			n += reach
		}
	}
	if math.Abs(sum/n) > 0.01 {
		t.Errorf("the mark is off the ground by %.3f of its contrast", sum/n)
	}
	// The tones of the core are the ladder's own.
	for _, s := range Stripes() {
		want := map[bool]float64{true: LightL, false: DarkL}[s.Sign > 0]
		if s.Share == 1 && math.Abs(StripeL(s)-want) > 1e-9 {
			t.Errorf("a stripe is printed in %g, not %g", StripeL(s), want)
		}
	}
}

func TestCode(t *testing.T) {
	var left, right [CodeRows]float64
	for row, onRight := range codes[Version] {
		left[row], right[row] = 1, 1
		if onRight {
			right[row] = 0.02
		} else {
			left[row] = 0.02
		}
	}
	if v := ReadCode(left, right); v != Version {
		t.Errorf("the code reads %d", v)
	}
	for row := range CodeRows {
		l, r := left, right
		l[row], r[row] = r[row], l[row]
		if v := ReadCode(l, r); v != 0 {
			t.Errorf("with row %d the other way round the code reads %d", row, v)
		}
		l, r = left, right
		l[row], r[row] = 0.02, 0.02 // something dark lies on it
		if v := ReadCode(l, r); v != 0 {
			t.Errorf("with row %d dark the code reads %d", row, v)
		}
	}
	for _, even := range []float64{0, 0.5, 1} {
		for row := range left {
			left[row], right[row] = even, even
		}
		if v := ReadCode(left, right); v != 0 {
			t.Errorf("paper of %g reads as code %d", even, v)
		}
	}
}

// trace sends a ray straight down, h radii beside the axis of a ball that lies
// on the mat, and gives where it meets the mat, in radii.
func trace(t *testing.T, h, index float64) float64 {
	t.Helper()
	x, y, _, ok := Through(Vec{h * 8, 0, 1000}, Vec{0, 0, -1}, Vec{0, 0, 8}, 8, index)
	if !ok || math.Abs(y) > 1e-9 {
		t.Fatalf("a ray at %g is lost", h)
	}
	return x / 8
}

// To first order: the thick lens of two equal surfaces has its focus n/(2(n-1))
// radii behind the ball's middle (Hecht, Optics, 6.1), and nearer for rays
// farther out, by the exact angles 2 asin(h) - 2 asin(h/n) that the ball turns
// them by (Snell's law at both surfaces; the way in and the way out are alike).
func TestBallLens(t *testing.T) {
	for _, n := range []float64{1.46, 1.52, 1.6} {
		if got, want := trace(t, 1e-4, n), 1e-4/Magnification(n); math.Abs(got-want) > 1e-3*want {
			t.Errorf("n = %g: near the axis the mat is met at %.6g, want %.6g", n, got, want)
		}
		for h := 0.05; h < 0.95; h += 0.05 {
			i, r := math.Asin(h), math.Asin(h/n)
			out, turned := 2*r-i, 2*(i-r) // place on the underside from its middle, and the angle to straight down
			want := math.Sin(out) - (1-math.Cos(out))*math.Tan(turned)
			if got := trace(t, h, n); math.Abs(got-want) > 1e-9 {
				t.Errorf("n = %g: at %.2f the mat is met at %.6f, want %.6f", n, h, got, want)
			}
		}
	}
	if m := Magnification(GlassIndex); math.Abs(m-3.1667) > 1e-3 {
		t.Errorf("magnification %.4f", m) // n / (2 - n), what the first line of this test comes to
	}
	if f := FocalR(1.5); f != 1.5 {
		t.Errorf("a ball of n = 1.5 has its focus %g radii from its middle", f) // half a radius behind it (Hecht)
	}
}

// Everything that a ball shows of the mat lies within about a sixth of a radius
// of where it touches: the mark is small and yet fills the glass.
func TestBallShowsLittleOfTheMat(t *testing.T) {
	most := 0.0
	for h := 0.01; h < 0.97; h += 0.01 {
		most = math.Max(most, trace(t, h, GlassIndex))
	}
	if most < 0.16 || most > 0.18 {
		t.Errorf("the ball shows the mat out to %.3f radii", most)
	}
	// So the largest marble seen straight down shows no more than the core, and
	// the smallest no less than two periods.
	if most*LargestMM/2 > CoreMM || 2*most*12/2 < 2*PeriodMM {
		t.Errorf("core %g, period %g", CoreMM, PeriodMM)
	}
}

// Light goes the same way back.
func TestThroughIsReversible(t *testing.T) {
	c := Vec{3, -2, 7}
	from, to := Vec{40, 25, 300}, Vec{4.5, -1, 10}
	d := to.plus(from, -1).unit()
	x, y, length, ok := Through(from, d, c, 7, GlassIndex)
	if !ok || length <= 0 || length > 2 {
		t.Fatalf("lost; length %g", length)
	}
	// Turned over: the mat's point looks up; the eye's plane is the mat.
	up := func(v Vec) Vec { return Vec{v[0], v[1], 300 - v[2]} }
	// The direction in which the ray leaves the ball is found by a second point
	// on it, farther down.
	x2, y2, _, _ := Through(from.plus(Vec{0, 0, 1}, 5), d, c.plus(Vec{0, 0, 1}, 5), 7, GlassIndex)
	dir := Vec{x2 - x, y2 - y, -5}.unit() // both rays leave alike, one 5 mm higher above the mat
	bx, by, back, ok := Through(up(Vec{x, y, 0}), Vec{-dir[0], -dir[1], dir[2]}, up(c), 7, GlassIndex)
	if !ok || math.Abs(bx-from[0]) > 1e-6 || math.Abs(by-from[1]) > 1e-6 || math.Abs(back-length) > 1e-9 {
		t.Errorf("back at %.6f, %.6f (length %.6f of %.6f), not at %v", bx, by, back, length, from)
	}
}

func TestRaysThatMiss(t *testing.T) {
	for _, c := range []struct {
		name     string
		from, to Vec
	}{
		{"beside", Vec{20, 0, 300}, Vec{0, 0, -1}},
		{"away", Vec{0, 0, 300}, Vec{0, 0, 1}},
		{"level", Vec{-100, 0, 8}, Vec{1, 0, 0}},
	} {
		if _, _, _, ok := Through(c.from, c.to, Vec{0, 0, 8}, 8, GlassIndex); ok {
			t.Errorf("%s: the ray meets the mat through the ball", c.name)
		}
	}
}
