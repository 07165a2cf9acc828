package main

import (
	"archive/zip"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"tawsight/internal/atomicfile"
	"tawsight/internal/collection"
)

type exportCommand struct {
	collectionFlag
	Out      string `required:"" placeholder:"FILE|DIR" help:"Where to: a new file for json (NAME.jsonl), a new or empty folder, or a new NAME.zip, for csv."`
	Format   string `default:"json" enum:"json,csv" help:"json: all of it, to bring into another collection. csv: tables for a spreadsheet. Default: json."`
	Pictures bool   `default:"true" negatable:"" help:"With json: the pictures of marbles and trays, too. --no-pictures leaves them out."`
	Words    string `placeholder:"WORDS" help:"With csv: only marbles that have all these words in their names, tags, notes, colours or sets."`
}

func (exportCommand) Help() string {
	return `json writes everything that you and the program put into the collection, history included, as JSON Lines; tawsight import brings it into another collection, or back, without loss. Your photos themselves stay where they are: tawsight backup takes those along that lie beside the collection.

csv writes marbles.csv, photos.csv, labels.csv and notes.csv. Some columns of marbles.csv may be edited and brought back with tawsight import. docs/collection-format.md describes both.

Nothing is ever overwritten.`
}

func (c exportCommand) Validate() error {
	info, err := os.Stat(c.Out)
	switch {
	case c.Out == "" || err != nil:
	case c.Format == "csv" && info.IsDir():
	default:
		return fmt.Errorf("--out %s is there already: choose another name", c.Out)
	}
	if c.Words != "" && c.Format != "csv" {
		return errors.New("--words is for --format csv: the other holds the whole collection")
	}
	return nil
}

func (c exportCommand) Run(s *session) error {
	col, err := c.open(s)
	if err != nil {
		return err
	}
	defer col.Close()
	if c.Format == "csv" {
		return c.tables(s, col)
	}
	err = atomicfile.Write(c.Out, func(w io.Writer) error {
		return col.Export(s.ctx, w, collection.ExportOptions{NoPictures: !c.Pictures})
	})
	if err != nil {
		return err
	}
	fmt.Fprintf(s.stdout, "Exported: %s\n", c.Out)
	return nil
}

// buffers are files that are written once all of them are whole.
type buffers struct {
	names []string
	texts map[string]*strings.Builder
}

func (c exportCommand) tables(s *session, col *collection.Collection) error {
	filter := collection.Filter{Words: c.Words, Sort: collection.ByTitle}
	if strings.EqualFold(filepath.Ext(c.Out), ".zip") {
		err := atomicfile.Write(c.Out, func(w io.Writer) error {
			z := zip.NewWriter(w)
			if err := col.ExportCSV(s.ctx, filter, z.Create); err != nil {
				return err
			}
			return z.Close()
		})
		if err == nil {
			fmt.Fprintf(s.stdout, "Exported: %s\n", c.Out)
		}
		return err
	}
	out := buffers{texts: map[string]*strings.Builder{}}
	err := col.ExportCSV(s.ctx, filter, func(name string) (io.Writer, error) {
		path := filepath.Join(c.Out, name)
		if _, err := os.Lstat(path); err == nil {
			return nil, usageError{fmt.Errorf("%s is there already: choose another folder with --out", path)}
		}
		out.names, out.texts[path] = append(out.names, path), &strings.Builder{}
		return out.texts[path], nil
	})
	if err != nil {
		return err
	}
	for _, path := range out.names {
		if err := atomicfile.WriteBytes(path, []byte(out.texts[path].String())); err != nil {
			return err
		}
		fmt.Fprintf(s.stdout, "Exported: %s\n", path)
	}
	return nil
}

type importCommand struct {
	File string `arg:"" name:"file" help:"A file that tawsight export wrote (NAME.jsonl), or marbles.csv as you edited it."`
	collectionFlag
	As string `placeholder:"NAME" help:"Who edited the table, for the history. Default: your name on this machine."`
}

func (importCommand) Help() string {
	return `A .jsonl file is brought into the collection, which is made where it is missing: what is new is added, what is there stays as it is, and every difference between the two is named. The same photo in both is one photo, and so are the marbles in it.

A .csv file is marbles.csv as tawsight export --format csv wrote it and you edited it: what you changed in the columns name, set, sure, evidence, tags, grade, condition, note, provenance, credit and permission becomes one edit, which tawsight undo takes back. The other columns are for reading.

A file with a fault is refused whole, with the place, and nothing is changed.`
}

func (c importCommand) Validate() error {
	if c.File == "" {
		return nil // a missing argument is reported by the parser, after this
	}
	if err := exists(c.File); err != nil {
		return err
	}
	if info, err := os.Stat(c.File); err == nil && info.IsDir() {
		return fmt.Errorf("%s is a folder: give one file", c.File)
	}
	return nil
}

// differencesShown is how many differences are printed one by one.
const differencesShown = 50

func (c importCommand) Run(s *session) error {
	f, err := os.Open(c.File)
	if err != nil {
		return fmt.Errorf("%s can't be read: %w", c.File, err)
	}
	defer f.Close()
	if strings.EqualFold(filepath.Ext(c.File), ".csv") {
		return c.table(s, f)
	}
	path, err := c.path()
	if err != nil {
		return err
	}
	_, err = os.Stat(path)
	fresh := errors.Is(err, fs.ErrNotExist)
	col, err := collection.Create(s.ctx, path)
	if err != nil {
		if fresh && collection.IsFull(err) {
			unmake(path)
		}
		return err
	}
	defer col.Close()
	in, err := col.Import(s.ctx, f)
	if err != nil {
		// Another program may have come to it meanwhile.
		if n, e := col.Counts(s.ctx); fresh && e == nil && n.Photos+n.Specimens+n.Sets == 0 {
			col.Close()
			unmake(path)
		}
		return fmt.Errorf("%s: %w", c.File, err)
	}
	if in.Total() == 0 {
		fmt.Fprintln(s.stdout, "All of it is in the collection already: nothing was added.")
	} else {
		fmt.Fprintf(s.stdout, "Added: %s, %s, %s, %s\n", count(in.Added["photo"], "photo"), count(in.Added["specimen"], "marble"), count(in.Added["label_set"], "set"), count(in.Added["label"], "label"))
	}
	for _, j := range in.Joined {
		fmt.Fprintf(s.stderr, "note: %s\n", j)
	}
	for i, d := range in.Differences {
		if i == differencesShown {
			fmt.Fprintf(s.stderr, "note: and %d more differences\n", len(in.Differences)-i)
			break
		}
		fmt.Fprintf(s.stderr, "note: %s\n", d)
	}
	fmt.Fprintf(s.stdout, "Collection: %s\n", col.Path())
	return nil
}

// unmake takes away a collection that was made for a file that did not come in:
// there is nothing in it.
func unmake(path string) {
	for _, end := range []string{"-wal", "-shm", ""} {
		_ = os.Remove(path + end) // what is left is told of by the next import
	}
}

func (c importCommand) table(s *session, f io.Reader) error {
	col, err := c.open(s)
	if err != nil {
		return err
	}
	defer col.Close()
	in, err := col.ImportCSV(s.ctx, c.As, filepath.Base(c.File), f)
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	for _, name := range in.NewSets {
		fmt.Fprintf(s.stdout, "New set: %s\n", name)
	}
	if in.Older > 0 {
		fmt.Fprintf(s.stderr, "note: %s changed in the collection since the table was written, and not in the table: left as they are\n", count(in.Older, "marble"))
	}
	if len(in.Ignored) > 0 {
		slices.Sort(in.Ignored)
		fmt.Fprintf(s.stderr, "note: not read, since no such columns are known: %s\n", strings.Join(in.Ignored, ", "))
	}
	if in.Changed == 0 {
		fmt.Fprintln(s.stdout, "Nothing in the table differs from the collection: nothing was changed.")
		return nil
	}
	fmt.Fprintf(s.stdout, "%s changed, as edit %d of the history; tawsight undo %d takes it back.\n", count(in.Changed, "marble"), in.Edit.Seq, in.Edit.Seq)
	return nil
}
