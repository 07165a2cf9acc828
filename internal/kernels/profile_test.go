package kernels

import (
	"math"
	"math/rand/v2"
	"testing"
)

// twinSearch is Reader.Profile in plain Go, one number after the other.
type twinSearch struct{ Search }

// steps finds the sharp departures from a straight line through what lies just
// further out, outermost first.
//
// The outermost changes are wanted, not the strongest: inside the outline lie
// the dark ring of refraction, ribbons and reflections, all stronger.
func (ss twinSearch) steps(p []float64) (out []Step) {
	m, wn, gn, in := len(p)/3, ss.Window, ss.Gap, ss.Inward
	if wn < 8 || m < wn+gn+in+2 {
		return out
	}
	// Running sums over the window, and the least-squares line from them.
	var s0, s1, s2 [3]float64
	for j := 0; j < wn; j++ {
		for k := range s0 {
			v := p[3*j+k]
			s0[k] += v
			s1[k] += float64(j) * v
			s2[k] += v * v
		}
	}
	nw := float64(wn)
	mx, sxx := (nw-1)/2, nw*(nw*nw-1)/12
	run := 0
	for i := wn + gn; i+in < m && len(out) < MostSteps; i++ {
		from := i - gn - wn
		var line line3
		var off, sxy [3]float64
		far := 0.0
		for k := range s0 {
			sxy[k] = s1[k] - mx*s0[k]
			line.b[k] = sxy[k] / sxx
			line.a[k] = s0[k]/nw - line.b[k]*mx
			off[k] = p[3*i+k] - line.at(k, float64(wn+gn))
			far += off[k] * off[k]
		}
		// What departs by less than the least noise there is needs no more asking.
		quiet := far < ss.Onset*ss.Onset*ss.NoiseFloor*ss.NoiseFloor
		var noise2 [3]float64
		d := 0.0
		for k := range s0 {
			if !quiet {
				noise2[k] = (s2[k] - s0[k]*s0[k]/nw - line.b[k]*sxy[k]) / (nw - 2)
				if noise2[k] < ss.NoiseFloor*ss.NoiseFloor {
					noise2[k] = ss.NoiseFloor * ss.NoiseFloor
				}
				d += off[k] * off[k] / noise2[k]
			}
			// The window moves on.
			old, next := p[3*from+k], p[3*(from+wn)+k]
			s1[k] += (nw-1)*next - (s0[k] - old)
			s0[k] += next - old
			s2[k] += next*next - old*old
		}
		if d < ss.Onset*ss.Onset {
			run = 0
			continue
		}
		// A soft slope outside counts as noise: inside a shadow's edge the
		// straight line is only nearly right. A shadow that deepens ever faster
		// leaves it too, and follows a parabola.
		bend := bendOf(p[3*from:3*(from+wn)], float64(wn+gn))
		d = 0
		for k := range noise2 {
			e := off[k]
			if e*bend[k] > 0 && math.Abs(e-bend[k]) < math.Abs(e) {
				e -= bend[k]
			}
			d += e * e / noise2[k]
		}
		if d < ss.Onset*ss.Onset {
			run = 0
			continue
		}
		// Grain in a shadow is blotchy: what happens outside by itself must be
		// left well behind.
		peak := 0.0
		for j := 0; j < wn; j += 2 {
			e2 := 0.0
			for k := range noise2 {
				e := p[3*(from+j)+k] - line.at(k, float64(j))
				e2 += e * e / noise2[k]
			}
			if e2 > peak {
				peak = e2
			}
		}
		if d < ss.OverPeak*ss.OverPeak*peak {
			run = 0
			continue
		}
		if run++; run < 2 {
			continue
		}
		run = 0
		if s, to, ok := ss.measure(p, i-1); ok {
			out = append(out, s)
			// The next one needs paper outside it, or something as even.
			for ; i < to+gn && i+1+in < m; i++ {
				from := i + 1 - gn - wn
				for k := range s0 {
					old, next := p[3*from+k], p[3*(from+wn)+k]
					s1[k] += (nw-1)*next - (s0[k] - old)
					s0[k] += next - old
					s2[k] += next*next - old*old
				}
			}
		}
	}
	return out
}

// measure is the step whose first sample clear of the outside is o; to is where
// it is at its full height. ok is false for what is no step of glass.
func (ss twinSearch) measure(p []float64, o int) (s Step, to int, ok bool) {
	m, wn, gn := len(p)/3, ss.Window, ss.Gap
	from := o - gn - wn
	base, noise := ss.fitLine(p[3*from : 3*(o-gn)])
	dev := func(j int) (v [3]float64) {
		for k := range v {
			v[k] = p[3*j+k] - base.at(k, float64(j-from))
		}
		return v
	}
	// Height: the largest departure in the direction it first takes, within the
	// blur's reach.
	var dir [3]float64
	lim := min(o+ss.Inward, m-1)
	for j := o; j <= lim; j++ {
		v := dev(j)
		for k := range dir {
			dir[k] += v[k]
		}
	}
	l := math.Sqrt(dir[0]*dir[0] + dir[1]*dir[1] + dir[2]*dir[2])
	if l == 0 {
		return s, 0, false
	}
	for k := range dir {
		dir[k] /= l
	}
	// How far each sample departs that way, worked out once.
	first := max(0, o-gn-ss.Level)
	var room [128]float64
	away := room[:0]
	for j := first; j <= lim; j++ {
		v := dev(j)
		away = append(away, v[0]*dir[0]+v[1]*dir[1]+v[2]*dir[2])
	}
	q := func(j int) float64 { return away[j-first] }
	top, topAt := 0.0, o
	for j := o; j <= lim; j++ {
		if v := q(j); v > top {
			top, topAt = v, j
		}
	}
	// Where the paper darkens toward the marble already, a step that darkens
	// further must be more than the shadow going on.
	sure := top
	if b := base.b[0]; b < 0 && dir[0] < 0 {
		sure -= ss.Shadow * -b * float64(wn) * -dir[0]
	}
	if sure < ss.Least {
		return s, 0, false
	}
	// A step levels off within the blur; the slope of a shadow goes on.
	span, steep := ss.Level, 0.0
	for j := max(span, o-gn); j <= lim; j++ {
		steep = math.Max(steep, q(j)-q(j-span))
	}
	if q(lim)-q(lim-span) > ss.Levels*steep {
		return s, 0, false
	}
	cross := func(level float64) float64 {
		prev := q(max(0, o-gn))
		for j := max(1, o-gn+1); j <= topAt; j++ {
			v := q(j)
			if v >= level {
				if v == prev {
					return float64(j)
				}
				f := (level - prev) / (v - prev)
				return float64(j-1) + math.Max(0, math.Min(1, f))
			}
			prev = v
		}
		return float64(topAt)
	}
	sigma := math.Sqrt(dir[0]*dir[0]*noise[0]*noise[0] + dir[1]*dir[1]*noise[1]*noise[1] + dir[2]*dir[2]*noise[2]*noise[2])
	return Step{At: cross(0.5 * top), Strength: sure / sigma, Width: cross(0.9*top) - cross(0.1*top)}, topAt, true
}

type line3 struct{ a, b [3]float64 }

func (l *line3) at(k int, x float64) float64 { return l.a[k] + l.b[k]*x }

// fitLine is the least-squares line of each channel, and the scatter about it,
// never less than ss.NoiseFloor.
func (ss twinSearch) fitLine(p []float64) (l line3, noise [3]float64) {
	n := float64(len(p) / 3)
	mx := (n - 1) / 2
	sxx := n * (n*n - 1) / 12
	for k := range noise {
		var sy, sxy, syy float64
		for j := 0; 3*j < len(p); j++ {
			v := p[3*j+k]
			sy += v
			sxy += (float64(j) - mx) * v
			syy += v * v
		}
		l.b[k] = sxy / sxx
		l.a[k] = sy/n - l.b[k]*mx
		noise[k] = math.Max(ss.NoiseFloor, math.Sqrt(math.Max(0, (syy-sy*sy/n-l.b[k]*sxy)/math.Max(1, n-2))))
	}
	return l, noise
}

// bendOf is what a parabola through the samples adds to the straight line at
// position x (the second orthogonal polynomial on an even grid).
func bendOf(p []float64, x float64) (b [3]float64) {
	n := float64(len(p) / 3)
	m := (n - 1) / 2
	q := (n*n - 1) / 12
	norm := n * (n*n - 1) * (n*n - 4) / 180
	for j := 0; 3*j < len(p); j++ {
		t := float64(j) - m
		f := t*t - q
		for k := range b {
			b[k] += f * p[3*j+k]
		}
	}
	t := x - m
	for k := range b {
		b[k] *= (t*t - q) / norm
	}
	return b
}

func (ss twinSearch) slopes(p []float64) (out []Slope) {
	m, h := len(p)/3, ss.Apart
	if m < 2*h+3 {
		return nil
	}
	g := make([]float64, m)
	for i := h; i < m-h; i++ {
		for k := range 3 {
			d := p[3*(i+h)+k] - p[3*(i-h)+k]
			g[i] += d * d
		}
	}
	for i := h; i < m-h; i++ {
		top := g[i] >= ss.SlopeLeast*ss.SlopeLeast
		for j := max(h, i-h); j <= min(m-h-1, i+h); j++ {
			top = top && !(g[j] > g[i] || g[j] == g[i] && j < i)
		}
		if top {
			out = append(out, Slope{float64(i), math.Sqrt(g[i])})
		}
	}
	return out
}

// profile averages, and sets the paper outside to 1.
func (ss twinSearch) profile(raw []Sample, from *[5]int, n int) []float64 {
	p := make([]float64, 3*n)
	total := 0.0
	for j, at := range from {
		if at < 0 {
			continue
		}
		total += neighbours[j]
		for i := range n {
			for k := range 3 {
				p[3*i+k] += neighbours[j] * float64(raw[at+i][k])
			}
		}
	}
	paper := 0.0
	for i := range min(8, n) {
		paper += p[3*i] / 8
	}
	for i := range p {
		p[i] /= max(paper, 0.01*total)
	}
	return p
}

// edgeProfiles are five neighbouring profiles over noisy paper with a soft shadow, glass
// with its own steps inside, one after the other in raw.
func edgeProfiles(r *rand.Rand, n int) (raw []Sample) {
	shadow, at, depth, sigma := r.Float64()*0.3, float64(n)*(0.4+0.3*r.Float64()), 0.1+0.6*r.Float64(), 1+3*r.Float64()
	inner := at + 8 + 20*r.Float64()
	for range 5 {
		for i := range n {
			x := float64(i)
			l := 0.8 * (1 - shadow*math.Exp(-sq((x-at)/25)))
			l -= depth * (1 + math.Erf((x-at)/sigma)) / 2 * 0.8
			l += 0.4 * (1 + math.Erf((x-inner)/sigma)) / 2
			s := Sample{float32(l + 0.004*r.NormFloat64()), float32(0.002 * r.NormFloat64()), float32(0.003 * r.NormFloat64())}
			if x > at {
				s[1] += float32(0.1 * depth)
			}
			raw = append(raw, s)
		}
	}
	return raw
}

func sq(v float64) float64 { return v * v }

func TestProfileFindsWhatItsTwinDoes(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(1, 2))
		found, steep := 0, 0
		for round := range 600 {
			n := 60 + r.IntN(90)
			s := Search{Window: 8 + r.IntN(24), Gap: 1 + r.IntN(8), Inward: 2 + r.IntN(10), Level: 2 + r.IntN(2), Apart: 2 + r.IntN(4),
				NoiseFloor: 0.008, Onset: 5, OverPeak: 2.6, Shadow: 1, Levels: 0.65, Least: 0.045, SlopeLeast: 0.06}
			raw := edgeProfiles(r, n)
			from := [5]int{0, n, 2 * n, 3 * n, 4 * n}
			for k := range from {
				if k != 2 && r.IntN(6) == 0 {
					from[k] = -1
				}
			}
			var reader Reader
			reader.Look(s, n)
			steps, slopes := reader.Profile(raw, &from, n)
			twin := twinSearch{s}
			p := twin.profile(raw, &from, n)
			wantSteps, wantSlopes := twin.steps(p), twin.slopes(p)
			if len(steps) != len(wantSteps) || len(slopes) != len(wantSlopes) {
				t.Fatalf("round %d: %d steps and %d steep places, its twin has %d and %d", round, len(steps), len(slopes), len(wantSteps), len(wantSlopes))
			}
			for i, w := range wantSteps {
				if g := steps[i]; !near(g.At, w.At, 1e-6) || !near(g.Strength, w.Strength, 1e-6) || !near(g.Width, w.Width, 1e-6) {
					t.Errorf("round %d: step %v, its twin has %v", round, g, w)
				}
			}
			for i, w := range wantSlopes {
				if g := slopes[i]; g.At != w.At || !near(g.Height, w.Height, 1e-9) {
					t.Errorf("round %d: steep place %v, its twin has %v", round, g, w)
				}
			}
			found, steep = found+len(steps), steep+len(slopes)
		}
		if found < 300 || steep < 600 {
			t.Errorf("only %d steps and %d steep places to compare", found, steep)
		}
	})
}

func TestAlongReadsBetweenPixels(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(3, 4))
		const w, h = 17, 11
		patch := make([]Sample, w*h)
		for i := range patch {
			patch[i] = Sample{r.Float32(), r.Float32(), r.Float32()}
		}
		for range 50 {
			// Some of these lines begin or end beyond the patch, whose border goes on.
			out := make([]Sample, 20)
			x, y, dx, dy := r.Float64()*24-4, r.Float64()*16-3, r.NormFloat64()*0.6, r.NormFloat64()*0.6
			Along(out, patch, w, x, y, dx, dy)
			for i, got := range out {
				u := math.Max(0, math.Min(w-1, x+float64(i)*dx))
				v := math.Max(0, math.Min(h-1, y+float64(i)*dy))
				for k := range 3 {
					want := bilinear(u, v, func(x, y int) float64 { return float64(patch[min(y, h-1)*w+min(x, w-1)][k]) })
					if !near(float64(got[k]), want, 1e-5) {
						t.Fatalf("%v at %.3f, %.3f, should be %v", got, u, v, want)
					}
				}
			}
		}
	})
}

func TestPatchRowAddsUpWhatCodesSay(t *testing.T) {
	both(t, func(t *testing.T) {
		r := rand.New(rand.NewPCG(5, 6))
		var table CodeTable
		for c := range table {
			for i := range table[c] {
				table[c][i] = Sample{r.Float32(), r.Float32(), r.Float32()}
			}
		}
		bgr := make([]uint8, 3*33)
		for i := range bgr {
			bgr[i] = uint8(r.IntN(256))
		}
		out := make([]Sample, 33)
		PatchRow(out, bgr, 0, &table)
		for i := range out {
			a, b, c := &table[0][bgr[3*i+2]], &table[1][bgr[3*i+1]], &table[2][bgr[3*i]]
			for k := range 4 {
				if want := a[k] + b[k] + c[k]; out[i][k] != want {
					t.Fatalf("pixel %d: %v, should be %v", i, out[i][k], want)
				}
			}
		}
	})
}
