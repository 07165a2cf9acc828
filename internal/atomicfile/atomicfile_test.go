package atomicfile

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
)

func TestWrite(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a", "b", "c.txt")
	for _, text := range []string{"first", "second, longer", ""} {
		if err := WriteBytes(path, []byte(text)); err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(path)
		if err != nil || string(got) != text {
			t.Errorf("read back %q, %v; want %q", got, err, text)
		}
	}
	alone(t, filepath.Dir(path), "c.txt")
}

func TestFailureLeavesNothing(t *testing.T) {
	for name, c := range map[string]struct {
		err  error
		says string
	}{
		"full disk": {&os.PathError{Op: "write", Path: "x", Err: syscall.ENOSPC}, "disk is full"},
		"read-only": {&os.PathError{Op: "write", Path: "x", Err: syscall.EROFS}, "--out"},
		"other":     {errors.New("a cause of its own"), "a cause of its own"},
	} {
		t.Run(name, func(t *testing.T) {
			folder := t.TempDir()
			path := filepath.Join(folder, "kept.csv")
			if err := WriteBytes(path, []byte("before")); err != nil {
				t.Fatal(err)
			}
			err := Write(path, func(w io.Writer) error {
				if _, err := w.Write(make([]byte, 1<<20)); err != nil {
					return err
				}
				return c.err
			})
			if !errors.Is(err, c.err) || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), path) {
				t.Errorf("error %q should wrap the cause, name the file and say %q", err, c.says)
			}
			if got, _ := os.ReadFile(path); string(got) != "before" {
				t.Error("the file from before is gone")
			}
			alone(t, folder, "kept.csv")
		})
	}
}

// /dev/full is Linux's own stand-in for a full disk: every write to it fails
// with ENOSPC.
func TestFullDisk(t *testing.T) {
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip("no /dev/full here")
	}
	defer full.Close()
	path := filepath.Join(t.TempDir(), "x")
	err = Write(path, func(io.Writer) error {
		_, err := full.Write([]byte("x"))
		return err
	})
	if err == nil || !strings.Contains(err.Error(), "disk is full") {
		t.Errorf("error %v does not say that the disk is full", err)
	}
}

func TestFolderThatIsAFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	err := WriteBytes(filepath.Join(file, "x.csv"), nil)
	if err == nil || !strings.Contains(err.Error(), "--out") {
		t.Errorf("error %v does not say what to do", err)
	}
}

func TestWritersSideBySide(t *testing.T) {
	folder := t.TempDir()
	var wg sync.WaitGroup
	for i := range 20 {
		wg.Go(func() {
			if err := WriteBytes(filepath.Join(folder, string(rune('a'+i))), []byte{byte(i)}); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	for i := range 20 {
		got, err := os.ReadFile(filepath.Join(folder, string(rune('a'+i))))
		if err != nil || len(got) != 1 || got[0] != byte(i) {
			t.Errorf("file %d holds %v, %v", i, got, err)
		}
	}
}

// alone wants one file of that name in the folder and no other.
func alone(t *testing.T, folder, name string) {
	t.Helper()
	entries, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	if len(entries) != 1 || entries[0].Name() != name {
		t.Errorf("the folder holds %v, want only %s", entries, name)
	}
}
