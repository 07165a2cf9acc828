package features

import (
	"math"

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
	dark := floats.take(n * n)[:0]
	defer func() { floats.give(dark) }()
	for y := 1; y < n-1; y++ {
		for x := 1; x < n-1; x++ {
			i := y*n + x
			if !f.usable(i) {
				continue
			}
			// The mean of nine pixels: noise would make the least of them dark.
			up, mid, down := f.Linear[i-n-1:i-n+2], f.Linear[i-1:i+2], f.Linear[i+n-1:i+n+2]
			least := math.Inf(1)
			for q := range 3 {
				least = math.Min(least, up[0][q]+up[1][q]+up[2][q]+mid[0][q]+mid[1][q]+mid[2][q]+down[0][q]+down[1][q]+down[2][q])
			}
			dark = append(dark, least)
		}
	}
	if len(dark) < 40 {
		return 0, false
	}
	return math.Max(0, math.Min(1, nth(dark, len(dark)*2/100)/9/paper)), true
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
	xs := f.columns()
	at, lab := ints.take(0), pairsPool.take(0) // pixels, and their mean a* and b*
	defer func() {
		floats.give(xs)
		ints.give(at)
		pairsPool.give(lab)
	}()
	for y := 1; y < n-1; y++ {
		for x := 1; x < n-1; x++ {
			i := y*n + x
			if int(p.Of[i]) != p.Base || !p.Pure[i] {
				continue
			}
			var m [2]float64
			c := 0.0
			for w := -n; w <= n; w += n {
				for j := i + w - 1; j <= i+w+1; j++ {
					if int(p.Of[j]) == p.Base {
						c++
						m[0] += f.Lab[j][1]
						m[1] += f.Lab[j][2]
					}
				}
			}
			m[0], m[1] = m[0]/c, m[1]/c
			px, py := xs[x], xs[y]
			t := [terms]float64{1, px, py, px * px, px * py, py * py}
			for r := range t {
				for s := r; s < terms; s++ {
					a[r][s] += t[r] * t[s]
				}
				b[1][r] += t[r] * m[0]
				b[2][r] += t[r] * m[1]
			}
			at, lab = append(at, int32(i)), append(lab, m)
		}
	}
	if len(at) < 60 {
		return 0, false
	}
	for r := range a {
		for s := range r {
			a[r][s] = a[s][r]
		}
		a[r][r] += 1e-6 * float64(len(at))
	}
	var coef [3][terms]float64
	for q := 1; q < len(coef); q++ {
		coef[q] = solveSymmetric(a, b[q])
	}
	d := floats.zeroed(len(at))
	defer floats.give(d)
	for k, i := range at {
		px, py := xs[int(i)%n], xs[int(i)/n]
		t := [terms]float64{1, px, py, px * px, px * py, py * py}
		for q := 1; q < len(coef); q++ {
			r := lab[k][q-1]
			for s := range t {
				r -= coef[q][s] * t[s]
			}
			d[k] += r * r
		}
	}
	return math.Sqrt(middle(d)), true
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
	const reach = 3
	// Usable pixels with nothing else within reach; of them, those of strong
	// colour with nothing but strong colour within reach. The rest of the work is
	// for marbles that have enough of it.
	usable, strong := bytes.zeroed(n*n), bytes.zeroed(n*n)
	chromas := floats.take(n * n)
	defer func() {
		bytes.give(usable, strong)
		floats.give(chromas)
	}()
	for i := range usable {
		if f.usable(i) {
			usable[i] = 1
			chromas[i] = chroma(f.Lab[i])
			strong[i] = one(chromas[i] > grainChroma)
		}
	}
	inner, within := bytes.zeroed(n*n), bytes.zeroed(n*n)
	defer func() { bytes.give(inner, within) }()
	allWithin(n, usable, inner, reach)
	allWithin(n, strong, within, reach)
	count := 0
	places, seen := ints.take(0), ints.take(0)
	defer func() { ints.give(places, seen) }()
	for i := range inner {
		if inner[i] == 0 {
			continue
		}
		seen = append(seen, int32(i))
		count += int(strong[i])
		// Away from where the colour ends: grain has darker and paler spots, but
		// one hue.
		if within[i] == 1 && oneHueAround(f, chromas, i, reach) {
			places = append(places, int32(i))
		}
	}
	if float64(count) < grainAreaLeast*math.Pi*f.Radius*f.Radius || len(places) < 60 {
		return Figure{Absent: "too little strong colour is seen"}
	}
	vary, run := roughness(f, seen)
	defer floats.give(vary, run)
	rough := floats.take(len(seen))
	defer floats.give(rough)
	for k, i := range seen {
		rough[k] = vary[i]
	}
	floor := math.Sqrt(nth(rough, len(rough)/5))
	grainy := 0
	for _, i := range places {
		if math.Sqrt(vary[i]) > math.Max(grainLeast, grainOverNoise*floor) && run[i] < 0.75 {
			grainy++
		}
	}
	return Figure{Value: float64(grainy) / float64(len(places))}
}

// allWithin sets out where all pixels of the square of half side reach are set
// in in, both 0 or 1.
func allWithin(n int, in, out []uint8, reach int) {
	// The length of the run that ends at each place of a row; then how many rows
	// up have one long enough.
	rows := bytes.zeroed(n)
	defer bytes.give(rows)
	side := uint8(2*reach + 1)
	for y := range n {
		run := uint8(0)
		for x := range n {
			if run++; in[y*n+x] == 0 {
				run = 0
			} else if run > side {
				run = side
			}
			c := x - reach
			if c < 0 {
				continue
			}
			if run < side {
				rows[c] = 0
				continue
			}
			if rows[c]++; rows[c] >= side {
				rows[c] = side
				out[(y-reach)*n+c] = 1
			}
		}
	}
}

// oneHueAround says that strong colours within reach are of one hue.
func oneHueAround(f *Face, chromas []float64, i, reach int) bool {
	n := f.Size
	a0, b0, c0 := f.Lab[i][1], f.Lab[i][2], chromas[i]
	for b := -reach; b <= reach; b++ {
		for j := i + b*n - reach; j <= i+b*n+reach; j++ {
			if a0*f.Lab[j][1]+b0*f.Lab[j][2] < oneHue*c0*chromas[j] {
				return false
			}
		}
	}
	return true
}

// roughness gives, at the pixels asked for, the variance of lightness about a
// plane over 5 x 5 pixels, and how much its gradients run one way (coherence of
// the structure tensor, 0 all ways to 1 one way). Buffers are lent.
func roughness(f *Face, at []int32) (variance, coherence []float64) {
	n := f.Size
	variance, coherence = floats.take(n*n), floats.take(n*n)
	// Sums along rows of five first: of lightness, lightness times place,
	// lightness squared, and the products of gradients.
	rows := rowSums.take(n * n)
	defer rowSums.give(rows)
	done := flags.zeroed(n * n)
	defer flags.give(done)
	row := func(i int) *[6]float64 {
		s := &rows[i]
		if done[i] {
			return s
		}
		done[i] = true
		*s = [6]float64{}
		for c := -2; c <= 2; c++ {
			j := i + c
			v := f.Lab[j][0]
			gx, gy := f.Lab[j+1][0]-f.Lab[j-1][0], f.Lab[j+n][0]-f.Lab[j-n][0]
			s[0] += v
			s[1] += float64(c) * v
			s[2] += v * v
			s[3] += gx * gx
			s[4] += gx * gy
			s[5] += gy * gy
		}
		return s
	}
	for _, i := range at {
		var s, sx, sy, ss, xx, xy, yy float64
		for b := -2; b <= 2; b++ {
			r := row(int(i) + b*n)
			s += r[0]
			sx += r[1]
			sy += float64(b) * r[0]
			ss += r[2]
			xx += r[3]
			xy += r[4]
			yy += r[5]
		}
		// Of 25 points: the sums of c*c and b*b are 50.
		variance[i] = math.Max(0, (ss-s*s/25-sx*sx/50-sy*sy/50)/22)
		coherence[i] = 0
		if t := xx + yy; t > 0 {
			coherence[i] = math.Sqrt((xx-yy)*(xx-yy)+4*xy*xy) / t
		}
	}
	return variance, coherence
}

var rowSums buffers[[6]float64]
