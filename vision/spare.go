package vision

import (
	"sync"

	"gocv.io/x/gocv"
)

// spares are the matrices of a photo that nobody looks at any more, whole and at half
// its size: the next photo is most likely as large, and the system takes longer to hand
// out so much memory anew than it takes to halve the photo.
var spares struct {
	sync.Mutex
	m []gocv.Mat
}

const (
	mostSpares      = 2
	mostSparePixels = 20_000_000 // larger ones are not kept
)

// newPixels is a matrix of h x w pixels (CV_8UC3), not set to anything.
func newPixels(h, w int) gocv.Mat {
	spares.Lock()
	defer spares.Unlock()
	for i, m := range spares.m {
		if m.Rows() == h && m.Cols() == w {
			spares.m = append(spares.m[:i], spares.m[i+1:]...)
			return m
		}
	}
	// Photos of another size come now.
	closeSpares()
	// The other way to make a matrix sets it to 0.
	return gocv.NewMatWithSizes([]int{h, w}, gocv.MatTypeCV8UC3)
}

// spare takes a matrix that is its pixels' only owner, for newPixels to hand out
// again.
func spare(m gocv.Mat) {
	if m.Type() != gocv.MatTypeCV8UC3 || m.Empty() || m.Total() > mostSparePixels {
		m.Close()
		return
	}
	spares.Lock()
	defer spares.Unlock()
	if len(spares.m) == mostSpares {
		spares.m[0].Close()
		spares.m = append(spares.m[:0], spares.m[1:]...)
	}
	spares.m = append(spares.m, m)
}

// DropSpares gives back the memory that is kept for the next photo: about 4 bytes for
// each pixel of the last one.
func DropSpares() {
	spares.Lock()
	defer spares.Unlock()
	closeSpares()
}

func closeSpares() {
	for _, m := range spares.m {
		m.Close()
	}
	spares.m = spares.m[:0]
}
