package collection

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// csvOf are the tables of what a filter picks, by name.
func csvOf(t testing.TB, c *Collection, f Filter) map[string]string {
	t.Helper()
	files := map[string]*bytes.Buffer{}
	err := c.ExportCSV(context.Background(), f, func(name string) (io.Writer, error) {
		files[name] = &bytes.Buffer{}
		return files[name], nil
	})
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for name, b := range files {
		out[name] = b.String()
	}
	return out
}

func cellsOf(t testing.TB, table string) [][]string {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(table)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func tableOf(rows [][]string, comma rune) string {
	var b strings.Builder
	w := csv.NewWriter(&b)
	w.Comma = comma
	w.WriteAll(rows)
	return b.String()
}

func TestTablesComeBack(t *testing.T) {
	c, ctx := full(t), context.Background()
	tables := csvOf(t, c, Filter{Sort: BySize})
	for name, rows := range map[string]int{MarblesCSV: 5, PhotosCSV: 2, LabelsCSV: 8, NotesCSV: 3} {
		if got := cellsOf(t, tables[name]); len(got) != rows+1 {
			t.Errorf("%s has %d rows, want %d:\n%s", name, len(got)-1, rows, tables[name])
		}
		if !strings.HasSuffix(tables[name], "\r\n") {
			t.Errorf("%s: lines do not end as RFC 4180 says", name)
		}
	}
	before := dumpAll(t, c)
	// As it was written, and as other spreadsheets would save it.
	rows := cellsOf(t, tables[MarblesCSV])
	turned := append([][]string{rows[0]}, rows[3], rows[1])
	for name, table := range map[string]string{
		"as it was": tables[MarblesCSV], "with a mark": "\ufeff" + tables[MarblesCSV], "semicolons": tableOf(rows, ';'), "tabs": tableOf(rows, '\t'), "some rows": tableOf(turned, ','),
	} {
		in, err := c.ImportCSV(ctx, "Ada", "marbles.csv", strings.NewReader(table))
		if err != nil || in.Changed != 0 || in.Edit.Seq != 0 {
			t.Errorf("%s: %+v, %v", name, in, err)
		}
		if dumpAll(t, c) != before {
			t.Fatalf("%s: a table that was not edited changed something", name)
		}
	}
	// No cell may be taken for a formula.
	for name, table := range tables {
		for _, row := range cellsOf(t, table)[1:] {
			for i, cell := range row {
				if head := cellsOf(t, table)[0][i]; strings.ContainsAny(cell[:min(1, len(cell))], "=+-@\t\r") && !strings.HasSuffix(head, "_a") && !strings.HasSuffix(head, "_b") {
					t.Errorf("%s, column %s: a cell begins as a formula does: %q", name, head, cell)
				}
			}
		}
	}

	// Edited.
	at := func(name string) int { return slices.Index(rows[0], name) }
	find := func(title string) []string {
		return rows[slices.IndexFunc(rows, func(r []string) bool { return r[at("title")] == title })]
	}
	big, other := find("Größte"), find("a, no. 3")
	if big[at("tags")] != `'@home; back\\slash; show\; or swap` || big[at("note")] != "a second note" {
		t.Errorf("the cells: %q", big)
	}
	big[at("set")], big[at("sure")], big[at("evidence")] = "new & fine", "likely", "'=1+1"
	big[at("tags")] = `one; two\; three`
	big[at("grade")], big[at("condition")] = "mint", "-no chips"
	big[at("note")] = "third note"
	big[at("provenance")] = ""
	big[at("credit")], big[at("permission")] = "Di", "may share"
	big[at("name")] = "Grösste"
	big[at("diameter_mm")] = "99"
	other[at("set")] = "" // left undecided, from labelled
	in, err := c.ImportCSV(ctx, "Ada", "marbles.csv", strings.NewReader(tableOf(rows, ',')))
	if err != nil {
		t.Fatal(err)
	}
	if in.Changed != 2 || strings.Join(in.NewSets, " ") != "new & fine" || in.Edit.Seq == 0 {
		t.Errorf("%+v", in)
	}
	s, err := c.Specimen(ctx, big[0])
	if err != nil {
		t.Fatal(err)
	}
	if l := s.Labels[0]; l.Set != "new & fine" || l.Sure != Likely || l.Evidence != "=1+1" || len(s.Labels) != 2 {
		t.Errorf("labels: %+v", s.Labels)
	}
	if strings.Join(s.Tags, "|") != "one|two; three" || s.Name != "Grösste" || s.Provenance != "" || s.Contributor != "Di" || s.Permission != "may share" {
		t.Errorf("%+v", s)
	}
	if len(s.Conditions) != 2 || s.Conditions[0].Grade != "mint" || s.Conditions[0].Text != "-no chips" || len(s.Remarks) != 3 {
		t.Errorf("%+v %+v", s.Conditions, s.Remarks)
	}
	if o, err := c.Specimen(ctx, other[0]); err != nil || o.Labels[0].SetID != "" || o.Row.State != LeftOpen {
		t.Errorf("%+v, %v", o.Labels, err)
	}
	// The table as it was before is older than the collection now: it changes nothing.
	after := dumpAll(t, c)
	old, err := c.ImportCSV(ctx, "Ada", "marbles.csv", strings.NewReader(tables[MarblesCSV]))
	if err != nil || old.Changed != 0 || old.Older != 2 {
		t.Errorf("an older table: %+v, %v", old, err)
	}
	if dumpAll(t, c) != after {
		t.Error("an older table took something back")
	}
	// One edit, which can be undone.
	if _, err := c.Undo(ctx, "Ada", in.Edit.Seq); err != nil {
		t.Fatal(err)
	}
	if got := csvOf(t, c, Filter{Sort: BySize}); got[MarblesCSV] != tables[MarblesCSV] {
		t.Errorf("undone, the table is\n%s\nwas\n%s", got[MarblesCSV], tables[MarblesCSV])
	}
}

func TestWrongTablesAreRefused(t *testing.T) {
	c, ctx := full(t), context.Background()
	tables := csvOf(t, c, Filter{Sort: BySize})
	rows := cellsOf(t, tables[MarblesCSV])
	with := func(row int, column, value string) string {
		copied := make([][]string, len(rows))
		for i := range rows {
			copied[i] = slices.Clone(rows[i])
		}
		copied[row][slices.Index(rows[0], column)] = value
		return tableOf(copied, ',')
	}
	labelled := 1 + slices.IndexFunc(rows[1:], func(r []string) bool { return r[0] != "" && r[slices.Index(rows[0], "note")] != "" })
	before := dumpAll(t, c)
	for name, k := range map[string]struct{ table, says string }{
		"empty":           {"", "empty"},
		"no ids":          {"a,b\n1,2\n", "column specimen"},
		"photos.csv":      {tables[PhotosCSV], "column specimen"},
		"labels.csv":      {tables[LabelsCSV], "labels.csv"},
		"notes.csv":       {tables[NotesCSV], "notes.csv"},
		"a row too short": {tables[MarblesCSV] + "x,y\r\n", "line"},
		"a quote open":    {tables[MarblesCSV] + "\"x", "line"},
		"no UTF-8":        {tables[MarblesCSV] + "\xff", "UTF-8"},
		"NUL":             {with(2, "note", "a\x00b"), "row 3, column note"},
		"a control":       {with(2, "note", "a\x07b"), "row 3, column note"},
		"another id":      {with(2, "specimen", "nobody"), "row 3, column specimen"},
		"an id twice":     {with(2, "specimen", rows[1][0]), "in row 2 already"},
		"a column twice":  {with(0, "diameter_mm", "set"), "twice"},
		"sureness":        {with(2, "sure", "very"), "row 3, column sure"},
		"set, no sure":    {with(4, "sure", ""), "row 5, column sure"},
		"a set's name":    {with(labelled, "set", strings.Repeat("x", 200)), "column set"},
		"a grade":         {with(labelled, "grade", "perfect"), "column grade"},
		"a permission":    {with(labelled, "permission", "perhaps"), "column permission"},
		"an emptied note": {with(labelled, "note", ""), "column note"},
		"a long text":     {with(labelled, "provenance", strings.Repeat("x", 30000)), "column provenance"},
	} {
		if _, err := c.ImportCSV(ctx, "Ada", "marbles.csv", strings.NewReader(k.table)); !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), k.says) {
			t.Errorf("%s: %v, want it refused and %q", name, err, k.says)
		}
		if dumpAll(t, c) != before {
			t.Fatalf("%s: a refused table changed something", name)
		}
	}
	// Edited here and there: neither is lost.
	id := rows[labelled][0]
	if _, err := c.AddRemark(ctx, "Bo", id, "meanwhile"); err != nil {
		t.Fatal(err)
	}
	if _, err := c.ImportCSV(ctx, "Ada", "marbles.csv", strings.NewReader(with(labelled, "note", "another"))); !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), "export it anew") {
		t.Errorf("edited here and there: %v", err)
	}
}

func TestGuardingAndTagsGoBothWays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.OneOf(rapid.String(), rapid.StringMatching(`['=+@\-＝]{0,3}.*`)).Draw(t, "text")
		if got := unguarded(guarded(s)); got != s {
			t.Errorf("%q came back as %q", s, got)
		}
		tags := rapid.SliceOfN(rapid.StringMatching(`[a;\\ ]{0,3}[a;\\]`), 1, 4).Draw(t, "tags")
		for i := range tags {
			tags[i] = strings.TrimSpace(tags[i])
		}
		if got := splitTags(joinTags(tags)); !slices.Equal(got, tags) {
			t.Errorf("%q came back as %q", tags, got)
		}
	})
}
