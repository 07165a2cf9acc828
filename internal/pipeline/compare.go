package pipeline

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"

	"tawsight/calib"
	"tawsight/classify"
	"tawsight/internal/cameras"
	"tawsight/internal/likeness"
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
	NoKeep bool
	// Cameras are the cameras that are known; nil for none.
	Cameras  *cameras.Book
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

// gatherSpecimens measures the labelled photos, with pictures, and gives every
// marble that may be learnt from.
func gatherSpecimens(ctx context.Context, refs *references, scale calib.PrintScale, workers int, k keep, progress func(done, total int, path string), log *slog.Logger) ([]likeness.Specimen, []Failure, error) {
	folder := refs.folder
	k.cameras = refs.cameras
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
		m, err := measureKept(ctx, jobs[i].path, scale, k, log)
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
	var out []likeness.Specimen
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
			s := specimenOf(p, m, jobs[i].label, folder.Note(p.Path, m.ID))
			s.View = func() (report.View, error) { return all[i].Views[j], nil }
			out = append(out, s)
		}
	}
	for _, b := range refs.bundles {
		out = append(out, bundled(b, folder, bySum)...)
	}
	return out, failures, nil
}

// specimenOf is a labelled marble without its picture; note is what the notes
// say of it.
func specimenOf(p *record.Photo, m *record.Marble, label string, note refset.Note) likeness.Specimen {
	return likeness.Specimen{
		ID: p.Path + "#" + m.ID, Photo: p, Marble: m, Label: label,
		Name: note.Specimen, Specimen: note.Specimen, Credit: note.Credit, Permission: note.Permission,
	}
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
	refs.cameras = o.Cameras
	// The photo comes first: where it has no marbles nothing need be learnt.
	res := measure(ctx, o.Photo, scale, wanted{views: true, ruler: RulerOptions{Cameras: o.Cameras}}, log)
	if err := ctx.Err(); err != nil {
		return sum, err
	}
	p := &res.Photo
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
	if sum.Why = likeness.WhyNoneCompared(p); sum.Why != "" {
		return sum, nil
	}
	if o.Marble > 0 {
		if why := likeness.WhyNotCompared(p, &p.Marbles[o.Marble-1]); why != "" {
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
	specimens = slices.DeleteFunc(specimens, func(s likeness.Specimen) bool { return s.Photo.SHA256 == p.SHA256 })
	if left := n - len(specimens); left > 0 {
		sum.Warnings = append(sum.Warnings, fmt.Sprintf("The photo is among the labelled ones itself: its %s were left out of the sets.", marbles(left)))
	}
	learned, err := likeness.Learn(specimens)
	if err != nil {
		return sum, fmt.Errorf("%s: %w", o.ReferencesDir, err)
	}
	sum.Warnings = append(sum.Warnings, learned.Model().Warnings...)
	var skipped []string
	views := res.Views
	for i := range p.Marbles {
		m := &p.Marbles[i]
		if o.Marble != 0 && o.Marble != i+1 {
			continue
		}
		if why := likeness.WhyNotCompared(p, m); why != "" {
			skipped = append(skipped, fmt.Sprintf("marble %s: %s", m.ID, why))
			continue
		}
		pr, err := learned.Predict(m)
		if err != nil {
			skipped = append(skipped, fmt.Sprintf("marble %s: %v", m.ID, err))
			continue
		}
		if o.Marble == 0 && len(p.Marbles) > 1 && pr.Status == classify.Assigned {
			sum.Decided++
			continue
		}
		plate, err := learned.Plate(p, m, views[i], pr)
		if err != nil {
			return sum, fmt.Errorf("%s: %w", o.ReferencesDir, err)
		}
		one := Comparison{Plate: plate}
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
