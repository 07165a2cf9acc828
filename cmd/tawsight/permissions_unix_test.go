//go:build unix

package main

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"tawsight/internal/bundle"
)

// nobody is the user without rights that Linux and the BSDs keep, 65534 (common
// practice).
const nobody = 65534

// A plainUser runs the program as a user who may not read and write everything:
// the user of the tests, or nobody where that is the superuser.
type plainUser struct {
	dir     string // the user's own
	program string
}

func newPlainUser(t *testing.T) *plainUser {
	t.Helper()
	if os.Geteuid() != 0 {
		return &plainUser{dir: t.TempDir(), program: os.Args[0]}
	}
	// The folders of go test are its user's alone.
	dir, err := os.MkdirTemp("", "tawsight-nobody")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	u := &plainUser{dir: filepath.Join(dir, "home"), program: filepath.Join(dir, "program")}
	if err := copyFile(u.program, os.Args[0]); err != nil {
		t.Fatal(err)
	}
	u.folder(t, "")
	if out, err := u.command("version").CombinedOutput(); err != nil {
		t.Skipf("the program can't be run as another user here: %v %s", err, out)
	}
	return u
}

func copyFile(to, from string) error {
	r, err := os.Open(from)
	if err != nil {
		return err
	}
	defer r.Close()
	w, err := os.OpenFile(to, os.O_CREATE|os.O_WRONLY, 0o755)
	if err != nil {
		return err
	}
	_, err = io.Copy(w, r)
	return errors.Join(err, w.Close())
}

// path is a place below the user's folder.
func (u *plainUser) path(name string) string { return filepath.Join(u.dir, filepath.FromSlash(name)) }

// folder makes a folder of the user's.
func (u *plainUser) folder(t *testing.T, name string) string {
	t.Helper()
	if err := os.MkdirAll(u.path(name), 0o755); err != nil {
		t.Fatal(err)
	}
	u.give(t, name)
	return u.path(name)
}

// file makes a file of the user's, and its folder.
func (u *plainUser) file(t *testing.T, name string, data []byte) {
	t.Helper()
	u.folder(t, filepath.ToSlash(filepath.Dir(name)))
	if err := os.WriteFile(u.path(name), data, 0o644); err != nil {
		t.Fatal(err)
	}
	u.give(t, name)
}

func (u *plainUser) give(t *testing.T, name string) {
	t.Helper()
	if os.Geteuid() == 0 {
		if err := os.Chown(u.path(name), nobody, nobody); err != nil {
			t.Fatal(err)
		}
	}
}

// mode takes rights from a file or folder until the test ends.
func (u *plainUser) mode(t *testing.T, name string, mode os.FileMode) {
	t.Helper()
	if err := os.Chmod(u.path(name), mode); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.Chmod(u.path(name), 0o755) })
}

// command is the program with some arguments, run by the user.
func (u *plainUser) command(args ...string) *exec.Cmd {
	c := exec.Command(u.program)
	c.Dir = u.dir
	c.Env = append(os.Environ(), commandEnv+"="+strings.Join(args, "\n"), "HOME="+u.dir, "XDG_CACHE_HOME="+u.path("cache"),
		"XDG_CONFIG_HOME="+u.path("config"), "XDG_DATA_HOME="+u.path("data"))
	if os.Geteuid() == 0 {
		c.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
	}
	return c
}

// run is the exit status and what was said.
func (u *plainUser) run(t *testing.T, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, said bytes.Buffer
	c := u.command(args...)
	c.Stdout, c.Stderr = &out, &said
	err := c.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	if strings.Contains(said.String(), "goroutine ") {
		t.Errorf("%v: a stack trace:\n%s", args, said.String())
	}
	return c.ProcessState.ExitCode(), out.String(), said.String()
}

// Photos and folders that may not be opened are named with what to do, and the
// rest is done.
func TestNotToBeRead(t *testing.T) {
	u, plain := newPlainUser(t), smallPhoto(t)
	for _, name := range []string{"photos/good.jpg", "photos/locked.jpg", "photos/shut/a.jpg", "photos/unlisted/b.jpg", "photos/.hidden/c.jpg"} {
		u.file(t, name, plain)
	}
	u.mode(t, "photos/locked.jpg", 0)
	u.mode(t, "photos/shut", 0)
	u.mode(t, "photos/unlisted", 0o444) // its names can be read, and no file in it
	u.mode(t, "photos/.hidden", 0)
	want := map[string]string{
		"photos/good.jpg":       "",
		"photos/locked.jpg":     "the file may not be read (permission denied); check that you may read",
		"photos/shut":           "the folder can't be opened, so what is in it was not looked at; check that you may read it",
		"photos/unlisted/b.jpg": "the file may not be read (permission denied); check that",
	}

	t.Run("measure", func(t *testing.T) {
		status, _, stderr := u.run(t, "measure", u.path("photos"), "--out", u.path("out"))
		if status != exitUnreadable {
			t.Errorf("exit status %d, want %d\n%s", status, exitUnreadable, stderr)
		}
		f, err := os.Open(u.path("out/photos.csv"))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		rows, err := csv.NewReader(f).ReadAll()
		if err != nil || len(rows) != len(want)+1 {
			t.Fatalf("%d rows, %v; want %d", len(rows), err, len(want)+1)
		}
		for _, r := range rows[1:] {
			name, err := filepath.Rel(u.dir, r[0])
			reason, ok := want[filepath.ToSlash(name)]
			if err != nil || !ok {
				t.Errorf("a row of %s", r[0])
				continue
			}
			if got := r[slices.Index(rows[0], "error")]; !strings.HasPrefix(got, reason) || (got == "") != (reason == "") {
				t.Errorf("%s: %q, want %q", name, got, reason)
			}
			if reason != "" && !strings.Contains(stderr, r[0]) {
				t.Errorf("%s is not named on standard error:\n%s", r[0], stderr)
			}
		}
	})
	t.Run("check", func(t *testing.T) {
		status, stdout, stderr := u.run(t, "check", u.path("photos"))
		if status != exitUnreadable {
			t.Errorf("exit status %d, want %d", status, exitUnreadable)
		}
		for name, reason := range want {
			if !strings.Contains(stdout+stderr, filepath.Base(name)) || !strings.Contains(stdout+stderr, reason) {
				t.Errorf("neither %s nor %q in:\n%s%s", name, reason, stdout, stderr)
			}
		}
	})
	t.Run("a locked folder alone", func(t *testing.T) {
		status, _, stderr := u.run(t, "measure", u.path("photos/shut"), "--out", u.path("out2"))
		if status != exitUnreadable || !strings.Contains(stderr, want["photos/shut"]) {
			t.Errorf("exit status %d: %s", status, stderr)
		}
	})
	t.Run("add", func(t *testing.T) {
		status, stdout, stderr := u.run(t, "add", u.path("photos"), "--collection", u.path("mine.tawsight"), "--as", "Ada")
		if status != exitUnreadable {
			t.Errorf("exit status %d, want %d: %s", status, exitUnreadable, stderr)
		}
		for name, reason := range want {
			if reason != "" && !strings.Contains(stdout+stderr, strings.TrimPrefix(name, "photos/")) {
				t.Errorf("%s is not named in:\n%s%s", name, stdout, stderr)
			}
		}
	})
}

// Where nothing can be written, the program says so before it begins, and leaves
// what is there as it was.
func TestNotToBeWritten(t *testing.T) {
	u, plain := newPlainUser(t), smallPhoto(t)
	u.file(t, "photos/jar/a.jpg", plain)
	u.folder(t, "shut")
	u.mode(t, "shut", 0o555)
	// A collection that was made before, and can only be read now.
	if status, _, stderr := u.run(t, "add", u.path("photos"), "--collection", u.path("kept/mine.tawsight"), "--as", "Ada"); status != exitDone {
		t.Fatalf("exit status %d: %s", status, stderr)
	}
	before, err := os.ReadFile(u.path("kept/mine.tawsight"))
	if err != nil {
		t.Fatal(err)
	}
	u.mode(t, "kept/mine.tawsight", 0o444)
	u.mode(t, "kept", 0o555)
	for name, args := range map[string][]string{
		"measure": {"measure", u.path("photos"), "--out", u.path("shut/out")},
		"card":    {"card", "--out", u.path("shut/card")},
		"bundle":  {"bundle", u.path("photos"), "--out", u.path("shut/mine.zip")},
		"check":   {"references", u.path("photos"), "--out", u.path("shut/health")},
		"add":     {"add", u.path("photos"), "--collection", u.path("shut/mine.tawsight"), "--as", "Ada"},
		"deep":    {"add", u.path("photos"), "--collection", u.path("shut/deep/mine.tawsight"), "--as", "Ada"},
		"kept":    {"add", u.path("photos"), "--collection", u.path("kept/mine.tawsight"), "--as", "Ada"},
		"history": {"history", "--collection", u.path("kept/mine.tawsight")},
	} {
		t.Run(name, func(t *testing.T) {
			status, _, stderr := u.run(t, args...)
			if status != exitFailed && status != exitUsage {
				t.Errorf("exit status %d", status)
			}
			if !strings.Contains(stderr, u.path("shut")) && !strings.Contains(stderr, u.path("kept")) || !strings.Contains(stderr, "permission denied") && !strings.Contains(stderr, "permissions") {
				t.Errorf("%q does not name the folder and the cause", stderr)
			}
		})
	}
	if left, err := os.ReadDir(u.path("shut")); err != nil || len(left) > 0 {
		t.Errorf("%d files were left, %v", len(left), err)
	}
	if after, err := os.ReadFile(u.path("kept/mine.tawsight")); err != nil || !bytes.Equal(before, after) {
		t.Errorf("the collection was changed: %v", err)
	}
}

// Labelled photos that may not be read are named, and the others are packed.
func TestLabelledNotToBeRead(t *testing.T) {
	if testing.Short() {
		t.Skip("measures sample photos")
	}
	u := newPlainUser(t)
	sample, err := filepath.Glob("../../samples/photos/references/*/*.jpg")
	if err != nil || len(sample) == 0 {
		t.Fatalf("no samples: %v", err)
	}
	data, err := os.ReadFile(sample[0])
	if err != nil {
		t.Fatal(err)
	}
	u.file(t, "sets/jar/a.jpg", data)
	u.file(t, "sets/jar/locked.jpg", data)
	u.file(t, "sets/shut/b.jpg", data)
	u.mode(t, "sets/jar/locked.jpg", 0)
	u.mode(t, "sets/shut", 0)
	status, _, stderr := u.run(t, "bundle", u.path("sets"), "--out", u.path("mine.zip"))
	if status != exitUnreadable {
		t.Errorf("exit status %d, want %d", status, exitUnreadable)
	}
	for _, name := range []string{"sets/jar/locked.jpg", "sets/shut"} {
		if !strings.Contains(stderr, u.path(name)+":") {
			t.Errorf("%s is not named in:\n%s", name, stderr)
		}
	}
	b, err := bundle.Open(u.path("mine.zip"))
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	var list bytes.Buffer
	if err := b.List(&list); err != nil || !strings.Contains(list.String(), "jar") || strings.Contains(list.String(), "shut") {
		t.Errorf("%v: %s", err, list.String())
	}
}

// smallPhoto is a photo of nothing, measured in a moment.
func smallPhoto(t *testing.T) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(smallPhotos(t, 1), "a set", "a.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	return data
}
