package web

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"

	"tawsight/internal/collection"
	"tawsight/internal/quality"
	"tawsight/internal/record"
)

// photosAPage is how many photos a page of the list shows.
const photosAPage = 48

// pager leads to the pages of a long list.
type pager struct {
	Page, Pages int
	Earlier     string // the address of the page before; empty on the first
	Later       string
}

// newPager is the pager of a list of total entries at path. The page is the
// request's parameter page, from 1.
func newPager(r *http.Request, total, each int) pager {
	p := pager{Page: 1, Pages: max(1, (total+each-1)/each)}
	if n, err := strconv.Atoi(r.URL.Query().Get("page")); err == nil {
		p.Page = min(max(1, n), p.Pages)
	}
	address := func(n int) string {
		q := r.URL.Query()
		q.Set("page", strconv.Itoa(n))
		return r.URL.Path + "?" + q.Encode()
	}
	if p.Page > 1 {
		p.Earlier = address(p.Page - 1)
	}
	if p.Page < p.Pages {
		p.Later = address(p.Page + 1)
	}
	return p
}

// photoLine is a photo in a list.
type photoLine struct {
	collection.Photo
	Marbles int
	Chips   []chip
	Faults  []string // in words, the worst first
}

func photoLineOf(p collection.Photo) photoLine {
	return photoLine{Photo: p, Marbles: len(p.Record.Marbles), Chips: verdictChips(p.Record.Verdict)}
}

func (s *Server) photos(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	c, err := s.collection()
	if err != nil {
		return err
	}
	n, err := c.Counts(ctx)
	if err != nil {
		return err
	}
	pager := newPager(r, n.Photos, photosAPage)
	list, err := c.Photos(ctx, photosAPage, (pager.Page-1)*photosAPage)
	if err != nil {
		return err
	}
	var lines []photoLine
	for _, p := range list {
		l := photoLineOf(p)
		// Lists come without marbles.
		if _, l.Marbles, err = c.Find(ctx, collection.Filter{Photo: p.SHA256, Limit: 1}); err != nil {
			return err
		}
		lines = append(lines, l)
	}
	return s.page(w, r, "photos.html", map[string]any{"Total": n.Photos, "Photos": lines, "Pager": pager})
}

// outline is a marble drawn over its photo, in the picture's pixels with the
// picture's corner as the origin.
type outline struct {
	Path   string // of the marble's page
	Name   string // for those who hear it
	Number int
	Class  string // its state
	Turn   string // transform of the ellipse
	Cx, Cy string
	Rx, Ry string
	// The number stands above the outline, or below where there is no room.
	NumberY, NumberDY string
}

// photoMarble is a marble below its photo.
type photoMarble struct {
	Number  int
	ID      string // of the specimen
	Figure  string
	Title   string
	Size    string
	Colours string
	Chip    chip
	Flags   []record.Flag
}

// photoData fills photo.html.
type photoData struct {
	photoLine
	Width, Height int // of the picture
	NumberSize    int // of the outlines' numbers on a wide screen, in its pixels
	Facts         []fact
	Flags         []record.Flag
	Outlines      []outline
	List          []photoMarble
	Past          []pastLine // its measurements, where there are several
}

// pastLine is one of a photo's measurements.
type pastLine struct {
	When    when
	Text    string
	InForce bool
}

// fact is a line of a list of facts.
type fact struct{ Name, Text string }

func (s *Server) photo(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	c, err := s.collection()
	if err != nil {
		return err
	}
	p, err := c.Photo(ctx, r.PathValue("sha"))
	if err != nil {
		return err
	}
	pic, err := c.PhotoPicture(ctx, p.SHA256)
	if err != nil {
		return err
	}
	rows, _, err := c.Find(ctx, collection.Filter{Photo: p.SHA256})
	if err != nil {
		return err
	}
	row := map[string]collection.Row{}
	for _, v := range rows {
		row[v.ID] = v
	}
	data := photoData{photoLine: photoLineOf(p), Width: pic.WidthPX, Height: pic.HeightPX, NumberSize: max(12, pic.WidthPX/60), Facts: photoFacts(p), Flags: p.Record.Flags}
	past, err := c.Measurements(ctx, p.SHA256)
	if err != nil {
		return err
	}
	if len(past) > 1 {
		for _, m := range past {
			data.Past = append(data.Past, pastLine{whenOf(m.Made), m.Words(), m.InForce})
		}
	}
	scale := 1.0
	if p.Record.WidthPX > 0 {
		scale = float64(pic.WidthPX) / float64(p.Record.WidthPX)
	}
	for i, m := range p.Record.Marbles {
		at := row[p.Specimens[i]]
		line := photoMarble{
			Number: i + 1, ID: p.Specimens[i], Figure: p.Figures[i], Title: at.Title, Size: sizeText(m), Colours: colourText(m),
			Chip: stateChip(at), Flags: m.Flags,
		}
		data.List = append(data.List, line)
		o := m.Outline
		// Pixel centres are at whole numbers in the record, at halves in a drawing.
		cx, cy := (o.CxPX+0.5)*scale, (o.CyPX+0.5)*scale
		f := func(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }
		v := outline{
			Path: "/marbles/" + line.ID, Number: line.Number, Class: string(at.State),
			Name: fmt.Sprintf("Marble %d: %s, %s", line.Number, line.Size, line.Chip.Text),
			Cx:   f(cx), Cy: f(cy), Rx: f(o.SemiMajorPX * scale), Ry: f(o.SemiMinorPX * scale),
			Turn:    fmt.Sprintf("rotate(%s %s %s)", f(o.AngleDeg), f(cx), f(cy)),
			NumberY: f(cy - o.SemiMajorPX*scale), NumberDY: "-.25em",
		}
		if cy-o.SemiMajorPX*scale < 0.08*float64(pic.HeightPX) {
			v.NumberY, v.NumberDY = f(cy+o.SemiMajorPX*scale), "1em"
		}
		data.Outlines = append(data.Outlines, v)
	}
	return s.page(w, r, "photo.html", data)
}

// sizeText is a marble's diameter in words.
func sizeText(m record.Marble) string {
	switch {
	case m.DiameterMM == nil:
		return "size not known"
	case m.DiameterU95MM == nil:
		return fmt.Sprintf("%.2f mm", *m.DiameterMM)
	}
	return fmt.Sprintf("%.2f ± %.2f mm", *m.DiameterMM, *m.DiameterU95MM)
}

// colourText is a marble's colours in a few words.
func colourText(m record.Marble) string {
	text := ""
	if m.Base != nil {
		text = m.Base.Name + " base"
	}
	seen := map[string]bool{}
	for _, rb := range m.Ribbons {
		if !seen[rb.Name] && len(seen) < 3 {
			seen[rb.Name] = true
			if text != "" {
				text += ", "
			}
			text += rb.Name
		}
	}
	return text
}

// photoFacts are what is known of a photo, and what its figures rest on.
func photoFacts(p collection.Photo) []fact {
	var out []fact
	add := func(name, text string) {
		if text != "" {
			out = append(out, fact{name, text})
		}
	}
	rec := p.Record
	if rec.Taken != "" {
		add("Taken", date(rec.Taken))
	}
	add("Camera", rec.Camera)
	add("Added", minute(p.Added))
	add("Measured", minute(p.Measured)+", by Tawsight "+rec.MadeBy.Tawsight)
	sc := rec.Scale
	add("Scale", scaleText(rec, p.Ruler))
	add("Ruler named", p.Ruler.Words())
	add("Camera profile", sc.CameraProfile)
	if p.CheckBarMM > 0 {
		add("Long line", fmt.Sprintf("%.1f mm by your ruler", p.CheckBarMM))
	}
	if sc.CameraHeightMM != nil {
		over := "the table"
		if sc.Source == "card" {
			over = "the card"
		}
		text := fmt.Sprintf("%.0f cm above %s", *sc.CameraHeightMM/10, over)
		if sc.TiltDeg != nil {
			text += fmt.Sprintf(", tilted %.0f°", *sc.TiltDeg)
		}
		add("Camera stood", text)
	}
	switch rec.White.Source {
	case "card":
		add("White", "from the card’s greys")
	case "background":
		add("White", "from the paper, which is less certain")
	case "none", "":
		add("White", "not known")
	}
	if rec.White.CCTK != nil {
		add("Light", fmt.Sprintf("about %.0f K", *rec.White.CCTK))
	}
	if rec.WidthPX > 0 {
		add("Picture", fmt.Sprintf("%d × %d pixels, %s", rec.WidthPX, rec.HeightPX, bytesInWords(p.Bytes)))
	}
	add("Credit", p.Contributor)
	if p.Contributor != "" || p.Permission != "" {
		add("Permission", p.Permission.String())
	}
	add("Where from", p.Provenance)
	if len(p.Places) > 0 {
		add("File", p.Places[0])
	}
	return out
}

// remedy is what to do about photos that share their worst fault.
type remedy struct {
	Advice string
	Photos []photoLine
}

func (s *Server) poor(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	c, err := s.collection()
	if err != nil {
		return err
	}
	const most = 400
	list, err := c.PoorPhotos(ctx, most, 0)
	if err != nil {
		return err
	}
	var groups []*remedy
	by := map[string]*remedy{}
	for _, p := range list {
		l := photoLineOf(p)
		worst, ok := quality.Worst(p.Record.Flags)
		if !ok {
			worst.Advice = "Look at the photo’s page for what its marbles are flagged for"
		} else {
			l.Faults = append(l.Faults, sentence(worst.Message))
		}
		for _, f := range p.Record.Flags {
			if f.Code != worst.Code {
				l.Faults = append(l.Faults, sentence(f.Message))
			}
		}
		g := by[worst.Advice]
		if g == nil {
			g = &remedy{Advice: sentence(worst.Advice)}
			by[worst.Advice] = g
			groups = append(groups, g)
		}
		g.Photos = append(g.Photos, l)
	}
	slices.SortStableFunc(groups, func(a, b *remedy) int { return len(b.Photos) - len(a.Photos) })
	return s.page(w, r, "poor.html", map[string]any{"Total": len(list), "More": len(list) == most, "Groups": groups})
}
