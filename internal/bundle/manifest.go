// Package bundle packs a collector's labelled sets into one open file that
// another collector can use or merge: a zip with JSON, PNG and, where their
// owners allow it, the photos. docs/bundle-format.md describes the format.
//
// A bundle comes from somebody else, so nothing in it is believed: [Open]
// checks everything before anything is used, and refuses the whole bundle with
// a reason where a single thing is wrong. Its checksums show damage and
// careless changes; they are no signature, and say nothing of who made it.
package bundle

import (
	"bytes"
	"cmp"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"path"
	"slices"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"golang.org/x/text/language"
	"golang.org/x/text/message"
	"golang.org/x/text/unicode/norm"

	"tawsight/internal/record"
	"tawsight/internal/refset"
)

// Format and Version are what manifest.json begins with. Version goes up when
// an older program would misread a newer bundle.
const (
	Format  = "tawsight-bundle"
	Version = 1
)

// Errors that callers can tell apart with errors.Is.
var (
	// ErrRefused: the bundle is damaged, was tampered with, or is no bundle.
	ErrRefused = errors.New("the bundle is refused")
	// ErrFeatures: the bundle is sound, but its features were measured by
	// other definitions than this program's.
	ErrFeatures = errors.New("the bundle's features can't be compared")
)

// Manifest is manifest.json. What was not measured or not said is absent.
type Manifest struct {
	Format    string        `json:"format"`
	Version   int           `json:"version"`
	MadeBy    record.MadeBy `json:"made_by"`
	Features  []Feature     `json:"features"`  // those that marbles may have, in the registry's order
	Sets      []Set         `json:"sets"`      // by label
	Specimens []Specimen    `json:"specimens"` // by name; marbles without one are not here
	Photos    []Photo       `json:"photos"`    // by path
	Marbles   []Marble      `json:"marbles"`   // by photo, then number
}

// Feature names a feature, so that a reader without the program knows what a
// figure is.
type Feature struct {
	Name  string `json:"name"`
	Label string `json:"label"`
	Unit  string `json:"unit,omitempty"`
}

// Set is one label with what is packed of it.
type Set struct {
	Label   string `json:"label"`
	Photos  int    `json:"photos"`
	Marbles int    `json:"marbles"` // as seen in photos: a specimen in three photos counts thrice
}

// Specimen is one marble with a name of its own, in one or several photos.
type Specimen struct {
	Name    string `json:"name"`
	Label   string `json:"label"`
	Marbles int    `json:"marbles"`
}

// Photo is a photo that marbles were measured in, packed or not.
type Photo struct {
	Path   string `json:"path"`   // below the references folder: LABEL/NAME
	SHA256 string `json:"sha256"` // of the photo's file, in hexadecimal; where it is packed, as packed
	// OriginalSHA256 is that of the file before its metadata was taken out;
	// empty where nothing was.
	OriginalSHA256 string            `json:"original_sha256,omitempty"`
	WidthPX        int               `json:"width_px"`
	HeightPX       int               `json:"height_px"`
	Taken          string            `json:"taken,omitempty"`
	ScaleSource    string            `json:"scale_source"`         // card, id1, sheet, scan or none
	Permission     refset.Permission `json:"permission,omitempty"` // the strictest said of it or of a marble in it
	File           string            `json:"file,omitempty"`       // its member; empty where the photo is not packed
}

// Marble is one marble as one photo shows it.
type Marble struct {
	Label         string             `json:"label"`
	Photo         string             `json:"photo"` // the photo's Path
	ID            string             `json:"id"`    // its number in that photo
	Specimen      string             `json:"specimen,omitempty"`
	Credit        string             `json:"credit,omitempty"`
	Permission    refset.Permission  `json:"permission,omitempty"`
	Note          string             `json:"note,omitempty"`
	DiameterMM    *float64           `json:"diameter_mm,omitempty"`
	DiameterU95MM *float64           `json:"diameter_u95_mm,omitempty"`
	Base          *record.Base       `json:"base,omitempty"`
	Ribbons       []record.Ribbon    `json:"ribbons,omitempty"`
	Busyness      *float64           `json:"busyness,omitempty"`
	Features      map[string]float64 `json:"features"`
	FeaturesSure  map[string]float64 `json:"features_sure"`
	Crop          string             `json:"crop,omitempty"` // its member; empty where the picture may not be passed on
	CropMMPerPX   *float64           `json:"crop_mm_per_px,omitempty"`
}

//go:embed manifest.schema.json
var schemaText []byte

// schema is the JSON Schema (draft 2020-12) of manifest.json.
var schema = sync.OnceValue(func() *jsonschema.Schema {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(schemaText))
	if err != nil {
		panic(err)
	}
	c := jsonschema.NewCompiler()
	const id = "urn:tawsight:bundle:1"
	if err := c.AddResource(id, doc); err != nil {
		panic(err)
	}
	return c.MustCompile(id)
})

// The members that every bundle has.
const (
	manifestName = "manifest.json"
	notesName    = refset.NotesName
	sumsName     = "checksums.sha256"
	readmeName   = "README.txt"
)

// cropName and photoName are where a marble's crop and a photo lie.
func cropName(photo, id string) string { return "crops/" + photo + "-" + id + ".png" }
func photoName(photo string) string    { return "photos/" + photo }

// decodeManifest reads and checks a manifest by itself: its form, and that it
// agrees with itself.
func decodeManifest(data []byte) (*Manifest, error) {
	if !utf8.Valid(data) {
		return nil, errors.New("it is not UTF-8 text")
	}
	if err := noDuplicates(data); err != nil {
		return nil, err
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
	if err != nil {
		return nil, fmt.Errorf("it is not JSON: %w", err)
	}
	// The version first: what follows may be another shape in another one.
	top, ok := doc.(map[string]any)
	if !ok || top["format"] != Format {
		return nil, fmt.Errorf("it does not say that it is of the format %q", Format)
	}
	if v, ok := top["version"].(json.Number); !ok || v.String() != fmt.Sprint(Version) {
		return nil, fmt.Errorf("it is of format version %v, and this program reads version %d: use a newer program, or ask for the bundle in version %d", top["version"], Version, Version)
	}
	if err := schema().Validate(doc); err != nil {
		return nil, plainly(err)
	}
	var m Manifest
	if err := json.Unmarshal(data, &m); err != nil {
		return nil, err
	}
	return &m, m.validate()
}

// plainly is the first thing that a schema finds wrong, in one line.
func plainly(err error) error {
	var v *jsonschema.ValidationError
	if !errors.As(err, &v) {
		return err
	}
	for len(v.Causes) > 0 {
		v = v.Causes[0]
	}
	where := strings.Join(v.InstanceLocation, "/")
	return fmt.Errorf("at /%s: %s", where, v.ErrorKind.LocalizedString(message.NewPrinter(language.English)))
}

// noDuplicates refuses a name that is twice in one JSON object: readers differ
// in which of the two they believe (RFC 8259, section 4). Names that differ
// in capitals only count as the same, since Go reads them so.
func noDuplicates(data []byte) error {
	d := json.NewDecoder(bytes.NewReader(data))
	d.UseNumber()
	type level struct {
		names map[string]bool // nil in an array
		key   bool            // a name comes next
	}
	var stack []level
	for {
		t, err := d.Token()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("it is not JSON: %w", err)
		}
		if n := len(stack); n > 0 && stack[n-1].key {
			if name, ok := t.(string); ok {
				name = strings.ToLower(name)
				if stack[n-1].names[name] {
					return fmt.Errorf("the name %q is twice in one object", t)
				}
				stack[n-1].names[name], stack[n-1].key = true, false
				continue
			}
		}
		if n := len(stack); n > 0 && stack[n-1].names != nil {
			stack[n-1].key = true // after this value
		}
		if n, ok := t.(json.Number); ok && !plainNumber(n.String()) {
			return fmt.Errorf("the number %.40s is beyond all measure", n)
		}
		switch t {
		case json.Delim('{'):
			stack = append(stack, level{names: map[string]bool{}, key: true})
		case json.Delim('['):
			stack = append(stack, level{})
		case json.Delim('}'), json.Delim(']'):
			stack = stack[:len(stack)-1]
		}
		if len(stack) > 20 {
			return errors.New("it is nested deeper than any manifest")
		}
	}
}

// plainNumber keeps out numbers that take exact arithmetic hours, such as
// 1e999999999.
func plainNumber(s string) bool {
	_, exponent, _ := strings.Cut(strings.ToLower(s), "e")
	return len(s) <= 40 && len(strings.TrimLeft(exponent, "+-")) <= 2
}

// validate checks what a schema can't: that names are safe and that the parts
// agree.
func (m *Manifest) validate() error {
	known := map[string]bool{}
	for _, f := range m.Features {
		if known[f.Name] {
			return fmt.Errorf("the feature %s is listed twice", f.Name)
		}
		known[f.Name] = true
	}
	sets := map[string]*Set{}
	folded := map[string]string{}
	for i := range m.Sets {
		s := &m.Sets[i]
		if i > 0 && s.Label <= m.Sets[i-1].Label {
			return fmt.Errorf("the set %q is out of order or listed twice", s.Label)
		}
		if reason := unsafeName(s.Label); reason != "" || strings.Contains(s.Label, "/") {
			return fmt.Errorf("the set's name %q can't be a folder's: %s", s.Label, cmp.Or(reason, "it has a / in it"))
		}
		if other, twice := folded[fold(s.Label)]; twice {
			return fmt.Errorf("the sets %q and %q differ in capitals only: rename one", other, s.Label)
		}
		folded[fold(s.Label)] = s.Label
		sets[s.Label] = s
	}
	photos := map[string]*Photo{}
	sums := map[string]string{}
	count := map[string]Set{}
	for i := range m.Photos {
		p := &m.Photos[i]
		if i > 0 && p.Path <= m.Photos[i-1].Path {
			return fmt.Errorf("the photo %q is out of order or listed twice", p.Path)
		}
		if reason := unsafeName(p.Path); reason != "" {
			return fmt.Errorf("the photo's name %q is refused: %s", p.Path, reason)
		}
		label, _, below := strings.Cut(p.Path, "/")
		if sets[label] == nil || !below {
			return fmt.Errorf("the photo %q lies in no set of the manifest", p.Path)
		}
		if !isPhotoName(p.Path) {
			return fmt.Errorf("the photo %q is not named as photos that can be read are", p.Path)
		}
		if other, twice := folded[fold(p.Path)]; twice {
			return fmt.Errorf("the photos %q and %q differ in capitals only: rename one", other, p.Path)
		}
		folded[fold(p.Path)] = p.Path
		for _, sum := range p.Sums() {
			if other, twice := sums[sum]; twice {
				return fmt.Errorf("the photos %q and %q are the same: take one out", other, p.Path)
			}
			sums[sum] = p.Path
		}
		if p.File != "" && p.File != photoName(p.Path) {
			return fmt.Errorf("the photo %q is said to lie at %q, not at %q", p.Path, p.File, photoName(p.Path))
		}
		if p.File != "" && !p.Permission.AllowsSharing() {
			return fmt.Errorf("the photo %q is packed, but its permission is %q", p.Path, p.Permission)
		}
		photos[p.Path] = p
		c := count[label]
		c.Photos++
		count[label] = c
	}
	for _, p := range m.Photos {
		for dir := path.Dir(p.Path); dir != "."; dir = path.Dir(dir) {
			if other, clash := folded[fold(dir)]; clash && strings.Contains(other, "/") {
				return fmt.Errorf("the photo %q lies below %q, which is a photo itself", p.Path, other)
			}
		}
	}
	specimens := map[string]Specimen{}
	seen := map[[2]string]bool{}
	shown := map[string]bool{}
	for _, q := range m.Marbles {
		name := fmt.Sprintf("marble %s of %q", q.ID, q.Photo)
		p := photos[q.Photo]
		if p == nil {
			return fmt.Errorf("%s: there is no such photo in the manifest", name)
		}
		if label, _, _ := strings.Cut(q.Photo, "/"); sets[q.Label] == nil || q.Label != label {
			return fmt.Errorf("%s: its label %q is not its photo's set", name, q.Label)
		}
		if key := [2]string{q.Photo, q.ID}; seen[key] {
			return fmt.Errorf("%s is listed twice", name)
		} else {
			seen[key] = true
		}
		shown[q.Photo] = true
		for f := range q.Features {
			if !known[f] {
				return fmt.Errorf("%s: its feature %q is not in the manifest's list", name, f)
			}
		}
		for f := range q.FeaturesSure {
			if _, ok := q.Features[f]; !ok {
				return fmt.Errorf("%s: how sure %q is, is given without its value", name, f)
			}
		}
		if q.Crop != "" && q.Crop != cropName(q.Photo, q.ID) {
			return fmt.Errorf("%s: its crop is said to lie at %q, not at %q", name, q.Crop, cropName(q.Photo, q.ID))
		}
		if q.Crop != "" && !(p.Permission.AllowsSharing() && q.Permission.AllowsSharing()) {
			return fmt.Errorf("%s: its picture is packed, but its permission is %q, its photo's %q", name, q.Permission, p.Permission)
		}
		if q.CropMMPerPX != nil && (q.Crop == "" || q.DiameterMM == nil) {
			return fmt.Errorf("%s: a scale is given without a crop or a diameter", name)
		}
		c := count[q.Label]
		c.Marbles++
		count[q.Label] = c
		if q.Specimen != "" {
			s, ok := specimens[q.Specimen]
			if ok && s.Label != q.Label {
				return fmt.Errorf("the specimen %q is in the sets %q and %q", q.Specimen, s.Label, q.Label)
			}
			specimens[q.Specimen] = Specimen{q.Specimen, q.Label, s.Marbles + 1}
		}
	}
	if len(shown) != len(photos) {
		return errors.New("a photo is listed in which no marble is")
	}
	for _, s := range m.Sets {
		if c := count[s.Label]; c.Photos != s.Photos || c.Marbles != s.Marbles {
			return fmt.Errorf("the set %q is said to have %d photos and %d marbles, and has %d and %d", s.Label, s.Photos, s.Marbles, c.Photos, c.Marbles)
		}
	}
	if !slices.Equal(m.Specimens, inOrder(specimens)) {
		return errors.New("the list of specimens is not that of the marbles")
	}
	return nil
}

func inOrder(specimens map[string]Specimen) []Specimen {
	out := []Specimen{}
	for _, name := range slices.Sorted(maps.Keys(specimens)) {
		out = append(out, specimens[name])
	}
	return out
}

// fold makes names equal that some file systems take for the same.
func fold(name string) string { return strings.ToLower(norm.NFC.String(name)) }

func isPhotoName(name string) bool {
	switch strings.ToLower(path.Ext(name)) {
	case ".jpg", ".jpeg", ".jpe", ".jfif", ".mpo", ".png", ".heic", ".heif", ".hif", ".webp", ".tif", ".tiff", ".bmp":
		return true
	}
	return false
}

// Sums are the SHA-256 by which a photo is known: its file's and, where that was
// stripped, its original's.
func (p Photo) Sums() []string {
	if p.OriginalSHA256 == "" || p.OriginalSHA256 == p.SHA256 {
		return []string{p.SHA256}
	}
	return []string{p.SHA256, p.OriginalSHA256}
}

// unsafeName says why a slash-separated path may not become a file below a
// folder, on any of the usual systems; empty where it may.
func unsafeName(name string) string {
	switch {
	case name == "":
		return "it is empty"
	case !utf8.ValidString(name):
		return "it is not UTF-8"
	case strings.Contains(name, `\`):
		return `it has a \ in it`
	case strings.HasPrefix(name, "/"):
		return "it is an absolute path"
	case len(name) > 1000:
		return "it is too long"
	}
	for part := range strings.SplitSeq(name, "/") {
		stem, _, _ := strings.Cut(strings.ToUpper(part), ".")
		switch {
		case part == "..":
			return "it climbs out of the folder"
		case part == "" || strings.HasPrefix(part, "."):
			return "a part of it is empty or begins with a dot"
		case strings.HasSuffix(part, ".") || strings.TrimSpace(part) != part:
			return "a part of it ends with a dot, or begins or ends with a space"
		case len(part) > 200:
			return "a part of it is longer than 200 bytes"
		case strings.ContainsAny(part, `<>:"|?*`) || strings.ContainsFunc(part, func(r rune) bool { return unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) }):
			return `it has a control character or one of <>:"|?* in it`
		case stem == "CON" || stem == "PRN" || stem == "AUX" || stem == "NUL" || len(stem) == 4 && (strings.HasPrefix(stem, "COM") || strings.HasPrefix(stem, "LPT")) && stem[3] >= '0' && stem[3] <= '9':
			return "some systems keep that name for a device"
		}
	}
	return ""
}
