package collection

import (
	"context"
	"database/sql"
	"errors"
	"slices"
	"strings"

	"tawsight/internal/record"
)

// State is where a specimen stands.
type State string

const (
	Labelled  State = "labelled"   // somebody said what it is
	LeftOpen  State = "left-open"  // somebody looked, and left it undecided
	Doubtful  State = "doubtful"   // the comparison is between two sets
	UnlikeAny State = "unlike-any" // the comparison finds no set for it
	Suggested State = "suggested"  // the comparison names a set; nobody confirmed it
	Unjudged  State = "unjudged"   // not compared: no sets yet, or too poor a photo
)

// States are all of them.
var States = []State{Labelled, LeftOpen, Doubtful, UnlikeAny, Suggested, Unjudged}

// Undecided says that nobody has labelled it yet.
func (s State) Undecided() bool { return s != Labelled }

// Words is the state in plain words.
func (s State) Words() string {
	return map[State]string{
		Labelled: "labelled", LeftOpen: "left open", Doubtful: "between two sets", UnlikeAny: "unlike any set",
		Suggested: "suggested, not confirmed", Unjudged: "not compared",
	}[s]
}

// refresh works the specimens' standing out anew.
func refresh(ctx context.Context, tx *sql.Tx, ids []string) error {
	ids = slices.Clone(ids)
	slices.Sort(ids)
	for _, id := range slices.Compact(ids) {
		if err := refreshOne(ctx, tx, id); err != nil {
			return err
		}
	}
	return nil
}

// Rebuild works every specimen's standing out anew.
func (c *Collection) Rebuild(ctx context.Context) error {
	return c.inTx(ctx, func(tx *sql.Tx) error {
		ids, err := collect(ctx, tx, func(s scanner) (id string, err error) { return id, s.Scan(&id) }, "SELECT id FROM specimen")
		if err != nil {
			return err
		}
		return refresh(ctx, tx, ids)
	})
}

func refreshOne(ctx context.Context, tx *sql.Tx, id string) error {
	for _, q := range []string{"DELETE FROM specimen_now WHERE specimen_id = ?", "DELETE FROM specimen_colour WHERE specimen_id = ?"} {
		if _, err := tx.ExecContext(ctx, q, id); err != nil {
			return writeError(err)
		}
	}
	var name, provenance, own string
	var contributor sql.NullString
	err := tx.QueryRowContext(ctx, `SELECT s.name, s.provenance, s.contributor_id, coalesce(k.name, '') FROM specimen s
		LEFT JOIN contributor k ON k.id = s.contributor_id WHERE s.id = ? AND s.merged_into IS NULL`, id).Scan(&name, &provenance, &contributor, &own)
	if errors.Is(err, sql.ErrNoRows) {
		return nil // joined to another, or taken back
	}
	if err != nil {
		return writeError(err)
	}
	all, err := sightingsWhole(ctx, tx, id)
	if err != nil || len(all) == 0 {
		return err
	}
	best := all[0]
	labels, err := labelsOf(ctx, tx, id)
	if err != nil {
		return err
	}
	opinions, err := collect(ctx, tx, scanOpinion, opinionColumns+` JOIN setting g ON g.name = 'edition' AND g.value = o.edition_id
		WHERE o.specimen_id = ? ORDER BY o.made DESC, o.rowid DESC LIMIT 1`, id)
	if err != nil {
		return err
	}
	if !contributor.Valid {
		if err := tx.QueryRowContext(ctx, "SELECT contributor_id FROM photo WHERE sha256 = ?", best.Photo).Scan(&contributor); err != nil {
			return writeError(err)
		}
	}
	tags, err := collect(ctx, tx, func(s scanner) (t string, err error) { return t, s.Scan(&t) }, "SELECT tag FROM tag WHERE specimen_id = ?", id)
	if err != nil {
		return err
	}
	texts, err := collect(ctx, tx, func(s scanner) (t string, err error) { return t, s.Scan(&t) },
		"SELECT text FROM remark WHERE specimen_id = ?1 UNION ALL SELECT grade || ' ' || text FROM condition_note WHERE specimen_id = ?1", id)
	if err != nil {
		return err
	}
	title := titleOf(name, all)
	words := []string{title, provenance, own, best.Contributor, best.PhotoName}
	words = append(append(words, tags...), texts...)

	state, sure := Unjudged, Sure("")
	var setID, opinionSet, nextSet, opinionP, nextP any
	doubt := 0.0
	if len(opinions) > 0 && opinions[0].Status != "" {
		o := opinions[0]
		state = map[string]State{"assigned": Suggested, "doubtful": Doubtful, "unlike-any": UnlikeAny}[o.Status]
		opinionSet, opinionP = nullable(o.SetID), o.P
		if o.NextID != "" {
			nextSet, nextP = o.NextID, o.NextP
			if o.P > 0 {
				doubt = min(1, o.NextP/o.P)
			}
		}
	}
	if len(labels) > 0 {
		l := labels[0]
		state, sure = LeftOpen, l.Sure
		if l.SetID != "" {
			state, setID = Labelled, l.SetID
			words = append(words, l.Set)
		}
	}

	m := best.Marble
	var base struct{ l, a, b, translucency any }
	var kind, look, baseName, ribbonName string
	if m.Base != nil {
		base.l, base.a, base.b, base.translucency = m.Base.Lab[0], m.Base.Lab[1], m.Base.Lab[2], m.Base.Translucency
		kind, look, baseName = m.Base.Kind, m.Base.Look, m.Base.Name
		words = append(words, kind, look, baseName)
	}
	ribbons := slices.Clone(m.Ribbons)
	slices.SortStableFunc(ribbons, func(a, b record.Ribbon) int {
		switch {
		case a.AreaFraction > b.AreaFraction:
			return -1
		case a.AreaFraction < b.AreaFraction:
			return 1
		}
		return 0
	})
	var ribbon [3]any
	if len(ribbons) > 0 {
		ribbon = [3]any{ribbons[0].Lab[0], ribbons[0].Lab[1], ribbons[0].Lab[2]}
		ribbonName = ribbons[0].Name
	}
	for _, r := range ribbons {
		words = append(words, r.Name)
	}
	var bubble, glow any
	if m.Bubble != nil {
		bubble = m.Bubble.Present
	}
	for _, s := range all {
		if s.Marble.Glow != nil {
			glow = s.Marble.Glow.Share
			break
		}
	}
	verdict := best.Record.Verdict
	if m.Verdict != nil {
		verdict = *m.Verdict
	}
	poor := verdict.Size == record.Unusable || verdict.Colour == record.Unusable || verdict.Pattern == record.Unusable

	var added string
	if err := tx.QueryRowContext(ctx, "SELECT min(p.added) FROM sighting g JOIN photo p ON p.sha256 = g.photo WHERE g.specimen_id = ?", id).Scan(&added); err != nil {
		return writeError(err)
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO specimen_now (specimen_id, title, title_order, figure_id, photo, number, sightings, diameter_mm, diameter_u95_mm, size_class,
		base_kind, base_look, base_name, base_l, base_a, base_b, ribbons, ribbon_l, ribbon_a, ribbon_b, ribbon_name, translucency, busyness, bubble, glow,
		set_id, sure, state, opinion_set_id, opinion_p, next_set_id, next_p, doubt, contributor_id, taken, added, poor, words)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		id, title, titleOrder(title), best.FigureID, best.Photo, best.Number, len(all), m.DiameterMM, m.DiameterU95MM, m.SizeClass,
		kind, look, baseName, base.l, base.a, base.b, len(m.Ribbons), ribbon[0], ribbon[1], ribbon[2], ribbonName, base.translucency, m.Busyness, bubble, glow,
		setID, string(sure), string(state), opinionSet, opinionP, nextSet, nextP, doubt, contributor, best.Taken, added, poor, strings.ToLower(strings.Join(words, "\n")))
	if err != nil {
		return writeError(err)
	}
	colour := func(part string, place int, lab [3]float64, area float64) error {
		_, err := tx.ExecContext(ctx, "INSERT INTO specimen_colour (specimen_id, part, place, l, a, b, area) VALUES (?, ?, ?, ?, ?, ?, ?)", id, part, place, lab[0], lab[1], lab[2], area)
		return writeError(err)
	}
	if m.Base != nil {
		left := 1.0
		for _, r := range ribbons {
			left -= r.AreaFraction
		}
		if err := colour("base", 0, m.Base.Lab, max(0, left)); err != nil {
			return err
		}
	}
	for i, r := range ribbons {
		if err := colour("ribbon", i, r.Lab, r.AreaFraction); err != nil {
			return err
		}
	}
	return nil
}

func nullable(s string) any {
	if s == "" {
		return nil
	}
	return s
}

// titleOrder is a title with its numbers made as long as the longest, so that it
// sorts as people count, whatever the case of its letters.
func titleOrder(title string) string {
	const digits = 12
	var b strings.Builder
	number := ""
	flush := func() {
		if number != "" {
			b.WriteString(strings.Repeat("0", max(0, digits-len(number))) + number)
			number = ""
		}
	}
	for _, r := range strings.ToLower(title) {
		if r >= '0' && r <= '9' {
			number += string(r)
			continue
		}
		flush()
		b.WriteRune(r)
	}
	flush()
	return b.String()
}
