package opinions

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"tawsight/internal/collection"
	"tawsight/internal/likeness"
	"tawsight/internal/pipeline"
	"tawsight/internal/record"
)

const perSet = 14

// sampleOf is a collection of three made sets, jar, tin and box, of perSet
// marbles each in photos of seven, labelled for certain, and one photo of
// strangers: four like jar, two between jar and tin, one like none.
func sampleOf(t *testing.T) (c *collection.Collection, k *Keeper, sets map[string][]string, strangers []string) {
	t.Helper()
	ctx := context.Background()
	c, err := collection.Create(ctx, filepath.Join(t.TempDir(), "made"+collection.Ext))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	rng := rand.New(rand.NewPCG(1, 2))
	// Each set lies elsewhere in every second feature, by four spreads.
	at := map[string]float64{"jar": 0, "tin": 4, "box": -4}
	draw := func(centre float64) map[string]float64 {
		v := map[string]float64{}
		for i, f := range likeness.FeatureInfos() {
			x := rng.NormFloat64()
			if i%2 == 0 {
				x += centre
			}
			if f.LogFrom > 0 {
				x = f.LogFrom * (20 + x) // far from 0, where the logarithm is nearly straight
			}
			v[f.Name] = x
		}
		return v
	}
	sets = map[string][]string{}
	for _, set := range []string{"jar", "tin", "box"} {
		for photo := range perSet / 7 {
			var values []map[string]float64
			for range 7 {
				values = append(values, draw(at[set]))
			}
			sets[set] = append(sets[set], add(t, c, fmt.Sprintf("%s-%d", set, photo), values)...)
		}
		if _, err := c.Decide(ctx, "Ada", collection.Decision{SetName: set, Sure: collection.Certain, Evidence: "made so"}, sets[set]...); err != nil {
			t.Fatal(err)
		}
	}
	var values []map[string]float64
	for range 4 {
		values = append(values, draw(0))
	}
	values = append(values, draw(2), draw(2), draw(40))
	return c, New(c), sets, add(t, c, "strangers", values)
}

func add(t *testing.T, c *collection.Collection, name string, values []map[string]float64) []string {
	t.Helper()
	var pic bytes.Buffer
	if err := jpeg.Encode(&pic, image.NewGray(image.Rect(0, 0, 8, 8)), nil); err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256([]byte(name))
	good := record.Verdicts{Size: record.Good, Colour: record.Good, Pattern: record.Good}
	m := collection.Measured{
		Name: name + ".jpg", Bytes: 1, Way: collection.Way{MadeBy: pipeline.MadeBy()},
		Photo: record.Photo{Path: "/p/" + name + ".jpg", SHA256: hex.EncodeToString(sum[:]), WidthPX: 900, HeightPX: 900, Verdict: good},
	}
	for i, v := range values {
		sure := map[string]float64{}
		for n := range v {
			sure[n] = 1
		}
		m.Photo.Marbles = append(m.Photo.Marbles, record.Marble{
			ID: fmt.Sprint(i + 1), Outline: record.Outline{CxPX: 100 * float64(i+1), CyPX: 100, SemiMajorPX: 40, SemiMinorPX: 40},
			DiameterMM: record.F(16), Features: v, FeaturesSure: sure, Verdict: &good,
		})
		m.Faces = append(m.Faces, collection.Face{JPEG: pic.Bytes(), SidePX: 8, MMPerPX: 0.05, DiameterPX: 6})
	}
	a, err := c.Add(context.Background(), m)
	if err != nil {
		t.Fatal(err)
	}
	return a.Specimens
}

func stateOf(t *testing.T, c *collection.Collection, id string) collection.Specimen {
	t.Helper()
	s, err := c.Specimen(context.Background(), id)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestOpinionsAreDatedAndTakenOverOnlyWhenAsked(t *testing.T) {
	c, k, sets, strangers := sampleOf(t)
	ctx := context.Background()
	said, err := k.Update(ctx, "Ada")
	if err != nil || !strings.Contains(said, "3 sets") {
		t.Fatalf("the first comparison says %q, %v", said, err)
	}
	for i, id := range strangers[:4] {
		if s := stateOf(t, c, id); s.Row.State != collection.Suggested || s.Row.OpinionSet != "jar" {
			t.Errorf("stranger %d: %s, %s; want suggested, jar", i, s.Row.State, s.Row.OpinionSet)
		}
	}
	if s := stateOf(t, c, strangers[6]); s.Row.State != collection.UnlikeAny {
		t.Errorf("the odd one: %s, want unlike any", s.Row.State)
	}
	if again, err := k.Update(ctx, "Ada"); err != nil || again != "" {
		t.Errorf("a second look says %q, %v; want nothing", again, err)
	}
	if stale, err := k.Stale(ctx); err != nil || stale {
		t.Errorf("stale: %v, %v", stale, err)
	}

	// Half of jar is renamed tin: opinions would change, and say why.
	if _, err := c.Decide(ctx, "Bo", collection.Decision{SetName: "tin", Sure: collection.Certain}, sets["jar"]...); err != nil {
		t.Fatal(err)
	}
	if stale, err := k.Stale(ctx); err != nil || !stale {
		t.Errorf("after labels changed, stale: %v, %v", stale, err)
	}
	p, err := k.Preview(ctx, nil)
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, ch := range p.Changes {
		ids = append(ids, ch.SpecimenID)
		if ch.Kind == OtherSet && (len(ch.Why) == 0 || ch.Before.Set == ch.After.Set) {
			t.Errorf("change without a reason: %+v", ch)
		}
	}
	for i, id := range strangers[:4] {
		if !slices.Contains(ids, id) {
			t.Errorf("stranger %d is not among the changes", i)
		}
		if s := stateOf(t, c, id); s.Row.OpinionSet != "jar" || len(s.Opinions) != 1 {
			t.Errorf("looking ahead wrote something: %+v", s.Row)
		}
	}
	if !slices.Contains(p.SetsGone, "jar") {
		t.Errorf("sets gone: %v, want jar", p.SetsGone)
	}
	e, err := k.TakeOver(ctx, "Bo", p)
	if err != nil {
		t.Fatal(err)
	}
	s := stateOf(t, c, strangers[0])
	if s.Row.OpinionSet != "tin" || len(s.Opinions) != 2 || s.Opinions[1].Set != "jar" {
		t.Errorf("after taking over: %s, %d opinions", s.Row.OpinionSet, len(s.Opinions))
	}
	if _, err := c.Undo(ctx, "Bo", e.Seq); err != nil {
		t.Fatal(err)
	}
	if s := stateOf(t, c, strangers[0]); s.Row.OpinionSet != "jar" || len(s.Opinions) != 2 {
		t.Errorf("after undoing: %s, %d opinions", s.Row.OpinionSet, len(s.Opinions))
	}
	// What was previewed on other labels is not written.
	if _, err := c.Decide(ctx, "Bo", collection.Decision{Sure: collection.Certain}, sets["box"][0]); err != nil {
		t.Fatal(err)
	}
	if _, err := k.TakeOver(ctx, "Bo", p); !errors.Is(err, ErrOutdated) {
		t.Errorf("an outdated preview: %v", err)
	}
}

// Accepting what the comparison suggests must not teach it the same again.
func TestOnlyCertainLabelsTeach(t *testing.T) {
	c, k, _, strangers := sampleOf(t)
	ctx := context.Background()
	before, err := c.Fingerprint(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, sure := range []collection.Sure{collection.Likely, collection.Guess} {
		if _, err := c.Decide(ctx, "Ada", collection.Decision{SetName: "box", Sure: sure}, strangers[0]); err != nil {
			t.Fatal(err)
		}
		if after, err := c.Fingerprint(ctx); err != nil || after != before {
			t.Errorf("a label that is %s teaches", sure)
		}
	}
	l, err := k.Fresh(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range l.Model().Sets {
		if s.Count != perSet {
			t.Errorf("set %s is learnt from %d marbles, want %d", s.Label, s.Count, perSet)
		}
	}
	if _, err := c.Decide(ctx, "Ada", collection.Decision{SetName: "box", Sure: collection.Certain}, strangers[0]); err != nil {
		t.Fatal(err)
	}
	if after, err := c.Fingerprint(ctx); err != nil || after == before {
		t.Error("a certain label does not teach")
	}
}

// A marble that teaches is judged by what the others teach: one of tin's that
// somebody labelled jar is found.
func TestTeachersAreJudgedWithoutThemselves(t *testing.T) {
	c, k, sets, _ := sampleOf(t)
	ctx := context.Background()
	wrong := sets["tin"][3]
	if _, err := c.Decide(ctx, "Bo", collection.Decision{SetName: "jar", Sure: collection.Certain}, wrong); err != nil {
		t.Fatal(err)
	}
	if _, err := k.Update(ctx, "Bo"); err != nil {
		t.Fatal(err)
	}
	s := stateOf(t, c, wrong)
	if len(s.Opinions) != 1 || s.Opinions[0].Set != "tin" {
		t.Fatalf("the mislabelled marble's opinions: %+v, want tin", s.Opinions)
	}
	if s.Row.State != collection.Labelled {
		t.Errorf("its label does not stand any more: %s", s.Row.State)
	}
	p, err := k.Plate(ctx, wrong)
	if err != nil {
		t.Fatal(err)
	}
	if p.Sets[0].Label != "tin" {
		t.Errorf("its plate leads with %s, want tin", p.Sets[0].Label)
	}
	for _, set := range p.Sets {
		for _, sp := range set.Specimens {
			if sp.Name == s.Title {
				t.Error("the marble stands beside itself")
			}
		}
	}
}

func TestJoinedPhotosAreComparedAgain(t *testing.T) {
	c, k, _, strangers := sampleOf(t)
	ctx := context.Background()
	if _, err := k.Update(ctx, "Ada"); err != nil {
		t.Fatal(err)
	}
	other := add(t, c, "another-side", []map[string]float64{stateOf(t, c, strangers[1]).Sightings[0].Marble.Features})[0]
	if _, err := k.Update(ctx, "Ada"); err != nil {
		t.Fatal(err)
	}
	if _, err := c.Join(ctx, "Ada", strangers[0], other); err != nil {
		t.Fatal(err)
	}
	said, err := k.Update(ctx, "Ada")
	if err != nil || said != "1 marble was compared with your sets." {
		t.Errorf("after joining: %q, %v", said, err)
	}
	if s := stateOf(t, c, strangers[0]); len(s.Sightings) != 2 || len(s.Opinions) != 2 {
		t.Errorf("%d photos, %d opinions; want 2 of each", len(s.Sightings), len(s.Opinions))
	}
}

func TestTooLittleToLearn(t *testing.T) {
	ctx := context.Background()
	c, err := collection.Create(ctx, filepath.Join(t.TempDir(), "made"+collection.Ext))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	k := New(c)
	if said, err := k.Update(ctx, "Ada"); err != nil || said != "" {
		t.Errorf("an empty collection: %q, %v", said, err)
	}
	if _, err := k.Preview(ctx, nil); !errors.Is(err, ErrNothingToLearn) {
		t.Errorf("an empty collection's preview: %v", err)
	}
	if _, err := k.Health(ctx); !errors.Is(err, ErrNothingToLearn) {
		t.Errorf("an empty collection's health: %v", err)
	}
	if _, err := k.Plate(ctx, "nobody"); !errors.Is(err, ErrNoEdition) {
		t.Errorf("a plate before any comparison: %v", err)
	}
}
