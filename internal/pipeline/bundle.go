package pipeline

import (
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"golang.org/x/text/unicode/norm"

	"tawsight/calib"
	"tawsight/features"
	"tawsight/internal/atomicfile"
	"tawsight/internal/bundle"
	"tawsight/internal/cameras"
	"tawsight/internal/likeness"
	"tawsight/internal/record"
	"tawsight/internal/refset"
	"tawsight/internal/report"
)

// BundleOptions say what to pack.
type BundleOptions struct {
	Dir string // one sub-folder a label; bundles in it are not packed again
	Out string // the bundle; must not be there yet
	// WithPhotos packs the photos themselves too, where their permission
	// allows that.
	WithPhotos bool
	// Mine says that photos of which the notes say no permission are the
	// collector's own; Credit is named with own photos that have no credit.
	Mine       bool
	Credit     string
	CheckBarMM float64
	Cameras    *cameras.Book // the cameras that are known; nil for none
	Workers    int
	Progress   func(done, total int, path string)
	Log        *slog.Logger
}

// BundleSummary is what was packed.
type BundleSummary struct {
	Sets, Photos, Marbles int
	// Withheld are the photos of whose marbles no picture was packed, with what
	// their owner allows.
	// Unpacked are photos that stayed at home because what the camera wrote into
	// them could not be taken out; paths below the folder.
	Unpacked []string
	Withheld []WithheldPhoto
	Failures []Failure
}

// WithheldPhoto is a photo whose permission keeps its pictures at home.
type WithheldPhoto struct {
	Path, Permission string
}

// Bundle measures labelled photos and packs them into one file.
func Bundle(ctx context.Context, o BundleOptions) (BundleSummary, error) {
	log := o.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	scale, err := calib.ScaleFromCheckBar(o.CheckBarMM)
	if err != nil {
		return BundleSummary{}, err
	}
	if _, err := os.Lstat(o.Out); !errors.Is(err, fs.ErrNotExist) {
		return BundleSummary{}, fmt.Errorf("%s is there already, and was left as it is: choose another name with --out", o.Out)
	}
	folder, err := refset.Read(o.Dir, func(set string) ([]string, error) { return listPhotos([]string{set}, "") })
	if errors.Is(err, refset.ErrNoSets) || err == nil && len(folder.Sets) == 0 {
		return BundleSummary{}, fmt.Errorf("%w below %s: make one sub-folder a set, named as you call the set, with its photos (JPEG, HEIC, PNG, TIFF or WebP) inside", ErrNoPhotos, o.Dir)
	}
	if err != nil {
		return BundleSummary{}, err
	}
	// The folder is tried first, as in Run.
	if err := writable(filepath.Dir(o.Out)); err != nil {
		return BundleSummary{}, err
	}
	type job struct {
		label, path string
		photo       record.Photo
		crops       [][]byte
	}
	var jobs []job
	for _, s := range folder.Sets {
		for _, p := range s.Photos {
			jobs = append(jobs, job{label: s.Label, path: p})
		}
	}
	var mu sync.Mutex
	done := 0
	each(ctx, len(jobs), o.Workers, func(i int) {
		j := &jobs[i]
		res := measure(ctx, j.path, scale, wanted{crops: true, ruler: RulerOptions{Cameras: o.Cameras}}, log)
		j.photo, j.crops = res.Photo, res.Crops
		mu.Lock()
		defer mu.Unlock()
		done++
		if o.Progress != nil {
			o.Progress(done, len(jobs), j.path)
		}
	})
	if err := ctx.Err(); err != nil {
		return BundleSummary{}, err
	}
	var sum BundleSummary
	c := bundle.Content{MadeBy: madeBy()}
	for _, f := range features.All() {
		c.Features = append(c.Features, bundle.Feature{Name: f.Name, Label: f.Label, Unit: f.Unit})
	}
	sets := map[string]bool{}
	for _, j := range jobs {
		p := j.photo
		if p.Error != "" {
			sum.Failures = append(sum.Failures, Failure{Path: p.Path, Reason: p.Error})
			continue
		}
		noteUnknownMarbles(folder, p, log)
		marbles := learnable(p, log)
		if len(marbles) == 0 {
			continue
		}
		rel := folder.Rel(p.Path)
		packed := bundle.PackedPhoto{Photo: bundle.Photo{
			Path: rel, SHA256: p.SHA256, WidthPX: p.WidthPX, HeightPX: p.HeightPX, Taken: p.Taken, ScaleSource: p.Scale.Source,
		}}
		if o.WithPhotos {
			packed.Source = p.Path
		}
		c.Photos = append(c.Photos, packed)
		c.Notes = append(c.Notes, notesToPack(folder.Notes, rel, o.Mine, o.Credit)...)
		sets[j.label] = true
		for _, m := range marbles {
			q := bundle.PackedMarble{Marble: bundle.Marble{
				Label: j.label, Photo: rel, ID: m.ID, DiameterMM: m.DiameterMM, DiameterU95MM: m.DiameterU95MM,
				Base: m.Base, Ribbons: m.Ribbons, Busyness: m.Busyness, Features: m.Features, FeaturesSure: m.FeaturesSure,
			}}
			if m.DiameterMM != nil {
				q.CropMMPerPX = record.F(cropMMPerPX)
			}
			// The marbles of a photo are numbered from 1, as its crops are.
			if k := slices.IndexFunc(p.Marbles, func(other record.Marble) bool { return other.ID == m.ID }); k < len(j.crops) {
				q.CropPNG = j.crops[k]
			}
			c.Marbles = append(c.Marbles, q)
		}
	}
	sum.Sets, sum.Photos, sum.Marbles = len(sets), len(c.Photos), len(c.Marbles)
	if len(c.Marbles) == 0 {
		return sum, fmt.Errorf("%s: no marble in these photos can be learnt from, so there is nothing to pack: tawsight check says what is wrong with them", o.Dir)
	}
	c.CannotStrip = func(path string) { sum.Unpacked = append(sum.Unpacked, path) }
	var withheld []string
	err = atomicfile.Write(o.Out, func(w io.Writer) (err error) {
		withheld, err = bundle.Pack(w, c)
		return err
	})
	if err != nil {
		return sum, err
	}
	// What another collector's program would refuse must not be given away.
	b, err := bundle.Open(o.Out)
	if err != nil {
		return sum, fmt.Errorf("%w; a fault in the program itself: please report it", err)
	}
	defer b.Close()
	for _, path := range withheld {
		sum.Withheld = append(sum.Withheld, WithheldPhoto{path, b.Notes.Permission(path).String()})
	}
	return sum, nil
}

// notesToPack are the rows about a photo as they are to travel. Where mine is
// set, a photo of which nothing is said is the collector's own; own photos
// without a credit get the one given.
func notesToPack(n refset.Notes, photo string, mine bool, credit string) []refset.Row {
	rows := n.About(photo)
	whole := slices.IndexFunc(rows, func(r refset.Row) bool { return r.Marble == "" })
	permission := n.Permission(photo)
	own := permission == refset.Own || permission == refset.NotSaid && mine
	if !own || permission == refset.Own && (credit == "" || n.Of(photo, "").Credit != "") {
		return rows
	}
	if whole < 0 {
		rows = append([]refset.Row{{Photo: norm.NFC.String(photo)}}, rows...)
		whole = 0
	}
	rows[whole].Permission = refset.Own
	if rows[whole].Credit == "" {
		rows[whole].Credit = credit
	}
	return rows
}

// bundled are a bundle's marbles. Photos that are there already, by bySum, are
// passed over, and those of this bundle noted in it: a photo never counts
// twice. A specimen of the bundle is the folder's own where they share a photo
// of it; else names are the bundle's own, since two collectors may use the same
// ones. Pictures are read when they are shown, so b must be open until then.
func bundled(b *bundle.Bundle, folder *refset.Folder, bySum map[string]string) []likeness.Specimen {
	photos := map[string]*record.Photo{} // those that are new here
	there := map[string]string{}
	for _, p := range b.Manifest.Photos {
		if i := slices.IndexFunc(p.Sums(), func(sum string) bool { return bySum[sum] != "" }); i >= 0 {
			there[p.Path] = bySum[p.Sums()[i]]
			continue
		}
		path := filepath.Join(b.Path, filepath.FromSlash(p.Path))
		for _, sum := range p.Sums() {
			bySum[sum] = path
		}
		photos[p.Path] = &record.Photo{
			Path: path, SHA256: p.SHA256, WidthPX: p.WidthPX, HeightPX: p.HeightPX, Taken: p.Taken,
			Scale: record.Scale{Source: p.ScaleSource}, White: record.White{Source: "none"}, MadeBy: b.Manifest.MadeBy,
		}
	}
	own := map[string]string{}
	for _, m := range b.Manifest.Marbles {
		path, ok := there[m.Photo]
		if m.Specimen == "" || !ok {
			continue
		}
		if name := folder.Note(path, m.ID).Specimen; name != "" {
			own[m.Specimen] = name
		}
	}
	var out []likeness.Specimen
	for _, m := range b.Manifest.Marbles {
		p := photos[m.Photo]
		if p == nil {
			continue
		}
		name := own[m.Specimen]
		if m.Specimen != "" && name == "" {
			name = filepath.Base(b.Path) + ": " + m.Specimen
		}
		marble, note := m.Record(), m.Known()
		if note.Permission == refset.Own {
			// The giver's own, which on a plate of another's means shared.
			note.Permission = refset.MayShare
		}
		q := specimenOf(p, &marble, m.Label, note)
		q.Specimen = name
		q.View = func() (report.View, error) { return bundledView(b, m) }
		out = append(out, q)
	}
	return out
}

// bundledView is a packed marble as plates show it: its crop, or blank paper
// of its size where its owner keeps the picture back.
func bundledView(b *bundle.Bundle, m bundle.Marble) (report.View, error) {
	crop, err := b.Crop(m)
	if err != nil {
		return report.View{}, err
	}
	scale, px := 0.0, float64(unscaledCropPX)
	switch {
	case m.DiameterMM == nil:
	case crop == nil:
		scale = *m.DiameterMM / px
	case m.CropMMPerPX != nil:
		scale = *m.CropMMPerPX
		px = *m.DiameterMM / scale
	}
	if crop == nil {
		side := int(px*cropRoom + 0.5)
		blank := image.NewGray(image.Rect(0, 0, side, side))
		for i := range blank.Pix {
			blank.Pix[i] = 225
		}
		crop = blank
	}
	return report.NewView(crop, scale, px)
}
