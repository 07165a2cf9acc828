// Package kernels holds the innermost loops of measuring in C, compiled for
// processors that work on eight numbers at once where there are such: what Go's
// compiler, which works on one, takes longest over. Each has a plain Go twin in the
// tests, and comes to the same.
//
// Slices handed over must be as long as is said: C does not check. Nothing here
// keeps what it is given, nor calls back, and Go is told so of each call (noescape,
// nocallback): what a call points to may then live on the stack.
package kernels

// #cgo CFLAGS: -O3 -Wno-psabi
// #cgo LDFLAGS: -lm
// #include "kernels.h"
import "C"

import "unsafe"

// plain has the loops use only what every processor has, for tests.
func plain(on bool) {
	if on {
		C.tw_plain(1)
	} else {
		C.tw_plain(0)
	}
}

func u8(b []bool) *C.uint8_t { return (*C.uint8_t)(unsafe.Pointer(unsafe.SliceData(b))) }
