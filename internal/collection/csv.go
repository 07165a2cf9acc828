package collection

import (
	"context"
	"database/sql"
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"tawsight/internal/refset"
)

// The tables that ExportCSV writes. ImportCSV reads the first.
const (
	MarblesCSV = "marbles.csv"
	PhotosCSV  = "photos.csv"
	LabelsCSV  = "labels.csv"
	NotesCSV   = "notes.csv"
)

// said is what people said of a specimen, as it stands in a row of marbles.csv:
// the columns that may be edited in a spreadsheet.
type said struct {
	name, set, sure, evidence, tags, grade, condition, note, provenance, credit, permission string
	who, made                                                                               string // of the label
	ownCredit, ownPermission                                                                bool   // else its photo's
	labelled                                                                                bool
}

// editable are the columns of marbles.csv that come back.
var editable = []struct {
	name string
	of   func(*said) *string
}{
	{"name", func(s *said) *string { return &s.name }},
	{"set", func(s *said) *string { return &s.set }},
	{"sure", func(s *said) *string { return &s.sure }},
	{"evidence", func(s *said) *string { return &s.evidence }},
	{"tags", func(s *said) *string { return &s.tags }},
	{"grade", func(s *said) *string { return &s.grade }},
	{"condition", func(s *said) *string { return &s.condition }},
	{"note", func(s *said) *string { return &s.note }},
	{"provenance", func(s *said) *string { return &s.provenance }},
	{"credit", func(s *said) *string { return &s.credit }},
	{"permission", func(s *said) *string { return &s.permission }},
}

// specimenColumn and exportedColumn are what a row is known by, and what it was
// when it was written.
const (
	specimenColumn = "specimen"
	exportedColumn = "as_exported"
)

// fingerprint is the same for the same editable cells.
func (s *said) fingerprint() string {
	parts := []string{"row"}
	for _, c := range editable {
		parts = append(parts, *c.of(s))
	}
	return derivedID(parts...)
}

// formula are the letters that make a spreadsheet take a cell for a formula,
// where they come first; the apostrophe is what guards them.
const formula = "=+-@\t\r'＝＋－＠"

// guarded is a text as it stands in a cell: a spreadsheet must not run what
// somebody wrote into a note.
func guarded(s string) string {
	s = strings.ToValidUTF8(s, "\ufffd")
	if r, _ := utf8.DecodeRuneInString(s); s != "" && strings.ContainsRune(formula, r) {
		return "'" + s
	}
	return s
}

// unguarded takes the guard away again.
func unguarded(s string) string {
	if rest, ok := strings.CutPrefix(s, "'"); ok && guarded(rest) != rest {
		return rest
	}
	return s
}

// joinTags and splitTags put tags into one cell, parted by semicolons; one within
// a tag has a backslash before it.
func joinTags(tags []string) string {
	var out []string
	for _, t := range tags {
		out = append(out, strings.NewReplacer(`\`, `\\`, ";", `\;`).Replace(t))
	}
	return strings.Join(out, "; ")
}

func splitTags(s string) []string {
	var out []string
	var tag strings.Builder
	escaped := false
	for _, r := range s {
		switch {
		case escaped:
			tag.WriteRune(r)
			escaped = false
		case r == '\\':
			escaped = true
		case r == ';':
			out = append(out, strings.TrimSpace(tag.String()))
			tag.Reset()
		default:
			tag.WriteRune(r)
		}
	}
	return append(out, strings.TrimSpace(tag.String()))
}

// saidOf is what was said of every specimen, guarded as cells.
func saidOf(ctx context.Context, q queryer) (map[string]*said, error) {
	out := map[string]*said{}
	_, err := collect(ctx, q, func(r scanner) (none struct{}, err error) {
		var id string
		s := &said{}
		err = r.Scan(&id, &s.name, &s.provenance, &s.credit, &s.permission, &s.ownCredit, &s.ownPermission)
		out[id] = s
		return none, err
	}, `SELECT s.id, s.name, s.provenance, coalesce(k.name, ''),
			CASE WHEN s.permission <> '' THEN s.permission WHEN p.permission <> '' THEN p.permission ELSE coalesce(h.permission, '') END,
			s.contributor_id IS NOT NULL, s.permission <> ''
		FROM specimen_now n JOIN specimen s ON s.id = n.specimen_id JOIN photo p ON p.sha256 = n.photo
		LEFT JOIN contributor k ON k.id = n.contributor_id LEFT JOIN contributor h ON h.id = p.contributor_id`)
	if err != nil {
		return nil, err
	}
	tags := map[string][]string{}
	for _, part := range []struct {
		query string
		take  func(id string, s *said, v [5]string)
	}{
		// The latest of each comes last, and stays.
		{"SELECT l.specimen_id, coalesce(t.name, ''), l.sure, l.evidence, l.who, l.made FROM label l LEFT JOIN label_set t ON t.id = l.set_id ORDER BY l.made, l.rowid",
			func(_ string, s *said, v [5]string) {
				s.set, s.sure, s.evidence, s.who, s.made, s.labelled = v[0], v[1], v[2], v[3], v[4], true
			}},
		{"SELECT specimen_id, grade, text, '', '', '' FROM condition_note ORDER BY made, rowid", func(_ string, s *said, v [5]string) { s.grade, s.condition = v[0], v[1] }},
		{"SELECT specimen_id, text, '', '', '', '' FROM remark ORDER BY made, rowid", func(_ string, s *said, v [5]string) { s.note = v[0] }},
		{"SELECT specimen_id, tag, '', '', '', '' FROM tag ORDER BY tag", func(id string, _ *said, v [5]string) { tags[id] = append(tags[id], v[0]) }},
	} {
		_, err := collect(ctx, q, func(r scanner) (none struct{}, err error) {
			var id string
			var v [5]string
			err = r.Scan(&id, &v[0], &v[1], &v[2], &v[3], &v[4])
			if s := out[id]; s != nil {
				part.take(id, s, v)
			}
			return none, err
		}, part.query)
		if err != nil {
			return nil, err
		}
	}
	for id, s := range out {
		s.tags = joinTags(tags[id])
		for _, c := range editable {
			cell := c.of(s)
			*cell = guarded(*cell)
		}
	}
	return out, nil
}

func number[T ~float64 | ~int](v *T) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(float64(*v), 'f', -1, 64)
}

func yesNo(v *bool) string {
	switch {
	case v == nil:
		return ""
	case *v:
		return "yes"
	}
	return "no"
}

// ExportCSV writes the specimens that the filter picks, in its order, and what
// belongs to them, as tables of comma-separated values (RFC 4180, UTF-8): create
// gives the file for each, such as a zip.Writer's Create does. Limit and offset
// don't count.
func (c *Collection) ExportCSV(ctx context.Context, f Filter, create func(name string) (io.Writer, error)) error {
	f.Limit, f.Offset = 0, 0
	rows, _, err := c.Find(ctx, f)
	if err != nil {
		return err
	}
	all, err := saidOf(ctx, c.read)
	if err != nil {
		return err
	}
	photos, names, err := c.photosOf(ctx, rows)
	if err != nil {
		return err
	}
	titles := map[string]string{}
	for _, r := range rows {
		titles[r.ID] = r.Title
	}
	for _, t := range []struct {
		name string
		fill func(put func(cells ...string)) error
	}{
		{MarblesCSV, func(put func(...string)) error { return marblesCSV(rows, all, names, put) }},
		{PhotosCSV, func(put func(...string)) error { return c.photosCSV(ctx, photos, put) }},
		{LabelsCSV, func(put func(...string)) error { return c.labelsCSV(ctx, titles, put) }},
		{NotesCSV, func(put func(...string)) error { return c.notesCSV(ctx, titles, put) }},
	} {
		file, err := create(t.name)
		if err != nil {
			return err
		}
		w := csv.NewWriter(file)
		w.UseCRLF = true
		// A csv.Writer keeps its first error.
		if err := t.fill(func(cells ...string) { w.Write(cells) }); err != nil {
			return err
		}
		w.Flush()
		if err := w.Error(); err != nil {
			return err
		}
	}
	return nil
}

func marblesCSV(rows []Row, all map[string]*said, names map[string][]string, put func(...string)) error {
	head := []string{specimenColumn, "title"}
	for _, c := range editable {
		head = append(head, c.name)
	}
	head = append(head, "labelled_by", "labelled", "state", "likeliest_set", "likeliest_probability", "next_set", "next_probability",
		"diameter_mm", "diameter_u95_mm", "size_class", "base_kind", "base_look", "base_colour", "base_l", "base_a", "base_b",
		"ribbons", "ribbon_colour", "ribbon_l", "ribbon_a", "ribbon_b", "translucency", "busyness", "bubble", "glow_share",
		"photos", "taken", "added", "too_poor", exportedColumn)
	put(head...)
	lab := func(v *[3]float64) [3]string {
		if v == nil {
			return [3]string{}
		}
		return [3]string{number(&v[0]), number(&v[1]), number(&v[2])}
	}
	for _, r := range rows {
		s := all[r.ID]
		if s == nil {
			continue // joined to another since the list was read
		}
		cells := []string{r.ID, guarded(r.Title)}
		for _, c := range editable {
			cells = append(cells, *c.of(s))
		}
		likely, next := "", ""
		if r.OpinionSetID != "" {
			likely = number(&r.OpinionP)
		}
		if r.NextSetID != "" {
			next = number(&r.NextP)
		}
		base, ribbon := lab(r.BaseLab), lab(r.RibbonLab)
		put(append(cells, guarded(s.who), s.made, string(r.State), guarded(r.OpinionSet), likely, guarded(r.NextSet), next,
			number(r.DiameterMM), number(r.DiameterU95MM), r.SizeClass, r.BaseKind, r.BaseLook, r.BaseName, base[0], base[1], base[2],
			number(&r.Ribbons), r.RibbonName, ribbon[0], ribbon[1], ribbon[2], number(r.Translucency), number(r.Busyness), yesNo(r.Bubble), number(r.Glow),
			guarded(strings.Join(names[r.ID], "; ")), guarded(r.Taken), r.Added, yesNo(&r.Poor), s.fingerprint())...)
	}
	return nil
}

// photosOf are the photos that show any of the rows, and the names of each
// specimen's.
func (c *Collection) photosOf(ctx context.Context, rows []Row) (photos map[string]bool, names map[string][]string, err error) {
	picked := map[string]bool{}
	for _, r := range rows {
		picked[r.ID] = true
	}
	photos, names = map[string]bool{}, map[string][]string{}
	_, err = collect(ctx, c.read, func(s scanner) (none struct{}, err error) {
		var specimen, photo, name string
		err = s.Scan(&specimen, &photo, &name)
		if picked[specimen] {
			photos[photo] = true
			names[specimen] = append(names[specimen], name)
		}
		return none, err
	}, "SELECT g.specimen_id, p.sha256, p.name FROM sighting g JOIN photo p ON p.sha256 = g.photo ORDER BY p.name, p.sha256")
	return photos, names, err
}

func (c *Collection) photosCSV(ctx context.Context, picked map[string]bool, put func(...string)) error {
	put("photo", "name", "places", "taken", "camera", "added", "credit", "permission", "provenance", "marbles", "scale", "ruler_named", "mm_per_px", "size", "colour", "pattern", "faults")
	places := map[string][]string{}
	if _, err := collect(ctx, c.read, func(s scanner) (none struct{}, err error) {
		var photo, path string
		err = s.Scan(&photo, &path)
		places[photo] = append(places[photo], path)
		return none, err
	}, "SELECT photo, path FROM photo_place ORDER BY seen DESC, path"); err != nil {
		return err
	}
	marbles := map[string]int{}
	if _, err := collect(ctx, c.read, func(s scanner) (none struct{}, err error) {
		var id string
		var n int
		err = s.Scan(&id, &n)
		marbles[id] = n
		return none, err
	}, "SELECT measurement_id, count(*) FROM figure GROUP BY measurement_id"); err != nil {
		return err
	}
	all, err := c.Photos(ctx, -1, 0)
	if err != nil {
		return err
	}
	for _, p := range all {
		if !picked[p.SHA256] {
			continue
		}
		var faults []string
		for _, f := range p.Record.Flags {
			faults = append(faults, f.Code)
		}
		n, v := marbles[p.MeasurementID], p.Record.Verdict
		put(p.SHA256, guarded(p.Name), guarded(strings.Join(places[p.SHA256], "; ")), guarded(p.Record.Taken), guarded(p.Record.Camera), p.Added, guarded(p.Contributor),
			string(p.Permission), guarded(p.Provenance), number(&n), p.Record.Scale.Source, guarded(p.Ruler.Words()), number(p.Record.Scale.MMPerPX),
			string(v.Size), string(v.Colour), string(v.Pattern), strings.Join(faults, "; "))
	}
	return nil
}

func (c *Collection) labelsCSV(ctx context.Context, titles map[string]string, put func(...string)) error {
	put(specimenColumn, "title", "set", "sure", "who", "made", "evidence", "comparison_said")
	_, err := collect(ctx, c.read, func(r scanner) (none struct{}, err error) {
		var id, set, sure, who, made, evidence, opinion string
		err = r.Scan(&id, &set, &sure, &who, &made, &evidence, &opinion)
		if title, ok := titles[id]; ok && err == nil {
			put(id, guarded(title), guarded(set), sure, guarded(who), made, guarded(evidence), guarded(opinion))
		}
		return none, err
	}, `SELECT l.specimen_id, coalesce(t.name, ''), l.sure, l.who, l.made, l.evidence,
		CASE WHEN l.opinion = '' THEN '' ELSE json_extract(l.opinion, '$.label') || ' (' || json_extract(l.opinion, '$.status') || ', ' || round(json_extract(l.opinion, '$.probability'), 2) || ')' END
		FROM label l LEFT JOIN label_set t ON t.id = l.set_id ORDER BY l.specimen_id, l.made, l.rowid`)
	return err
}

func (c *Collection) notesCSV(ctx context.Context, titles map[string]string, put func(...string)) error {
	put(specimenColumn, "title", "kind", "grade", "text", "who", "made")
	_, err := collect(ctx, c.read, func(r scanner) (none struct{}, err error) {
		var id, kind, grade, text, who, made string
		err = r.Scan(&id, &kind, &grade, &text, &who, &made)
		if title, ok := titles[id]; ok && err == nil {
			put(id, guarded(title), kind, grade, guarded(text), guarded(who), made)
		}
		return none, err
	}, `SELECT specimen_id, 'note', '', text, who, made FROM remark UNION ALL SELECT specimen_id, 'condition', grade, text, who, made FROM condition_note ORDER BY 1, 6`)
	return err
}

// ImportedCSV is what bringing a table back came to.
type ImportedCSV struct {
	Edit    Edit // one for the whole table; its Seq is 0 where nothing was changed
	Rows    int
	Changed int      // marbles
	NewSets []string // sets that were made, as their names were not known
	// Older counts rows that were not edited in the table, but in the collection
	// since: those stay as they are.
	Older   int
	Ignored []string // columns that are not read back, in which something else stands, or that are not known
}

// ImportCSV brings marbles.csv back after it was edited in a spreadsheet: what was
// changed in the columns for it becomes one edit, which can be undone. Labels,
// conditions and notes are added to the earlier ones. Rows may be left out or be
// in another order, columns too. The error wraps [ErrRefused] and names row and
// column where something can't be taken; nothing was changed then.
func (c *Collection) ImportCSV(ctx context.Context, who, file string, r io.Reader) (ImportedCSV, error) {
	var out ImportedCSV
	t, err := readTable(r)
	if err != nil {
		return out, err
	}
	out.Rows, out.Ignored = len(t.rows), t.unknown
	if strings.TrimSpace(who) == "" {
		who = UserName()
	}
	out.Edit, err = c.edit(ctx, who, "table", func(tx *sql.Tx) (string, error) {
		all, err := saidOf(ctx, tx)
		if err != nil {
			return "", err
		}
		for i, cells := range t.rows {
			changed, older, err := takeRow(ctx, tx, who, t, cells, all, &out)
			if err != nil {
				return "", fmt.Errorf("%w: row %d, %w", ErrRefused, i+2, err)
			}
			if changed {
				out.Changed++
			}
			if older {
				out.Older++
			}
		}
		return fmt.Sprintf("the table %s brought back: %s", file, specimens(out.Changed)), nil
	})
	if err != nil {
		return ImportedCSV{}, err
	}
	return out, nil
}

// csvTable is marbles.csv as it came back.
type csvTable struct {
	at      map[string]int // columns by name
	rows    [][]string
	unknown []string
	seen    map[string]int // specimens, by the row
}

// maxTable is the largest table that is read, in bytes.
const maxTable = 512 << 20

func readTable(r io.Reader) (*csvTable, error) {
	data, err := io.ReadAll(io.LimitReader(r, maxTable+1))
	if err != nil {
		return nil, fmt.Errorf("the table can't be read: %w", err)
	}
	refuse := func(format string, args ...any) (*csvTable, error) {
		return nil, fmt.Errorf("%w: %w", ErrRefused, fmt.Errorf(format, args...))
	}
	if len(data) > maxTable {
		return refuse("it is larger than %d MB", maxTable>>20)
	}
	text := strings.TrimPrefix(string(data), "\ufeff")
	if !utf8.ValidString(text) {
		line := 1 + strings.Count(text[:len(text)-len(strings.TrimPrefix(text, validPrefix(text)))], "\n")
		return refuse("line %d is not UTF-8 text: save the table as “CSV UTF-8”", line)
	}
	head, _, _ := strings.Cut(text, "\n")
	read := csv.NewReader(strings.NewReader(text))
	// Spreadsheets of some countries write semicolons, some programs tabs.
	for _, comma := range []rune{';', '\t'} {
		if strings.Count(head, string(comma)) > strings.Count(head, string(read.Comma)) {
			read.Comma = comma
		}
	}
	rows, err := read.ReadAll()
	if err != nil {
		return refuse("it is no table: %w", err)
	}
	if len(rows) == 0 {
		return refuse("it is empty")
	}
	t := &csvTable{at: map[string]int{}, rows: rows[1:], seen: map[string]int{}}
	known := map[string]bool{specimenColumn: true, exportedColumn: true}
	for _, c := range editable {
		known[c.name] = true
	}
	for i, name := range rows[0] {
		name = strings.TrimSpace(name)
		if _, twice := t.at[name]; twice && known[name] {
			return refuse("row 1: the column %s is there twice", name)
		}
		t.at[name] = i
		if !known[name] && !slices.Contains(writtenColumns(), name) && name != "" {
			t.unknown = append(t.unknown, name)
		}
	}
	if _, ok := t.at[specimenColumn]; !ok {
		return refuse("row 1: there is no column %s, which rows are known by: give %s as tawsight export wrote it", specimenColumn, MarblesCSV)
	}
	for i, r := range t.rows {
		for k, cell := range r {
			if strings.ContainsRune(cell, 0) {
				return refuse("row %d, column %s: it has a NUL character in it", i+2, rows[0][k])
			}
		}
	}
	if _, ok := t.at["comparison_said"]; ok {
		return refuse("this is %s, which is for reading: labels are edited in %s", LabelsCSV, MarblesCSV)
	}
	if _, ok := t.at["kind"]; ok {
		return refuse("this is %s, which is for reading: notes are edited in %s", NotesCSV, MarblesCSV)
	}
	return t, nil
}

// validPrefix is the text up to the first byte that is no UTF-8.
func validPrefix(s string) string {
	for i, r := range s {
		if r == utf8.RuneError {
			if _, n := utf8.DecodeRuneInString(s[i:]); n == 1 {
				return s[:i]
			}
		}
	}
	return s
}

// writtenColumns are the names of all columns of marbles.csv.
func writtenColumns() (names []string) {
	marblesCSV(nil, nil, nil, func(cells ...string) { names = cells }) // writes the head alone, and can't fail
	return names
}

// takeRow takes over what was changed in one row.
func takeRow(ctx context.Context, tx *sql.Tx, who string, t *csvTable, cells []string, all map[string]*said, out *ImportedCSV) (changed, older bool, err error) {
	id := strings.TrimSpace(cells[t.at[specimenColumn]])
	now := all[id]
	if now == nil {
		return false, false, fmt.Errorf("column %s: no marble of the collection has the id %s", specimenColumn, short(id))
	}
	if at := t.seen[id]; at > 0 {
		return false, false, fmt.Errorf("column %s: this marble is in row %d already", specimenColumn, at)
	}
	t.seen[id] = len(t.seen) + 2
	given := *now
	var differ []string
	whole := true
	for _, c := range editable {
		i, ok := t.at[c.name]
		if !ok {
			whole = false
			continue
		}
		if *c.of(&given) = cells[i]; cells[i] != *c.of(now) {
			differ = append(differ, c.name)
		}
	}
	if len(differ) == 0 {
		return false, false, nil
	}
	if i, ok := t.at[exportedColumn]; ok && cells[i] != "" && cells[i] != now.fingerprint() {
		if whole && given.fingerprint() == cells[i] {
			return false, true, nil
		}
		return false, false, fmt.Errorf("column %s: the marble %s was changed in the collection, too, since this table was written: export it anew, and edit that", differ[0], id)
	}
	for _, name := range differ {
		i := slices.IndexFunc(editable, func(c struct {
			name string
			of   func(*said) *string
		}) bool {
			return c.name == name
		})
		cell := editable[i].of(&given)
		*cell = unguarded(strings.TrimSpace(*cell))
	}
	return true, false, takeEdits(ctx, tx, who, id, differ, now, &given, out)
}

// takeEdits makes the edits of one row; of given, what differs stands as it was
// written.
func takeEdits(ctx context.Context, tx *sql.Tx, who, id string, differ []string, now, given *said, out *ImportedCSV) (err error) {
	has := func(names ...string) string {
		for _, n := range names {
			if slices.Contains(differ, n) {
				return n
			}
		}
		return ""
	}
	in := func(column string, err error) error {
		if err == nil {
			return nil
		}
		return fmt.Errorf("column %s: %w", column, err)
	}
	// What of a group did not change stands guarded still.
	for _, c := range editable {
		if has(c.name) == "" {
			cell := c.of(given)
			*cell = unguarded(*cell)
		}
	}
	if column := has("set", "sure", "evidence"); column != "" {
		if !slices.Contains(Sures, Sure(given.sure)) {
			return fmt.Errorf("column sure: %s is none of certain, likely and guess, one of which a label needs", short(given.sure))
		}
		if given.evidence, err = cleanText(given.evidence); err != nil {
			return in("evidence", err)
		}
		set := ""
		if given.set != "" {
			known := tx.QueryRowContext(ctx, "SELECT 1 FROM label_set WHERE name = ? AND retired = 0", given.set).Scan(new(int)) == nil
			if set, err = setNamed(ctx, tx, given.set); err != nil {
				return in("set", err)
			}
			if s, err := setIn(ctx, tx, set); err == nil && !known && !slices.Contains(out.NewSets, s.Name) && s.Members == 0 {
				out.NewSets = append(out.NewSets, s.Name)
			}
		}
		if err := addLabel(ctx, tx, id, set, who, Sure(given.sure), given.evidence); err != nil {
			return in(column, err)
		}
	}
	if has("tags") != "" {
		if _, err := setTags(ctx, tx, id, splitTags(given.tags)); err != nil {
			return in("tags", err)
		}
	}
	if column := has("grade", "condition"); column != "" {
		if _, err := addCondition(ctx, tx, who, id, given.grade, given.condition); err != nil {
			return in(column, err)
		}
	}
	if has("note") != "" {
		if err := addRemark(ctx, tx, who, id, given.note); err != nil {
			return in("note", err)
		}
	}
	if has("name") != "" && given.name != "" {
		if given.name, err = cleanName("marble", given.name); err != nil {
			return in("name", err)
		}
	}
	if given.provenance, err = cleanText(given.provenance); err != nil {
		return in("provenance", err)
	}
	for _, c := range []struct{ column, value string }{{"name", given.name}, {"provenance", given.provenance}} {
		if has(c.column) != "" {
			if _, err := tx.ExecContext(ctx, "UPDATE specimen SET "+c.column+" = ? WHERE id = ?", c.value, id); err != nil {
				return writeError(err)
			}
		}
	}
	if has("credit") != "" {
		if err := in("credit", takeCredit(ctx, tx, id, given.credit, now.ownCredit)); err != nil {
			return err
		}
	}
	if has("permission") != "" {
		return in("permission", takePermission(ctx, tx, id, given.permission, now.ownPermission))
	}
	return nil
}

func takeCredit(ctx context.Context, tx *sql.Tx, id, credit string, own bool) error {
	var contributor any
	switch {
	case credit != "":
		name, err := cleanName("contributor", credit)
		if err != nil {
			return err
		}
		if contributor, err = contributorID(ctx, tx, name, refset.NotSaid); err != nil {
			return err
		}
	case !own:
		return fmt.Errorf("%w: it is the photo's, and is taken away there", ErrInvalid)
	}
	_, err := tx.ExecContext(ctx, "UPDATE specimen SET contributor_id = ? WHERE id = ?", contributor, id)
	return writeError(err)
}

func takePermission(ctx context.Context, tx *sql.Tx, id, permission string, own bool) error {
	p, err := refset.ParsePermission(permission)
	if err != nil {
		return err
	}
	if p == refset.NotSaid && !own {
		return fmt.Errorf("%w: it is the photo's, and is taken away there", ErrInvalid)
	}
	_, err = tx.ExecContext(ctx, "UPDATE specimen SET permission = ? WHERE id = ?", string(p), id)
	return writeError(err)
}
