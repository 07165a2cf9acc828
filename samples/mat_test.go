package samples_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tawsight/calib/sortmat"
)

// The photos of the sorting mat have truth whose marbles lie on its places.
func TestMatPhotos(t *testing.T) {
	n := 0
	for _, rel := range everyPhoto(t) {
		if !strings.HasPrefix(rel, "mat/") {
			continue
		}
		n++
		tr := load(t, rel)
		if tr.Mat != sortmat.Version || !tr.Card.Present || len(tr.Marbles) < 6 {
			t.Errorf("%s: mat %d, %d marbles", rel, tr.Mat, len(tr.Marbles))
		}
		for _, m := range tr.Marbles {
			if m.Place < 0 || m.Place > len(sortmat.Places()) || m.Base.Transmission == nil {
				t.Errorf("%s: marble %d on place %d", rel, m.ID, m.Place)
			}
		}
		if info, err := os.Stat(filepath.Join("photos", rel)); err != nil || info.Size() > 250000 {
			t.Errorf("%s is too large: %v, %v", rel, info, err)
		}
	}
	if n == 0 {
		t.Error("no photo of the mat")
	}
}
