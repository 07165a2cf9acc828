package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"time"

	"tawsight/samples"
	"tawsight/samples/lens"
	"tawsight/samples/scene"
)

// rulerPhoto is a photo without the reference card whose scale comes from something else.
type rulerPhoto struct {
	path   string
	seed   int64
	n      int
	source string
	name   string
	art    int
	tilt   float64
	coins  int
	rest   *scene.Rest
	large  bool // as large as a telephone's photo, or a scan at 300 dpi
}

// rulerCatalogue lists them, in the order of time: three of each ruler, then, where they are asked for, two large ones of
// each.
func rulerCatalogue(shift int64) []rulerPhoto {
	var out []rulerPhoto
	for i, group := range [][]rulerPhoto{
		{{source: samples.RulerID1, art: 0, tilt: 6}, {source: samples.RulerID1, art: 1, tilt: 17}, {source: samples.RulerID1, art: 2, tilt: 11}},
		{{source: samples.RulerKnown, tilt: 4}, {source: samples.RulerKnown, tilt: 13}, {source: samples.RulerKnown, tilt: 8}},
		{{source: samples.RulerSheet, name: "a5", tilt: 8}, {source: samples.RulerSheet, name: "letter", tilt: 15}, {source: samples.RulerSheet, name: "a5", tilt: 12}},
		{{source: samples.RulerCoin, name: "us-quarter", coins: 1, tilt: 5}, {source: samples.RulerCoin, name: "1-euro", coins: 2, tilt: 14}, {source: samples.RulerCoin, name: "2-euro", coins: 3, tilt: 10}},
		{{source: samples.RulerScan}, {source: samples.RulerScan}, {source: samples.RulerScan}},
		// Washers of the sizes M8 and M10 (ISO 7089), of plastic, and dark rubber rings.
		{{source: samples.RulerID1, art: 2, tilt: 7, rest: &scene.Rest{InnerMM: 8.4, OuterMM: 16, HeightMM: 1.6, Colour: scene.RGB{0.75, 0.74, 0.7}}},
			{source: samples.RulerID1, art: 1, tilt: 14, rest: &scene.Rest{InnerMM: 10, OuterMM: 14.5, HeightMM: 3, Colour: scene.RGB{0.05, 0.05, 0.055}}}},
	} {
		for k, p := range group {
			p.path = fmt.Sprintf("rulers/%s/%s-%d.jpg", p.source, p.source, k+1)
			if p.rest != nil {
				p.path = fmt.Sprintf("rulers/rest/rest-%d.jpg", k+1)
			}
			p.n = 3*i + k
			p.seed = 4100 + int64(p.n) + shift
			if shift != 0 {
				p.art = (p.art + int(shift%5) + 1) % 6
			}
			out = append(out, p)
		}
	}
	if !large {
		return out
	}
	for i, group := range [][]rulerPhoto{
		{{source: samples.RulerID1, art: 4, tilt: 9}, {source: samples.RulerID1, art: 5, tilt: 19}},
		{{source: samples.RulerKnown, tilt: 6}, {source: samples.RulerKnown, tilt: 12}},
		{{source: samples.RulerSheet, name: "letter", tilt: 7}, {source: samples.RulerSheet, name: "a5", tilt: 17}},
		{{source: samples.RulerCoin, name: "2-euro", coins: 2, tilt: 7}, {source: samples.RulerCoin, name: "us-quarter", coins: 3, tilt: 13}},
		{{source: samples.RulerScan}, {source: samples.RulerScan}},
	} {
		for k, p := range group {
			p.path = fmt.Sprintf("rulers/%s/%s-large-%d.jpg", p.source, p.source, k+1)
			p.n, p.large = 15+2*i+k, true
			p.seed = 4100 + int64(p.n) + shift
			p.art = (p.art + int(shift/1000)) % 6
			out = append(out, p)
		}
	}
	return out
}

// size is the photo's, px.
func (p rulerPhoto) size() (w, h int) {
	if p.large {
		return 3200, 2400
	}
	return 1600, 1200
}

func (p rulerPhoto) build() (*scene.Scene, error) {
	rng := newRand(p.seed)
	name := strings.ReplaceAll(strings.TrimSuffix(p.path, ".jpg"), "/", "-")
	width, height := p.size()
	s := &scene.Scene{Name: name, Seed: p.seed, Width: width, Height: height, GroundL: between(rng, 66, 84), WholeWindow: true}
	focal35 := between(rng, 25, 34)
	px := between(rng, 78, 100) // across a marble of 16 mm
	s.Rest = p.rest
	r := &scene.Ruler{Source: p.source, Name: p.name, Art: p.art}
	s.Ruler = r
	n := 6 + rng.IntN(3)
	if p.large {
		n += 3
	}
	switch p.source {
	case samples.RulerID1:
		r.Name, r.WidthMM, r.HeightMM = "ID-1", 85.60, 53.98
	case samples.RulerSheet:
		px, s.GroundL = between(rng, 84, 92), between(rng, 84, 92)
		r.WidthMM, r.HeightMM = 210, 148
		if p.name == "letter" {
			r.WidthMM, r.HeightMM = 279.4, 215.9
			px = between(rng, 66, 70)
		}
		r.TableColour = scene.RGB{0.16, 0.09, 0.05}
		if p.n%2 == 1 {
			r.TableColour = scene.RGB{0.1, 0.12, 0.14}
		}
	case samples.RulerCoin:
		c := map[string]scene.Coin{
			"us-quarter": {DiameterMM: 24.26, ThicknessMM: 1.75, Colour: scene.RGB{0.62, 0.62, 0.6}},
			"1-euro":     {DiameterMM: 23.25, ThicknessMM: 2.33, Colour: scene.RGB{0.66, 0.52, 0.25}, Inner: &scene.RGB{0.62, 0.62, 0.6}},
			"2-euro":     {DiameterMM: 25.75, ThicknessMM: 2.20, Colour: scene.RGB{0.62, 0.62, 0.6}, Inner: &scene.RGB{0.66, 0.52, 0.25}},
		}[p.name]
		for range p.coins {
			r.Coins = append(r.Coins, c)
		}
	}
	if p.large && p.name == "letter" { // as much of it in the picture
		px /= 0.97
	}
	// px is of a photo 1600 px wide: a larger one shows as much of the table.
	above := 16 * focal35 / 36 * 1600 / px
	azimuth := between(rng, 0, 360)
	s.Camera = scene.NewCamera(focal35/36*float64(width), above, p.tilt, azimuth, between(rng, -8, 8), width, height)
	s.Light = light(rng, azimuth)
	for i := range n {
		set := scene.TraySets[(i+int(p.seed))%len(scene.TraySets)]
		if plain {
			set = scene.WhiteSwirl
		}
		s.Marbles = append(s.Marbles, scene.OfSet(rng, set))
	}
	if p.source == samples.RulerScan {
		r.DPI = []float64{150, 200, 150}[p.n%3]
		if p.large {
			r.DPI = 300
		}
		return s, layScan(s)
	}
	return s, scene.LayOutRuler(rng, s)
}

// layScan puts marbles on the scanner's glass in rows.
func layScan(s *scene.Scene) error {
	rng := newRand(s.Seed + 77)
	w, h := float64(s.Width)*25.4/s.Ruler.DPI, float64(s.Height)*25.4/s.Ruler.DPI
	for i := range s.Marbles {
		m := &s.Marbles[i]
		for try := 0; ; try++ {
			m.Centre = scene.Vec{between(rng, -w/2+12, w/2-12), between(rng, -h/2+12, h/2-12), m.Radius}
			free := true
			for _, o := range s.Marbles[:i] {
				free = free && math.Hypot(o.Centre[0]-m.Centre[0], o.Centre[1]-m.Centre[1]) > 1.4*(o.Radius+m.Radius)
			}
			if free {
				break
			}
			if try > 2000 {
				return fmt.Errorf("scene %s: no room", s.Name)
			}
		}
	}
	return nil
}

// makeRuler makes one such photo and its truth.
func makeRuler(ctx context.Context, povray, out, work string, p rulerPhoto) (int, error) {
	s, err := p.build()
	if err != nil {
		return 0, err
	}
	truth, err := s.Truth()
	if err != nil {
		return 0, err
	}
	pov := s.POV(false)
	if p.source == samples.RulerScan {
		pov = s.ScanPOV()
		px := s.Ruler.DPI / 25.4
		cx, cy := float64(s.Width-1)/2, float64(s.Height-1)/2
		truth.Camera = samples.Camera{FocalPx: 1, CX: cx, CY: cy}
		for i, m := range s.Marbles {
			truth.Marbles[i].Ellipse = samples.Ellipse{CX: cx + px*m.Centre[0], CY: cy + px*m.Centre[1], SemiMajor: px * m.Radius, SemiMinor: px * m.Radius}
			truth.Marbles[i].CutOff, truth.Marbles[i].Visible = false, 1
		}
	}
	picture, err := render(ctx, povray, work, s, "", pov)
	if err != nil {
		return 0, err
	}
	rng := newRand(p.seed + 31)
	if p.source == samples.RulerKnown {
		// A caliper's reading is off by 0.03 mm (one sigma) and shows hundredths.
		for _, m := range truth.Marbles[:1+p.n%3] {
			truth.Ruler.Known = append(truth.Ruler.Known, samples.Caliper{ID: m.ID, MM: math.Round(100*(m.DiameterMM+0.03*rng.NormFloat64())) / 100})
		}
	}
	set := lens.Settings{BlurPx: between(rng, 0.7, 1.05), Noise: between(rng, 1.2, 1.9), Quality: 88, MaxBytes: 130000, Orientation: 1}
	if p.large { // finer pixels: more blur across them, and more noise in each
		set.BlurPx, set.Noise, set.Quality, set.MaxBytes = 1.5*set.BlurPx, 1.4*set.Noise, 90, 600000
	}
	light := s.PaperLight(picture)
	white := between(rng, 0.84, 0.96)
	set.Tags = lens.Tags{Make: "Lumora", Model: "Lumora P4", Focal35MM: int(math.Round(s.Camera.FocalPx * 36 / float64(s.Width))), Exposure: [2]uint32{1, 120}, ISO: 80}
	if p.source == samples.RulerScan {
		set.Tags = lens.Tags{Make: "Lumora", Model: "Lumora S1"}
		light = [3]float64{scene.Level, scene.Level, scene.Level}
	}
	set.Tags.Taken = time.Date(2026, 4, 2, 9, 5+3*p.n, 0, 0, time.UTC)
	for k := range set.Gain {
		set.Gain[k] = white / light[k]
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
