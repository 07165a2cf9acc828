package features

import (
	"math"

	"tawsight/internal/kernels"
)

// A face has some ten thousand pixels, but only a few hundred colours that differ
// by more than its noise. What is asked of colours alone is asked of small cubes
// of colour, each with the mean and the number of its pixels.

const (
	// cellSide is the side of a cube, weighted CIELAB: half of sameColourLeast.
	cellSide = 3.0
	// cellSpan is how many cubes there are along each axis, about grey.
	cellSpan = 256
	// cellSlots is the size of the table in which cubes are found, cellsMost how
	// many are kept apart.
	cellSlots, cellsMost = 4096, 3072
)

// colourCells are the colours of pixels sorted into cubes. The first cube is for
// what found no other.
type colourCells struct {
	middle [][3]float64 // of each cube
	all    []float64    // how many pixels it has
	sum    [][4]float64 // what those that lead add up to; the fourth counts them
	total  float64      // of all
}

// cellSlot is a place of the table of cubes; its key is 0 where it is free.
type cellSlot struct{ key, cube uint32 }

var (
	slotPool buffers[cellSlot]
	fourPool buffers[[4]float64]
	uintPool buffers[uint32]
)

// sortColours puts the colours wt of the pixels idx into cubes; lead is above 0 for
// the pixels of the face that lead. The buffers are lent.
func sortColours(wt []lab32, idx []int32, lead []uint8) *colourCells {
	c := &colourCells{
		middle: append(triples.list(cellsMost), [3]float64{}),
		all:    append(floats.list(cellsMost), 0),
		sum:    append(fourPool.list(cellsMost), [4]float64{}),
		total:  float64(len(idx)),
	}
	slots := slotPool.zeroed(cellSlots)
	defer slotPool.give(slots)
	keys := uintPool.take(len(idx))
	defer uintPool.give(keys)
	kernels.Cubes(keys, wt, idx, 1/cellSide)
	last, cube := uint32(0), uint32(0)
	for j, i := range idx {
		if key := keys[j]; key != last {
			last = key
			cube = c.find(slots, key)
		}
		c.all[cube]++
		if lead[i] != 0 {
			v, s := &wt[i], &c.sum[cube]
			s[0] += float64(v[0])
			s[1] += float64(v[1])
			s[2] += float64(v[2])
			s[3]++
		}
	}
	return c
}

// find is the number of the cube of a key, which it makes where there is none.
func (c *colourCells) find(slots []cellSlot, key uint32) uint32 {
	if key == 0 {
		return 0
	}
	at := key * 2654435769 >> 20 // multiplicative hashing, to cellSlots
	for slots[at%cellSlots].key != key && slots[at%cellSlots].key != 0 {
		at++
	}
	s := &slots[at%cellSlots]
	switch {
	case s.key == key:
		return s.cube
	case len(c.all) == cellsMost:
		return 0
	}
	*s = cellSlot{key, uint32(len(c.all))}
	var middle [3]float64
	for q := range middle {
		middle[q] = (float64(uint8(key>>(16-8*q))) - cellSpan/2 + 0.5) * cellSide
	}
	c.middle, c.all, c.sum = append(c.middle, middle), append(c.all, 0), append(c.sum, [4]float64{})
	return s.cube
}

// close gives the buffers back.
func (c *colourCells) close() {
	triples.give(c.middle)
	floats.give(c.all)
	fourPool.give(c.sum)
}

// leading are the mean colours of the pixels that lead, cube by cube, and their
// numbers; the buffers are lent.
func (c *colourCells) leading() (mean [][3]float64, weight []float64) {
	mean, weight = triples.list(len(c.sum)), floats.list(len(c.sum))
	for k := range c.sum {
		if s := &c.sum[k]; s[3] > 0 {
			mean = append(mean, [3]float64{s[0] / s[3], s[1] / s[3], s[2] / s[3]})
			weight = append(weight, s[3])
		}
	}
	return mean, weight
}

// span is the largest spread of the colours, from the 3 to the 97 % point of the
// channel that spreads most. Within a cube they are taken to lie evenly.
func (c *colourCells) span() float64 {
	most := 0.0
	for q := range 3 {
		var count [cellSpan]float64
		for k := 1; k < len(c.all); k++ {
			count[int(c.middle[k][q]*(1/cellSide)+cellSpan/2)] += c.all[k]
		}
		point := func(share float64) float64 {
			left := share * (c.total - c.all[0])
			for k, n := range count {
				if n > 0 && left <= n {
					return (float64(k) + left/n) * cellSide
				}
				left -= n
			}
			return 0
		}
		most = math.Max(most, point(0.97)-point(0.03))
	}
	return most
}
