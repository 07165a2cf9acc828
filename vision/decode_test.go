package vision

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// pixels are a decoded photo's values, R, G, B in 0..1.
func pixels(t *testing.T, p *Photo) (w, h int, v [][3]float64) {
	t.Helper()
	m := p.Mat()
	if m.Channels() != 3 || m.Cols() != p.Width || m.Rows() != p.Height {
		t.Fatalf("matrix of %d x %d x %d for a photo of %d x %d", m.Cols(), m.Rows(), m.Channels(), p.Width, p.Height)
	}
	v = make([][3]float64, p.Width*p.Height)
	if p.SixteenBit() {
		d, err := m.DataPtrUint16()
		if err != nil {
			t.Fatal(err)
		}
		for i := range v {
			v[i] = [3]float64{float64(d[3*i+2]) / 65535, float64(d[3*i+1]) / 65535, float64(d[3*i]) / 65535}
		}
	} else {
		d, err := m.DataPtrUint8()
		if err != nil {
			t.Fatal(err)
		}
		for i := range v {
			v[i] = [3]float64{float64(d[3*i+2]) / 255, float64(d[3*i+1]) / 255, float64(d[3*i]) / 255}
		}
	}
	return p.Width, p.Height, v
}

// overWhiteByGo is what Go's own decoder sees, laid over white.
func overWhiteByGo(img image.Image) (w, h int, v [][3]float64) {
	b := img.Bounds()
	on := image.NewNRGBA64(image.Rect(0, 0, b.Dx(), b.Dy()))
	draw.Draw(on, on.Bounds(), image.White, image.Point{}, draw.Src)
	draw.Draw(on, on.Bounds(), img, b.Min, draw.Over)
	for y := range b.Dy() {
		for x := range b.Dx() {
			c := on.NRGBA64At(x, y)
			v = append(v, [3]float64{float64(c.R) / 65535, float64(c.G) / 65535, float64(c.B) / 65535})
		}
	}
	return b.Dx(), b.Dy(), v
}

// apart is the mean and the largest absolute difference of two pictures.
func apart(a, b [][3]float64) (mean, worst float64) {
	for i := range a {
		for k := range 3 {
			d := math.Abs(a[i][k] - b[i][k])
			mean += d / float64(3*len(a))
			worst = math.Max(worst, d)
		}
	}
	return mean, worst
}

func decode(t *testing.T, name string, data []byte) *Photo {
	t.Helper()
	p, err := Decode(name, data)
	if err != nil {
		t.Fatalf("%v", err)
	}
	t.Cleanup(p.Close)
	return p
}

// refused checks that an error is a *ReadError that says what to do.
func refused(t *testing.T, what string, p *Photo, err error) {
	t.Helper()
	if err == nil {
		t.Errorf("%s: accepted, %d x %d", what, p.Width, p.Height)
		p.Close()
		return
	}
	var re *ReadError
	if !errors.As(err, &re) {
		t.Errorf("%s: error of type %T: %v", what, err, err)
		return
	}
	if re.Path == "" || re.What == "" || re.Advice == "" || !strings.HasPrefix(err.Error(), re.Path) || strings.Contains(re.Reason(), re.Path) {
		t.Errorf("%s: path %q, what %q, advice %q: %v", what, re.Path, re.What, re.Advice, err)
	}
}

// goTestdata is a folder of pictures that Go's own source carries to test its
// decoders by.
func goTestdata(t *testing.T, dir string) string {
	t.Helper()
	out, err := exec.Command("go", "env", "GOROOT").Output()
	d := filepath.Join(strings.TrimSpace(string(out)), "src", "image", filepath.FromSlash(dir))
	if _, serr := os.Stat(d); err != nil || serr != nil {
		t.Skipf("this Go was installed without its test pictures (src/image/%s)", dir)
	}
	return d
}

// testdata/orientation/README says where these come from.
func TestOrientationIsAppliedOnce(t *testing.T) {
	read := func(i int) []byte {
		data, err := os.ReadFile(fmt.Sprintf("testdata/orientation/orientation_%d.jpg", i))
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	w, h, want := pixels(t, decode(t, "orientation_1.jpg", read(1)))
	for i := range 9 {
		t.Run(fmt.Sprint(i), func(t *testing.T) {
			p := decode(t, fmt.Sprintf("orientation_%d.jpg", i), read(i))
			if p.Meta.Orientation != max(1, i) {
				t.Errorf("orientation %d", p.Meta.Orientation)
			}
			gw, gh, got := pixels(t, p)
			if gw != w || gh != h {
				t.Fatalf("%d x %d, want %d x %d", gw, gh, w, h)
			}
			// Each was compressed by itself, so they differ by a few levels.
			mean, _ := apart(got, want)
			t.Logf("mean difference from upright: %.4f", mean)
			closeTo(t, "mean difference from upright", mean, 0, 0.03)
			// As stored, they are not upright: not turning would be seen.
			if i >= 2 {
				img, err := jpeg.Decode(bytes.NewReader(read(i)))
				if err != nil {
					t.Fatal(err)
				}
				sw, sh, stored := overWhiteByGo(img)
				if i >= 5 && (sw != h || sh != w) {
					t.Errorf("stored %d x %d", sw, sh)
				}
				if i < 5 {
					if mean, _ := apart(stored, want); mean < 0.1 {
						t.Errorf("the picture as stored is only %.3f from upright: this proves nothing", mean)
					}
				}
			}
		})
	}
}

// The eight orientations by what CIPA DC-008 (Exif 2.32), table 6, says of
// where row 0 and column 0 of the stored picture are seen, on a picture of two
// by three distinct pixels, so that flips and turns can't stand in for each
// other.
func TestOrientationsByTheStandard(t *testing.T) {
	// stored(row, column) for the upright picture's (y, x) of a w x h picture.
	from := map[int]func(x, y, w, h int) (row, col int){
		1: func(x, y, w, h int) (int, int) { return y, x },                 // top, left
		2: func(x, y, w, h int) (int, int) { return y, w - 1 - x },         // top, right
		3: func(x, y, w, h int) (int, int) { return h - 1 - y, w - 1 - x }, // bottom, right
		4: func(x, y, w, h int) (int, int) { return h - 1 - y, x },         // bottom, left
		5: func(x, y, w, h int) (int, int) { return x, y },                 // left, top
		6: func(x, y, w, h int) (int, int) { return w - 1 - x, y },         // right, top
		7: func(x, y, w, h int) (int, int) { return w - 1 - x, h - 1 - y }, // right, bottom
		8: func(x, y, w, h int) (int, int) { return x, h - 1 - y },         // left, bottom
	}
	const w, h, cell = 2, 3, 16
	value := func(x, y int) uint8 { return uint8(20 + 40*(y*w+x)) }
	for o := 1; o <= 8; o++ {
		for _, big := range []bool{true, false} {
			sw, sh := w, h
			if o >= 5 {
				sw, sh = h, w
			}
			stored := image.NewGray(image.Rect(0, 0, sw*cell, sh*cell))
			for y := range h {
				for x := range w {
					row, col := from[o](x, y, w, h)
					draw.Draw(stored, image.Rect(col*cell, row*cell, (col+1)*cell, (row+1)*cell), image.NewUniform(color.Gray{value(x, y)}), image.Point{}, draw.Src)
				}
			}
			p := decode(t, "small.jpg", withExif(jpegOf(t, stored, 100), exifOrientation(o, big)))
			gw, gh, got := pixels(t, p)
			if gw != w*cell || gh != h*cell {
				t.Fatalf("orientation %d: %d x %d", o, gw, gh)
			}
			for y := range h {
				for x := range w {
					closeTo(t, fmt.Sprintf("orientation %d, cell %d, %d", o, x, y), got[(y*cell+cell/2)*gw+x*cell+cell/2][0]*255, float64(value(x, y)), 3)
				}
			}
		}
	}
	for _, o := range []int{0, 9, 300, 65535} {
		p := decode(t, "odd.jpg", withExif(jpegOf(t, image.NewGray(image.Rect(0, 0, 40, 20)), 90), exifOrientation(o, true)))
		if p.Meta.Orientation != 1 || p.Width != 40 {
			t.Errorf("orientation %d taken for %d, %d px wide", o, p.Meta.Orientation, p.Width)
		}
	}
}

func jpegOf(t testing.TB, img image.Image, quality int) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: quality}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func pngOf(t testing.TB, img image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// exifOrientation is a TIFF block with the one tag 0x0112 (CIPA DC-008).
func exifOrientation(o int, bigEndian bool) []byte {
	var order binary.AppendByteOrder = binary.LittleEndian
	mark := "II"
	if bigEndian {
		order, mark = binary.BigEndian, "MM"
	}
	b := order.AppendUint16([]byte(mark), 42)
	b = order.AppendUint32(b, 8)
	b = order.AppendUint16(b, 1)
	b = order.AppendUint16(b, 0x0112)
	b = order.AppendUint16(b, 3) // SHORT
	b = order.AppendUint32(b, 1)
	b = order.AppendUint16(b, uint16(o))
	b = order.AppendUint16(b, 0)
	return order.AppendUint32(b, 0)
}

// tiffEntry is one field of an image file directory (TIFF 6.0, section 2):
// SHORT for an int, ASCII for a string, an offset to a further directory for
// entries.
type tiffEntry struct {
	tag   uint16
	value any
}

// tiffOf writes a big-endian TIFF of directories in a chain: the picture's,
// then the thumbnail's.
func tiffOf(directories ...[]tiffEntry) []byte {
	b := binary.BigEndian.AppendUint32([]byte("MM\x00*"), 8)
	var write func(entries []tiffEntry) (next int)
	write = func(entries []tiffEntry) int {
		at := len(b)
		b = binary.BigEndian.AppendUint16(b, uint16(len(entries)))
		b = append(b, make([]byte, 12*len(entries)+4)...)
		for i, e := range entries {
			f := at + 2 + 12*i
			binary.BigEndian.PutUint16(b[f:], e.tag)
			switch v := e.value.(type) {
			case int:
				binary.BigEndian.PutUint16(b[f+2:], 3)
				binary.BigEndian.PutUint32(b[f+4:], 1)
				binary.BigEndian.PutUint16(b[f+8:], uint16(v))
			case string:
				binary.BigEndian.PutUint16(b[f+2:], 2)
				binary.BigEndian.PutUint32(b[f+4:], uint32(len(v)+1))
				if len(v) < 4 {
					copy(b[f+8:], v)
					continue
				}
				binary.BigEndian.PutUint32(b[f+8:], uint32(len(b)))
				b = append(append(b, v...), make([]byte, 1+(len(v)+1)%2)...)
			case []tiffEntry:
				binary.BigEndian.PutUint16(b[f+2:], 4)
				binary.BigEndian.PutUint32(b[f+4:], 1)
				binary.BigEndian.PutUint32(b[f+8:], uint32(len(b)))
				write(v)
			}
		}
		return at + 2 + 12*len(entries)
	}
	for i, d := range directories {
		next := write(d)
		if i < len(directories)-1 {
			binary.BigEndian.PutUint32(b[next:], uint32(len(b)))
		}
	}
	return b
}

// Tags by CIPA DC-008 (Exif 2.32): 0x010F make, 0x0110 model, 0x0112
// orientation, 0x8769 the Exif directory, 0x9003 time taken, 0xA405 focal
// length in 35 mm film.
func TestMetadataIsRead(t *testing.T) {
	exif := []tiffEntry{{0x9003, "2026:05:02 10:11:12"}, {0xa405, 26}}
	tiff := tiffOf(
		[]tiffEntry{{0x010f, "Attic"}, {0x0110, "Attic Pocket 3"}, {0x0112, 6}, {0x8769, exif}},
		[]tiffEntry{{0x0112, 3}}, // the thumbnail's own, not the picture's
	)
	want := Meta{Orientation: 6, Focal35MM: 26, CameraMake: "Attic", CameraModel: "Attic Pocket 3", TakenISO: "2026-05-02T10:11:12"}
	withChunk := func(tiff []byte) []byte { // PNG, third edition, 11.3.4.3: eXIf
		return rawPNG(2, 8, 40, 20, false, [][]byte{chunk("eXIf", tiff)}, func(x, y, k int) int { return x + y })
	}
	jpg := jpegOf(t, texture(40, 20), 90)
	for _, tt := range []struct {
		name string
		data []byte
		want Meta
	}{
		{"JPEG", withExif(jpg, tiff), want},
		{"PNG", withChunk(tiff), want},
		{"no metadata, JPEG", jpg, Meta{Orientation: 1}},
		{"no metadata, PNG", pngOf(t, texture(40, 20)), Meta{Orientation: 1}},
		{"focal length of 0, which means unknown", withExif(jpg, tiffOf([]tiffEntry{{0x8769, []tiffEntry{{0xa405, 0}}}})), Meta{Orientation: 1}},
		{"no such date", withExif(jpg, tiffOf([]tiffEntry{{0x8769, []tiffEntry{{0x9003, "0000:00:00 00:00:00"}}}})), Meta{Orientation: 1}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := decode(t, tt.name, tt.data)
			if p.Meta != tt.want {
				t.Errorf("%+v, want %+v", p.Meta, tt.want)
			}
			if turned := p.Width == 20 && p.Height == 40; turned != (tt.want.Orientation == 6) {
				t.Errorf("%d x %d", p.Width, p.Height)
			}
		})
	}
	for _, tt := range []struct{ mk, model, want string }{
		{"Attic", "Attic Pocket 3", "Attic Pocket 3"},
		{"ATTIC", "Attic Pocket 3", "Attic Pocket 3"},
		{"Attic", "Pocket 3", "Attic Pocket 3"},
		{"", "Pocket 3", "Pocket 3"},
		{"Attic", "", "Attic"},
		{"", "", ""},
	} {
		if got := (Meta{CameraMake: tt.mk, CameraModel: tt.model}).Camera(); got != tt.want {
			t.Errorf("camera %q of %q and %q, want %q", got, tt.mk, tt.model, tt.want)
		}
	}
}

// withExif puts an APP1 segment behind a JPEG's first marker.
func withExif(jpg, tiff []byte) []byte {
	seg := append([]byte("Exif\x00\x00"), tiff...)
	out := append([]byte(nil), jpg[:2]...)
	out = append(out, 0xff, 0xe1)
	out = binary.BigEndian.AppendUint16(out, uint16(len(seg)+2))
	out = append(out, seg...)
	return append(out, jpg[2:]...)
}

// texture is a picture with something everywhere.
func texture(w, h int) *image.RGBA {
	rng := rand.New(rand.NewPCG(1, 2))
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			img.SetRGBA(x, y, color.RGBA{uint8(x * 255 / w), uint8(y * 255 / h), uint8(128 + 100*math.Sin(float64(x+y)/9) + float64(rng.IntN(20))), 255})
		}
	}
	return img
}

// Odd and damaged metadata, from the Go module bep/imagemeta's own tests
// (corrupt, huge and looping directories among them): it never costs the photo.
func TestOddMetadataNeverCostsThePhoto(t *testing.T) {
	out, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", "github.com/bep/imagemeta").Output()
	dir := filepath.Join(strings.TrimSpace(string(out)), "testdata")
	if _, serr := os.Stat(dir); err != nil || serr != nil {
		t.Skip("the module github.com/bep/imagemeta is not on this machine with its test pictures")
	}
	opened, total := 0, 0
	err = filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		name := strings.TrimPrefix(path, dir)
		ext := strings.ToLower(filepath.Ext(path))
		if ext != ".jpg" && ext != ".jpeg" && ext != ".png" {
			return nil
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		if len(data) > 3<<20 {
			return nil // one of 6 MB, for time
		}
		total++
		start := time.Now()
		p, derr := Decode(path, data)
		if took := time.Since(start); took > 10*time.Second {
			t.Errorf("%s took %v", name, took)
		}
		if derr == nil {
			opened++
			if p.Meta.Orientation < 1 || p.Meta.Orientation > 8 || p.Meta.Focal35MM < 0 || math.IsNaN(p.Meta.Focal35MM) {
				t.Errorf("%s: %+v", name, p.Meta)
			}
			p.Close()
			return nil
		}
		refused(t, name, p, derr)
		// Whatever is refused, Go's own decoder, which reads no metadata,
		// must refuse it too.
		if _, _, gerr := image.Decode(bytes.NewReader(data)); gerr == nil {
			t.Errorf("%s is a good picture, but: %v", name, derr)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("opened %d of %d", opened, total)
	if total < 20 || opened < total/2 {
		t.Errorf("opened %d of %d", opened, total)
	}
}

// A block of metadata of rubbish, of every kind: the photo stands.
func TestRubbishMetadata(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 12))
	jpg := jpegOf(t, texture(64, 48), 90)
	for i := range 300 {
		tiff := exifOrientation(1+i%8, i%2 == 0)
		switch i % 3 {
		case 0: // bytes changed
			for range 1 + rng.IntN(6) {
				tiff[rng.IntN(len(tiff))] = byte(rng.Uint32())
			}
		case 1: // cut short
			tiff = tiff[:rng.IntN(len(tiff))]
		case 2: // noise behind a good start
			n := 8 + rng.IntN(200)
			for len(tiff) < n {
				tiff = append(tiff, byte(rng.Uint32()))
			}
			binary.BigEndian.PutUint32(tiff[4:], rng.Uint32N(uint32(len(tiff))))
		}
		p, err := Decode("rubbish.jpg", withExif(jpg, tiff))
		if err != nil {
			t.Fatalf("%d: %v", i, err)
		}
		if p.Width*p.Height != 64*48 {
			t.Fatalf("%d: %d x %d", i, p.Width, p.Height)
		}
		p.Close()
	}
}

// rawPNG writes a PNG by hand (PNG, ISO/IEC 15948): any colour type and depth,
// interlaced by Adam7 or not. sample gives the sample of a channel at a pixel.
func rawPNG(colourType, depth, w, h int, interlaced bool, extra [][]byte, sample func(x, y, k int) int) []byte {
	channels := map[int]int{0: 1, 2: 3, 3: 1, 4: 2, 6: 4}[colourType]
	var raw bytes.Buffer
	pass := func(x0, y0, dx, dy int) {
		for y := y0; y < h; y += dy {
			if x0 >= w {
				continue
			}
			raw.WriteByte(0) // no filter
			var acc, bits uint
			for x := x0; x < w; x += dx {
				for k := range channels {
					v := sample(x, y, k)
					if depth == 16 {
						raw.Write([]byte{byte(v >> 8), byte(v)})
						continue
					}
					acc, bits = acc<<uint(depth)|uint(v), bits+uint(depth)
					if bits == 8 {
						raw.WriteByte(byte(acc))
						acc, bits = 0, 0
					}
				}
			}
			if bits > 0 {
				raw.WriteByte(byte(acc << (8 - bits)))
			}
		}
	}
	if interlaced {
		for _, p := range [7][4]int{{0, 0, 8, 8}, {4, 0, 8, 8}, {0, 4, 4, 8}, {2, 0, 4, 4}, {0, 2, 2, 4}, {1, 0, 2, 2}, {0, 1, 1, 2}} {
			pass(p[0], p[1], p[2], p[3])
		}
	} else {
		pass(0, 0, 1, 1)
	}
	var z bytes.Buffer
	zw := zlib.NewWriter(&z)
	_, _ = zw.Write(raw.Bytes())
	_ = zw.Close()
	head := binary.BigEndian.AppendUint32(nil, uint32(w))
	head = binary.BigEndian.AppendUint32(head, uint32(h))
	lace := byte(0)
	if interlaced {
		lace = 1
	}
	out := append([]byte("\x89PNG\r\n\x1a\n"), chunk("IHDR", append(head, byte(depth), byte(colourType), 0, 0, lace))...)
	for _, e := range extra {
		out = append(out, e...)
	}
	out = append(out, chunk("IDAT", z.Bytes())...)
	return append(out, chunk("IEND", nil)...)
}

func chunk(name string, data []byte) []byte {
	out := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	out = append(append(out, name...), data...)
	return binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(out[4:]))
}

func TestPNGKinds(t *testing.T) {
	const w, h = 37, 23
	ramp := func(full int) func(x, y, k int) int {
		return func(x, y, k int) int { return (x*full/(w-1) + y*full/(h-1) + k*full/3) % (full + 1) }
	}
	palette := chunk("PLTE", []byte{255, 0, 0, 0, 200, 0, 0, 0, 255, 90, 90, 90})
	for _, tt := range []struct {
		name    string
		data    []byte
		sixteen bool
		tol     float64
	}{
		{"grey, 1 bit", rawPNG(0, 1, w, h, false, nil, ramp(1)), false, 0},
		{"grey, 2 bit", rawPNG(0, 2, w, h, false, nil, ramp(3)), false, 0},
		{"grey, 4 bit", rawPNG(0, 4, w, h, false, nil, ramp(15)), false, 0},
		{"grey, 8 bit", rawPNG(0, 8, w, h, false, nil, ramp(255)), false, 0},
		{"grey, 16 bit", rawPNG(0, 16, w, h, false, nil, ramp(65535)), true, 0},
		{"colour, 8 bit", rawPNG(2, 8, w, h, false, nil, ramp(255)), false, 0},
		{"colour, 16 bit", rawPNG(2, 16, w, h, false, nil, ramp(65535)), true, 0},
		{"colour, 8 bit, interlaced", rawPNG(2, 8, w, h, true, nil, ramp(255)), false, 0},
		{"colour, 16 bit, interlaced", rawPNG(2, 16, w, h, true, nil, ramp(65535)), true, 0},
		{"grey, 8 bit, interlaced", rawPNG(0, 8, w, h, true, nil, ramp(255)), false, 0},
		{"palette of 2 bit", rawPNG(3, 2, w, h, false, [][]byte{palette}, ramp(3)), false, 0},
		{"palette of 8 bit", rawPNG(3, 8, w, h, false, [][]byte{palette}, ramp(3)), false, 0},
		// Over white, rounding may differ by a level.
		{"palette, transparent", rawPNG(3, 8, w, h, false, [][]byte{palette, chunk("tRNS", []byte{0, 128, 255, 40})}, ramp(3)), false, 1.01 / 255},
		{"grey and alpha, 8 bit", rawPNG(4, 8, w, h, false, nil, ramp(255)), false, 1.01 / 255},
		{"grey and alpha, 16 bit", rawPNG(4, 16, w, h, false, nil, ramp(65535)), true, 2.01 / 65535},
		{"colour and alpha, 8 bit", rawPNG(6, 8, w, h, false, nil, ramp(255)), false, 1.01 / 255},
		{"colour and alpha, 16 bit", rawPNG(6, 16, w, h, false, nil, ramp(65535)), true, 2.01 / 65535},
		{"colour and alpha, interlaced", rawPNG(6, 8, w, h, true, nil, ramp(255)), false, 1.01 / 255},
		{"one grey transparent", rawPNG(0, 8, w, h, false, [][]byte{chunk("tRNS", []byte{0, 100})}, ramp(255)), false, 1.01 / 255},
		// OpenCV passes over it, and transparent parts once came out in their grey.
		{"one grey of 2 bit transparent", rawPNG(0, 2, w, h, false, [][]byte{chunk("tRNS", []byte{0, 2})}, ramp(3)), false, 1.01 / 255},
		{"one grey of 16 bit transparent", rawPNG(0, 16, w, h, false, [][]byte{chunk("tRNS", []byte{0x80, 0})}, func(x, y, k int) int { return 0x8000 + x%3 - 1 }), true, 1.01 / 65535},
		{"one colour transparent", rawPNG(2, 8, w, h, false, [][]byte{chunk("tRNS", []byte{0, 0, 0, 85, 0, 170})}, ramp(255)), false, 1.01 / 255},
	} {
		t.Run(tt.name, func(t *testing.T) {
			sameAsGo(t, tt.data, tt.sixteen, tt.tol)
		})
	}
}

// sameAsGo compares with Go's decoder, over white.
func sameAsGo(t *testing.T, data []byte, sixteen bool, tol float64) {
	t.Helper()
	img, _, err := image.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	gw, gh, want := overWhiteByGo(img)
	p := decode(t, "picture", data)
	if p.SixteenBit() != sixteen {
		t.Errorf("16 bit: %v", p.SixteenBit())
	}
	// Go passes over what a file says of its gamma: the codes as stored.
	stored := *p
	if p.own != nil {
		stored.bgr = p.own.m
	}
	w, h, got := pixels(t, &stored)
	if w != gw || h != gh {
		t.Fatalf("%d x %d, want %d x %d", w, h, gw, gh)
	}
	mean, worst := apart(got, want)
	if worst > tol+1e-9 {
		t.Errorf("off by up to %.5f (mean %.5f), want at most %.5f", worst, mean, tol)
	}
}

// Willem van Schaik's PngSuite, as far as Go's source carries it
// (image/png/testdata/pngsuite): every basic and background picture, against
// Go's decoder.
func TestPngSuite(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(goTestdata(t, "png/testdata/pngsuite"), "*.png"))
	if err != nil || len(files) < 20 {
		t.Fatalf("%d pictures, error %v", len(files), err)
	}
	for _, f := range files {
		t.Run(filepath.Base(f), func(t *testing.T) {
			data, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			tol := 1.01 / 255
			sameAsGo(t, data, data[24] == 16, tol)
		})
	}
}

// JPEGs of Go's own tests (image/testdata): baseline and progressive, every
// subsampling, restart markers, RGB, and a progressive one that ends, with its
// end marker, before its last scans, which makes it coarse but whole. Decoders round the cosine transform and
// spread the colour differently: mean differences of a few levels.
func TestJPEGKinds(t *testing.T) {
	dir := goTestdata(t, "testdata")
	files, err := filepath.Glob(filepath.Join(dir, "*.jpeg"))
	if err != nil || len(files) < 10 {
		t.Fatalf("%d pictures, error %v", len(files), err)
	}
	progressive := 0
	for _, f := range files {
		name := filepath.Base(f)
		t.Run(name, func(t *testing.T) {
			data, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			if strings.Contains(name, "cmyk") {
				p, err := Decode(name, data)
				refused(t, name, p, err)
				if !strings.Contains(fmt.Sprint(err), "CMYK") {
					t.Errorf("the message doesn't say CMYK: %v", err)
				}
				return
			}
			if strings.Contains(name, "progress") {
				progressive++
			}
			img, err := jpeg.Decode(bytes.NewReader(data))
			if err != nil {
				t.Fatal(err)
			}
			_, _, want := overWhiteByGo(img)
			_, _, got := pixels(t, decode(t, name, data))
			mean, _ := apart(got, want)
			t.Logf("mean difference %.4f", mean)
			tol := 3.0 / 255
			if strings.Contains(name, "rgb") {
				// Go's own test (image/decode_test.go) allows 8 levels; this
				// one, thinned in G and B, needs 4.
				tol = 8.0 / 255
			}
			closeTo(t, "mean difference from Go's decoder", mean, 0, tol)
		})
	}
	if progressive < 3 {
		t.Errorf("%d progressive pictures", progressive)
	}
}

func TestTruncatedFilesAreRefused(t *testing.T) {
	img := texture(160, 120)
	// A thumbnail inside the metadata has an end-of-image marker of its own.
	thumb := append(exifOrientation(1, true), jpegOf(t, texture(16, 16), 50)...)
	files := map[string][]byte{
		"photo.jpg":                jpegOf(t, img, 90),
		"photo with thumbnail":     withExif(jpegOf(t, img, 90), thumb),
		"photo.png":                pngOf(t, img),
		"interlaced.png":           rawPNG(2, 8, 60, 40, true, nil, func(x, y, k int) int { return (x*7 + y*13 + k*50) % 256 }),
		"deep and transparent.png": rawPNG(6, 16, 60, 40, false, nil, func(x, y, k int) int { return (x*700 + y*1300 + k*5000) % 65536 }),
	}
	if d, err := os.ReadFile(filepath.Join("testdata", "orientation", "orientation_6.jpg")); err == nil {
		files["orientation_6.jpg"] = d
	}
	for name, data := range files {
		t.Run(name, func(t *testing.T) {
			for pc := 0; pc < 100; pc += 5 {
				p, err := Decode(name, data[:len(data)*pc/100])
				refused(t, fmt.Sprintf("%d %%", pc), p, err)
			}
			p, err := Decode(name, data[:len(data)-1])
			refused(t, "without the last byte", p, err)
			whole := decode(t, name, data)
			// What some phones put behind the picture is nobody's fault.
			more := decode(t, name, append(append([]byte(nil), data...), "something more"...))
			_, _, a := pixels(t, whole)
			_, _, b := pixels(t, more)
			if _, worst := apart(a, b); worst != 0 {
				t.Errorf("bytes behind the end change the picture by %g", worst)
			}
		})
	}
}

// Bytes changed anywhere: refused or decoded, never a crash, and never another
// size than the header's.
func TestDamagedFilesNeverCrash(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 4))
	files := [][]byte{jpegOf(t, texture(48, 40), 80), pngOf(t, texture(48, 40)),
		rawPNG(6, 16, 20, 20, true, nil, func(x, y, k int) int { return (x*900 + y*500 + k) % 65536 })}
	for i := range 600 {
		data := append([]byte(nil), files[i%len(files)]...)
		for range 1 + rng.IntN(8) {
			data[rng.IntN(len(data))] = byte(rng.Uint32())
		}
		p, err := Decode("d.bin", data)
		if err != nil {
			refused(t, fmt.Sprint(i), p, err)
			continue
		}
		cfg, _, err := image.DecodeConfig(bytes.NewReader(data))
		if err != nil || cfg.Width*cfg.Height != p.Width*p.Height {
			t.Errorf("%d: %d x %d decoded, header %+v, %v", i, p.Width, p.Height, cfg, err)
		}
		p.Close()
	}
}

// sofAt is where a JPEG's baseline frame header stands (ITU-T T.81, B.2.2).
func sofAt(t *testing.T, jpg []byte) int {
	t.Helper()
	i := bytes.Index(jpg, []byte{0xff, 0xc0})
	if i < 0 {
		t.Fatal("no frame header")
	}
	return i
}

func TestHeadersThatLie(t *testing.T) {
	jpg := jpegOf(t, texture(64, 48), 90)
	jpegSays := func(w, h int) []byte {
		d := append([]byte(nil), jpg...)
		i := sofAt(t, d)
		binary.BigEndian.PutUint16(d[i+5:], uint16(h))
		binary.BigEndian.PutUint16(d[i+7:], uint16(w))
		return d
	}
	pngSays := func(w, h int) []byte {
		d := rawPNG(2, 8, 32, 32, false, nil, func(x, y, k int) int { return x + y })
		binary.BigEndian.PutUint32(d[16:], uint32(w))
		binary.BigEndian.PutUint32(d[20:], uint32(h))
		binary.BigEndian.PutUint32(d[29:], crc32.ChecksumIEEE(d[12:29]))
		return d
	}
	badCRC := pngSays(32, 32)
	badCRC[30] ^= 0xff
	for _, tt := range []struct {
		name, says string
		data       []byte
	}{
		{"JPEG of 65,500 x 65,500", "megapixels", jpegSays(65500, 65500)},
		{"JPEG of 20,000 x 20,000", "megapixels", jpegSays(20000, 20000)},
		{"JPEG of no width", "", jpegSays(0, 48)},
		{"JPEG of no height", "", jpegSays(64, 0)},
		{"PNG of 20,000 x 20,000", "megapixels", pngSays(20000, 20000)},
		{"PNG of 2^31-1 squared", "", pngSays(math.MaxInt32, math.MaxInt32)},
		{"PNG of 2^32-1 squared", "", pngSays(math.MaxUint32, math.MaxUint32)},
		{"PNG of no width", "", pngSays(0, 32)},
		{"PNG larger than its data", "", pngSays(1000, 1000)},
		{"PNG whose header fails its check sum", "", badCRC},
	} {
		t.Run(tt.name, func(t *testing.T) {
			start := time.Now()
			p, err := Decode("l.bin", tt.data)
			refused(t, tt.name, p, err)
			if !strings.Contains(fmt.Sprint(err), tt.says) {
				t.Errorf("%q is not in: %v", tt.says, err)
			}
			if took := time.Since(start); took > 5*time.Second {
				t.Errorf("took %v", took)
			}
		})
	}
}

func TestOpenSaysWhatIsWrong(t *testing.T) {
	dir := t.TempDir()
	write := func(name string, data []byte) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, data, 0o600); err != nil {
			t.Fatal(err)
		}
		return p
	}
	for _, tt := range []struct{ name, path, says string }{
		{"missing", filepath.Join(dir, "nowhere.jpg"), "no such file"},
		{"a folder", dir, "folder"},
		{"empty", write("empty.jpg", nil), "empty"},
		{"text", write("notes.jpg", []byte("found under the stairs, box 3")), "not a picture"},
		{"two bytes", write("two.jpg", []byte{0xff, 0xd8}), "not a picture"},
		{"GIF", write("a.jpg", []byte("GIF89a..........")), "GIF"},
		{"BMP", write("b.jpg", []byte("BM..............")), "BMP"},
		{"TIFF", write("c.png", []byte("II*\x00............")), "TIFF"},
		{"WebP", write("d.jpg", []byte("RIFF\x10\x00\x00\x00WEBPVP8 ")), "WebP"},
		{"HEIC", write("e.jpg", []byte("\x00\x00\x00\x18ftypheic........")), "HEIC"},
		{"AVIF", write("f.png", []byte("\x00\x00\x00\x18ftypavif........")), "AVIF"},
		{"PDF", write("g.png", []byte("%PDF-1.7 ........")), "PDF"},
		{"start of a JPEG, nothing more", write("h.jpg", []byte{0xff, 0xd8, 0xff, 0xd9}), "JPEG"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p, err := Open(tt.path)
			refused(t, tt.name, p, err)
			if !strings.Contains(strings.ToLower(fmt.Sprint(err)), strings.ToLower(tt.says)) {
				t.Errorf("%q is not in: %v", tt.says, err)
			}
			if !strings.Contains(fmt.Sprint(err), tt.path) {
				t.Errorf("the path is not in: %v", err)
			}
		})
	}
	t.Run("not to be read", func(t *testing.T) {
		if os.Geteuid() == 0 {
			t.Skip("the superuser may read everything")
		}
		path := write("locked.jpg", jpegOf(t, texture(16, 16), 90))
		if err := os.Chmod(path, 0); err != nil {
			t.Fatal(err)
		}
		p, err := Open(path)
		refused(t, "locked", p, err)
		if !errors.Is(err, fs.ErrPermission) {
			t.Errorf("the cause is not in: %v", err)
		}
	})
	t.Run("the wrong ending is no matter", func(t *testing.T) {
		p, err := Open(write("really-a.jpg", pngOf(t, texture(20, 10))))
		if err != nil {
			t.Fatal(err)
		}
		defer p.Close()
		if p.Width != 20 || p.Height != 10 || p.SixteenBit() || len(p.SHA256) != 64 {
			t.Errorf("%d x %d, 16 bit %v, sum %q", p.Width, p.Height, p.SixteenBit(), p.SHA256)
		}
		p.Close() // twice does no harm
	})
	t.Run("one pixel", func(t *testing.T) {
		for _, data := range [][]byte{pngOf(t, texture(1, 1)), jpegOf(t, texture(1, 1), 90)} {
			p, err := Open(write("one", data))
			if err != nil {
				t.Fatal(err)
			}
			if img, s := p.Image(100); img.Bounds().Dx() != 1 || s != 1 {
				t.Errorf("%v at %g", img.Bounds(), s)
			}
			p.Close()
		}
	})
}

func TestImageIsReducedNeverEnlarged(t *testing.T) {
	p := decode(t, "a.png", pngOf(t, texture(300, 200)))
	for _, tt := range []struct{ side, w, h int }{{1000, 300, 200}, {300, 300, 200}, {150, 150, 100}, {1, 1, 1}} {
		img, s := p.Image(tt.side)
		if img.Bounds() != image.Rect(0, 0, tt.w, tt.h) {
			t.Errorf("longest side %d: %v", tt.side, img.Bounds())
		}
		closeTo(t, "scale", s, math.Min(1, float64(tt.side)/300), 1e-12)
	}
	img, _ := p.Image(1000)
	_, _, want := overWhiteByGo(texture(300, 200))
	_, _, got := overWhiteByGo(img)
	if _, worst := apart(got, want); worst > 1e-9 {
		t.Errorf("a picture not reduced is off by %g", worst)
	}
}

func TestIsPhotoName(t *testing.T) {
	for name, want := range map[string]bool{
		"a.jpg": true, "A.JPG": true, "b.jpeg": true, "c.png": true, "d.HEIC": true, "e.tif": true, "x.y.webp": true, "f.DNG": true, "g.cr3": true, "h.mpo": true,
		"notes.txt": false, "truth.json": false, "jpg": false, "": false, ".jpg.txt": false, "photo.jpg~": false,
	} {
		if got := IsPhotoName(name); got != want {
			t.Errorf("%q: %v", name, got)
		}
	}
}
