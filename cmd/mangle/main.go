// Command mangle damages real photos thousands of times and has them checked and
// measured, as a user's would be: it counts what could be measured, what was
// refused and why, and what went wrong, which must be nothing.
//
//	go run ./cmd/mangle -n 10000
package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"image"
	"image/draw"
	"image/jpeg"
	"image/png"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"os/signal"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	xdraw "golang.org/x/image/draw"
	"golang.org/x/image/tiff"

	"tawsight/internal/mangle"
	"tawsight/internal/pipeline"
	"tawsight/internal/worker"
)

// Limits that a damaged file must keep. The files are small (a third of a megapixel is
// measured in a second of computing or less), so they are far below those of a user's
// photos: 5 s, and 1.5 GB, since a WebP may say in good faith that its few bytes are
// 200 megapixels of one colour.
var limits = worker.Limits{CPU: 5 * time.Second, Wall: 5 * time.Minute, MemoryBytes: 1536 << 20}

func main() {
	pipeline.IsolateWithin(limits)
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	var o options
	flag.IntVar(&o.n, "n", 10000, "how many files")
	flag.Uint64Var(&o.seed, "seed", 1, "of the damage: the same one gives the same files")
	flag.IntVar(&o.measure, "measure", 1, "every how manieth file is measured, beside being checked; 0 for none")
	flag.StringVar(&o.keep, "keep", "", "`folder` for files that did harm")
	flag.StringVar(&o.root, "root", ".", "the project's `folder`, for its sample photos")
	flag.Parse()
	sum, err := run(ctx, o)
	sum.print(os.Stdout)
	if err != nil {
		fmt.Fprintln(os.Stderr, "mangle:", err)
		os.Exit(1)
	}
	if sum.harm() > 0 {
		os.Exit(1)
	}
}

type options struct {
	n, measure int
	seed       uint64
	keep, root string
}

// summary is what a run came to.
type summary struct {
	Read    map[string]int // files that could be read all the same, by format
	Refused map[string]int // by reason
	Ways    map[string]int
	Lost    map[worker.Cause]int // processes, the first of two tries included
	Faults  int                  // panics
	// Measured counts the files that were measured, Marbles what was found in them.
	Measured, Marbles int
	Took              time.Duration
}

func (s *summary) harm() int {
	n := s.Faults
	for _, k := range s.Lost {
		n += k
	}
	return n
}

func (s *summary) print(w io.Writer) {
	total := func(m map[string]int) (n int) {
		for _, v := range m {
			n += v
		}
		return n
	}
	fmt.Fprintf(w, "%d files in %v\n", total(s.Ways), s.Took.Round(time.Second))
	for _, way := range slices.Sorted(maps.Keys(s.Ways)) {
		fmt.Fprintf(w, "  %6d  %s\n", s.Ways[way], way)
	}
	fmt.Fprintf(w, "%d read all the same; %d of all were measured besides being checked, %d marbles found\n", total(s.Read), s.Measured, s.Marbles)
	for _, f := range slices.Sorted(maps.Keys(s.Read)) {
		fmt.Fprintf(w, "  %6d  %s\n", s.Read[f], f)
	}
	fmt.Fprintf(w, "%d refused\n", total(s.Refused))
	reasons := slices.SortedFunc(maps.Keys(s.Refused), func(a, b string) int {
		if d := s.Refused[b] - s.Refused[a]; d != 0 {
			return d
		}
		return strings.Compare(a, b)
	})
	for _, r := range reasons {
		fmt.Fprintf(w, "  %6d  %s\n", s.Refused[r], r)
	}
	fmt.Fprintf(w, "crashes %d, panics %d, ended by the system %d, over %v of computing %d, over %d MB %d\n",
		s.Lost[worker.Crashed], s.Faults, s.Lost[worker.Ended], limits.CPU, s.Lost[worker.TooLong], limits.MemoryBytes>>20, s.Lost[worker.TooLarge])
}

var digits = regexp.MustCompile(`[0-9]+`)

// run damages and tries n files.
func run(ctx context.Context, o options) (summary, error) {
	sum := summary{Read: map[string]int{}, Refused: map[string]int{}, Ways: map[string]int{}}
	start := time.Now()
	files, err := originals(o.root)
	if err != nil {
		return sum, err
	}
	names := slices.Sorted(maps.Keys(files))
	dir, err := os.MkdirTemp("", "mangle")
	if err != nil {
		return sum, err
	}
	defer os.RemoveAll(dir)
	var mu sync.Mutex
	one := func(i int) error {
		// Each file has numbers of its own, whoever comes to it first.
		rng := rand.New(rand.NewPCG(o.seed, uint64(i)))
		name := names[i%len(names)]
		data, way := mangle.One(rng, files[name], files[names[rng.IntN(len(names))]])
		path := filepath.Join(dir, fmt.Sprintf("%d-%s", i, name))
		if err := os.WriteFile(path, data, 0o666); err != nil {
			return err
		}
		defer os.Remove(path)
		before := pipeline.Losses()
		photos, err := pipeline.Check(ctx, []string{path}, 1, nil)
		if err != nil {
			return err
		}
		reason := photos[0].Error
		measured, marbles := false, 0
		if o.measure > 0 && i/len(names)%o.measure == 0 && name != largest {
			s, err := pipeline.MeasureSingle(ctx, path, 0, pipeline.RulerOptions{})
			if err != nil {
				return err
			}
			measured, marbles = true, len(s.Photo.Marbles)
			if (s.Photo.Error == "") != (reason == "") {
				reason = "checked and measured differ: " + reason + s.Photo.Error
			}
		}
		mu.Lock()
		defer mu.Unlock()
		sum.Ways[way]++
		if measured {
			sum.Measured++
		}
		sum.Marbles += marbles
		fault := strings.Contains(reason, "a fault in the program itself") || strings.Contains(reason, "differ")
		if fault {
			sum.Faults++
		}
		if o.keep != "" && (fault || !maps.Equal(before, pipeline.Losses())) {
			if err := os.MkdirAll(o.keep, 0o777); err != nil {
				return err
			}
			if err := os.WriteFile(filepath.Join(o.keep, filepath.Base(path)), data, 0o666); err != nil {
				return err
			}
			fmt.Fprintf(os.Stderr, "%s: %s: %s\n", filepath.Base(path), way, reason)
		}
		if reason == "" {
			sum.Read[strings.ToLower(filepath.Ext(name))[1:]]++
			return nil
		}
		what, _, _ := strings.Cut(reason, ";")
		sum.Refused[digits.ReplaceAllString(what, "N")]++
		return nil
	}
	next := make(chan int)
	var wg sync.WaitGroup
	var first error
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				if err := one(i); err != nil {
					mu.Lock()
					if first == nil {
						first = err
					}
					mu.Unlock()
				}
			}
		})
	}
	for i := range o.n {
		if ctx.Err() != nil {
			break
		}
		next <- i
	}
	close(next)
	wg.Wait()
	sum.Lost, sum.Took = pipeline.Losses(), time.Since(start)
	return sum, first
}

// largest is the original that takes two or three seconds to measure as it is, and
// twice that on a machine that has much else to do, so that it is only checked.
const largest = "tray.jpg"

// originals are the files to damage: the samples of every format, and a tray with
// marbles and a card in those that Go can write.
func originals(root string) (map[string][]byte, error) {
	files := map[string][]byte{}
	samples := filepath.Join(root, "vision", "testdata", "formats")
	entries, err := os.ReadDir(samples)
	if err != nil {
		return nil, fmt.Errorf("run this in the project's folder: %w", err)
	}
	for _, e := range entries {
		switch e.Name() {
		case "cmyk.jpg", "cmyk.tif", "lab.tif", "planar.tif", "jpeg.tif", "animated.webp":
			continue // refused as they are
		}
		switch filepath.Ext(e.Name()) {
		case ".jpg", ".png", ".tif", ".webp", ".heic", ".bmp":
			if files[e.Name()], err = os.ReadFile(filepath.Join(samples, e.Name())); err != nil {
				return nil, err
			}
		}
	}
	tray, err := os.ReadFile(filepath.Join(root, "samples", "photos", "tray", "tray-1.jpg"))
	if err != nil {
		return nil, err
	}
	files[largest] = tray
	img, err := jpeg.Decode(bytes.NewReader(tray))
	if err != nil {
		return nil, err
	}
	small := image.NewRGBA(image.Rect(0, 0, 640, 480))
	xdraw.ApproxBiLinear.Scale(small, small.Bounds(), img, img.Bounds(), draw.Src, nil)
	for name, encode := range map[string]func(io.Writer) error{
		"small.jpg": func(w io.Writer) error { return jpeg.Encode(w, small, &jpeg.Options{Quality: 85}) },
		"small.png": func(w io.Writer) error { return png.Encode(w, small) },
		"small.tif": func(w io.Writer) error {
			return tiff.Encode(w, small, &tiff.Options{Compression: tiff.Deflate, Predictor: true})
		},
	} {
		var b bytes.Buffer
		if err := encode(&b); err != nil {
			return nil, err
		}
		files[name] = b.Bytes()
	}
	return files, nil
}
