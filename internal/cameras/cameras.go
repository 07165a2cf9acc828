// Package cameras keeps what was found of the user's cameras: one file of JSON a
// camera, lens and frame shape, in the user's own settings, used for photos that
// say they come from that camera.
package cameras

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"time"

	"tawsight/calib"
	"tawsight/internal/atomicfile"
	"tawsight/vision"
)

// FileVersion is the version of the files; one of a later version isn't read.
const FileVersion = 1

// Ext ends the files' names.
const Ext = ".json"

// Key is what tells one camera's pictures from another's, by the file's own
// metadata: the same lens at the same zoom.
type Key struct {
	Make        string  `json:"make,omitempty"`
	Model       string  `json:"model"`
	Lens        string  `json:"lens,omitempty"`
	FocalMM     float64 `json:"focal_mm,omitempty"`
	Focal35MM   float64 `json:"focal_35mm,omitempty"`
	DigitalZoom float64 `json:"digital_zoom,omitempty"`
}

// KeyOf reads a photo's key; ok is false where the file doesn't name its camera.
func KeyOf(m vision.Meta) (k Key, ok bool) {
	k = Key{
		Make: strings.TrimSpace(m.CameraMake), Model: strings.TrimSpace(m.CameraModel), Lens: strings.TrimSpace(m.LensModel),
		FocalMM: math.Round(m.FocalMM*100) / 100, Focal35MM: math.Round(m.Focal35MM*100) / 100, DigitalZoom: math.Round(m.DigitalZoom*100) / 100,
	}
	if k.DigitalZoom == 1 {
		k.DigitalZoom = 0 // absent says the same
	}
	return k, k.Model != ""
}

// String is the key in words: "Make Model, 4.25 mm (26 mm equivalent)".
func (k Key) String() string {
	s := vision.Meta{CameraMake: k.Make, CameraModel: k.Model}.Camera()
	switch {
	case k.FocalMM > 0 && k.Focal35MM > 0:
		s += fmt.Sprintf(", %g mm (%g mm equivalent)", k.FocalMM, k.Focal35MM)
	case k.FocalMM > 0:
		s += fmt.Sprintf(", %g mm", k.FocalMM)
	case k.Focal35MM > 0:
		s += fmt.Sprintf(", %g mm equivalent", k.Focal35MM)
	}
	if k.DigitalZoom > 0 {
		s += fmt.Sprintf(", zoomed %g times", k.DigitalZoom)
	}
	return s
}

// Profile is what is known of one camera.
type Profile struct {
	Version int    `json:"tawsight_camera_profile"`
	Name    string `json:"name"`
	Camera  Key    `json:"camera"`
	// Found is the camera itself, in the frame as files store it.
	Found calib.CameraModel `json:"found"`
	// How it was found.
	Made           string  `json:"made"` // ISO 8601, the day
	MadeBy         string  `json:"made_by"`
	Photos         int     `json:"photos"`
	ReprojectionPX float64 `json:"reprojection_px"`
	// Of photos left out, half of the card foretold from the other half.
	HeldOutPX        float64 `json:"held_out_px"`
	HeldOutWithoutPX float64 `json:"held_out_without_profile_px"`

	path string
}

// Path is the file that the profile was read from; empty for a new one.
func (p *Profile) Path() string { return p.path }

// Hash stands for all that a profile does to a measurement: the same camera and
// the same figures give the same one, whatever the name and the day.
func (p *Profile) Hash() string {
	data, err := json.Marshal(struct {
		Camera Key
		Found  calib.CameraModel
	}{p.Camera, p.Found})
	if err != nil {
		return "" // figures that are not finite are refused before
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:6])
}

// ErrProfile is wrapped by the error for a file that is no camera profile, or a
// damaged one.
var ErrProfile = errors.New("not a camera profile that this program can use")

// Read reads one file.
func Read(path string) (*Profile, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var p Profile
	if err := json.Unmarshal(data, &p); err != nil {
		return nil, fmt.Errorf("%s: %w (%v)", path, ErrProfile, err)
	}
	switch {
	case p.Version < 1:
		return nil, fmt.Errorf("%s: %w: it doesn't say that it is one", path, ErrProfile)
	case p.Version > FileVersion:
		return nil, fmt.Errorf("%s: %w: it was written by a later version; update Tawsight", path, ErrProfile)
	case p.Camera.Model == "":
		return nil, fmt.Errorf("%s: %w: it names no camera", path, ErrProfile)
	}
	if err := p.Found.Check(); err != nil {
		return nil, fmt.Errorf("%s: %w: it has %v; make it anew with tawsight camera", path, ErrProfile, err)
	}
	p.path = path
	return &p, nil
}

// Dir is the folder of the user's profiles.
func Dir() (string, error) {
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("it is not known where your settings are (%w): say where the profile is to go with --out", err)
	}
	return filepath.Join(dir, "tawsight", "cameras"), nil
}

// Book are the profiles of one user. A nil book has none.
type Book struct {
	profiles []*Profile
	// Problems are files in the folder that can't be used, with the reason.
	Problems []error
}

// Open reads the profiles in a folder; a folder that isn't there holds none.
func Open(dir string) *Book {
	b := &Book{}
	entries, err := os.ReadDir(dir)
	if err != nil {
		if !errors.Is(err, fs.ErrNotExist) {
			b.Problems = append(b.Problems, err)
		}
		return b
	}
	for _, e := range entries {
		if e.IsDir() || filepath.Ext(e.Name()) != Ext || strings.HasPrefix(e.Name(), ".") {
			continue
		}
		p, err := Read(filepath.Join(dir, e.Name()))
		if err != nil {
			b.Problems = append(b.Problems, err)
			continue
		}
		b.profiles = append(b.profiles, p)
	}
	sort.SliceStable(b.profiles, func(i, j int) bool { return b.profiles[i].path < b.profiles[j].path })
	return b
}

// OpenUsers is Open of the user's own folder; a book without profiles where there
// is none.
func OpenUsers() *Book {
	dir, err := Dir()
	if err != nil {
		return &Book{}
	}
	return Open(dir)
}

// With is a book of these profiles, not read from files.
func With(p ...*Profile) *Book { return &Book{profiles: p} }

// Profiles are all of them, by file name.
func (b *Book) Profiles() []*Profile {
	if b == nil {
		return nil
	}
	return b.profiles
}

// For is the profile for a photo of w x h px, upright, and what it says of that
// photo's camera. Of several the one made last is taken.
func (b *Book) For(m vision.Meta, w, h int) (*Profile, *calib.KnownCamera) {
	if b == nil || len(b.profiles) == 0 {
		return nil, nil
	}
	key, ok := KeyOf(m)
	if !ok {
		return nil, nil
	}
	var best *Profile
	var camera *calib.KnownCamera
	for _, p := range b.profiles {
		if p.Camera != key || best != nil && p.Made <= best.Made {
			continue
		}
		if k, ok := p.Found.For(w, h, m.Orientation); ok {
			best, camera = p, &k
		}
	}
	return best, camera
}

// Hashes are those of the profiles of a photo's camera, of any frame shape.
func (b *Book) Hashes(m vision.Meta) []string {
	key, ok := KeyOf(m)
	var out []string
	for _, p := range b.Profiles() {
		if ok && p.Camera == key {
			out = append(out, p.Hash())
		}
	}
	return out
}

// FileName is the name of a profile's file: one for each camera, zoom and shape.
func (p *Profile) FileName() string {
	words := vision.Meta{CameraMake: p.Camera.Make, CameraModel: p.Camera.Model}.Camera()
	if p.Camera.Lens != "" {
		words += " " + p.Camera.Lens
	}
	for _, f := range []struct {
		v    float64
		unit string
	}{{p.Camera.FocalMM, "mm"}, {p.Camera.Focal35MM, "mm-equivalent"}, {p.Camera.DigitalZoom, "times"}} {
		if f.v > 0 {
			words += fmt.Sprintf(" %g%s", f.v, f.unit)
		}
	}
	words += " " + Shape(p.Found.WidthPX, p.Found.HeightPX)
	var b strings.Builder
	dash := false
	for _, r := range strings.ToLower(words) {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9', r == '.':
			if dash && b.Len() > 0 {
				b.WriteByte('-')
			}
			b.WriteRune(r)
			dash = false
		default:
			dash = true
		}
	}
	name := strings.Trim(b.String(), ".-")
	if len(name) > 120 {
		name = name[:120]
	}
	// Names that differ in other letters only must not meet.
	sum := sha256.Sum256([]byte(fmt.Sprint(p.Camera)))
	return name + "-" + hex.EncodeToString(sum[:2]) + Ext
}

// Shape is a frame's shape in words: "4:3", or the pixels where it is none of the
// usual ones.
func Shape(w, h int) string {
	for _, s := range [][2]int{{4, 3}, {3, 2}, {16, 9}, {1, 1}, {3, 4}, {2, 3}, {9, 16}} {
		if calib.SameShape(w, h, s[0]*1000, s[1]*1000) {
			return fmt.Sprintf("%d:%d", s[0], s[1])
		}
	}
	return fmt.Sprintf("%dx%d", w, h)
}

// Save writes the profile to path, whole or not at all. A profile already there is
// kept beside it, and its new name given; any other file is left alone and an
// error wraps [ErrProfile].
func (p *Profile) Save(path string, now time.Time) (kept string, err error) {
	p.Version = FileVersion
	data, err := json.MarshalIndent(p, "", "  ")
	if err != nil {
		return "", err
	}
	if old, err := os.ReadFile(path); err == nil {
		var was struct {
			Version int `json:"tawsight_camera_profile"`
		}
		if json.Unmarshal(old, &was) != nil || was.Version < 1 {
			return "", fmt.Errorf("%s is there already and is %w: it was left as it is; choose another name with --out", path, ErrProfile)
		}
		for n := 1; ; n++ {
			kept = fmt.Sprintf("%s.before-%s-%d", path, now.Format("2006-01-02"), n)
			if _, err := os.Lstat(kept); errors.Is(err, fs.ErrNotExist) {
				break
			}
		}
		if err := atomicfile.WriteBytes(kept, old); err != nil {
			return "", err
		}
	} else if !errors.Is(err, fs.ErrNotExist) {
		return "", err
	}
	if err := atomicfile.WriteBytes(path, append(data, '\n')); err != nil {
		return kept, err
	}
	p.path = path
	return kept, nil
}
