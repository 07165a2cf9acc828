// Package cardshots makes photos of the printed card alone, through a lens that
// bends the picture, and bends photos that exist: for tests and scores of what is
// learnt about cameras.
package cardshots

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"

	"tawsight/calib"
	"tawsight/internal/colour"
	"tawsight/samples/lens"
)

// Set is how a set of photos is taken.
type Set struct {
	W, H  int
	Lens  calib.Lens // with its pinhole, in px of W x H
	N     int
	Tilts []float64 // degrees, one photo after the other, over and over
	Tags  lens.Tags
	// Corners is how far towards the frame's edges the card is moved, 0 to 1.
	Corners float64
	Seed    uint64
}

// Write takes the photos and writes them to dir as card-01.jpg and so on.
func (s Set) Write(dir string) ([]string, error) {
	var paths []string
	for i := range s.N {
		data, err := s.shoot(i)
		if err != nil {
			return nil, err
		}
		p := filepath.Join(dir, fmt.Sprintf("card-%02d.jpg", i+1))
		if err := os.WriteFile(p, data, 0o666); err != nil {
			return nil, err
		}
		paths = append(paths, p)
	}
	return paths, nil
}

const cardDPI = 300

// Light of paper and table, linear.
const paper, table = 0.8, 0.3

func (s Set) shoot(i int) ([]byte, error) {
	draw, err := calib.CardImage(cardDPI)
	if err != nil {
		return nil, err
	}
	rng := rand.New(rand.NewPCG(s.Seed, uint64(i)))
	rad := math.Pi / 180
	tilt, azimuth, roll := s.Tilts[i%len(s.Tilts)]*rad, 360*rng.Float64()*rad, 360*rng.Float64()*rad
	// The card's width takes about two fifths of the frame.
	far := calib.CardWidthMM * s.Lens.FocalPX / (0.42 * float64(s.W)) * (0.9 + 0.2*rng.Float64())
	// The card's middle goes to the frame's middle, its corners and its sides in
	// turn, as far as it stays wholly inside.
	spot := [9][2]float64{{0, 0}, {-1, -1}, {1, 1}, {1, -1}, {-1, 1}, {1, 0}, {-1, 0}, {0, 1}, {0, -1}}[i%9]
	turn := func(a float64, x, y calib.Vec3) (calib.Vec3, calib.Vec3) {
		sin, cos := math.Sincos(a)
		return calib.Vec3{cos*x[0] + sin*y[0], cos*x[1] + sin*y[1], cos*x[2] + sin*y[2]}, calib.Vec3{-sin*x[0] + cos*y[0], -sin*x[1] + cos*y[1], -sin*x[2] + cos*y[2]}
	}
	ex, ey, ez := calib.Vec3{1, 0, 0}, calib.Vec3{0, 1, 0}, calib.Vec3{0, 0, 1}
	ex, ey = turn(roll, ex, ey)
	sa, ca := math.Sincos(azimuth)
	axis := calib.Vec3{ca, sa, 0}
	lean := func(v calib.Vec3) calib.Vec3 { // Rodrigues' formula
		sin, cos := math.Sincos(tilt)
		c := axis.Cross(v)
		d := axis.Dot(v) * (1 - cos)
		return calib.Vec3{v[0]*cos + c[0]*sin + axis[0]*d, v[1]*cos + c[1]*sin + axis[1]*d, v[2]*cos + c[2]*sin + axis[2]*d}
	}
	ex, ey, ez = lean(ex), lean(ey), lean(ez)
	cam := calib.Camera{FocalPX: s.Lens.FocalPX, CxPX: s.Lens.MidX, CyPX: s.Lens.MidY, Lens: &s.Lens}
	middle := func(k float64) calib.Vec3 {
		return calib.Vec3{k * spot[0] * far * float64(s.W) / 2 / s.Lens.FocalPX, k * spot[1] * far * float64(s.H) / 2 / s.Lens.FocalPX, far}
	}
	point := func(m calib.Vec3, x, y float64) calib.Vec3 {
		x, y = x-calib.CardWidthMM/2, y-calib.CardHeightMM/2
		return calib.Vec3{m[0] + x*ex[0] + y*ey[0], m[1] + x*ex[1] + y*ey[1], m[2] + x*ex[2] + y*ey[2]}
	}
	m := middle(0)
	for k := 0.9 * s.Corners; k > 0; k -= 0.02 {
		inside := true
		for _, c := range [4][2]float64{{0, 0}, {calib.CardWidthMM, 0}, {0, calib.CardHeightMM}, {calib.CardWidthMM, calib.CardHeightMM}} {
			x, y, ok := cam.Project(point(middle(k), c[0], c[1]))
			inside = inside && ok && x > 4 && y > 4 && x < float64(s.W-5) && y < float64(s.H-5)
		}
		if inside {
			m = middle(k)
			break
		}
	}
	onCard := func(px, py float64) (x, y float64) {
		u := cam.Ray(px, py)
		d := m.Dot(ez) / u.Dot(ez)
		q := calib.Vec3{u[0]*d - m[0], u[1]*d - m[1], u[2]*d - m[2]}
		return q.Dot(ex) + calib.CardWidthMM/2, q.Dot(ey) + calib.CardHeightMM/2
	}
	// Where the pixels' corners lie on the card; in between, straight lines.
	grid := make([][2]float64, (s.W+1)*(s.H+1))
	for y := range s.H + 1 {
		for x := range s.W + 1 {
			u, v := onCard(float64(x)-0.5, float64(y)-0.5)
			grid[y*(s.W+1)+x] = [2]float64{u, v}
		}
	}
	var linear [256]float32
	for v := range linear {
		linear[v] = float32(paper * colour.SRGBToLinear(float64(v)/255))
	}
	b := draw.Bounds()
	at := func(u, v float64) float32 {
		if u < 0 || v < 0 || u >= calib.CardWidthMM || v >= calib.CardHeightMM {
			return table
		}
		x, y := u*cardDPI/25.4-0.5, v*cardDPI/25.4-0.5
		x0, y0 := max(0, min(int(x), b.Dx()-2)), max(0, min(int(y), b.Dy()-2))
		fx, fy := float32(x-float64(x0)), float32(y-float64(y0))
		p := func(i, j int) float32 { return linear[draw.Pix[j*draw.Stride+i]] }
		return (p(x0, y0)*(1-fx)+p(x0+1, y0)*fx)*(1-fy) + (p(x0, y0+1)*(1-fx)+p(x0+1, y0+1)*fx)*fy
	}
	pic := &lens.Picture{W: s.W, H: s.H, Pix: make([]float32, 3*s.W*s.H)}
	const sub = 3
	for y := range s.H {
		for x := range s.W {
			a, c := grid[y*(s.W+1)+x], grid[(y+1)*(s.W+1)+x]
			d, e := grid[y*(s.W+1)+x+1], grid[(y+1)*(s.W+1)+x+1]
			var sum float32
			for j := range sub {
				fy := (float64(j) + 0.5) / sub
				for k := range sub {
					fx := (float64(k) + 0.5) / sub
					sum += at((a[0]*(1-fx)+d[0]*fx)*(1-fy)+(c[0]*(1-fx)+e[0]*fx)*fy, (a[1]*(1-fx)+d[1]*fx)*(1-fy)+(c[1]*(1-fx)+e[1]*fx)*fy)
				}
			}
			for k := range 3 {
				pic.Pix[3*(y*s.W+x)+k] = sum / (sub * sub)
			}
		}
	}
	return lens.Shoot(pic, lens.Settings{Gain: [3]float64{1, 1, 1}, BlurPx: 0.6, Noise: 1, Quality: 92, Orientation: 1, Tags: s.Tags}, s.Seed*1000+uint64(i))
}

// Bend gives a JPEG as the lens would have shown it, with tags in place of its
// own: bicubic (Keys 1981), in linear light. A nil lens only writes it anew, so that
// both are written twice. The picture must be stored upright; edge pixels stand for
// what lies outside it.
func Bend(data []byte, l *calib.Lens, tags lens.Tags) ([]byte, error) {
	img, err := jpeg.Decode(bytes.NewReader(data))
	if err != nil {
		return nil, err
	}
	r := img.Bounds()
	w, h := r.Dx(), r.Dy()
	src := make([]float32, 3*w*h)
	for y := range h {
		for x := range w {
			c := color.NRGBAModel.Convert(img.At(r.Min.X+x, r.Min.Y+y)).(color.NRGBA)
			for k, v := range [3]uint8{c.R, c.G, c.B} {
				src[3*(y*w+x)+k] = float32(colour.SRGBToLinear(float64(v) / 255))
			}
		}
	}
	pic := &lens.Picture{W: w, H: h, Pix: src}
	if l != nil {
		pic = &lens.Picture{W: w, H: h, Pix: make([]float32, len(src))}
		for y := range h {
			for x := range w {
				u, v := l.Ideal(float64(x), float64(y))
				bicubic(src, image.Pt(w, h), u, v, pic.Pix[3*(y*w+x):])
			}
		}
	}
	return lens.Shoot(pic, lens.Settings{Gain: [3]float64{1, 1, 1}, Quality: 95, Orientation: 1, Tags: tags}, 1)
}

func bicubic(src []float32, size image.Point, u, v float64, out []float32) {
	x0, y0 := int(math.Floor(u)), int(math.Floor(v))
	wx, wy := keys(u-float64(x0)), keys(v-float64(y0))
	var sum [3]float64
	for j, b := range wy {
		y := min(max(y0+j-1, 0), size.Y-1)
		for i, a := range wx {
			x := min(max(x0+i-1, 0), size.X-1)
			for k := range 3 {
				sum[k] += a * b * float64(src[3*(y*size.X+x)+k])
			}
		}
	}
	for k := range 3 {
		out[k] = float32(math.Max(0, sum[k]))
	}
}

func keys(t float64) [4]float64 {
	f := func(x float64) float64 {
		switch x = math.Abs(x); {
		case x < 1:
			return 1.5*x*x*x - 2.5*x*x + 1
		case x < 2:
			return -0.5*x*x*x + 2.5*x*x - 4*x + 2
		}
		return 0
	}
	return [4]float64{f(1 + t), f(t), f(1 - t), f(2 - t)}
}

// Tags are those of a camera in the invented scenario.
func Tags(model string, focal35 int) lens.Tags {
	return lens.Tags{Make: "Lumora", Model: model, Focal35MM: focal35, Taken: time.Date(2026, 5, 2, 10, 0, 0, 0, time.UTC), Exposure: [2]uint32{1, 60}, ISO: 100}
}
