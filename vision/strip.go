package vision

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"slices"
)

// ErrCannotStrip is for photos in formats whose metadata Strip can't take out.
var ErrCannotStrip = errors.New("only JPEG and PNG files can be rid of what the camera wrote into them")

// Strip returns a JPEG or PNG file without its metadata, to be given away: place,
// maker's notes, serial numbers, names, thumbnails, captions, and whatever lies
// behind the picture (further pictures, clips). The compressed picture is copied
// bit for bit, so are its colour profile and size; of the metadata only what
// measuring needs stays: orientation, camera, focal length, time taken, colour
// space. A file with nothing to take out is returned as it is; the result is the
// same for the same file, and stripping it again changes nothing.
func Strip(data []byte) ([]byte, error) {
	k := sniff(data)
	if k != kindJPEG && k != kindPNG {
		return nil, ErrCannotStrip
	}
	exif := smallExif(readMeta(k, data, head{}))
	if k == kindPNG {
		return stripPNG(data, exif)
	}
	return stripJPEG(data, exif)
}

// smallExif is a TIFF block (CIPA DC-008, 4.6) with the fields of meta; nil
// where there are none.
func smallExif(m Meta) []byte {
	type field struct {
		tag  uint16
		text string
		v    uint16
	}
	var main, shot []field
	if m.CameraMake != "" {
		main = append(main, field{tag: 0x010f, text: m.CameraMake})
	}
	if m.CameraModel != "" {
		main = append(main, field{tag: 0x0110, text: m.CameraModel})
	}
	if m.Orientation != 1 {
		main = append(main, field{tag: 0x0112, v: uint16(m.Orientation)})
	}
	if t := m.TakenISO; t != "" {
		shot = append(shot, field{tag: 0x9003, text: t[:4] + ":" + t[5:7] + ":" + t[8:10] + " " + t[11:]})
	}
	if m.colourSpace != 0 {
		shot = append(shot, field{tag: 0xa001, v: uint16(m.colourSpace)})
	}
	if m.Focal35MM > 0 {
		shot = append(shot, field{tag: 0xa405, v: uint16(m.Focal35MM + 0.5)})
	}
	interop := m.interop == "R03" || m.interop == "R98"
	if len(main)+len(shot) == 0 && !interop {
		return nil
	}
	be := binary.BigEndian
	b := be.AppendUint32([]byte("MM\x00*"), 8)
	// directory appends the fields, then pointers (tag to 0) to be filled in.
	directory := func(fields []field, pointers ...uint16) (at []int) {
		n := len(fields) + len(pointers)
		start := len(b)
		after := start + 2 + 12*n + 4
		b = be.AppendUint16(b, uint16(n))
		var texts []byte
		type entry struct {
			tag uint16
			b   []byte
		}
		var entries []entry
		for _, f := range fields {
			e := be.AppendUint16(nil, f.tag)
			if f.text == "" {
				e = be.AppendUint32(be.AppendUint16(e, 3), 1)
				e = append(be.AppendUint16(e, f.v), 0, 0)
			} else {
				text := append([]byte(f.text), 0)
				e = be.AppendUint32(be.AppendUint16(e, 2), uint32(len(text)))
				if len(text) <= 4 {
					e = append(e, append(text, 0, 0, 0)[:4]...)
				} else {
					e = be.AppendUint32(e, uint32(after+len(texts)))
					texts = append(texts, text...)
					if len(texts)%2 == 1 {
						texts = append(texts, 0)
					}
				}
			}
			entries = append(entries, entry{f.tag, e})
		}
		for _, p := range pointers {
			entries = append(entries, entry{p, append(be.AppendUint32(be.AppendUint16(be.AppendUint16(nil, p), 4), 1), 0, 0, 0, 0)})
		}
		slices.SortStableFunc(entries, func(a, b entry) int { return int(a.tag) - int(b.tag) })
		for _, e := range entries {
			for _, p := range pointers {
				if e.tag == p {
					at = append(at, len(b)+8)
				}
			}
			b = append(b, e.b...)
		}
		b = append(be.AppendUint32(b, 0), texts...)
		return at
	}
	if len(shot) == 0 && !interop {
		directory(main)
		return b
	}
	at := directory(main, 0x8769)
	be.PutUint32(b[at[0]:], uint32(len(b)))
	if !interop {
		directory(shot)
		return b
	}
	at = directory(shot, 0xa005)
	be.PutUint32(b[at[0]:], uint32(len(b)))
	directory([]field{{tag: 1, text: m.interop}})
	return b
}

func stripJPEG(b, exif []byte) ([]byte, error) {
	out := append([]byte(nil), b[:2]...)
	segment := func(marker byte, body []byte) {
		out = binary.BigEndian.AppendUint16(append(out, 0xff, marker), uint16(len(body)+2))
		out = append(out, body...)
	}
	exifDone := exif == nil
	putExif := func() {
		if !exifDone {
			exifDone = true
			segment(0xe1, append([]byte("Exif\x00\x00"), exif...))
		}
	}
	for off := 2; off+2 <= len(b); {
		if b[off] != 0xff {
			return nil, errors.New("a marker is missing")
		}
		marker := b[off+1]
		switch {
		case marker == 0xff:
			off++
			continue
		case marker == 0xd9: // the end; nothing behind it is taken along
			return append(out, 0xff, 0xd9), nil
		case marker == 1 || marker >= 0xd0 && marker <= 0xd7:
			out = append(out, 0xff, marker)
			off += 2
			continue
		}
		if off+4 > len(b) {
			return nil, errNoEnd
		}
		n := int(binary.BigEndian.Uint16(b[off+2:]))
		if n < 2 || off+2+n > len(b) {
			return nil, errNoEnd
		}
		body := b[off+4 : off+2+n]
		off += 2 + n
		switch {
		case marker == 0xe0 && bytes.HasPrefix(body, []byte("JFIF\x00")) && len(body) >= 14:
			// Without the thumbnail that may follow.
			segment(marker, append(append([]byte(nil), body[:12]...), 0, 0))
			putExif()
		case marker == 0xe2 && bytes.HasPrefix(body, []byte("ICC_PROFILE\x00")),
			marker == 0xee && bytes.HasPrefix(body, []byte("Adobe")) && len(body) == 12:
			putExif()
			segment(marker, body)
		case marker >= 0xe0 && marker <= 0xef, marker == 0xfe:
			// Metadata and comments.
		default:
			putExif()
			segment(marker, body)
		}
		if marker != 0xda {
			continue
		}
		// Entropy-coded data: to the next marker that is neither a stuffed
		// zero nor a restart (ITU-T T.81, B.1.1.5).
		end := off
		for end+1 < len(b) && (b[end] != 0xff || b[end+1] == 0 || b[end+1] >= 0xd0 && b[end+1] <= 0xd7) {
			end++
		}
		out = append(out, b[off:end]...)
		off = end
	}
	return nil, errNoEnd
}

func stripPNG(b, exif []byte) ([]byte, error) {
	out := append([]byte(nil), b[:8]...)
	for off := 8; off+12 <= len(b); {
		n := int(binary.BigEndian.Uint32(b[off:]))
		if n < 0 || n > len(b)-off-12 {
			return nil, errNoEnd
		}
		name := string(b[off+4 : off+8])
		switch name {
		case "IHDR", "PLTE", "IDAT", "IEND", "tRNS", "cHRM", "gAMA", "iCCP", "sRGB", "cICP", "sBIT", "bKGD", "pHYs":
			out = append(out, b[off:off+12+n]...)
		}
		if name == "IHDR" && exif != nil {
			out = binary.BigEndian.AppendUint32(out, uint32(len(exif)))
			at := len(out)
			out = append(append(out, "eXIf"...), exif...)
			out = binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(out[at:]))
		}
		if name == "IEND" {
			return out, nil
		}
		off += 12 + n
	}
	return nil, errNoEnd
}
