package collection

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"tawsight/internal/record"
	"tawsight/internal/refset"
)

// Sure is how sure somebody is of a label.
type Sure string

// Only labels given for certain teach the comparison: what was accepted from it
// must not come back as evidence for itself.
const (
	Certain Sure = "certain"
	Likely  Sure = "likely"
	Guess   Sure = "guess"
)

// Sures are all of them, the surest first.
var Sures = []Sure{Certain, Likely, Guess}

// Label is what somebody said a specimen is, and when.
type Label struct {
	ID       string
	SetID    string // empty: looked at and left undecided
	Set      string // the set's name
	Who      string
	Made     string
	Sure     Sure
	Evidence string
	// Opinion is what the comparison said when this was decided; nil for nothing.
	Opinion *record.Attribution
}

// Condition is what somebody said of a specimen's state.
type Condition struct {
	ID    string
	Grade string // one of Grades, or empty
	Text  string
	Who   string
	Made  string
}

// Grades are words of the trade for a marble's surface, the best first (common
// practice: dealers' lists use these or much the same; no standard binds them).
var Grades = []string{"mint", "near mint", "good", "collectible", "damaged"}

// ConditionWords are words of the trade for what there is to see on a surface, to
// choose from; any others may be written (common practice, from memory).
var ConditionWords = []string{"as made", "crease", "cut-off mark", "chip", "flake", "moon", "pit", "scratch", "haze", "wear", "polished"}

// Remark is a note on a specimen.
type Remark struct {
	ID, Text, Who, Made string
}

// Sighting is a specimen in one photo, as the latest measurement has it.
type Sighting struct {
	ID          string
	Photo       string // SHA-256
	PhotoName   string
	Taken       string
	Number      int    // in that photo, from 1
	FigureID    string // for its picture
	Record      record.Photo
	Marble      record.Marble
	Measured    string
	Earlier     int // measurements of it before the latest
	Contributor string
	Permission  refset.Permission
}

// Specimen is one marble with all that is known of it.
type Specimen struct {
	ID            string
	Name          string // as it was named; Title is never empty
	Title         string
	Created       string
	MergedInto    string
	Contributor   string // its own, else its best photo's
	ContributorID string // its own alone
	Permission    refset.Permission
	OwnPermission refset.Permission // its own alone
	Provenance    string
	Tags          []string
	Row           Row        // as in lists
	Sightings     []Sighting // the best first
	Labels        []Label    // the latest first
	Opinions      []Opinion  // the latest first
	Conditions    []Condition
	Remarks       []Remark
	Edits         []Edit // those that touched it, the latest first
}

// Specimen is one specimen whole. The error wraps [ErrNotFound].
func (c *Collection) Specimen(ctx context.Context, id string) (s Specimen, err error) {
	s.ID = id
	err = c.read.QueryRowContext(ctx, `SELECT s.name, s.created, coalesce(s.merged_into, ''), coalesce(k.name, ''), coalesce(k.id, ''), s.permission, s.provenance
		FROM specimen s LEFT JOIN contributor k ON k.id = s.contributor_id WHERE s.id = ?`, id).
		Scan(&s.Name, &s.Created, &s.MergedInto, &s.Contributor, &s.ContributorID, (*string)(&s.Permission), &s.Provenance)
	if err != nil {
		return s, notFound(err, "marble", id)
	}
	s.OwnPermission = s.Permission
	if s.Tags, err = collect(ctx, c.read, func(r scanner) (t string, err error) { return t, r.Scan(&t) }, "SELECT tag FROM tag WHERE specimen_id = ? ORDER BY tag", id); err != nil {
		return s, err
	}
	if s.Sightings, err = sightingsWhole(ctx, c.read, id); err != nil {
		return s, err
	}
	if s.Labels, err = labelsOf(ctx, c.read, id); err != nil {
		return s, err
	}
	if s.Opinions, err = collect(ctx, c.read, scanOpinion, opinionColumns+" WHERE o.specimen_id = ? ORDER BY o.made DESC, o.rowid DESC", id); err != nil {
		return s, err
	}
	if s.Conditions, err = collect(ctx, c.read, func(r scanner) (v Condition, err error) {
		return v, r.Scan(&v.ID, &v.Grade, &v.Text, &v.Who, &v.Made)
	}, "SELECT id, grade, text, who, made FROM condition_note WHERE specimen_id = ? ORDER BY made DESC, rowid DESC", id); err != nil {
		return s, err
	}
	if s.Remarks, err = collect(ctx, c.read, func(r scanner) (v Remark, err error) { return v, r.Scan(&v.ID, &v.Text, &v.Who, &v.Made) },
		"SELECT id, text, who, made FROM remark WHERE specimen_id = ? ORDER BY made DESC, rowid DESC", id); err != nil {
		return s, err
	}
	if s.Edits, err = c.editsOf(ctx, id); err != nil {
		return s, err
	}
	if rows, err := collect(ctx, c.read, scanRow, rowColumns+" WHERE n.specimen_id = ?", id); err != nil {
		return s, err
	} else if len(rows) > 0 {
		s.Row = rows[0]
	}
	s.Title = s.Row.Title
	if s.Title == "" {
		s.Title = titleOf(s.Name, s.Sightings)
	}
	for _, g := range s.Sightings {
		if s.Contributor == "" {
			s.Contributor = g.Contributor
		}
		if s.Permission == refset.NotSaid {
			s.Permission = g.Permission
		}
	}
	return s, nil
}

func labelsOf(ctx context.Context, q queryer, specimen string) ([]Label, error) {
	return collect(ctx, q, func(s scanner) (l Label, err error) {
		var opinion string
		if err := s.Scan(&l.ID, &l.SetID, &l.Set, &l.Who, &l.Made, (*string)(&l.Sure), &l.Evidence, &opinion); err != nil {
			return l, err
		}
		if opinion != "" {
			err = json.Unmarshal([]byte(opinion), &l.Opinion)
		}
		return l, err
	}, `SELECT l.id, coalesce(l.set_id, ''), coalesce(t.name, ''), l.who, l.made, l.sure, l.evidence, l.opinion
		FROM label l LEFT JOIN label_set t ON t.id = l.set_id WHERE l.specimen_id = ? ORDER BY l.made DESC, l.rowid DESC`, specimen)
}

// sightingsWhole are a specimen's sightings, that with the most reliable figures
// first.
func sightingsWhole(ctx context.Context, q queryer, specimen string) ([]Sighting, error) {
	all, err := collect(ctx, q, func(r scanner) (v Sighting, err error) {
		var rec, marble string
		if err := r.Scan(&v.ID, &v.Photo, &v.PhotoName, &v.Taken, &v.Number, &v.FigureID, &rec, &marble, &v.Measured, &v.Earlier, &v.Contributor, (*string)(&v.Permission)); err != nil {
			return v, err
		}
		if err := json.Unmarshal([]byte(rec), &v.Record); err != nil {
			return v, err
		}
		v.Record.Path = v.PhotoName
		return v, json.Unmarshal([]byte(marble), &v.Marble)
	}, `SELECT g.id, g.photo, p.name, p.taken, f.number, f.id, m.record, f.marble, m.made,
			(SELECT count(*) - 1 FROM figure f3 WHERE f3.sighting_id = g.id), coalesce(k.name, ''),
			CASE WHEN p.permission <> '' THEN p.permission ELSE coalesce(k.permission, '') END
		FROM sighting g JOIN photo p ON p.sha256 = g.photo
		JOIN figure f ON f.id = (SELECT f2.id FROM figure f2 JOIN measurement m2 ON m2.id = f2.measurement_id
			WHERE f2.sighting_id = g.id ORDER BY m2.features DESC, m2.asked DESC, m2.id LIMIT 1)
		JOIN measurement m ON m.id = f.measurement_id
		LEFT JOIN contributor k ON k.id = p.contributor_id
		WHERE g.specimen_id = ? ORDER BY p.added, g.id`, specimen)
	if err != nil {
		return nil, err
	}
	slices.SortStableFunc(all, func(a, b Sighting) int { return worth(b) - worth(a) })
	return all, nil
}

// worth ranks a sighting by what of it can be relied on: size, colour and
// pattern, whole marbles by daylight above all.
func worth(s Sighting) int {
	points := func(v record.Verdict) int {
		return map[record.Verdict]int{record.Good: 2, record.Doubtful: 1}[v]
	}
	v := s.Record.Verdict
	if s.Marble.Verdict != nil {
		v = *s.Marble.Verdict
	}
	n := 4*points(v.Pattern) + 4*points(v.Colour) + 2*points(v.Size)
	if !s.Marble.CutOff {
		n += 100
	}
	if len(s.Marble.Features) > 0 {
		n += 200 // under ultraviolet light there are none
	}
	if s.Marble.DiameterMM != nil {
		n++
	}
	return n
}

// titleOf is what a specimen is called where it has no name.
func titleOf(name string, all []Sighting) string {
	if name != "" || len(all) == 0 {
		return name
	}
	photo := all[0].PhotoName
	if i := strings.LastIndexAny(photo, `/\`); i >= 0 {
		photo = photo[i+1:]
	}
	if i := strings.LastIndexByte(photo, '.'); i > 0 {
		photo = photo[:i]
	}
	return fmt.Sprintf("%s, no. %d", photo, all[0].Number)
}

// mustStand fails for a specimen that is not there, or was joined to another.
func mustStand(ctx context.Context, tx *sql.Tx, id string) (title string, err error) {
	var into string
	err = tx.QueryRowContext(ctx, "SELECT coalesce(s.merged_into, ''), coalesce(n.title, s.name) FROM specimen s LEFT JOIN specimen_now n ON n.specimen_id = s.id WHERE s.id = ?", id).Scan(&into, &title)
	if err != nil {
		return "", notFound(err, "marble", id)
	}
	if into != "" {
		return "", fmt.Errorf("%w: %s is one with another marble since", ErrInvalid, title)
	}
	return title, nil
}

// Decision is a label to give.
type Decision struct {
	SetID    string // or
	SetName  string // a set that is made where there is none; both empty: left undecided
	Sure     Sure
	Evidence string
}

// Decide labels specimens; the comparison's opinion of the day is kept with each.
func (c *Collection) Decide(ctx context.Context, who string, d Decision, ids ...string) (Edit, error) {
	who = somebody(who)
	return c.edit(ctx, who, "label", func(tx *sql.Tx) (string, error) {
		if !slices.Contains(Sures, d.Sure) {
			return "", fmt.Errorf("%w: a label is certain, likely or a guess", ErrInvalid)
		}
		evidence, err := cleanText(d.Evidence)
		if err != nil {
			return "", err
		}
		words := "left undecided"
		if d.SetName != "" && d.SetID == "" {
			if d.SetID, err = setNamed(ctx, tx, d.SetName); err != nil {
				return "", err
			}
		}
		if d.SetID != "" {
			s, err := setIn(ctx, tx, d.SetID)
			if err != nil {
				return "", err
			}
			words = "labelled " + s.Name
			switch d.Sure {
			case Guess:
				words += ", a guess"
			default:
				words += ", " + string(d.Sure)
			}
		}
		var titles []string
		for _, id := range ids {
			title, err := mustStand(ctx, tx, id)
			if err != nil {
				return "", err
			}
			if err := addLabel(ctx, tx, id, d.SetID, who, d.Sure, evidence); err != nil {
				return "", err
			}
			titles = append(titles, title)
		}
		return list(titles) + ": " + words, nil
	})
}

func addLabel(ctx context.Context, tx *sql.Tx, specimen, set, who string, sure Sure, evidence string) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO label (id, specimen_id, set_id, who, made, sure, evidence, opinion) VALUES (?1, ?2, nullif(?3, ''), ?4, ?5, ?6, ?7,
		coalesce((SELECT o.attribution FROM opinion o JOIN setting g ON g.name = 'edition' AND g.value = o.edition_id WHERE o.specimen_id = ?2 ORDER BY o.made DESC, o.rowid DESC LIMIT 1), ''))`,
		newID(), specimen, set, who, now(), string(sure), evidence)
	return writeError(err)
}

// list is a few names in words.
func list(titles []string) string {
	switch {
	case len(titles) == 0:
		return "no marble"
	case len(titles) > 3:
		return fmt.Sprintf("%s and %d more", titles[0], len(titles)-1)
	}
	return strings.Join(titles, "; ")
}

// Describe gives a specimen its name, provenance, contributor and permission.
type Description struct {
	Name, Provenance, Contributor string
	Permission                    refset.Permission
}

// clean puts what specimens and photos are both described by into the form it is
// kept in, and gives the contributor's id, nil for none.
func (d *Description) clean(ctx context.Context, tx *sql.Tx) (contributor any, err error) {
	if d.Provenance, err = cleanText(d.Provenance); err != nil {
		return nil, err
	}
	if d.Permission, err = refset.ParsePermission(string(d.Permission)); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	if strings.TrimSpace(d.Contributor) == "" {
		return nil, nil
	}
	name, err := cleanName("contributor", d.Contributor)
	if err != nil {
		return nil, err
	}
	return contributorID(ctx, tx, name, refset.NotSaid)
}

// Describe replaces what is said of a specimen; what stood before stays in the
// journal.
func (c *Collection) Describe(ctx context.Context, who, id string, d Description) (Edit, error) {
	return c.edit(ctx, who, "describe", func(tx *sql.Tx) (string, error) {
		title, err := mustStand(ctx, tx, id)
		if err != nil {
			return "", err
		}
		if d.Name != "" {
			if d.Name, err = cleanName("marble", d.Name); err != nil {
				return "", err
			}
		}
		contributor, err := d.clean(ctx, tx)
		if err != nil {
			return "", err
		}
		_, err = tx.ExecContext(ctx, `UPDATE specimen SET name = ?1, provenance = ?2, contributor_id = ?3, permission = ?4 WHERE id = ?5
			AND (name <> ?1 OR provenance <> ?2 OR contributor_id IS NOT ?3 OR permission <> ?4)`, d.Name, d.Provenance, contributor, string(d.Permission), id)
		return title + ": description", writeError(err)
	})
}

// DescribePhoto says whose photo it is, what they allow, and where it comes
// from.
func (c *Collection) DescribePhoto(ctx context.Context, who, sha string, d Description) (Edit, error) {
	return c.edit(ctx, who, "describe-photo", func(tx *sql.Tx) (string, error) {
		var name string
		err := tx.QueryRowContext(ctx, "SELECT name FROM photo WHERE sha256 = ?", sha).Scan(&name)
		if err != nil {
			return "", notFound(err, "photo", sha)
		}
		contributor, err := d.clean(ctx, tx)
		if err != nil {
			return "", err
		}
		_, err = tx.ExecContext(ctx, `UPDATE photo SET provenance = ?1, contributor_id = ?2, permission = ?3 WHERE sha256 = ?4
			AND (provenance <> ?1 OR contributor_id IS NOT ?2 OR permission <> ?3)`, d.Provenance, contributor, string(d.Permission), sha)
		return "photo " + name + ": credit and provenance", writeError(err)
	})
}

// AddCondition adds a note on a specimen's state: a grade, words, or both.
func (c *Collection) AddCondition(ctx context.Context, who, id, grade, text string) (Edit, error) {
	who = somebody(who)
	return c.edit(ctx, who, "condition", func(tx *sql.Tx) (string, error) {
		title, err := mustStand(ctx, tx, id)
		if err != nil {
			return "", err
		}
		words, err := addCondition(ctx, tx, who, id, grade, text)
		return title + ": condition " + words, err
	})
}

func addCondition(ctx context.Context, tx *sql.Tx, who, id, grade, text string) (words string, err error) {
	if text, err = cleanText(text); err != nil {
		return "", err
	}
	if grade != "" && !slices.Contains(Grades, grade) {
		return "", fmt.Errorf("%w: the grade %q is none of %s", ErrInvalid, grade, strings.Join(Grades, ", "))
	}
	if grade == "" && text == "" {
		return "", fmt.Errorf("%w: nothing was said of the condition", ErrInvalid)
	}
	_, err = tx.ExecContext(ctx, "INSERT INTO condition_note (id, specimen_id, grade, text, who, made) VALUES (?, ?, ?, ?, ?, ?)", newID(), id, grade, text, who, now())
	if grade == "" {
		grade = "noted"
	}
	return grade, writeError(err)
}

// AddRemark adds a note to a specimen.
func (c *Collection) AddRemark(ctx context.Context, who, id, text string) (Edit, error) {
	who = somebody(who)
	return c.edit(ctx, who, "note", func(tx *sql.Tx) (string, error) {
		title, err := mustStand(ctx, tx, id)
		if err != nil {
			return "", err
		}
		return title + ": note", addRemark(ctx, tx, who, id, text)
	})
}

func addRemark(ctx context.Context, tx *sql.Tx, who, id, text string) error {
	text, err := cleanText(text)
	if err != nil {
		return err
	}
	if text == "" {
		return fmt.Errorf("%w: the note is empty", ErrInvalid)
	}
	_, err = tx.ExecContext(ctx, "INSERT INTO remark (id, specimen_id, text, who, made) VALUES (?, ?, ?, ?, ?)", newID(), id, text, who, now())
	return writeError(err)
}

// SetTags replaces a specimen's tags.
func (c *Collection) SetTags(ctx context.Context, who, id string, tags []string) (Edit, error) {
	return c.edit(ctx, who, "tags", func(tx *sql.Tx) (string, error) {
		title, err := mustStand(ctx, tx, id)
		if err != nil {
			return "", err
		}
		clean, err := setTags(ctx, tx, id, tags)
		if err != nil {
			return "", err
		}
		if len(clean) == 0 {
			return title + ": no tags", nil
		}
		return title + ": tags " + strings.Join(clean, ", "), nil
	})
}

func setTags(ctx context.Context, tx *sql.Tx, id string, tags []string) ([]string, error) {
	var clean []string
	for _, t := range tags {
		if strings.TrimSpace(t) == "" {
			continue
		}
		t, err := cleanName("tag", t)
		if err != nil {
			return nil, err
		}
		if !slices.Contains(clean, t) {
			clean = append(clean, t)
		}
	}
	have, err := collect(ctx, tx, func(r scanner) (t string, err error) { return t, r.Scan(&t) }, "SELECT tag FROM tag WHERE specimen_id = ?", id)
	if err != nil {
		return nil, err
	}
	for _, t := range have {
		if !slices.Contains(clean, t) {
			if _, err := tx.ExecContext(ctx, "DELETE FROM tag WHERE specimen_id = ? AND tag = ?", id, t); err != nil {
				return nil, writeError(err)
			}
		}
	}
	for _, t := range clean {
		if !slices.Contains(have, t) {
			if _, err := tx.ExecContext(ctx, "INSERT INTO tag (specimen_id, tag) VALUES (?, ?)", id, t); err != nil {
				return nil, writeError(err)
			}
		}
	}
	return clean, nil
}

// Join says that two specimens are one marble: all that is known of other moves
// to id.
func (c *Collection) Join(ctx context.Context, who, id, other string) (Edit, error) {
	return c.edit(ctx, who, "join", func(tx *sql.Tx) (string, error) {
		a, err := mustStand(ctx, tx, id)
		if err != nil {
			return "", err
		}
		b, err := mustStand(ctx, tx, other)
		if err != nil {
			return "", err
		}
		if id == other {
			return "", fmt.Errorf("%w: a marble can't be joined to itself", ErrInvalid)
		}
		// Of one photo's marbles no two are one.
		var clash int
		if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM sighting x JOIN sighting y ON y.photo = x.photo WHERE x.specimen_id = ? AND y.specimen_id = ?", id, other).Scan(&clash); err != nil {
			return "", writeError(err)
		}
		if clash > 0 {
			return "", fmt.Errorf("%w: %s and %s lie side by side in one photo, so they are two marbles", ErrInvalid, a, b)
		}
		if err := move(ctx, tx, other, id); err != nil {
			return "", err
		}
		return fmt.Sprintf("%s is the same marble as %s", b, a), nil
	})
}

func move(ctx context.Context, tx *sql.Tx, from, to string) error {
	for _, q := range []string{
		"UPDATE sighting SET specimen_id = ?2 WHERE specimen_id = ?1",
		"UPDATE label SET specimen_id = ?2 WHERE specimen_id = ?1",
		"UPDATE condition_note SET specimen_id = ?2 WHERE specimen_id = ?1",
		"UPDATE remark SET specimen_id = ?2 WHERE specimen_id = ?1",
		"INSERT INTO tag (specimen_id, tag) SELECT ?2, tag FROM tag WHERE specimen_id = ?1 AND tag NOT IN (SELECT tag FROM tag WHERE specimen_id = ?2)",
		"DELETE FROM tag WHERE specimen_id = ?1",
		`UPDATE specimen SET
			name = CASE WHEN name = '' THEN (SELECT name FROM specimen WHERE id = ?1) ELSE name END,
			provenance = CASE WHEN provenance = '' THEN (SELECT provenance FROM specimen WHERE id = ?1) ELSE provenance END,
			contributor_id = coalesce(contributor_id, (SELECT contributor_id FROM specimen WHERE id = ?1)),
			permission = CASE WHEN permission = '' THEN (SELECT permission FROM specimen WHERE id = ?1) ELSE permission END
			WHERE id = ?2 AND EXISTS (SELECT 1 FROM specimen o WHERE o.id = ?1 AND (o.name <> '' OR o.provenance <> '' OR o.contributor_id IS NOT NULL OR o.permission <> ''))`,
		"UPDATE specimen SET merged_into = ?2 WHERE id = ?1",
	} {
		if _, err := tx.ExecContext(ctx, q, from, to); err != nil {
			return writeError(err)
		}
	}
	return nil
}

// Part says that one sighting of a specimen is another marble: it becomes a
// specimen of its own, without a label.
func (c *Collection) Part(ctx context.Context, who, sighting string) (id string, e Edit, err error) {
	e, err = c.edit(ctx, who, "part", func(tx *sql.Tx) (string, error) {
		var from string
		err := tx.QueryRowContext(ctx, "SELECT specimen_id FROM sighting WHERE id = ?", sighting).Scan(&from)
		if err != nil {
			return "", notFound(err, "sighting", sighting)
		}
		title, err := mustStand(ctx, tx, from)
		if err != nil {
			return "", err
		}
		var others int
		if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM sighting WHERE specimen_id = ? AND id <> ?", from, sighting).Scan(&others); err != nil {
			return "", writeError(err)
		}
		if others == 0 {
			return "", fmt.Errorf("%w: %s is seen in one photo only", ErrInvalid, title)
		}
		id = newID()
		if _, err := tx.ExecContext(ctx, "INSERT INTO specimen (id, created) VALUES (?, ?)", id, now()); err != nil {
			return "", writeError(err)
		}
		_, err = tx.ExecContext(ctx, "UPDATE sighting SET specimen_id = ? WHERE id = ?", id, sighting)
		return title + ": one of its photos shows another marble", writeError(err)
	})
	return id, e, err
}

// Contributor is somebody photos or marbles come from.
type Contributor struct {
	ID, Name   string
	Permission refset.Permission
	Note       string
	Photos     int
}

// Contributors are all of them, by name.
func (c *Collection) Contributors(ctx context.Context) ([]Contributor, error) {
	return collect(ctx, c.read, func(s scanner) (k Contributor, err error) {
		return k, s.Scan(&k.ID, &k.Name, (*string)(&k.Permission), &k.Note, &k.Photos)
	}, "SELECT k.id, k.name, k.permission, k.note, (SELECT count(*) FROM photo p WHERE p.contributor_id = k.id) FROM contributor k ORDER BY k.name")
}

// EditContributor changes what a contributor allows, and the note on them.
func (c *Collection) EditContributor(ctx context.Context, who, id string, p refset.Permission, note string) (Edit, error) {
	return c.edit(ctx, who, "contributor", func(tx *sql.Tx) (string, error) {
		var name string
		err := tx.QueryRowContext(ctx, "SELECT name FROM contributor WHERE id = ?", id).Scan(&name)
		if err != nil {
			return "", notFound(err, "contributor", id)
		}
		if p, err = refset.ParsePermission(string(p)); err != nil {
			return "", fmt.Errorf("%w: %w", ErrInvalid, err)
		}
		if note, err = cleanText(note); err != nil {
			return "", err
		}
		_, err = tx.ExecContext(ctx, "UPDATE contributor SET permission = ?1, note = ?2 WHERE id = ?3 AND (permission <> ?1 OR note <> ?2)", string(p), note, id)
		return "contributor " + name + ": " + p.String(), writeError(err)
	})
}
