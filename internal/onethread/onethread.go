// Package onethread has OpenCV compute on the thread that calls it. Its binding has
// no call for that, and where OpenCV shares work out by TBB, as Debian's does, it does
// not heed OPENCV_FOR_THREADS_NUM.
package onethread

// #cgo pkg-config: opencv4
// void tw_one_thread(void);
import "C"

// Set has OpenCV compute on one thread from now on. There is a worker a core, and
// threads that wait for each other by spinning only take the processor from others.
func Set() { C.tw_one_thread() }
