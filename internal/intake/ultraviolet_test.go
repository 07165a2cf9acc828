package intake

import (
	"bytes"
	"context"
	"os"
	"testing"

	"tawsight/internal/collection"
	"tawsight/samples"
	"tawsight/samples/lamp"
)

// A daylight photo and one of the same tray under a lamp, dropped onto the page
// together, are joined in the collection: each marble has its glow.
func TestGlowIsJoined(t *testing.T) {
	const tray = "../../samples/photos/tray/tray-1.jpg"
	where, err := samples.TruthPath(tray)
	if err != nil {
		t.Fatal(err)
	}
	truth, err := samples.LoadTruth(where)
	if err != nil {
		t.Fatal(err)
	}
	glow := map[int][3]float64{}
	for i, m := range truth.Marbles {
		if i%2 == 0 && !m.CutOff {
			glow[m.ID] = [3]float64{0.06, 0.50, 0.08}
		}
	}
	dark, err := lamp.Under(tray, truth, glow, [3]float64{0.03, 0.01, 0.10})
	if err != nil {
		t.Fatal(err)
	}
	day, err := os.ReadFile(tray)
	if err != nil {
		t.Fatal(err)
	}
	in, ctx := made(t), context.Background()
	i, err := in.Begin(ctx, "Ada", "the page", By{})
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{"day.jpg": day, "dark.jpg": dark} {
		if _, err := in.Receive(ctx, i.ID, name, bytes.NewReader(data)); err != nil {
			t.Fatal(err)
		}
	}
	if err := in.Run(ctx); err != nil {
		t.Fatal(err)
	}
	photos, err := in.c.Photos(ctx, 10, 0)
	if err != nil || len(photos) != 2 {
		t.Fatalf("%d photos, %v", len(photos), err)
	}
	if photos[0].Record.PairedWith != photos[1].SHA256 || photos[1].Record.PairedWith != photos[0].SHA256 {
		t.Errorf("joined with %q and %q", photos[0].Record.PairedWith, photos[1].Record.PairedWith)
	}
	yes, no := true, false
	_, glowing, err := in.c.Find(ctx, collection.Filter{Glows: &yes})
	if err != nil {
		t.Fatal(err)
	}
	_, dull, err := in.c.Find(ctx, collection.Filter{Glows: &no})
	if err != nil {
		t.Fatal(err)
	}
	// Both photos show the same marbles: none is there twice.
	if all := len(truth.Marbles); glowing+dull > all || glowing < len(glow) || dull == 0 {
		t.Errorf("%d glow and %d do not; %d were painted to, of %d", glowing, dull, len(glow), all)
	}
	if n, err := in.c.Size(ctx); err != nil || n > len(truth.Marbles) {
		t.Errorf("%d marbles are in the collection (%v), and %d on the tray", n, err, len(truth.Marbles))
	}
}
