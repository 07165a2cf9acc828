package features

import "math"

// GlassCues are the signs of light passing through a marble.
type GlassCues struct {
	// ShadeSlope is how lightness goes along the shadow's direction over the
	// face, L* per radius, within each colour: matte glass is darker toward
	// its shadow (negative), clear glass gathers light there (positive).
	ShadeSlope float64
	// RimRatio is the luminance just inside the outline over that of the
	// middle.
	RimRatio float64
	// PaperShare is the share of the face about as grey as the paper and not
	// lighter.
	PaperShare float64
	// LightShare is the share of the face at least as light as the paper.
	LightShare   float64
	Translucency float64
}

func glassCues(f *Face, s Shadow, p *Parts) (g GlassCues) {
	var rim, mid, nr, nm float64
	n := 0
	paper, light := 0, 0
	for i := range f.Mask {
		if f.Mask[i]&Glass == 0 || f.Mask[i]&(Highlight|Hidden) != 0 {
			continue
		}
		x, y := f.XY(i)
		rho := math.Hypot(x, y)
		l := f.Linear[i]
		lum := 0.2126*l[0] + 0.7152*l[1] + 0.0722*l[2]
		switch {
		case rho > 0.88 && rho < 0.97:
			rim += lum
			nr++
		case rho < 0.6:
			mid += lum
			nm++
		}
		if rho < RimFrom {
			n++
			lab := f.Lab[i]
			if math.Hypot(lab[1]-f.PaperLab[1], lab[2]-f.PaperLab[2]) < 6 && lab[0] < f.PaperLab[0]+4 {
				paper++
			}
			if lab[0] > f.PaperLab[0] {
				light++
			}
		}
	}
	if n == 0 || nr == 0 || nm == 0 {
		return g
	}
	g.PaperShare = float64(paper) / float64(n)
	g.LightShare = float64(light) / float64(n)
	g.RimRatio = (rim / nr) / math.Max(1e-4, mid/nm)
	if s.Seen {
		// Slope within colours, pooled.
		var sxx, sxy float64
		for k := range p.Colours {
			var m, ml, c float64
			for i, o := range p.Of {
				if int(o) == k && p.Pure[i] {
					x, y := f.XY(i)
					m += x*s.X + y*s.Y
					ml += f.Lab[i][0]
					c++
				}
			}
			if c < 20 {
				continue
			}
			m, ml = m/c, ml/c
			for i, o := range p.Of {
				if int(o) == k && p.Pure[i] {
					x, y := f.XY(i)
					u := x*s.X + y*s.Y - m
					sxx += u * u
					sxy += u * (f.Lab[i][0] - ml)
				}
			}
		}
		if sxx > 0 {
			g.ShadeSlope = sxy / sxx
		}
	}
	return g
}
