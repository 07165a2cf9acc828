package vision

import (
	"errors"
	"math"
	"runtime"
	"sync"

	"gocv.io/x/gocv"

	"tawsight/calib"
	"tawsight/internal/colour"
	"tawsight/internal/heif"
)

// Note is something about a photo's file that whoever uses its figures should
// know. The picture was read all the same.
type Note struct {
	Code    string
	Colour  bool   // it makes colours doubtful
	Message string // what is the matter
	Advice  string // what to do about it
}

const unsureAdvice = "send the photo as the camera saved it, or export it as sRGB"

// profileOf finds out what a file's codes mean: nil is sRGB, as is a file that
// says nothing. Where it can't be told a note says so.
func profileOf(k *kind, h head, meta Meta) (*colour.Profile, []Note) {
	doubt := func(message string) []Note {
		return []Note{{Code: "colour-profile", Colour: true, Message: message + "; they were taken as sRGB, the usual kind", Advice: unsureAdvice}}
	}
	png, _ := h.detail.(pngColour)
	if png.cicp != nil {
		p, ok := colour.CodePoints(int(png.cicp[0]), int(png.cicp[1]))
		if !ok || png.cicp[2] != 0 || png.cicp[3] != 1 {
			return nil, doubt("the PNG's colours are of a kind that Tawsight can't convert")
		}
		return p, nil
	}
	if len(h.icc) > 0 {
		p, err := colour.ReadProfile(h.icc)
		switch {
		case errors.Is(err, colour.ErrTables):
			return nil, doubt("the file's colour profile is of the kind that scanners and printers have (by tables), which Tawsight can't follow")
		case errors.Is(err, colour.ErrNotRGB):
			return nil, doubt("the file carries a colour profile that is not one for RGB or grey, so that its colours are not sure")
		case err != nil:
			return nil, doubt("the file's colour profile is damaged, so that its colours are not sure")
		case p.Grey && !h.grey:
			return nil, doubt("the file carries a colour profile for grey pictures, so that its colours are not sure")
		}
		return p, nil
	}
	switch k {
	case kindPNG:
		if png.srgb || png.gamma == 0 && png.primaries == nil {
			return nil, nil
		}
		xy, gamma := colour.SRGBPrimaries, 1/0.45455
		usual := true
		if png.primaries != nil {
			for i := range xy {
				for j := range xy[i] {
					usual = usual && math.Abs(xy[i][j]-png.primaries[i][j]) < 0.002
				}
			}
			xy = *png.primaries
		}
		if png.gamma > 0 {
			gamma = 1 / png.gamma
		}
		// 0.45455 is what writers of sRGB give as its gamma (11.3.2.5).
		srgbCurve := math.Abs(1/gamma-0.45455) < 0.0006
		if usual && srgbCurve {
			return nil, nil
		}
		curve := func(v float64) float64 { return math.Pow(v, gamma) }
		if srgbCurve {
			curve = colour.SRGBToLinear
		}
		if gamma < 0.2 || gamma > 5 {
			return nil, doubt("the PNG gives an absurd gamma, so that its colours are not sure")
		}
		p, ok := colour.PrimariesProfile("PNG gAMA and cHRM", xy, curve)
		if !ok {
			return nil, doubt("the PNG's primary colours make no sense, so that its colours are not sure")
		}
		return p, nil
	case kindHEIC:
		c := h.detail.(heif.Info).Colour
		if !c.Known {
			return nil, nil
		}
		p, ok := colour.CodePoints(c.Primaries, c.Transfer)
		if !ok {
			return nil, doubt("the photo is of high dynamic range, or its colours are of a kind that Tawsight can't convert")
		}
		return p, nil
	}
	switch {
	case meta.colourSpace == 0xffff && meta.interop == "R03", meta.colourSpace == 2:
		// DCF 2.0 (JEITA CP-3461): the optional colour space is Adobe RGB. Some
		// cameras wrote 2 for it.
		return colour.AdobeRGB(), nil
	case meta.colourSpace == 0xffff && meta.interop == "":
		return nil, doubt("the file says that its colours are not sRGB, but not what they are: a program may have dropped the colour profile")
	}
	return nil, nil
}

// own are a photo's codes as the file has them, where they are not sRGB.
type own struct {
	m     gocv.Mat
	table *colour.Contributions
}

// pixels lends the photo's pixels for reading colours.
func (p *Photo) pixels() calib.Pixels {
	px := calib.NewPixels(p.bgr)
	if p.own != nil {
		o := calib.NewPixels(p.own.m)
		px.Own8, px.Own16, px.Table = o.B8, o.B16, p.own.table
	}
	return px
}

// toSRGB gives the photo sRGB codes, 8 or 16 bits as before, for looking at and
// for finding things; where the profile allows it, the file's own are kept
// beside them, and colours are read from those, unclipped.
func (p *Photo) toSRGB(profile *colour.Profile) error {
	m := p.bgr
	out := gocv.NewMatWithSize(m.Rows(), m.Cols(), m.Type())
	in, to := calib.NewPixels(m), calib.NewPixels(out)
	if in.W == 0 || to.W == 0 {
		out.Close()
		return errors.New("its pixels can't be read")
	}
	table := profile.Table(p.sixty)
	rows(p.Height, func(y int) {
		i := 3 * y * in.W
		for range in.W {
			if in.B8 != nil {
				for k, v := range table.Sum(int(in.B8[i+2]), int(in.B8[i+1]), int(in.B8[i])) {
					to.B8[i+2-k] = uint8(255*encoded(v) + 0.5)
				}
			} else {
				for k, v := range table.Sum(int(in.B16[i+2]), int(in.B16[i+1]), int(in.B16[i])) {
					to.B16[i+2-k] = uint16(65535*encoded(v) + 0.5)
				}
			}
			i += 3
		}
	})
	p.bgr = out
	p.Profile = profile.Name
	p.own = &own{m, table}
	return nil
}

// rows shares rows out among the processor's cores.
func rows(n int, f func(y int)) {
	var wg sync.WaitGroup
	workers := max(1, min(8, runtime.GOMAXPROCS(0)))
	for k := range workers {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for y := k * n / workers; y < (k+1)*n/workers; y++ {
				f(y)
			}
		}()
	}
	wg.Wait()
}

// encodeSteps is fine enough that near black, where the curve is steepest, a
// step is a fifth of an 8-bit code; between them lines are drawn.
const encodeSteps = 1 << 14

var encodeTable = sync.OnceValue(func() *[encodeSteps + 2]float32 {
	t := new([encodeSteps + 2]float32)
	for i := range t {
		t[i] = float32(colour.LinearToSRGB(float64(i) / encodeSteps))
	}
	return t
})

// encoded is the sRGB code, 0 to 1, of linear light, clipped.
func encoded(v float32) float32 {
	if !(v > 0) {
		return 0
	}
	if v >= 1 {
		return 1
	}
	t := encodeTable()
	s := v * encodeSteps
	i := int(s)
	return t[i] + (s-float32(i))*(t[i+1]-t[i])
}
