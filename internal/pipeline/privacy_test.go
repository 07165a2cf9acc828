package pipeline

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/binary"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
)

// A photo that says where it was taken, who owns the camera, and carries a
// thumbnail: none of that may be in anything that is written, be it a picture,
// a table, a report or a bundle with photos.
func TestNothingPrivateIsWritten(t *testing.T) {
	photo, err := os.ReadFile(filepath.Join("..", "..", "samples", "photos", "tray", "tray-1.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	place := []byte("\x00\x00\x00\x33\x00\x00\x00\x01\x00\x00\x00\x0e\x00\x00\x00\x01\x00\x00\x01\xb9\x00\x00\x00\x64")
	const owner = "owner of a certain street"
	// A TIFF block (CIPA DC-008): a place (0x8825; latitude 2), an artist (0x013b).
	be := binary.BigEndian
	exif := append([]byte("MM\x00*\x00\x00\x00\x08"), 0, 2)
	exif = be.AppendUint32(be.AppendUint32(append(exif, 0x01, 0x3b, 0, 2), uint32(len(owner)+1)), 38)
	exif = be.AppendUint32(append(exif, 0x88, 0x25, 0, 4, 0, 0, 0, 1), 64)
	exif = append(append(exif, 0, 0, 0, 0), owner+"\x00"...)
	exif = append(exif, 0, 1, 0, 2, 0, 5, 0, 0, 0, 3, 0, 0, 0, 82, 0, 0, 0, 0)
	exif = append(exif, place...)
	body := append([]byte("Exif\x00\x00"), exif...)
	private := append([]byte{0xff, 0xd8}, be.AppendUint16([]byte{0xff, 0xe1}, uint16(len(body)+2))...)
	private = append(append(private, body...), photo[2:]...)

	dir := t.TempDir()
	in, out := filepath.Join(dir, "sets", "jar"), filepath.Join(dir, "out")
	if err := os.MkdirAll(in, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(in, "a.jpg"), private, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Run(context.Background(), Options{Photos: []string{in}, OutDir: out, ExplainDir: filepath.Join(out, "explain")}); err != nil {
		t.Fatal(err)
	}
	packed := filepath.Join(out, "find.zip")
	if _, err := Bundle(context.Background(), BundleOptions{Dir: filepath.Join(dir, "sets"), Out: packed, WithPhotos: true, Mine: true}); err != nil {
		t.Fatal(err)
	}
	files := 0
	look := func(name string, data []byte) {
		files++
		for _, secret := range [][]byte{place, []byte(owner)} {
			if bytes.Contains(data, secret) {
				t.Errorf("%q is in %s", secret[:4], name)
			}
		}
	}
	err = filepath.WalkDir(out, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(path)
		look(path, data)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	z, err := zip.OpenReader(packed)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	photos := 0
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		look(f.Name, data)
		if filepath.Base(f.Name) == "a.jpg" {
			photos++
		}
	}
	if files < 10 || photos != 1 {
		t.Errorf("%d files looked at, %d photos packed", files, photos)
	}
	if !bytes.Contains(private, place) || !bytes.Contains(private, []byte(owner)) {
		t.Error("the photo holds nothing private: this proves nothing")
	}
}
