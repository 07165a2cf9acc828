package record

// Photos are a run's photos in their order, however they are kept: those of
// thousands need not all be in memory at once.
type Photos interface {
	Len() int
	// At is the photo at i, 0..Len()-1. It is not to be changed.
	At(i int) (Photo, error)
}

// List is Photos in memory.
type List []Photo

// Len is how many there are.
func (l List) Len() int { return len(l) }

// At is the photo at i; it has no error.
func (l List) At(i int) (Photo, error) { return l[i], nil }
