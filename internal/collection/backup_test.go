package collection

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestBackupAndRestore(t *testing.T) {
	c, ctx := full(t), context.Background()
	if err := os.MkdirAll(c.UploadsDir(), 0o755); err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string]string{"aa.jpg": "one photo", "bb.png": "another", ".receiving-1": "half a pho"} {
		if err := os.WriteFile(filepath.Join(c.UploadsDir(), name), []byte(data), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want := dumpAll(t, c)
	dir := t.TempDir()
	dest := filepath.Join(dir, "sub", "2026.zip")
	// Somebody goes on working meanwhile.
	stop, stopped := make(chan struct{}), make(chan error)
	b, err := c.Backup(ctx, dest)
	if err != nil {
		t.Fatal(err)
	}
	if b.Photos() != 2 || b.Rows["photo"] != 2 {
		t.Errorf("%+v", b)
	}
	go func() {
		for n := 0; ; n++ {
			select {
			case <-stop:
				stopped <- nil
				return
			default:
				if _, err := c.SetNamed(ctx, "Ada", "set "+strings.Repeat("x", n%100+1)); err != nil {
					stopped <- err
					return
				}
			}
		}
	}()
	if _, err := c.Backup(ctx, filepath.Join(dir, "busy.zip")); err != nil {
		t.Errorf("while in use: %v", err)
	}
	close(stop)
	if err := <-stopped; err != nil {
		t.Errorf("writing during a backup: %v", err)
	}
	// Never over anything.
	before, _ := os.ReadFile(dest)
	if _, err := c.Backup(ctx, dest); !errors.Is(err, ErrThere) {
		t.Errorf("a backup over another: %v", err)
	}
	if after, _ := os.ReadFile(dest); !bytes.Equal(before, after) {
		t.Error("the backup that was there is another")
	}

	// To a new place.
	path := filepath.Join(dir, "new", "marbles"+Ext)
	r, err := Restore(ctx, dest, path, false)
	if err != nil || len(r.Aside) != 0 {
		t.Fatalf("%+v, %v", r, err)
	}
	back, err := Open(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	if got := dumpAll(t, back); got != want {
		t.Errorf("restored:\n%s\nwant\n%s", got, want)
	}
	if data, err := os.ReadFile(filepath.Join(back.UploadsDir(), "aa.jpg")); err != nil || string(data) != "one photo" {
		t.Errorf("a photo: %q, %v", data, err)
	}
	if wrong, err := back.Check(ctx); err != nil || len(wrong) > 0 {
		t.Errorf("the check says %v, %v", wrong, err)
	}
	// Over one that is there: not unless told, and not while it is in use.
	ids, err := back.Sets(ctx)
	if err != nil || len(ids) == 0 {
		t.Fatal(err)
	}
	if _, err := back.RenameSet(ctx, "Ada", ids[0].ID, "since then", ""); err != nil {
		t.Fatal(err)
	}
	since := dumpAll(t, back)
	if _, err := Restore(ctx, dest, path, false); !errors.Is(err, ErrThere) || !strings.Contains(err.Error(), "--replace") {
		t.Errorf("over one that is there: %v", err)
	}
	if _, err := Restore(ctx, dest, path, true); !errors.Is(err, ErrInUse) {
		t.Errorf("over one that is in use: %v", err)
	}
	if dumpAll(t, back) != since {
		t.Error("a refused restore changed the collection")
	}
	back.Close()
	r, err = Restore(ctx, dest, path, true)
	if err != nil || len(r.Aside) != 2 {
		t.Fatalf("replacing: %+v, %v", r, err)
	}
	old, err := Open(ctx, r.Aside[1])
	if err != nil {
		t.Fatalf("%v: %v", r.Aside, err)
	}
	defer old.Close()
	if got := dumpAll(t, old); got != since {
		t.Errorf("what was put aside is\n%s\nwant\n%s", got, since)
	}
	if _, err := os.Stat(filepath.Join(old.UploadsDir(), "bb.png")); err != nil {
		t.Error("the photos were not put aside with it")
	}
	again, err := Open(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	if dumpAll(t, again) != want {
		t.Error("replaced, it is not what was backed up")
	}
	left, err := filepath.Glob(filepath.Join(dir, "*", ".tawsight*"))
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

// Wherever one byte of a backup is changed, or it is cut, it is refused, and
// what is there stays.
func TestDamagedBackupsAreRefused(t *testing.T) {
	c, ctx := made(t), context.Background()
	added(t, c, tray("a", 2))
	if err := os.MkdirAll(c.UploadsDir(), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(c.UploadsDir(), "aa.jpg"), []byte("one photo"), 0o644); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	dest := filepath.Join(dir, "b.zip")
	if _, err := c.Backup(ctx, dest); err != nil {
		t.Fatal(err)
	}
	file, err := os.ReadFile(dest)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "there"+Ext)
	if _, err := Restore(ctx, dest, path, false); err != nil {
		t.Fatal(err)
	}
	stands, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	photo := bytes.Index(file, []byte("one photo"))
	database := bytes.Index(file, []byte(sqliteHeader))
	bad := map[string][]byte{
		"empty":         {},
		"a letter":      []byte("Dear Ada"),
		"cut short":     file[:len(file)/2],
		"the end cut":   file[:len(file)-3],
		"the version":   bytes.Replace(file, []byte(`"version": 1`), []byte(`"version": 2`), 1),
		"no such place": bytes.ReplaceAll(file, []byte("photos/aa.jpg"), []byte("photos/../a.j")),
	}
	for name, at := range map[string]int{"a photo's byte": photo, "the database's first byte": database, "the database's middle": database + 5000, "the database's end": photo - 400} {
		spoilt := bytes.Clone(file)
		spoilt[at] ^= 0x40
		bad[name] = spoilt
	}
	for name, data := range bad {
		f := filepath.Join(dir, "bad.zip")
		if err := os.WriteFile(f, data, 0o644); err != nil {
			t.Fatal(err)
		}
		if _, err := Restore(ctx, f, path, true); !errors.Is(err, ErrBackup) {
			t.Errorf("%s: %v", name, err)
		}
		if now, err := os.ReadFile(path); err != nil || !bytes.Equal(now, stands) {
			t.Fatalf("%s: the collection that was there is another (%v)", name, err)
		}
	}
	if _, err := Restore(ctx, filepath.Join(dir, "nothing.zip"), path, true); err == nil || errors.Is(err, ErrBackup) {
		t.Errorf("a missing file: %v", err)
	}
	left, _ := filepath.Glob(filepath.Join(dir, ".tawsight*"))
	aside, _ := filepath.Glob(filepath.Join(dir, "*before-restore*"))
	if len(left)+len(aside) > 0 {
		t.Errorf("left behind: %v %v", left, aside)
	}
}

func TestCheckFindsWhatIsWrong(t *testing.T) {
	ctx := context.Background()
	for name, q := range map[string]string{
		"stands otherwise": "UPDATE specimen_now SET state = 'doubtful' WHERE number = 1",
		"a colour is gone": "DELETE FROM specimen_colour WHERE place = 0 AND part = 'base'",
		"not listed":       "DELETE FROM specimen_now",
		"points nowhere":   "PRAGMA foreign_keys = OFF; DELETE FROM photo",
	} {
		c := made(t)
		added(t, c, tray("a", 3))
		if wrong, err := c.Check(ctx); err != nil || len(wrong) > 0 {
			t.Fatalf("%s: before, the check says %v, %v", name, wrong, err)
		}
		if _, err := c.write.Exec(q); err != nil {
			t.Fatal(err)
		}
		before := dumpAll(t, c)
		if wrong, err := c.Check(ctx); err != nil || len(wrong) == 0 {
			t.Errorf("%s: the check says %v, %v", name, wrong, err)
		}
		if dumpAll(t, c) != before {
			t.Errorf("%s: the check changed something", name)
		}
	}
}
