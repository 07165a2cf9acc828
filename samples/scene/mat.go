package scene

import (
	"fmt"
	"math"
	"math/rand/v2"

	"tawsight/calib/sortmat"
	"tawsight/samples"
)

// Mat is the sorting mat under the marbles, in place of the card on bare paper. The card's frame is the mat's.
type Mat struct {
	// Places are the numbers of the places that the marbles lie on, in the marbles' order; 0 for one that lies off them.
	Places []int
}

// matEdgeMM is the white edge of the sheet about the mat.
const matEdgeMM = 6.0

// LayOutMat puts the mat so that the card's part is wholly in the picture and turned by turnDeg or so, and then the marbles on its places,
// each up to offMM beside the middle; the last off ones lie between places. It fails when no room is found.
func LayOutMat(rng *rand.Rand, s *Scene, turnDeg, offMM float64, off int) error {
	for range 600 {
		if placeMat(rng, s, turnDeg) && placeOnMat(rng, s, offMM, off) {
			return nil
		}
	}
	return fmt.Errorf("scene %s: no room for the mat and %d marbles", s.Name, len(s.Marbles))
}

func placeMat(rng *rand.Rand, s *Scene, turnDeg float64) bool {
	w, h := float64(s.Width), float64(s.Height)
	turn := turnDeg + between(rng, -6, 6)
	r := s.Camera.R[0]
	a := math.Atan2(r[1], r[0]) - rad(turn)
	x, y := Vec{math.Cos(a), math.Sin(a), 0}, Vec{math.Sin(a), -math.Cos(a), 0}
	middle := onPlane(s.Camera, between(rng, 0.38*w, 0.62*w), between(rng, 0.38*h, 0.62*h), 0)
	k := samples.Card{Present: true, XAxisWorld: x, YAxisWorld: y, RotationDeg: round(turn, 3), WhollyInTheFrame: true}
	k.TopLeftWorldMM = sub(middle, add(scale(x, sortmat.WidthMM/2), scale(y, sortmat.HeightMM/2)))
	s.Card = k
	pixel := func(cx, cy float64) [2]float64 {
		u, v := s.Camera.Project(s.onMat(cx, cy))
		return [2]float64{round(u, 3), round(v, 3)}
	}
	for _, c := range [][2]float64{{0, 0}, {cardWidthMM, 0}, {cardWidthMM, cardHeightMM}, {0, cardHeightMM}} {
		q := pixel(c[0], c[1])
		k.CornersPx = append(k.CornersPx, q)
		if q[0] < 8 || q[1] < 8 || q[0] > w-9 || q[1] > h-9 {
			return false
		}
	}
	for j := range 4 {
		for i := range 9 {
			k.InnerCornersPx = append(k.InnerCornersPx, pixel(20.5+8*float64(i), 16+8*float64(j)))
		}
	}
	s.Card = k
	return true
}

// onMat is a point of the mat in the world.
func (s *Scene) onMat(x, y float64) Vec {
	return add(s.Card.TopLeftWorldMM, add(scale(s.Card.XAxisWorld, x), scale(s.Card.YAxisWorld, y)))
}

func placeOnMat(rng *rand.Rand, s *Scene, offMM float64, off int) bool {
	all := sortmat.Places()
	rng.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	s.Mat.Places = nil
	var done []samples.Ellipse
	put := func(m *Marble, x, y float64) bool {
		at := s.onMat(x, y)
		m.Centre = Vec{at[0], at[1], m.Radius}
		e, err := Silhouette(s.Camera, m.Centre, m.Radius)
		if err != nil || !s.inPicture(e) {
			return false
		}
		for _, o := range done {
			if math.Hypot(e.CX-o.CX, e.CY-o.CY) < 1.2*(e.SemiMajor+o.SemiMajor) {
				return false
			}
		}
		done = append(done, e)
		return true
	}
	n := len(s.Marbles)
	for i := range n {
		m, ok := &s.Marbles[i], false
		for len(all) > 0 && !ok {
			p := all[0]
			all = all[1:]
			if i < n-off {
				a, d := between(rng, 0, 2*math.Pi), between(rng, 0, offMM)
				ok = put(m, p.X+d*math.Cos(a), p.Y+d*math.Sin(a))
			} else if p.X < 150 && p.Y > 80 && p.Y < 220 { // where four places meet
				ok = put(m, p.X+sortmat.PitchMM/2, p.Y+sortmat.PitchMM/2)
				p.Number = 0
			}
			if ok {
				s.Mat.Places = append(s.Mat.Places, p.Number)
			}
		}
		if !ok {
			return false
		}
	}
	return true
}

func (s *Scene) inPicture(e samples.Ellipse) bool {
	for k := range 24 {
		u, v := ellipsePoint(e, 2*math.Pi*float64(k)/24, 1)
		if u < 14 || v < 14 || u > float64(s.Width)-15 || v > float64(s.Height)-15 {
			return false
		}
	}
	return true
}

// mat draws the sheet on a table, the card's part on it and what the mat has beside that, from the drawing's own list.
// Its face is Z = 0.
func (s *Scene) mat(p func(string, ...any)) {
	finish := "finish { ambient 0 diffuse 1 }"
	p("plane { z, -0.1 texture { pigment { granite color_map { [0.1 rgb 0.13] [0.7 rgb 0.17] } scale 5 } finish { ambient 0 diffuse 1 } } }")
	k := s.Card
	p("union {")
	z := 0.001
	box := func(x, y, w, h, l float64) {
		// A faint grain, as of the ground in the other scenes.
		v := reflectance(l)
		grain := fmt.Sprintf("granite color_map { [0.1 %s] [0.7 %s] } scale 5", grey(0.985*v), grey(1.015*v))
		if w < 30 {
			grain = grey(v)
		}
		p(" box { <%.4f,%.4f,-0.05>, <%.4f,%.4f,%.5f> pigment { %s } %s }", x, y, x+w, y+h, z, grain, finish)
	}
	box(-matEdgeMM, -matEdgeMM, sortmat.WidthMM+2*matEdgeMM, sortmat.HeightMM+2*matEdgeMM, sortmat.PaperL)
	d := sortmat.Draw()
	last := 0.0
	for _, r := range d.Rects {
		// Each a little above the one before it where they overlap: ground, faint stripes, core.
		switch {
		case r.Width > 30:
			z = 0.002
		case r.Y < last || r.Width > 2*sortmat.CoreMM: // outer stripes
			z = 0.003
		}
		if r.Width <= 2*sortmat.CoreMM {
			z = 0.004
		}
		last = r.Y
		box(r.X, r.Y, r.Width, r.Height, r.L)
	}
	for _, l := range d.Lines {
		p(" cylinder { <%.4f,%.4f,-0.02>, <%.4f,%.4f,-0.02>, %.3f scale <1,1,0.2> translate z*0.005 pigment { %s } %s }", l.X0, l.Y0, l.X1, l.Y1, l.WidthMM/2, grey(reflectance(l.L)), finish)
	}
	for _, t := range d.Texts {
		p(` text { internal 1 "%s" 0.05, 0 scale <%.2f,%.2f,1> rotate x*180 translate <%.2f,%.2f,0.004> pigment { %s } %s }`,
			t.Words, t.SizeMM, t.SizeMM, t.X, t.Y, grey(reflectance(t.L)), finish)
	}
	p(" matrix <%.8f,%.8f,%.8f, %.8f,%.8f,%.8f, 0,0,1, %.6f,%.6f,0> }", k.XAxisWorld[0], k.XAxisWorld[1], k.XAxisWorld[2],
		k.YAxisWorld[0], k.YAxisWorld[1], k.YAxisWorld[2], k.TopLeftWorldMM[0], k.TopLeftWorldMM[1])
}

// Resized is the marble k times as large, all that is in it too.
func (m Marble) Resized(k float64) Marble {
	m.Radius *= k
	m.BubbleR *= k
	m.BubbleAt = scale(m.BubbleAt, k)
	if m.Swirl != nil {
		w := *m.Swirl
		w.PeriodMM *= k
		m.Swirl = &w
	}
	sheets := make([]Sheet, len(m.Sheets))
	for i, sh := range m.Sheets {
		sh.WidthMM, sh.SpacingMM = sh.WidthMM*k, sh.SpacingMM*k
		points := make([][]Vec, len(sh.Points))
		for j, row := range sh.Points {
			for _, q := range row {
				points[j] = append(points[j], scale(q, k))
			}
		}
		sh.Points = points
		sheets[i] = sh
	}
	m.Sheets = sheets
	return m
}
