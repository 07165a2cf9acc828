package intake

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"tawsight/internal/collection"
	"tawsight/internal/pipeline"
	"tawsight/internal/record"
)

// byRuler measures as madeUp does, and notes by what ruler each file was measured.
func byRuler(in *Intake) *[]string {
	var seen []string
	in.o.Workers = 1
	in.o.measure = func(ctx context.Context, path string, bar float64, ruler pipeline.RulerOptions) (pipeline.Single, error) {
		seen = append(seen, filepath.Base(path)+" by "+ruler.Named().Words())
		return madeUp(ctx, path, bar, ruler)
	}
	return &seen
}

// A photo is measured again when another ruler is named, keeps its ruler where none
// is, and loses it where that is asked for.
func TestRulersAreKept(t *testing.T) {
	in, ctx, dir := made(t), context.Background(), filled(t, 1)
	seen := byRuler(in)
	coin, sheet := By{Ruler: record.Ruler{Coin: "2-euro"}}, By{Ruler: record.Ruler{Sheet: "a4"}}
	for _, step := range []struct {
		by   By
		want string // measured by; "-" for not at all
		last string
	}{
		{By{}, "", ""},
		{By{}, "-", ""},
		{coin, "2 euro coins", "2 euro coins"},
		{coin, "-", "2 euro coins"},
		{By{}, "-", "2 euro coins"},
		{sheet, "a whole sheet of A4 paper", "a whole sheet of A4 paper"},
		{coin, "-", "2 euro coins"},
		{By{CheckBarMM: 79.5}, "2 euro coins", "2 euro coins"}, // the card's bar is another way, too
		{By{Ruler: record.Ruler{None: true}}, "-", ""},
		{By{Ruler: record.Ruler{None: true}, CheckBarMM: 79.5}, "", ""},
	} {
		*seen = nil
		if _, err := in.AddFolder(ctx, "Ada", []string{dir}, step.by); err != nil {
			t.Fatal(err)
		}
		if err := in.Run(ctx); err != nil {
			t.Fatal(err)
		}
		got := "-"
		if len(*seen) > 0 {
			got = (*seen)[0][len("IMG_00000.jpg by "):]
		}
		photos, err := in.c.Photos(ctx, -1, 0)
		if err != nil || len(photos) != 1 {
			t.Fatal(len(photos), err)
		}
		if last := photos[0].Ruler.Words(); got != step.want || last != step.last || len(*seen) > 1 {
			t.Errorf("%+v: measured by %q, the figures are by %q; want %q, %q", step.by, got, last, step.want, step.last)
		}
	}
	past, err := in.c.Measurements(ctx, firstPhoto(t, in))
	if err != nil || len(past) != 5 {
		t.Errorf("%d measurements, %v; want 5, none of them lost", len(past), err)
	}
}

func firstPhoto(t *testing.T, in *Intake) string {
	t.Helper()
	photos, err := in.c.Photos(context.Background(), 1, 0)
	if err != nil || len(photos) == 0 {
		t.Fatal("no photo", err)
	}
	return photos[0].SHA256
}

// An intake that was cut short goes on with the options that it was given, each
// with its own.
func TestIntakesGoOnByTheirRulers(t *testing.T) {
	in, dir, other := made(t), filled(t, 3), filepath.Join(t.TempDir(), "more")
	if err := os.Mkdir(other, 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(other, "scan.jpg"), []byte("scan"), 0o666); err != nil {
		t.Fatal(err)
	}
	seen := byRuler(in)
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	inner := in.o.measure
	in.o.measure = func(c context.Context, path string, bar float64, ruler pipeline.RulerOptions) (pipeline.Single, error) {
		if len(*seen) == 1 {
			stop()
		}
		return inner(c, path, bar, ruler)
	}
	rest := &record.Rest{Kind: "ring", WidthMM: 8.4, HeightMM: 1.6}
	if _, err := in.AddFolder(ctx, "Ada", []string{dir}, By{Ruler: record.Ruler{Coin: "us-cent", Rest: rest}, NoProfiles: true, CheckBarMM: 79.5}); err != nil {
		t.Fatal(err)
	}
	if _, err := in.AddFolder(ctx, "Ada", []string{other}, By{Ruler: record.Ruler{DPI: 600}}); err != nil {
		t.Fatal(err)
	}
	if err := in.Run(ctx); !errors.Is(err, context.Canceled) {
		t.Fatalf("%v", err)
	}
	again := New(in.c, Options{})
	seen = byRuler(again)
	open, err := in.c.Unfinished(context.Background())
	if err != nil || len(open) != 2 || !open[0].NoProfiles || open[1].NoProfiles || open[0].CheckBarMM != 79.5 {
		t.Fatalf("%+v, %v", open, err)
	}
	if err := again.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	const by = "US cents, marbles on rings 8.4 mm wide, 1.6 mm high"
	want := []string{"IMG_00001.jpg by " + by, "IMG_00002.jpg by " + by, "scan.jpg by a scan at 600 dots to the inch"}
	if fmt.Sprint(*seen) != fmt.Sprint(want) {
		t.Errorf("gone on with %q, want %q", *seen, want)
	}
}

// What is said of one photo, such as a marble's number, is not taken for several;
// nothing is added then.
func TestOnePhotosRulers(t *testing.T) {
	in, ctx := made(t), context.Background()
	known := By{Ruler: record.Ruler{Known: []record.KnownMarble{{ID: "1", DiameterMM: 16}}}}
	two := filled(t, 2)
	if err := Look([]string{two}, false, known); !errors.Is(err, pipeline.ErrRuler) {
		t.Errorf("looking: %v", err)
	}
	if _, err := in.AddFolder(ctx, "Ada", []string{two}, known); !errors.Is(err, pipeline.ErrRuler) {
		t.Errorf("two photos: %v", err)
	}
	if _, err := in.Begin(ctx, "Ada", "the page", known); !errors.Is(err, pipeline.ErrRuler) {
		t.Errorf("the page: %v", err)
	}
	if open, err := in.c.Unfinished(ctx); err != nil || len(open) > 0 {
		t.Errorf("%v, %v", open, err)
	}
	if _, err := in.AddFolder(ctx, "Ada", []string{filled(t, 1)}, known); err != nil {
		t.Errorf("one photo: %v", err)
	}
}

// Another version of the program may number marbles otherwise: a photo measured by
// known marbles is not measured again by their numbers unless somebody says so.
func TestKnownMarblesAreNotGuessed(t *testing.T) {
	in, ctx, dir := made(t), context.Background(), filled(t, 1)
	seen := byRuler(in)
	path := filepath.Join(dir, "IMG_00000.jpg")
	s, err := madeUp(ctx, path, 0, pipeline.RulerOptions{})
	if err != nil {
		t.Fatal(err)
	}
	way := collection.Way{MadeBy: pipeline.MadeBy(), Ruler: record.Ruler{Known: []record.KnownMarble{{ID: "1", DiameterMM: 16}}}}
	way.MadeBy.Tawsight = "an earlier one"
	m := collection.Measured{Photo: s.Photo, Name: "a.jpg", Way: way, Faces: make([]collection.Face, 3)}
	if _, err := in.c.Add(ctx, m); err != nil {
		t.Fatal(err)
	}
	for by, want := range map[*By]int{{}: 0, {Ruler: way.Ruler}: 1} {
		*seen = nil
		if _, err := in.AddFolder(ctx, "Ada", []string{dir}, *by); err != nil {
			t.Fatal(err)
		}
		if err := in.Run(ctx); err != nil {
			t.Fatal(err)
		}
		if len(*seen) != want {
			t.Errorf("%+v: measured %q, want %d", *by, *seen, want)
		}
	}
}
