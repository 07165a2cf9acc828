package pipeline

import (
	"context"
	"fmt"
	"math"
	"sync"
	"time"

	"tawsight/calib"
	"tawsight/internal/quality"
	"tawsight/internal/record"
	"tawsight/vision"
)

// Check looks at photos only as far as saying how good they are: card, light,
// sharpness, and where marbles lie, without refined outlines, sizes or
// features. Photos are files and folders as for Run; the records come in the
// order of the sorted paths. workers is 0 for one a core.
func Check(ctx context.Context, photos []string, workers int, progress func(done, total int, path string)) ([]record.Photo, error) {
	return CheckBy(ctx, photos, RulerOptions{}, workers, progress)
}

// CheckBy is Check with rulers named. The error wraps [ErrRuler] where there is
// no such ruler.
func CheckBy(ctx context.Context, photos []string, o RulerOptions, workers int, progress func(done, total int, path string)) ([]record.Photo, error) {
	paths, err := listPhotos(photos, "")
	if err != nil {
		return nil, err
	}
	if err := o.Check(len(paths)); err != nil {
		return nil, err
	}
	out := make([]record.Photo, len(paths))
	var mu sync.Mutex
	done := 0
	each(ctx, len(paths), workers, func(i int) {
		ph := look(ctx, paths[i], o, nil)
		mu.Lock()
		defer mu.Unlock()
		out[i] = ph
		done++
		if progress != nil {
			progress(done, len(paths), paths[i])
		}
	})
	for i := range out {
		out[i].Path = record.TextPath(out[i].Path) // no file is opened by it any more
	}
	return out, ctx.Err()
}

func checkPhoto(path string, o RulerOptions) (ph record.Photo) {
	start := time.Now()
	fresh := record.Photo{Path: path, MadeBy: madeBy(), Scale: record.Scale{Source: "none"}, White: record.White{Source: "none"}}
	defer func() {
		if fault := recover(); fault != nil {
			ph = fresh
			ph.Error = fmt.Sprintf("a fault in the program itself (%v); please report it with this photo", fault)
			ph.Verdict = record.Verdicts{Size: record.Unusable, Colour: record.Unusable, Pattern: record.Unusable}
		}
		ph.Seconds = math.Round(time.Since(start).Seconds()*1000) / 1000
	}()
	ph = fresh
	p, err := vision.Open(path)
	if err != nil {
		ph.Error = reasonOf(err)
		ph.Verdict = record.Verdicts{Size: record.Unusable, Colour: record.Unusable, Pattern: record.Unusable}
		return ph
	}
	defer p.Close()
	judgeOpened(p, &ph, o)
	return ph
}

// CheckData is Check for one photo in memory, with the measures behind the
// verdicts: for scoring. The error is that of vision.Decode.
func CheckData(name string, data []byte) (ph record.Photo, q quality.Measures, err error) {
	p, err := vision.Decode(name, data)
	if err != nil {
		return ph, q, err
	}
	defer p.Close()
	ph = record.Photo{Path: name, MadeBy: madeBy(), Scale: record.Scale{Source: "none"}, White: record.White{Source: "none"}}
	q = judgeOpened(p, &ph, RulerOptions{})
	return ph, q, nil
}

func judgeOpened(p *vision.Photo, ph *record.Photo, o RulerOptions) quality.Measures {
	q := checkOpened(p, ph, o)
	ph.Flags = q.PhotoFlags()
	if q.Ultraviolet.Is {
		underUltraviolet(ph, q.Ultraviolet)
	}
	quality.Judge(ph)
	return q
}

// checkOpened measures an open photo's quality and fills in the record but for
// the photo's flags and the verdicts.
func checkOpened(p *vision.Photo, ph *record.Photo, o RulerOptions) quality.Measures {
	ph.SHA256, ph.WidthPX, ph.HeightPX = p.SHA256, p.Width, p.Height
	ph.Taken, ph.Camera = p.Meta.TakenISO, p.Meta.Camera()
	look := sightRuler(p, calib.PrintScale{Factor: 1}, o)
	mat := seeMat(p, &look, calib.PrintScale{Factor: 1})
	det, scene := look.det, look.scene
	white := calib.Neutral()
	if det.Found {
		if w, ok := calib.ReadWhite(p.Mat(), det.Corners); ok {
			white = w
		}
	}
	ph.Scale = look.record()
	found := vision.FindQuick(p, scene)
	ids := mat.number(&found)
	if mat != nil {
		ph.Mat = mat.version
	}
	if white.Source == "none" && !det.Found && found.Paper != nil {
		white = calib.WhiteFromBackground(found.PaperLinear)
	}
	ph.White = whiteRecord(white)
	q := quality.Measure(p, det, look.ruler, white, found, scene.Areas)
	for i, o := range found.Marbles {
		m := record.Marble{ID: ids[i], Place: mat.place(i), Outline: outlineRecord(o.Ellipse), Touching: o.Touching, CutOff: o.CutOff}
		m.Flags = quality.MarbleFlags(quality.Marble{Outline: o, Look: q.Survey.Marbles[i], UnderUltraviolet: q.Ultraviolet.Is})
		ph.Marbles = append(ph.Marbles, m)
	}
	return q
}
