package main

import (
	"fmt"
	"image"
	_ "image/jpeg" // for image.Decode
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"text/tabwriter"

	"tawsight/internal/colour"
	"tawsight/internal/pipeline"
	"tawsight/internal/quality"
	"tawsight/internal/record"
	"tawsight/samples"
	"tawsight/samples/lens"
)

// qualitySection scores what is said of the photos' own quality: the verdicts
// on all of them, and how each measure follows a fault that grows in steps.
func qualitySection(out io.Writer, all []scored) error {
	verdicts(out, all)
	if !withDoses {
		return nil
	}
	return doseResponse(out)
}

// faultCode is the flag that names a fault of the samples' truth right.
func faultCode(fault string) string { return fault } // the truth uses the flags' own codes

func verdicts(out io.Writer, all []scored) {
	var good, doubtful, unusable, poor, named, sizedAnyway int
	var sizeErr, colourErr []float64
	var wrong []string
	for _, s := range all {
		if s.truth == nil {
			continue
		}
		ph := s.in.Photo
		v := []record.Verdict{ph.Verdict.Size, ph.Verdict.Colour, ph.Verdict.Pattern}
		for _, m := range ph.Marbles {
			if m.DiameterMM != nil && (ph.Verdict.Size == record.Unusable || m.Verdict != nil && m.Verdict.Size == record.Unusable) {
				sizedAnyway++
			}
		}
		if s.truth.Good() {
			good++
			switch {
			case slices.Contains(v, record.Unusable):
				unusable++
				wrong = append(wrong, fmt.Sprintf("%s is good, but called %v: %s", s.path, v, codesOf(ph.Flags)))
			case slices.Contains(v, record.Doubtful):
				doubtful++
				wrong = append(wrong, fmt.Sprintf("%s is good, but called %v: %s", s.path, v, codesOf(ph.Flags)))
			}
		} else {
			poor++
			want := faultCode(s.truth.Fault)
			has := slices.ContainsFunc(ph.Flags, func(f record.Flag) bool { return f.Code == want })
			var others []string
			for _, f := range ph.Flags {
				if f.Code != want && !slices.Contains(others, f.Code) {
					others = append(others, f.Code)
				}
			}
			if has && !slices.Equal(v, []record.Verdict{record.Good, record.Good, record.Good}) {
				named++
			} else {
				wrong = append(wrong, fmt.Sprintf("%s: %s was not named: %v, %s", s.path, want, v, codesOf(ph.Flags)))
			}
			if len(others) > 0 {
				wrong = append(wrong, fmt.Sprintf("%s: %s also flagged", s.path, strings.Join(others, ", ")))
			}
		}
		// Errors where a marble's own verdict is good, whatever the photo.
		for _, m := range s.truth.Marbles {
			at := nearest(ph.Marbles, m)
			if m.CutOff || at < 0 || ph.Marbles[at].Verdict == nil {
				continue
			}
			f := ph.Marbles[at]
			if f.DiameterMM != nil && f.Verdict.Size == record.Good {
				sizeErr = append(sizeErr, math.Abs(*f.DiameterMM-m.DiameterMM))
			}
			if f.Base != nil && m.Seen.Base != nil && f.Verdict.Colour == record.Good {
				colourErr = append(colourErr, colour.DeltaE00(f.Base.Lab, *m.Seen.Base))
			}
		}
	}
	fmt.Fprintf(out, "\nverdicts: good photos %d, of them called unusable %d, doubtful %d (%.1f %%); poor photos %d, fault named right in %d\n",
		good, unusable, doubtful, 100*float64(doubtful)/math.Max(1, float64(good)), poor, named)
	fmt.Fprintf(out, "where size is called good: %d marbles, 95 %% of |err| %.3f mm; where colour is called good: %d bases, median dE00 %.1f; diameters given where size is unusable: %d\n",
		len(sizeErr), quantile(sizeErr, 0.95), len(colourErr), quantile(colourErr, 0.5), sizedAnyway)
	for _, w := range wrong {
		fmt.Fprintln(out, "  "+w)
	}
}

func nearest(found []record.Marble, m samples.Marble) int {
	best, at := 0.3*math.Sqrt(m.Ellipse.SemiMajor*m.Ellipse.SemiMinor), -1
	for i, f := range found {
		if d := math.Hypot(f.Outline.CxPX-m.Ellipse.CX, f.Outline.CyPX-m.Ellipse.CY); d < best {
			best, at = d, i
		}
	}
	return at
}

func codesOf(flags []record.Flag) string {
	var out []string
	for _, f := range flags {
		out = append(out, fmt.Sprintf("%s (%s)", f.Code, f.Severity))
	}
	return strings.Join(out, ", ")
}

// dose is one fault that grows in steps.
type dose struct {
	name, code string
	base       string // spoils this photo instead of the common ones; may be empty
	steps      []float64
	spoil      func(p *lens.Picture, s *lens.Settings, step float64)
	measure    func(q quality.Measures) float64
}

func doses() []dose {
	scaleAll := func(s *lens.Settings, k float64) {
		for i := range s.Gain {
			s.Gain[i] *= k
		}
	}
	field := func(f func(x, y float64, k int) float64) func(p *lens.Picture) {
		return func(p *lens.Picture) {
			for y := range p.H {
				for x := range p.W {
					for k := range 3 {
						p.Pix[3*(y*p.W+x)+k] *= float32(f(float64(x)/float64(p.W)-0.5, float64(y)/float64(p.H)-0.5, k))
					}
				}
			}
		}
	}
	return []dose{
		{"blur, sigma px", "out-of-focus", "", []float64{1, 2, 3, 4, 6, 8}, func(_ *lens.Picture, s *lens.Settings, v float64) { s.BlurPx = v }, func(q quality.Measures) float64 { return q.Blur.SigmaPX }},
		{"blur without card, sigma px", "out-of-focus", "samples/photos/poor/no-card.jpg", []float64{1, 2, 3, 4, 6, 8}, func(_ *lens.Picture, s *lens.Settings, v float64) { s.BlurPx = v }, func(q quality.Measures) float64 { return q.Blur.SigmaPX }},
		{"motion, px", "camera-shake", "", []float64{5, 10, 15, 20}, func(_ *lens.Picture, s *lens.Settings, v float64) { s.ShakePx, s.ShakeDeg = v, 35 }, func(q quality.Measures) float64 { return q.Blur.MotionPX() }},
		{"darker, stops", "under-exposed", "", []float64{0, 1, 2, 3, 5}, func(_ *lens.Picture, s *lens.Settings, v float64) { scaleAll(s, math.Pow(2, -v)) }, func(q quality.Measures) float64 { return -q.WhiteY() }},
		{"lighter, stops", "over-exposed", "", []float64{0.3, 0.6, 1, 1.6}, func(_ *lens.Picture, s *lens.Settings, v float64) { scaleAll(s, math.Pow(2, v)) }, func(q quality.Measures) float64 { return slices.Max(q.Survey.Clipped[:]) }},
		{"cast, blue in stops", "colour-cast", "", []float64{0, 1, 2, 3, 4}, func(_ *lens.Picture, s *lens.Settings, v float64) {
			s.Gain[1] *= math.Pow(2, -0.3*v)
			s.Gain[2] *= math.Pow(2, -v)
		}, func(q quality.Measures) float64 { return q.CastDE() }},
		{"mixed light", "mixed-light", "", []float64{0.2, 0.4, 0.7, 1}, func(p *lens.Picture, _ *lens.Settings, v float64) {
			field(func(x, _ float64, k int) float64 { return math.Exp(-v * (x + 0.5) * float64(k) / 2) })(p)
		}, func(q quality.Measures) float64 { return q.Survey.CastRange }},
		{"uneven, times", "uneven-light", "", []float64{1.5, 3, 6, 12}, func(p *lens.Picture, _ *lens.Settings, v float64) {
			field(func(x, y float64, _ int) float64 { return math.Exp(-math.Log(v) * (x + y + 1) / 2) })(p)
		}, func(q quality.Measures) float64 { return q.Survey.LightRatio }},
		{"noise, times a phone's", "noisy", "", []float64{0, 4, 8, 16, 32}, func(_ *lens.Picture, s *lens.Settings, v float64) { s.Noise = v }, func(q quality.Measures) float64 { return q.Survey.Noise }},
		{"JPEG, 100 - quality", "heavy-compression", "", []float64{10, 40, 60, 80, 92}, func(_ *lens.Picture, s *lens.Settings, v float64) { s.Quality = 100 - int(v) }, func(q quality.Measures) float64 { return float64(100 - q.Compression.Quality) }},
	}
}

// doseResponse spoils good photos in steps and prints how the measures follow.
func doseResponse(out io.Writer) error {
	// Two photos, by both renderers: more would take minutes.
	bases := []string{"samples/photos/tray/tray-4.jpg"}
	if p := filepath.Join(also, "g01.jpg"); exists(p) {
		bases = append(bases, p)
	}
	type job struct{ base, dose, step int }
	ds := doses()
	common := len(bases)
	for _, d := range ds {
		if d.base != "" && !slices.Contains(bases, d.base) {
			bases = append(bases, d.base)
		}
	}
	used := func(b, d int) bool {
		if ds[d].base != "" {
			return bases[b] == ds[d].base
		}
		return b < common
	}
	pictures := make([]*lens.Picture, len(bases))
	var own []quality.Measures
	for i, b := range bases {
		p, err := linearPicture(b)
		if err != nil {
			return err
		}
		pictures[i] = p
		_, q, err := shootAndCheck(p, dose{}, 0)
		if err != nil {
			return err
		}
		own = append(own, q)
	}
	results := make([][][]float64, len(bases)) // base, dose, step
	flagged := make([][][]bool, len(bases))
	var jobs []job
	for b := range bases {
		results[b], flagged[b] = make([][]float64, len(ds)), make([][]bool, len(ds))
		for d := range ds {
			results[b][d], flagged[b][d] = make([]float64, len(ds[d].steps)), make([]bool, len(ds[d].steps))
			for s := range ds[d].steps {
				if !used(b, d) {
					break
				}
				jobs = append(jobs, job{b, d, s})
			}
		}
	}
	var wg sync.WaitGroup
	var mu sync.Mutex
	var firstErr error
	next := make(chan job)
	for range runtime.GOMAXPROCS(0) {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for j := range next {
				ph, q, err := shootAndCheck(pictures[j.base], ds[j.dose], ds[j.dose].steps[j.step])
				mu.Lock()
				if err != nil && firstErr == nil {
					firstErr = err
				}
				results[j.base][j.dose][j.step] = ds[j.dose].measure(q)
				flagged[j.base][j.dose][j.step] = slices.ContainsFunc(ph.Flags, func(f record.Flag) bool { return f.Code == ds[j.dose].code })
				mu.Unlock()
			}
		}()
	}
	for _, j := range jobs {
		next <- j
	}
	close(next)
	wg.Wait()
	if firstErr != nil {
		return firstErr
	}
	fmt.Fprintln(out, "\ndose response: good photos spoilt in steps")
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "fault\tsteps\tphoto\tSpearman\tflag at\tmeasured")
	for d := range ds {
		for b := range bases {
			if !used(b, d) {
				continue
			}
			var line, at []string
			for s, v := range results[b][d] {
				line = append(line, fmt.Sprintf("%.3g", v))
				if flagged[b][d][s] {
					at = append(at, fmt.Sprintf("%g", ds[d].steps[s]))
				}
			}
			from := "never"
			if len(at) > 0 {
				from = strings.Join(at, " ")
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%.3f\t%s\t%s\n", ds[d].name, strings.Trim(fmt.Sprint(ds[d].steps), "[]"), filepath.Base(bases[b]),
				spearman(ds[d].steps, results[b][d]), from, strings.Join(line, " "))
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	worst := 0.0
	for b := range common {
		for s, v := range ds[0].steps {
			worst = math.Max(worst, math.Abs(results[b][0][s]/math.Hypot(v, own[b].Blur.SigmaPX)-1))
		}
	}
	_, err := fmt.Fprintf(out, "blur sigma, 1 to 8 px: worst error %.1f %% of the applied one and the photo's own in quadrature (with a card)\n", 100*worst)
	return err
}

func exists(path string) bool { _, err := os.Stat(path); return err == nil }

// linearPicture reads a photo as linear light, as stored.
func linearPicture(path string) (*lens.Picture, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	img, _, err := image.Decode(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	b := img.Bounds()
	p := &lens.Picture{W: b.Dx(), H: b.Dy(), Pix: make([]float32, 3*b.Dx()*b.Dy())}
	var lut [256]float32
	for i := range lut {
		lut[i] = float32(colour.SRGBToLinear(float64(i) / 255))
	}
	i := 0
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			r, g, bl, _ := img.At(x, y).RGBA()
			p.Pix[i], p.Pix[i+1], p.Pix[i+2] = lut[r>>8], lut[g>>8], lut[bl>>8]
			i += 3
		}
	}
	return p, nil
}

// shootAndCheck takes a picture again through a camera with one fault.
func shootAndCheck(p *lens.Picture, d dose, step float64) (record.Photo, quality.Measures, error) {
	c := &lens.Picture{W: p.W, H: p.H, Pix: slices.Clone(p.Pix)}
	s := lens.Settings{Gain: [3]float64{1, 1, 1}, Quality: 95, Orientation: 1}
	if d.spoil != nil {
		d.spoil(c, &s, step)
	}
	data, err := lens.Shoot(c, s, 1)
	if err != nil {
		return record.Photo{}, quality.Measures{}, err
	}
	return pipeline.CheckData(d.name, data)
}
