package guide

import (
	"fmt"

	"tawsight/internal/report"
)

// onPlate is how many marbles a plate holds.
const onPlate = 30

// A figure is a picture as it stands on a plate.
type figure struct {
	*Member
	View report.View
}

// sideMM is the side of the picture in millimetres: all pictures of a plate are
// drawn by it, so that a millimetre is as long in each. ok is false where the
// photo gave no scale.
func (f figure) sideMM() (mm float64, ok bool) {
	if f.View.MMPerPX > 0 {
		return float64(f.View.SidePX) * f.View.MMPerPX, true
	}
	return report.NoScaleMM * float64(f.View.SidePX) / f.View.DiameterPX, false
}

// windowMM is the diameter of the round window.
func (f figure) windowMM() float64 {
	d := f.View.DiameterMM()
	if d == 0 {
		d = report.NoScaleMM
	}
	return d * report.PlateView
}

// A plate is some of a set's marbles, all to one scale.
type plate struct {
	Title   string // empty for the only one
	Figures []figure
	// Unscaled says that these are of photos without a scale, drawn as though
	// they were of one size.
	Unscaled bool
}

// note says how a plate is drawn.
func (p *plate) note() string {
	if p.Unscaled {
		return notToScale
	}
	return "All to one scale, the lightest base first."
}

// notToScale is said of pictures from photos without a scale.
const notToScale = "Not to scale: photos that gave none are drawn as though the marble were 5/8 inch."

// fetch gets the set's pictures, by number.
func (s *Set) fetch() (map[int]figure, error) {
	out := map[int]figure{}
	for _, m := range s.shown() {
		if m.Picture == nil {
			return nil, fmt.Errorf("%s, %s: there is no picture of it: an edition read from a file has none, and can be compared with but not drawn", s.Label, m.Name)
		}
		v, err := m.Picture()
		if err != nil {
			return nil, fmt.Errorf("%s, %s: %w", s.Label, m.Name, err)
		}
		out[m.Number] = figure{m, v}
	}
	return out, nil
}

// plates arrange the set's marbles: evenly filled, marbles without a scale
// apart from the others.
func (s *Set) plates(figures map[int]figure) (out []plate) {
	var scaled, unscaled []figure
	for _, m := range s.shown() {
		f := figures[m.Number]
		if _, ok := f.sideMM(); ok {
			scaled = append(scaled, f)
		} else {
			unscaled = append(unscaled, f)
		}
	}
	for _, list := range [][]figure{scaled, unscaled} {
		n := (len(list) + onPlate - 1) / onPlate
		for k := range n {
			from, to := k*len(list)/n, (k+1)*len(list)/n
			out = append(out, plate{Figures: list[from:to], Unscaled: len(scaled) == 0 || &list[0] != &scaled[0]})
		}
	}
	for i := range out {
		if len(out) > 1 {
			out[i].Title = fmt.Sprintf("Plate %d of %d", i+1, len(out))
		}
	}
	return out
}

// caption is the size below a picture.
func (m *Member) caption() string {
	if m.DiameterMM == nil {
		return "size not known"
	}
	return fmt.Sprintf("%.1f mm", *m.DiameterMM)
}

// key is what its number stands for: its name, and whose picture it is where
// those of the set are of several.
func (m *Member) key(s *Set) string {
	if m.Credit == "" || len(s.Credits) == 1 {
		return m.Name
	}
	return m.Name + ", photo " + m.Credit
}

// alt is what a picture shows in words.
func (m *Member) alt(set string) string {
	text := fmt.Sprintf("Marble %d of %s: %s", m.Number, set, m.caption())
	if m.Words != "" {
		text += "; " + m.Words
	}
	return text
}
