// Package refset reads a collector's own labelled photos: a folder with one
// sub-folder a set, and beside them, where there is one, notes.csv, which says
// what a photo can't: which marble of a photo is which specimen, whose photo it
// is, and what its owner allows.
//
//	references/
//	  notes.csv
//	  window-jar/  IMG_0001.jpg  IMG_0002.jpg
//	  cellar-box/  IMG_0007.jpg
//
// Nothing here looks into a photo.
package refset

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// NotesName is the notes' file name, directly in the references folder.
const NotesName = "notes.csv"

// BundleExt is how the name of a bundle ends (see internal/bundle); bundles
// may lie directly in the references folder, beside the sets.
const BundleExt = ".zip"

// Errors that callers can tell apart with errors.Is.
var (
	// ErrNoSets: the folder has neither a sub-folder with photos nor a bundle.
	ErrNoSets = errors.New("no sets")
	// ErrNotes: notes.csv can't be read or is wrong. The text names the file,
	// the line where there is one, and what to do.
	ErrNotes = errors.New("the notes can't be used")
)

// Folder is a references folder as it lies on the disk.
type Folder struct {
	Dir     string
	Sets    []Set    // by label; none empty
	Bundles []string // paths of the bundles directly in Dir, sorted
	Notes   Notes
}

// Set is one label with its photos.
type Set struct {
	Label  string
	Photos []string // paths that can be opened: Dir joined with what is below it; sorted
}

// A Lister gives the photos in and below a folder, as paths that begin with
// it. An error means that there are none.
type Lister func(folder string) ([]string, error)

// Read reads what lies in dir: each sub-folder whose name does not begin with
// a dot is a set, and its photos, at whatever depth, are what list finds. The
// error wraps [ErrNoSets] where there is nothing to learn from, [ErrNotes] where
// notes.csv is wrong, and is the operating system's where dir can't be read.
func Read(dir string, list Lister) (*Folder, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("the labelled photos can't be read: %w", err)
	}
	f := &Folder{Dir: dir}
	for _, e := range entries {
		path := filepath.Join(dir, e.Name())
		switch {
		case strings.HasPrefix(e.Name(), "."):
		case e.IsDir():
			photos, err := list(path)
			if err != nil || len(photos) == 0 {
				continue // an empty label
			}
			photos = slices.Clone(photos)
			slices.Sort(photos)
			f.Sets = append(f.Sets, Set{Label: e.Name(), Photos: photos})
		case strings.EqualFold(filepath.Ext(e.Name()), BundleExt):
			f.Bundles = append(f.Bundles, path)
		}
	}
	slices.SortFunc(f.Sets, func(a, b Set) int { return strings.Compare(a.Label, b.Label) })
	slices.Sort(f.Bundles)
	if len(f.Sets) == 0 && len(f.Bundles) == 0 {
		return nil, fmt.Errorf("%w in %s", ErrNoSets, dir)
	}
	path := filepath.Join(dir, NotesName)
	file, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return f, nil
	}
	if err != nil {
		return nil, fmt.Errorf("%w: %s can't be opened: %w", ErrNotes, path, err)
	}
	defer file.Close()
	if f.Notes, err = ReadNotes(file, path); err != nil {
		return nil, err
	}
	var photos []string
	for _, s := range f.Sets {
		for _, p := range s.Photos {
			photos = append(photos, f.Rel(p))
		}
	}
	if err := f.Notes.about(photos); err != nil {
		return nil, err
	}
	return f, nil
}

// Rel is a photo's path below Dir, slash-separated, as notes.csv names it; the
// path as it is where it does not lie below Dir.
func (f *Folder) Rel(photo string) string {
	rel, err := filepath.Rel(f.Dir, photo)
	if err != nil || rel == ".." || strings.HasPrefix(rel, ".."+string(filepath.Separator)) {
		return filepath.ToSlash(photo)
	}
	return filepath.ToSlash(rel)
}

// Note is what the notes say of one marble: photo is its path as in
// [Set.Photos], marble the marble's id in that photo ("1", "2", ...).
func (f *Folder) Note(photo, marble string) Note { return f.Notes.Of(f.Rel(photo), marble) }
