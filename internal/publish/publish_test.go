package publish

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"tawsight/internal/collection"
	"tawsight/internal/guide"
	"tawsight/internal/opinions"
	"tawsight/internal/pipeline"
	"tawsight/internal/record"
	"tawsight/internal/refset"
)

// add adds a made photo with a marble of each lightness.
func add(t *testing.T, c *collection.Collection, name, contributor string, p refset.Permission, lightness ...float64) []string {
	t.Helper()
	const px = 64
	var pic bytes.Buffer
	if err := jpeg.Encode(&pic, image.NewGray(image.Rect(0, 0, px, px)), nil); err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256([]byte(name))
	good := record.Verdicts{Size: record.Good, Colour: record.Good, Pattern: record.Good}
	m := collection.Measured{
		Name: name + ".jpg", Bytes: 1, Way: collection.Way{MadeBy: pipeline.MadeBy()}, Contributor: contributor, Permission: p,
		Photo: record.Photo{Path: "/p/" + name + ".jpg", SHA256: hex.EncodeToString(sum[:]), WidthPX: 900, HeightPX: 900, Verdict: good},
	}
	for i, l := range lightness {
		// Other features, that don't follow from the lightness.
		v := map[string]float64{"diameter_mm": 15 + l/100, "base_lightness": l, "translucency": 0.4 + 0.01*float64(i*i%7), "ribbon_colours": float64(1 + i%2), "ribbon_width_mm": 1 + 0.1*float64(i%3)}
		sure := map[string]float64{}
		for n := range v {
			sure[n] = 1
		}
		m.Photo.Marbles = append(m.Photo.Marbles, record.Marble{
			ID: fmt.Sprint(i + 1), Outline: record.Outline{CxPX: 100 * float64(i+1), CyPX: 100, SemiMajorPX: 40, SemiMinorPX: 40},
			DiameterMM: record.F(15 + l/100), Base: &record.Base{Lab: [3]float64{l, 0, 0}, Name: "light gray", Kind: "opaque"}, Features: v, FeaturesSure: sure, Verdict: &good,
		})
		m.Faces = append(m.Faces, collection.Face{JPEG: pic.Bytes(), SidePX: px, MMPerPX: (15 + l/100) / (px / 1.24), DiameterPX: px / 1.24})
	}
	a, err := c.Add(context.Background(), m)
	if err != nil {
		t.Fatal(err)
	}
	return a.Specimens
}

func decide(t *testing.T, c *collection.Collection, set string, sure collection.Sure, ids ...string) {
	t.Helper()
	if _, err := c.Decide(context.Background(), "Ada", collection.Decision{SetName: set, Sure: sure}, ids...); err != nil {
		t.Fatal(err)
	}
}

// A guide of a collection from its first edition to the next, counted by hand.
func TestGuideOfACollection(t *testing.T) {
	ctx := context.Background()
	c, err := collection.Create(ctx, filepath.Join(t.TempDir(), "made"+collection.Ext))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	k := opinions.New(c)
	words := guide.Source{Title: "Two sets of mine", Collector: "Ada", Date: time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)}
	if _, err := Make(ctx, c, k, words, nil); !errors.Is(err, opinions.ErrNothingToLearn) {
		t.Fatalf("of an empty collection: %v", err)
	}
	jar := add(t, c, "jar", "Ada", refset.Own, 30, 31, 32, 33, 34, 35, 36)
	box := add(t, c, "box", "Uncle Bo", refset.MayShare, 70, 71, 72, 73, 74)
	shy := add(t, c, "shy", "Uncle Cy", refset.MayShow, 75, 76)
	decide(t, c, "jar", collection.Certain, jar[:5]...)
	decide(t, c, "jar", collection.Likely, jar[5])
	decide(t, c, "jar", collection.Guess, jar[6])
	decide(t, c, "box", collection.Certain, append(slices.Clone(box), shy...)...)
	odd := add(t, c, "odd", "Ada", refset.Own, 50)
	decide(t, c, "riddle", collection.Guess, odd...)

	first, err := Make(ctx, c, k, words, nil)
	if err != nil {
		t.Fatal(err)
	}
	if first.Specimens != 12 || len(first.Sets) != 2 || first.Number != 1 || first.Changes != nil {
		t.Fatalf("%d marbles, %d sets, edition %d", first.Specimens, len(first.Sets), first.Number)
	}
	if s := first.Sets[0]; s.Label != "box" || len(s.Members) != 7 || s.Pictured() != 5 || s.Uncertain != 0 || s.ID == "" {
		t.Errorf("the box: %d marbles, %d shown, %d uncertain", len(s.Members), s.Pictured(), s.Uncertain)
	}
	if s := first.Sets[1]; s.Label != "jar" || len(s.Members) != 5 || s.Pictured() != 5 || s.Uncertain != 2 || s.TooPoor != 0 {
		t.Errorf("the jar: %d marbles, %d shown, %d uncertain, %d too poor", len(s.Members), s.Pictured(), s.Uncertain, s.TooPoor)
	}
	if !slices.ContainsFunc(first.Warnings, func(w string) bool { return strings.Contains(w, "riddle") }) {
		t.Errorf("nothing is said of the set without a certain label: %q", first.Warnings)
	}
	if want := []guide.Credit{{Name: "Ada", Permission: refset.Own, Pictures: 5}, {Name: "Uncle Bo", Permission: refset.MayShare, Pictures: 5}}; !slices.Equal(first.Credits, want) {
		t.Errorf("credits %+v", first.Credits)
	}
	dir := t.TempDir()
	files, err := Write(ctx, c, dir, first)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if data, err := os.ReadFile(f); err != nil || bytes.Contains(data, []byte("Uncle Cy")) {
			t.Errorf("%s: names one who does not allow sharing, or %v", f, err)
		}
	}

	// A set is renamed, a marble moves to it, a guess becomes certain.
	sets, err := c.Sets(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range sets {
		if s.Name == "box" {
			if _, err := c.RenameSet(ctx, "Ada", s.ID, "cellar box", "pale ones"); err != nil {
				t.Fatal(err)
			}
		}
	}
	decide(t, c, "cellar box", collection.Certain, jar[0])
	decide(t, c, "jar", collection.Certain, jar[6])
	second, err := Make(ctx, c, k, words, nil)
	if err != nil {
		t.Fatal(err)
	}
	if second.Number != 2 || second.Changes == nil {
		t.Fatalf("edition %d", second.Number)
	}
	ch := second.Changes
	if !slices.Equal(ch.Renamed, []guide.Rename{{From: "box", To: "cellar box"}}) || len(ch.New)+len(ch.Gone) != 0 || ch.Unfollowed {
		t.Errorf("renamed %v, new %v, gone %v", ch.Renamed, ch.New, ch.Gone)
	}
	var ways []string
	for _, m := range ch.Moves {
		ways = append(ways, fmt.Sprintf("%d %s>%s", m.N, m.From, m.To))
	}
	if want := []string{"1 jar>cellar box", "1 >jar"}; !slices.Equal(ways, want) {
		t.Errorf("moves %v, want %v", ways, want)
	}
	if second.Sets[0].Note != "pale ones" || second.Sets[1].Uncertain != 1 {
		t.Errorf("note %q, uncertain %d", second.Sets[0].Note, second.Sets[1].Uncertain)
	}
	if _, err := Write(ctx, c, dir, second); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(dir, "set-box.html")); err == nil {
		t.Error("the page of the earlier name is still there")
	}
	// Made again it is the same edition.
	third, err := Make(ctx, c, k, words, nil)
	if err != nil || third.Number != 2 || !slices.Equal(third.Changes.Lines(), second.Changes.Lines()) {
		t.Errorf("%v, edition %d", err, third.Number)
	}
}
