package collection

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/pressly/goose/v3"

	"tawsight/internal/record"
)

// firstVersion makes a collection as the first version of the tables had it: one
// photo with two marbles, measured through a camera profile, and an intake of which
// one file waits.
func firstVersion(t *testing.T) string {
	t.Helper()
	ctx, path := context.Background(), filepath.Join(t.TempDir(), "old"+Ext)
	db, err := connect(path, "_txlock=immediate", 1)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		t.Fatal(err)
	}
	p, err := goose.NewProvider(goose.DialectSQLite3, db, files, goose.WithTableName("schema_version"))
	if err == nil {
		_, err = p.UpTo(ctx, 1)
	}
	if err != nil {
		t.Fatal(err)
	}
	m := tray("old", 2)
	sha := m.Photo.SHA256
	do := func(query string, args ...any) {
		t.Helper()
		if _, err := db.ExecContext(ctx, query, args...); err != nil {
			t.Fatal(query, err)
		}
	}
	do(fmt.Sprintf("PRAGMA application_id = %d", applicationID))
	do("PRAGMA user_version = 1")
	do("INSERT INTO setting VALUES ('id', ?), ('made', ?)", newID(), now())
	do("INSERT INTO photo (sha256, bytes, name, added) VALUES (?, 1000, 'old.jpg', ?)", sha, now())
	id := m.Way.id(sha)
	do("INSERT INTO measurement VALUES (?, ?, '2026-01-02T03:04:05.000Z', '1', '4', 2, 0, ?)", id, sha,
		`{"path":"","sha256":"`+sha+`","scale":{"source":"card","camera_profile":"An [old] camera [0123456789ab]"}}`)
	for i := range 2 {
		do("INSERT INTO specimen (id, created) VALUES (?, ?)", fmt.Sprintf("specimen%08d", 22222222+i), now())
		do("INSERT INTO sighting VALUES (?, ?, ?, ?, 100, 40)", fmt.Sprintf("sighting%08d", 22222222+i), sha, fmt.Sprintf("specimen%08d", 22222222+i), 100+100*i)
		do("INSERT INTO figure VALUES (?, ?, ?, ?, '{\"id\":\"1\"}')", fmt.Sprintf("figureaa%08d", 22222222+i), fmt.Sprintf("sighting%08d", 22222222+i), id, i+1)
	}
	do("INSERT INTO intake (id, started, who, source, check_bar_mm) VALUES ('intakeaa22222222', ?, 'Ada', 'a folder', 79.5)", now())
	for i, state := range []string{"measured", "failed", "waiting"} {
		do("INSERT INTO intake_file (id, intake_id, path, name, state) VALUES (?, 'intakeaa22222222', ?, ?, ?)", fmt.Sprintf("fileaaaa%08d", 22222222+i), fmt.Sprint("/p/", i), fmt.Sprint(i), state)
	}
	return path
}

// looksOld checks that all of firstVersion is there, in this version's tables.
func looksOld(t *testing.T, path string) {
	t.Helper()
	ctx := context.Background()
	c, err := Open(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if wrong, err := integrity(ctx, c.read); err != nil || len(wrong) > 0 {
		t.Errorf("not whole: %v, %v", wrong, err)
	}
	sha := tray("old", 2).Photo.SHA256
	past, err := c.Measurements(ctx, sha)
	if err != nil || len(past) != 1 || past[0].Marbles != 2 || past[0].Ruler.Named() || past[0].Made != "2026-01-02T03:04:05.000Z" || past[0].Source != "card" {
		t.Errorf("%+v, %v", past, err)
	}
	way := tray("old", 2).Way
	way.Cameras = "0123456789ab"
	for cameras, want := range map[string]bool{"0123456789ab": true, "": false} {
		way.Cameras = cameras
		if has, err := c.Has(ctx, sha, "/photos/old.jpg", way); err != nil || has != want {
			t.Errorf("with the profile %q it is known: %v, %v; want %v", cameras, has, err, want)
		}
	}
	open, err := c.Unfinished(ctx)
	if err != nil || len(open) != 1 || open[0].CheckBarMM != 79.5 || open[0].Ruler.Named() || open[0].NoProfiles || open[0].Total() != 3 || open[0].Files[Waiting] != 1 || open[0].Files[Failed] != 1 {
		t.Errorf("%+v, %v", open, err)
	}
	f, ok, err := c.NextFile(ctx)
	if err != nil || !ok || f.Name != "2" || f.CheckBarMM != 79.5 {
		t.Errorf("%+v, %v, %v", f, ok, err)
	}
	// Foreign keys hold again.
	if _, err := c.write.ExecContext(ctx, "INSERT INTO figure VALUES ('figureaa33333333', 'sightingnowhere2', 'nowhere222222222', 1, '{}')"); err == nil {
		t.Error("a figure of nothing was taken: foreign keys don't hold")
	}
}

func TestOldCollectionsMigrate(t *testing.T) {
	path := firstVersion(t)
	looksOld(t, path)
	if kept, err := filepath.Glob(path + ".before-version-*"); err != nil || len(kept) != 1 {
		t.Errorf("beside it lie %v (%v), want the collection as it was", kept, err)
	} else {
		aside := filepath.Join(t.TempDir(), "aside"+Ext)
		data, err := os.ReadFile(kept[0])
		if err == nil {
			err = os.WriteFile(aside, data, 0o666)
		}
		if err != nil {
			t.Fatal(err)
		}
		looksOld(t, aside)
	}
}

// A migration that was cut short anywhere is run again: before the new table took
// the old one's place, or after, with its version not noted yet.
func TestMigrationsGoOn(t *testing.T) {
	ctx := context.Background()
	t.Run("with half a table left", func(t *testing.T) {
		path := firstVersion(t)
		db, err := sql.Open("sqlite3", path)
		if err == nil {
			_, err = db.ExecContext(ctx, "CREATE TABLE measurement_anew (id TEXT)")
		}
		if err != nil {
			t.Fatal(err)
		}
		db.Close()
		looksOld(t, path)
	})
	t.Run("with the version not noted", func(t *testing.T) {
		path := firstVersion(t)
		c, err := Open(ctx, path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := c.write.ExecContext(ctx, "DELETE FROM schema_version WHERE version_id = 3"); err != nil {
			t.Fatal(err)
		}
		c.Close()
		looksOld(t, path)
	})
}

// The same photo by another ruler is another measurement: the one asked for last
// counts, and none is lost.
func TestRulersAreWaysOfMeasuring(t *testing.T) {
	c, ctx := made(t), context.Background()
	plain := tray("a", 3)
	ids := added(t, c, plain)
	coin := tray("a", 3)
	coin.Way.Ruler = record.Ruler{Coin: "2-euro"}
	coin.Photo.Scale = record.Scale{Source: "coin"}
	for i := range coin.Photo.Marbles {
		coin.Photo.Marbles[i].DiameterMM = record.F(25 + float64(i))
	}
	if again := added(t, c, coin); !slices.Equal(again, ids) {
		t.Fatalf("other marbles: %v, want %v", again, ids)
	}
	added(t, c, coin) // once more is nothing
	profile := coin
	profile.Way.Cameras = "0123456789ab"
	counts := func(mm float64, ruler record.Ruler) {
		t.Helper()
		p, err := c.Photo(ctx, plain.Photo.SHA256)
		if err != nil || *p.Record.Marbles[0].DiameterMM != mm || p.Ruler.Text() != ruler.Text() {
			t.Errorf("%v mm by %q, %v; want %g by %q", *p.Record.Marbles[0].DiameterMM, p.Ruler.Text(), err, mm, ruler.Text())
		}
		rows, _, err := c.Find(ctx, Filter{IDs: ids[:1]})
		if err != nil || len(rows) != 1 || rows[0].DiameterMM == nil || *rows[0].DiameterMM != mm {
			t.Errorf("the list says %+v, %v; want %g mm", rows, err, mm)
		}
		if last, err := c.LastRuler(ctx, plain.Photo.SHA256); err != nil || last.Text() != ruler.Text() {
			t.Errorf("the last ruler is %q, %v", last.Text(), err)
		}
	}
	counts(25, coin.Way.Ruler)
	for _, w := range []struct {
		way  Way
		want bool
		mm   float64
	}{{plain.Way, true, 15}, {coin.Way, true, 25}, {profile.Way, false, 25}, {plain.Way, true, 15}} {
		if has, err := c.Has(ctx, plain.Photo.SHA256, plain.Photo.Path, w.way); err != nil || has != w.want {
			t.Errorf("%+v is known: %v, %v; want %v", w.way, has, err, w.want)
		}
		ruler := w.way.Ruler
		counts(w.mm, ruler)
	}
	past, err := c.Measurements(ctx, plain.Photo.SHA256)
	if err != nil || len(past) != 2 || !past[0].InForce || past[0].Ruler.Named() || past[1].InForce || past[1].Ruler.Coin != "2-euro" || past[1].Source != "coin" {
		t.Errorf("%+v, %v", past, err)
	}
	if faults, err := c.Check(ctx); err != nil || len(faults) > 0 {
		t.Errorf("%v, %v", faults, err)
	}
}

// inFirstFormat is an export as the first version of the format had it.
func inFirstFormat(t *testing.T, file string) func() io.Reader {
	t.Helper()
	out := strings.Replace(file, fmt.Sprintf(`"version":%d`, LinesVersion), `"version":1`, 1)
	for _, column := range []string{`"asked":"[^"]*",`, `"ruler":"","camera":"",`} {
		re := regexp.MustCompile(column)
		if !re.MatchString(out) {
			t.Fatalf("no %s in the file", column)
		}
		out = re.ReplaceAllString(out, "")
	}
	return func() io.Reader { return strings.NewReader(out) }
}

func asThisFormat(t *testing.T, r io.Reader) io.Reader {
	t.Helper()
	data, err := io.ReadAll(r)
	if err != nil {
		t.Fatal(err)
	}
	return strings.NewReader(strings.Replace(string(data), `"version":1`, fmt.Sprintf(`"version":%d`, LinesVersion), 1))
}

// A file of the first version of the format knows no rulers, and comes in.
func TestFirstFormatComesIn(t *testing.T) {
	ctx := context.Background()
	c := made(t)
	added(t, c, tray("a", 3))
	file := string(exported(t, c, ExportOptions{}))
	old := inFirstFormat(t, file)
	d := made(t)
	in, err := d.Import(ctx, old())
	if err != nil || in.Added["measurement"] != 1 || len(in.Differences) > 0 {
		t.Fatalf("%+v, %v", in, err)
	}
	past, err := d.Measurements(ctx, tray("a", 3).Photo.SHA256)
	if err != nil || len(past) != 1 || past[0].Ruler.Named() {
		t.Errorf("%+v, %v", past, err)
	}
	if again, err := c.Import(ctx, old()); err != nil || again.Total() > 0 || len(again.Differences) > 0 {
		t.Errorf("into the one it is from: %+v, %v", again, err)
	}
	// What this version asks for, a file of this version must have.
	if _, err := made(t).Import(ctx, asThisFormat(t, old())); !errors.Is(err, ErrRefused) {
		t.Errorf("a file of this version without rulers: %v", err)
	}
}
