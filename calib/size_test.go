package calib

import (
	"math"
	"testing"
)

func TestSizes(t *testing.T) {
	// Inches are 25.4 mm exactly; classes are common practice, no source.
	for _, c := range []struct {
		mm              float64
		fraction, class string
	}{
		{12.7, "1/2", "peewee"},
		{12.89, "1/2", "peewee"},   // 32.48 sixty-fourths
		{12.91, "33/64", "player"}, // 32.53
		{15.875, "5/8", "player"},  // exactly 5/8
		{15.92, "5/8", "player"},
		{16.0, "5/8", "player"},    // 40.31
		{16.1, "41/64", "player"},  // 40.57
		{18.84, "47/64", "player"}, // 47.47
		{18.86, "3/4", "shooter"},  // 47.52
		{22.225, "7/8", "shooter"},
		{25.4, "1", "shooter"},
		{26.9875, "1 1/16", "shooter"},
		{50.8, "2", "shooter"},
		{6.35, "1/4", "peewee"},
		{0.1, "0", "peewee"},
		{0, "", ""},
		{-3, "", ""},
		{math.NaN(), "", ""},
		{math.Inf(1), "", ""},
	} {
		if got := InchFraction(c.mm); got != c.fraction {
			t.Errorf("%g mm is %q in, want %q", c.mm, got, c.fraction)
		}
		if got := SizeClass(c.mm); got != c.class {
			t.Errorf("%g mm is a %q, want %q", c.mm, got, c.class)
		}
	}
}
