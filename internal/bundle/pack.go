package bundle

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"tawsight/internal/record"
	"tawsight/internal/refset"
	"tawsight/vision"
)

// Content is what goes into a bundle.
type Content struct {
	MadeBy   record.MadeBy
	Features []Feature
	Photos   []PackedPhoto
	Marbles  []PackedMarble
	// Notes are the rows of notes.csv about the photos; columns that the
	// program does not know stay at home.
	Notes []refset.Row
	// CannotStrip is told of photos that are left out because their private
	// metadata can't be taken out; may be nil.
	CannotStrip func(path string)
}

// PackedPhoto is a photo's entry, with where its file lies. Its Permission and
// File are worked out.
type PackedPhoto struct {
	Photo
	Source string // the file to pack; empty to leave the photo itself out
}

// PackedMarble is a marble's entry, with its picture. Its Specimen, Credit,
// Permission, Note and Crop are worked out.
type PackedMarble struct {
	Marble
	CropPNG []byte // empty for none
}

const readme = `This is a bundle of labelled marbles, made by Tawsight %s.

manifest.json      every marble: its set, specimen, size, colours and features,
                   whose it is and what its owner allows (UTF-8 JSON)
notes.csv          what is known of each photo beside the photo (RFC 4180)
crops/             each marble cut out (PNG), where its owner allows that
photos/            the photos themselves, where packed and allowed
checksums.sha256   SHA-256 of every file above: "sha256sum -c checksums.sha256"

To look at it:     tawsight bundle --check FILE.zip
To compare by it:  tawsight measure PHOTOS --out DIR --references FILE.zip
To unpack it:      tawsight bundle --unpack FILE.zip --into DIR

Credit whoever is named in "credit" wherever you show a picture, and do no more
with it than "permission" says. The labels are a collector's own: a likeness to
them is no proof of maker, date or worth.
`

// fixedTime is every member's time, so that the same content gives the same
// bytes. It is the first that a zip can hold.
var fixedTime = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)

// Pack writes a bundle: the same bytes for the same content, in whatever order
// it is given. Pictures whose permission does not allow sharing are left out,
// and named in withheld (paths as in [Photo].Path, sorted), whatever Source and
// CropPNG say. The error says what about the content can't be packed.
func Pack(w io.Writer, c Content) (withheld []string, err error) {
	rows := slices.Clone(c.Notes)
	slices.SortStableFunc(rows, func(a, b refset.Row) int { return strings.Compare(a.Photo+"\x00"+a.Marble, b.Photo+"\x00"+b.Marble) })
	var notesText bytes.Buffer
	if err := refset.WriteNotes(&notesText, rows, nil); err != nil {
		return nil, err
	}
	notes, err := refset.ReadNotes(bytes.NewReader(notesText.Bytes()), notesName)
	if err != nil {
		return nil, err
	}
	m := Manifest{Format: Format, Version: Version, MadeBy: c.MadeBy, Features: c.Features}
	photos := slices.Clone(c.Photos)
	slices.SortFunc(photos, func(a, b PackedPhoto) int { return strings.Compare(a.Path, b.Path) })
	sources := map[string]PackedPhoto{} // by member, as they lie at home
	sets := map[string]Set{}
	shared := map[string]bool{}
	for _, p := range photos {
		p.Permission, p.File = notes.Permission(p.Path), ""
		if shared[p.Path] = p.Permission.AllowsSharing(); !shared[p.Path] {
			withheld = append(withheld, p.Path)
		} else if p.Source != "" {
			data, err := stripped(p.Source, p.SHA256)
			switch {
			case errors.Is(err, errChanged):
				// Refused below, unless the manifest is, which says more.
				p.File = photoName(p.Path)
				sources[p.File] = p
			case errors.Is(err, errStrip):
				if c.CannotStrip != nil {
					c.CannotStrip(p.Path)
				}
			case err != nil:
				return nil, err
			default:
				p.File = photoName(p.Path)
				sources[p.File] = p
				if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != p.SHA256 {
					p.OriginalSHA256, p.SHA256 = p.SHA256, hex.EncodeToString(sum[:])
				}
			}
		}
		m.Photos = append(m.Photos, p.Photo)
		label, _, _ := strings.Cut(p.Path, "/")
		s := sets[label]
		sets[label] = Set{label, s.Photos + 1, s.Marbles}
	}
	marbles := slices.Clone(c.Marbles)
	slices.SortFunc(marbles, func(a, b PackedMarble) int {
		if a.Photo != b.Photo {
			return strings.Compare(a.Photo, b.Photo)
		}
		if len(a.ID) != len(b.ID) {
			return len(a.ID) - len(b.ID) // 2 before 10
		}
		return strings.Compare(a.ID, b.ID)
	})
	crops := map[string][]byte{}
	specimens := map[string]Specimen{}
	for _, q := range marbles {
		note := notes.Of(q.Photo, q.ID)
		q.Specimen, q.Credit, q.Permission, q.Note = note.Specimen, note.Credit, note.Permission, note.Text
		q.Crop = ""
		if len(q.CropPNG) > 0 && shared[q.Photo] && q.Permission.AllowsSharing() {
			q.Crop = cropName(q.Photo, q.ID)
			crops[q.Crop] = q.CropPNG
		} else {
			q.CropMMPerPX = nil
		}
		if q.FeaturesSure == nil {
			q.FeaturesSure = map[string]float64{}
		}
		m.Marbles = append(m.Marbles, q.Marble)
		s := sets[q.Label]
		sets[q.Label] = Set{q.Label, s.Photos, s.Marbles + 1}
		if q.Specimen != "" {
			specimens[q.Specimen] = Specimen{q.Specimen, q.Label, specimens[q.Specimen].Marbles + 1}
		}
	}
	m.Specimens = inOrder(specimens)
	for _, s := range sets {
		m.Sets = append(m.Sets, s)
	}
	slices.SortFunc(m.Sets, func(a, b Set) int { return strings.Compare(a.Label, b.Label) })
	var manifest bytes.Buffer
	e := json.NewEncoder(&manifest)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	if err := e.Encode(m); err != nil {
		return nil, err
	}
	// What this program would refuse it must not write.
	if _, err := decodeManifest(manifest.Bytes()); err != nil {
		return nil, fmt.Errorf("these sets can't be packed: %w", err)
	}

	z := zip.NewWriter(w)
	sums := map[string]string{}
	member := func(name string, method uint16, from io.Reader) error {
		h := &zip.FileHeader{Name: name, Method: method, Modified: fixedTime}
		h.SetMode(0o644)
		out, err := z.CreateHeader(h)
		if err != nil {
			return err
		}
		sum := sha256.New()
		if _, err := io.Copy(io.MultiWriter(out, sum), from); err != nil {
			return err
		}
		sums[name] = hex.EncodeToString(sum.Sum(nil))
		return nil
	}
	for _, text := range []struct {
		name string
		data []byte
	}{
		{readmeName, fmt.Appendf(nil, readme, c.MadeBy.Tawsight)},
		{manifestName, manifest.Bytes()},
		{notesName, notesText.Bytes()},
	} {
		if err := member(text.name, zip.Deflate, bytes.NewReader(text.data)); err != nil {
			return nil, err
		}
	}
	for _, q := range m.Marbles {
		if q.Crop == "" {
			continue
		}
		if err := member(q.Crop, zip.Store, bytes.NewReader(crops[q.Crop])); err != nil {
			return nil, err
		}
	}
	for _, p := range m.Photos {
		if p.File == "" {
			continue
		}
		from := sources[p.File]
		data, err := stripped(from.Source, from.SHA256)
		if err != nil {
			return nil, err
		}
		if err := member(p.File, zip.Store, bytes.NewReader(data)); err != nil {
			return nil, err
		}
		if sums[p.File] != p.SHA256 {
			return nil, fmt.Errorf("the photo %s changed while it was packed: run it again", from.Source)
		}
	}
	if err := member(sumsName, zip.Deflate, strings.NewReader(sumsText(sums))); err != nil {
		return nil, err
	}
	return withheld, z.Close()
}

// errStrip is for photos that can't be packed without what is private in them.
var (
	errStrip   = errors.New("can't be stripped")
	errChanged = errors.New("changed while it was packed")
)

// stripped reads a photo whose SHA-256 is known, and takes out of it what is
// nobody else's business.
func stripped(path, sum string) ([]byte, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	if s := sha256.Sum256(data); hex.EncodeToString(s[:]) != sum {
		return nil, fmt.Errorf("the photo %s %w: run it again", path, errChanged)
	}
	out, err := vision.Strip(data)
	if err != nil {
		return nil, fmt.Errorf("%s: %w: %w", path, errStrip, err)
	}
	return out, nil
}

// sumsText is checksums.sha256: the lines that `sha256sum` of the GNU coreutils
// writes for files read as text, by name.
func sumsText(sums map[string]string) string {
	var names []string
	for name := range sums {
		if name != sumsName {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	var b strings.Builder
	for _, name := range names {
		fmt.Fprintf(&b, "%s  %s\n", sums[name], name)
	}
	return b.String()
}
