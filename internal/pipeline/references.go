package pipeline

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"sync"

	"tawsight/calib"
	"tawsight/classify"
	"tawsight/features"
	"tawsight/internal/record"
)

// referenceSet is one label's photos.
type referenceSet struct {
	label string
	paths []string
}

// listReferences reads DIR/LABEL/*: each sub-folder is a label.
func listReferences(dir string) ([]referenceSet, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("the labelled photos can't be read: %w", err)
	}
	var sets []referenceSet
	for _, e := range entries {
		if !e.IsDir() || strings.HasPrefix(e.Name(), ".") {
			continue
		}
		paths, err := listPhotos([]string{filepath.Join(dir, e.Name())}, "")
		if err != nil {
			continue // an empty label
		}
		sets = append(sets, referenceSet{label: e.Name(), paths: paths})
	}
	if len(sets) == 0 {
		return nil, fmt.Errorf("%w below %s: make one sub-folder a set, named as you call the set, with its photos (JPEG or PNG) inside", ErrNoPhotos, dir)
	}
	sort.Slice(sets, func(i, j int) bool { return sets[i].label < sets[j].label })
	return sets, nil
}

// measureReferences measures the labelled photos and makes a sample of every
// marble that may be learnt from.
func measureReferences(ctx context.Context, sets []referenceSet, scale calib.PrintScale, workers int, progress func(string), log *slog.Logger) ([]classify.Sample, []Failure, error) {
	type job struct {
		label, path string
	}
	var jobs []job
	for _, s := range sets {
		for _, p := range s.paths {
			jobs = append(jobs, job{s.label, p})
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
	for i, p := range photos {
		if p.Error != "" {
			failures = append(failures, Failure{Path: p.Path, Reason: p.Error})
			continue
		}
		if p.Verdict.Pattern == record.Unusable || p.Verdict.Colour == record.Unusable {
			log.Warn("a labelled photo is too poor to learn from", "photo", p.Path)
			continue
		}
		for _, m := range p.Marbles {
			if m.CutOff || len(m.Features) == 0 {
				continue
			}
			samples = append(samples, classify.Sample{ID: p.Path + "#" + m.ID, Group: p.Path, Label: jobs[i].label, Values: m.Features})
		}
	}
	return samples, failures, nil
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
		pr, err := model.Predict(m.Features)
		if err != nil {
			continue // too few features: no attribution, and the flags say why
		}
		a := &record.Attribution{
			Label: pr.Label, Status: pr.Status, Probability: round(pr.Probability, 3),
			RunnerUp: pr.RunnerUp, RunnerUpProbability: round(pr.RunnerUpProbability, 3),
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
	sets, err := listReferences(o.Dir)
	if err != nil {
		return ReferencesSummary{}, err
	}
	total, done := 0, 0
	for _, s := range sets {
		total += len(s.paths)
	}
	samples, failures, err := measureReferences(ctx, sets, scale, o.Workers, func(path string) {
		done++
		if o.Progress != nil {
			o.Progress(done, total, path)
		}
	}, log)
	sum := ReferencesSummary{Failures: failures}
	if err != nil {
		return sum, err
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
	for _, s := range sets {
		one := SetSummary{Label: s.label, Photos: len(s.paths)}
		for _, q := range samples {
			if q.Label == s.label {
				one.Marbles++
			}
		}
		if k := slices.Index(loo.Labels, s.label); k >= 0 {
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
	if o.ModelPath != "" {
		if err := model.Save(o.ModelPath); err != nil {
			return sum, err
		}
	}
	return sum, nil
}
