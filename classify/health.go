package classify

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// What is known of the health of the sets, beside the plain confusion of
// [LOO]. One entry a specimen throughout: photos of one marble are one.

// Bin is one bar of a reliability plot: the specimens whose probability of
// their best set lies from Low up to High (the last bin includes High).
type Bin struct {
	Low, High   float64
	N           int
	Probability float64 // mean probability that was said; 0 where N is 0
	Right       float64 // share that was right; 0 where N is 0
}

// Pair is what separates two sets.
type Pair struct {
	A, B     string // labels, A before B
	Confused int    // specimens of one that were taken for the other
	// Features that tell them apart, the best first; those that tell nothing
	// are left out.
	Features []Separation
}

// Separation is how far one feature tells two sets apart.
type Separation struct {
	Feature string
	// D is the difference of the centroids in within-set spreads, on the scale
	// on which the feature is compared (Cohen's d); 2 is clear to the eye, below
	// 1 the sets overlap for the most part. Not negative.
	D    float64
	A, B *Usual // in the feature's own unit
	Text string // plain words: "ribbon width, mm: set A 0.8 to 1.3, set B 2.0 to 3.1"
}

// Suspect is a specimen that looks as if it were in the wrong set.
type Suspect struct {
	Specimen   string
	Label      string  // the set it is in
	PValue     float64 // for its own set, itself left out
	Like       string  // the set it looks like
	LikePValue float64 // for that set
	Text       string
}

// Duplicate is two entries that are so near each other that they may be one
// marble photographed twice.
type Duplicate struct {
	A, B           string // specimens, A before B
	LabelA, LabelB string
	Distance       float64 // root mean square difference, in spreads
	Typical        float64 // the usual distance of a set's specimen from its nearest neighbour
	Text           string
}

// SmallSet is a set with too few specimens to be trusted.
type SmallSet struct {
	Label string
	N     int // specimens
	Text  string
}

// Candidate is one form of the model that was tried.
type Candidate struct {
	Name string // "diagonal", "Ledoit-Wolf", "shrunken centroids, threshold 1" ...
	// Wrong of Tested specimens, each left out.
	Wrong, Tested int
	CrossEntropy  float64 // nats a specimen, after calibration; see [Train] for the choice
	Chosen        bool
}

// Wilson is the 95 % interval of a share, from E. B. Wilson, "Probable
// inference, the law of succession, and statistical inference", JASA 22, 1927;
// 0 and 1 when n is 0.
func Wilson(right, n int) (low, high float64) {
	if n == 0 {
		return 0, 1
	}
	const z = 1.959963984540054 // the standard normal's 97.5 %
	m, p := float64(n), float64(right)/float64(n)
	mid := p + z*z/(2*m)
	half := z * math.Sqrt(p*(1-p)/m+z*z/(4*m*m))
	low, high = (mid-half)/(1+z*z/m), (mid+half)/(1+z*z/m)
	if right == 0 {
		low = 0
	}
	if right == n {
		high = 1
	}
	return low, high
}

const reliabilityBins = 10

// reliability sorts the tested by the probability that was said into bins of
// equal width, and returns their mean absolute miss, each specimen counting
// alike (M. Naeini, G. Cooper and M. Hauskrecht, "Obtaining well calibrated
// probabilities using Bayesian binning", AAAI 2015).
func reliability(marbles []LeftOut) (bins []Bin, miss float64) {
	bins = make([]Bin, reliabilityBins)
	n := 0
	for _, l := range marbles {
		if !l.Tested {
			continue
		}
		p := l.Prediction.Probability
		b := &bins[min(reliabilityBins-1, int(p*reliabilityBins))]
		b.N++
		b.Probability += p
		if l.Prediction.Label == l.Label {
			b.Right++
		}
		n++
	}
	for i := range bins {
		b := &bins[i]
		b.Low, b.High = float64(i)/reliabilityBins, float64(i+1)/reliabilityBins
		if b.N == 0 {
			continue
		}
		miss += math.Abs(b.Probability-b.Right) / float64(n)
		b.Probability /= float64(b.N)
		b.Right /= float64(b.N)
	}
	return bins, miss
}

// Levels of the rules for what looks wrong with the sets.
const (
	// suspectOwn and suspectOther: a specimen looks mislabelled when its p-value
	// for its own set is at most the one and for another set at least the other.
	suspectOwn, suspectOther = 0.05, 0.2
	// nearDuplicate is the share of a set's typical distance between nearest
	// neighbours below which two specimens look like one.
	nearDuplicate = 0.35
	// tellingD is the least difference in spreads that is listed.
	tellingD = 0.8
)

// health fills in what there is to be known beside the confusion.
func (t *table) health(l *learnt, out *LOO) {
	m := l.model
	for a := range m.Sets {
		for b := a + 1; b < len(m.Sets); b++ {
			p := m.pair(a, b)
			p.Confused = out.Confusion[a][b] + out.Confusion[b][a]
			out.Pairs = append(out.Pairs, p)
		}
	}
	slices.SortStableFunc(out.Pairs, func(a, b Pair) int { return cmp.Compare(b.Confused, a.Confused) })
	for _, left := range out.Marbles {
		if !left.Tested {
			continue
		}
		own := 0.0
		var other Likeness
		for _, s := range left.Prediction.Sets {
			if s.Label == left.Label {
				own = s.PValue
			} else if s.PValue > other.PValue {
				other = s
			}
		}
		if own <= suspectOwn && other.PValue >= suspectOther && left.Prediction.Label != left.Label {
			out.Mislabelled = append(out.Mislabelled, Suspect{left.ID, left.Label, own, other.Label, other.PValue,
				fmt.Sprintf("%s is in set %s, where only %s of the marbles look as strange; in set %s %s do. Look at its label again.",
					left.ID, left.Label, percent(own), other.Label, percent(other.PValue))})
		}
	}
	slices.SortStableFunc(out.Mislabelled, func(a, b Suspect) int { return cmp.Compare(b.LikePValue-b.PValue, a.LikePValue-a.PValue) })
	for _, s := range m.Sets {
		switch {
		case s.Count == 1:
			out.Small = append(out.Small, SmallSet{s.Label, s.Count, fmt.Sprintf("Set %s has a single marble: nothing is known of how its marbles differ.", s.Label)})
		case s.Count < leastTrusted:
			out.Small = append(out.Small, SmallSet{s.Label, s.Count, fmt.Sprintf("Set %s has only %d marbles: five or more are needed to trust it, and twenty to tell its probabilities.", s.Label, s.Count)})
		}
	}
	out.Duplicates = t.duplicates(m)
}

func percent(p float64) string { return fmt.Sprintf("%.0f %%", 100*p) }

func (m *Model) pair(a, b int) Pair {
	p := Pair{A: m.Sets[a].Label, B: m.Sets[b].Label}
	for _, f := range m.Features {
		ua, okA := m.Sets[a].Features[f.Name]
		ub, okB := m.Sets[b].Features[f.Name]
		s, ok := m.Spread[f.Name]
		if !okA || !okB || !ok {
			continue
		}
		d := math.Abs(ua.Centroid-ub.Centroid) / s
		if d < tellingD {
			continue
		}
		one := Separation{Feature: f.Name, D: d, A: ua.in(f), B: ub.in(f)}
		num := numbers(s, f, (one.A.Mean+one.B.Mean)/2)
		one.Text = cmp.Or(f.Label, f.Name)
		if f.Unit != "" {
			one.Text += ", " + f.Unit
		}
		one.Text += ": " + rangeText(p.A, one.A, num) + ", " + rangeText(p.B, one.B, num)
		p.Features = append(p.Features, one)
	}
	slices.SortStableFunc(p.Features, func(a, b Separation) int { return cmp.Compare(b.D, a.D) })
	return p
}

// Separate is what separates two sets of the model, without the count of
// confusions; ok is false if one of them is not in it.
func (m *Model) Separate(a, b string) (p Pair, ok bool) {
	i := slices.IndexFunc(m.Sets, func(s Set) bool { return s.Label == a })
	j := slices.IndexFunc(m.Sets, func(s Set) bool { return s.Label == b })
	if i < 0 || j < 0 {
		return Pair{}, false
	}
	return m.pair(i, j), true
}

// mostDuplicates is how many duplicates of one specimen are told.
const mostDuplicates = 8

// apart is the distance of two specimens, of which i has so many features; ok is
// false where it is not below a limit, or where they share less than [MinShare]
// of these. Most pairs are seen to be farther apart after a few features.
func (t *table) apart(i, j int, have, below float64, spread []float64) (d float64, ok bool) {
	a, b := t.spec[i].x, t.spec[j].x
	most := below * below * have * (1 + 1e-9) // a mean over fewer is no less
	sum, used := 0.0, 0
	for f := range a {
		if v := (a[f] - b[f]) / spread[f]; v == v { // not NaN
			if sum += v * v; sum > most {
				return 0, false
			}
			used++
		}
	}
	if used == 0 || float64(used) < MinShare*have {
		return 0, false
	}
	d = math.Sqrt(sum / float64(used))
	return d, d < below
}

// duplicates are pairs of specimens much nearer to each other than a specimen
// usually is to its nearest neighbour. Photos of one marble differ in what its
// sides show, so this finds the same side taken twice, not every repetition.
func (t *table) duplicates(m *Model) []Duplicate {
	n := len(t.spec)
	spread := m.spreads()
	have := make([]float64, n) // features
	nearest := make([]float64, n)
	parallel(n, func(i int) {
		_, h := meanSquare(t.spec[i].x, t.spec[i].x, spread)
		have[i], nearest[i] = float64(h), math.Inf(1)
		for j := range n {
			if j == i || t.spec[i].class != t.spec[j].class {
				continue
			}
			if d, ok := t.apart(i, j, have[i], nearest[i], spread); ok {
				nearest[i] = d
			}
		}
	})
	var finite []float64
	for _, d := range nearest {
		if !math.IsInf(d, 1) {
			finite = append(finite, d)
		}
	}
	if len(finite) < leastTrusted {
		return nil // nothing is known of what is usual
	}
	typical := median(finite)
	type near struct {
		j int
		d float64
	}
	all := make([][]near, n)
	parallel(n, func(i int) {
		for j := range n {
			if j == i {
				continue
			}
			if d, ok := t.apart(i, j, have[i], nearDuplicate*typical, spread); ok {
				all[i] = append(all[i], near{j, d})
			}
		}
		// Of a marble photographed time and again the nearest say enough.
		slices.SortFunc(all[i], func(a, b near) int { return cmp.Or(cmp.Compare(a.d, b.d), cmp.Compare(a.j, b.j)) })
		all[i] = all[i][:min(len(all[i]), mostDuplicates)]
	})
	var out []Duplicate
	for i := range n {
		for _, x := range all[i] {
			if x.j < i && slices.ContainsFunc(all[x.j], func(y near) bool { return y.j == i }) {
				continue
			}
			a, b := &t.spec[i], &t.spec[x.j]
			if a.id > b.id {
				a, b = b, a
			}
			d := Duplicate{A: a.id, B: b.id, LabelA: a.label, LabelB: b.label, Distance: x.d, Typical: typical}
			d.Text = fmt.Sprintf("%s and %s look like one marble photographed twice: %.2f spreads apart, where neighbours are usually %.2f.", d.A, d.B, d.Distance, d.Typical)
			if d.LabelA != d.LabelB {
				d.Text += fmt.Sprintf(" They are in different sets, %s and %s.", d.LabelA, d.LabelB)
			}
			out = append(out, d)
		}
	}
	slices.SortStableFunc(out, func(a, b Duplicate) int {
		return cmp.Or(cmp.Compare(a.Distance, b.Distance), cmp.Compare(a.A, b.A), cmp.Compare(a.B, b.B))
	})
	return out
}
