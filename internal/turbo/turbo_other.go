//go:build !linux

package turbo

// BGR leaves every file to OpenCV where libjpeg-turbo is not sure to be at hand.
func BGR(data []byte, w, h int, out []uint8) bool { return false }
