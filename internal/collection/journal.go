package collection

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// journalled are the tables that people edit, with the columns that name a row.
// Triggers write every change to them into the journal while an edit is being
// made; the program's own additions (photos measured, opinions) are made
// outside edits and never undone.
var journalled = []struct {
	table string
	key   []string
}{
	{"setting", []string{"name"}},
	{"contributor", []string{"id"}},
	{"photo", []string{"sha256"}},
	{"specimen", []string{"id"}},
	{"sighting", []string{"id"}},
	{"label_set", []string{"id"}},
	{"label", []string{"id"}},
	{"condition_note", []string{"id"}},
	{"remark", []string{"id"}},
	{"tag", []string{"specimen_id", "tag"}},
}

func keyOf(table string) []string {
	for _, j := range journalled {
		if j.table == table {
			return j.key
		}
	}
	return nil
}

func columnsOf(ctx context.Context, tx *sql.Tx, table string) ([]string, error) {
	return collect(ctx, tx, func(s scanner) (name string, err error) { return name, s.Scan(&name) },
		"SELECT name FROM pragma_table_info(?) ORDER BY cid", table)
}

// rowJSON is the SQL expression for a row as a JSON object.
func rowJSON(columns []string, of string) string {
	var parts []string
	for _, c := range columns {
		parts = append(parts, fmt.Sprintf("'%s', %s%s", c, of, c))
	}
	return "json_object(" + strings.Join(parts, ", ") + ")"
}

// makeTriggers makes the journal's triggers anew for the columns there are.
func makeTriggers(ctx context.Context, tx *sql.Tx) error {
	for _, j := range journalled {
		columns, err := columnsOf(ctx, tx, j.table)
		if err != nil {
			return err
		}
		specimen := "NULL"
		if j.table == "specimen" {
			specimen = "%sid"
		} else if slices.Contains(columns, "specimen_id") {
			specimen = "%sspecimen_id"
		}
		who := func(of string) string { return strings.ReplaceAll(specimen, "%s", of) }
		for _, t := range []struct{ when, specimen, old, new string }{
			{"INSERT", who("NEW."), "NULL", rowJSON(columns, "NEW.")},
			{"UPDATE", who("NEW."), rowJSON(columns, "OLD."), rowJSON(columns, "NEW.")},
			{"DELETE", who("OLD."), rowJSON(columns, "OLD."), "NULL"},
		} {
			name := fmt.Sprintf("journal_%s_%s", j.table, strings.ToLower(t.when))
			if _, err := tx.ExecContext(ctx, "DROP TRIGGER IF EXISTS "+name); err != nil {
				return err
			}
			_, err := tx.ExecContext(ctx, fmt.Sprintf(`CREATE TRIGGER %s AFTER %s ON %s
				WHEN (SELECT seq FROM current_edit) IS NOT NULL
				BEGIN INSERT INTO change (edit_seq, tab, specimen_id, old, new)
				VALUES ((SELECT seq FROM current_edit), '%s', %s, %s, %s); END`,
				name, t.when, j.table, j.table, t.specimen, t.old, t.new))
			if err != nil {
				return err
			}
		}
	}
	return nil
}

// Edit is one entry of the journal.
type Edit struct {
	Seq      int64
	Made     string // when, as [ParseTime] reads it
	Who      string
	What     string // a short code, such as "label"
	Text     string // in plain words
	Undoes   int64  // the edit that this one undoes; 0 for none
	UndoneBy int64  // the edit that undid this one; 0 while it holds
	// Specimens are those it touched, at most a few of them; empty in lists.
	Specimens []string
}

// edit makes one edit: what f changes is journalled under the words that it
// returns, and what is worked out of it is worked out anew. An edit that changes
// nothing leaves no entry.
func (c *Collection) edit(ctx context.Context, who, what string, f func(tx *sql.Tx) (text string, err error)) (Edit, error) {
	var e Edit
	err := c.inTx(ctx, func(tx *sql.Tx) (err error) {
		e, err = editIn(ctx, tx, who, what, 0, f)
		return err
	})
	return e, err
}

func editIn(ctx context.Context, tx *sql.Tx, who, what string, undoes int64, f func(tx *sql.Tx) (string, error)) (Edit, error) {
	e := Edit{Made: now(), Who: somebody(who), What: what, Undoes: undoes}
	r, err := tx.ExecContext(ctx, "INSERT INTO edit (id, made, who, what, text, undoes) VALUES (?, ?, ?, ?, '', nullif(?, 0))", newID(), e.Made, e.Who, e.What, undoes)
	if err != nil {
		return e, writeError(err)
	}
	if e.Seq, err = r.LastInsertId(); err != nil {
		return e, writeError(err)
	}
	if _, err := tx.ExecContext(ctx, "UPDATE current_edit SET seq = ?", e.Seq); err != nil {
		return e, writeError(err)
	}
	if e.Text, err = f(tx); err != nil {
		return e, err
	}
	if _, err := tx.ExecContext(ctx, "UPDATE current_edit SET seq = NULL"); err != nil {
		return e, writeError(err)
	}
	var changes int
	if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM change WHERE edit_seq = ?", e.Seq).Scan(&changes); err != nil {
		return e, writeError(err)
	}
	if changes == 0 {
		_, err := tx.ExecContext(ctx, "DELETE FROM edit WHERE seq = ?", e.Seq)
		e.Seq = 0
		return e, writeError(err)
	}
	if _, err := tx.ExecContext(ctx, "UPDATE edit SET text = ? WHERE seq = ?", e.Text, e.Seq); err != nil {
		return e, writeError(err)
	}
	if e.Specimens, err = touchedBy(ctx, tx, e.Seq); err != nil {
		return e, err
	}
	return e, refresh(ctx, tx, e.Specimens)
}

// touchedBy are the specimens whose standing an edit can have changed.
func touchedBy(ctx context.Context, tx *sql.Tx, seq int64) ([]string, error) {
	// A set's name, a contributor's or a photo's is part of what a specimen is
	// found by; the edition in force is part of every specimen's standing.
	return collect(ctx, tx, func(s scanner) (id string, err error) { return id, s.Scan(&id) }, `
		WITH c AS (SELECT tab, specimen_id, old, new FROM change WHERE edit_seq = ?)
		SELECT specimen_id FROM c WHERE specimen_id IS NOT NULL
		UNION SELECT json_extract(old, '$.specimen_id') FROM c WHERE json_extract(old, '$.specimen_id') IS NOT NULL
		UNION SELECT n.specimen_id FROM specimen_now n JOIN c ON c.tab = 'label_set'
			AND (n.set_id = json_extract(coalesce(c.new, c.old), '$.id') OR n.opinion_set_id = json_extract(coalesce(c.new, c.old), '$.id'))
		UNION SELECT s.specimen_id FROM sighting s JOIN c ON c.tab = 'photo' AND s.photo = json_extract(coalesce(c.new, c.old), '$.sha256')
		UNION SELECT n.specimen_id FROM specimen_now n JOIN c ON c.tab = 'contributor' AND n.contributor_id = json_extract(coalesce(c.new, c.old), '$.id')
		UNION SELECT n.specimen_id FROM specimen_now n WHERE EXISTS (SELECT 1 FROM c WHERE c.tab = 'setting' AND json_extract(coalesce(c.new, c.old), '$.name') = 'edition')`, seq)
}

func writeError(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("the collection can't be written: %w", err)
}

// Undo takes back one edit, the newest or an older one, as an edit of its own;
// undoing that brings the first back. The error wraps [ErrOvertaken] where a
// later edit has changed the same again, [ErrInvalid] where it is undone
// already.
func (c *Collection) Undo(ctx context.Context, who string, seq int64) (Edit, error) {
	var e Edit
	err := c.inTx(ctx, func(tx *sql.Tx) error {
		target, err := scanEdit(tx.QueryRowContext(ctx, editColumns+" WHERE seq = ?", seq))
		if err != nil {
			return notFound(err, "edit", fmt.Sprint(seq))
		}
		if target.UndoneBy != 0 {
			return fmt.Errorf("%w: “%s” is undone already", ErrInvalid, target.Text)
		}
		what, text := "undo", "undone: "+target.Text
		if original, ok := strings.CutPrefix(target.Text, "undone: "); ok && target.Undoes != 0 {
			what, text = "redo", original
		}
		e, err = editIn(ctx, tx, who, what, seq, func(tx *sql.Tx) (string, error) {
			return text, takeBack(ctx, tx, target)
		})
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, "UPDATE edit SET undone_by = ? WHERE seq = ?", e.Seq, seq); err != nil {
			return writeError(err)
		}
		if target.Undoes != 0 { // the first edit holds again
			if _, err := tx.ExecContext(ctx, "UPDATE edit SET undone_by = NULL WHERE seq = ?", target.Undoes); err != nil {
				return writeError(err)
			}
		}
		return nil
	})
	return e, err
}

// takeBack reverses an edit's changes, the last first. A row must stand as the
// edit left it.
func takeBack(ctx context.Context, tx *sql.Tx, target Edit) error {
	type change struct{ table, old, new string }
	changes, err := collect(ctx, tx, func(s scanner) (ch change, err error) {
		var old, new sql.NullString
		err = s.Scan(&ch.table, &old, &new)
		ch.old, ch.new = old.String, new.String
		return ch, err
	}, "SELECT tab, old, new FROM change WHERE edit_seq = ? ORDER BY id DESC", target.Seq)
	if err != nil {
		return err
	}
	// A change may pass through a state that foreign keys forbid for a moment.
	if _, err := tx.ExecContext(ctx, "PRAGMA defer_foreign_keys = ON"); err != nil {
		return writeError(err)
	}
	overtaken := fmt.Errorf("“%s” can't be undone by itself: %w; undo the later edits first", target.Text, ErrOvertaken)
	for _, ch := range changes {
		columns, err := columnsOf(ctx, tx, ch.table)
		if err != nil {
			return err
		}
		key := keyOf(ch.table)
		if key == nil {
			return fmt.Errorf("the journal speaks of %s, which can't be undone by this version", ch.table)
		}
		where, args, err := whereRow(key, cmpString(ch.new, ch.old))
		if err != nil {
			return err
		}
		var stands string
		err = tx.QueryRowContext(ctx, "SELECT "+rowJSON(columns, "")+" FROM "+ch.table+" WHERE "+where, args...).Scan(&stands)
		if errors.Is(err, sql.ErrNoRows) {
			stands, err = "", nil
		}
		if err != nil {
			return writeError(err)
		}
		if !sameRow(stands, ch.new) {
			return overtaken
		}
		switch {
		case ch.old == "":
			_, err = tx.ExecContext(ctx, "DELETE FROM "+ch.table+" WHERE "+where, args...)
		case ch.new == "":
			var values []string
			for _, col := range columns {
				values = append(values, fmt.Sprintf("json_extract(?1, '$.%s')", col))
			}
			_, err = tx.ExecContext(ctx, "INSERT INTO "+ch.table+" ("+strings.Join(columns, ", ")+") VALUES ("+strings.Join(values, ", ")+")", ch.old)
		default:
			var sets []string
			for _, col := range columns {
				sets = append(sets, fmt.Sprintf("%s = json_extract(?1, '$.%s')", col, col))
			}
			// The key's parameters follow the row's.
			for i := range key {
				where = strings.Replace(where, "?", fmt.Sprintf("?%d", i+2), 1)
			}
			_, err = tx.ExecContext(ctx, "UPDATE "+ch.table+" SET "+strings.Join(sets, ", ")+" WHERE "+where, append([]any{ch.old}, args...)...)
		}
		if err != nil {
			if strings.Contains(err.Error(), "constraint") {
				return overtaken // others came to depend on the row
			}
			return writeError(err)
		}
	}
	return nil
}

func cmpString(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// whereRow is the condition that picks a row by its key, taken from the row as
// JSON.
func whereRow(key []string, row string) (string, []any, error) {
	var fields map[string]any
	if err := json.Unmarshal([]byte(row), &fields); err != nil {
		return "", nil, fmt.Errorf("the journal is damaged: %w", err)
	}
	var parts []string
	var args []any
	for _, k := range key {
		parts = append(parts, k+" = ?")
		args = append(args, fields[k])
	}
	return strings.Join(parts, " AND "), args, nil
}

// sameRow compares rows as JSON. Columns that one of them lacks, since a later
// version added them, don't count.
func sameRow(a, b string) bool {
	if a == b {
		return true
	}
	var fa, fb map[string]any
	if a == "" || b == "" || json.Unmarshal([]byte(a), &fa) != nil || json.Unmarshal([]byte(b), &fb) != nil {
		return false
	}
	for k, v := range fa {
		if w, ok := fb[k]; ok && v != w {
			return false
		}
	}
	return true
}

const editColumns = `SELECT seq, made, who, what, text, coalesce(undoes, 0), coalesce(undone_by, 0) FROM edit`

func scanEdit(s scanner) (e Edit, err error) {
	return e, s.Scan(&e.Seq, &e.Made, &e.Who, &e.What, &e.Text, &e.Undoes, &e.UndoneBy)
}

// Edits are the journal's entries, the newest first: at most limit, of those
// before the entry before (0 for the newest).
func (c *Collection) Edits(ctx context.Context, before int64, limit int) ([]Edit, error) {
	return collect(ctx, c.read, scanEdit, editColumns+" WHERE ?1 = 0 OR seq < ?1 ORDER BY seq DESC LIMIT ?2", before, limit)
}

// Edit is one entry of the journal, with the specimens it touched.
func (c *Collection) Edit(ctx context.Context, seq int64) (Edit, error) {
	e, err := scanEdit(c.read.QueryRowContext(ctx, editColumns+" WHERE seq = ?", seq))
	if err != nil {
		return e, notFound(err, "edit", fmt.Sprint(seq))
	}
	e.Specimens, err = collect(ctx, c.read, func(s scanner) (id string, err error) { return id, s.Scan(&id) },
		"SELECT DISTINCT specimen_id FROM change WHERE edit_seq = ? AND specimen_id IS NOT NULL ORDER BY 1", seq)
	return e, err
}

// editsOf are the edits that touched a specimen, the newest first.
func (c *Collection) editsOf(ctx context.Context, specimen string) ([]Edit, error) {
	return collect(ctx, c.read, scanEdit,
		editColumns+" WHERE seq IN (SELECT edit_seq FROM change WHERE specimen_id = ?) ORDER BY seq DESC", specimen)
}
