package report

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image/png"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"tawsight/internal/atomicfile"
)

// SheetName is what a marble's sheet is called in the folder for sheets; stem
// is its photo's own of Stems, id the marble's.
func SheetName(stem, id string) string { return stem + "-" + plain(id) + ".png" }

// sheetMark is what a sheet says it is, as the PNG specification has programs
// do it (W3C PNG, third edition, 11.3.3.2: a tEXt chunk, keyword Software). It
// stands right after the header, so that a sheet is known without reading on.
const sheetMark = "Software\x00Tawsight, how a marble's figures came about"

// pngHeaderLen is the signature and the IHDR chunk.
const pngHeaderLen = 8 + 4 + 4 + 13 + 4

// markChunk is the chunk that holds sheetMark.
func markChunk() []byte {
	c := binary.BigEndian.AppendUint32(nil, uint32(len(sheetMark)))
	c = append(c, "tEXt"+sheetMark...)
	return binary.BigEndian.AppendUint32(c, crc32.ChecksumIEEE(c[4:]))
}

// IsSheet says whether the file at path is a sheet, of this run or an earlier
// one. A file that can't be read is none.
func IsSheet(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	mark := markChunk()
	head := make([]byte, pngHeaderLen+len(mark))
	if _, err := io.ReadFull(f, head); err != nil {
		return false
	}
	return bytes.Equal(head[pngHeaderLen:], mark)
}

// ErrNotASheet is wrapped by the error for a file of the user's that stands
// where a sheet would go.
var ErrNotASheet = errors.New("it is no sheet of an earlier run")

// FreeForSheet says, as an error, why no sheet may be written to path: a file
// that is not a sheet is never overwritten.
func FreeForSheet(path string) error {
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) || err == nil && IsSheet(path) {
		return nil
	}
	return fmt.Errorf("%s is there already and was left as it is, because %w: move it, or choose another folder with --explain", path, ErrNotASheet)
}

// SheetPNG draws a marble's sheet as a PNG that says what it is.
func SheetPNG(in Account) ([]byte, error) {
	var buf bytes.Buffer
	// A tenth larger than with the default, in less than half the time.
	encoder := png.Encoder{CompressionLevel: png.BestSpeed}
	if err := encoder.Encode(&buf, Sheet(in)); err != nil {
		return nil, err
	}
	data := buf.Bytes()
	return slices.Concat(data[:pngHeaderLen], markChunk(), data[pngHeaderLen:]), nil
}

// WriteSheet draws a marble's sheet and writes it to path as a PNG; see
// [WriteSheetPNG].
func WriteSheet(path string, in Account) error {
	data, err := SheetPNG(in)
	if err != nil {
		return fmt.Errorf("the sheet %s could not be drawn: %w", filepath.Base(path), err)
	}
	return WriteSheetPNG(path, data)
}

// WriteSheetPNG writes a sheet that was drawn before to path. A file that is
// there already is replaced only where it is a sheet itself.
func WriteSheetPNG(path string, data []byte) error {
	if err := FreeForSheet(path); err != nil {
		return err
	}
	return atomicfile.WriteBytes(path, data)
}
