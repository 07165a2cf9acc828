package vision

// Areas are the places of a photo where no marble is looked for and no paper
// judged: on the ruler, or off the sheet that is the ruler. nil stands for none.
type Areas struct {
	// Taken are polygons, px, corners in order: the card, or coins.
	Taken [][][2]float64
	// Sheet is the polygon outside which there is no paper; nil where the paper
	// fills the picture.
	Sheet [][2]float64
}

// Has says whether a pixel lies in one of them.
func (a *Areas) Has(x, y float64) bool {
	if a == nil {
		return false
	}
	for _, p := range a.Taken {
		if inPolygon(p, x, y) {
			return true
		}
	}
	return len(a.Sheet) >= 3 && !inPolygon(a.Sheet, x, y)
}

// mask marks the areas in a picture of w x h px that is the photo times s, grown
// by grow px; nil where there are none.
func (a *Areas) mask(w, h int, s, grow float64) []bool {
	if a == nil || len(a.Taken) == 0 && len(a.Sheet) < 3 {
		return nil
	}
	small := func(p [][2]float64) [][2]float64 {
		out := make([][2]float64, len(p))
		for i, c := range p {
			out[i] = [2]float64{(c[0]+0.5)*s - 0.5, (c[1]+0.5)*s - 0.5}
		}
		return out
	}
	mask := make([]bool, w*h)
	for _, p := range a.Taken {
		markPolygon(mask, w, h, small(p), grow, true)
	}
	if len(a.Sheet) >= 3 {
		markPolygon(mask, w, h, small(a.Sheet), -grow, false)
	}
	return mask
}
