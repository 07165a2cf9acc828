package vision

import (
	"encoding/binary"
	"path/filepath"
	"strings"
)

// kind is a file format, by its content.
type kind struct {
	name string
	read bool   // Tawsight reads it
	why  string // where it doesn't: what to do instead
}

var (
	kindJPEG = &kind{name: "JPEG", read: true}
	kindPNG  = &kind{name: "PNG", read: true}
	kindHEIC = &kind{name: "HEIC", read: true}
	kindWebP = &kind{name: "WebP", read: true}
	kindTIFF = &kind{name: "TIFF", read: true}
	kindBMP  = &kind{name: "BMP", read: true}
	kindAVIF = &kind{name: "AVIF", why: "export it as JPEG"}
	kindGIF  = &kind{name: "GIF", why: "give the photo it was made from: a GIF keeps 256 colours at most, too few to measure by"}
	kindPDF  = &kind{name: "PDF", why: "export the photos in it as JPEG or TIFF"}
	kindRaw  = &kind{name: "camera raw", why: "export it as JPEG or TIFF with the camera maker's program or any raw converter"}
)

// Readable names the formats that Open reads, for messages and help.
const Readable = "JPEG, HEIC, PNG, TIFF, WebP or BMP"

// sniff tells the file format by its first bytes, nil when unknown. Camera raw
// files come under many marks; those that are TIFF files inside are told by
// their directories.
func sniff(b []byte) *kind {
	has := func(off int, s string) bool { return len(b) >= off+len(s) && string(b[off:off+len(s)]) == s }
	switch {
	case has(0, "\xff\xd8\xff"):
		return kindJPEG
	case has(0, "\x89PNG\r\n\x1a\n"):
		return kindPNG
	case has(0, "GIF8"):
		return kindGIF
	case has(0, "II*\x00") && (has(8, "CR\x02") || has(8, "CR\x03")),
		has(0, "IIRO"), has(0, "IIRS"), has(0, "MMOR"), has(0, "IIU\x00"),
		has(0, "FUJIFILMCCD-RAW"), has(4, "ftypcrx "), has(0, "FOVb"), has(0, "\x00MRM"), has(6, "HEAPCCDR"):
		return kindRaw
	case has(0, "II*\x00"), has(0, "MM\x00*"):
		if rawDirectories(b) {
			return kindRaw
		}
		return kindTIFF
	case has(0, "RIFF") && has(8, "WEBP"):
		return kindWebP
	case has(4, "ftyp"):
		return sniffBrands(b)
	case has(0, "%PDF"):
		return kindPDF
	case has(0, "BM") && len(b) >= 18 && binary.LittleEndian.Uint32(b[14:]) >= 12 && binary.LittleEndian.Uint32(b[14:]) <= 200, has(0, "BM......"):
		return kindBMP
	}
	return nil
}

// sniffBrands tells pictures among the files that begin with brands (ISO/IEC
// 14496-12, 4.3).
func sniffBrands(b []byte) *kind {
	n := min(len(b), int(min(4096, binary.BigEndian.Uint32(b))))
	found := (*kind)(nil)
	for i := 8; i+4 <= n; i += 4 {
		switch string(b[i : i+4]) {
		case "avif", "avis":
			return kindAVIF
		case "heic", "heix", "heim", "heis", "hevc", "hevx", "mif1", "mif2", "msf1":
			found = kindHEIC
		}
	}
	return found
}

// rawNames are the endings of camera raw files.
var rawNames = map[string]bool{
	".dng": true, ".cr2": true, ".cr3": true, ".crw": true, ".nef": true, ".nrw": true, ".arw": true, ".srf": true,
	".sr2": true, ".raf": true, ".orf": true, ".rw2": true, ".rwl": true, ".pef": true, ".srw": true, ".3fr": true,
	".fff": true, ".iiq": true, ".x3f": true, ".mrw": true, ".dcr": true, ".kdc": true, ".erf": true, ".mef": true, ".mos": true,
}

// IsPhotoName says whether a file in a folder should be taken for a photo: by
// its ending, so that notes and truth files beside photos are passed over.
// Formats that can't be read count, so that they are named, not skipped in
// silence.
func IsPhotoName(name string) bool {
	ext := strings.ToLower(filepath.Ext(name))
	switch ext {
	case ".jpg", ".jpeg", ".jpe", ".jfif", ".mpo", ".png", ".heic", ".heif", ".hif", ".webp", ".tif", ".tiff", ".bmp", ".gif", ".avif":
		return true
	}
	return rawNames[ext]
}
