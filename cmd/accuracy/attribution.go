package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"

	"tawsight/classify"
	"tawsight/internal/likeness"
	"tawsight/internal/pipeline"
	"tawsight/internal/record"
	"tawsight/samples"
)

// labelledSamples measures the labelled photos under dir: what `tawsight
// references` learns from, each marble with the specimen that the truth names
// where another photo shows it again.
func labelledSamples(dir string) ([]classify.Sample, error) {
	paths, err := list(dir, "")
	if err != nil {
		return nil, err
	}
	byPhoto := make([][]classify.Sample, len(paths))
	var wg sync.WaitGroup
	sem := make(chan struct{}, runtime.GOMAXPROCS(0))
	for i, p := range paths {
		wg.Add(1)
		go func() {
			defer wg.Done()
			sem <- struct{}{}
			defer func() { <-sem }()
			var truth *samples.Truth
			if file, err := samples.TruthPath(p); err == nil {
				truth, _ = samples.LoadTruth(file)
			}
			ph := pipeline.Inspect(p, 0).Photo
			if ph.Error != "" || ph.Verdict.Pattern == record.Unusable || ph.Verdict.Colour == record.Unusable {
				return
			}
			specimen := map[int]string{}
			if truth != nil {
				used := map[int]bool{}
				for _, m := range truth.Marbles {
					if at := match(ph.Marbles, m, used); at >= 0 {
						used[at] = true
						specimen[at] = m.Specimen
					}
				}
			}
			for k, m := range ph.Marbles {
				if m.CutOff || len(m.Features) == 0 {
					continue
				}
				byPhoto[i] = append(byPhoto[i], classify.Sample{ID: p + "#" + m.ID, Group: p, Specimen: specimen[k],
					Label: filepath.Base(filepath.Dir(p)), Values: m.Features, Sure: m.FeaturesSure})
			}
		}()
	}
	wg.Wait()
	var out []classify.Sample
	for _, s := range byPhoto {
		out = append(out, s...)
	}
	return out, nil
}

// writeFeatureTable writes the samples as CSV: specimen, photo, label and every
// feature compared, on the scale on which it is compared; empty where it was
// not measured.
func writeFeatureTable(path string, infos []classify.FeatureInfo, all []classify.Sample) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	w := csv.NewWriter(f)
	head := []string{"specimen", "photo", "label"}
	for _, f := range infos {
		head = append(head, f.Name)
	}
	for _, f := range infos {
		head = append(head, f.Name+":sure")
	}
	w.Write(head)
	for _, s := range all {
		name := s.Specimen
		if name == "" {
			name = s.ID
		}
		row := []string{name, s.Group, s.Label}
		for _, f := range infos {
			v := ""
			if x, ok := s.Values[f.Name]; ok {
				v = strconv.FormatFloat(f.Compared(x), 'g', 8, 64)
			}
			row = append(row, v)
		}
		for _, f := range infos {
			v := ""
			if x, ok := s.Sure[f.Name]; ok {
				v = strconv.FormatFloat(x, 'g', 4, 64)
			}
			row = append(row, v)
		}
		w.Write(row)
	}
	w.Flush()
	if err := w.Error(); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}

// attributionSection prints how well the labelled sets under dir are told apart,
// beside what scikit-learn's classifiers make of the same table in the same
// folds (classify/testdata/sample_sets.py).
func attributionSection(w io.Writer, dir, tablePath string) error {
	all, err := labelledSamples(dir)
	if err != nil {
		return err
	}
	infos := likeness.FeatureInfos()
	if tablePath != "" {
		if err := writeFeatureTable(tablePath, infos, all); err != nil {
			return err
		}
	}
	fmt.Fprintf(w, "\nwhich set a marble is of: %d marbles in photos, %d features\n", len(all), len(infos))
	for _, byPhoto := range []bool{false, true} {
		opts := classify.Options{LeaveOutGroups: byPhoto}
		loo, err := classify.LeaveOneOut(infos, all, opts)
		if err != nil {
			return err
		}
		name := "each marble left out"
		if byPhoto {
			name = "each photo left out"
		}
		status := map[string]int{}
		assignedRight := 0
		for _, m := range loo.Marbles {
			if m.Tested {
				status[m.Prediction.Status]++
				if m.Prediction.Status == classify.Assigned && m.Prediction.Label == m.Label {
					assignedRight++
				}
			}
		}
		fmt.Fprintf(w, "%s: %d of %d right (%.1f %%), calibration error %.3f, Brier score %.3f\n", name, loo.Correct, loo.Tested,
			100*float64(loo.Correct)/float64(max(1, loo.Tested)), loo.CalibrationError, loo.Brier)
		fmt.Fprintf(w, "   assigned %d, of which right %d; doubtful %d; members called unlike any %d (%.1f %%)\n", status[classify.Assigned], assignedRight,
			status[classify.Doubtful], loo.Rejected, 100*float64(loo.Rejected)/float64(max(1, loo.Tested)))
		for _, c := range loo.Candidates {
			mark := " "
			if c.Chosen {
				mark = "*"
			}
			fmt.Fprintf(w, "   %s %-40s %d wrong, cross-entropy %.3f\n", mark, c.Name, c.Wrong, c.CrossEntropy)
		}
		for i, row := range loo.Confusion {
			fmt.Fprintf(w, "   %-24s %v  recall %d of %d, 95 %% %.2f to %.2f\n", loo.Labels[i], row, loo.Recall[i].Correct, loo.Recall[i].Tested, loo.Recall[i].Low, loo.Recall[i].High)
		}
		if !byPhoto {
			for _, s := range loo.Mislabelled {
				fmt.Fprintln(w, "   "+s.Text)
			}
			for _, d := range loo.Duplicates {
				fmt.Fprintln(w, "   "+d.Text)
			}
		}
	}
	strangers, err := classify.LeaveSetsOut(infos, all, classify.Options{})
	if err != nil {
		return err
	}
	found, tested := 0, 0
	fmt.Fprint(w, "a whole set left out, its marbles called unlike any:")
	for _, s := range strangers {
		fmt.Fprintf(w, " %s %d of %d;", s.Label, s.Found, s.Tested)
		found, tested = found+s.Found, tested+s.Tested
	}
	fmt.Fprintf(w, " in all %.1f %%\n", 100*float64(found)/float64(max(1, tested)))
	if err := scikit(w); err != nil {
		return err
	}
	return firstReasons(w, infos)
}

// firstReasons prints, for pairs of groups that are alike but for one property,
// how often the first reason of a marble's attribution, the marble itself left
// out, names a feature of that property.
func firstReasons(w io.Writer, infos []classify.FeatureInfo) error {
	fmt.Fprintln(w, "pairs that differ in one property, which must come first among the reasons:")
	right, all := 0, 0
	for _, p := range samples.Pairs {
		dir := filepath.Join("samples/photos/pairs", p.Property)
		both, err := labelledSamples(dir)
		if err != nil {
			return err
		}
		for i := range both {
			// Groups are files of one folder: a-1.jpg, b-1.jpg. A marble has its
			// like in the other group, which is another marble.
			both[i].Label, both[i].Specimen = filepath.Base(both[i].Group)[:1], ""
		}
		loo, err := classify.LeaveOneOut(infos, both, classify.Options{})
		if err != nil {
			return fmt.Errorf("%s: %w", dir, err)
		}
		first := map[string]int{}
		ok, n := 0, 0
		for _, m := range loo.Marbles {
			if !m.Tested || len(m.Prediction.Reasons) == 0 {
				continue
			}
			n++
			f := m.Prediction.Reasons[0].Feature
			first[f]++
			if slices.Contains(p.FirstReasons, f) {
				ok++
			}
		}
		right, all = right+ok, all+n
		var named []string
		for f, k := range first {
			named = append(named, fmt.Sprintf("%s %d", f, k))
		}
		slices.Sort(named)
		fmt.Fprintf(w, "   %-14s %d of %d; told apart %d of %d; named first: %s\n", p.Property, ok, n, loo.Correct, loo.Tested, strings.Join(named, ", "))
	}
	fmt.Fprintf(w, "   in all %d of %d (%.1f %%)\n", right, all, 100*float64(right)/float64(max(1, all)))
	return nil
}

// scikit prints the committed figures of scikit-learn's classifiers.
func scikit(w io.Writer) error {
	data, err := os.ReadFile("classify/testdata/sample_sets.json")
	if err != nil {
		return nil // not written yet
	}
	var v struct {
		MadeWith string             `json:"made_with"`
		Marbles  int                `json:"marbles"`
		Marble   map[string]float64 `json:"each_marble_left_out"`
		Photo    map[string]float64 `json:"each_photo_left_out"`
	}
	if err := json.Unmarshal(data, &v); err != nil {
		return fmt.Errorf("classify/testdata/sample_sets.json: %w", err)
	}
	fmt.Fprintf(w, "%s, kept from an earlier table of %d marbles (classify/testdata):\n", v.MadeWith, v.Marbles)
	for _, name := range []string{"NearestCentroid", "LinearDiscriminantAnalysis", "5 nearest neighbours"} {
		fmt.Fprintf(w, "   %-28s each marble left out %.1f %%, each photo left out %.1f %%\n", name, 100*v.Marble[name], 100*v.Photo[name])
	}
	return nil
}
