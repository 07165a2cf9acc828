package vision

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"strings"
	"time"

	"github.com/bep/imagemeta"
)

// Meta is what the file says of the shot. Places and names of people are never
// read.
type Meta struct {
	Orientation int     // EXIF 1..8, 1 when absent
	Focal35MM   float64 // 35 mm equivalent focal length, mm; 0 when absent
	DPI         float64 // the resolution of a scan that the file states; 0 when absent or not credible
	CameraMake  string
	CameraModel string
	// LensModel, FocalMM (the lens's own focal length) and DigitalZoom (1 for none)
	// tell one camera's lenses and zooms apart; empty or 0 when absent.
	LensModel   string
	FocalMM     float64
	DigitalZoom float64
	TakenISO    string // "2026-05-02T10:11:12", "" when absent

	colourSpace int    // EXIF tag 0xA001: 1 sRGB, 65535 not said; 0 when absent
	interop     string // R98 for sRGB, R03 for DCF's optional colour space
}

// Camera is make and model in one line, without the make said twice.
func (m Meta) Camera() string {
	mk, model := strings.TrimSpace(m.CameraMake), strings.TrimSpace(m.CameraModel)
	if mk == "" || strings.HasPrefix(strings.ToLower(model), strings.ToLower(mk)) {
		return model
	}
	return strings.TrimSpace(mk + " " + model)
}

// ReadMeta reads what a file says of the shot, without decoding the pixels. The
// error is a *ReadError; a picture that is damaged further on shows only in Open.
func ReadMeta(path string) (Meta, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return Meta{}, &ReadError{Path: path, What: plainOSError(err), Err: err}
	}
	k := sniff(data)
	if k == nil {
		return Meta{}, &ReadError{Path: path, What: "this is not a picture file that Tawsight knows"}
	}
	h, err := readHead(k, data)
	if err != nil {
		return Meta{}, &ReadError{Path: path, What: "the " + k.name + " header is damaged", Err: err}
	}
	return readMeta(k, data, h), nil
}

// readMeta reads the EXIF fields that matter. Odd or damaged metadata is
// common and never a reason to refuse a photo: what can't be read is absent.
func readMeta(k *kind, data []byte, h head) (meta Meta) {
	meta.Orientation = 1
	format := imagemeta.TIFF
	switch k {
	case kindJPEG:
		format = imagemeta.JPEG
	case kindPNG:
		format = imagemeta.PNG
	case kindHEIC, kindWebP: // their EXIF block is a TIFF file
		if data = h.exif; len(data) < 8 {
			return meta
		}
	case kindBMP:
		return meta
	}
	want := map[string]bool{
		"Orientation": true, "FocalLengthIn35mmFormat": true, "FocalLengthIn35mmFilm": true,
		"Make": true, "Model": true, "LensModel": true, "FocalLength": true, "DigitalZoomRatio": true, "DateTimeOriginal": true,
		"XResolution": true, "YResolution": true, "ResolutionUnit": true,
		"ColorSpace": true,
	}
	meta.DPI = fileDPI(data)
	var x, y, unit float64
	defer func() {
		if meta.DPI == 0 && unit == 2 { // inches, EXIF 2.32, 4.6.4
			meta.DPI = credibleDPI(x, y)
		}
	}()
	// A decoder of untrusted bytes: whatever goes wrong costs the metadata only.
	defer func() { _ = recover() }()
	_, _ = imagemeta.Decode(imagemeta.Options{
		R: bytes.NewReader(data), ImageFormat: format, Sources: imagemeta.EXIF,
		ShouldHandleTag: func(t imagemeta.TagInfo) bool { return want[t.Tag] || interopIndex(t) },
		HandleTag: func(t imagemeta.TagInfo) error {
			// The thumbnail's own directory must not override the picture's.
			if strings.Contains(t.Namespace, "IFD1") {
				return nil
			}
			if interopIndex(t) {
				meta.interop = text(t.Value)
				return nil
			}
			switch t.Tag {
			case "Orientation":
				if v, ok := number(t.Value); ok && v >= 1 && v <= 8 {
					meta.Orientation = int(v)
				}
			case "FocalLengthIn35mmFormat", "FocalLengthIn35mmFilm":
				if v, ok := number(t.Value); ok && v >= 4 && v <= 2000 {
					meta.Focal35MM = v
				}
			case "XResolution":
				x, _ = number(t.Value)
			case "YResolution":
				y, _ = number(t.Value)
			case "ResolutionUnit":
				unit, _ = number(t.Value)
			case "ColorSpace":
				if v, ok := number(t.Value); ok {
					meta.colourSpace = int(v)
				}
			case "Make":
				meta.CameraMake = text(t.Value)
			case "Model":
				meta.CameraModel = text(t.Value)
			case "LensModel":
				meta.LensModel = text(t.Value)
			case "FocalLength":
				if v, ok := number(t.Value); ok && v > 0.1 && v <= 2000 {
					meta.FocalMM = v
				}
			case "DigitalZoomRatio":
				if v, ok := number(t.Value); ok && v > 0 && v <= 1000 {
					meta.DigitalZoom = v
				}
			case "DateTimeOriginal":
				if when, err := time.Parse("2006:01:02 15:04:05", text(t.Value)); err == nil {
					meta.TakenISO = when.Format("2006-01-02T15:04:05")
				}
			}
			return nil
		},
		Timeout: 2 * time.Second,
		Warnf:   func(string, ...any) {},
	})
	if k == kindHEIC {
		// The boxes turn a HEIC, and EXIF's word is to be passed over (ISO/IEC
		// 23008-12, A.2): most phones say both.
		meta.Orientation = 1
	}
	return meta
}

// interopIndex tells tag 1 of the interoperability directory, which the library
// calls by the name that tag 1 has in another.
func interopIndex(t imagemeta.TagInfo) bool {
	return strings.Contains(t.Namespace, "InteroperabilityIFD") && (t.Tag == "InteropIndex" || t.Tag == "GPSLatitudeRef")
}

func text(v any) string {
	s := strings.ToValidUTF8(strings.TrimRight(fmt.Sprint(v), "\x00 "), "\ufffd")
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return -1
		}
		return r
	}, s)
}

func number(v any) (float64, bool) {
	switch x := v.(type) {
	case uint8:
		return float64(x), true
	case uint16:
		return float64(x), true
	case uint32:
		return float64(x), true
	case int:
		return float64(x), true
	case int16:
		return float64(x), true
	case int32:
		return float64(x), true
	case int64:
		return float64(x), true
	case float32:
		return float64(x), !math.IsNaN(float64(x))
	case float64:
		return x, !math.IsNaN(x)
	}
	var f float64
	if _, err := fmt.Sscanf(fmt.Sprint(v), "%g", &f); err == nil {
		return f, true
	}
	return 0, false
}
