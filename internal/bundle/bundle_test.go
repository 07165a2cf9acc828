package bundle

import (
	"archive/zip"
	"bytes"
	"compress/flate"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"tawsight/internal/record"
	"tawsight/internal/refset"
)

var update = flag.Bool("update", false, "write the golden files anew")

func picture(side int, grey uint8) image.Image {
	img := image.NewNRGBA(image.Rect(0, 0, side, side))
	for i := range img.Pix {
		img.Pix[i] = grey
		if i%4 == 3 {
			img.Pix[i] = 255
		}
	}
	img.Set(side/2, side/2, color.White)
	return img
}

func asPNG(img image.Image) []byte {
	var buf bytes.Buffer
	if err := png.Encode(&buf, img); err != nil {
		panic(err)
	}
	return buf.Bytes()
}

func asJPEG(img image.Image) []byte {
	var buf bytes.Buffer
	if err := jpeg.Encode(&buf, img, nil); err != nil {
		panic(err)
	}
	return buf.Bytes()
}

func sumOf(data []byte) string {
	s := sha256.Sum256(data)
	return hex.EncodeToString(s[:])
}

// content is two sets of an invented collector: four photos, of which one may
// not be shared and one has no permission at all.
func content(t testing.TB) Content {
	t.Helper()
	dir := t.TempDir()
	c := Content{
		MadeBy:   record.MadeBy{Tawsight: "0.1.0", OpenCV: "4.6.0", Features: 7},
		Features: []Feature{{"diameter_mm", "diameter", "mm"}, {"busyness", "busyness", ""}},
		Notes: []refset.Row{
			{Photo: "jar/a.jpg", Note: refset.Note{Credit: "Aunt, elder", Permission: refset.MayShare, Text: "on the \"sill\""}},
			{Photo: "jar/a.jpg", Marble: "10", Note: refset.Note{Specimen: "twin"}},
			{Photo: "jar/sub/b.png", Note: refset.Note{Permission: refset.Own}},
			{Photo: "jar/sub/b.png", Marble: "1", Note: refset.Note{Specimen: "twin"}},
			{Photo: "box/c.jpg", Note: refset.Note{Credit: "Uncle", Permission: refset.AskFirst}},
		},
	}
	for i, name := range []string{"jar/a.jpg", "jar/sub/b.png", "box/c.jpg", "box/d.jpg"} {
		data := asJPEG(picture(40, uint8(50*i)))
		if strings.HasSuffix(name, ".png") {
			data = asPNG(picture(40, 9))
		}
		path := filepath.Join(dir, fmt.Sprint(i))
		if err := os.WriteFile(path, data, 0o666); err != nil {
			t.Fatal(err)
		}
		c.Photos = append(c.Photos, PackedPhoto{Photo{
			Path: name, SHA256: sumOf(data), WidthPX: 40, HeightPX: 40, ScaleSource: "card",
		}, path})
		label, _, _ := strings.Cut(name, "/")
		for _, id := range []string{"10", "1", "2"}[:1+i%3] {
			if i == 1 {
				id = "1"
			}
			if slices.ContainsFunc(c.Marbles, func(m PackedMarble) bool { return m.Photo == name && m.ID == id }) {
				continue
			}
			c.Marbles = append(c.Marbles, PackedMarble{Marble{
				Label: label, Photo: name, ID: id,
				DiameterMM: record.F(16 + float64(i)), DiameterU95MM: record.F(0.1),
				Base:     &record.Base{Lab: [3]float64{70, -3, 5}, Name: "light grey", Kind: "opaque", Translucency: 0.25},
				Ribbons:  []record.Ribbon{{Lab: [3]float64{30, 10, -36}, Name: "deep blue", AreaFraction: 0.5, WidthMM: record.F(1.25)}},
				Busyness: record.F(0.5),
				Features: map[string]float64{"diameter_mm": 16 + float64(i), "busyness": 0.5},
				FeaturesSure: map[string]float64{
					"diameter_mm": 1, "busyness": 0.5,
				},
				CropMMPerPX: record.F(0.8),
			}, asPNG(picture(30, uint8(10*i)))})
		}
	}
	return c
}

func packed(t testing.TB) []byte {
	t.Helper()
	var buf bytes.Buffer
	if _, err := Pack(&buf, content(t)); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

// onDisk writes a bundle to a file and opens it.
func onDisk(t *testing.T, name string, data []byte) *Bundle {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, data, 0o666); err != nil {
		t.Fatal(err)
	}
	b, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	return b
}

func inMemory(data []byte) (*Bundle, error) {
	return open(bytes.NewReader(data), int64(len(data)), usual)
}

func TestRoundTrip(t *testing.T) {
	c := content(t)
	var buf bytes.Buffer
	withheld, err := Pack(&buf, c)
	if err != nil {
		t.Fatal(err)
	}
	if want := []string{"box/c.jpg", "box/d.jpg"}; !slices.Equal(withheld, want) {
		t.Errorf("withheld %v, want %v: one photo's owner wants to be asked, of one nothing is said", withheld, want)
	}
	b := onDisk(t, "ours.zip", buf.Bytes())
	m := b.Manifest
	if want := []Set{{"box", 2, 4}, {"jar", 2, 2}}; !slices.Equal(m.Sets, want) {
		t.Errorf("sets %v, want %v", m.Sets, want)
	}
	if want := []Specimen{{"twin", "jar", 2}}; !slices.Equal(m.Specimens, want) {
		t.Errorf("specimens %v, want %v", m.Specimens, want)
	}
	if len(m.Marbles) != len(c.Marbles) || len(m.Photos) != 4 {
		t.Fatalf("%d marbles, %d photos", len(m.Marbles), len(m.Photos))
	}
	for _, q := range c.Marbles {
		k := slices.IndexFunc(m.Marbles, func(o Marble) bool { return o.Photo == q.Photo && o.ID == q.ID })
		got := m.Marbles[k]
		note := b.Notes.Of(q.Photo, q.ID)
		if !reflect.DeepEqual(got.Known(), note) {
			t.Errorf("%s #%s: %+v in the manifest, %+v in the notes", q.Photo, q.ID, got.Known(), note)
		}
		img, err := b.Crop(got)
		if shared := q.Label == "jar"; err != nil || (img != nil) != shared || (got.Crop != "") != shared {
			t.Errorf("%s #%s: crop %q, %v", q.Photo, q.ID, got.Crop, err)
		}
		want := q.Marble
		want.Specimen, want.Credit, want.Permission, want.Note, want.Crop = got.Specimen, got.Credit, got.Permission, got.Note, got.Crop
		if want.Crop == "" {
			want.CropMMPerPX = nil
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%+v came back as %+v", want, got)
		}
	}
	if n := b.Notes.Of("jar/a.jpg", "10"); n.Credit != "Aunt, elder" || n.Specimen != "twin" || n.Permission != refset.MayShare {
		t.Errorf("%+v", n)
	}

	// The same content in another order gives the same bytes.
	slices.Reverse(c.Photos)
	slices.Reverse(c.Marbles)
	slices.Reverse(c.Notes)
	var again bytes.Buffer
	if _, err := Pack(&again, c); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(buf.Bytes(), again.Bytes()) {
		t.Error("the same content in another order gives other bytes")
	}

	// Packing what was read gives the same, too.
	read := Content{MadeBy: m.MadeBy, Features: m.Features, Notes: b.Notes.Rows}
	for _, p := range m.Photos {
		k := slices.IndexFunc(c.Photos, func(o PackedPhoto) bool { return o.Path == p.Path })
		read.Photos = append(read.Photos, PackedPhoto{p, c.Photos[k].Source})
	}
	for _, q := range m.Marbles {
		k := slices.IndexFunc(c.Marbles, func(o PackedMarble) bool { return o.Photo == q.Photo && o.ID == q.ID })
		read.Marbles = append(read.Marbles, PackedMarble{q, c.Marbles[k].CropPNG})
	}
	again.Reset()
	if _, err := Pack(&again, read); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(buf.Bytes(), again.Bytes()) {
		t.Error("what was read packs to other bytes")
	}
}

func TestListing(t *testing.T) {
	b := onDisk(t, "ours.zip", packed(t))
	var got bytes.Buffer
	if err := b.List(&got); err != nil {
		t.Fatal(err)
	}
	golden := filepath.Join("testdata", "listing.golden")
	if *update {
		if err := os.WriteFile(golden, got.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got.String() != string(want) {
		t.Errorf("listing\n%s\nwant\n%s", got.String(), want)
	}
}

// The checksums are those of GNU coreutils' sha256sum, in its format: it finds
// every file right itself.
func TestChecksumsByCoreutils(t *testing.T) {
	program, err := exec.LookPath("sha256sum")
	if err != nil {
		t.Skip("no sha256sum here")
	}
	dir := t.TempDir()
	for _, m := range unzip(t, packed(t)) {
		path := filepath.Join(dir, filepath.FromSlash(m.name))
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, m.data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.Command(program, "--check", "--strict", sumsName)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil || bytes.Count(out, []byte(": OK\n")) != 7 { // three texts, two crops, two photos
		t.Errorf("%v\n%s", err, out)
	}
}

// A member of a zip that is being made or taken apart.
type member struct {
	name   string
	data   []byte
	mode   fs.FileMode
	method uint16
}

func unzip(t testing.TB, data []byte) (out []member) {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		d, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, member{f.Name, d, f.Mode(), f.Method})
	}
	return out
}

func rezip(t testing.TB, members []member) []byte {
	t.Helper()
	var buf bytes.Buffer
	z := zip.NewWriter(&buf)
	for _, m := range members {
		h := &zip.FileHeader{Name: m.name, Method: m.method}
		h.SetMode(m.mode)
		w, err := z.CreateHeader(h)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(m.data); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

// summed brings checksums.sha256 up to date, as an attacker would.
func summed(members []member) []member {
	sums := map[string]string{}
	for _, m := range members {
		sums[m.name] = sumOf(m.data)
	}
	for i := range members {
		if members[i].name == sumsName {
			members[i].data = []byte(sumsText(sums))
		}
	}
	return members
}

func at(members []member, name string) *member {
	i := slices.IndexFunc(members, func(m member) bool { return m.name == name })
	return &members[i]
}

func TestTamperedMembers(t *testing.T) {
	whole := unzip(t, packed(t))
	if _, err := inMemory(rezip(t, whole)); err != nil {
		t.Fatalf("packed anew by another program it is refused: %v", err)
	}
	for i, m := range whole {
		t.Run("changed "+m.name, func(t *testing.T) {
			for _, where := range []int{0, len(m.data) / 2, len(m.data) - 1} {
				members := slices.Clone(whole)
				members[i].data = bytes.Clone(m.data)
				members[i].data[where] ^= 1
				if _, err := inMemory(rezip(t, members)); err == nil {
					t.Errorf("byte %d of %d changed, and taken", where, len(m.data))
				}
			}
			members := slices.Clone(whole)
			members[i].data = append(bytes.Clone(m.data), '\n')
			if _, err := inMemory(rezip(t, members)); err == nil {
				t.Error("lengthened, and taken")
			}
		})
		t.Run("without "+m.name, func(t *testing.T) {
			_, err := inMemory(rezip(t, slices.Delete(slices.Clone(whole), i, i+1)))
			if err == nil || !strings.Contains(err.Error(), m.name) {
				t.Errorf("error %v, want one that names %s", err, m.name)
			}
		})
	}
}

// A bit that flips on the way is found, or lies where it means nothing (a
// member's time): never is anything else read than what was packed.
func TestFlippedBits(t *testing.T) {
	data := packed(t)
	good, err := inMemory(data)
	if err != nil {
		t.Fatal(err)
	}
	refused, tried := 0, 0
	for i := 0; i < len(data); i += 3 {
		bad := bytes.Clone(data)
		bad[i] ^= 1 << (i % 8)
		tried++
		b, err := inMemory(bad)
		if err != nil {
			refused++
			continue
		}
		if !reflect.DeepEqual(b.Manifest, good.Manifest) || !reflect.DeepEqual(b.sums, good.sums) {
			t.Fatalf("a bit of byte %d flipped, and something else is read", i)
		}
	}
	t.Logf("%d of %d refused", refused, tried)
	if refused < tried*8/10 {
		t.Errorf("only %d of %d refused", refused, tried)
	}
	for n := 0; n < len(data); n += 101 {
		if _, err := inMemory(data[:n]); err == nil {
			t.Errorf("cut short at %d of %d bytes, and taken", n, len(data))
		}
	}
}

func TestAttacks(t *testing.T) {
	const crop = "crops/jar/a.jpg-10.png"
	const photo = "photos/jar/a.jpg"
	extra := func(name string) func([]member) []member {
		data := []byte("x")
		if strings.HasSuffix(name, "/") {
			data = nil
		}
		return func(m []member) []member { return append(m, member{name, data, 0o644, zip.Store}) }
	}
	manifest := func(old, new string) func([]member) []member {
		return func(m []member) []member {
			text := at(m, manifestName)
			if !bytes.Contains(text.data, []byte(old)) {
				panic("nothing to replace: " + old)
			}
			text.data = bytes.Replace(text.data, []byte(old), []byte(new), 1)
			return m
		}
	}
	for name, c := range map[string]struct {
		do   func([]member) []member
		says string
	}{
		"climbs out":             {extra("../../evil.jpg"), "climbs out"},
		"climbs out midway":      {extra("crops/../../evil.jpg"), "climbs out"},
		"absolute":               {extra("/etc/evil"), "absolute"},
		"backslash":              {extra(`crops\..\evil.jpg`), `has a \`},
		"drive":                  {extra("C:/evil.jpg"), `<>:"|?*`},
		"stream":                 {extra("README.txt:evil"), `<>:"|?*`},
		"device":                 {extra("crops/nul.png"), "device"},
		"control character":      {extra("crops/a\x1b[2J.png"), "control character"},
		"turned about":           {extra("crops/a\u202egnp.exe"), "control character"},
		"hidden":                 {extra("crops/.evil"), "begins with a dot"},
		"empty part":             {extra("crops//evil"), "empty"},
		"trailing space":         {extra("README.txt "), "space"},
		"folder":                 {extra("crops/"), "empty"},
		"not UTF-8":              {extra("crops/\xff.png"), "UTF-8"},
		"extra":                  {extra("crops/jar/z.png"), "does not call for"},
		"extra program":          {extra("setup.exe"), "does not call for"},
		"twice":                  {extra(manifestName), "twice"},
		"twice but for capitals": {extra("Manifest.JSON"), "twice"},
		"symbolic link":          {func(m []member) []member { at(m, crop).mode = fs.ModeSymlink | 0o777; return m }, "no plain file"},
		"pipe":                   {func(m []member) []member { at(m, crop).mode = fs.ModeNamedPipe | 0o644; return m }, "no plain file"},
		"other version":          {manifest(`"version": 1`, `"version": 2`), "format version 2"},
		"other format":           {manifest("tawsight-bundle", "other-bundle"), "format"},
		"version a text":         {manifest(`"version": 1`, `"version": "1"`), "format version"},
		"no JSON":                {manifest(`"format"`, `format`), "not JSON"},
		"more after it": {func(m []member) []member {
			at(m, manifestName).data = append(at(m, manifestName).data, "{}"...)
			return m
		}, "not JSON"},
		"NaN":             {manifest(`"busyness": 0.5`, `"busyness": NaN`), "not JSON"},
		"infinite":        {manifest(`"busyness": 0.5`, `"busyness": 1e999`), "beyond all measure"},
		"exponent bomb":   {manifest(`"busyness": 0.5`, `"busyness": 1e-999999999`), "beyond all measure"},
		"null":            {manifest(`"busyness": 0.5`, `"busyness": null`), "/marbles/0/busyness"},
		"text for number": {manifest(`"diameter_mm": 18`, `"diameter_mm": "18"`), "/marbles/0/diameter_mm"},
		"size nought":     {manifest(`"diameter_mm": 18`, `"diameter_mm": 0`), "/marbles/0/diameter_mm"},
		"short Lab":       {manifest("70,\n     -3,", "70,"), "/marbles/0/base/lab"},
		"number for text": {manifest(`"label": "box"`, `"label": 5`), "/sets/0/label"},
		"sureness past 1": {func(m []member) []member {
			return manifest("\"features_sure\": {\n    \"busyness\": 0.5", "\"features_sure\": {\n    \"busyness\": 1.5")(m)
		}, "features_sure/busyness"},
		"unknown feature":    {manifest("\"features\": {\n    \"busyness\"", "\"features\": {\n    \"weight_g\""), `"weight_g"`},
		"unknown label":      {manifest("\"label\": \"box\",\n   \"photo\"", "\"label\": \"attic\",\n   \"photo\""), `"attic"`},
		"label of another":   {manifest("\"label\": \"box\",\n   \"photo\"", "\"label\": \"jar\",\n   \"photo\""), "not its photo's set"},
		"unknown photo":      {manifest(`"photo": "box/c.jpg"`, `"photo": "box/z.jpg"`), "no such photo"},
		"marble twice":       {manifest(`"id": "2"`, `"id": "1"`), "listed twice"},
		"set miscounted":     {manifest(`"marbles": 4`, `"marbles": 3`), "is said to have"},
		"name twice in JSON": {manifest(`"version": 1`, `"version": 1, "Version": 1`), "twice in one object"},
		"photo climbs out":   {manifest(`"path": "jar/a.jpg"`, `"path": "jar/../../a.jpg"`), "refused"},
		"label climbs out":   {manifest(`"label": "box"`, `"label": "../box"`), "can't be a folder's"},
		"crop elsewhere":     {manifest(`"crop": "`+crop+`"`, `"crop": "README.txt"`), "said to lie"},
		"crop's scale":       {manifest(`"crop_mm_per_px": 0.8`, `"crop_mm_per_px": 0.0000001`), "does not fit"},
		"unknown permission": {manifest(`"permission": "ask first"`, `"permission": "granted"`), "permission"},
		"picture withheld": {func(m []member) []member {
			return manifest(`"permission": "may share"`, `"permission": "ask first"`)(m)
		}, "but its permission is"},
		"permission forged": {manifest(`"permission": "ask first"`, `"permission": "own"`), "by notes.csv"},
		"credit forged":     {manifest(`"credit": "Aunt, elder"`, `"credit": "Niece"`), "differ in what they say"},
		"terminal codes":    {manifest(`"credit": "Aunt, elder"`, `"credit": "\u001b[2J"`), "credit"},
		"nested deep":       {manifest(`"format"`, `"x": `+strings.Repeat("[", 5000)+strings.Repeat("]", 5000)+`, "format"`), "nested"},
		"notes about another": {func(m []member) []member {
			at(m, notesName).data = append(at(m, notesName).data, "jar/z.jpg,,,,,\r\n"...)
			return m
		}, "not in the manifest"},
		"notes wrong": {func(m []member) []member {
			at(m, notesName).data = append(at(m, notesName).data, "jar/a.jpg,x,,,,\r\n"...)
			return m
		}, "line"},
		"crop no PNG":             {func(m []member) []member { at(m, crop).data = []byte("GIF89a"); return m }, "no PNG"},
		"crop a JPEG":             {func(m []member) []member { at(m, crop).data = asJPEG(picture(30, 1)); return m }, "no PNG"},
		"crop a strip":            {func(m []member) []member { at(m, crop).data = asPNG(image.NewGray(image.Rect(0, 0, 30, 3))); return m }, "square"},
		"crop cut short":          {func(m []member) []member { at(m, crop).data = at(m, crop).data[:len(at(m, crop).data)-20]; return m }, "does not decode"},
		"crop's pixels":           {func(m []member) []member { at(m, crop).data = headerOnly(at(m, crop).data, 60000, 60000); return m }, "60000 x 60000"},
		"crop larger than itself": {func(m []member) []member { at(m, crop).data = headerOnly(at(m, crop).data, 2000, 2000); return m }, "does not decode"},
		"another photo":           {func(m []member) []member { at(m, photo).data = asJPEG(picture(40, 200)); return m }, "not the photo that was measured"},
		"photo a text":            {func(m []member) []member { return otherPhoto(m, photo, []byte("<html>")) }, "neither a JPEG nor a PNG"},
		"photo a GIF":             {func(m []member) []member { return otherPhoto(m, photo, []byte("GIF89a\x01\x00\x01\x00\x00\x00\x00;")) }, "neither a JPEG nor a PNG"},
		"photo's pixels":          {func(m []member) []member { return otherPhoto(m, photo, headerOnly(asPNG(picture(9, 1)), 60000, 60000)) }, "60000 x 60000"},
		"readme a program":        {func(m []member) []member { at(m, readmeName).data = []byte("\x7fELF\xff"); return m }, "UTF-8"},
		"bomb":                    {func(m []member) []member { at(m, readmeName).data = make([]byte, 3<<20); return m }, "would grow more than"},
		"long text": {func(m []member) []member {
			r := at(m, readmeName)
			r.data, r.method = make([]byte, 17<<20), zip.Store
			return m
		}, "limit"},
	} {
		t.Run(name, func(t *testing.T) {
			data := rezip(t, summed(c.do(unzip(t, packed(t)))))
			path := filepath.Join(t.TempDir(), "theirs.zip")
			if err := os.WriteFile(path, data, 0o666); err != nil {
				t.Fatal(err)
			}
			_, err := Open(path)
			if !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), path) {
				t.Errorf("error %v, want a refusal that names the file and says %q", err, c.says)
			}
		})
	}
}

// headerOnly is a PNG whose header claims another size, its check sum right
// (W3C PNG specification, 11.2.2), its data as they were.
func headerOnly(file []byte, width, height uint32) []byte {
	file = bytes.Clone(file)
	binary.BigEndian.PutUint32(file[16:], width)
	binary.BigEndian.PutUint32(file[20:], height)
	binary.BigEndian.PutUint32(file[29:], crc32.ChecksumIEEE(file[12:29]))
	return file
}

// otherPhoto puts other data into a photo's place and makes the manifest agree.
func otherPhoto(m []member, name string, data []byte) []member {
	text := at(m, manifestName)
	text.data = bytes.Replace(text.data, []byte(sumOf(at(m, name).data)), []byte(sumOf(data)), 1)
	at(m, name).data = data
	return m
}

// Attacks on the zip's own headers, which a writer of zips does not make.
func TestForgedHeaders(t *testing.T) {
	data := packed(t)
	// Central directory headers (PKWARE's APPNOTE, 4.3.12): signature
	// PK\x01\x02, flags at 8, method at 10, uncompressed size at 24, name from
	// 46, local header's offset at 42.
	central := func(name string) int {
		for i := 0; ; {
			k := bytes.Index(data[i:], []byte("PK\x01\x02"))
			if k < 0 {
				t.Fatal("no header for " + name)
			}
			i += k
			n := int(binary.LittleEndian.Uint16(data[i+28:]))
			if string(data[i+46:i+46+n]) == name {
				return i
			}
			i += 4
		}
	}
	const crop, other = "crops/jar/a.jpg-10.png", "crops/jar/sub/b.png-1.png"
	for name, c := range map[string]struct {
		do   func(bad []byte)
		says string
	}{
		"encrypted":        {func(bad []byte) { bad[central(crop)+8] |= 1 }, "encrypted"},
		"unknown method":   {func(bad []byte) { bad[central(crop)+10] = 12 }, "method 12"},
		"declared smaller": {func(bad []byte) { binary.LittleEndian.PutUint32(bad[central(crop)+24:], 10) }, crop},
		"declared larger":  {func(bad []byte) { binary.LittleEndian.PutUint32(bad[central(crop)+24:], 1<<20) }, crop},
		"shared bytes": {func(bad []byte) {
			copy(bad[central(other)+42:central(other)+46], bad[central(crop)+42:central(crop)+46])
		}, "share the same bytes"},
	} {
		t.Run(name, func(t *testing.T) {
			bad := bytes.Clone(data)
			c.do(bad)
			if _, err := inMemory(bad); err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("error %v, want one that says %q", err, c.says)
			}
		})
	}
}

// A member that unpacks to more than its header says must be given up at once,
// not written out to the end.
func TestMoreThanDeclared(t *testing.T) {
	var deflated bytes.Buffer
	w, _ := flate.NewWriter(&deflated, 9)
	w.Write(make([]byte, 64<<20))
	w.Close()
	members := unzip(t, packed(t))
	var buf bytes.Buffer
	z := zip.NewWriter(&buf)
	for _, m := range members {
		if m.name == readmeName {
			h := &zip.FileHeader{Name: m.name, Method: zip.Deflate, CompressedSize64: uint64(deflated.Len()), UncompressedSize64: 900, CRC32: crc32.ChecksumIEEE(make([]byte, 900))}
			r, err := z.CreateRaw(h)
			if err != nil {
				t.Fatal(err)
			}
			r.Write(deflated.Bytes())
			continue
		}
		r, _ := z.CreateHeader(&zip.FileHeader{Name: m.name, Method: m.method})
		r.Write(m.data)
	}
	z.Close()
	if _, err := inMemory(buf.Bytes()); err == nil || !strings.Contains(err.Error(), readmeName) {
		t.Errorf("error %v", err)
	}
}

func TestLimits(t *testing.T) {
	data := packed(t)
	for name, c := range map[string]struct {
		lower func(*limits)
		says  string
	}{
		"members":  {func(l *limits) { l.members = 5 }, "more than the limit of 5"},
		"total":    {func(l *limits) { l.total = 4000 }, "limit of 4000 bytes"},
		"manifest": {func(l *limits) { l.manifest = 100 }, "manifest.json is of"},
		"crop":     {func(l *limits) { l.crop = 50 }, "more than the limit of 50"},
		"crop px":  {func(l *limits) { l.cropPX = 29 }, "none is larger than 29"},
		"photo":    {func(l *limits) { l.photo = 100 }, "more than the limit of 100"},
		"photo px": {func(l *limits) { l.photoPX = 1000 }, "too large"},
	} {
		t.Run(name, func(t *testing.T) {
			lim := usual
			c.lower(&lim)
			if _, err := open(bytes.NewReader(data), int64(len(data)), lim); err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("error %v, want one that says %q", err, c.says)
			}
		})
	}
}

func TestNoBundleAtAll(t *testing.T) {
	dir := t.TempDir()
	text := filepath.Join(dir, "text.zip")
	if err := os.WriteFile(text, []byte("Dear diary"), 0o666); err != nil {
		t.Fatal(err)
	}
	empty := filepath.Join(dir, "empty.zip")
	if err := os.WriteFile(empty, rezip(t, nil), 0o666); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{text: "no zip file", empty: "manifest.json is missing"} {
		if _, err := Open(path); !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", path, err)
		}
	}
	for _, path := range []string{dir, filepath.Join(dir, "none.zip")} {
		if _, err := Open(path); err == nil || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v", path, err)
		}
	}
}

func TestWhatCannotBePacked(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*Content)
		says   string
	}{
		"label a device": {func(c *Content) { relabel(c, "box", "con") }, "device"},
		"label with :":   {func(c *Content) { relabel(c, "box", "a:b") }, `<>:"|?*`},
		"capitals only":  {func(c *Content) { relabel(c, "box", "Jar") }, "capitals only"},
		"the same photo": {func(c *Content) { c.Photos[1].SHA256 = c.Photos[0].SHA256 }, "are the same"},
		"no marbles":     {func(c *Content) { c.Marbles = nil }, "can't be packed"},
		"not finite":     {func(c *Content) { *c.Marbles[0].DiameterMM /= 0.0 * *c.Marbles[0].DiameterMM }, "unsupported value"},
		"photo changed":  {func(c *Content) { os.WriteFile(c.Photos[0].Source, []byte("x"), 0o666) }, "changed while it was packed"},
		"photo gone":     {func(c *Content) { os.Remove(c.Photos[0].Source) }, "no such file"},
		"specimen in two": {func(c *Content) {
			c.Notes = append(c.Notes, refset.Row{Photo: "box/d.jpg", Note: refset.Note{Specimen: "twin"}})
		}, "one marble belongs to one set"},
	} {
		t.Run(name, func(t *testing.T) {
			content := content(t)
			c.change(&content)
			if _, err := Pack(io.Discard, content); err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("error %v, want one that says %q", err, c.says)
			}
		})
	}
}

func relabel(c *Content, from, to string) {
	move := func(path string) string {
		if rest, ok := strings.CutPrefix(path, from+"/"); ok {
			return to + "/" + rest
		}
		return path
	}
	for i := range c.Photos {
		c.Photos[i].Path = move(c.Photos[i].Path)
	}
	for i := range c.Marbles {
		c.Marbles[i].Photo = move(c.Marbles[i].Photo)
		if c.Marbles[i].Label == from {
			c.Marbles[i].Label = to
		}
	}
	for i := range c.Notes {
		c.Notes[i].Photo = move(c.Notes[i].Photo)
	}
}

func TestOtherFeatures(t *testing.T) {
	b := onDisk(t, "ours.zip", packed(t))
	if err := b.MeasuredAs(7); err != nil {
		t.Error(err)
	}
	err := b.MeasuredAs(8)
	if !errors.Is(err, ErrFeatures) || !strings.Contains(err.Error(), "2 of its 4 photos") || !strings.Contains(err.Error(), "--unpack") {
		t.Errorf("some photos: %v", err)
	}
	c := content(t)
	for i := range c.Photos {
		c.Photos[i].Source = ""
	}
	var buf bytes.Buffer
	if _, err := Pack(&buf, c); err != nil {
		t.Fatal(err)
	}
	if err := onDisk(t, "ours.zip", buf.Bytes()).MeasuredAs(8); !errors.Is(err, ErrFeatures) || strings.Contains(err.Error(), "--unpack") {
		t.Errorf("no photos: %v", err)
	}
}

func FuzzOpen(f *testing.F) {
	whole := packed(f)
	f.Add(whole)
	f.Add(whole[:len(whole)/2])
	f.Add([]byte("PK\x05\x06" + strings.Repeat("\x00", 18)))
	members := unzip(f, whole)
	at(members, manifestName).data = []byte(`{"format":"tawsight-bundle","version":1}`)
	f.Add(rezip(f, summed(members)))
	lim := usual
	lim.total, lim.photoPX = 64<<20, 1<<22
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := open(bytes.NewReader(data), int64(len(data)), lim)
		if err != nil {
			return
		}
		// What is taken can be listed, and never names a path outside.
		if err := b.List(io.Discard); err != nil {
			t.Error(err)
		}
		for name := range b.members {
			if !filepath.IsLocal(filepath.FromSlash(name)) {
				t.Errorf("%q was taken", name)
			}
		}
	})
}

// FuzzManifest gets past the zip, whose check sums stop most changes.
func FuzzManifest(f *testing.F) {
	whole := unzip(f, packed(f))
	f.Add(at(whole, manifestName).data)
	f.Add([]byte(`{"format":"tawsight-bundle","version":1,"made_by":{},"features":[],"sets":[],"specimens":[],"photos":[],"marbles":[]}`))
	f.Add([]byte(`{"format":"tawsight-bundle","version":1,"x":[[1e99,null,"\\u001b"]]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := decodeManifest(data)
		if err != nil {
			return
		}
		for _, p := range m.Photos {
			if !filepath.IsLocal(filepath.FromSlash(p.Path)) || p.File != "" && !p.Permission.AllowsSharing() {
				t.Errorf("%+v was taken", p)
			}
		}
		for _, q := range m.Marbles {
			for name, v := range q.Features {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Errorf("%s is %v", name, v)
				}
			}
		}
	})
}
