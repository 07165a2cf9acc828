package calib

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// refocusU is how far, relative, one standard uncertainty, a lens's focal length
// as seen changes with the distance it is focused at: a lens moved out for 250 mm
// instead of 350 mm draws about 0.5 % longer at 4 mm focal length (thin lens), and
// the set of photos and the one that is measured were taken at like distances.
const refocusU = 0.003

// CameraModel is a camera as Calibrate finds it, for the picture as the file
// stores it, before the EXIF orientation is applied.
type CameraModel struct {
	WidthPX  int     `json:"width_px"`
	HeightPX int     `json:"height_px"`
	FocalPX  float64 `json:"focal_px"`
	CxPX     float64 `json:"cx_px"`
	CyPX     float64 `json:"cy_px"`
	K1       float64 `json:"k1"`
	K2       float64 `json:"k2"`
	K3       float64 `json:"k3"`
	P1       float64 `json:"p1"`
	P2       float64 `json:"p2"`
	// Fitted names what was found, in the order of Covariance: focal (relative),
	// cx and cy (px), and coefficients of the lens. What is not named is 0.
	Fitted     []string    `json:"fitted"`
	Covariance [][]float64 `json:"covariance"`
}

// Names in CameraModel.Fitted.
const (
	fitFocal = "focal"
	fitCx    = "cx"
	fitCy    = "cy"
)

// coefficient is the coefficient of that name; nil for another name.
func (m *CameraModel) coefficient(name string) *float64 {
	return map[string]*float64{"k1": &m.K1, "k2": &m.K2, "k3": &m.K3, "p1": &m.P1, "p2": &m.P2}[name]
}

// U is the standard uncertainty of what is named as in Fitted; 0 where it was not
// fitted.
func (m *CameraModel) U(name string) float64 {
	for i, n := range m.Fitted {
		if n == name {
			return math.Sqrt(m.Covariance[i][i])
		}
	}
	return 0
}

// Check says what is wrong with a model that comes from a file.
func (m *CameraModel) Check() error {
	if m.WidthPX < 64 || m.HeightPX < 64 || m.WidthPX > 1<<16 || m.HeightPX > 1<<16 {
		return fmt.Errorf("a frame of %d x %d pixels", m.WidthPX, m.HeightPX)
	}
	long := float64(max(m.WidthPX, m.HeightPX))
	if !(m.FocalPX > 0.2*long && m.FocalPX < 40*long) {
		return fmt.Errorf("a focal length of %g pixels", m.FocalPX)
	}
	if !(math.Abs(m.CxPX-float64(m.WidthPX)/2) < long/4 && math.Abs(m.CyPX-float64(m.HeightPX)/2) < long/4) {
		return fmt.Errorf("a principal point at %g, %g", m.CxPX, m.CyPX)
	}
	n := len(m.Fitted)
	if n < 3 || m.Fitted[0] != fitFocal || m.Fitted[1] != fitCx || m.Fitted[2] != fitCy || len(m.Covariance) != n {
		return fmt.Errorf("a list of what was fitted that doesn't go with its covariance")
	}
	for _, name := range m.Fitted[3:] {
		if m.coefficient(name) == nil {
			return fmt.Errorf("a coefficient %q", name)
		}
	}
	for _, row := range m.Covariance {
		if len(row) != n {
			return fmt.Errorf("a covariance that isn't square")
		}
	}
	cov := mat.NewSymDense(n, nil)
	for i, row := range m.Covariance {
		for j, v := range row {
			if math.IsNaN(v) || math.IsInf(v, 0) || v != m.Covariance[j][i] {
				return fmt.Errorf("a covariance that is none")
			}
			cov.SetSym(i, j, v)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		return fmt.Errorf("a covariance that is none")
	}
	if l := m.lens(); l.Folds(m.WidthPX, m.HeightPX) {
		return fmt.Errorf("a lens that would turn the picture's edge inside out")
	}
	return nil
}

func (m *CameraModel) lens() *Lens {
	return &Lens{
		FocalPX: m.FocalPX, CxPX: m.CxPX, CyPX: m.CyPX, K1: m.K1, K2: m.K2, K3: m.K3, P1: m.P1, P2: m.P2,
		MidX: float64(m.WidthPX-1) / 2, MidY: float64(m.HeightPX-1) / 2,
	}
}

// KnownCamera is what a calibration says of the camera of one upright photo.
type KnownCamera struct {
	Lens Lens
	// FocalU is the relative standard uncertainty of Lens.FocalPX, that of
	// focusing at another distance within; PrincipalUPX is that of the principal
	// point, px, each way.
	FocalU, PrincipalUPX float64
	// Spread are lenses each a standard uncertainty off, independent of one
	// another.
	Spread []Lens
}

// Camera is the camera before a card has been seen.
func (k *KnownCamera) Camera() Camera {
	return Camera{FocalPX: k.Lens.FocalPX, CxPX: k.Lens.MidX, CyPX: k.Lens.MidY, Lens: &k.Lens}
}

// Prior is what is known of the focal length.
func (k *KnownCamera) Prior() FocalPrior {
	return FocalPrior{FocalPX: k.Lens.FocalPX, Sigma: k.FocalU, Source: "profile"}
}

// For gives the camera of a photo of w x h px, upright, that was turned from what
// the file stores by an EXIF orientation (1 to 8). ok is false when the photo's
// shape is another than the model's: it shows another part of the lens.
func (m *CameraModel) For(w, h, orientation int) (k KnownCamera, ok bool) {
	sw, sh := w, h
	if orientation >= 5 && orientation <= 8 {
		sw, sh = h, w
	}
	if !SameShape(sw, sh, m.WidthPX, m.HeightPX) {
		return k, false
	}
	s := float64(sw) / float64(m.WidthPX)
	at := func(v float64) float64 { return (v+0.5)*s - 0.5 }
	upright := func(m *CameraModel) Lens {
		l := Lens{FocalPX: m.FocalPX * s, K1: m.K1, K2: m.K2, K3: m.K3, MidX: float64(w-1) / 2, MidY: float64(h-1) / 2}
		l.CxPX, l.CyPX = turned(orientation, at(m.CxPX)-float64(sw-1)/2, at(m.CyPX)-float64(sh-1)/2)
		l.CxPX, l.CyPX = l.CxPX+l.MidX, l.CyPX+l.MidY
		// (P2, P1) is a vector: the shift is r2 (P2, P1) + 2 x (x . (P2, P1)).
		l.P2, l.P1 = turned(orientation, m.P2, m.P1)
		return l
	}
	k.Lens = upright(m)
	k.FocalU = math.Hypot(m.U(fitFocal), refocusU)
	k.PrincipalUPX = math.Max(0.05, s*math.Sqrt((sqr(m.U(fitCx))+sqr(m.U(fitCy)))/2))
	n := len(m.Fitted) - 3
	if n <= 0 {
		return k, true
	}
	// One off along each axis of the coefficients' covariance. Taken by
	// themselves: focal length and principal point are the pose's own.
	cov := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			cov.SetSym(i, j, m.Covariance[i+3][j+3])
		}
	}
	var e mat.EigenSym
	if !e.Factorize(cov, true) {
		return k, false
	}
	var axes mat.Dense
	e.VectorsTo(&axes)
	for j, v := range e.Values(nil) {
		off := *m
		for i, name := range m.Fitted[3:] {
			*off.coefficient(name) += math.Sqrt(math.Max(0, v)) * axes.At(i, j)
		}
		k.Spread = append(k.Spread, upright(&off))
	}
	return k, true
}

func sqr(v float64) float64 { return v * v }

// SameShape says that two frames show the same part of a camera's sensor, one
// perhaps reduced: their shapes differ by rounding only.
func SameShape(w, h, w2, h2 int) bool {
	if w <= 0 || h <= 0 || w2 <= 0 || h2 <= 0 {
		return false
	}
	a, b := float64(w)*float64(h2), float64(w2)*float64(h)
	// A pixel lost in rounding either picture's shorter side.
	return math.Abs(a-b) <= math.Max(a, b)*1.01/float64(min(w, h, w2, h2))
}

// turned takes a direction in the stored picture to that in the upright one.
func turned(orientation int, x, y float64) (float64, float64) {
	switch orientation {
	case 2:
		return -x, y
	case 3:
		return -x, -y
	case 4:
		return x, -y
	case 5:
		return y, x
	case 6:
		return -y, x
	case 7:
		return -y, -x
	case 8:
		return y, -x
	}
	return x, y
}

// FitPoseKnown is FitPose through a camera that is known: the corners (px of the
// photo) are undistorted, and the focal length and the principal point held as
// well as they are known.
func FitPoseKnown(card, image [][2]float64, w, h int, k *KnownCamera) (*Pose, error) {
	through := func(l *Lens) (*Pose, error) {
		p, err := fitPose(card, l.IdealPoints(image), w, h, k.Prior(), k.PrincipalUPX)
		if err != nil {
			return nil, err
		}
		p.Camera.Lens = l
		return p, nil
	}
	p, err := through(&k.Lens)
	if err != nil {
		return nil, err
	}
	for i := range k.Spread {
		q, err := through(&k.Spread[i])
		if err != nil {
			return nil, err
		}
		p.Lenses = append(p.Lenses, q)
	}
	return p, nil
}

// lensU is the standard uncertainty that the lens brings to a length that size
// gives of a pose and a cone; 0 where nothing is known of the lens. The outline
// stays where it is in the photo.
func (p *Pose) lensU(c Cone, size func(*Pose, Cone) (float64, bool)) float64 {
	if len(p.Lenses) == 0 {
		return 0
	}
	base, ok := size(p, c)
	e, seen := c.Outline(p.Camera.Pinhole())
	if !ok || !seen {
		return math.NaN()
	}
	sum := 0.0
	for _, q := range p.Lenses {
		const around = 16
		rays, w := make([]Vec3, around), make([]float64, around)
		for k := range rays {
			x, y, _, _ := e.At(2 * math.Pi * float64(k) / around)
			if p.Camera.Lens != nil {
				x, y = p.Camera.Lens.Seen(x, y)
			}
			rays[k], w[k] = q.Camera.Ray(x, y), 1
		}
		d, ok := FitCone(rays, w)
		if !ok {
			return math.NaN()
		}
		v, ok := size(q, d)
		if !ok {
			return math.NaN()
		}
		sum += (v - base) * (v - base)
	}
	return math.Sqrt(sum)
}

// Stored takes a pixel of an upright photo of w x h px to its place in the picture
// as the file stores it, before the EXIF orientation (1 to 8) was applied.
func Stored(orientation, w, h int, x, y float64) (float64, float64) {
	back := orientation
	switch orientation {
	case 6:
		back = 8
	case 8:
		back = 6
	}
	if orientation >= 5 && orientation <= 8 {
		u, v := turned(back, x-float64(w-1)/2, y-float64(h-1)/2)
		return u + float64(h-1)/2, v + float64(w-1)/2
	}
	u, v := turned(back, x-float64(w-1)/2, y-float64(h-1)/2)
	return u + float64(w-1)/2, v + float64(h-1)/2
}

// CornerShift is how far the lens moves the frame's corners, as a share of their
// distance from the principal point, outwards positive (the mean of the four), and
// the standard uncertainty of that by the coefficients.
func (m *CameraModel) CornerShift() (share, u float64) {
	k, ok := m.For(m.WidthPX, m.HeightPX, 1)
	if !ok {
		return 0, 0
	}
	at := func(l *Lens) float64 {
		s := 0.0
		for _, c := range [4][2]float64{{0, 0}, {1, 0}, {0, 1}, {1, 1}} {
			x, y := c[0]*float64(m.WidthPX-1), c[1]*float64(m.HeightPX-1)
			s += l.ShiftPX(x, y) / (math.Hypot(x-l.CxPX, y-l.CyPX) - l.ShiftPX(x, y)) / 4
		}
		return s
	}
	share = at(&k.Lens)
	for i := range k.Spread {
		u += sqr(at(&k.Spread[i]) - share)
	}
	return share, math.Sqrt(u)
}

// Usefulness is how well a view that was left out of the calibration is predicted
// from half of itself: the pose is fitted to the corners in one half of the card
// and the other half's places are foretold, each way, with the camera that the
// other views make and without (a pinhole, as far as the file tells of it). Rms,
// px.
type Usefulness struct {
	View              int
	WithPX, WithoutPX float64
}

// Useful tries a calibration on its own views, each left out in turn. prior is what
// is known of the focal length without it.
func (c *Calibration) Useful(views []BoardView, prior FocalPrior) []Usefulness {
	m := c.Model
	b := newBundle(views, m.WidthPX, m.HeightPX)
	if b.start() != nil {
		return nil
	}
	names := m.Fitted[3:]
	all := b.solve(b.first, names, c.Used)
	var out []Usefulness
	_, folds := b.heldOut(all, names, c.Used)
	for k, i := range c.Used {
		f := folds[k%len(folds)]
		if !f.ok {
			continue
		}
		one := m
		one.FocalPX, one.CxPX, one.CyPX = math.Exp(f.cam[0]), f.cam[1], f.cam[2]
		for _, n := range names {
			*one.coefficient(n) = f.cam[slot(n)]
		}
		known, ok := one.For(m.WidthPX, m.HeightPX, 1)
		if !ok {
			continue
		}
		with, ok1 := foretold(views[i], func(card, seen [][2]float64) (*Pose, error) {
			return FitPoseKnown(card, seen, m.WidthPX, m.HeightPX, &known)
		})
		without, ok2 := foretold(views[i], func(card, seen [][2]float64) (*Pose, error) {
			return FitPose(card, seen, m.WidthPX, m.HeightPX, prior)
		})
		if ok1 && ok2 {
			out = append(out, Usefulness{i, with, without})
		}
	}
	return out
}

// foretold fits a pose to each half of a view and gives the rms with which it puts
// the other's corners, px.
func foretold(v BoardView, fit func(card, seen [][2]float64) (*Pose, error)) (px float64, ok bool) {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, c := range v.Board {
		lo, hi = math.Min(lo, c[0]), math.Max(hi, c[0])
	}
	sum, n := 0.0, 0
	for _, left := range [2]bool{true, false} {
		var half, rest BoardView
		for i, c := range v.Board {
			to := &rest
			if (c[0] <= (lo+hi)/2) == left {
				to = &half
			}
			to.Board, to.Seen = append(to.Board, c), append(to.Seen, v.Seen[i])
		}
		p, err := fit(half.Board, half.Seen)
		if err != nil {
			return 0, false
		}
		for i, c := range rest.Board {
			x, y, ok := p.Pixel(c[0], c[1])
			if !ok {
				return 0, false
			}
			sum += sqr(x-rest.Seen[i][0]) + sqr(y-rest.Seen[i][1])
			n += 2
		}
	}
	return math.Sqrt(sum / float64(max(1, n))), n > 0
}
