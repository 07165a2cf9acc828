package scene

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"

	"tawsight/samples"
)

// Ruler is what gives a scene without the reference card its scale: a card of the size ID-1, coins, or the sheet of paper
// that the marbles lie on.
type Ruler struct {
	Source string // samples.RulerID1, RulerSheet, RulerCoin, RulerScan or RulerKnown
	Name   string
	Art    int // of the card's face, 0 to 5
	// WidthMM and HeightMM of a card or sheet; TableColour is what lies round the sheet.
	WidthMM, HeightMM float64
	TableColour       RGB
	// Corner, X and Y place a card or sheet on the ground, its thickness above it.
	Corner, X, Y Vec
	Coins        []Coin
	DPI          float64
}

// Coin lies on the ground with its middle at Centre.
type Coin struct {
	DiameterMM, ThicknessMM float64
	Colour                  RGB
	Inner                   *RGB // of the core of one in two metals
	Centre                  Vec
}

const (
	id1WidthMM, id1HeightMM, id1RadiusMM, id1ThicknessMM = 85.60, 53.98, 3.18, 0.76 // ISO/IEC 7810
	sheetThicknessMM                                     = 0.1
)

// LayOutRuler puts the ruler and then the marbles on the ground at random, each wholly in the picture, apart from one
// another; on a sheet, wholly on it. It fails when no room is found.
func LayOutRuler(rng *rand.Rand, s *Scene) error {
	for range 600 {
		if placeRuler(rng, s) && placeMarbles(rng, s) {
			return nil
		}
	}
	return fmt.Errorf("scene %s: no room for the ruler and %d marbles", s.Name, len(s.Marbles))
}

func placeRuler(rng *rand.Rand, s *Scene) bool {
	r := s.Ruler
	w, h := float64(s.Width), float64(s.Height)
	inFrame := func(p Vec, room float64) bool {
		u, v := s.Camera.Project(p)
		return u > room && v > room && u < w-1-room && v < h-1-room
	}
	switch r.Source {
	case samples.RulerID1, samples.RulerSheet:
		turn := between(rng, -35, 35)
		thick := id1ThicknessMM
		middle := onPlane(s.Camera, between(rng, 0.25*w, 0.75*w), between(rng, 0.25*h, 0.75*h), 0)
		if r.Source == samples.RulerSheet {
			turn, thick = between(rng, -6, 6), sheetThicknessMM
			middle = onPlane(s.Camera, between(rng, 0.47*w, 0.53*w), between(rng, 0.47*h, 0.53*h), 0)
		}
		a := math.Atan2(s.Camera.R[0][1], s.Camera.R[0][0]) - rad(turn)
		r.X, r.Y = Vec{math.Cos(a), math.Sin(a), 0}, Vec{math.Sin(a), -math.Cos(a), 0}
		r.Corner = sub(middle, add(scale(r.X, r.WidthMM/2), scale(r.Y, r.HeightMM/2)))
		r.Corner[2] = thick
		for _, c := range r.corners() {
			if !inFrame(c, 24) {
				return false
			}
		}
	case samples.RulerCoin:
		for i := range r.Coins {
			c := &r.Coins[i]
			ok := false
			for range 50 {
				c.Centre = onPlane(s.Camera, between(rng, 0.08*w, 0.92*w), between(rng, 0.1*h, 0.9*h), 0)
				c.Centre[2] = 0
				ok = true
				for k := range 16 {
					sa, ca := math.Sincos(2 * math.Pi * float64(k) / 16)
					ok = ok && inFrame(add(c.Centre, Vec{c.DiameterMM / 2 * ca, c.DiameterMM / 2 * sa, c.ThicknessMM}), 30)
				}
				for j := range i {
					// Coins far apart say more of the plane.
					ok = ok && norm(sub(c.Centre, r.Coins[j].Centre)) > 70
				}
				if ok {
					break
				}
			}
			if !ok {
				return false
			}
		}
	}
	return true
}

func (r *Ruler) corners() []Vec {
	var out []Vec
	for _, c := range [][2]float64{{0, 0}, {r.WidthMM, 0}, {r.WidthMM, r.HeightMM}, {0, r.HeightMM}} {
		out = append(out, add(r.Corner, add(scale(r.X, c[0]), scale(r.Y, c[1]))))
	}
	return out
}

// covers says whether a ground point lies where no marble may be: on the card or a coin, or off the sheet, within margin mm.
func (r *Ruler) covers(p Vec, margin float64) bool {
	d := sub(p, r.Corner)
	x, y := dot(d, r.X), dot(d, r.Y)
	switch r.Source {
	case samples.RulerID1:
		return x > -margin && x < r.WidthMM+margin && y > -margin && y < r.HeightMM+margin
	case samples.RulerSheet:
		return x < margin || x > r.WidthMM-margin || y < margin || y > r.HeightMM-margin
	case samples.RulerCoin:
		for _, c := range r.Coins {
			if math.Hypot(p[0]-c.Centre[0], p[1]-c.Centre[1]) < c.DiameterMM/2+margin {
				return true
			}
		}
	}
	return false
}

// truth is what is true of the ruler.
func (r *Ruler) truth(s *Scene) *samples.Ruler {
	t := &samples.Ruler{Source: r.Source, Name: r.Name, WidthMM: r.WidthMM, HeightMM: r.HeightMM, DPI: r.DPI}
	pixel := func(p Vec) [2]float64 {
		u, v := s.Camera.Project(p)
		return [2]float64{round(u, 3), round(v, 3)}
	}
	if r.Source == samples.RulerID1 || r.Source == samples.RulerSheet {
		for _, c := range r.corners() {
			t.CornersPx = append(t.CornersPx, pixel(c))
		}
	}
	for _, c := range r.Coins {
		t.Coins = append(t.Coins, samples.Coin{DiameterMM: c.DiameterMM, CentrePx: pixel(add(c.Centre, Vec{0, 0, c.ThicknessMM}))})
	}
	return t
}

// ground is the paper and the table under it, where the sheet ends in the picture.
func (s *Scene) ground(p func(string, ...any)) {
	y := reflectance(s.GroundL)
	paper := fmt.Sprintf("texture { pigment { granite color_map { [0.1 %s] [0.7 %s] } scale 5 } finish { ambient 0 diffuse 1 } }", grey(0.975*y), grey(1.025*y))
	if s.Ruler == nil || s.Ruler.Source != samples.RulerSheet {
		p("plane { z, 0 %s }", paper)
		return
	}
	r := s.Ruler
	// A wooden table, its grain along the sheet's longer side.
	p("plane { z, %.2f texture { pigment { wood turbulence 0.08 color_map { [0 %s] [0.5 %s] [1 %s] } rotate y*88 scale <9,9,9> } finish { ambient 0 diffuse 1 } } }",
		-sheetThicknessMM, c3(mul(r.TableColour, 0.8)), c3(r.TableColour), c3(mul(r.TableColour, 1.25)))
	p("box { <0,0,0>, <%.3f,%.3f,%.3f> matrix <%s, %s, 0,0,1, %.6f,%.6f,0> %s }", r.WidthMM, r.HeightMM, -sheetThicknessMM,
		three(r.X), three(r.Y), r.Corner[0], r.Corner[1], paper)
}

func three(v Vec) string { return fmt.Sprintf("%.8f,%.8f,%.8f", v[0], v[1], v[2]) }

func (s *Scene) ruler(p func(string, ...any)) {
	r := s.Ruler
	switch r.Source {
	case samples.RulerID1:
		s.id1(p)
	case samples.RulerCoin:
		for _, c := range r.Coins {
			s.coin(p, c)
		}
	}
}

// id1 draws a plastic card with an invented face.
func (s *Scene) id1(p func(string, ...any)) {
	r := s.Ruler
	const w, h, k, t = id1WidthMM, id1HeightMM, id1RadiusMM, id1ThicknessMM
	gloss := "finish { ambient 0 diffuse 0.9 reflection { 0, 1 fresnel on } conserve_energy } "
	face := []string{
		"pigment { gradient y turbulence 0.35 color_map { [0 rgb <0.02,0.05,0.16>] [0.45 rgb <0.03,0.12,0.34>] [0.5 rgb <0.25,0.45,0.7>] [0.55 rgb <0.03,0.12,0.34>] [1 rgb <0.02,0.05,0.16>] } scale 26 }",
		"pigment { gradient x color_map { [0 rgb <0.8,0.8,0.78>] [0.72 rgb <0.8,0.8,0.78>] [0.72 rgb <0.55,0.05,0.06>] [1 rgb <0.7,0.12,0.08>] } scale 90 }",
		"pigment { bozo turbulence 0.6 color_map { [0 rgb <0.05,0.3,0.2>] [0.4 rgb <0.55,0.5,0.1>] [0.6 rgb <0.5,0.15,0.2>] [1 rgb <0.1,0.15,0.4>] } scale 14 }",
		"pigment { rgb 0.02 }",
		"pigment { gradient y color_map { [0 rgb <0.42,0.44,0.47>] [1 rgb <0.62,0.64,0.66>] } scale 60 }",
		"pigment { radial frequency 9 color_map { [0 rgb <0.6,0.25,0.02>] [0.5 rgb <0.75,0.5,0.1>] [1 rgb <0.6,0.25,0.02>] } rotate x*90 translate <20,20,0> }",
	}[r.Art]
	p("union { union {")
	p(" box { <%.3f,0,0>, <%.3f,%.3f,%.3f> } box { <0,%.3f,0>, <%.3f,%.3f,%.3f> }", k, w-k, h, -t, k, w, h-k, -t)
	for _, c := range [][2]float64{{k, k}, {w - k, k}, {k, h - k}, {w - k, h - k}} {
		p(" cylinder { <%.3f,%.3f,0>, <%.3f,%.3f,%.3f>, %.3f }", c[0], c[1], c[0], c[1], -t, k)
	}
	p(" %s %s interior { ior 1.5 } }", face, gloss)
	print := func(x0, y0, x1, y1 float64, c string) {
		p(" box { <%.3f,%.3f,-0.1>, <%.3f,%.3f,0.003> pigment { rgb %s } finish { ambient 0 diffuse 0.9 } }", x0, y0, x1, y1, c)
	}
	print(9, 19, 21, 29, "<0.75,0.6,0.25>") // a chip
	ink := "<0.7,0.7,0.68>"
	if r.Art == 1 || r.Art >= 4 {
		ink = "<0.08,0.08,0.1>"
	}
	for i := range 4 { // raised figures, in groups
		for j := range 4 {
			x := 9 + 17.5*float64(i) + 3.9*float64(j)
			print(x, 33, x+2.6, 37, ink)
		}
	}
	print(9, 43, 42, 45.5, ink)
	print(58, 6, 78, 12, ink)
	p(" matrix <%s, %s, 0,0,1, %.6f,%.6f,%.6f> }", three(r.X), three(r.Y), r.Corner[0], r.Corner[1], r.Corner[2])
}

// coin draws a coin with a raised rim and a hammered relief that shows no thing.
func (s *Scene) coin(p func(string, ...any), c Coin) {
	metal := func(col RGB) string {
		return fmt.Sprintf("pigment { %s } finish { ambient 0 diffuse 0.5 specular 0.4 roughness 0.03 metallic reflection { %s metallic } }", c3(col), c3(mul(col, 0.35)))
	}
	r, t := c.DiameterMM/2, c.ThicknessMM
	p("union {")
	p(" difference { cylinder { 0, <0,0,%.3f>, %.4f } cylinder { <0,0,%.3f>, <0,0,%.3f>, %.4f } %s }", t, r, t-0.15, t+1, r-1, metal(c.Colour))
	inner := c.Colour
	if c.Inner != nil {
		inner = *c.Inner
	}
	p(" cylinder { 0, <0,0,%.3f>, %.4f %s normal { bumps 0.5 scale 1.1 } }", t-0.13, r-1, metal(c.Colour))
	p(" cylinder { 0, <0,0,%.3f>, %.4f %s normal { wrinkles 0.7 scale 3 } }", t-0.1, 0.62*r, metal(inner))
	p(" translate %s }", v3(c.Centre))
}

// ScanPOV is a flatbed scan of marbles lying on its glass, seen from below: orthographic, PxPerMM to the millimetre, lit by
// two long soft lamps either side of the line of sight, the lid open over a light grey ceiling. The picture is of the
// glass from the sensor's side, x to the right.
func (s *Scene) ScanPOV() string {
	var b strings.Builder
	p := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	p("#version 3.7;\nglobal_settings { assumed_gamma 1.0 max_trace_level 40 adc_bailout 0.004 }")
	wmm, hmm := float64(s.Width)*25.4/s.Ruler.DPI, float64(s.Height)*25.4/s.Ruler.DPI
	// World of the scan: z = 0 the glass, marbles above it, the sensor below looking up, x as in the picture, y down.
	p("camera { orthographic location <0,0,-100> direction <0,0,1> right <%.6f,0,0> up <0,%.6f,0> }", wmm, -hmm)
	lid := mul(RGB{1, 1, 1}, Level*0.9*reflectance(s.GroundL))
	p("background { %s }", c3(lid))
	for _, y := range []float64{-1, 1} {
		// The lamps go along with the line that is read, so every line is lit alike: parallel light.
		p("light_source { <0,%.1f,-900> %s parallel point_at <0,0,0> area_light <500,0,0>, <0,120,0>, 7, 3 adaptive 1 }", 700*y, grey(Level*0.85))
	}
	// A white lid some way above the marbles.
	p("plane { z, 60 pigment { %s } finish { ambient 0 diffuse 0 emission 1 } }", c3(lid))
	for i := range s.Marbles {
		s.marble(p, &s.Marbles[i], false)
	}
	return b.String()
}
