package vision

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"encoding/csv"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/draw"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/image/bmp"
	"golang.org/x/image/tiff"

	"tawsight/internal/colour"
	"tawsight/internal/mangle"
)

// testdata/formats/make.sh says how the samples were made.
func sample(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("testdata", "formats", name))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// patches are the samples' 32 colours, row by row.
func patches(t testing.TB) (c [4][8][3]float64) {
	t.Helper()
	rows, err := csv.NewReader(bytes.NewReader(sample(t, "patches.csv"))).ReadAll()
	if err != nil || len(rows) != 33 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, r := range rows[1:] {
		var v [5]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(r[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		c[int(v[1])][int(v[0])] = [3]float64{v[2], v[3], v[4]}
	}
	return c
}

// patchLab is a photo's colour in the middle of a patch, as it is measured.
func patchLab(p *Photo, col, row int) [3]float64 {
	px := p.pixels()
	var sum [3]float64
	for y := 12*row + 5; y < 12*row+7; y++ {
		for x := 12*col + 5; x < 12*col+7; x++ {
			for k, v := range px.Linear(x, y) {
				sum[k] += v / 4
			}
		}
	}
	return colour.LinearToLab(sum)
}

func TestFormatsAreRead(t *testing.T) {
	srgb := func(c [3]float64) [3]float64 {
		var lin [3]float64
		for i := range c {
			lin[i] = colour.SRGBToLinear(c[i] / 255)
		}
		return colour.LinearToLab(lin)
	}
	p3 := func(c [3]float64) [3]float64 {
		return colour.LinearToLab(colour.DisplayP3().Linear(c[0]/255, c[1]/255, c[2]/255))
	}
	for _, tt := range []struct {
		file    string
		meaning func([3]float64) [3]float64
		sixteen bool
		median  float64 // dE00 of half the patches, at most
		worst   float64
		profile string
	}{
		{"lossless.webp", srgb, false, 0, 0.001, ""},
		{"plain.tif", srgb, false, 0, 0.001, ""},
		{"lzw.tif", srgb, false, 0, 0.001, ""},
		{"deep.tif", srgb, true, 0, 0.001, ""},
		{"pages.tif", srgb, false, 0, 0.001, ""},
		{"deep.png", srgb, true, 0, 0.001, ""},
		{"plain.bmp", srgb, false, 0, 0.001, ""},
		// Lossy ones: half the patches as good as the colour tables', the
		// worst as far off as their encoders leave the dark ones.
		{"lossy.webp", srgb, false, 1.5, 6, ""},
		{"plain.heic", srgb, false, 0.6, 2.5, ""},
		{"ten-bit.heic", srgb, false, 0.6, 2.5, ""},
		{"p3.heic", p3, false, 0.8, 3, "Display P3"},
		{"arithmetic.jpg", srgb, false, 0.6, 2.5, ""},
		{"progressive.jpg", srgb, false, 0.6, 2.5, ""},
	} {
		t.Run(tt.file, func(t *testing.T) {
			p := decode(t, tt.file, sample(t, tt.file))
			if p.SixteenBit() != tt.sixteen || p.Profile != tt.profile {
				t.Errorf("16 bit %v, profile %q", p.SixteenBit(), p.Profile)
			}
			if p.Width != 96 || p.Height != 48 {
				t.Fatalf("%d x %d", p.Width, p.Height)
			}
			var d []float64
			for row, r := range patches(t) {
				for col, c := range r {
					d = append(d, colour.DeltaE00(patchLab(p, col, row), tt.meaning(c)))
				}
			}
			within := 0
			worst := 0.0
			for _, v := range d {
				if v <= tt.median+0.001 {
					within++
				}
				worst = math.Max(worst, v)
			}
			t.Logf("worst dE00 %.2f, %d of %d within %.2f", worst, within, len(d), tt.median)
			if within < len(d)/2 || worst > tt.worst {
				t.Errorf("worst dE00 %.2f, want %.2f; %d of %d within %.2f", worst, tt.worst, within, len(d), tt.median)
			}
		})
	}
	t.Run("thinned colour", func(t *testing.T) {
		// 4:1:1 with restart markers: lightness only is right everywhere.
		p := decode(t, "four-one-one.jpg", sample(t, "four-one-one.jpg"))
		for row, r := range patches(t) {
			for col, c := range r {
				if got, want := patchLab(p, col, row)[0], srgb(c)[0]; math.Abs(got-want) > 12 {
					t.Errorf("patch %d, %d: L* %.1f, want %.1f", col, row, got, want)
				}
			}
		}
	})
	t.Run("grey", func(t *testing.T) {
		for name, sixteen := range map[string]bool{"grey.heic": false, "grey16.tif": true} {
			p := decode(t, name, sample(t, name))
			if p.SixteenBit() != sixteen {
				t.Errorf("%s: 16 bit %v", name, p.SixteenBit())
			}
			a, b := patchLab(p, 0, 0), patchLab(p, 3, 3)
			if math.Abs(a[1])+math.Abs(a[2]) > 0.5 || b[0] < a[0]+20 {
				t.Errorf("%s: %v and %v", name, a, b)
			}
		}
	})
	t.Run("alpha over white", func(t *testing.T) {
		p := decode(t, "alpha.webp", sample(t, "alpha.webp"))
		px := p.pixels()
		// The bottom row of the gradient is transparent, the top opaque.
		if c := px.Encoded(50, 47); c[0] < 0.97 || c[1] < 0.97 || c[2] < 0.97 {
			t.Errorf("transparent: %v", c)
		}
		if c, want := px.Encoded(5, 0), patches(t)[0][0]; math.Abs(float64(c[0])*255-want[0]) > 3 {
			t.Errorf("opaque: %v, want %v", c, want)
		}
	})
}

// turnedHEIC is a sample with its box for the depth of pixels made into one of
// another property (ISO/IEC 23008-12, 6.5.10 and 6.5.12: irot's byte is quarter
// turns anticlockwise, imir's 0 swaps left and right here and 1 top and bottom).
func turnedHEIC(t testing.TB, kind string, value byte) []byte {
	t.Helper()
	data := append([]byte(nil), sample(t, "plain.heic")...)
	at := bytes.Index(data, []byte("pixi"))
	if at < 0 {
		t.Fatal("the sample has no pixi box")
	}
	copy(data[at:], kind)
	data[at+4] = value
	return data
}

// The HEIC's EXIF block says "turned" as well, as phones write it: that must
// not be applied again.
func TestHEICIsTurnedOnce(t *testing.T) {
	for _, tt := range []struct {
		kind     string
		value    byte
		w, h     int
		col, row int // where the stored picture's top left patch is seen
	}{
		{"irot", 0, 96, 48, 0, 0},
		{"irot", 1, 48, 96, 0, 7},
		{"irot", 2, 96, 48, 7, 3},
		{"irot", 3, 48, 96, 3, 0},
		{"imir", 0, 96, 48, 0, 3},
		{"imir", 1, 96, 48, 7, 0},
	} {
		data := turnedHEIC(t, tt.kind, tt.value)
		// The EXIF orientation of the sample, 1, made 6.
		at := bytes.Index(data, []byte{0x01, 0x12, 0, 3, 0, 0, 0, 1, 0, 1})
		if at < 0 {
			t.Fatal("the sample's EXIF block has no orientation: this proves nothing")
		}
		data[at+9] = 6
		p := decode(t, "turned.heic", data)
		if p.Meta.Orientation != 1 || p.Width != tt.w || p.Height != tt.h {
			t.Errorf("%s %d: %d x %d, said to be %d", tt.kind, tt.value, p.Width, p.Height, p.Meta.Orientation)
			continue
		}
		var lin [3]float64
		for i, v := range patches(t)[0][0] {
			lin[i] = colour.SRGBToLinear(v / 255)
		}
		if d := colour.DeltaE00(patchLab(p, tt.col, tt.row), colour.LinearToLab(lin)); d > 3 {
			t.Errorf("%s %d: the first patch is not at %d, %d (dE00 %.1f)", tt.kind, tt.value, tt.col, tt.row, d)
		}
	}
}

// The profile's box made into one of code points: P3 with sRGB's curve is taken
// as such, high dynamic range is doubted.
func TestHEICCodePoints(t *testing.T) {
	points := func(primaries, transfer byte) []byte {
		data := append([]byte(nil), sample(t, "p3.heic")...)
		at := bytes.Index(data, []byte("colrprof"))
		if at < 0 {
			t.Fatal("the sample has no profile")
		}
		copy(data[at+4:], []byte{'n', 'c', 'l', 'x', 0, primaries, 0, transfer, 0, 6, 0x80})
		return data
	}
	if p := decode(t, "p3", points(12, 13)); p.Profile != "Display P3" || len(p.Notes) != 0 {
		t.Errorf("profile %q, notes %+v", p.Profile, p.Notes)
	}
	if p := decode(t, "srgb", points(1, 13)); p.Profile != "" || len(p.Notes) != 0 {
		t.Errorf("profile %q, notes %+v", p.Profile, p.Notes)
	}
	if p := decode(t, "pq", points(9, 16)); len(p.Notes) != 1 || !p.Notes[0].Colour {
		t.Errorf("notes %+v", p.Notes)
	}
}

func TestFormatsThatAreRefused(t *testing.T) {
	jpg := jpegOf(t, texture(32, 32), 90)
	tiffMosaic := func(entries []tiffEntry) []byte { return tiffOf(entries) }
	for _, tt := range []struct {
		name, says string
		data       []byte
	}{
		{"cmyk.jpg", "printing colours", sample(t, "cmyk.jpg")},
		{"cmyk.tif", "printing colours", sample(t, "cmyk.tif")},
		{"lab.tif", "Lab", sample(t, "lab.tif")},
		{"planar.tif", "apart", sample(t, "planar.tif")},
		{"jpeg.tif", "JPEG inside", sample(t, "jpeg.tif")},
		{"animated.webp", "animated", sample(t, "animated.webp")},
		{"plain.avif", "AVIF", sample(t, "plain.avif")},
		{"plain.gif", "256 colours", sample(t, "plain.gif")},
		{"a.dng", "camera raw", tiffMosaic([]tiffEntry{{254, 0}, {262, 32803}, {50706, "\x01\x04\x00\x00\x00"}})},
		{"mosaic.tif", "camera raw", tiffMosaic([]tiffEntry{{254, 0}, {262, 32803}})},
		{"a.nef", "camera raw", tiffOf([]tiffEntry{{254, 1}, {262, 2}, {330, []tiffEntry{{262, 32803}}}})},
		{"nef.tif", "camera raw", tiffOf([]tiffEntry{{254, 1}, {262, 2}, {330, []tiffEntry{{262, 32803}}}})},
		{"by-name.ARW", "camera raw", sample(t, "plain.tif")},
		{"a.cr2", "camera raw", []byte("II*\x00\x10\x00\x00\x00CR\x02\x00\x00\x00\x00\x00")},
		{"a.cr3", "camera raw", []byte("\x00\x00\x00\x18ftypcrx \x00\x00\x00\x01crx isom")},
		{"a.raf", "camera raw", []byte("FUJIFILMCCD-RAW 0201FF389501")},
		{"a.orf", "camera raw", []byte("IIRO\x08\x00\x00\x00")},
		{"a.rw2", "camera raw", []byte("IIU\x00\x18\x00\x00\x00")},
		{"twelve", "12 bits", func() []byte {
			d := append([]byte(nil), jpg...)
			i := sofAt(t, d)
			d[i+1], d[i+4] = 0xc9, 12
			return d
		}()},
		{"scans without end", "scans", func() []byte {
			d := sample(t, "progressive.jpg")
			sos := []byte{0xff, 0xda, 0, 8, 1, 1, 0, 0, 63, 0}
			return append(append(d[:len(d)-2:len(d)-2], bytes.Repeat(sos, 200)...), 0xff, 0xd9)
		}()},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p, err := Decode(tt.name, tt.data)
			refused(t, tt.name, p, err)
			if !strings.Contains(fmt.Sprint(err), tt.says) {
				t.Errorf("%q is not in: %v", tt.says, err)
			}
			if strings.Contains(tt.says, "raw") && !strings.Contains(fmt.Sprint(err), "export it as JPEG or TIFF") {
				t.Errorf("no advice: %v", err)
			}
		})
	}
}

func TestSecondPagesAreNamed(t *testing.T) {
	p := decode(t, "pages.tif", sample(t, "pages.tif"))
	if len(p.Notes) != 1 || p.Notes[0].Colour || !strings.Contains(p.Notes[0].Message, "2 pictures") {
		t.Errorf("notes: %+v", p.Notes)
	}
	// Of a JPEG with further pictures behind it (as MPO has), the first.
	first, second := jpegOf(t, texture(40, 30), 90), jpegOf(t, image.NewGray(image.Rect(0, 0, 20, 20)), 90)
	_, _, a := pixels(t, decode(t, "a.jpg", first))
	_, _, b := pixels(t, decode(t, "a.mpo", append(append([]byte(nil), first...), second...)))
	if _, worst := apart(a, b); worst != 0 {
		t.Errorf("the second picture shows: %g", worst)
	}
}

func TestMetadataOfOtherFormats(t *testing.T) {
	for _, name := range []string{"plain.heic", "lossy.webp", "plain.tif"} {
		m := decode(t, name, sample(t, name)).Meta
		if m.Camera() != "Attic Pocket 3" || m.Focal35MM != 26 || m.TakenISO != "2026-05-02T10:11:12" || m.Orientation != 1 {
			t.Errorf("%s: %+v", name, m)
		}
	}
	// TIFF's own orientation is applied.
	data := sample(t, "plain.tif")
	d, err := firstDirectory(data)
	if err != nil || d.first(tagOrientation, 0) != 1 {
		t.Fatalf("orientation %v, %v", d.numbers[tagOrientation], err)
	}
	at := bytes.LastIndex(data, []byte{0x12, 0x01, 3, 0, 1, 0, 0, 0, 1, 0})
	if at < 0 {
		t.Fatal("no such field")
	}
	turned := append([]byte(nil), data...)
	turned[at+8] = 6
	if p := decode(t, "turned.tif", turned); p.Width != 48 || p.Height != 96 || p.Meta.Orientation != 6 {
		t.Errorf("%d x %d, %+v", p.Width, p.Height, p.Meta)
	}
}

// withProfile puts an ICC profile into a JPEG in pieces, the last piece first.
func withProfile(jpg, profile []byte, pieces int) []byte {
	out := append([]byte(nil), jpg[:2]...)
	for i := pieces; i >= 1; i-- {
		part := profile[(i-1)*len(profile)/pieces : i*len(profile)/pieces]
		seg := append([]byte("ICC_PROFILE\x00"), byte(i), byte(pieces))
		seg = append(seg, part...)
		out = binary.BigEndian.AppendUint16(append(out, 0xff, 0xe2), uint16(len(seg)+2))
		out = append(out, seg...)
	}
	return append(out, jpg[2:]...)
}

// p3Profile is Display P3 (ICC.1:2022) with the colorants that follow from its
// primaries, as screens' profiles give them, and sRGB's curve as a gamma table.
func p3Profile() []byte {
	s15 := func(v float64) []byte { return binary.BigEndian.AppendUint32(nil, uint32(int32(math.Round(v*65536)))) }
	xyz := func(v ...float64) []byte {
		b := []byte("XYZ \x00\x00\x00\x00")
		for _, x := range v {
			b = append(b, s15(x)...)
		}
		return b
	}
	para := append([]byte("para\x00\x00\x00\x00\x00\x03\x00\x00"), bytes.Join([][]byte{s15(2.4), s15(1 / 1.055), s15(0.055 / 1.055), s15(1 / 12.92), s15(0.04045)}, nil)...)
	tags := []struct {
		name string
		data []byte
	}{{"wtpt", xyz(0.9642, 1, 0.8249)}, {"rXYZ", xyz(0.51512, 0.24120, -0.00105)}, {"gXYZ", xyz(0.29198, 0.69225, 0.04189)}, {"bXYZ", xyz(0.15710, 0.06657, 0.78407)},
		{"rTRC", para}, {"gTRC", para}, {"bTRC", para}}
	head := make([]byte, 128)
	head[8] = 4
	copy(head[12:], "mntrRGB XYZ ")
	copy(head[36:], "acsp")
	table, data := binary.BigEndian.AppendUint32(nil, uint32(len(tags))), []byte(nil)
	for _, tag := range tags {
		table = append(table, tag.name...)
		table = binary.BigEndian.AppendUint32(table, uint32(132+12*len(tags)+len(data)))
		table = binary.BigEndian.AppendUint32(table, uint32(len(tag.data)))
		data = append(data, tag.data...)
	}
	out := append(append(head, table...), data...)
	binary.BigEndian.PutUint32(out, uint32(len(out)))
	return out
}

// One chart in Display P3 in every format that can say so: the colours must be
// those of P3 to 0.5 dE00, beyond sRGB too.
func TestProfilesAreHonoured(t *testing.T) {
	colours := [][3]uint8{{255, 0, 0}, {0, 255, 0}, {200, 60, 30}, {128, 128, 128}, {20, 40, 200}, {250, 240, 90}}
	img := image.NewNRGBA(image.Rect(0, 0, 32*len(colours), 32))
	for i, c := range colours {
		draw.Draw(img, image.Rect(32*i, 0, 32*i+32, 32), image.NewUniform(color.NRGBA{c[0], c[1], c[2], 255}), image.Point{}, draw.Src)
	}
	icc := p3Profile()
	pngWith := func(extra ...[]byte) []byte {
		d := pngOf(t, img)
		out := append([]byte(nil), d[:33]...)
		for _, e := range extra {
			out = append(out, e...)
		}
		return append(out, d[33:]...)
	}
	deflated := func() []byte {
		var b bytes.Buffer
		b.WriteString("P3\x00\x00")
		w := zlib.NewWriter(&b)
		_, _ = w.Write(icc)
		_ = w.Close()
		return b.Bytes()
	}()
	chrm := func(v ...uint32) (b []byte) {
		for _, x := range v {
			b = binary.BigEndian.AppendUint32(b, x)
		}
		return b
	}
	webp := func() []byte { // the lossless sample, in an extended file with the profile
		simple := sample(t, "lossless.webp")
		body := append([]byte("VP8X\x0a\x00\x00\x00\x20\x00\x00\x00"), 95, 0, 0, 47, 0, 0)
		body = binary.LittleEndian.AppendUint32(append(body, "ICCP"...), uint32(len(icc)))
		body = append(append(body, icc...), make([]byte, len(icc)%2)...)
		body = append(append([]byte("WEBP"), body...), simple[12:]...)
		return append(binary.LittleEndian.AppendUint32([]byte("RIFF"), uint32(len(body))), body...)
	}()
	for _, tt := range []struct {
		name string
		data []byte
		tol  float64
	}{
		{"JPEG, one piece", withProfile(jpegOf(t, img, 100), icc, 1), 1.5},
		{"JPEG, three pieces", withProfile(jpegOf(t, img, 100), icc, 3), 1.5},
		{"PNG, iCCP", pngWith(chunk("iCCP", deflated)), 0.5},
		{"PNG, cICP", pngWith(chunk("cICP", []byte{12, 13, 0, 1}), chunk("sRGB", []byte{0})), 0.5},
		{"PNG, gAMA and cHRM", pngWith(chunk("gAMA", chrm(45455)), chunk("cHRM", chrm(31270, 32900, 68000, 32000, 26500, 69000, 15000, 6000))), 0.5},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := decode(t, "p3", tt.data)
			if p.own == nil || len(p.Notes) != 0 {
				t.Fatalf("taken for sRGB; notes %+v", p.Notes)
			}
			px := p.pixels()
			for i, c := range colours {
				got := px.Linear(32*i+16, 16)
				want := colour.DisplayP3().Linear(float64(c[0])/255, float64(c[1])/255, float64(c[2])/255)
				if d := colour.DeltaE00(colour.LinearToLab(got), colour.LinearToLab(want)); d > tt.tol {
					t.Errorf("%v: linear %.3f, want %.3f, dE00 %.2f", c, got, want, d)
				}
			}
			if l := px.Linear(16, 16); l[0] < 1.1 {
				t.Errorf("P3's red was clipped to %v", l)
			}
			// What is looked at is sRGB, clipped.
			if e := px.Encoded(16, 16); e[0] < 0.98 || e[1] > 0.05 {
				t.Errorf("P3's red is shown as %v", e)
			}
		})
	}
	// A gamma of 1 is linear light.
	linear := decode(t, "linear", pngWith(chunk("gAMA", chrm(100000)))).pixels()
	if l, e := linear.Linear(32*3+16, 16), linear.Encoded(32*3+16, 16); math.Abs(l[1]-128.0/255) > 1e-4 || math.Abs(float64(e[1])-colour.LinearToSRGB(128.0/255)) > 0.5/255+1e-4 {
		t.Errorf("half of full scale under a gamma of 1: linear %v, sRGB %v", l, e)
	}
	if p := decode(t, "p3.webp", webp); p.own == nil {
		t.Error("a WebP's profile was passed over")
	}
	// Nothing to convert, and what can't be.
	for name, data := range map[string][]byte{
		"sRGB chunk":        pngWith(chunk("sRGB", []byte{0}), chunk("gAMA", chrm(45455))),
		"nothing":           pngWith(),
		"a piece is absent": append(append([]byte(nil), withProfile(jpegOf(t, img, 90), icc, 3)[:2]...), withProfile(jpegOf(t, img, 90), icc, 3)[2+4+14+(len(icc)-2*len(icc)/3):]...),
	} {
		if p := decode(t, name, data); p.own != nil || p.Profile != "" {
			t.Errorf("%s: profile %q", name, p.Profile)
		}
	}
	bad := append([]byte(nil), icc...)
	bad[36] = 'x'
	for name, data := range map[string][]byte{
		"damaged profile": withProfile(jpegOf(t, img, 90), bad, 1),
		"high dynamic":    pngWith(chunk("cICP", []byte{9, 16, 0, 1})),
		"not said which":  withExif(jpegOf(t, img, 90), tiffOf([]tiffEntry{{0x8769, []tiffEntry{{0xa001, 65535}}}})),
	} {
		if p := decode(t, name, data); p.own != nil || len(p.Notes) != 1 || !p.Notes[0].Colour || p.Notes[0].Advice == "" {
			t.Errorf("%s: notes %+v", name, p.Notes)
		}
	}
	// DCF 2.0: uncalibrated, with the interoperability index R03, is Adobe RGB.
	r03 := decode(t, "r03", withExif(jpegOf(t, img, 100), tiffOf([]tiffEntry{{0x8769, []tiffEntry{{0xa001, 65535}, {0xa005, []tiffEntry{{1, "R03"}}}}}})))
	if r03.Profile != "Adobe RGB (1998)" || len(r03.Notes) != 0 {
		t.Errorf("R03: profile %q, notes %+v", r03.Profile, r03.Notes)
	}
	// An EXIF block's say is nothing beside a profile.
	both := decode(t, "both", withProfile(withExif(jpegOf(t, img, 100), tiffOf([]tiffEntry{{0x8769, []tiffEntry{{0xa001, 65535}}}})), icc, 1))
	if both.own == nil || len(both.Notes) != 0 {
		t.Errorf("notes %+v", both.Notes)
	}
}

// computed is what this process and those it started have computed so far: unlike
// time by the clock it does not grow when others use the machine.
func computed(t *testing.T) (sum time.Duration) {
	t.Helper()
	for _, who := range []int{syscall.RUSAGE_SELF, syscall.RUSAGE_CHILDREN} {
		var u syscall.Rusage
		if err := syscall.Getrusage(who, &u); err != nil {
			t.Fatal(err)
		}
		sum += time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	return sum
}

func TestBombsAreRefused(t *testing.T) {
	say := func(data []byte, at int, order binary.ByteOrder, v ...uint32) []byte {
		d := append([]byte(nil), data...)
		for i, x := range v {
			order.PutUint32(d[at+4*i:], x)
		}
		return d
	}
	pngSays := say(sample(t, "chart.png"), 16, binary.BigEndian, 14000, 14000)
	binary.BigEndian.PutUint32(pngSays[29:], crc32.ChecksumIEEE(pngSays[12:29]))
	heic := sample(t, "plain.heic")
	ispe := bytes.LastIndex(heic, []byte("ispe")) + 8
	vp8l := sample(t, "lossless.webp")
	tif := sample(t, "lzw.tif")
	width := bytes.Index(tif, []byte{0, 1, 3, 0, 1, 0, 0, 0, 96, 0})
	if width < 0 {
		t.Fatal("no width in the TIFF")
	}
	for name, data := range map[string][]byte{
		"png":         pngSays,
		"bmp":         say(sample(t, "plain.bmp"), 18, binary.LittleEndian, 14000, 14000),
		"bmp, upside": say(sample(t, "plain.bmp"), 18, binary.LittleEndian, 14000, 0x80000000),
		"heic":        say(heic, ispe, binary.BigEndian, 14000, 14000),
		"heic, huge":  say(heic, ispe, binary.BigEndian, math.MaxUint32, math.MaxUint32),
		"webp":        say(vp8l, 21, binary.LittleEndian, 16382|16382<<14),
		"tiff":        say(say(tif, width+8, binary.LittleEndian, 60000), width+20, binary.LittleEndian, 3600),
	} {
		start := computed(t)
		p, err := Decode(name, data)
		refused(t, name, p, err)
		if took := computed(t) - start; took > 5*time.Second {
			t.Errorf("%s took %v", name, took)
		}
	}
}

// Thousands of damaged files of every format: refused or decoded, each within
// 5 s, and never another size than before where the header is whole.
func TestDamagedFilesOfEveryFormat(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 11))
	var tiffDeep, bm bytes.Buffer
	deep := image.NewNRGBA64(image.Rect(0, 0, 20, 20))
	for i := range deep.Pix {
		deep.Pix[i] = byte(i * 7)
	}
	if err := tiff.Encode(&tiffDeep, deep, &tiff.Options{Compression: tiff.Deflate, Predictor: true}); err != nil {
		t.Fatal(err)
	}
	if err := bmp.Encode(&bm, texture(20, 20)); err != nil {
		t.Fatal(err)
	}
	files := map[string][]byte{"deflate.tif": tiffDeep.Bytes(), "small.bmp": bm.Bytes(), "p3.jpg": withProfile(jpegOf(t, texture(40, 30), 80), p3Profile(), 2)}
	for _, n := range []string{"lossy.webp", "lossless.webp", "alpha.webp", "animated.webp", "lzw.tif", "deep.tif", "grey16.tif", "pages.tif", "arithmetic.jpg", "progressive.jpg", "four-one-one.jpg", "deep.png", "plain.gif", "plain.avif"} {
		files[n] = sample(t, n)
	}
	heics := []string{"plain.heic", "grey.heic", "p3.heic", "ten-bit.heic"}
	try := func(name string, data []byte) {
		start := computed(t)
		p, err := Decode(name, data)
		if err != nil {
			refused(t, name, p, err)
		} else {
			p.Close()
		}
		if took := computed(t) - start; took > 5*time.Second {
			t.Errorf("%s took %v", name, took)
		}
	}
	damage := func(data []byte) []byte {
		d, _ := mangle.One(rng, data, files["p3.jpg"])
		return d
	}
	each := 180
	if testing.Short() {
		each = 20
	}
	count := 0
	for _, name := range namesOf(files) {
		for range each {
			try(name, damage(files[name]))
			count++
		}
	}
	// Each HEIC costs a process.
	for _, name := range heics {
		data := sample(t, name)
		for range each / 9 {
			try(name, damage(data))
			count++
		}
	}
	t.Logf("%d damaged files", count)
}

func namesOf(m map[string][]byte) (names []string) {
	for n := range m {
		names = append(names, n)
	}
	sort.Strings(names)
	return names
}

func TestTruncatedFilesOfOtherFormats(t *testing.T) {
	for _, name := range []string{"plain.heic", "p3.heic", "lossy.webp", "lossless.webp", "plain.tif", "lzw.tif", "deep.tif", "plain.bmp", "arithmetic.jpg", "deep.png"} {
		data := sample(t, name)
		for pc := 0; pc < 100; pc += 7 {
			cut := data[:len(data)*pc/100]
			if name == "plain.tif" && pc > 97 {
				continue
			}
			p, err := Decode(name, cut)
			refused(t, fmt.Sprintf("%s, %d %%", name, pc), p, err)
		}
	}
}
