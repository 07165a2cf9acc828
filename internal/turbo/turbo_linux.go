// Package turbo decodes sound JPEG files with libjpeg-turbo itself, into the order of
// colours that OpenCV wants. OpenCV decodes with the same library, but has it write red,
// green and blue and turns each pixel round after it, which takes nearly half as long
// again. Whatever is unusual about a file is left to OpenCV.
package turbo

// #cgo CFLAGS: -O2
// #cgo pkg-config: libjpeg
// #include <stdint.h>
// int tw_jpeg_bgr(const uint8_t *data, unsigned long size, int w, int h, uint8_t *out);
import "C"

// BGR decodes a JPEG of three colours into rows of blue, green and red, w pixels wide and
// h high, as stored: EXIF's orientation is not looked at. It says whether it did. It
// does not where the file is not of that size or kind, or where anything is amiss with
// it; what is in out then is nothing to rely on.
func BGR(data []byte, w, h int, out []uint8) bool {
	if len(data) == 0 || w < 1 || h < 1 || len(out) != 3*w*h {
		return false
	}
	return C.tw_jpeg_bgr((*C.uint8_t)(&data[0]), C.ulong(len(data)), C.int(w), C.int(h), (*C.uint8_t)(&out[0])) != 0
}
