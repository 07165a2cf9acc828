package report

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"
	"slices"

	xdraw "golang.org/x/image/draw"
	"golang.org/x/image/font"
	"golang.org/x/image/math/fixed"

	"tawsight/internal/atomicfile"
	"tawsight/internal/kernels"
	"tawsight/internal/record"
	"tawsight/vision"
)

// Sight is what an overlay shows besides the record.
type Sight struct {
	// Card are the corners of the reference card in the photo, in order round
	// it; nil where none was found.
	Card *[4][2]float64
	// Rulers are the outlines of what gives the scale, the card among them.
	Rulers [][][2]float64
	// Points are the corners of whatever looked like part of a card, drawn so
	// that a card not found is at least shown.
	Points [][2]float64
	// MaxSidePX bounds the overlay's longer side; 0 for OverlaySidePX.
	MaxSidePX int
}

// OverlaySidePX bounds an overlay's longer side: the photos of 8, 12 and 48
// megapixels that phones take come down to it by halves and quarters.
const OverlaySidePX = 2048

// Overlay draws onto a copy of img, which is the upright photo or a smaller
// version of it, reduced further where it is larger than asked: every outline
// with the marble's number and diameter, the marbles' flags, the card, and the
// photo's flags. All positions are in pixels of the photo, p.WidthPX of them
// across (where that is 0, in pixels of img), as the output contract counts
// them: centres at whole numbers, the top-left pixel's centre the origin.
func Overlay(img image.Image, p record.Photo, s Sight) *image.RGBA {
	if s.MaxSidePX <= 0 {
		s.MaxSidePX = OverlaySidePX
	}
	base, scale := reduced(img, s.MaxSidePX)
	drawOverlay(onRGBA(base), scale, p, s)
	return base
}

// Drawn is as much of a photo's record as its overlay shows, and nothing else: with
// two records that have it in common, the overlay is the same.
func Drawn(p record.Photo) record.Photo {
	d := record.Photo{WidthPX: p.WidthPX, Flags: p.Flags, Marbles: make([]record.Marble, len(p.Marbles))}
	for i, m := range p.Marbles {
		d.Marbles[i] = record.Marble{ID: m.ID, Outline: m.Outline, DiameterMM: m.DiameterMM, Flags: m.Flags}
		if m.Attribution != nil {
			d.Marbles[i].Attribution = &record.Attribution{Status: m.Attribution.Status}
		}
	}
	return d
}

// drawOverlay draws onto base, which is scale times the size of the picture that
// positions are in where the record does not say how wide that is.
func drawOverlay(base *surface, scale float64, p record.Photo, s Sight) {
	p = Drawn(p) // so that nothing else can be drawn
	if p.WidthPX > 0 {
		scale = float64(base.w) / float64(p.WidthPX)
	}
	o := &overlay{
		on:    base,
		faces: map[float64]font.Face{},
		scale: scale,
		side:  float64(max(base.w, base.h)),
	}
	defer o.close()
	o.line = max(1.2, o.side/620)
	o.card(s)
	for _, m := range p.Marbles {
		o.outline(m)
	}
	for _, m := range p.Marbles {
		o.taken = append(o.taken, o.extent(m))
	}
	if s.Card != nil {
		o.taken = append(o.taken, o.around(s.Card[:]))
	}
	if len(s.Rulers) == 1 && len(s.Rulers[0]) == 4 && !o.holdsMarbles(s.Rulers[0], p.Marbles) {
		o.taken = append(o.taken, o.around(s.Rulers[0]))
	}
	sizes := o.labelSizes(p.Marbles)
	for _, m := range p.Marbles {
		o.label(m, sizes)
	}
	o.notes(p.Flags)
}

// overlayQuality is that of an overlay as a JPEG.
const overlayQuality = 85

// OverlayPictures draws the overlay onto base, the upright photo no larger than
// OverlaySidePX, and encodes it as it is kept and as the page shows it. base is
// used up.
func OverlayPictures(base *vision.Picture, p record.Photo, s Sight) (whole, page []byte, err error) {
	drawOverlay(onPicture(base), 1, p, s)
	out, err := base.JPEGs(vision.Reduction{Quality: overlayQuality}, vision.Reduction{MaxSide: pageOverlayPX, Quality: pageOverlayQuality})
	if err != nil {
		return nil, nil, err
	}
	return out[0], out[1], nil
}

// OverlayJPEG draws the overlay and encodes it.
func OverlayJPEG(img image.Image, p record.Photo, s Sight) ([]byte, error) {
	return vision.JPEG(Overlay(img, p, s), overlayQuality, blank)
}

// WriteOverlay draws the overlay and writes it to path as a JPEG.
func WriteOverlay(path string, img image.Image, p record.Photo, s Sight) error {
	data, err := OverlayJPEG(img, p, s)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return atomicfile.WriteBytes(path, data)
}

type overlay struct {
	on    *surface
	faces map[float64]font.Face // by size
	scale float64               // overlay pixels a photo pixel
	side  float64               // the overlay's longer side
	line  float64               // line width
	taken []box                 // what a label should not cover: marbles, and labels already there
}

// at takes a point of the photo, pixel centres at whole numbers, to the
// drawing, which counts from the picture's edge.
func (o *overlay) at(x, y float64) (float64, float64) {
	return (x + 0.5) * o.scale, (y + 0.5) * o.scale
}

var (
	halo      = color.NRGBA{12, 14, 18, 200}
	ink       = color.NRGBA{255, 255, 255, 255}
	likeInk   = color.NRGBA{94, 226, 178, 255} // assigned to a set
	doubtInk  = color.NRGBA{255, 202, 88, 255} // between two sets
	unlikeInk = color.NRGBA{196, 164, 255, 255}
	failInk   = color.NRGBA{255, 116, 104, 255} // unusable
	cardInk   = color.NRGBA{96, 208, 255, 255}
	seenInk   = color.NRGBA{255, 110, 220, 255}
)

// colourOf says at a glance what came of the marble.
func colourOf(m record.Marble) color.NRGBA {
	for _, f := range m.Flags {
		if f.Severity == record.Fail {
			return failInk
		}
	}
	if m.Attribution != nil {
		switch m.Attribution.Status {
		case "assigned":
			return likeInk
		case "doubtful":
			return doubtInk
		case "unlike-any":
			return unlikeInk
		}
	}
	return ink
}

// stroke draws lines from point to point, with a dark edge, so that they show on any
// ground.
func (o *overlay) stroke(points [][2]float64, closed bool, c color.Color) {
	o.on.line(points, closed, o.line*2.2, halo)
	o.on.line(points, closed, o.line, c)
}

func (o *overlay) outline(m record.Marble) {
	a, b := m.Outline.SemiMajorPX*o.scale, m.Outline.SemiMinorPX*o.scale
	if !(a > 0 && b > 0) {
		return
	}
	cx, cy := o.at(m.Outline.CxPX, m.Outline.CyPX)
	angle := m.Outline.AngleDeg * math.Pi / 180
	o.on.ring(cx, cy, a, b, angle, o.line*2.2, halo)
	o.on.ring(cx, cy, a, b, angle, o.line, colourOf(m))
}

// face is the typeface at a size; it stays the overlay's.
func (o *overlay) face(size float64) font.Face {
	f, ok := o.faces[size]
	if !ok {
		f, _ = faceOf(bold, size)
		o.faces[size] = f
	}
	return f
}

func (o *overlay) close() {
	for _, f := range o.faces {
		_ = f.Close() // holds nothing but memory
	}
}

// labelSizes are the sizes of type for the whole photo, of the numbers and of
// what stands below them: as large as the marbles leave room for, the numbers
// so large that they are read on a phone.
type labelSizes struct{ number, rest float64 }

func (o *overlay) labelSizes(marbles []record.Marble) labelSizes {
	var radii []float64
	for _, m := range marbles {
		radii = append(radii, m.Outline.SemiMajorPX*o.scale)
	}
	if len(radii) == 0 {
		return labelSizes{o.side / 45, o.side / 70}
	}
	slices.Sort(radii)
	median := radii[len(radii)/2]
	return labelSizes{
		number: min(max(0.8*median, o.side/75), o.side/42),
		// "15.92 mm" is about four and a half times as wide as its type is
		// high; it may be a little wider than the marble.
		rest: min(max(2.4*median/4.5, o.side/95), o.side/68),
	}
}

func (o *overlay) label(m record.Marble, sizes labelSizes) {
	type lineOfText struct {
		text string
		size float64
		ink  color.Color
	}
	lines := []lineOfText{{m.ID, sizes.number, ink}}
	if m.DiameterMM != nil {
		lines = append(lines, lineOfText{fmt.Sprintf("%.2f mm", *m.DiameterMM), sizes.rest, ink})
	}
	for _, f := range eachCodeOnce(m.Flags) {
		c := doubtInk
		if f.Severity == record.Fail {
			c = failInk
		}
		lines = append(lines, lineOfText{f.Code, sizes.rest, c})
	}
	const leading = 1.12
	var block box
	for _, l := range lines {
		block.x1 = max(block.x1, float64(font.MeasureString(o.face(l.size), l.text))/64)
		block.y1 += l.size * leading
	}
	place := o.freePlace(o.extent(m), block.x1, block.y1, sizes.rest*0.2)
	o.taken = append(o.taken, place)
	y := place.y0
	for _, l := range lines {
		o.text(l.text, (place.x0+place.x1)/2, y+l.size*0.9, 0.5, l.size, l.ink)
		y += l.size * leading
	}
}

// extent is the upright box round a marble's outline.
func (o *overlay) extent(m record.Marble) box {
	cx, cy := o.at(m.Outline.CxPX, m.Outline.CyPX)
	sin, cos := math.Sincos(m.Outline.AngleDeg * math.Pi / 180)
	rx := math.Hypot(m.Outline.SemiMajorPX*cos, m.Outline.SemiMinorPX*sin) * o.scale
	ry := math.Hypot(m.Outline.SemiMajorPX*sin, m.Outline.SemiMinorPX*cos) * o.scale
	return box{cx - rx, cy - ry, cx + rx, cy + ry}
}

// around is the upright box round points of the photo.
func (o *overlay) around(points [][2]float64) box {
	b := box{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
	for _, p := range points {
		x, y := o.at(p[0], p[1])
		b = box{min(b.x0, x), min(b.y0, y), max(b.x1, x), max(b.y1, y)}
	}
	return b
}

// holdsMarbles says whether a marble lies within the box round points of the
// photo: on a sheet that is the ruler.
func (o *overlay) holdsMarbles(points [][2]float64, marbles []record.Marble) bool {
	b := o.around(points)
	for _, m := range marbles {
		if x, y := o.at(m.Outline.CxPX, m.Outline.CyPX); x > b.x0 && x < b.x1 && y > b.y0 && y < b.y1 {
			return true
		}
	}
	return false
}

// freePlace finds room for a label beside a marble: below it where that covers
// nothing, else above, right or left of it, else wherever it covers least.
func (o *overlay) freePlace(marble box, width, height, gap float64) box {
	cx, cy := (marble.x0+marble.x1)/2, (marble.y0+marble.y1)/2
	picture := box{0, 0, float64(o.on.w), float64(o.on.h)}
	var best box
	least := math.Inf(1)
	for _, corner := range [][2]float64{
		{cx - width/2, marble.y1 + gap},
		{cx - width/2, marble.y0 - gap - height},
		{marble.x1 + gap, cy - height/2},
		{marble.x0 - gap - width, cy - height/2},
	} {
		b := box{corner[0], corner[1], corner[0] + width, corner[1] + height}
		cost := 4 * (b.area() - b.overlap(picture))
		for _, t := range o.taken {
			cost += b.overlap(t)
		}
		if cost < least-1 {
			best, least = b, cost
		}
	}
	return best
}

func (o *overlay) card(s Sight) {
	polygon := func(corners [][2]float64) {
		points := make([][2]float64, len(corners))
		for i, c := range corners {
			points[i][0], points[i][1] = o.at(c[0], c[1])
		}
		o.stroke(points, true, cardInk)
	}
	if s.Card != nil {
		polygon(s.Card[:])
	}
	for _, p := range s.Rulers {
		polygon(p)
	}
	for _, p := range s.Points {
		x, y := o.at(p[0], p[1])
		r := o.line * 2.5
		for _, c := range []struct {
			width float64
			ink   color.Color
		}{{o.line * 2.2, halo}, {o.line, seenInk}} {
			o.on.line([][2]float64{{x - r, y}, {x + r, y}}, false, c.width, c.ink)
			o.on.line([][2]float64{{x, y - r}, {x, y + r}}, false, c.width, c.ink)
		}
	}
}

// notes writes the photo's flags in the top-left corner.
func (o *overlay) notes(flags []record.Flag) {
	size := o.side / 62
	y := size * 1.7
	for _, f := range eachCodeOnce(flags) {
		c := doubtInk
		if f.Severity == record.Fail {
			c = failInk
		}
		o.text(f.Code, size, y, 0, size, c)
		y += size * 1.3
	}
}

// eachCodeOnce is the flags without those whose code was there before; of two
// with one code the worse stands.
func eachCodeOnce(flags []record.Flag) []record.Flag {
	var out []record.Flag
	for _, f := range flags {
		i := slices.IndexFunc(out, func(g record.Flag) bool { return g.Code == f.Code })
		if i < 0 {
			out = append(out, f)
		} else if f.Severity == record.Fail {
			out[i] = f
		}
	}
	return out
}

// text writes s with its baseline at y and, for anchor 0, its left end at x,
// for 0.5 its middle; it is pushed back into the picture where it would leave
// it.
func (o *overlay) text(s string, x, y, anchor, size float64, c color.Color) {
	face := o.face(size)
	width := float64(font.MeasureString(face, s)) / 64
	left := max(2, min(x-anchor*width, float64(o.on.w)-width-2))
	y = max(size, min(y, float64(o.on.h)-size*0.3))
	edge := max(1.2, size*0.11)
	// The letters are drawn once, onto a mask with room for the halo.
	room := int(math.Ceil(edge)) + 2
	letters := image.NewAlpha(image.Rect(int(left)-room, int(y-1.2*size)-room, int(left+width)+room+2, int(y+0.4*size)+room))
	d := font.Drawer{Dst: letters, Src: image.Opaque, Face: face, Dot: fixed.Point26_6{X: fixed.Int26_6(left * 64), Y: fixed.Int26_6(y * 64)}}
	d.DrawString(s)
	o.on.through(grown(letters, edge), halo)
	o.on.through(letters, c)
}

// grown is a mask made wider by by pixels all round; what it had no room for is
// lost.
func grown(m *image.Alpha, by float64) *image.Alpha {
	brush := kernels.MakeBrush(by)
	pix, from, stride := brush.Grow(m.Pix, m.Stride)
	return &image.Alpha{Pix: pix[from:], Stride: stride, Rect: m.Rect}
}

// reduced copies a picture, made smaller where its longer side is beyond
// maxSide, and gives the scale it was made smaller by, 1 or less.
func reduced(img image.Image, maxSide int) (*image.RGBA, float64) {
	b := img.Bounds()
	scale := min(1, float64(maxSide)/float64(max(b.Dx(), b.Dy())))
	if scale == 1 {
		out := image.NewRGBA(image.Rect(0, 0, b.Dx(), b.Dy()))
		draw.Draw(out, out.Bounds(), img, b.Min, draw.Src)
		return out, 1
	}
	w := max(1, int(math.Round(float64(b.Dx())*scale)))
	h := max(1, int(math.Round(float64(b.Dy())*scale)))
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	xdraw.BiLinear.Scale(out, out.Bounds(), img, b, draw.Src, nil)
	return out, scale
}
