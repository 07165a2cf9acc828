package classify

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Measurement is something that could still be done to measure a marble
// better.
type Measurement struct {
	Code     string   // "another-side", "closer", "backlit", "ultraviolet", "caliper"
	Words    string   // what to do, for the text: "a photo of another side"
	Features []string // names of the features that it would measure (again)
	// Sure is how sure they would then be, 0..1; 0 counts as 1.
	Sure float64
	// OtherSide says that another part of the marble is seen: what is measured
	// then differs by as much as two photos of one marble do, and is averaged
	// with what is known. Otherwise the same is measured, only better.
	OtherSide bool
}

// Suggestion is what one [Measurement] can be expected to do for the doubt
// between two sets.
type Suggestion struct {
	Code     string
	Features []string // those that tell the two sets apart most, the best first
	// DoubtNow and DoubtAfter are the entropy of the choice between the two
	// sets, in bits (1: a coin's toss; 0: certain): now, and as expected after
	// the measurement.
	DoubtNow, DoubtAfter float64
	// Settles is the chance that one set is then at least DoubtfulRatio times as
	// likely as the other; 0..1.
	Settles float64
	Text    string // plain words
}

// Settle says what each of the measurements that could still be made can be
// expected to do for the doubt whether a marble is of set best or of set
// runnerUp; the most useful first, and those that would do next to nothing left
// out. It is worked out from the sets' own distributions: how far apart the two
// sets would expect the new figures, given all that is known of the marble, as
// against how much they spread. Where that is D spreads, the log-likelihood
// ratio moves by D^2/2 on average towards the right set, give or take D. The
// temperature of the probabilities discounts it as it does what was measured.
//
// Another side shows SideShare of a feature's variance anew. Unknown labels, and
// a marble too little measured, give none.
func (m *Model) Settle(r Reading, best, runnerUp string, could []Measurement) []Suggestion {
	p := m.p
	a, b := m.index(best), m.index(runnerUp)
	x, sure, err := reading(m.Features, r)
	if a < 0 || b < 0 || a == b || err != nil {
		return nil
	}
	s := p.see(x, sure)
	if len(s.at) == 0 {
		return nil
	}
	l := p.factor(s)
	_, ll, nearest := p.closeness(s, l)
	// The choice between the two as the model calibrates it.
	scale := defaultTemperature / m.Temperature
	now := (ll[a] - ll[b]) * scale
	ca, cb := p.comp[nearest[a]], p.comp[nearest[b]]

	where := map[string]int{}
	for j, u := range p.used {
		where[m.Features[u].Name] = j
	}
	var out []Suggestion
	for _, c := range could {
		goal := c.Sure
		if !(goal > 0) || goal > 1 {
			goal = 1
		}
		var add []int
		for _, name := range c.Features {
			if j, ok := where[name]; ok && p.count[a][j] > 0 && p.count[b][j] > 0 && !slices.Contains(add, j) {
				if k := slices.Index(s.at, j); k >= 0 && !c.OtherSide && 1/(1+s.noise[k]) >= goal {
					continue // as sure already
				}
				add = append(add, j)
			}
		}
		if len(add) == 0 {
			continue
		}
		apart2, each := m.expected(s, add, c.OtherSide, 1/goal-1, ca, cb)
		apart2 *= scale
		before, after, settles := doubtAfter(now, apart2)
		if before-after < leastGain {
			continue
		}
		one := Suggestion{Code: c.Code, DoubtNow: before, DoubtAfter: after, Settles: settles}
		order := make([]int, len(add))
		for i := range order {
			order[i] = i
		}
		slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(each[j], each[i]) })
		for _, i := range order {
			if each[i] > 0 {
				one.Features = append(one.Features, m.Features[p.used[add[i]]].Name)
			}
		}
		one.Text = m.suggest(c, one, a, b)
		out = append(out, one)
	}
	slices.SortStableFunc(out, func(a, b Suggestion) int {
		return cmp.Or(cmp.Compare(a.DoubtAfter, b.DoubtAfter), cmp.Compare(a.Code, b.Code))
	})
	return out
}

// leastGain is the least expected gain, in bits, for which a measurement is
// named.
const leastGain = 0.01

// SideShare is the share of a feature's variance within a set that is between
// the sides of one marble: a half is assumed, as the features by which sets are
// compared were chosen to differ less between photos of one marble than between
// marbles.
const SideShare = 0.5

func (m *Model) index(label string) int {
	return slices.IndexFunc(m.Sets, func(s Set) bool { return s.Label == label })
}

// expected is the squared distance, in spreads, between what two components
// expect of new readings of the features add, given what is seen; and that of
// each feature by itself.
func (m *Model) expected(s seen, add []int, other bool, noise float64, a, b component) (apart2 float64, each []float64) {
	p := m.p
	corr := func(i, j int) float64 {
		switch {
		case i == j:
			return 1
		case p.corr == nil:
			return 0
		}
		return p.corr.At(i, j)
	}
	n, k := len(s.at), len(add)
	diff := func(j int) float64 {
		w := math.Sqrt(math.Sqrt(a.widen[j] * b.widen[j]))
		return (a.mean[j] - b.mean[j]) / (p.spread[j] * w)
	}
	// How much of a feature the new reading shares with the old one.
	shared := 1.0
	if other {
		shared = 1 - SideShare
	}
	// Known readings first: their factor, then the new ones' rows below it.
	t := n + k
	l := make([]float64, t*t)
	e := make([]float64, t)
	at := append(slices.Clone(s.at), add...)
	for i, ji := range at {
		e[i] = diff(ji)
		for h := 0; h <= i; h++ {
			v := corr(ji, at[h])
			switch {
			case i == h && i < n:
				v += s.noise[i]
			case i == h:
				v += noise + 1e-6 // the very same reading would not be new
			case i >= n && h < n:
				v *= shared
			}
			l[i*t+h] = v
		}
	}
	each = make([]float64, k)
	if !factorize(l, t) {
		return 0, each
	}
	forward(l, t, e)
	for _, v := range e[n:] {
		apart2 += v * v
	}
	// Each by itself, given what is seen: its row solved alone.
	for i := range k {
		row := l[(n+i)*t : (n+i)*t+n+i+1]
		known, left := 0.0, 0.0
		for h := range n {
			known += row[h] * e[h]
		}
		for h := n; h < len(row); h++ {
			left += row[h] * row[h]
		}
		d := diff(add[i]) - known
		each[i] = d * d / left
	}
	return apart2, each
}

// doubtAfter is the entropy, bits, of a choice with the log odds now, before and
// as expected after the log-likelihood ratio has moved by a Gaussian of mean
// +-apart2/2 and variance apart2; and the chance that the odds are then
// DoubtfulRatio to 1 or better, either way.
func doubtAfter(now, apart2 float64) (before, after, settles float64) {
	entropy := func(odds float64) float64 {
		q := 1 / (1 + math.Exp(math.Abs(odds))) // the less likely
		if q < 1e-12 {
			return 0
		}
		return -(q*math.Log2(q) + (1-q)*math.Log2(1-q))
	}
	before = entropy(now)
	p := 1 / (1 + math.Exp(-now))
	sd := math.Sqrt(apart2)
	// The average over the Gaussian, by the middle rule from -5 to 5.
	const steps = 200
	sum := 0.0
	for i := range steps {
		z := -5 + 10*(float64(i)+0.5)/steps
		w := math.Exp(-z * z / 2)
		sum += w
		for _, side := range [2]struct{ p, sign float64 }{{p, 1}, {1 - p, -1}} {
			odds := now + side.sign*apart2/2 + sd*z
			after += w * side.p * entropy(odds)
			if math.Abs(odds) >= math.Log(DoubtfulRatio) {
				settles += w * side.p
			}
		}
	}
	return before, after / sum, settles / sum
}

// suggest puts a suggestion into words.
func (m *Model) suggest(c Measurement, s Suggestion, a, b int) string {
	text := cmp.Or(c.Words, c.Code)
	for i, name := range s.Features {
		if i == 2 {
			break
		}
		j := slices.IndexFunc(m.Features, func(f FeatureInfo) bool { return f.Name == name })
		f := m.Features[j]
		ua, ub := m.usual(a, f), m.usual(b, f)
		num := numbers(m.Spread[name], f, (ua.Mean+ub.Mean)/2)
		if i == 0 {
			text += ", for "
		} else {
			text += "; and "
		}
		text += cmp.Or(f.Label, f.Name)
		if f.Unit != "" {
			text += " in " + f.Unit
		}
		text += " (" + rangeText(m.Sets[a].Label, ua, num) + ", " + rangeText(m.Sets[b].Label, ub, num) + ")"
	}
	return fmt.Sprintf("%s: would settle it in about %.0f of 10 cases", text, math.Round(10*s.Settles))
}
