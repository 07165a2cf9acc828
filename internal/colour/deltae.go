package colour

import "math"

// DeltaE00 is the CIEDE2000 colour difference between two CIELAB colours,
// with k_L = k_C = k_H = 1, computed as G. Sharma, W. Wu and E. N. Dalal set
// out in Color Research and Application 30(1), 21-30, 2005. It is 0 or more,
// the same both ways round, and about 1 for a just visible difference between
// large patches side by side.
//
// The rule at 180 degrees: the mean hue jumps by 180 degrees where two hues
// lie exactly opposite. A difference of exactly 180 degrees belongs to the
// side that does not wrap, so there the mean hue is (h1 + h2) / 2. Two hues
// computed from exactly opposite colours may differ from 180 degrees in the
// last bits, so anything within 1e-9 degrees counts as exact.
//
// Lab goes in as it is. go-colorful 1.4.1 has the same formula, but holds a
// colour as sRGB: the way there and back disturbs the last bits, and pair 10
// of the published table, which lies at 180 degrees, comes out as 7.2195
// instead of 7.1792.
func DeltaE00(lab1, lab2 [3]float64) float64 {
	const (
		pow25to7 = 6103515625 // 25^7
		rad      = math.Pi / 180
		exact    = 1e-9 // degrees
	)
	l1, a1, b1 := lab1[0], lab1[1], lab1[2]
	l2, a2, b2 := lab2[0], lab2[1], lab2[2]

	c7 := pow7((math.Sqrt(a1*a1+b1*b1) + math.Sqrt(a2*a2+b2*b2)) / 2)
	g := 1 + 0.5*(1-math.Sqrt(c7/(c7+pow25to7)))
	a1 *= g
	a2 *= g
	c1, c2 := math.Sqrt(a1*a1+b1*b1), math.Sqrt(a2*a2+b2*b2)
	h1, h2 := HueDeg([3]float64{0, a1, b1}), HueDeg([3]float64{0, a2, b2})

	dl, dc := l2-l1, c2-c1
	var dh float64        // degrees
	meanHue := h1 + h2    // a neutral has no hue: the other's stands (its own is 0)
	if c1 > 0 && c2 > 0 { // both have a hue
		dh = h2 - h1
		meanHue /= 2
		if math.Abs(dh) > 180+exact {
			if meanHue < 180 {
				meanHue += 180
			} else {
				meanHue -= 180
			}
			if dh > 0 {
				dh -= 360
			} else {
				dh += 360
			}
		}
	}
	dH := 2 * math.Sqrt(c1*c2) * math.Sin(dh/2*rad)

	meanC := (c1 + c2) / 2
	t := 1 - 0.17*math.Cos((meanHue-30)*rad) + 0.24*math.Cos(2*meanHue*rad) +
		0.32*math.Cos((3*meanHue+6)*rad) - 0.20*math.Cos((4*meanHue-63)*rad)
	sl := lightnessWeight(l1, l2)
	sc := 1 + 0.045*meanC
	sh := 1 + 0.015*meanC*t

	k := (meanHue - 275) / 25
	dTheta := 30 * math.Exp(-k*k)
	m7 := pow7(meanC)
	rt := -2 * math.Sqrt(m7/(m7+pow25to7)) * math.Sin(2*dTheta*rad)

	dl, dc, dH = dl/sl, dc/sc, dH/sh
	// The cross term can make the sum a rounding error below 0.
	return math.Sqrt(max(0, dl*dl+dc*dc+dH*dH+rt*dc*dH))
}

// lightnessWeight is CIEDE2000's S_L: what a difference between two lightnesses is
// divided by.
func lightnessWeight(l1, l2 float64) float64 {
	from50 := (l1+l2)/2 - 50
	return 1 + 0.015*from50*from50/math.Sqrt(20+from50*from50)
}

func pow7(x float64) float64 {
	x2 := x * x
	return x2 * x2 * x2 * x
}
