package pipeline

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"time"

	"tawsight/calib"
	"tawsight/internal/atomicfile"
	"tawsight/internal/bundle"
	"tawsight/internal/cameras"
	"tawsight/internal/record"
	"tawsight/internal/report"
	"tawsight/vision"
)

// viewMMPerPX is the scale of the pictures on plates, twice as fine as that of
// the crops, so that they print well; viewRoom is their side in diameters.
const (
	viewMMPerPX    = 0.05
	viewRoom       = 1.24
	unscaledViewPX = 320
)

// viewOf cuts a marble out for a plate.
func viewOf(p *vision.Photo, o vision.Outline, light vision.Light, diameterMM *float64) (report.View, error) {
	px, scale := float64(unscaledViewPX), 0.0
	if diameterMM != nil {
		px, scale = *diameterMM/viewMMPerPX, viewMMPerPX
	}
	side := int(px*viewRoom + 0.5)
	return report.NewView(vision.Crop(p, o, light, px/(2*o.Ellipse.MeanRadiusPX()), side), scale, px)
}

// trueViews are a photo's views; those of marbles whose size was withdrawn have
// no scale, so that none is drawn at a size that can't be relied on.
func trueViews(res *result) []report.View {
	for i := range res.views {
		if res.photo.Marbles[i].DiameterMM == nil {
			res.views[i].MMPerPX = 0
		}
	}
	return res.views
}

// measured is a labelled photo as it is kept from one run to the next.
type measured struct {
	Photo record.Photo
	Views []report.View
}

// A keep holds measured photos in a folder, so that the labelled ones need not
// be measured each time. An entry is known by the photo's content, the print
// scale, its camera's profile, and the content of this very program: another build never reads what
// this one wrote. What is damaged counts as not there.
type keep struct {
	dir string // "" to keep nothing
	// cameras are the cameras known when measuring; nil for none. The profile that
	// a photo is measured with is part of what its entry is known by.
	cameras *cameras.Book
}

// keepDays is how long an entry that nothing has asked for is kept.
const keepDays = 60

// programSum is the SHA-256 of the program's own file.
var programSum = sync.OnceValues(func() (string, error) {
	path, err := os.Executable()
	if err != nil {
		return "", err
	}
	return bundle.FileSHA256(path)
})

// openKeep is the keep in a folder of the user's cache; one that keeps nothing
// where there is none.
func openKeep() keep {
	dir, err := os.UserCacheDir()
	if err != nil {
		return keep{}
	}
	return keep{dir: filepath.Join(dir, "tawsight", "measured")}
}

// tidy removes what nothing has asked for in a long time.
func (k keep) tidy(now time.Time) {
	entries, err := os.ReadDir(k.dir)
	if err != nil {
		return
	}
	for _, e := range entries {
		info, err := e.Info()
		if err == nil && filepath.Ext(e.Name()) == keepExt && now.Sub(info.ModTime()) > keepDays*24*time.Hour {
			_ = os.Remove(filepath.Join(k.dir, e.Name())) // the next run tries again
		}
	}
}

const keepExt = ".tawsight-measured"

func (k keep) path(photo string, scale calib.PrintScale) (string, error) {
	if k.dir == "" {
		return "", errors.New("nothing is kept")
	}
	program, err := programSum()
	if err != nil {
		return "", err
	}
	sum, err := bundle.FileSHA256(photo)
	if err != nil {
		return "", err
	}
	key := sha256.Sum256([]byte(fmt.Sprintf("%s %s %v %s", program, sum, scale, profileOf(k.cameras, photo))))
	return filepath.Join(k.dir, hex.EncodeToString(key[:16])+keepExt), nil
}

// load gives a kept entry for the photo, if there is a whole one.
func (k keep) load(photo string, scale calib.PrintScale) (m measured, ok bool) {
	path, err := k.path(photo, scale)
	if err != nil {
		return m, false
	}
	data, err := os.ReadFile(path)
	if err != nil || len(data) < sha256.Size {
		return m, false
	}
	body := data[sha256.Size:]
	if sum := sha256.Sum256(body); !bytes.Equal(sum[:], data[:sha256.Size]) {
		return m, false
	}
	if err := json.Unmarshal(body, &m); err != nil || len(m.Views) != len(m.Photo.Marbles) {
		return measured{}, false
	}
	m.Photo.Path = photo
	now := time.Now()
	_ = os.Chtimes(path, now, now) // only delays when it is tidied away
	return m, true
}

// store keeps an entry; where that fails the photo is measured again next time.
func (k keep) store(photo string, scale calib.PrintScale, m measured) error {
	path, err := k.path(photo, scale)
	if err != nil {
		return nil
	}
	body, err := json.Marshal(m)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(body)
	err = atomicfile.WriteBytes(path, append(sum[:], body...))
	if errors.Is(err, fs.ErrPermission) {
		return nil // a cache that can't be written is no cache
	}
	return err
}

// measureKept measures a photo, or takes what was measured of the same file
// before.
func measureKept(ctx context.Context, path string, scale calib.PrintScale, k keep, log *slog.Logger) (measured, error) {
	if m, ok := k.load(path, scale); ok {
		return m, nil
	}
	res := measure(ctx, path, scale, wanted{views: true, ruler: RulerOptions{Cameras: k.cameras}}, log)
	m := measured{res.Photo, res.Views}
	if m.Photo.Error != "" {
		m.Views = nil
		return m, nil // it may be mended before the next run
	}
	return m, k.store(path, scale, m)
}
