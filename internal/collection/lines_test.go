package collection

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"tawsight/internal/record"
	"tawsight/internal/refset"
)

var update = flag.Bool("update", false, "write docs/collection-line.schema.json anew")

const schemaPath = "../../docs/collection-line.schema.json"

// schemaOf is the JSON Schema (draft 2020-12) of one line of an export, made from
// the tables' description.
func schemaOf() []byte {
	type m = map[string]any
	text := m{"type": "string"}
	bytes := m{"type": "object", "properties": m{"bytes": m{"type": "string", "contentEncoding": "base64"}}, "required": []string{"bytes"}, "additionalProperties": false}
	lines := []any{
		m{"title": "the first line", "type": "object", "additionalProperties": false, "required": []string{"format", "version", "tawsight", "pictures"}, "properties": m{
			"format": m{"const": LinesFormat}, "version": m{"const": LinesVersion}, "tawsight": text, "pictures": m{"type": "boolean"}}},
	}
	for _, t := range tables {
		var required []string
		columns := m{}
		for _, c := range t.columns {
			var s m
			switch c.kind {
			case kindID:
				s = m{"type": "string", "pattern": "^[a-z2-7]{16}$"}
			case kindSHA:
				s = m{"type": "string", "pattern": "^[0-9a-f]{64}$"}
			case kindTime:
				s = m{"type": "string", "pattern": `^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$`}
			case kindName:
				s = m{"type": "string", "minLength": 1, "maxLength": maxName}
			case kindFree:
				s = m{"type": "string", "maxLength": maxText}
			case kindRaw:
				s = m{"anyOf": []any{text, bytes}}
			case kindInt:
				s = m{"type": "integer", "minimum": 0, "maximum": int64(maxInt)}
			case kindReal:
				s = m{"type": "number", "minimum": -maxReal, "maximum": maxReal}
			case kindJSON:
				s = m{"anyOf": []any{m{"type": "object"}, m{"type": "string", "contentMediaType": "application/json"}}}
			case kindBlob:
				s = m{"type": "string", "contentEncoding": "base64"}
			case kindEnum:
				s = m{"enum": c.words}
			}
			if c.empty && c.kind != kindJSON {
				s = m{"anyOf": []any{s, m{"const": ""}}}
			}
			if c.null {
				s = m{"anyOf": []any{s, m{"type": "null"}}}
			}
			if c.doc != "" {
				s["description"] = c.doc
			}
			columns[c.name] = s
			required = append(required, c.name)
		}
		lines = append(lines, m{"title": "a row of " + t.name, "type": "object", "additionalProperties": false, "required": []string{"table", "row"}, "properties": m{
			"table": m{"const": t.name}, "row": m{"type": "object", "additionalProperties": false, "required": required, "properties": columns}}})
	}
	lines = append(lines, m{"title": "the last line", "type": "object", "additionalProperties": false, "required": []string{"end"}, "properties": m{
		"end": m{"type": "object", "additionalProperties": false, "required": []string{"rows"}, "properties": m{"rows": m{"type": "integer", "minimum": 0}}}}})
	out, err := json.MarshalIndent(m{
		"$schema": "https://json-schema.org/draft/2020-12/schema", "$id": fmt.Sprint("urn:tawsight:collection-line:", LinesVersion),
		"title": "One line of an exported collection", "oneOf": lines,
	}, "", " ")
	if err != nil {
		panic(err)
	}
	return append(out, '\n')
}

func TestSchemaIsUpToDate(t *testing.T) {
	want := schemaOf()
	if *update {
		if err := os.WriteFile(schemaPath, want, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(schemaPath)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Error("docs/collection-line.schema.json differs from the tables: run make docs")
	}
}

// full is a collection with something of everything in it.
func full(t testing.TB) *Collection {
	t.Helper()
	c, ctx := made(t), context.Background()
	do := func(_ any, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	a := added(t, c, tray("a", 3))
	odd := tray("caf\xe9 <&> \u2028", 3) // a name from before Unicode
	odd.Contributor, odd.Permission = "Aunt Vera", refset.AskFirst
	b := added(t, c, odd)
	again := tray("a", 2)
	again.Way.MadeBy.Features = 3
	added(t, c, again)
	coin := tray("a", 3)
	coin.Way.Ruler, coin.Way.Cameras = record.Ruler{Coin: "2-euro", Known: []record.KnownMarble{{ID: "2", DiameterMM: 16.02}}}, "0123456789ab"
	added(t, c, coin)
	do(c.Decide(ctx, "Ada", Decision{SetName: "jar", Sure: Certain, Evidence: "=the \"ribbon\",\n<b>twice</b>"}, a[0], a[1], b[1]))
	do(c.Decide(ctx, "Bo", Decision{SetName: "tin", Sure: Guess}, a[0], b[2]))
	do(c.Decide(ctx, "Bo", Decision{Sure: Likely}, a[2]))
	do(c.Describe(ctx, "Ada", a[1], Description{Name: "Größte", Provenance: "attic\nleft", Contributor: "Cy", Permission: refset.MayShow}))
	do(c.AddCondition(ctx, "Ada", a[1], "near mint", "one small moon"))
	do(c.AddRemark(ctx, "Ada", a[1], "-look again; it's odd"))
	do(c.AddRemark(ctx, "Ada", a[1], "a second note"))
	do(c.SetTags(ctx, "Ada", a[1], []string{"show; or swap", `back\slash`, "@home"}))
	do(c.Join(ctx, "Ada", a[0], b[0]))
	e, err := c.SetTags(ctx, "Ada", a[0], []string{"undone"})
	do(e, err)
	do(c.Undo(ctx, "Bo", e.Seq))
	sets, err := c.Sets(ctx)
	do(sets, err)
	_, _, err = c.TakeOver(ctx, "Ada", Edition{
		MadeBy: record.MadeBy{Tawsight: "1", Features: 2}, Model: []byte{0, 1, 2, 255},
		Summary: EditionSummary{Sets: []EditionSet{{ID: sets[0].ID, Name: sets[0].Name, Specimens: 2}}, Tested: 2, Right: 1, Labels: "x"},
	}, []Opinion{
		{SpecimenID: a[2], Status: "doubtful", SetID: sets[0].ID, P: 0.6, NextID: sets[1].ID, NextP: 0.3, PValue: 0.5,
			Attribution: &record.Attribution{Label: sets[0].Name, Status: "doubtful", Probability: 0.6, Reasons: []record.Reason{{Feature: "busyness", Toward: "jar", Weight: 1, Text: "busy & <wide>"}}}},
		{SpecimenID: a[1], WhyNot: "too poor a photo"},
	})
	do(nil, err)
	do(c.Decide(ctx, "Ada", Decision{SetName: "third", Sure: Certain}, a[2])) // with the opinion of the day
	third, err := c.SetNamed(ctx, "Ada", "third")
	do(third, err)
	do(c.MergeSets(ctx, "Ada", third.ID, sets[0].ID))
	s, err := c.Specimen(ctx, a[1])
	do(s, err)
	do(nil, c.KeepSheet(ctx, s.Sightings[0].FigureID, []byte{0x89, 'P', 'N', 'G', 0}))
	do(nil, c.KeepGuide(ctx, "First", []byte(`{ "pages" : 3 }`)))
	return c
}

func exported(t testing.TB, c *Collection, o ExportOptions) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := c.Export(context.Background(), &b, o); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// dumpAll is dump and what else is in the file, the pictures and the journal
// included.
func dumpAll(t testing.TB, c *Collection) string {
	t.Helper()
	out := dump(t, c)
	for i := range tables {
		q := tables[i].rows()
		rows, err := c.read.Query(q)
		if err != nil {
			t.Fatal(err)
		}
		defer rows.Close()
		for rows.Next() {
			v := make([]any, len(tables[i].columns))
			to := make([]any, len(v))
			for k := range v {
				to[k] = &v[k]
			}
			if err := rows.Scan(to...); err != nil {
				t.Fatal(err)
			}
			out += fmt.Sprintf("%s %q\n", tables[i].name, v)
		}
	}
	return out
}

func TestExportComesBackWhole(t *testing.T) {
	c, ctx := full(t), context.Background()
	file := exported(t, c, ExportOptions{})
	if !bytes.Equal(file, exported(t, c, ExportOptions{})) {
		t.Fatal("two exports of one collection differ")
	}
	for i := range tables {
		if n := bytes.Count(file, []byte(`{"table":"`+tables[i].name+`"`)); n == 0 {
			t.Errorf("there is no %s in the file", tables[i].name)
		}
	}
	back := made(t)
	in, err := back.Import(ctx, bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	if len(in.Differences)+len(in.Joined) > 0 || in.Total() == 0 {
		t.Errorf("into an empty collection: %+v", in)
	}
	if got, want := dumpAll(t, back), dumpAll(t, c); got != want {
		t.Errorf("the collection came back as\n%s\nwant\n%s", got, want)
	}
	if got := exported(t, back, ExportOptions{}); !bytes.Equal(got, file) {
		t.Errorf("exported again:\n%s\nwas\n%s", got, file)
	}
	// Once more, into itself: nothing is new, nothing differs.
	in, err = back.Import(ctx, bytes.NewReader(file))
	if err != nil || in.Total() != 0 || len(in.Differences)+len(in.Joined) > 0 {
		t.Errorf("the second time: %+v, %v", in, err)
	}
	if !bytes.Equal(exported(t, back, ExportOptions{}), file) {
		t.Error("the second time changed something")
	}
	// Edits can be undone there as here.
	edits, err := back.Edits(ctx, 0, 1)
	if err != nil || len(edits) != 1 {
		t.Fatal(err)
	}
	if _, err := back.Undo(ctx, "Bo", edits[0].Seq); err != nil {
		t.Errorf("undo after importing: %v", err)
	}

	bare := exported(t, c, ExportOptions{NoPictures: true})
	for _, name := range []string{"face", "sheet", "photo_picture"} {
		if bytes.Contains(bare, []byte(`{"table":"`+name+`"`)) {
			t.Errorf("%s is there without pictures", name)
		}
	}
	third := made(t)
	if _, err := third.Import(ctx, bytes.NewReader(bare)); err != nil {
		t.Errorf("without pictures: %v", err)
	}
	if dump(t, third) != dump(t, c) {
		t.Error("without pictures, something else is missing too")
	}
}

func TestEveryLineIsBySchema(t *testing.T) {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(schemaOf()))
	if err != nil {
		t.Fatal(err)
	}
	compiler := jsonschema.NewCompiler()
	if err := compiler.AddResource(fmt.Sprint("urn:tawsight:collection-line:", LinesVersion), doc); err != nil {
		t.Fatal(err)
	}
	schema := compiler.MustCompile(fmt.Sprint("urn:tawsight:collection-line:", LinesVersion))
	for line := range bytes.Lines(exported(t, full(t), ExportOptions{})) {
		v, err := jsonschema.UnmarshalJSON(bytes.NewReader(line))
		if err != nil {
			t.Fatal(err)
		}
		if err := schema.Validate(v); err != nil {
			t.Errorf("%.200s: %v", line, err)
		}
	}
	for _, bad := range []string{`{"table":"tag","row":{"specimen_id":"x","tag":"y"}}`, `{"table":"recipes","row":{}}`, `{"end":{}}`} {
		v, err := jsonschema.UnmarshalJSON(strings.NewReader(bad))
		if err != nil {
			t.Fatal(err)
		}
		if schema.Validate(v) == nil {
			t.Errorf("%s passes", bad)
		}
	}
}

// Two collections that hold the same photo, labelled apart, become one.
func TestMerging(t *testing.T) {
	ctx := context.Background()
	here, there := made(t), made(t)
	mine := added(t, here, tray("a", 3))
	theirs := added(t, there, tray("a", 3))
	if strings.Join(mine, " ") != strings.Join(theirs, " ") {
		t.Fatal("one photo gives two collections different marbles")
	}
	more := added(t, there, tray("b", 2))
	do := func(_ any, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	// The set jar bears another id there: it was called pot first.
	do(here.Decide(ctx, "Ada", Decision{SetName: "jar", Sure: Certain}, mine[0]))
	pot, err := there.SetNamed(ctx, "Bo", "pot")
	do(pot, err)
	do(there.RenameSet(ctx, "Bo", pot.ID, "jar", ""))
	do(there.Decide(ctx, "Bo", Decision{SetName: "jar", Sure: Certain}, mine[1], more[0]))
	// One set bears another name.
	tin, err := here.SetNamed(ctx, "Ada", "tin")
	do(tin, err)
	_, err = there.SetNamed(ctx, "Bo", "tin")
	do(nil, err)
	do(there.RenameSet(ctx, "Bo", tin.ID, "tin can", ""))
	// A marble bears another name, and here it was joined to another.
	do(here.Describe(ctx, "Ada", mine[0], Description{Name: "big", Contributor: "Cy"}))
	do(there.Describe(ctx, "Bo", mine[0], Description{Name: "large", Contributor: "Cy"}))
	b := added(t, here, tray("c", 1))
	do(here.Join(ctx, "Ada", b[0], mine[2]))
	do(there.AddRemark(ctx, "Bo", mine[2], "seen at a fair"))

	before := map[string]bool{}
	for line := range bytes.Lines(exported(t, here, ExportOptions{})) {
		before[string(line)] = true
	}
	file := exported(t, there, ExportOptions{})
	in, err := here.Import(ctx, bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	after := string(exported(t, here, ExportOptions{}))
	for line := range before {
		if !strings.HasPrefix(line, `{"end"`) && !strings.Contains(after, line) {
			t.Errorf("lost or overwritten: %s", line)
		}
	}
	if in.Added["photo"] != 1 || in.Same["photo"] != 1 || in.Added["label"] != 2 {
		t.Errorf("%+v", in)
	}
	told := strings.Join(in.Joined, "\n")
	for _, d := range in.Differences {
		told += "\n" + d.String()
	}
	for _, want := range []string{`set jar`, `set tin: name is "tin" here and "tin can" in the file`, `name is "big" here and "large" in the file`, "was joined with another"} {
		if !strings.Contains(told, want) {
			t.Errorf("%q is not told:\n%s", want, told)
		}
	}
	if n := len(in.Differences); n != 3 {
		t.Errorf("%d differences:\n%s", n, told)
	}
	sets, err := here.Sets(ctx)
	if err != nil || len(sets) != 2 || sets[0].Name != "jar" || sets[0].Members != 3 {
		t.Errorf("sets: %+v, %v", sets, err)
	}
	if s, err := here.Specimen(ctx, b[0]); err != nil || len(s.Remarks) != 1 {
		t.Errorf("the remark on the marble that was joined: %+v, %v", s.Remarks, err)
	}
	edits, err := here.Edits(ctx, 0, 100)
	if err != nil || len(edits) != 11 {
		t.Errorf("%d edits, %v", len(edits), err)
	}
	// Bringing it in again changes nothing and tells the same.
	again, err := here.Import(ctx, bytes.NewReader(file))
	if err != nil || again.Total() != 0 || len(again.Differences) != 3 {
		t.Errorf("again: %+v, %v", again, err)
	}
	if string(exported(t, here, ExportOptions{})) != after {
		t.Error("bringing it in again changed something")
	}
	if report, err := here.Check(ctx); err != nil || len(report) > 0 {
		t.Errorf("the check says %v, %v", report, err)
	}
}

func TestHostileFilesAreRefused(t *testing.T) {
	file := string(exported(t, full(t), ExportOptions{}))
	lines := strings.SplitAfter(strings.TrimSuffix(file, "\n"), "\n")
	find := func(table string) (int, string) {
		for i, l := range lines {
			if strings.HasPrefix(l, `{"table":"`+table+`"`) {
				return i, l
			}
		}
		t.Fatalf("no %s", table)
		return 0, ""
	}
	with := func(table, old, new string) string {
		i, l := find(table)
		if !strings.Contains(l, old) {
			t.Fatalf("no %s in %s", old, l)
		}
		return strings.Join(lines[:i], "") + strings.Replace(l, old, new, 1) + strings.Join(lines[i+1:], "")
	}
	_, photo := find("photo")
	_, tag := find("tag")
	_, label := find("label")
	specimen := label[strings.Index(label, `"specimen_id":"`)+15:][:16]
	version := fmt.Sprintf(`"version":%d`, LinesVersion)
	deep := strings.Repeat(`{"a":`, 20000) + "1" + strings.Repeat("}", 20000)
	cases := map[string]struct{ file, says string }{
		"empty":             {"", "empty"},
		"a letter":          {"Dear Ada, the marbles have come.\n", "tawsight export"},
		"a newer version":   {strings.Replace(file, version, `"version":3`, 1), "newer Tawsight"},
		"version zero":      {strings.Replace(file, version, `"version":0`, 1), "version"},
		"huge version":      {strings.Replace(file, version, `"version":1e999`, 1), "version"},
		"cut in a line":     {file[:len(file)*2/3], "line"},
		"cut at a line":     {strings.Join(lines[:len(lines)-1], ""), "cut short"},
		"a line is missing": {strings.Join(append(append([]string{}, lines[:len(lines)-3]...), lines[len(lines)-2:]...), ""), "missing"},
		"more after":        {file + photo, "after the end"},
		"twice the same":    {strings.Join(lines[:2], "") + lines[1] + strings.Join(lines[2:], ""), "twice"},
		"a name twice":      {with("tag", `"tag":`, `"tag":"x","tag":`), "twice"},
		"another table":     {strings.Join(lines[:1], "") + `{"table":"recipes","row":{}}` + "\n" + strings.Join(lines[1:], ""), "recipes"},
		"a table's order":   {strings.Join(lines[:len(lines)-1], "") + photo, "too late"},
		"another column":    {with("tag", `"tag":`, `"weight":1,"tag":`), "weight"},
		"a column less":     {with("photo", `"bytes":1000,`, ``), "without bytes"},
		"a number as text":  {with("photo", `"bytes":1000`, `"bytes":"1000"`), "number"},
		"a text as number":  {with("photo", `"camera":""`, `"camera":7`), "text"},
		"a huge number":     {with("photo", `"bytes":1000`, `"bytes":1e999`), "bytes"},
		"a huge integer":    {with("photo", `"bytes":1000`, `"bytes":99999999999999999999`), "bytes"},
		"a negative number": {with("photo", `"bytes":1000`, `"bytes":-1`), "bytes"},
		"a fraction":        {with("photo", `"bytes":1000`, `"bytes":0.5`), "bytes"},
		"a huge place":      {with("sighting", `"radius_px":40`, `"radius_px":1e300`), "radius_px"},
		"null":              {with("photo", `"bytes":1000`, `"bytes":null`), "null"},
		"no UTF-8":          {with("photo", `"camera":""`, "\"camera\":\"\xff\""), "UTF-8"},
		"NUL":               {with("photo", `"camera":""`, `"camera":"a\u0000b"`), "NUL"},
		"NUL within":        {with("figure", `"name":"white"`, `"name":"\u0000"`), "NUL"},
		"NUL in bytes":      {with("photo", `"camera":""`, `"camera":{"bytes":"AP8="}`), "camera"},
		"control":           {with("remark", `"text":"-look`, `"text":"\u0007look`), "control"},
		"two lines' name":   {with("tag", `"tag":"`, `"tag":"a\nb`), "one line"},
		"no time":           {with("label", `"made":"2`, `"made":"yesterday 2`), "time"},
		"no id":             {with("label", `"id":"`, `"id":"../`), "id"},
		"no such marble":    {with("label", `"specimen_id":"`+specimen, `"specimen_id":"aaaaaaaaaaaaaaaa`), "there is no specimen aaaaaaaaaaaaaaaa"},
		"no such edit":      {with("change", `"edit":"`, `"edit":"aaaaaaaaaaaaaaaa","x":"`), "x"},
		"no sureness":       {with("label", `"sure":"certain"`, `"sure":"very"`), "very"},
		"a figure's shape":  {with("figure", `"diameter_u95_mm":0.1`, `"diameter_u95_mm":"0.1"`), "shape"},
		"too deep":          {with("figure", `"marble":{`, `"marble":{"deep":`+deep+`,`), "line"},
		"no base64":         {with("face", `"jpeg":"`, `"jpeg":"?`), "base64"},
		"a table to undo":   {with("change", `"tab":"`, `"tab":"sqlite_master; `), "tab"},
		"a label late":      {strings.Replace(file, tag, label+tag, 1), "too late"},
		"edit number 0":     {with("edit", `"seq":1`, `"seq":0`), "numbered from 1"},
		"undoes nothing":    {with("edit", `"undoes":null`, `"undoes":4000`), "4000"},
		"in a circle":       {with("label_set", `"merged_into":null`, `"merged_into":"aaaaaaaaaaaaaaaa"`), "aaaaaaaaaaaaaaaa"},
	}
	empty, held := made(t), full(t)
	for _, c := range []*Collection{empty, held} {
		before := dumpAll(t, c)
		for name, k := range cases {
			in, err := c.Import(context.Background(), strings.NewReader(k.file))
			if !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), k.says) || !strings.Contains(err.Error(), "line ") {
				t.Errorf("%s: %v, want it refused with the line and %q", name, err, k.says)
			}
			if in.Total() != 0 {
				t.Errorf("%s: something is said to have been added", name)
			}
		}
		if dumpAll(t, c) != before {
			t.Error("a refused file changed the collection")
		}
	}
}

// Every column of every table is exported, but for what is worked out anew, what
// waits to be measured, and the program's own.
func TestNoColumnIsForgotten(t *testing.T) {
	c := made(t)
	names, err := collect(context.Background(), c.read, func(s scanner) (n string, err error) { return n, s.Scan(&n) },
		"SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%'")
	if err != nil {
		t.Fatal(err)
	}
	left := map[string]bool{"specimen_now": true, "specimen_colour": true, "intake": true, "intake_file": true, "intake_count": true, "current_edit": true, "schema_version": true,
		"change": true} // written with its edit's id in place of its number
	for _, name := range names {
		tab, ok := tableNamed(name)
		if left[name] {
			continue
		}
		if !ok {
			t.Errorf("the table %s is not exported", name)
			continue
		}
		columns, err := collect(context.Background(), c.read, func(s scanner) (n string, err error) { return n, s.Scan(&n) }, "SELECT name FROM pragma_table_info(?) ORDER BY cid", name)
		if err != nil {
			t.Fatal(err)
		}
		if got := tab.names(); got != strings.Join(columns, ", ") {
			t.Errorf("%s exports %s, and has %s", name, got, strings.Join(columns, ", "))
		}
	}
}
