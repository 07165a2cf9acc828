package collection

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"fmt"
	"strings"

	"tawsight/internal/record"
	"tawsight/internal/refset"
)

// FileState is how far a file of an intake has come.
type FileState string

const (
	Waiting   FileState = "waiting"
	Measuring FileState = "measuring"
	FileDone  FileState = "measured"
	Known     FileState = "known" // measured the same way before: nothing to do
	Failed    FileState = "failed"
)

// Intake is a lot of files that were added together.
type Intake struct {
	ID         string
	Started    string
	Finished   string // empty while something of it waits
	Who        string
	Source     string // in words
	CheckBarMM float64
	Ruler      record.Ruler // what photos are to have their scale from; zero where nothing was named
	NoProfiles bool         // camera profiles are left alone
	Labelled   bool         // the files' folders are sets
	// Contributor is whose photos they are and Permission what they allow, where
	// that was said; photos that are known already keep what is said of them.
	Contributor string
	Permission  refset.Permission
	Files       map[FileState]int
}

// Total is how many files it has.
func (i Intake) Total() int {
	n := 0
	for _, k := range i.Files {
		n += k
	}
	return n
}

// IntakeFile is one file of an intake.
type IntakeFile struct {
	ID       string
	IntakeID string
	Path     string
	Name     string
	Photo    string // SHA-256, once read
	SetName  string
	State    FileState
	Attempts int
	Reason   string // why it failed, with what to do
	// As of its intake.
	CheckBarMM  float64
	Ruler       record.Ruler
	NoProfiles  bool
	Who         string
	Contributor string
	Permission  refset.Permission
}

// NewIntake begins an intake with the files that are known already, all of them
// or nothing; more may come by [Collection.AddFiles].
func (c *Collection) NewIntake(ctx context.Context, i Intake, files ...IntakeFile) (Intake, error) {
	i.ID, i.Started, i.Files = newID(), now(), map[FileState]int{}
	if i.Contributor != "" {
		name, err := cleanName("contributor", i.Contributor)
		if err != nil {
			return i, err
		}
		i.Contributor = name
	}
	return i, c.inTx(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "INSERT INTO intake (id, started, who, source, check_bar_mm, ruler, no_profiles, labelled, contributor, permission) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
			i.ID, i.Started, i.Who, i.Source, i.CheckBarMM, i.Ruler.Text(), i.NoProfiles, i.Labelled, i.Contributor, string(i.Permission))
		if err != nil {
			return writeError(err)
		}
		i.Files[Waiting] = len(files)
		return addFiles(ctx, tx, i.ID, files)
	})
}

// AddFiles puts files into an intake, to wait for their turn; one that is in it
// already is passed over. They come back with their ids.
func (c *Collection) AddFiles(ctx context.Context, intake string, files []IntakeFile) ([]IntakeFile, error) {
	err := c.inTx(ctx, func(tx *sql.Tx) error {
		if err := addFiles(ctx, tx, intake, files); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, "UPDATE intake SET finished = '' WHERE id = ?", intake)
		return writeError(err)
	})
	return files, err
}

func addFiles(ctx context.Context, tx *sql.Tx, intake string, files []IntakeFile) error {
	for i := range files {
		f := &files[i]
		f.ID, f.IntakeID, f.State = derivedID("file", intake, f.Path), intake, Waiting
		_, err := tx.ExecContext(ctx, "INSERT INTO intake_file (id, intake_id, path, name, set_name, state) VALUES (?, ?, ?, ?, ?, 'waiting') ON CONFLICT DO NOTHING",
			f.ID, intake, f.Path, f.Name, f.SetName)
		if err != nil {
			return writeError(err)
		}
	}
	return nil
}

// maxAttempts is how often a file is tried that was being measured when the
// program ended: it may be what ended it.
const maxAttempts = 2

const fileColumns = `SELECT f.id, f.intake_id, f.path, f.name, f.photo, f.set_name, f.state, f.attempts, f.reason, i.check_bar_mm, i.ruler, i.no_profiles, i.who, i.contributor, i.permission FROM intake_file f JOIN intake i ON i.id = f.intake_id`

func scanFile(s scanner) (f IntakeFile, err error) {
	var ruler string
	if err = s.Scan(&f.ID, &f.IntakeID, &f.Path, &f.Name, &f.Photo, &f.SetName, (*string)(&f.State), &f.Attempts, &f.Reason, &f.CheckBarMM, &ruler, &f.NoProfiles, &f.Who, &f.Contributor, (*string)(&f.Permission)); err != nil {
		return f, err
	}
	f.Ruler, err = readRuler(ruler)
	return f, err
}

// TakeUp puts the files back that were being measured when the program ended,
// so that they are tried again; one that was tried too often fails for good.
func (c *Collection) TakeUp(ctx context.Context) error {
	return c.inTx(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE intake_file SET state = CASE WHEN attempts >= ?1 THEN 'failed' ELSE 'waiting' END,
			reason = CASE WHEN attempts >= ?1 THEN 'the program ended twice while measuring it: it may be damaged; open it in another program and save it anew' ELSE '' END
			WHERE state = 'measuring'`, maxAttempts)
		return writeError(err)
	})
}

// inHastyTx is inTx for what may be forgotten where the power fails, and not
// otherwise: it does not wait for the disk, which is most of what a file takes that
// is known already. A file whose turn or whose end is forgotten has its turn again,
// and is found to be known. What was kept of photos is on the disk by then, as ever.
func (c *Collection) inHastyTx(ctx context.Context, f func(ctx context.Context, tx *sql.Tx) error) (err error) {
	if err := ctx.Err(); err != nil {
		return err
	}
	ctx = context.WithoutCancel(ctx) // it takes a moment, and the way back must not be left out
	conn, err := c.write.Conn(ctx)
	if err != nil {
		return fmt.Errorf("the collection can't be written: %w", err)
	}
	defer conn.Close()
	if _, err := conn.ExecContext(ctx, "PRAGMA synchronous = NORMAL"); err != nil {
		return writeError(err)
	}
	defer func() {
		var level int
		_, e := conn.ExecContext(ctx, "PRAGMA synchronous = FULL")
		if e == nil {
			e = conn.QueryRowContext(ctx, "PRAGMA synchronous").Scan(&level)
		}
		if e != nil || level != 2 {
			_ = conn.Raw(func(any) error { return driver.ErrBadConn }) // the next one is opened as it should be
		}
	}()
	tx, err := conn.BeginTx(ctx, nil)
	if err != nil {
		return writeError(err)
	}
	defer tx.Rollback()
	if err := f(ctx, tx); err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		return writeError(err)
	}
	c.tellWatchers()
	return nil
}

// NextFile takes the next waiting file of any intake in hand; ok is false where
// none waits.
func (c *Collection) NextFile(ctx context.Context) (f IntakeFile, ok bool, err error) {
	err = c.inHastyTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		f, err = scanFile(tx.QueryRowContext(ctx, fileColumns+` WHERE f.state = 'waiting' AND f.intake_id =
			(SELECT o.id FROM intake o WHERE o.finished = '' AND EXISTS (SELECT 1 FROM intake_file w WHERE w.state = 'waiting' AND w.intake_id = o.id) ORDER BY o.started, o.id LIMIT 1)
			ORDER BY f.path LIMIT 1`))
		if err == sql.ErrNoRows {
			return nil
		}
		if err != nil {
			return writeError(err)
		}
		ok = true
		f.State, f.Attempts = Measuring, f.Attempts+1
		_, err := tx.ExecContext(ctx, "UPDATE intake_file SET state = 'measuring', attempts = attempts + 1 WHERE id = ?", f.ID)
		return writeError(err)
	})
	return f, ok, err
}

// FinishFile notes how a file ended; an interrupted one may go back to Waiting,
// the attempt not counted.
func (c *Collection) FinishFile(ctx context.Context, f IntakeFile) error {
	return c.inHastyTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		back := 0
		if f.State == Waiting {
			back = 1
		}
		_, err := tx.ExecContext(ctx, "UPDATE intake_file SET state = ?, photo = ?, reason = ?, attempts = attempts - ? WHERE id = ?", string(f.State), f.Photo, f.Reason, back, f.ID)
		return writeError(err)
	})
}

// FinishIntake notes that nothing of an intake waits any more; it says whether
// this is the first time that it is noted.
func (c *Collection) FinishIntake(ctx context.Context, id string) (first bool, err error) {
	err = c.inTx(ctx, func(tx *sql.Tx) error {
		r, err := tx.ExecContext(ctx, `UPDATE intake SET finished = ?1 WHERE id = ?2 AND finished = ''
			AND NOT EXISTS (SELECT 1 FROM intake_file WHERE intake_id = ?2 AND state IN ('waiting', 'measuring'))`, now(), id)
		if err != nil {
			return writeError(err)
		}
		n, _ := r.RowsAffected()
		first = n == 1
		return nil
	})
	return first, err
}

const intakeColumns = `SELECT i.id, i.started, i.finished, i.who, i.source, i.check_bar_mm, i.ruler, i.no_profiles, i.labelled, i.contributor, i.permission,
	(SELECT group_concat(n.state || ' ' || n.files, ',') FROM intake_count n WHERE n.intake_id = i.id AND n.files > 0) FROM intake i`

func scanIntake(s scanner) (i Intake, err error) {
	var counts sql.NullString
	var ruler string
	if err = s.Scan(&i.ID, &i.Started, &i.Finished, &i.Who, &i.Source, &i.CheckBarMM, &ruler, &i.NoProfiles, &i.Labelled, &i.Contributor, (*string)(&i.Permission), &counts); err != nil {
		return i, err
	}
	if i.Ruler, err = readRuler(ruler); err != nil {
		return i, err
	}
	i.Files = map[FileState]int{}
	for _, part := range strings.Split(counts.String, ",") {
		var state string
		var n int
		if k, _ := fmt.Sscanf(part, "%s %d", &state, &n); k == 2 {
			i.Files[FileState(state)] = n
		}
	}
	return i, err
}

// Intakes are the latest intakes, the latest first.
func (c *Collection) Intakes(ctx context.Context, limit int) ([]Intake, error) {
	return collect(ctx, c.read, scanIntake, intakeColumns+" ORDER BY i.started DESC, i.id LIMIT ?", limit)
}

// Unfinished are the intakes of which something waits, or whose end was not
// noted.
func (c *Collection) Unfinished(ctx context.Context) ([]Intake, error) {
	return collect(ctx, c.read, scanIntake, intakeColumns+" WHERE i.finished = '' ORDER BY i.started, i.id")
}

// Intake is one intake.
func (c *Collection) Intake(ctx context.Context, id string) (Intake, error) {
	i, err := scanIntake(c.read.QueryRowContext(ctx, intakeColumns+" WHERE i.id = ?", id))
	return i, notFound(err, "intake", id)
}

// IntakeFiles are the files of an intake, by name.
func (c *Collection) IntakeFiles(ctx context.Context, id string) ([]IntakeFile, error) {
	return collect(ctx, c.read, scanFile, fileColumns+" WHERE f.intake_id = ? ORDER BY f.name, f.path", id)
}

// IntakeFile is one file of an intake.
func (c *Collection) IntakeFile(ctx context.Context, intake, file string) (IntakeFile, error) {
	f, err := scanFile(c.read.QueryRowContext(ctx, fileColumns+" WHERE f.id = ? AND f.intake_id = ?", file, intake))
	return f, notFound(err, "file", file)
}

// FileUnder labels what a photo shows with the set whose folder it was in: the
// marbles that have no label yet, those cut off by the photo's edge excepted.
// note gives what the collector's notes say of a marble, by its number: marbles
// of one specimen name become one specimen. Filing the same photo again changes
// nothing.
func (c *Collection) FileUnder(ctx context.Context, who, sha, set, evidence string, note func(number int) refset.Note) (Edit, error) {
	who = somebody(who)
	p, err := c.Photo(ctx, sha)
	if err != nil {
		return Edit{}, err
	}
	return c.edit(ctx, who, "file", func(tx *sql.Tx) (string, error) {
		labelled := 0
		var setID string
		for i, m := range p.Record.Marbles {
			if m.CutOff || len(m.Features) == 0 {
				continue
			}
			id, err := noted(ctx, tx, p.Specimens[i], note(i+1))
			if err != nil {
				return "", err
			}
			var have int
			if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM label WHERE specimen_id = ?", id).Scan(&have); err != nil {
				return "", writeError(err)
			}
			if have > 0 {
				continue
			}
			if setID == "" {
				if setID, err = setNamed(ctx, tx, set); err != nil {
					return "", err
				}
			}
			if err := addLabel(ctx, tx, id, setID, who, Certain, evidence); err != nil {
				return "", err
			}
			labelled++
		}
		return fmt.Sprintf("photo %s filed under %s: %s", p.Name, set, specimens(labelled)), nil
	})
}

// noted applies the notes on a marble and gives the specimen that it is.
func noted(ctx context.Context, tx *sql.Tx, id string, n refset.Note) (string, error) {
	if n.Specimen != "" {
		name, err := cleanName("marble", n.Specimen)
		if err != nil {
			return "", err
		}
		var named string
		err = tx.QueryRowContext(ctx, "SELECT id FROM specimen WHERE name = ? AND merged_into IS NULL AND id <> ? ORDER BY created, id LIMIT 1", name, id).Scan(&named)
		switch {
		case err == nil:
			var clash int
			if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM sighting x JOIN sighting y ON y.photo = x.photo WHERE x.specimen_id = ? AND y.specimen_id = ?", id, named).Scan(&clash); err != nil {
				return "", writeError(err)
			}
			if clash == 0 {
				if err := move(ctx, tx, id, named); err != nil {
					return "", err
				}
				id = named
			}
		case err == sql.ErrNoRows:
			if _, err := tx.ExecContext(ctx, "UPDATE specimen SET name = ? WHERE id = ? AND name = ''", name, id); err != nil {
				return "", writeError(err)
			}
		default:
			return "", writeError(err)
		}
	}
	if n.Credit != "" {
		name, err := cleanName("contributor", n.Credit)
		if err != nil {
			return "", err
		}
		k, err := contributorID(ctx, tx, name, n.Permission)
		if err != nil {
			return "", err
		}
		if _, err := tx.ExecContext(ctx, "UPDATE specimen SET contributor_id = ? WHERE id = ? AND contributor_id IS NULL", k, id); err != nil {
			return "", writeError(err)
		}
	}
	if n.Permission != refset.NotSaid {
		if _, err := tx.ExecContext(ctx, "UPDATE specimen SET permission = ? WHERE id = ? AND permission = ''", string(n.Permission), id); err != nil {
			return "", writeError(err)
		}
	}
	if n.Text != "" {
		text, err := cleanText(n.Text)
		if err != nil {
			return "", err
		}
		_, err = tx.ExecContext(ctx, `INSERT INTO remark (id, specimen_id, text, who, made) SELECT ?1, ?2, ?3, ?4, ?5
			WHERE NOT EXISTS (SELECT 1 FROM remark WHERE specimen_id = ?2 AND text = ?3)`, newID(), id, text, "notes.csv", now())
		if err != nil {
			return "", writeError(err)
		}
	}
	return id, nil
}

// Unpaired are the photos under ultraviolet light whose daylight photo is not
// known yet, and the daylight photos that were added in the same intake.
func (c *Collection) Unpaired(ctx context.Context, intake string) (ultraviolet, daylight []record.Photo, err error) {
	shas, err := collect(ctx, c.read, func(s scanner) (sha string, err error) { return sha, s.Scan(&sha) },
		"SELECT DISTINCT photo FROM intake_file WHERE intake_id = ? AND state IN ('measured', 'known') AND photo <> '' ORDER BY photo", intake)
	if err != nil {
		return nil, nil, err
	}
	for _, sha := range shas {
		p, err := c.Photo(ctx, sha)
		if err != nil {
			return nil, nil, err
		}
		if p.Record.PairedWith != "" {
			continue
		}
		if len(p.Places) > 0 {
			p.Record.Path = p.Places[0]
		}
		if isUltraviolet(p.Record) {
			ultraviolet = append(ultraviolet, p.Record)
		} else {
			daylight = append(daylight, p.Record)
		}
	}
	return ultraviolet, daylight, nil
}

func isUltraviolet(p record.Photo) bool {
	for _, f := range p.Flags {
		if f.Code == "ultraviolet" {
			return true
		}
	}
	return false
}
