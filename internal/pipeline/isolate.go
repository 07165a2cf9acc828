package pipeline

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"runtime"
	"sync"
	"time"

	"tawsight/calib"
	"tawsight/internal/heif"
	"tawsight/internal/onethread"
	"tawsight/internal/record"
	"tawsight/internal/worker"
	"tawsight/vision"
)

// OpenCV is C++, and what it can't do ends the process: there is no way to catch
// it in Go. So photos are measured in processes of their own, this program once
// more, each taking one photo after the other. A photo that crashes its process,
// or takes too long or too much memory, is named as one that can't be read, and
// the rest goes on.

// Limits of one photo. 200 megapixels take 18 s of computing and 1 GB on the
// machine they were chosen on, 12 megapixels a third of that; 16-bit files twice
// as much memory.
const (
	photoCPU      = 3 * time.Minute
	photoWall     = 10 * time.Minute // for machines with too much to do
	photoMemory   = 4 << 30
	photosAWorker = 300
	retireMemory  = 1 << 30
	workerIdle    = 30 * time.Second
	workerRest    = 200 * time.Millisecond // without a photo, before room kept for it is given back
)

// crew are the processes that measure; nil: this one measures by itself.
var crew *worker.Pool

// Sabotage, where not nil, is called in a worker with every photo's path before
// the file is opened, so that tests can make workers fail. Set it before
// [Isolate].
var Sabotage func(path string)

// Isolate has photos measured in processes of their own from now on. It must be
// called first thing in main, or in TestMain: where this process is such a worker
// it measures what it is told to, and never returns. Programs that don't call it
// measure by themselves, and a photo that crashes OpenCV ends them.
func Isolate() { IsolateWithin(worker.Limits{}) }

// Frugal has this process compute on one thread, as a worker does, for measuring what
// a worker's work costs.
func Frugal() {
	runtime.GOMAXPROCS(1)
	onethread.Set()
}

// IsolateWithin is Isolate with other limits; 0 leaves one as it is.
func IsolateWithin(l worker.Limits) {
	worker.GiveBack()
	if worker.Is() {
		// Whoever can be ended at any time needs no other process for HEIC.
		heif.StayHere()
		onethread.Set()
		rest := time.AfterFunc(workerRest, vision.DropSpares)
		worker.Serve(func(job []byte) [][]byte {
			rest.Stop()
			defer rest.Reset(workerRest)
			return serve(job)
		})
	}
	def := func(v *time.Duration, otherwise time.Duration) {
		if *v == 0 {
			*v = otherwise
		}
	}
	def(&l.CPU, photoCPU)
	def(&l.Wall, photoWall)
	def(&l.Idle, workerIdle)
	if l.MemoryBytes == 0 {
		l.MemoryBytes = photoMemory
		if all := machineMemory(); all > 0 {
			l.MemoryBytes = min(l.MemoryBytes, all/4*3)
		}
	}
	if l.Jobs == 0 {
		l.Jobs = photosAWorker
	}
	if l.RetireBytes == 0 {
		l.RetireBytes = min(retireMemory, l.MemoryBytes/2)
	}
	crew = worker.NewPool(l)
}

// Dismiss ends the workers and waits for them, as a program does last: what they
// computed then counts as its own.
func Dismiss() {
	if crew != nil {
		crew.Close()
	}
}

// Losses counts the workers that were lost, by cause: those of photos that a second
// worker could measure, too.
func Losses() map[worker.Cause]int {
	if crew == nil {
		return nil
	}
	return crew.Losses()
}

// machineMemory is the machine's memory in bytes, 0 where it is not known.
func machineMemory() int64 {
	f, err := os.Open("/proc/meminfo")
	if err != nil {
		return 0
	}
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		var kb int64
		if n, _ := fmt.Sscanf(lines.Text(), "MemTotal: %d kB", &kb); n == 1 {
			return kb << 10
		}
	}
	return 0
}

// hand gives a job to a worker. done is false where this process has to do it by
// itself; the error is what to say of the photo, or the context's.
func hand(ctx context.Context, j job, log *slog.Logger) (a answer, done bool, err error) {
	if crew == nil {
		return a, false, ctx.Err()
	}
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	b, err := encode(j)
	if err != nil {
		return a, true, err
	}
	b, err = crew.Do(ctx, b, log.With("photo", j.Path))
	var lost *worker.Lost
	switch {
	case err == nil:
		a, err = decodeAnswer(b)
		return a, true, err
	case errors.As(err, &lost):
		log.Warn("a photo was given up", "photo", j.Path, "why", lost.How, "said", lost.Said)
		return a, true, errors.New(whyLost(lost))
	case errors.Is(err, worker.ErrStart):
		alone.Do(func() {
			log.Warn("photos are measured without the protection of processes of their own", "why", err)
		})
		return a, false, nil
	}
	return a, true, err
}

// alone has the lack of workers said once.
var alone sync.Once

// whyLost is what is said of a photo that cost two workers.
func whyLost(l *worker.Lost) string {
	const anew = "open it in a photo program and save it anew as a JPEG of 12 megapixels or so, and please report it with this photo"
	switch l.Cause {
	case worker.TooLong:
		return "looking at this photo was given up, twice, because it took too long (" + l.How + "); " + anew
	case worker.TooLarge:
		return "looking at this photo was given up, twice, because it took too much memory (" + l.How + "); " + anew
	case worker.Ended:
		return "the system ended the work on this photo, twice (" + l.How + "), most likely for want of memory; close other programs, or measure fewer photos at once with --workers 1"
	}
	return "the program itself broke down on this photo, twice (" + l.How + "), and the rest went on without it; " + anew
}

// faulty is the record of a photo that could not be read, for the reason given.
func faulty(path, reason string) record.Photo {
	return record.Photo{
		Path: path, MadeBy: madeBy(), Scale: record.Scale{Source: "none"}, White: record.White{Source: "none"},
		Verdict: record.Verdicts{Size: record.Unusable, Colour: record.Unusable, Pattern: record.Unusable},
		Error:   reason,
	}
}

// measure measures one photo, in a worker where there are workers. Where the
// context ends meanwhile, so does the measuring, and the record says no more than
// that.
func measure(ctx context.Context, path string, scale calib.PrintScale, want wanted, log *slog.Logger) taken {
	a, done, err := hand(ctx, job{Do: doMeasure, Path: path, Scale: scale, Want: want.pictures(), Ruler: want.ruler}, log)
	switch {
	case err != nil:
		return taken{Photo: faulty(path, err.Error())}
	case !done:
		return measureHere(path, scale, want)
	}
	a.Taken.Photo = a.photo(path)
	return a.Taken
}

// look is the quick look at one photo; see measure.
func look(ctx context.Context, path string, o RulerOptions, log *slog.Logger) record.Photo {
	a, done, err := hand(ctx, job{Do: doCheck, Path: path, Ruler: o}, log)
	switch {
	case err != nil:
		return faulty(path, err.Error())
	case !done:
		return checkPhoto(path, o)
	}
	return a.photo(path)
}

// cardIn looks at a photo for the card alone; see measure.
func cardIn(ctx context.Context, path string) cameraLook {
	a, done, err := hand(ctx, job{Do: doCard, Path: path}, nil)
	switch {
	case err != nil:
		return cameraLook{failed: true, why: err.Error()}
	case !done:
		return lookForCard(path)
	}
	return a.Card.look(path)
}

// cornersIn are the card's corners in a photo, as measuring finds them; nil
// without a card.
func cornersIn(ctx context.Context, path string) [][2]float64 {
	a, done, err := hand(ctx, job{Do: doCorners, Path: path}, nil)
	if err == nil && !done {
		return cornersOf(path)
	}
	return a.Corners
}

// glowsIn is the glow at each of the outlines in a photo under ultraviolet light;
// nil where the photo can't be read any more.
func glowsIn(ctx context.Context, path string, s vision.Survey, at []calib.Ellipse) []vision.Glow {
	a, done, err := hand(ctx, job{Do: doGlows, Path: path, Survey: s, Outlines: at}, nil)
	if err == nil && !done {
		return glowsOf(path, s, at)
	}
	return a.Glows
}
