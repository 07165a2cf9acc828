package pipeline

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"tawsight/calib"
	"tawsight/internal/cameras"
	"tawsight/internal/record"
	"tawsight/vision"
)

// RulerOptions say what a photo may have its scale from besides the printed
// card, which is looked for always, as is a bank-card-sized card where nothing
// else is named. The zero value names nothing.
type RulerOptions struct {
	// Sheet is the name of the whole sheet of paper that the marbles lie on, one
	// of calib.SheetNames; empty for none.
	Sheet string
	// Coin is the name of a coin, one of calib.CoinNames, or CoinMM its diameter;
	// CoinAt, where not nil, a place on it, px of the upright photo.
	Coin   string
	CoinMM float64
	CoinAt *[2]float64
	// DPI is a flatbed scan's resolution; Scan takes the file's own.
	DPI  float64
	Scan bool
	// Known are marbles measured with a caliper, by their numbers in the photo.
	Known []KnownMarble
	// Rest is what the marbles lie on.
	Rest calib.Rest
	// Cameras are the cameras that are known, through which rulers are read; nil for
	// none. A scan needs none.
	Cameras *cameras.Book
}

// KnownMarble is a marble's number in its photo and its diameter.
type KnownMarble struct {
	ID         string
	DiameterMM float64
}

// ErrRuler is wrapped by every error of RulerOptions.Check.
var ErrRuler = errors.New("that ruler can't be used")

// Check says what is wrong with the options; photos is how many photos they are
// for.
func (o RulerOptions) Check(photos int) error {
	kinds := 0
	for _, on := range []bool{o.Sheet != "", o.Coin != "" || o.CoinMM != 0, o.DPI != 0 || o.Scan} {
		if on {
			kinds++
		}
	}
	if kinds > 1 {
		return fmt.Errorf("%w: name one of sheet, coin and scan, not several", ErrRuler)
	}
	if o.Sheet != "" && !slices.Contains(calib.SheetNames(), o.Sheet) {
		return fmt.Errorf("%w: no sheet is called %q; those known are %s", ErrRuler, o.Sheet, strings.Join(calib.SheetNames(), ", "))
	}
	if o.Coin != "" && o.CoinMM != 0 {
		return fmt.Errorf("%w: give the coin's name or its diameter, not both", ErrRuler)
	}
	if o.Coin != "" || o.CoinMM != 0 {
		if _, err := calib.CoinOf(o.Coin, o.CoinMM); err != nil {
			return fmt.Errorf("%w: %w", ErrRuler, err)
		}
	} else if o.CoinAt != nil {
		return fmt.Errorf("%w: a coin's place without the coin", ErrRuler)
	}
	if at := o.CoinAt; at != nil && !(at[0] >= 0 && at[1] >= 0 && at[0] < 1e6 && at[1] < 1e6) {
		return fmt.Errorf("%w: a coin at %g, %g is in no picture", ErrRuler, at[0], at[1])
	}
	if o.DPI != 0 {
		if o.Scan {
			return fmt.Errorf("%w: give the scan's resolution, or take the file's, not both", ErrRuler)
		}
		if _, err := calib.ScanRuler(o.DPI, 1, 1); err != nil {
			return fmt.Errorf("%w: %w", ErrRuler, err)
		}
	}
	if (o.DPI != 0 || o.Scan) && (len(o.Known) > 0 || o.Rest.Kind != calib.RestTable) {
		return fmt.Errorf("%w: in a scan marbles lie on the glass, and the scanner gives the scale", ErrRuler)
	}
	seen := map[string]bool{}
	for _, k := range o.Known {
		if seen[k.ID] {
			return fmt.Errorf("%w: marble %s is known twice", ErrRuler, k.ID)
		}
		seen[k.ID] = true
		if err := calib.CheckKnownMM(k.DiameterMM); err != nil {
			return fmt.Errorf("%w: %w", ErrRuler, err)
		}
	}
	if photos > 1 && len(o.Known) > 0 {
		return fmt.Errorf("%w: a known marble's number belongs to one photo, and there are %d: measure them one by one", ErrRuler, photos)
	}
	if photos > 1 && o.CoinAt != nil {
		return fmt.Errorf("%w: a coin's place belongs to one photo, and there are %d: measure them one by one", ErrRuler, photos)
	}
	return o.Rest.Check()
}

// sighted is what gives a photo its scale, and what was seen of it.
type sighted struct {
	det   calib.Detection // of the printed card
	ruler *calib.Ruler    // nil for none
	scene vision.Scene
	prior calib.FocalPrior
	// profile is the camera profile that the photo is read with, and known what it
	// says of this photo; nil for none.
	profile *cameras.Profile
	known   *calib.KnownCamera
}

// sightRuler looks for what gives an open photo its scale. Where there is
// nothing, det says why and what to do.
func sightRuler(p *vision.Photo, scale calib.PrintScale, o RulerOptions) sighted {
	s := sighted{prior: calib.PriorFocal(p.Meta.Focal35MM, p.Width, p.Height)}
	s.scene.Camera = calib.Camera{FocalPX: s.prior.FocalPX, CxPX: float64(p.Width-1) / 2, CyPX: float64(p.Height-1) / 2}
	s.scene.Ringed = o.Rest.Kind == calib.RestRing
	if o.DPI > 0 || o.Scan {
		s.scan(p, o)
		return s
	}
	profile, known := o.Cameras.For(p.Meta, p.Width, p.Height)
	if known != nil {
		s.prior, s.scene.Camera = known.Prior(), known.Camera()
		s.profile, s.known = profile, known
	}
	s.det = calib.DetectWith(p.Mat(), p.Half())
	if s.det.Found {
		corners := calib.InnerCorners()
		for i := range corners {
			corners[i][0] *= scale.Factor
			corners[i][1] *= scale.Factor
		}
		var pose *calib.Pose
		var err error
		if known != nil {
			pose, err = calib.FitPoseKnown(corners, s.det.Corners, p.Width, p.Height, known)
		} else {
			pose, err = calib.FitPose(corners, s.det.Corners, p.Width, p.Height, s.prior)
		}
		if err == nil {
			s.use(calib.CardRuler(pose, scale), o)
			return s
		}
		s.det.Found, s.det.Stage = false, calib.StageHidden
		s.det.Message = "the card was seen, but its corners do not lie as on a flat sheet"
		s.det.Advice = "lay the card flat and take the photo again"
		s.det.Seen = s.det.Corners
	}
	s.withoutCard(p, o)
	return s
}

// use makes a ruler that of the photo.
func (s *sighted) use(r *calib.Ruler, o RulerOptions) {
	r.Rest = o.Rest
	s.ruler = r
	if r.Pose != nil {
		s.scene.Camera = r.Pose.Camera
	}
	s.scene.MMPerPX = r.MMPerPX
	if len(r.Taken) > 0 || r.Sheet != nil {
		s.scene.Areas = &vision.Areas{Taken: r.Taken, Sheet: r.Sheet}
	}
}

// missing says why a ruler that was named is not used.
func (s *sighted) missing(message, advice string) {
	s.det.Stage, s.det.Message, s.det.Advice = calib.StageNoPattern, message, advice
}

func (s *sighted) withoutCard(p *vision.Photo, o RulerOptions) {
	if len(o.Known) > 0 {
		s.missing("none of the known marbles was found under its number", "measure the photo once without known marbles, and take the number that stands beside the marble")
	}
	if o.Sheet != "" {
		r, why := calib.Through(s.known, s.prior).FindSheet(p.Mat(), o.Sheet)
		if r == nil {
			s.missing("the sheet that was named was not found: "+why, "lay the sheet flat on a table that differs from it, with all four edges and corners in the picture")
			return
		}
		s.use(r, o)
		return
	}
	if o.Coin != "" || o.CoinMM != 0 {
		coin, err := calib.CoinOf(o.Coin, o.CoinMM)
		if err != nil {
			s.missing(err.Error(), "name another coin")
			return
		}
		r, why := calib.Through(s.known, s.prior).FindCoins(p.Mat(), coin, o.CoinAt)
		if r == nil {
			s.missing("the coin that was named was not found: "+why, "lay it flat on the paper, apart from the marbles; say where it is if need be; two or three coins lying apart are better than one")
			return
		}
		s.use(r, o)
		return
	}
	r, why := calib.Through(s.known, s.prior).FindID1(p.Mat())
	if r == nil && s.det.Stage == calib.StageNoPattern {
		var whySheet string
		r, whySheet = calib.Through(s.known, s.prior).FindSheet(p.Mat(), "")
		if whySheet != "" && why == "" {
			s.missing(whySheet, "name the sheet; or lay the printed card or any bank-card-sized card beside the marbles")
		}
	}
	if r != nil {
		s.use(r, o)
		return
	}
	if why != "" && s.det.Stage == calib.StageNoPattern {
		s.det.Message = "no printed card was seen, and what looks like a bank card is not taken for one: " + why
	}
}

// scan takes the scale from a scanner's resolution.
func (s *sighted) scan(p *vision.Photo, o RulerOptions) {
	dpi := o.DPI
	if o.Scan {
		dpi = p.Meta.DPI
		if dpi == 0 {
			s.missing("the file says nothing of a scan's resolution that could be true, the same in both directions", "give the resolution the scanner was set to")
			return
		}
	}
	r, err := calib.ScanRuler(dpi, p.Width, p.Height)
	if err != nil {
		s.missing(err.Error(), "give the resolution the scanner was set to")
		return
	}
	s.scene.Camera = calib.ScanCamera(p.Width, p.Height)
	s.use(r, o)
}

// byKnown takes the scale from known marbles among those found; it says
// whether it did.
func (s *sighted) byKnown(p *vision.Photo, found vision.Found, o RulerOptions) bool {
	var known []calib.KnownMarble
	for _, k := range o.Known {
		for i, m := range found.Marbles {
			if fmt.Sprint(i+1) == k.ID && !m.CutOff {
				known = append(known, calib.KnownMarble{Outline: seenOutline(m, s.scene.Camera), DiameterMM: k.DiameterMM})
			}
		}
	}
	if len(known) < len(o.Known) {
		// A number that is not there is a slip: better no scale than another's.
		s.ruler = nil
		s.missing("a known marble's number was not found in this photo, or that marble runs out of it",
			"measure the photo once without known marbles, and take the number that stands beside the marble")
		return false
	}
	r, err := calib.KnownRuler(known, s.ruler, o.Rest, p.Width, p.Height, s.prior)
	if err != nil {
		s.ruler = nil
		s.missing("the known marbles give no scale: "+err.Error(), "check their numbers and diameters")
		return false
	}
	if s.known != nil && r.Pose != nil {
		r.Pose.Camera.Lens = &s.known.Lens
	}
	s.ruler = r
	return true
}

func seenOutline(o vision.Outline, cam calib.Camera) calib.SeenOutline {
	return calib.SeenOutline{Cone: o.Cone, CovV: o.CovV, BiasUPX: o.BiasUPX, Camera: cam}
}

// corners are the ruler's polygons, for pictures.
func (s *sighted) polygons() [][][2]float64 {
	if s.ruler == nil {
		return nil
	}
	out := slices.Clone(s.ruler.Taken)
	if s.ruler.Sheet != nil {
		out = append(out, s.ruler.Sheet)
	}
	return out
}

// record is what the record says of the scale.
func (s *sighted) record() record.Scale {
	out := scaleRecord(s.ruler)
	if s.ruler != nil {
		out.CameraProfile = profileLine(s.profile)
	}
	return out
}

// scaleRecord is what a record says of a ruler.
func scaleRecord(r *calib.Ruler) record.Scale {
	if r == nil {
		return record.Scale{Source: "none"}
	}
	out := record.Scale{Source: r.Source, MMPerPX: sig(r.MMPerPX, 5)}
	if p := r.Pose; p != nil {
		if p.ReprojectionPX > 0 {
			out.ReprojectionPX = sig(p.ReprojectionPX, 3)
		}
		out.TiltDeg, out.CameraHeightMM = sig(p.TiltDeg, 4), sig(p.Plane.HeightMM*r.Size.Value, 5)
		out.FocalPX, out.FocalSource = sig(p.Camera.FocalPX, 6), p.FocalSource
	}
	return out
}
