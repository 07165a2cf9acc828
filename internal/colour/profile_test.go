package colour

import (
	"encoding/binary"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// Profiles are written here by the ICC's specification (ICC.1:2022; 8.3 for
// what a matrix profile holds), from published primaries, so that none of
// another's needs to be carried along.

func s15(v float64) []byte {
	return binary.BigEndian.AppendUint32(nil, uint32(int32(math.Round(v*65536))))
}

func xyzTag(v [3]float64) []byte {
	b := []byte("XYZ \x00\x00\x00\x00")
	for _, x := range v {
		b = append(b, s15(x)...)
	}
	return b
}

// curvGamma is a curveType of one entry, a gamma (10.6).
func curvGamma(g float64) []byte {
	b := append([]byte("curv\x00\x00\x00\x00"), 0, 0, 0, 1)
	return binary.BigEndian.AppendUint16(b, uint16(math.Round(g*256)))
}

// curvTable is a sampled curveType.
func curvTable(n int, f func(float64) float64) []byte {
	b := binary.BigEndian.AppendUint32([]byte("curv\x00\x00\x00\x00"), uint32(n))
	for i := range n {
		b = binary.BigEndian.AppendUint16(b, uint16(math.Round(65535*f(float64(i)/float64(n-1)))))
	}
	return b
}

// para is a parametricCurveType (10.18).
func para(kind int, v ...float64) []byte {
	b := append([]byte("para\x00\x00\x00\x00"), 0, byte(kind), 0, 0)
	for _, x := range v {
		b = append(b, s15(x)...)
	}
	return b
}

var paraSRGB = para(3, 2.4, 1/1.055, 0.055/1.055, 1/12.92, 0.04045)

type tag struct {
	name string
	data []byte
}

func iccFile(major byte, class, space, pcs string, tags []tag) []byte {
	head := make([]byte, 128)
	head[8] = major
	copy(head[12:], class)
	copy(head[16:], space)
	copy(head[20:], pcs)
	copy(head[36:], "acsp")
	copy(head[68:], append(append(s15(0.9642), s15(1)...), s15(0.8249)...))
	body := binary.BigEndian.AppendUint32(nil, uint32(len(tags)))
	at := 128 + 4 + 12*len(tags)
	var data []byte
	for _, t := range tags {
		body = append(body, t.name...)
		body = binary.BigEndian.AppendUint32(body, uint32(at+len(data)))
		body = binary.BigEndian.AppendUint32(body, uint32(len(t.data)))
		data = append(data, t.data...)
		for len(data)%4 != 0 {
			data = append(data, 0)
		}
	}
	out := append(append(head, body...), data...)
	binary.BigEndian.PutUint32(out, uint32(len(out)))
	return out
}

// colorants are the XYZ, adapted to D50 by Bradford, of primaries; worked out
// apart from the code under test only in that they are rounded to s15Fixed16.
func colorants(xy [4][2]float64) (c [3][3]float64, chad [3][3]float64) {
	m, _ := ToLinearSRGB(xy)
	back := bradford(white, pcsWhite)
	xyzOf, _ := inverse(linearOfXYZ)
	m = times(back, times(xyzOf, m))
	for i := range 3 {
		for j := range 3 {
			c[j][i] = m[i][j]
		}
	}
	w := [3]float64{xy[3][0] / xy[3][1], 1, (1 - xy[3][0] - xy[3][1]) / xy[3][1]}
	return c, bradford(w, pcsWhite)
}

// nameTag is a name: a v2 'desc', mluc a v4 one.
func nameTag(major byte, name string) []byte {
	if major < 4 {
		b := binary.BigEndian.AppendUint32([]byte("desc\x00\x00\x00\x00"), uint32(len(name)+1))
		return append(append(b, name...), make([]byte, 1+8+3+67)...)
	}
	b := []byte("mluc\x00\x00\x00\x00\x00\x00\x00\x01\x00\x00\x00\x0cenUS")
	b = binary.BigEndian.AppendUint32(b, uint32(2*len(name)))
	b = binary.BigEndian.AppendUint32(b, 28)
	for _, r := range name {
		b = append(b, 0, byte(r))
	}
	return b
}

func matrixProfile(major byte, name string, xy [4][2]float64, curve []byte) []byte {
	c, chad := colorants(xy)
	var sf []byte
	for i := range chad {
		for j := range chad {
			sf = append(sf, s15(chad[i][j])...)
		}
	}
	tags := []tag{{"desc", nameTag(major, name)}, {"wtpt", xyzTag(pcsWhite)},
		{"rXYZ", xyzTag(c[0])}, {"gXYZ", xyzTag(c[1])}, {"bXYZ", xyzTag(c[2])},
		{"rTRC", curve}, {"gTRC", curve}, {"bTRC", curve}}
	if major >= 4 {
		tags = append(tags, tag{"chad", append([]byte("sf32\x00\x00\x00\x00"), sf...)})
	}
	return iccFile(major, "mntr", "RGB ", "XYZ ", tags)
}

func greyProfile(major byte, curve []byte) []byte {
	return iccFile(major, "mntr", "GRAY", "XYZ ", []tag{{"desc", nameTag(major, "grey")}, {"wtpt", xyzTag(pcsWhite)}, {"kTRC", curve}})
}

// tableProfile holds a lut16Type (10.10) of 17 points a side, to Lab: Adobe
// RGB's colours, with the blue made a little greener where red is high, so that
// channels don't add up.
func tableProfile() []byte {
	b := []byte("mft2\x00\x00\x00\x00\x03\x03\x11\x00")
	for i := range 9 {
		v := 0.0
		if i%4 == 0 {
			v = 1
		}
		b = append(b, s15(v)...)
	}
	b = append(b, 0, 2, 0, 2)
	ends := []byte{0, 0, 255, 255}
	for range 3 {
		b = append(b, ends...)
	}
	p := AdobeRGB()
	back := bradford(white, pcsWhite)
	for r := range 17 {
		for g := range 17 {
			for bl := range 17 {
				x, y, z := float64(r)/16, float64(g)/16, float64(bl)/16
				xyz := apply(back, LinearToXYZ(p.Linear(x, y+0.1*x*z*(1-y), z)))
				f := func(i int) float64 { return cieF(math.Max(0, xyz[i]/pcsWhite[i])) }
				// Version 2's 16-bit Lab (annex A.5 of ICC.1:2001-04).
				for i, v := range [3]float64{(116*f(1) - 16) * 652.8, (500*(f(0)-f(1)) + 128) * 256, (200*(f(1)-f(2)) + 128) * 256} {
					_ = i
					b = binary.BigEndian.AppendUint16(b, uint16(math.Max(0, math.Min(65535, math.Round(v)))))
				}
			}
		}
	}
	for range 3 {
		b = append(b, ends...)
	}
	return iccFile(2, "scnr", "RGB ", "Lab ", []tag{{"desc", nameTag(2, "a scanner")}, {"wtpt", xyzTag(pcsWhite)}, {"A2B0", b}})
}

// rommPrimaries are those of ROMM RGB (ISO 22028-2, Kodak's ProPhoto RGB), whose
// white is D50 as x = 0.3457, y = 0.3585.
var rommPrimaries = [4][2]float64{{0.7347, 0.2653}, {0.1596, 0.8404}, {0.0366, 0.0001}, {0.3457, 0.3585}}

func testProfiles() map[string][]byte {
	return map[string][]byte{
		"p3-v4":       matrixProfile(4, "Display P3", P3Primaries, paraSRGB),
		"adobe-v2":    matrixProfile(2, "Adobe RGB (1998)", AdobeRGBPrimaries, curvGamma(563.0/256)),
		"prophoto-v2": matrixProfile(2, "ROMM RGB", rommPrimaries, curvGamma(1.8)),
		"prophoto-v4": matrixProfile(4, "ROMM RGB", rommPrimaries, para(3, 1.8, 1, 0, 1.0/16, 16.0/512)),
		"srgb-v2":     matrixProfile(2, "sRGB", SRGBPrimaries, curvTable(1024, SRGBToLinear)),
		"linear-v4":   matrixProfile(4, "linear", BT2020Primaries, curvTable(0, nil)),
		"grey-v2":     greyProfile(2, curvGamma(1.8)),
		"grey-v4":     greyProfile(4, para(0, 2.2)),
		"table-v2":    tableProfile(),
	}
}

// The 24 colours on which profiles are compared, in percent of full scale.
func chart() (c [][3]float64) {
	for _, r := range []float64{0, 20, 50, 80, 100} {
		for _, g := range []float64{0, 35, 70, 100} {
			for _, b := range []float64{5, 50, 95} {
				c = append(c, [3]float64{r, g, b})
			}
		}
	}
	return append(c, [3]float64{50, 50, 50}, [3]float64{100, 100, 100}, [3]float64{10, 10, 10})
}

// TestWriteProfiles writes the profiles where testdata/lcms/make.sh asks for
// them.
func TestWriteProfiles(t *testing.T) {
	dir := os.Getenv("PROFILES_DIR")
	if dir == "" {
		t.Skip("only for testdata/lcms/make.sh")
	}
	for name, data := range testProfiles() {
		if err := os.WriteFile(filepath.Join(dir, name+".icc"), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	f, err := os.Create(filepath.Join(dir, "chart.txt"))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range chart() {
		fmt.Fprintf(f, "%g %g %g\n", c[0], c[1], c[2])
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}

// testdata/lcms/README.md says how Little CMS was asked.
func TestProfilesAgainstLittleCMS(t *testing.T) {
	f, err := os.Open("testdata/lcms/lab.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	made := testProfiles()
	worst, count := map[string]float64{}, map[string]int{}
	back := bradford(white, pcsWhite)
	for _, row := range rows[1:] {
		var v [6]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(row[1+i], 64); err != nil {
				t.Fatal(err)
			}
		}
		p, err := ReadProfile(made[row[0]])
		if err != nil {
			t.Fatalf("%s: %v", row[0], err)
		}
		xyz := apply(back, LinearToXYZ(p.Linear(v[0]/100, v[1]/100, v[2]/100)))
		lab := [3]float64{}
		var fs [3]float64
		for i := range fs {
			fs[i] = cieF(xyz[i] / pcsWhite[i])
		}
		lab = [3]float64{116*fs[1] - 16, 500 * (fs[0] - fs[1]), 200 * (fs[1] - fs[2])}
		d := DeltaE00(lab, [3]float64{v[3], v[4], v[5]})
		worst[row[0]] = math.Max(worst[row[0]], d)
		count[row[0]]++
		if d > 0.5 {
			t.Errorf("%s %v: Lab %.2f, Little CMS %v, dE00 %.2f", row[0], v[:3], lab, v[3:], d)
		}
		// The tables that photos are read by.
		if tab := p.Table(true); row[1] == row[2] && row[2] == row[3] || !p.Grey {
			c := [3]int{}
			for i := range c {
				c[i] = int(v[i]/100*65535 + 0.5)
			}
			got, want := tab.Sum(c[0], c[1], c[2]), p.Linear(float64(c[0])/65535, float64(c[1])/65535, float64(c[2])/65535)
			for i := range got {
				if math.Abs(float64(got[i])-want[i]) > 2e-5 {
					t.Errorf("%s: table %v, profile %v", row[0], got, want)
				}
			}
		}
	}
	for name := range made {
		if name == "table-v2" {
			continue
		}
		if count[name] != len(chart()) && count[name] < 3 {
			t.Errorf("%s: %d colours compared", name, count[name])
		}
		t.Logf("%-12s worst dE00 %.3f of %d colours", name, worst[name], count[name])
	}
	if _, err := ReadProfile(made["table-v2"]); err != ErrTables {
		t.Errorf("a profile of tables: %v", err)
	}
	for name, want := range map[string]bool{"srgb-v2": true, "p3-v4": false, "adobe-v2": false, "grey-v4": false} {
		if p, _ := ReadProfile(made[name]); p.SRGB != want {
			t.Errorf("%s: sRGB %v", name, p.SRGB)
		}
	}
	if p, _ := ReadProfile(made["p3-v4"]); p.Name != "Display P3" {
		t.Errorf("named %q", p.Name)
	}
}

// The matrix from Display P3 to sRGB, linear, as W3C's CSS Color Module Level
// 4 gives its steps (section 18, sample code: lin_P3_to_XYZ, XYZ_to_lin_sRGB;
// both as fractions), multiplied out.
func TestDisplayP3Matrix(t *testing.T) {
	p3 := [3][3]float64{
		{608311.0 / 1250200, 189793.0 / 714400, 198249.0 / 1000160},
		{35783.0 / 156275, 247089.0 / 357200, 198249.0 / 2500400},
		{0, 32229.0 / 714400, 5220557.0 / 5000800},
	}
	srgb := [3][3]float64{
		{12831.0 / 3959, -329.0 / 214, -1974.0 / 3959},
		{-851781.0 / 878810, 1648619.0 / 878810, 36519.0 / 878810},
		{705.0 / 12673, -2585.0 / 12673, 705.0 / 667},
	}
	want := times(srgb, p3)
	got, ok := ToLinearSRGB(P3Primaries)
	if !ok {
		t.Fatal("no matrix")
	}
	for i := range 3 {
		for j := range 3 {
			if math.Abs(got[i][j]-want[i][j]) > 2e-4 {
				t.Errorf("[%d][%d]: %.5f, want %.5f", i, j, got[i][j], want[i][j])
			}
		}
	}
	// The primaries of P3 lie outside sRGB, and must stay there.
	if v := DisplayP3().Linear(1, 0, 0); v[0] < 1.2 || v[1] > -0.03 {
		t.Errorf("P3's red is %v", v)
	}
}

// Adobe RGB (1998) Color Image Encoding (2005-05), 4.3.5.3 and annex A: linear
// RGB to XYZ, and the gamma of 2.19921875.
func TestAdobeRGBEncoding(t *testing.T) {
	m := [3][3]float64{{0.57667, 0.18556, 0.18823}, {0.29734, 0.62736, 0.07529}, {0.02703, 0.07069, 0.99134}}
	for _, c := range [][3]float64{{1, 1, 1}, {1, 0, 0}, {0, 1, 0}, {0, 0, 1}, {0.5, 0.2, 0.8}, {0.3, 0.3, 0.3}} {
		var lin [3]float64
		for i := range c {
			lin[i] = math.Pow(c[i], 2.19921875)
		}
		want, got := apply(m, lin), LinearToXYZ(AdobeRGB().Linear(c[0], c[1], c[2]))
		if d := DeltaE00(XYZToLab(got), XYZToLab(want)); d > 0.1 {
			t.Errorf("%v: XYZ %v, want %v, dE00 %.3f", c, got, want, d)
		}
	}
}

func TestDamagedProfilesAreRefused(t *testing.T) {
	good := testProfiles()["p3-v4"]
	if _, err := ReadProfile(nil); err == nil {
		t.Error("nothing was taken for a profile")
	}
	cmyk := append([]byte(nil), good...)
	copy(cmyk[16:], "CMYK")
	if _, err := ReadProfile(cmyk); err != ErrNotRGB {
		t.Errorf("CMYK: %v", err)
	}
	for n := range good {
		if _, err := ReadProfile(good[:n]); err == nil {
			t.Fatalf("cut at %d and read", n)
		}
	}
	huge := append([]byte(nil), good...)
	binary.BigEndian.PutUint32(huge[128:], math.MaxUint32) // tags
	if _, err := ReadProfile(huge); err == nil {
		t.Error("4 thousand million tags were read")
	}
	// Any byte changed: an error or finite colours.
	for name, data := range testProfiles() {
		step := 1 + len(data)/300
		for i := 0; i < len(data); i += step {
			for _, v := range []byte{0, 1, 0x7f, 0xff} {
				d := append([]byte(nil), data...)
				d[i] = v
				p, err := readProfile(d)
				if err != nil {
					continue
				}
				if c := p.Linear(0.3, 0.6, 0.9); math.IsNaN(c[0] + c[1] + c[2]) {
					t.Errorf("%s, byte %d = %d: %v", name, i, v, c)
				}
			}
		}
	}
}
