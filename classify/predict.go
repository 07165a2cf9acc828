package classify

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
)

// strangeFloor is the least variance between sets, in squared spreads, that is
// expected of sets not yet seen, also in features in which the known ones don't
// differ.
const strangeFloor = 0.3

// farOut is how many times as far from its set as any labelled marble a figure
// must be to tell a stranger by itself.
const farOut = 1.5

// seen is a marble laid out for computing: the features it has of those used.
type seen struct {
	at    []int // among the used
	x     []float64
	noise []float64 // variance of measuring, in squared spreads: 1/sure - 1
	exact bool      // nothing is missing and no noise
}

func (p *prepared) see(x, sure []float64) seen {
	s := seen{at: make([]int, 0, len(p.used)), x: make([]float64, 0, len(p.used)), noise: make([]float64, 0, len(p.used)), exact: true}
	for j, u := range p.used {
		if math.IsNaN(x[u]) {
			s.exact = false
			continue
		}
		n := 1/sure[u] - 1
		if n > 0 {
			s.exact = false
		}
		s.at, s.x, s.noise = append(s.at, j), append(s.x, x[u]), append(s.noise, n)
	}
	return s
}

// covariance of what is seen, in spreads, with extra on the diagonal.
func (p *prepared) covariance(s seen, extra func(j int) float64) []float64 {
	n := len(s.at)
	l := make([]float64, n*n)
	raw := p.corr.RawSymmetric()
	for a, j := range s.at {
		row := l[a*n : a*n+n]
		for b := range a {
			row[b] = raw.Data[s.at[b]*raw.Stride+j] // upper triangle
		}
		row[a] = 1 + s.noise[a]
		if extra != nil {
			row[a] += extra(j)
		}
	}
	return l
}

// factor is the Cholesky factor of the covariance of what is seen; nil where
// features are independent.
func (p *prepared) factor(s seen) []float64 {
	if p.corr == nil {
		return nil
	}
	if s.exact {
		return p.chol
	}
	l := p.covariance(s, nil)
	factorize(l, len(s.at))
	return l
}

// square is the squared distance of e under the covariance with the factor l;
// e is overwritten.
func (s seen) square(l, e []float64) float64 {
	d := 0.0
	if l == nil {
		for a, v := range e {
			d += v * v / (1 + s.noise[a])
		}
		return d
	}
	forward(l, len(e), e)
	return floats.Dot(e, e)
}

// closeness is the squared distance of a marble to each set (to the nearest of
// its centroids) and the logarithm of its likelihood there, but for what is the
// same for all sets; and which component was the nearest.
func (p *prepared) closeness(s seen, l []float64) (d2, ll []float64, nearest []int) {
	d2, ll, nearest = make([]float64, p.sets), make([]float64, p.sets), make([]int, p.sets)
	for c := range d2 {
		d2[c], ll[c] = math.Inf(1), math.Inf(-1)
	}
	e := make([]float64, len(s.at))
	for c, one := range p.comp {
		logs := 0.0
		for a, j := range s.at {
			e[a] = clip((s.x[a] - one.mean[j]) / (p.spread[j] * math.Sqrt(one.widen[j])))
			logs += one.logW[j]
		}
		d := s.square(l, e)
		k := one.set
		if d < d2[k] {
			d2[k], nearest[k] = d, c
		}
		v := math.Log(one.share) - 0.5*(d+logs)
		if math.IsInf(ll[k], -1) {
			ll[k] = v
		} else {
			ll[k] = logSumExp([]float64{ll[k], v})
		}
	}
	return d2, ll, nearest
}

// strangeness of a marble to some sets (+Inf to the others): the logarithm of how much likelier it is
// for a marble of a set not yet known, sets being spread about their common
// mean as the known ones are, than for one of this set. Both have the same
// spread within. It weighs most the directions in which sets differ much and
// a set's marbles little. A single figure counts as no more than [outlier]
// spreads, but for what is far beyond anything labelled: half the square of its
// excess over farOut times the farthest of any marble from its own set comes on
// top.
func (p *prepared) strangeness(s seen, sets ...int) []float64 {
	n := len(s.at)
	l, base := p.chol, []float64(nil)
	if !s.exact {
		base = p.covariance(s, nil)
		l = slices.Clone(base)
		factorize(l, n)
	}
	own := logDiagonal(l, n)
	out := make([]float64, p.sets)
	for c := range out {
		out[c] = math.Inf(1)
	}
	e, e0 := make([]float64, n), make([]float64, n)
	for _, one := range p.comp {
		if !slices.Contains(sets, one.set) {
			continue
		}
		h, beyond := one.any, 0.0
		if !s.exact || h == nil {
			if base == nil {
				base = p.covariance(s, nil)
			}
			h = slices.Clone(base)
			for a, j := range s.at {
				h[a*n+a] += p.apart(one, j)
			}
			factorize(h, n)
		}
		for a, j := range s.at {
			w := p.spread[j] * math.Sqrt(one.widen[j])
			e[a], e0[a] = clip((s.x[a]-one.mean[j])/w), clip((s.x[a]-p.centre[j])/w)
			if d := math.Abs(s.x[a]-one.mean[j])/(p.spread[j]*math.Sqrt(1+s.noise[a])) - farOut*p.far[j]; d > 0 {
				beyond += d * d / 2
			}
		}
		v := beyond + 0.5*s.square(l, e) + own - 0.5*s.square(h, e0) - logDiagonal(h, n) - math.Log(one.share)
		out[one.set] = math.Min(out[one.set], v)
	}
	return out
}

// apart is the variance between sets in units of a component's own.
func (p *prepared) apart(one component, j int) float64 {
	return math.Max(p.b[j]/one.widen[j], strangeFloor)
}

// keep stores what strangeness needs of a marble of which all is known.
func (p *prepared) keep() {
	s := seen{exact: true, noise: make([]float64, len(p.used))}
	for j := range p.used {
		s.at = append(s.at, j)
	}
	for c := range p.comp {
		one := &p.comp[c]
		one.any = p.covariance(s, func(j int) float64 { return p.apart(*one, j) })
		factorize(one.any, len(s.at))
	}
}

func logDiagonal(l []float64, n int) float64 {
	sum := 0.0
	for a := range n {
		sum += math.Log(l[a*n+a])
	}
	return sum
}

// judged is what the model finds of a marble before calibration.
type judged struct {
	s       seen
	l       []float64
	d2, ll  []float64 // by set; +Inf, -Inf where it can't be compared
	nearest []int
	used    []int // features shared with the set
	strange []float64
}

// comparable says which sets share enough with what is seen.
func (p *prepared) comparable(s seen) (used []int, err error) {
	have := len(s.at)
	if have == 0 || float64(have) < MinShare*float64(len(p.used)) {
		return nil, fmt.Errorf("%w: %d of %d", ErrTooFewFeatures, have, len(p.used))
	}
	used = make([]int, p.sets)
	found := false
	for c := range used {
		for _, j := range s.at {
			if p.count[c][j] > 0 {
				used[c]++
			}
		}
		found = found || float64(used[c]) >= MinShare*float64(have)
	}
	if !found {
		return nil, fmt.Errorf("%w: no set has enough of the %d that were", ErrTooFewFeatures, have)
	}
	return used, nil
}

func (p *prepared) judge(s seen) judged {
	j := judged{s: s, l: p.factor(s)}
	j.d2, j.ll, j.nearest = p.closeness(s, j.l)
	return j
}

func (j *judged) bar(used []int) {
	j.used = used
	for c, u := range used {
		if float64(u) < MinShare*float64(len(j.s.at)) {
			j.d2[c], j.ll[c] = math.Inf(1), math.Inf(-1)
		}
	}
}

// scores are the scores that calibration works on: minus twice the log
// likelihood.
func scores(ll []float64) []float64 {
	out := make([]float64, len(ll))
	for c, v := range ll {
		out[c] = -2 * v
	}
	return out
}

// Predict compares a marble with the sets. Values that are absent are left out
// of the comparison: likelihoods are those of the values that are there. The
// error wraps [ErrTooFewFeatures] when less than [MinShare] of the usable
// features are there, and is plain when a value is not finite.
func (m *Model) Predict(values map[string]float64) (Prediction, error) {
	return m.PredictReading(Reading{Values: values})
}

// PredictReading is [Model.Predict] of values that are known to be more or less
// sure: one of sureness s counts with the feature's variance divided by s, and
// below 0.01 as not measured.
func (m *Model) PredictReading(r Reading) (Prediction, error) {
	x, sure, err := reading(m.Features, r)
	if err != nil {
		return Prediction{}, fmt.Errorf("classify: %w", err)
	}
	return m.predict(x, sure)
}

func (m *Model) predict(x, sure []float64) (Prediction, error) {
	s := m.p.see(x, sure)
	used, err := m.p.comparable(s)
	if err != nil {
		return Prediction{}, err
	}
	j := m.p.judge(s)
	j.bar(used)
	return m.conclude(j), nil
}

// judgedSets is of how many sets, the likeliest, it is worked out how strange a
// marble is to them.
const judgedSets = 2

// conclude calibrates what was found and gives reasons.
func (m *Model) conclude(j judged) Prediction {
	score := scores(j.ll)
	order := make([]int, len(score))
	for c := range order {
		order[c] = c
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(score[a], score[b]) })
	likely := order[:min(len(order), judgedSets)]
	j.strange = m.q.strangeness(j.s, likely...)
	prob := calibrated(score, m.Temperature, m.Steps)
	best, next := order[0], -1
	if len(order) > 1 && !math.IsInf(score[order[1]], 1) {
		next = order[1]
	}
	n := float64(len(j.s.at))
	p := Prediction{
		Label:       m.Sets[best].Label,
		Status:      Assigned,
		Probability: prob[best],
		Distance:    math.Sqrt(j.d2[best] / n),
		Used:        j.used[best],
	}
	if next >= 0 {
		p.RunnerUp, p.RunnerUpProbability = m.Sets[next].Label, prob[next]
		if prob[best] < DoubtfulRatio*prob[next] {
			p.Status = Doubtful
		}
	}
	for _, c := range order {
		if math.IsInf(score[c], 1) {
			continue
		}
		v := 0.0
		if slices.Contains(likely, c) {
			v = m.pValue(c, j.strange[c])
		}
		p.Sets = append(p.Sets, Likeness{m.Sets[c].Label, prob[c], math.Sqrt(j.d2[c] / n), v})
	}
	p.PValue = p.Sets[0].PValue
	// The level is one of the values that PValue takes: allow for rounding.
	if len(m.LeftOut) > 0 && p.PValue <= m.UnlikeAnyLevel()*(1+1e-12) {
		p.Status = UnlikeAny
	}
	p.Reasons = m.reasons(j, best, next, p.Status)
	return p
}

// pValue is the conformal p-value (V. Vovk, A. Gammerman and G. Shafer,
// "Algorithmic Learning in a Random World", 2005) of a marble's strangeness to a
// set, less what is typical of the set, so that broad and narrow sets can be
// counted together.
func (m *Model) pValue(c int, strange float64) float64 {
	n := len(m.LeftOut)
	if n == 0 {
		return 1
	}
	at, _ := slices.BinarySearch(m.LeftOut, strange-m.Sets[c].Typical)
	return float64(1+n-at) / float64(n+1)
}

func (m *Model) spreads() []float64 {
	out := make([]float64, len(m.Features))
	for j, f := range m.Features {
		out[j] = math.NaN()
		if s, ok := m.Spread[f.Name]; ok {
			out[j] = s
		}
	}
	return out
}

// reasons shares the difference of the squared distances to two sets (or, for
// a marble unlike any set, the squared distance to the nearest) among the
// features, so that nothing is said twice: first comes the feature that decides
// most by itself, then the one that adds most to what is already named, and so
// on. The parts are those of the chain rule of the likelihood, so they sum to
// the whole; of two features that go together the second has only what the
// first does not say. In algebra it is a Cholesky factorisation that chooses
// its pivots by the parts.
func (m *Model) reasons(j judged, best, next int, status string) []Reason {
	if next < 0 && status != UnlikeAny {
		return nil // one set only: there is no other to decide against
	}
	p, n := m.p, len(j.s.at)
	diff := func(set int) []float64 {
		one := p.comp[j.nearest[set]]
		e := make([]float64, n)
		for a, i := range j.s.at {
			e[a] = clip((j.s.x[a] - one.mean[i]) / (p.spread[i] * math.Sqrt(one.widen[i])))
		}
		return e
	}
	eb := diff(best)
	var en []float64
	if status != UnlikeAny {
		en = diff(next)
	}
	part := func(a int, v float64) float64 {
		if en == nil {
			return eb[a] * eb[a] / v
		}
		return (en[a]*en[a] - eb[a]*eb[a]) / v
	}
	// What the sets' few marbles can't vouch for counts less in the order: the
	// part times 1 - 2 se^2 / D^2, where the centroids are D apart, give or take
	// se (the positive part of James and Stein's factor, 1961).
	trust := make([]float64, n)
	for a, i := range j.s.at {
		trust[a] = 1
		if en == nil {
			continue
		}
		nb, nn := p.count[best][i], p.count[next][i]
		d := (eb[a]*math.Sqrt(p.comp[j.nearest[best]].widen[i]) - en[a]*math.Sqrt(p.comp[j.nearest[next]].widen[i]))
		if nb > 0 && nn > 0 && d != 0 {
			trust[a] = math.Max(0.01, 1-2*(1/nb+1/nn)/(d*d))
		} else {
			trust[a] = 0.01
		}
	}
	parts := make([]float64, n)
	order := make([]int, n)
	for a := range order {
		order[a] = a
	}
	if p.corr == nil {
		for a := range n {
			parts[a] = part(a, 1+j.s.noise[a])
		}
	} else {
		c := p.covariance(j.s, nil)
		left := slices.Clone(order)
		col := make([]float64, n)
		for len(left) > 0 {
			at, most := 0, -1.0
			for k, a := range left {
				if v := trust[a] * math.Abs(part(a, c[a*n+a])); v > most {
					most, at = v, k
				}
			}
			a := left[at]
			v := c[a*n+a]
			parts[a] = part(a, v)
			left = slices.Delete(left, at, at+1)
			for _, b := range left {
				if b > a {
					col[b] = c[b*n+a]
				} else {
					col[b] = c[a*n+b]
				}
			}
			for k, b := range left {
				f := col[b] / v
				eb[b] -= f * eb[a]
				if en != nil {
					en[b] -= f * en[a]
				}
				row := c[b*n : b*n+n]
				for _, d := range left[:k+1] { // left ascends, so d <= b
					row[d] -= f * col[d]
				}
			}
		}
	}
	sum := 0.0
	weight := make([]float64, n)
	for a, v := range parts {
		weight[a] = trust[a] * math.Abs(v)
		sum += weight[a]
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Or(cmp.Compare(weight[b], weight[a]), cmp.Compare(m.Features[p.used[j.s.at[a]]].Name, m.Features[p.used[j.s.at[b]]].Name))
	})
	out := make([]Reason, 0, n)
	for _, a := range order {
		if parts[a] == 0 {
			continue
		}
		u := p.used[j.s.at[a]]
		f := m.Features[u]
		r := Reason{Feature: f.Name, Value: f.raw(j.s.x[a]), Part: parts[a], Weight: weight[a] / sum}
		switch {
		case status == UnlikeAny:
			r.Toward = UnlikeAny
		case r.Part < 0:
			r.Toward = m.Sets[next].Label
		default:
			r.Toward = m.Sets[best].Label
		}
		if len(out) < mostReasons {
			r.Best = m.usual(best, f)
			if next >= 0 {
				r.RunnerUp = m.usual(next, f)
			}
			r.Text = m.text(p.spread[j.s.at[a]], f, r, best, next)
		}
		out = append(out, r)
	}
	return out
}

// mostReasons is how many reasons, the weightiest, have ranges and words.
const mostReasons = 8

// usual is a set's usual values in the feature's own unit.
func (m *Model) usual(c int, f FeatureInfo) *Usual {
	u, ok := m.Sets[c].Features[f.Name]
	if !ok {
		return nil
	}
	return u.in(f)
}

// in is the usual values in the feature's own unit.
func (u Usual) in(f FeatureInfo) *Usual {
	u.Mean, u.Centroid, u.Low, u.High = f.raw(u.Mean), f.raw(u.Centroid), f.raw(u.Low), f.raw(u.High)
	return &u
}

// numbers writes values of a feature to about half of its spread.
func numbers(spread float64, f FeatureInfo, near float64) func(v float64) string {
	if f.LogFrom > 0 {
		spread *= math.Max(0, near) + f.LogFrom // the same at a value near by
	}
	digits := int(min(4, max(0, math.Ceil(-math.Log10(0.6*spread)))))
	return func(v float64) string {
		s := fmt.Sprintf("%.*f", digits, v)
		if zero := fmt.Sprintf("%.*f", digits, math.Copysign(0, -1)); s == zero {
			s = s[1:] // no "-0.0"
		}
		return s
	}
}

// rangeText says a set's usual range.
func rangeText(label string, u *Usual, num func(float64) string) string {
	label = "set " + label
	if u == nil {
		return label + " not measured"
	}
	if lo, hi := num(u.Low), num(u.High); lo != hi {
		return label + " " + lo + " to " + hi
	}
	return label + " " + num(u.Low)
}

// text says a reason in plain words.
func (m *Model) text(spread float64, f FeatureInfo, r Reason, best, next int) string {
	num := numbers(spread, f, r.Value)
	s := cmp.Or(f.Label, f.Name) + " " + num(r.Value)
	if f.Unit != "" {
		s += " " + f.Unit
	}
	s += "; " + rangeText(m.Sets[best].Label, r.Best, num)
	if next >= 0 {
		s += ", " + rangeText(m.Sets[next].Label, r.RunnerUp, num)
	}
	return s
}
