package report

import (
	"encoding/base64"
	"encoding/binary"
	"hash/crc32"
)

// pngChunk is a chunk of a PNG file with its length and check sum (W3C PNG,
// third edition, 5.3).
func pngChunk(kind, data string) []byte {
	c := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	c = append(c, kind+data...)
	return binary.BigEndian.AppendUint32(c, crc32.ChecksumIEEE(c[4:]))
}

func jpegURI(data []byte) string {
	return "data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(data)
}
