package pipeline

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"sync"

	"tawsight/calib"
	"tawsight/classify"
	"tawsight/features"
	"tawsight/internal/record"
	"tawsight/internal/refset"
	"tawsight/internal/report"
)

// ErrNoMarble is wrapped by the error for a marble number that the photo does
// not have. Nothing has been written then.
var ErrNoMarble = errors.New("no such marble")

// CompareOptions say which photo to compare with which labelled sets.
type CompareOptions struct {
	Photo         string
	ReferencesDir string // one sub-folder a label, perhaps bundles; or a bundle
	// Marble is the number of the marble to compare; 0 for every undecided one,
	// and for the only one.
	Marble     int
	OutDir     string // gets the plates; empty for the answers alone
	CheckBarMM float64
	Workers    int
	// NoKeep measures all labelled photos, whatever is known of them from
	// earlier runs.
	NoKeep   bool
	Progress func(done, total int, path string)
	Log      *slog.Logger
}

// CompareSummary is what a comparison came to.
type CompareSummary struct {
	Comparisons []Comparison // one a plate
	Marbles     int          // in the photo
	Decided     int          // that needed no plate
	// Why says why there is no comparison, and what to do; empty where there is
	// one.
	Why      string
	Failures []Failure // photos that could not be read
	Warnings []string
}

// Comparison is the answer for one marble.
type Comparison struct {
	report.Plate
	Files []string // the plate's, as PNG, PDF and HTML; none without OutDir
}

// specimen is one labelled marble of one photo.
type specimen struct {
	photo  *record.Photo
	marble *record.Marble
	label  string
	note   refset.Note
	view   report.View
	sample classify.Sample
}

// key tells specimens apart: photos of one marble share it.
func (s *specimen) key() string { return cmp.Or(s.sample.Specimen, s.sample.ID) }

// gatherSpecimens measures the labelled photos, with pictures, and gives every
// marble that may be learnt from.
func gatherSpecimens(ctx context.Context, refs *references, scale calib.PrintScale, workers int, k keep, progress func(done, total int, path string), log *slog.Logger) ([]specimen, []Failure, error) {
	folder := refs.folder
	type job struct{ label, path string }
	var jobs []job
	for _, s := range folder.Sets {
		for _, p := range s.Photos {
			jobs = append(jobs, job{s.Label, p})
		}
	}
	all := make([]measured, len(jobs))
	var mu sync.Mutex
	var keepErr error
	done := 0
	each(ctx, len(jobs), workers, func(i int) {
		m, err := measureKept(jobs[i].path, scale, k)
		mu.Lock()
		defer mu.Unlock()
		all[i] = m
		if keepErr == nil {
			keepErr = err
		}
		done++
		if progress != nil {
			progress(done, len(jobs), jobs[i].path)
		}
	})
	if err := ctx.Err(); err != nil {
		return nil, nil, err
	}
	if keepErr != nil {
		log.Warn("what was measured could not be kept for the next run", "why", keepErr)
	}
	var out []specimen
	var failures []Failure
	bySum := map[string]string{} // the photos' paths by SHA-256
	for i := range all {
		p := &all[i].Photo
		if p.Error != "" {
			failures = append(failures, Failure{Path: p.Path, Reason: p.Error})
			continue
		}
		noteUnknownMarbles(folder, *p, log)
		bySum[p.SHA256] = p.Path
		for _, m := range learnable(*p, log) {
			j := slices.IndexFunc(p.Marbles, func(q record.Marble) bool { return q.ID == m.ID })
			note := folder.Note(p.Path, m.ID)
			out = append(out, specimen{
				photo: p, marble: m, label: jobs[i].label, note: note, view: all[i].Views[j],
				sample: classify.Sample{
					ID: p.Path + "#" + m.ID, Group: p.Path, Specimen: note.Specimen, Label: jobs[i].label,
					Values: m.Features, Sure: m.FeaturesSure,
				},
			})
		}
	}
	for _, b := range refs.bundles {
		theirs, err := bundled(b, folder, bySum, true)
		if err != nil {
			return nil, nil, err
		}
		out = append(out, theirs...)
	}
	return out, failures, nil
}

// name is what a specimen is called on a plate.
func (s *specimen) name() string {
	if s.note.Specimen != "" {
		return s.note.Specimen
	}
	return fmt.Sprintf("%s, no. %s", strings.TrimSuffix(filepath.Base(s.photo.Path), filepath.Ext(s.photo.Path)), s.marble.ID)
}

func (s *specimen) onPlate() report.PlateSpecimen {
	out := report.PlateSpecimen{
		Name: s.name(), PhotoPath: s.photo.Path, Credit: s.note.Credit, View: s.view, Values: s.marble.Features,
	}
	if s.note.Permission != refset.NotSaid || s.note.Credit != "" {
		out.Permission = "permission: " + s.note.Permission.String()
	}
	return out
}

// Compare measures a photo, and sets its doubtful marbles beside the nearest
// labelled ones. The error wraps ErrNoMarble for a number that the photo does
// not have, and ErrNoPhotos where there are no labelled photos.
func Compare(ctx context.Context, o CompareOptions) (CompareSummary, error) {
	log := o.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	var sum CompareSummary
	scale, err := calib.ScaleFromCheckBar(o.CheckBarMM)
	if err != nil {
		return sum, err
	}
	refs, err := readReferences(o.ReferencesDir)
	if err != nil {
		return sum, err
	}
	defer refs.close()
	// The photo comes first: where it has no marbles nothing need be learnt.
	res := safely(o.Photo, scale, wanted{views: true})
	if err := ctx.Err(); err != nil {
		return sum, err
	}
	p := &res.photo
	sum.Marbles = len(p.Marbles)
	if p.Error != "" {
		sum.Failures = append(sum.Failures, Failure{Path: p.Path, Reason: p.Error})
		sum.Why = "The photo could not be read."
		return sum, nil
	}
	if o.Marble > len(p.Marbles) && len(p.Marbles) > 0 {
		return sum, fmt.Errorf("%w: --marble is %d, and %s has %s (1 to %d, by row and column; the overlay that tawsight measure draws has the numbers)",
			ErrNoMarble, o.Marble, o.Photo, marbles(len(p.Marbles)), len(p.Marbles))
	}
	if sum.Why = whyNoComparison(p); sum.Why != "" {
		return sum, nil
	}
	if o.Marble > 0 {
		if why := whyNotThis(&p.Marbles[o.Marble-1]); why != "" {
			sum.Why = fmt.Sprintf("Marble %d can't be compared: %s.", o.Marble, why)
			return sum, nil
		}
	}
	if o.OutDir != "" {
		if err := writable(o.OutDir); err != nil {
			return sum, err
		}
		stem := report.Stems([]string{p.Path})[0]
		for i := range p.Marbles {
			if o.Marble == 0 || o.Marble == i+1 {
				if err := report.FreeForPlate(o.OutDir, stem, p.Marbles[i].ID); err != nil {
					return sum, err
				}
			}
		}
	}
	k := openKeep()
	if o.NoKeep {
		k = keep{}
	}
	specimens, failures, err := gatherSpecimens(ctx, refs, scale, o.Workers, k, o.Progress, log)
	sum.Failures = append(sum.Failures, failures...)
	if err != nil {
		return sum, err
	}
	// A labelled photo that is compared must not find itself.
	n := len(specimens)
	specimens = slices.DeleteFunc(specimens, func(s specimen) bool { return s.photo.SHA256 == p.SHA256 })
	if left := n - len(specimens); left > 0 {
		sum.Warnings = append(sum.Warnings, fmt.Sprintf("The photo is among the labelled ones itself: its %s were left out of the sets.", marbles(left)))
	}
	samples := make([]classify.Sample, len(specimens))
	for i, s := range specimens {
		samples[i] = s.sample
	}
	model, err := classify.Train(featureInfos(), samples, trainOptions())
	if err != nil {
		return sum, fmt.Errorf("%s: %w", o.ReferencesDir, err)
	}
	sum.Warnings = append(sum.Warnings, model.Warnings...)
	loo, err := classify.LeaveOneOut(featureInfos(), samples, trainOptions())
	if err != nil {
		return sum, fmt.Errorf("%s: %w", o.ReferencesDir, err)
	}
	c := comparer{model: model, loo: loo, specimens: specimens, samples: samples}
	var skipped []string
	views := trueViews(&res)
	for i := range p.Marbles {
		m := &p.Marbles[i]
		if o.Marble != 0 && o.Marble != i+1 {
			continue
		}
		if why := whyNotThis(m); why != "" {
			skipped = append(skipped, fmt.Sprintf("marble %s: %s", m.ID, why))
			continue
		}
		reading := classify.Reading{Values: m.Features, Sure: m.FeaturesSure}
		pr, err := model.PredictReading(reading)
		if err != nil {
			skipped = append(skipped, fmt.Sprintf("marble %s: %v", m.ID, err))
			continue
		}
		if o.Marble == 0 && len(p.Marbles) > 1 && pr.Status == classify.Assigned {
			sum.Decided++
			continue
		}
		one := Comparison{Plate: c.plate(p, m, views[i], pr)}
		if o.OutDir != "" {
			if one.Files, err = report.WritePlate(o.OutDir, report.Stems([]string{p.Path})[0], one.Plate); err != nil {
				return sum, err
			}
		}
		sum.Comparisons = append(sum.Comparisons, one)
		if err := ctx.Err(); err != nil {
			return sum, err
		}
	}
	if len(sum.Comparisons) == 0 {
		switch {
		case sum.Decided > 0 && len(skipped) == 0:
			sum.Why = fmt.Sprintf("None is in doubt: all %s are like one set. To see one beside its set, name it with --marble.", marbles(sum.Decided))
		case sum.Decided > 0:
			sum.Why = fmt.Sprintf("None is in doubt: %s like one set; not compared: %s. To see one beside its set, name it with --marble.", marblesAre(sum.Decided), strings.Join(skipped, "; "))
		default:
			sum.Why = "No marble could be compared: " + strings.Join(skipped, "; ") + "."
		}
	} else if len(skipped) > 0 {
		sum.Warnings = append(sum.Warnings, "Not compared: "+strings.Join(skipped, "; ")+".")
	}
	return sum, nil
}

func marbles(n int) string {
	if n == 1 {
		return "1 marble"
	}
	return fmt.Sprintf("%d marbles", n)
}

func marblesAre(n int) string {
	if n == 1 {
		return "1 marble is"
	}
	return fmt.Sprintf("%d marbles are", n)
}

// whyNoComparison is why no marble of a photo can be compared, with what to do.
func whyNoComparison(p *record.Photo) string {
	advice := func(about ...string) string {
		for _, f := range p.Flags {
			for _, a := range about {
				if f.Severity == record.Fail && slices.Contains(f.Affects, a) {
					return ": " + f.Message + "; " + f.Advice
				}
			}
		}
		return ""
	}
	switch {
	case len(p.Marbles) == 0:
		return "No marble was found in the photo" + advice(record.AboutSize, record.AboutPattern, record.AboutColour) + "."
	case p.Verdict.Pattern == record.Unusable:
		return "The photo is too poor to compare patterns by" + advice(record.AboutPattern) + "."
	case p.Verdict.Colour == record.Unusable:
		return "The photo is too poor to compare colours by" + advice(record.AboutColour) + "."
	}
	return ""
}

// whyNotThis is why one marble can't be compared.
func whyNotThis(m *record.Marble) string {
	switch {
	case m.CutOff:
		return "it is cut off by the photo's edge: take it whole"
	case m.Verdict != nil && (m.Verdict.Pattern == record.Unusable || m.Verdict.Colour == record.Unusable):
		for _, f := range m.Flags {
			if f.Severity == record.Fail {
				return f.Message + "; " + f.Advice
			}
		}
		return "too little of it is seen"
	}
	return ""
}

// A comparer holds what all marbles are compared with.
type comparer struct {
	model     *classify.Model
	loo       classify.LOO
	specimens []specimen
	samples   []classify.Sample
}

// A third set is shown where it is about as likely as the second.
const (
	thirdAtLeast  = 0.1
	thirdOfSecond = 0.5
)

func (c *comparer) plate(p *record.Photo, m *record.Marble, view report.View, pr classify.Prediction) report.Plate {
	out := report.Plate{
		PhotoPath: p.Path, Marble: *m, View: view, Status: pr.Status, Verdict: verdictOf(pr), MadeBy: p.MadeBy,
	}
	for _, f := range append(slices.Clone(m.Flags), p.Flags...) {
		if slices.Contains(f.Affects, record.AboutColour) || slices.Contains(f.Affects, record.AboutPattern) || slices.Contains(f.Affects, record.AboutSize) {
			if !slices.Contains(out.Notes, f.Message) {
				out.Notes = append(out.Notes, f.Message)
			}
		}
	}
	leading := pr.Sets
	n := min(2, len(leading))
	if len(leading) > 2 && leading[2].Probability >= thirdAtLeast && leading[2].Probability >= thirdOfSecond*leading[1].Probability {
		n = 3
	}
	for _, l := range leading[:n] {
		out.Sets = append(out.Sets, c.set(l, m))
	}
	for _, r := range c.deciding(pr, m) {
		f, ok := registered(r)
		if !ok {
			continue
		}
		pf := report.PlateFeature{Feature: f}
		if v, ok := m.Features[r]; ok {
			pf.Value = &v
		}
		for _, l := range leading[:n] {
			pf.Usual = append(pf.Usual, c.usual(l.Label, f))
		}
		out.Features = append(out.Features, pf)
	}
	for _, r := range pr.Reasons[:min(4, len(pr.Reasons))] {
		text := r.Text
		switch {
		case r.Toward == classify.UnlikeAny:
		case r.Toward != "":
			text += ": speaks for " + r.Toward
		}
		out.Reasons = append(out.Reasons, text)
	}
	out.HowSure = c.howSure(pr)
	if len(leading) > 1 {
		if pr.Status == classify.Assigned {
			out.Settle = append(out.Settle, "It is not in doubt as it stands; what follows would make it surer")
		}
		for _, s := range c.model.Settle(classify.Reading{Values: m.Features, Sure: m.FeaturesSure}, leading[0].Label, leading[1].Label, couldMeasure(m)) {
			out.Settle = append(out.Settle, s.Text)
			if len(out.Settle) == 3 {
				break
			}
		}
		if pr.Status == classify.Assigned && len(out.Settle) == 1 {
			out.Settle[0] = "It is not in doubt as it stands"
		}
	}
	return out
}

func registered(name string) (features.Feature, bool) {
	for _, f := range features.All() {
		if f.Name == name {
			return f, true
		}
	}
	return features.Feature{}, false
}

func verdictOf(pr classify.Prediction) string {
	best := fmt.Sprintf("%s (%.2f)", pr.Label, pr.Probability)
	switch pr.Status {
	case classify.UnlikeAny:
		text := "unlike any of your sets; the nearest is " + pr.Label
		if pr.RunnerUp != "" {
			text += ", then " + pr.RunnerUp
		}
		return text
	case classify.Doubtful:
		return fmt.Sprintf("in doubt between %s and %s (%.2f)", best, pr.RunnerUp, pr.RunnerUpProbability)
	}
	if pr.RunnerUp == "" {
		return "like " + pr.Label + ", the only set there is to compare with"
	}
	return fmt.Sprintf("like %s; the next is %s (%.2f)", best, pr.RunnerUp, pr.RunnerUpProbability)
}

// set is a leading set with its specimens nearest to the marble, each marble
// once, however many photos there are of it.
func (c *comparer) set(l classify.Likeness, m *record.Marble) report.PlateSet {
	out := report.PlateSet{Label: l.Label, Probability: l.Probability}
	byID := map[string]*specimen{}
	var own []classify.Sample
	keys := map[string]bool{}
	for i := range c.specimens {
		s := &c.specimens[i]
		if s.label == l.Label {
			byID[s.sample.ID] = s
			own = append(own, s.sample)
			keys[s.key()] = true
		}
	}
	out.Marbles = len(keys)
	taken := map[string]bool{}
	for _, near := range c.model.Nearest(m.Features, own, len(own)) {
		s := byID[near.Sample.ID]
		if taken[s.key()] {
			continue
		}
		taken[s.key()] = true
		out.Specimens = append(out.Specimens, s.onPlate())
		if len(out.Specimens) == 4 {
			break
		}
	}
	if k := slices.Index(c.loo.Labels, l.Label); k >= 0 {
		out.Tested, out.Right = c.loo.Recall[k].Tested, c.loo.Recall[k].Correct
		out.TakenFor = takenFor(c.loo, k)
	}
	return out
}

// takenFor is what the specimens of set k were wrongly taken for, the most
// frequent first.
func takenFor(loo classify.LOO, k int) (out []report.TakenFor) {
	for j, n := range loo.Confusion[k] {
		if j != k && n > 0 {
			out = append(out, report.TakenFor{Label: loo.Labels[j], Count: n})
		}
	}
	sort.SliceStable(out, func(a, b int) bool { return out[a].Count > out[b].Count })
	return out
}

// deciding are the names of the features that decide, the weightiest first.
// Where there is one set only, they are those in which the marble differs most
// from it.
func (c *comparer) deciding(pr classify.Prediction, m *record.Marble) (names []string) {
	for _, r := range pr.Reasons {
		names = append(names, r.Feature)
	}
	if len(names) > 0 || len(pr.Sets) == 0 {
		return names
	}
	off := map[string]float64{}
	for _, s := range c.model.Sets {
		if s.Label != pr.Label {
			continue
		}
		for name, u := range s.Features {
			v, ok := m.Features[name]
			spread := c.model.Spread[name]
			f, known := registered(name)
			if !ok || !known || !(spread > 0) {
				continue
			}
			if f.LogFrom > 0 {
				v = math.Log(math.Max(0, v) + f.LogFrom)
			}
			off[name] = math.Abs(v-u.Centroid) / spread
			names = append(names, name)
		}
	}
	slices.SortFunc(names, func(a, b string) int { return cmp.Or(cmp.Compare(off[b], off[a]), strings.Compare(a, b)) })
	return names
}

// usual is a set's usual range of a feature in the feature's own unit; nil where
// it was never measured there.
func (c *comparer) usual(label string, f features.Feature) *[2]float64 {
	for _, s := range c.model.Sets {
		if s.Label != label {
			continue
		}
		if u, ok := s.Features[f.Name]; ok {
			// A set's ranges are on the scale that the feature is compared on.
			raw := func(v float64) float64 {
				if f.LogFrom > 0 {
					return math.Max(0, math.Exp(v)-f.LogFrom)
				}
				return v
			}
			return &[2]float64{raw(u.Low), raw(u.High)}
		}
	}
	return nil
}

// howSure says what the figures rest on.
func (c *comparer) howSure(pr classify.Prediction) (out []string) {
	if c.loo.Tested == 0 {
		return []string{"No labelled marble could be tested with itself left out, so the probabilities are rough, and nothing can be called unlike any set."}
	}
	if len(pr.Sets) > 1 {
		text := fmt.Sprintf("Probabilities hold if it is of one of your sets; they are calibrated on %d labelled marbles, each judged with itself left out", c.loo.Tested)
		for _, b := range c.loo.Bins {
			if b.N > 0 && (pr.Probability >= b.Low && pr.Probability < b.High || pr.Probability == 1 && b.High >= 1) {
				text += fmt.Sprintf(": of the %d that were given %.1f to %.1f, %.0f were rightly placed", b.N, b.Low, b.High, math.Round(b.Right*float64(b.N)))
			}
		}
		out = append(out, text)
	}
	level := c.model.UnlikeAnyLevel()
	judged := "so it may well be of a set"
	if pr.Status == classify.UnlikeAny {
		judged = "so it is called unlike any set"
	}
	out = append(out, fmt.Sprintf("p-value %.3f: that share of the labelled marbles lies as far from their own set as this one from %s; at %.3f or less a marble is called unlike any, %s", pr.PValue, pr.Label, level, judged))
	return out
}

// couldMeasure is what could still be done to know more of a marble.
func couldMeasure(m *record.Marble) (out []classify.Measurement) {
	var side, closer, lit []string
	for _, f := range features.All() {
		if f.Name == diameterName {
			continue
		}
		side = append(side, f.Name)
		for _, g := range f.Rests {
			switch g.Name {
			case "sharpness", "pixels across the marble":
				if !slices.Contains(closer, f.Name) {
					closer = append(closer, f.Name)
				}
			case "a shadow to read":
				lit = append(lit, f.Name)
			}
		}
	}
	out = append(out,
		classify.Measurement{Code: "another-side", Words: "a photo of another side", Features: side, OtherSide: true},
		classify.Measurement{Code: "closer", Words: "a photo from nearer by", Features: closer, Sure: 0.95},
		classify.Measurement{Code: "backlit", Words: "a photo with light from behind or from the side", Features: lit, Sure: 0.95},
	)
	out = append(out, classify.Measurement{Code: "caliper", Words: "its diameter by caliper", Features: []string{diameterName}, Sure: 1})
	return out
}

const diameterName = "diameter_mm"
