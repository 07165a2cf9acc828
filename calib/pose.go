package calib

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Priors of the camera model. Each is a one-sigma figure that enters the pose
// fit as an observation and comes out in the uncertainty budget.
const (
	// EXIF's 35 mm equivalent is a whole number (26 +- 0.5 is 1.1 %), is taken
	// over the frame's width by some cameras and over its diagonal by most
	// phones (4 % apart at 4:3; the middle is used, +-2 %), and lenses focused
	// close draw a little longer than their nominal length (about 1 %).
	focalSigmaEXIF = 0.027
	// With no EXIF: phones' main cameras lie between 23 and 30 mm equivalent,
	// people also use 2x lenses and compact cameras.
	focalSigmaAssumed = 0.20
	focalAssumed35MM  = 27.0
	// The principal point of a phone camera lies within about half a per cent
	// of the frame's long side from the middle (0.2 to 1 % in published
	// calibrations; from memory).
	principalSigma = 0.005
	// Corners are never known better than this: printing, paper flatness and
	// what is left of lens distortion are common to neighbouring corners.
	cornerFloorPX = 0.05
)

// FocalPrior is what is known of the focal length before the card is used.
type FocalPrior struct {
	FocalPX float64
	Sigma   float64 // relative, one sigma
	Source  string  // "exif" or "assumed"
}

// PriorFocal gives the prior for a picture of w x h px with the EXIF 35 mm
// equivalent focal length f35 in mm (0 when absent). The frame of 36 x 24 mm
// is 36 mm by width and 43.27 mm by diagonal; the two readings of the tag are
// averaged.
func PriorFocal(f35 float64, w, h int) FocalPrior {
	long := float64(max(w, h))
	diag := math.Hypot(float64(w), float64(h))
	perMM := (long/36 + diag/math.Hypot(36, 24)) / 2
	if f35 > 0 {
		return FocalPrior{FocalPX: f35 * perMM, Sigma: focalSigmaEXIF, Source: "exif"}
	}
	return FocalPrior{FocalPX: focalAssumed35MM * perMM, Sigma: focalSigmaAssumed, Source: "assumed"}
}

// PoseParams is the number of parameters of a pose: log focal length,
// principal point x and y, rotation vector (3), translation (3).
const PoseParams = 9

// Pose is where the card lies before the camera.
type Pose struct {
	Camera      Camera
	FocalSource string // exif, solved, assumed or profile
	// CameraFromCard turns card coordinates (mm, z = 0 the card's face, z into
	// the table) into camera coordinates: X = R c + T.
	R [3][3]float64
	T Vec3
	// Plane is the card's face.
	Plane          Plane
	TiltDeg        float64 // between the optical axis and the plane's normal
	ReprojectionPX float64 // rms over the corners' x and y
	// FocalSigma is the relative standard uncertainty of the focal length
	// after the card was used.
	FocalSigma float64
	// Cov is the covariance of the PoseParams parameters.
	Cov *mat.SymDense
	// Residual is measured minus modelled, px, in the order given.
	Residual [][2]float64
	// Lenses are the same pose through lenses each a standard uncertainty off,
	// independent of one another; nil where the camera was not known.
	Lenses []*Pose

	params [PoseParams]float64
}

// ErrPose is returned when corners do not fix a pose.
var ErrPose = errors.New("the corners do not fix a pose")

// Homography fits image = H card by the normalised direct linear transform
// (Hartley and Zisserman, Multiple View Geometry, algorithm 4.2). Both slices
// have the same length, at least 4, not all on a line. H[2][2] is 1.
func Homography(card, image [][2]float64) (h [3][3]float64, err error) {
	n := len(card)
	if n < 4 || len(image) != n {
		return h, ErrPose
	}
	tc, nc := normalise(card)
	ti, ni := normalise(image)
	a := mat.NewDense(2*n, 9, nil)
	for i := range nc {
		x, y, u, v := nc[i][0], nc[i][1], ni[i][0], ni[i][1]
		a.SetRow(2*i, []float64{-x, -y, -1, 0, 0, 0, u * x, u * y, u})
		a.SetRow(2*i+1, []float64{0, 0, 0, -x, -y, -1, v * x, v * y, v})
	}
	var svd mat.SVD
	if !svd.Factorize(a, mat.SVDFullV) {
		return h, ErrPose
	}
	sv := svd.Values(nil)
	if len(sv) < 8 || sv[7] < 1e-9*sv[0] {
		return h, ErrPose
	}
	var vm mat.Dense
	svd.VTo(&vm)
	hn := mat.NewDense(3, 3, nil)
	for i := 0; i < 9; i++ {
		hn.Set(i/3, i%3, vm.At(i, 8))
	}
	// Points that lie on one line in the picture are explained by a map that
	// flattens the card: it has no inverse.
	if f := mat.Norm(hn, 2); !(math.Abs(mat.Det(hn)) > 1e-9*f*f*f) {
		return h, ErrPose
	}
	var inv, t, out mat.Dense
	if err := inv.Inverse(ti); err != nil {
		return h, ErrPose
	}
	t.Mul(hn, tc)
	out.Mul(&inv, &t)
	w := out.At(2, 2)
	if math.Abs(w) < 1e-12 {
		return h, ErrPose
	}
	for i := 0; i < 9; i++ {
		h[i/3][i%3] = out.At(i/3, i%3) / w
	}
	return h, nil
}

func normalise(p [][2]float64) (*mat.Dense, [][2]float64) {
	var mx, my, s float64
	for _, q := range p {
		mx += q[0]
		my += q[1]
	}
	n := float64(len(p))
	mx, my = mx/n, my/n
	for _, q := range p {
		s += math.Hypot(q[0]-mx, q[1]-my)
	}
	s /= n
	if s == 0 {
		s = 1
	}
	k := math.Sqrt2 / s
	out := make([][2]float64, len(p))
	for i, q := range p {
		out[i] = [2]float64{k * (q[0] - mx), k * (q[1] - my)}
	}
	return mat.NewDense(3, 3, []float64{k, 0, -k * mx, 0, k, -k * my, 0, 0, 1}), out
}

// Apply maps a point by a homography.
func Apply(h [3][3]float64, x, y float64) (u, v float64) {
	w := h[2][0]*x + h[2][1]*y + h[2][2]
	return (h[0][0]*x + h[0][1]*y + h[0][2]) / w, (h[1][0]*x + h[1][1]*y + h[1][2]) / w
}

// FitPose finds camera and card pose from corners seen (px) and their places
// on the card (mm, print scale already applied). It minimises the squared
// reprojection error together with the priors on focal length and principal
// point (Levenberg-Marquardt), so that tilt informs the focal length exactly
// as far as it can, and the covariance of everything comes with it.
func FitPose(card, image [][2]float64, w, h int, prior FocalPrior) (*Pose, error) {
	return fitPose(card, image, w, h, prior, principalSigma*float64(max(w, h)))
}

// fitPose is FitPose with the standard uncertainty of the principal point, px.
func fitPose(card, image [][2]float64, w, h int, prior FocalPrior, sigmaPP float64) (*Pose, error) {
	hom, err := Homography(card, image)
	if err != nil {
		return nil, err
	}
	cx0, cy0 := float64(w-1)/2, float64(h-1)/2
	long := float64(max(w, h))

	fitFrom := func(f0 float64) (x [PoseParams]float64, cost float64, jtj *mat.SymDense, sigma float64, ok bool) {
		r0, t0, ok := decompose(hom, Camera{FocalPX: f0, CxPX: cx0, CyPX: cy0})
		if !ok {
			return x, math.Inf(1), nil, 0, false
		}
		x = [PoseParams]float64{math.Log(f0), cx0, cy0, r0[0], r0[1], r0[2], t0[0], t0[1], t0[2]}
		sigma = 0.3
		for pass := 0; pass < 3; pass++ {
			x, cost, jtj, ok = levenberg(x, card, image, sigma, prior, cx0, cy0, sigmaPP)
			if !ok {
				return x, math.Inf(1), nil, 0, false
			}
			rms := rmsOf(residuals(x, card, image))
			dof := float64(2*len(card) - 8)
			sigma = math.Max(cornerFloorPX, rms*math.Sqrt(float64(2*len(card))/math.Max(dof, 1)))
		}
		return x, cost, jtj, sigma, true
	}
	x, best, jtj, _, ok := fitFrom(prior.FocalPX)
	if prior.Source == "assumed" {
		// A wide prior can hold two valleys; start from the closed form too.
		if f, good := focalFromHomography(hom, cx0, cy0); good && f > 0.2*long && f < 8*long {
			if x2, c2, j2, _, ok2 := fitFrom(f); ok2 && (!ok || c2 < best) {
				x, best, jtj, ok = x2, c2, j2, true
			}
		}
	}
	if !ok {
		return nil, ErrPose
	}
	p := poseOf(x)
	p.params = x
	res := residuals(x, card, image)
	p.Residual = res
	p.ReprojectionPX = rmsOf(res)
	var chol mat.Cholesky
	if !chol.Factorize(jtj) {
		return nil, ErrPose
	}
	p.Cov = mat.NewSymDense(PoseParams, nil)
	if err := chol.InverseTo(p.Cov); err != nil {
		return nil, ErrPose
	}
	p.FocalSigma = math.Sqrt(p.Cov.At(0, 0))
	p.FocalSource = prior.Source
	if p.FocalSigma < prior.Sigma/2 {
		// The tilt said more than the prior: three quarters of the information
		// is the card's.
		p.FocalSource = "solved"
	}
	if p.T[2] <= 0 || p.Plane.HeightMM <= 0 {
		return nil, ErrPose
	}
	return &p, nil
}

func rmsOf(r [][2]float64) float64 {
	s := 0.0
	for _, q := range r {
		s += q[0]*q[0] + q[1]*q[1]
	}
	return math.Sqrt(s / float64(2*len(r)))
}

func poseOf(x [PoseParams]float64) Pose {
	p := Pose{Camera: Camera{FocalPX: math.Exp(x[0]), CxPX: x[1], CyPX: x[2]}, R: rodrigues(Vec3{x[3], x[4], x[5]}), T: Vec3{x[6], x[7], x[8]}}
	n := Vec3{p.R[0][2], p.R[1][2], p.R[2][2]}
	h := -n.Dot(p.T)
	if h < 0 {
		n, h = n.Scale(-1), -h
	}
	p.Plane = Plane{Normal: n, HeightMM: h}
	p.TiltDeg = math.Acos(math.Min(1, math.Abs(n[2]))) * 180 / math.Pi
	return p
}

// Params are the fitted parameters, and At the pose at other values of them:
// together they let an uncertainty be propagated through any use of the pose.
func (p *Pose) Params() []float64 { return append([]float64(nil), p.params[:]...) }

// At is the pose at given parameters (length PoseParams).
func (p *Pose) At(x []float64) Pose {
	q := poseOf([PoseParams]float64(x))
	q.Camera.Lens = p.Camera.Lens
	return q
}

// CardPoint is a card point (mm) in camera coordinates.
func (p *Pose) CardPoint(x, y float64) Vec3 {
	return Vec3{
		p.R[0][0]*x + p.R[0][1]*y + p.T[0],
		p.R[1][0]*x + p.R[1][1]*y + p.T[1],
		p.R[2][0]*x + p.R[2][1]*y + p.T[2],
	}
}

// Pixel is where a card point (mm) is seen.
func (p *Pose) Pixel(x, y float64) (u, v float64, ok bool) {
	return p.Camera.Project(p.CardPoint(x, y))
}

// MMPerPX is the length on the card's plane that one pixel spans at the
// picture's middle, across the line of sight.
func (p *Pose) MMPerPX() float64 {
	d := p.Plane.HeightMM / math.Max(1e-6, math.Abs(p.Plane.Normal[2]))
	return d / p.Camera.FocalPX
}

func residuals(x [PoseParams]float64, card, image [][2]float64) [][2]float64 {
	p := poseOf(x)
	out := make([][2]float64, len(card))
	for i := range card {
		u, v, ok := p.Pixel(card[i][0], card[i][1])
		if !ok {
			u, v = 1e6, 1e6
		}
		out[i] = [2]float64{image[i][0] - u, image[i][1] - v}
	}
	return out
}

// levenberg fits a pose to corners and the priors; see leastSquares.
func levenberg(x [PoseParams]float64, card, image [][2]float64, sigma float64, prior FocalPrior, cx0, cy0, sigmaPP float64) ([PoseParams]float64, float64, *mat.SymDense, bool) {
	n := 2*len(card) + 3
	return leastSquares(x, n, func(x [PoseParams]float64) []float64 {
		r := make([]float64, 0, n)
		for _, q := range residuals(x, card, image) {
			r = append(r, q[0]/sigma, q[1]/sigma)
		}
		return append(r, (math.Log(prior.FocalPX)-x[0])/prior.Sigma, (cx0-x[1])/sigmaPP, (cy0-x[2])/sigmaPP)
	})
}

// leastSquares minimises the sum of squares of n weighted residuals of a pose,
// priors among them, by Levenberg and Marquardt's method. It gives the pose,
// the sum, and the information matrix there; ok is false where it ran away.
func leastSquares(x [PoseParams]float64, n int, weighted func(x [PoseParams]float64) []float64) ([PoseParams]float64, float64, *mat.SymDense, bool) {
	sum := func(r []float64) float64 {
		s := 0.0
		for _, v := range r {
			s += v * v
		}
		return s
	}
	steps := [PoseParams]float64{1e-6, 1e-3, 1e-3, 1e-7, 1e-7, 1e-7, 1e-5, 1e-5, 1e-5}
	lambda := 1e-3
	r := weighted(x)
	cost := sum(r)
	jtj := mat.NewSymDense(PoseParams, nil)
	for iter := 0; iter < 60; iter++ {
		jac := mat.NewDense(n, PoseParams, nil)
		for k := 0; k < PoseParams; k++ {
			hi, lo := x, x
			hi[k] += steps[k]
			lo[k] -= steps[k]
			rh, rl := weighted(hi), weighted(lo)
			for i := range rh {
				jac.Set(i, k, (rh[i]-rl[i])/(2*steps[k]))
			}
		}
		var full mat.Dense
		full.Mul(jac.T(), jac)
		for i := 0; i < PoseParams; i++ {
			for j := i; j < PoseParams; j++ {
				jtj.SetSym(i, j, full.At(i, j))
			}
		}
		g := mat.NewVecDense(PoseParams, nil)
		g.MulVec(jac.T(), mat.NewVecDense(n, r))
		improved := false
		for try := 0; try < 12; try++ {
			damped := mat.NewSymDense(PoseParams, nil)
			damped.CopySym(jtj)
			for i := 0; i < PoseParams; i++ {
				damped.SetSym(i, i, jtj.At(i, i)*(1+lambda))
			}
			var chol mat.Cholesky
			if !chol.Factorize(damped) {
				lambda *= 10
				continue
			}
			var step mat.VecDense
			if err := chol.SolveVecTo(&step, g); err != nil {
				lambda *= 10
				continue
			}
			next := x
			for k := range next {
				next[k] -= step.AtVec(k)
			}
			rn := weighted(next)
			if cn := sum(rn); cn < cost {
				done := cost-cn < 1e-10*cost
				x, r, cost = next, rn, cn
				lambda = math.Max(lambda/10, 1e-12)
				improved = !done
				break
			}
			lambda *= 10
		}
		if !improved {
			break
		}
	}
	for _, v := range x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return x, cost, jtj, false
		}
	}
	return x, cost, jtj, true
}

// decompose reads rotation and translation off a homography of the plane
// z = 0 for a known camera (Zhang 2000, section 3.1), as a rotation vector.
func decompose(h [3][3]float64, cam Camera) (rvec, t Vec3, ok bool) {
	col := func(j int) Vec3 {
		return Vec3{(h[0][j] - cam.CxPX*h[2][j]) / cam.FocalPX, (h[1][j] - cam.CyPX*h[2][j]) / cam.FocalPX, h[2][j]}
	}
	c1, c2, c3 := col(0), col(1), col(2)
	k := 2 / (c1.Norm() + c2.Norm())
	if math.IsNaN(k) || math.IsInf(k, 0) {
		return rvec, t, false
	}
	if c3[2]*k < 0 {
		k = -k
	}
	r1, r2 := c1.Scale(k), c2.Scale(k)
	t = c3.Scale(k)
	r3 := r1.Cross(r2)
	// Nearest rotation in the Frobenius sense.
	m := mat.NewDense(3, 3, []float64{r1[0], r2[0], r3[0], r1[1], r2[1], r3[1], r1[2], r2[2], r3[2]})
	var svd mat.SVD
	if !svd.Factorize(m, mat.SVDFull) {
		return rvec, t, false
	}
	var u, v, r mat.Dense
	svd.UTo(&u)
	svd.VTo(&v)
	r.Mul(&u, v.T())
	if mat.Det(&r) < 0 {
		return rvec, t, false
	}
	return rotationVector(&r), t, true
}

// focalFromHomography solves the two constraints of a plane's homography for
// the focal length with the principal point known (Zhang 2000, eq. 3 and 4);
// good is false straight down, where they say nothing.
func focalFromHomography(h [3][3]float64, cx, cy float64) (f float64, good bool) {
	c := func(j int) (x, y, z float64) { return h[0][j] - cx*h[2][j], h[1][j] - cy*h[2][j], h[2][j] }
	x1, y1, z1 := c(0)
	x2, y2, z2 := c(1)
	// (x1 x2 + y1 y2)/f^2 + z1 z2 = 0 and (x1^2+y1^2-x2^2-y2^2)/f^2 + z1^2-z2^2 = 0
	a1, b1 := x1*x2+y1*y2, z1*z2
	a2, b2 := x1*x1+y1*y1-x2*x2-y2*y2, z1*z1-z2*z2
	den := b1*b1 + b2*b2
	if den == 0 {
		return 0, false
	}
	f2 := -(a1*b1 + a2*b2) / den
	if !(f2 > 0) || math.IsInf(f2, 0) {
		return 0, false
	}
	return math.Sqrt(f2), true
}

func rodrigues(r Vec3) [3][3]float64 {
	t := r.Norm()
	if t < 1e-12 {
		return [3][3]float64{{1, -r[2], r[1]}, {r[2], 1, -r[0]}, {-r[1], r[0], 1}}
	}
	k := r.Scale(1 / t)
	s, c := math.Sincos(t)
	v := 1 - c
	return [3][3]float64{
		{c + k[0]*k[0]*v, k[0]*k[1]*v - k[2]*s, k[0]*k[2]*v + k[1]*s},
		{k[1]*k[0]*v + k[2]*s, c + k[1]*k[1]*v, k[1]*k[2]*v - k[0]*s},
		{k[2]*k[0]*v - k[1]*s, k[2]*k[1]*v + k[0]*s, c + k[2]*k[2]*v},
	}
}

func rotationVector(r *mat.Dense) Vec3 {
	w := Vec3{r.At(2, 1) - r.At(1, 2), r.At(0, 2) - r.At(2, 0), r.At(1, 0) - r.At(0, 1)}
	s, c := w.Norm()/2, (mat.Trace(r)-1)/2
	t := math.Atan2(s, c)
	if s > 1e-8 {
		return w.Scale(t / (2 * s))
	}
	if c > 0 {
		return w.Scale(0.5)
	}
	// Half a turn: the axis is in R + I.
	best := 0
	for i := 1; i < 3; i++ {
		if r.At(i, i) > r.At(best, best) {
			best = i
		}
	}
	axis := Vec3{r.At(0, best), r.At(1, best), r.At(2, best)}
	axis[best]++
	return axis.Unit().Scale(t)
}
