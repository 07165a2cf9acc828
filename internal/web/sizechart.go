package web

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// sizeChart is a dot a marble over a scale in 1/16 inch and one in millimetres.
// Lengths are those of the drawing.
type sizeChart struct {
	Width, Height    string
	Dots             [][2]string
	InchAxis, MMAxis string // heights
	InchText, MMText string
	Inches, MMs      []tick
	Words            string // for who can't see it
}

type tick struct{ X, To, Text string }

const mmPerInch = 25.4

// newSizeChart is nil where there is no size.
func newSizeChart(sizesMM []float64) *sizeChart {
	if len(sizesMM) == 0 {
		return nil
	}
	sorted := slices.Sorted(slices.Values(sizesMM))
	const width, inset, r = 640.0, 36.0, 5.0
	nth := func(mm float64) int { return int(math.Round(mm / mmPerInch * 64)) }
	from, to := nth(sorted[0])-3, nth(sorted[len(sorted)-1])+3
	for to-from < 16 { // so that a few alike don't look far apart
		from, to = from-1, to+1
	}
	at := func(sixtyFourths float64) float64 {
		return inset + (width-2*inset)*(sixtyFourths-float64(from))/float64(to-from)
	}
	stack, tallest := map[int]int{}, 0
	for _, v := range sorted {
		stack[nth(v)]++
		tallest = max(tallest, stack[nth(v)])
	}
	step := math.Min(2*r+1, 150/float64(tallest))
	axis := float64(tallest)*step + 2*r + 4
	c := &sizeChart{
		Width: length(width), Height: length(axis + 62), InchAxis: length(axis), InchText: length(axis + 22), MMAxis: length(axis + 32), MMText: length(axis + 54),
		Words: fmt.Sprintf("Sizes of %s: %.1f to %.1f mm, half of them below %.1f mm", marblesInWords(len(sorted)), sorted[0], sorted[len(sorted)-1], quantile(sorted, 0.5)),
	}
	for _, n := range slices.Sorted(func(yield func(int) bool) {
		for n := range stack {
			if !yield(n) {
				return
			}
		}
	}) {
		for k := range stack[n] {
			c.Dots = append(c.Dots, [2]string{length(at(float64(n))), length(axis - r - 2 - float64(k)*step)})
		}
	}
	labelled := 1
	for (at(4)-at(0))*float64(labelled) < 46 {
		labelled *= 2
	}
	for n := from; n <= to; n++ {
		if n%4 == 0 {
			t := tick{X: length(at(float64(n))), To: length(axis + 6)}
			if n/4%labelled == 0 {
				t.Text = strings.TrimSuffix(inches(float64(n)/64*mmPerInch), " in")
			}
			c.Inches = append(c.Inches, t)
		}
	}
	every := 1.0
	for (at(64/mmPerInch)-at(0))*every < 26 {
		every++
	}
	for mm := math.Ceil(float64(from) / 64 * mmPerInch); mm <= float64(to)/64*mmPerInch; mm++ {
		t := tick{X: length(at(mm / mmPerInch * 64)), To: length(axis + 38)}
		if math.Mod(mm, every) == 0 {
			t.Text = fmt.Sprintf("%.0f", mm)
		}
		c.MMs = append(c.MMs, t)
	}
	return c
}

func length(v float64) string { return fmt.Sprintf("%.1f", v) }
