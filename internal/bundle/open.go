package bundle

import (
	"archive/zip"
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	_ "image/jpeg" // photos' headers are read
	"image/png"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"tawsight/internal/record"
	"tawsight/internal/refset"
)

// limits is how much a bundle may hold. Beyond them it is a mistake or an
// attack. They are variables of each opening so that tests can lower them.
type limits struct {
	members  int
	total    uint64 // bytes of all members, unpacked
	manifest uint64
	text     uint64 // README.txt, notes.csv
	crop     uint64
	cropPX   int // a side
	photo    uint64
	photoPX  int // an area
	ratio    uint64
}

var usual = limits{
	members:  200_000,
	total:    32 << 30,
	manifest: 128 << 20, // 5,000 marbles of 60 features take 20 MB
	text:     16 << 20,
	crop:     16 << 20,
	cropPX:   2048,        // a 100 mm sphere at 0.1 mm a pixel has 1400
	photo:    400 << 20,   // as a photo read from the disk
	photoPX:  220_000_000, // likewise
	ratio:    200,         // a manifest shrinks to a tenth
}

// ratioFrom is the size from which a member's shrinking is looked at.
const ratioFrom = 1 << 20

// Bundle is a bundle that was found whole and sound.
type Bundle struct {
	Path     string
	Manifest Manifest
	Notes    refset.Notes

	file    io.Closer
	members map[string]*zip.File
	sums    map[string]string
}

// Open reads a bundle and checks all of it: the zip, that exactly the members
// which the manifest calls for are there, every checksum, every picture, and
// that manifest and notes agree. The error wraps [ErrRefused] where anything is
// wrong, and says what; nothing is written. Close the bundle after use.
func Open(path string) (*Bundle, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("the bundle can't be read: %w", err)
	}
	info, err := f.Stat()
	if err == nil && info.IsDir() {
		err = fmt.Errorf("%s is a folder", path)
	}
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("the bundle can't be read: %w", err)
	}
	b, err := open(f, info.Size(), usual)
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("%w: %s: %w", ErrRefused, path, err)
	}
	b.Path, b.file = path, f
	return b, nil
}

// Close lets go of the file.
func (b *Bundle) Close() error {
	if b.file == nil {
		return nil
	}
	return b.file.Close()
}

func open(r io.ReaderAt, size int64, lim limits) (*Bundle, error) {
	z, err := zip.NewReader(r, size)
	if err != nil {
		return nil, fmt.Errorf("it is no zip file, or is cut short (%v): fetch it again", err)
	}
	b := &Bundle{members: map[string]*zip.File{}, sums: map[string]string{}}
	if err := b.outside(z, lim); err != nil {
		return nil, err
	}
	for _, name := range []string{manifestName, notesName, readmeName, sumsName} {
		if b.members[name] == nil {
			return nil, fmt.Errorf("its %s is missing", name)
		}
	}
	data, err := b.read(manifestName, lim.manifest)
	if err != nil {
		return nil, err
	}
	m, err := decodeManifest(data)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", manifestName, err)
	}
	b.Manifest = *m
	// Exactly what is called for, before the bulk is read.
	called := map[string]bool{manifestName: true, notesName: true, readmeName: true, sumsName: true}
	for _, p := range m.Photos {
		called[p.File] = true
	}
	for _, q := range m.Marbles {
		called[q.Crop] = true
	}
	delete(called, "")
	for name := range called {
		if b.members[name] == nil {
			return nil, fmt.Errorf("%s is missing", name)
		}
	}
	for _, f := range z.File {
		if !called[f.Name] {
			return nil, fmt.Errorf("it holds %q, which its manifest does not call for", f.Name)
		}
	}
	if data, err = b.read(notesName, lim.text); err != nil {
		return nil, err
	}
	if b.Notes, err = refset.ReadNotes(bytes.NewReader(data), notesName); err != nil {
		return nil, err
	}
	if err := b.notesAgree(); err != nil {
		return nil, err
	}
	if data, err = b.read(readmeName, lim.text); err != nil {
		return nil, err
	}
	if !utf8.Valid(data) {
		return nil, fmt.Errorf("%s is not UTF-8 text", readmeName)
	}
	for _, q := range m.Marbles {
		if q.Crop == "" {
			continue
		}
		if data, err = b.read(q.Crop, lim.crop); err != nil {
			return nil, err
		}
		img, err := decodeCrop(data, lim.cropPX)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", q.Crop, err)
		}
		if q.CropMMPerPX != nil {
			side := float64(img.Bounds().Dx())
			if px := *q.DiameterMM / *q.CropMMPerPX; px < side/4 || px > side {
				return nil, fmt.Errorf("%s: a marble of %g mm at %g mm a pixel does not fit a crop of %g pixels", q.Crop, *q.DiameterMM, *q.CropMMPerPX, side)
			}
		}
	}
	for _, p := range m.Photos {
		if p.File == "" {
			continue
		}
		if data, err = b.read(p.File, lim.photo); err != nil {
			return nil, err
		}
		if b.sums[p.File] != p.SHA256 {
			return nil, fmt.Errorf("%s is not the photo that was measured: its SHA-256 differs from the manifest's", p.File)
		}
		c, kind, err := image.DecodeConfig(bytes.NewReader(data))
		if err != nil || kind != "jpeg" && kind != "png" {
			return nil, fmt.Errorf("%s is neither a JPEG nor a PNG", p.File)
		}
		if c.Width < 1 || c.Height < 1 || c.Width > lim.photoPX/c.Height {
			return nil, fmt.Errorf("%s is of %d x %d pixels, which is too large", p.File, c.Width, c.Height)
		}
	}
	if data, err = b.read(sumsName, lim.manifest); err != nil {
		return nil, err
	}
	if want := sumsText(b.sums); string(data) != want {
		return nil, differ(string(data), want)
	}
	return b, nil
}

// outside checks the zip without unpacking anything.
func (b *Bundle) outside(z *zip.Reader, lim limits) error {
	if len(z.File) > lim.members {
		return fmt.Errorf("it holds %d files, more than the limit of %d", len(z.File), lim.members)
	}
	type span struct{ from, to int64 }
	var spans []span
	var total uint64
	folded := map[string]string{}
	for _, f := range z.File {
		if reason := unsafeName(f.Name); reason != "" {
			return fmt.Errorf("the name %q in it is refused: %s", f.Name, reason)
		}
		if other, twice := folded[fold(f.Name)]; twice {
			return fmt.Errorf("it holds %q twice (%q)", f.Name, other)
		}
		folded[fold(f.Name)] = f.Name
		switch {
		case !f.Mode().IsRegular():
			return fmt.Errorf("%q in it is no plain file (%v)", f.Name, f.Mode())
		case f.Flags&1 != 0:
			return fmt.Errorf("%q in it is encrypted", f.Name)
		case f.Method != zip.Store && f.Method != zip.Deflate:
			return fmt.Errorf("%q in it is packed by method %d; only 0 (stored) and 8 (deflate) are taken", f.Name, f.Method)
		case f.UncompressedSize64 > lim.total-min(total, lim.total):
			return fmt.Errorf("unpacked it is larger than the limit of %d bytes", lim.total)
		case f.UncompressedSize64 > ratioFrom && f.UncompressedSize64/lim.ratio > f.CompressedSize64:
			return fmt.Errorf("%q in it would grow more than %d times in unpacking", f.Name, lim.ratio)
		}
		total += f.UncompressedSize64
		from, err := f.DataOffset()
		if err != nil {
			return fmt.Errorf("%q in it: %v", f.Name, err)
		}
		if f.CompressedSize64 > 1<<50 {
			return fmt.Errorf("%q in it is of an impossible size", f.Name)
		}
		spans = append(spans, span{from, from + int64(f.CompressedSize64)})
		b.members[f.Name] = f
	}
	// Members that share their bytes make a small file unpack to a vast one.
	slices.SortFunc(spans, func(a, b span) int { return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.to, b.to)) })
	for i := 1; i < len(spans); i++ {
		if spans[i].from < spans[i-1].to {
			return errors.New("two files in it share the same bytes")
		}
	}
	return nil
}

// read unpacks a member whole, and notes its checksum; where one was noted
// before, it must be the same.
func (b *Bundle) read(name string, limit uint64) ([]byte, error) {
	f := b.members[name]
	if f.UncompressedSize64 > limit {
		return nil, fmt.Errorf("%s is of %d bytes, more than the limit of %d", name, f.UncompressedSize64, limit)
	}
	r, err := f.Open()
	if err != nil {
		return nil, fmt.Errorf("%s can't be unpacked: %v", name, err)
	}
	defer r.Close()
	// Never more than was declared, whatever the packed bytes unfold to.
	data, err := io.ReadAll(io.LimitReader(r, int64(f.UncompressedSize64)+1))
	if err != nil {
		return nil, fmt.Errorf("%s is damaged (%v): fetch the bundle again", name, err)
	}
	if uint64(len(data)) != f.UncompressedSize64 {
		return nil, fmt.Errorf("%s is not of the size that the zip says", name)
	}
	sum := sha256.Sum256(data)
	text := hex.EncodeToString(sum[:])
	if before, ok := b.sums[name]; ok && before != text {
		return nil, fmt.Errorf("%s changed since the bundle was checked", name)
	}
	b.sums[name] = text
	return data, nil
}

func decodeCrop(data []byte, side int) (image.Image, error) {
	c, err := png.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return nil, fmt.Errorf("it is no PNG (%v)", err)
	}
	if c.Width < 1 || c.Width != c.Height || c.Width > side {
		return nil, fmt.Errorf("it is of %d x %d pixels; crops are square, and none is larger than %d", c.Width, c.Height, side)
	}
	img, err := png.Decode(bytes.NewReader(data))
	if err != nil {
		return nil, fmt.Errorf("it does not decode (%v)", err)
	}
	return img, nil
}

// notesAgree checks that what travels for people says the same as what travels
// for programs.
func (b *Bundle) notesAgree() error {
	known := map[string]bool{}
	for _, p := range b.Manifest.Photos {
		known[norm.NFC.String(p.Path)] = true
		if got := b.Notes.Permission(p.Path); got != p.Permission {
			return fmt.Errorf("the permission for %q is %q by %s, %q by %s", p.Path, got, notesName, p.Permission, manifestName)
		}
	}
	for _, r := range b.Notes.Rows {
		if !known[r.Photo] {
			return fmt.Errorf("%s, line %d: the photo %q is not in the manifest", notesName, r.Line, r.Photo)
		}
	}
	for _, q := range b.Manifest.Marbles {
		n := b.Notes.Of(q.Photo, q.ID)
		if n.Specimen != q.Specimen || n.Credit != q.Credit || n.Permission != q.Permission || n.Text != q.Note {
			return fmt.Errorf("%s and %s differ in what they say of marble %s of %q", notesName, manifestName, q.ID, q.Photo)
		}
	}
	return nil
}

// differ says which line of checksums.sha256 is wrong.
func differ(got, want string) error {
	have := map[string]string{}
	for line := range strings.Lines(got) {
		sum, name, ok := strings.Cut(strings.TrimSuffix(line, "\n"), "  ")
		if ok {
			have[name] = sum
		}
	}
	for line := range strings.Lines(want) {
		sum, name, _ := strings.Cut(strings.TrimSuffix(line, "\n"), "  ")
		switch h, ok := have[name]; {
		case !ok:
			return fmt.Errorf("%s has no line for %s", sumsName, name)
		case h != sum:
			return fmt.Errorf("%s was changed or damaged: its SHA-256 is not that in %s", name, sumsName)
		}
	}
	return fmt.Errorf("%s is not as it was written: lines too many, out of order or of another form", sumsName)
}

// Crop is a marble's picture, nil where the bundle has none of it.
func (b *Bundle) Crop(m Marble) (image.Image, error) {
	if m.Crop == "" {
		return nil, nil
	}
	data, err := b.read(m.Crop, usual.crop)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", b.Path, err)
	}
	return decodeCrop(data, usual.cropPX)
}

// Known is what is known of a marble beside its picture.
func (m Marble) Known() refset.Note {
	return refset.Note{Specimen: m.Specimen, Credit: m.Credit, Permission: m.Permission, Text: m.Note}
}

// MeasuredAs says, as an error that wraps [ErrFeatures], why the bundle's
// features can't be compared with those of a program whose registry has the
// version given.
func (b *Bundle) MeasuredAs(registryVersion int) error {
	have := b.Manifest.MadeBy.Features
	if have == registryVersion {
		return nil
	}
	packed := 0
	for _, p := range b.Manifest.Photos {
		if p.File != "" {
			packed++
		}
	}
	advice := "ask for a bundle made with this version, or with its photos"
	if packed == len(b.Manifest.Photos) {
		advice = "it has its photos: unpack it (tawsight bundle --unpack FILE --into DIR) and use that folder, so that they are measured anew"
	} else if packed > 0 {
		advice = fmt.Sprintf("%d of its %d photos are in it: unpack it (tawsight bundle --unpack FILE --into DIR) and use the photos in that folder, so that they are measured anew; for the rest %s", packed, len(b.Manifest.Photos), advice)
	}
	return fmt.Errorf("%w: %s was made with feature definitions of version %d, and this program has version %d: %s", ErrFeatures, b.Path, have, registryVersion, advice)
}

// Record is a packed marble as the output contract has it, as far as a bundle
// tells.
func (m Marble) Record() record.Marble {
	return record.Marble{
		ID: m.ID, DiameterMM: m.DiameterMM, DiameterU95MM: m.DiameterU95MM, Base: m.Base, Ribbons: m.Ribbons,
		Busyness: m.Busyness, Features: m.Features, FeaturesSure: m.FeaturesSure,
	}
}

// List prints what is in the bundle, for people.
func (b *Bundle) List(w io.Writer) error {
	m := b.Manifest
	crops, packed := 0, 0
	named := map[string]int{} // specimens by set
	for _, p := range m.Photos {
		if p.File != "" {
			packed++
		}
	}
	for _, q := range m.Marbles {
		if q.Crop != "" {
			crops++
		}
	}
	for _, s := range m.Specimens {
		named[s.Label]++
	}
	fmt.Fprintf(w, "%s: whole and sound\n", filepath.Base(b.Path))
	fmt.Fprintf(w, "Format %d, made by Tawsight %s, feature definitions of version %d (%d features)\n", m.Version, m.MadeBy.Tawsight, m.MadeBy.Features, len(m.Features))
	fmt.Fprintf(w, "Pictures: %d of %d marbles, %d of %d photos\n\n", crops, len(m.Marbles), packed, len(m.Photos))
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "set\tphotos\tmarbles\tnamed specimens")
	for _, s := range m.Sets {
		fmt.Fprintf(t, "%s\t%d\t%d\t%d\n", s.Label, s.Photos, s.Marbles, named[s.Label])
	}
	fmt.Fprintln(t, "\nphoto\tnumber\tspecimen\tdiameter\tcredit\tpermission\tpicture")
	for _, q := range m.Marbles {
		size := "–"
		if q.DiameterMM != nil {
			size = fmt.Sprintf("%.2f mm", *q.DiameterMM)
			if q.DiameterU95MM != nil {
				size = fmt.Sprintf("%.2f ± %.2f mm", *q.DiameterMM, *q.DiameterU95MM)
			}
		}
		picture := "withheld"
		if q.Crop != "" {
			picture = "crop"
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", q.Photo, q.ID, cmp.Or(q.Specimen, "–"), size, cmp.Or(q.Credit, "–"), q.Permission, picture)
	}
	return t.Flush()
}
