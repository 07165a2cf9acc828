package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"tawsight/features"
	"tawsight/internal/bundle"
	"tawsight/internal/pipeline"
	"tawsight/internal/refset"
)

type bundleCommand struct {
	Dir    string `arg:"" optional:"" name:"dir" help:"Folder whose sub-folders are your labelled sets, to be packed with --out."`
	Out    string `placeholder:"FILE.zip" help:"Pack the sets of DIR into this file, which must not be there yet."`
	Photos bool   `help:"Pack the photos themselves too, where notes.csv says that they may be shared."`
	Mine   bool   `help:"Photos of which notes.csv says no permission are your own, and may be shared."`
	Credit string `placeholder:"NAME" help:"Who is to be named with your own photos, where notes.csv names nobody."`
	Check  string `placeholder:"FILE.zip" help:"Check a bundle, and list what is in it."`
	Unpack string `placeholder:"FILE.zip" help:"Unpack a bundle into the folder given with --into."`
	Into   string `placeholder:"DIR" help:"References folder to unpack into: a new one, or one to merge with."`
	printScale
	cameraProfiles
	Workers int `placeholder:"N" help:"Photos measured at once. Default: one for each processor core."`
}

func (bundleCommand) Help() string {
	return `A bundle is one zip file that another collector can compare by, or unpack: every marble's figures, its set, specimen, credit and permission, and its picture. docs/bundle-format.md describes it.

	tawsight bundle DIR --out FILE.zip
	tawsight bundle --check FILE.zip
	tawsight bundle --unpack FILE.zip --into DIR

Credits and permissions stand in DIR/notes.csv, a table with the columns photo, marble, specimen, credit, permission and note, and travel with every marble. A permission is one of: own; may share; may show, not share; ask first. Pictures of a photo that is neither your own nor may be shared are left out, and the photo is named; its figures are packed all the same. Columns of notes.csv other than those named stay at home. A photo that is packed with --photos (JPEG or PNG) leaves behind what the camera wrote into it, the place, thumbnails and maker's notes included; its picture and colour profile are copied bit for bit, and camera, focal length and time taken, which measuring needs or shows, stay.

A bundle that is damaged or was tampered with is refused whole, and nothing is written. Unpacking changes nothing that is in the folder but notes.csv, which gets new lines and is kept as it was under another name; what is there already is skipped, a name already taken gets a number, and a marble whose photo is in another set of yours is refused with all the rest.

A references folder may also hold bundles as they are, beside its sets, and a bundle may be given to --references or to tawsight references in a folder's place.

` + exitStatuses
}

func (c bundleCommand) Validate() error {
	modes := 0
	for _, f := range []string{c.Out, c.Check, c.Unpack} {
		if f != "" {
			modes++
		}
	}
	switch {
	case modes != 1:
		return errors.New("give one of: DIR --out FILE.zip to pack, --check FILE.zip to look, --unpack FILE.zip --into DIR to unpack")
	case c.Out != "" && c.Dir == "":
		return errors.New("--out needs the folder whose sub-folders are your labelled sets")
	case c.Out == "" && c.Dir != "":
		return fmt.Errorf("%s is a folder to pack, which needs --out FILE.zip", c.Dir)
	case (c.Unpack != "") != (c.Into != ""):
		return errors.New("--unpack FILE.zip and --into DIR belong together")
	case c.Out == "" && (c.Photos || c.Mine || c.Credit != "" || c.CheckBarMM != 0 || c.Workers != 0):
		return errors.New("--photos, --mine, --credit, --check-bar-mm and --workers are for packing, with --out")
	}
	for _, f := range []string{c.Check, c.Unpack} {
		if f == "" {
			continue
		}
		if err := exists(f); err != nil {
			return err
		}
	}
	if c.Into != "" {
		if info, err := os.Stat(c.Into); err == nil && !info.IsDir() {
			return fmt.Errorf("--into %s is a file: give a references folder, or the name of a new one", c.Into)
		}
	}
	if c.Out == "" {
		return nil
	}
	if err := isFolder("the folder", c.Dir); err != nil {
		return err
	}
	if _, err := os.Lstat(c.Out); err == nil {
		return fmt.Errorf("--out %s is there already: choose another name", c.Out)
	}
	if err := c.printScale.inRange(); err != nil {
		return err
	}
	return workersInRange(c.Workers)
}

func (c bundleCommand) Run(s *session) error {
	switch {
	case c.Out != "":
		return c.pack(s)
	case c.Check != "":
		b, err := bundle.Open(c.Check)
		if err != nil {
			return err
		}
		defer b.Close()
		return b.List(s.stdout)
	}
	b, err := bundle.Open(c.Unpack)
	if err != nil {
		return err
	}
	defer b.Close()
	done, err := bundle.Unpack(b, c.Into, features.Version)
	if err != nil {
		return err
	}
	fmt.Fprintf(s.stdout, "%s unpacked into %s\n", count(len(done.Photos), "photo"), done.Dir)
	if len(done.Same) > 0 {
		fmt.Fprintf(s.stdout, "%s there already\n", count(len(done.Same), "photo"))
	}
	for _, r := range done.Renamed {
		fmt.Fprintf(s.stdout, "The name was taken: %s\n", r)
	}
	if done.Bundle != "" {
		fmt.Fprintf(s.stdout, "Marbles without their photos are compared by the bundle itself: %s\n", filepath.Join(done.Dir, done.Bundle))
	}
	if done.LeftOut > 0 {
		fmt.Fprintf(s.stderr, "note: %s come without their photos, and with figures of another version of the program's: they were left out\n", count(done.LeftOut, "marble"))
	}
	if done.OldNotes != "" {
		fmt.Fprintf(s.stdout, "The notes have new lines; as they were: %s\n", filepath.Join(done.Dir, done.OldNotes))
	}
	return nil
}

func (c bundleCommand) pack(s *session) error {
	bar := newProgress(s.stderr)
	defer bar.done()
	sum, err := pipeline.Bundle(s.ctx, pipeline.BundleOptions{
		Dir: c.Dir, Out: c.Out, WithPhotos: c.Photos, Mine: c.Mine, Credit: c.Credit,
		CheckBarMM: c.CheckBarMM, Cameras: c.book(s), Workers: c.Workers, Progress: bar.photo, Log: s.log,
	})
	bar.done()
	printFailures(s, sum.Failures)
	if err != nil {
		return err
	}
	unsaid := false
	for _, w := range sum.Withheld {
		unsaid = unsaid || w.Permission == refset.NotSaid.String()
		fmt.Fprintf(s.stderr, "%s: permission %s, so no picture of it was packed\n", w.Path, w.Permission)
	}
	for _, path := range sum.Unpacked {
		fmt.Fprintf(s.stderr, "%s: packed without the photo itself, because place and camera data can be taken out of JPEG and PNG files only: export it as JPEG if it is to go along\n", path)
	}
	if unsaid {
		fmt.Fprintln(s.stderr, "note: permissions stand in notes.csv; if the photos without one are your own, add --mine")
	}
	fmt.Fprintf(s.stdout, "%s, %s, %s\nBundle: %s\n", count(sum.Sets, "set"), count(sum.Photos, "photo"), count(sum.Marbles, "marble"), c.Out)
	if len(sum.Failures) > 0 {
		return errUnreadable
	}
	return nil
}
