package scene

import "math"

// Rest is a flat ring, a washer say, that lies on the ground and keeps a marble from rolling.
type Rest struct {
	InnerMM, OuterMM, HeightMM float64
	Colour                     RGB
}

// middleHeight is how high above the ground the middle of a marble lies: on the inner edge of its ring, or on the ground
// where the ring is too wide to lift it.
func (s *Scene) middleHeight(radius float64) float64 {
	if s.Rest == nil {
		return radius
	}
	inner := s.Rest.InnerMM / 2
	if inner >= radius {
		return radius
	}
	return math.Max(radius, s.Rest.HeightMM+math.Sqrt(radius*radius-inner*inner))
}

// rings draws the ring under each marble.
func (s *Scene) rings(p func(string, ...any)) {
	r := s.Rest
	for i := range s.Marbles {
		c := s.Marbles[i].Centre
		p("difference { cylinder { 0, <0,0,%.3f>, %.3f } cylinder { <0,0,-1>, <0,0,%.3f>, %.3f } pigment { %s } finish { ambient 0 diffuse 1 specular 0.1 roughness 0.1 } translate <%.5f,%.5f,0> }",
			r.HeightMM, r.OuterMM/2, r.HeightMM+1, r.InnerMM/2, c3(r.Colour), c[0], c[1])
	}
}
