package pipeline

import (
	"bytes"
	"encoding/gob"
	"encoding/json"
	"fmt"
	"image"

	"tawsight/calib"
	"tawsight/internal/cameras"
	"tawsight/internal/record"
	"tawsight/internal/report"
	"tawsight/vision"
)

// What a worker can be asked to do.
const (
	doMeasure = "measure"
	doCheck   = "check"
	doCard    = "card"    // look for the card alone, with what the file says of its camera
	doCorners = "corners" // the card's corners
	doBase    = "base"    // the picture that the overlay is drawn on
	doGlows   = "glows"   // the light at given places under ultraviolet light
)

// job is what a worker is told.
type job struct {
	Do, Path                string
	Scale                   calib.PrintScale
	Pictures, Sheets, Views bool
	Ruler                   RulerOptions
	Survey                  vision.Survey
	Outlines                []calib.Ellipse
}

// wire is a job as it travels. Options go as JSON, since gob takes a pointer to 0
// for none.
type wire struct {
	Do, Path                string
	Scale                   calib.PrintScale
	Pictures, Sheets, Views bool
	Ruler, Cameras          []byte
	Survey                  vision.Survey
	Outlines                []calib.Ellipse
}

// answer is what a worker says. Record is JSON for the reason that options are,
// and because JSON is what becomes of it in the end.
type answer struct {
	Record  []byte
	Taken   taken
	Card    cardLook
	Corners [][2]float64
	Glows   []vision.Glow
}

// taken is one photo measured, as it is handed on to what writes files: pictures
// are encoded already.
type taken struct {
	Photo       record.Photo
	Sight       report.Sight
	Overlay     *image.RGBA // nil where the photo could not be read, or none was wanted
	Crops       [][]byte    // PNG, one a marble
	Sheets      [][]byte    // PNG, one a marble; none under ultraviolet light
	Views       []report.View
	Ultraviolet bool
	Survey      vision.Survey
	Corners     [][2]float64 // the card's, px; nil without one
}

// cardLook is a cameraLook as it travels.
type cardLook struct {
	Failed        bool
	Why           string
	Corners, Card [][2]float64
	Key           cameras.Key
	Width, Height int
	Focal35       float64
}

func (l cardLook) look(path string) cameraLook {
	if l.Failed || l.Why != "" {
		return cameraLook{failed: l.Failed, why: l.Why}
	}
	return cameraLook{photo: CameraPhoto{Path: path, corners: l.Corners, card: l.Card, key: l.Key, width: l.Width, height: l.Height, focal35: l.Focal35}}
}

// photo is the record of an answer. Its path is set anew: JSON keeps no names that
// are not UTF-8.
func (a *answer) photo(path string) record.Photo {
	var p record.Photo
	if err := json.Unmarshal(a.Record, &p); err != nil {
		return faulty(path, fmt.Sprintf("a fault in the program itself (%v); please report it with this photo", err))
	}
	p.Path = path
	return p
}

func encode(j job) ([]byte, error) {
	w := wire{Do: j.Do, Path: j.Path, Scale: j.Scale, Pictures: j.Pictures, Sheets: j.Sheets, Views: j.Views, Survey: j.Survey, Outlines: j.Outlines}
	var err error
	if w.Cameras, err = json.Marshal(j.Ruler.Cameras.Profiles()); err != nil {
		return nil, err
	}
	j.Ruler.Cameras = nil
	if w.Ruler, err = json.Marshal(j.Ruler); err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err = gob.NewEncoder(&b).Encode(w)
	return b.Bytes(), err
}

func decodeJob(b []byte) (job, error) {
	var w wire
	if err := decode(b, &w); err != nil {
		return job{}, err
	}
	j := job{Do: w.Do, Path: w.Path, Scale: w.Scale, Pictures: w.Pictures, Sheets: w.Sheets, Views: w.Views, Survey: w.Survey, Outlines: w.Outlines}
	if err := json.Unmarshal(w.Ruler, &j.Ruler); err != nil {
		return j, err
	}
	var profiles []*cameras.Profile
	if err := json.Unmarshal(w.Cameras, &profiles); err != nil {
		return j, err
	}
	if len(profiles) > 0 {
		j.Ruler.Cameras = cameras.With(profiles...)
	}
	return j, nil
}

func decode(b []byte, v any) error { return gob.NewDecoder(bytes.NewReader(b)).Decode(v) }

// serve does a job in a worker.
func serve(b []byte) []byte {
	var a answer
	fault := func(path string, err any) {
		p := faulty(path, fmt.Sprintf("a fault in the program itself (%v); please report it with this photo", err))
		a = answer{Card: cardLook{Failed: true, Why: p.Error}}
		a.Record, _ = json.Marshal(p) // a record without figures can be encoded
	}
	j, err := decodeJob(b)
	if err != nil {
		fault("", err)
	} else {
		func() {
			defer func() {
				if f := recover(); f != nil {
					fault(j.Path, f)
				}
			}()
			if err := do(j, &a); err != nil {
				fault(j.Path, err)
			}
		}()
	}
	var out bytes.Buffer
	if err := gob.NewEncoder(&out).Encode(a); err != nil {
		fault(j.Path, err)
		out.Reset()
		_ = gob.NewEncoder(&out).Encode(a)
	}
	return out.Bytes()
}

func do(j job, a *answer) (err error) {
	if Sabotage != nil {
		Sabotage(j.Path)
	}
	switch j.Do {
	case doMeasure:
		a.Taken = measureHere(j.Path, j.Scale, wanted{pictures: j.Pictures, sheets: j.Sheets, views: j.Views, ruler: j.Ruler})
		a.Record, err = json.Marshal(a.Taken.Photo)
		a.Taken.Photo = record.Photo{}
	case doCheck:
		a.Record, err = json.Marshal(checkPhoto(j.Path, j.Ruler))
	case doCard:
		l := lookForCard(j.Path)
		p := l.photo
		a.Card = cardLook{l.failed, l.why, p.corners, p.card, p.key, p.width, p.height, p.focal35}
	case doCorners:
		a.Corners = cornersOf(j.Path)
	case doBase:
		a.Taken.Overlay = baseOf(j.Path)
	case doGlows:
		a.Glows = glowsOf(j.Path, j.Survey, j.Outlines)
	default:
		err = fmt.Errorf("a worker can't %q", j.Do)
	}
	return err
}

// measureHere measures one photo in this process. A fault of the program's own
// is the photo's alone.
func measureHere(path string, scale calib.PrintScale, want wanted) (t taken) {
	defer func() {
		if fault := recover(); fault != nil {
			t = taken{Photo: faulty(path, fmt.Sprintf("a fault in the program itself (%v); please report it with this photo", fault))}
		}
	}()
	res := safely(path, scale, want)
	return handOn(path, &res, want)
}

// handOn makes of what was measured of a photo what is handed on.
func handOn(path string, res *result, want wanted) taken {
	t := taken{
		Photo: res.photo, Sight: res.sight, Overlay: res.overlay, Views: trueViews(res),
		Ultraviolet: res.measures.Ultraviolet.Is, Survey: res.measures.Survey, Corners: res.corners,
	}
	if t.Photo.Error != "" {
		t.Views = nil
	}
	broken := func(err error) taken {
		return taken{Photo: faulty(path, "the marbles' pictures could not be made: "+err.Error())}
	}
	for _, c := range res.crops {
		data, err := vision.PNG(c)
		if err != nil {
			return broken(err)
		}
		t.Crops = append(t.Crops, data)
	}
	if !want.sheets || t.Ultraviolet || t.Photo.Error != "" {
		return t
	}
	for i := range res.photo.Marbles {
		sheet, err := report.SheetPNG(report.Account{
			PhotoPath: path, PhotoFlags: res.photo.Flags, Marble: res.photo.Marbles[i], Analysis: res.analyses[i],
			Close: res.closeUps[i].img, CloseRadiusPX: res.closeUps[i].radiusPX,
		})
		if err != nil {
			return broken(err)
		}
		t.Sheets = append(t.Sheets, sheet)
	}
	return t
}

// glowsOf is glowsIn in this process.
func glowsOf(path string, s vision.Survey, at []calib.Ellipse) []vision.Glow {
	p, err := vision.Open(path)
	if err != nil {
		return nil
	}
	defer p.Close()
	out := make([]vision.Glow, len(at))
	for i, e := range at {
		out[i] = vision.GlowAt(p, s, e)
	}
	return out
}
