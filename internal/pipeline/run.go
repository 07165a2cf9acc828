package pipeline

import (
	"context"
	"errors"
)

var errNotBuilt = errors.New("not built yet")

// Run measures photos.
func Run(context.Context, Options) (Summary, error) { return Summary{}, errNotBuilt }

// References learns from labelled photos and says how well they can be told apart.
func References(context.Context, ReferencesOptions) (ReferencesSummary, error) {
	return ReferencesSummary{}, errNotBuilt
}

// Features lists what is measured of a marble, in the order of the table.
func Features() ([]FeatureInfo, error) { return nil, errNotBuilt }
