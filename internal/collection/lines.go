package collection

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"tawsight/internal/record"
	"tawsight/internal/refset"
)

// The export's form, docs/collection-format.md: JSON Lines, a row of a table
// each. LinesVersion goes up when an earlier program could not read it.
const (
	LinesFormat  = "tawsight-collection"
	LinesVersion = 2
)

// kind is what a column may hold.
type kind int

const (
	kindID   kind = iota // 16 letters and digits of base 32
	kindSHA              // SHA-256, 64 hexadecimal digits
	kindTime             // as the collection writes times
	kindName             // one line, as cleanName leaves it
	kindFree             // free text, as cleanText leaves it
	kindRaw              // any text, such as a path; where it is no UTF-8, {"bytes": base64}
	kindInt              // a whole number from 0
	kindReal             // a finite number
	kindJSON             // a JSON object
	kindBlob             // bytes, base64
	kindEnum             // one of a few words
)

// column is one column of an exported table.
type column struct {
	name string
	kind kind
	// null says that it may be null, empty that it may be "" whatever its kind.
	null, empty bool
	ref         string   // the table whose key it holds; a set or marble that was merged is followed
	words       []string // of kindEnum
	like        func() any
	// own says that each collection has its own: when something was first kept.
	own bool
	// since is the version of the format that brought the column, 0 for the first;
	// in a file from before it is what the column before is, or empty.
	since  int
	before string
	doc    string
}

// table is one exported table.
type table struct {
	name    string
	key     []string // columns that name a row
	order   string   // of its rows in a file; the latter ones may point to the former
	picture bool     // left out where no pictures are asked for
	columns []column
}

func permissions() []string {
	out := []string{""}
	for _, p := range refset.Permissions {
		out = append(out, string(p))
	}
	return out
}

// tables are all that a person's data lie in, each after those that it points
// to. What can be worked out of them, and what is still to be measured, is no
// part of it.
var tables = []table{
	{name: "setting", key: []string{"name"}, order: "name", columns: []column{
		{name: "name", kind: kindEnum, words: []string{settingEdition, settingID, settingMade}, doc: "id and made of the collection; the edition in force"},
		{name: "value", kind: kindRaw},
	}},
	{name: "contributor", key: []string{"id"}, order: "id", columns: []column{
		{name: "id", kind: kindID},
		{name: "name", kind: kindName},
		{name: "permission", kind: kindEnum, words: permissions(), doc: "what they allow; empty for not said"},
		{name: "note", kind: kindFree},
	}},
	{name: "photo", key: []string{"sha256"}, order: "sha256", columns: []column{
		{name: "sha256", kind: kindSHA, doc: "of the file"},
		{name: "bytes", kind: kindInt},
		{name: "name", kind: kindRaw, doc: "as the file was called when it came"},
		{name: "taken", kind: kindRaw, doc: "ISO 8601, by the file; empty where it does not say"},
		{name: "camera", kind: kindRaw},
		{name: "added", kind: kindTime, own: true},
		{name: "contributor_id", kind: kindID, null: true, ref: "contributor"},
		{name: "permission", kind: kindEnum, words: permissions()},
		{name: "provenance", kind: kindFree},
	}},
	{name: "photo_place", key: []string{"photo", "path"}, order: "photo, path", columns: []column{
		{name: "photo", kind: kindSHA, ref: "photo"},
		{name: "path", kind: kindRaw, doc: "where it was seen"},
		{name: "seen", kind: kindTime, own: true},
	}},
	{name: "photo_picture", key: []string{"photo"}, order: "photo", picture: true, columns: []column{
		{name: "photo", kind: kindSHA, ref: "photo"},
		{name: "jpeg", kind: kindBlob, doc: "the photo, reduced"},
		{name: "width_px", kind: kindInt},
		{name: "height_px", kind: kindInt},
	}},
	{name: "measurement", key: []string{"id"}, order: "id", columns: []column{
		{name: "id", kind: kindID, doc: "derived from the photo and the way it was measured"},
		{name: "photo", kind: kindSHA, ref: "photo"},
		{name: "made", kind: kindTime, own: true},
		{name: "asked", kind: kindTime, own: true, since: 2, before: "made", doc: "when it was last asked for in this way; the latest counts"},
		{name: "tawsight", kind: kindRaw, doc: "version"},
		{name: "opencv", kind: kindRaw, doc: "version"},
		{name: "features", kind: kindInt, doc: "version of the feature registry"},
		{name: "check_bar_mm", kind: kindReal, doc: "0 for the nominal length"},
		{name: "ruler", kind: kindJSON, empty: true, since: 2, like: func() any { return new(record.Ruler) }, doc: "what was named to have the scale from; empty for nothing"},
		{name: "camera", kind: kindRaw, since: 2, doc: "hashes of the camera profiles there were for it; empty for none"},
		{name: "record", kind: kindJSON, like: func() any { return new(record.Photo) }, doc: "a photo of photos.jsonl, without its marbles"},
	}},
	{name: "specimen", key: []string{"id"}, order: "id", columns: []column{
		{name: "id", kind: kindID, doc: "derived from where it was first seen, or drawn"},
		{name: "name", kind: kindName, empty: true},
		{name: "created", kind: kindTime, own: true},
		{name: "contributor_id", kind: kindID, null: true, ref: "contributor"},
		{name: "permission", kind: kindEnum, words: permissions()},
		{name: "provenance", kind: kindFree},
		{name: "merged_into", kind: kindID, null: true, ref: "specimen", doc: "the marble that it turned out to be"},
	}},
	{name: "sighting", key: []string{"id"}, order: "id", columns: []column{
		{name: "id", kind: kindID, doc: "derived from the photo and the place in it"},
		{name: "photo", kind: kindSHA, ref: "photo"},
		{name: "specimen_id", kind: kindID, ref: "specimen"},
		{name: "cx_px", kind: kindReal},
		{name: "cy_px", kind: kindReal},
		{name: "radius_px", kind: kindReal},
	}},
	{name: "figure", key: []string{"id"}, order: "id", columns: []column{
		{name: "id", kind: kindID, doc: "derived from sighting and measurement"},
		{name: "sighting_id", kind: kindID, ref: "sighting"},
		{name: "measurement_id", kind: kindID, ref: "measurement"},
		{name: "number", kind: kindInt, doc: "in its photo, from 1"},
		{name: "marble", kind: kindJSON, like: func() any { return new(record.Marble) }, doc: "a marble of photos.jsonl"},
	}},
	{name: "face", key: []string{"figure_id"}, order: "figure_id", picture: true, columns: []column{
		{name: "figure_id", kind: kindID, ref: "figure"},
		{name: "jpeg", kind: kindBlob, doc: "the marble cut out"},
		{name: "side_px", kind: kindInt},
		{name: "mm_per_px", kind: kindReal, doc: "0 where the photo gives no scale"},
		{name: "diameter_px", kind: kindReal},
	}},
	{name: "sheet", key: []string{"figure_id"}, order: "figure_id", picture: true, columns: []column{
		{name: "figure_id", kind: kindID, ref: "figure"},
		{name: "png", kind: kindBlob, doc: "the picture that shows how the figures came about"},
	}},
	{name: "label_set", key: []string{"id"}, order: "id", columns: []column{
		{name: "id", kind: kindID, doc: "derived from the name it was first given, or drawn"},
		{name: "name", kind: kindName},
		{name: "note", kind: kindFree},
		{name: "created", kind: kindTime, own: true},
		{name: "merged_into", kind: kindID, null: true, ref: "label_set"},
		{name: "retired", kind: kindInt, doc: "1 once it was merged into another"},
	}},
	{name: "label", key: []string{"id"}, order: "made, rowid", columns: []column{
		{name: "id", kind: kindID},
		{name: "specimen_id", kind: kindID, ref: "specimen"},
		{name: "set_id", kind: kindID, null: true, ref: "label_set", doc: "null for looked at and left undecided"},
		{name: "who", kind: kindRaw},
		{name: "made", kind: kindTime},
		{name: "sure", kind: kindEnum, words: []string{string(Certain), string(Likely), string(Guess)}},
		{name: "evidence", kind: kindRaw},
		{name: "opinion", kind: kindJSON, empty: true, like: func() any { return new(record.Attribution) }, doc: "what the comparison said when this was decided"},
	}},
	{name: "condition_note", key: []string{"id"}, order: "made, rowid", columns: []column{
		{name: "id", kind: kindID},
		{name: "specimen_id", kind: kindID, ref: "specimen"},
		{name: "grade", kind: kindEnum, words: append([]string{""}, Grades...)},
		{name: "text", kind: kindFree},
		{name: "who", kind: kindRaw},
		{name: "made", kind: kindTime},
	}},
	{name: "remark", key: []string{"id"}, order: "made, rowid", columns: []column{
		{name: "id", kind: kindID},
		{name: "specimen_id", kind: kindID, ref: "specimen"},
		{name: "text", kind: kindFree},
		{name: "who", kind: kindRaw},
		{name: "made", kind: kindTime},
	}},
	{name: "tag", key: []string{"specimen_id", "tag"}, order: "specimen_id, tag", columns: []column{
		{name: "specimen_id", kind: kindID, ref: "specimen"},
		{name: "tag", kind: kindName},
	}},
	{name: "edition", key: []string{"id"}, order: "made, rowid", columns: []column{
		{name: "id", kind: kindID},
		{name: "made", kind: kindTime},
		{name: "who", kind: kindRaw},
		{name: "tawsight", kind: kindRaw, doc: "version"},
		{name: "features", kind: kindInt, doc: "version of the feature registry"},
		{name: "summary", kind: kindJSON, like: func() any { return new(EditionSummary) }, doc: "what it was learnt from"},
		{name: "model", kind: kindBlob},
	}},
	{name: "opinion", key: []string{"id"}, order: "made, rowid", columns: []column{
		{name: "id", kind: kindID},
		{name: "edition_id", kind: kindID, ref: "edition"},
		{name: "specimen_id", kind: kindID, ref: "specimen"},
		{name: "made", kind: kindTime},
		{name: "status", kind: kindEnum, words: []string{"", "assigned", "doubtful", "unlike-any"}},
		{name: "set_id", kind: kindID, null: true, ref: "label_set"},
		{name: "probability", kind: kindReal, null: true},
		{name: "next_set_id", kind: kindID, null: true, ref: "label_set"},
		{name: "next_probability", kind: kindReal, null: true},
		{name: "p_value", kind: kindReal, null: true},
		{name: "why_not", kind: kindRaw},
		{name: "attribution", kind: kindJSON, empty: true, like: func() any { return new(record.Attribution) }},
	}},
	{name: "guide_edition", key: []string{"id"}, order: "made, rowid", columns: []column{
		{name: "id", kind: kindID},
		{name: "made", kind: kindTime},
		{name: "title", kind: kindRaw},
		{name: "summary", kind: kindJSON, like: func() any { return new(map[string]any) }},
	}},
	{name: "edit", key: []string{"id"}, order: "seq", columns: []column{
		{name: "seq", kind: kindInt, own: true, doc: "its number, from 1; another collection may number it otherwise"},
		{name: "id", kind: kindID},
		{name: "made", kind: kindTime},
		{name: "who", kind: kindRaw},
		{name: "what", kind: kindRaw, doc: "a short code"},
		{name: "text", kind: kindRaw, doc: "in plain words"},
		{name: "undoes", kind: kindInt, null: true, own: true, doc: "the number of the edit that it takes back"},
		{name: "undone_by", kind: kindInt, null: true, own: true},
	}},
	{name: "change", order: "h.edit_seq, h.id", columns: []column{
		{name: "edit", kind: kindID, ref: "edit"},
		{name: "tab", kind: kindEnum, words: journalledTables(), doc: "the table"},
		{name: "specimen_id", kind: kindID, null: true, doc: "whose history it is part of"},
		{name: "old", kind: kindJSON, null: true, like: func() any { return new(map[string]any) }, doc: "the row as it was; null for a row that was new"},
		{name: "new", kind: kindJSON, null: true, like: func() any { return new(map[string]any) }, doc: "the row as it became; null for a row that was taken out"},
	}},
}

func journalledTables() []string {
	var out []string
	for _, j := range journalled {
		out = append(out, j.table)
	}
	return out
}

func tableNamed(name string) (*table, bool) {
	i := slices.IndexFunc(tables, func(t table) bool { return t.name == name })
	if i < 0 {
		return nil, false
	}
	return &tables[i], true
}

func (t *table) column(name string) (int, bool) {
	i := slices.IndexFunc(t.columns, func(c column) bool { return c.name == name })
	return i, i >= 0
}

// names are the columns' names, with commas between.
func (t *table) names() string {
	var out []string
	for _, c := range t.columns {
		out = append(out, c.name)
	}
	return strings.Join(out, ", ")
}

// rows is the query for all its rows in their order.
func (t *table) rows() string {
	if t.name == "change" {
		return "SELECT e.id, h.tab, h.specimen_id, h.old, h.new FROM change h JOIN edit e ON e.seq = h.edit_seq ORDER BY " + t.order
	}
	return "SELECT " + t.names() + " FROM " + t.name + " ORDER BY " + t.order
}

const (
	maxInt  = math.MaxInt32 * 1000 // beyond any size, number or version there is
	maxReal = 1e12
)

// read checks the JSON of a column's value and gives what the database holds for
// it: nil, a string, an int64, a float64 or bytes. The error says what is wrong,
// for people.
func (c *column) read(raw json.RawMessage) (any, error) {
	if string(raw) == "null" {
		if c.null {
			return nil, nil
		}
		return nil, fmt.Errorf("it is null, which it may not be")
	}
	switch c.kind {
	case kindInt, kindReal:
		var n json.Number
		if len(raw) == 0 || raw[0] == '"' || json.Unmarshal(raw, &n) != nil {
			return nil, fmt.Errorf("%s is no number", short(string(raw)))
		}
		if c.kind == kindInt {
			v, err := n.Int64()
			if err != nil || v < 0 || v > maxInt {
				return nil, fmt.Errorf("%s is no whole number from 0 to %d", short(string(raw)), int64(maxInt))
			}
			return v, nil
		}
		v, err := n.Float64()
		if err != nil || math.Abs(v) > maxReal {
			return nil, fmt.Errorf("%s is not within ±%g", short(string(raw)), float64(maxReal))
		}
		return v, nil
	case kindBlob:
		var b []byte
		if raw[0] != '"' || json.Unmarshal(raw, &b) != nil {
			return nil, fmt.Errorf("it is not base64")
		}
		if b == nil {
			b = []byte{}
		}
		return b, nil
	case kindJSON:
		if raw[0] == '{' && !strings.HasPrefix(string(raw), `{"bytes":`) {
			if err := holds(raw, c.like()); err != nil {
				return nil, err
			}
			return string(raw), nil
		}
	}
	s, bytes, err := readText(raw)
	if err != nil {
		return nil, err
	}
	if bytes && c.kind != kindRaw && c.kind != kindJSON {
		return nil, fmt.Errorf("it is not a text")
	}
	if s == "" && c.empty {
		return s, nil
	}
	switch c.kind {
	case kindID:
		if len(s) != 16 || strings.Trim(s, "abcdefghijklmnopqrstuvwxyz234567") != "" {
			return nil, fmt.Errorf("%s is no id", short(s))
		}
	case kindSHA:
		if len(s) != 64 || strings.Trim(s, "0123456789abcdef") != "" {
			return nil, fmt.Errorf("%s is no SHA-256", short(s))
		}
	case kindTime:
		if t := ParseTime(s); t.IsZero() || t.UTC().Format(timeLayout) != s {
			return nil, fmt.Errorf("%s is no time of the form 2026-05-02T10:11:12.000Z", short(s))
		}
	case kindName:
		if clean, err := cleanName("row", s); err != nil || clean != s {
			return nil, fmt.Errorf("%s is no name of up to %d letters on one line", short(s), maxName)
		}
	case kindFree:
		if clean, err := cleanText(s); err != nil || clean != s {
			return nil, fmt.Errorf("%s is no text of up to %d letters, in composed Unicode and without control characters", short(s), maxText)
		}
	case kindEnum:
		if !slices.Contains(c.words, s) {
			return nil, fmt.Errorf("%s is none of %q", short(s), c.words)
		}
	case kindJSON:
		// Written as a text where it stood in another form than this writes.
		if err := holds(json.RawMessage(s), c.like()); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// readText reads a JSON string, or the bytes that stand for one that is no UTF-8.
func readText(raw json.RawMessage) (s string, bytes bool, err error) {
	switch raw[0] {
	case '"':
		if err := json.Unmarshal(raw, &s); err != nil {
			return "", false, fmt.Errorf("it is no text")
		}
		// A lone surrogate becomes the replacement character.
		if strings.ContainsRune(s, 0) {
			return "", false, fmt.Errorf("it has a NUL character in it")
		}
		return s, false, nil
	case '{':
		var b struct {
			Bytes *[]byte `json:"bytes"`
		}
		if err := json.Unmarshal(raw, &b); err != nil || b.Bytes == nil || slices.Contains(*b.Bytes, 0) || utf8.Valid(*b.Bytes) {
			return "", false, fmt.Errorf(`it is neither a text nor {"bytes": …} for one that is no UTF-8`)
		}
		return string(*b.Bytes), true, nil
	}
	return "", false, fmt.Errorf("%s is no text", short(string(raw)))
}

// holds checks that JSON has the shape of like, and no NUL in any text.
func holds(raw json.RawMessage, like any) error {
	if err := json.Unmarshal(raw, like); err != nil {
		return fmt.Errorf("it has another shape than it should: %w", err)
	}
	var v any
	if err := json.Unmarshal(raw, &v); err != nil {
		return err
	}
	if _, ok := v.(map[string]any); !ok {
		return fmt.Errorf("it is no JSON object")
	}
	if hasNUL(v) {
		return fmt.Errorf("it has a NUL character in it")
	}
	return nil
}

func hasNUL(v any) bool {
	switch v := v.(type) {
	case string:
		return strings.ContainsRune(v, 0)
	case []any:
		return slices.ContainsFunc(v, hasNUL)
	case map[string]any:
		for k, w := range v {
			if strings.ContainsRune(k, 0) || hasNUL(w) {
				return true
			}
		}
	}
	return false
}

func short(s string) string {
	if r := []rune(s); len(r) > 40 {
		return fmt.Sprintf("%q…", string(r[:40]))
	}
	return fmt.Sprintf("%q", s)
}
