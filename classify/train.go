package classify

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
)

// Limits on leaving out.
const (
	// wholeLOO is the number of specimens up to which each is left out in turn;
	// of more, a twentieth at a time.
	wholeLOO  = 400
	manyFolds = 10
	// mostTested is how many left-out specimens calibration looks at; more tell
	// nothing new.
	mostTested = 500
)

// Forms are the names of the forms of the model that are tried.
func Forms() []string {
	var out []string
	for _, f := range forms {
		out = append(out, f.name)
	}
	return out
}

// Train learns a model from labelled marbles. Features gives the features to
// compare by; other values are ignored. It fails on no samples, on a sample
// without a label or with a value that is not finite, and when no feature
// varies. Whatever makes the model weak without making it useless is in its
// Warnings.
//
// The form of the model is chosen by its error on specimens left out in turn: the
// simplest whose cross-entropy after calibration is within a standard error of
// the least. With more than 400 specimens a tenth is left out at a time.
func Train(features []FeatureInfo, samples []Sample, opts Options) (*Model, error) {
	t, err := arrange(features, samples)
	if err != nil {
		return nil, err
	}
	l, err := t.learn(opts)
	if err != nil {
		return nil, err
	}
	return l.model, nil
}

// learnt is a model with what leaving out has shown.
type learnt struct {
	model *Model
	forms []form
	folds []fold // one a specimen
	bases []*basis
	split []bool
	heat  []*heat // [form] of the folds that were tested, in their order; see arrangeHeat
	place []int   // [fold] which of them it is
}

// fold is one specimen as seen by models that were made without it.
type fold struct {
	basis   int         // which of learnt.bases; -1 if it wasn't tested
	why     string      // why not
	single  bool        // its photo was not left out, being all there is of its set
	own     int         // its set among the labels
	scores  [][]float64 // [form][label]; +Inf where there is no such set
	strange float64     // to its own set
}

func (t *table) learn(opts Options) (*learnt, error) {
	l := &learnt{forms: forms}
	if opts.Form != "" {
		i := slices.IndexFunc(forms, func(f form) bool { return f.name == opts.Form })
		if i < 0 {
			return nil, fmt.Errorf("classify: there is no form %q", opts.Form)
		}
		l.forms = forms[i : i+1]
	}
	all := make([]int, len(t.spec))
	for i := range all {
		all[i] = i
	}
	l.split = t.splits()
	b := t.basisOf(all, l.split)
	if len(b.used) == 0 {
		return nil, fmt.Errorf("%w: no feature differs between any two of the %d marbles", ErrNoSamples, len(t.spec))
	}
	t.leaveOut(l, opts)
	at, _ := l.choose(t, -1)
	l.model = t.model(b, b.as(l.forms[at]), l.forms[at], opts)
	t.addStrange(l.model, b)
	l.model.q.keep()
	l.calibrate(t, l.model, at, -1)
	l.model.Warnings = append(slices.Clone(t.warnings), t.warn(l)...)
	return l, nil
}

// strangeForm is the form by which strangers are found, whatever form tells
// the sets apart.
var strangeForm = form{joint: true, drawn: true, own: true}

func (t *table) addStrange(m *Model, b *basis) {
	m.q = b.as(strangeForm)
	extra := t.model(b, m.q, strangeForm, Options{})
	m.MemberCorrelation = extra.Correlation
	for s := range m.Sets {
		m.Sets[s].Members = extra.Sets[s].Centroids
	}
}

// leaveOut fills the folds.
func (t *table) leaveOut(l *learnt, opts Options) {
	n := len(t.spec)
	l.folds = make([]fold, n)
	size := make([]int, len(t.labels))
	for _, s := range t.spec {
		size[s.class]++
	}
	// skip[b] says which specimens basis b is made without.
	type job struct {
		out  []int // specimens tested
		skip map[int]bool
	}
	var jobs []job
	many := n > wholeLOO
	stride := max(1, (n+mostTested-1)/mostTested)
	byKey := map[string]int{}
	within := make([]int, len(t.labels)) // running number within the set
	for i := range t.spec {
		s := &t.spec[i]
		f := &l.folds[i]
		f.basis, f.own = -1, s.class
		nth := within[s.class]
		within[s.class]++
		if size[s.class] < 2 {
			f.why = "the only marble of its set"
			continue
		}
		if many && stride > 1 && i%stride != 0 {
			f.why = "enough others were tested"
			continue
		}
		byGroup := opts.LeaveOutGroups && len(s.groups) > 0
		if byGroup {
			others := 0
			for k := range t.spec {
				if t.spec[k].class == s.class && !entangled(s, &t.spec[k], true) {
					others++
				}
			}
			if others == 0 {
				byGroup, f.single = false, true
			}
		}
		if !byGroup && opts.LeaveOutGroups {
			f.single = true
		}
		key := ""
		switch {
		case byGroup:
			g := slices.Clone(s.groups)
			slices.Sort(g)
			key = fmt.Sprintf("g%q", g)
		case many:
			key = fmt.Sprint("f", nth%manyFolds)
		}
		at, ok := byKey[key]
		if !ok || key == "" {
			at = len(jobs)
			jobs = append(jobs, job{skip: map[int]bool{}})
			if key != "" {
				byKey[key] = at
			}
		}
		jobs[at].out = append(jobs[at].out, i)
		if !many || byGroup {
			for k := range t.spec {
				if k == i || byGroup && entangled(s, &t.spec[k], true) || !byGroup && entangled(s, &t.spec[k], false) {
					jobs[at].skip[k] = true
				}
			}
		}
	}
	if many { // a tenth of each set, tested or not, and all that is entangled with it
		name := map[string]int{}
		for i := range within {
			within[i] = 0
		}
		for i := range t.spec {
			s := &t.spec[i]
			nth := within[s.class]
			within[s.class]++
			fold := nth % manyFolds
			if s.name != "" {
				if f, ok := name[s.name]; ok {
					fold = f
				} else {
					name[s.name] = fold
				}
			}
			if at, ok := byKey[fmt.Sprint("f", fold)]; ok {
				jobs[at].skip[i] = true
			}
			if at, ok := byKey[fmt.Sprint("f", nth%manyFolds)]; ok && size[s.class] > 1 {
				jobs[at].skip[i] = true // of a specimen in two sets, both
			}
		}
	}
	l.bases = make([]*basis, len(jobs))
	parallel(len(jobs), func(k int) {
		job := jobs[k]
		rows := make([]int, 0, n)
		for i := range t.spec {
			if !job.skip[i] {
				rows = append(rows, i)
			}
		}
		b := t.basisOf(rows, l.split)
		l.bases[k] = b
		var ps []*prepared
		for _, f := range l.forms {
			ps = append(ps, b.as(f))
		}
		q := b.as(strangeForm)
		for _, i := range job.out {
			f := &l.folds[i]
			s := b.see(t.spec[i].x, t.spec[i].sure)
			used, err := b.comparable(s)
			if err == nil && !slices.Contains(b.labels, f.own) {
				err = fmt.Errorf("nothing of its set is left without it")
			}
			if err != nil {
				f.why = err.Error()
				continue
			}
			spread := func(v []float64) []float64 {
				out := make([]float64, len(t.labels))
				for c := range out {
					out[c] = math.Inf(1)
				}
				for c, label := range b.labels {
					out[label] = v[c]
				}
				return out
			}
			for _, p := range ps {
				j := p.judge(s)
				j.bar(used)
				f.scores = append(f.scores, spread(scores(j.ll)))
			}
			own := slices.Index(b.labels, f.own)
			f.strange = q.strangeness(s, own)[own]
			if math.IsInf(f.scores[0][f.own], 1) {
				f.why, f.scores = "its set has too little of what was measured of it", nil
				continue
			}
			f.basis = k
		}
	})
}

// arrangeHeat makes [learnt.temperature] quick for one fold left out after the
// other.
func (l *learnt) arrangeHeat() {
	l.place = make([]int, len(l.folds))
	l.heat = make([]*heat, len(l.forms))
	n := 0
	for i := range l.folds {
		l.place[i] = n
		if l.folds[i].basis >= 0 {
			n++
		}
	}
	parallel(len(l.heat), func(k int) {
		rows, own := make([][]float64, 0, n), make([]int, 0, n)
		for i := range l.folds {
			if f := &l.folds[i]; f.basis >= 0 {
				rows, own = append(rows, f.scores[k]), append(own, f.own)
			}
		}
		l.heat[k] = heatOf(rows, own)
	})
}

// temperature is that of a form by the rows but every fifth from fold on (-1: by
// all of them). The rows are those of all folds but one (-1: of all).
func (l *learnt) temperature(rows [][]float64, own []int, form, but, fold int) float64 {
	if l.heat != nil && but >= 0 && l.folds[but].basis >= 0 {
		if t, ok := l.heat[form].without(l.place[but], fold); ok {
			return t
		}
	}
	return fitTemperature(butFold(rows, fold), butFold(own, fold))
}

// choose is the form to take, not asking the specimen at but (-1: asking all):
// the first, and so the simplest, whose cross-entropy on left-out specimens is
// within a standard error of the least (the rule of L. Breiman and others,
// "Classification and Regression Trees", 1984). To take the very best would be
// to choose by one or two marbles.
func (l *learnt) choose(t *table, but int) (best int, all []Candidate) {
	losses := make([][]float64, len(l.forms))
	for k, f := range l.forms {
		c := Candidate{Name: f.name}
		rows, own := make([][]float64, 0, len(l.folds)), make([]int, 0, len(l.folds))
		for i := range l.folds {
			if fd := &l.folds[i]; i != but && fd.basis >= 0 {
				c.Tested++
				if floats.MinIdx(fd.scores[k]) != fd.own {
					c.Wrong++
				}
				rows, own = append(rows, fd.scores[k]), append(own, fd.own)
			}
		}
		if n := float64(len(rows)); n > 0 {
			temperature := l.temperature(rows, own, k, but, -1)
			losses[k] = make([]float64, len(rows))
			for i, r := range rows {
				losses[k][i] = -math.Log(math.Max(1e-12, shareOf(r, temperature, own[i])))
				c.CrossEntropy += losses[k][i] / n
			}
		}
		all = append(all, c)
	}
	least := 0
	for k, c := range all {
		if c.CrossEntropy < all[least].CrossEntropy {
			least = k
		}
	}
	for best = range least {
		n := float64(all[best].Tested)
		mean := all[best].CrossEntropy - all[least].CrossEntropy
		v := 0.0
		for i, loss := range losses[best] {
			d := loss - losses[least][i] - mean
			v += d * d
		}
		if n > 1 && mean <= math.Sqrt(v/(n-1)/n) {
			all[best].Chosen = true
			return best, all
		}
	}
	best = least
	all[best].Chosen = true
	return best, all
}

// calibrate sets a model's temperature (and steps), typical strangeness and
// left-out strangeness from all folds but one (-1: from all).
func (l *learnt) calibrate(t *table, m *Model, form, but int) {
	var rows [][]float64
	var own []int
	sum, n := make([]float64, len(t.labels)), make([]float64, len(t.labels))
	for i := range l.folds {
		f := &l.folds[i]
		if i == but || f.basis < 0 {
			continue
		}
		rows, own = append(rows, f.scores[form]), append(own, f.own)
		sum[f.own] += f.strange
		n[f.own]++
	}
	m.Temperature, m.Steps = calibration(rows, own, func(fold int) float64 { return l.temperature(rows, own, form, but, fold) })
	total := floats.Sum(n)
	m.LeftOut = nil
	if total == 0 {
		return
	}
	pooled := floats.Sum(sum) / total
	typical := make([]float64, len(t.labels))
	for c := range typical {
		typical[c] = (sum[c] + typicalPrior*pooled) / (n[c] + typicalPrior)
	}
	for c := range m.Sets {
		k, _ := slices.BinarySearch(t.labels, m.Sets[c].Label)
		m.Sets[c].Typical = typical[k]
	}
	for i := range l.folds {
		if f := &l.folds[i]; i != but && f.basis >= 0 {
			m.LeftOut = append(m.LeftOut, f.strange-typical[f.own])
		}
	}
	slices.Sort(m.LeftOut)
}

func (t *table) warn(l *learnt) (out []string) {
	m := l.model
	if len(m.Sets) == 1 {
		out = append(out, fmt.Sprintf("There is only one set, %s: marbles can be found unlike it, but not told apart.", m.Sets[0].Label))
	}
	for c, s := range m.Sets {
		switch {
		case s.Count == 1:
			out = append(out, fmt.Sprintf("Set %s has a single marble: its spread is taken from the other sets, and it can't be tested. Photograph more of it.", s.Label))
		case s.Count < leastTrusted:
			out = append(out, fmt.Sprintf("Set %s has only %d marbles: its means are rough. Five or more are better.", s.Label, s.Count))
		}
		for i, f := range l.folds {
			if f.own == c && f.single && f.basis >= 0 {
				out = append(out, fmt.Sprintf("Set %s comes from a single photo (%s): it was tested one marble at a time, which flatters. Photograph some of it again.", s.Label, t.spec[i].group))
				break
			}
		}
		if len(s.Centroids) > 1 {
			out = append(out, fmt.Sprintf("Set %s falls into %d clear sub-groups; it is compared by each of them.", s.Label, len(s.Centroids)))
		}
	}
	for _, f := range m.Features {
		if _, ok := m.Spread[f.Name]; !ok {
			out = append(out, fmt.Sprintf("Feature %s is the same in all labelled marbles, or hardly measured in any; it is not used.", f.Name))
		}
	}
	switch n := len(m.LeftOut); {
	case n == 0:
		out = append(out, "No marble could be tested with itself left out: probabilities are uncalibrated, and no marble will be called unlike any set.")
	case m.UnlikeAnyLevel() > UnlikeAnyLevel:
		out = append(out, fmt.Sprintf("Only %d marbles could be tested: about 1 marble in %d that does belong will be called unlike any set.", n, n+1))
	}
	return out
}

// leastTrusted is the least number of specimens of a set to be trusted.
const leastTrusted = 5
