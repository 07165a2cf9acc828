package features

import (
	"math"
	"math/rand/v2"
	"testing"

	"tawsight/internal/colour"
)

// ball is a glass ball of radius 1 on paper, seen from far above, traced by
// Snell's law, Fresnel's equations and Beer's law (M. Born and E. Wolf,
// Principles of Optics, chapters 1 and 3): nothing of what findBubble assumes
// of a bubble's look goes in.
type ball struct {
	tint    [3]float64 // transmission of one diameter
	at      [3]float64 // bubble's middle, z towards the camera
	bubble  float64    // its radius, 0 for none
	horizon float64    // radiance of the room at the horizon, paper in the light being 0.6
	zenith  float64
	ribbon  float64 // half-width of a white sheet across the ball, 0 for none
	low     float64 // its height
}

func stepTo(o, d [3]float64, t float64) (p [3]float64) {
	for i := range p {
		p[i] = o[i] + t*d[i]
	}
	return
}

// fresnel is the share mirrored of unpolarised light that meets a border at
// cosine c1, and the cosine beyond it.
func fresnel(c1, n1, n2 float64) (share, c2 float64) {
	s2 := n1 / n2 * math.Sqrt(math.Max(0, 1-c1*c1))
	if s2 >= 1 {
		return 1, 0
	}
	c2 = math.Sqrt(1 - s2*s2)
	a, b := (n1*c1-n2*c2)/(n1*c1+n2*c2), (n1*c2-n2*c1)/(n1*c2+n2*c1)
	return (a*a + b*b) / 2, c2
}

func bent(d, n [3]float64, c1, c2, eta float64) (o [3]float64) {
	for i := range o {
		o[i] = eta*d[i] + (eta*c1-c2)*n[i]
	}
	return
}

// outside is the light from a direction: paper below with the ball's shadow,
// a window 50 degrees up, and a room that brightens upwards.
func (b *ball) outside(o, d [3]float64) float64 {
	if d[2] < 0 {
		p := stepTo(o, d, (-1-o[2])/d[2])
		return 0.6 * (1 - 0.6*math.Exp(-(p[0]*p[0]+p[1]*p[1])/0.5))
	}
	w := [3]float64{0.5, 0.4, 0.768}
	if c := dot3(d, w); c > 0 {
		if p := stepTo([3]float64{-w[0], -w[1], -w[2]}, d, 1/c); math.Abs(p[0]) < 0.15 && math.Abs(p[1]) < 0.15 && math.Abs(p[2]) < 0.15 {
			return 8
		}
	}
	return b.horizon + (b.zenith-b.horizon)*d[2]
}

// inside is the light that comes along a line of sight in the glass; weight is
// what is still to be had of it, counted down at each turn.
func (b *ball) inside(o, d [3]float64, weight float64) (c [3]float64) {
	if weight < 0.01 {
		return
	}
	t := -2 * dot3(o, d) // to the surface, from a place on it
	if r2 := dot3(o, o); r2 < 1-1e-9 {
		q := dot3(o, d)
		t = -q + math.Sqrt(q*q-r2+1)
	}
	what := 0
	if b.bubble > 0 {
		p := stepTo(o, b.at, -1)
		if q := dot3(p, d); q < 0 {
			if h := q*q - dot3(p, p) + b.bubble*b.bubble; h > 0 && -q-math.Sqrt(h) > 1e-6 && -q-math.Sqrt(h) < t {
				t, what = -q-math.Sqrt(h), 1
			}
		}
	}
	if b.ribbon > 0 && d[2] != 0 {
		if s := (b.low - o[2]) / d[2]; s > 1e-6 && s < t {
			if p := stepTo(o, d, s); math.Abs(p[1]) < b.ribbon && dot3(p, p) < 0.8 {
				t, what = s, 2
			}
		}
	}
	p := stepTo(o, d, t)
	plus := func(v [3]float64, k float64) {
		for i := range c {
			c[i] += k * v[i]
		}
	}
	switch what {
	case 0:
		n := [3]float64{-p[0], -p[1], -p[2]}
		c1 := -dot3(d, n)
		r, c2 := fresnel(c1, glassIndex, 1)
		if r < 1 {
			l := b.outside(p, bent(d, n, c1, c2, glassIndex))
			plus([3]float64{l, l, l}, 1-r)
		}
		plus(b.inside(p, stepTo(d, n, 2*c1), 0.8*weight*r), r)
	case 1:
		n := stepTo(p, b.at, -1)
		n = stepTo([3]float64{}, n, 1/b.bubble)
		c1 := -dot3(d, n)
		r, c2 := fresnel(c1, glassIndex, 1)
		if r < 1 {
			d2 := bent(d, n, c1, c2, glassIndex)
			p2 := stepTo(p, d2, -2*dot3(stepTo(p, b.at, -1), d2))
			n2 := stepTo([3]float64{}, stepTo(p2, b.at, -1), -1/b.bubble)
			k1 := -dot3(d2, n2)
			_, k2 := fresnel(k1, 1, glassIndex)
			plus(b.inside(p2, bent(d2, n2, k1, k2, 1/glassIndex), weight*(1-r)*(1-r)), (1-r)*(1-r))
		}
		plus(b.inside(p, stepTo(d, n, 2*c1), 0.8*weight*r), r)
	case 2:
		return [3]float64{0.45, 0.45, 0.43}
	}
	for i := range c {
		c[i] *= math.Pow(b.tint[i], t/2)
	}
	return c
}

// face photographs the ball: radius, blur and noise (of 8 bit values) in px
// and shares of 1.
func (b *ball) face(radius, blur, noise float64) *Face {
	f := draw(radius, func(x, y float64) [3]float64 { return [3]float64{} })
	const over = 3
	lin := make([][3]float64, len(f.Mask))
	for i := range lin {
		for k := range over * over {
			x, y := f.XY(i)
			x += (float64(k%over) - 1) / over / radius
			y += (float64(k/over) - 1) / over / radius
			v := [3]float64{0.6, 0.6, 0.6}
			if x*x+y*y < 0.999 {
				z := math.Sqrt(1 - x*x - y*y)
				n, d := [3]float64{x, y, z}, [3]float64{0, 0, -1}
				r, c2 := fresnel(z, 1, glassIndex)
				v = b.inside(n, bent(d, n, z, c2, 1/glassIndex), 1-r)
				for q := range v {
					v[q] = (1-r)*v[q] + r*b.outside(n, stepTo(d, n, 2*z))
				}
			}
			for q := range v {
				lin[i][q] += math.Min(1.1, v[q]) / (over * over)
			}
		}
	}
	rng := rand.New(rand.NewPCG(4, uint64(1000*radius)))
	for i := range lin {
		var s [3]float64
		sw := 0.0
		for dy := -3; dy <= 3; dy++ {
			for dx := -3; dx <= 3; dx++ {
				if x, y := i%f.Size+dx, i/f.Size+dy; x >= 0 && y >= 0 && x < f.Size && y < f.Size {
					w := math.Exp(-float64(dx*dx+dy*dy) / (2 * blur * blur))
					sw += w
					for q := range s {
						s[q] += w * lin[y*f.Size+x][q]
					}
				}
			}
		}
		for q := range s {
			v := colour.LinearToSRGB(math.Min(1, s[q]/sw)) + noise*rng.NormFloat64()
			f.Linear[i][q] = colour.SRGBToLinear(math.Max(0, math.Min(1, v)))
		}
		f.Lab[i] = colour.LinearToLab(f.Linear[i])
	}
	f.PaperLab = colour.LinearToLab([3]float64{0.6, 0.6, 0.6})
	f.BlurShare = blur / radius
	return f
}

// clearGlass is the analysis of a face known to be clear glass.
func clearGlass(f *Face) *Analysis {
	return &Analysis{Face: f, Parts: separate(f), Glass: GlassCues{NotOpaque: 1, Clear: 1}}
}

func TestBubbleTraced(t *testing.T) {
	clear, green, blue := [3]float64{1, 1, 1}, [3]float64{0.55, 0.82, 0.52}, [3]float64{0.45, 0.55, 0.88}
	for _, c := range []struct {
		name   string
		b      ball
		radius float64
		found  bool
	}{
		{"clear, in the middle", ball{tint: clear, bubble: 0.11, horizon: 0.1, zenith: 0.3}, 55, true},
		{"clear, off the middle", ball{tint: clear, bubble: 0.12, at: [3]float64{-0.1, 0.06, 0}, horizon: 0.1, zenith: 0.3}, 45, true},
		{"green", ball{tint: green, bubble: 0.1, at: [3]float64{0.05, 0.08, 0.05}, horizon: 0.3, zenith: 0.5}, 60, true},
		{"blue, ribbon below it", ball{tint: blue, bubble: 0.12, at: [3]float64{0.03, -0.05, 0}, horizon: 0.1, zenith: 0.3, ribbon: 0.2, low: -0.35}, 55, true},
		{"clear, none", ball{tint: clear, horizon: 0.1, zenith: 0.3}, 55, false},
		{"green, none", ball{tint: green, horizon: 0.3, zenith: 0.5}, 60, false},
		{"ribbon, none", ball{tint: blue, horizon: 0.1, zenith: 0.3, ribbon: 0.2, low: -0.35}, 55, false},
		{"hidden by a ribbon", ball{tint: clear, bubble: 0.1, horizon: 0.1, zenith: 0.3, ribbon: 0.5, low: 0.3}, 55, false},
	} {
		b := findBubble(clearGlass(c.b.face(c.radius, 0.9, 0.006)))
		if !b.Looked {
			t.Errorf("%s: not looked for: %s", c.name, b.Why)
			continue
		}
		if b.Present != c.found {
			t.Errorf("%s: present %v, sure %.2f", c.name, b.Present, b.Sure)
			continue
		}
		if !c.found {
			continue
		}
		// Where a line of sight through the bubble's middle meets the surface.
		m := magnification(1 - c.b.at[2])
		if d := math.Hypot(b.X-m*c.b.at[0], b.Y-m*c.b.at[1]); d > 0.04 {
			t.Errorf("%s: at %.3f %.3f, %.3f radii off", c.name, b.X, b.Y, d)
		}
		if got := b.DiameterR / (2 * c.b.bubble); got < 0.8 || got > 1.25 {
			t.Errorf("%s: diameter %.2f of the true one", c.name, got)
		}
		if want := math.Hypot(c.b.at[0], c.b.at[1]); math.Abs(b.FromMiddleR-want) > 0.03 {
			t.Errorf("%s: %.3f radii from the middle, want %.3f", c.name, b.FromMiddleR, want)
		}
	}
}

func TestNoBubble(t *testing.T) {
	grey, white, red := [3]float64{50, 0, 0}, [3]float64{90, 0, 0}, [3]float64{42, 52, 34}
	for name, lab := range map[string]func(x, y float64) [3]float64{
		"plain":  func(x, y float64) [3]float64 { return grey },
		"ribbon": band(red, grey, 0.15, 30),
		"square window": func(x, y float64) [3]float64 {
			if math.Abs(x-0.1) < 0.12 && math.Abs(y+0.1) < 0.12 && math.Abs(x-0.1) > 0.015 {
				return white
			}
			return grey
		},
		"lamp": func(x, y float64) [3]float64 {
			if math.Hypot(x-0.1, y) < 0.05 {
				return [3]float64{100, 0, 10}
			}
			return grey
		},
		"stripes": stripes(5, red, grey),
	} {
		if b := findBubble(clearGlass(draw(drawnRadius, lab))); b.Present {
			t.Errorf("%s: a bubble at %.2f %.2f, radius %.2f, sure %.2f", name, b.X, b.Y, b.R, b.Sure)
		}
	}
}

func TestBubbleNotLookedFor(t *testing.T) {
	plain := func(radius, blur float64) *Face {
		f := draw(radius, func(x, y float64) [3]float64 { return [3]float64{50, 0, 0} })
		f.BlurShare = blur
		return f
	}
	for _, c := range []struct {
		name string
		f    *Face
		g    GlassCues
		want bool
	}{
		{"clear", plain(50, 0.02), GlassCues{NotOpaque: 1, Clear: 1}, true},
		{"opaque", plain(50, 0.02), GlassCues{NotOpaque: 0.1, Clear: 0}, false},
		{"cloudy", plain(50, 0.02), GlassCues{NotOpaque: 1, Clear: 0.05}, false},
		{"few pixels", plain(18, 0.02), GlassCues{NotOpaque: 1, Clear: 1}, false},
		{"blurred", plain(50, 0.2), GlassCues{NotOpaque: 1, Clear: 1}, false},
	} {
		a := &Analysis{Face: c.f, Parts: separate(c.f), Glass: c.g}
		a.Marks = findMarks(a)
		b := a.Marks.Bubble
		if b.Looked != c.want || (b.Why == "") != c.want {
			t.Errorf("%s: looked %v because %q", c.name, b.Looked, b.Why)
		}
		for _, f := range markFeatures[:3] {
			r := f.Read(a)
			// Without a bubble its size and place are absent, whether it was looked for or not.
			if present := f.Name == "bubble_present"; (r.Absent == "") != (present && c.want) {
				t.Errorf("%s: %s reads %v, absent %q", c.name, f.Name, r.Value, r.Absent)
			}
		}
	}
}

func TestMagnification(t *testing.T) {
	// A line of sight at y from the axis passes the middle at y/n: Snell's law
	// at the surface, sin i = y, sin r = y/n.
	for _, c := range []struct{ depth, want float64 }{{0, 1}, {1, glassIndex}, {2, glassIndex / (2 - glassIndex)}} {
		if got := magnification(c.depth); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("at depth %v: %v, want %v", c.depth, got, c.want)
		}
	}
}

func BenchmarkMarks(b *testing.B) {
	bl := ball{tint: [3]float64{0.55, 0.82, 0.52}, bubble: 0.11, horizon: 0.1, zenith: 0.3, ribbon: 0.2, low: -0.35}
	a := clearGlass(bl.face(80, 1, 0.006))
	a.Parts.Base = 0
	for b.Loop() {
		findMarks(a)
	}
}
