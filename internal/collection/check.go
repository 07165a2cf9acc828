package collection

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// checkedAtOnce is how many specimens are worked out anew while others wait: a
// tenth of a second's worth.
const checkedAtOnce = 100

// Check looks whether the file is whole: by SQLite's own check, whether every
// row that another points to is there, and whether what is worked out of the
// rest is what it would be now. It gives what it found wrong, in words; nothing
// is changed.
func (c *Collection) Check(ctx context.Context) (wrong []string, err error) {
	if wrong, err = integrity(ctx, c.read); err != nil || len(wrong) > 0 {
		return wrong, err
	}
	ids, err := collect(ctx, c.read, func(s scanner) (id string, err error) { return id, s.Scan(&id) },
		"SELECT id FROM specimen UNION SELECT specimen_id FROM specimen_now ORDER BY 1")
	if err != nil {
		return nil, err
	}
	for some := range slices.Chunk(ids, checkedAtOnce) {
		var stale []string
		err := c.inTx(ctx, func(tx *sql.Tx) error {
			before, err := standings(ctx, tx, some)
			if err != nil {
				return err
			}
			if err := refresh(ctx, tx, some); err != nil {
				return err
			}
			after, err := standings(ctx, tx, some)
			if err != nil {
				return err
			}
			for _, id := range some {
				if before[id] != after[id] {
					stale = append(stale, "how the marble "+id+" stands is not what its labels and figures say")
				}
			}
			return errChecked // nothing is kept
		})
		if !errors.Is(err, errChecked) {
			return nil, err
		}
		wrong = append(wrong, stale...)
	}
	return wrong, nil
}

var errChecked = errors.New("checked")

// integrity is what SQLite finds wrong with a database.
func integrity(ctx context.Context, q queryer) ([]string, error) {
	lines, err := collect(ctx, q, func(s scanner) (l string, err error) { return l, s.Scan(&l) }, "PRAGMA integrity_check")
	if err != nil {
		return nil, err
	}
	if len(lines) == 1 && lines[0] == "ok" {
		lines = nil
	}
	broken, err := collect(ctx, q, func(s scanner) (string, error) {
		var table, parent string
		var row, key sql.NullInt64
		err := s.Scan(&table, &row, &parent, &key)
		return fmt.Sprintf("a row of %s points to a row of %s that is not there", table, parent), err
	}, "PRAGMA foreign_key_check")
	return append(lines, broken...), err
}

// standings are the rows that are worked out, as text, by specimen.
func standings(ctx context.Context, tx *sql.Tx, ids []string) (map[string]string, error) {
	out := map[string]string{}
	for _, table := range []string{"specimen_now", "specimen_colour"} {
		columns, err := columnsOf(ctx, tx, table)
		if err != nil {
			return nil, err
		}
		args := make([]any, len(ids))
		for i, id := range ids {
			args[i] = id
		}
		type row struct{ id, text string }
		rows, err := collect(ctx, tx, func(s scanner) (r row, err error) { return r, s.Scan(&r.id, &r.text) },
			"SELECT specimen_id, "+rowJSON(columns, "")+" FROM "+table+" WHERE specimen_id IN (?"+strings.Repeat(", ?", len(ids)-1)+") ORDER BY 1, 2", args...)
		if err != nil {
			return nil, err
		}
		for _, r := range rows {
			out[r.id] += r.text + "\n"
		}
	}
	return out, nil
}
