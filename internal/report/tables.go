package report

import (
	"cmp"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"tawsight/internal/atomicfile"
	"tawsight/internal/record"
)

// WriteJSONL writes the full records to path, one line a photo, in the order
// given. Photos that have a Line(i), as EncodeJSONL wrote it before, are not encoded
// again.
func WriteJSONL(path string, photos record.Photos) error {
	return atomicfile.Write(path, func(w io.Writer) error {
		lines, ok := photos.(interface{ Line(i int) ([]byte, error) })
		if !ok {
			return EncodeJSONL(w, photos)
		}
		for i := range photos.Len() {
			line, err := lines.Line(i)
			if err == nil {
				_, err = w.Write(line)
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
}

// EncodeJSONL writes the full records to w, one line a photo, in the order
// given.
func EncodeJSONL(w io.Writer, photos record.Photos) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false) // a file name's & stays readable
	for i := range photos.Len() {
		p, err := photos.At(i)
		if err != nil {
			return err
		}
		if err := enc.Encode(withoutNils(p)); err != nil {
			return fmt.Errorf("the record of %s: %w", p.Path, err)
		}
	}
	return nil
}

// ribbonColumns is how many ribbons a row of marbles.csv has room for, those of
// largest area first; the JSON lines hold all of them.
const ribbonColumns = 4

// A column is one column of a table: its name, and its cell for a row. A cell
// is empty where the figure could not be measured.
type column[Row any] struct {
	name string
	cell func(Row) string
}

var photoColumns = []column[record.Photo]{
	{"path", func(p record.Photo) string { return p.Path }},
	{"sha256", func(p record.Photo) string { return p.SHA256 }},
	{"width_px", func(p record.Photo) string { return pixels(p.WidthPX) }},
	{"height_px", func(p record.Photo) string { return pixels(p.HeightPX) }},
	{"taken", func(p record.Photo) string { return p.Taken }},
	{"camera", func(p record.Photo) string { return p.Camera }},
	{"scale_source", func(p record.Photo) string { return p.Scale.Source }},
	{"mm_per_px", func(p record.Photo) string { return optional(p.Scale.MMPerPX) }},
	{"reprojection_px", func(p record.Photo) string { return optional(p.Scale.ReprojectionPX) }},
	{"tilt_deg", func(p record.Photo) string { return optional(p.Scale.TiltDeg) }},
	{"camera_height_mm", func(p record.Photo) string { return optional(p.Scale.CameraHeightMM) }},
	{"focal_px", func(p record.Photo) string { return optional(p.Scale.FocalPX) }},
	{"focal_source", func(p record.Photo) string { return p.Scale.FocalSource }},
	{"white_source", func(p record.Photo) string { return p.White.Source }},
	{"illuminant_x", func(p record.Photo) string { return element(p.White.IlluminantXY, 0) }},
	{"illuminant_y", func(p record.Photo) string { return element(p.White.IlluminantXY, 1) }},
	{"cct_k", func(p record.Photo) string { return optional(p.White.CCTK) }},
	{"residual_de00", func(p record.Photo) string { return optional(p.White.ResidualDE00) }},
	{"verdict_size", func(p record.Photo) string { return string(p.Verdict.Size) }},
	{"verdict_colour", func(p record.Photo) string { return string(p.Verdict.Colour) }},
	{"verdict_pattern", func(p record.Photo) string { return string(p.Verdict.Pattern) }},
	{"flags", func(p record.Photo) string { return codes(p.Flags) }},
	{"mat", func(p record.Photo) string {
		if p.Mat == 0 {
			return ""
		}
		return strconv.Itoa(p.Mat)
	}},
	{"marbles", func(p record.Photo) string {
		if p.Error != "" {
			return "" // not looked for, which is not the same as none
		}
		return strconv.Itoa(len(p.Marbles))
	}},
	{"seconds", func(p record.Photo) string { return number(p.Seconds) }},
	{"error", func(p record.Photo) string { return p.Error }},
}

// WritePhotosCSV writes one row a photo to path (RFC 4180, UTF-8, one header
// row); flags are their codes with spaces between, and error says why a file
// could not be read.
func WritePhotosCSV(path string, photos record.Photos) error {
	return writeCSV(path, photoColumns, photos, func(p record.Photo, row func(record.Photo) error) error { return row(p) })
}

// A marbleRow is a marble together with its photo.
type marbleRow struct {
	photo  *record.Photo
	marble *record.Marble
}

func marbleColumns(featureNames []string) []column[marbleRow] {
	m := func(name string, cell func(*record.Marble) string) column[marbleRow] {
		return column[marbleRow]{name, func(r marbleRow) string { return cell(r.marble) }}
	}
	columns := []column[marbleRow]{
		{"path", func(r marbleRow) string { return r.photo.Path }},
		m("id", func(m *record.Marble) string { return m.ID }),
		m("cx_px", func(m *record.Marble) string { return number(m.Outline.CxPX) }),
		m("cy_px", func(m *record.Marble) string { return number(m.Outline.CyPX) }),
		m("semi_major_px", func(m *record.Marble) string { return number(m.Outline.SemiMajorPX) }),
		m("semi_minor_px", func(m *record.Marble) string { return number(m.Outline.SemiMinorPX) }),
		m("angle_deg", func(m *record.Marble) string { return number(m.Outline.AngleDeg) }),
		m("touching", func(m *record.Marble) string { return strconv.FormatBool(m.Touching) }),
		m("cut_off", func(m *record.Marble) string { return strconv.FormatBool(m.CutOff) }),
		m("place", func(m *record.Marble) string {
			if m.Place == 0 {
				return ""
			}
			return strconv.Itoa(m.Place)
		}),
		m("diameter_mm", func(m *record.Marble) string { return optional(m.DiameterMM) }),
		m("diameter_u95_mm", func(m *record.Marble) string { return optional(m.DiameterU95MM) }),
		m("diameter_in", func(m *record.Marble) string { return m.DiameterIn }),
		m("size_class", func(m *record.Marble) string { return m.SizeClass }),
	}
	for i, axis := range []string{"l", "a", "b"} {
		columns = append(columns, base("base_"+axis, func(b *record.Base) string { return number(b.Lab[i]) }))
	}
	columns = append(columns,
		base("base_name", func(b *record.Base) string { return b.Name }),
		base("base_kind", func(b *record.Base) string { return b.Kind }),
		base("base_look", func(b *record.Base) string { return b.Look }),
		base("translucency", func(b *record.Base) string { return number(b.Translucency) }),
		base("tinted", func(b *record.Base) string { return strconv.FormatBool(b.Tinted) }),
		m("ribbons", func(m *record.Marble) string { return strconv.Itoa(len(m.Ribbons)) }),
	)
	for k := range ribbonColumns {
		ribbon := func(name string, cell func(record.Ribbon) string) {
			columns = append(columns, m(fmt.Sprintf("ribbon%d_%s", k+1, name), func(m *record.Marble) string {
				if k >= len(m.Ribbons) {
					return ""
				}
				return cell(byArea(m.Ribbons)[k])
			}))
		}
		for i, axis := range []string{"l", "a", "b"} {
			ribbon(axis, func(r record.Ribbon) string { return number(r.Lab[i]) })
		}
		ribbon("name", func(r record.Ribbon) string { return r.Name })
		ribbon("area_fraction", func(r record.Ribbon) string { return number(r.AreaFraction) })
		ribbon("width_mm", func(r record.Ribbon) string { return optional(r.WidthMM) })
		ribbon("opaque", func(r record.Ribbon) string {
			if r.Opaque == nil {
				return ""
			}
			return strconv.FormatBool(*r.Opaque)
		})
	}
	columns = append(columns,
		m("busyness", func(m *record.Marble) string { return optional(m.Busyness) }),
		m("bubble_present", func(m *record.Marble) string {
			if m.Bubble == nil {
				return ""
			}
			return strconv.FormatBool(m.Bubble.Present)
		}),
		m("bubble_diameter_mm", func(m *record.Marble) string {
			if m.Bubble == nil {
				return ""
			}
			return optional(m.Bubble.DiameterMM)
		}),
		likeness("label", func(a *record.Attribution) string { return a.Label }),
		likeness("status", func(a *record.Attribution) string { return a.Status }),
		likeness("probability", func(a *record.Attribution) string { return number(a.Probability) }),
		likeness("runner_up", func(a *record.Attribution) string { return a.RunnerUp }),
		likeness("runner_up_probability", func(a *record.Attribution) string {
			if a.RunnerUp == "" {
				return ""
			}
			return number(a.RunnerUpProbability)
		}),
		likeness("reasons", func(a *record.Attribution) string {
			var texts []string
			for _, r := range a.Reasons {
				texts = append(texts, reasonText(r))
			}
			return strings.Join(texts, "; ")
		}),
		m("flags", func(m *record.Marble) string { return codes(m.Flags) }),
		m("verdict_size", marbleVerdict(func(v record.Verdicts) record.Verdict { return v.Size })),
		m("verdict_colour", marbleVerdict(func(v record.Verdicts) record.Verdict { return v.Colour })),
		m("verdict_pattern", marbleVerdict(func(v record.Verdicts) record.Verdict { return v.Pattern })),
		m("glow_share", func(m *record.Marble) string {
			if m.Glow == nil {
				return ""
			}
			return number(m.Glow.Share)
		}),
		m("glow_name", func(m *record.Marble) string {
			if m.Glow == nil {
				return ""
			}
			return m.Glow.Name
		}),
		m("paired_id", func(m *record.Marble) string { return m.PairedID }),
		m("crop", func(m *record.Marble) string { return m.Crop }),
		m("features_unsure", func(m *record.Marble) string { return strings.Join(unsure(m, featureNames), " ") }),
	)
	for _, name := range featureNames {
		columns = append(columns, m(featurePrefix+name, func(m *record.Marble) string {
			if v, ok := m.Features[name]; ok {
				return number(v)
			}
			return ""
		}))
	}
	return columns
}

// unsure are the names, of those given, of the features that are not to be
// relied on.
func unsure(m *record.Marble, names []string) []string {
	var out []string
	for _, name := range names {
		if s, ok := m.FeaturesSure[name]; ok && s < record.UnsureBelow {
			out = append(out, name)
		}
	}
	return out
}

// featurePrefix keeps a feature's column apart from one of the contract's that
// happens to have the same name.
const featurePrefix = "feature_"

// WriteMarblesCSV writes one row a marble to path (RFC 4180, UTF-8, one header
// row), with a column feature_NAME for each of featureNames, in their order,
// after all others, and before them features_unsure, the names of those that
// are not to be relied on, with spaces between. Ribbons stand in order of area,
// the four largest.
func WriteMarblesCSV(path string, photos record.Photos, featureNames []string) error {
	return writeCSV(path, marbleColumns(featureNames), photos, func(p record.Photo, row func(marbleRow) error) error {
		for i := range p.Marbles {
			if err := row(marbleRow{&p, &p.Marbles[i]}); err != nil {
				return err
			}
		}
		return nil
	})
}

// writeCSV writes a table to path, photo by photo: rows calls row with each row of
// one.
func writeCSV[Row any](path string, columns []column[Row], photos record.Photos, rows func(p record.Photo, row func(Row) error) error) error {
	return atomicfile.Write(path, func(w io.Writer) error {
		table := csv.NewWriter(w)
		table.UseCRLF = true // RFC 4180, section 2, rule 1
		cells := make([]string, len(columns))
		for i, c := range columns {
			cells[i] = c.name
		}
		if err := table.Write(cells); err != nil {
			return err
		}
		for i := range photos.Len() {
			p, err := photos.At(i)
			if err == nil {
				err = rows(p, func(row Row) error {
					for i, c := range columns {
						cells[i] = c.cell(row)
					}
					return table.Write(cells)
				})
			}
			if err != nil {
				return err
			}
		}
		table.Flush()
		return table.Error()
	})
}

func base(name string, cell func(*record.Base) string) column[marbleRow] {
	return column[marbleRow]{name, func(r marbleRow) string {
		if r.marble.Base == nil {
			return ""
		}
		return cell(r.marble.Base)
	}}
}

func likeness(name string, cell func(*record.Attribution) string) column[marbleRow] {
	return column[marbleRow]{name, func(r marbleRow) string {
		if r.marble.Attribution == nil {
			return ""
		}
		return cell(r.marble.Attribution)
	}}
}

// byArea returns the ribbons by falling area, those of equal area in the order
// they had.
func byArea(ribbons []record.Ribbon) []record.Ribbon {
	sorted := slices.Clone(ribbons)
	slices.SortStableFunc(sorted, func(a, b record.Ribbon) int { return cmp.Compare(b.AreaFraction, a.AreaFraction) })
	return sorted
}

func reasonText(r record.Reason) string {
	if r.Text != "" {
		return r.Text
	}
	name := r.Feature
	for _, unit := range []string{"_mm", "_px", "_deg"} {
		name = strings.TrimSuffix(name, unit)
	}
	return fmt.Sprintf("%s speaks for %s", strings.ReplaceAll(name, "_", " "), r.Toward)
}

// marbleVerdict reads one part of a marble's verdict, empty where it has none.
func marbleVerdict(part func(v record.Verdicts) record.Verdict) func(m *record.Marble) string {
	return func(m *record.Marble) string {
		if m.Verdict == nil {
			return ""
		}
		return string(part(*m.Verdict))
	}
}

func codes(flags []record.Flag) string {
	var list []string
	for _, f := range flags {
		// One fault may have two flags: unusable for one thing, doubtful for
		// another.
		if !slices.Contains(list, f.Code) {
			list = append(list, f.Code)
		}
	}
	return strings.Join(list, " ")
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

func optional(v *float64) string {
	if v == nil {
		return ""
	}
	return number(*v)
}

func element(v *[2]float64, i int) string {
	if v == nil {
		return ""
	}
	return number(v[i])
}

func pixels(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}
