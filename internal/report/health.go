package report

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"image/color"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"tawsight/internal/atomicfile"
	"tawsight/internal/record"
)

// Health is how far a collector's own sets can be trusted: how well their
// specimens are told apart, each judged with itself left out, and what each set
// is made of. Its JSON form is health.json.
type Health struct {
	Sets   []HealthSet `json:"sets"`   // by label
	Labels []string    `json:"labels"` // in the order of Confusion
	// Confusion counts specimens: of the set of the row, taken for that of the
	// column.
	Confusion [][]int `json:"confusion"`
	Tested    int     `json:"tested"`
	Right     int     `json:"right"`
	Rejected  int     `json:"rejected"` // called unlike any set
	// Brier is the mean summed squared difference of probabilities and truth
	// (0 best, 2 worst), CalibrationError the mean difference of what was said
	// and what was right; absent where nothing could be tested.
	Brier            *float64          `json:"brier,omitempty"`
	CalibrationError *float64          `json:"calibration_error,omitempty"`
	Bins             []HealthBin       `json:"bins"`
	Pairs            []HealthPair      `json:"pairs"`
	Mislabelled      []HealthSuspect   `json:"mislabelled"`
	Duplicates       []HealthDuplicate `json:"duplicates"`
	Small            []HealthSmall     `json:"small"`
	Candidates       []HealthCandidate `json:"candidates"`
	Warnings         []string          `json:"warnings"`
	MadeBy           record.MadeBy     `json:"made_by"`
}

// HealthSet is one set.
type HealthSet struct {
	Label     string          `json:"label"`
	Photos    int             `json:"photos"`
	Specimens int             `json:"specimens"`
	Tested    int             `json:"tested"`
	Right     int             `json:"right"`
	Recall    *float64        `json:"recall,omitempty"`     // Right / Tested
	RecallU95 *[2]float64     `json:"recall_u95,omitempty"` // Wilson's 95 % interval
	TakenFor  []TakenFor      `json:"taken_for"`            // the wrong ones, the most frequent first
	SizesMM   []float64       `json:"diameters_mm"`         // ascending
	Base      []PaletteColour `json:"base_colours"`         // by hue and lightness
	Ribbons   []PaletteColour `json:"ribbon_colours"`       // by hue and lightness
	Gallery   []PlateSpecimen `json:"-"`
}

// HealthBin is one bar of the reliability plot.
type HealthBin struct {
	Low         float64 `json:"low"`
	High        float64 `json:"high"`
	N           int     `json:"n"`
	Probability float64 `json:"probability"` // mean that was said
	Right       float64 `json:"right"`       // share that was right
}

// HealthPair is what separates two sets.
type HealthPair struct {
	A        string             `json:"a"`
	B        string             `json:"b"`
	Confused int                `json:"confused"`
	Features []HealthSeparation `json:"features"` // the best first
}

// HealthSeparation is how far one feature tells two sets apart, in spreads
// within sets.
type HealthSeparation struct {
	Feature string  `json:"feature"`
	Label   string  `json:"label"`
	D       float64 `json:"d"`
	Text    string  `json:"text"`
}

// HealthSuspect is a specimen that looks as if it were in the wrong set.
type HealthSuspect struct {
	Specimen string  `json:"specimen"`
	Label    string  `json:"label"`
	Like     string  `json:"like"`
	PValue   float64 `json:"p_value"`
	Text     string  `json:"text"`
}

// HealthDuplicate is two specimens that may be one marble.
type HealthDuplicate struct {
	A        string  `json:"a"`
	B        string  `json:"b"`
	Distance float64 `json:"distance"`
	Typical  float64 `json:"typical"`
	Text     string  `json:"text"`
}

// HealthSmall is a set with too few specimens to be trusted.
type HealthSmall struct {
	Label string `json:"label"`
	N     int    `json:"specimens"`
	Text  string `json:"text"`
}

// HealthCandidate is one form of the comparison that was tried.
type HealthCandidate struct {
	Name   string `json:"name"`
	Wrong  int    `json:"wrong"`
	Tested int    `json:"tested"`
	Chosen bool   `json:"chosen"`
}

const (
	healthWidth = 842.0
	healthDPI   = 150
	healthMark  = "Tawsight, the health of labelled sets"
	// HealthHTMLName and HealthJSONName are the page and the figures for
	// programs.
	HealthHTMLName = "health.html"
	HealthJSONName = "health.json"
)

func (h *Health) headline() string {
	if h.Tested == 0 {
		return "No specimen could be tested with itself left out: each set needs two or more."
	}
	return fmt.Sprintf("%d of %d specimens are given their own label back, each judged as though it were not known (%s).",
		h.Right, h.Tested, wholePercent(float64(h.Right)/float64(h.Tested)))
}

// tiles are the figures that sum it up.
func (h *Health) tiles() (out []tile) {
	specimens := 0
	for _, s := range h.Sets {
		specimens += s.Specimens
	}
	out = append(out, tile{fmt.Sprint(len(h.Sets)), unit(len(h.Sets), "set")}, tile{fmt.Sprint(specimens), unit(specimens, "specimen")})
	if h.Tested > 0 {
		out = append(out, tile{wholePercent(float64(h.Right) / float64(h.Tested)), "rightly placed"})
		out = append(out, tile{wholePercent(float64(h.Rejected) / float64(h.Tested)), "called unlike any set"})
	}
	if h.CalibrationError != nil {
		out = append(out, tile{fmt.Sprintf("%.3f", *h.CalibrationError), "calibration error"})
	}
	if h.Brier != nil {
		out = append(out, tile{fmt.Sprintf("%.3f", *h.Brier), "Brier score"})
	}
	return out
}

// heat is a cell's ground for a share 0..1: white to the accent.
func heat(share float64, right bool) color.NRGBA {
	to := setInks[1]
	if right {
		to = sheetAccent
	}
	k := 0.12 + 0.88*math.Sqrt(math.Max(0, math.Min(1, share)))
	mix := func(a, b uint8) uint8 { return uint8(float64(a) + (float64(b)-float64(a))*k + 0.5) }
	return color.NRGBA{mix(255, to.R), mix(255, to.G), mix(255, to.B), 255}
}

// confusionPlot is the confusion matrix: rows the set a specimen is of, columns
// the set it was taken for. Columns carry the rows' numbers, so that long names
// need room once only.
func (h *Health) confusionPlot(width float64) *drawing {
	const labelW, most = 170.0, 38.0
	n := max(1, len(h.Labels))
	cell := math.Min(most, (width-labelW-44)/float64(n))
	d := newDrawing(width, 0)
	const size = 8.5
	x0 := labelW + 8
	d.write("taken for", x0, 9, 0, regular, size, sheetSoft)
	for j := range h.Labels {
		d.write(fmt.Sprint(j+1), x0+(float64(j)+0.5)*cell, 22, 0.5, bold, size, sheetInk)
	}
	d.write("right", x0+float64(n)*cell+8, 22, 0, regular, size, sheetSoft)
	y := 28.0
	for i, label := range h.Labels {
		lines := linesOf(fmt.Sprintf("%d  %s", i+1, label), labelW, 3, regular, size)
		rowH := math.Max(cell, float64(len(lines))*size*1.2+4)
		for k, l := range lines {
			d.write(l, 0, y+rowH/2+3+(float64(k)-float64(len(lines)-1)/2)*size*1.2, 0, regular, size, sheetInk)
		}
		sum := 0
		for _, c := range h.Confusion[i] {
			sum += c
		}
		for j, c := range h.Confusion[i] {
			x := x0 + float64(j)*cell
			fill, ink := white, sheetInk
			if c > 0 {
				share := float64(c) / float64(sum)
				fill = heat(share, i == j)
				if share > 0.3 {
					ink = white
				}
			}
			d.rect(x, y, cell, rowH, &fill, &sheetLine, 0.7)
			if c > 0 {
				d.write(fmt.Sprint(c), x+cell/2, y+rowH/2+3.4, 0.5, bold, math.Min(10, cell/2), ink)
			}
			if i == j {
				d.rect(x+1.2, y+1.2, cell-2.4, rowH-2.4, nil, &sheetInk, 0.8)
			}
		}
		right := "–"
		if sum > 0 {
			right = wholePercent(float64(h.Confusion[i][i]) / float64(sum))
		}
		d.write(right, x0+float64(n)*cell+8, y+rowH/2+3, 0, bold, size, sheetInk)
		y += rowH
	}
	d.w = math.Min(width, math.Max(300, x0+float64(n)*cell+44))
	y = d.paragraph("A row is the set that specimens are of, a column what they were taken for with themselves left out; framed: rightly placed.", 0, y+14, d.w, 4, regular, smallestSize, sheetSoft)
	d.h = y
	return d
}

// reliabilityPlot sets what was said against what was right: points on the line
// are as they should be. Bars are Wilson's 95 % interval.
func (h *Health) reliabilityPlot(width float64) *drawing {
	const left, top, size = 34.0, 8.0, 8.0
	side := width - left - 12
	d := newDrawing(width, 0)
	at := func(v float64) float64 { return left + side*v }
	up := func(v float64) float64 { return top + side*(1-v) }
	for _, v := range []float64{0, 0.25, 0.5, 0.75, 1} {
		d.line(at(v), up(0), at(v), up(1), 0.5, sheetLine)
		d.line(at(0), up(v), at(1), up(v), 0.5, sheetLine)
		d.write(fmt.Sprintf("%.2f", v), at(v), up(0)+11, 0.5, regular, smallestSize, sheetSoft)
		d.write(fmt.Sprintf("%.2f", v), at(0)-4, up(v)+2.5, 1, regular, smallestSize, sheetSoft)
	}
	d.line(at(0), up(0), at(1), up(1), 1, hatchInk, 4, 3)
	any := false
	const tooFew = "too few specimens to tell"
	for _, b := range h.Bins {
		if b.N == 0 {
			continue
		}
		any = true
		lo, hi := wilson(b.Right, b.N)
		x := at(b.Probability)
		d.line(x, up(lo), x, up(hi), 1.2, sheetAccent)
		for _, v := range []float64{lo, hi} {
			d.line(x-3, up(v), x+3, up(v), 1.2, sheetAccent)
		}
		d.circle(x, up(b.Right), 3.2, &sheetAccent, &white, 0.8)
		d.looks = append(d.looks, box{x - 3.2, up(b.Right) - 3.2, x + 3.2, up(b.Right) + 3.2})
		// The count stands above the bar, or below where there is no room.
		y := up(hi) - 4
		if y < top+6 {
			y = up(lo) + 9
		}
		taken := false
		w := textWidth(fmt.Sprint(b.N), regular, smallestSize)
		own := box{x - w/2, y - 0.74*smallestSize, x + w/2, y + 0.21*smallestSize}
		for _, t := range d.words {
			taken = taken || t.box.overlap(own) > 0
		}
		if !taken {
			d.write(fmt.Sprint(b.N), x, y, 0.5, regular, smallestSize, sheetInk)
		}
	}
	if !any {
		w := textWidth(tooFew, regular, size)
		d.rect(at(0.5)-w/2-5, up(0.5)-8, w+10, 13, &sheetPaper, nil, 0)
		d.write(tooFew, at(0.5), up(0.5)+1, 0.5, regular, size, sheetSoft)
	}
	d.write("probability that was said", at(0.5), up(0)+23, 0.5, regular, size, sheetInk)
	y := d.paragraph("Up: the share that was right; numbers: specimens; bars: 95 % interval. On the dashed line what is said is what comes true.", left, up(0)+36, side, 4, regular, smallestSize, sheetSoft)
	d.h = y
	return d
}

// wilson is Wilson's 95 % interval of a share of n (JASA 22, 1927); 1.959964 is
// the normal distribution's 97.5 % point.
func wilson(share float64, n int) (lo, hi float64) {
	if n == 0 {
		return 0, 1
	}
	const z = 1.959964
	m := float64(n)
	mid := (share + z*z/(2*m)) / (1 + z*z/m)
	half := z / (1 + z*z/m) * math.Sqrt(share*(1-share)/m+z*z/(4*m*m))
	return math.Max(0, mid-half), math.Min(1, mid+half)
}

// wholePercent is a share in whole per cent; only none is 0 and only all is 100.
func wholePercent(share float64) string {
	v := math.Round(100 * share)
	switch {
	case share > 0 && v < 1:
		v = 1
	case share < 1 && v > 99:
		v = 99
	}
	return fmt.Sprintf("%.0f %%", v)
}

// put copies a drawing into another, its corner at (x, y).
func (d *drawing) put(from *drawing, x, y float64) {
	for _, it := range from.items {
		switch {
		case it.shape != nil:
			s := *it.shape
			s.points = slices.Clone(s.points)
			for i := range s.points {
				s.points[i] = [2]float64{s.points[i][0] + x, s.points[i][1] + y}
			}
			if s.circle != nil {
				s.circle = &[3]float64{s.circle[0] + x, s.circle[1] + y, s.circle[2]}
			}
			d.items = append(d.items, item{shape: &s})
		case it.text != nil:
			t := *it.text
			t.x, t.y = t.x+x, t.y+y
			d.items = append(d.items, item{text: &t})
		case it.photo != nil:
			p := *it.photo
			p.x, p.y = p.x+x, p.y+y
			d.items = append(d.items, item{photo: &p})
		}
	}
	move := func(b box) box { return box{b.x0 + x, b.y0 + y, b.x1 + x, b.y1 + y} }
	for _, w := range from.words {
		d.words = append(d.words, placedText{move(w.box), w.text})
	}
	for _, b := range from.looks {
		d.looks = append(d.looks, move(b))
	}
	for _, p := range from.places {
		p.y += y
		d.places = append(d.places, p)
	}
	for _, l := range from.links {
		d.links = append(d.links, link{move(l.box), l.name})
	}
}

// overview is the first page: the confusion, the reliability, the sets' table
// and what wants looking after.
func (h *Health) overview() *drawing {
	d := newDrawing(healthWidth, 0)
	w := healthWidth - 2*plateMargin
	y := d.paragraph("How far your sets can be trusted", plateMargin, plateMargin+18, w, 2, bold, 20, sheetInk)
	y = d.paragraph(h.headline(), plateMargin, y-3, w, 3, regular, 11.5, sheetInk) + 6
	x := plateMargin
	for _, t := range h.tiles() {
		d.write(t.Figure, x, y+10, 0, bold, 15, sheetInk)
		d.write(t.Label, x, y+21, 0, regular, captionSize, sheetSoft)
		x += math.Max(textWidth(t.Figure, bold, 15), textWidth(t.Label, regular, captionSize)) + 26
	}
	y += 44
	const right = 270.0
	leftW := w - right - 30
	d.write("Which is taken for which", plateMargin, y, 0, bold, 11, sheetInk)
	d.write("Does what is said come true", plateMargin+leftW+30, y, 0, bold, 11, sheetInk)
	conf, rel := h.confusionPlot(leftW), h.reliabilityPlot(right)
	d.put(conf, plateMargin, y+8)
	d.put(rel, plateMargin+leftW+30, y+8)
	y += 8 + math.Max(conf.h, rel.h) + 16
	// The sets.
	d.write("The sets", plateMargin, y, 0, bold, 11, sheetInk)
	y += 15
	heads := []struct {
		x    float64
		text string
	}{{0, "set"}, {260, "photos"}, {310, "specimens"}, {375, "own label back"}, {470, "95 % interval"}, {560, "wrong ones taken for"}}
	for _, c := range heads {
		d.write(c.text, plateMargin+c.x, y, 0, regular, captionSize, sheetSoft)
	}
	y += 5
	for _, s := range h.Sets {
		d.line(plateMargin, y, plateMargin+w, y, 0.5, sheetLine)
		y += 12
		row := s.row()
		bottom := d.paragraph(s.Label, plateMargin, y, 250, 3, bold, 8.5, sheetInk)
		for i, text := range row {
			end := w
			if i+2 < len(heads) {
				end = heads[i+2].x - 6
			}
			bottom = math.Max(bottom, d.paragraph(text, plateMargin+heads[i+1].x, y, end-heads[i+1].x, 3, regular, 8.5, sheetInk))
		}
		y = bottom - 6
	}
	y += 18
	for _, part := range h.concerns() {
		d.write(part.title, plateMargin, y, 0, bold, 11, sheetInk)
		y += 14
		for _, t := range part.texts {
			d.circle(plateMargin+2, y-2.8, 1.1, &sheetAccent, nil, 0)
			y = d.paragraph(t, plateMargin+8, y, w-8, 0, regular, 8.5, sheetInk) + 2
		}
		y += 8
	}
	d.h = y + plateMargin/2
	return d
}

// row are a set's figures as words.
func (s *HealthSet) row() []string {
	right, interval := "none tried", "–"
	if s.Tested > 0 {
		right = fmt.Sprintf("%d of %d", s.Right, s.Tested)
	}
	if s.RecallU95 != nil {
		interval = fmt.Sprintf("%s to %s", wholePercent(s.RecallU95[0]), wholePercent(s.RecallU95[1]))
	}
	var taken []string
	for _, t := range s.TakenFor {
		taken = append(taken, fmt.Sprintf("%s (%d)", t.Label, t.Count))
	}
	return []string{fmt.Sprint(s.Photos), fmt.Sprint(s.Specimens), right, interval, cmp.Or(strings.Join(taken, ", "), "–")}
}

type concern struct {
	title string
	texts []string
}

// concerns are what wants looking after.
func (h *Health) concerns() (out []concern) {
	var wrong, twice, small []string
	for _, s := range h.Mislabelled {
		wrong = append(wrong, sentence(s.Text))
	}
	for _, s := range h.Duplicates {
		twice = append(twice, sentence(s.Text))
	}
	for _, s := range h.Small {
		small = append(small, sentence(s.Text))
	}
	none := func(list []string, text string) []string {
		if len(list) == 0 {
			return []string{text}
		}
		return list
	}
	out = append(out,
		concern{"Perhaps in the wrong set", none(wrong, "None stands out.")},
		concern{"Perhaps the same marble twice", none(twice, "No two are that near.")},
		concern{"Sets too small to trust", none(small, "None.")})
	if len(h.Warnings) > 0 {
		out = append(out, concern{"To bear in mind", eachOf(h.Warnings, sentence)})
	}
	if len(h.Candidates) > 0 {
		var tried []string
		for _, c := range h.Candidates {
			text := fmt.Sprintf("%s: %d of %d wrong", c.Name, c.Wrong, c.Tested)
			if c.Chosen {
				text += ", chosen"
			}
			tried = append(tried, sentence(text))
		}
		out = append(out, concern{"Ways of comparing that were tried", tried})
	}
	return out
}

// pairTexts is how many features are told of a pair.
const pairTexts = 4

// pairsPage is which features separate which pair of sets.
func (h *Health) pairsPage() *drawing {
	d := newDrawing(healthWidth, 0)
	w := healthWidth - 2*plateMargin
	y := d.paragraph("What tells each two sets apart", plateMargin, plateMargin+18, w, 2, bold, 20, sheetInk)
	y = d.paragraph("The bar is the difference of the two sets in spreads within a set: 2 and more is clear to the eye, below 1 the sets overlap for the most part.", plateMargin, y-5, w, 3, regular, 9, sheetSoft) + 4
	if len(h.Pairs) == 0 {
		y = d.paragraph("There are no two sets to compare.", plateMargin, y, w, 2, regular, 9, sheetInk)
	}
	longest := 4.0
	for _, p := range h.Pairs {
		for _, f := range p.Features {
			longest = math.Max(longest, f.D)
		}
	}
	for _, p := range h.Pairs {
		d.line(plateMargin, y-4, plateMargin+w, y-4, 0.5, sheetLine)
		y += 10
		left := d.paragraph(p.A+" and "+p.B, plateMargin, y, 230, 5, bold, 9, sheetInk)
		note := "never taken for one another"
		if p.Confused > 0 {
			note = fmt.Sprintf("taken for one another: %d", p.Confused)
		}
		left = d.paragraph(note, plateMargin, left, 230, 2, regular, captionSize, sheetSoft)
		at := y
		if len(p.Features) == 0 {
			at = d.paragraph("no feature tells them apart", plateMargin+250, at, w-250, 2, regular, 8.5, sheetInk)
		}
		for _, f := range p.Features[:min(len(p.Features), pairTexts)] {
			const bar = 70.0
			d.rect(plateMargin+250, at-6, bar, 6, &sheetLine, nil, 0)
			d.rect(plateMargin+250, at-6, bar*math.Max(0, f.D/longest), 6, &sheetAccent, nil, 0)
			d.write(fmt.Sprintf("%.1f", f.D), plateMargin+250+bar+22, at, 1, bold, 8.5, sheetInk)
			at = d.paragraph(cmp.Or(f.Text, f.Label), plateMargin+250+bar+30, at, w-250-bar-30, 4, regular, 8.5, sheetInk) + 1
		}
		y = math.Max(left, at) + 4
	}
	d.h = y + plateMargin/2
	return d
}

// EncodeHealth writes the figures as indented JSON. Lists are empty rather than
// null.
func EncodeHealth(w io.Writer, h Health) error {
	h.Bins, h.Pairs, h.Mislabelled, h.Duplicates = orEmpty(h.Bins), orEmpty(h.Pairs), orEmpty(h.Mislabelled), orEmpty(h.Duplicates)
	h.Small, h.Candidates, h.Warnings, h.Sets = orEmpty(h.Small), orEmpty(h.Candidates), orEmpty(h.Warnings), slices.Clone(orEmpty(h.Sets))
	h.Labels, h.Confusion = orEmpty(h.Labels), orEmpty(h.Confusion)
	for i := range h.Sets {
		s := &h.Sets[i]
		s.TakenFor, s.SizesMM, s.Base, s.Ribbons = orEmpty(s.TakenFor), orEmpty(s.SizesMM), orEmpty(s.Base), orEmpty(s.Ribbons)
	}
	h.Pairs = slices.Clone(h.Pairs)
	for i := range h.Pairs {
		h.Pairs[i].Features = orEmpty(h.Pairs[i].Features)
	}
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(h)
}

// healthFiles are the names of all that is written, the pictures of the sets
// last, in their order.
func (h *Health) healthFiles() (names, sets []string) {
	var paths []string
	for _, s := range h.Sets {
		// An ending, so that Stems takes none off the label.
		paths = append(paths, "sets/"+strings.ReplaceAll(s.Label, "/", "_")+".png")
	}
	for _, stem := range Stems(paths) {
		sets = append(sets, "health-set-"+stem+".png")
	}
	return append([]string{HealthHTMLName, HealthJSONName, "health.pdf", "health-overview.png", "health-pairs.png"}, sets...), sets
}

// ErrNotHealth is wrapped by the error for a file of the user's that stands
// where a report on the sets would go.
var ErrNotHealth = errors.New("it is no report of an earlier run")

// WriteHealth writes the report on the sets to dir: health.html (one page that
// needs nothing else), health.json, health.pdf, and PNGs of the same; it gives
// their paths. A file of the user's of one of these names is never overwritten.
func WriteHealth(dir string, h Health) (paths []string, err error) {
	names, setNames := h.healthFiles()
	for _, name := range names {
		mark := healthMark
		if name == HealthJSONName {
			mark = `"confusion": [`
		}
		if err := freeFor(filepath.Join(dir, name), mark, ErrNotHealth); err != nil {
			return nil, err
		}
	}
	overview, pairs := h.overview(), h.pairsPage()
	pages := []*drawing{overview, pairs}
	for i := range h.Sets {
		p, err := h.Sets[i].page()
		if err != nil {
			return nil, err
		}
		pages = append(pages, p)
	}
	write := func(name string, fill func(w io.Writer) error) {
		if err != nil {
			return
		}
		path := filepath.Join(dir, name)
		if err = atomicfile.Write(path, fill); err == nil {
			paths = append(paths, path)
		}
	}
	write(HealthHTMLName, h.writeHTML)
	write(HealthJSONName, func(w io.Writer) error { return EncodeHealth(w, h) })
	write("health.pdf", func(w io.Writer) error { return writePDF(w, "The health of labelled sets", healthMark, pages...) })
	write("health-overview.png", func(w io.Writer) error { return overview.writePNG(w, healthDPI, healthMark) })
	write("health-pairs.png", func(w io.Writer) error { return pairs.writePNG(w, healthDPI, healthMark) })
	for i, name := range setNames {
		write(name, func(w io.Writer) error { return pages[2+i].writePNG(w, healthDPI, healthMark) })
	}
	return paths, err
}
