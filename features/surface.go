package features

import (
	"math"
	"slices"

	"tawsight/internal/colour"
)

// haze is the least light that comes from anywhere on the face, in its weakest
// colour, against the paper's light: the 2 % point of the dark channel (K. He,
// J. Sun, X. Tang, "Single image haze removal using dark channel prior", CVPR
// 2009). Glass that scatters lays a veil of light over everything, so that
// neither the dark pictures that a clear ball shows of its surroundings nor
// the colours of ribbons go down to nothing. It is a bound from above: a clear
// marble with nothing dark in it reads too high.
func haze(f *Face) (v float64, ok bool) {
	n := f.Size
	p := colour.LabToLinear(f.PaperLab)
	paper := 0.2126*p[0] + 0.7152*p[1] + 0.0722*p[2]
	if paper < 1e-3 {
		return 0, false
	}
	var dark []float64
	for y := 1; y < n-1; y++ {
		for x := 1; x < n-1; x++ {
			i := y*n + x
			if !f.usable(i) {
				continue
			}
			// The mean of nine pixels: noise would make the least of them dark.
			var m [3]float64
			for b := -n; b <= n; b += n {
				for a := -1; a <= 1; a++ {
					for q := range m {
						m[q] += f.Linear[i+a+b][q] / 9
					}
				}
			}
			dark = append(dark, math.Max(0, math.Min(m[0], math.Min(m[1], m[2]))/paper))
		}
	}
	if len(dark) < 40 {
		return 0, false
	}
	slices.Sort(dark)
	return math.Min(1, dark[len(dark)*2/100]), true
}

// unevenness is how far the base's colour strays over the face once its
// shading is taken off: the median distance in CIELAB's a* and b* of its pure
// pixels from a surface of second order fitted to them. Lightness is left out,
// since it follows the lamps: with it the same marble in other light differed
// as much as two marbles do. Noise is taken off by smoothing over nine pixels
// first.
func unevenness(f *Face, p *Parts) (v float64, ok bool) {
	if p.Base < 0 {
		return 0, false
	}
	n := f.Size
	const terms = 6
	var a [terms][terms]float64
	var b [3][terms]float64
	var at [][terms]float64
	var lab [][3]float64
	for y := 1; y < n-1; y++ {
		for x := 1; x < n-1; x++ {
			i := y*n + x
			if int(p.Of[i]) != p.Base || !p.Pure[i] {
				continue
			}
			var m [3]float64
			c := 0.0
			for w := -n; w <= n; w += n {
				for v := -1; v <= 1; v++ {
					if j := i + v + w; int(p.Of[j]) == p.Base {
						c++
						for q := range m {
							m[q] += f.Lab[j][q]
						}
					}
				}
			}
			for q := range m {
				m[q] /= c
			}
			px, py := f.XY(i)
			t := [terms]float64{1, px, py, px * px, px * py, py * py}
			for r := range t {
				for s := range t {
					a[r][s] += t[r] * t[s]
				}
				for q := range m {
					b[q][r] += t[r] * m[q]
				}
			}
			at, lab = append(at, t), append(lab, m)
		}
	}
	if len(at) < 60 {
		return 0, false
	}
	for r := range a {
		a[r][r] += 1e-6 * float64(len(at))
	}
	var coef [3][terms]float64
	for q := range coef {
		coef[q] = solveSymmetric(a, b[q])
	}
	d := make([]float64, len(at))
	for k, t := range at {
		for q := 1; q < len(coef); q++ {
			r := lab[k][q]
			for s := range t {
				r -= coef[q][s] * t[s]
			}
			d[k] += r * r
		}
		d[k] = math.Sqrt(d[k])
	}
	slices.Sort(d)
	return d[len(d)/2], true
}

// solveSymmetric solves a x = b by elimination with pivots on the diagonal; a
// is positive definite.
func solveSymmetric(a [6][6]float64, b [6]float64) (x [6]float64) {
	n := len(b)
	for k := 0; k < n; k++ {
		for i := k + 1; i < n; i++ {
			m := a[i][k] / a[k][k]
			for j := k; j < n; j++ {
				a[i][j] -= m * a[k][j]
			}
			b[i] -= m * b[k]
		}
	}
	for k := n - 1; k >= 0; k-- {
		x[k] = b[k]
		for j := k + 1; j < n; j++ {
			x[k] -= a[k][j] * x[j]
		}
		x[k] /= a[k][k]
	}
	return x
}

// Limits of the search for matt, grainy surface.
const (
	// grainBlurMost is the blur, as a share of the radius, beyond which a grain
	// of a quarter of a millimetre (from memory of close-ups) is smoothed away.
	grainBlurMost = 0.045
	// grainRadiusLeast is the least radius, px, that shows grain.
	grainRadiusLeast = 28.0
	// grainChroma is the chroma from which a colour is strong.
	grainChroma = 22.0
	// grainAreaLeast is the least share of the face, strongly coloured, that is
	// judged.
	grainAreaLeast = 0.04
	// grainOverNoise is how much rougher than the smooth parts of the same face
	// a grainy place is, and grainLeast how rough it is at least, L*.
	grainOverNoise = 2.2
	// oneHue is the cosine of the hue angle within which colours are one: 28
	// degrees.
	oneHue     = 0.88
	grainLeast = 1.1
)

// mattShare is the share of strongly coloured glass that is matt and grainy.
// Fine texture (what a plane fitted to 5 x 5 pixels leaves) is compared with
// that of the face's own smooth parts, which show the photo's noise under the
// same blur and compression. Glossy glass is as smooth as its noise; stripes
// and borders run one way, grain does not.
func mattShare(a *Analysis) Figure {
	f := a.Face
	switch {
	case a.Parts.Usable == 0:
		return Figure{Absent: tooLittleSeen}
	case f.Radius < grainRadiusLeast:
		return Figure{Absent: "the marble has too few pixels to show grain"}
	case f.BlurShare > grainBlurMost:
		return Figure{Absent: "the photo is too blurred to show grain"}
	}
	n := f.Size
	// Strong colour after smoothing, away from where it ends: grain has darker
	// and paler spots, but one hue.
	strong := make([]bool, n*n)
	inner := make([]bool, n*n)
	count := 0
	for i := range strong {
		if f.usable(i) {
			inner[i] = true
			strong[i] = chroma(f.Lab[i]) > grainChroma
		}
	}
	const reach = 3
	var rough []float64
	type place struct {
		i    int
		sd   float64
		turn float64
	}
	var places []place
	for y := reach; y < n-reach; y++ {
		for x := reach; x < n-reach; x++ {
			i := y*n + x
			if !inner[i] {
				continue
			}
			all, same := true, strong[i]
			a0, b0, c0 := f.Lab[i][1], f.Lab[i][2], chroma(f.Lab[i])
			for b := -reach; b <= reach && all; b++ {
				for c := -reach; c <= reach; c++ {
					j := i + b*n + c
					if !inner[j] {
						all = false
						break
					}
					if same && (!strong[j] || a0*f.Lab[j][1]+b0*f.Lab[j][2] < oneHue*c0*chroma(f.Lab[j])) {
						same = false
					}
				}
			}
			if !all {
				continue
			}
			if strong[i] {
				count++
			}
			sd, turn := roughness(f, i)
			if same {
				places = append(places, place{i, sd, turn})
			}
			rough = append(rough, sd)
		}
	}
	if float64(count) < grainAreaLeast*math.Pi*f.Radius*f.Radius || len(places) < 60 {
		return Figure{Absent: "too little strong colour is seen"}
	}
	slices.Sort(rough)
	floor := rough[len(rough)/5]
	grainy := 0
	for _, p := range places {
		if p.sd > math.Max(grainLeast, grainOverNoise*floor) && p.turn < 0.75 {
			grainy++
		}
	}
	return Figure{Value: float64(grainy) / float64(len(places))}
}

// roughness is the standard deviation of lightness about a plane over 5 x 5
// pixels, and how much its gradients run one way (coherence of the structure
// tensor, 0 all ways to 1 one way).
func roughness(f *Face, i int) (sd, coherence float64) {
	n := f.Size
	var s, sx, sy, ss float64
	var xx, xy, yy float64
	for b := -2; b <= 2; b++ {
		for c := -2; c <= 2; c++ {
			j := i + b*n + c
			v := f.Lab[j][0]
			s += v
			sx += float64(c) * v
			sy += float64(b) * v
			ss += v * v
			gx, gy := f.Lab[j+1][0]-f.Lab[j-1][0], f.Lab[j+n][0]-f.Lab[j-n][0]
			xx += gx * gx
			xy += gx * gy
			yy += gy * gy
		}
	}
	// Of 25 points: the sums of c*c and b*b are 50.
	sd = math.Sqrt(math.Max(0, (ss-s*s/25-sx*sx/50-sy*sy/50)/22))
	if t := xx + yy; t > 0 {
		coherence = math.Sqrt((xx-yy)*(xx-yy)+4*xy*xy) / t
	}
	return sd, coherence
}
