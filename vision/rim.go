package vision

import (
	"math"

	"tawsight/internal/kernels"
)

// glassIndex is the refractive index of soda-lime glass at 589 nm (Rubin 1985,
// Solar Energy Materials 12: 1.523).
const glassIndex = 1.523

// rimTable holds how far inside a marble's true outline the half-height of its
// edge lies, for spheres of several sizes under one blur.
//
// Toward the outline a glass sphere is seen at ever more grazing incidence and
// mirrors more and more (Fresnel), and what it mirrors there is the paper just
// behind the outline. So its contrast against the paper does not begin with a
// step but grows from zero, as 1 - F, with F Fresnel's reflectance for
// unpolarised light at the angle whose cosine is sqrt(1 - rho^2), rho the
// distance from the centre in radii. Blurred, the half-height of such an edge
// lies inside the outline by an amount that follows from radius and blur
// alone, the same for clear and opaque glass. It is computed here and added
// to every edge point.
type rimTable struct {
	sigmaPX float64
	radius  []float64 // px, rising
	inset   []float64 // px; not a number where it was not asked for yet
}

// shift is the correction for a marble of radius r px.
func (t rimTable) shift(r float64) float64 {
	n := len(t.radius)
	if n == 0 {
		return 0
	}
	if r <= t.radius[0] {
		return t.at(0)
	}
	for i := 1; i < n; i++ {
		if r <= t.radius[i] {
			f := (math.Log(r) - math.Log(t.radius[i-1])) / (math.Log(t.radius[i]) - math.Log(t.radius[i-1]))
			return t.at(i-1) + f*(t.at(i)-t.at(i-1))
		}
	}
	return t.at(n - 1)
}

// at is the inset for radius i. Each takes a while, and marbles of one photo are
// mostly of one size.
func (t rimTable) at(i int) float64 {
	if math.IsNaN(t.inset[i]) {
		t.inset[i] = rimInset(t.radius[i], t.sigmaPX)
	}
	return t.inset[i]
}

// fresnel is the reflectance of unpolarised light on glass at incidence with
// cosine c.
func fresnel(c float64) float64 {
	s2 := 1 - c*c
	ct := math.Sqrt(1 - s2/(glassIndex*glassIndex))
	rs := (c - glassIndex*ct) / (c + glassIndex*ct)
	rp := (ct - glassIndex*c) / (ct + glassIndex*c)
	return (rs*rs + rp*rp) / 2
}

// newRimTable is the table for a Gaussian blur of sigma px.
func newRimTable(sigmaPX float64) rimTable {
	t := rimTable{sigmaPX: sigmaPX}
	for r := 12.0; r <= 400; r *= 1.35 {
		t.radius = append(t.radius, r)
		t.inset = append(t.inset, math.NaN())
	}
	return t
}

// rimInset runs the step search itself over a synthetic profile, so that
// whatever it does to such an edge is corrected too.
func rimInset(r, sigmaPX float64) float64 {
	const fine = 0.05
	window := (&refiner{sigmaPX: sigmaPX}).window(r)
	gap := 0.75 + 0.9*sigmaPX
	inward := 1.0 + 2.2*sigmaPX
	reach := 4 + 3*sigmaPX
	start := reach + window + gap
	n := int((start + reach + inward + 2) / fine)
	half := int(4 * sigmaPX / fine)
	kernel := make([]float64, 2*half+1)
	sum := 0.0
	for i := range kernel {
		x := float64(i-half) * fine / math.Max(sigmaPX, 1e-3)
		kernel[i] = math.Exp(-x * x / 2)
		sum += kernel[i]
	}
	contrast := func(s float64) float64 { // s px inside the outline
		if s <= 0 || s >= r {
			return 0
		}
		rho := 1 - s/r
		return 1 - fresnel(math.Sqrt(1-rho*rho))
	}
	step := scanStep(r, sigmaPX)
	every := int(step/fine + 0.5)
	var look kernels.Reader
	look.Look(searchAt(step, window, gap, inward, sigmaPX), n/every+1)
	// The edge before it is blurred, from half a kernel before the first sample.
	edge := make([]float64, n+2*half+1)
	for i := range edge {
		edge[i] = contrast(float64(i-half)*fine - start)
	}
	// The mean over where between two samples the outline may lie.
	inset, found := 0.0, 0
	var prof []kernels.Sample
	for phase := 0; phase < every; phase += max(1, every/5) {
		prof = prof[:0]
		for i := phase; i < n; i += every {
			v := 0.0
			for k := range kernel {
				v += kernel[k] * edge[i+k]
			}
			prof = append(prof, kernels.Sample{float32(1 - 0.3*v/sum)})
		}
		if steps, _ := look.Profile(prof, &[5]int{-1, -1, 0, -1, -1}, len(prof)); len(steps) > 0 {
			inset += steps[0].At*step + float64(phase)*fine - start
			found++
		}
	}
	return math.Max(0, inset/math.Max(1, float64(found)))
}
