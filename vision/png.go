package vision

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"io"

	"github.com/klauspost/compress/zlib"

	"tawsight/internal/kernels"
)

// Photos hold few bytes that come again in the same order, and looking for such
// takes most of what it takes to write a PNG. So pictures of a photo are written
// here: each row as what it differs by from the one above, and that in as few bits
// as its frequencies allow (deflate with Huffman codes alone, RFC 1951). PNG is
// ISO/IEC 15948.

// pngBatch is about how many bytes of rows are compressed at a time.
const pngBatch = 1 << 16

// pngWriters are for rows compressed, each of a quarter of a megabyte.
var pngWriters shelf[*zlib.Writer]

// photoPNG writes w x h pixels of red, green, blue and alpha, 8 bits each and not
// premultiplied, one row after the other; opaque says that alpha is 255 throughout
// and need not be written.
func photoPNG(pix []uint8, w, h int, opaque bool) ([]byte, error) {
	channels, kind := 4, byte(6) // colour type: red, green, blue and alpha
	if opaque {
		channels, kind = 3, 2
	}
	var out bytes.Buffer
	out.Grow(channels*w*h/2 + 4096)
	out.WriteString("\x89PNG\r\n\x1a\n")
	head := binary.BigEndian.AppendUint32(nil, uint32(w))
	head = binary.BigEndian.AppendUint32(head, uint32(h))
	head = append(head, 8, kind, 0, 0, 0) // bits; compression, filters and order as the standard has them
	pngChunk(&out, "IHDR", func() error { _, err := out.Write(head); return err })
	err := pngChunk(&out, "IDAT", func() error { return rowsOf(&out, pix, w, h, channels) })
	if err != nil {
		return nil, err
	}
	pngChunk(&out, "IEND", func() error { return nil })
	return out.Bytes(), nil
}

// pngChunk appends a chunk of PNG, whose data write appends.
func pngChunk(out *bytes.Buffer, name string, write func() error) error {
	at := out.Len()
	out.WriteString("\x00\x00\x00\x00" + name)
	if err := write(); err != nil {
		return err
	}
	b := out.Bytes()[at:]
	binary.BigEndian.PutUint32(b, uint32(len(b)-8))
	return binary.Write(out, binary.BigEndian, crc32.ChecksumIEEE(b[4:]))
}

// rowsOf writes the rows, compressed.
func rowsOf(out io.Writer, pix []uint8, w, h, channels int) error {
	z := pngWriters.take()
	if z == nil {
		var err error
		if z, err = zlib.NewWriterLevel(out, zlib.HuffmanOnly); err != nil {
			return err
		}
	} else {
		z.Reset(out)
	}
	// The rows are handed on some at a time.
	row := 1 + channels*w
	some := max(1, min(h, pngBatch/row))
	batch := make([]uint8, some*row+4) // with the room that LessAbove asks for
	above := make([]uint8, 4*w)
	filled := 0
	for y := range h {
		here := pix[4*w*y:][:4*w]
		batch[filled*row] = 2 // each byte as what it differs by from the one above
		kernels.LessAbove(batch[filled*row+1:], here, above, channels)
		above = here
		if filled++; filled == some || y == h-1 {
			if _, err := z.Write(batch[:filled*row]); err != nil {
				return err
			}
			filled = 0
		}
	}
	if err := z.Close(); err != nil {
		return err
	}
	pngWriters.put(z)
	return nil
}
