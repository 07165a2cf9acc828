package refset

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"path"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// Permission is what the owner of a photo allows. The list is closed, so that
// a program can act on it; what else there is to say belongs in the note.
type Permission string

const (
	NotSaid  Permission = ""                    // nothing is known: not to be passed on
	Own      Permission = "own"                 // the collector's own photo
	MayShare Permission = "may share"           // its owner lets it be passed on
	MayShow  Permission = "may show, not share" // may appear on plates and reports, not be passed on
	AskFirst Permission = "ask first"           // its owner wants to be asked each time
)

// Permissions are all that can be written in notes.csv; an empty cell is
// NotSaid.
var Permissions = []Permission{Own, MayShare, MayShow, AskFirst}

// String is the permission in plain words, "not said" for NotSaid.
func (p Permission) String() string {
	if p == NotSaid {
		return "not said"
	}
	return string(p)
}

// AllowsSharing says whether the photo itself may be given to others.
func (p Permission) AllowsSharing() bool { return p == Own || p == MayShare }

// ParsePermission reads a cell of notes.csv; "not said" is taken as well.
func ParsePermission(s string) (Permission, error) {
	words := strings.ToLower(strings.Join(strings.Fields(s), " "))
	if words == "" || words == NotSaid.String() {
		return NotSaid, nil
	}
	for _, p := range Permissions {
		if words == string(p) {
			return p, nil
		}
	}
	var known []string
	for _, p := range Permissions {
		known = append(known, strconv.Quote(string(p)))
	}
	return NotSaid, fmt.Errorf("the permission %q is none of those known: write %s, or leave it empty where nothing was said", s, strings.Join(known, ", "))
}

// Note is what is known of one marble in one photo beside the photo itself.
type Note struct {
	// Specimen names the marble itself, unique among all sets: marbles of one
	// specimen name, in however many photos, are one marble. Empty where it
	// has no name; it is then a marble of its own.
	Specimen   string
	Credit     string // whose photo (or marble) it is, as it is to be shown
	Permission Permission
	Text       string // the column note
	// Extra holds the cells of columns that Tawsight does not know, by column
	// name; nil for none.
	Extra map[string]string
}

// Row is one line of notes.csv.
type Row struct {
	Line   int    // of the file, from 1
	Photo  string // path below the references folder, slash-separated, in NFC
	Marble string // the marble's id in that photo; empty for all of them
	Note
}

// Notes is a notes.csv read. The zero value says nothing of any photo.
type Notes struct {
	Path  string   // where it was read; empty where there is none
	Extra []string // columns that Tawsight does not know, in their order
	Rows  []Row    // in the file's order

	at map[[2]string]int // index into Rows by photo and marble
}

// The columns of notes.csv that mean something.
const (
	colPhoto      = "photo"
	colMarble     = "marble"
	colSpecimen   = "specimen"
	colCredit     = "credit"
	colPermission = "permission"
	colNote       = "note"
)

var columns = []string{colPhoto, colMarble, colSpecimen, colCredit, colPermission, colNote}

// Limits, far above any collection: beyond them a file is something else.
const (
	maxNotesBytes = 16 << 20
	maxMarble     = 9999
)

// Of is what the notes say of a marble; photo is its path below the references
// folder, slash-separated. What the marble's own row leaves empty is taken
// from the row about the whole photo.
func (n Notes) Of(photo, marble string) Note {
	photo = norm.NFC.String(photo)
	var out Note
	if i, ok := n.at[[2]string{photo, ""}]; ok {
		out = n.Rows[i].Note
	}
	i, ok := n.at[[2]string{photo, marble}]
	if !ok || marble == "" {
		return out
	}
	own := n.Rows[i].Note
	for _, c := range []struct{ whole, own *string }{{&out.Specimen, &own.Specimen}, {&out.Credit, &own.Credit}, {&out.Text, &own.Text}} {
		if *c.own != "" {
			*c.whole = *c.own
		}
	}
	if own.Permission != NotSaid {
		out.Permission = own.Permission
	}
	if own.Extra != nil {
		extra := map[string]string{}
		for _, from := range []map[string]string{out.Extra, own.Extra} {
			for k, v := range from {
				extra[k] = v
			}
		}
		out.Extra = extra
	}
	return out
}

// About are the rows about a photo, the one about all of it included; photo is
// as in [Notes.Of].
func (n Notes) About(photo string) []Row {
	photo = norm.NFC.String(photo)
	var out []Row
	for _, r := range n.Rows {
		if r.Photo == photo {
			out = append(out, r)
		}
	}
	return out
}

// Permission is what may be done with a whole photo: the strictest of what is
// said of it and of each marble in it, since a photo can't be passed on in
// part. photo is as in [Notes.Of].
func (n Notes) Permission(photo string) Permission {
	p := n.Of(photo, "").Permission
	whole := p != NotSaid
	for _, r := range n.About(photo) {
		if r.Marble == "" || r.Permission == NotSaid {
			continue
		}
		// A row about one marble speaks for the photo only where no row
		// about the photo does; a stricter one counts always.
		if !whole || strictness(r.Permission) > strictness(p) {
			p, whole = r.Permission, true
		}
	}
	return p
}

func strictness(p Permission) int {
	return slices.Index([]Permission{Own, MayShare, MayShow, AskFirst, NotSaid}, p)
}

// ReadNotes reads a notes.csv (RFC 4180 with a header row, UTF-8; a byte-order
// mark, lines ending in LF and columns in any order are taken). name is what
// to call it in errors, which wrap [ErrNotes] and name the line. Whether the
// photos are there is not asked.
func ReadNotes(r io.Reader, name string) (Notes, error) {
	bad := func(line int, format string, a ...any) (Notes, error) {
		where := name
		if line > 0 {
			where = fmt.Sprintf("%s, line %d", name, line)
		}
		return Notes{}, fmt.Errorf("%w: %s: %s", ErrNotes, where, fmt.Sprintf(format, a...))
	}
	data, err := io.ReadAll(io.LimitReader(r, maxNotesBytes+1))
	if err != nil {
		return bad(0, "%v", err)
	}
	if len(data) > maxNotesBytes {
		return bad(0, "it is larger than %d MB, which no notes are: give the table of your photos", maxNotesBytes>>20)
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	if !utf8.Valid(data) || bytes.IndexByte(data, 0) >= 0 {
		return bad(1+bytes.Count(data[:firstInvalid(data)], []byte("\n")), "it is not UTF-8 text: save it from your spreadsheet as CSV in UTF-8")
	}
	table := csv.NewReader(bytes.NewReader(data))
	table.FieldsPerRecord = -1 // counted below, with a plainer message
	header, err := table.Read()
	if errors.Is(err, io.EOF) {
		return bad(0, "it is empty: the first line names the columns, %s", strings.Join(columns, ","))
	}
	if err != nil {
		return bad(csvLine(err), "%s", csvReason(err))
	}
	n := Notes{Path: name, at: map[[2]string]int{}}
	index := map[string]int{}
	for i, h := range header {
		h = strings.TrimSpace(h)
		if known := strings.ToLower(h); slices.Contains(columns, known) {
			h = known
		}
		if _, twice := index[h]; twice && h != "" {
			return bad(1, "the column %q is there twice: remove one", h)
		}
		index[h] = i
		header[i] = h
	}
	if _, ok := index[colPhoto]; !ok {
		hint := ""
		if len(header) == 1 && strings.ContainsAny(header[0], ";\t") {
			hint = ", with commas between the columns"
		}
		return bad(1, "there is no column %q: the first line names the columns, %s%s", colPhoto, strings.Join(columns, ","), hint)
	}
	for _, h := range header {
		if h != "" && !slices.Contains(columns, h) {
			n.Extra = append(n.Extra, h)
		}
	}
	specimenAt := map[string]int{} // index into Rows
	for {
		cells, err := table.Read()
		if errors.Is(err, io.EOF) {
			return n, nil
		}
		if err != nil {
			return bad(csvLine(err), "%s", csvReason(err))
		}
		line, _ := table.FieldPos(0)
		if blank(cells) {
			continue // spreadsheets leave rows of bare commas behind
		}
		if len(cells) != len(header) {
			return bad(line, "%d cells under %d columns: put cells with a comma in them between double quotes", len(cells), len(header))
		}
		cell := func(column string) string {
			if i, ok := index[column]; ok {
				return norm.NFC.String(strings.TrimSpace(cells[i]))
			}
			return ""
		}
		row := Row{Line: line, Photo: cell(colPhoto), Note: Note{Specimen: cell(colSpecimen), Credit: cell(colCredit), Text: cell(colNote)}}
		if reason := badPhoto(row.Photo); reason != "" {
			return bad(line, "%s", reason)
		}
		if row.Marble, err = marbleID(cell(colMarble)); err != nil {
			return bad(line, "%v", err)
		}
		if row.Permission, err = ParsePermission(cell(colPermission)); err != nil {
			return bad(line, "%v", err)
		}
		for column, s := range map[string]string{colSpecimen: row.Specimen, colCredit: row.Credit} {
			if strings.IndexFunc(s, unicode.IsControl) >= 0 {
				return bad(line, "the %s has a line break or another control character in it: take it out", column)
			}
		}
		for _, h := range n.Extra {
			if v := cells[index[h]]; v != "" {
				if row.Extra == nil {
					row.Extra = map[string]string{}
				}
				row.Extra[h] = v
			}
		}
		key := [2]string{row.Photo, row.Marble}
		if i, twice := n.at[key]; twice {
			what := "the photo " + row.Photo
			if row.Marble != "" {
				what = "marble " + row.Marble + " of " + row.Photo
			}
			return bad(line, "%s was noted in line %d already: put both into one line", what, n.Rows[i].Line)
		}
		if row.Specimen != "" {
			if i, ok := specimenAt[row.Specimen]; !ok {
				specimenAt[row.Specimen] = len(n.Rows)
			} else if a, b := labelOf(n.Rows[i].Photo), labelOf(row.Photo); a != b {
				return bad(line, "the specimen %q is in the set %s here and in the set %s in line %d: one marble belongs to one set; move a photo, or give one of them another name",
					row.Specimen, b, a, n.Rows[i].Line)
			}
		}
		n.at[key] = len(n.Rows)
		n.Rows = append(n.Rows, row)
	}
}

// about checks that each row is about one of the photos, given by their paths
// below the folder. A slip in a name would lose a credit or a permission
// without a word.
func (n Notes) about(photos []string) error {
	there := map[string]bool{}
	byBase := map[string][]string{}
	for _, p := range photos {
		p = norm.NFC.String(p)
		there[p] = true
		base := strings.ToLower(path.Base(p))
		byBase[base] = append(byBase[base], p)
	}
	for _, r := range n.Rows {
		if there[r.Photo] {
			continue
		}
		advice := "correct the name, or take the line out"
		if like := byBase[strings.ToLower(path.Base(r.Photo))]; len(like) == 1 {
			advice = "is " + like[0] + " meant?"
		}
		return fmt.Errorf("%w: %s, line %d: there is no photo %s in the sets: %s", ErrNotes, n.Path, r.Line, r.Photo, advice)
	}
	return nil
}

// labelOf is the set that a photo's path below the folder puts it into.
func labelOf(photo string) string {
	label, _, _ := strings.Cut(photo, "/")
	return label
}

func badPhoto(p string) string {
	switch {
	case p == "":
		return "the column photo is empty: name the photo, as in set/IMG_0001.jpg"
	case strings.Contains(p, `\`):
		return fmt.Sprintf(`the photo %s is written with \: write / between folders`, p)
	case strings.IndexFunc(p, unicode.IsControl) >= 0:
		return fmt.Sprintf("the photo's name %q has a control character in it: take it out", p)
	case path.IsAbs(p) || path.Clean(p) != p || p == ".." || strings.HasPrefix(p, "../"):
		return fmt.Sprintf("the photo %s is not written as a path below the references folder: write set/IMG_0001.jpg", p)
	case !strings.Contains(p, "/"):
		return fmt.Sprintf("the photo %s is in no set: write the set's folder before it, as in set/%s", p, p)
	}
	return ""
}

// marbleID makes a cell the id that measuring gives: "1", "2", ...
func marbleID(s string) (string, error) {
	if s == "" {
		return "", nil
	}
	v, err := strconv.Atoi(s)
	if err != nil || v < 1 || v > maxMarble {
		return "", fmt.Errorf("the marble is %q: write its number in the photo's overlay or report, 1 to %d, or leave it empty for all in the photo", s, maxMarble)
	}
	return strconv.Itoa(v), nil
}

func blank(cells []string) bool {
	return !slices.ContainsFunc(cells, func(c string) bool { return strings.TrimSpace(c) != "" })
}

func firstInvalid(data []byte) int {
	for i := 0; i < len(data); {
		r, size := utf8.DecodeRune(data[i:])
		if r == 0 || r == utf8.RuneError && size == 1 {
			return i
		}
		i += size
	}
	return len(data)
}

func csvLine(err error) int {
	var pe *csv.ParseError
	if errors.As(err, &pe) {
		return pe.StartLine
	}
	return 0
}

func csvReason(err error) string {
	switch {
	case errors.Is(err, csv.ErrQuote), errors.Is(err, csv.ErrBareQuote):
		return `a double quote stands where none can: put the whole cell between double quotes, and write each one inside it twice ("")`
	}
	return err.Error()
}

// WriteNotes writes rows as a notes.csv that [ReadNotes] reads back the same
// (RFC 4180, CRLF), in the order given, with the columns extra after the
// known ones.
func WriteNotes(w io.Writer, rows []Row, extra []string) error {
	table := csv.NewWriter(w)
	table.UseCRLF = true
	if err := table.Write(slices.Concat(columns, extra)); err != nil {
		return err
	}
	for _, r := range rows {
		cells := []string{r.Photo, r.Marble, r.Specimen, r.Credit, string(r.Permission), r.Text}
		for _, h := range extra {
			cells = append(cells, r.Extra[h])
		}
		if err := table.Write(cells); err != nil {
			return err
		}
	}
	table.Flush()
	return table.Error()
}
