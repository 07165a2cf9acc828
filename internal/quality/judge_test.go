package quality

import (
	"math"
	"slices"
	"strings"
	"testing"

	"tawsight/calib"
	"tawsight/internal/record"
	"tawsight/vision"
)

// good is what a good photo measures.
func good() Measures {
	return Measures{
		WidthPX: 2000, HeightPX: 1500, Detection: calib.Detection{Found: true, Stage: calib.StageFound, SquarePX: 40},
		Pose:  &calib.Pose{Camera: calib.Camera{FocalPX: 1500}, Plane: calib.Plane{Normal: calib.Vec3{0, 0, -1}, HeightMM: 300}, TiltDeg: 5},
		White: calib.White{Source: "card", Gain: [3]float64{1.1, 1.1, 1.1}, PaperY: 0.876, ToneExponent: 1},
		Blur:  calib.Blur{SigmaPX: 1, MajorPX: 1, MinorPX: 1}, BlurKnown: true, BlurFromCard: true,
		Compression: vision.Compression{Quality: 92, LumaDCStep: 0.4, ChromaDCStep: 0.4},
		Survey: vision.Survey{OpenShare: 0.8, OpenCells: 200, PaperLinear: [3]float64{0.5, 0.5, 0.5}, Noise: 0.003,
			LightRatio: 1.4, CastRange: 1, Texture: 0.01, SheetShare: 0.98, Marbles: make([]vision.MarbleLook, 5)},
		PaperShare: 0.9, PaperSeen: true, DiameterPX: 80, Marbles: 5,
	}
}

// Every code about a photo is raised by what it is about and by nothing else.
func TestPhotoFlags(t *testing.T) {
	g := good()
	if f := g.PhotoFlags(); len(f) > 0 {
		t.Fatalf("a good photo is flagged: %+v", f)
	}
	mm := g.MMPerPX()
	noCard := func(stage string, square float64) func(*Measures) {
		return func(m *Measures) {
			m.Pose, m.White = nil, calib.White{Source: "background", Gain: [3]float64{1, 1, 1}}
			m.Detection = calib.Detection{Stage: stage, SquarePX: square, Message: "no card was seen", Advice: "lay one in the picture"}
		}
	}
	for _, c := range []struct {
		name    string
		spoil   func(m *Measures)
		code    string
		verdict record.Verdicts
	}{
		{"soft", func(m *Measures) { m.Blur.SigmaPX, m.Blur.MajorPX, m.Blur.MinorPX = 0.4/mm, 0.4/mm, 0.4/mm }, "out-of-focus", record.Verdicts{Size: "good", Colour: "good", Pattern: "doubtful"}},
		{"very soft", func(m *Measures) { m.Blur.SigmaPX, m.Blur.MajorPX, m.Blur.MinorPX = 1/mm, 1/mm, 1/mm }, "out-of-focus", record.Verdicts{Size: "good", Colour: "doubtful", Pattern: "unusable"}},
		{"shaken", func(m *Measures) { m.Blur.SigmaPX, m.Blur.MajorPX, m.Blur.MinorPX = 0.3/mm, 0.5/mm, 0.2/mm }, "camera-shake", record.Verdicts{Size: "good", Colour: "good", Pattern: "doubtful"}},
		{"very shaken", func(m *Measures) { m.Blur.SigmaPX, m.Blur.MajorPX, m.Blur.MinorPX = 0.5/mm, 1.2/mm, 0.2/mm }, "camera-shake", record.Verdicts{Size: "good", Colour: "doubtful", Pattern: "unusable"}},
		{"dark", func(m *Measures) { m.White.Gain = [3]float64{9, 9, 9} }, "under-exposed", record.Verdicts{Size: "good", Colour: "doubtful", Pattern: "doubtful"}},
		{"very dark", func(m *Measures) { m.White.Gain = [3]float64{30, 30, 30} }, "under-exposed", record.Verdicts{Size: "good", Colour: "unusable", Pattern: "unusable"}},
		{"light", func(m *Measures) { m.Survey.PaperClipped[0] = 0.1 }, "over-exposed", record.Verdicts{Size: "good", Colour: "doubtful", Pattern: "good"}},
		{"very light", func(m *Measures) { m.Survey.PaperClipped = [3]float64{1, 1, 1} }, "over-exposed", record.Verdicts{Size: "good", Colour: "unusable", Pattern: "doubtful"}},
		{"burnt glass", func(m *Measures) {
			for i := range m.Survey.Marbles {
				m.Survey.Marbles[i].ClippedShare = 0.2
			}
		}, "over-exposed", record.Verdicts{Size: "good", Colour: "doubtful", Pattern: "good"}},
		{"card's white clipped", func(m *Measures) { m.White.Clipped = true }, "over-exposed", record.Verdicts{Size: "good", Colour: "doubtful", Pattern: "good"}},
		{"orange", func(m *Measures) {
			m.White.Gain, m.Survey.PaperLinear = [3]float64{1, 1.3, 2.6}, [3]float64{0.5, 0.5 / 1.3, 0.5 / 2.6}
		}, "colour-cast", record.Verdicts{Size: "good", Colour: "doubtful", Pattern: "good"}},
		{"no blue", func(m *Measures) {
			m.White.Gain, m.Survey.PaperLinear = [3]float64{1, 1.5, 40}, [3]float64{0.5, 0.33, 0.0125}
		}, "colour-cast", record.Verdicts{Size: "good", Colour: "unusable", Pattern: "good"}},
		{"card unreadable", func(m *Measures) { m.White = calib.Neutral() }, "colour-cast", record.Verdicts{Size: "good", Colour: "unusable", Pattern: "good"}},
		{"two lights", func(m *Measures) { m.Survey.CastRange = 15 }, "mixed-light", record.Verdicts{Size: "good", Colour: "doubtful", Pattern: "good"}},
		{"uneven", func(m *Measures) { m.Survey.LightRatio = 3 }, "uneven-light", record.Verdicts{Size: "good", Colour: "doubtful", Pattern: "good"}},
		{"grainy", func(m *Measures) { m.Survey.Noise = 0.05 }, "noisy", record.Verdicts{Size: "good", Colour: "good", Pattern: "doubtful"}},
		{"squeezed", func(m *Measures) { m.Compression = vision.Compression{Quality: 20, ChromaDCStep: 5} }, "heavy-compression", record.Verdicts{Size: "good", Colour: "good", Pattern: "doubtful"}},
		{"very squeezed", func(m *Measures) { m.Compression = vision.Compression{Quality: 7, ChromaDCStep: 15} }, "heavy-compression", record.Verdicts{Size: "good", Colour: "doubtful", Pattern: "unusable"}},
		{"no card", noCard(calib.StageNoPattern, 0), "no-card", record.Verdicts{Size: "unusable", Colour: "doubtful", Pattern: "good"}},
		{"card hidden", noCard(calib.StageHidden, 30), "card-hidden", record.Verdicts{Size: "unusable", Colour: "doubtful", Pattern: "good"}},
		{"card tiny", noCard(calib.StageTooSmall, 6), "card-too-small", record.Verdicts{Size: "unusable", Colour: "doubtful", Pattern: "good"}},
		{"card small", func(m *Measures) { m.Detection.SquarePX = 11 }, "card-too-small", record.Verdicts{Size: "doubtful", Colour: "good", Pattern: "good"}},
		{"card bowed", func(m *Measures) { m.Flat = calib.Flatness{BowPX: 0.06 / mm, ScatterPX: 0.02} }, "card-bent", record.Verdicts{Size: "doubtful", Colour: "good", Pattern: "good"}},
		{"card rolled", func(m *Measures) { m.Flat = calib.Flatness{BowPX: 0.2 / mm, ScatterPX: 0.02} }, "card-bent", record.Verdicts{Size: "unusable", Colour: "good", Pattern: "good"}},
		{"something on the card", func(m *Measures) { m.Flat = calib.Flatness{BowPX: 0.06 / mm, ScatterPX: 0.02, Strays: 3, StrayPX: 2} }, "card-hidden", record.Verdicts{Size: "doubtful", Colour: "good", Pattern: "good"}},
		{"oblique", func(m *Measures) { m.Pose.TiltDeg = 50 }, "too-oblique", record.Verdicts{Size: "doubtful", Colour: "good", Pattern: "doubtful"}},
		{"far", func(m *Measures) {
			m.Pose.Plane.HeightMM, m.Blur = 700, calib.Blur{SigmaPX: 0.5, MajorPX: 0.5, MinorPX: 0.5}
		}, "too-few-pixels", record.Verdicts{Size: "good", Colour: "good", Pattern: "doubtful"}},
		{"cloth", func(m *Measures) { m.Survey.Texture, m.Survey.LightRatio, m.Survey.CastRange = 0.3, 5, 20 }, "busy-background", record.Verdicts{Size: "doubtful", Colour: "doubtful", Pattern: "doubtful"}},
		{"green paper", func(m *Measures) { m.Survey.PaperLinear = [3]float64{0.2, 0.5, 0.25} }, "busy-background", record.Verdicts{Size: "good", Colour: "doubtful", Pattern: "good"}},
		{"no marbles", func(m *Measures) { m.Marbles, m.DiameterPX = 0, 0 }, "no-marbles", record.Verdicts{Size: "unusable", Colour: "unusable", Pattern: "unusable"}},
		{"too soft for card and marbles", func(m *Measures) {
			noCard(calib.StageNoPattern, 0)(m)
			m.Marbles, m.DiameterPX = 0, 0
			m.Blur, m.BlurFromCard = calib.Blur{SigmaPX: 12, MajorPX: 12, MinorPX: 12}, false
		}, "out-of-focus no-card no-marbles", record.Verdicts{Size: "unusable", Colour: "unusable", Pattern: "unusable"}},
		{"ultraviolet", func(m *Measures) {
			m.Ultraviolet.Is = true
			m.White.Gain, m.Survey.PaperLinear = [3]float64{25, 60, 8}, [3]float64{0.02, 0.01, 0.08}
		}, "ultraviolet", record.Verdicts{Size: "good", Colour: "unusable", Pattern: "unusable"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := good()
			m.Pose = &calib.Pose{Camera: g.Pose.Camera, Plane: g.Pose.Plane, TiltDeg: g.Pose.TiltDeg}
			c.spoil(&m)
			ph := record.Photo{Flags: m.PhotoFlags()}
			for _, f := range ph.Flags {
				if !slices.Contains(strings.Fields(c.code), f.Code) {
					t.Errorf("also flagged %s: %s", f.Code, f.Message)
				}
				if f.Message == "" || f.Advice == "" || len(f.Affects) == 0 {
					t.Errorf("%+v says too little", f)
				}
			}
			for _, code := range strings.Fields(c.code) {
				if !slices.ContainsFunc(ph.Flags, func(f record.Flag) bool { return f.Code == code }) {
					t.Errorf("not flagged %s", code)
				}
			}
			Judge(&ph)
			if ph.Verdict != c.verdict {
				t.Errorf("verdict %v, want %v", ph.Verdict, c.verdict)
			}
		})
	}
}

func TestMarbleFlags(t *testing.T) {
	fine := Marble{Outline: vision.Outline{Coverage: 0.9}, Look: vision.MarbleLook{LightShare: 1, EdgeShare: 1}, Refined: true}
	if f := MarbleFlags(fine); len(f) > 0 {
		t.Fatalf("a good marble is flagged: %+v", f)
	}
	for _, c := range []struct {
		name     string
		spoil    func(m *Marble)
		code     string
		severity record.Severity
	}{
		{"cut", func(m *Marble) { m.Outline.CutOff = true }, "cut-off", record.Fail},
		{"touching", func(m *Marble) { m.Outline.Touching = true }, "touching", record.Warn},
		{"on another", func(m *Marble) { m.OverlapMM = 1.5 }, "off-plane", record.Warn},
		{"half seen", func(m *Marble) { m.Outline.Coverage = 0.4 }, "faint-outline", record.Warn},
		{"like paper", func(m *Marble) { m.Look.EdgeShare = 0.3 }, "faint-outline", record.Warn},
		{"window", func(m *Marble) { m.Look.GlareShare = 0.25 }, "glare", record.Warn},
		{"all window", func(m *Marble) { m.Look.GlareShare = 0.7 }, "glare", record.Fail},
		{"shade", func(m *Marble) { m.Look.LightShare = 0.4 }, "in-shadow", record.Warn},
		{"dark", func(m *Marble) { m.Look.LightShare = 0.1 }, "in-shadow", record.Fail},
	} {
		m := fine
		c.spoil(&m)
		f := MarbleFlags(m)
		if len(f) != 1 || f[0].Code != c.code || f[0].Severity != c.severity || f[0].Message == "" || f[0].Advice == "" {
			t.Errorf("%s: %+v, want %s %s", c.name, f, c.code, c.severity)
		}
	}
}

// Spheres on a table can't run into each other; one lying in the hollow of
// three others, taken to lie on the table, does.
func TestOverlaps(t *testing.T) {
	// Two of radius 8 side by side, a third resting on both: its centre is
	// 8 sqrt(3) above the table plane through their centres.
	c := []calib.Vec3{{-8, 0, 300}, {8, 0, 300}, {0, 60, 300}}
	r := []float64{8, 8, 8}
	for i, o := range Overlaps(c, r) {
		if math.Abs(o) > 1e-9 {
			t.Errorf("marble %d of three on the table overlaps by %g", i, o)
		}
	}
	c[2] = calib.Vec3{0, 0, 300} // seen straight above the others' contact
	for i, o := range Overlaps(c, r) {
		if math.Abs(o-8) > 1e-9 {
			t.Errorf("marble %d overlaps by %g, want 8", i, o)
		}
	}
	if o := Overlaps(c, []float64{8, 0, 0}); o[0] != 0 {
		t.Error("a marble without a size counts")
	}
}

// No millimetre stays where size is unusable.
func TestJudgeWithholdsSizes(t *testing.T) {
	marble := func(u float64) record.Marble {
		return record.Marble{DiameterMM: record.F(16), DiameterU95MM: record.F(u), DiameterIn: "5/8", SizeClass: "player",
			Budget: []record.BudgetLine{{Source: "x", UMM: 1}}, Ribbons: []record.Ribbon{{WidthMM: record.F(1)}},
			Bubble: &record.Bubble{Present: true, DiameterMM: record.F(2)}, Features: map[string]float64{"diameter_mm": 16, "busyness": 0.5}}
	}
	for _, c := range []struct {
		name  string
		u     []float64
		flag  []record.Flag
		size  record.Verdict
		given []bool
	}{
		{"sure", []float64{0.1, 0.1}, nil, record.Good, []bool{true, true}},
		{"unsure", []float64{0.5, 0.6}, nil, record.Doubtful, []bool{true, true}},
		{"one hopeless", []float64{0.1, 0.1, 1.5}, nil, record.Good, []bool{true, true, false}},
		{"hopeless", []float64{0.9, 1.5}, nil, record.Unusable, []bool{false, false}},
		{"flagged", []float64{0.1}, []record.Flag{{Code: "card-bent", Severity: record.Fail, Affects: []string{record.AboutSize}}}, record.Unusable, []bool{false}},
	} {
		ph := record.Photo{Flags: c.flag}
		for _, u := range c.u {
			ph.Marbles = append(ph.Marbles, marble(u))
		}
		Judge(&ph)
		if ph.Verdict.Size != c.size {
			t.Errorf("%s: size %s, want %s", c.name, ph.Verdict.Size, c.size)
		}
		for i, m := range ph.Marbles {
			_, feature := m.Features["diameter_mm"]
			left := m.DiameterMM != nil || m.DiameterU95MM != nil || m.DiameterIn != "" || m.SizeClass != "" || m.Budget != nil || m.Ribbons[0].WidthMM != nil || m.Bubble.DiameterMM != nil || feature
			if left != c.given[i] {
				t.Errorf("%s: marble %d says a size: %v, want %v", c.name, i, left, c.given[i])
			}
			if m.Verdict == nil {
				t.Errorf("%s: marble %d has no verdict", c.name, i)
			}
			if _, ok := m.Features["busyness"]; !ok {
				t.Errorf("%s: what is no size was taken away", c.name)
			}
		}
	}
}

// Each limit can be argued with, and warns before it fails.
func TestLimits(t *testing.T) {
	warn := map[string]Limit{}
	for _, l := range Limits() {
		if l.Meaning == "" || l.Reason == "" || l.Value <= 0 {
			t.Errorf("%+v says too little", l)
		}
		key := l.Code + l.Meaning
		if l.Severity == record.Warn {
			warn[key] = l
		} else if l == BlurShare {
			continue // it has no milder form
		} else if w, ok := warn[key]; !ok || l.Below && l.Value >= w.Value || !l.Below && l.Value <= w.Value {
			t.Errorf("%s fails at %g and warns at %g", l.Code, l.Value, w.Value)
		}
	}
}

func TestWorst(t *testing.T) {
	w := func(code string, s record.Severity, n int) record.Flag {
		return record.Flag{Code: code, Severity: s, Affects: everything[:n]}
	}
	for want, flags := range map[string][]record.Flag{
		"":  nil,
		"a": {w("a", record.Warn, 1)},
		"b": {w("a", record.Warn, 3), w("b", record.Fail, 1)},
		"c": {w("a", record.Fail, 1), w("c", record.Fail, 2), w("d", record.Fail, 2)},
	} {
		if f, ok := Worst(flags); f.Code != want || ok == (want == "") {
			t.Errorf("%v: worst is %q, want %q", flags, f.Code, want)
		}
	}
	if !strings.Contains(LampCaution, "eye protection") {
		t.Error("the caution says nothing of eyes")
	}
}
