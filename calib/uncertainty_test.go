package calib

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

func nearly(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s is %.6g, want %g within %g", what, got, want, tol)
	}
}

// endGauge is the calibration of a 50 mm end gauge, JCGM 100:2008 (GUM) H.1:
// inputs from table H.1 and H.1.3, lengths in nm.
func endGauge() (f func(x []float64) float64, inputs []Input) {
	f = func(x []float64) float64 {
		ls, d, alpha, theta, dAlpha, dTheta := x[0], x[1], x[2], x[3], x[4], x[5]
		return ls + d - ls*(dAlpha*theta+alpha*dTheta) // GUM (H.3)
	}
	inputs = []Input{
		{Name: "standard", Value: 50000623, U: 75.0 / 3, DOF: 18},
		CombineInputs("comparison", 215,
			Input{U: 5.8, DOF: 24},                         // repeated observations, 13/sqrt(5)
			Input{U: 10 / CoverageFactor(0.95, 5), DOF: 5}, // comparator, random
			Input{U: 20.0 / 3, DOF: 8},                     // comparator, systematic
		),
		{Name: "expansion", Value: 11.5e-6, U: UniformU(2e-6)},
		CombineInputs("temperature", -0.1, Input{U: 0.2}, Input{U: ArcsineU(0.5)}),
		{Name: "expansion difference", Value: 0, U: UniformU(1e-6), DOF: 50},
		{Name: "temperature difference", Value: 0, U: UniformU(0.05), DOF: 2},
	}
	return f, inputs
}

func TestGUMExampleH1(t *testing.T) {
	f, inputs := endGauge()
	nearly(t, "u(d), H.1.3.2", inputs[1].U, 9.7, 0.05)
	nearly(t, "dof of u(d), H.1.6", inputs[1].DOF, 25.6, 0.15)
	nearly(t, "u(theta), H.1.3.4", inputs[3].U, 0.41, 0.005)

	b, err := Propagate(f, inputs, BudgetOptions{Level: 0.99})
	if err != nil {
		t.Fatal(err)
	}
	nearly(t, "l, H.1.5", b.Value, 50000838, 0.5)
	nearly(t, "u_c, H.1.4", b.U, 32, 0.5)
	// H.1.6: 16.7 with the rounded figures of the text, truncated to 16.
	if b.DOF < 16 || b.DOF >= 17 {
		t.Errorf("effective degrees of freedom %.2f, want 16 once truncated", b.DOF)
	}
	nearly(t, "t99(16), H.1.6", b.Coverage, 2.92, 0.005)
	nearly(t, "U99, H.1.6", b.Expanded, 93, 1)

	// Table H.1: the contributions in nm, largest first.
	want := []struct {
		name string
		u    float64
	}{
		{"standard", 25}, {"temperature difference", 16.6}, {"comparison", 9.7},
		{"expansion difference", 2.9}, {"expansion", 0}, {"temperature", 0},
	}
	for i, w := range want {
		if b.Lines[i].Name != w.name {
			t.Errorf("line %d is %s, want %s", i, b.Lines[i].Name, w.name)
		}
		nearly(t, w.name, b.Lines[i].U, w.u, 0.06)
	}

	// H.1.7: second-order terms of 11.7 and 1.7 nm take u_c to 34 nm.
	b, err = Propagate(f, inputs, BudgetOptions{SecondOrder: true})
	if err != nil {
		t.Fatal(err)
	}
	nearly(t, "second order", b.SecondOrder, math.Hypot(11.7, 1.7), 0.1)
	nearly(t, "u_c with second order", b.U, 34, 0.5)
}

func TestGUMExampleH2(t *testing.T) {
	// JCGM 100:2008 (GUM) table H.2: five sets of simultaneous readings of
	// voltage (V), current (mA) and phase (rad).
	obs := mat.NewDense(5, 3, []float64{
		5.007, 19.663, 1.0456,
		4.994, 19.639, 1.0438,
		5.005, 19.640, 1.0468,
		4.990, 19.685, 1.0428,
		4.999, 19.678, 1.0433,
	})
	var mean []float64
	for j := range 3 {
		mean = append(mean, stat.Mean(mat.Col(nil, j, obs), nil))
	}
	var cov mat.SymDense
	stat.CovarianceMatrix(&cov, obs, nil)
	cov.ScaleSym(1.0/5, &cov) // of the means
	inputs, corr, err := InputsFromCovariance([]string{"V", "I", "phi"}, mean, &cov, 4)
	if err != nil {
		t.Fatal(err)
	}
	// Table H.2's last rows.
	nearly(t, "u(V)", inputs[0].U, 0.0032, 5e-5)
	nearly(t, "u(I)", inputs[1].U, 0.0095, 5e-5)
	nearly(t, "u(phi)", inputs[2].U, 0.00075, 5e-6)
	nearly(t, "r(V,I)", corr[0].R, -0.36, 0.006)
	nearly(t, "r(V,phi)", corr[1].R, 0.86, 0.005)
	nearly(t, "r(I,phi)", corr[2].R, -0.65, 0.005)

	// Tables H.3 and H.4, ohms; the two ways of the text differ in the last
	// digit of u(X): 0.295 and 0.296.
	for _, c := range []struct {
		name     string
		f        func(x []float64) float64
		value, u float64
	}{
		{"R", func(x []float64) float64 { return 1000 * x[0] / x[1] * math.Cos(x[2]) }, 127.732, 0.071},
		{"X", func(x []float64) float64 { return 1000 * x[0] / x[1] * math.Sin(x[2]) }, 219.847, 0.2955},
		{"Z", func(x []float64) float64 { return 1000 * x[0] / x[1] }, 254.260, 0.236},
	} {
		b, err := Propagate(c.f, inputs, BudgetOptions{Correlations: corr})
		if err != nil {
			t.Fatal(err)
		}
		nearly(t, c.name, b.Value, c.value, 6e-4)
		nearly(t, "u("+c.name+")", b.U, c.u, 1e-3)
		// All correlated: the five sets leave 4 degrees of freedom.
		nearly(t, "dof of "+c.name, b.DOF, 4, 1e-9)
	}
}

func TestCoverageFactor(t *testing.T) {
	// JCGM 100:2008 (GUM) table G.2, t_p(v).
	for _, c := range []struct{ level, dof, k float64 }{
		{0.95, 1, 12.71}, {0.95, 5, 2.57}, {0.95, 10, 2.23}, {0.95, 50, 2.01},
		{0.95, math.Inf(1), 1.960}, {0.99, 16, 2.92}, {0.99, 16.9, 2.92}, {0.9973, 20, 3.42},
		{0.95, 0.5, 12.71},
	} {
		nearly(t, "k", CoverageFactor(c.level, c.dof), c.k, 0.005)
	}
	// GUM 4.3.7 and 4.3.9: 0.58 a and 0.41 a.
	nearly(t, "uniform", UniformU(1), 0.577, 5e-4)
	nearly(t, "triangular", TriangularU(1), 0.408, 5e-4)
	nearly(t, "arcsine", ArcsineU(1), 0.707, 5e-4)
}

func TestPropagateCorrelated(t *testing.T) {
	sum := func(x []float64) float64 { return x[0] + x[1] }
	inputs := []Input{{Name: "a", Value: 1, U: 3, DOF: 7}, {Name: "b", Value: 2, U: 4, DOF: 9}, {Name: "idle", U: 1, DOF: 1}}
	for _, c := range []struct{ r, u float64 }{
		{0, 5}, {1, 7}, {-1, 1}, {0.5, math.Sqrt(37)}, // GUM 5.2.2
	} {
		b, err := Propagate(sum, inputs, BudgetOptions{Correlations: []Correlation{{"a", "b", c.r}}})
		if err != nil {
			t.Fatal(err)
		}
		nearly(t, "u", b.U, c.u, 1e-9)
		if c.r != 0 {
			nearly(t, "dof", b.DOF, 7, 1e-6)
		} else {
			nearly(t, "dof", b.DOF, 625/(81.0/7+256.0/9), 1e-6)
		}
	}
	// A square at 0 has no first-order uncertainty; the
	// second-order terms give the exact sqrt(2) u^2 of a normal input.
	b, err := Propagate(func(x []float64) float64 { return x[0] * x[0] }, []Input{{Name: "x", U: 3}}, BudgetOptions{SecondOrder: true})
	if err != nil {
		t.Fatal(err)
	}
	nearly(t, "u of a square", b.U, math.Sqrt2*9, 1e-6)
	// A sine at 0 curves not at all there, but less steeply either side: the
	// term with the third derivative takes some away.
	b, err = Propagate(func(x []float64) float64 { return math.Sin(x[0]) }, []Input{{Name: "x", U: 0.5}}, BudgetOptions{SecondOrder: true})
	if err != nil {
		t.Fatal(err)
	}
	// sin at 0: 0.5^2 + (0 + 1 * -1) 0.5^4 = 0.1875; exactly, for a normal x,
	// (1 - exp(-2 u^2)) / 2 = 0.1967.
	nearly(t, "variance of a sine", b.U*b.U, 0.1875, 1e-3)
}

func TestPropagateAgainstLinearAlgebra(t *testing.T) {
	// A linear function has its variance exactly by c' S c.
	rapid.Check(t, func(rt *rapid.T) {
		num := rapid.Float64Range(-10, 10)
		l := mat.NewDense(3, 3, nil)
		c := mat.NewVecDense(3, nil)
		x := make([]float64, 3)
		for i := range 3 {
			c.SetVec(i, num.Draw(rt, "c"))
			x[i] = num.Draw(rt, "x")
			for j := range 3 {
				l.Set(i, j, num.Draw(rt, "l"))
			}
		}
		var cov mat.SymDense
		cov.SymOuterK(1, l)
		inputs, corr, err := InputsFromCovariance([]string{"p", "q", "r"}, x, &cov, math.Inf(1))
		if err != nil {
			rt.Fatal(err)
		}
		b, err := Propagate(func(x []float64) float64 { return mat.Dot(c, mat.NewVecDense(3, x)) }, inputs, BudgetOptions{Correlations: corr})
		if err != nil {
			rt.Fatal(err)
		}
		scale := 0.0
		for _, line := range b.Lines {
			scale += line.U
		}
		if want := mat.Inner(c, &cov, c); math.Abs(b.U*b.U-want) > 1e-6*(1e-6+scale*scale) {
			rt.Fatalf("variance %g, want %g", b.U*b.U, want)
		}
	})
}

func TestPropagateRefuses(t *testing.T) {
	id := func(x []float64) float64 { return x[0] }
	a, b, c := Input{Name: "a", U: 1}, Input{Name: "b", U: 1}, Input{Name: "c", U: 1}
	for _, test := range []struct {
		name   string
		f      func([]float64) float64
		inputs []Input
		opts   BudgetOptions
	}{
		{"none", id, nil, BudgetOptions{}},
		{"twice", id, []Input{a, a}, BudgetOptions{}},
		{"negative", id, []Input{{Name: "a", U: -1}}, BudgetOptions{}},
		{"NaN", id, []Input{{Name: "a", Value: math.NaN()}}, BudgetOptions{}},
		{"NaN dof", id, []Input{{Name: "a", DOF: math.NaN()}}, BudgetOptions{}},
		{"level", id, []Input{a}, BudgetOptions{Level: 95}},
		{"unknown", id, []Input{a, b}, BudgetOptions{Correlations: []Correlation{{"a", "z", 0.5}}}},
		{"itself", id, []Input{a, b}, BudgetOptions{Correlations: []Correlation{{"a", "a", 0.5}}}},
		{"above 1", id, []Input{a, b}, BudgetOptions{Correlations: []Correlation{{"a", "b", 1.5}}}},
		{"contradictory", id, []Input{a, b, c}, BudgetOptions{Correlations: []Correlation{{"a", "b", 1}, {"b", "c", 1}, {"a", "c", -1}}}},
		{"second order", id, []Input{a, b}, BudgetOptions{SecondOrder: true, Correlations: []Correlation{{"a", "b", 0.5}}}},
		{"a pole", func(x []float64) float64 { return 1 / x[0] }, []Input{a}, BudgetOptions{}},
		{"off the domain", func(x []float64) float64 { return math.Sqrt(x[0]) }, []Input{a}, BudgetOptions{}},
	} {
		if got, err := Propagate(test.f, test.inputs, test.opts); !errors.Is(err, ErrUncertainty) {
			t.Errorf("%s: %+v, error %v", test.name, got, err)
		}
	}
	if _, _, err := InputsFromCovariance([]string{"a"}, []float64{1}, mat.NewSymDense(1, []float64{-1}), 1); !errors.Is(err, ErrUncertainty) {
		t.Errorf("a negative variance: %v", err)
	}
	if _, _, err := InputsFromCovariance(nil, nil, mat.NewSymDense(1, []float64{1}), 1); !errors.Is(err, ErrUncertainty) {
		t.Errorf("no names: %v", err)
	}
	// An exact input is no fault, and has a sensitivity all the same.
	got, err := Propagate(func(x []float64) float64 { return 3 * x[0] }, []Input{{Name: "a", Value: 2}}, BudgetOptions{})
	if err != nil || got.U != 0 || math.Abs(got.Lines[0].Sensitivity-3) > 1e-6 || !math.IsInf(got.DOF, 1) {
		t.Errorf("an exact input: %+v, %v", got, err)
	}
}
