package calib

import (
	"math"
	"testing"

	"gocv.io/x/gocv"
)

// An ID-1 card seen through a lens that moves the corners of the frame by some per
// cent: with the camera known its plane is found as through a pinhole, and places
// come back where they are in the photo; without, the height is off by more.
func TestRulersAreFoundThroughAKnownLens(t *testing.T) {
	const w, h = 720, 540
	p := tableView(w, h, 640, 190, 12, 20)
	lens := Lens{FocalPX: 640, CxPX: (w-1)/2.0 + 2, CyPX: (h-1)/2.0 - 1, MidX: (w - 1) / 2.0, MidY: (h - 1) / 2.0, K1: -0.12}
	// Drawn through the lens: a pixel shows what its ray meets.
	flat := drawTable(t, w+200, h+200, tableView(w+200, h+200, 640, 190, 12, 20), onTable(func(x, y float64) bool {
		return rounded(x+38, y+20, ID1WidthMM, ID1HeightMM, id1RadiusMM)
	}, cardFaces["black"]))
	defer flat.Close()
	bent := bentThrough(t, flat, &lens, w, h, 100)
	defer bent.Close()
	known := &KnownCamera{Lens: lens, FocalU: 0.004, PrincipalUPX: 0.5, Spread: []Lens{lens}}
	known.Spread[0].K1 *= 1.05
	wide := FocalPrior{640, focalSigmaEXIF, "exif"}
	with, why := Through(known, wide).FindID1(bent)
	if with == nil {
		t.Fatalf("not found with the camera: %q", why)
	}
	if e := with.Pose.Plane.HeightMM/p.Plane.HeightMM - 1; math.Abs(e) > 0.006 || math.Abs(with.Pose.TiltDeg-12) > 1.5 {
		t.Errorf("with the camera: height %.2f, want %.2f, tilt %.2f", with.Pose.Plane.HeightMM, p.Plane.HeightMM, with.Pose.TiltDeg)
	}
	if with.Pose.Camera.Lens == nil || with.Pose.FocalSource != "profile" || len(with.Pose.Lenses) != 1 {
		t.Errorf("the pose doesn't go through the lens: %+v", with.Pose.Camera)
	}
	// Its corners, where the photo has them.
	for _, c := range [4][2]float64{{-1, -1}, {1, -1}, {1, 1}, {-1, 1}} {
		x, y, _ := p.Pixel(-38+c[0]*ID1WidthMM/2, -20+c[1]*ID1HeightMM/2)
		x, y = lens.Seen(x, y)
		near := math.Inf(1)
		for _, q := range with.Taken[0] {
			near = math.Min(near, math.Hypot(q[0]-x, q[1]-y))
		}
		if near > 1 {
			t.Errorf("corner at %.1f, %.1f is %.1f px off", x, y, near)
		}
	}
	// The pose's own pixels are the photo's.
	if x, y, _ := with.Pose.Pixel(0, 0); math.Hypot(x-with.Taken[0][0][0], y-with.Taken[0][0][1]) > 0.5 {
		t.Errorf("the card's corner is seen at %.1f, %.1f, not at %.1f", x, y, with.Taken[0][0])
	}
	if without, _ := FindID1(bent, wide); without != nil {
		a, b := math.Abs(with.Pose.MMPerPX()/p.MMPerPX()-1), math.Abs(without.Pose.MMPerPX()/p.MMPerPX()-1)
		if a >= b {
			t.Errorf("the scale is off by %.4f with the camera and by %.4f without", a, b)
		}
	}
}

// bentThrough is a pinhole's picture, room px wider than the photo on each side, as
// a lens shows it.
func bentThrough(t *testing.T, flat gocv.Mat, l *Lens, w, h, room int) gocv.Mat {
	t.Helper()
	in, err := flat.DataPtrUint8()
	if err != nil {
		t.Fatal(err)
	}
	out := gocv.NewMatWithSize(h, w, gocv.MatTypeCV8UC3)
	o, err := out.DataPtrUint8()
	if err != nil {
		t.Fatal(err)
	}
	fw := w + 2*room
	for y := range h {
		for x := range w {
			u, v := l.Ideal(float64(x), float64(y))
			u, v = u+float64(room), v+float64(room)
			i, j := int(u), int(v)
			a, b := u-float64(i), v-float64(j)
			for k := range 3 {
				at := func(i, j int) float64 { return float64(in[3*(j*fw+i)+k]) }
				o[3*(y*w+x)+k] = uint8(at(i, j)*(1-a)*(1-b) + at(i+1, j)*a*(1-b) + at(i, j+1)*(1-a)*b + at(i+1, j+1)*a*b + 0.5)
			}
		}
	}
	return out
}
