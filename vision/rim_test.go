package vision

import (
	"fmt"
	"math"
	"testing"
)

func closeTo(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s is %.6g, want %g within %g", what, got, want, tol)
	}
}

// Rubin 1985, Solar Energy Materials 12, soda-lime glass:
// n = 1.5130 - 0.003169 L^2 + 0.003962 / L^2, L in micrometres.
func TestGlassIndex(t *testing.T) {
	const l = 0.589
	closeTo(t, "index at 589 nm", glassIndex, 1.5130-0.003169*l*l+0.003962/(l*l), 5e-4)
}

// Fresnel's formulas as textbooks give them by angles (Born and Wolf,
// Principles of Optics, 1.5.2): r_s = -sin(i - t)/sin(i + t),
// r_p = tan(i - t)/tan(i + t), with sin i = n sin t.
func TestFresnel(t *testing.T) {
	n := glassIndex
	closeTo(t, "normal incidence", fresnel(1), math.Pow((n-1)/(n+1), 2), 1e-12)
	closeTo(t, "grazing incidence", fresnel(0), 1, 1e-12)
	// At Brewster's angle, tan i = n, the p part vanishes; half of the s part
	// is left, which there is ((n^2 - 1)/(n^2 + 1))^2.
	closeTo(t, "Brewster's angle", fresnel(math.Cos(math.Atan(n))), math.Pow((n*n-1)/(n*n+1), 2)/2, 1e-12)
	last := 0.0
	for deg := 1.0; deg < 90; deg++ {
		i := deg * math.Pi / 180
		tr := math.Asin(math.Sin(i) / n)
		rs, rp := math.Sin(i-tr)/math.Sin(i+tr), math.Tan(i-tr)/math.Tan(i+tr)
		f := fresnel(math.Cos(i))
		closeTo(t, fmt.Sprintf("%g degrees", deg), f, (rs*rs+rp*rp)/2, 1e-12)
		// Unpolarised reflectance dips nowhere for glass in air.
		if f < last-1e-12 {
			t.Errorf("reflectance falls at %g degrees", deg)
		}
		last = f
	}
}

// The edge's half-height lies inside the outline, by more px the larger the
// sphere and the wider the blur, but by a smaller share of the radius.
func TestRimInset(t *testing.T) {
	for _, sigma := range []float64{0.7, 1, 1.5, 2.5} {
		last, lastShare := 0.0, math.Inf(1)
		for _, r := range []float64{20, 40, 80, 160, 320} {
			in := rimInset(r, sigma)
			t.Logf("radius %g px, blur %g px: %.3f px", r, sigma, in)
			if !(in > 0) || in > 3 || in > 0.05*r {
				t.Errorf("radius %g px, blur %g px: inset %g px", r, sigma, in)
			}
			if in < last {
				t.Errorf("radius %g px, blur %g px: inset %g px, less than a smaller sphere's %g", r, sigma, in, last)
			}
			if in/r >= lastShare {
				t.Errorf("radius %g px, blur %g px: inset %g of the radius, a smaller sphere's is %g", r, sigma, in/r, lastShare)
			}
			last, lastShare = in, in/r
		}
	}
}

func TestRimInsetOfNoSphere(t *testing.T) {
	for _, r := range []float64{0, -5} {
		if got := rimInset(r, 1); got != 0 {
			t.Errorf("radius %g px: inset %g px", r, got)
		}
	}
}

func TestRimTable(t *testing.T) {
	if got := (rimTable{}).shift(80); got != 0 {
		t.Errorf("no table shifts by %g", got)
	}
	table := newRimTable(1.2)
	if len(table.radius) < 5 || len(table.radius) != len(table.inset) {
		t.Fatalf("table of %d and %d", len(table.radius), len(table.inset))
	}
	for i := 1; i < len(table.radius); i++ {
		if table.radius[i] <= table.radius[i-1] {
			t.Errorf("radii don't rise: %v", table.radius)
		}
	}
	lo, hi := table.radius[0], table.radius[len(table.radius)-1]
	closeTo(t, "below the table", table.shift(lo/3), table.inset[0], 0)
	closeTo(t, "no sphere", table.shift(0), table.inset[0], 0)
	closeTo(t, "above the table", table.shift(hi*3), table.inset[len(table.inset)-1], 0)
	for i, r := range table.radius {
		closeTo(t, "at an entry", table.shift(r), table.inset[i], 1e-12)
	}
	// Between entries it says what the simulation says: steps of 0.25 px are
	// interpolated, so to a few hundredths.
	for _, r := range []float64{25, 50, 90, 150, 250} {
		closeTo(t, fmt.Sprintf("radius %g", r), table.shift(r), rimInset(r, 1.2), 0.05)
	}
}
