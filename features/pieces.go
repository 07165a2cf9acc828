package features

// run is a stretch of a row of a grid: cells x0 up to, not including, x1.
type run struct {
	y, x0, x1 int32
	// to leads to the first run of its piece; size is filled in there.
	to, size int32
}

var runPool buffers[run]

// runsOf are the stretches of cells of a mask of n x n that are set (or those
// that are not), the grid's border left out, row by row; the buffer is lent.
func runsOf(n int, mask []bool, set bool) []run {
	out := runPool.list(2048)
	for y := 1; y < n-1; y++ {
		row := mask[y*n : (y+1)*n-1]
		for x := 1; x < len(row); x++ {
			if row[x] != set {
				continue
			}
			from := x
			for x++; x < len(row) && row[x] == set; x++ {
			}
			out = append(out, run{y: int32(y), x0: int32(from), x1: int32(x)})
		}
	}
	return out
}

// join finds the pieces that runs make, in each of which to leads to the first;
// diagonal says that cells that touch at a corner hang together.
func join(runs []run, diagonal bool) {
	for i := range runs {
		runs[i].to = int32(i)
	}
	reach := int32(0)
	if diagonal {
		reach = 1
	}
	above := 0 // the first run of the row above that may touch
	for i := range runs {
		r := &runs[i]
		for above < i && (runs[above].y < r.y-1 || runs[above].y == r.y-1 && runs[above].x1+reach <= r.x0) {
			above++
		}
		for k := above; k < i && runs[k].y == r.y-1 && runs[k].x0 < r.x1+reach; k++ {
			a, b := firstOf(runs, int32(k)), firstOf(runs, int32(i))
			if a < b {
				runs[b].to = a
			} else {
				runs[a].to = b
			}
		}
	}
	for i := range runs {
		runs[i].to = firstOf(runs, int32(i))
	}
}

func firstOf(runs []run, i int32) int32 {
	for runs[i].to != i {
		runs[i].to = runs[runs[i].to].to
		i = runs[i].to
	}
	return i
}

// fillSmall turns pieces of set (or of unset) cells over that have fewer than
// least cells. Unset cells hang together across edges alone, and the grid's
// border beside a piece counts as far as rows are read before it is reached.
func fillSmall(n int, mask []bool, set bool, least int) {
	runs := runsOf(n, mask, set)
	join(runs, set)
	for i := range runs {
		r := &runs[i]
		first := &runs[r.to]
		size := r.x1 - r.x0
		if !set {
			if int(r.y) == n-2 {
				size *= 2
			}
			if int(r.x1) == n-1 {
				size++
			}
			if r.x0 == 1 && first.y < r.y {
				size++
			}
		}
		first.size += size
	}
	for _, r := range runs {
		if int(runs[r.to].size) < least {
			row := mask[int(r.y)*n:]
			for x := r.x0; x < r.x1; x++ {
				row[x] = !set
			}
		}
	}
	runPool.give(runs)
}
