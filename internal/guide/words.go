package guide

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"tawsight/internal/refset"
	"tawsight/internal/report"
)

// What every guide says, once for pages and PDF.

const notProof = "Likeness to these sets is not proof of maker, date or worth."

// howTo is how to use the guide.
var howTo = []string{
	"Look at the base first: is the glass clear, tinted, cloudy or opaque? Then at the ribbons: how many colours, how wide, white beside colour or not.",
	"Measure the marble across, and find the sets of its kind by their faces and their sizes. Sizes are in millimetres and in fractions of an inch, the nearest 1/64.",
	"Turn to a set and hold your marble beside its plates. All marbles of a plate are drawn to one scale, with a bar of 10 mm, and stand from the lightest base to the darkest.",
	"Read what the set is taken for and what tells the two apart, before you decide.",
}

// counted is how figures of the guide are to be read.
const counted = "Everything was measured in photos. A trait is counted only where it was measured and seen well enough; where not, the page says so, and of how many. A usual range leaves out the lowest and the highest 5 % of a set’s marbles; of fewer than twenty it is all of them. One photo shows one side of a marble."

// care is the caution for handling glass and for lamps.
var care = []string{
	"Old marbles chip, and a chip’s edge cuts: look before you pick one up, and keep chipped ones apart.",
	"Marbles are small parts. Keep them away from small children, and off the floor, where they roll underfoot.",
	"Do not leave clear marbles in the sun: a sphere of glass gathers light enough to scorch paper.",
	"Never look into an ultraviolet lamp. Wear eye protection rated for it, follow the lamp maker’s instructions and local rules, and keep children and pets away.",
}

// day is a date in words.
func day(iso string) string {
	t, err := time.Parse("2006-01-02", iso)
	if err != nil {
		return iso
	}
	return t.Format("2 January 2006")
}

func (e *Edition) editionLine() string {
	line := fmt.Sprintf("Edition %d, %s", e.Number, day(e.Date))
	if e.Collector != "" {
		line += ", by " + e.Collector
	}
	return line
}

// rests is what the guide rests on.
func (e *Edition) rests() string {
	return fmt.Sprintf("%s, %s, %s", report.Plural(len(e.Sets), "set"), report.Plural(e.Specimens, "marble"), report.Plural(e.Photos, "photo"))
}

// interval is a share with its 95 % interval.
func interval(right, tested int, u95 *[2]float64) string {
	text := fmt.Sprintf("%d of %d (%s", right, tested, report.WholePercent(float64(right)/float64(tested)))
	if u95 != nil {
		text += fmt.Sprintf("; 95 %% interval %s to %s", strings.TrimSuffix(report.WholePercent(u95[0]), " %"), report.WholePercent(u95[1]))
	}
	return text + ")"
}

// howSure says how surely the sets are told apart.
func (e *Edition) howSure() string {
	if e.Tested == 0 {
		return "No marble could be tested with itself left out: each set needs two or more. So nothing is known of how surely these sets are told apart."
	}
	return fmt.Sprintf("Each marble was compared with all the others as though its own set were not known: %s were given their own set back. Of all, %s called unlike any set.",
		interval(e.Right, e.Tested, e.RightU95), wereOrWas(e.Rejected))
}

func wereOrWas(n int) string {
	switch n {
	case 0:
		return "none was"
	case 1:
		return "1 was"
	}
	return fmt.Sprintf("%d were", n)
}

// howSure says the same of one set.
func (s *Set) howSure() string {
	if s.Tested == 0 {
		return "None of its marbles could be tested with itself left out, so nothing is known of how surely it is told from the others."
	}
	text := fmt.Sprintf("Compared as though its own set were not known, %s were given this set back.", interval(s.Right, s.Tested, s.RightU95))
	if len(s.TakenFor) == 0 {
		return text + " None was taken for another."
	}
	var parts []string
	for _, t := range s.TakenFor {
		parts = append(parts, fmt.Sprintf("%s (%d)", t.Label, t.Count))
	}
	return text + " The others were taken for " + strings.Join(parts, ", ") + "."
}

// restsOn is what a set rests on.
func (s *Set) restsOn() string {
	return fmt.Sprintf("%s from %s", report.Plural(len(s.Members), "marble"), report.Plural(s.Photos, "photo"))
}

// hidden says how many marbles are not pictured and why, a sentence each.
func (s *Set) hidden() (out []string) {
	if n := s.notShown(NoPermission); n > 0 {
		out = append(out, fmt.Sprintf("%d more %s counted but not shown: no permission to share.", n, areOrIs(n)))
	}
	if n := s.notShown(Suspect); n > 0 {
		out = append(out, fmt.Sprintf("%d more %s counted but not shown: %s like another set’s, so the label may be wrong.", n, areOrIs(n), looks(n)))
	}
	if n := s.notShown(NoPicture); n > 0 {
		out = append(out, fmt.Sprintf("%d more %s counted but not shown: there is no picture.", n, areOrIs(n)))
	}
	if n := s.notShown(EnoughOthers); n > 0 {
		out = append(out, fmt.Sprintf("%d more %s counted but not shown, to keep the guide small: the plates take %d evenly from light to dark.", n, areOrIs(n), mostPictured))
	}
	if s.Uncertain > 0 {
		out = append(out, fmt.Sprintf("%d more %s in this set by a label that is not certain: neither counted nor shown.", s.Uncertain, areOrIs(s.Uncertain)))
	}
	if s.TooPoor > 0 {
		out = append(out, fmt.Sprintf("%d more %s in this set, but by photos too poor to compare by: neither counted nor shown.", s.TooPoor, areOrIs(s.TooPoor)))
	}
	return out
}

func areOrIs(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

func looks(n int) string {
	if n == 1 {
		return "it looks"
	}
	return "they look"
}

// sizes are a set's sizes in a sentence.
func (s *Set) sizes() string {
	if len(s.SizesMM) == 0 {
		return "No photo of this set gave a scale, so no size is known."
	}
	low, high := s.SizesMM[0], s.SizesMM[len(s.SizesMM)-1]
	text := fmt.Sprintf("%.1f to %.1f mm, %s; half of them are below %.1f mm.", low, high, inches(low, high), s.SizesMM[len(s.SizesMM)/2])
	if len(s.SizesMM) == 1 {
		text = fmt.Sprintf("%.1f mm, %s: the only one of known size.", low, inches(low, high))
	}
	if n := len(s.Members) - len(s.SizesMM); n > 0 {
		text += fmt.Sprintf(" The size of %d is not known.", n)
	}
	return text
}

// notTold is why a trait could not be told of some.
func (t *Trait) notTold() string {
	var parts []string
	for _, m := range t.Missing {
		parts = append(parts, fmt.Sprintf("%s: %d", m.Label, m.N))
	}
	return strings.Join(parts, "; ")
}

// told says how two sets are taken for one another.
func (l *Lookalike) told(own string) string {
	switch {
	case l.TakenFor+l.TakenFrom == 0:
		return fmt.Sprintf("Never taken for one another here; but for %d of its marbles %s is the next likely set.", l.Next, l.Label)
	case l.TakenFrom == 0:
		return fmt.Sprintf("%d of %s %s taken for %s; none the other way round.", l.TakenFor, own, wasWere(l.TakenFor), l.Label)
	case l.TakenFor == 0:
		return fmt.Sprintf("%d of %s %s taken for %s; none the other way round.", l.TakenFrom, l.Label, wasWere(l.TakenFrom), own)
	}
	return fmt.Sprintf("%d of %s %s taken for %s, and %d the other way round.", l.TakenFor, own, wasWere(l.TakenFor), l.Label, l.TakenFrom)
}

func wasWere(n int) string {
	if n == 1 {
		return "was"
	}
	return "were"
}

// line is a credit in words; it never begins with a name, which keeps its
// capitals or the want of them.
func (c *Credit) line(e *Edition) string {
	name := c.Name
	if name == "" && c.Permission == refset.Own {
		name = cmp.Or(e.Collector, "the maker of this guide")
	}
	text := report.Plural(c.Pictures, "picture")
	if name == "" {
		text += " whose owner is not named"
	} else {
		text += " by " + name
	}
	if c.Permission == refset.Own {
		return text + ": the collector’s own."
	}
	return text + ": shown with permission to share."
}
