package pipeline

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"tawsight/internal/report"
)

// ErrSheetsDir is wrapped by the error for a folder that sheets cannot go to by
// what it is, so that nothing need be tried.
var ErrSheetsDir = errors.New("choose another folder with --explain")

// SheetsDir is the folder that sheets go to when explain is asked for: explain
// itself, or its sub-folder "explain" where it is the output folder, so that
// they do not lie among the tables. It is empty where explain is. Sheets may
// not go where crops and overlays lie, whose names are the same, nor where a
// file stands.
func SheetsDir(outDir, explain string) (string, error) {
	if explain == "" {
		return "", nil
	}
	if sameFolder(explain, outDir) {
		explain = filepath.Join(outDir, "explain")
	}
	for _, taken := range []string{report.CropsDir, report.OverlaysDir} {
		if sameFolder(explain, filepath.Join(outDir, taken)) {
			return "", fmt.Errorf("the folder %s is for this run's %s: %w", explain, taken, ErrSheetsDir)
		}
	}
	if info, err := os.Stat(explain); err == nil && !info.IsDir() {
		return "", fmt.Errorf("%s is a file, not a folder: %w", explain, ErrSheetsDir)
	}
	return explain, nil
}

func sameFolder(a, b string) bool {
	if ia, err := os.Stat(a); err == nil {
		if ib, err := os.Stat(b); err == nil {
			return os.SameFile(ia, ib)
		}
	}
	a, errA := filepath.Abs(a)
	b, errB := filepath.Abs(b)
	return errA == nil && errB == nil && a == b
}

// readyForSheets tries, before anything is measured, whether sheets can be
// written to dir, and whether a file of the user's has a name that one of them
// would get.
func readyForSheets(dir string, stems []string) error {
	err := os.MkdirAll(dir, 0o777)
	if err == nil {
		var probe *os.File
		if probe, err = os.CreateTemp(dir, ".tawsight-*.tmp"); err == nil {
			probe.Close()
			err = os.Remove(probe.Name())
		}
	}
	switch {
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("no sheets can be written to %s, because it may not be written to: choose another folder with --explain, or change its permissions (%w)", dir, err)
	case err != nil:
		return fmt.Errorf("no sheets can be written to %s: choose another folder with --explain (%w)", dir, err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("the folder for sheets, %s, can't be read: choose another with --explain (%w)", dir, err)
	}
	ours := make(map[string]bool, len(stems))
	for _, s := range stems {
		ours[strings.ToLower(s)] = true
	}
	for _, e := range entries {
		name, isPNG := strings.CutSuffix(strings.ToLower(e.Name()), ".png")
		cut := strings.LastIndex(name, "-")
		if !isPNG || cut < 0 || !ours[name[:cut]] {
			continue
		}
		if _, err := strconv.Atoi(name[cut+1:]); err != nil {
			continue // marbles are numbered
		}
		if err := report.FreeForSheet(filepath.Join(dir, e.Name())); err != nil {
			return err
		}
	}
	return nil
}

// writeSheets writes the sheet of each marble of a photo and notes in
// the record where it is. A photo under ultraviolet light has none, since
// nothing but the glow is measured there.
func writeSheets(dir, outDir, stem string, res *taken) error {
	for i, sheet := range res.Sheets {
		m := &res.Photo.Marbles[i]
		path := filepath.Join(dir, report.SheetName(stem, m.ID))
		err := report.WriteSheetPNG(path, sheet)
		if err != nil {
			return err
		}
		if m.Sheet, err = pathFrom(outDir, path); err != nil {
			return err
		}
	}
	return nil
}

// pathFrom is the way to a file seen from a folder, with forward slashes, or
// the whole path where no way leads there.
func pathFrom(folder, path string) (string, error) {
	folder, err := filepath.Abs(folder)
	if err != nil {
		return "", err
	}
	if path, err = filepath.Abs(path); err != nil {
		return "", err
	}
	if way, err := filepath.Rel(folder, path); err == nil {
		path = way
	}
	return filepath.ToSlash(path), nil
}
