package pipeline

import (
	"encoding/json"
	"os"
	"path/filepath"

	"tawsight/internal/record"
	"tawsight/internal/report"
)

// runExt is that of a note of a whole run.
const runExt = ".run"

// leftRun is how a run left its results.
type leftRun struct {
	Photos, Marbles int
	Files           []leftFile
}

// leftFile is one of them, by its path below the folder of results.
type leftFile struct {
	Path    string
	Size    int64
	Changed int64 // ns since 1970
}

// runKey is what a run of these photos is known by: the options, the folder of
// results, and each photo's path, content and camera profile. "" where the run
// depends on more than that, or a photo is not known from earlier.
func (m *memory) runKey(o Options, paths []string) string {
	if m.dir == "" || m.sheets || o.ReferencesDir != "" || o.ModelPath != "" {
		return ""
	}
	out, err := filepath.Abs(o.OutDir)
	if err != nil {
		return ""
	}
	parts := []string{m.options, out}
	for _, p := range paths {
		n, known := m.note(p)
		if !known {
			return ""
		}
		parts = append(parts, p, n.name, n.sum, profileOf(m.ruler.Cameras, p))
	}
	return hashOf(parts...)
}

// asLeft says whether all results of such a run lie where it wrote them, of the
// size and time of change that they then had: then there is nothing to do.
func (m *memory) asLeft(key, outDir string) (Summary, bool) {
	if key == "" {
		return Summary{}, false
	}
	name := filepath.Join(m.dir, key+runExt)
	body, ok := readWhole(name)
	var left leftRun
	if !ok || json.Unmarshal(body, &left) != nil || len(left.Files) == 0 {
		return Summary{}, false
	}
	for _, f := range left.Files {
		if now, ok := fileAsLeft(outDir, f.Path); !ok || now != f {
			return Summary{}, false
		}
	}
	touch(name)
	return Summary{Photos: left.Photos, Marbles: left.Marbles, ReportPath: filepath.Join(outDir, report.HTMLName)}, true
}

// leave notes how a run left its results. Photos that failed may be mended, so
// that a run with such is not noted.
func (m *memory) leave(key, outDir string, stems []string, photos record.Photos, sum Summary) error {
	if key == "" || sum.Failed > 0 {
		return nil
	}
	left := leftRun{Photos: sum.Photos, Marbles: sum.Marbles}
	names := []string{report.HTMLName, report.JSONLName, report.MarblesName, report.PhotosName}
	for i := range photos.Len() {
		p, err := photos.At(i)
		if err != nil {
			return err
		}
		names = append(names, report.OverlayPath(stems[i]))
		for _, marble := range p.Marbles {
			names = append(names, marble.Crop)
		}
	}
	for _, name := range names {
		f, ok := fileAsLeft(outDir, name)
		if !ok {
			return nil
		}
		left.Files = append(left.Files, f)
	}
	if body, err := json.Marshal(left); err == nil {
		m.write(filepath.Join(m.dir, key+runExt), body)
	}
	return nil
}

func fileAsLeft(outDir, path string) (leftFile, bool) {
	info, err := os.Lstat(filepath.Join(outDir, filepath.FromSlash(path)))
	if err != nil || !info.Mode().IsRegular() {
		return leftFile{}, false
	}
	return leftFile{path, info.Size(), info.ModTime().UnixNano()}, true
}
