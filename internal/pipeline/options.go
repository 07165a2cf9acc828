// Package pipeline takes photos through every stage, from files in to files
// out.
package pipeline

import (
	"errors"
	"log/slog"

	"tawsight/internal/cameras"
	"tawsight/internal/report"
)

// ErrNoPhotos is wrapped by the error for files and folders that hold no photo
// at all. Nothing has been written then.
var ErrNoPhotos = errors.New("no photos")

// Options say what to measure and where to leave the results.
type Options struct {
	// Photos are files and folders; folders are read recursively. OutDir's own
	// contents are never taken for photos, even where OutDir lies inside one of
	// the folders.
	Photos []string
	OutDir string
	// ExplainDir, where not empty, gets a sheet for every marble that shows how
	// its figures came about; where it is OutDir itself, they go to its
	// sub-folder explain. See SheetsDir.
	ExplainDir string
	// ReferencesDir holds labelled photos, one sub-folder a label, and perhaps
	// bundles; or it is a bundle itself. Empty for none.
	ReferencesDir string
	// ModelPath is a model saved before, used instead of ReferencesDir; empty
	// for none.
	ModelPath string
	// CheckBarMM is the length of the printed card's check bar as measured,
	// millimetres; 0 means the nominal 80.
	CheckBarMM float64
	// Ruler says what else may give the scale of Photos; the labelled ones have
	// their cards.
	Ruler RulerOptions
	// NoCache measures every photo, whatever is known of it from earlier runs, and
	// keeps nothing for later ones.
	NoCache bool
	// Workers is how many photos are measured at once; 0 means one a core.
	Workers int
	// Progress, where not nil, is called after each photo, from one goroutine
	// at a time.
	Progress func(done, total int, path string)
	Log      *slog.Logger // nil for silence
}

// Summary is what a run came to.
type Summary struct {
	Photos     int // found, those that failed included
	Failed     int // could not be read
	Marbles    int
	Failures   []Failure
	ReportPath string
	SheetsDir  string // where the sheets are; empty where none were asked for
}

// Failure is one file that could not be read, and why, with what to do.
type Failure struct {
	Path, Reason string
}

// ReferencesOptions say which labelled photos to learn from.
type ReferencesOptions struct {
	Dir       string // one sub-folder a label, perhaps bundles; or a bundle
	ModelPath string // where to save the model; empty for nowhere
	// OutDir gets the report on the sets as page, PDF, PNG and JSON; empty for
	// none.
	OutDir string
	// NoKeep measures all labelled photos, whatever is known of them from
	// earlier runs.
	NoKeep     bool
	CheckBarMM float64
	Cameras    *cameras.Book // the cameras that are known; nil for none
	Workers    int
	Progress   func(done, total int, path string)
	Log        *slog.Logger
}

// ReferencesSummary says how well the labelled sets can be told apart: each
// marble is classified by a model that has not seen it (leave-one-out).
type ReferencesSummary struct {
	Sets     []SetSummary // by label
	Right    int          // marbles given their own label back
	Tested   int          // marbles tried; one alone in its set cannot be
	Warnings []string     // what makes the count less sure, in plain words
	Failures []Failure
	Health   report.Health
	Files    []string // the report's; none without OutDir
}

// SetSummary is one label's share of the count.
type SetSummary struct {
	Label          string
	Photos         int
	Marbles        int
	Tested         int
	Right          int
	MostlyTakenFor string // the label most of the wrong ones got; empty where none was wrong
}

// FeatureInfo is one feature that is measured of a marble.
type FeatureInfo struct {
	Name      string   `json:"name"`           // as in marbles.csv after "feature_", and in the records
	Label     string   `json:"label"`          // what people call it
	Unit      string   `json:"unit,omitempty"` // empty for a pure number
	Low       float64  `json:"low"`            // values lie from Low
	High      float64  `json:"high"`           // to High
	Meaning   string   `json:"meaning"`        // in plain words
	RestsOn   []string `json:"rests_on"`       // what a photo must give: each lowers how sure the figure is
	Disturbed string   `json:"disturbed_by"`   // what misleads it
	// NotCompared is why sets are not compared by it; empty where they are.
	NotCompared string `json:"not_compared,omitempty"`
}
