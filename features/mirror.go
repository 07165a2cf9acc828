package features

import "math"

// A window mirrored in the surface lays a patch of its own light over whatever
// lies below: about 4 % of the window's brightness (Fresnel's reflectance of
// glass at normal incidence), which may be less than the glass shows itself,
// so that it passes for a pale colour of the marble. It gives itself away by
// its shape, a small solid patch, and by what it adds, light without colour.
const (
	mirrorLeast  = 0.0015 // of the face
	mirrorMost   = 0.07
	mirrorSolid  = 0.80 // area over that of the ellipse with the same second moments
	mirrorAspect = 2.3  // long over short axis
	mirrorGrey   = 0.6  // least over most of the light added to the three channels
	mirrorOut    = 0.8  // radii: beyond it reflections are drawn out along the rim
	// mirrorLight is the most a window adds, 1 for a perfect white in the light
	// of the card: a source that lights the paper from s steradian is pi/s times
	// as bright as white paper, and a twenty-fifth of that is mirrored, 0.42 for
	// 0.3 steradian. Smaller and brighter ones are marked as highlights before.
	mirrorLight = 0.45
	// mirrorPanes is how many panes a window shows at most; more patches of one
	// colour are its pattern.
	mirrorPanes = 4
)

// takeOffMirrored takes mirrored windows out of the colour map: their pixels
// belong to no colour. It returns how many it took.
func (p *Parts) takeOffMirrored(f *Face) int {
	n := f.Size
	usable := 0
	for _, o := range p.Of {
		if o >= 0 {
			usable++
		}
	}
	runs := p.runs(n)
	defer runPool.give(runs)
	for i := range runs {
		runs[runs[i].to].size += runs[i].x1 - runs[i].x0
	}
	// Which patch each pixel belongs to, from 1.
	var patch []int32
	var found [maxColours][][]int32
	for id := range runs {
		size := int(runs[id].size)
		share := float64(size) / float64(usable)
		if share < mirrorLeast || share > mirrorMost || size < 9 {
			continue
		}
		if patch == nil {
			patch = ints.zeroed(n * n)
		}
		comp := make([]int32, 0, size)
		for _, r := range runs[id:] {
			if int(r.to) == id {
				for j := r.y*int32(n) + r.x0; j < r.y*int32(n)+r.x1; j++ {
					comp, patch[j] = append(comp, j), int32(id+1)
				}
			}
		}
		if p.mirrored(f, comp, patch, int32(id+1)) {
			o := p.Of[comp[0]]
			found[o] = append(found[o], comp)
		}
	}
	ints.give(patch)
	taken := 0
	for _, patches := range found {
		if len(patches) > mirrorPanes {
			continue
		}
		for _, c := range patches {
			taken += len(c)
			p.takeOff(f, c)
		}
	}
	return taken
}

// runs are the stretches of one colour in the rows of the face, in each of which to
// leads to the first of its patch; the buffer is lent.
func (p *Parts) runs(n int) []run {
	out := runPool.list(2048)
	above := 0 // the first run of the row above that may touch
	for y := range n {
		row := p.Of[y*n : (y+1)*n]
		first := len(out)
		for x := 0; x < n; x++ {
			o := row[x]
			if o < 0 {
				continue
			}
			from := x
			for x+1 < n && row[x+1] == o {
				x++
			}
			i := int32(len(out))
			r := run{y: int32(y), x0: int32(from), x1: int32(x + 1), to: i}
			out = append(out, r)
			for above < first && out[above].x1 <= r.x0 {
				above++
			}
			for k := above; k < first && out[k].x0 < r.x1; k++ {
				if p.Of[(y-1)*n+int(out[k].x0)] != o {
					continue
				}
				if a, b := firstOf(out, int32(k)), firstOf(out, i); a < b {
					out[b].to = a
				} else {
					out[a].to = b
				}
			}
		}
		above = first
	}
	for i := range out {
		out[i].to = firstOf(out, int32(i))
	}
	return out
}

// mirrored says that a patch of one colour has the shape of a mirrored window
// and adds colourless light to what lies around it; patch is id where it lies.
func (p *Parts) mirrored(f *Face, comp, patch []int32, id int32) bool {
	n := f.Size
	var mx, my, xx, xy, yy float64
	for _, j := range comp {
		x, y := float64(int(j)%n), float64(int(j)/n)
		mx, my = mx+x, my+y
		xx, xy, yy = xx+x*x, xy+x*y, yy+y*y
	}
	c := float64(len(comp))
	mx, my = mx/c, my/c
	xx, xy, yy = xx/c-mx*mx+1.0/12, xy/c-mx*my, yy/c-my*my+1.0/12
	mid := float64(n-1) / 2
	if math.Hypot(mx-mid, my-mid) > mirrorOut*f.Radius {
		return false
	}
	tr, det := xx+yy, xx*yy-xy*xy
	root := math.Sqrt(math.Max(0, tr*tr/4-det))
	l1, l2 := tr/2+root, tr/2-root
	if l2 <= 0 || math.Sqrt(l1/l2) > mirrorAspect || c/(4*math.Pi*math.Sqrt(l1*l2)) < mirrorSolid {
		return false
	}
	// Inside against what lies just outside, away from the blurred border.
	in := func(j int) bool { return j >= 0 && j < n*n && patch[j] == id }
	reach := borderReach(f)
	var d [3]float64
	count := 0.0
	for _, j := range comp {
		j := int(j)
		for _, step := range [4]int{1, -1, n, -n} {
			if in(j + step) {
				continue
			}
			u, v := j-(reach-1)*step, j+reach*step
			if u < 0 || v < 0 || u >= n*n || v >= n*n || !in(u) || in(v) || f.Mask[v]&(Glass|Highlight) != Glass {
				continue
			}
			for q := range d {
				d[q] += f.Linear[u][q] - f.Linear[v][q]
			}
			count++
		}
	}
	if count < 6 {
		return false
	}
	least, most := math.Inf(1), math.Inf(-1)
	for q := range d {
		least, most = math.Min(least, d[q]/count), math.Max(most, d[q]/count)
	}
	return least > 0.01 && least > mirrorGrey*most && most < mirrorLight
}

// takeOff gives a patch and the blurred border around it to no colour.
func (p *Parts) takeOff(f *Face, comp []int32) {
	n := f.Size
	g := max(1, borderReach(f)-1)
	for _, j := range comp {
		x, y := int(j)%n, int(j)/n
		for b := max(0, y-g); b <= min(n-1, y+g); b++ {
			for a := max(0, x-g); a <= min(n-1, x+g); a++ {
				p.Of[b*n+a] = -1
			}
		}
	}
}
