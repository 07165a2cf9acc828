package collection

import (
	"archive/zip"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/mattn/go-sqlite3"

	"tawsight/internal/record"
)

// ErrBackup is wrapped by the error for a file that is no backup, or is damaged.
var ErrBackup = errors.New("not a whole backup of a collection")

// ErrThere is wrapped by the error where something would be overwritten.
var ErrThere = errors.New("there is something already")

// ErrInUse is wrapped by the error where another program has a collection open
// that is to be put aside.
var ErrInUse = errors.New("the collection is in use")

// A backup is one zip file: the collection as a database of its own, the photos
// that lay beside it, and what is in it, with check sums.
const (
	backupFormat   = "tawsight-backup"
	backupVersion  = 1
	backupManifest = "backup.json"
	backupDatabase = "collection" + Ext
	backupPhotos   = "photos/"
)

// Backup is what a backup holds.
type Backup struct {
	Format   string         `json:"format"`
	Version  int            `json:"version"`
	Tawsight string         `json:"tawsight"`
	Made     string         `json:"made"`
	Rows     map[string]int `json:"rows"` // by table
	Files    []BackupFile   `json:"files"`
}

// BackupFile is one file in a backup.
type BackupFile struct {
	Name   string `json:"name"` // in the zip
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// Photos is how many photos are in it.
func (b Backup) Photos() int { return len(b.Files) - 1 }

// Backup writes the collection as it stands at one moment, and the photos beside
// it, into one zip file at dest, which must not be there yet; the collection may
// be edited meanwhile. It is there only once it was read back: the database
// whole by SQLite's check with as many rows as the collection, every file by its
// check sum.
func (c *Collection) Backup(ctx context.Context, dest string) (b Backup, err error) {
	if _, err := os.Lstat(dest); err == nil {
		return b, fmt.Errorf("%w at %s: choose another name for the backup", ErrThere, dest)
	}
	fail := func(err error) (Backup, error) {
		return Backup{}, fmt.Errorf("the backup %s was not made: %w", dest, err)
	}
	folder := filepath.Dir(dest)
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return fail(err)
	}
	work, err := os.MkdirTemp(folder, ".tawsight-backup-*")
	if err != nil {
		return fail(err)
	}
	defer os.RemoveAll(work)

	copied := filepath.Join(work, backupDatabase)
	if b.Rows, err = c.copyTo(ctx, copied); err != nil {
		return fail(err)
	}
	if err := wholeDatabase(ctx, copied, b.Rows); err != nil {
		return fail(err)
	}
	// The photos after the database: whatever it speaks of is there by now.
	photos, err := photosIn(c.UploadsDir())
	if err != nil {
		return fail(err)
	}
	b.Format, b.Version, b.Tawsight, b.Made = backupFormat, backupVersion, record.Version, now()
	file := filepath.Join(work, "backup.zip")
	if err := b.pack(ctx, file, copied, c.UploadsDir(), photos); err != nil {
		return fail(err)
	}
	if _, err := readBackup(ctx, file, nil); err != nil {
		return fail(fmt.Errorf("what was written does not read back: %w", err))
	}
	// A link fails where the name was taken meanwhile; a renaming would overwrite.
	if err := os.Link(file, dest); err != nil {
		if errors.Is(err, fs.ErrExist) {
			return Backup{}, fmt.Errorf("%w at %s: choose another name for the backup", ErrThere, dest)
		}
		// Some disks, such as memory sticks, know no links.
		if _, e := os.Lstat(dest); e == nil {
			return Backup{}, fmt.Errorf("%w at %s: choose another name for the backup", ErrThere, dest)
		}
		if err := os.Rename(file, dest); err != nil {
			return fail(err)
		}
	}
	return b, syncDir(folder)
}

// copyTo writes the database as it stands at one moment to a new file, and
// counts its rows.
func (c *Collection) copyTo(ctx context.Context, path string) (map[string]int, error) {
	from, err := c.read.Conn(ctx)
	if err != nil {
		return nil, err
	}
	defer from.Close()
	// One transaction around it all: rows are counted and pages copied of the same
	// moment, and others write on.
	if _, err := from.ExecContext(ctx, "BEGIN"); err != nil {
		return nil, err
	}
	defer from.ExecContext(context.WithoutCancel(ctx), "ROLLBACK")
	rows, err := countRows(ctx, from)
	if err != nil {
		return nil, err
	}
	to, err := sql.Open("sqlite3", "file:"+uriPath(path))
	if err != nil {
		return nil, err
	}
	defer to.Close()
	conn, err := to.Conn(ctx)
	if err != nil {
		return nil, err
	}
	defer conn.Close()
	err = conn.Raw(func(dst any) error {
		return from.Raw(func(src any) error {
			b, err := dst.(*sqlite3.SQLiteConn).Backup("main", src.(*sqlite3.SQLiteConn), "main")
			if err != nil {
				return err
			}
			for {
				done, err := b.Step(2000) // pages: 8 MB
				if err != nil || done {
					return errors.Join(err, b.Finish())
				}
				if ctx.Err() != nil {
					return errors.Join(ctx.Err(), b.Finish())
				}
			}
		})
	})
	if err != nil {
		return nil, err
	}
	// One file by itself, without a log beside it.
	_, err = conn.ExecContext(ctx, "PRAGMA journal_mode = DELETE")
	return rows, err
}

// countRows counts the rows of every table.
func countRows(ctx context.Context, q queryer) (map[string]int, error) {
	names, err := collect(ctx, q, func(s scanner) (n string, err error) { return n, s.Scan(&n) },
		"SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%' ORDER BY name")
	if err != nil {
		return nil, err
	}
	out := map[string]int{}
	for _, n := range names {
		var rows int
		if err := q.QueryRowContext(ctx, `SELECT count(*) FROM "`+n+`"`).Scan(&rows); err != nil {
			return nil, fmt.Errorf("the collection can't be read: %w", err)
		}
		out[n] = rows
	}
	return out, nil
}

// wholeDatabase checks a copy by itself: by SQLite's check, and that it has the
// rows that it should have.
func wholeDatabase(ctx context.Context, path string, rows map[string]int) error {
	if err := looksRight(path); err != nil {
		return err
	}
	db, err := sql.Open("sqlite3", "file:"+uriPath(path)+"?mode=ro&_query_only=on")
	if err != nil {
		return err
	}
	defer db.Close()
	wrong, err := integrity(ctx, db)
	if err != nil {
		return err
	}
	if len(wrong) > 0 {
		return fmt.Errorf("the database is damaged: %s", strings.Join(wrong[:min(3, len(wrong))], "; "))
	}
	have, err := countRows(ctx, db)
	if err != nil {
		return err
	}
	for name, n := range rows {
		if have[name] != n {
			return fmt.Errorf("the copy has %d rows of %s, and there should be %d", have[name], name, n)
		}
	}
	return nil
}

// photosIn are the names of the files in the folder for photos beside a
// collection; one that is being received is none yet.
func photosIn(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var out []string
	for _, e := range entries {
		if e.Type().IsRegular() && !strings.HasPrefix(e.Name(), ".") {
			out = append(out, e.Name())
		}
	}
	return out, nil
}

func (b *Backup) pack(ctx context.Context, path, database, photosDir string, photos []string) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer f.Close()
	z := zip.NewWriter(f)
	put := func(name, from string, method uint16) error {
		w, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: method, Modified: time.Now()})
		if err != nil {
			return err
		}
		r, err := os.Open(from)
		if err != nil {
			return err
		}
		defer r.Close()
		sum := sha256.New()
		n, err := io.Copy(io.MultiWriter(w, sum), &untilDone{ctx, r})
		b.Files = append(b.Files, BackupFile{Name: name, Bytes: n, SHA256: hex.EncodeToString(sum.Sum(nil))})
		return err
	}
	// Pictures make up most of both, and don't get smaller.
	if err := put(backupDatabase, database, zip.Store); err != nil {
		return err
	}
	for _, p := range photos {
		if err := put(backupPhotos+p, filepath.Join(photosDir, p), zip.Store); err != nil {
			return err
		}
	}
	text, err := json.MarshalIndent(b, "", " ")
	if err != nil {
		return err
	}
	w, err := z.CreateHeader(&zip.FileHeader{Name: backupManifest, Method: zip.Store, Modified: time.Now()})
	if err != nil {
		return err
	}
	if _, err := w.Write(append(text, '\n')); err != nil {
		return err
	}
	if err := z.Close(); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	return f.Close()
}

// untilDone reads until its context ends.
type untilDone struct {
	ctx context.Context
	r   io.Reader
}

func (u *untilDone) Read(p []byte) (int, error) {
	if err := u.ctx.Err(); err != nil {
		return 0, err
	}
	return u.r.Read(p)
}

// maxManifest is the largest manifest that is read: a line a photo.
const maxManifest = 64 << 20

// readBackup reads a backup through and checks every file; put, where not nil,
// receives each.
func readBackup(ctx context.Context, path string, put func(f BackupFile) (io.WriteCloser, error)) (Backup, error) {
	var b Backup
	refuse := func(format string, args ...any) (Backup, error) {
		return Backup{}, fmt.Errorf("%s is %w: %w", path, ErrBackup, fmt.Errorf(format, args...))
	}
	z, err := zip.OpenReader(path)
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrPermission) {
		return b, fmt.Errorf("the backup can't be opened: %w", err)
	}
	if err != nil {
		return refuse("it is no zip file, or was cut short (%w)", err)
	}
	defer z.Close()
	members := map[string]*zip.File{}
	for _, f := range z.File {
		if members[f.Name] != nil {
			return refuse("%q is in it twice", f.Name)
		}
		members[f.Name] = f
	}
	m := members[backupManifest]
	if m == nil {
		return refuse("there is no %s in it", backupManifest)
	}
	r, err := m.Open()
	if err != nil {
		return refuse("%w", err)
	}
	text, err := io.ReadAll(io.LimitReader(r, maxManifest))
	r.Close()
	if err != nil {
		return refuse("%s: %w", backupManifest, err)
	}
	if err := json.Unmarshal(text, &b); err != nil || b.Format != backupFormat {
		return refuse("%s does not say that it is a backup", backupManifest)
	}
	if b.Version != backupVersion {
		return refuse("it is of version %d, and this program reads version %d: restore it with a newer Tawsight", b.Version, backupVersion)
	}
	if len(b.Files) == 0 || b.Files[0].Name != backupDatabase || len(members) != len(b.Files)+1 {
		return refuse("its list of files is not what is in it")
	}
	for _, f := range b.Files {
		name, isPhoto := strings.CutPrefix(f.Name, backupPhotos)
		if f.Name != backupDatabase && (!isPhoto || name == "" || name != filepath.Base(name) || strings.ContainsAny(name, `/\`) || strings.HasPrefix(name, ".")) {
			return refuse("%q is no name for a photo in it", f.Name)
		}
		m := members[f.Name]
		if m == nil {
			return refuse("%s is missing", f.Name)
		}
		if err := readMember(ctx, m, f, put); err != nil {
			if ctx.Err() != nil || errors.Is(err, errPut) {
				return Backup{}, err
			}
			return refuse("%s: %w", f.Name, err)
		}
	}
	return b, nil
}

// errPut marks an error in writing what was read.
var errPut = errors.New("it can't be restored")

func readMember(ctx context.Context, m *zip.File, f BackupFile, put func(BackupFile) (io.WriteCloser, error)) error {
	r, err := m.Open()
	if err != nil {
		return err
	}
	defer r.Close()
	sum := sha256.New()
	w := io.Writer(sum)
	var out io.WriteCloser
	if put != nil {
		if out, err = put(f); err != nil {
			return fmt.Errorf("%w: %w", errPut, err)
		}
		w = io.MultiWriter(sum, out)
	}
	n, err := io.Copy(w, io.LimitReader(&untilDone{ctx, r}, f.Bytes+1))
	if out != nil {
		if e := out.Close(); err == nil && e != nil {
			err = fmt.Errorf("%w: %w", errPut, e)
		}
	}
	if err != nil {
		return err
	}
	if n != f.Bytes || hex.EncodeToString(sum.Sum(nil)) != f.SHA256 {
		return errors.New("it is not what was backed up")
	}
	return nil
}

// Restored is what restoring came to.
type Restored struct {
	Backup
	// Aside are the files and folders that were moved out of the way, under the
	// names that they have now.
	Aside []string
}

// Restore puts a backup back as the collection at path. One that is there is
// left alone, the error wrapping [ErrThere], unless replace says to move it
// aside: it is never deleted. The backup is checked whole before anything is
// moved; the error wraps [ErrBackup] where it is at fault.
func Restore(ctx context.Context, backup, path string, replace bool) (out Restored, err error) {
	path, err = filepath.Abs(path)
	if err != nil {
		return out, err
	}
	target := &Collection{path: path}
	places := []string{path, path + "-wal", path + "-shm", path + "-journal", target.UploadsDir()}
	there := slices.ContainsFunc(places, func(p string) bool { _, err := os.Lstat(p); return err == nil })
	if there && !replace {
		return out, fmt.Errorf("%w at %s, or photos beside it: restore to another place, or say --replace to have what is there moved aside", ErrThere, path)
	}
	fail := func(err error) (Restored, error) {
		if errors.Is(err, ErrBackup) {
			return Restored{}, err
		}
		return Restored{}, fmt.Errorf("the backup %s was not restored: %w", backup, err)
	}
	folder := filepath.Dir(path)
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return fail(err)
	}
	work, err := os.MkdirTemp(folder, ".tawsight-restore-*")
	if err != nil {
		return fail(err)
	}
	defer os.RemoveAll(work)
	photos := filepath.Join(work, "photos")
	if err := os.Mkdir(photos, 0o755); err != nil {
		return fail(err)
	}
	if out.Backup, err = readBackup(ctx, backup, func(f BackupFile) (io.WriteCloser, error) {
		file, err := os.OpenFile(filepath.Join(work, filepath.FromSlash(f.Name)), os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o644)
		return synced{file}, err
	}); err != nil {
		return fail(err)
	}
	database := filepath.Join(work, backupDatabase)
	if err := wholeDatabase(ctx, database, out.Rows); err != nil {
		return fail(fmt.Errorf("%w: %w", ErrBackup, err))
	}
	if there {
		if err := idle(ctx, path); err != nil {
			return fail(err)
		}
		if out.Aside, err = moveAside(target, places); err != nil {
			return fail(err)
		}
	}
	if out.Photos() > 0 {
		if err := os.Rename(photos, target.UploadsDir()); err != nil {
			return fail(err)
		}
	}
	// The database last: until then there is no collection.
	if err := os.Rename(database, path); err != nil {
		return fail(err)
	}
	return out, syncDir(folder)
}

// synced is a file that is on the disk once it is closed.
type synced struct{ *os.File }

func (s synced) Close() error { return errors.Join(s.Sync(), s.File.Close()) }

// idle fails where another program has the collection open: what it writes would
// go to the one that was moved aside. It also brings the log into the file.
func idle(ctx context.Context, path string) error {
	if err := looksRight(path); err != nil {
		return nil // whatever it is, it is moved aside as it is
	}
	if _, err := os.Stat(path); err != nil {
		return nil
	}
	db, err := sql.Open("sqlite3", "file:"+uriPath(path)+"?_busy_timeout=500")
	if err != nil {
		return err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	var mode string
	// To leave the log takes the whole file (SQLite, Write-Ahead Logging).
	err = db.QueryRowContext(ctx, "PRAGMA journal_mode = DELETE").Scan(&mode)
	var e sqlite3.Error
	if errors.As(err, &e) && (e.Code == sqlite3.ErrBusy || e.Code == sqlite3.ErrLocked) || err == nil && mode == "wal" {
		return fmt.Errorf("%w by another program at %s: stop tawsight serve, and whatever else uses it, then run this again", ErrInUse, path)
	}
	return nil // a damaged one is what backups are for
}

// moveAside gives all that belongs to a collection another name, the day and the
// time in it. The photos go first, and back where the rest can't follow.
func moveAside(c *Collection, places []string) (aside []string, err error) {
	stamp := time.Now().Format("2006-01-02-150405")
	base := strings.TrimSuffix(c.path, Ext)
	old := &Collection{}
	for n := 0; ; n++ {
		old.path = fmt.Sprintf("%s-before-restore-%s%s", base, stamp, Ext)
		if n > 0 {
			old.path = fmt.Sprintf("%s-before-restore-%s-%d%s", base, stamp, n, Ext)
		}
		_, err := os.Lstat(old.path)
		_, err2 := os.Lstat(old.UploadsDir())
		if err != nil && err2 != nil {
			break
		}
	}
	var undo []func()
	for _, p := range slices.Backward(places) {
		to := old.UploadsDir()
		if p != c.UploadsDir() {
			to = old.path + strings.TrimPrefix(p, c.path)
		}
		err := os.Rename(p, to)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			for _, u := range slices.Backward(undo) {
				u()
			}
			return nil, err
		}
		undo = append(undo, func() { os.Rename(to, p) })
		aside = append(aside, to)
	}
	slices.Sort(aside)
	return aside, nil
}

// syncDir has the names in a folder on the disk; where a file system can't do
// that, it does it by itself.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	d.Sync()
	return nil
}
