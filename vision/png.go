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

// A pngRoom is what rows are compressed with, a third of a megabyte.
type pngRoom struct {
	z            *zlib.Writer
	batch, blank []uint8
}

var pngRooms shelf[pngRoom]

// photoPNG writes a picture; where it is opaque its alpha need not be written.
func photoPNG(p rgba) ([]byte, error) {
	channels, kind := 4, byte(6) // colour type: red, green, blue and alpha
	if p.opaque {
		channels, kind = 3, 2
	}
	var out bytes.Buffer
	out.Grow(channels*p.w*p.h/2 + 4096)
	out.WriteString("\x89PNG\r\n\x1a\n")
	head := binary.BigEndian.AppendUint32(nil, uint32(p.w))
	head = binary.BigEndian.AppendUint32(head, uint32(p.h))
	head = append(head, 8, kind, 0, 0, 0) // bits; compression, filters and order as the standard has them
	pngChunk(&out, "IHDR", func() error { _, err := out.Write(head); return err })
	err := pngChunk(&out, "IDAT", func() error { return rowsOf(&out, p.pix, p.w, p.h, channels) })
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
	room := pngRooms.take()
	if room.z == nil {
		var err error
		if room.z, err = zlib.NewWriterLevel(out, zlib.HuffmanOnly); err != nil {
			return err
		}
	} else {
		room.z.Reset(out)
	}
	// The rows are handed on some at a time.
	row := 1 + channels*w
	some := max(1, min(h, pngBatch/row))
	if n := some*row + 4; cap(room.batch) < n { // with what LessAbove asks for
		room.batch = make([]uint8, max(n, pngBatch+4))
	}
	if cap(room.blank) < 4*w {
		room.blank = make([]uint8, 4*w)
	}
	batch, above := room.batch[:cap(room.batch)], room.blank[:4*w]
	filled := 0
	for y := range h {
		here := pix[4*w*y:][:4*w]
		batch[filled*row] = 2 // each byte as what it differs by from the one above
		kernels.LessAbove(batch[filled*row+1:], here, above, channels)
		above = here
		if filled++; filled == some || y == h-1 {
			if _, err := room.z.Write(batch[:filled*row]); err != nil {
				return err
			}
			filled = 0
		}
	}
	if err := room.z.Close(); err != nil {
		return err
	}
	pngRooms.put(room)
	return nil
}
