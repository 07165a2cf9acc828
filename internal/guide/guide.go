// Package guide makes an illustrated identification guide of a collector's own
// sets: what each set's marbles look like and how large they are, what they are
// taken for and what tells them apart, how sure that is, and what changed since
// the edition before. It is for giving away: as a folder of pages that need
// nothing else, and as one PDF.
//
// It takes plain data ([Source]), reads no photo and measures nothing, and
// counts only what was measured surely enough. A marble is pictured only where
// its owner lets the picture be passed on.
package guide

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"tawsight/internal/likeness"
	"tawsight/internal/record"
	"tawsight/internal/refset"
	"tawsight/internal/report"
)

// Format and Version are what a stored edition begins with. Version goes up
// when an older program would misread a newer edition.
const (
	Format  = "tawsight-guide"
	Version = 1
)

// Source is what a guide is made from.
type Source struct {
	Title     string // as the collector calls the guide; empty for a plain one
	Collector string // who made it; may be empty
	About     string // the collector's own words, blank lines between paragraphs
	Terms     string // what a reader may do with the guide; may be empty
	Date      time.Time
	// Sets is what is known of sets beside their specimens; those that are not
	// named here go by their label alone.
	Sets []SetInfo
	// Learned is what was learnt from the specimens, which it holds.
	Learned *likeness.Learned
	// Warnings are more that a reader should bear in mind, a sentence each.
	Warnings []string
	MadeBy   record.MadeBy
}

// SetInfo is what a collector says of a set.
type SetInfo struct {
	Label string
	// ID stays when the set is renamed; where empty, a new name is told from a
	// new set by the marbles in it.
	ID   string
	Note string // in the collector's words
	// Uncertain is how many more marbles are in it by labels that are not certain:
	// they are told of, and neither counted nor shown.
	Uncertain int
	// TooPoor is how many more are in it for certain, but by photos too poor to
	// compare by; told of likewise.
	TooPoor int
}

// Edition is one edition of a guide. Its JSON form holds no pictures, nor the
// name of a marble whose owner does not let it be shown; it is what the next
// edition is compared with.
type Edition struct {
	Format    string      `json:"format"`
	Version   int         `json:"version"`
	Number    int         `json:"edition"` // 1, 2, ...
	Date      string      `json:"date"`    // ISO 8601, the day
	Title     string      `json:"title"`
	Collector string      `json:"collector,omitempty"`
	About     string      `json:"about,omitempty"`
	Terms     string      `json:"terms,omitempty"`
	Photos    int         `json:"photos"`
	Specimens int         `json:"specimens"`
	Tested    int         `json:"tested"` // each with itself left out
	Right     int         `json:"right"`
	RightU95  *[2]float64 `json:"right_u95,omitempty"` // Wilson's 95 % interval
	Rejected  int         `json:"rejected"`            // of the tested, called unlike any set
	Sets      []Set       `json:"sets"`                // by label
	// Confusion counts specimens: of the set of the row, taken for that of the
	// column, both in the order of Sets.
	Confusion [][]int       `json:"confusion"`
	Credits   []Credit      `json:"credits"`  // of the pictures
	Warnings  []string      `json:"warnings"` // of all sets together
	MadeBy    record.MadeBy `json:"made_by"`
	// Changes is what is different from the edition before; nil in the first.
	Changes *Changes `json:"changes,omitempty"`
	// Files are what was written of it, as paths below its folder.
	Files []string `json:"files,omitempty"`
}

// Set is one set of a guide.
type Set struct {
	ID        string   `json:"id,omitempty"`
	Label     string   `json:"label"`
	Note      string   `json:"note,omitempty"`
	Uncertain int      `json:"uncertain,omitempty"` // more marbles by labels that are not certain, not counted
	TooPoor   int      `json:"too_poor,omitempty"`  // more by photos too poor to compare by, not counted
	Photos    int      `json:"photos"`
	Members   []Member `json:"members"` // the lightest base first; those of unknown base last
	// Face is the index in Members of the most typical of those pictured; -1
	// where none is.
	Face       int                    `json:"face"`
	SizesMM    []float64              `json:"diameters_mm"` // ascending
	Base       []report.PaletteColour `json:"base_colours"`
	Ribbons    []report.PaletteColour `json:"ribbon_colours"`
	Traits     []Trait                `json:"traits"`
	Ranges     []Range                `json:"ranges"` // that in which it differs most from the other sets first
	Lookalikes []Lookalike            `json:"lookalikes"`
	Tested     int                    `json:"tested"`
	Right      int                    `json:"right"`
	RightU95   *[2]float64            `json:"right_u95,omitempty"`
	TakenFor   []report.TakenFor      `json:"taken_for"` // the most frequent first
	Warnings   []string               `json:"warnings"`
	Credits    []Credit               `json:"credits"`
}

// Why a member is not pictured.
const (
	NoPermission = "no-permission" // its owner does not let its picture be passed on
	Suspect      = "suspect"       // it looks as if it were in the wrong set
	NoPicture    = "no-picture"    // there is none
	EnoughOthers = "enough-others" // many like it are shown
)

// Member is one marble of a set.
type Member struct {
	// ID stays from edition to edition and says nothing of the marble.
	ID         string            `json:"id"`
	Name       string            `json:"name,omitempty"`
	Words      string            `json:"words,omitempty"` // what the picture shows, as far as it was measured
	Credit     string            `json:"credit,omitempty"`
	Permission refset.Permission `json:"permission,omitempty"`
	// Number is its number on the set's plates, from 1; 0 for one that is not
	// pictured, and then NotShown says why.
	Number     int         `json:"number,omitempty"`
	NotShown   string      `json:"not_shown,omitempty"`
	DiameterMM *float64    `json:"diameter_mm,omitempty"`
	BaseLab    *[3]float64 `json:"base_lab,omitempty"`

	// Picture fetches its picture; nil where there is none to show.
	Picture func() (report.View, error) `json:"-"`
}

// Trait is something that a marble has or has not, counted over a set.
type Trait struct {
	Code   string  `json:"code"`
	Label  string  `json:"label"`
	Values []Count `json:"values"`
	// Of is how many marbles it could be told of.
	Of int `json:"of"`
	// Missing is why it could not be told of the others, the commonest reason
	// first.
	Missing []Count `json:"missing"`
}

// Count is how many marbles are so.
type Count struct {
	Label string `json:"label"`
	N     int    `json:"n"`
}

// Range is what a set's marbles usually have of a feature that sets are
// compared by: 5 % of them are below Low and 5 % above High.
type Range struct {
	Feature string  `json:"feature"`
	Label   string  `json:"label"`
	N       int     `json:"n"` // marbles that it was measured of
	Low     float64 `json:"low"`
	High    float64 `json:"high"`
	Text    string  `json:"text"`            // both with their unit
	Gloss   string  `json:"gloss,omitempty"` // what the figure means
	// Off is how far the set's middle lies from the middle of all sets, in spreads
	// within sets.
	Off float64 `json:"off"`
	// AllLow and AllHigh are the lowest and the highest end over all sets.
	AllLow  float64 `json:"all_low"`
	AllHigh float64 `json:"all_high"`
}

// Lookalike is a set that this one may be taken for.
type Lookalike struct {
	Label     string `json:"label"`
	TakenFor  int    `json:"taken_for"`  // of this set, taken for that one
	TakenFrom int    `json:"taken_from"` // of that set, taken for this one
	// Next is how many of this set's marbles are, after their own set, most like
	// that one.
	Next     int          `json:"next"`
	Features []Difference `json:"features"` // that tell them apart, the best first
	// Own and Theirs are the numbers of those pictured that are most like the
	// other set's, the nearest first.
	Own    []int `json:"own"`
	Theirs []int `json:"theirs"`
}

// Difference is a feature that tells two sets apart.
type Difference struct {
	Feature string `json:"feature"`
	Label   string `json:"label"`
	// D is the difference of the sets' middles in spreads within sets: 2 is clear
	// to the eye, below 1 they overlap for the most part.
	D          float64    `json:"d"`
	Own        [2]float64 `json:"own"`    // usual range of this set
	Theirs     [2]float64 `json:"theirs"` // and of that
	OwnText    string     `json:"own_text"`
	TheirsText string     `json:"theirs_text"`
}

// Credit is one who let pictures be shown.
type Credit struct {
	Name       string            `json:"name,omitempty"` // empty where the notes name nobody
	Permission refset.Permission `json:"permission"`
	Pictures   int               `json:"pictures"`
}

// ErrNoEdition is wrapped by the error for a file that is no stored edition.
var ErrNoEdition = errors.New("it is no edition of a guide")

// Read reads a stored edition.
func Read(r io.Reader) (*Edition, error) {
	var e Edition
	dec := json.NewDecoder(io.LimitReader(r, 256<<20))
	if err := dec.Decode(&e); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNoEdition, err)
	}
	switch {
	case e.Format != Format:
		return nil, ErrNoEdition
	case e.Version > Version:
		return nil, fmt.Errorf("it was made by a newer Tawsight (form %d, this one knows %d): take that one, or another folder", e.Version, Version)
	}
	return &e, nil
}

// Encode writes the edition as indented JSON, which [Read] reads.
func (e *Edition) Encode(w io.Writer) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(e)
}

// Pictured is how many of a set's marbles are pictured.
func (s *Set) Pictured() (n int) {
	for _, m := range s.Members {
		if m.Number > 0 {
			n++
		}
	}
	return n
}

// notShown counts the members that are not pictured for a reason.
func (s *Set) notShown(why string) (n int) {
	for _, m := range s.Members {
		if m.NotShown == why {
			n++
		}
	}
	return n
}

// shown are the members that are pictured, by their number.
func (s *Set) shown() (out []*Member) {
	for i := range s.Members {
		if s.Members[i].Number > 0 {
			out = append(out, &s.Members[i])
		}
	}
	return out
}

// set is the set of a label; nil where there is none.
func (e *Edition) set(label string) *Set {
	for i := range e.Sets {
		if e.Sets[i].Label == label {
			return &e.Sets[i]
		}
	}
	return nil
}
