package pipeline

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"tawsight/calib"
	"tawsight/classify"
	"tawsight/internal/bundle"
	"tawsight/internal/likeness"
	"tawsight/internal/record"
	"tawsight/internal/refset"
)

// labelled makes a folder of labelled photos from two sets of the samples that
// nobody could confound: opaque swirls, and ribbons in clear glass.
func labelled(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for _, set := range []string{"opaque-white-swirl", "clear-wide-ribbon"} {
		for _, n := range []int{1, 2} {
			name := fmt.Sprintf("%s-%d.jpg", set, n)
			data, err := os.ReadFile(filepath.Join(sampleDir, "references", set, name))
			if err != nil {
				t.Fatal(err)
			}
			put(t, filepath.Join(dir, set, name), data)
		}
	}
	put(t, filepath.Join(dir, "empty-set", "notes.txt"), nil)
	return dir
}

// Learning, saving, loading and comparing, from photos to attributions: photos
// that were learnt from are given their own labels back.
func TestLikenessEndToEnd(t *testing.T) {
	refs := labelled(t)
	bad := filepath.Join(refs, "clear-wide-ribbon", "bad.jpg")
	put(t, bad, []byte{0xff, 0xd8, 0xff})
	model := filepath.Join(t.TempDir(), "model.json")
	progress := 0
	sum, err := References(context.Background(), ReferencesOptions{Dir: refs, ModelPath: model,
		Progress: func(done, total int, path string) { progress++ }})
	if err != nil {
		t.Fatal(err)
	}
	if progress != 5 || len(sum.Failures) != 1 || sum.Failures[0].Path != bad {
		t.Errorf("%d photos done, failures %v", progress, sum.Failures)
	}
	if len(sum.Sets) != 2 || sum.Sets[0].Label != "clear-wide-ribbon" || sum.Sets[1].Label != "opaque-white-swirl" {
		t.Fatalf("sets %+v", sum.Sets)
	}
	tested, right, marbles := 0, 0, 0
	for _, s := range sum.Sets {
		tested, right, marbles = tested+s.Tested, right+s.Right, marbles+s.Marbles
		if s.Marbles < 8 || s.Tested > s.Marbles || s.Right > s.Tested {
			t.Errorf("%+v", s)
		}
	}
	if tested != sum.Tested || right != sum.Right || tested != marbles {
		t.Errorf("%d of %d, by sets %d of %d", sum.Right, sum.Tested, right, tested)
	}
	// Each marble classified by a model that has not seen its photo.
	if float64(right) < 0.9*float64(tested) {
		t.Errorf("%d of %d right between opaque and clear marbles", right, tested)
	}

	// The saved model gives the same as learning anew.
	photos := []string{filepath.Join(refs, "opaque-white-swirl", "opaque-white-swirl-2.jpg"), filepath.Join(refs, "clear-wide-ribbon", "clear-wide-ribbon-1.jpg")}
	var records [2][]byte
	for i, o := range []Options{{ModelPath: model}, {ReferencesDir: refs}} {
		o.Photos, o.OutDir = photos, filepath.Join(t.TempDir(), "out")
		s, err := Run(context.Background(), o)
		if err != nil {
			t.Fatal(err)
		}
		if want := i; s.Failed != want { // the bad reference counts where references are read
			t.Errorf("%d failures, want %d", s.Failed, want)
		}
		if records[i], err = os.ReadFile(filepath.Join(o.OutDir, "photos.jsonl")); err != nil {
			t.Fatal(err)
		}
	}
	own, all := 0, 0
	a, b := bytes.Split(records[0], []byte("\n")), bytes.Split(records[1], []byte("\n"))
	if len(a) != len(b) {
		t.Fatalf("%d and %d records", len(a), len(b))
	}
	for i := range a {
		if len(a[i]) == 0 {
			continue
		}
		var p, q record.Photo
		if err := errors.Join(json.Unmarshal(a[i], &p), json.Unmarshal(b[i], &q)); err != nil {
			t.Fatal(err)
		}
		label := filepath.Base(filepath.Dir(p.Path))
		for k, m := range p.Marbles {
			if m.CutOff {
				if m.Attribution != nil {
					t.Errorf("%s marble %s is cut off and attributed", p.Path, m.ID)
				}
				continue
			}
			at := m.Attribution
			if at == nil {
				t.Errorf("%s marble %s: no attribution", p.Path, m.ID)
				continue
			}
			one, _ := json.Marshal(at)
			two, _ := json.Marshal(q.Marbles[k].Attribution)
			if !bytes.Equal(one, two) {
				t.Errorf("%s marble %s: from the saved model %s, from the photos %s", p.Path, m.ID, one, two)
			}
			if at.Status != "assigned" && at.Status != "doubtful" && at.Status != "unlike-any" {
				t.Errorf("status %q", at.Status)
			}
			if !(at.Probability >= at.RunnerUpProbability && at.Probability <= 1 && at.RunnerUpProbability >= 0) {
				t.Errorf("%s marble %s: probabilities %g and %g", p.Path, m.ID, at.Probability, at.RunnerUpProbability)
			}
			for _, r := range at.Reasons {
				if m.Features[r.Feature] == 0 && !containsKey(m.Features, r.Feature) {
					t.Errorf("%s marble %s: a reason from %q, which it hasn't", p.Path, m.ID, r.Feature)
				}
				if r.Text == "" || !(r.Weight > 0 && r.Weight <= 1) {
					t.Errorf("reason %+v", r)
				}
			}
			all++
			if at.Label == label {
				own++
			}
		}
	}
	t.Logf("own label for %d of %d", own, all)
	if all < 8 || float64(own) < 0.95*float64(all) {
		t.Errorf("own label for %d of %d marbles that were learnt from", own, all)
	}
}

func containsKey(m map[string]float64, k string) bool { _, ok := m[k]; return ok }

func TestReferencesThatCannotBe(t *testing.T) {
	empty := t.TempDir()
	flat := t.TempDir() // photos without sub-folders
	put(t, filepath.Join(flat, "a.jpg"), nil)
	unreadable := t.TempDir()
	put(t, filepath.Join(unreadable, "set-a", "a.jpg"), []byte("no photo"))
	put(t, filepath.Join(unreadable, "set-b", "b.jpg"), []byte("no photo"))
	for name, c := range map[string]struct {
		dir  string
		says string
		is   error
	}{
		"empty":         {empty, "sub-folder", ErrNoPhotos},
		"no sub-folder": {flat, "sub-folder", ErrNoPhotos},
		"not there":     {filepath.Join(empty, "none"), "none", os.ErrNotExist},
		"nothing read":  {unreadable, unreadable, nil},
	} {
		t.Run(name, func(t *testing.T) {
			model := filepath.Join(t.TempDir(), "model.json")
			_, err := References(context.Background(), ReferencesOptions{Dir: c.dir, ModelPath: model})
			if err == nil || !strings.Contains(err.Error(), c.says) || c.is != nil && !errors.Is(err, c.is) {
				t.Errorf("error %v, want one that says %q", err, c.says)
			}
			if _, err := os.Stat(model); err == nil {
				t.Error("a model was saved")
			}
		})
	}
}

// A model made with other features is refused with a plain error, before any
// photo is measured.
func TestModelOfOtherFeatures(t *testing.T) {
	infos := []classify.FeatureInfo{{Name: "weight_g", Label: "weight", Unit: "g"}}
	var made []classify.Sample
	for i := range 8 {
		made = append(made, classify.Sample{ID: fmt.Sprint(i), Group: fmt.Sprint(i), Label: []string{"a", "b"}[i%2], Values: map[string]float64{"weight_g": float64(i%2*10 + i)}})
	}
	m, err := classify.Train(infos, made, likeness.TrainOptions())
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "model.json")
	if err := m.Save(path); err != nil {
		t.Fatal(err)
	}
	measured := false
	_, err = Run(context.Background(), Options{Photos: []string{filepath.Join(sampleDir, "tray", "tray-1.jpg")}, OutDir: t.TempDir(), ModelPath: path,
		Progress: func(int, int, string) { measured = true }})
	if err == nil || !strings.Contains(err.Error(), path) || measured {
		t.Errorf("error %v, measured %v", err, measured)
	}
}

// Notes make one specimen of marbles in several photos, and wrong ones stop a
// run before anything is measured or written.
func TestNotesBesideReferences(t *testing.T) {
	refs := labelled(t)
	notes := filepath.Join(refs, "notes.csv")
	const set = "clear-wide-ribbon"
	put(t, notes, []byte("photo,marble,specimen,credit\n"+set+"/"+set+"-1.jpg,1,twin,\n"+set+"/"+set+"-2.jpg,1,twin,Aunt\n"+set+"/"+set+"-2.jpg,99,,\n"))
	var log bytes.Buffer
	r, err := readReferences(refs)
	if err != nil {
		t.Fatal(err)
	}
	samples, _, err := measureReferences(context.Background(), r, calib.PrintScale{Factor: 1}, 0, func(string) {}, slog.New(slog.NewTextHandler(&log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	var twins []string
	for _, s := range samples {
		if s.Specimen != "" {
			twins = append(twins, s.Specimen+" "+s.ID)
		}
		if len(s.Marble.FeaturesSure) != len(s.Marble.Features) {
			t.Errorf("%s: %d values, %d of them said to be sure or not", s.ID, len(s.Marble.Features), len(s.Marble.FeaturesSure))
		}
	}
	if want := []string{"twin " + filepath.Join(refs, set, set+"-1.jpg") + "#1", "twin " + filepath.Join(refs, set, set+"-2.jpg") + "#1"}; !slices.Equal(twins, want) {
		t.Errorf("specimens %v, want %v", twins, want)
	}
	if !strings.Contains(log.String(), "line=4") {
		t.Errorf("a note on a marble that is not there passes without a word: %s", log.String())
	}

	put(t, notes, []byte("photo,marble\n"+set+"/nosuch.jpg,1\n"))
	out := filepath.Join(t.TempDir(), "out")
	_, err = Run(context.Background(), Options{Photos: []string{filepath.Join(sampleDir, "tray", "tray-1.jpg")}, OutDir: out, ReferencesDir: refs})
	if !errors.Is(err, ErrNotes) || !strings.Contains(err.Error(), notes+", line 2") {
		t.Errorf("wrong notes: %v", err)
	}
	if _, err := os.Stat(out); !os.IsNotExist(err) {
		t.Error("something was written")
	}
}

// Packed, checked and compared by: a bundle stands for the folder it was made
// from, a photo that is in both counts once, and other features are refused.
func TestBundleStandsForItsFolder(t *testing.T) {
	refs := labelled(t)
	const set = "clear-wide-ribbon"
	put(t, filepath.Join(refs, "notes.csv"), []byte("photo,marble,specimen,credit,permission\n"+
		set+"/"+set+"-1.jpg,,,Uncle,ask first\n"+set+"/"+set+"-1.jpg,1,twin,,\n"+set+"/"+set+"-2.jpg,1,twin,,\n"))
	put(t, filepath.Join(refs, set, "bad.jpg"), []byte{0xff, 0xd8, 0xff})
	dir := t.TempDir()
	file := filepath.Join(dir, "made", "ours.zip")
	sum, err := Bundle(context.Background(), BundleOptions{Dir: refs, Out: file, WithPhotos: true, Mine: true, Credit: "Niece"})
	if err != nil {
		t.Fatal(err)
	}
	if sum.Sets != 2 || sum.Photos != 4 || len(sum.Failures) != 1 || len(sum.Withheld) != 1 || sum.Withheld[0] != (WithheldPhoto{set + "/" + set + "-1.jpg", "ask first"}) {
		t.Errorf("%+v", sum)
	}
	again := filepath.Join(dir, "again.zip")
	if _, err := Bundle(context.Background(), BundleOptions{Dir: refs, Out: again, WithPhotos: true, Mine: true, Credit: "Niece", Workers: 1}); err != nil {
		t.Fatal(err)
	}
	one, err1 := os.ReadFile(file)
	two, err2 := os.ReadFile(again)
	if err1 != nil || err2 != nil || !bytes.Equal(one, two) {
		t.Errorf("the same folder packs to other bytes (%v, %v)", err1, err2)
	}
	if _, err := Bundle(context.Background(), BundleOptions{Dir: refs, Out: file}); err == nil || !strings.Contains(err.Error(), file) {
		t.Errorf("over a file: %v", err)
	}

	b, err := bundle.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	for _, m := range b.Manifest.Marbles {
		uncles := m.Photo == set+"/"+set+"-1.jpg"
		if want := map[bool]string{true: "Uncle", false: "Niece"}[uncles]; m.Credit != want || (m.Crop == "") != uncles {
			t.Errorf("%s #%s: credit %q, crop %q", m.Photo, m.ID, m.Credit, m.Crop)
		}
	}

	// By the bundle alone, by the folder, and by the folder that holds the
	// bundle of itself: the same marbles with the same figures.
	scale, err := calib.ScaleFromCheckBar(0) // as it was packed
	if err != nil {
		t.Fatal(err)
	}
	values := func(path string) map[string]string {
		r, err := readReferences(path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.close()
		samples, _, err := measureReferences(context.Background(), r, scale, 0, func(string) {}, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		out := map[string]string{}
		for _, s := range samples {
			_, name, _ := strings.Cut(s.ID, s.Label)
			figures, _ := json.Marshal([]any{s.Label, s.Marble.Features, s.Marble.FeaturesSure, s.Specimen != ""})
			if out[name] != "" {
				t.Errorf("%s counts twice", s.ID)
			}
			out[name] = string(figures)
		}
		return out
	}
	// Sizes are worked out from the same print scale.
	folder, alone := values(refs), values(file)
	if len(folder) != sum.Marbles || !maps.Equal(folder, alone) {
		t.Errorf("%d marbles in the folder, %d by the bundle, %d packed; the same: %v", len(folder), len(alone), sum.Marbles, maps.Equal(folder, alone))
	}
	// Plates show the crops of a bundle, and blank paper for what is kept back.
	r, err := readReferences(file)
	if err != nil {
		t.Fatal(err)
	}
	defer r.close()
	specimens, _, err := gatherSpecimens(context.Background(), r, calib.PrintScale{Factor: 1}, 0, keep{}, nil, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range specimens {
		view, err := s.View()
		if err != nil {
			t.Fatal(err)
		}
		across := 0.0 // where the size is withheld, so is the picture's scale
		if s.Marble.DiameterMM != nil {
			across = *s.Marble.DiameterMM
		}
		uncles := strings.HasSuffix(s.Photo.Path, set+"-1.jpg")
		if want := map[bool]string{true: "Uncle", false: "Niece"}[uncles]; s.Credit != want || s.Permission == refset.Own || len(view.JPEG) == 0 ||
			math.Abs(view.DiameterPX*view.MMPerPX-across) > 0.001 {
			t.Errorf("%s: %s, %d bytes of picture, %g px at %g mm", s.ID, s.Credit, len(view.JPEG), view.DiameterPX, view.MMPerPX)
		}
	}
	if len(specimens) != sum.Marbles {
		t.Errorf("%d specimens for plates, %d packed", len(specimens), sum.Marbles)
	}

	put(t, filepath.Join(refs, "ours.zip"), one)
	if both := values(refs); !maps.Equal(folder, both) {
		t.Errorf("%d marbles where the folder holds its own bundle, %d without", len(both), len(folder))
	}
	// With half of the photos gone, the bundle's figures stand in for them, and
	// the twin is one specimen still.
	if err := os.Remove(filepath.Join(refs, set, set+"-2.jpg")); err != nil {
		t.Fatal(err)
	}
	put(t, filepath.Join(refs, "notes.csv"), []byte("photo,marble,specimen\n"+set+"/"+set+"-1.jpg,1,one of two\n"))
	half, err := readReferences(refs)
	if err != nil {
		t.Fatal(err)
	}
	defer half.close()
	samples, _, err := measureReferences(context.Background(), half, calib.PrintScale{Factor: 1}, 0, func(string) {}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	twins := 0
	for _, s := range samples {
		if s.Specimen == "one of two" {
			twins++
		}
	}
	if len(samples) != sum.Marbles || twins != 2 {
		t.Errorf("%d marbles, %d of them the twin; want %d and 2", len(samples), twins, sum.Marbles)
	}
}

// A bad bundle among the references ends a run before it begins.
func TestBadBundleAmongReferences(t *testing.T) {
	refs := t.TempDir()
	put(t, filepath.Join(refs, "theirs.zip"), []byte("no zip"))
	out := filepath.Join(t.TempDir(), "out")
	_, err := Run(context.Background(), Options{Photos: []string{filepath.Join(sampleDir, "tray", "tray-1.jpg")}, OutDir: out, ReferencesDir: refs})
	if !errors.Is(err, bundle.ErrRefused) || !strings.Contains(err.Error(), "theirs.zip") || !strings.Contains(err.Error(), "take it out") {
		t.Errorf("error %v", err)
	}
	if _, err := os.Stat(out); !os.IsNotExist(err) {
		t.Error("something was written")
	}
}
