package vision

import (
	"bytes"
	"image/jpeg"
	"testing"
)

// roughJPEG is a photo of its own for each seed.
func roughJPEG(t *testing.T, w, h int, seed uint8) []byte {
	t.Helper()
	img := rough(w, h, 255)
	for i := range img.Pix {
		if i%4 != 3 {
			img.Pix[i] = img.Pix[i]/4 + seed
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func decoded(t *testing.T, data []byte) *Photo {
	t.Helper()
	p, err := Decode("rough.jpg", data)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// A photo in the room of the one before is the same as one in fresh memory.
func TestPhotosInSpareRoom(t *testing.T) {
	DropSpares()
	t.Cleanup(DropSpares)
	for seed := range uint8(6) {
		w, h := 64, 48
		if seed%3 == 2 {
			w = 80
		}
		data := roughJPEG(t, w, h, 20*seed)
		p := decoded(t, data)
		got, half := bytes.Clone(p.pixels().B8), p.Half()
		small, err := half.DataPtrUint8()
		if err != nil {
			t.Fatal(err)
		}
		gotHalf := bytes.Clone(small)
		p.Close()
		held := spares.m
		spares.m = nil // as if there were none
		p = decoded(t, data)
		want := p.pixels().B8
		half = p.Half()
		wantHalf, err := half.DataPtrUint8()
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) || !bytes.Equal(gotHalf, wantHalf) {
			t.Errorf("photo %d differs in spare room", seed)
		}
		p.Close()
		DropSpares()
		spares.m = held
	}
}

// A picture made of a photo stays as it is while others are decoded.
func TestPicturesKeepTheirRoom(t *testing.T) {
	t.Cleanup(DropSpares)
	for _, side := range []int{64, 32, 30} { // whole, at half its size, made smaller
		for _, halved := range []bool{false, true} {
			p := decoded(t, roughJPEG(t, 64, 48, 0))
			if halved {
				p.Half()
			}
			pic, err := p.LastPicture(side)
			if err != nil {
				t.Fatal(err)
			}
			before := bytes.Clone(pic.Pix)
			for seed := range uint8(3) {
				q := decoded(t, roughJPEG(t, 64, 48, 50+seed))
				q.Half()
				q.Close()
			}
			if !bytes.Equal(pic.Pix, before) {
				t.Errorf("a picture of %d px was written over by the next photo", side)
			}
			pic.Close()
		}
	}
}
