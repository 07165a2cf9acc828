package lens

import (
	"encoding/binary"
	"errors"
	"time"
)

// Tags are the EXIF entries a sample photo carries. Maker and model are invented.
type Tags struct {
	Make, Model string
	Taken       time.Time
	// Focal35MM is FocalLengthIn35mmFilm, a whole number; 0 leaves it out.
	Focal35MM int
	Exposure  [2]uint32 // seconds, as a fraction
	ISO       int
}

type entry struct {
	tag, kind uint16
	count     uint32
	data      []byte
}

// bytes gives the TIFF structure of an EXIF segment (EXIF 2.32 over TIFF 6.0), big-endian: IFD0 with make, model,
// orientation and the pointer to the EXIF IFD.
func (t Tags) bytes(orientation int) []byte {
	be := binary.BigEndian
	ascii := func(tag uint16, s string) entry { return entry{tag, 2, uint32(len(s) + 1), append([]byte(s), 0)} }
	short := func(tag uint16, v int) entry { return entry{tag, 3, 1, be.AppendUint16(nil, uint16(v))} }
	when := t.Taken.Format("2006:01:02 15:04:05")
	sub := []entry{
		{0x829A, 5, 1, be.AppendUint32(be.AppendUint32(nil, t.Exposure[0]), t.Exposure[1])}, // ExposureTime
		short(0x8827, t.ISO),           // PhotographicSensitivity
		{0x9000, 7, 4, []byte("0232")}, // ExifVersion
		ascii(0x9003, when),            // DateTimeOriginal
	}
	if t.Focal35MM > 0 {
		sub = append(sub, short(0xA405, t.Focal35MM)) // FocalLengthIn35mmFilm
	}
	first := []entry{ascii(0x010F, t.Make), ascii(0x0110, t.Model), short(0x0112, orientation), ascii(0x0132, when),
		{0x8769, 4, 1, nil}} // ExifIFDPointer, filled in below
	const head = 8
	firstSize := ifdSize(first)
	first[len(first)-1].data = be.AppendUint32(nil, uint32(head+firstSize))
	out := append([]byte("MM\x00\x2A"), 0, 0, 0, head)
	out = appendIFD(out, first)
	return appendIFD(out, sub)
}

func ifdSize(es []entry) int {
	n := 2 + 12*len(es) + 4
	for _, e := range es {
		if len(e.data) > 4 {
			n += len(e.data) + len(e.data)%2
		}
	}
	return n
}

func appendIFD(out []byte, es []entry) []byte {
	be := binary.BigEndian
	extra := len(out) + 2 + 12*len(es) + 4
	out = be.AppendUint16(out, uint16(len(es)))
	var tail []byte
	for _, e := range es {
		out = be.AppendUint16(out, e.tag)
		out = be.AppendUint16(out, e.kind)
		out = be.AppendUint32(out, e.count)
		if len(e.data) <= 4 {
			out = append(out, e.data...)
			out = append(out, make([]byte, 4-len(e.data))...)
			continue
		}
		out = be.AppendUint32(out, uint32(extra+len(tail)))
		tail = append(tail, e.data...)
		if len(tail)%2 == 1 {
			tail = append(tail, 0)
		}
	}
	out = append(out, 0, 0, 0, 0)
	return append(out, tail...)
}

// withEXIF puts the segment right after the start of the JPEG.
func withEXIF(jpg, tiff []byte) ([]byte, error) {
	n := 2 + 6 + len(tiff)
	if len(jpg) < 2 || jpg[0] != 0xFF || jpg[1] != 0xD8 || n > 0xFFFF {
		return nil, errors.New("not a JPEG, or too many tags")
	}
	out := append([]byte{}, jpg[:2]...)
	out = append(out, 0xFF, 0xE1, byte(n>>8), byte(n))
	out = append(out, "Exif\x00\x00"...)
	out = append(out, tiff...)
	return append(out, jpg[2:]...), nil
}
