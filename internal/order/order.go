// Package order selects by rank without sorting everything.
package order

// nine is how many values are enough for the middle of nine, spread over them, to
// stand in for their median.
const nine = 60

// Nth is what stands at place k (0 to len(v)-1) of v when sorted; it changes v's
// order. v holds no NaN.
func Nth[T ~float64 | ~float32](v []T, k int) T {
	for len(v) > 1 {
		n := len(v)
		pivot := middle(v[0], v[n/2], v[n-1])
		if n > nine {
			s := n / 8
			pivot = middle(middle(v[0], v[s], v[2*s]), middle(v[3*s], v[n/2], v[5*s]), middle(v[6*s], v[7*s], v[n-1]))
		}
		// Lomuto's partition, without a branch: which side a value belongs to can't
		// be foretold, and a wrong guess takes longer than moving it.
		below := 0
		for i, x := range v {
			v[i], v[below] = v[below], x
			less := 0
			if x < pivot {
				less = 1
			}
			below += less
		}
		if k < below {
			v = v[:below]
			continue
		}
		v, k = v[below:], k-below
		if below > 0 {
			continue
		}
		// The pivot is the least: all that equal it go at once. Asked this way, a
		// NaN would go as well, rather than keep this from ending.
		equal := 0
		for i, x := range v {
			if !(x > pivot) {
				v[i], v[equal] = v[equal], x
				equal++
			}
		}
		if k < equal {
			return pivot
		}
		v, k = v[equal:], k-equal
	}
	return v[k]
}

// middle is the median of three.
func middle[T ~float64 | ~float32](a, b, c T) T {
	if a > b {
		a, b = b, a
	}
	if b > c {
		b = c
	}
	if a > b {
		return a
	}
	return b
}

// Median is the upper median of v, whose order it changes; v is not empty.
func Median[T ~float64 | ~float32](v []T) T { return Nth(v, len(v)/2) }
