package likeness

import (
	"cmp"
	"maps"
	"slices"
	"strings"

	"tawsight/classify"
	"tawsight/internal/record"
	"tawsight/internal/report"
)

// HealthOptions are what the report on the sets asks for beyond what was learnt.
type HealthOptions struct {
	// Photos is how many photos each set has, those without a marble that may
	// be learnt from included; of a set that is not named, and where nil, the
	// photos of its specimens are counted. A set that is only named here has a
	// place in the report too.
	Photos map[string]int
	MadeBy record.MadeBy
	// Gallery fetches a picture of every marble, for drawing the report; its
	// JSON form holds none.
	Gallery bool
}

// Health gathers what is known of the sets. Errors are those of
// [Learned.LeaveOneOut], and with a gallery those of fetching pictures.
func (l *Learned) Health(o HealthOptions) (report.Health, error) {
	loo, err := l.loo()
	if err != nil {
		return report.Health{}, err
	}
	h := report.Health{
		Labels: loo.Labels, Confusion: loo.Confusion, Tested: loo.Tested, Right: loo.Correct, Rejected: loo.Rejected,
		Warnings: l.model.Warnings, MadeBy: o.MadeBy,
	}
	// In texts, specimens go by the names that they have on plates.
	var names []string
	for i := range l.specimens {
		s := &l.specimens[i]
		names = append(names, s.ID, s.name())
		// A marble of several photos goes by what they share, which may say more
		// than its name: whose it is.
		if s.Specimen != "" && !strings.Contains(s.Specimen, s.name()) {
			names = append(names, s.Specimen, s.name())
		}
	}
	named := func(text string) string { return text }
	if len(names) > 0 {
		// The longest first, since a path may begin as another does.
		named = strings.NewReplacer(longestFirst(names)...).Replace
	}
	if len(loo.Bins) > 0 { // else nothing could be tested
		h.Brier, h.CalibrationError = record.F(round(loo.Brier, 4)), record.F(round(loo.CalibrationError, 4))
	}
	for _, b := range loo.Bins {
		h.Bins = append(h.Bins, report.HealthBin{Low: b.Low, High: b.High, N: b.N, Probability: round(b.Probability, 4), Right: round(b.Right, 4)})
	}
	for _, p := range loo.Pairs {
		one := report.HealthPair{A: p.A, B: p.B, Confused: p.Confused}
		for _, s := range p.Features {
			label := s.Feature
			if f, ok := registered(s.Feature); ok {
				label = f.Label
			}
			one.Features = append(one.Features, report.HealthSeparation{Feature: s.Feature, Label: label, D: round(s.D, 3), Text: s.Text})
		}
		h.Pairs = append(h.Pairs, one)
	}
	for _, s := range loo.Mislabelled {
		h.Mislabelled = append(h.Mislabelled, report.HealthSuspect{Specimen: s.Specimen, Label: s.Label, Like: s.Like, PValue: round(s.PValue, 4), Text: named(s.Text)})
	}
	for _, d := range loo.Duplicates {
		h.Duplicates = append(h.Duplicates, report.HealthDuplicate{A: d.A, B: d.B, Distance: round(d.Distance, 4), Typical: round(d.Typical, 4), Text: named(d.Text)})
	}
	for _, s := range loo.Small {
		h.Small = append(h.Small, report.HealthSmall{Label: s.Label, N: s.N, Text: s.Text})
	}
	for _, c := range loo.Candidates {
		h.Candidates = append(h.Candidates, report.HealthCandidate{Name: c.Name, Wrong: c.Wrong, Tested: c.Tested, Chosen: c.Chosen})
	}
	photos := l.photos()
	maps.Copy(photos, o.Photos)
	for _, label := range slices.Sorted(maps.Keys(photos)) {
		one, err := l.healthOfSet(label, loo, o.Gallery)
		if err != nil {
			return report.Health{}, err
		}
		one.Photos = photos[label]
		h.Sets = append(h.Sets, one)
	}
	return h, nil
}

// photos is how many photos each set's specimens come from.
func (l *Learned) photos() map[string]int {
	out := map[string]int{}
	type photo struct{ label, path string }
	seen := map[photo]bool{}
	for i := range l.specimens {
		p := photo{l.specimens[i].Label, l.specimens[i].Photo.Path}
		if !seen[p] {
			seen[p] = true
			out[p.label]++
		}
	}
	return out
}

// longestFirst orders pairs of old and new by the length of the old.
func longestFirst(pairs []string) []string {
	var old [][2]string
	for i := 0; i+1 < len(pairs); i += 2 {
		old = append(old, [2]string{pairs[i], pairs[i+1]})
	}
	slices.SortStableFunc(old, func(a, b [2]string) int { return cmp.Compare(len(b[0]), len(a[0])) })
	out := make([]string, 0, len(pairs))
	for _, p := range old {
		out = append(out, p[0], p[1])
	}
	return out
}

func (l *Learned) healthOfSet(label string, loo classify.LOO, gallery bool) (report.HealthSet, error) {
	one := report.HealthSet{Label: label}
	var base, ribbons []report.FoundColour
	seen := map[string]bool{}
	sizes := map[string][]float64{}
	for i := range l.specimens {
		s := &l.specimens[i]
		if s.Label != label {
			continue
		}
		key := s.key()
		if !seen[key] {
			seen[key] = true
			if gallery {
				shown, err := s.onPlate()
				if err != nil {
					return one, err
				}
				one.Gallery = append(one.Gallery, shown)
			}
		}
		if b := s.Marble.Base; b != nil {
			base = append(base, report.FoundColour{Specimen: key, Lab: b.Lab})
		}
		for _, r := range s.Marble.Ribbons {
			ribbons = append(ribbons, report.FoundColour{Specimen: key, Lab: r.Lab})
		}
		if s.Marble.DiameterMM != nil && (s.Marble.Verdict == nil || s.Marble.Verdict.Size != record.Unusable) {
			sizes[key] = append(sizes[key], *s.Marble.DiameterMM)
		}
	}
	one.Specimens = len(seen)
	for _, of := range sizes { // several photos of one marble are one size
		sum := 0.0
		slices.Sort(of) // so that the order of photos can't show in the last bit
		for _, v := range of {
			sum += v
		}
		one.SizesMM = append(one.SizesMM, round(sum/float64(len(of)), 3))
	}
	slices.Sort(one.SizesMM)
	one.Base, one.Ribbons = report.Palette(base), report.Palette(ribbons)
	slices.SortStableFunc(one.Gallery, func(a, b report.PlateSpecimen) int { return cmp.Compare(a.Name, b.Name) })
	if k := slices.Index(loo.Labels, label); k >= 0 {
		r := loo.Recall[k]
		one.Tested, one.Right = r.Tested, r.Correct
		if share, ok := r.Share(); ok {
			one.Recall = record.F(round(share, 4))
			if r.High > 0 {
				one.RecallU95 = &[2]float64{round(r.Low, 4), round(r.High, 4)}
			}
		}
		one.TakenFor = takenFor(loo, k)
	}
	return one, nil
}
