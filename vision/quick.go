package vision

import (
	"math"

	"tawsight/calib"
)

// quickSide is the longer side of the picture that FindQuick looks at, px.
const quickSide = 720

// FindQuick finds marbles as Find does, on a small picture and without
// refining their outlines: enough to say where marbles lie and how good the
// photo of them is, some tenfold faster. Outlines are good to a few per cent
// of a radius; their coverage is the coarse one.
func FindQuick(p *Photo, sc Scene) Found {
	small, s := p.reduced(quickSide)
	img := toPlane(small)
	small.Close()
	var f Found
	if img.w < 24 || img.h < 24 {
		return f
	}
	var card [][2]float64
	for _, c := range sc.Card {
		card = append(card, [2]float64{(c[0]+0.5)*s - 0.5, (c[1]+0.5)*s - 0.5})
	}
	var masked []bool
	if card != nil {
		masked = polygonMask(img.w, img.h, card, 0.012*float64(max(img.w, img.h)))
	}
	model := fitPaper(img, masked)
	f.PaperShare = model.share
	f.BlurPX = sc.BlurPX
	f.Paper = &Paper{model: model, scale: s}
	f.PaperLinear = f.Paper.LinearAt(float64(p.Width)/2, float64(p.Height)/2)

	cam := calib.Camera{FocalPX: sc.Camera.FocalPX * s, CxPX: (sc.Camera.CxPX+0.5)*s - 0.5, CyPX: (sc.Camera.CyPX+0.5)*s - 0.5}
	rMin, rMax := smallestShare*float64(max(img.w, img.h)), largestShare*float64(max(img.w, img.h))
	if sc.MMPerPX > 0 {
		k := s / sc.MMPerPX
		// Very large marbles are rare, and each radius costs a pass.
		rMin, rMax = smallestMM/2*k*0.8, largestMM/2*k
	}
	rMin = math.Max(5, rMin)
	rMax = math.Max(rMin*1.2, math.Min(rMax, 0.45*float64(min(img.w, img.h))))
	es := edges(img, masked)
	grid := newEdgeGrid(es, img.w, img.h, 16)
	var cs []coarse
	for _, c := range propose(es, img.w, img.h, rMin, rMax) {
		cs = append(cs, grid.fitCoarse(c, cam))
	}
	for _, c := range choose(cs, credible) {
		o := Outline{Cone: c.cone, Ellipse: toFull(c.e, s), Coverage: c.coverage}
		r := o.Ellipse.SemiMajorPX
		o.CutOff = o.Ellipse.CxPX < r-1 || o.Ellipse.CyPX < r-1 || o.Ellipse.CxPX > float64(p.Width)-r || o.Ellipse.CyPX > float64(p.Height)-r
		f.Marbles = append(f.Marbles, o)
	}
	for i := range f.Marbles {
		for j := range f.Marbles {
			a, b := f.Marbles[i].Ellipse, f.Marbles[j].Ellipse
			if i != j && math.Hypot(a.CxPX-b.CxPX, a.CyPX-b.CyPX) < touchWithin*(a.MeanRadiusPX()+b.MeanRadiusPX()) {
				f.Marbles[i].Touching = true
			}
		}
	}
	f.Marbles = rowsThenColumns(f.Marbles)
	return f
}
