package features

import (
	"math/bits"
	"sync"
)

// buffers lends slices for the time of one analysis, so that measuring many
// marbles doesn't make as many sets of them. It may be used by several
// goroutines at once. Lengths are kept apart by powers of two.
type buffers[T any] struct{ pools [32]sync.Pool }

// take lends a slice of n elements; what is in them is left from others.
func (b *buffers[T]) take(n int) []T {
	class := bits.Len(uint(max(n, 256) - 1))
	if s, ok := b.pools[class].Get().(*[]T); ok {
		return (*s)[:n]
	}
	return make([]T, n, 1<<class)
}

// zeroed lends a slice of n zero elements.
func (b *buffers[T]) zeroed(n int) []T {
	s := b.take(n)
	clear(s)
	return s
}

// list lends an empty slice with room for n elements.
func (b *buffers[T]) list(n int) []T { return b.take(n)[:0] }

// give takes slices back; nobody may use them any more.
func (b *buffers[T]) give(all ...[]T) {
	for _, s := range all {
		if class := bits.Len(uint(cap(s))) - 1; class >= 0 {
			b.pools[class].Put(&s)
		}
	}
}

var (
	floats  buffers[float64]
	triples buffers[[3]float64]
	lab32s  buffers[lab32]
	halves  buffers[float32]
	ints    buffers[int32]
	bytes   buffers[uint8]
	flags   buffers[bool]
)
