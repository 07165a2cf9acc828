package quality

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"tawsight/calib"
	"tawsight/internal/colour"
	"tawsight/internal/record"
	"tawsight/vision"
)

var (
	size       = []string{record.AboutSize}
	colours    = []string{record.AboutColour}
	pattern    = []string{record.AboutPattern}
	everything = []string{record.AboutSize, record.AboutColour, record.AboutPattern}
)

type flagger struct{ flags []record.Flag }

func (f *flagger) add(l Limit, measured float64, affects []string, message, advice string) {
	f.flags = append(f.flags, record.Flag{Code: l.Code, Severity: l.Severity, Affects: affects,
		Measured: sig(measured, 3), Limit: sig(l.Value, 3), Message: message, Advice: advice})
}

func (f *flagger) plain(code string, s record.Severity, affects []string, message, advice string) {
	f.flags = append(f.flags, record.Flag{Code: code, Severity: s, Affects: affects, Message: message, Advice: advice})
}

// PhotoFlags are what is wrong with the photo as a whole, the worst first.
func (m *Measures) PhotoFlags() []record.Flag {
	var f flagger
	if m.Marbles == 0 {
		message, advice := "no marbles were found in this photo", "if there are marbles in it: use plain paper, more even light, and let each marble be at least 40 pixels wide"
		if m.Pose == nil && m.Ruler == nil && m.Detection.Stage == calib.StageNoPattern {
			message = "neither marbles nor the reference card were found: this seems not to be a photo of marbles"
		}
		f.plain("no-marbles", record.Fail, everything, message, advice)
	}
	m.cardFlags(&f)
	if m.Ultraviolet.Is {
		f.flags = append(f.flags, record.Flag{Code: "ultraviolet", Severity: record.Fail, Affects: []string{record.AboutColour, record.AboutPattern}, Measured: sig(m.Ultraviolet.BlueShare, 3),
			Message: "this photo was taken under ultraviolet light: what glows is recorded, and its colours are not judged as daylight colours",
			Advice:  "take one by daylight with card and marbles lying just the same, and measure both together; " + LampCaution})
	} else {
		m.lightFlags(&f)
	}
	m.sharpnessFlags(&f)
	m.backgroundFlags(&f)
	for _, n := range m.Notes {
		affects := []string{} // nothing, where a note is only to be known
		if n.Colour {
			affects = colours
		}
		f.plain(n.Code, record.Warn, affects, n.Message, n.Advice)
	}
	sort.SliceStable(f.flags, func(i, j int) bool {
		return f.flags[i].Severity == record.Fail && f.flags[j].Severity != record.Fail
	})
	return f.flags
}

// LampCaution is the usual caution about ultraviolet lamps.
const LampCaution = "never look into an ultraviolet lamp, wear eye protection rated for it, and follow the lamp maker's instructions and local rules"

func (m *Measures) cardFlags(f *flagger) {
	if m.Pose == nil && m.Ruler == nil {
		code := "no-card"
		switch m.Detection.Stage {
		case calib.StageCut, calib.StageHidden, calib.StageGlare, calib.StageBlurred:
			code = "card-hidden"
		case calib.StageTooSmall:
			if m.Detection.SquarePX > 0 {
				code = "card-too-small"
			}
		}
		f.plain(code, record.Fail, size, m.Detection.Message+", so sizes in millimetres are withheld", m.Detection.Advice)
		if m.White.Source != "card" {
			f.plain(code, record.Warn, colours,
				"without the card the colours are balanced on the background, taken to be neutral, and their lightness is the photo's own",
				"compare colours from photos with the card first")
		}
		return
	}
	if m.Ruler != nil && m.Ruler.Source != calib.SourceCard && m.White.Source != "card" {
		f.plain("no-card", record.Warn, colours,
			"the sizes rest on "+m.Ruler.Name+"; without the printed card the colours are balanced on the background, taken to be neutral, and their lightness is the photo's own",
			"compare colours from photos with the printed card first")
	}
	if m.Pose == nil {
		return
	}
	mm := m.Pose.MMPerPX()
	strays := StraysWarn.passed(float64(m.Flat.Strays))
	if strays {
		f.add(StraysWarn, float64(m.Flat.Strays), size, fmt.Sprintf("%d corners of the card's chessboard are not where they belong: something lies on it, or a shadow's edge crosses it", m.Flat.Strays),
			"lay the card flat with nothing on its squares, and take the photo again")
	}
	if bow := m.Flat.BowPX * mm; m.Flat.BowPX > 3*m.Flat.ScatterPX && !strays {
		for _, l := range [2]Limit{BowFail, BowWarn} {
			if l.passed(bow) {
				f.add(l, bow, size, "the card is bent: its corners lie on no plane", "lay the card flat, weighed down at its edges if need be, and take the photo again")
				break
			}
		}
	}
	if SquareWarn.passed(m.Detection.SquarePX) && m.Detection.SquarePX > 0 && m.Detection.Found {
		f.add(SquareWarn, m.Detection.SquarePX, size, fmt.Sprintf("the card is small in the picture: its squares are %.0f pixels wide", m.Detection.SquarePX),
			"go nearer, so that the card fills at least a quarter of the picture's width, or send the photo in its full size")
	}
	for _, l := range [2]Limit{TiltFail, TiltWarn} {
		if l.passed(m.Pose.TiltDeg) {
			f.add(l, m.Pose.TiltDeg, []string{record.AboutSize, record.AboutPattern}, fmt.Sprintf("the camera looked %.0f degrees from straight down", m.Pose.TiltDeg), "hold the camera more nearly above the marbles")
			break
		}
	}
}

func (m *Measures) lightFlags(f *flagger) {
	s := &m.Survey
	paper, glass := m.PaperClipped(), m.GlassClipped()
	darker := "take the photo darker, so that the card's white is just below full white"
	washed := false
	switch {
	case OverFail.passed(paper):
		f.add(OverFail, paper, colours, fmt.Sprintf("the photo is far too light: %.0f %% of the paper is burnt out", 100*paper), darker)
		washed = true
	case BurntFail.passed(glass):
		f.add(BurntFail, glass, colours, fmt.Sprintf("the photo is far too light: %.0f %% of the marbles' faces is burnt out", 100*glass), darker)
		washed = true
	case OverWarn.passed(paper):
		f.add(OverWarn, paper, colours, fmt.Sprintf("the photo is too light: %.0f %% of the paper is burnt out", 100*paper), darker)
	case BurntWarn.passed(glass):
		f.add(BurntWarn, glass, colours, fmt.Sprintf("the photo is too light: %.0f %% of the marbles' faces is burnt out", 100*glass), darker)
	case m.White.Clipped:
		f.plain("over-exposed", record.Warn, colours, "the card's white paper is burnt out, and the balance rests on its grey patches", darker)
	}
	if washed {
		f.plain("over-exposed", record.Warn, pattern, "light ribbons are burnt out and can't be told from what lies beside them", darker)
	}
	if y := m.WhiteY(); y >= 0 {
		for _, l := range [2]Limit{UnderFail, UnderWarn} {
			if l.passed(y) {
				f.add(l, y, []string{record.AboutColour, record.AboutPattern}, fmt.Sprintf("the photo is very dark: white paper has only %.0f %% of the light it could have, so dark glass is lost in coarse steps", 100*y), "add light, or take the photo lighter")
				break
			}
		}
	}
	if m.White.Source == "none" && m.Pose != nil && m.Detection.Found {
		f.plain("colour-cast", record.Fail, colours, "the card's paper could not be read for a white balance: it is too dark, too bright, or one colour is missing from the light",
			"take the photo again in daylight or under white light")
	} else if s.OpenCells > 0 {
		cast := m.CastDE()
		for _, l := range [2]Limit{CastFail, CastWarn} {
			if !l.passed(cast) {
				continue
			}
			measured := cast
			if math.IsInf(cast, 0) {
				measured = 100
			}
			f.add(l, measured, colours, "the light is strongly "+m.castName()+": balancing it can't bring all colours back", "take the photo again in daylight or under white light")
			break
		}
	}
	if m.busy() || OverFail.passed(paper) {
		return // what varies is the background, or there is nothing to see
	}
	for _, l := range [2]Limit{MixedFail, MixedWarn} {
		if l.passed(s.CastRange) {
			f.add(l, s.CastRange, colours, "lights of different colours mix: the paper is tinted differently from place to place", "use one kind of light: switch the lamp off by daylight, or draw the curtains")
			break
		}
	}
	for _, l := range [2]Limit{UnevenFail, UnevenWarn} {
		if l.passed(s.LightRatio) {
			f.add(l, s.LightRatio, colours, fmt.Sprintf("the light is uneven: %.1f times as strong on one side of the paper as on the other", s.LightRatio), "move the lamp farther away, or turn the tray towards the window")
			break
		}
	}
}

// castName says in a word which way the recorded white leans.
func (m *Measures) castName() string {
	w := m.Survey.PaperLinear
	if m.White.Source == "card" {
		w = [3]float64{1 / m.White.Gain[0], 1 / m.White.Gain[1], 1 / m.White.Gain[2]}
	}
	lab := colour.LinearToLab(w)
	switch h := colour.HueDeg(lab); {
	case h < 20 || h >= 330:
		return "pink"
	case h < 105:
		return "orange"
	case h < 200:
		return "green"
	case h < 290:
		return "blue"
	}
	return "violet"
}

func (m *Measures) sharpnessFlags(f *flagger) {
	mm := m.MMPerPX()
	if m.BlurKnown && mm > 0 {
		where := ""
		if m.Pose == nil && m.Ruler == nil {
			where = " (for marbles of usual size)"
		}
		if m.BlurFromCard && ShakeRatio.passed(m.Blur.MajorPX/math.Max(0.3, m.Blur.MinorPX)) && ShakeWarn.passed(m.Blur.MajorPX*mm) {
			s := m.Blur.MajorPX * mm
			l := ShakeWarn
			if ShakeFail.passed(s) {
				l = ShakeFail
			}
			advice := "rest the phone on something or use its timer, and add light"
			f.add(l, s, pattern, fmt.Sprintf("the camera moved: everything is smeared over %.1f mm, which washes out ribbons across that direction narrower than %.1f mm", m.Blur.MotionPX()*mm, 2*s), advice)
			if l.Severity == record.Fail {
				f.add(ShakeWarn, s, colours, "the colours of ribbons are smeared into what lies beside them", advice)
			}
		} else if s := m.Blur.SigmaPX * mm; BlurWarn.passed(s) {
			l := BlurWarn
			if BlurFail.passed(s) {
				l = BlurFail
			}
			advice := "tap on a marble to focus, keep the phone a hand's breadth or two away, and add light"
			f.add(l, s, pattern, fmt.Sprintf("the picture is out of focus: edges are blurred by %.1f mm%s, which washes out ribbons narrower than %.1f mm", s, where, 2*s), advice)
			if l.Severity == record.Fail {
				f.add(BlurWarn, s, colours, "the colours of ribbons are blurred into what lies beside them", advice)
			}
		}
	}
	if share := m.Blur.SigmaPX / math.Max(1, float64(max(m.WidthPX, m.HeightPX))); m.BlurKnown && mm == 0 && BlurShare.passed(share) {
		f.add(BlurShare, share, pattern, fmt.Sprintf("the picture is out of focus: edges are blurred by %.0f pixels, so that neither card nor marbles can be made out", m.Blur.SigmaPX), "tap on a marble to focus, keep the phone a hand's breadth or two away, and add light")
	}
	for _, l := range [2]Limit{NoiseFail, NoiseWarn} {
		if l.passed(m.Survey.Noise) {
			f.add(l, m.Survey.Noise, pattern, fmt.Sprintf("the picture is grainy: even plain paper varies by %.0f %% from pixel to pixel", 100*m.Survey.Noise), "add light, so that the camera need not amplify")
			break
		}
	}
	if q := float64(m.Compression.Quality); q > 0 {
		advice := "send the photo as the camera saved it (as a file, not through a messenger that shrinks it)"
		for _, l := range [2]Limit{JPEGFail, JPEGWarn} {
			if l.passed(q) {
				f.add(l, q, pattern, fmt.Sprintf("the file is squeezed very hard (JPEG quality about %.0f of 100): fine ribbons are replaced by blocks", q), advice)
				break
			}
		}
		if ChromaStep.passed(m.Compression.ChromaDCStep) {
			f.add(ChromaStep, m.Compression.ChromaDCStep, colours, fmt.Sprintf("the file is squeezed so hard that colours come in steps of %.0f of 255", m.Compression.ChromaDCStep), advice)
		}
	}
	if mm > 0 && m.DiameterPX > 0 {
		for _, l := range [2]Limit{PixelsFail, PixelsWarn} {
			if l.passed(1 / mm) {
				f.add(l, 1/mm, pattern, fmt.Sprintf("there are too few pixels: %.1f to the millimetre, so that ribbons narrower than %.1f mm can't be seen", 1/mm, 2*mm), "go nearer, or send the photo in its full size")
				break
			}
		}
	}
	if least := min(m.WidthPX, m.HeightPX); least < 200 && m.Marbles == 0 {
		f.flags = append(f.flags, record.Flag{Code: "too-few-pixels", Severity: record.Fail, Affects: everything, Measured: sig(float64(least), 3), Limit: sig(200, 3),
			Message: fmt.Sprintf("the picture is only %d x %d pixels", m.WidthPX, m.HeightPX), Advice: "send the photo in its full size"})
	}
}

// busy says that the background is no plain sheet.
func (m *Measures) busy() bool {
	s := &m.Survey
	if !m.PaperSeen {
		return false
	}
	// A file squeezed hard, or one that is nearly black, has a texture of its
	// own, which is named by other flags.
	own := m.Compression.Quality > 0 && JPEGWarn.passed(float64(m.Compression.Quality)) || UnderFail.passed(m.WhiteY())
	return SheetWarn.passed(m.PaperShare) || !own && TextureWarn.passed(s.Texture)
}

func (m *Measures) backgroundFlags(f *flagger) {
	s := &m.Survey
	if m.Ultraviolet.Is {
		return
	}
	if m.busy() {
		l, v := TextureWarn, s.Texture
		if !l.passed(v) {
			l, v = SheetWarn, m.PaperShare
		}
		f.add(l, v, everything, "the background is patterned, or not one plain sheet, so marbles may be missed, their outlines misled, and what shows through clear glass taken for its pattern",
			"lay the marbles on plain grey or white paper")
	}
	if m.White.Source == "card" && s.OpenCells > 0 && !m.White.Clipped {
		if c := colour.Chroma(colour.LinearToLab(m.White.Apply(s.PaperLinear))); TintWarn.passed(c) {
			f.add(TintWarn, c, colours, "the background is coloured, and clear glass takes its colour", "lay the marbles on plain grey or white paper")
		}
	}
}

// Marble is what is known of one marble for judging it.
type Marble struct {
	Outline vision.Outline
	Look    vision.MarbleLook
	// Refined says that Outline was refined to full size, so that its Coverage
	// can be judged.
	Refined bool
	// OverlapMM is how far its sphere would run into a neighbour's if both lay
	// on the table; 0 for none.
	OverlapMM float64
	// UnderUltraviolet leaves out what daylight is needed for.
	UnderUltraviolet bool
}

// MarbleFlags are what is wrong with one marble.
func MarbleFlags(m Marble) []record.Flag {
	var f flagger
	if m.Outline.CutOff {
		f.plain("cut-off", record.Fail, []string{record.AboutSize, record.AboutPattern}, "the marble runs out of the picture, so its size is withheld", "take the photo again with the whole marble in it")
	}
	if m.Outline.Touching {
		f.plain("touching", record.Warn, size, "the marble touches its neighbour or is partly covered by it", "lay the marbles apart")
	}
	if SunkWarn.passed(m.OverlapMM) {
		f.add(SunkWarn, m.OverlapMM, size, fmt.Sprintf("the marble, or its neighbour, does not lie on the table: as measured they would run into each other by %.1f mm", m.OverlapMM), "lay every marble on the table itself, none on another or on an edge")
	}
	switch {
	case m.Refined && CoverageWarn.passed(m.Outline.Coverage):
		f.add(CoverageWarn, m.Outline.Coverage, size, "parts of the outline can hardly be told from the paper", "use paper that differs more from the glass: grey for clear and white marbles")
	case !m.UnderUltraviolet && m.Look.EdgeShare >= 0 && EdgeWarn.passed(m.Look.EdgeShare):
		f.add(EdgeWarn, m.Look.EdgeShare, size, "the glass is so like the paper that its outline is uncertain", "use paper that differs more from the glass: grey for clear and white marbles")
	}
	if !m.UnderUltraviolet {
		for _, l := range [2]Limit{GlareFail, GlareWarn} {
			if l.passed(m.Look.GlareShare) {
				f.add(l, m.Look.GlareShare, []string{record.AboutColour, record.AboutPattern}, fmt.Sprintf("reflections, or burnt-out light, cover %.0f %% of the marble", 100*m.Look.GlareShare), "move the lamp to the side, or use daylight from a window")
				break
			}
		}
		if m.Look.LightShare >= 0 {
			for _, l := range [2]Limit{ShadowFail, ShadowWarn} {
				if l.passed(m.Look.LightShare) {
					f.add(l, m.Look.LightShare, colours, fmt.Sprintf("the marble lies in shadow, with %.0f %% of the light on open paper", 100*m.Look.LightShare), "move whatever shades it, or turn the tray")
					break
				}
			}
		}
	}
	return f.flags
}

// Overlaps gives for each sphere how far, mm, it would run into another: the
// sum of two radii less the distance of their centres. Spheres of radius 0
// (not measured) are passed over. All three are of one length.
func Overlaps(centresMM []calib.Vec3, radiiMM []float64) []float64 {
	out := make([]float64, len(radiiMM))
	for i := range radiiMM {
		for j := i + 1; j < len(radiiMM); j++ {
			if radiiMM[i] <= 0 || radiiMM[j] <= 0 {
				continue
			}
			a, b := centresMM[i], centresMM[j]
			d := math.Sqrt((a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2]))
			if o := radiiMM[i] + radiiMM[j] - d; o > 0 {
				out[i], out[j] = math.Max(out[i], o), math.Max(out[j], o)
			}
		}
	}
	return out
}

// Judge sums the flags up into the photo's verdict and each marble's, and
// takes back what may not be said: where size is unusable no diameter stays.
// The size verdict rests on the sizes' own uncertainty as well.
func Judge(ph *record.Photo) {
	ph.Verdict = fold(record.Verdicts{Size: record.Good, Colour: record.Good, Pattern: record.Good}, ph.Flags)
	var u []float64
	for _, m := range ph.Marbles {
		if m.DiameterU95MM != nil {
			u = append(u, *m.DiameterU95MM)
		}
	}
	if len(u) > 0 {
		sort.Float64s(u)
		ph.Verdict.Size = worse(ph.Verdict.Size, bySize(u[(len(u)-1)/4], SizeWarn, SizeFail))
	}
	for i := range ph.Marbles {
		m := &ph.Marbles[i]
		v := fold(ph.Verdict, m.Flags)
		if m.DiameterU95MM != nil {
			v.Size = worse(v.Size, bySize(*m.DiameterU95MM, OwnSizeWarn, OwnSizeFail))
		}
		m.Verdict = &v
		if v.Size == record.Unusable {
			m.DiameterMM, m.DiameterU95MM, m.DiameterIn, m.SizeClass, m.Budget = nil, nil, "", "", nil
			if m.Bubble != nil {
				m.Bubble.DiameterMM = nil
			}
			for k := range m.Ribbons {
				m.Ribbons[k].WidthMM = nil
			}
			for name := range m.Features {
				if strings.HasSuffix(name, "_mm") {
					delete(m.Features, name)
				}
			}
		}
	}
}

func bySize(u95 float64, warn, fail Limit) record.Verdict {
	switch {
	case fail.passed(u95):
		return record.Unusable
	case warn.passed(u95):
		return record.Doubtful
	}
	return record.Good
}

var rank = map[record.Verdict]int{record.Good: 0, record.Doubtful: 1, record.Unusable: 2}

func worse(a, b record.Verdict) record.Verdict {
	if rank[b] > rank[a] {
		return b
	}
	return a
}

func fold(v record.Verdicts, flags []record.Flag) record.Verdicts {
	for _, f := range flags {
		bad := record.Doubtful
		if f.Severity == record.Fail {
			bad = record.Unusable
		}
		for _, a := range f.Affects {
			switch a {
			case record.AboutSize:
				v.Size = worse(v.Size, bad)
			case record.AboutColour:
				v.Colour = worse(v.Colour, bad)
			case record.AboutPattern:
				v.Pattern = worse(v.Pattern, bad)
			}
		}
	}
	return v
}

// Worst is the flag to name first: the gravest, and among those the one that
// touches most. ok is false without flags.
func Worst(flags []record.Flag) (w record.Flag, ok bool) {
	for _, f := range flags {
		if !ok || f.Severity == record.Fail && w.Severity != record.Fail || f.Severity == w.Severity && len(f.Affects) > len(w.Affects) {
			w, ok = f, true
		}
	}
	return w, ok
}

// sig is a figure to a number of significant digits; nil when not finite.
func sig(v float64, digits int) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	if v == 0 {
		return record.F(0)
	}
	k := math.Pow(10, float64(digits-1)-math.Floor(math.Log10(math.Abs(v))))
	return record.F(math.Round(v*k) / k)
}
