package pipeline

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"tawsight/calib"
	"tawsight/internal/record"
	"tawsight/internal/report"
	"tawsight/vision"
)

// Single is one photo measured by itself, with the pictures that are worth
// keeping.
type Single struct {
	Photo record.Photo  // with Error set where the file could not be read
	Views []report.View // one a marble
	// Tray is the upright photo reduced to at most TrayPX on its longer side, as
	// JPEG; nil where the file could not be read.
	Tray             []byte
	TrayWPX, TrayHPX int
}

// TrayPX is the longer side of a reduced photo.
const TrayPX = report.OverlaySidePX

// trayQuality is that of a reduced photo as a JPEG.
const trayQuality = 82

// MadeBy is what this program's figures are made by.
func MadeBy() record.MadeBy { return madeBy() }

// MeasureSingle measures one photo; checkBarMM is the printed card's check bar
// as measured, 0 for the nominal length, and ruler says what else may give the
// scale. A file that can't be read is no error: its record says why. The error is
// the context's where that ends meanwhile.
func MeasureSingle(ctx context.Context, path string, checkBarMM float64, ruler RulerOptions) (Single, error) {
	scale, err := calib.ScaleFromCheckBar(checkBarMM)
	if err != nil {
		return Single{}, err
	}
	res := measure(ctx, path, scale, wanted{tray: true, views: true, ruler: ruler}, nil)
	if err := ctx.Err(); err != nil {
		return Single{}, err
	}
	out := Single{Photo: res.Photo, Views: res.Views}
	if res.Photo.Error != "" {
		return out, nil
	}
	if len(res.Tray) == 0 {
		return out, fmt.Errorf("%s: no picture of it could be made", path)
	}
	out.Tray, out.TrayWPX, out.TrayHPX = res.Tray, res.TraySize.X, res.TraySize.Y
	return out, nil
}

// Sheets draws the sheet of every marble of a photo: how its figures came about,
// as PNG, in the order of the record's marbles. A photo under ultraviolet light
// has none.
func Sheets(ctx context.Context, path string, checkBarMM float64, ruler RulerOptions) (record.Photo, [][]byte, error) {
	scale, err := calib.ScaleFromCheckBar(checkBarMM)
	if err != nil {
		return record.Photo{}, nil, err
	}
	res := measure(ctx, path, scale, wanted{sheets: true, ruler: ruler}, nil)
	return res.Photo, res.Sheets, ctx.Err()
}

// ListPhotos expands files and folders into photos, sorted, each once; what lies
// in outDir is passed over, and so are results of earlier runs. The error wraps
// [ErrNoPhotos].
func ListPhotos(args []string, outDir string) ([]string, error) { return listPhotos(args, outDir) }

// PairUltraviolet joins photos under ultraviolet light with the daylight photos
// of the same trays, all as measured before, at their Path: both sides of each
// pair come back with PairedWith (the other's Path), PairedID and Glow filled in.
// Files that are gone are passed over. ruler says by what a photo was measured.
func PairUltraviolet(ctx context.Context, ultraviolet, daylight []record.Photo, checkBarMM float64, ruler func(record.Photo) RulerOptions) ([]record.Photo, error) {
	scale, err := calib.ScaleFromCheckBar(checkBarMM)
	if err != nil {
		return nil, err
	}
	var photos []record.Photo
	var seen []pairable
	for _, p := range ultraviolet {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if _, err := os.Stat(p.Path); err != nil {
			continue
		}
		res := measure(ctx, p.Path, scale, wanted{ruler: ruler(p)}, nil)
		if res.Photo.Error == "" && res.Ultraviolet && len(res.Photo.Marbles) == len(p.Marbles) {
			photos, seen = append(photos, p), append(seen, pairableOf(p.Path, &res).with(p))
		}
	}
	if len(photos) == 0 {
		return nil, nil
	}
	for _, p := range daylight {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if !slices.ContainsFunc(photos, func(u record.Photo) bool { return filepath.Dir(u.Path) == filepath.Dir(p.Path) }) {
			continue
		}
		photos, seen = append(photos, p), append(seen, pairable{path: p.Path, corners: cornersIn(ctx, p.Path)}.with(p))
	}
	// The marbles are the caller's own.
	for i := range photos {
		photos[i].Marbles = slices.Clone(photos[i].Marbles)
	}
	for _, pair := range pairUltraviolet(seen) {
		join(ctx, &photos[pair.day], &photos[pair.ultraviolet], seen[pair.ultraviolet], pair.mapped)
	}
	return slices.DeleteFunc(photos, func(p record.Photo) bool { return p.PairedWith == "" }), nil
}

// cornersOf is cornersIn in this process.
func cornersOf(path string) [][2]float64 {
	p, err := vision.Open(path)
	if err != nil {
		return nil
	}
	defer p.Close()
	if det := calib.DetectWith(p.Mat(), p.Half()); det.Found {
		return det.Corners
	}
	return nil
}
