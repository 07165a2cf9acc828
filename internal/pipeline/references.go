package pipeline

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"tawsight/calib"
	"tawsight/classify"
	"tawsight/features"
	"tawsight/internal/bundle"
	"tawsight/internal/record"
	"tawsight/internal/refset"
	"tawsight/internal/report"
)

// references are what there is to learn from.
type references struct {
	folder  *refset.Folder
	bundles []*bundle.Bundle
}

// ErrNotes is wrapped by the error for notes beside labelled photos that can't
// be read or are wrong. Nothing has been written then.
var ErrNotes = refset.ErrNotes

// readReferences reads DIR/LABEL/*, DIR/notes.csv and the bundles in DIR: each
// sub-folder is a label. A bundle alone may stand in the folder's place. Close
// them after use.
func readReferences(path string) (_ *references, err error) {
	refs := &references{folder: &refset.Folder{Dir: filepath.Dir(path), Bundles: []string{path}}}
	if info, err := os.Stat(path); err != nil || info.IsDir() {
		refs.folder, err = refset.Read(path, func(set string) ([]string, error) { return listPhotos([]string{set}, "") })
		if errors.Is(err, refset.ErrNoSets) {
			return nil, fmt.Errorf("%w below %s: make one sub-folder a set, named as you call the set, with its photos (JPEG or PNG) inside", ErrNoPhotos, path)
		}
		if err != nil {
			return nil, err
		}
	}
	defer func() {
		if err != nil {
			refs.close()
		}
	}()
	for _, name := range refs.folder.Bundles {
		b, err := bundle.Open(name)
		if err != nil {
			return nil, fmt.Errorf("%w; nothing of it was used: fetch it again, or take it out of the references", err)
		}
		refs.bundles = append(refs.bundles, b)
		if err := b.MeasuredAs(features.Version); err != nil {
			return nil, err
		}
	}
	return refs, nil
}

func (r *references) close() {
	for _, b := range r.bundles {
		b.Close()
	}
}

// photos is how many there are to measure.
func (r *references) photos() int {
	n := 0
	for _, s := range r.folder.Sets {
		n += len(s.Photos)
	}
	return n
}

// measureReferences measures the labelled photos and makes a sample of every
// marble that may be learnt from. Marbles that the notes give one specimen's
// name are one marble.
func measureReferences(ctx context.Context, refs *references, scale calib.PrintScale, workers int, progress func(string), log *slog.Logger) ([]classify.Sample, []Failure, error) {
	type job struct {
		label, path string
	}
	var jobs []job
	for _, s := range refs.folder.Sets {
		for _, p := range s.Photos {
			jobs = append(jobs, job{s.Label, p})
		}
	}
	photos := make([]record.Photo, len(jobs))
	var mu sync.Mutex
	each(ctx, len(jobs), workers, func(i int) {
		res := safely(jobs[i].path, scale, wanted{})
		mu.Lock()
		defer mu.Unlock()
		photos[i] = res.photo
		progress(jobs[i].path)
	})
	if err := ctx.Err(); err != nil {
		return nil, nil, err
	}
	var samples []classify.Sample
	var failures []Failure
	bySum := map[string]string{} // the photos' paths by SHA-256
	for i, p := range photos {
		if p.Error != "" {
			failures = append(failures, Failure{Path: p.Path, Reason: p.Error})
			continue
		}
		noteUnknownMarbles(refs.folder, p, log)
		bySum[p.SHA256] = p.Path
		for _, m := range learnable(p, log) {
			samples = append(samples, classify.Sample{
				ID: p.Path + "#" + m.ID, Group: p.Path, Specimen: refs.folder.Note(p.Path, m.ID).Specimen,
				Label: jobs[i].label, Values: m.Features, Sure: m.FeaturesSure,
			})
		}
	}
	for _, b := range refs.bundles {
		specimens, err := bundled(b, refs.folder, bySum, false)
		if err != nil {
			return nil, nil, err
		}
		for _, q := range specimens {
			samples = append(samples, q.sample)
		}
	}
	return samples, failures, nil
}

// setPhotos is how many photos each label has, those of bundles included.
func (r *references) setPhotos(samples []classify.Sample) (labels []string, photos map[string]int) {
	photos = map[string]int{}
	own := map[string]bool{}
	for _, s := range r.folder.Sets {
		photos[s.Label] = len(s.Photos)
		for _, p := range s.Photos {
			own[p] = true
		}
	}
	for _, q := range samples {
		if !own[q.Group] {
			own[q.Group] = true
			photos[q.Label]++
		}
	}
	return slices.Sorted(maps.Keys(photos)), photos
}

// learnable are the marbles of a labelled photo that may be learnt from.
func learnable(p record.Photo, log *slog.Logger) []*record.Marble {
	if p.Verdict.Pattern == record.Unusable || p.Verdict.Colour == record.Unusable {
		log.Warn("a labelled photo is too poor to learn from", "photo", p.Path)
		return nil
	}
	var out []*record.Marble
	for i := range p.Marbles {
		if m := &p.Marbles[i]; !m.CutOff && len(m.Features) > 0 {
			out = append(out, m)
		}
	}
	return out
}

// noteUnknownMarbles warns of notes on marbles that were not found in their
// photo: the number may be a slip, or the marble was missed.
func noteUnknownMarbles(folder *refset.Folder, p record.Photo, log *slog.Logger) {
	rel := folder.Rel(p.Path)
	for _, row := range folder.Notes.About(rel) {
		if row.Marble != "" && !slices.ContainsFunc(p.Marbles, func(m record.Marble) bool { return m.ID == row.Marble }) {
			log.Warn("the notes speak of a marble that was not found in its photo", "notes", folder.Notes.Path, "line", row.Line, "photo", rel, "marble", row.Marble, "found", len(p.Marbles))
		}
	}
}

// featureInfos is the registry as the classifier wants it: the features that
// sets are compared by.
func featureInfos() []classify.FeatureInfo {
	var out []classify.FeatureInfo
	for _, f := range features.All() {
		if f.NotCompared != "" {
			continue
		}
		out = append(out, classify.FeatureInfo{Name: f.Name, Label: f.Label, Unit: f.Unit, LogFrom: f.LogFrom})
	}
	return out
}

func trainOptions() classify.Options {
	return classify.Options{RegistryVersion: features.Version}
}

// attribute compares every marble of a photo with the sets.
func attribute(model *classify.Model, p *record.Photo) {
	if model == nil || p.Verdict.Pattern == record.Unusable || p.Verdict.Colour == record.Unusable {
		return // attribution from such photos does harm
	}
	for i := range p.Marbles {
		m := &p.Marbles[i]
		if m.CutOff || m.Verdict != nil && (m.Verdict.Pattern == record.Unusable || m.Verdict.Colour == record.Unusable) {
			continue
		}
		pr, err := model.PredictReading(classify.Reading{Values: m.Features, Sure: m.FeaturesSure})
		if err != nil {
			continue // too few features: no attribution, and the flags say why
		}
		a := &record.Attribution{
			Label: pr.Label, Status: pr.Status, Probability: round(pr.Probability, 3),
			RunnerUp: pr.RunnerUp, RunnerUpProbability: round(pr.RunnerUpProbability, 3),
			PValue: record.F(round(pr.PValue, 3)),
		}
		if pr.Status == classify.Doubtful && pr.RunnerUp != "" {
			if s := model.Settle(classify.Reading{Values: m.Features, Sure: m.FeaturesSure}, pr.Label, pr.RunnerUp, couldMeasure(m)); len(s) > 0 {
				a.Next = s[0].Text
			}
		}
		for k, r := range pr.Reasons {
			if k == 5 {
				break
			}
			a.Reasons = append(a.Reasons, record.Reason{Feature: r.Feature, Toward: r.Toward, Weight: round(r.Weight, 3), Text: r.Text})
		}
		m.Attribution = a
	}
}

// References learns from labelled photos and says how well they can be told
// apart.
func References(ctx context.Context, o ReferencesOptions) (ReferencesSummary, error) {
	log := o.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	scale, err := calib.ScaleFromCheckBar(o.CheckBarMM)
	if err != nil {
		return ReferencesSummary{}, err
	}
	refs, err := readReferences(o.Dir)
	if err != nil {
		return ReferencesSummary{}, err
	}
	defer refs.close()
	if o.OutDir != "" {
		if err := writable(o.OutDir); err != nil {
			return ReferencesSummary{}, err
		}
	}
	k := openKeep()
	if o.NoKeep {
		k = keep{}
	}
	specimens, failures, err := gatherSpecimens(ctx, refs, scale, o.Workers, k, o.Progress, log)
	sum := ReferencesSummary{Failures: failures}
	if err != nil {
		return sum, err
	}
	samples := make([]classify.Sample, len(specimens))
	for i, s := range specimens {
		samples[i] = s.sample
	}
	model, err := classify.Train(featureInfos(), samples, trainOptions())
	if err != nil {
		return sum, fmt.Errorf("%s: %w", o.Dir, err)
	}
	sum.Warnings = append(sum.Warnings, model.Warnings...)
	loo, err := classify.LeaveOneOut(featureInfos(), samples, trainOptions())
	if err != nil {
		return sum, fmt.Errorf("%s: %w", o.Dir, err)
	}
	sum.Right, sum.Tested = loo.Correct, loo.Tested
	labels, photos := refs.setPhotos(samples)
	for _, label := range labels {
		one := SetSummary{Label: label, Photos: photos[label]}
		for _, q := range samples {
			if q.Label == label {
				one.Marbles++
			}
		}
		if k := slices.Index(loo.Labels, label); k >= 0 {
			one.Tested, one.Right = loo.Recall[k].Tested, loo.Recall[k].Correct
			most := 0
			for j, n := range loo.Confusion[k] {
				if j != k && n > most {
					most, one.MostlyTakenFor = n, loo.Labels[j]
				}
			}
		}
		sum.Sets = append(sum.Sets, one)
	}
	sum.Health = healthOf(refs, specimens, loo, sum.Warnings)
	if o.OutDir != "" {
		if sum.Files, err = report.WriteHealth(o.OutDir, sum.Health); err != nil {
			return sum, err
		}
	}
	if o.ModelPath != "" {
		if err := model.Save(o.ModelPath); err != nil {
			return sum, err
		}
	}
	return sum, nil
}
