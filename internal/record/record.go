// Package record holds what a run of Tawsight knows of a photo and of each
// marble in it, as plain Go structures whose JSON form is the output
// contract: every name carries its unit, and a quantity that could not be
// measured is absent (a nil pointer), never zero and never NaN.
//
// Nothing here computes. The packages below fill these structures by way of
// internal/pipeline, and internal/report draws them.
package record

// Severity says how bad a flag is for what it affects.
type Severity string

const (
	Warn Severity = "warn" // what the flag affects is doubtful
	Fail Severity = "fail" // what the flag affects is unusable
)

// Verdict is how far one kind of reading of a photo can be trusted.
type Verdict string

const (
	Good     Verdict = "good"
	Doubtful Verdict = "doubtful"
	Unusable Verdict = "unusable"
)

// What a flag can affect, and what a verdict is about.
const (
	AboutSize    = "size"
	AboutColour  = "colour"
	AboutPattern = "pattern"
)

// Photo is everything known of one photo: one line of photos.jsonl.
type Photo struct {
	Path     string `json:"path"`
	SHA256   string `json:"sha256,omitempty"`
	WidthPX  int    `json:"width_px,omitempty"`
	HeightPX int    `json:"height_px,omitempty"`
	Taken    string `json:"taken,omitempty"`  // ISO 8601, from the file's metadata
	Camera   string `json:"camera,omitempty"` // make and model, from the file's metadata
	Scale    Scale  `json:"scale"`
	White    White  `json:"white"`
	// Mat is the version of the sorting mat that the marbles lie on; 0 for none.
	Mat     int      `json:"mat,omitempty"`
	Verdict Verdicts `json:"verdict"`
	Flags   []Flag   `json:"flags"`
	Marbles []Marble `json:"marbles"`
	MadeBy  MadeBy   `json:"made_by"`
	Seconds float64  `json:"seconds"`
	// PairedWith is the path of the photo of the same tray under the other
	// light: daylight for an ultraviolet one, and the other way round.
	PairedWith string `json:"paired_with,omitempty"`
	// Error is why the file could not be read at all, with what to do; empty
	// for every photo that was read, however poor.
	Error string `json:"error,omitempty"`
}

// Scale is where millimetres come from in one photo.
type Scale struct {
	Source         string   `json:"source"` // card, id1, sheet, scan or none
	MMPerPX        *float64 `json:"mm_per_px,omitempty"`
	ReprojectionPX *float64 `json:"reprojection_px,omitempty"`
	TiltDeg        *float64 `json:"tilt_deg,omitempty"`
	CameraHeightMM *float64 `json:"camera_height_mm,omitempty"`
	FocalPX        *float64 `json:"focal_px,omitempty"`
	FocalSource    string   `json:"focal_source,omitempty"` // exif, solved, assumed or profile
	// CameraProfile names the camera profile that lens and focal length were taken
	// from, and its hash: "NAME [0123456789ab]". Empty for none.
	CameraProfile string `json:"camera_profile,omitempty"`
}

// White is where the photo's white comes from.
type White struct {
	Source       string      `json:"source"` // card, background or none
	IlluminantXY *[2]float64 `json:"illuminant_xy,omitempty"`
	CCTK         *float64    `json:"cct_k,omitempty"`
	ResidualDE00 *float64    `json:"residual_de00,omitempty"`
}

// Verdicts is how far each kind of reading can be trusted.
type Verdicts struct {
	Size    Verdict `json:"size"`
	Colour  Verdict `json:"colour"`
	Pattern Verdict `json:"pattern"`
}

// Flag is one fault, in plain words, with what to do about it.
type Flag struct {
	Code     string   `json:"code"` // one of the closed list in the output contract
	Severity Severity `json:"severity"`
	Affects  []string `json:"affects"`
	Measured *float64 `json:"measured,omitempty"`
	Limit    *float64 `json:"limit,omitempty"`
	Message  string   `json:"message"` // what is wrong
	Advice   string   `json:"advice"`  // what to do
}

// Outline is the silhouette of a sphere as an ellipse in the photo. Pixel
// centres are at whole numbers, the origin is the centre of the top-left
// pixel, after EXIF orientation; the angle turns from image x towards image y.
type Outline struct {
	CxPX        float64 `json:"cx_px"`
	CyPX        float64 `json:"cy_px"`
	SemiMajorPX float64 `json:"semi_major_px"`
	SemiMinorPX float64 `json:"semi_minor_px"`
	AngleDeg    float64 `json:"angle_deg"`
}

// Marble is everything known of one marble in one photo.
type Marble struct {
	ID string `json:"id"`
	// Place is the number of the sorting mat's place that the marble lies on; 0 for
	// none.
	Place         int                `json:"place,omitempty"`
	Outline       Outline            `json:"outline"`
	Touching      bool               `json:"touching"`
	CutOff        bool               `json:"cut_off"`
	DiameterMM    *float64           `json:"diameter_mm,omitempty"`
	DiameterU95MM *float64           `json:"diameter_u95_mm,omitempty"`
	DiameterIn    string             `json:"diameter_in,omitempty"` // nearest 1/64 inch, reduced: "5/8"
	SizeClass     string             `json:"size_class,omitempty"`
	Budget        []BudgetLine       `json:"diameter_budget,omitempty"`
	Base          *Base              `json:"base,omitempty"`
	Ribbons       []Ribbon           `json:"ribbons"`
	Busyness      *float64           `json:"busyness,omitempty"`
	Bubble        *Bubble            `json:"bubble,omitempty"`
	Features      map[string]float64 `json:"features"`
	// FeaturesSure is how sure each of Features is on this marble, 0..1, under
	// the same names: below UnsureBelow a value is not to be relied on.
	FeaturesSure map[string]float64 `json:"features_sure,omitempty"`
	// FeaturesAbsent is why the features that Features lacks could not be
	// measured on this marble, in plain words.
	FeaturesAbsent map[string]string `json:"features_absent,omitempty"`
	Attribution    *Attribution      `json:"attribution,omitempty"`
	Flags          []Flag            `json:"flags"`
	// Verdict is how far this marble's readings can be trusted: the photo's
	// verdict, and what is wrong with the marble itself.
	Verdict *Verdicts `json:"verdict,omitempty"`
	// Glow is what the marble does under ultraviolet light.
	Glow *Glow `json:"glow,omitempty"`
	// PairedID is the same marble's id in the photo named by the photo's
	// PairedWith.
	PairedID string `json:"paired_id,omitempty"`
	// Crop is the crop's path below the output folder, as marbles.csv gives it.
	Crop string `json:"crop,omitempty"`
	// Sheet is the path, seen from the output folder, of the sheet that shows
	// how the figures came about; absent where none was asked for.
	Sheet string `json:"sheet,omitempty"`
}

// UnsureBelow is how sure a feature must be to be relied on.
const UnsureBelow = 0.3

// Glow is the light a marble gives of its own under an ultraviolet lamp.
type Glow struct {
	Share float64 `json:"share"` // of the face that glows, 0..1
	// Lab is the glow's colour as recorded, without white balance (there is no
	// white under such a lamp); absent where nothing glows.
	Lab  *[3]float64 `json:"lab,omitempty"`
	Name string      `json:"name,omitempty"`
}

// BudgetLine is one contribution to the uncertainty of a diameter.
type BudgetLine struct {
	Source string  `json:"source"`
	UMM    float64 `json:"u_mm"` // standard uncertainty it contributes, mm
}

// Base is the glass the ribbons lie in or on.
type Base struct {
	Lab   [3]float64 `json:"lab"`             // CIELAB, D65, 2-degree observer
	Name  string     `json:"name"`            // ISCC-NBS
	Group string     `json:"group,omitempty"` // everyday name of the colour: "green"
	Kind  string     `json:"kind"`            // transparent, cloudy or opaque
	// Look is the base in the trade's words: clear, tinted, white, off-white,
	// coloured or dark.
	Look         string  `json:"look,omitempty"`
	Translucency float64 `json:"translucency"` // 0 lets nothing through .. 1 clear
	Tinted       bool    `json:"tinted"`
}

// Ribbon is one ribbon colour of a marble.
type Ribbon struct {
	Lab          [3]float64 `json:"lab"`
	Name         string     `json:"name"`            // ISCC-NBS
	Group        string     `json:"group,omitempty"` // everyday name of the colour
	AreaFraction float64    `json:"area_fraction"`   // of the measured face, 0..1
	WidthMM      *float64   `json:"width_mm,omitempty"`
	// Opaque says whether the ribbon hides what lies behind it; nil where that
	// can't be told.
	Opaque *bool `json:"opaque,omitempty"`
}

// Bubble is a large bubble near the middle; a marble too dark, too busy or too
// little seen to look into has no Bubble at all.
type Bubble struct {
	Present    bool     `json:"present"`
	DiameterMM *float64 `json:"diameter_mm,omitempty"`
}

// Attribution is the likeness of a marble to the collector's own sets.
type Attribution struct {
	Label               string   `json:"label"`
	Status              string   `json:"status"` // assigned, doubtful or unlike-any
	Probability         float64  `json:"probability"`
	RunnerUp            string   `json:"runner_up,omitempty"`
	RunnerUpProbability float64  `json:"runner_up_probability,omitempty"`
	Reasons             []Reason `json:"reasons"`
	// PValue is the share of the labelled marbles that look at least as strange
	// to their own set as this one does to Label, 0..1: unlike-any is a low one.
	PValue *float64 `json:"p_value,omitempty"`
	// Next is the measurement that would do most for a doubt between Label and
	// RunnerUp, in plain words; only where the status is doubtful.
	Next string `json:"next,omitempty"`
}

// Reason is one feature that decided between the best set and the next.
type Reason struct {
	Feature string  `json:"feature"`
	Toward  string  `json:"toward"`
	Weight  float64 `json:"weight"`         // share of the decision, 0..1
	Text    string  `json:"text,omitempty"` // the same in plain words, with the values
}

// MadeBy records what made the figures, so that a later run can be compared.
type MadeBy struct {
	Tawsight string `json:"tawsight"`
	OpenCV   string `json:"opencv"`
	Features int    `json:"features"` // version of the feature registry
}

// F returns a pointer to v, for the optional figures above.
func F(v float64) *float64 { return &v }

// B returns a pointer to v, for the optional statements above.
func B(v bool) *bool { return &v }
