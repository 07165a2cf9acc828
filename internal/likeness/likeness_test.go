package likeness

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"tawsight/classify"
	"tawsight/features"
	"tawsight/internal/record"
	"tawsight/internal/refset"
	"tawsight/internal/report"
)

// sill are made-up specimens: each set lies a little further along every
// feature's range than the one before, eight marbles each from two photos of
// four. fetched counts the pictures that were asked for.
func sill(sets ...string) (out []Specimen, fetched *atomic.Int64) {
	fetched = new(atomic.Int64)
	r := rand.New(rand.NewPCG(7, 11))
	for k, set := range sets {
		for i := range 8 {
			p := &record.Photo{Path: fmt.Sprintf("sill/%s/%s-%d.jpg", set, set, i/4+1), SHA256: fmt.Sprint(set, i/4)}
			out = append(out, Specimen{
				ID: fmt.Sprintf("%s#%d", p.Path, i%4+1), Photo: p, Label: set,
				Marble: &record.Marble{ID: fmt.Sprint(i%4 + 1), Features: along(r, 0.25+0.15*float64(k)), DiameterMM: record.F(15 + float64(k))},
				View: func() (report.View, error) {
					fetched.Add(1)
					return report.View{SidePX: 1 + i}, nil
				},
			})
		}
	}
	return out, fetched
}

// along are features about a place in their ranges, 0..1.
func along(r *rand.Rand, at float64) map[string]float64 {
	out := map[string]float64{}
	for _, f := range features.All() {
		out[f.Name] = f.Low + (f.High-f.Low)*(at+0.05*r.NormFloat64())
	}
	return out
}

func learn(t *testing.T, specimens []Specimen) *Learned {
	t.Helper()
	l, err := Learn(specimens)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func encoded(t *testing.T, m *classify.Model) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := m.Encode(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// What is learnt is what classify learns from the same marbles, and the answer
// in the record is that of the model.
func TestLearnIsClassify(t *testing.T) {
	specimens, fetched := sill("jar", "tin")
	specimens[1].Specimen, specimens[5].Specimen = "twin", "twin"
	l := learn(t, specimens)
	var samples []classify.Sample
	for _, s := range specimens {
		samples = append(samples, classify.Sample{ID: s.ID, Group: s.Photo.Path, Specimen: s.Specimen, Label: s.Label, Values: s.Marble.Features})
	}
	model, err := classify.Train(FeatureInfos(), samples, TrainOptions())
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(encoded(t, l.Model()), encoded(t, model)) {
		t.Error("another model than classify's")
	}
	want, err := classify.LeaveOneOut(FeatureInfos(), samples, TrainOptions())
	if err != nil {
		t.Fatal(err)
	}
	if got, err := l.LeaveOneOut(); err != nil || !reflect.DeepEqual(got, want) || got.Tested != 15 {
		t.Errorf("leaving out shows %d of %d, want %d of %d (%v)", got.Correct, got.Tested, want.Correct, want.Tested, err)
	}
	m := specimens[12].Marble
	pr, err := model.Predict(m.Features)
	if err != nil {
		t.Fatal(err)
	}
	a, err := l.Attribute(m)
	if err != nil || a.Label != "tin" || a.Label != pr.Label || a.Status != pr.Status || a.Probability != round(pr.Probability, 3) || len(a.Reasons) != mostReasons {
		t.Errorf("%+v (%v), the model says %s %s %g", a, err, pr.Label, pr.Status, pr.Probability)
	}
	if _, err := l.Attribute(&record.Marble{}); !errors.Is(err, classify.ErrTooFewFeatures) {
		t.Errorf("nothing was measured: %v", err)
	}
	if fetched.Load() != 0 {
		t.Error("pictures were fetched for nothing")
	}
	if _, err := Learn(nil); !errors.Is(err, classify.ErrNoSamples) {
		t.Errorf("from nothing: %v", err)
	}
}

// A plate shows the nearest specimens, a marble of two photos once, and fetches
// the pictures of those it shows alone.
func TestPlate(t *testing.T) {
	specimens, fetched := sill("jar", "tin")
	for _, i := range []int{1, 5} {
		specimens[i].Name, specimens[i].Specimen = "the twin", "twin"
	}
	specimens[2].Credit, specimens[2].Permission = "A. Neighbour", refset.AskFirst
	l := learn(t, specimens)
	m := record.Marble{ID: "9", Features: specimens[2].Marble.Features,
		Flags: []record.Flag{{Affects: []string{record.AboutSize}, Message: "it is tilted"}, {Affects: []string{"nothing"}, Message: "none of it"}}}
	p := &record.Photo{Path: "new.jpg", Marbles: []record.Marble{m}, MadeBy: record.MadeBy{Tawsight: "x"}}
	pr, err := l.Predict(&m)
	if err != nil {
		t.Fatal(err)
	}
	plate, err := l.Plate(p, &m, report.View{SidePX: 77}, pr)
	if err != nil {
		t.Fatal(err)
	}
	if plate.Marble.ID != "9" || plate.View.SidePX != 77 || plate.PhotoPath != "new.jpg" || plate.MadeBy != p.MadeBy || plate.Status != pr.Status || !slices.Equal(plate.Notes, []string{"it is tilted"}) {
		t.Errorf("%+v", plate)
	}
	if len(plate.Sets) != 2 || plate.Sets[0].Label != "jar" || plate.Sets[0].Marbles != 7 || plate.Sets[1].Marbles != 8 || plate.Sets[0].Tested != 7 {
		t.Fatalf("sets %+v", plate.Sets)
	}
	near := plate.Sets[0].Specimens
	if len(near) != 4 || near[0].Name != "jar-1, no. 3" || near[0].View.SidePX != 3 || near[0].Credit != "A. Neighbour" || near[0].Permission != "permission: ask first" {
		t.Errorf("the nearest %+v", near)
	}
	names := map[string]int{}
	for _, s := range plate.Sets {
		for _, q := range s.Specimens {
			names[q.Name]++
			if names[q.Name] > 1 {
				t.Errorf("%s is shown twice", q.Name)
			}
		}
	}
	if n := fetched.Load(); n != 8 {
		t.Errorf("%d pictures fetched for 8 places", n)
	}
	if len(plate.Features) == 0 || len(plate.Features[0].Usual) != 2 || plate.Features[0].Value == nil || len(plate.Reasons) != 4 || len(plate.HowSure) != 2 || len(plate.Settle) == 0 {
		t.Errorf("%d features, reasons %q, how sure %q, settle %q", len(plate.Features), plate.Reasons, plate.HowSure, plate.Settle)
	}

	gone := errors.New("the file is gone")
	for i := range specimens {
		specimens[i].View = func() (report.View, error) { return report.View{}, gone }
	}
	if _, err := l.Plate(p, &m, report.View{}, pr); !errors.Is(err, gone) || !strings.Contains(err.Error(), specimens[2].Photo.Path) {
		t.Errorf("a picture that is gone: %v", err)
	}
	specimens[2].View = nil
	if _, err := l.Plate(p, &m, report.View{}, pr); !errors.Is(err, ErrNoView) {
		t.Errorf("no picture at all: %v", err)
	}
}

// The rule for a third set: about as likely as the second.
func TestThirdSet(t *testing.T) {
	specimens, _ := sill("jar", "tin", "box")
	l := learn(t, specimens)
	m := specimens[8].Marble
	for _, c := range []struct {
		p    [3]float64
		sets int
	}{
		{[3]float64{0.5, 0.3, 0.2}, 3}, {[3]float64{0.6, 0.27, 0.13}, 2}, {[3]float64{0.83, 0.085, 0.085}, 2}, {[3]float64{0.4, 0.4, 0.2}, 3},
	} {
		pr := classify.Prediction{Label: "jar", Status: classify.Doubtful, RunnerUp: "tin", Probability: c.p[0]}
		for i, set := range []string{"jar", "tin", "box"} {
			pr.Sets = append(pr.Sets, classify.Likeness{Label: set, Probability: c.p[i]})
		}
		plate, err := l.Plate(&record.Photo{}, m, report.View{}, pr)
		if err != nil || len(plate.Sets) != c.sets {
			t.Errorf("%v: %d sets, want %d (%v)", c.p, len(plate.Sets), c.sets, err)
		}
	}
}

// What was saved and read again answers as what was learnt, without leaving out
// anew; and without specimens it still answers.
func TestRestore(t *testing.T) {
	specimens, _ := sill("jar", "tin")
	l := learn(t, specimens)
	loo, err := l.LeaveOneOut()
	if err != nil {
		t.Fatal(err)
	}
	kept, err := json.Marshal(loo)
	if err != nil {
		t.Fatal(err)
	}
	var again classify.LOO
	if err := json.Unmarshal(kept, &again); err != nil {
		t.Fatal(err)
	}
	model, err := classify.Decode(bytes.NewReader(encoded(t, l.Model())))
	if err != nil {
		t.Fatal(err)
	}
	m, p := specimens[3].Marble, &record.Photo{Path: "new.jpg"}
	show := func(l *Learned) (report.Plate, report.Health) {
		t.Helper()
		pr, err := l.Predict(m)
		if err != nil {
			t.Fatal(err)
		}
		plate, err := l.Plate(p, m, report.View{}, pr)
		if err != nil {
			t.Fatal(err)
		}
		h, err := l.Health(HealthOptions{})
		if err != nil {
			t.Fatal(err)
		}
		for i := range plate.Features { // functions are never the same
			plate.Features[i].Feature = features.Feature{Name: plate.Features[i].Feature.Name}
		}
		return plate, h
	}
	plate, health := show(l)
	for name, r := range map[string]*Learned{"with what leaving out showed": Restore(model, &again, specimens), "leaving out anew": Restore(model, nil, specimens)} {
		gotPlate, gotHealth := show(r)
		if !reflect.DeepEqual(gotPlate, plate) {
			t.Errorf("%s: restored, the plate is\n%+v\nlearnt\n%+v", name, gotPlate, plate)
		}
		// Lists may come back empty where there were none.
		var a, b bytes.Buffer
		if err := errors.Join(report.EncodeHealth(&a, gotHealth), report.EncodeHealth(&b, health)); err != nil || a.String() != b.String() {
			t.Errorf("%s: restored, the sets are\n%s\nlearnt\n%s (%v)", name, a.String(), b.String(), err)
		}
	}
	told := Restore(model, &classify.LOO{Tested: 4711}, specimens)
	if loo, err := told.LeaveOneOut(); err != nil || loo.Tested != 4711 {
		t.Errorf("what is known is worked out again: %+v %v", loo, err)
	}
	bare := Restore(model, &again, nil)
	a, errA := bare.Attribute(m)
	b, errB := l.Attribute(m)
	if errA != nil || errB != nil || !reflect.DeepEqual(a, b) {
		t.Errorf("without specimens %+v (%v), with them %+v (%v)", a, errA, b, errB)
	}
	pr, err := bare.Predict(m)
	if err != nil {
		t.Fatal(err)
	}
	if plate, err := bare.Plate(p, m, report.View{}, pr); err != nil || len(plate.Sets) != 2 || len(plate.Sets[0].Specimens) != 0 || plate.Sets[0].Tested != 8 {
		t.Errorf("a plate without specimens: %+v %v", plate.Sets, err)
	}
	if _, err := Restore(model, nil, nil).LeaveOneOut(); !errors.Is(err, classify.ErrNoSamples) {
		t.Errorf("leaving out of nothing: %v", err)
	}
}

func TestHealth(t *testing.T) {
	specimens, fetched := sill("jar", "tin")
	// The same marble twice, under made-up names, to have texts with names in.
	twice := specimens[0]
	twice.ID, twice.Name = specimens[0].ID+"0", "the odd one"
	twice.Photo = &record.Photo{Path: "sill/jar/jar-3.jpg"}
	specimens = append(specimens, twice)
	specimens[2].Specimen, specimens[6].Specimen = "twin", "twin"
	specimens[2].Marble.Base, specimens[3].Marble.Ribbons = &record.Base{Lab: [3]float64{50, 0, 0}}, []record.Ribbon{{Lab: [3]float64{60, 20, 0}}}
	specimens[3].Marble.Verdict = &record.Verdicts{Size: record.Unusable}
	l := learn(t, specimens)
	h, err := l.Health(HealthOptions{MadeBy: record.MadeBy{OpenCV: "none"}})
	if err != nil {
		t.Fatal(err)
	}
	loo, err := l.LeaveOneOut()
	if err != nil {
		t.Fatal(err)
	}
	if h.Tested != loo.Tested || h.Right != loo.Correct || h.MadeBy.OpenCV != "none" || len(h.Bins) != len(loo.Bins) || *h.Brier != round(loo.Brier, 4) {
		t.Errorf("%+v", h)
	}
	if len(h.Sets) != 2 || h.Sets[0].Label != "jar" || h.Sets[0].Photos != 3 || h.Sets[1].Photos != 2 || h.Sets[0].Specimens != 8 || len(h.Sets[0].SizesMM) != 7 ||
		len(h.Sets[0].Base) != 1 || len(h.Sets[0].Ribbons) != 1 || len(h.Sets[0].Gallery) != 0 {
		t.Errorf("%+v", h.Sets)
	}
	if n := fetched.Load(); n != 0 {
		t.Errorf("%d pictures fetched without a gallery", n)
	}
	if len(h.Duplicates) != 1 || !strings.HasPrefix(h.Duplicates[0].Text, "jar-1, no. 1 and the odd one look") {
		t.Errorf("duplicates %+v", h.Duplicates)
	}

	h, err = l.Health(HealthOptions{Photos: map[string]int{"jar": 9, "none of it read": 1}, Gallery: true})
	if err != nil {
		t.Fatal(err)
	}
	if len(h.Sets) != 3 || h.Sets[0].Photos != 9 || h.Sets[1].Label != "none of it read" || h.Sets[1].Photos != 1 || h.Sets[1].Specimens != 0 || h.Sets[2].Photos != 2 {
		t.Errorf("%+v", h.Sets)
	}
	if n := fetched.Load(); n != 16 || len(h.Sets[0].Gallery) != 8 || len(h.Sets[2].Gallery) != 8 {
		t.Errorf("%d pictures fetched for a gallery of %d and %d", n, len(h.Sets[0].Gallery), len(h.Sets[2].Gallery))
	}
	specimens[4].View = nil
	if _, err := l.Health(HealthOptions{Gallery: true}); !errors.Is(err, ErrNoView) {
		t.Errorf("a gallery with a picture missing: %v", err)
	}
}

// Many pages may ask at once; leaving out is done once.
func TestFromManyGoroutines(t *testing.T) {
	specimens, _ := sill("jar", "tin")
	l := learn(t, specimens)
	var wg sync.WaitGroup
	for i := range specimens {
		wg.Add(1)
		go func() {
			defer wg.Done()
			m := specimens[i].Marble
			pr, err := l.Predict(m)
			if err == nil {
				_, err = l.Plate(specimens[i].Photo, m, report.View{}, pr)
			}
			if err != nil {
				t.Error(err)
			}
		}()
	}
	wg.Wait()
	a, errA := l.LeaveOneOut()
	b, errB := l.LeaveOneOut()
	if errA != nil || errB != nil || &a.Marbles[0] != &b.Marbles[0] {
		t.Error("leaving out is done again at each call")
	}
}

func TestUsable(t *testing.T) {
	verdict := func(colour, pattern record.Verdict) record.Verdicts {
		return record.Verdicts{Size: record.Unusable, Colour: colour, Pattern: pattern}
	}
	grave := record.Flag{Severity: record.Fail, Affects: []string{record.AboutColour}, Message: "it is dark", Advice: "more light"}
	slight := record.Flag{Severity: record.Warn, Affects: []string{record.AboutColour}, Message: "it is dim", Advice: "more light"}
	some := map[string]float64{"diameter_mm": 16}
	poor := verdict(record.Unusable, record.Good)
	for name, c := range map[string]struct {
		photo     record.Verdicts
		flags     []record.Flag
		marble    record.Marble
		learnable bool
		none, not string
	}{
		"good":             {photo: verdict(record.Good, record.Doubtful), marble: record.Marble{Features: some}, learnable: true},
		"nothing measured": {photo: verdict(record.Good, record.Good)},
		"cut off": {photo: verdict(record.Good, record.Good), marble: record.Marble{Features: some, CutOff: true},
			not: "it is cut off by the photo's edge: take it whole"},
		"dark photo": {photo: poor, flags: []record.Flag{slight, grave}, marble: record.Marble{Features: some},
			none: "The photo is too poor to compare colours by: it is dark; more light.", not: "the photo is too poor to compare colours by: it is dark; more light"},
		"no pattern": {photo: verdict(record.Good, record.Unusable), flags: []record.Flag{grave}, marble: record.Marble{Features: some, CutOff: true},
			none: "The photo is too poor to compare patterns by.", not: "the photo is too poor to compare patterns by"},
		"dark marble": {photo: verdict(record.Good, record.Good), marble: record.Marble{Features: some, Verdict: &poor, Flags: []record.Flag{slight, grave}},
			learnable: true, not: "it is dark; more light"},
		"hidden marble": {photo: verdict(record.Good, record.Good), marble: record.Marble{Features: some, Verdict: &poor}, learnable: true, not: "too little of it is seen"},
	} {
		t.Run(name, func(t *testing.T) {
			p := &record.Photo{Verdict: c.photo, Flags: c.flags, Marbles: []record.Marble{c.marble}}
			m := &p.Marbles[0]
			if got := Learnable(p, m); got != c.learnable {
				t.Errorf("learnable: %v", got)
			}
			if got := WhyNoneCompared(p); got != c.none {
				t.Errorf("none is compared: %q, want %q", got, c.none)
			}
			if got := WhyNotCompared(p, m); got != c.not {
				t.Errorf("it is not compared: %q, want %q", got, c.not)
			}
		})
	}
	if got := WhyNoneCompared(&record.Photo{Flags: []record.Flag{grave}}); got != "No marble was found in the photo: it is dark; more light." {
		t.Errorf("%q", got)
	}
}
