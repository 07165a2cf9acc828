package main

import (
	"encoding/json"
	"fmt"
	"go/doc/comment"
	"strings"

	"tawsight/features"
	"tawsight/internal/pipeline"
)

type featuresCommand struct {
	JSON bool `name:"json" help:"Print it as JSON, for programs."`
}

func (featuresCommand) Help() string {
	return `These are the columns feature_NAME of marbles.csv, and what marbles are compared by, unless it says why not. Each figure comes with how sure it is on the marble at hand, 0 to 1: what it rests on lowers that.`
}

func (c featuresCommand) Run(s *session) error {
	list, err := pipeline.Features()
	if err != nil {
		return err
	}
	if c.JSON {
		enc := json.NewEncoder(s.stdout)
		enc.SetEscapeHTML(false)
		enc.SetIndent("", "  ")
		return enc.Encode(struct {
			Version     int                    `json:"features_version"`
			Features    []pipeline.FeatureInfo `json:"features"`
			NotMeasured []features.Unmeasured  `json:"not_measured"`
		}{features.Version, list, features.NotMeasured})
	}
	for i, f := range list {
		if i > 0 {
			fmt.Fprintln(s.stdout)
		}
		if _, err := fmt.Fprint(s.stdout, featureText(f)); err != nil {
			return err
		}
	}
	for _, u := range features.NotMeasured {
		if _, err := fmt.Fprint(s.stdout, "\n", wrapped("Not measured: "+u.Name, "", "    "), wrapped(u.Why, "    ", "    ")); err != nil {
			return err
		}
	}
	return nil
}

// textColumns is how wide the list is printed.
const textColumns = 100

// featureText is one feature for people, no line longer than textColumns.
func featureText(f pipeline.FeatureInfo) string {
	unit := f.Unit
	if unit == "" {
		unit = "no unit"
	}
	var b strings.Builder
	head := fmt.Sprintf("%s (%s), %s, %g to %g", f.Name, f.Label, unit, f.Low, f.High)
	b.WriteString(wrapped(head, "", "    "))
	b.WriteString(wrapped(f.Meaning, "    ", "    "))
	if len(f.RestsOn) > 0 {
		b.WriteString(wrapped("Rests on: "+strings.Join(f.RestsOn, "; "), "    ", "      "))
	}
	if f.Disturbed != "" {
		b.WriteString(wrapped("Misled by: "+f.Disturbed, "    ", "      "))
	}
	if f.NotCompared != "" {
		b.WriteString(wrapped("Sets are not compared by it: "+f.NotCompared, "    ", "      "))
	}
	return b.String()
}

// wrapped breaks a paragraph into lines of at most textColumns, the first after
// one indent and the others after another.
func wrapped(text, first, rest string) string {
	p := comment.Printer{TextWidth: textColumns - max(len(first), len(rest))}
	doc := &comment.Doc{Content: []comment.Block{&comment.Paragraph{Text: []comment.Text{comment.Plain(text)}}}}
	lines := strings.Split(strings.TrimSpace(string(p.Text(doc))), "\n")
	return first + strings.Join(lines, "\n"+rest) + "\n"
}
