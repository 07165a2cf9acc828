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
	// Which patch each pixel belongs to, from 1.
	patch := ints.zeroed(n * n)
	comp := ints.list(n * n)
	defer func() { ints.give(patch, comp) }()
	usable := 0
	for _, o := range p.Of {
		if o >= 0 {
			usable++
		}
	}
	var found [maxColours][][]int32
	id := int32(0)
	for i, o := range p.Of {
		if o < 0 || patch[i] > 0 {
			continue
		}
		id++
		comp = append(comp[:0], int32(i))
		patch[i] = id
		for at := 0; at < len(comp); at++ {
			j := int(comp[at])
			for _, d := range [4]int{1, -1, n, -n} {
				if k := j + d; uint(k) < uint(len(patch)) && p.Of[k] == o && patch[k] == 0 {
					patch[k] = id
					comp = append(comp, int32(k))
				}
			}
		}
		share := float64(len(comp)) / float64(usable)
		if share < mirrorLeast || share > mirrorMost || len(comp) < 9 {
			continue
		}
		if p.mirrored(f, comp, patch, id) {
			found[o] = append(found[o], append([]int32(nil), comp...))
		}
	}
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
