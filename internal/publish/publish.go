// Package publish makes the guide of a collection: it joins what internal/guide
// draws to what internal/collection keeps.
package publish

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"tawsight/internal/collection"
	"tawsight/internal/guide"
	"tawsight/internal/opinions"
	"tawsight/internal/pipeline"
	"tawsight/internal/report"
)

// Make makes the next edition of a collection's guide. The title, the
// collector's words and the date are those of words; all else is filled in
// here. It rests on the labels given for certain, as comparing does. earlier is
// what to compare with; where nil, it is the last guide that the collection
// knows, if any. The error wraps opinions.ErrNothingToLearn where labels don't
// suffice.
func Make(ctx context.Context, c *collection.Collection, k *opinions.Keeper, words guide.Source, earlier *guide.Edition) (*guide.Edition, error) {
	learned, err := k.Fresh(ctx)
	if err != nil {
		return nil, err
	}
	src := words
	src.Learned, src.MadeBy = learned, pipeline.MadeBy()
	sets, err := c.Sets(ctx)
	if err != nil {
		return nil, err
	}
	shown := map[string]map[string]bool{} // specimens by set
	for _, s := range learned.Specimens() {
		if shown[s.Label] == nil {
			shown[s.Label] = map[string]bool{}
		}
		shown[s.Label][s.Specimen] = true
	}
	for _, s := range sets {
		n := len(shown[s.Name])
		if n == 0 {
			if s.Members > 0 {
				src.Warnings = append(src.Warnings, fmt.Sprintf("Not in this guide: %s, since none of its %s is labelled as certain by a photo good enough to compare by.", s.Name, report.Plural(s.Members, "marble")))
			}
			continue
		}
		src.Sets = append(src.Sets, guide.SetInfo{Label: s.Name, ID: s.ID, Note: s.Note, Uncertain: s.Members - s.Certain, TooPoor: s.Certain - n})
	}
	e, err := guide.Make(src)
	if err != nil {
		return nil, err
	}
	if earlier == nil {
		if earlier, err = Last(ctx, c); err != nil {
			return nil, err
		}
	}
	if earlier != nil {
		e.Follow(earlier)
	}
	return e, nil
}

// Last is the last edition that the collection knows; nil where there is none.
func Last(ctx context.Context, c *collection.Collection) (*guide.Edition, error) {
	g, ok, err := c.LastGuide(ctx)
	if err != nil || !ok {
		return nil, err
	}
	e, err := guide.Read(bytes.NewReader(g.Summary))
	if errors.Is(err, guide.ErrNoEdition) {
		return nil, nil // kept in a form of before: nothing can be compared with it
	}
	return e, err
}

// Write writes the guide to a folder and has the collection keep what the next
// edition is compared with; it gives the files' paths, the page to open first.
func Write(ctx context.Context, c *collection.Collection, dir string, e *guide.Edition) ([]string, error) {
	files, err := guide.Write(dir, e)
	if err != nil {
		return files, err
	}
	var buf bytes.Buffer
	if err := e.Encode(&buf); err != nil {
		return files, err
	}
	return files, c.KeepGuide(ctx, e.Title, buf.Bytes())
}
