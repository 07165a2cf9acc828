package features

// run is a stretch of a row of a grid: cells x0 up to, not including, x1.
type run struct {
	y, x0, x1 int32
	// to leads to the first run of its piece; size is filled in there.
	to, size int32
}

var runPool buffers[run]

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

// sizeUp joins the runs of set (or of unset) cells of a mask n cells wide and fills
// in the sizes of the pieces. Unset cells hang together across edges alone, and the
// grid's border beside a piece counts as far as rows are read before it is reached.
func sizeUp(n int, runs []run, set bool) {
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
}

// gaps are the runs of cells that lie between those given, the grid's border
// left out; the buffer is lent.
func gaps(n int, runs []run) []run {
	out := runPool.list(2*len(runs) + n)
	k := 0
	for y := int32(1); y < int32(n-1); y++ {
		x := int32(1)
		for ; k < len(runs) && runs[k].y == y; k++ {
			if runs[k].x0 > x {
				out = append(out, run{y: y, x0: x, x1: runs[k].x0})
			}
			x = runs[k].x1
		}
		if x < int32(n-1) {
			out = append(out, run{y: y, x0: x, x1: int32(n - 1)})
		}
	}
	return out
}
