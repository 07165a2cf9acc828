package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"tawsight/calib/sortmat"
	"tawsight/samples/lens"
	"tawsight/samples/scene"
)

// matPhoto is a photo of marbles on the sorting mat.
type matPhoto struct {
	path    string
	seed    int64
	n       int
	tray    int     // of scene.Anatomy, from 0
	marbles int     // at most scene.AnatomySize
	turn    float64 // of the mat in the picture, degrees
	tilt    float64
	focal35 float64
	wide    float64 // how much of the ground the picture spans, mm along its longer side
	offMM   float64 // how far beside a place's middle a marble may lie
	off     int     // marbles between places
}

// matCatalogue lists them, in the order of time.
func matCatalogue(shift int64) []matPhoto {
	list := []matPhoto{
		{marbles: 8, turn: 90, tilt: 4, focal35: 40, wide: 285, offMM: 1},
		{marbles: 8, turn: 0, tilt: 12, focal35: 46, wide: 310, offMM: 1.5},
		{marbles: 7, turn: 180, tilt: 8, focal35: 34, wide: 290, offMM: 0.8, off: 1},
		{marbles: 8, turn: 270, tilt: 15, focal35: 52, wide: 275, offMM: 1.2},
	}
	for i := range list {
		p := &list[i]
		p.path = fmt.Sprintf("mat/mat-%d.jpg", i+1)
		p.n, p.tray, p.seed = i, i%scene.AnatomyTrays, 5200+int64(i)+shift
	}
	return list
}

func (p matPhoto) build() (*scene.Scene, error) {
	const w, h = 1600, 1200
	rng := newRand(p.seed)
	s := &scene.Scene{Name: strings.ReplaceAll(strings.TrimSuffix(p.path, ".jpg"), "/", "-"), Seed: p.seed, Width: w, Height: h,
		GroundL: math.Round(10*sortmat.GroundL()) / 10, WholeWindow: true, Mat: &scene.Mat{}}
	azimuth := between(rng, 0, 360)
	s.Camera = scene.NewCamera(p.focal35/36*w, p.wide*p.focal35/36, p.tilt, azimuth, between(rng, -5, 5), w, h)
	s.Light = light(rng, azimuth)
	for _, m := range scene.Anatomy(newRand(p.seed - int64(p.n) + 40))[p.tray][:p.marbles] {
		m.BubbleR = 0
		m = m.Resized(between(rng, 12.5, 22) / (2 * m.Radius))
		s.Marbles = append(s.Marbles, m)
	}
	rng.Shuffle(len(s.Marbles), func(i, j int) { s.Marbles[i], s.Marbles[j] = s.Marbles[j], s.Marbles[i] })
	return s, scene.LayOutMat(rng, s, p.turn, p.offMM, p.off)
}

// makeMats makes the photos of the mat that are wanted.
func makeMats(ctx context.Context, povray, out, work string, want *regexp.Regexp, shift int64, list bool) error {
	for _, p := range matCatalogue(shift) {
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
		n, err := makeMat(ctx, povray, out, work, p)
		if err != nil {
			return fmt.Errorf("%s: %w", p.path, err)
		}
		fmt.Printf("%s  %d kB  %.0f s\n", p.path, n/1000, time.Since(start).Seconds())
	}
	return nil
}

// makeMat makes one such photo and its truth.
func makeMat(ctx context.Context, povray, out, work string, p matPhoto) (int, error) {
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
	rng := newRand(p.seed + 31)
	set := lens.Settings{BlurPx: between(rng, 0.7, 1.05), Noise: between(rng, 1.2, 1.9), Quality: 92, MaxBytes: 190000, Orientation: 1}
	white := between(rng, 0.84, 0.96)
	set.Tags = lens.Tags{Make: "Lumora", Model: "Lumora P4", Focal35MM: int(math.Round(p.focal35)), Exposure: [2]uint32{1, 120}, ISO: 80,
		Taken: time.Date(2026, 4, 20, 10, 5+3*p.n, 0, 0, time.UTC)}
	light := s.PaperLight(picture)
	for k := range set.Gain {
		set.Gain[k] = white / light[k] * between(rng, 0.95, 1.05)
	}
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
