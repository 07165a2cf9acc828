package vision

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// segments calls f with each segment of a JPEG before its picture (ITU-T T.81,
// B.1.1.4), until f says to stop.
func segments(b []byte, f func(marker byte, body []byte) (more bool)) {
	for off := 2; off+4 <= len(b); {
		if b[off] != 0xff {
			return
		}
		marker := b[off+1]
		if marker == 0xff {
			off++
			continue
		}
		n := int(binary.BigEndian.Uint16(b[off+2:]))
		if n < 2 || off+2+n > len(b) || marker == 0xd9 || !f(marker, b[off+4:off+2+n]) || marker == 0xda {
			return
		}
		off += 2 + n
	}
}

// jpegFrame is what a JPEG's frame header says (ITU-T T.81, B.2.2).
type jpegFrame struct {
	process    byte // 0 baseline, 1 extended, 2 progressive, 9 and 10 the same with arithmetic coding, ...
	bits       int
	w, h       int
	components int
}

func readFrame(b []byte) (f jpegFrame, ok bool) {
	segments(b, func(marker byte, body []byte) bool {
		if marker < 0xc0 || marker > 0xcf || marker == 0xc4 || marker == 0xc8 || marker == 0xcc {
			return true
		}
		if len(body) >= 6 {
			f = jpegFrame{marker - 0xc0, int(body[0]), int(binary.BigEndian.Uint16(body[3:])), int(binary.BigEndian.Uint16(body[1:])), int(body[5])}
			ok = true
		}
		return false
	})
	return f, ok
}

// jpegICC puts the profile's pieces together (ICC.1:2022, B.4); nil where one is
// missing.
func jpegICC(b []byte) []byte {
	const mark = "ICC_PROFILE\x00"
	var parts [256][]byte
	count := -1
	segments(b, func(marker byte, body []byte) bool {
		if marker == 0xe2 && bytes.HasPrefix(body, []byte(mark)) && len(body) >= len(mark)+2 {
			i, n := int(body[len(mark)]), int(body[len(mark)+1])
			if count < 0 {
				count = n
			}
			parts[i] = body[len(mark)+2:]
		}
		return true
	})
	var out []byte
	for i := 1; i <= count; i++ {
		if parts[i] == nil {
			return nil
		}
		out = append(out, parts[i]...)
	}
	return out
}

// mostScans is how many scans a progressive JPEG may have: encoders write ten or
// so, a hostile file thousands, each as long to decode as the picture.
const mostScans = 100

func jpegHead(b []byte) (h head, err error) {
	f, ok := readFrame(b)
	if !ok {
		return h, errors.New("no frame header")
	}
	h.w, h.h, h.bits = f.w, f.h, f.bits
	anew := "open it in a photo program and save it anew, as a usual JPEG"
	switch f.process {
	case 0, 1, 2, 9, 10:
	case 3, 11:
		return h, &refusal{"this is a lossless JPEG, as scanners and raw converters write", anew}
	default:
		return h, &refusal{"this is a JPEG of a rare kind (hierarchical)", anew}
	}
	switch {
	case f.bits != 8:
		return h, &refusal{fmt.Sprintf("the JPEG has %d bits a channel, which is rare", f.bits), anew}
	case f.components == 4:
		return h, &refusal{"the JPEG is in printing colours (CMYK)", "save it as RGB: printing colours can't be turned back into what the camera saw"}
	case f.components != 1 && f.components != 3:
		return h, &refusal{fmt.Sprintf("the JPEG has %d colour channels", f.components), anew}
	}
	if (f.process == 2 || f.process == 10) && bytes.Count(b, []byte{0xff, 0xda}) > mostScans {
		return h, &refusal{"the JPEG is cut into an absurd number of scans", anew}
	}
	h.grey = f.components == 1
	h.icc = jpegICC(b)
	return h, nil
}

// chunks calls f with each chunk of a PNG before its picture.
func chunks(b []byte, f func(name string, body []byte)) {
	for off := 8; off+12 <= len(b); {
		n := int(binary.BigEndian.Uint32(b[off:]))
		name := string(b[off+4 : off+8])
		if n < 0 || n > len(b)-off-12 || name == "IDAT" || name == "IEND" {
			return
		}
		f(name, b[off+8:off+8+n])
		off += 12 + n
	}
}

// pngColour is what a PNG says of its colours, in the order in which it counts
// (Portable Network Graphics, third edition, 4.3): code points, profile, sRGB,
// gamma with chromaticities.
type pngColour struct {
	cicp      []byte
	srgb      bool
	gamma     float64 // of the file, 0 when absent
	primaries *[4][2]float64
}

func pngHead(b []byte) (h head, err error) {
	if len(b) < 33 {
		return h, errNoEnd
	}
	h.w, h.h, h.bits = int(binary.BigEndian.Uint32(b[16:])), int(binary.BigEndian.Uint32(b[20:])), int(b[24])
	h.grey = b[25] == 0 || b[25] == 4
	h.alpha = pngHasAlpha(b)
	var c pngColour
	chunks(b, func(name string, body []byte) {
		switch name {
		case "cICP":
			if len(body) == 4 {
				c.cicp = body
			}
		case "iCCP":
			if _, z, ok := bytes.Cut(body, []byte{0}); ok && len(z) > 1 && z[0] == 0 {
				if r, err := zlib.NewReader(bytes.NewReader(z[1:])); err == nil {
					h.icc, _ = io.ReadAll(io.LimitReader(r, 16<<20))
				}
			}
		case "sRGB":
			c.srgb = true
		case "gAMA":
			if len(body) == 4 {
				c.gamma = float64(binary.BigEndian.Uint32(body)) / 100000
			}
		case "cHRM":
			if len(body) == 32 {
				var v [8]float64
				for i := range v {
					v[i] = float64(binary.BigEndian.Uint32(body[4*i:])) / 100000
				}
				c.primaries = &[4][2]float64{{v[2], v[3]}, {v[4], v[5]}, {v[6], v[7]}, {v[0], v[1]}}
			}
		}
	})
	h.detail = c
	channels := 1
	switch b[25] {
	case 2:
		channels = 3
	case 4:
		channels = 2
	case 6:
		channels = 4
	}
	return h, tooSmall(h.w, h.h, channels*h.bits, uint64(len(b)), true)
}

// webpHead reads a WebP's chunks (RFC 9649).
func webpHead(b []byte) (h head, err error) {
	h.bits = 8
	end := int(min(int64(len(b))+1, 8+int64(binary.LittleEndian.Uint32(b[4:]))))
	if end > len(b) {
		return h, errNoEnd
	}
	canvas, picture := false, false
	for off := 12; off+8 <= end; {
		name, n := string(b[off:off+4]), int64(binary.LittleEndian.Uint32(b[off+4:]))
		if n > int64(end-off-8) {
			return h, errNoEnd
		}
		body := b[off+8 : off+8+int(n)]
		switch name {
		case "VP8X":
			if len(body) < 10 {
				return h, errNoEnd
			}
			if body[0]&2 != 0 {
				return h, &refusal{"this is an animated WebP", "save one picture of it as a photo"}
			}
			h.alpha = body[0]&16 != 0
			three := func(b []byte) int { return 1 + int(b[0]) + int(b[1])<<8 + int(b[2])<<16 }
			h.w, h.h, canvas = three(body[4:]), three(body[7:]), true
		case "ICCP":
			h.icc = body
		case "EXIF":
			// Some writers keep the mark that stands before it in a JPEG.
			h.exif = bytes.TrimPrefix(body, []byte("Exif\x00\x00"))
		case "VP8 ":
			if len(body) < 10 || body[3] != 0x9d || body[4] != 0x01 || body[5] != 0x2a {
				return h, errors.New("its picture does not begin as it should")
			}
			w, k := int(binary.LittleEndian.Uint16(body[6:])&0x3fff), int(binary.LittleEndian.Uint16(body[8:])&0x3fff)
			if canvas && (w != h.w || k != h.h) {
				return h, errors.New("it gives two sizes")
			}
			h.w, h.h, picture = w, k, true
		case "VP8L":
			if len(body) < 5 || body[0] != 0x2f {
				return h, errors.New("its picture does not begin as it should")
			}
			v := binary.LittleEndian.Uint32(body[1:])
			w, k := int(v&0x3fff)+1, int(v>>14&0x3fff)+1
			if canvas && (w != h.w || k != h.h) {
				return h, errors.New("it gives two sizes")
			}
			h.w, h.h, picture = w, k, true
			h.alpha = h.alpha || v>>28&1 == 1
		}
		off += 8 + int(n) + int(n&1)
	}
	if !picture {
		return h, errNoEnd
	}
	return h, nil
}

func bmpHead(b []byte) (h head, err error) {
	if len(b) < 54 {
		return h, errNoEnd
	}
	h.w, h.h = int(int32(binary.LittleEndian.Uint32(b[18:]))), int(int32(binary.LittleEndian.Uint32(b[22:])))
	if h.h < 0 && h.h > -1<<31 {
		h.h = -h.h
	}
	h.bits = 8
	bpp := int(binary.LittleEndian.Uint16(b[28:]))
	if h.w > 0 && h.h > 0 && tooSmall(min(h.w, 1<<24), min(h.h, 1<<24), bpp, uint64(len(b)), false) != nil {
		return h, errNoEnd
	}
	return h, nil
}
