// Package mangle damages picture files in the ways that cards, cables and people
// do: bits that flipped, ends that are missing, numbers that lie. What reads
// pictures is tried on what it makes.
package mangle

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"math/rand/v2"
	"slices"
)

// Ways are the kinds of damage, by name.
var Ways = []string{"flipped bits", "cut short", "random bytes", "a lie in the header", "a lie in the metadata", "a piece gone", "a piece twice", "a piece of another file"}

// One is a damaged copy of a file, and the way it was damaged, one of Ways. other
// is another file, for pieces.
func One(rng *rand.Rand, data, other []byte) (damaged []byte, way string) {
	d := slices.Clone(data)
	if len(d) < 16 {
		return d, Ways[0]
	}
	way = Ways[rng.IntN(len(Ways))]
	piece := func(of []byte) (from, to int) {
		from = rng.IntN(len(of))
		return from, min(len(of), from+1+rng.IntN(1+len(of)/4))
	}
	switch way {
	case "flipped bits":
		for range 1 + rng.IntN(6) {
			d[rng.IntN(len(d))] ^= 1 << rng.IntN(8)
		}
	case "cut short":
		d = d[:rng.IntN(len(d))]
	case "random bytes":
		at := rng.IntN(len(d))
		for k := at; k < min(len(d), at+1+rng.IntN(8)); k++ {
			d[k] = byte(rng.Uint32())
		}
	case "a lie in the header":
		lie(rng, d, header(d, rng))
	case "a lie in the metadata":
		lie(rng, d, metadata(d, rng))
	case "a piece gone":
		from, to := piece(d)
		d = slices.Delete(d, from, to)
	case "a piece twice":
		from, to := piece(d)
		d = slices.Insert(d, rng.IntN(len(d)), d[from:to]...)
	case "a piece of another file":
		if len(other) > 0 {
			from, to := piece(other)
			copy(d[rng.IntN(len(d)):], other[from:to])
		}
	}
	if rng.IntN(4) > 0 {
		mendPNG(d) // or few lies would get past the checksums
	}
	return d, way
}

// lies are numbers that go wrong: none, one, the ends of their types, and large
// ones that a picture may well have.
var lies = []uint32{0, 1, 2, 0x7f, 0xff, 0x7fff, 0x8000, 0xffff, 14000, 60000, 1 << 20, 0x7fffffff, 0x80000000, 0xfffffffe, 0xffffffff}

// lie writes one to three such numbers into a part of a file.
func lie(rng *rand.Rand, d []byte, part [2]int) {
	for range 1 + rng.IntN(3) {
		n := part[1] - part[0]
		if n < 4 {
			return
		}
		at, v := part[0]+rng.IntN(n-3), lies[rng.IntN(len(lies))]
		var order binary.ByteOrder = binary.BigEndian
		if rng.IntN(2) == 0 {
			order = binary.LittleEndian
		}
		switch rng.IntN(3) {
		case 0:
			d[at] = byte(v)
		case 1:
			order.PutUint16(d[at:], uint16(v))
		default:
			order.PutUint32(d[at:], v)
		}
	}
}

// header is where a file's sizes stand.
func header(d []byte, rng *rand.Rand) [2]int {
	whole := [2]int{0, min(len(d), 120)}
	var marks [][]byte
	switch {
	case bytes.HasPrefix(d, []byte{0xff, 0xd8}):
		marks = [][]byte{{0xff, 0xc0}, {0xff, 0xc2}, {0xff, 0xc9}, {0xff, 0xc4}, {0xff, 0xdb}, {0xff, 0xda}}
	case bytes.HasPrefix(d, []byte("\x89PNG")):
		marks = [][]byte{[]byte("IHDR")}
	case len(d) > 12 && string(d[4:8]) == "ftyp":
		marks = [][]byte{[]byte("ispe"), []byte("iloc"), []byte("hvcC"), []byte("ipma"), []byte("iinf"), []byte("meta"), []byte("irot"), []byte("colr")}
	case bytes.HasPrefix(d, []byte("II*\x00")) || bytes.HasPrefix(d, []byte("MM\x00*")):
		return tiffPart(d, 0)
	}
	if len(marks) == 0 || rng.IntN(6) == 0 {
		return whole
	}
	at := bytes.Index(d, marks[rng.IntN(len(marks))])
	if at < 0 {
		return whole
	}
	return [2]int{at + 2, min(len(d), at+40)}
}

// metadata is where a file's EXIF block or colour profile stands; its header where
// it has neither.
func metadata(d []byte, rng *rand.Rand) [2]int {
	for _, m := range []string{"Exif\x00\x00", "ICC_PROFILE\x00", "acsp", "EXIF", "iCCP", "eXIf"} {
		at := bytes.Index(d, []byte(m))
		if at < 0 || rng.IntN(3) == 0 {
			continue
		}
		at += len(m)
		if p := tiffPart(d, at); p[1] > p[0] && m[0] == 'E' && rng.IntN(2) == 0 {
			return p
		}
		return [2]int{at, min(len(d), at+200)}
	}
	return header(d, rng)
}

// tiffPart is the first directory of the TIFF file that begins at a place; empty
// where there is none.
func tiffPart(d []byte, at int) [2]int {
	if len(d) < at+8 {
		return [2]int{}
	}
	var order binary.ByteOrder = binary.LittleEndian
	if d[at] == 'M' {
		order = binary.BigEndian
	}
	off := uint64(order.Uint32(d[at+4:])) + uint64(at)
	if off+2 > uint64(len(d)) {
		return [2]int{at, min(len(d), at+120)}
	}
	n := uint64(order.Uint16(d[off:]))
	return [2]int{int(off), int(min(uint64(len(d)), off+2+12*n+4))}
}

// mendPNG makes the checksums of a PNG's chunks right again, as far as the chunks
// can still be followed (W3C PNG, third edition, 5.3).
func mendPNG(d []byte) {
	if !bytes.HasPrefix(d, []byte("\x89PNG\r\n\x1a\n")) {
		return
	}
	for off := 8; off+12 <= len(d); {
		n := int(binary.BigEndian.Uint32(d[off:]))
		if n < 0 || n > len(d)-off-12 {
			return
		}
		binary.BigEndian.PutUint32(d[off+8+n:], crc32.ChecksumIEEE(d[off+4:off+8+n]))
		off += 12 + n
	}
}
