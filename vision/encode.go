package vision

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	_ "image/jpeg" // for DecodeConfig
	_ "image/png"

	"gocv.io/x/gocv"

	"tawsight/internal/turbo"
)

// jpegSide is the longest side that OpenCV's encoder takes, pngSide the longest that
// is written at all.
const (
	jpegSide = 65500
	pngSide  = 1_000_000
)

// JPEG encodes a picture, quality 1 to 100, with OpenCV's encoder, which takes a
// seventh of the time of Go's. What is transparent is laid over blank.
func JPEG(img image.Image, quality int, blank color.Color) ([]byte, error) {
	out, err := JPEGs(img, blank, Reduction{Quality: quality})
	if err != nil {
		return nil, err
	}
	return out[0], nil
}

// PNG encodes a picture of a photo: a tenth larger than with Go's encoder, in a
// fiftieth of the time.
func PNG(img image.Image) ([]byte, error) {
	p, err := pixelsOf(img, pngSide)
	if err != nil {
		return nil, err
	}
	return photoPNG(p)
}

// Reduction is how small a picture is to be (0: as it is), and its quality as a
// JPEG, 1 to 100. Its longer side becomes MaxSide, or between 0.7 of that and all of
// it where that is a half, a quarter… of what it was.
type Reduction struct{ MaxSide, Quality int }

// JPEGs encodes a picture once for each reduction, none larger than asked. What is
// transparent is laid over blank.
func JPEGs(img image.Image, blank color.Color, to ...Reduction) ([][]byte, error) {
	p, err := pixelsOf(img, jpegSide)
	if err != nil {
		return nil, err
	}
	m, err := p.matrix()
	if err != nil {
		return nil, err
	}
	return jpegsOf(m, blank, to)
}

// PNGAndJPEGs is [PNG] and [JPEGs] of one picture.
func PNGAndJPEGs(img image.Image, blank color.Color, to ...Reduction) (png []byte, jpegs [][]byte, err error) {
	p, err := pixelsOf(img, jpegSide)
	if err != nil {
		return nil, nil, err
	}
	if png, err = photoPNG(p); err != nil {
		return nil, nil, err
	}
	m, err := p.matrix()
	if err != nil {
		return nil, nil, err
	}
	jpegs, err = jpegsOf(m, blank, to)
	return png, jpegs, err
}

// jpegsOf takes the matrix over.
func jpegsOf(m gocv.Mat, blank color.Color, to []Reduction) ([][]byte, error) {
	defer func() { m.Close() }()
	if m = laidOver(m, blank); m.Empty() {
		return nil, errors.New("the picture could not be encoded")
	}
	out := make([][]byte, len(to))
	for i, r := range to {
		var err error
		if out[i], err = reducedJPEG(m, r); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// ReducedJPEG makes JPEGs of a JPEG or PNG, one for each reduction: none larger
// than asked. What is a JPEG and small enough already comes back as it is; what is
// transparent is laid over blank.
func ReducedJPEG(data []byte, blank color.Color, to ...Reduction) ([][]byte, error) {
	cfg, kind, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return nil, err
	}
	long := max(cfg.Width, cfg.Height)
	if cfg.Width < 1 || cfg.Height < 1 || cfg.Width > MaxPixels/cfg.Height || long > jpegSide {
		return nil, fmt.Errorf("a picture of %d x %d pixels", cfg.Width, cfg.Height)
	}
	var m gocv.Mat
	defer func() {
		if m.Ptr() != nil {
			m.Close()
		}
	}()
	out := make([][]byte, len(to))
	for i, r := range to {
		if kind == "jpeg" && long <= r.MaxSide {
			out[i] = data
			continue
		}
		if m.Ptr() == nil {
			if m, err = gocv.IMDecode(data, gocv.IMReadUnchanged); err != nil {
				return nil, err
			}
			if t := m.Type(); m.Empty() || t != gocv.MatTypeCV8UC1 && t != gocv.MatTypeCV8UC3 && t != gocv.MatTypeCV8UC4 {
				return nil, errors.New("the picture could not be decoded")
			}
			m = laidOver(m, blank)
		}
		if out[i], err = reducedJPEG(m, r); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func reducedJPEG(m gocv.Mat, r Reduction) ([]byte, error) {
	if r.MaxSide <= 0 {
		return jpegFile(m, r.Quality)
	}
	// Halves, each pixel the mean of four, take a tenth of the time of any other
	// size: one that is near enough to what is asked does.
	for enough := 0.7 * float64(r.MaxSide); m.Cols()%2 == 0 && m.Rows()%2 == 0 && float64(max(m.Cols(), m.Rows())) >= 2*enough; {
		half := gocv.NewMat()
		defer half.Close()
		gocv.Resize(m, &half, image.Pt(m.Cols()/2, m.Rows()/2), 0, 0, gocv.InterpolationArea)
		m = half
	}
	long := max(m.Cols(), m.Rows())
	if long <= r.MaxSide {
		return jpegFile(m, r.Quality)
	}
	k := float64(r.MaxSide) / float64(long)
	small := gocv.NewMat()
	defer small.Close()
	size := image.Pt(max(1, int(float64(m.Cols())*k+0.5)), max(1, int(float64(m.Rows())*k+0.5)))
	how := gocv.InterpolationArea
	if long < 2*r.MaxSide {
		// Less than by half: each pixel lies between four that are all looked at, in
		// a tenth of the time.
		how = gocv.InterpolationLinear
	}
	gocv.Resize(m, &small, size, 0, 0, how)
	return jpegFile(small, r.Quality)
}

func jpegFile(m gocv.Mat, quality int) ([]byte, error) {
	if m.Type() == gocv.MatTypeCV8UC3 {
		if d, err := m.DataPtrUint8(); err == nil {
			if file, ok := turbo.Encode(d, m.Cols(), m.Rows(), quality); ok {
				return file, nil
			}
		}
	}
	return asFile(gocv.JPEGFileExt, m, gocv.IMWriteJpegQuality, quality)
}

func asFile(ext gocv.FileExt, m gocv.Mat, params ...int) ([]byte, error) {
	encode := func() (*gocv.NativeByteBuffer, error) { return gocv.IMEncode(ext, m) }
	if len(params) > 0 {
		encode = func() (*gocv.NativeByteBuffer, error) { return gocv.IMEncodeWithParams(ext, m, params) }
	}
	buf, err := encode()
	if err != nil {
		return nil, err
	}
	defer buf.Close()
	return bytes.Clone(buf.GetBytes()), nil
}

// rgba are a picture's pixels, row by row: red, green, blue and alpha, 8 bits each, not
// premultiplied. Opaque says that alpha is 255 throughout.
type rgba struct {
	pix    []uint8
	w, h   int
	opaque bool
}

// matrix copies a picture into a matrix: CV_8UC3 where it is opaque, otherwise
// CV_8UC4, not premultiplied.
func (p rgba) matrix() (gocv.Mat, error) {
	lent, err := gocv.NewMatFromBytes(p.h, p.w, gocv.MatTypeCV8UC4, p.pix)
	if err != nil {
		return gocv.Mat{}, err
	}
	defer lent.Close()
	m := gocv.NewMat()
	if p.opaque {
		gocv.CvtColor(lent, &m, gocv.ColorRGBAToBGR)
	} else {
		gocv.CvtColor(lent, &m, gocv.ColorBGRAToRGBA)
	}
	return m, nil
}

// pixelsOf are a picture's pixels: its own where it has them so. No side may be longer
// than most.
func pixelsOf(img image.Image, most int) (rgba, error) {
	b := img.Bounds()
	w, h := b.Dx(), b.Dy()
	if w < 1 || h < 1 || w > most || h > most {
		return rgba{}, fmt.Errorf("a picture of %d x %d pixels can't be written", w, h)
	}
	n := 4 * w * h
	switch s := img.(type) {
	case *image.NRGBA:
		if s.Stride == 4*w {
			return rgba{s.Pix[:n], w, h, opaqueAll(s.Pix[:n])}, nil
		}
	case *image.RGBA:
		if s.Stride == 4*w && opaqueAll(s.Pix[:n]) {
			return rgba{s.Pix[:n], w, h, true}, nil
		}
	}
	c := image.NewNRGBA(image.Rect(0, 0, w, h))
	draw.Draw(c, c.Bounds(), img, b.Min, draw.Src)
	return rgba{c.Pix, w, h, opaqueAll(c.Pix)}, nil
}

// opaqueAll says that the alpha of all pixels is 255, four bytes each. It reads two
// at a time; Go's own Opaque takes ten times as long.
func opaqueAll(pix []uint8) bool {
	all := ^uint64(0)
	for ; len(pix) >= 8; pix = pix[8:] {
		all &= binary.LittleEndian.Uint64(pix)
	}
	if len(pix) >= 4 {
		all &= uint64(binary.LittleEndian.Uint32(pix)) | 0xff<<56
	}
	const alpha = 0xff000000_ff000000
	return all&alpha == alpha
}

// laidOver gives the matrix back as CV_8UC3, what was transparent over one
// colour. The one given is closed where another comes back.
func laidOver(m gocv.Mat, blank color.Color) gocv.Mat {
	if m.Type() != gocv.MatTypeCV8UC4 {
		return m
	}
	r, g, b, _ := blank.RGBA()
	under := [3]uint32{b >> 8, g >> 8, r >> 8}
	out := gocv.NewMatWithSize(m.Rows(), m.Cols(), gocv.MatTypeCV8UC3)
	from, err1 := m.DataPtrUint8()
	to, err2 := out.DataPtrUint8()
	if err1 != nil || err2 != nil {
		out.Close()
		return m
	}
	for i, j := 0, 0; i+3 < len(from) && j+2 < len(to); i, j = i+4, j+3 {
		a := uint32(from[i+3])
		for k := range under {
			to[j+k] = uint8((uint32(from[i+k])*a + under[k]*(255-a) + 127) / 255)
		}
	}
	m.Close()
	return out
}
