package collection

import (
	"bufio"
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// ErrRefused is wrapped by the error for a file that can't be brought in; the
// text names the line and the reason. Nothing was changed.
var ErrRefused = errors.New("the file can't be brought in, and nothing was changed")

// Imported is what bringing a file in came to.
type Imported struct {
	// Added and Same count the rows that were new and those that were there, by
	// table.
	Added, Same map[string]int
	// Differences are rows that are here and there but not the same: what is here
	// stays.
	Differences []Difference
	// Joined tells of sets and contributors that have one name and two ids, in
	// words.
	Joined []string
}

// Difference is a value that is one here and another there.
type Difference struct {
	Table, ID, Column string
	Here, There       string
	Title             string // what the row is about, in words
}

func (d Difference) String() string {
	if d.Column == "merged_into" {
		return fmt.Sprintf("%s was joined with another, or apart, here, and not so in the file; yours stays", d.Title)
	}
	return fmt.Sprintf("%s: %s is %s here and %s in the file; yours stays", d.Title, d.Column, d.Here, d.There)
}

// Total is how many rows were added.
func (i Imported) Total() int {
	n := 0
	for _, k := range i.Added {
		n += k
	}
	return n
}

// maxLine is the longest line that is read, in bytes: room for a picture of more
// than a hundred megabytes.
const maxLine = 256 << 20

// Import brings in what [Collection.Export] wrote, all of it in one transaction,
// or nothing. Rows that are here stay as they are, new ones are added; what
// differs is told. Into an empty collection it brings the whole, journal and all.
// The error wraps [ErrRefused] where the file is at fault.
func (c *Collection) Import(ctx context.Context, r io.Reader) (Imported, error) {
	out := Imported{Added: map[string]int{}, Same: map[string]int{}}
	err := c.inTx(ctx, func(tx *sql.Tx) error {
		in := &importer{ctx: ctx, tx: tx, out: &out}
		defer in.close()
		if err := in.begin(); err != nil {
			return err
		}
		if err := in.readAll(r); err != nil {
			return err
		}
		return in.finish()
	})
	if err != nil {
		return Imported{}, err
	}
	return out, nil
}

// importer brings one file in.
type importer struct {
	ctx     context.Context
	tx      *sql.Tx
	out     *Imported
	line    int
	version int // of the file's format
	empty   bool
	at      int // the table that is read
	seen    map[string]bool
	find    map[string]*sql.Stmt
	add     map[string]*sql.Stmt
	is      map[string]*sql.Stmt
	// follow leads from a set or marble that was merged here to the one that it
	// is now, by table, and from a set or contributor of the file to that of the
	// same name here.
	follow map[string]map[string]string
	seqs   map[int64]int64 // numbers of edits, there and here
	edits  map[string]int64
	old    map[string]bool // edits that were here before
	links  []link
	later  []later
	inUse  string // the edition in force by the file
}

// link is an edit that takes back another, by the numbers of the file.
type link struct {
	line             int
	seq              int64
	undoes, undoneBy any
	old              bool
	title            string
}

// later is a reference to a row that may come after.
type later struct {
	line              int
	table, column, id string
}

func (in *importer) refuse(format string, args ...any) error {
	return fmt.Errorf("%w: line %d: %s", ErrRefused, in.line, fmt.Sprintf(format, args...))
}

func (in *importer) close() {
	for _, m := range []map[string]*sql.Stmt{in.find, in.add, in.is} {
		for _, s := range m {
			s.Close()
		}
	}
}

func (in *importer) begin() error {
	in.seen, in.seqs, in.edits, in.old = map[string]bool{}, map[int64]int64{}, map[string]int64{}, map[string]bool{}
	in.find, in.add, in.is = map[string]*sql.Stmt{}, map[string]*sql.Stmt{}, map[string]*sql.Stmt{}
	// Rows of one table may point to later ones of the same.
	if _, err := in.tx.ExecContext(in.ctx, "PRAGMA defer_foreign_keys = ON"); err != nil {
		return writeError(err)
	}
	var held int
	if err := in.tx.QueryRowContext(in.ctx, `SELECT EXISTS (SELECT 1 FROM photo) + EXISTS (SELECT 1 FROM specimen) + EXISTS (SELECT 1 FROM label_set) +
		EXISTS (SELECT 1 FROM contributor) + EXISTS (SELECT 1 FROM edition) + EXISTS (SELECT 1 FROM guide_edition) + EXISTS (SELECT 1 FROM edit)`).Scan(&held); err != nil {
		return writeError(err)
	}
	in.empty = held == 0
	in.follow = map[string]map[string]string{"contributor": {}}
	for _, t := range []string{"specimen", "label_set"} {
		merged, err := mergedIn(in.ctx, in.tx, t)
		if err != nil {
			return err
		}
		in.follow[t] = map[string]string{}
		for from := range merged {
			to := from
			for n := 0; merged[to] != "" && n <= len(merged); n++ {
				to = merged[to]
			}
			in.follow[t][from] = to
		}
	}
	return nil
}

// mergedIn leads from each merged row of a table to what it was merged into.
func mergedIn(ctx context.Context, q queryer, table string) (map[string]string, error) {
	type pair struct{ from, to string }
	all, err := collect(ctx, q, func(s scanner) (p pair, err error) { return p, s.Scan(&p.from, &p.to) },
		"SELECT id, merged_into FROM "+table+" WHERE merged_into IS NOT NULL")
	out := map[string]string{}
	for _, p := range all {
		out[p.from] = p.to
	}
	return out, err
}

func (in *importer) readAll(r io.Reader) error {
	lines := bufio.NewScanner(r)
	lines.Buffer(make([]byte, 1<<16), maxLine)
	rows, ended := 0, false
	for lines.Scan() {
		in.line++
		line := lines.Bytes()
		if err := in.ctx.Err(); err != nil {
			return err
		}
		if in.line == 1 {
			if err := in.head(bytes.TrimPrefix(line, []byte("\ufeff"))); err != nil {
				return err
			}
			continue
		}
		if ended {
			return in.refuse("there is more after the end")
		}
		if !utf8.Valid(line) {
			return in.refuse("it is not UTF-8 text")
		}
		fields, err := object(line)
		if err != nil {
			return in.refuse("%v", err)
		}
		if fields["end"] != nil {
			var end lineEnd
			if len(fields) != 1 || json.Unmarshal(line, &end) != nil {
				return in.refuse("it is not the end as it should be")
			}
			if end.End.Rows != rows {
				return in.refuse("%d rows were promised, and %d are there: something is missing; export it anew", end.End.Rows, rows)
			}
			ended = true
			continue
		}
		rows++
		if err := in.row(fields); err != nil {
			return err
		}
	}
	if err := lines.Err(); err != nil {
		in.line++
		if errors.Is(err, bufio.ErrTooLong) {
			return in.refuse("it is longer than %d MB", maxLine>>20)
		}
		return fmt.Errorf("the file can't be read: %w", err)
	}
	if in.line == 0 {
		return in.refuse("the file is empty")
	}
	if !ended {
		return in.refuse("the file ends here, before its end: it was cut short; export or copy it anew")
	}
	return nil
}

func (in *importer) head(line []byte) error {
	var h struct {
		Format  string      `json:"format"`
		Version json.Number `json:"version"`
	}
	if err := json.Unmarshal(line, &h); err != nil || h.Format != LinesFormat {
		return in.refuse("it does not say that it is of the format %q: give a file that tawsight export wrote", LinesFormat)
	}
	v, err := h.Version.Int64()
	switch {
	case err != nil || v < 1:
		return in.refuse("%s is no format version", short(h.Version.String()))
	case v > LinesVersion:
		return in.refuse("it is of format version %d, and this program reads up to %d: bring it in with a newer Tawsight", v, LinesVersion)
	}
	in.version = int(v)
	return nil
}

// object reads one JSON object whose names are all different; a name that is
// twice would be read one way here and another way elsewhere (RFC 8259,
// section 4).
func object(data []byte) (map[string]json.RawMessage, error) {
	d := json.NewDecoder(bytes.NewReader(data))
	if t, err := d.Token(); err != nil || t != json.Delim('{') {
		return nil, errors.New("it is not a JSON object")
	}
	out := map[string]json.RawMessage{}
	for d.More() {
		t, err := d.Token()
		name, ok := t.(string)
		if err != nil || !ok {
			return nil, errors.New("it is not whole JSON")
		}
		var v json.RawMessage
		if err := d.Decode(&v); err != nil {
			return nil, errors.New("it is not whole JSON")
		}
		if _, twice := out[name]; twice {
			return nil, fmt.Errorf("%s is in it twice", short(name))
		}
		out[name] = v
	}
	if _, err := d.Token(); err != nil {
		return nil, errors.New("it is not whole JSON")
	}
	if _, err := d.Token(); err != io.EOF {
		return nil, errors.New("there is more than one JSON object in it")
	}
	return out, nil
}

// row reads one row, and adds it where it is new.
func (in *importer) row(fields map[string]json.RawMessage) error {
	var name string
	if len(fields) != 2 || fields["row"] == nil || json.Unmarshal(fields["table"], &name) != nil {
		return in.refuse(`it is not a row: {"table": …, "row": {…}}`)
	}
	t, ok := tableNamed(name)
	if !ok {
		return in.refuse("there is no table %s", short(name))
	}
	for t != &tables[in.at] {
		if in.at++; in.at == len(tables) {
			return in.refuse("%s comes too late: tables are in the order of the description", name)
		}
	}
	given, err := object(fields["row"])
	if err != nil {
		return in.refuse("the row: %v", err)
	}
	values := make([]any, len(t.columns))
	for i := range t.columns {
		c := &t.columns[i]
		raw, ok := given[c.name]
		if !ok && c.since > in.version {
			values[i] = ""
			if before, ok := t.column(c.before); ok {
				values[i] = values[before]
			}
			continue
		}
		if !ok {
			return in.refuse("a %s without %s", name, c.name)
		}
		if values[i], err = c.read(raw); err != nil {
			return in.refuse("%s of a %s: %v", c.name, name, err)
		}
		delete(given, c.name)
	}
	for extra := range given {
		return in.refuse("a %s has no column %s", name, short(extra))
	}
	if t.key != nil {
		key := name
		for _, k := range t.key {
			i, _ := t.column(k)
			key += "\x00" + fmt.Sprint(values[i])
		}
		if in.seen[key] {
			return in.refuse("this %s is in the file twice", name)
		}
		in.seen[key] = true
	}
	switch name {
	case "setting":
		return in.setting(values)
	case "edit":
		return in.edit(t, values)
	case "change":
		return in.change(values)
	}
	return in.put(t, values)
}

func (in *importer) setting(v []any) error {
	name, value := v[0].(string), v[1].(string)
	switch {
	case name == settingEdition:
		in.inUse = value // put in force once it is here
		return nil
	case !in.empty:
		return nil // each collection is itself
	}
	_, err := in.tx.ExecContext(in.ctx, "UPDATE setting SET value = ? WHERE name = ?", value, name)
	return writeError(err)
}

// statement prepares a query once.
func (in *importer) statement(known map[string]*sql.Stmt, table, query string) (*sql.Stmt, error) {
	if s := known[table]; s != nil {
		return s, nil
	}
	s, err := in.tx.PrepareContext(in.ctx, query)
	if err != nil {
		return nil, writeError(err)
	}
	known[table] = s
	return s, nil
}

// standing is the row of that key as it is here; nil for none.
func (in *importer) standing(t *table, values []any) ([]any, error) {
	var where []string
	var key []any
	for _, k := range t.key {
		i, _ := t.column(k)
		where, key = append(where, k+" = ?"), append(key, values[i])
	}
	find, err := in.statement(in.find, t.name, "SELECT "+t.names()+" FROM "+t.name+" WHERE "+strings.Join(where, " AND "))
	if err != nil {
		return nil, err
	}
	here, to := make([]any, len(t.columns)), make([]any, len(t.columns))
	for i := range here {
		to[i] = &here[i]
	}
	err = find.QueryRowContext(in.ctx, key...).Scan(to...)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	return here, writeError(err)
}

// holdsRow says whether a table has a row of that key.
func (in *importer) holdsRow(table, id string) (bool, error) {
	t, _ := tableNamed(table)
	is, err := in.statement(in.is, table, "SELECT 1 FROM "+table+" WHERE "+t.key[0]+" = ?")
	if err != nil {
		return false, err
	}
	err = is.QueryRowContext(in.ctx, id).Scan(new(int))
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	return err == nil, writeError(err)
}

// put adds a row, or compares it with the one that is here.
func (in *importer) put(t *table, given []any) error {
	values := append([]any(nil), given...)
	for i, c := range t.columns {
		if c.ref == "" || values[i] == nil {
			continue
		}
		if to, ok := in.follow[c.ref][values[i].(string)]; ok && c.name != "merged_into" {
			values[i] = to
		}
		if c.name == "merged_into" {
			in.later = append(in.later, later{in.line, c.ref, c.name, values[i].(string)})
			continue
		}
		ok, err := in.holdsRow(c.ref, values[i].(string))
		if err != nil {
			return err
		}
		if !ok {
			return in.refuse("%s of a %s: there is no %s %s", c.name, t.name, c.ref, values[i])
		}
	}
	here, err := in.standing(t, values)
	if err != nil {
		return err
	}
	if here != nil {
		in.out.Same[t.name]++
		return in.compare(t, here, given, values)
	}
	switch t.name {
	case "label_set":
		if err := in.joinSet(t, values); err != nil {
			return err
		}
	case "contributor":
		if joined, err := in.joinContributor(t, values); joined || err != nil {
			return err
		}
	}
	add, err := in.statement(in.add, t.name, "INSERT INTO "+t.name+" ("+t.names()+") VALUES (?"+strings.Repeat(", ?", len(t.columns)-1)+")")
	if err != nil {
		return err
	}
	if _, err := add.ExecContext(in.ctx, values...); err != nil {
		if strings.Contains(err.Error(), "constraint") {
			return in.refuse("this %s says the same as another one (%v)", t.name, err)
		}
		return writeError(err)
	}
	in.out.Added[t.name]++
	return nil
}

// joinSet makes a set of the file whose name a set here bears already one with
// that: it comes in as merged into it.
func (in *importer) joinSet(t *table, v []any) error {
	name, _ := t.column("name")
	merged, _ := t.column("merged_into")
	retired, _ := t.column("retired")
	if v[retired] != int64(0) {
		return nil
	}
	var here string
	err := in.tx.QueryRowContext(in.ctx, "SELECT id FROM label_set WHERE name = ? AND retired = 0", v[name]).Scan(&here)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err != nil {
		return writeError(err)
	}
	id := v[0].(string)
	v[merged], v[retired] = here, int64(1)
	in.follow["label_set"][id] = here
	in.out.Joined = append(in.out.Joined, fmt.Sprintf("the set %s of the file is one with yours of that name", v[name]))
	return nil
}

// joinContributor takes the contributor of that name here for the file's.
func (in *importer) joinContributor(t *table, v []any) (bool, error) {
	var here string
	err := in.tx.QueryRowContext(in.ctx, "SELECT id FROM contributor WHERE name = ?", v[1]).Scan(&here)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, writeError(err)
	}
	in.follow["contributor"][v[0].(string)] = here
	in.out.Joined = append(in.out.Joined, fmt.Sprintf("the contributor %s of the file is one with yours of that name", v[1]))
	in.out.Same[t.name]++
	row := append([]any{here}, v[1:]...)
	standing, err := in.standing(t, row)
	if err != nil {
		return true, err
	}
	return true, in.compare(t, standing, row, row)
}

// compare tells what differs between a row here and the file's, as given and
// with what was merged followed.
func (in *importer) compare(t *table, here, given, followed []any) error {
	for i, c := range t.columns {
		if c.own || c.since > in.version || sameValue(here[i], given[i]) || sameValue(here[i], followed[i]) {
			continue
		}
		if t.name == "measurement" && c.name == "record" && sameButSeconds(here[i].(string), given[i].(string)) {
			continue
		}
		// A set that was joined by its name stays so.
		if t.name == "label_set" && (c.name == "retired" || c.name == "merged_into") && in.joinedByName(t, here) {
			continue
		}
		id := fmt.Sprint(here[0])
		in.out.Differences = append(in.out.Differences, Difference{
			Table: t.name, ID: id, Column: c.name, Here: inWords(here[i]), There: inWords(given[i]), Title: in.title(t, here),
		})
	}
	return nil
}

func (in *importer) joinedByName(t *table, here []any) bool {
	merged, _ := t.column("merged_into")
	name, _ := t.column("name")
	var into string
	err := in.tx.QueryRowContext(in.ctx, "SELECT name FROM label_set WHERE id = ?", here[merged]).Scan(&into)
	return err == nil && into == here[name]
}

func sameValue(a, b any) bool {
	x, isBytes := a.([]byte)
	if y, ok := b.([]byte); ok && isBytes {
		return bytes.Equal(x, y)
	}
	if isBytes {
		return false
	}
	return a == b
}

// sameButSeconds compares two records of a measurement without the time that it
// took.
func sameButSeconds(a, b string) bool {
	strip := func(s string) string {
		var v map[string]any
		if json.Unmarshal([]byte(s), &v) != nil {
			return s
		}
		delete(v, "seconds")
		out, _ := json.Marshal(v) // it has just come from JSON
		return string(out)
	}
	return strip(a) == strip(b)
}

func inWords(v any) string {
	switch v := v.(type) {
	case nil:
		return "not said"
	case string:
		if v == "" {
			return "not said"
		}
		return short(v)
	case []byte:
		return fmt.Sprintf("%d bytes", len(v))
	}
	return fmt.Sprint(v)
}

// title is what a row here is about, in words.
func (in *importer) title(t *table, here []any) string {
	what := map[string]string{"label_set": "set", "specimen": "marble", "photo_place": "photo", "photo_picture": "the picture of photo"}[t.name]
	if what == "" {
		what = t.name
	}
	for i, c := range t.columns {
		switch {
		case c.name == "name" && here[i] != "":
			return what + " " + fmt.Sprint(here[i])
		case c.name == "specimen_id":
			var title string
			if in.tx.QueryRowContext(in.ctx, "SELECT title FROM specimen_now WHERE specimen_id = ?", here[i]).Scan(&title) == nil {
				return what + " of marble " + title
			}
		}
	}
	var title string
	if t.name == "specimen" && in.tx.QueryRowContext(in.ctx, "SELECT title FROM specimen_now WHERE specimen_id = ?", here[0]).Scan(&title) == nil {
		return what + " " + title
	}
	return what + " " + fmt.Sprint(here[0])
}

// edit adds an entry of the journal, under a number of its own where numbers are
// taken here.
func (in *importer) edit(t *table, v []any) error {
	seq, id := v[0].(int64), v[1].(string)
	if seq == 0 {
		return in.refuse("seq of an edit: edits are numbered from 1")
	}
	if _, twice := in.seqs[seq]; twice {
		return in.refuse("the edit number %d is in the file twice", seq)
	}
	here, err := in.standing(t, v)
	if err != nil {
		return err
	}
	l := link{line: in.line, undoes: v[6], undoneBy: v[7], title: fmt.Sprint(v[5])}
	if here != nil {
		in.old[id] = true
		l.old, l.seq = true, here[0].(int64)
		in.out.Same[t.name]++
		if err := in.compare(t, here, v, v); err != nil {
			return err
		}
	} else {
		var number any
		if in.empty {
			number = seq
		}
		r, err := in.tx.ExecContext(in.ctx, "INSERT INTO edit (seq, id, made, who, what, text) VALUES (?, ?, ?, ?, ?, ?)", number, id, v[2], v[3], v[4], v[5])
		if err != nil {
			return writeError(err)
		}
		if l.seq, err = r.LastInsertId(); err != nil {
			return writeError(err)
		}
		in.out.Added[t.name]++
	}
	in.seqs[seq], in.edits[id] = l.seq, l.seq
	in.links = append(in.links, l)
	return nil
}

func (in *importer) change(v []any) error {
	id := v[0].(string)
	seq, ok := in.edits[id]
	switch {
	case !ok:
		return in.refuse("edit of a change: there is no edit %s", id)
	case v[3] == nil && v[4] == nil:
		return in.refuse("a change from nothing to nothing")
	case in.old[id]:
		in.out.Same["change"]++
		return nil
	}
	add, err := in.statement(in.add, "change", "INSERT INTO change (edit_seq, tab, specimen_id, old, new) VALUES (?, ?, ?, ?, ?)")
	if err != nil {
		return err
	}
	if _, err := add.ExecContext(in.ctx, seq, v[1], v[2], v[3], v[4]); err != nil {
		return writeError(err)
	}
	in.out.Added["change"]++
	return nil
}

// finish ties up what pointed ahead and works out what is worked out.
func (in *importer) finish() error {
	for _, l := range in.later {
		ok, err := in.holdsRow(l.table, l.id)
		if err != nil {
			return err
		}
		if !ok {
			in.line = l.line
			return in.refuse("%s: there is no %s %s", l.column, l.table, l.id)
		}
	}
	for _, t := range []string{"specimen", "label_set"} {
		merged, err := mergedIn(in.ctx, in.tx, t)
		if err != nil {
			return err
		}
		for from := range merged {
			to := from
			for n := 0; merged[to] != ""; n++ {
				if to = merged[to]; n > len(merged) {
					return fmt.Errorf("%w: %s %s is merged into itself by way of others", ErrRefused, t, from)
				}
			}
		}
	}
	for _, l := range in.links {
		var to [2]any
		for i, n := range []any{l.undoes, l.undoneBy} {
			if n == nil {
				continue
			}
			seq, ok := in.seqs[n.(int64)]
			if !ok {
				in.line = l.line
				return in.refuse("there is no edit number %d", n)
			}
			to[i] = seq
		}
		if !l.old {
			if _, err := in.tx.ExecContext(in.ctx, "UPDATE edit SET undoes = ?, undone_by = ? WHERE seq = ?", to[0], to[1], l.seq); err != nil {
				return writeError(err)
			}
			continue
		}
		var here any
		if err := in.tx.QueryRowContext(in.ctx, "SELECT undone_by FROM edit WHERE seq = ?", l.seq).Scan(&here); err != nil {
			return writeError(err)
		}
		if (here == nil) != (to[1] == nil) {
			words := map[bool]string{true: "in force", false: "undone"}
			in.out.Differences = append(in.out.Differences, Difference{
				Table: "edit", ID: fmt.Sprint(l.seq), Column: "its standing", Here: words[here == nil], There: words[to[1] == nil], Title: "the edit “" + l.title + "”",
			})
		}
	}
	if err := in.edition(); err != nil {
		return err
	}
	ids, err := collect(in.ctx, in.tx, func(s scanner) (id string, err error) { return id, s.Scan(&id) }, "SELECT id FROM specimen")
	if err != nil {
		return err
	}
	return refresh(in.ctx, in.tx, ids)
}

// edition puts the file's edition in force where none is here.
func (in *importer) edition() error {
	if in.inUse == "" {
		return nil
	}
	ok, err := in.holdsRow("edition", in.inUse)
	if err != nil {
		return err
	}
	if !ok {
		return fmt.Errorf("%w: the edition in force, %s, is not in the file", ErrRefused, short(in.inUse))
	}
	var here string
	err = in.tx.QueryRowContext(in.ctx, "SELECT value FROM setting WHERE name = 'edition'").Scan(&here)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		_, err = in.tx.ExecContext(in.ctx, "INSERT INTO setting (name, value) VALUES ('edition', ?)", in.inUse)
		return writeError(err)
	case err != nil:
		return writeError(err)
	case here != in.inUse:
		in.out.Differences = append(in.out.Differences, Difference{
			Table: "setting", ID: settingEdition, Column: "the edition in force", Here: short(here), There: short(in.inUse), Title: "the comparison",
		})
	}
	return nil
}
