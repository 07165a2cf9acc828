package calib

import (
	"fmt"
	"math"
)

// mmPerInch is exact (international inch, 1959).
const mmPerInch = 25.4

// sizeClasses are the trade's names for sizes, in 64ths of an inch as a
// diameter is called; each goes up to and with its limit. Common practice, no
// source: a peewee is up to 1/2 in, a player about 5/8 in, a shooter from
// 3/4 in, and a usual shooter about 7/8 in. What lies between a peewee and a
// shooter is a player.
var sizeClasses = []struct {
	upTo64ths int
	name      string
}{
	{32, "peewee"},
	{47, "player"},
	{math.MaxInt, "shooter"},
}

// inch64ths is a diameter in whole 64ths of an inch, the nearest; ok is false
// for one that is not above 0, or not finite.
func inch64ths(diameterMM float64) (n int, ok bool) {
	if !(diameterMM > 0) || diameterMM > 1e6 {
		return 0, false
	}
	return int(math.Round(diameterMM / mmPerInch * 64)), true
}

// InchFraction is a diameter in mm to the nearest 1/64 inch as the trade
// writes it, reduced: "5/8", "1", "1 1/16". Half-way goes up. It is "" for a
// diameter that is not above 0 or not finite.
func InchFraction(diameterMM float64) string {
	n, ok := inch64ths(diameterMM)
	if !ok {
		return ""
	}
	whole, num, den := n/64, n%64, 64
	for num > 0 && num%2 == 0 {
		num, den = num/2, den/2
	}
	switch {
	case num == 0:
		return fmt.Sprint(whole)
	case whole == 0:
		return fmt.Sprintf("%d/%d", num, den)
	default:
		return fmt.Sprintf("%d %d/%d", whole, num, den)
	}
}

// SizeClass is the trade's name for a diameter in mm (common practice):
// "peewee" up to 1/2 in, "player" above that and below 3/4 in, "shooter"
// from 3/4 in; "" for a diameter that is not above 0 or not finite. It goes
// by the nearest 1/64 inch, so that it never contradicts [InchFraction].
func SizeClass(diameterMM float64) string {
	n, ok := inch64ths(diameterMM)
	if !ok {
		return ""
	}
	for _, c := range sizeClasses {
		if n <= c.upTo64ths {
			return c.name
		}
	}
	return ""
}
