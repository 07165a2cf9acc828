package pipeline

import (
	"fmt"
	"math"
	"sort"

	"tawsight/calib"
	"tawsight/features"
	"tawsight/internal/record"
	"tawsight/vision"
)

// Limits of the flags, each with its reason.
const (
	// blurWarnMM and blurFailMM: a blur of s mm (standard deviation) washes
	// out ribbons narrower than about 2 s. Fine ribbons are 0.5 mm wide, usual
	// ones 1 to 2 mm.
	blurWarnMM = 0.30
	blurFailMM = 0.80
	// tiltWarnDeg: past this a marble's far side is hidden and the card's far
	// squares shrink below half.
	tiltWarnDeg = 45.0
	// pxWarn and pxFail are a marble's diameter in pixels: at 40 a ribbon of
	// 1 mm on a 16 mm marble is 2.5 px wide.
	pxWarn = 40.0
	pxFail = 20.0
	// u95WarnMM is 1/64 inch, the step by which the trade sorts.
	u95WarnMM = 0.4
	u95FailMM = 1.2
	// reprojectionWarnPX: corners of a flat card fit to 0.05 to 0.2 px.
	reprojectionWarn = 0.012 // of a square's side
	// glareWarn is the share of the face under highlights.
	glareWarn = 0.15
	// coverageWarn is the share of the outline that was seen.
	coverageWarn = 0.6
	// paperWarn is the share of the picture that fits one smooth sheet.
	paperWarn = 0.55
)

func photoFlags(p *vision.Photo, det calib.Detection, pose *calib.Pose, white calib.White, found vision.Found, ph *record.Photo) []record.Flag {
	var out []record.Flag
	add := func(code string, sev record.Severity, measured, limit *float64, message, advice string, affects ...string) {
		out = append(out, record.Flag{Code: code, Severity: sev, Affects: affects, Measured: measured, Limit: limit, Message: message, Advice: advice})
	}
	if pose == nil {
		code := "no-card"
		switch det.Stage {
		case calib.StageCut, calib.StageHidden, calib.StageGlare, calib.StageBlurred:
			code = "card-hidden"
		case calib.StageTooSmall:
			if det.SquarePX > 0 {
				code = "card-too-small"
			}
		}
		add(code, record.Fail, nil, nil, det.Message+", so sizes in millimetres are withheld", det.Advice, record.AboutSize)
		if white.Source == "background" {
			out = append(out, record.Flag{Code: "colour-cast", Severity: record.Warn, Affects: []string{record.AboutColour},
				Message: "without a card the colours are balanced on the background, taken to be neutral, and their lightness is the photo's own",
				Advice:  "compare colours from photos with the card first"})
		}
	} else {
		if r := pose.ReprojectionPX / math.Max(1, det.SquarePX); r > reprojectionWarn {
			add("card-bent", record.Warn, sig(pose.ReprojectionPX, 3), sig(reprojectionWarn*det.SquarePX, 3),
				"the card's corners do not lie on one plane as they should", "lay the card flat, weighed down at its edges if need be, and take the photo again", record.AboutSize)
		}
		if pose.TiltDeg > tiltWarnDeg {
			add("too-oblique", record.Warn, sig(pose.TiltDeg, 3), sig(tiltWarnDeg, 3),
				fmt.Sprintf("the camera looked %.0f degrees from straight down", pose.TiltDeg), "hold the camera more nearly above the marbles", record.AboutSize, record.AboutPattern)
		}
		if white.Source == "none" {
			add("colour-cast", record.Fail, nil, nil, "the card's paper could not be read for a white balance: it is too dark, too bright, or one colour is missing from the light",
				"take the photo again in daylight or under white light", record.AboutColour)
		}
		blur := found.BlurPX * pose.MMPerPX()
		if blur > blurWarnMM {
			sev := record.Warn
			affects := []string{record.AboutPattern}
			if blur > blurFailMM {
				sev = record.Fail
			}
			add("out-of-focus", sev, sig(blur, 3), sig(blurWarnMM, 3),
				fmt.Sprintf("the picture is soft: edges are blurred by %.1f mm, which washes out ribbons narrower than %.1f mm", blur, 2*blur),
				"tap on a marble to focus, hold the camera still or rest it on something, and add light", affects...)
		}
	}
	if white.Clipped {
		add("over-exposed", record.Warn, nil, nil, "the card's white paper is burnt out, and the balance rests on its grey patches",
			"take the photo a little darker", record.AboutColour)
	}
	if pose != nil && white.Source == "card" {
		if y := luminanceOf(white); y < 0.06 {
			add("under-exposed", record.Warn, sig(y, 2), sig(0.06, 2), "the photo is very dark: white paper came out darker than a mid grey", "add light, or take the photo lighter", record.AboutColour, record.AboutPattern)
		}
	}
	if found.PaperShare < paperWarn && found.Paper != nil {
		add("busy-background", record.Warn, sig(found.PaperShare, 2), sig(paperWarn, 2),
			"the background is not one plain sheet, so marbles may be missed or their outlines misled", "lay the marbles on plain grey or white paper", record.AboutSize, record.AboutColour)
	}
	if len(ph.Marbles) == 0 {
		add("no-marbles", record.Warn, nil, nil, "no marbles were found in this photo",
			"if there are marbles in it: use plain paper, more even light, and let each marble be at least 40 pixels wide", record.AboutSize, record.AboutColour, record.AboutPattern)
	} else {
		var d []float64
		for _, m := range ph.Marbles {
			d = append(d, 2*math.Sqrt(m.Outline.SemiMajorPX*m.Outline.SemiMinorPX))
		}
		sort.Float64s(d)
		if least := d[0]; least < pxWarn {
			sev := record.Warn
			if least < pxFail {
				sev = record.Fail
			}
			add("too-few-pixels", sev, sig(least, 3), sig(pxWarn, 3),
				fmt.Sprintf("the smallest marble is only %.0f pixels wide", least), "go nearer, or send the photo in its full size", record.AboutPattern)
		}
	}
	if min(p.Width, p.Height) < 200 && len(ph.Marbles) == 0 {
		add("too-few-pixels", record.Fail, sig(float64(min(p.Width, p.Height)), 3), sig(200, 3),
			fmt.Sprintf("the picture is only %d x %d pixels", p.Width, p.Height), "send the photo in its full size", record.AboutSize, record.AboutColour, record.AboutPattern)
	}
	return out
}

// luminanceOf is the luminance of the card's paper in the photo, 0..1.
func luminanceOf(w calib.White) float64 {
	return w.PaperY * (0.2126/w.Gain[0] + 0.7152/w.Gain[1] + 0.0722/w.Gain[2])
}

func marbleFlags(o vision.Outline, a *features.Analysis, scene vision.Scene, m record.Marble) []record.Flag {
	var out []record.Flag
	add := func(code string, sev record.Severity, measured, limit *float64, message, advice string, affects ...string) {
		out = append(out, record.Flag{Code: code, Severity: sev, Affects: affects, Measured: measured, Limit: limit, Message: message, Advice: advice})
	}
	if o.CutOff {
		add("cut-off", record.Fail, nil, nil, "the marble runs out of the picture, so its size is withheld", "take the photo again with the whole marble in it", record.AboutSize, record.AboutPattern)
	}
	if o.Touching {
		add("touching", record.Warn, nil, nil, "the marble touches or is partly covered by its neighbour", "lay the marbles apart", record.AboutSize)
	}
	if o.Coverage < coverageWarn {
		add("faint-outline", record.Warn, sig(o.Coverage, 2), sig(coverageWarn, 2), "parts of the outline can hardly be told from the paper", "use paper that differs more from the glass: grey for clear and white marbles", record.AboutSize)
	}
	glass, shine := 0, 0
	for _, k := range a.Face.Mask {
		if k&features.Glass != 0 && k&features.Rim == 0 {
			glass++
			if k&features.Highlight != 0 {
				shine++
			}
		}
	}
	if s := float64(shine) / float64(max(1, glass)); s > glareWarn {
		add("glare", record.Warn, sig(s, 2), sig(glareWarn, 2), fmt.Sprintf("reflections cover %.0f %% of the marble", 100*s), "move the lamp to the side, or use daylight from a window", record.AboutColour, record.AboutPattern)
	}
	return out
}

// verdicts sums the flags up; the size verdict also rests on the sizes' own
// uncertainty.
func verdicts(ph *record.Photo) record.Verdicts {
	worst := map[string]record.Verdict{record.AboutSize: record.Good, record.AboutColour: record.Good, record.AboutPattern: record.Good}
	for _, f := range ph.Flags {
		for _, a := range f.Affects {
			if f.Severity == record.Fail {
				worst[a] = record.Unusable
			} else if worst[a] == record.Good {
				worst[a] = record.Doubtful
			}
		}
	}
	var u []float64
	for _, m := range ph.Marbles {
		if m.DiameterU95MM != nil {
			u = append(u, *m.DiameterU95MM)
		}
	}
	if len(u) > 0 && worst[record.AboutSize] != record.Unusable {
		sort.Float64s(u)
		switch mid := u[len(u)/2]; {
		case mid > u95FailMM:
			worst[record.AboutSize] = record.Unusable
		case mid > u95WarnMM:
			worst[record.AboutSize] = record.Doubtful
		}
	}
	return record.Verdicts{Size: worst[record.AboutSize], Colour: worst[record.AboutColour], Pattern: worst[record.AboutPattern]}
}
