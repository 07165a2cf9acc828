package heif

import "errors"

// sequence is what of an HEVC sequence parameter set matters here (ITU-T
// H.265, 7.3.2.2 and E.2.1).
type sequence struct {
	width, height int // px, before the conformance window is cut
	depth         int // bits a luma sample
	hasVideo      bool
	fullRange     bool
	hasColour     bool
	primaries     int // code points of ITU-T H.273
	transfer      int
	matrix        int
}

var errSPS = errors.New("its picture parameters can't be read")

// bitReader reads a raw byte sequence payload, most significant bit first.
type bitReader struct {
	b   []byte
	at  int // bit
	bad bool
}

func (r *bitReader) bits(n int) (v uint32) {
	for range n {
		if r.at>>3 >= len(r.b) {
			r.bad = true
			return 0
		}
		v = v<<1 | uint32(r.b[r.at>>3]>>(7-r.at&7)&1)
		r.at++
	}
	return v
}

func (r *bitReader) flag() bool { return r.bits(1) == 1 }

// ue is an Exp-Golomb code, 9.2.
func (r *bitReader) ue() int {
	n := 0
	for !r.flag() {
		if n++; n > 31 || r.bad {
			r.bad = true
			return 0
		}
	}
	return int(uint64(1)<<n - 1 + uint64(r.bits(n)))
}

func (r *bitReader) skip(n int) { r.at += n }

// readSequence reads a sequence parameter set, its two-byte unit header
// included.
func readSequence(nal []byte) (s sequence, err error) {
	if len(nal) < 4 {
		return s, errSPS
	}
	// Emulation prevention bytes out, 7.3.1.1.
	var b []byte
	for i := 2; i < len(nal); i++ {
		if nal[i] == 3 && i >= 4 && nal[i-1] == 0 && nal[i-2] == 0 {
			continue
		}
		b = append(b, nal[i])
	}
	r := &bitReader{b: b}
	r.skip(4)
	layers := int(r.bits(3))
	r.skip(1)
	// profile_tier_level, 7.3.3.
	r.skip(88 + 8)
	var profile, level [8]bool
	for i := range layers {
		profile[i], level[i] = r.flag(), r.flag()
	}
	if layers > 0 {
		r.skip(2 * (8 - layers))
	}
	for i := range layers {
		if profile[i] {
			r.skip(88)
		}
		if level[i] {
			r.skip(8)
		}
	}
	r.ue() // its number
	chroma := r.ue()
	if chroma == 3 {
		r.skip(1)
	}
	s.width, s.height = r.ue(), r.ue()
	if r.flag() { // conformance window
		for range 4 {
			r.ue()
		}
	}
	s.depth = 8 + r.ue()
	r.ue()
	if r.bad || s.width < 1 || s.height < 1 || s.depth > 16 {
		return s, errSPS
	}
	// What follows only leads to the colours' description; where it can't be
	// followed there is none.
	s.video(r, layers)
	return s, nil
}

func (s *sequence) video(r *bitReader, layers int) {
	pocBits := 4 + r.ue()
	from := layers
	if r.flag() {
		from = 0
	}
	for i := from; i <= layers; i++ {
		r.ue()
		r.ue()
		r.ue()
	}
	for range 6 {
		r.ue()
	}
	if r.flag() {
		if own := r.flag(); own { // else the standard's, which take no bits
			scalingLists(r)
		}
	}
	r.skip(2)
	if r.flag() { // pulse code modulation
		r.skip(8)
		r.ue()
		r.ue()
		r.skip(1)
	}
	sets := r.ue()
	if sets > 64 {
		return
	}
	deltas := 0
	for i := range sets {
		if deltas = shortTermSet(r, i, deltas); r.bad || deltas > 32 {
			return
		}
	}
	if r.flag() {
		n := r.ue()
		if n > 32 {
			return
		}
		r.skip(n * (pocBits + 1))
	}
	r.skip(2)
	if !r.flag() { // no usability information
		return
	}
	if r.flag() && r.bits(8) == 255 { // aspect ratio
		r.skip(32)
	}
	if r.flag() { // overscan
		r.skip(1)
	}
	if !r.flag() {
		return
	}
	r.skip(3)
	full, colour := r.flag(), r.flag()
	var v [3]int
	if colour {
		for i := range v {
			v[i] = int(r.bits(8))
		}
	}
	if r.bad {
		return
	}
	s.hasVideo, s.fullRange, s.hasColour = true, full, colour
	s.primaries, s.transfer, s.matrix = v[0], v[1], v[2]
}

// scalingLists passes over scaling_list_data, 7.3.4.
func scalingLists(r *bitReader) {
	for size := range 4 {
		step := 1
		if size == 3 {
			step = 3
		}
		for m := 0; m < 6; m += step {
			if !r.flag() {
				r.ue()
				continue
			}
			n := min(64, 1<<(4+size<<1))
			if size > 1 {
				r.ue()
			}
			for range n {
				r.ue() // signed, but as long
			}
			if r.bad {
				return
			}
		}
	}
}

// shortTermSet passes over st_ref_pic_set, 7.3.7. before is how many deltas
// the set before it has; it returns its own.
func shortTermSet(r *bitReader, i, before int) int {
	if i > 0 && r.flag() { // by the one before
		r.skip(1)
		r.ue()
		n := 0
		for range before + 1 {
			used := r.flag()
			use := true
			if !used {
				use = r.flag()
			}
			if used || use {
				n++
			}
		}
		return n
	}
	neg, pos := r.ue(), r.ue()
	if neg > 16 || pos > 16 {
		r.bad = true
		return 0
	}
	for range neg + pos {
		r.ue()
		r.skip(1)
	}
	return neg + pos
}
