package likeness

import (
	"slices"
	"strings"

	"tawsight/internal/record"
)

// Learnable says whether a labelled marble may be learnt from: the photo is not
// too poor, and the marble is whole and measured.
func Learnable(p *record.Photo, m *record.Marble) bool {
	return PhotoLearnable(p) && !m.CutOff && len(m.Features) > 0
}

// PhotoLearnable says whether a labelled photo is good enough to learn from.
func PhotoLearnable(p *record.Photo) bool {
	return p.Verdict.Pattern != record.Unusable && p.Verdict.Colour != record.Unusable
}

// WhyNoneCompared is why no marble of a photo can be compared with sets, with
// what to do, as a sentence; empty where they can.
func WhyNoneCompared(p *record.Photo) string {
	if len(p.Marbles) == 0 {
		return "No marble was found in the photo" + advice(p, record.AboutSize, record.AboutPattern, record.AboutColour) + "."
	}
	if why := tooPoor(p); why != "" {
		return "T" + strings.TrimPrefix(why, "t") + "."
	}
	return ""
}

// WhyNotCompared is why one marble can't be compared with sets, with what to
// do, as the end of a sentence ("it is cut off by the photo's edge: take it
// whole"); empty where it can.
func WhyNotCompared(p *record.Photo, m *record.Marble) string {
	if why := tooPoor(p); why != "" {
		return why
	}
	switch {
	case m.CutOff:
		return "it is cut off by the photo's edge: take it whole"
	case m.Verdict != nil && (m.Verdict.Pattern == record.Unusable || m.Verdict.Colour == record.Unusable):
		for _, f := range m.Flags {
			if f.Severity == record.Fail {
				return f.Message + "; " + f.Advice
			}
		}
		return "too little of it is seen"
	}
	return ""
}

// tooPoor is why a whole photo is too poor to compare by.
func tooPoor(p *record.Photo) string {
	switch {
	case p.Verdict.Pattern == record.Unusable:
		return "the photo is too poor to compare patterns by" + advice(p, record.AboutPattern)
	case p.Verdict.Colour == record.Unusable:
		return "the photo is too poor to compare colours by" + advice(p, record.AboutColour)
	}
	return ""
}

// advice is the photo's first grave fault that affects any of about, with what
// to do.
func advice(p *record.Photo, about ...string) string {
	for _, f := range p.Flags {
		for _, a := range about {
			if f.Severity == record.Fail && slices.Contains(f.Affects, a) {
				return ": " + f.Message + "; " + f.Advice
			}
		}
	}
	return ""
}
