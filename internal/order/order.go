// Package order selects by rank without sorting everything.
package order

// Nth is what stands at place k (0 to len(v)-1) of v when sorted; it changes v's
// order (Hoare's selection, the middle of three for pivot). v holds no NaN.
func Nth[T ~float64 | ~float32](v []T, k int) T {
	lo, hi := 0, len(v)-1
	for lo < hi {
		mid := lo + (hi-lo)/2
		a, b, c := v[lo], v[mid], v[hi]
		pivot := max(min(a, b), min(max(a, b), c))
		i, j := lo, hi
		for i <= j {
			for v[i] < pivot {
				i++
			}
			for v[j] > pivot {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return v[k]
		}
	}
	return v[k]
}

// Median is the upper median of v, whose order it changes; v is not empty.
func Median[T ~float64 | ~float32](v []T) T { return Nth(v, len(v)/2) }
