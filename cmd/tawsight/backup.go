package main

import (
	"errors"
	"fmt"
	"os"

	"tawsight/internal/collection"
)

type backupCommand struct {
	File string `arg:"" name:"file" help:"The backup to write (NAME.zip), which must not be there yet; best on another disk."`
	collectionFlag
}

func (backupCommand) Help() string {
	return `Writes the collection as it stands, and the photos that lie beside it, into one zip file; you may go on working meanwhile. It is read back and checked before it is called done. tawsight restore puts it back.

Photos that you added from folders of your own stay there: back those folders up, too.`
}

func (c backupCommand) Validate() error {
	if _, err := os.Lstat(c.File); c.File != "" && err == nil {
		return fmt.Errorf("%s is there already: choose another name", c.File)
	}
	return nil
}

func (c backupCommand) Run(s *session) error {
	col, err := c.open(s)
	if err != nil {
		return err
	}
	defer col.Close()
	b, err := col.Backup(s.ctx, c.File)
	if errors.Is(err, collection.ErrThere) {
		return usageError{err}
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(s.stdout, "Backed up and checked: %s, %s, %s", count(b.Rows["specimen_now"], "marble"), count(b.Rows["label"], "label"), count(b.Rows["edit"], "edit"))
	if b.Photos() > 0 {
		fmt.Fprintf(s.stdout, ", %s from beside the collection", count(b.Photos(), "photo"))
	}
	fmt.Fprintf(s.stdout, "\nBackup: %s\n", c.File)
	return nil
}

type restoreCommand struct {
	File string `arg:"" name:"file" help:"A backup that tawsight backup wrote."`
	collectionFlag
	Replace bool `help:"Where a collection is there already, move it aside, under another name beside its own; nothing is deleted."`
}

func (restoreCommand) Help() string {
	return `Puts a backup back as your collection. The backup is checked whole before anything is touched; a damaged one is refused.`
}

func (c restoreCommand) Validate() error {
	if c.File == "" {
		return nil // a missing argument is reported by the parser, after this
	}
	return exists(c.File)
}

func (c restoreCommand) Run(s *session) error {
	path, err := c.path()
	if err != nil {
		return err
	}
	r, err := collection.Restore(s.ctx, c.File, path, c.Replace)
	if errors.Is(err, collection.ErrThere) {
		return usageError{err}
	}
	if err != nil {
		return err
	}
	for _, a := range r.Aside {
		fmt.Fprintf(s.stdout, "Moved aside: %s\n", a)
	}
	fmt.Fprintf(s.stdout, "Restored: %s, %s, as of %s\nCollection: %s\n", count(r.Rows["specimen_now"], "marble"), count(r.Rows["label"], "label"), day(r.Made), path)
	return nil
}

type verifyCommand struct {
	collectionFlag
}

func (verifyCommand) Help() string {
	return `Checks that the collection's file is whole, that nothing in it points to what is not there, and that what lists and filters show is what the labels and figures say. Nothing is changed. Exit status 1 where something is wrong.`
}

func (c verifyCommand) Run(s *session) error {
	col, err := c.open(s)
	if err != nil {
		return err
	}
	defer col.Close()
	wrong, err := col.Check(s.ctx)
	if err != nil {
		return err
	}
	if len(wrong) > 0 {
		for _, w := range wrong {
			fmt.Fprintln(s.stderr, w)
		}
		return fmt.Errorf("the collection %s is not whole: keep a copy of it as it is, and restore your latest backup with tawsight restore FILE --replace", col.Path())
	}
	n, err := col.Counts(s.ctx)
	if err != nil {
		return err
	}
	fmt.Fprintf(s.stdout, "The collection is whole: %s, %s, %s.\nCollection: %s\n", count(n.Photos, "photo"), count(n.Specimens, "marble"), count(n.Sets, "set"), col.Path())
	return nil
}
