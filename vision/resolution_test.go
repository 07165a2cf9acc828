package vision

import (
	"encoding/binary"
	"testing"
)

// Headers made by hand after ITU-T T.871 (JFIF) and the W3C's PNG
// specification: 11811 pixels to the metre are 300 to the inch.
func TestFileResolution(t *testing.T) {
	jfif := func(unit byte, x, y uint16) []byte {
		b := []byte{0xFF, 0xD8, 0xFF, 0xE0, 0, 16, 'J', 'F', 'I', 'F', 0, 1, 2, unit}
		b = binary.BigEndian.AppendUint16(binary.BigEndian.AppendUint16(b, x), y)
		return append(b, 0, 0, 0xFF, 0xDB)
	}
	phys := func(unit byte, x, y uint32) []byte {
		b := append([]byte("\x89PNG\r\n\x1a\n"), 0, 0, 0, 13, 'I', 'H', 'D', 'R', 0, 0, 0, 1, 0, 0, 0, 1, 8, 0, 0, 0, 0, 1, 2, 3, 4, 0, 0, 0, 9, 'p', 'H', 'Y', 's')
		b = binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(b, x), y)
		return append(b, unit, 9, 9, 9, 9)
	}
	for name, c := range map[string]struct {
		data []byte
		want float64
	}{
		"JFIF, inches":                {jfif(1, 300, 300), 300},
		"JFIF, centimetres":           {jfif(2, 100, 100), 254},
		"JFIF, an aspect ratio only":  {jfif(0, 300, 300), 0},
		"JFIF, a camera's 72":         {jfif(1, 72, 72), 0},
		"JFIF, a screen's 96":         {jfif(1, 96, 96), 0},
		"JFIF, not the same both way": {jfif(1, 300, 600), 0},
		"JFIF, beyond any scanner":    {jfif(1, 65535, 65535), 0},
		"JPEG without":                {[]byte{0xFF, 0xD8, 0xFF, 0xDB, 0, 3, 0}, 0},
		"JFIF cut short":              {jfif(1, 300, 300)[:13], 0},
		"PNG":                         {phys(1, 11811, 11811), 300},
		"PNG without a unit":          {phys(0, 11811, 11811), 0},
		"PNG cut short":               {phys(1, 11811, 11811)[:40], 0},
		"nothing":                     {nil, 0},
	} {
		if got := fileDPI(c.data); got != c.want {
			t.Errorf("%s: %g, want %g", name, got, c.want)
		}
	}
}
