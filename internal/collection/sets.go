package collection

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// Set is one of the collector's own sets.
type Set struct {
	ID         string
	Name       string
	Note       string // what the collector says of it
	Created    string
	MergedInto string // the set it was merged into; empty while it stands
	Retired    bool
	// Members is how many specimens are labelled with it now, Certain how many of
	// them for certain: those teach the comparison.
	Members, Certain int
}

const setColumns = `SELECT s.id, s.name, s.note, s.created, coalesce(s.merged_into, ''), s.retired,
	(SELECT count(*) FROM specimen_now n WHERE n.set_id = s.id),
	(SELECT count(*) FROM specimen_now n WHERE n.set_id = s.id AND n.sure = 'certain') FROM label_set s`

func scanSet(s scanner) (v Set, err error) {
	return v, s.Scan(&v.ID, &v.Name, &v.Note, &v.Created, &v.MergedInto, &v.Retired, &v.Members, &v.Certain)
}

// Sets are the sets that stand, by name.
func (c *Collection) Sets(ctx context.Context) ([]Set, error) {
	return collect(ctx, c.read, scanSet, setColumns+" WHERE s.retired = 0 ORDER BY s.name")
}

// AllSets are all sets, those that were merged into others too.
func (c *Collection) AllSets(ctx context.Context) ([]Set, error) {
	return collect(ctx, c.read, scanSet, setColumns+" ORDER BY s.retired, s.name, s.created")
}

// Set is one set, retired or not.
func (c *Collection) Set(ctx context.Context, id string) (Set, error) {
	s, err := scanSet(c.read.QueryRowContext(ctx, setColumns+" WHERE s.id = ?", id))
	return s, notFound(err, "set", id)
}

func setIn(ctx context.Context, tx *sql.Tx, id string) (Set, error) {
	s, err := scanSet(tx.QueryRowContext(ctx, setColumns+" WHERE s.id = ?", id))
	if err != nil {
		return s, notFound(err, "set", id)
	}
	if s.Retired {
		return s, fmt.Errorf("%w: the set %s is no longer in use", ErrInvalid, s.Name)
	}
	return s, nil
}

// Longest texts that are kept, characters.
const (
	maxName = 120
	maxText = 20000
)

// cleanName is a name on one line, in Unicode's composed form; the error says
// what is wrong with it.
func cleanName(what, s string) (string, error) {
	s = norm.NFC.String(strings.Join(strings.Fields(s), " "))
	switch {
	case s == "":
		return "", fmt.Errorf("%w: the %s has no name", ErrInvalid, what)
	case !utf8.ValidString(s) || strings.ContainsFunc(s, unicode.IsControl):
		return "", fmt.Errorf("%w: the name of the %s has characters that can't be shown", ErrInvalid, what)
	case utf8.RuneCountInString(s) > maxName:
		return "", fmt.Errorf("%w: the name of the %s is longer than %d letters", ErrInvalid, what, maxName)
	}
	return s, nil
}

// cleanText is free text as it is kept.
func cleanText(s string) (string, error) {
	s = strings.TrimSpace(norm.NFC.String(strings.ReplaceAll(s, "\r\n", "\n")))
	switch {
	case !utf8.ValidString(s) || strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }):
		return "", fmt.Errorf("%w: the text has characters that can't be shown", ErrInvalid)
	case utf8.RuneCountInString(s) > maxText:
		return "", fmt.Errorf("%w: the text is longer than %d letters", ErrInvalid, maxText)
	}
	return s, nil
}

// SetNamed finds the set of that name, or makes it, in one edit.
func (c *Collection) SetNamed(ctx context.Context, who, name string) (Set, error) {
	var id string
	_, err := c.edit(ctx, who, "new-set", func(tx *sql.Tx) (text string, err error) {
		id, err = setNamed(ctx, tx, name)
		return "new set " + name, err
	})
	if err != nil {
		return Set{}, err
	}
	return c.Set(ctx, id)
}

func setNamed(ctx context.Context, tx *sql.Tx, name string) (id string, err error) {
	if name, err = cleanName("set", name); err != nil {
		return "", err
	}
	err = tx.QueryRowContext(ctx, "SELECT id FROM label_set WHERE name = ? AND retired = 0", name).Scan(&id)
	if err == sql.ErrNoRows {
		// The same set in two collections is one when they are brought together,
		// unless an older one of that name was retired here.
		id = derivedID("set", name)
		if tx.QueryRowContext(ctx, "SELECT id FROM label_set WHERE id = ?", id).Scan(new(string)) == nil {
			id = newID()
		}
		_, err = tx.ExecContext(ctx, "INSERT INTO label_set (id, name, created) VALUES (?, ?, ?)", id, name, now())
	}
	return id, writeError(err)
}

// RenameSet gives a set another name and note.
func (c *Collection) RenameSet(ctx context.Context, who, id, name, note string) (Edit, error) {
	return c.edit(ctx, who, "rename-set", func(tx *sql.Tx) (string, error) {
		s, err := setIn(ctx, tx, id)
		if err != nil {
			return "", err
		}
		if name, err = cleanName("set", name); err != nil {
			return "", err
		}
		if note, err = cleanText(note); err != nil {
			return "", err
		}
		if name == s.Name && note == s.Note {
			return "", nil
		}
		var taken int
		if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM label_set WHERE name = ? AND id <> ? AND retired = 0", name, id).Scan(&taken); err != nil {
			return "", writeError(err)
		}
		if taken > 0 {
			return "", fmt.Errorf("%w: there is a set %s already; merge the two instead", ErrInvalid, name)
		}
		_, err = tx.ExecContext(ctx, "UPDATE label_set SET name = ?, note = ? WHERE id = ?", name, note, id)
		if name == s.Name {
			return "note on set " + name, writeError(err)
		}
		return fmt.Sprintf("set %s renamed %s", s.Name, name), writeError(err)
	})
}

// MergeSets labels all members of one set with another, each as sure as before,
// and retires the first.
func (c *Collection) MergeSets(ctx context.Context, who, from, into string) (Edit, error) {
	who = somebody(who)
	return c.edit(ctx, who, "merge-sets", func(tx *sql.Tx) (string, error) {
		a, err := setIn(ctx, tx, from)
		if err != nil {
			return "", err
		}
		b, err := setIn(ctx, tx, into)
		if err != nil {
			return "", err
		}
		if a.ID == b.ID {
			return "", fmt.Errorf("%w: a set can't be merged into itself", ErrInvalid)
		}
		members, err := membersOf(ctx, tx, from)
		if err != nil {
			return "", err
		}
		if err := relabel(ctx, tx, who, members, into, fmt.Sprintf("the set %s was merged into %s", a.Name, b.Name)); err != nil {
			return "", err
		}
		_, err = tx.ExecContext(ctx, "UPDATE label_set SET retired = 1, merged_into = ? WHERE id = ?", into, from)
		return fmt.Sprintf("set %s (%s) merged into %s", a.Name, specimens(len(members)), b.Name), writeError(err)
	})
}

// SplitSet moves some members of a set to a new set of that name, each as sure
// as before.
func (c *Collection) SplitSet(ctx context.Context, who, from, name string, members []string) (Set, Edit, error) {
	who = somebody(who)
	var id string
	e, err := c.edit(ctx, who, "split-set", func(tx *sql.Tx) (string, error) {
		a, err := setIn(ctx, tx, from)
		if err != nil {
			return "", err
		}
		if name, err = cleanName("set", name); err != nil {
			return "", err
		}
		if tx.QueryRowContext(ctx, "SELECT id FROM label_set WHERE name = ? AND retired = 0", name).Scan(new(string)) == nil {
			return "", fmt.Errorf("%w: there is a set %s already", ErrInvalid, name)
		}
		own, err := membersOf(ctx, tx, from)
		if err != nil {
			return "", err
		}
		is := map[string]bool{}
		for _, m := range own {
			is[m] = true
		}
		for _, m := range members {
			if !is[m] {
				return "", fmt.Errorf("%w: one of the marbles chosen is not in the set %s", ErrInvalid, a.Name)
			}
		}
		if len(members) == 0 {
			return "", fmt.Errorf("%w: no marble was chosen for the new set", ErrInvalid)
		}
		if id, err = setNamed(ctx, tx, name); err != nil {
			return "", err
		}
		err = relabel(ctx, tx, who, members, id, fmt.Sprintf("split from the set %s", a.Name))
		return fmt.Sprintf("set %s split from %s (%s)", name, a.Name, specimens(len(members))), err
	})
	if err != nil {
		return Set{}, e, err
	}
	s, err := c.Set(ctx, id)
	return s, e, err
}

func specimens(n int) string {
	if n == 1 {
		return "1 marble"
	}
	return fmt.Sprintf("%d marbles", n)
}

func membersOf(ctx context.Context, q queryer, set string) ([]string, error) {
	return collect(ctx, q, func(s scanner) (id string, err error) { return id, s.Scan(&id) },
		"SELECT specimen_id FROM specimen_now WHERE set_id = ? ORDER BY specimen_id", set)
}

// relabel adds a label with another set to each specimen, as sure as its last.
func relabel(ctx context.Context, tx *sql.Tx, who string, members []string, set, evidence string) error {
	for _, m := range members {
		_, err := tx.ExecContext(ctx, `INSERT INTO label (id, specimen_id, set_id, who, made, sure, evidence)
			SELECT ?, specimen_id, ?, ?, ?, sure, ? FROM specimen_now WHERE specimen_id = ?`, newID(), set, who, now(), evidence, m)
		if err != nil {
			return writeError(err)
		}
	}
	return nil
}
