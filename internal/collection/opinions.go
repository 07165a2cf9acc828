package collection

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"

	"tawsight/internal/record"
)

// Edition is what was learnt from the labels at one time.
type Edition struct {
	ID       string
	Made     string
	Who      string
	MadeBy   record.MadeBy // Tawsight and Features
	Summary  EditionSummary
	Model    []byte // as classify.Model.Encode writes it; empty in lists
	InForce  bool
	Opinions int // marbles it spoke of
}

// EditionSummary is what an edition rests on.
type EditionSummary struct {
	Sets   []EditionSet `json:"sets"`
	Tested int          `json:"tested"` // specimens tried with themselves left out
	Right  int          `json:"right"`
	// Labels is a fingerprint of the labels and figures that it was learnt from:
	// where it differs from today's, there is something new to learn.
	Labels   string   `json:"labels"`
	Warnings []string `json:"warnings,omitempty"`
	// Test is all that leaving out has shown, as internal/opinions writes it.
	Test json.RawMessage `json:"test,omitempty"`
}

// EditionSet is one set as an edition knew it.
type EditionSet struct {
	ID        string `json:"id"`
	Name      string `json:"name"`
	Specimens int    `json:"specimens"` // that it was learnt from
}

// Opinion is what an edition of the comparison said of a specimen.
type Opinion struct {
	ID         string
	EditionID  string
	SpecimenID string
	Made       string
	Status     string // assigned, doubtful, unlike-any; empty where it could not be compared
	WhyNot     string // then, why
	SetID, Set string // the likeliest; the set as it is called now
	P          float64
	NextID     string // the next likely
	Next       string
	NextP      float64
	PValue     float64
	// Attribution is all that was said, in the names of the day.
	Attribution *record.Attribution
}

const opinionColumns = `SELECT o.id, o.edition_id, o.specimen_id, o.made, o.status, o.why_not, coalesce(o.set_id, ''), coalesce(a.name, ''), coalesce(o.probability, 0),
	coalesce(o.next_set_id, ''), coalesce(b.name, ''), coalesce(o.next_probability, 0), coalesce(o.p_value, 0), o.attribution
	FROM opinion o LEFT JOIN label_set a ON a.id = o.set_id LEFT JOIN label_set b ON b.id = o.next_set_id`

func scanOpinion(s scanner) (o Opinion, err error) {
	var text string
	err = s.Scan(&o.ID, &o.EditionID, &o.SpecimenID, &o.Made, &o.Status, &o.WhyNot, &o.SetID, &o.Set, &o.P, &o.NextID, &o.Next, &o.NextP, &o.PValue, &text)
	if err == nil && text != "" {
		err = json.Unmarshal([]byte(text), &o.Attribution)
	}
	return o, err
}

// Opinions are what the edition says, by specimen.
func (c *Collection) Opinions(ctx context.Context, edition string) (map[string]Opinion, error) {
	all, err := collect(ctx, c.read, scanOpinion, opinionColumns+" WHERE o.edition_id = ? ORDER BY o.made, o.rowid", edition)
	if err != nil {
		return nil, err
	}
	out := make(map[string]Opinion, len(all))
	for _, o := range all {
		out[o.SpecimenID] = o
	}
	return out, nil
}

const editionColumns = `SELECT e.id, e.made, e.who, e.tawsight, e.features, e.summary, %s,
	coalesce((SELECT value FROM setting WHERE name = 'edition'), '') = e.id, (SELECT count(*) FROM opinion o WHERE o.edition_id = e.id) FROM edition e`

func scanEdition(s scanner) (e Edition, err error) {
	var summary string
	err = s.Scan(&e.ID, &e.Made, &e.Who, &e.MadeBy.Tawsight, &e.MadeBy.Features, &summary, &e.Model, &e.InForce, &e.Opinions)
	if err == nil {
		err = json.Unmarshal([]byte(summary), &e.Summary)
	}
	return e, err
}

// Editions are all editions of the comparison, the latest first, without models.
func (c *Collection) Editions(ctx context.Context) ([]Edition, error) {
	return collect(ctx, c.read, scanEdition, fmt.Sprintf(editionColumns, "x''")+" ORDER BY e.made DESC, e.rowid DESC")
}

// EditionInForce is the edition whose opinions stand; ok is false where there
// has been none.
func (c *Collection) EditionInForce(ctx context.Context) (e Edition, ok bool, err error) {
	e, err = scanEdition(c.read.QueryRowContext(ctx, fmt.Sprintf(editionColumns, "e.model")+" WHERE e.id = (SELECT value FROM setting WHERE name = 'edition')"))
	if errors.Is(err, sql.ErrNoRows) {
		return Edition{}, false, nil
	}
	return e, err == nil, notFound(err, "edition", "in force")
}

// TakeOver keeps a new edition with its opinions and puts it in force, as one
// edit. Undoing that puts the earlier one back in force; both stay readable.
func (c *Collection) TakeOver(ctx context.Context, who string, e Edition, opinions []Opinion) (Edition, Edit, error) {
	who = somebody(who)
	e.ID, e.Made, e.Who = newID(), now(), who
	edit, err := c.edit(ctx, who, "re-attribute", func(tx *sql.Tx) (string, error) {
		summary, err := json.Marshal(e.Summary)
		if err != nil {
			return "", err
		}
		if _, err := tx.ExecContext(ctx, "INSERT INTO edition (id, made, who, tawsight, features, summary, model) VALUES (?, ?, ?, ?, ?, ?, ?)",
			e.ID, e.Made, e.Who, e.MadeBy.Tawsight, e.MadeBy.Features, string(summary), e.Model); err != nil {
			return "", writeError(err)
		}
		if err := addOpinions(ctx, tx, e.ID, e.Made, opinions); err != nil {
			return "", err
		}
		// The setting alone is journalled.
		_, err = tx.ExecContext(ctx, "INSERT INTO setting (name, value) VALUES ('edition', ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value", e.ID)
		return fmt.Sprintf("compared anew with %s: %s", sets(len(e.Summary.Sets)), specimens(len(opinions))), writeError(err)
	})
	return e, edit, err
}

func sets(n int) string {
	if n == 1 {
		return "1 set"
	}
	return fmt.Sprintf("%d sets", n)
}

// AddOpinions keeps what the edition in force says of specimens that it has not
// spoken of yet, or whose photos were joined or parted since.
func (c *Collection) AddOpinions(ctx context.Context, edition string, opinions []Opinion) error {
	return c.inTx(ctx, func(tx *sql.Tx) error {
		if err := addOpinions(ctx, tx, edition, now(), opinions); err != nil {
			return err
		}
		var ids []string
		for _, o := range opinions {
			ids = append(ids, o.SpecimenID)
		}
		return refresh(ctx, tx, ids)
	})
}

func addOpinions(ctx context.Context, tx *sql.Tx, edition, made string, opinions []Opinion) error {
	insert, err := tx.PrepareContext(ctx, `INSERT INTO opinion (id, edition_id, specimen_id, made, status, set_id, probability, next_set_id, next_probability, p_value, why_not, attribution)
		VALUES (?, ?, ?, ?, ?, nullif(?, ''), ?, nullif(?, ''), ?, ?, ?, ?)`)
	if err != nil {
		return writeError(err)
	}
	defer insert.Close()
	for _, o := range opinions {
		text := []byte{}
		if o.Attribution != nil {
			if text, err = json.Marshal(o.Attribution); err != nil {
				return err
			}
		}
		if _, err := insert.ExecContext(ctx, newID(), edition, o.SpecimenID, made, o.Status, o.SetID, o.P, o.NextID, o.NextP, o.PValue, o.WhyNot, string(text)); err != nil {
			return writeError(err)
		}
	}
	return nil
}

// Taught is a labelled specimen's sighting, as the comparison learns from it.
type Taught struct {
	SpecimenID string
	Title      string
	Named      bool   // the collector gave it a name
	SetID, Set string // its label; empty for a specimen to compare
	Sure       Sure
	Sighting   Sighting
}

// EachSighting calls f for every sighting that was measured by daylight, with
// its specimen's label as it stands; sightings of one specimen follow one
// another, the best first. It stops at f's first error. With only specimens
// named it goes through those alone.
func (c *Collection) EachSighting(ctx context.Context, only []string, f func(Taught) error) error {
	var filter string
	var args []any
	if only != nil {
		ids, err := json.Marshal(only)
		if err != nil {
			return err
		}
		filter, args = " AND n.specimen_id IN (SELECT value FROM json_each(?))", []any{string(ids)}
	}
	rows, err := c.read.QueryContext(ctx, `SELECT n.specimen_id, n.title, s.name <> '', coalesce(n.set_id, ''), coalesce(t.name, ''), n.sure,
			g.id, g.photo, p.name, p.taken, f.number, f.id, m.record, f.marble, m.made, coalesce(k.name, ''),
			CASE WHEN s.permission <> '' THEN s.permission WHEN p.permission <> '' THEN p.permission ELSE coalesce(k.permission, '') END
		FROM specimen_now n JOIN specimen s ON s.id = n.specimen_id JOIN sighting g ON g.specimen_id = n.specimen_id JOIN photo p ON p.sha256 = g.photo
		JOIN figure f ON f.id = (SELECT f2.id FROM figure f2 JOIN measurement m2 ON m2.id = f2.measurement_id
			WHERE f2.sighting_id = g.id ORDER BY m2.features DESC, m2.asked DESC, m2.id LIMIT 1)
		JOIN measurement m ON m.id = f.measurement_id
		LEFT JOIN label_set t ON t.id = n.set_id
		LEFT JOIN contributor k ON k.id = coalesce(s.contributor_id, p.contributor_id)
		WHERE json_extract(f.marble, '$.features') <> '{}'`+filter+`
		ORDER BY n.specimen_id, f.id = n.figure_id DESC, p.added, g.id`, args...)
	if err != nil {
		return fmt.Errorf("the collection can't be read: %w", err)
	}
	defer rows.Close()
	photos := map[string]record.Photo{} // one photo shows many marbles
	for rows.Next() {
		var v Taught
		var rec, marble string
		if err := rows.Scan(&v.SpecimenID, &v.Title, &v.Named, &v.SetID, &v.Set, (*string)(&v.Sure), &v.Sighting.ID, &v.Sighting.Photo, &v.Sighting.PhotoName,
			&v.Sighting.Taken, &v.Sighting.Number, &v.Sighting.FigureID, &rec, &marble, &v.Sighting.Measured, &v.Sighting.Contributor, (*string)(&v.Sighting.Permission)); err != nil {
			return fmt.Errorf("the collection can't be read: %w", err)
		}
		key := v.Sighting.Photo + v.Sighting.Measured
		known, ok := photos[key]
		if !ok {
			if err := json.Unmarshal([]byte(rec), &known); err != nil {
				return fmt.Errorf("the collection can't be read: %w", err)
			}
			known.Path = v.Sighting.PhotoName
			photos[key] = known
		}
		v.Sighting.Record = known
		if err := json.Unmarshal([]byte(marble), &v.Sighting.Marble); err != nil {
			return fmt.Errorf("the collection can't be read: %w", err)
		}
		if err := f(v); err != nil {
			return err
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("the collection can't be read: %w", err)
	}
	return nil
}

// Fingerprint is the same as long as the labels that teach, their sets' names and
// the figures of the specimens that they are on stay the same.
func (c *Collection) Fingerprint(ctx context.Context) (string, error) {
	parts, err := collect(ctx, c.read, func(s scanner) (t string, err error) { return t, s.Scan(&t) },
		`SELECT n.specimen_id || ' ' || n.set_id || ' ' || t.name || ' ' || coalesce((SELECT group_concat(f, ' ') FROM
			(SELECT (SELECT f2.id FROM figure f2 JOIN measurement m2 ON m2.id = f2.measurement_id WHERE f2.sighting_id = g.id
				ORDER BY m2.features DESC, m2.asked DESC, m2.id LIMIT 1) AS f FROM sighting g WHERE g.specimen_id = n.specimen_id ORDER BY g.id)), '')
		FROM specimen_now n JOIN label_set t ON t.id = n.set_id WHERE n.sure = 'certain' ORDER BY n.specimen_id`)
	if err != nil {
		return "", err
	}
	return derivedID(append([]string{"labels"}, parts...)...), nil
}

// Unspoken are the specimens that the edition has not spoken of since they came
// to be, or since photos of theirs were joined or parted or measured anew.
func (c *Collection) Unspoken(ctx context.Context, edition string) ([]string, error) {
	return collect(ctx, c.read, func(s scanner) (id string, err error) { return id, s.Scan(&id) }, `
		SELECT n.specimen_id FROM specimen_now n WHERE coalesce((SELECT max(o.made) FROM opinion o WHERE o.edition_id = ? AND o.specimen_id = n.specimen_id), '') <
			max(coalesce((SELECT max(m.asked) FROM sighting g JOIN figure f ON f.sighting_id = g.id JOIN measurement m ON m.id = f.measurement_id WHERE g.specimen_id = n.specimen_id), ''),
				coalesce((SELECT max(e.made) FROM change h JOIN edit e ON e.seq = h.edit_seq WHERE h.specimen_id = n.specimen_id AND h.tab = 'sighting'), ''))
		ORDER BY n.specimen_id`, edition)
}

// GuideEdition is an edition of the identification guide, as far as the next
// needs it.
type GuideEdition struct {
	ID, Made, Title string
	Summary         []byte // JSON
}

// LastGuide is the latest guide that was made; ok is false where there is none.
func (c *Collection) LastGuide(ctx context.Context) (g GuideEdition, ok bool, err error) {
	err = c.read.QueryRowContext(ctx, "SELECT id, made, title, summary FROM guide_edition ORDER BY made DESC, rowid DESC LIMIT 1").Scan(&g.ID, &g.Made, &g.Title, &g.Summary)
	if errors.Is(err, sql.ErrNoRows) {
		return g, false, nil
	}
	return g, err == nil, notFound(err, "guide", "the last")
}

// KeepGuide notes that a guide was made.
func (c *Collection) KeepGuide(ctx context.Context, title string, summary []byte) error {
	return c.inTx(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "INSERT INTO guide_edition (id, made, title, summary) VALUES (?, ?, ?, ?)", newID(), now(), title, string(summary))
		return writeError(err)
	})
}
