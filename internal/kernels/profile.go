package kernels

// #cgo noescape tw_patch_row
// #cgo nocallback tw_patch_row
// #cgo noescape tw_along
// #cgo nocallback tw_along
// #cgo noescape tw_profile
// #cgo nocallback tw_profile
// #include "kernels.h"
import "C"

// A Sample is a pixel, or a place between pixels, in linear light: its lightness and
// two colour differences. The fourth number is 0 and makes four of it.
type Sample [4]float32

// CodeTable says what each code of a pixel adds to its sample: red, green and blue.
type CodeTable [3][256]Sample

// PatchRow takes as many pixels of eight bits, blue, green and red, as there is room
// for to samples. The picture's rows are stride bytes apart: what lies below is brought
// near, to be taken soon.
func PatchRow(out []Sample, bgr []uint8, stride int, t *CodeTable) {
	if len(out) == 0 {
		return
	}
	_ = bgr[3*len(out)-1]
	C.tw_patch_row((*C.uint8_t)(&bgr[0]), C.int(len(out)), C.long(stride), f32(&t[0][0][0]), f32(&out[0][0]))
}

// Along reads a straight line of places, dx, dy apart, between the pixels of a patch w
// samples wide; beyond it its border goes on.
func Along(out, patch []Sample, w int, x, y, dx, dy float64) {
	if len(out) == 0 || w < 1 || len(patch) < w {
		return
	}
	C.tw_along(f32(&patch[0][0]), C.int(w), C.int(len(patch)/w), C.double(x), C.double(y), C.double(dx), C.double(dy), C.int(len(out)), f32(&out[0][0]))
}

// Search says what counts as a step along a profile that is sampled from outside
// inwards. Lengths are in samples, heights in linear light relative to the paper.
type Search struct {
	// Window is over what length the outside is followed, Gap how far the step
	// stays off it, Inward how far inside its full height is looked for, Level
	// over what length it must have levelled off, and Apart how far off on each
	// side a steep place's change is measured.
	Window, Gap, Inward, Level, Apart int
	// NoiseFloor is the least noise assumed; Onset the departure from the outside,
	// in noise, that starts a step; OverPeak how far it must rise above the
	// largest departure outside.
	NoiseFloor, Onset, OverPeak float64
	// Shadow is how much of the outside's fall over the window is taken off a step
	// that goes on darkening; Levels how steep a step may still be, as a share of
	// its steepest, where it should have levelled off; Least its least height, and
	// SlopeLeast that of a steep place.
	Shadow, Levels, Least, SlopeLeast float64
}

// Step is where a profile reaches half a step's height, samples from its start, how
// high the step is in noise, and over how many samples it goes from 10 to 90 %.
type Step struct{ At, Strength, Width float64 }

// Slope is a place of steepest change, samples from the start, and how much changes.
type Slope struct{ At, Height float64 }

// MostSteps is how many steps of one profile are listed.
const MostSteps = C.TW_STEPS

// neighbours are the weights of a profile and of two to each side.
var neighbours = [C.TW_ACROSS]float64{1, 2, 3, 2, 1}

// A Reader looks at profiles, reusing its memory.
type Reader struct {
	search C.tw_search
	room   []float64
	seen   C.tw_seen
	steps  [MostSteps]Step
	slopes []Slope
}

// Look says what is looked for from now on, in profiles of up to n samples.
func (r *Reader) Look(s Search, n int) {
	r.search = C.tw_search{
		window: C.int(s.Window), gap: C.int(s.Gap), inward: C.int(s.Inward), level: C.int(s.Level), apart: C.int(s.Apart),
		noise_floor: C.double(s.NoiseFloor), onset: C.double(s.Onset), over_peak: C.double(s.OverPeak),
		shadow: C.double(s.Shadow), levels: C.double(s.Levels), least: C.double(s.Least), slope_least: C.double(s.SlopeLeast),
	}
	if n = max(n, s.Window+s.Gap+s.Inward+s.Level+4); len(r.slopes) < n {
		r.room, r.slopes = make([]float64, 5*n), make([]Slope, n)
	}
}

// Profile averages a profile of n samples with two neighbours to each side, which
// begin at the given samples of raw (negative where there is none), and finds the
// steps in it, outermost first, and the places of steepest change. They are valid until
// it is called again.
func (r *Reader) Profile(raw []Sample, from *[C.TW_ACROSS]int, n int) ([]Step, []Slope) {
	var at [C.TW_ACROSS]C.int64_t
	for i, v := range from {
		if at[i] = -1; v >= 0 {
			_ = raw[v : v+n]
			at[i] = C.int64_t(4 * v)
		}
	}
	if n < 1 {
		return nil, nil
	}
	_ = r.slopes[n-1]
	C.tw_profile(f32(&raw[0][0]), &at[0], (*C.double)(&neighbours[0]), C.int(n), &r.search,
		(*C.double)(&r.room[0]), &r.seen, (*C.double)(&r.slopes[0].At))
	for i := range int(r.seen.steps) {
		s := &r.seen.step[i]
		r.steps[i] = Step{float64(s.at), float64(s.strength), float64(s.width)}
	}
	return r.steps[:r.seen.steps], r.slopes[:r.seen.slopes]
}
