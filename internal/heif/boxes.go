// Package heif reads HEIC photos (ISO/IEC 23008-12 with HEVC, as phones write
// them): what their boxes say, in Go, and their pixels by libheif and libde265
// in a sandbox that is limited in memory and time.
package heif

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// Info is what a file says of its primary picture.
type Info struct {
	Width, Height int // px, upright: turned and cut as the file says
	Coded         string
	ICC           []byte // nil when there is none
	// Colour is the colours' description by code points, from the file's box
	// or else from the video stream.
	Colour Colour
	// Exif is the TIFF block of the Exif item, nil when there is none. Its
	// orientation is not to be applied: the boxes' is (ISO/IEC 23008-12, A.2).
	Exif  []byte
	Depth int // bits a channel as coded
}

// Colour is a set of code points of ITU-T H.273; 2 is "not specified".
type Colour struct {
	Known                       bool // the file has code points for primaries and transfer
	Primaries, Transfer, Matrix int
	FullRange                   bool
}

// ErrNotHEVC is for HEIF files with pictures coded in another way.
var ErrNotHEVC = errors.New("its picture is not coded as HEVC")

// ErrShort is for files whose end is missing.
var ErrShort = errors.New("its end is missing")

type item struct {
	kind       string
	properties []int
	extents    []extent
	from       uint16 // construction method
	tiles      []uint32
}

type extent struct{ at, n uint64 }

type property struct {
	kind string
	body []byte
}

type file struct {
	data       []byte
	primary    uint32
	items      map[uint32]*item
	order      []uint32
	properties []property
	describes  map[uint32][]uint32 // by cdsc
	idat       []byte
}

// Bounds on what one picture is made of, far above what cameras write: a file of a
// few kilobytes can claim billions of pieces that take no bytes to name.
const (
	mostTiles      = 4096 // 512 px each, they would be a gigapixel
	mostProperties = 256
	mostExtents    = 4096
)

// boxes calls f with each box of b; a box that is cut short is ErrShort.
func boxes(b []byte, f func(kind string, body []byte) error) error {
	for len(b) > 0 {
		if len(b) < 8 {
			return ErrShort
		}
		n, head := uint64(binary.BigEndian.Uint32(b)), uint64(8)
		switch n {
		case 0: // to the end
			n = uint64(len(b))
		case 1:
			if len(b) < 16 {
				return ErrShort
			}
			n, head = binary.BigEndian.Uint64(b[8:]), 16
		}
		if n < head {
			return errors.New("a box is smaller than its head")
		}
		if n > uint64(len(b)) {
			return ErrShort
		}
		if err := f(string(b[4:8]), b[head:n]); err != nil {
			return err
		}
		b = b[n:]
	}
	return nil
}

// reader reads big-endian numbers; past the end it gives zeros and is bad.
type reader struct {
	b   []byte
	bad bool
}

func (r *reader) uint(n int) (v uint64) {
	if len(r.b) < n {
		r.bad, r.b = true, nil
		return 0
	}
	for _, c := range r.b[:n] {
		v = v<<8 | uint64(c)
	}
	r.b = r.b[n:]
	return v
}

var errBox = errors.New("a box is damaged")

func (f *file) item(id uint32) *item {
	if f.items[id] == nil {
		f.items[id] = &item{}
		f.order = append(f.order, id)
	}
	return f.items[id]
}

func (f *file) readMeta(body []byte) error {
	if len(body) < 4 {
		return errBox
	}
	return boxes(body[4:], func(kind string, b []byte) error {
		if kind == "idat" {
			f.idat = b
			return nil
		}
		if kind == "iprp" {
			return f.readProperties(b)
		}
		r := &reader{b: b}
		version := r.uint(1)
		r.uint(3)
		idSize := 2
		switch kind {
		case "pitm":
			if version > 0 {
				idSize = 4
			}
			f.primary = uint32(r.uint(idSize))
		case "iinf":
			n := 2
			if version > 0 {
				n = 4
			}
			r.uint(n)
			if r.bad {
				return errBox
			}
			return boxes(r.b, func(kind string, b []byte) error {
				r := &reader{b: b}
				v := r.uint(1)
				r.uint(3)
				if kind != "infe" || v < 2 {
					return nil
				}
				n := 2
				if v > 2 {
					n = 4
				}
				id := uint32(r.uint(n))
				r.uint(2)
				if r.bad || len(r.b) < 4 {
					return errBox
				}
				f.item(id).kind = string(r.b[:4])
				return nil
			})
		case "iloc":
			return f.readPlaces(r, version)
		case "iref":
			n := 2
			if version > 0 {
				n = 4
			}
			return boxes(r.b, func(kind string, b []byte) error {
				r := &reader{b: b}
				from := uint32(r.uint(n))
				for range r.uint(2) {
					to := uint32(r.uint(n))
					if r.bad {
						return errBox
					}
					switch kind {
					case "dimg":
						it := f.item(from)
						if len(it.tiles) >= mostTiles {
							return errBox
						}
						it.tiles = append(it.tiles, to)
					case "cdsc":
						f.describes[to] = append(f.describes[to], from)
					}
				}
				return nil
			})
		}
		if r.bad {
			return errBox
		}
		return nil
	})
}

// readPlaces reads the item location box.
func (f *file) readPlaces(r *reader, version uint64) error {
	s := r.uint(2)
	offset, length, base, index := int(s>>12), int(s>>8&15), int(s>>4&15), int(s&15)
	if version == 0 {
		index = 0
	}
	idSize := 2
	if version == 2 {
		idSize = 4
	}
	for range r.uint(idSize) {
		id := uint32(r.uint(idSize))
		it := f.item(id)
		if version > 0 {
			it.from = uint16(r.uint(2) & 15)
		}
		r.uint(2)
		start := r.uint(base)
		for range r.uint(2) {
			r.uint(index)
			at := start + r.uint(offset)
			n := r.uint(length)
			if r.bad || len(it.extents) >= mostExtents {
				return errBox
			}
			it.extents = append(it.extents, extent{at, n})
		}
		if r.bad {
			return errBox
		}
	}
	return nil
}

func (f *file) readProperties(b []byte) error {
	return boxes(b, func(kind string, b []byte) error {
		switch kind {
		case "ipco":
			return boxes(b, func(kind string, b []byte) error {
				f.properties = append(f.properties, property{kind, b})
				return nil
			})
		case "ipma":
			r := &reader{b: b}
			version, flags := r.uint(1), r.uint(3)
			n, size := 2, 1
			if version > 0 {
				n = 4
			}
			if flags&1 == 1 {
				size = 2
			}
			for range r.uint(4) {
				it := f.item(uint32(r.uint(n)))
				for range r.uint(1) {
					v := int(r.uint(size)) &^ (0x80 << (8 * (size - 1)))
					if len(it.properties) >= mostProperties {
						return errBox
					}
					it.properties = append(it.properties, v-1)
				}
				if r.bad {
					return errBox
				}
			}
		}
		return nil
	})
}

// of calls f with the properties of an item, in their order.
func (f *file) of(it *item, do func(p property)) {
	for _, i := range it.properties {
		if i >= 0 && i < len(f.properties) {
			do(f.properties[i])
		}
	}
}

// content checks that an item's bytes are all there, and gives them where they
// are at most limit long.
func (f *file) content(it *item, limit int) ([]byte, error) {
	from := f.data
	if it.from == 1 {
		from = f.idat
	} else if it.from != 0 {
		return nil, errBox
	}
	var out []byte
	for _, e := range it.extents {
		if e.at > uint64(len(from)) || e.n > uint64(len(from))-e.at {
			return nil, ErrShort
		}
		part := from[e.at:]
		if e.n > 0 {
			part = part[:e.n]
		}
		if len(out)+len(part) <= limit {
			out = append(out, part...)
		}
	}
	return out, nil
}

// Inspect reads the boxes of a file, without decoding anything.
func Inspect(data []byte) (Info, error) {
	var info Info
	f := &file{data: data, items: map[uint32]*item{}, describes: map[uint32][]uint32{}}
	seen := false
	err := boxes(data, func(kind string, body []byte) error {
		if kind == "meta" && !seen {
			seen = true
			return f.readMeta(body)
		}
		return nil
	})
	// What follows the boxes that matter may be anything.
	if !seen {
		if err == nil {
			err = errors.New("it holds no picture")
		}
		return info, err
	}
	if err != nil && !errors.Is(err, ErrShort) && f.primary == 0 {
		return info, err
	}
	p := f.items[f.primary]
	if p == nil {
		if err != nil {
			return info, err
		}
		return info, errors.New("it holds no picture")
	}
	coded := p
	info.Coded = p.kind
	switch p.kind {
	case "hvc1":
	case "grid", "iden":
		if len(p.tiles) == 0 {
			return info, errBox
		}
		coded = f.items[p.tiles[0]]
		if coded == nil || coded.kind == "grid" {
			return info, errBox
		}
		info.Coded = coded.kind
	}
	if coded.kind != "hvc1" {
		return info, ErrNotHEVC
	}
	for _, id := range append([]uint32{f.primary}, p.tiles...) {
		it := f.items[id]
		if it == nil || len(it.extents) == 0 && it.kind != "iden" {
			return info, errBox
		}
		if _, err := f.content(it, 0); err != nil {
			return info, err
		}
		w, h, err := f.size(it)
		if err != nil {
			return info, err
		}
		if id == f.primary {
			info.Width, info.Height = w, h
		}
	}
	var video sequence
	var boxed, stream bool
	f.of(coded, func(q property) {
		if q.kind == "hvcC" {
			if s, err := sequenceOf(q.body); err == nil {
				video, stream = s, true
			}
		}
	})
	if !stream {
		return info, errSPS
	}
	info.Depth = video.depth
	colr := func(q property) {
		if q.kind != "colr" || len(q.body) < 4 {
			return
		}
		switch b := q.body[4:]; string(q.body[:4]) {
		case "nclx":
			if len(b) >= 7 && !boxed {
				boxed = true
				info.Colour = Colour{true, int(binary.BigEndian.Uint16(b)), int(binary.BigEndian.Uint16(b[2:])), int(binary.BigEndian.Uint16(b[4:])), b[6]&0x80 != 0}
			}
		case "prof", "rICC":
			if info.ICC == nil {
				info.ICC = b
			}
		}
	}
	f.of(p, colr)
	f.of(coded, colr)
	switch {
	case boxed:
	case video.hasVideo:
		info.Colour = Colour{video.hasColour, 2, 2, 2, video.fullRange}
		if video.hasColour {
			info.Colour.Primaries, info.Colour.Transfer, info.Colour.Matrix = video.primaries, video.transfer, video.matrix
		}
	default:
		// Nothing said: sRGB, full range (ISO/IEC 23000-22, 7.3.6.4; from memory).
		info.Colour = Colour{false, 1, 13, 6, true}
	}
	for _, id := range append(f.describes[f.primary], f.order...) {
		it := f.items[id]
		if it == nil || it.kind != "Exif" {
			continue
		}
		b, err := f.content(it, 4<<20)
		if err == nil && len(b) > 4 {
			if skip := uint64(binary.BigEndian.Uint32(b)); skip < uint64(len(b)-4) {
				info.Exif = b[4+skip:]
				break
			}
		}
	}
	return info, nil
}

// size is an item's size once its turns and cuts are done.
func (f *file) size(it *item) (w, h int, err error) {
	f.of(it, func(q property) {
		b := q.body
		switch q.kind {
		case "ispe":
			if len(b) >= 12 && w == 0 {
				w, h = int(binary.BigEndian.Uint32(b[4:])), int(binary.BigEndian.Uint32(b[8:]))
			}
		case "irot":
			if len(b) >= 1 && b[0]&1 == 1 {
				w, h = h, w
			}
		case "clap":
			if len(b) < 32 {
				err = errBox
				return
			}
			var v [8]float64
			for i := range v {
				v[i] = float64(binary.BigEndian.Uint32(b[4*i:]))
				if i == 4 || i == 6 {
					v[i] = float64(int32(binary.BigEndian.Uint32(b[4*i:])))
				}
			}
			if v[1] == 0 || v[3] == 0 || v[5] == 0 || v[7] == 0 {
				err = errBox
				return
			}
			cut := func(full int, size, offset float64) int {
				left := int(offset + (float64(full)-size)/2 + 0.5)
				right := int(offset+(float64(full)-size)/2+size-1+0.5) + 1
				return min(full, right) - max(0, left)
			}
			w, h = cut(w, v[0]/v[1], v[4]/v[5]), cut(h, v[2]/v[3], v[6]/v[7])
		}
	})
	if err == nil && (w < 1 || h < 1) {
		err = fmt.Errorf("its header says %d x %d pixels", w, h)
	}
	return w, h, err
}

// sequenceOf finds the sequence parameter set in a decoder configuration
// (ISO/IEC 14496-15, 8.3.3.1).
func sequenceOf(b []byte) (sequence, error) {
	r := &reader{b: b}
	r.uint(8)
	r.uint(8)
	r.uint(6)
	for range r.uint(1) {
		kind := r.uint(1) & 63
		for range r.uint(2) {
			n := int(r.uint(2))
			if r.bad || n > len(r.b) {
				return sequence{}, errSPS
			}
			if kind == 33 {
				return readSequence(r.b[:n])
			}
			r.b = r.b[n:]
		}
	}
	return sequence{}, errSPS
}
