package scene

import (
	"math"
	"slices"
	"sort"
	"strings"

	"github.com/lucasb-eyer/go-colorful"

	"tawsight/samples"
	"tawsight/samples/lens"
)

// minPure is the least number of pixels a colour is read from.
const minPure = 40

// PaperLight is the mean of the picture over bare paper of the card (over the ground in a ring about the middle where
// the scene has no card or none of it is in the picture), divided by the paper's reflectance: what a perfect white
// would show.
func (s *Scene) PaperLight(p *lens.Picture) RGB {
	var sum RGB
	n := 0
	take := func(u, v float64) {
		x, y := int(math.Round(u)), int(math.Round(v))
		if x < 2 || y < 2 || x >= p.W-2 || y >= p.H-2 || s.nearest(position(s.Camera), u, v) >= 0 {
			return
		}
		c := p.At(x, y)
		for k := range sum {
			sum[k] += c[k]
		}
		n++
	}
	white := reflectance(95)
	if s.Card.Present {
		// The middle of the white squares and of the bare patch of the ladder.
		for i := range 10 {
			for j := range 5 {
				if (i+j)%2 == 1 {
					q := add(s.Card.TopLeftWorldMM, add(scale(s.Card.XAxisWorld, 16.5+8*float64(i)), scale(s.Card.YAxisWorld, 12+8*float64(j))))
					take(s.Camera.Project(q))
				}
			}
		}
	}
	if n == 0 {
		white = reflectance(s.GroundL)
		for i := range 400 {
			a, r := float64(i)*2.39996, 0.2+0.001*float64(i)
			take(s.Camera.CX+r*math.Cos(a)*float64(s.Width)/2, s.Camera.CY+r*math.Sin(a)*float64(s.Height)/2)
		}
	}
	for k := range sum {
		sum[k] /= float64(n) * white
	}
	return sum
}

// AddSeen fills in what the picture shows of each marble: the classes from the label pass, the colours from the
// rendering scaled by one gain a channel so that white under the card's light is white.
func (s *Scene) AddSeen(t *samples.Truth, render, labels *lens.Picture) {
	light := s.PaperLight(render)
	cam := position(s.Camera)
	for i := range t.Marbles {
		m := &t.Marbles[i]
		e := m.Ellipse
		size := int(2*e.SemiMajor) + 4
		x0, y0 := int(e.CX)-size/2, int(e.CY)-size/2
		var pure [4][][3]float64 // base, R, G, B
		var cover [4]float64     // R, G, B, any
		masks := [3][]bool{make([]bool, size*size), make([]bool, size*size), make([]bool, size*size)}
		n := 0
		for y := range size {
			for x := range size {
				u, v := x0+x, y0+y
				if u < 0 || v < 0 || u >= s.Width || v >= s.Height || !Inside(e, float64(u), float64(v), 0.93) ||
					s.nearest(cam, float64(u), float64(v)) != i {
					continue
				}
				n++
				l := labels.At(u, v)
				all := l[0] + l[1] + l[2]
				for k := range l {
					cover[k] += l[k]
					masks[k][y*size+x] = l[k] > 0.5
				}
				cover[3] += math.Min(1, all)
				c := render.At(u, v)
				for k := range c { // brighter than white is white: no photo shows more
					c[k] = math.Min(1, c[k]/light[k])
				}
				if all < 0.02 {
					pure[0] = append(pure[0], c)
				}
				for k := range l {
					if l[k] > 0.95 && all-l[k] < 0.02 {
						pure[k+1] = append(pure[k+1], c)
					}
				}
			}
		}
		if n == 0 {
			continue
		}
		m.Seen.Base = medianLab(pure[0])
		var has [3]bool
		for _, r := range m.Ribbons {
			has[strings.Index("RGB", r.Channel)] = true
		}
		class := func(k int) *samples.SeenClass {
			return &samples.SeenClass{Coverage: round(cover[k]/float64(n), 4), Lab: medianLab(pure[k+1]),
				EdgeLengthPerDiameter: round(edge(masks[k], size)/(2*math.Sqrt(e.SemiMajor*e.SemiMinor)), 3),
				Pieces:                pieces(masks[k], size)}
		}
		if has[0] {
			m.Seen.R = class(0)
		}
		if has[1] {
			m.Seen.G = class(1)
		}
		if has[2] {
			m.Seen.B = class(2)
		}
		if len(m.Ribbons) > 0 {
			m.Seen.Any = &samples.SeenClass{Coverage: round(cover[3]/float64(n), 4)}
		}
		m.RibbonColours = ribbonColours(m)
	}
}

// AddBubbles fills in how much of each bubble is seen, from the rendering of BubblePOV.
func (s *Scene) AddBubbles(t *samples.Truth, glow *lens.Picture) {
	cam := position(s.Camera)
	for i := range t.Marbles {
		m, b := &t.Marbles[i], s.Marbles[i].BubbleR
		if b == 0 {
			continue
		}
		e := m.Ellipse
		area := 0.0
		for v := int(e.CY - e.SemiMajor); v <= int(e.CY+e.SemiMajor)+1; v++ {
			for u := int(e.CX - e.SemiMajor); u <= int(e.CX+e.SemiMajor)+1; u++ {
				if u >= 0 && v >= 0 && u < s.Width && v < s.Height && s.nearest(cam, float64(u), float64(v)) == i {
					area += glow.At(u, v)[0]
				}
			}
		}
		r := s.Marbles[i].Radius
		magnified := magnification(dot(s.Marbles[i].BubbleAt, unit(sub(s.Marbles[i].Centre, cam))) / r)
		whole := math.Pi * e.SemiMajor * e.SemiMinor * sq(magnified*b/r)
		f := round(math.Min(1, area/whole), 3)
		m.Bubble.Visible = &f
	}
}

// magnification is how much wider than it is a small thing in a glass ball looks from afar; it lies d radii behind the
// middle. It follows from n/s + 1/s' = (1-n)/(-R), the refraction at one sphere of a thing s = R + d below its vertex
// (Gauss's paraxial optics): n for the middle, 1 for the front.
func magnification(d float64) float64 { return glassIndex / (1 - (glassIndex-1)*d) }

// A class of ribbon counts as a colour from this share of the disc on, and as another colour than the one before from
// this CIEDE2000 on.
const leastCoverage, sameColour = 0.02, 8.0

// ribbonColours counts the distinct colours of the ribbons that are seen.
func ribbonColours(m *samples.Marble) *int {
	var kept []colorful.Color
	done := ""
	for _, r := range m.Ribbons {
		c := map[string]*samples.SeenClass{"R": m.Seen.R, "G": m.Seen.G, "B": m.Seen.B}[r.Channel]
		if strings.Contains(done, r.Channel) || c == nil || c.Coverage < leastCoverage {
			continue
		}
		done += r.Channel
		lab := colorful.Lab(r.Lab[0]/100, r.Lab[1]/100, r.Lab[2]/100)
		if !slices.ContainsFunc(kept, func(k colorful.Color) bool { return 100*k.DistanceCIEDE2000(lab) < sameColour }) {
			kept = append(kept, lab)
		}
	}
	n := len(kept)
	return &n
}

func medianLab(cs [][3]float64) *[3]float64 {
	if len(cs) < minPure {
		return nil
	}
	var ch [3][]float64
	for _, c := range cs {
		l := ToLab(c)
		for k := range ch {
			ch[k] = append(ch[k], l[k])
		}
	}
	var out [3]float64
	for k := range ch {
		sort.Float64s(ch[k])
		out[k] = round(ch[k][len(ch[k])/2], 1)
	}
	return &out
}

// edge is the length, in pixels, of the boundary between set and unset pixels that both lie within the mask's square:
// the count of neighbour pairs that differ, times pi/4 (Cauchy-Crofton for random directions on a square grid).
func edge(m []bool, size int) float64 {
	n := 0
	for y := range size - 1 {
		for x := range size - 1 {
			a := m[y*size+x]
			if a != m[y*size+x+1] {
				n++
			}
			if a != m[(y+1)*size+x] {
				n++
			}
		}
	}
	return float64(n) * math.Pi / 4
}

// pieces counts the connected (4-neighbour) pieces of at least 6 pixels.
func pieces(m []bool, size int) int {
	seen := make([]bool, len(m))
	count := 0
	for i := range m {
		if !m[i] || seen[i] {
			continue
		}
		area, stack := 0, []int{i}
		seen[i] = true
		for len(stack) > 0 {
			j := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			area++
			x, y := j%size, j/size
			for _, d := range [][2]int{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
				u, v := x+d[0], y+d[1]
				if u >= 0 && v >= 0 && u < size && v < size && m[v*size+u] && !seen[v*size+u] {
					seen[v*size+u] = true
					stack = append(stack, v*size+u)
				}
			}
		}
		if area >= 6 {
			count++
		}
	}
	return count
}
