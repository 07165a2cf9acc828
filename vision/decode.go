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
	"image/jpeg"
	"image/png"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"gocv.io/x/gocv"
	"golang.org/x/image/bmp"

	"tawsight/calib"
	"tawsight/internal/heif"
	"tawsight/internal/turbo"
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
	// Compression is how hard a JPEG was squeezed; zero for other files.
	Compression Compression
	// Profile names the colours that the file is in, as its profile calls
	// itself; "" for sRGB.
	Profile string
	// Notes are about the file: what of it was not read, what is in doubt.
	Notes []Note

	bgr   gocv.Mat  // sRGB, CV_8UC3 or CV_16UC3, upright
	sixty bool      // bgr has 16 bits a channel
	own   *own      // nil where the file's codes are sRGB
	half  *gocv.Mat // bgr at half its size; see reduced
	lent  bool      // another matrix may keep pixels of bgr or half beyond Close
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

// Open reads and decodes a photo: JPEG, PNG (8 or 16 bit), HEIC (8 bit), WebP
// (still), TIFF (8 or 16 bit, its first page) or BMP. Grey and alpha are taken,
// alpha laid over white; the orientation (EXIF's, TIFF's, or a HEIC's own) is
// applied once; colours come out as sRGB whatever profile the file carries, and
// beyond it where measured. Every failure is a *ReadError.
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
	k := sniff(data)
	switch {
	case rawNames[strings.ToLower(filepath.Ext(path))] && (k == kindTIFF || k == nil):
		k = kindRaw
		fallthrough
	case k != nil && !k.read:
		return fail(nil, "this is "+article(k.name)+" "+k.name+" file, which Tawsight can't read", k.why)
	case k == nil:
		return fail(nil, "this is not a picture file that Tawsight knows", "give it "+Readable+" files")
	}
	h, err := readHead(k, data)
	var no *refusal
	switch {
	case errors.As(err, &no):
		return fail(err, no.what, no.advice)
	case errors.Is(err, errNoEnd), errors.Is(err, heif.ErrShort):
		return fail(err, "the "+k.name+" file is cut short or damaged ("+errNoEnd.Error()+")", "copy it again from the camera or phone")
	case err != nil:
		return fail(err, "the "+k.name+" header is damaged ("+err.Error()+")", "copy the file again, or open it in a photo program and save it anew")
	}
	if h.w < 1 || h.h < 1 {
		return fail(nil, fmt.Sprintf("the header says %d x %d pixels", h.w, h.h), "copy the file again")
	}
	most := MaxPixels
	if k == kindHEIC {
		most = heif.MaxPixels
	}
	if h.w > most/h.h || h.w > maxSide || h.h > maxSide {
		return fail(nil, fmt.Sprintf("the header says %d x %d pixels, past the limit of %d megapixels", h.w, h.h, most/1_000_000),
			"save it smaller: 12 megapixels are plenty")
	}
	if k == kindJPEG || k == kindPNG {
		if err := checkWhole(k, data); err != nil {
			return fail(err, "the file is cut short or damaged ("+err.Error()+")", "copy it again from the camera or phone")
		}
	}
	meta := readMeta(k, data, h)
	profile, notes := profileOf(k, h, meta)
	m, err := readPixels(k, data, h)
	if err != nil {
		return fail(err, "the picture could not be decoded"+because(err), "copy the file again, or open it in a photo program and save it anew")
	}
	if t := m.Type(); t != gocv.MatTypeCV8UC3 && t != gocv.MatTypeCV16UC3 {
		m.Close()
		return fail(nil, fmt.Sprintf("the picture has an unusual pixel type (%v)", t), "save it as an 8 or 16 bit RGB file")
	}
	if k != kindHEIC { // whose decoder has turned it already
		upright(&m, meta.Orientation)
	}
	sum := sha256.Sum256(data)
	p := &Photo{
		Path: path, SHA256: hex.EncodeToString(sum[:]), Meta: meta,
		Width: m.Cols(), Height: m.Rows(), Notes: append(h.notes, notes...),
		bgr: m, sixty: m.Type() == gocv.MatTypeCV16UC3,
	}
	if k == kindJPEG {
		p.Compression = readCompression(data)
	}
	if profile != nil && !profile.SRGB {
		if err := p.toSRGB(profile); err != nil {
			p.Close()
			return fail(err, "the picture's colours could not be converted", "export it as sRGB")
		}
	}
	return p, nil
}

// maxSide keeps off OpenCV's own limit on a side (2^20), past which it gives up
// the whole program.
const maxSide = 1_000_000

func article(name string) string {
	if strings.ContainsAny(name[:1], "AH") {
		return "an"
	}
	return "a"
}

// because is a cause in a few words, where it has them.
func because(err error) string {
	if s := err.Error(); s != "" && len(s) < 120 && !strings.ContainsAny(s, "\n") {
		return " (" + s + ")"
	}
	return ""
}

// readHead reads what the file's header says, before anything is decoded.
func readHead(k *kind, data []byte) (head, error) {
	switch k {
	case kindJPEG:
		h, err := jpegHead(data)
		var no *refusal
		if f, ok := readFrame(data); ok && f.process < 3 && !errors.As(err, &no) {
			// Go's reader of headers sees more: tables, sampling.
			if _, err := jpeg.DecodeConfig(bytes.NewReader(data)); err != nil {
				return h, err
			}
		}
		return h, err
	case kindPNG:
		if _, err := png.DecodeConfig(bytes.NewReader(data)); err != nil {
			return head{}, err
		}
		return pngHead(data)
	case kindWebP:
		if len(data) < 20 {
			return head{}, errNoEnd
		}
		return webpHead(data)
	case kindTIFF:
		return tiffHead(data)
	case kindBMP:
		return bmpHead(data)
	case kindHEIC:
		info, err := heif.Inspect(data)
		if errors.Is(err, heif.ErrNotHEVC) {
			return head{}, &refusal{"this is a HEIF file whose picture is not coded as phones do (HEVC)", "export it as JPEG"}
		}
		return head{w: info.Width, h: info.Height, bits: info.Depth, icc: info.ICC, exif: info.Exif, detail: info}, err
	}
	return head{}, errors.New("no reader")
}

// readPixels decodes the picture as stored: CV_8UC3 or CV_16UC3, alpha over
// white.
func readPixels(k *kind, data []byte, h head) (gocv.Mat, error) {
	switch k {
	case kindTIFF:
		img, err := decodeTIFF(data)
		if err != nil {
			return gocv.Mat{}, err
		}
		return fromImage(img)
	case kindBMP:
		img, err := bmp.Decode(bytes.NewReader(data))
		if err != nil {
			return gocv.Mat{}, err
		}
		return fromImage(img)
	case kindHEIC:
		m := newPixels(h.h, h.w)
		d, err := m.DataPtrUint8()
		if err == nil {
			err = heif.Decode(data, h.detail.(heif.Info), d, heif.MaxTime)
		}
		if err != nil {
			m.Close()
			return gocv.Mat{}, err
		}
		return m, nil
	}
	if k == kindJPEG {
		m := newPixels(h.h, h.w)
		if d, err := m.DataPtrUint8(); err == nil && turbo.BGR(data, h.w, h.h, d) {
			return m, nil
		}
		m.Close()
	}
	flags := gocv.IMReadAnyDepth | gocv.IMReadColor | gocv.IMReadIgnoreOrientation
	if h.alpha {
		flags = gocv.IMReadUnchanged
	}
	m, err := gocv.IMDecode(data, flags)
	if err == nil && m.Empty() {
		m.Close()
		err = errors.New("")
	}
	if err != nil {
		return gocv.Mat{}, err
	}
	if h.alpha {
		if key, ok := pngGreyKey(data); ok && k == kindPNG {
			whiten(m, key)
		}
		m = overWhite(m)
	}
	if m.Cols() != h.w || m.Rows() != h.h {
		m.Close()
		return gocv.Mat{}, errors.New("its size is not what its header says")
	}
	return m, nil
}

// fromImage copies a picture that was decoded by Go, 16 bits where it has them,
// alpha over white.
func fromImage(img image.Image) (gocv.Mat, error) {
	b := img.Bounds()
	w, h := b.Dx(), b.Dy()
	t := gocv.MatTypeCV8UC3
	switch img.(type) {
	case *image.Gray16, *image.RGBA64, *image.NRGBA64:
		t = gocv.MatTypeCV16UC3
	}
	m := gocv.NewMatWithSize(h, w, t)
	px := calib.NewPixels(m)
	if px.W != w {
		m.Close()
		return gocv.Mat{}, errors.New("there is not enough memory")
	}
	over := func(v, a uint32, full uint64, straight bool) uint64 {
		if straight {
			return (uint64(v)*uint64(a) + full*(full-uint64(a))) / full
		}
		return min(full, uint64(v)+full-uint64(a))
	}
	rows(h, func(y int) {
		i := 3 * y * w
		for x := range w {
			switch s := img.(type) {
			case *image.RGBA, *image.NRGBA:
				var p []uint8
				straight := false
				if q, ok := s.(*image.RGBA); ok {
					p = q.Pix[q.PixOffset(b.Min.X+x, b.Min.Y+y):]
				} else {
					q := s.(*image.NRGBA)
					p, straight = q.Pix[q.PixOffset(b.Min.X+x, b.Min.Y+y):], true
				}
				for k := range 3 {
					px.B8[i+2-k] = uint8(over(uint32(p[k]), uint32(p[3]), 255, straight))
				}
			case *image.RGBA64, *image.NRGBA64:
				var p []uint8
				straight := false
				if q, ok := s.(*image.RGBA64); ok {
					p = q.Pix[q.PixOffset(b.Min.X+x, b.Min.Y+y):]
				} else {
					q := s.(*image.NRGBA64)
					p, straight = q.Pix[q.PixOffset(b.Min.X+x, b.Min.Y+y):], true
				}
				a := uint32(binary.BigEndian.Uint16(p[6:]))
				for k := range 3 {
					px.B16[i+2-k] = uint16(over(uint32(binary.BigEndian.Uint16(p[2*k:])), a, 65535, straight))
				}
			case *image.Gray:
				v := s.GrayAt(b.Min.X+x, b.Min.Y+y).Y
				px.B8[i], px.B8[i+1], px.B8[i+2] = v, v, v
			case *image.Gray16:
				v := s.Gray16At(b.Min.X+x, b.Min.Y+y).Y
				px.B16[i], px.B16[i+1], px.B16[i+2] = v, v, v
			default:
				r, g, bl, a := img.At(b.Min.X+x, b.Min.Y+y).RGBA()
				for k, v := range [3]uint32{r, g, bl} {
					px.B8[i+2-k] = uint8(over(v, a, 65535, false) / 257)
				}
			}
			i += 3
		}
	})
	return m, nil
}

// Close frees the pixels. It may be called more than once.
func (p *Photo) Close() {
	if p == nil {
		return
	}
	done := spare
	if p.lent {
		done = func(m gocv.Mat) { m.Close() }
	}
	if p.bgr.Ptr() != nil {
		done(p.bgr)
		p.bgr = gocv.Mat{}
	}
	if p.own != nil && p.own.m.Ptr() != nil {
		p.own.m.Close()
	}
	if p.half != nil {
		done(*p.half)
		p.half = nil
	}
}

// SixteenBit says whether the photo has 16 bits a channel.
func (p *Photo) SixteenBit() bool { return p.sixty }

// Mat lends the upright pixels (CV_8UC3 or CV_16UC3, BGR) to package calib.
// The photo stays the owner: don't close or write it.
func (p *Photo) Mat() gocv.Mat { return p.bgr }

// Image returns the photo as an 8-bit Go image, scaled so that its longer side
// is at most maxSide px (never enlarged), and the scale used. Where the sides can
// be divided by a whole number they are, so that each pixel is the mean of a block:
// that is quicker, and as sharp as may be.
func (p *Photo) Image(maxSide int) (*image.RGBA, float64) {
	small, scale := p.reduced(p.dividing(maxSide))
	defer small.Close()
	out := image.NewRGBA(image.Rect(0, 0, small.Cols(), small.Rows()))
	lent, err := gocv.NewMatFromBytes(small.Rows(), small.Cols(), gocv.MatTypeCV8UC4, out.Pix)
	if err != nil {
		return image.NewRGBA(image.Rect(0, 0, 1, 1)), scale
	}
	defer lent.Close()
	// Of the size and type that comes out, so that it is written where it lies.
	gocv.CvtColor(small, &lent, gocv.ColorBGRToRGBA)
	return out, scale
}

// Half is the photo at half its size, of [Photo.Mat]'s type, or nothing where a side
// is odd: the photo's own, not to be closed or written to.
func (p *Photo) Half() gocv.Mat {
	if p.Width%2 != 0 || p.Height%2 != 0 || p.Width < 2 || p.Height < 2 {
		return gocv.Mat{}
	}
	if p.half == nil {
		half := gocv.NewMat()
		if !p.sixty {
			half.Close()
			half = newPixels(p.Height/2, p.Width/2) // written in place
		}
		gocv.Resize(p.bgr, &half, image.Pt(p.Width/2, p.Height/2), 0, 0, gocv.InterpolationArea)
		p.half = &half
	}
	return *p.half
}

// reduced returns the photo in 8 bits with a longer side of at most maxSide, to be
// closed and not written to, and the factor full * scale = reduced (in pixel
// sizes).
func (p *Photo) reduced(maxSide int) (gocv.Mat, float64) {
	scale := 1.0
	if long := max(p.Width, p.Height); long > maxSide {
		scale = float64(maxSide) / float64(long)
	}
	w := max(1, int(float64(p.Width)*scale+0.5))
	h := max(1, int(float64(p.Height)*scale+0.5))
	from := p.bgr
	if 2*w <= p.Width && 2*h <= p.Height && p.Width%2 == 0 && p.Height%2 == 0 {
		// Means of means are the same, and halving is done at a fraction of the
		// cost; it serves all the smaller pictures.
		from = p.Half()
	}
	var out gocv.Mat
	if from.Cols() == w && from.Rows() == h {
		out = from.Region(image.Rect(0, 0, w, h)) // the same pixels, not a copy
	} else {
		out = gocv.NewMat()
		gocv.Resize(from, &out, image.Pt(w, h), 0, 0, gocv.InterpolationArea)
	}
	if p.sixty {
		eight := gocv.NewMat()
		out.ConvertToWithParams(&eight, gocv.MatTypeCV8UC3, 1.0/257, 0)
		out.Close()
		out = eight
	}
	return out, scale
}

var errNoEnd = errors.New("its end is missing")

// checkWhole looks for what OpenCV would pass over in silence, filling the
// rest of the picture with grey: a JPEG without its end-of-image marker
// (ITU-T T.81 B.1.1.3), a PNG without IEND or with a chunk cut short (PNG,
// ISO/IEC 15948, 5.3).
func checkWhole(k *kind, b []byte) error {
	if k == kindPNG {
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
