package colour

import (
	"math"
	"testing"
)

// FuzzReadProfile reads ICC profiles: nothing may panic, and a profile that is
// taken gives finite light for every code.
func FuzzReadProfile(f *testing.F) {
	for _, p := range seeds(f) {
		f.Add(p)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := ReadProfile(data)
		if err != nil {
			return
		}
		for _, c := range [][3]float64{{0, 0, 0}, {1, 1, 1}, {0.2, 0.5, 0.9}, {1, 0, 0}} {
			for _, v := range p.Linear(c[0], c[1], c[2]) {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Fatalf("%v is %v", c, p.Linear(c[0], c[1], c[2]))
				}
			}
		}
	})
}

// seeds are profiles with every kind of curve.
func seeds(testing.TB) (out [][]byte) {
	c, _ := colorants([4][2]float64{{0.64, 0.33}, {0.30, 0.60}, {0.15, 0.06}, {0.3127, 0.3290}})
	for _, curve := range [][]byte{paraSRGB, curvGamma(2.2), curvTable(17, math.Sqrt), para(0, 1.8), para(4, 2.4, 1, 0, 0.1, 0.04, 0.01, 0.01)} {
		tags := []tag{{"wtpt", xyzTag([3]float64{0.9642, 1, 0.8249})}}
		for j, n := range []string{"r", "g", "b"} {
			tags = append(tags, tag{n + "XYZ", xyzTag([3]float64{c[0][j], c[1][j], c[2][j]})}, tag{n + "TRC", curve})
		}
		out = append(out, iccFile(4, "mntr", "RGB ", "XYZ ", tags))
	}
	return append(out, iccFile(2, "mntr", "GRAY", "XYZ ", []tag{{"kTRC", curvGamma(1.8)}}))
}
