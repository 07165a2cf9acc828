package features

import (
	"math"
	"math/bits"
	"sort"

	"tawsight/internal/kernels"
)

// Stack is how ribbons lie where folds are pressed together like ribs.
type Stack struct {
	// PeriodR is the tightest steady distance from one rib to the next, radii
	// along the sphere; 0 where there is no stack.
	PeriodR float64
	// Regularity is how alike the ribs are, 0..1: the height of the first peak
	// of the autocorrelation across them.
	Regularity float64
}

const (
	// crossReachR is how far to both sides of a line others are looked for.
	crossReachR = 0.7
	// stackRibs is the least number of ribs that make a stack.
	stackRibs = 3
	// stackPeak is the least height of the autocorrelation's first peak.
	stackPeak = 0.3
	// stackPlaces is the least number of places of the lines at which the ribs
	// must show.
	stackPlaces = 8
)

// findStack looks across the lines for ribs: at every other place of each line
// the colours along the great circle square to it, ribbon 1 and base 0, have
// their autocorrelation taken, sum_i (p_i - mean)(p_(i+k) - mean) over the
// pairs there are, divided by their number and the variance. The lag of the
// first peak after the first trough is the period there.
func findStack(f *Face, m *colourMap, p *Parts, lines []Line) Stack {
	const every = 2
	step := 1 / f.Radius
	n := int(crossReachR / step)
	type found struct{ period, peak float64 }
	var all []found
	arcs := newArcs(step, n+1)
	defer pairsPool.give(arcs)
	prof := bytes.list(2*n + 1)
	ac := make([]float64, 0, 2*n+1)
	disc := kernels.Disc{Of: m.of, Wide: m.n, Radius: m.radius, Rim: RimFrom, Arcs: arcs[:n+1]}
	var cut kernels.Cut
	for k := range lines {
		l := &lines[k]
		t := l.headings()
		for i := 0; i < len(l.Dir); i += every {
			cut.From, cut.Towards = l.Dir[i], unit3(cross3(l.Dir[i], t[i]))
			prof = disc.Ribs(prof[:0], &cut, int8(p.Base))
			ribs, last := 0, uint8(0)
			for _, v := range prof {
				ribs += int(v &^ last)
				last = v
			}
			if ribs < stackRibs {
				continue
			}
			if lag, peak := firstPeak(prof, &ac); peak >= stackPeak {
				all = append(all, found{float64(lag) * step, peak})
			}
		}
	}
	bytes.give(prof)
	if len(all) < stackPlaces {
		return Stack{}
	}
	sort.Slice(all, func(i, j int) bool { return all[i].period < all[j].period })
	tight := all[:max(stackPlaces, len(all)/2)]
	var st Stack
	var per []float64
	for _, a := range tight {
		per = append(per, a.period)
		st.Regularity += a.peak / float64(len(tight))
	}
	st.PeriodR = quantile(per, 0.5)
	st.Regularity = math.Min(1, st.Regularity)
	return st
}

// firstPeak is the lag and height of the first peak of the normalised
// autocorrelation of a profile of 0 and 1 after its first trough, 0 where there
// is none within half the profile.
func firstPeak(p []uint8, scratch *[]float64) (lag int, peak float64) {
	n, ones := len(p), 0
	for _, v := range p {
		ones += int(v)
	}
	mean := float64(ones) / float64(n)
	v0 := mean * (1 - mean)
	if ones == 0 || ones == n {
		return 0, 0
	}
	ac := (*scratch)[:0]
	// 64 places in a word, and a word of nothing after them.
	var room [8]uint64
	words := append(room[:0], make([]uint64, n/64+2)...)
	for i, v := range p {
		words[i/64] |= uint64(v) << (i % 64)
	}
	head, tail := ones, ones // ones but for the last k, but for the first k
	for k := 0; k <= n/2; k++ {
		both := 0
		for i := k / 64; i+1 < len(words); i++ {
			on := words[i]>>(k%64) | words[i+1]<<(64-k%64)
			both += bits.OnesCount64(on & words[i-k/64])
		}
		if k > 0 {
			head -= int(p[n-k])
			tail -= int(p[k-1])
		}
		// The products of both less the mean, multiplied out.
		s := float64(both) - mean*float64(head+tail) + mean*mean*float64(n-k)
		ac = append(ac, s/float64(n-k)/v0)
	}
	*scratch = ac
	k := 1
	for k < len(ac) && ac[k] <= ac[k-1] {
		k++
	}
	if k >= len(ac) {
		return 0, 0
	}
	for ; k+1 < len(ac); k++ {
		if ac[k] > ac[k-1] && ac[k] >= ac[k+1] {
			return k, ac[k]
		}
	}
	return 0, 0
}

// Gaps are the thin lines of base between ribbons.
type Gaps struct {
	// Share is the share of the ribbons' borders on the base that have another
	// ribbon beyond a line of base no wider than thinGapShare of the ribbon.
	Share float64
	// WidthR is the median width of those lines, radii; 0 without any.
	WidthR float64
}

// thinGapShare is how wide, of the ribbon's width, a line of base may be and
// be thin beside it.
const thinGapShare = 0.6

func findGaps(p *Parts, cuts [][]cut) Gaps {
	borders := 0
	var w []float64
	for _, line := range cuts {
		for _, c := range line {
			for k, s := range c {
				if int(s.beyond) != p.Base {
					continue
				}
				borders++
				width := c.width()
				if math.IsNaN(width) {
					width = 2 * c[k].at
				}
				if !math.IsNaN(s.gap) && s.gap <= thinGapShare*width {
					w = append(w, s.gap)
				}
			}
		}
	}
	if borders == 0 {
		return Gaps{}
	}
	sort.Float64s(w)
	g := Gaps{Share: float64(len(w)) / float64(borders)}
	if len(w) > 0 {
		g.WidthR = quantile(w, 0.5)
	}
	return g
}
