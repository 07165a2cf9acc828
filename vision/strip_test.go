package vision

import (
	"bytes"
	"encoding/binary"
	"image"
	"testing"
)

// Marks that stand for what is private.
var (
	secretPlace = []byte("\x00\x00\x00\x33\x00\x00\x00\x01\x00\x00\x00\x0e\x00\x00\x00\x01\x00\x00\x01\xb9\x00\x00\x00\x64") // 51 deg 14' 4.41"
	secretMaker = "makers-note-with-serial-0815"
	secretName  = "owner of a certain street"
)

// privateExif is a TIFF block with a place, a maker's note, an owner's name and
// a thumbnail, beside what may stay.
func privateExif(orientation int, thumbnail []byte) []byte {
	gps := []tiffEntry{{1, "N"}, {2, string(secretPlace)}}
	exif := []tiffEntry{{0x9003, "2026:05:02 10:11:12"}, {0x927c, secretMaker}, {0xa001, 65535}, {0xa005, []tiffEntry{{1, "R03"}}}, {0xa405, 26}, {0xa430, secretName}}
	return append(tiffOf(
		[]tiffEntry{{0x010f, "Attic"}, {0x0110, "Attic Pocket 3"}, {0x0112, orientation}, {0x8769, exif}, {0x8825, gps}},
		[]tiffEntry{{0x0112, 3}}), thumbnail...)
}

func TestStripLeavesNothingPrivate(t *testing.T) {
	img := texture(64, 48)
	thumb := jpegOf(t, image.NewGray(image.Rect(0, 0, 16, 16)), 50)
	jpg := withExif(withProfile(jpegOf(t, img, 90), p3Profile(), 2), privateExif(6, thumb))
	// A further picture behind the first, a caption, and XMP.
	xmp := append([]byte("http://ns.adobe.com/xap/1.0/\x00"), secretName...)
	seg := binary.BigEndian.AppendUint16([]byte{0xff, 0xe1}, uint16(len(xmp)+2))
	seg = append(append(seg, xmp...), 0xff, 0xfe, 0, byte(2+len(secretName)))
	seg = append(seg, secretName...)
	jpg = append(append(append([]byte(nil), jpg[:2]...), seg...), jpg[2:]...)
	jpg = append(append(jpg, thumb...), secretName...)
	plain := pngOf(t, img)
	text := chunk("tEXt", []byte("Author\x00"+secretName))
	pngFile := append(append(append(append([]byte(nil), plain[:33]...), chunk("eXIf", privateExif(6, thumb))...), text...), plain[33:]...)
	for name, data := range map[string][]byte{"a.jpg": jpg, "a.png": pngFile, "progressive.jpg": sample(t, "progressive.jpg"), "restarts.jpg": sample(t, "four-one-one.jpg"), "grey.jpg": jpegOf(t, image.NewGray(image.Rect(0, 0, 9, 9)), 80)} {
		out, err := Strip(data)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, secret := range [][]byte{secretPlace, []byte(secretMaker), []byte(secretName), thumb} {
			if bytes.Contains(out, secret) {
				t.Errorf("%s: %q is still in it", name, secret[:min(20, len(secret))])
			}
		}
		before, after := decode(t, name, data), decode(t, name, out)
		_, _, a := pixels(t, before)
		_, _, b := pixels(t, after)
		if len(a) != len(b) {
			t.Fatalf("%s: another size", name)
		}
		if _, worst := apart(a, b); worst != 0 {
			t.Errorf("%s: the picture changed by %g", name, worst)
		}
		if before.Meta != after.Meta || before.Profile != after.Profile || (before.own == nil) != (after.own == nil) {
			t.Errorf("%s: metadata %+v, profile %q became %+v, %q", name, before.Meta, before.Profile, after.Meta, after.Profile)
		}
		if again, err := Strip(out); err != nil || !bytes.Equal(again, out) {
			t.Errorf("%s: stripped again it changes (%v)", name, err)
		}
	}
	// The marks were there: else this proves nothing.
	for _, secret := range [][]byte{secretPlace, []byte(secretMaker), []byte(secretName), thumb} {
		if !bytes.Contains(jpg, secret) {
			t.Errorf("%q was never in it", secret)
		}
	}
	if _, err := Strip(sample(t, "plain.heic")); err != ErrCannotStrip {
		t.Errorf("HEIC: %v", err)
	}
	for n := 0; n < len(jpg)-len(thumb)-len(secretName)-1; n += 13 {
		if _, err := Strip(jpg[:n]); err == nil {
			t.Fatalf("cut at %d and stripped", n)
		}
	}
}
