package main

import (
	"math"
	"testing"

	"tawsight/calib/sortmat"
)

// Every photo of the mat can be laid out, at the seeds of the committed photos
// and at others, and its marbles lie where the truth says.
func TestMatPhotos(t *testing.T) {
	for _, shift := range []int64{0, 1000, 2000} {
		for _, p := range matCatalogue(shift) {
			s, err := p.build()
			if err != nil {
				t.Errorf("shift %d: %v", shift, err)
				continue
			}
			truth, err := s.Truth()
			if err != nil {
				t.Fatal(err)
			}
			if truth.Mat != sortmat.Version || len(truth.Marbles) != p.marbles {
				t.Errorf("%s: mat %d, %d marbles", p.path, truth.Mat, len(truth.Marbles))
			}
			used := map[int]bool{}
			for _, m := range truth.Marbles {
				if m.CutOff || m.Place > 0 && used[m.Place] {
					t.Errorf("%s: marble %d is cut off or shares place %d", p.path, m.ID, m.Place)
				}
				used[m.Place] = true
				if m.Place == 0 {
					continue
				}
				at := sortmat.Places()[m.Place-1]
				var x, y float64
				for k := range 3 {
					d := m.CentreMM[k] - truth.Card.TopLeftWorldMM[k]
					x += d * truth.Card.XAxisWorld[k]
					y += d * truth.Card.YAxisWorld[k]
				}
				if d := math.Hypot(x-at.X, y-at.Y); d > p.offMM+0.01 {
					t.Errorf("%s: marble %d lies %.2f mm beside place %d", p.path, m.ID, d, m.Place)
				}
			}
		}
	}
}
