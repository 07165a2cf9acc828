package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
)

// matSection prints how the sorting mat was read: whether marbles have the
// numbers of their places, and how well the mark under them tells what their
// glass lets through.
func matSection(w io.Writer, seen []scored) {
	photos, marbles, numbered := 0, 0, 0
	var got, want []float64
	off := 0.0
	for _, s := range seen {
		if s.truth == nil || s.truth.Mat == 0 || !s.truth.Good() {
			continue
		}
		photos++
		used := map[int]bool{}
		for _, m := range s.truth.Marbles {
			marbles++
			at := match(s.in.Photo.Marbles, m, used)
			if at < 0 {
				continue
			}
			used[at] = true
			f := s.in.Photo.Marbles[at]
			if n, err := strconv.Atoi(f.ID); err == nil && (n == m.Place || m.Place == 0 && n > 29) {
				numbered++
			}
			if f.Base == nil {
				continue
			}
			if t, ok := transmission(m); ok {
				got, want = append(got, f.Base.Translucency), append(want, t)
				off += math.Abs(f.Base.Translucency - t)
			}
		}
	}
	if photos == 0 {
		return
	}
	fmt.Fprintf(w, "\nsorting mat, %d photos: %d of %d marbles found under their places' numbers; translucency of %d against true transmission: rho %.2f, mean |err| %.2f\n",
		photos, numbered, marbles, len(got), spearman(got, want), off/math.Max(1, float64(len(got))))
}
