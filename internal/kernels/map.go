package kernels

// #cgo noescape tw_binomial_some
// #cgo nocallback tw_binomial_some
// #cgo noescape tw_mirrored
// #cgo nocallback tw_mirrored
// #cgo noescape tw_nearest_site
// #cgo nocallback tw_nearest_site
// #include "kernels.h"
import "C"

// NearestRoom is how many numbers of each kind [NearestSite] takes for a grid.
func NearestRoom(n int) (wide, narrow int) { return 2 * n, 3 * n }

// NearestSite is the squared distance of each cell of an n x n grid to the nearest site,
// in cells, and that site's number; -1 and +Inf where there is no site at all.
func NearestSite(d2 []float64, nearest []int32, n int, site []bool, wide []int64, narrow []int32) {
	if n == 0 {
		return
	}
	_, _, _, _, _ = d2[n*n-1], nearest[n*n-1], site[n*n-1], wide[2*n-1], narrow[3*n-1]
	C.tw_nearest_site(C.int(n), u8(site), f64(&d2[0]), i32(&nearest[0]), (*C.int64_t)(&wide[0]), (*C.int64_t)(&wide[n]),
		i32(&narrow[0]), i32(&narrow[n]), i32(&narrow[2*n]))
}

// MostMirrored is how many places of a ring are compared with others at most, and
// MostRings of how many rings.
const MostMirrored, MostRings = 64, 15

// Seen is what comparing colours counts: how often each is seen, and how often two are
// the same.
type Seen struct {
	Colours [Colours]int32
	Same    int32
}

// Mirrored compares n places of each of some rings, which are wide apart, with as many
// others, where both are known: those of a ring count for twice its number and one. a
// and b must go on for 64 places from the last ring's beginning.
func (s *Seen) Mirrored(a, b []uint8, rings, wide, n int) {
	if n > MostMirrored || rings > MostRings {
		panic("too much to compare")
	}
	*s = Seen{}
	if n <= 0 || rings <= 0 {
		return
	}
	_, _ = a[(rings-1)*wide+MostMirrored-1], b[(rings-1)*wide+MostMirrored-1]
	C.tw_mirrored((*C.uint8_t)(&a[0]), (*C.uint8_t)(&b[0]), C.int(rings), C.int(wide), C.int(n), i32(&s.Colours[0]), i32(&s.Same))
}

// BinomialSome smooths a field of rows w wide with the 3 x 3 binomial filter; NaN has no
// part and stays. The border of the field stays as well.
func BinomialSome(out, field []float64, w int) {
	if len(field) == 0 {
		return
	}
	_ = out[len(field)-1]
	C.tw_binomial_some(f64(&field[0]), C.int(w), C.int(len(field)/w), f64(&out[0]))
}
