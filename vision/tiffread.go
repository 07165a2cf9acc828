package vision

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"

	"golang.org/x/image/tiff"
)

// directory is an image file directory of a TIFF file (TIFF 6.0, section 2):
// of each field its numbers, or its bytes where they are no whole numbers.
type directory struct {
	numbers map[uint16][]uint64
	bytes   map[uint16][]byte
	next    uint64
	short   bool // a field's value lies outside the file
}

func (d directory) first(tag uint16, otherwise uint64) uint64 {
	if v := d.numbers[tag]; len(v) > 0 {
		return v[0]
	}
	return otherwise
}

// Tags of TIFF 6.0, of Adobe DNG 1.4 and of ICC.1 annex B.4.
const (
	tagSubfile     = 254
	tagWidth       = 256
	tagHeight      = 257
	tagBits        = 258
	tagCompression = 259
	tagPhotometric = 262
	tagStrips      = 273
	tagOrientation = 274
	tagSamples     = 277
	tagStripSizes  = 279
	tagPlanar      = 284
	tagTiles       = 324
	tagTileSizes   = 325
	tagSubIFDs     = 330
	tagFormat      = 339
	tagICC         = 34675
	tagDNGVersion  = 50706
)

// readDirectory reads the directory at an offset; fields whose values lie
// outside the file are left out.
func readDirectory(b []byte, at uint64) (d directory, err error) {
	var order binary.ByteOrder = binary.LittleEndian
	if len(b) >= 2 && b[0] == 'M' {
		order = binary.BigEndian
	}
	d = directory{numbers: map[uint16][]uint64{}, bytes: map[uint16][]byte{}}
	if at+2 > uint64(len(b)) {
		return d, errNoEnd
	}
	n := uint64(order.Uint16(b[at:]))
	if at+2+12*n > uint64(len(b)) {
		return d, errNoEnd
	}
	size := [...]uint64{0, 1, 1, 2, 4, 8, 1, 1, 2, 4, 8, 4, 8, 4}
	for i := range n {
		e := b[at+2+12*i:]
		tag, typ, count := order.Uint16(e), order.Uint16(e[2:]), uint64(order.Uint32(e[4:]))
		if int(typ) >= len(size) || size[typ] == 0 || count == 0 {
			continue
		}
		value := e[8:12]
		if total := size[typ] * count; total > 4 {
			off := uint64(order.Uint32(e[8:]))
			if off > uint64(len(b)) || total > uint64(len(b))-off {
				d.short = true
				continue
			}
			value = b[off : off+total]
		} else {
			value = value[:total]
		}
		switch typ {
		case 3:
			v := make([]uint64, count)
			for k := range v {
				v[k] = uint64(order.Uint16(value[2*k:]))
			}
			d.numbers[tag] = v
		case 4, 13:
			v := make([]uint64, count)
			for k := range v {
				v[k] = uint64(order.Uint32(value[4*k:]))
			}
			d.numbers[tag] = v
		case 1, 2, 7:
			d.bytes[tag] = value
		}
	}
	if at+2+12*n+4 <= uint64(len(b)) {
		d.next = uint64(order.Uint32(b[at+2+12*n:]))
	}
	return d, nil
}

func firstDirectory(b []byte) (directory, error) {
	if len(b) < 8 {
		return directory{}, errNoEnd
	}
	at := binary.LittleEndian.Uint32(b[4:])
	if b[0] == 'M' {
		at = binary.BigEndian.Uint32(b[4:])
	}
	return readDirectory(b, uint64(at))
}

// rawDirectories says that a TIFF file is a camera's raw file: it is a DNG, or
// its picture, or one below it, is a sensor's mosaic (photometric 32803, or
// 34892 for linear raw), or it holds a thumbnail first and the picture below.
func rawDirectories(b []byte) bool {
	d, err := firstDirectory(b)
	if err != nil {
		return false
	}
	mosaic := func(d directory) bool {
		p := d.first(tagPhotometric, 0)
		return p == 32803 || p == 34892
	}
	if len(d.bytes[tagDNGVersion]) > 0 || mosaic(d) || d.first(tagSubfile, 0)&1 == 1 && len(d.numbers[tagSubIFDs]) > 0 {
		return true
	}
	for i, at := range d.numbers[tagSubIFDs] {
		if sub, err := readDirectory(b, at); i < 16 && err == nil && mosaic(sub) {
			return true
		}
	}
	return false
}

// head is what a file's header says, before anything is decoded.
type head struct {
	w, h   int // px, as stored
	bits   int // a channel
	icc    []byte
	exif   []byte // a TIFF block; nil: to be found by the file's format
	alpha  bool
	grey   bool
	notes  []Note
	detail any
}

// refusal is an error with its advice.
type refusal struct{ what, advice string }

func (r *refusal) Error() string { return r.what }

// tiffHead checks a TIFF file's first picture: that it is of a kind that is
// read, that all its bytes are there, and that they can be enough.
func tiffHead(b []byte) (h head, err error) {
	d, err := firstDirectory(b)
	if err == nil && d.short {
		err = errNoEnd
	}
	if err != nil {
		return h, err
	}
	h.w, h.h = int(min(1<<31-1, d.first(tagWidth, 0))), int(min(1<<31-1, d.first(tagHeight, 0)))
	samples, bits := int(d.first(tagSamples, 1)), int(d.first(tagBits, 1))
	h.bits = bits
	h.icc = d.bytes[tagICC]
	save := "save it as TIFF with 8 or 16 bits of RGB or grey, or as JPEG"
	switch p := d.first(tagPhotometric, 99); p {
	case 0, 1:
		h.grey = true
	case 2, 3:
	case 5:
		return h, &refusal{"the TIFF is in printing colours (CMYK)", "save it as RGB: printing colours can't be turned back into what the camera saw"}
	case 6:
		return h, &refusal{"the TIFF holds a JPEG's colours (YCbCr)", save}
	case 8, 9, 10:
		return h, &refusal{"the TIFF is in Lab colours", save}
	default:
		return h, &refusal{fmt.Sprintf("the TIFF's colours are of an unusual kind (%d)", p), save}
	}
	if f := d.first(tagFormat, 1); f != 1 && f != 4 {
		return h, &refusal{"the TIFF's values are not whole numbers but floating point", save}
	}
	if bits != 1 && bits != 8 && bits != 16 || samples < 1 || samples > 4 {
		return h, &refusal{fmt.Sprintf("the TIFF has %d channels of %d bits", samples, bits), save}
	}
	if d.first(tagPlanar, 1) == 2 && samples > 1 {
		return h, &refusal{"the TIFF keeps red, green and blue apart (planar)", "save it with the channels together (interleaved, chunky)"}
	}
	packed := true
	switch c := d.first(tagCompression, 1); c {
	case 0, 1:
		packed = false
	case 5, 8, 32946, 32773:
	case 2, 3, 4:
		return h, &refusal{"the TIFF is a fax page", "give a photo"}
	case 6, 7:
		return h, &refusal{"the TIFF is compressed as a JPEG inside", "save it as JPEG, or as TIFF with LZW or without compression"}
	default:
		return h, &refusal{fmt.Sprintf("the TIFF is compressed in an unusual way (%d)", c), "save it with LZW or ZIP, or without compression"}
	}
	at, sizes := d.numbers[tagStrips], d.numbers[tagStripSizes]
	if len(d.numbers[tagTiles]) > 0 {
		at, sizes = d.numbers[tagTiles], d.numbers[tagTileSizes]
	}
	if len(at) == 0 || len(at) != len(sizes) {
		return h, errNoEnd
	}
	total := uint64(0)
	for i := range at {
		if at[i] > uint64(len(b)) || sizes[i] > uint64(len(b))-at[i] {
			return h, errNoEnd
		}
		total += sizes[i]
	}
	if err := tooSmall(h.w, h.h, samples*bits, total, packed); err != nil {
		return h, err
	}
	h.alpha = samples == 4 || samples == 2
	pages := 0
	for next := d.next; next != 0 && pages < 1000; pages++ {
		p, err := readDirectory(b, next)
		if err != nil {
			break
		}
		if p.first(tagSubfile, 0)&1 == 1 {
			pages-- // a thumbnail
		}
		if p.next <= next {
			pages++
			break
		}
		next = p.next
	}
	if pages > 0 {
		h.notes = append(h.notes, Note{Code: "several-pages", Message: fmt.Sprintf("the TIFF holds %d pictures, of which the first was read", pages+1), Advice: "if another is meant, save it as a file of its own"})
	}
	return h, nil
}

// tooSmall refuses a picture whose bytes can't make up what its header says:
// deflate packs at most 1032 to one, LZW with codes of 12 bits somewhat more.
func tooSmall(w, h, bits int, total uint64, packed bool) error {
	if w < 1 || h < 1 || w > MaxPixels/h {
		return nil // refused for that
	}
	need := (uint64(w)*uint64(bits) + 7) / 8 * uint64(h)
	most := total
	if packed {
		most = 3000*total + 4096
	}
	if need > most {
		return errors.New("its header promises more than it holds")
	}
	return nil
}

func decodeTIFF(b []byte) (image.Image, error) {
	return tiff.Decode(bytes.NewReader(b))
}
