package bundle

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/text/unicode/norm"

	"tawsight/internal/refset"
)

// ErrClash: the bundle and the folder can't be brought together; nothing was
// changed.
var ErrClash = errors.New("the bundle can't be merged into the folder")

// Unpacked is what unpacking did.
type Unpacked struct {
	Dir     string
	New     bool     // the folder was not there before
	Photos  []string // written, by their paths below Dir
	Same    []string // of the bundle: the folder had them already, perhaps under another name
	Renamed []string // "A as B": the name stood for something else
	// Bundle is the name below Dir under which the bundle itself was put, since
	// some of its marbles come without their photos; empty where not needed.
	Bundle string
	// LeftOut are marbles without their photos whose figures are of another
	// registry version than the program's: they can't be used here.
	LeftOut int
	// OldNotes is the name below Dir under which the notes as they were before
	// are kept; empty where they did not change.
	OldNotes string
}

// Unpack puts a bundle's photos and notes into a references folder, which is
// made where it is missing. Into one that is there it merges: nothing in it is
// changed or replaced, notes.csv excepted, which is written anew with the
// bundle's rows after its own and kept as it was under another name. Photos of
// the same content are taken once; a name that stands for another content is
// given a number. Where marbles come without their photo, the bundle itself is
// put into the folder too, if its features are of registryVersion, the program's
// own: the folder could not be used with another. Everything is done or nothing: an error leaves the
// folder as it was, and wraps [ErrClash] where the two contradict each other.
func Unpack(b *Bundle, dir string, registryVersion int) (done Unpacked, err error) {
	p, err := b.plan(dir, registryVersion)
	if err != nil {
		return Unpacked{}, err
	}
	parent := filepath.Dir(filepath.Clean(dir))
	if !p.done.New {
		parent = dir
	}
	if err := os.MkdirAll(parent, 0o777); err != nil {
		return Unpacked{}, unwritten(dir, err)
	}
	work, err := os.MkdirTemp(parent, ".tawsight-unpack-*")
	if err != nil {
		return Unpacked{}, unwritten(dir, err)
	}
	defer os.RemoveAll(work)
	// MkdirTemp's own folder only its owner may look into; one below it gets
	// the permissions of any new folder.
	stage := filepath.Join(work, "references")
	if err := os.Mkdir(stage, 0o777); err != nil {
		return Unpacked{}, unwritten(dir, err)
	}
	for _, f := range p.files {
		if err := f.write(filepath.Join(stage, filepath.FromSlash(f.name))); err != nil {
			return Unpacked{}, unwritten(dir, err)
		}
	}
	if p.done.New {
		if err := os.Rename(stage, dir); err != nil {
			return Unpacked{}, unwritten(dir, err)
		}
		return p.done, nil
	}
	return p.done, p.move(stage, dir)
}

// file is something to write.
type file struct {
	name  string // below the folder, slash-separated
	write func(path string) error
}

type plan struct {
	done  Unpacked
	files []file
	notes bool // notes.csv is among the files
}

// plan works out what is to be written, and refuses what can't be.
func (b *Bundle) plan(dir string, registryVersion int) (*plan, error) {
	p := &plan{done: Unpacked{Dir: dir}}
	if _, err := os.Lstat(dir); errors.Is(err, fs.ErrNotExist) {
		p.done.New = true
	} else if err != nil {
		return nil, fmt.Errorf("the folder can't be read: %w", err)
	}
	have, err := look(dir, b, p.done.New)
	if err != nil {
		return nil, err
	}
	// Where each of the bundle's photos is or comes to lie; by paths in NFC, as
	// the notes have them.
	at := map[string]string{}
	lacking := 0 // marbles without their photos
	for _, ph := range b.Manifest.Photos {
		label, _, _ := strings.Cut(ph.Path, "/")
		var there []string
		for _, sum := range ph.Sums() {
			there = append(there, have.bySum[sum]...)
		}
		if len(there) > 0 {
			for _, name := range there {
				if other, _, _ := strings.Cut(name, "/"); other != label {
					return nil, fmt.Errorf("%w: the photo %s of the set %s is in the folder as %s: a marble belongs to one set; move the photo, or ask for the bundle with the other label", ErrClash, ph.Path, label, name)
				}
			}
			at[norm.NFC.String(ph.Path)] = there[0]
			p.done.Same = append(p.done.Same, ph.Path)
			continue
		}
		if ph.File == "" {
			for _, q := range b.Manifest.Marbles {
				if q.Photo == ph.Path {
					lacking++
				}
			}
			continue
		}
		name := have.free(ph.Path)
		if name != ph.Path {
			p.done.Renamed = append(p.done.Renamed, ph.Path+" as "+name)
		}
		at[norm.NFC.String(ph.Path)] = name
		p.done.Photos = append(p.done.Photos, name)
		p.files = append(p.files, file{name, func(path string) error { return b.extract(ph.File, path) }})
	}
	if lacking > 0 && b.MeasuredAs(registryVersion) != nil {
		p.done.LeftOut = lacking
	} else if lacking > 0 {
		own, err := FileSHA256(b.Path)
		if err != nil {
			return nil, err
		}
		if there := have.bySum[own]; len(there) == 0 {
			want := filepath.Base(b.Path)
			if !strings.EqualFold(filepath.Ext(want), refset.BundleExt) || strings.HasPrefix(want, ".") {
				want = strings.TrimLeft(want, ".") + refset.BundleExt
			}
			p.done.Bundle = have.free(want)
			p.files = append(p.files, file{p.done.Bundle, func(path string) error { return copyFile(b.Path, path, own) }})
		}
	}
	text, changed, err := b.mergedNotes(have, at)
	if err != nil {
		return nil, err
	}
	if changed {
		p.notes = true
		p.files = append(p.files, file{refset.NotesName, func(path string) error { return writeNew(path, text) }})
		if have.hasNotes {
			p.done.OldNotes = have.free("notes-before.csv")
		}
	}
	return p, nil
}

// present is what a folder holds before unpacking.
type present struct {
	names    map[string]bool     // folded, of everything below it
	bySum    map[string][]string // by SHA-256: what could be the same as something in the bundle
	notes    refset.Notes
	hasNotes bool
}

func look(dir string, b *Bundle, fresh bool) (*present, error) {
	have := &present{names: map[string]bool{fold(refset.NotesName): true}, bySum: map[string][]string{}}
	if fresh {
		return have, nil
	}
	sums := map[string]bool{}
	for _, p := range b.Manifest.Photos {
		for _, sum := range p.Sums() {
			sums[sum] = true
		}
	}
	info, err := os.Stat(b.Path)
	if err != nil {
		return nil, err
	}
	err = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return fmt.Errorf("the folder can't be read: %w", err)
		}
		rel, err := filepath.Rel(dir, path)
		if err != nil || rel == "." {
			return err
		}
		name := filepath.ToSlash(rel)
		have.names[fold(name)] = true
		if d.IsDir() {
			if strings.HasPrefix(d.Name(), ".") {
				return fs.SkipDir
			}
			return nil
		}
		photo := isPhotoName(name) && strings.Contains(name, "/")
		if !photo && !strings.EqualFold(filepath.Ext(name), refset.BundleExt) {
			return nil
		}
		if fi, err := os.Stat(path); err != nil || !fi.Mode().IsRegular() || !photo && fi.Size() != info.Size() {
			return nil // nothing that could be the same
		}
		sum, err := FileSHA256(path)
		if err != nil {
			return fmt.Errorf("the folder can't be read: %w", err)
		}
		if sums[sum] || !photo {
			have.bySum[sum] = append(have.bySum[sum], name)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	path := filepath.Join(dir, refset.NotesName)
	data, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return have, nil
	}
	if err != nil {
		return nil, fmt.Errorf("%w: %w", refset.ErrNotes, err)
	}
	have.hasNotes = true
	have.notes, err = refset.ReadNotes(bytes.NewReader(data), path)
	return have, err
}

// free is a name that stands for nothing yet, and takes it: the one wanted, or
// the same with a number.
func (h *present) free(want string) string {
	name := want
	ext := filepath.Ext(want)
	for n := 2; h.names[fold(name)]; n++ {
		name = fmt.Sprintf("%s (%d)%s", strings.TrimSuffix(want, ext), n, ext)
	}
	h.names[fold(name)] = true
	return name
}

// mergedNotes is the folder's notes.csv with the bundle's rows after its own,
// and whether that changes it. at gives where the bundle's photos lie, by their
// paths in NFC.
func (b *Bundle) mergedNotes(have *present, at map[string]string) (text []byte, changed bool, err error) {
	taken := map[string]string{} // specimen names of the folder, by the photos they are in
	shared := map[string]bool{}  // specimens of the bundle that are the folder's own
	noted := map[[2]string]bool{}
	for _, r := range have.notes.Rows {
		noted[[2]string{r.Photo, r.Marble}] = true
		if r.Specimen != "" {
			taken[r.Specimen] = r.Photo
		}
	}
	for _, q := range b.Manifest.Marbles {
		if name := at[norm.NFC.String(q.Photo)]; name != "" && q.Specimen != "" && have.notes.Of(name, q.ID).Specimen == q.Specimen {
			shared[q.Specimen] = true
		}
	}
	rename := map[string]string{}
	for _, s := range b.Manifest.Specimens {
		name := s.Name
		for n := 2; taken[name] != "" && !shared[s.Name]; n++ {
			name = fmt.Sprintf("%s (%d)", s.Name, n)
		}
		rename[s.Name] = name
		taken[name] = s.Name
	}
	rows := slices.Clone(have.notes.Rows)
	for _, r := range b.Notes.Rows {
		name := at[r.Photo]
		if name == "" || noted[[2]string{norm.NFC.String(name), r.Marble}] {
			continue // the photo stays in the bundle; or the collector's own note stands
		}
		r.Photo = name
		if to := rename[r.Specimen]; to != "" {
			r.Specimen = to
		}
		if r.Permission == refset.Own {
			// Own is the giver's word: here it is another's photo, given on.
			r.Permission = refset.MayShare
		}
		rows = append(rows, r)
		changed = true
	}
	if !changed {
		return nil, false, nil
	}
	var buf bytes.Buffer
	if err := refset.WriteNotes(&buf, rows, have.notes.Extra); err != nil {
		return nil, false, err
	}
	if _, err := refset.ReadNotes(bytes.NewReader(buf.Bytes()), refset.NotesName); err != nil {
		return nil, false, fmt.Errorf("%w: %w", ErrClash, err)
	}
	return buf.Bytes(), true, nil
}

// move brings what lies in stage into dir, and takes it back where one step
// fails. Links are made, not renames, since a link never replaces anything.
func (p *plan) move(stage, dir string) (err error) {
	var made []string // to remove again, the last first
	defer func() {
		if err != nil {
			for _, path := range slices.Backward(made) {
				os.Remove(path) // folders go only where they are empty
			}
			err = unwritten(dir, err)
		}
	}()
	for _, f := range p.files {
		if p.notes && f.name == refset.NotesName {
			continue
		}
		to := filepath.Join(dir, filepath.FromSlash(f.name))
		folders, err := makeFolders(filepath.Dir(to))
		made = append(made, folders...)
		if err != nil {
			return err
		}
		if err := place(filepath.Join(stage, filepath.FromSlash(f.name)), to); err != nil {
			return err
		}
		made = append(made, to)
	}
	if !p.notes {
		return nil
	}
	// Last, so that the notes never speak of a photo that is not there.
	notes := filepath.Join(dir, refset.NotesName)
	fresh := filepath.Join(stage, refset.NotesName)
	if p.done.OldNotes == "" {
		return place(fresh, notes)
	}
	old := filepath.Join(dir, p.done.OldNotes)
	data, err := os.ReadFile(notes)
	if err != nil {
		return err
	}
	if err := writeNew(old, data); err != nil {
		return err
	}
	made = append(made, old)
	return os.Rename(fresh, notes)
}

// place moves a file to a name that must not be taken.
func place(from, to string) error {
	err := os.Link(from, to)
	if err == nil || errors.Is(err, fs.ErrExist) {
		return err
	}
	// A file system without links.
	if _, err := os.Lstat(to); !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s: %w", to, fs.ErrExist)
	}
	return os.Rename(from, to)
}

// makeFolders is os.MkdirAll that says which it made, the outermost first.
func makeFolders(path string) (made []string, err error) {
	var missing []string
	for p := path; ; p = filepath.Dir(p) {
		info, err := os.Stat(p)
		if err == nil && info.IsDir() || p == filepath.Dir(p) {
			break
		}
		if err == nil {
			return nil, fmt.Errorf("%s is a file, and a folder is needed there", p)
		}
		missing = append(missing, p)
	}
	for _, p := range slices.Backward(missing) {
		if err := os.Mkdir(p, 0o777); err != nil && !errors.Is(err, fs.ErrExist) {
			return made, err
		}
		made = append(made, p)
	}
	return made, nil
}

// extract writes a member to a new file, checked once more.
func (b *Bundle) extract(member, path string) error {
	data, err := b.read(member, usual.photo)
	if err != nil {
		return err
	}
	return writeNew(path, data)
}

// writeNew writes a file that must not be there, with its folders.
func writeNew(path string, data []byte) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return err
	}
	if _, err := f.Write(data); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}

// copyFile copies a file to a new one; its content must have the sum given.
func copyFile(from, to, sum string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return err
	}
	h := sha256.New()
	if _, err := io.Copy(io.MultiWriter(out, h), in); err != nil {
		out.Close()
		return err
	}
	if hex.EncodeToString(h.Sum(nil)) != sum {
		out.Close()
		return fmt.Errorf("%s changed since it was checked: run it again", from)
	}
	return out.Close()
}

// FileSHA256 is the SHA-256 of a file's content, in hexadecimal.
func FileSHA256(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

func unwritten(dir string, err error) error {
	if errors.Is(err, ErrRefused) || errors.Is(err, ErrClash) {
		return err
	}
	return fmt.Errorf("nothing was unpacked into %s: %w", dir, err)
}
