package pipeline

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	_ "image/jpeg" // overlays
	"image/png"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"tawsight/features"
	"tawsight/internal/colour"
	"tawsight/internal/record"
	"tawsight/internal/worker"
	"tawsight/samples"
)

const sampleDir = "../../samples/photos"

// The photos of the runs below: a plain tray, one with the camera turned (EXIF
// orientation 6), one without a card, and a file cut short.
var runPhotos = map[string]string{ // name in the run's folder: sample
	"trays/tray-1.jpg":   "tray/tray-1.jpg",
	"trays/turned.jpg":   "tray/tray-4.jpg",
	"a first/nocard.JPG": "poor/no-card.jpg",
	"cut-short.jpg":      "tray/tray-2.jpg",
}

// finished is what two runs over the same photos left behind, the second with
// two processes of their own and its results in the same folder, which lies among the photos.
type finished struct {
	dir, out string
	sums     [2]Summary
	err      [2]error
	records  [2][]byte
	marbles  [2][]byte
	progress [2][]string
	photos   map[string]record.Photo // by name, of the second run
	maps     []map[string]any        // the lines of photos.jsonl as JSON
}

var (
	once   sync.Once
	shared finished
)

func TestMain(m *testing.M) {
	if worker.Is() {
		Sabotage = sabotage
		Isolate()
	}
	// What is kept of labelled photos stays out of the user's own cache.
	cache, err := os.MkdirTemp("", "pipeline-cache")
	if err == nil {
		err = os.Setenv("XDG_CACHE_HOME", cache)
	}
	if err != nil {
		panic(err)
	}
	status := m.Run()
	os.RemoveAll(cache)
	if shared.dir != "" {
		os.RemoveAll(shared.dir)
	}
	os.Exit(status)
}

func runs(t *testing.T) *finished {
	t.Helper()
	once.Do(func() {
		dir, err := os.MkdirTemp("", "pipeline")
		if err != nil {
			t.Fatal(err)
		}
		shared.dir, shared.out = dir, filepath.Join(dir, "results")
		for name, sample := range runPhotos {
			data, err := os.ReadFile(filepath.Join(sampleDir, sample))
			if err != nil {
				t.Fatal(err)
			}
			if name == "cut-short.jpg" {
				data = data[:len(data)/2]
			}
			put(t, filepath.Join(dir, name), data)
		}
		for i, workers := range []int{1, 2} {
			if i == 1 {
				withWorkers(t, worker.Limits{})
			}
			shared.sums[i], shared.err[i] = Run(context.Background(), Options{
				Photos: []string{dir}, OutDir: shared.out, Workers: workers, NoCache: true,
				Progress: func(done, total int, path string) {
					shared.progress[i] = append(shared.progress[i], fmt.Sprintf("%d/%d", done, total))
				},
			})
			shared.records[i], _ = os.ReadFile(filepath.Join(shared.out, "photos.jsonl"))
			shared.marbles[i], _ = os.ReadFile(filepath.Join(shared.out, "marbles.csv"))
		}
		shared.photos = map[string]record.Photo{}
		for line := range bytes.Lines(shared.records[1]) {
			var p record.Photo
			var m map[string]any
			if json.Unmarshal(line, &p) == nil && json.Unmarshal(line, &m) == nil {
				rel, _ := filepath.Rel(dir, p.Path)
				shared.photos[filepath.ToSlash(rel)] = p
				shared.maps = append(shared.maps, m)
			}
		}
	})
	for i, err := range shared.err {
		if err != nil {
			t.Fatalf("run %d: %v", i+1, err)
		}
	}
	if len(shared.maps) != len(runPhotos) {
		t.Fatalf("%d records of %d photos", len(shared.maps), len(runPhotos))
	}
	return &shared
}

func put(t *testing.T, path string, data []byte) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, data, 0o666); err != nil {
		t.Fatal(err)
	}
}

func TestSummary(t *testing.T) {
	r := runs(t)
	for i, s := range r.sums {
		marbles := 0
		for _, p := range r.photos {
			marbles += len(p.Marbles)
		}
		if s.Photos != len(runPhotos) || s.Failed != 1 || len(s.Failures) != 1 || s.Marbles != marbles {
			t.Errorf("run %d: %+v, %d marbles in the records", i+1, s, marbles)
		}
		if len(s.Failures) == 1 && (filepath.Base(s.Failures[0].Path) != "cut-short.jpg" || s.Failures[0].Reason == "") {
			t.Errorf("run %d: %+v", i+1, s.Failures)
		}
		if s.ReportPath != filepath.Join(r.out, "report.html") {
			t.Errorf("run %d: report at %s", i+1, s.ReportPath)
		}
		if want := []string{"1/4", "2/4", "3/4", "4/4"}; !slices.Equal(r.progress[i], want) {
			t.Errorf("run %d: progress %v, want %v", i+1, r.progress[i], want)
		}
	}
}

// Twice the same photos give the same figures to the byte, whatever the number
// of workers; only the time taken differs.
func TestRunsAreTheSame(t *testing.T) {
	r := runs(t)
	untimed := func(data []byte) (out []string) {
		for line := range bytes.Lines(data) {
			var m map[string]any
			if err := json.Unmarshal(line, &m); err != nil {
				t.Fatal(err)
			}
			delete(m, "seconds")
			text, _ := json.Marshal(m)
			out = append(out, string(text))
		}
		return out
	}
	one, two := untimed(r.records[0]), untimed(r.records[1])
	if len(one) != len(two) {
		t.Fatalf("%d and %d records", len(one), len(two))
	}
	for i := range one {
		if one[i] != two[i] {
			t.Errorf("record %d differs:\n%.600s\n%.600s", i+1, one[i], two[i])
		}
	}
	if !bytes.Equal(r.marbles[0], r.marbles[1]) {
		t.Error("marbles.csv differs")
	}
}

// keys are a JSON object's fields by the output contract: those that must be
// there, and those that may be.
type keys struct{ must, may []string }

func (k keys) check(t *testing.T, what string, v any) map[string]any {
	t.Helper()
	m, ok := v.(map[string]any)
	if !ok {
		t.Errorf("%s is %T", what, v)
		return nil
	}
	for _, n := range k.must {
		if _, there := m[n]; !there {
			t.Errorf("%s: %q is missing", what, n)
		}
	}
	for n, x := range m {
		if !slices.Contains(k.must, n) && !slices.Contains(k.may, n) {
			t.Errorf("%s: %q is not in the contract", what, n)
		}
		if x == nil {
			t.Errorf("%s: %q is null; what is not measured is absent", what, n)
		}
	}
	return m
}

func list(t *testing.T, what string, v any) []any {
	t.Helper()
	l, ok := v.([]any)
	if !ok {
		t.Errorf("%s is %T, want a list", what, v)
	}
	return l
}

func words(s string) []string { return strings.Fields(s) }

// TestContract checks every name of every record against the output contract.
func TestContract(t *testing.T) {
	r := runs(t)
	var (
		photo   = keys{words("path scale white verdict flags marbles made_by seconds"), words("sha256 width_px height_px taken camera error paired_with")}
		scale   = keys{words("source"), words("mm_per_px reprojection_px tilt_deg camera_height_mm focal_px focal_source")}
		white   = keys{words("source"), words("illuminant_xy cct_k residual_de00")}
		verdict = keys{words("size colour pattern"), nil}
		flag    = keys{words("code severity affects message advice"), words("measured limit")}
		marble  = keys{words("id outline touching cut_off ribbons features flags"),
			words("diameter_mm diameter_u95_mm diameter_in size_class diameter_budget base busyness bubble attribution crop verdict glow paired_id features_sure features_absent sheet")}
		outline = keys{words("cx_px cy_px semi_major_px semi_minor_px angle_deg"), nil}
		base    = keys{words("lab name kind translucency tinted"), words("group look")}
		ribbon  = keys{words("lab name area_fraction"), words("group width_mm opaque")}
		madeBy  = keys{words("tawsight opencv features"), nil}
	)
	photoCodes := words(`out-of-focus camera-shake under-exposed over-exposed colour-cast mixed-light uneven-light noisy
		heavy-compression no-card card-hidden card-bent card-too-small too-oblique too-few-pixels busy-background no-marbles ultraviolet`)
	marbleCodes := words("cut-off touching glare in-shadow faint-outline off-plane")
	one := func(what string, v any, of string) {
		t.Helper()
		if !slices.Contains(words(of), fmt.Sprint(v)) {
			t.Errorf("%s is %v, want one of %s", what, v, of)
		}
	}
	flags := func(what string, v any, codes []string) {
		for _, f := range list(t, what, v) {
			m := flag.check(t, what, f)
			one(what+" code", m["code"], strings.Join(codes, " "))
			one(what+" severity", m["severity"], "warn fail")
			for _, a := range list(t, what, m["affects"]) {
				one(what+" affects", a, "size colour pattern")
			}
			if m["message"] == "" || m["advice"] == "" {
				t.Errorf("%s: %v without a message or advice", what, m["code"])
			}
		}
	}
	previous := ""
	for _, m := range r.maps {
		path := fmt.Sprint(m["path"])
		if path <= previous {
			t.Errorf("%s comes after %s", path, previous)
		}
		previous = path
		photo.check(t, path, m)
		one(path+" scale source", scale.check(t, path+" scale", m["scale"])["source"], "card id1 sheet scan none")
		if s, ok := m["scale"].(map[string]any)["focal_source"]; ok {
			one(path+" focal source", s, "exif solved assumed")
		}
		one(path+" white source", white.check(t, path+" white", m["white"])["source"], "card background none")
		for k, v := range verdict.check(t, path+" verdict", m["verdict"]) {
			one(path+" verdict "+k, v, "good doubtful unusable")
		}
		by := madeBy.check(t, path+" made_by", m["made_by"])
		if by["tawsight"] == "" || by["opencv"] == "" || by["features"] != float64(features.Version) {
			t.Errorf("%s: made by %v", path, by)
		}
		flags(path+" flags", m["flags"], photoCodes)
		for i, v := range list(t, path+" marbles", m["marbles"]) {
			what := fmt.Sprintf("%s marble %d", path, i+1)
			q := marble.check(t, what, v)
			if q["id"] != strconv.Itoa(i+1) {
				t.Errorf("%s has id %v", what, q["id"])
			}
			outline.check(t, what+" outline", q["outline"])
			flags(what+" flags", q["flags"], marbleCodes)
			_, sized := q["diameter_mm"]
			for _, n := range words("diameter_u95_mm diameter_in size_class") {
				if _, there := q[n]; there != sized {
					t.Errorf("%s: diameter_mm %v, %s %v", what, sized, n, there)
				}
			}
			if b, there := q["base"]; there {
				one(what+" base kind", base.check(t, what+" base", b)["kind"], "transparent cloudy opaque")
			}
			total := 0.0
			for _, b := range list(t, what+" ribbons", q["ribbons"]) {
				total += ribbon.check(t, what+" ribbon", b)["area_fraction"].(float64)
			}
			if total > 1 {
				t.Errorf("%s: ribbons cover %g of it", what, total)
			}
			for n := range q["features"].(map[string]any) {
				if !slices.Contains(featureNames(), n) {
					t.Errorf("%s: feature %q is not in the registry", what, n)
				}
			}
		}
	}
}

// Every figure lies where it can lie at all.
func TestFiguresAreInRange(t *testing.T) {
	r := runs(t)
	within := func(what string, v, lo, hi float64) {
		t.Helper()
		if !(v >= lo && v <= hi) {
			t.Errorf("%s is %g, outside %g to %g", what, v, lo, hi)
		}
	}
	optional := func(what string, v *float64, lo, hi float64) {
		t.Helper()
		if v != nil {
			within(what, *v, lo, hi)
		}
	}
	lab := func(what string, v [3]float64) {
		t.Helper()
		within(what+" L*", v[0], 0, 100)
		within(what+" a*", v[1], -130, 130)
		within(what+" b*", v[2], -130, 130)
	}
	registry := map[string]features.Feature{}
	for _, f := range features.All() {
		registry[f.Name] = f
	}
	for name, p := range r.photos {
		optional(name+" scale", p.Scale.MMPerPX, 0.005, 2)
		optional(name+" reprojection", p.Scale.ReprojectionPX, 0, 3)
		optional(name+" tilt", p.Scale.TiltDeg, 0, 80)
		optional(name+" colour temperature", p.White.CCTK, 1500, 30000)
		within(name+" seconds", p.Seconds, 0, 120)
		for _, m := range p.Marbles {
			what := name + " marble " + m.ID
			within(what+" x", m.Outline.CxPX, -0.5, float64(p.WidthPX)-0.5)
			within(what+" y", m.Outline.CyPX, -0.5, float64(p.HeightPX)-0.5)
			within(what+" minor against major", m.Outline.SemiMinorPX/m.Outline.SemiMajorPX, 0.5, 1)
			// What Find looks for at all: 8 to 55 mm by the flat scale.
			optional(what+" diameter", m.DiameterMM, 7, 60)
			optional(what+" U95", m.DiameterU95MM, 0.01, 3)
			optional(what+" busyness", m.Busyness, 0, 1)
			if m.Base != nil {
				lab(what+" base", m.Base.Lab)
				within(what+" translucency", m.Base.Translucency, 0, 1)
			}
			for _, q := range m.Ribbons {
				lab(what+" ribbon", q.Lab)
				within(what+" area", q.AreaFraction, 0, 1)
				if m.DiameterMM != nil {
					optional(what+" ribbon width", q.WidthMM, 0, *m.DiameterMM)
				} else if q.WidthMM != nil {
					t.Errorf("%s: a width in mm without a scale", what)
				}
			}
			for n, v := range m.Features {
				within(what+" "+n, v, registry[n].Low, registry[n].High)
			}
		}
	}
}

// Marbles come row by row: each lies to the right of the one before, or lower.
func TestMarblesInReadingOrder(t *testing.T) {
	for name, p := range runs(t).photos {
		for i := 1; i < len(p.Marbles); i++ {
			a, b := p.Marbles[i-1].Outline, p.Marbles[i].Outline
			if b.CxPX <= a.CxPX && b.CyPX <= a.CyPX {
				t.Errorf("%s: marble %d lies left of and above marble %d", name, i+1, i)
			}
		}
	}
}

// The folder holds what the contract names and nothing else: one crop a marble,
// one overlay a photo that was read, and no temporary file.
func TestFilesLeftBehind(t *testing.T) {
	r := runs(t)
	want := map[string]bool{}
	for _, n := range words("photos.jsonl marbles.csv photos.csv report.html") {
		want[n] = true
	}
	overlays := 0
	for name, p := range r.photos {
		for _, m := range p.Marbles {
			if m.Crop == "" || want[m.Crop] {
				t.Errorf("%s marble %s: crop %q", name, m.ID, m.Crop)
			}
			want[m.Crop] = true
			f, err := os.Open(filepath.Join(r.out, m.Crop))
			if err != nil {
				t.Error(err)
				continue
			}
			c, err := png.DecodeConfig(f)
			f.Close()
			if err != nil || c.Width != c.Height {
				t.Errorf("%s: %v, %d x %d", m.Crop, err, c.Width, c.Height)
			}
			if m.DiameterMM != nil {
				// One scale for all: 0.1 mm a pixel, 1.4 diameters wide.
				if w := *m.DiameterMM / cropMMPerPX * cropRoom; math.Abs(float64(c.Width)-w) > 1 {
					t.Errorf("%s: %d px for a marble of %g mm, want %.0f", m.Crop, c.Width, *m.DiameterMM, w)
				}
			}
		}
	}
	err := filepath.WalkDir(r.out, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, _ := filepath.Rel(r.out, path)
		rel = filepath.ToSlash(rel)
		if strings.HasPrefix(rel, "overlays/") {
			overlays++
			f, err := os.Open(path)
			if err != nil {
				return err
			}
			defer f.Close()
			if _, kind, err := image.DecodeConfig(f); err != nil || kind != "jpeg" {
				t.Errorf("%s: %q, %v", rel, kind, err)
			}
			return nil
		}
		if !want[rel] {
			t.Errorf("%s is not in the contract", rel)
		}
		delete(want, rel)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for rel := range want {
		t.Errorf("%s is missing", rel)
	}
	if overlays != len(runPhotos)-1 {
		t.Errorf("%d overlays of %d photos that were read", overlays, len(runPhotos)-1)
	}
	for name, sample := range runPhotos {
		data, err := os.ReadFile(filepath.Join(r.dir, name))
		before, _ := os.ReadFile(filepath.Join(sampleDir, sample))
		if err != nil || !bytes.HasPrefix(before, data) || len(data) < len(before)/2 {
			t.Errorf("%s was changed", name)
		}
	}
}

// Tables are RFC 4180 with one header, one row a marble and one a photo, and the
// marbles' diameters are those of the records.
func TestTables(t *testing.T) {
	r := runs(t)
	rows, err := csv.NewReader(bytes.NewReader(r.marbles[1])).ReadAll() // refuses ragged rows
	if err != nil {
		t.Fatal(err)
	}
	header := rows[0]
	for _, f := range featureNames() {
		if !slices.Contains(header, "feature_"+f) {
			t.Errorf("no column feature_%s", f)
		}
	}
	at := func(row []string, name string) string {
		i := slices.Index(header, name)
		if i < 0 {
			t.Fatalf("no column %s in %v", name, header)
		}
		return row[i]
	}
	k := 1
	for _, m := range r.maps {
		for _, v := range m["marbles"].([]any) {
			q := v.(map[string]any)
			want := ""
			if d, ok := q["diameter_mm"]; ok {
				want = strconv.FormatFloat(d.(float64), 'f', -1, 64)
			}
			got := at(rows[k], "diameter_mm")
			a, _ := strconv.ParseFloat(got, 64)
			b, _ := strconv.ParseFloat(want, 64)
			if (got == "") != (want == "") || a != b {
				t.Errorf("row %d: diameter_mm %q, in the record %q", k, got, want)
			}
			k++
		}
	}
	if k != len(rows) {
		t.Errorf("%d rows for %d marbles", len(rows)-1, k-1)
	}
	for _, name := range []string{"marbles.csv", "photos.csv", "photos.jsonl"} {
		data, err := os.ReadFile(filepath.Join(r.out, name))
		if err != nil {
			t.Fatal(err)
		}
		for _, bad := range []string{"NaN", "Inf", "null"} {
			if bytes.Contains(data, []byte(bad)) {
				t.Errorf("%s holds %q", name, bad)
			}
		}
	}
}

// Without a card there are colours but no millimetres, and the flag says why.
func TestWithoutACard(t *testing.T) {
	p := runs(t).photos["a first/nocard.JPG"]
	if p.Scale.Source != "none" || p.Scale.MMPerPX != nil || p.White.Source != "background" || p.Verdict.Size != record.Unusable {
		t.Errorf("scale %+v, white %+v, verdict %+v", p.Scale, p.White, p.Verdict)
	}
	if !slices.ContainsFunc(p.Flags, func(f record.Flag) bool {
		return f.Code == "no-card" && f.Severity == record.Fail && slices.Contains(f.Affects, record.AboutSize)
	}) {
		t.Errorf("flags %+v", p.Flags)
	}
	if len(p.Marbles) == 0 {
		t.Fatal("no marbles")
	}
	for _, m := range p.Marbles {
		if m.DiameterMM != nil || m.DiameterIn != "" || m.SizeClass != "" {
			t.Errorf("marble %s has a size", m.ID)
		}
		for n := range m.Features {
			if strings.HasSuffix(n, "_mm") {
				t.Errorf("marble %s has %s", m.ID, n)
			}
		}
		if m.Base == nil || m.Busyness == nil {
			t.Errorf("marble %s has no colours", m.ID)
		}
	}
}

func truthOf(t *testing.T, sample string) *samples.Truth {
	t.Helper()
	file, err := samples.TruthPath(filepath.Join(sampleDir, sample))
	if err != nil {
		t.Fatal(err)
	}
	truth, err := samples.LoadTruth(file)
	if err != nil {
		t.Fatal(err)
	}
	return truth
}

// Rendered photos whose truth is known exactly: every marble is found and
// nothing else, outlines lie where they are in the upright picture, diameters
// are within what they claim, base kinds and colours are right.
func TestAgainstRenderedTruth(t *testing.T) {
	r := runs(t)
	var kinds, kindsRight int
	var errorsMM, baseDE []float64
	for _, name := range []string{"trays/tray-1.jpg", "trays/turned.jpg"} {
		truth, p := truthOf(t, runPhotos[name]), r.photos[name]
		if p.WidthPX != truth.Image.Width || p.HeightPX != truth.Image.Height {
			t.Fatalf("%s is %d x %d, upright it is %d x %d", name, p.WidthPX, p.HeightPX, truth.Image.Width, truth.Image.Height)
		}
		used := make([]bool, len(p.Marbles))
		for _, m := range truth.Marbles {
			if m.CutOff {
				continue
			}
			at := -1
			for i, f := range p.Marbles {
				if math.Hypot(f.Outline.CxPX-m.Ellipse.CX, f.Outline.CyPX-m.Ellipse.CY) < 0.3*m.Ellipse.SemiMinor {
					at = i
				}
			}
			if at < 0 || used[at] {
				t.Errorf("%s: marble %d not found", name, m.ID)
				continue
			}
			used[at] = true
			f := p.Marbles[at]
			what := fmt.Sprintf("%s marble %d (%s)", name, m.ID, m.Kind)
			// Outlines of rendered photos lie within 2 % of the radius of the
			// true ones (1 px of 50, the seen edge of glass being no sharper);
			// a wrong turn of the picture would be off by hundreds of pixels.
			if d := math.Hypot(f.Outline.CxPX-m.Ellipse.CX, f.Outline.CyPX-m.Ellipse.CY); d > 0.03*m.Ellipse.SemiMajor {
				t.Errorf("%s: middle %.2f px off, radius %.0f px", what, d, m.Ellipse.SemiMajor)
			}
			if a, b := f.Outline.SemiMajorPX/m.Ellipse.SemiMajor, f.Outline.SemiMinorPX/m.Ellipse.SemiMinor; math.Abs(a-1) > 0.03 || math.Abs(b-1) > 0.03 {
				t.Errorf("%s: semi-axes %.4f and %.4f of the true ones", what, a, b)
			}
			if f.DiameterMM == nil {
				t.Errorf("%s: no diameter", what)
				continue
			}
			// U95 is to hold 95 of 100 errors. Half as much again holds 997 of
			// 1000 of a normal law's: what lies outside is a fault, not chance.
			e := *f.DiameterMM - m.DiameterMM
			errorsMM = append(errorsMM, e)
			if math.Abs(e) > 1.5*(*f.DiameterU95MM) {
				t.Errorf("%s: %.2f mm, truly %.2f, said to be within %.2f", what, *f.DiameterMM, m.DiameterMM, *f.DiameterU95MM)
			}
			if f.Base != nil {
				kinds++
				if f.Base.Kind == m.Base.Transparency {
					kindsRight++
				} else {
					t.Logf("%s: base %s, truly %s", what, f.Base.Kind, m.Base.Transparency)
				}
				if b := m.Seen.Base; b != nil {
					baseDE = append(baseDE, colour.DeltaE00(f.Base.Lab, *b))
				}
			}
		}
		for i := range used {
			if f := p.Marbles[i]; !used[i] && !f.CutOff {
				t.Errorf("%s: marble %s at %.0f, %.0f is none", name, f.ID, f.Outline.CxPX, f.Outline.CyPX)
			}
		}
	}
	if len(errorsMM) < 15 {
		t.Fatalf("only %d diameters", len(errorsMM))
	}
	bias := 0.0
	abs := make([]float64, len(errorsMM))
	for i, e := range errorsMM {
		bias += e / float64(len(errorsMM))
		abs[i] = math.Abs(e)
	}
	slices.Sort(abs)
	slices.Sort(baseDE)
	t.Logf("%d marbles: bias %+.3f mm, median error %.3f mm, largest %.3f mm; base kind %d of %d, median dE00 %.1f",
		len(abs), bias, abs[len(abs)/2], abs[len(abs)-1], kindsRight, kinds, baseDE[len(baseDE)/2])
	// Over all samples the bias is to be within 0.04 mm; the mean of these few
	// scatters by 0.025 mm about that (0.1 mm over the root of 17). The flat
	// rule (outline times mm a pixel) would read 0.3 to 0.8 mm too large.
	if math.Abs(bias) > 0.04+1.65*0.025 {
		t.Errorf("bias %+.3f mm", bias)
	}
	// The trade sorts by 1/64 inch, 0.4 mm: half of the marbles well inside
	// a third of that.
	if m := abs[len(abs)/2]; m > 0.4/3 {
		t.Errorf("median error %.3f mm", m)
	}
	if float64(kindsRight) < 0.9*float64(kinds) {
		t.Errorf("base kind right %d times of %d, wanted 9 of 10", kindsRight, kinds)
	}
	if m := baseDE[len(baseDE)/2]; m > 6 {
		t.Errorf("median difference of base colours %.1f CIEDE2000, wanted 6", m)
	}
}

// The print scale acts as it should: a card printed 1 % small makes true sizes
// 1 % smaller than they would be by the design.
func TestCheckBarScalesDiameters(t *testing.T) {
	path := filepath.Join(sampleDir, "tray/tray-1.jpg")
	p := Inspect(path, 79.2).Photo
	base := runs(t).photos["trays/tray-1.jpg"]
	if len(p.Marbles) != len(base.Marbles) || len(p.Marbles) == 0 {
		t.Fatalf("%d marbles, %d by the design", len(p.Marbles), len(base.Marbles))
	}
	var ratios []float64
	for i, m := range p.Marbles {
		if m.DiameterMM == nil || base.Marbles[i].DiameterMM == nil {
			continue
		}
		// The card's outline moves a little too, and with it what paper is seen
		// around the marble, what its glass is taken for, and where its rim is:
		// far within what the size is known to.
		want := 0.99 * *base.Marbles[i].DiameterMM
		if math.Abs(*m.DiameterMM-want) > 0.1**m.DiameterU95MM+0.001*want {
			t.Errorf("marble %s: %.3f mm, want %.3f", m.ID, *m.DiameterMM, want)
		}
		ratios = append(ratios, *m.DiameterMM / *base.Marbles[i].DiameterMM)
	}
	slices.Sort(ratios)
	if k := ratios[len(ratios)/2]; math.Abs(k-0.99) > 0.0005 {
		t.Errorf("%.4f times the size in the middle, want 0.99", k)
	}
	if bad := Inspect(path, 8); bad.Photo.Error == "" {
		t.Error("a check bar of 8 mm was taken")
	}
}

// A run that is stopped says so, soon, and leaves no table that would look like
// the whole, and no half-written file.
func TestCancelled(t *testing.T) {
	dir := t.TempDir()
	data, err := os.ReadFile(filepath.Join(sampleDir, "poor/heavy-compression.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	for i := range 4 {
		put(t, filepath.Join(dir, fmt.Sprintf("%d.jpg", i)), data[:len(data)/2+i]) // fail quickly
	}
	out := filepath.Join(t.TempDir(), "out")
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	calls := 0
	_, err = Run(ctx, Options{Photos: []string{dir}, OutDir: out, Workers: 1, Progress: func(done, total int, path string) {
		calls++
		cancel()
	}})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("error %v", err)
	}
	// The one in hand and at most the one already handed over.
	if calls == 0 || calls > 2 {
		t.Errorf("%d photos were measured after the run was stopped", calls)
	}
	filepath.WalkDir(out, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && !strings.HasPrefix(path, filepath.Join(out, "crops")) && !strings.HasPrefix(path, filepath.Join(out, "overlays")) {
			t.Errorf("%s was left", path)
		}
		return nil
	})
}

func TestOutFolderThatCannotBe(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "a.jpg")
	put(t, file, []byte("kept"))
	called := false
	_, err := Run(context.Background(), Options{Photos: []string{file}, OutDir: file, Progress: func(int, int, string) { called = true }})
	if err == nil || !strings.Contains(err.Error(), file) {
		t.Errorf("error %v does not name %s", err, file)
	}
	if called {
		t.Error("photos were measured before the folder was tried")
	}
	if got, _ := os.ReadFile(file); string(got) != "kept" {
		t.Error("the file was overwritten")
	}
}

func TestListPhotos(t *testing.T) {
	dir := t.TempDir()
	for _, n := range []string{"b.jpg", "a.PNG", "sub/c.jpeg", "sub/deep/d.jpg", "notes.txt", ".hidden.jpg", "results/overlays/b.jpg", "results2/e.jpg"} {
		put(t, filepath.Join(dir, n), nil)
	}
	got, err := listPhotos([]string{dir, filepath.Join(dir, "b.jpg"), filepath.Join(dir, "sub")}, filepath.Join(dir, "results"))
	if err != nil {
		t.Fatal(err)
	}
	var rel []string
	for _, p := range got {
		r, _ := filepath.Rel(dir, p)
		rel = append(rel, filepath.ToSlash(r))
	}
	if want := words("a.PNG b.jpg results2/e.jpg sub/c.jpeg sub/deep/d.jpg"); !slices.Equal(rel, want) {
		t.Errorf("%v, want %v", rel, want)
	}
	if _, err := listPhotos([]string{filepath.Join(dir, "results", "overlays"), t.TempDir()}, ""); err != nil {
		t.Errorf("one folder with a photo and one without: %v", err)
	}
	empty := t.TempDir()
	if _, err := listPhotos([]string{empty}, ""); !errors.Is(err, ErrNoPhotos) || !strings.Contains(err.Error(), empty) {
		t.Errorf("error %v for an empty folder", err)
	}
}
