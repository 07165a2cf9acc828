package features

import "math"

// localFrame carries the picture's x and y directions from the middle of the
// face to direction d along the great circle between them (parallel
// transport), so that directions at different places can be compared.
func localFrame(d [3]float64) (ex, ey [3]float64) {
	// The least rotation that takes (0, 0, 1) to d (Rodrigues).
	k := 1 / (1 + d[2])
	ex = [3]float64{1 - k*d[0]*d[0], -k * d[0] * d[1], -d[0]}
	ey = [3]float64{-k * d[0] * d[1], 1 - k*d[1]*d[1], -d[1]}
	return ex, ey
}

// axialVariance is the circular variance of axial directions (a direction and
// its opposite are one), 0..1: 1 - |sum w exp(2 i angle)| / sum w; K. V. Mardia
// and P. E. Jupp, Directional Statistics (2000), section 2.3 and 9.1. Angles
// in radians; NaN without weight.
func axialVariance(angle, weight []float64) float64 {
	var c, s, w float64
	for i, a := range angle {
		c += weight[i] * math.Cos(2*a)
		s += weight[i] * math.Sin(2*a)
		w += weight[i]
	}
	if w == 0 {
		return math.NaN()
	}
	return 1 - math.Hypot(c, s)/w
}

// orientations are the smoothed borders' headings in the local frame, radians, and the
// length (radii, along the sphere) that each stands for. Borders run as the
// ribbons do, and don't depend on how a middle line is thinned.
// The buffers are lent.
func orientations(borders []borderLine) (angle, weight []float64) {
	most := 0
	for _, b := range borders {
		most += len(b.at)
	}
	angle, weight = floats.list(most), floats.list(most)
	for _, b := range borders {
		dir := b.unrolled(1)
		for i := 1; i < len(dir); i++ {
			u, v := dir[i-1], dir[i]
			t := [3]float64{v[0] - u[0], v[1] - u[1], v[2] - u[2]}
			ex, ey := localFrame(unit3([3]float64{u[0] + v[0], u[1] + v[1], u[2] + v[2]}))
			angle = append(angle, math.Atan2(dot3(t, ey), dot3(t, ex)))
			weight = append(weight, arc(u, v))
		}
		triples.give(dir)
	}
	return angle, weight
}

const (
	// straightR is the length over which straightness is judged, radii.
	straightR = 0.6
	// axisOffR, axisNearR (radii) and axisDeg: see axisLine.
	axisOffR, axisNearR, axisDeg = 0.1, 0.15, 15.0
)

// axisLine is how much of a straight line through the middle of the disc, from
// rim to rim, is a slit of base between two borders (smoothed), 0..1: the largest share
// over 60 directions and offsets within axisOffR of the middle. A border
// counts where it lies within axisNearR of the line and runs within axisDeg of
// its direction; a slit is where two count that have base between them. Vanes end
// short of the axis that they stand about, and the axis is seen as a line
// through the middle whichever way the marble lies.
func axisLine(borders []borderLine) float64 {
	const directions, offsets, bins = 60, 5, 24
	// Borders that run either way, by the twelfth of half a turn they run in:
	// axisDeg wide, so that those that count for a direction lie in three of them.
	const sectors = int(180 / axisDeg)
	most := 0
	for _, l := range borders {
		most += len(l.at)
	}
	found, marks, in := markPool.list(most), markPool.take(most), ints.list(most)
	defer func() {
		markPool.give(found, marks)
		ints.give(in)
	}()
	var from [sectors + 2]int // where each sector begins, one place on while they are filled
	for _, l := range borders {
		l := l.at
		for i := 2; i+2 < len(l); i++ {
			q := borderMark{l[i][0], l[i][1], math.Atan2(l[i+2][1]-l[i-2][1], l[i+2][0]-l[i-2][0])}
			k := (int(math.Floor(q.angle/math.Pi*float64(sectors))) + 2*sectors) % sectors
			found, in = append(found, q), append(in, int32(k))
			from[k+2]++
		}
	}
	for k := range sectors {
		from[k+2] += from[k+1]
	}
	for i, q := range found {
		k := in[i]
		marks[from[k+1]] = q
		from[k+1]++
	}
	var offs [offsets]float64
	var lowest, highest [offsets][bins]float64
	for o := range offsets {
		offs[o] = axisOffR * (2*float64(o)/(offsets-1) - 1)
		for b := range bins {
			lowest[o][b], highest[o][b] = math.Inf(-1), math.Inf(1)
		}
	}
	best := 0
	for d := range directions {
		a := math.Pi * float64(d) / directions
		s, c := math.Sincos(a)
		// Furthest borders of each bin: below the slit, that is with the ribbon
		// towards smaller rho (they run against the direction), and above it.
		below, above := highest, lowest
		sector := d * sectors / directions
		for k := sector + sectors - 1; k <= sector+sectors+1; k++ {
			for i := from[k%sectors]; i < from[k%sectors+1]; i++ {
				q := &marks[i]
				rho := c*q.y - s*q.x
				if math.Abs(rho) > axisOffR+axisNearR {
					continue
				}
				along := true
				turn := q.angle - a // from -2 pi to pi
				if turn < -math.Pi {
					turn += 2 * math.Pi
				}
				turn = math.Abs(turn)
				if turn > math.Pi/2 {
					along, turn = false, math.Pi-turn
				}
				if turn > axisDeg*math.Pi/180 {
					continue
				}
				t := c*q.x + s*q.y
				b := int((t + borderWithin) / (2 * borderWithin) * bins)
				if b < 0 || b >= bins {
					continue
				}
				for o, off := range offs {
					if math.Abs(rho-off) > axisNearR {
						continue
					}
					if along {
						above[o][b] = max(above[o][b], rho)
					} else {
						below[o][b] = min(below[o][b], rho)
					}
				}
			}
		}
		for o := range offsets {
			n := 0
			for b, lo := range &below[o] {
				if lo < above[o][b] {
					n++
				}
			}
			best = max(best, n)
		}
	}
	return float64(best) / bins
}

// borderMark is a place of a border and its heading, radians.
type borderMark struct{ x, y, angle float64 }

var markPool buffers[borderMark]

// straightness is how straight smoothed borders run across the disc, 0..1: the mean of
// chord over length for pieces of straightR, taken from 2/pi (a half circle)
// to 1. Both are measured along the sphere, a chord being part of a great
// circle. ok is false where no border is so long.
func straightness(borders []borderLine) (v float64, ok bool) {
	sum, n := 0.0, 0
	for _, l := range borders {
		dir := l.unrolled(int(straightR/stepR) + 2)
		s := reach(floats.take(len(dir)), dir)
		j := 0
		for i := range s {
			for j < len(s) && s[j]-s[i] < straightR {
				j++
			}
			if j == len(s) {
				break
			}
			sum += arc(dir[i], dir[j]) / (s[j] - s[i])
			n++
		}
		floats.give(s)
		triples.give(dir)
	}
	if n == 0 {
		return 0, false
	}
	const half = 2 / math.Pi
	return math.Max(0, (sum/float64(n)-half)/(1-half)), true
}
