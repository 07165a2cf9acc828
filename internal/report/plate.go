package report

import (
	"cmp"
	"fmt"
	"image"
	"image/color"
	"math"
	"slices"
	"strings"

	"tawsight/features"
	"tawsight/internal/record"
	"tawsight/vision"
)

// Plate is what a comparison is drawn from: a marble beside the specimens of
// the sets that it is most like.
type Plate struct {
	PhotoPath string
	Marble    record.Marble
	// Verdict is the answer in one sentence.
	Verdict string
	// View is the marble cut from its photo.
	View View
	// Sets are the leading sets, one to three, the likeliest first.
	Sets []PlateSet
	// Features are those that decide, the weightiest first.
	Features []PlateFeature
	Reasons  []string // in plain words
	// Status is assigned, doubtful or unlike-any.
	Status string
	// HowSure says, a sentence each, what the probabilities rest on.
	HowSure []string
	// Settle says, a sentence each, what next photo or measurement would settle
	// it, the best first.
	Settle []string
	// Notes are what makes the comparison doubtful in itself: the photo's flags.
	Notes  []string
	MadeBy record.MadeBy
}

// View is a square picture with the marble in its middle, white-balanced.
type View struct {
	JPEG   []byte
	SidePX int
	// MMPerPX is the picture's scale; 0 where the photo gave none: then
	// DiameterPX alone is known.
	MMPerPX    float64
	DiameterPX float64 // of the marble in the picture
}

// NewView is the picture of a marble that is diameterPX across in img; mmPerPX is
// 0 where the photo has no scale. What lies outside the photo is shown as paper.
func NewView(img image.Image, mmPerPX, diameterPX float64) (View, error) {
	data, err := vision.JPEG(img, 93, blank)
	if err != nil {
		return View{}, err
	}
	return View{JPEG: data, SidePX: img.Bounds().Dx(), MMPerPX: mmPerPX, DiameterPX: diameterPX}, nil
}

// diameterMM is 0 where the scale is not known.
func (v View) diameterMM() float64 { return v.DiameterPX * v.MMPerPX }

// PlateSet is a leading set.
type PlateSet struct {
	Label       string
	Probability float64
	Marbles     int // specimens in the set
	Specimens   []PlateSpecimen
	// TakenFor are the sets that its own specimens were most often taken for,
	// and Tested how many were tried, each left out of the learning.
	TakenFor []TakenFor
	Tested   int
	Right    int
}

// TakenFor is how many of a set's specimens were taken for another set's.
type TakenFor struct {
	Label string `json:"label"`
	Count int    `json:"count"`
}

// PlateSpecimen is a labelled marble near to the one in question.
type PlateSpecimen struct {
	ID         string // as whoever made the plate knows it; not drawn
	Name       string
	PhotoPath  string
	Credit     string
	Permission string
	View       View
	Values     map[string]float64 // by feature name
}

// PlateFeature is a feature that decides, with the usual range of each leading
// set in the order of Plate.Sets; nil for a set it was never measured in.
type PlateFeature struct {
	Feature features.Feature
	Value   *float64
	Usual   []*[2]float64
}

const (
	plateMargin  = 30.0
	plateColumn  = 140.0 // a specimen's width
	plateMiddle  = 182.0 // the marble's
	plateGap     = 10.0
	plateSlots   = 2   // specimens a set
	plateAlone   = 4   // specimens where there is one set only
	plateView    = 1.2 // a window's diameter in marbles
	plateDPI     = 200
	plateMost    = 5 // features
	captionSize  = 8.0
	smallestSize = 7.0
)

// setInks are the leading sets' colours; the bars differ in filling as well.
var setInks = []color.NRGBA{{0x0b, 0x6e, 0x75, 0xff}, {0xb8, 0x4a, 0x00, 0xff}, {0x5b, 0x4a, 0x9e, 0xff}}

// setKeys are what the leading sets are called for short.
var setKeys = []string{"A", "B", "C"}

var (
	white     = color.NRGBA{0xff, 0xff, 0xff, 0xff}
	darkStone = color.NRGBA{0x22, 0x20, 0x1c, 0xff}
)

func (p *Plate) slots() int {
	if len(p.Sets) == 1 {
		return plateAlone
	}
	return plateSlots
}

// columns of specimens, from the left; nil is where the marble stands. Of the
// set on the left the nearest specimen stands next to the marble.
type plateColumnOf struct {
	set  int
	nth  int // specimen of the set
	x, w float64
}

func (p *Plate) columns() (cols []plateColumnOf, width float64) {
	var order []plateColumnOf
	for s := range p.Sets {
		var these []plateColumnOf
		for n := range p.slots() {
			these = append(these, plateColumnOf{set: s, nth: n, w: plateColumn})
		}
		if s == 0 {
			if len(p.Sets) > 1 {
				slices.Reverse(these)
				order = append(order, these...)
				order = append(order, plateColumnOf{set: -1, w: plateMiddle})
				continue
			}
			order = append(order, plateColumnOf{set: -1, w: plateMiddle})
		}
		order = append(order, these...)
	}
	x := plateMargin
	for i := range order {
		order[i].x = x
		x += order[i].w + plateGap
	}
	return order, x - plateGap + plateMargin
}

// scale is points a millimetre: so that the largest marble's window fills its
// column.
func (p *Plate) scale() float64 {
	largest := p.View.diameterMM()
	for _, s := range p.Sets {
		for _, sp := range s.Specimens[:min(len(s.Specimens), p.slots())] {
			largest = math.Max(largest, sp.View.diameterMM())
		}
	}
	if largest == 0 {
		largest = noScaleMM
	}
	return plateColumn / (largest * plateView)
}

// noScaleMM is the size that marbles of photos without a scale are drawn at:
// 5/8 inch, common practice for a player's marble.
const noScaleMM = 15.875

// window is the radius, points, of a view's window and the side of its picture.
func (v View) window(scale float64) (radius, side float64) {
	d := v.diameterMM()
	if d == 0 {
		d = noScaleMM
	}
	return d * plateView / 2 * scale, d * scale * float64(v.SidePX) / v.DiameterPX
}

// drawing lays the plate out.
func (p *Plate) drawing() (*drawing, error) {
	cols, width := p.columns()
	d := newDrawing(width, 0)
	y := p.header(d, plateMargin+15, width-2*plateMargin)

	// Set headings, over their specimens.
	tops := y
	y = tops
	for i := 0; i < len(cols); {
		j := i + 1
		for j < len(cols) && cols[j].set == cols[i].set {
			j++
		}
		x0, x1 := cols[i].x, cols[j-1].x+cols[j-1].w
		if s := cols[i].set; s < 0 {
			y = math.Max(y, d.centred("The marble in question", (x0+x1)/2, tops, x1-x0, 2, bold, 11, sheetInk))
		} else {
			y = math.Max(y, p.setHeading(d, s, x0, tops, x1-x0))
		}
		i = j
	}
	// The pictures hang from one middle line.
	scale := p.scale()
	y += 2
	cy := y + plateColumn/2
	for _, c := range cols {
		cx := c.x + c.w/2
		if c.set < 0 {
			r, side := p.View.window(scale)
			if err := d.picture(p.View.JPEG, cx-side/2, cy-side/2, side, r, "the marble in question"); err != nil {
				return nil, err
			}
			d.circle(cx, cy, r+1.6, nil, &darkStone, 1.6)
			continue
		}
		specimens := p.Sets[c.set].Specimens
		if c.nth >= len(specimens) {
			d.add(shape{circle: &[3]float64{cx, cy, plateColumn / plateView / 2}, line: &sheetLine, width: 1, dash: []float64{3, 3}})
			d.centred("no other specimen of this set", cx, cy, 90, 3, regular, captionSize, sheetSoft)
			continue
		}
		sp := specimens[c.nth]
		r, side := sp.View.window(scale)
		if err := d.picture(sp.View.JPEG, cx-side/2, cy-side/2, side, r, sp.Name); err != nil {
			return nil, err
		}
		d.circle(cx, cy, r+0.4, nil, &setInks[c.set], 0.8)
	}
	y = cy + plateColumn/2 + 14
	// Captions.
	top := y
	for _, c := range cols {
		at := top
		if c.set < 0 {
			p.scaleBar(d, c.x+c.w/2, at-4, scale)
			at += 16
			for k, fact := range p.facts() {
				w, size := regular, captionSize
				if k == 0 {
					w, size = bold, 10
				}
				at = d.centred(fact, c.x+c.w/2, at, c.w, 3, w, size, sheetInk)
			}
		} else if specimens := p.Sets[c.set].Specimens; c.nth < len(specimens) {
			at = specimens[c.nth].caption(d, p.Sets[c.set].Label, c.set, c.x, at, c.w)
		}
		y = math.Max(y, at)
	}
	// Strips.
	y += 2
	for _, f := range p.Features[:min(len(p.Features), plateMost)] {
		d.line(plateMargin, y-6.5, width-plateMargin, y-6.5, 0.5, sheetLine)
		y += 4
		bottom := y
		lo, hi := p.span(f)
		lines := 1
		for _, c := range cols {
			lines = max(lines, len(p.stripLabel(f, c)))
		}
		for _, c := range cols {
			if c.set < 0 || c.nth < len(p.Sets[c.set].Specimens) {
				bottom = math.Max(bottom, p.strip(d, f, lo, hi, c, lines, y))
			}
		}
		y = bottom + 9
	}
	y = p.key(d, y+2, width-2*plateMargin)
	d.line(plateMargin, y-4, width-plateMargin, y-4, 0.8, sheetInk)
	y = p.words(d, y+14, width-2*plateMargin)
	d.line(plateMargin, y, width-plateMargin, y, 0.5, sheetLine)
	y = d.paragraph(p.footer(), plateMargin, y+12, width-2*plateMargin, 0, regular, smallestSize, sheetSoft)
	d.h = math.Max(y-4+plateMargin/2, 595)
	return d, nil
}

func (p *Plate) title() string {
	return fmt.Sprintf("Marble %s of %s", printable(p.Marble.ID), printable(lastOf(p.PhotoPath)))
}

func lastOf(path string) string {
	return path[strings.LastIndexAny(path, `/\`)+1:]
}

func (p *Plate) header(d *drawing, y, width float64) float64 {
	y = d.paragraph(p.title(), plateMargin, y+3, width, 2, bold, 20, sheetInk)
	y = d.paragraph(sentence(p.Verdict), plateMargin, y-3, width, 3, regular, 12, sheetInk)
	if len(p.Notes) > 0 {
		y = d.paragraph("To take with care: "+strings.Join(p.Notes, "; ")+".", plateMargin, y, width, 3, regular, 8.5, sheetWarn)
	}
	return y + 8
}

func (p *Plate) setHeading(d *drawing, s int, x, y, width float64) float64 {
	set := p.Sets[s]
	d.circle(x+7, y-4, 7, &setInks[s], nil, 0)
	d.write(setKeys[s], x+7, y-0.8, 0.5, bold, 9, white)
	chance := fmt.Sprintf("%.2f", set.Probability)
	taken := 20 + textWidth(chance, bold, 11) + 8
	bottom := d.paragraph(set.Label, x+20, y, width-taken, 2, bold, 11, setInks[s])
	d.write(chance, x+width, y, 1, bold, 11, setInks[s])
	d.line(x, bottom-8, x+width, bottom-8, 1.2, setInks[s])
	return bottom + 3
}

// facts are the marble's own, below its picture.
func (p *Plate) facts() []string {
	m := p.Marble
	var out []string
	if m.DiameterMM == nil {
		out = append(out, "size not known")
	} else {
		text := fmt.Sprintf("%.2f mm", *m.DiameterMM)
		if m.DiameterU95MM != nil {
			text = fmt.Sprintf("%.2f ± %.2f mm", *m.DiameterMM, *m.DiameterU95MM)
		}
		out = append(out, text)
		var more []string
		if m.DiameterIn != "" {
			more = append(more, m.DiameterIn+" inch")
		}
		if m.SizeClass != "" {
			more = append(more, m.SizeClass)
		}
		if len(more) > 0 {
			out = append(out, strings.Join(more, ", "))
		}
	}
	if p.View.MMPerPX == 0 {
		out = append(out, "drawn as though it were 5/8 inch")
	}
	if b := m.Base; b != nil {
		kind := b.Kind
		if b.Tinted {
			kind = "tinted " + kind
		}
		out = append(out, kind+" base: "+b.Name)
	}
	var names []string
	for _, r := range byArea(m.Ribbons) {
		if !slices.Contains(names, r.Name) {
			names = append(names, r.Name)
		}
	}
	if len(names) > 0 {
		out = append(out, "ribbons: "+strings.Join(names[:min(len(names), 4)], ", "))
	}
	return out
}

func (sp PlateSpecimen) caption(d *drawing, label string, set int, x, y, width float64) float64 {
	cx := x + width/2
	y = d.centred(sp.Name, cx, y, width, 3, bold, 8.5, sheetInk)
	y = d.centred(label, cx, y, width, 2, regular, captionSize, setInks[set])
	for i, l := range sp.lines() {
		size, ink := captionSize, sheetInk
		if i > 0 {
			size, ink = smallestSize, sheetSoft
		}
		y = d.centred(l, cx, y, width, 4, regular, size, ink)
	}
	return y
}

// scaleBar is ten millimetres, with quarters of an inch below.
func (p *Plate) scaleBar(d *drawing, cx, y, scale float64) {
	w := 10 * scale
	x := cx - w/2
	for i := range 10 {
		fill := &darkStone
		if i%2 == 1 {
			fill = &white
		}
		d.rect(x+float64(i)*w/10, y, w/10, 3.2, fill, &darkStone, 0.4)
	}
	d.write("10 mm", x+w+4, y+4.2, 0, regular, smallestSize, sheetSoft)
}

// span is the scale of a feature's strips: all ranges and all values, with a
// little room.
func (p *Plate) span(f PlateFeature) (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	take := func(v float64) { lo, hi = math.Min(lo, v), math.Max(hi, v) }
	if f.Value != nil {
		take(*f.Value)
	}
	for _, u := range f.Usual {
		if u != nil {
			take(u[0])
			take(u[1])
		}
	}
	for _, s := range p.Sets {
		for _, sp := range s.Specimens[:min(len(s.Specimens), p.slots())] {
			if v, ok := sp.Values[f.Feature.Name]; ok {
				take(v)
			}
		}
	}
	if math.IsInf(lo, 1) {
		return 0, 1
	}
	room := (hi - lo) * 0.06
	if room == 0 {
		room = math.Max(math.Abs(hi)*0.05, 0.05)
	}
	bottom := math.Max(f.Feature.Low, lo-room)
	top := math.Min(f.Feature.High, hi+room)
	if !(top > bottom) {
		return lo - room, hi + room
	}
	return bottom, top
}

const (
	barHeight = 5.0
	barStep   = 7.5
	keyRoom   = 10.0 // left of the bars
)

// value is what stands in a column of a feature: the marble's own, or the
// specimen's; nil where it was not measured.
func (p *Plate) value(f PlateFeature, c plateColumnOf) *float64 {
	if c.set < 0 {
		return f.Value
	}
	if v, ok := p.Sets[c.set].Specimens[c.nth].Values[f.Feature.Name]; ok {
		return &v
	}
	return nil
}

// said is a value in words.
func said(f PlateFeature, v *float64) string {
	if v == nil {
		return "not measured"
	}
	return figure(f.Feature, *v)
}

// stripLabel is the feature's name in as many lines as it needs beside the
// value.
func (p *Plate) stripLabel(f PlateFeature, c plateColumnOf) []string {
	if c.set >= 0 && c.nth >= len(p.Sets[c.set].Specimens) {
		return nil
	}
	room := c.w - textWidth(said(f, p.value(f, c)), bold, captionSize) - 6
	return linesOf(f.Feature.Label, room, 3, regular, captionSize)
}

// strip draws one feature below one column, its name over so many lines: the
// sets' usual ranges as bars, the marble's value as a line with a triangle, the
// specimen's as a diamond.
func (p *Plate) strip(d *drawing, f PlateFeature, lo, hi float64, c plateColumnOf, lines int, y float64) (bottom float64) {
	value := p.value(f, c)
	d.write(said(f, value), c.x+c.w, y+4, 1, bold, captionSize, sheetInk)
	for i, l := range p.stripLabel(f, c) {
		d.write(l, c.x, y+4+float64(i)*captionSize*1.2, 0, regular, captionSize, sheetInk)
	}
	base := y + 4 + float64(lines)*captionSize*1.2
	top := base
	x0, w := c.x+keyRoom, c.w-keyRoom-3
	at := func(v float64) float64 { return x0 + w*(v-lo)/(hi-lo) }
	for s, u := range f.Usual {
		row := top + float64(s)*barStep
		d.write(setKeys[s], c.x, row+barHeight-0.2, 0, bold, 6, setInks[s])
		d.line(x0, row+barHeight/2, x0+w, row+barHeight/2, 0.5, sheetLine)
		if u == nil {
			continue
		}
		a, b := at(u[0]), at(u[1])
		if b-a < 1.6 { // a single value still shows
			a, b = (a+b)/2-0.8, (a+b)/2+0.8
		}
		d.setBar(s, a, row, b-a, barHeight)
	}
	down := top + float64(len(f.Usual))*barStep - (barStep - barHeight)
	if f.Value != nil {
		x := at(*f.Value)
		d.line(x, top-2, x, down+1.5, 1.3, darkStone)
		d.polygon(&darkStone, nil, 0, [2]float64{x - 3, top - 4.5}, [2]float64{x + 3, top - 4.5}, [2]float64{x, top})
	}
	if c.set >= 0 && value != nil {
		d.diamond(at(*value), top+float64(c.set)*barStep+barHeight/2)
	}
	down += 7.5
	d.write(bare(f.Feature, lo), x0, down, 0, regular, 6, sheetSoft)
	d.write(bare(f.Feature, hi), x0+w, down, 1, regular, 6, sheetSoft)
	return down + 2
}

// setBar fills a bar in a set's manner: whole, striped or dotted.
func (d *drawing) setBar(s int, x, y, w, h float64) {
	ink := setInks[s]
	switch s {
	case 0:
		d.rect(x, y, w, h, &ink, nil, 0)
		return
	case 1:
		d.rect(x, y, w, h, &white, nil, 0)
		for v := x + 1.2; v < x+w-0.4; v += 2.4 {
			d.line(v, y, v, y+h, 1, ink)
		}
	default:
		d.rect(x, y, w, h, &white, nil, 0)
		for v, n := x+1.6, 0; v < x+w-0.8; v, n = v+1.7, n+1 {
			d.circle(v, y+h/2+float64(n%2*2-1)*1.1, 0.6, &ink, nil, 0)
		}
	}
	d.rect(x, y, w, h, nil, &ink, 0.7)
}

func (d *drawing) diamond(x, y float64) {
	const r = 3.4
	d.polygon(&white, &darkStone, 0.9, [2]float64{x, y - r}, [2]float64{x + r, y}, [2]float64{x, y + r}, [2]float64{x - r, y})
}

// bare is a figure without its unit.
func bare(f features.Feature, v float64) string {
	f.Unit = ""
	if f.High-f.Low > 2 {
		return strings.Replace(fmt.Sprintf("%.1f", v), "-", "−", 1)
	}
	return figure(f, v)
}

// key says what the strips' marks mean, on a line or two.
func (p *Plate) key(d *drawing, y, width float64) float64 {
	x := plateMargin
	entry := func(room float64, mark func(x, y float64), text string) {
		w := room + 5 + textWidth(legible(text), regular, smallestSize) + 16
		if x > plateMargin && x+w > plateMargin+width {
			x, y = plateMargin, y+11
		}
		mark(x, y-2.5)
		for i, l := range linesOf(text, width-room-5, 2, regular, smallestSize) {
			y += float64(i) * 9
			d.write(l, x+room+5, y, 0, regular, smallestSize, sheetSoft)
		}
		x += w
	}
	if len(p.Features) == 0 {
		return y
	}
	entry(8, func(x, y float64) {
		d.line(x+4, y-1, x+4, y+4, 1.3, darkStone)
		d.polygon(&darkStone, nil, 0, [2]float64{x + 1, y - 3.5}, [2]float64{x + 7, y - 3.5}, [2]float64{x + 4, y + 1})
	}, "the marble in question")
	entry(8, func(x, y float64) { d.diamond(x+4, y) }, "the specimen above")
	for s, set := range p.Sets {
		entry(22, func(x, y float64) { d.setBar(s, x, y-barHeight/2, 22, barHeight) }, fmt.Sprintf("usual range of %s, %s", setKeys[s], set.Label))
	}
	return y + 12
}

// words are the three columns of text below the strips.
func (p *Plate) words(d *drawing, y, width float64) float64 {
	const gap = 22.0
	w := (width - 2*gap) / 3
	const size = 8.5
	column := func(n int) float64 { return plateMargin + float64(n)*(w+gap) }
	list := func(title string, sentences []string, x, y float64) float64 {
		if len(sentences) == 0 {
			return y
		}
		d.write(title, x, y, 0, bold, 10.5, sheetInk)
		y += 14
		for _, s := range sentences {
			d.circle(x+2, y-2.8, 1.1, &sheetAccent, nil, 0)
			y = d.paragraph(s, x+8, y, w-8, 0, regular, size, sheetInk) + 2.5
		}
		return y + 7
	}
	bottom := list("Why", p.reasons(), column(0), y)

	x := column(1)
	d.write("How sure", x, y, 0, bold, 10.5, sheetInk)
	at := y + 15
	for s, set := range p.Sets {
		number := fmt.Sprintf("%.2f", set.Probability)
		const barWidth = 70.0
		lines := linesOf(setKeys[s]+"  "+set.Label, w-barWidth-36, 3, regular, size)
		d.rect(x+w-barWidth-26, at-6, barWidth, 6.5, &sheetLine, nil, 0)
		if set.Probability > 0 {
			d.setBar(s, x+w-barWidth-26, at-6, barWidth*math.Min(1, set.Probability), 6.5)
		}
		d.write(number, x+w, at, 1, bold, size, sheetInk)
		for _, l := range lines {
			d.write(l, x, at, 0, regular, size, sheetInk)
			at += size * leading
		}
		at += 2
	}
	at += 2
	for _, s := range p.HowSure {
		at = d.paragraph(sentence(s), x, at, w, 0, regular, size, sheetInk) + 2.5
	}
	bottom = math.Max(bottom, at)

	x = column(2)
	at = list("What would settle it", p.settle(), x, y)
	at = list("Most often confused with", p.confusions(), x, at)
	return math.Max(bottom, at) + 2
}

func (p *Plate) reasons() []string {
	if len(p.Reasons) == 0 {
		return []string{"No feature tells for one set or the other."}
	}
	return eachOf(p.Reasons, sentence)
}

func (p *Plate) settle() []string {
	switch {
	case len(p.Sets) < 2:
		return []string{"There is no other set to settle it against."}
	case len(p.Settle) == 0:
		return []string{"Nothing that could still be measured tells these sets apart."}
	}
	return eachOf(p.Settle, sentence)
}

func eachOf(list []string, f func(string) string) (out []string) {
	for _, s := range list {
		out = append(out, f(s))
	}
	return out
}

// confusions says of each leading set what its own specimens were taken for.
func (p *Plate) confusions() (out []string) {
	for s, set := range p.Sets {
		name := setKeys[s] + ", " + set.Label
		switch {
		case set.Tested == 0:
			out = append(out, name+": could not be tested, since it has too few specimens.")
		case len(set.TakenFor) == 0:
			out = append(out, fmt.Sprintf("%s: with nothing; all %d of its specimens tried were given their own label back.", name, set.Tested))
		default:
			var parts []string
			for _, t := range set.TakenFor[:min(3, len(set.TakenFor))] {
				parts = append(parts, fmt.Sprintf("%s (%d)", t.Label, t.Count))
			}
			out = append(out, fmt.Sprintf("%s: %s; %d of %d tried were given their own label back.", name, strings.Join(parts, ", "), set.Right, set.Tested))
		}
	}
	return out
}

func (p *Plate) footer() string {
	parts := []string{"All marbles are drawn to one scale, each under its own photo’s white"}
	parts = append(parts, "A set’s usual range leaves out the lowest and the highest 5 % of its specimens")
	parts = append(parts, fmt.Sprintf("Tawsight %s, feature registry %d", cmp.Or(p.MadeBy.Tawsight, record.Version), p.MadeBy.Features))
	return strings.Join(parts, ". ") + "."
}
