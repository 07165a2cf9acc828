package vision

import (
	"fmt"
	"image"
	"math"
	"testing"

	"tawsight/calib"
	"tawsight/features"
	"tawsight/internal/colour"
	"tawsight/internal/kernels"
)

var plainLight = Light{White: calib.Neutral()}

func outline(x, y, a, b, deg float64) Outline {
	return Outline{Ellipse: calib.Ellipse{CxPX: x, CyPX: y, SemiMajorPX: a, SemiMinorPX: b, AngleDeg: deg}}
}

func papered(t *testing.T, p *Photo, o ...Outline) Found {
	t.Helper()
	f := Find(p, straightDown(p.Width, p.Height))
	f.Marbles, f.BlurPX = o, 1
	return f
}

// A face is cut out of the ellipse: its disc covers the circle's area, its
// colours are the painted ones where they were painted.
func TestFaceOfAnEllipse(t *testing.T) {
	const cx, cy, a, b, deg = 300.0, 220.0, 66.0, 60.0, 25.0
	sin, cos := math.Sincos(deg * math.Pi / 180)
	red, blue := discRed, discBlue
	p := drawn(t, 600, 440, func(x, y float64) [3]float64 {
		dx, dy := x-cx, y-cy
		u, v := (cos*dx+sin*dy)/a, (-sin*dx+cos*dy)/b
		switch {
		case u*u+v*v > 1:
			return paperGrey
		case dx > 0: // right of the middle in the picture
			return red
		}
		return blue
	})
	f := Face(p, papered(t, p, outline(cx, cy, a, b, deg)), 0, plainLight, 7.5, nil)
	if f.RadiusMM != 7.5 || f.Radius < faceRadiusLeast || f.Radius > faceRadiusKept || f.Size < 2*int(f.Radius) {
		t.Errorf("size %d, radius %g px, %g mm", f.Size, f.Radius, f.RadiusMM)
	}
	glass, rim := 0, 0
	for i, m := range f.Mask {
		x, y := f.XY(i)
		if m&features.Glass != 0 {
			glass++
			if m&features.Rim != 0 {
				rim++
			}
		}
		// In the rim, which is left out anyway, paper lends its light to the edge.
		if m&features.Hidden != 0 || m&features.Highlight != 0 && m&features.Rim == 0 {
			t.Fatalf("at %.2f, %.2f: mask %b of a painted disc", x, y, m)
		}
		if rho := math.Hypot(x, y); rho > 0.9 || math.Abs(x) < 0.1 {
			continue
		}
		want := [3]float64{35, 10, -45}
		if x > 0 {
			want = [3]float64{45, 55, 30}
		}
		// Noise of 1.2 of 255 shows as some units of Lab in dark colours.
		if d := colour.DeltaE00(f.Lab[i], want); d > 6 {
			t.Fatalf("at %.2f, %.2f: %.0f, painted %.0f", x, y, f.Lab[i], want)
		}
	}
	area := math.Pi * f.Radius * f.Radius
	closeTo(t, "area of the disc, px", float64(glass), area, 0.01*area)
	closeTo(t, "area of the rim, px", float64(rim), area*(1-features.RimFrom*features.RimFrom), 0.02*area)
	if d := colour.DeltaE00(f.PaperLab, [3]float64{80, 0, 1}); d > 1.5 {
		t.Errorf("paper %.1f", f.PaperLab)
	}
	// Around it there is open paper, evenly lit.
	if len(f.Ring.Value) != features.RingDirs {
		t.Fatalf("ring of %d directions", len(f.Ring.Value))
	}
	for d, row := range f.Ring.Value {
		for j, v := range row {
			if !(math.Abs(v-1) < 0.04) {
				t.Fatalf("ring at %d, %d is %g, painted 1", d, j, v)
			}
		}
	}
}

// A lamp's image is left out; a white ribbon is not.
func TestHighlights(t *testing.T) {
	const cx, cy, r = 220.0, 200.0, 60.0
	lamp := func(x, y float64) bool { return math.Hypot(x+0.3, y+0.35) < 0.09 }
	ribbon := func(x, y float64) bool { return math.Abs(x-0.3) < 0.18 }
	p := drawn(t, 440, 400, func(x, y float64) [3]float64 {
		u, v := (x-cx)/r, (y-cy)/r
		switch {
		case u*u+v*v > 1:
			return paperGrey
		case lamp(u, v):
			return [3]float64{1, 1, 1}
		case ribbon(u, v):
			return colour.LabToLinear([3]float64{86, 0, 3})
		}
		return discBlue
	})
	f := Face(p, papered(t, p, outline(cx, cy, r, r, 0)), 0, plainLight, 0, nil)
	var missed, lampArea, taken, ribbonArea, elsewhere, rest float64
	for i, m := range f.Mask {
		x, y := f.XY(i)
		if m&features.Glass == 0 || math.Hypot(x, y) > features.RimFrom {
			continue
		}
		shine := m&features.Highlight != 0
		switch {
		case lamp(x, y):
			lampArea++
			if !shine {
				missed++
			}
		case ribbon(x, y):
			ribbonArea++
			if shine {
				taken++
			}
		case math.Hypot(x+0.3, y+0.35) > 0.2:
			rest++
			if shine {
				elsewhere++
			}
		}
	}
	if lampArea == 0 || missed/lampArea > 0.05 {
		t.Errorf("%.0f of %.0f pixels of the lamp's image stay", missed, lampArea)
	}
	if taken/ribbonArea > 0.02 || elsewhere/rest > 0.005 {
		t.Errorf("highlights are seen on %.1f %% of the ribbon and %.1f %% of plain glass", 100*taken/ribbonArea, 100*elsewhere/rest)
	}
}

// What a neighbour covers is marked, and the ring leaves neighbours, the card
// and what lies beyond the frame out.
func TestFaceLeavesOthersOut(t *testing.T) {
	p := drawn(t, 300, 300, onPaper(disc{100, 150, 50, discBlue}, disc{190, 150, 50, discRed}))
	found := papered(t, p, outline(100, 150, 50, 50, 0), outline(190, 150, 50, 50, 0))
	card := [][2]float64{{60.3, 205.3}, {139.6, 205.3}, {139.6, 300}, {60.3, 300}}
	f := Face(p, found, 0, plainLight, 0, &Areas{Taken: [][][2]float64{card}})
	hidden := 0
	for i, m := range f.Mask {
		x, y := f.XY(i)
		in := math.Hypot(x*50+100-190, y*50) < 50
		if m&features.Glass != 0 && (m&features.Hidden != 0) != in && math.Abs(math.Hypot(x*50-90, y*50)-50) > 1.5 {
			t.Fatalf("at %.2f, %.2f: hidden %v", x, y, !in)
		}
		if m&features.Hidden != 0 {
			hidden++
		}
	}
	// Two circles of radius r, d apart, share 2 r^2 acos(d/2r) - d/2 sqrt(4r^2-d^2).
	lens := 2*50*50*math.Acos(0.9) - 45*math.Sqrt(4*50*50-90*90)
	k := f.Radius / 50
	closeTo(t, "hidden area, px", float64(hidden), lens*k*k, 0.1*lens*k*k)
	for d, row := range f.Ring.Value {
		sin, cos := math.Sincos(2 * math.Pi * float64(d) / features.RingDirs)
		for j, v := range row {
			q := features.RingFrom + float64(j)*features.RingStep
			x, y := 100+50*q*cos, 150+50*q*sin
			blocked := math.Hypot(x-190, y-150) < 50 || (y > 205.3 && x > 60.3 && x < 139.6) || x < 1 || y < 1 || x > 298 || y > 298
			if blocked != math.IsNaN(v) {
				t.Errorf("ring at %.0f, %.0f px: %g, in the way %v", x, y, v, blocked)
			}
		}
	}
}

// However small or large the outline, the face stays within its bounds, and
// outlines over the frame's edge do no harm.
func TestFaceOfOddOutlines(t *testing.T) {
	p := drawn(t, 200, 160, onPaper(disc{100, 80, 40, discBlue}))
	for i, o := range []Outline{outline(100, 80, 1, 1, 0), outline(100, 80, 70, 60, 45), outline(0, 0, 40, 38, 10), outline(199, 159, 90, 90, 0), outline(-30, 80, 20, 20, 0)} {
		t.Run(fmt.Sprint(i), func(t *testing.T) {
			found := papered(t, p, o)
			f := Face(p, found, 0, plainLight, 0, nil)
			if n := f.Size * f.Size; len(f.Mask) != n || len(f.Lab) != n || len(f.Linear) != n || f.Size > 2*int(faceRadiusKept)+5 {
				t.Errorf("size %d, lengths %d, %d, %d", f.Size, len(f.Mask), len(f.Lab), len(f.Linear))
			}
			for i, v := range f.Lab {
				if math.IsNaN(v[0] + v[1] + v[2]) {
					t.Fatalf("pixel %d: %v", i, v)
				}
			}
			features.Analyse(f) // must not fault
		})
	}
}

func TestFlatLight(t *testing.T) {
	// Light falling to a half across the picture: a disc painted in it comes
	// out as under the light at the reference.
	fade := func(x float64) float64 { return 1 - 0.5*x/600 }
	p := drawn(t, 600, 400, func(x, y float64) [3]float64 {
		v := onPaper(disc{450, 200, 50, discRed})(x, y)
		for k := range v {
			v[k] *= fade(x)
		}
		return v
	})
	found := Find(p, straightDown(600, 400))
	if len(found.Marbles) != 1 || found.Paper == nil {
		t.Fatalf("%d marbles", len(found.Marbles))
	}
	l := Light{White: calib.Neutral(), Paper: found.Paper, RefX: 0, RefY: 200}
	got := l.At([3]float64{0.2 * fade(300), 0.1 * fade(300), 0.05 * fade(300)}, 300, 200)
	for k, want := range [3]float64{0.2, 0.1, 0.05} {
		closeTo(t, "evened out", got[k], want, 0.05*want)
	}
	// Past the limit the background is no longer taken for one sheet.
	dark := l.evening(599, 200)
	for k := range dark {
		if dark[k] > flatLimit+1e-9 {
			t.Errorf("corrected %g times, the limit is %g", dark[k], flatLimit)
		}
	}
}

// Over a square the light is the same as at each of its pixels, tone and all.
func TestLightOverASquare(t *testing.T) {
	m := &paperModel{w: 1000, h: 750}
	// Lightness falling off by half toward a corner, and a little yellower.
	m.coef = [3][6]float64{{0.7, -0.12, -0.08, -0.05, 0.02, -0.04}, {0.01, 0.005}, {0.02, 0.01}}
	for _, tone := range []float64{1, 0.8, 1.3} {
		w := calib.Neutral()
		w.Gain, w.ToneExponent, w.PaperY = [3]float64{1.1, 1, 1.3}, tone, 0.88
		l := Light{White: w, Paper: &Paper{model: m, scale: 0.25}, RefX: 900, RefY: 700}
		for _, at := range [][2]float64{{400, 300}, {3700, 2700}, {2000, 1500}} {
			f := l.over(at[0], at[1], 420)
			for i := range 40 {
				x, y := at[0]-210+float64(i)*10.3, at[1]+200-float64(i)*9.7
				for _, y2 := range []float64{0.001, 0.03, 0.2, 0.8, 1.1, 5} {
					c := [3]float64{y2, 0.8 * y2, 0.3 * y2}
					want := l.At(c, x, y)
					var got [1][3]float64
					var lum [1]float64
					line := []kernels.Sample{{float32(c[0]), float32(c[1]), float32(c[2])}}
					f.balance(line, kernels.Straight{X: x, Y: y}, got[:], lum[:])
					for k := range want {
						closeTo(t, "balanced", got[0][k], want[k], 0.002*want[k])
					}
				}
			}
		}
	}
}

// A crop has the size asked for, the marble in its middle, and is empty where
// the photo ends.
func TestCrop(t *testing.T) {
	p := drawn(t, 300, 200, onPaper(disc{40, 100, 50, discRed}))
	for _, c := range []struct {
		scale float64
		side  int
	}{{1, 140}, {0.5, 70}, {2.5, 350}} {
		img := Crop(p, outline(40, 100, 50, 50, 0), plainLight, c.scale, c.side)
		if img.Bounds() != image.Rect(0, 0, c.side, c.side) {
			t.Fatalf("scale %g: %v", c.scale, img.Bounds())
		}
		mid := img.NRGBAAt(c.side/2, c.side/2)
		want := colour.LabToSRGB8([3]float64{45, 55, 30})
		for k, v := range [3]uint8{mid.R, mid.G, mid.B} {
			closeTo(t, "middle", float64(v), float64(want[k]), 6)
		}
		// 40 px to the left of the middle the photo ends: empty from there on.
		left := float64(c.side-1)/2 - 40.5*c.scale
		if a := img.NRGBAAt(int(left)-1, c.side/2).A; a != 0 {
			t.Errorf("scale %g: alpha %d beyond the photo", c.scale, a)
		}
		if a := img.NRGBAAt(int(left)+2, c.side/2).A; a != 255 {
			t.Errorf("scale %g: alpha %d inside the photo", c.scale, a)
		}
	}
}

// A face is as large as the marble in the photo up to faceRadiusKept; larger
// ones come to one size, by at least two samples along each side of a pixel.
func TestFaceRadius(t *testing.T) {
	for _, c := range []struct {
		seen, radius float64
		over         int
	}{
		{9, 16, 1}, {16, 16, 1}, {45.5, 45.5, 1}, {56, 56, 1},
		{56.5, 48, 2}, {96, 48, 2}, {110, 48, 2}, {150, 48, 3}, {192, 48, 4}, {900, 48, 4},
	} {
		if r, over := faceRadius(c.seen); r != c.radius || over != c.over {
			t.Errorf("radius %g in the photo: a face of %g with %d samples, want %g and %d", c.seen, r, over, c.radius, c.over)
		}
	}
}
