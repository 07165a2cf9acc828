package samples_test

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/bep/imagemeta"

	"tawsight/samples"
)

// committed lists the sample photos with the reference card, or that should have one, as paths below photos/; those on
// the sorting mat have a test of their own.
func committed(t *testing.T) []string {
	t.Helper()
	return slices.DeleteFunc(everyPhoto(t), func(rel string) bool { return strings.HasPrefix(rel, "rulers/") || strings.HasPrefix(rel, "mat/") })
}

// everyPhoto lists all sample photos.
func everyPhoto(t *testing.T) []string {
	t.Helper()
	var out []string
	err := filepath.WalkDir("photos", func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			rel, _ := filepath.Rel("photos", path)
			out = append(out, filepath.ToSlash(rel))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func load(t *testing.T, rel string) *samples.Truth {
	t.Helper()
	p, err := samples.TruthPath(filepath.Join("photos", filepath.FromSlash(rel)))
	if err != nil {
		t.Fatal(err)
	}
	tr, err := samples.LoadTruth(p)
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

func exif(t *testing.T, photo []byte) map[string]any {
	t.Helper()
	out := map[string]any{}
	_, err := imagemeta.Decode(imagemeta.Options{R: bytes.NewReader(photo), ImageFormat: imagemeta.JPEG, Sources: imagemeta.EXIF,
		ShouldHandleTag: func(imagemeta.TagInfo) bool { return true },
		HandleTag:       func(i imagemeta.TagInfo) error { out[i.Tag] = i.Value; return nil },
		Warnf:           func(f string, a ...any) { t.Errorf("EXIF: "+f, a...) }})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// upright gives the luma of the picture as truth has it, turned as the orientation says (EXIF 2.32, tag 0x0112).
func upright(t *testing.T, photo []byte, orientation int) (w, h int, at func(x, y int) float64) {
	t.Helper()
	img, err := jpeg.Decode(bytes.NewReader(photo))
	if err != nil {
		t.Fatal(err)
	}
	y, ok := img.(*image.YCbCr)
	if !ok {
		t.Fatalf("%T", img)
	}
	sw, sh := y.Rect.Dx(), y.Rect.Dy()
	luma := func(x, yy int) float64 { return float64(y.Y[y.YOffset(x, yy)]) }
	switch orientation {
	case 1:
		return sw, sh, luma
	case 3: // the stored top left is the picture's bottom right
		return sw, sh, func(u, v int) float64 { return luma(sw-1-u, sh-1-v) }
	case 6: // the stored left column, from the bottom, is the picture's top row
		return sh, sw, func(u, v int) float64 { return luma(v, sh-1-u) }
	case 8: // the stored right column, from the top, is the picture's top row
		return sh, sw, func(u, v int) float64 { return luma(sw-1-v, u) }
	}
	t.Fatalf("orientation %d", orientation)
	return 0, 0, nil
}

func TestCommittedPhotosAgreeWithTheirTruth(t *testing.T) {
	total, turned := 0, 0
	list := committed(t)
	if len(list) != 97 {
		t.Errorf("%d photos, want 97", len(list))
	}
	for _, rel := range list {
		t.Run(rel, func(t *testing.T) {
			b, err := os.ReadFile(filepath.Join("photos", filepath.FromSlash(rel)))
			if err != nil {
				t.Fatal(err)
			}
			total += len(b)
			most := 300_000
			if strings.HasPrefix(rel, "phone/") {
				most = 1_400_000
			}
			if len(b) > most {
				t.Errorf("%d bytes, more than %d kB", len(b), most/1000)
			}
			tr := load(t, rel)
			tags := exif(t, b)
			for _, k := range []string{"Make", "Model", "DateTimeOriginal"} {
				if s, _ := tags[k].(string); s == "" {
					t.Errorf("EXIF has no %s", k)
				}
			}
			f35 := fmt.Sprint(tags["FocalLengthIn35mmFormat"])
			if f35 != fmt.Sprint(tr.Camera.EXIFFocal35MM) {
				t.Errorf("EXIF says %s mm, truth %d", f35, tr.Camera.EXIFFocal35MM)
			}
			long := math.Max(float64(tr.Image.Width), float64(tr.Image.Height))
			if d := tr.Camera.FocalPx*36/long - float64(tr.Camera.EXIFFocal35MM); math.Abs(d) > 0.5001 {
				t.Errorf("focal length is %.2f mm from its rounded value", d)
			}
			var orientation int
			fmt.Sscan(fmt.Sprint(tags["Orientation"]), &orientation)
			if orientation == 6 || orientation == 8 {
				turned++
			}
			w, h, at := upright(t, b, orientation)
			if w != tr.Image.Width || h != tr.Image.Height {
				t.Fatalf("upright it is %d x %d, truth says %d x %d", w, h, tr.Image.Width, tr.Image.Height)
			}
			checkCard(t, tr, at)
		})
	}
	if total > 16_000_000 {
		t.Errorf("%d bytes in all, more than 16 MB", total)
	}
	if turned < 2 {
		t.Errorf("%d photos are stored turned, want 2 or more", turned)
	}
}

// checkCard looks at the middle of each chessboard square whose place follows from the truth's inner corners: black
// where column + row is even (reference card), in the picture itself. A wrong pose, orientation or mirror image fails.
func checkCard(t *testing.T, tr *samples.Truth, at func(x, y int) float64) {
	t.Helper()
	if !tr.Card.Present {
		return
	}
	c := tr.Card.InnerCornersPx
	if len(c) != 36 {
		t.Fatalf("%d inner corners, want 36", len(c))
	}
	var dark, light []float64
	for j := range 3 {
		for i := range 8 {
			a, b := c[9*j+i], c[9*(j+1)+i+1]
			x, y := int(math.Round((a[0]+b[0])/2)), int(math.Round((a[1]+b[1])/2))
			if x < 8 || y < 8 || x >= tr.Image.Width-8 || y >= tr.Image.Height-8 {
				continue
			}
			if (i+1+j+1)%2 == 0 {
				dark = append(dark, at(x, y))
			} else {
				light = append(light, at(x, y))
			}
		}
	}
	if len(dark) == 0 || len(light) == 0 {
		t.Fatal("no square of the card is in the picture")
	}
	darkest, lightest := 0.0, 255.0
	for _, v := range dark {
		darkest = math.Max(darkest, v)
	}
	for _, v := range light {
		lightest = math.Min(lightest, v)
	}
	if darkest+25 > lightest {
		t.Errorf("black squares reach %.0f, white ones fall to %.0f", darkest, lightest)
	}
	// The truth's own corners, from the card's geometry: the first inner corner at (20.5, 16.0) mm, 8.00 mm apart.
	for k, want := range c {
		x, y := 20.5+8*float64(k%9), 16+8*float64(k/9)
		var p [3]float64
		for i := range p {
			p[i] = tr.Card.TopLeftWorldMM[i] + x*tr.Card.XAxisWorld[i] + y*tr.Card.YAxisWorld[i]
		}
		if u, v := tr.Camera.Project(p); math.Hypot(u-want[0], v-want[1]) > 0.002 {
			t.Errorf("corner %d is at (%.3f, %.3f), truth says %v", k, u, v, want)
		}
	}
}

// Rays from the camera touch a sphere at c (camera frame, radius r) along a circle: centre c (1 - r^2/c.c), radius
// r sqrt(1 - r^2/c.c), plane across c. Its points, projected, must lie on the truth's ellipse.
func TestEllipsesAreTheSpheresOutlines(t *testing.T) {
	files := map[string]*samples.Truth{}
	for _, rel := range committed(t) {
		files[rel] = load(t, rel)
	}
	for name, tr := range files {
		for _, m := range tr.Marbles {
			var c [3]float64
			for i := range c {
				c[i] = tr.Camera.T[i]
				for j := range 3 {
					c[i] += tr.Camera.R[i][j] * m.CentreMM[j]
				}
			}
			cc := c[0]*c[0] + c[1]*c[1] + c[2]*c[2]
			r := m.DiameterMM / 2
			s, rho := 1-r*r/cc, r*math.Sqrt(1-r*r/cc)
			a := [3]float64{c[2], 0, -c[0]}
			n := math.Hypot(a[0], a[2])
			a[0], a[2] = a[0]/n, a[2]/n
			l := math.Sqrt(cc)
			b := [3]float64{(c[1]*a[2] - c[2]*a[1]) / l, (c[2]*a[0] - c[0]*a[2]) / l, (c[0]*a[1] - c[1]*a[0]) / l}
			e := m.Ellipse
			se, ce := math.Sincos(e.AngleDeg * math.Pi / 180)
			for k := range 36 {
				sk, ck := math.Sincos(float64(k) * math.Pi / 18)
				var p [3]float64
				for i := range p {
					p[i] = s*c[i] + rho*(ck*a[i]+sk*b[i])
				}
				u := tr.Camera.CX + tr.Camera.FocalPx*p[0]/p[2] - e.CX
				v := tr.Camera.CY + tr.Camera.FocalPx*p[1]/p[2] - e.CY
				x, y := u*ce+v*se, -u*se+v*ce
				if off := (math.Hypot(x/e.SemiMajor, y/e.SemiMinor) - 1) * e.SemiMinor; math.Abs(off) > 0.01 {
					t.Errorf("%s, marble %d: an outline point is %.3f px off the ellipse", name, m.ID, off)
					break
				}
			}
			if tr.Camera.EXIFFocal35MM > 0 && math.Abs(m.CentreMM[2]-r) > 0.001 {
				t.Errorf("%s, marble %d doesn't lie on the ground", name, m.ID)
			}
		}
	}
}

func TestTheFindIsWhatTheReadmeSays(t *testing.T) {
	sets := map[string]int{}
	pairTrays, strangers, cut, trays := 0, 0, 0, 0
	faults, extra, members, pairs := map[string]int{}, map[string]int{}, map[string]int{}, map[string]int{}
	oblique := false
	for _, rel := range committed(t) {
		tr := load(t, rel)
		part := strings.Split(rel, "/")
		touching := false
		for i, m := range tr.Marbles {
			for _, k := range m.Touches {
				touching = true
				o := tr.Marbles[k-1]
				d := math.Sqrt(sq(m.CentreMM[0]-o.CentreMM[0]) + sq(m.CentreMM[1]-o.CentreMM[1]) + sq(m.CentreMM[2]-o.CentreMM[2]))
				if math.Abs(d-(m.DiameterMM+o.DiameterMM)/2) > 0.001 {
					t.Errorf("%s: marbles %d and %d are said to touch, %.4f mm apart", rel, i+1, k, d)
				}
			}
			if m.Label == "" && part[0] == "tray" {
				strangers++
			}
			if m.CutOff {
				cut++
			}
			// Other photos than references may hold cut marbles; only those are partly out of the picture.
			if !m.CutOff && len(m.Touches) == 0 && math.Abs(m.Visible-1) > 0.01 {
				t.Errorf("%s, marble %d: %.3f of it is visible", rel, m.ID, m.Visible)
			}
			if m.Seen.R != nil && (m.Seen.R.Coverage < 0 || m.Seen.R.Coverage > 1) {
				t.Errorf("%s, marble %d: coverage %v", rel, m.ID, m.Seen.R.Coverage)
			}
		}
		switch part[0] {
		case "references":
			sets[part[1]]++
			members[part[1]] += len(tr.Marbles)
			if n := len(tr.Marbles); n < 4 || n > 5 {
				t.Errorf("%s holds %d marbles", rel, n)
			}
			for _, m := range tr.Marbles {
				if m.Label != part[1] || m.CutOff {
					t.Errorf("%s: marble %d is of set %q, cut off %v", rel, m.ID, m.Label, m.CutOff)
				}
			}
		case "pairs":
			pairs[part[1]]++
		case "tray":
			trays++
			if touching {
				pairTrays++
			}
			oblique = oblique || math.Abs(tr.Camera.TiltDeg-25) < 0.1
		case "poor":
			faults[tr.Fault]++
		case "again", "anatomy":
			extra[part[0]]++
			if len(tr.Marbles) != 8 || touching {
				t.Errorf("%s: %d marbles, touching %v", rel, len(tr.Marbles), touching)
			}
		case "phone":
			extra[part[0]]++
			if len(tr.Marbles) != 20 || tr.Image.Width != 4032 || tr.Image.Height != 3024 {
				t.Errorf("%s: %d marbles, %d x %d px", rel, len(tr.Marbles), tr.Image.Width, tr.Image.Height)
			}
		default:
			t.Errorf("%s: unknown part of the find", rel)
		}
		if tr.Good() == (part[0] == "poor") || tr.ShouldWarn != (part[0] == "poor") {
			t.Errorf("%s: fault %q, should warn %v", rel, tr.Fault, tr.ShouldWarn)
		}
	}
	if extra["again"] != 8 || extra["anatomy"] != 5 || extra["phone"] != 2 {
		t.Errorf("photos of marbles shot again, of anatomy and of a telephone's size: %v", extra)
	}
	if len(pairs) != len(samples.Pairs) {
		t.Errorf("pairs: %v", pairs)
	}
	for p, n := range pairs {
		if n != 4 {
			t.Errorf("pair %s has %d photos", p, n)
		}
	}
	if len(sets) != 6 {
		t.Errorf("sets: %v", sets)
	}
	for s, n := range sets {
		if n != 6 || members[s] != 27 {
			t.Errorf("set %s has %d photos of %d marbles", s, n, members[s])
		}
	}
	for _, f := range []string{samples.FaultOutOfFocus, samples.FaultCameraShake, samples.FaultUnderExposed, samples.FaultOverExposed,
		samples.FaultColourCast, samples.FaultHeavyCompression, samples.FaultNoCard, samples.FaultCardHidden} {
		if faults[f] != 1 {
			t.Errorf("%d poor photos have the fault %s", faults[f], f)
		}
	}
	if trays < 5 || pairTrays < 2 || strangers < 3 || !oblique || cut < 1 {
		t.Errorf("%d trays, %d with touching marbles, %d strangers, oblique %v, %d cut off", trays, pairTrays, strangers, oblique, cut)
	}
}

func sq(x float64) float64 { return x * x }

// The marbles shot again are the same in all their photos, the way they are shot is not.
func TestMarblesShotAgainAreTheSame(t *testing.T) {
	type shot struct {
		m  samples.Marble
		at string
	}
	shots := map[string][]shot{}
	sets := map[string]bool{}
	var px, tilt []float64
	for _, rel := range committed(t) {
		if !strings.HasPrefix(rel, "again/") {
			continue
		}
		tr := load(t, rel)
		tilt = append(tilt, tr.Camera.TiltDeg)
		px = append(px, 16*tr.Camera.FocalPx/tr.Camera.HeightMM)
		for _, m := range tr.Marbles {
			shots[m.Specimen] = append(shots[m.Specimen], shot{m, rel})
			sets[m.Label] = true
		}
	}
	if len(shots) != 16 {
		t.Errorf("%d marbles, want 16", len(shots))
	}
	for name, list := range shots {
		if name == "" || len(list) != 4 {
			t.Errorf("marble %q is in %d photos, want 4", name, len(list))
		}
		a := list[0].m
		for _, s := range list[1:] {
			b := s.m
			if a.Label != b.Label || a.Kind != b.Kind || a.DiameterMM != b.DiameterMM || !reflect.DeepEqual(a.Base, b.Base) ||
				!reflect.DeepEqual(a.Ribbons, b.Ribbons) || !reflect.DeepEqual(a.Bubble.OffsetMM, b.Bubble.OffsetMM) {
				t.Errorf("%s: another marble in %s than in %s", name, s.at, list[0].at)
			}
			if a.CentreMM == b.CentreMM {
				t.Errorf("%s lies at the same place in %s and %s", name, s.at, list[0].at)
			}
		}
	}
	if len(sets) != 6 { // the five and none
		t.Errorf("sets %v", sets)
	}
	slices.Sort(px)
	slices.Sort(tilt)
	if px[0] < 64 || px[0] > 70 || px[7] < 108 || px[7] > 115 || tilt[0] > 5 || tilt[7] < 20 || tilt[7] > 22 {
		t.Errorf("16 mm are %.0f to %.0f px, tilts %.0f to %.0f degrees", px[0], px[7], tilt[0], tilt[7])
	}
}

// What the truth says of ribbons must hang together, in every file.
func TestTruthOfRibbonsHangsTogether(t *testing.T) {
	for _, rel := range committed(t) {
		tr := load(t, rel)
		for _, m := range tr.Marbles {
			at := fmt.Sprintf("%s, marble %d (%s)", rel, m.ID, m.Kind)
			inside := m.RibbonLayout == samples.LayoutFolded || m.RibbonLayout == samples.LayoutVanes
			if (m.RibbonLayout == "") != (len(m.Ribbons) == 0) || (m.RibbonLayout == samples.LayoutSurface) != (len(m.Ribbons) > 0 && m.Base.Transparency == samples.Opaque) {
				t.Errorf("%s: layout %q, %d ribbons", at, m.RibbonLayout, len(m.Ribbons))
			}
			if m.Vanes != (m.RibbonLayout == samples.LayoutVanes) || (m.Paired != nil) != inside {
				t.Errorf("%s: layout %q, vanes %v, paired %v", at, m.RibbonLayout, m.Vanes, m.Paired)
			}
			seen := 0
			for _, c := range []*samples.SeenClass{m.Seen.R, m.Seen.G, m.Seen.B} {
				if c != nil && c.Coverage >= 0.02 {
					seen++
				}
			}
			if m.RibbonColours == nil || *m.RibbonColours > seen || (*m.RibbonColours == 0) != (seen == 0) {
				t.Errorf("%s: ribbon colours %v, %d classes seen", at, m.RibbonColours, seen)
			}
			if m.Paired != nil && *m.Paired && len(m.Ribbons) < 2 {
				t.Errorf("%s: one ribbon is paired", at)
			}
			for i, r := range m.Ribbons {
				if (r.LengthMM != nil) != inside || (r.TotalTurningDeg != nil) != inside || (r.FoldSpacingMM != nil) != (m.RibbonLayout == samples.LayoutFolded) {
					t.Errorf("%s, ribbon %d: length, turning or spacing where there is none, or none where there is", at, i)
					continue
				}
				if len(r.StripLabs) > 0 != (r.Striated || r.TwoTone) || r.Striated && r.TwoTone {
					t.Errorf("%s, ribbon %d: %d strips, striated %v, two-tone %v", at, i, len(r.StripLabs), r.Striated, r.TwoTone)
				}
				if m.RibbonLayout == samples.LayoutFolded {
					// Each pass is longer than its way round, and each turn is by more than a right angle.
					if n := float64(*r.Turns); *r.LengthMM < n**r.FoldSpacingMM || *r.TotalTurningDeg < 90*(n-1) {
						t.Errorf("%s, ribbon %d: %.0f turns, %.1f mm apart, %.0f mm long, %.0f degrees", at, i, n, *r.FoldSpacingMM, *r.LengthMM, *r.TotalTurningDeg)
					}
				}
			}
			b := m.Bubble
			if b.Present != (b.Visible != nil) || b.Present && (*b.Visible < 0 || *b.Visible > 1) {
				t.Errorf("%s: %v of its bubble is seen", at, b.Visible)
			}
			if b.Present && len(m.Ribbons) == 0 && m.Visible > 0.99 && *b.Visible < 0.95 {
				t.Errorf("%s: nothing hides its bubble, yet %.2f of it is seen", at, *b.Visible)
			}
		}
	}
}

// The anatomy trays have what the sets lack.
func TestAnatomyPhotosShowEverything(t *testing.T) {
	n := map[string]int{}
	for _, rel := range committed(t) {
		if !strings.HasPrefix(rel, "anatomy/") {
			continue
		}
		for _, m := range load(t, rel).Marbles {
			count := func(what string, is bool) {
				if is {
					n[what]++
				}
			}
			n["marbles"]++
			count("bubble", m.Bubble.Present)
			if m.Bubble.Present && (*m.Bubble.DiameterMM < 1.5 || *m.Bubble.DiameterMM > 3) {
				t.Errorf("%s, marble %d: a bubble of %.2f mm", rel, m.ID, *m.Bubble.DiameterMM)
			}
			count("paired", m.Paired != nil && *m.Paired)
			count("two colours apart", m.Paired != nil && !*m.Paired && *m.RibbonColours > 1)
			count("three colours", m.Seen.B != nil)
			count("vanes", m.Vanes)
			count("crystallised", m.Crystallised)
			count("plain opaque", m.Base.Transparency == samples.Opaque && len(m.Ribbons) == 0)
			for i, r := range m.Ribbons {
				count("two-tone", r.TwoTone)
				count("striated", r.Striated)
				count("stacked folds", i == 0 && r.FoldSpacingMM != nil && *r.FoldSpacingMM < 3)
			}
			switch tr := *m.Base.Transmission; {
			case m.Base.Transparency == samples.Cloudy:
				count("faint cloud", tr > 0.5)
				count("dense cloud", tr < 0.12)
			case m.Base.Tint:
				count("faint tint", tr > 0.8)
				count("deep tint", tr < 0.25)
			}
		}
	}
	for what, least := range map[string]int{"marbles": 40, "bubble": 18, "paired": 6, "two colours apart": 4, "three colours": 3, "vanes": 4,
		"crystallised": 3, "plain opaque": 2, "two-tone": 4, "striated": 4, "stacked folds": 4, "faint cloud": 1, "dense cloud": 1,
		"faint tint": 1, "deep tint": 1} {
		if n[what] < least {
			t.Errorf("%d of %s, want %d or more", n[what], what, least)
		}
	}
}
