//go:build !linux

package turbo

// BGR leaves every file to OpenCV where libjpeg-turbo is not sure to be at hand.
func BGR(data []byte, w, h int, out []uint8) bool { return false }

// Encode leaves every picture to OpenCV there.
func Encode(bgr []uint8, w, h, quality int) (jpeg []byte, ok bool) { return nil, false }
