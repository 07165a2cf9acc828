package calib

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// ErrUncertainty is wrapped by every error of the uncertainty arithmetic.
var ErrUncertainty = errors.New("uncertainty can't be worked out")

// Input is one input quantity of a measurement with what is known of it.
type Input struct {
	Name  string
	Value float64
	U     float64 // standard uncertainty, in the unit of Value; 0 or more
	// DOF is the degrees of freedom of U: n-1 for a mean of n readings. 0 or
	// +Inf stands for a U that is itself taken as exact.
	DOF float64
}

// Correlation is the correlation coefficient between two inputs, -1 to 1.
// Inputs without one are independent.
type Correlation struct {
	A, B string // names of the inputs
	R    float64
}

// Budget is an uncertainty budget: a result, its uncertainty, and what each
// input has in it.
type Budget struct {
	Value float64
	U     float64 // combined standard uncertainty, in the unit of Value
	// DOF is the effective degrees of freedom (Welch-Satterthwaite); +Inf if
	// all inputs' uncertainties are exact.
	DOF      float64
	Level    float64 // coverage probability of Expanded
	Coverage float64 // coverage factor k
	Expanded float64 // k U: the half-width of the interval
	// SecondOrder is the square root of the second-order terms, if they were
	// asked for; it is part of U. Negative terms count as 0.
	SecondOrder float64
	Lines       []Contribution // the largest contribution first
}

// Contribution is one line of a budget.
type Contribution struct {
	Input
	Sensitivity float64 // df/dx at the inputs' values
	U           float64 // |Sensitivity| times the input's U, in the unit of the result
	// Share of the variance of the result, leaving out correlations: the
	// shares sum to 1 if there are none.
	Share float64
}

// BudgetOptions of [Propagate]. The zero value is the first-order law at 95 %.
type BudgetOptions struct {
	Level        float64 // coverage probability, 0..1; 0 stands for 0.95
	Correlations []Correlation
	// SecondOrder adds the terms of next higher order, for functions that
	// curve within the uncertainties. They are known for independent inputs
	// with symmetric distributions only.
	SecondOrder bool
}

// stepShare is how far, in standard uncertainties, the function is stepped
// to find its derivatives. JCGM 100:2008, 5.1.3 note 2, steps by the whole
// uncertainty; a tenth leaves a hundredth of the error by curvature, and is
// still far above rounding.
const stepShare = 0.1

// Propagate applies the law of propagation of uncertainty to f, as the GUM
// (JCGM 100:2008) sets it out: 5.1.2 and, with correlations, 5.2.2; the
// second-order terms of the note to 5.1.2; effective degrees of freedom and
// coverage factor by annex G.4, the degrees truncated to a whole number.
//
// f gets the values in the order of inputs, and must not keep the slice. Its
// derivatives are found by central differences of a tenth of the input's
// uncertainty, so f must be smooth and defined over that much.
//
// The Welch-Satterthwaite formula is for independent inputs. Inputs that are
// correlated, directly or by way of others, are taken together as one, with
// the fewest degrees of freedom among them, which errs towards a wider
// interval.
//
// Errors wrap [ErrUncertainty]: no inputs, a name used twice or unknown, a
// negative or non-finite uncertainty, correlations that contradict one
// another, second-order terms with correlations, or an f that is not finite.
func Propagate(f func(x []float64) float64, inputs []Input, opts BudgetOptions) (Budget, error) {
	fail := func(format string, a ...any) (Budget, error) {
		return Budget{}, fmt.Errorf("%w: %s", ErrUncertainty, fmt.Sprintf(format, a...))
	}
	level := cmp.Or(opts.Level, 0.95)
	if !(level > 0 && level < 1) {
		return fail("a coverage probability of %v", level)
	}
	n := len(inputs)
	if n == 0 {
		return fail("no inputs")
	}
	index := map[string]int{}
	for i, in := range inputs {
		if _, twice := index[in.Name]; twice {
			return fail("input %q is there twice", in.Name)
		}
		index[in.Name] = i
		if !(in.U >= 0) || math.IsInf(in.U, 1) || math.IsNaN(in.Value) || math.IsInf(in.Value, 0) || !(in.DOF >= 0) {
			return fail("input %q is %v, uncertainty %v, degrees of freedom %v", in.Name, in.Value, in.U, in.DOF)
		}
	}
	corr := mat.NewSymDense(n, nil)
	for i := range n {
		corr.SetSym(i, i, 1)
	}
	correlated := false
	for _, c := range opts.Correlations {
		i, okA := index[c.A]
		j, okB := index[c.B]
		if !okA || !okB || i == j || !(math.Abs(c.R) <= 1) {
			return fail("correlation of %q and %q is %v", c.A, c.B, c.R)
		}
		corr.SetSym(i, j, c.R)
		correlated = correlated || c.R != 0
	}
	if correlated && opts.SecondOrder {
		return fail("second-order terms are for independent inputs only")
	}
	if correlated {
		var e mat.EigenSym
		// Perfect correlations make a zero, which rounding may turn negative.
		if !e.Factorize(corr, false) || floats.Min(e.Values(nil)) < -1e-9*float64(n) {
			return fail("the correlations contradict one another")
		}
	}

	d := newDifferences(f, inputs)
	b := Budget{Value: d.at(), Level: level}
	c := mat.NewVecDense(n, nil) // signed contributions
	for i, in := range inputs {
		s := d.first(i)
		c.SetVec(i, s*in.U)
		b.Lines = append(b.Lines, Contribution{Input: in, Sensitivity: s, U: math.Abs(s) * in.U})
	}
	variance := mat.Inner(c, corr, c)
	if opts.SecondOrder {
		second := d.secondOrder()
		b.SecondOrder = math.Sqrt(max(0, second))
		variance += second
	}
	for _, v := range append([]float64{b.Value, variance}, c.RawVector().Data...) {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fail("the function is not finite about the inputs' values")
		}
	}
	b.U = math.Sqrt(max(0, variance)) // opposite contributions may cancel to -0

	independent := mat.Dot(c, c)
	for i := range b.Lines {
		if independent > 0 {
			b.Lines[i].Share = b.Lines[i].U * b.Lines[i].U / independent
		}
	}
	b.DOF = effectiveDOF(inputs, c, corr, b.U)
	b.Coverage = CoverageFactor(level, b.DOF)
	b.Expanded = b.Coverage * b.U
	slices.SortStableFunc(b.Lines, func(p, q Contribution) int {
		return cmp.Or(cmp.Compare(q.U, p.U), cmp.Compare(p.Name, q.Name))
	})
	return b, nil
}

// effectiveDOF is the Welch-Satterthwaite formula, GUM (G.2b), over groups of
// correlated inputs; see [Propagate].
func effectiveDOF(inputs []Input, c *mat.VecDense, corr *mat.SymDense, u float64) float64 {
	n := len(inputs)
	group := make([]int, n) // the lowest input that each hangs together with
	for i := range group {
		group[i] = i
	}
	for i := range n {
		for j := range i {
			if from, to := max(group[i], group[j]), min(group[i], group[j]); corr.At(i, j) != 0 {
				for k := range group {
					if group[k] == from {
						group[k] = to
					}
				}
			}
		}
	}
	sum := 0.0
	for g := range n {
		v, dof := 0.0, math.Inf(1)
		for i := range n {
			if group[i] != g {
				continue
			}
			if inputs[i].DOF > 0 && c.AtVec(i) != 0 {
				dof = min(dof, inputs[i].DOF)
			}
			for j := range n {
				if group[j] == g {
					v += c.AtVec(i) * corr.At(i, j) * c.AtVec(j)
				}
			}
		}
		sum += v * v / dof
	}
	if sum == 0 {
		return math.Inf(1)
	}
	return u * u * u * u / sum
}

// CoverageFactor is how many standard uncertainties either side of a result
// hold the given share (0..1) of Student's t distribution with dof degrees of
// freedom, truncated to a whole number of at least 1 as GUM G.4.2 has it;
// +Inf gives the normal distribution's.
func CoverageFactor(level, dof float64) float64 {
	p := (1 + level) / 2
	if math.IsInf(dof, 1) {
		return distuv.UnitNormal.Quantile(p)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: max(1, math.Floor(dof))}.Quantile(p)
}

// CombineInputs makes one input of several independent effects on it: the
// root sum of squares of their uncertainties, with effective degrees of
// freedom. The effects' own values are not used.
func CombineInputs(name string, value float64, effects ...Input) Input {
	v, w := 0.0, 0.0
	for _, e := range effects {
		v += e.U * e.U
		if e.DOF > 0 {
			w += e.U * e.U * e.U * e.U / e.DOF
		}
	}
	out := Input{Name: name, Value: value, U: math.Sqrt(v), DOF: math.Inf(1)}
	if w > 0 {
		out.DOF = v * v / w
	}
	return out
}

// InputsFromCovariance makes the inputs and correlations of quantities that
// were found together, by a fit say, from their values and covariance matrix
// (in the order of names). dof is that of the fit. The error wraps
// [ErrUncertainty]: lengths that differ, or a negative or non-finite variance.
func InputsFromCovariance(names []string, values []float64, cov mat.Symmetric, dof float64) ([]Input, []Correlation, error) {
	n := cov.SymmetricDim()
	if len(names) != n || len(values) != n {
		return nil, nil, fmt.Errorf("%w: %d names, %d values, a covariance of %d", ErrUncertainty, len(names), len(values), n)
	}
	var inputs []Input
	var corr []Correlation
	for i := range n {
		v := cov.At(i, i)
		if !(v >= 0) || math.IsInf(v, 1) {
			return nil, nil, fmt.Errorf("%w: the variance of %s is %v", ErrUncertainty, names[i], v)
		}
		inputs = append(inputs, Input{Name: names[i], Value: values[i], U: math.Sqrt(v), DOF: dof})
		for j := range i {
			if s := inputs[i].U * inputs[j].U; s > 0 && cov.At(i, j) != 0 {
				// Rounding may take a perfect correlation past 1.
				r := cov.At(i, j) / s
				if math.Abs(r) > 1 && math.Abs(r) < 1+1e-9 {
					r = math.Copysign(1, r)
				}
				corr = append(corr, Correlation{names[j], names[i], r})
			}
		}
	}
	return inputs, corr, nil
}

// Standard uncertainties of quantities known to lie within +-halfWidth
// (GUM 4.3.7, 4.3.9, and H.1.3.4 for the arcsine).

// UniformU is for any value within the limits being as likely as any other.
func UniformU(halfWidth float64) float64 { return halfWidth / math.Sqrt(3) }

// TriangularU is for values near the middle being likelier.
func TriangularU(halfWidth float64) float64 { return halfWidth / math.Sqrt(6) }

// ArcsineU is for a quantity that swings to and fro between the limits.
func ArcsineU(halfWidth float64) float64 { return halfWidth / math.Sqrt2 }

// differences finds derivatives of f at the inputs' values.
type differences struct {
	f    func([]float64) float64
	x    []float64
	h, u []float64 // steps and uncertainties
	f0   float64
}

func newDifferences(f func([]float64) float64, inputs []Input) *differences {
	d := &differences{f: f}
	for _, in := range inputs {
		h := stepShare * in.U
		if h == 0 { // exact: its sensitivity is only for show
			h = 1e-6 * max(1, math.Abs(in.Value))
		}
		d.x, d.h, d.u = append(d.x, in.Value), append(d.h, h), append(d.u, in.U)
	}
	d.f0 = d.at()
	return d
}

// fdStep is a step of an input by a number of steps.
type fdStep struct {
	i int
	n float64
}

func (d *differences) at(steps ...fdStep) float64 {
	x := slices.Clone(d.x)
	for _, s := range steps {
		x[s.i] += s.n * d.h[s.i]
	}
	return d.f(x)
}

// first is df/dx_i.
func (d *differences) first(i int) float64 {
	return (d.at(fdStep{i, 1}) - d.at(fdStep{i, -1})) / (2 * d.h[i])
}

// second is d2f/dx_i dx_j.
func (d *differences) second(i, j int) float64 {
	if i == j {
		return (d.at(fdStep{i, 1}) - 2*d.f0 + d.at(fdStep{i, -1})) / (d.h[i] * d.h[i])
	}
	return (d.at(fdStep{i, 1}, fdStep{j, 1}) - d.at(fdStep{i, 1}, fdStep{j, -1}) -
		d.at(fdStep{i, -1}, fdStep{j, 1}) + d.at(fdStep{i, -1}, fdStep{j, -1})) / (4 * d.h[i] * d.h[j])
}

// third is d3f/dx_i dx_j^2.
func (d *differences) third(i, j int) float64 {
	if i == j {
		return (d.at(fdStep{i, 2}) - 2*d.at(fdStep{i, 1}) + 2*d.at(fdStep{i, -1}) - d.at(fdStep{i, -2})) / (2 * d.h[i] * d.h[i] * d.h[i])
	}
	bend := func(n float64) float64 {
		return d.at(fdStep{i, n}, fdStep{j, 1}) - 2*d.at(fdStep{i, n}) + d.at(fdStep{i, n}, fdStep{j, -1})
	}
	return (bend(1) - bend(-1)) / (2 * d.h[i] * d.h[j] * d.h[j])
}

// secondOrder is the sum in the note to GUM 5.1.2.
func (d *differences) secondOrder() (sum float64) {
	for i := range d.x {
		for j := range d.x {
			v := d.u[i] * d.u[i] * d.u[j] * d.u[j]
			if v == 0 {
				continue
			}
			s := d.second(i, j)
			sum += (s*s/2 + d.first(i)*d.third(i, j)) * v
		}
	}
	return sum
}
