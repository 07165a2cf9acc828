package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"tawsight/samples"
	"tawsight/samples/lens"
	"tawsight/samples/scene"
)

// photo is one sample photo: which scene, seen how, taken with what fault. Photos with the same scene name and
// sceneSeed share one rendering.
type photo struct {
	path      string // below photos/
	sceneName string
	sceneSeed int64
	seed      int64 // of the camera
	n         int   // counts the photos, for time stamps
	label     string
	marbles   int
	pairs     int
	wide      int     // of the picture, px; 0 for the usual
	tilt      float64 // degrees; negative: drawn at random
	portrait  bool
	turn      int // EXIF orientation
	card      scene.CardWish
	cut       bool // one marble more, cut by the edge of the picture
	fault     string
	shared    bool // another photo shows the same marbles
	tray      *tray
	// wholeWindow mirrors all of the window, which the first photos don't always do.
	wholeWindow bool
	// property and group of a pair. Its two photos share light, camera and paper; the marbles are twins and are laid out
	// anew.
	property, group string
}

// tray is a choice of marbles that is laid out anew for each photo of it.
type tray struct {
	name    string // of the specimens; empty for marbles that no other photo shows
	seed    int64
	anatomy int     // the number of the tray of scene.Anatomy, from 1; 0 for one of the sets and some strangers
	px      float64 // how many pixels across a marble of 16 mm is, were the picture 1600 wide
	only    bool    // only px is given, the marbles are the photo's
}

func (p photo) shouldWarn() bool { return p.fault != samples.FaultNone }

// catalogue is the list of all sample photos, in the order in which the collector took them. Another shift than 0 gives
// other scenes of the same make-up.
func catalogue(shift int64) []photo {
	var out []photo
	put := func(p photo) {
		p.n = len(out)
		p.seed = 7000 + int64(p.n) + shift
		if p.turn == 0 {
			p.turn = 1
		}
		if p.fault == "" {
			p.fault = samples.FaultNone
		}
		if p.sceneName == "" {
			p.sceneName = fmt.Sprintf("s%02d", p.n+1)
			p.sceneSeed = 1900 + int64(p.n)
		}
		p.sceneSeed += shift
		out = append(out, p)
	}
	for i, set := range scene.TraySets {
		for k := range 4 {
			p := photo{path: fmt.Sprintf("references/%s/%s-%d.jpg", set, set, k+1), label: set, marbles: 4 + (i+k)%2, tilt: -1}
			if i == 1 && k == 2 {
				p.portrait, p.turn = true, 6
			}
			if i == 3 && k == 1 {
				p.portrait, p.turn = true, 8
			}
			put(p)
		}
	}
	trays := []struct {
		marbles, pairs int
		tilt           float64
		portrait       bool
		turn           int
		cut            bool
	}{{8, 0, 6, false, 1, false}, {10, 2, 12, false, 1, false}, {9, 1, 25, false, 1, false}, {9, 0, 9, true, 6, true},
		{11, 2, 16, false, 1, false}, {7, 0, 4, false, 3, true}}
	for i, t := range trays {
		put(photo{path: fmt.Sprintf("tray/tray-%d.jpg", i+1), sceneName: fmt.Sprintf("tray%d", i+1), sceneSeed: 2400 + int64(i),
			marbles: t.marbles, pairs: t.pairs, tilt: t.tilt, portrait: t.portrait, turn: t.turn, cut: t.cut})
	}
	for _, f := range []struct {
		fault string
		tray  int
	}{{samples.FaultOutOfFocus, 1}, {samples.FaultUnderExposed, 2}, {samples.FaultOverExposed, 3}, {samples.FaultColourCast, 1},
		{samples.FaultCameraShake, 5}, {samples.FaultHeavyCompression, 2}} {
		t := trays[f.tray-1]
		put(photo{path: "poor/" + f.fault + ".jpg", fault: f.fault, sceneName: fmt.Sprintf("tray%d", f.tray), sceneSeed: 2400 + int64(f.tray-1),
			marbles: t.marbles, pairs: t.pairs, tilt: t.tilt, portrait: t.portrait, cut: t.cut})
	}
	put(photo{path: "poor/no-card.jpg", fault: samples.FaultNoCard, card: scene.NoCard, marbles: 7, tilt: 8})
	put(photo{path: "poor/card-hidden.jpg", fault: samples.FaultCardHidden, card: scene.CardCut, marbles: 6, tilt: 10})
	// The same marbles shot again: by other light, from other places.
	for i := range 2 {
		for k, shot := range again {
			put(photo{path: fmt.Sprintf("again/again-%d%c.jpg", i+1, 'a'+k), marbles: 8, tilt: shot.tilt[i], shared: true,
				tray: &tray{name: fmt.Sprintf("again%d", i+1), seed: 2600 + int64(i) + shift, px: shot.px[i]}})
		}
	}
	for i := range scene.AnatomyTrays {
		p := photo{path: fmt.Sprintf("anatomy/anatomy-%d.jpg", i+1), marbles: scene.AnatomySize, tilt: []float64{5, 14, 9, 19, 11}[i],
			tray: &tray{seed: 2700 + shift, anatomy: i + 1, px: []float64{112, 104, 116, 108, 114}[i]}}
		if i == 1 { // its own seed has the window behind the camera, and clear glass full of the light it gathers
			p.sceneName, p.sceneSeed = "anatomy2", 2856
		}
		put(p)
	}
	// Later the collector took more of each set, and parted a sixth from its lookalike.
	for i, set := range scene.Sets {
		for k := range 6 {
			if k < 4 && slices.Contains(scene.TraySets, set) {
				continue
			}
			put(photo{path: fmt.Sprintf("references/%s/%s-%d.jpg", set, set, k+1), label: set, marbles: 4 + (i+k)%2, tilt: -1, wholeWindow: true})
		}
	}
	for i, pair := range samples.Pairs {
		for k := range 2 {
			for _, group := range []string{samples.GroupA, samples.GroupB} {
				put(photo{path: fmt.Sprintf("pairs/%s/%s-%d.jpg", pair.Property, group, k+1), property: pair.Property, group: group, marbles: 5,
					tilt: -1, wholeWindow: true, sceneName: fmt.Sprintf("%s-%s%d", pair.Property, group, k+1), sceneSeed: int64(3000 + 10*i + k)})
			}
			out[len(out)-1].seed = out[len(out)-2].seed
		}
	}
	// What a telephone writes: 12 megapixels.
	for i, f := range []struct {
		pairs    int
		tilt, px float64
	}{{2, 7, 60}, {0, 15, 64}} {
		put(photo{path: fmt.Sprintf("phone/phone-%d.jpg", i+1), marbles: 20, pairs: f.pairs, tilt: f.tilt, wide: 4032, wholeWindow: true,
			tray: &tray{seed: 2800 + int64(i) + shift, px: f.px, only: true}})
	}
	times := map[string]int{}
	for _, p := range out {
		times[p.sceneName]++
	}
	for i := range out {
		out[i].shared = out[i].shared || times[out[i].sceneName] > 1
	}
	return out
}

// again says how the photos of the marbles shot again differ: tilt and size, for either tray.
var again = []struct{ tilt, px [2]float64 }{
	{tilt: [2]float64{4, 9}, px: [2]float64{92, 71}},
	{tilt: [2]float64{13, 20}, px: [2]float64{66, 86}},
	{tilt: [2]float64{21, 3}, px: [2]float64{80, 112}},
	{tilt: [2]float64{8, 15}, px: [2]float64{108, 97}},
}

// marbles are those of a tray: the same for each photo of it.
func (t *tray) marbles() []scene.Marble {
	rng := newRand(t.seed)
	if t.anatomy > 0 {
		return scene.Anatomy(rng)[t.anatomy-1]
	}
	var out []scene.Marble
	for i := range scene.TraySets {
		out = append(out, scene.OfSet(rng, scene.TraySets[(i+int(t.seed))%len(scene.TraySets)]))
	}
	// Four kinds of stranger take turns, three on each tray.
	kinds := []int{0, 4, 3, 1}
	for i := range 3 {
		out = append(out, scene.Stranger(rng, kinds[(i+3*int(t.seed%2))%len(kinds)]))
	}
	for i := range out {
		if out[i].Kind == "plain-clear" { // one that must be seen from any side
			out[i].BubbleR = out[i].Radius * between(rng, 0.12, 0.16)
		}
		out[i].Specimen = fmt.Sprintf("%s-%d", t.name, i+1)
	}
	return out
}

// strangers is how many marbles of a tray belong to no set.
func (p photo) strangers() int {
	if p.label != "" {
		return 0
	}
	if p.marbles >= 10 {
		return 2
	}
	return int(p.sceneSeed % 2)
}

func (p photo) size() (w, h int) {
	if p.property != "" {
		return 1200, 900
	}
	if p.wide > 0 {
		return p.wide, p.wide * 3 / 4
	}
	if p.portrait {
		return 1200, 1600
	}
	return 1600, 1200
}

// build lays the scene out; the same seed gives the same scene.
func (p photo) build() (*scene.Scene, error) {
	rng := newRand(p.sceneSeed)
	w, h := p.size()
	s := &scene.Scene{Name: p.sceneName, Seed: p.sceneSeed, Width: w, Height: h, GroundL: between(rng, 62, 85), WholeWindow: p.wholeWindow}
	var focal35, height float64
	lo, hi := 70.0, 112.0
	if p.marbles > 6 {
		lo, hi = 64, 92
	}
	long := float64(max(w, h))
	if p.property != "" {
		lo, hi = 76, 94
	}
	for { // how many pixels across a marble of 16 mm is
		focal35, height = between(rng, 26, 41), between(rng, 260, 420)*long/1600
		if px := 16 * focal35 / 36 * long / height; px > lo && px < hi {
			break
		}
	}
	if p.tray != nil {
		height = 16 * focal35 / 36 * 1600 / p.tray.px
	}
	tilt := p.tilt
	if tilt < 0 {
		tilt = between(rng, 3, 21)
	}
	azimuth := between(rng, 0, 360)
	s.Camera = scene.NewCamera(focal35/36*long, height, tilt, azimuth, between(rng, -8, 8), w, h)
	s.Light = light(rng, azimuth)
	if p.tray != nil && !p.tray.only {
		s.Marbles, s.WholeWindow = p.tray.marbles(), true
		p.shared = false // the marbles have their names already
	}
	for i := len(s.Marbles); i < p.marbles; i++ {
		switch {
		case p.property != "":
			a, b := scene.Twins(rng, p.property)
			if p.group == samples.GroupB {
				a = b
			}
			s.Marbles = append(s.Marbles, a)
		case p.label != "":
			s.Marbles = append(s.Marbles, scene.OfSet(rng, p.label))
		case i < p.strangers():
			s.Marbles = append(s.Marbles, scene.Stranger(rng, i+int(p.sceneSeed)))
		default:
			s.Marbles = append(s.Marbles, scene.OfSet(rng, scene.TraySets[(i+int(p.sceneSeed))%len(scene.TraySets)]))
		}
	}
	if p.group == samples.GroupB {
		rng = newRand(p.sceneSeed + 500000)
	}
	rng.Shuffle(len(s.Marbles), func(i, j int) { s.Marbles[i], s.Marbles[j] = s.Marbles[j], s.Marbles[i] })
	if p.cut {
		m := scene.OfSet(rng, scene.TraySets[int(p.sceneSeed)%len(scene.TraySets)])
		m.Cut = true
		s.Marbles = append(s.Marbles, m)
	}
	if p.shared {
		for k := range s.Marbles {
			s.Marbles[k].Specimen = fmt.Sprintf("%s-%d", p.sceneName, k+1)
		}
	}
	for k := range p.pairs {
		s.Marbles[2*k+1].Partner = 2 * k
	}
	return s, scene.LayOut(rng, s, p.card)
}

func light(rng *rand.Rand, azimuth float64) scene.Light {
	l := scene.Light{WindowAzimuthDeg: azimuth + between(rng, 40, 320), WindowElevationDeg: between(rng, 40, 62),
		WindowDistanceMM: between(rng, 850, 1150), WindowWidthMM: between(rng, 420, 700), WindowHeightMM: between(rng, 500, 800),
		Panes: []int{1, 2, 4}[rng.IntN(3)], WindowKelvin: between(rng, 3500, 6500), RoomShare: between(rng, 0.24, 0.36)}
	l.RoomKelvin = l.WindowKelvin * between(rng, 1, 1.15)
	if rng.Float64() < 0.4 {
		l.LampShare, l.LampAzimuthDeg, l.LampElevationDeg = between(rng, 0.04, 0.07), between(rng, 0, 360), between(rng, 50, 75)
	}
	return l
}

// camera gives the settings for a photo in whose rendering a perfect white shows the light given.
func (p photo) camera(light [3]float64) lens.Settings {
	rng := newRand(p.seed)
	s := lens.Settings{BlurPx: between(rng, 0.7, 1.05), Noise: between(rng, 1.2, 1.9), Quality: 92, MaxBytes: 262000, Orientation: p.turn}
	white := between(rng, 0.84, 0.96) // where the exposure puts a perfect white
	residual := [3]float64{between(rng, 0.95, 1.06), 1, between(rng, 0.94, 1.05)}
	scene, _ := p.build()
	if p.wide > 0 {
		s.MaxBytes = 1400000
	}
	s.Tags = lens.Tags{Make: "Lumora", Model: "Lumora P4", Focal35MM: int(math.Round(scene.Camera.FocalPx * 36 / float64(max(scene.Width, scene.Height)))),
		Taken: time.Date(2026, 3, 14, 10, 5+3*p.n, 7*p.n%60, 0, time.UTC), Exposure: [2]uint32{1, 120}, ISO: 80}
	switch p.fault {
	case samples.FaultOutOfFocus:
		s.BlurPx = 5.5
	case samples.FaultUnderExposed:
		white *= 0.16
		s.Noise *= 1.8
	case samples.FaultOverExposed:
		white *= 2.3
	case samples.FaultColourCast:
		residual = [3]float64{1.12, 0.86, 0.42}
	case samples.FaultCameraShake:
		s.ShakePx, s.ShakeDeg = 19, 24
	case samples.FaultHeavyCompression:
		s.Quality = 7
	}
	for k := range s.Gain {
		s.Gain[k] = white / light[k] * residual[k]
	}
	return s
}

func between(rng *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
