package classify

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
)

// specimen is one marble, whatever the number of its photos.
type specimen struct {
	id, label string
	name      string // Sample.Specimen
	group     string // of its first photo
	groups    []string
	samples   []string
	class     int
	x         []float64 // on the scale on which features are compared; NaN: not measured
	sure      []float64 // > 0 where x is there
}

// table is the specimens in their canonical order.
type table struct {
	features []FeatureInfo
	labels   []string // sorted, distinct
	spec     []specimen
	// warnings of what was found odd while reading.
	warnings []string
}

// leastSure is the sureness below which a value counts as not measured: its
// variance would be over a hundred times that of the feature.
const leastSure = 0.01

// reading puts values and how sure they are in the order of features: NaN
// where there is none.
func reading(features []FeatureInfo, r Reading) (x, sure []float64, err error) {
	if x, err = row(features, r.Values); err != nil {
		return nil, nil, err
	}
	sure = make([]float64, len(x))
	for j, f := range features {
		sure[j] = 1
		if s, ok := r.Sure[f.Name]; ok {
			if math.IsNaN(s) {
				return nil, nil, fmt.Errorf("how sure feature %s is, is no number", f.Name)
			}
			sure[j] = math.Min(1, s)
			if s < leastSure {
				x[j] = math.NaN()
			}
		}
	}
	return x, sure, nil
}

// combine is several readings of one marble as one. A value of sureness s has
// beside the feature's own variance V that of measuring, V (1/s - 1). The mean
// weighted by sureness has V sum(s (1-s)) / sum(s)^2 of it, which gives its
// sureness in turn. How much a marble's own sides differ is in V, so a mean of
// two sides counts as one typical side, not as more.
func combine(x, sure [][]float64) (mx, ms []float64) {
	if len(x) == 1 {
		return x[0], sure[0]
	}
	p := len(x[0])
	mx, ms = make([]float64, p), make([]float64, p)
	for j := range p {
		var w, sum, noise float64
		for i := range x {
			if v, s := x[i][j], sure[i][j]; !math.IsNaN(v) {
				w += s
				sum += s * v
				noise += s * (1 - s)
			}
		}
		mx[j], ms[j] = sum/w, 1 // NaN where none has it
		if w > 0 {
			ms[j] = 1 / (1 + noise/(w*w))
		}
	}
	return mx, ms
}

// Combine makes one reading of several photos of one marble, each value
// weighted by how sure it is. Values are averaged on the scale on which they
// are compared. An error if a value is not finite.
func Combine(features []FeatureInfo, readings ...Reading) (Reading, error) {
	out := Reading{map[string]float64{}, map[string]float64{}}
	if len(readings) == 0 {
		return out, nil
	}
	var xs, ss [][]float64
	for _, r := range readings {
		x, s, err := reading(features, r)
		if err != nil {
			return Reading{}, fmt.Errorf("classify: %w", err)
		}
		xs, ss = append(xs, x), append(ss, s)
	}
	x, s := combine(xs, ss)
	for j, f := range features {
		if !math.IsNaN(x[j]) {
			out.Values[f.Name], out.Sure[f.Name] = f.raw(x[j]), s[j]
		}
	}
	return out, nil
}

func arrange(features []FeatureInfo, samples []Sample) (*table, error) {
	if len(features) == 0 {
		return nil, errors.New("classify: no features to compare by")
	}
	seen := map[string]bool{}
	for _, f := range features {
		if f.Name == "" || seen[f.Name] {
			return nil, fmt.Errorf("classify: feature %q is named twice, or not at all", f.Name)
		}
		seen[f.Name] = true
	}
	if len(samples) == 0 {
		return nil, ErrNoSamples
	}
	t := &table{features: slices.Clone(features)}
	type measured struct {
		Sample
		x, sure []float64
	}
	all := make([]measured, len(samples))
	for i, s := range samples {
		if s.Label == "" {
			return nil, fmt.Errorf("%w: %s has no label", ErrBadSample, s.ID)
		}
		x, sure, err := reading(features, Reading{s.Values, s.Sure})
		if err != nil {
			return nil, fmt.Errorf("%w: %s: %w", ErrBadSample, s.ID, err)
		}
		all[i] = measured{s, x, sure}
	}
	slices.SortStableFunc(all, func(a, b measured) int {
		// Two marbles of one name: their values settle it, so that the order
		// given can't show even in the last bits.
		return cmp.Or(cmp.Compare(a.Label, b.Label), cmp.Compare(a.Specimen, b.Specimen), cmp.Compare(a.Group, b.Group),
			cmp.Compare(a.ID, b.ID), slices.Compare(a.x, b.x), slices.Compare(a.sure, b.sure))
	})
	inSet := map[string]string{}
	for i := 0; i < len(all); {
		s := all[i]
		j := i + 1
		if s.Specimen != "" {
			for j < len(all) && all[j].Label == s.Label && all[j].Specimen == s.Specimen {
				j++
			}
			if other, ok := inSet[s.Specimen]; ok {
				t.warnings = append(t.warnings, fmt.Sprintf("Specimen %s is in set %s and in set %s: one of the two is wrong, and both are taught.", s.Specimen, other, s.Label))
			}
			inSet[s.Specimen] = s.Label
		}
		one := specimen{id: cmp.Or(s.Specimen, s.ID), name: s.Specimen, label: s.Label, group: s.Group}
		var xs, ss [][]float64
		for _, m := range all[i:j] {
			xs, ss = append(xs, m.x), append(ss, m.sure)
			one.samples = append(one.samples, m.ID)
			if m.Group != "" && !slices.Contains(one.groups, m.Group) {
				one.groups = append(one.groups, m.Group)
			}
		}
		one.x, one.sure = combine(xs, ss)
		if n := len(t.labels); n == 0 || t.labels[n-1] != s.Label {
			t.labels = append(t.labels, s.Label)
		}
		one.class = len(t.labels) - 1
		t.spec = append(t.spec, one)
		i = j
	}
	return t, nil
}

// row puts values in the order of features, NaN where there is none.
func row(features []FeatureInfo, values map[string]float64) ([]float64, error) {
	out := make([]float64, len(features))
	for j, f := range features {
		v, ok := values[f.Name]
		switch {
		case !ok:
			v = math.NaN()
		case math.IsNaN(v) || math.IsInf(v, 0):
			return nil, fmt.Errorf("feature %s is %v; leave out what could not be measured", f.Name, v)
		}
		out[j] = f.Compared(v)
	}
	return out, nil
}

// entangled says that two specimens may not be on both sides of a test: they
// are one marble (under two labels), or, by groups, share a photo.
func entangled(a, b *specimen, byGroup bool) bool {
	if a.name != "" && a.name == b.name {
		return true
	}
	if !byGroup {
		return false
	}
	for _, g := range a.groups {
		if slices.Contains(b.groups, g) {
			return true
		}
	}
	return false
}
