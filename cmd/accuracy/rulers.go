package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"path/filepath"
	"strings"
	"text/tabwriter"

	"tawsight/calib"
	"tawsight/internal/pipeline"
	"tawsight/samples"
)

// rulersFolder is the folder of the photos whose scale comes from something
// else than the printed card. They are scored apart.
const rulersFolder = "rulers"

// onRings follows the ruler's name where the marbles lie on rings.
const onRings = ", on rings"

// rulersSection prints a table by what gave the scale: how far sizes are off and
// how often the stated interval holds the true one. card are the photos with the
// printed card, as scored already.
func rulersSection(w io.Writer, dir, only string, verbose bool, card []scored) error {
	paths, err := list(filepath.Join(dir, rulersFolder), only)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	type row struct {
		photos, ruled, marbles, inside int
		err, u                         []float64
		scale                          []float64 // each photo's median relative error: what all its marbles share
		// What the ruler alone brings (true outlines measured by it) and what the
		// outlines alone do (measured by the true table); rulerInside is how often
		// the ruler's own interval holds the truth.
		byRuler, byOutline []float64
		rulerInside        int
	}
	rows := map[string]*row{}
	add := func(s scored, source string) {
		r := rows[source]
		if r == nil {
			r = &row{}
			rows[source] = r
		}
		r.photos++
		if s.in.Photo.Scale.Source == strings.TrimSuffix(source, onRings) {
			r.ruled++
		}
		used := map[int]bool{}
		var relative []float64
		for _, m := range s.truth.Marbles {
			if m.CutOff {
				continue
			}
			r.marbles++
			at := match(s.in.Photo.Marbles, m, used)
			if at < 0 {
				continue
			}
			used[at] = true
			f := s.in.Photo.Marbles[at]
			if f.DiameterMM == nil || isKnown(s.truth, m.ID) {
				continue
			}
			e := *f.DiameterMM - m.DiameterMM
			r.err, r.u = append(r.err, e), append(r.u, *f.DiameterU95MM)
			relative = append(relative, e/m.DiameterMM)
			if math.Abs(e) <= *f.DiameterU95MM {
				r.inside++
			}
			a, u, b := apart(s, m, s.in.Outlines[at].Ellipse)
			if !math.IsNaN(a) && !math.IsNaN(b) {
				r.byRuler, r.byOutline = append(r.byRuler, a), append(r.byOutline, b)
				if math.Abs(a) <= u {
					r.rulerInside++
				}
			}
			if verbose && source != calib.SourceCard {
				fmt.Fprintf(w, "%s %d %s d %.2f err %+.3f u95 %.3f; the ruler's %+.3f u95 %.3f, the outline's %+.3f\n", s.path, m.ID, m.Kind, m.DiameterMM, e, *f.DiameterU95MM, a, u, b)
			}
		}
		if len(relative) > 0 {
			r.scale = append(r.scale, quantile(relative, 0.5))
		}
		if verbose && source != calib.SourceCard {
			sc := s.in.Photo.Scale
			fmt.Fprintf(w, "%s scale %s", s.path, sc.Source)
			for _, v := range []*float64{sc.TiltDeg, sc.CameraHeightMM, sc.FocalPX} {
				if v != nil {
					fmt.Fprintf(w, " %.4g", *v)
				}
			}
			fmt.Fprintf(w, "; truth tilt %.3g height %.4g focal %.5g", s.truth.Camera.TiltDeg, s.truth.Camera.HeightMM, s.truth.Camera.FocalPx)
			for _, f := range s.in.Photo.Flags {
				fmt.Fprintf(w, "; %s: %s", f.Code, f.Message)
			}
			fmt.Fprintln(w)
			if len(s.in.Photo.Marbles) > 0 {
				for _, l := range s.in.Photo.Marbles[0].Budget {
					fmt.Fprintf(w, "   %s %.4f", l.Source, l.UMM)
				}
				fmt.Fprintln(w)
			}
		}
	}
	for _, s := range card {
		if s.truth != nil && s.truth.Good() && s.truth.Card.Present && strings.HasPrefix(filepath.ToSlash(s.path), "samples/") {
			add(s, calib.SourceCard)
		}
	}
	for _, p := range paths {
		file, err := samples.TruthPath(p)
		if err != nil {
			return err
		}
		truth, err := samples.LoadTruth(file)
		if err != nil {
			return err
		}
		if truth.Ruler == nil {
			return fmt.Errorf("%s: its truth names no ruler", p)
		}
		kind := truth.Ruler.Source
		if truth.Ruler.Rest != nil {
			kind += onRings
		}
		add(scored{p, truth, inspectRuler(p, truth)}, kind)
	}
	fmt.Fprintln(w, "\nsizes by what gave the scale (marbles measured by hand left out):")
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "ruler\tphotos\tused\tmarbles\tsized\tbias mm\t95 % of |err| mm\tmedian U95 mm\twithin U95\tshared by a photo, rms\t")
	for _, source := range sources {
		r := rows[source]
		if r == nil {
			continue
		}
		off := abs(r.err)
		sum := 0.0
		for _, v := range r.scale {
			sum += v * v
		}
		within, shared := "-", "-"
		if len(r.scale) > 0 {
			shared = fmt.Sprintf("%.2f %%", 100*math.Sqrt(sum/float64(len(r.scale))))
		}
		if len(off) > 0 {
			within = fmt.Sprintf("%.1f %%", 100*float64(r.inside)/float64(len(off)))
		}
		fmt.Fprintf(t, "%s\t%d\t%d\t%d\t%d\t%+.3f\t%.3f\t%.3f\t%s\t%s\t\n", source, r.photos, r.ruled, r.marbles, len(off), mean(r.err), quantile(off, 0.95), quantile(r.u, 0.5), within, shared)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(w, "\nthe same, what the ruler brings (true outlines, its scale) apart from what the outlines do (the true scale):")
	t = tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "ruler\tmarbles\truler's bias mm\truler's 95 % mm\twithin its own U95\toutline's bias mm\toutline's 95 % mm\t")
	for _, source := range sources {
		if r := rows[source]; r != nil && len(r.byRuler) > 0 {
			n := len(r.byRuler)
			fmt.Fprintf(t, "%s\t%d\t%+.3f\t%.3f\t%.1f %%\t%+.3f\t%.3f\t\n", source, n, mean(r.byRuler), quantile(abs(r.byRuler), 0.95),
				100*float64(r.rulerInside)/float64(n), mean(r.byOutline), quantile(abs(r.byOutline), 0.95))
		}
	}
	return t.Flush()
}

var sources = []string{calib.SourceCard, calib.SourceID1, calib.SourceSheet, calib.SourceCoin, calib.SourceScan, calib.SourceKnown, calib.SourceID1 + onRings}

func abs(v []float64) []float64 {
	out := make([]float64, len(v))
	for i, x := range v {
		out[i] = math.Abs(x)
	}
	return out
}

// apart is a diameter's error where the true outline is measured by the photo's
// ruler, with the ruler's own U95, and where the outline that was found is
// measured by the true table and camera; NaN where there is none.
func apart(s scored, m samples.Marble, seen calib.Ellipse) (byRuler, rulerU95, byOutline float64) {
	r := s.in.Ruler
	if r == nil {
		return math.NaN(), 0, math.NaN()
	}
	e := calib.Ellipse{CxPX: m.Ellipse.CX, CyPX: m.Ellipse.CY, SemiMajorPX: m.Ellipse.SemiMajor, SemiMinorPX: m.Ellipse.SemiMinor, AngleDeg: m.Ellipse.AngleDeg}
	cam, sure := calib.ScanCamera(s.truth.Image.Width, s.truth.Image.Height), [3][3]float64{}
	if r.Pose != nil {
		cam = r.Pose.Camera
	}
	for i := range sure {
		sure[i][i] = 1e-24
	}
	byRuler, byOutline = math.NaN(), math.NaN()
	if c, ok := coneThrough(e, cam); ok {
		if d, err := r.Diameter(calib.SeenOutline{Cone: c, CovV: sure, BiasUPX: 1e-6, Camera: cam}); err == nil {
			byRuler, rulerU95 = d.MM-m.DiameterMM, d.U95MM
		}
	}
	if r.Pose == nil {
		return byRuler, rulerU95, 2*seen.MeanRadiusPX()*25.4/s.truth.Ruler.DPI - m.DiameterMM
	}
	t := s.truth.Camera
	n, height := calib.Vec3{t.R[0][2], t.R[1][2], t.R[2][2]}, 0.0
	for i := range n {
		height -= n[i] * t.T[i]
	}
	if c, ok := coneThrough(seen, calib.Camera{FocalPX: t.FocalPx, CxPX: t.CX, CyPX: t.CY}); ok {
		if _, radius, ok := (calib.Plane{Normal: n, HeightMM: height}).RestingOn(c, r.Rest); ok {
			byOutline = 2*radius - m.DiameterMM
		}
	}
	return byRuler, rulerU95, byOutline
}

// coneThrough is the cone of the rays through an outline.
func coneThrough(e calib.Ellipse, cam calib.Camera) (calib.Cone, bool) {
	var rays []calib.Vec3
	var w []float64
	for k := range 16 {
		x, y, _, _ := e.At(2 * math.Pi * float64(k) / 16)
		rays, w = append(rays, cam.Ray(x, y)), append(w, 1)
	}
	return calib.FitCone(rays, w)
}

func isKnown(t *samples.Truth, id int) bool {
	if t.Ruler == nil {
		return false
	}
	for _, k := range t.Ruler.Known {
		if k.ID == id {
			return true
		}
	}
	return false
}

// inspectRuler measures a photo as its owner would, naming what must be named.
func inspectRuler(path string, t *samples.Truth) pipeline.Inspection {
	var o pipeline.RulerOptions
	if r := t.Ruler.Rest; r != nil {
		o.Rest = calib.Rest{Kind: calib.RestRing, WidthMM: r.InnerMM, HeightMM: r.HeightMM}
	}
	switch t.Ruler.Source {
	case samples.RulerSheet:
		o.Sheet = t.Ruler.Name
	case samples.RulerCoin:
		o.Coin = t.Ruler.Name
	case samples.RulerScan:
		o.DPI = t.Ruler.DPI
	case samples.RulerKnown:
		// First without, to see which number stands beside which marble.
		first := pipeline.Inspect(path, 0)
		for _, k := range t.Ruler.Known {
			for _, m := range t.Marbles {
				if at := match(first.Photo.Marbles, m, nil); m.ID == k.ID && at >= 0 {
					o.Known = append(o.Known, pipeline.KnownMarble{ID: first.Photo.Marbles[at].ID, DiameterMM: k.MM})
				}
			}
		}
	}
	return pipeline.InspectBy(path, 0, o)
}
