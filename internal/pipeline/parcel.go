package pipeline

import (
	"bytes"
	"encoding/binary"
	"encoding/gob"
	"errors"
	"maps"
	"slices"

	"tawsight/internal/report"
)

// A parcel is a value as it travels between processes or is kept in a file: what
// gob makes of it, and behind that the pictures that belong to it, as they are. A
// photo's come to two megabytes, which gob would copy several times on the way.
//
// It begins with the lengths, 4 bytes each, most significant first: how many
// pictures there are, how long gob's part is, and how long each picture is.

var errParcel = errors.New("the parcel's lengths are not those of its parts")

// pack gives a parcel in parts, for one to be written after the other; they share
// the pictures' memory.
func pack(v any, pictures [][]byte) ([][]byte, error) {
	var b bytes.Buffer
	b.Write(make([]byte, 4*(2+len(pictures))))
	if err := gob.NewEncoder(&b).Encode(v); err != nil {
		return nil, err
	}
	head := b.Bytes()
	lengths := []int{len(pictures), len(head) - 4*(2+len(pictures))}
	for _, p := range pictures {
		lengths = append(lengths, len(p))
	}
	for i, n := range lengths {
		if int64(n) > 1<<32-1 {
			return nil, errParcel
		}
		binary.BigEndian.PutUint32(head[4*i:], uint32(n))
	}
	return append([][]byte{head}, pictures...), nil
}

// unpack fills in v from a parcel in one piece, and gives the pictures, which share
// its memory; nil for one without length.
func unpack(b []byte, v any) (pictures [][]byte, err error) {
	number := func(i int) int { return int(binary.BigEndian.Uint32(b[4*i:])) }
	if len(b) < 8 || number(0) < 0 || number(0) > len(b)/4-2 {
		return nil, errParcel
	}
	at := 4 * (2 + number(0))
	next := func(n int) ([]byte, bool) {
		if n < 0 || n > len(b)-at { // below 0 where an int has 32 bits
			return nil, false
		}
		at += n
		return b[at-n : at : at], true
	}
	coded, ok := next(number(1))
	for i := range number(0) {
		p, whole := next(number(2 + i))
		if len(p) == 0 {
			p = nil
		}
		pictures, ok = append(pictures, p), ok && whole
	}
	if !ok || at != len(b) {
		return nil, errParcel
	}
	return pictures, gob.NewDecoder(bytes.NewReader(coded)).Decode(v)
}

// without is a copy of what was measured without its pictures, and the pictures;
// putBack puts them in again.
func (t taken) without() (taken, [][]byte) {
	var pictures [][]byte
	t.Crops, t.Sheets = slices.Clone(t.Crops), slices.Clone(t.Sheets)
	for _, p := range t.pictures() {
		pictures, *p = append(pictures, *p), nil
	}
	page, shown := withoutPage(t.Page)
	t.Page = page
	return t, append(pictures, shown...)
}

func (t *taken) putBack(pictures [][]byte) error {
	own := t.pictures()
	if len(own) > len(pictures) {
		return errParcel
	}
	for i, p := range own {
		*p = pictures[i]
	}
	return putBackPage(t.Page, pictures[len(own):])
}

// pictures are where what was measured has its pictures, but for the page's.
func (t *taken) pictures() []*[]byte {
	all := []*[]byte{&t.Drawn.File, &t.Drawn.Page, &t.Tray}
	for _, list := range [][][]byte{t.Crops, t.Sheets} {
		for i := range list {
			all = append(all, &list[i])
		}
	}
	return all
}

func withoutPage(p report.PagePictures) (report.PagePictures, [][]byte) {
	if p == nil {
		return nil, nil
	}
	var pictures [][]byte
	names := report.PagePictures{}
	for _, name := range slices.Sorted(maps.Keys(p)) {
		names[name], pictures = nil, append(pictures, p[name])
	}
	return names, pictures
}

func putBackPage(p report.PagePictures, pictures [][]byte) error {
	if len(p) != len(pictures) {
		return errParcel
	}
	for i, name := range slices.Sorted(maps.Keys(p)) {
		p[name] = pictures[i]
	}
	return nil
}
