package worker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// parentEnv makes the test binary a parent that will be killed.
const parentEnv = "TAWSIGHT_TEST_PARENT"

func TestMain(m *testing.M) {
	if Is() {
		Serve(act)
	}
	if os.Getenv(parentEnv) != "" {
		p := NewPool(limits())
		pid, _ := p.Do(context.Background(), []byte("pid"), quiet)
		fmt.Println(string(pid))
		_, _ = p.Do(context.Background(), []byte(os.Getenv(parentEnv)), quiet)
		os.Exit(0)
	}
	os.Exit(m.Run())
}

var quiet = slog.New(slog.DiscardHandler)

func limits() Limits {
	return Limits{CPU: time.Minute, Wall: time.Minute, MemoryBytes: 1 << 30, Jobs: 1000, RetireBytes: 1 << 30, Idle: time.Minute}
}

// act is what the workers of these tests do.
func act(job []byte) [][]byte { return [][]byte{done(job)} }

func done(job []byte) []byte {
	what, arg, _ := strings.Cut(string(job), " ")
	switch what {
	case "echo":
		return []byte(arg)
	case "pid":
		return []byte(strconv.Itoa(os.Getpid()))
	case "noise":
		fmt.Fprintln(os.Stderr, "a library grumbles")
		fmt.Fprintln(os.Stdout, "and on the standard output, too")
	case "exit":
		fmt.Fprintln(os.Stderr, "terminate called after throwing")
		os.Exit(3)
	case "close":
		os.NewFile(answersFD, "").Close()
		time.Sleep(time.Hour)
	case "segv":
		_ = syscall.Kill(os.Getpid(), syscall.SIGSEGV)
		time.Sleep(time.Hour)
	case "killed":
		_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
		time.Sleep(time.Hour)
	case "loop":
		for i := 0; ; i++ {
			runtime.KeepAlive(i)
		}
	case "sleep":
		time.Sleep(time.Hour)
	case "eat":
		var all [][]byte
		for len(all) < 1000 { // no more, whatever goes wrong with the watching
			all = append(all, bytes.Repeat([]byte{1}, 4<<20))
			time.Sleep(time.Millisecond)
		}
		time.Sleep(time.Hour)
	case "hold": // on to memory between jobs
		held = bytes.Repeat([]byte{1}, 100<<20)
	case "first": // fails once: until the file is there
		if _, err := os.Stat(arg); err != nil {
			_ = os.WriteFile(arg, nil, 0o666)
			os.Exit(3)
		}
		return []byte("second")
	}
	return nil
}

var held []byte

func do(t *testing.T, p *Pool, job string) string {
	t.Helper()
	b, err := p.Do(context.Background(), []byte(job), quiet)
	if err != nil {
		t.Fatalf("%s: %v", job, err)
	}
	return string(b)
}

func TestJobsAreDone(t *testing.T) {
	p := NewPool(limits())
	defer p.Close()
	large := strings.Repeat("0123456789abcdef", 1<<20)
	if got := do(t, p, "echo "+large); got != large {
		t.Errorf("%d bytes came back", len(got))
	}
	do(t, p, "noise")
	if got := do(t, p, "echo"); got != "" {
		t.Errorf("%q", got)
	}
	if n := p.Started(); n != 1 {
		t.Errorf("%d processes for jobs one after the other", n)
	}
	var all sync.WaitGroup
	for i := range 40 {
		all.Go(func() {
			if want := strings.Repeat(fmt.Sprint(i), 1000*i); do(t, p, "echo "+want) != want {
				t.Errorf("job %d: another answer", i)
			}
		})
	}
	all.Wait()
}

// What happens to one job is told, and never touches the others.
func TestLostJobs(t *testing.T) {
	l := limits()
	l.CPU, l.Wall, l.MemoryBytes = time.Second, 20*time.Second, 200<<20
	sleepy := l
	sleepy.Wall = time.Second
	for _, tt := range []struct {
		job   string
		l     Limits
		cause Cause
		how   string
	}{
		{"exit", l, Crashed, "exit status 3"},
		{"segv", l, Crashed, "exit status 2"}, // Go's runtime says where, and exits
		{"close", l, Ended, "killed"},
		{"killed", l, Ended, "killed"},
		{"loop", l, TooLong, "of computing"},
		{"sleep", sleepy, TooLong, "no answer in 1s"},
		{"eat", l, TooLarge, "past the limit of 200 MB"},
	} {
		t.Run(tt.job, func(t *testing.T) {
			if runtime.GOOS != "linux" && (tt.job == "loop" || tt.job == "eat") {
				t.Skip("computing time and memory are watched on Linux only")
			}
			p := NewPool(tt.l)
			defer p.Close()
			other := make(chan string, 1)
			go func() { b, _ := p.Do(context.Background(), []byte("echo other"), quiet); other <- string(b) }()
			_, err := p.Do(context.Background(), []byte(tt.job), quiet)
			var lost *Lost
			if !errors.As(err, &lost) {
				t.Fatalf("error %v", err)
			}
			if lost.Cause != tt.cause || !strings.Contains(lost.How, tt.how) {
				t.Errorf("cause %v: %s", lost.Cause, lost.How)
			}
			if tt.job == "exit" && lost.Said != "terminate called after throwing" {
				t.Errorf("said %q", lost.Said)
			}
			if got := <-other; got != "other" {
				t.Errorf("the other job came to %q", got)
			}
			if got := do(t, p, "echo after"); got != "after" {
				t.Errorf("%q", got)
			}
		})
	}
}

func TestLostJobsAreTriedOnceMore(t *testing.T) {
	p := NewPool(limits())
	defer p.Close()
	if got := do(t, p, "first "+t.TempDir()+"/there"); got != "second" {
		t.Errorf("%q", got)
	}
	if n := p.Started(); n != 2 {
		t.Errorf("%d processes", n)
	}
}

func TestProcessesAreRenewed(t *testing.T) {
	l := limits()
	l.Jobs = 3
	p := NewPool(l)
	defer p.Close()
	pids := map[string]int{}
	for range 9 {
		pids[do(t, p, "pid")]++
	}
	if len(pids) != 3 {
		t.Errorf("9 jobs, 3 a process: %v", pids)
	}
	if runtime.GOOS == "linux" {
		l = limits()
		l.RetireBytes = 80 << 20
		q := NewPool(l)
		defer q.Close()
		first := do(t, q, "pid")
		if again := do(t, q, "pid"); again != first {
			t.Errorf("processes %s and %s without a reason", first, again)
		}
		do(t, q, "hold")
		if after := do(t, q, "pid"); after == first {
			t.Error("the process that holds on to memory stayed")
		}
	}
	l = limits()
	l.Idle = 50 * time.Millisecond
	r := NewPool(l)
	defer r.Close()
	pid, _ := strconv.Atoi(do(t, r, "pid"))
	gone(t, pid)
}

func gone(t *testing.T, pid int) {
	t.Helper()
	for until := time.Now().Add(20 * time.Second); time.Now().Before(until); time.Sleep(20 * time.Millisecond) {
		state, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
		if syscall.Kill(pid, 0) != nil || err == nil && bytes.Contains(state, []byte(") Z ")) {
			return // a zombie is its parent's business, whoever that is now
		}
	}
	t.Errorf("process %d is still there", pid)
}

func TestStopped(t *testing.T) {
	p := NewPool(limits())
	defer p.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 300*time.Millisecond)
	defer cancel()
	start := time.Now()
	if _, err := p.Do(ctx, []byte("sleep"), quiet); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("error %v", err)
	}
	if took := time.Since(start); took > 10*time.Second {
		t.Errorf("stopped after %v", took)
	}
	if n := p.Started(); n != 1 {
		t.Errorf("tried again after the end: %d processes", n)
	}
}

// A worker doesn't outlive its parent, even one that was killed, and busy or
// stuck itself.
func TestWorkersEndWithTheirParent(t *testing.T) {
	for _, job := range []string{"sleep", "loop"} {
		parent := exec.Command(os.Args[0])
		parent.Env = append(os.Environ(), parentEnv+"="+job)
		out, err := parent.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := parent.Start(); err != nil {
			t.Fatal(err)
		}
		var pid int
		if _, err := fmt.Fscan(out, &pid); err != nil || pid == 0 {
			t.Fatalf("no worker: %v", err)
		}
		time.Sleep(300 * time.Millisecond)
		_ = parent.Process.Kill()
		_, _ = io.Copy(io.Discard, out)
		_ = parent.Wait()
		gone(t, pid)
	}
}

func TestFrames(t *testing.T) {
	var b bytes.Buffer
	if err := writeFrame(&b, []byte("marbles")); err != nil {
		t.Fatal(err)
	}
	whole := b.Bytes()
	for n := range len(whole) {
		if _, err := readFrame(bytes.NewReader(whole[:n])); err == nil {
			t.Errorf("%d of %d bytes were taken for a message", n, len(whole))
		}
	}
	if _, err := readFrame(strings.NewReader("not a length at all")); err == nil {
		t.Error("text was taken for a message")
	}
}
