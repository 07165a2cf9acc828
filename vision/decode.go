// Package vision turns a file into pixels and pixels into marbles: it decodes
// photos, finds marbles on neutral paper, refines their outlines to sub-pixel
// and cuts out each marble's face for package features.
//
// Pixel coordinates everywhere: pixel centres at whole numbers, origin the
// centre of the top-left pixel, after the EXIF orientation has been applied.
// OpenCV matrices stay inside this package and calib.
package vision

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	"image/color"
	_ "image/jpeg" // for image.DecodeConfig
	_ "image/png"  // for image.DecodeConfig
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"gocv.io/x/gocv"
)

// Limits on what is decoded. OpenCV is C++ and allocates what a header asks
// for, so the header is read in Go first.
const (
	// MaxPixels refuses larger pictures. The largest phone cameras give 200
	// megapixels; past that a header is more likely to lie than to be true.
	MaxPixels = 220_000_000
	// MaxFileBytes refuses larger files before they are read into memory.
	MaxFileBytes = 400 << 20
)

// Photo is one decoded picture, upright. Close it when done.
type Photo struct {
	Path   string
	SHA256 string
	Meta   Meta
	Width  int // px, upright
	Height int // px, upright
	// Compression is how hard the file was squeezed; zero for a PNG.
	Compression Compression

	bgr   gocv.Mat // CV_8UC3 or CV_16UC3, upright
	sixty bool     // bgr has 16 bits a channel
}

// ReadError says why a file could not be read as a photo, and what to do.
type ReadError struct {
	Path   string
	What   string // what happened
	Advice string // what to do about it
	Err    error  // the cause, may be nil
}

func (e *ReadError) Error() string {
	s := fmt.Sprintf("%s: %s", e.Path, e.What)
	if e.Advice != "" {
		s += "; " + e.Advice
	}
	return s
}

func (e *ReadError) Unwrap() error { return e.Err }

// Reason is the message without the path.
func (e *ReadError) Reason() string {
	if e.Advice == "" {
		return e.What
	}
	return e.What + "; " + e.Advice
}

// Open reads and decodes a JPEG or PNG (8 or 16 bit; grey and alpha too, alpha
// laid over white paper), applying the EXIF orientation once. Every failure is
// a *ReadError.
func Open(path string) (*Photo, error) {
	fail := func(err error, what, advice string) (*Photo, error) {
		return nil, &ReadError{Path: path, What: what, Advice: advice, Err: err}
	}
	info, err := os.Stat(path)
	if err != nil {
		return fail(err, plainOSError(err), "check that the file is there and that you may read it")
	}
	if info.IsDir() {
		return fail(nil, "is a folder, not a photo", "name the photos inside it, or the folder alone")
	}
	if info.Size() == 0 {
		return fail(nil, "the file is empty (0 bytes)", "copy it again from the camera or phone")
	}
	if info.Size() > MaxFileBytes {
		return fail(nil, fmt.Sprintf("the file is %d MB, past the limit of %d MB", info.Size()>>20, int64(MaxFileBytes)>>20), "export it as a JPEG")
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return fail(err, plainOSError(err), "check that you may read the file")
	}
	p, rerr := Decode(path, data)
	if rerr != nil {
		return nil, rerr
	}
	return p, nil
}

func plainOSError(err error) string {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "there is no such file"
	case errors.Is(err, fs.ErrPermission):
		return "the file may not be read (permission denied)"
	}
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return "the file can't be read: " + pe.Err.Error()
	}
	return "the file can't be read: " + err.Error()
}

// Decode is Open for bytes already in memory; path is used in messages only.
// The error is a *ReadError (or nil).
func Decode(path string, data []byte) (*Photo, error) {
	fail := func(err error, what, advice string) (*Photo, error) {
		return nil, &ReadError{Path: path, What: what, Advice: advice, Err: err}
	}
	kind := sniff(data)
	switch kind {
	case "jpeg", "png":
	case "":
		return fail(nil, "this is not a picture file that Tawsight knows", "give it JPEG or PNG files")
	default:
		return fail(nil, "this is a "+kind+" file, which Tawsight can't read yet", "export it as JPEG or PNG")
	}
	cfg, _, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return fail(err, "the "+kind+" header is damaged ("+err.Error()+")", "copy the file again, or open it in a photo program and save it anew")
	}
	if cfg.Width < 1 || cfg.Height < 1 {
		return fail(nil, fmt.Sprintf("the header says %d x %d pixels", cfg.Width, cfg.Height), "copy the file again")
	}
	if cfg.Width*cfg.Height > MaxPixels {
		return fail(nil, fmt.Sprintf("the header says %d x %d pixels, past the limit of %d megapixels", cfg.Width, cfg.Height, MaxPixels/1_000_000),
			"save it smaller: 12 megapixels are plenty")
	}
	if cfg.ColorModel == color.CMYKModel {
		return fail(nil, "the JPEG is in printing colours (CMYK)", "save it as RGB: printing colours can't be turned back into what the camera saw")
	}
	if err := checkWhole(kind, data); err != nil {
		return fail(err, "the file is cut short or damaged ("+err.Error()+")", "copy it again from the camera or phone")
	}
	meta := readMeta(kind, data)

	flags := gocv.IMReadAnyDepth | gocv.IMReadColor | gocv.IMReadIgnoreOrientation
	alpha := kind == "png" && pngHasAlpha(data)
	if alpha {
		flags = gocv.IMReadUnchanged
	}
	m, err := gocv.IMDecode(data, flags)
	if err != nil || m.Empty() {
		if err == nil {
			m.Close()
		}
		return fail(err, "the picture could not be decoded", "open it in a photo program and save it anew")
	}
	if alpha {
		if key, ok := pngGreyKey(data); ok {
			whiten(m, key)
		}
		m = overWhite(m)
	}
	if t := m.Type(); t != gocv.MatTypeCV8UC3 && t != gocv.MatTypeCV16UC3 {
		m.Close()
		return fail(nil, fmt.Sprintf("the picture has an unusual pixel type (%v)", t), "save it as an 8 or 16 bit RGB file")
	}
	upright(&m, meta.Orientation)
	sum := sha256.Sum256(data)
	var squeezed Compression
	if kind == "jpeg" {
		squeezed = readCompression(data)
	}
	return &Photo{
		Compression: squeezed,
		Path:        path, SHA256: hex.EncodeToString(sum[:]), Meta: meta,
		Width: m.Cols(), Height: m.Rows(),
		bgr: m, sixty: m.Type() == gocv.MatTypeCV16UC3,
	}, nil
}

// Close frees the pixels. It may be called more than once.
func (p *Photo) Close() {
	if p != nil && p.bgr.Ptr() != nil {
		p.bgr.Close()
	}
}

// SixteenBit says whether the photo has 16 bits a channel.
func (p *Photo) SixteenBit() bool { return p.sixty }

// Mat lends the upright pixels (CV_8UC3 or CV_16UC3, BGR) to package calib.
// The photo stays the owner: don't close or write it.
func (p *Photo) Mat() gocv.Mat { return p.bgr }

// Image returns the photo as an 8-bit Go image, scaled so that its longer side
// is at most maxSide px (never enlarged), and the scale used.
func (p *Photo) Image(maxSide int) (*image.RGBA, float64) {
	small, scale := p.reduced(maxSide)
	defer small.Close()
	data, err := small.DataPtrUint8()
	if err != nil {
		return image.NewRGBA(image.Rect(0, 0, 1, 1)), scale
	}
	out := image.NewRGBA(image.Rect(0, 0, small.Cols(), small.Rows()))
	for i, j := 0, 0; i+2 < len(data); i, j = i+3, j+4 {
		out.Pix[j], out.Pix[j+1], out.Pix[j+2], out.Pix[j+3] = data[i+2], data[i+1], data[i], 255
	}
	return out, scale
}

// reduced returns an 8-bit copy whose longer side is at most maxSide, and the
// factor full * scale = reduced (in pixel sizes).
func (p *Photo) reduced(maxSide int) (gocv.Mat, float64) {
	scale := 1.0
	if long := max(p.Width, p.Height); long > maxSide {
		scale = float64(maxSide) / float64(long)
	}
	w := max(1, int(float64(p.Width)*scale+0.5))
	h := max(1, int(float64(p.Height)*scale+0.5))
	out := gocv.NewMat()
	if scale == 1 {
		p.bgr.CopyTo(&out)
	} else {
		gocv.Resize(p.bgr, &out, image.Pt(w, h), 0, 0, gocv.InterpolationArea)
	}
	if p.sixty {
		eight := gocv.NewMat()
		out.ConvertToWithParams(&eight, gocv.MatTypeCV8UC3, 1.0/257, 0)
		out.Close()
		out = eight
	}
	return out, scale
}

// sniff names the file format by its first bytes, "" when unknown.
func sniff(b []byte) string {
	has := func(off int, s string) bool { return len(b) >= off+len(s) && string(b[off:off+len(s)]) == s }
	switch {
	case has(0, "\xff\xd8\xff"):
		return "jpeg"
	case has(0, "\x89PNG\r\n\x1a\n"):
		return "png"
	case has(0, "GIF8"):
		return "GIF"
	case has(0, "BM"):
		return "BMP"
	case has(0, "II*\x00"), has(0, "MM\x00*"):
		return "TIFF or camera raw"
	case has(0, "RIFF") && has(8, "WEBP"):
		return "WebP"
	case has(4, "ftyphei"), has(4, "ftyphev"), has(4, "ftypmif1"), has(4, "ftypmsf1"):
		return "HEIC"
	case has(4, "ftypavif"):
		return "AVIF"
	case has(0, "%PDF"):
		return "PDF"
	}
	return ""
}

var errNoEnd = errors.New("its end is missing")

// checkWhole looks for what OpenCV would pass over in silence, filling the
// rest of the picture with grey: a JPEG without its end-of-image marker
// (ITU-T T.81 B.1.1.3), a PNG without IEND or with a chunk cut short (PNG,
// ISO/IEC 15948, 5.3).
func checkWhole(kind string, b []byte) error {
	if kind == "png" {
		for off := 8; ; {
			if off+12 > len(b) {
				return errNoEnd
			}
			n := int(binary.BigEndian.Uint32(b[off:]))
			if n < 0 || n > len(b)-off-12 {
				return errNoEnd
			}
			if string(b[off+4:off+8]) == "IEND" {
				return nil
			}
			off += 12 + n
		}
	}
	off := 2
	for off+4 <= len(b) {
		if b[off] != 0xff {
			return errors.New("a marker is missing")
		}
		marker := b[off+1]
		if marker == 0xff { // fill byte
			off++
			continue
		}
		if marker == 0xd9 {
			return errors.New("it holds no picture")
		}
		n := int(binary.BigEndian.Uint16(b[off+2:]))
		if n < 2 || off+2+n > len(b) {
			return errNoEnd
		}
		off += 2 + n
		if marker == 0xda { // start of scan: entropy-coded data to the end
			if bytes.Contains(b[off:], []byte{0xff, 0xd9}) {
				return nil
			}
			return errNoEnd
		}
	}
	return errNoEnd
}

func pngHasAlpha(b []byte) bool {
	if len(b) < 26 {
		return false
	}
	if t := b[25]; t == 4 || t == 6 { // colour type with alpha, ISO/IEC 15948 table 11.1
		return true
	}
	for off := 8; off+12 <= len(b); {
		n := int(binary.BigEndian.Uint32(b[off:]))
		switch string(b[off+4 : off+8]) {
		case "tRNS":
			return true
		case "IDAT", "IEND":
			return false
		}
		if n < 0 || n > len(b) {
			return false
		}
		off += 12 + n
	}
	return false
}

// pngGreyKey is the one grey that a grey PNG without an alpha channel declares
// transparent, if it does, widened to 8 bits where it has fewer (PNG, ISO/IEC
// 15948, 11.3.2.1). OpenCV passes over it.
func pngGreyKey(b []byte) (key uint16, ok bool) {
	if len(b) < 26 || b[25] != 0 {
		return 0, false
	}
	depth := int(b[24])
	for off := 8; off+12 <= len(b); {
		n := int(binary.BigEndian.Uint32(b[off:]))
		if n < 0 || n > len(b)-off-12 {
			return 0, false
		}
		switch string(b[off+4 : off+8]) {
		case "tRNS":
			if n < 2 || depth < 1 {
				return 0, false
			}
			key = binary.BigEndian.Uint16(b[off+8:])
			if depth < 8 {
				full := uint16(1)<<depth - 1
				key = key & full * (255 / full)
			}
			return key, true
		case "IDAT", "IEND":
			return 0, false
		}
		off += 12 + n
	}
	return 0, false
}

// whiten turns every pixel of value key white in a picture of one channel, 8
// or 16 bit; others are left alone.
func whiten(m gocv.Mat, key uint16) {
	switch m.Type() {
	case gocv.MatTypeCV8UC1:
		if d, err := m.DataPtrUint8(); err == nil {
			replace(d, uint8(key), 255)
		}
	case gocv.MatTypeCV16UC1:
		if d, err := m.DataPtrUint16(); err == nil {
			replace(d, key, 65535)
		}
	}
}

func replace[T comparable](s []T, old, new T) {
	for i, v := range s {
		if v == old {
			s[i] = new
		}
	}
}

// overWhite lays a picture with an alpha channel over white, and widens grey
// to three channels. It takes m over and returns its replacement.
func overWhite(m gocv.Mat) gocv.Mat {
	defer m.Close()
	out := gocv.NewMat()
	switch m.Channels() {
	case 4:
		if m.Type() != gocv.MatTypeCV8UC4 && m.Type() != gocv.MatTypeCV16UC4 {
			return out
		}
		gocv.CvtColor(m, &out, gocv.ColorBGRAToBGR)
		blend(m, &out)
	case 3:
		m.CopyTo(&out)
	case 1:
		gocv.CvtColor(m, &out, gocv.ColorGrayToBGR)
	}
	return out
}

func blend(src gocv.Mat, dst *gocv.Mat) {
	if src.Type() == gocv.MatTypeCV8UC4 {
		s, err1 := src.DataPtrUint8()
		d, err2 := dst.DataPtrUint8()
		if err1 == nil && err2 == nil {
			blendOver(s, d, uint32(255))
		}
		return
	}
	s, err1 := src.DataPtrUint16()
	d, err2 := dst.DataPtrUint16()
	if err1 == nil && err2 == nil {
		blendOver(s, d, uint32(65535))
	}
}

func blendOver[T uint8 | uint16](s, d []T, full uint32) {
	for i, j := 0, 0; i+3 < len(s) && j+2 < len(d); i, j = i+4, j+3 {
		a := uint64(s[i+3])
		for k := 0; k < 3; k++ {
			d[j+k] = T((uint64(s[i+k])*a + uint64(full)*(uint64(full)-a)) / uint64(full))
		}
	}
}

// upright applies an EXIF orientation 1..8 (CIPA DC-008, tag 0x0112) in place.
func upright(m *gocv.Mat, orientation int) {
	flip := func(code int) {
		out := gocv.NewMat()
		gocv.Flip(*m, &out, code)
		m.Close()
		*m = out
	}
	rotate := func(code gocv.RotateFlag) {
		out := gocv.NewMat()
		gocv.Rotate(*m, &out, code)
		m.Close()
		*m = out
	}
	switch orientation {
	case 2:
		flip(1)
	case 3:
		rotate(gocv.Rotate180Clockwise)
	case 4:
		flip(0)
	case 5:
		rotate(gocv.Rotate90Clockwise)
		flip(1)
	case 6:
		rotate(gocv.Rotate90Clockwise)
	case 7:
		rotate(gocv.Rotate90CounterClockwise)
		flip(1)
	case 8:
		rotate(gocv.Rotate90CounterClockwise)
	}
}

// IsPhotoName says whether a file in a folder should be taken for a photo: by
// its ending, so that notes and truth files beside photos are passed over.
// Formats that can't be read yet count, so that they are named, not skipped in
// silence.
func IsPhotoName(name string) bool {
	switch strings.ToLower(filepath.Ext(name)) {
	case ".jpg", ".jpeg", ".jpe", ".png", ".heic", ".heif", ".webp", ".tif", ".tiff", ".bmp", ".gif", ".avif":
		return true
	}
	return false
}
