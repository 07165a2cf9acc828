package calib

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"

	"gocv.io/x/gocv"

	"tawsight/internal/colour"
)

// drawnCard is the card as the tool draws it, at a resolution rounded up to a
// multiple of 20 dpi.
func drawnCard(t testing.TB, dpi float64) (*image.Gray, int) {
	t.Helper()
	n := max(MinCardDPI, 20*int(math.Ceil(dpi/20)))
	drawnCards.Lock()
	defer drawnCards.Unlock()
	if drawnCards.at == nil {
		drawnCards.at = map[int]*image.Gray{}
	}
	if drawnCards.at[n] == nil {
		g, err := CardImage(n)
		if err != nil {
			t.Fatal(err)
		}
		drawnCards.at[n] = g
	}
	own := image.NewGray(drawnCards.at[n].Bounds())
	copy(own.Pix, drawnCards.at[n].Pix)
	return own, n
}

var drawnCards struct {
	sync.Mutex
	at map[int]*image.Gray
}

// encoded is the sRGB encoding, tabulated: to 1e-4 where the curve is steepest.
var encoded = sync.OnceValue(func() (lut [65536]float64) {
	for i := range lut {
		lut[i] = colour.LinearToSRGB(float64(i) / 65535)
	}
	return lut
})

// scene is a photo of the card in the making: the drawn card seen by a view, on
// a grey table, in linear light, every pixel the mean over its own square
// (rendered four times finer and averaged).
type scene struct {
	view
	paper, table float64                // linear light of paper and table
	card         func(*image.Gray, int) // changes the drawn card, given its dpi; may be nil
	light        func(x, y int) float64 // factor on the light at a pixel, may be nil
	blurPX       float64                // Gaussian blur, standard deviation
	noise        float64                // of the encoded value, 0..1
	gamma        float64                // an exponent on the linear light, 0 for none
	gain         [3]float64             // of R, G, B in linear light; zero for 1
	sixteen      bool
	mirrored     bool
	seed         uint64
}

// plain is a card well lit and well seen, through a lens that blurs by half a
// pixel.
func plain(v view) scene { return scene{view: v, paper: 0.85, table: 0.35, blurPX: 0.5} }

// small is a view of 800 x 600 px, for speed: squares of about 32 px.
func small(heightMM, tiltDeg, azimuthDeg, rollDeg float64) view {
	return view{w: 800, h: 600, focalPX: 900, heightMM: heightMM, tiltDeg: tiltDeg, azimuthDeg: azimuthDeg, rollDeg: rollDeg}
}

const finer = 4

// photo renders the scene as BGR, 8 or 16 bit, sRGB-encoded.
func (s scene) photo(t testing.TB) gocv.Mat {
	t.Helper()
	// Drawn about as fine as it is rendered: much finer, and sampling it would
	// jag its edges.
	far := s.heightMM / math.Cos(s.tiltDeg*math.Pi/180)
	card, dpi := drawnCard(t, finer*25.4*s.focalPX/far)
	if s.card != nil {
		s.card(card, dpi)
	}
	// Linear light of the drawing: white is bare paper.
	src := gocv.NewMatWithSize(card.Bounds().Dy(), card.Bounds().Dx(), gocv.MatTypeCV32FC1)
	defer src.Close()
	p, err := src.DataPtrFloat32()
	if err != nil {
		t.Fatal(err)
	}
	for y := range card.Bounds().Dy() {
		for x := range card.Bounds().Dx() {
			v := math.Min(1, colour.SRGBToLinear(float64(card.GrayAt(x, y).Y)/255)/yOfL(95))
			p[y*card.Bounds().Dx()+x] = float32(v * s.paper)
		}
	}
	// Four points of the card in the drawing (pixel x is (x + 0.5) pixels from
	// the edge) and in the finer picture.
	var from, to []gocv.Point2f
	for _, c := range [][2]float64{{0, 0}, {CardWidthMM, 0}, {CardWidthMM, CardHeightMM}, {0, CardHeightMM}} {
		q := s.pixel(c[0], c[1])
		if s.mirrored {
			q[0] = float64(s.w-1) - q[0]
		}
		from = append(from, gocv.Point2f{X: float32(c[0]*float64(dpi)/25.4 - 0.5), Y: float32(c[1]*float64(dpi)/25.4 - 0.5)})
		to = append(to, gocv.Point2f{X: float32((q[0]+0.5)*finer - 0.5), Y: float32((q[1]+0.5)*finer - 0.5)})
	}
	a, b := gocv.NewPoint2fVectorFromPoints(from), gocv.NewPoint2fVectorFromPoints(to)
	defer a.Close()
	defer b.Close()
	h := gocv.GetPerspectiveTransform2f(a, b)
	defer h.Close()
	big := gocv.NewMat()
	defer big.Close()
	// OpenCV's border colour is 8 bit a channel, so the table is laid below
	// everything the card doesn't reach: light less the table's.
	src.SubtractFloat(float32(s.table))
	gocv.WarpPerspectiveWithParams(src, &big, h, image.Pt(s.w*finer, s.h*finer), gocv.InterpolationLinear, gocv.BorderConstant, color.RGBA{})
	big.AddFloat(float32(s.table))
	lin := gocv.NewMat()
	defer lin.Close()
	// A wide blur may as well be done on the coarse picture, which is faster.
	if s.blurPX > 0 && s.blurPX < 1.5 {
		gocv.GaussianBlur(big, &big, image.Pt(0, 0), s.blurPX*finer, s.blurPX*finer, gocv.BorderReplicate)
	}
	gocv.Resize(big, &lin, image.Pt(s.w, s.h), 0, 0, gocv.InterpolationArea)
	if s.blurPX >= 1.5 {
		gocv.GaussianBlur(lin, &lin, image.Pt(0, 0), s.blurPX, s.blurPX, gocv.BorderReplicate)
	}

	l, err := lin.DataPtrFloat32()
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(s.seed, 77))
	gain := s.gain
	if gain == ([3]float64{}) {
		gain = [3]float64{1, 1, 1}
	}
	full, kind := 255.0, gocv.MatTypeCV8UC3
	if s.sixteen {
		full, kind = 65535, gocv.MatTypeCV16UC3
	}
	out := gocv.NewMatWithSize(s.h, s.w, kind)
	var o8 []uint8
	var o16 []uint16
	if s.sixteen {
		o16, err = out.DataPtrUint16()
	} else {
		o8, err = out.DataPtrUint8()
	}
	if err != nil {
		t.Fatal(err)
	}
	lut := encoded()
	for i := range s.w * s.h {
		v := float64(l[i])
		if s.light != nil {
			v *= s.light(i%s.w, i/s.w)
		}
		if s.gamma != 0 {
			v = yOfL(95) * math.Pow(math.Max(0, v)/yOfL(95), s.gamma)
		}
		for k := range 3 { // B, G, R
			e := lut[int(65535*math.Max(0, math.Min(1, v*gain[2-k]))+0.5)]
			if s.noise > 0 {
				e += s.noise * rng.NormFloat64()
			}
			q := math.Round(full * math.Max(0, math.Min(1, e)))
			if s.sixteen {
				o16[3*i+k] = uint16(q)
			} else {
				o8[3*i+k] = uint8(q)
			}
		}
	}
	return out
}

// worst is the largest distance between corners found and true, px.
func (s scene) worst(corners [][2]float64) float64 {
	w := 0.0
	for i, want := range s.pixels(InnerCorners()) {
		w = math.Max(w, math.Hypot(corners[i][0]-want[0], corners[i][1]-want[1]))
	}
	return w
}

// A card wholly in view is found with every corner in its place: in the order
// of InnerCorners, whichever way up, the worst of the 36 within 0.1 px. Blur
// doesn't shift a chessboard's corner, which is symmetric; it widens the window
// that noise works on, so blurred photos have noise here too. A picture with no
// lens at all, only square pixels, has jagged edges that pull a corner by up to
// 0.2 px.
func TestDetectFindsTheCard(t *testing.T) {
	shadow := func(x, y int) float64 { return 0.35 + 0.65*float64(x)/800 }
	large := view{w: 1600, h: 1200, focalPX: 1800, heightMM: 230, tiltDeg: 15, azimuthDeg: 45, rollDeg: 20}
	edge := func(at float64) func(x, y int) float64 { // a penumbra of about 10 px
		return func(x, y int) float64 { return 0.4 + 0.6/(1+math.Exp(-(float64(x)+float64(y)/2-at)/3)) }
	}
	for _, tt := range []struct {
		name string
		s    scene
		edit func(*scene)
		tol  float64
	}{
		{name: "upright", s: plain(small(220, 0, 0, 0)), tol: 0.1},
		{name: "turned by 90", s: plain(small(230, 12, 0, 90)), tol: 0.1},
		{name: "turned by 180", s: plain(small(230, 12, 80, 180)), tol: 0.1},
		{name: "turned by 270", s: plain(small(240, 20, 200, 270)), tol: 0.1},
		{name: "turned by 33", s: plain(small(240, 5, 120, 33)), tol: 0.1},
		{name: "leaning by 30", s: plain(small(220, 30, 60, 10)), tol: 0.1},
		{name: "leaning by 45", s: plain(small(190, 45, -80, 5)), tol: 0.1},
		{name: "small in the frame", s: plain(small(480, 10, 45, 15)), tol: 0.1},
		{name: "16 bit", s: plain(small(230, 15, 45, 200)), edit: func(s *scene) { s.sixteen = true }, tol: 0.1},
		{name: "noise of 3 %", s: plain(small(230, 15, 45, 20)), edit: func(s *scene) { s.noise = 0.03 }, tol: 0.2},
		{name: "shadow across the card", s: plain(small(230, 15, 45, 20)), edit: func(s *scene) { s.light = shadow }, tol: 0.1},
		{name: "edge of a shadow", s: plain(small(230, 15, 45, 20)), edit: func(s *scene) { s.light = edge(650) }, tol: 0.2},
		{name: "edge of a shadow through the pattern", s: plain(small(230, 15, 45, 20)), edit: func(s *scene) { s.light = edge(460) }, tol: 0.2},
		// Across the lightest patches: once taken for another chessboard.
		{name: "edge of a shadow on the patches", s: plain(small(230, 15, 45, 20)), edit: func(s *scene) { s.light = edge(550) }, tol: 0.15},
		{name: "steep tone curve", s: plain(small(230, 15, 45, 20)), edit: func(s *scene) { s.gamma = 1.3 }, tol: 0.1},
		{name: "flat tone curve", s: plain(small(230, 15, 45, 20)), edit: func(s *scene) { s.gamma = 0.75 }, tol: 0.1},
		{name: "dark", s: plain(small(230, 15, 45, 20)), edit: func(s *scene) { s.light = func(int, int) float64 { return 0.12 } }, tol: 0.1},
		{name: "tungsten", s: plain(small(230, 15, 45, 20)), edit: func(s *scene) { s.gain = [3]float64{1.1, 0.7, 0.3} }, tol: 0.1},
		{name: "dark table", s: plain(small(230, 15, 45, 20)), edit: func(s *scene) { s.table = 0.02 }, tol: 0.1},
		{name: "white table", s: plain(small(230, 15, 45, 20)), edit: func(s *scene) { s.table = 0.85 }, tol: 0.1},
		// Searched at three quarters of its size, refined at full size.
		{name: "more pixels, blur of 6 px", s: plain(large), edit: func(s *scene) { s.blurPX, s.noise = 6, 0.005 }, tol: 0.4},
		{name: "no lens", s: plain(small(190, 45, -80, 5)), edit: func(s *scene) { s.blurPX = 0 }, tol: 0.25},
		{name: "blur of 1 px", s: plain(small(230, 15, 45, 20)), edit: func(s *scene) { s.blurPX, s.noise = 1, 0.005 }, tol: 0.1},
		{name: "blur of 2 px", s: plain(small(230, 15, 45, 20)), edit: func(s *scene) { s.blurPX, s.noise = 2, 0.005 }, tol: 0.15},
		{name: "blur of 4 px", s: plain(small(230, 15, 45, 20)), edit: func(s *scene) { s.blurPX, s.noise = 4, 0.005 }, tol: 0.3},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			if tt.edit != nil {
				tt.edit(&tt.s)
			}
			m := tt.s.photo(t)
			defer m.Close()
			d := Detect(m)
			if !d.Found || d.Stage != StageFound {
				t.Fatalf("not found: stage %s, %s", d.Stage, d.Message)
			}
			if len(d.Corners) != InnerCols*InnerRows {
				t.Fatalf("%d corners", len(d.Corners))
			}
			w := tt.s.worst(d.Corners)
			t.Logf("worst corner %.3f px off, squares of %.1f px", w, d.SquarePX)
			nearly(t, "worst corner", w, 0, tt.tol)
			// Half a pixel lost in a change of size would move all alike.
			var dx, dy float64
			for i, c := range tt.s.pixels(InnerCorners()) {
				dx += (d.Corners[i][0] - c[0]) / float64(len(d.Corners))
				dy += (d.Corners[i][1] - c[1]) / float64(len(d.Corners))
			}
			nearly(t, "mean of all corners", math.Hypot(dx, dy), 0, tt.tol/3)
			// Perspective apart, a square is f / distance times 8 mm.
			far := tt.s.heightMM / math.Cos(tt.s.tiltDeg*math.Pi/180)
			side := SquareMM * tt.s.focalPX / far
			if d.SquarePX < 0.75*side || d.SquarePX > 1.15*side {
				t.Errorf("squares of %.1f px, want about %.1f", d.SquarePX, side)
			}
		})
	}
}

// Corners are refined on smaller copies too, when a photo is blurred; they must
// come back to the same place.
func TestRefiningAtAnySize(t *testing.T) {
	s := plain(small(230, 15, 45, 20))
	s.blurPX = 2
	m := s.photo(t)
	defer m.Close()
	full := grey8(m)
	defer full.Close()
	truth := s.pixels(InnerCorners())
	start := make([][2]float64, len(truth))
	for i, c := range truth {
		start[i] = [2]float64{c[0] + 0.8, c[1] - 0.6}
	}
	for _, scale := range []float64{1, 0.5, 0.25} {
		var dx, dy float64
		for i, c := range refineAt(full, start, scale) {
			dx += (c[0] - truth[i][0]) / float64(len(truth))
			dy += (c[1] - truth[i][1]) / float64(len(truth))
		}
		t.Logf("scale %g: %.3f, %.3f px", scale, dx, dy)
		nearly(t, fmt.Sprintf("mean of all corners at scale %g", scale), math.Hypot(dx, dy), 0, 0.1)
	}
}

// blank paints a rectangle of the drawn card, mm.
func blank(x0, y0, x1, y1 float64, v uint8) func(*image.Gray, int) {
	return func(g *image.Gray, dpi int) {
		k := float64(dpi) / 25.4
		for y := int(y0 * k); y < int(y1*k) && y < g.Bounds().Dy(); y++ {
			for x := int(x0 * k); x < int(x1*k) && x < g.Bounds().Dx(); x++ {
				g.Pix[y*g.Stride+x] = v
			}
		}
	}
}

func TestDetectSaysWhyNot(t *testing.T) {
	noLadder := blank(0, 49, CardWidthMM, CardHeightMM, 255)
	// The card moved so that its left part is out of the frame.
	cut := small(230, 0, 0, 0)
	cut.shiftX = -330
	for _, tt := range []struct {
		name   string
		s      scene
		edit   func(*scene)
		stages []string // any of these will do
	}{
		{"mirrored", plain(small(230, 10, 30, 0)), func(s *scene) { s.mirrored = true }, []string{StageOther}},
		{"mirrored and upside down", plain(small(230, 10, 30, 180)), func(s *scene) { s.mirrored = true }, []string{StageOther}},
		{"a chessboard without the grey patches", plain(small(230, 10, 30, 0)), func(s *scene) { s.card = noLadder }, []string{StageOther}},
		{"patches the wrong way round", plain(small(230, 10, 30, 0)), func(s *scene) { s.card = reverseLadder }, []string{StageOther}},
		{"cut by the frame", plain(cut), nil, []string{StageCut}},
		{"tiny", plain(small(2400, 0, 0, 0)), nil, []string{StageTooSmall, StageNoPattern}},
		{"no card", plain(small(230, 10, 30, 0)), func(s *scene) { s.card = blank(0, 0, CardWidthMM, CardHeightMM, 255) }, []string{StageNoPattern}},
		{"a column of squares covered", plain(small(230, 10, 30, 0)), func(s *scene) { s.card = blank(50, 5, 62, 50, 200) }, []string{StageHidden}},
		{"glare", plain(small(230, 5, 30, 0)), func(s *scene) {
			s.light = func(x, y int) float64 {
				return 1 + 40*math.Exp(-(math.Pow(float64(x-440), 2)+math.Pow(float64(y-280), 2))/(2*150*150))
			}
		}, []string{StageGlare}},
		{"blur of a square's width", plain(small(230, 10, 30, 0)), func(s *scene) { s.blurPX = 14 }, []string{StageBlurred, StageNoPattern}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			if tt.edit != nil {
				tt.edit(&tt.s)
			}
			m := tt.s.photo(t)
			defer m.Close()
			d := Detect(m)
			if d.Found {
				t.Fatalf("found, worst corner %g px", tt.s.worst(d.Corners))
			}
			saysWhyNot(t, d)
			t.Logf("%s: %s; %s", d.Stage, d.Message, d.Advice)
			ok := false
			for _, s := range tt.stages {
				ok = ok || s == d.Stage
			}
			if !ok {
				t.Errorf("stage %q, want one of %q", d.Stage, tt.stages)
			}
		})
	}
}

// reverseLadder turns the grey patches end for end.
func reverseLadder(g *image.Gray, dpi int) {
	at := func(mm float64) int { return int(math.Round(mm * float64(dpi) / 25.4)) }
	ps := Patches()
	n := at(PatchMM)
	for i, j := 0, len(ps)-1; i < j; i, j = i+1, j-1 {
		for y := range n {
			for x := range n {
				a := (at(ps[i].TopMM)+y)*g.Stride + at(ps[i].LeftMM) + x
				b := (at(ps[j].TopMM)+y)*g.Stride + at(ps[j].LeftMM) + x
				g.Pix[a], g.Pix[b] = g.Pix[b], g.Pix[a]
			}
		}
	}
}

func saysWhyNot(t *testing.T, d Detection) {
	t.Helper()
	if d.Found || d.Stage == "" || d.Stage == StageFound || d.Corners != nil {
		t.Errorf("not found with stage %q and %d corners", d.Stage, len(d.Corners))
	}
	if strings.TrimSpace(d.Message) == "" || strings.TrimSpace(d.Advice) == "" {
		t.Errorf("stage %q says %q and advises %q", d.Stage, d.Message, d.Advice)
	}
	for _, p := range d.Seen {
		if math.IsNaN(p[0]+p[1]) || math.IsInf(p[0]+p[1], 0) {
			t.Errorf("saw %v", p)
		}
	}
}

func TestDetectOnOddPictures(t *testing.T) {
	filled := func(w, h int, kind gocv.MatType, at func(x, y, k int) float64) gocv.Mat {
		m := gocv.NewMatWithSize(h, w, kind)
		for y := range h {
			for x := range w {
				for k := range m.Channels() {
					switch kind {
					case gocv.MatTypeCV8UC3, gocv.MatTypeCV8UC1, gocv.MatTypeCV8UC4:
						m.SetUCharAt(y, x*m.Channels()+k, uint8(255*at(x, y, k)))
					case gocv.MatTypeCV16UC3:
						m.SetShortAt(y, x*m.Channels()+k, int16(uint16(65535*at(x, y, k))))
					}
				}
			}
		}
		return m
	}
	rng := rand.New(rand.NewPCG(6, 6))
	grey := func(int, int, int) float64 { return 0.5 }
	noise := func(int, int, int) float64 { return rng.Float64() }
	stripes := func(x, y, k int) float64 { return float64(x / 11 % 2) }
	checks := func(x, y, k int) float64 { return float64((x/16 + y/16) % 2) }
	dots := func(x, y, k int) float64 {
		if x%20 < 9 && y%20 < 9 {
			return 0
		}
		return 0.9
	}
	for _, tt := range []struct {
		name string
		m    func() gocv.Mat
	}{
		{"empty", gocv.NewMat},
		{"1 x 1", func() gocv.Mat { return filled(1, 1, gocv.MatTypeCV8UC3, grey) }},
		{"1 x 1, 16 bit", func() gocv.Mat { return filled(1, 1, gocv.MatTypeCV16UC3, grey) }},
		{"1 x 500", func() gocv.Mat { return filled(1, 500, gocv.MatTypeCV8UC3, noise) }},
		{"63 x 63", func() gocv.Mat { return filled(63, 63, gocv.MatTypeCV8UC3, noise) }},
		{"64 x 64 of noise", func() gocv.Mat { return filled(64, 64, gocv.MatTypeCV8UC3, noise) }},
		{"65 x 700", func() gocv.Mat { return filled(65, 700, gocv.MatTypeCV8UC3, noise) }},
		{"one grey channel", func() gocv.Mat { return filled(80, 80, gocv.MatTypeCV8UC1, grey) }},
		{"four channels", func() gocv.Mat { return filled(80, 80, gocv.MatTypeCV8UC4, grey) }},
		{"plain grey", func() gocv.Mat { return filled(400, 300, gocv.MatTypeCV8UC3, grey) }},
		{"noise", func() gocv.Mat { return filled(400, 300, gocv.MatTypeCV8UC3, noise) }},
		{"noise, 16 bit", func() gocv.Mat { return filled(400, 300, gocv.MatTypeCV16UC3, noise) }},
		{"stripes", func() gocv.Mat { return filled(400, 300, gocv.MatTypeCV8UC3, stripes) }},
		{"an endless chessboard", func() gocv.Mat { return filled(400, 300, gocv.MatTypeCV8UC3, checks) }},
		{"rows of dark squares apart", func() gocv.Mat { return filled(400, 300, gocv.MatTypeCV8UC3, dots) }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			m := tt.m()
			defer m.Close()
			d := Detect(m)
			saysWhyNot(t, d)
			t.Logf("%s: %s", d.Stage, d.Message)
		})
	}
}

// A card drawn at random poses: what is found is right, always. A card turned
// by half a turn, or read mirrored, would be 80 mm off.
func TestDetectIsNeverWrong(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	found := 0
	const n = 8
	for i := range n {
		s := plain(small(220+200*rng.Float64(), 40*rng.Float64(), 360*rng.Float64(), 360*rng.Float64()))
		s.blurPX, s.noise, s.seed = 2*rng.Float64(), 0.01*rng.Float64(), uint64(i)
		m := s.photo(t)
		d := Detect(m)
		m.Close()
		if !d.Found {
			saysWhyNot(t, d)
			continue
		}
		found++
		nearly(t, fmt.Sprintf("photo %d: worst corner", i), s.worst(d.Corners), 0, 0.3)
	}
	if found < n-1 {
		t.Errorf("found %d cards of %d", found, n)
	}
}
