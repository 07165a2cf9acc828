package report

import (
	"cmp"
	_ "embed"
	"fmt"
	"html/template"
	"image/color"
	"io"
	"iter"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"tawsight/features"
	"tawsight/internal/atomicfile"
	"tawsight/internal/colour"
	"tawsight/internal/record"
	"tawsight/vision"
)

// Sizes of the pictures in the page, pixels.
const (
	pageOverlayPX = 1400
	pageCropPX    = 360
	pageThumbPX   = 112
)

//go:embed report.html.tmpl
var pageText string

var pageTemplate = template.Must(template.New("report").Funcs(template.FuncMap{"sentence": sentence}).Parse(pageText))

// At most so many ribbons and reasons are shown of a marble; the tables have
// them all.
const (
	pageRibbons = 4
	pageReasons = 3
)

// sentence starts with a capital letter and ends with a full stop.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	first, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	s = string(unicode.ToUpper(first)) + s[n:]
	if !strings.ContainsAny(s[len(s)-1:], ".!?") {
		s += "."
	}
	return s
}

// WriteHTML writes report.html into outDir: the whole run as one page that
// needs nothing else, neither files nor a network. Overlays and crops are read
// from outDir one at a time as the page is written (overlays at
// OverlayPath(stem), stems from Stems over all photos' paths in their order;
// crops where each marble's Crop says), so that a large run does not fill the
// memory. A picture that is missing is left out.
func WriteHTML(outDir string, photos record.Photos) error {
	return WriteHTMLWith(outDir, photos, nil)
}

// WriteHTMLWith is WriteHTML with pictures that were made before: source gives
// those of a photo by its index, nil for none, and is asked photo by photo. What
// it does not have is read from outDir.
func WriteHTMLWith(outDir string, photos record.Photos, source func(photo int) PagePictures) error {
	return atomicfile.Write(filepath.Join(outDir, HTMLName), func(w io.Writer) error {
		p, err := newPage(outDir, photos)
		if err != nil {
			return err
		}
		p.source = source
		return cmp.Or(pageTemplate.Execute(w, p), p.err)
	})
}

// A page is what the template is given.
type page struct {
	Title     string
	Lead      string
	Tiles     []tile
	Sets      []setCount
	outDir    string
	photos    record.Photos
	stems     []string
	Unread    []record.Photo
	MadeBy    record.MadeBy
	HasLikely bool
	// HasMarbles says whether any marble was found.
	HasMarbles bool

	source func(photo int) PagePictures
	held   PagePictures // of one photo
	heldOf int
	err    error // why a photo's record was left out
}

// A tile is one figure at the top of the page.
type tile struct{ Figure, Label string }

// setCount is how many marbles came out as what.
type setCount struct {
	Label, Class string
	Count        int
	Percent      string // of the largest count, a CSS width
}

func newPage(outDir string, photos record.Photos) (*page, error) {
	p := &page{outDir: outDir, photos: photos}
	var paths []string
	var sizes, sureSizes []float64
	marbles, read, poor, doubtful, unlike, assigned := 0, 0, 0, 0, 0, 0
	sets := map[string]int{}
	for i := range photos.Len() {
		ph, err := photos.At(i)
		if err != nil {
			return nil, err
		}
		paths = append(paths, ph.Path)
		if ph.Error != "" {
			p.Unread = append(p.Unread, ph)
			continue
		}
		read++
		p.MadeBy = ph.MadeBy
		if isPoor(ph) {
			poor++
		}
		for _, m := range ph.Marbles {
			marbles++
			if m.DiameterMM != nil {
				sizes = append(sizes, *m.DiameterMM)
				if ph.Verdict.Size == record.Good {
					sureSizes = append(sureSizes, *m.DiameterMM)
				}
			}
			if a := m.Attribution; a != nil {
				p.HasLikely = true
				switch a.Status {
				case "assigned":
					assigned++
					sets[a.Label]++
				case "doubtful":
					doubtful++
				case "unlike-any":
					unlike++
				}
			}
		}
	}
	p.stems = Stems(paths)
	p.HasMarbles = marbles > 0
	p.Title = fmt.Sprintf("%s in %s", plural(marbles, "marble"), plural(read, "photo"))
	p.Tiles = append(p.Tiles, tile{fmt.Sprint(marbles), unit(marbles, "marble")}, tile{fmt.Sprint(read), unit(read, "photo")})
	if len(sureSizes) > 0 {
		sizes = sureSizes // a poor photo's shall not make the range
	}
	if len(sizes) > 0 {
		lo, hi := slices.Min(sizes), slices.Max(sizes)
		figure := fmt.Sprintf("%.1f–%.1f", lo, hi)
		if fmt.Sprintf("%.1f", lo) == fmt.Sprintf("%.1f", hi) {
			figure = fmt.Sprintf("%.1f", lo)
		}
		p.Tiles = append(p.Tiles, tile{figure, "mm across"})
	}
	if poor > 0 {
		p.Tiles = append(p.Tiles, tile{fmt.Sprint(poor), unit(poor, "photo") + " to take with care"})
	}
	if len(p.Unread) > 0 {
		p.Tiles = append(p.Tiles, tile{fmt.Sprint(len(p.Unread)), unit(len(p.Unread), "file") + " not read"})
	}
	if p.HasLikely {
		p.Lead = fmt.Sprintf("%s like one of your sets, %d between two sets, %d unlike any.", isOrAre(assigned), doubtful, unlike)
		for label, n := range sets {
			p.Sets = append(p.Sets, setCount{Label: label, Class: "assigned", Count: n})
		}
		slices.SortFunc(p.Sets, func(a, b setCount) int {
			if a.Count != b.Count {
				return b.Count - a.Count
			}
			return strings.Compare(a.Label, b.Label)
		})
		if doubtful > 0 {
			p.Sets = append(p.Sets, setCount{Label: "between two sets", Class: "doubtful", Count: doubtful})
		}
		if unlike > 0 {
			p.Sets = append(p.Sets, setCount{Label: "unlike any", Class: "unlike", Count: unlike})
		}
		most := 1
		for _, s := range p.Sets {
			most = max(most, s.Count)
		}
		for i := range p.Sets {
			p.Sets[i].Percent = width(float64(p.Sets[i].Count) / float64(most))
		}
	}
	return p, nil
}

func isPoor(p record.Photo) bool {
	for _, v := range []record.Verdict{p.Verdict.Size, p.Verdict.Colour, p.Verdict.Pattern} {
		if v == record.Doubtful || v == record.Unusable {
			return true
		}
	}
	return false
}

// Photos are the photos that could be read, one at a time.
func (p *page) Photos() iter.Seq[photoView] {
	return func(yield func(photoView) bool) {
		for i := range p.photos.Len() {
			ph, err := p.photos.At(i)
			if err != nil {
				p.err = err
				return
			}
			if ph.Error == "" && !yield(photoView{&ph, p, i}) {
				return
			}
		}
	}
}

// Marbles are all marbles of all photos, one at a time.
func (p *page) Marbles() iter.Seq[marbleView] {
	return func(yield func(marbleView) bool) {
		for ph := range p.Photos() {
			for m := range ph.Marbles() {
				if !yield(m) {
					return
				}
			}
		}
	}
}

type photoView struct {
	*record.Photo
	page  *page
	index int
}

// Anchor is the photo's place in the page.
func (v photoView) Anchor() string { return fmt.Sprintf("p%d", v.index+1) }

// PathParts are the path's pieces, where a line may break between them.
func (v photoView) PathParts() []string { return strings.SplitAfter(filepath.ToSlash(v.Path), "/") }

// Overlay is the photo's overlay, as src attribute; empty where there is none.
func (v photoView) Overlay() template.HTMLAttr {
	if src, ok := v.page.ready(v.index, pageOverlay); ok {
		return src
	}
	return pictureSource(filepath.Join(v.page.outDir, filepath.FromSlash(OverlayPath(v.page.stems[v.index]))), pageOverlayPX, pageOverlayQuality)
}

// Marbles are the photo's marbles, one at a time.
func (v photoView) Marbles() iter.Seq[marbleView] {
	return func(yield func(marbleView) bool) {
		for i := range v.Photo.Marbles {
			if !yield(marbleView{&v.Photo.Marbles[i], v}) {
				return
			}
		}
	}
}

// Count says how many marbles the photo shows.
func (v photoView) Count() string { return plural(len(v.Photo.Marbles), "marble") }

// Facts are what scale and white of the photo rest on, in words.
func (v photoView) Facts() []string {
	var facts []string
	s := v.Scale
	switch s.Source {
	case "card":
		facts = append(facts, "scale from the reference card")
	case "id1":
		facts = append(facts, "scale from a bank-card-sized card")
	case "sheet":
		facts = append(facts, "scale from the sheet of paper")
	case "coin":
		facts = append(facts, "scale from a coin")
	case "known":
		facts = append(facts, "scale from marbles measured by hand")
	case "scan":
		facts = append(facts, "scale from the scanner")
	default:
		facts = append(facts, "no scale, so no sizes")
	}
	if s.MMPerPX != nil {
		facts = append(facts, fmt.Sprintf("%.3f mm to a pixel", *s.MMPerPX))
	}
	if s.CameraHeightMM != nil {
		facts = append(facts, fmt.Sprintf("camera %.0f mm up", *s.CameraHeightMM))
	}
	if s.TiltDeg != nil {
		facts = append(facts, fmt.Sprintf("tilted %.0f°", *s.TiltDeg))
	}
	switch v.White.Source {
	case "card":
		facts = append(facts, "white from the card’s greys")
	case "background":
		facts = append(facts, "white from the paper, less certain")
	}
	return facts
}

// A chip is a short verdict with a colour.
type chip struct{ Text, Class string }

// Chips say how far the photo's readings can be trusted.
func (v photoView) Chips() []chip {
	var chips []chip
	for _, c := range []struct {
		about   string
		verdict record.Verdict
	}{{"size", v.Verdict.Size}, {"colour", v.Verdict.Colour}, {"pattern", v.Verdict.Pattern}} {
		if c.verdict != "" {
			chips = append(chips, chip{c.about + " " + string(c.verdict), string(c.verdict)})
		}
	}
	return chips
}

type marbleView struct {
	*record.Marble
	photo photoView
}

// Anchor is the marble's place in the page.
func (v marbleView) Anchor() string { return v.photo.Anchor() + "-m" + plain(v.ID) }

// PhotoName is the last part of its photo's path.
func (v marbleView) PhotoName() string { return filepath.Base(v.photo.Path) }

// Picture is the marble's crop, as src attribute; empty where there is none.
func (v marbleView) Picture() template.HTMLAttr { return v.picture(pageCropPX, pageCropQuality) }

// Thumb is the same, small.
func (v marbleView) Thumb() template.HTMLAttr { return v.picture(pageThumbPX, pageThumbQuality) }

func (v marbleView) picture(maxSide, quality int) template.HTMLAttr {
	if v.Crop == "" {
		return ""
	}
	if src, ok := v.photo.page.ready(v.photo.index, pageCrop(v.ID, maxSide)); ok {
		return src
	}
	return pictureSource(filepath.Join(v.photo.page.outDir, filepath.FromSlash(v.Crop)), maxSide, quality)
}

// Millimetres is the diameter, empty where it is withheld.
func (v marbleView) Millimetres() string { return decimals(v.DiameterMM) }

// PlusMinus is the half-width of the 95 % interval, empty where there is none.
func (v marbleView) PlusMinus() string { return decimals(v.DiameterU95MM) }

// WhyNoSize is why there is no diameter, in a few words.
func (v marbleView) WhyNoSize() string {
	for _, flags := range [][]record.Flag{v.Flags, v.photo.Flags} {
		for _, f := range flags {
			if f.Severity == record.Fail && slices.Contains(f.Affects, record.AboutSize) {
				return f.Message
			}
		}
	}
	if v.photo.Scale.Source == "" || v.photo.Scale.Source == "none" {
		return "the photo has no scale"
	}
	return "the outline could not be seen well enough"
}

// A swatch is one colour with its name.
type swatch struct {
	Hex      template.CSS
	Name     string
	Detail   string
	Percent  template.CSS // a CSS width
	ShareOne string       // the share in words
}

// BaseSwatch is the base's colour.
func (v marbleView) BaseSwatch() *swatch {
	if v.Base == nil {
		return nil
	}
	detail := v.Base.Kind
	if v.Base.Tinted {
		detail = "tinted, " + detail
	}
	return &swatch{Hex: hex(v.Base.Lab), Name: v.Base.Name, Detail: detail}
}

// MoreRibbons says what RibbonSwatches leave out, empty where nothing.
func (v marbleView) MoreRibbons() string {
	n := len(v.Ribbons) - pageRibbons
	if n <= 0 {
		return ""
	}
	area := 0.0
	for _, r := range byArea(v.Ribbons)[pageRibbons:] {
		area += r.AreaFraction
	}
	return fmt.Sprintf("and %s, %s in all", plural(n, "smaller one"), percent(area))
}

// RibbonSwatches are the colours of the largest ribbons by falling area.
func (v marbleView) RibbonSwatches() []swatch {
	var list []swatch
	ribbons := byArea(v.Ribbons)
	for _, r := range ribbons[:min(len(ribbons), pageRibbons)] {
		detail := ""
		if r.WidthMM != nil {
			detail = fmt.Sprintf("%.1f mm wide", *r.WidthMM)
		}
		list = append(list, swatch{
			Hex: hex(r.Lab), Name: r.Name, Detail: detail,
			Percent:  template.CSS(width(r.AreaFraction)),
			ShareOne: percent(r.AreaFraction),
		})
	}
	return list
}

// BaseShare is what the ribbons leave of the face.
func (v marbleView) BaseShare() template.CSS {
	left := 1.0
	for _, r := range v.Ribbons {
		left -= r.AreaFraction
	}
	return template.CSS(width(max(0, left)))
}

// A bar is a figure from 0 to 1 between two words.
type bar struct {
	Label, Low, High, Figure string
	Percent                  template.CSS
	Unsure                   bool // not to be relied on
}

// Bars are translucency and busyness.
func (v marbleView) Bars() []bar {
	var bars []bar
	if v.Base != nil {
		bars = append(bars, v.newBar("translucency", "opaque", "clear", v.Base.Translucency))
	}
	if v.Busyness != nil {
		bars = append(bars, v.newBar("busyness", "plain", "busy", *v.Busyness))
	}
	return bars
}

// newBar is the bar of the feature of that name.
func (v marbleView) newBar(name, low, high string, value float64) bar {
	sure, known := v.FeaturesSure[name]
	return bar{
		Label: strings.ToUpper(name[:1]) + name[1:], Low: low, High: high, Figure: fmt.Sprintf("%.2f", value),
		Percent: template.CSS(width(value)), Unsure: known && sure < record.UnsureBelow,
	}
}

// GlowText says what the marble does under an ultraviolet lamp, empty where no
// such photo was taken of it.
func (v marbleView) GlowText() string {
	g := v.Glow
	if g == nil {
		return ""
	}
	where := ""
	if v.photo.PairedWith != "" {
		if v.PairedID != "" {
			where = fmt.Sprintf(" (marble %s of %s)", v.PairedID, filepath.Base(v.photo.PairedWith))
		} else {
			where = fmt.Sprintf(" (in %s)", filepath.Base(v.photo.PairedWith))
		}
	}
	if g.Share < 0.02 || g.Lab == nil {
		return "Under ultraviolet light: no glow" + where + "."
	}
	return fmt.Sprintf("Under ultraviolet light: glows %s over %.0f %% of its face%s.", g.Name, 100*g.Share, where)
}

// Figures are the rows of the page's table of all features, in the order of the
// registry. They are written here and not by the template, which takes as long over
// them as over all the rest of the page.
func (v marbleView) Figures() template.HTML {
	if len(v.Features) == 0 && len(v.FeaturesAbsent) == 0 {
		return ""
	}
	var rows strings.Builder
	rows.Grow(figureRoom * len(figureHeads()))
	for i, f := range features.All() {
		head := figureHeads()[i]
		value, ok := v.Features[f.Name]
		if !ok {
			why := v.FeaturesAbsent[f.Name]
			if why == "" {
				why = "not measured"
			}
			fmt.Fprintf(&rows, `<tr class="absent" title="%s">%s<td colspan="2">absent: %s</td></tr>`,
				template.HTMLEscapeString(sentence(why)), head, template.HTMLEscapeString(why))
			continue
		}
		class, sure := "", ""
		if s, ok := v.FeaturesSure[f.Name]; ok {
			if sure = strconv.FormatFloat(s, 'f', 2, 64); s < record.UnsureBelow {
				class, sure = ` class="unsure"`, sure+" <b>unsure</b>"
			}
		}
		for _, part := range [...]string{"<tr", class, ">", head, "<td>", template.HTMLEscapeString(figure(f, value)), "</td><td>", sure, "</td></tr>"} {
			rows.WriteString(part)
		}
	}
	return template.HTML(rows.String())
}

// figureRoom is more than most rows of [marbleView.Figures] take, in bytes.
const figureRoom = 200

// figureHeads are the first cells of the rows of [marbleView.Figures]: each marble has
// the same.
var figureHeads = sync.OnceValue(func() (heads []string) {
	for _, f := range features.All() {
		heads = append(heads, fmt.Sprintf(`<td title="%s">%s</td>`, template.HTMLEscapeString(f.Meaning), template.HTMLEscapeString(f.Label)))
	}
	return heads
})

// SheetURL leads to the sheet that explains the marble's figures, empty where
// there is none.
func (v marbleView) SheetURL() template.URL {
	if v.Sheet == "" {
		return ""
	}
	u := url.URL{Path: v.Sheet}
	if filepath.IsAbs(filepath.FromSlash(v.Sheet)) {
		u.Scheme = "file"
	}
	return template.URL(u.String())
}

// BubbleText is a word on the bubble, where there is one.
func (v marbleView) BubbleText() string {
	if v.Bubble == nil || !v.Bubble.Present {
		return ""
	}
	if v.Bubble.DiameterMM == nil {
		return "A large bubble near the middle."
	}
	return fmt.Sprintf("A large bubble near the middle, about %.1f mm.", *v.Bubble.DiameterMM)
}

// A likelihood is one set and how likely it is.
type likelihood struct {
	Label, Figure string
	Percent       template.CSS
}

// A verdict on likeness, in words.
type verdict struct {
	Class, Text string
	Sets        []likelihood
	Reasons     []string
}

// Likeness is what came of comparing the marble with the labelled sets.
func (v marbleView) Likeness() *verdict {
	a := v.Attribution
	if a == nil {
		return nil
	}
	first := likelihood{a.Label, percent(a.Probability), template.CSS(width(a.Probability))}
	second := likelihood{a.RunnerUp, percent(a.RunnerUpProbability), template.CSS(width(a.RunnerUpProbability))}
	out := &verdict{}
	switch a.Status {
	case "assigned":
		out.Class, out.Text = "assigned", "Like "+a.Label
		out.Sets = []likelihood{first}
	case "doubtful":
		out.Class, out.Text = "doubtful", "Between two sets"
		out.Sets = []likelihood{first}
	default:
		out.Class, out.Text = "unlike", "Unlike any of your sets"
		if a.Label != "" {
			out.Reasons = append(out.Reasons, "The nearest is "+a.Label+", but not near enough.")
		}
	}
	if len(out.Sets) > 0 && a.RunnerUp != "" {
		out.Sets = append(out.Sets, second)
	}
	for _, r := range a.Reasons[:min(len(a.Reasons), pageReasons)] {
		out.Reasons = append(out.Reasons, reasonText(r))
	}
	return out
}

// StatusClass colours the marble's thumb.
func (v marbleView) StatusClass() string {
	if l := v.Likeness(); l != nil {
		return l.Class
	}
	return "none"
}

// BudgetLines are the parts of the uncertainty, largest first.
func (v marbleView) BudgetLines() []record.BudgetLine {
	lines := slices.Clone(v.Budget)
	slices.SortStableFunc(lines, func(a, b record.BudgetLine) int { return cmp.Compare(b.UMM, a.UMM) })
	return lines
}

// pictureSource reads a picture, makes it no larger than maxSide and gives it back
// as a JPEG in a src attribute; empty where it cannot be read, because a report
// without one picture is better than no report.
func pictureSource(path string, maxSide, quality int) template.HTMLAttr {
	data, err := os.ReadFile(path)
	if err != nil {
		return ""
	}
	small, err := vision.ReducedJPEG(data, blank, vision.Reduction{MaxSide: maxSide, Quality: quality})
	if err != nil {
		return ""
	}
	return sourceOf(small[0])
}

// blank stands where the photo ended: JPEG knows no transparency, and would
// show black there, as though it were seen.
var blank = color.RGBA{0xe2, 0xdf, 0xd8, 0xff}

func hex(lab [3]float64) template.CSS {
	rgb := colour.LabToSRGB8(lab)
	return template.CSS(fmt.Sprintf("#%02x%02x%02x", rgb[0], rgb[1], rgb[2]))
}

// width is a share of 0..1 as a CSS width.
func width(share float64) string {
	if math.IsNaN(share) {
		share = 0
	}
	return fmt.Sprintf("%.1f%%", 100*min(1, max(0, share)))
}

// percent is a share of 0..1 in words that claim no certainty there is not.
func percent(share float64) string {
	switch p := 100 * share; {
	case p > 99:
		return "over 99 %"
	case p < 1:
		return "under 1 %"
	default:
		return fmt.Sprintf("%.0f %%", p)
	}
}

func decimals(v *float64) string {
	if v == nil {
		return ""
	}
	return fmt.Sprintf("%.2f", *v)
}

func plural(n int, what string) string { return fmt.Sprintf("%d %s", n, unit(n, what)) }

func unit(n int, what string) string {
	if n == 1 {
		return what
	}
	return what + "s"
}

func isOrAre(n int) string {
	if n == 1 {
		return "1 is"
	}
	return fmt.Sprintf("%d are", n)
}
