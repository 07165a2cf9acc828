package calib

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// BoardView is one photo of a flat pattern: places on it, mm, and where they are
// seen, px of the picture as the file stores it. Both have the same length.
type BoardView struct {
	Board, Seen [][2]float64
}

// Limits of a set of photos.
const (
	// LeastViews is how few photos can be calibrated from: each brings two
	// constraints on focal length and principal point (Zhang 2000), and what the
	// lens does is judged on photos left out.
	LeastViews = 6
	// WantedViews is how many are asked for (common practice: 10 to 20).
	WantedViews = 12
	// leastTiltDeg is the tilt that at least a third of the photos, and never
	// fewer than three, must have: seen straight on, a longer focal length and a
	// greater distance look the same.
	leastTiltDeg = 15.0
	// mostFocalU is how badly, relative, the focal length may be known: more, and
	// what the phone itself says of it (2.7 %) is hardly improved.
	mostFocalU = 0.01
	// strayView is how many times the median of the others' residuals a photo's
	// may be before it counts as bad, and strayViewPX what it must at least be.
	strayView   = 2.5
	strayViewPX = 0.15
	// mostStray is the share of photos that may be left out for that.
	mostStray = 0.3
)

// ErrCalibration is wrapped by every error of Calibrate: photos that don't fix a
// camera. The words say what is missing.
var ErrCalibration = errors.New("the camera can't be told from these photos")

// CalibrateOptions of Calibrate.
type CalibrateOptions struct {
	// Coefficients fixes which coefficients of the lens are fitted (k1, k2, k3,
	// p1, p2); nil has the photos that are left out decide.
	Coefficients []string
}

// Calibration is a camera found from photos of a flat pattern.
type Calibration struct {
	Model CameraModel
	// Used are the views that it rests on, and Stray those left out because they
	// fit no camera that the others do; numbers from 0.
	Used, Stray []int
	// ReprojectionPX is the rms over the used corners' x and y, and ViewPX that
	// of each view, the stray ones' too; TiltDeg is each view's tilt.
	ReprojectionPX  float64
	ViewPX, TiltDeg []float64
	// Tried are the sets of coefficients that were weighed, simplest first, with
	// the rms on views left out; Chosen is the one taken. Tried is empty where the
	// choice was given.
	Tried  []Trial
	Chosen int
	// Inflation is what the covariance by the corners' scatter was multiplied by,
	// since neighbouring corners err together: by how much more the parameters
	// move when views are left out (jackknife).
	Inflation float64
}

// Trial is one set of coefficients.
type Trial struct {
	Coefficients []string
	HeldOutPX    float64 // rms over views that were left out of the fit
}

// Name is what a set of coefficients is called.
func (t Trial) Name() string {
	if len(t.Coefficients) == 0 {
		return "no distortion"
	}
	return strings.Join(t.Coefficients, ", ")
}

// trials are the sets of coefficients in order of how many they are: radial ones
// one after the other, each with the tangential pair and without.
var trials = [][]string{
	{}, {"k1"}, {"k1", "k2"}, {"p1", "p2"}, {"k1", "k2", "k3"}, {"k1", "p1", "p2"}, {"k1", "k2", "p1", "p2"}, {"k1", "k2", "k3", "p1", "p2"},
}

// mostFolds is into how many parts the views are cut to leave one out each time.
const mostFolds = 12

// Calibrate finds focal length, principal point and lens distortion from views of
// a flat pattern in frames of w x h px: a start from the homographies (Zhang
// 2000), then all views' poses and the camera together (Levenberg-Marquardt on
// the squared reprojection error). Views that don't fit the others are left out.
// Which coefficients the lens gets is settled by views left out of the fit: the
// simplest set whose error on them is within a standard error of the best. An
// error wraps [ErrCalibration] and says in plain words what is missing.
func Calibrate(views []BoardView, w, h int, opts CalibrateOptions) (*Calibration, error) {
	fail := func(format string, a ...any) (*Calibration, error) {
		return nil, fmt.Errorf("%w: %s", ErrCalibration, fmt.Sprintf(format, a...))
	}
	if len(views) < LeastViews {
		return fail("%d usable photos; %d are the least, and %d or more are better", len(views), LeastViews, WantedViews)
	}
	for i, v := range views {
		if len(v.Board) != len(v.Seen) || len(v.Board) < 8 {
			return fail("photo %d shows too little of the card", i+1)
		}
	}
	b := newBundle(views, w, h)
	if err := b.start(); err != nil {
		return fail("%v", err)
	}
	c := &Calibration{ViewPX: make([]float64, len(views)), TiltDeg: make([]float64, len(views))}
	// Stray views are known by a lens that can do most things, so that none is
	// blamed for the lens.
	rich := []string{"k1", "k2"}
	if opts.Coefficients != nil {
		rich = opts.Coefficients
	}
	used := make([]int, len(views))
	for i := range used {
		used[i] = i
	}
	s := b.solve(b.first, rich, used)
	if !s.ok {
		return fail("the fit came to nothing; are they all of the same flat card?")
	}
	for len(c.Stray) < int(mostStray*float64(len(views))) && len(used) > LeastViews {
		rms := make([]float64, len(used))
		for k, i := range used {
			rms[k] = b.viewRMS(s, i)
		}
		worst := 0
		for k := range rms {
			if rms[k] > rms[worst] {
				worst = k
			}
		}
		sorted := slices.Clone(rms)
		sort.Float64s(sorted)
		if median := sorted[len(sorted)/2]; rms[worst] <= math.Max(strayViewPX, strayView*median) {
			break
		}
		c.Stray = append(c.Stray, used[worst])
		used = slices.Delete(slices.Clone(used), worst, worst+1)
		if s = b.solve(s, rich, used); !s.ok {
			return fail("the fit came to nothing; are they all of the same flat card?")
		}
	}
	slices.Sort(c.Stray)
	c.Used = used

	// Tilts first: without them nothing else can be believed.
	tilted, most := 0, 0.0
	for i := range views {
		c.TiltDeg[i] = tiltOf(s.pose[i])
	}
	for _, i := range used {
		most = math.Max(most, c.TiltDeg[i])
		if c.TiltDeg[i] >= leastTiltDeg {
			tilted++
		}
	}
	if need := max(3, (len(used)+2)/3); tilted < need {
		return fail("all taken from nearly the same angle: only %d of %d lean by %g degrees or more (the most is %.0f), and from straight above a longer lens looks like a greater distance. Take at least %d with the phone leaning by 20 to 45 degrees, to different sides", tilted, len(used), leastTiltDeg, most, need)
	}

	var chosen []string
	var folds []solution
	if opts.Coefficients != nil {
		chosen = opts.Coefficients
		_, folds = b.heldOut(s, chosen, used)
	} else {
		best := 0
		scores := make([][]float64, len(trials))
		each := make([][]solution, len(trials))
		for t, names := range trials {
			scores[t], each[t] = b.heldOut(s, names, used)
			c.Tried = append(c.Tried, Trial{names, math.Sqrt(stat.Mean(scores[t], nil))})
			if stat.Mean(scores[t], nil) < stat.Mean(scores[best], nil) {
				best = t
			}
		}
		c.Chosen = best
		for t := range trials {
			// By the views' own differences: those that are hard for one model are
			// hard for the other.
			diff := make([]float64, len(used))
			for k := range diff {
				diff[k] = scores[t][k] - scores[best][k]
			}
			if len(trials[t]) <= len(trials[best]) && stat.Mean(diff, nil) <= standardError(diff) {
				c.Chosen = t
				break
			}
		}
		chosen, folds = trials[c.Chosen], each[c.Chosen]
	}
	if s = b.solve(s, chosen, used); !s.ok {
		return fail("the fit came to nothing")
	}
	n, sum := 0, 0.0
	for i := range views {
		q := s
		if slices.Contains(c.Stray, i) {
			q = b.poseOnly(s, i)
		}
		c.ViewPX[i] = b.viewRMS(q, i)
		c.TiltDeg[i] = tiltOf(q.pose[i])
		if !slices.Contains(c.Stray, i) {
			sum += sqr(c.ViewPX[i]) * float64(2*len(views[i].Seen))
			n += 2 * len(views[i].Seen)
		}
	}
	c.ReprojectionPX = math.Sqrt(sum / float64(n))
	cov, ok := b.covariance(s, chosen, used)
	if !ok {
		return fail("they leave some of it open: take more, from more sides, with the card in all parts of the picture")
	}
	c.Inflation = inflation(cov, folds, s, chosen)
	m := CameraModel{WidthPX: w, HeightPX: h, FocalPX: math.Exp(s.cam[0]), CxPX: s.cam[1], CyPX: s.cam[2], Fitted: append([]string{fitFocal, fitCx, fitCy}, chosen...)}
	for _, name := range chosen {
		*m.coefficient(name) = s.cam[slot(name)]
	}
	for i := range m.Fitted {
		row := make([]float64, len(m.Fitted))
		for j := range row {
			row[j] = c.Inflation * cov.At(i, j)
		}
		m.Covariance = append(m.Covariance, row)
	}
	c.Model = m
	if u := m.U(fitFocal); !(u < mostFocalU) {
		return fail("the focal length stays uncertain by %.1f %%: take more photos with the phone leaning by 20 to 45 degrees, to different sides", 100*u)
	}
	if err := m.Check(); err != nil {
		return fail("what comes out is no lens (%v): take more photos, with the card in all parts of the picture", err)
	}
	return c, nil
}

// standardError is that of the mean.
func standardError(v []float64) float64 {
	return stat.StdErr(stat.StdDev(v, nil), float64(len(v)))
}

// camSlots are a camera's parameters: log focal length, principal point,
// coefficients of the lens.
const camSlots = 8

// slot is a coefficient's place among them.
func slot(name string) int {
	return map[string]int{"k1": 3, "k2": 4, "k3": 5, "p1": 6, "p2": 7}[name]
}

// solution is a camera and a pose a view: rotation vector and translation.
type solution struct {
	cam  [camSlots]float64
	pose [][6]float64
	ok   bool
}

func (s solution) clone() solution {
	s.pose = slices.Clone(s.pose)
	return s
}

func tiltOf(p [6]float64) float64 {
	r := rodrigues(Vec3{p[0], p[1], p[2]})
	return math.Acos(math.Min(1, math.Abs(r[2][2]))) * 180 / math.Pi
}

// bundle is the adjustment of all views together.
type bundle struct {
	views []BoardView
	w, h  int
	first solution
}

func newBundle(views []BoardView, w, h int) *bundle { return &bundle{views: views, w: w, h: h} }

// start is the closed form: the focal length that the homographies' constraints
// agree on with the principal point in the middle (Zhang 2000, section 3.1), and
// each view's pose by it.
func (b *bundle) start() error {
	cx, cy := float64(b.w-1)/2, float64(b.h-1)/2
	homs := make([][3][3]float64, len(b.views))
	num, den := 0.0, 0.0
	for i, v := range b.views {
		h, err := Homography(v.Board, v.Seen)
		if err != nil {
			return fmt.Errorf("the card's corners in photo %d do not lie as on a flat sheet", i+1)
		}
		homs[i] = h
		// As focalFromHomography, over all views: a/f^2 + b = 0 twice each. The
		// columns are scaled alike, so that far views count as near ones.
		col := func(j int) Vec3 { return Vec3{h[0][j] - cx*h[2][j], h[1][j] - cy*h[2][j], h[2][j] * float64(b.w)} }
		p, q := col(0), col(1)
		k := 1 / (p.Norm() * q.Norm())
		f2 := float64(b.w * b.w)
		for _, c := range [2][2]float64{
			{(p[0]*q[0] + p[1]*q[1]) * k, p[2] * q[2] * k / f2},
			{(p[0]*p[0] + p[1]*p[1] - q[0]*q[0] - q[1]*q[1]) * k, (p[2]*p[2] - q[2]*q[2]) * k / f2},
		} {
			num -= c[0] * c[1] * f2 * f2
			den += c[1] * c[1] * f2 * f2
		}
	}
	long := float64(max(b.w, b.h))
	f := long // about 36 mm equivalent, where the views say nothing
	if v := num / den; v > 0 && !math.IsInf(v, 0) {
		f = math.Min(8*long, math.Max(0.4*long, math.Sqrt(v)))
	}
	s := solution{ok: true, pose: make([][6]float64, len(b.views))}
	s.cam[0], s.cam[1], s.cam[2] = math.Log(f), cx, cy
	for i := range b.views {
		r, t, ok := decompose(homs[i], Camera{FocalPX: f, CxPX: cx, CyPX: cy})
		if !ok {
			return fmt.Errorf("the card's corners in photo %d do not lie as on a flat sheet", i+1)
		}
		s.pose[i] = [6]float64{r[0], r[1], r[2], t[0], t[1], t[2]}
	}
	b.first = s
	return nil
}

// residuals of one view: seen less modelled, x and y in turn.
func (b *bundle) residuals(cam [camSlots]float64, pose [6]float64, i int, out []float64) []float64 {
	out = out[:0]
	f := math.Exp(cam[0])
	l := Lens{K1: cam[3], K2: cam[4], K3: cam[5], P1: cam[6], P2: cam[7]}
	r := rodrigues(Vec3{pose[0], pose[1], pose[2]})
	v := &b.views[i]
	for k, c := range v.Board {
		z := r[2][0]*c[0] + r[2][1]*c[1] + pose[5]
		if z < 1e-9 {
			out = append(out, 1e4, 1e4)
			continue
		}
		x, y := l.distort((r[0][0]*c[0]+r[0][1]*c[1]+pose[3])/z, (r[1][0]*c[0]+r[1][1]*c[1]+pose[4])/z)
		out = append(out, v.Seen[k][0]-cam[1]-f*x, v.Seen[k][1]-cam[2]-f*y)
	}
	return out
}

func (b *bundle) viewRMS(s solution, i int) float64 {
	r := b.residuals(s.cam, s.pose[i], i, nil)
	return math.Sqrt(squares(r) / float64(len(r)))
}

func squares(r []float64) float64 {
	s := 0.0
	for _, v := range r {
		s += v * v
	}
	return s
}

// normal are one view's normal equations: of the camera's free parameters, the
// pose's, and between them.
type normal struct {
	a, bx, c *mat.Dense // free x free, free x 6, 6 x 6
	ga, gc   *mat.VecDense
	cost     float64
}

var poseSteps = [6]float64{1e-7, 1e-7, 1e-7, 1e-5, 1e-5, 1e-5}

func camStep(k int) float64 {
	if k == 1 || k == 2 {
		return 1e-3
	}
	return 1e-6
}

func (b *bundle) normal(s solution, i int, free []int) normal {
	r0 := b.residuals(s.cam, s.pose[i], i, nil)
	n, m := len(r0), len(free)
	jac := mat.NewDense(n, m+6, nil)
	hi, lo := make([]float64, 0, n), make([]float64, 0, n)
	for k := range m + 6 {
		ch, cl, ph, pl := s.cam, s.cam, s.pose[i], s.pose[i]
		var step float64
		if k < m {
			step = camStep(free[k])
			ch[free[k]] += step
			cl[free[k]] -= step
		} else {
			step = poseSteps[k-m]
			ph[k-m] += step
			pl[k-m] -= step
		}
		hi, lo = b.residuals(ch, ph, i, hi), b.residuals(cl, pl, i, lo)
		for q := range n {
			jac.Set(q, k, (hi[q]-lo[q])/(2*step))
		}
	}
	var full mat.Dense
	full.Mul(jac.T(), jac)
	g := mat.NewVecDense(m+6, nil)
	g.MulVec(jac.T(), mat.NewVecDense(n, r0))
	out := normal{c: mat.DenseCopyOf(full.Slice(m, m+6, m, m+6)), gc: mat.NewVecDense(6, nil), cost: squares(r0)}
	for k := range 6 {
		out.gc.SetVec(k, g.AtVec(m+k))
	}
	if m > 0 {
		out.a, out.bx, out.ga = mat.DenseCopyOf(full.Slice(0, m, 0, m)), mat.DenseCopyOf(full.Slice(0, m, m, m+6)), mat.NewVecDense(m, nil)
		for k := range m {
			out.ga.SetVec(k, g.AtVec(k))
		}
	}
	return out
}

// reduced are the camera's own normal equations with the poses taken out (Schur
// complement), each diagonal first raised by the damping; back gives a view's
// pose step for the camera's.
func reduced(ns []normal, m int, damping float64) (s *mat.SymDense, g *mat.VecDense, back []func(*mat.VecDense) *mat.VecDense, ok bool) {
	s, g = mat.NewSymDense(max(1, m), nil), mat.NewVecDense(max(1, m), nil)
	for _, n := range ns {
		c := mat.NewSymDense(6, nil)
		for i := range 6 {
			for j := i; j < 6; j++ {
				c.SetSym(i, j, n.c.At(i, j))
			}
			c.SetSym(i, i, n.c.At(i, i)*(1+damping))
		}
		var chol mat.Cholesky
		if !chol.Factorize(c) {
			return nil, nil, nil, false
		}
		if m > 0 {
			var cb mat.Dense // C^-1 B'
			if err := chol.SolveTo(&cb, n.bx.T()); err != nil {
				return nil, nil, nil, false
			}
			var bcb mat.Dense
			bcb.Mul(n.bx, &cb)
			bcg := mat.NewVecDense(m, nil)
			bcg.MulVec(cb.T(), n.gc)
			for i := range m {
				for j := i; j < m; j++ {
					v := n.a.At(i, j)
					if i == j {
						v *= 1 + damping
					}
					s.SetSym(i, j, s.At(i, j)+v-bcb.At(i, j))
				}
				g.SetVec(i, g.AtVec(i)+n.ga.AtVec(i)-bcg.AtVec(i))
			}
		}
		back = append(back, func(step *mat.VecDense) *mat.VecDense {
			rhs := mat.VecDenseCopyOf(n.gc)
			if m > 0 {
				t := mat.NewVecDense(6, nil)
				t.MulVec(n.bx.T(), step)
				rhs.SubVec(rhs, t)
			}
			out := mat.NewVecDense(6, nil)
			if err := chol.SolveVecTo(out, rhs); err != nil {
				return mat.NewVecDense(6, nil)
			}
			return out
		})
	}
	return s, g, back, true
}

// solve fits the camera, with the named coefficients and the others 0, and the
// poses of the views in use.
func (b *bundle) solve(from solution, names []string, used []int) solution {
	free := []int{0, 1, 2}
	s := from.clone()
	for k := 3; k < camSlots; k++ {
		if !slices.ContainsFunc(names, func(n string) bool { return slot(n) == k }) {
			s.cam[k] = 0
		}
	}
	for _, n := range names {
		free = append(free, slot(n))
	}
	return b.levenberg(s, free, used)
}

// poseOnly fits one view's pose by the camera as it is.
func (b *bundle) poseOnly(from solution, i int) solution {
	return b.levenberg(from.clone(), nil, []int{i})
}

func (b *bundle) levenberg(s solution, free, used []int) solution {
	m := len(free)
	buf := make([]float64, 0, 256)
	costOf := func(s solution) float64 {
		sum := 0.0
		for _, i := range used {
			buf = b.residuals(s.cam, s.pose[i], i, buf)
			sum += squares(buf)
		}
		return sum
	}
	cost := costOf(s)
	lambda := 1e-3
	for range 80 {
		ns := make([]normal, len(used))
		for k, i := range used {
			ns[k] = b.normal(s, i, free)
		}
		better := false
		for range 12 {
			sys, g, back, ok := reduced(ns, m, lambda)
			step := mat.NewVecDense(max(1, m), nil)
			if ok && m > 0 {
				var chol mat.Cholesky
				ok = chol.Factorize(sys) && chol.SolveVecTo(step, g) == nil
			}
			if !ok {
				lambda *= 10
				continue
			}
			next := s.clone()
			for k, p := range free {
				next.cam[p] -= step.AtVec(k)
			}
			for k, i := range used {
				d := back[k](step)
				for q := range 6 {
					next.pose[i][q] -= d.AtVec(q)
				}
			}
			if c := costOf(next); c < cost {
				better = cost-c > 1e-9*cost
				s, cost = next, c
				lambda = math.Max(lambda/10, 1e-12)
				break
			}
			lambda *= 10
		}
		if !better {
			break
		}
	}
	s.ok = !math.IsNaN(cost) && !math.IsInf(cost, 0)
	for _, v := range s.cam {
		s.ok = s.ok && !math.IsNaN(v) && !math.IsInf(v, 0)
	}
	return s
}

// heldOut gives the mean squared residual of each view in use when its pose alone
// is fitted by the camera that the others make, and those cameras, one a part.
func (b *bundle) heldOut(from solution, names []string, used []int) (score []float64, folds []solution) {
	score = make([]float64, len(used))
	n := min(mostFolds, len(used))
	for fold := range n {
		var rest []int
		for k, i := range used {
			if k%n != fold {
				rest = append(rest, i)
			}
		}
		s := b.solve(from, names, rest)
		folds = append(folds, s)
		for k, i := range used {
			if k%n != fold {
				continue
			}
			if score[k] = math.Inf(1); s.ok {
				score[k] = sqr(b.viewRMS(b.poseOnly(s, i), i))
			}
		}
	}
	return score, folds
}

// covariance of log focal length, principal point and the named coefficients, by
// the corners' scatter.
func (b *bundle) covariance(s solution, names []string, used []int) (*mat.SymDense, bool) {
	free := []int{0, 1, 2}
	for _, n := range names {
		free = append(free, slot(n))
	}
	ns := make([]normal, len(used))
	rest, n := 0.0, 0
	for k, i := range used {
		ns[k] = b.normal(s, i, free)
		rest += ns[k].cost
		n += 2 * len(b.views[i].Seen)
	}
	sys, _, _, ok := reduced(ns, len(free), 0)
	if !ok {
		return nil, false
	}
	var chol mat.Cholesky
	if !chol.Factorize(sys) {
		return nil, false
	}
	cov := mat.NewSymDense(len(free), nil)
	if err := chol.InverseTo(cov); err != nil {
		return nil, false
	}
	dof := n - len(free) - 6*len(used)
	cov.ScaleSym(math.Max(rest/float64(max(1, dof)), 1e-8), cov)
	return cov, true
}

// inflation is the mean, over the parameters, of the variance by the jackknife
// (Efron and Tibshirani 1993, chapter 11; parts of equal size) over that by the
// corners' scatter; at least 1. Along the axes of the latter, where parameters
// that go together do not hide it.
func inflation(cov *mat.SymDense, folds []solution, s solution, names []string) float64 {
	n := cov.SymmetricDim()
	free := []int{0, 1, 2}
	for _, name := range names {
		free = append(free, slot(name))
	}
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		return 1
	}
	sum, parts := 0.0, 0.0
	for _, f := range folds {
		if !f.ok {
			continue
		}
		d := mat.NewVecDense(n, nil)
		for k, p := range free {
			d.SetVec(k, f.cam[p]-s.cam[p])
		}
		var x mat.VecDense
		if err := chol.SolveVecTo(&x, d); err != nil {
			return 1
		}
		sum += mat.Dot(d, &x)
		parts++
	}
	if parts < 2 {
		return 1
	}
	return math.Max(1, sum*(parts-1)/parts/float64(n))
}
