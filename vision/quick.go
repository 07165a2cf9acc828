package vision

import (
	"math"
)

// quickSide is the longer side of the picture that FindQuick looks at, px.
const quickSide = 720

// FindQuick finds marbles as Find does, on a small picture and without
// refining their outlines: enough to say where marbles lie and how good the
// photo of them is, some tenfold faster. Outlines are good to a few per cent
// of a radius; their coverage is the coarse one.
func FindQuick(p *Photo, sc Scene) Found {
	l, ok := lookAt(p, sc, quickSide)
	defer l.img.Close()
	f := l.found(p, sc)
	if !ok {
		return f
	}
	// Very large marbles are rare, and each radius costs a pass.
	chosen, _ := coarseOutlines(l, sc, 1, credible)
	for _, c := range chosen {
		o := Outline{Cone: c.cone, Ellipse: resized(c.e, l.scale), Coverage: c.coverage}
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
