// Package samples reads what is known to be true of a rendered photo: the truth files that the scene
// generator writes beside the committed sample photos, and those of other renderings in the same form.
//
// Lengths are millimetres, pixels follow the rule that a pixel's centre is at whole numbers (the origin is the
// centre of the top-left pixel), and every position is in the upright picture: after the EXIF orientation has been
// applied. Colours are CIELAB, D65, 2-degree observer.
package samples

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// Faults a sample photo may have, as written in Truth.Fault.
const (
	FaultNone             = "none"
	FaultOutOfFocus       = "out-of-focus"
	FaultCameraShake      = "camera-shake"
	FaultUnderExposed     = "under-exposed"
	FaultOverExposed      = "over-exposed"
	FaultColourCast       = "colour-cast"
	FaultHeavyCompression = "heavy-compression"
	FaultNoCard           = "no-card"
	FaultCardHidden       = "card-hidden" // the card is cut by the edge of the picture
)

// Truth is all that is known of one rendered photo.
type Truth struct {
	// Scene names the rendering; photos that differ only in the camera share a scene.
	Scene string `json:"scene"`
	Seed  int64  `json:"seed"`
	// Fault is one of the Fault constants; "none" (or empty) for a good photo.
	Fault string `json:"fault"`
	// ShouldWarn says that a careful reader of the photo ought to raise a flag about it as a whole.
	ShouldWarn bool `json:"should_warn"`
	// Property and Group say of a photo of a pair in what its two groups of marbles differ (see Pairs) and which of
	// them it shows; empty for others.
	Property string   `json:"property,omitempty"`
	Group    string   `json:"group,omitempty"`
	Image    Image    `json:"image"`
	Camera   Camera   `json:"camera"`
	Card     Card     `json:"card"`
	Ground   Ground   `json:"ground"`
	Marbles  []Marble `json:"marbles"`
	// Mat is the version of the sorting mat that the marbles lie on, whose top-left corner is the card's; 0 without one.
	Mat int `json:"mat,omitempty"`
	// Ruler is what gives a photo without the reference card its scale; nil for others.
	Ruler *Ruler `json:"ruler,omitempty"`
}

// What gives a photo its scale, as written in Ruler.Source.
const (
	RulerID1   = "id1"   // a card of ISO/IEC 7810 ID-1
	RulerSheet = "sheet" // the sheet of paper that the marbles lie on
	RulerCoin  = "coin"
	RulerScan  = "scan"  // a flatbed scanner's resolution
	RulerKnown = "known" // marbles measured with a caliper
)

// Ruler is what gives a photo its scale in place of the reference card.
type Ruler struct {
	Source string `json:"source"` // one of the Ruler constants
	Name   string `json:"name,omitempty"`
	// WidthMM and HeightMM of a card or sheet, and its corners in the picture, clockwise; absent for others.
	WidthMM   float64      `json:"width_mm,omitempty"`
	HeightMM  float64      `json:"height_mm,omitempty"`
	CornersPx [][2]float64 `json:"corners_px,omitempty"`
	Coins     []Coin       `json:"coins,omitempty"`
	DPI       float64      `json:"dpi,omitempty"`
	// Known are the marbles that were measured with a caliper, with its reading, which is off by its error.
	Known []Caliper `json:"known,omitempty"`
	// Rest are the rings that the marbles lie on; nil for marbles on the table.
	Rest *Rest `json:"rest,omitempty"`
}

// Rest is a flat ring under each marble.
type Rest struct {
	InnerMM  float64 `json:"inner_mm"`
	HeightMM float64 `json:"height_mm"`
}

// Coin is a coin, seen with the middle of its upper face at CentrePx.
type Coin struct {
	DiameterMM float64    `json:"diameter_mm"`
	CentrePx   [2]float64 `json:"centre_px"`
}

// Caliper is what a caliper read on a marble.
type Caliper struct {
	ID int     `json:"id"`
	MM float64 `json:"mm"`
}

// Good says that the photo has no intended fault.
func (t *Truth) Good() bool { return t.Fault == "" || t.Fault == FaultNone }

// Image is the size of the upright picture in pixels.
type Image struct {
	Width  int `json:"width"`
	Height int `json:"height"`
}

// Camera is a pinhole without distortion: Xcam = R Xworld + t, u = cx + f Xcam.x / Xcam.z, v likewise with y. The
// world has Z = 0 on the ground and Z up; the camera has x right, y down, z forward.
type Camera struct {
	FocalPx float64 `json:"focal_px"`
	CX      float64 `json:"cx"`
	CY      float64 `json:"cy"`
	// EXIFFocal35MM is the whole number in the photo's FocalLengthIn35mmFilm tag (36 mm across the picture's
	// longer side); 0 where the photo carries none.
	EXIFFocal35MM int           `json:"exif_focal_35mm"`
	HeightMM      float64       `json:"height_mm"`
	TiltDeg       float64       `json:"tilt_deg"`
	R             [3][3]float64 `json:"R_cam_from_world"`
	T             [3]float64    `json:"t_cam_from_world_mm"`
}

// Project gives the pixel at which the world point p (mm) is seen. The point must lie in front of the camera.
func (c Camera) Project(p [3]float64) (u, v float64) {
	var q [3]float64
	for i := range q {
		q[i] = c.R[i][0]*p[0] + c.R[i][1]*p[1] + c.R[i][2]*p[2] + c.T[i]
	}
	return c.CX + c.FocalPx*q[0]/q[2], c.CY + c.FocalPx*q[1]/q[2]
}

// Card is where the reference card lies. Present is false when the scene has none; a card cut by the edge of the
// picture is present, with some corners outside the picture.
type Card struct {
	Present          bool         `json:"present"`
	TopLeftWorldMM   [3]float64   `json:"top_left_world_mm"`
	XAxisWorld       [3]float64   `json:"x_axis_world"`
	YAxisWorld       [3]float64   `json:"y_axis_world"`
	ZMM              float64      `json:"z_mm"`
	RotationDeg      float64      `json:"rotation_in_image_deg"`
	InnerCornersPx   [][2]float64 `json:"inner_corners_px_row_major"` // 36: 4 rows of 9
	CornersPx        [][2]float64 `json:"corners_px"`                 // 4: clockwise from the top left
	WhollyInTheFrame bool         `json:"wholly_in_frame"`            // absent in other renderings
}

// Ground is the paper the marbles lie on.
type Ground struct {
	Lab [3]float64 `json:"lab"`
}

// Ellipse is the exact silhouette of a sphere in the upright picture, in pixels. AngleDeg is the direction of the
// major axis, from image x towards image y, 0 to 180.
type Ellipse struct {
	CX        float64 `json:"cx"`
	CY        float64 `json:"cy"`
	SemiMajor float64 `json:"semi_major"`
	SemiMinor float64 `json:"semi_minor"`
	AngleDeg  float64 `json:"angle_deg"`
}

// Transparency of a marble's base glass.
const (
	Transparent = "transparent"
	Cloudy      = "cloudy"
	Opaque      = "opaque"
)

// Marble is one marble of the scene, wholly in the picture unless CutOff.
type Marble struct {
	ID int `json:"id"`
	// Kind is the renderer's own word for how the marble is built; not a label for the product.
	Kind string `json:"kind"`
	// Label is the set the marble truly belongs to; empty if it belongs to none, or if the file doesn't say.
	Label      string  `json:"label"`
	DiameterMM float64 `json:"diameter_mm"`
	// Place is the number of the mat's place that it lies on; 0 for none.
	Place    int        `json:"place,omitempty"`
	CentreMM [3]float64 `json:"centre_mm"`
	Ellipse  Ellipse    `json:"ellipse_px"`
	Touches  Touches    `json:"touches"`
	CutOff   bool       `json:"cut_off"`
	Base     Base       `json:"base"`
	Ribbons  []Ribbon   `json:"ribbons"`
	Bubble   Bubble     `json:"bubble"`
	// Visible is the fraction of the silhouette's area that lies in the picture and behind no other marble, 0 to 1
	// (counted on whole pixels, so it may pass 1 by a little).
	Visible float64 `json:"visible_fraction_of_silhouette"`
	Seen    AsSeen  `json:"ribbons_as_seen"`

	// Specimen names the very marble, so that it can be found again in other photos; empty where no other photo shows
	// it or the file doesn't say. Photos of one scene (a poor photo and the good one of the same tray) share specimens
	// too.
	Specimen string `json:"specimen"`
	// RibbonLayout is one of the Layout constants: how the ribbons lie. Empty for a marble without ribbons, or where
	// the file doesn't say.
	RibbonLayout string `json:"ribbon_layout"`
	// Paired says whether a white strip and a coloured one run side by side along one path; nil for marbles without
	// ribbons and for surface swirls, or where the file doesn't say.
	Paired *bool `json:"paired"`
	// RibbonColours is the number of distinct colours of the ribbons, counting those that cover at least 2 % of the disc
	// as seen; classes whose materials are less than 8 apart by CIEDE2000 are one colour, and a two-tone or striated
	// ribbon is one. nil where the file doesn't say.
	RibbonColours *int `json:"ribbon_colours"`
	// Vanes says that the ribbons are vanes about an axis; false too where the file doesn't say.
	Vanes bool `json:"vanes"`
	// Crystallised says that part of the surface is matt and grainy; false too where the file doesn't say.
	Crystallised bool `json:"crystallised"`
}

// How the ribbons of a marble lie, as written in Marble.RibbonLayout.
const (
	LayoutFolded  = "folded"  // to and fro inside the glass
	LayoutVanes   = "vanes"   // about an axis inside the glass
	LayoutSurface = "surface" // swirls in the surface of an opaque body
)

// Touches lists the ids of the marbles that one touches. In a file it is null, a number or a list of numbers.
type Touches []int

// UnmarshalJSON reads null, a number or a list of numbers.
func (t *Touches) UnmarshalJSON(b []byte) error {
	*t = nil
	if string(b) == "null" {
		return nil
	}
	var one int
	if json.Unmarshal(b, &one) == nil {
		*t = Touches{one}
		return nil
	}
	var many []int
	if err := json.Unmarshal(b, &many); err != nil {
		return fmt.Errorf("touches: want null, a marble's number or a list of numbers: %w", err)
	}
	*t = many
	return nil
}

// Base is the body of the marble. Lab is the material's own colour: for glass the light that white light keeps after
// one diameter of it, for an opaque body the reflectance of its surface. For what a photo can show of it see AsSeen.
type Base struct {
	Lab          [3]float64 `json:"lab"`
	Transparency string     `json:"transparency"` // one of Transparent, Cloudy, Opaque
	Tint         bool       `json:"tint"`
	// Transmission is the fraction of light (luminance) that passes one diameter of the base unscattered, 0 (opaque)
	// to 1 (clear glass); nil where the file doesn't say.
	Transmission *float64 `json:"transmission,omitempty"`
}

// Ribbon is one ribbon inside the glass, or one colour of the surface swirl of an opaque body.
type Ribbon struct {
	// Lab is the material's colour; of a two-tone or striated ribbon the mean over its strips, by width.
	Lab    [3]float64 `json:"lab"`
	Opaque bool       `json:"opaque"`
	// WidthMM is the ribbon's width; of a surface swirl the colour's share of the stripes' period before they are
	// warped, so only a rough guide to what is seen.
	WidthMM float64 `json:"width_mm"`
	// LengthMM is the length of the ribbon's middle line in space; nil for surface swirls, or where the file doesn't say.
	LengthMM *float64 `json:"length_mm"`
	// TotalTurningDeg is the angle through which the direction of the middle line turns in space, added up along it;
	// nil where LengthMM is.
	TotalTurningDeg *float64 `json:"total_turning_deg"`
	// FoldSpacingMM is the mean distance between neighbouring passes of a folded ribbon where they cross the equator
	// they are folded about; nil for others, or where the file doesn't say.
	FoldSpacingMM *float64 `json:"fold_spacing_mm,omitempty"`
	// Striated says that the ribbon is made of many fine strips of two near colours, TwoTone that it runs from dark to
	// light of one hue across its width; StripLabs then are the strips' colours, from one edge to the other. False and
	// empty too where the file doesn't say.
	Striated  bool         `json:"striated"`
	TwoTone   bool         `json:"two_tone"`
	StripLabs [][3]float64 `json:"strip_labs,omitempty"`
	// Turns counts the turning points of the serpentine; nil where the idea doesn't apply (surface swirls) or the
	// file doesn't say.
	Turns *int `json:"turns"`
	// Channel is the class the ribbon belongs to in AsSeen: "R", "G" or "B".
	Channel string `json:"mask_channel"`
}

// UnmarshalJSON also takes "folds", another renderer's word for turns.
func (r *Ribbon) UnmarshalJSON(b []byte) error {
	type plain Ribbon
	v := struct {
		*plain
		Folds *int `json:"folds"`
	}{plain: (*plain)(r)}
	*r = Ribbon{}
	if err := json.Unmarshal(b, &v); err != nil {
		return fmt.Errorf("ribbon: %w", err)
	}
	if r.Turns == nil {
		r.Turns = v.Folds
	}
	return nil
}

// Bubble is the bubble inside the glass, if there is one. The numbers are nil when Present is false.
type Bubble struct {
	Present    bool        `json:"present"`
	DiameterMM *float64    `json:"diameter_mm"`
	OffsetMM   *[3]float64 `json:"offset_from_centre_mm"`
	// Visible is the share of the bubble's image that no ribbon hides, 0 to 1: its area over that of a bubble as
	// wide at the same depth with nothing before it, by paraxial optics. Tint and cloud are not counted. nil where the
	// file doesn't say.
	Visible *float64 `json:"visible_fraction,omitempty"`
}

// AsSeen is what the picture shows of a marble, measured inside 0.93 of its silhouette on a second rendering that has
// the same refraction but no light, reflection or tint: the best that any reading of the photo could give.
type AsSeen struct {
	R *SeenClass `json:"R,omitempty"`
	G *SeenClass `json:"G,omitempty"`
	B *SeenClass `json:"B,omitempty"`
	// Base is the median colour where less than 2 % is ribbon; nil where too few pixels are.
	Base *[3]float64 `json:"base_lab_as_seen"`
	Any  *SeenClass  `json:"any,omitempty"`
}

// SeenClass is one class of ribbon as the picture shows it.
type SeenClass struct {
	// Coverage is the fraction of the disc that shows the class, 0 to 1.
	Coverage float64 `json:"coverage"`
	// EdgeLengthPerDiameter is the length of the boundary of the class over the diameter in pixels; a measure of how
	// busy the pattern is. 0 where the file doesn't say.
	EdgeLengthPerDiameter float64 `json:"edge_length_per_diameter,omitempty"`
	// Pieces is the number of separate pieces; 0 where the file doesn't say.
	Pieces int `json:"pieces,omitempty"`
	// Lab is the median colour over the pixels of this class alone, under the white balance of the card's bare paper
	// (its L* 95 neutral), noise-free; nil where fewer than about 40 pixels are pure.
	Lab *[3]float64 `json:"lab_as_seen"`
}

// LoadTruth reads a truth file. The error names the file and says what is wrong with it.
func LoadTruth(path string) (*Truth, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("truth file: %w", err)
	}
	var t Truth
	if err := json.Unmarshal(b, &t); err != nil {
		return nil, fmt.Errorf("truth file %s: not the JSON expected: %w", path, err)
	}
	if t.Image.Width <= 0 || t.Image.Height <= 0 {
		return nil, fmt.Errorf("truth file %s: no picture size", path)
	}
	if t.Camera.FocalPx <= 0 {
		return nil, fmt.Errorf("truth file %s: no focal length", path)
	}
	for _, m := range t.Marbles {
		if m.DiameterMM <= 0 {
			return nil, fmt.Errorf("truth file %s: marble %d has no diameter", path, m.ID)
		}
	}
	return &t, nil
}

// TruthPath gives the path of the truth file of a photo: ROOT/truth/REST.json for ROOT/photos/REST.jpg where that
// file exists, else the .json beside the photo where that exists. Neither existing gives an error that wraps
// fs.ErrNotExist.
func TruthPath(photo string) (string, error) {
	bare := strings.TrimSuffix(photo, filepath.Ext(photo)) + ".json"
	abs, err := filepath.Abs(bare)
	if err != nil {
		return "", fmt.Errorf("truth of %s: %w", photo, err)
	}
	var tried []string
	parts := strings.Split(filepath.ToSlash(abs), "/")
	for i := len(parts) - 2; i >= 0; i-- {
		if parts[i] == "photos" {
			p := append(append(append([]string{}, parts[:i]...), "truth"), parts[i+1:]...)
			tried = append(tried, filepath.FromSlash(strings.Join(p, "/")))
			break
		}
	}
	tried = append(tried, abs)
	for _, p := range tried {
		if _, err := os.Stat(p); err == nil {
			return p, nil
		} else if !errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("truth of %s: %w", photo, err)
		}
	}
	return "", fmt.Errorf("truth of %s: none of %s: %w", photo, strings.Join(tried, ", "), fs.ErrNotExist)
}
