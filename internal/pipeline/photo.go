package pipeline

import (
	"image"
	"math"
	"time"

	"tawsight/calib"
	"tawsight/features"
	"tawsight/internal/colour"
	"tawsight/internal/quality"
	"tawsight/internal/record"
	"tawsight/internal/report"
	"tawsight/internal/worker"
	"tawsight/vision"
)

// cropMMPerPX is the scale of every crop, so that marbles lie side by side at
// one size: a 16 mm marble is 160 px across.
const cropMMPerPX = 0.1

// cropRoom is the side of a crop in diameters: the background is kept.
const cropRoom = 1.4

// unscaledCropPX is a marble's diameter in crops of photos without a scale.
const unscaledCropPX = 160

// result is one photo measured, with what is needed to write its pictures.
type result struct {
	photo    record.Photo
	sight    report.Sight
	base     *vision.Picture     // what the overlay is drawn on; nil where it is not wanted
	crops    [][]byte            // PNG
	page     report.PagePictures // of the crops
	closeUps []closeUp           // for the sheets
	views    []report.View
	analyses []*features.Analysis // where they are wanted: they hold the faces, a megabyte and more each
	outlines []vision.Outline
	ruler    *calib.Ruler // nil without one
	measures quality.Measures
	corners  [][2]float64 // the card's, px; nil without one
}

// wanted is what is asked for beside the figures.
type wanted struct {
	crops  bool // the marbles cut out, as files and, beside an overlay, for the page
	base   bool // the picture that the overlay is drawn on, kept for drawing
	draw   bool // the overlay itself, of the record as measured
	tray   bool // the photo reduced, as a JPEG
	sheets bool // the marbles close up, and the analyses
	// analyses is for those who look at them in this process.
	analyses bool
	views    bool // the marbles as plates show them
	ruler    RulerOptions
	clock    *stepClock // nil but for bench
}

// A closeUp is a marble cut out with a little paper all round, radiusPX from
// its middle to its outline: as large as in the photo, but no larger than a
// sheet shows it.
type closeUp struct {
	img      image.Image
	radiusPX float64
}

// closeUpRoom is a close-up's side in diameters.
const closeUpRoom = 1.08

// measurePhoto takes one file through decoding, card, outlines, faces and
// features. A file that can't be read comes back with photo.Error set.
func measurePhoto(path string, scale calib.PrintScale, want wanted) (res result) {
	start := time.Now()
	res.photo = record.Photo{Path: path, MadeBy: madeBy(), Scale: record.Scale{Source: "none"}, White: record.White{Source: "none"}}
	defer func() { res.photo.Seconds = math.Round(time.Since(start).Seconds()*1000) / 1000 }()
	p, err := vision.Open(path)
	if err != nil {
		res.photo.Error = reasonOf(err)
		res.photo.Verdict = record.Verdicts{Size: record.Unusable, Colour: record.Unusable, Pattern: record.Unusable}
		return res
	}
	defer p.Close()
	want.clock.done("decode")
	ph := &res.photo
	ph.SHA256, ph.WidthPX, ph.HeightPX = p.SHA256, p.Width, p.Height
	ph.Taken, ph.Camera = p.Meta.TakenISO, p.Meta.Camera()

	// The ruler: pose and scale. The card gives white and blur as well.
	look := sightRuler(p, scale, want.ruler)
	mat := seeMat(p, &look, scale)
	scene := look.scene
	want.clock.done("card")
	light := vision.Light{White: calib.Neutral(), RefX: float64(p.Width) / 2, RefY: float64(p.Height) / 2}
	if look.det.Found {
		pose := look.ruler.Pose
		scene.BlurPX = calib.EdgeSigmaPX(p.Mat(), look.det.Corners)
		light.RefX, light.RefY, _ = pose.Pixel(calib.CardWidthMM/2*scale.Factor, calib.CardHeightMM/2*scale.Factor)
		if w, ok := calib.ReadWhite(p.Mat(), look.det.Corners); ok {
			light.White = w
		}
	}
	want.clock.done("blur and white")
	worker.Trim() // room that looking for the card left in pieces
	found := vision.Find(p, scene)
	want.clock.done("outlines")
	ids := mat.number(&found)
	if mat != nil {
		ph.Mat = mat.version
	}
	if len(want.ruler.Known) > 0 {
		look.byKnown(p, found, want.ruler)
	}
	ruler := look.ruler
	res.ruler = ruler
	det := look.det
	res.sight.Rulers = look.polygons()
	if ruler == nil {
		res.sight.Points = det.Seen
	}
	ph.Scale = look.record()
	light.Paper = found.Paper
	if light.White.Source == "none" && found.Paper != nil {
		light.White = calib.WhiteFromBackground(found.PaperLinear)
	}
	ph.White = whiteRecord(light.White)
	q := quality.Measure(p, det, ruler, light.White, found, scene.Areas)
	res.measures = q
	want.clock.done("quality")
	if det.Found {
		res.corners = det.Corners
	}
	centres, radii := make([]calib.Vec3, len(found.Marbles)), make([]float64, len(found.Marbles))
	if want.crops && (want.draw || want.base) {
		res.page = report.PagePictures{}
	}
	for i, o := range found.Marbles {
		m := record.Marble{ID: ids[i], Place: mat.place(i), Outline: outlineRecord(o.Ellipse), Touching: o.Touching, CutOff: o.CutOff}
		size := func() float64 {
			if ruler == nil || o.CutOff {
				return 0
			}
			d, err := ruler.Diameter(seenOutline(o, scene.Camera))
			if err != nil {
				return 0
			}
			m.DiameterMM, m.DiameterU95MM = dec(d.MM, 3), dec(d.U95MM, 3)
			m.DiameterIn, m.SizeClass = calib.InchFraction(d.MM), calib.SizeClass(d.MM)
			m.Budget = m.Budget[:0]
			for _, c := range d.Budget {
				m.Budget = append(m.Budget, record.BudgetLine{Source: c.Name, UMM: round(c.U, 4)})
			}
			centres[i], radii[i] = d.CentreMM, d.MM/2
			return d.MM / 2
		}
		face := vision.Face(p, found, i, light, 0, scene.Areas)
		face.Mark = mat.mark(found, i, face)
		want.clock.done("faces")
		a := features.Analyse(face)
		want.clock.done("features")
		// Where the edge lies against the outline depends on the glass.
		o = o.WithoutRim(scene.Camera, 1-a.Glass.NotOpaque).WithBrightRim(a.Glass.BrightRim, a.Glass.Clear)
		m.Outline = outlineRecord(o.Ellipse)
		res.outlines = append(res.outlines, o)
		a.Face.RadiusMM = size() // with the mark under it taken off, it is another than face
		fillMarble(&m, a)
		if want.sheets || want.analyses {
			res.analyses = append(res.analyses, a)
		} else {
			vision.Reuse(face)
		}
		want.clock.done("record")
		ph.Marbles = append(ph.Marbles, m)
		if want.sheets {
			// About the outline that the face was cut by.
			seen := found.Marbles[i]
			own := seen.Ellipse.MeanRadiusPX()
			r := math.Min(own, report.SheetDiscPX)
			side := int(math.Ceil(2 * r * closeUpRoom))
			res.closeUps = append(res.closeUps, closeUp{vision.Crop(p, seen, light, r/own, side), r})
		}
		if want.views {
			v, err := viewOf(p, o, light, m.DiameterMM)
			if err != nil {
				res.photo.Error = "the marbles' pictures could not be made: " + err.Error()
				return res
			}
			res.views = append(res.views, v)
			want.clock.done("views")
		}
		if want.crops {
			k := unscaledCropPX / (2 * o.Ellipse.MeanRadiusPX())
			side := int(unscaledCropPX * cropRoom)
			if m.DiameterMM != nil {
				k = *m.DiameterMM / cropMMPerPX / (2 * o.Ellipse.MeanRadiusPX())
				side = 2 * int(*m.DiameterMM/cropMMPerPX*cropRoom/2+0.5) // even, for the page's halves
			}
			crop := vision.Crop(p, o, light, k, side)
			want.clock.done("crops")
			encode := vision.PNG
			if res.page != nil {
				encode = func(img image.Image) ([]byte, error) { return res.page.Crop(m.ID, img) }
			}
			data, err := encode(crop)
			vision.ReuseCrop(crop)
			if err != nil {
				res.photo.Error = "the marbles' pictures could not be made: " + err.Error()
				return res
			}
			res.crops = append(res.crops, data)
			want.clock.done("crops encoded")
		}
	}
	if want.base || want.draw || want.tray {
		if res.base, err = p.LastPicture(report.OverlaySidePX); err != nil {
			res.photo.Error = "its overlay could not be drawn: " + err.Error()
			return res
		}
		want.clock.done("photo reduced")
	}
	overlaps := quality.Overlaps(centres, radii)
	for i := range ph.Marbles {
		ph.Marbles[i].Flags = quality.MarbleFlags(quality.Marble{
			Outline: found.Marbles[i], Look: q.Survey.Marbles[i], Refined: true,
			OverlapMM: overlaps[i], UnderUltraviolet: q.Ultraviolet.Is,
		})
	}
	ph.Flags = q.PhotoFlags()
	if q.Ultraviolet.Is {
		underUltraviolet(ph, q.Ultraviolet)
	}
	quality.Judge(ph)
	for i := range ph.Marbles {
		if q.Ultraviolet.Is {
			sayWhyTakenBack(&ph.Marbles[i], onlyGlow)
		} else {
			sayWhyTakenBack(&ph.Marbles[i], sizeUnusable)
		}
	}
	return res
}

func outlineRecord(e calib.Ellipse) record.Outline {
	return record.Outline{
		CxPX: round(e.CxPX, 2), CyPX: round(e.CyPX, 2),
		SemiMajorPX: round(e.SemiMajorPX, 2), SemiMinorPX: round(e.SemiMinorPX, 2), AngleDeg: round(e.AngleDeg, 2),
	}
}

func whiteRecord(w calib.White) record.White {
	out := record.White{Source: w.Source}
	if w.Source == "none" {
		return out
	}
	if w.IlluminantXY != [2]float64{} {
		out.IlluminantXY = &[2]float64{round(w.IlluminantXY[0], 4), round(w.IlluminantXY[1], 4)}
	}
	if w.CCTK > 0 {
		out.CCTK = dec(w.CCTK, 0)
	}
	if w.ResidualDE00 >= 0 {
		out.ResidualDE00 = dec(w.ResidualDE00, 2)
	}
	return out
}

// fillMarble writes what the analysis found into the record.
func fillMarble(m *record.Marble, a *features.Analysis) {
	all := features.All()
	m.Features, m.FeaturesSure, m.FeaturesAbsent = make(map[string]float64, len(all)), make(map[string]float64, len(all)), map[string]string{}
	for _, f := range all {
		r := f.Read(a)
		if r.Absent != "" {
			m.FeaturesAbsent[f.Name] = r.Absent
			continue
		}
		m.Features[f.Name] = round(r.Value, 4)
		m.FeaturesSure[f.Name] = round(r.Sure, 2)
	}
	if b, ok := a.Base(); ok {
		named := colour.Nearest(b.Lab)
		m.Base = &record.Base{
			Lab: lab(b.Lab), Name: named.Name, Group: named.Group, Kind: b.Kind, Look: b.Look,
			Translucency: round(b.Translucency, 3), Tinted: b.Tinted,
		}
	}
	for _, r := range a.Ribbons() {
		named := colour.Nearest(r.Lab)
		rec := record.Ribbon{Lab: lab(r.Lab), Name: named.Name, Group: named.Group, AreaFraction: round(r.AreaFraction, 4)}
		if r.Opaque {
			rec.Opaque = record.B(true)
		}
		if r.WidthMM > 0 {
			rec.WidthMM = dec(r.WidthMM, 2)
		}
		m.Ribbons = append(m.Ribbons, rec)
	}
	if v, ok := a.Busyness(); ok {
		m.Busyness = dec(v, 3)
	}
	m.Bubble = bubbleRecord(a.Marks.Bubble, a.Face.RadiusMM)
}

// bubbleRecord is nil where no bubble was looked for; radiusMM is the marble's,
// 0 where that is not known.
func bubbleRecord(b features.Bubble, radiusMM float64) *record.Bubble {
	if !b.Looked {
		return nil
	}
	out := &record.Bubble{Present: b.Present}
	if b.Present && b.DiameterR > 0 && radiusMM > 0 {
		out.DiameterMM = dec(b.DiameterR*radiusMM, 2)
	}
	return out
}

// Why features are taken back once they were measured.
const (
	sizeUnusable = "sizes can't be relied on here: the flags say why"
	onlyGlow     = "under ultraviolet light only the glow is measured"
)

// sayWhyTakenBack gives a reason for every feature whose value was withdrawn
// after it was measured, and takes how sure it was back with it.
func sayWhyTakenBack(m *record.Marble, reason string) {
	for name := range m.FeaturesSure {
		if _, ok := m.Features[name]; !ok {
			delete(m.FeaturesSure, name)
			m.FeaturesAbsent[name] = reason
		}
	}
}

func lab(v [3]float64) [3]float64 { return [3]float64{round(v[0], 1), round(v[1], 1), round(v[2], 1)} }

func round(v float64, places int) float64 {
	k := math.Pow(10, float64(places))
	return math.Round(v*k) / k
}

// dec is an optional figure to a number of places; nil when it is not finite.
func dec(v float64, places int) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return record.F(round(v, places))
}

// sig is an optional figure to a number of significant digits.
func sig(v float64, digits int) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	if v == 0 {
		return record.F(0)
	}
	return record.F(round(v, digits-1-int(math.Floor(math.Log10(math.Abs(v))))))
}
