// Command generate renders the sample photos and writes them with their truth. It needs POV-Ray 3.7 (Debian's
// povray); the committed photos need no rendering.
//
//	go run ./samples/generate [-out samples] [-work DIR] [-only REGEXP] [-seed SHIFT]
//
// Renderings are kept in the work folder and made again only where the scene has changed.
package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"time"

	"tawsight/samples/lens"
	"tawsight/samples/scene"
)

func main() {
	out := flag.String("out", "samples", "folder that gets photos/ and truth/")
	work := flag.String("work", filepath.Join(os.TempDir(), "tawsight-renderings"), "folder for renderings, kept between runs")
	only := flag.String("only", "", "make only the photos whose path matches this regular expression")
	shift := flag.Int64("seed", 0, "shift of all seeds: other scenes than those of the committed photos; give another -out and -work too")
	list := flag.Bool("list", false, "only list the photos")
	flag.BoolVar(&large, "large", false, "photos of rulers as large as a telephone's too; none of them is among the committed photos")
	flag.BoolVar(&plain, "plain", false, "photos of rulers with opaque marbles alone, which render many times faster: for the rulers' own errors")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := run(ctx, *out, *work, *only, *shift, *list); err != nil {
		fmt.Fprintln(os.Stderr, "generate:", err)
		os.Exit(1)
	}
}

// plain asks for opaque marbles in photos of rulers, large for large ones too.
var plain, large bool

func run(ctx context.Context, out, work, only string, shift int64, list bool) error {
	want, err := regexp.Compile(only)
	if err != nil {
		return fmt.Errorf("-only: %w", err)
	}
	povray, err := exec.LookPath("povray")
	if err != nil && !list {
		return fmt.Errorf("POV-Ray is not installed (on Debian and Ubuntu: sudo apt install povray): %w", err)
	}
	if err := os.MkdirAll(work, 0o777); err != nil {
		return err
	}
	for _, p := range catalogue(shift) {
		if !want.MatchString(p.path) {
			continue
		}
		if list {
			fmt.Println(p.path)
			continue
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		start := time.Now()
		n, err := make1(ctx, povray, out, work, p)
		if err != nil {
			return fmt.Errorf("%s: %w", p.path, err)
		}
		fmt.Printf("%s  %d kB  %.0f s\n", p.path, n/1000, time.Since(start).Seconds())
	}
	for _, p := range rulerCatalogue(shift) {
		if !want.MatchString(p.path) {
			continue
		}
		if list {
			fmt.Println(p.path)
			continue
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		start := time.Now()
		n, err := makeRuler(ctx, povray, out, work, p)
		if err != nil {
			return fmt.Errorf("%s: %w", p.path, err)
		}
		fmt.Printf("%s  %d kB  %.0f s\n", p.path, n/1000, time.Since(start).Seconds())
	}
	return makeMats(ctx, povray, out, work, want, shift, list)
}

// make1 makes one photo and its truth.
func make1(ctx context.Context, povray, out, work string, p photo) (int, error) {
	s, err := p.build()
	if err != nil {
		return 0, err
	}
	truth, err := s.Truth()
	if err != nil {
		return 0, err
	}
	picture, err := render(ctx, povray, work, s, "", s.POV(false))
	if err != nil {
		return 0, err
	}
	labels, err := render(ctx, povray, work, s, "-labels", s.POV(true))
	if err != nil {
		return 0, err
	}
	s.AddSeen(truth, picture, labels)
	if slices.ContainsFunc(s.Marbles, func(m scene.Marble) bool { return m.BubbleR > 0 }) {
		glow, err := render(ctx, povray, work, s, "-bubbles", s.BubblePOV())
		if err != nil {
			return 0, err
		}
		s.AddBubbles(truth, glow)
	}
	truth.Fault, truth.ShouldWarn = p.fault, p.shouldWarn()
	truth.Property, truth.Group = p.property, p.group
	set := p.camera(s.PaperLight(picture))
	truth.Camera.EXIFFocal35MM = set.Tags.Focal35MM
	jpg, err := lens.Shoot(picture, set, uint64(p.seed))
	if err != nil {
		return 0, err
	}
	js, err := json.MarshalIndent(truth, "", " ")
	if err != nil {
		return 0, err
	}
	js = append(shorten(js), '\n')
	bare := strings.TrimSuffix(p.path, ".jpg")
	if err := write(filepath.Join(out, "photos", bare+".jpg"), jpg); err != nil {
		return 0, err
	}
	return len(jpg), write(filepath.Join(out, "truth", bare+".json"), js)
}

var numbers = regexp.MustCompile(`\[\s+(-?[0-9.e+-]+(?:,\s+-?[0-9.e+-]+)*)\s+\]`)
var space = regexp.MustCompile(`\s+`)

// shorten puts lists of numbers on one line each.
func shorten(js []byte) []byte {
	return numbers.ReplaceAllFunc(js, func(b []byte) []byte {
		return []byte(strings.Replace(strings.Replace(string(space.ReplaceAll(b, []byte(" "))), "[ ", "[", 1), " ]", "]", 1))
	})
}

// write puts a file in place whole or not at all.
func write(path string, data []byte) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		return err
	}
	tmp := path + ".part"
	if err := os.WriteFile(tmp, data, 0o666); err != nil {
		return err
	}
	return os.Rename(tmp, path)
}

// render runs POV-Ray on a pass of the scene unless its last rendering was of the very same text.
func render(ctx context.Context, povray, work string, s *scene.Scene, pass, pov string) (*lens.Picture, error) {
	base := filepath.Join(work, s.Name) + pass
	threshold := "+A0.06"
	if pass != "" {
		threshold = "+A0.1"
	}
	text := []byte(pov)
	kept, png := base+".pov", base+".png"
	old, err := os.ReadFile(kept)
	if _, missing := os.Stat(png); err != nil || missing != nil || !bytes.Equal(old, text) {
		if err := os.WriteFile(base+".new.pov", text, 0o666); err != nil {
			return nil, err
		}
		cmd := exec.CommandContext(ctx, povray, "+I"+base+".new.pov", "+O"+base+".new.png", fmt.Sprintf("+W%d", s.Width),
			fmt.Sprintf("+H%d", s.Height), "+FN16", "File_Gamma=1.0", threshold, "+AM1", "+R3", "-J", "+WT1", "-D", "-GA", "-V")
		if msg, err := cmd.CombinedOutput(); err != nil {
			return nil, fmt.Errorf("povray: %w\n%s", err, tail(msg))
		}
		if err := os.Rename(base+".new.png", png); err != nil {
			return nil, err
		}
		if err := os.Rename(base+".new.pov", kept); err != nil {
			return nil, err
		}
	}
	return lens.ReadPNG(png)
}

func tail(b []byte) []byte { return b[max(0, len(b)-2000):] }

func newRand(seed int64) *rand.Rand { return rand.New(rand.NewPCG(uint64(seed), 0x5ca1ab1e)) }
