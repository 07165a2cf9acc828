package web

import (
	"context"
	"math"
	"slices"
	"sort"
	"sync"

	"tawsight/features"
	"tawsight/internal/collection"
	"tawsight/internal/likeness"
	"tawsight/internal/record"
)

// measuredMarble is a marble's best daylight sighting, as figures are counted
// over sets.
type measuredMarble struct {
	ID, SetID string
	Marble    record.Marble
}

// labelledMarbles keeps what was measured of all labelled marbles until others
// are labelled or some are measured anew: reading thousands takes a moment.
// Marbles are kept without what is not counted.
type labelledMarbles struct {
	mu   sync.Mutex
	key  string
	list []measuredMarble
}

func (l *labelledMarbles) get(key string, read func() ([]measuredMarble, error)) ([]measuredMarble, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.key == key {
		return l.list, nil
	}
	list, err := read()
	if err != nil {
		return nil, err
	}
	for i, m := range list {
		list[i].Marble = record.Marble{Features: m.Marble.Features, FeaturesSure: m.Marble.FeaturesSure}
	}
	l.key, l.list = key, list
	return list, nil
}

// measuredOf reads the best daylight sighting of each specimen.
func measuredOf(ctx context.Context, c *collection.Collection, ids []string) ([]measuredMarble, error) {
	var out []measuredMarble
	err := c.EachSighting(ctx, ids, func(t collection.Taught) error {
		if n := len(out); n == 0 || out[n-1].ID != t.SpecimenID {
			out = append(out, measuredMarble{t.SpecimenID, t.SetID, t.Sighting.Marble})
		}
		return nil
	})
	return out, err
}

// valuesOf are the values of a feature that can be relied on, ascending.
func valuesOf(list []measuredMarble, feature string) (out []float64) {
	for _, m := range list {
		if v, ok := m.Marble.Features[feature]; ok && sureOf(m, feature) {
			out = append(out, v)
		}
	}
	slices.Sort(out)
	return out
}

func sureOf(m measuredMarble, feature string) bool {
	sure, told := m.Marble.FeaturesSure[feature]
	return !told || sure >= record.UnsureBelow
}

// quantile is the value below which a share of ascending values lies, by linear
// interpolation between them.
func quantile(ascending []float64, share float64) float64 {
	at := share * float64(len(ascending)-1)
	i := int(at)
	if i+1 >= len(ascending) {
		return ascending[len(ascending)-1]
	}
	return ascending[i] + (at-float64(i))*(ascending[i+1]-ascending[i])
}

// typical are the marbles nearest to the middle of their list in all that sets
// are compared by: the smallest mean distance from the medians, in medians of
// such distances.
func typical(list []measuredMarble, n int) []string {
	type middle struct{ at, spread float64 }
	middles := map[string]middle{}
	for _, f := range likeness.FeatureInfos() {
		v := valuesOf(list, f.Name)
		if len(v) < 3 {
			continue
		}
		at := quantile(v, 0.5)
		off := make([]float64, len(v))
		for i := range v {
			off[i] = math.Abs(v[i] - at)
		}
		slices.Sort(off)
		if spread := quantile(off, 0.5); spread > 0 {
			middles[f.Name] = middle{at, spread}
		}
	}
	far := make([]float64, len(list))
	order := make([]int, len(list))
	for i, m := range list {
		order[i] = i
		sum, k := 0.0, 0
		for name, mid := range middles {
			if v, ok := m.Marble.Features[name]; ok && sureOf(m, name) {
				// One figure far off must not outweigh all others.
				sum += math.Min(6, math.Abs(v-mid.at)/mid.spread)
				k++
			}
		}
		far[i] = math.Inf(1)
		if k > 0 {
			far[i] = sum / float64(k)
		}
	}
	sort.SliceStable(order, func(a, b int) bool {
		x, y := order[a], order[b]
		if far[x] != far[y] {
			return far[x] < far[y]
		}
		return list[x].ID < list[y].ID
	})
	var out []string
	for _, i := range order[:min(n, len(order))] {
		out = append(out, list[i].ID)
	}
	return out
}

// compared are the features that sets are compared by, as the registry has them.
func compared() (out []features.Feature) {
	for _, f := range features.All() {
		if f.NotCompared == "" {
			out = append(out, f)
		}
	}
	return out
}
