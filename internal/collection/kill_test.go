package collection

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

// childEnv tells the test binary that it is the child that will be killed: what
// to do, the collection, and a file to bring in.
const childEnv = "TAWSIGHT_TEST_EDITING"

func TestMain(m *testing.M) {
	if args := os.Getenv(childEnv); args != "" {
		parts := strings.Split(args, "\n")
		if err := child(parts[0], parts[1], parts[2]); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func child(what, path, file string) error {
	ctx := context.Background()
	c, err := Open(ctx, path)
	if err != nil {
		return err
	}
	defer c.Close()
	fmt.Println("ready")
	if what == "import" {
		f, err := os.Open(file)
		if err != nil {
			return err
		}
		defer f.Close()
		if _, err := c.Import(ctx, f); err != nil {
			return err
		}
		fmt.Println("done")
		return nil
	}
	for i := range manyEdits {
		if err := oneEdit(ctx, c, i); err != nil {
			return err
		}
		fmt.Println(i)
	}
	return nil
}

const manyEdits = 120

// oneEdit makes the ith of a row of edits, every third an undo.
func oneEdit(ctx context.Context, c *Collection, i int) error {
	rows, _, err := c.Find(ctx, Filter{Sort: ByTitle})
	if err != nil {
		return err
	}
	id := rows[i*7%len(rows)].ID
	switch i % 6 {
	case 0:
		_, err = c.Decide(ctx, "Ada", Decision{SetName: fmt.Sprint("set ", i%4), Sure: Certain}, id, rows[(i*7+1)%len(rows)].ID)
	case 1:
		_, err = c.SetTags(ctx, "Ada", id, []string{fmt.Sprint("tag ", i)})
	case 3:
		_, err = c.AddRemark(ctx, "Ada", id, fmt.Sprint("note ", i))
	case 4:
		_, err = c.Describe(ctx, "Ada", id, Description{Name: rows[i*7%len(rows)].Title, Provenance: fmt.Sprint("attic ", i)})
	default:
		var last []Edit
		if last, err = c.Edits(ctx, 0, 1); err == nil {
			_, err = c.Undo(ctx, "Ada", last[0].Seq)
		}
	}
	return err
}

var drawnID = regexp.MustCompile(`(?m)^[a-z2-7]{16}\|`)

// state is a dump without the ids of labels and notes, which are drawn.
func state(t *testing.T, c *Collection) string {
	t.Helper()
	n, err := c.Edits(context.Background(), 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	parts := strings.SplitAfter(dump(t, c), "\n")
	drawn := false
	var lines []string
	for _, l := range parts {
		if strings.HasPrefix(l, "SELECT") {
			drawn = strings.Contains(l, "FROM label ") || strings.Contains(l, "FROM remark")
		}
		if drawn {
			l = drawnID.ReplaceAllString(l, "")
		}
		lines = append(lines, l)
	}
	return sortedByTable(lines) + fmt.Sprint(len(n))
}

// sortedByTable puts the rows of each table in order, since their ids did.
func sortedByTable(lines []string) string {
	var out strings.Builder
	var rows []string
	flush := func() {
		slices.Sort(rows)
		out.WriteString(strings.Join(rows, ""))
		rows = nil
	}
	for _, l := range lines {
		if strings.HasPrefix(l, "SELECT") {
			flush()
			out.WriteString(l)
			continue
		}
		rows = append(rows, l)
	}
	flush()
	return out.String()
}

// runChild runs a child and kills it after the time given, counted from when it
// is ready; it gives what it said by then.
func runChild(t *testing.T, what, path, file string, after time.Duration) (said []string, atWork bool) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childEnv+"="+what+"\n"+path+"\n"+file)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewReader(out)
	for {
		l, err := lines.ReadString('\n')
		if err != nil { // a line that was cut was not said
			break
		}
		if l == "ready\n" {
			if after >= 0 {
				defer time.AfterFunc(after, func() { cmd.Process.Kill() }).Stop()
			}
			continue
		}
		said = append(said, strings.TrimSpace(l))
	}
	err = cmd.Wait()
	var exit *exec.ExitError
	if err != nil && (!errors.As(err, &exit) || exit.ExitCode() != -1) {
		t.Fatalf("the child ended by itself: %v: %s", err, stderr.String())
	}
	return said, err != nil
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	data, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, data, 0o644); err != nil {
		t.Fatal(err)
	}
}

// killPoints are times to kill at, spread over a run.
func killPoints(n int, took time.Duration) []time.Duration {
	r := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 0))
	var out []time.Duration
	for i := range n {
		out = append(out, time.Duration((float64(i)+r.Float64())/float64(n)*float64(took)))
	}
	return out
}

func checked(t *testing.T, path string) *Collection {
	t.Helper()
	c, err := Open(context.Background(), path)
	if err != nil {
		t.Fatalf("the collection does not open: %v", err)
	}
	if wrong, err := c.Check(context.Background()); err != nil || len(wrong) > 0 {
		t.Fatalf("the check says %v, %v", wrong, err)
	}
	return c
}

// Whenever the program is killed between edits and undos, the collection stands
// as it stood after the last that was answered for, or after the next.
func TestKilledWhileEditing(t *testing.T) {
	ctx, dir := context.Background(), t.TempDir()
	start := filepath.Join(dir, "start"+Ext)
	c, err := Create(ctx, start)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 4 {
		added(t, c, tray(fmt.Sprint("tray ", i), 4))
	}
	c.Close()
	plain := filepath.Join(dir, "plain"+Ext)
	copyFile(t, start, plain)
	c = checked(t, plain)
	states := []string{state(t, c)}
	for i := range manyEdits {
		if err := oneEdit(ctx, c, i); err != nil {
			t.Fatalf("edit %d: %v", i, err)
		}
		states = append(states, state(t, c))
	}
	c.Close()
	timed := filepath.Join(dir, "timed"+Ext)
	copyFile(t, start, timed)
	began := time.Now()
	runChild(t, "edit", timed, "", -1)
	points := killPoints(6, time.Since(began))
	atWork, pace := 0, 1.0
	for _, after := range points {
		after = time.Duration(pace * float64(after))
		path := filepath.Join(t.TempDir(), "marbles"+Ext)
		copyFile(t, start, path)
		said, working := runChild(t, "edit", path, "", after)
		if working {
			atWork++
		} else {
			pace *= 0.8 // the run that was timed had more to wait for
		}
		c := checked(t, path)
		got := state(t, c)
		if n := len(said); got != states[n] && (n+1 >= len(states) || got != states[n+1]) {
			t.Errorf("killed after %v and %d edits, it stands neither as after them nor as after the next:\n%s", after, n, got)
		}
		// The rest can be done as though nothing had been.
		from := len(said)
		if got != states[from] {
			from++
		}
		for i := from; i < manyEdits; i++ {
			if err := oneEdit(ctx, c, i); err != nil {
				t.Fatalf("edit %d after the kill: %v", i, err)
			}
		}
		if state(t, c) != states[manyEdits] {
			t.Errorf("killed after %v: the rest of the edits ends otherwise", after)
		}
		c.Close()
	}
	if atWork < len(points)/3 {
		t.Errorf("only %d of %d children were still at work", atWork, len(points))
	}
}

// A killed import leaves nothing, or is whole.
func TestKilledWhileImporting(t *testing.T) {
	ctx, dir := context.Background(), t.TempDir()
	from := made(t)
	for i := range 25 {
		ids := added(t, from, tray(fmt.Sprint("their tray ", i), 6))
		if _, err := from.Decide(ctx, "Bo", Decision{SetName: "jar", Sure: Certain}, ids...); err != nil {
			t.Fatal(err)
		}
	}
	file := filepath.Join(dir, "theirs.jsonl")
	if err := os.WriteFile(file, exported(t, from, ExportOptions{}), 0o644); err != nil {
		t.Fatal(err)
	}
	start := filepath.Join(dir, "start"+Ext)
	c, err := Create(ctx, start)
	if err != nil {
		t.Fatal(err)
	}
	added(t, c, tray("my tray", 3))
	added(t, c, tray("their tray 3", 6))
	before := dumpAll(t, c)
	c.Close()
	whole := filepath.Join(dir, "whole"+Ext)
	copyFile(t, start, whole)
	began := time.Now()
	runChild(t, "import", whole, file, -1)
	took := time.Since(began)
	c = checked(t, whole)
	after := dumpAll(t, c)
	c.Close()
	if before == after {
		t.Fatal("the import changed nothing")
	}
	atWork, pace := 0, 1.0
	points := killPoints(6, took)
	for _, at := range points {
		at = time.Duration(pace * float64(at))
		path := filepath.Join(t.TempDir(), "marbles"+Ext)
		copyFile(t, start, path)
		said, working := runChild(t, "import", path, file, at)
		if working {
			atWork++
		} else {
			pace *= 0.8 // the run that was timed had more to wait for
		}
		c := checked(t, path)
		switch got := dumpAll(t, c); {
		case got == before && len(said) == 0:
		case got == after:
		default:
			t.Errorf("killed after %v, having said %v, the collection is neither as before nor as after", at, said)
		}
		f, err := os.Open(file)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := c.Import(ctx, f); err != nil {
			t.Errorf("killed after %v, importing again: %v", at, err)
		}
		f.Close()
		if dumpAll(t, c) != after {
			t.Errorf("killed after %v, importing again ends otherwise", at)
		}
		c.Close()
	}
	if atWork < len(points)/3 {
		t.Errorf("only %d of %d children were still at work", atWork, len(points))
	}
}

// A collection whose making was cut short between its tables and its journal is
// finished when it is next opened.
func TestHalfMadeCollectionsAreFinished(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "marbles"+Ext)
	c, err := Create(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	for _, j := range journalled {
		if _, err := c.write.Exec("DROP TRIGGER journal_" + j.table + "_insert"); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := c.write.Exec("DELETE FROM setting; PRAGMA user_version = 0"); err != nil {
		t.Fatal(err)
	}
	c.Close()
	if c, err = Open(ctx, path); err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	ids := added(t, c, tray("a", 1))
	if e, err := c.AddRemark(ctx, "Ada", ids[0], "a note"); err != nil || e.Seq == 0 {
		t.Errorf("an edit leaves no entry: %+v, %v", e, err)
	}
	var settings int
	if err := c.read.QueryRow("SELECT count(*) FROM setting").Scan(&settings); err != nil || settings != 2 {
		t.Errorf("%d settings, %v", settings, err)
	}
}
