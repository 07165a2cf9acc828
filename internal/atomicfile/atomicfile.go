// Package atomicfile writes files that are either whole or not there: into a
// temporary file beside the target, renamed once everything is written. A file
// already under that name stays as it was until then.
package atomicfile

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// Write makes the file at path from what fill writes. Where fill or the disk
// fails, nothing is left behind and the error names the file and says what to
// do. Missing folders on the way to path are made. What was written survives
// the program's end, not a power cut in the next seconds: the file is not
// forced to the disk.
func Write(path string, fill func(io.Writer) error) error {
	return write(path, func(f *os.File) error {
		w := bufio.NewWriterSize(f, 1<<16)
		if err := fill(w); err != nil {
			return err
		}
		return w.Flush()
	})
}

func write(path string, fill func(*os.File) error) (err error) {
	folder := filepath.Dir(path)
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return Explain(path, err)
	}
	tmp, err := create(folder)
	if err != nil {
		return Explain(path, err)
	}
	defer func() {
		if err != nil {
			tmp.Close() // a second Close does no harm
			os.Remove(tmp.Name())
		}
	}()
	if err := fill(tmp); err != nil {
		return Explain(path, err)
	}
	if err := tmp.Close(); err != nil {
		return Explain(path, err)
	}
	if err := os.Rename(tmp.Name(), path); err != nil {
		return Explain(path, err)
	}
	return nil
}

// WriteBytes makes the file at path hold the data, one part after the other; see
// Write.
func WriteBytes(path string, data ...[]byte) error {
	return write(path, func(f *os.File) error {
		for _, part := range data {
			if _, err := f.Write(part); err != nil {
				return err
			}
		}
		return nil
	})
}

// Scratch is a file for what need not stay.
type Scratch struct {
	*os.File
	named bool
}

// NewScratch opens a Scratch in the folder of the file at path, which stands for it
// in errors; the folder is made where it is missing. On systems that allow it, the
// Scratch has no name by then, so that nothing is left of it however the program
// ends. Discard it.
func NewScratch(path string) (*Scratch, error) {
	folder := filepath.Dir(path)
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return nil, Explain(path, err)
	}
	f, err := create(folder)
	if err != nil {
		return nil, Explain(path, err)
	}
	return &Scratch{f, os.Remove(f.Name()) != nil}, nil
}

// Discard closes the file and has nothing left of it.
func (s *Scratch) Discard() {
	s.Close()
	if s.named {
		_ = os.Remove(s.Name())
	}
}

// create opens a fresh temporary file with the permissions an ordinary new file
// would get, which os.CreateTemp's 0600 is not.
func create(folder string) (*os.File, error) {
	for n := range 10000 {
		name := filepath.Join(folder, fmt.Sprintf(".tawsight-%d-%d.tmp", os.Getpid(), n))
		f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o666)
		if !errors.Is(err, fs.ErrExist) {
			return f, err
		}
	}
	return nil, errors.New("too many temporary files are left in the folder: remove the files named .tawsight-*.tmp")
}

// Explain says in plain words what a failed write means and what to do.
func Explain(path string, err error) error {
	folder := filepath.Dir(path)
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return fmt.Errorf("%s was not written, because the disk is full: free some space and run again (%w)", path, err)
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
		return fmt.Errorf("%s was not written, because the folder %s may not be written to: choose another with --out, or change its permissions (%w)", path, folder, err)
	case errors.Is(err, syscall.ENOTDIR), errors.Is(err, syscall.EISDIR), errors.Is(err, fs.ErrExist):
		return fmt.Errorf("%s was not written, because a file stands where a folder is needed, or the other way round: choose another folder with --out (%w)", path, err)
	}
	return fmt.Errorf("%s was not written: %w", path, err)
}
