package quality

import (
	"math"
	"sort"

	"tawsight/calib"
	"tawsight/vision"
)

// usualMM is the diameter taken for a marble where nothing gives a scale:
// about 5/8 inch is a usual player (common practice). For judging blur only;
// no size is ever reported from it.
const usualMM = 16.0

// Measures is all that is measured of a photo's quality.
type Measures struct {
	WidthPX, HeightPX int
	Detection         calib.Detection
	Pose              *calib.Pose  // nil without a ruler, and of a scan
	Ruler             *calib.Ruler // what gives the scale; nil for nothing
	Flat              calib.Flatness
	White             calib.White
	// Blur is read from the card, or from the marbles' outlines (round, then,
	// and BlurFromCard false). BlurKnown is false when neither could be read.
	Blur                    calib.Blur
	BlurKnown, BlurFromCard bool
	Compression             vision.Compression
	// Notes are what reading the file left in doubt.
	Notes       []vision.Note
	Survey      vision.Survey
	Ultraviolet vision.Ultraviolet
	// PaperShare is the share of the picture that fits one smooth sheet, as
	// the finder saw it.
	PaperShare float64
	PaperSeen  bool
	// DiameterPX is the marbles' median diameter, px; 0 without marbles.
	DiameterPX float64
	Marbles    int
}

// MMPerPX is the scale on the card's plane, or where there is no card that of
// a usual marble; 0 when there is neither.
func (m *Measures) MMPerPX() float64 {
	switch {
	case m.Ruler != nil:
		return m.Ruler.MMPerPX
	case m.Pose != nil:
		return m.Pose.MMPerPX()
	case m.DiameterPX > 0:
		return usualMM / m.DiameterPX
	}
	return 0
}

// Measure measures a photo once its card and marbles are known. off are the
// areas that are no paper; ruler is nil where nothing gives the scale. Without a
// detected card it is another ruler than the card.
func Measure(p *vision.Photo, det calib.Detection, ruler *calib.Ruler, white calib.White, found vision.Found, off *vision.Areas) Measures {
	var pose *calib.Pose
	if ruler != nil {
		pose = ruler.Pose
	}
	m := Measures{
		Ruler:   ruler,
		WidthPX: p.Width, HeightPX: p.Height, Detection: det, Pose: pose, White: white,
		Compression: p.Compression, Notes: p.Notes, PaperShare: found.PaperShare, PaperSeen: found.Paper != nil, Marbles: len(found.Marbles),
	}
	var outlines []calib.Ellipse
	var d []float64
	for _, o := range found.Marbles {
		outlines = append(outlines, o.Ellipse)
		if !o.CutOff {
			d = append(d, 2*o.Ellipse.MeanRadiusPX())
		}
	}
	if len(d) > 0 {
		sort.Float64s(d)
		m.DiameterPX = d[len(d)/2]
	}
	m.Survey = vision.Look(p, outlines, off)
	m.Ultraviolet = vision.LookForUltraviolet(p, m.Survey, outlines)
	if pose != nil && det.Found {
		m.Flat = calib.FlatnessOf(calib.InnerCorners(), pose.Residual)
		m.Blur, m.BlurKnown = calib.CardBlur(p.Mat(), det.Corners)
		m.BlurFromCard = m.BlurKnown
	}
	if !m.BlurKnown {
		// The marbles' outlines, unless the whole picture is far softer: much
		// blur leaves few circles, and what is taken for outlines then is not.
		s := calib.EdgeBlur(p.Mat(), nil)
		if len(outlines) > 0 {
			if near := calib.EdgeBlur(p.Mat(), vision.NearOutlines(p, outlines)); near > 0.6*s {
				s = near
			}
		}
		if s > 0 {
			m.Blur = calib.Blur{SigmaPX: s, MajorPX: s, MinorPX: s}
			m.BlurKnown = true
		}
	}
	return m
}

// WhiteY is the linear light recorded of white paper (or what it would have
// been, from a background of usual lightness, L* 75); negative when unknown.
func (m *Measures) WhiteY() float64 {
	if m.White.Source == "card" {
		return m.White.PaperY * (0.2126/m.White.Gain[0] + 0.7152/m.White.Gain[1] + 0.0722/m.White.Gain[2])
	}
	if m.Survey.OpenCells == 0 {
		return -1
	}
	c := m.Survey.PaperLinear
	return (0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2]) * 0.876 / 0.483
}

// CastDE is what balancing leaves of the cast.
func (m *Measures) CastDE() float64 {
	switch m.White.Source {
	case "card", "background":
		return castError([3]float64{1 / m.White.Gain[0], 1 / m.White.Gain[1], 1 / m.White.Gain[2]})
	}
	return castError(m.Survey.PaperLinear)
}

// PaperClipped is the open paper's share at full scale in the channel where it
// is most.
func (m *Measures) PaperClipped() float64 {
	c := m.Survey.PaperClipped
	return math.Max(c[0], math.Max(c[1], c[2]))
}

// GlassClipped is the marbles' median share at full scale: a single white
// marble in the lamp's full light is that marble's own fault.
func (m *Measures) GlassClipped() float64 {
	var glass []float64
	for _, l := range m.Survey.Marbles {
		glass = append(glass, l.ClippedShare)
	}
	if len(glass) == 0 {
		return 0
	}
	sort.Float64s(glass)
	return glass[len(glass)/2]
}
