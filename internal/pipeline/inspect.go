package pipeline

import (
	"tawsight/calib"
	"tawsight/features"
	"tawsight/internal/record"
	"tawsight/vision"
)

// Inspection is one photo measured, with the analyses behind its figures: for
// scoring and for explaining.
type Inspection struct {
	Photo    record.Photo
	Analyses []*features.Analysis // one a marble
	Outlines []vision.Outline     // one a marble
	Ruler    *calib.Ruler         // nil where the photo has no scale
}

// Inspect measures one photo without writing anything. checkBarMM is 0 for a
// check bar not measured; it must be in range.
func Inspect(path string, checkBarMM float64) Inspection {
	return InspectBy(path, checkBarMM, RulerOptions{})
}

// InspectBy is Inspect with rulers named, which must be right.
func InspectBy(path string, checkBarMM float64, o RulerOptions) Inspection {
	if err := o.Check(1); err != nil {
		return Inspection{Photo: record.Photo{Path: path, Error: err.Error()}}
	}
	scale, err := calib.ScaleFromCheckBar(checkBarMM)
	if err != nil {
		return Inspection{Photo: record.Photo{Path: path, Error: err.Error()}}
	}
	res := safely(path, scale, wanted{ruler: o, analyses: true})
	return Inspection{Photo: res.photo, Analyses: res.analyses, Outlines: res.outlines, Ruler: res.ruler}
}
