package features

import "sync"

// buffers lends slices for the time of one analysis, so that measuring many
// marbles doesn't make as many sets of them. It may be used by several
// goroutines at once.
type buffers[T any] struct{ pool sync.Pool }

// take lends a slice of n elements; what is in them is left from others.
func (b *buffers[T]) take(n int) []T {
	if s, ok := b.pool.Get().(*[]T); ok && cap(*s) >= n {
		return (*s)[:n]
	}
	return make([]T, n)
}

// zeroed lends a slice of n zero elements.
func (b *buffers[T]) zeroed(n int) []T {
	s := b.take(n)
	clear(s)
	return s
}

// give takes slices back; nobody may use them any more.
func (b *buffers[T]) give(all ...[]T) {
	for _, s := range all {
		if cap(s) > 0 {
			b.pool.Put(&s)
		}
	}
}

var (
	floats  buffers[float64]
	triples buffers[[3]float64]
	ints    buffers[int32]
	bytes   buffers[uint8]
	flags   buffers[bool]
)
