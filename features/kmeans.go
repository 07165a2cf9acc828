package features

import "math"

// nearby finds the nearest of a few centres quickly, given a good guess.
type nearby struct {
	centres [][3]float64
	// free is, for each centre, the squared distance within which it is the
	// nearest whatever the others are: half of that to the nearest other, less a
	// hair for rounding.
	free [maxColours]float64
	// half is half the distance to the nearest other.
	half [maxColours]float64
}

func newNearby(centres [][3]float64) nearby {
	n := nearby{centres: centres}
	n.refresh()
	return n
}

// refresh is called when centres have moved.
func (n *nearby) refresh() {
	for k := range n.centres {
		best := math.Inf(1)
		for j := range n.centres {
			if j != k {
				best = math.Min(best, dist2(n.centres[j], n.centres[k]))
			}
		}
		n.free[k], n.half[k] = best*0.249999, math.Sqrt(best)/2
	}
}

// nearest is the nearest centre, the first of those equally near, and its
// squared distance.
func (n *nearby) nearest(v *[3]float64, guess int) (at int, best float64) {
	c := &n.centres[guess]
	d0, d1, d2 := c[0]-v[0], c[1]-v[1], c[2]-v[2]
	at, best = guess, d0*d0+d1*d1+d2*d2
	if best < n.free[guess] {
		return at, best
	}
	for k := range n.centres {
		c := &n.centres[k]
		d0, d1, d2 := c[0]-v[0], c[1]-v[1], c[2]-v[2]
		if d := d0*d0 + d1*d1 + d2*d2; d <= best && (d < best || k < at) {
			best, at = d, k
		}
	}
	return at, best
}

// kmeans clusters colours v, which count as often as weight says, from seeds
// chosen each as far as possible from those before (Gonzalez 1985), outliers
// aside; k is at most maxColours.
func kmeans(v [][3]float64, weight []float64, k int) [][3]float64 {
	n := len(v)
	m := clusters{
		nearby: nearby{centres: make([][3]float64, 1, k)}, v: v, weight: weight, of: bytes.zeroed(n),
		own: floats.take(n), others: floats.take(n),
	}
	d := floats.take(n)
	defer floats.give(d, m.own, m.others)
	defer bytes.give(m.of)
	total := 0.0
	for _, w := range weight {
		total += w
	}
	m.centres[0] = v[m.central(total)]
	m.refresh()
	for j := range v {
		m.own[j], m.others[j] = math.Sqrt(apart2(&v[j], &m.centres[0])), math.Inf(1)
	}
	for len(m.centres) < k {
		m.measure(d)
		// The far end, but not the last outlier: the 99 % point.
		at := farther(d, weight, total/100)
		if d[at] < 4*4 {
			break
		}
		m.add(v[at])
		for iter := 0; iter < 6 && m.move(); iter++ {
		}
	}
	return m.centres
}

// central is the colour nearest to the medians of all three channels, to half a
// cube.
func (m *clusters) central(total float64) int {
	var mid [3]float64
	for q := range mid {
		var count [cellSpan]float64
		for j := range m.v {
			count[max(0, min(cellSpan-1, int(m.v[j][q]*(1/cellSide)+cellSpan/2)))] += m.weight[j]
		}
		k, left := 0, total/2
		for left > count[k] && k < cellSpan-1 {
			left -= count[k]
			k++
		}
		mid[q] = (float64(k) + left/math.Max(1, count[k]) - cellSpan/2) * cellSide
	}
	best, at := math.Inf(1), 0
	for j := range m.v {
		if d := apart2(&m.v[j], &mid); d < best {
			best, at = d, j
		}
	}
	return at
}

// farther is the place of the least of those figures d beyond which there is no
// more weight than rest.
func farther(d, weight []float64, rest float64) int {
	// The largest so far, the least of them first, without which there is less
	// weight than that.
	room := ints.take(len(d) + 1)
	defer ints.give(room)
	top := room[:0]
	sum := 0.0
	for j, x := range d {
		if sum >= rest && x <= d[top[0]] {
			continue
		}
		i := len(top)
		top = append(top, 0)
		for ; i > 0 && d[top[i-1]] > x; i-- {
			top[i] = top[i-1]
		}
		top[i] = int32(j)
		sum += weight[j]
		for len(top) > 1 && sum-weight[top[0]] >= rest {
			sum -= weight[top[0]]
			top = top[1:]
		}
	}
	return int(top[0])
}

// clusters are how far k-means has come. Most colours are known to stay with
// their centre without a look at it (G. Hamerly, Making k-means even faster,
// Proc. SIAM International Conference on Data Mining (2010) 130-140).
type clusters struct {
	nearby
	v      [][3]float64
	weight []float64
	of     []uint8 // nearest centre of each colour
	// own is how far that one is at most, less the way it had gone by then, and
	// others how far the nearest of the others is at least, with the longest way
	// that any had gone by then.
	own, others []float64
	gone        [maxColours]float64
	most        float64
	// sum is what the colours nearest to each centre add up to; the fourth counts
	// them.
	sum [maxColours][4]float64
}

// slack keeps rounding from making a colour stay that should not.
const slack = 1e-9

// settled says that a colour's own centre is the nearest still.
func (m *clusters) settled(j, at int) bool {
	return m.own[j]+m.gone[at]+slack < max(m.half[at], m.others[j]-m.most)
}

// look finds the nearest centre of colour j and how far it is, squared.
func (m *clusters) look(j int) (best float64) {
	v := &m.v[j]
	at := int(m.of[j] & (maxColours - 1))
	best = apart2(v, &m.centres[at])
	m.own[j] = math.Sqrt(best) - m.gone[at]
	if m.settled(j, at) {
		return best
	}
	was, second := at, math.Inf(1)
	for k := range m.centres {
		if k == was {
			continue
		}
		switch d := apart2(v, &m.centres[k]); {
		case d < best || d == best && k < at:
			best, second, at = d, best, k
		case d < second:
			second = d
		}
	}
	m.others[j] = math.Sqrt(second) + m.most
	if at != was {
		m.of[j] = uint8(at)
		m.own[j] = math.Sqrt(best) - m.gone[at]
		a, b, w := &m.sum[was], &m.sum[at], m.weight[j]
		for q := range v {
			a[q] -= w * v[q]
			b[q] += w * v[q]
		}
		a[3] -= w
		b[3] += w
	}
	return best
}

// measure looks at all colours and gives how far the nearest centres are,
// squared.
func (m *clusters) measure(d []float64) {
	for j := range d {
		d[j] = m.look(j)
	}
}

// add puts another centre in, and sums up anew, so that rounding does not pile
// up.
func (m *clusters) add(c [3]float64) {
	m.centres = append(m.centres, c)
	m.refresh()
	m.sum = [maxColours][4]float64{}
	for j := range m.v {
		v := &m.v[j]
		if least := m.others[j] - m.most; least > 0 {
			if d := apart2(v, &c); d < least*least {
				m.others[j] = math.Sqrt(d) + m.most
			}
		}
		s := &m.sum[m.of[j]&(maxColours-1)]
		w := m.weight[j]
		s[0] += w * v[0]
		s[1] += w * v[1]
		s[2] += w * v[2]
		s[3] += w
	}
}

// move takes each centre to the mean of the colours nearest to it; false where
// all stay.
func (m *clusters) move() bool {
	for j, at := range m.of {
		if !m.settled(j, int(at&(maxColours-1))) {
			m.look(j)
		}
	}
	far := 0.0
	for k := range m.centres {
		if s := &m.sum[k]; s[3] > 0 {
			to := [3]float64{s[0] / s[3], s[1] / s[3], s[2] / s[3]}
			way := math.Sqrt(apart2(&to, &m.centres[k]))
			m.gone[k] += way
			far = math.Max(far, way)
			m.centres[k] = to
		}
	}
	m.most += far
	m.refresh()
	return far > 0
}
