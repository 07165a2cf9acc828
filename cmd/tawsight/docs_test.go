package main

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	"tawsight/features"
)

var update = flag.Bool("update", false, "write docs/features.md anew")

const featuresDoc = "../../docs/features.md"

// featuresPage is the registry as a page for people.
func featuresPage() string {
	var b strings.Builder
	fmt.Fprintf(&b, `# What is measured of a marble

Feature registry version %d. Made from [features/registry.go](../features/registry.go) by `+"`make docs`"+`; a test fails
where the two differ. Each feature is a column `+"`feature_NAME`"+` of `+"`marbles.csv`"+` and a name under `+"`features`"+` in
`+"`photos.jsonl`"+`; marbles are compared by them. A feature that could not be measured is absent.

| name | unit | range | meaning | misled by |
| --- | --- | --- | --- | --- |
`, features.Version)
	for _, f := range features.All() {
		unit := f.Unit
		if unit == "" {
			unit = "–"
		}
		// A star alone would start emphasis.
		unit = strings.ReplaceAll(unit, "*", `\*`)
		meaning := strings.ReplaceAll(f.Meaning, "*", `\*`)
		fmt.Fprintf(&b, "| `%s` | %s | %g to %g | %s | %s |\n", f.Name, unit, f.Low, f.High, meaning, f.Disturbed)
	}
	b.WriteString(`
Areas, lengths and counts are of the face that the camera sees, the rim beyond 0.9 of the radius, mirrored lamps and
what neighbours cover left out. Colours are CIELAB, D65, 2-degree observer, under the photo's own white.
`)
	return b.String()
}

func TestFeaturesPageIsUpToDate(t *testing.T) {
	want := featuresPage()
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
