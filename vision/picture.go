package vision

import (
	"errors"
	"image"
	"runtime"

	"gocv.io/x/gocv"
)

// A Picture is an upright photo made smaller, to be drawn on and written: W x H
// pixels of blue, green and red, 8 bits each, row by row. Close it.
type Picture struct {
	W, H int
	Pix  []uint8

	m      gocv.Mat
	own    bool // m is its pixels' only owner
	forget runtime.Cleanup
}

// LastPicture is [Photo.Image] of a photo that nothing else is wanted of: it is
// closed on the way. Where there is such a picture already it is handed over as it
// is, so that no copy is made of it.
func (p *Photo) LastPicture(maxSide int) (*Picture, error) {
	defer p.Close()
	maxSide = p.dividing(maxSide)
	fits := func(m gocv.Mat) bool {
		w, h := m.Cols(), m.Rows()
		return max(w, h) == maxSide && w*p.Height == h*p.Width
	}
	var m gocv.Mat
	switch {
	case !p.sixty && max(p.Width, p.Height) <= maxSide:
		m, p.bgr = p.bgr, gocv.Mat{}
	case !p.sixty && p.half != nil && fits(*p.half):
		m, p.half = *p.half, nil
	default:
		m, _ = p.reduced(maxSide)
		p.lent = true
	}
	pix, err := m.DataPtrUint8()
	if err != nil || m.Type() != gocv.MatTypeCV8UC3 {
		m.Close()
		return nil, errors.New("there is not enough memory to make the photo smaller")
	}
	pic := &Picture{W: m.Cols(), H: m.Rows(), Pix: pix, m: m, own: !p.lent}
	pic.forget = runtime.AddCleanup(pic, func(m gocv.Mat) { m.Close() }, m)
	return pic, nil
}

// dividing is the longer side that a picture of at most maxSide has: where the sides
// can be divided by a whole number they are, so that each pixel is the mean of a
// block, which is quicker, and as sharp as may be.
func (p *Photo) dividing(maxSide int) int {
	if k := (max(p.Width, p.Height) + maxSide - 1) / maxSide; k > 1 && p.Width%k == 0 && p.Height%k == 0 {
		return max(p.Width, p.Height) / k
	}
	return maxSide
}

// JPEGs encodes the picture once for each reduction, none larger than asked.
func (p *Picture) JPEGs(to ...Reduction) ([][]byte, error) {
	defer runtime.KeepAlive(p)
	out := make([][]byte, len(to))
	for i, r := range to {
		var err error
		if out[i], err = reducedJPEG(p.m, r); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Size is the picture's, as W and H.
func (p *Picture) Size() image.Point { return image.Pt(p.W, p.H) }

// Close frees the pixels. It may be called more than once, and of none.
func (p *Picture) Close() {
	if p == nil || p.Pix == nil {
		return
	}
	p.forget.Stop()
	p.Pix = nil
	if p.own {
		spare(p.m)
	} else {
		p.m.Close()
	}
}
