package heif

// convert decodes the primary picture of a file that Inspect has passed, upright,
// into bgr, which holds 3 * width * height bytes.
func convert(data []byte, info Info, bgr []byte) error {
	p, err := decodePlanes(data, info.Width, info.Height)
	if err != nil {
		return err
	}
	w, h := p.width, p.height
	if p.space == spaceRGB {
		for y := range h {
			for x := range w {
				s, d := p.y[y*p.stride+4*x:], bgr[3*(y*w+x):]
				d[0], d[1], d[2] = s[2], s[1], s[0]
			}
		}
		return nil
	}
	c := conversion(info.Colour)
	if p.space == spaceGrey {
		for y := range h {
			for x := range w {
				v := clamp(c.luma[p.y[y*p.stride+x]])
				d := bgr[3*(y*w+x):]
				d[0], d[1], d[2] = v, v, v
			}
		}
		return nil
	}
	// Colour is brought to full size by straight lines: where it is halved, it
	// was taken at every other column, and half-way between two rows (chroma
	// location type 0, ITU-T H.265 figure E.1, which is what holds when nothing
	// is said).
	halfX, halfY := p.cw < w, p.ch < h
	rowCb, rowCr := make([]int32, p.cw), make([]int32, p.cw)
	for y := range h {
		y0, y1, f0, f1 := y, y, int32(4), int32(0)
		if halfY {
			y0, f0, f1 = y/2, 3, 1
			y1 = y0 + 1
			if y%2 == 0 {
				y1 = y0 - 1
			}
			y1 = max(0, min(p.ch-1, y1))
		}
		a, b := y0*p.cstride, y1*p.cstride
		for x := range p.cw {
			rowCb[x] = int32(p.cb[a+x])*f0 + int32(p.cb[b+x])*f1
			rowCr[x] = int32(p.cr[a+x])*f0 + int32(p.cr[b+x])*f1
		}
		d := bgr[3*y*w : 3*(y+1)*w]
		line := p.y[y*p.stride:]
		for x := range w {
			var u, v int32 // eightfold
			if halfX {
				i := x / 2
				j := i
				if x%2 == 1 {
					j = min(i+1, p.cw-1)
				}
				u, v = rowCb[i]+rowCb[j], rowCr[i]+rowCr[j]
			} else {
				u, v = 2*rowCb[x], 2*rowCr[x]
			}
			l := c.luma[line[x]]
			if c.swap { // the planes are G, B, R themselves
				d[3*x], d[3*x+1], d[3*x+2] = byte((u+4)/8), line[x], byte((v+4)/8)
				continue
			}
			u, v = u-1024, v-1024
			d[3*x] = clamp(l + c.bu*u)
			d[3*x+1] = clamp(l + c.gu*u + c.gv*v)
			d[3*x+2] = clamp(l + c.rv*v)
		}
	}
	return nil
}

func clamp(v int32) byte {
	v = (v + 1<<15) >> 16
	if v < 0 {
		return 0
	}
	if v > 255 {
		return 255
	}
	return byte(v)
}

// factors turn Y'CbCr into R'G'B', in 1/65536; those of colour are for
// eightfold values about 0.
type factors struct {
	luma           [256]int32
	rv, gu, gv, bu int32
	swap           bool
}

// conversion is by ITU-T H.273, 8.3 (equations 38 to 43): kr and kb from the
// code point, and the range.
func conversion(c Colour) (f factors) {
	kr, kb := 0.299, 0.114 // ITU-R BT.601, which 5 and 6 are, and what is not said is taken for
	switch c.Matrix {
	case 0:
		f.swap = true
	case 1:
		kr, kb = 0.2126, 0.0722
	case 4:
		kr, kb = 0.30, 0.11
	case 7:
		kr, kb = 0.212, 0.087
	case 9, 10:
		kr, kb = 0.2627, 0.0593
	}
	ly, lc, black := 1.0, 1.0, 0.0
	if !c.FullRange {
		ly, lc, black = 255.0/219, 255.0/224, 16
	}
	const one = 65536.0
	for i := range f.luma {
		f.luma[i] = int32((float64(i) - black) * ly * one)
	}
	kg := 1 - kr - kb
	f.rv = int32(2 * (1 - kr) * lc * one / 8)
	f.bu = int32(2 * (1 - kb) * lc * one / 8)
	f.gu = -int32(2 * (1 - kb) * kb / kg * lc * one / 8)
	f.gv = -int32(2 * (1 - kr) * kr / kg * lc * one / 8)
	return f
}
