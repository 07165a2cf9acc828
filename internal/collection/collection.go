// Package collection keeps a collector's marbles in one SQLite file: photos,
// what was measured of them, the specimens they show, what people said of those
// and when, and what the comparison with the collector's own sets said.
//
// Nothing is ever overwritten. Measuring again adds; a label, a condition or an
// opinion is dated, and a newer one stands beside the older; every edit by a
// person is in a journal with each row as it was and became, and can be undone.
//
// Photos are known by the SHA-256 of their content and stay where they are; a
// reduced working copy of each and the picture of each marble are kept in the
// file. [Collection] may be used by several goroutines, and the file by several
// processes, at once.
//
// Nothing here looks into a photo: internal/intake measures, and
// internal/opinions compares.
package collection

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"database/sql"
	"embed"
	"encoding/base32"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"os/user"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/mattn/go-sqlite3" // the driver, too
	"github.com/pressly/goose/v3"
)

// Errors that callers can tell apart with errors.Is.
var (
	// ErrNotFound: there is no photo, specimen, set or edit of that id.
	ErrNotFound = errors.New("not in the collection")
	// ErrNoCollection: the file is not there, and was not to be made.
	ErrNoCollection = errors.New("there is no collection")
	// ErrNotACollection: the file is something else, or is damaged.
	ErrNotACollection = errors.New("not a collection of Tawsight")
	// ErrNewer: a later version of the program made the file.
	ErrNewer = errors.New("the collection was made by a later version of Tawsight")
	// ErrInvalid is wrapped by the error for an edit that can't be made as asked;
	// the text says why, for people.
	ErrInvalid = errors.New("that can't be done")
	// ErrOvertaken: what an edit did has been changed since by another, which
	// would have to be undone first.
	ErrOvertaken = errors.New("it was changed again since")
)

// Ext is how the name of a collection ends.
const Ext = ".tawsight"

// applicationID marks the file as ours in SQLite's header ("TAWS"; SQLite file
// format, 1.3.14).
const applicationID = 0x54415753

// Collection is an open collection. Close it after use.
type Collection struct {
	path  string
	write *sql.DB // one connection, so that writers queue here and not in SQLite
	read  *sql.DB

	mu      sync.Mutex
	watcher []chan struct{}
	version *sql.Conn // for Version alone
}

// DefaultPath is where a collection lies when nobody says otherwise: the
// environment's TAWSIGHT_COLLECTION, or the folder Tawsight in the user's own.
func DefaultPath() (string, error) {
	if p := os.Getenv("TAWSIGHT_COLLECTION"); p != "" {
		return p, nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", fmt.Errorf("it is not known where your folder is (%w): say where the collection lies with --collection", err)
	}
	return filepath.Join(home, "Tawsight", "collection"+Ext), nil
}

//go:embed migrations/*.sql
var migrations embed.FS

// Create opens the collection at path and makes it first where it is missing,
// its folder too.
func Create(ctx context.Context, path string) (*Collection, error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return nil, fmt.Errorf("the collection's folder can't be made: %w", err)
	}
	return open(ctx, path)
}

// Open opens the collection at path. The error wraps [ErrNoCollection] where
// there is none, [ErrNotACollection] for any other file, and [ErrNewer].
func Open(ctx context.Context, path string) (*Collection, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("%w at %s: make one by adding photos to it, or name another with --collection", ErrNoCollection, path)
	case err != nil:
		return nil, fmt.Errorf("the collection can't be opened: %w", err)
	case info.IsDir():
		return nil, fmt.Errorf("%w: %s is a folder", ErrNotACollection, path)
	}
	return open(ctx, path)
}

func open(ctx context.Context, path string) (_ *Collection, err error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	if err := looksRight(abs); err != nil {
		return nil, err
	}
	c := &Collection{path: abs}
	defer func() {
		if err != nil {
			c.Close()
		}
	}()
	// Every commit is on the disk before it is answered for: what the user was
	// told is kept survives a power cut as well as a crash.
	if c.write, err = connect(abs, "_txlock=immediate&_synchronous=FULL", 1); err != nil {
		return nil, err
	}
	if err = c.migrate(ctx); err != nil {
		if why := notWritable(abs); why != nil {
			err = why
		}
		return nil, err
	}
	if c.read, err = connect(abs, "_query_only=on", 5); err != nil {
		return nil, err
	}
	return c, nil
}

// uriPath is a path as it stands in a file: URI.
func uriPath(path string) string { return (&url.URL{Path: path}).EscapedPath() }

func connect(path, more string, conns int) (*sql.DB, error) {
	dsn := "file:" + uriPath(path) + "?_journal_mode=WAL&_foreign_keys=on&_busy_timeout=20000&_cache_size=-32000&_stmt_cache_size=100&" + more
	db, err := sql.Open("sqlite3", dsn)
	if err != nil {
		return nil, fmt.Errorf("the collection %s can't be opened: %w", path, err)
	}
	db.SetMaxOpenConns(conns)
	db.SetMaxIdleConns(conns)
	return db, nil
}

// sqliteHeader is how every SQLite 3 file begins (SQLite file format, 1.3.1);
// the application id is at offset 68.
const sqliteHeader = "SQLite format 3\x00"

// looksRight turns away a file that is no collection before SQLite gets to
// write to it. A file that is not there, or empty, is as good as new.
func looksRight(path string) error {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("the collection can't be opened: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil || info.Size() == 0 {
		return err
	}
	head := make([]byte, 100)
	if _, err := f.ReadAt(head, 0); err != nil || string(head[:16]) != sqliteHeader {
		return fmt.Errorf("%w: %s", ErrNotACollection, path)
	}
	id := uint32(head[68])<<24 | uint32(head[69])<<16 | uint32(head[70])<<8 | uint32(head[71])
	// A collection whose making was cut short has no id yet, and nothing in it.
	if id != applicationID && !(id == 0 && info.Size() <= 64<<10) {
		return fmt.Errorf("%w: %s is another program's database", ErrNotACollection, path)
	}
	return nil
}

// notWritable says why the file at path, or what SQLite puts beside it, can't be
// written, with what to do; nil where it can. SQLite itself only says that it is
// unable to open the file.
func notWritable(path string) error {
	if f, err := os.OpenFile(path, os.O_RDWR, 0); err == nil {
		f.Close()
	} else if !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("the collection %s may not be written to: change its permissions, or name another with --collection (%w)", path, err)
	}
	folder := filepath.Dir(path)
	f, err := os.CreateTemp(folder, ".tawsight-*.tmp")
	if err != nil {
		return fmt.Errorf("the collection %s can't be kept, because the folder %s may not be written to: change its permissions, or name another collection with --collection (%w)", path, folder, err)
	}
	f.Close()
	_ = os.Remove(f.Name())
	return nil
}

// migrate brings the file to this version's tables. A file that already holds
// something is copied aside first.
func (c *Collection) migrate(ctx context.Context) error {
	fail := func(err error) error {
		return fmt.Errorf("the collection %s can't be brought up to date: %w", c.path, err)
	}
	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return fail(err)
	}
	// The mark comes before all else: a file whose making is cut short is known
	// for ours.
	var mark, finished int64
	if err := c.write.QueryRowContext(ctx, "PRAGMA application_id").Scan(&mark); err != nil {
		return fail(err)
	}
	if mark == 0 {
		if _, err := c.write.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d", applicationID)); err != nil {
			return fail(err)
		}
	}
	p, err := goose.NewProvider(goose.DialectSQLite3, c.write, files, goose.WithTableName("schema_version"))
	if err != nil {
		return fail(err)
	}
	have, newest, err := p.GetVersions(ctx)
	if err != nil {
		return fail(err)
	}
	// The version for which the journal's triggers were made; they come after the
	// tables, and a run may end between the two.
	if err := c.write.QueryRowContext(ctx, "PRAGMA user_version").Scan(&finished); err != nil {
		return fail(err)
	}
	switch {
	case have > newest:
		return fmt.Errorf("%w: %s; install that version, or a later one", ErrNewer, c.path)
	case have == newest && finished == newest:
		return nil
	case have > 0 && have < newest:
		aside := fmt.Sprintf("%s.before-version-%d", c.path, newest)
		if _, err := os.Stat(aside); errors.Is(err, fs.ErrNotExist) {
			if _, err := c.write.ExecContext(ctx, "VACUUM INTO ?", aside); err != nil {
				return fail(err)
			}
		}
	}
	if _, err := p.Up(ctx); err != nil {
		return fail(err)
	}
	return c.inTx(ctx, func(tx *sql.Tx) error {
		if err := makeTriggers(ctx, tx); err != nil {
			return err
		}
		if finished == 0 {
			for name, value := range map[string]string{settingID: newID(), settingMade: now()} {
				if _, err := tx.ExecContext(ctx, "INSERT OR IGNORE INTO setting VALUES (?, ?)", name, value); err != nil {
					return err
				}
			}
		}
		_, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version = %d", newest))
		return err
	})
}

// Settings by name.
const (
	settingID      = "id"
	settingMade    = "made"
	settingEdition = "edition" // the edition in force; journalled, so that taking it over can be undone
)

// Path is where the collection lies, absolute.
func (c *Collection) Path() string { return c.path }

// UploadsDir is the folder beside the collection for photos that come without
// a place of their own.
func (c *Collection) UploadsDir() string {
	return strings.TrimSuffix(c.path, Ext) + "-photos"
}

// Version is a number that stays the same as long as nothing in the file is
// changed, by this process or another, and is a new one afterwards. It says
// nothing from one opening of the collection to the next (SQLite, PRAGMA
// data_version).
func (c *Collection) Version(ctx context.Context) (v int64, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.version == nil {
		// It counts what other connections than the one that asks have changed.
		if c.version, err = c.read.Conn(ctx); err != nil {
			return 0, fmt.Errorf("the collection can't be read: %w", err)
		}
	}
	if err := c.version.QueryRowContext(ctx, "PRAGMA data_version").Scan(&v); err != nil {
		return 0, fmt.Errorf("the collection can't be read: %w", err)
	}
	return v, nil
}

// Close closes the collection. What was committed is on the disk already.
func (c *Collection) Close() error {
	var errs []error
	c.mu.Lock()
	if c.version != nil {
		errs = append(errs, c.version.Close())
	}
	c.mu.Unlock()
	for _, db := range []*sql.DB{c.read, c.write} {
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	return errors.Join(errs...)
}

// Watch returns a channel that receives after every change made through this
// Collection, and a function that ends it. Changes that come faster than they
// are received are told once.
func (c *Collection) Watch() (<-chan struct{}, func()) {
	ch := make(chan struct{}, 1)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.watcher = append(c.watcher, ch)
	return ch, func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		for i, w := range c.watcher {
			if w == ch {
				c.watcher = append(c.watcher[:i:i], c.watcher[i+1:]...)
				return
			}
		}
	}
}

func (c *Collection) tellWatchers() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, w := range c.watcher {
		select {
		case w <- struct{}{}:
		default:
		}
	}
}

// inTx runs f in one transaction: all of it or nothing.
func (c *Collection) inTx(ctx context.Context, f func(tx *sql.Tx) error) error {
	tx, err := c.write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("the collection can't be written: %w", err)
	}
	defer tx.Rollback()
	if err := f(tx); err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("the collection can't be written: %w", err)
	}
	c.tellWatchers()
	return nil
}

// Ids are 16 letters and digits of base 32 (RFC 4648), so that they read well
// in an address: 80 bits, random or derived from what the row stands for.
var idText = base32.NewEncoding("abcdefghijklmnopqrstuvwxyz234567").WithPadding(base32.NoPadding)

func newID() string {
	var b [10]byte
	rand.Read(b[:]) // never fails (crypto/rand)
	return idText.EncodeToString(b[:])
}

// derivedID is the same for the same parts on every machine, so that what two
// collections both hold is one thing when they are brought together.
func derivedID(parts ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(parts, "\x00")))
	return idText.EncodeToString(sum[:10])
}

// timeLayout sorts as text.
const timeLayout = "2006-01-02T15:04:05.000Z"

func now() string { return time.Now().UTC().Format(timeLayout) }

// ParseTime reads a time as the collection writes it; the zero time for what is
// none.
func ParseTime(s string) time.Time {
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return time.Time{}
	}
	return t
}

// UserName is who is at the machine, for the journal where nobody said.
func UserName() string {
	u, err := user.Current()
	switch {
	case err != nil:
		return "somebody"
	case u.Name != "":
		return strings.Split(u.Name, ",")[0]
	}
	return u.Username
}

// somebody is who did something: the one at the machine where nobody said.
func somebody(who string) string {
	if strings.TrimSpace(who) == "" {
		return UserName()
	}
	return who
}

// scanner is a row or rows.
type scanner interface{ Scan(...any) error }

// queryer is a database or a transaction.
type queryer interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// collect reads all rows of a query.
func collect[T any](ctx context.Context, q queryer, scan func(scanner) (T, error), query string, args ...any) ([]T, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, fmt.Errorf("the collection can't be read: %w", err)
	}
	defer rows.Close()
	var out []T
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, fmt.Errorf("the collection can't be read: %w", err)
		}
		out = append(out, v)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("the collection can't be read: %w", err)
	}
	return out, nil
}

// IsFull says whether an error is that of a disk with no room left.
func IsFull(err error) bool {
	var e sqlite3.Error
	return errors.Is(err, syscall.ENOSPC) || errors.As(err, &e) && (e.Code == sqlite3.ErrFull || e.SystemErrno == syscall.ENOSPC)
}

// notFound turns the driver's "no rows" into ours.
func notFound(err error, what, id string) error {
	if errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("%s %s: %w", what, id, ErrNotFound)
	}
	if err != nil {
		return fmt.Errorf("the collection can't be read: %w", err)
	}
	return nil
}
