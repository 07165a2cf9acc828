package main

import (
	"errors"
	"fmt"
	"os"
	"time"

	"tawsight/internal/cameras"
	"tawsight/internal/pipeline"
)

type cameraCommand struct {
	Photos  []string `arg:"" optional:"" name:"photos" help:"Photos (JPEG or PNG) of the printed card, all with one camera at one zoom; or folders of them."`
	Name    string   `placeholder:"NAME" help:"What you call the camera. Default: what the photos say."`
	Out     string   `placeholder:"FILE" help:"Write the profile to this file in place of your settings, where it would be used by itself."`
	List    bool     `help:"List the camera profiles you have, and look at no photo."`
	Workers int      `placeholder:"N" help:"Photos looked at at once. Default: one for each processor core."`
}

func (cameraCommand) Help() string {
	return `Learns your camera from photos of the printed card: its focal length, and how its lens bends the picture. Afterwards tawsight measure, compare, references, check and add use what was learnt for photos of that camera, at that zoom and of that shape, by themselves; --no-camera-profile leaves it.

Most telephones straighten their pictures themselves and need none of this. It is worth it for a compact or system camera, for a telephone's wide lens, and where marbles in the corners of the picture come out another size than in the middle.

How to take the set: no marbles, the card flat on a table, and 12 to 15 photos. Bring the card into the middle and into all four corners of the picture, filling a third of it or more; lean the camera by 20 to 45 degrees for most of them, to all sides; turn the camera upright for some. Don't zoom in between, and copy the photos as they are: pictures sent by a messenger no longer say which camera took them.

It says what is missing, shows where in the frame the card was, tries the profile on photos that were left out, and refuses one that would make matters worse. A profile already there is kept beside the new one, under a name that is printed.

Exit status: 0 when a profile was made; 3 when one was made and some files could not be read, each named on standard error; 2 for wrong usage, with nothing written; 1 when no profile could be made, and for anything else.`
}

func (c cameraCommand) Validate() error {
	if len(c.Photos) == 0 && !c.List {
		return errors.New("name the photos of the card, or folders of them; or --list for the profiles you have")
	}
	if len(c.Photos) > 0 && c.List {
		return errors.New("--list looks at no photo: leave the photos out")
	}
	for _, p := range c.Photos {
		if err := exists(p); err != nil {
			return err
		}
	}
	return workersInRange(c.Workers)
}

func (c cameraCommand) Run(s *session) error {
	if c.List {
		return listCameras(s)
	}
	// Before minutes of work, not after.
	if _, err := os.Stat(c.Out); c.Out != "" && err == nil {
		if _, err := cameras.Read(c.Out); err != nil {
			return usageError{fmt.Errorf("--out %s is there already and is no camera profile: it was left as it is; choose another name", c.Out)}
		}
	}
	bar := newProgress(s.stderr)
	defer bar.done()
	sum, err := pipeline.LearnCamera(s.ctx, pipeline.CameraOptions{
		Photos: c.Photos, Name: c.Name, Workers: c.Workers, Progress: bar.photo, Now: time.Now(),
	})
	bar.done()
	printFailures(s, sum.Failures)
	for _, f := range sum.LeftOut {
		fmt.Fprintf(s.stderr, "%s: left out: %s\n", f.Path, f.Reason)
	}
	if len(sum.Used) > 0 {
		fmt.Fprintf(s.stdout, "%s of the card count.\nWhere in the frame the card was (# often, o now and then, . never), as the file stores it:\n%s", count(len(sum.Used), "photo"), sum.Coverage)
		for _, p := range sum.Used {
			if p.TiltDeg > 0 {
				fmt.Fprintf(s.stdout, "  %s: leaning %.0f degrees, corners within %.2f px\n", p.Path, p.TiltDeg, p.RestPX)
			}
		}
	}
	for _, l := range sum.Lens {
		fmt.Fprintf(s.stdout, "  %s\n", l)
	}
	for _, m := range sum.Missing {
		fmt.Fprintf(s.stdout, "What would help: %s.\n", m)
	}
	if err != nil {
		return err
	}
	p := sum.Profile
	path, err := pipeline.SavePath(p, c.Out)
	if err != nil {
		return err
	}
	kept, err := p.Save(path, time.Now())
	if err != nil {
		return err
	}
	fmt.Fprintf(s.stdout, "Half of the card foretold from the other half, on photos left out: %.3f px with the profile, %.3f px without.\n", p.HeldOutPX, p.HeldOutWithoutPX)
	if kept != "" {
		fmt.Fprintf(s.stdout, "The profile that was there before is now %s\n", kept)
	}
	fmt.Fprintf(s.stdout, "Profile of %s [%s]: %s\n", p.Name, p.Hash(), path)
	if c.Out != "" {
		if dir, err := cameras.Dir(); err == nil {
			fmt.Fprintf(s.stdout, "It is used once it lies in %s\n", dir)
		}
	}
	if len(sum.Failures) > 0 {
		return errUnreadable
	}
	return nil
}

func listCameras(s *session) error {
	dir, err := cameras.Dir()
	if err != nil {
		return err
	}
	b := cameras.Open(dir)
	for _, err := range b.Problems {
		fmt.Fprintf(s.stderr, "%v\n", err)
	}
	if len(b.Profiles()) == 0 {
		fmt.Fprintf(s.stdout, "No camera profiles in %s\n", dir)
	}
	for _, p := range b.Profiles() {
		share, u := p.Found.CornerShift()
		fmt.Fprintf(s.stdout, "%s [%s]\n  camera: %s, frame %s\n  focal length %.1f px of %d, distortion at the corners %+.2f +- %.2f %%, from %s, made %s\n  %s\n",
			p.Name, p.Hash(), p.Camera, cameras.Shape(p.Found.WidthPX, p.Found.HeightPX), p.Found.FocalPX, p.Found.WidthPX, 100*share, 196*u, count(p.Photos, "photo"), p.Made, p.Path())
	}
	if len(b.Problems) > 0 {
		return errUnreadable
	}
	return nil
}

// cameraProfiles is the flag shared by the commands that measure.
type cameraProfiles struct {
	NoCameraProfile bool `help:"Measure as if nothing were known of the camera, whatever profiles you have (tawsight camera)."`
}

// book are the user's profiles; what is wrong with a file among them is said.
func (f cameraProfiles) book(s *session) *cameras.Book {
	if f.NoCameraProfile {
		return nil
	}
	b := cameras.OpenUsers()
	for _, err := range b.Problems {
		fmt.Fprintf(s.stderr, "a camera profile is passed over: %v\n", err)
	}
	return b
}
