package calib

import (
	"image/color"
	"math"

	"gocv.io/x/gocv"
)

// straightRoom is how much wider than the photo, each way and as a share of its
// longer side, a straightened one is: a lens that bends inwards keeps in the frame
// what a pinhole would have outside it.
const straightRoom = 0.05

// Finder finds rulers in photos that were taken through one camera.
type Finder struct {
	known *KnownCamera
	prior FocalPrior
}

// Through finds rulers in photos through a known camera, or, where it is nil,
// through a pinhole of which the prior is known.
func Through(known *KnownCamera, prior FocalPrior) Finder { return Finder{known, prior} }

// FindID1 is FindID1 through the finder's camera.
func (f Finder) FindID1(bgr gocv.Mat) (r *Ruler, why string) {
	return f.find(bgr, func(m gocv.Mat, prior FocalPrior, _ func(x, y float64) [2]float64) (*Ruler, string) {
		return FindID1(m, prior)
	})
}

// FindSheet is FindSheet through the finder's camera.
func (f Finder) FindSheet(bgr gocv.Mat, name string) (r *Ruler, why string) {
	return f.find(bgr, func(m gocv.Mat, prior FocalPrior, _ func(x, y float64) [2]float64) (*Ruler, string) {
		return FindSheet(m, name, prior)
	})
}

// FindCoins is FindCoins through the finder's camera.
func (f Finder) FindCoins(bgr gocv.Mat, coin Coin, at *[2]float64) (r *Ruler, why string) {
	return f.find(bgr, func(m gocv.Mat, prior FocalPrior, place func(x, y float64) [2]float64) (*Ruler, string) {
		if at == nil {
			return FindCoins(m, coin, nil, prior)
		}
		q := place(at[0], at[1])
		return FindCoins(m, coin, &q, prior)
	})
}

// find gives look the photo as a pinhole would have taken it, what is known of the
// focal length, and where in that picture a place of the photo is. What it finds
// comes back in the places of the photo as it is.
func (f Finder) find(bgr gocv.Mat, look func(straight gocv.Mat, prior FocalPrior, place func(x, y float64) [2]float64) (*Ruler, string)) (*Ruler, string) {
	k := f.known
	if k == nil {
		return look(bgr, f.prior, func(x, y float64) [2]float64 { return [2]float64{x, y} })
	}
	if bgr.Empty() {
		return nil, "the picture is empty"
	}
	w, h := bgr.Cols(), bgr.Rows()
	room := int(math.Ceil(straightRoom * float64(max(w, h))))
	m := float64(room)
	straight := straightened(bgr, &k.Lens, room)
	defer straight.Close()
	r, why := look(straight, k.Prior(), func(x, y float64) [2]float64 {
		x, y = k.Lens.Ideal(x, y)
		return [2]float64{x + m, y + m}
	})
	if r == nil {
		return nil, why
	}
	back := func(p *Pose) {
		p.params[1] -= m
		p.params[2] -= m
		p.Camera.CxPX -= m
		p.Camera.CyPX -= m
		p.FocalSource = k.Prior().Source
		for i := range k.Spread {
			q := *p
			q.Camera.Lens = &k.Spread[i]
			p.Lenses = append(p.Lenses, &q)
		}
		p.Camera.Lens = &k.Lens
	}
	for _, p := range []*Pose{r.Pose, r.Other} {
		if p != nil {
			back(p)
		}
	}
	seen := func(poly [][2]float64) (out [][2]float64) {
		for _, c := range poly {
			x, y := k.Lens.Seen(c[0]-m, c[1]-m)
			out = append(out, [2]float64{x, y})
		}
		return out
	}
	for i, t := range r.Taken {
		r.Taken[i] = seen(t)
	}
	if r.Sheet != nil {
		r.Sheet = seen(r.Sheet)
	}
	return r, why
}

// straightened is a photo as a pinhole would have taken it, room px wider on each
// side. What lies outside the photo is as its edge.
func straightened(bgr gocv.Mat, l *Lens, room int) gocv.Mat {
	w, h := bgr.Cols()+2*room, bgr.Rows()+2*room
	mx, my := gocv.NewMatWithSize(h, w, gocv.MatTypeCV32FC1), gocv.NewMatWithSize(h, w, gocv.MatTypeCV32FC1)
	defer mx.Close()
	defer my.Close()
	out := gocv.NewMat()
	x, errX := mx.DataPtrFloat32()
	y, errY := my.DataPtrFloat32()
	if errX != nil || errY != nil {
		return out
	}
	for v := range h {
		for u := range w {
			a, b := l.Seen(float64(u-room), float64(v-room))
			x[v*w+u], y[v*w+u] = float32(a), float32(b)
		}
	}
	gocv.Remap(bgr, &out, &mx, &my, gocv.InterpolationLinear, gocv.BorderReplicate, color.RGBA{})
	return out
}
