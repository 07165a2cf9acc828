package features

import "math"

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
	const half = cellSpan / 2
	last, cube := uint32(0), uint32(0)
	for _, i := range idx {
		v := &wt[i]
		x, y, z := int(v[0]*(1/cellSide)+half), int(v[1]*(1/cellSide)+half), int(v[2]*(1/cellSide)+half)
		if uint(x) >= cellSpan || uint(y) >= cellSpan || uint(z) >= cellSpan {
			last, cube = 0, 0
		} else if key := uint32(x)<<16 | uint32(y)<<8 | uint32(z) | 1<<24; key != last {
			last = key
			at := key * 2654435769 >> 20 // multiplicative hashing, to cellSlots
			for slots[at%cellSlots].key != key && slots[at%cellSlots].key != 0 {
				at++
			}
			s := &slots[at%cellSlots]
			switch {
			case s.key == key:
				cube = s.cube
			case len(c.all) == cellsMost:
				cube = 0
			default:
				cube = uint32(len(c.all))
				*s = cellSlot{key, cube}
				c.middle = append(c.middle, [3]float64{
					(float64(x) - half + 0.5) * cellSide, (float64(y) - half + 0.5) * cellSide, (float64(z) - half + 0.5) * cellSide,
				})
				c.all = append(c.all, 0)
				c.sum = append(c.sum, [4]float64{})
			}
		}
		c.all[cube]++
		if lead[i] != 0 {
			s := &c.sum[cube]
			s[0] += float64(v[0])
			s[1] += float64(v[1])
			s[2] += float64(v[2])
			s[3]++
		}
	}
	return c
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
