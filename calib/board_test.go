package calib

import (
	"math"
	"testing"

	"gocv.io/x/gocv"
)

// The card's corners stand out in a sharp photo however it lies; each must come within
// half a pixel of where it is, in rows that run along the board.
func TestBoardCorners(t *testing.T) {
	for _, tt := range []struct {
		name string
		v    view
		edit func(*scene)
	}{
		{name: "upright", v: small(440, 0, 0, 0)},
		{name: "turned by 90", v: small(460, 12, 0, 90)},
		{name: "turned by 33", v: small(480, 5, 120, 33)},
		{name: "leaning by 40", v: small(440, 40, 60, 10)},
		{name: "leaning by 50", v: small(320, 50, -80, 5)},
		{name: "squares of 6 px", v: small(1100, 10, 45, 15)},
		{name: "squares of 60 px", v: view{w: 800, h: 600, focalPX: 900, heightMM: 120}},
		{name: "noise of 3 %", v: small(460, 15, 45, 20), edit: func(s *scene) { s.noise = 0.03 }},
		{name: "dark", v: small(460, 15, 45, 20), edit: func(s *scene) { s.light = func(int, int) float64 { return 0.12 } }},
		{name: "mirrored", v: small(460, 15, 45, 20), edit: func(s *scene) { s.mirrored = true }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			s := plain(tt.v)
			if tt.edit != nil {
				tt.edit(&s)
			}
			got, ok := boardIn(t, s)
			if !ok {
				t.Fatal("not found")
			}
			a, b, down := got[0], got[InnerCols-1], got[len(got)-InnerCols]
			if long, short := math.Hypot(b[0]-a[0], b[1]-a[1])/(InnerCols-1), math.Hypot(down[0]-a[0], down[1]-a[1])/(InnerRows-1); long > 2*short || short > 2*long {
				t.Errorf("corners lie %.1f px apart in rows and %.1f in columns", long, short)
			}
			taken := map[int]bool{}
			for _, c := range got {
				nearest, off := 0, math.Inf(1)
				for i, p := range InnerCorners() {
					q := s.pixel(p[0], p[1])
					if s.mirrored {
						q[0] = float64(s.w-1) - q[0]
					}
					if d := math.Hypot(q[0]-c[0], q[1]-c[1]); d < off {
						nearest, off = i, d
					}
				}
				if off > 0.5 || taken[nearest] {
					t.Fatalf("a corner at %.2f, %.2f lies %.2f px from the nearest true one, which was given before: %v", c[0], c[1], off, taken[nearest])
				}
				taken[nearest] = true
			}
		})
	}
}

// What isn't the whole of such a board is no board.
func TestBoardCornersOfOtherThings(t *testing.T) {
	cut := small(230, 0, 0, 0)
	cut.shiftX = -330
	for name, s := range map[string]scene{
		"a column of squares covered": {view: small(460, 10, 30, 0), paper: 0.85, table: 0.35, blurPX: 0.5, card: blank(50, 5, 62, 50, 200)},
		"cut by the frame":            plain(cut),
		"no board":                    {view: small(460, 10, 30, 0), paper: 0.85, table: 0.35, blurPX: 0.5, card: blank(0, 0, CardWidthMM, CardHeightMM, 255)},
	} {
		if got, ok := boardIn(t, s); ok {
			t.Errorf("%s: found at %v", name, got)
		}
	}
	// A larger board, all of it to be seen, and pictures too small for any.
	for _, size := range [][2]int{{320, 320}, {8, 8}, {3, 200}, {1, 1}} {
		m := gocv.NewMatWithSize(size[1], size[0], gocv.MatTypeCV8UC1)
		for y := range size[1] {
			for x := range size[0] {
				m.SetUCharAt(y, x, uint8(40+180*((x/16+y/16)%2)))
			}
		}
		if got, ok := boardCorners(m); ok {
			t.Errorf("%d x %d pixels of squares: %d corners", size[0], size[1], len(got))
		}
		m.Close()
	}
}

// boardIn looks for a board in a photo of 800 x 600 px as it is.
func boardIn(t *testing.T, s scene) ([][2]float64, bool) {
	t.Helper()
	m := s.photo(t)
	defer m.Close()
	grey := grey8(m)
	defer grey.Close()
	return boardCorners(grey)
}
