package web

import (
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"tawsight/internal/collection"
	"tawsight/internal/record"
)

// sentence starts with a capital letter and ends with a full stop.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	first, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	s = string(unicode.ToUpper(first)) + s[n:]
	if !strings.ContainsAny(s[len(s)-1:], ".!?") {
		s += "."
	}
	return s
}

// bytesInWords is a size of file as people say it: "60 MB".
func bytesInWords(n int64) string {
	switch {
	case n >= 1<<20:
		return fmt.Sprintf("%d MB", (n+1<<19)>>20)
	case n >= 1<<10:
		return fmt.Sprintf("%d kB", (n+1<<9)>>10)
	}
	return fmt.Sprintf("%d bytes", n)
}

// minute is a time of the collection on this machine's clock, to the minute.
func minute(s string) string {
	t := collection.ParseTime(s)
	if t.IsZero() {
		return s
	}
	return t.Local().Format("2 January 2006, 15:04")
}

// date is the day of a time, of the collection or of a photo's metadata.
func date(s string) string {
	if t := collection.ParseTime(s); !t.IsZero() {
		return t.Local().Format("2 January 2006")
	}
	if len(s) >= 10 { // a camera's clock knows no zone
		if t, err := time.Parse("2006-01-02", s[:10]); err == nil {
			return t.Format("2 January 2006")
		}
	}
	return s
}

// dict makes a map of keys and values, for a part that needs more than one
// thing.
func dict(pairs ...any) (map[string]any, error) {
	if len(pairs)%2 != 0 {
		return nil, errors.New("dict needs a value for every key")
	}
	m := map[string]any{}
	for i := 0; i < len(pairs); i += 2 {
		key, ok := pairs[i].(string)
		if !ok {
			return nil, fmt.Errorf("dict: %v is no key", pairs[i])
		}
		m[key] = pairs[i+1]
	}
	return m, nil
}

// chip is a short verdict with a colour: see .chip in style.css.
type chip struct{ Text, Class string }

// verdictChips say how far each kind of reading can be trusted.
func verdictChips(v record.Verdicts) []chip {
	var out []chip
	for _, c := range []struct {
		about   string
		verdict record.Verdict
	}{{record.AboutSize, v.Size}, {record.AboutColour, v.Colour}, {record.AboutPattern, v.Pattern}} {
		if c.verdict != "" {
			out = append(out, chip{c.about + " " + string(c.verdict), string(c.verdict)})
		}
	}
	return out
}

// stateChip is where a marble stands.
func stateChip(r collection.Row) chip {
	switch r.State {
	case collection.Labelled:
		text := r.Set
		if r.Sure != "" && r.Sure != collection.Certain {
			text += ", " + sureWords(r.Sure)
		}
		return chip{text, "labelled"}
	case collection.Suggested:
		return chip{"like " + r.OpinionSet, "assigned"}
	case collection.Doubtful:
		return chip{"between " + r.OpinionSet + " and " + r.NextSet, "doubtful"}
	case collection.UnlikeAny:
		return chip{"unlike any of your sets", "unlike-any"}
	}
	return chip{r.State.Words(), ""}
}

// sureWords is how sure somebody is, as it reads after a set's name.
func sureWords(s collection.Sure) string {
	if s == collection.Guess {
		return "a guess"
	}
	return string(s)
}
