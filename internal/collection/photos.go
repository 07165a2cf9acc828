package collection

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"tawsight/internal/record"
	"tawsight/internal/refset"
)

// Way is how a photo was measured: two measurements made the same way are the
// same.
type Way struct {
	MadeBy     record.MadeBy
	CheckBarMM float64      // of the printed card; 0 for the nominal length
	Ruler      record.Ruler // what was named to have the scale from; zero for nothing
	// Cameras are the hashes of the camera profiles that there were for the photo,
	// sorted, with blanks between; empty for none.
	Cameras string
}

// values are the way as it stands in a row of a measurement.
func (w Way) values() []any {
	return []any{w.MadeBy.Tawsight, w.MadeBy.OpenCV, w.MadeBy.Features, w.CheckBarMM, w.Ruler.Text(), w.Cameras}
}

// id is that of a photo's measurement in that way. It is the one that it was
// before there were other rulers than the card, where none is named.
func (w Way) id(sha string) string {
	by := w.MadeBy
	parts := []string{"measurement", sha, by.Tawsight, by.OpenCV, fmt.Sprint(by.Features), fmt.Sprint(w.CheckBarMM)}
	if w.Ruler.Named() || w.Cameras != "" {
		parts = append(parts, w.Ruler.Text(), w.Cameras)
	}
	return derivedID(parts...)
}

// sameWay finds a photo's measurement in a way.
const sameWay = "photo = ? AND tawsight = ? AND opencv = ? AND features = ? AND check_bar_mm = ? AND ruler = ? AND camera = ?"

// Face is a marble cut out of its photo, white-balanced, in the middle of a
// square picture.
type Face struct {
	JPEG       []byte
	SidePX     int
	MMPerPX    float64 // 0 where the photo gave no scale
	DiameterPX float64 // of the marble in the picture
}

// Picture is a reduced working copy of a photo.
type Picture struct {
	JPEG              []byte
	WidthPX, HeightPX int
}

// Measured is a photo with what one measurement made of it.
type Measured struct {
	Photo   record.Photo // with its marbles; Path is where the file lies
	Bytes   int64
	Name    string // as the user knows the file
	Way     Way
	Faces   []Face // one a marble
	Picture *Picture
	// Contributor and Permission are set where the photo is new and it is known.
	Contributor string
	Permission  refset.Permission
}

// Added is what adding a photo came to.
type Added struct {
	NewPhoto       bool
	NewMeasurement bool
	Specimens      []string // of the marbles in it, in their order
}

// Add keeps a measured photo: all of it in one transaction, or nothing. A photo
// that is there already gains the place and the measurement it lacks; what was
// measured the same way before is left as it is. Marbles that lie where the
// photo's earlier measurements had one are the same marbles.
func (c *Collection) Add(ctx context.Context, m Measured) (Added, error) {
	var out Added
	if len(m.Photo.SHA256) != 64 || len(m.Faces) != len(m.Photo.Marbles) {
		return out, fmt.Errorf("%s was not measured whole, and is not kept", m.Photo.Path)
	}
	err := c.inTx(ctx, func(tx *sql.Tx) error {
		var touched []string
		var err error
		if out, touched, err = add(ctx, tx, m); err != nil {
			return err
		}
		return refresh(ctx, tx, touched)
	})
	return out, err
}

// add keeps a measured photo, and names the specimens whose standing that can
// change.
func add(ctx context.Context, tx *sql.Tx, m Measured) (out Added, touched []string, err error) {
	sha, made := m.Photo.SHA256, now()
	var contributor any
	if m.Contributor != "" {
		if contributor, err = contributorID(ctx, tx, m.Contributor, m.Permission); err != nil {
			return out, nil, err
		}
	}
	r, err := tx.ExecContext(ctx, `INSERT INTO photo (sha256, bytes, name, taken, camera, added, contributor_id, permission)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`,
		sha, m.Bytes, m.Name, m.Photo.Taken, m.Photo.Camera, made, contributor, string(m.Permission))
	if err != nil {
		return out, nil, writeError(err)
	}
	if n, _ := r.RowsAffected(); n == 1 {
		out.NewPhoto = true
	}
	if err := addPlace(ctx, tx, sha, m.Photo.Path); err != nil {
		return out, nil, err
	}
	if m.Picture != nil {
		_, err := tx.ExecContext(ctx, "INSERT INTO photo_picture (photo, jpeg, width_px, height_px) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
			sha, m.Picture.JPEG, m.Picture.WidthPX, m.Picture.HeightPX)
		if err != nil {
			return out, nil, writeError(err)
		}
	}
	bare := m.Photo
	bare.Marbles, bare.Path = nil, ""
	text, err := json.Marshal(bare)
	if err != nil {
		return out, nil, err
	}
	id := m.Way.id(sha)
	r, err = tx.ExecContext(ctx, `INSERT INTO measurement (id, photo, made, asked, tawsight, opencv, features, check_bar_mm, ruler, camera, record)
		VALUES (?1, ?2, ?3, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10) ON CONFLICT DO NOTHING`,
		append(append([]any{id, sha, made}, m.Way.values()...), string(text))...)
	if err != nil {
		return out, nil, writeError(err)
	}
	if n, _ := r.RowsAffected(); n == 0 {
		// Of an older collection it may have another id.
		if err := tx.QueryRowContext(ctx, "SELECT id FROM measurement WHERE "+sameWay, append([]any{sha}, m.Way.values()...)...).Scan(&id); err != nil {
			return out, nil, writeError(err)
		}
		out.Specimens, err = collect(ctx, tx, func(s scanner) (id string, err error) { return id, s.Scan(&id) },
			"SELECT s.specimen_id FROM figure f JOIN sighting s ON s.id = f.sighting_id WHERE f.measurement_id = ? ORDER BY f.number", id)
		return out, nil, err
	}
	out.NewMeasurement = true
	places, err := sightingsOf(ctx, tx, sha)
	if err != nil {
		return out, nil, err
	}
	for i, marble := range m.Photo.Marbles {
		s, err := sightingAt(ctx, tx, places, sha, marble)
		if err != nil {
			return out, nil, err
		}
		text, err := json.Marshal(marble)
		if err != nil {
			return out, nil, err
		}
		figure := derivedID("figure", s.id, id)
		if _, err := tx.ExecContext(ctx, "INSERT INTO figure (id, sighting_id, measurement_id, number, marble) VALUES (?, ?, ?, ?, ?)",
			figure, s.id, id, i+1, string(text)); err != nil {
			return out, nil, writeError(err)
		}
		f := m.Faces[i]
		if len(f.JPEG) > 0 {
			if _, err := tx.ExecContext(ctx, "INSERT INTO face (figure_id, jpeg, side_px, mm_per_px, diameter_px) VALUES (?, ?, ?, ?, ?)",
				figure, f.JPEG, f.SidePX, f.MMPerPX, f.DiameterPX); err != nil {
				return out, nil, writeError(err)
			}
		}
		out.Specimens = append(out.Specimens, s.specimen)
	}
	// Marbles seen before and not now keep their earlier figures.
	touched = slices.Clone(out.Specimens)
	for _, p := range places {
		touched = append(touched, p.specimen)
	}
	return out, touched, nil
}

func addPlace(ctx context.Context, tx *sql.Tx, sha, path string) error {
	if path == "" {
		return nil
	}
	_, err := tx.ExecContext(ctx, "INSERT INTO photo_place (photo, path, seen) VALUES (?, ?, ?) ON CONFLICT (photo, path) DO UPDATE SET seen = excluded.seen", sha, path, now())
	return writeError(err)
}

// contributorID finds or makes the contributor of that name.
func contributorID(ctx context.Context, tx *sql.Tx, name string, p refset.Permission) (string, error) {
	name = strings.Join(strings.Fields(name), " ")
	id := derivedID("contributor", strings.ToLower(name))
	_, err := tx.ExecContext(ctx, "INSERT INTO contributor (id, name, permission) VALUES (?, ?, ?) ON CONFLICT DO NOTHING", id, name, string(p))
	if err != nil {
		return "", writeError(err)
	}
	err = tx.QueryRowContext(ctx, "SELECT id FROM contributor WHERE name = ? OR id = ? ORDER BY name = ? DESC", name, id, name).Scan(&id)
	return id, writeError(err)
}

// place is where a marble lies in a photo.
type place struct {
	id, specimen string
	cx, cy, r    float64
	taken        bool
}

func sightingsOf(ctx context.Context, q queryer, sha string) ([]*place, error) {
	return collect(ctx, q, func(s scanner) (*place, error) {
		var p place
		return &p, s.Scan(&p.id, &p.specimen, &p.cx, &p.cy, &p.r)
	}, "SELECT id, specimen_id, cx_px, cy_px, radius_px FROM sighting WHERE photo = ?", sha)
}

// sightingAt finds the sighting where a marble lies, or makes one, with a
// specimen of its own. Middles within half a radius are one marble: two marbles'
// middles lie two radii apart.
func sightingAt(ctx context.Context, tx *sql.Tx, places []*place, sha string, m record.Marble) (*place, error) {
	o := m.Outline
	radius := math.Sqrt(o.SemiMajorPX * o.SemiMinorPX)
	var best *place
	nearest := math.Inf(1)
	for _, p := range places {
		if d := math.Hypot(p.cx-o.CxPX, p.cy-o.CyPX); !p.taken && d < nearest && d < 0.5*math.Max(p.r, radius) {
			best, nearest = p, d
		}
	}
	if best != nil {
		best.taken = true
		return best, nil
	}
	p := &place{
		id: derivedID("sighting", sha, fmt.Sprintf("%.0f %.0f", o.CxPX, o.CyPX)),
		cx: o.CxPX, cy: o.CyPX, r: radius,
	}
	p.specimen = derivedID("specimen", p.id)
	if _, err := tx.ExecContext(ctx, "INSERT INTO specimen (id, created) VALUES (?, ?) ON CONFLICT DO NOTHING", p.specimen, now()); err != nil {
		return nil, writeError(err)
	}
	_, err := tx.ExecContext(ctx, "INSERT INTO sighting (id, photo, specimen_id, cx_px, cy_px, radius_px) VALUES (?, ?, ?, ?, ?, ?)",
		p.id, sha, p.specimen, p.cx, p.cy, p.r)
	return p, writeError(err)
}

// Has says whether a photo was measured that way already, and notes that it lies
// at path. Where it was measured another way since, these figures count again.
func (c *Collection) Has(ctx context.Context, sha, path string, w Way) (bool, error) {
	var id, newest string
	err := c.read.QueryRowContext(ctx, "SELECT id, (SELECT m.id FROM photo p JOIN measurement m ON m.id = "+latestMeasurement+" WHERE p.sha256 = ?) FROM measurement WHERE "+sameWay,
		append([]any{sha, sha}, w.values()...)...).Scan(&id, &newest)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("the collection can't be read: %w", err)
	}
	var known int
	if err := c.read.QueryRowContext(ctx, "SELECT count(*) FROM photo_place WHERE photo = ? AND path = ?", sha, path).Scan(&known); err != nil {
		return false, fmt.Errorf("the collection can't be read: %w", err)
	}
	if known > 0 && id == newest {
		return true, nil
	}
	return true, c.inTx(ctx, func(tx *sql.Tx) error {
		if err := addPlace(ctx, tx, sha, path); err != nil || id == newest {
			return err
		}
		if _, err := tx.ExecContext(ctx, "UPDATE measurement SET asked = ? WHERE id = ?", now(), id); err != nil {
			return writeError(err)
		}
		places, err := sightingsOf(ctx, tx, sha)
		if err != nil {
			return err
		}
		var touched []string
		for _, p := range places {
			touched = append(touched, p.specimen)
		}
		return refresh(ctx, tx, touched)
	})
}

// LastRuler is the ruler that was named for a photo when it was last asked for;
// zero for none, or where the photo isn't known.
func (c *Collection) LastRuler(ctx context.Context, sha string) (record.Ruler, error) {
	var text string
	err := c.read.QueryRowContext(ctx, "SELECT m.ruler FROM photo p JOIN measurement m ON m.id = "+latestMeasurement+" WHERE p.sha256 = ?", sha).Scan(&text)
	if errors.Is(err, sql.ErrNoRows) {
		return record.Ruler{}, nil
	}
	if err != nil {
		return record.Ruler{}, fmt.Errorf("the collection can't be read: %w", err)
	}
	return readRuler(text)
}

func readRuler(text string) (record.Ruler, error) {
	r, err := record.ParseRuler(text)
	if err != nil {
		return r, fmt.Errorf("the collection can't be read: a ruler in it is damaged: %w", err)
	}
	return r, nil
}

// Past is one measurement of a photo, as its history tells of it.
type Past struct {
	ID         string
	Made       string // when
	Tawsight   string // version
	CheckBarMM float64
	Ruler      record.Ruler
	// Source is what gave the scale, and Profile the camera profile that was used,
	// as in the record; either may be empty.
	Source, Profile string
	Marbles         int
	InForce         bool // its figures are the ones that count
}

// Words is what a measurement was made by, in words.
func (p Past) Words() string {
	text := "by Tawsight " + p.Tawsight + ", "
	if p.Source == "" || p.Source == "none" {
		text += "without a scale"
	} else {
		text += "scale from " + record.SourceWords(p.Source)
	}
	if p.Ruler.Named() {
		text += " (named: " + p.Ruler.Words() + ")"
	}
	if p.CheckBarMM > 0 {
		text += fmt.Sprintf(", long line %.1f mm", p.CheckBarMM)
	}
	if p.Profile != "" {
		text += ", camera profile " + p.Profile
	}
	if p.Marbles == 1 {
		return text + ": 1 marble"
	}
	return text + fmt.Sprintf(": %d marbles", p.Marbles)
}

// Measurements are all measurements of a photo, the one in force first.
func (c *Collection) Measurements(ctx context.Context, sha string) ([]Past, error) {
	all, err := collect(ctx, c.read, func(s scanner) (p Past, err error) {
		var ruler string
		if err = s.Scan(&p.ID, &p.Made, &p.Tawsight, &p.CheckBarMM, &ruler, &p.Source, &p.Profile, &p.Marbles); err == nil {
			p.Ruler, err = readRuler(ruler)
		}
		return p, err
	}, `SELECT m2.id, m2.made, m2.tawsight, m2.check_bar_mm, m2.ruler, coalesce(json_extract(m2.record, '$.scale.source'), ''),
			coalesce(json_extract(m2.record, '$.scale.camera_profile'), ''), (SELECT count(*) FROM figure f WHERE f.measurement_id = m2.id)
		FROM measurement m2 WHERE m2.photo = ? ORDER BY m2.features DESC, m2.asked DESC, m2.id`, sha)
	if len(all) > 0 {
		all[0].InForce = true
	}
	return all, err
}

// Photo is a photo as the collection has it, with its latest measurement.
type Photo struct {
	SHA256        string
	Name          string
	Bytes         int64
	Added         string
	Contributor   string
	ContributorID string
	Permission    refset.Permission // the photo's own, else its contributor's
	Provenance    string
	Places        []string // the paths it was seen at, the latest first
	MeasurementID string
	Measured      string
	CheckBarMM    float64
	Ruler         record.Ruler // what was named to have the scale from
	// Record is the latest measurement with its marbles; Path is empty.
	Record record.Photo
	// Specimens and Figures are those of Record.Marbles, in their order.
	Specimens, Figures []string
}

// latestMeasurement is the measurement of each photo that counts: by the newest
// feature registry, and of those the one that was last asked for.
const latestMeasurement = `(SELECT m2.id FROM measurement m2 WHERE m2.photo = p.sha256 ORDER BY m2.features DESC, m2.asked DESC, m2.id LIMIT 1)`

const photoColumns = `SELECT p.sha256, p.name, p.bytes, p.added, coalesce(k.name, ''), coalesce(k.id, ''),
	CASE WHEN p.permission <> '' THEN p.permission ELSE coalesce(k.permission, '') END, p.provenance,
	m.id, m.made, m.check_bar_mm, m.ruler, m.record
	FROM photo p JOIN measurement m ON m.id = ` + latestMeasurement + ` LEFT JOIN contributor k ON k.id = p.contributor_id`

func scanPhoto(s scanner) (p Photo, err error) {
	var text, ruler string
	if err := s.Scan(&p.SHA256, &p.Name, &p.Bytes, &p.Added, &p.Contributor, &p.ContributorID, (*string)(&p.Permission), &p.Provenance,
		&p.MeasurementID, &p.Measured, &p.CheckBarMM, &ruler, &text); err != nil {
		return p, err
	}
	if p.Ruler, err = readRuler(ruler); err != nil {
		return p, err
	}
	return p, json.Unmarshal([]byte(text), &p.Record)
}

// Photos are the photos, the latest first: at most limit after skipping offset.
// Their records come without marbles.
func (c *Collection) Photos(ctx context.Context, limit, offset int) ([]Photo, error) {
	return collect(ctx, c.read, scanPhoto, photoColumns+" ORDER BY p.added DESC, p.name, p.sha256 LIMIT ? OFFSET ?", limit, offset)
}

// Photo is one photo whole. The error wraps [ErrNotFound].
func (c *Collection) Photo(ctx context.Context, sha string) (Photo, error) {
	p, err := scanPhoto(c.read.QueryRowContext(ctx, photoColumns+" WHERE p.sha256 = ?", sha))
	if err != nil {
		return p, notFound(err, "photo", sha)
	}
	if p.Places, err = collect(ctx, c.read, func(s scanner) (path string, err error) { return path, s.Scan(&path) },
		"SELECT path FROM photo_place WHERE photo = ? ORDER BY seen DESC, path", sha); err != nil {
		return p, err
	}
	type seen struct{ specimen, figure, marble string }
	all, err := collect(ctx, c.read, func(s scanner) (v seen, err error) { return v, s.Scan(&v.specimen, &v.figure, &v.marble) },
		"SELECT s.specimen_id, f.id, f.marble FROM figure f JOIN sighting s ON s.id = f.sighting_id WHERE f.measurement_id = ? ORDER BY f.number", p.MeasurementID)
	if err != nil {
		return p, err
	}
	p.Record.Marbles = make([]record.Marble, len(all))
	for i, v := range all {
		p.Specimens, p.Figures = append(p.Specimens, v.specimen), append(p.Figures, v.figure)
		if err := json.Unmarshal([]byte(v.marble), &p.Record.Marbles[i]); err != nil {
			return p, fmt.Errorf("the collection can't be read: %w", err)
		}
	}
	return p, nil
}

// PhotoPicture is a photo's working copy.
func (c *Collection) PhotoPicture(ctx context.Context, sha string) (Picture, error) {
	var p Picture
	err := c.read.QueryRowContext(ctx, "SELECT jpeg, width_px, height_px FROM photo_picture WHERE photo = ?", sha).Scan(&p.JPEG, &p.WidthPX, &p.HeightPX)
	return p, notFound(err, "the picture of photo", sha)
}

// Face is the picture of a marble, by its figure.
func (c *Collection) Face(ctx context.Context, figure string) (Face, error) {
	var f Face
	err := c.read.QueryRowContext(ctx, "SELECT jpeg, side_px, mm_per_px, diameter_px FROM face WHERE figure_id = ?", figure).
		Scan(&f.JPEG, &f.SidePX, &f.MMPerPX, &f.DiameterPX)
	return f, notFound(err, "the picture of marble", figure)
}

// FaceSizes are the faces of figures without their pictures, by figure; those
// that have none are left out.
func (c *Collection) FaceSizes(ctx context.Context, figures []string) (map[string]Face, error) {
	ids, err := json.Marshal(figures)
	if err != nil {
		return nil, err
	}
	type sized struct {
		figure string
		face   Face
	}
	all, err := collect(ctx, c.read, func(s scanner) (v sized, err error) {
		return v, s.Scan(&v.figure, &v.face.SidePX, &v.face.MMPerPX, &v.face.DiameterPX)
	}, "SELECT figure_id, side_px, mm_per_px, diameter_px FROM face WHERE figure_id IN (SELECT value FROM json_each(?))", string(ids))
	out := make(map[string]Face, len(all))
	for _, v := range all {
		out[v.figure] = v.face
	}
	return out, err
}

// Sheet is the picture that shows how a figure came about, where it was made.
func (c *Collection) Sheet(ctx context.Context, figure string) (png []byte, err error) {
	err = c.read.QueryRowContext(ctx, "SELECT png FROM sheet WHERE figure_id = ?", figure).Scan(&png)
	return png, notFound(err, "the sheet of marble", figure)
}

// KeepSheet keeps a figure's sheet; one that is there already stays.
func (c *Collection) KeepSheet(ctx context.Context, figure string, png []byte) error {
	return c.inTx(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "INSERT INTO sheet (figure_id, png) VALUES (?, ?) ON CONFLICT DO NOTHING", figure, png)
		return writeError(err)
	})
}

// Pair notes that two photos show the same tray, one by daylight and one under
// ultraviolet light: the marbles of both as joined by the measuring. Their
// latest measurements take the glow and the partner's SHA-256 (PairedWith), where
// they have none yet, and the two sightings of a marble become one specimen's.
func (c *Collection) Pair(ctx context.Context, photos ...record.Photo) error {
	return c.inTx(ctx, func(tx *sql.Tx) error {
		var touched []string
		for _, joined := range photos {
			var id, text string
			err := tx.QueryRowContext(ctx, "SELECT m.id, m.record FROM photo p JOIN measurement m ON m.id = "+latestMeasurement+" WHERE p.sha256 = ?", joined.SHA256).Scan(&id, &text)
			if err != nil {
				return notFound(err, "photo", joined.SHA256)
			}
			var bare record.Photo
			if err := json.Unmarshal([]byte(text), &bare); err != nil {
				return err
			}
			if bare.PairedWith != "" {
				continue
			}
			bare.PairedWith = joined.PairedWith
			out, err := json.Marshal(bare)
			if err != nil {
				return err
			}
			if _, err := tx.ExecContext(ctx, "UPDATE measurement SET record = ? WHERE id = ?", string(out), id); err != nil {
				return writeError(err)
			}
			for i, m := range joined.Marbles {
				marble, err := json.Marshal(m)
				if err != nil {
					return err
				}
				var specimen string
				err = tx.QueryRowContext(ctx, "UPDATE figure SET marble = ? WHERE measurement_id = ? AND number = ? RETURNING (SELECT specimen_id FROM sighting WHERE id = sighting_id)",
					string(marble), id, i+1).Scan(&specimen)
				if err != nil {
					return notFound(err, "marble", m.ID)
				}
				touched = append(touched, specimen)
			}
		}
		same, err := joinPaired(ctx, tx, photos)
		if err != nil {
			return err
		}
		return refresh(ctx, tx, append(touched, same...))
	})
}

// joinPaired makes one specimen of a marble's two sightings, by daylight and
// under the lamp, where they are two yet and nobody has said anything of the
// latter. It gives the specimens that this touched.
func joinPaired(ctx context.Context, tx *sql.Tx, photos []record.Photo) (touched []string, err error) {
	at := func(sha, number string) (id string, err error) {
		err = tx.QueryRowContext(ctx, `SELECT s.specimen_id FROM photo p JOIN measurement m ON m.id = `+latestMeasurement+`
			JOIN figure f ON f.measurement_id = m.id JOIN sighting s ON s.id = f.sighting_id WHERE p.sha256 = ? AND f.number = ?`, sha, number).Scan(&id)
		return id, err
	}
	for _, p := range photos {
		for _, m := range p.Marbles {
			if len(m.Features) > 0 || m.PairedID == "" { // the daylight side, or alone
				continue
			}
			under, err := at(p.SHA256, m.ID)
			if err != nil {
				return nil, notFound(err, "marble", m.ID)
			}
			day, err := at(p.PairedWith, m.PairedID)
			if errors.Is(err, sql.ErrNoRows) || err == nil && day == under {
				continue
			}
			if err != nil {
				return nil, writeError(err)
			}
			var said int
			if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM change WHERE specimen_id = ?", under).Scan(&said); err != nil {
				return nil, writeError(err)
			}
			if said > 0 {
				continue
			}
			if err := move(ctx, tx, under, day); err != nil {
				return nil, err
			}
			touched = append(touched, under, day)
		}
	}
	return touched, nil
}
