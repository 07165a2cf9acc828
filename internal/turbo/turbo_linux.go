// Package turbo decodes sound JPEG files with libjpeg-turbo itself, into the order of
// colours that OpenCV wants, and encodes from it. OpenCV has the same library take red,
// green and blue and turns each pixel round for it, which takes nearly half as long
// again. Whatever is unusual about a file is left to OpenCV.
package turbo

// #cgo CFLAGS: -O2
// #cgo pkg-config: libjpeg
// #include <stdint.h>
// #include <stdlib.h>
// int tw_jpeg_bgr(const uint8_t *data, unsigned long size, int w, int h, uint8_t *out);
// int tw_jpeg_of(const uint8_t *bgr, int w, int h, int quality, uint8_t **out, unsigned long *size);
import "C"

import "unsafe"

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

// Encode writes rows of blue, green and red as a JPEG, as OpenCV does; quality is 1 to
// 100. ok is false where it can't, and OpenCV is to say why.
func Encode(bgr []uint8, w, h, quality int) (jpeg []byte, ok bool) {
	if w < 1 || h < 1 || len(bgr) != 3*w*h || quality < 1 || quality > 100 {
		return nil, false
	}
	var out *C.uint8_t
	var size C.ulong
	ok = C.tw_jpeg_of((*C.uint8_t)(&bgr[0]), C.int(w), C.int(h), C.int(quality), &out, &size) != 0
	if ok {
		jpeg = C.GoBytes(unsafe.Pointer(out), C.int(size))
	}
	C.free(unsafe.Pointer(out))
	return jpeg, ok
}
