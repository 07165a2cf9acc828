package vision

import (
	"image/color"
	"math"
	"sort"

	"gocv.io/x/gocv"
)

var white255 = color.RGBA{255, 255, 255, 255}

// circle is a candidate in the reduced image, px.
type circle struct {
	x, y, r float64
	votes   float64 // share of a whole circle's edge that voted for it
}

// edge is an edge pixel with its unit gradient.
type edge struct {
	x, y   float64
	gx, gy float64
	mag    float64
}

// edges lists pixels where the picture changes faster than its noise: local
// maxima of the gradient along itself, of whichever channel changes most, in
// units of the median gradient of open paper. Masked pixels (the card) give
// none.
func edges(img *plane3, masked []bool) []edge {
	w, h := img.w, img.h
	smooth := blur3(img)
	gx := make([]float32, w*h)
	gy := make([]float32, w*h)
	mag := make([]float32, w*h)
	wt := gradientUnits(smooth, masked)
	for y := 1; y < h-1; y++ {
		for x := 1; x < w-1; x++ {
			i := y*w + x
			var best float32 = -1
			for k := 0; k < 3; k++ {
				dx := (smooth.v[i+1][k] - smooth.v[i-1][k]) * wt[k]
				dy := (smooth.v[i+w][k] - smooth.v[i-w][k]) * wt[k]
				if m := dx*dx + dy*dy; m > best {
					best = m
					gx[i], gy[i] = dx, dy
				}
			}
			mag[i] = float32(math.Sqrt(float64(best)))
		}
	}
	var out []edge
	for y := 2; y < h-2; y++ {
		for x := 2; x < w-2; x++ {
			i := y*w + x
			m := mag[i]
			if m < edgeFloor || (masked != nil && masked[i]) {
				continue
			}
			ux, uy := float64(gx[i]/m), float64(gy[i]/m)
			// Non-maximum suppression on the nearest neighbours.
			dx, dy := int(math.Round(ux)), int(math.Round(uy))
			if mag[i+dy*w+dx] > m || mag[i-dy*w-dx] >= m {
				continue
			}
			out = append(out, edge{float64(x), float64(y), ux, uy, float64(m)})
		}
	}
	return out
}

// edgeFloor is the least gradient that counts as an edge, in units of the
// paper's median gradient. Gradients of noise follow a Rayleigh law, whose
// share beyond k medians is 2^(-k^2): 4e-6 at 4.2.
const edgeFloor = 4.2

// gradientUnits is one over the median gradient of each channel over open
// picture. Most of a photo is paper, so the median is the paper's noise,
// whatever made it.
func gradientUnits(smooth *plane3, masked []bool) (wt [3]float32) {
	w, h := smooth.w, smooth.h
	step := max(1, int(math.Sqrt(float64(w*h)/20000)))
	var g [3][]float64
	for y := 1; y < h-1; y += step {
		for x := 1; x < w-1; x += step {
			i := y*w + x
			if masked != nil && masked[i] {
				continue
			}
			for k := range g {
				dx := float64(smooth.v[i+1][k] - smooth.v[i-1][k])
				dy := float64(smooth.v[i+w][k] - smooth.v[i-w][k])
				g[k] = append(g[k], math.Hypot(dx, dy))
			}
		}
	}
	for k := range g {
		m := 0.0
		if len(g[k]) > 0 {
			sort.Float64s(g[k])
			// The lower half only: a crowded photo has more edges than paper.
			m = 1.394 * g[k][len(g[k])*3/10] // Rayleigh's median over its 30 % point
		}
		// Eight-bit pictures can't show less than this.
		wt[k] = float32(1 / math.Max(m, 0.0025))
	}
	return wt
}

// blur3 is a 3 x 3 binomial filter.
func blur3(img *plane3) *plane3 {
	w, h := img.w, img.h
	tmp := make([][3]float32, w*h)
	out := &plane3{w: w, h: h, v: make([][3]float32, w*h)}
	for y := 0; y < h; y++ {
		row := img.v[y*w : (y+1)*w]
		for x := 0; x < w; x++ {
			a, b, c := row[max(0, x-1)], row[x], row[min(w-1, x+1)]
			for k := 0; k < 3; k++ {
				tmp[y*w+x][k] = (a[k] + 2*b[k] + c[k]) / 4
			}
		}
	}
	for y := 0; y < h; y++ {
		for x := 0; x < w; x++ {
			a, b, c := tmp[max(0, y-1)*w+x], tmp[y*w+x], tmp[min(h-1, y+1)*w+x]
			for k := 0; k < 3; k++ {
				out.v[y*w+x][k] = (a[k] + 2*b[k] + c[k]) / 4
			}
		}
	}
	return out
}

// layerRatio is the step between the radii that votes are collected for.
const layerRatio = 1.10

// propose collects gradient votes for circles of radius rMin..rMax (px in the
// reduced image): each edge pixel votes along its gradient, both ways, since
// glass may be lighter or darker than paper. Votes are spread over the
// tolerance that ellipses and radius steps need, and divided by a whole
// circle's worth. Best first.
func propose(es []edge, w, h int, rMin, rMax float64) []circle {
	var radii []float64
	for r := rMin; ; r *= layerRatio {
		radii = append(radii, r)
		if r >= rMax {
			break
		}
	}
	var out []circle
	for _, r := range radii {
		// Spread: half a radius step, the ellipse of a tilted view (5 % of r)
		// and a pixel of rounding. Where that is wide, votes are collected on a
		// coarser grid.
		sigma := math.Max(0.8, 0.07*r)
		out = append(out, vote(es, w, h, r, sigma, max(1, int(sigma/0.8)))...)
	}
	sort.Slice(out, func(i, j int) bool {
		a, b := out[i], out[j]
		if a.votes != b.votes {
			return a.votes > b.votes
		}
		if a.r != b.r {
			return a.r > b.r
		}
		if a.y != b.y {
			return a.y < b.y
		}
		return a.x < b.x
	})
	return out
}

// vote collects the votes for circles of radius r, in cells of cell x cell px,
// and lists where they gather.
func vote(es []edge, w, h int, r, sigma float64, cell int) (out []circle) {
	per := 1 / float64(cell)
	w, h = (w+cell-1)/cell, (h+cell-1)/cell
	if w < 3 || h < 3 {
		return nil
	}
	acc := gocv.NewMatWithSizeFromScalar(gocv.NewScalar(0, 0, 0, 0), h, w, gocv.MatTypeCV32FC1)
	defer acc.Close()
	sm := gocv.NewMat()
	defer sm.Close()
	data, err := acc.DataPtrFloat32()
	if err != nil {
		return nil
	}
	for i := range es {
		e := &es[i]
		for _, s := range [2]float64{r, -r} {
			x, y := e.x+s*e.gx+0.5, e.y+s*e.gy+0.5
			if x < 0 || y < 0 {
				continue
			}
			if x, y := int(x*per), int(y*per); x < w && y < h {
				data[y*w+x]++
			}
		}
	}
	blur := sigma * per
	k := int(3*blur)*2 + 1
	gocv.GaussianBlur(acc, &sm, imagePt(k, k), blur, blur, gocv.BorderConstant)
	sd, err := sm.DataPtrFloat32()
	if err != nil {
		return nil
	}
	// A whole circle has 2 pi r edge pixels (thinned edges have about 0.9
	// of that); all in one cell, the blur's peak is 1/(2 pi blur^2).
	norm := float32(2 * math.Pi * blur * blur / (2 * math.Pi * r * 0.9))
	least := float32(minVotes) / norm
	win := max(1, int(0.3*r*per))
	mid := (float64(cell) - 1) / 2
	for y := 1; y < h-1; y++ {
		row := sd[y*w : (y+1)*w]
		for x := 1; x < w-1; x++ {
			v := row[x]
			if v < least || v < row[x-1] || v < row[x+1] || v < sd[(y-1)*w+x] || v < sd[(y+1)*w+x] {
				continue
			}
			peak := true
			for j := max(0, y-win); j <= min(h-1, y+win) && peak; j++ {
				for i := max(0, x-win); i <= min(w-1, x+win); i++ {
					if sd[j*w+i] > v {
						peak = false
						break
					}
				}
			}
			if peak {
				out = append(out, circle{float64(x*cell) + mid, float64(y*cell) + mid, r, float64(v * norm)})
			}
		}
	}
	return out
}

// minVotes is the least share of a circle that makes a candidate. Clear glass
// on paper may show half its rim; the spread of votes halves that again.
const minVotes = 0.12
