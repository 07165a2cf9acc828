package main

import (
	"context"
	"errors"
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
	"time"

	"tawsight/calib"
	"tawsight/internal/cameras"
	"tawsight/internal/pipeline"
	"tawsight/samples"
	"tawsight/samples/cardshots"
	"tawsight/vision"
)

// How the lens is tried: what its distortion moves the frame's corners by, and
// what it may cost with a camera profile (the aim).
const (
	lensCorner  = -0.02
	lensMayCost = 0.05 // mm, in the 95 % absolute error of diameters
)

// lensFolders are the samples that are bent, each photo with its card.
var lensFolders = []string{"tray", "again"}

// bent is the lens that moves the corners of a frame of w x h px, seen with a focal
// length in px, by lensCorner of their distance.
func bent(w, h int, focal float64) calib.Lens {
	l := calib.Lens{FocalPX: focal, CxPX: float64(w-1) / 2, CyPX: float64(h-1) / 2, MidX: float64(w-1) / 2, MidY: float64(h-1) / 2}
	r := math.Hypot(float64(w)/2, float64(h)/2) / focal
	// The share is of where a pinhole has the corner of the photo: r' = r (1 + k r^2)
	// with r' the corner and r = r' / (1 + share).
	r /= 1 + lensCorner
	l.K1 = lensCorner / (r * r)
	return l
}

// lensSection measures sample photos resampled but straight, bent by a lens, and bent with a
// camera profile, and prints what the lens costs in the diameters. The profile is
// learnt by the program from 13 photos of the card through that lens, a set for
// each frame size; the samples have a focal length each, and the profile is carried
// over to it (the same distortion in pixels).
func lensSection(w io.Writer, dir, only string, verbose bool) error {
	var paths []string
	for _, f := range lensFolders {
		p, err := list(filepath.Join(dir, f), only)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		paths = append(paths, p...)
	}
	tmp, err := os.MkdirTemp("", "tawsight-lens-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(tmp)
	learnt := map[[2]int]*cameras.Profile{}
	type way struct {
		name string
		err  []float64
		// alone are the errors with the true outlines, as the lens shows them: what
		// card, pose and lens bring without what another look at an outline does.
		alone           []float64
		inside, marbles int
		photosWithSizes int
	}
	ways := []*way{{name: "straight"}, {name: "bent, with a camera profile"}, {name: "bent, without"}}
	type job struct {
		path  string
		truth *samples.Truth
		focal int
	}
	var jobs []job
	for _, p := range paths {
		meta, err := vision.ReadMeta(p)
		if err != nil {
			return err
		}
		file, err := samples.TruthPath(p)
		if err != nil {
			return err
		}
		truth, err := samples.LoadTruth(file)
		if err != nil {
			return err
		}
		if meta.Orientation != 1 || !truth.Good() || !truth.Card.Present {
			continue // bending is of the stored picture
		}
		size := [2]int{truth.Image.Width, truth.Image.Height}
		if learnt[size] == nil {
			folder := filepath.Join(tmp, fmt.Sprintf("%dx%d", size[0], size[1]))
			if err := os.Mkdir(folder, 0o777); err != nil {
				return err
			}
			set := cardshots.Set{W: size[0], H: size[1], Lens: bent(size[0], size[1], 0.9*float64(max(size[0], size[1]))), N: 13,
				Tilts: []float64{0, 25, 30, 35}, Corners: 1, Tags: cardshots.Tags("P4", 32), Seed: 11}
			if _, err := set.Write(folder); err != nil {
				return err
			}
			sum, err := pipeline.LearnCamera(context.Background(), pipeline.CameraOptions{Photos: []string{folder}, Now: time.Unix(0, 0)})
			if err != nil {
				return err
			}
			learnt[size] = sum.Profile
		}
		jobs = append(jobs, job{p, truth, meta35(meta)})
	}
	var mu sync.Mutex
	var firstErr error
	var wg sync.WaitGroup
	sem := make(chan struct{}, runtime.GOMAXPROCS(0))
	for n, j := range jobs {
		wg.Add(1)
		go func() {
			defer wg.Done()
			sem <- struct{}{}
			defer func() { <-sem }()
			data, err := os.ReadFile(j.path)
			if err != nil {
				mu.Lock()
				defer mu.Unlock()
				firstErr = err
				return
			}
			size := [2]int{j.truth.Image.Width, j.truth.Image.Height}
			l := bent(size[0], size[1], j.truth.Camera.FocalPx)
			// Straight, but resampled like the others: a part of a pixel aside.
			moved := l
			moved.K1, moved.CxPX, moved.CyPX = 0, l.CxPX+0.37, l.CyPX+0.29
			tags := cardshots.Tags("P4", j.focal)
			book := cameras.With(carried(learnt[size], j.truth.Camera.FocalPx, j.focal))
			for k, wy := range ways {
				lens, known := &l, (*cameras.Book)(nil)
				switch k {
				case 0:
					lens = &moved
				case 1:
					known = book
				}
				out, err := cardshots.Bend(data, lens, tags)
				file := filepath.Join(tmp, fmt.Sprintf("%d-%d.jpg", n, k))
				if err == nil {
					err = os.WriteFile(file, out, 0o666)
				}
				if err != nil {
					mu.Lock()
					defer mu.Unlock()
					firstErr = err
					return
				}
				in := pipeline.InspectBy(file, 0, pipeline.RulerOptions{Cameras: known})
				mu.Lock()
				if (k == 1) != (in.Photo.Scale.CameraProfile != "") {
					firstErr = fmt.Errorf("%s, %s: camera profile %q", j.path, wy.name, in.Photo.Scale.CameraProfile)
				}
				if in.Photo.Scale.Source == calib.SourceCard {
					wy.photosWithSizes++
				}
				used := map[int]bool{}
				for _, m := range j.truth.Marbles {
					if m.CutOff {
						continue
					}
					if e := throughLens(in.Ruler, m, lens); !math.IsNaN(e) {
						wy.alone = append(wy.alone, math.Abs(e))
					}
					m.Ellipse.CX, m.Ellipse.CY = lens.Seen(m.Ellipse.CX, m.Ellipse.CY)
					wy.marbles++
					at := match(in.Photo.Marbles, m, used)
					if at < 0 {
						continue
					}
					used[at] = true
					f := in.Photo.Marbles[at]
					if f.DiameterMM == nil {
						continue
					}
					e := *f.DiameterMM - m.DiameterMM
					wy.err = append(wy.err, math.Abs(e))
					if math.Abs(e) <= *f.DiameterU95MM {
						wy.inside++
					}
					if verbose {
						fmt.Fprintf(w, "%s %d, %s: err %+.3f u95 %.3f\n", j.path, m.ID, wy.name, e, *f.DiameterU95MM)
					}
				}
				mu.Unlock()
			}
		}()
	}
	wg.Wait()
	if firstErr != nil {
		return firstErr
	}
	fmt.Fprintf(w, "\nlens that moves the corners by %.0f %% (%s; learnt from 13 photos of the card; aim: costs %.2f mm at most with a profile)\n", 100*lensCorner, strings.Join(lensFolders, ", "), lensMayCost)
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(tw, "photos\twith card\tmarbles\tsized\t95 % of |err| mm\tcosts mm\twithin U95\twith true outlines, 95 % mm\tcosts mm\t")
	base, baseAlone := 0.0, 0.0
	for k, wy := range ways {
		sort.Float64s(wy.err)
		sort.Float64s(wy.alone)
		e, alone := percentile95(wy.err), percentile95(wy.alone)
		if k == 0 {
			base, baseAlone = e, alone
		}
		fmt.Fprintf(tw, "%s\t%d of %d\t%d\t%d\t%.3f\t%+.3f\t%.0f %%\t%.3f\t%+.3f\t\n", wy.name, wy.photosWithSizes, len(jobs), wy.marbles, len(wy.err), e, e-base, 100*float64(wy.inside)/float64(max(1, len(wy.err))), alone, alone-baseAlone)
	}
	return tw.Flush()
}

// throughLens is a diameter's error where the marble's true outline, as the lens
// shows it, is measured by the photo's ruler; NaN without one.
func throughLens(r *calib.Ruler, m samples.Marble, lens *calib.Lens) float64 {
	if r == nil || r.Pose == nil {
		return math.NaN()
	}
	e := calib.Ellipse{CxPX: m.Ellipse.CX, CyPX: m.Ellipse.CY, SemiMajorPX: m.Ellipse.SemiMajor, SemiMinorPX: m.Ellipse.SemiMinor, AngleDeg: m.Ellipse.AngleDeg}
	var rays []calib.Vec3
	var w []float64
	for k := range 32 {
		x, y, _, _ := e.At(2 * math.Pi * float64(k) / 32)
		x, y = lens.Seen(x, y)
		rays, w = append(rays, r.Pose.Camera.Ray(x, y)), append(w, 1)
	}
	c, ok := calib.FitCone(rays, w)
	if !ok {
		return math.NaN()
	}
	_, radius, ok := r.Table().RestingOn(c, r.Rest)
	if !ok {
		return math.NaN()
	}
	return 2*radius - m.DiameterMM
}

// percentile95 is the value that 95 in 100 do not pass; sorted in.
func percentile95(sorted []float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	return sorted[int(math.Ceil(0.95*float64(len(sorted))))-1]
}

func meta35(m vision.Meta) int { return int(math.Round(m.Focal35MM)) }

// carried is a profile of the same lens at another focal length: the distortion
// stays where it is in pixels, the angles change.
func carried(p *cameras.Profile, focal float64, focal35 int) *cameras.Profile {
	q := *p
	m := p.Found
	// The profile's own error in the focal length goes along.
	set := 0.9 * float64(max(m.WidthPX, m.HeightPX))
	s := focal / set
	m.FocalPX *= s
	power := map[string]float64{"k1": s * s, "k2": s * s * s * s, "k3": math.Pow(s, 6), "p1": s, "p2": s}
	m.K1, m.K2, m.K3, m.P1, m.P2 = m.K1*power["k1"], m.K2*power["k2"], m.K3*power["k3"], m.P1*power["p1"], m.P2*power["p2"]
	m.Covariance = nil
	for i, row := range p.Found.Covariance {
		row = slices.Clone(row)
		for j := range row {
			for _, n := range [2]string{m.Fitted[i], m.Fitted[j]} {
				if f, ok := power[n]; ok {
					row[j] *= f
				}
			}
		}
		m.Covariance = append(m.Covariance, row)
	}
	q.Found = m
	q.Camera.Focal35MM = float64(focal35)
	return &q
}
