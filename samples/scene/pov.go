package scene

import (
	"fmt"
	"math"
	"strings"

	"tawsight/samples"
)

// Scene is everything one rendering needs.
type Scene struct {
	Name          string
	Seed          int64
	Width, Height int
	Camera        samples.Camera
	Card          samples.Card
	GroundL       float64 // CIELAB L* of the paper under the marbles
	Light         Light
	Marbles       []Marble
	// WholeWindow draws the panes as triangles. As polygons, which the first scenes keep so that their photos stay as
	// they are, POV-Ray drops them without a word where the rounded corners aren't quite flat, and the window lights
	// the scene but isn't mirrored.
	WholeWindow bool
	// Mat is the sorting mat that the marbles lie on; nil for scenes with the card on bare paper.
	Mat *Mat
	// Ruler is nil for scenes with the reference card, or with nothing.
	Ruler *Ruler
	// Rest is the ring under each marble; nil for marbles on the ground.
	Rest *Rest
}

// Light is a window (with panes), a sky of the room around and, in some scenes, a small lamp. Shares are of the light
// that falls on the ground at the origin and add to 1.
type Light struct {
	WindowAzimuthDeg, WindowElevationDeg, WindowDistanceMM float64
	WindowWidthMM, WindowHeightMM                          float64
	Panes                                                  int // 1, 2 or 4
	WindowKelvin, RoomKelvin                               float64
	LampAzimuthDeg, LampElevationDeg, LampShare            float64
	RoomShare                                              float64
}

// Level is the radiance that a perfect white card shows under the whole light, in the units of the rendering; low, so
// that highlights several times as bright as paper are kept.
const Level = 0.14

// Blackbody is the colour of a black body of the temperature given, in linear RGB of luminance 1. Its chromaticity is
// the cubic approximation of Kim, Moon and others (US patent 7024034), good from 1667 to 25 000 K; recalled from
// memory, and only used to colour the lamps of a rendering.
func Blackbody(kelvin float64) RGB {
	t := 1000 / kelvin
	var x float64
	if kelvin <= 4000 {
		x = -0.2661239*t*t*t - 0.2343589*t*t + 0.8776956*t + 0.179910
	} else {
		x = -3.0258469*t*t*t + 2.1070379*t*t + 0.2226347*t + 0.240390
	}
	var y float64
	switch {
	case kelvin <= 2222:
		y = -1.1063814*x*x*x - 1.34811020*x*x + 2.18555832*x - 0.20219683
	case kelvin <= 4000:
		y = -0.9549476*x*x*x - 1.37418593*x*x + 2.09137015*x - 0.16748867
	default:
		y = 3.0817580*x*x*x - 5.87338670*x*x + 3.75112997*x - 0.37001483
	}
	bx, bz := x/y, (1-x-y)/y
	c := RGB{3.2406*bx - 1.5372 - 0.4986*bz, -0.9689*bx + 1.8758 + 0.0415*bz, 0.0557*bx - 0.2040 + 1.0570*bz}
	for i := range c {
		c[i] = math.Max(0.02, c[i])
	}
	return c
}

func v3(v Vec) string { return fmt.Sprintf("<%.5f,%.5f,%.5f>", v[0], v[1], v[2]) }
func c3(c RGB) string { return fmt.Sprintf("rgb <%.5f,%.5f,%.5f>", c[0], c[1], c[2]) }
func grey(y float64) string {
	return fmt.Sprintf("rgb %.5f", y)
}
func mul(c RGB, s float64) RGB { return RGB{c[0] * s, c[1] * s, c[2] * s} }

func direction(azimuthDeg, elevationDeg float64) Vec {
	sa, ca := math.Sincos(rad(azimuthDeg))
	se, ce := math.Sincos(rad(elevationDeg))
	return Vec{ca * ce, sa * ce, se}
}

// reflectance of a neutral of the lightness given: CIE 15's inverse for L* above 8.
func reflectance(l float64) float64 { return math.Pow((l+16)/116, 3) }

// POV is the scene in the language of POV-Ray 3.7. With labels true it is the label pass: the same refraction, but no
// light, reflection, tint or veil; ribbons of class R glow pure red, of class G pure green, of class B pure blue, all else is black.
func (s *Scene) POV(labels bool) string {
	var b strings.Builder
	p := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	p("#version 3.7;\nglobal_settings { assumed_gamma 1.0 max_trace_level 40 adc_bailout 0.004")
	if !labels {
		p(" photons { count 300000 autostop 0 jitter 0.5 gather 40, 120 }")
	}
	p("}")
	s.pinhole(p)
	if labels {
		p("background { rgb 0 }")
	} else {
		s.lights(p)
		if s.Mat != nil {
			s.mat(p)
		} else {
			// Paper with a faint grain: a flat grey would be kinder to an outline finder than any real sheet.
			s.ground(p)
		}
		if s.Card.Present {
			s.card(p)
		}
		if s.Ruler != nil {
			s.ruler(p)
		}
		if s.Rest != nil {
			s.rings(p)
		}
	}
	for i := range s.Marbles {
		s.marble(p, &s.Marbles[i], labels)
	}
	return b.String()
}

func (s *Scene) pinhole(p func(string, ...any)) {
	c := s.Camera
	long := func(v Vec) string { return fmt.Sprintf("<%.12f,%.12f,%.12f>", v[0], v[1], v[2]) }
	p("camera { perspective location %s direction %s right %s up %s }", long(position(c)), long(scale(c.R[2], c.FocalPx)),
		long(scale(c.R[0], float64(s.Width))), long(scale(c.R[1], -float64(s.Height))))
}

// BubblePOV is the pass that shows what can be seen of the bubbles: the same refraction, the bubbles glowing white, all
// else black. It has only the marbles that hold a bubble.
func (s *Scene) BubblePOV() string {
	var b strings.Builder
	p := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	p("#version 3.7;\nglobal_settings { assumed_gamma 1.0 max_trace_level 40 adc_bailout 0.004 }")
	s.pinhole(p)
	p("background { rgb 0 }")
	for i := range s.Marbles {
		m := &s.Marbles[i]
		if m.BubbleR == 0 {
			continue
		}
		for _, sh := range m.Sheets {
			s.mesh(p, m, sh, "rgb 0", "finish { ambient 0 diffuse 0 }")
		}
		p("sphere { %s, %.4f pigment { rgb 1 } finish { ambient 0 diffuse 0 emission 1 } }", v3(add(m.Centre, m.BubbleAt)), m.BubbleR)
		p("sphere { %s, %.5f pigment { rgbt 1 } finish { ambient 0 diffuse 0 } interior { ior %.2f } }", v3(m.Centre), m.Radius, glassIndex)
	}
	return b.String()
}

// glassIndex is the refractive index of the glass: soda-lime glass, common practice.
const glassIndex = 1.52

func (s *Scene) windowCentre() Vec {
	return scale(direction(s.Light.WindowAzimuthDeg, s.Light.WindowElevationDeg), s.Light.WindowDistanceMM)
}

func (s *Scene) roomLight() RGB { return mul(Blackbody(s.Light.RoomKelvin), Level*s.Light.RoomShare) }

func (s *Scene) lights(p func(string, ...any)) {
	l := s.Light
	room := s.roomLight()
	// Surroundings for reflections: a floor-dark horizon that brightens to the ceiling.
	p("sky_sphere { pigment { gradient z color_map { [0 %s] [0.25 %s] [0.7 %s] [1 %s] } } }",
		c3(mul(room, 0.5)), c3(mul(room, 0.9)), c3(mul(room, 1.5)), c3(mul(room, 1.1)))
	// The room's light from above, as one wide soft source that doesn't make caustics.
	p("light_source { <60,-40,900> %s area_light <1500,0,0>, <0,1500,0>, 5, 5 adaptive 1 photons { refraction off reflection off } }",
		c3(mul(room, 1.06)))

	w := s.windowCentre()
	away := unit(w)
	side := unit(cross(Vec{0, 0, 1}, away))
	top := cross(away, side)
	share := 1 - l.RoomShare - l.LampShare
	col := mul(Blackbody(l.WindowKelvin), Level*share/math.Sin(rad(l.WindowElevationDeg)))
	p("light_source { %s %s area_light %s, %s, 17, 17 adaptive 1 fade_distance %.1f fade_power 2 photons { refraction on reflection off area_light } }",
		v3(w), c3(col), v3(scale(side, l.WindowWidthMM)), v3(scale(top, l.WindowHeightMM)), l.WindowDistanceMM)
	// What is seen of it: radiance = irradiance over the solid angle, pi taken up by POV-Ray's diffuse convention.
	omega := l.WindowWidthMM * l.WindowHeightMM / sq(l.WindowDistanceMM)
	seen := mul(Blackbody(l.WindowKelvin), Level*share/math.Sin(rad(l.WindowElevationDeg))*math.Pi/omega)
	nx, ny := 1, 1
	if l.Panes >= 2 {
		nx = 2
	}
	if l.Panes >= 4 {
		ny = 2
	}
	for i := range nx {
		for j := range ny {
			hw, hh := l.WindowWidthMM/float64(2*nx), l.WindowHeightMM/float64(2*ny)
			cx := (float64(2*i+1) - float64(nx)) * hw
			cy := (float64(2*j+1) - float64(ny)) * hh
			m := add(w, add(scale(side, cx), scale(top, cy)))
			hw, hh = hw-12, hh-12
			if s.WholeWindow {
				at := func(x, y float64) string { return v3(add(m, add(scale(side, x*hw), scale(top, y*hh)))) }
				p("mesh { triangle { %s, %s, %s } triangle { %s, %s, %s } no_shadow photons { pass_through } pigment { rgb 1 } finish { ambient 0 diffuse 0 emission %s } }",
					at(-1, -1), at(1, -1), at(1, 1), at(-1, -1), at(1, 1), at(-1, 1), c3(seen))
				continue
			}
			p("polygon { 5, %s, %s, %s, %s, %s no_shadow photons { pass_through } pigment { rgb 1 } finish { ambient 0 diffuse 0 emission %s } }",
				v3(add(m, add(scale(side, -hw), scale(top, -hh)))), v3(add(m, add(scale(side, hw), scale(top, -hh)))),
				v3(add(m, add(scale(side, hw), scale(top, hh)))), v3(add(m, add(scale(side, -hw), scale(top, hh)))),
				v3(add(m, add(scale(side, -hw), scale(top, -hh)))), c3(seen))
		}
	}
	if l.LampShare > 0 {
		d := direction(l.LampAzimuthDeg, l.LampElevationDeg)
		at := scale(d, 750)
		lc := mul(Blackbody(3000), Level*l.LampShare/d[2])
		a := unit(cross(d, Vec{0, 0, 1}))
		p("light_source { %s %s area_light %s, %s, 3, 3 adaptive 1 fade_distance 750 fade_power 2 photons { refraction on reflection off } }",
			v3(at), c3(lc), v3(scale(a, 60)), v3(scale(cross(a, d), 60)))
		p("sphere { %s, 30 no_shadow photons { pass_through } pigment { rgb 1 } finish { ambient 0 diffuse 0 emission %s } }",
			v3(at), c3(mul(lc, math.Pi/(math.Pi*sq(30.0/750)))))
	}
	// The phone that takes the picture, mirrored in the top of every marble.
	c := s.Camera
	pos := position(c)
	back := sub(pos, scale(c.R[2], 8))
	p("box { <-75,-38,-4>, <75,38,4> matrix <%.6f,%.6f,%.6f, %.6f,%.6f,%.6f, %.6f,%.6f,%.6f, %.4f,%.4f,%.4f> no_shadow photons { pass_through } pigment { rgb 0.03 } finish { ambient 0 diffuse 0.2 emission %s } }",
		c.R[0][0], c.R[0][1], c.R[0][2], c.R[1][0], c.R[1][1], c.R[1][2], c.R[2][0], c.R[2][1], c.R[2][2],
		back[0], back[1], back[2], c3(mul(room, 0.12)))
}

// card draws the reference card: all lengths in millimetres from its top-left corner, x right, y down.
func (s *Scene) card(p func(string, ...any)) {
	t := 0.2 // thickness of the card
	k := s.Card
	if s.Mat != nil {
		t = 0.004
	}
	finish := "finish { ambient 0 diffuse 1 }"
	rect := func(x0, y0, x1, y1, y float64) {
		p(" box { <%.4f,%.4f,0.1>, <%.4f,%.4f,%.4f> pigment { %s } %s }", x0, y0, x1, y1, t+0.002, grey(y), finish)
	}
	line := func(x0, y0, x1, y1, w, y float64) { rect(x0-w/2, y0-w/2, x1+w/2, y1+w/2, y) }
	paper, black := reflectance(95), 0.038
	p("union {")
	p(" box { <0,0,0>, <105,74,%.2f> pigment { %s } %s }", t, grey(paper), finish)
	for i := range 10 {
		for j := range 5 {
			if (i+j)%2 == 0 {
				x, y := 12.5+8*float64(i), 8+8*float64(j)
				rect(x, y, x+8, y+8, black)
			}
		}
	}
	for i, l := range []float64{95, 80, 65, 50, 35, 20} {
		x := []float64{12.5, 26.5, 40.5, 54.5, 68.5, 82.5}[i]
		if i > 0 {
			rect(x, 52, x+10, 62, reflectance(l))
			continue
		}
		for _, e := range [][4]float64{{x, 52, x + 10, 52}, {x + 10, 52, x + 10, 62}, {x, 62, x + 10, 62}, {x, 52, x, 62}} {
			line(e[0], e[1], e[2], e[3], 0.15, black)
		}
	}
	line(12.5, 66, 92.5, 66, 0.25, black)
	line(12.5, 64.5, 12.5, 67.5, 0.25, black)
	line(92.5, 64.5, 92.5, 67.5, 0.25, black)
	text := func(x, y, size float64, words string) {
		p(` text { internal 1 "%s" 0.05, 0 scale <%.2f,%.2f,1> rotate x*180 translate <%.2f,%.2f,%.4f> pigment { %s } %s }`,
			words, size, size, x, y, t+0.003, grey(black), finish)
	}
	text(94, 66.9, 2.4, "80 mm")
	legend := "Tawsight  card 1   print at 100 %"
	if s.Mat != nil {
		legend = "Tawsight  mat 1   print at 100 %"
	}
	text(12.5, 71.6, 2.6, legend)
	p(" matrix <%.8f,%.8f,%.8f, %.8f,%.8f,%.8f, 0,0,1, %.6f,%.6f,0> }", k.XAxisWorld[0], k.XAxisWorld[1], k.XAxisWorld[2],
		k.YAxisWorld[0], k.YAxisWorld[1], k.YAxisWorld[2], k.TopLeftWorldMM[0], k.TopLeftWorldMM[1])
}

func (s *Scene) marble(p func(string, ...any), m *Marble, labels bool) {
	if m.Body != nil {
		s.opaque(p, m, labels)
		return
	}
	// Everything inside the glass has lights of its own that throw no shadow: the light that the glass bends onto a
	// ribbon comes from all over its upper side. It is weakened by half a diameter's tint.
	if !labels && len(m.Sheets) > 0 {
		w := s.windowCentre()
		share := 1 - s.Light.RoomShare
		key := mul(Blackbody(s.Light.WindowKelvin), Level*share)
		fill := mul(s.roomLight(), 1.0)
		for i := range key {
			f := math.Pow(m.Through[i], 0.45)
			key[i], fill[i] = key[i]*f, fill[i]*f
		}
		p("light_group {\n light_source { %s %s shadowless photons { refraction off reflection off } }", v3(w), c3(key))
		p(" light_source { <0,0,900> %s shadowless photons { refraction off reflection off } }", c3(fill))
	}
	for _, sh := range m.Sheets {
		finish := fmt.Sprintf("finish { ambient 0 diffuse 0.72, 0.3 emission %s }", c3(mul(s.ambientIn(m), 0.3)))
		pig := c3(sh.Colour)
		if sh.Filter > 0 {
			pig = fmt.Sprintf("rgbf <%.5f,%.5f,%.5f,%.3f>", sh.Colour[0], sh.Colour[1], sh.Colour[2], sh.Filter)
		}
		if labels { // emission is taken times the pigment, so the pigment carries the class
			pig = map[byte]string{'R': "rgb <1,0,0>", 'G': "rgb <0,1,0>", 'B': "rgb <0,0,1>"}[sh.Class]
			finish = "finish { ambient 0 diffuse 0 emission 1 }"
		}
		if m.Cloud > 0 {
			finish += " no_shadow" // scattering in the cloud washes out the shadow of a fine ribbon
		}
		s.mesh(p, m, sh, pig, finish)
	}
	if !labels {
		if len(m.Sheets) > 0 {
			p(" global_lights off\n}")
		}
	}
	if m.BubbleR > 0 {
		p("sphere { %s, %.4f pigment { rgbt 1 } finish { ambient 0 diffuse 0 } interior { ior 1.0 } photons { collect off } }",
			v3(add(m.Centre, m.BubbleAt)), m.BubbleR)
	}
	fade := ""
	if !labels && luminance(m.Through) < 0.999 {
		k := 0.0
		for _, t := range m.Through {
			k = math.Max(k, -math.Log(t))
		}
		fade = fmt.Sprintf("fade_power 1001 fade_distance %.5f fade_color rgb <%.5f,%.5f,%.5f>", 2*m.Radius/k,
			1+math.Log(m.Through[0])/k, 1+math.Log(m.Through[1])/k, 1+math.Log(m.Through[2])/k)
	}
	hollow, photons := "", "target refraction on reflection off collect off"
	if !labels && m.Cloud > 0 {
		// Scattering is costly to trace; in a small ball lit from all over its upper half the scattered light is nearly
		// even, so the cloud is a medium that takes light away and glows instead, somewhat brighter towards the window.
		sigma := m.Cloud / (2 * m.Radius)
		glow := s.ambientIn(m)
		for i := range glow {
			glow[i] *= sigma * m.CloudColour[i] * 0.52
		}
		d := unit(s.windowCentre())
		side := unit(cross(d, Vec{0, 0, 1}))
		top := cross(side, d)
		// Photons would gather the glow as they pass, so cloudy glass makes no caustic: it hardly does in truth either.
		hollow, photons = "hollow", "refraction off reflection off collect off"
		fade += fmt.Sprintf(" media { method 3 samples 2 absorption rgb %.5f } media { method 3 samples 5 emission %s density { gradient z color_map { [0 rgb 0.55] [1 rgb 1.45] } scale %.4f translate -0.5*z*%.4f matrix <%.5f,%.5f,%.5f, %.5f,%.5f,%.5f, %.5f,%.5f,%.5f, %.4f,%.4f,%.4f> } }",
			sigma, c3(glow), 2.002*m.Radius, 2.002*m.Radius, side[0], side[1], side[2], top[0], top[1], top[2], d[0], d[1], d[2],
			m.Centre[0], m.Centre[1], m.Centre[2])
	}
	finish := "finish { ambient 0 diffuse 0 reflection { 0, 1 fresnel on } conserve_energy }"
	if labels {
		finish = "finish { ambient 0 diffuse 0 }"
	}
	p("sphere { %s, %.5f %s pigment { rgbt 1 } %s interior { ior 1.52 %s } photons { %s } }",
		v3(m.Centre), m.Radius, hollow, finish, fade, photons)
}

// ambientIn is the light that reaches the inside of a marble from all sides.
func (s *Scene) ambientIn(m *Marble) RGB {
	c := mul(Blackbody((s.Light.WindowKelvin+s.Light.RoomKelvin)/2), Level)
	for i := range c {
		if m.Body == nil {
			c[i] *= math.Pow(m.Through[i], 0.6)
		}
	}
	return c
}

func (s *Scene) mesh(p func(string, ...any), m *Marble, sh Sheet, pigment, finish string) {
	rows, cols := len(sh.Points), len(sh.Points[0])
	at := func(i, j int) Vec { return apply(m.Rot, sh.Points[min(max(i, 0), rows-1)][min(max(j, 0), cols-1)]) }
	p(" mesh2 {\n  vertex_vectors { %d", rows*cols)
	for i := range rows {
		for j := range cols {
			p(",%s", v3(at(i, j)))
		}
	}
	p("  }\n  normal_vectors { %d", rows*cols)
	for i := range rows {
		for j := range cols {
			n := cross(sub(at(i+1, j), at(i-1, j)), sub(at(i, j+1), at(i, j-1)))
			if l := norm(n); l > 1e-12 {
				n = scale(n, 1/l)
			} else {
				n = Vec{0, 0, 1}
			}
			p(",%s", v3(n))
		}
	}
	p("  }\n  face_indices { %d", 2*(rows-1)*(cols-1))
	for i := range rows - 1 {
		for j := range cols - 1 {
			a := i*cols + j
			p(",<%d,%d,%d>,<%d,%d,%d>", a, a+1, a+cols, a+1, a+cols+1, a+cols)
		}
	}
	p("  }\n  double_illuminate photons { collect off } pigment { %s } %s translate %s }", pigment, finish, v3(m.Centre))
}

func (s *Scene) opaque(p func(string, ...any), m *Marble, labels bool) {
	base := *m.Body
	finish := fmt.Sprintf("finish { ambient %s diffuse 0.93 reflection { 0, 1 fresnel on } conserve_energy }",
		c3(mul(s.ambientIn(m), 0.12)))
	if labels {
		base = RGB{}
		finish = "finish { ambient 0 diffuse 0 emission 1 }"
	}
	if m.Swirl == nil {
		p("sphere { 0, 1 pigment { %s } %s interior { ior 1.52 } photons { collect off } scale %.5f translate %s }",
			c3(base), finish, m.Radius, v3(m.Centre))
		return
	}
	cols := m.Swirl.Colours
	if labels {
		cols = []RGB{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}[:len(cols)]
	}
	grainy := m.Crystallised > 0 && !labels
	var cm strings.Builder
	at := 0.0
	stop := func(x float64, c RGB) {
		switch {
		case !grainy:
			fmt.Fprintf(&cm, "[%.4f %s]", x, c3(c))
		case c == base:
			fmt.Fprintf(&cm, "[%.4f pigment { %s } %s]", x, c3(c), finish)
		default:
			fmt.Fprintf(&cm, "[%.4f %s]", x, s.crystals(m, c, finish))
		}
	}
	for i, c := range cols {
		stop(at, c)
		stop(at+m.Swirl.Shares[i], c)
		stop(at+m.Swirl.Shares[i], base)
		at = float64(i+1) / float64(len(cols))
		stop(at, base)
	}
	k := m.Swirl
	r := m.Rot
	open, shut := "pigment { gradient x color_map", "} "+finish
	if grainy {
		open, shut = "texture { gradient x texture_map", "}"
	}
	p("sphere { 0, 1 %s { %s } scale %.4f translate %s warp { turbulence %.3f octaves 3 lambda 2.1 omega 0.42 } matrix <%.5f,%.5f,%.5f, %.5f,%.5f,%.5f, %.5f,%.5f,%.5f, 0,0,0> %s interior { ior 1.52 } photons { collect off } scale %.5f translate %s }",
		open, cm.String(), k.PeriodMM/m.Radius, v3(k.Shift), k.Warp, r[0][0], r[1][0], r[2][0], r[0][1], r[1][1], r[2][1],
		r[0][2], r[1][2], r[2][2], shut, m.Radius, v3(m.Centre))
}

// crystals is a texture for a colour of a swirl: smooth with matt, grainy patches, which have lost the gloss and show a
// grain of paler and darker crystals about a quarter of a millimetre across. Lengths are in periods of the swirl.
func (s *Scene) crystals(m *Marble, c RGB, smooth string) string {
	mm := 1 / m.Swirl.PeriodMM
	grey := 0.5*luminance(c) + 0.12
	var pale RGB
	for i := range pale {
		pale[i] = 0.62*c[i] + 0.38*(grey+0.1)
	}
	matt := fmt.Sprintf("pigment { granite color_map { [0.15 %s] [0.45 %s] [0.75 %s] } scale %.4f } normal { granite 0.35 scale %.4f } finish { ambient %s diffuse 0.93 }",
		c3(mul(c, 0.55)), c3(c), c3(pale), 1.6*mm, 1.2*mm, c3(mul(s.ambientIn(m), 0.12)))
	edge := 1 - m.Crystallised
	plain := fmt.Sprintf("pigment { %s } %s", c3(c), smooth)
	return fmt.Sprintf("bozo texture_map { [0 %s] [%.3f %s] [%.3f %s] [1 %s] } scale %.4f", plain, edge-0.03, plain, edge+0.03, matt, matt, 2.6*mm)
}
