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
	"tawsight/features"
	"tawsight/internal/bundle"
	"tawsight/internal/cameras"
	"tawsight/internal/likeness"
	"tawsight/internal/record"
	"tawsight/internal/refset"
	"tawsight/internal/report"
)

// references are what there is to learn from.
type references struct {
	folder  *refset.Folder
	bundles []*bundle.Bundle
	cameras *cameras.Book // the cameras known when measuring; nil for none
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
			return nil, fmt.Errorf("%w below %s: make one sub-folder a set, named as you call the set, with its photos (JPEG, HEIC, PNG, TIFF or WebP) inside", ErrNoPhotos, path)
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

// measureReferences measures the labelled photos, without pictures, and gives
// every marble that may be learnt from. Marbles that the notes give one specimen's
// name are one marble.
func measureReferences(ctx context.Context, refs *references, scale calib.PrintScale, workers int, progress func(string), log *slog.Logger) ([]likeness.Specimen, []Failure, error) {
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
		res := measure(ctx, jobs[i].path, scale, wanted{ruler: RulerOptions{Cameras: refs.cameras}}, log)
		mu.Lock()
		defer mu.Unlock()
		photos[i] = res.Photo
		progress(jobs[i].path)
	})
	if err := ctx.Err(); err != nil {
		return nil, nil, err
	}
	var specimens []likeness.Specimen
	var failures []Failure
	bySum := map[string]string{} // the photos' paths by SHA-256
	for i := range photos {
		p := &photos[i]
		if p.Error != "" {
			failures = append(failures, Failure{Path: p.Path, Reason: p.Error})
			continue
		}
		noteUnknownMarbles(refs.folder, *p, log)
		bySum[p.SHA256] = p.Path
		for _, m := range learnable(*p, log) {
			specimens = append(specimens, specimenOf(p, m, jobs[i].label, refs.folder.Note(p.Path, m.ID)))
		}
	}
	for _, b := range refs.bundles {
		specimens = append(specimens, bundled(b, refs.folder, bySum)...)
	}
	return specimens, failures, nil
}

// setPhotos is how many photos each label has, those of bundles included.
func (r *references) setPhotos(specimens []likeness.Specimen) (labels []string, photos map[string]int) {
	photos = map[string]int{}
	own := map[string]bool{}
	for _, s := range r.folder.Sets {
		photos[s.Label] = len(s.Photos)
		for _, p := range s.Photos {
			own[p] = true
		}
	}
	for _, s := range specimens {
		if !own[s.Photo.Path] {
			own[s.Photo.Path] = true
			photos[s.Label]++
		}
	}
	return slices.Sorted(maps.Keys(photos)), photos
}

// learnable are the marbles of a labelled photo that may be learnt from.
func learnable(p record.Photo, log *slog.Logger) []*record.Marble {
	if !likeness.PhotoLearnable(&p) {
		log.Warn("a labelled photo is too poor to learn from", "photo", p.Path)
		return nil
	}
	var out []*record.Marble
	for i := range p.Marbles {
		if m := &p.Marbles[i]; likeness.Learnable(&p, m) {
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

// attribute compares every marble of a photo with the sets; learned may be nil.
func attribute(learned *likeness.Learned, p *record.Photo) {
	if learned == nil {
		return
	}
	for i := range p.Marbles {
		m := &p.Marbles[i]
		if likeness.WhyNotCompared(p, m) != "" {
			continue // attribution from such photos does harm
		}
		a, err := learned.Attribute(m)
		if err != nil {
			continue // too few features: no attribution, and the flags say why
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
	refs.cameras = o.Cameras
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
	learned, err := likeness.Learn(specimens)
	if err != nil {
		return sum, fmt.Errorf("%s: %w", o.Dir, err)
	}
	sum.Warnings = append(sum.Warnings, learned.Model().Warnings...)
	loo, err := learned.LeaveOneOut()
	if err != nil {
		return sum, fmt.Errorf("%s: %w", o.Dir, err)
	}
	sum.Right, sum.Tested = loo.Correct, loo.Tested
	labels, photos := refs.setPhotos(specimens)
	for _, label := range labels {
		one := SetSummary{Label: label, Photos: photos[label]}
		for _, s := range specimens {
			if s.Label == label {
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
	if sum.Health, err = learned.Health(likeness.HealthOptions{Photos: photos, MadeBy: madeBy(), Gallery: true}); err != nil {
		return sum, fmt.Errorf("%s: %w", o.Dir, err)
	}
	if o.OutDir != "" {
		if sum.Files, err = report.WriteHealth(o.OutDir, sum.Health); err != nil {
			return sum, err
		}
	}
	if o.ModelPath != "" {
		if err := learned.Model().Save(o.ModelPath); err != nil {
			return sum, err
		}
	}
	return sum, nil
}
