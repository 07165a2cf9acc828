package features

import (
	"math"

	"tawsight/internal/colour"
	"tawsight/internal/kernels"
	"tawsight/internal/order"
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
	dark := floats.list(n * n)
	defer func() { floats.give(dark) }()
	step := f.lattice()
	for y := 1; y < n-1; y += step {
		for x := 1; x < n-1; x += step {
			i := y*n + x
			if !f.usable(i) {
				continue
			}
			// The mean of nine pixels: noise would make the least of them dark.
			u, m, d := (*[3][3]float64)(f.Linear[i-n-1:]), (*[3][3]float64)(f.Linear[i-1:]), (*[3][3]float64)(f.Linear[i+n-1:])
			dark = append(dark, min(
				u[0][0]+u[1][0]+u[2][0]+m[0][0]+m[1][0]+m[2][0]+d[0][0]+d[1][0]+d[2][0],
				u[0][1]+u[1][1]+u[2][1]+m[0][1]+m[1][1]+m[2][1]+d[0][1]+d[1][1]+d[2][1],
				u[0][2]+u[1][2]+u[2][2]+m[0][2]+m[1][2]+m[2][2]+d[0][2]+d[1][2]+d[2][2]))
		}
	}
	if len(dark)*step*step < 40 {
		return 0, false
	}
	return math.Max(0, math.Min(1, order.Nth(dark, len(dark)*2/100)/9/paper)), true
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
	at, lab := ints.list(n*n), pairsPool.list(n*n) // pixels, and their mean a* and b*
	defer func() {
		floats.give(xs)
		ints.give(at)
		pairsPool.give(lab)
	}()
	step := f.lattice()
	for y := 1; y < n-1; y += step {
		for x := 1; x < n-1; x += step {
			i := y*n + x
			if int(p.Of[i]) != p.Base || !p.Pure[i] {
				continue
			}
			var ma, mb, c float64
			for j := i - n; j <= i+n; j += n {
				of, l := p.Of[j-1:j+2], (*[3][3]float64)(f.Lab[j-1:])
				for k, o := range of {
					if int(o) == p.Base {
						ma, mb, c = ma+l[k][1], mb+l[k][2], c+1
					}
				}
			}
			m := [2]float64{ma / c, mb / c}
			px, py := xs[x], xs[y]
			xx, xy, yy := px*px, px*py, py*py
			t := [terms]float64{1, px, py, xx, xy, yy}
			// Row by row of what t's products add up to.
			s := &a
			s[0][0]++
			s[0][1] += px
			s[0][2] += py
			s[0][3] += xx
			s[0][4] += xy
			s[0][5] += yy
			s[1][3] += px * xx
			s[1][4] += px * xy
			s[1][5] += px * yy
			s[2][5] += py * yy
			s[3][3] += xx * xx
			s[3][4] += xx * xy
			s[3][5] += xx * yy
			s[4][5] += xy * yy
			s[5][5] += yy * yy
			for r := range t {
				b[1][r] += t[r] * m[0]
				b[2][r] += t[r] * m[1]
			}
			at, lab = append(at, int32(i)), append(lab, m)
		}
	}
	if len(at)*step*step < 60 {
		return 0, false
	}
	// The rest are those again.
	a[1][1], a[1][2], a[2][2] = a[0][3], a[0][4], a[0][5]
	a[2][3], a[2][4], a[4][4] = a[1][4], a[1][5], a[3][5]
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
	return math.Sqrt(order.Median(d)), true
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
	room := max(n*n, kernels.LargestRoom(n, n-2*reach, 2*reach+1))
	unusable, weak := bytes.take(room), bytes.take(room)
	chromas := floats.take(n * n)
	defer func() {
		bytes.give(unusable, weak)
		floats.give(chromas)
	}()
	const tooLittle = "too little strong colour is seen"
	least := grainAreaLeast * math.Pi * f.Radius * f.Radius
	coloured := 0
	for i := range chromas {
		unusable[i], weak[i], chromas[i] = 1, 1, 0
		if f.usable(i) {
			unusable[i] = 0
			l := &f.Lab[i]
			if c2 := l[1]*l[1] + l[2]*l[2]; c2 > grainChroma*grainChroma {
				chromas[i], weak[i] = math.Sqrt(c2), 0
				coloured++
			}
		}
	}
	if float64(coloured) < least {
		return Figure{Absent: tooLittle}
	}
	// Of the square about each pixel, at its first.
	kernels.Largest(unusable, n, n-2*reach, 2*reach+1)
	kernels.Largest(weak, n, n-2*reach, 2*reach+1)
	// Textures are read over 5 x 5 pixels, so that neighbours say the same.
	step := f.lattice()
	count := 0
	places, seen := ints.list(n*n), ints.list(n*n) // places are numbers of those seen
	defer func() { ints.give(places, seen) }()
	for y := reach; y < n-reach; y += step {
		for i := y*n + reach; i < (y+1)*n-reach; i += step {
			square := i - reach*n - reach
			if unusable[square] != 0 {
				continue
			}
			if chromas[i] > 0 {
				count++
			}
			// Away from where the colour ends: grain has darker and paler spots, but
			// one hue.
			if weak[square] == 0 && oneHueAround(f, chromas, i, reach) {
				places = append(places, int32(len(seen)))
			}
			seen = append(seen, int32(i))
		}
	}
	if float64(count*step*step) < least || len(places)*step*step < 60 {
		return Figure{Absent: tooLittle}
	}
	vary := roughness(f, seen)
	rough := floats.take(len(seen))
	defer floats.give(vary, rough)
	copy(rough, vary)
	limit := math.Max(grainLeast, grainOverNoise*math.Sqrt(order.Nth(rough, len(rough)/5)))
	grainy := 0
	for _, k := range places {
		if vary[k] > limit*limit && coherence(f, int(seen[k])) < 0.75 {
			grainy++
		}
	}
	return Figure{Value: float64(grainy) / float64(len(places))}
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

// roughness gives, for each of the pixels at, the variance of lightness about a
// plane over 5 x 5 pixels; they lie three pixels or more from the face's border.
// The buffer is lent.
func roughness(f *Face, at []int32) []float64 {
	n := f.Size
	out := floats.take(len(at))
	// Sums along rows of five first: of lightness, lightness times place and
	// lightness squared.
	rows := triples.take(n * n)
	defer triples.give(rows)
	done := flags.zeroed(n * n)
	defer flags.give(done)
	for k, i := range at {
		var s, sx, sy, ss float64
		for b := -2; b <= 2; b++ {
			j := int(i) + b*n
			r := &rows[j]
			if !done[j] {
				done[j] = true
				l := (*[5][3]float64)(f.Lab[j-2:])
				v0, v1, v2, v3, v4 := l[0][0], l[1][0], l[2][0], l[3][0], l[4][0]
				*r = [3]float64{v0 + v1 + v2 + v3 + v4, 2*(v4-v0) + v3 - v1, v0*v0 + v1*v1 + v2*v2 + v3*v3 + v4*v4}
			}
			s += r[0]
			sx += r[1]
			sy += float64(b) * r[0]
			ss += r[2]
		}
		// Of 25 points: the sums of c*c and b*b are 50.
		out[k] = math.Max(0, (ss-s*s/25-sx*sx/50-sy*sy/50)/22)
	}
	return out
}

// coherence is how much the gradients of lightness about pixel i, over 5 x 5
// pixels, run one way (of the structure tensor, 0 all ways to 1 one way).
func coherence(f *Face, i int) float64 {
	n := f.Size
	var xx, xy, yy float64
	for b := -2; b <= 2; b++ {
		for j := i + b*n - 2; j <= i+b*n+2; j++ {
			gx, gy := f.Lab[j+1][0]-f.Lab[j-1][0], f.Lab[j+n][0]-f.Lab[j-n][0]
			xx += gx * gx
			xy += gx * gy
			yy += gy * gy
		}
	}
	t := xx + yy
	if t == 0 {
		return 0
	}
	return math.Sqrt((xx-yy)*(xx-yy)+4*xy*xy) / t
}
