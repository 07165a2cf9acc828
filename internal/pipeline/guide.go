package pipeline

import (
	"context"
	"fmt"
	"log/slog"

	"tawsight/calib"
	"tawsight/internal/cameras"
	"tawsight/internal/guide"
	"tawsight/internal/likeness"
	"tawsight/internal/refset"
)

// GuideOptions say which labelled photos to make a guide from, and what the
// collector says in it.
type GuideOptions struct {
	Dir    string // one sub-folder a label, perhaps bundles; or a bundle
	OutDir string // gets the guide
	// Words are the title, the collector's name and words, the terms and the date;
	// the rest is filled in here.
	Words guide.Source
	// Mine has photos of which the notes say no permission count as the
	// collector's own, with Credit where the notes name nobody.
	Mine   bool
	Credit string
	Since  string // the stored edition to compare with; empty for the one in OutDir
	// NoKeep measures all labelled photos, whatever is known of them from
	// earlier runs.
	NoKeep     bool
	CheckBarMM float64
	Cameras    *cameras.Book // the cameras that are known; nil for none
	Workers    int
	Progress   func(done, total int, path string)
	Log        *slog.Logger
}

// GuideSummary is what making a guide came to.
type GuideSummary struct {
	Edition  *guide.Edition
	Files    []string // the page to open first
	Failures []Failure
}

// Guide makes a guide from labelled photos and writes it. The error wraps
// ErrNoPhotos where there are none, and guide.ErrNotAGuide where a file of the
// user's stands in the way.
func Guide(ctx context.Context, o GuideOptions) (GuideSummary, error) {
	log := o.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	var sum GuideSummary
	scale, err := calib.ScaleFromCheckBar(o.CheckBarMM)
	if err != nil {
		return sum, err
	}
	earlier, err := guide.Earlier(o.OutDir, o.Since)
	if err != nil {
		return sum, err
	}
	refs, err := readReferences(o.Dir)
	if err != nil {
		return sum, err
	}
	defer refs.close()
	refs.cameras = o.Cameras
	if err := writable(o.OutDir); err != nil {
		return sum, err
	}
	k := openKeep()
	if o.NoKeep {
		k = keep{}
	}
	specimens, failures, err := gatherSpecimens(ctx, refs, scale, o.Workers, k, o.Progress, log)
	sum.Failures = failures
	if err != nil {
		return sum, err
	}
	for i := range specimens {
		s := &specimens[i]
		if o.Mine && s.Permission == refset.NotSaid {
			s.Permission = refset.Own
		}
		if s.Permission == refset.Own && s.Credit == "" {
			s.Credit = o.Credit
		}
	}
	src := o.Words
	if src.Learned, err = likeness.Learn(specimens); err != nil {
		return sum, fmt.Errorf("%s: %w", o.Dir, err)
	}
	src.MadeBy = madeBy()
	e, err := guide.Make(src)
	if err != nil {
		return sum, fmt.Errorf("%s: %w", o.Dir, err)
	}
	if earlier != nil {
		e.Follow(earlier)
	}
	sum.Edition = e
	sum.Files, err = guide.Write(o.OutDir, e)
	return sum, err
}
