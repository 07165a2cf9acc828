package record

import (
	"encoding/json"
	"fmt"
	"strings"
)

// Ruler is what somebody named for a photo to have its scale from besides the
// printed card. The zero value names nothing.
type Ruler struct {
	Sheet  string      `json:"sheet,omitempty"`      // the name of a whole sheet of paper
	Coin   string      `json:"coin,omitempty"`       // the name of a coin
	CoinMM float64     `json:"coin_mm,omitempty"`    // or its diameter
	CoinAt *[2]float64 `json:"coin_at_px,omitempty"` // a place on it in the upright photo
	DPI    float64     `json:"dpi,omitempty"`        // a scan's resolution
	Scan   bool        `json:"scan,omitempty"`       // a scan whose file says its resolution
	// Known are marbles whose diameters are known, by their numbers in the photo.
	Known []KnownMarble `json:"known,omitempty"`
	Rest  *Rest         `json:"rest,omitempty"`
	// None names nothing on purpose: a photo that is known already is not measured
	// by what was named for it before.
	None bool `json:"none,omitempty"`
}

// KnownMarble is a marble's number in its photo and its diameter.
type KnownMarble struct {
	ID         string  `json:"id"`
	DiameterMM float64 `json:"diameter_mm"`
}

// Rest is what marbles rest on where that is not the table: a ring or a well.
type Rest struct {
	Kind     string  `json:"kind"`
	WidthMM  float64 `json:"width_mm"`
	HeightMM float64 `json:"height_mm"`
}

// Named says whether anything is named.
func (r Ruler) Named() bool { return r.Text() != "" }

// Text is the ruler as JSON, one text for one ruler; empty where nothing is named.
func (r Ruler) Text() string {
	b, err := json.Marshal(r)
	if err != nil || string(b) == "{}" {
		return "" // no number in it that is not finite comes past the options' check
	}
	return string(b)
}

// ParseRuler reads what Text wrote.
func ParseRuler(text string) (r Ruler, err error) {
	if text == "" {
		return r, nil
	}
	return r, json.Unmarshal([]byte(text), &r)
}

var sheetWords = map[string]string{"a4": "A4", "a5": "A5", "letter": "US letter"}

var coinWords = map[string]string{
	"us-cent": "US cents", "us-nickel": "US nickels", "us-dime": "US dimes", "us-quarter": "US quarters", "us-half": "US half dollars",
	"us-dollar": "US dollars", "1-euro": "1 euro coins", "2-euro": "2 euro coins", "50-eurocent": "50 eurocent coins",
}

// Words is the ruler in a few plain words, such as "2 euro coins"; empty where
// nothing is named.
func (r Ruler) Words() string {
	var out []string
	add := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	switch {
	case r.None:
		add("the printed card or a bank card alone")
	case r.Sheet != "":
		name := sheetWords[r.Sheet]
		if name == "" {
			name = fmt.Sprintf("%.20q", r.Sheet)
		}
		add("a whole sheet of %s paper", name)
	case r.Coin != "":
		name := coinWords[r.Coin]
		if name == "" {
			name = fmt.Sprintf("coins called %.20q", r.Coin)
		}
		add("%s", name)
	case r.CoinMM != 0:
		add("coins of %g mm", r.CoinMM)
	case r.DPI != 0:
		add("a scan at %g dots to the inch", r.DPI)
	case r.Scan:
		add("a scan, at the resolution its file gives")
	}
	if at := r.CoinAt; at != nil && len(out) > 0 {
		out[0] += fmt.Sprintf(" (one at %.0f, %.0f)", at[0], at[1])
	}
	for _, k := range r.Known {
		add("marble %.9s known as %.2f mm", k.ID, k.DiameterMM)
	}
	if w := r.Rest; w != nil {
		what := map[string]string{"ring": "rings", "well": "wells"}[w.Kind]
		if what == "" {
			what = fmt.Sprintf("%.20q", w.Kind)
		}
		dim := "high"
		if w.Kind == "well" {
			dim = "deep"
		}
		add("marbles on %s %g mm wide, %g mm %s", what, w.WidthMM, w.HeightMM, dim)
	}
	return strings.Join(out, ", ")
}

// SourceWords is the source of a scale in plain words, such as "the card".
func SourceWords(source string) string {
	switch source {
	case "card":
		return "the card"
	case "id1":
		return "a card of a bank card’s size"
	case "sheet":
		return "the sheet of paper"
	case "coin":
		return "coins"
	case "scan":
		return "the scanner’s resolution"
	case "known":
		return "marbles of known size"
	}
	return "nothing"
}
