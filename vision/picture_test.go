package vision

import (
	"testing"
)

// A picture handed over is the one that would have been copied, whichever way it
// came about; the photo is closed with it.
func TestLastPicture(t *testing.T) {
	for name, c := range map[string]struct {
		w, h, most int
		halved     bool // its half was made before
	}{
		"as it is":          {120, 90, 200, false},
		"halved before":     {240, 180, 120, true},
		"halved before, by": {240, 180, 100, true},
		"halved now":        {240, 180, 120, false},
		"odd sides":         {241, 179, 120, true},
		"a third":           {360, 180, 120, true},
	} {
		t.Run(name, func(t *testing.T) {
			paint := func(x, y float64) [3]float64 { return [3]float64{x / 400, y / 400, 0.3} }
			p, again := drawn(t, c.w, c.h, paint), drawn(t, c.w, c.h, paint)
			want, _ := again.Image(c.most)
			if c.halved {
				p.Image(c.w / 3)
			}
			got, err := p.LastPicture(c.most)
			if err != nil {
				t.Fatal(err)
			}
			defer got.Close()
			if p.bgr.Ptr() != nil {
				t.Error("the photo is open still")
			}
			if got.Size() != want.Bounds().Size() || len(got.Pix) != 3*got.W*got.H {
				t.Fatalf("%v, %d bytes; want %v", got.Size(), len(got.Pix), want.Bounds())
			}
			for i := range got.W * got.H {
				for k := range 3 {
					if a, b := got.Pix[3*i+2-k], want.Pix[4*i+k]; a != b {
						t.Fatalf("pixel %d, channel %d is %d, want %d", i, k, a, b)
					}
				}
			}
			// As it is drawn on, so it is written.
			for i := range got.Pix {
				got.Pix[i] = 200
			}
			files, err := got.JPEGs(Reduction{Quality: 90}, Reduction{MaxSide: 30, Quality: 90})
			if err != nil {
				t.Fatal(err)
			}
			for k, side := range []int{max(got.W, got.H), 30} {
				q, err := Decode("picture.jpg", files[k])
				if err != nil {
					t.Fatal(err)
				}
				if img, _ := q.Image(1000); max(img.Rect.Dx(), img.Rect.Dy()) != side || img.RGBAAt(3, 3).R != 200 {
					t.Errorf("written as %v of %v, want %d px", img.Rect, img.RGBAAt(3, 3), side)
				}
				q.Close()
			}
			got.Close()
			got.Close() // twice does no harm
		})
	}
	var none *Picture
	none.Close()
}
