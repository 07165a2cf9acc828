package vision

import (
	"bytes"
	"encoding/binary"
	"math"
)

// What a file may say of its resolution, dots to the inch: scanners are set to
// 100 and more, while 72 and 96 stand in files that nobody gave one.
const leastFileDPI, mostFileDPI = 100, 4800

// fileDPI is the resolution that a JPEG's JFIF header (ITU-T T.871, 10.1) or a
// PNG's pHYs chunk (W3C PNG, 11.3.5.3) states, dots to the inch; 0 where it
// states none, or one that can't be a scan's.
func fileDPI(data []byte) float64 {
	switch {
	case bytes.HasPrefix(data, []byte{0xFF, 0xD8}):
		// JFIF's segment comes first, where there is one; some writers put EXIF's
		// before it.
		for at := 2; at+4 <= len(data) && data[at] == 0xFF && data[at+1] >= 0xE0 && data[at+1] <= 0xEF; {
			n := int(binary.BigEndian.Uint16(data[at+2:]))
			if n < 2 || at+2+n > len(data) {
				return 0
			}
			if s := data[at+4 : at+2+n]; bytes.HasPrefix(s, []byte("JFIF\x00")) && len(s) >= 12 {
				x, y := float64(binary.BigEndian.Uint16(s[8:])), float64(binary.BigEndian.Uint16(s[10:]))
				switch s[7] {
				case 1:
					return credibleDPI(x, y)
				case 2:
					return credibleDPI(2.54*x, 2.54*y)
				}
				return 0
			}
			at += 2 + n
		}
	case bytes.HasPrefix(data, []byte("\x89PNG\r\n\x1a\n")):
		for at := 8; at+12 <= len(data); {
			n := uint64(binary.BigEndian.Uint32(data[at:]))
			kind := string(data[at+4 : at+8])
			if kind == "IDAT" || n > uint64(len(data)-at-12) {
				return 0
			}
			if b := data[at+8:]; kind == "pHYs" && n == 9 && b[8] == 1 {
				return credibleDPI(math.Round(0.0254*float64(binary.BigEndian.Uint32(b))*100)/100, math.Round(0.0254*float64(binary.BigEndian.Uint32(b[4:]))*100)/100)
			}
			at += 12 + int(n)
		}
	}
	return 0
}

// credibleDPI is a resolution that is the same both ways and could be a scan's;
// else 0.
func credibleDPI(x, y float64) float64 {
	if x != y || !(x >= leastFileDPI && x <= mostFileDPI) {
		return 0
	}
	return x
}
