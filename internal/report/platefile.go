package report

import (
	"bytes"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"tawsight/internal/atomicfile"
)

// pngChunk is a chunk of a PNG file with its length and check sum (W3C PNG,
// third edition, 5.3).
func pngChunk(kind, data string) []byte {
	c := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	c = append(c, kind+data...)
	return binary.BigEndian.AppendUint32(c, crc32.ChecksumIEEE(c[4:]))
}

func jpegURI(data []byte) string {
	return "data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(data)
}

// PlateName is what a marble's plate is called, without its ending; stem is its
// photo's own of Stems, id the marble's.
func PlateName(stem, id string) string { return "plate-" + stem + "-" + plain(id) }

// plateMark is what a plate says it is, in its PNG, its PDF and its page.
const plateMark = "Tawsight, a marble beside the specimens it is most like"

// plateForms are the forms a plate is written in.
var plateForms = []struct {
	ext   string
	write func(w io.Writer, p *Plate, d *drawing) error
}{
	{".png", func(w io.Writer, _ *Plate, d *drawing) error { return d.writePNG(w, plateDPI, plateMark) }},
	{".pdf", func(w io.Writer, p *Plate, d *drawing) error { return writePDF(w, p.title(), plateMark, d) }},
	{".html", func(w io.Writer, p *Plate, _ *drawing) error { return p.writeHTML(w) }},
}

// ErrNotAPlate is wrapped by the error for a file of the user's that stands
// where a plate would go.
var ErrNotAPlate = errors.New("it is no plate of an earlier run")

// FreeForPlate says, as an error, why a marble's plate may not be written to a
// folder: a file that is no plate is never overwritten.
func FreeForPlate(dir, stem, id string) error {
	for _, f := range plateForms {
		if err := freeFor(filepath.Join(dir, PlateName(stem, id)+f.ext), plateMark, ErrNotAPlate); err != nil {
			return err
		}
	}
	return nil
}

// freeFor says why the file at path may not be written: there is one that does
// not carry the mark.
func freeFor(path, mark string, not error) error {
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err == nil && info.Mode().IsRegular() {
		if data, err := os.ReadFile(path); err == nil && bears(data, mark) {
			return nil
		}
	}
	return fmt.Errorf("%s is there already and was left as it is, because %w: move it, or choose another folder with --out", path, not)
}

// bears says whether a file's bytes carry a mark: as it is, or in a PDF as
// UTF-16 (ISO 32000-1, 7.9.2.2).
func bears(data []byte, mark string) bool {
	var wide []byte
	for _, r := range mark {
		wide = append(wide, byte(r>>8), byte(r))
	}
	return bytes.Contains(data, []byte(mark)) || bytes.Contains(data, wide)
}

// WritePlate draws a marble's plate and writes it to dir as PNG, PDF and HTML;
// it gives their paths. A file that is there already is replaced only where it
// is a plate itself.
func WritePlate(dir, stem string, p Plate) (paths []string, err error) {
	if err := FreeForPlate(dir, stem, p.Marble.ID); err != nil {
		return nil, err
	}
	d, err := p.drawing()
	if err != nil {
		return nil, err
	}
	for _, f := range plateForms {
		path := filepath.Join(dir, PlateName(stem, p.Marble.ID)+f.ext)
		if err := atomicfile.Write(path, func(w io.Writer) error { return f.write(w, &p, d) }); err != nil {
			return paths, err
		}
		paths = append(paths, path)
	}
	return paths, nil
}
