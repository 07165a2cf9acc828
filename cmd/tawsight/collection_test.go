package main

import (
	"context"
	"image"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tawsight/internal/collection"
	"tawsight/internal/intake"
)

// oneSample is a folder with one rendered photo of four marbles in it, below a
// set's name.
func oneSample(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	data, err := os.ReadFile("../../samples/photos/references/clear-twin-ribbon/clear-twin-ribbon-1.jpg")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(dir, "attic jar"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "attic jar", "a.jpg"), data, 0o644); err != nil {
		t.Fatal(err)
	}
	return dir
}

// From photos to a labelled collection, out as JSON and tables and back, backed
// up and restored: each command as its user meets it.
func TestCollectionOnTheCommandLine(t *testing.T) {
	photos, dir := oneSample(t), t.TempDir()
	place := filepath.Join(dir, "mine", "marbles.tawsight")
	do := func(want int, args ...string) (stdout, stderr string) {
		t.Helper()
		status, stdout, stderr := tawsight(t, append(args, "--collection", place)...)
		if status != want {
			t.Fatalf("%v: exit status %d, want %d\n%s%s", args, status, want, stdout, stderr)
		}
		return stdout, stderr
	}
	says := func(text string, wants ...string) {
		t.Helper()
		for _, w := range wants {
			if !strings.Contains(text, w) {
				t.Errorf("no %q in\n%s", w, text)
			}
		}
	}
	out, _ := do(0, "add", photos, "--labelled", "--credit", "Aunt Vera", "--permission", "may share", "--as", "Ada")
	says(out, "1 photo added with 4 marbles", place)
	out, _ = do(0, "add", photos, "--labelled", "--as", "Ada")
	says(out, "already: nothing was added")
	_, errs := do(2, "add")
	says(errs, "nothing waits")

	// A file that can't be read is named; the rest is done.
	if err := os.WriteFile(filepath.Join(photos, "attic jar", "torn.jpg"), []byte{0xff, 0xd8, 0xff, 0xe0, 1, 2}, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(photos, "attic jar", "empty sheet.jpg"), asJPEG(t, paper(image.NewRGBA(image.Rect(0, 0, 900, 600)))), 0o644); err != nil {
		t.Fatal(err)
	}
	out, errs = do(3, "add", photos)
	says(out, "1 photo added", "1 known already", "1 file could not be read")
	says(errs, "torn.jpg")

	out, _ = do(0, "history")
	says(out, "Ada: photo attic jar/a.jpg filed under attic jar: 4 marbles")
	out, _ = do(0, "history", "a, no. 1")
	says(out, "a, no. 1", "attic jar, certain")
	_, errs = do(2, "history", "no such marble")
	says(errs, "no such marble")

	jsonl := filepath.Join(dir, "mine.jsonl")
	out, _ = do(0, "export", "--out", jsonl)
	says(out, jsonl)
	_, errs = do(2, "export", "--out", jsonl)
	says(errs, "there already")
	tables := filepath.Join(dir, "tables")
	do(0, "export", "--format", "csv", "--out", tables)
	_, errs = do(2, "export", "--format", "csv", "--out", tables)
	says(errs, "there already")
	do(0, "export", "--format", "csv", "--out", filepath.Join(dir, "tables.zip"))

	table := filepath.Join(tables, "marbles.csv")
	out, _ = do(0, "import", table)
	says(out, "nothing was changed")
	text, err := os.ReadFile(table)
	if err != nil {
		t.Fatal(err)
	}
	edited := strings.Replace(string(text), ",attic jar,certain,", ",cellar box,likely,", 1)
	if err := os.WriteFile(table, []byte(edited), 0o644); err != nil {
		t.Fatal(err)
	}
	out, _ = do(0, "import", table, "--as", "Bo")
	says(out, "New set: cellar box", "1 marble changed")
	out, _ = do(0, "undo")
	says(out, "Undone: the table marbles.csv brought back", "brings it back")
	if err := os.WriteFile(table, []byte(strings.Replace(string(text), ",attic jar,certain,", ",attic jar,perhaps,", 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	_, errs = do(1, "import", table)
	says(errs, table, "row 2", "column sure", "nothing was changed")
	_, errs = do(2, "undo", "999")
	says(errs, "999")

	backup := filepath.Join(dir, "backup.zip")
	out, _ = do(0, "backup", backup)
	says(out, "Backed up and checked", backup)
	_, errs = do(2, "backup", backup)
	says(errs, "there already")
	_, errs = do(2, "restore", backup)
	says(errs, "--replace")
	out, _ = do(0, "restore", backup, "--replace")
	says(out, "Moved aside", "4 marbles")
	out, _ = do(0, "verify")
	says(out, "whole: 2 photos, 4 marbles")
	out, _ = do(0, "import", jsonl)
	says(out, "nothing was added")

	// Into a new one; a file at fault leaves none behind.
	place = filepath.Join(dir, "new", "marbles.tawsight")
	torn := filepath.Join(dir, "torn.jsonl")
	whole, err := os.ReadFile(jsonl)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(torn, whole[:len(whole)/2], 0o644); err != nil {
		t.Fatal(err)
	}
	_, errs = do(1, "import", torn)
	says(errs, torn, "line ", "nothing was changed")
	if left, _ := filepath.Glob(filepath.Join(filepath.Dir(place), "*")); len(left) > 0 {
		t.Errorf("a refused file left %v", left)
	}
	out, _ = do(0, "import", jsonl)
	says(out, "Added: 2 photos, 4 marbles, 1 set, 4 labels")
	again := filepath.Join(dir, "again.jsonl")
	do(0, "export", "--out", again)
	if data, err := os.ReadFile(again); err != nil || string(data) != string(whole) {
		t.Errorf("exported again, it differs (%v)", err)
	}
	noTemporaryFiles(t, dir)
}

func TestWrongUsageOfCollections(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "letter.txt")
	if err := os.WriteFile(file, []byte("Dear Ada"), 0o644); err != nil {
		t.Fatal(err)
	}
	empty := filepath.Join(dir, "empty")
	if err := os.Mkdir(empty, 0o755); err != nil {
		t.Fatal(err)
	}
	place := filepath.Join(dir, "none", "marbles.tawsight")
	for name, k := range map[string]struct {
		args   []string
		status int
		says   string
	}{
		"add nothing there":    {[]string{"add", filepath.Join(dir, "nosuch")}, 2, "nosuch"},
		"add an empty folder":  {[]string{"add", empty}, 2, "JPEG"},
		"labelled without any": {[]string{"add", empty, "--labelled"}, 2, "sub-folder"},
		"labelled, a file":     {[]string{"add", file, "--labelled"}, 2, "is a file"},
		"labelled, two":        {[]string{"add", empty, dir, "--labelled"}, 2, "one folder"},
		"permission":           {[]string{"add", dir, "--permission", "perhaps"}, 2, "may share"},
		"check bar":            {[]string{"add", dir, "--check-bar-mm", "3.15"}, 2, "3.15"},
		"workers":              {[]string{"add", dir, "--workers", "-1"}, 2, "--workers"},
		"credit for nothing":   {[]string{"add", "--credit", "Ada"}, 2, "--credit"},
		"go on with nothing":   {[]string{"add"}, 2, place},
		"export of none":       {[]string{"export", "--out", filepath.Join(dir, "x.jsonl")}, 2, place},
		"export over a file":   {[]string{"export", "--out", file}, 2, file},
		"export as":            {[]string{"export", "--out", filepath.Join(dir, "x"), "--format", "xml"}, 2, "xml"},
		"import nothing there": {[]string{"import", filepath.Join(dir, "nosuch.jsonl")}, 2, "nosuch.jsonl"},
		"import a folder":      {[]string{"import", empty}, 2, "is a folder"},
		"import a letter":      {[]string{"import", file}, 1, "line 1"},
		"backup of none":       {[]string{"backup", filepath.Join(dir, "b.zip")}, 2, place},
		"backup over a file":   {[]string{"backup", file}, 2, "there already"},
		"restore a letter":     {[]string{"restore", file}, 1, "not a whole backup"},
		"restore nothing":      {[]string{"restore", filepath.Join(dir, "nosuch.zip")}, 2, "nosuch.zip"},
		"history of none":      {[]string{"history"}, 2, place},
		"undo of none":         {[]string{"undo"}, 2, place},
		"undo no number":       {[]string{"undo", "x"}, 2, "x"},
		"verify none":          {[]string{"verify"}, 2, place},
	} {
		t.Run(name, func(t *testing.T) {
			status, _, stderr := tawsight(t, append(k.args, "--collection", place)...)
			if status != k.status || !strings.Contains(stderr, k.says) {
				t.Errorf("exit status %d, want %d; %q does not mention %q", status, k.status, stderr, k.says)
			}
			if left, _ := filepath.Glob(filepath.Join(filepath.Dir(place), "*")); len(left) > 0 {
				t.Errorf("something was written: %v", left)
			}
		})
	}
	for _, args := range [][]string{{"history"}, {"verify"}, {"export", "--out", filepath.Join(dir, "y.jsonl")}} {
		status, _, stderr := tawsight(t, append(args, "--collection", file)...)
		if status != 1 || !strings.Contains(stderr, "not a collection") {
			t.Errorf("%v of a letter: exit status %d, %q", args, status, stderr)
		}
	}
	if data, err := os.ReadFile(file); err != nil || string(data) != "Dear Ada" {
		t.Errorf("the letter is %q, %v", data, err)
	}
}

// While another process measures, its work is waited for.
func TestAddWhileAnotherAdds(t *testing.T) {
	dir := t.TempDir()
	place := filepath.Join(dir, "marbles.tawsight")
	ctx := context.Background()
	c, err := collection.Create(ctx, place)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	photo := filepath.Join(dir, "a.jpg")
	if err := os.WriteFile(photo, asJPEG(t, paper(image.NewRGBA(image.Rect(0, 0, 900, 600)))), 0o644); err != nil {
		t.Fatal(err)
	}
	// Another has the collection to itself until it has measured all.
	held := make(chan struct{})
	other := intake.New(c, intake.Options{Opine: func(context.Context, string) (string, error) {
		<-held
		return "", nil
	}})
	first := filepath.Join(dir, "b.jpg")
	if err := os.WriteFile(first, asJPEG(t, paper(image.NewRGBA(image.Rect(0, 0, 600, 400)))), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := other.AddFolder(ctx, "Bo", []string{first}, intake.By{}); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error)
	go func() { ended <- other.Run(ctx) }()
	type answer struct {
		status      int
		out, stderr string
	}
	answered := make(chan answer)
	go func() {
		status, out, stderr := tawsight(t, "add", photo, "--collection", place)
		answered <- answer{status, out, stderr}
	}()
	for ; ; time.Sleep(20 * time.Millisecond) { // until the other command has put its photo into the queue
		open, err := c.Unfinished(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if len(open) == 2 {
			break
		}
	}
	close(held)
	if err := <-ended; err != nil {
		t.Error(err)
	}
	a := <-answered
	if a.status != 0 || !strings.Contains(a.out, "1 photo added") {
		t.Errorf("exit status %d, %q, %q", a.status, a.out, a.stderr)
	}
}
