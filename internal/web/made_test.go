package web_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"tawsight/internal/collection"
	"tawsight/internal/colour"
	"tawsight/internal/desk"
	"tawsight/internal/likeness"
	"tawsight/internal/opinions"
	"tawsight/internal/pipeline"
	"tawsight/internal/record"
	"tawsight/internal/refset"
	"tawsight/internal/web"
)

// The made collection: three sets on trays of their own, "amber twist" and
// "honey twist" near to one another and "milk swirl" far from both, and a tray
// of marbles nobody has labelled. Names and figures are invented.
const (
	amber = "amber twist"
	honey = "honey twist"
	milk  = "milk swirl"
	// perSet marbles of each set are labelled for certain.
	perSet = 14
)

var madeHexes = map[string][2]string{ // base and ribbon
	amber: {"#8a5a1c", "#f2efe6"}, honey: {"#a06a24", "#f2efe6"}, milk: {"#e9e6df", "#a83529"},
}

// madeCentre is where a set lies in the first features of the registry, in
// spreads; the last two features are those in which amber and honey differ.
func madeCentre(set string) []float64 {
	switch set {
	case amber:
		return []float64{0, 0, 0, 0}
	case honey:
		return []float64{0, 0, 3.4, 2.4}
	}
	return []float64{14, -12, 6, -9}
}

// madeFile makes the collection once and gives its bytes, for each test to have
// a copy of its own.
var madeFile = sync.OnceValues(func() ([]byte, error) {
	dir, err := os.MkdirTemp("", "tawsight-made")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "made"+collection.Ext)
	ctx := context.Background()
	c, err := collection.Create(ctx, path)
	if err != nil {
		return nil, err
	}
	if err := fillMade(ctx, c); err != nil {
		return nil, err
	}
	if err := c.Close(); err != nil { // the log goes into the file itself
		return nil, err
	}
	return os.ReadFile(path)
})

func fillMade(ctx context.Context, c *collection.Collection) error {
	draw := rand.New(rand.NewPCG(5, 8))
	for _, set := range []string{amber, honey, milk} {
		for k := range 2 { // two photos a set
			m := madeTray(fmt.Sprintf("%s %d", set, k+1), k == 1)
			for range perSet / 2 {
				if err := addMade(&m, madeHexes[set], madeCentre(set), 1, 15+3*draw.Float64(), draw); err != nil {
					return err
				}
			}
			m.Contributor, m.Permission = "Robin Example", refset.MayShare
			a, err := c.Add(ctx, m)
			if err != nil {
				return err
			}
			if _, err := c.Decide(ctx, "Robin", collection.Decision{SetName: set, Sure: collection.Certain}, a.Specimens...); err != nil {
				return err
			}
		}
	}
	m := madeTray("tin", false)
	for _, u := range []struct {
		hexes [2]string
		at    []float64
		mm    float64
	}{
		{madeHexes[amber], []float64{0, 0, 1.7, 1.2}, 16}, {madeHexes[amber], []float64{0, 0, 1.5, 1.4}, 17}, {madeHexes[honey], []float64{0, 0, 1.9, 1}, 15.5}, // between two
		{madeHexes[amber], []float64{0, 0, -0.5, 0}, 16.2}, {madeHexes[milk], madeCentre(milk), 19}, // like one
		{[2]string{"#1f4e9a", "#ffffff"}, []float64{-40, 50, -45, 60}, 25.4}, // like none
	} {
		if err := addMade(&m, u.hexes, u.at, 0.1, u.mm, draw); err != nil {
			return err
		}
	}
	if _, err := c.Add(ctx, m); err != nil {
		return err
	}
	m = madeTray("no card", false)
	m.Photo.Scale, m.Photo.White = record.Scale{Source: "none"}, record.White{Source: "none"}
	m.Photo.Verdict.Size, m.Photo.Verdict.Colour = record.Unusable, record.Doubtful
	m.Photo.Flags = []record.Flag{{Code: "no-white", Severity: record.Warn, Affects: []string{record.AboutColour}, Message: "nothing white is in the photo", Advice: "lay the card beside the marbles"}}
	if err := addMade(&m, madeHexes[amber], madeCentre(amber), 1, 16, draw); err != nil {
		return err
	}
	m.Photo.Marbles[0].DiameterMM, m.Faces[0].MMPerPX = nil, 0
	if _, err := c.Add(ctx, m); err != nil {
		return err
	}
	_, err := opinions.New(c).Update(ctx, "Robin")
	return err
}

func madeTray(name string, noDate bool) collection.Measured {
	sum := sha256.Sum256([]byte(name))
	m := collection.Measured{Name: name + ".jpg", Bytes: 1000, Way: collection.Way{MadeBy: pipeline.MadeBy()}, Photo: record.Photo{
		Path: "/made/" + name + ".jpg", SHA256: hex.EncodeToString(sum[:]), WidthPX: 4000, HeightPX: 3000, Taken: "2026-05-02T10:11:12",
		Scale:   record.Scale{Source: "card", MMPerPX: record.F(0.05)},
		White:   record.White{Source: "card", CCTK: record.F(6500)},
		Verdict: record.Verdicts{Size: record.Good, Colour: record.Good, Pattern: record.Good}, MadeBy: pipeline.MadeBy(),
	}}
	if noDate {
		m.Photo.Taken = ""
	}
	return m
}

func labOfHex(hexed string) [3]float64 {
	b, err := hex.DecodeString(hexed[1:])
	if err != nil {
		panic(err)
	}
	return colour.SRGB8ToLab([3]uint8{b[0], b[1], b[2]})
}

// addMade puts a marble into a photo: its features lie around a point, its face
// is drawn.
func addMade(m *collection.Measured, hexes [2]string, at []float64, spread, mm float64, draw *rand.Rand) error {
	values, sure := map[string]float64{}, map[string]float64{}
	for i, f := range likeness.FeatureInfos() {
		v := spread * draw.NormFloat64()
		if i < len(at) {
			v += at[i]
		}
		values[f.Name], sure[f.Name] = 20+0.2*v, 1
		if i > 11 {
			break
		}
	}
	base, ribbon := labOfHex(hexes[0]), labOfHex(hexes[1])
	const side = 120
	picture := image.NewNRGBA(image.Rect(0, 0, side, side))
	of := func(lab [3]float64) color.NRGBA {
		rgb := colour.LabToSRGB8(lab)
		return color.NRGBA{rgb[0], rgb[1], rgb[2], 255}
	}
	tilt := draw.Float64() * math.Pi
	for y := range side {
		for x := range side {
			dx, dy := float64(x)-side/2, float64(y)-side/2
			ink := color.NRGBA{200, 196, 190, 255}
			if math.Hypot(dx, dy) < side/2.4 {
				ink = of(base)
				if math.Abs(dx*math.Cos(tilt)+dy*math.Sin(tilt)+8*math.Sin(dy/9)) < 7 {
					ink = of(ribbon)
				}
			}
			picture.SetNRGBA(x, y, ink)
		}
	}
	var face bytes.Buffer
	if err := jpeg.Encode(&face, picture, nil); err != nil {
		return err
	}
	n := len(m.Photo.Marbles)
	m.Photo.Marbles = append(m.Photo.Marbles, record.Marble{
		ID: fmt.Sprint(n + 1), Outline: record.Outline{CxPX: 300 + 400*float64(n%8), CyPX: 300 + 400*float64(n/8), SemiMajorPX: 160, SemiMinorPX: 160},
		DiameterMM: record.F(mm), DiameterU95MM: record.F(0.2), SizeClass: "player",
		Base:     &record.Base{Lab: base, Name: colour.Name(base), Kind: "transparent", Look: "tinted", Translucency: 0.6},
		Ribbons:  []record.Ribbon{{Lab: ribbon, Name: colour.Name(ribbon), AreaFraction: 0.2}},
		Features: values, FeaturesSure: sure, Busyness: record.F(0.3), Bubble: &record.Bubble{},
	})
	m.Faces = append(m.Faces, collection.Face{JPEG: face.Bytes(), SidePX: side, MMPerPX: mm / (side / 1.2), DiameterPX: side / 1.2})
	return nil
}

// serveMade serves a copy of the made collection until the test ends.
func serveMade(t *testing.T) (c *collection.Collection, base string) {
	t.Helper()
	file, err := madeFile()
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "made"+collection.Ext)
	if err := os.WriteFile(path, file, 0o644); err != nil {
		t.Fatal(err)
	}
	d, err := desk.Open(context.Background(), path, desk.Options{Workers: 1})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	})
	_, base = serve(t, web.Config{Desk: d})
	return d.At().Collection, base
}

// one is the only specimen that fits, whole.
func one(t *testing.T, c *collection.Collection, id string) collection.Specimen {
	t.Helper()
	s, err := c.Specimen(context.Background(), id)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func find(t *testing.T, c *collection.Collection, f collection.Filter) []collection.Row {
	t.Helper()
	rows, _, err := c.Find(context.Background(), f)
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func setNamed(t *testing.T, c *collection.Collection, name string) collection.Set {
	t.Helper()
	sets, err := c.Sets(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range sets {
		if s.Name == name {
			return s
		}
	}
	t.Fatalf("there is no set %s", name)
	return collection.Set{}
}

// The made collection has what the tests of pages need.
func TestMadeCollection(t *testing.T) {
	c, _ := serveMade(t)
	counts, err := c.Counts(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if counts.States[collection.Labelled] != 3*perSet || counts.States[collection.Doubtful] < 2 || counts.States[collection.Suggested] < 1 || counts.States[collection.UnlikeAny] < 1 {
		t.Errorf("the marbles stand as %v", counts.States)
	}
}
