//go:build matprofile

package vision

import (
	"bytes"
	"testing"

	"gocv.io/x/gocv"

	"tawsight/calib"
	"tawsight/features"
)

// Every matrix that is made is closed: gocv's own profile of them counts no more
// after many photos than after the first. Built with -tags matprofile only,
// since the profile slows everything down (make leaks).
func TestNoMatrixIsLeftOpen(t *testing.T) {
	// With a card, and without one.
	paths := []string{"../samples/photos/tray/tray-1.jpg", "../samples/photos/poor/no-card.jpg"}
	start := gocv.MatProfile.Count()
	// The profile does count.
	m := gocv.NewMat()
	if n := gocv.MatProfile.Count(); n != start+1 {
		t.Fatalf("one matrix more makes %d of %d", n, start)
	}
	m.Close()
	for round := range 3 {
		for _, path := range paths {
			p, err := Open(path)
			if err != nil {
				t.Fatal(err)
			}
			det := calib.Detect(p.Mat())
			sc := straightDown(p.Width, p.Height)
			light := Light{White: calib.Neutral()}
			if det.Found {
				if w, ok := calib.ReadWhite(p.Mat(), det.Corners); ok {
					light.White = w
				}
				sc.BlurPX = calib.EdgeSigmaPX(p.Mat(), det.Corners)
			}
			found := Find(p, sc)
			if len(found.Marbles) == 0 {
				t.Errorf("%s: no marbles, so nothing is tried of what follows", path)
			}
			for i, o := range found.Marbles {
				features.Analyse(Face(p, found, i, light, 0, nil))
				Crop(p, o, light, 1, 64)
			}
			p.Image(500)
			p.Close()
			p.Close() // a second Close does no harm
		}
		DropSpares()
		if n := gocv.MatProfile.Count(); n != start {
			var b bytes.Buffer
			gocv.MatProfile.WriteTo(&b, 1)
			t.Fatalf("round %d: %d matrices open, %d at the start\n%s", round+1, n, start, b.String())
		}
	}
	// Files that fail to decode leave none either.
	for _, data := range [][]byte{nil, {0xff, 0xd8, 0xff}, bytes.Repeat([]byte{0x5a}, 300)} {
		if p, err := Decode("bad.jpg", data); err == nil {
			p.Close()
		}
	}
	DropSpares()
	if n := gocv.MatProfile.Count(); n != start {
		t.Errorf("%d matrices open after files that can't be read, %d at the start", n, start)
	}
}
