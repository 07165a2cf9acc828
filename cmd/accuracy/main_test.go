package main

import (
	"math"
	"testing"

	"tawsight/features"
	"tawsight/internal/pipeline"
	"tawsight/internal/record"
	"tawsight/samples"
	"tawsight/vision"
)

func closeTo(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s is %.6g, want %.6g within %g", what, got, want, tol)
	}
}

func TestSpearman(t *testing.T) {
	// SciPy's documentation of scipy.stats.spearmanr: with a tie.
	closeTo(t, "SciPy's example", spearman([]float64{1, 2, 3, 4, 5}, []float64{5, 6, 7, 8, 7}), 0.82078268166812329, 1e-12)
	// No ties: 1 - 6 sum d^2 / (n (n^2 - 1)), by hand.
	closeTo(t, "without ties", spearman([]float64{1, 2, 3, 4}, []float64{10, 40, 20, 30}), 1-6*(0+4+1+1)/(4*15.0), 1e-12)
	closeTo(t, "reversed", spearman([]float64{1, 2, 3, 4}, []float64{9, 7, 3, 1}), -1, 1e-12)
	if !math.IsNaN(spearman([]float64{1, 2}, []float64{1, 2})) {
		t.Error("two points have no correlation to speak of")
	}
}

// Nearest-rank quantiles: the value that at least the share q does not exceed
// (definition 1 of Hyndman and Fan, The American Statistician 50, 1996).
func TestQuantile(t *testing.T) {
	v := []float64{40, 15, 50, 20, 35}
	for _, c := range []struct{ q, want float64 }{{0.05, 15}, {0.2, 15}, {0.3, 20}, {0.4, 20}, {0.5, 35}, {0.95, 50}, {1, 50}} {
		closeTo(t, "quantile", quantile(v, c.q), c.want, 0)
	}
	if v[0] != 40 {
		t.Error("the caller's values were sorted")
	}
	if !math.IsNaN(quantile(nil, 0.5)) {
		t.Error("nothing has a quantile")
	}
}

// made is a photo with marbles of 16 mm in a row, and what was found of them.
func made(fault string, offsets []float64, errors []float64, extra int) scored {
	truth := &samples.Truth{Fault: fault}
	var in pipeline.Inspection
	find := func(x, d float64) {
		in.Analyses = append(in.Analyses, &features.Analysis{Face: &features.Face{}})
		in.Outlines = append(in.Outlines, vision.Outline{})
		in.Photo.Marbles = append(in.Photo.Marbles, record.Marble{
			Outline:    record.Outline{CxPX: x, CyPX: 100, SemiMajorPX: 40, SemiMinorPX: 40},
			DiameterMM: record.F(d), DiameterU95MM: record.F(0.1),
		})
	}
	for i, off := range offsets {
		x := 100 + 200*float64(i)
		truth.Marbles = append(truth.Marbles, samples.Marble{ID: i + 1, DiameterMM: 16,
			Ellipse: samples.Ellipse{CX: x, CY: 100, SemiMajor: 40, SemiMinor: 40}, Base: samples.Base{Transparency: samples.Opaque}})
		find(x+off, 16+errors[i])
	}
	for i := range extra {
		find(100+200*float64(i), 16) // a second outline where one is already
	}
	return scored{path: "made.jpg", truth: truth, in: in}
}

func TestTally(t *testing.T) {
	for _, c := range []struct {
		name                 string
		s                    scored
		marbles, found, wide int
		inside               int
	}{
		{"all right", made("none", []float64{0, 1}, []float64{0.05, -0.05}, 0), 2, 2, 0, 2},
		{"one outside its interval", made("none", []float64{0, 1}, []float64{0.05, -0.2}, 0), 2, 2, 0, 1},
		// A match needs the middle within 0.3 of the radius: 12 px.
		{"one beside its place", made("none", []float64{11, 13}, []float64{0, 0}, 0), 2, 1, 1, 1},
		{"one found twice", made("none", []float64{0, 0}, []float64{0, 0}, 1), 2, 2, 1, 2},
		{"a poor photo does not count", made(samples.FaultOutOfFocus, []float64{0}, []float64{3}, 0), 0, 0, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			var a tally
			a.add(c.s, false, nil)
			if a.marbles != c.marbles || a.found != c.found || a.extra != c.wide || a.inside != c.inside {
				t.Errorf("of %d found %d, false %d, inside %d; want %d, %d, %d, %d", a.marbles, a.found, a.extra, a.inside, c.marbles, c.found, c.wide, c.inside)
			}
		})
	}
}
