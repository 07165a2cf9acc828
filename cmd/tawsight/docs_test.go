package main

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	"tawsight/features"
	"tawsight/internal/pipeline"
	"tawsight/internal/record"
)

var update = flag.Bool("update", false, "write docs/features.md anew")

const featuresDoc = "../../docs/features.md"

// featuresPage is the registry as a page for people: the same facts that
// `tawsight features` prints.
func featuresPage() (string, error) {
	list, err := pipeline.Features()
	if err != nil {
		return "", err
	}
	// Stars and underscores would start emphasis, a bar would end a cell.
	plain := strings.NewReplacer("*", `\*`, "_", `\_`, "|", `\|`, "<", "&lt;").Replace
	var b strings.Builder
	fmt.Fprintf(&b, `# What is measured of a marble

Feature registry version %d. Made from [features/registry.go](../features/registry.go) by `+"`make docs`"+`; a test fails
where the two differ. Each feature is a column `+"`feature_NAME`"+` of `+"`marbles.csv`"+` and a name under `+"`features`"+` in
`+"`photos.jsonl`"+`; marbles are compared by those marked so. `+"`features_sure`"+` says how sure each is on the marble at hand, 0 to 1:
whatever it rests on lowers that where the photo gives it badly, and below %g it is not to be relied on
(`+"`features_unsure`"+` in the table). A feature that could not be measured is absent, and `+"`features_absent`"+` says why.
`+"`tawsight measure … --explain DIR`"+` draws, for each marble, how its figures came about.

| name | label | unit | range | meaning | rests on | misled by | sets compared by it |
| --- | --- | --- | --- | --- | --- | --- | --- |
`, features.Version, record.UnsureBelow)
	for _, f := range list {
		unit := f.Unit
		if unit == "" {
			unit = "–"
		}
		rests := strings.Join(f.RestsOn, "; ")
		if rests == "" {
			rests = "–"
		}
		compared := "yes"
		if f.NotCompared != "" {
			compared = "no: " + f.NotCompared
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %g to %g | %s | %s | %s | %s |\n",
			f.Name, plain(f.Label), plain(unit), f.Low, f.High, plain(f.Meaning), plain(rests), plain(f.Disturbed), plain(compared))
	}
	for _, u := range features.NotMeasured {
		fmt.Fprintf(&b, "\nNot measured: **%s**. %s\n", u.Name, plain(u.Why))
	}
	b.WriteString(`
Areas, lengths and counts are of the face that the camera sees, the rim beyond 0.9 of the radius, mirrored lamps and
what neighbours cover left out. Colours are CIELAB, D65, 2-degree observer, under the photo's own white.
`)
	return b.String(), nil
}

func TestFeaturesPageIsUpToDate(t *testing.T) {
	want, err := featuresPage()
	if err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.MkdirAll("../../docs", 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(featuresDoc, []byte(want), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(featuresDoc)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != want {
		t.Error("docs/features.md differs from the registry: run make docs")
	}
}
