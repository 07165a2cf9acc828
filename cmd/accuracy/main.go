// Command accuracy scores the whole measurement against photos whose truth is
// known: the committed samples and, when present, the independent renderings
// in ../shared/scenes. It prints one table.
package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"sort"
	"strings"
	"sync"
	"text/tabwriter"

	"tawsight/internal/colour"
	"tawsight/internal/pipeline"
	"tawsight/internal/record"
	"tawsight/samples"
)

// also is a folder of other renderings with their truth beside them.
var also string

var withDoses bool // spoil good photos in steps, which takes longest

var clusters bool // print each marble's colours beside the true ones

func main() {
	flag.StringVar(&also, "also", "../shared/scenes", "folder of other photos with truth beside them, scored where it is there")
	flag.BoolVar(&withDoses, "doses", true, "spoil good photos in steps and see that the measures follow, which takes longest")
	flag.BoolVar(&clusters, "colours", false, "with -v, print each marble's colours beside the true ones")
	verbose := flag.Bool("v", false, "print a line for every marble")
	cues := flag.String("cues", "", "write what each marble shows, and its truth, to this CSV file")
	only := flag.String("only", "", "only photos whose path contains this")
	glass := flag.Bool("glass", false, "find the weights of the glass cues anew, and how well they tell kinds apart")
	attribution := flag.Bool("attribution", false, "only say how well the labelled sets are told apart")
	table := flag.String("table", "", "with -attribution, write the table of features to this CSV file")
	sets := flag.String("sets", "samples/photos/references", "with -attribution, the folder of labelled sets")
	rulers := flag.String("rulers", "", "only score other rulers than the printed card, on the photos of this folder (samples/photos, say)")
	lensOnly := flag.Bool("lens", false, "only say what a lens that bends the picture costs, with a camera profile and without")
	flag.Parse()
	if *lensOnly {
		if err := lensSection(os.Stdout, "samples/photos", *only, *verbose); err != nil {
			fmt.Fprintln(os.Stderr, "accuracy:", err)
			os.Exit(1)
		}
		return
	}
	if *rulers != "" {
		if err := rulersSection(os.Stdout, *rulers, *only, *verbose, nil); err != nil {
			fmt.Fprintln(os.Stderr, "accuracy:", err)
			os.Exit(1)
		}
		return
	}
	if *attribution {
		if err := attributionSection(os.Stdout, *sets, *table); err != nil {
			fmt.Fprintln(os.Stderr, "accuracy:", err)
			os.Exit(1)
		}
		return
	}
	if *glass {
		if err := fitGlass(os.Stdout); err != nil {
			fmt.Fprintln(os.Stderr, "accuracy:", err)
			os.Exit(1)
		}
		return
	}
	if err := run(*verbose, *cues, *only); err != nil {
		fmt.Fprintln(os.Stderr, "accuracy:", err)
		os.Exit(1)
	}
}

// group is a body of photos scored together.
type group struct {
	name  string
	paths []string
}

type scored struct {
	path  string
	truth *samples.Truth
	in    pipeline.Inspection
}

func run(verbose bool, cuesPath, only string) error {
	own, err := list("samples/photos", only)
	if err != nil {
		return err
	}
	own = slices.DeleteFunc(own, func(p string) bool { return strings.Contains(filepath.ToSlash(p), "/"+rulersFolder+"/") })
	groups := []group{{"samples", own}}
	if other, err := list(also, only); err == nil && len(other) > 0 {
		groups = append(groups, group{"other renderer", other})
	}
	var cues *os.File
	if cuesPath != "" {
		if cues, err = os.Create(cuesPath); err != nil {
			return err
		}
		defer cues.Close()
		fmt.Fprintln(cues, "photo,marble,kind,transparency,tint,transmission,shadow_depth,caustic,peak,shade_slope,rim_ratio,translucency,shadow_seen,radial_slope,unrest,range,paper_lightness")
	}
	var all tally
	var seen []scored
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "photos\tfound\tfalse\trecall\tprecision\tbias mm\t95 % of |err| mm\twithin U95\tbase kind\ttinted\tbase dE00\tribbon dE00\ttransl. rho\tbusy rho\t")
	for _, g := range groups {
		var t tally
		for _, s := range inspect(g.paths) {
			t.add(s, verbose, cues)
			seen = append(seen, s)
		}
		t.row(w, g.name)
		all.join(t)
	}
	if len(groups) > 1 {
		all.row(w, "all")
	}
	if err := w.Flush(); err != nil {
		return err
	}
	anatomySection(os.Stdout, groups, seen)
	matSection(os.Stdout, seen)
	if err := rulersSection(os.Stdout, "samples/photos", only, verbose, seen); err != nil {
		return err
	}
	if only == "" {
		if err := lensSection(os.Stdout, "samples/photos", only, false); err != nil {
			return err
		}
		if err := leaveOneOut(os.Stdout); err != nil {
			return err
		}
	}
	return qualitySection(os.Stdout, seen)
}

// leaveOneOut prints how well the sample sets are told apart, as
// `tawsight references` finds it.
func leaveOneOut(w io.Writer) error {
	sum, err := pipeline.References(context.Background(), pipeline.ReferencesOptions{Dir: "samples/photos/references"})
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "\nleave-one-out over the sample sets: %d of %d (%.1f %%);", sum.Right, sum.Tested, 100*float64(sum.Right)/float64(max(1, sum.Tested)))
	for _, s := range sum.Sets {
		fmt.Fprintf(w, " %s %d of %d", s.Label, s.Right, s.Tested)
	}
	fmt.Fprintln(w)
	return nil
}

func list(dir, only string) ([]string, error) {
	var out []string
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if !d.IsDir() && strings.HasSuffix(p, ".jpg") && strings.Contains(p, only) {
			out = append(out, p)
		}
		return nil
	})
	sort.Strings(out)
	return out, err
}

func inspect(paths []string) []scored {
	out := make([]scored, len(paths))
	var wg sync.WaitGroup
	sem := make(chan struct{}, runtime.GOMAXPROCS(0))
	for i, p := range paths {
		wg.Add(1)
		go func() {
			defer wg.Done()
			sem <- struct{}{}
			defer func() { <-sem }()
			file, err := samples.TruthPath(p)
			if err != nil {
				fmt.Fprintln(os.Stderr, "no truth:", err)
				return
			}
			truth, err := samples.LoadTruth(file)
			if err != nil {
				fmt.Fprintln(os.Stderr, err)
				return
			}
			out[i] = scored{p, truth, pipeline.Inspect(p, 0)}
		}()
	}
	wg.Wait()
	return out
}

// tally sums scores up. Only good photos count.
type tally struct {
	photos, marbles, found, extra int
	errMM                         []float64
	inside, sized                 int
	kindRight, kinds              int
	tintRight, tints              int
	baseDE, ribbonDE              []float64
	translucency, transmission    []float64
	busy, trueBusy                []float64
	missed                        []string
}

func (t *tally) join(o tally) {
	t.photos += o.photos
	t.marbles += o.marbles
	t.found += o.found
	t.extra += o.extra
	t.errMM = append(t.errMM, o.errMM...)
	t.inside += o.inside
	t.sized += o.sized
	t.kindRight += o.kindRight
	t.kinds += o.kinds
	t.tintRight += o.tintRight
	t.tints += o.tints
	t.baseDE = append(t.baseDE, o.baseDE...)
	t.ribbonDE = append(t.ribbonDE, o.ribbonDE...)
	t.translucency = append(t.translucency, o.translucency...)
	t.transmission = append(t.transmission, o.transmission...)
	t.busy = append(t.busy, o.busy...)
	t.trueBusy = append(t.trueBusy, o.trueBusy...)
}

// match is the number of the marble found where the true one is, its middle
// within 0.3 of the radius, the nearest one not yet used; -1 for none.
func match(found []record.Marble, m samples.Marble, used map[int]bool) int {
	best, at := 0.3*math.Sqrt(m.Ellipse.SemiMajor*m.Ellipse.SemiMinor), -1
	for i, f := range found {
		if d := math.Hypot(f.Outline.CxPX-m.Ellipse.CX, f.Outline.CyPX-m.Ellipse.CY); d < best && !used[i] {
			best, at = d, i
		}
	}
	return at
}

func (t *tally) add(s scored, verbose bool, cues *os.File) {
	if s.truth == nil || !s.truth.Good() {
		return
	}
	t.photos++
	ph := s.in.Photo
	used := map[int]bool{}
	for _, m := range s.truth.Marbles {
		if m.CutOff {
			continue
		}
		t.marbles++
		at := match(ph.Marbles, m, used)
		if at < 0 {
			t.missed = append(t.missed, fmt.Sprintf("%s marble %d", s.path, m.ID))
			if verbose {
				fmt.Printf("%s %d %s MISSED\n", s.path, m.ID, m.Kind)
			}
			continue
		}
		used[at] = true
		t.found++
		t.marble(s, m, at, verbose, cues)
	}
	for i, f := range ph.Marbles {
		if used[i] {
			continue
		}
		cut := false
		for _, m := range s.truth.Marbles {
			if m.CutOff && math.Hypot(f.Outline.CxPX-m.Ellipse.CX, f.Outline.CyPX-m.Ellipse.CY) < m.Ellipse.SemiMajor {
				cut = true
			}
		}
		if !cut {
			t.extra++
			if verbose {
				fmt.Printf("%s FALSE at %.0f,%.0f r %.0f\n", s.path, f.Outline.CxPX, f.Outline.CyPX, f.Outline.SemiMajorPX)
			}
		}
	}
}

func (t *tally) marble(s scored, m samples.Marble, at int, verbose bool, cues *os.File) {
	f := s.in.Photo.Marbles[at]
	a := s.in.Analyses[at]
	line := fmt.Sprintf("%s %d %-15s", s.path, m.ID, m.Kind)
	dr := math.Sqrt(f.Outline.SemiMajorPX*f.Outline.SemiMinorPX) - math.Sqrt(m.Ellipse.SemiMajor*m.Ellipse.SemiMinor)
	if f.DiameterMM != nil {
		e := *f.DiameterMM - m.DiameterMM
		t.errMM = append(t.errMM, e)
		t.sized++
		if math.Abs(e) <= *f.DiameterU95MM {
			t.inside++
		}
		o := s.in.Outlines[at]
		line += fmt.Sprintf(" cov %.2f res %.2f sup %.2f str %.0f hid %.2f blur %.2f", o.Coverage, o.ResidualPX, o.Support, o.Strength, o.Hidden, s.in.Outlines[at].RimShiftPX)
		line += fmt.Sprintf(" d %.2f err %+.3f u95 %.3f dr %+.2f px of %.0f", m.DiameterMM, e, *f.DiameterU95MM, dr, f.Outline.SemiMajorPX)
	}
	if f.Base != nil {
		t.kinds++
		t.tints++
		if f.Base.Kind == m.Base.Transparency {
			t.kindRight++
		} else {
			line += fmt.Sprintf(" KIND %s not %s", f.Base.Kind, m.Base.Transparency)
		}
		if f.Base.Tinted == m.Base.Tint {
			t.tintRight++
		} else {
			line += fmt.Sprintf(" TINT %v not %v", f.Base.Tinted, m.Base.Tint)
		}
		if b := m.Seen.Base; b != nil {
			d := colour.DeltaE00(f.Base.Lab, *b)
			t.baseDE = append(t.baseDE, d)
			line += fmt.Sprintf(" base %.1f", d)
		}
		if tr, ok := transmission(m); ok {
			t.translucency = append(t.translucency, f.Base.Translucency)
			t.transmission = append(t.transmission, tr)
		}
	}
	// The main ribbon: the truth's class that covers most, against the nearest
	// of the two colours that cover most.
	if lab, ok := mainRibbon(m); ok {
		best := math.Inf(1)
		for k, r := range f.Ribbons {
			if k < 2 {
				best = math.Min(best, colour.DeltaE00(r.Lab, lab))
			}
		}
		if !math.IsInf(best, 1) {
			t.ribbonDE = append(t.ribbonDE, best)
			line += fmt.Sprintf(" ribbon %.1f", best)
		} else {
			t.ribbonDE = append(t.ribbonDE, 100)
			line += " NO RIBBON"
		}
	}
	if e, ok := trueEdge(m); ok && f.Busyness != nil {
		t.busy = append(t.busy, *f.Busyness)
		t.trueBusy = append(t.trueBusy, e)
	}
	if verbose {
		fmt.Println(line)
		if clusters {
			fmt.Printf("    paper %.0f base %d", a.Face.PaperLab, a.Parts.Base)
			for _, c := range a.Parts.Colours {
				fmt.Printf("  %.0f %.2f", c.Lab, c.Share)
			}
			fmt.Println()
			fmt.Print("    truth base")
			if b := m.Seen.Base; b != nil {
				fmt.Printf(" %.0f", *b)
			}
			for _, r := range []*samples.SeenClass{m.Seen.R, m.Seen.G} {
				if r != nil && r.Lab != nil {
					fmt.Printf("  %.0f %.2f", *r.Lab, r.Coverage)
				}
			}
			fmt.Println()
		}
	}
	if cues != nil {
		tr, _ := transmission(m)
		g := a.Glass
		fmt.Fprintf(cues, "%s,%d,%s,%s,%v,%.3f,%.4f,%.4f,%.4f,%.4f,%.4f,%.4f,%v,%.4f,%.4f,%.4f,%.1f\n", s.path, m.ID, m.Kind, m.Base.Transparency, m.Base.Tint, tr,
			a.Shadow.Depth, a.Shadow.Caustic, a.Shadow.Peak, g.ShadeSlope, g.RimRatio, g.Translucency, a.Shadow.Seen, g.RadialSlope, g.Unrest, g.Range, a.Face.PaperLab[0])
	}
}

// transmission is the true share of light through one diameter of the base.
func transmission(m samples.Marble) (float64, bool) {
	if m.Base.Transmission != nil {
		return *m.Base.Transmission, true
	}
	switch m.Base.Transparency {
	case samples.Opaque:
		return 0, true
	case samples.Transparent:
		lin := colour.LabToLinear(m.Base.Lab)
		return 0.2126*lin[0] + 0.7152*lin[1] + 0.0722*lin[2], true
	}
	return 0, false // cloudy, how much is not said
}

func mainRibbon(m samples.Marble) (lab [3]float64, ok bool) {
	cover := 0.0
	for _, r := range seenClasses(m) {
		if r != nil && r.Lab != nil && r.Coverage > cover {
			lab, cover, ok = *r.Lab, r.Coverage, true
		}
	}
	return lab, ok
}

func trueEdge(m samples.Marble) (float64, bool) {
	e, ok := 0.0, false
	for _, r := range seenClasses(m) {
		if r != nil && r.EdgeLengthPerDiameter > 0 {
			e += r.EdgeLengthPerDiameter
			ok = true
		}
	}
	return e, ok
}

func (t *tally) row(w *tabwriter.Writer, name string) {
	share := func(a, b int) string {
		if b == 0 {
			return "-"
		}
		return fmt.Sprintf("%.1f %%", 100*float64(a)/float64(b))
	}
	mean, p95 := 0.0, math.NaN()
	abs := make([]float64, len(t.errMM))
	for i, e := range t.errMM {
		mean += e / float64(len(t.errMM))
		abs[i] = math.Abs(e)
	}
	if len(abs) > 0 {
		p95 = quantile(abs, 0.95)
	}
	fmt.Fprintf(w, "%s %d\t%d/%d\t%d\t%s\t%s\t%+.3f\t%.3f\t%s\t%s\t%s\t%.1f\t%.1f\t%.2f\t%.2f\t\n", name, t.photos, t.found, t.marbles, t.extra,
		share(t.found, t.marbles), share(t.found, t.found+t.extra), mean, p95, share(t.inside, t.sized),
		share(t.kindRight, t.kinds), share(t.tintRight, t.tints), quantile(t.baseDE, 0.5), quantile(t.ribbonDE, 0.5),
		spearman(t.translucency, t.transmission), spearman(t.busy, t.trueBusy))
}

func quantile(v []float64, q float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := append([]float64(nil), v...)
	sort.Float64s(s)
	return s[min(len(s)-1, int(math.Ceil(q*float64(len(s))))-1)]
}

// spearman is the rank correlation, ties sharing their mean rank.
func spearman(a, b []float64) float64 {
	if len(a) < 3 {
		return math.NaN()
	}
	ra, rb := ranks(a), ranks(b)
	var ma, mb, saa, sbb, sab float64
	n := float64(len(a))
	for i := range ra {
		ma += ra[i] / n
		mb += rb[i] / n
	}
	for i := range ra {
		saa += (ra[i] - ma) * (ra[i] - ma)
		sbb += (rb[i] - mb) * (rb[i] - mb)
		sab += (ra[i] - ma) * (rb[i] - mb)
	}
	return sab / math.Sqrt(saa*sbb)
}

func ranks(v []float64) []float64 {
	idx := make([]int, len(v))
	for i := range idx {
		idx[i] = i
	}
	sort.Slice(idx, func(a, b int) bool { return v[idx[a]] < v[idx[b]] })
	r := make([]float64, len(v))
	for i := 0; i < len(idx); {
		j := i
		for j < len(idx) && v[idx[j]] == v[idx[i]] {
			j++
		}
		for k := i; k < j; k++ {
			r[idx[k]] = float64(i+j-1) / 2
		}
		i = j
	}
	return r
}
