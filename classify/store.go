package classify

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"tawsight/internal/atomicfile"
)

const (
	fileFormat  = "tawsight-model"
	fileVersion = 2
)

// file is a model as JSON. What was not measured is absent; no figure is NaN.
type file struct {
	Format          string             `json:"format"`
	Version         int                `json:"version"`
	RegistryVersion int                `json:"registry_version"`
	Features        []FeatureInfo      `json:"features"`
	Form            string             `json:"form"`
	Spread          map[string]float64 `json:"spread"`
	Between         map[string]float64 `json:"between"`
	Mean            map[string]float64 `json:"mean"`
	Correlation     [][]float64        `json:"correlation"`
	Joint           bool               `json:"joint"`
	Temperature     float64            `json:"temperature"`
	Steps           []Step             `json:"steps,omitempty"`
	Sets            []Set              `json:"sets"`
	LeftOut         []float64          `json:"left_out_strangeness"`
	Warnings        []string           `json:"warnings"`
}

// Encode writes the model as JSON, the same bytes for the same model.
func (m *Model) Encode(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	return e.Encode(file{
		fileFormat, fileVersion, m.RegistryVersion, m.Features, m.Form, m.Spread, m.Between, m.Mean,
		m.Correlation, m.Joint, m.Temperature, m.Steps, m.Sets, m.LeftOut, m.Warnings,
	})
}

// Save writes the model to a file whole or not at all: an older model stays
// until the new one is complete. Missing folders are made.
func (m *Model) Save(path string) error { return atomicfile.Write(path, m.Encode) }

// Load reads a model saved by [Model.Save]. features and registryVersion are
// those of the running program: if the model was trained on others the error
// wraps [ErrFeatureMismatch] and names what differs. A file that is no model,
// or is damaged, gives an error wrapping [ErrCorruptModel]. Both say to train
// anew, which loses nothing: the labelled photos are what counts.
func Load(path string, features []FeatureInfo, registryVersion int) (*Model, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("model not read: %w", err)
	}
	defer f.Close()
	m, err := Decode(f)
	if err == nil {
		err = m.matches(features, registryVersion)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w; train it again from the labelled photos", path, err)
	}
	return m, nil
}

// Decode reads a model without asking which features the program has; errors
// as [Load].
func Decode(r io.Reader) (*Model, error) {
	data, err := io.ReadAll(r)
	if err != nil {
		return nil, err
	}
	bad := func(format string, a ...any) (*Model, error) {
		return nil, fmt.Errorf("%w: %s", ErrCorruptModel, fmt.Sprintf(format, a...))
	}
	var v file
	d := json.NewDecoder(bytes.NewReader(data))
	if err := d.Decode(&v); err != nil {
		return bad("%v", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return bad("something follows the model")
	}
	if v.Format != fileFormat {
		return bad("its format is %q, not %q", v.Format, fileFormat)
	}
	if v.Version != fileVersion {
		return bad("it is of version %d, and this program reads version %d", v.Version, fileVersion)
	}
	if len(v.Features) == 0 || len(v.Sets) == 0 {
		return bad("it has no features or no sets")
	}
	known := map[string]bool{}
	for _, f := range v.Features {
		if f.Name == "" || known[f.Name] {
			return bad("feature %q is named twice, or not at all", f.Name)
		}
		known[f.Name] = true
	}
	if !(v.Temperature > 0) {
		return bad("temperature %v", v.Temperature)
	}
	for i, st := range v.Steps {
		if !(st.P >= 0 && st.P < 1) || (st.P == 0) != (i == 0) || i > 0 && (st.To <= v.Steps[i-1].To || st.P < v.Steps[i-1].P) {
			return bad("step %d of the probabilities is not as it should be", i+1)
		}
	}
	if len(v.Spread) == 0 {
		return bad("it has no spreads")
	}
	for name, s := range v.Spread {
		if !known[name] || !(s > 0) {
			return bad("the spread of %q is %v", name, s)
		}
		if b, ok := v.Between[name]; !ok || !(b >= 0) {
			return bad("the variance of %q between sets is %v", name, b)
		}
		if _, ok := v.Mean[name]; !ok {
			return bad("there is no mean of %q", name)
		}
	}
	for i, s := range v.Sets {
		if s.Label == "" || i > 0 && s.Label <= v.Sets[i-1].Label {
			return bad("set %d, %q, has no label or is out of order", i+1, s.Label)
		}
		if s.Count < 1 {
			return bad("set %q: count %d", s.Label, s.Count)
		}
		for name, u := range s.Features {
			if !known[name] || u.N < 1 || u.Low > u.High {
				return bad("set %q: feature %q is not as it should be", s.Label, name)
			}
		}
	}
	if !slices.IsSorted(v.LeftOut) {
		return bad("the left-out strangeness is out of order")
	}
	m := &Model{
		RegistryVersion: v.RegistryVersion, Features: v.Features, Form: v.Form, Spread: v.Spread, Between: v.Between,
		Mean: v.Mean, Correlation: v.Correlation, Joint: v.Joint, Temperature: v.Temperature, Steps: v.Steps,
		Sets: v.Sets, LeftOut: v.LeftOut, Warnings: v.Warnings,
	}
	if err := m.prepare(); err != nil {
		return bad("%v", err)
	}
	return m, nil
}

// matches compares the model's features with the program's; their order does
// not matter.
func (m *Model) matches(features []FeatureInfo, registryVersion int) error {
	unit := map[string]string{}
	for _, f := range features {
		unit[f.Name] = f.Unit
	}
	var diff []string
	for _, f := range m.Features {
		u, ok := unit[f.Name]
		delete(unit, f.Name)
		switch {
		case !ok:
			diff = append(diff, f.Name+" is only in the model")
		case u != f.Unit:
			diff = append(diff, fmt.Sprintf("%s is in %q in the model, in %q in this program", f.Name, f.Unit, u))
		}
	}
	for name := range unit {
		diff = append(diff, name+" is only in this program")
	}
	slices.Sort(diff)
	if m.RegistryVersion != registryVersion {
		diff = append(diff, fmt.Sprintf("feature definitions are of version %d in the model, %d in this program", m.RegistryVersion, registryVersion))
	}
	if diff != nil {
		return fmt.Errorf("%w: %s", ErrFeatureMismatch, strings.Join(diff, "; "))
	}
	return nil
}
