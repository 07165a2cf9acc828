package report

import (
	"bytes"
	"encoding/base64"
	"encoding/csv"
	"encoding/json"
	"errors"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"tawsight/internal/record"
)

// hostile is a name that a page or a table could stumble over.
const hostile = `attic, "tin"/<img src=x onerror=alert(1)>&amp;'{{.}}é.jpg`

var ground = color.RGBA{150, 150, 150, 255}

// madeUp is a run of three photos: one with everything, one without a card, one
// that could not be read. Its pictures are plain discs on grey.
func madeUp(t *testing.T, out string) []record.Photo {
	t.Helper()
	madeBy := record.MadeBy{Tawsight: record.Version, OpenCV: "4.6.0", Features: 1}
	marbles := []record.Marble{
		{
			ID:         "1",
			Outline:    record.Outline{CxPX: 120, CyPX: 110, SemiMajorPX: 52, SemiMinorPX: 50, AngleDeg: 30},
			DiameterMM: record.F(15.92), DiameterU95MM: record.F(0.08), DiameterIn: "5/8", SizeClass: "player",
			Budget: []record.BudgetLine{{Source: "outline edge points", UMM: 0.02}, {Source: "focal length", UMM: 0.03}},
			Base:   &record.Base{Lab: [3]float64{92, 0, 3}, Name: "white", Kind: "opaque", Translucency: 0.04},
			Ribbons: []record.Ribbon{
				{Lab: [3]float64{45, 60, 40}, Name: "vivid red", AreaFraction: 0.1, WidthMM: record.F(0.9), Opaque: record.B(true)},
				{Lab: [3]float64{30, 20, -60}, Name: "deep blue", AreaFraction: 0.25},
			},
			Busyness: record.F(0.64),
			Bubble:   &record.Bubble{Present: true, DiameterMM: record.F(2.1)},
			Features: map[string]float64{"busyness": 0.64, "turns": 3.5},
			Attribution: &record.Attribution{
				Label: "Window jar", Status: "assigned", Probability: 0.86,
				RunnerUp: "Cellar <box>", RunnerUpProbability: 0.09,
				Reasons: []record.Reason{{Feature: "ribbon_width_mm", Toward: "Window jar", Weight: 0.4}, {Text: "a white base"}},
			},
		},
		{
			ID:         "2",
			Outline:    record.Outline{CxPX: 300, CyPX: 200, SemiMajorPX: 60, SemiMinorPX: 60},
			DiameterMM: record.F(18.3), DiameterU95MM: record.F(0.1), DiameterIn: "23/32", SizeClass: "player",
			Base:        &record.Base{Lab: [3]float64{70, -20, 5}, Name: "pale green", Kind: "transparent", Translucency: 0.9, Tinted: true},
			Features:    map[string]float64{"turns": 0},
			Attribution: &record.Attribution{Label: "Window jar", Status: "doubtful", Probability: 0.5, RunnerUp: "Cellar <box>", RunnerUpProbability: 0.45},
			Flags:       []record.Flag{{Code: "glare", Severity: record.Warn, Affects: []string{record.AboutColour}, Message: "A bright reflection lies on it.", Advice: "Shade the lamp."}},
		},
	}
	photos := []record.Photo{
		{
			Path: "attic/tray 1.jpg", SHA256: strings.Repeat("ab", 32), WidthPX: 640, HeightPX: 480, Taken: "2026-05-02T10:11:12", Camera: "an invented one",
			Scale: record.Scale{Source: "card", MMPerPX: record.F(0.15), ReprojectionPX: record.F(0.21), TiltDeg: record.F(8.4),
				CameraHeightMM: record.F(318), FocalPX: record.F(600), FocalSource: "exif"},
			White:   record.White{Source: "card", IlluminantXY: &[2]float64{0.331, 0.345}, CCTK: record.F(5500), ResidualDE00: record.F(1.2)},
			Verdict: record.Verdicts{Size: record.Good, Colour: record.Good, Pattern: record.Doubtful},
			Marbles: marbles, MadeBy: madeBy, Seconds: 0.41,
		},
		{
			Path: hostile, WidthPX: 640, HeightPX: 480, MadeBy: madeBy,
			Scale: record.Scale{Source: "none"}, White: record.White{Source: "background"},
			Verdict: record.Verdicts{Size: record.Unusable, Colour: record.Doubtful, Pattern: record.Good},
			Flags: []record.Flag{{Code: "no-card", Severity: record.Fail, Affects: []string{record.AboutSize}, Measured: record.F(3), Limit: record.F(36),
				Message: "No card <was> found.", Advice: "Lay the card beside the marbles."}},
			Marbles: []record.Marble{{
				ID:          "1",
				Outline:     record.Outline{CxPX: 100, CyPX: 100, SemiMajorPX: 40, SemiMinorPX: 40},
				CutOff:      true,
				Attribution: &record.Attribution{Label: "Cellar <box>", Status: "unlike-any", Probability: 0.3},
			}},
		},
		{Path: "attic/half.jpg", MadeBy: madeBy, Error: "the file ends early: copy it again"},
	}
	var paths []string
	for _, p := range photos {
		paths = append(paths, p.Path)
	}
	stems := Stems(paths)
	for i := range photos {
		p := &photos[i]
		if p.Error != "" {
			continue
		}
		img := image.NewRGBA(image.Rect(0, 0, 640, 480))
		draw.Draw(img, img.Bounds(), image.NewUniform(ground), image.Point{}, draw.Src)
		if err := WriteOverlay(filepath.Join(out, OverlayPath(stems[i])), img, *p, Sight{Points: [][2]float64{{500, 300}}}); err != nil {
			t.Fatal(err)
		}
		for j := range p.Marbles {
			p.Marbles[j].Crop = CropPath(stems[i], p.Marbles[j].ID)
			path := filepath.Join(out, p.Marbles[j].Crop)
			if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
				t.Fatal(err)
			}
			var buf bytes.Buffer
			if err := png.Encode(&buf, image.NewGray(image.Rect(0, 0, 500, 500))); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, buf.Bytes(), 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
	return photos
}

func TestStems(t *testing.T) {
	for name, c := range map[string]struct{ paths, want []string }{
		"one photo":         {[]string{"/a/b/IMG_1.jpg"}, []string{"IMG_1"}},
		"shared folder":     {[]string{"in/x/1.jpg", "in/y/1.jpg"}, []string{"x_1", "y_1"}},
		"same but ending":   {[]string{"a/1.jpg", "a/1.png"}, []string{"1", "1-2"}},
		"same but case":     {[]string{"a/IMG.JPG", "a/img.jpg"}, []string{"IMG", "img-2"}},
		"similar folders":   {[]string{"tray1/a.jpg", "tray2/a.jpg"}, []string{"tray1_a", "tray2_a"}},
		"awkward letters":   {[]string{"a/../../b c:é?.jpg"}, []string{"b_c_é_"}},
		"nothing is left":   {[]string{"..jpg", "-.jpg"}, []string{"photo", "photo-2"}},
		"root and relative": {[]string{"/a.jpg", "b.jpg"}, []string{"a", "b"}},
		"none":              {nil, []string{}},
	} {
		t.Run(name, func(t *testing.T) {
			if got := Stems(c.paths); !slices.Equal(got, c.want) {
				t.Errorf("%q, want %q", got, c.want)
			}
		})
	}
	long := Stems([]string{"a/" + strings.Repeat("ß", 300) + ".jpg", "a/" + strings.Repeat("ß", 301) + ".jpg"})
	if long[0] == long[1] || len(long[0]) > 100 {
		t.Errorf("long names: %q", long)
	}
}

func TestJSONLFollowsTheContract(t *testing.T) {
	out := t.TempDir()
	photos := madeUp(t, out)
	path := filepath.Join(out, JSONLName)
	if err := WriteJSONL(path, record.List(photos)); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSuffix(string(data), "\n"), "\n")
	if len(lines) != len(photos) {
		t.Fatalf("%d lines for %d photos", len(lines), len(photos))
	}
	var first map[string]any
	if err := json.Unmarshal([]byte(lines[0]), &first); err != nil {
		t.Fatal(err)
	}
	// The names of the output contract.
	has := func(where string, v any, keys ...string) map[string]any {
		t.Helper()
		m, ok := v.(map[string]any)
		if !ok {
			t.Fatalf("%s is %T, not an object", where, v)
		}
		for _, k := range keys {
			if _, ok := m[k]; !ok {
				t.Errorf("%s lacks %q", where, k)
			}
		}
		return m
	}
	has("photo", first, "path", "sha256", "width_px", "height_px", "taken", "camera", "scale", "white", "verdict", "flags", "marbles", "made_by", "seconds")
	has("scale", first["scale"], "source", "mm_per_px", "reprojection_px", "tilt_deg", "camera_height_mm", "focal_px", "focal_source")
	has("white", first["white"], "source", "illuminant_xy", "cct_k", "residual_de00")
	has("verdict", first["verdict"], "size", "colour", "pattern")
	has("made_by", first["made_by"], "tawsight", "opencv", "features")
	marble := has("marble", first["marbles"].([]any)[0], "id", "outline", "touching", "cut_off", "diameter_mm", "diameter_u95_mm",
		"diameter_in", "size_class", "base", "ribbons", "busyness", "bubble", "features", "attribution", "flags")
	has("outline", marble["outline"], "cx_px", "cy_px", "semi_major_px", "semi_minor_px", "angle_deg")
	has("base", marble["base"], "lab", "name", "kind", "translucency", "tinted")
	has("ribbon", marble["ribbons"].([]any)[0], "lab", "name", "area_fraction", "width_mm", "opaque")
	has("bubble", marble["bubble"], "present", "diameter_mm")
	has("attribution", marble["attribution"], "label", "status", "probability", "runner_up", "runner_up_probability", "reasons")

	var second map[string]any
	if err := json.Unmarshal([]byte(lines[1]), &second); err != nil {
		t.Fatal(err)
	}
	if second["path"] != hostile {
		t.Errorf("path came back as %q", second["path"])
	}
	has("flag", second["flags"].([]any)[0], "code", "severity", "affects", "measured", "limit", "message", "advice")
	unsized := has("marble without size", second["marbles"].([]any)[0], "ribbons", "features", "flags")
	for _, k := range []string{"diameter_mm", "diameter_u95_mm", "diameter_in", "busyness", "base", "bubble"} {
		if _, ok := unsized[k]; ok {
			t.Errorf("%q is there although it was not measured", k)
		}
	}
	for _, k := range []string{"ribbons", "flags", "features"} {
		if unsized[k] == nil {
			t.Errorf("%q is null rather than empty", k)
		}
	}
}

func TestJSONLRefusesNaN(t *testing.T) {
	path := filepath.Join(t.TempDir(), JSONLName)
	err := WriteJSONL(path, record.List{{Path: "odd.jpg", Seconds: math.NaN()}})
	if err == nil || !strings.Contains(err.Error(), "odd.jpg") {
		t.Errorf("error %v does not name the photo", err)
	}
	if _, err := os.Stat(path); !os.IsNotExist(err) {
		t.Error("a half-written file is left")
	}
}

// readTable reads a CSV file back by name of column, and checks that its lines
// end as RFC 4180, section 2, has them.
func readTable(t *testing.T, path string) (header []string, rows []map[string]string) {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if n, crlf := bytes.Count(data, []byte("\n")), bytes.Count(data, []byte("\r\n")); n != crlf {
		t.Errorf("%d of %d lines end in CRLF", crlf, n)
	}
	r := csv.NewReader(bytes.NewReader(data)) // refuses rows of another length
	all, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, h := range all[0] {
		if seen[h] {
			t.Errorf("two columns are called %q", h)
		}
		seen[h] = true
	}
	for _, row := range all[1:] {
		m := map[string]string{}
		for i, h := range all[0] {
			m[h] = row[i]
		}
		rows = append(rows, m)
	}
	return all[0], rows
}

func TestMarblesCSV(t *testing.T) {
	out := t.TempDir()
	photos := madeUp(t, out)
	path := filepath.Join(out, MarblesName)
	if err := WriteMarblesCSV(path, record.List(photos), []string{"turns", "busyness"}); err != nil {
		t.Fatal(err)
	}
	header, rows := readTable(t, path)
	if len(rows) != 3 {
		t.Fatalf("%d rows, want 3", len(rows))
	}
	if last := header[len(header)-2:]; !slices.Equal(last, []string{"feature_turns", "feature_busyness"}) {
		t.Errorf("the features come out as %v", last)
	}
	for k, want := range map[string]string{
		"path": "attic/tray 1.jpg", "id": "1", "cx_px": "120", "angle_deg": "30", "touching": "false",
		"diameter_mm": "15.92", "diameter_u95_mm": "0.08", "diameter_in": "5/8", "size_class": "player",
		"base_l": "92", "base_b": "3", "base_kind": "opaque", "translucency": "0.04", "ribbons": "2",
		"ribbon1_name": "deep blue", "ribbon1_area_fraction": "0.25", "ribbon1_width_mm": "", // the larger one first
		"ribbon2_name": "vivid red", "ribbon2_width_mm": "0.9", "ribbon2_opaque": "true", "ribbon3_name": "",
		"busyness": "0.64", "bubble_present": "true", "bubble_diameter_mm": "2.1",
		"label": "Window jar", "status": "assigned", "probability": "0.86", "runner_up": "Cellar <box>",
		"reasons": "ribbon width speaks for Window jar; a white base", "crop": "crops/attic_tray_1-1.png",
		"feature_turns": "3.5", "feature_busyness": "0.64",
	} {
		if rows[0][k] != want {
			t.Errorf("%s is %q, want %q", k, rows[0][k], want)
		}
	}
	if rows[1]["feature_turns"] != "0" || rows[1]["feature_busyness"] != "" {
		t.Error("a feature of 0 and a feature not measured must differ")
	}
	if rows[1]["flags"] != "glare" {
		t.Errorf("flags are %q", rows[1]["flags"])
	}
	if rows[2]["path"] != hostile || rows[2]["diameter_mm"] != "" || rows[2]["base_l"] != "" || rows[2]["cut_off"] != "true" {
		t.Errorf("the unsized marble came back as %v", rows[2])
	}
}

func TestPhotosCSV(t *testing.T) {
	out := t.TempDir()
	photos := madeUp(t, out)
	path := filepath.Join(out, PhotosName)
	if err := WritePhotosCSV(path, record.List(photos)); err != nil {
		t.Fatal(err)
	}
	_, rows := readTable(t, path)
	if len(rows) != 3 {
		t.Fatalf("%d rows, want 3", len(rows))
	}
	for k, want := range map[string]string{
		"path": "attic/tray 1.jpg", "width_px": "640", "scale_source": "card", "mm_per_px": "0.15", "illuminant_y": "0.345",
		"verdict_pattern": "doubtful", "marbles": "2", "seconds": "0.41", "flags": "", "error": "",
	} {
		if rows[0][k] != want {
			t.Errorf("%s is %q, want %q", k, rows[0][k], want)
		}
	}
	if rows[1]["path"] != hostile || rows[1]["flags"] != "no-card" || rows[1]["mm_per_px"] != "" {
		t.Errorf("the second photo came back as %v", rows[1])
	}
	if rows[2]["error"] != "the file ends early: copy it again" || rows[2]["marbles"] != "" || rows[2]["width_px"] != "" {
		t.Errorf("the unread file came back as %v", rows[2])
	}
}

func TestEmptyRun(t *testing.T) {
	out := t.TempDir()
	for name, write := range map[string]func(string) error{
		JSONLName:   func(p string) error { return WriteJSONL(p, record.List(nil)) },
		PhotosName:  func(p string) error { return WritePhotosCSV(p, record.List(nil)) },
		MarblesName: func(p string) error { return WriteMarblesCSV(p, record.List(nil), nil) },
		HTMLName:    func(p string) error { return WriteHTML(filepath.Dir(p), record.List(nil)) },
	} {
		if err := write(filepath.Join(out, name)); err != nil {
			t.Error(err)
		}
		if _, err := os.Stat(filepath.Join(out, name)); err != nil {
			t.Error(err)
		}
	}
}

func TestHTML(t *testing.T) {
	out := t.TempDir()
	photos := madeUp(t, out)
	if err := WriteHTML(out, record.List(photos)); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(filepath.Join(out, HTMLName))
	if err != nil {
		t.Fatal(err)
	}
	if regexp.MustCompile(`(?i)https?:|//[a-z]|@import|url\(`).Match(regexp.MustCompile(`data:image/jpeg;base64,[^"]*`).ReplaceAll(data, nil)) {
		t.Error("the page refers to something outside itself")
	}
	if bytes.Contains(data, []byte("ZgotmplZ")) {
		t.Error("the template refused a value")
	}
	// Places where a long word may break are no part of the text.
	doc, err := html.Parse(bytes.NewReader(bytes.ReplaceAll(data, []byte("<wbr>"), nil)))
	if err != nil {
		t.Fatal(err)
	}
	ids := map[string]int{}
	var links []string
	var text strings.Builder
	pictures := 0
	var walk func(*html.Node)
	walk = func(n *html.Node) {
		if n.Type == html.TextNode && n.Parent.Data != "style" {
			text.WriteString(n.Data + " ")
		}
		if n.Type == html.ElementNode && (n.Data == "script" || n.Data == "iframe" || n.Data == "object") {
			t.Errorf("the page has a <%s>", n.Data)
		}
		attrs := map[string]string{}
		for _, a := range n.Attr {
			attrs[a.Key] = a.Val
			if strings.HasPrefix(a.Key, "on") {
				t.Errorf("<%s> has %s", n.Data, a.Key)
			}
		}
		if id := attrs["id"]; id != "" {
			ids[id]++
		}
		if n.Data == "a" {
			links = append(links, strings.TrimPrefix(attrs["href"], "#"))
		}
		if n.Data == "img" {
			pictures++
			if attrs["alt"] == "" {
				t.Error("a picture has no alternative text")
			}
			coded, ok := strings.CutPrefix(attrs["src"], "data:image/jpeg;base64,")
			raw, err := base64.StdEncoding.DecodeString(coded)
			if !ok || err != nil {
				t.Fatalf("a picture is no data URI: %.40q, %v", attrs["src"], err)
			}
			img, err := jpeg.Decode(bytes.NewReader(raw))
			if err != nil {
				t.Fatal(err)
			}
			if b := img.Bounds(); b.Dx() > 1400 {
				t.Errorf("a picture is %d pixels wide", b.Dx())
			}
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(doc)
	if want := 2 + 3 + 3; pictures != want {
		t.Errorf("%d pictures, want %d: an overlay a photo, a crop and a thumb a marble", pictures, want)
	}
	for id, n := range ids {
		if n > 1 {
			t.Errorf("%d elements have the id %q", n, id)
		}
	}
	for _, l := range links {
		if ids[l] == 0 {
			t.Errorf("a link leads to %q, which is not there", l)
		}
	}
	flat := strings.Join(strings.Fields(text.String()), " ")
	for _, want := range []string{
		"3 marbles in 2 photos", "1 file not read", "15.92", "± 0.08", "5/8 in", "player", "white base", "deep blue",
		"Like Window jar", "Between two sets", "Unlike any of your sets", "Cellar <box>", "86 %", "No size : No card <was> found.",
		"Lay the card beside the marbles.", hostile, "attic/half.jpg", "the file ends early: copy it again", "19 cases of 20",
		"Likeness is not proof", "small children",
	} {
		if !strings.Contains(flat, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

func TestHTMLWithoutPictures(t *testing.T) {
	out := t.TempDir()
	photos := madeUp(t, out)
	for _, d := range []string{CropsDir, OverlaysDir} {
		if err := os.RemoveAll(filepath.Join(out, d)); err != nil {
			t.Fatal(err)
		}
	}
	if err := WriteHTML(out, record.List(photos)); err != nil {
		t.Fatal(err)
	}
	data, _ := os.ReadFile(filepath.Join(out, HTMLName))
	if bytes.Contains(data, []byte("<img")) || !bytes.Contains(data, []byte("15.92")) {
		t.Error("the page should hold the figures and no picture")
	}
}

func TestOverlayDrawsWhereTheContractSays(t *testing.T) {
	for name, c := range map[string]struct{ side, imgSide, maxSide int }{
		"full size":           {800, 800, 0},
		"reduced":             {800, 800, 400},
		"reduced by default":  {3000, 3000, 0},
		"reduced already":     {3000, 1000, 0},
		"reduced already, by": {3000, 1500, 1000},
	} {
		t.Run(name, func(t *testing.T) {
			img := image.NewRGBA(image.Rect(0, 0, c.imgSide, c.imgSide*3/4))
			draw.Draw(img, img.Bounds(), image.NewUniform(ground), image.Point{}, draw.Src)
			before := slices.Clone(img.Pix)
			f := float64(c.side) / 800
			// An ellipse turned by 90 degrees: its major half-axis points along
			// image y.
			e := record.Outline{CxPX: 300 * f, CyPX: 250 * f, SemiMajorPX: 120 * f, SemiMinorPX: 80 * f, AngleDeg: 90}
			p := record.Photo{WidthPX: c.side, HeightPX: c.side * 3 / 4, Marbles: []record.Marble{{ID: "1", Outline: e}}}
			o := Overlay(img, p, Sight{MaxSidePX: c.maxSide})
			if !slices.Equal(img.Pix, before) {
				t.Error("the photo itself was drawn on")
			}
			scale := float64(o.Bounds().Dx()) / float64(c.side)
			// The line's middle along each half-axis: the centroid of what is
			// lighter than the ground there.
			for _, ray := range []struct{ dx, dy, want float64 }{{1, 0, e.SemiMinorPX}, {-1, 0, e.SemiMinorPX}, {0, -1, e.SemiMajorPX}} {
				var sum, moment float64
				for d := 0.7 * ray.want; d < 1.3*ray.want; d += 0.25 / scale {
					x := (e.CxPX+0.5+ray.dx*d)*scale - 0.5
					y := (e.CyPX+0.5+ray.dy*d)*scale - 0.5
					v := float64(o.RGBAAt(int(math.Round(x)), int(math.Round(y))).R) - float64(ground.R)
					if v > 0 {
						sum += v
						moment += v * d
					}
				}
				if got := moment / sum; !(math.Abs(got-ray.want)*scale < 0.6) {
					t.Errorf("along (%g, %g) the outline lies at %.2f px, want %.2f", ray.dx, ray.dy, got, ray.want)
				}
			}
			centre := o.RGBAAt(int((e.CxPX)*scale), int((e.CyPX)*scale))
			if centre != ground {
				t.Errorf("the marble's middle was drawn over: %v", centre)
			}
		})
	}
}

func TestOverlayShowsWhatWasSeen(t *testing.T) {
	img := image.NewRGBA(image.Rect(0, 0, 600, 400))
	draw.Draw(img, img.Bounds(), image.NewUniform(ground), image.Point{}, draw.Src)
	card := [4][2]float64{{100, 100}, {300, 100}, {300, 240}, {100, 240}}
	for name, c := range map[string]struct {
		s    Sight
		p    record.Photo
		x, y int
	}{
		"card":          {s: Sight{Card: &card}, x: 200, y: 100},
		"partial board": {s: Sight{Points: [][2]float64{{450, 300}}}, x: 450, y: 300},
		"cut off below": {p: record.Photo{Marbles: []record.Marble{{ID: "9", Outline: record.Outline{CxPX: 200, CyPX: 390, SemiMajorPX: 50, SemiMinorPX: 50}}}}, x: 200, y: 340},
		"past the edge": {p: record.Photo{Marbles: []record.Marble{{ID: "9", Outline: record.Outline{CxPX: 5, CyPX: 200, SemiMajorPX: 50, SemiMinorPX: 50}}}}, x: 55, y: 200},
	} {
		t.Run(name, func(t *testing.T) {
			o := Overlay(img, c.p, c.s)
			changed := false
			for dx := -2; dx <= 2; dx++ {
				for dy := -2; dy <= 2; dy++ {
					changed = changed || o.RGBAAt(c.x+dx, c.y+dy) != ground
				}
			}
			if !changed {
				t.Errorf("nothing is drawn at (%d, %d)", c.x, c.y)
			}
		})
	}
}

func TestOverlayOfOddPictures(t *testing.T) {
	for name, img := range map[string]image.Image{
		"one pixel": image.NewGray(image.Rect(0, 0, 1, 1)),
		"offset":    image.NewNRGBA(image.Rect(50, 60, 250, 160)),
		"strip":     image.NewGray16(image.Rect(0, 0, 3000, 2)),
	} {
		t.Run(name, func(t *testing.T) {
			p := record.Photo{
				Flags:   []record.Flag{{Code: "no-marbles", Severity: record.Fail}},
				Marbles: []record.Marble{{ID: "1", Outline: record.Outline{CxPX: 0, CyPX: 0, SemiMajorPX: 1, SemiMinorPX: 1}}, {ID: "2"}},
			}
			o := Overlay(img, p, Sight{})
			if o.Bounds().Min != (image.Point{}) || o.Bounds().Empty() {
				t.Errorf("overlay of %v", o.Bounds())
			}
		})
	}
}

// A marble cut by the photo's edge has a crop that is empty beyond it. On the
// page that once came out black, as though it were seen.
func TestCropsBeyondThePhotoAreBlank(t *testing.T) {
	img := image.NewNRGBA(image.Rect(0, 0, 80, 80))
	for y := range 80 {
		for x := range 40 {
			img.SetNRGBA(x, y, color.NRGBA{200, 30, 30, 255})
		}
	}
	path := filepath.Join(t.TempDir(), "crop.png")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(png.Encode(f, img), f.Close()); err != nil {
		t.Fatal(err)
	}
	src := string(pictureSource(path, 400, 90))
	coded, ok := strings.CutPrefix(strings.TrimSuffix(src, `"`), `src="data:image/jpeg;base64,`)
	if !ok {
		t.Fatalf("%.40s is no source of a picture", src)
	}
	data, err := base64.StdEncoding.DecodeString(coded)
	if err != nil {
		t.Fatal(err)
	}
	got, err := jpeg.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		x    int
		want color.RGBA
	}{{10, color.RGBA{200, 30, 30, 255}}, {70, blank}} {
		r, g, b, _ := got.At(c.x, 40).RGBA()
		for k, v := range [3]uint32{r >> 8, g >> 8, b >> 8} {
			// JPEG at quality 90 keeps flat patches to a few steps.
			if w := [3]uint8{c.want.R, c.want.G, c.want.B}[k]; math.Abs(float64(v)-float64(w)) > 8 {
				t.Errorf("at %d: channel %d is %d, want %d", c.x, k, v, w)
			}
		}
	}
}

func TestSentence(t *testing.T) {
	for in, want := range map[string]string{
		"":                        "",
		"the picture is soft":     "The picture is soft.",
		"The picture is soft.":    "The picture is soft.",
		"émail: is it one?":       "Émail: is it one?",
		" 12 % of it, in shadow ": "12 % of it, in shadow.",
		"<b>":                     "<b>.",
	} {
		if got := sentence(in); got != want {
			t.Errorf("%q becomes %q, want %q", in, got, want)
		}
	}
}

// Of a marble in many pieces the page shows the largest; the rest is summed up.
func TestManyRibbons(t *testing.T) {
	m := record.Marble{}
	for i := range 7 {
		m.Ribbons = append(m.Ribbons, record.Ribbon{Name: "red", AreaFraction: 0.01 * float64(i+1)})
	}
	v := marbleView{&m, photoView{}}
	rows := v.RibbonSwatches()
	if len(rows) != pageRibbons || rows[0].ShareOne != "7 %" || rows[3].ShareOne != "4 %" {
		t.Errorf("rows %+v", rows)
	}
	if got, want := v.MoreRibbons(), "and 3 smaller ones, 6 % in all"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	m.Ribbons = m.Ribbons[:pageRibbons]
	if got := v.MoreRibbons(); got != "" {
		t.Errorf("%q where all are shown", got)
	}
}

// Sizes in a photo that is poor for sizes don't make the range at the top.
func TestRangeOfSizes(t *testing.T) {
	photo := func(v record.Verdict, d ...float64) record.Photo {
		p := record.Photo{Verdict: record.Verdicts{Size: v}}
		for _, x := range d {
			p.Marbles = append(p.Marbles, record.Marble{DiameterMM: record.F(x)})
		}
		return p
	}
	for _, c := range []struct {
		photos []record.Photo
		want   string
	}{
		{[]record.Photo{photo(record.Good, 14, 19.5), photo(record.Doubtful, 7.2, 30)}, "14.0–19.5"},
		{[]record.Photo{photo(record.Doubtful, 7.2, 30)}, "7.2–30.0"},
		{[]record.Photo{photo(record.Good, 16)}, "16.0"},
	} {
		got := ""
		p, err := newPage("", record.List(c.photos))
		if err != nil {
			t.Fatal(err)
		}
		for _, tile := range p.Tiles {
			if tile.Label == "mm across" {
				got = tile.Figure
			}
		}
		if got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

// One fault can be flagged twice, for what it affects differently; on the photo
// its code stands once, in the colour of the worse.
func TestEachCodeOnce(t *testing.T) {
	got := eachCodeOnce([]record.Flag{{Code: "a", Severity: record.Warn}, {Code: "b", Severity: record.Fail}, {Code: "a", Severity: record.Fail}, {Code: "b", Severity: record.Warn}})
	if len(got) != 2 || got[0].Code != "a" || got[0].Severity != record.Fail || got[1].Code != "b" || got[1].Severity != record.Fail {
		t.Errorf("%+v", got)
	}
}

// A size that is missing is never missing without a word.
func TestWhyNoSize(t *testing.T) {
	card := record.Photo{Scale: record.Scale{Source: "card"}}
	for _, c := range []struct {
		photo record.Photo
		flags []record.Flag
		want  string
	}{
		{card, nil, "the outline could not be seen well enough"},
		{record.Photo{Scale: record.Scale{Source: "none"}}, nil, "the photo has no scale"},
		{card, []record.Flag{{Severity: record.Fail, Affects: []string{record.AboutSize}, Message: "it runs out of the picture"}}, "it runs out of the picture"},
	} {
		v := marbleView{&record.Marble{Flags: c.flags}, photoView{Photo: &c.photo}}
		if got := v.WhyNoSize(); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

func TestUnsureAndAbsentFiguresAreTold(t *testing.T) {
	out := t.TempDir()
	photos := madeUp(t, out)
	m := &photos[0].Marbles[0]
	m.Features = map[string]float64{"busyness": 0.64, "translucency": 0.9}
	m.FeaturesSure = map[string]float64{"busyness": 0.2, "translucency": 0.95}
	m.FeaturesAbsent = map[string]string{"pieces": `too <little> of the "face" is seen`}
	m.Sheet = "../why/a: b#1?.png"
	path := filepath.Join(out, MarblesName)
	if err := WriteMarblesCSV(path, record.List(photos), []string{"translucency", "busyness", "pieces"}); err != nil {
		t.Fatal(err)
	}
	_, rows := readTable(t, path)
	if rows[0]["features_unsure"] != "busyness" || rows[1]["features_unsure"] != "" {
		t.Errorf("unsure are %q and %q", rows[0]["features_unsure"], rows[1]["features_unsure"])
	}
	if err := WriteHTML(out, record.List(photos)); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(filepath.Join(out, HTMLName))
	if err != nil {
		t.Fatal(err)
	}
	root, err := html.Parse(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	var unsureRows, absentRows, sureRows []string
	links := 0
	var walk func(*html.Node)
	walk = func(n *html.Node) {
		attr := func(name string) string {
			for _, a := range n.Attr {
				if a.Key == name {
					return a.Val
				}
			}
			return ""
		}
		if n.Type == html.ElementNode && n.Data == "tr" && strings.Contains(textOf(n), ".") || n.Type == html.ElementNode && n.Data == "tr" && attr("class") != "" {
			switch attr("class") {
			case "unsure":
				unsureRows = append(unsureRows, textOf(n))
			case "absent":
				absentRows = append(absentRows, textOf(n)+"|"+attr("title"))
			default:
				sureRows = append(sureRows, textOf(n))
			}
		}
		if n.Type == html.ElementNode && n.Data == "a" && attr("href") == "../why/a:%20b%231%3F.png" {
			links++
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(root)
	if len(unsureRows) != 1 || !strings.Contains(unsureRows[0], "busyness") || !strings.Contains(strings.Join(strings.Fields(unsureRows[0]), " "), "0.20 unsure") {
		t.Errorf("unsure rows: %q", unsureRows)
	}
	if !slices.ContainsFunc(sureRows, func(s string) bool { return strings.Contains(s, "translucency") && strings.Contains(s, "0.95") }) {
		t.Errorf("rows: %q", sureRows)
	}
	why := `oo <little> of the "face" is seen`
	if !slices.ContainsFunc(absentRows, func(s string) bool { return strings.Count(s, why) == 2 }) {
		t.Errorf("the reason is not told as text and as a tooltip: %q", absentRows)
	}
	if links != 1 {
		t.Errorf("%d links to the sheet", links)
	}
}

// textOf is all text inside a node.
func textOf(n *html.Node) string {
	if n.Type == html.TextNode {
		return n.Data
	}
	var b strings.Builder
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		b.WriteString(textOf(c) + " ")
	}
	return b.String()
}
