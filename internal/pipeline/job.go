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
	doDraw    = "draw"    // the overlay of a photo measured before
	doGlows   = "glows"   // the light at given places under ultraviolet light
)

// job is what a worker is told.
type job struct {
	Do, Path string
	Scale    calib.PrintScale
	Want     pictures
	Ruler    RulerOptions
	Survey   vision.Survey
	Outlines []calib.Ellipse
	Record   []byte // JSON; what the overlay shows, with Sight
	Sight    report.Sight
}

// pictures is what is wanted beside the figures, as it travels; see wanted.
type pictures struct{ Crops, Base, Draw, Tray, Sheets, Views bool }

func (w wanted) pictures() pictures {
	return pictures{w.crops, w.base, w.draw, w.tray, w.sheets, w.views}
}

func (j *job) wanted() wanted {
	p := j.Want
	return wanted{crops: p.Crops, base: p.Base, draw: p.Draw, tray: p.Tray, sheets: p.Sheets, views: p.Views, ruler: j.Ruler}
}

// wire is a job as it travels. Options go as JSON, since gob takes a pointer to 0
// for none.
type wire struct {
	Do, Path       string
	Scale          calib.PrintScale
	Want           pictures
	Ruler, Cameras []byte
	Survey         vision.Survey
	Outlines       []calib.Ellipse
	Record         []byte
	Sight          report.Sight
}

// answer is what a worker says. Record is JSON for the reason that options are,
// and because JSON is what becomes of it in the end.
type answer struct {
	Record  []byte
	Taken   taken
	Card    cardLook
	Corners [][2]float64
	Glows   []vision.Glow
	Why     string // why there is no overlay
}

// taken is one photo measured, as it is handed on to what writes files: pictures
// are encoded already.
type taken struct {
	Photo       record.Photo
	Sight       report.Sight
	Drawn       drawn
	Page        report.PagePictures // of the crops; nil where no overlay is drawn either
	Tray        []byte              // the photo reduced, JPEG
	TraySize    image.Point
	Crops       [][]byte // PNG, one a marble
	Sheets      [][]byte // PNG, one a marble; none under ultraviolet light
	Views       []report.View
	Ultraviolet bool
	Survey      vision.Survey
	Corners     [][2]float64    // the card's, px; nil without one
	base        *vision.Picture // stays where it was made
}

// drawn is an overlay, with what it shows (see shown), as the file has it and as
// the page does; JPEG, nil where it is not drawn.
type drawn struct {
	Of         string
	File, Page []byte
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
	w := wire{Do: j.Do, Path: j.Path, Scale: j.Scale, Want: j.Want, Survey: j.Survey, Outlines: j.Outlines, Record: j.Record, Sight: j.Sight}
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
	j := job{Do: w.Do, Path: w.Path, Scale: w.Scale, Want: w.Want, Survey: w.Survey, Outlines: w.Outlines, Record: w.Record, Sight: w.Sight}
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

// encode gives an answer in parts.
func (a answer) encode() ([][]byte, error) {
	var pictures [][]byte
	a.Taken, pictures = a.Taken.without()
	return pack(a, pictures)
}

func decodeAnswer(b []byte) (a answer, err error) {
	pictures, err := unpack(b, &a)
	if err == nil {
		err = a.Taken.putBack(pictures)
	}
	return a, err
}

// serve does a job in a worker.
func serve(b []byte) [][]byte {
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
	out, err := a.encode()
	if err != nil {
		fault(j.Path, err)
		out, _ = a.encode()
	}
	return out
}

// lastBase is what a worker measured last, where its overlay is drawn on demand:
// most often the next job.
var lastBase struct {
	path string
	pic  *vision.Picture
}

func do(j job, a *answer) (err error) {
	if Sabotage != nil {
		Sabotage(j.Path)
	}
	base := lastBase
	lastBase.pic = nil
	if j.Do != doDraw || base.path != j.Path {
		base.pic.Close() // room for this photo's own
		base.pic = nil
	}
	switch j.Do {
	case doMeasure:
		a.Taken = measureHere(j.Path, j.Scale, j.wanted())
		lastBase.path, lastBase.pic = j.Path, a.Taken.base
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
	case doDraw:
		var p record.Photo
		if err := json.Unmarshal(j.Record, &p); err != nil {
			return err
		}
		p.Path = j.Path
		a.Taken.Drawn, err = drawHere(base.pic, p, j.Sight)
		if err != nil {
			a.Why, err = err.Error(), nil
		}
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
func handOn(path string, res *result, want wanted) (t taken) {
	t = taken{
		Photo: res.photo, Sight: res.sight, Views: trueViews(res), Crops: res.crops, Page: res.page,
		Ultraviolet: res.measures.Ultraviolet.Is, Survey: res.measures.Survey, Corners: res.corners,
	}
	if t.Photo.Error != "" {
		t.Views = nil
	}
	broken := func(err error) taken {
		return taken{Photo: faulty(path, "the marbles' pictures could not be made: "+err.Error())}
	}
	defer func() {
		if t.base == nil {
			res.base.Close()
		}
	}()
	if res.base != nil && want.tray {
		tray, err := res.base.JPEGs(vision.Reduction{Quality: trayQuality})
		if err != nil {
			return broken(err)
		}
		t.Tray, t.TraySize = tray[0], res.base.Size()
	}
	switch {
	case res.base == nil || t.Photo.Error != "":
	case want.draw:
		var err error
		if t.Drawn, err = drawHere(res.base, t.Photo, t.Sight); err != nil {
			return broken(err)
		}
		want.clock.done("overlay drawn and encoded")
	case want.base:
		t.base = res.base
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
