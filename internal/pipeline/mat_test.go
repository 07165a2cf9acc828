package pipeline

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"tawsight/calib"
	"tawsight/calib/sortmat"
	"tawsight/samples"
	"tawsight/vision"
)

// aMat is a mat seen straight down from 400 mm, turned by deg about its own
// origin, printed at the scale given.
func aMat(deg, print float64) *matSeen {
	s, c := math.Sincos(deg * math.Pi / 180)
	pose := &calib.Pose{Camera: calib.Camera{FocalPX: 1500, CxPX: 800, CyPX: 600},
		R: [3][3]float64{{c, -s, 0}, {s, c, 0}, {0, 0, 1}}, T: calib.Vec3{-40, 30, 400},
		Plane: calib.Plane{Normal: calib.Vec3{0, 0, -1}, HeightMM: 400}}
	r := calib.CardRuler(pose, calib.PrintScale{Factor: print, U: 0.002})
	r.OnMat()
	return &matSeen{version: 1, ruler: r, pose: pose, print: print, contrast: sortmat.Contrast()}
}

// marbleAt is the outline of a marble of radius r that touches the mat at
// (x, y), as designed.
func (m *matSeen) marbleAt(x, y, r float64) vision.Outline {
	p := m.pose.CardPoint(x*m.print, y*m.print)
	centre := calib.Vec3{p[0], p[1], p[2] - r}
	d := centre.Norm()
	return vision.Outline{Cone: calib.Cone{V: centre.Unit().Scale(1 / math.Sqrt(1-r*r/(d*d)))}}
}

// Marbles have the numbers of their places whichever way the sheet lies and
// whatever order they were found in; what lies beside the places comes after.
func TestMarblesHaveTheirPlacesNumbers(t *testing.T) {
	places := sortmat.Places()
	for _, turn := range []float64{0, 90, 180, 271} {
		for _, print := range []float64{1, 0.97} {
			m := aMat(turn, print)
			at := func(n int, dx, dy, r float64) vision.Outline {
				return m.marbleAt(places[n-1].X+dx, places[n-1].Y+dy, r)
			}
			found := vision.Found{Marbles: []vision.Outline{
				at(17, 3, -4, 8),
				at(7, sortmat.PitchMM/2, sortmat.PitchMM/2, 7), // between four places, lower row
				at(29, 0, 0, 12.5),
				at(1, sortmat.PitchMM/2, 0, 8), // between 1 and 2
				at(2, 6, 6, 6),
				at(9, -8, 0, 6), // two on one place: the farther one
				at(9, 4.5, 0, 6),
				{}, // an outline that fits no sphere
			}}
			want := []int{4, 6, 0, 2, 3, 1, 5, 7} // 7's neighbour counts to the row above it, and lies farther left
			outlines := slices.Clone(found.Marbles)
			ids := m.number(&found)
			if wantIDs := []string{"2", "9", "17", "29", "30", "31", "32", "33"}; !slices.Equal(ids, wantIDs) {
				t.Errorf("turned %g, print %g: ids %v, want %v", turn, print, ids, wantIDs)
				continue
			}
			if wantPlaces := []int{2, 9, 17, 29, 0, 0, 0, 0}; !slices.Equal(m.places, wantPlaces) {
				t.Errorf("turned %g: places %v, want %v", turn, m.places, wantPlaces)
			}
			for i, k := range want {
				if found.Marbles[i].Cone != outlines[k].Cone {
					t.Errorf("turned %g: marble %s is not the one found as number %d", turn, ids[i], k+1)
				}
			}
		}
	}
}

// Without a mat ids count as they always did.
func TestIDsWithoutAMat(t *testing.T) {
	var none *matSeen
	found := vision.Found{Marbles: make([]vision.Outline, 3)}
	if ids := none.number(&found); !slices.Equal(ids, []string{"1", "2", "3"}) {
		t.Errorf("ids %v", ids)
	}
	if none.mark(found, 0, nil) != nil {
		t.Error("a mark without a mat")
	}
}

// On a rest the marble is as much higher as the rest holds it.
func TestRestsOnTheMat(t *testing.T) {
	m := aMat(0, 1)
	m.ruler.Rest = calib.Rest{Kind: calib.RestRing, WidthMM: sortmat.RingInnerMM, HeightMM: sortmat.RingThicknessMM}
	const r = 8.0
	h := m.ruler.Rest.CentreMM(r)
	p := m.pose.CardPoint(25, 92.5)
	centre := calib.Vec3{p[0], p[1], p[2] - h}
	d := centre.Norm()
	c, radius, ok := m.resting(vision.Outline{Cone: calib.Cone{V: centre.Unit().Scale(1 / math.Sqrt(1-r*r/(d*d)))}})
	if !ok || math.Abs(radius-r) > 1e-3 || math.Hypot(c[0]-centre[0], c[1]-centre[1]) > 1e-3 || math.Abs(c[2]-centre[2]) > 1e-3 {
		t.Errorf("centre %v, radius %.4f, want %v, %g", c, radius, centre, r)
	}
}

// The committed photos of the mat: every marble under its place's number.
func TestMatPhoto(t *testing.T) {
	if testing.Short() {
		t.Skip("measures a photo")
	}
	in := Inspect("../../samples/photos/mat/mat-1.jpg", 0)
	var ids []string
	for i, m := range in.Photo.Marbles {
		ids = append(ids, m.ID)
		if !in.Analyses[i].Mark.Looked {
			t.Errorf("marble %s: its mark was not looked for", m.ID)
		}
		// Features in mm need the size, which is known once the marble is seen
		// without its mark.
		if v, ok := m.Features["diameter_mm"]; m.DiameterMM == nil || !ok || math.Abs(v-*m.DiameterMM) > 0.01 {
			t.Errorf("marble %s: feature diameter_mm is %g (%t), its diameter %v", m.ID, v, ok, m.DiameterMM)
		}
	}
	// From the scene's truth, samples/truth/mat/mat-1.json.
	if want := []string{"1", "3", "5", "7", "10", "17", "18", "20"}; !slices.Equal(ids, want) {
		t.Errorf("ids %v, want %v", ids, want)
	}
	if in := Inspect("../../samples/photos/tray/tray-1.jpg", 0); len(in.Analyses) == 0 || in.Analyses[0].Face.Mark != nil {
		t.Error("a mark on plain paper")
	}
}

// The quick look knows the mat and the places as measuring does: against the truth
// of the samples.
func TestCheckKnowsTheMat(t *testing.T) {
	for _, name := range []string{"mat-1", "mat-2"} {
		path := "../../samples/photos/mat/" + name + ".jpg"
		truth, err := samples.LoadTruth("../../samples/truth/mat/" + name + ".json")
		if err != nil {
			t.Fatal(err)
		}
		ph := checkPhoto(path, RulerOptions{})
		if ph.Mat != truth.Mat || truth.Mat == 0 {
			t.Fatalf("%s: mat %d, want %d (%s)", name, ph.Mat, truth.Mat, ph.Error)
		}
		found := 0
		for _, want := range truth.Marbles {
			for _, m := range ph.Marbles {
				if math.Hypot(m.Outline.CxPX-want.Ellipse.CX, m.Outline.CyPX-want.Ellipse.CY) > 0.3*want.Ellipse.SemiMajor {
					continue
				}
				found++
				if m.Place != want.Place || want.Place > 0 && m.ID != fmt.Sprint(want.Place) {
					t.Errorf("%s: marble on place %d has place %d and number %s", name, want.Place, m.Place, m.ID)
				}
			}
		}
		if found < len(truth.Marbles)-1 {
			t.Errorf("%s: %d of %d marbles found", name, found, len(truth.Marbles))
		}
	}
}
