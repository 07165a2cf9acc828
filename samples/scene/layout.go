package scene

import (
	"fmt"
	"math"
	"math/rand/v2"

	"tawsight/calib/sortmat"
	"tawsight/samples"
)

// CardWish says where the card is to lie.
type CardWish int

const (
	CardInFrame CardWish = iota
	NoCard
	CardCut // part of it outside the picture
)

const cardWidthMM, cardHeightMM = 105.0, 74.0

// LayOut chooses the light, puts the card and then the marbles on the ground at random, so that each marble is wholly
// in the picture, off the card and apart from the others, partners touching. It fails when no room is found.
func LayOut(rng *rand.Rand, s *Scene, wish CardWish) error {
	for range 400 {
		if !placeCard(rng, s, wish) {
			continue
		}
		if placeMarbles(rng, s) {
			return nil
		}
	}
	return fmt.Errorf("scene %s: no room for the card and %d marbles", s.Name, len(s.Marbles))
}

func placeCard(rng *rand.Rand, s *Scene, wish CardWish) bool {
	s.Card = samples.Card{}
	if wish == NoCard {
		return true
	}
	w, h := float64(s.Width), float64(s.Height)
	middle := onPlane(s.Camera, between(rng, 0.25*w, 0.75*w), between(rng, 0.25*h, 0.75*h), 0)
	if wish == CardCut {
		middle = onPlane(s.Camera, between(rng, 0.02*w, 0.1*w), between(rng, 0.3*h, 0.6*h), 0)
	}
	turn := between(rng, -35, 35)
	switch rng.IntN(4) {
	case 0:
		turn += 180
	case 1:
		turn += 90
	}
	// Along image x on the ground, turned by as much about the vertical.
	r := s.Camera.R[0]
	a := math.Atan2(r[1], r[0]) - rad(turn)
	x := Vec{math.Cos(a), math.Sin(a), 0}
	y := Vec{math.Sin(a), -math.Cos(a), 0}
	k := samples.Card{Present: true, XAxisWorld: x, YAxisWorld: y, ZMM: 0.2, RotationDeg: round(turn, 3)}
	k.TopLeftWorldMM = sub(middle, add(scale(x, cardWidthMM/2), scale(y, cardHeightMM/2)))
	k.TopLeftWorldMM[2] = k.ZMM
	pixel := func(cx, cy float64) [2]float64 {
		u, v := s.Camera.Project(add(k.TopLeftWorldMM, add(scale(x, cx), scale(y, cy))))
		return [2]float64{round(u, 3), round(v, 3)}
	}
	k.WhollyInTheFrame = true
	for _, c := range [][2]float64{{0, 0}, {cardWidthMM, 0}, {cardWidthMM, cardHeightMM}, {0, cardHeightMM}} {
		q := pixel(c[0], c[1])
		k.CornersPx = append(k.CornersPx, q)
		if q[0] < 20 || q[1] < 20 || q[0] > w-21 || q[1] > h-21 {
			k.WhollyInTheFrame = false
		}
	}
	out := 0
	for j := range 4 {
		for i := range 9 {
			q := pixel(20.5+8*float64(i), 16+8*float64(j))
			k.InnerCornersPx = append(k.InnerCornersPx, q)
			if q[0] < 0 {
				out++
			}
		}
	}
	s.Card = k
	if wish == CardCut {
		return out >= 10 && out <= 20
	}
	return k.WhollyInTheFrame
}

// onCard says whether a ground point is on the card or within margin mm of it.
func onCard(k samples.Card, p Vec, margin float64) bool {
	if !k.Present {
		return false
	}
	d := sub(p, k.TopLeftWorldMM)
	x, y := dot(d, k.XAxisWorld), dot(d, k.YAxisWorld)
	return x > -margin && x < cardWidthMM+margin && y > -margin && y < cardHeightMM+margin
}

func placeMarbles(rng *rand.Rand, s *Scene) bool {
	var done []samples.Ellipse
	for i := range s.Marbles {
		m := &s.Marbles[i]
		ok := false
		for range 300 {
			if m.Partner >= 0 {
				// Two balls on one plane touch when their centres are 2 sqrt(r1 r2) apart along it.
				q := &s.Marbles[m.Partner]
				a := between(rng, 0, 2*math.Pi)
				d := 2 * math.Sqrt(q.Radius*m.Radius)
				m.Centre = Vec{q.Centre[0] + d*math.Cos(a), q.Centre[1] + d*math.Sin(a), m.Radius}
			} else {
				m.Centre = onPlane(s.Camera, between(rng, 0, float64(s.Width)), between(rng, 0, float64(s.Height)), s.middleHeight(m.Radius))
			}
			e, err := Silhouette(s.Camera, m.Centre, m.Radius)
			if err != nil || !free(s, m, e, done) {
				continue
			}
			done, ok = append(done, e), true
			break
		}
		if !ok {
			return false
		}
	}
	return true
}

func free(s *Scene, m *Marble, e samples.Ellipse, done []samples.Ellipse) bool {
	if onCard(s.Card, m.Centre, m.Radius+3) || s.Ruler != nil && s.Ruler.covers(m.Centre, m.Radius+3) {
		return false
	}
	outside := 0
	for k := range 24 {
		u, v := ellipsePoint(e, 2*math.Pi*float64(k)/24, 1)
		if u < 14 || v < 14 || u > float64(s.Width)-15 || v > float64(s.Height)-15 {
			if !m.Cut {
				return false
			}
			if u < -6 || v < -6 || u > float64(s.Width)+5 || v > float64(s.Height)+5 {
				outside++
			}
		}
		if at := onPlane(s.Camera, u, v, 0); onCard(s.Card, at, 2) || s.Ruler != nil && s.Ruler.covers(at, 2) {
			return false
		}
	}
	if m.Cut && (outside < 4 || outside > 14) {
		return false
	}
	for j, o := range done {
		if m.Partner == j {
			// A touching pair may hide a little of each other, not much.
			if math.Hypot(e.CX-o.CX, e.CY-o.CY) < 0.85*(e.SemiMinor+o.SemiMinor) {
				return false
			}
			continue
		}
		gap := math.Hypot(e.CX-o.CX, e.CY-o.CY) - e.SemiMajor - o.SemiMajor
		if gap < 0.45*math.Min(e.SemiMajor, o.SemiMajor) {
			return false
		}
	}
	return true
}

// Truth is all that the geometry alone says of the scene; what the picture shows is added after rendering.
func (s *Scene) Truth() (*samples.Truth, error) {
	t := &samples.Truth{Scene: s.Name, Seed: s.Seed, Fault: samples.FaultNone,
		Image: samples.Image{Width: s.Width, Height: s.Height}, Camera: s.Camera, Card: s.Card,
		Ground: samples.Ground{Lab: [3]float64{s.GroundL, 0, 0}}}
	if s.Mat != nil {
		t.Mat = sortmat.Version
	}
	if s.Ruler != nil {
		t.Ruler = s.Ruler.truth(s)
		if r := s.Rest; r != nil {
			t.Ruler.Rest = &samples.Rest{InnerMM: r.InnerMM, HeightMM: r.HeightMM}
		}
	}
	for i := range s.Marbles {
		m := &s.Marbles[i]
		e, err := Silhouette(s.Camera, m.Centre, m.Radius)
		if err != nil {
			return nil, fmt.Errorf("scene %s: marble %d: %w", s.Name, i+1, err)
		}
		o := samples.Marble{ID: i + 1, Kind: m.Kind, Label: m.Label, DiameterMM: round(2*m.Radius, 4),
			CentreMM: Vec{round(m.Centre[0], 4), round(m.Centre[1], 4), round(m.Centre[2], 4)},
			Ellipse: samples.Ellipse{CX: round(e.CX, 4), CY: round(e.CY, 4), SemiMajor: round(e.SemiMajor, 4),
				SemiMinor: round(e.SemiMinor, 4), AngleDeg: round(e.AngleDeg, 4)}}
		for k := range 360 {
			u, v := ellipsePoint(e, rad(float64(k)), 1)
			if u < -0.5 || v < -0.5 || u > float64(s.Width)-0.5 || v > float64(s.Height)-0.5 {
				o.CutOff = true
			}
		}
		for j := range s.Marbles {
			if j != i && (m.Partner == j || s.Marbles[j].Partner == i) {
				o.Touches = append(o.Touches, j+1)
			}
		}
		if s.Mat != nil {
			o.Place = s.Mat.Places[i]
		}
		o.Base, o.Ribbons = m.truth()
		o.Specimen, o.Crystallised = m.Specimen, m.Crystallised > 0
		o.RibbonLayout, o.Vanes, o.Paired = m.layout()
		if m.BubbleR > 0 {
			d := round(2*m.BubbleR, 3)
			off := Vec{round(m.BubbleAt[0], 3), round(m.BubbleAt[1], 3), round(m.BubbleAt[2], 3)}
			o.Bubble = samples.Bubble{Present: true, DiameterMM: &d, OffsetMM: &off}
		}
		o.Visible = round(s.visible(i, e), 4)
		t.Marbles = append(t.Marbles, o)
	}
	return t, nil
}

// layout says how the ribbons lie, whether they are vanes and whether they are paired.
func (m *Marble) layout() (layout string, vanes bool, paired *bool) {
	switch {
	case m.Body != nil && m.Swirl != nil:
		return samples.LayoutSurface, false, nil
	case len(m.Sheets) == 0:
		return "", false, nil
	case m.Sheets[0].SpacingMM == 0:
		return samples.LayoutVanes, true, &m.Paired
	}
	return samples.LayoutFolded, false, &m.Paired
}

func (m *Marble) truth() (samples.Base, []samples.Ribbon) {
	ribbons := []samples.Ribbon{}
	if m.Body != nil {
		zero := 0.0
		if m.Swirl != nil {
			for i, c := range m.Swirl.Colours {
				ribbons = append(ribbons, samples.Ribbon{Lab: ToLab(c), Opaque: true,
					WidthMM: round(m.Swirl.Shares[i]*m.Swirl.PeriodMM, 2), Channel: string("RGB"[i])})
			}
		}
		return samples.Base{Lab: ToLab(*m.Body), Transparency: samples.Opaque, Transmission: &zero}, ribbons
	}
	for i := 0; i < len(m.Sheets); {
		j := i + 1
		for j < len(m.Sheets) && m.Sheets[i].Ribbon > 0 && m.Sheets[j].Ribbon == m.Sheets[i].Ribbon {
			j++
		}
		ribbons = append(ribbons, ribbonTruth(m.Sheets[i:j]))
		i = j
	}
	through := round(luminance(m.Through)*math.Exp(-m.Cloud), 3)
	lab := ToLab(m.Through)
	b := samples.Base{Lab: lab, Transparency: samples.Transparent, Transmission: &through,
		Tint: math.Hypot(lab[1], lab[2]) > 6}
	if m.Cloud > 0 {
		b.Transparency = samples.Cloudy
	}
	return b, ribbons
}

// ribbonTruth describes the ribbon that the strips make up, given from edge to edge.
func ribbonTruth(strips []Sheet) samples.Ribbon {
	mid := strips[len(strips)/2]
	turns := mid.Turns
	length, turning := run(mid)
	if len(strips)%2 == 0 {
		l, t := run(strips[len(strips)/2-1])
		length, turning = (length+l)/2, (turning+t)/2
	}
	length, turning = round(length, 2), round(turning, 1)
	r := samples.Ribbon{Opaque: mid.Filter == 0, Turns: &turns, Channel: string(mid.Class), LengthMM: &length, TotalTurningDeg: &turning,
		Striated: mid.Make == Striated, TwoTone: mid.Make == TwoTone}
	if mid.SpacingMM > 0 {
		d := round(mid.SpacingMM, 2)
		r.FoldSpacingMM = &d
	}
	for _, s := range strips {
		r.WidthMM += s.WidthMM
	}
	for _, s := range strips {
		lab := ToLab(s.Colour)
		if len(strips) > 1 {
			r.StripLabs = append(r.StripLabs, lab)
		}
		for k := range lab {
			r.Lab[k] += lab[k] * s.WidthMM / r.WidthMM
		}
	}
	for k := range r.Lab {
		r.Lab[k] = round(r.Lab[k], 2)
	}
	r.WidthMM = round(r.WidthMM, 2)
	return r
}

// run measures the sheet's middle line: its length (mm) and how far its direction turns along it (degrees).
func run(s Sheet) (length, turning float64) {
	var last, step Vec
	for i, row := range s.Points {
		k := (len(row) - 1) / 2
		p := scale(add(row[k], row[len(row)-1-k]), 0.5)
		if i > 0 {
			d := sub(p, last)
			length += norm(d)
			if i > 1 {
				turning += math.Atan2(norm(cross(step, d)), dot(step, d)) * 180 / math.Pi
			}
			step = d
		}
		last = p
	}
	return length, turning
}

// visible is the share of marble i's silhouette that is in the picture and in front of all others.
func (s *Scene) visible(i int, e samples.Ellipse) float64 {
	p := position(s.Camera)
	n := 0
	for v := int(e.CY - e.SemiMajor - 1); v <= int(e.CY+e.SemiMajor+1); v++ {
		for u := int(e.CX - e.SemiMajor - 1); u <= int(e.CX+e.SemiMajor+1); u++ {
			if u < 0 || v < 0 || u >= s.Width || v >= s.Height {
				continue
			}
			if s.nearest(p, float64(u), float64(v)) == i {
				n++
			}
		}
	}
	return float64(n) / (math.Pi * e.SemiMajor * e.SemiMinor)
}

func (s *Scene) nearest(p Vec, u, v float64) int {
	d := ray(s.Camera, u, v)
	best, at := math.Inf(1), -1
	for j := range s.Marbles {
		if t := hit(p, d, s.Marbles[j].Centre, s.Marbles[j].Radius); t < best {
			best, at = t, j
		}
	}
	return at
}
