package web

import (
	"context"
	"fmt"
	"net/http"
	"strconv"

	"tawsight/internal/collection"
)

// faceWindow is how wide a face's round window is, in diameters of the marble:
// the report's plates show about as much of the ground.
const faceWindow = 1.1

// noScaleMM is the size that marbles of photos without a scale are drawn at:
// 5/8 inch, common practice for a player's marble.
const noScaleMM = 15.875

// face is a marble's picture for the template "face". All faces within one
// element of the class "one-scale" are drawn to one scale, which the style
// sheet sets there: an em is 10 mm.
type face struct {
	URL  string
	Name string // for who can't see it
	// WindowMM is the window's width, and SideMM the whole picture's, in
	// millimetres of the marble.
	WindowMM, SideMM float64
	NoScale          bool // the photo gave none: drawn as if it were noScaleMM
}

func newFace(figure, name string, f collection.Face) face {
	mm := f.DiameterPX * f.MMPerPX
	v := face{URL: "/faces/" + figure, Name: name}
	if mm <= 0 {
		mm, v.NoScale = noScaleMM, true
		v.Name += ", drawn without a scale"
	}
	v.WindowMM, v.SideMM = mm*faceWindow, mm
	if f.DiameterPX > 0 {
		v.SideMM = mm * float64(f.SidePX) / f.DiameterPX
	}
	return v
}

// Em is the window's width in ems of 10 mm.
func (f face) Em() string { return strconv.FormatFloat(f.WindowMM/10, 'f', 3, 64) }

// Window, Half of it, and Side are lengths in the drawing; Corner is where the
// picture begins.
func (f face) Window() string { return strconv.FormatFloat(f.WindowMM, 'f', 3, 64) }
func (f face) Side() string   { return strconv.FormatFloat(f.SideMM, 'f', 3, 64) }
func (f face) Half() string   { return strconv.FormatFloat(f.WindowMM/2, 'f', 3, 64) }
func (f face) Corner() string { return strconv.FormatFloat((f.WindowMM-f.SideMM)/2, 'f', 3, 64) }

// scales are how many CSS pixels 10 mm can be on a page; the style sheet has a
// class for each: mm-40, and ph-40 for narrow screens.
var scales = []int{170, 140, 115, 95, 80, 66, 56, 48, 40, 34, 28, 22, 18, 14}

// scaleFor are the classes by which the largest of some faces is no wider than a
// column of that many pixels, on a wide and on a narrow screen; most is the
// largest scale wanted.
func scaleFor(faces []face, wide, narrow float64, most int) string {
	largest := noScaleMM * faceWindow
	for _, f := range faces {
		largest = max(largest, f.WindowMM)
	}
	fit := func(px float64) int {
		for _, s := range scales {
			if s <= most && float64(s)*largest/10 <= px {
				return s
			}
		}
		return scales[len(scales)-1]
	}
	return fmt.Sprintf("mm-%d ph-%d", fit(wide), fit(narrow))
}

// listColumn is the width of a column of faces in lists, CSS pixels, as the
// style sheet has it.
const listColumn = 142

// listScale is the scale of a list of marbles.
func listScale(items []marbleItem) string {
	var faces []face
	for _, i := range items {
		faces = append(faces, i.Face)
	}
	return scaleFor(faces, listColumn, listColumn, 40)
}

// facesOf are the faces of rows, by specimen.
func facesOf(ctx context.Context, c *collection.Collection, rows []collection.Row) (map[string]face, error) {
	var figures []string
	for _, r := range rows {
		figures = append(figures, r.FigureID)
	}
	sizes, err := c.FaceSizes(ctx, figures)
	if err != nil {
		return nil, err
	}
	out := make(map[string]face, len(rows))
	for _, r := range rows {
		if f, ok := sizes[r.FigureID]; ok {
			out[r.ID] = newFace(r.FigureID, "Photo of "+r.Title, f)
		}
	}
	return out, nil
}

// face answers with the picture of a marble, by its figure. It never changes.
func (s *Server) face(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	figure := r.PathValue("figure")
	return s.answerPicture(w, r, "face "+figure, func() ([]byte, error) {
		f, err := c.Face(r.Context(), figure)
		return f.JPEG, err
	})
}

// inches is a diameter to the nearest 1/64 inch, reduced: "5/8 in".
func inches(mm float64) string {
	n := int(mm/25.4*64 + 0.5)
	whole, n, den := n/64, n%64, 64
	for n > 0 && n%2 == 0 {
		n, den = n/2, den/2
	}
	switch {
	case n == 0:
		return fmt.Sprintf("%d in", whole)
	case whole > 0:
		return fmt.Sprintf("%d %d/%d in", whole, n, den)
	}
	return fmt.Sprintf("%d/%d in", n, den)
}
