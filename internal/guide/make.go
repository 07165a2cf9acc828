package guide

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"tawsight/classify"
	"tawsight/internal/likeness"
	"tawsight/internal/record"
	"tawsight/internal/report"
)

// mostPictured is how many marbles of a set are pictured at most, taken evenly
// from light to dark: a guide is to be sent to friends.
const mostPictured = 60

// A marble is one specimen as all its photos show it.
type marble struct {
	key   string // photos of one marble share it; also what leaving-out calls it
	label string
	looks []*likeness.Specimen
}

// Make makes the first edition of a guide; see [Edition.Follow] for later ones.
// The error is that of leaving out, or says that there is nothing to show.
func Make(src Source) (*Edition, error) {
	loo, err := src.Learned.LeaveOneOut()
	if err != nil {
		return nil, err
	}
	model := src.Learned.Model()
	specimens := src.Learned.Specimens()
	marbles := gather(specimens)
	e := &Edition{
		Format: Format, Version: Version, Number: 1, Date: src.Date.Format("2006-01-02"),
		Title: cmp.Or(strings.TrimSpace(src.Title), "My marbles: a guide to my sets"), Collector: strings.TrimSpace(src.Collector),
		About: strings.TrimSpace(src.About), Terms: strings.TrimSpace(src.Terms),
		Specimens: len(marbles), Tested: loo.Tested, Right: loo.Correct, Rejected: loo.Rejected,
		Warnings: slices.Concat(warnings(model, specimens), src.Warnings), MadeBy: src.MadeBy,
	}
	if loo.Tested > 0 {
		low, high := classify.Wilson(loo.Correct, loo.Tested)
		e.RightU95 = &[2]float64{round(low, 4), round(high, 4)}
	}
	suspects := map[string]bool{}
	for _, s := range loo.Mislabelled {
		suspects[s.Specimen] = true
	}
	left := map[string]classify.LeftOut{}
	for _, l := range loo.Marbles {
		left[l.ID] = l
	}
	photos := map[string]bool{}
	for i := range specimens {
		photos[specimens[i].Photo.Path] = true
	}
	e.Photos = len(photos)
	byLabel := map[string][]*marble{}
	for _, m := range marbles {
		byLabel[m.label] = append(byLabel[m.label], m)
	}
	for _, label := range loo.Labels {
		s := Set{Label: label, Face: -1}
		for _, info := range src.Sets {
			if info.Label == label {
				s.ID, s.Note, s.Uncertain, s.TooPoor = info.ID, strings.TrimSpace(info.Note), info.Uncertain, info.TooPoor
			}
		}
		own := byLabel[label]
		s.Photos = photosOf(own)
		s.members(own, suspects, left)
		s.colours(own)
		s.Traits = traits(own)
		s.Ranges = ranges(model, label)
		s.judged(loo)
		s.Credits = creditsOf(s.shown())
		e.Sets = append(e.Sets, s)
	}
	e.Confusion = loo.Confusion
	for i := range e.Sets {
		e.Sets[i].Lookalikes = e.lookalikes(i, model, loo, byLabel)
	}
	var all []*Member
	for i := range e.Sets {
		all = append(all, e.Sets[i].shown()...)
	}
	e.Credits = creditsOf(all)
	return e, nil
}

// warnings are the model's, those on single features brought together in one.
// Those that name a photo's path are left out: it may say where somebody lives,
// and a set of one photo has a warning of its own.
func warnings(model *classify.Model, specimens []likeness.Specimen) (out []string) {
	var unused []string
	out = slices.DeleteFunc(slices.Clone(model.Warnings), func(w string) bool {
		return slices.ContainsFunc(specimens, func(s likeness.Specimen) bool { return strings.Contains(w, s.Photo.Path) })
	})
	for _, f := range model.Features {
		if _, used := model.Spread[f.Name]; used {
			continue
		}
		about := func(w string) bool { return strings.HasPrefix(w, "Feature "+f.Name+" ") }
		if slices.ContainsFunc(out, about) {
			unused = append(unused, cmp.Or(f.Label, f.Name))
			out = slices.DeleteFunc(out, about)
		}
	}
	if len(unused) > 0 {
		out = append(out, "The same in all marbles, or hardly measured in any, and so not compared by: "+strings.Join(unused, ", ")+".")
	}
	return out
}

// gather brings photos of one marble together, in the order of the specimens.
func gather(list []likeness.Specimen) (out []*marble) {
	by := map[string]*marble{}
	for i := range list {
		s := &list[i]
		key := cmp.Or(s.Specimen, s.ID)
		m := by[key]
		if m == nil {
			m = &marble{key: key, label: s.Label}
			by[key] = m
			out = append(out, m)
		}
		m.looks = append(m.looks, s)
	}
	return out
}

func photosOf(list []*marble) int {
	seen := map[string]bool{}
	for _, m := range list {
		for _, l := range m.looks {
			seen[l.Photo.Path] = true
		}
	}
	return len(seen)
}

// id is what the marble is known by from edition to edition: it stays where
// folders are renamed, and gives no path or name away.
func (m *marble) id() string {
	first := m.looks[0]
	text := "id " + first.ID
	switch {
	case first.Specimen != "":
		text = "specimen " + first.Specimen
	case first.Photo.SHA256 != "":
		text = "photo " + first.Photo.SHA256 + " " + first.Marble.ID
	}
	sum := sha256.Sum256([]byte(text))
	return hex.EncodeToString(sum[:8])
}

// sureOf is how sure a figure is; what is not said counts as sure.
func sureOf(m *record.Marble, feature string) float64 {
	if s, ok := m.FeaturesSure[feature]; ok {
		return s
	}
	return 1
}

// best is the look that shows a feature most surely; ok is false where none has
// it.
func (m *marble) best(feature string) (look *likeness.Specimen, v, sure float64, ok bool) {
	for _, l := range m.looks {
		value, has := l.Marble.Features[feature]
		if s := sureOf(l.Marble, feature); has && !math.IsNaN(value) && (!ok || s > sure) {
			look, v, sure, ok = l, value, s, true
		}
	}
	return look, v, sure, ok
}

// values are the marble's features, each from where it is seen most surely.
func (m *marble) values() map[string]float64 {
	out := map[string]float64{}
	for _, l := range m.looks {
		for name := range l.Marble.Features {
			if _, v, _, ok := m.best(name); ok {
				out[name] = v
			}
		}
	}
	return out
}

// diameterMM is the mean of what its photos gave; nil where none gave a size to
// rely on.
func (m *marble) diameterMM() *float64 {
	var sizes []float64
	for _, l := range m.looks {
		if d := l.Marble.DiameterMM; d != nil && (l.Marble.Verdict == nil || l.Marble.Verdict.Size != record.Unusable) {
			sizes = append(sizes, *d)
		}
	}
	if len(sizes) == 0 {
		return nil
	}
	slices.Sort(sizes) // so that the order of photos can't show in the last bit
	sum := 0.0
	for _, v := range sizes {
		sum += v
	}
	return record.F(round(sum/float64(len(sizes)), 3))
}

// base is the base as it is seen most surely; nil where it is not known.
func (m *marble) base() (b *record.Base, sure float64) {
	for _, l := range m.looks {
		if s := sureOf(l.Marble, "translucency"); l.Marble.Base != nil && (b == nil || s > sure) {
			b, sure = l.Marble.Base, s
		}
	}
	return b, sure
}

// toShow is the look to picture the marble by: one that may be shared, of known
// size if possible, the surest. why is why there is none.
func (m *marble) toShow() (look *likeness.Specimen, why string) {
	best := -1.0
	why = NoPermission
	for _, l := range m.looks {
		if !l.Permission.AllowsSharing() {
			continue
		}
		if l.View == nil {
			if look == nil {
				why = NoPicture
			}
			continue
		}
		worth := 0.0
		for _, s := range l.Marble.FeaturesSure {
			worth += s / float64(len(l.Marble.FeaturesSure))
		}
		if l.Marble.DiameterMM != nil {
			worth += 2
		}
		if worth > best {
			look, best, why = l, worth, ""
		}
	}
	return look, why
}

func nameOf(s *likeness.Specimen) string {
	if s.Name != "" {
		return s.Name
	}
	if s.Specimen != "" {
		return s.Specimen
	}
	return fmt.Sprintf("%s, no. %s", strings.TrimSuffix(filepath.Base(s.Photo.Path), filepath.Ext(s.Photo.Path)), s.Marble.ID)
}

// words say what a marble's picture shows, for those who can't see it.
func words(m *record.Marble) string {
	var parts []string
	if b := m.Base; b != nil {
		kind := b.Kind
		if b.Tinted {
			kind = "tinted " + kind
		}
		parts = append(parts, kind+" base, "+b.Name)
	}
	var names []string
	for _, r := range slices.SortedStableFunc(slices.Values(m.Ribbons), func(a, b record.Ribbon) int { return cmp.Compare(b.AreaFraction, a.AreaFraction) }) {
		if !slices.Contains(names, r.Name) && len(names) < 3 {
			names = append(names, r.Name)
		}
	}
	if len(names) > 0 {
		parts = append(parts, "ribbons "+strings.Join(names, ", "))
	}
	return strings.Join(parts, "; ")
}

// members lists the set's marbles, the lightest base first, and numbers those
// that are pictured.
func (s *Set) members(list []*marble, suspects map[string]bool, left map[string]classify.LeftOut) {
	type entry struct {
		Member
		typical float64
	}
	var all []entry
	for _, m := range list {
		q := entry{Member: Member{ID: m.id(), DiameterMM: m.diameterMM()}}
		if b, _ := m.base(); b != nil {
			lab := b.Lab
			q.BaseLab = &lab
		}
		look, why := m.toShow()
		switch {
		case look == nil:
			q.NotShown = why
		case suspects[m.key]:
			q.NotShown = Suspect
		default:
			q.Name, q.Credit, q.Permission, q.Picture = nameOf(look), look.Credit, look.Permission, look.View
			q.Words = words(look.Marble)
		}
		for _, like := range left[m.key].Prediction.Sets {
			if like.Label == s.Label {
				q.typical = like.PValue
			}
		}
		all = append(all, q)
	}
	lightness := func(m Member) float64 {
		if m.BaseLab == nil {
			return -1
		}
		return m.BaseLab[0]
	}
	slices.SortFunc(all, func(a, b entry) int {
		return cmp.Or(cmp.Compare(lightness(b.Member), lightness(a.Member)), cmp.Compare(a.Name, b.Name), cmp.Compare(a.ID, b.ID))
	})
	var may []int
	for i := range all {
		if all[i].NotShown == "" {
			may = append(may, i)
		}
	}
	if n := len(may); n > mostPictured {
		for k := range may {
			// Every step of the n that falls on a new one of the mostPictured is
			// shown: the first and the last always are.
			if k*(mostPictured-1)/(n-1) == (k-1)*(mostPictured-1)/(n-1) && k > 0 {
				q := &all[may[k]]
				q.NotShown, q.Name, q.Words, q.Credit, q.Permission, q.Picture = EnoughOthers, "", "", "", "", nil
			}
		}
	}
	number, most := 0, -1.0
	for i := range all {
		q := &all[i]
		if q.NotShown == "" {
			number++
			q.Number = number
			// One of known size can stand on a page with other faces.
			if q.DiameterMM != nil {
				q.typical += 2
			}
			if q.typical > most {
				s.Face, most = i, q.typical
			}
		}
		s.Members = append(s.Members, q.Member)
		if q.DiameterMM != nil {
			s.SizesMM = append(s.SizesMM, *q.DiameterMM)
		}
	}
	slices.Sort(s.SizesMM)
}

// colours are the palettes of base and ribbons.
func (s *Set) colours(list []*marble) {
	var base, ribbons []report.FoundColour
	for _, m := range list {
		for _, l := range m.looks {
			if b := l.Marble.Base; b != nil {
				base = append(base, report.FoundColour{Specimen: m.key, Lab: b.Lab})
			}
			for _, r := range l.Marble.Ribbons {
				ribbons = append(ribbons, report.FoundColour{Specimen: m.key, Lab: r.Lab})
			}
		}
	}
	s.Base, s.Ribbons = report.Palette(base), report.Palette(ribbons)
}

// judged is how sure the set is.
func (s *Set) judged(loo classify.LOO) {
	k := slices.Index(loo.Labels, s.Label)
	r := loo.Recall[k]
	s.Tested, s.Right = r.Tested, r.Correct
	if r.Tested > 0 {
		low, high := classify.Wilson(r.Correct, r.Tested)
		s.RightU95 = &[2]float64{round(low, 4), round(high, 4)}
	}
	for j, n := range loo.Confusion[k] {
		if j != k && n > 0 {
			s.TakenFor = append(s.TakenFor, report.TakenFor{Label: loo.Labels[j], Count: n})
		}
	}
	slices.SortStableFunc(s.TakenFor, func(a, b report.TakenFor) int { return cmp.Compare(b.Count, a.Count) })
	for _, small := range loo.Small {
		if small.Label == s.Label {
			s.Warnings = append(s.Warnings, small.Text)
		}
	}
	if s.Photos == 1 && len(s.Members) > 1 {
		s.Warnings = append(s.Warnings, "All its marbles were taken in one photo, so its light and focus are in every figure.")
	}
}

// creditsOf are those who let these marbles be shown, those of most pictures
// first.
func creditsOf(list []*Member) (out []Credit) {
	for _, m := range list {
		k := slices.IndexFunc(out, func(c Credit) bool { return c.Name == m.Credit && c.Permission == m.Permission })
		if k < 0 {
			out = append(out, Credit{Name: m.Credit, Permission: m.Permission})
			k = len(out) - 1
		}
		out[k].Pictures++
	}
	slices.SortStableFunc(out, func(a, b Credit) int {
		return cmp.Or(cmp.Compare(b.Pictures, a.Pictures), cmp.Compare(a.Name, b.Name))
	})
	return out
}

func round(v float64, places int) float64 {
	p := math.Pow(10, float64(places))
	return math.Round(v*p) / p
}
