package pipeline

import (
	"context"
	"errors"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tawsight/calib"
	"tawsight/internal/cameras"
	"tawsight/samples/cardshots"
)

// bentBy is a lens for a frame of w x h px that moves its corners by a share of
// their distance.
func bentBy(share float64, w, h int, focal float64) calib.Lens {
	l := calib.Lens{FocalPX: focal, CxPX: float64(w-1)/2 + 4, CyPX: float64(h-1)/2 - 3, MidX: float64(w-1) / 2, MidY: float64(h-1) / 2}
	r := math.Hypot(float64(w)/2, float64(h)/2) / focal
	l.K1 = share / (r * r)
	return l
}

// A set as the help asks for, from photos to a profile that is used.
func TestLearnCamera(t *testing.T) {
	if testing.Short() {
		t.Skip("makes and reads a dozen photos")
	}
	const w, h = 960, 720
	dir := t.TempDir()
	l := bentBy(-0.02, w, h, 720)
	set := cardshots.Set{W: w, H: h, Lens: l, N: 13, Tilts: []float64{0, 25, 30, 35}, Corners: 1, Tags: cardshots.Tags("C2", 27), Seed: 3}
	if _, err := set.Write(dir); err != nil {
		t.Fatal(err)
	}
	// What must not disturb: another camera, another size, no card, no camera
	// named, and a file that is no picture.
	write := func(name string, data []byte) {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	move := func(name string, s cardshots.Set) {
		s.N = 1
		other := t.TempDir()
		paths, err := s.Write(other)
		if err != nil {
			t.Fatal(err)
		}
		data, err := os.ReadFile(paths[0])
		if err != nil {
			t.Fatal(err)
		}
		write(name, data)
	}
	other, small, zoomed, nameless := set, set, set, set
	other.Tags = cardshots.Tags("K9", 27)
	zoomed.Tags = cardshots.Tags("C2", 54)
	nameless.Tags = cardshots.Tags("", 27)
	nameless.Tags.Make = ""
	small.W, small.H, small.Lens = 640, 480, *l.Scaled(2.0 / 3)
	move("x-other.jpg", other)
	move("x-small.jpg", small)
	move("x-zoomed.jpg", zoomed)
	move("x-nameless.jpg", nameless)
	write("x-torn.jpg", []byte("\xff\xd8\xff no picture"))
	tray, err := os.ReadFile(filepath.Join(sampleDir, "poor", "no-card.jpg"))
	if err == nil {
		write("x-nocard.jpg", tray)
	}
	sum, err := LearnCamera(context.Background(), CameraOptions{Photos: []string{dir}, Now: time.Date(2026, 5, 2, 0, 0, 0, 0, time.UTC)})
	t.Logf("\n%s%s\n%s", sum.Coverage, strings.Join(sum.Lens, "\n"), strings.Join(sum.Missing, "\n"))
	if err != nil {
		t.Fatal(err)
	}
	if len(sum.Failures) != 1 || !strings.HasSuffix(sum.Failures[0].Path, "x-torn.jpg") {
		t.Errorf("failures: %v", sum.Failures)
	}
	said := map[string]string{}
	for _, f := range sum.LeftOut {
		said[filepath.Base(f.Path)] = f.Reason
		t.Log(f)
	}
	for name, words := range map[string]string{"x-other.jpg": "another camera", "x-small.jpg": "640 x 480", "x-zoomed.jpg": "zoom", "x-nameless.jpg": "which camera"} {
		if !strings.Contains(said[name], words) {
			t.Errorf("%s: %q, want %q in it", name, said[name], words)
		}
	}
	if len(sum.Used) < 12 {
		t.Errorf("%d photos used", len(sum.Used))
	}
	p := sum.Profile
	m := p.Found
	share, u := m.CornerShift()
	t.Logf("corner shift %.4f +- %.4f; focal %.2f +- %.2f; with %.3f px, without %.3f", share, 2*u, m.FocalPX, m.FocalPX*m.U("focal"), p.HeldOutPX, p.HeldOutWithoutPX)
	if math.Abs(share+0.02) > 3*u+0.001 {
		t.Errorf("corners moved by %.4f +- %.4f, true -0.02", share, u)
	}
	if math.Abs(m.FocalPX-l.FocalPX) > 4*m.U("focal")*l.FocalPX {
		t.Errorf("focal length %.2f +- %.2f, true %.2f", m.FocalPX, m.FocalPX*m.U("focal"), l.FocalPX)
	}
	if !(p.HeldOutPX < p.HeldOutWithoutPX) {
		t.Errorf("with %.3f px, without %.3f", p.HeldOutPX, p.HeldOutWithoutPX)
	}

	// A photo is measured by it, says so, and only where it is that camera's.
	photo := filepath.Join(dir, "card-01.jpg")
	book := cameras.With(p)
	got := InspectBy(photo, 0, RulerOptions{Cameras: book}).Photo
	if got.Scale.CameraProfile != p.Name+" ["+p.Hash()+"]" || got.Scale.FocalSource != "profile" {
		t.Errorf("scale: %+v", got.Scale)
	}
	if plain := Inspect(photo, 0).Photo; plain.Scale.CameraProfile != "" || *plain.Scale.ReprojectionPX <= *got.Scale.ReprojectionPX {
		t.Errorf("without: %+v, %g px; with: %g px", plain.Scale, *plain.Scale.ReprojectionPX, *got.Scale.ReprojectionPX)
	}
	if x := InspectBy(filepath.Join(dir, "x-other.jpg"), 0, RulerOptions{Cameras: book}).Photo; x.Scale.CameraProfile != "" {
		t.Errorf("another camera's photo: %+v", x.Scale)
	}
	if x := InspectBy(filepath.Join(dir, "x-small.jpg"), 0, RulerOptions{Cameras: book}).Photo; x.Scale.CameraProfile == "" {
		t.Errorf("a reduced photo of the same camera: %+v", x.Scale)
	}
	// What is kept of it is known by the profile.
	k, scale := keep{dir: t.TempDir()}, calib.PrintScale{Factor: 1}
	if _, err := measureKept(context.Background(), photo, scale, k, slog.New(slog.DiscardHandler)); err != nil {
		t.Fatal(err)
	}
	with := keep{dir: k.dir, cameras: book}
	if _, ok := with.load(photo, scale); ok {
		t.Error("what was measured without a profile is taken for measured with it")
	}
	if _, ok := k.load(photo, scale); !ok {
		t.Error("what was measured without a profile is not found again")
	}

	// Only from straight above: refused, with the reason, and what was seen said.
	flat := t.TempDir()
	set.Tilts, set.N = []float64{0, 3, 6}, 7
	if _, err := set.Write(flat); err != nil {
		t.Fatal(err)
	}
	sum, err = LearnCamera(context.Background(), CameraOptions{Photos: []string{flat}})
	if !errors.Is(err, ErrNoProfile) || !strings.Contains(err.Error(), "same angle") || sum.Profile != nil || len(sum.Used) == 0 {
		t.Errorf("%v, %d used, %v", err, len(sum.Used), sum.Profile)
	}
}

func TestHarm(t *testing.T) {
	photos := []CameraPhoto{{Path: "a.jpg"}, {Path: "b.jpg"}}
	for _, tt := range []struct {
		name   string
		useful []calib.Usefulness
		says   string
	}{
		{"better on both", []calib.Usefulness{{View: 0, WithPX: 0.1, WithoutPX: 0.5}, {View: 1, WithPX: 0.2, WithoutPX: 0.4}}, ""},
		{"a little worse on one", []calib.Usefulness{{View: 0, WithPX: 0.1, WithoutPX: 0.5}, {View: 1, WithPX: 0.21, WithoutPX: 0.2}}, ""},
		{"much worse on one", []calib.Usefulness{{View: 0, WithPX: 0.1, WithoutPX: 5}, {View: 1, WithPX: 1.1, WithoutPX: 0.2}}, "b.jpg"},
		{"worse by and large", []calib.Usefulness{{View: 0, WithPX: 0.3, WithoutPX: 0.2}, {View: 1, WithPX: 0.3, WithoutPX: 0.25}}, "needs none"},
		{"not tried", nil, "could not be tried"},
	} {
		var a, b float64
		if why := harm(tt.useful, &a, &b, photos); (why == "") != (tt.says == "") || !strings.Contains(why, tt.says) {
			t.Errorf("%s: %q", tt.name, why)
		}
	}
}
