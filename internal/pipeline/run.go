package pipeline

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"sort"
	"strings"
	"sync"

	"gocv.io/x/gocv"

	"tawsight/calib"
	"tawsight/classify"
	"tawsight/features"
	"tawsight/internal/atomicfile"
	"tawsight/internal/likeness"
	"tawsight/internal/record"
	"tawsight/internal/report"
	"tawsight/vision"
)

func madeBy() record.MadeBy {
	return record.MadeBy{Tawsight: record.Version, OpenCV: gocv.OpenCVVersion(), Features: features.Version}
}

// Run measures photos and writes everything the output contract names to
// OutDir. An error means that nothing or not everything could be written; a
// photo that can't be read is not an error but a Failure.
func Run(ctx context.Context, o Options) (Summary, error) {
	log := o.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	scale, err := calib.ScaleFromCheckBar(o.CheckBarMM)
	if err != nil {
		return Summary{}, err
	}
	paths, err := listPhotos(o.Photos, o.OutDir)
	if err != nil {
		return Summary{}, err
	}
	if err := o.Ruler.Check(len(paths)); err != nil {
		return Summary{}, err
	}
	// Wrong notes are wrong usage: nothing may have been written by then.
	var refs *references
	if o.ReferencesDir != "" && o.ModelPath == "" {
		if refs, err = readReferences(o.ReferencesDir); err != nil {
			return Summary{}, err
		}
		defer refs.close()
		refs.cameras = o.Ruler.Cameras
	}
	// The folder is tried first: hours of measuring must not end at a folder
	// that can't be written.
	if err := writable(o.OutDir); err != nil {
		return Summary{}, err
	}
	stems := report.Stems(paths)
	sheets, err := SheetsDir(o.OutDir, o.ExplainDir)
	if err == nil && sheets != "" {
		err = readyForSheets(sheets, stems)
	}
	if err != nil {
		return Summary{}, err
	}
	var learned *likeness.Learned
	done, total := 0, len(paths)
	progress := func(path string) {
		done++
		if o.Progress != nil {
			o.Progress(done, total, path)
		}
	}
	var refFailures []Failure
	switch {
	case o.ModelPath != "":
		model, err := classify.Load(o.ModelPath, likeness.FeatureInfos(), features.Version)
		if err != nil {
			return Summary{}, err
		}
		learned = likeness.Restore(model, nil, nil)
	case refs != nil:
		total += refs.photos()
		specimens, failures, err := measureReferences(ctx, refs, scale, o.Workers, progress, log)
		if err != nil {
			return Summary{}, err
		}
		refFailures = failures
		if learned, err = likeness.Learn(specimens); err != nil {
			return Summary{}, fmt.Errorf("%s: %w", o.ReferencesDir, err)
		}
		for _, w := range learned.Model().Warnings {
			log.Info(w)
		}
	}

	memory := openMemory(o, scale, sheets != "")
	defer memory.close()
	if sum, ok := memory.asLeft(memory.runKey(o, paths), o.OutDir); ok {
		for _, p := range paths {
			progress(p)
		}
		return sum, nil
	}
	photos, err := newRecords(o.OutDir, len(paths))
	if err != nil {
		return Summary{}, err
	}
	defer photos.close()
	pages := make([]string, len(paths))
	seen := make([]pairable, len(paths))
	sum := Summary{Photos: len(paths), Failures: refFailures}
	unread := map[int]string{}
	var firstErr error
	var mu sync.Mutex
	inner, cancel := context.WithCancel(ctx)
	defer cancel()
	lean()
	each(inner, len(paths), o.Workers, func(i int) {
		res := memory.measure(inner, paths[i], scale, wanted{crops: true, draw: learned == nil, base: learned != nil, sheets: sheets != "", ruler: o.Ruler}, log)
		if inner.Err() != nil {
			return // not measured to its end
		}
		recorded, err := json.Marshal(res.Photo)
		if err != nil {
			res.key = "" // it has a figure that JSON can't say
		}
		attribute(learned, &res.Photo)
		if res.Photo.Error == "" {
			err = memory.draw(inner, res, recorded, log)
		}
		if inner.Err() != nil {
			return
		}
		memory.page(res)
		if err == nil {
			err = writePictures(o.OutDir, stems[i], res)
		}
		if err == nil && sheets != "" {
			err = writeSheets(sheets, o.OutDir, stems[i], &res.taken)
		}
		if err == nil {
			err = photos.put(i, res.Photo)
		}
		mu.Lock()
		defer mu.Unlock()
		lean()
		sum.Marbles += len(res.Photo.Marbles)
		if res.Photo.Error != "" {
			unread[i] = res.Photo.Error
		}
		seen[i] = pairableOf(paths[i], &res.taken)
		pages[i] = res.page
		if err != nil && firstErr == nil {
			firstErr = err
			cancel()
		}
		progress(paths[i])
		log.Debug("measured", "photo", paths[i], "marbles", len(res.Photo.Marbles), "seconds", res.Photo.Seconds)
	})
	if firstErr != nil {
		return Summary{}, firstErr
	}
	if err := ctx.Err(); err != nil {
		return Summary{}, err
	}
	for _, pair := range pairUltraviolet(seen) {
		if err := photos.join(ctx, pair, seen[pair.ultraviolet]); err != nil {
			return Summary{}, err
		}
	}
	for _, i := range slices.Sorted(maps.Keys(unread)) {
		sum.Failures = append(sum.Failures, Failure{Path: record.TextPath(paths[i]), Reason: unread[i]})
	}
	sum.Failed = len(sum.Failures)
	leanTo(tablesBytes)
	photos.settle(heldForTables)
	var errs [4]error
	each(ctx, len(errs), o.Workers, func(i int) {
		defer func() {
			if fault := recover(); fault != nil { // nobody else sees it here
				errs[i] = fmt.Errorf("a fault in the program itself while results were written (%v); please report it", fault)
			}
		}()
		switch i {
		case 0: // it takes longest
			errs[i] = report.WriteHTMLWith(o.OutDir, photos, func(i int) report.PagePictures { return pagePictures(pages[i]) })
		case 1:
			errs[i] = report.WriteMarblesCSV(filepath.Join(o.OutDir, report.MarblesName), photos, featureNames())
		case 2:
			errs[i] = report.WritePhotosCSV(filepath.Join(o.OutDir, report.PhotosName), photos)
		case 3:
			errs[i] = report.WriteJSONL(filepath.Join(o.OutDir, report.JSONLName), photos)
		}
	})
	if err := cmp.Or(cmp.Or(errs[:]...), ctx.Err()); err != nil {
		return sum, err
	}
	// Once more, for only now are all photos known.
	if err := memory.leave(memory.runKey(o, paths), o.OutDir, stems, photos, sum); err != nil {
		return sum, err
	}
	sum.SheetsDir = sheets
	sum.ReportPath = filepath.Join(o.OutDir, report.HTMLName)
	return sum, nil
}

// safely keeps a fault of the program's own in one photo from stopping the
// rest.
func safely(path string, scale calib.PrintScale, want wanted) (res result) {
	defer func() {
		if fault := recover(); fault != nil {
			res = result{photo: faulty(path, fmt.Sprintf("a fault in the program itself (%v); please report it with this photo", fault))}
		}
	}()
	return measurePhoto(path, scale, want)
}

// each calls f(0) to f(n-1) from several goroutines; it stops handing out
// work when the context ends.
func each(ctx context.Context, n, workers int, f func(i int)) {
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	var wg sync.WaitGroup
	next := make(chan int)
	for range min(workers, max(1, n)) {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for i := range next {
				f(i)
			}
		}()
	}
	for i := 0; i < n; i++ {
		if ctx.Err() != nil {
			break
		}
		next <- i
	}
	close(next)
	wg.Wait()
}

// writePictures writes a photo's overlay and crops, and notes the crops'
// places in the record.
func writePictures(outDir, stem string, w *work) error {
	if w.Drawn.File == nil {
		return nil
	}
	for i := range w.Photo.Marbles {
		m := &w.Photo.Marbles[i]
		m.Crop = report.CropPath(stem, m.ID)
		if err := atomicfile.WriteBytes(filepath.Join(outDir, filepath.FromSlash(m.Crop)), w.Crops[i]); err != nil {
			return err
		}
	}
	return atomicfile.WriteBytes(filepath.Join(outDir, filepath.FromSlash(report.OverlayPath(stem))), w.Drawn.File)
}

func writable(dir string) error {
	probe := filepath.Join(dir, ".tawsight-probe")
	if err := atomicfile.WriteBytes(probe, nil); err != nil {
		return err
	}
	return os.Remove(probe)
}

func reasonOf(err error) string {
	var re *vision.ReadError
	if errors.As(err, &re) {
		if info, e := os.Stat(re.Path); e == nil && info.IsDir() {
			if _, e := os.ReadDir(re.Path); e != nil { // as listPhotos met it
				return "the folder can't be opened, so what is in it was not looked at; check that you may read it"
			}
		}
		return re.Reason()
	}
	return err.Error()
}

// listPhotos expands files and folders into photos, sorted, each once. What
// lies in outDir is passed over, and so are sheets wherever they lie.
func listPhotos(args []string, outDir string) ([]string, error) {
	out := ""
	if outDir != "" {
		out, _ = filepath.Abs(outDir)
	}
	seen := map[string]bool{}
	var paths []string
	var folders []string
	add := func(p string) {
		p = filepath.Clean(p)
		key, err := filepath.Abs(p)
		if err != nil {
			key = p
		}
		if !seen[key] {
			seen[key] = true
			paths = append(paths, p)
		}
	}
	for _, a := range args {
		info, err := os.Stat(a)
		if err != nil || !info.IsDir() {
			add(a) // a file that isn't there is named like any that can't be read
			continue
		}
		folders = append(folders, a)
		err = filepath.WalkDir(a, func(path string, d fs.DirEntry, err error) error {
			if err != nil {
				// A folder that can't be opened doesn't stop the rest, and is
				// named like a file that can't be read: photos may lie in it.
				// One that has gone since the listing began is no loss.
				if !errors.Is(err, fs.ErrNotExist) && (path == a || !isSystems(filepath.Base(path))) {
					add(path)
				}
				return nil
			}
			if d.IsDir() {
				if abs, err := filepath.Abs(path); err == nil && abs == out || isResults(path) {
					return fs.SkipDir
				}
				return nil
			}
			// Sheets may lie among the photos; only a PNG can be one.
			if vision.IsPhotoName(d.Name()) && !strings.HasPrefix(d.Name(), ".") && !(strings.EqualFold(filepath.Ext(path), ".png") && report.IsSheet(path)) {
				add(path)
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	if len(paths) == 0 {
		return nil, fmt.Errorf("%w in %s: put photos (JPEG, HEIC, PNG, TIFF or WebP) there, or name another folder", ErrNoPhotos, strings.Join(folders, ", "))
	}
	sort.Strings(paths)
	return paths, nil
}

// isSystems says that a folder is hidden, or one that operating systems keep to
// themselves at the top of a disk or memory card (common practice).
func isSystems(name string) bool {
	return strings.HasPrefix(name, ".") || name == "lost+found" || name == "System Volume Information"
}

// isResults says that a folder holds the results of an earlier run, whose
// pictures are no photos.
func isResults(dir string) bool {
	for _, name := range []string{report.JSONLName, report.MarblesName, report.HTMLName} {
		if _, err := os.Stat(filepath.Join(dir, name)); err != nil {
			return false
		}
	}
	return true
}

func featureNames() []string {
	var out []string
	for _, f := range features.All() {
		out = append(out, f.Name)
	}
	return out
}

// Features lists what is measured of a marble, in the order of the table.
func Features() ([]FeatureInfo, error) {
	var out []FeatureInfo
	for _, f := range features.All() {
		info := FeatureInfo{
			Name: f.Name, Label: f.Label, Unit: f.Unit, Low: f.Low, High: f.High,
			Meaning: f.Meaning, RestsOn: []string{}, Disturbed: f.Disturbed, NotCompared: f.NotCompared,
		}
		for _, g := range f.Rests {
			info.RestsOn = append(info.RestsOn, g.Name)
		}
		out = append(out, info)
	}
	return out, nil
}
